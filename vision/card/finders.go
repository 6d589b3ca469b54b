package card

import (
	"image"
	"math"
	"math/bits"
	"slices"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// unreadCodes counts the patches in which finder squares of a code are seen
// that belong to none of the codes read: two that lie as two of one code do and
// show nearly all of their modules, so that a chance pattern is none. Patches
// that overlap are one.
func unreadCodes(whole grey, patches []image.Rectangle, read []code) int {
	var found []image.Rectangle
	for _, b := range patches {
		seen := false
		for _, f := range found {
			seen = seen || b.Overlaps(f)
		}
		if seen {
			continue
		}
		if whole.showsCode(unclaimed(finders(whole, b), read)) {
			found = append(found, b)
		}
	}
	return len(found)
}

// unclaimed are the finder squares that belong to none of the codes read.
func unclaimed(all []finder, read []code) (out []finder) {
	for _, f := range all {
		if !slices.ContainsFunc(read, func(c code) bool { return c.claims(f.at) }) {
			out = append(out, f)
		}
	}
	return out
}

// findersNear looks for finder squares in the surroundings of part of the
// picture, but for those of known prints.
func findersNear(whole grey, part *coarse, known []frame.Quad) (out []finder) {
	const block, reach = 160, 48 // pixels
	for y := 0; y < whole.h; y += block {
		for x := 0; x < whole.w; x++ {
			// Neighbouring blocks make one patch, with room around it for a square
			// that lies across its rim.
			from := x
			for x < whole.w && part.near(x, y, block, reach) {
				x += block
			}
			if x == from {
				x += block - 1
				continue
			}
			for _, f := range findersBeside(whole, image.Rect(from-reach, y-reach, min(x, whole.w)+reach, y+block+reach), known) {
				if !slices.ContainsFunc(out, func(o finder) bool { return math.Hypot(o.at.X-f.at.X, o.at.Y-f.at.Y) < 4*f.module }) {
					out = append(out, f)
				}
			}
			x--
		}
	}
	return out
}

// findersBeside are the finder squares in a patch that lie in none of the known
// prints.
func findersBeside(whole grey, patch image.Rectangle, known []frame.Quad) []finder {
	return slices.DeleteFunc(finders(whole, patch), func(f finder) bool {
		at := image.Rect(int(f.at.X), int(f.at.Y), int(f.at.X)+1, int(f.at.Y)+1)
		return slices.ContainsFunc(known, func(q frame.Quad) bool { return ofPrint(at, q) })
	})
}

// pairOf tells whether two finder squares can be of one code: of one size and
// as far apart as their size asks, 14 modules along a side of the code or
// across it.
func pairOf(all []finder) bool {
	for i, a := range all {
		for _, b := range all[:i] {
			m := (a.module + b.module) / 2
			d := math.Hypot(a.at.X-b.at.X, a.at.Y-b.at.Y) / m
			if math.Abs(a.module-b.module) < .25*m && d > .75*finderApart && d < 1.25*math.Sqrt2*finderApart {
				return true
			}
		}
	}
	return false
}

// finder is one finder square of a code: a black square in a white ring in a
// black ring, 1:1:3:1:1 along every line through its middle (ISO/IEC 18004).
type finder struct {
	at     raster.Point
	module float64
	whole  bool // along all four lines
}

// finders looks for finder squares in a patch of the picture, along its rows
// and then down and askew through the middle of what the row shows.
func finders(whole grey, patch image.Rectangle) []finder { return findersBy(whole, patch, wideTile) }

// A picture is held against the mean over five tiles each way. Wide ones see a
// whole finder pattern and its surroundings; narrow ones follow the edge of a
// deep shadow.
const (
	wideTile   = 16 // pixels, a power of two
	narrowTile = 8
)

func findersBy(whole grey, patch image.Rectangle, tile int) []finder {
	b := patch.Intersect(image.Rect(0, 0, whole.w, whole.h))
	if b.Dx() < modules || b.Dy() < modules {
		return nil
	}
	dark := whole.darkIn(b, tile)
	var out []finder
	line, changes := make([]uint64, b.Dx()/64+1), make([]int, b.Dx()+2)
	for y := 0; y < b.Dy(); y += 2 { // a pattern's core is six rows high at least
		dark.row(y, line)
		// Where dark and bright change along the row, and where it begins.
		n, last := 1, line[0]&1
		for i, word := range line {
			for turns := word ^ (word<<1 | last); turns != 0; turns &= turns - 1 {
				changes[n] = 64*i + bits.TrailingZeros64(turns)
				n++
			}
			last = word >> 63
		}
		// Five runs, the first of them dark.
		for i := int(1 - line[0]&1); i+5 < n; i += 2 {
			at := changes[i:][:6]
			core, width := at[3]-at[2], at[5]-at[0]
			if core < 5 || width > 3*core || !isFinder([5]int{at[1] - at[0], at[2] - at[1], core, at[4] - at[3], at[5] - at[4]}) {
				continue
			}
			cx := at[3] - (core+1)/2
			module := float64(width) / 7
			cy, ok := along(dark, cx, y, 0, 1, module)
			if !ok {
				continue
			}
			// A stalk across it may spoil one or two of the other lines.
			lines := 0
			for _, d := range [3][2]int{{1, 0}, {1, 1}, {1, -1}} {
				if _, ok := along(dark, cx, cy, d[0], d[1], module); ok {
					lines++
				}
			}
			if lines == 0 {
				continue
			}
			f := finder{raster.Point{X: float64(b.Min.X + cx), Y: float64(b.Min.Y + cy)}, module, lines == 3}
			if !slices.ContainsFunc(out, func(o finder) bool { return math.Hypot(o.at.X-f.at.X, o.at.Y-f.at.Y) < 4*module }) {
				f.module = coreModule(dark, cx, cy, module)
				out = append(out, f)
			}
		}
	}
	return out
}

// coreModule is a module by the area of the pattern's core, nine of them: along
// a row a pattern that lies askew seems up to 1.4 times as large. Where the core
// runs into something else it is what the row shows.
func coreModule(dark *shade, x, y int, module float64) float64 {
	half := int(3*module) + 1
	side := 2*half + 1
	seen := make([]bool, side*side)
	stack := [][2]int{{x, y}}
	seen[half*side+half] = true
	count := 0
	for len(stack) > 0 {
		p := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		count++
		for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			u, v := p[0]+d[0], p[1]+d[1]
			i, j := u-x+half, v-y+half
			if i < 0 || j < 0 || i >= side || j >= side || seen[j*side+i] || !dark.at(u, v) {
				continue
			}
			seen[j*side+i] = true
			stack = append(stack, [2]int{u, v})
		}
	}
	if m := math.Sqrt(float64(count)) / 3; m > .6*module && m < 1.2*module {
		return m
	}
	return module
}

// isFinder tells whether five runs are 1:1:3:1:1, each within six tenths of a
// module.
func isFinder(runs [5]int) bool {
	sum := runs[0] + runs[1] + runs[2] + runs[3] + runs[4]
	for i, n := range runs {
		off := 7*n - sum
		if i == 2 {
			off -= 2 * sum
		}
		if 5*max(off, -off) > 3*sum {
			return false
		}
	}
	return sum >= 12
}

// along follows a line of step (dx, dy) both ways from a dark place and tells
// whether it crosses a finder square of about that module; middle is the row of
// the middle of its core.
func along(dark *shade, x, y, dx, dy int, module float64) (middle int, ok bool) {
	if !dark.at(x, y) {
		return 0, false
	}
	var runs [5]int
	walk := func(sign int, at [3]int) (core int) {
		u, v := x+sign*dx, y+sign*dy
		want := true
		for k := range 3 {
			for dark.in(u, v) && dark.at(u, v) == want {
				if k == 0 {
					core++
				} else {
					runs[at[k]]++
				}
				u, v = u+sign*dx, v+sign*dy
			}
			want = !want
		}
		return core
	}
	up, down := walk(-1, [3]int{2, 1, 0}), walk(1, [3]int{2, 3, 4})
	runs[2] = up + down + 1
	sum := 0
	for _, n := range runs {
		sum += n
	}
	if m := float64(sum) / 7; math.Abs(m-module) > .5*module {
		return 0, false
	}
	return y + (down-up)/2, isFinder(runs)
}

// shade tells where a patch is darker than its surroundings, by the mean of
// the logarithm over five tiles each way: so that paper in the shadow is still
// paper beside paper in the sun.
type shade struct {
	pix          []byte // from the upper left of the patch on
	stride, w, h int
	limits       []byte // of each tile: the darkest that counts as bright
	shift        uint   // of a place to its tile
	across       int    // tiles
}

func (g grey) darkIn(b image.Rectangle, tile int) *shade {
	tw, th := (b.Dx()+tile-1)/tile, (b.Dy()+tile-1)/tile
	s := &shade{g.pix[b.Min.Y*g.w+b.Min.X:], g.w, b.Dx(), b.Dy(), make([]byte, tw*th), uint(bits.TrailingZeros(uint(tile))), tw}
	// Sums over tiles, summed up from the upper left (Crow 1984).
	sums, counts := make([]float64, (tw+1)*(th+1)), make([]float64, (tw+1)*(th+1))
	for y := 0; y < b.Dy(); y += 2 { // one pixel in four tells a mean well enough
		row := s.pix[y*s.stride:][:s.w]
		at := (y/tile+1)*(tw+1) + 1
		for x0 := 0; x0 < len(row); x0 += tile {
			var sum float32
			part := row[x0:min(len(row), x0+tile)]
			for i := 0; i < len(part); i += 2 {
				sum += logs[part[i]]
			}
			sums[at] += float64(sum)
			counts[at] += float64((len(part) + 1) / 2)
			at++
		}
	}
	for y := 1; y <= th; y++ {
		for x := 1; x <= tw; x++ {
			i := y*(tw+1) + x
			sums[i] += sums[i-1] + sums[i-tw-1] - sums[i-tw-2]
			counts[i] += counts[i-1] + counts[i-tw-1] - counts[i-tw-2]
		}
	}
	for ty := range th {
		y0, y1 := max(0, ty-2), min(th, ty+3)
		for tx := range tw {
			x0, x1 := max(0, tx-2), min(tw, tx+3)
			over := func(s []float64) float64 {
				return s[y1*(tw+1)+x1] - s[y0*(tw+1)+x1] - s[y1*(tw+1)+x0] + s[y0*(tw+1)+x0]
			}
			limit, _ := slices.BinarySearch(logs[:255], float32(over(sums)/over(counts)))
			s.limits[ty*tw+tx] = byte(limit)
		}
	}
	return s
}

func (s *shade) in(x, y int) bool { return x >= 0 && y >= 0 && x < s.w && y < s.h }

// at is false outside the patch.
func (s *shade) at(x, y int) bool {
	return s.in(x, y) && s.pix[y*s.stride+x] < s.limits[y>>s.shift*s.across+x>>s.shift]
}

// row sets a bit for each dark place of a row and clears those beyond its end.
func (s *shade) row(y int, line []uint64) {
	const ones, top = 0x0101010101010101, 0x8080808080808080
	clear(line)
	row, limits := s.pix[y*s.stride:][:s.w], s.limits[y>>s.shift*s.across:][:s.across]
	for x := 0; x < len(row); x += 8 {
		eight := raster.Eight(row[x:], 255) // which is never dark
		// Eight bytes are compared at a time: their lower seven bits by what is
		// left of the top bit when they are taken from it, the top bits apart.
		limit := uint64(limits[x>>s.shift]) * ones
		less := (^eight & limit) | ^(eight^limit)&^((eight|top)-(limit&^top))
		line[x/64] |= raster.TopBits(less) << (x % 64)
	}
}
