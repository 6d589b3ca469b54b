package frame

import (
	"math"
	"slices"
)

// Signed line evidence. A frame is brighter or darker, bluer or redder than
// the ground in at least one channel, and along its inner edge that channel's
// gradient always points outward, or always inward. So each channel votes by
// itself, and a direction and its opposite are different lines. (Signed form
// of the transform of Duda & Hart 1972, CACM 15(1) 11-15; votes confined to
// the gradient's own direction, O'Gorman & Clowes 1976, IEEE ToC 25(4).)

const (
	thetaBins   = 180 // over the full circle: 2 degrees
	thetaSpread = 4   // a vote spreads this many bins to either side
	thetaRad    = 2 * math.Pi / thetaBins
)

// gradients holds one channel's gradient in units of its own clutter.
type gradients struct {
	w, h   int
	gx, gy []float32
}

// gradientsOf is the smoothed central difference (Scharr weights 3, 10, 3),
// divided by its median magnitude over the picture: straw is loud in luma and
// quiet in chroma, and each channel is judged by its own noise.
func gradientsOf(p plane) gradients {
	g := gradients{p.w, p.h, make([]float32, p.w*p.h), make([]float32, p.w*p.h)}
	var hist [4096]int
	total := 0
	for y := 1; y < p.h-1; y++ {
		a, b, c := p.pix[(y-1)*p.w:y*p.w], p.pix[y*p.w:(y+1)*p.w], p.pix[(y+1)*p.w:(y+2)*p.w]
		for x := 1; x < p.w-1; x++ {
			nw, n, ne := int32(a[x-1]), int32(a[x]), int32(a[x+1])
			wv, e := int32(b[x-1]), int32(b[x+1])
			sw, s, se := int32(c[x-1]), int32(c[x]), int32(c[x+1])
			dx := 3*(ne-nw+se-sw) + 10*(e-wv)
			dy := 3*(sw-nw+se-ne) + 10*(s-n)
			g.gx[y*p.w+x], g.gy[y*p.w+x] = float32(dx), float32(dy)
			hist[min(len(hist)-1, int(max(dx, -dx)+max(dy, -dy))/4)]++
			total++
		}
	}
	seen, median := 0, 0
	for i, n := range hist {
		if seen += n; 2*seen >= total {
			median = i * 4
			break
		}
	}
	scale := 1 / float32(max(median, 16)) // 16: half a grey level, below which there is only rounding
	for i := range g.gx {
		g.gx[i] *= scale
		g.gy[i] *= scale
	}
	return g
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
	half int // rho runs from -half to half
	acc  []float32
}

func vote(g gradients) votes {
	half := int(math.Ceil(math.Hypot(float64(g.w), float64(g.h))/2)) + 2
	cols := 2*half + 1
	v := votes{half, make([]float32, thetaBins*cols)}
	var sin, cos [thetaBins]float32
	for i := range thetaBins {
		s, c := math.Sincos(float64(i) * thetaRad)
		sin[i], cos[i] = float32(s), float32(c)
	}
	const weakest, cap = 1.6, 6
	cx, cy := float32(g.w)/2, float32(g.h)/2
	for y := 1; y < g.h-1; y++ {
		for x := 1; x < g.w-1; x++ {
			gx, gy := g.gx[y*g.w+x], g.gy[y*g.w+x]
			m2 := gx*gx + gy*gy
			if m2 < weakest*weakest {
				continue
			}
			m := min(float32(math.Sqrt(float64(m2))), cap)
			t0 := int(math.Round(math.Atan2(float64(gy), float64(gx)) / thetaRad))
			px, py := float32(x)+.5-cx, float32(y)+.5-cy
			for d := -thetaSpread; d <= thetaSpread; d++ {
				t := (t0 + d + thetaBins) % thetaBins
				rho := px*cos[t] + py*sin[t] + float32(half)
				i := int(rho)
				f := rho - float32(i)
				row := v.acc[t*cols:]
				row[i] += m * (1 - f)
				row[i+1] += m * f
			}
		}
	}
	return v
}

// peaks gives the strongest lines, each at least a few bins from any stronger
// one, strength measured above its surroundings.
func (v votes) peaks(most int) []peak {
	cols := 2*v.half + 1
	const around = 12
	lifted := make([]float32, len(v.acc))
	for t := range thetaBins {
		row := v.acc[t*cols : (t+1)*cols]
		out := lifted[t*cols : (t+1)*cols]
		var sum float32
		for i := range min(around, cols) {
			sum += row[i]
		}
		for i := range row {
			if i+around < cols {
				sum += row[i+around]
			}
			if i-around-1 >= 0 {
				sum -= row[i-around-1]
			}
			if i > 0 && i+1 < cols {
				out[i] = (row[i-1]+2*row[i]+row[i+1])/4 - sum/(2*around+1)
			}
		}
	}
	var all []peak
	for t := range thetaBins {
		prev, next := (t+thetaBins-1)%thetaBins, (t+1)%thetaBins
		for i := 1; i < cols-1; i++ {
			s := lifted[t*cols+i]
			if s <= 40 || s < lifted[t*cols+i-1] || s <= lifted[t*cols+i+1] ||
				s < lifted[prev*cols+i] || s <= lifted[next*cols+i] {
				continue
			}
			all = append(all, peak{t, float64(i - v.half), float64(s)})
		}
	}
	slices.SortFunc(all, func(a, b peak) int {
		switch {
		case a.strength > b.strength:
			return -1
		case a.strength < b.strength:
			return 1
		}
		return 0
	})
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

// guesses pairs lines that face each other and crosses two such pairs. The
// angles allowed are those a rectangle shows at 30 degrees of tilt.
func guesses(ps []peak, w, h, channel int) []guess {
	type pair struct {
		a, b     peak
		strength float64
	}
	var out []guess
	least := .18 * float64(min(w, h))
	for _, outward := range []bool{true, false} {
		var pairs []pair
		for i, a := range ps {
			for _, b := range ps[i+1:] {
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
				pairs = append(pairs, pair{a, b, min(a.strength, b.strength) + .3*max(a.strength, b.strength)})
			}
		}
		for i, p := range pairs {
			for _, q := range pairs[i+1:] {
				d := (p.a.theta - q.a.theta + thetaBins) % (thetaBins / 2)
				if off := d - thetaBins/4; off > 15 || off < -15 {
					continue
				}
				quad, ok := quadOf([4]peak{p.a, q.a, p.b, q.b}, w, h)
				if !ok {
					continue
				}
				out = append(out, guess{quad, channel, outward, min(p.strength, q.strength) + .3*max(p.strength, q.strength)})
			}
		}
	}
	return out
}

// quadOf crosses four lines given in order around the quad; false when they
// do not enclose a sensible part of the picture.
func quadOf(ps [4]peak, w, h int) (Quad, bool) {
	var ls [4]line
	for i, p := range ps {
		s, c := math.Sincos(float64(p.theta) * thetaRad)
		ls[i] = line{c, s, p.rho + c*float64(w)/2 + s*float64(h)/2}
	}
	q, ok := crossing(ls)
	if !ok {
		return q, false
	}
	const slack = .02
	for _, p := range q {
		if p.X < -slack*float64(w) || p.Y < -slack*float64(h) || p.X > (1+slack)*float64(w) || p.Y > (1+slack)*float64(h) {
			return q, false
		}
	}
	return q, q.Area() > .04*float64(w*h)
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
