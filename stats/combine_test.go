package stats_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"quadtally/stats"
)

func combinePlots(c map[string][]string, y []float64, trial, block, treatment string) []stats.CombinePlot {
	var out []stats.CombinePlot
	for i, v := range y {
		p := stats.CombinePlot{Trial: c[trial][i], Treatment: c[treatment][i], Value: v}
		if block != "" {
			p.Block = c[block][i]
		}
		out = append(out, p)
	}
	return out
}

func combine(t *testing.T, in stats.CombineInput) stats.Combined {
	t.Helper()
	in.Alpha = 0.05
	out, err := stats.CombineContext(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	checkJSON(t, out)
	return out
}

func wantVariances(t *testing.T, c stats.Combined, want map[string]float64, rel float64) {
	t.Helper()
	if len(c.Variance) != len(want) {
		t.Errorf("components %+v, want %v", c.Variance, want)
	}
	var shares float64
	for _, v := range c.Variance {
		near(t, "variance of "+v.Name, ptr(v.Variance), want[v.Name], rel*want[v.Name])
		shares += v.Share
	}
	near(t, "shares", &shares, 1, 1e-9)
}

// One value of every treatment a trial (Immer, Hayes & Powers 1934): lm, and
// lmerTest and emmeans with the optimiser's last digit, in R 4.2.2.
func TestCombineOneBlockTrials(t *testing.T) {
	cols, y := columns(t, "immer.csv")
	c := combine(t, stats.CombineInput{Plots: combinePlots(cols, y, "trial", "", "treatment"), Control: "m"})
	near(t, "F", &c.Test.F, 7.77856, 6e-6)
	near(t, "p", &c.Test.P, 7.8514e-05, 6e-10)
	near(t, "df", &c.Test.DenDF, 44, 1e-6)
	if len(c.OneBlock) != 12 || c.Interaction.F != nil || c.InteractionShare != nil || !hasText(c.Warnings, "no trial repeats a treatment") {
		t.Errorf("one block %d, interaction %+v, warnings %q", len(c.OneBlock), c.Interaction, c.Warnings)
	}
	for i, want := range []float64{94.39167, 102.54167, 91.13333, 118.20000, 99.18333} {
		near(t, "mean", &c.Means[i].Mean, want, 6e-6)
		near(t, "SE", &c.Means[i].SE, 7.728576, 1e-6)
		near(t, "df of the mean", &c.Means[i].DF, 16.56, 0.006)
	}
	near(t, "P - M", &c.VsControl[0].Difference, 8.15, 1e-9)
	near(t, "SED", &c.VsControl[0].SED, 5.333238, 1e-6)
	if c.VsControl[0].A != "P" || c.VsControl[0].B != "M" || c.VsControl[0].NewTrialLower != nil {
		t.Errorf("%+v", c.VsControl[0])
	}
	lines, err := c.Forest("T", "M")
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != 13 || lines[0].OwnError || lines[0].SED == nil || lines[12].Trial != "" {
		t.Errorf("%+v", lines)
	}
	near(t, "over all", &lines[12].Difference, 118.2-94.391666667, 1e-6)
	near(t, "df of a trial", &lines[0].DF, 44, 1e-6)
}

// Plots repeated in each trial, and sites and years crossed; lmerTest in R
// 4.2.2. Data of Machines: Milliken & Johnson 1992, p. 285.
func TestCombineReplicatedAndCrossed(t *testing.T) {
	cols, y := columns(t, "machines.csv")
	c := combine(t, stats.CombineInput{Plots: combinePlots(cols, y, "worker", "", "machine")})
	wantVariances(t, c, map[string]float64{"trial": 22.85844, "trial:treatment": 13.90946, "residual": 0.92463}, 1e-5)
	near(t, "F", &c.Test.F, 20.57608, 6e-6)
	near(t, "df", &c.Test.DenDF, 10, 1e-6)
	near(t, "A - B", &c.Pairs[0].Difference, -7.9666667, 1e-6)
	near(t, "SED", &c.Pairs[0].SED, 2.1770, 1e-3)
	near(t, "share", c.InteractionShare, 13.90946/(13.90946+0.92463), 1e-5)
	near(t, "SD of differences", c.DifferenceSD, math.Sqrt(2*13.90946), 1e-5)

	cols, y = columns(t, "barley.csv")
	plots := combinePlots(cols, y, "site", "", "variety")
	for i := range plots {
		plots[i].Place, plots[i].Year = cols["site"][i], cols["year"][i]
		plots[i].Trial += cols["year"][i]
	}
	c = combine(t, stats.CombineInput{Plots: plots})
	wantVariances(t, c, map[string]float64{"place": 44.70831450, "year": 6.96969486, "trial": 40.58101257, "place:treatment": 6.08116891, "year:treatment": 1.44598257, "residual": 14.63238202}, 2e-6)
	near(t, "F", &c.Test.F, 3.29716, 6e-6)
	near(t, "df", &c.Test.DenDF, 15.51823909, 1e-6)
	near(t, "p", &c.Test.P, 0.019067, 6e-7)
	if !hasText(c.Warnings, "2 years") {
		t.Errorf("warnings %q", c.Warnings)
	}
}

// One treatment has one name: the spelling most plots have, whatever trial.
func TestCombineSpelling(t *testing.T) {
	var in stats.CombineInput
	for i, name := range []string{"Rye", "RYE", "RYE", "rye"} {
		for k, other := range []string{name, "BARE"} {
			in.Plots = append(in.Plots, stats.CombinePlot{Trial: fmt.Sprint(i), Treatment: other, Value: float64(i*i + 3*k + i*k)})
		}
	}
	in.Control = "bare"
	c := combine(t, in)
	if got := strings.Join(c.Treatments, " "); got != "BARE RYE" || c.Control != "BARE" {
		t.Errorf("treatments %q, control %q", got, c.Control)
	}
	// An answer for every trial, and one for a single trial before it.
	in.Plots[0].Treatment, in.Plots[2].Treatment = "cereal", "cereal"
	in.Names = []stats.TreatmentName{{Name: "cereal", As: "RYE"}, {Trial: "0", Name: "Cereal", As: "BARLEY"}}
	in.Own = []string{"barley"}
	c = combine(t, in)
	if got := strings.Join(c.Treatments, " "); got != "BARE BARLEY RYE" {
		t.Errorf("treatments %q", got)
	}
	in.Control = "OATS"
	in.Alpha = 0.05
	if _, err := stats.CombineContext(context.Background(), in); err == nil || !strings.Contains(err.Error(), "control OATS is not among the treatments BARE, BARLEY, RYE") {
		t.Errorf("%v", err)
	}
}

// A trial that has two treatments but never in one block compares them only
// through others, or not at all; later trials still stand in the figure.
func TestForestLeavesOutWhatATrialCannotTell(t *testing.T) {
	var in stats.CombineInput
	add := func(trial, block string, values map[string]float64) {
		for _, k := range []string{"A", "B", "C"} {
			if v, ok := values[k]; ok {
				in.Plots = append(in.Plots, stats.CombinePlot{Trial: trial, Block: block, Treatment: k, Value: v})
			}
		}
	}
	add("t1", "1", map[string]float64{"A": 4})
	add("t1", "2", map[string]float64{"B": 9})
	add("t2", "1", map[string]float64{"A": 5, "C": 9})
	add("t2", "2", map[string]float64{"B": 7, "C": 8})
	add("t3", "1", map[string]float64{"A": 4, "B": 6, "C": 7})
	add("t3", "2", map[string]float64{"A": 5, "B": 6.5, "C": 9})
	add("t4", "1", map[string]float64{"A": 3, "B": 6, "C": 7})
	c := combine(t, in)
	lines, err := c.Forest("B", "A")
	if err != nil {
		t.Fatal(err)
	}
	var trials []string
	for _, l := range lines {
		trials = append(trials, l.Trial)
	}
	if got := strings.Join(trials, " "); got != "t2 t3 t4 " {
		t.Errorf("lines of %q", got)
	}
	// Through C in the second trial: 7 - 8 - (5 - 9).
	near(t, "t2", &lines[0].Difference, 3, 1e-9)
	if lines[0].OwnError {
		t.Error("an error of its own in a trial without residual")
	}
}

// Two places in three years are told apart; one place in several years, or
// places in one year, are trials like others.
func TestCombineFewPlacesAndYears(t *testing.T) {
	draw := func(places, years int) stats.CombineInput {
		rng := rand.New(rand.NewPCG(13, 14))
		var in stats.CombineInput
		for p := range places {
			for y := range years {
				for k := range 3 {
					plot := stats.CombinePlot{Place: fmt.Sprint("P", p), Year: fmt.Sprint(2020 + y), Treatment: fmt.Sprint("T", k), Value: 20 + 4*float64(p) + 3*float64(y) + float64(k) + rng.NormFloat64()}
					plot.Trial = plot.Place + plot.Year
					in.Plots = append(in.Plots, plot)
				}
			}
		}
		return in
	}
	for _, c := range []struct {
		places, years int
		crossed       bool
	}{{2, 3, true}, {3, 2, true}, {1, 6, false}, {6, 1, false}} {
		out := combine(t, draw(c.places, c.years))
		var names []string
		for _, v := range out.Variance {
			names = append(names, v.Name)
		}
		if slices.Contains(names, "place") != c.crossed || slices.Contains(names, "year:treatment") != c.crossed {
			t.Errorf("%d places, %d years: components %q", c.places, c.years, names)
		}
		if hasText(out.Warnings, "poorly known from so few") != c.crossed {
			t.Errorf("warnings %q", out.Warnings)
		}
	}
	for _, c := range []struct {
		places, years int
		few           bool
	}{{5, 4, true}, {4, 5, true}, {5, 5, false}} {
		if out := combine(t, draw(c.places, c.years)); hasText(out.Warnings, "poorly known from so few") != c.few {
			t.Errorf("%d places, %d years: warnings %q", c.places, c.years, out.Warnings)
		}
	}
	in := draw(60, 10)
	in.Alpha = 0.05
	_, err := stats.CombineContext(context.Background(), in)
	var e *stats.CombineError
	if !errors.As(err, &e) || e.Fault != stats.CombineTooLarge {
		t.Errorf("1 800 crossed plots: %v", err)
	}
}

// Invented trials of one to five blocks with plots and a treatment missing;
// lmerTest, emmeans and lm in R 4.2.2.
func TestCombineMixedTrials(t *testing.T) {
	cols, y := columns(t, "farms.csv")
	c := combine(t, stats.CombineInput{Plots: combinePlots(cols, y, "trial", "block", "treatment"), Control: "BARE"})
	wantVariances(t, c, map[string]float64{"trial": 33.53546061, "trial:block": 4.32908529, "trial:treatment": 4.34396627, "residual": 4.94374823}, 2e-5)
	near(t, "F", &c.Test.F, 4.5371, 1e-4)
	near(t, "df", &c.Test.DenDF, 14.05535545, 1e-3)
	near(t, "interaction F", c.Interaction.F, 3.00169, 6e-6)
	near(t, "interaction p", c.Interaction.P, 0.00735896, 6e-9)
	if c.Interaction.NumDF != 15 || c.Interaction.DenDF != 25 || strings.Join(c.OneBlock, " ") != "farm2 farm4 farm7" {
		t.Errorf("%+v, one block %q", c.Interaction, c.OneBlock)
	}
	for i, want := range []struct{ d, sed, df, p float64 }{{-3.639463, 1.4873472, 13.66, 0.0286}, {-4.168119, 1.4873472, 13.66, 0.0144}, {-5.764179, 1.6794115, 14.21, 0.0040}} {
		v := c.VsControl[i]
		near(t, v.A, &v.Difference, want.d, 5e-6)
		near(t, "SED", &v.SED, want.sed, 5e-6)
		near(t, "df", &v.DF, want.df, 0.006)
		near(t, "p", &v.P, want.p, 6e-5)
		if v.PHolm < v.P || *v.NewTrialLower >= v.Lower || *v.NewTrialUpper <= v.Upper {
			t.Errorf("%+v", v)
		}
	}
	lines, err := c.Forest("RYE", "BARE")
	if err != nil {
		t.Fatal(err)
	}
	// The first farm by itself; lm in R.
	near(t, "farm1", &lines[0].Difference, -2.775, 1e-9)
	near(t, "its SED", lines[0].SED, 2.01534047, 1e-8)
	if !lines[0].OwnError || lines[1].OwnError {
		t.Errorf("%+v", lines)
	}
	for _, name := range []string{"RYE", "STRAW", "TARP"} {
		both := map[string]map[string]bool{}
		for i, trial := range cols["trial"] {
			if got := cols["treatment"][i]; got == name || got == "BARE" {
				if both[trial] == nil {
					both[trial] = map[string]bool{}
				}
				both[trial][got] = true
			}
		}
		want := 1
		for _, b := range both {
			want += len(b) / 2
		}
		if lines, err = c.Forest(name, "BARE"); err != nil || len(lines) != want {
			t.Errorf("%d lines for %s, want %d (%v)", len(lines), name, want, err)
		}
	}
	if _, err = c.Forest("OATS", "BARE"); err == nil {
		t.Error("a treatment that is not there")
	}
}

// In balanced trials the test of treatments is that of the trials' means.
func TestCombineBalancedLaw(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var plots []stats.CombinePlot
	var means []stats.Row
	for e := range 6 {
		trial := fmt.Sprint("t", e)
		for k := range 4 {
			var sum float64
			inter := 3 * rng.NormFloat64()
			for b := range 3 {
				v := 50 + 5*float64(e) + float64(b) + 2*float64(k) + inter + rng.NormFloat64()
				plots = append(plots, stats.CombinePlot{Trial: trial, Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k), Value: v})
				sum += v
			}
			means = append(means, stats.Row{Block: trial, Treatment: fmt.Sprint("T", k), Value: sum / 3})
		}
	}
	c := combine(t, stats.CombineInput{Plots: plots})
	a := analyse(t, means, plain())
	f := anovaRow(t, a.ANOVA, "treatment")
	near(t, "F", f.F, c.Test.F, 1e-6)
	near(t, "df", &c.Test.DenDF, 15, 1e-6)
	if c.Interaction.F == nil || c.Interaction.NumDF != 15 || c.Interaction.DenDF != 36 {
		t.Errorf("%+v", c.Interaction)
	}
	// Another order of the rows and another origin change nothing.
	turned := slices.Clone(plots)
	slices.Reverse(turned)
	for i := range turned {
		turned[i].Value += 1e6
	}
	d := combine(t, stats.CombineInput{Plots: turned})
	near(t, "F of the rows in another order", &d.Test.F, c.Test.F, 1e-5)
	near(t, "interaction", d.Interaction.F, *c.Interaction.F, 1e-6)
}

func TestCombineQuestionsAndRefusals(t *testing.T) {
	p := func(trial, treatment string, v float64) stats.CombinePlot {
		return stats.CombinePlot{Trial: trial, Treatment: treatment, Value: v}
	}
	fault := func(want stats.CombineFault, text string, plots ...stats.CombinePlot) {
		t.Helper()
		_, err := stats.CombineContext(context.Background(), stats.CombineInput{Plots: plots, Alpha: 0.05})
		var e *stats.CombineError
		if !errors.As(err, &e) || e.Fault != want || !strings.Contains(err.Error(), text) {
			t.Errorf("%v, want %s with %q", err, want, text)
		}
	}
	fault(stats.CombineInputFault, "no plots")
	fault(stats.CombineOneTrial, "only one trial, A", p("A", "X", 1), p(" a ", "Y", 2), p("A", "Y", 2))
	fault(stats.CombineInputFault, "has no trial", p("", "X", 1))
	fault(stats.CombineInputFault, "has no treatment", p("A", "", 1))
	fault(stats.CombineInputFault, "could be measured", p("A", "X", math.NaN()))
	fault(stats.CombineOneTreatment, "only one treatment", p("A", "X", 1), p("B", "X", 2))
	fault(stats.CombineNotLinked, "no trial links", p("A", "X", 1), p("A", "Y", 2), p("B", "X", 1), p("B", "Y", 3),
		p("C", "Z1", 1), p("C", "Q22", 2), p("D", "Z1", 1), p("D", "Q22", 3))
	year := p("A", "X", 1)
	year.Year = "2025"
	fault(stats.CombineInputFault, "a place or a year only", year)

	plots := []stats.CombinePlot{p("A", "RYE", 3), p("A", "BARE", 9), p("B", "rye ", 4), p("B", "bare", 8), p("A", "Rye-vetch", 2), p("B", "RYEVETCH", 1), p("B", "TARP", 0), p("A", "N2", 5), p("B", "N3", 7)}
	_, err := stats.CombineContext(context.Background(), stats.CombineInput{Plots: plots, Alpha: 0.05})
	var q *stats.TreatmentQuestion
	if !errors.As(err, &q) {
		t.Fatalf("%v, want a question", err)
	}
	var names []string
	for _, u := range q.Unmatched {
		names = append(names, u.Name)
		switch u.Name {
		case "Rye-vetch":
			if !u.Alike || u.Candidates[0] != "RYEVETCH" || strings.Join(u.Trials, " ") != "A" {
				t.Errorf("%+v", u)
			}
		case "N2":
			if u.Alike {
				t.Error("rates of 2 and 3 are said to be alike")
			}
		}
	}
	slices.Sort(names)
	if got := strings.Join(names, " "); got != "N2 N3 RYEVETCH Rye-vetch TARP" {
		t.Errorf("asked about %s", got)
	}
	in := stats.CombineInput{Plots: plots, Own: []string{"n2", "N3", "TARP"}, Names: []stats.TreatmentName{{Trial: "A", Name: "rye-vetch", As: "RYEVETCH"}}}
	c := combine(t, in)
	if strings.Join(c.Treatments, " ") != "BARE N2 N3 RYE RYEVETCH TARP" && len(c.Treatments) != 6 {
		t.Errorf("treatments %q", c.Treatments)
	}
}

// large is 500 trials of 20 plots, a tenth of them missing.
func large() stats.CombineInput {
	rng := rand.New(rand.NewPCG(3, 4))
	in := stats.CombineInput{Alpha: 0.05, Control: "T0"}
	for e := range 500 {
		trial := 4 * rng.NormFloat64()
		var own [5]float64
		for k := range own {
			own[k] = 1.5 * rng.NormFloat64()
		}
		for b := range 4 {
			block := rng.NormFloat64()
			for k := range own {
				if rng.Float64() < 0.1 {
					continue
				}
				in.Plots = append(in.Plots, stats.CombinePlot{Trial: fmt.Sprint("farm ", e), Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k),
					Value: 30 + trial + block + own[k] + float64(k) + 2*rng.NormFloat64()})
			}
		}
	}
	return in
}

func TestCombineIsQuick(t *testing.T) {
	start := spent(t)
	c, err := stats.CombineContext(context.Background(), large())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Forest("T3", "T0"); err != nil {
		t.Fatal(err)
	}
	took := spent(t) - start
	t.Logf("500 trials of 20 plots: %v of processor time", took)
	if os.Getenv("QUADTALLY_HEAVY") != "" && took > 5*time.Second {
		t.Errorf("500 trials of 20 plots took %v, want under 5 s", took)
	}
	// The truth lies within four standard errors.
	for _, v := range c.VsControl {
		want := float64(v.A[1] - '0')
		if math.Abs(v.Difference-want) > 4*v.SED {
			t.Errorf("%s: %g, truth %g, SED %g", v.A, v.Difference, want, v.SED)
		}
	}
	near(t, "SD of differences", c.DifferenceSD, 1.5*math.Sqrt2, 0.3)
}

func BenchmarkCombine(b *testing.B) {
	in := large()
	for b.Loop() {
		if _, err := stats.CombineContext(context.Background(), in); err != nil {
			b.Fatal(err)
		}
	}
}

// Null treatments over trials of one to four blocks: the test and the intervals
// keep their level. Printed as measured.
func TestCombineKeepsItsLevel(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		t.Skip("a simulation: set QUADTALLY_HEAVY=1")
	}
	rng := rand.New(rand.NewPCG(11, 12))
	const runs = 1000
	for _, c := range []struct {
		name                string
		blocks              []int
		interaction, missed float64
	}{
		{"6 trials of 4 blocks, treatments differ between trials", []int{4, 4, 4, 4, 4, 4}, 1, 0},
		{"8 trials of 1 to 4 blocks, a tenth missing", []int{1, 1, 1, 2, 3, 4, 4, 4}, 1, 0.1},
		{"8 trials of 1 block", []int{1, 1, 1, 1, 1, 1, 1, 1}, 1, 0},
		{"6 trials of 4 blocks, treatments the same in all", []int{4, 4, 4, 4, 4, 4}, 0, 0},
	} {
		rejected, covered, any, holds, intervals := 0, 0, 0, 0, 0
		for range runs {
			in := stats.CombineInput{Alpha: 0.05, Control: "T0", Own: []string{"T1", "T2", "T3"}}
			next := make([]float64, 4)
			for k := range next {
				next[k] = c.interaction * rng.NormFloat64()
			}
			for e, blocks := range c.blocks {
				shift := 3 * rng.NormFloat64()
				own := make([]float64, 4)
				for k := range own {
					own[k] = c.interaction * rng.NormFloat64()
				}
				for b := range blocks {
					side := rng.NormFloat64()
					for k := range own {
						if rng.Float64() < c.missed && b > 0 {
							continue
						}
						in.Plots = append(in.Plots, stats.CombinePlot{Trial: fmt.Sprint(e), Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k), Value: 20 + shift + side + own[k] + rng.NormFloat64()})
					}
				}
			}
			a, err := stats.CombineContext(context.Background(), in)
			if err != nil {
				t.Fatal(err)
			}
			if a.Test.P <= 0.05 {
				rejected++
			}
			hit := false
			for k, v := range a.VsControl {
				hit = hit || v.PHolm <= 0.05
				if k == 0 && v.Lower <= 0 && 0 <= v.Upper {
					covered++
				}
				if k == 0 && v.NewTrialLower != nil {
					intervals++
					if d := next[1] - next[0]; *v.NewTrialLower <= d && d <= *v.NewTrialUpper {
						holds++
					}
				}
			}
			if hit {
				any++
			}
		}
		share := func(n, of int) float64 { return 100 * float64(n) / float64(max(of, 1)) }
		t.Logf("%s: F rejects %.1f %%, Holm any %.1f %%, interval of a difference holds %.1f %%, of a new trial %.1f %% of %d",
			c.name, share(rejected, runs), share(any, runs), share(covered, runs), share(holds, intervals), intervals)
		// Without an interaction half the estimates of its variance stop at 0,
		// and the test is careful.
		least := 3.0
		if c.interaction == 0 {
			least = 0.8
		}
		if r := share(rejected, runs); r > 7 || r < least {
			t.Errorf("%s: the test rejects %.1f %%", c.name, r)
		}
		if r := share(covered, runs); r < 93 || r > 98 {
			t.Errorf("%s: the interval holds %.1f %%", c.name, r)
		}
	}
}

func FuzzCombine(f *testing.F) {
	f.Add(uint64(1), 4, 3, 3, 0.2)
	f.Fuzz(func(t *testing.T, seed uint64, trials, blocks, treatments int, missing float64) {
		if trials < 0 || trials > 8 || blocks < 1 || blocks > 4 || treatments < 1 || treatments > 5 {
			return
		}
		rng := rand.New(rand.NewPCG(seed, 2))
		in := stats.CombineInput{Alpha: 0.05}
		for e := range trials {
			for b := range 1 + rng.IntN(blocks) {
				for k := range treatments {
					if rng.Float64() < missing {
						continue
					}
					in.Plots = append(in.Plots, stats.CombinePlot{Trial: fmt.Sprint(e), Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k),
						Value: float64(rng.IntN(6)) * math.Pow(10, float64(rng.IntN(3)))})
				}
			}
		}
		if seed%2 == 0 {
			for k := range treatments {
				in.Own = append(in.Own, fmt.Sprint("T", k))
			}
		}
		c, err := stats.CombineContext(context.Background(), in)
		if err != nil {
			var e *stats.CombineError
			var q *stats.TreatmentQuestion
			if !errors.As(err, &e) && !errors.As(err, &q) {
				t.Errorf("an error of no kind: %v", err)
			}
			return
		}
		checkJSON(t, c)
		for _, x := range c.Treatments {
			for _, y := range c.Treatments {
				if lines, err := c.Forest(x, y); err == nil {
					checkJSON(t, map[string]any{"lines": lines})
				}
			}
		}
	})
}
