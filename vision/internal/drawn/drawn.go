// Package drawn draws photos of quadrats whose truth is known exactly, for
// the tests of vision: a pinhole camera over flat ground with texture, a
// frame of round pipe in space, leaves, shadows, and flat black-and-white
// prints. Nothing here is field data; all of it is invented.
package drawn

import (
	"math"
	"math/rand/v2"

	"quadtally/vision/raster"
)

// Print is a sheet of black and white cells with a white margin, flat unless
// Sheet says otherwise.
type Print struct {
	X, Y, Z   float64 // where the upper-left cell begins, millimetres; Z above the ground
	TurnDeg   float64 // clockwise about that corner
	CellMM    float64
	MarginMM  float64
	Cells     [][]bool // true is white
	BandColor [3]float64
	Sheet     *Sheet // more about its paper, nil for a flat dry sheet
}

// Scene is one drawn photo. The quadrat's upper-left inner corner is the
// origin, x along its width, y along its height, millimetres.
type Scene struct {
	WidthMM, HeightMM float64
	PipeMM            float64 // diameter
	Frame             [3]float64
	NoFrame           bool
	Ground            string // soil, pale, straw, weedy, rows
	Leaves            int    // leaves lying over the frame
	ShadowEdge        bool   // half the picture in shadow
	PipeShadow        bool
	Bars              Bars // more about the frame's bars

	CameraMM         float64 // height above the ground
	TiltDeg          float64
	TiltToward       float64 // degrees
	TurnDeg          float64 // rotation of the photo
	OffX, OffY       float64 // where the camera's axis meets the ground, from the centre
	FocalPerLongSide float64
	Blur             float64 // pixels of the drawn luma, standard deviation
	Noise            float64 // grey levels at full resolution of the drawn luma
	Prints           []Print
	Denom            int // of a photo decoded at 1/Denom: at 2 chroma is as large as luma, 0 stands for 4
	Seed             uint64
}

// Truth is what a perfect finder would report, luma pixels.
type Truth struct {
	Inner  [4]raster.Point // seen inner edge, corners as in the scene
	Ground [4]raster.Point
	Focal  float64
}

type v3 [3]float64

func (a v3) dot(b v3) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a v3) cross(b v3) v3 {
	return v3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}
func (a v3) unit() v3 {
	n := math.Sqrt(a.dot(a))
	return v3{a[0] / n, a[1] / n, a[2] / n}
}

// Camera maps space (z up) to pixels.
type camera struct {
	c              v3
	right, down, f v3
	focal, cx, cy  float64
}

func (s Scene) camera(w, h int) camera {
	t, a, b := s.TiltDeg*math.Pi/180, s.TiltToward*math.Pi/180, s.TurnDeg*math.Pi/180
	aim := v3{s.WidthMM/2 + s.OffX, s.HeightMM/2 + s.OffY, 0}
	f := v3{math.Sin(t) * math.Cos(a), math.Sin(t) * math.Sin(a), -math.Cos(t)}
	// Seen from above with y down the page, the scene's x runs right; in z-up
	// right-handed space that makes "down" the +y direction.
	up := v3{math.Sin(b), -math.Cos(b), 0}
	right := v3{math.Cos(b), math.Sin(b), 0}
	d := right.dot(f)
	right = v3{right[0] - d*f[0], right[1] - d*f[1], right[2] - d*f[2]}.unit()
	down := v3{-up[0], -up[1], -up[2]}
	d, e := down.dot(f), down.dot(right)
	down = v3{down[0] - d*f[0] - e*right[0], down[1] - d*f[1] - e*right[1], down[2] - d*f[2] - e*right[2]}.unit()
	l := s.CameraMM / math.Cos(t)
	return camera{
		c: v3{aim[0] - l*f[0], aim[1] - l*f[1], s.CameraMM}, right: right, down: down, f: f,
		focal: s.FocalPerLongSide * float64(max(w, h)), cx: float64(w) / 2, cy: float64(h) / 2,
	}
}

func (k camera) project(p v3) raster.Point {
	d := v3{p[0] - k.c[0], p[1] - k.c[1], p[2] - k.c[2]}
	z := d.dot(k.f)
	return raster.Point{X: k.cx + k.focal*d.dot(k.right)/z, Y: k.cy + k.focal*d.dot(k.down)/z}
}

func (k camera) ray(x, y float64) v3 {
	a, b := (x-k.cx)/k.focal, (y-k.cy)/k.focal
	return v3{k.f[0] + a*k.right[0] + b*k.down[0], k.f[1] + a*k.right[1] + b*k.down[1], k.f[2] + a*k.right[2] + b*k.down[2]}
}

// Truth is what a perfect finder would report of a photo of w x h luma pixels.
func (s Scene) Truth(w, h int) Truth { return s.truth(s.camera(w, h)) }

// truth finds the tangent lines of the pipes and crosses them in the picture.
func (s Scene) truth(k camera) (t Truth) {
	if l := s.lath(); l != nil {
		return l.truth(k)
	}
	t.Focal = k.focal
	w, h, r := s.WidthMM, s.HeightMM, s.PipeMM/2
	for i, p := range [4]v3{{0, 0, 0}, {w, 0, 0}, {w, h, 0}, {0, h, 0}} {
		t.Ground[i] = k.project(p)
	}
	// graze gives the height and outward offset of the tangent point.
	graze := func(inward float64) (out, z float64) {
		cx, cz := inward+r, r-k.c[2] // from the camera to the pipe's axis
		d := math.Hypot(cx, cz)
		along := math.Sqrt(d*d - r*r)
		angle := math.Asin(r / d)
		ux, uz := cx/d, cz/d
		// Turned toward the frame's inside: the side away from +x.
		sin, cos := math.Sin(angle), math.Cos(angle)
		tx, tz := ux*cos+uz*sin, uz*cos-ux*sin
		return tx*along - inward, k.c[2] + tz*along
	}
	type seg struct{ a, b raster.Point }
	var top, right, bottom, left seg
	o, z := graze(k.c[1])
	top = seg{k.project(v3{0, -o, z}), k.project(v3{w, -o, z})}
	o, z = graze(w - k.c[0])
	right = seg{k.project(v3{w + o, 0, z}), k.project(v3{w + o, h, z})}
	o, z = graze(h - k.c[1])
	bottom = seg{k.project(v3{0, h + o, z}), k.project(v3{w, h + o, z})}
	o, z = graze(k.c[0])
	left = seg{k.project(v3{-o, 0, z}), k.project(v3{-o, h, z})}
	meet := func(p, q seg) raster.Point {
		dx, dy := p.b.X-p.a.X, p.b.Y-p.a.Y
		ex, ey := q.b.X-q.a.X, q.b.Y-q.a.Y
		u := ((q.a.X-p.a.X)*ey - (q.a.Y-p.a.Y)*ex) / (dx*ey - dy*ex)
		return raster.Point{X: p.a.X + u*dx, Y: p.a.Y + u*dy}
	}
	t.Inner = [4]raster.Point{meet(left, top), meet(top, right), meet(right, bottom), meet(bottom, left)}
	return t
}

type pipe struct {
	a, u v3
	len  float64
}

// hit returns the signed lateral offset of the ray from the pipe's axis, in
// radii, where it passes through; the axis position must be on the pipe.
func (p pipe) hit(c, d v3, r float64) (float64, bool) {
	n := d.cross(p.u)
	ln := math.Sqrt(n.dot(n))
	ac := v3{p.a[0] - c[0], p.a[1] - c[1], p.a[2] - c[2]}
	off := ac.dot(n) / (ln * r)
	if off < -1 || off > 1 {
		return 0, false
	}
	// Nearest point of the axis to the ray.
	dd, uu, du := d.dot(d), 1.0, d.dot(p.u)
	det := dd*uu - du*du
	t := (ac.dot(d)*du - ac.dot(p.u)*dd) / det
	return off, t >= 0 && t <= p.len
}

// near reports whether a ray through p, a point at most a pipe's height above
// the ground, can pass the pipe: rays are less slanted than 60 degrees.
func (p pipe) near(at v3, r float64) bool {
	across := at[1] - p.a[1]
	if p.u[1] != 0 {
		across = at[0] - p.a[0]
	}
	return math.Abs(across) < 6*r
}

// Render draws the scene as a raster of w x h luma pixels with chroma at half
// that, as if decoded at 1/4 from a photo four times the size.
func (s Scene) Render(w, h int) (*raster.Raster, Truth) {
	rng := rand.New(rand.NewPCG(s.Seed, 11))
	k := s.camera(w, h)
	ground := groundTile(s.Ground)
	tx, ty := rng.Float64()*4000, rng.Float64()*4000
	gain := .8 + .3*rng.Float64()
	cast := [3]float64{1 + .06*rng.NormFloat64()*.5, 1, 1 + .06*rng.NormFloat64()*.5}
	shade := rng.Float64() * 2 * math.Pi
	shx, shy := math.Cos(shade), math.Sin(shade)
	sun := v3{math.Cos(shade + 1), math.Sin(shade + 1), 1.1 + rng.Float64()}.unit()
	if s.Bars.SunHeight > 0 {
		sun = v3{math.Cos(shade + 1), math.Sin(shade + 1), s.Bars.SunHeight}.unit()
	}
	r := s.PipeMM / 2
	var pipes []pipe
	lath := s.lath()
	if !s.NoFrame && lath == nil {
		W, H := s.WidthMM, s.HeightMM
		pipes = []pipe{
			{v3{-2 * r, -r, r}, v3{1, 0, 0}, W + 4*r}, {v3{-2 * r, H + r, r}, v3{1, 0, 0}, W + 4*r},
			{v3{-r, -2 * r, r}, v3{0, 1, 0}, H + 4*r}, {v3{W + r, -2 * r, r}, v3{0, 1, 0}, H + 4*r},
		}
	}
	var leaves []leaf
	for range s.Leaves {
		u := rng.Float64()
		var x, y float64
		switch rng.IntN(4) {
		case 0:
			x, y = u*s.WidthMM, 0
		case 1:
			x, y = s.WidthMM, u*s.HeightMM
		case 2:
			x, y = u*s.WidthMM, s.HeightMM
		default:
			x, y = 0, u*s.HeightMM
		}
		t := rng.Float64() * math.Pi
		leaves = append(leaves, leaf{x, y, 25 + 45*rng.Float64(), 6 + 14*rng.Float64(), math.Sin(t), math.Cos(t), rng.Float64()})
	}
	leaves = append(leaves, s.covering(rng)...)
	dark := .45
	if s.Bars.SunHeight > 0 {
		dark = skylight
	}
	lit := func(p v3) float64 {
		l := 1.0
		if s.ShadowEdge {
			d := shx*(p[0]-s.WidthMM/2) + shy*(p[1]-s.HeightMM/2) - 30
			l = .35 + .65/(1+math.Exp(-d/6))
		}
		return l
	}
	shadeAt := func(p v3) float64 {
		l := lit(p)
		if s.PipeShadow && p[2] < .1 {
			if lath != nil && lath.between(p, sun) {
				return l * dark
			}
			for _, q := range pipes {
				if !q.near(p, r) {
					continue
				}
				if _, ok := q.hit(p, sun, r); ok {
					return l * dark
				}
			}
		}
		return l
	}
	// Each sample also says what it hit, so that only borders are sampled more
	// than once: 0 sky, 1 leaf, 2 print, 3 pipe, 4 ground, 5 ground in shadow.
	colourAt := func(x, y float64) ([3]float64, int) {
		d := k.ray(x, y)
		if d[2] > -.05 {
			return [3]float64{150, 170, 200}, 0
		}
		on := func(z float64) v3 {
			t := (z - k.c[2]) / d[2]
			return v3{k.c[0] + t*d[0], k.c[1] + t*d[1], z}
		}
		p := on(40)
		for i := range leaves {
			l := &leaves[i]
			dx, dy := p[0]-l.x, p[1]-l.y
			if dx*dx+dy*dy > l.a*l.a {
				continue
			}
			u, v := (dx*l.cos+dy*l.sin)/l.a, (dy*l.cos-dx*l.sin)/l.b
			if u*u+v*v < 1 {
				vein := 1.0
				if math.Abs(v) < .08 {
					vein = 1.25
				}
				g := shadeAt(p) * vein * (.85 + .15*l.hue - .1*v)
				return [3]float64{(60 + 30*l.hue) * g, (120 + 25*l.hue) * g, (40 + 10*l.hue) * g}, 1
			}
		}
		print := func(below bool) (c [3]float64, hit bool) {
			for i := range s.Prints {
				q := &s.Prints[i]
				if q.Sheet != nil {
					if q.Sheet.Below == below {
						if c, at, ok := q.onSheet(k.c, d, sun); ok {
							g := shadeAt(at)
							return [3]float64{c[0] * g, c[1] * g, c[2] * g}, true
						}
					}
					continue
				}
				p := on(q.Z)
				if c, ok := q.at(p[0], p[1]); ok && !below {
					g := shadeAt(p)
					return [3]float64{c[0] * g, c[1] * g, c[2] * g}, true
				}
			}
			return c, false
		}
		if c, hit := print(false); hit {
			return c, 2
		}
		p = on(0)
		if lath != nil {
			if at, normal, ok := lath.hit(k.c, d); ok {
				return s.surface(at, normal, d, sun, lit(at)), 3
			}
		}
		for i, q := range pipes {
			if !q.near(p, r) {
				continue
			}
			if off, ok := q.hit(k.c, d, r); ok {
				if s.Bars.SunHeight > 0 || s.Bars.Grain > 0 {
					at, normal := q.surface(k.c, d, r, off)
					at[2] += float64(i) * 200 // no two bars have the same grain
					return s.surface(at, normal, d, sun, lit(at)), 3
				}
				g := shadeAt(on(2*r)) * (.72 + .28*math.Sqrt(1-off*off))
				return [3]float64{s.Frame[0] * g, s.Frame[1] * g, s.Frame[2] * g}, 3
			}
		}
		if c, hit := print(true); hit {
			return c, 2
		}
		c := ground.at(p[0]+tx, p[1]+ty)
		g := shadeAt(p)
		if g < .9 {
			return [3]float64{c[0] * g, c[1] * g, c[2] * g}, 5
		}
		return [3]float64{c[0] * g, c[1] * g, c[2] * g}, 4
	}

	planes := [3][]float32{make([]float32, w*h), make([]float32, w*h), make([]float32, w*h)}
	// One sample per pixel on a grid of corners settles pixels all of whose
	// block is of one kind; where the corners differ in kind, and on prints, four
	// do. A photo decoded at half, whose pixels are small, has blocks of 2 x 2.
	block := 1
	if s.Denom == 2 {
		block = 2
	}
	above, here := make([]int, w/block+2), make([]int, w/block+2)
	corner := func(row []int, y int) {
		for x := range row {
			_, row[x] = colourAt(float64(x*block), float64(y*block))
		}
	}
	corner(above, 0)
	for y := range h {
		if y%block == 0 {
			if y > 0 {
				above, here = here, above
			}
			corner(here, y/block+1)
		}
		for x := range w {
			b := x / block
			a := above[b]
			n := 4
			if a != 2 && a == above[b+1] && a == here[b] && a == here[b+1] {
				n = 1
			}
			var sum [3]float64
			for i := range n {
				px, py := float64(x)+.25+.5*float64(i&1), float64(y)+.25+.5*float64(i>>1)
				if n == 1 {
					px, py = float64(x)+.5, float64(y)+.5
				}
				c, _ := colourAt(px, py)
				for j := range 3 {
					sum[j] += c[j] / float64(n)
				}
			}
			for j := range 3 {
				planes[j][y*w+x] = float32(sum[j] * gain * cast[j])
			}
		}
	}
	for j := range planes {
		blur(planes[j], w, h, s.Blur)
	}
	denom, of := 4, 2 // luma pixels per chroma pixel
	if s.Denom != 0 {
		denom = s.Denom
	}
	if denom == 2 {
		of = 1
	}
	out := &raster.Raster{
		Width: w, Height: h, Y: make([]byte, w*h),
		ChromaWidth: w / of, ChromaHeight: h / of, Cb: make([]byte, w/of*(h/of)), Cr: make([]byte, w/of*(h/of)),
		FullWidth: denom * w, FullHeight: denom * h, Denom: denom, Orientation: 1,
	}
	part := float64(of * of)
	cb, cr := make([]float64, len(out.Cb)), make([]float64, len(out.Cr))
	for y := range h {
		for x := range w {
			i := y*w + x
			var c [3]float64
			for j := range 3 {
				c[j] = min(255, max(0, float64(planes[j][i])+s.Noise*rng.NormFloat64()))
			}
			// ITU-T T.871.
			out.Y[i] = level(.299*c[0] + .587*c[1] + .114*c[2])
			if x/of < w/of && y/of < h/of {
				q := y/of*(w/of) + x/of
				cb[q] += (-.168736*c[0] - .331264*c[1] + .5*c[2]) / part
				cr[q] += (.5*c[0] - .418688*c[1] - .081312*c[2]) / part
			}
		}
	}
	for i := range cb {
		out.Cb[i], out.Cr[i] = level(cb[i]+128), level(cr[i]+128)
	}
	return out, s.truth(k)
}

func level(v float64) byte { return byte(min(255, max(0, v+.5))) }

func (p *Print) at(x, y float64) ([3]float64, bool) {
	s, c := math.Sincos(p.TurnDeg * math.Pi / 180)
	dx, dy := x-p.X, y-p.Y
	u, v := dx*c+dy*s, dy*c-dx*s
	w, h := float64(len(p.Cells[0]))*p.CellMM, float64(len(p.Cells))*p.CellMM
	if u < -p.MarginMM || v < -p.MarginMM || u > w+p.MarginMM || v > h+p.MarginMM {
		return [3]float64{}, false
	}
	if u >= 0 && v >= 0 && u < w && v < h && !p.Cells[int(v/p.CellMM)][int(u/p.CellMM)] {
		return [3]float64{35, 35, 37}, true
	}
	return [3]float64{225, 226, 222}, true
}

func blur(p []float32, w, h int, sigma float64) {
	if sigma <= 0 {
		return
	}
	n := int(3*sigma) + 1
	kernel := make([]float32, 2*n+1)
	var sum float32
	for i := range kernel {
		d := float64(i - n)
		kernel[i] = float32(math.Exp(-d * d / (2 * sigma * sigma)))
		sum += kernel[i]
	}
	tmp := make([]float32, len(p))
	for y := range h {
		row := p[y*w:][:w]
		for x := range w {
			var v float32
			if x >= n && x+n < w {
				for i, q := range row[x-n : x+n+1] {
					v += kernel[i] * q
				}
			} else {
				for i, k := range kernel {
					v += k * row[min(w-1, max(0, x+i-n))]
				}
			}
			tmp[y*w+x] = v / sum
		}
	}
	for y := range h {
		out := p[y*w:][:w]
		clear(out)
		for i, k := range kernel {
			for x, q := range tmp[min(h-1, max(0, y+i-n))*w:][:w] {
				out[x] += k * q
			}
		}
		for x := range out {
			out[x] /= sum
		}
	}
}
