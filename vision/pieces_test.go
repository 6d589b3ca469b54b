package vision

import (
	"math/rand/v2"
	"slices"
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
		for _, four := range []bool{false, true} {
			conn := 8
			if four {
				conn = 4
			}
			theirs := gocv.ConnectedComponentsWithParams(src, &labels, conn, gocv.MatTypeCV32S, gocv.CCL_DEFAULT) - 1
			runs := greenRuns(levels, w, 3)
			n := connect(runs, four)
			ours := picture(runs, w, h)
			if back := labelRuns(ours, w); !slices.Equal(back, runs) {
				t.Errorf("round %d: runs do not come back from their picture", round)
			}
			if n != theirs {
				t.Errorf("round %d, four %v: %d pieces, the second program has %d", round, four, n, theirs)
			}
			pair := map[[2]int32]bool{}
			for y := range h {
				for x := range w {
					pair[[2]int32{ours[y*w+x], labels.GetIntAt(y, x)}] = true
				}
			}
			if len(pair) > n+1 {
				t.Errorf("round %d, four %v: cells are grouped differently", round, four)
			}
		}
		labels.Close()
		src.Close()
	}
}

// TestSplit: two discs that overlap are two plants, one disc and one long leaf
// stay one.
func TestSplit(t *testing.T) {
	disc := func(s *scene, cx, cy, r int) {
		for y := cy - r; y <= cy+r; y++ {
			for x := cx - r; x <= cx+r; x++ {
				if (x-cx)*(x-cx)+(y-cy)*(y-cy) <= r*r {
					s.fill(x, y, 1, 1, leafRGB)
				}
			}
		}
	}
	s := newScene(400, 300, soilRGB)
	disc(s, 60, 60, 25)
	disc(s, 102, 60, 25) // overlaps the first
	disc(s, 250, 60, 30) // alone
	s.fill(50, 200, 250, 16, leafRGB)
	opt := plain()
	opt.Pieces.Split = true
	_, r := alone(t, s.png(t), opt)
	if len(r.Pieces) != 4 {
		t.Errorf("%d pieces, want 4: %+v", len(r.Pieces), r.Pieces)
	}
}
