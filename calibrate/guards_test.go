package calibrate

import (
	"math"
	"strings"
	"testing"
)

// TestMissingOnEitherSide: a value that is missing or infinite is refused
// whichever method lacks it.
func TestMissingOnEitherSide(t *testing.T) {
	whole := []Pair{{Plot: "1", Hand: .1, Image: .12}, {Plot: "2", Hand: .2, Image: .21}, {Plot: "3", Hand: .3, Image: .33}, {Plot: "4", Hand: .4, Image: .38}}
	if _, err := Agree(whole, DefaultOptions()); err != nil {
		t.Fatal(err)
	}
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		for _, side := range []string{"hand", "image"} {
			pairs := append([]Pair(nil), whole...)
			if side == "hand" {
				pairs[1].Hand = v
			} else {
				pairs[1].Image = v
			}
			if a, err := Agree(pairs, DefaultOptions()); err == nil || !strings.Contains(err.Error(), "missing or infinite") {
				t.Errorf("%s is %v: %+v, %v", side, v, a, err)
			}
		}
	}
}

// TestOrderOfOneMethod: a method with one value only has no order, on either
// side; a single pair in another order is enough to have one.
func TestOrderOfOneMethod(t *testing.T) {
	flat, rising := []float64{1, 1, 1}, []float64{1, 2, 3}
	for _, c := range [][2][]float64{{flat, rising}, {rising, flat}, {flat, flat}} {
		if tau, err := KendallTauB(c[0], c[1]); err == nil {
			t.Errorf("%v and %v: tau %g", c[0], c[1], tau)
		}
	}
	// Two values: one pair, in the same order and in the opposite one.
	for want, image := range map[float64][]float64{1: {3, 4}, -1: {4, 3}} {
		if tau, err := KendallTauB([]float64{1, 2}, image); err != nil || tau != want {
			t.Errorf("%v: tau %g, %v, want %g", image, tau, err, want)
		}
	}
}
