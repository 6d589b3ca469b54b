package stats_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"quadtally/stats"
)

func yieldLoss(t *testing.T, weeds, yields []float64, blocks []string) stats.YieldLoss {
	t.Helper()
	out, err := stats.AnalyseYieldLoss(stats.LossInput{Weeds: weeds, Yields: yields, Blocks: blocks, WeedsSet: true, Confidence: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, out)
	return out
}

// Invented plots around I 2 and A 50, in blocks: lm, and nls with its profile,
// in R 4.2.2.
func TestYieldLossInBlocks(t *testing.T) {
	c, y := columns(t, "loss.csv")
	var weeds []float64
	for _, s := range c["weeds"] {
		var v float64
		if _, err := fmt.Sscan(s, &v); err != nil {
			t.Fatal(err)
		}
		weeds = append(weeds, v)
	}
	l := yieldLoss(t, weeds, y, c["block"])
	near(t, "loss per weed", &l.Linear.PerWeed.Estimate, 0.03155405499, 1e-10)
	near(t, "lower", l.Linear.PerWeed.Lower, 0.02254499209, 1e-10)
	near(t, "upper", l.Linear.PerWeed.Upper, 0.0405631179, 1e-9)
	near(t, "p", l.Linear.P, 5.981846771e-07, 1e-15)
	near(t, "weed-free", &l.Linear.WeedFree.Estimate, 9.28840486943, 1e-9)
	near(t, "its upper", l.Linear.WeedFree.Upper, 9.73163468447, 1e-9)
	near(t, "percent", &l.Linear.PercentPerWeed.Estimate, 0.3397144659, 1e-9)
	near(t, "percent lower", l.Linear.PercentPerWeed.Lower, 0.2491785536, 1e-9)
	near(t, "percent upper", l.Linear.PercentPerWeed.Upper, 0.4263620351, 1e-9)
	if l.Hyperbola == nil {
		t.Fatalf("no curve: %s", l.Reason)
	}
	near(t, "I", &l.Hyperbola.I.Estimate, 1.898130645, 2e-6)
	near(t, "A", &l.Hyperbola.A.Estimate, 50.248760696, 2e-5)
	near(t, "I lower", l.Hyperbola.I.Lower, 1.370518101, 2e-6)
	near(t, "I upper", l.Hyperbola.I.Upper, 2.643630786, 2e-6)
	near(t, "A lower", l.Hyperbola.A.Lower, 44.28861106, 2e-5)
	near(t, "A upper", l.Hyperbola.A.Upper, 58.0435413, 2e-5)
	near(t, "weed-free of the curve", &l.Hyperbola.WeedFree, 10.12185781, 2e-6)
	near(t, "p of the bend", l.BendP, 1.105835661e-09, 1e-15)
	if l.HyperbolaDF != 18 || !l.Causal || len(l.Warnings) != 0 {
		t.Errorf("%+v", l)
	}
}

// Ywf 10, I 2, A 50, 25 weeds: 7.5 exactly, from Cousens' formula by hand.
func TestYieldLossFormula(t *testing.T) {
	h := stats.HyperbolaLoss{I: stats.Interval{Estimate: 2}, A: stats.Interval{Estimate: 50}, WeedFree: 10}
	if got := h.WeedFree * (1 - h.Loss(25)/100); got != 7.5 {
		t.Errorf("yield %v at 25 weeds, want 7.5", got)
	}
	if h.Loss(0) != 0 || math.Abs(h.Loss(1e9)-50) > 1e-5 {
		t.Errorf("loss %v at none, %v at very many", h.Loss(0), h.Loss(1e9))
	}
	// Yields on the curve are found again, without limits and with a warning.
	weeds := []float64{0, 1, 3, 10, 25, 60, 150}
	var yields []float64
	for _, d := range weeds {
		yields = append(yields, 10*(1-h.Loss(d)/100))
	}
	l := yieldLoss(t, weeds, yields, nil)
	if l.Hyperbola == nil {
		t.Fatal(l.Reason)
	}
	near(t, "I", &l.Hyperbola.I.Estimate, 2, 1e-4)
	near(t, "A", &l.Hyperbola.A.Estimate, 50, 1e-3)
}

func TestYieldLossRefusals(t *testing.T) {
	for _, c := range []struct {
		want          stats.LossRefusal
		weeds, yields []float64
		blocks        []string
	}{
		{stats.LossInputFault, []float64{1, 2}, []float64{1}, nil},
		{stats.LossInputFault, []float64{1, 2, 3}, []float64{1, 2, math.NaN()}, nil},
		{stats.LossInputFault, []float64{1, -2, 3}, []float64{1, 2, 3}, nil},
		{stats.LossFewLevels, []float64{1, 2, 1, 2}, []float64{1, 2, 3, 4}, nil},
		{stats.LossFewPlots, []float64{1, 2, 3, 4}, []float64{1, 2, 3, 5}, nil},
		{stats.LossNoSpread, []float64{1, 1, 2, 2, 3, 3}, []float64{1, 2, 3, 4, 5, 6}, []string{"a", "a", "b", "b", "c", "c"}},
	} {
		_, err := stats.AnalyseYieldLoss(stats.LossInput{Weeds: c.weeds, Yields: c.yields, Blocks: c.blocks, Confidence: 0.95})
		var e *stats.LossError
		if !errors.As(err, &e) || e.Refusal != c.want {
			t.Errorf("%v %v: %v, want %s", c.weeds, c.yields, err, c.want)
		}
	}
	rng := rand.New(rand.NewPCG(5, 6))
	draw := func(from, to float64, loss func(d float64) float64) ([]float64, []float64) {
		var weeds, yields []float64
		for i := range 20 {
			d := from + (to-from)*float64(i)/19
			weeds, yields = append(weeds, d), append(yields, 10*(1-loss(d)/100)+0.3*rng.NormFloat64())
		}
		return weeds, yields
	}
	curve := stats.HyperbolaLoss{I: stats.Interval{Estimate: 2}, A: stats.Interval{Estimate: 50}}
	for _, c := range []struct {
		name     string
		from, to float64
		loss     func(float64) float64
		want     stats.LossRefusal
	}{
		{"nothing lost", 0, 50, func(float64) float64 { return 0 }, stats.LossNoneShown},
		{"more yield with weeds", 0, 50, func(d float64) float64 { return -d }, stats.LossNoneShown},
		{"few weeds", 0, 8, curve.Loss, stats.LossNoBend},
		{"a straight line", 0, 50, func(d float64) float64 { return d }, stats.LossNoBend},
	} {
		weeds, yields := draw(c.from, c.to, c.loss)
		l := yieldLoss(t, weeds, yields, nil)
		if l.Hyperbola != nil || l.Refused != c.want || l.Reason == "" {
			t.Errorf("%s: %q (%s), want %q", c.name, l.Refused, l.Reason, c.want)
		}
	}
	// A bend seen, but no plot between none and very many.
	weeds := []float64{0, 0, 0, 0, 0, 80, 90, 100, 110, 120, 130, 140}
	yields := []float64{10.2, 9.9, 10, 10.1, 9.8, 5.2, 4.9, 5.1, 4.8, 5, 5.1, 4.9}
	if l := yieldLoss(t, weeds, yields, nil); l.Hyperbola != nil || l.Refused != stats.LossNoLowWeeds {
		t.Errorf("%q: %s", l.Refused, l.Reason)
	}
	// A trial that did not set the weeds says so.
	l, err := stats.AnalyseYieldLoss(stats.LossInput{Weeds: []float64{20, 30, 40, 50, 60, 70, 80}, Yields: []float64{9, 8, 8, 6, 5, 5, 4}, Confidence: 0.95})
	if err != nil || l.Causal || !hasText(l.Warnings, "did not set the weeds") {
		t.Errorf("%+v, %v", l, err)
	}
	if l.FewestWeeds == 20 && hasText(l.Warnings, "nearly free of weeds") != (20 > 0.25*80) {
		t.Error("no word on weed-free yield lying outside what was seen")
	}
}

// A curve that would lose a little more than the whole yield is held at it
// (nls with A fixed at 100 in R 4.2.2); one that would lose far more is refused.
func TestYieldLossAtTheWholeYield(t *testing.T) {
	var weeds []float64
	for _, d := range []float64{0, 4, 12, 30, 60, 110} {
		weeds = append(weeds, d, d, d)
	}
	l := yieldLoss(t, weeds, []float64{9.66, 9.9, 10.09, 8.86, 9.33, 9.27, 8.09, 8.45, 7.63, 6.68, 5.98, 5.84, 4.27, 4.6, 4.57, 2.97, 2.74, 2.85}, nil)
	if l.Hyperbola == nil {
		t.Fatal(l.Reason)
	}
	h := l.Hyperbola
	near(t, "I", &h.I.Estimate, 2.074360930, 5e-6)
	near(t, "A", &h.A.Estimate, 100, 0)
	near(t, "its upper limit", h.A.Upper, 100, 0)
	near(t, "weed-free", &h.WeedFree, 9.937602387, 5e-6)
	if !hasText(l.Warnings, "held at the whole yield") || !hasText(l.Warnings, "is not bounded") || *h.I.Lower >= h.I.Estimate || *h.I.Upper <= h.I.Estimate {
		t.Errorf("%+v, warnings %q", h, l.Warnings)
	}
	l = yieldLoss(t, weeds, []float64{10.024, 10.004, 9.988, 9.224, 9.239, 9.21, 7.942, 7.936, 7.974, 5.82, 5.799, 5.777, 3.556, 3.555, 3.553, 1.459, 1.437, 1.459}, nil)
	if l.Hyperbola != nil || l.Refused != stats.LossBeyondYield {
		t.Errorf("%q: %s", l.Refused, l.Reason)
	}
}

// Yields on a line exactly, which real ones never are.
func TestYieldLossExactLine(t *testing.T) {
	l := yieldLoss(t, []float64{0, 1, 2, 3, 4, 5, 6, 7}, []float64{10, 9, 8, 7, 6, 5, 4, 3}, nil)
	near(t, "per weed", &l.Linear.PerWeed.Estimate, 1, 1e-12)
	near(t, "percent", &l.Linear.PercentPerWeed.Estimate, 10, 1e-11)
	if l.Linear.PerWeed.Lower != nil || l.Linear.P != nil || !hasText(l.Warnings, "exactly") || l.Hyperbola != nil {
		t.Errorf("%+v", l)
	}
}

// The smallest number of plots that is taken leaves 3 degrees of freedom.
func TestYieldLossFewestPlots(t *testing.T) {
	weeds, yields := []float64{0, 5, 10, 40, 90}, []float64{10, 9.1, 8.2, 6.1, 5.3}
	l := yieldLoss(t, weeds, yields, nil)
	if l.LinearDF != 3 || l.Refused != stats.LossFewPlots || l.BendP != nil {
		t.Errorf("%+v", l)
	}
	if l = yieldLoss(t, append(weeds, 20), append(yields, 7.2), nil); l.Refused == stats.LossFewPlots || l.HyperbolaDF != 3 {
		t.Errorf("%+v", l)
	}
}

// Intervals of the curve hold the truth about as often as they say: 95 % within
// a few standard errors of the simulation, over plots where the curve is told.
func TestYieldLossCoverage(t *testing.T) {
	curve := stats.HyperbolaLoss{I: stats.Interval{Estimate: 2}, A: stats.Interval{Estimate: 50}}
	rng := rand.New(rand.NewPCG(7, 8))
	runs := 100
	if os.Getenv("QUADTALLY_HEAVY") != "" {
		runs = 1000
	}
	told, inI, inA := 0, 0, 0
	for range runs {
		var weeds, yields []float64
		var blocks []string
		for b := range 4 {
			for _, d := range []float64{0, 3, 10, 30, 80, 200} {
				d *= math.Exp(0.3 * rng.NormFloat64())
				weeds, blocks = append(weeds, d), append(blocks, fmt.Sprint(b))
				yields = append(yields, float64(b)+8.5-10*curve.Loss(d)/100+0.4*rng.NormFloat64())
			}
		}
		l := yieldLoss(t, weeds, yields, blocks)
		if l.Hyperbola == nil {
			continue
		}
		told++
		// The weed-free yield is 10 on average over blocks.
		if *l.Hyperbola.I.Lower <= 2 && 2 <= *l.Hyperbola.I.Upper {
			inI++
		}
		if *l.Hyperbola.A.Lower <= 50 && 50 <= *l.Hyperbola.A.Upper {
			inA++
		}
	}
	t.Logf("told %d of %d; intervals hold I %d and A %d times", told, runs, inI, inA)
	for _, hold := range []int{inI, inA} {
		if share := float64(hold) / float64(told); math.Abs(share-0.95) > 3*math.Sqrt(0.95*0.05/float64(told)) {
			t.Errorf("an interval held the truth in %.3f of runs", share)
		}
	}
	if told < runs*9/10 {
		t.Errorf("told in %d of %d", told, runs)
	}
}

func FuzzYieldLoss(f *testing.F) {
	f.Add(uint64(1), 12, 3, 50.0, 10.0)
	f.Fuzz(func(t *testing.T, seed uint64, n, blocks int, most, size float64) {
		if n < 0 || n > 40 || blocks < 0 || blocks > 8 {
			return
		}
		rng := rand.New(rand.NewPCG(seed, 1))
		var in stats.LossInput
		in.Confidence = 0.95
		for range n {
			in.Weeds = append(in.Weeds, math.Floor(most*rng.Float64()))
			in.Yields = append(in.Yields, size*rng.NormFloat64())
			if blocks > 0 {
				in.Blocks = append(in.Blocks, fmt.Sprint(rng.IntN(blocks)))
			}
		}
		l, err := stats.AnalyseYieldLoss(in)
		if err == nil {
			checkJSON(t, l)
		} else if strings.TrimSpace(err.Error()) == "" {
			t.Error("an error without words")
		}
	})
}
