package vision

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func randomCurve(rng *rand.Rand, greenShare float64) Curve {
	c := Curve{Index: IndexSoftExG}
	for range 20000 {
		v := rng.NormFloat64()*0.03 - 0.02
		if rng.Float64() < greenShare {
			v = 0.3 + rng.NormFloat64()*0.05
		}
		c.Counts[scales[IndexSoftExG].code(v)]++
	}
	return c
}

// TestVisitThresholdOrder: order and parts do not matter.
func TestVisitThresholdOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var curves []Curve
	for i := range 12 {
		curves = append(curves, randomCurve(rng, float64(i)/20))
	}
	want, err := VisitThreshold(curves, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		other := slices.Clone(curves)
		rng.Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
		got, err := VisitThreshold(other, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if got != want {
			t.Errorf("shuffled: %+v, want %+v", got, want)
		}
	}
}

// TestVisitThresholdGuards: nothing green, nothing but green, or one photo
// alone stays near the prior and inside the guards.
func TestVisitThresholdGuards(t *testing.T) {
	s := scales[IndexSoftExG]
	for name, share := range map[string]float64{"bare": 0, "trace": 0.001, "half": 0.5, "full": 1} {
		// A source of its own for each, or the order of the map would matter.
		c := randomCurve(rand.New(rand.NewPCG(2, 2)), share)
		th, err := VisitThreshold([]Curve{c}, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if th.Value < s.low-1e-9 || th.Value > s.high+1e-9 {
			t.Errorf("%s: threshold %.3f outside %.3f to %.3f", name, th.Value, s.low, s.high)
		}
		near(t, name, c.CoverFrac(th.Value), share, 0.012)
		if (name == "full") != strings.Contains(th.Basis, "nothing but green") {
			t.Errorf("%s: basis %q", name, th.Basis)
		}
	}
	if _, err := VisitThreshold(nil, DefaultOptions()); err == nil {
		t.Error("threshold from no photo at all")
	}
	rng := rand.New(rand.NewPCG(2, 2))
	other := randomCurve(rng, 0.1)
	other.Index = IndexExG
	if _, err := VisitThreshold([]Curve{randomCurve(rng, 0.1), other}, DefaultOptions()); err == nil {
		t.Error("two indices pooled without a word")
	}
	for _, v := range []float64{math.NaN(), -1, 5} {
		if _, err := HandThreshold(IndexSoftExG, v); err == nil {
			t.Errorf("threshold %g accepted", v)
		}
	}
}

// TestSplitOptimum: no other split has a larger variance between classes.
func TestSplitOptimum(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	between := func(h []uint64, k int) float64 {
		var n [2]float64
		var s [2]float64
		for i, v := range h {
			side := 0
			if i >= k {
				side = 1
			}
			n[side] += float64(v)
			s[side] += float64(v) * float64(i)
		}
		if n[0] == 0 || n[1] == 0 {
			return 0
		}
		d := s[0]/n[0] - s[1]/n[1]
		return n[0] * n[1] * d * d
	}
	for range 50 {
		h := make([]uint64, 256)
		for i := range h {
			h[i] = uint64(rng.IntN(1000))
		}
		k, ok := split(h)
		if !ok {
			t.Fatal("no split")
		}
		for j := range h {
			if between(h, j) > between(h, k)*(1+1e-12) {
				t.Fatalf("split at %d is better than %d", j, k)
			}
		}
	}
	if _, ok := split(make([]uint64, 256)); ok {
		t.Error("an empty histogram was split")
	}
}

func FuzzCurve(f *testing.F) {
	c := randomCurve(rand.New(rand.NewPCG(1, 2)), 0.2)
	b, err := c.MarshalBinary()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:len(b)/2])
	f.Fuzz(func(t *testing.T, b []byte) {
		var c Curve
		if c.UnmarshalBinary(b) != nil {
			return
		}
		again, err := c.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		var d Curve
		if err := d.UnmarshalBinary(again); err != nil || d != c {
			t.Fatalf("curve changed on its way through bytes: %v", err)
		}
	})
}

func FuzzPlane(f *testing.F) {
	p := Plane{Index: IndexSoftExG, Width: 3, Height: 2, Levels: []uint8{0, 0, 0, 5, Outside, 31}}
	b, err := p.MarshalBinary()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:20])
	f.Fuzz(func(t *testing.T, b []byte) {
		var p Plane
		if p.UnmarshalBinary(b) != nil {
			return
		}
		if len(p.Levels) != p.Width*p.Height {
			t.Fatalf("%d levels for %d x %d cells", len(p.Levels), p.Width, p.Height)
		}
	})
}

func FuzzOrientation(f *testing.F) {
	f.Add(oriented([]byte("\xff\xd8\xff\xda"), 6))
	f.Add([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x02eXIfII\x00\x00\x00\x00"))
	f.Add([]byte("RIFF\x00\x00\x00\x00WEBPEXIF\x08\x00\x00\x00II*\x00\x08\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, format := range []Format{FormatJPEG, FormatPNG, FormatWebP, FormatHEIC} {
			if o := orientation(b, format); o < 0 || o > 65535 {
				t.Fatalf("orientation %d", o)
			}
		}
	})
}

// FuzzMeasure: no bytes bring the reader down.
func FuzzMeasure(f *testing.F) {
	s := newScene(40, 32, soilRGB).fill(4, 4, 10, 10, leafRGB)
	for _, b := range [][]byte{s.png(f), s.jpeg(f, 80), oriented(s.jpeg(f, 80), 8), []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic")} {
		f.Add(b)
		f.Add(b[:len(b)/2])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := Measure(b, plain())
		if err == nil && m.Curve.Cells() == 0 {
			t.Fatal("a measurement of nothing")
		}
	})
}

// TestVisitThresholdOfBareGround: wherever the ground's own hump lies, narrow or
// broad, of one light or of two, the threshold of a visit with next to nothing
// green lies above it.
func TestVisitThresholdOfBareGround(t *testing.T) {
	s := scales[IndexSoftExG]
	for _, spread := range []float64{.012, .02, .03, .04} {
		for _, mean := range []float64{-.06, -.03, -.01, 0, .01, .02} {
			for _, apart := range []float64{0, .02, .04} { // of what lies in shade or hard light
				for _, green := range []float64{0, .002, .02} {
					rng := rand.New(rand.NewPCG(5, uint64(1e4*spread)))
					c := Curve{Index: IndexSoftExG}
					for range 40000 {
						v := mean + spread*rng.NormFloat64()
						if rng.Float64() < .4 {
							v += apart
						}
						if rng.Float64() < green {
							v = .28 + .05*rng.NormFloat64()
						}
						c.Counts[s.code(v)]++
					}
					th, err := VisitThreshold(slices.Repeat([]Curve{c}, 60), DefaultOptions())
					if err != nil {
						t.Fatal(err)
					}
					if off := c.CoverFrac(th.Value) - green; off > .015 {
						t.Errorf("spread %g about %g and %g above, %g green: threshold %g (%s) takes %.3f of the ground for green", spread, mean, apart, green, th.Value, th.Basis, off)
					}
				}
			}
		}
	}
}

// TestThresholdFor: a photo's threshold lies between its visit's and its own,
// nearer its own the more of it is green; one set by hand, or found from this
// photo alone, holds as it is.
func TestThresholdFor(t *testing.T) {
	o := DefaultOptions()
	photo := func(leaf float64, cover uint32) Curve {
		c := Curve{Index: o.Index}
		s, _ := c.Index.scale()
		for i, n := range []uint32{1, 4, 6, 4, 1} { // a hump of ground and one of leaves
			c.Counts[s.nearest(0.02*float64(i)-0.04)] += n * (100 - cover)
			c.Counts[s.nearest(leaf+0.02*float64(i)-0.04)] += n * cover
		}
		return c
	}
	pale, green := photo(.2, 60), photo(.4, 60)
	visit := Threshold{Value: 0.2, Index: o.Index, Photos: 3}
	last := 0.0
	for _, cover := range []uint32{10, 30, 60, 90} {
		c := photo(.2, cover)
		own, err := VisitThreshold([]Curve{c}, o)
		if err != nil {
			t.Fatal(err)
		}
		got, err := visit.For(c, o)
		if err != nil {
			t.Fatal(err)
		}
		if own.Value >= visit.Value {
			t.Fatalf("cover %d: own threshold %g, visit's %g: the photo tells nothing", cover, own.Value, visit.Value)
		}
		moved := (visit.Value - got.Value) / (visit.Value - own.Value)
		if moved < last-0.1 || moved < 0 || moved > ownShare {
			t.Errorf("cover %d: goes %.2f of the way from %g to %g, %.2f before", cover, moved, visit.Value, own.Value, last)
		}
		last = moved
	}
	if last < ownShare/2 {
		t.Errorf("a photo full of leaves goes only %.2f of the way", last)
	}
	hand, err := HandThreshold(o.Index, visit.Value)
	if err != nil {
		t.Fatal(err)
	}
	alone, err := VisitThreshold([]Curve{pale}, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, th := range []Threshold{hand, alone} {
		if got, err := th.For(green, o); err != nil || got != th {
			t.Errorf("%+v becomes %+v, %v", th, got, err)
		}
	}
}
