package report

import (
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

func claimFor(key analysis.Key, label string) analysis.Claim {
	return analysis.Claim{Response: analysis.Response{Key: key, Label: label}, Control: "BARE"}
}

func effect(code string, change float64) analysis.Effect {
	return analysis.Effect{Treatment: code, Change: &change}
}

var named = wordsFor{&trial.Trial{Treatments: []trial.Treatment{{Code: "BARE", Name: "Bare ground", Control: true}, {Code: "RV", Name: "Rolled rye with vetch"},
	{Code: "B", Name: "Rolled barley"}, {Code: "S", Name: "Spread straw"}, {Code: "X"}}}}

func TestVerdicts(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	weeds := func(change func(*analysis.Claim)) analysis.Claim {
		c := claimFor(analysis.HandCount, "hand count")
		c.OverallP, c.OverallShown, c.Top, c.Bottom = p(0.0001), true, "BARE", "RV"
		change(&c)
		return c
	}
	for _, c := range []struct {
		claim analysis.Claim
		want  string
	}{
		{weeds(func(c *analysis.Claim) {
			c.Less, c.Open = []analysis.Effect{effect("RV", -0.58), effect("B", -0.52)}, []analysis.Effect{effect("S", -0.1)}
		}), "Rolled rye with vetch and Rolled barley had about 55 % fewer weeds than Bare ground. Spread straw did not clearly differ from Bare ground in weeds."},
		{weeds(func(c *analysis.Claim) {
			c.Less, c.More = []analysis.Effect{effect("RV", -0.79), effect("B", -0.45)}, []analysis.Effect{effect("S", 0.32)}
		}), "Rolled rye with vetch had about 79 % fewer weeds than Bare ground. Rolled barley had about 45 % fewer weeds than Bare ground. Spread straw had about 32 % more weeds than Bare ground."},
		{weeds(func(c *analysis.Claim) { c.Open = []analysis.Effect{effect("RV", -0.3), effect("S", 0.1)} }), "No treatment clearly differed from Bare ground in weeds."},
		{weeds(func(c *analysis.Claim) { c.Control = "" }), "The treatments differ in weeds: most were found with Bare ground and fewest with Rolled rye with vetch."},
		{weeds(func(c *analysis.Claim) { c.Control, c.OverallShown = "", false }), "The treatments are not shown to differ in weeds."},
		{weeds(func(c *analysis.Claim) { c.AllZero = true }), "There were no weeds in any plot."},
		{weeds(func(c *analysis.Claim) { c.Refusal = "there is no hand count in the record yet" }), "Weeds: there is no hand count in the record yet."},
		{weeds(func(c *analysis.Claim) { c.Less = []analysis.Effect{{Treatment: "X"}} }), "X had fewer weeds than Bare ground."},
	} {
		if got := strings.ReplaceAll(strings.Join(named.verdict(c.claim), " "), noBreak, " "); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
	cover := claimFor(analysis.GreenCover, "green cover")
	cover.Less = []analysis.Effect{effect("RV", -0.4)}
	if got := strings.Join(named.verdict(cover), " "); !strings.Contains(got, "green cover (weeds, crop and regrowth together)") || strings.Contains(got, "fewer weeds") {
		t.Errorf("green is called weeds: %s", got)
	}
	yield := claimFor(analysis.Yield, "marketable yield")
	yield.More = []analysis.Effect{effect("RV", 0.32)}
	if got := strings.ReplaceAll(named.verdict(yield)[0], noBreak, " "); got != "Rolled rye with vetch had about 32 % more marketable yield than Bare ground." {
		t.Error(got)
	}
}

// No two sentences about a response contradict each other, whatever came out:
// every treatment is said to differ or not to, once; and what the overall test
// adds never denies what was said of the control.
func TestNoContradictions(t *testing.T) {
	codes := []string{"RV", "B", "S"}
	p := func(v float64) *float64 { return &v }
	for _, key := range []analysis.Key{analysis.HandCount, analysis.GreenCover, analysis.WeedCover, analysis.Yield, analysis.Regrowth} {
		for _, overall := range []float64{0.0001, 0.09, -1} {
			for pattern := range 64 { // each treatment less, more, open or untested
				c := claimFor(key, string(key))
				if overall >= 0 {
					c.OverallP, c.OverallShown = p(overall), overall < 0.05
				}
				c.Top, c.Bottom = "B", "RV"
				for i, code := range codes {
					switch pattern >> (2 * i) & 3 {
					case 0:
						c.Less = append(c.Less, effect(code, -0.5+0.2*float64(i)))
					case 1:
						c.More = append(c.More, effect(code, 0.3+0.2*float64(i)))
					case 2:
						c.Open = append(c.Open, effect(code, 0.01))
					case 3:
						c.Untested = append(c.Untested, code)
					}
				}
				name := fmt.Sprintf("%s F %v pattern %d", key, overall, pattern)
				list := named.verdict(c)
				text := strings.Join(list, " ")
				all := len(c.Open) == len(codes)
				for _, e := range append(append([]analysis.Effect{}, c.Less...), c.More...) {
					for _, s := range list {
						if strings.Contains(s, named.name(e.Treatment)) && (strings.Contains(s, "not clearly") || strings.Contains(s, "No treatment")) {
							t.Errorf("%s: %s", name, text)
						}
					}
				}
				if strings.Contains(text, "No treatment") != all {
					t.Errorf("%s: %s", name, text)
				}
				for _, code := range codes {
					if n := strings.Count(text, named.name(code)); n != 1 && !all {
						t.Errorf("%s: %s is told of %d times: %s", name, code, n, text)
					}
				}
				second := named.second(c)
				shown := len(c.Less)+len(c.More) > 0
				if shown && strings.Contains(second, "none of them is shown") || !shown && strings.Contains(second, "stand on their own") {
					t.Errorf("%s: %s // %s", name, text, second)
				}
				if (second != "") != (overall >= 0 && shown != c.OverallShown) {
					t.Errorf("%s: %q", name, second)
				}
			}
		}
	}
}

// The first page says what to do next: a common day where days went together
// with treatments, and how many blocks it takes.
func TestWhatNext(t *testing.T) {
	in := inventedInput(t)
	in.DateGroups = []stats.DateSet{{Operation: "termination", ByTreatment: map[string][]string{"RYE": {"2025-05-26"}, "BARE": {"2025-05-29"}}}}
	text := strings.ReplaceAll(asText(BuildOnePage(in)), noBreak, " ")
	for _, want := range []string{"what next?", "one common day of termination for all treatments", "Next season: the same 4 blocks are enough to see ", " in the test of all treatments together, four times in five"} {
		if !strings.Contains(text, want) {
			t.Errorf("page 1 does not say %q:\n%s", want, text)
		}
	}
	in.DateGroups = nil
	if text := asText(BuildOnePage(in)); strings.Contains(text, "common day") {
		t.Errorf("nothing went together:\n%s", text)
	}
}

// Where a treatment that is shown to differ from the control shares a letter
// with it, the page of the letters says so.
func TestLettersBesideTheControl(t *testing.T) {
	const says = "alone, some that share its letter do differ"
	for _, hidden := range []bool{false, true} {
		in := inventedInput(t)
		a := in.Responses[1].Overall.Main()
		for i := range a.VsControl {
			a.VsControl[i].Differ = hidden
		}
		for i := range a.Treatments {
			a.Treatments[i].Letters = "a"
		}
		if text := asText(BuildOnePage(in)); strings.Contains(text, says) != hidden {
			t.Errorf("hidden %v:\n%s", hidden, text)
		}
	}
}
