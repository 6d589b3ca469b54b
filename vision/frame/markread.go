package frame

import (
	"encoding/binary"
	"math"
	"math/bits"
	"slices"

	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// Reading marks: dark pieces of the picture against a local threshold (as
// Wang & Olson 2016, section III-A, take it from tiles), a quadrilateral round
// each, its edges to a fraction of a pixel on the full raster, and the code.

const (
	// markLongSide bounds the longer side of the picture in which marks are
	// looked for; their corners are taken from the full raster.
	markLongSide = 1360
	tileSide     = 8
	// leastContrast is the least step between black and white, grey levels.
	leastContrast = 28
	// mostFixed cells of 36 may be wrong. The family could correct 5; holding
	// back makes a false mark all but impossible.
	mostFixed  = 2
	markProbes = 28
	// leastMarkPx is the least side of a mark in the picture it is looked for in.
	leastMarkPx = 14
)

// coarseMarks reads the marks that are large enough to be clearly seen at half
// the scale, which takes a quarter of the time.
func (ws *Workspace) coarseMarks(r *raster.Raster) []SeenMark {
	k := markScale(r)
	ws.half = plane{r.Width, r.Height, r.Y}.shrunk(k, k, &ws.middle)
	return ws.marksIn(ws.half.shrunk(2, 2, &ws.coarse), 0, 0, 2*k, r)
}

// allMarks adds those missed at half the scale. Where the large ones leave one corner
// open its mark is looked for about its place, and only where they are fewer
// all over.
func (ws *Workspace) allMarks(r *raster.Raster, large []SeenMark) []SeenMark {
	k, small := markScale(r), ws.half
	if len(large) < 3 || oneFrame(large) != nil {
		return ws.marksIn(small, 0, 0, k, r)
	}
	if len(large) == 4 {
		return large
	}
	x0, y0, x1, y1, ok := openCorner(r, large, k)
	if !ok {
		return ws.marksIn(small, 0, 0, k, r)
	}
	for _, s := range ws.marksIn(small.cut(x0, y0, x1, y1, &ws.coarse), x0, y0, k, r) {
		if !slices.ContainsFunc(large, func(o SeenMark) bool { return o.Mark == s.Mark }) {
			large = append(large, s)
		}
	}
	return large
}

// markScale is how many luma pixels, to either side, make one of the picture in
// which marks are looked for.
func markScale(r *raster.Raster) int {
	return (max(r.Width, r.Height) + markLongSide - 1) / markLongSide
}

// shownCoarsely reports whether marks at the corners of a frame could not have
// been missed by coarseMarks: they are half as large again as the smallest that
// are looked at.
func shownCoarsely(r *raster.Raster, f Frame) bool {
	return label.MarkSizeMM/f.MMPerPx >= 1.5*leastMarkPx*float64(2*markScale(r))
}

// openCorner is the box, in luma shrunk to 1/k, in which the mark must lie that
// three others leave out: the mark's place and as much again to every side.
func openCorner(r *raster.Raster, seen []SeenMark, k int) (x0, y0, x1, y1 int, ok bool) {
	rough, err := roughMap(r, seen)
	if err != nil {
		return 0, 0, 0, 0, false
	}
	class, _ := seen[0].Mark.Class()
	for corner := range 4 {
		m, err := label.NewMark(class, corner)
		if err != nil || slices.ContainsFunc(seen, func(s SeenMark) bool { return s.Mark == m }) {
			continue
		}
		place, _ := m.PlacementMM()
		var q Quad
		for i, p := range place {
			q[i] = rough.Apply(raster.Point{X: p[0], Y: p[1]})
		}
		c, reach := q.Centre(), 1.5*max(q.Side(0), q.Side(1))
		at := func(v float64, most int) int { return min(most, max(0, int(v/float64(k)))) }
		x0, y0 = at(c.X-reach, r.Width/k), at(c.Y-reach, r.Height/k)
		x1, y1 = at(c.X+reach, r.Width/k), at(c.Y+reach, r.Height/k)
		return x0, y0, x1, y1, x1 > x0 && y1 > y0
	}
	return 0, 0, 0, 0, false
}

// marksIn reads the marks that are large enough in p, a piece of the raster's
// luma shrunk to 1/k that begins at (x0, y0) of it.
func (ws *Workspace) marksIn(p plane, x0, y0, k int, r *raster.Raster) (seen []SeenMark) {
	full := plane{r.Width, r.Height, r.Y}
	m := mix{luma: full, weight: [3]float64{1}}
	for _, q := range ws.darkQuads(p) {
		for i := range q {
			q[i].X = (q[i].X + float64(x0)) * float64(k)
			q[i].Y = (q[i].Y + float64(y0)) * float64(k)
		}
		if !ringed(full, q) {
			continue
		}
		q, ok := ws.sharpen(&m, q)
		if !ok {
			continue
		}
		if mirrored(r) {
			q = Quad{q[0], q[3], q[2], q[1]}
		}
		if s, ok := readMark(full, q); ok {
			seen = append(seen, s)
		}
	}
	return seen
}

// darkQuads are quadrilaterals round the dark pieces that could be marks.
func (ws *Workspace) darkQuads(p plane) []Quad {
	var quads []Quad
	for _, piece := range ws.darkPieces(p) {
		if q, ok := piece.quad(&ws.outline); ok {
			quads = append(quads, q)
		}
	}
	return quads
}

// plausible reports whether a piece could be a mark by its size and filling.
func (q *piece) plausible(p plane) bool {
	w, h := int(q.maxX-q.minX)+1, int(q.maxY-q.minY)+1
	if min(w, h) < leastMarkPx || max(w, h) > 3*min(w, h) || max(w, h) > p.w/2 {
		return false
	}
	share := float64(q.count) / float64(w*h)
	return share >= .22 && share <= .95
}

// thresholds gives for each tile the level between its surroundings' darkest
// and brightest, or -1 where they hardly differ. Every second pixel of every
// second row is enough to know them by.
func (ws *Workspace) thresholds(p plane) (level []int16, tw int) {
	tw, th := (p.w+tileSide-1)/tileSide, (p.h+tileSide-1)/tileSide
	lo, hi := raster.Sized(&ws.lo, tw*th), raster.Sized(&ws.hi, tw*th)
	for i := range lo {
		lo[i], hi[i] = 255, 0
	}
	for y := 0; y < p.h; y += 2 {
		row := p.pix[y*p.w : (y+1)*p.w]
		los, his := lo[y/tileSide*tw:][:tw], hi[y/tileSide*tw:][:tw]
		for tx := range los {
			if len(row) >= tileSide {
				t := (*[tileSide]byte)(row)
				los[tx] = min(los[tx], t[0], t[2], t[4], t[6])
				his[tx] = max(his[tx], t[0], t[2], t[4], t[6])
				row = row[tileSide:]
				continue
			}
			for _, v := range row {
				los[tx], his[tx] = min(los[tx], v), max(his[tx], v)
			}
		}
	}
	level = raster.Sized(&ws.level, tw*th)
	for ty := range th {
		for tx := range tw {
			l, h := byte(255), byte(0)
			for ny := max(0, ty-1); ny <= min(th-1, ty+1); ny++ {
				for nx := max(0, tx-1); nx <= min(tw-1, tx+1); nx++ {
					l, h = min(l, lo[ny*tw+nx]), max(h, hi[ny*tw+nx])
				}
			}
			level[ty*tw+tx] = -1
			if int(h)-int(l) >= leastContrast {
				level[ty*tw+tx] = (int16(l) + int16(h)) / 2
			}
		}
	}
	return level, tw
}

// run is a stretch of dark pixels in one row; from inclusive, to exclusive.
// parent is an earlier run of the same piece, or the run itself.
type run struct{ y, from, to, parent int32 }

// piece is the extent of a connected piece of dark pixels: their number, and
// that of its runs.
type piece struct {
	count, rows            int32
	minX, maxX, minY, maxY int32
	next                   int32 // where its next run goes when they are gathered; -1 nowhere
}

// darkPiece is a piece that could be a mark, with its runs from the top down.
type darkPiece struct {
	piece
	runs []run
}

// darkRuns lists the stretches below their tile's level, row by row.
func (ws *Workspace) darkRuns(p plane) []run {
	level, tw := ws.thresholds(p)
	runs := ws.runs[:0]
	for y := range p.h {
		row := p.pix[y*p.w : (y+1)*p.w]
		from := -1
		end := func(x int) {
			if from >= 0 {
				runs = append(runs, run{int32(y), int32(from), int32(x), int32(len(runs))})
				from = -1
			}
		}
		for tx, l := range level[y/tileSide*tw:][:tw] {
			x := tx * tileSide
			switch {
			case l < 0:
				end(x)
			case x+tileSide <= len(row):
				// Eight bits, one a pixel, set where it is dark.
				dark := below(binary.LittleEndian.Uint64(row[x:]), uint64(l))
				for at := 0; at < tileSide; {
					if from < 0 {
						skip := bits.TrailingZeros8(dark >> at)
						if at += skip; at < tileSide {
							from = x + at
						}
					} else if at += bits.TrailingZeros8(^(dark >> at)); at < tileSide {
						end(x + at)
					}
				}
			default:
				for ; x < len(row); x++ {
					if int16(row[x]) < l {
						if from < 0 {
							from = x
						}
					} else {
						end(x)
					}
				}
			}
		}
		end(p.w)
	}
	ws.runs = runs
	return runs
}

// below compares eight bytes with a level of 0 to 255 at a time.
func below(v, level uint64) uint8 {
	const high, ones = 0x8080808080808080, 0x0101010101010101
	l := level * ones
	// Per byte v - l without borrowing from the next byte: the high bit is
	// clear where the low seven bits are below; then the high bits decide.
	d := (v | high) - (l &^ high)
	lower := (^v & l) | (^(v ^ l) & ^d)
	return uint8(lower & high >> 7 * 0x0102040810204080 >> 56)
}

// darkPieces joins runs that touch, by union and find, and gives the pieces
// that could be marks, with their runs.
func (ws *Workspace) darkPieces(p plane) []darkPiece {
	runs := ws.darkRuns(p)
	find := func(i int32) int32 {
		for runs[i].parent != i {
			runs[i].parent = runs[runs[i].parent].parent
			i = runs[i].parent
		}
		return i
	}
	for i, j := int32(0), int32(0); int(i) < len(runs); {
		a, b := &runs[i], &runs[j]
		switch {
		case b.y+1 < a.y || b.y+1 == a.y && b.to <= a.from:
			j++
		case b.y+1 > a.y || b.from >= a.to:
			i++
		default:
			if ra, rb := find(i), find(j); ra != rb {
				runs[max(ra, rb)].parent = min(ra, rb)
			}
			if a.to < b.to {
				i++
			} else {
				j++
			}
		}
	}

	// A root is the first run of its piece, so that its piece is numbered
	// before any other run asks for the number.
	pieces, number := ws.pieces[:0], raster.Sized(&ws.number, len(runs))
	for i, r := range runs {
		root := find(int32(i))
		if int(root) == i {
			number[i] = int32(len(pieces))
			pieces = append(pieces, piece{minX: r.from, maxX: r.to - 1, minY: r.y})
		}
		number[i] = number[root]
		q := &pieces[number[i]]
		q.count += r.to - r.from
		q.rows++
		q.minX, q.maxX, q.maxY = min(q.minX, r.from), max(q.maxX, r.to-1), r.y
	}
	ws.pieces = pieces

	// The runs of the few that could be marks, piece by piece.
	var fit []darkPiece
	total := 0
	for i := range pieces {
		if q := &pieces[i]; q.plausible(p) {
			q.next = int32(total)
			total += int(q.rows)
		} else {
			q.next = -1
		}
	}
	gathered := raster.Sized(&ws.gathered, total)
	for i, r := range runs {
		if q := &pieces[number[i]]; q.next >= 0 {
			gathered[q.next] = r
			q.next++
		}
	}
	for _, q := range pieces {
		if q.next >= 0 {
			fit = append(fit, darkPiece{q, gathered[q.next-q.rows : q.next]})
		}
	}
	return fit
}

// quad takes the two farthest points of the outline as one diagonal and the
// points farthest from it on either side as the other.
func (p darkPiece) quad(buf *[]raster.Point) (q Quad, ok bool) {
	outline := (*buf)[:0]
	for i := 0; i < len(p.runs); {
		y, from, to := p.runs[i].y, p.runs[i].from, p.runs[i].to
		for ; i < len(p.runs) && p.runs[i].y == y; i++ {
			from, to = min(from, p.runs[i].from), max(to, p.runs[i].to)
		}
		outline = append(outline, raster.Point{X: float64(from), Y: float64(y) + .5}, raster.Point{X: float64(to), Y: float64(y) + .5})
	}
	*buf = outline
	if len(outline) < 8 {
		return q, false
	}
	most := func(measure func(raster.Point) float64) raster.Point {
		best, at := math.Inf(-1), raster.Point{}
		for _, pt := range outline {
			if m := measure(pt); m > best {
				best, at = m, pt
			}
		}
		return at
	}
	farthest := func(from raster.Point) raster.Point {
		return most(func(pt raster.Point) float64 { d := sub(pt, from); return d.X*d.X + d.Y*d.Y })
	}
	middle := raster.Point{X: float64(p.minX+p.maxX+1) / 2, Y: float64(p.minY+p.maxY+1) / 2}
	a := farthest(middle)
	c := farthest(a)
	if dist(a, c) < 10 {
		return q, false
	}
	l := lineThrough(a, c)
	b, d := most(l.at), most(func(pt raster.Point) float64 { return -l.at(pt) })
	q = Quad{a, b, c, d}
	if q.Area() < 0 {
		q = Quad{a, d, c, b}
	}
	if !q.Convex() {
		return q, false
	}
	sides := [4]float64{q.Side(0), q.Side(1), q.Side(2), q.Side(3)}
	short, long := slices.Min(sides[:]), slices.Max(sides[:])
	share := float64(p.count) / q.Area()
	if !(short >= 10 && long <= 2.2*short && share > .4 && share < 1.15) {
		return q, false
	}
	// Most of the outline must lie on the quad: a mark's outer ring is whole.
	near := 0
	var ls [4]line
	for i := range ls {
		ls[i] = lineThrough(q[i], q[(i+1)%4])
	}
	for _, pt := range outline {
		for _, l := range ls {
			if math.Abs(l.at(pt)) < .06*long+1 {
				near++
				break
			}
		}
	}
	return q, near*10 >= len(outline)*9
}

// ringed is the cheap look before the fine one: black just inside the quad,
// white just outside, nearly all the way round.
func ringed(p plane, q Quad) bool {
	h, err := QuadToQuad(rect(label.MarkCells, label.MarkCells), q)
	if err != nil {
		return false
	}
	const n = 6
	agree := 0
	for i := range 4 * n {
		along := 1 + (label.MarkCells-2)*(float64(i%n)+.5)/n
		var in, out raster.Point
		switch i / n {
		case 0:
			in, out = raster.Point{X: along, Y: .5}, raster.Point{X: along, Y: -.5}
		case 1:
			in, out = raster.Point{X: along, Y: label.MarkCells - .5}, raster.Point{X: along, Y: label.MarkCells + .5}
		case 2:
			in, out = raster.Point{X: .5, Y: along}, raster.Point{X: -.5, Y: along}
		case 3:
			in, out = raster.Point{X: label.MarkCells - .5, Y: along}, raster.Point{X: label.MarkCells + .5, Y: along}
		}
		in, out = h.Apply(in), h.Apply(out)
		if p.sample(out.X, out.Y)-p.sample(in.X, in.Y) > leastContrast/2 {
			agree++
		}
	}
	return agree >= 4*n*3/4
}

// sharpen moves the quad's sides onto the edges of the black square.
func (ws *Workspace) sharpen(m *mix, q Quad) (Quad, bool) {
	for round := range 3 {
		cell := (q.Side(0) + q.Side(1) + q.Side(2) + q.Side(3)) / 4 / label.MarkCells
		reach := max(1.5, .8*cell)
		if round > 0 {
			reach = max(1.5, .45*cell)
		}
		var ls [4]line
		for i := range 4 {
			points := sideEdges(&ws.probes, m, q, i, laying{markProbes, reach, min(1.5, max(1, .25*cell)), refineStep})
			l, support, ok := fitSide(points, markProbes, max(.35, .06*cell), 300)
			if !ok || support < .4 {
				return q, false
			}
			ls[i] = l
		}
		var ok bool
		if q, ok = crossing(ls); !ok {
			return q, false
		}
	}
	return q, true
}

// shading is a plane fitted to brightness over the mark, in cells from its
// centre: half a mark in shadow still has black and white.
type shading struct{ mean, dx, dy float64 }

func (s shading) at(x, y float64) float64 { return s.mean + s.dx*x + s.dy*y }

// shadingOf fits a ring of samples that is symmetric about the centre, which
// makes the three unknowns independent.
func shadingOf(xs, ys, vs []float64) (s shading) {
	var xx, yy float64
	for i, v := range vs {
		s.mean += v / float64(len(vs))
		s.dx += xs[i] * v
		s.dy += ys[i] * v
		xx += xs[i] * xs[i]
		yy += ys[i] * ys[i]
	}
	s.dx /= xx
	s.dy /= yy
	return s
}

// readMark takes the code out of a quad.
func readMark(p plane, q Quad) (SeenMark, bool) {
	const n = label.MarkCells
	h, err := QuadToQuad(rect(n, n), q)
	if err != nil {
		return SeenMark{}, false
	}
	cell := func(col, row float64) float64 { // mean over the middle of a cell
		var sum float64
		for i := range 9 {
			at := h.Apply(raster.Point{X: col + .5 + .2*float64(i%3-1), Y: row + .5 + .2*float64(i/3-1)})
			sum += p.sample(at.X, at.Y)
		}
		return sum / 9
	}
	ring := func(from, to int) (s shading, vs []float64) {
		var xs, ys []float64
		for row := from; row <= to; row++ {
			for col := from; col <= to; col++ {
				if row == from || row == to || col == from || col == to {
					xs = append(xs, float64(col)-(n-1)/2.)
					ys = append(ys, float64(row)-(n-1)/2.)
					vs = append(vs, cell(float64(col), float64(row)))
				}
			}
		}
		return shadingOf(xs, ys, vs), vs
	}
	black, blacks := ring(0, n-1)
	white, whites := ring(-1, n)
	if white.mean-black.mean < leastContrast {
		return SeenMark{}, false
	}
	limit := shading{(black.mean + white.mean) / 2, (black.dx + white.dx) / 2, (black.dy + white.dy) / 2}
	wrong := 0
	count := func(from, to int, vs []float64, wantWhite bool) {
		i := 0
		for row := from; row <= to; row++ {
			for col := from; col <= to; col++ {
				if row == from || row == to || col == from || col == to {
					if (vs[i] > limit.at(float64(col)-(n-1)/2., float64(row)-(n-1)/2.)) != wantWhite {
						wrong++
					}
					i++
				}
			}
		}
	}
	count(0, n-1, blacks, false)
	count(-1, n, whites, true)
	if wrong > 6 { // of 28 and 36: a leaf tip over the rim, no more
		return SeenMark{}, false
	}
	var code uint64
	for row := 1; row < n-1; row++ {
		for col := 1; col < n-1; col++ {
			code <<= 1
			if cell(float64(col), float64(row)) > limit.at(float64(col)-(n-1)/2., float64(row)-(n-1)/2.) {
				code |= 1
			}
		}
	}
	for turn := range 4 {
		for id := range label.MarkCount() {
			m := label.Mark{ID: id}
			if fixed := bits.OnesCount64(m.Code() ^ code); fixed <= mostFixed {
				return SeenMark{Mark: m, Corners: q.turned(turn), Fixed: fixed}, true
			}
		}
		code = quarterTurn(code)
	}
	return SeenMark{}, false
}

// quarterTurn reads the 6 x 6 code as if its quad began one corner later.
func quarterTurn(code uint64) (turned uint64) {
	for row := range 6 {
		for col := range 6 {
			turned = turned<<1 | code>>(35-(6*col+5-row))&1
		}
	}
	return turned
}
