package stats

import (
	"math"

	"quadtally/stats/dist"
)

// Suppression is 100 (1 - T/C) from adjusted means on the scale the response
// was measured on, in percent. It is the ratio of the means, not the mean of
// ratios by block. Percent is nil where the control holds nothing or a mean is
// not determined; Note then says so. Method says how the interval was made.
type Suppression struct {
	Treatment string   `json:"treatment"`
	Percent   *float64 `json:"percent,omitempty"`
	Lower     *float64 `json:"lower,omitempty"`
	Upper     *float64 `json:"upper,omitempty"`
	Method    string   `json:"method,omitempty"`
	Note      string   `json:"note,omitempty"`
}

// Suppression compares each level with the control. The interval, each at the
// given confidence on its own, is Fieller's for a ratio of correlated means
// (Fieller 1954, J. R. Stat. Soc. B 16, 175), which allows for the uncertainty
// of the control. Where the control's mean is not clearly above zero the ratio
// has no bounded interval, and the note says so.
func (m Means) Suppression(control string, confidence float64) ([]Suppression, error) {
	c, err := m.index(control)
	if err != nil {
		return nil, err
	}
	var out []Suppression
	for i, l := range m.Levels {
		if i != c {
			out = append(out, m.suppression(l, i, c, confidence))
		}
	}
	return out, nil
}

func (m Means) suppression(level string, i, c int, confidence float64) Suppression {
	s := Suppression{Treatment: level}
	tc, cc := m.combos[i], m.combos[c]
	if !tc.estimable || !cc.estimable {
		s.Note = "the means are not determined by the design"
		return s
	}
	a, b := m.fit.shift+tc.estimate, m.fit.shift+cc.estimate
	// What is left of an all-zero control after adding the shift back.
	if math.Abs(b) <= 1e-12*m.fit.yMax {
		b = 0
	}
	mse, ok := m.fit.MSE()
	if !ok || mse <= 0 {
		if s = fieller(level, a, b, 0, 0, 0, 0); s.Percent != nil {
			s.Lower, s.Upper, s.Method = nil, nil, ""
			s.Note = "no interval: the trial shows no error variance"
		}
		return s
	}
	t := must(dist.TQuantile(0.5+confidence/2, float64(m.fit.DFResidual)))
	return fieller(level, a, b, mse*tc.variance(), mse*cc.variance(), mse*tc.covariance(cc), t)
}

// fieller gives the suppression of a mean a against a control mean b with
// variances v11 and v22, covariance v12 and t quantile t.
func fieller(level string, a, b, v11, v22, v12, t float64) Suppression {
	s := Suppression{Treatment: level}
	if b <= 0 {
		s.Note = "nothing in the control"
		if b < 0 {
			s.Note = "the adjusted mean of the control is below zero"
		}
		return s
	}
	// In shares of the control's mean, so that the unit of the values is never
	// raised to the fourth power.
	ratio := a / b
	v11, v22, v12 = v11/b/b, v22/b/b, v12/b/b
	s.Percent = ptr(100 * (1 - ratio))
	t2 := t * t
	denominator := 1 - t2*v22
	if denominator <= 0 {
		s.Note = "no interval: the control is not clearly above zero, so the ratio has no bounded one"
		return s
	}
	middle := ratio - t2*v12
	// The discriminant is not negative while the denominator is positive,
	// but for rounding.
	root := math.Sqrt(max(0, middle*middle-(ratio*ratio-t2*v11)*denominator))
	s.Lower = ptr(100 * (1 - (middle+root)/denominator))
	s.Upper = ptr(100 * (1 - (middle-root)/denominator))
	s.Method = "Fieller"
	if *s.Upper > 100 {
		*s.Upper = 100
		s.Note = "upper limit cut at 100 %"
	}
	return s
}

func sq(x float64) float64 { return x * x }
