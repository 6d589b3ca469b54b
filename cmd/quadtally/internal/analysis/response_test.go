package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// twoPlots is a trial of two plots with quadrats of 0.5 m x 0.4 m and beds
// 1.5 m apart; what is stored is put in by the test.
func twoPlots(units trial.Units) *record.Snapshot {
	return &record.Snapshot{
		Trial: trial.Trial{Design: trial.CompleteBlocks, Blocks: 1, Units: units, Treatments: []trial.Treatment{{Code: "BARE", Control: true}, {Code: "RYE"}},
			Ground: trial.Ground{BedSpacingMM: 1500}, Quadrat: trial.Quadrat{WidthMM: 500, LengthMM: 400, PerPlot: 2},
			Visits: []trial.Date{dateOf("2025-06-14"), dateOf("2025-06-28")}},
		Plots: []trial.Plot{{ID: "101", Block: "1", Treatment: "BARE"}, {ID: "102", Block: "1", Treatment: "RYE"}},
	}
}

func photoIn(plot string, quadrat, visit int, r record.Result) record.Photo {
	return record.Photo{PhotoFacts: record.PhotoFacts{Path: fmt.Sprintf("%s-%d-%d.jpg", plot, quadrat, visit), Taken: "2025-06-14T09:30:00"},
		Place: record.Place{State: record.PlaceKnown, Plot: plot, Quadrat: quadrat, Visit: visit}, Fingerprint: "f1", Result: &r}
}

func counted1(plot string, quadrat int, class string, n float64) record.Observation {
	return record.Observation{Plot: plot, Quadrat: quadrat, Visit: 1, Date: dateOf("2025-06-14"), Variable: record.VarCount, Class: class, Value: n, Unit: "plants", Source: "counts.csv:2"}
}

func missing(o record.Observation) record.Observation { o.Missing = true; return o }

func picked(plot, day, class string, kg, lengthMM float64) record.Observation {
	return record.Observation{Plot: plot, Date: dateOf(day), Variable: record.VarYield, Class: class, Value: kg, LengthMM: lengthMM, Unit: "kg"}
}

// TestResponsesByHand takes every response from what is stored to the value of
// plot 101, worked out by hand.
func TestResponsesByHand(t *testing.T) {
	weeds := record.Result{CoverFrac: 0.05, Pieces: 2, Kind: "weed cover", AllGreen: &record.AllGreen{CoverFrac: 0.25, Pieces: 6}}
	weeds2 := record.Result{CoverFrac: 0.10, Pieces: 4, Kind: "weed cover", AllGreen: &record.AllGreen{CoverFrac: 0.15, Pieces: 8}}
	assess := func(variable, unit string, values ...float64) []record.Observation {
		var out []record.Observation
		for i, v := range values {
			out = append(out, record.Observation{Plot: "101", Quadrat: i + 1, Visit: 1, Variable: variable, Value: v, Unit: unit})
		}
		return out
	}
	for name, c := range map[string]struct {
		ask, class string
		units      trial.Units
		photos     []record.Photo
		stored     []record.Observation
		want       float64
		unit       string
		kind       stats.Kind
	}{
		"green cover, by its older name": {ask: "Cover", photos: []record.Photo{photoIn("101", 1, 1, record.Result{CoverFrac: 0.123}), photoIn("101", 2, 1, record.Result{CoverFrac: 0.457})},
			want: 29, unit: "% of the ground", kind: stats.Percent},
		"green cover where crop was told from weed": {ask: "green-cover", photos: []record.Photo{photoIn("101", 1, 1, weeds), photoIn("101", 2, 1, weeds2)}, want: 20, unit: "% of the ground", kind: stats.Percent},
		"weed cover":    {ask: "weed-cover", photos: []record.Photo{photoIn("101", 1, 1, weeds), photoIn("101", 2, 1, weeds2)}, want: 7.5, unit: "% of the ground", kind: stats.Percent},
		"green pieces":  {ask: "pieces", photos: []record.Photo{photoIn("101", 1, 1, weeds), photoIn("101", 2, 1, weeds2)}, want: 7 / 0.2, unit: "per m²", kind: stats.Count},
		"weed pieces":   {ask: "weed-pieces", photos: []record.Photo{photoIn("101", 1, 1, weeds), photoIn("101", 2, 1, weeds2)}, want: 3 / 0.2, unit: "per m²", kind: stats.Count},
		"hand count":    {ask: "count", stored: []record.Observation{counted1("101", 1, "broadleaf", 5), counted1("101", 1, "grass", 2), counted1("101", 2, "broadleaf", 0), counted1("101", 2, "grass", 1)}, want: 4 / 0.2, unit: "plants per m²", kind: stats.Count},
		"one class":     {ask: "count", class: "Grass", stored: []record.Observation{counted1("101", 1, "broadleaf", 5), counted1("101", 1, "grass", 2), counted1("101", 2, "GRASS", 1)}, want: 1.5 / 0.2, unit: "plants per m²", kind: stats.Count},
		"entered total": {ask: "count", stored: []record.Observation{counted1("101", 1, "", 9), counted1("101", 1, "grass", 2)}, want: 9 / 0.2, unit: "plants per m²", kind: stats.Count},
		"cover by eye":  {ask: "hand-cover", stored: assess(record.VarCover, "fraction", 0.25, 0.35), want: 30, unit: "% of the ground", kind: stats.Percent},
		"yield, two picks of unlike length": {ask: "yield", stored: []record.Observation{picked("101", "2025-09-20", "marketable", 9, 3000), picked("101", "2025-10-04", "marketable", 4, 2000)},
			want: 5 / 1.5 * 10000, unit: "kg/ha", kind: stats.Measure}, // 3 and 2 kg per m of bed
		"yield, unsorted": {ask: "yield", stored: []record.Observation{picked("101", "2025-09-20", "total", 9, 3000)}, want: 3 / 1.5 * 10000, unit: "kg/ha", kind: stats.Measure},
		"yield, sorted and total": {ask: "yield", stored: []record.Observation{picked("101", "2025-09-20", "marketable", 9, 3000), picked("101", "2025-09-20", "total", 12, 3000)},
			want: 3 / 1.5 * 10000, unit: "kg/ha", kind: stats.Measure},
		"yield, US units":       {ask: "yield", units: trial.US, stored: []record.Observation{picked("101", "2025-09-20", "marketable", 9, 3000)}, want: 20000 / 1.1208511561, unit: "lb/acre", kind: stats.Measure},
		"culls":                 {ask: "cull", stored: []record.Observation{picked("101", "2025-09-20", "cull", 1.5, 3000)}, want: 0.5 / 1.5 * 10000, unit: "kg/ha", kind: stats.Measure},
		"stand":                 {ask: "stand", stored: []record.Observation{{Plot: "101", Variable: record.VarStand, Value: 24, LengthMM: 4000, Unit: "plants"}}, want: 6, unit: "plants per m of bed", kind: stats.Measure},
		"weeds by eye":          {ask: "hand-weed-cover", stored: assess(record.VarWeedCover, "fraction", 0.1, 0.2), want: 15, unit: "% of the ground", kind: stats.Percent},
		"crop cover":            {ask: "hand-crop-cover", stored: assess("crop cover", "fraction", 0.125), want: 12.5, unit: "% of the ground", kind: stats.Percent},
		"regrowth cover":        {ask: "hand-regrowth-cover", stored: assess("regrowth cover", "fraction", 0.12), want: 12, unit: "% of the ground", kind: stats.Percent},
		"residue cover":         {ask: "residue-cover", stored: assess("residue cover", "fraction", 0.9, 0.8), want: 85, unit: "% of the ground", kind: stats.Percent},
		"crop height":           {ask: "crop-height", stored: assess("crop height", "mm", 240, 260), want: 25, unit: "cm", kind: stats.Measure},
		"crop height, US units": {ask: "crop-height", units: trial.US, stored: assess("crop height", "mm", 254), want: 10, unit: "in", kind: stats.Measure},
		"regrowth":              {ask: "regrowth", stored: assess("regrowth", "plants", 3, 5), want: 4 / 0.2, unit: "plants per m²", kind: stats.Count},
		"residue, weighed from the frame and per area": {ask: "residue", stored: append(assess("residue", "kg", 0.1), record.Observation{Plot: "101", Quadrat: 2, Visit: 1, Variable: "residue", Value: 0.7, Unit: "kg/m2"}),
			want: 6, unit: "t/ha", kind: stats.Measure}, // 0.5 and 0.7 kg per m²
		"biomass, US units": {ask: "biomass", units: trial.US, stored: assess("biomass", "kg", 0.1), want: 5000 / 1.1208511561, unit: "lb/acre", kind: stats.Measure},
		"residue stems":     {ask: "residue-stems", stored: assess("residue stems", "per m", 14, 21), want: 17.5, unit: "per m", kind: stats.Count},
		"any assessment":    {ask: "soil temperature", stored: assess("Soil temperature", "°C", 18, 19), want: 18.5, unit: "°C", kind: stats.Measure},
	} {
		t.Run(name, func(t *testing.T) {
			snap := twoPlots(c.units)
			snap.Photos, snap.Observations = c.photos, c.stored
			r, err := Find(snap, c.ask, c.class)
			if err != nil {
				t.Fatal(err)
			}
			if r.Unit != c.unit || r.Kind != c.kind {
				t.Errorf("in %q, a %s; want %q, a %s", r.Unit, r.Kind, c.unit, c.kind)
			}
			values, err := r.Values(snap)
			if err != nil {
				t.Fatal(err)
			}
			sum, n := 0.0, 0
			for _, v := range values {
				if v.Plot == "101" && !v.Missing {
					sum, n = sum+v.Shown, n+1
				}
				if v.Plot == "102" && !v.Missing {
					t.Errorf("plot 102 has %v", v)
				}
			}
			if got := sum / float64(n); n == 0 || math.Abs(got-c.want) > 1e-9*c.want {
				t.Errorf("plot 101 has %v over %d readings, want %v", got, n, c.want)
			}
			if len(values) != n+1 {
				t.Errorf("%d values, want those of plot 101 and a missing plot 102", len(values))
			}
		})
	}
	for _, d := range registry {
		if _, err := Find(twoPlots(trial.Metric), string(d.key), ""); err != nil {
			t.Errorf("%s: %v", d.key, err)
		}
	}
}

// A quadrat without a row for one of the classes of its visit has no total, and
// neither has one with a class marked missing: a blank is not a zero.
func TestQuadratLacksAClass(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Observations = []record.Observation{
		counted1("101", 1, "broadleaf", 5), counted1("101", 1, "grass", 2),
		counted1("101", 2, "broadleaf", 4), // nobody wrote down the grass
		counted1("102", 1, "broadleaf", 3), missing(counted1("102", 1, "grass", 0)),
		counted1("102", 2, "broadleaf", 0), counted1("102", 2, "grass", 0),
	}
	r, _ := Find(snap, "count", "")
	rs, notes, err := r.Readings(snap)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range rs {
		got = append(got, fmt.Sprintf("%s/%d %g", x.Plot, x.Quadrat, x.Value))
	}
	if want := []string{"101/1 7", "102/2 0"}; !slices.Equal(got, want) {
		t.Errorf("totals %v, want %v", got, want)
	}
	if all := strings.Join(notes, "; "); !strings.Contains(all, "no total in 2 of the quadrats") || !strings.Contains(all, "101/2") || !strings.Contains(all, "102/1") {
		t.Errorf("quadrats without a total are not told: %q", all)
	}
	r, _ = Find(snap, "count", "broadleaf")
	if rs, _, _ := r.Readings(snap); len(rs) != 4 {
		t.Errorf("%d quadrats have broadleaf, want 4", len(rs))
	}
}

// A missing pick, or one without its length of bed, leaves the plot without a
// season's yield, and the plot is named.
func TestMissingPick(t *testing.T) {
	first, second := "2025-09-20", "2025-10-04"
	left := "left out in plot 102"
	for name, c := range map[string]struct {
		last record.Observation
		want []string
		note string
	}{
		"whole":      {picked("102", second, "marketable", 6, 3000), []string{"101", "102"}, ""},
		"missing":    {missing(picked("102", second, "marketable", 0, 3000)), []string{"101"}, left},
		"no length":  {picked("102", second, "marketable", 6, 0), []string{"101"}, left},
		"never told": {picked("101", second, "cull", 1, 3000), []string{"101"}, left},
		"culls only": {picked("102", second, "cull", 6, 3000), []string{"101"}, left},
		"not graded": {picked("102", second, "total", 6, 3000), []string{"101"}, left}, // others were
	} {
		snap := twoPlots(trial.Metric)
		snap.Observations = []record.Observation{picked("101", first, "marketable", 9, 3000), picked("102", first, "marketable", 6, 3000), picked("101", second, "marketable", 3, 3000), c.last}
		r, _ := Find(snap, "yield", "")
		rs, notes, err := r.Readings(snap)
		if err != nil {
			t.Fatal(err)
		}
		var plots []string
		for _, x := range rs {
			plots = append(plots, x.Plot)
		}
		if !slices.Equal(plots, c.want) {
			t.Errorf("%s: plots with a yield %v, want %v", name, plots, c.want)
		}
		if all := strings.Join(notes, "; "); (c.note == "") != (all == "") || !strings.Contains(all, c.note) {
			t.Errorf("%s: said %q, want %q", name, all, c.note)
		}
	}
}

// Pieces are added up over the picks like weights, per length of bed, and a
// plot that lacks a pick has none.
func TestPiecesOverPicks(t *testing.T) {
	pieces := func(plot, day string, n, lengthMM float64) record.Observation {
		o := picked(plot, day, "", n, lengthMM)
		o.Variable, o.Unit = record.VarPieces, "pieces"
		return o
	}
	const first, second = "2025-09-20", "2025-10-04"
	snap := twoPlots(trial.Metric)
	snap.Observations = []record.Observation{
		pieces("101", first, 30, 3000), pieces("101", second, 10, 2000),
		pieces("102", first, 60, 3000)}
	r, err := Find(snap, "harvested pieces", "")
	if err != nil {
		t.Fatal(err)
	}
	rs, notes, err := r.Readings(snap)
	if err != nil || len(rs) != 1 || rs[0].Plot != "101" || rs[0].Value != 15 || r.Unit != "pieces per m of bed" || len(notes) != 1 {
		t.Fatalf("30 on 3 m and 10 on 2 m are 15 a metre, plot 102 lacks a pick: %+v %q %q %v", rs, r.Unit, notes, err)
	}
	snap.Observations[1].Missing = true
	snap.Observations[1].Value = 0
	if rs, _, _ := r.Readings(snap); len(rs) != 2 { // no plot was counted at the second pick
		t.Errorf("%+v", rs)
	}
}

// Photos measured with two settings do not meet in one comparison; responses
// that are not from photos do not ask.
func TestTwoSettingsAreRefused(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	for i := range snap.Photos {
		snap.Photos[i].Fingerprint = "a1"
	}
	if c, err := Compare(snap, "cover", DefaultOptions()); err != nil || !slices.Equal(c.Settings, []string{"a1"}) {
		t.Fatalf("one setting: %v %v", c.Settings, err)
	}
	snap.Photos[5].Fingerprint = "b2"
	for _, name := range []string{"cover", "pieces"} {
		if _, err := Compare(snap, name, DefaultOptions()); err == nil || !strings.Contains(err.Error(), "2 different settings (a1, b2)") {
			t.Errorf("%s of two settings: %v", name, err)
		}
	}
	byEye := DefaultOptions()
	byEye.Visit = 1
	if _, err := Compare(snap, "hand-cover", byEye); err != nil {
		t.Errorf("cover by eye: %v", err)
	}
	snap.Photos[5].Rejected = "a boot"
	if _, err := Compare(snap, "cover", DefaultOptions()); err != nil {
		t.Errorf("the other one set aside: %v", err)
	}
}

// Weed cover is refused while only some photos tell crop from weed; green
// cover holds all that is green in each.
func TestWeedCoverOfSomePhotos(t *testing.T) {
	snap := twoPlots(trial.Metric)
	told := record.Result{CoverFrac: 0.1, AllGreen: &record.AllGreen{CoverFrac: 0.2}}
	snap.Photos = []record.Photo{photoIn("101", 1, 1, told), photoIn("102", 1, 1, record.Result{CoverFrac: 0.3})}
	r, _ := Find(snap, "weed-cover", "")
	var lacking *PlantsLackingError
	if _, _, err := r.Readings(snap); !errors.As(err, &lacking) || !slices.Equal(lacking.Lacks[1], []record.PlantsLacking{record.LackNames}) {
		t.Errorf("%v", err)
	}
	if slices.Contains(Names(snap), string(WeedCover)) {
		t.Error("weed cover is offered")
	}
	r, _ = Find(snap, "green-cover", "")
	rs, notes, err := r.Readings(snap)
	if err != nil || len(rs) != 2 || len(notes) != 0 || rs[0].Value != 0.2 {
		t.Errorf("%v %q %v", rs, notes, err)
	}
}

// What cannot be meant is refused, with what can.
func TestFindRefuses(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Observations = []record.Observation{{Plot: "101", Variable: "soil temperature", Value: 12, Unit: "°C"}, {Plot: "102", Variable: "soil temperature", Value: 54, Unit: "°F"}}
	for name, c := range map[string]struct{ ask, class, says string }{
		"unknown":   {"colour", "", "there is no response \"colour\": green-cover, pieces, count"},
		"class":     {"yield", "grass", "--class goes with count"},
		"two units": {"Soil temperature", "", "stored in 2 units (°C, °F)"},
	} {
		if _, err := Find(snap, c.ask, c.class); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A known assessment in a unit it is not compared in is refused, and one of a
// whole plot that needs the ground of a quadrat is left out.
func TestUnitsOfAssessments(t *testing.T) {
	snap := twoPlots(trial.Metric)
	for name, c := range map[string]struct {
		o    record.Observation
		says string
	}{
		"cover in percent": {record.Observation{Plot: "101", Quadrat: 1, Variable: "crop cover", Value: 12, Unit: "%", Source: "a.csv:3"}, `a.csv:3: crop cover judged by eye is stored in "%"`},
		"height in cm":     {record.Observation{Plot: "101", Quadrat: 1, Variable: "crop height", Value: 12, Unit: "cm", Source: "a.csv:3"}, `stored in "cm"`},
		"of a whole plot":  {record.Observation{Plot: "101", Variable: "residue", Value: 1.2, Unit: "kg"}, ""},
	} {
		snap.Observations = []record.Observation{c.o}
		ask := c.o.Variable
		if ask == record.VarCropCover {
			ask = string(HandCropCover)
		}
		r, err := Find(snap, ask, "")
		if err != nil {
			t.Fatal(err)
		}
		rs, notes, err := r.Readings(snap)
		switch {
		case c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)):
			t.Errorf("%s: %v %v", name, rs, err)
		case c.says == "" && (err != nil || len(rs) != 0 || len(notes) != 1 || !strings.Contains(notes[0], "plot 101")):
			t.Errorf("%s: %v %q %v", name, rs, notes, err)
		}
	}
}

// A stand without the length it was counted on is no stand per metre.
func TestStandWithoutLength(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Observations = []record.Observation{{Plot: "101", Variable: record.VarStand, Value: 24, LengthMM: 4000}, {Plot: "102", Variable: record.VarStand, Value: 24}}
	r, _ := Find(snap, "stand", "")
	if rs, notes, _ := r.Readings(snap); len(rs) != 1 || len(notes) != 1 || !strings.Contains(notes[0], "plot 102") {
		t.Errorf("%v %q", rs, notes)
	}
}
