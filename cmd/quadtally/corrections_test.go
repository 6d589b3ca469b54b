package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
)

// bedTrial is a trial of three treatments in four blocks, three quadrats a
// plot, two visits, beds 1.5 m apart.
func bedTrial(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	layout := "plot,block,treatment\n"
	for b := 1; b <= 4; b++ {
		for i, code := range []string{"BARE", "RYE", "STRAW"} {
			layout += fmt.Sprintf("%d,%d,%s\n", 100*b+1+(i+b)%3, b, code)
		}
	}
	file(t, dir, "layout.csv", layout)
	plan := file(t, dir, "plan.txt", "trial: Alder Bend leeks\nblocks: 4\ntreatment: BARE; control\ntreatment: RYE\ntreatment: STRAW\n"+
		"bed spacing: 1.5 m\nplot length: 10 m\nquadrat: 500x500mm\nquadrats per plot: 3\nvisits: 2025-06-14, 2025-06-28\nvisit tolerance: 3\nseed: 7\n")
	code, _, talk := quietly("new", "--plan", plan, "--layout", filepath.Join(dir, "layout.csv"), "--trial", dir)
	if code != exitDone {
		t.Fatal(talk)
	}
	return dir
}

// quietly runs one command.
func quietly(args ...string) (code int, out, talk string) {
	var o, e strings.Builder
	code = run(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// bedPlots are the plots of bedTrial.
var bedPlots = []string{"101", "102", "103", "201", "202", "203", "301", "302", "303", "401", "402", "403"}

// plotValues are the values that a comparison would take: the mean of a plot's
// quadrats by plot, or by plot and visit where there are several. Plots without
// a value are not there.
func plotValues(t *testing.T, dir, response, class string) map[string]float64 {
	t.Helper()
	snap := snapshotOf(t, dir)
	r, err := analysis.Find(snap, response, class)
	if err != nil {
		return nil
	}
	values, err := r.Values(snap)
	if err != nil {
		return nil
	}
	sum, n := map[string]float64{}, map[string]float64{}
	for _, v := range values {
		if !v.Missing {
			k := v.Plot
			if v.Visit > 0 {
				k = fmt.Sprintf("%s@%d", v.Plot, v.Visit)
			}
			sum[k] += v.Shown
			n[k]++
		}
	}
	for k := range sum {
		sum[k] /= n[k]
	}
	return sum
}

// A harvest sheet stored again with another date: the yields stay, and the
// entry can be taken back.
func TestCorrectedHarvestDate(t *testing.T) {
	dir := bedTrial(t)
	text := "plot,date,marketable_kg,bed_length_m\n"
	for i, p := range bedPlots {
		text += fmt.Sprintf("%s,2025-10-02,%d.5,3\n", p, 4+i)
	}
	must(t, "yields", file(t, dir, "harvest.csv", text), "--trial", dir)
	before := plotValues(t, dir, "yield", "")
	if len(before) != 12 || before["101"] < 9999 || before["101"] > 10001 { // 4.5 kg from 3 m of a 1.5 m bed
		t.Fatalf("%v", before)
	}
	again := file(t, dir, "harvest.csv", strings.ReplaceAll(text, "2025-10-02", "2025-10-03"))
	dry := must(t, "yields", again, "--trial", dir, "--dry-run")
	dry.expect(t, exitDone, "12 moved", "rows 2 to 13: date was 2025-10-02, now 2025-10-03", "dry run")
	must(t, "yields", again, "--trial", dir).expect(t, exitDone, "0 new, 0 changed, 12 moved, 0 withdrawn", "date was 2025-10-02, now 2025-10-03")
	if now := plotValues(t, dir, "yield", ""); fmt.Sprint(now) != fmt.Sprint(before) {
		t.Errorf("the yields were %v and are %v", before, now)
	}
	// Under another name it would count twice, and is asked about.
	copied := file(t, dir, "harvest-corrected.csv", strings.ReplaceAll(text, "2025-10-02", "2025-10-04"))
	say(t, "yields", copied, "--trial", dir).expect(t, exitFailed, "nothing was stored", "--as \"harvest.csv\"")
	if now := plotValues(t, dir, "yield", ""); fmt.Sprint(now) != fmt.Sprint(before) {
		t.Errorf("the yields were %v and are %v", before, now)
	}
	must(t, "yields", copied, "--trial", dir, "--as", "harvest.csv").expect(t, exitDone, "12 moved")
	// A row taken out of the sheet is withdrawn.
	lines := strings.SplitAfter(text, "\n")
	must(t, "yields", file(t, dir, "harvest.csv", strings.Join(append(lines[:1:1], lines[2:]...), "")), "--trial", dir).
		expect(t, exitDone, "withdrawn: plot 101 on 2025-10-04 yield (marketable), 4.5 kg")
	if now := plotValues(t, dir, "yield", ""); len(now) != 11 {
		t.Errorf("%v", now)
	}
	// One that stands in a copy as well goes on to count, which is said.
	must(t, "yields", file(t, dir, "copy.csv", text), "--trial", dir, "--agreed")
	must(t, "yields", file(t, dir, "harvest.csv", strings.Join(append(lines[:1:1], lines[3:]...), "")), "--trial", dir, "--agreed").
		expect(t, exitDone, "still counts: plot 102 ", "as it stands in copy.csv:3")
	if _, err := os.Stat(filepath.Join(dir, "harvest.csv")); err != nil {
		t.Fatal(err)
	}
}

// A sheet of another visit under the name of an earlier one is no correction.
func TestTwoSheetsOfOneName(t *testing.T) {
	dir := bedTrial(t)
	sheet := func(date string, add int) string {
		s := "plot,quadrat,date,broadleaf,grass\n"
		for i, p := range bedPlots {
			for q := 1; q <= 3; q++ {
				s += fmt.Sprintf("%s,%d,%s,%d,%d\n", p, q, date, i+q+add, (i*q+3*add)%5)
			}
		}
		return s
	}
	must(t, "counts", file(t, dir, "counts.csv", sheet("2025-06-14", 0)), "--trial", dir)
	before := plotValues(t, dir, "count", "")
	second := file(t, dir, "counts.csv", sheet("2025-06-28", 2))
	say(t, "counts", second, "--trial", dir).expect(t, exitFailed, "is this another sheet", "--as", "--agreed")
	if now := plotValues(t, dir, "count", ""); fmt.Sprint(now) != fmt.Sprint(before) {
		t.Errorf("%v", now)
	}
	must(t, "counts", second, "--trial", dir, "--as", "counts of visit 2")
	now := plotValues(t, dir, "count", "")
	if len(now) != 24 || now["101@1"] != before["101@1"] && now["101@1"] != before["101"] {
		t.Errorf("%v", now)
	}
}

// Noughts of another visit, and another half of the field, are no corrections
// though all their values are the same.
func TestNoughtsUnderOneName(t *testing.T) {
	for _, c := range []struct{ name, date, plots string }{{"another visit", "2025-06-28", "12"}, {"other plots", "2025-06-14", "34"}} {
		dir := bedTrial(t)
		sheet := func(date, blocks string) string {
			s := "plot,quadrat,date,sedge\n"
			for _, p := range bedPlots {
				for q := 1; q <= 3 && strings.Contains(blocks, p[:1]); q++ {
					s += fmt.Sprintf("%s,%d,%s,0\n", p, q, date)
				}
			}
			return s
		}
		must(t, "counts", file(t, dir, "counts.csv", sheet("2025-06-14", "12")), "--trial", dir)
		say(t, "counts", file(t, dir, "counts.csv", sheet(c.date, c.plots)), "--trial", dir).expect(t, exitFailed, "is this another sheet")
		if v := plotValues(t, dir, "count", ""); len(v) != 6 {
			t.Errorf("%s: %v", c.name, v)
		}
	}
}

// Two sheets that say different things about one quadrat.
func TestAnotherSheetSaysOtherwise(t *testing.T) {
	dir := bedTrial(t)
	must(t, "counts", file(t, dir, "a.csv", "plot,quadrat,date,broadleaf\n101,1,2025-06-14,3\n"), "--trial", dir)
	b := file(t, dir, "b.csv", "plot,quadrat,date,Broad-Leaf\n101,1,2025-06-14,4\n")
	say(t, "counts", b, "--trial", dir).expect(t, exitFailed, "nothing was stored", "a.csv:2", "was 3 plants, now 4 plants", "--agreed")
	must(t, "counts", b, "--trial", dir, "--agreed")
	if now := plotValues(t, dir, "count", ""); now["101@1"] != 16 {
		t.Errorf("%v", now)
	}
}
