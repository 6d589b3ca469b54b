package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

// harvestSheet is a harvest of bedTrial with several picks, numbered.
func harvestSheet(picks int, leaveOut func(plot string, pick int) bool) string {
	s := "plot,pick,date,marketable_kg,bed_length_m\n"
	for k := 1; k <= picks; k++ {
		for i, p := range bedPlots {
			if leaveOut == nil || !leaveOut(p, k) {
				s += fmt.Sprintf("%s,%d,2025-09-%02d,%d.%d,3\n", p, k, 3*k, 2+i%4, k)
			}
		}
	}
	return s
}

// A pick without a row is no zero: the plot has no season's yield until
// somebody says what it was.
func TestPickLeftOut(t *testing.T) {
	dir := bedTrial(t)
	gap := func(plot string, pick int) bool { return plot == "201" && pick == 3 }
	const asked = "no weight for plot 201 at pick 3"
	must(t, "yields", file(t, dir, "h.csv", harvestSheet(4, gap)), "--trial", dir).expect(t, exitDone, asked, "0", "NA")
	if v := plotValues(t, dir, "yield", ""); len(v) != 11 || v["201"] != 0 {
		t.Errorf("%v", v)
	}
	must(t, "status", "--trial", dir).expect(t, exitDone, "yields: 11 of 12 plots", asked)
	must(t, "compare", "yield", "--trial", dir).expect(t, exitDone, asked)
	must(t, "compare", "yield-pick-3", "--trial", dir).expect(t, exitDone, "pick 3", "plot 201")
	must(t, "compare", "yield-per-bed", "--trial", dir).expect(t, exitDone, "kg per m of bed")
	must(t, "report", "--trial", dir, "--format", "html")
	if html := string(mustRead(t, filepath.Join(dir, "report", "report.html"))); !strings.Contains(html, "plot 201 at pick 3") {
		t.Error("the report does not ask")
	}
	for _, c := range []struct {
		row   string
		plots int
	}{{"201,3,2025-09-09,0,3\n", 12}, {"201,3,2025-09-09,NA,3\n", 11}} {
		must(t, "yields", file(t, dir, "h.csv", harvestSheet(4, gap)+c.row), "--trial", dir)
		if v := plotValues(t, dir, "yield", ""); len(v) != c.plots {
			t.Errorf("%s: %v", c.row, v)
		}
		if s := must(t, "status", "--trial", dir); strings.Contains(s.out, asked) {
			t.Errorf("%s: still asked:\n%s", c.row, s.out)
		}
	}
	say(t, "compare", "yield-pick-9", "--trial", dir).expect(t, exitUsage, "yield-pick-4")
}

// A total that was stored first and sorted into grades later is not added to
// them.
func TestTotalFirstSortedLater(t *testing.T) {
	dir := bedTrial(t)
	total, graded := "plot,date,total_kg,bed_length_m\n", "plot,date,marketable_kg,cull_kg,bed_length_m\n"
	for i, p := range bedPlots {
		total += fmt.Sprintf("%s,2025-10-02,%d,3\n", p, 6+i)
		graded += fmt.Sprintf("%s,2025-10-02,%d,1,3\n", p, 5+i)
	}
	must(t, "yields", file(t, dir, "total.csv", total), "--trial", dir)
	if v := plotValues(t, dir, "yield", ""); v["101"] < 13332 || v["101"] > 13334 { // 6 kg from 3 m of a 1.5 m bed
		t.Errorf("ungraded: %v", v)
	}
	must(t, "yields", file(t, dir, "graded.csv", graded), "--trial", dir)
	if v := plotValues(t, dir, "yield", ""); v["101"] < 11110 || v["101"] > 11112 {
		t.Errorf("graded: %v", v)
	}
	if v := plotValues(t, dir, "cull", ""); v["101"] < 2222 || v["101"] > 2223 {
		t.Errorf("cull: %v", v)
	}
	must(t, "yields", file(t, dir, "graded.csv", strings.Replace(graded, "101,2025-10-02,5,1", "101,2025-10-02,5,3", 1)), "--trial", dir)
	must(t, "status", "--trial", dir).expect(t, exitDone, "plot 101", "total of 6 kg")
}

// One class in three spellings is one class, in a corrected sheet and between
// sheets.
func TestOneClassInThreeSpellings(t *testing.T) {
	dir := bedTrial(t)
	sheet := "plot,quadrat,date,%s\n101,1,2025-06-14,3\n101,2,2025-06-14,5\n101,3,2025-06-14,4\n"
	for _, name := range []string{"broadleaf", "Broadleaf", "broad-leaf", "BROAD LEAF"} {
		must(t, "counts", file(t, dir, "c.csv", fmt.Sprintf(sheet, name)), "--trial", dir)
		if v := plotValues(t, dir, "count", ""); v["101@1"] != 16 {
			t.Errorf("%s: %v", name, v)
		}
	}
	must(t, "counts", file(t, dir, "d.csv", strings.ReplaceAll(fmt.Sprintf(sheet, "Broadleaf"), "101,", "102,")), "--trial", dir)
	if v := plotValues(t, dir, "count", ""); v["101@1"] != 16 || v["102@1"] != 16 {
		t.Errorf("%v", v)
	}
	say(t, "compare", "count", "--class", "thistle", "--trial", dir).expect(t, exitUsage, `nothing was counted as "thistle": there is broadleaf`)
}

// What an unknown column holds is asked once, for all of them, and remembered.
func TestColumnsThatAreNoWeeds(t *testing.T) {
	dir := bedTrial(t)
	text := "plot,quadrat,date,broadleaf,grass,crop_height_cm,soil_temp,minutes,leeks\n101,1,2025-06-14,3,4,35,18,6,12\n"
	sheet := file(t, dir, "c.csv", text)
	say(t, "counts", sheet, "--trial", dir).expect(t, exitFailed, `"soil_temp"`, `"minutes"`, `"leeks"`, "--columns")
	if snap := snapshotOf(t, dir); len(snap.Observations) != 0 {
		t.Errorf("%+v", snap.Observations)
	}
	must(t, "counts", sheet, "--trial", dir, "--columns", "soil_temp=assessment C; minutes=ignore; leeks=ignore")
	if v := plotValues(t, dir, "count", ""); v["101@1"] != 28 {
		t.Errorf("%v", v)
	}
	if v := plotValues(t, dir, "crop-height", ""); v["101@1"] != 35 {
		t.Errorf("height %v", v)
	}
	must(t, "status", "--trial", dir).expect(t, exitDone, "ignored, as you said: leeks, minutes")
	// The same columns in another sheet are not asked about again.
	must(t, "counts", file(t, dir, "d.csv", strings.ReplaceAll(text, "101,", "102,")), "--trial", dir)
	if v := plotValues(t, dir, "soil temp", ""); v["102@1"] != 18 {
		t.Errorf("soil temperature %v", v)
	}
}

// A class that was counted in one quadrat alone is asked about, and the totals
// of the classes known everywhere stay.
func TestClassInOneQuadrat(t *testing.T) {
	dir := bedTrial(t)
	sheet := func(last string) string {
		s := "plot,quadrat,date,broadleaf,grass,sedge\n"
		for i, p := range bedPlots {
			for q := 1; q <= 3; q++ {
				sedge := last
				if p == "401" && q == 1 {
					sedge = "1"
				}
				s += fmt.Sprintf("%s,%d,2025-06-14,%d,%d,%s\n", p, q, i, q, sedge)
			}
		}
		return s
	}
	must(t, "counts", file(t, dir, "c.csv", sheet("")), "--trial", dir).expect(t, exitDone, "sedge was counted in 1 of 36 quadrats")
	v := plotValues(t, dir, "count", "")
	if len(v) != 12 || v["401@1"] != 4*(9+2) {
		t.Errorf("%v", v)
	}
	must(t, "status", "--trial", dir).expect(t, exitDone, "question: sedge was counted in 1 of 36")
	must(t, "compare", "count", "--trial", dir).expect(t, exitDone, "sedge was counted in 1 of 36")
	must(t, "counts", file(t, dir, "c.csv", sheet("")), "--trial", dir, "--unlisted", "zero")
	if v := plotValues(t, dir, "count", ""); len(v) != 12 || v["401@1"] < 4*(9+2)+1.3 || v["401@1"] > 4*(9+2)+1.4 {
		t.Errorf("%v", v)
	}
	if s := must(t, "status", "--trial", dir); strings.Contains(s.out, "sedge") {
		t.Errorf("still asked:\n%s", s.out)
	}
}

// A corrected sheet of operations replaces the former one, and its words are
// told.
func TestCorrectedOperations(t *testing.T) {
	dir := bedTrial(t)
	text := "date,operation,treatment,input,rate,rate_unit\n2024-09-20,seeding,RYE,rye,100,lb/A\n2025-05-20,rolling,RYE,,,\n"
	must(t, "field", file(t, dir, "ops.csv", text), "--trial", dir).expect(t, exitDone, "rolling is termination", "seeding is seeding")
	must(t, "field", file(t, dir, "ops.csv", strings.NewReplacer("rolling", "termination", "lb/A", "lb/acre").Replace(text)), "--trial", dir).
		expect(t, exitDone, "0 new, 2 changed", "rate unit was lb/A, now lb/acre", "work was rolling, now termination")
	if ops := snapshotOf(t, dir).Operations; len(ops) != 2 {
		t.Errorf("%+v", ops)
	}
	must(t, "field", file(t, dir, "ops.csv", strings.Join(strings.SplitAfter(text, "\n")[:2], "")), "--trial", dir).expect(t, exitDone, "1 withdrawn")
	if ops := snapshotOf(t, dir).Operations; len(ops) != 1 {
		t.Errorf("%+v", ops)
	}
}

// Groups of treatments that never share a day are named wherever a comparison
// between them is shown.
func TestGroupsOfDatesAreNamed(t *testing.T) {
	dir := bedTrial(t)
	ops := "date,operation,treatment\n2025-06-03,drilling,BARE\n2025-06-03,sowing,RYE\n2025-06-17,seeding,STRAW\n"
	must(t, "field", file(t, dir, "ops.csv", ops), "--trial", dir)
	must(t, "yields", file(t, dir, "h.csv", harvestSheet(1, nil)), "--trial", dir)
	for _, day := range []string{"2025-06-14", "2025-06-28"} {
		counts := "plot,quadrat,date,grass,cover_%\n"
		for i, p := range bedPlots {
			for q := 1; q <= 3; q++ {
				counts += fmt.Sprintf("%s,%d,%s,%d,%d\n", p, q, day, i+q*q+len(day)%3, 10+i*q%7)
			}
		}
		must(t, "counts", file(t, dir, day+".csv", counts), "--trial", dir, "--agreed")
	}
	const groups = "seeding was done to BARE, RYE on 2025-06-03, and to STRAW on 2025-06-17"
	must(t, "status", "--trial", dir).expect(t, exitDone, groups)
	for _, response := range []string{"yield", "yield-per-bed", "count", "hand-cover"} {
		must(t, "compare", response, "--trial", dir).expect(t, exitDone, groups)
	}
}

// Any entry can be taken back, and the taking back too.
func TestUndo(t *testing.T) {
	dir := bedTrial(t)
	text := harvestSheet(1, nil)
	must(t, "yields", file(t, dir, "h.csv", text), "--trial", dir)
	first := fmt.Sprint(plotValues(t, dir, "yield", ""))
	must(t, "yields", file(t, dir, "h.csv", strings.ReplaceAll(text, "101,1,2025-09-03,2.1", "101,1,2025-09-03,21")), "--trial", dir)
	second := fmt.Sprint(plotValues(t, dir, "yield", ""))
	must(t, "undo", "--trial", dir).expect(t, exitDone, "yields sheet h.csv", "new")
	for _, c := range []struct {
		entry, want string
	}{{"3", first}, {"4", second}, {"3", first}} {
		must(t, "undo", c.entry, "--trial", dir)
		if got := fmt.Sprint(plotValues(t, dir, "yield", "")); got != c.want {
			t.Errorf("undo %s: %s, want %s", c.entry, got, c.want)
		}
	}
	must(t, "undo", "2", "--trial", dir)
	if got := plotValues(t, dir, "yield", ""); len(got) != 0 {
		t.Errorf("%v", got)
	}
	say(t, "undo", "2", "--trial", dir).expect(t, exitFailed, "taken back already")
	say(t, "undo", "1", "--trial", dir).expect(t, exitFailed, "amended")
	say(t, "undo", "99", "--trial", dir).expect(t, exitFailed, "no such entry")
	say(t, "undo", "x", "--trial", dir).expect(t, exitUsage, "entry's number")
}

// What others wrote is not written over, and the record never is.
func TestNothingIsWrittenOver(t *testing.T) {
	dir := bedTrial(t)
	out := filepath.Join(dir, "v1.csv")
	args := []string{"sheet", "counts", "--visit", "1", "--out", out, "--trial", dir}
	must(t, args...)
	must(t, args...) // its own, unchanged
	typed := string(mustRead(t, out)) + "\n"
	if err := os.WriteFile(out, []byte(typed), 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, args...).expect(t, exitFailed, "nothing was written", "--force")
	if got := string(mustRead(t, out)); got != typed {
		t.Error("the typed sheet is gone")
	}
	must(t, append(args, "--force")...).expect(t, exitDone, "replacing "+out)
	before := mustRead(t, filepath.Join(dir, record.FileName))
	link := filepath.Join(dir, "link.csv")
	if err := os.Symlink(record.FileName, link); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{filepath.Join(dir, record.FileName), filepath.Join(dir, record.FileName+"-journal"), link} {
		say(t, "map", "--csv", path, "--force", "--trial", dir).expect(t, exitFailed, "record")
	}
	if string(mustRead(t, filepath.Join(dir, record.FileName))) != string(before) {
		t.Error("the record changed")
	}
	must(t, "cards", "--out", filepath.Join(dir, "cards.pdf"), "--trial", dir)
	plan := filepath.Join(dir, "plan.txt")
	say(t, "new", "--plan", plan, "--trial", t.TempDir(), "--write-plan", plan).expect(t, exitFailed, "exists already")
}

// A backup comes back whole, whatever lies beside the record.
func TestBackupAndRestore(t *testing.T) {
	dir := bedTrial(t)
	kept := filepath.Join(t.TempDir(), "kept.db")
	must(t, "backup", kept, "--trial", dir)
	say(t, "backup", kept, "--trial", dir).expect(t, exitFailed, "replaces nothing")
	must(t, "yields", file(t, dir, "h.csv", harvestSheet(1, nil)), "--trial", dir)
	must(t, "restore", kept, "--trial", dir).expect(t, exitDone, "is kept as")
	if n := len(snapshotOf(t, dir).Observations); n != 0 {
		t.Errorf("%d values after the restore", n)
	}
	say(t, "restore", filepath.Join(dir, "h.csv"), "--trial", dir).expect(t, exitFailed, "not a whole record")
	say(t, "restore", filepath.Join(dir, "none.db"), "--trial", dir).expect(t, exitFailed, "no such file")
}

// A backup that is laid over the record by hand, while the journal of a killed
// import still lies there, is not destroyed by it: neither by reading nor by
// writing.
func TestCopyLaidOverAnUnfinishedRecord(t *testing.T) {
	shell, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Skip("sqlite3 is not here to leave a journal")
	}
	dir := bedTrial(t)
	path := filepath.Join(dir, record.FileName)
	kept := filepath.Join(t.TempDir(), "kept.db")
	must(t, "yields", file(t, dir, "h.csv", harvestSheet(1, nil)), "--trial", dir)
	must(t, "backup", kept, "--trial", dir)
	want := fmt.Sprint(plotValues(t, dir, "yield", ""))
	must(t, "counts", file(t, dir, "c.csv", "plot,quadrat,date,grass\n101,1,2025-06-14,4\n"), "--trial", dir)
	cmd := exec.Command(shell, path)
	cmd.Stdin = strings.NewReader("pragma cache_size=1;\nbegin immediate;\ncreate table filler as with recursive c(x) as (select 1 union all select x+1 from c where x<5000) select randomblob(200) from c;\n" +
		".shell cp " + path + "-journal " + filepath.Join(dir, "left") + "\nrollback;\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	if journal, err := os.ReadFile(filepath.Join(dir, "left")); err != nil || len(journal) < 1024 {
		t.Skip("this sqlite3 left no journal:", err)
	}
	copyFile(t, kept, path)
	copyFile(t, filepath.Join(dir, "left"), path+"-journal")
	must(t, "status", "--trial", dir).expect(t, exitDone, "journal of another file", "yields: 12 of 12")
	if string(mustRead(t, path)) != string(mustRead(t, kept)) {
		t.Error("reading changed the copy")
	}
	must(t, "describe", "--soil", "silt loam", "--trial", dir).expect(t, exitDone, "put aside")
	if got := fmt.Sprint(plotValues(t, dir, "yield", "")); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// The plan is amended where the data stay whole.
func TestAmend(t *testing.T) {
	dir := bedTrial(t)
	must(t, "counts", file(t, dir, "c.csv", "plot,quadrat,date,grass\n101,3,2025-06-14,3\n"), "--trial", dir)
	plan := file(t, dir, "p2.txt", "soil: silt loam\nquadrat: 250x500mm\nblocks: 5\n")
	say(t, "amend", plan, "--trial", dir, "--dry-run").expect(t, exitDone, "blocks: was 4, now 5; refused", "nothing was stored")
	say(t, "amend", plan, "--trial", dir).expect(t, exitFailed, "cannot be changed any more")
	snap := snapshotOf(t, dir)
	if snap.Trial.Soil != "silt loam" || snap.Trial.Quadrat.WidthMM != 250 || snap.Trial.Blocks != 4 || len(snap.Trial.Treatments) != 3 {
		t.Errorf("%+v", snap.Trial)
	}
	if v := plotValues(t, dir, "count", ""); v["101@1"] != 24 {
		t.Errorf("a count on half the ground: %v", v)
	}
	must(t, "amend", "--set", "treatment: BARE = tilled; control", "--set", "treatment: RYE", "--set", "treatment: STRAW", "--trial", dir)
	say(t, "amend", "--set", "treatment: OATS", "--trial", dir).expect(t, exitFailed, "the plots in the ground have their treatments")
	say(t, "amend", "--set", "soil", "--trial", dir).expect(t, exitUsage, "key: value")
	say(t, "amend", "--set", "quadrats per plot: 2", "--trial", dir).expect(t, exitFailed, "quadrat 3 has photos or values")
	for _, args := range [][]string{{"visits", "--move", "1=2025-06-16"}, {"amend", "--set", "visits: 2025-06-16, 2025-06-28"}} {
		say(t, append(args, "--trial", dir)...).expect(t, exitFailed, "visit 1 holds 0 photos and 1 values", "--agreed")
	}
	must(t, "visits", "--move", "1=2025-06-16", "--agreed", "--trial", dir).expect(t, exitDone, "2025-06-16")
	must(t, "undo", "--trial", dir).expect(t, exitDone, "amend: the plan")
	say(t, "new", "--plan", plan, "--trial", dir).expect(t, exitFailed, "already holds a trial")
}

// A frame size that was typed wrongly: the photos are measured again.
func TestAmendedFrameMeasuresAgain(t *testing.T) {
	if testing.Short() {
		t.Skip("measures photos")
	}
	dir, photos := smallTrial(t, 3)
	say(t, "photos", photos, "--trial", dir)
	settings := func() (all []string) {
		for _, p := range snapshotOf(t, dir).Photos {
			all = append(all, p.Fingerprint)
		}
		return all
	}
	before := settings()
	must(t, "amend", "--set", "quadrat: 250x500mm", "--trial", dir).expect(t, exitDone, "photos are measured again", "3 photos measured again")
	after := settings()
	for i := range before {
		if before[i] == after[i] || after[i] != after[0] {
			t.Errorf("photo %d was measured with %s and is with %s", i, before[i], after[i])
		}
	}
	must(t, "undo", "--trial", dir)
	entries := strings.Split(must(t, "undo", "--trial", dir).out, "\n")
	for _, line := range entries {
		if strings.Contains(line, "amend") {
			must(t, "undo", strings.Fields(line)[0], "--trial", dir)
		}
	}
	if now := settings(); fmt.Sprint(now) != fmt.Sprint(before) {
		t.Errorf("taken back: %v, want %v", now, before)
	}
}

// Biomass cut in a frame that does not fit the drill rows is said to be so.
func TestFrameOverDrillRowsIsSaid(t *testing.T) {
	dir := bedTrial(t)
	sheet := "plot,quadrat,date,biomass_g\n"
	for i, p := range bedPlots {
		sheet += fmt.Sprintf("%s,1,2025-06-14,%d\n", p, 100+7*i)
	}
	must(t, "counts", file(t, dir, "b.csv", sheet), "--trial", dir)
	if r := must(t, "compare", "biomass", "--trial", dir); strings.Contains(r.out+r.err, "drill rows") {
		t.Errorf("%s%s", r.out, r.err)
	}
	if v := plotValues(t, dir, "biomass", ""); v["101@1"] < 3.999 || v["101@1"] > 4.001 { // 100 g in 0.25 m2, t/ha
		t.Errorf("%v", v)
	}
	must(t, "amend", "--set", "drill row spacing: 190 mm", "--trial", dir)
	must(t, "compare", "biomass", "--trial", dir).expect(t, exitDone, "drill rows", "0.76 to 1.14")
	must(t, "amend", "--set", "drill row spacing: 125 mm", "--trial", dir)
	if r := must(t, "compare", "biomass", "--trial", dir); strings.Contains(r.out+r.err, "drill rows") {
		t.Errorf("%s%s", r.out, r.err)
	}
}
