package frame

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/raster"
)

// TestSureByHand holds each limit of what makes a frame doubtful.
func TestSureByHand(t *testing.T) {
	clear := seen{uneven: .1, contrast: 5, mismatch: .005, pipe: 1.1}
	with := func(change func(*seen)) seen { s := clear; change(&s); return s }
	for _, c := range []struct {
		name     string
		s        seen
		was, got float64
	}{
		{"as stated", clear, .46, .595},
		{"as stated, sure", clear, 1, 1},
		{"thin pipe", with(func(s *seen) { s.pipe = .71 }), .46, .46},
		{"thick pipe", with(func(s *seen) { s.pipe = 1.3 }), .46, .46},
		{"out of shape a little", with(func(s *seen) { s.mismatch = .013 }), .46, .46},
		{"out of shape", with(func(s *seen) { s.mismatch = .031 }), .98, doubted},
		{"nothing tells it from the ground", with(func(s *seen) { s.contrast = .3 }), .98, doubted},
		{"hardly told from the ground", with(func(s *seen) { s.contrast = .9 }), .7, .7},
		{"uneven", with(func(s *seen) { s.uneven = .7 }), .46, .595},
		{"uneven and thin", with(func(s *seen) { s.uneven, s.pipe = .4, .6 }), .98, doubted},
		{"uneven and thick", with(func(s *seen) { s.uneven, s.pipe = .4, 1.4 }), .3, .3},
		{"no pipe stated", with(func(s *seen) { s.pipe = 0 }), .46, .46},
		{"no pipe stated, uneven", with(func(s *seen) { s.pipe, s.uneven = 0, .41 }), .9, .95 * DoubtfulConfidence},
	} {
		if got := c.s.sure(c.was); got < c.got-1e-9 || got > c.got+1e-9 {
			t.Errorf("%s: %g, want %g", c.name, got, c.got)
		}
	}
	if doubted >= LookConfidence {
		t.Error("a doubted frame is not asked about")
	}
}

// TestNestedByHand: three pipe widths on all four sides make a second frame; an
// outline, a shadow to one side and a frame beside it do not.
func TestNestedByHand(t *testing.T) {
	at := func(x0, y0, x1, y1 float64) Frame {
		return Frame{Inner: Quad{pt(x0, y0), pt(x1, y0), pt(x1, y1), pt(x0, y1)}, PipeWidthMM: 20, MMPerPx: 2}
	}
	big := at(0, 0, 400, 400)
	for _, c := range []struct {
		f    Frame
		want bool
	}{
		{at(31, 31, 369, 369), true}, {at(29, 31, 369, 369), false}, {at(31, 31, 369, 371), false}, {at(10, 10, 390, 390), false},
		{at(500, 0, 800, 300), false}, {at(200, 200, 600, 600), false}, {big, false},
	} {
		if nested(c.f, big) != c.want || nested(big, c.f) != c.want {
			t.Errorf("%v: not %v", c.f.Inner, c.want)
		}
	}
}

// misleading are kinds of photos in which another line runs along the pipe's
// inner edge: the limit of lit and shaded pipe, of pipe and a shadow, of a pipe that
// has the ground's colour.
var misleading = []struct {
	name string
	make func(s *drawn.Scene, rng *rand.Rand)
}{
	{"half in hard shade", func(s *drawn.Scene, rng *rand.Rand) {
		s.ShadowEdge, s.PipeShadow = true, true
		s.Bars.SunHeight = .4 + rng.Float64()
		s.Ground = pick(rng, "rows", "weedy")
	}},
	{"pipe of ground's colour", func(s *drawn.Scene, rng *rand.Rand) {
		s.Ground = pick(rng, "soil", "pale", "straw")
		s.Frame = map[string][3]float64{"soil": {115, 90, 68}, "pale": {190, 172, 146}, "straw": {190, 165, 115}}[s.Ground]
		s.Bars.Grain = .15 * rng.Float64()
		maybeSun(s, rng)
	}},
}

// misleadingScene is one photo of such a kind.
func misleadingScene(kind int, seed uint64, w, h int) drawn.Scene {
	rng := rand.New(rand.NewPCG(seed, uint64(kind)+371))
	s := drawn.Scene{WidthMM: 500, HeightMM: 500, PipeMM: 18 + 14*rng.Float64(), Ground: pick(rng, drawn.Grounds...),
		Frame:  pick(rng, [3]float64{232, 232, 228}, [3]float64{228, 105, 30}, [3]float64{205, 165, 108}, [3]float64{168, 170, 176}),
		Leaves: rng.IntN(10), CameraMM: 500 * (1.35 + .3*rng.Float64()), TiltDeg: 15 * rng.Float64() * rng.Float64(), TiltToward: 360 * rng.Float64(), TurnDeg: 40*rng.Float64() - 20,
		OffX: 12 * rng.NormFloat64(), OffY: 12 * rng.NormFloat64(), FocalPerLongSide: .75, Blur: .5 + .5*rng.Float64(), Noise: 2, Seed: seed}
	misleading[kind].make(&s, rng)
	for range 40 {
		if whole(s.Truth(w, h).Inner, w, h) {
			break
		}
		s.CameraMM *= 1.05
	}
	return s
}

func whole(q [4]raster.Point, w, h int) bool {
	return !slices.ContainsFunc(q[:], func(p raster.Point) bool {
		return p.X < 20 || p.Y < 20 || p.X > float64(w)-20 || p.Y > float64(h)-20
	})
}

// TestMisleadingEdges: where another line runs along the inner edge a frame is
// found right, refused or asked about, at each size of photo. QUADTALLY_SCENES
// says how many of each kind and size, QUADTALLY_SEED from which seed on.
func TestMisleadingEdges(t *testing.T) {
	scenes, from := 4, uint64(100)
	for name, to := range map[string]any{"QUADTALLY_SCENES": &scenes, "QUADTALLY_SEED": &from} {
		if v := os.Getenv(name); v != "" {
			fmt.Sscan(v, to)
		}
	}
	var ws Workspace
	all, right := 0, 0
	for kind := range misleading {
		for _, size := range [][3]int{{1000, 750, 4}, {1600, 1200, 2}} {
			found, asked, wrong, silent := 0, 0, 0, 0
			for i := range scenes {
				s := misleadingScene(kind, from+uint64(i), size[0], size[1])
				s.Denom = size[2]
				r, truth := s.Render(size[0], size[1])
				opt := DefaultOptions()
				opt.PipeDiameterMM = s.PipeMM
				f, err := ws.Find(r, opt)
				if errors.Is(err, ErrNotFound) {
					continue
				}
				if err != nil {
					t.Fatal(err)
				}
				found++
				ask := f.Another || f.Confidence < LookConfidence
				if ask {
					asked++
				}
				if worst := slices.Max(cornerErrors(f.Inner, truth.Inner)); worst > .02 {
					wrong++
					if !ask {
						silent++
						t.Errorf("%s, %d pixels, seed %d: off by %.1f %% and not asked about: confidence %.2f, %+v", misleading[kind].name, size[0], from+uint64(i), 100*worst, f.Confidence, f.seen)
					}
				}
			}
			all, right = all+scenes, right+found-wrong
			t.Logf("%-24s %4d pixels: %d of %d found, %d asked about, %d wrong, %d of them silent", misleading[kind].name, size[0], found, scenes, asked, wrong, silent)
		}
	}
	// A pipe of the ground's own colour is mostly refused, one half in shade is not.
	if 3*right < all {
		t.Errorf("%d of %d frames are found right, a third at least was", right, all)
	}
}
