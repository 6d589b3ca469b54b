package frame

import (
	"math"
	"slices"

	"quadtally/vision/raster"
)

// Signed line evidence. A frame is brighter or darker, bluer or redder than
// the ground in at least one channel, and along its inner edge that channel's
// gradient always points outward, or always inward. So each channel votes by
// itself, and a direction and its opposite are different lines. (Signed form
// of the transform of Duda & Hart 1972, CACM 15(1) 11-15; votes confined to
// the gradient's own direction, O'Gorman & Clowes 1976, IEEE ToC 25(4).)

const (
	thetaBins   = 180 // over the full circle: 2 degrees
	thetaSpread = 3   // a vote spreads this many bins to either side
	thetaRad    = 2 * math.Pi / thetaBins
)

// gradients holds one channel's gradient, across and down by turns, in tenths
// of its own clutter.
type gradients struct {
	w, h int
	g    []int8
}

// clutterUnit is how many steps of a gradient make one unit of clutter.
const clutterUnit = 10

// gradientsOf is the smoothed central difference (Scharr weights 3, 10, 3),
// divided by its median magnitude over the picture: straw has much
// texture in luma and little in chroma, and each channel is scaled by its own. A
// gradient beyond the range of its type is shortened and keeps its direction.
func gradientsOf(p plane, buf *[]int8) gradients {
	g := gradients{p.w, p.h, raster.Sized(buf, 2*p.w*p.h)}
	clear(g.g[:2*p.w])
	clear(g.g[2*p.w*(p.h-1):])
	unit := clutter(p)
	mul := (clutterUnit<<16 + unit/2) / unit
	for y := 1; y < p.h-1; y++ {
		a, b, c := p.pix[(y-1)*p.w:][:p.w], p.pix[y*p.w:][:p.w], p.pix[(y+1)*p.w:][:p.w]
		out := g.g[2*y*p.w:][:2*p.w]
		out[0], out[1], out[2*p.w-2], out[2*p.w-1] = 0, 0, 0, 0
		// Per column the smoothed level and the difference.
		s0, d0 := 3*(int(a[0])+int(c[0]))+10*int(b[0]), int(c[0])-int(a[0])
		s1, d1 := 3*(int(a[1])+int(c[1]))+10*int(b[1]), int(c[1])-int(a[1])
		for x := 2; x < p.w; x++ {
			s2, d2 := 3*(int(a[x])+int(c[x]))+10*int(b[x]), int(c[x])-int(a[x])
			gx := ((s2-s0)*mul + 1<<15) >> 16
			gy := ((3*(d0+d2)+10*d1)*mul + 1<<15) >> 16
			for uint(gx+127) > 254 || uint(gy+127) > 254 {
				gx, gy = gx/2, gy/2
			}
			o := out[2*x-2 : 2*x : 2*x]
			o[0], o[1] = int8(gx), int8(gy)
			s0, s1, d0, d1 = s1, s2, d1, d2
		}
	}
	return g
}

// clutter is the median magnitude of the gradient, by rows here and there, and
// at least half a grey level, below which there is only rounding.
func clutter(p plane) int {
	const every = 12
	var hist [1024]int
	total := 0
	for y := 1; y < p.h-1; y += every {
		a, b, c := p.pix[(y-1)*p.w:][:p.w], p.pix[y*p.w:][:p.w], p.pix[(y+1)*p.w:][:p.w]
		for x := 2; x < p.w; x++ {
			nw, n, ne := int(a[x-2]), int(a[x-1]), int(a[x])
			wv, e := int(b[x-2]), int(b[x])
			sw, s, se := int(c[x-2]), int(c[x-1]), int(c[x])
			dx := 3*(ne-nw+se-sw) + 10*(e-wv)
			dy := 3*(sw-nw+se-ne) + 10*(s-n)
			hist[min(len(hist)-1, (max(dx, -dx)+max(dy, -dy))/8)]++
			total++
		}
	}
	seen := 0
	for i, n := range hist {
		if seen += n; 2*seen >= total {
			return max(8*i+4, 16)
		}
	}
	return 16
}

// weakestVote is the shortest gradient that votes, strongestVote the length
// at which a vote's weight stops growing.
const (
	weakestVote   = 16 * clutterUnit / 10
	strongestVote = 6 * clutterUnit
)

// directions tells a gradient's direction bin and how much its vote weighs.
// The index is made of both parts' bytes, the lower one across.
type directions struct {
	theta, weight [1 << 16]uint8
	rows          [thetaBins + 2*thetaSpread]struct{ cos, sin int32 }
}

func directionOf(gx, gy int8) int { return int(uint8(gy))<<8 | int(uint8(gx)) }

func newDirections() *directions {
	d := new(directions)
	for y := range 128 {
		for x := range 128 {
			theta := int(math.Round(math.Atan2(float64(y), float64(x)) / thetaRad))
			weight := uint8(min(math.Sqrt(float64(x*x+y*y)), strongestVote))
			for _, v := range [4]struct{ gx, gy, theta int }{
				{x, y, theta}, {-x, y, thetaBins/2 - theta}, {x, -y, thetaBins - theta}, {-x, -y, thetaBins/2 + theta},
			} {
				at := directionOf(int8(v.gx), int8(v.gy))
				d.theta[at], d.weight[at] = uint8(v.theta%thetaBins), weight
			}
		}
	}
	for i := range d.rows {
		s, c := math.Sincos(float64(i-thetaSpread) * thetaRad)
		d.rows[i].cos, d.rows[i].sin = int32(math.Round(c*32768)), int32(math.Round(s*32768))
	}
	return d
}

// peak is a line with the gradient along its normal, origin at the centre of
// the picture.
type peak struct {
	theta    int
	rho      float64
	strength float64
}

// votes gathers line evidence; rows are theta, columns rho.
type votes struct {
	half int      // rho runs from -half to half
	acc  []uint16 // a line as long as the picture with all votes at their most stays below 65536
}

// vote lets every so-many-th pixel of a channel vote for lines.
func (ws *Workspace) vote(g gradients, every int) votes {
	if ws.directions == nil {
		ws.directions = newDirections()
	}
	half := int(math.Ceil(math.Hypot(float64(g.w), float64(g.h))/2)) + 2
	cols := 2*half + 1
	acc := raster.Sized(&ws.acc, len(ws.directions.rows)*cols)
	clear(acc)
	// First which pixels vote, without a branch that is hard to predict, then
	// their votes. Every second pixel is the pattern of a chess
	// board.
	voters := raster.Sized(&ws.voters, g.w)
	for y := 1; y < g.h-1; y++ {
		row := g.g[2*y*g.w:][:2*g.w]
		n := 0
		for i := 2 * (y % every); i+1 < len(row) && n < len(voters); i += 2 * every {
			gx, gy := int(row[i]), int(row[i+1])
			voters[n] = int32(i)
			n += (weakestVote*weakestVote - 1 - gx*gx - gy*gy) >> 63 & 1
		}
		py := int32(2*y + 1 - g.h) // in half pixels
		for _, i := range voters[:n] {
			at := directionOf(row[i], row[i+1])
			theta, weight := int(ws.directions.theta[at]), uint16(ws.directions.weight[at])
			px := i + 1 - int32(g.w)
			base := theta*cols + half
			for _, t := range ws.directions.rows[theta : theta+2*thetaSpread+1] {
				acc[base+int((px*t.cos+py*t.sin+1<<15)>>16)] += weight
				base += cols
			}
		}
	}
	// The circle closes: the first and last rows belong to its other end.
	for r := range thetaSpread {
		for i := range cols {
			acc[(r+thetaBins)*cols+i] += acc[r*cols+i]
			acc[(r+thetaSpread)*cols+i] += acc[(r+thetaSpread+thetaBins)*cols+i]
		}
	}
	return votes{half, acc[thetaSpread*cols : (thetaSpread+thetaBins)*cols]}
}

// peaks gives the strongest lines, at most most of them, each at least a few
// bins from any stronger one; strength is measured above the line's
// surroundings, in clutter units, and is more than least.
func (v votes) peaks(most, least int) []peak {
	cols := 2*v.half + 1
	const around = 12
	least *= 4 * clutterUnit
	smooth := func(row []uint16, i int) int { return int(row[i-1]) + 2*int(row[i]) + int(row[i+1]) }
	var all []peak
	for t := range thetaBins {
		row := v.acc[t*cols:][:cols]
		prev, next := v.acc[(t+thetaBins-1)%thetaBins*cols:][:cols], v.acc[(t+1)%thetaBins*cols:][:cols]
		for i := 2; i+2 < len(row); i++ {
			if 4*int(row[i]) <= least { // lets most cells go by at once
				continue
			}
			s := smooth(row, i)
			if s <= least || s < smooth(row, i-1) || s <= smooth(row, i+1) || s < smooth(prev, i) || s <= smooth(next, i) {
				continue
			}
			sum := 0
			for _, n := range row[max(0, i-around):min(cols, i+around+1)] {
				sum += int(n)
			}
			if s -= 4 * sum / (2*around + 1); s > least {
				all = append(all, peak{t, float64(i - v.half), float64(s) / (4 * clutterUnit)})
			}
		}
	}
	slices.SortFunc(all, func(a, b peak) int { return cmpDesc(a.strength, b.strength) })
	var kept []peak
	for _, p := range all {
		if len(kept) == most {
			break
		}
		near := slices.ContainsFunc(kept, func(q peak) bool {
			d := (p.theta - q.theta + thetaBins) % thetaBins
			d = min(d, thetaBins-d)
			return d <= 3 && math.Abs(p.rho-q.rho) <= 3
		})
		if !near {
			kept = append(kept, p)
		}
	}
	return kept
}

// guess is a quad of four lines of one channel and polarity, search pixels.
type guess struct {
	quad     Quad
	channel  int
	outward  bool // the channel rises from the ground to the frame
	strength float64
}

// facing are two lines that face each other.
type facing struct {
	a, b     line
	theta    int // of a
	strength float64
}

// crossed names two pairs of facing lines that cross at about right angles.
type crossed struct {
	strength float64
	p, q     *facing
	channel  int
	outward  bool
}

// crossAll pairs lines that face each other, keeps the most strongest pairs of
// either polarity, and adds to all every two of them that cross. The angles
// allowed are those a rectangle shows at 30 degrees of tilt.
func crossAll(all []crossed, ps []peak, w, h, channel, most int, slender float64) []crossed {
	lines := make([]line, len(ps))
	for i, p := range ps {
		s, c := math.Sincos(float64(p.theta) * thetaRad)
		lines[i] = line{c, s, p.rho + c*float64(w)/2 + s*float64(h)/2}
	}
	least := leastSide * slender * float64(min(w, h))
	for _, outward := range []bool{true, false} {
		var pairs []facing
		for i, a := range ps {
			for j, b := range ps[i+1:] {
				d := (a.theta - b.theta + thetaBins) % thetaBins
				if off := d - thetaBins/2; off > 12 || off < -12 {
					continue
				}
				apart := a.rho + b.rho
				if !outward {
					apart = -apart
				}
				if apart < least {
					continue
				}
				pairs = append(pairs, facing{lines[i], lines[i+1+j], a.theta, both(a.strength, b.strength)})
			}
		}
		slices.SortStableFunc(pairs, func(a, b facing) int { return cmpDesc(a.strength, b.strength) })
		pairs = pairs[:min(len(pairs), most)]
		for i := range pairs {
			for j := range pairs[i+1:] {
				p, q := &pairs[i], &pairs[i+1+j]
				d := (p.theta - q.theta + thetaBins) % (thetaBins / 2)
				if off := d - thetaBins/4; off > 15 || off < -15 {
					continue
				}
				all = append(all, crossed{both(p.strength, q.strength), p, q, channel, outward})
			}
		}
	}
	return all
}

// both is how strong two things are together: the weaker counts most.
func both(a, b float64) float64 { return min(a, b) + .3*max(a, b) }

// guess is the quad of two crossed pairs; false when they do not enclose a
// sensible part of the picture.
func (c crossed) guess(w, h int, slender float64) (guess, bool) {
	quad, ok := crossing([4]line{c.p.a, c.q.a, c.p.b, c.q.b})
	return guess{quad, c.channel, c.outward, c.strength}, ok && sensible(quad, w, h, slender)
}

// A square frame's facing sides are at least leastSide of the picture's short
// side apart, and it encloses leastArea of the picture. Long frames fill less:
// both are multiplied by how slender they are, the root of width over length.
const (
	leastSide = .18
	leastArea = .04
)

func (o Options) slender() float64 {
	return math.Sqrt(min(o.WidthMM, o.HeightMM) / max(o.WidthMM, o.HeightMM))
}

// sensible reports whether a quad encloses a fair part of the picture and
// lies in it.
func sensible(q Quad, w, h int, slender float64) bool {
	const slack = .02
	for _, p := range q {
		if p.X < -slack*float64(w) || p.Y < -slack*float64(h) || p.X > (1+slack)*float64(w) || p.Y > (1+slack)*float64(h) {
			return false
		}
	}
	return q.Area() > leastArea*slender*float64(w*h)
}

// crossing meets each line with the one before and gives the quad clockwise.
func crossing(ls [4]line) (q Quad, ok bool) {
	for i := range ls {
		if q[i], ok = ls[(i+3)%4].meet(ls[i]); !ok {
			return q, false
		}
	}
	if q.Area() < 0 {
		q = Quad{q[1], q[0], q[3], q[2]}
	}
	return q, q.Convex()
}
