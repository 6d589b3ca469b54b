package stats_test

import (
	"math"
	"testing"

	"quadtally/stats"
)

// The expected values of the invented table d1 were computed with R 4.2.2
// (aov, TukeyHSD) to the digits given.
func TestCompleteBlocks(t *testing.T) {
	o := rawPercent()
	o.Control = "BARE"
	a := analyse(t, d1Rows(), o)
	block, trt, res := anovaRow(t, a.ANOVA, "block"), anovaRow(t, a.ANOVA, "treatment"), anovaRow(t, a.ANOVA, "residual")
	near(t, "block SS", &block.SS, 574.95, 1e-9)
	near(t, "block F", block.F, 7.32887, 5e-6)
	near(t, "block p", block.P, 0.0047426, 5e-8)
	near(t, "treatment SS", &trt.SS, 5819, 1e-9)
	near(t, "treatment F", trt.F, 55.63098, 5e-6)
	near(t, "treatment p", trt.P, 1.2011e-07, 5e-12)
	near(t, "residual SS", &res.SS, 313.8, 1e-9)
	near(t, "CV", a.CVPercent, 17.4828, 5e-5)
	near(t, "SE", treatment(t, a, "RYE").SE, 2.556854, 5e-7)
	near(t, "SED", a.Pairs[0].SED, 3.615937, 5e-7)
	near(t, "LSD", a.Pairs[0].LSD, 7.878450, 5e-7)
	near(t, "efficiency", &a.Efficiency[0].Value, 1.9993, 5e-5)
	for _, m := range []struct {
		trt  string
		mean float64
	}{{"BARE", 59}, {"RYE", 28}, {"RYEVETCH", 17.25}, {"STRAW", 33}, {"TARP", 9}} {
		near(t, m.trt, treatment(t, a, m.trt).Adjusted, m.mean, 1e-9)
	}
	for _, p := range []struct {
		a, b string
		p    float64
	}{{"RYE", "RYEVETCH", 0.071794}, {"STRAW", "RYE", 0.648961}, {"TARP", "RYEVETCH", 0.216094}, {"STRAW", "RYEVETCH", 0.006782}} {
		q := pair(t, a.Pairs, p.a, p.b)
		near(t, p.a+"-"+p.b, q.P, p.p, 5e-7)
		near(t, "half width", ptr((*q.Upper-*q.Lower)/2), 11.525554, 5e-7)
	}
	for name, want := range map[string]string{"BARE": "a", "STRAW": "b", "RYE": "bc", "RYEVETCH": "cd", "TARP": "d"} {
		if got := treatment(t, a, name).Letters; got != want {
			t.Errorf("letters of %s = %q, want %q", name, got, want)
		}
	}
	for name, want := range map[string]float64{"RYE": 52.542, "STRAW": 44.068, "TARP": 84.746, "RYEVETCH": 70.763} {
		near(t, "suppression by "+name, treatment(t, a, name).Suppression.Percent, want, 5e-4)
	}
	if want := "5 treatments in 4 complete blocks, residual df 12"; a.Design.Words != want {
		t.Errorf("design in words: %q, want %q", a.Design.Words, want)
	}
}

func ptr(x float64) *float64 { return &x }

func TestScalesOfD1(t *testing.T) {
	o := rawPercent()
	o.Scale = stats.ArcsineSqrt
	a := analyse(t, d1Rows(), o)
	near(t, "arcsine F", anovaRow(t, a.ANOVA, "treatment").F, 58.39745, 5e-6)
	near(t, "arcsine MSE in square degrees", ptr(*a.MSE*math.Pow(180/math.Pi, 2)), 10.6339, 5e-5)
	for name, want := range map[string]float64{"BARE": 59.148, "RYE": 27.716, "RYEVETCH": 16.756, "STRAW": 32.784, "TARP": 8.791} {
		near(t, name, treatment(t, a, name).Back, want, 5e-4)
	}
	o.Kind, o.Scale = stats.Count, stats.Log10Plus1
	a = analyse(t, d1Rows(), o)
	near(t, "log10 F", anovaRow(t, a.ANOVA, "treatment").F, 41.56878, 5e-6)
	near(t, "log10 MSE", a.MSE, 0.0086531, 5e-8)
	for name, want := range map[string]float64{"BARE": 58.397, "RYE": 27.106, "RYEVETCH": 16.081, "STRAW": 32.202, "TARP": 8.580} {
		near(t, name, treatment(t, a, name).Back, want, 5e-4)
	}
}

// The small complete-block table 3 x 5 published in a public thread about
// estimated marginal means.
func TestThreeByFive(t *testing.T) {
	var rows []stats.Row
	for name, v := range map[string][]float64{"F1": {1, 2, 7, 6, 12}, "F2": {5, 8, 9, 13, 14}, "F3": {8, 14, 16, 18, 17}} {
		for b, y := range v {
			rows = append(rows, stats.Row{Treatment: name, Block: string(rune('1' + b)), Value: y})
		}
	}
	a := analyse(t, rows, plain())
	trt := anovaRow(t, a.ANOVA, "treatment")
	near(t, "F", trt.F, 33.98883, 5e-6)
	near(t, "p", trt.P, 0.00012292, 5e-9)
	near(t, "F1-F2", pair(t, a.Pairs, "F1", "F2").P, 0.012127, 5e-7)
	near(t, "F1-F3", pair(t, a.Pairs, "F1", "F3").P, 0.000092, 5e-7)
	near(t, "F2-F3", pair(t, a.Pairs, "F2", "F3").P, 0.005776, 5e-7)
	for i, want := range []string{"c", "b", "a"} {
		if a.Treatments[i].Letters != want {
			t.Errorf("letters of %s = %q, want %q", a.Treatments[i].Treatment, a.Treatments[i].Letters, want)
		}
	}
}
