package partfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
)

func header() Header {
	return Header{Trial: "LEEK", Begun: "2026-05-01T08:00:00Z", Fingerprint: "abc", Settings: json.RawMessage("{}"), Folder: "photos", Part: intake.Part{K: 3, N: 16}}
}

func photo(i int) Photo {
	return Photo{Path: fmt.Sprintf("june/%d.jpg", i), Facts: record.PhotoFacts{Hash: fmt.Sprint(i), Notes: []string{"<b> & \u2028"}},
		Doc: json.RawMessage(`{"a":"<"}`), Curve: []byte{1, 2, byte(i)}, Plane: bytes.Repeat([]byte{7}, 100)}
}

func write(t testing.TB, path string, photos ...int) Contents {
	t.Helper()
	w, c, err := Open(path, header(), func(Photo) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range photos {
		if err := w.Add(photo(i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.End(End{Photos: c.Photos + len(photos)}), w.Close()); err != nil {
		t.Fatal(err)
	}
	return c
}

// TestEveryCut cuts a file off after every byte: what is read is always a run
// of whole photos from the beginning, never finished unless it is whole, and
// going on gives the whole file again.
func TestEveryCut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p.jsonl")
	write(t, path, 0, 1, 2)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for n := range len(whole) {
		var got []int
		c, err := Read(bytes.NewReader(whole[:n]), func(p Photo) error { got = append(got, int(p.Curve[2])); return nil })
		if err != nil && !errors.Is(err, errNoHeader) {
			t.Fatalf("cut at %d: %v", n, err)
		}
		for i, v := range got {
			if v != i {
				t.Fatalf("cut at %d: %v", n, got)
			}
		}
		if c.Finished() {
			t.Fatalf("cut at %d counts as finished", n)
		}
		if n%37 != 0 {
			continue
		}
		if err := os.WriteFile(path, whole[:n], 0o644); err != nil {
			t.Fatal(err)
		}
		var rest []int
		for i := len(got); i < 3; i++ {
			rest = append(rest, i)
		}
		write(t, path, rest...)
		if again, err := os.ReadFile(path); err != nil || !bytes.Equal(again, whole) {
			t.Fatalf("cut at %d and gone on: another file (%v)", n, err)
		}
	}
}

// TestEveryFlip flips each byte in turn: no file with a change in it is read
// as if nothing had happened.
func TestEveryFlip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p.jsonl")
	write(t, path, 0, 1)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for n := range whole {
		b := bytes.Clone(whole)
		b[n] ^= 0x11
		var got []Photo
		c, err := Read(bytes.NewReader(b), func(p Photo) error { got = append(got, p); return nil })
		if err == nil && c.Finished() {
			// Only the case of a key's letter may change without harm.
			for i, p := range got {
				if want := photo(i); p.Path != want.Path || !bytes.Equal(p.Curve, want.Curve) || !bytes.Equal(p.Plane, want.Plane) || string(p.Doc) != string(want.Doc) {
					t.Fatalf("byte %d (%q) changed the photo unseen", n, whole[n])
				}
			}
		}
	}
}

func TestTwoWritersAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p.jsonl")
	none := func(Photo) error { return nil }
	a, _, err := Open(path, header(), none)
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := Open(path, header(), none)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(a.Add(photo(0)), b.Add(photo(1)), b.End(End{Photos: 1}), a.Close(), b.Close()); err != nil {
		t.Fatal(err)
	}
	if c, err := ReadFile(path, none); err == nil && c.Finished() {
		t.Error("a file two runs wrote into counts as finished")
	}
}

func TestForeignFilesAreLeftAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "precious.txt")
	for _, text := range []string{"a", "my notes, no newline", "plot,count\n101,3\n", "{\"crc\n"} {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, _, err := Open(path, header(), func(Photo) error { return nil }); err == nil {
			t.Errorf("%q was taken for a part file", text)
		}
		if b, _ := os.ReadFile(path); string(b) != text {
			t.Errorf("%q was changed to %q", text, b)
		}
	}
	write(t, filepath.Join(t.TempDir(), "p"), 1)
	other := header()
	other.K = 4
	p := filepath.Join(t.TempDir(), "q")
	write(t, p, 1)
	if _, _, err := Open(p, other, func(Photo) error { return nil }); err == nil || !strings.Contains(err.Error(), "another run") {
		t.Errorf("another part: %v", err)
	}
}

func FuzzRead(f *testing.F) {
	path := filepath.Join(f.TempDir(), "p.jsonl")
	write(f, path, 0, 1)
	whole, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add(whole[:len(whole)-9])
	f.Add([]byte("{\"crc32\":0,\"line\":{}}\n"))
	f.Add([]byte("\n\n"))
	f.Add([]byte(`{"crc32":3,"line":{"header":{"quadtally_part":1,"part":1,"of":0}}}` + "\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		n := 0
		c, err := Read(bytes.NewReader(b), func(Photo) error { n++; return nil })
		if n != c.Photos {
			t.Errorf("%d photos told, %d counted", n, c.Photos)
		}
		if err == nil && (c.good > int64(len(b)) || c.good <= 0 || c.Header.Validate() != nil) {
			t.Errorf("good %d of %d, header %+v", c.good, len(b), c.Header)
		}
	})
}
