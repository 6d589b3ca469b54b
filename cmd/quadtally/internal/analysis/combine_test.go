package analysis

import (
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/stats"
)

// TestOneTrialCountsOnce: a trial beside its copy or export is refused, in
// whatever order its plots stand; trials that differ in one plot are two.
func TestOneTrialCountsOnce(t *testing.T) {
	values := func(name string, v ...float64) TrialValues {
		out := TrialValues{Name: name, Response: "yield", Unit: "t/ha", Kind: stats.Measure}
		for i, x := range v {
			out.Plots = append(out.Plots, stats.CombinePlot{Block: string(rune('1' + i/2)), Treatment: []string{"RYE", "BARE"}[i%2], Value: x})
		}
		return out
	}
	a, b := values("east", 5, 4, 6, 5, 7, 5), values("west", 5, 4, 6, 5, 7, 5.1)
	twin := values("twin", 5, 4, 6, 5, 7, 5)
	twin.Plots[0], twin.Plots[5] = twin.Plots[5], twin.Plots[0]
	if _, err := CombineTrials([]TrialValues{a, b, twin}, CombineOptions{Alpha: 0.05}); err == nil || !strings.Contains(err.Error(), "east and twin have the same values") {
		t.Errorf("a trial was combined with its copy: %v", err)
	}
	if _, _, _, _, same := sameTrial([]TrialValues{a, b}); same {
		t.Error("two trials were taken for one")
	}
	if _, _, _, _, same := sameTrial([]TrialValues{values("a", 0, 0, 0, 0), values("b", 0, 0, 0, 0)}); same {
		t.Error("two trials in which all plots are alike were taken for one")
	}
}

// TestNearCopyOfATrial: a copy in which a value was corrected or left out is
// still the same trial; trials of few different values are told apart by all.
func TestNearCopyOfATrial(t *testing.T) {
	trialOf := func(values func(i int) float64, without int) TrialValues {
		out := TrialValues{Name: "x", Response: "yield", Kind: stats.Measure}
		for i := range 20 {
			if i != without {
				out.Plots = append(out.Plots, stats.CombinePlot{Block: string(rune('1' + i/5)), Treatment: string(rune('A' + i%5)), Value: values(i)})
			}
		}
		return out
	}
	rising := func(i int) float64 { return 20 + 0.7*float64(i) }
	from := func(k int, other float64) func(int) float64 { // as rising but for the last k
		return func(i int) float64 {
			if i >= 20-k {
				return other + float64(i)
			}
			return rising(i)
		}
	}
	few := func(i int) float64 { return float64(i % 3) }
	for name, c := range map[string]struct {
		a, b      TrialValues
		alike, of int
	}{
		"a whole copy":         {trialOf(rising, -1), trialOf(rising, -1), 20, 20},
		"one plot left out":    {trialOf(rising, -1), trialOf(rising, 7), 19, 19},
		"two values corrected": {trialOf(rising, -1), trialOf(from(2, 90), -1), 18, 20},
		"three values differ":  {trialOf(rising, -1), trialOf(from(3, 90), -1), 0, 0},
		"few values, one gone": {trialOf(few, -1), trialOf(few, 7), 0, 0},
		"few values, a copy":   {trialOf(few, -1), trialOf(few, -1), 20, 20},
	} {
		_, _, alike, of, same := sameTrial([]TrialValues{c.a, c.b})
		if same != (c.of > 0) || same && (alike != c.alike || of != c.of) {
			t.Errorf("%s: %v, %d of %d alike, want %d of %d", name, same, alike, of, c.alike, c.of)
		}
		if _, _, n, m, again := sameTrial([]TrialValues{c.b, c.a}); again != same || same && (n != alike || m != of) {
			t.Errorf("%s: in the other order %v, %d of %d", name, again, n, m)
		}
	}
}

// TestLossAsksWhatColumnsHold: names with a meaning keep it in a table.
func TestLossAsksWhatColumnsHold(t *testing.T) {
	s, err := tables.Read("t.csv", []byte("plot,green-cover,crop-cover,yield\n1,10,40,9\n2,20,30,8\n3,30,20,7\n4,45,10,5\n5,60,5,4\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ weeds, yield, want string }{
		{"crop-cover", "yield", "is not of weeds"},
		{"yield", "yield", "is not of weeds"},
		{"green-cover", "green-cover", "is not of the crop"},
	} {
		if _, err := YieldLossOfTable(s, LossOptions{Weeds: c.weeds, Yield: c.yield, Alpha: 0.05}, tables.Undecided); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s against %s: %v", c.weeds, c.yield, err)
		}
	}
	out, err := YieldLossOfTable(s, LossOptions{Weeds: "green-cover", Yield: "yield", Alpha: 0.05}, tables.Undecided)
	if err != nil || !strings.Contains(strings.Join(out.Notes, "; "), "crop and regrowth") {
		t.Errorf("%v %q", err, out.Notes)
	}
}
