package frame

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/vision/label"
	"quadtally/vision/raster"
)

func pt(x, y float64) raster.Point { return raster.Point{X: x, Y: y} }

func TestOptionsRefused(t *testing.T) {
	for _, c := range []struct {
		o    Options
		says string
	}{
		{Options{WidthMM: 500, HeightMM: 250, MinSupport: .4}, ""}, {Options{MinSupport: .4}, ""}, {Options{MinSupport: .4, NoMarks: true}, "frame width of 0"},
		{Options{WidthMM: 50, HeightMM: 5000, MinSupport: .4}, ""}, {Options{WidthMM: 49.9, HeightMM: 500, MinSupport: .4}, "frame width"}, {Options{WidthMM: 500, HeightMM: 5000.1, MinSupport: .4}, "frame height"}, {Options{WidthMM: 500, MinSupport: .4}, "frame height"},
		{Options{WidthMM: math.NaN(), HeightMM: 500, MinSupport: .4}, "frame width"},
		{Options{PipeDiameterMM: 120, MinSupport: .4}, ""}, {Options{PipeDiameterMM: 120.1, MinSupport: .4}, "pipe"}, {Options{PipeDiameterMM: -.1, MinSupport: .4}, "pipe"}, {Options{PipeDiameterMM: math.NaN(), MinSupport: .4}, "pipe"},
		{Options{FocalPx: 1, MinSupport: .4}, ""}, {Options{FocalPx: -.1, MinSupport: .4}, "focal"}, {Options{FocalPx: math.Inf(1), MinSupport: .4}, "focal"}, {Options{FocalPx: math.NaN(), MinSupport: .4}, "focal"},
		{Options{MinSupport: .2}, ""}, {Options{MinSupport: 1}, ""}, {Options{MinSupport: .19}, "support"}, {Options{MinSupport: 1.01}, "support"}, {Options{MinSupport: math.NaN()}, "support"},
	} {
		err := c.o.Validate()
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.says)
		}
		if c.says != "" {
			if _, got := Find(&raster.Raster{}, c.o); got == nil || got.Error() != err.Error() {
				t.Errorf("%+v is looked for: %v", c.o, got)
			}
		}
	}
	if o := DefaultOptions(); o != (Options{WidthMM: 500, HeightMM: 500, MinSupport: .4}) || o.Validate() != nil {
		t.Errorf("looked for without being told: %+v", o)
	}
	if ByEdges.String() != "edges" || ByMarks.String() != "marks" || Method(0).String() != "none" {
		t.Error("names of the methods")
	}
	if math.Abs((Options{WidthMM: 250, HeightMM: 1000}).slender()-.5) > 1e-12 || (Options{WidthMM: 500, HeightMM: 500}).slender() != 1 {
		t.Error("how slender frames are")
	}
}

// TestUsable: a raster that holds less than its sizes say is not looked at.
func TestUsable(t *testing.T) {
	good := func() *raster.Raster {
		return &raster.Raster{Width: 4, Height: 3, ChromaWidth: 2, ChromaHeight: 2, FullWidth: 8, FullHeight: 6, Y: make([]byte, 12), Cb: make([]byte, 4), Cr: make([]byte, 4)}
	}
	tiny := &raster.Raster{Width: 1, Height: 1, ChromaWidth: 1, ChromaHeight: 1, FullWidth: 1, FullHeight: 1, Y: make([]byte, 1), Cb: make([]byte, 1), Cr: make([]byte, 1)}
	if !usable(good()) || !usable(tiny) || usable(nil) {
		t.Error("a whole raster, and none")
	}
	for i, spoil := range []func(*raster.Raster){
		func(r *raster.Raster) { r.Width = 0 }, func(r *raster.Raster) { r.Height = 0 }, func(r *raster.Raster) { r.ChromaWidth = 0 }, func(r *raster.Raster) { r.ChromaHeight = 0 },
		func(r *raster.Raster) { r.FullWidth = 0 }, func(r *raster.Raster) { r.FullHeight = 0 }, func(r *raster.Raster) { r.ChromaWidth, r.ChromaHeight = 5, 0+1 }, func(r *raster.Raster) { r.ChromaWidth, r.ChromaHeight = 1, 4 },
		func(r *raster.Raster) { r.Y = r.Y[1:] }, func(r *raster.Raster) { r.Cb = r.Cb[1:] }, func(r *raster.Raster) { r.Cr = r.Cr[1:] },
	} {
		r := good()
		spoil(r)
		if usable(r) {
			t.Errorf("change %d is taken", i)
		}
		if _, err := Find(r, DefaultOptions()); err == nil || errors.Is(err, ErrNotFound) {
			t.Errorf("change %d is searched: %v", i, err)
		}
	}
}

func TestQuadsByHand(t *testing.T) {
	q := Quad{pt(1, 1), pt(5, 2), pt(6, 6), pt(0, 5)}
	if a := q.Area(); math.Abs(a-20) > 1e-12 { // (1*2-5*1 + 5*6-6*2 + 6*5-0*6 + 0*1-1*5)/2
		t.Errorf("area %g", a)
	}
	if !q.Convex() || (Quad{q[0], q[3], q[2], q[1]}).Convex() || (Quad{q[0], q[1], pt(2, 2), q[3]}).Convex() || (Quad{pt(0, 0), pt(1, 0), pt(2, 0), pt(0, 2)}).Convex() {
		t.Error("what is convex")
	}
	if math.Abs(q.Side(0)-math.Sqrt(17)) > 1e-12 || math.Abs(q.Side(3)-math.Sqrt(17)) > 1e-12 || math.Abs(q.Side(2)-math.Sqrt(37)) > 1e-12 || q.Side(5) != q.Side(1) {
		t.Error("sides")
	}
	if c := rect(4, 2).Centre(); dist(c, pt(2, 1)) > 1e-12 {
		t.Errorf("centre of a rectangle %v", c)
	}
	if c := (Quad{pt(0, 0), pt(0, 1), pt(2, 2), pt(2, 3)}).Centre(); dist(c, pt(1, 1.5)) > 1e-12 { // diagonals that never cross
		t.Errorf("centre of parallel diagonals %v", c)
	}
	if c := (Quad{pt(0, 0), pt(4, 0), pt(3, 3), pt(0, 4)}).Centre(); dist(c, pt(2, 2)) > 1e-12 {
		t.Errorf("where diagonals cross %v", c)
	}
	for k := range 9 {
		if tq := q.turned(k); tq[0] != q[k%4] || tq[1] != q[(k+1)%4] || tq[3] != q[(k+3)%4] {
			t.Errorf("turned by %d: %v", k, tq)
		}
	}
	l := lineThrough(pt(0, 2), pt(4, 5)) // direction (4, 3)/5
	if d := l.at(pt(0, 7)); math.Abs(math.Abs(d)-4) > 1e-12 || l.at(pt(8, 8)) > 1e-12 || l.at(pt(0, 7))*l.at(pt(0, -3)) > 0 {
		t.Errorf("distance %g, want 4 to one side", d)
	}
	if p, ok := l.meet(lineThrough(pt(4, 0), pt(4, 9))); !ok || dist(p, pt(4, 5)) > 1e-9 {
		t.Errorf("lines meet at %v, %v", p, ok)
	}
	if p, ok := l.meet(lineThrough(pt(1, 0), pt(5, 3))); ok {
		t.Errorf("parallel lines meet at %v", p)
	}
	h := Homography{2, 0, 5, 0, 3, 7, 0, 0, 1}
	if s := h.scaleAt(pt(9, 9)); math.Abs(s-math.Sqrt(6)) > 1e-12 {
		t.Errorf("scale %g, want the root of 6", s)
	}
	if p := h.Mul(Homography{1, 0, 1, 0, 1, 2, 0, 0, 1}).Apply(pt(1, 1)); dist(p, pt(9, 16)) > 1e-12 {
		t.Errorf("moved, then enlarged: %v", p)
	}
	if p := (Homography{1, 0, 0, 0, 1, 0, .5, 0, 1}).Apply(pt(2, 4)); dist(p, pt(1, 2)) > 1e-12 {
		t.Errorf("with perspective %v", p)
	}
	nearlyLine := Quad{pt(0, 0), pt(1, 0), pt(2, 1e-12), pt(0, 2)}
	for _, bad := range []Quad{nearlyLine, {pt(0, 0), pt(0, 0), pt(1, 1), pt(0, 1)}, {pt(math.NaN(), 0), pt(1, 0), pt(1, 1), pt(0, 1)}} {
		for i := range 4 {
			b := bad.turned(i)
			if _, err := QuadToQuad(rect(1, 1), b); !errors.Is(err, errDegenerate) {
				t.Errorf("to %v: %v", b, err)
			}
			if _, err := QuadToQuad(b, rect(1, 1)); !errors.Is(err, errDegenerate) {
				t.Errorf("from %v: %v", b, err)
			}
		}
	}
	if _, err := (Homography{1, 2, 3, 2, 4, 6, 0, 0, 1}).Inverse(); !errors.Is(err, errDegenerate) {
		t.Errorf("a map on a line has an inverse: %v", err)
	}
	if _, err := (Homography{1e-6, 0, 0, 0, 1e-6, 0, 0, 0, 1e-6}).Inverse(); err != nil {
		t.Errorf("a small scale has none: %v", err)
	}
	onLine := []raster.Point{pt(0, 0), pt(1, 1), pt(2, 2), pt(3, 3), pt(4, 4)}
	spread := []raster.Point{pt(0, 0), pt(1, 0), pt(2, 2), pt(0, 3), pt(4, 1)}
	same := []raster.Point{pt(1, 1), pt(1, 1), pt(1, 1), pt(1, 1), pt(1, 1)}
	for i, c := range []struct{ a, b []raster.Point }{{onLine, onLine}, {onLine, spread}, {same, spread}, {spread, same}, {spread[:3], spread[:3]}, {spread, spread[:4]}} {
		if h, err := FitHomography(c.a, c.b); err == nil {
			t.Errorf("points %d give the map %v", i, h)
		}
	}
	if h, err := FitHomography(spread[:4], spread[:4]); err != nil || dist(h.Apply(pt(3, 1)), pt(3, 1)) > 1e-9 {
		t.Errorf("four points on themselves: %v, %v", h, err)
	}
}

func TestSampleByHand(t *testing.T) {
	p := plane{3, 2, []byte{0, 100, 200, 40, 140, 240}}
	for _, c := range []struct{ x, y, want float64 }{
		{.5, .5, 0}, {1.5, .5, 100}, {2.5, 1.5, 240}, {1, .5, 50}, {.5, 1, 20}, {1, 1, 70}, {1.75, .75, 135}, {-5, .5, 0}, {9, 9, 240}, {.5, 9, 40}, {2.9, .5, 200}, {math.NaN(), .5, 0}, {1.5, math.NaN(), 100},
	} {
		if got := p.sample(c.x, c.y); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("(%g, %g): %g, want %g", c.x, c.y, got, c.want)
		}
	}
	var buf []byte
	if c := p.cut(1, 0, 3, 2, &buf); c.w != 2 || c.h != 2 || !slices.Equal(c.pix, []byte{100, 200, 140, 240}) {
		t.Errorf("cut %+v", c)
	}
	for _, c := range [][3]int{{8, 4, 2}, {9, 4, 2}, {10, 4, 3}, {3, 4, 1}, {1, 4, 1}, {1001, 501, 2}} {
		if got := roundRatio(c[0], c[1]); got != c[2] {
			t.Errorf("%d over %d is about %d, want %d", c[0], c[1], got, c[2])
		}
	}
	table := newRatioTable()
	for _, c := range []struct {
		y, c int
		want float64
	}{{0, 128, 128}, {92, 128, 128}, {92, 150, 128 + 200*22/100.}, {92, 100, 128 - 200*28/100.}, {192, 178, 128 + 50}, {0, 255, 255}, {0, 0, 0}, {255, 255, 128 + 200*127/263.}} {
		if got := float64(table[c.y][c.c]); math.Abs(got-c.want) > 1.01 {
			t.Errorf("chroma %d over luma %d: %g, want %.1f", c.c, c.y, got, c.want)
		}
	}
}

// TestSearchPictureByHand: luma and chroma at one scale, colour over luma, and
// warmth the half difference of both.
func TestSearchPictureByHand(t *testing.T) {
	r := &raster.Raster{Width: 1400, Height: 8, ChromaWidth: 700, ChromaHeight: 4, FullWidth: 1400, FullHeight: 8, Orientation: 1,
		Y: slices.Repeat([]byte{92}, 1400*8), Cb: slices.Repeat([]byte{118}, 2800), Cr: slices.Repeat([]byte{148}, 2800)}
	s := new(Workspace).searchPicture(r)
	if s.w != 350 || s.h != 2 || s.perPx != [2]float64{4, 4} || s.fine.sx != .5 || s.fine.sy != .5 {
		t.Fatalf("%d x %d of %v pixels each", s.w, s.h, s.perPx)
	}
	for c, want := range [channels]byte{92, 128 - 20, 128 + 40, (255 + 108 - 168) / 2} {
		for _, v := range s.planes[c].pix {
			if max(v, want)-min(v, want) > 1 {
				t.Fatalf("channel %d is %d, want %d", c, v, want)
			}
		}
	}
	if q := s.toLuma(Quad{pt(1, 1), pt(2, 1), pt(2, 2), pt(1, 2)}); q[2] != pt(8, 8) {
		t.Errorf("in luma %v", q)
	}
	if r.Y[0] != 92 || r.Cb[0] != 118 || r.Cr[0] != 148 {
		t.Error("the photo itself was changed")
	}
}

func TestFitSideByHand(t *testing.T) {
	var points []edgePoint
	for k := range 48 {
		points = append(points, edgePoint{k, pt(10+float64(k), 20+.5*float64(k))})
		if k%3 == 0 { // a second edge beside it
			points = append(points, edgePoint{k, pt(10+float64(k), 30+.5*float64(k))})
		}
	}
	l, support, ok := fitSide(points, 48, 1, 300)
	if !ok || support != 1 || math.Abs(l.at(pt(10, 20))) > 1e-9 || math.Abs(l.at(pt(50, 40))) > 1e-9 {
		t.Errorf("%+v, support %g, %v", l, support, ok)
	}
	if _, support, _ := fitSide(points[:32], 48, 1, 300); support != 24/48. {
		t.Errorf("half a side has support %g", support)
	}
	if _, _, ok := fitSide(points[:3], 48, 1, 300); ok {
		t.Error("three points make a side")
	}
	var near []edgePoint // all within a quarter of the side
	for k := range 6 {
		near = append(near, edgePoint{k, pt(float64(k), 0)})
	}
	if _, _, ok := fitSide(near, 48, 1, 300); ok {
		t.Error("points close together make a side")
	}
	level := lineThrough(pt(0, 0), pt(9, 0))
	some := []edgePoint{{0, pt(0, 1)}, {0, pt(0, -1)}, {1, pt(1, 1.01)}, {2, pt(2, -1)}, {3, pt(3, -1.01)}, {4, pt(4, 0)}}
	if n := agreeing(some, level, 1, 0); n != 3 {
		t.Errorf("%d probes agree, want 3", n)
	}
	if n := agreeing(some, level, 1, 3); n != 0 {
		t.Errorf("%d probes beat 3", n)
	}
	if n := agreeing(some, level, 1, 2); n != 3 {
		t.Errorf("%d probes beat 2, want 3", n)
	}
	// Weighted: points on another line within reach, one far off without a say.
	var off []edgePoint
	for k := range 20 {
		off = append(off, edgePoint{k, pt(float64(k), .3+.02*float64(k))})
	}
	off = append(off, edgePoint{20, pt(10, 1.6)})
	w := weightedLine(off, level, 1)
	for range 8 {
		w = weightedLine(off, w, 1)
	}
	if math.Abs(w.at(pt(0, .3))) > .02 || math.Abs(w.at(pt(19, .68))) > .02 || w.nx*level.nx+w.ny*level.ny < .9 {
		t.Errorf("weighted line %+v", w)
	}
	if w := weightedLine([]edgePoint{{0, pt(0, 9)}}, level, 1); w != level {
		t.Errorf("without points near it the line moves to %+v", w)
	}
	at, out := rect(10, 4).probe(1, .25)
	if dist(at, pt(10, 1)) > 1e-12 || dist(out, pt(1, 0)) > 1e-12 {
		t.Errorf("probe at %v outward %v", at, out)
	}
	if p := beyond(pt(1, 2), pt(0, -1), 3); p != pt(1, -1) {
		t.Errorf("beyond %v", p)
	}
	if a, b := share(0, 4), share(3, 4); math.Abs(a-.155) > 1e-12 || math.Abs(b-.845) > 1e-12 {
		t.Errorf("first and last of four probes at %g and %g", a, b)
	}
	if m := median([]float64{5, 1, 9, 3}); m != 5 {
		t.Errorf("median %g, want the upper of two", m)
	}
}

func TestStripByHand(t *testing.T) {
	v := func(outer, support [4]float64) verdict { return verdict{outer: outer, support: support} }
	seen, hidden := [4]float64{.9, .9, .9, .9}, [4]float64{.9, .9, .9, .49}
	for _, c := range []struct {
		name string
		v    verdict
		want bool
	}{
		{"all round", v([4]float64{2, 2, 2, 2}, seen), true}, {"just strong enough", v([4]float64{1.1, 1.1, 1.1, 1.1}, seen), true}, {"three strong, one weak", v([4]float64{1.1, 1.1, 1.1, .35}, seen), true},
		{"two strong", v([4]float64{2, 2, 1.09, 1.09}, seen), false}, {"one missing where it must show", v([4]float64{2, 2, 2, .34}, seen), false}, {"one hidden", v([4]float64{2, 2, 2, .34}, hidden), true}, {"half hidden", v([4]float64{2, 2, 2, .34}, [4]float64{.9, .9, .9, .5}), false},
		{"two hidden", v([4]float64{2, 2, .3, .3}, [4]float64{.9, .9, .4, .4}), false},
	} {
		if got := c.v.strip(); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	e := func(s ...float64) edges { return edges{strength: [4]float64(s)} }
	for _, c := range []struct {
		in, out edges
		want    bool
	}{
		{e(1, 1, 1, 1), e(.5, .5, .5, .5), true}, {e(1, 1, 1, 1), e(1, 1, 1, 1), false}, {e(1, 1, .34, .34), e(.1, .1, .1, .1), false}, {e(1, 1, .35, 0), e(.1, .1, .1, .1), true},
		{e(9, 1, 1, 1), e(2, 2, 1, 1), false}, {e(2, 1, 1, 1), e(9, 1, 1, .9), true},
	} {
		if got := c.in.beats(c.out); got != c.want {
			t.Errorf("%v beats %v: %v", c.in.strength, c.out.strength, got)
		}
	}
	profile := []float64{9, 0, 1, 3, 2, 5, 0, 0, 7}
	for d, want := range map[int]int{1: 2, 2: 3, 3: 3, 4: 5, 5: 5, 7: 8, 8: 8} {
		if got := peakNear(profile, d); got != want {
			t.Errorf("near %d the profile is largest at %d, want %d", d, got, want)
		}
	}
	if both(2, 1) != 1+.3*2 || both(1, 2) != both(2, 1) {
		t.Error("how strong two are together")
	}
}

func TestGuessesByHand(t *testing.T) {
	for _, c := range []struct {
		q    Quad
		want bool
	}{
		{rect(100, 80), true}, {Quad{pt(-2, 0), pt(102, -1.6), pt(102, 81.6), pt(0, 80)}, true}, {Quad{pt(-2.1, 0), pt(100, 0), pt(100, 80), pt(0, 80)}, false}, {Quad{pt(0, -1.7), pt(100, 0), pt(100, 80), pt(0, 80)}, false},
		{Quad{pt(0, 0), pt(102.1, 0), pt(100, 80), pt(0, 80)}, false}, {Quad{pt(0, 0), pt(100, 0), pt(100, 81.7), pt(0, 80)}, false}, {rect(20, 16.1), true}, {rect(20, 15.9), false},
	} {
		if got := sensible(c.q, 100, 80, 1); got != c.want {
			t.Errorf("%v: %v", c.q, got)
		}
	}
	if !sensible(rect(20, 8.1), 100, 80, .5) || sensible(rect(20, 7.9), 100, 80, .5) {
		t.Error("a slender frame fills less")
	}
	side := func(q Quad) (ls [4]line) {
		for i := range ls {
			ls[i] = lineThrough(q[i], q[(i+1)%4])
		}
		return ls
	}
	q := Quad{pt(1, 2), pt(30, 1), pt(28, 25), pt(3, 20)}
	got, ok := crossing(side(q))
	for i := range q {
		if !ok || dist(got[i], q[i]) > 1e-9 {
			t.Fatalf("sides cross at %v, want %v", got, q)
		}
	}
	ls := side(q)
	back := [4]line{ls[3], ls[2], ls[1], ls[0]} // counter-clockwise
	if got, ok := crossing(back); !ok || !got.Convex() || math.Abs(got.Area()-q.Area()) > 1e-9 {
		t.Errorf("the other way round %v, %v", got, ok)
	}
	ls[1] = ls[0]
	if _, ok := crossing(ls); ok {
		t.Error("parallel sides cross")
	}
	a, b := rect(10, 10), Quad{pt(2, 2), pt(3, 2), pt(3, 3), pt(2, 3)}
	if !nearQuads(a, a.turned(3), .1) || nearQuads(a, b, 2) || !nearQuads(b, Quad{pt(2.9, 2), pt(3, 2), pt(3, 3), pt(2, 3)}, 1) || nearQuads(b, Quad{pt(2, 2), pt(3, 2), pt(3, 4.1), pt(2, 3)}, 1) {
		t.Error("which quads lie near each other")
	}
	v := func(q Quad) verdict { return verdict{guess: guess{quad: q}} }
	far := Quad{pt(20, 0), pt(30, 0), pt(30, 10), pt(20, 10)}
	if got := distinct([]verdict{v(a), v(a.turned(1)), v(far), v(rect(50, 50))}, 2); len(got) != 2 || got[1].quad != far {
		t.Errorf("distinct %v", got)
	}
	if cmpDesc(2, 1) != -1 || cmpDesc(1, 2) != 1 || cmpDesc(1, 1) != 0 {
		t.Error("order from the largest")
	}
	inner := func(by float64) Quad {
		return Quad{pt(by, by), pt(100-by, by), pt(100-by, 100-by), pt(by, 100-by)}
	}
	for by, want := range map[float64]bool{2.1: true, 1.9: false, -3: false, 20: true} {
		if got := within(inner(by), rect(100, 100)); got != want {
			t.Errorf("%g inside: %v", by, got)
		}
	}
	one := inner(20)
	one[2].X = 99
	if within(one, rect(100, 100)) {
		t.Error("with one corner at the side it is inside")
	}
	if w := within(inner(20), Quad{pt(0, 0), pt(0, 100), pt(100, 100), pt(100, 0)}); !w {
		t.Error("the way round of a quad matters")
	}
	if !apart(a, far) || apart(rect(100, 100), inner(30)) || apart(inner(30), rect(100, 100)) || apart(a, Quad{pt(4, 4), pt(14, 4), pt(14, 14), pt(4, 14)}) || !apart(a, Quad{pt(6, 6), pt(16, 6), pt(16, 16), pt(6, 16)}) {
		t.Error("which quads are apart")
	}
}

// TestRectangleByHand: a level photo of a rectangle, its width across or down,
// and what is none.
func TestRectangleByHand(t *testing.T) {
	cam := camera{focal: 800, centre: pt(400, 300), mirror: 1}
	seen := func(w, h float64) Quad {
		return Quad{pt(400-w/2, 300-h/2), pt(400+w/2, 300-h/2), pt(400+w/2, 300+h/2), pt(400-w/2, 300+h/2)}
	}
	opt := Options{WidthMM: 300, HeightMM: 600}
	for _, c := range []struct {
		q    Quad
		w, h float64
	}{{seen(200, 400), 300, 600}, {seen(400, 200), 600, 300}, {seen(205, 400), 300, 600}, {seen(212, 400), 0, 0}, {seen(300, 300), 0, 0}} {
		w, h, _, err := fitRectangle(c.q, opt, cam, looseTolerance)
		if w != c.w || h != c.h || (err == nil) != (c.w > 0) {
			t.Errorf("%v is %g x %g, %v; want %g x %g", c.q, w, h, err, c.w, c.h)
		}
	}
	askew := seen(200, 400)
	askew[0].X, askew[1].X = askew[0].X+20, askew[1].X+20 // by a twentieth of its height
	if _, _, _, err := fitRectangle(askew, opt, cam, looseTolerance); err != nil {
		t.Errorf("a little askew: %v", err)
	}
	askew[0].X, askew[1].X = askew[0].X+10, askew[1].X+10
	if _, _, _, err := fitRectangle(askew, opt, cam, looseTolerance); err == nil {
		t.Error("much askew is a rectangle")
	}
	if _, _, _, err := fitRectangle(Quad{}, opt, cam, looseTolerance); err == nil {
		t.Error("a point is a rectangle")
	}
	if w, h, _, err := fitRectangle(seen(200, 200), Options{WidthMM: 500, HeightMM: 500}, cam, strictTolerance); err != nil || w != 500 || h != 500 {
		t.Errorf("a square: %g x %g, %v", w, h, err)
	}
	for _, c := range []struct{ weakest, share float64 }{{.1, 0}, {.5, 0}, {1, 1}} { // up to 1.25 times .4, and fully seen
		got := toleranceFor(c.weakest, .4)
		a, b := strictTolerance, looseTolerance
		for i, v := range [][3]float64{{got.logRatio, a.logRatio, b.logRatio}, {got.skew, a.skew, b.skew}, {got.ofFocal, a.ofFocal, b.ofFocal}} {
			if math.Abs(v[0]-(v[1]+c.share*(v[2]-v[1]))) > 1e-12 {
				t.Errorf("weakest side %g, tolerance %d: %g", c.weakest, i, v[0])
			}
		}
	}
	r := &raster.Raster{Width: 800, Height: 600, FullWidth: 1600, FullHeight: 1200}
	for o := 1; o <= 8; o++ {
		r.Orientation = o
		c := cameraOf(r, 3000)
		if want := map[bool]float64{true: -1, false: 1}[o == 2 || o == 4 || o == 5 || o == 7]; c.mirror != want || c.focal != 1500 || c.centre != pt(400, 300) {
			t.Errorf("orientation %d: camera %+v", o, c)
		}
	}
	if c := cameraOf(r, 0); math.Abs(c.focal-26/43.27*1000) > 1e-9 { // the half of a diagonal of 2000
		t.Errorf("a usual phone has a focal length of %g", c.focal)
	}
	// The corner nearest the upper left of the upright photo comes first,
	// clockwise as a person sees it.
	q := Quad{pt(100, 100), pt(500, 110), pt(510, 400), pt(90, 410)}
	for o, want := range map[int]Quad{1: q, 3: q.turned(2), 6: q.turned(3), 8: q.turned(1), 2: {q[1], q[0], q[3], q[2]}, 4: {q[3], q[2], q[1], q[0]}, 5: {q[0], q[3], q[2], q[1]}, 7: {q[2], q[1], q[0], q[3]}} {
		r.Orientation = o
		got, support := fromUpperLeft(r, q, [4]float64{0, 1, 2, 3})
		if got != want {
			t.Errorf("orientation %d: %v, want %v", o, got, want)
		}
		for i := range 4 { // each side keeps its support
			a, b := slices.Index(q[:], got[i]), slices.Index(q[:], got[(i+1)%4])
			side := a
			if (a+1)%4 != b {
				side = b
			}
			if support[i] != float64(side) {
				t.Errorf("orientation %d: side %d has the support of side %g, want %d", o, i, support[i], side)
			}
		}
	}
}

func TestPoseRefuses(t *testing.T) {
	cam := camera{focal: 800, centre: pt(400, 300), mirror: 1}
	if _, _, _, err := poseOf(Homography{0, 0, 1, 0, 0, 1, 0, 0, 1}, cam); err == nil {
		t.Error("a plane seen as a point has a place")
	}
	if _, _, _, err := poseOf(Homography{math.Inf(1), 0, 0, 0, 1, 0, 0, 0, 1}, cam); err == nil {
		t.Error("an endless plane has a place")
	}
	if _, _, _, err := poseOf(Homography{1, 1, 400, 0, 0, 300, 0, 0, 1}, cam); err == nil {
		t.Error("a plane seen as a line has a place")
	}
	mirrored := cam
	mirrored.mirror = -1
	flat := Homography{1, 0, 400, 0, 1, 300, 0, 0, 1}
	if _, _, _, err := poseOf(flat, cam); err != nil {
		t.Errorf("a level plane: %v", err)
	}
	if _, _, _, err := poseOf(flat, mirrored); err == nil {
		t.Error("a plane seen from below has a place")
	}
	// With a pixel a millimetre and this focal length the camera is 800 mm above.
	p, ratio, skew, err := poseOf(flat, cam)
	if err != nil || math.Abs(p.height()-800) > 1e-9 || p.tiltDeg() != 0 || ratio != 0 || skew != 0 || dist(p.below(), pt(0, 0)) > 1e-9 {
		t.Errorf("height %g, tilt %g, below %v", p.height(), p.tiltDeg(), p.below())
	}
	if _, ratio, _, _ := poseOf(Homography{1.1, 0, 400, 0, 1, 300, 0, 0, 1}, cam); math.Abs(ratio-math.Log(1.1)) > 1e-9 {
		t.Errorf("ratio of the scales %g", ratio)
	}
	if _, _, skew, _ := poseOf(Homography{1, .1, 400, 0, 1, 300, 0, 0, 1}, cam); math.Abs(skew-.1/math.Sqrt(1.01)) > 1e-9 {
		t.Errorf("skew %g", skew)
	}
	for _, c := range [][2]float64{{900, 0}, {12, 12}, {11, 12}, {0, 0}} { // height, radius: from inside the pipe there is no line of sight
		if c[1] == 0 && c[0] > 0 {
			continue
		}
		if d := grazing(100, c[0], c[1]); d != 0 {
			t.Errorf("height %g above a pipe of radius %g: %g", c[0], c[1], d)
		}
	}
	q := Quad{pt(150, 50), pt(650, 50), pt(650, 550), pt(150, 550)}
	g, p, err := groundFromPipe(q, 500, 500, 0, cam)
	if err != nil || dist(g.Apply(pt(500, 500)), pt(650, 550)) > 1e-9 || math.Abs(p.height()-800) > 1e-6 {
		t.Errorf("a flat frame: %v, height %g", err, p.height())
	}
	// Round pipe: the ground of the quadrat is seen smaller than the edge, by what
	// grazing says on each side, all alike under the camera.
	g, p, err = groundFromPipe(q, 500, 500, 12, cam)
	if err != nil {
		t.Fatal(err)
	}
	d := grazing(250, p.height(), 12)
	for i, c := range rect(500, 500) {
		want := raster.Point{X: 400 + (q[i].X-400)*250/(250+d), Y: 300 + (q[i].Y-300)*250/(250+d)}
		if off := dist(g.Apply(c), want); off > .01 || !(d > 0) {
			t.Errorf("corner %d is off by %g pixels, pipe displaced by %g", i, off, d)
		}
	}
	if _, _, err := groundFromPipe(Quad{}, 500, 500, 12, cam); err == nil {
		t.Error("a point has ground")
	}
}

// TestPipeByHand: the width three sides agree on, and sides moved to where their
// strip begins.
func TestPipeByHand(t *testing.T) {
	q := rect(400, 300)
	s := func(from, to float64) strip { return strip{from, to, true} }
	for _, c := range []struct {
		name  string
		ss    [4]strip
		width float64
		has   [4]bool
		ok    bool
	}{
		{"all alike", [4]strip{s(0, 20), s(1, 21), s(-1, 19), s(0, 20)}, 20, [4]bool{true, true, true, true}, true},
		{"three", [4]strip{s(0, 20), {}, s(0, 20), s(0, 20)}, 20, [4]bool{true, false, true, true}, true},
		{"two", [4]strip{s(0, 20), {}, {}, s(0, 20)}, 0, [4]bool{}, false},
		{"one another", [4]strip{s(0, 20), s(0, 20), s(0, 30), s(0, 20)}, 20, [4]bool{true, true, false, true}, true},
		{"a fifth more", [4]strip{s(0, 20), s(0, 20), s(0, 24), s(0, 20)}, 20, [4]bool{true, true, true, true}, true},
		{"more than a fifth", [4]strip{s(0, 20), s(0, 20), s(0, 24.1), s(0, 20)}, 20, [4]bool{true, true, false, true}, true},
		{"thin", [4]strip{s(0, 5), s(0, 5), s(0, 7.5), s(0, 5)}, 5, [4]bool{true, true, true, true}, true},
		{"pairs", [4]strip{s(0, 10), s(0, 10), s(0, 20), s(0, 20)}, 15, [4]bool{}, false},
	} {
		w, has, ok := pipeOf(q, c.ss)
		if ok != c.ok || math.Abs(w-c.width) > 1e-6 || has != c.has {
			t.Errorf("%s: %g, %v, %v; want %g, %v", c.name, w, has, ok, c.width, c.has)
		}
	}
	if _, _, ok := pipeOf(Quad{}, [4]strip{s(0, 9), s(0, 9), s(0, 9), s(0, 9)}); ok {
		t.Error("a point has a pipe")
	}
	got, ok := moved(q, [4]strip{s(5, 25), s(2, 22), s(-6, 14), s(9, 29)}, [4]bool{true, true, true, false}, 3)
	if want := (Quad{pt(0, -6), pt(400, -6), pt(400, 295), pt(0, 295)}); !ok {
		t.Error("moved sides do not cross")
	} else {
		for i := range 4 {
			if dist(got[i], want[i]) > 1e-9 {
				t.Errorf("corner %d moved to %v, want %v", i, got[i], want[i])
			}
		}
	}
	if offPipe(10) != 3.5 || math.Abs(offPipe(40)-6) > 1e-12 {
		t.Errorf("how far a side may lie off: %g, %g", offPipe(10), offPipe(40))
	}
}

// seenAs are marks of a class where a map says they lie.
func seenAs(t *testing.T, c label.Class, h Homography, scale float64, corners ...int) (out []SeenMark) {
	t.Helper()
	for _, k := range corners {
		m, err := label.NewMark(c, k)
		if err != nil {
			t.Fatal(err)
		}
		place, _ := m.PlacementMM()
		var fx, fy float64
		if k == label.UpperRight || k == label.LowerRight {
			fx = c.WidthMM
		}
		if k == label.LowerLeft || k == label.LowerRight {
			fy = c.HeightMM
		}
		var q Quad
		for i, p := range place {
			q[i] = h.Apply(pt(fx+scale*(p[0]-fx), fy+scale*(p[1]-fy)))
		}
		out = append(out, SeenMark{Mark: m, Corners: q})
	}
	return out
}

func TestMarksByHand(t *testing.T) {
	c, _ := label.ClassByID(0)
	long, _ := label.ClassByID(8) // 250 x 1000 mm
	r := &raster.Raster{Width: 1000, Height: 900, ChromaWidth: 500, ChromaHeight: 450, FullWidth: 1000, FullHeight: 900, Orientation: 1}
	h := Homography{1.1, .05, 150, -.04, 1.08, 140, 1e-5, 2e-5, 1}
	for _, all := range [][]int{{0, 1, 2, 3}, {2, 0, 3}, {3, 1, 0}} {
		for _, scale := range []float64{1, .94, 1.07} {
			seen := seenAs(t, c, h, scale, all...)
			for i := range seen { // stuck on turned
				seen[i].Corners = seen[i].Corners.turned(i)
			}
			rough, err := roughMap(r, seen)
			if err != nil {
				t.Fatal(err)
			}
			top, mm, px, print, err := fitMarks(rough, seen)
			if err != nil || math.Abs(print-scale) > 2e-3 || len(mm) != 4*len(all) || len(px) != len(mm) {
				t.Fatalf("marks %v printed at %g: taken for %g, %v", all, scale, print, err)
			}
			for _, p := range rect(500, 500) {
				if d := dist(top.Apply(p), h.Apply(p)); d > .3 {
					t.Errorf("marks %v printed at %g: a corner is off by %g pixels", all, scale, d)
				}
			}
			if off, err := worstOff(top, mm, px); err != nil || off > .2 {
				t.Errorf("marks %v printed at %g lie off by up to %g mm, %v", all, scale, off, err)
			}
		}
	}
	if off, err := worstOff(Homography{2, 0, 0, 0, 2, 0, 0, 0, 1}, []raster.Point{pt(1, 1), pt(5, 5)}, []raster.Point{pt(2, 2), pt(16, 18)}); err != nil || math.Abs(off-5) > 1e-12 {
		t.Errorf("worst off %g, %v; want 5", off, err)
	}
	if _, err := worstOff(Homography{}, nil, nil); err == nil {
		t.Error("distances without a map")
	}
	refused := func(what string, seen []SeenMark, says string) {
		t.Helper()
		err := oneFrame(seen)
		if err == nil {
			_, err = roughMap(r, seen)
		}
		if says == "" && err != nil || says != "" && (!errors.Is(err, ErrNotFound) || !strings.Contains(err.Error(), says)) {
			t.Errorf("%s: %v, want %q", what, err, says)
		}
	}
	good := seenAs(t, c, h, 1, 0, 1, 2)
	refused("three", good, "")
	refused("of two frames", append(slices.Clone(good), seenAs(t, long, h, 1, 3)...), "two frames")
	refused("one twice", append(slices.Clone(good), good[1]), "twice")
	swapped := slices.Clone(good)
	swapped[0].Corners, swapped[1].Corners = swapped[1].Corners, swapped[0].Corners
	refused("two exchanged", swapped, "wrong order")
	line := slices.Clone(good)
	line[2].Corners = line[1].Corners
	for i := range line[2].Corners {
		line[2].Corners[i] = pt(2*line[1].Corners[i].X-line[0].Corners[i].X, 2*line[1].Corners[i].Y-line[0].Corners[i].Y)
	}
	refused("on one line", line, "corner mark")
	r.Orientation = 2
	refused("in a mirror image", good, "wrong order")
	refused("exchanged in a mirror image", swapped, "")

	for _, v := range []struct {
		w, h float64
		want bool
	}{{250, 1000, true}, {1000, 250, true}, {250.5, 999.5, true}, {250.6, 1000, false}, {250, 1000.6, false}, {1000, 250.6, false}, {250, 250, false}} {
		if got := sameSize(Options{WidthMM: v.w, HeightMM: v.h}, long); got != v.want {
			t.Errorf("%g x %g is 250 x 1000: %v", v.w, v.h, got)
		}
	}
	r.Orientation = 1
	for _, v := range [][2]int{{1360, 1}, {1361, 2}, {2720, 2}, {2721, 3}, {10, 1}} {
		if got := markScale(&raster.Raster{Width: v[0], Height: 5}); got != v[1] {
			t.Errorf("marks in %d pixels are looked for at 1/%d, want 1/%d", v[0], got, v[1])
		}
	}
	// 60 mm at .7 and .72 mm a pixel are 85.7 and 83.3 pixels; 1.5 x 14 x 2 x 2 are 84.
	large := &raster.Raster{Width: 2000, Height: 1500}
	if !shownCoarsely(large, Frame{MMPerPx: .7}) || shownCoarsely(large, Frame{MMPerPx: .72}) {
		t.Error("which marks cannot be missed at half the scale")
	}
	// The open corner lies about where the fourth mark must be.
	x0, y0, x1, y1, ok := openCorner(r, seenAs(t, c, h, 1, 0, 1, 3), 2)
	last := seenAs(t, c, h, 1, 2)[0].Corners
	for _, p := range last {
		if !ok || p.X/2 < float64(x0)+20 || p.Y/2 < float64(y0)+20 || p.X/2 > float64(x1) || p.Y/2 > float64(y1) {
			t.Errorf("the fourth mark at %v is looked for in (%d, %d) to (%d, %d), %v", p, x0, y0, x1, y1, ok)
		}
	}
	if w := x1 - x0; w < 80 || w > 110 { // three sides of 66 pixels, halved
		t.Errorf("the box is %d wide", w)
	}
	if _, _, _, _, ok := openCorner(r, swapped, 2); ok {
		t.Error("marks in the wrong order have an open corner")
	}
	n := fewMarks{read: 2}
	if n.Error() != "2 corner marks read, 3 needed" {
		t.Error(n.Error())
	}
}

// drawMark draws a mark with its margin, px pixels a cell, its black square's
// corner at (x, y); flip are cells of the code shown wrong.
func drawMark(p plane, m label.Mark, x, y, px int, flip ...int) {
	fill := func(x0, y0, x1, y1 int, v byte) {
		for j := y0; j < y1; j++ {
			for i := x0; i < x1; i++ {
				p.pix[j*p.w+i] = v
			}
		}
	}
	fill(x-px, y-px, x+9*px, y+9*px, 210)
	for j, row := range m.Cells() {
		for i, w := range row {
			if slices.Contains(flip, 6*(j-1)+i-1) && i > 0 && j > 0 && i < 7 && j < 7 {
				w = !w
			}
			if !w {
				fill(x+i*px, y+j*px, x+(i+1)*px, y+(j+1)*px, 40)
			}
		}
	}
}

func greyRaster(p plane) *raster.Raster {
	return &raster.Raster{Width: p.w, Height: p.h, ChromaWidth: p.w / 2, ChromaHeight: p.h / 2, FullWidth: p.w, FullHeight: p.h, Denom: 1, Orientation: 1,
		Y: p.pix, Cb: slices.Repeat([]byte{128}, p.w/2*(p.h/2)), Cr: slices.Repeat([]byte{128}, p.w/2*(p.h/2))}
}

// TestReadByHand: a mark printed straight on the pixels is read where it lies, in
// every orientation, with up to two cells wrong and no more.
func TestReadByHand(t *testing.T) {
	blank := func() plane { return plane{300, 240, slices.Repeat([]byte{110}, 300*240)} }
	m := label.Mark{ID: 37}
	for _, c := range []struct {
		flip []int
		read bool
	}{{nil, true}, {[]int{0}, true}, {[]int{3, 35}, true}, {[]int{3, 17, 35}, false}} {
		p := blank()
		drawMark(p, m, 80, 60, 9, c.flip...)
		got := allMarks(greyRaster(p))
		if (len(got) == 1) != c.read {
			t.Errorf("%d cells wrong: %d marks read", len(c.flip), len(got))
			continue
		}
		if !c.read {
			continue
		}
		if got[0].Mark != m || got[0].Fixed != len(c.flip) {
			t.Errorf("%d cells wrong: %+v", len(c.flip), got[0])
		}
		for i, want := range (Quad{pt(80, 60), pt(152, 60), pt(152, 132), pt(80, 132)}) {
			if d := dist(got[0].Corners[i], want); d > .3 {
				t.Errorf("corner %d at %v, want %v", i, got[0].Corners[i], want)
			}
		}
	}
	// Too small, too faint, without its margin, and two that are both read.
	p := blank()
	drawMark(p, m, 80, 60, 1)
	if got := allMarks(greyRaster(p)); len(got) > 0 {
		t.Errorf("a mark of 8 pixels: %+v", got)
	}
	p = blank()
	drawMark(p, m, 80, 60, 9)
	faint := plane{300, 240, slices.Clone(p.pix)}
	for i, v := range faint.pix {
		faint.pix[i] = byte(110 + (int(v)-110)/8)
	}
	if got := allMarks(greyRaster(faint)); len(got) > 0 {
		t.Errorf("a mark of 21 grey levels: %+v", got)
	}
	drawMark(p, label.Mark{ID: 4}, 200, 140, 6)
	if got := allMarks(greyRaster(p)); len(got) != 2 {
		t.Errorf("%d of two marks", len(got))
	}
	// Half in shadow, which is as dark as the black in the sun.
	for i := range p.pix {
		if i%300 < 116 {
			p.pix[i] = byte(int(p.pix[i]) / 3)
		}
	}
	if got := allMarks(greyRaster(p)); len(got) == 0 {
		t.Error("no mark is read half in shadow")
	}
	q := Quad{pt(80, 60), pt(152, 60), pt(152, 132), pt(80, 132)}
	p = blank()
	drawMark(p, m, 80, 60, 9)
	if !ringed(p, q) || ringed(p, Quad{pt(90, 70), pt(140, 70), pt(140, 120), pt(90, 120)}) || ringed(blank(), q) || ringed(p, Quad{}) {
		t.Error("what has a black ring in white")
	}
	// Three sides of the ring do, whichever; less of a fourth does not make up
	// for more than that missing.
	for side, b := range [4][4]int{{71, 51, 161, 60}, {71, 132, 161, 141}, {71, 51, 80, 141}, {152, 51, 161, 141}} {
		for _, c := range []struct {
			shown int // pixels of the next side's margin that are dark too
			want  bool
		}{{0, true}, {30, false}} {
			p := blank()
			drawMark(p, m, 80, 60, 9)
			for y := b[1]; y < b[3]; y++ {
				for x := b[0]; x < b[2]; x++ {
					p.pix[y*p.w+x] = 40
				}
			}
			for k := range c.shown {
				for d := range 9 {
					if side < 2 { // above and below are dark: some of the left too
						p.pix[(85+k)*p.w+71+d] = 40
					} else {
						p.pix[(51+d)*p.w+100+k] = 40
					}
				}
			}
			if got := ringed(p, q); got != c.want {
				t.Errorf("side %d of the ring is missing and %d pixels of another: %v", side, c.shown, got)
			}
		}
	}
	if s, ok := readMark(p, q); !ok || s.Mark != m || s.Corners != q {
		t.Errorf("read %+v, %v", s, ok)
	}
	for turn := 1; turn < 4; turn++ { // the corners come back from the mark's own first
		if s, ok := readMark(p, q.turned(turn)); !ok || s.Mark != m || s.Corners != q {
			t.Errorf("read from corner %d: %+v, %v", turn, s, ok)
		}
	}
	if _, ok := readMark(blank(), q); ok {
		t.Error("a mark is read on bare ground")
	}
	if _, ok := readMark(p, Quad{}); ok {
		t.Error("a mark is read at a point")
	}
	code := label.Mark{ID: 5}.Code()
	if turned := quarterTurn(quarterTurn(quarterTurn(quarterTurn(code)))); turned != code || quarterTurn(code) == code {
		t.Errorf("four quarter turns of %#x give %#x", code, turned)
	}
	if got := quarterTurn(1 << 35); got != 1<<(35-30) && got != 1<<30 { // the first cell goes to a corner beside it
		t.Errorf("the first cell goes to %#x", got)
	}
	s := shadingOf([]float64{-1, 1, -1, 1}, []float64{-2, -2, 2, 2}, []float64{10, 20, 30, 40})
	if s != (shading{25, 5, 5}) || s.at(1, -2) != 20 {
		t.Errorf("shading %+v", s)
	}
}

// TestDarkPieces: pieces of dark by their runs, and which could be a mark.
func TestDarkPieces(t *testing.T) {
	p := plane{200, 160, slices.Repeat([]byte{200}, 200*160)}
	fill := func(x0, y0, x1, y1 int) {
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				p.pix[y*p.w+x] = 30
			}
		}
	}
	fill(20, 20, 44, 40)       // a box
	fill(100, 20, 103, 60)     // two posts
	fill(121, 20, 124, 60)     //
	fill(103, 56, 121, 60)     // joined below
	fill(150, 20, 163, 40)     // too narrow by one
	fill(20, 100, 26, 106)     // a speck
	fill(193, 140, 200, 160)   // at the rim
	for y := 27; y < 33; y++ { // a hole in the box
		for x := 28; x < 36; x++ {
			p.pix[y*p.w+x] = 200
		}
	}
	ws := new(Workspace)
	runs := ws.darkRuns(p)
	want := 26 + 36*2 + 4 + 20 + 6 + 20
	if len(runs) != want {
		t.Errorf("%d runs, want %d", len(runs), want)
	}
	var dark int32
	for _, r := range runs {
		dark += r.to - r.from
	}
	if dark != 24*20-48+2*3*40+18*4+13*20+36+7*20 {
		t.Errorf("%d dark pixels", dark)
	}
	pieces := ws.darkPieces(p)
	if len(pieces) != 2 {
		t.Fatalf("%d pieces could be marks, want the box and the joined posts", len(pieces))
	}
	if q := pieces[0].piece; q.count != 432 || q.rows != 26 || q.minX != 20 || q.maxX != 43 || q.minY != 20 || q.maxY != 39 {
		t.Errorf("the box is %+v", q)
	}
	if q := pieces[1].piece; q.count != 2*3*40+18*4 || q.minX != 100 || q.maxX != 123 || q.maxY != 59 || len(pieces[1].runs) != 76 {
		t.Errorf("the posts are %+v of %d runs", q, len(pieces[1].runs))
	}
	var outline []raster.Point
	q, ok := pieces[0].quad(&outline)
	if !ok || math.Abs(q.Area()-24*19) > 25 {
		t.Errorf("round the box %v, %v", q, ok)
	}
	if _, ok := pieces[1].quad(&outline); ok {
		t.Error("the posts have a quad")
	}
	for _, c := range []struct {
		w, h, count int32
		want        bool
	}{
		{14, 14, 100, true}, {13, 14, 100, false}, {14, 13, 100, false}, {14, 42, 300, true}, {14, 43, 300, false}, {43, 14, 300, false}, {100, 100, 5000, true}, {101, 100, 5000, false},
		{20, 20, 88, true}, {20, 20, 87, false}, {20, 20, 380, true}, {20, 20, 381, false},
	} {
		q := piece{count: c.count, maxX: c.w - 1, maxY: c.h - 1}
		if got := q.plausible(plane{w: 200, h: 160}); got != c.want {
			t.Errorf("%d pixels in %d x %d: %v", c.count, c.w, c.h, got)
		}
	}
	// Where nothing differs there is no dark.
	even := plane{40, 40, slices.Repeat([]byte{90}, 1600)}
	even.pix[20*40+20] = 90 - 27
	if runs := ws.darkRuns(even); len(runs) > 0 {
		t.Errorf("27 levels of contrast have %d runs", len(runs))
	}
	even.pix[20*40+20] = 90 - 28
	if runs := ws.darkRuns(even); len(runs) != 1 || runs[0].y != 20 || runs[0].from != 20 || runs[0].to != 21 {
		t.Errorf("28 levels of contrast: %+v", runs)
	}
}

func TestGradientsByHand(t *testing.T) {
	p := plane{40, 40, make([]byte, 1600)}
	for i := range p.pix {
		p.pix[i] = byte(50 + 2*(i%40) + 3*(i/40)) // 2 and 3 levels a pixel: times 2 x 16 are 64 and 96
	}
	if c := clutter(p); c != 164 { // (64 + 96)/8 = 20, the middle of its bin 8 x 20 + 4
		t.Errorf("clutter %d, want 164", c)
	}
	var buf []int8
	g := gradientsOf(p, &buf)
	for y := range 40 {
		for x := range 40 {
			gx, gy := float64(g.g[2*(y*40+x)]), float64(g.g[2*(y*40+x)+1])
			wx, wy := 64*10/164., 96*10/164.
			if x == 0 || y == 0 || x == 39 || y == 39 {
				wx, wy = 0, 0
			}
			if math.Abs(gx-wx) > .51 || math.Abs(gy-wy) > .51 {
				t.Fatalf("(%d, %d): gradient (%g, %g), want (%.1f, %.1f)", x, y, gx, gy, wx, wy)
			}
		}
	}
	if c := clutter(plane{40, 40, make([]byte, 1600)}); c != 16 {
		t.Errorf("clutter of nothing %d, want 16", c)
	}
	if c := clutter(plane{2, 2, make([]byte, 4)}); c != 16 {
		t.Errorf("clutter of four pixels %d, want 16", c)
	}
	// An upright edge votes for one line: normal along x, three pixels right of
	// the middle.
	edge := plane{64, 48, make([]byte, 64*48)}
	for i := range edge.pix {
		if i%64 >= 35 {
			edge.pix[i] = 60
		}
	}
	ws := new(Workspace)
	for _, every := range []int{1, 2} {
		ps := ws.vote(gradientsOf(edge, &buf), every).peaks(5, 40)
		if len(ps) == 0 || ps[0].theta > 1 || math.Abs(ps[0].rho-3) > 1 {
			t.Errorf("every %d: lines %+v, want one at 3 along x", every, ps)
		}
	}
	for i := range edge.pix {
		edge.pix[i] = 60 - edge.pix[i]
	}
	if ps := ws.vote(gradientsOf(edge, &buf), 1).peaks(5, 40); len(ps) == 0 || ps[0].theta != thetaBins/2 || math.Abs(ps[0].rho+3) > 1 {
		t.Errorf("an edge that falls: %+v", ps)
	}
	if ps := ws.vote(gradientsOf(edge, &buf), 1).peaks(5, 4000); len(ps) > 0 {
		t.Errorf("lines stronger than there are: %+v", ps)
	}
	if ps := ws.vote(gradientsOf(edge, &buf), 1).peaks(0, 40); len(ps) > 0 {
		t.Errorf("no lines wanted: %+v", ps)
	}
}

// TestOpenCorner: of three marks that are clearly seen at half the scale the
// fourth is looked for where it must be, at full scale; elsewhere it is not.
func TestOpenCorner(t *testing.T) {
	c, _ := label.ClassByID(0)
	mark := func(k int) label.Mark {
		m, err := label.NewMark(c, k)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	for _, v := range []struct {
		name   string
		x, y   int // of the fourth, 24 pixels wide
		corner int
		marks  int
	}{{"in its place", 681, 681, 2, 4}, {"far from it", 300, 300, 2, 3}, {"one that is there already", 681, 681, 1, 3}} {
		p := plane{800, 800, slices.Repeat([]byte{110}, 640000)}
		// 8 pixels a cell of 7.5 mm: the frame is 533 pixels wide and begins at 120.
		drawMark(p, mark(0), 48, 48, 8)
		drawMark(p, mark(1), 661, 48, 8)
		drawMark(p, mark(3), 48, 661, 8)
		drawMark(p, mark(v.corner), v.x, v.y, 3)
		got := allMarks(greyRaster(p))
		if len(got) != v.marks {
			t.Errorf("%s: %d marks, want %d", v.name, len(got), v.marks)
			continue
		}
		for i, s := range got {
			if v.marks == 4 && i == 3 && (s.Mark != mark(2) || dist(s.Corners[0], pt(681, 681)) > .7) {
				t.Errorf("%s: the fourth is %+v", v.name, s)
			}
		}
	}
	// Fewer than three are looked for all over at full scale.
	p := plane{800, 800, slices.Repeat([]byte{110}, 640000)}
	drawMark(p, mark(0), 48, 48, 8)
	drawMark(p, mark(2), 300, 300, 3)
	if got := allMarks(greyRaster(p)); len(got) != 2 {
		t.Errorf("%d of two marks", len(got))
	}
	// A whole frame is found by them, and one whose marks contradict each other is
	// refused whatever the settings.
	p = plane{800, 800, slices.Repeat([]byte{110}, 640000)}
	for k, at := range [4][2]int{{48, 48}, {661, 48}, {661, 661}, {48, 661}} {
		drawMark(p, mark(k), at[0], at[1], 8)
	}
	f, err := Find(greyRaster(p), Options{MinSupport: .4})
	if err != nil || f.Method != ByMarks || f.Class != c || f.FirstCorner != 0 || len(f.Warnings) != 0 || f.Confidence < .95 {
		t.Fatalf("%+v, %v", f, err)
	}
	for i, want := range (Quad{pt(120, 120), pt(653, 120), pt(653, 653), pt(120, 653)}) {
		if dist(f.Ground[i], want) > .5 {
			t.Errorf("corner %d at %v, want %v", i, f.Ground[i], want)
		}
	}
	raised, err := Find(greyRaster(p), Options{MinSupport: .4, PipeDiameterMM: 30})
	if err != nil || !(raised.Ground.Area() < f.Ground.Area()) || math.Abs(raised.CameraHeightMM-f.CameraHeightMM-30) > .5 {
		t.Errorf("on a pipe of 30 mm the ground is %g of %g pixels, the camera at %g of %g mm", raised.Ground.Area(), f.Ground.Area(), raised.CameraHeightMM, f.CameraHeightMM)
	}
	if dist(raised.Inner[0], f.Inner[0]) > .01 {
		t.Errorf("the seen edge moved from %v to %v", f.Inner[0], raised.Inner[0])
	}
	other, err := Find(greyRaster(p), Options{WidthMM: 400, HeightMM: 400, MinSupport: .4})
	if err != nil || other.WidthMM != 500 || len(other.Warnings) != 1 {
		t.Errorf("stated as 400 mm: %g mm, %q, %v", other.WidthMM, other.Warnings, err)
	}
	drawMark(p, mark(1), 300, 300, 8)
	if _, err := Find(greyRaster(p), Options{WidthMM: 500, HeightMM: 500, MinSupport: .4}); !errors.Is(err, ErrNotFound) || !strings.Contains(err.Error(), "twice") {
		t.Errorf("one corner twice: %v", err)
	}
	// Cut off at the side of the photo the ground is not all there.
	cut := plane{640, 800, slices.Repeat([]byte{110}, 640*800)}
	drawMark(cut, mark(0), 48, 48, 8)
	drawMark(cut, mark(3), 48, 661, 8)
	drawMark(cut, mark(1), 500, 48, 8) // stuck on too near: the fit is off
	if _, err := Find(greyRaster(cut), Options{MinSupport: .4}); !errors.Is(err, ErrNotFound) {
		t.Errorf("marks that lie off: %v", err)
	}
}
