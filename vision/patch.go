package vision

import (
	"errors"
	"math"

	"quadtally/vision/raster"
)

// Thresholds lists the thresholds a visit can have under an index, rising.
// A cell of a Plane is green at the k-th of them, counted from 1, where its
// level is k or more.
func (x Index) Thresholds() ([]float64, error) {
	s, err := x.scale()
	if err != nil {
		return nil, err
	}
	first, last, _ := x.grid()
	out := make([]float64, 0, last-first+1)
	for c := first; c <= last; c++ {
		out = append(out, s.snap(s.value(c)))
	}
	return out, nil
}

// ErrNoPatch means that the cell asked about is not green.
var ErrNoPatch = errors.New("there is no green at that spot at this threshold")

// Patch is the outline of the connected green a cell belongs to, in pixels of
// the upright full-size photo, holes filled. x and y are cells of the plane.
// The outline runs along cell borders and is then thinned to within three
// quarters of a cell (Douglas and Peucker 1973, Cartographica 10(2) 112-122).
// A cell that is not green gives ErrNoPatch.
func (p *Plane) Patch(threshold float64, x, y int) ([]raster.Point, error) {
	mask, err := p.Mask(threshold)
	if err != nil {
		return nil, err
	}
	if x < 0 || y < 0 || x >= p.Width || y >= p.Height || !mask[y*p.Width+x] {
		return nil, ErrNoPatch
	}
	own := make([]bool, len(mask))
	queue := []int{y*p.Width + x}
	own[queue[0]] = true
	top := queue[0]
	for len(queue) > 0 {
		i := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		top = min(top, i)
		cx, cy := i%p.Width, i/p.Width
		for ny := max(cy-1, 0); ny <= min(cy+1, p.Height-1); ny++ {
			for nx := max(cx-1, 0); nx <= min(cx+1, p.Width-1); nx++ {
				if j := ny*p.Width + nx; mask[j] && !own[j] {
					own[j] = true
					queue = append(queue, j)
				}
			}
		}
	}
	ring := p.border(own, top)
	ring = thin(ring, 0.75)
	out := make([]raster.Point, len(ring))
	for i, c := range ring {
		out[i] = p.At(c.X, c.Y)
	}
	return out, nil
}

// border walks along the outer cell borders of a patch, the patch on the
// right hand, from the upper left corner of its first cell in reading order.
// Cells that touch by a corner are walked around as one. Only turns are kept.
func (p *Plane) border(own []bool, first int) []raster.Point {
	at := func(x, y int) bool { return x >= 0 && y >= 0 && x < p.Width && y < p.Height && own[y*p.Width+x] }
	x0, y0 := first%p.Width, first/p.Width
	x, y, dx, dy := x0, y0, 1, 0
	ring := []raster.Point{{X: float64(x), Y: float64(y)}}
	for {
		x, y = x+dx, y+dy
		// The two cells ahead of the corner (x, y), to the left and to the
		// right of the direction walked.
		left := at(x+min(dx+dy, 0), y+min(dy-dx, 0))
		right := at(x+min(dx-dy, 0), y+min(dy+dx, 0))
		switch {
		case left:
			dx, dy = dy, -dx
		case !right:
			dx, dy = -dy, dx
		default:
			continue // straight on; the start is a turn, so it is not missed
		}
		if x == x0 && y == y0 {
			return ring
		}
		ring = append(ring, raster.Point{X: float64(x), Y: float64(y)})
	}
}

// thin leaves out corners of a ring that lie within tol of the line without
// them. At least three corners are left.
func thin(ring []raster.Point, tol float64) []raster.Point {
	if len(ring) <= 4 {
		return ring
	}
	far := 0
	for i, q := range ring {
		if math.Hypot(q.X-ring[0].X, q.Y-ring[0].Y) > math.Hypot(ring[far].X-ring[0].X, ring[far].Y-ring[0].Y) {
			far = i
		}
	}
	keep := make([]bool, len(ring)+1)
	keep[0], keep[far] = true, true
	closed := append(append([]raster.Point{}, ring...), ring[0])
	type span struct{ from, to int }
	for queue := []span{{0, far}, {far, len(ring)}}; len(queue) > 0; {
		s := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		a, b := closed[s.from], closed[s.to]
		length := math.Hypot(b.X-a.X, b.Y-a.Y)
		worst, at := tol, -1
		for i := s.from + 1; i < s.to; i++ {
			q := closed[i]
			d := math.Hypot(q.X-a.X, q.Y-a.Y)
			if length > 0 {
				d = math.Abs((b.X-a.X)*(q.Y-a.Y)-(b.Y-a.Y)*(q.X-a.X)) / length
			}
			if d > worst {
				worst, at = d, i
			}
		}
		if at >= 0 {
			keep[at] = true
			queue = append(queue, span{s.from, at}, span{at, s.to})
		}
	}
	var out []raster.Point
	for i, q := range ring {
		if keep[i] {
			out = append(out, q)
		}
	}
	if len(out) < 3 {
		return ring
	}
	return out
}
