package season

import (
	"testing"

	"quadtally/vision"
	"quadtally/vision/classes"
)

// TestCheckPointsOffTheGreen: a point on green or beside it is on it; one that the
// threshold has left behind is not, nor one beyond the frame.
func TestCheckPointsOffTheGreen(t *testing.T) {
	const width, height = 7, 5
	p := &vision.Plane{Width: width, Height: height, Levels: make([]uint8, width*height)}
	for i := range p.Levels {
		p.Levels[i] = 90
	}
	p.Levels[2*width+3] = 100
	for x := range width {
		p.Levels[4*width+x] = classes.Outside
	}
	for _, c := range []struct {
		least uint8
		x, y  int
		want  bool
	}{
		{100, 3, 2, true}, {100, 2, 1, true}, {100, 4, 3, true}, {100, 4, 1, true}, {101, 3, 2, false}, {100, 1, 2, false}, {100, 5, 2, false},
		{100, 3, 0, false}, {100, 3, 4, false}, {100, 0, 0, false}, {100, 6, 4, false}, {100, 6, 0, false}, {90, 0, 0, true}, {90, 6, 3, true},
	} {
		if got := onGreen(p, c.least, c.x, c.y); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}
