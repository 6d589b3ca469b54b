package stats_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/stats"
)

func hasText(list []string, part string) bool {
	return slices.ContainsFunc(list, func(s string) bool { return strings.Contains(s, part) })
}

// wantError runs the comparison and looks for every part in the error.
func wantError(t *testing.T, rows []stats.Row, o stats.Options, parts ...string) {
	t.Helper()
	_, err := stats.Analyse(rows, o)
	if err == nil {
		t.Fatalf("no error, want one with %q", parts)
	}
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("error %q lacks %q", err, p)
		}
	}
}

// fd1 is the F of treatment in the invented table d1 (R 4.2.2).
const fd1 = 55.63098

func TestSpellingsOfOneTreatment(t *testing.T) {
	rows := d1Rows()
	for i := range rows {
		r := &rows[i]
		switch {
		case r.Treatment == "BARE" && r.Block == "3":
			r.Treatment = "BARE "
		case r.Treatment == "RYE" && r.Block == "4":
			r.Treatment = "Rye"
		case r.Treatment == "STRAW" && r.Block == "1":
			r.Treatment = "STRAW\u00a0"
		}
	}
	a := analyse(t, rows, rawPercent())
	trt := anovaRow(t, a.ANOVA, "treatment")
	near(t, "F", trt.F, fd1, 5e-6)
	if trt.DF != 4 || a.ResidualDF != 12 {
		t.Errorf("df %d, %d, want 4, 12", trt.DF, a.ResidualDF)
	}
	for _, part := range []string{`"BARE " is read as "BARE" (cover.csv:4)`, `"Rye" is read as "RYE"`, `"STRAW\u00a0" is read as "STRAW"`} {
		if !hasText(a.Notes, part) {
			t.Errorf("notes %q lack %q", a.Notes, part)
		}
	}
	if len(a.Notes) != 3 {
		t.Errorf("notes %q, want 3", a.Notes)
	}

	rows[12].Treatment = "STRAWW"
	o := rawPercent()
	o.Order = []string{"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"}
	wantError(t, rows, o, "STRAWW", "not in the layout", rows[12].Source)
}

func TestNumberedTreatmentsAreLabels(t *testing.T) {
	rows := d1Rows()
	for i := range rows {
		rows[i].Treatment = fmt.Sprint(i/4 + 1)
	}
	a := analyse(t, rows, rawPercent())
	if trt := anovaRow(t, a.ANOVA, "treatment"); trt.DF != 4 {
		t.Errorf("treatment df %d, want 4", trt.DF)
	}
	near(t, "F", anovaRow(t, a.ANOVA, "treatment").F, fd1, 5e-6)
	for i := range rows {
		if rows[i].Treatment == "1" {
			rows[i].Treatment = "0"
		}
		if rows[i].Treatment == "2" {
			rows[i].Treatment = "NA"
		}
	}
	near(t, "F with odd labels", anovaRow(t, analyse(t, rows, rawPercent()).ANOVA, "treatment").F, fd1, 5e-6)
}

func TestBlankIsNotZero(t *testing.T) {
	at := func(rows []stats.Row) *stats.Row {
		return &rows[slices.IndexFunc(rows, func(r stats.Row) bool { return r.Treatment == "TARP" && r.Block == "4" })]
	}
	rows := d1Rows()
	at(rows).Missing, at(rows).Value = true, 0
	a := analyse(t, rows, rawPercent())
	if a.ResidualDF != 11 || len(a.Plots) != 19 {
		t.Errorf("residual df %d on %d plots, want 11 on 19", a.ResidualDF, len(a.Plots))
	}
	near(t, "adjusted TARP", treatment(t, a, "TARP").Adjusted, 7.56, 0.005)
	near(t, "raw TARP", treatment(t, a, "TARP").Mean, 8.33, 0.005)
	near(t, "F", anovaRow(t, a.ANOVA, "treatment").F, 51.32, 0.005)
	if len(a.Missing) != 1 || a.Missing[0].Sources[0] != "cover.csv:21" || !strings.Contains(a.Design.Words, "plot 4/TARP missing") {
		t.Errorf("missing plot not told: %v, %s", a.Missing, a.Design.Words)
	}
	rows = d1Rows()
	at(rows).Value = 0
	near(t, "TARP with a real 0", treatment(t, analyse(t, rows, rawPercent()), "TARP").Adjusted, 6.25, 1e-9)
}

func TestOneLostPlot(t *testing.T) {
	rows := slices.DeleteFunc(d1Rows(), func(r stats.Row) bool { return r.Treatment == "RYEVETCH" && r.Block == "3" })
	a := analyse(t, rows, rawPercent())
	trt := anovaRow(t, a.ANOVA, "treatment")
	near(t, "SS", &trt.SS, 5675.60, 0.005)
	near(t, "F", trt.F, 50.12171, 5e-6)
	near(t, "error SS", ptr(anovaRow(t, a.ANOVA, "residual").SS), 311.40, 0.005)
	near(t, "adjusted", treatment(t, a, "RYEVETCH").Adjusted, 16.75, 1e-9)
	near(t, "raw", treatment(t, a, "RYEVETCH").Mean, 14, 1e-9)
	near(t, "SE", treatment(t, a, "RYEVETCH").SE, 3.17, 0.005)
	near(t, "SE of others", treatment(t, a, "RYE").SE, 2.66, 0.005)
	near(t, "Tukey p", pair(t, a.Pairs, "RYE", "RYEVETCH").P, 0.1140, 5e-5)
	if !strings.Contains(a.Design.Words, "no row for treatment RYEVETCH in block 3") {
		t.Errorf("lost plot not told: %s", a.Design.Words)
	}
}

// Two treatments, four plots each with four quadrats at -3, -1, 1, 3 about the
// plot's value. With rows as replicates F would be 8.7247 and p 0.0064.
func TestQuadratsAreNotReplicates(t *testing.T) {
	var rows []stats.Row
	for name, plots := range map[string][]float64{"A": {20, 35, 28, 41}, "B": {24, 33, 36, 44}} {
		for b, m := range plots {
			for q, d := range []float64{-3, -1, 1, 3} {
				rows = append(rows, stats.Row{Treatment: name, Block: fmt.Sprint(b + 1), Quadrat: fmt.Sprint(q + 1), Value: m + d})
			}
		}
	}
	a := analyse(t, rows, plain())
	trt := anovaRow(t, a.ANOVA, "treatment")
	near(t, "F", trt.F, 2.4975, 5e-5)
	near(t, "p", trt.P, 0.212, 5e-4)
	if trt.DF != 1 || a.ResidualDF != 3 {
		t.Errorf("df %d and %d, want 1 and 3", trt.DF, a.ResidualDF)
	}
	if want := "2 treatments in 4 complete blocks, 4 quadrats a plot, residual df 3"; a.Design.Words != want {
		t.Errorf("%q, want %q", a.Design.Words, want)
	}
	if !hasText(a.Verdict, "not shown to differ") {
		t.Errorf("verdict %q", a.Verdict)
	}
	fewer := slices.DeleteFunc(slices.Clone(rows), func(r stats.Row) bool {
		return r.Treatment == "A" && r.Block == "2" && r.Quadrat < "3"
	})
	a = analyse(t, fewer, plain())
	if a.ResidualDF != 3 {
		t.Errorf("residual df %d with two quadrats gone, want 3", a.ResidualDF)
	}
	near(t, "mean of the plot with two quadrats", ptr(a.Plots[slices.IndexFunc(a.Plots, func(p stats.PlotResult) bool {
		return p.Treatment == "A" && p.Block == "2"
	})].Value), 37, 1e-12)
}

func TestDatesAreNotReplicates(t *testing.T) {
	o := rawPercent()
	s, err := stats.AnalyseSeason(d2Rows(), o)
	if err != nil {
		t.Fatal(err)
	}
	trt := anovaRow(t, s.Area.ANOVA, "treatment")
	near(t, "area F", trt.F, 22.325, 5e-4)
	near(t, "area p", trt.P, 0.00166, 5e-6)
	if trt.DF != 2 || s.Area.ResidualDF != 6 {
		t.Errorf("df %d and %d, want 2 and 6", trt.DF, s.Area.ResidualDF)
	}
	for name, want := range map[string]float64{"BARE": 1186.5, "RYE": 595, "STRAW": 661.5} {
		near(t, name, treatment(t, *s.Area, name).Adjusted, want, 1e-9)
		near(t, name+" a day", treatment(t, s.PeriodMean, name).Adjusted, want/42, 1e-9)
	}
	plot := anovaRow(t, s.InTime.Plot, "treatment")
	near(t, "split plot F", plot.F, 24.772, 5e-4)
	near(t, "split plot p", plot.P, 0.00126, 5e-6)
	near(t, "epsilon", s.InTime.EpsilonGG, 0.3616, 5e-5)
	// Blocks by visit out of the error: 6 and 18 df (R 4.2.2, anova of
	// lm(y ~ block*date + trt*date + block:trt)).
	byVisit := func(s *stats.SplitPlotInTime) stats.WithinTest {
		return s.Within[slices.IndexFunc(s.Within, func(w stats.WithinTest) bool { return w.Term == "treatment:visit" })]
	}
	if !s.InTime.BlockByVisit {
		t.Error("blocks by visit are in the error of a season")
	}
	w := byVisit(s.InTime)
	near(t, "treatment by visit F", w.F, 36.89331001, 5e-8)
	near(t, "treatment by visit p", w.P, 3.6771045e-09, 5e-16)
	near(t, "corrected p", w.PGG, 0.00025621, 5e-8)
	// Pooled with it, as in the usual table.
	pooled, err := stats.SplitInTime(s.Plots, s.Days, s.PeriodMean.Transform, stats.SplitOptions{EpsilonWithinBlocks: true})
	if err != nil {
		t.Fatal(err)
	}
	w = byVisit(pooled)
	near(t, "pooled treatment by visit F", w.F, 17.021, 5e-4)
	near(t, "pooled treatment by visit p", w.P, 4.9e-8, 5e-10)
	near(t, "pooled corrected p", w.PGG, 0.00057, 5e-6)

	last := slices.DeleteFunc(d2Rows(), func(r stats.Row) bool { return r.Day != 42 })
	near(t, "last visit F", anovaRow(t, analyse(t, last, o).ANOVA, "treatment").F, 36.340, 5e-4)
	wantError(t, d2Rows(), o, "4 days", "dates are not replicates")
}

func TestAreaArithmetic(t *testing.T) {
	for _, c := range []struct {
		days, y []float64
		want    float64
	}{
		{[]float64{0, 2, 5, 6}, []float64{1, 2, 7, 7.5}, 23.75},
		{[]float64{0, 14, 28, 42}, []float64{2, 10, 30, 45}, 889},
		{[]float64{0, 13, 29, 42}, []float64{2, 10, 30, 45}, 885.5},
		{[]float64{0, 14, 42}, []float64{2, 10, 45}, 854},
	} {
		area, span, err := stats.Area(c.days, c.y)
		if err != nil || math.Abs(area-c.want) > 1e-9 || span != c.days[len(c.days)-1] {
			t.Errorf("area of %v = %g over %g, %v; want %g", c.y, area, span, err, c.want)
		}
	}
	for _, bad := range [][]float64{{0}, {0, 0}, {3, 1}, {0, math.NaN()}} {
		if _, _, err := stats.Area(bad, make([]float64, len(bad))); err == nil {
			t.Errorf("days %v were taken", bad)
		}
	}
}

func TestMissingVisits(t *testing.T) {
	rows := d2Rows()
	gone := func(plot string, day float64) {
		for i := range rows {
			if rows[i].Plot == plot && rows[i].Day == day {
				rows[i].Missing, rows[i].Value = true, 0
			}
		}
	}
	gone("BARE1", 28)
	gone("RYE2", 42)
	s, err := stats.AnalyseSeason(rows, rawPercent())
	if err != nil {
		t.Fatal(err)
	}
	if !hasText(s.Warnings, "interpolated") || !hasText(s.Warnings, "BARE1 (day 28)") || !hasText(s.Warnings, "beyond what was seen: plot RYE2") {
		t.Errorf("warnings %q", s.Warnings)
	}
	if s.InTime != nil || !hasText(s.Warnings, "no split plot in time") {
		t.Error("split plot in time with visits missing")
	}
	if len(s.Area.Missing) != 1 || s.Area.Missing[0].Name != "RYE2" {
		t.Errorf("missing %v, want RYE2", s.Area.Missing)
	}
}

func TestBlocksThatMadeNoDifference(t *testing.T) {
	var rows []stats.Row
	for name, plots := range map[string][]float64{"A": {10, 15, 12, 13}, "B": {22, 16, 20, 18}, "C": {27, 30, 28, 31}} {
		for b, v := range plots {
			rows = append(rows, stats.Row{Treatment: name, Block: fmt.Sprint(b + 1), Value: v})
		}
	}
	a := analyse(t, rows, plain())
	block, trt := anovaRow(t, a.ANOVA, "block"), anovaRow(t, a.ANOVA, "treatment")
	near(t, "block MS", block.MS, 0.5556, 5e-5)
	near(t, "MSE", a.MSE, 6.8889, 5e-5)
	near(t, "F", trt.F, 40.11290, 5e-6)
	near(t, "p", trt.P, 0.00033693, 5e-9)
	if a.ResidualDF != 6 {
		t.Errorf("residual df %d, want 6", a.ResidualDF)
	}
	if a.BlockVariance == nil || a.BlockVariance.Variance != 0 || a.BlockVariance.Note == "" {
		t.Fatalf("block variance %+v, want 0 with a note", a.BlockVariance)
	}
	near(t, "block variance as estimated", &a.BlockVariance.Estimate, -2.11, 0.005)
	d := analyse(t, d1Rows(), rawPercent())
	near(t, "block variance of d1", &d.BlockVariance.Variance, 33.10, 0.005)
}

func TestPercentAndProportion(t *testing.T) {
	o := rawPercent()
	o.Scale = stats.ArcsineSqrt
	near(t, "percent", anovaRow(t, analyse(t, d1Rows(), o).ANOVA, "treatment").F, 58.39745, 5e-6)
	share := d1Rows()
	for i := range share {
		share[i].Value /= 100
	}
	o.Kind = stats.Proportion
	near(t, "proportion", anovaRow(t, analyse(t, share, o).ANOVA, "treatment").F, 58.39745, 5e-6)

	o.Kind = stats.Percent
	mixed := d1Rows()
	mixed[0].Value = 0.62
	wantError(t, mixed, o, "0.62 among values 5 to 71", "percent or proportion?", "cover.csv:2")
	if a := analyse(t, share, o); !hasText(a.Warnings, "if these are proportions") {
		t.Errorf("proportions said to be percents: %q", a.Warnings)
	}
	wild := d1Rows()
	wild[3].Value, wild[7].Value = 104, -1
	wantError(t, wild, o, "cover.csv:5 (104)", "above 100", "cover.csv:9 (-1)", "below zero")
	ends := d1Rows()
	ends[0].Value, ends[19].Value = 100, 0
	for _, s := range []stats.Scale{stats.Raw, stats.ArcsineSqrt, stats.Logit} {
		o.Scale = s
		a := analyse(t, ends, o)
		if s == stats.Logit && !hasText(a.Notes, "the logit is infinite") {
			t.Errorf("logit of 0 and 100 not told: %q", a.Notes)
		}
	}
}

// Treatments with counts of weeds, one of them none at all (R 4.2.2).
func TestTreatmentWithoutWeeds(t *testing.T) {
	var rows []stats.Row
	for name, plots := range map[string][]float64{"BARE": {41, 28, 55, 37}, "RYE": {12, 7, 19, 9}, "STRAW": {17, 11, 23, 14}, "TARP": {0, 0, 0, 0}} {
		for b, v := range plots {
			rows = append(rows, stats.Row{Treatment: name, Block: fmt.Sprint(b + 1), Value: v})
		}
	}
	o := plain()
	o.Kind, o.Scale, o.Control = stats.Count, stats.Raw, "BARE"
	a := analyse(t, rows, o)
	near(t, "raw F", anovaRow(t, a.ANOVA, "treatment").F, 53.587, 5e-4)
	tarp := treatment(t, a, "TARP")
	near(t, "TARP", tarp.Adjusted, 0, 1e-12)
	near(t, "suppression", tarp.Suppression.Percent, 100, 1e-9)
	if !hasText(a.Warnings, "no spread among the plots of TARP") {
		t.Errorf("warnings %q", a.Warnings)
	}
	o.Scale = stats.Log10Plus1
	a = analyse(t, rows, o)
	near(t, "log F", anovaRow(t, a.ANOVA, "treatment").F, 347.667, 5e-4)
	near(t, "log MSE", a.MSE, 0.005437, 5e-7)
	if !hasText(a.Warnings, "not reliable") {
		t.Errorf("warnings %q", a.Warnings)
	}
	if a.Friedman == nil || a.Friedman.P == nil {
		t.Fatal("no Friedman test")
	}
	near(t, "Friedman", a.Friedman.Statistic, 12, 1e-9)
	near(t, "Friedman p", a.Friedman.P, 0.00738, 5e-6)
}

func TestLettersFollowTheirTreatments(t *testing.T) {
	layout := []string{"TARP", "BARE", "STRAW", "RYEVETCH", "RYE"}
	for _, order := range [][]string{layout, {"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"}, {"TARP", "RYEVETCH", "RYE", "STRAW", "BARE"}} {
		o := rawPercent()
		o.Order = order
		a := analyse(t, d1Rows(), o)
		for i, r := range a.Treatments {
			if r.Treatment != order[i] {
				t.Errorf("treatment %d is %s, want %s", i, r.Treatment, order[i])
			}
		}
		for _, p := range a.Pairs {
			share := strings.ContainsAny(treatment(t, a, p.A).Letters, treatment(t, a, p.B).Letters)
			if share == (*p.P <= 0.05) || share == p.Differ {
				t.Errorf("%s and %s: p %g, share %v", p.A, p.B, *p.P, share)
			}
		}
	}
}

func TestSuppression(t *testing.T) {
	// A clean control: said in words, never a number.
	rows := d1Rows()
	for i := range rows {
		if rows[i].Treatment == "BARE" {
			rows[i].Value = 0
		}
	}
	o := rawPercent()
	o.Control = "BARE"
	s := treatment(t, analyse(t, rows, o), "RYE").Suppression
	if s.Percent != nil || !strings.Contains(s.Note, "nothing in the control") {
		t.Errorf("suppression against a clean control: %+v", s)
	}
}

func TestDamagedTables(t *testing.T) {
	row := func(block, trt string, v float64) stats.Row { return stats.Row{Block: block, Treatment: trt, Value: v} }
	t.Run("all faults at once", func(t *testing.T) {
		rows := d1Rows()
		rows[0].Value, rows[1].Value = math.NaN(), math.Inf(1)
		rows[5].Treatment, rows[6].Block = "", ""
		rows[9].Value = 104
		rows[10].Plot, rows[11].Plot, rows[11].Block = "P", "P", rows[10].Block
		o := rawPercent()
		o.Control = "NONE"
		wantError(t, rows, o, "cover.csv:2, cover.csv:3", "not a number", "cover.csv:7", "no treatment", "cover.csv:8", "no block",
			"cover.csv:11 (104)", "cover.csv:12", "given twice", "control NONE is not among")
	})
	t.Run("two treatments in a plot", func(t *testing.T) {
		wantError(t, []stats.Row{{Plot: "1", Quadrat: "a", Treatment: "A"}, {Plot: "1", Quadrat: "b", Treatment: "B"}}, plain(), "treatments A and B")
	})
	t.Run("quadrat read twice", func(t *testing.T) {
		wantError(t, []stats.Row{{Plot: "1", Quadrat: "a", Treatment: "A"}, {Plot: "1", Quadrat: "a", Treatment: "A"}}, plain(), "quadrat a twice")
	})
	t.Run("columns without rows", func(t *testing.T) {
		wantError(t, []stats.Row{{Column: "1", Treatment: "A"}, {Column: "2", Treatment: "B"}}, plain(), "columns are given without blocks")
	})
	t.Run("beyond measure", func(t *testing.T) {
		wantError(t, []stats.Row{{Treatment: "A", Value: 1e200}, {Treatment: "B", Value: -1e200}}, plain(), "could be measured")
	})
	t.Run("treatment without a row", func(t *testing.T) {
		o := plain()
		o.Order = []string{"A", "B", "C"}
		if a := analyse(t, []stats.Row{row("1", "A", 1), row("1", "B", 2), row("2", "A", 3), row("2", "B", 5)}, o); !hasText(a.Warnings, "treatment C of the layout has no row") {
			t.Errorf("warnings %q", a.Warnings)
		}
	})
	t.Run("no rows", func(t *testing.T) { wantError(t, nil, plain(), "no rows") })
	t.Run("all missing", func(t *testing.T) {
		wantError(t, []stats.Row{{Treatment: "A", Missing: true}, {Treatment: "B", Missing: true}}, plain(), "nothing to compare")
	})
	for name, c := range map[string]struct {
		rows []stats.Row
		want string
	}{
		"one treatment":    {[]stats.Row{row("1", "A", 3), row("2", "A", 5)}, "only 1 treatment"},
		"one block":        {[]stats.Row{row("1", "A", 3), row("1", "B", 5)}, "no residual degrees of freedom"},
		"a plot each":      {[]stats.Row{row("", "A", 3), row("", "B", 5), row("", "C", 6)}, "no residual degrees of freedom"},
		"constant":         {[]stats.Row{row("1", "A", 3), row("1", "B", 3), row("2", "A", 3), row("2", "B", 3)}, "same value, 3"},
		"all zero":         {[]stats.Row{row("1", "A", 0), row("1", "B", 0), row("2", "A", 0), row("2", "B", 0)}, "every plot has 0"},
		"calculated":       {[]stats.Row{row("1", "A", 1), row("1", "B", 2), row("2", "A", 3), row("2", "B", 4)}, "no error variance"},
		"blocks confound":  {[]stats.Row{row("1", "A", 1), row("1", "A", 2), row("2", "B", 3), row("2", "B", 5)}, "cannot be told apart from blocks"},
		"a single reading": {[]stats.Row{row("1", "A", 1)}, "only 1 treatment"},
	} {
		t.Run(name, func(t *testing.T) {
			for _, control := range []string{"", "A"} {
				o := plain()
				o.Control = control
				a := analyse(t, c.rows, o)
				if !hasText(a.Verdict, c.want) {
					t.Errorf("verdict %q, want %q in it", a.Verdict, c.want)
				}
				if f := anovaRow(t, a.ANOVA, "treatment").F; f != nil {
					t.Errorf("F = %g", *f)
				}
				checkJSON(t, a)
			}
		})
	}
	t.Run("bad options", func(t *testing.T) {
		_, err := stats.Analyse(d1Rows(), stats.Options{Kind: "weight", Alpha: 2})
		for _, part := range []string{"weight", "significance level 2", "no method", "side"} {
			if err == nil || !strings.Contains(err.Error(), part) {
				t.Errorf("error %v lacks %q", err, part)
			}
		}
	})
}

// checkJSON writes the analysis as JSON, which refuses NaN and infinities, and
// looks at the names.
func checkJSON(t *testing.T, v any) {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	if s := string(raw); strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
		t.Errorf("not a number in %s", s)
	}
	var back map[string]any
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	checkNames(t, "", back)
}

func checkNames(t *testing.T, path string, v any) {
	t.Helper()
	switch v := v.(type) {
	case map[string]any:
		for k, child := range v {
			if k != strings.ToLower(k) {
				t.Errorf("%s.%s is not in snake case", path, k)
			}
			checkNames(t, path+"."+k, child)
		}
	case []any:
		for _, child := range v {
			checkNames(t, path, child)
		}
	}
}

func TestJSON(t *testing.T) {
	o := rawPercent()
	o.Control = "BARE"
	checkJSON(t, analyse(t, d1Rows(), o))
	s, err := stats.AnalyseSeason(d2Rows(), rawPercent())
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, s)
}

func TestConfoundedDates(t *testing.T) {
	o := rawPercent()
	o.Dates = []stats.DateSet{
		{Operation: "termination", ByTreatment: map[string][]string{"rye": {"2026-05-20"}, "RYEVETCH": {"2026-05-20"}, "STRAW": {"2026-05-04"}, "TARP": {"2026-05-20", "2026-05-22"}}},
		{Operation: "planting", ByTreatment: map[string][]string{"BARE": {"2026-06-02"}, "RYE": {"2026-06-02"}}},
	}
	a := analyse(t, d1Rows(), o)
	n := 0
	for _, w := range a.Warnings {
		if strings.Contains(w, "confounded") {
			n++
			if !strings.Contains(w, "termination was done to STRAW on 2026-05-04, and to RYE, RYEVETCH, TARP on 2026-05-20, 2026-05-22;") {
				t.Errorf("warning %q", w)
			}
		}
	}
	if n != 1 {
		t.Errorf("%d warnings of confounded dates, want 1: %q", n, a.Warnings)
	}
}

// Two pairs of treatments terminated on two days: none is alone with its day,
// and the two pairs still cannot be compared. A treatment done on both days
// links them.
func TestDateGroups(t *testing.T) {
	set := stats.DateSet{Operation: "termination"}
	for _, x := range [][2]string{{"RYE", "2026-05-10"}, {"BARLEY", "2026-05-10"}, {"VETCH", "2026-05-24"}, {"MIX", "2026-05-24"}} {
		set.Add(x[0], x[1])
	}
	all := []string{"BARE", "RYE", "BARLEY", "VETCH", "MIX"}
	got := set.Groups(all)
	if len(got) != 2 || strings.Join(got[0].Treatments, " ") != "RYE BARLEY" || strings.Join(got[1].Treatments, " ") != "VETCH MIX" {
		t.Errorf("groups %v", got)
	}
	if w := stats.ConfoundedDates(all, []stats.DateSet{set}); len(w) != 1 {
		t.Errorf("said %q", w)
	}
	set.Add("MIX", "2026-05-10")
	if got := set.Groups(all); len(got) != 1 || strings.Join(got[0].Days, " ") != "2026-05-10 2026-05-24" {
		t.Errorf("linked by a treatment of both days: %v", got)
	}
	if w := stats.ConfoundedDates(all, []stats.DateSet{set}); w != nil {
		t.Errorf("said %q", w)
	}
}
