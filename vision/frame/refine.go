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
// ground beside it: a weighted sum of luma and two paint values. A paint value
// is how far chroma lies from what the ground's own colour has at this luma,
//
//	(chroma - 128) - hue * (luma + ratioFloor),
//
// so that it is nothing on ground, in the sun or in shadow. Unlike the ratio
// it is linear: where an edge is blurred it changes half-way between pipe and
// ground, while the ratio changes nearer to the darker of the two.
//
// The mix is worked out only where a probe asks for it.
type mix struct {
	luma   plane
	paint  [3]plane   // luma and chroma at the size of chroma
	sx, sy float64    // luma position to chroma position
	hue    [3]float64 // the ground's chroma over luma; of luma 0
	weight [3]float64 // of luma and both paint values
	// contrast is the step from ground to pipe over the ground's clutter.
	contrast [3]float64

	// ratios takes the ratio in place of the paint value, and no luma: then a
	// pipe's lit and shaded flank are one.
	ratios bool
}

// along samples the mix from start on, at n points in steps of d. The slice
// holds until the next call. Constant terms are left out.
func (m *mix) along(ws *probeScratch, start, d raster.Point, n int) []float64 {
	out := sized(&ws.values, n)
	if m.weight[0] == 0 {
		clear(out)
	} else {
		m.luma.walk(start, d, out)
		for i := range out {
			out[i] *= m.weight[0]
		}
	}
	if m.weight[1] == 0 && m.weight[2] == 0 {
		return out
	}
	start, d = raster.Point{X: start.X * m.sx, Y: start.Y * m.sy}, raster.Point{X: d.X * m.sx, Y: d.Y * m.sy}
	other := sized(&ws.other, n)
	if m.ratios {
		light := sized(&ws.light, n)
		m.paint[0].walk(start, d, light)
		for i, v := range light {
			light[i] = ratioScale / (v + ratioFloor)
		}
		for c := 1; c < 3; c++ {
			m.paint[c].walk(start, d, other)
			for i, v := range other {
				out[i] += m.weight[c] * min(127, max(-128, (v-128)*light[i]))
			}
		}
		return out
	}
	for c, w := range [3]float64{-m.weight[1]*m.hue[1] - m.weight[2]*m.hue[2], m.weight[1], m.weight[2]} {
		if w != 0 {
			m.paint[c].walk(start, d, other)
			for i, v := range other {
				out[i] += w * v
			}
		}
	}
	return out
}

// ratio is chroma c over luma at a position, as in the search picture.
func (m *mix) ratio(c int, p raster.Point) float64 {
	x, y := p.X*m.sx, p.Y*m.sy
	return 128 + ratioScale*(m.paint[c].sample(x, y)-128)/(m.paint[0].sample(x, y)+ratioFloor)
}

// mixFor weighs each channel by the step from ground to pipe over the square
// of the ground's clutter (Fisher's discriminant, channels taken as
// independent), signed so that the pipe is the higher side.
func mixFor(s picture, v verdict) (m mix, ok bool) {
	m = s.fine
	var best float64
	var pipe, ground [3][4 * searchProbes]float64
	for c := range 3 {
		for i := range 4 {
			for k := range searchProbes {
				at, n := v.quad.probe(i, share(k, searchProbes))
				on, off := beyond(at, n, v.widthPx/2), beyond(at, n, -2.5-v.widthPx/2)
				pipe[c][i*searchProbes+k] = s.planes[c].sample(on.X, on.Y)
				ground[c][i*searchProbes+k] = s.planes[c].sample(off.X, off.Y)
			}
		}
	}
	for c := range 3 {
		own := 0.0 // the ground's ratio
		if c > 0 {
			sorted := ground[c]
			own = median(sorted[:])
			m.hue[c] = (own - 128) / ratioScale
		}
		value := func(of *[3][4 * searchProbes]float64, i int) float64 {
			if c == 0 {
				return of[0][i]
			}
			return (of[c][i] - own) * (of[0][i] + ratioFloor) / ratioScale
		}
		var steps, beside [4 * searchProbes]float64
		for i := range steps {
			beside[i] = value(&ground, i)
			steps[i] = value(&pipe, i) - beside[i]
		}
		step := median(steps[:])
		slices.Sort(beside[:])
		clutter := (beside[len(beside)*3/4]-beside[len(beside)/4])/1.349 + 2
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
	m.weight[0], m.ratios = 0, true
	return m, math.Hypot(m.contrast[1], m.contrast[2]) >= plain
}

// onPipe reports whether just inside some side of q the paint is still the
// pipe's: then that side lies along the pipe's back and is not its edge.
func (m *mix) onPipe(q Quad, width float64) bool {
	c := 1
	if m.contrast[2] > m.contrast[1] {
		c = 2
	}
	if m.contrast[c] < 1 {
		return false // colour alone does not tell
	}
	for i := range 4 {
		level := func(d float64) float64 {
			var vs [searchProbes]float64
			for k := range vs {
				at, n := q.probe(i, share(k, searchProbes))
				vs[k] = m.ratio(c, beyond(at, n, d))
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
func (ws *Workspace) refine(s picture, v verdict) (q Quad, support [4]float64, byPaint, ok bool) {
	m, ok := mixFor(s, v)
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
			points := sideEdges(&ws.probes, &p.mix, q, i, l)
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
	return q, support, byPaint, !m.onPipe(q, width)
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
func sideEdges(ws *probeScratch, m *mix, q Quad, i int, lay laying) []edgePoint {
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
		values := m.along(ws, beyond(at, out, -float64(half+lag)*lay.step), raster.Point{X: out.X * lay.step, Y: out.Y * lay.step}, n)
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
