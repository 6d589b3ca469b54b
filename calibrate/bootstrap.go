package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// minBootstrapPlots is the fewest plots worth resampling: with 3 there are only
// 10 different resamples.
const minBootstrapPlots = 4

// fewPlots is where cluster intervals begin to be trusted without a reminder
// (common practice).
const fewPlots = 8

// bootstrap fills the ClusterCI of every statistic: whole plots, with all their
// visits and quadrats, are drawn with replacement. Intervals are expanded
// percentiles (Hesterberg 2015): the percentile interval at the normal tail area
// that matches sqrt(g/(g-1)) t(g-1), which takes out the narrowness of the plain
// one with few plots.
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
	tail := distuv.UnitNormal.CDF(-math.Sqrt(g/(g-1)) * tHalf(opt.Confidence, g-1))
	set := func(e *Estimate, k int) {
		d := draws[k]
		// A statistic that is undefined in many resamples has no honest interval.
		if len(d) < opt.Resamples*19/20 {
			return
		}
		slices.Sort(d)
		e.ClusterCI = interval(quantileSorted(d, tail), quantileSorted(d, 1-tail), opt.Confidence,
			fmt.Sprintf("bootstrap of whole plots, %d resamples, seed %d, expanded percentiles", opt.Resamples, opt.Seed))
	}
	set(&a.SDDiff, statSD)
	set(&a.LowerLimit, statLower)
	set(&a.UpperLimit, statUpper)
	set(&a.RMSE, statRMSE)
	set(&a.MAE, statMAE)
	if a.CCC != nil {
		set(&a.CCC.Estimate, statCCC)
	}
	if a.Pearson != nil {
		set(&a.Pearson.Estimate, statPearson)
	}
	if a.Spearman != nil {
		set(&a.Spearman.Estimate, statSpearman)
	}
	if a.ICC != nil {
		set(&a.ICC.Estimate, statICC)
	}
	if a.Sloping != nil {
		set(&a.Sloping.BiasSlope, statBiasSlope)
		set(&a.Sloping.SpreadSlope, statSpreadSlope)
	}
	return nil
}
