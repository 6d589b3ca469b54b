package glm

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"quadtally/stats/internal/refcases"
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

// finiteJSON fails when a result holds NaN or an infinity: JSON has neither.
func finiteJSON(t testing.TB, v any) {
	t.Helper()
	if _, err := json.Marshal(v); err != nil {
		t.Fatalf("result is not plain data: %v", err)
	}
}

func mustFit(t testing.TB, m Model, family Family) *Fit {
	t.Helper()
	opt := Options{Level: 0.95}
	opt.Family = family
	return mustFitWith(t, m, opt)
}

func mustFitWith(t testing.TB, m Model, opt Options) *Fit {
	t.Helper()
	f, err := FitModel(m, opt)
	if err != nil {
		t.Fatal(err)
	}
	finiteJSON(t, f)
	return f
}

func mustMeans(t testing.TB, f *Fit, name string) []Mean {
	t.Helper()
	means, err := f.Means(terms.Term{name})
	if err != nil {
		t.Fatal(err)
	}
	finiteJSON(t, means)
	return means.Means
}

// blockModel reads treatment and, where there is one, block.
func blockModel(t *testing.T, c *refcases.Case) Model {
	t.Helper()
	m := Model{Response: c.Floats(t, "y"), Fixed: []terms.Term{{"trt"}}}
	m.Frame.Factors = []terms.Factor{factor("trt", c.Strings(t, "treatment"))}
	if c.HasData("block") {
		m.Frame.Factors = append(m.Frame.Factors, factor("block", c.Strings(t, "block")))
		m.Fixed = []terms.Term{{"block"}, {"trt"}}
	}
	return m
}

func checkCoefficients(t *testing.T, c *refcases.Case, f *Fit, coef, se, coefKey, seKey string) {
	t.Helper()
	for _, b := range f.Coefficients {
		name := b.Name
		if name == "(intercept)" {
			name = "(Intercept)"
		}
		if coef != "" {
			c.Check(t, coef+"."+name, b.Estimate, coefKey)
		}
		if se != "" {
			c.Check(t, se+"."+name, b.SE, seKey)
		}
	}
}

func column[T, V any](list []T, pick func(T) V) []V {
	var out []V
	for _, x := range list {
		out = append(out, pick(x))
	}
	return out
}

// checkDeviance checks the analysis of deviance of both the family with known
// and the one with estimated spread.
func checkDeviance(t *testing.T, c *refcases.Case, known, quasi *Fit) {
	t.Helper()
	p := "analysis_of_deviance."
	c.CheckWithin(t, p+"term", column(known.Tests, func(x Test) string { return x.Term }), 0, 0)
	c.CheckWithin(t, p+"df", column(known.Tests, func(x Test) int { return x.DF }), 0, 0)
	c.Check(t, p+"deviance", column(known.Tests, func(x Test) float64 { return x.Deviance }))
	c.Check(t, p+"p_chisq", column(known.Tests, func(x Test) float64 { return x.P }))
	c.Check(t, p+"f_quasi", column(quasi.Tests, func(x Test) float64 { return x.F }))
	c.Check(t, p+"p_f_quasi", column(quasi.Tests, func(x Test) float64 { return x.P }))
}

func TestReferenceCounts(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		m := blockModel(t, c)
		poisson, quasi := mustFit(t, m, Poisson), mustFit(t, m, QuasiPoisson)
		checkCoefficients(t, c, poisson, "coef", "se_poisson", "", "")
		checkCoefficients(t, c, quasi, "", "se_quasi", "", "")
		c.Check(t, "deviance", poisson.Deviance)
		c.Check(t, "null_deviance", poisson.NullDeviance)
		c.Check(t, "df_residual", poisson.ResidualDF)
		c.Check(t, "loglik_poisson", poisson.LogLik)
		c.Check(t, "aic_poisson", poisson.AIC)
		c.Check(t, "pearson_chisq", poisson.PearsonChi2)
		c.Check(t, "dispersion_pearson", quasi.Dispersion)
		c.Check(t, "dispersion_deviance", poisson.Deviance/float64(poisson.ResidualDF))
		checkDeviance(t, c, poisson, quasi)
		known, means := mustMeans(t, poisson, "trt"), mustMeans(t, quasi, "trt")
		c.CheckWithin(t, "levels", column(means, func(x Mean) string { return x.Labels[0] }), 0, 0)
		c.Check(t, "mean_of_fitted", column(means, func(x Mean) float64 { return x.FittedMean }))
		c.Check(t, "raw_mean", column(means, func(x Mean) float64 { return x.FittedMean }))
		c.Check(t, "emm_link", column(means, func(x Mean) float64 { return x.Link }))
		c.Check(t, "emm_link_se_poisson", column(known, func(x Mean) float64 { return x.LinkSE }))
		c.Check(t, "emm_link_se_quasi", column(means, func(x Mean) float64 { return x.LinkSE }))
		c.Check(t, "emm_response", column(means, func(x Mean) float64 { return x.Mean }))
		c.Check(t, "emm_lower95_quasi_t", column(means, func(x Mean) float64 { return x.Lower }))
		c.Check(t, "emm_upper95_quasi_t", column(means, func(x Mean) float64 { return x.Upper }))
		checkRatios(t, c, poisson, quasi)
		if c.Has("negbin") {
			checkNegBin(t, c, m)
		} else if f := mustFit(t, m, NegativeBinomial); !f.Theta.Infinite || f.LogLik != poisson.LogLik {
			t.Errorf("theta %+v on underdispersed counts: want infinite and the Poisson fit", f.Theta)
		}
		c.PassOver("emm_note", "words")
		for _, path := range []string{"negbin_random_block", "poisson_random_block_laplace"} {
			if c.Has(path) {
				c.PassOver(path, "random blocks in a count model are not offered; blocks are fixed")
			}
		}
	}, refcases.Counts)
}

func checkRatios(t *testing.T, c *refcases.Case, poisson, quasi *Fit) {
	t.Helper()
	known, err := poisson.Ratios("trt")
	if err != nil {
		t.Fatal(err)
	}
	ratios, err := quasi.Ratios("trt")
	if err != nil {
		t.Fatal(err)
	}
	finiteJSON(t, ratios)
	c.CheckWithin(t, "pairs.contrast", column(ratios, func(x Ratio) string { return x.A[0] + " - " + x.B[0] }), 0, 0)
	c.Check(t, "pairs.log_ratio", column(ratios, func(x Ratio) float64 { return x.LogRatio }))
	c.Check(t, "pairs.se_poisson", column(known, func(x Ratio) float64 { return x.SE }))
	c.Check(t, "pairs.se_quasi", column(ratios, func(x Ratio) float64 { return x.SE }))
	c.Check(t, "pairs.p_quasi_t", column(ratios, func(x Ratio) float64 { return x.P }))
}

func checkNegBin(t *testing.T, c *refcases.Case, m Model) {
	t.Helper()
	f := mustFit(t, m, NegativeBinomial)
	p := "negbin."
	c.Check(t, p+"theta", f.Theta.Value, "nb")
	c.Check(t, p+"theta_se", f.Theta.SE, "nb")
	checkCoefficients(t, c, f, "negbin.coef", "negbin.se", "nb", "nb")
	c.Check(t, p+"loglik", f.LogLik, "nb_loglik")
	c.CheckWithin(t, p+"aic", f.AIC, 2e-5, 0)
	c.Check(t, p+"deviance", f.Deviance, "nb")
	c.CheckWithin(t, p+"df_residual", f.ResidualDF, 0, 0)
	last := f.Tests[len(f.Tests)-1]
	c.Check(t, p+"lr_trt_theta_reestimated", last.Deviance, "nb")
	// p of a likelihood ratio moves by half as many digits more.
	c.CheckWithin(t, p+"p_lr", last.P, 0, 1e-3)
	null := m
	null.Fixed = m.Fixed[:len(m.Fixed)-1]
	nullFit := mustFit(t, null, NegativeBinomial)
	c.Check(t, p+"theta_null_model", nullFit.Theta.Value, "nb")
	c.Check(t, p+"loglik_null_model", nullFit.LogLik, "nb_loglik")
	fixed := mustFitWith(t, m, Options{Family: NegativeBinomial, Level: 0.95, Theta: f.Theta.Value})
	last = fixed.Tests[len(fixed.Tests)-1]
	c.Check(t, p+"deviance_trt_theta_fixed", last.Deviance, "nb")
	c.CheckWithin(t, p+"p_theta_fixed", last.P, 0, 1e-3)
	means := mustMeans(t, f, "trt")
	c.Check(t, p+"emm_link", column(means, func(x Mean) float64 { return x.Link }), "nb")
	c.Check(t, p+"emm_se", column(means, func(x Mean) float64 { return x.LinkSE }), "nb")
	c.Check(t, p+"emm_response", column(means, func(x Mean) float64 { return x.Mean }), "nb")
	c.Check(t, p+"glmmTMB_loglik_check", f.LogLik, "nb_loglik")
	c.Check(t, p+"glmmTMB_theta_check", f.Theta.Value, "nb")
	c.PassOver(p+"note", "words")
}

func TestReferenceAllZeroTreatment(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		m := blockModel(t, c)
		f := mustFit(t, m, Poisson)
		c.CheckWithin(t, "residual_deviance", f.Deviance, 0, 1e-9)
		c.CheckWithin(t, "df_residual_nominal", f.ResidualDF, 0, 0)
		c.CheckWithin(t, "lr_deviance_trt", f.Tests[1].Deviance, 0, 1e-9)
		c.CheckWithin(t, "df_trt", f.Tests[1].DF, 0, 0)
		c.CheckWithin(t, "deviance_without_treatment", f.Deviance+f.Tests[1].Deviance, 0, 1e-9)
		c.PassOver("residual_deviance_note", "words")
		c.PassOver("T4_estimate", "words; checked below")
		for _, b := range f.Coefficients {
			if strings.Contains(b.Name, "T4") || b.SE > 10 {
				t.Errorf("coefficient %+v of the all-zero treatment is printed", b)
			}
		}
		last := mustMeans(t, f, "trt")[3]
		if !last.Extreme || last.Mean != 0 || last.LinkSE != 0 {
			t.Errorf("all-zero mean: %+v", last)
		}
	}, refcases.CountsZero)
}

func TestReferenceBinomial(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		m := blockModel(t, c)
		m.Trials = c.Floats(t, "n")
		binom, quasi := mustFit(t, m, Binomial), mustFit(t, m, QuasiBinomial)
		checkCoefficients(t, c, binom, "coef", "se_binomial", "", "")
		checkCoefficients(t, c, quasi, "", "se_quasi", "", "")
		c.Check(t, "deviance", binom.Deviance)
		c.Check(t, "df_residual", binom.ResidualDF)
		c.Check(t, "loglik", binom.LogLik)
		c.Check(t, "pearson_chisq", binom.PearsonChi2)
		c.Check(t, "dispersion_pearson", quasi.Dispersion)
		checkDeviance(t, c, binom, quasi)
		means := mustMeans(t, binom, "trt")
		c.CheckWithin(t, "levels", column(means, func(x Mean) string { return x.Labels[0] }), 0, 0)
		c.Check(t, "emm_logit", column(means, func(x Mean) float64 { return x.Link }))
		c.Check(t, "emm_logit_se", column(means, func(x Mean) float64 { return x.LinkSE }))
		c.Check(t, "emm_prob", column(means, func(x Mean) float64 { return x.Mean }))
		// The reference averages the fitted shares of rows, whatever the
		// number of points in each.
		var plain []float64
		for _, x := range means {
			s, n := 0.0, 0.0
			for i, l := range m.Frame.Factors[0].Labels {
				if l == x.Labels[0] {
					s += binom.fitted[i] / m.Trials[i]
					n++
				}
			}
			plain = append(plain, s/n)
		}
		c.Check(t, "mean_of_fitted", plain)
	}, refcases.Binomial)
}

func TestReferenceBeta(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		var m Model
		if c.HasData("batch") {
			m = Model{Response: c.Floats(t, "y"), Fixed: []terms.Term{{"batch"}, {"EP"}}}
			batches := c.Strings(t, "batch")
			// Batch J is the base of the published fit.
			m.Frame.Factors = []terms.Factor{{Name: "batch", Labels: batches, Levels: append([]string{"J"}, inOrder(batches)[:9]...)}}
			m.Frame.Covariates = []terms.Covariate{{Name: "EP", Values: c.Floats(t, "EP")}}
		} else {
			m = blockModel(t, c)
		}
		f := mustFit(t, m, Beta)
		c.Check(t, "loglik", f.LogLik, "loglik")
		checkCoefficients(t, c, f, "coef", "se_expected_information", "coef", "se")
		c.Check(t, "phi", f.Precision.Value, "phi")
		c.Check(t, "se_phi_expected_information", f.Precision.SE, "se")
		o := mustFitWith(t, m, Options{Family: Beta, Level: 0.95, ObservedInformation: true})
		c.Check(t, "glmmTMB.loglik", o.LogLik, "loglik")
		if c.HasData("batch") {
			checkCoefficients(t, c, o, "glmmTMB.coef", "", "glmmTMB", "")
			c.PassOver("glmmTMB.se_observed_information", "that program's numerical second derivatives are off on the unscaled temperature (its 0.00066 against the published 0.00041); the observed information here is held against central differences in TestBetaInformation")
		} else {
			checkCoefficients(t, c, o, "glmmTMB.coef", "glmmTMB.se_observed_information", "glmmTMB", "glmmTMB")
		}
		c.Check(t, "glmmTMB.phi", o.Precision.Value, "glmmTMB")
		score, _ := betaInformation(f.full, m.Response, betaFit{coord: f.coord, phi: f.Precision.Value, eta: predictor(f.full, f.coord)}, false)
		for _, s := range score {
			c.CheckWithin(t, "max_abs_score", s, 1e-7, 0)
		}
		if c.Has("lr_trt") {
			last := f.Tests[len(f.Tests)-1]
			c.CheckWithin(t, "lr_trt", last.Deviance, 4e-5, 0)
			c.CheckWithin(t, "df_lr", last.DF, 0, 0)
			c.CheckWithin(t, "p_lr", last.P, 0, 2e-5)
			means := mustMeans(t, o, "trt")
			c.CheckWithin(t, "levels", column(means, func(x Mean) string { return x.Labels[0] }), 0, 0)
			c.Check(t, "emm_logit", column(means, func(x Mean) float64 { return x.Link }), "coef")
			c.Check(t, "emm_logit_se", column(means, func(x Mean) float64 { return x.LinkSE }), "glmmTMB")
			c.Check(t, "emm_prop", column(means, func(x Mean) float64 { return x.Mean }), "coef")
		}
		if c.Has("published.phi") {
			c.CheckWithin(t, "published.phi", f.Precision.Value, 5e-4, 0)
			for _, b := range f.Coefficients {
				if b.Name == "EP" {
					c.CheckWithin(t, "published.EP_coef", b.Estimate, 5e-6, 0)
					c.CheckWithin(t, "published.EP_se", b.SE, 5e-6, 0)
				}
			}
			c.PassOver("published.note", "words")
		} else {
			c.PassOver("published", "none")
		}
	}, refcases.Beta)
}
