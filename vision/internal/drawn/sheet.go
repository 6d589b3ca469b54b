package drawn

import "math"

// Sheet is the paper of a print: how large it is beyond the cells and their
// margin, how it is bent, raised and lit, and what lies on it.
type Sheet struct {
	// PaperMM is how far the paper reaches beyond the cells to the left, above,
	// to the right and below.
	PaperMM [4]float64
	// Ink tells what is printed beside the cells, by place from the cells'
	// upper-left corner, millimetres; nil for nothing.
	Ink func(x, y float64) bool

	// CurlPerMM is the curvature of a sheet that is rolled into part of a
	// cylinder: above 0 its middle stands up, below 0 its ends do.
	CurlPerMM float64
	// CurlDeg is the direction along which it is bent, from the cells' own x.
	CurlDeg float64
	// TiltDeg raises it about its middle line in direction TiltAxisDeg.
	TiltDeg, TiltAxisDeg float64

	// Shadow darkens the half of the sheet beyond a line.
	Shadow *SheetShadow
	// Glare is a spot that mirrors the sky or the sun, nil for none.
	Glare *Glare
	// Covers are things that lie on it: ellipses of a colour.
	Covers []Cover

	// Below puts the sheet below the frame's bars.
	Below bool
}

// SheetShadow is a hard shadow's edge across a sheet: beyond the line through
// (X, Y) square to direction Deg light is multiplied by Light.
type SheetShadow struct{ X, Y, Deg, SoftMM, Light float64 }

// Glare is a spot of mirrored light, added to what paper and ink give back;
// Level is at its middle, in shares of white.
type Glare struct{ X, Y, RadiusMM, Level float64 }

// Cover is an ellipse that lies on a sheet, half axes A and B.
type Cover struct {
	X, Y, A, B, Deg float64
	Colour          [3]float64
}

// onSheet is the colour of the sheet where a ray from c along d meets it.
func (p *Print) onSheet(c, d, sun v3) (colour [3]float64, at v3, ok bool) {
	q := p.Sheet
	side := float64(len(p.Cells)) * p.CellMM
	x0, y0, x1, y1 := -q.PaperMM[0], -q.PaperMM[1], side+q.PaperMM[2], side+q.PaperMM[3]
	mx, my := (x0+x1)/2, (y0+y1)/2
	reach := math.Hypot(x1-x0, y1-y0) / 2

	// Local axes: the print's x and y, and up.
	sin, cos := math.Sincos(p.TurnDeg * math.Pi / 180)
	ex, ey, ez := v3{cos, sin, 0}, v3{-sin, cos, 0}, v3{0, 0, 1}
	mid := v3{p.X + mx*cos - my*sin, p.Y + mx*sin + my*cos, p.Z}
	if q.TiltDeg != 0 {
		a, b := math.Sincos(q.TiltAxisDeg * math.Pi / 180)
		axis := v3{b*ex[0] + a*ey[0], b*ex[1] + a*ey[1], 0}
		ex, ey, ez = turned(ex, axis, q.TiltDeg), turned(ey, axis, q.TiltDeg), turned(ez, axis, q.TiltDeg)
		mid[2] += reach * math.Sin(math.Abs(q.TiltDeg)*math.Pi/180)
	}
	if t := (mid[2] - c[2]) / d[2]; math.Abs(c[0]+t*d[0]-mid[0])+math.Abs(c[1]+t*d[1]-mid[1]) > 2.5*reach {
		return colour, at, false // far off: even raised on edge it is not there
	}
	oc := v3{c[0] - mid[0], c[1] - mid[1], c[2] - mid[2]}
	o, r := v3{oc.dot(ex), oc.dot(ey), oc.dot(ez)}, v3{d.dot(ex), d.dot(ey), d.dot(ez)}
	// A bent sheet: turn so that it bends along the first axis.
	sb, cb := math.Sincos(q.CurlDeg * math.Pi / 180)
	turn := func(a v3) v3 { return v3{cb*a[0] + sb*a[1], cb*a[1] - sb*a[0], a[2]} }
	back := func(u, v float64) (float64, float64) { return cb*u - sb*v, sb*u + cb*v }
	o, r = turn(o), turn(r)

	var u, v, t float64
	normal := ez
	if k := math.Abs(q.CurlPerMM); k < 1e-6 {
		if r[2] > -1e-6 {
			return colour, at, false
		}
		t = -o[2] / r[2]
		u, v = o[0]+t*r[0], o[1]+t*r[1]
	} else {
		radius := 1 / k
		end := min(reach*k, 1.4) // radians from the middle to the ends
		centre := -radius * math.Cos(end)
		if q.CurlPerMM < 0 {
			centre = radius
		}
		// (o0 + t r0)^2 + (o2 + t r2 - centre)^2 = radius^2
		z := o[2] - centre
		a, b, e := r[0]*r[0]+r[2]*r[2], o[0]*r[0]+z*r[2], o[0]*o[0]+z*z-radius*radius
		disc := b*b - a*e
		if disc < 0 {
			return colour, at, false
		}
		t = (-b - math.Sqrt(disc)) / a
		if q.CurlPerMM < 0 {
			t = (-b + math.Sqrt(disc)) / a
		}
		px, pz := o[0]+t*r[0], z+t*r[2]
		angle := math.Atan2(px, pz)
		if q.CurlPerMM < 0 {
			angle = math.Atan2(px, -pz)
		}
		if math.Abs(angle) > end+.01 {
			return colour, at, false
		}
		u, v = angle*radius, o[1]+t*r[1]
		nx := math.Sin(angle)
		if q.CurlPerMM < 0 {
			nx = -nx
		}
		gx, gy := back(nx, 0)
		nz := math.Cos(angle)
		normal = v3{gx*ex[0] + gy*ey[0] + nz*ez[0], gx*ex[1] + gy*ey[1] + nz*ez[1], gx*ex[2] + gy*ey[2] + nz*ez[2]}
	}
	u, v = back(u, v)
	x, y := u+mx, v+my
	if x < x0 || y < y0 || x > x1 || y > y1 {
		return colour, at, false
	}
	at = v3{c[0] + t*d[0], c[1] + t*d[1], max(c[2]+t*d[2], .2)}

	colour = [3]float64{225, 226, 222}
	for i := range q.Covers {
		e := &q.Covers[i]
		s, co := math.Sincos(e.Deg * math.Pi / 180)
		dx, dy := x-e.X, y-e.Y
		a, b := (dx*co+dy*s)/e.A, (dy*co-dx*s)/e.B
		if a*a+b*b < 1 {
			return e.Colour, at, true
		}
	}
	in := x >= 0 && y >= 0 && x < side && y < side
	if in && !p.Cells[int(y/p.CellMM)][int(x/p.CellMM)] || !in && q.Ink != nil && q.Ink(x, y) {
		colour = [3]float64{35, 35, 37}
	}
	light := skylight*(.5+.5*normal[2]) + (1-skylight)*max(0, normal.dot(sun))/sun[2]
	if h := q.Shadow; h != nil {
		s, co := math.Sincos(h.Deg * math.Pi / 180)
		past := (x-h.X)*co + (y-h.Y)*s
		light *= h.Light + (1-h.Light)/(1+math.Exp(past/max(.1, h.SoftMM)))
	}
	mirrored := 0.
	if g := q.Glare; g != nil {
		f := ((x-g.X)*(x-g.X) + (y-g.Y)*(y-g.Y)) / (g.RadiusMM * g.RadiusMM)
		mirrored = 255 * g.Level * math.Exp(-f*f)
	}
	for i := range colour {
		colour[i] = colour[i]*light + mirrored
	}
	return colour, at, true
}

// turned turns a vector about an axis of length one (Rodrigues' formula).
func turned(a, axis v3, deg float64) v3 {
	s, c := math.Sincos(deg * math.Pi / 180)
	x, k := axis.cross(a), axis.dot(a)*(1-c)
	return v3{a[0]*c + x[0]*s + axis[0]*k, a[1]*c + x[1]*s + axis[1]*k, a[2]*c + x[2]*s + axis[2]*k}
}
