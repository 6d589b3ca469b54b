package stats_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
	"quadtally/stats/internal/refcases"
)

func TestReferencePairs(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		a := analyse(t, rows, plain())
		checkPlain(t, c, "", a)
		checkPairs(t, c, rows, map[string]string{"p_lsd": "lsd", "p_tukey": "tukey", "p_bonferroni": "bonferroni",
			"p_holm": "holm", "p_sidak": "sidak", "p_bh": "bh", "p_scheffe": "scheffe"}, "p_tukey")
		p := a.Pairs[0]
		half := (*p.Upper - *p.Lower) / 2
		c.Check(t, "q_tukey_05", math.Sqrt2*half / *p.SED)
		c.Check(t, "t_crit_05", *p.LSD / *p.SED)
		for entry, how := range map[string]stats.Adjustment{"p_hochberg": stats.AdjustHochberg, "p_by": stats.AdjustBenjaminiYekutieli} {
			got, err := stats.Adjust(c.WantFloats(t, "pairs.p_lsd"), how)
			if err != nil {
				t.Fatal(err)
			}
			c.Check(t, "pairs."+entry, got)
		}
	}, refcases.Pairs)
}

func TestReferenceDunnett(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		run := func(side stats.Side) stats.Analysis {
			o := plain()
			o.Control, o.Side = c.DesignTexts(t, "control")[0], side
			return analyse(t, rows, o)
		}
		names := c.WantStrings(t, "treatment")
		gather := func(a stats.Analysis, get func(stats.ControlComparison) *float64) []float64 {
			out := make([]float64, len(names))
			for i, n := range names {
				at := slices.IndexFunc(a.VsControl, func(v stats.ControlComparison) bool { return v.Treatment == n })
				out[i] = or(get(a.VsControl[at]))
			}
			return out
		}
		p := func(v stats.ControlComparison) *float64 { return v.P }
		both, below, above := run(stats.BothSides), run(stats.BelowControl), run(stats.AboveControl)
		c.Check(t, "treatment", names)
		c.Check(t, "df_error", both.ResidualDF)
		c.Check(t, "mse", or(both.MSE))
		c.Check(t, "diff_minus_control", gather(both, func(v stats.ControlComparison) *float64 { return v.Difference }))
		c.Check(t, "se", gather(both, func(v stats.ControlComparison) *float64 { return v.SED }))
		c.Check(t, "t", gather(both, func(v stats.ControlComparison) *float64 { return v.T }))
		c.Check(t, "p_two_sided", gather(both, p), "p")
		c.Check(t, "p_less", gather(below, p), "p")
		c.Check(t, "p_greater", gather(above, p), "p")
		lower := gather(both, func(v stats.ControlComparison) *float64 { return v.Lower })
		upper := gather(both, func(v stats.ControlComparison) *float64 { return v.Upper })
		c.Check(t, "lower95_two_sided", lower, "crit")
		c.Check(t, "upper95_two_sided", upper, "crit")
		one, oneBelow := above.VsControl[0], below.VsControl[0]
		c.Check(t, "crit_two_sided_05", (upper[0]-lower[0])/2/gather(both, func(v stats.ControlComparison) *float64 { return v.SED })[0], "crit")
		c.Check(t, "crit_one_sided_05", (*one.Difference-*one.Lower) / *one.SED, "crit")
		c.Check(t, "crit_one_sided_05", (*oneBelow.Upper-*oneBelow.Difference) / *oneBelow.SED, "crit")
		unadjusted := make([]float64, len(names))
		for i, n := range names {
			unadjusted[i] = or(pair(t, both.Pairs, n, both.Control).PLSD)
		}
		c.Check(t, "p_unadjusted", unadjusted)
		c.PassOver("correlation", "internal to the test; it is behind every p value above")
		c.PassOver("lambda", "internal to the test")
		stepDown, err := both.VsControlStepDownContext(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		both.VsControl = stepDown
		c.Check(t, "p_step_down_free_two_sided_multcomp", gather(both, p), "step_down")
	}, refcases.Dunnett)
}

func TestReferenceLetters(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		names := c.DesignTexts(t, "levels")
		as, bs, significant := c.Strings(t, "a"), c.Strings(t, "b"), c.Bools(t, "significant")
		n := len(names)
		differ := make([][]bool, n)
		for i := range differ {
			differ[i] = make([]bool, n)
		}
		for i := range as {
			x, y := slices.Index(names, as[i]), slices.Index(names, bs[i])
			d := significant[i]
			differ[x][y], differ[y][x] = d, d
		}
		letters, err := stats.Letters(n, func(i, j int) bool { return differ[i][j] })
		if err != nil {
			t.Fatal(err)
		}
		checkLetterRule(t, letters, func(i, j int) bool { return differ[i][j] })
		most, least := c.Want(t, "n_maximal_groups"), c.Want(t, "min_letters")
		if used := float64(lettersUsed(letters)); used < least || used > most {
			t.Errorf("%g letters, want %g to %g", used, least, most)
		}
		for _, done := range []string{"example_letters", "rule", "maximal_groups", "n_maximal_groups", "min_letters", "insert_absorb_n_letters", "insert_absorb_satisfies_rule"} {
			c.PassOver(done, "a display is not unique; the rule and the number of letters were tested")
		}
	}, refcases.Letters)
}

func lettersUsed(letters []string) int {
	seen := map[rune]bool{}
	for _, s := range letters {
		for _, r := range s {
			seen[r] = true
		}
	}
	return len(seen)
}

// checkLetterRule: two share a letter if and only if they do not differ, and
// everyone has one, in order of first use.
func checkLetterRule(t *testing.T, letters []string, differ func(i, j int) bool) {
	t.Helper()
	for i := range letters {
		if letters[i] == "" {
			t.Errorf("treatment %d has no letter", i)
		}
		for j := range i {
			if share := strings.ContainsAny(letters[i], letters[j]); share == differ(i, j) {
				t.Errorf("treatments %d (%s) and %d (%s): differ is %v", i, letters[i], j, letters[j], differ(i, j))
			}
		}
	}
	if len(letters) > 0 && !strings.Contains(letters[0], "a") {
		t.Errorf("the first treatment has %q, not a", letters[0])
	}
}

func TestReferenceContrasts(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		a := analyse(t, rows, plain())
		checkPlain(t, c, "", a)
		fit := fitOf(t, rows)
		m, err := fit.MeansOf("treatment")
		if err != nil {
			t.Fatal(err)
		}
		names := c.DesignTexts(t, "levels")
		var est, se, lo, hi, ss, f, tt, p []float64
		var sum float64
		want := c.WantTable(t, "coefficients")
		for i, name := range c.WantStrings(t, "contrast") {
			coef := make([]float64, len(names))
			for j := range names {
				coef[slices.Index(m.Levels, names[j])] = want[i][j]
			}
			r, err := m.Contrast(name, coef, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			est, se, lo, hi = append(est, or(r.Estimate)), append(se, or(r.SE)), append(lo, or(r.Lower)), append(hi, or(r.Upper))
			ss, f, tt, p = append(ss, or(r.SS)), append(f, or(r.F)), append(tt, or(r.T)), append(p, or(r.P))
			sum += or(r.SS)
		}
		for name, got := range map[string]any{"estimate": est, "se": se, "lower95": lo, "upper95": hi, "ss": ss, "f": f, "t": tt, "p": p, "sum_ss": sum} {
			c.Check(t, name, got)
		}
		c.Check(t, "contrast", c.WantStrings(t, "contrast"))
		c.PassOver("coefficients", "the input of the contrasts")
		c.PassOver("orthogonal", "a remark on the input")
		if scores, ok := c.DesignFloats(t, "dose_scores"); ok {
			checkPolynomials(t, scores, want)
		}
	}, refcases.Contrasts)
}

// checkPolynomials holds our trend contrasts against those of the case, which
// may be of another length.
func checkPolynomials(t *testing.T, x []float64, want [][]float64) {
	t.Helper()
	got, err := stats.PolynomialContrasts(x, len(want))
	if err != nil {
		t.Fatal(err)
	}
	for d, w := range want {
		var size float64
		for _, v := range w {
			size += v * v
		}
		for i, v := range w {
			if math.Abs(got[d][i]-v/math.Sqrt(size)) > 1e-12 {
				t.Errorf("degree %d: %v, want in proportion to %v", d+1, got[d], w)
				break
			}
		}
	}
}

// fitOf fits blocks and treatment to rows that are one a plot.
func fitOf(t *testing.T, rows []stats.Row) *stats.Fit {
	t.Helper()
	var y []float64
	var block, trt []string
	blocked := false
	for _, r := range rows {
		if r.Missing {
			continue
		}
		y, block, trt = append(y, r.Value), append(block, r.Block), append(trt, r.Treatment)
		blocked = blocked || r.Block != ""
	}
	terms := []stats.Term{stats.FactorTerm("treatment", trt)}
	if blocked {
		terms = append([]stats.Term{stats.FactorTerm("block", block)}, terms...)
	}
	fit, err := stats.FitLinear(y, terms...)
	if err != nil {
		t.Fatal(err)
	}
	return fit
}

// adjustedTotals puts treatment effects into the reduced normal equations of
// treatments in blocks: effect times plots, less the sum over its blocks of the
// mean effect there, is the treatment's total adjusted for blocks (John and
// Williams 1995, Cyclic and Computer Generated Designs, section 1.4).
func adjustedTotals(blocks, treatments, names []string, effect []float64) []float64 {
	of := map[string]float64{}
	for i, name := range names {
		of[name] = effect[i]
	}
	sum, size := map[string]float64{}, map[string]float64{}
	for i, b := range blocks {
		sum[b] += of[treatments[i]]
		size[b]++
	}
	q := make([]float64, len(names))
	for i, b := range blocks {
		q[slices.Index(names, treatments[i])] += of[treatments[i]] - sum[b]/size[b]
	}
	return q
}

func TestReferenceIncompleteBlocks(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		block := stats.FactorTerm("block", c.Strings(t, "block"))
		trt := stats.FactorTerm("treatment", c.Strings(t, "treatment"))
		first, last := []stats.Term{block, trt}, []stats.Term{trt, block}
		if c.HasData("rep") {
			rep := stats.FactorTerm("rep", c.Strings(t, "rep"))
			first, last = append([]stats.Term{rep}, first...), append([]stats.Term{rep}, last...)
		}
		y := c.Floats(t, "y")
		fit, err := stats.FitLinear(y, first...)
		if err != nil {
			t.Fatal(err)
		}
		turned, err := stats.FitLinear(y, last...)
		if err != nil {
			t.Fatal(err)
		}
		checkANOVA(t, c, "anova_treatments_adjusted", fit.Sequential(), nil)
		checkANOVA(t, c, "anova_blocks_adjusted", turned.Sequential(), nil)
		a := analyse(t, rows, plain())
		if a.Design.Kind != stats.IncompleteBlocks {
			t.Errorf("design is %s: %s", a.Design.Kind, a.Design.Words)
		}
		if balanced := isBalanced(c.Strings(t, "block"), c.Strings(t, "treatment")); a.Design.Balanced != balanced {
			t.Errorf("balanced is %v: %s", a.Design.Balanced, a.Design.Words)
		}
		names := c.WantStrings(t, "levels")
		c.Check(t, "levels", names)
		c.Check(t, "mse", or(a.MSE))
		c.Check(t, "df_error", a.ResidualDF)
		adjusted := byLevel(t, c, "levels", a, func(r stats.TreatmentResult) float64 { return or(r.Adjusted) })
		var sum float64
		for _, v := range adjusted {
			sum += v
		}
		tau := make([]float64, len(adjusted))
		for i, v := range adjusted {
			tau[i] = v - sum/float64(len(adjusted))
		}
		c.Check(t, "tau_intrablock_sum_to_zero", tau)
		// The case centres its means at the plain mean of the plots; ours
		// give every block the same weight, which differs where blocks do.
		atMean := make([]float64, len(tau))
		for i, v := range tau {
			atMean[i] = v + *a.GrandMean
		}
		c.Check(t, "adjusted_mean_intrablock", atMean)
		var diff, sed, p []float64
		as, bs := c.WantStrings(t, "pairs_intrablock.a"), c.WantStrings(t, "pairs_intrablock.b")
		for i := range as {
			q := pair(t, a.Pairs, as[i], bs[i])
			d := or(q.Difference)
			if q.A != as[i] {
				d = -d
			}
			diff, sed, p = append(diff, d), append(sed, or(q.SED)), append(p, or(q.PLSD))
		}
		c.Check(t, "pairs_intrablock.a", as)
		c.Check(t, "pairs_intrablock.b", bs)
		c.Check(t, "pairs_intrablock.diff", diff)
		c.Check(t, "pairs_intrablock.sed", sed)
		c.Check(t, "pairs_intrablock.p", p)
		factors, err := a.Design.EfficiencyFactors()
		if err != nil {
			t.Fatal(err)
		}
		c.Check(t, "canonical_efficiency_factors", factors)
		var inverse float64
		for _, e := range factors {
			inverse += 1 / e
		}
		c.Check(t, "average_efficiency", float64(len(factors))/inverse)
		v, err := fit.VarianceComponent("block")
		if err != nil {
			t.Fatal(err)
		}
		c.Check(t, "anova_block_variance", v)
		c.Check(t, "Q", adjustedTotals(c.Strings(t, "block"), c.Strings(t, "treatment"), names, tau))
		if published, _ := c.Expected["published"]; published == nil {
			c.PassOver("published", "nothing")
		}
		c.PassOver("combined_reml", "recovery of information between blocks by a mixed model")
		c.PassOver("anova_block_variance_formula", "text")
	}, refcases.IncompleteBlocks)
}

// isBalanced: blocks of one size, treatments of one replication, and every two
// of them together in equally many blocks.
func isBalanced(block, treatment []string) bool {
	size, plots, together := map[string]int{}, map[string]int{}, map[[2]string]int{}
	for i := range block {
		size[block[i]]++
		plots[treatment[i]]++
		for j := range i {
			if block[i] == block[j] {
				together[[2]string{min(treatment[i], treatment[j]), max(treatment[i], treatment[j])}]++
			}
		}
	}
	n := len(plots)
	return oneValue(size) && oneValue(plots) && oneValue(together) && len(together) == n*(n-1)/2
}

func oneValue[K comparable](m map[K]int) bool {
	seen := map[int]bool{}
	for _, v := range m {
		seen[v] = true
	}
	return len(seen) == 1
}

func TestReferenceTransforms(t *testing.T) {
	scales := map[string]stats.Scale{"none": stats.Raw, "log1p": stats.LogPlus1, "log10p1": stats.Log10Plus1,
		"sqrt05": stats.SqrtHalf, "arcsine": stats.ArcsineSqrt, "logit": stats.Logit}
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		for name, scale := range scales {
			if !c.Has(name) {
				continue
			}
			o := plain()
			o.Kind, o.Scale = stats.Count, scale
			if slices.Max(c.Floats(t, "y")) <= 1 {
				o.Kind = stats.Proportion
			}
			a := analyse(t, rows, o)
			checkANOVA(t, c, name+".anova", a.ANOVA, nil)
			get := func(f func(stats.TreatmentResult) float64) []float64 { return byLevel(t, c, "levels", a, f) }
			c.Check(t, name+".mean", get(func(r stats.TreatmentResult) float64 { return or(r.Adjusted) }))
			c.Check(t, name+".sed", or(a.Pairs[0].SED))
			if scale == stats.Raw {
				continue
			}
			c.Check(t, name+".se_mean", or(a.Treatments[0].SE))
			c.Check(t, name+".lsd05", or(a.Pairs[0].LSD))
			got := make([]float64, len(rows))
			for _, p := range a.Plots {
				var at int
				fmt.Sscanf(p.Sources[0], "row %d", &at)
				got[at-1] = p.Analysed
			}
			c.Check(t, name+".transformed", got)
			c.Check(t, name+".back_mean", get(func(r stats.TreatmentResult) float64 { return a.Transform.Back(*r.Adjusted) }))
			c.Check(t, name+".back_lower95", get(func(r stats.TreatmentResult) float64 { return a.Transform.Back(*r.Lower) }))
			c.Check(t, name+".back_upper95", get(func(r stats.TreatmentResult) float64 { return a.Transform.Back(*r.Upper) }))
			for _, r := range a.Treatments {
				if *r.BackLower < 0 || *r.BackLower > *r.Back || *r.Back > *r.BackUpper {
					t.Errorf("%s on %s: %g (%g to %g)", r.Treatment, scale, *r.Back, *r.BackLower, *r.BackUpper)
				}
			}
			sw := check(t, a, "Shapiro-Wilk")
			c.Check(t, name+".residual_shapiro_w", or(sw.Statistic))
			c.Check(t, name+".residual_shapiro_p", or(sw.P))
			c.PassOver(name+".formula", "text")
		}
		c.Check(t, "levels", c.WantStrings(t, "levels"))
	}, refcases.Transforms)
}

func TestReferenceSubsampling(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, true)
		a := analyse(t, rows, plain())
		if c.Shape() == refcases.OneQuadrat {
			if a.Subsampling != nil {
				t.Error("a spread within plots from one quadrat each")
			}
			c.CheckWithin(t, "f_treatment", or(anovaRow(t, a.ANOVA, "treatment").F), 0, 1e-9)
			c.CheckWithin(t, "df_error", a.ResidualDF, 0, 0)
			for _, e := range []string{"var_within", "var_plot", "within_df"} {
				c.PassOver(e, "seen to be left out")
			}
			return
		}
		s := a.Subsampling
		if s == nil {
			t.Fatal("no nested analysis")
		}
		checkANOVA(t, c, "nested_anova_sequential", s.ANOVA, map[string]string{"plot_error": "plot", "within_plot": "residual"})
		c.Check(t, "F_trt_vs_plot_error", or(s.FTreatment))
		c.Check(t, "p_trt", or(s.PTreatment))
		c.Check(t, "F_plot_vs_within", or(anovaRow(t, s.ANOVA, "plot").F))
		c.Check(t, "anova_var_within", s.VarianceQuadrat)
		c.Check(t, "anova_n0", s.N0)
		c.Check(t, "anova_var_plot", s.VariancePlotRaw)
		if s.VariancePlot != math.Max(0, s.VariancePlotRaw) || (s.VariancePlotRaw < 0) != (s.Note != "") {
			t.Errorf("plot variance %g from %g, note %q", s.VariancePlot, s.VariancePlotRaw, s.Note)
		}
		c.Check(t, "balanced", a.Design.QuadratsMin == a.Design.QuadratsMax)
		checkPlain(t, c, "plot_mean_analysis.", a)
		o := plain()
		o.Alpha = 0.01
		if c.Has("plot_mean_analysis.lsd01") {
			c.Check(t, "plot_mean_analysis.lsd01", or(analyse(t, rows, o).Pairs[0].LSD))
		}
		if wrong := c.Want(t, "wrong_pseudoreplicated.F"); math.Abs(or(anovaRow(t, a.ANOVA, "treatment").F)-wrong) < 1e-6*wrong {
			t.Error("quadrats were taken as replicates")
		}
		for _, e := range []string{"reml_block_fixed", "reml_block_random", "F_block_fixed_satterthwaite", "F_block_fixed_kenward_roger", "F_block_random_satterthwaite", "F_block_random_kenward_roger",
			"emm_block_fixed_kenward_roger", "emm_block_fixed_satterthwaite", "emm_block_random_kenward_roger", "emm_block_random_satterthwaite"} {
			c.PassOver(e, "mixed models are tested in their own package")
		}
		if c.Has("error_stratum_tables") {
			// On the quadrat scale the plot stratum is n times that of the means.
			n := float64(a.Design.QuadratsMax)
			for i, r := range a.ANOVA {
				a.ANOVA[i].SS, a.ANOVA[i].MS = n*r.SS, ptr(n**r.MS)
			}
			checkANOVA(t, c, "error_stratum_tables.plot", a.ANOVA, nil)
			within := anovaRow(t, s.ANOVA, "residual")
			checkANOVA(t, c, "error_stratum_tables.Within", []stats.ANOVARow{within}, nil)
		}
	}, refcases.Quadrats, refcases.OneQuadrat)
}

func TestReferenceSeason(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		if c.Shape() == refcases.SeasonZeroDate {
			checkZeroDate(t, c, rows)
			return
		}
		plots, days, err := stats.SeasonPlots(rows)
		if err != nil {
			t.Fatal(err)
		}
		complete := c.WantBool(t, "complete")
		c.Check(t, "complete", complete)
		c.Check(t, "dates", days)
		names := c.WantStrings(t, "levels")
		c.Check(t, "levels", names)
		c.Check(t, "cell_mean", cellMeans(plots, names, days))
		raw := stats.Transform{Kind: stats.Measure, Scale: stats.Raw}
		s, err := stats.SplitInTime(plots, days, raw, stats.SplitOptions{})
		if !complete {
			if err == nil || !strings.Contains(err.Error(), "lack") {
				t.Errorf("a plot lacks a visit and the split plot is %v, %v", s, err)
			}
		} else if err != nil {
			t.Fatal(err)
		} else {
			checkSplitInTime(t, c, "split_plot_in_time", "sphericity_trt_only", s, plots, days)
			if !c.Has("split_plot_in_time_block_by_date_removed") {
				checkMauchly(t, c, s, len(days))
			}
			if c.Has("split_plot_in_time_block_by_date_removed") {
				s, err := stats.SplitInTime(plots, days, raw, stats.SplitOptions{BlockByVisit: true})
				if err != nil {
					t.Fatal(err)
				}
				checkSplitInTime(t, c, "split_plot_in_time_block_by_date_removed", "sphericity_block_and_trt", s, plots, days)
				checkMauchly(t, c, s, len(days))
			}
		}
		for _, e := range []string{"gls_cs", "gls_ar1", "gls_car1", "gls_car1_note", "lme_plot", "plot_plus_car1", "lmer_plot", "cross_check_note"} {
			if c.Has(e) {
				c.PassOver(e, "mixed models are tested in their own package")
			}
		}
	}, refcases.Season, refcases.SeasonZeroDate)
}

// checkMauchly holds W against the case. R 4.2 has the number of visits in
// place of the number of contrasts in one term of the series for p (3p in
// Anderson's formula), so its p is worked out here from W by its formula and
// ours must be close to it.
func checkMauchly(t *testing.T, c *refcases.Case, s *stats.SplitPlotInTime, visits int) {
	t.Helper()
	if !c.Has("mauchly.W") {
		return
	}
	if s.ErrorDF < visits-1 {
		if s.MauchlyW != nil {
			t.Error("a test of sphericity with fewer error df than contrasts")
		}
		return
	}
	c.Check(t, "mauchly.W", or(s.MauchlyW))
	p, n, logW := float64(visits-1), float64(s.ErrorDF), math.Log(or(s.MauchlyW))
	rho := 1 - (2*p*p+p+2)/(6*p*n)
	w2 := (p + 2) * (p - 1) * (p - 2) * (2*p*p*p + 6*p*p + 3*(p+1) + 2) / (288 * math.Pow(n*p*rho, 2))
	df := p*(p+1)/2 - 1
	p1, err1 := dist.ChiSquareSF(-n*rho*logW, df)
	p2, err2 := dist.ChiSquareSF(-n*rho*logW, df+4)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	c.Check(t, "mauchly.p", p1+w2*(p2-p1))
	near(t, "Mauchly p", s.MauchlyP, p1+w2*(p2-p1), 3/(p*p*p)*w2)
}

func cellMeans(plots []stats.PlotSeason, names []string, days []float64) [][]float64 {
	out := make([][]float64, len(names))
	for i, name := range names {
		for _, d := range days {
			var sum, n float64
			for _, p := range plots {
				if k := slices.Index(p.Days, d); p.Treatment == name && k >= 0 {
					sum, n = sum+p.Values[k], n+1
				}
			}
			out[i] = append(out[i], sum/n)
		}
	}
	return out
}

func checkSplitInTime(t *testing.T, c *refcases.Case, path, sphericity string, s *stats.SplitPlotInTime, plots []stats.PlotSeason, days []float64) {
	t.Helper()
	rename := map[string]string{"date": "visit", "trt:date": "treatment:visit", "block:date": "block:visit"}
	checkANOVA(t, c, path+".plot", s.Plot, nil)
	var within []stats.ANOVARow
	for _, w := range s.Within {
		within = append(within, w.ANOVARow)
	}
	checkANOVA(t, c, path+".Within", within, rename)
	c.Check(t, sphericity+".error_df_between", s.ErrorDF)
	c.Check(t, sphericity+".p", len(days)-1)
	c.Check(t, sphericity+".epsilon_gg", or(s.EpsilonGG))
	c.Check(t, sphericity+".epsilon_hf", or(s.HFUncut))
	c.Check(t, sphericity+".epsilon_hf_capped", or(s.EpsilonHF))
	c.Check(t, sphericity+".epsilon_lower_bound", s.EpsilonLow)
	var f, gg, hf, low, p []float64
	var df1 []int
	for _, term := range c.WantStrings(t, sphericity+".corrected.term") {
		w := s.Within[slices.IndexFunc(s.Within, func(w stats.WithinTest) bool { return w.Term == rename[term] })]
		f, p, df1 = append(f, or(w.F)), append(p, or(w.P)), append(df1, w.DF)
		gg, hf, low = append(gg, or(w.PGG)), append(hf, or(w.PHF)), append(low, or(w.PLow))
	}
	at := sphericity + ".corrected."
	c.Check(t, at+"term", c.WantStrings(t, at+"term"))
	c.Check(t, at+"f", f)
	c.Check(t, at+"df1", df1)
	c.Check(t, at+"df2", []int{s.Within[len(s.Within)-1].DF})
	c.Check(t, at+"p", p)
	c.Check(t, at+"p_gg", gg)
	c.Check(t, at+"p_hf", hf)
	c.Check(t, at+"p_lower_bound", low)
	if c.Has(sphericity + ".note") {
		c.PassOver(sphericity+".note", "text")
	}
}

func checkZeroDate(t *testing.T, c *refcases.Case, rows []stats.Row) {
	t.Helper()
	day := func(d float64) stats.Analysis {
		return analyse(t, slices.DeleteFunc(slices.Clone(rows), func(r stats.Row) bool { return r.Day != d }), plain())
	}
	zero := day(0)
	trt := anovaRow(t, zero.ANOVA, "treatment")
	c.CheckWithin(t, "day0.ss_treatment", trt.SS, 0, 0)
	c.CheckWithin(t, "day0.ss_error", anovaRow(t, zero.ANOVA, "residual").SS, 0, 0)
	c.CheckWithin(t, "day0.f", or(trt.F), 0, 0)
	c.CheckWithin(t, "day0.p", or(trt.P), 0, 0)
	if want := "every plot has 0: nothing to compare"; zero.Verdict[0] != want {
		t.Errorf("verdict %q, want %q", zero.Verdict[0], want)
	}
	c.PassOver("day0.advice", "the verdict was seen to say so")
	if anovaRow(t, day(14).ANOVA, "treatment").F == nil {
		t.Error("day 14 was not analysed")
	}
	c.PassOver("day14", "seen to be analysed")
}

func TestReferenceArea(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		rows := caseRows(t, c, false)
		plots, _, err := stats.SeasonPlots(rows)
		if err != nil {
			t.Fatal(err)
		}
		names := c.WantStrings(t, "per_plot.plot")
		var area, perDay []float64
		var n []int
		var block, trt []string
		for _, name := range names {
			p := plots[slices.IndexFunc(plots, func(p stats.PlotSeason) bool { return p.Name == name })]
			area, perDay, n = append(area, or(p.Area)), append(perDay, or(p.PeriodMean)), append(n, len(p.Days))
			block, trt = append(block, p.Block), append(trt, p.Treatment)
		}
		for name, got := range map[string]any{"plot": names, "block": block, "treatment": trt, "auc": area, "auc_per_day": perDay, "n_dates": n} {
			c.Check(t, "per_plot."+name, got)
		}
		// The case analyses the areas of all plots as they are, also over a
		// shortened span; our season leaves such plots out.
		var areas []stats.Row
		whole := true
		for i, p := range plots {
			areas = append(areas, stats.Row{Plot: p.Name, Block: p.Block, Treatment: p.Treatment, Value: or(p.Area), Source: fmt.Sprintf("row %d", i+1)})
			whole = whole && p.WholePeriod
		}
		a := analyse(t, areas, plain())
		checkPlain(t, c, "analysis_of_auc.", a)
		o := plain()
		o.Alpha = 0.01
		c.Check(t, "analysis_of_auc.lsd01", or(analyse(t, areas, o).Pairs[0].LSD))
		season, err := stats.AnalyseSeason(rows, plain())
		if err != nil {
			t.Fatal(err)
		}
		if whole {
			near(t, "F of the season", anovaRow(t, season.Area.ANOVA, "treatment").F, *anovaRow(t, a.ANOVA, "treatment").F, 1e-9)
		} else if len(season.Area.Missing) == 0 || len(season.Warnings) == 0 {
			t.Error("a shortened period was not left out and said")
		}
	}, refcases.Area)
}
