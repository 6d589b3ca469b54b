package intake

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

func walk(t *testing.T, known map[string]Known, roots ...string) Scan {
	t.Helper()
	s, err := Walk(context.Background(), roots, known, nil)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A photo is what its bytes say, whatever its suffix.
func TestContentNotSuffix(t *testing.T) {
	dir := t.TempDir()
	good := jpegWith(1, nil, nil)
	put(t, dir, "IMG_0001.HEIC", good)
	put(t, dir, "IMG_0002.jpg", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"))
	put(t, dir, "IMG_0003.jpg", nil)
	put(t, dir, "IMG_0004.jpg", []byte("hello, this is a letter"))
	s := walk(t, nil, dir)
	if len(s.Files) != 2 || len(s.Faults) != 2 {
		t.Fatalf("%+v", s)
	}
	if n := SuffixNote(s.Files[0].Path, JPEG); !strings.Contains(n, "name says heic") {
		t.Errorf("note %q", n)
	}
	if !strings.Contains(s.Faults[0].Text, "empty") || !strings.Contains(s.Faults[1].Text, "does not hold one") {
		t.Errorf("%+v", s.Faults)
	}
}

// Copies by a sync program are found by content and named; a photo with the
// same name and other bytes is kept.
func TestCopiesByContent(t *testing.T) {
	dir := t.TempDir()
	a, b := jpegWith(1, nil, nil), jpegWith(2, nil, nil)
	put(t, dir, "IMG_1234.jpg", a)
	put(t, dir, "IMG_1234 (1).jpg", a)
	put(t, dir, "Copy of IMG_1234.jpg", a)
	put(t, dir, "other/IMG_1234.jpg", b)
	s := walk(t, nil, dir)
	if len(s.Files) != 2 {
		t.Fatalf("%d photos, want 2", len(s.Files))
	}
	n := 0
	for _, c := range s.Copies {
		n += len(c)
	}
	if n != 2 {
		t.Errorf("%d copies, want 2", n)
	}
	left, _ := filepath.Glob(filepath.Join(dir, "*.jpg"))
	if len(left) != 3 {
		t.Errorf("files were touched: %v", left)
	}
}

// Companions and rubbish are counted, not reported as broken photos.
func TestRubbishIsCounted(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "IMG_0001.JPG", jpegWith(1, nil, nil))
	put(t, dir, "._IMG_0001.JPG", make([]byte, 4096))
	for _, n := range []string{".DS_Store", "Thumbs.db", "desktop.ini", "IMG_0001.AAE", "IMG_0002.MOV"} {
		put(t, dir, n, []byte("x"))
	}
	s := walk(t, nil, dir)
	if len(s.Files) != 1 || len(s.Faults) != 0 || s.IgnoredCount() != 6 {
		t.Errorf("%+v", s)
	}
}

func TestSuffixCaseDoesNotMatter(t *testing.T) {
	dir := t.TempDir()
	for i, n := range []string{"a.jpg", "b.JPG", "c.Jpeg", "d.JPEG"} {
		put(t, dir, n, jpegWith(uint8(i), nil, nil))
	}
	put(t, dir, "e.png", pngBytes(1))
	put(t, dir, "f.PNG", pngBytes(2))
	put(t, dir, "g.jpg.txt", jpegWith(99, nil, nil))
	s := walk(t, nil, dir)
	if len(s.Files) != 6 || s.IgnoredCount() != 1 {
		t.Errorf("%d photos, %d ignored", len(s.Files), s.IgnoredCount())
	}
}

func TestKnownFilesAreNotReadAgain(t *testing.T) {
	dir := t.TempDir()
	path := put(t, dir, "a.jpg", jpegWith(1, nil, nil))
	first := walk(t, nil, dir)
	f := first.Files[0]
	if !f.Fresh {
		t.Fatal("not hashed")
	}
	known := map[string]Known{path: {f.Size, f.MTime, f.Hash}}
	if again := walk(t, known, dir); again.Files[0].Fresh || again.Files[0].Hash != f.Hash {
		t.Errorf("%+v", again.Files)
	}
	later := time.Unix(0, f.MTime).Add(time.Second)
	os.Chtimes(path, later, later)
	if again := walk(t, known, dir); !again.Files[0].Fresh {
		t.Error("a changed file was not read again")
	}
}

func TestMissingFolder(t *testing.T) {
	s := walk(t, nil, filepath.Join(t.TempDir(), "nowhere"))
	if len(s.Faults) != 1 || !strings.Contains(s.Faults[0].Text, "no such") {
		t.Errorf("%+v", s.Faults)
	}
}

// The wall clock decides; the machine's zone never matters.
func TestEveningPhotoStaysOnItsDay(t *testing.T) {
	plain := jpegWith(1, taken("2025:06:14 19:40:00"), nil)
	offset := jpegWith(1, append(taken("2025:06:14 19:40:00"), tag{ID: 0x9011, ASCII: "-07:00"}), nil)
	old := time.Local
	defer func() { time.Local = old }()
	for _, zone := range []string{"UTC", "America/Los_Angeles", "Asia/Tokyo"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Skipf("no zone data: %v", err)
		}
		time.Local = loc
		for _, b := range [][]byte{plain, offset} {
			if f := ReadFacts("a.jpg", b); f.Taken != "2025-06-14T19:40:00" || f.Day() != (trial.Date{Year: 2025, Month: 6, Day: 14}) {
				t.Errorf("%s: %q", zone, f.Taken)
			}
		}
	}
}

func TestNoDateFromFileTime(t *testing.T) {
	f := ReadFacts("IMG-20250616-WA0003.jpg", jpegWith(1, nil, nil))
	if f.Taken != "" || f.NameDate != (trial.Date{Year: 2025, Month: 6, Day: 16}) {
		t.Errorf("%+v", f)
	}
}

func TestImpossibleCameraDates(t *testing.T) {
	for raw, want := range map[string]string{
		"0000:00:00 00:00:00": "", "    :  :     :  :  ": "", "2025:02:30 10:00:00": "",
		"1970:01:01 00:00:00": "1970-01-01T00:00:00", "2000:01:01 00:03:12": "2000-01-01T00:03:12",
	} {
		if f := ReadFacts("a.jpg", jpegWith(1, taken(raw), nil)); f.Taken != want {
			t.Errorf("%q: taken %q, want %q", raw, f.Taken, want)
		}
	}
}

func TestNullIslandIsNoPosition(t *testing.T) {
	deg := func(d, m, s uint32) [][2]uint32 { return [][2]uint32{{d, 1}, {m, 1}, {s, 1}} }
	gps := func(lat, lon [][2]uint32) []tag {
		return []tag{{ID: 1, ASCII: "N"}, {ID: 2, Rats: lat}, {ID: 3, ASCII: "W"}, {ID: 4, Rats: lon}}
	}
	if f := ReadFacts("a.jpg", jpegWith(1, taken("2025:06:14 10:00:00"), gps(deg(0, 0, 0), deg(0, 0, 0)))); f.Lat != nil {
		t.Error("0/0 taken for a place")
	}
	if f := ReadFacts("b.jpg", jpegWith(1, taken("2025:06:14 10:00:00"), nil)); f.Lat != nil {
		t.Error("a place out of nothing")
	}
	f := ReadFacts("c.jpg", jpegWith(1, taken("2025:06:14 10:00:00"), gps(deg(45, 31, 12), deg(122, 40, 48))))
	if f.Lat == nil || *f.Lat < 45.5199 || *f.Lat > 45.5201 || *f.Lon > -122.6799 || *f.Lon < -122.6801 {
		t.Errorf("%+v", f)
	}
}

func TestAHeaderWithoutEndIsGivenUpOn(t *testing.T) {
	end := make(chan struct{})
	defer close(end)
	tags, err := within(time.Millisecond, func() (map[string]any, error) { <-end; return nil, nil })
	if err == nil || tags == nil {
		t.Errorf("%v %v", tags, err)
	}
}

func FuzzReadFacts(f *testing.F) {
	f.Add(jpegWith(1, taken("2025:06:14 19:40:00"), []tag{{ID: 1, ASCII: "N"}}))
	f.Add(jpegWith(1, nil, nil))
	f.Add(pngBytes(3))
	f.Add([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		facts := ReadFacts("x.jpg", b)
		if facts.Taken != "" && DayOf(facts.Taken).IsZero() {
			t.Errorf("taken %q is no date", facts.Taken)
		}
	})
}
