package frame

import (
	"math"
	"testing"

	"quadtally/vision/internal/drawn"
)

// TestPrintScale: the size of the marks is told from the frame's own, on flat
// plates and on curled paper, and does not move the ground.
func TestPrintScale(t *testing.T) {
	for i, c := range []struct{ scale, curlPerMM, curlDeg float64 }{
		{1, 0, 0}, {.94, 0, 0}, {1, 1. / 250, 30}, {.94, 1. / 250, 0}, {.94, -1. / 200, 70}, {1.05, 1. / 300, 90},
	} {
		s, class := markScene(t, uint64(60+i), 0, []int{0, 1, 2, 3})
		s.Leaves, s.TiltDeg, s.ShadowEdge, s.Ground = 0, 6, false, "soil"
		for k := range s.Prints {
			p := &s.Prints[k]
			x, y := 0., 0. // the frame's corner that the plate touches
			if p.X > class.WidthMM/2 {
				x = class.WidthMM
			}
			if p.Y > class.HeightMM/2 {
				y = class.HeightMM
			}
			p.X, p.Y, p.CellMM, p.MarginMM = x+c.scale*(p.X-x), y+c.scale*(p.Y-y), c.scale*p.CellMM, c.scale*p.MarginMM
			m := p.MarginMM
			p.Sheet = &drawn.Sheet{PaperMM: [4]float64{m, m, m, m}, CurlPerMM: c.curlPerMM, CurlDeg: c.curlDeg}
		}
		r, truth := s.Render(1000, 750)
		f, err := Find(r, Options{MinSupport: .4, PipeDiameterMM: s.PipeMM})
		if err != nil {
			t.Errorf("%+v: %v", c, err)
			continue
		}
		t.Logf("%+v: printed at %.1f %%, by %v, corner error %.3f %%", c, 100*f.PrintScale, f.Method, 100*quantile(cornerErrors(f.Ground, truth.Ground), 1))
		if math.Abs(f.PrintScale-c.scale) > printTolerance/2 {
			t.Errorf("%+v: the marks seem printed at %.1f %%", c, 100*f.PrintScale)
		}
		if e := quantile(cornerErrors(f.Ground, truth.Ground), 1); e > .005 {
			t.Errorf("%+v: a corner is off by %.2f %% of the side", c, 100*e)
		}
	}
}
