package vision

import (
	"testing"

	"quadtally/vision/raster"
)

// TestCornersFarOutside: of a frame whose corners were marked far outside a narrow
// photo a sample is larger than the photo is wide; it is measured or refused, and
// nothing breaks.
func TestCornersFarOutside(t *testing.T) {
	for _, size := range [][2]int{{600, 40}, {40, 600}, {64, 64}, {300, 17}} {
		w, h := size[0], size[1]
		s := scene{w, h, make([]byte, 3*w*h)}
		for i := range s.rgb {
			s.rgb[i] = byte(60 + i*7%90)
		}
		photo := s.png(t)
		for _, k := range []float64{1, 5, 20, 50, 200} {
			fw, fh := float64(w), float64(h)
			o := plain()
			o.FrameMM = [2]float64{500, 500}
			o.Corners = &[4]raster.Point{{X: -k * fw, Y: -k * fw}, {X: k * fw, Y: -k * fw}, {X: k * fw, Y: k*fw + fh}, {X: -k * fw, Y: k*fw + fh}}
			m, err := Measure(photo, o)
			if err == nil && m.Curve.Cells() == 0 {
				t.Errorf("%d x %d, %g: no cell was measured and nothing is said", w, h, k)
			}
		}
	}
}
