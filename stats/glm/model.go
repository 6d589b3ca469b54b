package glm

import (
	"fmt"
	"math"

	"quadtally/stats/terms"
)

// Family names the distribution, or the mean-variance relation, of a row.
type Family string

// The families. mu is the mean of a row.
const (
	// Poisson: variance mu; log link.
	Poisson Family = "Poisson"
	// QuasiPoisson: variance phi mu with phi from the Pearson statistic; log link.
	QuasiPoisson Family = "quasi-Poisson"
	// NegativeBinomial: variance mu + mu^2/theta, theta by maximum
	// likelihood; log link.
	NegativeBinomial Family = "negative binomial"
	// Binomial: hits out of Trials independent points; logit link.
	Binomial Family = "binomial"
	// QuasiBinomial: as Binomial with the variance times phi; without Trials
	// the response is a share of an area in [0, 1].
	QuasiBinomial Family = "quasi-binomial"
	// Beta: a share strictly between 0 and 1 with variance
	// mu(1-mu)/(1+phi), phi by maximum likelihood; logit link (Ferrari and
	// Cribari-Neto 2004, J. Appl. Stat. 31, 799-815).
	Beta Family = "beta"
)

func (f Family) quasi() bool    { return f == QuasiPoisson || f == QuasiBinomial }
func (f Family) counts() bool   { return f == Poisson || f == QuasiPoisson || f == NegativeBinomial }
func (f Family) binomial() bool { return f == Binomial || f == QuasiBinomial }

// Model is one response and the terms of its linear predictor.
type Model struct {
	// Response holds counts, hits, or shares (0 to 1, never percent), one a
	// plot. Leave missing rows out; a blank is not a zero.
	Response []float64
	// Trials holds the points looked at, for the binomial families.
	Trials []float64
	// Exposure holds the area a count comes from, in any one unit; means are
	// then rates per that unit. Nil counts every row as 1.
	Exposure []float64
	// Frame holds the labels and covariates.
	Frame terms.Frame
	// Fixed lists the terms in the order of the analysis of deviance; blocks
	// before treatments.
	Fixed []terms.Term
}

// Options are the settings of a fit.
type Options struct {
	Family Family
	// Level is the coverage of intervals, between 0.5 and 0.9999.
	Level float64
	// Theta fixes the negative binomial's theta; 0 estimates it.
	Theta float64
	// Spread is for the quasi families: how variances follow means.
	Spread Spread
	// ObservedInformation takes standard errors of beta regression from the
	// observed instead of the expected information.
	ObservedInformation bool
}

// Validate checks that the options are known and fit together.
func (o Options) Validate() error {
	switch {
	case !o.Family.counts() && !o.Family.binomial() && o.Family != Beta:
		return fmt.Errorf("family %q is not known", o.Family)
	case !(o.Level >= 0.5 && o.Level <= 0.9999):
		return fmt.Errorf("interval level %v is outside 0.5 to 0.9999", o.Level)
	case o.Theta != 0 && o.Family != NegativeBinomial:
		return fmt.Errorf("theta belongs to the negative binomial, not to the %s family", o.Family)
	case !(o.Theta >= 0) || math.IsInf(o.Theta, 0):
		return fmt.Errorf("theta %v: it must be positive, or 0 to be estimated", o.Theta)
	case o.Spread != SpreadOfFamily && o.Spread != SpreadOfPatches:
		return fmt.Errorf("spread %q is not known", o.Spread)
	case o.Spread != SpreadOfFamily && !o.Family.quasi():
		return fmt.Errorf("the %s family has a spread of its own; that of patches is for the quasi families", o.Family)
	case o.ObservedInformation && o.Family != Beta:
		return fmt.Errorf("observed information is an option of the beta family only")
	}
	return nil
}

// validate checks the columns of the model for the family.
func (m Model) validate(family Family) error {
	n, err := m.Frame.Rows()
	if err != nil {
		return err
	}
	if len(m.Response) != n {
		return fmt.Errorf("the response has %d rows, the table has %d", len(m.Response), n)
	}
	if m.Trials != nil && !family.binomial() {
		return fmt.Errorf("trials belong to the binomial families, not to the %s family", family)
	}
	if m.Trials == nil && family == Binomial {
		return fmt.Errorf("the binomial family needs the number of points looked at in each row; for cover as a share of an area use %q or %q", QuasiBinomial, Beta)
	}
	if m.Exposure != nil && !family.counts() {
		return fmt.Errorf("exposure belongs to counts, not to the %s family", family)
	}
	for name, column := range map[string][]float64{"trials": m.Trials, "exposure": m.Exposure} {
		if column == nil {
			continue
		}
		if len(column) != n {
			return fmt.Errorf("the %s have %d rows, the table has %d", name, len(column), n)
		}
		for i, x := range column {
			if !(x > 0) || math.IsInf(x, 0) {
				return fmt.Errorf("row %d: %s %v; it must be a positive number", i+1, name, x)
			}
		}
	}
	return m.validateResponse(family)
}

func (m Model) validateResponse(family Family) error {
	low, high := true, true // every row at its lower or upper end
	for i, y := range m.Response {
		if math.IsNaN(y) || math.IsInf(y, 0) {
			return fmt.Errorf("row %d: the response is not a finite number; leave a missing row out, it is not zero", i+1)
		}
		if y < 0 {
			return fmt.Errorf("row %d: response %v is negative", i+1, y)
		}
		if y > 1e12 {
			return fmt.Errorf("row %d: response %v is beyond any count", i+1, y)
		}
		top := math.Inf(1)
		switch {
		case m.Trials != nil:
			top = m.Trials[i]
			if y > top {
				return fmt.Errorf("row %d: %v hits out of %v points", i+1, y, top)
			}
		case !family.counts():
			top = 1
			if y > 1 {
				return fmt.Errorf("row %d: share %v is above 1; divide percent by 100", i+1, y)
			}
		}
		if family == Beta && (y == 0 || y == 1) {
			return fmt.Errorf("row %d: share %v; the beta family holds strictly between 0 and 1: use %q, which takes them", i+1, y, QuasiBinomial)
		}
		if (family == NegativeBinomial || family == Poisson) && y != math.Trunc(y) {
			return fmt.Errorf("row %d: response %v is no whole count; use %q for averaged counts, or give the total with its area as exposure", i+1, y, QuasiPoisson)
		}
		low, high = low && y == 0, high && y == top
	}
	if low {
		return fmt.Errorf("the response is 0 in all %d rows: nothing to compare", len(m.Response))
	}
	if high {
		return fmt.Errorf("the response is full in all %d rows: nothing to compare", len(m.Response))
	}
	return nil
}
