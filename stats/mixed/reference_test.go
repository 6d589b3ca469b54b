package mixed

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/stats/internal/refcases"
	"quadtally/stats/internal/tails"
	"quadtally/stats/terms"
)

// inOrder lists the labels in order of appearance, the order in which the
// reference cases take the first as base.
func inOrder(labels []string) []string {
	var out []string
	for _, l := range labels {
		if !slices.Contains(out, l) {
			out = append(out, l)
		}
	}
	return out
}

func factor(name string, labels []string) terms.Factor {
	return terms.Factor{Name: name, Labels: labels, Levels: inOrder(labels)}
}

func mustFit(t testing.TB, m Model, df DFMethod) *Fit {
	t.Helper()
	opt := DefaultOptions()
	opt.DF = df
	f, err := FitModel(m, opt)
	if err != nil {
		t.Fatal(err)
	}
	finiteJSON(t, f)
	return f
}

// finiteJSON fails when a result holds NaN or an infinity: JSON has neither.
func finiteJSON(t testing.TB, v any) {
	t.Helper()
	if _, err := json.Marshal(v); err != nil {
		t.Fatalf("result is not plain data: %v", err)
	}
}

// checkCoefficients compares every coefficient and its standard error.
func checkCoefficients(t *testing.T, c *refcases.Case, f *Fit, coef, se, key string) {
	t.Helper()
	for _, b := range f.Coefficients {
		name := b.Name
		if name == "(intercept)" {
			name = "(Intercept)"
		}
		c.Check(t, coef+"."+name, b.Estimate, key)
		c.Check(t, se+"."+name, b.SE, key)
	}
}

func checkTests(t *testing.T, c *refcases.Case, path string, tests []Test, key string) {
	t.Helper()
	if !c.Has(path) {
		return
	}
	var names []string
	var num []int
	var den, f, p []float64
	for _, x := range tests {
		names, num = append(names, x.Term), append(num, x.NumDF)
		den, f, p = append(den, x.DenDF), append(f, x.F), append(p, x.P)
	}
	c.CheckWithin(t, path+".term", names, 0, 0)
	c.CheckWithin(t, path+".numdf", num, 0, 0)
	c.Check(t, path+".dendf", den, "df")
	c.Check(t, path+".f", f, key)
	c.CheckWithin(t, path+".p", p, 0, pTolerance(c, tests, key))
}

// pTolerance is what the tolerances of F and of the df amount to in p: the
// largest relative change of p when both move by theirs.
func pTolerance(c *refcases.Case, tests []Test, key string) float64 {
	_, relDF := c.Tolerance("dendf", "df")
	_, relF := c.Tolerance("f", key)
	rel := 0.0
	for _, x := range tests {
		far := tails.F(x.F*(1-relF), float64(x.NumDF), x.DenDF*(1-relDF))
		rel = max(rel, far/x.P-1)
	}
	return rel
}

func checkMeans(t *testing.T, c *refcases.Case, path string, f *Fit, key string) {
	t.Helper()
	means, err := f.Means(terms.Term{"trt"})
	if err != nil {
		t.Fatal(err)
	}
	finiteJSON(t, means)
	var level []string
	var mean, se, df, lower, upper []float64
	for _, m := range means.Means {
		level = append(level, m.Labels[0])
		mean, se, df = append(mean, m.Mean), append(se, m.SE), append(df, m.DF)
		lower, upper = append(lower, m.Lower), append(upper, m.Upper)
	}
	c.CheckWithin(t, path+".level", level, 0, 0)
	c.Check(t, path+".emmean", mean, key)
	c.Check(t, path+".se", se, key)
	c.Check(t, path+".df", df, "df")
	c.Check(t, path+".lower95", lower, key)
	c.Check(t, path+".upper95", upper, key)
	pairs, missing, err := f.Differences(terms.Term{"trt"}, nil)
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	finiteJSON(t, pairs)
	var a, b []string
	var diff, sed, pdf, p []float64
	for _, d := range pairs {
		a, b = append(a, d.A[0]), append(b, d.B[0])
		diff, sed, pdf, p = append(diff, d.Difference), append(sed, d.SED), append(pdf, d.DF), append(p, d.P)
	}
	c.CheckWithin(t, path+".pair_a", a, 0, 0)
	c.CheckWithin(t, path+".pair_b", b, 0, 0)
	c.Check(t, path+".diff", diff, key)
	c.Check(t, path+".sed", sed, key)
	c.Check(t, path+".pair_df", pdf, "df")
	c.Check(t, path+".p", p, "df")
}

// checkVariances compares components; the reference optimiser stops within
// rounding of a zero that here is exact, so zeros are compared within 1e-10
// of the residual variance.
func checkVariances(t *testing.T, c *refcases.Case, path string, f *Fit, names map[string]string, key string) {
	t.Helper()
	residual := f.Components[len(f.Components)-1].Variance
	for _, v := range f.Components {
		p := path + "." + names[v.Name]
		if v.AtZero {
			c.CheckWithin(t, p, v.Variance, 1e-10*residual, 0)
		} else {
			c.Check(t, p, v.Variance, key)
		}
	}
}

func TestReferenceSubsampling(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		y := c.Floats(t, "y")
		m := Model{Response: y, Frame: terms.Frame{Factors: []terms.Factor{factor("block", c.Strings(t, "block")), factor("trt", c.Strings(t, "treatment"))}}}
		m.Fixed = []terms.Term{{"block"}, {"trt"}}
		m.Random = []terms.Term{{"block", "trt"}}
		if c.Shape() == refcases.OneQuadrat {
			if _, err := FitModel(m, DefaultOptions()); err == nil || !strings.Contains(err.Error(), "cannot be told apart") {
				t.Errorf("one quadrat a plot: got error %v", err)
			}
			c.PassOver("within_df", "analysis of variance, served by package stats")
			c.CheckUndefined(t, "var_plot")
			c.CheckUndefined(t, "var_within")
			m.Random = nil
			f := mustFit(t, m, KenwardRoger)
			c.CheckWithin(t, "f_treatment", f.Adjusted[1].F, 0, 1e-12)
			c.CheckWithin(t, "df_error", f.Adjusted[1].DenDF, 0, 1e-12)
			return
		}
		passOverANOVA(c)
		for _, df := range []DFMethod{Satterthwaite, KenwardRoger} {
			name := map[DFMethod]string{Satterthwaite: "satterthwaite", KenwardRoger: "kenward_roger"}[df]
			f := mustFit(t, m, df)
			checkTests(t, c, "F_block_fixed_"+name, f.Adjusted, "reml")
			checkMeans(t, c, "emm_block_fixed_"+name, f, "reml")
			if df == Satterthwaite {
				checkREML(t, c, "reml_block_fixed", f)
				c.Check(t, "reml_block_fixed.own_reml.loglik", f.LogLik, "reml_loglik")
				c.Check(t, "reml_block_fixed.own_reml.var_plot", f.Components[0].Variance, "reml")
				c.Check(t, "reml_block_fixed.own_reml.var_within", f.Components[1].Variance, "reml")
			}
			random := m
			random.Fixed = []terms.Term{{"trt"}}
			random.Random = []terms.Term{{"block"}, {"block", "trt"}}
			f = mustFit(t, random, df)
			checkTests(t, c, "F_block_random_"+name, f.Adjusted, "reml")
			checkMeans(t, c, "emm_block_random_"+name, f, "reml")
			if df == Satterthwaite {
				checkREML(t, c, "reml_block_random", f)
			}
		}
	}, refcases.Quadrats, refcases.OneQuadrat)
}

// passOverANOVA names the parts of a subsampling case that belong to the
// analysis of variance and not to a likelihood.
func passOverANOVA(c *refcases.Case) {
	for _, path := range []string{"balanced", "nested_anova_sequential", "F_trt_vs_plot_error", "p_trt", "F_plot_vs_within", "plot_mean_analysis", "anova_var_within", "anova_n0", "anova_var_plot", "error_stratum_tables"} {
		c.PassOver(path, "analysis of variance, served by package stats")
	}
}

func checkREML(t *testing.T, c *refcases.Case, path string, f *Fit) {
	t.Helper()
	c.Check(t, path+".reml_loglik", f.LogLik, "reml_loglik")
	c.Check(t, path+".reml_criterion", -2*f.LogLik, "reml_loglik")
	checkVariances(t, c, path+".var_component", f, map[string]string{"block": "block", "block:trt": "plot", "plot": "plot", "residual": "Residual"}, "reml")
	checkCoefficients(t, c, f, path+".fixef", path+".fixef_se", "reml")
	atZero := slices.ContainsFunc(f.Components, func(v Component) bool { return v.AtZero })
	if c.Has(path + ".singular") {
		c.CheckWithin(t, path+".singular", atZero, 0, 0)
	}
}

// seasonModel reads a repeated-measures case, leaving out missing rows.
func seasonModel(t *testing.T, c *refcases.Case) Model {
	t.Helper()
	y := c.Floats(t, "y")
	keep := func(labels []string) []string {
		var out []string
		for i, l := range labels {
			if !math.IsNaN(y[i]) {
				out = append(out, l)
			}
		}
		return out
	}
	day := c.Floats(t, "day")
	m := Model{Fixed: []terms.Term{{"trt"}, {"date"}, {"trt", "date"}}}
	m.Serial = &Serial{Group: terms.Term{"plot"}}
	for i := range y {
		if !math.IsNaN(y[i]) {
			m.Response = append(m.Response, y[i])
			m.Serial.Days = append(m.Serial.Days, day[i])
		}
	}
	dates := keep(c.Strings(t, "day"))
	m.Frame.Factors = []terms.Factor{factor("trt", keep(c.Strings(t, "treatment"))), factor("plot", keep(c.Strings(t, "plot"))), {Name: "date", Labels: dates}}
	if c.HasData("block") {
		m.Frame.Factors = append(m.Frame.Factors, factor("block", keep(c.Strings(t, "block"))))
		m.Fixed = slices.Insert(m.Fixed, 0, terms.Term{"block"})
	}
	return m
}

func TestReferenceSeason(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		if c.Shape() == refcases.SeasonZeroDate {
			checkAllZeroDate(t, c)
			return
		}
		for _, path := range []string{"complete", "levels", "dates", "cell_mean", "split_plot_in_time", "split_plot_in_time_block_by_date_removed", "sphericity_trt_only", "sphericity_block_and_trt", "mauchly", "cross_check_note"} {
			if c.Has(path) {
				c.PassOver(path, "split plot in time, served by package stats")
			}
		}
		m := seasonModel(t, c)
		serial := m.Serial
		m.Serial = nil
		m.Random = []terms.Term{{"plot"}}
		checkPlotFit(t, c, m)
		if !c.Has("gls_car1") {
			return
		}
		m.Serial, m.Random = serial, nil
		checkSerialFit(t, c, m, "gls_car1")
		if c.Has("gls_ar1") {
			checkEqualSteps(t, c, m)
		}
		if c.Has("plot_plus_car1") {
			m.Random = []terms.Term{{"plot"}}
			checkSerialFit(t, c, m, "plot_plus_car1")
		}
	}, refcases.Season, refcases.SeasonZeroDate)
}

// checkPlotFit serves the entries of the random-plot model from the three
// programs that fitted it, and of the equal-correlation model, which is the
// same one while the correlation is not negative.
func checkPlotFit(t *testing.T, c *refcases.Case, m Model) {
	kr := mustFit(t, m, KenwardRoger)
	sat := mustFit(t, m, Satterthwaite)
	c.Check(t, "lmer_plot.reml_loglik", sat.LogLik, "reml_loglik")
	c.Check(t, "lmer_plot.reml_criterion", -2*sat.LogLik, "reml_loglik")
	checkVariances(t, c, "lmer_plot.var_component", sat, map[string]string{"plot": "plot", "residual": "Residual"}, "reml_param")
	checkCoefficients(t, c, sat, "lmer_plot.fixef", "lmer_plot.fixef_se", "reml_param")
	c.CheckWithin(t, "lmer_plot.singular", sat.Components[0].AtZero, 0, 0)
	checkTests(t, c, "lmer_plot.F_satterthwaite_type1", sat.Sequential, "reml_param")
	checkTests(t, c, "lmer_plot.F_kenward_roger_type1", kr.Sequential, "reml_param")
	checkByDate(t, c, kr)

	plot, within := sat.Components[0].Variance, sat.Components[1].Variance
	if c.Has("lme_plot") {
		c.Check(t, "lme_plot.loglik_reml", sat.LogLik, "reml_loglik")
		c.CheckWithin(t, "lme_plot.aic", sat.AIC, 2e-5, 0)
		c.Check(t, "lme_plot.sigma", math.Sqrt(within), "reml_param")
		c.Check(t, "lme_plot.sd_plot", math.Sqrt(plot), "reml_param")
		checkCoefficients(t, c, sat, "lme_plot.coef", "lme_plot.se", "reml_param")
		checkWald(t, c, sat, m, "lme_plot.tests")
		c.Check(t, "lme_plot.own_reml_check.loglik", sat.LogLik, "reml_loglik")
		c.Check(t, "lme_plot.own_reml_check.var_plot", plot, "reml_param")
		c.Check(t, "lme_plot.own_reml_check.sigma2_within", within, "reml_param")
		c.CheckUndefined(t, "lme_plot.corr")
	}
	if c.Has("gls_cs") && c.Want(t, "gls_cs.corr") >= 0 {
		c.Check(t, "gls_cs.loglik_reml", sat.LogLik, "reml_loglik")
		c.CheckWithin(t, "gls_cs.aic", sat.AIC, 2e-5, 0)
		c.Check(t, "gls_cs.sigma", math.Sqrt(plot+within), "reml_param")
		c.Check(t, "gls_cs.corr", plot/(plot+within), "reml_param")
		checkCoefficients(t, c, sat, "gls_cs.coef", "gls_cs.se", "reml_param")
		checkWald(t, c, sat, m, "gls_cs.tests")
	}
}

func checkByDate(t *testing.T, c *refcases.Case, f *Fit) {
	means, err := f.Means(terms.Term{"trt", "date"})
	if err != nil {
		t.Fatal(err)
	}
	finiteJSON(t, means)
	var date, trt []string
	var mean, se, df []float64
	for _, m := range means.Means {
		trt, date = append(trt, m.Labels[0]), append(date, m.Labels[1])
		mean, se, df = append(mean, m.Mean), append(se, m.SE), append(df, m.DF)
	}
	p := "lmer_plot.emm_by_date."
	c.CheckWithin(t, p+"date", date, 0, 0)
	c.CheckWithin(t, p+"trt", trt, 0, 0)
	c.Check(t, p+"emmean", mean, "reml_param")
	c.Check(t, p+"se", se, "reml_param")
	c.Check(t, p+"df", df, "df")
	pairs, missing, err := f.Differences(terms.Term{"trt"}, terms.Term{"date"})
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	var contrast []string
	var diff, sed, pdf, pv []float64
	date = nil
	for _, d := range pairs {
		date, contrast = append(date, d.Within[0]), append(contrast, d.A[0]+" - "+d.B[0])
		diff, sed, pdf, pv = append(diff, d.Difference), append(sed, d.SED), append(pdf, d.DF), append(pv, d.P)
	}
	p = "lmer_plot.pairs_by_date."
	c.CheckWithin(t, p+"date", date, 0, 0)
	c.CheckWithin(t, p+"contrast", contrast, 0, 0)
	c.Check(t, p+"estimate", diff, "reml_param")
	c.Check(t, p+"sed", sed, "reml_param")
	c.Check(t, p+"df", pdf, "df")
	c.Check(t, p+"p", pv, "df")
}

// checkWald serves the marginal F of the reference program: all coefficients
// of a term, in its treatment contrasts, are zero. Its sequential F come from
// the columns whitened by the fitted covariance; with plot variances that is
// the sequential test here only where the design is balanced.
func checkWald(t *testing.T, c *refcases.Case, f *Fit, m Model, path string) {
	t.Helper()
	names := []string{"(Intercept)"}
	for _, term := range m.Fixed {
		names = append(names, term.String())
	}
	var num []int
	var marginal []float64
	for k := range names {
		var rows [][]float64
		for j, a := range f.design.Assign {
			if a == k {
				row := make([]float64, len(f.beta))
				row[j] = 1
				rows = append(rows, row)
			}
		}
		x, err := f.Contrast(names[k], rows)
		if err != nil {
			t.Fatal(err)
		}
		num, marginal = append(num, x.NumDF), append(marginal, x.F)
	}
	c.CheckWithin(t, path+".term", names, 0, 0)
	c.CheckWithin(t, path+".numdf", num, 0, 0)
	c.Check(t, path+".f_marginal", marginal, "reml_param")
	c.PassOver(path+".dendf_nlme", "a df rule by nesting level, not offered here")
	c.PassOver(path+".f_sequential", "sequential F on whitened columns; the sequential tests here take their hypotheses from the design alone")
}

// checkSerialFit serves a fit with serial correlation. At a bound (plot
// variance or correlation zero) the reference value is where an optimiser
// stopped, so a zero here is held against it within 1e-5.
func checkSerialFit(t *testing.T, c *refcases.Case, m Model, path string) {
	t.Helper()
	f := mustFit(t, m, Satterthwaite)
	mustFit(t, m, KenwardRoger)
	c.Check(t, path+".loglik_reml", f.LogLik, "reml_loglik")
	unit := c.Want(t, path+".unit_days")
	c.CheckWithin(t, path+".unit_days", unit, 0, 0)
	phi := f.Serial.CorrelationPerDay
	if f.Serial.AtZero {
		c.CheckWithin(t, path+".phi_per_day", phi, 1e-5, 0)
		c.CheckWithin(t, path+".phi_per_unit", phi, 1e-5, 0)
	} else {
		c.Check(t, path+".phi_per_day", phi, "reml_param")
		c.Check(t, path+".phi_per_unit", math.Pow(phi, unit), "reml_param")
	}
	within := f.Components[len(f.Components)-1].Variance
	c.Check(t, path+".sigma2_within", within, "reml_param")
	plot := 0.0
	if len(m.Random) > 0 {
		plot = f.Components[0].Variance
	}
	c.Check(t, path+".var_plot", plot, "reml_param")
	c.CheckWithin(t, path+".var_plot_at_zero", plot == 0, 0, 0)
	checkCoefficients(t, c, f, path+".coef", path+".se", "reml_param")
	for _, x := range f.Adjusted {
		if x.Term == "trt:date" {
			c.Check(t, path+".wald_F_trt_by_date", x.F, "reml_param")
		}
	}
	if c.Has(path + ".tests") {
		checkWald(t, c, f, m, path+".tests")
	}
	for _, check := range []string{".loglik_nlme_at_this_phi", ".nlme_lme_check.loglik"} {
		if c.Has(path + check) {
			c.Check(t, path+check, f.LogLik, "reml_loglik")
		}
	}
	for _, looser := range []string{".nlme_free_fit_from_start_0.5", ".nlme_lme_check", ".note"} {
		c.PassOver(path+looser, "words, or a second program's looser optimum of the same likelihood")
	}
	c.PassOver("gls_car1_note", "words")
}

// checkEqualSteps serves the first-order autoregression over visit number,
// which is the continuous one with equal steps of one.
func checkEqualSteps(t *testing.T, c *refcases.Case, m Model) {
	days := slices.Clone(m.Serial.Days)
	unique := slices.Clone(days)
	slices.Sort(unique)
	unique = slices.Compact(unique)
	for i, d := range days {
		days[i] = float64(slices.Index(unique, d))
	}
	m.Serial = &Serial{Group: m.Serial.Group, Days: days}
	f := mustFit(t, m, Satterthwaite)
	c.Check(t, "gls_ar1.loglik_reml", f.LogLik, "reml_loglik")
	c.CheckWithin(t, "gls_ar1.aic", f.AIC, 2e-5, 0)
	c.Check(t, "gls_ar1.sigma", f.Components[0].SD, "reml_param")
	c.Check(t, "gls_ar1.corr", f.Serial.CorrelationPerDay, "reml_param")
	checkCoefficients(t, c, f, "gls_ar1.coef", "gls_ar1.se", "reml_param")
	checkWald(t, c, f, m, "gls_ar1.tests")
}

// checkAllZeroDate fits the date on which every count is zero (refused in
// words) and the other one.
func checkAllZeroDate(t *testing.T, c *refcases.Case) {
	day, y := c.Floats(t, "day"), c.Floats(t, "y")
	block, trt := c.Strings(t, "block"), c.Strings(t, "treatment")
	for _, d := range []float64{0, 14} {
		var m Model
		var b, tr []string
		for i := range y {
			if day[i] == d {
				m.Response = append(m.Response, y[i])
				b, tr = append(b, block[i]), append(tr, trt[i])
			}
		}
		m.Frame.Factors = []terms.Factor{factor("block", b), factor("trt", tr)}
		m.Fixed = []terms.Term{{"block"}, {"trt"}}
		_, err := FitModel(m, DefaultOptions())
		if d == 0 && (err == nil || !strings.Contains(err.Error(), "nothing varies")) {
			t.Errorf("day 0: want a refusal, got %v", err)
		}
		if d == 14 && err != nil {
			t.Errorf("day 14: %v", err)
		}
	}
	c.CheckUndefined(t, "day0.f")
	c.CheckUndefined(t, "day0.p")
	c.PassOver("day0", "sums of squares and the wording belong to package stats; the refusal is checked here")
	c.PassOver("day14", "said in words only")
}

func TestReferenceCombinedBlocks(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		for path := range c.Expected {
			if path != "combined_reml" {
				c.PassOver(path, "within-block analysis, served by package stats")
			}
		}
		m := Model{Response: c.Floats(t, "y"), Random: []terms.Term{{"block"}}, Fixed: []terms.Term{{"trt"}}}
		m.Frame.Factors = []terms.Factor{factor("block", c.Strings(t, "block")), {Name: "trt", Labels: c.Strings(t, "treatment"), Levels: c.WantStrings(t, "levels")}}
		if c.HasData("rep") {
			m.Frame.Factors = append(m.Frame.Factors, factor("rep", c.Strings(t, "rep")))
			m.Fixed = []terms.Term{{"rep"}, {"trt"}}
		}
		kr, sat := mustFit(t, m, KenwardRoger), mustFit(t, m, Satterthwaite)
		p := "combined_reml"
		checkREML(t, c, p, sat)
		c.Check(t, p+".own_reml.loglik", sat.LogLik, "reml_loglik")
		c.Check(t, p+".own_reml.var_block", sat.Components[0].Variance, "reml")
		c.Check(t, p+".own_reml.sigma2", sat.Components[1].Variance, "reml")
		checkTests(t, c, p+".F_kenward_roger", kr.Sequential, "reml")
		checkTests(t, c, p+".F_satterthwaite", sat.Sequential, "reml")
		checkCombinedMeans(t, c, kr, sat)
	}, refcases.IncompleteBlocks)
}

func checkCombinedMeans(t *testing.T, c *refcases.Case, kr, sat *Fit) {
	t.Helper()
	type columns struct{ value, se, df []float64 }
	read := func(f *Fit) (means, pairs columns) {
		m, err := f.Means(terms.Term{"trt"})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range m.Means {
			means.value, means.se, means.df = append(means.value, x.Mean), append(means.se, x.SE), append(means.df, x.DF)
		}
		d, _, err := f.Differences(terms.Term{"trt"}, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range d {
			pairs.value, pairs.se, pairs.df = append(pairs.value, x.Difference), append(pairs.se, x.SED), append(pairs.df, x.DF)
		}
		return means, pairs
	}
	km, kp := read(kr)
	sm, sp := read(sat)
	p := "combined_reml."
	c.CheckWithin(t, p+"level", kr.design.Levels("trt"), 0, 0)
	c.Check(t, p+"emmean", km.value, "reml")
	c.Check(t, p+"se_kenward_roger", km.se, "reml")
	c.Check(t, p+"df_kenward_roger", km.df, "df")
	c.Check(t, p+"se_unadjusted", sm.se, "reml")
	c.Check(t, p+"pair_diff", kp.value, "reml")
	c.Check(t, p+"pair_sed_kenward_roger", kp.se, "reml")
	c.Check(t, p+"pair_df_kenward_roger", kp.df, "df")
	c.Check(t, p+"pair_sed_unadjusted", sp.se, "reml")
}
