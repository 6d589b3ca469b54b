package season

import (
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/partfile"
	"quadtally/cmd/quadtally/internal/record"
)

// TestReplacedBy is the whole rule of which measurement from a part is stored
// beside one the record holds.
func TestReplacedBy(t *testing.T) {
	end := func(guide string, code record.FaultCode) measuredEnd { return measuredEnd{guide, code, false} }
	for _, c := range []struct {
		was, now measuredEnd
		want     bool
	}{
		{end("", ""), end("", ""), false},
		{end("", ""), end("", record.FaultPhoto), false},
		{end("", ""), end("", record.FaultCrashed), false},
		{end("", record.FaultPhoto), end("", ""), true},
		{end("", record.FaultPhoto), end("", record.FaultPhoto), false},
		{end("", record.FaultPhoto), end("", record.FaultCrashed), false},
		{end("", record.FaultCrashed), end("", ""), true},
		{end("", record.FaultCrashed), end("", record.FaultPhoto), true},
		{end("", record.FaultCrashed), end("", record.FaultTimeout), false},
		{end("", record.FaultTimeout), end("", record.FaultTimeout), false},
		{end("", ""), end("{}", ""), true},
		{end("{}", ""), end("", record.FaultPhoto), true},
		{end("", ""), measuredEnd{"", "", true}, true},
		{measuredEnd{"", "", true}, end("", ""), false},
		{measuredEnd{"", "", true}, measuredEnd{"", "", true}, false},
		{end("", record.FaultPhoto), measuredEnd{"", record.FaultPhoto, true}, false},
	} {
		if got := c.was.replacedBy(c.now); got != c.want {
			t.Errorf("%+v by %+v: %v", c.was, c.now, got)
		}
	}
}

func part(folder string, k, n int, fingerprint string) givenPart {
	h := partfile.Header{Trial: "K7QD", Begun: "then", Fingerprint: fingerprint, Folder: folder, Part: intake.Part{K: k, N: n}}
	return givenPart{fmt.Sprintf("%s-%d-%d", folder, k, n), partfile.Contents{Header: h, End: &partfile.End{}}}
}

func TestCheckParts(t *testing.T) {
	for _, c := range []struct {
		say   string
		parts []givenPart
		fault string
	}{
		{"one division", []givenPart{part("a", 1, 2, "f"), part("a", 2, 2, "f")}, ""},
		{"two folders, two divisions", []givenPart{part("a", 1, 2, "f"), part("b", 1, 3, "f")}, ""},
		{"the same part twice", []givenPart{part("a", 1, 2, "f"), part("a", 1, 2, "f")}, ""},
		{"other settings", []givenPart{part("a", 1, 2, "f"), part("a", 2, 2, "g")}, "different settings"},
		{"two divisions of one folder", []givenPart{part("a", 1, 2, "f"), part("a", 1, 3, "f")}, "parts of one division"},
	} {
		err := checkParts("K7QD", "then", c.parts)
		if (err == nil) != (c.fault == "") || err != nil && (!strings.Contains(err.Error(), c.fault) || !strings.Contains(err.Error(), "nothing was stored")) {
			t.Errorf("%s: %v", c.say, err)
		}
	}
	for _, other := range [][2]string{{"OTHR", "then"}, {"K7QD", "later"}} {
		if err := checkParts(other[0], other[1], []givenPart{part("a", 1, 1, "f")}); err == nil || !strings.Contains(err.Error(), "another trial") {
			t.Errorf("%v: %v", other, err)
		}
	}
}

func TestNameParts(t *testing.T) {
	stopped := part("a", 3, 4, "f")
	stopped.End, stopped.Photos = nil, 5
	resumed := part("a", 1, 4, "f")
	resumed.End = nil // an older copy of the same part, which the newer one completes
	out := newOutcome("f")
	out.nameParts([]givenPart{resumed, part("b", 1, 1, "f"), stopped, part("a", 1, 4, "f")})
	if want := []string{"1/4", "3/4", "1/1"}; !reflect.DeepEqual(out.Parts, want) {
		t.Errorf("folded in: %v, want %v", out.Parts, want)
	}
	if want := []string{"2/4", "3/4", "4/4"}; !reflect.DeepEqual(out.Missing, want) {
		t.Errorf("missing: %v, want %v", out.Missing, want)
	}
	if want := []PartOfFolder{{"a-3-4", "3/4", 5}}; !reflect.DeepEqual(out.Unfinished, want) {
		t.Errorf("unfinished: %v, want %v", out.Unfinished, want)
	}
	if want := []AbsentParts{{"a", 4, []string{"2/4", "4/4"}}}; !reflect.DeepEqual(out.Absent, want) {
		t.Errorf("absent: %v, want %v", out.Absent, want)
	}
}

// TestPartsMergeToOneRun measures a folder in three parts, merges them and
// compares every photo with a run over the whole folder.
func TestPartsMergeToOneRun(t *testing.T) {
	ctx := t.Context()
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 8)
	writePhoto(t, filepath.Join(folder, "again.jpg"), 1, "2026:05:25 09:00:00") // the first photo again
	s := New(store, quiet)
	var files []string
	for k := 1; k <= 3; k++ {
		file := filepath.Join(t.TempDir(), "part.jsonl")
		out, err := s.Part(ctx, snap, folder, intake.Part{K: k, N: 3}, file, whole())
		if err != nil || !out.Finished || out.Measured != out.Photos || len(out.Faults) != 0 {
			t.Fatalf("part %d: %+v, %v", k, out, err)
		}
		if again, err := s.Part(ctx, snap, folder, intake.Part{K: k, N: 3}, file, whole()); err != nil || again.Measured != 0 || !again.Finished {
			t.Errorf("part %d again: %+v, %v", k, again, err)
		}
		files = append(files, file)
	}
	if end := newest(t, store); end.Entry != snap.Entry {
		t.Error("measuring parts wrote into the record")
	}
	out, err := s.Merge(ctx, snap, files, "", nil)
	if err != nil || out.Photos != 8 || out.New != 8 || out.Measured != 8 || len(out.Copies) != 1 || len(out.Parts) != 3 || len(out.Missing) != 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	merged := newest(t, store)
	if again, err := s.Merge(ctx, merged, files, "", nil); err != nil || again.New+again.Measured != 0 || newest(t, store).Entry != merged.Entry {
		t.Errorf("merged again: %+v, %v", again, err)
	}

	other, start := newTrial(t)
	if _, err := New(other, quiet).Photos(ctx, start, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	direct := newest(t, other)
	if len(direct.Photos) != len(merged.Photos) {
		t.Fatalf("%d photos, merged %d", len(direct.Photos), len(merged.Photos))
	}
	for i := range direct.Photos {
		a, b := direct.Photos[i], merged.Photos[i]
		if a.Hash != b.Hash || a.Place != b.Place || !reflect.DeepEqual(a.Result, b.Result) || string(a.Doc) != string(b.Doc) || filepath.Base(a.Path) != filepath.Base(b.Path) {
			t.Errorf("photo %d:\n%+v\n%+v", i, a, b)
		}
	}
	if direct.Thresholds[1] != merged.Thresholds[1] {
		t.Errorf("threshold %+v, merged %+v", direct.Thresholds[1], merged.Thresholds[1])
	}
	if _, err := New(other, quiet).Merge(ctx, direct, files[:1], "", nil); err == nil && snap.Trial.Tag != direct.Trial.Tag {
		t.Error("parts of another trial were merged")
	}
}

// TestPartsOlderThanADrawing: what a part says of a photo on which somebody
// drew since is not stored; the photo is named.
func TestPartsOlderThanADrawing(t *testing.T) {
	ctx := t.Context()
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 2)
	s := New(store, quiet)
	file := filepath.Join(t.TempDir(), "part.jsonl")
	if _, err := s.Part(ctx, snap, folder, intake.Part{K: 1, N: 1}, file, whole()); err != nil {
		t.Fatal(err)
	}
	var hash string
	if _, err := partfile.ReadFile(file, func(p partfile.Photo) error { hash = p.Facts.Hash; return nil }); err != nil {
		t.Fatal(err)
	}
	_, err := store.WriteAs(ctx, record.EntryHand, "review", "", func(tx *record.Tx) error {
		_, err := tx.Decide(record.PhotoSubject(hash), record.KindGuide, Guide{Exclude: [][][2]float64{square(0, 0, 40)}})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	out, err := s.Merge(ctx, newest(t, store), []string{file}, "", nil)
	if err != nil || out.Measured != 1 || len(out.Faults) != 1 || !strings.Contains(out.Faults[0].Text, "run the part again") {
		t.Errorf("%+v, %v", out, err)
	}
	after := newest(t, store)
	if p, ok := after.Photo(hash); !ok || p.State() != record.PhotoUnmeasured {
		t.Errorf("%+v", p)
	}
}
