package mats

import (
	"testing"

	"gocv.io/x/gocv"
)

// TestOver: what OpenCV writes stands in the plane, and planes that are too
// short are refused before it sees them.
func TestOver(t *testing.T) {
	turn := func(src gocv.Mat, dst *gocv.Mat) { gocv.Flip(src, dst, 1) }
	bytes := Plane[uint8]{2, 1, make([]uint8, 2)}
	if err := Over(Plane[uint8]{2, 1, []uint8{7, 200}}, bytes, turn); err != nil || bytes.Pix[0] != 200 || bytes.Pix[1] != 7 {
		t.Errorf("%v, %v", bytes.Pix, err)
	}
	shorts := Plane[int16]{2, 1, make([]int16, 2)}
	if err := Over(Plane[int16]{2, 1, []int16{-3000, 5}}, shorts, turn); err != nil || shorts.Pix[0] != 5 || shorts.Pix[1] != -3000 {
		t.Errorf("%v, %v", shorts.Pix, err)
	}
	for _, p := range []Plane[uint8]{{}, {2, 2, make([]uint8, 3)}, {-1, -1, make([]uint8, 3)}} {
		if err := Over(p, bytes, turn); err == nil {
			t.Errorf("plane of %d x %d with %d samples was taken", p.W, p.H, len(p.Pix))
		}
		if err := Over(bytes, p, turn); err == nil {
			t.Errorf("plane of %d x %d with %d samples was written on", p.W, p.H, len(p.Pix))
		}
	}
}
