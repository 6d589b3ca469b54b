package card

import (
	"image"
	"math"

	"quadtally/vision/raster"
)

// unreadCodes counts the patches in which finder squares of a code are seen
// that belong to none of the cards read: two squares of one size, so that a
// chance pattern is none. Patches that overlap are one.
func unreadCodes(whole grey, patches []image.Rectangle, cards []Card) int {
	var found []image.Rectangle
	for _, b := range patches {
		seen := false
		for _, f := range found {
			seen = seen || b.Overlaps(f)
		}
		if seen {
			continue
		}
		var squares []finder
		for _, f := range finders(whole, b) {
			mine := false
			for _, c := range cards {
				mine = mine || math.Hypot(f.at.X-c.Code.Centre().X, f.at.Y-c.Code.Centre().Y) < modules*c.ModulePx
			}
			if !mine {
				squares = append(squares, f)
			}
		}
		if pairOf(squares) {
			found = append(found, b)
		}
	}
	return len(found)
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
}

// finders looks for finder squares in a patch of the picture, along its rows
// and then down and askew through the middle of what the row shows.
func finders(whole grey, patch image.Rectangle) []finder {
	b := patch.Intersect(image.Rect(0, 0, whole.w, whole.h))
	if b.Dx() < modules || b.Dy() < modules {
		return nil
	}
	dark := whole.darkIn(b)
	var out []finder
	var runs [5]int
	for y := range b.Dy() {
		// Lengths of the last five runs along the row, the last one dark.
		k, start := 0, 0
		line := dark[y*b.Dx():][:b.Dx()]
		for x := 1; x <= len(line); x++ {
			if x < len(line) && line[x] == line[x-1] {
				continue
			}
			copy(runs[:], runs[1:])
			runs[4] = x - start
			k++
			ended := line[x-1]
			start = x
			if k < 5 || !ended || !isFinder(runs) {
				continue
			}
			width := runs[0] + runs[1] + runs[2] + runs[3] + runs[4]
			cx := x - runs[4] - runs[3] - (runs[2]+1)/2
			module := float64(width) / 7
			mid, ok := along(dark, b.Dx(), b.Dy(), cx, y, 0, 1, module)
			if !ok {
				continue
			}
			cy := mid
			if _, ok := along(dark, b.Dx(), b.Dy(), cx, cy, 1, 0, module); !ok {
				continue
			}
			if _, ok := along(dark, b.Dx(), b.Dy(), cx, cy, 1, 1, module); !ok {
				continue
			}
			at := raster.Point{X: float64(b.Min.X + cx), Y: float64(b.Min.Y + cy)}
			known := false
			for _, f := range out {
				known = known || math.Hypot(f.at.X-at.X, f.at.Y-at.Y) < 4*module
			}
			if !known {
				out = append(out, finder{at, module})
			}
		}
	}
	return out
}

// isFinder tells whether five runs are 1:1:3:1:1, each within six tenths of a
// module.
func isFinder(runs [5]int) bool {
	sum := 0
	for _, n := range runs {
		sum += n
	}
	if sum < 12 {
		return false
	}
	m := float64(sum) / 7
	for i, n := range runs {
		want := m
		if i == 2 {
			want = 3 * m
		}
		if math.Abs(float64(n)-want) > .6*m {
			return false
		}
	}
	return true
}

// along follows a line of step (dx, dy) both ways from a dark place and tells
// whether it crosses a finder square of about that module; middle is the row of
// the middle of its core.
func along(dark []bool, w, h, x, y, dx, dy int, module float64) (middle int, ok bool) {
	in := func(u, v int) bool { return u >= 0 && v >= 0 && u < w && v < h }
	if !in(x, y) || !dark[y*w+x] {
		return 0, false
	}
	var runs [5]int
	walk := func(sign int, at [3]int) (core int) {
		u, v := x+sign*dx, y+sign*dy
		want := true
		for k := range 3 {
			for in(u, v) && dark[v*w+u] == want {
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

// darkIn is true where a patch is darker than half-way between its dark and its
// bright tenth.
func (g grey) darkIn(b image.Rectangle) []bool {
	var hist [256]int
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for _, v := range g.pix[y*g.w+b.Min.X : y*g.w+b.Max.X] {
			hist[v]++
		}
	}
	level := func(share float64) int {
		n, at := 0, 0
		for ; at < 255; at++ {
			if n += hist[at]; float64(n) >= share*float64(b.Dx()*b.Dy()) {
				break
			}
		}
		return at
	}
	middle := byte((level(.1) + level(.9)) / 2)
	out := make([]bool, 0, b.Dx()*b.Dy())
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for _, v := range g.pix[y*g.w+b.Min.X : y*g.w+b.Max.X] {
			out = append(out, v < middle)
		}
	}
	return out
}
