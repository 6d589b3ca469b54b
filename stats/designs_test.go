package stats_test

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/internal/refcases"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

func TestParseContrast(t *testing.T) {
	names := []string{"BARE", "RYE", "RYEVETCH", "OAT + PEA", "2", "rye-2", "Straw 5 t/ha", "N:P"}
	for _, c := range []struct {
		text, name string
		want       map[string]float64
	}{
		{"mulches: RYE + RYEVETCH - BARE - BARE", "mulches", map[string]float64{"RYE": 1, "RYEVETCH": 1, "BARE": -2}},
		{"rye+ryevetch-2bare", "rye+ryevetch-2bare", map[string]float64{"RYE": 1, "RYEVETCH": 1, "BARE": -2}},
		{"- BARE + 1/2 RYE + 0.5*RYEVETCH", "- BARE + 1/2 RYE + 0.5*RYEVETCH", map[string]float64{"RYE": 0.5, "RYEVETCH": 0.5, "BARE": -1}},
		{"x: oat  +  pea − rye-2", "x", map[string]float64{"OAT + PEA": 1, "rye-2": -1}},
		{`"Oat + Pea" - 2`, `"Oat + Pea" - 2`, map[string]float64{"OAT + PEA": 1, "2": -1}},
		{"2 RYE - 2 BARE", "2 RYE - 2 BARE", map[string]float64{"RYE": 2, "BARE": -2}},
		{"straw 5 t/ha - N:P", "straw 5 t/ha - N:P", map[string]float64{"Straw 5 t/ha": 1, "N:P": -1}},
		{"N:P - BARE", "N:P - BARE", map[string]float64{"N:P": 1, "BARE": -1}},
		{"RYE - BARE + RYEVETCH - RYEVETCH", "RYE - BARE + RYEVETCH - RYEVETCH", map[string]float64{"RYE": 1, "BARE": -1}},
	} {
		q, err := stats.ParseContrast(c.text, names)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if q.Name != c.name || len(q.Weights) != len(c.want) {
			t.Errorf("%q: %+v", c.text, q)
		}
		for n, w := range c.want {
			if q.Weights[n] != w {
				t.Errorf("%q: %s has %g, want %g", c.text, n, q.Weights[n], w)
			}
		}
	}
	for text, want := range map[string]struct {
		fault stats.ContrastFault
		part  string
	}{
		"":                         {stats.ContrastEmpty, "RYE"},
		"mulches:":                 {stats.ContrastEmpty, "BARE"},
		"RYE - OATS":               {stats.ContrastUnknownTreatment, `no treatment "OATS"; the treatments are BARE, RYE`},
		"RYE + RYEVETCH - BARE":    {stats.ContrastSum, `the sum is 1; write for example "-2 BARE + RYE + RYEVETCH"`},
		"3 RYE - 2 BARE - 2 rye-2": {stats.ContrastSum, `-BARE + 2 RYE - \"rye-2\"`},
		"RYE + BARE":               {stats.ContrastSum, "one side only"},
		"RYE - RYE":                {stats.ContrastNothing, "cancels out"},
		"1//2 RYE - BARE":          {stats.ContrastNumber, "not a number"},
		"1/0 RYE - BARE":           {stats.ContrastNumber, "not a number"},
		"RYE BARE":                 {stats.ContrastUnknownTreatment, `"RYE BARE"`},
		"RYE - ":                   {stats.ContrastUnknownTreatment, `""`},
		`"RYE - BARE`:              {stats.ContrastUnknownTreatment, "no treatment"},
		"a: b: RYE - BARE":         {stats.ContrastUnknownTreatment, "b: RYE"},
	} {
		_, err := stats.ParseContrast(text, names)
		var e *stats.ContrastError
		if !errors.As(err, &e) || e.Fault != want.fault || !strings.Contains(err.Error(), want.part) {
			t.Errorf("%q: %v, want %s with %q", text, err, want.fault, want.part)
		}
	}
}

func FuzzParseContrast(f *testing.F) {
	for _, s := range []string{"mulches: RYE + RYEVETCH - BARE - BARE", "1/2 A - 0.5*\"b c\"", ":", "--", "2", "A:B", "\"", "é − É"} {
		f.Add(s, "RYE\nRYEVETCH\nBARE\nA\nb c\n2\nÉ")
	}
	f.Fuzz(func(t *testing.T, text, names string) {
		q, err := stats.ParseContrast(text, strings.Split(names, "\n"))
		if err != nil {
			if err.Error() == "" {
				t.Error("an error without words")
			}
			return
		}
		var sum, size float64
		for _, w := range q.Weights {
			sum += w
			size = math.Max(size, math.Abs(w))
		}
		if size == 0 || math.Abs(sum) > 1e-9*size {
			t.Errorf("%q gives %v", text, q.Weights)
		}
	})
}

// columns reads a table of testdata: columns by name, and the last as numbers.
func columns(t *testing.T, file string) (map[string][]string, []float64) {
	t.Helper()
	raw, err := os.ReadFile("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	records, err := csv.NewReader(strings.NewReader(string(raw))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	var y []float64
	head := records[0]
	for _, r := range records[1:] {
		for i, h := range head[:len(head)-1] {
			out[h] = append(out[h], r[i])
		}
		v, err := strconv.ParseFloat(r[len(r)-1], 64)
		if err != nil {
			t.Fatal(err)
		}
		y = append(y, v)
	}
	return out, y
}

func factorial(t *testing.T, c map[string][]string, y []float64, names ...string) stats.Factorial {
	t.Helper()
	in := stats.FactorialInput{Values: y, Blocks: c["block"], Alpha: 0.05}
	for _, n := range names {
		in.Factors = append(in.Factors, stats.Factor{Name: n, Labels: c[n]})
	}
	f, err := stats.AnalyseFactorial(in)
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, f)
	return f
}

// Sums of squares and F as printed in Lee, O'Donnell & O'Neill 2008, table 2.
func TestTurnips(t *testing.T) {
	c, y := columns(t, "turnips.csv")
	f := factorial(t, c, y, "gen", "density", "date")
	for _, want := range []struct {
		term   string
		ss, f  float64
		within float64
	}{
		{"gen", 84.0, 8.753, 0.0005}, {"density", 470.4, 16.347, 0.0005}, {"date", 233.7, 24.367, 0.0005},
		{"gen:density", 8.65, 0.301, 0.0005}, {"gen:date", 36.45, 3.800, 0.0005},
		{"density:date", 154.79, 5.380, 0.0005}, {"gen:density:date", 18.00, 0.626, 0.0005},
	} {
		r := anovaRow(t, f.ANOVA, want.term)
		near(t, want.term+" SS", &r.SS, want.ss, 0.06)
		near(t, want.term+" F", r.F, want.f, want.within)
	}
	if f.ResidualDF != 45 || strings.Join(f.Read, " ") != "density:date gen" {
		t.Errorf("residual df %d, read %q", f.ResidualDF, f.Read)
	}
	// Means and their standard errors as emmeans 1.8.4 gives them.
	for _, e := range f.Effects {
		switch strings.Join(e.Factors, ":") {
		case "density":
			for i, want := range []float64{2.1375, 3.35, 7.325, 8.69375} {
				near(t, "density mean", e.Means[i].Mean, want, 1e-9)
			}
			near(t, "SED", e.Pairs[0].SED, 1.0949515, 5e-8)
			if strings.Join(e.Letters, " ") != "a a b b" && strings.Join(e.Letters, " ") != "b b a a" {
				t.Errorf("letters %q", e.Letters)
			}
		case "density:date":
			m := e.Means[5] // density 4, 28 August
			near(t, "cell mean", m.Mean, 10.7375, 1e-9)
			near(t, "cell SE", m.SE, 1.0949515, 5e-8)
			near(t, "cell upper", m.Upper, 12.942846, 5e-7)
			if m.Plots != 8 {
				t.Errorf("%d plots in the cell %v", m.Plots, m.Levels)
			}
		}
	}
	// The trend over densities that are not equally spaced: lm with the
	// orthogonal polynomials of the true spacing in R 4.2.2.
	rates := map[string]float64{"1": 1, "2": 2, "4": 4, "8": 8}
	tr, err := f.Fit().Trend("density", rates, 3, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, tr)
	for i, want := range []struct{ ss, f float64 }{{406.88, 42.4215}, {55.07, 5.7414}, {8.43, 0.8791}} {
		near(t, "trend SS", &tr.Rows[i].SS, want.ss, 0.006)
		near(t, "trend F", tr.Rows[i].F, want.f, 6e-5)
	}
	near(t, "quadratic p", tr.Rows[1].P, 0.0208, 6e-5)
	if tr.Suggested != 2 || len(tr.Rows) != 4 {
		t.Errorf("suggested %d of %v", tr.Suggested, tr.Rows)
	}
	for i, want := range []float64{2.1375, 3.35, 7.325, 8.69375} {
		near(t, "mean at the density", tr.Means[i], want, 1e-9)
	}
	q := tr.Equations[1]
	for i, want := range [][2]float64{{-0.6885416667, 1.25110157383}, {2.6845262097, 0.74204614540}, {-0.1883232527, 0.07859532549}} {
		near(t, "coefficient", &q.Coefficients[i], want[0], 1e-9)
		near(t, "its SE", &q.SE[i], want[1], 1e-9)
	}
	near(t, "the cubic at 4", ptr(tr.Equations[2].At(4)), 7.325, 1e-9)
	// On the power scale of Piepho 2009, Agron. J. 101, 865-869.
	power := make([]float64, len(y))
	for i, v := range y {
		power[i] = math.Pow(v, 0.235)
	}
	f = factorial(t, c, power, "gen", "density", "date")
	for term, want := range map[string]float64{"gen": 10.2027, "date": 16.2939, "density": 19.3301, "density:date": 3.5348} {
		near(t, term+" on the power scale", anovaRow(t, f.ANOVA, term).F, want, 6e-5)
	}
}

// The two-factor case of Box & Cox 1964 as lm gives it in R 4.2.2: raw times
// and their reciprocals.
func TestPoisons(t *testing.T) {
	c, y := columns(t, "poisons.csv")
	f := factorial(t, c, y, "poison", "treat")
	for term, want := range map[string]float64{"poison": 23.22174, "treat": 13.80558, "poison:treat": 1.87433} {
		near(t, term, anovaRow(t, f.ANOVA, term).F, want, 6e-6)
	}
	for i := range y {
		y[i] = 1 / y[i]
	}
	f = factorial(t, c, y, "poison", "treat")
	for term, want := range map[string]float64{"poison": 72.63475, "treat": 28.34307, "poison:treat": 1.09042} {
		near(t, term+" of the rate", anovaRow(t, f.ANOVA, term).F, want, 6e-6)
	}
	if strings.Join(f.Read, " ") != "poison treat" {
		t.Errorf("read %q", f.Read)
	}
}

// A factorial without its control in one level, as with an untreated check
// outside the factors: what has no plots is left out and named.
func TestFactorialWithAbsentCells(t *testing.T) {
	c, y := columns(t, "turnips.csv")
	var kept []int
	for i := range y {
		if !(c["gen"][i] == "Marco" && c["density"][i] == "8") {
			kept = append(kept, i)
		}
	}
	d := map[string][]string{}
	var z []float64
	for _, i := range kept {
		z = append(z, y[i])
		for k := range c {
			d[k] = append(d[k], c[k][i])
		}
	}
	f := factorial(t, d, z, "gen", "density", "date")
	if len(f.Absent) != 2 || !hasText(f.Warnings, "no plot has Marco 8") {
		t.Errorf("absent %q, warnings %q", f.Absent, f.Warnings)
	}
	if r := anovaRow(t, f.ANOVA, "gen:density"); r.DF != 2 {
		t.Errorf("gen:density has %d df, want 2", r.DF)
	}
	for _, e := range f.Effects {
		if len(e.Factors) == 1 && e.Factors[0] == "gen" && (e.Means[1].Mean != nil || e.Pairs[0].Difference != nil) {
			t.Error("a mean of Marco over densities it does not have")
		}
		if len(e.Factors) == 1 && e.Factors[0] == "date" && e.Pairs[0].Difference != nil {
			t.Error("a difference of dates over cells that are not there")
		}
	}
}

// Plots repeated within blocks whose treatments differ from block to block.
func TestRepeatedWithinBlocks(t *testing.T) {
	in := stats.FactorialInput{Alpha: 0.05}
	a := stats.Factor{Name: "mulch"}
	b := stats.Factor{Name: "nitrogen"}
	for i := range 48 {
		block, x, z := i%3, i/3%2, i/6%2
		in.Blocks = append(in.Blocks, fmt.Sprint(block))
		a.Labels, b.Labels = append(a.Labels, fmt.Sprint(x)), append(b.Labels, fmt.Sprint(z))
		in.Values = append(in.Values, 10+float64(block)+3*float64((block+x+2*z)%3)+0.1*float64(i*i%7))
	}
	in.Factors = []stats.Factor{a, b}
	f, err := stats.AnalyseFactorial(in)
	if err != nil {
		t.Fatal(err)
	}
	if f.BlockByTreatment == nil || f.BlockByTreatment.DF1 != 6 || f.BlockByTreatment.DF2 != 36 || !hasText(f.Warnings, "differ from block to block") {
		t.Errorf("block by treatment %+v, warnings %q", f.BlockByTreatment, f.Warnings)
	}
}

func TestFactorialRefusals(t *testing.T) {
	c, y := columns(t, "turnips.csv")
	ok := stats.FactorialInput{Values: y, Blocks: c["block"], Alpha: 0.05,
		Factors: []stats.Factor{{Name: "gen", Labels: c["gen"]}, {Name: "date", Labels: c["date"]}}}
	for want, change := range map[string]func(in *stats.FactorialInput){
		"2 or more":            func(in *stats.FactorialInput) { in.Factors = in.Factors[:1] },
		"no plots":             func(in *stats.FactorialInput) { in.Values = nil },
		"blocks have 3":        func(in *stats.FactorialInput) { in.Blocks = in.Blocks[:3] },
		"two factors":          func(in *stats.FactorialInput) { in.Factors[1].Name = "gen" },
		"cannot be called":     func(in *stats.FactorialInput) { in.Factors[1].Name = "a:b" },
		"one level only":       func(in *stats.FactorialInput) { in.Factors[1].Labels = slices.Repeat([]string{"x"}, len(y)) },
		"significance level 1": func(in *stats.FactorialInput) { in.Alpha = 1 },
		"no level":             func(in *stats.FactorialInput) { in.Factors[1].Labels = make([]string, len(y)) },
		"could be measured":    func(in *stats.FactorialInput) { in.Values = slices.Repeat([]float64{math.NaN()}, len(y)) },
	} {
		in := ok
		in.Factors = slices.Clone(ok.Factors)
		change(&in)
		if _, err := stats.AnalyseFactorial(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q in it", err, want)
		}
	}
}

// Names that stand for something else, and levels at the ends of their range,
// are refused wherever they come in.
func TestNamesAndLevelsRefused(t *testing.T) {
	c, y := columns(t, "alfalfa.csv")
	for _, name := range []string{"", "block", "a:b"} {
		s := stats.StrataInput{Kind: stats.SplitPlot, Values: y, Blocks: c["block"], Alpha: 0.05,
			Whole: stats.Factor{Name: name, Labels: c["variety"]}, Sub: stats.Factor{Name: "date", Labels: c["date"]}}
		if _, err := stats.AnalyseStrataContext(context.Background(), s); err == nil || !strings.Contains(err.Error(), "cannot be called") {
			t.Errorf("whole-plot factor %q: %v", name, err)
		}
		s.Whole, s.Sub = s.Sub, s.Whole
		if _, err := stats.AnalyseStrataContext(context.Background(), s); err == nil || !strings.Contains(err.Error(), "cannot be called") {
			t.Errorf("sub-plot factor %q: %v", name, err)
		}
	}
	for _, name := range []string{"", "block", "column", "covariate", "a:b"} {
		f := stats.FactorialInput{Values: y, Blocks: c["block"], Alpha: 0.05,
			Factors: []stats.Factor{{Name: name, Labels: c["variety"]}, {Name: "date", Labels: c["date"]}}}
		if _, err := stats.AnalyseFactorial(f); err == nil || !strings.Contains(err.Error(), "cannot be called") {
			t.Errorf("factor %q: %v", name, err)
		}
	}
	for _, alpha := range []float64{0, 0.5, math.NaN()} {
		f := stats.FactorialInput{Values: y, Alpha: alpha, Factors: []stats.Factor{{Name: "variety", Labels: c["variety"]}, {Name: "date", Labels: c["date"]}}}
		if _, err := stats.AnalyseFactorial(f); err == nil {
			t.Errorf("factorial at level %g", alpha)
		}
		s := stats.StrataInput{Kind: stats.SplitPlot, Values: y, Blocks: c["block"], Alpha: alpha,
			Whole: stats.Factor{Name: "variety", Labels: c["variety"]}, Sub: stats.Factor{Name: "date", Labels: c["date"]}}
		if _, err := stats.AnalyseStrataContext(context.Background(), s); err == nil {
			t.Errorf("split plot at level %g", alpha)
		}
		if _, err := stats.CombineContext(context.Background(), stats.CombineInput{Alpha: alpha, Plots: []stats.CombinePlot{{Trial: "a", Treatment: "x"}, {Trial: "b", Treatment: "y"}}}); err == nil || !strings.Contains(err.Error(), "significance level") {
			t.Errorf("trials at level %g: %v", alpha, err)
		}
	}
}

// A law: with no variance at 0 the standard errors of means and differences
// from the error strata are those of the mixed model.
func TestStrataMeans(t *testing.T) {
	for _, c := range []struct {
		file       string
		kind       stats.StrataKind
		whole, sub string
	}{{"alfalfa.csv", stats.SplitPlot, "variety", "date"}, {"rice.csv", stats.StripPlot, "variety", "nitrogen"}} {
		cols, y := columns(t, c.file)
		s := strata(t, c.kind, cols, y, c.whole, c.sub)
		block, a, b := terms.Factor{Name: "block", Labels: cols["block"]}, terms.Factor{Name: "A", Labels: cols[c.whole]}, terms.Factor{Name: "B", Labels: cols[c.sub]}
		m := mixed.Model{Response: y, Frame: terms.Frame{Factors: []terms.Factor{block, a, b}}, Fixed: []terms.Term{{"block"}, {"A"}, {"B"}, {"A", "B"}}, Random: []terms.Term{{"block", "A"}}}
		if c.kind == stats.StripPlot {
			m.Random = append(m.Random, terms.Term{"block", "B"})
		}
		fit, err := mixed.FitModel(m, mixed.DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		for i, term := range []terms.Term{{"A"}, {"B"}, {"A", "B"}} {
			means, err := fit.Means(term)
			if err != nil {
				t.Fatal(err)
			}
			for _, want := range means.Means {
				got := s.Effects[i].Means[slices.IndexFunc(s.Effects[i].Means, func(m stats.CellMean) bool { return slices.Equal(m.Levels, want.Labels) })]
				near(t, "mean of "+strings.Join(want.Labels, " "), got.Mean, want.Mean, 1e-6*math.Abs(want.Mean))
				near(t, "its SE", got.SE, want.SE, 1e-5*want.SE)
			}
			differences, _, err := fit.Differences(term, nil)
			if err != nil {
				t.Fatal(err)
			}
			for k, d := range differences {
				e := s.Effects[i]
				p := e.Pairs[slices.IndexFunc(e.Pairs, func(p stats.EffectPair) bool {
					a, b := e.Means[p.A].Levels, e.Means[p.B].Levels
					return slices.Equal(a, d.A) && slices.Equal(b, d.B) || slices.Equal(a, d.B) && slices.Equal(b, d.A)
				})]
				near(t, fmt.Sprint("SED of pair ", k), p.SED, d.SED, 1e-5*d.SED)
				if i == 0 { // where both ways have the same degrees of freedom
					near(t, "length of its interval", ptr(*p.Upper-*p.Lower), d.Upper-d.Lower, 1e-4*d.SED)
				}
			}
		}
	}
}

func strata(t *testing.T, kind stats.StrataKind, c map[string][]string, y []float64, whole, sub string) stats.StrataAnalysis {
	t.Helper()
	s, err := stats.AnalyseStrataContext(context.Background(), stats.StrataInput{Kind: kind, Values: y, Blocks: c["block"], Alpha: 0.05,
		Whole: stats.Factor{Name: whole, Labels: c[whole]}, Sub: stats.Factor{Name: sub, Labels: c[sub]}})
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, s)
	return s
}

func checkStrataTests(t *testing.T, s stats.StrataAnalysis, want [3][3]float64, within float64) {
	t.Helper()
	for i, w := range want {
		got := s.Tests[slices.IndexFunc(s.Tests, func(x stats.StrataTest) bool { return x.Term == testOrder(s)[i] })]
		near(t, got.Term+" F", got.F, w[0], within)
		if float64(got.NumDF) != w[1] || math.Abs(got.DenDF-w[2]) > 1e-6 {
			t.Errorf("%s on %d and %g df, want %g and %g", got.Term, got.NumDF, got.DenDF, w[1], w[2])
		}
	}
}

// testOrder gives whole, sub, interaction.
func testOrder(s stats.StrataAnalysis) []string {
	a, b := s.Effects[0].Factors[0], s.Effects[1].Factors[0]
	return []string{a, b, a + ":" + b}
}

// Published split plots; values recomputed in R 4.2.2.
func TestSplitPlots(t *testing.T) {
	c, y := columns(t, "alfalfa.csv")
	checkStrataTests(t, strata(t, stats.SplitPlot, c, y, "variety", "date"), [3][3]float64{{0.6534, 2, 10}, {23.3897, 3, 45}, {1.2548, 6, 45}}, 6e-5)
	c, y = columns(t, "cake.csv")
	s := strata(t, stats.SplitPlot, c, y, "recipe", "temp")
	checkStrataTests(t, s, [3][3]float64{{1.5781, 2, 28}, {20.5199, 5, 210}, {1.0062, 10, 210}}, 6e-5)
	rates := map[string]float64{"175": 175, "185": 185, "195": 195, "205": 205, "215": 215, "225": 225}
	tr, err := s.Trend("temp", rates, 2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "linear", tr.Rows[0].F, 96.0732, 6e-5)
	near(t, "quadratic", tr.Rows[1].F, 0.3267, 6e-5)
	if tr.Rows[2].Term != "lack of fit" || tr.Rows[2].DF != 3 || tr.Suggested != 1 {
		t.Errorf("rows %+v, suggested %d", tr.Rows, tr.Suggested)
	}
}

// The strip plot of Gomez & Gomez 1984, table 3.15, and Assay: F and standard
// errors of differences (Kenward-Roger where they mix errors) in R 4.2.2.
func TestStripPlots(t *testing.T) {
	c, y := columns(t, "rice.csv")
	s := strata(t, stats.StripPlot, c, y, "variety", "nitrogen")
	checkStrataTests(t, s, [3][3]float64{{7.653, 5, 10}, {34.07, 2, 4}, {5.801, 10, 20}}, 6e-3)
	for _, want := range []struct {
		kind    stats.SEDKind
		sed, df float64
	}{{stats.SEDSub, 287.47, 4}, {stats.SEDWhole, 575.86, 10}, {stats.SEDSubInWhole, 557.97, 22.4}, {stats.SEDWholeAtSub, 717.33, 20.9}} {
		at := slices.IndexFunc(s.SEDs, func(x stats.StrataSED) bool { return x.Kind == want.kind })
		near(t, string(want.kind), &s.SEDs[at].SED, want.sed, 0.006)
		if math.Abs(s.SEDs[at].DF-want.df) > 0.06 {
			t.Errorf("%s: %g df, want %g", want.kind, s.SEDs[at].DF, want.df)
		}
	}
	if !hasText(s.Warnings, "nitrogen is judged by 4 degrees of freedom") {
		t.Errorf("warnings %q", s.Warnings)
	}
	c, y = columns(t, "assay.csv")
	checkStrataTests(t, strata(t, stats.StripPlot, c, y, "sample", "dilut"), [3][3]float64{{11.213, 5, 5}, {420.79, 4, 4}, {1.6069, 20, 20}}, 6e-3)
}

// A split plot with sub-plots missing is answered by the mixed model.
func TestUnbalancedSplitPlot(t *testing.T) {
	c, y := columns(t, "alfalfa.csv")
	gone := map[string][]string{}
	var z []float64
	for i := range y {
		if i == 5 || i == 40 {
			continue
		}
		z = append(z, y[i])
		for k := range c {
			gone[k] = append(gone[k], c[k][i])
		}
	}
	s := strata(t, stats.SplitPlot, gone, z, "variety", "date")
	if s.Balanced || len(s.Strata) != 0 || len(s.Components) != 2 {
		t.Errorf("%+v", s)
	}
	// lmerTest::anova(lmer(y ~ block + variety*date + (1|block:variety)), ddf = "Kenward-Roger").
	checkStrataTests(t, s, [3][3]float64{{0.66446, 2, 9.9943836749}, {21.75459, 3, 43.1475476875}, {1.08032, 6, 43.1454929128}}, 6e-6)
	// emmeans 1.8.4: Cossack against Ladak at the first date.
	both := s.Effects[2]
	for _, p := range both.Pairs {
		if strings.Join(both.Means[p.A].Levels, " ") == "Cossack 0" && strings.Join(both.Means[p.B].Levels, " ") == "Ladak 0" {
			near(t, "difference", p.Difference, -0.07216258, 5e-9)
			near(t, "SED", p.SED, 0.14060767, 5e-9)
			near(t, "its df", &p.DF, 25.78, 0.005)
		}
	}
	if _, err := s.Trend("date", map[string]float64{"0": 0, "S1": 1}, 1); err == nil {
		t.Error("a trend in an unbalanced split plot")
	}
}

func TestStrataRefusals(t *testing.T) {
	c, y := columns(t, "alfalfa.csv")
	ok := stats.StrataInput{Kind: stats.SplitPlot, Values: y, Blocks: c["block"], Alpha: 0.05,
		Whole: stats.Factor{Name: "variety", Labels: c["variety"]}, Sub: stats.Factor{Name: "date", Labels: c["date"]}}
	for want, change := range map[string]func(in *stats.StrataInput){
		"is not one of":         func(in *stats.StrataInput) { in.Kind = "x" },
		"1 block":               func(in *stats.StrataInput) { in.Blocks = slices.Repeat([]string{"1"}, len(y)) },
		"no plots":              func(in *stats.StrataInput) { in.Values = nil },
		"one level only":        func(in *stats.StrataInput) { in.Sub.Labels = slices.Repeat([]string{"1"}, len(y)) },
		"both factors":          func(in *stats.StrataInput) { in.Sub.Name = "variety" },
		"could be measured":     func(in *stats.StrataInput) { in.Values = slices.Repeat([]float64{math.Inf(1)}, len(y)) },
		"factor date has 3":     func(in *stats.StrataInput) { in.Sub.Labels = in.Sub.Labels[:3] },
		"significance level -1": func(in *stats.StrataInput) { in.Alpha = -1 },
	} {
		in := ok
		change(&in)
		if _, err := stats.AnalyseStrataContext(context.Background(), in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q in it", err, want)
		}
	}
}

func TestPlannedContrasts(t *testing.T) {
	o := rawPercent()
	a := analyse(t, d1Rows(), o)
	var questions []stats.Question
	for _, text := range []string{"mulches: RYE + RYEVETCH + STRAW + TARP - 4 BARE", "vetch: RYEVETCH - RYE", "tarp: TARP - STRAW"} {
		q, err := stats.ParseContrast(text, a.Design.Treatments)
		if err != nil {
			t.Fatal(err)
		}
		questions = append(questions, q)
	}
	// Recomputed in R 4.2.2: lm, estimates over the sum of the positive
	// coefficients; p.adjust(method = "holm"); pf(t^2/4, 4, 12, lower = FALSE).
	alone, err := a.AnswerContrasts(questions, stats.ContrastsAlone)
	if err != nil {
		t.Fatal(err)
	}
	holm, err := a.AnswerContrasts(questions, stats.ContrastsHolm)
	if err != nil {
		t.Fatal(err)
	}
	scheffe, err := a.AnswerContrasts(questions, stats.ContrastsScheffe)
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, scheffe)
	if !alone.Orthogonal {
		t.Error("orthogonal contrasts are not seen to be")
	}
	for i, want := range []struct{ average, lower, upper, p, holm, scheffe, scheffeLower float64 }{
		{-37.1875, -43.4159615, -30.9590385, 1.95770665023e-08, 5.87311995068e-08, 5.56490527167e-07, -47.5090315},
		{-10.75, -18.6284498, -2.87155019, 0.0116372156203, 0.0116372156203, 0.129269052201, -23.8058194},
		{-24, -31.8784498, -16.1215502, 2.40418946885e-05, 4.80837893771e-05, 0.000550205088274, -37.0558194},
	} {
		near(t, "average", alone.Contrasts[i].Average, want.average, 1e-6)
		near(t, "lower", alone.Contrasts[i].AverageLower, want.lower, 1e-6)
		near(t, "upper", alone.Contrasts[i].AverageUpper, want.upper, 1e-6)
		near(t, "p", alone.Contrasts[i].PAdjusted, want.p, 1e-9)
		near(t, "Holm", holm.Contrasts[i].PAdjusted, want.holm, 1e-9)
		near(t, "Scheffe", scheffe.Contrasts[i].PAdjusted, want.scheffe, 1e-9)
		near(t, "Scheffe lower", scheffe.Contrasts[i].AverageLower, want.scheffeLower, 1e-6)
	}
	if _, err := a.AnswerContrasts(questions, "tukey"); err == nil {
		t.Error("an unknown adjustment was taken")
	}
	if _, err := a.AnswerContrasts([]stats.Question{{Name: "x", Weights: map[string]float64{"OATS": 1, "BARE": -1}}}, stats.ContrastsAlone); err == nil || !strings.Contains(err.Error(), "OATS") {
		t.Errorf("an unknown treatment: %v", err)
	}
	dependent, err := a.AnswerContrasts([]stats.Question{questions[1], {Name: "x", Weights: map[string]float64{"RYE": 1, "BARE": -1}}}, stats.ContrastsAlone)
	if err != nil || dependent.Orthogonal {
		t.Errorf("orthogonal %v, %v", dependent.Orthogonal, err)
	}
}

// Treatments without a rate stand apart, several may share one, and a trend in
// blocks with a plot missing is adjusted for blocks (lm in R 4.2.2, sequential).
func TestTrendWithTreatmentsApart(t *testing.T) {
	var rows []stats.Row
	for _, p := range []struct {
		name string
		y    [4]float64
	}{{"HOED", [4]float64{3, 5, 4, 6}}, {"R0", [4]float64{30, 25, 28, 35}}, {"R3", [4]float64{20, 22, 18, 24}}, {"R6", [4]float64{14, 12, 16, 15}}, {"R6LATE", [4]float64{13, 15, 14, 18}}, {"R12", [4]float64{9, 8, 10, -1}}} {
		for b, v := range p.y {
			rows = append(rows, stats.Row{Treatment: p.name, Block: fmt.Sprint(b + 1), Value: max(v, 0), Missing: v < 0})
		}
	}
	a := analyse(t, rows, plain())
	tr, err := a.Trend(map[string]float64{"R0": 0, "R3": 3, "R6": 6, "R6LATE": 6, "R12": 12}, 3)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		df int
		ss float64
	}{} {
		if tr.Rows[i].DF != want.df {
			t.Errorf("%s has %d df, want %d", tr.Rows[i].Term, tr.Rows[i].DF, want.df)
		}
		near(t, tr.Rows[i].Term, &tr.Rows[i].SS, want.ss, 1e-6)
	}
	// Two treatments share the rate of 6: (57 + 60) / 8.
	near(t, "mean at 6", tr.Means[2], 14.625, 1e-9)
	if strings.Join(tr.Apart, " ") != "HOED" || len(tr.Rates) != 4 || len(tr.Means) != 4 || tr.Suggested != 2 {
		t.Errorf("%+v", tr)
	}
	for i, want := range []float64{29.5541125541, -3.31977513228, 0.140101410935} {
		near(t, "quadratic", &tr.Equations[1].Coefficients[i], want, 1e-8)
	}
	for text, rates := range map[string]map[string]float64{
		"2 different rates": {"R0": 1, "R3": 1}, "OATS": {"OATS": 1, "R0": 2}, "not a number": {"R0": math.NaN(), "R3": 1},
	} {
		if _, err := a.Trend(rates, 2); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%v, want %q", err, text)
		}
	}
	if _, err := a.Trend(map[string]float64{"R0": 0, "R3": 3}, 4); err == nil {
		t.Error("degree 4 was taken")
	}
}

// npk with its three treatments a block taken as one factor has two plots of
// some: F of lm(y ~ block * N) in R 4.2.2.
func TestBlockByTreatmentOfAnAnalysis(t *testing.T) {
	for _, c := range refcases.Of(t, refcases.Factorial) {
		if !c.HasData("block") || !c.HasData("N") {
			continue
		}
		var rows []stats.Row
		y, block, n := c.Floats(t, "y"), c.Strings(t, "block"), c.Strings(t, "N")
		for i := range y {
			rows = append(rows, stats.Row{Treatment: n[i], Block: block[i], Value: y[i]})
		}
		b := analyse(t, rows, plain()).BlockByTreatment()
		if b == nil || b.DF1 != 5 || b.DF2 != 12 {
			t.Fatalf("%+v", b)
		}
		near(t, "F", &b.F, 0.964015167, 5e-6)
		near(t, "p", &b.P, 0.476901611, 5e-7)
	}
	if b := analyse(t, d1Rows(), rawPercent()).BlockByTreatment(); b != nil {
		t.Errorf("%+v of one plot a treatment and block", b)
	}
}

// Whatever the table, an analysis is an error with words or plain data.
func FuzzDesigns(f *testing.F) {
	f.Add(uint64(1), 3, 2, 3, 0.1, 0.0, 5.0)
	f.Add(uint64(2), 2, 3, 2, 0.0, 1e300, 1e-300)
	f.Fuzz(func(t *testing.T, seed uint64, blocks, a, b int, missing, rate, step float64) {
		if blocks < 1 || blocks > 5 || a < 1 || a > 4 || b < 1 || b > 4 {
			return
		}
		rng := rand.New(rand.NewPCG(seed, 3))
		var y []float64
		var block, whole, sub []string
		for i := range blocks {
			for j := range a {
				for k := range b {
					if rng.Float64() < missing {
						continue
					}
					y = append(y, float64(rng.IntN(5))*math.Pow(10, float64(seed%7)))
					block, whole, sub = append(block, fmt.Sprint(i)), append(whole, fmt.Sprint("w", j)), append(sub, fmt.Sprint("s", k))
				}
			}
		}
		w, s := stats.Factor{Name: "w", Labels: whole}, stats.Factor{Name: "s", Labels: sub}
		rates := map[string]float64{}
		for k := range b {
			rates[fmt.Sprint("s", k)] = rate + step*float64(k)
		}
		if fa, err := stats.AnalyseFactorial(stats.FactorialInput{Values: y, Blocks: block, Factors: []stats.Factor{w, s}, Alpha: 0.05}); err == nil {
			checkJSON(t, fa)
			if tr, err := fa.Fit().Trend("s", rates, 3, 0.05); err == nil {
				checkJSON(t, tr)
			}
		}
		for _, kind := range []stats.StrataKind{stats.SplitPlot, stats.StripPlot} {
			sa, err := stats.AnalyseStrataContext(context.Background(), stats.StrataInput{Kind: kind, Values: y, Blocks: block, Whole: w, Sub: s, Alpha: 0.05})
			if err != nil {
				if strings.TrimSpace(err.Error()) == "" {
					t.Error("an error without words")
				}
				continue
			}
			checkJSON(t, sa)
			if tr, err := sa.Trend("s", rates, 3); err == nil {
				checkJSON(t, tr)
			}
		}
	})
}

// Where a combination has no plots every term that the plots can tell is
// tested, in the order of the design, and what was done instead is said.
func TestSplitPlotWithEmptyCells(t *testing.T) {
	few := 0
	for run, empty := range [][2]int{{2, 2}, {0, 1}, {1, 0}, {2, 1}} {
		in := stats.StrataInput{Kind: stats.SplitPlot, Alpha: 0.05, Whole: stats.Factor{Name: "water"}, Sub: stats.Factor{Name: "variety"}}
		for b := range 4 - run%2 {
			for i := range 3 {
				for j := range 3 {
					if [2]int{i, j} == empty {
						continue
					}
					in.Values = append(in.Values, float64(20+2*i+j+b)+float64((7*b+5*i+11*j+3*i*j)%9)/3)
					in.Blocks = append(in.Blocks, fmt.Sprint(b))
					in.Whole.Labels, in.Sub.Labels = append(in.Whole.Labels, fmt.Sprint("W", i)), append(in.Sub.Labels, fmt.Sprint("S", j))
				}
			}
		}
		a, err := stats.AnalyseStrataContext(context.Background(), in)
		if err != nil {
			t.Fatal(err)
		}
		var terms []string
		for _, x := range a.Tests {
			terms = append(terms, x.Term)
			if x.F == nil || x.P == nil || !(*x.P >= 0 && *x.P <= 1) || x.DenDF <= 0 {
				t.Errorf("%v: %+v", empty, x)
			}
		}
		if got := strings.Join(terms, " "); got != "water variety water:variety" || a.Tests[2].NumDF != 3 {
			t.Errorf("%v: tests of %s, interaction on %d", empty, got, a.Tests[2].NumDF)
		}
		for _, x := range a.Tests {
			if x.DenDF < 6 {
				few++
			}
			if hasText(a.Warnings, x.Term+" is judged by") != (x.DenDF < 6) {
				t.Errorf("%v: %s on %g degrees of freedom: %q", empty, x.Term, x.DenDF, a.Warnings)
			}
		}
		if !hasText(a.Warnings, "water is tested after") || !hasText(a.Warnings, "variety is tested after") {
			t.Errorf("%v: %q", empty, a.Warnings)
		}
	}
	if few == 0 || few == 12 {
		t.Errorf("%d of 12 tests rest on few degrees of freedom", few)
	}
}
