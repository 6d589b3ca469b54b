package stats

import (
	"fmt"
	"math"
	"slices"

	"quadtally/stats/dist"
)

// LossInput holds weeds and yield plot by plot.
type LossInput struct {
	// Weeds are plants per square metre or cover as a fraction, at one time,
	// not below 0; Yields are in any unit. One of each a plot.
	Weeds, Yields []float64
	Blocks        []string // empty for none
	// WeedsSet says that the trial itself set the number of weeds. Where it
	// did not, what goes with more weeds may not come from them.
	WeedsSet bool
	// Confidence of the intervals, between 0.5 and 1.
	Confidence float64
}

// LossRefusal says why a loss of yield cannot be told.
type LossRefusal string

// The refusals. The last four refuse the hyperbola only: the straight line may
// still be told.
const (
	LossInputFault  LossRefusal = "input"
	LossFewPlots    LossRefusal = "too few plots"
	LossFewLevels   LossRefusal = "too few different numbers of weeds"
	LossNoSpread    LossRefusal = "weeds do not differ within blocks"
	LossNoneShown   LossRefusal = "no loss shown"
	LossNoBend      LossRefusal = "no levelling off shown"
	LossNoLowWeeds  LossRefusal = "no plots with few weeds"
	LossBeyondYield LossRefusal = "loss beyond the whole yield"
)

// LossError is a loss that cannot be told from these plots.
type LossError struct {
	Refusal LossRefusal
	Text    string
}

func (e *LossError) Error() string { return e.Text }

func lossError(r LossRefusal, format string, args ...any) *LossError {
	return &LossError{r, fmt.Sprintf(format, args...)}
}

// Interval is an estimate with limits; a limit without an end is nil.
type Interval struct {
	Estimate float64  `json:"estimate"`
	Lower    *float64 `json:"lower,omitempty"`
	Upper    *float64 `json:"upper,omitempty"`
}

// LinearLoss is a straight line of yield on weeds in blocks of equal weight.
type LinearLoss struct {
	// PerWeed is the yield lost for each unit of weeds, in units of yield.
	PerWeed Interval `json:"per_weed"`
	P       *float64 `json:"p,omitempty"` // of no loss, two-sided
	// WeedFree is the yield at no weeds, averaged over blocks.
	WeedFree Interval `json:"weed_free"`
	// PercentPerWeed is PerWeed as a percentage of WeedFree, with Fieller's
	// limits (1954, J. R. Stat. Soc. B 16, 175); without them where the yield
	// at no weeds is not told apart from 0.
	PercentPerWeed Interval `json:"percent_per_weed"`
}

// HyperbolaLoss is the rectangular hyperbola of Cousens (1985, Annals of
// Applied Biology 107, 239-252): loss in percent of the weed-free yield
//
//	L = I D / (1 + I D / A)
//
// for weeds D, with limits where the likelihood falls off by as much as t at
// the confidence asked for (profile likelihood).
type HyperbolaLoss struct {
	// I is the loss in percent per unit of weeds as they become few.
	I Interval `json:"i"`
	// A is the loss in percent as weeds become many, at most 100.
	A        Interval `json:"a"`
	WeedFree float64  `json:"weed_free"`
}

// Loss is the loss in percent of the weed-free yield at weeds d.
func (h HyperbolaLoss) Loss(d float64) float64 {
	return h.I.Estimate * d / (1 + h.I.Estimate*d/h.A.Estimate)
}

// YieldLoss relates weeds to yield over the plots of a trial. Causal is what
// the input said: it is false unless the trial set the weeds, and then the
// relation must not be read as what weeds do.
//
// Of the two curves Hyperbola is nil where the plots cannot tell it from a
// straight line or cannot tell its ends; Refused says why. Blocks shift the
// yield of all their plots by the same amount.
type YieldLoss struct {
	Plots       int            `json:"plots"`
	FewestWeeds float64        `json:"fewest_weeds"`
	MostWeeds   float64        `json:"most_weeds"`
	Causal      bool           `json:"causal"`
	Linear      LinearLoss     `json:"linear"`
	LinearDF    int            `json:"linear_df"`
	LinearMSE   float64        `json:"linear_mse"`
	Hyperbola   *HyperbolaLoss `json:"hyperbola,omitempty"`
	HyperbolaDF int            `json:"hyperbola_df,omitempty"`
	// BendP tests the hyperbola against the straight line: F on 1 and
	// HyperbolaDF.
	BendP    *float64    `json:"bend_p,omitempty"`
	Refused  LossRefusal `json:"refused,omitempty"`
	Reason   string      `json:"reason,omitempty"`
	Warnings []string    `json:"warnings,omitempty"`
}

// fewestLossDF is the residual degrees of freedom below which no curve is
// fitted (ours).
const fewestLossDF = 3

// AnalyseYieldLoss fits both curves. It refuses, by a *LossError, weeds below
// 0 and numbers that are not finite, plots that leave fewer than 3 residual
// degrees of freedom, fewer than 3 different numbers of weeds, and weeds that
// do not differ within blocks.
func AnalyseYieldLoss(in LossInput) (YieldLoss, error) {
	out := YieldLoss{Plots: len(in.Yields), Causal: in.WeedsSet}
	if err := in.check(); err != nil {
		return out, err
	}
	out.FewestWeeds, out.MostWeeds = slices.Min(in.Weeds), slices.Max(in.Weeds)
	line, err := in.curve(in.Weeds)
	if err != nil {
		return out, err
	}
	if len(line.fit.kept) == 0 || !line.slope.estimable || line.slope.variance() == 0 {
		return out, lossError(LossNoSpread, "the weeds do not differ within blocks: what they cost cannot be told from the blocks; compare plots with few and with many weeds in the same block")
	}
	if line.fit.DFResidual < fewestLossDF {
		return out, lossError(LossFewPlots, "%s leave %s of residual: need at least %d more", count(len(in.Yields), "plot"), count(line.fit.DFResidual, "degree"), fewestLossDF-line.fit.DFResidual)
	}
	out.fillLine(line, in.Confidence)
	if !in.WeedsSet {
		out.Warnings = append(out.Warnings, "the trial did not set the weeds: plots with more of them may yield less for other reasons, so this is no measure of what weeds cost")
	}
	if out.FewestWeeds > 0.25*out.MostWeeds {
		out.Warnings = append(out.Warnings, fmt.Sprintf("no plot was nearly free of weeds (from %s to %s): the yield without weeds, and every percentage of it, lies outside what was seen", significant(out.FewestWeeds, 4), significant(out.MostWeeds, 4)))
	}
	out.fillHyperbola(in, line)
	return out, nil
}

func (in LossInput) check() error {
	n := len(in.Yields)
	switch {
	case len(in.Weeds) != n:
		return lossError(LossInputFault, "weeds of %s for yields of %d", count(len(in.Weeds), "plot"), n)
	case len(in.Blocks) != 0 && len(in.Blocks) != n:
		return lossError(LossInputFault, "blocks of %s for yields of %d", count(len(in.Blocks), "plot"), n)
	case !(in.Confidence >= 0.5 && in.Confidence < 1):
		return lossError(LossInputFault, "confidence %g is not between 0.5 and 1", in.Confidence)
	}
	for i := range in.Yields {
		if !usable(in.Yields[i]) || !usable(in.Weeds[i]) || in.Weeds[i] != 0 && math.Abs(in.Weeds[i]) < 1e-100 {
			return lossError(LossInputFault, "plot %d: weeds or yield is not a number that could be measured; leave the plot out", i+1)
		}
		if in.Weeds[i] < 0 {
			return lossError(LossInputFault, "plot %d: %g weeds are below 0", i+1, in.Weeds[i])
		}
	}
	distinct := slices.Compact(slices.Sorted(slices.Values(in.Weeds)))
	if len(distinct) < 3 {
		return lossError(LossFewLevels, "only %s of weeds: need at least 3, from nearly none to many", count(len(distinct), "different number"))
	}
	return nil
}

// lossFit is yield in blocks on one column of weeds. slope is its coefficient
// and base the yield where the column is 0, at blocks of equal weight.
type lossFit struct {
	fit         *Fit
	slope, base combination
	baseValue   float64
}

func (in LossInput) curve(column []float64) (lossFit, error) {
	var model []Term
	if len(in.Blocks) > 0 && len(levels(in.Blocks)) > 1 {
		model = append(model, FactorTerm("block", in.Blocks))
	}
	model = append(model, CovariateTerm("weeds", column))
	fit, err := FitLinear(in.Yields, model...)
	if err != nil {
		return lossFit{}, lossError(LossInputFault, "%v", err)
	}
	l := make([]float64, len(fit.x))
	base := fit.combine(1, l)
	l[fit.coding[len(model)-1].first] = 1
	return lossFit{fit: fit, slope: fit.combine(0, l), base: base, baseValue: fit.shift + base.estimate}, nil
}

func (out *YieldLoss) fillLine(line lossFit, confidence float64) {
	df := float64(line.fit.DFResidual)
	mse, _ := line.fit.MSE()
	t := must(dist.TQuantile(0.5+confidence/2, df))
	out.LinearDF, out.LinearMSE = line.fit.DFResidual, mse
	loss := -line.slope.estimate
	out.Linear.PerWeed.Estimate, out.Linear.WeedFree.Estimate = loss, line.baseValue
	if line.baseValue != 0 {
		out.Linear.PercentPerWeed.Estimate = 100 * loss / line.baseValue
	}
	if mse <= 0 {
		out.Warnings = append(out.Warnings, "the yields follow the line exactly, which real ones never do; check whether they were calculated")
		return
	}
	se := math.Sqrt(mse * line.slope.variance())
	baseSE := math.Sqrt(mse * line.base.variance())
	out.Linear.PerWeed.Lower, out.Linear.PerWeed.Upper = ptr(loss-t*se), ptr(loss+t*se)
	out.Linear.WeedFree.Lower, out.Linear.WeedFree.Upper = ptr(line.baseValue-t*baseSE), ptr(line.baseValue+t*baseSE)
	out.Linear.P = ptr(must(dist.TTwoSided(loss/se, df)))
	// Fieller: the ratios r for which loss - r base is within t of its
	// standard error.
	k := t * t * mse
	a := line.baseValue*line.baseValue - k*line.base.variance()
	b := loss*line.baseValue + k*line.slope.covariance(line.base)
	c := loss*loss - k*line.slope.variance()
	if d := b*b - a*c; a > 0 && d >= 0 {
		out.Linear.PercentPerWeed.Lower = ptr(100 * (b - math.Sqrt(d)) / a)
		out.Linear.PercentPerWeed.Upper = ptr(100 * (b + math.Sqrt(d)) / a)
	}
}

// hyperbola is the curve for one half-way point h, the weeds that cost half of
// the most they can.
type hyperbola struct {
	h    float64
	line lossFit
	ss   float64
}

// most is the largest loss in units of yield, and its share of the base as a
// percentage.
func (c hyperbola) a() float64 { return -100 * c.line.slope.estimate / c.line.baseValue }
func (c hyperbola) i() float64 { return c.a() / c.h }

// constrained is the sum of squares left where the largest loss must be the
// share r of the base.
func (c hyperbola) constrained(r float64) float64 {
	// most + r base with most the (negative) coefficient.
	u := c.line.slope.estimate + r*c.line.baseValue
	v := c.line.slope.variance() + 2*r*c.line.slope.covariance(c.line.base) + r*r*c.line.base.variance()
	return c.ss + u*u/v
}

func (in LossInput) hyperbola(h float64) hyperbola {
	column := make([]float64, len(in.Weeds))
	for i, d := range in.Weeds {
		if d > 0 {
			column[i] = d / (h + d)
		}
	}
	line := must(in.curve(column))
	return hyperbola{h: h, line: line, ss: line.fit.SSResidual}
}

// halfway returns half-way points to try, from far below the fewest weeds to
// far above the most.
func (in LossInput) halfway() []float64 {
	least := slices.Max(in.Weeds)
	for _, d := range in.Weeds {
		if d > 0 {
			least = min(least, d)
		}
	}
	lo, hi := math.Log(least/1000), math.Log(slices.Max(in.Weeds)*1000)
	const steps = 160
	out := make([]float64, steps+1)
	for k := range out {
		out[k] = math.Exp(lo + (hi-lo)*float64(k)/steps)
	}
	return out
}

// least finds the half-way point of the least value of f, starting from curves
// already fitted, to within tol of its logarithm.
func (in LossInput) least(curves []hyperbola, tol float64, f func(hyperbola) float64) (hyperbola, float64) {
	best := 0
	for k := range curves {
		if f(curves[k]) < f(curves[best]) {
			best = k
		}
	}
	lo, hi := math.Log(curves[max(best-1, 0)].h), math.Log(curves[min(best+1, len(curves)-1)].h)
	at, value := curves[best], f(curves[best])
	// Golden section; the sum of squares is smooth between neighbours.
	const ratio = 0.6180339887498949
	x1, x2 := hi-ratio*(hi-lo), lo+ratio*(hi-lo)
	c1, c2 := in.hyperbola(math.Exp(x1)), in.hyperbola(math.Exp(x2))
	f1, f2 := f(c1), f(c2)
	for hi-lo > tol {
		if f1 <= f2 {
			hi, x2, c2, f2 = x2, x1, c1, f1
			x1 = hi - ratio*(hi-lo)
			c1 = in.hyperbola(math.Exp(x1))
			f1 = f(c1)
		} else {
			lo, x1, c1, f1 = x1, x2, c2, f2
			x2 = lo + ratio*(hi-lo)
			c2 = in.hyperbola(math.Exp(x2))
			f2 = f(c2)
		}
	}
	if f1 < value {
		at, value = c1, f1
	}
	if f2 < value {
		at, value = c2, f2
	}
	return at, value
}

func (out *YieldLoss) refuse(r LossRefusal, format string, args ...any) {
	out.Refused, out.Reason = r, fmt.Sprintf(format, args...)
}

func (out *YieldLoss) fillHyperbola(in LossInput, line lossFit) {
	df := line.fit.DFResidual - 1
	if df < fewestLossDF {
		out.refuse(LossFewPlots, "%s are too few for a curve of one parameter more than the straight line", count(out.Plots, "plot"))
		return
	}
	var curves []hyperbola
	for _, h := range in.halfway() {
		curves = append(curves, in.hyperbola(h))
	}
	best, ss := in.least(curves, 1e-8, func(c hyperbola) float64 { return c.ss })
	s2 := ss / float64(df)
	if f := (line.fit.SSResidual - ss) / s2; s2 > 0 && f > 0 {
		out.BendP = ptr(must(dist.FSF(f, 1, float64(df))))
	}
	t := must(dist.TQuantile(0.5+in.Confidence/2, float64(df)))
	limit := ss + s2*t*t
	out.HyperbolaDF = df
	// No loss: the yield the same whatever the weeds.
	noLoss := best.constrained(0)
	switch {
	case best.a() <= 0 || best.line.baseValue <= 0 || noLoss <= limit:
		out.refuse(LossNoneShown, "yield is not shown to fall with weeds between %s and %s", significant(out.FewestWeeds, 3), significant(out.MostWeeds, 3))
		return
	case line.fit.SSResidual <= limit && s2 > 0:
		out.refuse(LossNoBend, "between %s and %s of the weeds the loss is not shown to level off: a curve cannot be told from the straight line", significant(out.FewestWeeds, 3), significant(out.MostWeeds, 3))
		return
	case curves[0].ss <= limit && s2 > 0:
		out.refuse(LossNoLowWeeds, "too few plots had few weeds: how fast the loss begins cannot be told from weeds between %s and %s", significant(out.FewestWeeds, 3), significant(out.MostWeeds, 3))
		return
	case best.a() > 100 && s2 > 0 && out.leastAt(in, curves, 100) > limit:
		out.refuse(LossBeyondYield, "the curve that fits best loses more than the whole yield (%.0f %%): check weeds and yields", best.a())
		return
	}
	h := HyperbolaLoss{WeedFree: best.line.baseValue}
	h.I.Estimate, h.A.Estimate = best.i(), best.a()
	if s2 > 0 {
		profile := func(share func(c hyperbola, v float64) float64) func(v float64) float64 {
			return func(v float64) float64 {
				_, ss := in.least(curves, 1e-4, func(c hyperbola) float64 { return c.constrained(share(c, v)) })
				return ss - limit
			}
		}
		ofI := profile(func(c hyperbola, v float64) float64 { return v * c.h / 100 })
		ofA := profile(func(_ hyperbola, v float64) float64 { return v / 100 })
		h.I.Lower, h.I.Upper = lossLimit(ofI, h.I.Estimate, 0), lossLimit(ofI, h.I.Estimate, math.Inf(1))
		h.A.Lower, h.A.Upper = lossLimit(ofA, h.A.Estimate, 0), lossLimit(ofA, h.A.Estimate, math.Inf(1))
		if h.I.Lower == nil || h.I.Upper == nil || h.A.Lower == nil {
			out.refuse(LossNoLowWeeds, "the plots do not bound the loss at few weeds: how fast it begins cannot be told from weeds between %s and %s", significant(out.FewestWeeds, 3), significant(out.MostWeeds, 3))
			return
		}
		if h.A.Upper == nil || *h.A.Upper > 100 {
			h.A.Upper = ptr(100)
			out.Warnings = append(out.Warnings, "how much is lost at most is not bounded by the plots: the upper limit is the whole yield")
		}
	}
	if h.A.Estimate > 100 {
		c, _ := in.least(curves, 1e-8, func(c hyperbola) float64 { return c.constrained(1) })
		// The base moves with the constraint by its regression on it.
		u := c.line.slope.estimate + c.line.baseValue
		v := c.line.slope.variance() + 2*c.line.slope.covariance(c.line.base) + c.line.base.variance()
		h.WeedFree = c.line.baseValue - (c.line.slope.covariance(c.line.base)+c.line.base.variance())/v*u
		h.A.Estimate, h.I.Estimate = 100, 100/c.h
		out.Warnings = append(out.Warnings, "the loss at most is held at the whole yield")
	}
	out.Hyperbola = &h
}

// leastAt is the least sum of squares where at most a percent is lost.
func (out *YieldLoss) leastAt(in LossInput, curves []hyperbola, a float64) float64 {
	_, ss := in.least(curves, 1e-8, func(c hyperbola) float64 { return c.constrained(a / 100) })
	return ss
}

// lossLimit finds where f, below 0 at from, rises through 0 on the way to an
// end (0 or infinity); nil where it does not.
func lossLimit(f func(float64) float64, from, end float64) *float64 {
	inside, outside := from, from
	for step := 0; ; step++ {
		if step > 60 {
			return nil
		}
		if end == 0 {
			outside /= 1.5
		} else {
			outside *= 1.5
		}
		if f(outside) > 0 {
			break
		}
		inside = outside
	}
	for range 60 {
		mid := math.Sqrt(inside * outside)
		if f(mid) > 0 {
			outside = mid
		} else {
			inside = mid
		}
		if math.Abs(outside-inside) <= 1e-8*inside {
			break
		}
	}
	return ptr(math.Sqrt(inside * outside))
}
