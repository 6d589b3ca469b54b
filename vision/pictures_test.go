package vision

import (
	"errors"
	"image"
	"image/color"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/boombuler/barcode/qr"

	"quadtally/vision/frame"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

func TestBilinear(t *testing.T) {
	pix := []byte{0, 100, 200, 40, 140, 240} // 3 x 2
	for _, c := range []struct {
		x, y float64
		want uint8
	}{
		{.5, .5, 0}, {1.5, .5, 100}, {2.5, 1.5, 240}, {1, .5, 50}, {.5, 1, 20}, {1, 1, 70}, {1.75, .5, 125}, {1.5, 1.25, 130},
		{0, 0, 0}, {-9, 9, 40}, {9, -9, 200}, {3, 2, 240}, {2.5, 1, 220}, {1.003, .5, 50}, {1.006, .5, 50}, {1.01, .5, 51},
	} {
		if got := bilinear(pix, 3, 2, int(c.x*65536), int(c.y*65536)); got != c.want {
			t.Errorf("(%g, %g): %d, want %d", c.x, c.y, got, c.want)
		}
	}
}

// TestStraightPicture: a slanted ground is drawn from straight above, each
// quarter of it in its colour, what lies outside the photo left clear.
func TestStraightPicture(t *testing.T) {
	s := newScene(400, 300, [3]int{90, 90, 90})
	quarters := [4][3]int{{200, 40, 40}, {40, 180, 60}, {60, 60, 200}, {210, 200, 60}}
	for i, c := range quarters {
		s.fill(100+100*(i%2), 60+90*(i/2), 100, 90, c)
	}
	photo := s.png(t)
	o := plain()
	o.FrameMM, o.Corners = [2]float64{200, 180}, &[4]raster.Point{{X: 100, Y: 60}, {X: 300, Y: 60}, {X: 300, Y: 240}, {X: 100, Y: 240}}
	m, err := Measure(photo, o)
	if err != nil {
		t.Fatal(err)
	}
	img, err := Straighten(photo, m, 100)
	if err != nil {
		t.Fatal(err)
	}
	if b := img.Bounds(); b.Dx() != 100 || b.Dy() != 90 {
		t.Fatalf("picture of %v, want 100 x 90", b)
	}
	isNear := func(img *image.RGBA, x, y int, c [3]int, a uint8) {
		t.Helper()
		got := img.RGBAAt(x, y)
		for k, v := range [3]uint8{got.R, got.G, got.B} {
			if math.Abs(float64(v)-float64(c[k])) > 4 {
				t.Errorf("(%d, %d) is %v, want %v", x, y, got, c)
				return
			}
		}
		if got.A != a {
			t.Errorf("(%d, %d) is %v, want alpha %d", x, y, got, a)
		}
	}
	for i, c := range quarters {
		for _, d := range [][2]int{{2, 2}, {47, 2}, {2, 42}, {47, 42}} {
			isNear(img, 50*(i%2)+d[0], 45*(i/2)+d[1], c, 255)
		}
	}
	for _, c := range []struct {
		m    Measurement
		side int
		says string
	}{{Measurement{}, 100, "measure it again"}, {Measurement{Plane: &Plane{Height: 1}}, 100, "measure it again"}, {Measurement{Plane: &Plane{Width: 1}}, 100, "measure it again"}, {m, 0, "1 to 4096"}, {m, 4097, "1 to 4096"}} {
		if _, err := Straighten(photo, c.m, c.side); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%d pixels: %v", c.side, err)
		}
	}
	if _, err := Straighten(photo[:50], m, 10); err == nil {
		t.Error("half a photo was drawn")
	}

	img, w, h, err := Upright(photo, 200)
	if err != nil || w != 400 || h != 300 || img.Bounds().Dx() != 200 || img.Bounds().Dy() != 150 {
		t.Fatalf("upright %d x %d, drawn %v, %v", w, h, img.Bounds(), err)
	}
	isNear(img, 10, 10, [3]int{90, 90, 90}, 255)
	isNear(img, 52, 32, quarters[0], 255)
	isNear(img, 148, 118, quarters[3], 255)
	turned := oriented(s.jpeg(t, 95), 6)
	img, w, h, err = Upright(turned, 400)
	if err != nil || w != 300 || h != 400 || img.Bounds().Dx() != 300 {
		t.Fatalf("turned: %d x %d, %v", w, h, err)
	}
	isNear(img, 180, 160, quarters[0], 255) // the upper left goes to the upper right
	isNear(img, 120, 240, quarters[3], 255)
	for _, side := range []int{0, 4097} {
		if _, _, _, err := Upright(photo, side); err == nil || !strings.Contains(err.Error(), "1 to 4096") {
			t.Errorf("%d pixels: %v", side, err)
		}
	}
	if img, _, _, err := Upright(photo, 1); err != nil || img.Bounds().Dy() != 1 {
		t.Errorf("one pixel: %v, %v", img.Bounds(), err)
	}
	// Ground that reaches beyond the photo stays clear there.
	o.Corners = &[4]raster.Point{{X: -100, Y: 60}, {X: 100, Y: 60}, {X: 100, Y: 240}, {X: -100, Y: 240}}
	if m, err = Measure(photo, o); err != nil {
		t.Fatal(err)
	}
	if img, err = Straighten(photo, m, 100); err != nil {
		t.Fatal(err)
	}
	isNear(img, 20, 50, [3]int{}, 0)
	isNear(img, 80, 50, [3]int{90, 90, 90}, 255)
	// And a place of the photo is a cell of the plane.
	x, y, err := m.Plane.Cell(raster.Point{X: -100, Y: 150})
	if err != nil || math.Abs(x) > 1e-9 || math.Abs(y-float64(m.Plane.Height)/2) > 1e-9 {
		t.Errorf("the middle of the left side is cell (%g, %g), %v", x, y, err)
	}
}

// TestOutline: of green cells those pixels are marked that lie at the rim of the
// picture or beside one that is not green.
func TestOutline(t *testing.T) {
	p := drawnPlane(
		"....",
		".###",
		".###",
		".###",
	)
	img := image.NewRGBA(image.Rect(0, 0, 12, 12)) // three pixels a cell
	if err := Outline(img, Measurement{Plane: p}, .12); err != nil {
		t.Fatal(err)
	}
	for y := range 12 {
		for x := range 12 {
			green := x >= 3 && y >= 3
			want := color.RGBA{}
			if green && (x == 3 || y == 3 || x == 11 || y == 11) {
				want = color.RGBA{255, 0, 220, 255}
			}
			if got := img.RGBAAt(x, y); got != want {
				t.Errorf("(%d, %d) is %v, want %v", x, y, got, want)
			}
		}
	}
	if err := Outline(img, Measurement{Plane: p}, .5); err == nil {
		t.Error("an outline at a threshold outside the guards")
	}
}

func TestToSegment(t *testing.T) {
	a, b := raster.Point{X: 10, Y: 10}, raster.Point{X: 40, Y: 50}
	for _, c := range []struct{ x, y, want float64 }{
		{10, 10, 0}, {25, 30, 0}, {40, 50, 0}, {7, 6, 5}, {46, 58, 10}, {25 + 4, 30 - 3, 5}, {25 - 8, 30 + 6, 10},
	} {
		if got := toSegment(c.x, c.y, a, b); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("(%g, %g) is %g away, want %g", c.x, c.y, got, c.want)
		}
	}
	if got := toSegment(13, 14, a, a); math.Abs(got-5) > 1e-9 {
		t.Errorf("from a line without length %g, want 5", got)
	}
}

// TestHideFrame: all chroma within .07 of the frame's side from its sides gets a
// colour that paper never has, in copies.
func TestHideFrame(t *testing.T) {
	r := &raster.Raster{Width: 200, Height: 200, ChromaWidth: 100, ChromaHeight: 100, FullWidth: 200, FullHeight: 200, Orientation: 1,
		Cb: slices.Repeat([]byte{128}, 10000), Cr: slices.Repeat([]byte{128}, 10000)}
	cb := r.Cb
	hideFrame(r, &FrameFix{Corners: [4]raster.Point{{X: 50, Y: 40}, {X: 150, Y: 40}, {X: 150, Y: 170}, {X: 50, Y: 170}}})
	if slices.Max(cb) != 128 {
		t.Error("the photo's own planes were changed")
	}
	for y := range 100 {
		for x := range 100 {
			lx, ly := 2*float64(x)+1, 2*float64(y)+1
			dx, dy := max(50-lx, lx-150, 0), max(40-ly, ly-170, 0)
			d := math.Hypot(dx, dy)
			if dx == 0 && dy == 0 {
				d = min(lx-50, 150-lx, ly-40, 170-ly)
			}
			if math.Abs(d-7) < 1e-6 {
				continue
			}
			want := byte(128)
			if d < 7 {
				want = 255
			}
			if r.Cb[y*100+x] != want || r.Cr[y*100+x] != want {
				t.Fatalf("%g from a side the colour is %d, %d, want %d", d, r.Cb[y*100+x], r.Cr[y*100+x], want)
			}
		}
	}
}

// printCard prints a plot card, modules px pixels wide, with its margin.
func (s *scene) printCard(t testing.TB, l label.Label, x, y, px int, white [3]int) *scene {
	t.Helper()
	text, err := label.Encode(l)
	if err != nil {
		t.Fatal(err)
	}
	c, err := qr.Encode(text, qr.M, qr.AlphaNumeric)
	if err != nil {
		t.Fatal(err)
	}
	n := c.Bounds().Dx()
	s.fill(x-4*px, y-4*px, (n+8)*px, (n+8)*px, white)
	for j := range n {
		for i := range n {
			if r, _, _, _ := c.At(i, j).RGBA(); r < 0x8000 {
				s.fill(x+i*px, y+j*px, px, px, [3]int{25, 25, 25})
			}
		}
	}
	return s
}

// smudge hides the middle of a code but not its finder squares.
func (s *scene) smudge(x, y, px int) *scene {
	return s.fill(x+8*px, y+8*px, 13*px, 13*px, [3]int{90, 90, 90})
}

// TestCardPicture: the card that was read, or what may be one, as high as asked,
// beside each other, and nothing of the frame.
func TestCardPicture(t *testing.T) {
	white := [3]int{225, 225, 225}
	l := label.Label{Trial: "ALDR", Plot: "7", Quadrat: 1}
	soil := func() *scene { return newScene(640, 480, [3]int{110, 85, 65}) }
	// The code is 84 pixels wide, the region twice and with a fifth around it 2.8 times.
	img, err := CardPicture(soil().printCard(t, l, 300, 200, 4, white).png(t), nil, 140)
	if err != nil {
		t.Fatal(err)
	}
	if b := img.Bounds(); b.Dy() != 140 || b.Dx() < 138 || b.Dx() > 142 {
		t.Errorf("picture of %v, want 140 x 140", b)
	}
	if c := img.RGBAAt(2, 2); c.R < 100 || c.R > 120 {
		t.Errorf("its corner is %v, not soil", c)
	}
	if c := img.RGBAAt(70, 40); c.R < 200 { // 84 pixels are 50 of 140: the paper begins 36 from the edge, the code 45
		t.Errorf("above the code is %v, not paper", c)
	}
	// A card and another paper: the paper tells nothing. Two papers are both shown.
	if img, err = CardPicture(soil().printCard(t, l, 300, 200, 4, white).fill(40, 300, 120, 90, white).png(t), nil, 140); err != nil || img.Bounds().Dx() > 142 {
		t.Errorf("with other paper %v, %v", img.Bounds(), err)
	}
	img, err = CardPicture(soil().fill(40, 300, 120, 100, white).fill(300, 100, 60, 60, white).png(t), nil, 100)
	if err != nil || img.Bounds().Dy() != 100 || img.Bounds().Dx() < 219 || img.Bounds().Dx() > 224 { // (120 + 48)/(100 + 48) x 100, 8 between, 100
		t.Errorf("two papers: %v, %v; want 222 x 100", img.Bounds(), err)
	}
	// A card that was read and another that was not are both shown: which holds is a
	// person's to say.
	b := label.Label{Trial: "ALDR", Plot: "8", Quadrat: 1}
	img, err = CardPicture(soil().printCard(t, l, 60, 100, 5, white).printCard(t, b, 420, 100, 5, white).smudge(420, 100, 5).png(t), nil, 140)
	if err != nil || img.Bounds().Dx() < 2*140 || img.Bounds().Dx() > 3*140 {
		t.Errorf("one read and one not: %v, %v", img.Bounds(), err)
	}
	// Stored on its side, the region is drawn upright.
	side := oriented(soil().fill(40, 300, 120, 60, white).jpeg(t, 95), 6)
	if img, err = CardPicture(side, nil, 100); err != nil || img.Bounds().Dx() < 61 || img.Bounds().Dx() > 67 {
		t.Errorf("stored on its side: %v, %v; want 64 x 100", img.Bounds(), err) // 60 + 48 wide, 120 + 48 high
	}
	if _, err := CardPicture(soil().png(t), nil, 100); !errors.Is(err, ErrNoCardSeen) {
		t.Errorf("bare soil: %v", err)
	}
	if _, err := CardPicture([]byte("no photo"), nil, 100); err == nil {
		t.Error("no photo has a card")
	}
	// A white frame of bars is none, nor are the marks at its corners; a card
	// inside it is.
	fix := &FrameFix{Corners: [4]raster.Point{{X: 160, Y: 80}, {X: 480, Y: 80}, {X: 480, Y: 400}, {X: 160, Y: 400}}, Kind: frame.ByEdges.String()}
	framed := soil().fill(150, 70, 340, 10, white).fill(150, 400, 340, 10, white).fill(150, 80, 10, 320, white).fill(480, 80, 10, 320, white)
	if _, err := CardPicture(framed.png(t), fix, 100); !errors.Is(err, ErrNoCardSeen) {
		t.Errorf("a frame alone: %v", err)
	}
	plates := soil().fill(120, 40, 36, 36, white).fill(484, 40, 36, 36, white)
	fix.Kind = frame.ByMarks.String()
	if _, err := CardPicture(plates.png(t), fix, 100); !errors.Is(err, ErrNoCardSeen) {
		t.Errorf("marks alone: %v", err)
	}
	if img, err := CardPicture(framed.fill(280, 220, 60, 60, white).png(t), fix, 100); err != nil || img.Bounds().Dx() != 100 {
		t.Errorf("a paper in the frame: %v, %v", img.Bounds(), err)
	}
}
