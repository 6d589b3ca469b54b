package outfile

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
}

// TestReplacesOnlyItsOwn: a file is replaced where this program wrote it and
// nobody changed it since, in the trial's folder and outside; with Force any
// file is, and said so; the record never is.
func TestReplacesOnlyItsOwn(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	for _, where := range []string{"in the trial", "outside"} {
		dir, notes := t.TempDir(), []string{}
		to := Writer{TrialDir: dir, Note: func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }}
		if err := os.WriteFile(filepath.Join(dir, record.FileName), []byte("record"), 0o644); err != nil {
			t.Fatal(err)
		}
		folder := dir
		if where == "outside" {
			folder = t.TempDir()
		}
		path := filepath.Join(folder, "map.svg")
		holds := func(want string) {
			t.Helper()
			if got, err := os.ReadFile(path); err != nil || string(got) != want {
				t.Errorf("%s: %q, want %q (%v)", where, got, want, err)
			}
		}
		for _, s := range []string{"one", "two", "two"} {
			if err := to.Replace(path, text(s)); err != nil {
				t.Fatalf("%s: %v", where, err)
			}
			holds(s)
		}
		if err := os.WriteFile(path, []byte("changed by hand"), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := to.Replace(path, text("three")); err == nil || !strings.Contains(err.Error(), "--force") {
			t.Errorf("%s: a changed file: %v", where, err)
		}
		holds("changed by hand")
		if err := to.Replace(path, text("changed by hand")); err != nil {
			t.Errorf("%s: the same content: %v", where, err)
		}
		if len(notes) > 0 {
			t.Errorf("%s: said %q", where, notes)
		}
		to.Force = true
		if err := os.WriteFile(path, []byte("by hand again"), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := to.Replace(path, text("three")); err != nil || len(notes) != 1 || !strings.Contains(notes[0], "13 bytes") {
			t.Errorf("%s: forced: %v, %q", where, err, notes)
		}
		holds("three")
		linked := filepath.Join(folder, "linked.csv")
		if err := os.Link(filepath.Join(dir, record.FileName), linked); err != nil {
			t.Fatal(err)
		}
		for _, p := range []string{filepath.Join(dir, record.FileName), filepath.Join(folder, record.FileName+"-journal"), linked} {
			if err := to.Replace(p, text("x")); err == nil || !strings.Contains(err.Error(), "never written over") {
				t.Errorf("%s: %s: %v", where, p, err)
			}
		}
	}
}

// TestWholeOrNotAtAll: a write that fails leaves the older file and nothing
// beside it.
func TestWholeOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "new", "report.html")
	if err := Whole(path, text("first")); err != nil {
		t.Fatal(err)
	}
	err := Whole(path, func(w io.Writer) error {
		io.WriteString(w, "half of the sec")
		return errors.New("no room")
	})
	got, _ := os.ReadFile(path)
	list, _ := os.ReadDir(filepath.Dir(path))
	if err == nil || string(got) != "first" || len(list) != 1 {
		t.Errorf("%v: %q and %d files", err, got, len(list))
	}
	if err := Whole(filepath.Join(path, "below-a-file"), text("x")); err == nil {
		t.Error("wrote below a file")
	}
}
