package reviewdata

import (
	"math"
	"testing"

	"quadtally/vision"
)

func TestInvert(t *testing.T) {
	m := [9]float64{1.2, 0.1, 30, -0.2, 0.9, 12, 1e-4, -2e-4, 1}
	inv, ok := invert(m)
	if !ok {
		t.Fatal("not invertible")
	}
	there, back := vision.Plane{ToPhoto: m}, vision.Plane{ToPhoto: inv}
	for _, at := range [][2]float64{{0, 0}, {100, 50}, {-20, 700}} {
		q := there.At(at[0], at[1])
		if r := back.At(q.X, q.Y); math.Hypot(r.X-at[0], r.Y-at[1]) > 1e-9 {
			t.Errorf("%v came back as %v", at, r)
		}
	}
	if _, ok := invert([9]float64{}); ok {
		t.Error("nothing was inverted")
	}
}
