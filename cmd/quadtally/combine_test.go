package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
)

func combined(t *testing.T, args ...string) analysis.CombinedAnswer {
	t.Helper()
	r := must(t, append(append([]string{"combine"}, args...), "--json")...)
	noWildNumbers(t, r)
	var c analysis.CombinedAnswer
	if err := json.Unmarshal([]byte(r.out), &c); err != nil {
		t.Fatal(err)
	}
	return c
}

// Seven invented farms of one to five blocks: test and interaction as R 4.2.2
// gives them (lmerTest and pbkrtest: F 4.5371 on 3 and 14.055 df; lm: F 3.0017
// on 15 and 25 df).
func TestCombineTable(t *testing.T) {
	farms := "../../stats/testdata/farms.csv"
	c := combined(t, "y", farms, "--control", "BARE")
	close6(t, "F", &c.Test.F, 4.537098, 1e-4)
	close6(t, "df", &c.Test.DenDF, 14.0554, 1e-2)
	close6(t, "p", &c.Test.P, 0.0200806, 1e-5)
	close6(t, "interaction", c.Interaction.F, 3.001688, 1e-5)
	if len(c.Trials) != 7 || len(c.Forests) != 3 || c.Forests[0].Against != "BARE" {
		t.Fatalf("%d trials, forests %+v", len(c.Trials), c.Forests)
	}
	for _, f := range c.Forests {
		last := f.Lines[len(f.Lines)-1]
		if last.Trial != "" || len(f.Lines) < 5 {
			t.Errorf("%s: %+v", f.Treatment, f.Lines)
		}
	}
	must(t, "combine", "y", farms, "--control", "BARE", "--full").expect(t, exitDone, "lower than the control BARE (Holm)", "Over all treatments together differences are shown too (F(3,14.1) = 4.54",
		"one trial says little of another", "In one more", "all trials", "Trials, not plots, are what counts")
	c = combined(t, "yield", casePath("years.csv"))
	if strings.Join(c.Trials, " ") != "2023 2024" || len(c.Forests) != 3 {
		t.Errorf("%v, %d forests", c.Trials, len(c.Forests))
	}
}

// A treatment that is shown to differ from the control and yet shares a letter
// with it is explained.
func TestCombineLettersHideControl(t *testing.T) {
	text := "farm,block,treatment,y\n"
	for f, d := range []float64{2.5, 0.9, 3.4, 1.2, 2.2} {
		for b := range 3 {
			noise := float64((f*7+b*5)%6)/5 - .5
			text += fmt.Sprintf("F%[1]d,%[2]d,BARE,%[3]g\nF%[1]d,%[2]d,RYE,%[4]g\nF%[1]d,%[2]d,MIX,%[5]g\n", f, b, 20+noise, 20+d*.5-noise/2, 20+d*.55+noise/3)
		}
	}
	path := table(t, text)
	const sentence = "With the control it is the comparisons above that count"
	seen := map[bool]int{}
	for _, alpha := range []string{"0.2", "0.05", "0.03", "0.02", "0.015", "0.012", "0.01", "0.008", "0.006", "0.005", "0.004", "0.003", "0.002", "0.001"} {
		c := combined(t, "y", path, "--control", "BARE", "--alpha", alpha)
		letters := map[string]string{}
		for i, m := range c.Means {
			letters[m.Treatment] = c.Letters[i]
		}
		hidden := false
		for _, p := range c.VsControl {
			hidden = hidden || p.PHolm <= c.Alpha && strings.ContainsAny(letters[p.A], letters["BARE"])
		}
		seen[hidden]++
		if r := must(t, "combine", "y", path, "--control", "BARE", "--alpha", alpha); strings.Contains(strings.Join(strings.Fields(r.out), " "), sentence) != hidden {
			t.Errorf("alpha %s, hidden %v:\n%s", alpha, hidden, r.out)
		}
	}
	if seen[true] == 0 || seen[false] == 0 {
		t.Errorf("%v: both must be seen", seen)
	}
}

// Places that come again in several years are told of the way that allows for
// both, and only they; a treatment that holds nothing anywhere is carried back
// to nothing and not below.
func TestCombineSaysWhatItLeavesOut(t *testing.T) {
	crossed, nested, counts := "farm,year,treatment,yield\n", "farm,year,treatment,yield\n", "farm,block,treatment,count\n"
	for f := range 3 {
		for y := range 3 {
			for k := range 3 {
				v := 20 + 3*k + (7*f+5*y+11*k*f)%6
				crossed += fmt.Sprintf("F%d,%d,T%d,%d\n", f, 2023+y, k, v)
				nested += fmt.Sprintf("F%d%d,%d,T%d,%d\n", f, y, 2023+y, k, v)
				counts += fmt.Sprintf("F%d,B%d,T%d,%d\n", f, y, k, map[bool]int{true: 0, false: v}[k == 1])
			}
		}
	}
	const hint = "--places-and-years allows for"
	must(t, "combine", "yield", table(t, crossed)).expect(t, exitDone, hint)
	for _, args := range [][]string{{"combine", "yield", table(t, crossed), "--places-and-years"}, {"combine", "yield", table(t, nested)}} {
		if r := must(t, args...); strings.Contains(r.out, hint) {
			t.Errorf("%v: %s", args, r.out)
		}
	}
	var c struct{ Back []float64 }
	r := must(t, "combine", "count", table(t, counts), "--json")
	if err := json.Unmarshal([]byte(r.out), &c); err != nil || len(c.Back) != 3 || c.Back[1] != 0 {
		t.Errorf("%v, %v", err, c.Back)
	}
}

// One trial alone is refused, names that differ are asked about and the answer
// is taken, a row without a trial and a control that is nowhere are said.
func TestCombineAsksAndRefuses(t *testing.T) {
	text := string(mustRead(t, casePath("years.csv")))
	var one, other []string
	for l := range strings.Lines(text) {
		if strings.HasPrefix(l, "2024") {
			other = append(other, l)
		} else {
			one = append(one, l)
		}
	}
	say(t, "combine", "yield", table(t, strings.Join(one, ""))).expect(t, exitFailed, "trial")
	renamed := strings.Join(one, "") + strings.ReplaceAll(strings.Join(other, ""), ",X,", ",X mulch,")
	path := table(t, renamed)
	say(t, "combine", "yield", path).expect(t, exitUsage, "X mulch in 2024", "--same", "--own")
	must(t, "combine", "yield", path, "--same", "X mulch = X").expect(t, exitDone, "3 treatments in 2 trials")
	must(t, "combine", "yield", path, "--own", "X mulch", "--own", "X").expect(t, exitDone, "4 treatments in 2 trials")
	say(t, "combine", "yield", path, "--same", "X mulch").expect(t, exitUsage, "NAME = NAME")
	say(t, "combine", "yield", casePath("years.csv"), "--control", "BARE").expect(t, exitFailed, "BARE")
	say(t, "combine", "yield", table(t, strings.Replace(text, "2023,A", ",A", 1))).expect(t, exitFailed, "names no trial")
	say(t, "combine", "yield").expect(t, exitUsage, "the trials")
	say(t, "combine", "yield", "no-such-file.csv").expect(t, exitFailed, "no-such-file.csv")
	say(t, "combine", "yield", casePath("years.csv"), "--alpha", "2").expect(t, exitUsage, "--alpha")
}

// Two folders, a folder and the export of another, and two tables are the same
// trials: the numbers do not depend on where they come from.
func TestCombineFoldersAndExports(t *testing.T) {
	a, b := reportTrial(t, "metric"), reportTrialOf(t, "metric", 3)
	exported := filepath.Join(t.TempDir(), "second")
	must(t, "export", exported, "--trial", b)
	folders := combined(t, "yield", a, b)
	mixed := combined(t, "yield", a, exported)
	if len(folders.Trials) != 2 || len(mixed.Trials) != 2 || folders.Control != "BARE" {
		t.Fatalf("%v %v %q", folders.Trials, mixed.Trials, folders.Control)
	}
	for i, m := range folders.Means {
		close6(t, m.Treatment, &mixed.Means[i].Mean, m.Mean, 1e-9)
	}
	say(t, "combine", "yield", b, exported).expect(t, exitUsage, "that is one trial, which counts once")
	say(t, "combine", "yield", a, reportTrial(t, "us")).expect(t, exitFailed, "one unit")
	if c := combined(t, "count", a, b, "--class", "grass"); c.Transform.Scale != "sqrt" || len(c.Back) != 3 {
		t.Errorf("%+v", c.Transform)
	}
}

// rNumbers runs a script and gives what it printed by name.
func rNumbers(t *testing.T, file string) map[string]float64 {
	t.Helper()
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		t.Skip("runs R: set QUADTALLY_HEAVY=1")
	}
	r, err := exec.LookPath("Rscript")
	if err != nil {
		t.Skip("R (Rscript) is not on this machine")
	}
	out, err := exec.Command(r, "--vanilla", file).CombinedOutput()
	if err != nil {
		t.Fatalf("R: %v\n%s", err, out)
	}
	got := map[string]float64{}
	for l := range strings.Lines(string(out)) {
		name, value, _ := strings.Cut(strings.TrimSpace(l), " = ")
		if v, err := strconv.ParseFloat(value, 64); err == nil {
			got[name] = v
		}
	}
	return got
}

// Scripts of comparisons, seasons, strata, factors and trials combined are
// written, and never over a file of somebody else.
func TestScriptsAreWritten(t *testing.T) {
	dir := reportTrial(t, "metric")
	at := filepath.Join(t.TempDir(), "x.R")
	for _, args := range [][]string{
		{"compare", "yield", "--trial", dir}, {"compare", "cover", "--trial", dir, "--visit", "3"}, {"compare", "cover", "--trial", dir},
		{"compare", "cover", "--from", table(t, coverTable), "--control", "BARE", "--contrast", "RYE - STRAW"},
		{"compare", "y", "--from", "../../stats/testdata/rice.csv", "--factors", "variety,nitrogen", "--layout", "strip-plot"},
		{"compare", "y", "--from", "../../stats/testdata/poisons.csv", "--factors", "poison,treat"},
		{"combine", "y", "../../stats/testdata/farms.csv"},
	} {
		must(t, append(args, "--script", at)...)
		text := string(mustRead(t, at))
		if !strings.HasPrefix(text, analysis.ScriptMark) || !strings.Contains(text, "say(") || strings.Contains(text, "%!") {
			t.Errorf("%v wrote\n%.300s", args, text)
		}
	}
	theirs := filepath.Join(t.TempDir(), "mine.R")
	if err := os.WriteFile(theirs, []byte("x <- 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "compare", "cover", "--from", table(t, coverTable), "--script", theirs).expect(t, exitFailed, "not written by quadtally")
	if got := string(mustRead(t, theirs)); got != "x <- 1\n" {
		t.Errorf("somebody's file holds %q", got)
	}
	say(t, "compare", "cover", "--trial", dir, "--visit", "3", "--calibrated", "--script", at).expect(t, exitFailed, "without --calibrated")
	out := filepath.Join(t.TempDir(), "out")
	must(t, "export", out, "--trial", dir)
	for _, name := range []string{"yield.R", "green-cover.R", "count.R"} {
		if !strings.HasPrefix(string(mustRead(t, filepath.Join(out, name))), analysis.ScriptMark) {
			t.Errorf("%s is no script", name)
		}
	}
}

// R gives the numbers that are printed.
func TestScriptsInR(t *testing.T) {
	at := filepath.Join(t.TempDir(), "x.R")
	r := must(t, "compare", "cover", "--from", table(t, coverTable), "--control", "BARE", "--contrast", "RYE - STRAW", "--script", at, "--json")
	got := rNumbers(t, at)
	var c analysis.Comparison
	if err := json.Unmarshal([]byte(r.out), &c); err != nil {
		t.Fatal(err)
	}
	want := map[string]*float64{"anova[treatment].f": termRow(t, c.Analysis.ANOVA, "treatment").F, "contrasts[RYE - STRAW].estimate": c.Planned.Contrasts[0].Estimate}
	for _, v := range c.Analysis.VsControl {
		want["vs_control["+v.Treatment+"].difference"] = v.Difference
	}
	for name, v := range want {
		if x, ok := got[name]; !ok {
			t.Errorf("R printed no %s", name)
		} else {
			close6(t, name, v, x, 1e-8)
		}
	}
}
