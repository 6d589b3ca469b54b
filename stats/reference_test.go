package stats_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/internal/refcases"
)

// caseRows reads the data of a case as rows; null is a missing reading. Rows
// of one plot get a quadrat name where quadrats is set.
func caseRows(t *testing.T, c *refcases.Case, quadrats bool) []stats.Row {
	t.Helper()
	y := c.Floats(t, "y")
	rows := make([]stats.Row, len(y))
	column := func(name string, set func(*stats.Row, string)) {
		if c.HasData(name) {
			for i, s := range c.Strings(t, name) {
				set(&rows[i], s)
			}
		}
	}
	column("treatment", func(r *stats.Row, s string) { r.Treatment = s })
	column("block", func(r *stats.Row, s string) { r.Block = s })
	column("row", func(r *stats.Row, s string) { r.Block = s })
	column("col", func(r *stats.Row, s string) { r.Column = s })
	column("plot", func(r *stats.Row, s string) { r.Plot = s })
	if c.HasData("day") {
		for i, d := range c.Floats(t, "day") {
			rows[i].Day = d
		}
	}
	for i := range rows {
		rows[i].Value, rows[i].Missing = y[i], math.IsNaN(y[i])
		rows[i].Source = fmt.Sprintf("row %d", i+1)
		if quadrats {
			rows[i].Quadrat = fmt.Sprint(i)
		}
		if rows[i].Missing {
			rows[i].Value = 0
		}
	}
	return rows
}

// or gives the number, or NaN for one that is undefined, as the cases write it.
func or(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

var termNames = map[string]string{"trt": "treatment", "g": "treatment", "col": "column", "Residuals": "residual"}

// checkANOVA holds the table at path against rows, line by line by name.
func checkANOVA(t *testing.T, c *refcases.Case, path string, rows []stats.ANOVARow, rename map[string]string) {
	t.Helper()
	var df []int
	var ss, ms, f, p []float64
	for _, term := range c.WantStrings(t, path+".term") {
		name := term
		if to, ok := rename[term]; ok {
			name = to
		} else if to, ok := termNames[term]; ok {
			name = to
		}
		r := anovaRow(t, rows, name)
		df, ss = append(df, r.DF), append(ss, r.SS)
		ms, f, p = append(ms, or(r.MS)), append(f, or(r.F)), append(p, or(r.P))
	}
	c.Check(t, path+".term", c.WantStrings(t, path+".term"))
	c.Check(t, path+".df", df)
	c.Check(t, path+".ss", ss)
	c.Check(t, path+".ms", ms)
	if c.Has(path + ".f") {
		c.Check(t, path+".f", f)
		c.Check(t, path+".p", p)
	}
}

// checkIf checks an entry where the case has it.
func checkIf(t *testing.T, c *refcases.Case, path string, got any) {
	t.Helper()
	if c.Has(path) {
		c.Check(t, path, got)
	}
}

// byLevel collects a number of each treatment in the order of the case.
func byLevel(t *testing.T, c *refcases.Case, path string, a stats.Analysis, get func(stats.TreatmentResult) float64) []float64 {
	t.Helper()
	var out []float64
	for _, l := range c.WantStrings(t, path) {
		out = append(out, get(treatment(t, a, l)))
	}
	return out
}

// checkPlain serves the entries of an analysis of complete data below path.
func checkPlain(t *testing.T, c *refcases.Case, path string, a stats.Analysis) {
	t.Helper()
	at := func(name string) string { return path + name }
	checkANOVA(t, c, at("anova"), a.ANOVA, nil)
	trt, block := anovaRow(t, a.ANOVA, "treatment"), a.ANOVA[0]
	checkIf(t, c, at("mse"), or(a.MSE))
	checkIf(t, c, at("df_error"), a.ResidualDF)
	checkIf(t, c, at("residual_sd"), or(a.ResidualSD))
	checkIf(t, c, at("r_squared"), or(a.RSquared))
	checkIf(t, c, at("grand_mean"), or(a.GrandMean))
	checkIf(t, c, at("cv_percent"), or(a.CVPercent))
	checkIf(t, c, at("partial_eta2_trt"), or(trt.PartialEta2))
	checkIf(t, c, at("partial_eta2_block"), or(block.PartialEta2))
	checkIf(t, c, at("partial_omega2_trt"), or(trt.PartialOmega2))
	if c.Has(at("levels")) {
		checkIf(t, c, at("levels"), c.WantStrings(t, at("levels")))
		checkIf(t, c, at("mean"), byLevel(t, c, at("levels"), a, func(r stats.TreatmentResult) float64 { return or(r.Adjusted) }))
		checkIf(t, c, at("n"), byLevel(t, c, at("levels"), a, func(r stats.TreatmentResult) float64 { return float64(r.Plots) }))
		checkIf(t, c, at("sd"), byLevel(t, c, at("levels"), a, func(r stats.TreatmentResult) float64 { return or(r.SD) }))
		checkIf(t, c, at("se_mean_pooled"), byLevel(t, c, at("levels"), a, func(r stats.TreatmentResult) float64 { return or(r.SE) }))
		checkIf(t, c, at("se_mean_own"), byLevel(t, c, at("levels"), a, func(r stats.TreatmentResult) float64 {
			return or(r.SD) / math.Sqrt(float64(r.Plots))
		}))
	}
	if len(a.Pairs) > 0 {
		checkIf(t, c, at("se_mean"), or(a.Treatments[0].SE))
		checkIf(t, c, at("sed"), or(a.Pairs[0].SED))
		checkIf(t, c, at("lsd05"), or(a.Pairs[0].LSD))
	}
	if c.Has(at("block_levels")) {
		checkIf(t, c, at("block_levels"), c.WantStrings(t, at("block_levels")))
		var means []float64
		for _, b := range c.WantStrings(t, at("block_levels")) {
			var sum, n float64
			for _, p := range a.Plots {
				if p.Block == b {
					sum, n = sum+p.Fitted-*a.GrandMean, n+1
				}
			}
			means = append(means, *a.GrandMean+sum/n)
		}
		checkIf(t, c, at("block_mean"), means)
	}
	for _, e := range a.Efficiency {
		switch e.Against {
		case "no blocks":
			checkIf(t, c, at("rel_eff_vs_crd"), e.Value)
			checkIf(t, c, at("rel_eff_vs_crd_df_corrected"), e.Corrected)
			checkIf(t, c, at("re_vs_crd"), e.Value)
		case "rows as the only blocks":
			checkIf(t, c, at("re_vs_rcbd_rows_as_blocks"), e.Value)
		case "columns as the only blocks":
			checkIf(t, c, at("re_vs_rcbd_cols_as_blocks"), e.Value)
		}
	}
}

// checkResiduals compares residuals plot by plot through the row each came from.
func checkResiduals(t *testing.T, c *refcases.Case, a stats.Analysis, n int) {
	t.Helper()
	if !c.Has("residuals") {
		return
	}
	got := make([]float64, n)
	for _, p := range a.Plots {
		var at int
		if _, err := fmt.Sscanf(p.Sources[0], "row %d", &at); err != nil {
			t.Fatal(err)
		}
		got[at-1] = p.Residual
	}
	c.Check(t, "residuals", got)
}

func TestReferenceOneWay(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		a := analyse(t, caseRows(t, c, false), plain())
		switch c.Shape() {
		case refcases.OneWayCertified:
			checkNIST(t, c, a)
		case refcases.OneWayEdge:
			checkOneWayEdge(t, c, a)
		default:
			checkPlain(t, c, "", a)
			trt := anovaRow(t, a.ANOVA, "treatment")
			c.Check(t, "eta2", or(trt.PartialEta2))
			c.Check(t, "omega2", or(trt.PartialOmega2))
			w := check(t, a, "Welch")
			c.Check(t, "welch.f", or(w.Statistic))
			c.Check(t, "welch.df1", or(w.DF1))
			c.Check(t, "welch.df2", or(w.DF2))
			c.Check(t, "welch.p", or(w.P))
		}
	}, refcases.OneWay, refcases.OneWayCertified, refcases.OneWayEdge)
}

func checkNIST(t *testing.T, c *refcases.Case, a stats.Analysis) {
	t.Helper()
	trt, res := anovaRow(t, a.ANOVA, "treatment"), anovaRow(t, a.ANOVA, "residual")
	for _, group := range []struct{ path, tolerance string }{
		{"certified", "certified_rel"}, {"exact_decimal", "certified_rel"}, {"exact_after_float64_rounding", "float64_rel"},
	} {
		rel, ok := c.Tolerances[group.tolerance].(float64)
		if !ok {
			t.Fatalf("%s: no tolerance %q", c.ID, group.tolerance)
		}
		for name, got := range map[string]any{
			"df_between": trt.DF, "ss_between": trt.SS, "ms_between": or(trt.MS), "f": or(trt.F),
			"df_within": res.DF, "ss_within": res.SS, "ms_within": or(res.MS),
			"r_squared": or(a.RSquared), "residual_sd": or(a.ResidualSD),
		} {
			c.CheckWithin(t, group.path+"."+name, got, 0, rel)
		}
	}
	for _, r := range a.Treatments {
		c.CheckWithin(t, "mean."+r.Treatment, or(r.Adjusted), 0, 1e-12)
	}
}

func checkOneWayEdge(t *testing.T, c *refcases.Case, a stats.Analysis) {
	t.Helper()
	trt, res := anovaRow(t, a.ANOVA, "treatment"), anovaRow(t, a.ANOVA, "residual")
	for name, got := range map[string]any{
		"ss_treatment": trt.SS, "ss_error": res.SS, "mse": or(a.MSE), "f": or(trt.F), "p": or(trt.P),
		"df_error": res.DF, "df_treatment": trt.DF, "cv_percent": or(a.CVPercent),
	} {
		if c.Has(name) {
			c.CheckWithin(t, name, got, 0, 1e-9)
		}
	}
	if c.Has("means_still_given") {
		var means []float64
		for _, r := range a.Treatments {
			means = append(means, or(r.Adjusted))
		}
		c.CheckWithin(t, "means_still_given", means, 0, 1e-9)
	}
	if c.Has("sd_of_A") {
		c.CheckWithin(t, "sd_of_A", or(treatment(t, a, "A").SD), 0, 1e-9)
		if !slices.ContainsFunc(a.Warnings, func(s string) bool { return strings.Contains(s, "no spread among the plots of A") }) {
			t.Errorf("no warning of a treatment without spread: %q", a.Warnings)
		}
	}
	if len(a.Verdict) == 0 {
		t.Error("no verdict")
	}
	if c.Has("welch") {
		if w := check(t, a, "Welch"); w.P != nil || !strings.Contains(w.Reading, "no answer") {
			t.Errorf("Welch's test with a group without spread: %+v", w)
		}
		c.PassOver("welch", "seen to be refused")
		c.PassOver("bartlett", "not part of the comparison; refused in its own test")
	}
	if c.Has("shapiro") {
		if len(a.Checks) > 0 {
			t.Errorf("checks of values that are all the same: %v", a.Checks)
		}
		c.PassOver("shapiro", "seen to be left out")
	}
}

// check finds a check by name.
func check(t *testing.T, a stats.Analysis, name string) stats.TestLine {
	t.Helper()
	for _, l := range a.Checks {
		if l.Name == name {
			return l
		}
	}
	t.Fatalf("no check %q", name)
	return stats.TestLine{}
}

func TestReferenceBlocks(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		switch c.Shape() {
		case refcases.Factorial:
			checkFactorial(t, c)
			return
		case refcases.SplitPlot:
			checkSplitPlot(t, c)
			return
		}
		rows := caseRows(t, c, false)
		a := analyse(t, rows, plain())
		if c.Shape() == refcases.BlocksEdge {
			trt, block, res := anovaRow(t, a.ANOVA, "treatment"), anovaRow(t, a.ANOVA, "block"), anovaRow(t, a.ANOVA, "residual")
			for name, got := range map[string]any{
				"ss_treatment": trt.SS, "ss_block": block.SS, "ss_error": res.SS, "df_error": res.DF,
				"df_treatment": trt.DF, "mse": or(a.MSE), "p": or(trt.P), "cv_percent": or(a.CVPercent),
			} {
				if c.Has(name) {
					c.CheckWithin(t, name, got, 0, 1e-9)
				}
			}
			if trt.F != nil || len(a.Pairs) > 0 && a.Pairs[0].LSD != nil {
				t.Error("F or LSD given where undefined")
			}
			c.PassOver("f", "seen to be left out")
			c.PassOver("lsd", "seen to be left out")
			if len(a.Verdict) == 0 {
				t.Error("no verdict")
			}
			return
		}
		checkPlain(t, c, "", a)
		checkResiduals(t, c, a, len(rows))
		if c.Has("paired_t") {
			c.Check(t, "paired_t", or(pair(t, a.Pairs, "1", "2").T))
		}
		if c.Has("lsd01") {
			o := plain()
			o.Alpha = 0.01
			c.Check(t, "lsd01", or(analyse(t, rows, o).Pairs[0].LSD))
		}
	}, refcases.Blocks, refcases.BlocksEdge, refcases.LatinSquare, refcases.Factorial, refcases.SplitPlot)
}

// checkFactorial fits all factors with their interactions, in the order in
// which the model of the case, "y ~ block + A * B", names them.
func checkFactorial(t *testing.T, c *refcases.Case) {
	t.Helper()
	_, right, _ := strings.Cut(c.DesignTexts(t, "model")[0], "~")
	parts := strings.Split(strings.ReplaceAll(right, " ", ""), "+")
	before, factors := parts[:len(parts)-1], strings.Split(parts[len(parts)-1], "*")
	var terms []stats.Term
	for _, b := range before {
		terms = append(terms, stats.FactorTerm(b, c.Strings(t, b)))
	}
	for size := 1; size <= len(factors); size++ {
		for set := 1; set < 1<<len(factors); set++ {
			var in []stats.Term
			for i, f := range factors {
				if set&(1<<i) != 0 {
					in = append(in, stats.FactorTerm(f, c.Strings(t, f)))
				}
			}
			if len(in) == size {
				terms = append(terms, stats.InteractionTerm(in...))
			}
		}
	}
	y := c.Floats(t, "y")
	fit, err := stats.FitLinear(y, terms...)
	if err != nil {
		t.Fatal(err)
	}
	rows := fit.Sequential()
	checkANOVA(t, c, "anova", rows, nil)
	if rows[len(rows)-2].DF == 0 && rows[len(rows)-2].F != nil {
		t.Error("a confounded term has an F")
	}
	mse, _ := fit.MSE()
	c.Check(t, "mse", mse)
	c.Check(t, "df_error", fit.DFResidual)
	c.Check(t, "cv_percent", 100*math.Sqrt(mse)/fit.Mean)
	c.Check(t, "residuals", fit.Residuals())

	// The whole analysis gives the same table: every case here is balanced, so
	// that types I and II agree.
	in := stats.FactorialInput{Values: y, Alpha: 0.05}
	for _, b := range before {
		in.Blocks = c.Strings(t, b)
	}
	for _, f := range factors {
		in.Factors = append(in.Factors, stats.Factor{Name: f, Labels: c.Strings(t, f)})
	}
	a, err := stats.AnalyseFactorial(in)
	if err != nil {
		t.Fatal(err)
	}
	checkANOVA(t, c, "anova", a.ANOVA, nil)
	c.Check(t, "mse", or(a.MSE))
	c.Check(t, "cv_percent", or(a.CVPercent))
}

// checkSplitPlot takes the strata apart in one fit, with whole plots as a term.
func checkSplitPlot(t *testing.T, c *refcases.Case) {
	t.Helper()
	block, whole, sub := c.Strings(t, "block"), c.Strings(t, "whole"), c.Strings(t, "sub")
	b, w, s := stats.FactorTerm("block", block), stats.FactorTerm("A", whole), stats.FactorTerm("B", sub)
	fit, err := stats.FitLinear(c.Floats(t, "y"), b, w, stats.InteractionTerm(b, w), s, stats.InteractionTerm(w, s))
	if err != nil {
		t.Fatal(err)
	}
	rows := fit.Sequential()
	within := []stats.ANOVARow{anovaRow(t, rows, "B"), anovaRow(t, rows, "A:B"), anovaRow(t, rows, "residual")}
	checkANOVA(t, c, "strata.Within", within, nil)
	ea := anovaRow(t, rows, "block:A")
	c.Check(t, "ms_error_a", or(ea.MS))
	c.Check(t, "df_error_a", ea.DF)
	c.Check(t, "ms_error_b", or(within[2].MS))
	c.Check(t, "df_error_b", within[2].DF)
	c.Check(t, "cv_a_percent", 100*math.Sqrt(*ea.MS)/fit.Mean)
	c.Check(t, "cv_b_percent", 100*math.Sqrt(*within[2].MS)/fit.Mean)
	for term, path := range map[string]string{"A": "whole", "B": "sub"} {
		m, err := fit.MeansOf(term)
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		for _, l := range c.WantStrings(t, "levels_"+path) {
			got = append(got, or(m.Table(0.95)[slices.Index(m.Levels, l)].Adjusted))
		}
		c.Check(t, "mean_"+path, got)
		c.Check(t, "levels_"+path, c.WantStrings(t, "levels_"+path))
	}
	// The whole-plot stratum is the analysis of whole plots, each with its
	// sub-plots as readings.
	var plots []stats.Row
	for i, y := range c.Floats(t, "y") {
		plots = append(plots, stats.Row{Block: block[i], Treatment: whole[i], Quadrat: sub[i], Value: y})
	}
	a := analyse(t, plots, plain())
	n := float64(len(c.WantStrings(t, "levels_sub")))
	trt := anovaRow(t, a.ANOVA, "treatment")
	for i, r := range a.ANOVA {
		a.ANOVA[i].SS, a.ANOVA[i].MS = n*r.SS, ptr(n**r.MS)
	}
	checkANOVA(t, c, "strata.block:A", a.ANOVA, map[string]string{"A": "treatment"})
	c.Check(t, "sed_whole", or(a.Pairs[0].SED))
	if trt.F == nil {
		t.Error("no whole-plot F")
	}
	// The whole analysis of a split plot.
	full, err := stats.AnalyseStrataContext(context.Background(), stats.StrataInput{Kind: stats.SplitPlot, Values: c.Floats(t, "y"), Blocks: block, Alpha: 0.05,
		Whole: stats.Factor{Name: "A", Labels: whole}, Sub: stats.Factor{Name: "B", Labels: sub}})
	if err != nil {
		t.Fatal(err)
	}
	checkANOVA(t, c, "strata.Within", full.Strata[2].Rows, nil)
	sed := func(kind stats.SEDKind) stats.StrataSED {
		return full.SEDs[slices.IndexFunc(full.SEDs, func(x stats.StrataSED) bool { return x.Kind == kind })]
	}
	c.Check(t, "sed_whole", sed(stats.SEDWhole).SED)
	c.Check(t, "sed_sub", sed(stats.SEDSub).SED)
	c.Check(t, "sed_sub_same_whole", sed(stats.SEDSubInWhole).SED)
	c.Check(t, "sed_whole_same_or_diff_sub", sed(stats.SEDWholeAtSub).SED)
	c.Check(t, "df_whole_same_sub_satterthwaite", sed(stats.SEDWholeAtSub).DF)
	c.Check(t, "cv_a_percent", full.CVPercent[0])
	c.Check(t, "cv_b_percent", full.CVPercent[1])
	var cells [][]float64
	for _, x := range c.WantStrings(t, "levels_whole") {
		var row []float64
		for _, y := range c.WantStrings(t, "levels_sub") {
			means := full.Effects[2].Means
			row = append(row, or(means[slices.IndexFunc(means, func(m stats.CellMean) bool { return m.Levels[0] == x && m.Levels[1] == y })].Mean))
		}
		cells = append(cells, row)
	}
	c.Check(t, "mean_cells", cells)
	c.PassOver("strata.block", "blocks are shown in the table of whole plots")
}

func TestReferenceMissingPlots(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		a := analyse(t, rows, plain())
		switch c.Shape() {
		case refcases.Disconnected:
			checkDisconnected(t, c, a)
			return
		case refcases.MissingTreatment:
			trt, res := anovaRow(t, a.ANOVA, "treatment"), anovaRow(t, a.ANOVA, "residual")
			c.CheckWithin(t, "df_treatment", trt.DF, 0, 0)
			c.CheckWithin(t, "df_error", res.DF, 0, 0)
			c.CheckWithin(t, "ss_treatment", trt.SS, 0, 1e-9)
			c.CheckWithin(t, "ss_error", res.SS, 0, 1e-9)
			for _, r := range a.Treatments {
				c.CheckWithin(t, "lsmean."+r.Treatment, or(r.Adjusted), 0, 1e-9)
			}
			return
		}
		checkANOVA(t, c, "type1_block_trt", a.ANOVA, nil)
		used := slices.DeleteFunc(slices.Clone(rows), func(r stats.Row) bool { return r.Missing })
		var y []float64
		var block, trt []string
		for _, r := range used {
			y, block, trt = append(y, r.Value), append(block, r.Block), append(trt, r.Treatment)
		}
		fit, err := stats.FitLinear(y, stats.FactorTerm("treatment", trt), stats.FactorTerm("block", block))
		if err != nil {
			t.Fatal(err)
		}
		checkANOVA(t, c, "type1_trt_block", fit.Sequential(), nil)
		checkANOVA(t, c, "type2", fit.TypeII(), nil)
		checkANOVA(t, c, "type3", append(fit.TypeIII(), fit.Intercept()), map[string]string{"(Intercept)": "intercept"})
		c.Check(t, "mse", or(a.MSE))
		c.Check(t, "df_error", a.ResidualDF)
		c.Check(t, "cv_percent", or(a.CVPercent))
		c.Check(t, "levels", c.WantStrings(t, "levels"))
		for name, get := range map[string]func(stats.TreatmentResult) float64{
			"n":              func(r stats.TreatmentResult) float64 { return float64(r.Plots) },
			"raw_mean":       func(r stats.TreatmentResult) float64 { return or(r.Mean) },
			"lsmean":         func(r stats.TreatmentResult) float64 { return or(r.Adjusted) },
			"lsmean_se":      func(r stats.TreatmentResult) float64 { return or(r.SE) },
			"lsmean_lower95": func(r stats.TreatmentResult) float64 { return or(r.Lower) },
			"lsmean_upper95": func(r stats.TreatmentResult) float64 { return or(r.Upper) },
		} {
			c.Check(t, name, byLevel(t, c, "levels", a, get))
		}
		checkPairs(t, c, rows, map[string]string{"sed": "", "lsd05": "", "p_none": "lsd", "p_tukey": "tukey",
			"p_bonferroni": "bonferroni", "p_holm": "holm", "p_bh": "bh"}, "p_tukey")
		if c.Has("one_missing_formulas.sse_after_fill") {
			c.Check(t, "one_missing_formulas.sse_after_fill", anovaRow(t, a.ANOVA, "residual").SS)
			c.Check(t, "one_missing_formulas.df_error_must_be", a.ResidualDF)
		}
		c.PassOver("one_missing_formulas", "hand formulas for a filled plot; the fit needs none")
		c.PassOver("note_naive", "text")
	}, refcases.MissingPlots, refcases.Disconnected, refcases.MissingTreatment)
}

func checkDisconnected(t *testing.T, c *refcases.Case, a stats.Analysis) {
	t.Helper()
	c.CheckWithin(t, "rank_treatment_given_blocks", anovaRow(t, a.ANOVA, "treatment").DF, 0, 0)
	for _, p := range [][2]string{{"T1", "T2"}, {"T3", "T4"}, {"T1", "T3"}} {
		c.CheckWithin(t, "estimable."+p[0]+"_"+p[1], pair(t, a.Pairs, p[0], p[1]).Estimable, 0, 0)
	}
	c.CheckWithin(t, "diff_T2_minus_T1", -or(pair(t, a.Pairs, "T1", "T2").Difference), 0, 1e-9)
	c.CheckWithin(t, "diff_T4_minus_T3", -or(pair(t, a.Pairs, "T3", "T4").Difference), 0, 1e-9)
	for _, r := range a.Treatments {
		if r.Adjusted != nil || r.Letters != "" {
			t.Errorf("%s has an adjusted mean or letters", r.Treatment)
		}
	}
	c.PassOver("lsmeans", "seen to be left out for all four")
}

// checkPairs compares the table of pairs, with the p values of every method
// in methods (entry -> method). lead is the entry whose tolerance stands for
// the p values of the studentized range.
func checkPairs(t *testing.T, c *refcases.Case, rows []stats.Row, methods map[string]string, lead string) {
	t.Helper()
	as, bs := c.WantStrings(t, "pairs.a"), c.WantStrings(t, "pairs.b")
	c.Check(t, "pairs.a", as)
	c.Check(t, "pairs.b", bs)
	gather := func(a stats.Analysis, get func(stats.Pair) float64) []float64 {
		var out []float64
		for i := range as {
			p := pair(t, a.Pairs, as[i], bs[i])
			v := get(p)
			out = append(out, v)
		}
		return out
	}
	sign := func(a stats.Analysis, get func(stats.Pair) *float64) []float64 {
		var out []float64
		for i := range as {
			p := pair(t, a.Pairs, as[i], bs[i])
			v := or(get(p))
			if p.A != as[i] {
				v = -v
			}
			out = append(out, v)
		}
		return out
	}
	base := analyse(t, rows, plain())
	c.Check(t, "pairs.diff_a_minus_b", sign(base, func(p stats.Pair) *float64 { return p.Difference }))
	c.Check(t, "pairs.t", sign(base, func(p stats.Pair) *float64 { return p.T }))
	checkIf(t, c, "pairs.sed", gather(base, func(p stats.Pair) float64 { return or(p.SED) }))
	checkIf(t, c, "pairs.se", gather(base, func(p stats.Pair) float64 { return or(p.SED) }))
	checkIf(t, c, "pairs.lsd05", gather(base, func(p stats.Pair) float64 { return or(p.LSD) }))
	for entry, method := range methods {
		if method == "" {
			continue
		}
		o := plain()
		o.Method = stats.Method(method)
		a := analyse(t, rows, o)
		c.Check(t, "pairs."+entry, gather(a, func(p stats.Pair) float64 { return or(p.P) }), lead)
		if method == "tukey" && c.Has("pairs.tukey_lower95") {
			lower, upper := make([]float64, len(as)), make([]float64, len(as))
			for i := range as {
				p := pair(t, a.Pairs, as[i], bs[i])
				lower[i], upper[i] = or(p.Lower), or(p.Upper)
				if p.A != as[i] {
					lower[i], upper[i] = -or(p.Upper), -or(p.Lower)
				}
			}
			c.Check(t, "pairs.tukey_lower95", lower)
			c.Check(t, "pairs.tukey_upper95", upper)
		}
	}
}
