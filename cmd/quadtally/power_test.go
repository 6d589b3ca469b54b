package main

import (
	"encoding/json"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
)

func powerOf(t *testing.T, args ...string) analysis.Power {
	t.Helper()
	r := must(t, append([]string{"power", "--json"}, args...)...)
	noWildNumbers(t, r)
	var p analysis.Power
	if err := json.Unmarshal([]byte(r.out), &p); err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPowerFromNumbers(t *testing.T) {
	// The planning formula r >= 2 (CV/d)^2 (1.95996 + 0.84162)^2 (Cochran and
	// Cox 1957, Experimental Designs, section 2.2) at a CV of 17.5 %; R 4.2.2.
	for difference, want := range map[string]float64{"10%": 48.07, "20%": 12.02, "25%": 7.69, "30%": 5.34} {
		p := powerOf(t, "--treatments", "5", "--blocks", "4", "--cv", "17.5", "--difference", difference)
		close6(t, difference, p.Asked.FormulaBlocks, want, 5e-3)
		if float64(p.Asked.BlocksNeeded) < want {
			t.Errorf("%s: the F test with an estimated variance needs %d blocks, fewer than %g", difference, p.Asked.BlocksNeeded, want)
		}
	}
	// Two treatments: F is t squared, so that pair and overall test agree, and
	// 4 blocks leave 3 df.
	p := powerOf(t, "--treatments", "2", "--blocks", "4", "--sd", "3", "--difference", "8")
	if p.ResidualDF != 3 || p.Enough {
		t.Errorf("df %d, enough %v; want 3, false", p.ResidualDF, p.Enough)
	}
	close6(t, "power of F and t", &p.Asked.PowerF, p.Asked.PowerPair, 1e-9)
	close6(t, "detectable", p.DetectablePair.Absolute, p.DetectableF.SD*3, 1e-6)
	if p := powerOf(t, "--treatments", "5", "--blocks", "4", "--sd", "3"); p.ResidualDF != 12 || !p.Enough {
		t.Errorf("5 x 4: df %d, enough %v", p.ResidualDF, p.Enough)
	}
	if p := powerOf(t, "--treatments", "5", "--blocks", "4", "--sd", "3", "--completely-randomised"); p.ResidualDF != 15 {
		t.Errorf("5 x 4 plots at random: df %d", p.ResidualDF)
	}
	// The same trial said in three ways.
	a := powerOf(t, "--treatments", "5", "--blocks", "4", "--cv", "20", "--difference", "30%")
	b := powerOf(t, "--treatments", "5", "--blocks", "4", "--sd", "10", "--mean", "50", "--difference", "15")
	c := powerOf(t, "--treatments", "5", "--blocks", "4", "--cv", "20", "--mean", "50", "--difference", "30%")
	close6(t, "by SD", &b.Asked.PowerF, a.Asked.PowerF, 1e-12)
	close6(t, "by CV and mean", &c.Asked.PowerF, a.Asked.PowerF, 1e-12)
	close6(t, "percent", b.Asked.Difference.Percent, 30, 1e-9)
	close6(t, "absolute", c.Asked.Difference.Absolute, 15, 1e-9)
	for _, x := range []struct {
		args []string
		says string
	}{
		{nil, "--treatments and --blocks"},
		{[]string{"--treatments", "5", "--blocks", "4"}, "--cv"},
		{[]string{"--treatments", "1", "--blocks", "4", "--cv", "20"}, "need 2"},
		{[]string{"--treatments", "5", "--blocks", "1", "--cv", "20"}, "need 2"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "-3"}, "--cv"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "NaN"}, "--cv"},
		{[]string{"--treatments", "5", "--blocks", "4", "--sd", "3", "--difference", "20%"}, "percent of what"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "20", "--difference", "8"}, "percent of the mean"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "20", "--difference", "much"}, "--difference"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "20", "--power", "2"}, "--power"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "20", "--minutes-plot", "3"}, "--minutes-quadrat"},
		{[]string{"--treatments", "5", "--blocks", "4", "--cv", "20", "--minutes-quadrat", "3"}, "--plot-variance"},
		{[]string{"--treatments", "5", "--cv", "20", "--response", "cover"}, "not both"},
	} {
		say(t, append([]string{"power"}, x.args...)...).expect(t, exitUsage, x.says)
	}
}

func TestPowerFromTable(t *testing.T) {
	path := table(t, coverTable)
	p := powerOf(t, "--from", path, "--response", "cover", "--scale", "raw", "--control", "BARE", "--difference", "10")
	close6(t, "SD", &p.SD, 5.113707, 5e-7) // the root of 26.15
	close6(t, "base", p.Base, 59, 1e-9)
	close6(t, "CV", p.CVPercent, 17.4828, 5e-5)
	close6(t, "difference in SD", &p.Asked.Difference.SD, 10/5.113707, 1e-6)
	if p.Treatments != 5 || p.Blocks != 4 || p.ResidualDF != 12 {
		t.Errorf("%d treatments, %d blocks, %d df", p.Treatments, p.Blocks, p.ResidualDF)
	}
	more := powerOf(t, "--from", path, "--response", "cover", "--scale", "raw", "--blocks", "8", "--difference", "10")
	if more.Blocks != 8 || !(more.Asked.PowerF > p.Asked.PowerF) {
		t.Errorf("8 blocks: power %g, 4 blocks %g", more.Asked.PowerF, p.Asked.PowerF)
	}
	// On the square-root scale a difference is carried there and back.
	counts := powerOf(t, "--from", table(t, countTable), "--response", "count", "--control", "BARE", "--difference", "50%")
	detectable := counts.DetectablePair
	again := powerOf(t, "--from", table(t, countTable), "--response", "count", "--control", "BARE", "--difference", jsonNumber(*detectable.Absolute))
	close6(t, "there and back", &again.Asked.PowerPair, 0.8, 1e-6)
	say(t, "power", "--from", path, "--response", "cover", "--scale", "raw", "--difference", "60%", "--control", "TARP").expect(t, exitDone, "control TARP")
	say(t, "power", "--from", path, "--response", "cover", "--scale", "raw", "--difference", "90").expect(t, exitUsage, "more than all there is")
	say(t, "power", "--from", table(t, "treatment,block,cover\nA,1,7\nA,2,7\nB,1,7\nB,2,7\n"), "--response", "cover", "--scale", "raw").
		expect(t, exitFailed, "nothing to compare")

	// Variances of 16 between quadrats and 4 between plots, 9 minutes a plot
	// and 4 a quadrat: sqrt(16/4 x 9/4) = 3 (Cochran 1977, Sampling
	// Techniques, 3rd ed., chapter 10: optimum size of a subsample).
	q := powerOf(t, "--treatments", "5", "--blocks", "4", "--cv", "20", "--minutes-plot", "9", "--minutes-quadrat", "4",
		"--plot-variance", "4", "--quadrat-variance", "16").Quadrats
	if q.Best != 3 {
		t.Errorf("best number of quadrats %d, want 3", q.Best)
	}
	close6(t, "formula", &q.Formula, 3, 1e-12)
	must(t, "power", "--from", path, "--response", "cover", "--scale", "raw")
}

func jsonNumber(v float64) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// Pairs as compare judges them. With Tukey's method a pair needs a larger
// difference than alone, against the control one between.
func TestPowerOfPairsAmongOthers(t *testing.T) {
	p := powerOf(t, "--treatments", "5", "--blocks", "4", "--cv", "20", "--difference", "30%")
	if !(*p.DetectablePair.Percent < *p.DetectableDunnett.Percent && *p.DetectableDunnett.Percent < *p.DetectableTukey.Percent) {
		t.Errorf("pair %v, Dunnett %v, Tukey %v", *p.DetectablePair.Percent, *p.DetectableDunnett.Percent, *p.DetectableTukey.Percent)
	}
	if a := p.Asked; !(a.PowerPair > a.PowerDunnett && a.PowerDunnett > a.PowerTukey && a.PowerTukey > 0) || a.BlocksTukey < a.BlocksDunnett || a.BlocksDunnett < 4 {
		t.Errorf("%+v", a)
	}
	must(t, "power", "--treatments", "5", "--blocks", "4", "--cv", "20", "--difference", "30%").expect(t, exitDone, "(Dunnett)", "(Tukey)")
}

// Differences go up for yield: on its own scale as far as they would go down,
// and never above the whole for cover.
func TestPowerUpward(t *testing.T) {
	down := powerOf(t, "--treatments", "4", "--blocks", "4", "--sd", "3", "--mean", "20")
	up := powerOf(t, "--treatments", "4", "--blocks", "4", "--sd", "3", "--mean", "20", "--upward")
	close6(t, "upward", up.DetectablePair.Absolute, *down.DetectablePair.Absolute, 1e-9)
	must(t, "power", "--treatments", "4", "--blocks", "4", "--sd", "3", "--mean", "20", "--upward").expect(t, exitDone, "up from")
	path := table(t, coverTable)
	args := []string{"power", "--from", path, "--response", "cover", "--control", "BARE", "--upward"}
	must(t, args...).expect(t, exitDone, "up from the control BARE")
	say(t, append(args, "--difference", "50")...).expect(t, exitUsage, "above the whole")
	must(t, "power", "--from", table(t, strings.ReplaceAll(coverTable, "cover", "yield")), "--response", "yield").expect(t, exitDone, "up from")
}

// Inside a trial the plan gives treatments and blocks.
func TestPowerKnowsTheTrial(t *testing.T) {
	dir := reportTrial(t, "metric")
	p := powerOf(t, "--trial", dir, "--cv", "20")
	if p.Treatments != 3 || p.Blocks != 4 {
		t.Errorf("%d treatments in %d blocks, the plan has 3 in 4", p.Treatments, p.Blocks)
	}
	if p := powerOf(t, "--trial", dir, "--cv", "20", "--blocks", "6"); p.Treatments != 3 || p.Blocks != 6 {
		t.Errorf("%d treatments in %d blocks, asked for 6", p.Treatments, p.Blocks)
	}
	say(t, "power", "--trial", t.TempDir(), "--cv", "20").expect(t, exitUsage, "--treatments")
}
