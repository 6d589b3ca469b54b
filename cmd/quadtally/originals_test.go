package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/intake/phototest"
	"quadtally/cmd/quadtally/internal/record"
)

// flip turns one bit of a file over; where quietly, the file keeps its time.
func flip(t *testing.T, path string, at int, quietly bool) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	b := mustRead(t, path)
	b[at] ^= 1 << (at % 8)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	then := info.ModTime()
	if !quietly {
		then = then.Add(time.Hour)
	}
	if err := os.Chtimes(path, then, then); err != nil {
		t.Fatal(err)
	}
}

// TestTortureFlippedAfterIntake: one bit of a photo turns over after it was
// measured, anywhere in the file.
func TestTortureFlippedAfterIntake(t *testing.T) {
	n := full(24, 500)
	dir, photos := smallTrial(t, n)
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	must(t, "status", "--files", "--trial", dir).expect(t, exitDone, fmt.Sprintf("%d photo files as measured", n))
	want := contentOf(t, dir)
	list, err := filepath.Glob(filepath.Join(photos, "*.jpg"))
	if err != nil || len(list) != n {
		t.Fatal(len(list), err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for i, path := range list {
		// The camera's header stays whole: with another time in it, it would be
		// another photo, and is told as one.
		flip(t, path, 200+rng.IntN(len(mustRead(t, path))-200), i%2 == 0)
	}
	r := say(t, "status", "--files", "--all", "--trial", dir)
	r.expect(t, exitPartly, "Photo files that changed", "0 photo files as measured")
	noticed := strings.Count(r.out, "holds other bytes")
	// Half of them changed their time as well: going over the folder again is
	// enough to notice those. Nothing else in the record changes.
	r = say(t, "photos", photos, "--no-frame", "--trial", dir)
	r.expect(t, exitPartly, "holds other bytes", "copy the original again")
	again := strings.Count(r.err, "holds other bytes")
	if noticed != n || again != n/2 {
		t.Errorf("of %d changed files %d were noticed, of %d with a new time %d", n, noticed, n/2, again)
	}
	if d := differ(want, contentOf(t, dir)); d != "" {
		t.Error(d)
	}
	// Nor is a measurement taken from bytes that are not the photo's, where
	// other settings ask for a new one.
	r = say(t, "photos", photos, "--index", "vari", "--trial", dir)
	r.expect(t, exitPartly, "0 measured now")
	if c := strings.Count(r.err, "holds other bytes"); c != n {
		t.Errorf("%d of %d named when measured again", c, n)
	}
	figure(t, "a bit flipped after the first reading", plural(n, "photo"), "%d noticed by `status --files`; %d of %d whose time changed by `photos`; 0 measured, the record as it was", noticed, again, n/2)
}

func TestChangedFiles(t *testing.T) {
	dir, photos := smallTrial(t, 4)
	list, _ := filepath.Glob(filepath.Join(photos, "*.jpg"))
	half := mustRead(t, list[3])
	if err := os.WriteFile(list[3], half[:len(half)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "photos", photos, "--no-frame", "--trial", dir).expect(t, exitPartly, "cut short")
	// A photo that could not be read is copied again over the damaged one.
	if err := os.WriteFile(list[3], half, 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "photos", photos, "--no-frame", "--trial", dir)

	// Another photo under a used name is another photo.
	other := phototest.JPEG(phototest.Ground(99, 96, 72), phototest.Taken("2026:06:22 09:00:00"), nil)
	if err := os.WriteFile(list[0], other, 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "photos", photos, "--no-frame", "--trial", dir).expect(t, exitDone, "4 photos in the folders, 1 new")

	// A changed copy under a name of its own is taken in, and both are named
	// where they lie under one name.
	changed := append(mustRead(t, list[1]), "edited"...)
	beside := filepath.Join(photos, "edited", filepath.Base(list[1]))
	if err := os.MkdirAll(filepath.Dir(beside), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(beside, changed, 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "photos", photos, "--no-frame", "--trial", dir).expect(t, exitDone, "same name and time but not the same bytes")
	must(t, "status", "--trial", dir).expect(t, exitDone, "two versions", "same name and time")
	must(t, "place", filepath.Join("photos", "edited", filepath.Base(list[1])), "--reject", "edited", "--trial", dir)
	if r := must(t, "status", "--trial", dir); strings.Contains(r.out, "two versions") {
		t.Errorf("still named:\n%s", r.out)
	}

	// Files that are gone keep their numbers.
	if err := os.Rename(list[2], filepath.Join(dir, "away")); err != nil {
		t.Fatal(err)
	}
	say(t, "status", "--files", "--trial", dir).expect(t, exitPartly, "gone", filepath.Base(list[2]), "holds other bytes")
	if err := os.WriteFile(filepath.Join(dir, record.FileName), []byte("no record"), 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "status", "--files", "--trial", dir).expect(t, exitFailed, "quadtally restore")
}

// TestOwnPicturesAreNoPhotos: a folder that holds the report beside the photos is
// taken in without the pictures that the program wrote itself, wherever they
// lie; one that a person changed is looked at as any other.
func TestOwnPicturesAreNoPhotos(t *testing.T) {
	dir := reportTrial(t, "metric")
	before := len(snapshotOf(t, dir).Photos)
	must(t, "report", "--one-page", "--out", filepath.Join(dir, "report"), "--trial", dir)
	picture, err := os.ReadFile(filepath.Join(dir, "report", "one-page.png"))
	if err != nil {
		t.Fatal(err)
	}
	file(t, dir, "copy.png", string(picture))
	say(t, "photos", dir, "--trial", dir).expect(t, exitFailed, "no photos")
	file(t, dir, "changed.png", string(picture)+" ")
	code, _, talk := quietly("photos", dir, "--trial", dir)
	after := snapshotOf(t, dir).Photos
	named := func(name string) bool {
		return slices.ContainsFunc(after, func(p record.Photo) bool { return filepath.Base(p.Path) == name })
	}
	if len(after) != before+1 || !named("changed.png") || named("one-page.png") || named("copy.png") {
		t.Errorf("exit code %d, %d photos, before %d\n%s", code, len(after), before, talk)
	}
}
