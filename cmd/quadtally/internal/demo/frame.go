package demo

import "math"

// Frame is the square quadrat frame of round pipe lying on the ground.
type Frame struct {
	InnerMM float64 `json:"inner_mm"` // between the inner faces of opposite pipes
	PipeMM  float64 `json:"pipe_mm"`  // diameter
	Make    string  `json:"make"`     // "white pvc", "orange pvc" or "wood"
}

var frameColours = map[string][3]float64{
	"white pvc":  {228, 228, 222},
	"orange pvc": {224, 108, 36},
	"wood":       {172, 132, 88},
}

// seenEdges returns the ground-plane lines of the inner edges as seen from the
// lens: each is cut by the plane through the lens that touches the pipe from
// inside.
func (f Frame) seenEdges(lens vec, flat bool) (x0, y0, x1, y1 float64) {
	half, r := f.InnerMM/2, f.PipeMM/2
	if flat {
		return -half, -half, half, half
	}
	edge := func(c, sign float64) float64 {
		d, h := half+r-sign*c, lens.Z-r // lens to pipe axis: sideways, down
		a := math.Atan2(d, h) - math.Asin(r/math.Hypot(d, h))
		return sign * (sign*c + lens.Z*math.Tan(a))
	}
	return edge(lens.X, -1), edge(lens.Y, -1), edge(lens.X, 1), edge(lens.Y, 1)
}

// pipe is one side of the frame: its axis from a by length mm along u.
type pipe struct {
	a, u   vec
	length float64
}

func (f Frame) pipes(flat bool) [4]pipe {
	m, z := f.InnerMM/2+f.PipeMM/2, f.PipeMM/2
	if flat {
		z = 0
	}
	return [4]pipe{
		{vec{-m, -m, z}, vec{1, 0, 0}, 2 * m}, {vec{m, -m, z}, vec{0, 1, 0}, 2 * m},
		{vec{m, m, z}, vec{-1, 0, 0}, 2 * m}, {vec{-m, m, z}, vec{0, -1, 0}, 2 * m},
	}
}

// beyond says that a ground place lies farther than reach mm from the vertical
// plane through the axis.
func (p *pipe) beyond(x, y, reach float64) bool {
	d := x - p.a.X
	if p.u.X != 0 {
		d = y - p.a.Y
	}
	return d > reach || d < -reach
}

// pass returns how near the line from o along d passes the pipe's axis, in mm,
// and the side: the axis lies off the line by that much along side (a unit
// vector square to d).
func (p *pipe) pass(o, d vec) (dist float64, side vec) {
	q := p.a.sub(o)
	n := d.cross(p.u)
	nn := n.dot(n)
	// Place along the axis nearest to the line.
	t := -1.0
	if nn > 1e-12 {
		t = q.cross(d).dot(n) / nn
	}
	t = min(max(t, 0), p.length)
	q = q.add(p.u.scale(t))
	off := q.sub(d.scale(q.dot(d) / d.dot(d)))
	dist = off.norm()
	if dist < 1e-9 {
		return 0, vec{0, 0, 1}
	}
	return dist, off.scale(1 / dist)
}
