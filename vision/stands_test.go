package vision

import (
	"fmt"
	"math"
	"os"
	"slices"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/raster"
)

// standSide is the side of a drawn stand's picture, pixels, and standMM of its
// ground: a phone's photo of a frame, of which a part is drawn. A decode at
// half scale is asked for, as of a phone's photo.
const (
	standSide = 960
	standMM   = 192.0
)

// standPhoto is one drawn stand, measured.
type standPhoto struct {
	s     drawn.Stand
	truth drawn.StandTruth
	m     Measurement
}

func standOf(ground, leaf string, widthMM, cover float64, seed uint64) drawn.Stand {
	return drawn.Stand{Side: standSide, MMPerPx: standMM / standSide, Ground: ground, Leaf: leaf, WidthMM: widthMM, Cover: cover, Noise: 4, BlurPx: 1.2, Seed: seed}
}

func standOptions() Options {
	o := plain()
	o.FrameMM = [2]float64{standMM, standMM}
	c := [4]raster.Point(box(standSide, standSide))
	o.Corners = &c
	o.NeedLongSide = standSide / 2
	// The smoothing of a frame of 500 mm, which a phone's photo has on twice
	// and a half as many cells.
	o.Smooth *= 2.6
	return o
}

func measureStand(t testing.TB, s drawn.Stand, quality int) standPhoto {
	t.Helper()
	rgb, truth := s.Render()
	m, err := Measure((&scene{standSide, standSide, rgb}).jpeg(t, quality), standOptions())
	if err != nil {
		t.Fatalf("%+v: %v", s, err)
	}
	return standPhoto{s, truth, m}
}

// TestStandsReport prints how far measured cover lies from that of drawn stands
// (invented) of thin and wide leaves of every kind on every ground, one
// threshold a ground, and holds what was reached.
func TestStandsReport(t *testing.T) {
	grounds := []string{"soil", "sand", "rolled", "moss"}
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		grounds = drawn.StandGrounds
	}
	type sum struct{ got, want, off, n float64 }
	by := map[string]*sum{}
	add := func(k string, got, want float64) {
		if by[k] == nil {
			by[k] = &sum{}
		}
		s := by[k]
		s.got, s.want, s.off, s.n = s.got+got, s.want+want, s.off+math.Abs(got-want), s.n+1
	}
	opt := standOptions()
	unseen, eyes := 0, 0
	for gi, ground := range grounds {
		var photos []standPhoto
		var curves []Curve
		for li, leaf := range drawn.StandLeaves {
			for wi, wide := range []float64{1.5, 5} {
				p := measureStand(t, standOf(ground, leaf, wide, []float64{.06, .15}[wi], uint64(100*gi+10*li+wi)), 90)
				photos, curves = append(photos, p), append(curves, p.m.Curve)
			}
		}
		th, err := VisitThreshold(curves, opt)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range photos {
			r, err := AtThreshold(p.m, th, opt)
			if err != nil {
				t.Fatal(err)
			}
			for _, k := range []string{"all", ground, p.s.Leaf, fmt.Sprintf("%g mm wide", p.s.WidthMM)} {
				add(k, r.CoverFrac, p.truth.Plants)
			}
			eye := NeedsEye(p.m.Flags) || NeedsEye(r.Flags)
			if eye && math.Abs(r.CoverFrac-p.truth.Plants) <= 0.05 {
				eyes++
			}
			if !eye && math.Abs(r.CoverFrac-p.truth.Plants) > 0.1 {
				unseen++
				if ground != "moss" { // a film of algae among leaves is as faintly green as pale leaves are
					t.Errorf("%s leaves of %g mm on %s: cover %.3f, there is %.3f, and no eye is asked for", p.s.Leaf, p.s.WidthMM, ground, r.CoverFrac, p.truth.Plants)
				}
			}
		}
	}
	say("Cover of drawn stands (invented), one threshold a ground, points:")
	for _, k := range slices.Concat([]string{"all", "1.5 mm wide", "5 mm wide"}, drawn.StandLeaves, grounds) {
		s := by[k]
		if reached, ok := map[string]float64{"soil": .018, "wet soil": .025, "sand": .014, "rolled": .013, "straw": .014, "chips": .018, "residue": .016, "moss": .095}[k]; ok && s.off > reached*s.n {
			t.Errorf("%s: mean abs. error %.2f points, once within %.2f", k, 100*s.off/s.n, 100*reached)
		}
		say("%-12s %3.0f stands: mean abs. error %.2f, seen %.2f of what is there", k, s.n, 100*s.off/s.n, s.got/s.want)
	}
	if float64(eyes) > 0.05*by["all"].n { // asking always would be no answer
		t.Errorf("an eye is asked for at %d of %.0f stands, all right within 5 points", eyes, by["all"].n)
	}
	say("Off by more than 10 points and no eye asked for: %d; eyes asked for at stands right within 5 points: %d of %.0f", unseen, eyes, by["all"].n)
}

// spoilt is one way to spoil a stand.
type spoilt struct {
	name    string
	quality int // of the JPEG
	change  func(s *drawn.Stand)
}

var spoils = []spoilt{
	{"as it is", 90, func(*drawn.Stand) {}},
	{"green x 1.12", 90, func(s *drawn.Stand) { s.Gains = [3]float64{1, 1.12, 1} }},
	{"green x 1.3", 90, func(s *drawn.Stand) { s.Gains = [3]float64{.9, 1.17, .9} }},
	{"green x 1.6", 90, func(s *drawn.Stand) { s.Gains = [3]float64{.75, 1.2, .75} }},
	{"magenta x 1.12", 90, func(s *drawn.Stand) { s.Gains = [3]float64{1.06, .95, 1.06} }},
	{"magenta x 1.3", 90, func(s *drawn.Stand) { s.Gains = [3]float64{1.1, .85, 1.1} }},
	{"blue", 90, func(s *drawn.Stand) { s.Gains = [3]float64{.75, 1, 1.3} }},
	{"yellow", 90, func(s *drawn.Stand) { s.Gains = [3]float64{1.15, 1, .7} }},
	{"cyan", 90, func(s *drawn.Stand) { s.Gains = [3]float64{.6, 1.05, 1.05} }},
	{"shadow", 90, func(s *drawn.Stand) { s.Shadow = .3 }},
	{"dark", 90, func(s *drawn.Stand) { s.Exposure = .3 }},
	{"bright", 90, func(s *drawn.Stand) { s.Exposure = 1.8 }},
	{"JPEG q40", 40, func(*drawn.Stand) {}},
	{"out of focus", 90, func(s *drawn.Stand) { s.BlurPx = 8 }},
	{"smeared along", 90, func(s *drawn.Stand) { s.SmearPx = 20 }},
	{"smeared across", 90, func(s *drawn.Stand) { s.SmearPx, s.SmearDeg = 20, 90 }},
	{"teal tarp", 90, func(s *drawn.Stand) { s.Thing, s.ThingShare = "teal tarp", .3 }},
	{"green tarp", 90, func(s *drawn.Stand) { s.Thing, s.ThingShare = "green tarp", .3 }},
	{"green paint", 90, func(s *drawn.Stand) { s.Thing, s.ThingShare = "green paint", .2 }},
	{"boot", 90, func(s *drawn.Stand) { s.Thing, s.ThingShare = "boot", .25 }},
	{"hose", 90, func(s *drawn.Stand) { s.Thing, s.ThingShare = "hose", .08 }},
	{"closed canopy", 90, func(s *drawn.Stand) { s.WidthMM, s.Cover = 8, .97 }},
}

// TestSpoiltReport prints how far cover lies off on drawn stands (invented)
// that are spoilt, how many of those off by more than 10 points are not flagged
// as needing an eye, and how many of all are. None may be unseen but on moss.
func TestSpoiltReport(t *testing.T) {
	grounds := []string{"soil", "sand", "rolled", "moss"}
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		grounds = drawn.StandGrounds
	}
	say("Drawn stands (invented), each alone at its own threshold, spoilt:")
	say("%-16s %6s %9s %9s %12s %10s %6s", "how", "stands", "error", "off > 10", "and unseen", "need eye", "blur")
	unseen, scenes := 0, 0
	for _, sp := range spoils {
		var off float64
		wrong, missed, eyes, blurs, n := 0, 0, 0, 0, 0
		for gi, ground := range grounds {
			s := standOf(ground, drawn.StandLeaves[(gi+len(sp.name))%len(drawn.StandLeaves)], 4, .12, uint64(7+gi))
			sp.change(&s)
			p := measureStand(t, s, sp.quality)
			opt := standOptions()
			th, err := VisitThreshold([]Curve{p.m.Curve}, opt)
			if err != nil {
				t.Fatal(err)
			}
			r, err := AtThreshold(p.m, th, opt)
			if err != nil {
				t.Fatal(err)
			}
			n++
			e := math.Abs(r.CoverFrac - p.truth.Plants)
			off += e
			eye := NeedsEye(p.m.Flags) || NeedsEye(r.Flags)
			if eye && math.Abs(r.CoverFrac-p.truth.Plants) <= 0.05 {
				eyes++
			}
			if slices.ContainsFunc(p.m.Flags, func(f Flag) bool { return f.Code == FlagBlur }) {
				blurs++
			}
			if e > 0.1 {
				wrong++
				if !eye {
					missed++
					if ground != "moss" {
						t.Errorf("%s, %s leaves on %s: off by more than 10 points and no eye is asked for", sp.name, s.Leaf, ground)
					}
					t.Logf("%s, %s on %s: cover %.3f, there is %.3f; %+v", sp.name, s.Leaf, ground, r.CoverFrac, p.truth.Plants, p.m.Flags)
				}
			}
		}
		scenes += n
		unseen += missed
		if sp.name == "as it is" && eyes+blurs > 0 {
			t.Errorf("of %d stands that are not spoilt an eye is asked for at %d, %d are said to be blurred", n, eyes, blurs)
		}
		if sp.name == "out of focus" && blurs < n {
			t.Errorf("%d of %d stands out of focus are said to be blurred", blurs, n)
		}
		say("%-16s %6d %9.2f %9d %12d %10d %6d", sp.name, n, 100*off/float64(n), wrong, missed, eyes, blurs)
	}
	say("Off by more than 10 points and unseen: %d of %d", unseen, scenes)
}
