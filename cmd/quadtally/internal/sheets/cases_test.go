package sheets

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

func said(list []record.Observation) string {
	var out []string
	for _, o := range list {
		v := fmt.Sprintf("%.6g", o.Value)
		if o.Missing {
			v = "missing"
		}
		out = append(out, strings.Join(strings.Fields(fmt.Sprintf("%s/%d %s %s %s %s", o.Plot, o.Quadrat, o.Variable, o.Class, v, o.Unit)), " "))
	}
	slices.Sort(out)
	return strings.Join(out, "; ")
}

func asked(t *testing.T, text string, opt Options) Ask {
	t.Helper()
	tr, plots := plan()
	_, err := Counts(tr, plots, sheet(t, text), opt)
	var ask Ask
	if !errors.As(err, &ask) {
		t.Fatalf("%q: asked nothing: %v", text, err)
	}
	return ask
}

// TestAColumnThatIsNoWeed: one question for all columns of numbers that say
// nothing; the answers read the sheet, with what was typed of each.
func TestAColumnThatIsNoWeed(t *testing.T) {
	const text = "plot,quadrat,date,broadleaf,grass,crop_height_cm,soil_temp,minutes,leeks,remark on it\n101,1,2025-06-14,3,4,35,18,6,12,windy\n"
	ask := asked(t, text, Options{})
	q, ok := ask.Questions[0].(UnknownColumns)
	if len(ask.Questions) != 1 || !ok {
		t.Fatalf("%+v", ask)
	}
	var names []string
	for _, c := range q.Columns {
		names = append(names, c.Header)
	}
	if got := strings.Join(names, " "); got != "soil_temp minutes leeks" {
		t.Errorf("asked about %s", got)
	}
	answers, err := ParseColumns("soil_temp=assessment C plot; minutes=ignore; Leeks = weed")
	if err != nil {
		t.Fatal(err)
	}
	im := counts(t, text, Options{Columns: answers})
	const want = "101/0 soil temp 18 C; 101/1 count broadleaf 3 plants; 101/1 count grass 4 plants; 101/1 count leeks 12 plants; 101/1 crop height 350 mm"
	if got := said(im.Observations); got != want || len(im.Faults) > 0 {
		t.Errorf("%s\nwant %s\n%v", got, want, im.Faults)
	}
}

// TestNothingIsKnownByAWordWithin: two covers are two things, and a count of
// cover-crop plants is no cover.
func TestNothingIsKnownByAWordWithin(t *testing.T) {
	im := counts(t, "plot,quadrat,visit,weed_cover_%,crop_cover_%,cover %\n101,1,1,10,60,70\n", Options{})
	if got, want := said(im.Observations), "101/1 cover 0.7 fraction; 101/1 crop cover 0.6 fraction; 101/1 weed cover 0.1 fraction"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	for _, header := range []string{"cover_crop_plants", "old_cover_%", "uncovered", "crop_height_kg", "grasshoppers", "plotting"} {
		ask := asked(t, "plot,quadrat,visit,cover_%,"+header+"\n101,1,1,70,12\n", Options{})
		if q := ask.Questions[0].(UnknownColumns); len(q.Columns) != 1 || q.Columns[0].Header != header {
			t.Errorf("%s: %+v", header, ask)
		}
	}
	answers, _ := ParseColumns("cover_crop_plants=regrowth")
	im = counts(t, "plot,quadrat,visit,cover_%,cover_crop_plants\n101,1,1,70,12\n", Options{Columns: answers})
	if got, want := said(im.Observations), "101/1 cover 0.7 fraction; 101/1 regrowth 12 plants"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// TestEveryColumnFromCellToValue: each column of the table that stands for
// itself, with each of its units, in the unit it is stored in.
func TestEveryColumnFromCellToValue(t *testing.T) {
	for _, c := range []struct{ header, cell, want string }{
		{"total", "7", "101/1 count 7 plants"},
		{"Weeds", "7", "101/1 count 7 plants"},
		{"broad-leaf", "7", "101/1 count broadleaf 7 plants"},
		{"GRASS", "7", "101/1 count grass 7 plants"},
		{"sedge plants", "7", "101/1 count sedge 7 plants"},
		{"cover (%)", "12.5", "101/1 cover 0.125 fraction"},
		{"weed cover fraction", "0.2", "101/1 weed cover 0.2 fraction"},
		{"regrowth", "3", "101/1 regrowth 3 plants"},
		{"regrowth_%", "3", "101/1 regrowth cover 0.03 fraction"},
		{"residue_%", "80", "101/1 residue cover 0.8 fraction"},
		{"residue_g", "612", "101/1 residue 0.612 kg"},
		{"residue (kg/ha)", "8000", "101/1 residue 0.8 kg/m2"},
		{"biomass lb/acre", "1000", "101/1 biomass 0.112085 kg/m2"},
		{"biomass_oz", "16", "101/1 biomass 0.453592 kg"},
		{"crop height in", "10", "101/1 crop height 254 mm"},
		{"crop-height cm", "35", "101/1 crop height 350 mm"},
	} {
		im := counts(t, "plot,quadrat,visit,"+c.header+"\n101,1,1,"+c.cell+"\n", Options{})
		if got := said(im.Observations); got != c.want {
			t.Errorf("%s = %s: %s, want %s %v", c.header, c.cell, got, c.want, im.Faults)
		}
	}
}

// TestNamesOfClasses: one class however it is written; letters of another
// alphabet are asked about; a class called total is the total.
func TestNamesOfClasses(t *testing.T) {
	for _, name := range []string{"broadleaf", "Broadleaf", "broad-leaf", "BROAD LEAF", "broad\u2011leaf", "\uff42roadleaf"} {
		im := counts(t, "plot,quadrat,visit,"+name+"\n101,1,1,3\n", Options{})
		if got := said(im.Observations); got != "101/1 count broadleaf 3 plants" {
			t.Errorf("%q: %s", name, got)
		}
	}
	ask := asked(t, "plot,quadrat,visit,gr\u0430ss\n101,1,1,3\n", Options{})
	if q, ok := ask.Questions[0].(LookAlikes); !ok || q.Known != "grass" || q.Alphabet != "Cyrillic" {
		t.Errorf("%+v", ask)
	}
	ask = asked(t, "plot,quadrat,visit,class,count\n101,1,1,grass,3\n101,1,1,gr\u0430ss,3\n", Options{})
	if _, ok := ask.Questions[0].(LookAlikes); !ok {
		t.Errorf("%+v", ask)
	}
	im := counts(t, "plot,quadrat,visit,class,count\n101,1,1,Couch grass,3\n101,1,1,Total,8\n101,1,1,nettle,5\n101,2,1,couch-grass,1\n101,2,1,nettle,0\n", Options{Classes: []trial.Class{{Name: "Couch grass"}, {Name: "nettle"}}})
	if got, want := said(im.Observations), "101/1 count 8 plants; 101/1 count Couch grass 3 plants; 101/1 count nettle 5 plants; 101/2 count Couch grass 1 plants; 101/2 count nettle 0 plants"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	tr, plots := plan()
	tr.Classes = []trial.Class{{Name: "barnyardgrass", Group: "grass", Life: "annual"}}
	im, err := Counts(tr, plots, sheet(t, "plot,quadrat,visit,Barnyard_grass\n101,1,1,3\n"), Options{})
	if err != nil || im.Observations[0].Group != "grass" || im.Observations[0].Life != "annual" || im.Observations[0].Class != "barnyardgrass" {
		t.Errorf("a class of the plan: %+v %v", im, err)
	}
}

// TestAClassInOneQuadrat: asked once, by name; the answers zero and unknown; a
// cell that says NA is missing and not asked about.
func TestAClassInOneQuadrat(t *testing.T) {
	const wide = "plot,quadrat,visit,broadleaf,sedge\n101,1,1,3,1\n101,2,1,4,\n102,1,1,5,\n102,2,1,6,NA\n"
	const long = "plot,quadrat,visit,class,count\n101,1,1,broadleaf,3\n101,1,1,sedge,1\n101,2,1,broadleaf,4\n102,1,1,broadleaf,5\n102,2,1,broadleaf,6\n102,2,1,sedge,NA\n"
	for _, text := range []string{wide, long} {
		im := counts(t, text, Options{})
		q, ok := ClassGap{}, false
		if len(im.Questions) == 1 {
			q, ok = im.Questions[0].(ClassGap)
		}
		if !ok || q.Class != "sedge" || len(q.In) != 1 || q.In[0] != (record.QuadratAt{Plot: "101", Quadrat: 1, Visit: 1}) {
			t.Errorf("asked %+v", im.Questions)
		}
		if n := len(counts(t, text, Options{Unlisted: record.UnlistedUnknown}).Questions); n != 0 {
			t.Errorf("asked again: %d", n)
		}
		zero := counts(t, text, Options{Unlisted: record.UnlistedZero})
		if o := find(zero, "101", 2, "count", "sedge"); o == nil || o.Missing || o.Value != 0 {
			t.Errorf("answered zero: %+v", o)
		}
		if o := find(zero, "102", 2, "count", "sedge"); !o.Missing {
			t.Errorf("NA is missing: %+v", o)
		}
	}
}

func yieldsOf(t *testing.T, text string, opt Options) (Import, error) {
	t.Helper()
	tr, plots := plan()
	return Yields(tr, plots, sheet(t, text), opt)
}

// TestStandOnceOrInEveryRow: one value a plot where the rows agree, a question
// where they do not.
func TestStandOnceOrInEveryRow(t *testing.T) {
	const head = "plot,date,marketable_kg,bed_length_m,stand\n"
	for name, rows := range map[string]string{"once": "101,2025-09-01,5,3,40\n101,2025-09-08,6,3,\n", "every row": "101,2025-09-01,5,3,40\n101,2025-09-08,6,3,40\n", "later": "101,2025-09-01,5,3,\n101,2025-09-08,6,3,40\n"} {
		im, err := yieldsOf(t, head+rows, Options{})
		var stands []float64
		for _, o := range im.Observations {
			if o.Variable == record.VarStand {
				stands = append(stands, o.Value)
			}
		}
		if err != nil || len(im.Faults) > 0 || !slices.Equal(stands, []float64{40}) {
			t.Errorf("%s: %v %v %v", name, stands, im.Faults, err)
		}
	}
	_, err := yieldsOf(t, head+"101,2025-09-01,5,3,40\n101,2025-09-08,6,3,41\n", Options{})
	var ask Ask
	if !errors.As(err, &ask) {
		t.Fatalf("got %v", err)
	}
	if q := ask.Questions[0].(StandDiffers); q.Plot != "101" || !slices.Equal(q.Values, []float64{40, 41}) || !slices.Equal(q.Lines, []int{2, 3}) {
		t.Errorf("%+v", q)
	}
}

// TestPicksOfASheet: by number or by date; a plot without one is asked about.
func TestPicksOfASheet(t *testing.T) {
	im, err := yieldsOf(t, "plot,pick,date,marketable_kg,bed_length_m\n101,1,2025-09-01,5,3\n102,1,2025-09-01,5,3\n101,2,2025-09-08,6,3\n", Options{})
	if err != nil || len(im.Questions) != 1 {
		t.Fatalf("%+v %v", im, err)
	}
	if q := im.Questions[0].(PicksMissing); !strings.Contains(q.Text(), "no weight for plot 102 at pick 2:") {
		t.Errorf("%+v", q)
	}
	for _, answer := range []string{"0", "NA"} {
		im, err = yieldsOf(t, "plot,pick,date,marketable_kg,bed_length_m\n101,1,2025-09-01,5,3\n102,1,2025-09-01,5,3\n101,2,2025-09-08,6,3\n102,2,2025-09-08,"+answer+",3\n", Options{})
		if err != nil || len(im.Questions) != 0 {
			t.Errorf("answered %s: %+v %v", answer, im.Questions, err)
		}
	}
	// Two dates of one pick number are one pick; the date can be corrected.
	a := im.Observations[0]
	b := a
	b.Date = a.Date.AddDays(1)
	if a.Key() != b.Key() {
		t.Error("a pick is known by its number")
	}
	if im, err := yieldsOf(t, "plot,pick,marketable_kg,bed_length_m\n101,,5,3\n", Options{}); err != nil || len(im.Faults) != 1 {
		t.Errorf("a blank pick: %+v %v", im, err)
	}
	// Total alone, or graded: never both.
	im, err = yieldsOf(t, "plot,date,total_kg,marketable_kg,cull_kg,bed_length_m\n101,2025-09-01,6,5,1,3\n102,2025-09-01,6,NA,1,3\n", Options{})
	if got, want := said(im.Observations), "101/0 yield cull 1 kg; 101/0 yield marketable 5 kg; 102/0 yield cull 1 kg; 102/0 yield marketable missing kg; 102/0 yield total 6 kg"; err != nil || got != want {
		t.Errorf("%s, want %s %v", got, want, err)
	}
}

// TestGroundOfWork: blank and all are the whole trial; a dash or NA is neither.
func TestGroundOfWork(t *testing.T) {
	tr, plots := plan()
	for cell, want := range map[string]string{"": "", "all": "", "ALL": "", "rye": "RYE", "-": "fault", "NA": "fault", ".": "fault", "n/a": "fault", "OATS": "fault"} {
		im, err := Field(tr, plots, sheet(t, "date,operation,treatment,implement,implement_weight_lb,soil moisture\n2025-05-20,rolling,"+cell+",crimper,2000,moist\n"), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if want == "fault" {
			if len(im.Faults) != 1 || len(im.Operations) != 0 {
				t.Errorf("%q: %+v", cell, im)
			}
			continue
		}
		if len(im.Operations) != 1 || im.Operations[0].Treatment != want || im.Operations[0].Implement != "crimper" || math.Abs(*im.Operations[0].ImplementKG-907.18474) > 1e-6 || im.Operations[0].SoilMoisture != "moist" {
			t.Errorf("%q: %+v", cell, im)
		}
	}
	for _, cell := range []string{"NA", "-"} {
		im := counts(t, "plot,quadrat,visit,treatment,grass\n101,1,1,"+cell+",3\n"+cell+",1,1,BARE,3\n", Options{})
		if len(im.Faults) != 2 || len(im.Observations) != 0 {
			t.Errorf("%q for a treatment and a plot: %+v", cell, im)
		}
	}
}

// TestNumbersPerArea: a number per area, or a length, a weight or a share, is no
// count of plants in a frame, also where a person says that it is of a weed.
func TestNumbersPerArea(t *testing.T) {
	tr, plots := plan()
	for header, unit := range map[string]string{"kochia per ft2": "plants/ft2", "kochia_per_sq_ft": "plants/ft2", "kochia per square metre": "plants/m2", "Kochia per m²": "plants/m2",
		"kochia (plants/m2)": "plants/m2", "kochia_cm": "cm", "kochia %": "%", "kochia per acre": "plants/acre",
		"kochia": "", "kochia c": "", "kochia per frame": "", "kochia plants": "", "per kochia": ""} {
		s := func() *tables.Sheet { return sheet(t, "plot,quadrat,visit,"+header+"\n101,1,1,3\n") }
		_, err := Counts(tr, plots, s(), Options{})
		if unit != "" && (err == nil || strings.Contains(err.Error(), "=weed")) {
			t.Errorf("%q: the question offers a weed: %v", header, err)
		}
		columns, perr := ParseColumns(answerKey(header) + "=weed")
		if perr != nil {
			t.Fatal(perr)
		}
		im, err := Counts(tr, plots, s(), Options{Columns: columns})
		if unit == "" {
			if err != nil || len(im.Observations) != 1 {
				t.Errorf("%q: %+v %v", header, im.Observations, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), "assessment "+unit) {
			t.Errorf("%q: %v", header, err)
		}
	}
}

// TestPasses: work was passed over once or more.
func TestPasses(t *testing.T) {
	tr, plots := plan()
	for cell, ok := range map[string]bool{"1": true, "3": true, "": true, "0": false, "-1": false, "1.5": false} {
		im, err := Field(tr, plots, sheet(t, "date,operation,treatment,passes\n2025-05-20,rolling,RYE,"+cell+"\n"), Options{})
		if err != nil || (len(im.Faults) == 0) != ok || ok != (len(im.Operations) == 1) && cell != "1.5" {
			t.Errorf("%q: %+v %v", cell, im, err)
		}
	}
}

func TestParseColumns(t *testing.T) {
	got, err := ParseColumns("crop_height=assessment in; regrowth=regrowth; minutes=ignore; barnyard=weed grass annual; stones=assessment % plot;ht=crop height cm")
	want := map[string]Meaning{
		"cropheight": {As: AsAssessment, Unit: "in"}, "regrowth": {As: AsColumn, Column: "regrowth"}, "minutes": {As: AsIgnore},
		"barnyard": {As: AsClass, Group: "grass", Life: "annual"}, "stones": {As: AsAssessment, Unit: "%", Level: PlotLevel}, "ht": {As: AsColumn, Column: "crop height", Unit: "cm"},
	}
	if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v %v", got, err)
	}
	for _, bad := range []string{"minutes", "=ignore", "a=", "a=b", "a=weed tree", "a=ignore; A=weed", "a=ignore it"} {
		if m, err := ParseColumns(bad); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v %v", bad, m, err)
		}
	}
}

// TestTallies: a sum in a cell is added up and shown.
func TestTallies(t *testing.T) {
	im := counts(t, "plot,quadrat,visit,grass\n101,1,1,5+5+5+3\n101,2,1,=5+5\n102,1,1,5++5\n102,2,1,-5+6\n", Options{})
	if got := said(im.Observations); got != "101/1 count grass 18 plants" || len(im.Sums) != 1 || im.Sums[0] != (Sum{Line: 2, Header: "grass", Text: "5+5+5+3", Number: 18}) || len(im.Faults) != 3 {
		t.Errorf("%s %+v %+v", got, im.Sums, im.Faults)
	}
}

// TestTableOfColumns: every row can be found by each of its names, in each kind
// of sheet it may stand in, and no two rows claim one name and unit.
func TestTableOfColumns(t *testing.T) {
	for i := range Columns {
		c := &Columns[i]
		headers := []string{"%s"}
		if len(units[c.Quantity]) > 0 {
			headers = nil
		}
		for u := range units[c.Quantity] {
			headers = append(headers, "%s ("+strings.ReplaceAll(u, "%", "%%")+")")
		}
		for _, kind := range c.In {
			for _, name := range append([]string{c.Name}, c.Aliases...) {
				for _, form := range headers {
					header := fmt.Sprintf(form, name)
					got, u, ok := findColumn(kind, header)
					if !ok || got.Target != c.Target || got.Class != c.Class || got.Quantity != c.Quantity {
						t.Errorf("%s sheet, header %q: found %+v %q, want %+v", kind, header, got, u, c)
					}
				}
			}
		}
	}
}
