package card

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/boombuler/barcode/qr"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// codeCells are the modules of a code at level M; true is white.
func codeCells(t testing.TB, text string) [][]bool {
	t.Helper()
	c, err := qr.Encode(text, qr.M, qr.AlphaNumeric)
	if err != nil {
		t.Fatal(err)
	}
	n := c.Bounds().Dx()
	cells := make([][]bool, n)
	for y := range cells {
		cells[y] = make([]bool, n)
		for x := range cells[y] {
			r, _, _, _ := c.At(x, y).RGBA()
			cells[y][x] = r > 0x8000
		}
	}
	return cells
}

func cardPrint(t testing.TB, l label.Label, x, y, turn, codeMM float64) drawn.Print {
	text, err := label.Encode(l)
	if err != nil {
		t.Fatal(err)
	}
	cells := codeCells(t, text)
	if len(cells) != modules {
		t.Fatalf("the code of %q has %d modules a side, want %d", text, len(cells), modules)
	}
	m := codeMM / modules
	return drawn.Print{X: x, Y: y, Z: 1, TurnDeg: turn, CellMM: m, MarginMM: 4 * m, Cells: cells}
}

func cardScene(t testing.TB, seed uint64, codeMM float64) (drawn.Scene, label.Label) {
	rng := rand.New(rand.NewPCG(seed, 3))
	l := label.Label{Trial: "ALDR", Plot: fmt.Sprint(100*(1+rng.IntN(4)) + rng.IntN(30)), Quadrat: rng.IntN(6)}
	turn := rng.Float64() * 360
	return drawn.Scene{
		WidthMM: 500, HeightMM: 500, PipeMM: 27, Frame: [3]float64{232, 232, 228},
		Ground: drawn.Grounds[seed%5], Leaves: 8, PipeShadow: true,
		CameraMM: 1250 + 150*rng.Float64(), TiltDeg: 12 * rng.Float64(), TiltToward: 360 * rng.Float64(), TurnDeg: 360 * rng.Float64(),
		FocalPerLongSide: .75, Blur: .5 + .3*rng.Float64(), Noise: 2, Seed: seed,
		Prints: []drawn.Print{cardPrint(t, l, 130+200*rng.Float64(), 150+200*rng.Float64(), turn, codeMM)},
	}, l
}

// TestCards counts the cards read in drawn photos (invented) at the scale of
// a quarter and of half of 12 megapixels. Every one that is read must be
// right.
func TestCards(t *testing.T) {
	for _, size := range []struct {
		name   string
		w, h   int
		codeMM float64
		scenes int
		least  float64 // share read, the level reached
	}{{"1/4", 1000, 750, 60, 6, .3}, {"1/2", 2000, 1500, 60, 4, 1}, {"1/4 large code", 1000, 750, 90, 5, 1}} {
		read, scenes := 0, size.scenes
		if os.Getenv("QUADTALLY_HEAVY") == "1" {
			scenes *= 8
		}
		for seed := range uint64(scenes) {
			s, want := cardScene(t, seed, size.codeMM)
			r, _ := s.Render(size.w, size.h)
			opt := DefaultOptions()
			opt.CodeMM = size.codeMM
			got, err := Find(r, opt)
			if err != nil {
				t.Fatal(err)
			}
			c, err := got.One()
			if err != nil {
				t.Logf("%s scene %d (%s): %v", size.name, seed, s.Ground, err)
				continue
			}
			if c.Label != want {
				t.Errorf("%s scene %d: read %v, card says %v", size.name, seed, c.Label, want)
			}
			read++
			scale := s.CameraMM / (s.FocalPerLongSide * float64(size.w))
			if e := math.Abs(c.MMPerPx/scale - 1); e > .12 {
				t.Errorf("%s scene %d: %.3f mm a pixel, near %.3f expected", size.name, seed, c.MMPerPx, scale)
			}
		}
		t.Logf("%s: %d of %d cards read", size.name, read, scenes)
		if float64(read) < .95*size.least*float64(scenes) {
			t.Errorf("%s: %d of %d cards read, %.0f %% expected", size.name, read, scenes, 100*size.least)
		}
	}
}

func TestOtherCodesAreNoCards(t *testing.T) {
	s, _ := cardScene(t, 1, 80)
	s.Prints[0].Cells = codeCells(t, "SEED LOT 2210")
	r, _ := s.Render(1000, 750)
	got, err := Find(r, DefaultOptions())
	if err != nil || len(got.Cards) != 0 || got.Other == 0 {
		t.Fatalf("a seed packet was read as %+v, %v", got, err)
	}
	if _, err := got.One(); !errors.Is(err, ErrNone) {
		t.Errorf("got %v", err)
	}
}

// TestTwoCards: both are reported and neither is chosen.
func TestTwoCards(t *testing.T) {
	a, b := label.Label{Trial: "ALDR", Plot: "101", Quadrat: 1}, label.Label{Trial: "ALDR", Plot: "102", Quadrat: 1}
	s, _ := cardScene(t, 5, 80)
	s.Leaves, s.TiltDeg = 0, 3
	s.Prints = []drawn.Print{cardPrint(t, a, 60, 60, 5, 90), cardPrint(t, b, 300, 300, 40, 90)}
	r, _ := s.Render(1000, 750)
	got, err := Find(r, DefaultOptions())
	if err != nil || len(got.Cards) != 2 {
		t.Fatalf("%d cards read of 2, %v", len(got.Cards), err)
	}
	if _, err := got.One(); !errors.Is(err, ErrAmbiguous) {
		t.Errorf("two cards gave %v", err)
	}
}

// TestPlace: the outline, the scale and the white of a card lying where the
// camera is known to be.
func TestPlace(t *testing.T) {
	l := label.Label{Trial: "ALDR", Plot: "7", Quadrat: 2}
	s, _ := cardScene(t, 0, 90)
	s.Leaves, s.TiltDeg, s.TurnDeg, s.PipeShadow, s.ShadowEdge = 0, 0, 0, false, false
	s.Prints = []drawn.Print{cardPrint(t, l, 200, 220, 0, 90)}
	r, truth := s.Render(1000, 750)
	opt := DefaultOptions()
	opt.CodeMM = 90
	got, err := Find(r, opt)
	if err != nil {
		t.Fatal(err)
	}
	c, err := got.One()
	if err != nil {
		t.Fatal(err)
	}
	mm := 500 / (truth.Ground[1].X - truth.Ground[0].X)
	if math.Abs(c.MMPerPx/mm-1) > .01 {
		t.Errorf("%.4f mm a pixel, want %.4f", c.MMPerPx, mm)
	}
	for i, want := range [4][2]float64{{200, 220}, {290, 220}, {290, 310}, {200, 310}} {
		x, y := truth.Ground[0].X+want[0]/mm, truth.Ground[0].Y+want[1]/mm
		if d := math.Hypot(c.Code[i].X-x, c.Code[i].Y-y); d > 1 {
			t.Errorf("corner %d is %.2f px off", i, d)
		}
		if p := c.ToPixel.Apply(raster.Point{X: want[0] - 200, Y: want[1] - 220}); math.Hypot(p.X-c.Code[i].X, p.Y-c.Code[i].Y) > 1e-6 {
			t.Errorf("corner %d: the map says %v, the outline %v", i, p, c.Code[i])
		}
	}
	if c.White[0] < 140 || math.Abs(c.White[1]-128) > 12 || math.Abs(c.White[2]-128) > 12 {
		t.Errorf("the paper is %v", c.White)
	}
}

// TestNoiseIsNoCard: noise of many grains, whole and in patches, is never
// read as a card.
func TestNoiseIsNoCard(t *testing.T) {
	n := 1500
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		n = 5000
	}
	for seed := range uint64(n) {
		if got, err := Find(noise(seed, 120, 90), DefaultOptions()); err != nil || len(got.Cards) > 0 {
			t.Fatalf("noise %d was read as %+v, %v", seed, got.Cards, err)
		}
	}
}

func noise(seed uint64, w, h int) *raster.Raster {
	rng := rand.New(rand.NewPCG(seed, 8))
	r := &raster.Raster{Width: w, Height: h, ChromaWidth: w / 2, ChromaHeight: h / 2, FullWidth: w, FullHeight: h, Denom: 1, Orientation: 1,
		Y: make([]byte, w*h), Cb: make([]byte, w/2*(h/2)), Cr: make([]byte, w/2*(h/2))}
	grain := 1 + rng.IntN(5)
	cells := make([]byte, w*h)
	for i := range cells {
		cells[i] = byte(rng.IntN(2) * 255)
	}
	for y := range h {
		for x := range w {
			r.Y[y*w+x] = cells[y/grain*w+x/grain]
		}
	}
	for i := range r.Cb {
		r.Cb[i], r.Cr[i] = 128, 128
	}
	return r
}

// FuzzFind: strange sizes and pixels never panic and never become a card.
func FuzzFind(f *testing.F) {
	f.Add(64, 48, uint64(1))
	f.Add(121, 77, uint64(2))
	f.Add(22, 300, uint64(3))
	f.Fuzz(func(t *testing.T, w, h int, seed uint64) {
		if w < 2 || h < 2 || w > 400 || h > 400 {
			return
		}
		got, _ := Find(noise(seed, w, h), DefaultOptions())
		if len(got.Cards) > 0 {
			t.Errorf("noise was read as %v", got.Cards[0].Label)
		}
	})
}

func TestNothingToRead(t *testing.T) {
	for _, r := range []*raster.Raster{nil, {}, {Width: 100, Height: 100}, {Width: 4, Height: 4, ChromaWidth: 2, ChromaHeight: 2, Y: make([]byte, 16), Cb: make([]byte, 4), Cr: make([]byte, 4)}} {
		if got, err := Find(r, DefaultOptions()); err == nil || len(got.Cards) > 0 {
			t.Errorf("an empty photo gave %v, %v", got, err)
		}
	}
}
