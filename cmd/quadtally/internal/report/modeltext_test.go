package report

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats/glm"
	"quadtally/stats/mixed"
)

func ptrTo(v float64) *float64 { return &v }

// What a model says is a sentence and a table, and its own sentence where it
// refuses.
func TestModelTexts(t *testing.T) {
	m := analysis.ShareOrCountModel{Family: glm.QuasiPoisson, Control: "BARE", Confidence: 0.95, Dispersion: 2.5, DispersionDF: 6,
		Treatment: &glm.Test{Term: "treatment", DF: 2, DenDF: 6, F: 12.5, P: 0.007},
		Means: []glm.Mean{{Labels: []string{"BARE"}, Mean: 40, Lower: 30, Upper: 52}, {Labels: []string{"RYE"}, Mean: 10, Lower: 6, Upper: 16},
			{Labels: []string{"TARP"}, Extreme: true, HasBound: true, Upper: 0.75}},
		VsControl: []analysis.RatioWithControl{{Treatment: "RYE", Ratio: ptrTo(0.25), Lower: ptrTo(0.15), Upper: ptrTo(0.42), P: ptrTo(0.002), PHolm: ptrTo(0.004)},
			{Treatment: "TARP", P: ptrTo(0.001), PHolm: ptrTo(0.003)}},
		Warnings: []string{"a caveat"}}
	open := m
	open.Treatment = &glm.Test{Term: "treatment", DF: 2, Deviance: 1.2, P: 0.55}
	open.Family = glm.NegativeBinomial
	refused := analysis.ShareOrCountModel{Family: glm.Beta, Refused: "share 0 in row 3"}
	season := analysis.SeasonModel{Words: "Fixed: treatment by date.", Confidence: 0.95, Alpha: 0.05,
		Fit:      &mixed.Fit{Adjusted: []mixed.Test{{Term: "treatment", NumDF: 2, DenDF: 6, F: 24.8, P: 0.0013}}, Components: []mixed.Component{{Name: "plot", Variance: 7.4}}},
		Means:    []analysis.DateMean{{Day: 14, Treatment: "BARE", Back: 14, BackLower: 8, BackUpper: 20, Letters: "a"}},
		Warnings: []string{"few blocks"}}
	write := func(c analysis.Comparison) string {
		t.Helper()
		var s Section
		s.before(c)
		notes, cautions := found{key: "x", c: c, lists: true}.opinions(&s)
		for _, n := range notes {
			s.say("%s", n)
		}
		for _, w := range cautions {
			s.warn("%s", w)
		}
		var b bytes.Buffer
		if err := writeSections(&b, Terminal{Width: 120}, s); err != nil {
			t.Fatal(err)
		}
		for _, l := range strings.Split(b.String(), "\n") {
			if strings.TrimRight(l, " ") != l {
				t.Errorf("spaces at the end of %q", l)
			}
		}
		return strings.Join(strings.Fields(b.String()), " ")
	}
	logLine := analysis.LineUsed{Intercept: math.Log(2), Slope: 0.9, Shift: 0.5, Smear: 1.25, Low: 3, High: 60}
	for name, c := range map[string]struct {
		got   string
		wants []string
		not   string
	}{
		"whole": {write(analysis.Comparison{CountModel: &m}),
			[]string{"a model for counts", "differences among treatments are shown (F(2,6) = 12.50, p = .007)", "BARE 40.0 30.0 to 52.0 control",
				"RYE 10.0 6.0 to 16.0 0.250 0.150 to 0.420 .004", "TARP none in any plot up to 0.75 – – .003", "vary 2.5 times as much as chance alone (6 df)", "! A caveat."}, "NaN"},
		"open":    {write(analysis.Comparison{CountModel: &open}), []string{"treatments are not shown to differ (chi-square(2) = 1.20, p = .550)"}, "are shown"},
		"refused": {write(analysis.Comparison{CoverModel: &refused}), []string{"No second opinion from the beta model: share 0 in row 3."}, "Treatment "},
		"season":  {write(analysis.Comparison{SeasonModel: &season}), []string{"treatment 2 6.0 24.8 .001", "BARE 14 14.0 8.0 to 20.0 a", "variances: plot 7.400", "! Few blocks."}, "NaN"},
		"season refused": {write(analysis.Comparison{SeasonModel: &analysis.SeasonModel{Refused: "only 1 treatment"}}),
			[]string{"No second opinion from the mixed model of the season: only 1 treatment."}, "variances"},
		"no plot variance": {write(analysis.Comparison{Components: &analysis.Components{PlotZero: true, Quadrat: 4, Treatment: mixed.Test{NumDF: 1, DenDF: 3, F: 2, P: 0.2}}}),
			[]string{"ariance between plots 0,", "is no fault"}, "singular"},
		"calibrated": {write(analysis.Comparison{Calibrated: &analysis.Calibrated{Method: "ordinary least squares", Pairs: 24, Plots: 12, LineUsed: &analysis.LineUsed{Intercept: 1.5, Slope: 0.9, Low: 3, High: 60}, Unit: "%",
			Extrapolated: []string{"303 at visit 2"}, Loud: []string{"THE BIAS DIFFERS"}}}), []string{"! THE BIAS DIFFERS. CALIBRATED VALUES", "hand = 1.5 +0.9 x image (%)", "24 pairs", "303 at visit 2"}, "Nothing was extrapolated"},
		"calibrated by visit": {write(analysis.Comparison{Calibrated: &analysis.Calibrated{Method: "logarithms", Pairs: 24, Plots: 12, Unit: "per quadrat",
			ByVisit: []analysis.VisitLine{{Visit: 1, LineUsed: logLine}, {Visit: 3, LineUsed: logLine}}}}),
			[]string{"a line for each visit", "visit 1 hand + 0.5 = 2.5 x (image + 0.5)^0.9 (per quadrat); visit 3", "24 pairs", "Nothing was extrapolated"}, "of the slope"},
	} {
		for _, want := range c.wants {
			if !strings.Contains(c.got, want) {
				t.Errorf("%s: nothing says %q in\n%s", name, want, c.got)
			}
		}
		if strings.Contains(c.got, c.not) {
			t.Errorf("%s: says %q in\n%s", name, c.not, c.got)
		}
	}
}
