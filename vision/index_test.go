package vision

import (
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// TestPublishedValues: ExG and ExGR by their published formulas on plain
// pixels, worked by hand to four decimals.
func TestPublishedValues(t *testing.T) {
	for _, c := range []struct {
		name      string
		r, g, b   float64
		exg, exgr float64
	}{
		{"soil", 120, 95, 70, 0, -0.2561},
		{"leaf", 70, 120, 45, 0.5319, 0.6255},
		{"leaf in shade", 18, 30, 14, 0.4516, 0.5290},
		{"dark noise", 3, 5, 2, 0.5, 0.58},
		{"overexposed leaf", 255, 255, 200, 0.0775, -0.0662},
		{"overexposed soil", 255, 250, 240, 0.0067, -0.1369},
		{"blue-cast soil", 95, 100, 140, -0.1045, -0.2030},
		{"blue-cast leaf", 55, 110, 100, 0.2453, 0.3698},
		{"warm soil", 120, 106, 70, 0.0743, -0.1351},
		{"straw mulch", 200, 180, 130, 0.0588, -0.1373},
		{"yellowing leaf", 180, 170, 60, 0.2439, 0.0439},
		{"red leaf", 110, 60, 70, -0.25, -0.6417},
		{"teal tarp", 40, 110, 120, 0.2222, 0.4222},
		{"black", 0, 0, 0, 0, 0},
	} {
		near(t, c.name+" ExG", IndexExG.Value(c.r, c.g, c.b, 0), c.exg, 0.00005)
		near(t, c.name+" ExGR", IndexExGR.Value(c.r, c.g, c.b, 0), c.exgr, 0.00005)
	}
	// a* of the sRGB green primary under D65 is -86.183 to -86.188, by
	// how the matrix of IEC 61966-2-1 and the white of CIE 15:2004 are rounded.
	near(t, "a* of pure green", -100*IndexAStar.Value(0, 255, 0, 0), -86.18, 0.02)
	near(t, "NGRDI", IndexNGRDI.Value(70, 120, 45, 0), 50.0/190, 1e-12)
	near(t, "VARI", IndexVARI.Value(70, 120, 45, 0), 50.0/145, 1e-12)
	near(t, "CIVE", IndexCIVE.Value(70, 120, 45, 0), -(0.441*70-0.811*120+0.385*45+18.78745)/255, 1e-12)
}

// TestIndicesFinite: no pixel of any kind gives NaN or infinity.
func TestIndicesFinite(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, x := range Indices() {
		for i := range 3000 {
			r, g, b, a := rng.Float64()*255, rng.Float64()*255, rng.Float64()*255, rng.Float64()*255
			if i == 0 {
				r, g, b, a = 0, 0, 0, 0
			}
			if v := x.Value(r, g, b, a); math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%s of (%g, %g, %g): %v", x, r, g, b, v)
			}
		}
	}
}

// TestEveryIndexSeesLeaves: each index by itself measures a plain scene.
func TestEveryIndexSeesLeaves(t *testing.T) {
	s := newScene(200, 200, soilRGB).fill(20, 20, 100, 80, leafRGB)
	for _, x := range Indices() {
		opt := plain()
		opt.Index = x
		_, r := alone(t, s.png(t), opt)
		near(t, string(x), r.CoverFrac, 0.2, 0.001)
	}
}

// TestIntegerIndex: the integer form of the default index is its formula.
func TestIntegerIndex(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	sc := scales[IndexSoftExG]
	const side = 16
	r := &raster.Raster{Width: side, Height: side, ChromaWidth: side, ChromaHeight: side,
		Y: make([]byte, side*side), Cb: make([]byte, side*side), Cr: make([]byte, side*side)}
	for range 500 {
		y, cb, cr := byte(20+rng.IntN(200)), byte(100+rng.IntN(56)), byte(100+rng.IntN(56))
		for i := range r.Y {
			r.Y[i], r.Cb[i], r.Cr[i] = y, cb, cr
		}
		for _, n := range []int{1, 2, 3} {
			f, err := new(Workspace).newField(r, box(side, side), n, 0, IndexSoftExG, noGains)
			if err != nil {
				t.Fatal(err)
			}
			out := make([]uint8, f.w*f.h)
			softCodes(f, sc, out)
			l, b, c := float64(y), float64(cb)-128, float64(cr)-128
			v := IndexSoftExG.Value(l+1.402*c, l-0.344136*b-0.714136*c, l+1.772*b, l)
			near(t, "code", float64(out[len(out)/2]), min(max((v-sc.lo)/sc.step-0.5, 0), 255), 0.75)
		}
	}
}

// TestBlurred: smoothing keeps a constant and the mean, is the same down as
// across, and is the Gaussian it says it is.
func TestBlurred(t *testing.T) {
	for _, sigma := range []float64{0.1, 0.3, 0.7, 1.3, 2.4} {
		const n = 31
		a, b, point := make([]int16, n*n), make([]int16, n*n), make([]int16, n*n)
		rng := rand.New(rand.NewPCG(1, uint64(10*sigma)))
		for y := range n {
			for x := range n {
				v := int16(rng.IntN(40000) - 20000)
				a[y*n+x], b[x*n+y] = v, v
			}
		}
		flat := slices.Repeat([]int16{-20000}, 5*9)
		point[n/2*n+n/2] = 30000
		for _, p := range []struct {
			plane *[]int16
			w, h  int
		}{{&a, n, n}, {&b, n, n}, {&flat, 5, 9}, {&point, n, n}} {
			out, err := blurred(*p.plane, make([]int16, len(*p.plane)), p.w, p.h, sigma)
			if err != nil {
				t.Fatal(err)
			}
			*p.plane = out
		}
		for i, v := range flat {
			if v != -20000 {
				t.Fatalf("sigma %g: constant became %d at %d", sigma, v, i)
			}
		}
		for y := range n {
			for x := range n {
				if d := int(a[y*n+x]) - int(b[x*n+y]); d < -1 || d > 1 {
					t.Fatalf("sigma %g: down and across differ by %d", sigma, d)
				}
			}
		}
		if sigma < 0.3 {
			continue
		}
		norm := 0.0
		for d := -n / 2; d <= n/2; d++ {
			norm += math.Exp(-float64(d*d) / (2 * sigma * sigma))
		}
		for d := range 3 {
			near(t, "weight", float64(point[n/2*n+n/2+d]), 30000*math.Exp(-float64(d*d)/(2*sigma*sigma))/norm/norm, 0.01*30000/norm/norm+1)
		}
	}
}

// TestStride: places between the exactly mapped ones lie where they should,
// at the steepest tilt a frame is taken at.
func TestStride(t *testing.T) {
	const side = 1000.0
	m, err := frame.QuadToQuad(box(side, side), frame.Quad{{X: 150, Y: 0}, {X: 850, Y: 0}, {X: 1000, Y: 900}, {X: 0, Y: 900}})
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for x := 0.0; x < side; x += stride {
		for y := range int(side) {
			a, b := m.Apply(raster.Point{X: x, Y: float64(y)}), m.Apply(raster.Point{X: x + stride, Y: float64(y)})
			mid := m.Apply(raster.Point{X: x + stride/2, Y: float64(y)})
			worst = max(worst, math.Hypot(mid.X-(a.X+b.X)/2, mid.Y-(a.Y+b.Y)/2))
		}
	}
	if worst > 0.02 {
		t.Errorf("a place is off by %.3f cells, documented as a fiftieth at most", worst)
	}
}

// TestTwoScales: on noisy ground a speck of three samples loses most of its
// greenness and a leaf of sixty keeps all of it in its middle.
func TestTwoScales(t *testing.T) {
	pale := [3]int{95, 115, 75} // within the scale
	peak := func(side int) int {
		s := newScene(1000, 1000, soilRGB).fill(500-side/2, 500-side/2, side, side, pale)
		s.noise(rand.New(rand.NewPCG(3, 1)), 6, 0, 0, 1000, 1000)
		r, _, _, err := Decode(s.png(t), 0)
		if err != nil {
			t.Fatal(err)
		}
		f, err := new(Workspace).newField(r, box(1000, 1000), 1, 2, IndexSoftExG, noGains)
		if err != nil {
			t.Fatal(err)
		}
		codes := make([]uint8, f.w*f.h)
		if err := IndexSoftExG.codes(f, codes); err != nil {
			t.Fatal(err)
		}
		return int(codes[500*1000+500])
	}
	ground, speck, leaf := peak(0), peak(3), peak(60)
	full := IndexSoftExG.Value(float64(pale[0]), float64(pale[1]), float64(pale[2]), 98)
	near(t, "middle of a leaf", scales[IndexSoftExG].value(leaf), full, 0.03)
	if speck-ground > (leaf-ground)/3 {
		t.Errorf("codes: ground %d, speck %d, leaf %d", ground, speck, leaf)
	}
}

// TestToGround: held against its ground, a photo's greenness keeps its order,
// moves by no more than the bounds allow, and loses a cast; a published index
// stays as it is.
func TestToGround(t *testing.T) {
	s := scales[IndexSoftExG]
	photo := func(at, spread, plants float64) []uint64 {
		rng := rand.New(rand.NewPCG(8, 8))
		h := make([]uint64, 256)
		for range 40000 {
			v := at + spread*rng.NormFloat64()
			if rng.Float64() < plants {
				v = at + 0.3 + 0.05*rng.NormFloat64()
			}
			h[s.code(v)]++
		}
		return h
	}
	for _, at := range []float64{-0.06, -0.03, 0, 0.03, 0.06} {
		for _, spread := range []float64{0.005, 0.02, 0.04} {
			for _, plants := range []float64{0, 0.02, 0.3, 0.7} {
				h := photo(at, spread, plants)
				to, certain := IndexSoftExG.toGround(h, 0.4)
				for i := 1; i < 256; i++ {
					if to[i] < to[i-1] {
						t.Fatalf("ground at %g, spread %g: code %d becomes %d, the one below %d", at, spread, i, to[i], to[i-1])
					}
				}
				if plants > 0.1 {
					continue // little ground: the cast is followed in part
				}
				near(t, "ground", s.value(int(to[s.nearest(at)])-2*certain), 0, 0.2*math.Abs(at)+0.01)
			}
		}
	}
	// The more unruly the ground, the lower a leaf's greenness.
	gain := func(spread float64) float64 { return groundGain(photo(0, spread, 0.05), s) }
	if clean, usual, unruly := gain(0.01), gain(0.03), gain(0.06); !(clean > usual && usual > unruly && clean <= 1.4 && unruly >= 0.75) {
		t.Errorf("gains %.2f, %.2f, %.2f on clean, usual and unruly ground", clean, usual, unruly)
	}
	if g := groundGain(photo(0, 0.06, 0.7), s); g != 1 {
		t.Errorf("gain %.2f under a closed canopy", g)
	}
	// Hard light moves the index down, twice as far what is certain; soft light
	// moves it up by little.
	h := photo(0, 0.03, 0.1)
	usual, c0 := IndexSoftExG.toGround(h, 0.4)
	hard, c1 := IndexSoftExG.toGround(h, 0.6)
	soft, c2 := IndexSoftExG.toGround(h, 0)
	blinding, _ := IndexSoftExG.toGround(h, 1)
	beyond, _ := IndexSoftExG.toGround(h, 50)
	if d := int(hard[150]) - int(usual[150]); d != -6 || c1-c0 != 2*d {
		t.Errorf("hard light moves the index by %d codes and what is certain by %d", d, c1-c0)
	}
	if d := int(soft[150]) - int(usual[150]); d != 2 || c2-c0 != 2*d {
		t.Errorf("soft light moves the index by %d codes and what is certain by %d", d, c2-c0)
	}
	if blinding != beyond || blinding[150] >= hard[150] {
		t.Error("the move by contrast has no end")
	}
	published, _ := IndexExG.toGround(photo(0.05, 0.02, 0.1), 0)
	for i, c := range published {
		if int(c) != i {
			t.Fatalf("published index: code %d became %d", i, c)
		}
	}
}

// TestMorePlants: on noisy ground, where gain and smoothing answer to the
// whole photo, each further plant raises cover at one threshold.
func TestMorePlants(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	grow := newScene(400, 300, soilRGB).noise(rng, 12, 0, 0, 400, 300)
	last := -1.0
	for i := range 40 { // from bare to nearly closed, one patch of leaf after the other
		x, y := i%8*50+5, i/8*60+5
		grow.fill(x, y, 40, 50, [3]int{95, 115, 75}).noise(rng, 6, x, y, 40, 50)
		m, err := Measure(grow.png(t), plain())
		if err != nil {
			t.Fatal(err)
		}
		c := m.Curve.CoverFrac(scales[IndexSoftExG].prior)
		if c <= last {
			t.Errorf("plant %d took cover from %.4f to %.4f", i, last, c)
		}
		last = c
	}
}

// TestMethod: every index says how it is taken and names a source.
func TestMethod(t *testing.T) {
	year := regexp.MustCompile(`\((.* )?(19|20)\d\d|:2004`)
	for _, x := range Indices() {
		if m := x.Method(); !strings.HasPrefix(m, string(x)+" is ") || !year.MatchString(m) {
			t.Errorf("%s: %q", x, m)
		}
	}
	if m := Index("none").Method(); m != "" {
		t.Errorf("an unknown index is described as %q", m)
	}
}
