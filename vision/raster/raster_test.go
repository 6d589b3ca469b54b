package raster

import (
	"math"
	"testing"
)

// TestUprightRoundTrip: every orientation is undone by its inverse, and the
// stored top-left pixel goes where EXIF (CIPA DC-008, tag 0x0112) says.
func TestUprightRoundTrip(t *testing.T) {
	wantTopLeft := map[int]Point{
		1: {0, 0}, 2: {400, 0}, 3: {400, 200}, 4: {0, 200},
		5: {0, 0}, 6: {200, 0}, 7: {200, 400}, 8: {0, 400},
	}
	for o := 1; o <= 8; o++ {
		r := Raster{Width: 100, Height: 50, FullWidth: 400, FullHeight: 200, Denom: 4, Orientation: o}
		if got := r.ToUpright(Point{0, 0}); got != wantTopLeft[o] {
			t.Errorf("orientation %d: stored top-left goes to %v, want %v", o, got, wantTopLeft[o])
		}
		p := Point{12.5, 31.25}
		q := r.FromUpright(r.ToUpright(p))
		if math.Hypot(p.X-q.X, p.Y-q.Y) > 1e-9 {
			t.Errorf("orientation %d: %v came back as %v", o, p, q)
		}
	}
}
