package stats

import (
	"math"

	"quadtally/stats/dist"
)

// CovariateCheck is what must be known before means adjusted for a covariate are
// believed. It is nil where no covariate is used.
type CovariateCheck struct {
	// Slope is the change of the response, on the scale of the analysis, for one
	// unit of the covariate between plots of a treatment and block, with its
	// standard error, interval and two-sided p value on DF. All but Slope are
	// nil where there is no error variance.
	Slope float64  `json:"slope"`
	SE    *float64 `json:"se,omitempty"`
	Lower *float64 `json:"lower,omitempty"`
	Upper *float64 `json:"upper,omitempty"`
	P     *float64 `json:"p,omitempty"`
	DF    int      `json:"df"`
	// At is the covariate at which the means are adjusted: its mean over plots.
	At float64 `json:"at"`
	// Parallel tests whether treatments have slopes of their own, in which case
	// their differences hang on the covariate and adjusted means mislead. Balance
	// tests whether treatments differ in the covariate itself: randomised before
	// treatment they do by chance only, and a covariate that the treatments moved
	// takes their effect away. Either is nil where too few plots are left to
	// test by, or where the plots follow exactly.
	Parallel *ANOVARow `json:"parallel,omitempty"`
	Balance  *ANOVARow `json:"balance,omitempty"`
}

// covariateVaries reports whether a covariate varies between the plots of a
// block. One that does, but only from treatment to treatment, cannot be told
// apart from them and is refused.
func covariateVaries(terms []Term) (bool, error) {
	var x []float64
	var blocks, others []Term
	for _, t := range terms {
		switch {
		case t.numeric != nil:
			x = t.numeric
		case t.Name == TreatmentTerm:
			others = append(others, t)
		default:
			blocks, others = append(blocks, t), append(others, t)
		}
	}
	left := func(terms []Term) (bool, error) {
		f, err := FitLinear(x, terms...)
		return err == nil && f.SSResidual > 1e-20*f.SSTotal && f.SSResidual > 0, err
	}
	within, err := left(blocks)
	if err != nil || !within {
		return false, err
	}
	apart, err := left(others)
	if err == nil && !apart {
		err = Fault{Text: "the covariate is the same for all plots of a treatment, so it cannot be told apart from the treatments: compare without it"}
	}
	return true, err
}

// checkCovariate fills the check and warns of what it finds.
func (a *Analysis) checkCovariate(used []Plot, terms []Term, opt Options) error {
	if !opt.UseCovariate {
		return nil
	}
	at := -1
	var others []Term
	for i, t := range terms {
		if t.numeric != nil {
			at = i
		} else {
			others = append(others, t)
		}
	}
	if at < 0 {
		return nil
	}
	x := terms[at].numeric
	y := make([]float64, len(a.Plots))
	for i, p := range a.Plots {
		y[i] = p.Analysed
	}
	// The slope is that of what blocks and treatments leave of the response on
	// what they leave of the covariate.
	fx, err := FitLinear(x, others...)
	if err != nil {
		return err
	}
	left := fx.Residuals()
	var sxx, sxy float64
	for i, e := range left {
		sxx += e * e
		sxy += e * (y[i] - a.fit.Mean)
	}
	c := &CovariateCheck{Slope: sxy / sxx, DF: a.fit.DFResidual, At: mean(x)}
	if mse, ok := a.fit.MSE(); ok && mse > 0 {
		se := math.Sqrt(mse / sxx)
		half := se * must(dist.TQuantile(0.5+a.Confidence/2, float64(c.DF)))
		c.SE, c.Lower, c.Upper = &se, ptr(c.Slope-half), ptr(c.Slope+half)
		c.P = ptr(must(dist.TTwoSided(c.Slope/se, float64(c.DF))))
	}
	if c.Parallel, err = a.parallel(used, x, y, terms); err != nil {
		return err
	}
	if r := fx.Sequential()[len(others)-1]; r.F != nil {
		r.Term = "covariate by treatment"
		c.Balance = &r
	}
	a.Covariate = c
	if p := c.Parallel; p != nil && *p.P <= a.Alpha {
		a.warn("the slope on the covariate differs between treatments (F(%d,%d) = %.2f, %s): differences of adjusted means hold at a covariate of %s only",
			p.DF, a.fit.DFResidual-p.DF, *p.F, PWords(*p.P), significant(c.At, 4))
	}
	if b := c.Balance; b != nil && *b.P <= a.Alpha {
		a.warn("treatments differ in the covariate (F(%d,%d) = %.2f, %s): if it was measured after they began, adjusting takes away part of what they did; if before, read means with and without it",
			b.DF, fx.DFResidual, *b.F, PWords(*b.P))
	}
	a.note("means are adjusted to a covariate of %s; rank and randomisation tests, which would not be, are left out", significant(c.At, 4))
	return nil
}

// parallel tests a slope of its own for every treatment against one for all.
func (a *Analysis) parallel(used []Plot, x, y []float64, terms []Term) (*ANOVARow, error) {
	full := append([]Term(nil), terms...)
	centre := mean(x)
	for _, t := range a.Design.Treatments[1:] {
		own := make([]float64, len(x))
		for i, p := range used {
			if p.Treatment == t {
				own[i] = x[i] - centre
			}
		}
		full = append(full, CovariateTerm("covariate:"+t, own))
	}
	f, err := FitLinear(y, full...)
	if err != nil {
		return nil, err
	}
	df := a.fit.DFResidual - f.DFResidual
	if df < 1 || f.DFResidual < 1 {
		return nil, nil
	}
	r := testedRow("slopes by treatment", df, math.Max(0, a.fit.SSResidual-f.SSResidual), f.DFResidual, f.SSResidual, len(y))
	if r.F == nil {
		return nil, nil
	}
	return &r, nil
}
