package main

import (
	"encoding/csv"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// fourPlots makes a trial of two treatments, two blocks and two visits.
func fourPlots(t *testing.T, treatment string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "trial")
	must(t, "new", "--trial", dir, "--name", "Alder Bend", "--blocks", "2", "--treatment", "BARE; control", "--treatment", treatment,
		"--bed-spacing", "1.8m", "--plot-length", "9m", "--quadrats-per-plot", "1", "--season", "2025-05-01 to 2025-10-31",
		"--visits", "2025-06-14, 2025-06-28", "--seed", "3")
	return dir
}

func file(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// column reads columns of an exported table, row by row.
func columns(t *testing.T, path string, names ...string) []string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, row := range all[1:] {
		var cells []string
		for _, n := range names {
			for i, h := range all[0] {
				if h == n {
					cells = append(cells, row[i])
				}
			}
		}
		if len(cells) != len(names) {
			t.Fatalf("%s lacks one of %v", path, names)
		}
		out = append(out, strings.Join(cells, "|"))
	}
	return out
}

// TestExportComesBackWhole: what was exported can be stored in an empty record
// of the same layout and is then the same, blanks, zeros and all digits.
func TestExportComesBackWhole(t *testing.T) {
	fill := func(dir string) {
		must(t, "counts", file(t, dir, "counts.csv", "plot,quadrat,date,broadleaf,grass,cover_%,observer\n101,1,2025-06-14,7,0,12.345678901,Ada\n102,1,2025-06-14,,3,0,Ada\n201,1,2025-06-15,2,1,.,Ben\n"), "--trial", dir)
		must(t, "yields", file(t, dir, "yields.csv", "plot,date,marketable_lb,cull_kg,bed_length_ft,trim\n101,2025-09-20,84.2,1.5,30,=150 mm\n"), "--trial", dir)
	}
	first := fourPlots(t, "RYE")
	fill(first)
	out := filepath.Join(first, "out")
	must(t, "export", out, "--trial", first)

	second := fourPlots(t, "RYE")
	must(t, "counts", filepath.Join(out, "observations.csv"), "--trial", second)
	again := filepath.Join(second, "out")
	must(t, "export", again, "--trial", second)
	names := []string{"plot", "quadrat", "visit", "date", "variable", "class", "value", "missing", "unit", "observer", "bed_length_mm", "trim"}
	a, b := columns(t, filepath.Join(out, "observations.csv"), names...), columns(t, filepath.Join(again, "observations.csv"), names...)
	if strings.Join(a, "\n") != strings.Join(b, "\n") {
		t.Errorf("went out as\n%s\ncame back as\n%s", strings.Join(a, "\n"), strings.Join(b, "\n"))
	}
	if len(a) != 11 {
		t.Errorf("%d values, want 9 of the counts and 2 of the yields:\n%s", len(a), strings.Join(a, "\n"))
	}
	say(t, "export", out, "--trial", first).expect(t, exitFailed, "exists already")
}

// TestExportIsSafeToOpen: a treatment named like a formula stays text.
func TestExportIsSafeToOpen(t *testing.T) {
	dir := fourPlots(t, "EVIL = =1+1")
	out := filepath.Join(dir, "out")
	must(t, "export", out, "--trial", dir)
	raw, err := os.ReadFile(filepath.Join(out, "plots.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(raw), ",=1+1") || !strings.Contains(string(raw), ",'=1+1") {
		t.Errorf("plots.csv:\n%s", raw)
	}
}

// TestExportIsReadByAnotherProgram: the sqlite3 shell counts and adds up the
// same values.
func TestExportIsReadByAnotherProgram(t *testing.T) {
	shell, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Skip("sqlite3 is not installed")
	}
	dir := fourPlots(t, "RYE")
	must(t, "counts", file(t, dir, "counts.csv", "plot,quadrat,visit,broadleaf,grass\n101,1,1,7,0\n102,1,1,,3\n"), "--trial", dir)
	out := filepath.Join(dir, "out")
	must(t, "export", out, "--trial", dir)
	cmd := exec.Command(shell, ":memory:", "-cmd", ".import --csv "+filepath.Join(out, "observations.csv")+" v",
		"select count(*), sum(value), sum(value = ''), group_concat(distinct plot) from v")
	got, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, got)
	}
	if s := strings.TrimSpace(string(got)); s != "4|10.0|1|101,102" && s != "4|10|1|101,102" {
		t.Errorf("sqlite3 says %s", s)
	}
}
