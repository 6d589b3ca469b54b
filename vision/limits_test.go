package vision

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/jpegturbo"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// TestFlagLimits: each number raises its flag just past its limit, with the
// severity it is documented with, and just short of it none.
func TestFlagLimits(t *testing.T) {
	for _, c := range []struct {
		name     string
		q        Quality
		code     FlagCode
		severity Severity // "" for no flag
	}{
		{"sharp", Quality{Acuity: .45}, FlagBlur, ""},
		{"soft", Quality{Acuity: .43}, FlagBlur, Glance},
		{"blurred", Quality{Acuity: .37}, FlagBlur, Glance},
		{"much blurred", Quality{Acuity: .35}, FlagBlur, MustLook},
		{"smooth", Quality{Acuity: .19}, FlagBlur, MustLook},
		{"little blown out", Quality{Acuity: 1, ClippedFrac: .019}, FlagClipped, ""},
		{"some blown out", Quality{Acuity: 1, ClippedFrac: .021}, FlagClipped, Glance},
		{"much blown out", Quality{Acuity: 1, ClippedFrac: .11}, FlagClipped, MustLook},
		{"little black", Quality{Acuity: 1, CrushedFrac: .049}, FlagCrushed, ""},
		{"some black", Quality{Acuity: 1, CrushedFrac: .051}, FlagCrushed, Glance},
		{"much black", Quality{Acuity: 1, CrushedFrac: .16}, FlagCrushed, MustLook},
		{"lit", Quality{Acuity: 1, DarkFrac: .099}, FlagShadow, ""},
		{"shaded", Quality{Acuity: 1, DarkFrac: .101}, FlagShadow, Glance},
		{"few red", Quality{Acuity: 1, RedFrac: .019}, FlagRedPlants, ""},
		{"red", Quality{Acuity: 1, RedFrac: .021}, FlagRedPlants, Glance},
		{"dry", Quality{Acuity: 1, GlintFrac: .0039}, FlagGlints, ""},
		{"wet", Quality{Acuity: 1, GlintFrac: .0041}, FlagGlints, Glance},
		{"bluish", Quality{Acuity: 1, GroundCb: 9}, FlagCast, ""},
		{"blue", Quality{Acuity: 1, GroundCb: 12}, FlagCast, Glance},
		{"very blue", Quality{Acuity: 1, GroundCb: 26}, FlagCast, MustLook},
		{"greenish", Quality{Acuity: 1, GroundCr: -9}, FlagCast, ""},
		{"green", Quality{Acuity: 1, GroundCr: -12}, FlagCast, MustLook},
		{"brown", Quality{Acuity: 1, GroundCr: 29}, FlagCast, ""},
		{"red cast", Quality{Acuity: 1, GroundCr: 31}, FlagCast, Glance},
		{"white paper", Quality{Acuity: 1, PaperGreen: -.09}, FlagCast, ""},
		{"green paper", Quality{Acuity: 1, PaperGreen: .11, PaperUsed: true}, FlagCast, Glance},
		{"magenta paper", Quality{Acuity: 1, PaperGreen: -.11, PaperUsed: true}, FlagCast, Glance},
		{"green paper left so", Quality{Acuity: 1, PaperGreen: .11}, FlagCast, MustLook},
		{"blown out green paper", Quality{Acuity: 1, PaperGreen: .11, PaperClipped: true}, FlagCast, MustLook},
		{"bare ground", Quality{Acuity: 1, GreenFiftieth: .07}, FlagNoGround, ""},
		{"no ground", Quality{Acuity: 1, GreenFiftieth: .09}, FlagNoGround, MustLook},
		{"no ground, white paper", Quality{Acuity: 1, GreenFiftieth: .09, PaperGreen: .01}, FlagNoGround, ""},
		{"green ground corrected", Quality{Acuity: 1, GreenFiftieth: .2, Corrected: true}, FlagCast, MustLook},
		{"magenta ground corrected", Quality{Acuity: 1, GreenHalf: -.2, Corrected: true}, FlagCast, MustLook},
		{"greenish half", Quality{Acuity: 1, GreenFrac: .9, GreenQuarter: .089, GreenHalf: .1}, FlagCast, ""},
		{"leaves of many greens", Quality{Acuity: 1, GreenFrac: .9, GreenQuarter: .12, GreenHalf: .17}, FlagCast, ""},
		{"straw", Quality{Acuity: 1, GreenFrac: .59, GreenQuarter: .1, GreenHalf: .12}, FlagCast, ""},
		{"one green", Quality{Acuity: 1, GreenFrac: .61, GreenQuarter: .095, GreenHalf: .13}, FlagCast, MustLook},
		{"one green, white paper", Quality{Acuity: 1, GreenFrac: .9, GreenQuarter: .095, GreenHalf: .13, PaperGreen: .01}, FlagCast, ""},
		{"a thing", Quality{Acuity: 1, ThingFrac: .05}, FlagThing, Glance},
		{"all a thing", Quality{Acuity: 1, ThingFrac: .6}, FlagThing, MustLook},
		{"perhaps a thing", Quality{Acuity: 1, NearThingFrac: .03}, FlagThing, MustLook},
		{"little of perhaps a thing", Quality{Acuity: 1, NearThingFrac: .009}, FlagThing, ""},
		{"some red plants", Quality{Acuity: 1, RedFrac: .059}, FlagRedPlants, Glance},
		{"many red plants", Quality{Acuity: 1, RedFrac: .061}, FlagRedPlants, MustLook},
		{"ground of one green and many warmths", Quality{Acuity: 1, GreenSpread: .01, WarmSpread: .091}, FlagFaded, ""},
		{"ground of one warmth and many greens", Quality{Acuity: 1, GreenSpread: .076, WarmSpread: .01}, FlagFaded, ""},
		{"few hues", Quality{Acuity: 1, GreenSpread: .074, WarmSpread: .089}, FlagFaded, Glance},
		{"no less than a look needs", Quality{Acuity: 1, GreenSpread: .037, WarmSpread: .089}, FlagFaded, Glance},
		{"hardly any hue", Quality{Acuity: 1, GreenSpread: .035, WarmSpread: .089}, FlagFaded, MustLook},
		{"flat green", Quality{Acuity: 1, FlatFrac: .03}, FlagThing, MustLook},
	} {
		var got Severity
		for _, f := range c.q.flags() {
			if f.Code == c.code {
				got = f.Severity
			} else {
				t.Errorf("%s: also flagged %s", c.name, f.Code)
			}
		}
		if got != c.severity {
			t.Errorf("%s: severity %q of %s, want %q", c.name, got, c.code, c.severity)
		}
		if NeedsEye(c.q.flags()) != (c.severity == MustLook) {
			t.Errorf("%s: asks for an eye %v", c.name, NeedsEye(c.q.flags()))
		}
	}
}

// TestMatFlag: green that lies like a mat is told from its limits on, and asks for
// an eye where so much was counted that 10 points of it may be wrong.
func TestMatFlag(t *testing.T) {
	for _, c := range []struct {
		name     string
		q        Quality
		cover    float64
		severity Severity
	}{
		{"leaves", Quality{MatFrac: .129, GreenRise: .126, MatScore: .42}, .5, ""},
		{"a mat", Quality{MatFrac: .131, GreenRise: .3}, .5, MustLook},
		{"a mat among leaves", Quality{GreenRise: .3, MatScore: .44}, .101, MustLook},
		{"little of a mat", Quality{GreenRise: .3, MatScore: .44}, .099, Glance},
		{"smooth green", Quality{GreenRise: .124}, .5, MustLook},
	} {
		if f, ok := c.q.matFlag(c.cover); ok != (c.severity != "") || f.Severity != c.severity || ok && f.Code != FlagMat {
			t.Errorf("%s: %+v, want severity %q", c.name, f, c.severity)
		}
	}
}

// TestNoiseSpreads: on bare ground the threshold found lies 2.7 standard
// deviations of the ground's lower side above its peak.
func TestNoiseSpreads(t *testing.T) {
	s := scales[IndexSoftExG]
	rng := rand.New(rand.NewPCG(4, 9))
	c := Curve{Index: IndexSoftExG}
	const spread = 0.03
	for range 200000 {
		c.Counts[s.code(spread*rng.NormFloat64())]++
	}
	th, err := VisitThreshold([]Curve{c}, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "threshold found on bare ground", th.Found, 2.7*spread, 0.006)
}

// TestWeightOfAVisit: the pooled histogram's say grows with the photos as n
// over n and the shrinkage, up to the largest weight, and the value is the
// weighted mean of what was found and the typical one.
func TestWeightOfAVisit(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 10))
	var curves []Curve
	for range 6 {
		curves = append(curves, randomCurve(rng, .3))
	}
	o := DefaultOptions()
	o.Shrink, o.MaxWeight = 2, .9
	for _, n := range []int{1, 2, 6} {
		th, err := VisitThreshold(curves[:n], o)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "weight", th.Weight, .9*float64(n)/float64(n+2), 1e-12)
		near(t, "value", th.Value, th.Weight*th.Found+(1-th.Weight)*th.Prior, scales[IndexSoftExG].step)
	}
}

// TestRangeSides: the range reaches down by its lower factor and up by its
// upper one, is wider where the curve is steep, and stays within 0 and 1.
func TestRangeSides(t *testing.T) {
	s := scales[IndexSoftExG]
	curve := func(faint uint32) *Curve { // a tenth plain green, and faint green about the threshold
		c := &Curve{Index: IndexSoftExG}
		c.Counts[s.nearest(0)], c.Counts[s.nearest(.4)] = 9000-2*faint, 1000
		c.Counts[s.nearest(.11)], c.Counts[s.nearest(.13)] = faint, faint
		return c
	}
	const th = 0.12
	for _, faint := range []uint32{0, 500} {
		c := curve(faint)
		cover := (1000 + float64(faint)) / 10000
		unit := 2*float64(faint)/10000 + 0.06*math.Sqrt((cover+.01)*(1.01-cover))
		lo, hi := coverRange(c, th)
		near(t, "lower end", lo, cover-rangeTable[1].lo*unit, 1e-9)
		near(t, "upper end", hi, cover+rangeTable[1].hi*unit, 1e-9)
		near(t, "cover", c.CoverFrac(th), cover, 1e-9)
	}
	for _, row := range rangeTable {
		if row.lo <= 0 || row.hi <= 0 {
			t.Errorf("range below %g: %+v", row.below, row)
		}
	}
	for _, c := range []*Curve{{Index: IndexSoftExG}, curve(0)} {
		if lo, hi := coverRange(c, s.low); lo < 0 || hi > 1 || lo > hi {
			t.Errorf("range %g to %g", lo, hi)
		}
	}
}

// TestWideRange: a photo whose cover hangs on the threshold asks for an eye.
func TestWideRange(t *testing.T) {
	s := scales[IndexSoftExG]
	for faint, want := range map[uint32]bool{0: false, 2000: true} {
		m := Measurement{Curve: Curve{Index: IndexSoftExG}}
		m.Curve.Counts[s.nearest(0)], m.Curve.Counts[s.nearest(.4)] = 9000-2*faint, 1000
		m.Curve.Counts[s.nearest(.11)], m.Curve.Counts[s.nearest(.13)] = faint, faint
		th, err := HandThreshold(IndexSoftExG, .12)
		if err != nil {
			t.Fatal(err)
		}
		r, err := AtThreshold(m, th, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if NeedsEye(r.Flags) != want {
			t.Errorf("%d faint cells: range %.2f to %.2f, flags %+v", faint, r.CoverLo, r.CoverHi, r.Flags)
		}
	}
}

// TestStatedScale: a scale that is stated outranks the card's.
func TestStatedScale(t *testing.T) {
	photo, opt := framedPhotoOf(t, 1, true, 1600, 1200)
	opt.FrameMM, opt.FrameByMarks, opt.CardCodeMM, opt.MMPerPx = [2]float64{}, false, 80, 0.123
	m, err := Measure(photo, opt)
	if err != nil {
		t.Fatal(err)
	}
	if m.Card == "" || m.MMPerPx != 0.123 {
		t.Errorf("card %q, %g mm a pixel, want 0.123 as stated", m.Card, m.MMPerPx)
	}
}

// TestShareOfACropPiece: a piece is crop where more than half of it lies in a
// crop area, and weed where 40 % do.
func TestShareOfACropPiece(t *testing.T) {
	s := newScene(400, 400, soilRGB).fill(100, 100, 100, 100, leafRGB)
	for share, want := range map[float64]Kind{.1: Weed, .4: Weed, .6: Crop, .9: Crop} {
		opt := plain()
		x := 100 + 100*share
		opt.Pieces.Crop = [][]raster.Point{{{X: 50, Y: 50}, {X: x, Y: 50}, {X: x, Y: 250}, {X: 50, Y: 250}}}
		_, r := alone(t, s.png(t), opt)
		if len(r.Pieces) != 1 || r.Pieces[0].Kind != want {
			t.Errorf("%.0f %% in the crop area: %+v, want %v", 100*share, r.Pieces, want)
		}
	}
}

// TestLeafMove: photos of pale leaves are raised, those of usual and deep green
// ones and bare ones stay.
func TestLeafMove(t *testing.T) {
	s := scales[IndexSoftExG]
	var same [256]uint8
	for i := range same {
		same[i] = uint8(i)
	}
	move := func(leaf float64, share float64) int {
		h := make([]uint64, 256)
		h[s.nearest(0)], h[s.nearest(leaf)] = uint64(100000*(1-share)), uint64(100000*share)
		return leafMove(h, &same, s)
	}
	pale, usual, deep := move(.17, .1), move(.27, .1), move(.5, .1)
	if want := int(math.Round(.6 * .1 / s.step)); pale < want-2 || pale > want {
		t.Errorf("pale leaves move by %d codes, want about %d", pale, want)
	}
	if usual != 0 || deep != 0 || move(.17, 0) != 0 {
		t.Errorf("usual leaves move by %d, deep green ones by %d, none by %d", usual, deep, move(.17, 0))
	}
	if few := move(.17, .0005); !(few > 0 && few < pale) {
		t.Errorf("next to no leaves move by %d, many by %d", few, pale)
	}
}

// TestReach: faint green counts up to reach cells from plain green, also
// around a corner, and no farther.
func TestReach(t *testing.T) {
	s, _ := IndexSoftExG.scale()
	ground, faint, plain := uint8(s.nearest(0)), uint8(s.nearest(.1)), uint8(s.nearest(s.certain))
	const w, h = 40, 20
	codes := make([]uint8, w*h)
	for i := range codes {
		codes[i] = ground
	}
	codes[10*w+2] = plain
	for x := 3; x < 30; x++ { // a film that goes on from a leaf
		codes[10*w+x] = faint
	}
	p, c := planeOf(IndexSoftExG, codes, w, h)
	p.dropUnconnected(c, 0, 7, new([3][]uint64))
	if got := c.CoverFrac(.08) * w * h; math.Round(got) != 8 {
		t.Errorf("%g cells count as green, want the leaf and 7 beside it", got)
	}
	// What is plain goes with the photo's leaves and light.
	codes[10*w+2] = plain - 10
	for move, want := range map[int]float64{0: 0, -9: 0, -10: 8} {
		p, c := planeOf(IndexSoftExG, codes, w, h)
		p.dropUnconnected(c, move, 7, new([3][]uint64))
		if got := c.CoverFrac(.08) * w * h; math.Round(got) != want {
			t.Errorf("what is plain moved by %d: %g cells count, want %g", move, got, want)
		}
	}
}

// TestGroundCast: a green or magenta cast of the ground is found at its
// strength; brown, blue and yellow light is none, and a closed canopy is not
// taken for ground.
func TestGroundCast(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	of := func(share float64, ground, leaf, gain [3]float64) swatches {
		all := make(swatches, swatchesAcross*swatchesAcross)
		for i := range all {
			c := ground
			if rng.Float64() < share {
				c = leaf
			}
			k := 1 + .1*rng.NormFloat64()
			hue := .02 * rng.NormFloat64()
			all[i] = swatch{r: c[0] * k * gain[0], g: c[1] * k * gain[1] * (1 + hue), b: c[2] * k * gain[2], luma: 100, seen: true}
		}
		return all
	}
	soil, leaf := [3]float64{120, 95, 70}, [3]float64{74, 118, 48}
	for _, c := range []struct {
		name  string
		gain  [3]float64
		share float64
		want  float64 // strength of the cast, ln; 0 for none
	}{
		{"white", [3]float64{1, 1, 1}, .2, 0},
		{"blue sky", [3]float64{.8, 1, 1.25}, .2, 0},
		{"lamp", [3]float64{1.25, 1, .8}, .2, 0},
		{"green", [3]float64{1, 1.3, 1}, .2, math.Log(1.3)},
		{"green, many plants", [3]float64{1, 1.3, 1}, .6, math.Log(1.3)},
		{"magenta", [3]float64{1.15, .9, 1.15}, .2, math.Log(.9 / 1.15)},
		{"many plants", [3]float64{1, 1, 1}, .7, 0},
		{"magenta, many plants", [3]float64{1.1, .9, 1.1}, .7, math.Log(.9 / 1.1)},
	} {
		k, ok := of(c.share, soil, leaf, c.gain).greennesses().castGains()
		if ok != (c.want != 0) {
			t.Errorf("%s: a cast is found: %v", c.name, ok)
			continue
		}
		near(t, c.name, math.Log(k.red), c.want, 0.06)
	}
	canopy := make(swatches, swatchesAcross*swatchesAcross)
	for i := range canopy {
		k, pale := .6+.8*rng.Float64(), rng.Float64()
		canopy[i] = swatch{r: k * (74 + 60*pale), g: k * (118 + 35*pale), b: k * (48 + 45*pale), luma: 100, seen: true}
	}
	g := canopy.greennesses()
	if _, ok := g.castGains(); ok || g.fiftieth < greenest {
		t.Errorf("a closed canopy was taken for ground under a cast, %+v", g)
	}
}

// TestPaperClipped: of paper whose green is blown out the least cast is told
// that it proves, and of paper that is blown out all over nothing.
func TestPaperClipped(t *testing.T) {
	for _, c := range []struct {
		p       paper
		green   float64
		clipped bool
		red     float64 // gain
	}{
		{paper{204, 255, 204}, math.Log(255.0 / 204), true, 1.25},
		{paper{200, 200, 200}, 0, false, 1},
		{paper{200, 240, 200}, math.Log(1.2), false, 1.2},
		{paper{255, 255, 255}, 0, true, 1},
		{paper{255, 220, 255}, math.Log(220.0 / 255), true, 1},
		{paper{220, 255, 255}, 0, true, 1}, // light from cyan to green: green is proven by no more than 0
	} {
		v, clipped := c.p.green()
		if c.p == (paper{220, 255, 255}) {
			if !clipped || v < 0 {
				t.Errorf("%v: %g, %v", c.p, v, clipped)
			}
			continue
		}
		near(t, "cast of paper", v, c.green, 1e-9)
		if clipped != c.clipped {
			t.Errorf("%v: clipped %v", c.p, clipped)
		}
		g, _ := c.p.gains()
		near(t, "gain of red", g.red, c.red, 1e-9)
	}
}

// TestThings: a sheet of plastic, paint and a hose are told by their hue and
// counted as bare, a boot of a leaf's hue asks for an eye by its flatness, and
// leaves of every kind do neither.
func TestThings(t *testing.T) {
	for _, thing := range append([]string{""}, drawn.Things...) {
		s := standOf("residue", "green", 4, .12, 3)
		if thing != "" {
			s.Thing, s.ThingShare = thing, map[string]float64{"hose": .08}[thing]
			if s.ThingShare == 0 {
				s.ThingShare = .25
			}
		}
		p := measureStand(t, s, 90)
		th, err := VisitThreshold([]Curve{p.m.Curve}, standOptions())
		if err != nil {
			t.Fatal(err)
		}
		cover := p.m.Curve.CoverFrac(th.Value)
		seen := slices.ContainsFunc(p.m.Flags, func(f Flag) bool { return f.Code == FlagThing })
		eye := NeedsEye(p.m.Flags)
		switch thing {
		case "":
			if seen {
				t.Errorf("leaves are taken for a thing: %+v", p.m.Flags)
			}
		case "boot":
			if !eye {
				t.Errorf("a boot asks for no eye: %+v", p.m.Quality)
			}
			opt := standOptions()
			opt.Exclude = [][]raster.Point{{{X: 0, Y: 0}, {X: .3 * standSide, Y: 0}, {X: .3 * standSide, Y: standSide}, {X: 0, Y: standSide}}}
			rgb, _ := s.Render()
			m, err := Measure((&scene{standSide, standSide, rgb}).jpeg(t, 90), opt)
			if err != nil {
				t.Fatal(err)
			}
			if NeedsEye(m.Flags) {
				t.Errorf("its area is left out, and an eye is asked for: %+v", m.Flags)
			}
		default:
			near(t, "cover beside "+thing, cover, p.truth.Plants, 0.03)
			if !seen {
				t.Errorf("%s is not told: %+v", thing, p.m.Quality)
			}
		}
	}
}

// TestBlurDirections: straw that lies one way is not taken for a blurred
// picture, whichever way it lies, and most blurred ones are: 16 of 24 over twelve
// draws, 6 of 8 over these four.
func TestBlurDirections(t *testing.T) {
	straw := func(seed uint64, turned bool, radius int) *scene {
		rng := rand.New(rand.NewPCG(seed, 7))
		s := newScene(600, 600, soilRGB)
		for range 2500 {
			k := rng.IntN(60)
			x, y := rng.IntN(700)-100, rng.IntN(600)
			w, h := 150+rng.IntN(200), 3+rng.IntN(3)
			if turned {
				x, y, w, h = y, x, h, w
			}
			s.fill(max(x, 0), max(y, 0), max(min(w+min(x, 0), 600-max(x, 0)), 0), max(min(h+min(y, 0), 600-max(y, 0)), 0), [3]int{150 + k, 130 + k, 90 + k})
		}
		if radius > 0 {
			s = s.boxed(radius).boxed(radius).boxed(radius)
		}
		return s.noise(rng, 3, 0, 0, 600, 600)
	}
	flagged := 0
	for seed := range uint64(4) {
		for _, c := range []struct {
			turned bool
			radius int
		}{{false, 0}, {false, 6}, {true, 0}, {true, 6}} {
			m, _ := alone(t, straw(seed, c.turned, c.radius).png(t), plain())
			switch got := slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagBlur }); {
			case got && c.radius == 0:
				t.Errorf("sharp straw %d, turned %v, is flagged as blurred: acuity %.2f", seed, c.turned, m.Quality.Acuity)
			case got:
				flagged++
			}
		}
	}
	if flagged < 6 {
		t.Errorf("%d of 8 blurred pictures of straw are flagged", flagged)
	}
}

// boxed is the scene averaged over boxes.
func (s *scene) boxed(radius int) *scene {
	out := newScene(s.w, s.h, soilRGB)
	for k := range 3 {
		for pass, from := range []*scene{s, out} {
			line := make([]int, max(s.w, s.h))
			n, m := s.w, s.h
			if pass == 1 {
				n, m = s.h, s.w
			}
			at := func(i, j int) int {
				if pass == 1 {
					return 3*(i*s.w+j) + k
				}
				return 3*(j*s.w+i) + k
			}
			for j := range m {
				for i := range n {
					sum, c := 0, 0
					for u := max(i-radius, 0); u <= min(i+radius, n-1); u++ {
						sum += int(from.rgb[at(u, j)])
						c++
					}
					line[i] = sum / c
				}
				for i := range n {
					out.rgb[at(i, j)] = byte(line[i])
				}
			}
		}
	}
	return out
}

// TestTwoCardsInAPhoto: two cards are a question with both named, also where
// one of them cannot be read; neither is chosen, and cover is measured.
func TestTwoCardsInAPhoto(t *testing.T) {
	class, _ := label.ClassByID(0)
	a, b := label.Label{Trial: "ALDR", Plot: "101", Quadrat: 1}, label.Label{Trial: "ALDR", Plot: "102", Quadrat: 1}
	for _, c := range []struct {
		name   string
		second func(p *drawn.Print)
		cards  int
		unread int
	}{
		{"two that are read", func(*drawn.Print) {}, 2, 0},
		{"one with a hole in it", func(p *drawn.Print) {
			for y := 9; y < 14; y++ {
				for x := 9; x < 21; x++ {
					p.Cells[y][x] = true
				}
			}
		}, 1, 1},
		{"none but one", func(p *drawn.Print) { *p = drawn.Print{X: -3000, Y: -3000, CellMM: 1, Cells: [][]bool{{true}}} }, 1, 0},
	} {
		s := quadratScene(4, class.WidthMM, class.HeightMM, "soil")
		s.ShadowEdge, s.PipeShadow, s.Leaves, s.TiltDeg = false, false, 0, 2
		paint(t, &s, class, []int{0, 1, 2, 3}, a)
		s.Prints[4].X, s.Prints[4].Y = 60, 60
		paint(t, &s, class, nil, b)
		s.Prints[5].X, s.Prints[5].Y = 320, 320
		c.second(&s.Prints[5])
		r, truth := s.Render(1600, 1200)
		opt := framedOptions(class.WidthMM, class.HeightMM)
		opt.FocalPx = truth.Focal
		m, err := Measure(asJPEG(t, r), opt)
		if err != nil {
			t.Fatal(err)
		}
		asked := slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagTwoCards && f.Severity == MustLook })
		one := c.cards == 1 && c.unread == 0
		if len(m.Cards) != c.cards || m.UnreadCards != c.unread || asked == one || (m.Card != "") != one || m.Curve.Cells() == 0 {
			t.Errorf("%s: card %q of %q, %d unread, flags %+v", c.name, m.Card, m.Cards, m.UnreadCards, m.Flags)
		}
	}
}

// TestPrintedSmaller: marks printed at 94 % leave cover and corners as they
// are and are told with their size; true ones are not.
func TestPrintedSmaller(t *testing.T) {
	class, _ := label.ClassByID(0)
	covers := map[float64]float64{}
	for _, scale := range []float64{1, .94, 1.06} {
		s := quadratScene(4, class.WidthMM, class.HeightMM, "weedy")
		s.ShadowEdge, s.PipeShadow, s.Leaves = false, false, 0
		paint(t, &s, class, []int{0, 1, 2, 3}, label.Label{})
		for i := range s.Prints { // about the frame's corner that the plate touches
			p := &s.Prints[i]
			var x, y float64
			if p.X > 0 {
				x = class.WidthMM
			}
			if p.Y > 0 {
				y = class.HeightMM
			}
			p.X, p.Y = x+scale*(p.X-x), y+scale*(p.Y-y)
			p.CellMM, p.MarginMM = scale*p.CellMM, scale*p.MarginMM
		}
		r, truth := s.Render(1600, 1200)
		rgb, w, h, err := jpegturbo.DecodeRGB(asJPEG(t, r))
		if err != nil {
			t.Fatal(err)
		}
		photo, err := jpegturbo.Encode(rgb, w, h, 92, true)
		if err != nil {
			t.Fatal(err)
		}
		opt := framedOptions(class.WidthMM, class.HeightMM)
		opt.FocalPx, opt.ReadCard = truth.Focal, false
		m, err := Measure(photo, opt)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "size of the print", m.Frame.PrintScale, scale, 0.01)
		if told := slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagPrintSize && f.Severity == Glance }); told != (scale != 1) {
			t.Errorf("printed at %g: told %v", scale, told)
		}
		if e := cornerError(m.Frame.Corners, [4]raster.Point(truth.Ground)); e > 0.002 {
			t.Errorf("printed at %g: a corner is off by %.2f %% of the side", scale, 100*e)
		}
		covers[scale] = m.Curve.CoverFrac(scales[IndexSoftExG].prior)
	}
	for scale, c := range covers {
		near(t, fmt.Sprintf("cover printed at %g", scale), c, covers[1], 0.003)
	}
}
