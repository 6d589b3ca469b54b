package frame

import (
	"math"
	"slices"

	"quadtally/vision/raster"
)

// Completing a frame. Three of its sides and its stated size say where the
// fourth must be, so that a side of which leaves leave little to see can be
// looked for where it lies, and is not taken for the longest leaf about.

// completed gives, for each side of q of which the other three are plain to
// see, the quad that these three and the stated size make. q runs clockwise in
// the upright photo, luma pixels.
func completed(q Quad, support [4]float64, opt Options, cam camera) (out []Quad) {
	for i := range 4 {
		if min(support[(i+1)%4], support[(i+2)%4], support[(i+3)%4]) < opt.MinSupport+.1 {
			continue
		}
		for _, size := range opt.sizes() {
			// Turned so that the side looked for is the first.
			w, h := size[0], size[1]
			if i%2 == 1 {
				w, h = h, w
			}
			if c, ok := fourthSide(q.turned(i), w, h, cam); ok {
				out = append(out, c)
			}
		}
	}
	return out
}

// complete judges the quads that the best verdicts make with one side looked
// for by the other three, best first.
func (ws *Workspace) complete(r *raster.Raster, s picture, verdicts []verdict, grads *[channels]gradients, opt Options, cam camera) (out []verdict) {
	const most = 16
	for _, v := range distinct(verdicts, most) {
		q, support := fromUpperLeft(r, s.toLuma(v.quad), v.support)
		for _, c := range completed(q, support, opt, cam) {
			g := v.guess
			if g.quad = s.fromLuma(c); !sensible(g.quad, s.w, s.h, opt.slender()) || nearQuads(g.quad, v.quad, 2) {
				continue
			}
			if w, ok := ws.judge(g, s, grads[g.channel]); ok {
				out = append(out, w)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b verdict) int { return cmpDesc(a.score, b.score) })
	return out
}

// fourthSide moves the first side of q, its ends along the two neighbours, to
// where q is the image of a rectangle w wide, along that side, and h high. Both
// ends are found by Newton's method on the two departures poseOf tells.
func fourthSide(q Quad, w, h float64, cam camera) (Quad, bool) {
	along := [2]raster.Point{sub(q[0], q[3]), sub(q[1], q[2])}
	place := func(at [2]float64) Quad {
		return Quad{beyond(q[3], along[0], at[0]), beyond(q[2], along[1], at[1]), q[2], q[3]}
	}
	departure := func(at [2]float64) (d [2]float64, ok bool) {
		g, err := QuadToQuad(rect(w, h), place(at))
		if err != nil {
			return d, false
		}
		_, d[0], d[1], err = poseOf(g, cam)
		return d, err == nil
	}
	// As seen from straight above.
	far := q.Side(2) * h / w
	at := [2]float64{far / q.Side(3), far / q.Side(1)}
	for range 8 {
		d, ok := departure(at)
		if !ok {
			return q, false
		}
		if math.Abs(d[0])+math.Abs(d[1]) < 1e-4 {
			c := place(at)
			return c, c.Convex()
		}
		const step = 1e-4
		right, ok1 := departure([2]float64{at[0] + step, at[1]})
		left, ok2 := departure([2]float64{at[0], at[1] + step})
		if !ok1 || !ok2 {
			return q, false
		}
		a, b := (right[0]-d[0])/step, (left[0]-d[0])/step
		c, e := (right[1]-d[1])/step, (left[1]-d[1])/step
		det := a*e - b*c
		if !(math.Abs(det) > 1e-9) {
			return q, false
		}
		at[0] -= (e*d[0] - b*d[1]) / det
		at[1] -= (a*d[1] - c*d[0]) / det
		if !(at[0] > 0 && at[1] > 0 && at[0] < 10 && at[1] < 10) {
			return q, false
		}
	}
	return q, false
}
