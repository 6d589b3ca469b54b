package intake

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

// TestSniffShortHeads: a head that ends inside the signature is no photo and no
// fault, and every brand of still pictures in HEVC is known.
func TestSniffShortHeads(t *testing.T) {
	for _, whole := range []string{"RIFF\x00\x00\x00\x00WEBP", "\x00\x00\x00\x18ftypheic"} {
		for n := range len(whole) {
			if got := Sniff(slices.Clip([]byte(whole[:n]))); got != "" {
				t.Errorf("%q: %s", whole[:n], got)
			}
		}
		if got := Sniff(slices.Clip([]byte(whole))); got == "" {
			t.Errorf("%q is not known", whole)
		}
	}
	for _, brand := range []string{"heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1"} {
		if got := Sniff([]byte("\x00\x00\x00\x18ftyp" + brand + "rest")); got != HEIC {
			t.Errorf("%s: %q", brand, got)
		}
	}
	for _, brand := range []string{"isom", "mp42", "avif", "qt  "} {
		if got := Sniff([]byte("\x00\x00\x00\x18ftyp" + brand + "rest")); got != "" {
			t.Errorf("%s: %q", brand, got)
		}
	}
}

// TestWhatAHeaderSays: maker and model, the serial number of the camera and no
// part's, both hemispheres, and dates by the first tag that has one.
func TestWhatAHeaderSays(t *testing.T) {
	deg := func(d, m, s uint32) [][2]uint32 { return [][2]uint32{{d, 1}, {m, 1}, {s, 1}} }
	gps := func(lat, lon string) []tag {
		return []tag{{ID: 1, ASCII: lat}, {ID: 2, Rats: deg(45, 30, 0)}, {ID: 3, ASCII: lon}, {ID: 4, Rats: deg(120, 15, 0)}}
	}
	for refs, want := range map[string]string{"N E": "45.5 120.25", "S E": "-45.5 120.25", "N W": "45.5 -120.25", "S W": "-45.5 -120.25"} {
		lat, lon, _ := strings.Cut(refs, " ")
		f := ReadFacts("a.jpg", jpegWith(1, taken("2025:06:14 10:00:00"), gps(lat, lon)))
		if f.Lat == nil || fmt.Sprintf("%.6g %.6g", *f.Lat, *f.Lon) != want {
			t.Errorf("%s: %+v", refs, f)
		}
	}
	for name, c := range map[string]struct {
		exif          []tag
		taken, serial string
		notes         int
	}{
		"original":          {taken("2025:06:14 10:00:00"), "2025-06-14T10:00:00", "", 0},
		"digitised":         {[]tag{{ID: 0x9004, ASCII: "2025:06:14 11:00:00"}}, "2025-06-14T11:00:00", "", 0},
		"original first":    {[]tag{{ID: 0x9003, ASCII: "2025:06:14 10:00:00"}, {ID: 0x9004, ASCII: "2025:06:15 11:00:00"}}, "2025-06-14T10:00:00", "", 0},
		"original no date":  {[]tag{{ID: 0x9003, ASCII: "yesterday"}, {ID: 0x9004, ASCII: "2025:06:15 11:00:00"}}, "", "", 1},
		"serial of a body":  {[]tag{{ID: 0x9003, ASCII: "2025:06:14 10:00:00"}, {ID: 0xa431, ASCII: " 77 "}}, "2025-06-14T10:00:00", "77", 0},
		"serial of a lens":  {[]tag{{ID: 0xa435, ASCII: "88"}}, "", "", 0},
		"nothing":           {nil, "", "", 0},
		"no year 0 in date": {taken("0000:06:14 10:00:00"), "", "", 1},
	} {
		f := ReadFacts("a.jpg", jpegWith(1, c.exif, nil))
		if f.Taken != c.taken || f.Serial != c.serial || len(f.Notes) != c.notes || f.Format != JPEG {
			t.Errorf("%s: %+v", name, f)
		}
	}
	if f := ReadFacts("a.png", jpegWith(1, nil, nil)); len(f.Notes) != 1 || !strings.Contains(f.Notes[0], "the name says png but the content is jpeg") {
		t.Errorf("%q", f.Notes)
	}
	// A header that was cut off says nothing of the day and is told.
	whole := jpegWith(1, taken("2025:06:14 10:00:00"), gps("N", "E"))
	damaged := slices.Clone(whole[:60])
	if f := ReadFacts("a.jpg", damaged); f.Taken != "" || len(f.Notes) == 0 || !strings.Contains(f.Notes[0], "damaged") {
		t.Errorf("cut off: %+v", f)
	}
}

// TestDaysAndDatesInNames: the day of a wall time, and dates that names hold.
func TestDaysAndDatesInNames(t *testing.T) {
	for text, want := range map[string]string{"2025-06-14T10:00:00": "2025-06-14", "2025-06-14": "2025-06-14", "2025-06-1": "", "2025-02-30T10:00:00": "", "": ""} {
		if got := DayOf(text); got.String() != want && !(want == "" && got.IsZero()) {
			t.Errorf("%q: %s", text, got)
		}
	}
	for name, want := range map[string]string{
		"IMG-20250616-WA0003.jpg": "2025-06-16", "2025_06_16.jpg": "2025-06-16", "a.2025.06.16.jpg": "2025-06-16", "20250230.jpg": "", "120250616.jpg": "", "202506161.jpg": "", "20251316.jpg": "", "19990616.jpg": "",
		"20250616/IMG_1.jpg": "",
	} {
		if got := dateInName(name); got.IsZero() != (want == "") || want != "" && got.String() != want {
			t.Errorf("%s: %s", name, got)
		}
	}
}

// TestCodesAndSheetsThatSayNothing: a code that two plots share, a card of
// another trial or of no plot, two cards, and a list that names no plot of the
// layout are questions.
func TestCodesAndSheetsThatSayNothing(t *testing.T) {
	tr, plots := season()
	plots = append(plots, trial.Plot{ID: "A-1"}, trial.Plot{ID: "a1"})
	for name, c := range map[string]struct {
		photo Seen
		want  string
	}{
		"another trial":    {Seen{Cards: []Card{{"ZZZZ", "101", 1}}}, "belongs to another trial (ZZZZ, this one is K7QD)"},
		"no plot":          {Seen{Cards: card("999", 1)}, `the card says plot "999"`},
		"two cards":        {Seen{Cards: append(card("101", 1), card("102", 1)...)}, "two cards are in the photo"},
		"two quadrats":     {Seen{Cards: append(card("101", 1), card("101", 2)...)}, "two cards are in the photo"},
		"one card twice":   {Seen{Cards: append(card("101", 1), card("101", 1)...)}, ""},
		"list of no plot":  {Seen{Sheet: &Spot{Plot: "999", Quadrat: 1}}, `the sheet says plot "999", which is not in the layout`},
		"list of the plot": {Seen{Sheet: &Spot{Plot: "101", Quadrat: 1}}, ""},
	} {
		c.photo.Taken = at("09:00:00")
		v := Identify(tr, plots, []Seen{c.photo})[0]
		if c.want == "" && !v.Known() || c.want != "" && !strings.Contains(v.Reason, c.want) {
			t.Errorf("%s: %+v", name, v)
		}
	}
	if v := Identify(tr, plots, []Seen{{Taken: at("09:00:00"), Cards: card("A1", 1)}})[0]; !strings.Contains(v.Reason, "stands for plots A-1 and a1 alike") {
		t.Errorf("%+v", v)
	}
	got := InName(plots, []string{"x/plot 101-2.jpg", "IMG_1.jpg"})
	if len(got) != 1 || got["x/plot 101-2.jpg"] != (Spot{Plot: "101", Quadrat: 2}) {
		t.Errorf("%v", got)
	}
}

// TestFilesNamedTwice: a file that is named beside its folder is read once, a
// folder that is named twice is passed over and counted.
func TestFilesNamedTwice(t *testing.T) {
	dir := t.TempDir()
	path := put(t, dir, "a.jpg", jpegWith(1, nil, nil))
	put(t, dir, "sub/b.jpg", jpegWith(2, nil, nil))
	s := walk(t, nil, path, dir, dir+"/sub", dir)
	if len(s.Files) != 2 || len(s.Copies) != 0 || s.Skipped[SkipTwice] != 2 {
		t.Errorf("%d photos, copies %v, skipped %v", len(s.Files), s.Copies, s.Skipped)
	}
	if err := os.Symlink(dir+"/nowhere.jpg", dir+"/broken.jpg"); err == nil {
		if s := walk(t, nil, dir); s.Ignored["broken link"] != 1 || len(s.Files) != 2 {
			t.Errorf("%+v", s)
		}
	}
	for want, name := range map[string]string{".jpg": "x/A.JPG", ".hidden": "x/.hidden", "README": "README", "._ companion": "._a.jpg"} {
		if got := kindOf(name); got != want {
			t.Errorf("%s: %q", name, got)
		}
	}
}
