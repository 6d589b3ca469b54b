package stats_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
)

// oneT checks that a difference, its standard error, t, p and limits say the
// same: t is their quotient, p its two tails, and the limits are where t is at
// the quantile.
func oneT(t *testing.T, what string, difference, sed, df, tValue, p, lower, upper, confidence float64) {
	t.Helper()
	q, err := dist.TQuantile(0.5+confidence/2, df)
	if err != nil {
		t.Fatal(err)
	}
	tails, err := dist.TTwoSided(difference/sed, df)
	if err != nil {
		t.Fatal(err)
	}
	size := math.Abs(difference) + sed
	closeTo(t, what+": t", tValue, difference/sed, 1e-9*(1+math.Abs(tValue)))
	closeTo(t, what+": p", p, tails, 1e-9)
	closeTo(t, what+": lower", lower, difference-q*sed, 1e-9*size)
	closeTo(t, what+": upper", upper, difference+q*sed, 1e-9*size)
	if !(sed > 0) {
		t.Errorf("%s: standard error %v", what, sed)
	}
}

func effectPairs(t *testing.T, what string, effects []stats.EffectMeans, confidence float64) {
	t.Helper()
	seen := 0
	for _, e := range effects {
		var ps []float64
		for _, p := range e.Pairs {
			if p.SED == nil {
				continue
			}
			seen++
			oneT(t, fmt.Sprint(what, e.Factors, p.A, p.B), *p.Difference, *p.SED, p.DF, *p.T, *p.P, *p.Lower, *p.Upper, confidence)
			ps = append(ps, *p.P)
		}
		holm, err := stats.Adjust(ps, stats.AdjustHolm)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range e.Pairs {
			if len(holm) == len(e.Pairs) {
				near(t, what+": Holm", p.PHolm, holm[i], 1e-12)
			}
		}
	}
	if seen < 4 {
		t.Errorf("%s: %d pairs", what, seen)
	}
}

func TestIntervalsOfEffects(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 7))
	var values []float64
	var blocks, whole, sub []string
	for b := range 4 {
		for w := range 3 {
			plot := rng.NormFloat64()
			for s := range 3 {
				values = append(values, 20+float64(w*s)+float64(b)+2*plot+rng.NormFloat64())
				blocks, whole, sub = append(blocks, fmt.Sprint(b)), append(whole, fmt.Sprint("w", w)), append(sub, fmt.Sprint("s", s))
			}
		}
	}
	for _, alpha := range []float64{0.05, 0.2} {
		for _, kind := range []stats.StrataKind{stats.SplitPlot, stats.StripPlot} {
			for _, lost := range []int{0, 1} {
				in := stats.StrataInput{Kind: kind, Values: values[lost:], Blocks: blocks[lost:], Alpha: alpha,
					Whole: stats.Factor{Name: "mulch", Labels: whole[lost:]}, Sub: stats.Factor{Name: "rate", Labels: sub[lost:]}}
				out, err := stats.AnalyseStrataContext(t.Context(), in)
				if err != nil {
					t.Fatal(err)
				}
				if out.Balanced != (lost == 0) {
					t.Errorf("%d lost: balanced %v", lost, out.Balanced)
				}
				effectPairs(t, fmt.Sprint(kind, lost), out.Effects, 1-alpha)
			}
		}
		f, err := stats.AnalyseFactorial(stats.FactorialInput{Values: values, Blocks: blocks, Alpha: alpha,
			Factors: []stats.Factor{{Name: "mulch", Labels: whole}, {Name: "rate", Labels: sub}}})
		if err != nil {
			t.Fatal(err)
		}
		effectPairs(t, "factorial", f.Effects, 1-alpha)
	}
}

// Differences over several trials, and in a trial to come: there each treatment
// has a part of its own, so that the variance of a difference has that of two
// such parts added.
func TestIntervalsOverTrials(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 7))
	var in stats.CombineInput
	for trial := range 6 {
		for _, treatment := range []string{"A", "B", "C", "D"} {
			part := rng.NormFloat64()
			for b := range 3 {
				in.Plots = append(in.Plots, stats.CombinePlot{Trial: fmt.Sprint(trial), Block: fmt.Sprint(b), Treatment: treatment, Value: 10 + 1.5*part + rng.NormFloat64()})
			}
		}
	}
	in.Control = "B"
	for _, alpha := range []float64{0.05, 0.2} {
		in.Alpha = alpha
		c, err := stats.CombineContext(context.Background(), in)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Pairs) != 6 || len(c.VsControl) != 3 || c.DifferenceSD == nil || *c.DifferenceSD == 0 {
			t.Fatalf("%d pairs, %d with the control, spread %v", len(c.Pairs), len(c.VsControl), c.DifferenceSD)
		}
		for _, p := range append(c.Pairs, c.VsControl...) {
			what := p.A + p.B
			oneT(t, what, p.Difference, p.SED, p.DF, p.T, p.P, p.Lower, p.Upper, 1-alpha)
			q, err := dist.TQuantile(1-alpha/2, p.DF)
			if err != nil {
				t.Fatal(err)
			}
			reach := q * math.Hypot(p.SED, *c.DifferenceSD)
			near(t, what+": upper in a new trial", p.NewTrialUpper, p.Difference+reach, 1e-9*reach)
			near(t, what+": lower in a new trial", p.NewTrialLower, p.Difference-reach, 1e-9*reach)
		}
		for _, p := range c.VsControl {
			if p.B != "B" {
				t.Errorf("%s - %s: the control is to be taken away", p.A, p.B)
			}
		}
	}
}

// What is asked of an analysis that was not made for it.
func TestAskedOfTheWrongAnalysis(t *testing.T) {
	a := analyse(t, d1Rows(), rawPercent()) // without a control
	if _, err := a.VsControlStepDownContext(t.Context()); err == nil || !strings.Contains(err.Error(), "name one") {
		t.Errorf("steps without a control: %v", err)
	}
	for _, alpha := range []float64{0.999, 1} {
		err := stats.Plan{Treatments: 2, Blocks: 2, Alpha: alpha}.Validate()
		if (err == nil) != (alpha < 1) {
			t.Errorf("level %v: %v", alpha, err)
		}
	}
	// Pairs planned among all have two sides, and say which test has one.
	if _, err := (stats.Plan{Treatments: 4, Blocks: 4, Alpha: 0.05}).PairPowerBy(1, stats.PairTest{Method: stats.PairTukey, OneSided: true}); err == nil || !strings.Contains(err.Error(), "dunnett") {
		t.Errorf("one-sided Tukey: %v", err)
	}
}
