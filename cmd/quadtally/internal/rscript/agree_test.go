package rscript_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/rscript"
	"quadtally/stats"
	"quadtally/stats/glm"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// needR skips a test that runs R unless slow checks are asked for.
func needR(t *testing.T) string {
	t.Helper()
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		t.Skip("runs R: set QUADTALLY_HEAVY=1")
	}
	path, err := exec.LookPath("Rscript")
	if err != nil {
		t.Skip("R (Rscript) is not on this machine")
	}
	return path
}

// results are what a script printed: numbers and letters by name.
type results struct {
	numbers map[string]float64
	letters map[string]string
}

// run runs a script in R. A package that is missing skips the test.
func run(t *testing.T, script string) results {
	t.Helper()
	r := needR(t)
	file := filepath.Join(t.TempDir(), "script.R")
	if err := os.WriteFile(file, []byte(script), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(r, "--vanilla", file).CombinedOutput()
	if err != nil {
		if strings.Contains(string(out), "there is no package called") {
			t.Skipf("a package of R is missing: %s", out)
		}
		t.Fatalf("R: %v\n%s\n%s", err, out, script)
	}
	res := results{map[string]float64{}, map[string]string{}}
	for l := range strings.Lines(string(out)) {
		name, value, ok := strings.Cut(strings.TrimSpace(l), " = ")
		if !ok {
			continue
		}
		if v, err := strconv.ParseFloat(value, 64); err == nil {
			res.numbers[name] = v
		} else if strings.HasPrefix(name, "letters[") {
			res.letters[name] = value
		}
	}
	return res
}

// tolerances of the agreement, relative to the number or absolute where it is
// below 1: exact arithmetic agrees to rounding, R's studentized range to about
// 1e-8 from 4 degrees of freedom, integrated tails to 1e-6, and fits found by
// an optimiser (mixed models, the hyperbola) to what the optimiser stops at.
const (
	exact     = 1e-8
	ranged    = 2e-6
	optimised = 2e-4
)

type checker struct {
	t    *testing.T
	want results
	seen int
}

func (c *checker) near(name string, got float64, tol float64) {
	c.t.Helper()
	want, ok := c.want.numbers[name]
	if !ok {
		c.t.Errorf("R printed no %s", name)
		return
	}
	c.seen++
	if !(math.Abs(got-want) <= tol*max(1, math.Abs(want))) {
		c.t.Errorf("%s: ours %.12g, R %.12g", name, got, want)
	}
}

// nearPtr is near for a number that may not exist: then R must have none.
func (c *checker) nearPtr(name string, got *float64, tol float64) {
	c.t.Helper()
	if got != nil {
		c.near(name, *got, tol)
	} else if want, ok := c.want.numbers[name]; ok && !math.IsNaN(want) && !math.IsInf(want, 0) {
		c.t.Errorf("%s: ours has none, R %.12g", name, want)
	}
}

// drawn compares two p values of which one or both are counted from random
// draws: within four and a half standard errors of their difference, and
// exactly where both looked at every arrangement.
func (c *checker) drawn(name string, p, stdErr float64) {
	c.t.Helper()
	want, ok := c.want.numbers[name+".p"]
	if !ok {
		c.t.Errorf("R printed no %s.p", name)
		return
	}
	c.seen++
	tol := 1e-9
	if other := c.want.numbers[name+".std_err"]; stdErr > 0 || other > 0 {
		tol = 4.5*math.Hypot(stdErr, other) + 2e-3
	}
	if !(math.Abs(p-want) <= tol) {
		c.t.Errorf("%s.p: ours %g, R %g, allowed %.2g apart", name, p, want, tol)
	}
}

// done fails where fewer numbers were compared than a design of the kind must
// have: a name that is not printed any more would go unseen.
func (c *checker) done(least int) {
	c.t.Helper()
	if c.seen < least {
		c.t.Errorf("only %d numbers were compared, %d at least in this design", c.seen, least)
	}
}

func (c *checker) anova(prefix string, rows []stats.ANOVARow) {
	c.t.Helper()
	for _, r := range rows {
		n := prefix + "[" + r.Term + "]."
		if r.DF == 0 {
			continue
		}
		c.near(n+"df", float64(r.DF), 0)
		c.near(n+"ss", r.SS, exact)
		c.nearPtr(n+"f", r.F, exact)
		c.nearPtr(n+"p", r.P, exact)
	}
}

// comparison runs a comparison through both.
func comparison(t *testing.T, rows []stats.Row, o stats.Options) {
	t.Helper()
	a, err := stats.Analyse(rows, o)
	if err != nil {
		t.Fatal(err)
	}
	in := rscript.Comparison{Head: rscript.Head{Title: "a comparison"}, Method: string(o.Method), Control: o.Control, Side: string(o.Side), Alpha: o.Alpha, Rates: o.Rates}
	in.Scale = rscript.Scale{Name: string(a.Transform.Scale), Nudge: a.Transform.Nudge}
	switch o.Kind {
	case stats.Percent:
		in.Scale.Whole = 100
	case stats.Proportion:
		in.Scale.Whole = 1
	}
	for i, p := range a.Plots {
		q := rscript.Plot{Name: p.Name, Block: p.Block, Column: p.Column, Treatment: p.Treatment, Value: p.Value}
		if o.UseCovariate {
			at := slices.IndexFunc(rows, func(r stats.Row) bool { return r.Source == a.Plots[i].Sources[0] })
			q.Covariate = ptr(rows[at].Covariate)
		}
		in.Plots = append(in.Plots, q)
	}
	in.Randomised = a.Randomisation != nil
	for _, q := range o.Contrasts {
		in.Contrasts = append(in.Contrasts, rscript.Contrast{Name: q.Name, Weights: q.Weights})
	}
	script, err := rscript.Compare(in)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	c.anova("anova", a.ANOVA)
	c.nearPtr("mse", a.MSE, exact)
	c.near("residual_df", float64(a.ResidualDF), 0)
	for _, r := range a.Treatments {
		n := "treatments[" + r.Treatment + "]."
		c.nearPtr(n+"mean", r.Mean, exact)
		c.nearPtr(n+"adjusted", r.Adjusted, exact)
		c.nearPtr(n+"se", r.SE, exact)
		c.nearPtr(n+"lower", r.Lower, exact)
		c.nearPtr(n+"upper", r.Upper, exact)
		if r.Letters != "" {
			if got := c.want.letters["letters["+r.Treatment+"]"]; got != r.Letters {
				t.Errorf("letters of %s: ours %s, R %s", r.Treatment, r.Letters, got)
			}
		}
	}
	tol := exact
	if o.Method == stats.Tukey {
		tol = ranged
		if a.ResidualDF < 4 {
			tol = 2e-4
		}
	}
	for _, p := range a.Pairs {
		n, sign := "pairs["+p.A+"|"+p.B+"].", 1.0
		if _, ok := c.want.numbers[n+"difference"]; !ok {
			n, sign = "pairs["+p.B+"|"+p.A+"].", -1
		}
		c.near(n+"difference", sign**p.Difference, exact)
		c.near(n+"sed", *p.SED, exact)
		c.near(n+"p_lsd", *p.PLSD, exact)
		c.near(n+"p", *p.P, tol)
		lower, upper := *p.Lower, *p.Upper
		if sign < 0 {
			lower, upper = -upper, -lower
		}
		c.near(n+"lower", lower, max(tol, 1e-6)*10)
		c.near(n+"upper", upper, max(tol, 1e-6)*10)
	}
	for _, v := range a.VsControl {
		n := "vs_control[" + v.Treatment + "]."
		c.near(n+"difference", *v.Difference, exact)
		c.near(n+"sed", *v.SED, exact)
		c.near(n+"p", *v.P, 1e-5)
		c.nearPtr(n+"lower", v.Lower, 1e-3)
		c.nearPtr(n+"upper", v.Upper, 1e-3)
	}
	for _, q := range a.Contrasts {
		n := "contrasts[" + q.Name + "]."
		if strings.HasSuffix(q.Name, " trend") {
			continue
		}
		c.near(n+"estimate", *q.Estimate, exact)
		c.near(n+"se", *q.SE, exact)
		c.near(n+"p", *q.P, exact)
		c.near(n+"ss", *q.SS, exact)
		c.near(n+"lower", *q.Lower, exact)
	}
	if len(o.Rates) > 0 {
		tr, err := a.Trend(o.Rates, 3)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range tr.Rows[:len(tr.Rows)-1] {
			n := "trend[" + r.Term + "]."
			c.near(n+"df", float64(r.DF), 0)
			c.near(n+"ss", r.SS, exact)
			c.nearPtr(n+"p", r.P, exact)
		}
	}
	if a.Randomisation != nil {
		c.drawn("randomisation", a.Randomisation.P, a.Randomisation.StdErr)
	} else if !o.UseCovariate && a.Design.Kind != stats.LatinSquare {
		t.Error("no randomisation test")
	}
	k := len(a.Treatments)
	least := 10 + 5*k + 6*k*(k-1)/2 + 6*len(o.Contrasts)
	if o.Control != "" {
		least += 4 * (k - 1)
	}
	c.done(least)
}

func ptr(x float64) *float64 { return &x }

// trial draws plots of treatments in blocks; keep says which stand.
func trial(rng *rand.Rand, treatments, blocks int, keep func(b, k int) bool) []stats.Row {
	var rows []stats.Row
	for b := range blocks {
		shift := 3 * rng.NormFloat64()
		for k := range treatments {
			if !keep(b, k) {
				continue
			}
			rows = append(rows, stats.Row{Treatment: fmt.Sprint("T", k), Block: fmt.Sprint("B", b),
				Value: 40 + shift + 2*float64(k%3) + 3*rng.NormFloat64(), Source: fmt.Sprint("row ", len(rows)+2)})
		}
	}
	return rows
}

func always(int, int) bool { return true }

func options() stats.Options {
	return stats.DefaultOptions()
}

var methods = stats.Methods()

// kinds are the random data sets, each a design of its own.
var kinds = map[string]func(t *testing.T, rng *rand.Rand){
	"complete blocks": func(t *testing.T, rng *rand.Rand) {
		o := options()
		o.Method, o.Control = methods[rng.IntN(len(methods))], "T0"
		o.Side = []stats.Side{stats.BothSides, stats.BelowControl, stats.AboveControl}[rng.IntN(3)]
		comparison(t, trial(rng, 3+rng.IntN(4), 3+rng.IntN(4), always), o)
	},
	"missing plots": func(t *testing.T, rng *rand.Rand) {
		o := options()
		o.Control = "T0"
		comparison(t, trial(rng, 4, 5, func(b, k int) bool { return b == 0 || rng.Float64() > 0.12 }), o)
	},
	"incomplete blocks": func(t *testing.T, rng *rand.Rand) {
		o := options()
		o.Method = stats.Holm
		comparison(t, trial(rng, 5, 10, func(b, k int) bool { return (k+b)%5 < 3 }), o)
	},
	"two plots of a treatment in a block": func(t *testing.T, rng *rand.Rand) {
		o := options()
		o.Control = "T0"
		rows := trial(rng, 3, 3+rng.IntN(2), always)
		for _, r := range slices.Clone(rows) {
			if rng.Float64() < 0.8 {
				r.Value += 3 * rng.NormFloat64()
				r.Source = fmt.Sprint("row ", len(rows)+2)
				rows = append(rows, r)
			}
		}
		for i := range rows {
			rows[i].Plot = fmt.Sprint("P", i)
		}
		comparison(t, rows, o)
	},
	"few arrangements": func(t *testing.T, rng *rand.Rand) {
		o := options()
		o.Control = "T0"
		comparison(t, trial(rng, 3, 3+rng.IntN(3), always), o)
	},
	"completely randomised": func(t *testing.T, rng *rand.Rand) {
		rows := trial(rng, 4, 5, func(b, k int) bool { return b < 2 || rng.Float64() > 0.2 })
		for i := range rows {
			rows[i].Block = ""
		}
		o := options()
		o.Control = "T1"
		comparison(t, rows, o)
	},
	"Latin square": func(t *testing.T, rng *rand.Rand) {
		n := 4 + rng.IntN(2)
		rows := trial(rng, n, n, always)
		for i := range rows {
			r, k := i/n, i%n
			rows[i].Column, rows[i].Treatment = fmt.Sprint("C", k), fmt.Sprint("T", (r+k)%n)
		}
		o := options()
		o.Control = "T0"
		comparison(t, rows, o)
	},
	"covariate": func(t *testing.T, rng *rand.Rand) {
		rows := trial(rng, 4, 5, always)
		for i := range rows {
			x := 10 + 2*rng.NormFloat64()
			rows[i].Covariate, rows[i].HasCovariate, rows[i].Value = x, true, rows[i].Value+1.5*x
		}
		o := options()
		o.UseCovariate, o.Control = true, "T3"
		comparison(t, rows, o)
	},
	"cover and counts on a scale": func(t *testing.T, rng *rand.Rand) {
		rows := trial(rng, 5, 4, always)
		o := options()
		switch rng.IntN(3) {
		case 0:
			o.Kind, o.Scale, o.UnitKnown = stats.Percent, stats.ArcsineSqrt, true
		case 1:
			o.Kind, o.Scale, o.UnitKnown = stats.Percent, stats.Logit, true
		default:
			o.Kind, o.Scale = stats.Count, stats.SqrtHalf
		}
		for i := range rows {
			rows[i].Value = min(max(rows[i].Value-30, 0), 100)
		}
		comparison(t, rows, o)
	},
	"contrasts and rates": func(t *testing.T, rng *rand.Rand) {
		o := options()
		var names []string
		o.Rates = map[string]float64{}
		for k := range 5 {
			names = append(names, fmt.Sprint("T", k))
			if k > 0 {
				o.Rates[names[k]] = math.Pow(2, float64(k)) + math.Round(rng.Float64()*4)/8
			}
		}
		for _, text := range []string{"first: T0 - 1/4 T1 - 1/4 T2 - 1/4 T3 - 1/4 T4", "some: 2 T1 - T2 - T4"} {
			q, err := stats.ParseContrast(text, names)
			if err != nil {
				t.Fatal(err)
			}
			o.Contrasts = append(o.Contrasts, q)
		}
		comparison(t, trial(rng, 5, 4, func(b, k int) bool { return b == 0 || rng.Float64() > 0.05 }), o)
	},
	"factorial": factorial,
	"split plot": func(t *testing.T, rng *rand.Rand) {
		strata(t, rng, stats.SplitPlot, true)
	},
	"strip plot": func(t *testing.T, rng *rand.Rand) {
		strata(t, rng, stats.StripPlot, true)
	},
	"unbalanced strip plot": func(t *testing.T, rng *rand.Rand) {
		strata(t, rng, stats.StripPlot, false)
	},
	"unbalanced split plot": func(t *testing.T, rng *rand.Rand) {
		strata(t, rng, stats.SplitPlot, false)
	},
	"season":           season,
	"counts":           counts,
	"trials combined":  trials,
	"places and years": crossed,
	"weeds and yield":  loss,
}

func factorial(t *testing.T, rng *rand.Rand) {
	in := stats.FactorialInput{Alpha: 0.05}
	sizes := []int{2 + rng.IntN(2), 2, 3}[:2+rng.IntN(2)]
	labels := make([][]string, len(sizes))
	for b := range 3 {
		total := 1
		for _, n := range sizes {
			total *= n
		}
		for cell := range total {
			if b > 0 && rng.Float64() < 0.08 {
				continue
			}
			at := cell
			v := 20 + float64(b) + rng.NormFloat64()
			for i, n := range sizes {
				labels[i] = append(labels[i], fmt.Sprint("L", at%n))
				v += float64(at % n * (i + 1))
				at /= n
			}
			in.Values, in.Blocks = append(in.Values, v), append(in.Blocks, fmt.Sprint("B", b))
		}
	}
	f := rscript.Factorial{Values: in.Values, Blocks: in.Blocks, Alpha: in.Alpha}
	for i, l := range labels {
		name := []string{"mulch", "nitrogen", "date"}[i]
		in.Factors = append(in.Factors, stats.Factor{Name: name, Labels: l})
		f.Factors = append(f.Factors, rscript.Column{Name: name, Labels: l})
	}
	a, err := stats.AnalyseFactorial(in)
	if err != nil {
		t.Fatal(err)
	}
	script, err := rscript.Factors(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	c.anova("anova", a.ANOVA[1:len(a.ANOVA)-1])
	c.nearPtr("mse", a.MSE, exact)
	c.near("residual_df", float64(a.ResidualDF), 0)
	for _, e := range a.Effects {
		name := strings.Join(e.Factors, ":")
		for _, m := range e.Means {
			n := "means[" + name + "|" + strings.Join(m.Levels, ":") + "]."
			c.nearPtr(n+"mean", m.Mean, exact)
			c.nearPtr(n+"se", m.SE, exact)
		}
		for _, p := range e.Pairs {
			a, b := strings.Join(e.Means[p.A].Levels, ":"), strings.Join(e.Means[p.B].Levels, ":")
			n := "pairs[" + name + "|" + a + "|" + b + "]."
			if _, ok := c.want.numbers[n+"sed"]; !ok {
				n = "pairs[" + name + "|" + b + "|" + a + "]."
			}
			c.nearPtr(n+"sed", p.SED, exact)
			c.nearPtr(n+"p", p.P, exact)
		}
	}
	c.done(2 + 4*3 + 10) // two factors, their interaction, means of each
}

func strata(t *testing.T, rng *rand.Rand, kind stats.StrataKind, balanced bool) {
	in := stats.StrataInput{Kind: kind, Alpha: 0.05, Whole: stats.Factor{Name: "mulch"}, Sub: stats.Factor{Name: "variety"}}
	for b := range 4 {
		var strip [4]float64
		for k := range strip {
			strip[k] = 2 * rng.NormFloat64()
		}
		for w := range 3 {
			whole := 3 * rng.NormFloat64()
			for s := range 4 {
				if !balanced && b == w && s == 1 {
					continue
				}
				v := 30 + whole + float64(s) + float64(w) + rng.NormFloat64()
				if kind == stats.StripPlot {
					v += strip[s]
				}
				in.Values, in.Blocks = append(in.Values, v), append(in.Blocks, fmt.Sprint("B", b))
				in.Whole.Labels, in.Sub.Labels = append(in.Whole.Labels, fmt.Sprint("W", w)), append(in.Sub.Labels, fmt.Sprint("S", s))
			}
		}
	}
	a, err := stats.AnalyseStrataContext(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	script, err := rscript.Split(rscript.Strata{Values: in.Values, Blocks: in.Blocks, Strip: kind == stats.StripPlot, Balanced: a.Balanced,
		Whole: rscript.Column{Name: "mulch", Labels: in.Whole.Labels}, Sub: rscript.Column{Name: "variety", Labels: in.Sub.Labels}})
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	tol := exact
	if !balanced {
		tol = optimised
	}
	for _, x := range a.Tests {
		n := "tests[" + x.Term + "]."
		c.near(n+"num_df", float64(x.NumDF), 0)
		c.near(n+"den_df", x.DenDF, tol)
		c.nearPtr(n+"f", x.F, tol)
		c.nearPtr(n+"p", x.P, tol)
	}
	if balanced {
		for _, s := range a.SEDs {
			if s.Kind == stats.SEDDifferentBy {
				continue
			}
			c.near("seds["+string(s.Kind)+"].sed", s.SED, exact)
			c.near("seds["+string(s.Kind)+"].df", s.DF, exact)
		}
	}
	c.done(map[bool]int{true: 12 + 8, false: 12}[balanced])
}

func season(t *testing.T, rng *rand.Rand) {
	var rows []stats.Row
	days := []float64{0, 14, 33, 42}
	gap := rng.IntN(3) == 0
	for b := range 4 {
		var weather [4]float64
		for i := range weather {
			weather[i] = 1.5 * rng.NormFloat64()
		}
		for k := range 3 {
			plot := 2 * rng.NormFloat64()
			for i, d := range days {
				r := stats.Row{Treatment: fmt.Sprint("T", k), Block: fmt.Sprint("B", b), Plot: fmt.Sprint(b, k), Day: d,
					Value: 20 + plot + weather[i] + 0.2*d*float64(k+1) + 2*rng.NormFloat64()}
				if gap && b == 1 && k == 1 && i == 2 {
					continue
				}
				rows = append(rows, r)
			}
		}
	}
	o := options()
	s, err := stats.AnalyseSeason(rows, o)
	if err != nil {
		t.Fatal(err)
	}
	f := rscript.Season{Scale: rscript.Scale{Name: "raw"}, Mixed: true, BlockByVisit: true}
	if s.InTime != nil {
		f.BlockByVisit = s.InTime.BlockByVisit
	}
	m := mixed.Model{Fixed: []terms.Term{{"block"}, {"treatment"}, {"visit"}, {"treatment", "visit"}}, Random: []terms.Term{{"plot"}}}
	if f.BlockByVisit {
		m.Random = append(m.Random, terms.Term{"block", "visit"})
	}
	block, treatment, visit, plot := terms.Factor{Name: "block"}, terms.Factor{Name: "treatment"}, terms.Factor{Name: "visit"}, terms.Factor{Name: "plot"}
	for _, r := range rows {
		f.Readings = append(f.Readings, rscript.Reading{Plot: r.Plot, Block: r.Block, Treatment: r.Treatment, Day: r.Day, Value: r.Value})
		m.Response = append(m.Response, r.Value)
		block.Labels, treatment.Labels = append(block.Labels, r.Block), append(treatment.Labels, r.Treatment)
		visit.Labels, plot.Labels = append(visit.Labels, fmt.Sprint(r.Day)), append(plot.Labels, r.Plot)
	}
	m.Frame.Factors = []terms.Factor{block, treatment, visit, plot}
	script, err := rscript.Visits(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	c.anova("area", s.Area.ANOVA)
	c.anova("period_mean", s.PeriodMean.ANOVA)
	if s.InTime != nil {
		c.anova("in_time.plot", s.InTime.Plot)
		for _, w := range s.InTime.Within {
			c.anova("in_time.within", []stats.ANOVARow{w.ANOVARow})
			if w.Term == "treatment:visit" {
				c.nearPtr("in_time.within[treatment:visit].p_gg", w.PGG, exact)
			}
		}
		c.nearPtr("in_time.epsilon_gg", s.InTime.EpsilonGG, exact)
	} else if !gap {
		t.Error("no split plot in time of a season without gaps")
	}
	fit, err := mixed.FitModel(m, mixed.DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range fit.Components {
		if !v.AtZero {
			c.near("mixed.variance["+v.Name+"]", v.Variance, optimised)
		}
	}
	for _, x := range fit.Adjusted {
		n := "mixed.tests[" + x.Term + "]."
		c.near(n+"f", x.F, optimised)
		c.near(n+"den_df", x.DenDF, 2e-3)
		c.near(n+"p", x.P, optimised)
	}
	c.done(map[bool]int{true: 30, false: 45}[gap])
}

func counts(t *testing.T, rng *rand.Rand) {
	f := rscript.Counted{Shares: rng.IntN(3) == 0, Control: "T0", Alpha: 0.05, Permuted: true}
	ground, whole := rng.IntN(2) == 0, rng.IntN(4) > 0
	block, treatment := terms.Factor{Name: "block"}, terms.Factor{Name: "treatment"}
	m := glm.Model{Fixed: []terms.Term{{"block"}, {"treatment"}}}
	for b := range 4 {
		for k := range 4 {
			if b > 0 && rng.Float64() < 0.06 {
				continue
			}
			p := rscript.Count{Block: fmt.Sprint("B", b), Treatment: fmt.Sprint("T", k)}
			p.Count = 1 + math.Round((3+4*float64(k))*math.Exp(0.6*rng.NormFloat64()+0.2*float64(b)))
			switch {
			case f.Shares:
				p.Count = 1 / (1 + math.Exp(2-0.6*float64(k)-0.5*rng.NormFloat64()))
			case !whole:
				p.Count /= 3
			}
			if ground && !f.Shares {
				p.Area = 0.25 * float64(1+rng.IntN(3))
				m.Exposure = append(m.Exposure, p.Area)
			}
			f.Plots = append(f.Plots, p)
			m.Response = append(m.Response, p.Count)
			block.Labels, treatment.Labels = append(block.Labels, p.Block), append(treatment.Labels, p.Treatment)
		}
	}
	m.Frame.Factors = []terms.Factor{block, treatment}
	opt, ratios := glm.Options{Level: 0.95}, "ratios"
	if f.Shares {
		opt.Family, ratios = glm.QuasiBinomial, "odds_ratios"
	}
	fit, err := glm.FitModel(m, opt)
	if err != nil {
		t.Fatal(err)
	}
	script, err := rscript.Counts(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	c.near("dispersion", fit.Dispersion, 1e-6)
	for _, x := range fit.Tests {
		n := "tests[" + x.Term + "]."
		c.near(n+"df", float64(x.DF), 0)
		c.near(n+"deviance", x.Deviance, 1e-6)
		c.near(n+"f", x.F, 1e-6)
		c.near(n+"p", x.P, 1e-6)
	}
	rs, err := fit.Ratios("treatment")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rs {
		n := fmt.Sprintf("%s[%s|%s].", ratios, r.A[0], r.B[0])
		c.near(n+"log_ratio", r.LogRatio, 1e-6)
		c.near(n+"se", r.SE, 1e-6)
		c.near(n+"p", r.P, 1e-6)
	}
	r, err := fit.Resample(t.Context(), "block", glm.ResampleOptions{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	c.drawn("resampled", r.P, r.StdErr)
	opt.Spread = glm.SpreadOfPatches
	if fit, err = glm.FitModel(m, opt); err != nil || fit.Spread == nil {
		t.Fatal(err, fit.Spread)
	}
	c.near("spread.scale", fit.Spread.Scale, 1e-6)
	c.near("spread.weight", fit.Spread.Weight, 1e-6)
	standard, err := fit.Standardise("treatment")
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range standard.Means {
		n := "standard[" + x.Level + "]."
		c.near(n+"mean", x.Mean, 1e-6)
		c.near(n+"lower", x.Lower, 1e-6)
		c.near(n+"upper", x.Upper, 1e-6)
		if x.Level != f.Control {
			over := standard.Ratio(x.Level, f.Control)
			n := "over_control[" + x.Level + "]."
			c.near(n+"ratio", over.Ratio, 1e-6)
			c.near(n+"lower", over.Lower, 1e-6)
			c.near(n+"upper", over.Upper, 1e-6)
		}
	}
	c.done(1 + 8 + 18 + 1 + 2 + 12 + 9)
}

func trials(t *testing.T, rng *rand.Rand) {
	in := stats.CombineInput{Alpha: 0.05}
	f := rscript.Trials{}
	oneBlock := rng.IntN(4) == 0
	for e := range 7 {
		blocks := 1
		if !oneBlock {
			blocks = 1 + rng.IntN(4)
		}
		shift := 5 * rng.NormFloat64()
		var own [4]float64
		for k := range own {
			own[k] = 3 * rng.NormFloat64()
		}
		for b := range blocks {
			side := 2 * rng.NormFloat64()
			for k := range own {
				if e > 1 && rng.Float64() < 0.07 {
					continue
				}
				p := stats.CombinePlot{Trial: fmt.Sprint("farm", e), Block: fmt.Sprint("B", b), Treatment: fmt.Sprint("T", k), Value: 30 + shift + side + own[k] + 2*float64(k) + 2*rng.NormFloat64()}
				in.Plots = append(in.Plots, p)
				f.Plots = append(f.Plots, rscript.TrialPlot{Trial: p.Trial, Block: p.Block, Treatment: p.Treatment, Value: p.Value})
				f.Blocks = f.Blocks || blocks > 1
			}
		}
	}
	a, err := stats.CombineContext(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	f.Interaction = a.InteractionShare != nil
	script, err := rscript.Combine(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	for _, v := range a.Variance {
		c.near("variance["+v.Name+"]", v.Variance, 1e-3)
	}
	c.near("test.f", a.Test.F, 1e-3)
	c.near("test.p", a.Test.P, 1e-3)
	c.near("test.den_df", a.Test.DenDF, 5e-3)
	for _, p := range a.Pairs {
		n := "pairs[" + p.A + "|" + p.B + "]."
		if _, ok := c.want.numbers[n+"sed"]; !ok {
			n = "pairs[" + p.B + "|" + p.A + "]."
		}
		c.near(n+"sed", p.SED, 1e-3)
		c.near(n+"df", p.DF, 5e-3)
		c.near(n+"p", p.P, 1e-3)
	}
	if a.Interaction.F != nil {
		c.near("interaction.num_df", float64(a.Interaction.NumDF), 0)
		c.near("interaction.den_df", float64(a.Interaction.DenDF), 0)
		c.near("interaction.f", *a.Interaction.F, exact)
		c.near("interaction.p", *a.Interaction.P, exact)
	}
	c.done(2 + 3 + 3*6)
}

func crossed(t *testing.T, rng *rand.Rand) {
	in := stats.CombineInput{Alpha: 0.05}
	f := rscript.Trials{Crossed: true}
	years := make([]float64, 3)
	for i := range years {
		years[i] = 3 * rng.NormFloat64()
	}
	for place := range 5 {
		shift := 4 * rng.NormFloat64()
		for year := range years {
			own := 2 * rng.NormFloat64()
			for k := range 4 {
				p := stats.CombinePlot{Place: fmt.Sprint("P", place), Year: fmt.Sprint(2020 + year), Treatment: fmt.Sprint("T", k)}
				p.Trial = p.Place + " " + p.Year
				p.Value = 30 + shift + years[year] + own + float64((place*k)%4) + float64((year*k)%3) + 1.5*rng.NormFloat64()
				in.Plots = append(in.Plots, p)
				f.Plots = append(f.Plots, rscript.TrialPlot{Trial: p.Trial, Treatment: p.Treatment, Place: p.Place, Year: p.Year, Value: p.Value})
			}
		}
	}
	a, err := stats.CombineContext(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	script, err := rscript.Combine(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	for _, v := range a.Variance {
		c.near("variance["+v.Name+"]", v.Variance, 1e-3)
	}
	c.near("test.f", a.Test.F, 1e-3)
	c.near("test.den_df", a.Test.DenDF, 5e-3)
	c.done(2 + 5)
}

func loss(t *testing.T, rng *rand.Rand) {
	var in stats.LossInput
	in.Confidence, in.WeedsSet = 0.95, true
	for b := range 3 {
		for _, d := range []float64{0, 2, 5, 15, 40, 120} {
			d *= math.Exp(0.2 * rng.NormFloat64())
			in.Weeds, in.Blocks = append(in.Weeds, d), append(in.Blocks, fmt.Sprint("B", b))
			in.Yields = append(in.Yields, 9+float64(b)-9*0.02*d/(1+0.02*d/0.6)+0.3*rng.NormFloat64())
		}
	}
	a, err := stats.AnalyseYieldLoss(in)
	if err != nil {
		t.Fatal(err)
	}
	f := rscript.Loss{Weeds: in.Weeds, Yields: in.Yields, Blocks: in.Blocks, Confidence: 0.95}
	if a.Hyperbola != nil {
		f.Start = &[3]float64{a.Hyperbola.WeedFree, a.Hyperbola.I.Estimate * 1.1, a.Hyperbola.A.Estimate * 0.95}
	}
	script, err := rscript.YieldLoss(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &checker{t: t, want: run(t, script)}
	c.near("linear.per_weed", a.Linear.PerWeed.Estimate, exact)
	c.nearPtr("linear.per_weed.lower", a.Linear.PerWeed.Lower, exact)
	c.nearPtr("linear.per_weed.upper", a.Linear.PerWeed.Upper, exact)
	c.near("linear.weed_free", a.Linear.WeedFree.Estimate, exact)
	c.nearPtr("linear.p", a.Linear.P, exact)
	if a.Hyperbola != nil {
		c.near("hyperbola.i", a.Hyperbola.I.Estimate, optimised)
		c.near("hyperbola.a", a.Hyperbola.A.Estimate, optimised)
	}
	c.done(5)
}

// Ten random data sets of every kind go through both; where one disagrees, its
// seed stands in the name of the test.
func TestAgreementWithR(t *testing.T) {
	needR(t)
	for name, kind := range kinds {
		for seed := range uint64(10) {
			t.Run(fmt.Sprintf("%s %d", name, seed), func(t *testing.T) {
				kind(t, rand.New(rand.NewPCG(seed, 77)))
			})
		}
	}
}
