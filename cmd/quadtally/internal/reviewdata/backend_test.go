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

// Every doubt that can meet a person in the field has few words; what grows on
// the ground asks for no second photo.
func TestDoubtsInTheField(t *testing.T) {
	for _, code := range []vision.FlagCode{vision.FlagBlur, vision.FlagClipped, vision.FlagCrushed, vision.FlagShadow, vision.FlagCast, vision.FlagTilt,
		vision.FlagCoarse, vision.FlagCutFrame, vision.FlagGlints, vision.FlagNoGround, vision.FlagThing, vision.FlagMat, vision.FlagFaint,
		vision.FlagPanorama, vision.FlagTwoWays, vision.FlagTwoFrames, vision.FlagDoubtfulFrame, vision.FlagTwoCards, vision.FlagPrintSize, vision.FlagProfile} {
		if words := shortWords[code]; words == "" || len(words) > 40 {
			t.Errorf("%s: %q", code, words)
		}
		again := code != vision.FlagMat && code != vision.FlagFaint
		if f := (vision.Flag{Code: code, Severity: vision.MustLook}); takeAgain(f) != again {
			t.Errorf("%s: another photo %v", code, !again)
		}
	}
}
