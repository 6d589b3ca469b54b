package sheets

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// TestEmptySheets: the columns and rows of every sheet, in both systems of
// units, with the treatments and without.
func TestEmptySheets(t *testing.T) {
	tr, plots := plan()
	rate := 2.0
	for i := range plots {
		plots[i].LengthMM, plots[i].Beds = 10000, 1
	}
	tr.Ground.BedSpacingMM = 1500
	snap := &record.Snapshot{Trial: *tr, Plots: plots, Operations: []record.Operation{
		{What: "sowing", Input: "rye", Rate: &rate, RateUnit: "kg/ha", Treatment: "RYE"}, {What: "rolling"}}}
	for _, c := range []struct {
		name   string
		units  trial.Units
		o      EmptyOptions
		header string
		rows   int
		first  string
	}{
		{"counts", "", EmptyOptions{}, "plot,block,quadrat,visit,date,broadleaf,grass,sedge,cover_%,observer,notes", 8, "101 1 1 1 2025-06-14"},
		{"counts", "", EmptyOptions{Visit: 2, Classes: []string{"dock"}, WithTreatment: true}, "plot,block,treatment,quadrat,visit,date,dock,cover_%,observer,notes", 4, "101 1 BARE 1 2 2025-06-28"},
		{"yields", "", EmptyOptions{}, "plot,block,date,marketable_kg,cull_kg,bed_length_m,pieces,stand,trim,notes", 2, "101 1"},
		{"yields", trial.US, EmptyOptions{}, "plot,block,date,marketable_lb,cull_lb,bed_length_ft,pieces,stand,trim,notes", 2, "101 1"},
		{"field", trial.US, EmptyOptions{}, "date,operation,treatment,plot,input,rate,rate_unit,stage,passes,implement,implement_weight_lb,soil_moisture,note", 0, ""},
		{"photos", "", EmptyOptions{}, "photo,plot,quadrat,visit", 0, ""},
		{"amounts", "", EmptyOptions{}, "plot,treatment,date,operation,input,rate,rate_unit,area_m2,amount,amount_unit", 1, "102 RYE  sowing rye 2 kg/ha 15 3 g"},
	} {
		snap.Trial.Units = c.units
		got := Empty(c.name, snap, c.o)
		first := ""
		if len(got.Rows) > 0 {
			first = strings.TrimSuffix(fmt.Sprintln(got.Rows[0]...), "\n")
		}
		if h := strings.Join(got.Header, ","); h != c.header || len(got.Rows) != c.rows || first != c.first {
			t.Errorf("%s %s: %s, %d rows, first %q", c.name, c.units, h, len(got.Rows), first)
		}
	}
}

// TestEmptySheetsReadBack: an empty sheet of counts or yields is read without a
// fault and gives no values.
func TestEmptySheetsReadBack(t *testing.T) {
	tr, plots := plan()
	for _, kind := range []Kind{KindCounts, KindYields} {
		var b bytes.Buffer
		if err := tables.WriteCSV(&b, Empty(string(kind), &record.Snapshot{Trial: *tr, Plots: plots}, EmptyOptions{})); err != nil {
			t.Fatal(err)
		}
		im, err := Read(kind, tr, plots, sheet(t, b.String()), Options{Decimal: tables.Point})
		if err != nil || len(im.Faults) > 0 || slices.ContainsFunc(im.Observations, func(o record.Observation) bool { return !o.Missing }) {
			t.Errorf("%s: %v, faults %v, values %v", kind, err, im.Faults, im.Observations)
		}
	}
}

// TestLayoutRows: the names of a layout's columns, the unit a header states, and
// what is missing.
func TestLayoutRows(t *testing.T) {
	for name, c := range map[string]struct{ text, want, fault string }{
		"usual":             {"plot,block,treatment\n101,1,BARE\n", "101|1|BARE|||", ""},
		"other names":       {"Plot No,rep,trt,first bed,walk\n101,1,BARE,3,7\n", "101|1|BARE|3||", ""},
		"metres in headers": {"plot,treatment,from_m,length_m\n101,BARE,0.5,10\n", "101||BARE||0.5 m|10 m", ""},
		"feet in headers":   {"plot,treatment,from_ft,length_ft\n101,BARE,2,30\n", "101||BARE||2 ft|30 ft", ""},
		"units in cells":    {"plot,treatment,from,length\n101,BARE,1 m,10\n", "101||BARE||1 m|10", ""},
		"no treatment":      {"plot,block\n101,1\n", "", "treatment"},
		"no plot":           {"treatment\nBARE\n", "", "plot"},
	} {
		rows, faults := LayoutRows(sheet(t, c.text))
		if c.fault != "" {
			if len(faults) == 0 || !strings.Contains(faults.Error(), c.fault) {
				t.Errorf("%s: %v", name, faults)
			}
			continue
		}
		if len(faults) > 0 || len(rows) != 1 {
			t.Fatalf("%s: %v %v", name, rows, faults)
		}
		r := rows[0]
		if got := strings.Join([]string{r.Plot, r.Block, r.Treatment, r.Bed, r.From, r.Length}, "|"); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// TestPhotoRows: rows without a photo or a plot are passed over, a number that
// cannot be read or is not whole is named, and both columns are needed.
func TestPhotoRows(t *testing.T) {
	rows, faults, err := PhotoRows(sheet(t, "file name,plot,quadrat,visit\na.jpg,101,1,2\nb.jpg,,1,1\n,102,1,1\nc.jpg,102,two,1\nd.jpg,101,,\ne.jpg,101,2.5,1\n"))
	if err != nil || len(faults) != 2 || faults[0].Line != 5 || faults[1].Line != 7 {
		t.Fatalf("%v %v", faults, err)
	}
	var got []string
	for _, r := range rows {
		got = append(got, fmt.Sprintf("%d:%s %s %d %d", r.Line, r.Path, r.Spot.Plot, r.Spot.Quadrat, r.Spot.Visit))
	}
	if want := "2:a.jpg 101 1 2; 5:c.jpg 102 0 1; 6:d.jpg 101 0 0; 7:e.jpg 101 0 1"; strings.Join(got, "; ") != want {
		t.Errorf("%s, want %s", strings.Join(got, "; "), want)
	}
	if _, _, err := PhotoRows(sheet(t, "photo,quadrat\na.jpg,1\n")); err == nil {
		t.Error("a sheet without plots was read")
	}
}

// TestCheckClassNames: only a new class may not be called like a column.
func TestCheckClassNames(t *testing.T) {
	cover, dock := trial.Class{Name: "Cover"}, trial.Class{Name: "dock"}
	for _, c := range []struct {
		old, now []trial.Class
		ok       bool
	}{
		{nil, []trial.Class{dock}, true}, {nil, []trial.Class{dock, cover}, false}, {[]trial.Class{cover}, []trial.Class{cover, dock}, true},
	} {
		if err := CheckClassNames(c.old, c.now); (err == nil) != c.ok {
			t.Errorf("%v after %v: %v", c.now, c.old, err)
		}
	}
}
