package vision

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"quadtally/vision/internal/drawn"
)

// kindsOf are swatches of which a share has the colour of leaves and the rest
// that of ground, each with its own brightness and a little noise.
func kindsOf(leaf, ground [3]float64, share float64, light func(rng *rand.Rand) float64) swatches {
	rng := rand.New(rand.NewPCG(12, 7))
	all := make(swatches, swatchesAcross*swatchesAcross)
	for i := range all {
		c, k := ground, light(rng)
		if rng.Float64() < share {
			c = leaf
		}
		s := &all[i]
		s.r, s.g, s.b = k*c[0]+2*rng.NormFloat64(), k*c[1]+2*rng.NormFloat64(), k*c[2]+2*rng.NormFloat64()
		s.luma, s.seen = 0.299*s.r+0.587*s.g+0.114*s.b, true
	}
	return all
}

// TestStandsOut: whatever light falls on a spot, leaves stand out by their own
// brightness; one kind of ground alone says nothing, and neither do too few
// spots of a known hue.
func TestStandsOut(t *testing.T) {
	glaucous, frosted, soil := [3]float64{98, 123, 104}, [3]float64{132, 152, 128}, [3]float64{120, 95, 70}
	even := func(*rand.Rand) float64 { return 1 }
	dappled := func(rng *rand.Rand) float64 { return pick(rng, 1, .3) }
	for name, all := range map[string]swatches{
		"even":    kindsOf(glaucous, soil, 0.4, even),
		"dappled": kindsOf(glaucous, soil, 0.4, dappled),
		"frosted": kindsOf(frosted, soil, 0.4, dappled),
	} {
		if share, clear := all.standsOut(nil); !clear || math.Abs(share-0.4) > 0.02 {
			t.Errorf("%s: %.3f stands out, clear %v; want 0.4", name, share, clear)
		}
	}
	for name, all := range map[string]swatches{
		"bare":         kindsOf(soil, soil, 0.4, dappled),
		"red leaves":   kindsOf([3]float64{140, 50, 80}, soil, 0.4, even),
		"green ground": kindsOf([3]float64{40, 150, 30}, [3]float64{90, 125, 60}, 0.4, even),
	} {
		if share, clear := all.standsOut(nil); clear {
			t.Errorf("%s: %.3f stands out, want no opinion", name, share)
		}
	}
	all := kindsOf(glaucous, soil, 0.4, even)
	marked := make([]bool, len(all))
	for i, s := range all {
		marked[i] = s.g > s.r
	}
	if share, clear := all.standsOut(marked); clear {
		t.Errorf("%.3f stands out of what is no plant", share)
	}
	for i := range all {
		all[i].clipped = i%4 > 0
	}
	if share, clear := all.standsOut(nil); clear {
		t.Errorf("%.3f stands out where three quarters have no hue", share)
	}
}

// TestTwoWays: pale leaves that are missed or halved in dappled light, in
// frost or under a blue cast are asked about, as they are seen the second way.
func TestTwoWays(t *testing.T) {
	blue := standOf("sand", "frosted", 3.4, .5, 395)
	blue.Gains = [3]float64{.6, 1, 1.5}
	dappled := standOf("rolled", "frosted", 1.9, .45, 369)
	dappled.Dapple = .2
	frost := standOf("straw", "glaucous", 3.1, .4, 861)
	frost.Frost = .7
	deep := standOf("wet soil", "frosted", 3, .3, 257)
	deep.Dapple, deep.Exposure = .16, .87
	for name, s := range map[string]drawn.Stand{"blue cast": blue, "dappled": dappled, "frost": frost, "deep shade": deep} {
		rgb, truth := s.Render()
		a := answer(t, drawnScene{name, s, 85}, (&scene{standSide, standSide, rgb}).jpeg(t, 85), truth.Plants)
		if math.Abs(a.off()) > 0.1 && !a.eye() {
			t.Errorf("%s: cover %.3f, there is %.3f, and no eye is asked for: %+v", name, a.r.CoverFrac, a.truth, a.m.Quality)
		}
	}
	// The flag says which way, and only past its limit.
	m, r := alone(t, discs(9, 30, 400, 300, 1).jpeg(t, 90), plain())
	asks := func(off float64) bool {
		m.Quality.StandsOut, m.Quality.TwoKinds = r.CoverFrac+off, true
		got, err := AtThreshold(m, r.Threshold, plain())
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(got.Flags, func(f Flag) bool { return f.Code == FlagTwoWays && f.Severity == MustLook })
	}
	for _, c := range []struct {
		off  float64
		want bool
	}{{0, false}, {limitTwoWays - .001, false}, {limitTwoWays + .001, true}, {-limitTwoWays + .001, false}, {-limitTwoWays - .001, true}} {
		if asks(c.off) != c.want {
			t.Errorf("what stands out lies %+.3f off: asked %v, want %v", c.off, !c.want, c.want)
		}
	}
	m.Quality.DarkFrac = inShade + .001 // in shade less is enough
	if !asks(limitInShade+.001) || asks(limitInShade-.001) || !asks(-limitInShade-.001) {
		t.Errorf("in shade the limit is not %.3f", limitInShade)
	}
	m.Quality.TwoKinds = false
	if got, err := AtThreshold(m, r.Threshold, plain()); err != nil || slices.ContainsFunc(got.Flags, func(f Flag) bool { return f.Code == FlagTwoWays }) {
		t.Errorf("what stands out unclearly is told, error %v", err)
	}
}

// TestMatAmongLeaves: cushions of moss and films of algae among leaves are asked
// about, the same leaves without them are not, and where nothing is green there
// is no score.
func TestMatAmongLeaves(t *testing.T) {
	for _, c := range []struct {
		ground, leaf string
		film         [3]float64
	}{
		{"chips", "dark", [3]float64{92, 112, 44}},
		{"straw", "green", [3]float64{120, 130, 60}},
		{"soil", "glaucous", [3]float64{70, 92, 40}},
	} {
		s := standOf(c.ground, c.leaf, 3.8, .3, 967)
		score := func() float64 {
			rgb, truth := s.Render()
			a := answer(t, drawnScene{"mat", s, 90}, (&scene{standSide, standSide, rgb}).jpeg(t, 90), truth.Plants)
			if off := math.Abs(a.off()); off > 0.1 && !a.eye() || off <= 0.05 && a.eye() {
				t.Errorf("%s leaves on %s, film %v: cover %.3f, there is %.3f, eye %v: %+v", c.leaf, c.ground, s.Film, a.r.CoverFrac, a.truth, a.eye(), a.m.Flags)
			}
			return a.m.Quality.MatScore
		}
		without := score()
		s.Film, s.FilmShare, s.FilmFrac = c.film, .45, 1
		if with := score(); with <= limitMatScore || without > limitMatScore {
			t.Errorf("%s leaves on %s: score %.2f with moss and %.2f without, limit %.2f", c.leaf, c.ground, with, without, limitMatScore)
		}
	}
	if v := make(swatches, swatchesAcross*swatchesAcross).matScore(); v != 0 {
		t.Errorf("score %g where nothing is seen", v)
	}
}

// TestBeside: leaves stand out from the ground beside them; green light or hay over a
// part of the ground does not, and makes the ground unlike; too few tiles of a
// known hue say nothing.
func TestBeside(t *testing.T) {
	leaf, soil := [3]float64{74, 118, 48}, [3]float64{120, 95, 70}
	all := kindsOf(leaf, soil, 0.3, func(rng *rand.Rand) float64 { return pick(rng, 1, .5) })
	share, uneven, ok := all.beside(nil)
	if !ok || math.Abs(share-0.3) > 0.03 || uneven > 0.02 {
		t.Errorf("%.3f stands out, uneven %.3f, %v; want 0.3 on even ground", share, uneven, ok)
	}
	hay := slices.Clone(all)
	for i := range hay {
		if s := &hay[i]; i%swatchesAcross < swatchesAcross/2 && s.r > s.g {
			s.r, s.g, s.b = 100, 112, 80
		}
	}
	if part, unlike, _ := hay.beside(nil); math.Abs(part-share) > 0.05 || unlike < 4*uneven+0.05 {
		t.Errorf("half of the ground is hay: %.3f stands out, uneven %.3f; without it %.3f and %.3f", part, unlike, share, uneven)
	}
	marked := make([]bool, len(all))
	for i, s := range all {
		marked[i] = s.g > s.r
	}
	if got, _, ok := all.beside(marked); !ok || got > 0.05 {
		t.Errorf("%.3f stands out of what is no plant", got)
	}
	for i := range all {
		all[i].clipped = i%swatchesAcross >= swatchesAcross/8
	}
	if _, _, ok := all.beside(nil); ok {
		t.Error("an eighth of the ground with a hue is an answer")
	}
}

// BenchmarkBeside is what the look at the ground beside costs a photo.
func BenchmarkBeside(b *testing.B) {
	all := kindsOf([3]float64{74, 118, 48}, [3]float64{120, 95, 70}, 0.3, func(*rand.Rand) float64 { return 1 })
	for b.Loop() {
		all.beside(nil)
	}
}
