//go:build matprofile

package vision

import (
	"testing"

	"gocv.io/x/gocv"
)

// TestLeak: no Mat stays open after photos of every outcome.
func TestLeak(t *testing.T) {
	photo := discs(4, 40, 800, 600, 1).jpeg(t, 88)
	framed := DefaultOptions()
	framed.FrameMM = [2]float64{500, 500}
	before := gocv.MatProfile.Count()
	for range 5 {
		for _, b := range [][]byte{photo, photo[:len(photo)/2], nil} {
			m, err := Measure(b, plain())
			if _, e := Measure(b, framed); e == nil {
				t.Error("a frame was seen where there is none")
			}
			if err == nil {
				if _, err := Straighten(b, m, 300); err != nil {
					t.Error(err)
				}
			}
		}
	}
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d Mats are open, %d before", n, before)
	}
}
