package analysis

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Units of the trial decide what values are shown in: a pound is 0.45359237 kg, a
// foot 0.3048 m (NIST Handbook 44, appendix C).
func TestUnitsOfResponses(t *testing.T) {
	spaced, bare := func(u trial.Units) *trial.Trial {
		return &trial.Trial{Units: u, Ground: trial.Ground{BedSpacingMM: 1500}}
	}, func(u trial.Units) *trial.Trial { return &trial.Trial{Units: u} }
	for _, c := range []struct {
		name   string
		in     func(*trial.Trial) (string, float64)
		t      *trial.Trial
		unit   string
		factor float64
	}{
		{"yield", yieldUnit, spaced(trial.Metric), "kg/ha", 10000 / 1.5}, {"yield", yieldUnit, spaced(trial.US), "lb/acre", 10000 / 1.5 / 0.45359237 * 0.40468564224},
		{"yield without spacing", yieldUnit, bare(trial.Metric), "kg per m of bed", 1}, {"yield without spacing", yieldUnit, bare(trial.US), "lb per bed-foot", 0.3048 / 0.45359237},
		{"bed", bedUnit, spaced(trial.Metric), "kg per m of bed", 1}, {"bed", bedUnit, spaced(trial.US), "lb per bed-foot", 0.3048 / 0.45359237},
		{"weight", weightUnit, bare(trial.Metric), "t/ha", 10}, {"weight", weightUnit, bare(trial.US), "lb/acre", 10000 / 0.45359237 * 0.40468564224},
		{"density", density("per"), bare(trial.Metric), "per m²", 1}, {"density", density("plants per"), bare(trial.US), "plants per ft²", 0.3048 * 0.3048},
		{"stand", standUnit, bare(trial.Metric), "plants per m of bed", 1}, {"stand", standUnit, bare(trial.US), "plants per bed-foot", 0.3048},
		{"height", heightUnit, bare(trial.Metric), "cm", 0.1}, {"height", heightUnit, bare(trial.US), "in", 1 / 25.4},
	} {
		unit, factor := c.in(c.t)
		if unit != c.unit {
			t.Errorf("%s: %s", c.name, unit)
		}
		near(t, c.name+" "+unit, factor/c.factor, 1, 1e-6)
	}
}

// What a name says of a response of a table.
func TestNamesOfResponses(t *testing.T) {
	for name, want := range map[string]string{
		"cover": "percent green true false", "Weed cover": "percent weeds true false", "green_pct": "percent unknown false false", "% rye": "percent unknown false false",
		"count": "count weeds true false", "weeds": "count unknown false false", "plants": "count unknown false false", "my count": "count unknown false false",
		"yield": "measure crop false true", "Cull": "measure crop false false", "residue": "measure ground false false", "crop height": "measure crop false true", "bulbs": "measure unknown false false",
	} {
		role := roleByName(name)
		if got := fmt.Sprint(KindByName(name), " ", role, " ", role.LessIsBetter(), " ", MoreIsBetter(name)); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	for name, want := range map[string]Key{"cover": GreenCover, "Weed Cover": WeedCover, "": "", "bulbs": ""} {
		if got := Named(name); got != want {
			t.Errorf("%q: %q", name, got)
		}
	}
	if err := misuse("x: %w", errMark); !errors.Is(err, errMark) {
		t.Error("the cause is lost")
	}
}

var errMark = errors.New("mark")

// Units as stored make the kind: fractions and percent are percent, a score is a
// measure whatever its name says; two units do not meet.
func TestUnitsAsStored(t *testing.T) {
	for unit, want := range map[string]string{"fraction": "% 100 percent", "%": "% 1 percent", "Percent": "Percent 1 percent", "score": "score 1 measure", "": " 1 measure"} {
		snap := twoPlots(trial.Metric)
		snap.Observations = []record.Observation{{Plot: "101", Variable: "vigour", Value: 1, Unit: unit}, {Plot: "102", Variable: "Vigour", Value: 1, Unit: unit}, {Plot: "102", Variable: "other", Value: 1, Unit: "km"}}
		r, err := Find(snap, "vigour", "")
		if got := fmt.Sprintf("%s %g %s", r.Unit, r.Factor, r.Kind); err != nil || got != want || r.Role != Unknown || r.FromPhotos() || r.MadeOf() != "" || r.one() != 0 {
			t.Errorf("%q: %s, %v", unit, got, err)
		}
		if !slices.Contains(Names(snap), "vigour") || !slices.Contains(Names(snap), "other") {
			t.Errorf("%v", Names(snap))
		}
	}
	snap := twoPlots(trial.Metric)
	r, _ := Find(snap, "residue-stems", "")
	if r.Factor != 1 || r.Unit != "" || r.Kind != stats.Count || r.one() != 1 {
		t.Errorf("nothing stored: %+v", r)
	}
}

// A class is one that was counted, by its own name, its group or life form; where
// none is it is refused with those that are.
func TestClassesOfCounts(t *testing.T) {
	snap := twoPlots(trial.Metric)
	couch := counted1("101", 1, "couch", 3)
	couch.Group, couch.Life = "grass", "perennial"
	cover := couch
	cover.Variable, cover.Class, cover.Group = record.VarCover, "sedge", ""
	snap.Observations = []record.Observation{cover, couch, counted1("101", 1, "Couch", 3), counted1("102", 1, "", 2)}
	for _, class := range []string{"Couch", "GRASS", "perennial"} {
		if r, err := Find(snap, "count", class); err != nil || r.Label != "hand count of "+class || r.Main {
			t.Errorf("%s: %+v %v", class, r, err)
		}
	}
	if _, err := Find(snap, "count", "sedge"); err == nil || !strings.HasSuffix(err.Error(), `nothing was counted as "sedge": there is couch, grass, perennial`) {
		t.Errorf("%v", err)
	}
	if r, err := Find(twoPlots(trial.Metric), "count", "sedge"); err != nil || r.Class != "sedge" {
		t.Errorf("where nothing was counted: %v", err)
	}
	if r, err := Find(snap, "count", ""); err != nil || !r.Main || r.one() != 1 {
		t.Errorf("%+v %v", r, err)
	}
	var asked []string
	for _, x := range everything(snap) {
		asked = append(asked, x.name+"/"+x.class)
	}
	if want := "green-cover/ count/ count/couch count/grass count/perennial yield/ "; !strings.HasPrefix(strings.Join(asked, " ")+" ", want) {
		t.Errorf("%v", asked)
	}
	snap.Observations = []record.Observation{counted1("101", 1, "couch", 3)}
	asked = nil
	for _, x := range everything(snap) {
		asked = append(asked, x.name+"/"+x.class)
	}
	if got := strings.Join(asked, " "); got != "green-cover/ count/ yield/" {
		t.Errorf("one class alone is not asked for by itself: %v", got)
	}
}

// Each pick is a response of its own where there are several, under its label or
// its place; plots without its weight or length are named.
func TestPicksAsResponses(t *testing.T) {
	snap := twoPlots(trial.Metric)
	one, two := picked("101", "2025-09-20", "marketable", 9, 3000), picked("101", "2025-10-04", "marketable", 4, 2000)
	other := picked("102", "2025-10-04", "marketable", 4, 0)
	snap.Observations = []record.Observation{one}
	if _, err := Find(snap, "yield-pick-1", ""); err == nil {
		t.Error("one pick is the yield")
	}
	if slices.Contains(Names(snap), "yield-pick-1") {
		t.Errorf("%v", Names(snap))
	}
	snap.Observations = []record.Observation{one, two, picked("102", "2025-09-20", "marketable", 6, 3000), other}
	if n := Names(snap); !slices.Contains(n, "yield-pick-1") || !slices.Contains(n, "yield-pick-2") {
		t.Errorf("%v", n)
	}
	r, err := Find(snap, "Yield pick 2", "")
	if err != nil || r.Label != "marketable yield at pick 2 (2025-10-04)" || r.Unit != "kg/ha" {
		t.Fatalf("%+v %v", r, err)
	}
	rs, notes, err := r.Readings(snap)
	if err != nil || len(rs) != 1 || rs[0].Plot != "101" || rs[0].Value != 2 || len(notes) != 1 || !strings.Contains(notes[0], "left out in plot 102, where the weight") {
		t.Errorf("%+v %q %v", rs, notes, err)
	}
	r, _ = Find(snap, "yield-pick-1", "")
	if rs, notes, err = r.Readings(snap); err != nil || len(rs) != 2 || rs[1].Value != 2 || len(notes) != 0 {
		t.Errorf("%+v %q %v", rs, notes, err)
	}
	for i := range snap.Observations {
		snap.Observations[i].Pick = map[string]string{"2025-09-20": "early", "2025-10-04": "main crop"}[snap.Observations[i].Date.String()]
	}
	if r, err = Find(snap, "yield-pick-main-crop", ""); err != nil || r.Label != "marketable yield at pick main crop" {
		t.Errorf("%+v %v", r, err)
	}
	// A pick of which only pieces were counted has no weight to offer.
	for i := range snap.Observations {
		snap.Observations[i].Variable = record.VarPieces
	}
	if n := Names(snap); slices.Contains(n, "yield-pick-early") {
		t.Errorf("%v", n)
	}
}

// What totals of quadrats are made of is said: the one class there is, quadrats
// without a total (four by name), and classes that were not looked for.
func TestNotesOfCounts(t *testing.T) {
	said := func(class string, planned []trial.Class, list ...record.Observation) string {
		t.Helper()
		snap := twoPlots(trial.Metric)
		snap.Trial.Classes = planned
		snap.Observations = list
		r, err := Find(snap, "count", class)
		if err != nil {
			t.Fatal(err)
		}
		rs, notes, err := r.Readings(snap)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%d: %s", len(rs), strings.Join(notes, "; "))
	}
	all := func(class string) (out []record.Observation) {
		for _, plot := range []string{"101", "102"} {
			for q := 1; q <= 2; q++ {
				out = append(out, counted1(plot, q, class, 1))
			}
		}
		return out
	}
	grass := all("grass")
	if got := said("", nil, grass...); got != "4: hand count is of grass alone, the only class that was counted" {
		t.Errorf("%s", got)
	}
	if got := said("", []trial.Class{{Name: "grass"}}, grass...); got != "4: " {
		t.Errorf("planned: %s", got)
	}
	if got := said("", nil, all("")...); got != "4: " {
		t.Errorf("totals: %s", got)
	}
	if got := said("grass", nil, grass...); got != "4: " {
		t.Errorf("the class itself: %s", got)
	}
	if got := said("", nil, append(all("grass"), all("sedge")...)...); got != "4: " {
		t.Errorf("two classes: %s", got)
	}
	gone := all("sedge")
	gone[3] = missing(gone[3])
	if got := said("", nil, append(all("grass"), gone...)...); !strings.HasPrefix(got, "3: hand count has no total in 1 of the quadrats (102/2 at visit 1), where") {
		t.Errorf("one missing: %s", got)
	}
	if got := said("sedge", nil, append(all("grass"), gone...)...); got != "3: " {
		t.Errorf("missing where it is asked for alone: %s", got)
	}
	if got := said("", nil, grass[:3]...); !strings.Contains(got, "1 of 4 quadrats of visit 1 have no count (102/2)") {
		t.Errorf("a quadrat without a count: %s", got)
	}
	var many []Place
	for q := range 6 {
		many = append(many, Place{"101", q + 1, 1})
	}
	if got := placeList(many); got != "6 of the quadrats (101/1 at visit 1, 101/2 at visit 1, 101/3 at visit 1, 101/4 at visit 1, 2 more)" {
		t.Errorf("%s", got)
	}
	if got := placeList(many[:4]); strings.Contains(got, "more") || !strings.Contains(got, "101/4") {
		t.Errorf("%s", got)
	}
	whole := all("grass")
	whole[0].Quadrat = 0
	if got := said("", []trial.Class{{Name: "grass"}}, whole...); !strings.HasPrefix(got, "3: ") {
		t.Errorf("a count of a whole plot: %s", got)
	}
	snap := twoPlots(trial.Metric)
	snap.Trial.Quadrat.WidthMM = 0
	snap.Observations = grass
	r, _ := Find(snap, "count", "")
	if rs, _, err := r.Readings(snap); err != nil || len(rs) != 0 {
		t.Errorf("no size of quadrat: %+v %v", rs, err)
	}
}

// A frame that is no multiple of the drill rows is told beside what was cut in it,
// and only there.
func TestFrameOverDrillRows(t *testing.T) {
	for name, c := range map[string]struct {
		rowMM float64
		unit  string
		note  bool
	}{"fits": {125, "kg", false}, "does not": {200, "kg", true}, "already per area": {200, "kg/m2", false}, "no rows": {0, "kg", false}} {
		snap := twoPlots(trial.Metric)
		snap.Trial.Ground.DrillRowMM = c.rowMM
		snap.Observations = []record.Observation{{Plot: "101", Quadrat: 1, Variable: record.VarBiomass, Value: 0.4, Unit: c.unit}}
		r, _ := Find(snap, "biomass", "")
		_, notes, err := r.Readings(snap)
		if err != nil || (len(notes) > 0) != c.note || c.note && !strings.Contains(notes[0], "may be 0.80 to 1.20 times") {
			t.Errorf("%s: %q %v", name, notes, err)
		}
	}
}

// Everything green says at how many of its visits weeds are told apart.
func TestNotesOfEverythingGreen(t *testing.T) {
	byHand := record.Result{CoverFrac: 0.1, AllGreen: &record.AllGreen{CoverFrac: 0.2}}
	for name, c := range map[string]struct {
		photos []record.Photo
		want   string
	}{
		"none":           {[]record.Photo{photoIn("101", 1, 1, record.Result{})}, ""},
		"all":            {[]record.Photo{photoIn("101", 1, 1, byHand), photoIn("101", 1, 2, byHand)}, "everything green is compared; weed-cover holds the weeds alone"},
		"one of two":     {[]record.Photo{photoIn("101", 1, 1, byHand), photoIn("101", 1, 2, record.Result{})}, "everything green is compared; weed-cover holds the weeds alone, at 1 of 2 visits so far"},
		"half a visit":   {[]record.Photo{photoIn("101", 1, 1, byHand), photoIn("102", 1, 1, record.Result{})}, ""},
		"out of use too": {[]record.Photo{photoIn("101", 1, 1, byHand), {Rejected: "x", Place: record.Place{Visit: 1}}}, "everything green is compared; weed-cover holds the weeds alone"},
	} {
		snap := twoPlots(trial.Metric)
		snap.Photos = c.photos
		if got := strings.Join(separationNotes(snap), "; "); got != c.want {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// What is held against what: weeds where weeds are told apart and judged alone.
func TestSidesOfAnAgreement(t *testing.T) {
	byHand := record.Result{CoverFrac: 0.1, AllGreen: &record.AllGreen{CoverFrac: 0.2}}
	weedsByEye := record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: record.VarWeedCover, Value: 0.1, Unit: "fraction"}
	for name, c := range map[string]struct {
		photos       []record.Photo
		stored       []record.Observation
		cover, count Key
	}{
		"nothing":           {nil, nil, GreenCover, GreenPieces},
		"green":             {[]record.Photo{photoIn("101", 1, 1, record.Result{})}, []record.Observation{weedsByEye}, GreenCover, GreenPieces},
		"weeds told, green": {[]record.Photo{photoIn("101", 1, 1, byHand)}, nil, GreenCover, WeedPieces},
		"weeds on both":     {[]record.Photo{photoIn("101", 1, 1, byHand)}, []record.Observation{weedsByEye}, WeedCover, WeedPieces},
		"marked missing":    {[]record.Photo{photoIn("101", 1, 1, byHand)}, []record.Observation{missing(weedsByEye)}, GreenCover, WeedPieces},
		"at one of two":     {[]record.Photo{photoIn("101", 1, 1, byHand), photoIn("101", 1, 2, record.Result{})}, []record.Observation{weedsByEye}, WeedCover, GreenPieces},
	} {
		snap := twoPlots(trial.Metric)
		snap.Photos, snap.Observations = c.photos, c.stored
		if a, b := photoSide(snap, calibrate.Cover), photoSide(snap, calibrate.Count); a != c.cover || b != c.count {
			t.Errorf("%s: %s and %s", name, a, b)
		}
	}
	snap := twoPlots(trial.Metric)
	snap.Photos, snap.Observations = []record.Photo{photoIn("101", 1, 1, byHand)}, []record.Observation{weedsByEye}
	list := Agreements(snap)
	if len(list) != 2 || list[0].Of != calibrate.Cover || list[0].Report != nil || !strings.Contains(list[0].Refusal, "weed cover judged by eye") || !strings.Contains(list[1].Refusal, "hand counts") {
		t.Errorf("%+v", list)
	}
	told := Agreements(pairedTrial(func(v float64) float64 { return v }))
	if told[0].Report == nil || told[0].Refusal != "" || told[1].Report != nil {
		t.Errorf("%+v", told)
	}
}

// A comparison by class that no one prepared says what to do, and what was judged
// by eye in its place.
func TestNotClassified(t *testing.T) {
	snap := twoPlots(trial.Metric)
	r, _ := Find(snap, "weed-cover", "")
	if err := r.notClassified(snap); strings.Contains(err.Error(), "by eye") {
		t.Errorf("%v", err)
	}
	snap.Observations = []record.Observation{{Plot: "101", Quadrat: 1, Visit: 1, Variable: record.VarWeedCover, Value: 0.1, Unit: "fraction"}}
	if err := r.notClassified(snap); !strings.HasSuffix(err.Error(), "; what was judged by eye is called hand-weed-cover") {
		t.Errorf("%v", err)
	}
	crop, _ := Find(snap, "crop-cover", "")
	if err := crop.notClassified(snap); strings.Contains(err.Error(), "by eye") {
		t.Errorf("%v", err)
	}
	none := &PlantsLackingError{Response: "weed cover"}
	if !strings.Contains(none.Error(), "no photo of any visit is in use") {
		t.Errorf("%v", none)
	}
	two := &PlantsLackingError{"weed cover", map[int][]record.PlantsLacking{2: {record.LackChecks}, 1: {record.LackLooks, record.LackPlots}}}
	if text := two.Error(); !strings.HasPrefix(text, "weed cover cannot be told yet: visit 1: "+record.LackLooks.Words()+", "+record.LackPlots.Words()+"; visit 2: ") {
		t.Errorf("%s", text)
	}
}

// How covers were corrected, in words: what is shown, not shown, or cannot be
// tested, and the rims left out.
func TestWordsOfCorrections(t *testing.T) {
	base := Checked{Visit: 2, Points: 40, Plots: 8, Errors: 3}
	for want, change := range map[string]func(*Checked){
		"visit 2: by 40 check points in 8 plots, 3 of them sorted wrongly":        func(*Checked) {},
		"than in another (p < .001): corrected treatment by treatment":            func(c *Checked) { c.Shown, c.Test = true, &calibrate.Test{P: 0.0009} },
		"than in another is not shown (p = .001)":                                 func(c *Checked) { c.Test = &calibrate.Test{P: 0.001} },
		"sorted wrongly; it cannot be tested":                                     func(c *Checked) { c.Note = "it cannot be tested" },
		"more ground than leaf, 12 % of the green, are left out":                  func(c *Checked) { c.Rims = 0.12 },
		"3 of them sorted wrongly; left out: 4 points where no green is seen now": func(c *Checked) { c.Off = 4 },
		"visit 2: crop and regrowth were marked by hand in every photo":           func(c *Checked) { c.ByHand = true },
	} {
		c := base
		change(&c)
		if got := c.Words(); !strings.HasSuffix(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
	hand := base
	hand.ByHand = true
	if got := corrected(nil); got != "" {
		t.Errorf("%q", got)
	}
	if got := corrected([]Checked{hand}); got != hand.Words() {
		t.Errorf("%q", got)
	}
	if got := corrected([]Checked{hand, base}); !strings.HasPrefix(got, "told apart by named plants") || !strings.Contains(got, hand.Words()+"; "+base.Words()) || !strings.HasSuffix(got, "in every interval and test") {
		t.Errorf("%q", got)
	}
}

// Questions of the sheets stand beside the response they touch.
func TestQuestionsBesideResponses(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Observations = []record.Observation{
		picked("101", "2025-09-20", "marketable", 9, 3000), picked("101", "2025-09-20", "total", 4, 3000),
		counted1("101", 1, "grass", 1), counted1("102", 1, "grass", 1), counted1("101", 1, "sedge", 1)}
	kinds := func(list []SheetQuestion) string {
		var out []string
		for _, q := range list {
			out = append(out, fmt.Sprintf("%s of %s %s %d", q.Kind, q.Of, q.Class, q.Visit))
		}
		return strings.Join(out, "; ")
	}
	if got := kinds(SheetQuestions(snap)); got != "pick of yield  0; weights of yield  0; class of count sedge 1" {
		t.Errorf("%s", got)
	}
	for name, want := range map[string]string{"yield": "pick of yield  0; weights of yield  0", "count": "class of count sedge 1", "cover": ""} {
		r, _ := Find(snap, name, "")
		if got := kinds(r.Questions(snap)); got != want {
			t.Errorf("%s: %s", name, got)
		}
	}
	for class, want := range map[string]string{"sedge": "class of count sedge 1", "grass": ""} {
		r, err := Find(snap, "count", class)
		if got := kinds(r.Questions(snap)); err != nil || got != want {
			t.Errorf("%s: %s %v", class, got, err)
		}
	}
	if got := PlotsWithYield(snap); got != 1 {
		t.Errorf("%d plots", got)
	}
}

// An outcome keeps a visit's own day and tells which visit a season's day is; a
// response that cannot be found is told as a refusal.
func TestOutcomeOfAResponse(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	for i := range snap.Observations {
		snap.Observations[i].Date = snap.Trial.Visits[snap.Observations[i].Visit-1]
	}
	o := outcomeOf(snap, "cover", "")
	if o.Overall.Season == nil || fmt.Sprint(o.Overall.VisitOf) != "map[0:1 14:2]" || len(o.ByVisit) != 2 || o.ByVisit[1].Day != 14 || o.ByVisit[1].Date.String() != "2026-06-15" || len(o.Readings) != 48 || o.Overall.SeasonModel == nil || o.ByVisit[0].CoverModel != nil || o.Corrected != "" {
		t.Errorf("%+v", o.Overall.VisitOf)
	}
	if h := outcomeOf(snap, "hand-cover", ""); h.Overall.SeasonModel != nil || h.Overall.Season == nil {
		t.Errorf("a response without all its tables has a model")
	}
	if x := outcomeOf(snap, "bulbs", "red"); x.Overall.Refusal == "" || x.Key != "bulbs" || x.Class != "red" || x.Label != "bulbs" || x.ByVisit != nil {
		t.Errorf("%+v", x)
	}
	snap.Observations = append(snap.Observations, record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: "crop cover", Value: 12, Unit: "%", Source: "a.csv:3"})
	if x := outcomeOf(snap, "hand-crop-cover", ""); !strings.Contains(x.Overall.Refusal, "a.csv:3") || x.Readings != nil {
		t.Errorf("%+v", x)
	}
	var keys []string
	for _, r := range Responses(snap) {
		keys = append(keys, string(r.Key))
	}
	if got := strings.Join(keys, " "); got != "green-cover pieces hand-cover" {
		t.Errorf("%s", got)
	}
	l := Leading{Cover: 2, Count: -1, Yield: 0}
	if got := fmt.Sprint(l.Main()); got != "[2 0]" {
		t.Errorf("%s", got)
	}
}
