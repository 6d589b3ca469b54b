package stats

import (
	"fmt"
	"math"

	"quadtally/stats/dist"
)

// Abbott returns the suppression against the control in percent,
// 100 (1 - T/C), for the value after treatment of the treated and the control
// (Abbott 1925, J. Econ. Entomol. 18, 265). It is negative where the treated
// has more. A control at zero leaves nothing to suppress and is an error.
func Abbott(treated, control float64) (float64, error) {
	if !finite(treated) || !finite(control) || treated < 0 || control < 0 {
		return 0, fmt.Errorf("suppression of %g against %g: both must be numbers from 0", treated, control)
	}
	if control == 0 {
		return 0, errBareControl
	}
	return 100 * (1 - treated/control), nil
}

var errBareControl = fmt.Errorf("nothing in the control: suppression against it is undefined")

// HendersonTilton returns the suppression in percent where the populations
// were uneven before treatment: 100 (1 - (Ta Cb)/(Tb Ca)), with b before and a
// after (Henderson & Tilton 1955, J. Econ. Entomol. 48, 157).
func HendersonTilton(treatedBefore, treatedAfter, controlBefore, controlAfter float64) (float64, error) {
	for _, v := range []float64{treatedBefore, treatedAfter, controlBefore, controlAfter} {
		if !finite(v) || v < 0 {
			return 0, fmt.Errorf("suppression from a value of %g: all four must be numbers from 0", v)
		}
	}
	switch {
	case controlAfter == 0:
		return 0, errBareControl
	case treatedBefore == 0:
		return 0, fmt.Errorf("nothing in the treated before treatment: suppression is undefined")
	}
	return 100 * (1 - treatedAfter*controlBefore/(treatedBefore*controlAfter)), nil
}

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
	s.Percent = ptr(100 * (1 - a/b))
	t2 := t * t
	denominator := b*b - t2*v22
	if denominator <= 0 {
		s.Note = "no interval: the control is not clearly above zero, so the ratio has no bounded one"
		return s
	}
	middle := a*b - t2*v12
	// The discriminant is not negative while the denominator is positive,
	// but for rounding.
	root := math.Sqrt(max(0, middle*middle-(a*a-t2*v11)*denominator))
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
