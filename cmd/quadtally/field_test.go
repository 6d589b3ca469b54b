package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/review"
)

// TestPhoneInTheField sends photos in pieces, with a piece lost, doubled and
// begun anew, and a laptop that is started again in the middle; and counts
// that arrive twice.
func TestPhoneInTheField(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures photos")
	}
	dir := fewPhotos(t)
	list, err := filepath.Glob(filepath.Join(dir, "photos", "*.jpg"))
	if err != nil || len(list) < 3 {
		t.Fatal(list, err)
	}
	// The photos leave the trial and come back by phone.
	fresh := t.TempDir()
	must(t, "new", "--plan", filepath.Join(dir, "plan.txt"), "--trial", fresh)
	d := openPage(t, fresh, false)
	send := func(key, name string, content []byte, piece int, hiccups bool) *review.Verdict {
		t.Helper()
		have, err := d.Received(t.Context(), key)
		if err != nil {
			t.Fatal(err)
		}
		for n := 0; have.Verdict == nil; n++ {
			end := min(int(have.Have)+piece, len(content))
			part := review.Piece{Key: key, Name: name, Offset: have.Have, Total: int64(len(content)), Body: bytes.NewReader(content[have.Have:end])}
			next, err := d.Upload(t.Context(), part)
			if err != nil {
				t.Fatal(err)
			}
			if hiccups && n == 1 {
				part.Body = bytes.NewReader(content[part.Offset:end]) // its answer was lost: sent again
				if again, err := d.Upload(t.Context(), part); err != nil || again.Have != next.Have {
					t.Fatalf("%+v %v", again, err)
				}
				d = openPage(t, fresh, false) // the laptop was started again
			}
			have = next
		}
		return have.Verdict
	}
	keep := 0
	for i, path := range list[:3] {
		content := mustRead(t, path)
		v := send(fmt.Sprintf("key0000%d", i), "../../IMG/"+filepath.Base(path), content, 100_000, i == 0)
		if v.Keep {
			keep++
		}
		if v.Plot == "" || v.Known || !slices.Contains(v.Good, "card read") || !slices.Contains(v.Good, "frame found") || v.Keep && !slices.Contains(v.Good, "sharp") {
			t.Errorf("%s: %+v", path, v)
		}
		kept := filepath.Join(fresh, "photos", "phone", filepath.Base(path))
		if got := mustRead(t, kept); sha256.Sum256(got) != sha256.Sum256(content) {
			t.Errorf("%s is not byte for byte what was sent", kept)
		}
	}
	if keep == 0 {
		t.Error("no photo is to be kept")
	}
	// The same again is known and kept once; another photo of the same name
	// gets a name of its own.
	first := mustRead(t, list[0])
	if v := send("key00009", filepath.Base(list[0]), first, len(first), false); !v.Known {
		t.Errorf("%+v", v)
	}
	if v := send("key00010", filepath.Base(list[0]), mustRead(t, list[3]), 1<<20, false); v.Name != strings.TrimSuffix(filepath.Base(list[0]), ".jpg")+"-2.jpg" {
		t.Errorf("%+v", v)
	}
	// What is no photo, and half a photo, are said so.
	for i, bad := range [][]byte{[]byte("not a photo at all"), first[:len(first)/2]} {
		if v := send(fmt.Sprintf("key0002%d", i), "bad.jpg", bad, 1<<20, false); v.Keep || len(v.Bad) == 0 {
			t.Errorf("%+v", v)
		}
	}
	if left, _ := os.ReadDir(filepath.Join(fresh, ".incoming")); len(left) > 0 {
		t.Errorf("%d files are left on their way", len(left))
	}
	snap := stood(t, d)
	seen := map[string]bool{}
	for _, p := range snap.Photos {
		if seen[p.Hash] {
			t.Errorf("%s is there twice", p.Path)
		}
		seen[p.Hash] = true
	}
	for _, path := range list[:4] {
		sum := sha256.Sum256(mustRead(t, path))
		if !seen[hex.EncodeToString(sum[:])] {
			t.Errorf("%s is not in the record", path)
		}
	}

	// Counts: stored once, blind, and what is missing follows.
	w, err := d.Walk(t.Context(), 2)
	if err != nil || len(w.Quadrats) != 2*len(snap.Plots) || len(w.Classes) == 0 {
		t.Fatalf("%+v %v", w, err)
	}
	c := review.FieldCount{Key: "count0001", Plot: w.Quadrats[0].Plot, Quadrat: 1, Visit: 2, Observer: "Ben", Classes: []review.ClassCount{{Class: "broadleaf", Plants: 3}, {Class: "grass", Plants: 0}}}
	for i, want := range []string{"Stored", "already", "already"} {
		if said, err := d.FieldCount(t.Context(), c); err != nil || !strings.Contains(said, want) {
			t.Errorf("%d: %q %v", i, said, err)
		}
	}
	n := 0
	for _, o := range stood(t, d).Observations {
		if o.Variable == "count" {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d counts are stored, want 2", n)
	}
	// Corrected by hand since: the phone's old count, sent once more, does not
	// come back over it.
	c2 := c
	c2.Key, c2.Classes = "count0002", []review.ClassCount{{Class: "Broadleaf", Plants: 5}}
	asked := (*review.CountedBefore)(nil)
	if _, err := d.FieldCount(t.Context(), c2); !errors.As(err, &asked) || len(asked.Counts) != 2 || len(stood(t, d).Beside) != 0 {
		t.Errorf("one's own count was replaced unasked: %v", err)
	}
	c2.Over = review.OverReplace
	if _, err := d.FieldCount(t.Context(), c2); err != nil {
		t.Fatal(err)
	}
	if said, err := d.FieldCount(t.Context(), c); err != nil || !strings.Contains(said, "already") {
		t.Errorf("%q %v", said, err)
	}
	for _, o := range stood(t, d).Observations {
		if o.Variable == "count" && o.Class == "broadleaf" && o.Value != 5 {
			t.Errorf("%+v", o)
		}
	}
	// Who counts after another does not replace that count, nor lose the own.
	c3 := c
	c3.Key, c3.Observer, c3.Classes = "count0004", "Cleo", []review.ClassCount{{Class: "broadleaf", Plants: 9}}
	for i, want := range []string{"In force: broadleaf 5, grass 0 by Ben", "already"} {
		if said, err := d.FieldCount(t.Context(), c3); err != nil || !strings.Contains(said, want) {
			t.Errorf("%d: %q %v", i, said, err)
		}
	}
	for _, o := range stood(t, d).Observations {
		if o.Variable == "count" && o.Class == "broadleaf" && (o.Value != 5 || o.Observer != "Ben") {
			t.Errorf("%+v", o)
		}
	}
	if b := stood(t, d).Beside; len(b) != 1 || b[0].Value != 9 || b[0].Observer != "Cleo" {
		t.Errorf("beside it stands %+v", b)
	}
	// Nor does an answer that was given about one's own count before the other's
	// came into force.
	c4 := c3
	c4.Key, c4.Over, c4.Classes = "count0005", review.OverReplace, []review.ClassCount{{Class: "broadleaf", Plants: 8}}
	if said, err := d.FieldCount(t.Context(), c4); err != nil || !strings.Contains(said, "In force: broadleaf 5, grass 0 by Ben") {
		t.Errorf("%q %v", said, err)
	}
	if snap := stood(t, d); len(snap.Beside) != 1 || snap.Beside[0].Value != 8 || len(snap.Observations) != 2 || snap.Observations[0].Observer != "Ben" {
		t.Errorf("in force %+v, beside it %+v", snap.Observations, snap.Beside)
	}
	for _, bad := range []review.FieldCount{{Key: "count0003", Plot: "999", Quadrat: 1, Visit: 2, Observer: "B", Classes: c.Classes}, {Key: "count0003", Plot: c.Plot, Quadrat: 9, Visit: 2, Observer: "B", Classes: c.Classes}, {Key: "count0003", Plot: c.Plot, Quadrat: 1, Visit: 99, Observer: "B", Classes: c.Classes}} {
		if _, err := d.FieldCount(t.Context(), bad); err == nil {
			t.Errorf("%+v was stored", bad)
		}
	}
}

// TestDoorOfThePhone: a phone comes in again after the page was started anew,
// for a day, and by no file that somebody has damaged.
func TestDoorOfThePhone(t *testing.T) {
	dir := t.TempDir()
	newTrial(t, dir, demoseason.Trial(7))
	d := openPage(t, dir, false)
	if d.Door() != nil {
		t.Error("a door before the first run")
	}
	door := review.Door{Port: 4711, Key: strings.Repeat("k", 32), Token: strings.Repeat("t", 32)}
	d.KeepDoor(door)
	if got := openPage(t, dir, false).Door(); got == nil || *got != door {
		t.Errorf("%+v", got)
	}
	file := filepath.Join(dir, ".incoming", "door.json")
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	long := time.Now().Add(-13 * time.Hour)
	if err := os.Chtimes(file, long, long); err != nil {
		t.Fatal(err)
	}
	if d.Door() != nil {
		t.Error("yesterday's door holds")
	}
	for _, bad := range []string{"", "{", `{"port":1,"key":"short","token":"short"}`} {
		if err := os.WriteFile(file, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := d.Door(); got != nil {
			t.Errorf("%q: %+v", bad, got)
		}
	}
}
