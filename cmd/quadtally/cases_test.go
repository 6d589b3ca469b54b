package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// casePath is a table of testdata/cases.
func casePath(name string) string { return "../../testdata/cases/" + name }

// Dunnett's test with irregular gaps is bounded work. The limit is far above
// what it takes, which on a busy machine is a second.
func TestDunnettWithGapsAnswers(t *testing.T) {
	for _, name := range []string{"dunnett-024.csv", "dunnett-078.csv"} {
		start := time.Now()
		must(t, "compare", "y", "--from", casePath(name), "--control", "CTRL").expect(t, exitDone, "the control CTRL (Dunnett)")
		if d := time.Since(start); d > time.Minute {
			t.Errorf("%s took %s", name, d)
		}
	}
}

// What was begun ends with the context, as at Ctrl-C.
func TestCompareEndsWhenInterrupted(t *testing.T) {
	for _, args := range [][]string{{"y", "--from", casePath("dunnett-078.csv"), "--control", "CTRL"}, {"cover", "--from", casePath("percent-patchy.csv")}} {
		ctx, stop := context.WithCancel(t.Context())
		stop()
		var out, talk bytes.Buffer
		a := &app{in: strings.NewReader(""), out: bufio.NewWriter(&out), err: &talk, ctx: ctx, clock: time.Now}
		root := newRoot(a)
		root.SetArgs(append([]string{"compare"}, args...))
		if code := a.report(root.ExecuteContext(ctx)); code != exitInterrupted {
			t.Errorf("%v: exit %d, %s", args, code, talk.String())
		}
	}
}

// Percentages of patchy weeds hold values below 1 and need no word on it.
func TestPatchyPercentsAnswer(t *testing.T) {
	for _, name := range []string{"percent-171.csv", "percent-patchy.csv"} {
		for _, more := range [][]string{nil, {"--kind", "percent"}} {
			must(t, append([]string{"compare", "cover", "--from", casePath(name)}, more...)...).expect(t, exitDone, "differences among treatments are shown")
		}
	}
}

// A few pairs never stop the counting, and both questions are answered before
// anything else.
func TestFewPairsAreNotEnough(t *testing.T) {
	for name, missing := range map[string]string{"agree-3-pairs.csv": "3 plots have pairs, and 8 are needed", "agree-5-plots-biased.csv": "5 plots have pairs, and 8 are needed"} {
		r := must(t, "agree", "--from", casePath(name), "--margin", "5")
		first, _, _ := strings.Cut(r.out, "How far is the camera")
		text := strings.Join(strings.Fields(first), " ")
		for _, want := range []string{"May you stop counting by hand? NOT YET", "On average over the trial: NOT YET: ", "For comparing treatments: NOT YET: ", missing, "1 visit has pairs, and 3 are needed"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: nothing says %q in\n%s", name, want, first)
			}
		}
		if strings.Contains(text, "YES") {
			t.Errorf("%s: YES in\n%s", name, first)
		}
	}
	say(t, "agree", "--from", casePath("agree-3-pairs.csv"), "--margin", "5", "--over", "much").expect(t, exitUsage, "LOW,HIGH")
	must(t, "agree", "--from", casePath("agree-3-pairs.csv"), "--margin", "5", "--over", "0,40").expect(t, exitDone, "thirds of the stated range")
}

// A year, a farm or a site in a table is never pooled in silence, and columns
// that nobody read are named.
func TestTablesOfSeveralTrialsAreRefused(t *testing.T) {
	say(t, "compare", "yield", "--from", casePath("years.csv")).expect(t, exitFailed, "column year: 2023, 2024", "quadtally combine yield")
	for _, column := range []string{"farm", "Site", "trial", "season"} {
		text := strings.Replace(strings.ReplaceAll(coverTable, "\n", ",North\n"), "cover,North", "cover,"+column, 1)
		say(t, "compare", "cover", "--from", table(t, text)).expect(t, exitDone, "columns that were not used: "+column)
		text = strings.Replace(text, "TARP,4,11,North", "TARP,4,11,South", 1)
		say(t, "compare", "cover", "--from", table(t, text)).expect(t, exitFailed, "holds several trials", "North, South")
	}
}

// Contrasts in a person's words: estimates as R 4.2.2 gives them from lm on
// the same table (block and treatment, raw scale).
func TestCompareContrasts(t *testing.T) {
	c := compared(t, coverTable, "cover", "--scale", "raw", "--contrast", "mulches: RYE + RYEVETCH + STRAW - 3 BARE", "--contrast", "RYE - RYEVETCH")
	if c.Planned == nil || len(c.Planned.Contrasts) != 2 {
		t.Fatalf("%+v", c.Planned)
	}
	// (28 + 17.25 + 33)/3 - 59, with standard error sqrt(26.15/4 (1 + 1/3)).
	m := c.Planned.Contrasts[0]
	close6(t, "mulches less BARE", m.Average, -32.9166667, 1e-6)
	close6(t, "F", m.F, 32.9166667*32.9166667/(26.15/4*4/3), 1e-6)
	// The pair alone has p 0.0116; Holm leaves the larger p of two as it is.
	close6(t, "RYE - RYEVETCH alone", c.Planned.Contrasts[1].P, 0.0116, 5e-5)
	close6(t, "RYE - RYEVETCH", c.Planned.Contrasts[1].PAdjusted, 0.0116, 5e-5)
	must(t, "compare", "cover", "--from", table(t, coverTable), "--contrast", "RYE - BARE").expect(t, exitDone, "Contrasts asked for", "of the analysis (the arcsine")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--contrast", "RYE - CLOVER").expect(t, exitUsage, "CLOVER", "BARE, RYE")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--contrast", "RYE + STRAW - BARE").expect(t, exitUsage, "the sum is 1")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--contrast", "RYE - BARE", "--contrasts-by", "luck").expect(t, exitUsage, "luck")
}

// The published poisons (Box and Cox 1964): F of poison, treatment and their
// interaction on the times, as R's aov gives them.
func TestCompareFactors(t *testing.T) {
	text := strings.Replace(string(mustRead(t, "../../stats/testdata/poisons.csv")), ",y", ",time", 1)
	c := compared(t, text, "time", "--factors", "poison,treat")
	if c.Factorial == nil {
		t.Fatalf("notes: %q", c.Notes)
	}
	for term, want := range map[string]float64{"poison": 23.2217, "treat": 13.8056, "poison:treat": 1.8743} {
		r := termRow(t, c.Factorial.ANOVA, term)
		close6(t, term, r.F, want, 5e-4)
	}
	if got := strings.Join(c.Factorial.Read, " "); got != "poison treat" {
		t.Errorf("to be read: %q", got)
	}
	if len(c.Factorial.Trends) != 1 || c.Factorial.Trends[0].Factor != "poison" {
		t.Errorf("trends %+v", c.Factorial.Trends)
	}
	must(t, "compare", "time", "--from", table(t, text), "--factors", "poison,treat").expect(t, exitDone, "Read the means of: poison; treat.")
	say(t, "compare", "time", "--from", table(t, text), "--factors", "poison,colour").expect(t, exitFailed, "the factor colour")
	say(t, "compare", "cover", "--factors", "a,b").expect(t, exitUsage, "stand in its plan")
}

// A split plot (alfalfa, Snedecor and Cochran 1980) and a strip plot (rice,
// Gomez and Gomez 1984, p. 110) through the command line; F by R's aov with
// Error(block/variety) and by the book.
func TestCompareStrata(t *testing.T) {
	for _, x := range []struct {
		file, layout, factors string
		f                     map[string]float64
	}{
		{"alfalfa.csv", "split-plot", "variety,date", map[string]float64{"variety": 0.653, "date": 23.390, "variety:date": 1.2548}},
		{"rice.csv", "strip-plot", "variety,nitrogen", map[string]float64{"variety": 7.65, "nitrogen": 34.07, "variety:nitrogen": 5.80}},
	} {
		text := string(mustRead(t, "../../stats/testdata/"+x.file))
		c := compared(t, text, "y", "--factors", x.factors, "--layout", x.layout)
		if c.Strata == nil || c.Analysis != nil {
			t.Fatalf("%s: %+v", x.file, c)
		}
		for _, test := range c.Strata.Tests {
			close6(t, x.file+" "+test.Term, test.F, x.f[test.Term], 6e-3)
		}
		must(t, "compare", "y", "--from", table(t, text), "--factors", x.factors, "--layout", x.layout, "--full").expect(t, exitDone, strings.ReplaceAll(x.layout, "-", " "), "means of the whole-plot factor", "Stratum")
	}
	path := table(t, "a,b,block,y\nx,1,1,3\n")
	say(t, "compare", "y", "--from", path, "--factors", "a", "--layout", "split-plot").expect(t, exitUsage, "WHOLE,SUB")
	say(t, "compare", "y", "--from", path, "--factors", "a,b", "--layout", "maze").expect(t, exitUsage, "split-plot or strip-plot")
	say(t, "compare", "y", "--from", path, "--factors", "a,b", "--layout", "split-plot", "--contrast", "x - y").expect(t, exitUsage, "without covariate, contrasts")
}

// A trend over rates at their true spacing: quadratic values lie on their own
// equation, and two rates of one treatment are refused.
func TestCompareRates(t *testing.T) {
	text := "block,dose,yield\n"
	for b, noise := range [][]float64{{0.1, -0.1, 0.2, 0}, {-0.2, 0.1, 0, 0.1}, {0.1, 0, -0.2, -0.1}} {
		for i, dose := range []float64{0, 1, 3, 6} {
			text += fmt.Sprintf("%d,%g,%g\n", b+1, dose, 10+float64(b)+2*dose-0.2*dose*dose+noise[i])
		}
	}
	c := compared(t, text, "yield", "--rate", "dose")
	if c.Trend == nil || c.Trend.Suggested != 2 {
		t.Fatalf("%+v, notes %q", c.Trend, c.Notes)
	}
	close6(t, "slope", &c.Trend.Equations[1].Coefficients[1], 2, 0.1)
	close6(t, "bend", &c.Trend.Equations[1].Coefficients[2], -0.2, 0.02)
	const through = "so nothing tests its shape between them"
	if r := must(t, "compare", "yield", "--from", table(t, text), "--rate", "dose", "--full"); strings.Contains(r.out, through) {
		t.Errorf("a quadratic over four rates:\n%s", r.out)
	}
	// A curve with as many coefficients as rates is one through their means.
	short := "block,dose,yield\n"
	for _, l := range strings.Split(text, "\n")[1:] {
		if !strings.Contains(l, ",6,") {
			short += l + "\n"
		}
	}
	must(t, "compare", "yield", "--from", table(t, short), "--rate", "dose", "--full").expect(t, exitDone, "mean of each of the 3 rates")
	two := strings.Replace(text, "block,dose,yield", "block,dose,yield,treatment", 1)
	lines := strings.Split(strings.TrimSpace(two), "\n")
	for i := range lines[1:] {
		lines[i+1] += map[bool]string{true: ",A", false: ",B"}[i%2 == 0]
	}
	say(t, "compare", "yield", "--from", table(t, strings.Join(lines, "\n")), "--rate", "dose").expect(t, exitFailed, "a treatment has one rate")
}

// Margins: a treatment 5 below at a standard error of 0.37 is not within 2 and
// is within 10; the worse side decides for yield.
func TestCompareMargins(t *testing.T) {
	text := "treatment,block,yield\n"
	for b, noise := range [][]float64{{0, 0.5, -0.5}, {0.5, -0.5, 0}, {-0.5, 0, 0.5}, {0.3, 0.3, 0.1}} {
		for i, name := range []string{"HOED", "MULCH", "BARE"} {
			text += fmt.Sprintf("%s,%d,%g\n", name, b+1, []float64{50, 51, 45}[i]+float64(b)+noise[i])
		}
	}
	path := table(t, text)
	must(t, "compare", "yield", "--from", path, "--no-worse-than", "HOED", "--margin", "5%").
		expect(t, exitDone, "worse than HOED by at most 5 % of its mean", "MULCH: YES", "BARE: NO.")
	must(t, "compare", "yield", "--from", path, "--no-worse-than", "HOED", "--margin", "10.2%", "--full").
		expect(t, exitDone, "BARE: NOT SHOWN. BARE is not shown to be as good as HOED within the margin", "% of its mean (90 % interval")
	must(t, "compare", "yield", "--from", path, "--equivalent-to", "HOED", "--margin", "2", "--full").
		expect(t, exitDone, "BARE: NO. BARE is shown to differ from HOED by more than the margin: a difference of")
	must(t, "compare", "yield", "--from", path, "--equivalent-to", "HOED", "--margin", "10").expect(t, exitDone, "MULCH: YES", "BARE: YES")
	must(t, "compare", "yield", "--from", path, "--no-worse-than", "HOED", "--margin", "1.2", "--worse", "above").expect(t, exitDone, "BARE: YES", "MULCH: NOT SHOWN")
	say(t, "compare", "yield", "--from", path, "--no-worse-than", "HOED").expect(t, exitUsage, "--margin is missing")
	say(t, "compare", "yield", "--from", path, "--margin", "5%").expect(t, exitUsage, "--equivalent-to")
	say(t, "compare", "yield", "--from", path, "--no-worse-than", "HOED", "--margin", "-1").expect(t, exitUsage, "--margin")
	say(t, "compare", "yield", "--from", path, "--no-worse-than", "TILLED", "--margin", "1").expect(t, exitUsage, "HOED, MULCH")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--no-worse-than", "RYE", "--margin", "5").expect(t, exitUsage, "--scale raw")
	unknown := strings.Replace(text, "yield", "height", 1)
	say(t, "compare", "height", "--from", table(t, unknown), "--no-worse-than", "HOED", "--margin", "1").expect(t, exitUsage, "--worse above")
}

// What a covariate did is said on the first screen, with its df.
func TestCompareCovariateIsSaid(t *testing.T) {
	text := "treatment,block,yield,pre\nA,1,10,3\nB,1,12,4\nC,1,15,3\nA,2,11,3.5\nB,2,12,4\nC,2,17,5\nA,3,9,2\nB,3,13,5\nC,3,15,3.3\n"
	must(t, "compare", "yield", "--from", table(t, text), "--covariate", "pre").expect(t, exitDone,
		"residual df 3 after the covariate", "residual df 3 is below 12", "Means are adjusted to a covariate of", "Slopes of treatments alike?", "Covariate alike in all treatments?", "on your word")
}

// What was tried is counted, once each, and a secondary response is called one.
func TestCompareCountsWhatWasTried(t *testing.T) {
	dir := reportTrial(t, "metric")
	compare := func(args ...string) ran {
		t.Helper()
		return must(t, append([]string{"compare", "--trial", dir}, args...)...)
	}
	if r := compare("yield"); strings.Contains(r.out, "tried") || strings.Contains(r.out, "rimary") {
		t.Errorf("the usual way is no choice:\n%s", r.out)
	}
	compare("yield", "--scale", "log1p").expect(t, exitDone, "1 choice other than the usual was tried", "scale log1p")
	compare("yield", "--scale", "log1p").expect(t, exitDone, "1 choice other than the usual was tried")
	compare("yield", "--method", "lsd").expect(t, exitDone, "2 choices other than the usual were tried")
	compare("yield").expect(t, exitDone, "2 choices other than the usual were tried", "pairs by lsd")
	if r := compare("hand-cover", "--scale", "arcsine_sqrt"); strings.Contains(r.out, "tried") {
		t.Errorf("the usual scale by its name is no choice:\n%s", r.out)
	}
	if r := compare("count", "--class", "grass", "--visit", "3"); strings.Contains(r.out, "tried") {
		t.Errorf("another response is counted with yield:\n%s", r.out)
	}
	compare("yield", "--json").expect(t, exitDone, `"tried"`)
	must(t, "status", "--trial", dir)
	must(t, "export", filepath.Join(t.TempDir(), "out"), "--trial", dir)
}

// The step-down form shows at least as much as the single step.
func TestCompareStepDown(t *testing.T) {
	c := compared(t, coverTable, "cover", "--control", "BARE", "--step-down")
	if len(c.StepDown) != 4 {
		t.Fatalf("%+v", c.StepDown)
	}
	for i, x := range c.StepDown {
		if y := c.Analysis.VsControl[i]; x.Treatment != y.Treatment || *x.P > *y.P+1e-9 {
			t.Errorf("%s: step-down p %v, single step %v", x.Treatment, *x.P, *y.P)
		}
	}
	must(t, "compare", "cover", "--from", table(t, coverTable), "--control", "BARE", "--step-down").expect(t, exitDone, "step-down form")
	say(t, "compare", "cover", "--from", table(t, coverTable), "--step-down").expect(t, exitUsage, "--control")
}

// Second looks stand beside the answer and change none of it; a table that has
// nothing to look at says so.
func TestCompareChecks(t *testing.T) {
	plain, looked := compared(t, coverTable, "cover"), compared(t, coverTable, "cover", "--checks")
	if plain.SecondLooks != nil || looked.SecondLooks == nil {
		t.Fatalf("%+v, %+v", plain.SecondLooks, looked.SecondLooks)
	}
	if l := looked.SecondLooks; len(l.Spread) != 3 || l.Furthest == nil || l.Power.Power == nil {
		t.Errorf("%+v", l)
	}
	looked.SecondLooks = nil
	if a, b := fmt.Sprintf("%+v", plain.Analysis.Verdict), fmt.Sprintf("%+v", looked.Analysis.Verdict); a != b {
		t.Errorf("verdicts %s and %s", a, b)
	}
	for _, full := range []string{"--full=false", "--full"} {
		must(t, "compare", "cover", "--from", table(t, coverTable), "--checks", full).expect(t, exitDone,
			"Second looks at the residuals, which change no answer", "equal spread, Bartlett", "Fligner-Killeen", "plot furthest out", "power of the values")
	}
	must(t, "compare", "cover", "--from", table(t, "treatment,block,cover\nA,1,3\nB,1,5\n"), "--checks").expect(t, exitDone, "no second looks at the residuals")
}

// A percentage whose interval alone would seem to show what the comparison with
// the control does not is explained, and no other.
func TestPercentThatSeemsToJudge(t *testing.T) {
	const said = "% less than control, RYE: the interval is of that treatment alone and judges nothing"
	text := `treatment,block,yield
BARE,B1,21.74
BARE,B2,21.32
BARE,B3,23.17
BARE,B4,24.79
RYE,B1,24.39
MIX,B2,29.23
MIX,B3,27.96
MIX,B4,31.3
HOED,B1,30.05
HOED,B2,31.93
HOED,B3,32.03
HOED,B4,35.84
`
	lone := must(t, "compare", "yield", "--from", table(t, text), "--control", "BARE")
	lone.expect(t, exitDone, "RYE not shown to differ from the control BARE")
	if got := strings.Join(strings.Fields(lone.out), " "); !strings.Contains(got, said) {
		t.Errorf("a percentage stands against the comparison:\n%s", lone.out)
	}
	without := ""
	for _, l := range strings.SplitAfter(text, "\n") {
		if !strings.HasPrefix(l, "RYE,") {
			without += l
		}
	}
	if r := must(t, "compare", "yield", "--from", table(t, without), "--control", "BARE"); strings.Contains(r.out, "judges") {
		t.Errorf("nothing to explain:\n%s", r.out)
	}
}
