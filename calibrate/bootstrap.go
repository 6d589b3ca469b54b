package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// minBootstrapPlots is the fewest plots worth resampling: with 3 there are only
// 10 different resamples.
const minBootstrapPlots = 4

// fewPlots is where cluster intervals begin to be trusted without a reminder
// (our choice).
const fewPlots = 8

// transform leads to and from a scale on which a statistic is close to normal.
type transform struct{ to, from func(float64) float64 }

var (
	plain  = transform{func(v float64) float64 { return v }, func(v float64) float64 { return v }}
	logs   = transform{math.Log, math.Exp}
	fisher = transform{fisherZ, math.Tanh}
)

// fisherZ is infinite for a coefficient that is 1 but for rounding, such as that of
// a resample of one plot of two pairs, so that rounding decides nothing.
func fisherZ(r float64) float64 {
	if math.Abs(r) > 1-1e-12 {
		return math.Inf(1)
	}
	return math.Atanh(r)
}

// bootstrap fills the ClusterCI of the statistics without a formula that
// respects plots: whole plots, with all their visits and quadrats, are drawn with
// replacement. The interval is estimate +- t(g-1) sqrt(g/(g-1)) SE of the
// resamples for g plots, on the scale where the statistic is close to normal:
// Fisher's z for coefficients, logarithms for errors. Percentiles were tried and
// cover less: resamples of few plots show too little scatter (Hesterberg 2015).
func (a *Agreement) bootstrap(s *sample, plot []int, plots int, opt Options) error {
	if plots < minBootstrapPlots {
		return fmt.Errorf("%d plots: need %d for intervals that respect plots; those given treat pairs as independent and are too narrow", plots, minBootstrapPlots)
	}
	if plots < fewPlots {
		a.warn("only %d plots: intervals that respect plots are rough below %d", plots, fewPlots)
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0x9e3779b97f4a7c15))
	draws := make([][]float64, statCount)
	for k := range draws {
		draws[k] = make([]float64, 0, opt.Resamples)
	}
	times, w := make([]float64, plots), make([]float64, len(plot))
	for range opt.Resamples {
		clear(times)
		for range plots {
			times[rng.IntN(plots)]++
		}
		for i, p := range plot {
			w[i] = times[p]
		}
		for k, v := range s.all(w) {
			if isFinite(v) {
				draws[k] = append(draws[k], v)
			}
		}
	}
	g := float64(plots)
	factor := tHalf(opt.Confidence, g-1) * math.Sqrt(g/(g-1))
	method := fmt.Sprintf("bootstrap of whole plots, %d resamples, seed %d", opt.Resamples, opt.Seed)
	set := func(e *Estimate, k int, on transform) {
		d := draws[k]
		if len(d) == opt.Resamples && constant(d) {
			e.ClusterCI = interval(e.Value, e.Value, opt.Confidence, method)
			return
		}
		usable := d[:0]
		for _, v := range d {
			if v = on.to(v); isFinite(v) {
				usable = append(usable, v)
			}
		}
		// A statistic that is undefined in many resamples has no honest interval.
		if len(usable) < opt.Resamples*19/20 {
			return
		}
		half := factor * math.Sqrt(variance(usable))
		e.ClusterCI = interval(on.from(on.to(e.Value)-half), on.from(on.to(e.Value)+half), opt.Confidence, method)
	}
	set(&a.RMSE, statRMSE, logs)
	set(&a.MAE, statMAE, logs)
	if a.CCC != nil {
		set(&a.CCC.Estimate, statCCC, fisher)
	}
	if a.Pearson != nil {
		set(&a.Pearson.Estimate, statPearson, fisher)
	}
	if a.Spearman != nil {
		set(&a.Spearman.Estimate, statSpearman, fisher)
	}
	if a.ICC != nil {
		set(&a.ICC.Estimate, statICC, fisher)
	}
	if a.Sloping != nil {
		set(&a.Sloping.BiasSlope, statBiasSlope, plain)
		set(&a.Sloping.SpreadSlope, statSpreadSlope, plain)
	}
	return nil
}
