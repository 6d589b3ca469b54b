package calibrate

import (
	"math"
	"testing"
)

func TestKendallTauB(t *testing.T) {
	for _, c := range []struct {
		x, y []float64
		want float64
	}{
		{[]float64{1, 2, 3}, []float64{2, 5, 9}, 1},
		{[]float64{1, 2, 3}, []float64{9, 5, 2}, -1},
		// By hand: 4 pairs in order, 1 against, 1 tied in y: 3/sqrt(6 x 5).
		{[]float64{1, 2, 3, 4}, []float64{1, 3, 2, 3}, 3 / math.Sqrt(30)},
	} {
		got, err := KendallTauB(c.x, c.y)
		if err != nil || math.Abs(got-c.want) > 1e-15 {
			t.Errorf("%v %v: %v, %v; want %v", c.x, c.y, got, err, c.want)
		}
		turned, err := KendallTauB(c.y, c.x)
		if err != nil || turned != got {
			t.Errorf("%v with the methods changed over, %v before", turned, got)
		}
	}
	for _, bad := range [][2][]float64{{{1}, {1}}, {{1, 2}, {1}}, {{1, 1}, {1, 2}}, {{1, math.NaN()}, {1, 2}}} {
		if _, err := KendallTauB(bad[0], bad[1]); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
}
