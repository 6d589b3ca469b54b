package stats_test

import (
	"testing"

	"quadtally/stats"
)

// d1 with a covariate a plot (invented).
func d1WithCovariate() []stats.Row {
	x := map[string][]float64{"BARE": {8, 5, 11, 7}, "RYE": {6, 9, 10, 3}, "RYEVETCH": {7, 4, 12, 8}, "STRAW": {9, 5, 8, 10}, "TARP": {9, 6, 10, 11}}
	rows := d1Rows()
	for i := range rows {
		rows[i].Covariate, rows[i].HasCovariate = x[rows[i].Treatment][rows[i].Block[0]-'1'], true
	}
	return rows
}

// Slope, test of one slope for all, and test of treatments in the covariate
// against R 4.2.2: lm(y ~ b + x + t) and confint of it, anova of
// lm(y ~ b + t + x) and lm(y ~ b + t * x), anova of lm(x ~ b + t).
func TestCovariateCheck(t *testing.T) {
	o := rawPercent()
	o.Randomise = stats.DefaultPermuteOptions()
	o.UseCovariate = true
	a := analyse(t, d1WithCovariate(), o)
	c := a.Covariate
	if c == nil {
		t.Fatal("no check of the covariate")
	}
	near(t, "slope", &c.Slope, 1.9072249589491, 1e-10)
	near(t, "SE", c.SE, 0.3711410312154, 1e-10)
	near(t, "lower", c.Lower, 1.090349057, 1e-8)
	near(t, "upper", c.Upper, 2.724100861, 1e-8)
	near(t, "p", c.P, 0.0003238324254, 1e-12)
	near(t, "parallel F", c.Parallel.F, 1.99854, 5e-6)
	near(t, "parallel p", c.Parallel.P, 0.19925, 5e-6)
	near(t, "balance F", c.Balance.F, 0.40887, 5e-6)
	near(t, "balance p", c.Balance.P, 0.798929, 5e-7)
	if c.DF != 11 || c.Parallel.DF != 4 || c.Balance.DF != 4 || a.ResidualDF != 11 || c.At != 7.9 {
		t.Errorf("df %d, %d, %d, %d, at %v", c.DF, c.Parallel.DF, c.Balance.DF, a.ResidualDF, c.At)
	}
	near(t, "treatment F", anovaRow(t, a.ANOVA, "treatment").F, 179.80335, 5e-6)
	if a.Randomisation != nil || a.Friedman != nil || a.ImanDavenport != nil {
		t.Error("tests that are not adjusted stand beside adjusted means")
	}
	if hasText(a.Warnings, "covariate") || !hasText(a.Notes, "adjusted to a covariate of 7.9") {
		t.Errorf("warnings %q, notes %q", a.Warnings, a.Notes)
	}
	o.UseCovariate = false
	if a = analyse(t, d1WithCovariate(), o); a.Covariate != nil || a.Randomisation == nil || a.Friedman == nil {
		t.Error("a covariate that is not used was checked, or the rank tests went")
	}
}

// A covariate that the treatments moved is warned of, and so are slopes of
// different treatments that are not parallel; one that tells nothing adjusts
// nothing.
func TestCovariateWarnings(t *testing.T) {
	o := rawPercent()
	o.UseCovariate = true
	moved := d1Rows()
	for i := range moved {
		moved[i].Covariate, moved[i].HasCovariate = moved[i].Value+float64(i%3), true
	}
	if a := analyse(t, moved, o); !hasText(a.Warnings, "treatments differ in the covariate") {
		t.Errorf("moved by the treatments: %q", a.Warnings)
	}
	crossed := d1WithCovariate()
	for i := range crossed {
		r := &crossed[i]
		r.Value = 30 + float64(i%3)/10
		switch r.Treatment {
		case "BARE":
			r.Value += 3 * (r.Covariate - 8)
		case "TARP":
			r.Value -= 2 * (r.Covariate - 8)
		}
	}
	if a := analyse(t, crossed, o); !hasText(a.Warnings, "slope on the covariate differs") {
		t.Errorf("crossed slopes: %q", a.Warnings)
	}
	flat := d1Rows()
	for i := range flat {
		flat[i].Covariate, flat[i].HasCovariate = float64(flat[i].Block[0]), true
	}
	if a := analyse(t, flat, o); a.Covariate != nil || !hasText(a.Warnings, "adjusts nothing") {
		t.Errorf("the same in a block: %+v, %q", a.Covariate, a.Warnings)
	}
}
