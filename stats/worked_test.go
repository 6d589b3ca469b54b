package stats_test

import (
	"context"
	"math"
	"testing"

	"quadtally/stats"
)

// These worked examples stand without the reference cases.

func closeTo(t *testing.T, what string, got, want, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= abs) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// coverD1 is weed cover in percent of five mulches in four blocks, invented; the
// values expected of it were computed with R 4.2.2.
var coverD1 = struct {
	treatments []string
	table      [][]float64 // block by treatment
}{
	[]string{"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"},
	[][]float64{
		{62, 24, 15, 33, 8},
		{48, 31, 9, 22, 5},
		{71, 38, 27, 41, 12},
		{55, 19, 18, 36, 11},
	},
}

// plots lists a table plot by plot.
func plots(treatments []string, table [][]float64) (y []float64, treatment, block []string) {
	for b, row := range table {
		for j, v := range row {
			y = append(y, v)
			treatment = append(treatment, treatments[j])
			block = append(block, string(rune('1'+b)))
		}
	}
	return y, treatment, block
}

func TestChecksOfD1(t *testing.T) {
	y, treatment, block := plots(coverD1.treatments, coverD1.table)
	na, _, _, err := stats.NonAdditivity(y, block, treatment)
	na = test(t, na, err)
	closeTo(t, "non-additivity F", na.Statistic, 2.23115, 5e-6)
	closeTo(t, "non-additivity df", na.DF2, 11, 0)
	closeTo(t, "non-additivity p", na.P, 0.16337, 5e-6)
	fr, err := stats.FriedmanTest(coverD1.table)
	test(t, fr.ChiSquare, err)
	closeTo(t, "Friedman", fr.ChiSquare.Statistic, 15.4, 1e-9)
	closeTo(t, "Friedman p", fr.ChiSquare.P, 0.0039396, 5e-8)
	e := additiveResiduals(coverD1.table)
	sw, err := stats.ShapiroWilk(e)
	sw = test(t, sw, err)
	closeTo(t, "Shapiro-Wilk p of residuals", sw.P, 0.9504, 5e-5)
	_, groups := grouped(treatment, y)
	bf, err := stats.BrownForsythe(groups)
	bf = test(t, bf, err)
	closeTo(t, "Levene (median) by treatment", bf.P, 0.5245, 5e-5)
	perm, err := stats.PermuteContext(context.Background(), y, treatment, block, stats.DefaultPermuteOptions())
	test(t, perm.Test, err)
	closeTo(t, "F", perm.F, 55.63098, 5e-6)
	if !perm.Complete || perm.Of != 1728000 {
		t.Errorf("%d arrangements, complete %v", perm.Of, perm.Complete)
	}
}

// One plot lost: treatments adjusted for blocks, F 50.12171 on 4 and 11 df (R
// 4.2.2), never the 52.46 of treatments first.
func TestPermuteAdjustsForBlocks(t *testing.T) {
	y, treatment, block := plots(coverD1.treatments, coverD1.table)
	const lost = 2*5 + 2 // RYEVETCH in block 3
	cut := func(s []string) []string { return append(append([]string(nil), s[:lost]...), s[lost+1:]...) }
	y = append(append([]float64(nil), y[:lost]...), y[lost+1:]...)
	opt := stats.DefaultPermuteOptions()
	opt.Draws, opt.MaxArrangements = 2000, 1000
	perm, err := stats.PermuteContext(context.Background(), y, cut(treatment), cut(block), opt)
	test(t, perm.Test, err)
	closeTo(t, "F", perm.F, 50.12171, 5e-6)
	closeTo(t, "df", perm.DF2, 11, 0)
}

func additiveResiduals(table [][]float64) []float64 {
	b, n := float64(len(table)), float64(len(table[0]))
	grand, column := 0.0, make([]float64, len(table[0]))
	for _, row := range table {
		for j, v := range row {
			grand += v / (b * n)
			column[j] += v / b
		}
	}
	var e []float64
	for _, row := range table {
		mean := 0.0
		for _, v := range row {
			mean += v / n
		}
		for j, v := range row {
			e = append(e, v-mean-column[j]+grand)
		}
	}
	return e
}

// A treatment without a single weed: ranks stand where variances do not (R
// 4.2.2: Friedman 12, p 0.00738).
func TestFriedmanWithAllZeroTreatment(t *testing.T) {
	table := [][]float64{{41, 12, 17, 0}, {28, 7, 11, 0}, {55, 19, 23, 0}, {37, 9, 14, 0}}
	fr, err := stats.FriedmanTest(table)
	test(t, fr.ChiSquare, err)
	closeTo(t, "chi-square", fr.ChiSquare.Statistic, 12, 1e-12)
	closeTo(t, "p", fr.ChiSquare.P, 0.00738, 5e-6)
	if fr.ImanDavenport.Defined || fr.ImanDavenport.Note == "" {
		t.Error("all blocks agree, yet F is given")
	}
	_, groups := grouped([]string{"A", "A", "B", "B"}, []float64{0, 0, 3, 5})
	if r, err := stats.Bartlett(groups); err != nil || r.Defined || r.Note == "" {
		t.Errorf("Bartlett with a group without spread: %+v, %v", r, err)
	}
}

// Published: Hollander and Wolfe 1973 (rounding first base 11.1429, depression
// scores V = 40), the W test's weights of eleven men, Tietjen and Moore's data
// in the NIST/SEMATECH e-Handbook (G = 2.4687, recomputed).
func TestPublishedExamples(t *testing.T) {
	sr, err := stats.SignedRank(
		[]float64{1.83, 0.5, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.3},
		[]float64{0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29})
	test(t, sr.Test, err)
	closeTo(t, "V", sr.Statistic, 40, 0)
	closeTo(t, "one-sided p", sr.PGreater, 0.01953, 5e-6)
	w, err := stats.ShapiroWilk([]float64{148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236})
	w = test(t, w, err)
	closeTo(t, "W", w.Statistic, 0.79, 0.005)
	g, at, _ := grubbsOf(t, []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57})
	closeTo(t, "G", g, 2.4687, 1e-4)
	if at != 7 {
		t.Errorf("outlier at %d", at)
	}
}

// The planning formula at CV 17.5 % (R 4.2.2).
func TestBlocksForDifference(t *testing.T) {
	for _, v := range []struct {
		diff, exact float64
		blocks      int
	}{{0.10, 48.07, 49}, {0.20, 12.02, 13}, {0.25, 7.69, 8}, {0.30, 5.34, 6}} {
		exact, blocks, err := stats.BlocksForDifference(0.175, v.diff, 0.05, 0.8)
		if err != nil || blocks != v.blocks || math.Abs(exact-v.exact) > 0.005 {
			t.Errorf("difference %v: %v, %d blocks, %v", v.diff, exact, blocks, err)
		}
	}
}

// Fewest blocks for 12 residual df: arithmetic.
func TestBlocksForTwelveDF(t *testing.T) {
	for treatments, blocks := range map[int]int{2: 13, 3: 7, 4: 5, 5: 4, 6: 4, 7: 3} {
		plan := stats.Plan{Treatments: treatments, Blocks: blocks, Alpha: 0.05}
		if w := plan.Warnings(); len(w) != 0 {
			t.Errorf("%d treatments in %d blocks: %v", treatments, blocks, w)
		}
		if plan.Blocks--; plan.Blocks >= 2 && len(plan.Warnings()) != 1 {
			t.Errorf("%d treatments in %d blocks: no warning", treatments, plan.Blocks)
		}
	}
}

// Power is the level without a difference, rises with difference and blocks,
// and is the pairwise power for two treatments.
func TestPowerLaws(t *testing.T) {
	must := func(x float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, alpha := range []float64{0.01, 0.05, 0.1} {
		plan := stats.Plan{Treatments: 5, Blocks: 4, Alpha: alpha}
		closeTo(t, "size", must(plan.FPower(0)), alpha, 1e-12)
		closeTo(t, "pair size", must(plan.PairPower(0)), alpha, 1e-12)
		before := 0.0
		for d := 0.0; d < 12; d += 0.5 {
			p := must(plan.FPower(d))
			if p < before-1e-14 {
				t.Errorf("power %v at %v after %v", p, d, before)
			}
			before = p
		}
		two := stats.Plan{Treatments: 2, Blocks: 6, Alpha: alpha}
		closeTo(t, "F and t of two", must(two.FPower(1.4)), must(two.PairPower(1.4)), 1e-11)
		closeTo(t, "detectable", must(plan.FPower(must(plan.DetectableDelta(0.8)))), 0.8, 1e-10)
		closeTo(t, "detectable pair", must(plan.PairPower(must(plan.DetectablePair(0.9)))), 0.9, 1e-10)
		blocks, reached, err := plan.BlocksNeeded(1.2, 0.8)
		if err != nil || reached < 0.8 {
			t.Fatal(blocks, reached, err)
		}
		plan.Blocks = blocks - 1
		if p := must(plan.FPower(1.2)); p >= 0.8 {
			t.Errorf("%d blocks would have done: %v", plan.Blocks, p)
		}
	}
}

func TestPowerRefuses(t *testing.T) {
	good := stats.Plan{Treatments: 4, Blocks: 4, Alpha: 0.05}
	for name, f := range map[string]func() error{
		"one treatment": func() error { _, err := stats.Plan{Treatments: 1, Blocks: 4, Alpha: 0.05}.FPower(1); return err },
		"one block":     func() error { _, err := stats.Plan{Treatments: 3, Blocks: 1, Alpha: 0.05}.PairPower(1); return err },
		"level":         func() error { _, err := stats.Plan{Treatments: 3, Blocks: 3}.FPower(1); return err },
		"NaN":           func() error { _, err := good.FPower(math.NaN()); return err },
		"power 1":       func() error { _, err := good.DetectableDelta(1); return err },
		"no difference": func() error { _, _, err := good.BlocksNeeded(0, 0.8); return err },
		"beyond reach":  func() error { _, _, err := good.BlocksNeeded(0.001, 0.8); return err },
		"CV 0":          func() error { _, _, err := stats.BlocksForDifference(0, 0.1, 0.05, 0.8); return err },
	} {
		if err := f(); err == nil {
			t.Errorf("%s accepted", name)
		}
	}
}

// The cheapest number of quadrats minimises variance x minutes; the formula
// lies beside it.
func TestBestQuadrats(t *testing.T) {
	plan := stats.QuadratPlan{PlotVar: 4, QuadratVar: 64, MinutesPerPlot: 6, MinutesPerQuadrat: 4, Most: 12}
	best, formula, choices, note, err := plan.BestQuadrats()
	if err != nil || note != "" {
		t.Fatal(note, err)
	}
	closeTo(t, "formula", formula, math.Sqrt(64./4*6/4), 1e-12) // 4.9
	if best != 5 || len(choices) != 12 {
		t.Errorf("best %d of %d choices", best, len(choices))
	}
	for _, c := range choices {
		if c.Cost < 1 {
			t.Errorf("%d quadrats cost %v", c.Quadrats, c.Cost)
		}
	}
	closeTo(t, "one quadrat", choices[0].Cost, 68.*10/(16.8*26), 1e-12)
	plan.PlotVar = 0
	best, formula, _, note, err = plan.BestQuadrats()
	if err != nil || best != 12 || formula != 0 || note == "" {
		t.Errorf("no plot variance: %d, %v, %q, %v", best, formula, note, err)
	}
	plan.MinutesPerQuadrat = 0
	if _, _, _, _, err := plan.BestQuadrats(); err == nil {
		t.Error("quadrats for nothing accepted")
	}
}
