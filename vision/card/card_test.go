package card

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boombuler/barcode"
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

var _ barcode.Barcode = nil

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
	const scenes = 10
	for _, size := range []struct {
		name   string
		w, h   int
		codeMM float64
		least  int
	}{{"1/4", 1000, 750, 60, 0}, {"1/2", 2000, 1500, 60, 10}, {"1/4 large code", 1000, 750, 90, 0}} {
		read := 0
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
		if read < size.least {
			t.Errorf("%s: %d of %d cards read, %d expected", size.name, read, scenes, size.least)
		}
	}
}

func TestOtherCodesAreNoCards(t *testing.T) {
	s, l := cardScene(t, 1, 80)
	good := s.Prints[0]
	s.Prints[0].Cells = codeCells(t, "SEED LOT 2210")
	r, _ := s.Render(1000, 750)
	got, err := Find(r, DefaultOptions())
	if err != nil || len(got.Cards) != 0 {
		t.Fatalf("a seed packet was read as %+v, %v", got, err)
	}
	if _, err := got.One(); !errors.Is(err, ErrNone) {
		t.Errorf("got %v", err)
	}
	_ = l
	_ = good
}

func TestNothingToRead(t *testing.T) {
	for _, r := range []*raster.Raster{nil, {}, {Width: 100, Height: 100}, {Width: 4, Height: 4, ChromaWidth: 2, ChromaHeight: 2, Y: make([]byte, 16), Cb: make([]byte, 4), Cr: make([]byte, 4)}} {
		if got, err := Find(r, DefaultOptions()); err == nil || len(got.Cards) > 0 {
			t.Errorf("an empty photo gave %v, %v", got, err)
		}
	}
}
