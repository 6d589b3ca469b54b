package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestPlacingPhotos: photos without card and date wait, are placed by hand,
// set aside, and taken back; each step shows in the status and the export.
func TestPlacingPhotos(t *testing.T) {
	dir := fourPlots(t, "RYE")
	photos := filepath.Join(dir, "photos")
	if err := os.MkdirAll(photos, 0o755); err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"one.jpg", "two.jpg"} {
		if err := os.WriteFile(filepath.Join(photos, name), leafOnSoil(t, 400, 400+8*i), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	outs := 0
	state := func(name string) string {
		outs++
		out := filepath.Join(dir, "out"+strings.Repeat("x", outs))
		must(t, "export", out, "--trial", dir)
		for _, row := range columns(t, filepath.Join(out, "photos.csv"), "photo", "plot", "visit", "state", "in_use", "rejected") {
			if rest, ok := strings.CutPrefix(row, filepath.Join("photos", name)+"|"); ok {
				return rest
			}
		}
		return "not there"
	}
	say(t, "photos", photos, "--no-frame", "--trial", dir).expect(t, exitDone, "2 questions for you", "no camera date")
	say(t, "place", "one.jpg", "--plot", "999", "--quadrat", "1", "--visit", "1", "--trial", dir).expect(t, exitFailed, "not in the layout")
	say(t, "place", "one.jpg", "--plot", "101", "--trial", dir).expect(t, exitFailed, "say --quadrat")
	say(t, "place", "one.jpg", "--yes", "--trial", dir).expect(t, exitFailed, "nothing is proposed")
	say(t, "place", "one.jpg", "--yes", "--reject", "x", "--trial", dir).expect(t, exitUsage, "say one thing")
	must(t, "place", "one.jpg", "--plot", "101", "--quadrat", "1", "--visit", "1", "--trial", dir)
	if s := state("one.jpg"); s != "101|1|settled|true|" {
		t.Errorf("settled: %s", s)
	}
	must(t, "place", "one.jpg", "--reject", "boot in the frame", "--trial", dir)
	if s := state("one.jpg"); s != "101|1|settled|false|boot in the frame" {
		t.Errorf("rejected: %s", s)
	}
	must(t, "place", "one.jpg", "--undo", "--trial", dir)
	if s := state("one.jpg"); s != "101|1|settled|true|" {
		t.Errorf("taken back: %s", s)
	}
	say(t, "photos", photos, "--trial", dir).expect(t, exitDone, "0 new, 0 measured now", "1 photo placed by what you said")
	must(t, "place", "one.jpg", "--undo", "--trial", dir)
	if s := state("one.jpg"); s != "||open|false|" {
		t.Errorf("place taken back: %s", s)
	}
	say(t, "place", "one.jpg", "--undo", "--trial", dir).expect(t, exitFailed, "nothing was said")
	say(t, "photos", photos, "--trial", dir, "--sheet", file(t, dir, "which.csv", "photo,plot,quadrat,visit\none.jpg,102,1,2\nTWO.JPG,101,1,2\n")).
		expect(t, exitDone, "2 photos placed by your sheet")
	if s := state("two.jpg"); s != "101|2|settled|true|" {
		t.Errorf("by sheet: %s", s)
	}
	// A cell that cannot be read is named and ends as partly done; it moves nothing.
	say(t, "photos", photos, "--trial", dir, "--sheet", file(t, dir, "half.csv", "photo,plot,quadrat,visit\none.jpg,102,1,2\nTWO.JPG,101,1.5,2\n")).
		expect(t, exitPartly, "half.csv:3", "holds 1.5 where a whole number belongs", "1 item could not be read")
	if s := state("two.jpg"); strings.HasPrefix(s, "101|1|") {
		t.Errorf("by half a quadrat: %s", s)
	}
	must(t, "photos", photos, "--trial", dir, "--sheet", file(t, dir, "which.csv", "photo,plot,quadrat,visit\none.jpg,102,1,2\nTWO.JPG,101,1,2\n"))
	must(t, "photos", photos, "--trial", dir, "--threshold", "2=0.15")
	if s := must(t, "photos", photos, "--trial", dir).out; !strings.Contains(s, "threshold 0.15 (set by hand)") {
		t.Errorf("a threshold set by hand was lost:\n%s", s)
	}
	if s := must(t, "photos", photos, "--trial", dir, "--threshold", "2=auto").out; strings.Contains(s, "by hand") {
		t.Errorf("the threshold was not given back:\n%s", s)
	}
	say(t, "photos", photos, "--trial", dir, "--threshold", "9=0.15").expect(t, exitUsage, "VISIT=VALUE")
}

func TestVisitsAreAddedAndMoved(t *testing.T) {
	dir := fourPlots(t, "RYE")
	say(t, "visits", "--add", "2025-07-05", "--trial", dir).expect(t, exitDone, "visit 3  2025-07-05")
	say(t, "visits", "--move", "2=2025-06-29", "--trial", dir).expect(t, exitDone, "visit 2  2025-06-29")
	say(t, "visits", "--add", "2025-07-05", "--trial", dir).expect(t, exitUsage, "would both be on")
	say(t, "visits", "--add", "2027-07-05", "--trial", dir).expect(t, exitUsage, "outside the season")
	say(t, "visits", "--move", "7=2025-07-06", "--trial", dir).expect(t, exitUsage, "NUMBER=DATE")
	say(t, "visits", "--trial", dir).expect(t, exitDone, "visit 1  2025-06-14\nvisit 2  2025-06-29\nvisit 3  2025-07-05\n")
}

func TestDescribing(t *testing.T) {
	dir := fourPlots(t, "RYE")
	say(t, "describe", "--trial", dir).expect(t, exitDone, "soil           not recorded")
	say(t, "describe", "--soil", "silt loam", "--weather", "dry June", "--trial", dir).expect(t, exitDone, "soil           silt loam")
	say(t, "describe", "--trial", dir).expect(t, exitDone, "weather        dry June", "cultivar       not recorded")
	say(t, "status", "--trial", dir).expect(t, exitDone, "4 plots")
}
