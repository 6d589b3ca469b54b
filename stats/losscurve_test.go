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
