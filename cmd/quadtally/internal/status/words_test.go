package status

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

// TestEntriesOnTheScreen: newest first as given, what was undone and what was
// replaced, nothing twice, and a long list cut short unless all is asked for.
func TestEntriesOnTheScreen(t *testing.T) {
	list := []record.LogEntry{
		{Entry: record.Entry{ID: 9, Author: "Ada", Command: "undo", Note: "entry 7"}, Undoes: 7},
		{Entry: record.Entry{ID: 8, Author: "Ben", Command: "place", Note: "one.jpg"}, Decisions: 1, Replaced: true},
		{Entry: record.Entry{ID: 7, Author: "Ben", Command: "counts", Note: "june.csv"}, Observations: 12, UndoneBy: 9},
	}
	for i := range list {
		list[i].At = time.Date(2025, 7, 1, 9, i, 0, 0, time.Local)
	}
	var b strings.Builder
	WriteEntries(&b, list, false)
	lines := strings.Split(strings.TrimSpace(b.String()), "\n")
	for i, want := range [][]string{
		{"entry", "when", "by", "what"},
		{"    9  2025-07-01 09:00  Ada", "undo"},
		{"    8  ", "place: ", "one.jpg", "[replaced by something newer]"},
		{"    7  ", "counts: 12 values: june.csv", "[taken back by entry 9]"},
	} {
		for _, w := range want {
			if !strings.Contains(lines[i], w) {
				t.Errorf("line %d lacks %q: %s", i, w, lines[i])
			}
		}
	}
	if strings.Contains(lines[1], "entry 7: entry 7") || strings.Contains(lines[1], ": entry 7") && strings.Count(lines[1], "entry 7") > 1 {
		t.Errorf("the undone entry is named twice: %s", lines[1])
	}
	long := make([]record.LogEntry, mostEntries+3)
	for _, all := range []bool{false, true} {
		var b strings.Builder
		WriteEntries(&b, long, all)
		if cut := strings.Contains(b.String(), "and 3 older"); cut == all || strings.Count(b.String(), "\n") != map[bool]int{false: mostEntries + 2, true: mostEntries + 4}[all] {
			t.Errorf("all %v: %d lines", all, strings.Count(b.String(), "\n"))
		}
	}
}

// TestNotesOfTakingIn: each thing that a person must hear of has its line, and
// what could not be read is counted.
func TestNotesOfTakingIn(t *testing.T) {
	o := &season.Outcome{
		Unfinished: []season.PartOfFolder{{File: "p3.jsonl", Part: "3/4", Photos: 5}},
		Absent:     []season.AbsentParts{{Folder: "june", Of: 4, Parts: []string{"2/4"}}},
		Missing:    []string{"2/4", "3/4"},
		Copies:     []season.Copy{{File: "b.jpg", Of: "a.jpg"}},
		Versions:   []season.Copy{{File: "x/c.jpg", Of: "y/c.jpg"}},
		Renamed:    []season.Renamed{{File: "n.jpg", Was: "101.jpg", Stays: true}, {File: "102.jpg", Was: "m.jpg"}},
		Faults:     []intake.Fault{{Path: "bad\x1b.jpg", Text: "is cut off"}},
	}
	o.SheetClashes = []intake.SheetClash{{Row: intake.SheetRow{Line: 7, Path: "z.jpg"}}}
	notes := Notes(o)
	for i, want := range []string{"p3.jsonl: part 3/4 was not measured to its end (5 photos in it)", "1 of 4 parts of june were not given: 2/4", "b.jpg has the same content as a.jpg",
		"same name and time but not the same bytes", "101.jpg is called n.jpg now, which names no plot", "m.jpg is called 102.jpg now and is placed by its new name",
		"row 7 of the sheet: there is no photo z.jpg", `bad\x1b.jpg: is cut off`} {
		if i >= len(notes) || !strings.Contains(notes[i], want) {
			t.Errorf("note %d is not %q: %q", i, want, notes)
		}
	}
	if n := LeftAside(o); len(notes) != 8 || n != 4 {
		t.Errorf("%d notes, %d left aside", len(notes), n)
	}
}

// TestWordsAboutPhotos: what came of them, one line each.
func TestWordsAboutPhotos(t *testing.T) {
	p := &record.Photo{PhotoFacts: record.PhotoFacts{Path: "june/one.jpg"}}
	var b strings.Builder
	WriteDecided(&b, []season.Decided{{Photo: p, Place: &record.Place{Plot: "101", Quadrat: 2, Visit: 1}}, {Photo: p, SetAside: "boot"},
		{Photo: p, TookBack: &record.Decision{Kind: record.KindPlace, Author: "Ada"}}})
	if want := fmt.Sprintf("one.jpg: plot 101 quadrat 2 visit 1\none.jpg: set aside (boot)\none.jpg: took back %s (by Ada)\n", record.KindPlace); b.String() != want {
		t.Errorf("%q, want %q", b.String(), want)
	}
	if notes := FollowedNotes(season.Followed{}); len(notes) > 0 {
		t.Errorf("nothing followed: %q", notes)
	}
	notes := FollowedNotes(season.Followed{Measured: 1, Unreachable: []intake.Fault{{Path: "a.jpg", Text: "is gone"}}, Lost: 2})
	if len(notes) != 3 || notes[0] != "1 photo measured again" || notes[1] != "a.jpg: is gone" || !strings.HasPrefix(notes[2], "2 photos no longer in use") {
		t.Errorf("%q", notes)
	}
}

// TestPlantsOnTheScreen: the state of each visit in a line, what it lacks below,
// and the plants to be named next; --json has the same under fixed names.
func TestPlantsOnTheScreen(t *testing.T) {
	p := Plants{Visits: []season.PlantVisit{{Visit: 1, Photos: 4, Named: map[string]int{}, Drawn: 3},
		{Visit: 2, Photos: 12, Sorted: 11, Named: map[string]int{"weed": 20, "crop": 1}, Sure: 0.914, Borrowed: true, Drawn: 100, Done: 40, Missed: []string{"b.jpg at 3, 4"}}},
		Next: []PlantAsk{{Photo: "c.jpg", X: 10.4, Y: 20.6, Visit: 2, Best: "weed", Second: "crop"}}}
	var b strings.Builder
	if err := p.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	want := `visit 1: 0 plants named; 0 of 3 check points answered
visit 2: 21 plants named (crop 1, weed 20); 11 of 12 photos told apart, sure to 91 %, by the plants of other visits too; 40 of 100 check points answered
  no green at a named plant: b.jpg at 3, 4
to name next:
  visit 2  c.jpg  at 10, 21: weed or crop
`
	if b.String() != want {
		t.Errorf("%s\nwant\n%s", b.String(), want)
	}
	if j, err := json.Marshal(p); err != nil || !strings.HasPrefix(string(j), `{"next":[{"photo":"c.jpg"`) || !strings.Contains(string(j), `"visits":[{"visit":1`) {
		t.Errorf("%s %v", j, err)
	}
	b.Reset()
	if (Plants{}).WriteText(&b); !strings.Contains(b.String(), "no photo is in use yet") {
		t.Errorf("%q", b.String())
	}
	for _, c := range []struct {
		s    season.StoredSpots
		want string
	}{
		{season.StoredSpots{New: 3}, "n.csv: 5 named plants, 3 of them new"},
		{season.StoredSpots{Changed: 1, Withdrawn: 2}, "n.csv: 5 named plants, 0 of them new, 1 of another class than before; 2 that its former version gave withdrawn"},
	} {
		if got := StoredText("n.csv", "named plant", 5, c.s); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// TestChecksAreWrittenToBeAnswered: a photo by its file name, by its path where
// two share one, and the class left blank.
func TestChecksAreWrittenToBeAnswered(t *testing.T) {
	snap := &record.Snapshot{Photos: []record.Photo{{PhotoFacts: record.PhotoFacts{Hash: "1", Path: "a/x.jpg"}},
		{PhotoFacts: record.PhotoFacts{Hash: "2", Path: "b/x.jpg"}}, {PhotoFacts: record.PhotoFacts{Hash: "3", Path: "a/y.jpg"}}}}
	var b strings.Builder
	err := WriteChecks(&b, snap, []season.CheckSpot{{Photo: &snap.Photos[1], X: 1, Y: 2.25}, {Photo: &snap.Photos[2], X: 3, Y: 4}})
	if want := "photo,x,y,class\nb/x.jpg,1.0,2.2,\ny.jpg,3.0,4.0,\n"; err != nil || b.String() != want {
		t.Errorf("%q, want %q (%v)", b.String(), want, err)
	}
}
