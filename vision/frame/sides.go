package frame

import (
	"math"
	"slices"

	"quadtally/vision/raster"
)

// edgePoint is one place where an edge crosses a probe laid across a side.
type edgePoint struct {
	probe int // which probe along the side
	at    raster.Point
}

// fitSide finds the line most probes agree on, within tol pixels (RANSAC,
// Fischler & Bolles 1981, CACM 24(6) 381-395, over a fixed fan of about tries
// pairs so that the same photo always gives the same answer), then refines it
// by least squares on the points it agrees with, softly weighted. support is
// the share of all probes that agree.
func fitSide(points []edgePoint, probes int, tol float64, tries int) (best line, support float64, ok bool) {
	if len(points) < 4 {
		return best, 0, false
	}
	apart := max(2, probes/4)
	stride := 1 + len(points)*len(points)/tries
	most, tried := 0, 0
fan:
	for i, a := range points {
		for _, b := range points[i+1:] {
			if b.probe-a.probe < apart {
				continue
			}
			if tried++; tried%stride != 0 {
				continue
			}
			l := lineThrough(a.at, b.at)
			if n := agreeing(points, l, tol, most); n > most {
				if most, best = n, l; most*8 >= probes*7 {
					break fan // no other line can be meant
				}
			}
		}
	}
	if most < 4 {
		return best, 0, false
	}
	for range 4 {
		best = weightedLine(points, best, tol)
	}
	return best, float64(agreeing(points, best, tol, 0)) / float64(probes), true
}

// agreeing counts probes, not points: two points of one probe count once. It
// gives up, with 0, once it cannot beat most any more.
func agreeing(points []edgePoint, l line, tol float64, most int) int {
	n, last := 0, -1
	for i, p := range points {
		if n+len(points)-i <= most {
			return 0
		}
		if d := l.nx*p.at.X + l.ny*p.at.Y - l.rho; p.probe != last && d <= tol && d >= -tol {
			n, last = n+1, p.probe
		}
	}
	return n
}

// weightedLine is the orthogonal least-squares line of the points near l,
// with Tukey's biweight on their distance.
func weightedLine(points []edgePoint, l line, tol float64) line {
	reach := 1.5 * tol
	var sw, sx, sy float64
	weight := func(p raster.Point) float64 {
		u := l.at(p) / reach
		if u < -1 || u > 1 {
			return 0
		}
		return (1 - u*u) * (1 - u*u)
	}
	for _, p := range points {
		w := weight(p.at)
		sw, sx, sy = sw+w, sx+w*p.at.X, sy+w*p.at.Y
	}
	if !(sw > 0) {
		return l
	}
	mx, my := sx/sw, sy/sw
	var xx, xy, yy float64
	for _, p := range points {
		w := weight(p.at)
		dx, dy := p.at.X-mx, p.at.Y-my
		xx, xy, yy = xx+w*dx*dx, xy+w*dx*dy, yy+w*dy*dy
	}
	along := .5 * math.Atan2(2*xy, xx-yy)
	nx, ny := -math.Sin(along), math.Cos(along)
	if nx*l.nx+ny*l.ny < 0 {
		nx, ny = -nx, -ny
	}
	return line{nx, ny, nx*mx + ny*my}
}

// probe walks across side i of q at share s of its length: centre of the
// probe and the outward unit normal.
func (q Quad) probe(i int, s float64) (at, out raster.Point) {
	a, b := q[i], q[(i+1)%4]
	d := sub(b, a)
	l := math.Hypot(d.X, d.Y)
	return raster.Point{X: a.X + s*d.X, Y: a.Y + s*d.Y}, raster.Point{X: d.Y / l, Y: -d.X / l}
}

// verdict is a guess held against the picture.
type verdict struct {
	guess
	support [4]float64 // share of each side where the inner edge is seen
	outer   [4]float64 // strength of the opposite edge beyond each side, clutter units
	widthPx float64    // from inner to outer edge, search pixels
	uneven  [4]float64 // how far the strip's two halves differ in colour, shares of its step from the ground
	outside bool       // the quad is the frame's outline
	score   float64
}

const (
	searchProbes = 48
	searchReach  = 4  // search pixels to either side of the guessed edge
	widestPipe   = 34 // search pixels
	edgeSlope    = 1.5 * clutterUnit
)

// along gives the slope of the gradient along d at start and in steps of d from
// there, in tenths of clutter; 0 outside the picture.
func (g gradients) along(start, d raster.Point, out []int16) {
	x, y, dx, dy := fixed(start.X), fixed(start.Y), fixed(d.X), fixed(d.Y)
	nx, ny := int(math.Round(256*d.X)), int(math.Round(256*d.Y))
	for i := range out {
		px, py := int(x>>16), int(y>>16)
		out[i] = 0
		if uint(px) < uint(g.w) && uint(py) < uint(g.h) {
			at := g.g[2*(py*g.w+px):]
			_ = at[1]
			out[i] = int16((int(at[0])*nx + int(at[1])*ny) >> 8)
		}
		x += dx
		y += dy
	}
}

// share is where along a side probe k of n lies, away from the corners.
func share(k, n int) float64 { return .04 + .92*(float64(k)+.5)/float64(n) }

// seen is a quick look at how much of a guess's four sides is there: the mean
// over probes of the strongest slope near the side, cut off above.
func (g gradients) seen(q Quad, outward bool) int {
	const probes, most = 16, 4 * clutterUnit
	var near [2*searchReach + 1]int16
	sum, weakest := 0, math.MaxInt
	for i := range 4 {
		side := 0
		for k := range probes {
			at, n := q.probe(i, share(k, probes))
			g.along(beyond(at, n, -searchReach), n, near[:])
			best := int16(0)
			for _, s := range near {
				if !outward {
					s = -s
				}
				best = max(best, s)
			}
			side += int(min(best, most))
		}
		sum += side
		weakest = min(weakest, side)
	}
	return sum + 2*weakest
}

// beyond is the point d pixels from p along n.
func beyond(p, n raster.Point, d float64) raster.Point {
	return raster.Point{X: p.X + d*n.X, Y: p.Y + d*n.Y}
}

// profiles are the slopes across each side of a quad, probe by probe, from
// widestPipe pixels inside it to as many outside, positive for the quad's own
// edge.
type profiles [4][searchProbes][2*widestPipe + 1]int16

// judge refines a guess on the search picture's own gradients and measures
// how much of each side is there and whether a second edge, of opposite sign,
// runs along beyond it: a frame is a strip, while a furrow, a shadow's rim or
// a row of leaves is not.
func (ws *Workspace) judge(g guess, s picture, gr gradients) (v verdict, ok bool) {
	v.guess = g
	var near [2*searchReach + 1]int16
	points := ws.probes.points[:0]
	defer func() { ws.probes.points = points }()
	for range 2 {
		var ls [4]line
		for i := range 4 {
			points = points[:0]
			for k := range searchProbes {
				at, n := v.quad.probe(i, share(k, searchProbes))
				gr.along(beyond(at, n, -searchReach), n, near[:])
				best, where := int16(edgeSlope), math.NaN()
				for j, next := range near {
					if !g.outward {
						next = -next
					}
					if next > best {
						best, where = next, float64(j-searchReach)
					}
				}
				if !math.IsNaN(where) {
					points = append(points, edgePoint{k, beyond(at, n, where)})
				}
			}
			l, s, found := fitSide(points, searchProbes, 1.2, 300)
			if !found || s < .2 {
				return v, false
			}
			ls[i], v.support[i] = l, s
		}
		q, good := crossing(ls)
		if !good {
			return v, false
		}
		v.quad = q
	}

	pr := &ws.probes.profiles
	for i := range 4 {
		for k := range searchProbes {
			at, n := v.quad.probe(i, share(k, searchProbes))
			p := pr[i][k][:]
			gr.along(beyond(at, n, -widestPipe), n, p)
			if !g.outward {
				for j := range p {
					p[j] = -p[j]
				}
			}
		}
	}
	outward := pr.beside(1)
	v.widthPx = outward.width
	for i := range 4 {
		if v.widthPx > 0 {
			v.outer[i] = outward.strength[i]
			v.uneven[i] = ws.uneven(s, v.quad, i, outward.widths[i])
		}
		v.score += v.support[i]*(.5+min(1, max(0, v.outer[i]))) - min(1, v.uneven[i])
	}
	v.score += slices.Min(v.support[:])
	v.outside = pr.beside(-1).beats(outward)
	if !v.strip() || v.outside {
		v.score -= 2
	}
	return v, true
}

// edges is what runs along beside the four sides of a quad: the edges of
// opposite sign at the distance that suits all sides best.
type edges struct {
	width    float64
	widths   [4]float64 // per side, search pixels
	strength [4]float64 // mean slope, clutter units
}

// beside looks outward (direction 1) or inward (-1) from the sides.
func (pr *profiles) beside(direction int) (e edges) {
	var profile [4][widestPipe + 1]float64
	for i := range 4 {
		var sums [widestPipe + 1]int
		for k := range searchProbes {
			p := &pr[i][k]
			for d := 1; d <= widestPipe; d++ {
				sums[d] += int(max(-4*clutterUnit, min(4*clutterUnit, -p[widestPipe+direction*d])))
			}
		}
		for d, s := range sums {
			profile[i][d] = float64(s) / (searchProbes * clutterUnit)
		}
	}
	best := 0.0
	for d := 2; d < widestPipe; d++ {
		var sum float64
		for i := range 4 {
			sum += min(2, profile[i][peakNear(profile[i][:], d)])
		}
		if sum > best {
			best, e.width = sum, float64(d)
		}
	}
	for i := range 4 {
		at := peakNear(profile[i][:], int(e.width))
		e.widths[i], e.strength[i] = float64(at), profile[i][at]
	}
	return e
}

// beats reports whether e, found inward, is more of a pipe's second edge than
// what was found outward: then the quad is the outline of the frame, not its
// inner edge. A shadow thrown into the quadrat shows on two sides only.
func (e edges) beats(outward edges) bool {
	sides, sum, other := 0, 0.0, 0.0
	for i := range 4 {
		if e.strength[i] >= leastOuter {
			sides++
		}
		sum += min(2, e.strength[i])
		other += min(2, outward.strength[i])
	}
	return sides >= 3 && sum > other
}

// leastOuter is the least mean strength, in clutter units, of the pipe's
// second edge on a side whose inner edge is in view.
const leastOuter = .35

// strongOuter is a strength that the ground's own clutter hardly reaches along a
// whole side.
const strongOuter = 1.1

// strip reports whether the second edge runs all the way round, strongly on
// three sides. A leaf may hide both edges of one side, but where the inner
// edge is clearly seen the outer one must be too.
func (v verdict) strip() bool {
	hidden, visible := 0, 0
	for i, o := range v.outer {
		switch {
		case o >= strongOuter:
			visible++
		case o >= leastOuter:
		case v.support[i] >= .5:
			return false
		default:
			hidden++
		}
	}
	return hidden <= 1 && visible >= 3
}

// uneven compares the colour of the strip beyond side i at a quarter and at
// three quarters of its width. Both are pipe if the edge is the pipe's; if it
// is the rim of the shadow the pipe throws into the quadrat, one is ground.
// Only places where the edge itself is seen are sampled, for elsewhere a leaf
// lies over the pipe.
func (ws *Workspace) uneven(s picture, q Quad, i int, width float64) float64 {
	var inner, middle, outer, ground [3][]float64
	for c := range 3 {
		v := ws.probes.strips[4*c : 4*c+4]
		inner[c], middle[c], outer[c], ground[c] = v[0][:0], v[1][:0], v[2][:0], v[3][:0]
	}
	for k := range searchProbes {
		p := &ws.probes.profiles[i][k]
		if max(p[widestPipe-1], p[widestPipe], p[widestPipe+1]) < edgeSlope {
			continue
		}
		at, n := q.probe(i, share(k, searchProbes))
		for c, p := range s.planes[:3] {
			value := func(d float64) float64 { return p.sample(at.X+d*n.X, at.Y+d*n.Y) }
			inner[c] = append(inner[c], value(max(1, .25*width)))
			middle[c] = append(middle[c], value(.5*width))
			outer[c] = append(outer[c], value(min(width-1, .75*width)))
			ground[c] = append(ground[c], value(-2.5))
		}
	}
	if len(ground[0]) < 5 {
		return 0
	}
	// Where chroma separates pipe from ground, luma is left out: in the sun one
	// half of a pipe is lit and the other is not.
	const leastContrast = 16 // grey levels
	differ, step := 0., 6.   // grey levels; a few are noise
	for _, c := range [3]int{1, 2, 0} {
		if c == 0 && step >= 6+leastContrast {
			break
		}
		differ += math.Abs(median(inner[c]) - median(outer[c]))
		step += math.Abs(median(middle[c]) - median(ground[c]))
	}
	return differ / step
}

// median puts xs in order.
func median(xs []float64) float64 {
	slices.Sort(xs)
	return xs[len(xs)/2]
}

// peakNear is where a profile is largest near offset d: perspective makes the
// far side's pipe look thinner than the near side's.
func peakNear(profile []float64, d int) int {
	from, to := max(1, int(.75*float64(d))), min(len(profile)-1, int(math.Ceil(1.3*float64(d))))
	best := from
	for j := from; j <= to; j++ {
		if profile[j] > profile[best] {
			best = j
		}
	}
	return best
}

// probeScratch is what the probes of one quad are written on.
type probeScratch struct {
	points   []edgePoint
	profiles profiles
	strips   [12][searchProbes]float64

	values, light, other []float64 // samples along one probe
	sums, slope          []float64
}

// bandsOf are the medians of luma and both ratios in bands along a side: deep
// inside, just inside, on the strip, just beyond it and far beyond.
func (ws *Workspace) bandsOf(s picture, v verdict, i int) (bands [5][3]float64) {
	w := v.widthPx
	next := max(1.5, .5*w)
	for b, d := range [5]float64{-2*w - 3, -next, .5 * w, w + next, 3*w + 3} {
		for c, p := range s.planes[:3] {
			values := ws.probes.strips[0][:]
			for k := range searchProbes {
				at, n := v.quad.probe(i, share(k, searchProbes))
				values[k] = p.sample(at.X+d*n.X, at.Y+d*n.Y)
			}
			bands[b][c] = median(values)
		}
	}
	return bands
}

// shadow tells whether a strip is the shadow that a frame throws in the sun,
// which has the frame's own shape and size and lies beside it: darker than the
// ground, of the ground's colour, and next to something brighter or of another
// colour, which is the frame.
func (ws *Workspace) shadow(s picture, v verdict) bool {
	const (
		darker   = .75 // of the ground's luma, at most
		brighter = 1.2
		hue      = 10 // grey levels of a ratio
	)
	dark, beside, other := 0, 0, 0
	for i := range 4 {
		b := ws.bandsOf(s, v, i)
		differs := func(a, g [3]float64) bool {
			return a[0] > brighter*g[0] || apartInHue(a, g) > hue
		}
		switch {
		case b[2][0] < darker*min(b[0][0], b[4][0]) && apartInHue(b[2], b[0]) < hue:
			dark++
			if differs(b[1], b[0]) || differs(b[3], b[4]) {
				beside++
			}
		case apartInHue(b[2], b[0]) > 2*hue && apartInHue(b[2], b[4]) > 2*hue:
			other++ // along this side the edge is the frame's own
		}
	}
	return dark >= 3 && beside >= 1 || dark == 2 && beside >= 1 && other == 2
}

// apartInHue is how far a band's ratios lie from those of the ground beside it,
// grey levels, with the part that ratioFloor takes from the darker of the two
// put back.
func apartInHue(band, ground [3]float64) float64 {
	full := func(b [3]float64) float64 { return b[0] / (b[0] + ratioFloor) }
	dim := full(band) / max(full(ground), .1)
	return max(math.Abs(band[1]-128-(ground[1]-128)*dim), math.Abs(band[2]-128-(ground[2]-128)*dim))
}
