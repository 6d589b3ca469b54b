package stats

import (
	"fmt"
	"math"

	"quadtally/stats/dist"
)

// A Plan is a trial as far as its power depends on it: treatments in complete
// blocks, or the same number of plots of each completely at random.
type Plan struct {
	Treatments int
	// Blocks is the number of blocks, or of plots a treatment when completely
	// randomised.
	Blocks int
	// CompletelyRandomised drops the blocks, which frees their df.
	CompletelyRandomised bool
	// Alpha is the level of the test, e.g. 0.05.
	Alpha float64
}

// Validate reports what would have to change before power can be reckoned.
func (p Plan) Validate() error {
	switch {
	case p.Treatments < 2:
		return fmt.Errorf("%d treatment: need 2 to compare", p.Treatments)
	case p.Blocks < 2:
		return fmt.Errorf("%d block: need 2 for any error to judge by", p.Blocks)
	case !(p.Alpha > 0 && p.Alpha < 1):
		return fmt.Errorf("level %v is not between 0 and 1", p.Alpha)
	}
	return nil
}

// DF returns the treatment and residual degrees of freedom.
func (p Plan) DF() (treatment, residual float64) {
	t, b := float64(p.Treatments), float64(p.Blocks)
	if p.CompletelyRandomised {
		return t - 1, t * (b - 1)
	}
	return t - 1, (t - 1) * (b - 1)
}

// FewResidualDF is the residual df below which a trial is warned about.
const FewResidualDF = 12

// Warnings returns a sentence with the cure where the residual df are below
// [FewResidualDF], the floor of field-trial practice (common practice, said to
// follow EPPO standard PP 1/152 on design and analysis, where we have not seen the
// number).
func (p Plan) Warnings() []string {
	_, df := p.DF()
	if p.Validate() != nil || df >= FewResidualDF {
		return nil
	}
	more := p
	for {
		more.Blocks++
		if _, d := more.DF(); d >= FewResidualDF {
			unit := "blocks"
			if p.CompletelyRandomised {
				unit = "plots a treatment"
			}
			return []string{fmt.Sprintf("residual df %.0f is below %d: %d %s would give %.0f", df, FewResidualDF, more.Blocks, unit, d)}
		}
	}
}

// FPower returns the power of the overall F test when the two most different
// treatments lie deltaSD residual standard deviations apart and all others
// midway, the least favourable case of that difference: the non-centrality is
// blocks x deltaSD^2 / 2.
func (p Plan) FPower(deltaSD float64) (float64, error) {
	if !(deltaSD >= 0) || math.IsInf(deltaSD, 1) {
		return 0, fmt.Errorf("difference %v SD: need a number not below 0", deltaSD)
	}
	return p.powerAt(float64(p.Blocks) * deltaSD * deltaSD / 2)
}

func (p Plan) powerAt(ncp float64) (float64, error) {
	if err := p.Validate(); err != nil {
		return 0, err
	}
	d1, d2 := p.DF()
	crit, err := dist.FQuantile(1-p.Alpha, d1, d2)
	if err != nil {
		return 0, err
	}
	return dist.NoncentralFSF(crit, d1, d2, math.Min(ncp, dist.MaxNoncentrality))
}

// PairPower returns the power of the two-sided t test between two treatments
// that lie deltaSD residual standard deviations apart, with the residual df of
// the whole trial.
func (p Plan) PairPower(deltaSD float64) (float64, error) {
	if !(deltaSD >= 0) || math.IsInf(deltaSD, 1) {
		return 0, fmt.Errorf("difference %v SD: need a number not below 0", deltaSD)
	}
	return p.PairPowerBy(deltaSD, PairTest{Method: PairAlone})
}

// DetectableDelta returns the smallest difference, in residual standard
// deviations, between the two most different treatments that the overall F
// test shows with the given power (see [Plan.FPower]).
func (p Plan) DetectableDelta(power float64) (float64, error) { return p.detectable(power, p.FPower) }

// DetectablePair is DetectableDelta for the t test between two treatments (see
// [Plan.PairPower]).
func (p Plan) DetectablePair(power float64) (float64, error) { return p.detectable(power, p.PairPower) }

func (p Plan) detectable(power float64, at func(deltaSD float64) (float64, error)) (float64, error) {
	if err := p.Validate(); err != nil {
		return 0, err
	}
	if !(power > p.Alpha && power < 1) {
		return 0, fmt.Errorf("power %v: need a number between the level %v and 1", power, p.Alpha)
	}
	lo, hi := 0.0, 1.0
	for {
		got, err := at(hi)
		if err != nil {
			return 0, err
		}
		if got >= power {
			break
		}
		if hi > 1e4 {
			return 0, fmt.Errorf("power %v is not reached by any difference up to %g SD: need more blocks", power, hi)
		}
		lo, hi = hi, 2*hi
	}
	// Power rises with the difference: bisection to the last digits.
	for hi-lo > 1e-13*hi {
		mid := (lo + hi) / 2
		if mid == lo || mid == hi {
			break
		}
		got, err := at(mid)
		if err != nil {
			return 0, err
		}
		if got < power {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2, nil
}

// mostBlocks is where [Plan.BlocksNeeded] gives up.
const mostBlocks = 10000

// BlocksNeeded returns the fewest blocks with which the overall F test has the
// wanted power for a difference of deltaSD residual standard deviations (see
// [Plan.FPower]), and the power then reached. The Blocks of the plan are not
// looked at.
func (p Plan) BlocksNeeded(deltaSD, power float64) (blocks int, reached float64, err error) {
	p.Blocks = 2
	if err := p.Validate(); err != nil {
		return 0, 0, err
	}
	return p.fewestBlocks(deltaSD, power, func(q Plan) (float64, error) { return q.FPower(deltaSD) })
}

// fewestBlocks searches for the fewest blocks with which of reaches power for
// deltaSD residual standard deviations.
func (p Plan) fewestBlocks(deltaSD, power float64, of func(Plan) (float64, error)) (blocks int, reached float64, err error) {
	if !(power > 0 && power < 1) {
		return 0, 0, fmt.Errorf("power %v is not between 0 and 1", power)
	}
	if !(deltaSD > 0) || math.IsInf(deltaSD, 1) {
		return 0, 0, fmt.Errorf("difference %v SD: need a number above 0", deltaSD)
	}
	at := func(b int) (float64, error) {
		q := p
		q.Blocks = b
		return of(q)
	}
	// Power rises with blocks: double until enough, then halve the gap.
	lo, hi := 1, 2
	for {
		if reached, err = at(hi); err != nil {
			return 0, 0, err
		}
		if reached >= power {
			break
		}
		if hi > mostBlocks {
			return 0, 0, fmt.Errorf("power %v for a difference of %v SD needs more than %d blocks", power, deltaSD, mostBlocks)
		}
		lo, hi = hi, 2*hi
	}
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		got, err := at(mid)
		if err != nil {
			return 0, 0, err
		}
		if got >= power {
			hi, reached = mid, got
		} else {
			lo = mid
		}
	}
	return hi, reached, nil
}

// BlocksForDifference is the planning formula r >= 2 (CV/d)^2 (z_{1-alpha/2} +
// z_power)^2 for a difference of diffFrac of the mean when the coefficient of
// variation is cvFrac (both as fractions: 0.25 is 25 %). It returns the formula
// and the whole number of blocks above it. It takes the error variance for
// known, so with few residual df it is a little hopeful: see
// [Plan.BlocksNeeded]. Cochran and Cox 1957, Experimental Designs, section 2.2.
func BlocksForDifference(cvFrac, diffFrac, alpha, power float64) (exact float64, blocks int, err error) {
	if !(cvFrac > 0 && diffFrac > 0) || math.IsInf(cvFrac, 1) || math.IsInf(diffFrac, 1) {
		return 0, 0, fmt.Errorf("CV %v and difference %v: both must be above 0", cvFrac, diffFrac)
	}
	zAlpha, err := dist.NormalQuantile(1 - alpha/2)
	if err != nil {
		return 0, 0, fmt.Errorf("level %v: %w", alpha, err)
	}
	zPower, err := dist.NormalQuantile(power)
	if err != nil {
		return 0, 0, fmt.Errorf("power %v: %w", power, err)
	}
	if zAlpha+zPower <= 0 {
		return 0, 0, fmt.Errorf("power %v is below what chance gives at level %v", power, alpha)
	}
	ratio := cvFrac / diffFrac * (zAlpha + zPower)
	exact = 2 * ratio * ratio
	if exact > 1e9 {
		return 0, 0, fmt.Errorf("a difference of %v at a CV of %v is beyond any trial", diffFrac, cvFrac)
	}
	return exact, int(math.Ceil(exact - 1e-9)), nil
}

// A QuadratPlan weighs quadrats against plots: the variance components of a
// response and the minutes they cost.
type QuadratPlan struct {
	// PlotVar and QuadratVar are the variance components between plots and
	// between quadrats within plots, in squared units of the response.
	PlotVar, QuadratVar float64
	// MinutesPerPlot is what a plot costs however many quadrats it has
	// (walking, setting up), MinutesPerQuadrat what each quadrat adds.
	MinutesPerPlot, MinutesPerQuadrat float64
	// Most is the largest number of quadrats a plot has room for.
	Most int
}

// A QuadratChoice is one number of quadrats a plot.
type QuadratChoice struct {
	Quadrats int
	// VarPlotMean is the variance of a plot mean.
	VarPlotMean float64
	// MinutesPerPlot is the whole time a plot takes.
	MinutesPerPlot float64
	// Cost is VarPlotMean times MinutesPerPlot relative to the best choice:
	// 1.10 needs 10 % more time for the same precision of treatment means.
	Cost float64
}

// BestQuadrats returns every number of quadrats from 1 to Most with its cost,
// the best of them, and the optimum as a formula, sqrt(QuadratVar/PlotVar x
// MinutesPerPlot/MinutesPerQuadrat) (Cochran 1977, Sampling Techniques, 3rd
// ed., section 10.6). Where plots do not vary beyond their quadrats the formula
// has no end: it is 0, and the note says so.
func (q QuadratPlan) BestQuadrats() (best int, formula float64, choices []QuadratChoice, note string, err error) {
	for _, v := range []float64{q.PlotVar, q.QuadratVar, q.MinutesPerPlot, q.MinutesPerQuadrat} {
		if !(v >= 0) || math.IsInf(v, 1) {
			return 0, 0, nil, "", fmt.Errorf("%v among variances and minutes: none may be negative or missing", v)
		}
	}
	switch {
	case q.Most < 1:
		return 0, 0, nil, "", fmt.Errorf("room for %d quadrats a plot: need at least 1", q.Most)
	case q.MinutesPerQuadrat == 0:
		return 0, 0, nil, "", fmt.Errorf("a quadrat takes some time: minutes per quadrat must be above 0")
	case q.PlotVar == 0 && q.QuadratVar == 0:
		return 0, 0, nil, "", fmt.Errorf("both variances are 0: there is nothing to weigh")
	}
	least := math.Inf(1)
	for n := 1; n <= q.Most; n++ {
		c := QuadratChoice{
			Quadrats:       n,
			VarPlotMean:    q.PlotVar + q.QuadratVar/float64(n),
			MinutesPerPlot: q.MinutesPerPlot + float64(n)*q.MinutesPerQuadrat,
		}
		c.Cost = c.VarPlotMean * c.MinutesPerPlot
		if c.Cost < least*(1-1e-12) {
			best, least = n, c.Cost
		}
		choices = append(choices, c)
	}
	for i := range choices {
		choices[i].Cost /= least
	}
	if q.PlotVar > 0 {
		formula = math.Sqrt(q.QuadratVar / q.PlotVar * q.MinutesPerPlot / q.MinutesPerQuadrat)
	} else {
		note = "plots do not vary beyond their quadrats: as many quadrats as there is room for"
	}
	return best, formula, choices, note, nil
}
