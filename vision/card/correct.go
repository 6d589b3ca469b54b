package card

import (
	"math"
	"slices"

	"github.com/makiuchi-d/gozxing/common/reedsolomon"

	"quadtally/vision/raster"
)

// Correction of a code of which modules are known to be doubtful: where a leaf
// or glare hides them the codewords they belong to are left out and not merely
// wrong, and twice as many can be restored (errors-and-erasures decoding of
// Reed-Solomon codes; which to leave out, Forney 1966, Generalized minimum
// distance decoding, IEEE ToIT 12(2)). Two of the ten check codewords of
// version 1-M are always kept to tell a restored text from a chance one, as
// the standard asks for version 1 (ISO/IEC 18004, p = 2): of codes past all
// restoring one in 2^16 gets a wrong text, and of these the check characters of
// a card (see package label) let through fewer than one in a thousand.

const (
	codewords = 26 // of version 1
	checks    = 10 // of these, at level M
	spent     = 8  // of these, used for restoring
)

// field is GF(256) as QR codes use it. The decoder that comes with it corrects
// errors alone and knows of no erasures.
var field = reedsolomon.GenericGF_QR_CODE_FIELD_256

// solved restores the codewords at the places named so that all check sums of
// the word are zero; false where no values do that. There may be at most checks
// places.
func solved(word *[codewords]byte, places []int) bool {
	n := len(places)
	var a [checks][checks + 1]int
	for r := range checks {
		for c, p := range places {
			a[r][c] = field.Exp(r * (codewords - 1 - p) % 255)
		}
		for i, v := range word {
			if !slices.Contains(places, i) {
				a[r][n] ^= field.Multiply(int(v), field.Exp(r*(codewords-1-i)%255))
			}
		}
	}
	for c := range n { // Gauss-Jordan; a pivot need only not be zero
		p := c
		for p < checks && a[p][c] == 0 {
			p++
		}
		if p == checks {
			return false
		}
		a[c], a[p] = a[p], a[c]
		inv, err := field.Inverse(a[c][c])
		if err != nil {
			return false
		}
		for k := c; k <= n; k++ {
			a[c][k] = field.Multiply(a[c][k], inv)
		}
		for r := range checks {
			if f := a[r][c]; r != c && f != 0 {
				for k := c; k <= n; k++ {
					a[r][k] ^= field.Multiply(f, a[c][k])
				}
			}
		}
	}
	for r := n; r < checks; r++ {
		if a[r][n] != 0 {
			return false
		}
	}
	for c, p := range places {
		word[p] = byte(a[c][n])
	}
	return true
}

// restored corrects a word of which the codewords are doubtful in the order
// given, most doubtful first.
func restored(word [codewords]byte, order []int) ([codewords]byte, bool) {
	for left := spent; left >= 0; left -= 2 {
		errors := (spent - left) / 2
		if errors > 2 { // further ones are what an ordinary decoder finds
			break
		}
		out := order[:left:left]
		var try func(from, more int, places []int) bool
		try = func(from, more int, places []int) bool {
			if more == 0 {
				return solved(&word, places)
			}
			for p := from; p < codewords; p++ {
				if !slices.Contains(out, p) && try(p+1, more-1, append(places[:len(places):len(places)], p)) {
					return true
				}
			}
			return false
		}
		if try(0, errors, out) {
			return word, true
		}
	}
	return word, false
}

// reserved tells whether a module of a version-1 code is no data: finder
// patterns and their rims, format, timing.
func reserved(x, y int) bool {
	return x < 9 && y < 9 || x >= modules-8 && y < 9 || x < 9 && y >= modules-8 || x == 6 || y == 6
}

// dataPlaces are the modules of the codewords' bits in order (ISO/IEC 18004,
// 7.7.3).
var dataPlaces = func() (ps [][2]int) {
	up := true
	for right := modules - 1; right > 0; right -= 2 {
		if right == 6 {
			right--
		}
		for i := range modules {
			y := i
			if up {
				y = modules - 1 - i
			}
			for _, x := range [2]int{right, right - 1} {
				if !reserved(x, y) {
					ps = append(ps, [2]int{x, y})
				}
			}
		}
		up = !up
	}
	return ps
}()

// masks are the standard's patterns, i the row and j the column.
var masks = [8]func(i, j int) bool{
	func(i, j int) bool { return (i+j)%2 == 0 },
	func(i, j int) bool { return i%2 == 0 },
	func(i, j int) bool { return j%3 == 0 },
	func(i, j int) bool { return (i+j)%3 == 0 },
	func(i, j int) bool { return (i/2+j/3)%2 == 0 },
	func(i, j int) bool { return i*j%2+i*j%3 == 0 },
	func(i, j int) bool { return (i*j%2+i*j%3)%2 == 0 },
	func(i, j int) bool { return ((i+j)%2+i*j%3)%2 == 0 },
}

// formatPlaces are where the fifteen format bits lie, most significant first,
// in both copies.
var formatPlaces = func() (ps [2][15][2]int) {
	for i := range 15 {
		switch {
		case i < 6:
			ps[0][i] = [2]int{i, 8}
		case i == 6:
			ps[0][i] = [2]int{7, 8}
		case i == 7:
			ps[0][i] = [2]int{8, 8}
		case i == 8:
			ps[0][i] = [2]int{8, 7}
		default:
			ps[0][i] = [2]int{8, 14 - i}
		}
		if i < 7 {
			ps[1][i] = [2]int{8, modules - 1 - i}
		} else {
			ps[1][i] = [2]int{modules - 15 + i, 8}
		}
	}
	return ps
}()

// formatOf is the format word of level M and a mask.
func formatOf(mask int) int {
	v := mask << 10 // level M is 00
	for b := 14; b >= 10; b-- {
		if v>>b&1 == 1 {
			v ^= 0x537 << (b - 10)
		}
	}
	return (mask<<10 | v) ^ 0x5412
}

// corrected reads the data of a code of level M, restores its codewords, and
// writes them back into dark. doubt is how doubtful each module is.
func corrected(dark [][]bool, doubt *[modules][modules]float64) bool {
	mask, least := 0, math.Inf(1)
	for m := range masks {
		word, off := formatOf(m), 0.
		for _, places := range formatPlaces {
			for i, p := range places {
				if dark[p[1]][p[0]] != (word>>(14-i)&1 == 1) {
					off += 1 - min(1, doubt[p[1]][p[0]])
				}
			}
		}
		if off < least {
			least, mask = off, m
		}
	}
	if least > 6 { // of thirty; two formats differ in at least seven of fifteen
		return false
	}
	var word [codewords]byte
	var worst [codewords]float64
	for i, p := range dataPlaces {
		x, y := p[0], p[1]
		if dark[y][x] != masks[mask](y, x) {
			word[i/8] |= 0x80 >> (i % 8)
		}
		worst[i/8] = max(worst[i/8], doubt[y][x])
	}
	order := make([]int, codewords)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case worst[a] > worst[b]:
			return -1
		case worst[a] < worst[b]:
			return 1
		}
		return 0
	})
	word, ok := restored(word, order)
	if !ok {
		return false
	}
	for i, p := range dataPlaces {
		bit := word[i/8]&(0x80>>(i%8)) != 0
		dark[p[1]][p[0]] = bit != masks[mask](p[1], p[0])
	}
	for k, v := 0, formatOf(mask); k < 2; k++ {
		for i, p := range formatPlaces[k] {
			dark[p[1]][p[0]] = v>>(14-i)&1 == 1
		}
	}
	return true
}

// doubts says of each module how little it can be trusted, 0 to 1: for want of
// contrast with the limit it was held against, for colour, which neither paper
// nor ink has, and for light beyond that of paper.
func (g grey) doubts(w *warp, cells *[modules][modules]float64, dark [][]bool) (out [modules][modules]float64) {
	var paper []float64
	for y := range out {
		for x := range out[y] {
			if !dark[y][x] {
				paper = append(paper, cells[y][x])
			}
		}
	}
	if len(paper) == 0 {
		return out
	}
	slices.Sort(paper)
	white := paper[len(paper)/2]
	var colour [2][]float64
	for y := range out {
		for x := range out[y] {
			if !dark[y][x] && math.Abs(cells[y][x]-white) < .3 {
				b, r := g.colourAt(w.at(float64(x)+.5, float64(y)+.5))
				colour[0], colour[1] = append(colour[0], b), append(colour[1], r)
			}
		}
	}
	var own [2]float64
	for i, c := range colour {
		if len(c) > 0 {
			slices.Sort(c)
			own[i] = c[len(c)/2]
		}
	}
	for y := range out {
		for x := range out[y] {
			lo, hi := math.Inf(1), math.Inf(-1)
			for j := max(0, y-2); j <= min(modules-1, y+2); j++ {
				for i := max(0, x-2); i <= min(modules-1, x+2); i++ {
					lo, hi = min(lo, cells[j][i]), max(hi, cells[j][i])
				}
			}
			v := cells[y][x]
			faint := 1 - 2*math.Abs(v-(lo+hi)/2)/max(hi-lo, .6)
			bright := (v - white - .12) / .2
			most := 0.
			for _, d := range [5][2]float64{{.5, .5}, {.25, .25}, {.75, .25}, {.25, .75}, {.75, .75}} {
				b, r := g.colourAt(w.at(float64(x)+d[0], float64(y)+d[1]))
				most = max(most, math.Hypot(b-own[0], r-own[1]))
			}
			out[y][x] = max(faint, min(1, bright), min(1, most/.2))
		}
	}
	return out
}

// colourAt is blue and red chroma over brightness.
func (g grey) colourAt(p raster.Point) (b, r float64) {
	c := g.colour
	if c == nil {
		return 0, 0
	}
	lx, ly := int(float64(g.x0)+p.X*g.scale), int(float64(g.y0)+p.Y*g.scale)
	if lx < 0 || ly < 0 || lx >= c.Width || ly >= c.Height {
		return 0, 0
	}
	k := ly*c.ChromaHeight/c.Height*c.ChromaWidth + lx*c.ChromaWidth/c.Width
	y := float64(c.Y[ly*c.Width+lx]) + 24
	return (float64(c.Cb[k]) - 128) / y, (float64(c.Cr[k]) - 128) / y
}
