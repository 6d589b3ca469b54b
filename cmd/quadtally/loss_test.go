package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
)

const lossTable = "../../stats/testdata/loss.csv"

func lossOf(t *testing.T, args ...string) analysis.Loss {
	t.Helper()
	r := must(t, append(append([]string{"loss"}, args...), "--json")...)
	noWildNumbers(t, r)
	var l analysis.Loss
	if err := json.Unmarshal([]byte(r.out), &l); err != nil {
		t.Fatal(err)
	}
	return l
}

// Plots invented around a hyperbola of I 2 and A 50: both lie in their
// intervals, and a cause is spoken of only where the trial set the weeds.
func TestLossOfTable(t *testing.T) {
	l := lossOf(t, "weeds", "y", "--from", lossTable)
	if l.Causal || l.Hyperbola == nil || l.Plots != 24 {
		t.Fatalf("%+v", l)
	}
	if h := l.Hyperbola; *h.I.Lower > 2 || *h.I.Upper < 2 || *h.A.Lower > 50 || *h.A.Upper < 50 {
		t.Errorf("%+v", h)
	}
	must(t, "loss", "weeds", "y", "--from", lossTable).expect(t, exitDone, "The trial did not set the weeds", "Hyperbola (Cousens 1985)")
	if r := must(t, "loss", "weeds", "y", "--from", lossTable, "--weeds-set"); strings.Contains(r.out, "did not set") {
		t.Errorf("set weeds are doubted:\n%s", r.out)
	}
	script := filepath.Join(t.TempDir(), "loss.R")
	must(t, "loss", "weeds", "y", "--from", lossTable, "--script", script)
	if !strings.HasPrefix(string(mustRead(t, script)), analysis.ScriptMark) {
		t.Error("no script")
	}
}

// Where the plots cannot tell, there is a reason and no curve.
func TestLossRefuses(t *testing.T) {
	few := "block,weeds,yield\n1,0,9\n1,5,8\n2,0,9\n2,5,8.2\n"
	say(t, "loss", "weeds", "--from", table(t, few)).expect(t, exitFailed, "cannot be told")
	say(t, "loss", "weeds", "--from", table(t, strings.Replace(few, "1,5,8", "1,-5,8", 1))).expect(t, exitFailed, "weeds")
	say(t, "loss", "thistles", "--from", table(t, few)).expect(t, exitFailed, "the weeds (thistles)")
	say(t, "loss", "weeds", "--from", table(t, few), "--alpha", "1").expect(t, exitUsage, "--alpha")
	years := strings.NewReplacer("block", "year,block", "\n1", "\n2023,1", "\n2", "\n2024,2").Replace(few)
	say(t, "loss", "weeds", "--from", table(t, years)).expect(t, exitFailed, "several trials (column year)")
	flat := "weeds,yield\n"
	for _, l := range []string{"0,9", "1,8.9", "2,9.1", "3,9", "4,8.8", "5,9.2", "6,9", "7,8.9"} {
		flat += l + "\n"
	}
	must(t, "loss", "weeds", "--from", table(t, flat)).expect(t, exitDone, "is not shown to go with a lower yield", "No hyperbola:")
}

// Where more weeds go with a higher yield, it is said as a gain and not as a
// loss of less than nothing.
func TestLossThatIsAGain(t *testing.T) {
	gain := "weeds,yield\n"
	for i := range 12 {
		gain += fmt.Sprintf("%d,%g\n", i, 20+float64(i)/2+float64(i*7%5)/10)
	}
	r := must(t, "loss", "weeds", "--from", table(t, gain))
	r.expect(t, exitDone, "goes with a higher yield", "a yield higher by 0.5", "No hyperbola:")
	if strings.Contains(r.out, "\u2212") {
		t.Errorf("a loss below nothing:\n%s", r.out)
	}
}

// In a trial the plots' means of one visit are held against the yield.
func TestLossOfTrial(t *testing.T) {
	dir := reportTrial(t, "metric")
	say(t, "loss", "count", "--trial", dir).expect(t, exitUsage, "with --visit")
	l := lossOf(t, "count", "--visit", "3", "--trial", dir)
	if l.Plots != 12 || l.Causal || l.WeedsUnit != "plants per m²" {
		t.Errorf("%+v", l)
	}
	say(t, "loss", "stand", "--visit", "3", "--trial", dir).expect(t, exitUsage, "is not of weeds")
	must(t, "loss", "cover", "--visit", "3", "--trial", dir).expect(t, exitDone, "holds everything green: weeds, crop and regrowth together")
}
