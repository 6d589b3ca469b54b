package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// The tables here are invented. Expected values were computed with R 4.2.2
// (aov, lm, TukeyHSD, friedman.test) to the digits given.

const coverTable = `trt,block,cover
BARE,1,62
BARE,2,48
BARE,3,71
BARE,4,55
RYE,1,24
RYE,2,31
RYE,3,38
RYE,4,19
RYEVETCH,1,15
RYEVETCH,2,9
RYEVETCH,3,27
RYEVETCH,4,18
STRAW,1,33
STRAW,2,22
STRAW,3,41
STRAW,4,36
TARP,1,8
TARP,2,5
TARP,3,12
TARP,4,11
`

// table writes a CSV for --from.
func table(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "table.csv")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// compared runs compare --json on a table and reads what it printed.
func compared(t *testing.T, text, response string, flags ...string) analysis.Comparison {
	t.Helper()
	r := say(t, append([]string{"compare", response, "--json", "--from", table(t, text)}, flags...)...)
	if r.code != exitDone && r.code != exitPartly {
		t.Fatalf("exit %d\n%s", r.code, r.err)
	}
	noWildNumbers(t, r)
	var c analysis.Comparison
	if err := json.Unmarshal([]byte(r.out), &c); err != nil {
		t.Fatalf("%v in\n%s", err, r.out)
	}
	return c
}

var wild = regexp.MustCompile(`\b(NaN|[-+]?Inf)\b`)

// noWildNumbers fails where something is printed that is no number. A message
// may quote what the user wrote.
func noWildNumbers(t *testing.T, r ran) {
	t.Helper()
	if m := wild.FindString(r.out); m != "" {
		t.Errorf("%s was printed:\n%s", m, r.out)
	}
	if strings.Contains(r.err, "panic") || strings.Contains(r.err, "goroutine") {
		t.Errorf("a crash:\n%s", r.err)
	}
}

func close6(t *testing.T, what string, got *float64, want, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not given, want %g", what, want)
	} else if !(math.Abs(*got-want) <= tol) {
		t.Errorf("%s = %.8g, want %g within %g", what, *got, want, tol)
	}
}

func termRow(t *testing.T, rows []stats.ANOVARow, term string) stats.ANOVARow {
	t.Helper()
	for _, r := range rows {
		if r.Term == term {
			return r
		}
	}
	t.Fatalf("no row %s", term)
	return stats.ANOVARow{}
}

func treatmentRow(t *testing.T, a *stats.Analysis, name string) stats.TreatmentResult {
	t.Helper()
	for _, r := range a.Treatments {
		if r.Treatment == name {
			return r
		}
	}
	t.Fatalf("no treatment %s", name)
	return stats.TreatmentResult{}
}

func pairRow(t *testing.T, a *stats.Analysis, x, y string) stats.Pair {
	t.Helper()
	for _, p := range a.Pairs {
		if p.A == x && p.B == y || p.A == y && p.B == x {
			return p
		}
	}
	t.Fatalf("no pair %s %s", x, y)
	return stats.Pair{}
}

func TestCompareCompleteBlocks(t *testing.T) {
	a := compared(t, coverTable, "cover", "--control", "BARE", "--scale", "raw").Analysis
	block, trt, res := termRow(t, a.ANOVA, "block"), termRow(t, a.ANOVA, "treatment"), termRow(t, a.ANOVA, "residual")
	close6(t, "block SS", &block.SS, 574.95, 1e-9)
	close6(t, "block F", block.F, 7.32887, 5e-6)
	close6(t, "block p", block.P, 0.0047426, 5e-8)
	close6(t, "treatment SS", &trt.SS, 5819, 1e-9)
	close6(t, "treatment F", trt.F, 55.63098, 5e-6)
	close6(t, "treatment p", trt.P, 1.2011e-07, 5e-12)
	close6(t, "MSE", res.MS, 26.15, 1e-9)
	if block.DF != 3 || trt.DF != 4 || res.DF != 12 {
		t.Errorf("df %d, %d, %d, want 3, 4, 12", block.DF, trt.DF, res.DF)
	}
	close6(t, "grand mean", a.GrandMean, 29.25, 1e-9)
	close6(t, "CV", a.CVPercent, 17.4828, 5e-5)
	for name, want := range map[string]float64{"BARE": 59, "RYE": 28, "RYEVETCH": 17.25, "STRAW": 33, "TARP": 9} {
		r := treatmentRow(t, a, name)
		close6(t, name, r.Adjusted, want, 1e-9)
		close6(t, name+" SE", r.SE, 2.556854, 5e-7)
	}
	p := pairRow(t, a, "BARE", "RYE")
	close6(t, "SED", p.SED, 3.615937, 5e-7)
	close6(t, "LSD", p.LSD, 7.878450, 5e-7)
	half := (*p.Upper - *p.Lower) / 2
	close6(t, "HSD", &half, 11.525554, 5e-7)
	close6(t, "RYE-RYEVETCH", pairRow(t, a, "RYE", "RYEVETCH").P, 0.071794, 5e-7)
	close6(t, "STRAW-RYE", pairRow(t, a, "STRAW", "RYE").P, 0.648961, 5e-7)
	close6(t, "TARP-RYEVETCH", pairRow(t, a, "TARP", "RYEVETCH").P, 0.216094, 5e-7)
	close6(t, "STRAW-RYEVETCH", pairRow(t, a, "STRAW", "RYEVETCH").P, 0.006782, 5e-7)
	close6(t, "efficiency", &a.Efficiency[0].Value, 1.9993, 5e-5)
	close6(t, "block variance", &a.BlockVariance.Variance, 33.10, 5e-3)
	close6(t, "Friedman", a.Friedman.Statistic, 15.4, 1e-9)
	close6(t, "Friedman p", a.Friedman.P, 0.0039396, 5e-8)
	checks := map[string]*float64{}
	for _, c := range a.Checks {
		checks[c.Name] = c.P
	}
	for name, want := range map[string]float64{"Shapiro": 0.9504, "Brown": 0.5245, "additiv": 0.16337} {
		found := false
		for full, p := range checks {
			if strings.Contains(full, name) {
				found = true
				close6(t, full, p, want, 1e-4)
			}
		}
		if !found {
			t.Errorf("no check like %s among %v", name, checks)
		}
	}
}

func TestCompareScales(t *testing.T) {
	a := compared(t, coverTable, "cover", "--scale", "arcsine_sqrt").Analysis
	trt := termRow(t, a.ANOVA, "treatment")
	close6(t, "arcsine F", trt.F, 58.39745, 5e-6)
	degrees := *a.MSE * (180 / math.Pi) * (180 / math.Pi)
	close6(t, "arcsine MSE in degrees", &degrees, 10.6339, 5e-5)
	for name, want := range map[string]float64{"BARE": 59.148, "RYE": 27.716, "RYEVETCH": 16.756, "STRAW": 32.784, "TARP": 8.791} {
		close6(t, "arcsine "+name, treatmentRow(t, a, name).Back, want, 5e-4)
	}
	a = compared(t, coverTable, "cover", "--kind", "count", "--scale", "log10").Analysis
	trt = termRow(t, a.ANOVA, "treatment")
	close6(t, "log10 F", trt.F, 41.56878, 5e-6)
	close6(t, "log10 MSE", a.MSE, 0.0086531, 5e-8)
	for name, want := range map[string]float64{"BARE": 58.397, "RYE": 27.106, "RYEVETCH": 16.081, "STRAW": 32.202, "TARP": 8.580} {
		close6(t, "log10 "+name, treatmentRow(t, a, name).Back, want, 5e-4)
	}
}

// Published rows of 3 treatments in 5 blocks (a public thread about R package
// emmeans, no. 24); R 4.2.2.
func TestCompareThreeByFive(t *testing.T) {
	text := "treatment,block,y\n"
	for trt, v := range map[string][]int{"F1": {1, 2, 7, 6, 12}, "F2": {5, 8, 9, 13, 14}, "F3": {8, 14, 16, 18, 17}} {
		for b, x := range v {
			text += fmt.Sprintf("%s,%d,%d\n", trt, b+1, x)
		}
	}
	a := compared(t, text, "y").Analysis
	trt := termRow(t, a.ANOVA, "treatment")
	close6(t, "F", trt.F, 33.98883, 5e-6)
	close6(t, "p", trt.P, 0.00012292, 5e-9)
	close6(t, "F1-F2", pairRow(t, a, "F1", "F2").P, 0.012127, 5e-7)
	close6(t, "F1-F3", pairRow(t, a, "F1", "F3").P, 0.000092, 5e-7)
	close6(t, "F2-F3", pairRow(t, a, "F2", "F3").P, 0.005776, 5e-7)
}

// One spelling in several dresses is one treatment; another word is not.
func TestCompareSpellings(t *testing.T) {
	text := strings.Replace(coverTable, "BARE,3", "BARE ,3", 1)
	text = strings.Replace(text, "RYE,4", "Rye,4", 1)
	text = strings.Replace(text, "STRAW,2", "STRAW\u00a0,2", 1)
	a := compared(t, text, "cover", "--scale", "raw").Analysis
	if len(a.Design.Treatments) != 5 || a.ResidualDF != 12 {
		t.Errorf("%d treatments, %d df, want 5 and 12", len(a.Design.Treatments), a.ResidualDF)
	}
	trt := termRow(t, a.ANOVA, "treatment")
	close6(t, "F", trt.F, 55.63098, 5e-6)
	if !strings.Contains(strings.Join(a.Notes, "\n"), "Rye") {
		t.Errorf("nothing says what was united: %q", a.Notes)
	}
	a = compared(t, strings.Replace(coverTable, "STRAW,2", "STRAWW,2", 1), "cover", "--scale", "raw").Analysis
	if len(a.Design.Treatments) != 6 {
		t.Errorf("a true slip was taken for %v", a.Design.Treatments)
	}
}

// Treatments and blocks written as numbers are labels.
func TestCompareNumbersAsLabels(t *testing.T) {
	text := coverTable
	for i, name := range []string{"BARE", "RYEVETCH", "RYE", "STRAW", "TARP"} {
		text = strings.ReplaceAll(text, name+",", fmt.Sprint(i+1)+",")
	}
	trt := termRow(t, compared(t, text, "cover", "--scale", "raw").Analysis.ANOVA, "treatment")
	close6(t, "F", trt.F, 55.63098, 5e-6)
	if trt.DF != 4 {
		t.Errorf("treatment df %d, want 4", trt.DF)
	}
	a := compared(t, strings.ReplaceAll(strings.ReplaceAll(coverTable, "RYE,", "0,"), "TARP,", "NA,"), "cover", "--scale", "raw").Analysis
	if got := strings.Join(a.Design.Treatments, " "); len(a.Design.Treatments) != 5 || !strings.Contains(got, "NA") {
		t.Errorf("treatments 0 and NA were lost: %s", got)
	}
}

func TestCompareEmptyIsNotZero(t *testing.T) {
	for _, blank := range []string{"", ".", "-", "NA", "n/a", "NaN"} {
		a := compared(t, strings.Replace(coverTable, "TARP,4,11", "TARP,4,"+blank, 1), "cover", "--scale", "raw").Analysis
		if a.ResidualDF != 11 || len(a.Plots) != 19 || len(a.Missing) != 1 {
			t.Errorf("%q: %d df, %d plots, missing %v; want 11, 19 and one", blank, a.ResidualDF, len(a.Plots), a.Missing)
		}
		r := treatmentRow(t, a, "TARP")
		close6(t, fmt.Sprintf("%q: TARP adjusted", blank), r.Adjusted, 7.56, 5e-3)
		close6(t, fmt.Sprintf("%q: TARP plain", blank), r.Mean, 8.33, 5e-3)
		trt := termRow(t, a.ANOVA, "treatment")
		close6(t, "F", trt.F, 51.32, 5e-3)
	}
	zero := compared(t, strings.Replace(coverTable, "TARP,4,11", "TARP,4,0", 1), "cover", "--scale", "raw").Analysis
	close6(t, "TARP with a true 0", treatmentRow(t, zero, "TARP").Mean, 6.25, 1e-12)
	for _, word := range []string{"<1", "trace", ">100", "12?", "Inf"} {
		r := say(t, "compare", "cover", "--full", "--from", table(t, strings.Replace(coverTable, "TARP,4,11", "TARP,4,"+word, 1)))
		r.expect(t, exitPartly, "table.csv:21", "19")
		noWildNumbers(t, r)
	}
}

func TestCompareLostPlot(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(coverTable), "\n")
	forward, backward := lines[0]+"\n", lines[0]+"\n"
	for i, l := range lines[1:] {
		if !strings.HasPrefix(l, "RYEVETCH,3") {
			forward += l + "\n"
		}
		if b := lines[len(lines)-1-i]; !strings.HasPrefix(b, "RYEVETCH,3") {
			backward += b + "\n"
		}
	}
	for name, text := range map[string]string{"as typed": forward, "backwards": backward} {
		a := compared(t, text, "cover", "--scale", "raw").Analysis
		trt, res := termRow(t, a.ANOVA, "treatment"), termRow(t, a.ANOVA, "residual")
		close6(t, name+" SS", &trt.SS, 5675.60, 5e-3)
		close6(t, name+" F", trt.F, 50.12171, 5e-6)
		close6(t, name+" residual SS", &res.SS, 311.40, 5e-3)
		r := treatmentRow(t, a, "RYEVETCH")
		close6(t, name+" adjusted", r.Adjusted, 16.75, 1e-9)
		close6(t, name+" plain", r.Mean, 14, 1e-9)
		close6(t, name+" SE", r.SE, 3.17, 5e-3)
		close6(t, name+" SE of the others", treatmentRow(t, a, "RYE").SE, 2.66, 5e-3)
		close6(t, name+" Tukey", pairRow(t, a, "RYEVETCH", "RYE").P, 0.1140, 5e-5)
	}
	say(t, "compare", "cover", "--from", table(t, strings.Replace(coverTable, "RYEVETCH,3,27", "RYEVETCH,3,", 1))).
		expect(t, exitDone, "Missing: plot 3/RYEVETCH")
}

func TestCompareQuadratsAreNoReplicates(t *testing.T) {
	quadrats := func(drop int) string {
		text := "treatment,block,quadrat,cover\n"
		for trt, v := range map[string][]int{"A": {20, 35, 28, 41}, "B": {24, 33, 36, 44}} {
			for b, m := range v {
				for q, d := range []int{-3, -1, 1, 3} {
					if trt == "A" && b == 1 && q < drop {
						continue
					}
					text += fmt.Sprintf("%s,%d,%d,%d\n", trt, b+1, q+1, m+d)
				}
			}
		}
		return text
	}
	c := compared(t, quadrats(0), "cover", "--scale", "raw")
	trt := termRow(t, c.Analysis.ANOVA, "treatment")
	close6(t, "F", trt.F, 2.4975, 5e-5)
	close6(t, "p", trt.P, 0.212, 5e-4)
	if trt.DF != 1 || c.Analysis.ResidualDF != 3 || c.Analysis.Design.QuadratsMax != 4 {
		t.Errorf("df %d and %d, %d quadrats; want 1, 3, 4", trt.DF, c.Analysis.ResidualDF, c.Analysis.Design.QuadratsMax)
	}
	if c.Components == nil || c.Components.Refused != "" {
		t.Fatalf("no variance components: %+v", c.Components)
	}
	// Balanced, so that REML gives the ANOVA components and the same test.
	close6(t, "plot variance", &c.Components.Plot, c.Analysis.Subsampling.VariancePlot, 1e-6)
	close6(t, "quadrat variance", &c.Components.Quadrat, c.Analysis.Subsampling.VarianceQuadrat, 1e-6)
	close6(t, "F of the mixed model", &c.Components.Treatment.F, *trt.F, 1e-6)
	if a := compared(t, quadrats(2), "cover", "--scale", "raw").Analysis; a.ResidualDF != 3 {
		t.Errorf("with two quadrats fewer: df %d, want 3", a.ResidualDF)
	}
}

const seasonTable = `treatment,block,day,cover
`

func seasonRows() string {
	text := seasonTable
	for trt, blocks := range map[string][4][4]int{
		"BARE":  {{3, 14, 38, 66}, {2, 10, 30, 52}, {5, 20, 47, 75}, {3, 12, 35, 60}},
		"RYE":   {{1, 5, 16, 30}, {2, 8, 22, 35}, {2, 9, 25, 43}, {1, 4, 12, 24}},
		"STRAW": {{2, 7, 19, 36}, {1, 5, 13, 27}, {3, 11, 26, 45}, {2, 9, 22, 38}},
	} {
		for b, days := range blocks {
			for i, v := range days {
				text += fmt.Sprintf("%s,%d,%d,%d\n", trt, b+1, 14*i, v)
			}
		}
	}
	return text
}

func TestCompareDatesAreNoReplicates(t *testing.T) {
	c := compared(t, seasonRows(), "cover", "--scale", "raw")
	s := c.Season
	if s == nil {
		t.Fatal("four dates were not compared as a season")
	}
	area := termRow(t, s.Area.ANOVA, "treatment")
	close6(t, "area F", area.F, 22.325, 5e-4)
	close6(t, "area p", area.P, 0.00166, 5e-6)
	if area.DF != 2 || s.Area.ResidualDF != 6 {
		t.Errorf("df %d and %d, want 2 and 6", area.DF, s.Area.ResidualDF)
	}
	for name, want := range map[string]float64{"BARE": 1186.5, "RYE": 595, "STRAW": 661.5} {
		close6(t, name, treatmentRow(t, s.Area, name).Adjusted, want, 1e-9)
	}
	between := termRow(t, s.InTime.Plot, "treatment")
	close6(t, "split plot F", between.F, 24.772, 5e-4)
	close6(t, "split plot p", between.P, 0.00126, 5e-6)
	close6(t, "Greenhouse-Geisser", s.InTime.EpsilonGG, 0.3616, 5e-5)
	for _, w := range s.InTime.Within {
		if w.Term == "treatment:visit" {
			close6(t, "corrected p, blocks by date out of the error", w.PGG, 0.00025622106, 5e-9)
		}
	}
	// Every plot seen at every visit: the mixed model is the split plot.
	m := c.SeasonModel
	if m == nil || m.Refused != "" {
		t.Fatalf("no mixed model: %+v", m)
	}
	for _, x := range m.Fit.Adjusted {
		if x.Term == "treatment" {
			close6(t, "mixed model F", &x.F, 24.772, 5e-4)
			close6(t, "mixed model df", &x.DenDF, 6, 1e-4)
		}
	}
	if len(m.Means) != 12 || len(m.Pairs) != 12 {
		t.Errorf("%d means and %d pairs, want 12 and 12", len(m.Means), len(m.Pairs))
	}
	for _, x := range m.Means {
		if x.Day == 42 && x.Treatment == "BARE" {
			close6(t, "BARE on day 42", &x.Mean, 63.25, 1e-6)
			if x.Letters != "a" {
				t.Errorf("BARE on day 42 has letters %q", x.Letters)
			}
		}
	}
	serial := compared(t, seasonRows(), "cover", "--serial", "--scale", "raw").SeasonModel
	if serial.Refused == "" && serial.Fit.Serial == nil {
		t.Error("--serial left out the serial correlation")
	}
}

func TestCompareBlocksMadeNoDifference(t *testing.T) {
	text := "treatment,block,y\n"
	for trt, v := range map[string][]int{"A": {10, 15, 12, 13}, "B": {22, 16, 20, 18}, "C": {27, 30, 28, 31}} {
		for b, x := range v {
			text += fmt.Sprintf("%s,%d,%d\n", trt, b+1, x)
		}
	}
	a := compared(t, text, "y").Analysis
	trt, block, res := termRow(t, a.ANOVA, "treatment"), termRow(t, a.ANOVA, "block"), termRow(t, a.ANOVA, "residual")
	close6(t, "F", trt.F, 40.11290, 5e-6)
	close6(t, "p", trt.P, 0.00033693, 5e-9)
	close6(t, "block MS", block.MS, 0.5556, 5e-5)
	close6(t, "residual MS", res.MS, 6.8889, 5e-5)
	close6(t, "block estimate", &a.BlockVariance.Estimate, -2.11, 5e-3)
	if a.ResidualDF != 6 || a.BlockVariance.Variance != 0 || a.BlockVariance.Note == "" {
		t.Errorf("df %d, block variance %g, %q; want 6, 0 and a sentence", a.ResidualDF, a.BlockVariance.Variance, a.BlockVariance.Note)
	}
}

func TestComparePercentAndProportion(t *testing.T) {
	proportions := regexp.MustCompile(`,(\d+)\n`).ReplaceAllStringFunc(coverTable, func(s string) string {
		var v float64
		fmt.Sscanf(s, ",%f", &v)
		return fmt.Sprintf(",%g\n", v/100)
	})
	for name, a := range map[string]*stats.Analysis{
		"percent":    compared(t, coverTable, "cover", "--scale", "arcsine_sqrt").Analysis,
		"proportion": compared(t, proportions, "cover", "--scale", "arcsine_sqrt", "--kind", "proportion").Analysis,
	} {
		trt := termRow(t, a.ANOVA, "treatment")
		close6(t, name, trt.F, 58.39745, 5e-6)
	}
	for _, c := range []struct{ old, new, want string }{
		{"BARE,1,62", "BARE,1,0.62", "0.62"},
		{"BARE,1,62", "BARE,1,104", "table.csv:2"},
		{"RYE,1,24", "RYE,1,-1", "table.csv:6"},
	} {
		r := say(t, "compare", "cover", "--from", table(t, strings.Replace(coverTable, c.old, c.new, 1)))
		r.expect(t, exitFailed, c.want)
		noWildNumbers(t, r)
	}
	ends := strings.Replace(strings.Replace(coverTable, "TARP,2,5", "TARP,2,0", 1), "BARE,3,71", "BARE,3,100", 1)
	if a := compared(t, ends, "cover", "--scale", "arcsine_sqrt").Analysis; len(a.Plots) != 20 {
		t.Errorf("0 and 100 were not taken: %d plots", len(a.Plots))
	}
}

const countTable = `treatment,block,count
BARE,1,41
BARE,2,28
BARE,3,55
BARE,4,37
RYE,1,12
RYE,2,7
RYE,3,19
RYE,4,9
STRAW,1,17
STRAW,2,11
STRAW,3,23
STRAW,4,14
TARP,1,0
TARP,2,0
TARP,3,0
TARP,4,0
`

func TestCompareTreatmentWithoutWeeds(t *testing.T) {
	c := compared(t, countTable, "count", "--scale", "raw", "--control", "BARE")
	a := c.Analysis
	trt := termRow(t, a.ANOVA, "treatment")
	close6(t, "raw F", trt.F, 53.587, 5e-4)
	close6(t, "Friedman", a.Friedman.Statistic, 12, 1e-9)
	close6(t, "Friedman p", a.Friedman.P, 0.00738, 5e-6)
	r := treatmentRow(t, a, "TARP")
	close6(t, "TARP", r.Mean, 0, 0)
	close6(t, "suppression by TARP", r.Suppression.Percent, 100, 1e-9)
	if !strings.Contains(strings.Join(a.Warnings, "\n"), "common variance") {
		t.Errorf("nothing warns that the equal variances fail: %q", a.Warnings)
	}
	logs := compared(t, countTable, "count", "--scale", "log10").Analysis
	trt = termRow(t, logs.ANOVA, "treatment")
	close6(t, "log10 F", trt.F, 347.667, 5e-4)
	close6(t, "log10 MSE", logs.MSE, 0.005437, 5e-7)

	m := c.CountModel
	if m == nil || m.Refused != "" || m.Treatment == nil || !(m.Treatment.P < 0.001) {
		t.Fatalf("count model: %+v", m)
	}
	for _, x := range m.Means {
		switch x.Labels[0] {
		case "TARP":
			if !x.Extreme || x.Mean != 0 || !x.HasBound {
				t.Errorf("TARP: %+v", x)
			}
		case "BARE":
			// Complete and balanced: the fitted rows keep the plain mean.
			close6(t, "BARE", &x.FittedMean, 40.25, 1e-6)
		}
	}
	for _, x := range m.VsControl {
		if x.Treatment == "TARP" && (x.Ratio != nil || x.P == nil || *x.P > 0.001) {
			t.Errorf("TARP against BARE: %+v", x)
		}
		// The fit of a balanced table of counts is multiplicative: ratios
		// are those of the totals, 47/161 and 65/161.
		switch x.Treatment {
		case "RYE":
			close6(t, "RYE over BARE", x.Ratio, 47.0/161, 1e-6)
		case "STRAW":
			close6(t, "STRAW over BARE", x.Ratio, 65.0/161, 1e-6)
		}
	}
	for _, model := range []string{"quasi-poisson", "negative-binomial"} {
		r := say(t, "compare", "count", "--full", "--from", table(t, countTable), "--control", "BARE", "--model", model)
		r.expect(t, exitDone, "Second opinion: a model for counts", "none in any plot")
		noWildNumbers(t, r)
		for _, bad := range []string{"0.998", "12580", "-24.9"} {
			if strings.Contains(r.out, bad) {
				t.Errorf("%s: the runaway estimate %s was printed", model, bad)
			}
		}
		if model == "negative-binomial" && !strings.Contains(strings.Join(strings.Fields(r.out), " "), "the fit is the Poisson one") {
			t.Error("nothing says that the counts scatter no more than Poisson")
		}
	}
}

func TestCompareModels(t *testing.T) {
	c := compared(t, coverTable, "cover", "--control", "BARE")
	if c.CoverModel == nil || c.CountModel != nil || string(c.CoverModel.Family) != "quasi-binomial" {
		t.Fatalf("by default: %+v", c.CoverModel)
	}
	beta := compared(t, coverTable, "cover", "--model", "beta").CoverModel
	if beta.Refused != "" || beta.Precision == nil || !(beta.Treatment.P < 1e-6) {
		t.Errorf("beta: %+v", beta)
	}
	zero := compared(t, strings.Replace(coverTable, "TARP,2,5", "TARP,2,0", 1), "cover", "--model", "beta").CoverModel
	if !strings.Contains(zero.Refused, "quasi-binomial") {
		t.Errorf("beta took a zero: %+v", zero)
	}
	scattered := strings.NewReplacer("TARP,1,0", "TARP,1,9", "TARP,3,0", "TARP,3,2", "BARE,2,28", "BARE,2,98", "RYE,3,19", "RYE,3,60").Replace(countTable)
	nb := compared(t, scattered, "count", "--model", "negative-binomial").CountModel
	if nb.Refused != "" || nb.Theta == nil || nb.Theta.Infinite || !strings.Contains(strings.Join(nb.Warnings, " "), "likelihood-ratio p-values") {
		t.Errorf("the likelihood ratio stands without its warning: %+v", nb)
	}
	if none := compared(t, coverTable, "cover", "--model", "none"); none.CoverModel != nil {
		t.Error("--model none gave a model")
	}
	if m := compared(t, strings.ReplaceAll(coverTable, "cover", "yield"), "yield"); m.CoverModel != nil || m.CountModel != nil {
		t.Error("a yield got a model for counts or cover")
	}
	say(t, "compare", "cover", "--from", table(t, coverTable), "--model", "quasi-poisson").expect(t, exitUsage, "is for counts")
	say(t, "compare", "count", "--from", table(t, countTable), "--model", "beta").expect(t, exitUsage, "is for cover")
	say(t, "compare", "count", "--from", table(t, countTable), "--model", "magic").expect(t, exitUsage, "quasi-poisson")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--serial").expect(t, exitUsage, "season")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--calibrated").expect(t, exitUsage, "pairs of hand and photo")
}

// Letters stay with their treatments whatever the order of the rows.
func TestCompareLetters(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(coverTable), "\n")
	for _, order := range [][]string{{"TARP", "BARE", "STRAW", "RYEVETCH", "RYE"}, {"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"}} {
		text := lines[0] + "\n"
		for _, name := range order {
			for _, l := range lines[1:] {
				if strings.HasPrefix(l, name+",") {
					text += l + "\n"
				}
			}
		}
		a := compared(t, text, "cover", "--scale", "raw").Analysis
		for name, want := range map[string]string{"BARE": "a", "STRAW": "b", "RYE": "bc", "RYEVETCH": "cd", "TARP": "d"} {
			if got := treatmentRow(t, a, name).Letters; got != want {
				t.Errorf("%v: letters of %s %q, want %q", order, name, got, want)
			}
		}
		for _, p := range a.Pairs {
			share := strings.ContainsAny(treatmentRow(t, a, p.A).Letters, treatmentRow(t, a, p.B).Letters)
			if share == (*p.P <= 0.05) {
				t.Errorf("%s and %s: p %g, but letters %q and %q", p.A, p.B, *p.P, treatmentRow(t, a, p.A).Letters, treatmentRow(t, a, p.B).Letters)
			}
		}
		text = must(t, "compare", "cover", "--scale", "raw", "--from", table(t, text)).out
		if !regexp.MustCompile(`RYEVETCH +4 +17.* cd`).MatchString(text) || !regexp.MustCompile(`TARP +4 .* d\n`).MatchString(text) {
			t.Errorf("the printed table has other letters:\n%s", text)
		}
	}
}

// What no comparison can answer is a plain sentence, never a crash.
func TestCompareBadTables(t *testing.T) {
	oneBlock := "treatment,block,cover\nA,1,10\nB,1,20\nC,1,30\n"
	for _, c := range []struct {
		name, text string
		code       int
		says       string
	}{
		{"one block", oneBlock, exitDone, "no residual degrees of freedom"},
		{"one treatment", "treatment,block,cover\nA,1,10\nA,2,20\nA,3,30\n", exitDone, "only 1 treatment"},
		{"all zero", "treatment,block,cover\nA,1,0\nA,2,0\nB,1,0\nB,2,0\n", exitDone, "every plot has 0"},
		{"constant", "treatment,block,cover\nA,1,7\nA,2,7\nB,1,7\nB,2,7\n", exitDone, "same value, 7"},
		{"all zero counts", "treatment,block,count\nA,1,0\nA,2,0\nB,1,0\nB,2,0\n", exitDone, "every plot has 0"},
		{"duplicate rows", "treatment,block,plot,cover\nA,1,101,10\nA,1,101,12\nB,1,102,20\nA,2,201,11\nB,2,202,22\n", exitFailed, "table.csv:2, table.csv:3"},
		{"104 percent", strings.Replace(coverTable, "BARE,2,48", "BARE,2,104", 1), exitFailed, "table.csv:3"},
		{"percent or proportion", strings.Replace(coverTable, "BARE,1,62", "BARE,1,0.62", 1), exitFailed, "0.62"},
		{"NaN as other programs write a missing value", strings.Replace(coverTable, "BARE,1,62", "BARE,1,NaN", 1), exitDone, "table.csv:2"},
		{"infinite", strings.Replace(coverTable, "BARE,1,62", "BARE,1,Inf", 1), exitPartly, "table.csv:2"},
		{"no value column", "treatment,block,height\nA,1,2\n", exitFailed, "no column for the value"},
		{"no treatment column", "block,cover\n1,2\n", exitFailed, "no column for the treatment"},
		{"header alone", "treatment,block,cover\n", exitFailed, ""},
	} {
		response := "cover"
		if strings.Contains(c.text, ",count") {
			response = "count"
		}
		for _, flags := range [][]string{nil, {"--json"}, {"--model", "none"}} {
			r := say(t, append([]string{"compare", response, "--full", "--from", table(t, c.text)}, flags...)...)
			if r.code != c.code {
				t.Errorf("%s %v: exit %d, want %d\n%s%s", c.name, flags, r.code, c.code, r.out, r.err)
			}
			if said := strings.Join(strings.Fields(r.out+r.err), " "); !strings.Contains(strings.ToLower(said), strings.ToLower(c.says)) {
				t.Errorf("%s %v: nothing says %q in\n%s%s", c.name, flags, c.says, r.out, r.err)
			}
			noWildNumbers(t, r)
		}
	}
}
