package sheets

import (
	"math"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

func plan() (*trial.Trial, []trial.Plot) {
	d := func(s string) trial.Date { v, _ := trial.ParseDate(s); return v }
	return &trial.Trial{
		Treatments: []trial.Treatment{{Code: "BARE", Control: true}, {Code: "RYE"}},
		Visits:     []trial.Date{d("2025-06-14"), d("2025-06-28")}, VisitToleranceDays: 3,
		Quadrat: trial.Quadrat{PerPlot: 2, WidthMM: 500, LengthMM: 500},
	}, []trial.Plot{{ID: "101", Block: "1", Treatment: "BARE"}, {ID: "102", Block: "1", Treatment: "RYE"}}
}

func sheet(t *testing.T, text string) *tables.Sheet {
	t.Helper()
	s, err := tables.Read("counts.csv", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func counts(t *testing.T, text string, opt Options) Import {
	t.Helper()
	tr, plots := plan()
	im, err := Counts(tr, plots, sheet(t, text), opt)
	if err != nil {
		t.Fatal(err)
	}
	return im
}

func find(im Import, plot string, quadrat int, variable, class string) *record.Observation {
	for i, o := range im.Observations {
		if o.Plot == plot && o.Quadrat == quadrat && o.Variable == variable && o.Class == class {
			return &im.Observations[i]
		}
	}
	return nil
}

func faultText(im Import) string {
	var out []string
	for _, f := range im.Faults {
		out = append(out, f.Text)
	}
	return strings.Join(out, "\n")
}

func TestWideCounts(t *testing.T) {
	im := counts(t, "plot,quadrat,date,broadleaf,grass,cover_pct,observer\n101,1,2025-06-14,7,0,12.5,Ada\n101,2,2025-06-15,,3,40,Ada\n", Options{})
	if len(im.Faults) > 0 || len(im.Observations) != 6 {
		t.Fatalf("%+v", im)
	}
	o := find(im, "101", 1, "count", "broadleaf")
	if o.Value != 7 || o.Visit != 1 || o.Source != "counts.csv:2" || o.Observer != "Ada" {
		t.Errorf("%+v", o)
	}
	if o := find(im, "101", 1, "count", "grass"); o.Missing || o.Value != 0 {
		t.Errorf("0 is a value: %+v", o)
	}
	if o := find(im, "101", 2, "count", "broadleaf"); !o.Missing {
		t.Errorf("blank is missing: %+v", o)
	}
	if o := find(im, "101", 1, "cover", ""); o.Value != 0.125 || o.Unit != "fraction" {
		t.Errorf("%+v", o)
	}
}

func TestLongCountsAndUnlistedClasses(t *testing.T) {
	text := "plot,quadrat,visit,species,group,life,count\n101,1,1,chickweed,broadleaf,annual,4\n101,1,1,couch,grass,perennial,2\n102,1,1,chickweed,broadleaf,annual,1\n"
	confirmed, err := ParseColumns("chickweed=weed; couch=weed")
	if err != nil {
		t.Fatal(err)
	}
	im := counts(t, text, Options{Columns: confirmed})
	if len(im.Observations) != 3 || len(im.Questions) != 2 || !strings.Contains(im.Questions[0].Text(), "looked for and not there") ||
		!strings.Contains(im.Questions[1].Text(), "2 of 4 quadrats of visit 1 have no count (101/2, 102/2)") {
		t.Errorf("%+v", im)
	}
	if o := find(im, "101", 1, "count", "couch"); o.Group != "grass" || o.Life != "perennial" {
		t.Errorf("%+v", o)
	}
	im = counts(t, text, Options{Columns: confirmed, Unlisted: record.UnlistedZero})
	if o := find(im, "102", 1, "count", "couch"); o == nil || o.Missing || o.Value != 0 || o.Group != "grass" {
		t.Errorf("%+v", o)
	}
}

// TestAllFaultsAtOnce: every bad row is named and the good ones stand.
func TestAllFaultsAtOnce(t *testing.T) {
	im := counts(t, strings.Join([]string{
		"plot,quadrat,date,treatment,block,broadleaf,grass,total",
		"101,1,2025-06-14,BARE,1,7,2,9",
		"999,1,2025-06-14,BARE,1,7,2,9",
		"101,5,2025-06-14,BARE,1,7,2,9",
		"102,1,2025-07-20,RYE,1,7,2,9",
		"102,1,2025-06-14,BARE,1,7,2,9",
		"102,2,2025-06-14,rye ,1,-1,2,1",
		"101,2,2025-06-14,BARE,1,1.5,2,3.5",
		"101,1,2025-06-28,BARE,1,7,2,10",
		"101,1,2025-06-14,BARE,1,3,3,6",
		",1,2025-06-14,BARE,1,3,3,6",
		"101,2,2025-06-28,BARE,2,<1,3,",
	}, "\n"), Options{})
	text := faultText(im)
	for _, want := range []string{`plot "999" is not in the layout`, "quadrat 5 is not one of the 2", "not within 3 days", "has treatment RYE in the layout, not BARE",
		"cannot be negative", "whole number of plants", "the total says 10 but the classes add up to 9", "a second time", "the plot is blank", `block "2" is not in the layout`, `"<1"`} {
		if !strings.Contains(text, want) {
			t.Errorf("no fault says %q in:\n%s", want, text)
		}
	}
	if len(im.Observations) != 3 {
		t.Errorf("%d good values, want the 3 of row 2: %+v", len(im.Observations), im.Observations)
	}
}

func TestPercentIsNotProportion(t *testing.T) {
	a := counts(t, "plot,quadrat,visit,cover\n101,1,1,62\n101,2,1,5\n", Options{})
	b := counts(t, "plot,quadrat,visit,cover\n101,1,1,0.62\n101,2,1,0.05\n", Options{})
	for _, im := range []Import{a, b} {
		if o := find(im, "101", 1, "cover", ""); o == nil || math.Abs(o.Value-0.62) > 1e-12 {
			t.Errorf("%+v", im)
		}
	}
	mixed := counts(t, "plot,quadrat,visit,cover\n101,1,1,62\n101,2,1,0.62\n", Options{})
	if len(mixed.Observations) != 0 || !strings.Contains(faultText(mixed), "percent or proportion") {
		t.Errorf("%+v", mixed)
	}
	over := counts(t, "plot,quadrat,visit,cover_%\n101,1,1,104\n101,2,1,-1\n102,1,1,0\n102,2,1,100\n", Options{})
	if len(over.Faults) != 2 || len(over.Observations) != 2 {
		t.Errorf("%+v", over)
	}
}

func TestWrongColumns(t *testing.T) {
	tr, plots := plan()
	for text, want := range map[string]string{
		"a,b\n1,2\n":                    "the plot",
		"plot,broadleaf\n101,2\n":       "the quadrat",
		"plot,quadrat,visit\n101,1,1\n": "the counts",
		"plot,quadrat,grass\n101,1,1\n": "",
	} {
		im, err := Counts(tr, plots, sheet(t, text), Options{})
		if want == "" {
			if err != nil || !strings.Contains(faultText(im), "neither a visit nor a date") {
				t.Errorf("%v %+v", err, im)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "quadtally sheet") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestAnyAssessment(t *testing.T) {
	im := counts(t, "plot,quadrat,visit,date,variable,value,unit\n101,1,1,,regrowth,30,% of stems\n102,,,2025-05-01,residue,8000,kg/ha\n101,2,1,,cover,12,%\n102,1,1,,vigour,3,\n", Options{})
	if o := find(im, "102", 0, "residue", ""); o == nil || o.Visit != 0 || math.Abs(o.Value-0.8) > 1e-12 || o.Unit != "kg/m2" {
		t.Errorf("%+v", im)
	}
	if o := find(im, "101", 2, "cover", ""); o == nil || o.Value != .12 {
		t.Errorf("%+v", im)
	}
	if len(im.Faults) != 1 || !strings.Contains(im.Faults[0].Text, "vigour needs a unit") {
		t.Errorf("%+v", im.Faults)
	}
}

// TestYields: 84.2 lb marketable and 9.6 lb cull from 30 ft of bed (exact
// pound and foot of 1959).
func TestYields(t *testing.T) {
	tr, plots := plan()
	im, err := Yields(tr, plots, sheet(t, "plot,date,marketable_lb,cull_lb,bed_length_ft,pieces,stand,trim\n101,2025-09-20,84.2,9.6,30,120,118,150 mm stem\n101,2025-09-27,10,1,30,20,,150 mm stem\n102,,1,1,30,1,1,\n102,2025-09-20,5,1,0,1,1,\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	o := find(im, "101", 0, "yield", "marketable")
	if o == nil || math.Abs(o.Value-38.192477554) > 1e-9 || o.LengthMM != 9144 || o.Trim != "150 mm stem" || o.Visit != 0 {
		t.Errorf("%+v", o)
	}
	if find(im, "101", 0, Harvested, "").Value != 120 || find(im, "101", 0, "stand", "").Value != 118 {
		t.Errorf("%+v", im)
	}
	if len(im.Faults) != 2 || len(im.Observations) != 7 { // a stand is one value a plot
		t.Errorf("%d values; %+v", len(im.Observations), im.Faults)
	}
	for text, want := range map[string]string{
		"plot,date,marketable,bed_length_m\n101,2025-09-20,5,3\n": "does not say its unit",
		"plot,date,marketable_kg\n101,2025-09-20,5\n":             "bed length",
		"plot,date,note\n101,2025-09-20,5\n":                      "the weight",
	} {
		if _, err := Yields(tr, plots, sheet(t, text), Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
	im, err = Yields(tr, plots, sheet(t, "plot,date,marketable_kg,cull_kg,total_kg,bed_length_m\n101,2025-09-20,5,1,7,3\n"), Options{})
	if err != nil || len(im.Faults) != 1 || !strings.Contains(im.Faults[0].Text, "a total of 7 kg, but marketable 5 kg and cull 1 kg") {
		t.Errorf("%v %+v", err, im)
	}
	im, err = Yields(tr, plots, sheet(t, "plot,date,marketable_kg,cull_kg,total_kg,bed_length_m\n101,2025-09-20,5,,4.9,3\n102,2025-09-20,5,,5,3\n"), Options{})
	if err != nil || len(im.Faults) != 1 || im.Faults[0].Line != 2 || !strings.Contains(im.Faults[0].Text, "a total of 4.9 kg, but marketable 5 kg") {
		t.Errorf("%v %+v", err, im)
	}
}

// TestDoubts: what is likely a slip is asked about, and its likeness that is
// none is not.
func TestDoubts(t *testing.T) {
	tr, plots := plan()
	plots = append(plots, trial.Plot{ID: "103", Block: plots[0].Block, Treatment: plots[0].Treatment})
	tr.SeasonStart, tr.SeasonEnd = trial.Date{Year: 2025, Month: 5, Day: 1}, trial.Date{Year: 2025, Month: 9, Day: 30}
	const head = "plot,date,marketable_kg,bed_length_m\n101,2025-09-20,5.1,3\n102,2025-09-20,6.2,3\n103,2025-09-20,7.3,3\n"
	for name, c := range map[string]struct {
		kind Kind
		text string
		want []string
	}{
		"two picks":               {KindYields, head + "101,2025-09-27,5.1,3\n102,2025-09-27,6.3,3\n103,2025-09-27,7.3,3\n", nil},
		"a pick typed in twice":   {KindYields, head + "101,2025-09-27,5.1,3\n102,2025-09-27,6.2,3\n103,2025-09-27,7.3,3\n", []string{"pick 2025-09-27 are those of pick 2025-09-20"}},
		"two picks of nothing":    {KindYields, "plot,date,marketable_kg,bed_length_m\n101,2025-09-20,0,3\n102,2025-09-20,0,3\n103,2025-09-20,0,3\n101,2025-09-27,0,3\n102,2025-09-27,0,3\n103,2025-09-27,0,3\n", nil},
		"last day of the season":  {KindYields, "plot,date,marketable_kg,bed_length_m\n101,2025-09-30,5,3\n", nil},
		"another year":            {KindYields, "plot,date,marketable_kg,bed_length_m\n101,2024-09-30,5,3\n", []string{"outside the season"}},
		"mark of another column":  {KindYields, "plot,date,marketable_kg,cull_kg,bed_length_m\n101,2025-09-20,\"8,250\",0.5,3\n", []string{"read as 8250"}},
		"grouped in the column":   {KindYields, "plot,date,marketable_kg,cull_kg,bed_length_m\n101,2025-09-20,\"8,250\",0.5,3\n102,2025-09-20,\"8,250.5\",0.5,3\n", nil},
		"proportions under %":     {KindCounts, "plot,quadrat,visit,cover_%\n101,1,1,0.45\n101,2,1,1\n", []string{"none of its values is above 1"}},
		"low percentages under %": {KindCounts, "plot,quadrat,visit,cover_%\n101,1,1,0.45\n101,2,1,1.5\n", nil},
	} {
		read := Counts
		if c.kind == KindYields {
			read = Yields
		}
		im, err := read(tr, plots, sheet(t, c.text), Options{})
		if err != nil || len(im.Faults) > 0 || len(im.Doubts) != len(c.want) {
			t.Errorf("%s: %v %+v, doubts %q", name, err, im.Faults, im.Doubts)
			continue
		}
		for i, w := range c.want {
			if !strings.Contains(string(im.Doubts[i]), w) {
				t.Errorf("%s: %q, want %q", name, im.Doubts[i], w)
			}
		}
	}
}

// TestBedLengthFitsThePlot: more bed than the plot has is a slip of the length
// or of its unit, and would make the yield too small without a word.
func TestBedLengthFitsThePlot(t *testing.T) {
	tr, plots := plan()
	for i := range plots {
		plots[i].Beds, plots[i].LengthMM = 2, 3000
	}
	text := "plot,date,marketable_kg,bed_length_m\n101,2025-09-20,5,6.29\n102,2025-09-20,5,6.31\n"
	im, err := Yields(tr, plots, sheet(t, text), Options{})
	if err != nil || len(im.Observations) != 1 || len(im.Faults) != 1 || im.Faults[0].Line != 3 || !strings.Contains(im.Faults[0].Text, "more than plot 102 has") {
		t.Errorf("%v %+v", err, im)
	}
	if im, err = Yields(tr, plots, sheet(t, "plot,date,marketable_kg\n101,2025-09-20,5\n"), Options{LengthMM: 9000}); err != nil || len(im.Faults) != 1 {
		t.Errorf("a length said for the sheet: %v %+v", err, im)
	}
}

func TestField(t *testing.T) {
	tr, plots := plan()
	im, err := Field(tr, plots, sheet(t, "date,operation,treatment,plot,input,rate,rate unit,stage,passes\n2024-10-05,Seeding,RYE,,rye,112,kg/ha,,1\n2025-05-20,termination,RYE,,,,,anthesis,2\n2025-05-27,planting,all,,leek,,,,\n2025-05-28,mowing,OATS,,,,,,\n2025-05-28,seeding,RYE,,rye,50,,,\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(im.Operations) != 3 || *im.Operations[0].Rate != 112 || im.Operations[1].Passes != 2 || im.Operations[2].Treatment != "" {
		t.Errorf("%+v", im.Operations)
	}
	if len(im.Faults) != 2 {
		t.Errorf("%+v", im.Faults)
	}
}

// TestUnfilledRowsSayNothing: a prepared sheet handed in half filled stores
// what is there and no missing values for the rest.
func TestUnfilledRowsSayNothing(t *testing.T) {
	im := counts(t, "plot,block,quadrat,visit,date,broadleaf,grass,cover_%,observer\n101,1,1,1,2025-06-14,3,0,NA,Ada\n101,1,2,1,2025-06-14,,,,\n102,1,1,1,2025-06-14,,NA,,\n", Options{})
	if len(im.Observations) != 6 || len(im.Faults) != 0 {
		t.Fatalf("%+v", im)
	}
	if n := strings.Join(im.Notes, "\n"); !strings.Contains(n, "row 3 is not filled in yet") {
		t.Errorf("notes %s", n)
	}
	tr, plots := plan()
	y, err := Yields(tr, plots, sheet(t, "plot,block,date,marketable_kg,bed_length_m\n101,1,2025-09-20,5,3\n102,1,,,\n"), Options{})
	if err != nil || len(y.Observations) != 1 || len(y.Faults) != 0 {
		t.Errorf("%v %+v", err, y)
	}
}

// FuzzSheets reads any text as each kind of sheet: no crash, no value that is
// not a number, none for a plot that is not in the layout.
func FuzzSheets(f *testing.F) {
	f.Add("plot,quadrat,visit,broadleaf,grass\n101,1,1,3,.\n")
	f.Add("plot;quadrat;date;cover_%\n102;2;14.06.2025;12,5\n")
	f.Add("plot,quadrat,visit,species,group,life,count\n101,1,1,a,grass,annual,5\n")
	f.Add("plot,quadrat,visit,variable,value,unit\n101,1,1,height,12,cm\n")
	f.Add("plot,date,marketable_kg,cull_lb,bed_length_ft,pieces\n101,2025-08-01,12.5,3,10,40\n")
	f.Add("date,operation,treatment,input,rate,unit,passes\n2025-05-01,seeding,RYE,rye,100,kg/ha,1\n")
	f.Add("plot,quadrat,visit,grass\n=1+1,-1,1e9,1e999\n\"101,1")
	tr, plots := plan()
	f.Fuzz(func(t *testing.T, text string) {
		s, err := tables.Read("x.csv", []byte(text))
		if err != nil {
			return
		}
		for _, read := range []func(*trial.Trial, []trial.Plot, *tables.Sheet, Options) (Import, error){Counts, Yields, Field} {
			for _, opt := range []Options{{}, {Decimal: tables.Comma, Dates: tables.DayFirst, WeightUnit: "kg", LengthUnit: "m", LengthMM: 3000, Visit: 1, Unlisted: record.UnlistedZero}} {
				im, err := read(tr, plots, s, opt)
				if err != nil {
					continue
				}
				for _, o := range im.Observations {
					if (o.Plot != "101" && o.Plot != "102") || math.IsNaN(o.Value) || math.IsInf(o.Value, 0) || (!o.Missing && o.Value < 0) {
						t.Errorf("%+v", o)
					}
				}
			}
		}
	})
}
