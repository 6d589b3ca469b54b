package stats

import (
	"errors"
	"fmt"
	"math"

	"quadtally/stats/dist"
)

// ErrScale says that a margin in the unit of the response needs a response
// analysed as measured.
var ErrScale = errors.New("compare on the raw scale")

// Margin is how far a treatment may lie from the reference and still count as
// good enough. It is stated before the data are seen, by the grower: no number
// here could stand for what a percent of yield is worth.
type Margin struct {
	// Below and Above are the distances allowed under and over the reference,
	// above 0. Unless Relative they are in the unit of the analysis; Relative
	// takes them as shares of the reference's own mean (0.05 is 5 %), Below
	// under 1.
	Below    float64 `json:"below"`
	Above    float64 `json:"above"`
	Relative bool    `json:"relative,omitempty"`
}

// NotWorse compares a treatment with the reference within a margin. Numbers are
// nil where the design does not determine the comparison or shows no error
// variance. Difference is treatment less reference, on the scale of the
// analysis; Ratio is that of their means, for a relative margin.
type NotWorse struct {
	Treatment  string   `json:"treatment"`
	Difference *float64 `json:"difference,omitempty"`
	Ratio      *float64 `json:"ratio,omitempty"`
	DF         int      `json:"df"`
	// Lower and Upper are the 1 - alpha bounds, each on its own, of the
	// difference, or of the ratio for a relative margin (Fieller's; nil where the
	// reference is not clearly above zero). Together they are the 1 - 2 alpha
	// interval.
	Lower *float64 `json:"lower,omitempty"`
	Upper *float64 `json:"upper,omitempty"`
	// TLower and PLower test "too far below", TUpper and PUpper "too far above".
	TLower *float64 `json:"t_lower,omitempty"`
	PLower *float64 `json:"p_lower,omitempty"`
	TUpper *float64 `json:"t_upper,omitempty"`
	PUpper *float64 `json:"p_upper,omitempty"`
	// NotBelow, NotAbove and Equivalent say what is shown at alpha: not lower
	// than the reference by the margin or more, not higher, and both.
	NotBelow   bool `json:"not_below"`
	NotAbove   bool `json:"not_above"`
	Equivalent bool `json:"equivalent"`
	// TooLow and TooHigh say that the opposite is shown at alpha: lower than the
	// reference by more than the margin, or higher.
	TooLow  bool `json:"too_low,omitempty"`
	TooHigh bool `json:"too_high,omitempty"`
}

// Beyond reports whether a treatment is shown to lie outside the margin on a
// side that counts as worse.
func (n NotWorse) Beyond(worse Side) bool {
	return n.TooLow && worse != AboveControl || n.TooHigh && worse != BelowControl
}

// Words reads the result of a margin; worse says which direction is a loss
// ([BelowControl] for yield, [AboveControl] for weeds, [BothSides] where both
// are). Nothing shown is not shown to be worse either.
func (n NotWorse) Words(reference string, worse Side) string {
	if n.PLower == nil {
		return fmt.Sprintf("%s cannot be compared with %s here", n.Treatment, reference)
	}
	good := map[Side]bool{BelowControl: n.NotBelow, AboveControl: n.NotAbove, BothSides: n.Equivalent}[worse]
	how := "as good as"
	if worse == BothSides {
		how = "equivalent to"
	}
	if good {
		return fmt.Sprintf("%s is shown to be %s %s within the margin", n.Treatment, how, reference)
	}
	if n.Beyond(worse) {
		if worse == BothSides {
			return fmt.Sprintf("%s is shown to differ from %s by more than the margin", n.Treatment, reference)
		}
		return fmt.Sprintf("%s is shown to be worse than %s by more than the margin", n.Treatment, reference)
	}
	return fmt.Sprintf("%s is not shown to be %s %s within the margin; that does not mean it is not", n.Treatment, how, reference)
}

// Within compares every other level with the reference by two one-sided t tests
// at alpha each (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657-680): both
// show equivalence, one of them alone non-inferiority (Hothorn and Bleiholder
// 2006, EPPO Bull. 36, 31-45). A relative margin tests the linear contrast
// treatment - (1 - Below) reference against 0 (Sasabuchi 1988, Commun. Stat.
// Theory 17, 2633-2646), which needs no interval of the ratio. Each treatment is
// judged on its own; to claim it of several at once divide alpha by their
// number.
func (m Means) Within(reference string, margin Margin, alpha float64) ([]NotWorse, error) {
	c, err := m.index(reference)
	if err != nil {
		return nil, err
	}
	if err := margin.check(alpha); err != nil {
		return nil, err
	}
	mse, ok := m.fit.MSE()
	ok = ok && mse > 0
	df := float64(m.fit.DFResidual)
	var out []NotWorse
	for i, l := range m.Levels {
		if i == c {
			continue
		}
		n := NotWorse{Treatment: l, DF: m.fit.DFResidual}
		d := m.difference(i, c)
		if !d.estimable || margin.Relative && !(m.combos[i].estimable && m.combos[c].estimable) {
			out = append(out, n)
			continue
		}
		n.Difference = ptr(d.estimate)
		if margin.Relative {
			if ref := m.fit.shift + m.combos[c].estimate; ref > 0 {
				n.Ratio = ptr((m.fit.shift + m.combos[i].estimate) / ref)
			} else {
				return nil, fmt.Errorf("the mean of %s is %g: a share of it is no margin", reference, ref)
			}
		}
		if ok {
			m.withinTests(&n, i, c, d, margin, alpha, mse, df)
		}
		out = append(out, n)
	}
	return out, nil
}

func (m Means) withinTests(n *NotWorse, i, c int, d combination, margin Margin, alpha, mse, df float64) {
	// Estimate and standard error of treatment - k reference.
	against := func(k float64) (float64, float64) {
		t, r := m.combos[i], m.combos[c]
		return m.fit.shift + t.estimate - k*(m.fit.shift+r.estimate),
			math.Sqrt(mse * (t.variance() + k*k*r.variance() - 2*k*t.covariance(r)))
	}
	half := must(dist.TQuantile(1-alpha, df))
	if margin.Relative {
		low, seLow := against(1 - margin.Below)
		high, seHigh := against(1 + margin.Above)
		n.TLower, n.TUpper = ptr(low/seLow), ptr(high/seHigh)
		t, r := m.combos[i], m.combos[c]
		s := fieller(n.Treatment, m.fit.shift+t.estimate, m.fit.shift+r.estimate, mse*t.variance(), mse*r.variance(), mse*t.covariance(r), half)
		if s.Lower != nil {
			n.Lower, n.Upper = ptr(1-*s.Upper/100), ptr(1-*s.Lower/100)
		}
	} else {
		se := math.Sqrt(mse * d.variance())
		n.TLower, n.TUpper = ptr((d.estimate+margin.Below)/se), ptr((d.estimate-margin.Above)/se)
		n.Lower, n.Upper = ptr(d.estimate-half*se), ptr(d.estimate+half*se)
	}
	n.judge(alpha)
}

// Within compares the treatments of a finished analysis with a reference (the
// control, or a standard practice such as hoeing) within a margin; see
// [Means.Within]. Counts and covers with standardised means are held to a
// relative margin by the ratio of those, on the log scale. Other margins of a
// response that was not analysed as measured are in the unit of the scale, which
// no grower can state, and are refused. Where the values carry an error of their
// own they are refused too.
func (a Analysis) Within(reference string, margin Margin) ([]NotWorse, error) {
	switch {
	case a.fit == nil:
		return nil, fmt.Errorf("nothing was compared")
	case a.StandardBy != "" && margin.Relative && a.Own == nil:
		return a.withinRatios(reference, margin)
	case a.StandardBy != "":
		return nil, fmt.Errorf("a margin of this response is a share of the mean of %s, such as 20 %%; for one in its unit %w", reference, ErrScale)
	case a.Transform.Scale != Raw:
		return nil, fmt.Errorf("a margin is in the unit of the response, and this was analysed as the %s: %w", a.Transform.Words(), ErrScale)
	case a.Own != nil:
		return nil, fmt.Errorf("values with an error of their own are not compared within a margin")
	}
	return a.means.Within(reference, margin, a.Alpha)
}

// withinRatios holds ratios of standardised means to a relative margin by two
// one-sided t tests of the log ratio. An all-zero treatment has no ratio to
// test, and an all-zero reference none to share.
func (a Analysis) withinRatios(reference string, margin Margin) ([]NotWorse, error) {
	if err := margin.check(a.Alpha); err != nil {
		return nil, err
	}
	if r := a.result(reference); r == nil || r.Standard == nil {
		return nil, fmt.Errorf("there is no mean of %s to hold others against", reference)
	} else if *r.Standard == 0 {
		return nil, fmt.Errorf("the mean of %s is 0: a share of it is no margin", reference)
	}
	var out []NotWorse
	for _, t := range a.Design.Treatments {
		if t == reference {
			continue
		}
		n := NotWorse{Treatment: t, DF: a.ResidualDF}
		if r := a.standard.Ratio(t, reference); !r.Undefined && r.SE > 0 {
			df, log := float64(r.DF), math.Log(r.Ratio)
			half := r.SE * must(dist.TQuantile(1-a.Alpha, df))
			n.DF, n.Ratio, n.Lower, n.Upper = r.DF, ptr(r.Ratio), ptr(math.Exp(log-half)), ptr(math.Exp(log+half))
			n.TLower, n.TUpper = ptr((log-math.Log1p(-margin.Below))/r.SE), ptr((log-math.Log1p(margin.Above))/r.SE)
			n.judge(a.Alpha)
		}
		out = append(out, n)
	}
	return out, nil
}

// judge finds the p values of both tests and what they show.
func (n *NotWorse) judge(alpha float64) {
	df := float64(n.DF)
	n.PLower, n.PUpper = ptr(must(dist.TSF(*n.TLower, df))), ptr(must(dist.TSF(-*n.TUpper, df)))
	n.NotBelow, n.NotAbove = *n.PLower <= alpha, *n.PUpper <= alpha
	n.Equivalent = n.NotBelow && n.NotAbove
	n.TooLow, n.TooHigh = 1-*n.PLower <= alpha, 1-*n.PUpper <= alpha
}

// check refuses margins that cannot be meant.
func (m Margin) check(alpha float64) error {
	switch {
	case !(m.Below > 0 && m.Above > 0) || math.IsInf(m.Below, 1) || math.IsInf(m.Above, 1):
		return fmt.Errorf("margin of %g below and %g above: both must be numbers above 0, stated before the data are seen", m.Below, m.Above)
	case m.Relative && m.Below >= 1:
		return fmt.Errorf("margin of %g of the reference below: that is all of it; write 0.05 for 5 %%", m.Below)
	case !(alpha > 0 && alpha < 0.5):
		return fmt.Errorf("significance level %g is not between 0 and 0.5", alpha)
	}
	return nil
}
