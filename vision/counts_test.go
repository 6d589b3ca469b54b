package vision

import (
	"math"
	"slices"
	"testing"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// TestInsideByHand: points in a polygon by the crossing rule, and what a piece is taken for.
func TestInsideByHand(t *testing.T) {
	at := func(x, y float64) raster.Point { return raster.Point{X: x, Y: y} }
	notch := []raster.Point{at(0, 0), at(8, 0), at(8, 8), at(4, 4), at(0, 8)}
	for _, c := range []struct {
		x, y float64
		want bool
	}{{1, 1, true}, {7, 6, true}, {1, 6, true}, {4, 3.9, true}, {4, 4.1, false}, {4, 7, false}, {5, 6, false}, {-1, 4, false}, {9, 4, false}, {4, -1, false}, {3, 5.1, false}, {2.9, 4.9, true}, {5.1, 4.9, true}} {
		if got := inside(notch, at(c.x, c.y)); got != c.want {
			t.Errorf("(%g, %g) is inside: %v", c.x, c.y, got)
		}
		if back := slices.Clone(notch); true {
			slices.Reverse(back)
			if got := inside(back, at(c.x, c.y)); got != c.want {
				t.Errorf("(%g, %g) is inside, the other way round: %v", c.x, c.y, got)
			}
		}
	}
	o := PieceOptions{Crop: [][]raster.Point{{at(100, 0), at(110, 0), at(110, 10), at(100, 10)}}}
	for _, c := range []struct {
		x, y float64
		want bool
	}{{105, 5, true}, {111, 5, false}, {15, 20, false}} {
		if got := o.isCrop(at(c.x, c.y)); got != c.want {
			t.Errorf("(%g, %g) is crop: %v", c.x, c.y, got)
		}
	}
	for _, c := range []struct {
		o    PieceOptions
		q    Piece
		want Kind
	}{
		{PieceOptions{}, Piece{Cells: 9, cropped: 9}, Green}, {o, Piece{Cells: 9, cropped: 5}, Crop}, {o, Piece{Cells: 10, cropped: 5}, Weed}, {o, Piece{Cells: 9}, Weed},
	} {
		if got := c.o.kind(c.q); got != c.want {
			t.Errorf("%+v is %s, want %s", c.q, got, c.want)
		}
	}
}

// TestPiecesByHand: pieces of a small plane, their areas, centres and kinds, and
// those too small.
func TestPiecesByHand(t *testing.T) {
	p := drawnPlane(
		"##......",
		"##......",
		"..#...##",
		"......##",
		"......##",
		"#.......",
	)
	p.Levels[7] = Outside
	for _, c := range []struct {
		name   string
		mm     float64
		o      PieceOptions
		cells  []int
		centre []raster.Point // in the photo, two pixels a cell
	}{
		{"by corners", 0, PieceOptions{MinCells: 1}, []int{6, 5, 1}, []raster.Point{{X: 14, Y: 7}, {X: 2 * (4*1 + 2.5) / 5, Y: 2 * (4*1 + 2.5) / 5}, {X: 1, Y: 11}}},
		{"of five cells", 0, PieceOptions{MinCells: 5}, []int{6, 5}, nil}, {"of six cells", 0, PieceOptions{MinCells: 6}, []int{6}, nil}, {"area without a scale", 0, PieceOptions{MinAreaMM2: 99, MinCells: 1}, []int{6, 5, 1}, nil},
		{"of 20 mm2", 2, PieceOptions{MinAreaMM2: 20, MinCells: 99}, []int{6, 5}, nil}, {"of 20.1 mm2", 2, PieceOptions{MinAreaMM2: 20.1}, []int{6}, nil},
	} {
		p.MMPerCell = c.mm
		got, err := p.Pieces(.12, c.o)
		if err != nil || len(got) != len(c.cells) {
			t.Errorf("%s: %+v, %v", c.name, got, err)
			continue
		}
		for i, q := range got {
			if q.Cells != c.cells[i] || q.AreaMM2 != float64(q.Cells)*c.mm*c.mm || q.Kind != Green {
				t.Errorf("%s: piece %d is %+v, want %d cells", c.name, i, q, c.cells[i])
			}
			if c.centre != nil && math.Hypot(q.Centre.X-c.centre[i].X, q.Centre.Y-c.centre[i].Y) > 1e-9 {
				t.Errorf("%s: piece %d lies at %v, want %v", c.name, i, q.Centre, c.centre[i])
			}
		}
	}
	p.MMPerCell = 0
	o := PieceOptions{MinCells: 1, Crop: [][]raster.Point{{{X: 12, Y: 3}, {X: 14, Y: 3}, {X: 14, Y: 12}, {X: 12, Y: 12}}}} // the left column of the block
	if got, err := p.Pieces(.12, o); err != nil || got[0].Kind != Weed || got[0].cropped != 3 {
		t.Errorf("half in the crop: %+v, %v", got, err)
	}
	o.Crop[0][1].X, o.Crop[0][2].X = 16, 16
	o.Crop[0][0].Y, o.Crop[0][1].Y = 7, 7 // its lower two rows
	if got, err := p.Pieces(.12, o); err != nil || got[0].Kind != Crop || got[0].cropped != 4 || got[1].Kind != Weed {
		t.Errorf("two thirds in the crop: %+v, %v", got, err)
	}
	// The outline of one patch leaves those a cell away alone; a waist narrower
	// than it is thinned by is filled.
	for _, c := range []struct {
		x, y int
		area float64
	}{{0, 0, 4 * 6}, {7, 3, 4 * 6}, {0, 5, 4}} {
		ring, err := p.Patch(.12, c.x, c.y)
		if err != nil {
			t.Fatal(err)
		}
		if a := areaOf(ring); math.Abs(a-c.area) > 2 {
			t.Errorf("the patch at (%d, %d) has %g pixels, want %g", c.x, c.y, a, c.area)
		}
	}
	apart := drawnPlane("#.#", "...", "#.#")
	for _, c := range [][2]int{{0, 0}, {2, 0}, {0, 2}, {2, 2}} {
		if ring, err := apart.Patch(.12, c[0], c[1]); err != nil || math.Abs(areaOf(ring)-4) > 1e-9 {
			t.Errorf("a cell alone at %v: %v, %v", c, ring, err)
		}
	}
	for _, c := range [][2]int{{1, 0}, {-1, 0}, {0, -1}, {3, 0}, {0, 3}} {
		if _, err := apart.Patch(.12, c[0], c[1]); err != ErrNoPatch {
			t.Errorf("at %v: %v", c, err)
		}
	}
	// Depth in thirds of a cell: three to a side, four over a corner.
	labels := []int32{1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2}
	want := []int32{3, 3, 3, 3, 3, 3, 6, 6, 6, 3, 3, 6, 8, 6, 3, 3, 6, 6, 4, 3, 3, 3, 3, 3, 3}
	if got := chamfer(labels, 5, 5); !slices.Equal(got, want) {
		t.Errorf("depths %v, want %v", got, want)
	}
	if got := deepestFirst(labels, want); got[0] != 12 || got[1] != 6 || got[7] != 17 || got[8] != 18 || got[9] != 0 || len(got) != 25 {
		t.Errorf("the deepest first: %v", got)
	}
	if got := greenRuns([]uint8{0, 5, Outside, 5, 5, 4}, 3, 5); !slices.Equal(got, []run{{0, 1, 2, 0}, {1, 0, 2, 0}}) {
		t.Errorf("green runs %v", got)
	}
	if got := thin([]raster.Point{{X: 0, Y: 0}, {X: 5, Y: .5}, {X: 10, Y: 0}, {X: 10, Y: 10}, {X: 5, Y: 9}, {X: 0, Y: 10}}, .75); len(got) != 5 {
		t.Errorf("thinned to %v", got)
	}
}

// humps is a histogram of triangles: each at a code, so wide to either side, of
// so many cells.
func humps(hs ...[3]int) []uint64 {
	out := make([]uint64, 256)
	for _, h := range hs {
		n := 0
		for d := -h[1]; d <= h[1]; d++ {
			n += h[1] + 1 - max(d, -d)
		}
		for d := -h[1]; d <= h[1]; d++ {
			out[h[0]+d] += uint64(h[2] * (h[1] + 1 - max(d, -d)) / n)
		}
	}
	return out
}

// TestGroundByHand: where bare ground is in a histogram of drawn humps, how far
// its noise reaches and what light and unruly ground move.
func TestGroundByHand(t *testing.T) {
	s := scales[IndexSoftExG] // code 120 is 0, a code is .0025
	for _, c := range []struct {
		name  string
		h     []uint64
		below float64
		want  int // -1 for none
	}{
		{"ground alone", humps([3]int{120, 8, 100000}), s.noise, 120}, {"and leaves", humps([3]int{124, 8, 60000}, [3]int{230, 12, 90000}), s.noise, 124},
		{"leaves alone", humps([3]int{230, 12, 100000}), s.noise, -1}, {"nothing", make([]uint64, 256), s.noise, -1}, {"below the scale", append([]uint64{9999}, make([]uint64, 255)...), s.noise, -1},
		{"pale leaves of one hue", humps([3]int{110, 8, 30000}, [3]int{180, 6, 70000}), s.noise, 110}, {"with little ground", humps([3]int{110, 8, 19000}, [3]int{180, 6, 81000}), s.noise, 180},
		{"of nearly the ground's hue", humps([3]int{150, 8, 30000}, [3]int{180, 6, 70000}), s.noise, 177}, {"with ground less green than light makes it", humps([3]int{60, 8, 30000}, [3]int{180, 6, 70000}), s.noise, 180},
		{"looked for below", humps([3]int{110, 8, 30000}, [3]int{150, 6, 70000}), s.value(140), 110},
	} {
		got, ok := groundPeak(c.h, s, c.below)
		if ok != (c.want >= 0) || ok && got != c.want {
			t.Errorf("%s: ground at %d, %v; want %d", c.name, got, ok, c.want)
		}
	}
	h := humps([3]int{120, 8, 81000}) // a triangle of half-width 9 has a standard deviation of 9 over the root of 6
	if got, want := noiseTop(h, 200, s), s.value(120)+s.step*(.5+noiseSpreads*math.Sqrt((81-1)/6.)); math.Abs(got-want) > .003 {
		t.Errorf("noise reaches to %g, want %g", got, want)
	}
	if got := noiseTop(humps([3]int{230, 12, 1000}), 250, s); got != s.lo {
		t.Errorf("noise of no ground reaches to %g", got)
	}
	if got := meanBelow([]uint64{0, 1, 3, 7}, 3, scale{lo: 1, step: .5}); math.Abs(got-(1.5+3*2)/4) > 1e-12 {
		t.Errorf("mean below a split %g", got)
	}
	// Ground 20 codes too low is raised by .85 of them; where half is ground by
	// half as much over .85, and never by more than 64 codes of .85.
	for _, c := range []struct {
		h    []uint64
		want int
	}{
		{humps([3]int{100, 8, 100000}), 17}, {humps([3]int{140, 8, 100000}), -17}, {humps([3]int{100, 8, 50000}, [3]int{230, 12, 50000}), 10}, {humps([3]int{100, 8, 90000}, [3]int{230, 12, 10000}), 17},
		{humps([3]int{30, 8, 100000}), 64}, {humps([3]int{230, 12, 1000}), 0},
	} {
		if got := castShift(c.h, s); got != c.want {
			t.Errorf("ground moves by %d, want %d", got, c.want)
		}
	}
	spread := func(w int) float64 { // of the upper side of a triangle, half a code up
		var n, sq float64
		for d := 0; d <= w; d++ {
			k := float64(w + 1 - d)
			n, sq = n+k, sq+k*(float64(d)+.5)*(float64(d)+.5)
		}
		return s.step * math.Sqrt(sq/n)
	}
	for _, c := range []struct {
		h    []uint64
		want float64
	}{
		{humps([3]int{120, 30, 900000}), math.Pow(.035/spread(30), .7)}, {humps([3]int{120, 3, 900000}), 1.4}, {humps([3]int{120, 30, 600000}, [3]int{220, 5, 200000}), math.Pow(.035/spread(30), .7*.5)},
		{humps([3]int{120, 30, 400000}, [3]int{220, 5, 400000}), 1}, {humps([3]int{230, 9, 400000}), 1},
	} {
		if got := groundGain(c.h, s); math.Abs(got-c.want) > .01 {
			t.Errorf("gain %g, want %g", got, c.want)
		}
	}
}

// TestJudgeByHand: shares of blown out, black, red and glinting ground, and its
// chroma, on a lattice of flat colours.
func TestJudgeByHand(t *testing.T) {
	const side = 128 // a pixel a lattice point
	blank := func() *raster.Raster {
		return &raster.Raster{Width: side, Height: side, ChromaWidth: side, ChromaHeight: side,
			Y: slices.Repeat([]byte{120}, side*side), Cb: slices.Repeat([]byte{118}, side*side), Cr: slices.Repeat([]byte{133}, side*side)}
	}
	same := frame.Homography{1, 0, 0, 0, 1, 0, 0, 0, 1}
	judge := func(change func(r *raster.Raster, i, x, y int)) (q Quality) {
		r := blank()
		for i := range r.Y {
			change(r, i, i%side, i/side)
		}
		q.judge(r, same, side, side)
		return q
	}
	q := judge(func(*raster.Raster, int, int, int) {})
	if q.GroundCb != -10 || q.GroundCr != 5 || q.Acuity != 1 || q.ClippedFrac+q.CrushedFrac+q.RedFrac+q.GlintFrac+q.DarkFrac != 0 {
		t.Errorf("flat ground: %+v", q)
	}
	for _, c := range []struct {
		y              byte
		clipped, black float64
	}{{252, .25, 0}, {251, 0, 0}, {8, 0, .25}, {9, 0, 0}} {
		q := judge(func(r *raster.Raster, i, x, y int) {
			if x < side/4 {
				r.Y[i] = c.y
			}
		})
		if q.ClippedFrac != c.clipped || q.CrushedFrac != c.black {
			t.Errorf("a quarter at %d: %g blown out, %g black", c.y, q.ClippedFrac, q.CrushedFrac)
		}
		// Bright or dark by two tiles of eight.
		if dark := q.DarkFrac; c.y < 60 && dark != .25 || c.y > 240 && dark != .75 {
			t.Errorf("a quarter at %d: %g dark", c.y, dark)
		}
	}
	for _, c := range []struct {
		y, cb, cr byte
		red       float64
	}{{70, 128, 142, .5}, {70, 128, 141, 0}, {70, 120, 142, .5}, {70, 119, 142, 0}, {71, 128, 142, 0}, {75, 128, 143, .5}} {
		q := judge(func(r *raster.Raster, i, x, y int) {
			if y < side/2 {
				r.Y[i], r.Cb[i], r.Cr[i] = c.y, c.cb, c.cr
			}
		})
		if q.RedFrac != c.red {
			t.Errorf("half at Y %d, Cb %d, Cr %d: %g red", c.y, c.cb, c.cr, q.RedFrac)
		}
	}
	// Green ground has no say in the chroma: G leads where Cb and Cr are low.
	q = judge(func(r *raster.Raster, i, x, y int) {
		if y < 100 {
			r.Cb[i], r.Cr[i] = 110, 115
		}
	})
	if q.GroundCb != -10 || q.GroundCr != 5 {
		t.Errorf("under leaves the ground is %g, %g", q.GroundCb, q.GroundCr)
	}
	// Specks of light on dark, one in 16 x 16 pixels, away from the rim.
	specks := func(v, beside byte) Quality {
		return judge(func(r *raster.Raster, i, x, y int) {
			switch {
			case x%16 == 12 && y%16 == 12:
				r.Y[i] = v
			case x%16 == 4 && y%16 == 12:
				r.Y[i] = beside
			}
		})
	}
	inner := float64((side - 16) * (side - 16))
	if q := specks(250, 199); math.Abs(q.GlintFrac-7*7/inner) > 1e-12 { // 12, 28 ... 108; 124 lies within 8 of the rim
		t.Errorf("specks: %g glints, want %g", q.GlintFrac, 49/inner)
	}
	if a, b := specks(249, 120), specks(250, 200); a.GlintFrac != 0 || b.GlintFrac != 0 {
		t.Errorf("specks hardly bright %g, beside bright ground %g", a.GlintFrac, b.GlintFrac)
	}
	// Ground outside the photo is not asked.
	var out Quality
	out.judge(blank(), frame.Homography{1, 0, 900, 0, 1, 900, 0, 0, 1}, side, side)
	if out != (Quality{}) {
		t.Errorf("outside the photo: %+v", out)
	}
	// A picture with detail along one direction alone is sharp where that is.
	stripes := judge(func(r *raster.Raster, i, x, y int) { r.Y[i] = byte(100 + 100*(y%2)) })
	smooth := judge(func(r *raster.Raster, i, x, y int) { r.Y[i] = byte(60 + x) })
	if stripes.Acuity != 1 || smooth.Acuity != 0 {
		t.Errorf("acuity of stripes %g, of a ramp %g", stripes.Acuity, smooth.Acuity)
	}
}

// TestClippedByHand: whose colour is trusted, what it becomes, and how much of
// the ground is clipped.
func TestClippedByHand(t *testing.T) {
	k := func(sure int, which clipping) clipping { return clipping(sure) | which }
	for _, c := range []struct {
		b         clipping
		v, around int16
		want      int16
	}{
		{k(31, 0), 100, 300, 100}, {k(0, redClipped|grnClipped), 100, 300, 300}, {k(0, grnClipped), 100, 300, 300}, {k(0, grnClipped), 300, 100, 300}, {k(0, redClipped), 300, 100, 100}, {k(0, redClipped), 100, 300, 100},
		{k(0, bluClipped), 100, 300, 100}, {k(0, redClipped|bluClipped), 100, 300, 100}, {k(0, redClipped|bluClipped), 300, 100, 100}, {k(0, allClipped), 100, 300, 300}, {k(15, grnClipped), 0, 310, 160}, {k(0, grnClipped|bluClipped), 300, 100, 100},
	} {
		if got := c.b.mixed(c.v, c.around); got != c.want {
			t.Errorf("sure %d, clipped %b: %d beside %d becomes %d, want %d", c.b.sure(), c.b&allClipped, c.v, c.around, got, c.want)
		}
	}
	const side = 80
	r := &raster.Raster{Width: side, Height: side, ChromaWidth: side / 2, ChromaHeight: side / 2, Y: slices.Repeat([]byte{120}, side*side), Cb: slices.Repeat([]byte{128}, side*side/4), Cr: slices.Repeat([]byte{128}, side*side/4)}
	for y := range 40 {
		for x := range 40 {
			r.Y[y*side+x] = 255
		}
	}
	if got := clippedShare(r, box(side, side)); math.Abs(got-.25) > .03 {
		t.Errorf("a quarter clipped: %g", got)
	}
	if got := clippedShare(r, frame.Quad{{X: 40, Y: 40}, {X: 80, Y: 40}, {X: 80, Y: 80}, {X: 40, Y: 80}}); got != 0 {
		t.Errorf("none clipped: %g", got)
	}
	if got := clippedShare(r, frame.Quad{{X: -1, Y: 40}, {X: -1, Y: -1}, {X: 40, Y: -1}, {X: 40, Y: 40}}); math.Abs(got-.95) > .06 {
		t.Errorf("all clipped: %g", got)
	}
	// White wider than a twentieth of the field, two squares at least, stays.
	whites := make([]uint8, 30*20)
	set := func(x, y, v int) { whites[y*30+x] = uint8(v) }
	set(5, 5, 16)
	for _, at := range [][2]int{{10, 10}, {11, 10}, {10, 11}, {11, 11}} {
		set(at[0], at[1], 12)
	}
	for _, at := range [][2]int{{20, 10}, {21, 10}, {20, 11}} {
		set(at[0], at[1], 16)
	}
	set(21, 11, 11)
	if err := keepWide(whites, 30, 20); err != nil {
		t.Fatal(err)
	}
	for i, v := range whites {
		x, y := i%30, i/30
		want := uint8(0)
		if (x == 10 || x == 11) && (y == 10 || y == 11) {
			want = 12
		}
		if v != want {
			t.Errorf("white at (%d, %d): %d, want %d", x, y, v, want)
		}
	}
	// The colour around: sure samples near count first, far ones where there are none.
	sum, sure := make([]float32, 30*20), make([]float32, 30*20)
	for i := range sum {
		if i%30 < 10 {
			sure[i], sum[i] = 31*16, 31*16*500
		}
	}
	around, err := surroundings(sum, sure, 30, 20, 2)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []int{0, 5, 12, 20} {
		if got := around[10*30+x]; math.Abs(float64(got)-500) > 2 {
			t.Errorf("around square %d the colour is %d, want 500", x, got)
		}
	}
	if none, err := surroundings(make([]float32, 6), make([]float32, 6), 3, 2, 2); err != nil || slices.Max(none) != 0 {
		t.Errorf("nothing is sure: %v, %v", none, err)
	}
}

// TestOwnersByHand: each block has the lobe with most of its green cells, each
// lobe its piece; depths by runs are those of the chamfer inside the picture.
func TestOwnersByHand(t *testing.T) {
	// 8 x 4 cells in blocks of 4; squares of two: lobes 1 1 2 2 / 1 2 2 3.
	lobes := []int32{1, 1, 2, 2, 1, 2, 2, 3}
	halfPiece := []int32{1, 1, 1, 1, 1, 1, 1, 2}
	labels := make([]int32, 32)
	for i := range labels {
		labels[i] = 1
	}
	for _, i := range []int{0, 1, 8, 9} { // the first square is bare
		labels[i] = 0
	}
	block, piece := owners(lobes, halfPiece, 4, []int32{0, 1}, 3, labels, 8, 4, 4)
	// Block 0: lobe 1 has 4 + 4 cells, lobe 2 four. Block 1: lobe 2 has twelve.
	if !slices.Equal(block, []int32{0, 1}) || !slices.Equal(piece, []int32{0, 0, 1}) {
		t.Errorf("blocks %v, lobes' pieces %v", block, piece)
	}
	for _, i := range []int{2, 3, 10, 11} {
		labels[i] = 0
	}
	labels[16] = 0 // lobe 1 has three cells left in block 0, lobe 2 four
	if block, _ := owners(lobes, halfPiece, 4, []int32{0, 1}, 3, labels, 8, 4, 4); !slices.Equal(block, []int32{1, 1}) {
		t.Errorf("blocks %v", block)
	}
	p := drawnPlane(".......", ".#####.", ".#####.", ".#####.", ".##.##.", ".......")
	runs := greenRuns(p.Levels, 7, 1)
	connect(runs)
	d := make([]int32, 42)
	chamferRuns(runs, d, 7, 6)
	if want := chamfer(picture(runs, 7, 6), 7, 6); !slices.Equal(d, want) {
		t.Errorf("depths %v, want %v", d, want)
	}
	full := greenRuns(drawnPlane("####", "####", "###.").Levels, 4, 1)
	d = make([]int32, 12)
	chamferRuns(full, d, 4, 3)
	// The edge of the picture is no edge: depth is the way to the bare cell alone.
	if want := []int32{11, 8, 7, 6, 10, 7, 4, 3, 9, 6, 3, 0}; !slices.Equal(d, want) {
		t.Errorf("depths to the one bare cell %v, want %v", d, want)
	}
	light := linear()
	if light[0] != 0 || light[255] != 1 || math.Abs(float64(light[188])-.5029) > 1e-3 { // sRGB 188 is half the light
		t.Errorf("linear light of 0, 188, 255: %g, %g, %g", light[0], light[188], light[255])
	}
	// Y 128 and no chroma lean nowhere; green 188 over red and blue 0 leans by its
	// light times both weights.
	if v := leanOf(&light, 128*unit, 0, 0); v != 0 {
		t.Errorf("grey leans by %g", v)
	}
	y, cb, cr := .587*188, -.331264*188, -.418688*188
	if v, want := leanOf(&light, int16(y*unit), int16(cb*unit), int16(cr*unit)), .5029*(softRed+softBlue); math.Abs(float64(v)-want) > .01 {
		t.Errorf("pure green leans by %g, want %g", v, want)
	}
}

// TestFaintAlone: faint green that leads to nothing is counted just below the
// lowest threshold where no ground lies lower, and told from .10 on.
func TestFaintAlone(t *testing.T) {
	s := scales[IndexSoftExG]
	first, _, err := IndexSoftExG.grid()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at, taken float64
	}{{.0975, 0}, {.1, 1}, {s.certain - s.step, 1}} {
		codes := slices.Repeat([]uint8{uint8(s.nearest(c.at))}, 12)
		p, curve := planeOf(IndexSoftExG, codes, 4, 3)
		taken := p.dropUnconnected(curve, 0, 2, new([3][]uint64))
		if taken != c.taken || slices.Max(p.Levels) != 0 || curve.Counts[first-1] != 12 {
			t.Errorf("all at %g: %g taken, levels %v, %d just below the lowest threshold", c.at, taken, p.Levels, curve.Counts[first-1])
		}
	}
	certain := slices.Repeat([]uint8{uint8(s.nearest(s.certain))}, 12)
	p, curve := planeOf(IndexSoftExG, certain, 4, 3)
	if taken := p.dropUnconnected(curve, 0, 2, new([3][]uint64)); taken != 0 || slices.Min(p.Levels) == 0 {
		t.Errorf("certain green is taken for ground: %g, %v", taken, p.Levels)
	}
	// Where certain green lies 8 codes higher than usual it is not.
	p, curve = planeOf(IndexSoftExG, certain, 4, 3)
	if taken := p.dropUnconnected(curve, 8, 2, new([3][]uint64)); taken != 1 {
		t.Errorf("8 codes higher %g is taken for ground", taken)
	}
	// Published indices are left alone.
	p, curve = planeOf(IndexExG, slices.Repeat([]uint8{uint8(scales[IndexExG].nearest(.1))}, 12), 4, 3)
	if taken := p.dropUnconnected(curve, 0, 2, new([3][]uint64)); taken != 0 || slices.Min(p.Levels) == 0 {
		t.Errorf("a published index loses faint green: %g, %v", taken, p.Levels)
	}
	for _, c := range []struct {
		mm   float64
		w, h int
		want int
	}{{.5, 9, 9, 6}, {1.19, 9, 9, 3}, {1.3, 9, 9, 2}, {40, 9, 9, 2}, {0, 100, 100, 3}, {0, 200, 50, 3}, {0, 1000, 1000, 34}, {0, 9, 9, 2}} {
		p := &Plane{MMPerCell: c.mm, Width: c.w, Height: c.h}
		if got := p.reach(); got != c.want {
			t.Errorf("%d x %d cells of %g mm: faint green reaches %d, want %d", c.w, c.h, c.mm, got, c.want)
		}
	}
}
