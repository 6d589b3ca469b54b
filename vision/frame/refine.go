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
// ground beside it: a weighted sum of luma and two colour values. A colour value
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
	luma     plane
	atChroma [3]plane   // luma and chroma at the size of chroma
	sx, sy   float64    // luma position to chroma position
	hue      [3]float64 // the ground's chroma over luma; of luma 0
	weight   [3]float64 // of luma and both colour values
	// contrast is the step from ground to pipe over the ground's clutter.
	contrast [3]float64

	level [2][3]float64 // ratios of ground and pipe

	// ratios takes the ratio in place of the colour value, and no luma: then a
	// pipe's lit and shaded flank are one.
	ratios bool
}

// fineFloor is what ratioFloor is on the full raster, where many probes are
// averaged and the shaded flank of a pipe has to keep its colour.
const fineFloor = 2

// along samples the mix from start on, at n points in steps of d. The slice
// holds until the next call. Constant terms are left out.
func (m *mix) along(ws *probeScratch, start, d raster.Point, n int) []float64 {
	out := raster.Sized(&ws.values, n)
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
	other := raster.Sized(&ws.other, n)
	if m.ratios {
		light := raster.Sized(&ws.light, n)
		m.atChroma[0].walk(start, d, light)
		for i, v := range light {
			light[i] = ratioScale / (v + fineFloor)
		}
		for c := 1; c < 3; c++ {
			m.atChroma[c].walk(start, d, other)
			for i, v := range other {
				out[i] += m.weight[c] * min(127, max(-128, (v-128)*light[i]))
			}
		}
		return out
	}
	for c, w := range [3]float64{-m.weight[1]*m.hue[1] - m.weight[2]*m.hue[2], m.weight[1], m.weight[2]} {
		if w != 0 {
			m.atChroma[c].walk(start, d, other)
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
	return 128 + ratioScale*(m.atChroma[c].sample(x, y)-128)/(m.atChroma[0].sample(x, y)+fineFloor)
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
			for k := range 2 {
				for i := range 4 {
					for j := range searchProbes {
						at, n := v.quad.probe(i, share(j, searchProbes))
						on := beyond(at, n, v.widthPx/2)
						if k == 0 {
							on = beyond(at, n, -2.5-v.widthPx/2)
						}
						sorted[i*searchProbes+j] = m.ratio(c, raster.Point{X: on.X * s.perPx[0], Y: on.Y * s.perPx[1]})
					}
				}
				m.level[k][c] = median(sorted[:])
			}
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
		// The step that all sides but one have: the edge must show all round,
		// and a crop row along one side must not decide how the two are separated.
		var sides [4]float64
		for i := range sides {
			of := [searchProbes]float64(steps[i*searchProbes:])
			sides[i] = median(of[:])
		}
		slices.Sort(sides[:])
		step := 0.0
		if sides[1] > 0 {
			step = sides[1]
		} else if sides[2] < 0 {
			step = sides[2]
		}
		slices.Sort(beside[:])
		clutter := (beside[len(beside)*3/4]-beside[len(beside)/4])/1.349 + 2
		m.weight[c] = step / (clutter * clutter)
		m.contrast[c] = math.Abs(step) / clutter
		best = max(best, m.contrast[c])
	}
	return m, best > .3
}

// byColour is the mix without luma, where chroma alone separates pipe from ground:
// the edge it sees is the pipe's own, while in luma a pipe in the sun has a
// second one along its back, between its lit and its shaded flank.
func (m mix) byColour() (mix, bool) {
	const leastContrast = 1.5 // steps of the ground's own clutter
	m.weight[0], m.ratios = 0, true
	return m, math.Hypot(m.contrast[1], m.contrast[2]) >= leastContrast
}

// onPipe reports whether just inside some side of q the colour is still the
// pipe's: then that side lies along the pipe's back and is not its edge.
func (m *mix) onPipe(q Quad, width float64) bool {
	c := 1
	if m.contrast[2] > m.contrast[1] {
		c = 2
	}
	if m.contrast[c] < 1 {
		return false // colour alone does not tell
	}
	levels := func(i int, depth float64) []float64 {
		vs := make([]float64, searchProbes)
		for k := range vs {
			at, n := q.probe(i, share(k, searchProbes))
			vs[k] = m.ratio(c, beyond(at, n, depth))
		}
		return vs
	}
	var beside []float64 // ground all round
	var ground [4]float64
	for i := range 4 {
		of := slices.Concat(levels(i, -1.2*width), levels(i, -2*width), levels(i, -3*width))
		beside = append(beside, of...)
		ground[i] = median(of)
	}
	for i, ground := range ground {
		pipe, here := median(levels(i, width/2)), median(levels(i, -max(2.5, width/4)))
		step := pipe - ground
		if math.Abs(step) < 8 || (here-ground)/step <= .5 { // 8 grey levels
			continue
		}
		// Ground that has the pipe's colour in many places, as earth between
		// green rows may have that of wood, may have it here too.
		alike := 0
		for _, v := range beside {
			if (v-ground)/step > .5 {
				alike++
			}
		}
		if 5*alike < len(beside) {
			return true
		}
	}
	return false
}

// strip is where the pipe lies beside one side of a quad, in pixels outward
// from that side.
type strip struct {
	from, to float64
	measured bool // both ends were seen
}

// strips measures by colour where the pipe begins and ends across each side of
// q, as far as reach pixels to either side. m goes by ratios.
func (m *mix) strips(ws *probeScratch, q Quad, reach float64) (out [4]strip) {
	const (
		probes = 32
		least  = .35 // share of probes that must be on the pipe somewhere
	)
	ground, step := 0.0, 0.0
	for c := 1; c < 3; c++ {
		ground += m.weight[c] * (m.level[0][c] - 128)
		step += m.weight[c] * (m.level[1][c] - m.level[0][c])
	}
	if !(step > 0) {
		return out
	}
	half := int(math.Ceil(reach))
	for i := range out {
		// The share of probes on the pipe, by the distance from the side.
		onPipeShare := raster.Sized(&ws.sums, 2*half+1)
		clear(onPipeShare)
		for k := range probes {
			at, n := q.probe(i, share(k, probes))
			for j, v := range m.along(ws, beyond(at, n, -float64(half)), n, len(onPipeShare)) {
				onPipeShare[j] += min(1, max(0, (v-ground)/step)) / probes
			}
		}
		top := half
		for j := half; j < len(onPipeShare); j++ {
			if onPipeShare[j] > onPipeShare[top] {
				top = j
			}
		}
		limit := onPipeShare[top] / 2
		a, b := top, top
		for a > 0 && onPipeShare[a-1] > limit {
			a--
		}
		for b+1 < len(onPipeShare) && onPipeShare[b+1] > limit {
			b++
		}
		if a == 0 || b+1 == len(onPipeShare) || onPipeShare[top] < least {
			continue
		}
		out[i] = strip{
			from:     float64(a-half) - (onPipeShare[a]-limit)/(onPipeShare[a]-onPipeShare[a-1]),
			to:       float64(b-half) + (onPipeShare[b]-limit)/(onPipeShare[b]-onPipeShare[b+1]),
			measured: true,
		}
	}
	return out
}

// pipeOf is the width all four sides agree on, pixels at the middle of the
// quad, perspective taken out, and which sides have it. False where fewer than
// three do.
func pipeOf(q Quad, ss [4]strip) (width float64, has [4]bool, ok bool) {
	g, err := QuadToQuad(rect(1, 1), q)
	if err != nil {
		return 0, has, false
	}
	centre := g.scaleAt(raster.Point{X: .5, Y: .5})
	var widths [4]float64
	var all []float64
	for i, at := range [4]raster.Point{{X: .5, Y: 0}, {X: 1, Y: .5}, {X: .5, Y: 1}, {X: 0, Y: .5}} {
		if ss[i].measured {
			widths[i] = (ss[i].to - ss[i].from) * centre / g.scaleAt(at)
			all = append(all, widths[i])
		}
	}
	if len(all) < 3 {
		return 0, has, false
	}
	slices.Sort(all)
	width = (all[(len(all)-1)/2] + all[len(all)/2]) / 2
	agree := 0
	for i, w := range widths {
		if has[i] = ss[i].measured && math.Abs(w-width) <= max(.2*width, 2.5); has[i] {
			agree++
		}
	}
	return width, has, agree >= 3
}

// offPipe is how far a side may lie from where its strip of colour begins:
// colour is blurred, and is half-way a pixel or two inside the edge.
func offPipe(width float64) float64 { return max(3.5, .15*width) }

// clearSupport is the support from which a side counts as clearly seen.
const clearSupport = .6

// clearOuter is the mean strength, in clutter units, of a second edge that is
// clearly seen.
const clearOuter = 1.5

// moved shifts the sides that do not lie where their strip begins.
func moved(q Quad, ss [4]strip, has [4]bool, tol float64) (Quad, bool) {
	var ls [4]line
	for i := range ls {
		ls[i] = lineThrough(q[i], q[(i+1)%4])
		if has[i] && math.Abs(ss[i].from) > tol {
			_, out := q.probe(i, .5)
			ls[i].rho += (ss[i].from + 1) * (out.X*ls[i].nx + out.Y*ls[i].ny)
		}
	}
	return crossing(ls)
}

// refined is a verdict brought to the full raster.
type refined struct {
	quad     Quad
	support  [4]float64
	byColour bool
	// doubtful: one side is half hidden and its colour does not tell.
	doubtful bool
	contrast float64 // of the mix, over all channels
	pipePx   float64 // width of the pipe by its colour, 0 where that does not tell
}

// refine finds the inner edge on the full raster: probes across each side of
// the coarse quad, the steepest rises along each as candidates, a line most
// of them agree on, and the corners where the lines cross. Where the pipe is
// separated by its colour the sides must lie where the colour begins; one that lies
// along the pipe's back, or along a shadow, is brought there. expect is the
// pipe's width if it is known, luma pixels.
//
// Where that fails with a quad whose four sides the search saw clearly in one
// channel, the mix has been misled, by ground that has the pipe's colour
// on one side and not on another, and that channel is used alone.
func (ws *Workspace) refine(s picture, v verdict, expect float64) (f refined, ok bool) {
	m, ok := mixFor(s, v)
	if ok {
		colour, strong := m.byColour()
		if f, ok = ws.refineBy(s, v, expect, m, colour, strong); ok && slices.Min(f.support[:]) >= clearSides {
			return f, true
		}
	}
	if slices.Min(v.support[:]) < clearSides {
		return f, ok
	}
	if g, fine := ws.refineBy(s, v, expect, m.alone(v.channel, v.outward), mix{}, false); fine {
		return g, true
	}
	return f, ok
}

// clearSides is the support all four sides have where the search saw them
// clearly.
const clearSides = .5

// alone is the mix of one channel of the search picture.
func (m mix) alone(channel int, outward bool) mix {
	m.weight = [channels][3]float64{inLuma: {1, 0, 0}, inBlue: {0, 1, 0}, inRed: {0, 0, 1}, inWarmth: {0, 1, -1}}[channel]
	if !outward {
		for c := range m.weight {
			m.weight[c] = -m.weight[c]
		}
	}
	return m
}

// refineBy is refine by one mix, and by colour where that is strong.
func (ws *Workspace) refineBy(s picture, v verdict, expect float64, m, colour mix, strong bool) (f refined, ok bool) {
	perPx := (s.perPx[0] + s.perPx[1]) / 2
	q, width := s.toLuma(v.quad), v.widthPx*perPx
	unit := max(1, 1/m.sx) // a pixel of chroma
	type pass struct {
		mix   mix
		reach float64
	}
	passes := [2]pass{{m, 2.5 * perPx}, {m, 1.2 * perPx}}
	if f.byColour = strong; strong {
		passes = [2]pass{{colour, max(2.5*perPx, .8*width)}, {m, min(1.2*perPx, max(3*unit, width/4))}}
	}
	reach := min(90, max(12, 2*width, 1.6*expect))
	var located [4]bool // sides that colour has brought to where the strip begins
	for k, p := range passes {
		l := laying{coarseProbes, p.reach, min(width/2, perPx), coarseStep}
		if k > 0 {
			l.probes, l.step = refineProbes, refineStep
		}
		var ls [4]line
		for i := range 4 {
			tol := max(.8, .45*perPx)
			lay := l
			if located[i] {
				// A rod's back, where its lit flank ends, is a stronger edge than
				// its own in the shade, and only a few pixels away.
				lay.reach = min(l.reach, max(2.5*unit, f.pipePx/12+1))
				tol = min(tol, max(.8, lay.reach/2))
			}
			line, sup, found := fitSide(sideEdges(&ws.probes, &p.mix, q, i, lay), l.probes, tol, 400)
			// Chroma coarser than luma is less exact than a weak line.
			if located[i] && unit == 1 && (!found || sup < clearSupport) {
				if c, s, ok := fitSide(sideEdges(&ws.probes, &colour, q, i, lay), l.probes, tol, 400); ok && (!found || s > sup+.1) {
					line, sup, found = c, s, true
				}
			}
			if !found {
				return f, false
			}
			ls[i], f.support[i] = line, sup
		}
		if q, ok = crossing(ls); !ok {
			return f, false
		}
		if !f.byColour {
			continue
		}
		ss := colour.strips(&ws.probes, q, reach)
		w, has, agreed := pipeOf(q, ss)
		if f.pipePx = w; !agreed {
			f.pipePx = 0
			continue
		}
		if k == 0 {
			located = has
			if q, ok = moved(q, ss, has, 1.5*unit); !ok {
				return f, false
			}
			continue
		}
		// A side clearly seen is accepted unless it lies along the pipe's back;
		// one half hidden must show the pipe where the others have it. Of one
		// side an even strip with a strong second edge may do instead.
		for i := range ss {
			visible := f.support[i] >= clearSupport
			off := math.Abs(ss[i].from)
			switch {
			case has[i]:
				if off > offPipe(w) && !(visible && off <= .3*w) {
					return f, false
				}
			case visible:
			case f.doubtful || v.outer[i] < clearOuter || v.uneven[i] > .5*mostUneven:
				return f, false
			default:
				f.doubtful = true
			}
		}
	}
	f.quad = q
	f.contrast = math.Hypot(m.contrast[0], math.Hypot(m.contrast[1], m.contrast[2]))
	return f, f.pipePx > 0 || !m.onPipe(q, width)
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
	sums, slope := raster.Sized(&ws.sums, n+1), raster.Sized(&ws.slope, 2*half+1)
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
