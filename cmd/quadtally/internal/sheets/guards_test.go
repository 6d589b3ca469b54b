package sheets

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// TestEveryUnit: a value with its unit beside it is stored in the unit of its
// kind. The factors are those of the international yard and pound (1959).
func TestEveryUnit(t *testing.T) {
	const lb, oz, acre, ft2 = 0.45359237, 0.028349523125, 4046.8564224, 0.09290304
	for _, c := range []struct {
		variable string
		stored   string
		factor   map[string]float64
	}{
		{record.VarCover, "fraction", map[string]float64{"%": 0.01, "fraction": 1}},
		{record.VarCropHeight, "mm", map[string]float64{"mm": 1, "cm": 10, "m": 1000, "in": 25.4, "ft": 304.8}},
		{record.VarBiomass, "kg/m2", map[string]float64{"kg/ha": 1e-4, "t/ha": 0.1, "g/m2": 1e-3, "kg/m2": 1, "lb/acre": lb / acre, "oz/ft2": oz / ft2}},
	} {
		for unit, factor := range c.factor {
			im := counts(t, fmt.Sprintf("plot,quadrat,visit,variable,value,unit\n101,1,1,%s,0.75,%s\n", c.variable, unit), Options{})
			if len(im.Observations) != 1 || len(im.Faults) > 0 {
				t.Errorf("%s in %s: %+v %v", c.variable, unit, im.Observations, im.Faults)
				continue
			}
			if o := im.Observations[0]; o.Unit != c.stored || math.Abs(o.Value-0.75*factor) > 1e-12*factor {
				t.Errorf("%s: 0.75 %s is stored as %v %s, want %v %s", c.variable, unit, o.Value, o.Unit, 0.75*factor, c.stored)
			}
		}
	}
	// A cell that the spreadsheet shows as 45 % holds 45 of a hundred.
	im := counts(t, "plot,quadrat,visit,variable,value,unit\n101,1,1,cover,45%,%\n101,2,1,cover,45%,fraction\n", Options{})
	for _, o := range im.Observations {
		if o.Value != 0.45 {
			t.Errorf("45%% is stored as %v", o.Value)
		}
	}
	if len(im.Observations) != 2 {
		t.Errorf("%+v", im.Faults)
	}
}

// TestPercentOrProportion: both sides of what makes a column of cover one or
// the other.
func TestPercentOrProportion(t *testing.T) {
	for values, want := range map[string]string{
		"0.2 0.9":  "0.2 0.9",
		"0.2 1":    "0.2 1",
		"20 1.5":   "0.2 0.015",
		"0 0":      "0 0",
		"0.2 1.5":  "both",
		"0.99 1.1": "both",
		"1 101":    "0.01 -",
	} {
		list := strings.Fields(values)
		im := counts(t, fmt.Sprintf("plot,quadrat,visit,cover\n101,1,1,%s\n101,2,1,%s\n", list[0], list[1]), Options{})
		got := "both"
		if !strings.Contains(faultText(im), "percent or proportion?") {
			var out []string
			for q := 1; q <= 2; q++ {
				if o := find(im, "101", q, record.VarCover, ""); o != nil {
					out = append(out, fmt.Sprint(o.Value))
				} else {
					out = append(out, "-")
				}
			}
			got = strings.Join(out, " ")
		}
		if got != want {
			t.Errorf("%s: %s, want %s (%s)", values, got, want, faultText(im))
		}
	}
}

// TestPickFirst: the pick is read wherever its column stands, and a row without
// one is refused where the sheet has that column.
func TestPickFirst(t *testing.T) {
	for _, text := range []string{"pick,plot,marketable_kg,bed_length_m\n2,101,5,3\n,102,5,3\n", "plot,marketable_kg,bed_length_m,pick\n101,5,3,2\n102,5,3,\n"} {
		im, err := yieldsOf(t, text, Options{})
		if err != nil || len(im.Observations) != 1 || im.Observations[0].Pick != "2" || im.Observations[0].LengthMM != 3000 || !strings.Contains(faultText(im), "which pick") {
			t.Errorf("%v %+v %s", err, im.Observations, faultText(im))
		}
	}
	for _, length := range []string{"0", "-1"} {
		im, err := yieldsOf(t, "plot,date,marketable_kg,bed_length_m\n101,2025-09-01,5,"+length+"\n", Options{})
		if err != nil || len(im.Observations) != 0 || !strings.Contains(faultText(im), "bed length") {
			t.Errorf("length %s: %v %+v %s", length, err, im.Observations, faultText(im))
		}
	}
	im, err := yieldsOf(t, "plot,date,marketable_kg,bed_length_mm\n101,2025-09-01,5,1\n", Options{})
	if err != nil || len(im.Observations) != 1 || im.Observations[0].LengthMM != 1 {
		t.Errorf("%v %+v %s", err, im.Observations, faultText(im))
	}
}

// TestQuadratsOfAPlot: quadrats are numbered from 1 to as many as the plan has,
// or on where it does not say how many; a value told twice is named by its plot,
// and by its quadrat where it has one.
func TestQuadratsOfAPlot(t *testing.T) {
	for per, c := range map[int]struct{ kept, refused string }{2: {"1 2", "0 3 -1"}, 0: {"1 2 3 40", "0 -1"}, 1: {"1", "0 2"}} {
		tr, plots := plan()
		tr.Quadrat.PerPlot = per
		for want, list := range map[string]string{"": c.kept, "is not one of the": c.refused} {
			for _, q := range strings.Fields(list) {
				im, err := Counts(tr, plots, sheet(t, "plot,quadrat,visit,grass\n101,"+q+",1,5\n"), Options{})
				if err != nil {
					t.Fatal(err)
				}
				if said := faultText(im); (want == "") != (said == "") || !strings.Contains(said, want) {
					t.Errorf("quadrat %s of %d: %q", q, per, said)
				}
			}
		}
	}
	twice := counts(t, "plot,quadrat,visit,grass\n101,1,1,5\n101,1,1,6\n", Options{})
	if said := faultText(twice); !strings.Contains(said, "tells plot 101 quadrat 1 a second time (first in row 2)") {
		t.Errorf("%q", said)
	}
	im, err := yieldsOf(t, "plot,date,marketable_kg,bed_length_m\n101,2025-09-20,5,3\n101,2025-09-20,6,3\n", Options{})
	if said := faultText(im); err != nil || !strings.Contains(said, "tells plot 101 a second time (first in row 2)") {
		t.Errorf("%v %q", err, said)
	}
}

// TestYearsAway: a year and a day from the visits is no slip in the year yet, on
// either side.
func TestYearsAway(t *testing.T) {
	d := func(s string) trial.Date { return mustDay(t, s) }
	r := reader{t: &trial.Trial{Visits: []trial.Date{d("2025-06-14"), d("2025-06-28")}}}
	for day, want := range map[string]bool{"2025-06-20": false, "2024-06-13": false, "2024-06-12": true, "2026-06-29": false, "2026-06-30": true, "2027-06-20": true} {
		if got := r.yearsAway(d(day)); got != want {
			t.Errorf("%s: %v", day, got)
		}
	}
	if r.yearsAway(trial.Date{}) {
		t.Error("no day is years away")
	}
	r.t.Visits = nil
	if r.yearsAway(d("2020-01-01")) {
		t.Error("a day is years away from no visit")
	}
}

// TestOneValueAPlot: a column of whole plots may say its value in every row of the
// plot; another value there is refused with both rows, and so is a blank beside a
// value.
func TestOneValueAPlot(t *testing.T) {
	for values, want := range map[string]string{
		"12 12": "12", "12 13": "gives stones of plot 101 another value than row 2", "NA NA": "missing", "12 NA": "gives stones of plot 101 another value than row 2",
	} {
		tr, plots := plan()
		v := strings.Fields(values)
		im, err := Counts(tr, plots, sheet(t, "plot,quadrat,visit,grass,stones\n101,1,1,5,"+v[0]+"\n101,2,1,6,"+v[1]+"\n102,1,1,7,3\n"),
			Options{Columns: map[string]Meaning{"stones": {As: AsAssessment, Unit: "%", Level: PlotLevel}}})
		if err != nil {
			t.Fatal(err)
		}
		var stones []string
		for _, o := range im.Observations {
			if o.Plot == "101" && o.Variable == "stones" {
				if o.Quadrat != 0 {
					t.Errorf("%+v", o)
				}
				stones = append(stones, map[bool]string{true: "missing", false: fmt.Sprint(o.Value)}[o.Missing])
			}
		}
		if said := faultText(im); said == "" && strings.Join(stones, " ") != want || said != "" && !strings.Contains(said, want) {
			t.Errorf("%s: %v %q, want %s", values, stones, said, want)
		}
	}
}

// TestLastRowCutOff: a text that does not end with its line may have lost a part of
// it, which is said with the row; one that does has not.
func TestLastRowCutOff(t *testing.T) {
	const text = "plot,quadrat,visit,grass\n101,1,1,5\n101,2,1,6"
	for end, want := range map[string]bool{"": true, "\n": false} {
		im := counts(t, text+end, Options{})
		said := strings.Join(im.Notes, ";")
		if strings.Contains(said, "may be cut off: row 3 is 101, 2, 1, 6") != want || len(im.Observations) != 2 {
			t.Errorf("ending in %q: %q", end, said)
		}
	}
	for n, want := range map[int]string{0: "0 quadrats", 1: "1 quadrat", 2: "2 quadrats"} {
		if got := plural(n, "quadrat", "quadrats"); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestLongOrWide: a column of variables without one of values, and one of values
// alone, make no long sheet; a value with a visit and no quadrat is of that visit.
func TestLongOrWide(t *testing.T) {
	tr, plots := plan()
	for _, text := range []string{"plot,quadrat,visit,value\n101,1,1,3\n", "plot,quadrat,visit,variable\n101,1,1,count\n", "plot,quadrat,visit,class\n101,1,1,grass\n", "plot,quadrat,visit,count\n101,1,1,3\n"} {
		im, err := Counts(tr, plots, sheet(t, text), Options{})
		for _, o := range im.Observations {
			if o.Plot != "101" || o.Quadrat != 1 || o.Visit != 1 {
				t.Errorf("%q: %+v %v", text, o, err)
			}
		}
	}
	for text, want := range map[string][2]int{
		"plot,visit,variable,value,unit\n101,2,crop height,30,cm\n":           {0, 2},
		"plot,quadrat,visit,variable,value,unit\n101,2,1,crop height,30,cm\n": {2, 1},
	} {
		im, err := Counts(tr, plots, sheet(t, text), Options{})
		if err != nil || len(im.Observations) != 1 {
			t.Errorf("%q: %v %q %+v", text, err, faultText(im), im.Observations)
			continue
		}
		if o := im.Observations[0]; o.Quadrat != want[0] || o.Visit != want[1] {
			t.Errorf("%q: %+v", text, o)
		}
	}
}

// TestDensitiesInHeaders: which headers say that they hold something else than
// plants in a frame.
func TestDensitiesInHeaders(t *testing.T) {
	for header, want := range map[string]string{
		"grass per m2": "plants/m2", "per m2": "plants/m2", "grass per sq m": "plants/m2", "grass_per_square_metre": "plants/m2", "grass per sq ft": "plants/ft2", "grass per ft2": "plants/ft2",
		"grass per acre": "plants/acre", "grass per ha": "plants/ha", "grass per": "", "per": "", "": "", "grass per frame": "", "grass": "", "weeds in": "", "grass (plants)": "",
	} {
		if got := notPlants(header); got != want {
			t.Errorf("%q: %q, want %q", header, got, want)
		}
	}
}

// TestLongValuesAreWhole: a value of a person's own needs its unit, and what is said
// to stand in a column has to be a column.
func TestLongValuesAreWhole(t *testing.T) {
	for text, want := range map[string]string{
		"plot,quadrat,visit,variable,value,unit\n101,1,1,vigour,3,\n":      "vigour needs a unit",
		"plot,quadrat,visit,variable,value,unit\n101,1,1,vigour,3,score\n": "",
	} {
		im := counts(t, text, Options{})
		if said := faultText(im); (said == "") != (want == "") || !strings.Contains(said, want) || want == "" && len(im.Observations) != 1 || want != "" && len(im.Observations) != 0 {
			t.Errorf("%q: %q %+v", text, said, im.Observations)
		}
	}
	tr, plots := plan()
	_, err := Counts(tr, plots, sheet(t, "plot,quadrat,visit,ht\n101,1,1,30\n"), Options{Columns: map[string]Meaning{"ht": {As: AsColumn, Column: "depth of thought", Unit: "cm"}}})
	if err == nil || !strings.Contains(err.Error(), `column "ht" is said to hold "depth of thought", which is no known column`) {
		t.Errorf("%v", err)
	}
	im, err := Counts(tr, plots, sheet(t, "plot,quadrat,visit,ht\n101,1,1,30\n"), Options{Columns: map[string]Meaning{"ht": {As: AsColumn, Column: "crop height", Unit: "cm"}}})
	if err != nil || len(im.Observations) != 1 || im.Observations[0].Variable != record.VarCropHeight || im.Observations[0].Value != 300 {
		t.Errorf("%v %+v", err, im.Observations)
	}
	// Columns that nobody reads, and one without a name, are passed over.
	ys, err := yieldsOf(t, "plot,date,,marketable_kg,bed_length_m,trim\n101,2025-09-20,,5,3,roots\n", Options{})
	if err != nil || len(ys.Observations) != 1 || ys.Observations[0].Value != 5 || ys.Observations[0].Class != record.ClassMarketable {
		t.Errorf("%v %q %+v", err, faultText(ys), ys.Observations)
	}
}
