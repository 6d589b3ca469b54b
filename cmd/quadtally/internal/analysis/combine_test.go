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
	if _, _, same := sameTrial([]TrialValues{a, b}); same {
		t.Error("two trials were taken for one")
	}
	if _, _, same := sameTrial([]TrialValues{values("a", 0, 0, 0, 0), values("b", 0, 0, 0, 0)}); same {
		t.Error("two trials in which all plots are alike were taken for one")
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
