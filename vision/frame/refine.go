package frame

import (
	"math"
	"slices"

	"quadtally/vision/raster"
)

const (
	coarseProbes = 64
	refineProbes = 128
	coarseStep   = 1.0 // luma pixels between samples along a probe
	refineStep   = .5
)

// mix is the one number per pixel in which the frame stands out most from the
// ground beside it: a weighted sum of luma and the two colour ratios. It is
// worked out only where a probe asks for it.
type mix struct {
	planes [3]plane   // luma and chroma of the raster
	coarse float64    // luma pixels per chroma pixel
	sx, sy [3]float64 // luma position to plane position
	weight [3]float64
	// contrast is the step from ground to pipe over the ground's clutter.
	contrast [3]float64
}

// lumaOnly is the mix for black and white.
func lumaOnly(r *raster.Raster) mix {
	m := mixOf(r)
	m.weight[0] = 1
	return m
}

func mixOf(r *raster.Raster) mix {
	m := mix{planes: planesOf(r), coarse: float64(roundRatio(r.Width, r.ChromaWidth))}
	down := float64(roundRatio(r.Height, r.ChromaHeight))
	m.sx, m.sy = [3]float64{1, 1 / m.coarse, 1 / m.coarse}, [3]float64{1, 1 / down, 1 / down}
	return m
}

// along samples the mix from start on, at n points in steps of d, step pixels
// long. The slice holds until the next call.
func (m mix) along(ws *probeScratch, start, d raster.Point, step float64, n int) []float64 {
	if m.weight[1] == 0 && m.weight[2] == 0 {
		out := sized(&ws.values, n)
		m.planes[0].walk(start, d, out)
		for i := range out {
			out[i] *= m.weight[0]
		}
		return out
	}
	// Where chroma is coarser, luma is smoothed alike before it divides: else
	// an edge in light would be one in colour too. A half-size chroma sample,
	// read between pixels, is about the binomial mean of five luma pixels.
	lag := 0
	if m.coarse > 1.5 {
		lag = max(1, int(math.Round(m.coarse/2/step)))
	}
	luma := sized(&ws.luma, n+4*lag)
	m.planes[0].walk(beyond(start, d, float64(-2*lag)), d, luma)
	out := sized(&ws.values, n)
	for i := range out {
		out[i] = m.weight[0] * luma[i+2*lag]
	}
	if lag > 0 {
		for i := range out {
			l := luma[i : i+4*lag+1]
			luma[i] = (l[0] + 4*l[lag] + 6*l[2*lag] + 4*l[3*lag] + l[4*lag]) / 16
		}
	}
	chroma := sized(&ws.chroma, n)
	for c := 1; c < 3; c++ {
		if w := m.weight[c]; w != 0 {
			m.planes[c].walk(raster.Point{X: start.X * m.sx[c], Y: start.Y * m.sy[c]}, raster.Point{X: d.X * m.sx[c], Y: d.Y * m.sy[c]}, chroma)
			for i, v := range chroma {
				out[i] += w * ratio(luma[i], v)
			}
		}
	}
	return out
}

// mixFor weighs each channel by the step from ground to pipe over the square
// of the ground's clutter (Fisher's discriminant, channels taken as
// independent), signed so that the pipe is the higher side.
func mixFor(r *raster.Raster, s picture, v verdict) (m mix, ok bool) {
	m = mixOf(r)
	var best float64
	for c := range 3 {
		var steps, ground [4 * searchProbes]float64
		for i := range 4 {
			for k := range searchProbes {
				at, n := v.quad.probe(i, share(k, searchProbes))
				on, off := v.widthPx/2, -2.5-v.widthPx/2
				g := s.planes[c].sample(at.X+n.X*off, at.Y+n.Y*off)
				steps[i*searchProbes+k] = s.planes[c].sample(at.X+n.X*on, at.Y+n.Y*on) - g
				ground[i*searchProbes+k] = g
			}
		}
		step := median(steps[:])
		slices.Sort(ground[:])
		clutter := (ground[len(ground)*3/4]-ground[len(ground)/4])/1.349 + 2
		m.weight[c] = step / (clutter * clutter)
		m.contrast[c] = math.Abs(step) / clutter
		best = max(best, m.contrast[c])
	}
	return m, best > .3
}

// byPaint is the mix without luma, where colour alone tells pipe from ground:
// the edge it sees is the pipe's own, while in luma a pipe in the sun has a
// second one along its back, between its lit and its shaded flank.
func (m mix) byPaint() (mix, bool) {
	const plain = 1.5 // steps of the ground's own clutter
	m.weight[0] = 0
	return m, math.Hypot(m.contrast[1], m.contrast[2]) >= plain
}

// onPipe reports whether just inside some side of q the paint is still the
// pipe's: then that side lies along the pipe's back and is not its edge.
func (m mix) onPipe(ws *probeScratch, q Quad, width float64) bool {
	c := 1
	if m.contrast[2] > m.contrast[1] {
		c = 2
	}
	if m.contrast[c] < 1 {
		return false // colour alone does not tell
	}
	paint := m
	paint.weight = [3]float64{}
	paint.weight[c] = 1
	for i := range 4 {
		level := func(d float64) float64 {
			var vs [searchProbes]float64
			for k := range vs {
				at, n := q.probe(i, share(k, searchProbes))
				vs[k] = paint.along(ws, beyond(at, n, d), n, 1, 1)[0]
			}
			return median(vs[:])
		}
		pipe, ground, here := level(width/2), level(-1.2*width), level(-max(2.5, width/4))
		if step := pipe - ground; math.Abs(step) >= 8 && (here-ground)/step > .5 { // 8 grey levels
			return true
		}
	}
	return false
}

// refine finds the inner edge on the full raster: probes across each side of
// the coarse quad, the steepest rises along each as candidates, a line most
// of them agree on, and the corners where the lines cross.
func (ws *Workspace) refine(r *raster.Raster, s picture, v verdict) (q Quad, support [4]float64, byPaint, ok bool) {
	m, ok := mixFor(r, s, v)
	if !ok {
		return q, support, false, false
	}
	perPx := (s.perPx[0] + s.perPx[1]) / 2
	q = s.toLuma(v.quad)
	width := v.widthPx * perPx
	type pass struct {
		mix   mix
		reach float64
	}
	passes := [2]pass{{m, 2.5 * perPx}, {m, 1.2 * perPx}}
	var paint mix
	if paint, byPaint = m.byPaint(); byPaint {
		passes = [2]pass{{paint, max(2.5*perPx, .8*width)}, {m, min(1.2*perPx, max(2, width/4))}}
	}
	for k, p := range passes {
		l := laying{coarseProbes, p.reach, min(width/2, perPx), coarseStep}
		if k > 0 {
			l.probes, l.step = refineProbes, refineStep
		}
		var ls [4]line
		for i := range 4 {
			points := sideEdges(&ws.probes, p.mix, q, i, l)
			l, sup, found := fitSide(points, l.probes, max(.8, .45*perPx), 400)
			if !found {
				return q, support, false, false
			}
			ls[i], support[i] = l, sup
		}
		if q, ok = crossing(ls); !ok {
			return q, support, false, false
		}
	}
	return q, support, byPaint, !m.onPipe(&ws.probes, q, width)
}

// laying says how probes are laid across a side: their number, how far they
// reach to either side, over how much the slope is smoothed, and the distance
// of samples, luma pixels.
type laying struct {
	probes            int
	reach, blur, step float64
}

// sideEdges gives up to two edge candidates for each probe across side i: the
// strongest maxima of the slope of m, smoothed over the blur, to a fraction of
// a step. The points hold until the next call.
func sideEdges(ws *probeScratch, m mix, q Quad, i int, lay laying) []edgePoint {
	half := int(math.Ceil(lay.reach / lay.step))
	lag := max(1, int(math.Round(lay.blur/lay.step)))
	n := 2*half + 1 + 2*lag
	sums, slope := sized(&ws.sums, n+1), sized(&ws.slope, 2*half+1)
	sums[0] = 0
	type candidate struct{ d, s float64 }
	var found [refineProbes][2]candidate
	var all [refineProbes]float64
	where := func(k int) (at, out raster.Point) {
		return q.probe(i, .03+.94*(float64(k)+.5)/float64(lay.probes))
	}
	for k := range lay.probes {
		at, out := where(k)
		values := m.along(ws, beyond(at, out, -float64(half+lag)*lay.step), raster.Point{X: out.X * lay.step, Y: out.Y * lay.step}, lay.step, n)
		for j, v := range values {
			sums[j+1] = sums[j] + v
		}
		for j := range slope { // mean of lag samples beyond, less mean of lag before
			c := j + lag
			slope[j] = (sums[c+lag+1] - sums[c+1] - sums[c] + sums[c-lag]) / float64(lag)
		}
		f := &found[k]
		for j := 1; j+1 < len(slope); j++ {
			if s := slope[j]; s > slope[j-1] && s >= slope[j+1] && s > f[1].s {
				frac := .5 * (slope[j-1] - slope[j+1]) / (slope[j-1] - 2*s + slope[j+1])
				c := candidate{(float64(j-half) + frac) * lay.step, s}
				if s > f[0].s {
					f[0], f[1] = c, f[0]
				} else {
					f[1] = c
				}
			}
		}
		all[k] = f[0].s
	}
	slices.Sort(all[:lay.probes])
	least := .3 * all[lay.probes*3/4]
	points := ws.points[:0]
	for k := range lay.probes {
		at, out := where(k)
		for _, c := range found[k] {
			if c.s > least && c.s > 0 {
				points = append(points, edgePoint{k, beyond(at, out, c.d)})
			}
		}
	}
	ws.points = points
	return points
}
