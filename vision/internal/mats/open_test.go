package mats

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// TestOpenLaws holds opening to its definition for even and odd sides: a sample
// stays where a square of the side that holds it is all set. So nothing is
// added, doing it twice changes nothing more, and a picture that is turned by
// half opens to the turned one.
func TestOpenLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for side := 1; side <= 5; side++ {
		for range 20 {
			const w, h = 17, 12
			from := blank[uint8](w, h)
			for range 6 {
				x0, y0, a, b := rng.IntN(w), rng.IntN(h), 1+rng.IntN(6), 1+rng.IntN(6)
				for y := y0; y < min(y0+b, h); y++ {
					for x := x0; x < min(x0+a, w); x++ {
						from.Pix[y*w+x] = 1
					}
				}
			}
			to := blank[uint8](w, h)
			if err := Open(from, to, side); err != nil {
				t.Fatal(err)
			}
			// Squares may reach beyond the edges, where all counts as set.
			set := func(x, y int) bool { return x < 0 || y < 0 || x >= w || y >= h || from.Pix[y*w+x] == 1 }
			want := blank[uint8](w, h)
			for y0 := 1 - side; y0 < h; y0++ {
				for x0 := 1 - side; x0 < w; x0++ {
					// The sample a square is shrunk to has to lie in the picture.
					if cx, cy := x0+side/2, y0+side/2; cx < 0 || cy < 0 || cx >= w || cy >= h {
						continue
					}
					all := true
					for i := range side * side {
						all = all && set(x0+i%side, y0+i/side)
					}
					for i := range side * side {
						if x, y := x0+i%side, y0+i/side; all && x >= 0 && y >= 0 && x < w && y < h {
							want.Pix[y*w+x] = 1
						}
					}
				}
			}
			if !slices.Equal(to.Pix, want.Pix) {
				t.Fatalf("side %d:\n%v\nopens to\n%v\nwant\n%v", side, from.Pix, to.Pix, want.Pix)
			}
		}
	}
}

// TestWidest: smoothing is refused beyond its bound alone, and planes are taken
// down to one sample.
func TestWidest(t *testing.T) {
	one := Plane[uint8]{1, 1, []byte{7}}
	to := blank[uint8](1, 1)
	if err := Smooth(one, to, widestSigma); err != nil || to.Pix[0] != 7 {
		t.Errorf("the widest smoothing of one sample: %d, %v", to.Pix[0], err)
	}
	if err := Smooth(one, to, 1.001*widestSigma); err == nil {
		t.Error("wider than the widest was smoothed")
	}
	if err := Open(one, to, 1); err != nil || to.Pix[0] != 7 {
		t.Errorf("opening by one: %d, %v", to.Pix[0], err)
	}
	if err := ShrinkBlocks(Plane[uint8]{2, 3, []byte{1, 3, 1, 3, 1, 3}}, to, 2, 3); err != nil || to.Pix[0] != 2 {
		t.Errorf("one block: %d, %v", to.Pix[0], err)
	}
	for _, c := range []struct{ across, down int }{{3, 3}, {2, 4}, {0, 3}, {2, 0}} {
		if err := ShrinkBlocks(Plane[uint8]{2, 3, make([]byte, 6)}, to, c.across, c.down); err == nil {
			t.Errorf("a block of %d x %d in 2 x 3 was taken", c.across, c.down)
		}
	}
	if err := Smooth(Plane[uint8]{2, 3, make([]byte, 6)}, Plane[uint8]{2, 2, make([]byte, 4)}, 1); err == nil {
		t.Error("smoothed to another height")
	}
	if err := Open(Plane[uint8]{2, 3, make([]byte, 6)}, Plane[uint8]{2, 2, make([]byte, 4)}, 1); err == nil {
		t.Error("opened to another height")
	}
}
