package analysis

import (
	"fmt"
	"reflect"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

func at(v float64) *float64 { return &v }

// names lists treatments with their change, such as "RYE -55%".
func names(list []Effect) string {
	var out []string
	for _, e := range list {
		text := e.Treatment
		if e.Change != nil {
			text += fmt.Sprintf(" %.0f%%", 100**e.Change)
		}
		out = append(out, text)
	}
	return strings.Join(out, ", ")
}

// controlled is a finished comparison of five treatments with the control BARE:
// two shown below it, one above, one open, one that cannot be tested.
func controlled() *stats.Analysis {
	a := &stats.Analysis{Control: "BARE", Alpha: 0.05}
	a.ANOVA = []stats.ANOVARow{{Term: "block", P: at(0.5)}, {Term: stats.TreatmentTerm, P: at(0.01)}, {Term: "residual"}}
	less := func(percent, lower, upper float64) *stats.Suppression {
		return &stats.Suppression{Percent: &percent, Lower: &lower, Upper: &upper}
	}
	a.Treatments = []stats.TreatmentResult{
		{Treatment: "BARE", Mean: at(40)},
		{Treatment: "RYE", Mean: at(30), Suppression: less(25, 10, 40)},
		{Treatment: "STRAW", Mean: at(10), Suppression: less(75, 60, 90)},
		{Treatment: "MIX", Mean: at(60), Suppression: less(-50, -70, -30)},
		{Treatment: "LATE", Mean: at(38), Suppression: less(5, -10, 20)},
		{Treatment: "APART"},
	}
	a.VsControl = []stats.ControlComparison{
		{Treatment: "RYE", Difference: at(-10), P: at(0.04), Differ: true}, {Treatment: "STRAW", Difference: at(-30), P: at(0.001), Differ: true},
		{Treatment: "MIX", Difference: at(20), P: at(0.002), Differ: true}, {Treatment: "LATE", Difference: at(-2), P: at(0.8)}, {Treatment: "APART"},
	}
	a.Pairs = []stats.Pair{{A: "BARE", B: "RYE", Differ: true}, {A: "BARE", B: "STRAW", Differ: true}, {A: "MIX", B: "BARE", Differ: true}, {A: "RYE", B: "MIX", Differ: true}, {A: "RYE", B: "LATE"}}
	a.Plots = []stats.PlotResult{{Value: 0}, {Value: 40}}
	return a
}

// Each treatment stands in one list, by what is shown of it, the largest change
// first; a change is a share of the control and its limits keep their order.
func TestClaimAgainstTheControl(t *testing.T) {
	c := ClaimOf(Response{Key: HandCount}, Answer{Comparison: Comparison{Analysis: controlled()}})
	if c.Control != "BARE" || names(c.Less) != "STRAW -75%, RYE -25%" || names(c.More) != "MIX 50%" || names(c.Open) != "LATE -5%" || fmt.Sprint(c.Untested) != "[APART]" {
		t.Errorf("less %s, more %s, open %s, untested %v", names(c.Less), names(c.More), names(c.Open), c.Untested)
	}
	e := c.Less[1]
	near(t, "low", *e.Low, -0.40, 1e-12)
	near(t, "high", *e.High, -0.10, 1e-12)
	near(t, "p", *e.P, 0.04, 0)
	if c.OverallP == nil || *c.OverallP != 0.01 || !c.OverallShown || c.AllZero || c.PairsShown != 4 || c.Pairs != 5 {
		t.Errorf("%+v", c)
	}
	if c.Top != "MIX" || c.Bottom != "STRAW" || !c.TopAlone {
		t.Errorf("top %s bottom %s alone %v", c.Top, c.Bottom, c.TopAlone)
	}
}

// What a claim says at the edges: a p at the level is not shown, one pair of the
// top that does not differ is enough, back-transformed means decide, and
// nothing detectable is told where no smaller mean would have shown.
func TestClaimAtTheEdges(t *testing.T) {
	for name, x := range map[string]struct {
		change func(a *stats.Analysis)
		holds  func(c Claim) bool
	}{
		"p at the level":         {func(a *stats.Analysis) { a.ANOVA[1].P = at(0.05) }, func(c Claim) bool { return !c.OverallShown && *c.OverallP == 0.05 }},
		"no test of treatments":  {func(a *stats.Analysis) { a.ANOVA[1].P = nil }, func(c Claim) bool { return c.OverallP == nil && !c.OverallShown }},
		"the top is not alone":   {func(a *stats.Analysis) { a.Pairs[3].Differ = false }, func(c Claim) bool { return !c.TopAlone }},
		"no pair holds the top":  {func(a *stats.Analysis) { a.Pairs = a.Pairs[:2] }, func(c Claim) bool { return c.Top == "MIX" && !c.TopAlone }},
		"the highest comes back": {func(a *stats.Analysis) { a.Treatments[4].Back = at(99) }, func(c Claim) bool { return c.Top == "LATE" }},
		"equal means":            {func(a *stats.Analysis) { a.Treatments[4].Mean = at(60) }, func(c Claim) bool { return c.Top == "MIX" }},
		"equal lowest means":     {func(a *stats.Analysis) { a.Treatments[4].Mean = at(10) }, func(c Claim) bool { return c.Bottom == "STRAW" }},
		"all zero":               {func(a *stats.Analysis) { a.Plots = a.Plots[:1] }, func(c Claim) bool { return c.AllZero }},
		"no plots":               {func(a *stats.Analysis) { a.Plots = nil }, func(c Claim) bool { return !c.AllZero }},
		"p without a difference": {func(a *stats.Analysis) { a.VsControl[0].Difference = nil }, func(c Claim) bool { return fmt.Sprint(c.Untested) == "[RYE APART]" }},
		"no difference at all":   {func(a *stats.Analysis) { a.VsControl[0].Difference = at(0) }, func(c Claim) bool { return names(c.More) == "MIX 50%, RYE -25%" }},
		"a control of nothing": {func(a *stats.Analysis) {
			for i := range a.Treatments {
				a.Treatments[i].Suppression = &stats.Suppression{Note: "the control holds nothing"}
			}
		}, func(c Claim) bool { return names(c.Less) == "RYE, STRAW" && c.Less[0].Low == nil }},
		"open at one end": {func(a *stats.Analysis) { a.Treatments[1].Suppression.Lower = nil }, func(c Claim) bool { return c.Less[1].High == nil && *c.Less[1].Low == -0.4 }},
		"detectable":      {func(a *stats.Analysis) { a.Detectable = &stats.Detectable{From: 40, To: 28} }, func(c Claim) bool { return c.Detectable != nil && *c.Detectable == 0.3 && !c.TooSmall }},
		"detectable upwards": {func(a *stats.Analysis) { a.Detectable = &stats.Detectable{From: 40, To: 52} },
			func(c Claim) bool { return c.Detectable == nil }},
		"nothing to detect": {func(a *stats.Analysis) { a.Detectable = &stats.Detectable{From: 40, To: 40} }, func(c Claim) bool { return c.Detectable == nil }},
		"from nothing":      {func(a *stats.Analysis) { a.Detectable = &stats.Detectable{To: 40, BeyondZero: true} }, func(c Claim) bool { return c.Detectable == nil && !c.TooSmall }},
		"beyond zero":       {func(a *stats.Analysis) { a.Detectable = &stats.Detectable{From: 40, To: 5, BeyondZero: true} }, func(c Claim) bool { return c.Detectable == nil && c.TooSmall }},
		"what is missing": {func(a *stats.Analysis) {
			a.Design = stats.Design{Blocks: []string{"1", "2", "3"}, Empty: []string{"3"}, Lost: []string{"APART"}}
			a.Missing = []stats.MissingPlot{{Name: "301", Block: "3", Treatment: "RYE"}, {Name: "105", Block: "1", Treatment: "APART"}, {Name: "202", Block: "2", Treatment: "RYE"}}
		}, func(c Claim) bool {
			return c.Blocks == 2 && fmt.Sprint(c.BlocksLost, c.TreatmentsLost, c.PlotsMissing) == "[3] [APART] [202]"
		}},
	} {
		a := controlled()
		x.change(a)
		if c := ClaimOf(Response{}, Answer{Comparison: Comparison{Analysis: a}}); !x.holds(c) {
			t.Errorf("%s: %+v", name, c)
		}
	}
	c := ClaimOf(Response{Key: Yield}, Answer{Refusal: "no yield yet"})
	if !reflect.DeepEqual(c, Claim{Response: Response{Key: Yield}, Refusal: "no yield yet"}) {
		t.Errorf("a refusal claims %+v", c)
	}
}

// A visit at which plots stand on a straight line between others is named with
// its number and plots; a visit with all plots is not.
func TestClaimNamesBridgedVisits(t *testing.T) {
	s := &stats.Season{Days: []float64{0, 14, 28}, PeriodMean: *controlled(), Plots: []stats.PlotSeason{{Name: "101", Bridged: []float64{14}}, {Name: "102"}, {Name: "103", Bridged: []float64{14}}}}
	c := ClaimOf(Response{}, Answer{Comparison: Comparison{Season: s}, VisitOf: map[float64]int{0: 1, 14: 2, 28: 3}})
	if fmt.Sprint(c.Bridged) != "[{2 [101 103]}]" {
		t.Errorf("%v", c.Bridged)
	}
}

// Of an operation the field log comes before the plan, and is told once.
func TestDateGroups(t *testing.T) {
	snap := twoPlots(trial.Metric)
	if got := DateGroups(snap); got != nil {
		t.Errorf("without dates: %v", got)
	}
	snap.Trial.Treatments[0].Terminated, snap.Trial.Treatments[1].Terminated = dateOf("2025-05-01"), dateOf("2025-05-09")
	snap.Operations = []record.Operation{{What: "termination", Treatment: "RYE", Date: dateOf("2025-05-12")}, {What: "planting", Date: dateOf("2025-06-01")}}
	got := DateGroups(snap)
	if len(got) != 1 || got[0].Operation != "termination" || fmt.Sprint(got[0].ByTreatment) != "map[BARE:[2025-05-01] RYE:[2025-05-12]]" {
		t.Errorf("%v", got)
	}
	if apart := DatesApart(snap); len(apart) != 1 || !strings.Contains(apart[0], "2025-05-12") {
		t.Errorf("%q", apart)
	}
	snap.Operations[0].Date = dateOf("2025-05-01")
	// As planned they lie apart, as done they do not: the plan is still told.
	if got := DateGroups(snap); len(got) != 1 || fmt.Sprint(got[0].ByTreatment) != "map[BARE:[2025-05-01] RYE:[2025-05-09]]" {
		t.Errorf("%v", got)
	}
}
