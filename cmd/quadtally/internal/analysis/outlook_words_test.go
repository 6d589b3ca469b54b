package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// What a layout is warned of: few or no degrees of freedom with what would
// help, no control, blocks without it, and a difference beyond the mean.
func TestWarningsOfALayout(t *testing.T) {
	laid := func(x trial.Trial) (trial.Trial, []trial.Plot) {
		t.Helper()
		plots, err := trial.LayOut(&x)
		if err != nil {
			t.Fatal(err)
		}
		return x, plots
	}
	for name, c := range map[string]struct {
		design             trial.Design
		treatments, blocks int
		cv                 float64
		change             func(x *trial.Trial, plots *[]trial.Plot)
		warned             []string // one for each warning, in order
		said               []string // somewhere in the sentences
		not                []string
	}{
		"enough": {trial.CompleteBlocks, 4, 5, 0.2, nil, nil, []string{"4 treatments in 20 plots", "12 residual degrees of freedom.", "vary by 20 %"}, []string{"paired comparison"}},
		"few":    {trial.CompleteBlocks, 4, 4, 0.2, nil, []string{"9 residual degrees of freedom are fewer than 12: the trial's own error will be poorly known and real differences easily missed. 5 blocks would reach 12."}, nil, nil},
		"none": {trial.CompleteBlocks, 3, 2, 0.2, func(_ *trial.Trial, p *[]trial.Plot) { *p = (*p)[:3] },
			[]string{"no residual degrees of freedom are left: nothing could be tested. 7 blocks would reach 12."}, nil, []string{"vary by"}},
		"one":                   {trial.CompleteBlocks, 2, 2, 0.2, nil, []string{"1 residual degrees of freedom are fewer than 12", "larger than the mean itself"}, []string{"paired comparison: each block is one pair"}, nil},
		"Latin square of four":  {trial.LatinSquare, 4, 4, 0.2, nil, []string{"A single Latin square of 4 has no more; randomised complete blocks reach 12 with 5 blocks."}, nil, []string{"needed:"}},
		"Latin square of five":  {trial.LatinSquare, 5, 5, 0.2, nil, nil, nil, []string{"needed:"}},
		"completely randomised": {trial.CompletelyRandomised, 3, 4, 0.2, nil, []string{"5 replicates would reach 12."}, []string{"At this CV the replicates needed: "}, nil},
		"no control":            {trial.CompleteBlocks, 4, 5, 0.2, func(x *trial.Trial, _ *[]trial.Plot) { x.Treatments[0].Control = false }, []string{"no treatment is marked as control"}, nil, nil},
		"a block without it": {trial.CompleteBlocks, 5, 5, 0.2, func(_ *trial.Trial, p *[]trial.Plot) {
			*p = slices.DeleteFunc(*p, func(x trial.Plot) bool { return x.Block == "2" && x.Treatment == "BARE" })
		}, []string{"block 2 without the control BARE"}, nil, nil},
		"plots without it, free": {trial.CompletelyRandomised, 5, 5, 0.2, func(_ *trial.Trial, p *[]trial.Plot) {
			*p = slices.DeleteFunc(*p, func(x trial.Plot) bool { return x.Treatment == "BARE" && x.ID == (*p)[0].ID })
		}, nil, nil, nil},
		"far too uneven":  {trial.CompleteBlocks, 4, 5, 0.9, nil, []string{"larger than the mean itself"}, nil, nil},
		"no spread known": {trial.CompleteBlocks, 4, 5, 0, nil, nil, nil, []string{"vary by"}},
		"endless spread":  {trial.CompleteBlocks, 4, 5, math.Inf(1), nil, nil, nil, []string{"vary by"}},
		"one treatment":   {trial.CompleteBlocks, 2, 4, 0.2, func(x *trial.Trial, _ *[]trial.Plot) { x.Treatments = x.Treatments[:1] }, []string{"nothing can be said yet"}, nil, []string{"treatments in"}},
		"no plots":        {trial.CompleteBlocks, 2, 4, 0.2, func(_ *trial.Trial, p *[]trial.Plot) { *p = nil }, []string{"nothing can be said yet"}, nil, []string{"treatments in"}},
	} {
		x, plots := laid(example(c.design, c.treatments, c.blocks))
		if c.change != nil {
			c.change(&x, &plots)
		}
		o := WhatItCanShow(&x, plots, c.cv)
		if len(o.Warnings) != len(c.warned) {
			t.Errorf("%s: warned %q", name, o.Warnings)
			continue
		}
		for i, want := range c.warned {
			if !strings.Contains(o.Warnings[i], want) {
				t.Errorf("%s: %q has no %q", name, o.Warnings[i], want)
			}
		}
		all := strings.Join(o.Sentences, "\n")
		for _, want := range c.said {
			if !strings.Contains(all, want) {
				t.Errorf("%s: no %q in\n%s", name, want, all)
			}
		}
		for _, un := range c.not {
			if strings.Contains(all, un) {
				t.Errorf("%s: %q in\n%s", name, un, all)
			}
		}
	}
}

// The blocks that a difference needs, by r >= 2 (CV/d)^2 (t1 + t2)^2 with the
// degrees of freedom that r leaves, and the plain numbers told of a layout.
func TestBlocksForADifference(t *testing.T) {
	for _, design := range []trial.Design{trial.CompleteBlocks, trial.CompletelyRandomised} {
		x := example(design, 4, 4)
		for _, d := range []float64{0.2, 0.3, 0.5} {
			b := blocksForDifference(&x, 0.2, d)
			enough := func(r int) bool {
				df := 3 * (r - 1)
				if design == trial.CompletelyRandomised {
					df = 4 * (r - 1)
				}
				q := planningT(df)
				return float64(r) >= 2*(0.2/d)*(0.2/d)*q*q
			}
			if b < 2 || !enough(b) || b > 2 && enough(b-1) {
				t.Errorf("%s: %d blocks for %g", design, b, d)
			}
		}
	}
	x := example(trial.CompleteBlocks, 4, 4)
	for name, b := range map[string]int{"no difference": blocksForDifference(&x, 0.2, 0), "more than a thousand blocks": blocksForDifference(&x, 5, 0.1)} {
		if b != 0 {
			t.Errorf("%s: %d", name, b)
		}
	}
	for _, design := range []trial.Design{trial.LatinSquare, trial.IncompleteBlocks} {
		y := example(design, 5, 5)
		if b := blocksForDifference(&y, 0.2, 0.3); b != 0 {
			t.Errorf("%s: %d", design, b)
		}
	}
	one := example(trial.CompleteBlocks, 1, 4)
	if b := blocksForDifference(&one, 0.2, 0.3); b != 0 {
		t.Errorf("one treatment: %d", b)
	}
	// 1.959964 + 0.841621 (printed tables); with 1 df 12.7062 + 1.3764.
	near(t, "normal", planningNormal(), 1.959964+0.841621, 1e-6)
	near(t, "1 df", planningT(1), 12.7062+1.3764, 1e-3)
	if !math.IsInf(planningT(0), 1) {
		t.Error("0 df")
	}
	if b := completeBlocksForDF(5); b != 4 {
		t.Errorf("5 treatments: %d blocks", b)
	}
	square := example(trial.LatinSquare, 4, 4)
	if b := blocksForDF(&square); b != 0 {
		t.Errorf("a Latin square of 4: %d", b)
	}
	square = example(trial.LatinSquare, 5, 5)
	if b := blocksForDF(&square); b != 5 {
		t.Errorf("a Latin square of 5: %d", b)
	}
	small := trial.Trial{Design: trial.IncompleteBlocks, BlockSize: 3, Treatments: make([]trial.Treatment, 5)}
	if df := residualDF(&small, 10); df != 16 { // 30 - 10 - 5 + 1
		t.Errorf("incomplete blocks: %d df", df)
	}
}

// Blocks that two treatments share: the fewest and the most, said of a plan that
// is not balanced.
func TestSharedBlocks(t *testing.T) {
	x := trial.Trial{Design: trial.IncompleteBlocks, BlockSize: 2, Blocks: 4, Treatments: []trial.Treatment{{Code: "A", Control: true}, {Code: "B"}, {Code: "C"}}}
	var plots []trial.Plot
	for b, pair := range []string{"AB", "AB", "BC", "AC"} {
		for i, code := range pair {
			plots = append(plots, trial.Plot{ID: fmt.Sprint(b, i), Block: fmt.Sprint(b), Treatment: string(code)})
		}
	}
	if lo, hi := sharedBlocks(&x, plots); lo != 1 || hi != 2 {
		t.Errorf("%d to %d", lo, hi)
	}
	o := WhatItCanShow(&x, plots, 0)
	if all := strings.Join(o.Sentences, "\n"); !strings.Contains(all, "any two treatments share 1 to 2 blocks") || len(o.Warnings) != 1 {
		t.Errorf("%s\n%q", all, o.Warnings)
	}
}

func basis(change func(*PowerBasis)) PowerBasis {
	g := PowerBasis{Plan: stats.Plan{Treatments: 4, Blocks: 4, Alpha: 0.05}, sd: 10, base: 50, baseOf: "the mean", transform: stats.Transform{Kind: stats.Measure, Scale: stats.Raw}}
	if change != nil {
		change(&g)
	}
	return g
}

// A distance of standard deviations in the unit and in percent, down from the
// base or up, stops where no mean can lie.
func TestDistances(t *testing.T) {
	percent := func(g *PowerBasis) { g.transform.Kind = stats.Percent }
	share := func(g *PowerBasis) { g.transform.Kind, g.base, g.sd = stats.Proportion, 0.5, 0.1 }
	up := func(g *PowerBasis) { g.upward = true }
	of := func(list ...func(*PowerBasis)) PowerBasis {
		return basis(func(g *PowerBasis) {
			for _, f := range list {
				f(g)
			}
		})
	}
	for name, c := range map[string]struct {
		g    PowerBasis
		sds  float64
		want string // absolute percent, or beyond
	}{
		"down":                       {of(), 2, "20 40"},
		"down to nothing":            {of(percent), 5, "50 100"},
		"below nothing":              {of(percent), 5.1, "beyond"},
		"a measure below nothing":    {of(), 5.1, "51 102"},
		"up":                         {of(up), 2, "20 40"},
		"up to the whole":            {of(up, percent), 5, "50 100"},
		"above the whole":            {of(up, percent), 5.1, "beyond"},
		"a share up to the whole":    {of(up, share), 4.9, "0.49 98"},
		"a share above the whole":    {of(up, share), 5.1, "beyond"},
		"a measure above a hundred":  {of(up), 6, "60 120"},
		"no base":                    {of(func(g *PowerBasis) { g.base = 0 }), 2, "20 ?"},
		"no base, up":                {of(up, func(g *PowerBasis) { g.base = 0 }), 2, "20 ?"},
		"no base, another scale":     {of(func(g *PowerBasis) { g.base, g.transform.Scale = 0, stats.LogPlus1 }), 2, "? ?"},
		"no base, up, another scale": {of(up, func(g *PowerBasis) { g.base, g.transform.Scale = 0, stats.LogPlus1 }), 2, "? ?"},
		"of an unknown mean":         {of(func(g *PowerBasis) { g.baseIs, g.base = baseIsHundred, 100 }), 2, "? 20"},
		"of an unknown mean, up":     {of(up, func(g *PowerBasis) { g.baseIs, g.base = baseIsHundred, 100 }), 2, "? 20"},
	} {
		d := c.g.below(c.sds)
		text := func(p *float64) string {
			if p == nil {
				return "?"
			}
			return fmt.Sprintf("%.6g", *p)
		}
		got := text(d.Absolute) + " " + text(d.Percent)
		if d.BeyondZero {
			got = "beyond"
		}
		if got != c.want || d.SD != c.sds {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// What can be asked of a basis: in the unit or in percent of a mean that is
// known, not more than there is.
func TestDifferencesAskedFor(t *testing.T) {
	percent := func(g *PowerBasis) { g.transform.Kind = stats.Percent }
	for name, c := range map[string]struct {
		g      PowerBasis
		q      Difference
		sds    float64
		refuse string
	}{
		"in the unit":              {basis(nil), Difference{Value: 15}, 1.5, ""},
		"of the mean":              {basis(nil), Difference{Value: 0.2, OfMean: true}, 1, ""},
		"all there is":             {basis(percent), Difference{Value: 50}, 5, ""},
		"more than there is":       {basis(percent), Difference{Value: 51}, 0, "more than all there is (50)"},
		"a measure below nothing":  {basis(nil), Difference{Value: 60}, 6, ""},
		"a measure on another":     {basis(func(g *PowerBasis) { g.transform.Scale, g.transform.Kind = stats.LogPlus1, stats.Count }), Difference{Value: 60}, 0, "more than all there is"},
		"up to the whole":          {basis(func(g *PowerBasis) { percent(g); g.upward = true }), Difference{Value: 50}, 5, ""},
		"above the whole":          {basis(func(g *PowerBasis) { percent(g); g.upward = true }), Difference{Value: 50.1}, 0, "goes above the whole (100)"},
		"a measure above":          {basis(func(g *PowerBasis) { g.upward = true }), Difference{Value: 80}, 8, ""},
		"no mean, in the unit":     {basis(func(g *PowerBasis) { g.base = 0 }), Difference{Value: 15}, 1.5, ""},
		"no mean, in percent":      {basis(func(g *PowerBasis) { g.base = 0 }), Difference{Value: 0.3, OfMean: true}, 0, "--difference 30%: percent of what?"},
		"unknown mean, in percent": {basis(func(g *PowerBasis) { g.base, g.baseIs, g.sd = 100, baseIsHundred, 20 }), Difference{Value: 0.3, OfMean: true}, 1.5, ""},
		"unknown mean, in units":   {basis(func(g *PowerBasis) { g.base, g.baseIs = 100, baseIsHundred }), Difference{Value: 30}, 0, "--difference 30: with --cv alone"},
	} {
		d, err := c.g.asked(c.q)
		if c.refuse != "" {
			if err == nil || !strings.Contains(err.Error(), c.refuse) {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if err != nil || math.Abs(d.SD-c.sds) > 1e-12 || (d.Percent == nil) != (c.g.base == 0) || (d.Absolute == nil) != (c.g.baseIs == baseIsHundred) {
			t.Errorf("%s: %+v %v", name, d, err)
		}
	}
}

// Power for one plan is what stats says of it, for eight numbers of blocks from
// two below it; the answer to a difference names the blocks that it takes.
func TestPowerOfNumbers(t *testing.T) {
	g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: 5, Alpha: 0.05, CVFrac: 0.2, Mean: 50})
	if err != nil {
		t.Fatal(err)
	}
	p, err := g.Power(PowerQuestion{Wanted: 0.8, Difference: &Difference{Value: 10}})
	if err != nil {
		t.Fatal(err)
	}
	plan := stats.Plan{Treatments: 4, Blocks: 5, Alpha: 0.05}
	must := func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	near(t, "pair", p.DetectablePair.SD, must(plan.DetectablePair(0.8)), 1e-12)
	near(t, "F", p.DetectableF.SD, must(plan.DetectableDelta(0.8)), 1e-12)
	near(t, "Tukey", p.DetectableTukey.SD, must(plan.DetectablePairBy(0.8, byTukey)), 1e-12)
	near(t, "Dunnett", p.DetectableDunnett.SD, must(plan.DetectablePairBy(0.8, byDunnett)), 1e-12)
	near(t, "F power", p.Asked.PowerF, must(plan.FPower(1)), 1e-12)
	near(t, "Tukey power", p.Asked.PowerTukey, must(plan.PairPowerBy(1, byTukey)), 1e-12)
	near(t, "Dunnett power", p.Asked.PowerDunnett, must(plan.PairPowerBy(1, byDunnett)), 1e-12)
	if p.ResidualDF != 12 || !p.Enough || p.Base == nil || *p.Base != 50 || p.BaseOf != "the mean given" || *p.CVPercent != 20 || p.Upward || p.Quadrats != nil {
		t.Errorf("%+v", p)
	}
	if len(p.ByBlocks) != 8 || p.ByBlocks[0].Blocks != 3 || p.ByBlocks[7].Blocks != 10 || p.ByBlocks[0].ResidualDF != 6 {
		t.Errorf("%+v", p.ByBlocks)
	}
	near(t, "with as many blocks", p.ByBlocks[2].DetectableTukey.SD, p.DetectableTukey.SD, 1e-12)
	if a := p.Asked; a.BlocksNeeded <= 5 || a.PowerThen < 0.8 || a.BlocksTukey < a.BlocksDunnett || a.BlocksDunnett <= 5 || a.FormulaBlocks == nil {
		t.Errorf("%+v", a)
	}
	// 2 (1.959964 + 0.841621)^2 of a difference of one standard deviation.
	near(t, "planning formula", *p.Asked.FormulaBlocks, 2*2.801585*2.801585, 1e-4)
	g.Plan.Blocks = 3
	if p, err = g.Power(PowerQuestion{Wanted: 0.8, Upward: true}); err != nil || p.ByBlocks[0].Blocks != 2 || len(p.ByBlocks) != 8 || p.Asked != nil || !p.Upward || p.Enough {
		t.Errorf("%+v %v", p.ByBlocks, err)
	}
	if _, err := g.Power(PowerQuestion{Wanted: 0.8, MinutesPerQuadrat: 3}); err == nil || !strings.Contains(err.Error(), "--plot-variance and --quadrat-variance") {
		t.Errorf("quadrats of nothing: %v", err)
	}
	p, err = g.Power(PowerQuestion{Wanted: 0.8, MinutesPerQuadrat: 1, MinutesPerPlot: 4, MostQuadrats: 9, Variances: &QuadratVariances{Plot: 2, Quadrat: 8}})
	// sqrt(4/1 x 8/2) = 4 (Cochran 1977, Sampling Techniques, section 10.6).
	if err != nil || p.Quadrats == nil || p.Quadrats.Best != 4 || math.Abs(p.Quadrats.Formula-4) > 1e-9 || p.Quadrats.PlotVar != 2 || len(p.Quadrats.Choices) != 9 {
		t.Errorf("%+v %v", p.Quadrats, err)
	}
	g.Plan.Blocks = 1
	if _, err := g.Power(PowerQuestion{Wanted: 0.8}); err == nil {
		t.Error("one block")
	}
	// A difference beyond reason is warned of and names no blocks.
	g.Plan.Blocks = 5
	if p, err = g.Power(PowerQuestion{Wanted: 0.8, Difference: &Difference{Value: 1e-4}}); err != nil || p.Asked.BlocksNeeded != 0 || p.Asked.PowerThen != 0 || p.Asked.BlocksTukey != 0 || len(p.Warnings) == 0 {
		t.Errorf("%+v %q %v", p.Asked, p.Warnings, err)
	}
	if _, err := g.Power(PowerQuestion{Wanted: 0.8, Difference: &Difference{Value: 0.1, OfMean: true}}); err != nil {
		t.Error(err)
	}
}

// A trial's plan fills in what is not stated.
func TestPowerNumbersOfATrial(t *testing.T) {
	for _, c := range []struct {
		design trial.Design
		given  PowerNumbers
		want   string
	}{
		{trial.CompleteBlocks, PowerNumbers{}, "2 1 false"}, {trial.CompletelyRandomised, PowerNumbers{}, "2 1 true"},
		{trial.CompletelyRandomised, PowerNumbers{Treatments: 5, Blocks: 6}, "5 6 false"}, {trial.CompleteBlocks, PowerNumbers{CompletelyRandomised: true}, "2 1 true"},
	} {
		snap := twoPlots(trial.Metric)
		snap.Trial.Design = c.design
		got := PowerNumbersOf(snap, c.given)
		if s := fmt.Sprint(got.Treatments, got.Blocks, got.CompletelyRandomised); s != c.want {
			t.Errorf("%s %+v: %s, want %s", c.design, c.given, s, c.want)
		}
	}
}

// The basis of a comparison goes down from the control, else from the mean of
// all; blocks without data do not count, and what the layout lacks is said.
func TestBasisOfComparisons(t *testing.T) {
	of := func(change func(a *stats.Analysis, c *Comparison)) (PowerBasis, error) {
		a := &stats.Analysis{ResidualSD: at(4), GrandMean: at(30), Alpha: 0.05, Unit: "%", CVPercent: at(13), Transform: stats.Transform{Kind: stats.Measure, Scale: stats.Raw},
			Design: stats.Design{Kind: stats.CompleteBlocks, Treatments: []string{"A", "B", "C"}, Blocks: []string{"1", "2", "3", "4"}}, Plots: make([]stats.PlotResult, 12),
			Treatments: []stats.TreatmentResult{{Treatment: "A", Back: at(40)}, {Treatment: "B", Back: at(20)}}}
		c := Comparison{Analysis: a}
		if change != nil {
			change(a, &c)
		}
		return BasisOf(c, "this trial")
	}
	for name, c := range map[string]struct {
		change func(a *stats.Analysis, c *Comparison)
		want   string
	}{
		"no control":             {nil, "spread from this trial; base 30 of the mean of all; 3 x 4 false; cv true; "},
		"a control":              {func(a *stats.Analysis, _ *Comparison) { a.Control = "B" }, "spread from this trial; base 20 of the control B; 3 x 4 false; cv true; "},
		"a control without mean": {func(a *stats.Analysis, _ *Comparison) { a.Control, a.Treatments[1].Back = "B", nil }, "spread from this trial; base 30 of the mean of all; 3 x 4 false; cv true; "},
		"at a visit":             {func(_ *stats.Analysis, c *Comparison) { c.Visit = 2 }, "spread from this trial at visit 2; base 30 of the mean of all; 3 x 4 false; cv true; "},
		"a season":               {func(a *stats.Analysis, c *Comparison) { c.Visit, c.Season = 2, &stats.Season{PeriodMean: *a} }, "spread from this trial, mean over the season; base 30 of the mean of all; 3 x 4 false; cv true; "},
		"an empty block":         {func(a *stats.Analysis, _ *Comparison) { a.Design.Empty = []string{"4"} }, "spread from this trial; base 30 of the mean of all; 3 x 3 false; cv true; "},
		"no blocks": {func(a *stats.Analysis, _ *Comparison) {
			a.Design.Kind, a.Design.Blocks = stats.CompletelyRandomised, nil
		}, "spread from this trial; base 30 of the mean of all; 3 x 4 true; cv true; "},
		"another scale": {func(a *stats.Analysis, _ *Comparison) {
			a.Transform.Scale, a.Transform.Kind, a.GrandMean = stats.LogPlus1, stats.Count, at(math.Log(31))
		}, "spread from this trial; base 30 of the mean of all; 3 x 4 false; cv false; "},
		"a Latin square": {func(a *stats.Analysis, _ *Comparison) { a.Design.Kind = stats.LatinSquare }, "spread from this trial; base 30 of the mean of all; 3 x 4 false; cv true; the layout is not one of complete blocks; its spread is taken, and what follows holds for 3 treatments in 4 complete blocks"},
		"a gap":          {func(a *stats.Analysis, _ *Comparison) { a.Missing = make([]stats.MissingPlot, 2) }, "spread from this trial; base 30 of the mean of all; 3 x 4 false; cv true; 2 plots missing: what follows holds for a trial without gaps"},
	} {
		g, err := of(c.change)
		if got := fmt.Sprintf("%s; base %.6g of %s; %d x %d %v; cv %v; %s", g.from, g.base, g.baseOf, g.Plan.Treatments, g.Plan.Blocks, g.Plan.CompletelyRandomised, g.cv != nil, strings.Join(g.warnings, "; ")); err != nil || got != c.want {
			t.Errorf("%s: %s, %v\nwant %s", name, got, err, c.want)
		}
	}
	for _, sd := range []*float64{nil, at(0)} {
		if _, err := of(func(a *stats.Analysis, _ *Comparison) { a.ResidualSD = sd }); err == nil || !strings.Contains(err.Error(), "power needs the spread") {
			t.Errorf("%v: %v", sd, err)
		}
	}
}

// Days of a block count where a plot of it was photographed or counted at a
// visit; nothing else makes a block visited twice.
func TestDaysOfBlocks(t *testing.T) {
	count := func(plot string, visit int, day string) record.Observation {
		o := record.Observation{Plot: plot, Quadrat: 1, Visit: visit, Variable: record.VarCount, Value: 1}
		if day != "" {
			o.Date = dateOf(day)
		}
		return o
	}
	for name, c := range map[string]struct {
		list []record.Observation
		want string
	}{
		"two days":          {[]record.Observation{count("101", 1, "2025-06-15"), count("102", 1, "2025-06-14")}, "map[1:[block 1 on 2025-06-14 and 2025-06-15]]"},
		"one day":           {[]record.Observation{count("101", 1, "2025-06-14"), count("102", 1, "2025-06-14")}, "map[]"},
		"at two visits":     {[]record.Observation{count("101", 1, "2025-06-14"), count("102", 2, "2025-06-28")}, "map[]"},
		"of no visit":       {[]record.Observation{count("101", 0, "2025-06-14"), count("102", 0, "2025-06-28")}, "map[]"},
		"of no plot":        {[]record.Observation{count("101", 1, "2025-06-14"), count("999", 1, "2025-06-28")}, "map[]"},
		"without a day":     {[]record.Observation{count("101", 1, "2025-06-14"), count("102", 1, "")}, "map[]"},
		"of other variable": {[]record.Observation{count("101", 1, "2025-06-14"), func() record.Observation { o := count("102", 1, "2025-06-15"); o.Variable = record.VarCover; return o }()}, "map[]"},
	} {
		snap := twoPlots(trial.Metric)
		snap.Observations = c.list
		if got := fmt.Sprint(blocksOnSeveralDays(snap)); got != c.want {
			t.Errorf("%s: %s", name, got)
		}
	}
	snap := twoPlots(trial.Metric)
	snap.Plots[0].Block, snap.Plots[1].Block = "", ""
	snap.Observations = []record.Observation{count("101", 1, "2025-06-15"), count("102", 1, "2025-06-14")}
	if got := blocksOnSeveralDays(snap); len(got) != 0 {
		t.Errorf("a trial without blocks: %v", got)
	}
	p := Progress(snap)
	if got := fmt.Sprint(p[0].Made); got != "[2025-06-14 2025-06-15]" || p[0].Date != "2025-06-14" || p[0].Visit != 1 || p[0].Wanted != 4 || p[0].Counts != 2 {
		t.Errorf("%+v", p[0])
	}
	snap.Trial.Quadrat.PerPlot = 0
	if p = Progress(snap); p[0].Wanted != 2 {
		t.Errorf("whole plots: %+v", p[0])
	}
}
