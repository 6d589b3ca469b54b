package frame

import (
	"math"
	"slices"

	"quadtally/vision/raster"
)

const (
	refineProbes = 128
	refineStep   = .5 // luma pixels between samples along a probe
)

// mix is the one number per pixel in which the frame stands out most from the
// ground beside it: a weighted sum of the channels.
type mix struct {
	planes [3]plane
	sx, sy [3]float64 // luma position to plane position
	weight [3]float64
	// contrast is the step from ground to pipe over the ground's clutter.
	contrast [3]float64
}

func (m mix) at(p raster.Point) float64 {
	var v float64
	for c, w := range m.weight {
		if w != 0 {
			v += w * m.planes[c].sample(p.X*m.sx[c], p.Y*m.sy[c])
		}
	}
	return v
}

// mixFor weighs each channel by the step from ground to pipe over the square
// of the ground's clutter (Fisher's discriminant, channels taken as
// independent), signed so that the pipe is the higher side.
func mixFor(fine [3]plane, s picture, v verdict) (m mix, ok bool) {
	m.planes = fine
	var best float64
	for c := range 3 {
		m.sx[c] = float64(fine[c].w) / float64(fine[0].w)
		m.sy[c] = float64(fine[c].h) / float64(fine[0].h)
		var steps, ground []float64
		for i := range 4 {
			for k := range searchProbes {
				at, n := v.quad.probe(i, .04+.92*(float64(k)+.5)/searchProbes)
				on, off := v.widthPx/2, -2.5-v.widthPx/2
				g := s.planes[c].sample(at.X+n.X*off, at.Y+n.Y*off)
				steps = append(steps, s.planes[c].sample(at.X+n.X*on, at.Y+n.Y*on)-g)
				ground = append(ground, g)
			}
		}
		slices.Sort(steps)
		step := steps[len(steps)/2]
		slices.Sort(ground)
		clutter := (ground[len(ground)*3/4]-ground[len(ground)/4])/1.349 + 2
		m.weight[c] = step / (clutter * clutter)
		m.contrast[c] = math.Abs(step) / clutter
		best = max(best, m.contrast[c])
	}
	if !(best > .3) {
		return m, false
	}
	return m, true
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
func (m mix) onPipe(q Quad, width float64) bool {
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
			var vs []float64
			for k := range searchProbes {
				at, n := q.probe(i, .04+.92*(float64(k)+.5)/searchProbes)
				vs = append(vs, paint.at(raster.Point{X: at.X + d*n.X, Y: at.Y + d*n.Y}))
			}
			return median(vs)
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
func refine(fine [3]plane, s picture, v verdict) (q Quad, support [4]float64, byPaint, ok bool) {
	m, ok := mixFor(fine, s, v)
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
	passes := []pass{{m, 2.5 * perPx}, {m, 1.2 * perPx}}
	var paint mix
	if paint, byPaint = m.byPaint(); byPaint {
		passes = []pass{{paint, max(2.5*perPx, .8*width)}, {m, min(1.2*perPx, max(2, width/4))}}
	}
	for _, p := range passes {
		var ls [4]line
		for i := range 4 {
			points := sideEdges(p.mix, q, i, refineProbes, p.reach, min(width/2, perPx))
			l, sup, found := fitSide(points, refineProbes, max(.8, .45*perPx))
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

// sideEdges gives up to two edge candidates for each probe across side i: the
// strongest maxima of the slope of m, smoothed over blur pixels, to a
// fraction of a step.
func sideEdges(m mix, q Quad, i, probes int, reach, blur float64) []edgePoint {
	half := int(math.Ceil(reach / refineStep))
	lag := max(1, int(math.Round(blur/refineStep)))
	n := 2*half + 1 + 2*lag
	values, sums, slope := make([]float64, n), make([]float64, n+1), make([]float64, 2*half+1)
	type candidate struct{ d, s float64 }
	found := make([][2]candidate, probes)
	var all []float64
	for k := range probes {
		at, out := q.probe(i, .03+.94*(float64(k)+.5)/float64(probes))
		for j := range values {
			d := float64(j-half-lag) * refineStep
			values[j] = m.at(raster.Point{X: at.X + out.X*d, Y: at.Y + out.Y*d})
			sums[j+1] = sums[j] + values[j]
		}
		for j := range slope { // mean of lag samples beyond, less mean of lag before
			c := j + lag
			slope[j] = (sums[c+lag+1] - sums[c+1] - sums[c] + sums[c-lag]) / float64(lag)
		}
		for j := 1; j+1 < len(slope); j++ {
			if s := slope[j]; s > slope[j-1] && s >= slope[j+1] && s > found[k][1].s {
				frac := .5 * (slope[j-1] - slope[j+1]) / (slope[j-1] - 2*s + slope[j+1])
				c := candidate{(float64(j-half) + frac) * refineStep, s}
				if s > found[k][0].s {
					found[k][0], found[k][1] = c, found[k][0]
				} else {
					found[k][1] = c
				}
			}
		}
		all = append(all, found[k][0].s)
	}
	slices.Sort(all)
	least := .3 * all[len(all)*3/4]
	var points []edgePoint
	for k, cs := range found {
		at, out := q.probe(i, .03+.94*(float64(k)+.5)/float64(probes))
		for _, c := range cs {
			if c.s > least && c.s > 0 {
				points = append(points, edgePoint{k, raster.Point{X: at.X + out.X*c.d, Y: at.Y + out.Y*c.d}})
			}
		}
	}
	return points
}
