package drawn

import (
	"math"
	"math/rand/v2"

	"quadtally/vision/raster"
)

// Bars says more of a frame's bars than their diameter and paint. The zero
// value is a smooth pipe in soft light.
type Bars struct {
	// LathMM is the width and the thickness of bars of rectangular section,
	// as of wooden laths; zero for round pipe.
	LathMM [2]float64
	// Grain is the contrast of wood grain along the bars, 0..1.
	Grain float64
	// SunHeight is the tangent of the sun's height in hard sunlight: one side
	// of each bar is lit, the other is not, and shadows are deep. 0 is soft
	// light.
	SunHeight float64
	// Gloss is the brightness of the line in which a bar mirrors the sun, in
	// shares of white.
	Gloss float64
	// Covered is the share of a side's length that leaves lie over, for each
	// side from the upper one clockwise.
	Covered [4]float64
}

// skylight is the share of light on level ground that does not come from the
// sun itself, on a clear day (common practice: a tenth to a third).
const skylight = .28

type leaf struct{ x, y, a, b, sin, cos, hue float64 }

// covering lays leaves over one stretch of each side.
func (s Scene) covering(rng *rand.Rand) (out []leaf) {
	for side, share := range s.Bars.Covered {
		if share == 0 {
			continue
		}
		length := s.WidthMM
		if side%2 == 1 {
			length = s.HeightMM
		}
		from := (1 - share) * rng.Float64()
		for at := 0.; at < share*length; at += 9 {
			along, off := from*length+at, 14*rng.NormFloat64()
			x, y := along, -s.barMM()/2+off
			switch side {
			case 1:
				x, y = s.WidthMM+s.barMM()/2+off, along
			case 2:
				x, y = along, s.HeightMM+s.barMM()/2+off
			case 3:
				x, y = -s.barMM()/2+off, along
			}
			t := rng.Float64() * math.Pi
			out = append(out, leaf{x, y, 25 + 35*rng.Float64(), 8 + 14*rng.Float64(), math.Sin(t), math.Cos(t), rng.Float64()})
		}
	}
	return out
}

// barMM is how wide a bar is.
func (s Scene) barMM() float64 {
	if s.Bars.LathMM[0] > 0 {
		return s.Bars.LathMM[0]
	}
	return s.PipeMM
}

// lath is a frame of bars of rectangular section lying flat: the space between
// an inner and an outer rectangle, up to a height.
type lath struct{ w, h, width, thick float64 }

func (s Scene) lath() *lath {
	if s.NoFrame || s.Bars.LathMM[0] == 0 {
		return nil
	}
	return &lath{s.WidthMM, s.HeightMM, s.Bars.LathMM[0], s.Bars.LathMM[1]}
}

func (l *lath) open(p v3) bool { return p[0] > 0 && p[1] > 0 && p[0] < l.w && p[1] < l.h }
func (l *lath) over(p v3) bool {
	return p[0] > -l.width && p[1] > -l.width && p[0] < l.w+l.width && p[1] < l.h+l.width && !l.open(p)
}

// between tells whether a lath lies between a place on the ground and the sun.
func (l *lath) between(p, sun v3) bool {
	for _, z := range [...]float64{.25, .5, .75, 1} {
		t := z * l.thick / sun[2]
		if l.over(v3{p[0] + t*sun[0], p[1] + t*sun[1]}) {
			return true
		}
	}
	return false
}

// hit is where a ray from c along d meets the laths, and the surface's normal.
func (l *lath) hit(c, d v3) (at, normal v3, ok bool) {
	on := func(z float64) v3 {
		t := (z - c[2]) / d[2]
		return v3{c[0] + t*d[0], c[1] + t*d[1], z}
	}
	top := on(l.thick)
	if l.over(top) {
		return top, v3{0, 0, 1}, true
	}
	foot := on(0)
	if !l.over(foot) {
		return at, normal, false
	}
	// A face: the first of the upright planes that lies on the way down.
	best := 1.
	for _, f := range [...]struct {
		axis     int
		place, n float64
	}{{0, 0, 1}, {0, l.w, -1}, {1, 0, 1}, {1, l.h, -1}, {0, -l.width, -1}, {0, l.w + l.width, 1}, {1, -l.width, -1}, {1, l.h + l.width, 1}} {
		step := foot[f.axis] - top[f.axis]
		if step*f.n >= 0 {
			continue
		}
		if u := (f.place - top[f.axis]) / step; u >= 0 && u <= best {
			best = u
			normal = v3{}
			normal[f.axis] = f.n
		}
	}
	return on(l.thick * (1 - best)), normal, true
}

// truth is the seen inner edge: where a face meets the ground on the sides
// that show their inner face, the top's rim on those that do not.
func (l *lath) truth(k camera) (t Truth) {
	t.Focal = k.focal
	var z [4]float64
	for i, inward := range [4]float64{k.c[1], l.w - k.c[0], l.h - k.c[1], k.c[0]} {
		if inward < 0 {
			z[i] = l.thick
		}
	}
	var ends [4][2]raster.Point
	for i, s := range [4][2]v3{{{0, 0, z[0]}, {l.w, 0, z[0]}}, {{l.w, 0, z[1]}, {l.w, l.h, z[1]}}, {{l.w, l.h, z[2]}, {0, l.h, z[2]}}, {{0, l.h, z[3]}, {0, 0, z[3]}}} {
		ends[i] = [2]raster.Point{k.project(s[0]), k.project(s[1])}
		t.Ground[i] = k.project(v3{s[0][0], s[0][1], 0})
	}
	for i := range 4 {
		p, q := ends[(i+3)%4], ends[i]
		dx, dy := p[1].X-p[0].X, p[1].Y-p[0].Y
		ex, ey := q[1].X-q[0].X, q[1].Y-q[0].Y
		u := ((q[0].X-p[0].X)*ey - (q[0].Y-p[0].Y)*ex) / (dx*ey - dy*ex)
		t.Inner[i] = raster.Point{X: p[0].X + u*dx, Y: p[0].Y + u*dy}
	}
	return t
}

// surface is where a ray meets a pipe whose axis lies off radii to its side,
// and the normal there.
func (p pipe) surface(c, d v3, r, off float64) (at, normal v3) {
	n := d.cross(p.u).unit()
	du := d.dot(p.u)
	across := v3{d[0] - du*p.u[0], d[1] - du*p.u[1], d[2] - du*p.u[2]}
	depth := math.Sqrt(across.dot(across))
	ac := v3{p.a[0] - c[0], p.a[1] - c[1], p.a[2] - c[2]}
	rise := math.Sqrt(max(0, 1-off*off))
	t := (ac.dot(across)/depth - r*rise) / depth
	for i := range at {
		at[i] = c[i] + t*d[i]
		normal[i] = -off*n[i] - rise*across[i]/depth
	}
	return at, normal
}

// surface is the colour of a bar at a place: paint or wood, its light and the
// sun it mirrors.
func (s Scene) surface(at, normal, d, sun v3, lit float64) [3]float64 {
	c := s.Frame
	if s.Bars.Grain > 0 {
		along, across := at[0], at[1]
		if at[1] > 0 && at[1] < s.HeightMM {
			along, across = at[1], at[0]
		}
		across += at[2]
		g := 1 + s.Bars.Grain*(1.1*wave(along/160, across/3.1)+.8*wave(along/60+40, across/1.1)+.5*wave(along/15+90, across/9))
		for i := range c {
			c[i] *= max(.3, g)
		}
	}
	light, mirrored := lit*(.72+.28*max(0, normal[2])), 0.
	if s.Bars.SunHeight > 0 {
		// lit is of all light; the sky's share stays in a shadow's edge too.
		light = lit * (skylight*(.5+.5*normal[2]) + (1-skylight)*max(0, normal.dot(sun))/sun[2])
		v := d.unit()
		half := v3{sun[0] - v[0], sun[1] - v[1], sun[2] - v[2]}.unit()
		mirrored = 255 * lit * s.Bars.Gloss * math.Pow(max(0, normal.dot(half)), 60)
	}
	for i := range c {
		c[i] = c[i]*light + mirrored
	}
	return c
}

// wave is smooth noise of the plane, about -1 to 1, from hashed lattice points.
func wave(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	u, v := x-fx, y-fy
	u, v = u*u*(3-2*u), v*v*(3-2*v)
	at := func(i, j float64) float64 {
		h := uint64(int64(i))*0x9E3779B97F4A7C15 ^ uint64(int64(j))*0xC2B2AE3D27D4EB4F
		h ^= h >> 29
		h *= 0xBF58476D1CE4E5B9
		h ^= h >> 32
		return float64(h&0xFFFF)/32768 - 1
	}
	return (at(fx, fy)*(1-u)+at(fx+1, fy)*u)*(1-v) + (at(fx, fy+1)*(1-u)+at(fx+1, fy+1)*u)*v
}
