package calibrate

import (
	"errors"
	"fmt"
	"math"
	"sort"
)

// Answer to "may I stop hand-counting?".
type Answer string

// The three answers.
const (
	Yes       Answer = "yes"
	No        Answer = "no"
	NotEnough Answer = "not_enough_pairs"
)

// equivalencePower is the chance of a yes that "how many would do" aims at
// (the usual value in planning).
const equivalencePower = 0.8

// mostPlots bounds the search for a sufficient number of plots.
const mostPlots = 10000

// TOST is two one-sided t tests of a mean difference against a margin
// (Schuirmann 1987), with plots as sampling units. PLower and PUpper are the
// p-values of "bias <= -margin" and "bias >= margin"; both below Alpha show the
// bias to lie within the margin, which is the same as CI, a 1 - 2 Alpha
// interval, lying within it.
type TOST struct {
	Margin float64   `json:"margin"`
	Alpha  float64   `json:"alpha"`
	Bias   float64   `json:"bias"`
	SE     *float64  `json:"se,omitempty"`
	DF     float64   `json:"df"`
	Pairs  int       `json:"pairs"`
	Plots  int       `json:"plots"`
	PLower *float64  `json:"p_lower,omitempty"`
	PUpper *float64  `json:"p_upper,omitempty"`
	CI     *Interval `json:"ci,omitempty"`
	Answer Answer    `json:"answer"`
	// PlotsNeeded and PairsNeeded would give a yes with 80 % chance if the true
	// bias and scatter are as seen and plots carry as many pairs as now; nil when
	// no number would (the bias itself is at or beyond the margin).
	PlotsNeeded *int   `json:"plots_needed,omitempty"`
	PairsNeeded *int   `json:"pairs_needed,omitempty"`
	Sentence    string `json:"sentence"`
}

// NewTOST tests the mean of image minus hand against the margin, each test at
// Alpha = 1 - level: 0.95 gives tests at 5 %. It refuses a margin that is not
// above 0 and fewer than 3 pairs.
func NewTOST(pairs []Pair, margin, level float64) (*TOST, error) {
	if !positive(margin) {
		return nil, errors.New("the margin must be a number above 0, stated before the data are seen")
	}
	if !(level > 0.5 && level < 1) {
		return nil, fmt.Errorf("confidence %v is outside 0.5 to 1", level)
	}
	if len(pairs) < 3 {
		return nil, fmt.Errorf("%d pairs: need at least 3 for a verdict", len(pairs))
	}
	diff := make([]float64, len(pairs))
	for i, p := range pairs {
		diff[i] = p.Image - p.Hand
		if !isFinite(diff[i]) {
			return nil, fmt.Errorf("%s: a value is missing or infinite", p.Name())
		}
	}
	plot, plots := plotsOf(pairs)
	bias, se, df := clusterMean(diff, plot, plots)
	e := &TOST{Margin: margin, Alpha: 1 - level, Bias: bias, DF: df, Pairs: len(pairs), Plots: plots}
	if df == 0 {
		e.Answer = NotEnough
		e.Sentence = "all pairs come from one plot: need at least 2 plots, better 8 or more"
		return e, nil
	}
	e.SE = ptr(se)
	half := tQuantile(level, df) * se
	e.CI = around(bias, half, 1-2*e.Alpha, "t interval with plots as units, matching the two tests")
	if se > 0 {
		e.PLower, e.PUpper = ptr(tUpper((bias+margin)/se, df)), ptr(tUpper((margin-bias)/se, df))
	}
	switch {
	case e.CI.Low > -margin && e.CI.High < margin:
		e.Answer = Yes
		e.Sentence = "on average image and hand are shown to differ by less than the margin"
	case e.CI.Low >= margin || e.CI.High <= -margin:
		e.Answer = No
		e.Sentence = "on average image and hand are shown to differ by more than the margin"
	case math.Abs(bias) >= margin:
		e.Answer = No
		e.Sentence = "the mean difference seen is already at or beyond the margin; more pairs of this kind would not turn that into a yes"
	default:
		e.Answer = NotEnough
		e.need(se)
	}
	return e, nil
}

// need finds the smallest number of plots with power for a yes, from the
// approximation (margin - |bias|)/SE >= t(1-alpha) + t(power), close enough for
// planning.
func (e *TOST) need(se float64) {
	g := float64(e.Plots)
	enough := func(plots int) bool { // holds from some number on
		df := float64(plots - 1)
		return (e.Margin-math.Abs(e.Bias))/(se*math.Sqrt(g/float64(plots))) >= tQuantile(1-e.Alpha, df)+tQuantile(equivalencePower, df)
	}
	more := sort.Search(mostPlots-e.Plots, func(k int) bool { return enough(e.Plots + 1 + k) })
	if plots := e.Plots + 1 + more; plots <= mostPlots {
		pairs := int(math.Ceil(float64(plots) * float64(e.Pairs) / g))
		e.PlotsNeeded, e.PairsNeeded = &plots, &pairs
		e.Sentence = fmt.Sprintf("the interval of the mean difference reaches over the margin; about %d plots with %d pairs in all would do, if bias and scatter stay as they are (80 %% chance of a yes)", plots, pairs)
		return
	}
	e.Sentence = fmt.Sprintf("the bias seen is so close to the margin that even %d plots would not settle it", mostPlots)
}
