package vision

import (
	"image"
	"math"
	"slices"
	"testing"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// ground96 are the swatches of a ground, each as told by its column and row.
func ground96(of func(x, y int) swatch) swatches {
	all := make(swatches, swatchesAcross*swatchesAcross)
	for i := range all {
		all[i] = of(i%swatchesAcross, i/swatchesAcross)
	}
	return all
}

func colour(r, g, b float64) swatch {
	return swatch{r: r, g: g, b: b, luma: .299*r + .587*g + .114*b, rise: 900, seen: true}
}

// TestKindOfSwatch: hues at their limits, worked out from the ratios of blue to
// red and of red to green.
func TestKindOfSwatch(t *testing.T) {
	for _, c := range []struct {
		name    string
		r, g, b float64
		want    uint8
	}{
		{"teal", 40, 100, 80, isThing}, {"as blue and less red-poor", 50, 100, 92.6, isThing}, {"red over half of green", 50.1, 100, 99, nearThing},
		{"not quite as blue", 45, 100, 83, nearThing}, {"paint", 32, 100, 44, isThing}, {"paint with more red", 34, 100, 46, noThing}, {"paint with less blue", 32, 100, 43, noThing},
		{"near", 58, 100, 85, nearThing}, {"near, less blue", 58, 100, 84, noThing}, {"near, more red", 61, 100, 90, noThing},
		{"leaf", 74, 118, 48, noThing}, {"dark", 20, 59, 40, noThing}, {"as dark as may be", 20, 60, 40, isThing}, {"hardly green", 91, 100, 180, noThing}, {"blue", 10, 60, 200, isThing},
		{"no red at all", 0, 100, 2, isThing},
	} {
		s := colour(c.r, c.g, c.b)
		if got := s.kind(); got != c.want {
			t.Errorf("%s: kind %d, want %d", c.name, got, c.want)
		}
		unseen, clip := s, s
		unseen.seen, clip.clipped = false, true
		if unseen.kind() != noThing || clip.kind() != noThing {
			t.Errorf("%s: not seen %d, clipped %d", c.name, unseen.kind(), clip.kind())
		}
	}
	for _, c := range []struct {
		s    swatch
		want bool
	}{{colour(100, 111, 100), true}, {colour(100, 110, 50), false}, {colour(50, 110, 100), false}, {colour(50, 111, 100), true}} {
		if c.s.green() != c.want {
			t.Errorf("%+v is green: %v", c.s, c.s.green())
		}
	}
}

// TestThingsByHand: pieces of 40 swatches and more are things and marked with
// their rims; what may be one counts from 200 on; flat green from 3 % of the
// ground on.
func TestThingsByHand(t *testing.T) {
	soil, teal, perhaps := colour(120, 95, 70), colour(30, 120, 110), colour(58, 100, 86)
	flat := colour(60, 110, 50)
	flat.rise = 0
	box := func(s swatch, w, h int) swatches {
		return ground96(func(x, y int) swatch {
			if x >= 10 && x < 10+w && y >= 20 && y < 20+h {
				return s
			}
			return soil
		})
	}
	const all = swatchesAcross * swatchesAcross
	marked, share, nearly, smooth := box(teal, 8, 5).things()
	if share != 40./all || nearly != 0 || smooth != 0 {
		t.Errorf("40 of teal: %g, %g, %g", share, nearly, smooth)
	}
	for i, m := range marked {
		x, y := i%swatchesAcross, i/swatchesAcross
		if m != (x >= 9 && x <= 18 && y >= 19 && y <= 25) {
			t.Fatalf("(%d, %d) is marked: %v", x, y, m)
		}
	}
	if marked, share, _, _ := box(teal, 13, 3).things(); marked != nil || share != 0 {
		t.Errorf("39 of teal: %g", share)
	}
	if _, share, nearly, _ := box(perhaps, 20, 10).things(); share != 0 || math.Abs(nearly-200./all) > 1e-12 {
		t.Errorf("200 that may be a thing: %g, %g", share, nearly)
	}
	if _, _, nearly, _ := box(perhaps, 199, 1).things(); nearly != 0 {
		t.Errorf("a strip that may be a thing: %g", nearly)
	}
	if _, _, nearly, _ := box(perhaps, 33, 6).things(); nearly != 0 {
		t.Errorf("198 that may be a thing: %g", nearly)
	}
	// Nothing at its corners is flat, as two of nine green ones lie around them.
	if _, _, _, got := box(flat, 20, 15).things(); math.Abs(got-(20*15-4)/float64(all)) > 1e-12 {
		t.Errorf("300 of flat green: %g, want %g", got, (20*15-4)/float64(all))
	}
	if _, _, _, got := box(flat, 28, 10).things(); got != 0 { // 276, 3 % are 276.48
		t.Errorf("280 of flat green: %g", got)
	}
	if _, _, _, got := box(flat, 281, 1).things(); got != 0 {
		t.Errorf("a strip of flat green: %g", got)
	}
	luma := flat.luma
	for _, c := range []struct {
		change float64 // of brightness over eight pixels
		flat   bool
	}{{.034, true}, {.036, false}} {
		flat.rise = c.change * c.change * luma * luma
		if _, _, _, got := box(flat, 20, 15).things(); (got > 0) != c.flat {
			t.Errorf("green that changes by %g: %g is flat", c.change, got)
		}
	}
	// Teal at the rims of the ground stays inside it; pieces touch by sides only.
	corner := ground96(func(x, y int) swatch {
		if x < 8 && y < 5 || x >= 8 && x < 16 && y >= 5 && y < 9 {
			return teal
		}
		return soil
	})
	if marked, share, _, _ := corner.things(); share != 40./all || !marked[0] || marked[7*swatchesAcross] {
		t.Errorf("a corner of teal: %g", share)
	}
}

func TestTouching(t *testing.T) {
	const rows = "##.#" + "#..#" + "..#." + ".###"
	got := touching(4, func(i int) bool { return rows[i] == '#' })
	want := [][]int{{0, 1, 4}, {3, 7}, {10, 14, 13, 15}}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range got {
		slices.Sort(got[i])
		slices.Sort(want[i])
		if !slices.Equal(got[i], want[i]) {
			t.Errorf("piece %d is %v, want %v", i, got[i], want[i])
		}
	}
}

// TestMatsByHand: wide green whose brightness rises little over a tile is a mat.
func TestMatsByHand(t *testing.T) {
	soil := colour(120, 95, 70)
	rough := func(s swatch, rise float64) swatch {
		s.rise = rise * rise * s.luma * s.luma
		return s
	}
	leaf := func(rise float64) swatch { return rough(colour(80, 110, 50), rise) }
	box := func(s swatch, w, h int) swatches {
		return ground96(func(x, y int) swatch {
			if x < w && y < h {
				return s
			}
			return soil
		})
	}
	const all = swatchesAcross * swatchesAcross
	// A tile of 12 x 12 green ones has 11 x 11 - with 8 green ones of nine around
	// them: those on its own two inner rims have six or fewer.
	for _, c := range []struct {
		name       string
		all        swatches
		frac, rise float64
	}{
		{"soil", box(soil, 96, 96), 0, 0},
		{"all smooth", box(leaf(.1), 96, 96), (96*96 - 2*96 - 2*94) / float64(all), .1},
		{"all rough", box(leaf(.2), 96, 96), 0, .2},
		{"just smooth", box(leaf(.139), 96, 96), (96*96 - 2*96 - 2*94) / float64(all), .139},
		{"just rough", box(leaf(.141), 96, 96), 0, .141},
		{"without any grain", box(leaf(0), 96, 96), (96*96 - 2*96 - 2*94) / float64(all), .001},
		{"little", box(leaf(.1), 8, 8), 0, 0},          // 36 inner ones, in a tile
		{"a little more", box(leaf(.1), 8, 7), 0, 0},   // 30
		{"a narrow strip", box(leaf(.1), 96, 2), 0, 0}, // none inner
		{"4 %", box(leaf(.1), 25, 18), 0, 0},           // 23 x 16 = 368 of 9216
	} {
		frac, rise := c.all.mats()
		switch c.name {
		case "little":
			c.frac = 36 / float64(all)
		case "4 %":
			continue
		}
		if math.Abs(frac-c.frac) > 1e-9 || math.Abs(rise-c.rise) > 1e-9 {
			t.Errorf("%s: %g of a mat, rise %g; want %g and %g", c.name, frac, rise, c.frac, c.rise)
		}
	}
	// The rise of all green is told where it has 4 % of the ground, 368.64.
	if _, rise := box(leaf(.1), 43, 11).mats(); rise == 0 { // 41 x 9 = 369
		t.Error("369 of wide green: no rise")
	}
	if _, rise := box(leaf(.1), 25, 18).mats(); rise != 0 { // 368
		t.Errorf("368 of wide green: rise %g", rise)
	}
	// The rise looked at is that which nine of ten stay below.
	mixed := ground96(func(x, y int) swatch { return leaf(.01 * float64(x)) })
	if _, rise := mixed.mats(); math.Abs(rise-.85) > .02 {
		t.Errorf("of rises up to .95 that of nine tenths is %g, want .85", rise)
	}
	// Green is green over red and over blue, seen and not clipped.
	for _, c := range []struct {
		s    swatch
		want bool
	}{{colour(100, 103.1, 50), true}, {colour(100, 102.9, 50), false}, {colour(50, 100, 105.2), true}, {colour(50, 100, 105.3), false}} {
		if frac, _ := box(rough(c.s, .1), 96, 96).mats(); (frac > 0) != c.want {
			t.Errorf("%+v is a mat: %g", c.s, frac)
		}
		unseen, clip := c.s, c.s
		unseen.seen, clip.clipped = false, true
		for _, s := range []swatch{unseen, clip} {
			if frac, rise := box(s, 96, 96).mats(); frac != 0 || rise != 0 {
				t.Errorf("%+v is a mat", s)
			}
		}
	}
	third := ground96(func(x, y int) swatch {
		s := colour(50, 50.1, 50)
		if x%3 > 0 {
			s = colour(50, 50, 50)
		}
		s.seen = y < 48
		return s
	})
	if got := third.greenFrac(); math.Abs(got-1/6.) > 1e-9 {
		t.Errorf("green is largest on %g, want a sixth", got)
	}
}

// TestCastGains: what the greenness of a fiftieth, a quarter and a half of the
// ground says of the light.
func TestCastGains(t *testing.T) {
	for _, c := range []struct {
		name                    string
		fiftieth, quarter, half float64
		want                    float64 // cast taken out; 0 for none
	}{
		{"white light", 0, .01, .02, 0},
		{"green light, bare", .2, .22, .25, .2}, {"just green", .081, .1, .12, .081}, {"hardly green", .079, .1, .12, 0},
		{"of many hues", .2, .271, .3, 0}, {"of one hue", .2, .269, .3, .2}, {"half of another", .2, .22, .291, 0}, {"half leaves", .2, .22, .371, .2}, {"half of one hue", .2, .22, .289, .2},
		{"magenta", -.2, -.1, -.05, -.05}, {"hardly magenta", -.2, -.1, -.039, 0}, {"magenta under leaves", -.06, .1, .16, -.06}, {"leaves", -.04, .1, .16, 0}, {"fewer leaves", -.06, .1, .14, 0},
		{"stronger than any light", .61, .62, .63, 0}, {"the strongest", .59, .6, .61, .59}, {"magenta beyond any light", -.7, -.65, -.61, 0},
	} {
		g := greennesses{c.fiftieth, c.quarter, c.half, true}
		k, ok := g.castGains()
		if ok != (c.want != 0) || math.Abs(math.Log(k.red)-c.want) > 1e-12 || k.red != k.blue {
			t.Errorf("%s: gains %+v, %v; want e to the %g", c.name, k, ok, c.want)
		}
		g.ok = false
		if k, ok := g.castGains(); ok || k != noGains {
			t.Errorf("%s, not known: %+v", c.name, k)
		}
	}
	// Greenness by its definition, of swatches whose hue is known.
	all := ground96(func(x, y int) swatch {
		g := math.Exp(float64(y*swatchesAcross+x) / 9216) // greennesses from 0 to 1, evenly
		return colour(50, 50*g, 50)
	})
	g := all.greennesses()
	if !g.ok || math.Abs(g.fiftieth-.02) > 1e-3 || math.Abs(g.quarter-.25) > 1e-3 || math.Abs(g.half-.5) > 1e-3 {
		t.Errorf("%+v, want .02, .25 and .5", g)
	}
	for i := range all {
		switch i % 4 {
		case 1:
			all[i].seen = false
		case 2:
			all[i].clipped = true
		case 3:
			all[i].b = 1
		}
	}
	if g := all.greennesses(); !g.ok || math.Abs(g.half-.5) > 1e-3 {
		t.Errorf("a quarter has a hue: %+v", g)
	}
	all[0].seen = false
	if g := all.greennesses(); g.ok {
		t.Errorf("less than a quarter has a hue: %+v", g)
	}
	b := swatches{colour(10, 20, 30)}.balanced(gains{2, .5})
	if b[0].r != 20 || b[0].g != 20 || b[0].b != 15 {
		t.Errorf("balanced %+v", b[0])
	}
	for k, want := range []float64{-2, 0, 1, 1, 3, 7} {
		if got := smallest([]float64{3, 1, 7, -2, 1, 0}, k); got != want {
			t.Errorf("number %d by size is %g, want %g", k, got, want)
		}
	}
}

// TestSwatchesByHand: a swatch is the mean of nine pixels, its hue is not known
// where one channel is near its end or all are dark, and areas left out are not
// seen.
func TestSwatchesByHand(t *testing.T) {
	const side = 288 // three pixels a swatch
	r := &raster.Raster{Width: side + 8, Height: side, ChromaWidth: side + 8, ChromaHeight: side, FullWidth: side + 8, FullHeight: side, Orientation: 1,
		Y: make([]byte, (side+8)*side), Cb: make([]byte, (side+8)*side), Cr: make([]byte, (side+8)*side)}
	for i := range r.Y {
		x, y := i%r.Width, i/r.Width
		r.Y[i], r.Cb[i], r.Cr[i] = byte(100+x%3), byte(118+x%3), byte(130+y%3)
		if x >= 30 && x < 33 {
			r.Y[i], r.Cb[i], r.Cr[i] = 20, 128, 128
		}
		if x >= 60 && x < 63 {
			r.Y[i], r.Cb[i], r.Cr[i] = 247, 128, 128
		}
	}
	p := &Plane{Width: side, Height: side, ToPhoto: [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}
	all := swatchesOf(r, p.ToPhoto, side, side, gains{2, 3})
	s := all[5*swatchesAcross+5]
	// Y 101, Cb 119 and Cr 131, from neutral -9 and 3.
	want := swatch{r: 2 * (101 + 1.402*3), g: 101 + .344136*9 - .714136*3, b: 3 * (101 - 1.772*9), luma: 101, seen: true}
	if math.Abs(s.r-want.r) > 1e-9 || math.Abs(s.g-want.g) > 1e-9 || math.Abs(s.b-want.b) > 1e-9 || s.luma != want.luma || !s.seen || s.clipped {
		t.Errorf("%+v, want %+v", s, want)
	}
	// Over 2 and 8 pixels brightness goes from 0, 1, 2 to 2, 0, 1: by 2, -1, -1
	// both times.
	if s.rise != 0 {
		t.Errorf("rise %g, want 0", s.rise)
	}
	if d, b := all[10], all[20]; !d.clipped || !b.clipped || d.luma != 20 {
		t.Errorf("dark %+v, bright %+v", d, b)
	}
	if near := all[8]; near.rise == 0 { // 8 pixels before the dark
		t.Errorf("beside the dark: %+v", near)
	}
	cut := *r
	cut.Width, cut.Y = side, make([]byte, side*side)
	cut.ChromaWidth = side
	edge := swatchesOf(&cut, p.ToPhoto, side, side, noGains)
	if edge[95].seen || edge[94].seen || !edge[92].seen {
		t.Errorf("near the right edge, where there is nothing 8 pixels on: %v %v %v", edge[95].seen, edge[94].seen, edge[92].seen)
	}
	out := slices.Clone(all)
	out.leaveOut(p, [][]raster.Point{{{X: 0, Y: 0}, {X: 33, Y: 0}, {X: 33, Y: 30}, {X: 0, Y: 30}}})
	for i := range out {
		x, y := i%swatchesAcross, i/swatchesAcross
		if out[i].seen != (all[i].seen && !(x < 11 && y < 10)) {
			t.Fatalf("swatch (%d, %d) is seen: %v", x, y, out[i].seen)
		}
	}
}

// TestPaperByHand: the colour of paper and what makes it white.
func TestPaperByHand(t *testing.T) {
	p := paperOf([3]float64{200, 118, 138})
	if math.Abs(p.r-214.02) > 1e-9 || math.Abs(p.g-(200+3.44136-7.14136)) > 1e-9 || math.Abs(p.b-182.28) > 1e-9 {
		t.Errorf("paper %+v", p)
	}
	if p := paperOf([3]float64{250, 20, 200}); p.r != 255 || math.Abs(p.b-(250-1.772*108)) > 1e-9 {
		t.Errorf("paper out of range %+v", p)
	}
	for _, c := range []struct {
		name    string
		p       paper
		g       gains
		noted   bool
		green   float64
		clipped bool
	}{
		{"white", paper{200, 200, 200}, gains{1, 1}, false, 0, false},
		{"warm", paper{220, 200, 160}, gains{200. / 220, 1.25}, false, math.Log(200 / math.Sqrt(220*160)), false},
		{"green", paper{160, 200, 160}, gains{1.25, 1.25}, false, math.Log(1.25), false},
		{"dark", paper{59, 59, 59}, noGains, true, 0, false}, {"just light enough", paper{61, 61, 61}, gains{1, 1}, false, 0, false},
		{"red blown out", paper{250, 240, 240}, noGains, true, math.Log(240 / math.Sqrt(250*240)), true}, {"blue blown out", paper{240, 249, 250}, noGains, true, 0, true},
		{"green blown out", paper{200, 250, 200}, gains{1.25, 1.25}, true, math.Log(1.25), true}, {"green blown out, less than the others", paper{249, 250, 249}, gains{250. / 249, 250. / 249}, true, math.Log(250. / 249), true},
		{"far too red", paper{240, 140, 140}, noGains, true, math.Log(140 / math.Sqrt(240*140)), false}, {"far too green", paper{100, 171, 120}, noGains, true, math.Log(171 / math.Sqrt(100*120)), false}, {"as green as may be", paper{100, 169, 120}, gains{1.69, 169. / 120}, false, math.Log(169 / math.Sqrt(100*120)), false},
		{"far too blue", paper{100, 120, 201}, noGains, true, math.Log(120 / math.Sqrt(100*201)), false}, {"without red", paper{.9, 200, 200}, noGains, true, 0, false},
	} {
		g, note := c.p.gains()
		green, clipped := c.p.green()
		if math.Abs(g.red-c.g.red) > 1e-9 || math.Abs(g.blue-c.g.blue) > 1e-9 || (note != "") != c.noted {
			t.Errorf("%s: gains %+v, %q", c.name, g, note)
		}
		if math.Abs(green-c.green) > 1e-9 || clipped != c.clipped {
			t.Errorf("%s: green %g, clipped %v; want %g, %v", c.name, green, clipped, c.green, c.clipped)
		}
	}
	// The default index of white paper is 0 with its own gains, whatever its colour.
	for _, p := range []paper{{220, 200, 160}, {180, 200, 190}} {
		y, cb, cr := p.luma(), .564*(p.b-p.luma()), .713*(p.r-p.luma())
		g, _ := p.gains()
		a, b, c := g.weights()
		if v := a*y + b*cb + c*cr; math.Abs(v) > .2 {
			t.Errorf("%+v: index %g", p, v)
		}
	}
	// The paper of marks is taken in the middle of their margins.
	r := &raster.Raster{Width: 200, Height: 100, ChromaWidth: 100, ChromaHeight: 50, Y: slices.Repeat([]byte{60}, 20000), Cb: slices.Repeat([]byte{128}, 5000), Cr: slices.Repeat([]byte{128}, 5000)}
	for y := 20; y < 84; y++ {
		for x := 30; x < 94; x++ {
			v := byte(210)
			if x >= 38 && x < 86 && y >= 28 && y < 76 {
				v = 20
			}
			r.Y[y*200+x] = v
		}
	}
	mark := frame.Quad{{X: 38, Y: 28}, {X: 86, Y: 28}, {X: 86, Y: 76}, {X: 38, Y: 76}}
	if p, ok := paperOfMarks(r, []frame.Quad{mark}); !ok || math.Abs(p.g-210) > 1e-9 {
		t.Errorf("paper of a mark %+v, %v", p, ok)
	}
	if _, ok := paperOfMarks(r, nil); ok {
		t.Error("no marks have paper")
	}
	away := mark
	for i := range away {
		away[i].X -= 60 // a part lies outside
	}
	if _, ok := paperOfMarks(r, []frame.Quad{away}); ok {
		t.Error("half a mark has paper enough")
	}
}

// TestSurroundingsOfTiles: brightness around a tile is the mean of five by five
// tiles.
func TestSurroundingsOfTiles(t *testing.T) {
	f := &field{w: 64, h: 32}
	if f.tile() != 4 {
		t.Fatalf("tiles of %d samples, want 4", f.tile())
	}
	pix := make([]byte, 64*32)
	for i := range pix {
		pix[i] = byte(i % 64 * 2)
	}
	f.survey(plane{pix: pix, w: 64, h: 32}, 1)
	if f.ax != 16 || f.ay != 8 {
		t.Fatalf("%d x %d tiles", f.ax, f.ay)
	}
	for x := range 16 {
		lo, hi := 4*max(x-2, 0), 4*min(x+3, 16)-1
		if got, want := f.around[3*16+x], float64(lo+hi); math.Abs(got-want) > 1e-9 {
			t.Errorf("around tile %d it is %g, want %g", x, got, want)
		}
	}
	if v := onSquares(15/12. + 16/6. + 48); math.Abs(v-math.Sqrt(48)/4) > 1e-12 {
		t.Errorf("smoothing of squares %g", v)
	}
	if v := onSquares(3); v != 0 {
		t.Errorf("what squares smooth themselves leaves %g", v)
	}
}

// TestRoughnessByHand: the mean second difference of Cr along rows, each held at 8.
func TestRoughnessByHand(t *testing.T) {
	rows := func(vs ...byte) *raster.Raster {
		r := &raster.Raster{Width: 2 * len(vs), Height: 20, ChromaWidth: len(vs), ChromaHeight: 10, Cr: make([]byte, 10*len(vs))}
		for i := range r.Cr {
			r.Cr[i] = vs[i%len(vs)]
		}
		return r
	}
	all := image.Rect(0, 0, 1000, 1000)
	for _, c := range []struct {
		vs   []byte
		box  image.Rectangle
		want float64
	}{
		{[]byte{5, 5, 5, 5, 5}, all, 0}, {[]byte{1, 2, 3, 4, 5}, all, 0}, {[]byte{1, 3, 1, 3, 1}, all, 4}, {[]byte{1, 3, 3, 1, 1}, all, 2}, {[]byte{1, 90, 1, 90, 1}, all, 8},
		{[]byte{9, 9, 9, 1, 3, 1}, image.Rect(6, 0, 12, 20), 4}, {[]byte{1, 3, 1}, image.Rect(0, 0, 4, 20), 0}, {[]byte{1, 3, 1}, image.Rect(0, 0, 6, 20), 4}, {[]byte{1, 3, 1}, image.Rect(0, 0, 6, 0), 0},
	} {
		if got := roughness(rows(c.vs...), c.box); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v in %v: %g, want %g", c.vs, c.box, got, c.want)
		}
	}
}

// TestAcuityByHand: squared differences that grow fourfold with each doubling of
// the distance are smooth, those that do not grow are sharp.
func TestAcuityByHand(t *testing.T) {
	for _, c := range []struct {
		steps [3]float64
		want  float64
	}{
		{[3]float64{1, 4, 16}, 0}, {[3]float64{6, 9, 21}, 0}, {[3]float64{1, 3, 5}, 1}, {[3]float64{1, 3, 7}, .5}, {[3]float64{2, 2, 5}, 1}, {[3]float64{2, 5, 5}, 1}, {[3]float64{0, 0, 0}, 1}, {[3]float64{1, 2, 100}, 0}, {[3]float64{1, 9, 11}, 1},
	} {
		if got := acuity(c.steps); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: %g, want %g", c.steps, got, c.want)
		}
	}
	var h [256]int
	if medianChroma(&h) != 0 {
		t.Error("the median of nothing")
	}
	h[120], h[130], h[140] = 2, 1, 2
	if got := medianChroma(&h); got != 2 {
		t.Errorf("median %g, want 2", got)
	}
	h[120] = 3
	if got := medianChroma(&h); got != 2 {
		t.Errorf("median of six %g, want the upper, 2", got)
	}
	h[120] = 4
	if got := medianChroma(&h); got != -8 {
		t.Errorf("median %g, want -8", got)
	}
	// Ten tiles from 100 to 280, the ninth decile is 280; two lie below 140.
	var sum, n []float64
	for i := range 10 {
		sum, n = append(sum, 3*float64(100+20*i)), append(n, 3)
	}
	if got := darkShare(append(sum, 0), append(n, 0)); math.Abs(got-.2) > 1e-12 {
		t.Errorf("dark %g, want .2", got)
	}
	if got := darkShare([]float64{0}, []float64{0}); got != 0 {
		t.Errorf("dark of nothing %g", got)
	}
}
