package season

import (
	"os"
	"path/filepath"
	"testing"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
)

// TestRenamedPhotos: a photo that waits for its place is placed by a new name
// that says it; one that is placed keeps its place under any name.
func TestRenamedPhotos(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 1)
	placed := filepath.Join(folder, "plot "+snap.Plots[0].ID+" q1.jpg")
	waiting := filepath.Join(folder, "IMG_1.jpg")
	writePhoto(t, waiting, 90, "2026:05:25 10:00:00")
	s := New(store, quiet)
	run := func() *Outcome {
		t.Helper()
		out, err := s.Photos(t.Context(), newest(t, store), []string{folder}, whole(), nil)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	if out := run(); len(out.Open) != 1 || out.Placed[intake.ByName] != 1 {
		t.Fatalf("%+v", out)
	}
	for from, to := range map[string]string{waiting: "plot " + snap.Plots[1].ID + " q2.jpg", placed: "a.jpg"} {
		if err := os.Rename(from, filepath.Join(folder, to)); err != nil {
			t.Fatal(err)
		}
	}
	if out := run(); len(out.Open) != 0 || out.Placed[intake.ByName] != 2 || out.New != 0 || out.Measured != 0 {
		t.Errorf("%+v", out)
	}
	for _, p := range newest(t, store).Photos {
		if p.State() != record.PhotoInUse {
			t.Errorf("%s: %s", p.Path, p.Why())
		}
	}
	entry := newest(t, store).Entry
	if run(); newest(t, store).Entry != entry {
		t.Error("a further run stored something")
	}
}

// TestNamesThatAreNoText: a file name that is no UTF-8 is taken in, measured
// and read again.
func TestNamesThatAreNoText(t *testing.T) {
	store, snap := newTrial(t)
	folder := filepath.Join(store.Dir(), "photos")
	writePhoto(t, filepath.Join(folder, "plot "+snap.Plots[0].ID+" q1 \xff\xfe.jpg"), 1, "2026:05:25 09:00:00")
	s := New(store, quiet)
	out, err := s.Photos(t.Context(), snap, []string{folder}, whole(), nil)
	if err != nil || out.Measured != 1 || len(out.Faults) != 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	snap = newest(t, store)
	if _, photo, err := s.Original(t.Context(), &snap.Photos[0]); err != nil || len(photo) == 0 {
		t.Errorf("%v", err)
	}
	if check, err := s.CheckFiles(t.Context(), snap); err != nil || check.Sound != 1 {
		t.Errorf("%+v, %v", check, err)
	}
	if again, err := s.Photos(t.Context(), snap, []string{folder}, whole(), nil); err != nil || again.New+again.Measured != 0 || newest(t, store).Entry != snap.Entry {
		t.Errorf("%+v, %v", again, err)
	}
}

func TestPhotoFacts(t *testing.T) {
	copies := []string{"/trial/b.jpg"}
	f := intake.File{Path: "/trial/photos/a.jpg", Size: 7, Hash: "h"}
	dated := photoFacts(f, intake.Facts{Format: intake.JPEG, Taken: "2026-05-25T09:00:00", Camera: "Acme 1", Serial: "77"}, "/trial", copies)
	if dated.Path != filepath.Join("photos", "a.jpg") || dated.TakenBasis != "exif" || dated.Bytes != 7 || dated.Hash != "h" || dated.Camera != "Acme 1" ||
		dated.Serial != "77" || dated.Format != "jpeg" || len(dated.Copies) != 1 {
		t.Errorf("%+v", dated)
	}
	if undated := photoFacts(f, intake.Facts{}, "/elsewhere", nil); undated.TakenBasis != "" || undated.Path != f.Path || undated.Copies != nil {
		t.Errorf("%+v", undated)
	}
}

// TestOtherBytesUnderAKnownPath: a file that claims to be the photo that was
// measured from it is named and left alone; another photo under its name is
// taken in.
func TestOtherBytesUnderAKnownPath(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 2)
	s := New(store, quiet)
	if _, err := s.Photos(t.Context(), snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	edited := filepath.Join(folder, "plot "+snap.Plots[0].ID+" q1.jpg")
	another := filepath.Join(folder, "plot "+snap.Plots[1].ID+" q1.jpg")
	writePhoto(t, edited, 77, "2026:05:25 09:00:00")
	writePhoto(t, another, 78, "2026:05:25 11:11:11")
	for range 2 { // and it is named again by the next run
		out, err := s.Photos(t.Context(), newest(t, store), []string{folder}, Change{}, nil)
		if err != nil || len(out.Faults) != 1 || out.Faults[0] != (intake.Fault{Path: edited, Text: otherBytes}) || out.Photos != 1 {
			t.Errorf("%+v, %v", out, err)
		}
	}
	if n := len(newest(t, store).Photos); n != 3 {
		t.Errorf("%d photos are known, want the two and the new one", n)
	}
}
