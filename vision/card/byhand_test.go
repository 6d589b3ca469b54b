package card

import (
	"errors"
	"image"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/vision/frame"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// sheet is a photo of one grey, chroma at half the size.
func sheet(w, h int, v byte) *raster.Raster {
	r := &raster.Raster{Width: w, Height: h, ChromaWidth: w / 2, ChromaHeight: h / 2, FullWidth: 2 * w, FullHeight: 2 * h, Denom: 2, Orientation: 1,
		Y: slices.Repeat([]byte{v}, w*h), Cb: slices.Repeat([]byte{128}, w/2*(h/2)), Cr: slices.Repeat([]byte{128}, w/2*(h/2))}
	return r
}

func fillBox(r *raster.Raster, b image.Rectangle, v byte) {
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r.Y[y*r.Width+x] = v
		}
	}
}

// lay prints a code on white paper, its modules px pixels wide, the code's
// upper left corner at (x, y), turned by quarter turns.
func lay(r *raster.Raster, cells [][]bool, x, y, px, turns int) {
	n := len(cells)
	m := 3 * px
	fillBox(r, image.Rect(x-m, y-m, x+n*px+m, y+n*px+m), 220)
	for j := range n {
		for i := range n {
			u, v := i, j // of the cell shown at (i, j)
			for range turns {
				u, v = v, n-1-u
			}
			if !cells[v][u] {
				fillBox(r, image.Rect(x+i*px, y+j*px, x+(i+1)*px, y+(j+1)*px), 30)
			}
		}
	}
}

func textOf(t *testing.T, plot string) string {
	t.Helper()
	s, err := label.Encode(label.Label{Trial: "ALDR", Plot: plot, Quadrat: 2})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestCardByHand: where a card printed straight on the pixels lies, its scale
// and its paper, in each quarter turn.
func TestCardByHand(t *testing.T) {
	cells := codeCells(t, textOf(t, "101"))
	const px, x0, y0 = 5, 130, 90
	opt := DefaultOptions()
	opt.CodeMM = 42
	for turns := range 4 {
		r := sheet(400, 300, 100)
		for i := range r.Cb {
			r.Cb[i], r.Cr[i] = 120, 131
		}
		lay(r, cells, x0, y0, px, turns)
		got, err := Find(r, opt)
		if err != nil {
			t.Fatal(err)
		}
		c, err := got.One()
		if err != nil || c.Label != (label.Label{Trial: "ALDR", Plot: "101", Quadrat: 2}) {
			t.Fatalf("turn %d: %+v, %v", turns, c.Label, err)
		}
		corners := frame.Quad{{X: x0, Y: y0}, {X: x0 + 105, Y: y0}, {X: x0 + 105, Y: y0 + 105}, {X: x0, Y: y0 + 105}}
		for i := range 4 {
			want := corners[(i+turns)%4]
			if p := c.Code[i]; math.Hypot(p.X-want.X, p.Y-want.Y) > 1 {
				t.Errorf("turn %d: corner %d at %v, want %v", turns, i, p, want)
			}
		}
		if math.Abs(c.ModulePx-px) > .05 || math.Abs(c.MMPerPx-42./105) > .01 {
			t.Errorf("turn %d: modules of %g pixels, %g mm a pixel", turns, c.ModulePx, c.MMPerPx)
		}
		if c.White != [3]float64{220, 120, 131} {
			t.Errorf("turn %d: the paper is %v", turns, c.White)
		}
		for i, want := range [4]raster.Point{{X: 0, Y: 0}, {X: 42, Y: 0}, {X: 42, Y: 42}, {X: 0, Y: 42}} {
			if p := c.ToPixel.Apply(want); math.Hypot(p.X-c.Code[i].X, p.Y-c.Code[i].Y) > 1e-9 {
				t.Errorf("turn %d: the map takes %v to %v, the corner is at %v", turns, want, p, c.Code[i])
			}
		}
	}
}

// TestWhatIsSaid: one card is an answer, two of them, or one and another that
// cannot be read, are a question, and one card twice is one.
func TestWhatIsSaid(t *testing.T) {
	a, b := codeCells(t, textOf(t, "101")), codeCells(t, textOf(t, "102"))
	other := codeCells(t, "SEED LOT 2210")
	smudged := codeCells(t, textOf(t, "103"))
	for j := 8; j < 21; j++ {
		for i := 8; i < 13; i++ {
			smudged[j][i], smudged[i][j] = false, false
		}
	}
	type at struct {
		cells [][]bool
		x     int
	}
	for _, c := range []struct {
		name          string
		codes         []at
		cards         int
		others        bool
		unread        int
		err           error
		says          string
		alone, silent bool
	}{
		{name: "one", codes: []at{{a, 60}}, cards: 1},
		{name: "one twice", codes: []at{{a, 60}, {a, 360}}, cards: 1},
		{name: "two", codes: []at{{a, 60}, {b, 360}}, cards: 2, err: ErrAmbiguous, says: "101 quadrat 2 and ALDR plot 102"},
		{name: "one and one unread", codes: []at{{a, 60}, {smudged, 360}}, cards: 1, unread: 1, err: ErrAmbiguous, says: "another that cannot be read"},
		{name: "one unread", codes: []at{{smudged, 360}}, unread: 1, err: ErrNone, says: "unfolded and in focus"},
		{name: "another code", codes: []at{{other, 60}}, others: true, err: ErrNone, says: "another code"},
		{name: "none", err: ErrNone, says: "unfolded and in focus"},
	} {
		r := sheet(600, 300, 100)
		for _, k := range c.codes {
			lay(r, k.cells, k.x, 90, 5, 0)
		}
		got, err := Find(r, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Cards) != c.cards || got.Unread != c.unread || (got.Other > 0) != c.others {
			t.Errorf("%s: %d cards, %d unread, %d others", c.name, len(got.Cards), got.Unread, got.Other)
		}
		_, err = got.One()
		if c.err == nil && err != nil || !errors.Is(err, c.err) || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
		if got.Cards != nil && got.Cards[0].MMPerPx != 0 {
			t.Errorf("%s: a scale of %g without a size", c.name, got.Cards[0].MMPerPx)
		}
	}
	// A print that is known is not looked into, and what it hides is not counted.
	r := sheet(600, 300, 100)
	lay(r, smudged, 360, 90, 5, 0)
	opt := DefaultOptions()
	opt.Known = []frame.Quad{{{X: 360, Y: 90}, {X: 465, Y: 90}, {X: 465, Y: 195}, {X: 360, Y: 195}}}
	if got, err := Find(r, opt); err != nil || got.Unread != 0 {
		t.Errorf("a known print counts as unread: %+v, %v", got, err)
	}
	// Without paper the whole photo is looked at, unless that is not wanted.
	r = sheet(600, 300, 220)
	lay(r, a, 200, 90, 5, 0)
	if got, err := Find(r, DefaultOptions()); err != nil || len(got.Cards) != 1 {
		t.Errorf("a card on white ground: %d, %v", len(got.Cards), err)
	}
	opt = DefaultOptions()
	opt.Blobs = true
	if got, err := Find(r, opt); err != nil || len(got.Cards) != 0 {
		t.Errorf("patches alone: %d cards, %v", len(got.Cards), err)
	}
}

// TestTouchingCards: cards that touch are one patch of paper, of which one code
// may be read. None of them is picked, whether the other can be read or not.
func TestTouchingCards(t *testing.T) {
	a, b := codeCells(t, textOf(t, "101")), codeCells(t, textOf(t, "102"))
	smudged := codeCells(t, textOf(t, "103"))
	for j := 8; j < 21; j++ {
		for i := 8; i < 13; i++ {
			smudged[j][i], smudged[i][j] = false, false
		}
	}
	// On a small photo the two are more than a patch may take of it, and are
	// read in the whole.
	for _, turns := range []int{0, 1, 2, 3} {
		small := turns%2 == 0
		for _, down := range []int{0, 20, 60} {
			for name, second := range map[string][][]bool{"another": b, "a smudged one": smudged} {
				r := sheet(900, 600, 100)
				if small {
					r = sheet(600, 400, 100)
				}
				fillBox(r, image.Rect(40, 60, 290, 240), 220)
				fillBox(r, image.Rect(290, 60+down, 540, 240+down), 220)
				lay(r, a, 60, 90, 5, 0)
				lay(r, second, 340, 90+down, 5, turns)
				got, err := Find(r, DefaultOptions())
				if err != nil {
					t.Fatal(err)
				}
				if _, err = got.One(); !errors.Is(err, ErrAmbiguous) {
					t.Errorf("%s, turned %d, %d down: %d cards, %d unread, %v", name, turns, down, len(got.Cards), got.Unread, err)
				}
			}
		}
	}
}

// TestLargePatch: a large patch is read at half the scale, and where its place
// has to be exact at its own.
func TestLargePatch(t *testing.T) {
	cells := codeCells(t, textOf(t, "7"))
	r := sheet(900, 700, 100)
	lay(r, cells, 200, 110, 16, 0)
	for _, mm := range []float64{0, 100} {
		opt := DefaultOptions()
		opt.CodeMM = mm
		got, err := Find(r, opt)
		if err != nil || len(got.Cards) != 1 {
			t.Fatalf("%d cards, %v", len(got.Cards), err)
		}
		tol := 3.
		if mm > 0 {
			tol = 1.5
		}
		if p := got.Cards[0].Code[0]; math.Hypot(p.X-200, p.Y-110) > tol || math.Abs(got.Cards[0].ModulePx-16) > .1 {
			t.Errorf("size of %g mm: corner at %v, modules of %g", mm, p, got.Cards[0].ModulePx)
		}
	}
	// One too small to be read as it is is read enlarged.
	r = sheet(120, 100, 100)
	lay(r, cells, 40, 30, 2, 0)
	got, err := Find(r, DefaultOptions())
	if err != nil || len(got.Cards) != 1 {
		t.Fatalf("small: %d cards, %v", len(got.Cards), err)
	}
	if p := got.Cards[0].Code[0]; math.Hypot(p.X-40, p.Y-30) > 1 {
		t.Errorf("small: corner at %v, want (40, 30)", p)
	}
}

func TestOptionsRefused(t *testing.T) {
	for _, c := range []struct {
		mm    float64
		blobs int
		good  bool
	}{{0, 8, true}, {1000, 1, true}, {60, 100, true}, {-.1, 8, false}, {1000.1, 8, false}, {math.NaN(), 8, false}, {60, 0, false}, {60, 101, false}} {
		o := Options{CodeMM: c.mm, MaxBlobs: c.blobs}
		if err := o.Validate(); (err == nil) != c.good {
			t.Errorf("%g mm, %d patches: %v", c.mm, c.blobs, err)
		}
		if _, err := Find(sheet(60, 60, 90), o); (err == nil) != c.good {
			t.Errorf("%g mm, %d patches are searched: %v", c.mm, c.blobs, err)
		}
	}
	for name, spoil := range map[string]func(*raster.Raster){
		"20 wide": func(r *raster.Raster) { r.Width = 20 }, "20 high": func(r *raster.Raster) { r.Height = 20 },
		"short luma": func(r *raster.Raster) { r.Y = r.Y[1:] }, "short blue": func(r *raster.Raster) { r.Cb = r.Cb[1:] }, "short red": func(r *raster.Raster) { r.Cr = r.Cr[1:] },
		"no chroma across": func(r *raster.Raster) { r.ChromaWidth = 0 }, "no chroma down": func(r *raster.Raster) { r.ChromaHeight = 0 },
	} {
		r := sheet(60, 60, 90)
		spoil(r)
		if _, err := Find(r, DefaultOptions()); err == nil {
			t.Errorf("%s was searched", name)
		}
	}
	for _, r := range []*raster.Raster{sheet(21, 60, 90), sheet(60, 21, 90)} {
		if _, err := Find(r, DefaultOptions()); err != nil {
			t.Errorf("%d x %d: %v", r.Width, r.Height, err)
		}
	}
}

// TestPlaceByHand: the outline goes on 3.5 modules beyond the finder patterns'
// middles, 14 apart, as a parallelogram; too small a code has no place.
func TestPlaceByHand(t *testing.T) {
	r := sheet(300, 300, 77)
	l := label.Label{Trial: "ALDR", Plot: "1"}
	c, ok := place(r, Options{CodeMM: 21}, l, [3]raster.Point{{X: 50, Y: 60}, {X: 78, Y: 67}, {X: 36, Y: 102}})
	if !ok { // along the code (2, .5) and down it (-1, 3) pixels a module
		t.Fatal("no place")
	}
	for i, want := range (frame.Quad{{X: 46.5, Y: 47.75}, {X: 88.5, Y: 58.25}, {X: 67.5, Y: 121.25}, {X: 25.5, Y: 110.75}}) {
		if p := c.Code[i]; math.Hypot(p.X-want.X, p.Y-want.Y) > 1e-9 {
			t.Errorf("corner %d at %v, want %v", i, p, want)
		}
	}
	side := math.Sqrt(2*3 + .5*1)
	if math.Abs(c.ModulePx-side) > 1e-9 || math.Abs(c.MMPerPx-1/side) > 1e-9 {
		t.Errorf("module %g pixels, %g mm a pixel; want %g and %g", c.ModulePx, c.MMPerPx, side, 1/side)
	}
	if p := c.ToPixel.Apply(raster.Point{X: 2, Y: 1}); math.Hypot(p.X-(46.5+4-1), p.Y-(47.75+1+3)) > 1e-9 {
		t.Errorf("2 mm along and 1 mm down lies at %v", p)
	}
	for _, m := range []float64{.49, .5, .51, -2} {
		_, ok := place(r, Options{}, l, [3]raster.Point{{X: 50, Y: 50}, {X: 50 + 14*m, Y: 50}, {X: 50, Y: 50 + 14*m}})
		if ok != (math.Abs(m) > .5) {
			t.Errorf("modules of %g pixels: %v", m, ok)
		}
	}
	if _, ok := place(r, Options{}, l, [3]raster.Point{{X: 50, Y: 50}, {X: 50, Y: 50}, {X: math.NaN(), Y: 50}}); ok {
		t.Error("a place that is no number was taken")
	}
	// Paper outside the photo tells nothing.
	if c, _ := place(r, Options{}, l, [3]raster.Point{{X: -500, Y: 50}, {X: -472, Y: 50}, {X: -500, Y: 78}}); c.White != [3]float64{} {
		t.Errorf("paper outside the photo is %v", c.White)
	}
	if c.White != [3]float64{77, 128, 128} {
		t.Errorf("paper is %v", c.White)
	}
}

func TestOfPrint(t *testing.T) {
	q := frame.Quad{{X: 100, Y: 200}, {X: 160, Y: 200}, {X: 160, Y: 230}, {X: 100, Y: 230}} // margins of 20 and 10
	for _, c := range []struct {
		b    image.Rectangle
		want bool
	}{
		{image.Rect(80, 190, 180, 240), true}, {image.Rect(79, 190, 180, 240), false}, {image.Rect(80, 189, 180, 240), false},
		{image.Rect(80, 190, 181, 240), false}, {image.Rect(80, 190, 180, 241), false}, {image.Rect(120, 210, 130, 220), true},
	} {
		if got := ofPrint(c.b, q); got != c.want {
			t.Errorf("%v: %v", c.b, got)
		}
	}
}

func TestPairOf(t *testing.T) {
	at := func(x, y, m float64) finder { return finder{raster.Point{X: x, Y: y}, m, true} }
	for _, c := range []struct {
		name string
		all  []finder
		want bool
	}{
		{"none", nil, false}, {"one", []finder{at(0, 0, 4)}, false},
		{"a side apart", []finder{at(0, 0, 4), at(56, 0, 4)}, true}, {"a diagonal apart", []finder{at(0, 0, 4), at(56, 56, 4)}, true},
		{"near", []finder{at(0, 0, 4), at(42, 0, 4)}, false}, {"hardly far enough", []finder{at(0, 0, 4), at(0, 42.1, 4)}, true},
		{"hardly near enough", []finder{at(0, 0, 4), at(98.9, 0, 4)}, true}, {"too far", []finder{at(0, 0, 4), at(99, 0, 4)}, false},
		{"of two sizes", []finder{at(0, 0, 4), at(63, 0, 5.2)}, false}, {"of nearly one size", []finder{at(0, 0, 4), at(63, 0, 5.1)}, true},
		{"the third", []finder{at(0, 0, 4), at(500, 0, 4), at(500, 56, 4)}, true}, {"first and last", []finder{at(0, 0, 4), at(500, 0, 9), at(0, 56, 4)}, true},
	} {
		if got := pairOf(c.all); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	got := codesOf([]finder{at(100, 50, 4), at(700, 0, 4), at(160, 70, 4)})
	if len(got) != 1 || got[0] != image.Rect(130-159, 60-159, 130+159, 60+159) { // 1.9 x 21 x 4
		t.Errorf("around two squares: %v", got)
	}
}

func TestIsFinder(t *testing.T) {
	for _, c := range []struct {
		runs [5]int
		want bool
	}{
		{[5]int{4, 4, 12, 4, 4}, true}, {[5]int{2, 2, 6, 2, 2}, true}, {[5]int{1, 1, 3, 1, 1}, false}, // too small to tell
		{[5]int{2, 2, 5, 2, 1}, true}, {[5]int{1, 2, 5, 2, 1}, false}, // 12 and 11 in all
		{[5]int{10, 10, 30, 10, 10}, true}, {[5]int{4, 10, 30, 10, 16}, true}, {[5]int{3, 10, 30, 10, 17}, false},
		{[5]int{10, 10, 24, 13, 13}, true}, {[5]int{12, 11, 23, 12, 12}, false}, {[5]int{10, 10, 37, 6, 7}, false}, {[5]int{20, 10, 30, 5, 5}, false},
		{[5]int{5, 5, 15, 5, 15}, false}, {[5]int{10, 20, 10, 10, 20}, false},
	} {
		if got := isFinder(c.runs); got != c.want {
			t.Errorf("%v: %v", c.runs, got)
		}
	}
}

// square draws a finder square with its upper left corner at (x, y).
func square(r *raster.Raster, x, y, px int) {
	fillBox(r, image.Rect(x, y, x+7*px, y+7*px), 30)
	fillBox(r, image.Rect(x+px, y+px, x+6*px, y+6*px), 220)
	fillBox(r, image.Rect(x+2*px, y+2*px, x+5*px, y+5*px), 30)
}

func TestFindersByHand(t *testing.T) {
	r := sheet(300, 200, 220)
	square(r, 40, 50, 4)
	square(r, 150, 110, 5)
	fillBox(r, image.Rect(230, 20, 250, 40), 30)   // a square alone
	fillBox(r, image.Rect(40, 110, 44, 150), 30)   // stripes, in the ratio of a finder across
	fillBox(r, image.Rect(48, 110, 60, 150), 30)   //
	fillBox(r, image.Rect(64, 110, 68, 150), 30)   //
	fillBox(r, image.Rect(100, 10, 128, 14), 30)   // and down
	fillBox(r, image.Rect(100, 18, 128, 30), 30)   //
	fillBox(r, image.Rect(100, 34, 128, 38), 30)   //
	fillBox(r, image.Rect(200, 150, 300, 200), 30) // a corner in the dark
	square(r, 250, 80, 4)                          // one whose outer corners are cut off, so that it is not whole along its diagonals
	for _, c := range [][2]int{{250, 80}, {274, 80}, {250, 104}, {274, 104}} {
		fillBox(r, image.Rect(c[0], c[1], c[0]+4, c[1]+4), 220)
	}
	whole := grey{w: r.Width, h: r.Height, pix: r.Y}
	all := image.Rect(0, 0, 300, 200)
	got := finders(whole, all)
	if len(got) != 3 {
		t.Fatalf("%d finder squares: %+v", len(got), got)
	}
	for i, want := range []struct {
		x, y, m float64
		whole   bool
	}{{54, 64, 4, true}, {264, 94, 4, false}, {167.5, 127.5, 5, true}} {
		if f := got[i]; math.Abs(f.at.X-want.x) > 1 || math.Abs(f.at.Y-want.y) > 1 || math.Abs(f.module-want.m) > .01 || f.whole != want.whole {
			t.Errorf("square %d: %+v, want %+v", i, f, want)
		}
	}
	part := image.Rect(30, 40, 80, 90)
	if got := finders(whole, part); len(got) != 1 || math.Abs(got[0].at.X-54) > 1 || math.Abs(got[0].at.Y-64) > 1 {
		t.Errorf("in a part of it: %+v", got)
	}
	for _, b := range []image.Rectangle{image.Rect(44, 50, 64, 78), image.Rect(40, 54, 68, 74), image.Rect(400, 0, 500, 100), {}} {
		if got := finders(whole, b); len(got) > 0 {
			t.Errorf("in %v: %+v", b, got)
		}
	}
	if got := finders(whole, image.Rect(36, 46, 500, 82)); len(got) != 1 {
		t.Errorf("in a patch that goes on outside the photo: %+v", got)
	}
	// Turned by a quarter and mirrored they are the same.
	back := sheet(200, 300, 0)
	for y := range 300 {
		for x := range 200 {
			back.Y[y*200+x] = r.Y[x*300+y]
		}
	}
	if got := finders(grey{w: 200, h: 300, pix: back.Y}, image.Rect(0, 0, 200, 300)); len(got) != 3 {
		t.Errorf("mirrored on the diagonal: %+v", got)
	}
}

// TestUnreadCodes: patches with two squares count unless they are a card's that
// was read; patches that overlap count once.
func TestUnreadCodes(t *testing.T) {
	r := sheet(400, 200, 220)
	square(r, 20, 20, 4)
	square(r, 76, 20, 4)
	square(r, 220, 60, 4)
	square(r, 220, 116, 4)
	whole := grey{w: r.Width, h: r.Height, pix: r.Y}
	a, b, one := image.Rect(10, 10, 120, 100), image.Rect(200, 40, 300, 160), image.Rect(10, 10, 60, 60)
	mine := code{centres: [3]raster.Point{{X: 34, Y: 34}, {X: 90, Y: 34}, {X: 34, Y: 90}}}
	for _, c := range []struct {
		name    string
		patches []image.Rectangle
		read    []code
		want    int
	}{
		{"none", nil, nil, 0}, {"one", []image.Rectangle{a}, nil, 1}, {"two", []image.Rectangle{a, b}, nil, 2},
		{"twice", []image.Rectangle{a, a.Inset(-2)}, nil, 1}, {"a single square", []image.Rectangle{one}, nil, 0},
		{"read", []image.Rectangle{a}, []code{mine}, 0}, {"one read", []image.Rectangle{a, b}, []code{mine}, 1}, {"single, then both", []image.Rectangle{one, a}, nil, 1},
	} {
		if got := unreadCodes(whole, c.patches, c.read); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// TestPatchesOfPaper: bright, colourless, no longer than four times their width,
// not a third of the photo, in the sun and in shade, the largest first.
func TestPatchesOfPaper(t *testing.T) {
	r := sheet(400, 300, 60) // one sample a chroma pixel
	paint := func(b image.Rectangle, cb, cr byte) {
		for y := b.Min.Y / 2; y < b.Max.Y/2; y++ {
			for x := b.Min.X / 2; x < b.Max.X/2; x++ {
				r.Cb[y*r.ChromaWidth+x], r.Cr[y*r.ChromaWidth+x] = cb, cr
			}
		}
	}
	sunny, shaded, coloured, long, thin := image.Rect(20, 20, 80, 60), image.Rect(120, 20, 160, 60), image.Rect(200, 20, 260, 60), image.Rect(20, 100, 184, 140), image.Rect(300, 20, 308, 40)
	faint := image.Rect(280, 100, 320, 140)
	fillBox(r, sunny, 200)
	fillBox(r, shaded, 120)
	fillBox(r, coloured, 200)
	paint(coloured, 128+12, 128-17) // 20.8 from grey
	fillBox(r, long, 200)
	fillBox(r, thin, 200)
	fillBox(r, faint, 100) // under .55 of the brightest
	got := whitePatches(r, 8)
	want := []image.Rectangle{sunny, shaded}
	if len(got) != len(want) {
		t.Fatalf("patches %v, want %v", got, want)
	}
	for i, w := range want {
		if b := got[i]; abs(b.Min.X-w.Min.X) > 1 || abs(b.Min.Y-w.Min.Y) > 1 || abs(b.Max.X-w.Max.X) > 1 || abs(b.Max.Y-w.Max.Y) > 1 {
			t.Errorf("patch %d is %v, want %v", i, b, w)
		}
	}
	if got := whitePatches(r, 1); len(got) != 1 || abs(got[0].Min.X-20) > 1 {
		t.Errorf("the largest is %v", got)
	}
	paint(coloured, 128+12, 128-15) // 19.2 from grey
	if got := whitePatches(r, 8); len(got) != 3 {
		t.Errorf("hardly coloured: %v", got)
	}
	paint(coloured, 128+16, 128-12) // 20 from grey
	if got := whitePatches(r, 8); len(got) != 2 {
		t.Errorf("coloured: %v", got)
	}
	fillBox(r, image.Rect(0, 180, 400, 300), 200) // two fifths of the photo
	if got := whitePatches(r, 8); len(got) != 2 {
		t.Errorf("with a large sheet: %v", got)
	}
	if got := whitePatches(sheet(6, 100, 200), 8); len(got) != 0 {
		t.Errorf("a strip has patches %v", got)
	}
	if got := whitePatches(sheet(400, 300, 0), 8); len(got) != 0 {
		t.Errorf("the dark has patches %v", got)
	}
	for _, c := range []struct {
		b    image.Rectangle
		want bool
	}{{image.Rect(0, 0, 10, 10), true}, {image.Rect(0, 0, 10, 9), true}, {image.Rect(0, 0, 10, 8), false}, {image.Rect(2, 0, 12, 10), false}, {image.Rect(1, 0, 11, 10), true}} {
		if got := similar(image.Rect(0, 0, 10, 10), c.b); got != c.want {
			t.Errorf("%v is like a square of 10: %v", c.b, got)
		}
	}
}

func abs(a int) int { return max(a, -a) }

func TestBoxes(t *testing.T) {
	draw := func(rows ...string) (int, int, []bool) {
		var out []bool
		for _, r := range rows {
			for _, c := range r {
				out = append(out, c == '#')
			}
		}
		return len(rows[0]), len(rows), out
	}
	ring := []string{"#####...", "#...#...", "#...#...", "#...#...", "#####..."}
	for _, c := range []struct {
		name string
		rows []string
		want []image.Rectangle
	}{
		{"a ring", ring, []image.Rectangle{image.Rect(0, 0, 5, 5)}},
		{"four high", ring[1:], nil},
		{"a diagonal", []string{"#.....", ".#....", "..#...", "...#..", "....#.", ".....#"}, nil}, // 6 of 36 is less than a fifth
		{"a full diagonal", []string{"#....", ".#...", "..#..", "...#.", "....#"}, []image.Rectangle{image.Rect(0, 0, 5, 5)}},
		{"two", []string{"#####.#####", "#####.#####", "#####.#####", "#####.#####", "#####.#####"}, []image.Rectangle{image.Rect(0, 0, 5, 5), image.Rect(6, 0, 11, 5)}},
		{"four times as long", slices.Repeat([]string{strings.Repeat("#", 20)}, 5), []image.Rectangle{image.Rect(0, 0, 20, 5)}},
		{"longer", slices.Repeat([]string{strings.Repeat("#", 21)}, 5), nil},
		{"four times as high", slices.Repeat([]string{"#####"}, 20), []image.Rectangle{image.Rect(0, 0, 5, 20)}},
		{"higher", slices.Repeat([]string{"#####"}, 21), nil},
	} {
		w, h, left := draw(c.rows...)
		if got := boxes(w, h, left, &coarse{w: w, h: h, in: make([]bool, w*h)}); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		if slices.Contains(left, true) {
			t.Errorf("%s: some are left", c.name)
		}
	}
}

func TestGreyParts(t *testing.T) {
	g := grey{w: 4, h: 3, pix: []byte{0, 1, 2, 3, 10, 11, 12, 13, 20, 21, 22, 23}}
	if c := g.crop(image.Rect(1, 1, 3, 3)); c.w != 2 || c.h != 2 || !slices.Equal(c.pix, []byte{11, 12, 21, 22}) {
		t.Errorf("cropped to %+v", c)
	}
	half, err := grey{w: 4, h: 2, pix: []byte{0, 4, 40, 40, 8, 12, 80, 80}}.halved()
	if err != nil || half.w != 2 || half.h != 1 || !slices.Equal(half.pix, []byte{6, 60}) {
		t.Errorf("halved to %+v, %v", half, err)
	}
	big, err := grey{w: 6, h: 4, pix: slices.Repeat([]byte{90}, 24)}.doubled()
	if err != nil || big.w != 12 || big.h != 8 || slices.Max(big.pix) != 90 || slices.Min(big.pix) != 90 {
		t.Errorf("doubled to %+v, %v", big, err)
	}
	if _, err := (grey{}).doubled(); err == nil {
		t.Error("nothing was doubled")
	}
	if codes := scan((grey{w: 20, h: 30, pix: make([]byte, 600)}), 0, 0, 1); codes != nil {
		t.Errorf("20 pixels hold %v", codes)
	}
	if codes := scan(grey{w: 30, h: 30}, 0, 0, 1); codes != nil { // the reader gives way, not the program
		t.Errorf("a plane without pixels holds %v", codes)
	}
}

// TestWhereByHand: a card that was read alone, then a code that was not, then
// paper, no more than wanted, none that is skipped.
func TestWhereByHand(t *testing.T) {
	read := codeCells(t, textOf(t, "101"))
	smudged := codeCells(t, textOf(t, "103"))
	for j := 8; j < 21; j++ {
		for i := 8; i < 13; i++ {
			smudged[j][i], smudged[i][j] = false, false
		}
	}
	photo := func(codes ...[][]bool) *raster.Raster {
		r := sheet(600, 400, 100)
		for i, c := range codes {
			if c != nil {
				lay(r, c, 60+300*i, 60, 5, 0)
			}
		}
		fillBox(r, image.Rect(60, 260, 180, 360), 220)
		fillBox(r, image.Rect(300, 260, 360, 320), 220)
		return r
	}
	holds := func(b image.Rectangle, x, y int) bool { return image.Pt(x, y).In(b) }
	got, err := Where(photo(read, smudged), DefaultOptions(), 5, nil)
	if err != nil || len(got) != 2 || !got[0].Read || got[1].Read || !holds(got[0].Box, 112, 112) || !holds(got[1].Box, 412, 112) {
		t.Errorf("one read and one not: %+v, %v", got, err)
	}
	// The paper around the code, half its side: 52 pixels.
	if b, want := got[0].Box, image.Rect(60-53, 60-53, 165+54, 165+54); abs(b.Min.X-want.Min.X) > 2 || abs(b.Min.Y-want.Min.Y) > 2 || abs(b.Max.X-want.Max.X) > 2 || abs(b.Max.Y-want.Max.Y) > 2 {
		t.Errorf("around the code: %v, want %v", b, want)
	}
	if got, _ := Where(photo(read, smudged), DefaultOptions(), 1, nil); len(got) != 1 || !got[0].Read {
		t.Errorf("one region: %+v", got)
	}
	if got, _ := Where(photo(nil, smudged), DefaultOptions(), 5, nil); len(got) != 1 || got[0].Read || !holds(got[0].Box, 412, 112) {
		t.Errorf("a code that was not read: %+v", got)
	}
	got, _ = Where(photo(), DefaultOptions(), 5, nil)
	if len(got) != 2 || !holds(got[0].Box, 120, 310) || !holds(got[1].Box, 330, 290) {
		t.Errorf("paper: %+v", got)
	}
	if got, _ := Where(photo(), DefaultOptions(), 1, nil); len(got) != 1 || !holds(got[0].Box, 120, 310) {
		t.Errorf("the largest paper: %+v", got)
	}
	got, _ = Where(photo(nil, smudged), DefaultOptions(), 5, func(b image.Rectangle) bool { return holds(b, 412, 112) })
	if len(got) < 2 || !holds(got[0].Box, 120, 310) {
		t.Errorf("the code skipped: %+v", got)
	}
	// On white ground there are no patches, and the code is looked for all over.
	r := sheet(600, 400, 220)
	lay(r, smudged, 240, 140, 5, 0)
	got, _ = Where(r, DefaultOptions(), 5, nil)
	if len(got) != 1 || got[0].Read || !holds(got[0].Box, 292, 192) || got[0].Box.Dx() != 2*199 {
		t.Errorf("a code on white ground: %+v", got)
	}
}
