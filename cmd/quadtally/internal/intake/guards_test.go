package intake

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

// TestPlotInName: what a file's and its folders' names say of plot and quadrat,
// and where they say nothing.
func TestPlotInName(t *testing.T) {
	plots := []trial.Plot{{ID: "10"}, {ID: "10-2"}, {ID: "101"}}
	turned := []trial.Plot{plots[2], plots[1], plots[0]}
	for path, want := range map[string]Spot{
		"plot 101.jpg":                     {Plot: "101"},
		"101.jpg":                          {Plot: "101"},
		"101-2.jpg":                        {Plot: "101", Quadrat: 2},
		"plot101_q3.jpg":                   {Plot: "101", Quadrat: 3},
		"plot 10-2.jpg":                    {Plot: "10-2"}, // the longer id, not quadrat 2 of plot 10
		"plot 10-3.jpg":                    {Plot: "10", Quadrat: 3},
		"plot 101/quad 2/a.jpg":            {Plot: "101", Quadrat: 2},
		"plot 101/q1/101-2.jpg":            {Plot: "101", Quadrat: 2}, // the file's own name first
		"x/plot 101/a/b/IMG_1.jpg":         {Plot: "101"},
		"plot 101/x/a/b/IMG_1.jpg":         {}, // too far above to be about this photo
		"plot 101/a/b/c/plot 101-2/x.jpg":  {Plot: "101", Quadrat: 2},
		"plot 101/plot 10/IMG_1.jpg":       {},
		"IMG_101.jpg":                      {},
		"plot 1011.jpg":                    {},
		"subplot 7/IMG_2.jpg":              {},
		"101 quadrat-1/IMG_20250614_1.jpg": {Plot: "101", Quadrat: 1},
	} {
		for _, list := range [][]trial.Plot{plots, turned} {
			got := Identify(&trial.Trial{Quadrat: trial.Quadrat{PerPlot: 3}}, list, []Seen{{Path: path}})[0].Spot
			if got != want {
				t.Errorf("%s: %+v, want %+v", path, got, want)
			}
		}
	}
}

// TestNoPhotos: companions of photos are left alone by their suffix, though
// they hold a picture, and counted by it.
func TestNoPhotos(t *testing.T) {
	dir := t.TempDir()
	want := map[string]int{}
	for _, ext := range strings.Fields(".txt .csv .xlsx .xls .ods .pdf .json .xml .xmp .aae .thm .ini .db .db-journal .mov .mp4 .m4v .avi .3gp .mkv .mp3 .m4a .html .md .zip .svg .part .crdownload .tmp") {
		put(t, dir, "a"+ext, jpegWith(1, nil, nil))
		want[ext] = 1
	}
	put(t, dir, ".hidden", jpegWith(2, nil, nil))
	put(t, dir, "._a.jpg", jpegWith(3, nil, nil))
	put(t, dir, "README", []byte("no suffix, and no photo"))
	want[".hidden"], want["._ companion"], want["README"] = 1, 1, 1
	s := walk(t, nil, dir)
	if len(s.Files) != 0 || len(s.Faults) != 0 || !maps.Equal(s.Ignored, want) {
		t.Errorf("%d photos, %v, %v\nwant %v", len(s.Files), s.Faults, s.Ignored, want)
	}
}

// TestParsePart: how a part is written, and that every file is in exactly one.
func TestParsePart(t *testing.T) {
	for text, want := range map[string]Part{"1/1": {1, 1}, "3/16": {3, 16}, "16/16": {16, 16}, "10000/10000": {10000, 10000}} {
		if got, err := ParsePart(text); err != nil || got != want || got.String() != text {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "3", "3/", "/16", "0/16", "17/16", "3/0", "0/0", "1/10001", "-1/3", "1/2/3", "a/b", " 1/2"} {
		if got, err := ParsePart(text); err == nil {
			t.Errorf("%q is read as %v", text, got)
		}
	}
	for _, rel := range []string{"a.jpg", "b/c.jpg", "june/IMG_0001.JPG"} {
		held := 0
		for k := 1; k <= 7; k++ {
			if (Part{k, 7}).Contains(rel) {
				held++
			}
		}
		if held != 1 || !(Part{}).Contains(rel) {
			t.Errorf("%s is in %d of 7 parts", rel, held)
		}
	}
}

// TestCameraName: letters stay, what a terminal or a page must not see goes.
func TestCameraName(t *testing.T) {
	for raw, want := range map[string]string{
		"Maker Öne 5": "Maker Öne 5", "  padded  ": "padded", "a\x00b\x1bc\x7fd\ufffde": "abcde", "~ \u00a0x": "~ \u00a0x", "": "",
	} {
		if got := printable(raw); got != want {
			t.Errorf("%q: %q, want %q", raw, got, want)
		}
	}
}

// TestHandBeforeAll: the photo a person placed is used, sharper ones beside it
// are spare; two placed by hand on one quadrat are a question.
func TestHandBeforeAll(t *testing.T) {
	hand := &Spot{Plot: "101", Quadrat: 1, Visit: 1}
	byHand := Seen{Path: "hand.jpg", Taken: at("10:00:00"), Hand: hand, Sharpness: 1}
	sharp := Seen{Path: "sharp.jpg", Taken: at("09:00:00"), Cards: card("101", 1), Sharpness: 9}
	vs := identify(sharp, byHand)
	if !strings.Contains(vs[0].Spare, "hand.jpg") || vs[1].Spare != "" || !vs[0].Known() || !vs[1].Known() || vs[1].Basis != ByHand {
		t.Errorf("%+v", vs)
	}
	again := byHand
	again.Path, again.Taken = "again.jpg", at("11:00:00")
	for _, v := range identify(byHand, again) {
		if v.Known() || !strings.Contains(v.Reason, "2 photos claim") {
			t.Errorf("%+v", v)
		}
	}
}

// TestSharpestOfABurst: of photos a second apart the sharpest is used, wherever
// it stands; with equal ones the first.
func TestSharpestOfABurst(t *testing.T) {
	for want, sharpness := range [][3]float64{{3, 1, 2}, {1, 3, 2}, {1, 2, 3}} {
		var list []Seen
		for i, s := range sharpness {
			list = append(list, Seen{Path: string(rune('a'+i)) + ".jpg", Taken: at("09:00:0" + string(rune('0'+i))), Cards: card("102", 1), Sharpness: s})
		}
		for i, v := range identify(list...) {
			if (v.Spare == "") != (i == want) || !v.Known() {
				t.Errorf("sharpness %v, photo %d: %+v", sharpness, i, v)
			}
		}
	}
	vs := identify(Seen{Path: "a.jpg", Taken: at("09:00:00"), Cards: card("102", 1), Sharpness: 2}, Seen{Path: "b.jpg", Taken: at("09:00:01"), Cards: card("102", 1), Sharpness: 2})
	if vs[0].Spare != "" || vs[1].Spare == "" {
		t.Errorf("%+v", vs)
	}
}

// TestMorePhotosThanQuadrats: photos of a plot are numbered by time, around
// numbers that are taken, and those beyond the plan's number are a question.
func TestMorePhotosThanQuadrats(t *testing.T) {
	vs := identify(
		Seen{Taken: at("09:00:00"), Cards: card("103", 0)}, Seen{Taken: at("09:10:00"), Cards: card("103", 0)},
		Seen{Taken: at("09:20:00"), Cards: card("103", 0)})
	if vs[0].Quadrat != 1 || vs[1].Quadrat != 2 || vs[2].Quadrat != 0 || !strings.Contains(vs[2].Reason, "more photos at visit 1 than its 2 quadrats") {
		t.Errorf("%+v", vs)
	}
	vs = identify(Seen{Taken: at("09:00:00"), Cards: card("103", 0)}, Seen{Taken: at("09:10:00"), Cards: card("103", 1)})
	if vs[0].Quadrat != 2 || vs[1].Quadrat != 1 || !vs[0].Known() {
		t.Errorf("%+v", vs)
	}
}

// TestGapOfTheWalk: photos without a card between two known ones are proposed in
// the order of the walk; after the last known one nothing is.
func TestGapOfTheWalk(t *testing.T) {
	vs := identify(
		Seen{Path: "a.jpg", Taken: at("09:00:00"), Cards: card("101", 1)},
		Seen{Path: "b.jpg", Taken: at("09:10:00")}, Seen{Path: "c.jpg", Taken: at("09:20:00")},
		Seen{Path: "d.jpg", Taken: at("09:30:00"), Cards: card("102", 2)}, Seen{Path: "e.jpg", Taken: at("09:40:00")})
	for i, want := range []Spot{{"101", 1, 1}, {"101", 2, 1}, {"102", 1, 1}, {"102", 2, 1}, {"", 0, 1}} {
		if vs[i].Spot != want || vs[i].Proposed != (i == 1 || i == 2) {
			t.Errorf("photo %d: %+v, want %+v", i, vs[i], want)
		}
	}
	if vs[4].Reason == "" {
		t.Errorf("the last is placed: %+v", vs[4])
	}
}

// TestCounterEnds: numbers go on after 9999 with low ones where a group holds both
// ends and nothing between; a time tells the order by itself.
func TestCounterEnds(t *testing.T) {
	for names, want := range map[string]map[int]int{
		"IMG_9999 IMG_0001":       {0: 9999, 1: 10001},
		"IMG_9000 IMG_0999":       {0: 9000, 1: 10999},
		"DSC9999 DSC0000 DSC0001": {0: 9999, 1: 10000, 2: 10001},
		"IMG_9000 IMG_1000":       nil, // between the ends
		"IMG_8999 IMG_0999":       nil,
		"IMG_9998 IMG_9999":       nil,
		"IMG_0001 IMG_0002":       nil,
		"IMG_0001 IMG_0999":       nil,
		"IMG_9999 IMG_9000":       nil,
		"IMG_9999 nothing":        nil,
	} {
		id := identifier{}
		var idx []int
		for i, name := range strings.Fields(names) {
			id.photos = append(id.photos, Seen{Path: "card/" + name + ".jpg"})
			idx = append(idx, i)
		}
		if got := id.counters(idx); !maps.Equal(got, want) {
			t.Errorf("%s: %v, want %v", names, got, want)
		}
	}
	id := identifier{photos: []Seen{{Path: "IMG_9999.jpg", Taken: at("09:00:00")}, {Path: "IMG_0001.jpg"}}}
	if got := id.counters([]int{0, 1}); got != nil {
		t.Errorf("with a time: %v", got)
	}
}

// TestSniffWholeSignature: a format is known by its whole signature and by no
// part of it.
func TestSniffWholeSignature(t *testing.T) {
	for _, c := range []struct {
		head string
		want Format
	}{
		{"\xff\xd8\xff", JPEG}, {"\x89PNG\r\n\x1a\n", PNG}, {"RIFF\x00\x00\x00\x00WEBP", WebP}, {"\x00\x00\x00\x18ftypheic", HEIC},
	} {
		for n := range len(c.head) {
			if got := Sniff([]byte(c.head[:n])); got != "" {
				t.Errorf("%q is taken for %s", c.head[:n], got)
			}
		}
		if got := Sniff([]byte(c.head)); got != c.want {
			t.Errorf("%q: %q, want %s", c.head, got, c.want)
		}
		for i := range c.head {
			other := []byte(c.head)
			other[i]++
			if got := Sniff(other); got == c.want && !(c.want == WebP && i >= 4 && i < 8) && !(c.want == HEIC && i < 4) && !(c.want == HEIC && i >= 8) {
				t.Errorf("%q is taken for %s", other, got)
			}
		}
	}
}

func TestSpotInWords(t *testing.T) {
	for want, s := range map[string]Spot{"plot 101": {Plot: "101"}, "plot 101 quadrat 1": {Plot: "101", Quadrat: 1}, "plot 7 quadrat 12": {Plot: "7", Quadrat: 12}} {
		if got := spotWords(s); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestWalkStops: a walk that is no longer wanted ends at once with that as its
// error, and one with nothing to find says where.
func TestWalkStops(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "a.jpg", jpegWith(1, nil, nil))
	put(t, dir, "b.jpg", jpegWith(2, nil, nil))
	for _, root := range []string{dir, dir + "/a.jpg"} {
		ended, stop := context.WithCancel(context.Background())
		stop()
		if _, err := WalkPart(ended, []string{root}, Part{}, nil, nil); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", root, err)
		}
	}
	// After the first file there is no second.
	ctx, stop := context.WithCancel(context.Background())
	var seen []int
	s, err := WalkPart(ctx, []string{dir}, Part{}, nil, func(n int) { seen = append(seen, n); stop() })
	if !errors.Is(err, context.Canceled) || len(s.Files) != 1 || fmt.Sprint(seen) != "[1]" {
		t.Errorf("%v, %d photos, %v", err, len(s.Files), seen)
	}
	if s, err := WalkPart(context.Background(), []string{dir + "/none"}, Part{}, nil, nil); err != nil || len(s.Faults) != 1 || !strings.Contains(s.Faults[0].Text, "there is no such file or folder") {
		t.Errorf("%v %+v", err, s.Faults)
	}
}
