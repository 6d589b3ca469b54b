package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/pflag"
)

// tableOfAll is a table with every column that a command could be pointed at:
// 3 treatments in 4 blocks, twice as two trials.
func tableOfAll(trials bool) string {
	var b strings.Builder
	b.WriteString("trial,treatment,block,plot,rate,before,weeds,height,other\n")
	for trial := range 2 {
		if trial > 0 && !trials {
			break
		}
		for block := range 4 {
			for i, name := range []string{"BARE", "RYE", "STRAW"} {
				v := 10 + 3*float64(i) + float64((7*block+5*i+3*trial)%6)/2
				fmt.Fprintf(&b, "t%d,%s,%d,%d,%d,%d,%d,%.1f,%.1f\n", trial+1, name, block+1, 10*block+i+1, 10*i*i, (3*block+i)%7, (11*block+5*i)%9, v, v+float64(block*i)/2)
			}
		}
	}
	return b.String()
}

// A flag that was given changes the answer or is refused: whoever gave it meant
// something by it. Every flag of a command that takes a table is tried beside
// one, and alone beside numbers; a new flag needs a value here.
func TestNoFlagIsIgnored(t *testing.T) {
	one, two := table(t, tableOfAll(false)), table(t, tableOfAll(true))
	script := filepath.Join(t.TempDir(), "script.R")
	values := map[string]string{
		"alpha": "0.2", "blocks": "9", "calibrated": "true", "checks": "true", "class": "grass", "completely-randomised": "true",
		"contrast": "RYE - BARE", "contrasts-by": "none", "control": "RYE", "covariate": "before", "covariate-after": "true", "cv": "10",
		"decimal": "comma", "difference": "10%", "equivalent-to": "BARE", "factors": "rate", "from": one, "full": "true", "json": "true",
		"kind": "proportion", "layout": "split-plot", "margin": "1", "mean": "4", "method": "lsd", "minutes-plot": "3", "minutes-quadrat": "4",
		"model": "beta", "most-quadrats": "3", "no-worse-than": "BARE", "over": "0,9", "own": "OATS", "places-and-years": "true",
		"plot-variance": "2", "power": "0.9", "quadrat-variance": "2", "rate": "rate", "same": "OATS = RYE", "scale": "log10", "script": script,
		"sd": "3", "season": "true", "serial": "true", "side": "below", "step-down": "true", "treatments": "4", "upward": "true",
		"response": "other", "value": "other", "visit": "2", "weeds-set": "true", "worse": "above",
	}
	same := map[string]string{ // what rightly changes nothing that is printed
		"power --treatments": "upward: with no difference asked about there is no direction",
	}
	for _, args := range [][]string{
		{"compare", "height", "--from", one},
		{"compare", "height", "--from", one, "--value", "nothing of the kind"},
		{"power", "--from", one, "--response", "height"},
		{"power", "--treatments", "3", "--blocks", "4", "--cv", "20"},
		{"combine", "height", two},
		{"loss", "weeds", "height", "--from", one},
	} {
		plain := say(t, args...)
		command, _, err := newRoot(&app{}).Find(args[:1])
		if err != nil {
			t.Fatal(err)
		}
		command.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
			value, ok := values[f.Name]
			switch {
			case f.Name == "help" || strings.Contains(strings.Join(args, " "), "--"+f.Name+" "):
				return
			case !ok:
				t.Errorf("--%s of %s has no value here to be tried with", f.Name, args[0])
				return
			}
			got := say(t, append(append([]string(nil), args...), "--"+f.Name+"="+value)...)
			if plain.code == exitDone && got == plain && !strings.HasPrefix(same[strings.Join(args[:2], " ")], f.Name) {
				t.Errorf("%s says the same with --%s %s", strings.Join(args, " "), f.Name, value)
			}
			if plain.code != exitDone && got.code == exitDone {
				t.Errorf("%s is done with --%s %s, and a column that is not there", strings.Join(args, " "), f.Name, value)
			}
		})
		if strings.Contains(strings.Join(args, " "), "nothing of the kind") {
			plain.expect(t, exitFailed, "no column for the value nothing of the kind")
		}
	}
}

// A sheet that is written takes no flag that it does nothing with.
func TestSheetFlagsThatDoNothing(t *testing.T) {
	dir := t.TempDir()
	must(t, "new", "--trial", dir, "--name", "Leeks", "--treatment", "BARE; control", "--treatment", "RYE", "--blocks", "3", "--bed-spacing", "1.5m",
		"--plot-length", "10m", "--visits", "2025-06-14,2025-06-28", "--seed", "1")
	for _, kind := range []string{"counts", "yields", "field", "photos", "amounts"} {
		plain := must(t, "sheet", kind, "--trial", dir)
		for _, flag := range []string{"--visit=2", "--classes=broadleaf", "--with-treatment"} {
			if got := say(t, "sheet", kind, "--trial", dir, flag); got == plain {
				t.Errorf("sheet %s says the same with %s", kind, flag)
			} else if got.code != exitDone {
				got.expect(t, exitUsage, "does nothing for a sheet of "+kind)
			}
		}
	}
}

// What a flag cannot read is said in words, and once: no command passes on what
// the flag library or the number parser says.
func TestFlagsThatCannotBeRead(t *testing.T) {
	tried := 0
	for _, c := range newRoot(&app{}).Commands() {
		if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
			continue
		}
		c.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
			if kind := f.Value.Type(); kind == "bool" || f.Name == "help" || f.Value.Set("no such value") == nil {
				return
			}
			tried++
			got := say(t, c.Name(), "--"+f.Name+"=no such value")
			got.expect(t, exitUsage, "--"+f.Name+": ")
			for _, jargon := range []string{"strconv", "invalid", "parsing", "argument"} {
				if strings.Contains(got.err, jargon) {
					t.Errorf("%s --%s: %s", c.Name(), f.Name, got.err)
				}
			}
			if strings.Count(got.err, "no such value") > 1 {
				t.Errorf("%s --%s says the value twice: %s", c.Name(), f.Name, got.err)
			}
		})
	}
	if tried < 30 {
		t.Errorf("only %d flags refuse anything", tried)
	}
}

// Photos are measured by one process at least, in more than no time.
func TestMeasuringFlagsAbove(t *testing.T) {
	for _, command := range []string{"measure", "photos", "plants"} {
		for _, flag := range []string{"--workers=0", "--workers=-1", "--limit=0s", "--limit=-5s"} {
			say(t, command, flag).expect(t, exitUsage, "is not above zero")
		}
	}
}

// What second looks find stands on the one screen however little room is left;
// what they did not find may give way.
func TestSecondLooksKeepWhatTheyFind(t *testing.T) {
	for _, treatments := range []int{2, 4, 8} {
		var b strings.Builder
		b.WriteString("treatment,rate,plot,height\n")
		for i := range treatments {
			for plot := range 6 {
				spread := 0.01
				if i == 0 {
					spread = 2
				}
				fmt.Fprintf(&b, "T%d,%d,%d,%.3f\n", i, 10*i, 10*i+plot, 10+2*float64(i)+spread*[]float64{-2, -1, 0, 0.5, 1, 1.5}[plot])
			}
		}
		path := table(t, b.String())
		got := must(t, "compare", "height", "--from", path, "--rate", "rate", "--control", "T0", "--checks")
		got.expect(t, exitDone, "residuals of the treatments differ in spread")
		must(t, "compare", "height", "--from", path, "--checks", "--full").expect(t, exitDone, "residuals of the treatments differ in spread", "Powers:")
	}
}
