package vision

import (
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"
)

// TestConnectedAgainstSecondProgram: pieces and their sizes on random masks
// are those of OpenCV's connectedComponents.
func TestConnectedAgainstSecondProgram(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for round := range 40 {
		w, h := 1+rng.IntN(60), 1+rng.IntN(60)
		share := 0.2 + 0.5*rng.Float64()
		levels, bytes := make([]byte, w*h), make([]byte, w*h)
		for i := range levels {
			switch v := rng.Float64(); {
			case v < share:
				levels[i], bytes[i] = uint8(3+rng.IntN(20)), 255
			case v < share+.05:
				levels[i] = Outside
			default:
				levels[i] = uint8(rng.IntN(3))
			}
		}
		src, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8U, bytes)
		if err != nil {
			t.Fatal(err)
		}
		labels := gocv.NewMat()
		theirs := gocv.ConnectedComponentsWithParams(src, &labels, 8, gocv.MatTypeCV32S, gocv.CCL_DEFAULT) - 1
		runs := greenRuns(levels, w, 3)
		n := connect(runs)
		ours := picture(runs, w, h)
		if n != theirs {
			t.Errorf("round %d: %d pieces, the second program has %d", round, n, theirs)
		}
		pair := map[[2]int32]bool{}
		for y := range h {
			for x := range w {
				pair[[2]int32{ours[y*w+x], labels.GetIntAt(y, x)}] = true
			}
		}
		if len(pair) > n+1 {
			t.Errorf("round %d: cells are grouped differently", round)
		}
		labels.Close()
		src.Close()
	}
}
