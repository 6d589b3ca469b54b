package intake

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"quadtally/cmd/quadtally/internal/trial"
)

// TestFoldersPassedOver: what was thrown away, made small or hidden.
func TestFoldersPassedOver(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "plot101-1.jpg", jpegWith(1, nil, nil))
	for i, name := range []string{".Trash-1000/files", "$RECYCLE.BIN", ".thumbnails", "@eaDir", ".hidden", "__MACOSX"} {
		put(t, dir, name+"/plot101-2.jpg", jpegWith(byte(2+i), nil, nil))
	}
	s := walk(t, nil, dir)
	if len(s.Files) != 1 || s.Skipped[SkipTrash] != 2 || s.Skipped[SkipThumbnail] != 2 || s.Skipped[SkipHidden] != 2 {
		t.Errorf("%+v", s)
	}
	if s := walk(t, nil, dir+"/.hidden"); len(s.Files) != 1 {
		t.Errorf("a hidden folder that is named is meant: %+v", s)
	}
}

func TestPathsAsText(t *testing.T) {
	for _, path := range []string{"a/b.jpg", "caf\u00e9.jpg", "caf\xe9.jpg", "\xff\xfe", "a\ufffdb", "a\ufffdFFb", "\xf0\x9f\x8c", "", "\ufffd41"} {
		text := PathText(path)
		if !utf8.ValidString(text) || PathOfText(text) != path {
			t.Errorf("%q: written %q, back %q", path, text, PathOfText(text))
		}
	}
	if PathText("caf\u00e9.jpg") != "caf\u00e9.jpg" {
		t.Error("a plain name was changed")
	}
}

func FuzzPathText(f *testing.F) {
	f.Add("caf\xe9")
	f.Add("\ufffd41\xff")
	f.Fuzz(func(t *testing.T, path string) {
		if text := PathText(path); !utf8.ValidString(text) || PathOfText(text) != path {
			t.Errorf("%q: written %q, back %q", path, text, PathOfText(text))
		}
		for _, r := range Shown(path) {
			if r < ' ' || r == 0x7f || r == 0x9b || (r >= 0x202a && r <= 0x202e) {
				t.Errorf("%q is shown with %q", path, r)
			}
		}
	})
}

func TestShown(t *testing.T) {
	for name, want := range map[string]string{
		"IMG 1.jpg": "IMG 1.jpg", "caf\u00e9": "caf\u00e9", "a\x1b[2Jb": `a\x1b[2Jb`, "a\nb\tc": `a\x0ab\x09c`, "caf\xe9": `caf\xe9`, "gpj.\u202e1": `gpj.\u202e1`, "\u009b2J": `\u009b2J`, "": "",
	} {
		if got := Shown(name); got != want {
			t.Errorf("%q is shown as %q, want %q", name, got, want)
		}
	}
}

// TestMoved: a photo whose path is gone is known under its new one; one that
// was copied keeps its path.
func TestMoved(t *testing.T) {
	s := Scan{Files: []File{{Path: "d/plot105-3.jpg", Hash: "a"}, {Path: "d/b2.jpg", Hash: "b"}, {Path: "d/c.jpg", Hash: "c"}, {Path: "d/e.jpg", Hash: "e"}},
		Copies: map[string][]string{"b": {"d/b.jpg"}}}
	known := map[string]string{"a": "d/plot101-3.jpg", "b": "d/b.jpg", "c": "old/c.jpg", "z": "gone.jpg"}
	got := Moved(known, &s, func(path, hash string) bool { return path != "old/c.jpg" })
	if fmt.Sprint(got) != "map[a:d/plot105-3.jpg]" {
		t.Errorf("%v", got)
	}
	tr, plots := season()
	plots = append(plots, trial.Plot{ID: "105"})
	v := Identify(tr, plots, []Seen{{Hash: "a", Path: got["a"], Taken: at("09:00:00")}})[0]
	if v.Plot != "105" || v.Basis != ByName {
		t.Errorf("%+v", v)
	}
}

// TestPhotoSheetByPath: equal file names in two folders are told apart by the
// folders; where they are not, that is said.
func TestPhotoSheetByPath(t *testing.T) {
	paths := []string{"/p/ada/DCIM/IMG_1.JPG", "/p/ben/DCIM/IMG_1.JPG", "/p/ben/DCIM/IMG_2.jpg", "/p/img_3.jpg"}
	spot := func(q int) Spot { return Spot{Plot: "101", Quadrat: q} }
	got, clashes := MatchSheet([]SheetRow{
		{2, "ada/DCIM/IMG_1.JPG", spot(1)}, {3, `ben\dcim\img_1.jpg`, spot(2)}, {4, "IMG_2.jpg", spot(3)}, {5, "IMG_3.jpg", spot(4)}, {6, "/p/img_3.jpg", spot(4)},
		{7, "IMG_1.JPG", spot(5)}, {8, "DCIM/IMG_1.JPG", spot(5)}, {9, "IMG_9.jpg", spot(6)}, {10, "ben/DCIM/IMG_2.jpg", spot(7)}, {11, "n/IMG_2.jpg", spot(8)},
	}, paths)
	if len(got) != 4 || got[paths[0]] != spot(1) || got[paths[1]] != spot(2) || got[paths[2]] != spot(3) || got[paths[3]] != spot(4) {
		t.Errorf("%v", got)
	}
	var lines []string
	for _, c := range clashes {
		lines = append(lines, fmt.Sprintf("%d:%d:%d", c.Row.Line, len(c.Photos), c.Other))
	}
	if strings.Join(lines, " ") != "7:2:0 8:2:0 9:0:0 10:1:4 11:0:0" {
		t.Errorf("%v", lines)
	}
}

// TestTwoCameras: each camera's photos are in the order of its own clock, and
// the two are never mixed without a question.
func TestTwoCameras(t *testing.T) {
	ada := Seen{Camera: "Maker One", Path: "ada/IMG_1.jpg"}
	ben := Seen{Camera: "Maker One", Path: "ben/IMG_1.jpg"}
	with := func(s Seen, clock string, cards []Card) Seen { s.Taken, s.Cards = at(clock), cards; return s }
	// Ben's clock is three hours ahead; each photographs one plot.
	vs := identify(
		with(ada, "09:00:00", card("101", 0)), with(ben, "12:00:00", card("102", 0)),
		with(ada, "09:05:00", card("101", 0)), with(ben, "12:05:00", card("102", 0)),
	)
	for i, want := range []Spot{{"101", 1, 1}, {"102", 1, 1}, {"101", 2, 1}, {"102", 2, 1}} {
		if !vs[i].Known() || vs[i].Spot != want {
			t.Errorf("photo %d: %+v, want %+v", i, vs[i], want)
		}
	}
	// Both photograph one plot: the order of their photos is not known.
	for name, other := range map[string]Seen{"another folder": ben, "another model": {Camera: "Maker Two", Path: "ada/x.jpg"}, "another serial": {Camera: "Maker One", Serial: "2", Path: "ada/x.jpg"}} {
		for _, v := range identify(with(ada, "09:00:00", card("101", 0)), with(other, "12:05:00", card("101", 0))) {
			if v.Known() || !v.Clocks || !strings.Contains(v.Reason, "clocks may differ") {
				t.Errorf("%s: %+v", name, v)
			}
		}
	}
	// One camera in two folders is known by its serial number.
	one, two := ada, ben
	one.Serial, two.Serial = "7", "7"
	if vs := identify(with(one, "09:00:00", card("101", 0)), with(two, "09:05:00", card("101", 0))); !vs[0].Known() || vs[1].Quadrat != 2 {
		t.Errorf("%+v", vs)
	}
	// The walk of one camera is not filled up with photos of the other.
	vs = identify(with(ada, "09:00:00", card("101", 1)), with(ben, "09:05:00", nil), with(ada, "09:10:00", card("102", 1)))
	if vs[1].Proposed || vs[1].Plot != "" {
		t.Errorf("%+v", vs[1])
	}
}

// TestCounterRollsOver: photos without a time follow the camera's own count,
// over 9999 as well.
func TestCounterRollsOver(t *testing.T) {
	spot := func(plot string, q int) *Spot { return &Spot{plot, q, 1} }
	open := &Spot{Visit: 1}
	vs := identify(
		Seen{Path: "IMG_0001.jpg", Sheet: open}, Seen{Path: "IMG_0002.jpg", Sheet: spot("102", 2)},
		Seen{Path: "IMG_9998.jpg", Sheet: spot("101", 1)}, Seen{Path: "IMG_9999.jpg", Sheet: open},
	)
	if vs[3].Spot != (Spot{"101", 2, 1}) || vs[0].Spot != (Spot{"102", 1, 1}) || !vs[0].Proposed {
		t.Errorf("%+v", vs)
	}
	// Without the ends of the count, names stand in their own order.
	vs = identify(Seen{Path: "IMG_0001.jpg", Sheet: spot("101", 1)}, Seen{Path: "IMG_0002.jpg", Sheet: open}, Seen{Path: "IMG_5000.jpg", Sheet: spot("102", 1)})
	if vs[1].Spot != (Spot{"101", 2, 1}) {
		t.Errorf("%+v", vs)
	}
}

// TestFewerPhotosThanQuadrats: nothing is proposed where one is missing.
func TestFewerPhotosThanQuadrats(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:00:00"), Cards: card("101", 1)},
		Seen{Taken: at("09:05:00")},
		Seen{Taken: at("09:10:00"), Cards: card("102", 2)}, // 101/2 and 102/1 lie between
	)
	if vs[1].Proposed || vs[1].Plot != "" {
		t.Errorf("%+v", vs[1])
	}
}

// TestBordersOfTheSeason: its first and last day belong to it.
func TestBordersOfTheSeason(t *testing.T) {
	tr, plots := season()
	tr.Visits = []trial.Date{tr.SeasonStart, tr.SeasonEnd}
	for day, want := range map[string]int{"2025-05-01": 1, "2025-10-31": 2, "2025-04-30": 0, "2025-11-01": 0} {
		v := Identify(tr, plots, []Seen{{Hash: "h", Taken: day + "T09:00:00", Cards: card("101", 1)}})[0]
		if v.Visit != want || v.Known() != (want > 0) {
			t.Errorf("%s: %+v", day, v)
		}
	}
}

// TestUnmeasuredPhotoTakesNoNumber: one that could not be read, between two
// sound ones of a plot card.
func TestUnmeasuredPhotoTakesNoNumber(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:00:00"), Cards: card("101", 0)},
		Seen{Taken: at("09:05:00"), Cards: card("101", 0), Unmeasured: true},
		Seen{Taken: at("09:10:00"), Cards: card("101", 0)},
	)
	if vs[0].Quadrat != 1 || vs[2].Quadrat != 2 || !vs[2].Known() || vs[1].Quadrat != 0 {
		t.Errorf("%+v", vs)
	}
}

// TestPauseOfABurst: pictures up to 6 s apart are one burst, 7 s are two
// quadrats.
func TestPauseOfABurst(t *testing.T) {
	for second, want := range map[string]int{"09:00:06": 1, "09:00:07": 2} {
		if vs := identify(Seen{Taken: at("09:00:00"), Cards: card("101", 0)}, Seen{Taken: at(second), Cards: card("101", 0)}); vs[1].Quadrat != want {
			t.Errorf("%s: quadrat %d, want %d", second, vs[1].Quadrat, want)
		}
	}
}

// TestSheetAgainstCamera: a sheet that says another visit than the camera's
// date, earlier or later, is a question.
func TestSheetAgainstCamera(t *testing.T) {
	for _, c := range []struct {
		day   string
		sheet int
		open  bool
	}{{"2025-06-14", 2, true}, {"2025-06-28", 1, true}, {"2025-06-28", 2, false}} {
		v := identify(Seen{Taken: c.day + "T09:00:00", Sheet: &Spot{"101", 1, c.sheet}})[0]
		if v.Known() == c.open {
			t.Errorf("%s, sheet says %d: %+v", c.day, c.sheet, v)
		}
	}
}
