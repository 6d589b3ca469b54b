package main

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// quadtally runs one command and returns what it wrote.
func quadtally(t *testing.T, args ...string) (code int, out, talk string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// A trial from bare field to printed cards, and the saved layout entered again
// as a table.
func TestFromPlanToPaper(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	plan := "trial: Alder Bend leeks\nblocks: 4\ntreatment: BARE; control\ntreatment: RYE = rolled rye\ntreatment: TARP\n" +
		"bed spacing: 1.5 m\nplot length: 10 m\nend border: 1 m\nvisits: every 14 days from 2026-05-25 to 2026-08-31\nseed: 7\n"
	if err := os.WriteFile(at("plan.txt"), []byte(plan), 0o644); err != nil {
		t.Fatal(err)
	}
	code, dry, talk := quadtally(t, "new", "--plan", at("plan.txt"), "--trial", at("leeks"), "--dry-run")
	if _, err := os.Stat(at("leeks")); code != exitDone || err == nil || !strings.Contains(talk, "nothing was saved") {
		t.Fatalf("a dry run: %d %s", code, talk)
	}
	if !strings.Contains(dry, "6 residual degrees of freedom are fewer than 12") || !strings.Contains(dry, "7 blocks would reach 12") {
		t.Errorf("no warning about the degrees of freedom in\n%s", dry)
	}
	code, out, talk := quadtally(t, "new", "--plan", at("plan.txt"), "--trial", at("leeks"), "--write-plan", at("as-read.txt"))
	if code != exitDone || out != dry {
		t.Fatalf("%d %s\nthe layout differs from the dry run's:\n%s", code, talk, out)
	}
	if code, again, _ := quadtally(t, "new", "--plan", at("as-read.txt"), "--trial", at("leeks"), "--dry-run"); code != exitDone || again != out {
		t.Error("the plan as written lays out another trial")
	}
	if code, _, talk := quadtally(t, "new", "--plan", at("plan.txt"), "--trial", at("leeks")); code != exitFailed || !strings.Contains(talk, "already holds a trial") {
		t.Errorf("a second trial in the folder: %d %s", code, talk)
	}

	for _, args := range [][]string{
		{"map", "--with-treatment", "--csv", at("layout.csv"), "--quadrats", at("spots.csv"), "--svg", at("map.svg"), "--pdf", at("map.pdf")},
		{"cards", "--out", at("cards.pdf")}, {"cards", "marks", "--out", at("marks.pdf")}, {"cards", "sheet", "--visit", "2", "--out", at("sheet.pdf")},
	} {
		if code, _, talk := quadtally(t, append(args, "--trial", at("leeks"))...); code != exitDone {
			t.Errorf("%v: %d %s", args, code, talk)
		}
	}
	for name, begins := range map[string]string{"map.svg": "<svg", "map.pdf": "%PDF", "cards.pdf": "%PDF", "marks.pdf": "%PDF", "sheet.pdf": "%PDF"} {
		if b, err := os.ReadFile(at(name)); err != nil || !strings.HasPrefix(string(b), begins) {
			t.Errorf("%s: %v", name, err)
		}
	}
	rows := func(name string) [][]string {
		b, err := os.ReadFile(at(name))
		if err != nil {
			t.Fatal(err)
		}
		r, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if n := len(rows("layout.csv")); n != 1+12 {
		t.Errorf("%d rows of layout", n)
	}
	if n := len(rows("spots.csv")); n != 1+12*4 {
		t.Errorf("%d rows of quadrats", n)
	}

	// The same plots, entered from the table.
	code, _, talk = quadtally(t, "new", "--plan", at("plan.txt"), "--layout", at("layout.csv"), "--trial", at("again"))
	if code != exitDone {
		t.Fatalf("%d %s", code, talk)
	}
	_, first, _ := quadtally(t, "map", "--csv", "-", "--with-treatment", "--trial", at("leeks"))
	_, second, _ := quadtally(t, "map", "--csv", "-", "--with-treatment", "--trial", at("again"))
	if first == "" || first != second {
		t.Errorf("the layout changed on the way:\n%s\n%s", first, second)
	}
}

func TestFaultsOfNew(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--name", "X"}, exitFailed, "bed spacing"},
		{[]string{"--bed-spacing", "5"}, exitUsage, `--bed-spacing: "5" has no unit`},
		{[]string{"--design", "random"}, exitUsage, `"latin square"`},
		{[]string{"--plan", filepath.Join(dir, "none.txt")}, exitFailed, "cannot be read"},
		{[]string{"--cv", "-1"}, exitUsage, "--cv"},
	} {
		code, out, talk := quadtally(t, append([]string{"new", "--trial", dir}, c.args...)...)
		if code != c.code || out != "" || !strings.Contains(talk, c.want) {
			t.Errorf("%v: %d, want %d; %s", c.args, code, c.code, talk)
		}
	}
}
