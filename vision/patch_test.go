package vision

import (
	"errors"
	"math"
	"testing"

	"quadtally/vision/raster"
)

// drawnPlane makes a plane from rows of text: '#' is green at any threshold.
func drawnPlane(rows ...string) *Plane {
	p := &Plane{Index: IndexSoftExG, Width: len(rows[0]), Height: len(rows), ToPhoto: [9]float64{0: 2, 4: 2, 8: 1}}
	for _, row := range rows {
		for _, c := range row {
			level := uint8(0)
			if c == '#' {
				level = 250
			}
			p.Levels = append(p.Levels, level)
		}
	}
	return p
}

func areaOf(ring []raster.Point) (a float64) {
	for i, p := range ring {
		q := ring[(i+1)%len(ring)]
		a += (p.X*q.Y - q.X*p.Y) / 2
	}
	return math.Abs(a)
}

func TestPatch(t *testing.T) {
	p := drawnPlane(
		"..........",
		".####.....",
		".#..#...#.",
		".####...#.",
		".....#....",
		"..........",
	)
	t.Run("rectangle with a hole and a corner neighbour", func(t *testing.T) {
		ring, err := p.Patch(0.15, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		// 4 x 3 cells with the hole filled, and one cell by its corner, each
		// 2 x 2 photo pixels; thinning may give or take a cell.
		if a := areaOf(ring); math.Abs(a-4*13) > 4 {
			t.Errorf("area %g of %v", a, ring)
		}
	})
	t.Run("by a corner is the same patch", func(t *testing.T) {
		a, _ := p.Patch(0.15, 5, 4)
		b, _ := p.Patch(0.15, 2, 1)
		if len(a) == 0 || len(a) != len(b) || a[0] != b[0] {
			t.Errorf("%v, %v", a, b)
		}
	})
	t.Run("one column", func(t *testing.T) {
		ring, err := p.Patch(0.15, 8, 3)
		if err != nil || math.Abs(areaOf(ring)-8) > 1e-9 {
			t.Errorf("%v %v", ring, err)
		}
	})
	for _, c := range [][2]int{{0, 0}, {2, 2}, {-1, 0}, {10, 0}, {0, 6}} {
		if _, err := p.Patch(0.15, c[0], c[1]); !errors.Is(err, ErrNoPatch) {
			t.Errorf("cell %v: %v", c, err)
		}
	}
	if _, err := p.Patch(9, 1, 1); err == nil {
		t.Error("a threshold outside the guards was taken")
	}
}

// TestPatchHoldsItsCells: of a ragged patch the outline holds every cell
// deeper than the thinning, and no cell further outside than that.
func TestPatchHoldsItsCells(t *testing.T) {
	const n = 60
	p := &Plane{Index: IndexSoftExG, Width: n, Height: n, Levels: make([]uint8, n*n), ToPhoto: [9]float64{0: 1, 4: 1, 8: 1}}
	r := func(x, y int) float64 {
		dx, dy := float64(x)-30, float64(y)-30
		return math.Hypot(dx, dy) - 16 - 6*math.Sin(5*math.Atan2(dy, dx))
	}
	for y := range n {
		for x := range n {
			if r(x, y) < 0 {
				p.Levels[y*n+x] = 250
			}
		}
	}
	ring, err := p.Patch(0.15, 30, 30)
	if err != nil {
		t.Fatal(err)
	}
	for y := range n {
		for x := range n {
			in := inside(ring, raster.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			if d := r(x, y); in != (d < 0) && math.Abs(d) > 3 {
				t.Errorf("cell %d,%d: inside %v at %g from the edge", x, y, in, d)
			}
		}
	}
	if len(ring) > 120 {
		t.Errorf("%d corners were left", len(ring))
	}
}

func TestThresholdsAreThoseOfThePlane(t *testing.T) {
	for _, x := range Indices() {
		list, err := x.Thresholds()
		if err != nil || len(list) < 2 {
			t.Fatalf("%s: %v %v", x, list, err)
		}
		p := &Plane{Index: x}
		for i, v := range list {
			if th, err := HandThreshold(x, v); err != nil || th.Value != v {
				t.Errorf("%s: %g set by hand is %g, %v", x, v, th.Value, err)
			}
			if l, err := p.level(v); err != nil || int(l) != i+1 {
				t.Errorf("%s %g: level %d, want %d (%v)", x, v, l, i+1, err)
			}
		}
	}
	if _, err := Index("none").Thresholds(); err == nil {
		t.Error("an unknown index has thresholds")
	}
}
