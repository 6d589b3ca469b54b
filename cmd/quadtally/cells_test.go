package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

// Two columns of cover are two things, and nothing is recognised by a word
// within a name.
func TestCoverWithinAName(t *testing.T) {
	dir := bedTrial(t)
	must(t, "counts", file(t, dir, "a.csv", "plot,quadrat,date,weed_cover_%,crop_cover_%\n101,1,2025-06-14,10,60\n"), "--trial", dir)
	for response, want := range map[string]float64{"hand-weed-cover": 10, "hand-crop-cover": 60} {
		if v := plotValues(t, dir, response, ""); v["101@1"] != want {
			t.Errorf("%s: %v", response, v)
		}
	}
	if v := plotValues(t, dir, "hand-cover", ""); len(v) > 0 {
		t.Errorf("all green by eye: %v", v)
	}
	plants := file(t, dir, "b.csv", "plot,quadrat,date,cover_crop_plants,broadleaf\n102,1,2025-06-14,12,3\n")
	say(t, "counts", plants, "--trial", dir).expect(t, exitFailed, `"cover_crop_plants"`)
	must(t, "counts", plants, "--trial", dir, "--columns", "cover_crop_plants=regrowth")
	if v := plotValues(t, dir, "count", ""); v["102@1"] != 12 {
		t.Errorf("weeds %v", v)
	}
	if v := plotValues(t, dir, "regrowth", ""); v["102@1"] != 48 {
		t.Errorf("regrowth %v", v)
	}
	old := file(t, dir, "c.csv", "plot,quadrat,date,cover_%,old_cover_%\n103,1,2025-06-14,20,44\n")
	say(t, "counts", old, "--trial", dir).expect(t, exitFailed, `"old_cover_%"`)
	must(t, "counts", old, "--trial", dir, "--columns", "old_cover=ignore")
	if v := plotValues(t, dir, "hand-cover", ""); v["103@1"] != 20 {
		t.Errorf("%v", v)
	}
}

// Cells that show a percentage, days of the other date system, and formulas
// that were never worked out.
func TestCellsOfWorkbooks(t *testing.T) {
	put := func(dir, name string, f func(x *excelize.File)) string {
		x := excelize.NewFile()
		defer x.Close()
		f(x)
		b, err := x.WriteToBuffer()
		if err != nil {
			t.Fatal(err)
		}
		return file(t, dir, name, b.String())
	}
	row := func(x *excelize.File, n int, cells ...any) {
		at, _ := excelize.CoordinatesToCellName(1, n)
		if err := x.SetSheetRow("Sheet1", at, &cells); err != nil {
			t.Fatal(err)
		}
	}
	dir := bedTrial(t)
	must(t, "counts", put(dir, "p.xlsx", func(x *excelize.File) {
		percent, _ := x.NewStyle(&excelize.Style{NumFmt: 9})
		row(x, 1, "plot", "quadrat", "date", "cover_%")
		row(x, 2, "101", 1, "2025-06-14", 0.45)
		row(x, 3, "102", 1, "2025-06-14", 30)
		row(x, 4, "103", 1, "2025-06-14", 0.6)
		x.SetCellStyle("Sheet1", "D2", "D2", percent)
		x.SetCellStyle("Sheet1", "D4", "D4", percent)
	}), "--trial", dir)
	if v := plotValues(t, dir, "hand-cover", ""); fmt.Sprintf("%.4g %.4g %.4g", v["101@1"], v["102@1"], v["103@1"]) != "45 30 60" {
		t.Errorf("%v", v)
	}
	must(t, "yields", put(dir, "d.xlsx", func(x *excelize.File) {
		day, _ := x.NewStyle(&excelize.Style{NumFmt: 14})
		on := true
		x.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &on})
		row(x, 1, "plot", "date", "marketable_kg", "bed_length_m")
		row(x, 2, "101", 44360, 5, 3) // 2025-06-14 counted from 1904
		x.SetCellStyle("Sheet1", "B2", "B2", day)
	}), "--trial", dir)
	for _, o := range snapshotOf(t, dir).Observations {
		if o.Variable == "yield" && o.Date.String() != "2025-06-14" {
			t.Errorf("harvested on %s", o.Date)
		}
	}
	sum := put(dir, "f.xlsx", func(x *excelize.File) {
		row(x, 1, "plot", "quadrat", "date", "grass", "a", "b")
		row(x, 2, "201", 1, "2025-06-14")
		x.SetCellValue("Sheet1", "D2", 0)
		x.SetCellFormula("Sheet1", "D2", "SUM(E2:F2)")
		row(x, 3, "202", 1, "2025-06-14", 4)
	})
	say(t, "counts", sum, "--trial", dir).expect(t, exitPartly, "D2")
	if v := plotValues(t, dir, "count", ""); len(v) != 1 || v["202@1"] != 16 {
		t.Errorf("a sum of nothing is no nought: %v", v)
	}
}

// Tallies as people write them, stands in every row of a pick, and rows that an
// open quote swallows.
func TestTalliesStandsAndQuotes(t *testing.T) {
	dir := bedTrial(t)
	must(t, "counts", file(t, dir, "a.csv", "plot,quadrat,date,grass\n101,1,2025-06-14,5+5+5+3\n"), "--trial", dir).expect(t, exitDone, "5+5+5+3", "read as 18")
	if v := plotValues(t, dir, "count", ""); v["101@1"] != 72 {
		t.Errorf("%v", v)
	}
	say(t, "counts", file(t, dir, "b.csv", "plot,quadrat,date,grass\n102,1,2025-06-14,=5+5\n"), "--trial", dir).expect(t, exitFailed, "b.csv:2")

	stand := "plot,pick,date,marketable_kg,bed_length_m,stand\n101,1,2025-09-03,4,3,44\n101,2,2025-09-10,4,3,44\n"
	must(t, "yields", file(t, dir, "s.csv", stand), "--trial", dir)
	if v := plotValues(t, dir, "stand", ""); v["101"] < 14.6 || v["101"] > 14.7 {
		t.Errorf("%v", v)
	}
	say(t, "yields", file(t, dir, "s.csv", strings.Replace(stand, "4,3,44\n101,2", "4,3,41\n101,2", 1)), "--trial", dir).expect(t, exitFailed, "the stand of plot 101 is given as 41 (row 2) and 44 (row 3)")

	quotes := "plot,quadrat,date,grass,notes\n101,2,2025-06-14,7,5\" tall weeds\n102,2,2025-06-14,9,ok\n103,2,2025-06-14,4,\"half\n201,2,2025-06-14,3,ok\n202,2,2025-06-14,2,ok\n"
	r := say(t, "counts", file(t, dir, "q.csv", quotes), "--trial", dir)
	stored := map[string]bool{}
	for _, o := range snapshotOf(t, dir).Observations {
		if o.Quadrat == 2 {
			stored[o.Plot] = true
		}
	}
	for i, plot := range []string{"101", "102", "103", "201", "202"} {
		named := strings.Contains(r.err, fmt.Sprintf("q.csv:%d:", i+2)) || strings.Contains(r.err, "rows ")
		if !stored[plot] && !named {
			t.Errorf("the row of plot %s is neither stored nor named:\n%s", plot, r.err)
		}
	}
}
