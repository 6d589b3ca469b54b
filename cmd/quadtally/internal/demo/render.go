package demo

import (
	"image"
	"math"
	"math/rand/v2"
)

// Renderer paints photos. It holds large buffers and is meant for one
// goroutine; the picture depends on the plan alone, never on what the same
// Renderer painted before.
type Renderer struct {
	noise *noise
	c     canvas
	strip []float32
	blur  []float32
}

// NewRenderer makes a renderer whose textures come from seed.
func NewRenderer(seed uint64) *Renderer { return &Renderer{noise: newNoise(seed)} }

// pipeLean bounds how far, in mm on the ground plane, the top of a pipe of up
// to 40 mm seems to lean out: 40 mm at 650 mm from the point under the lens.
const pipeLean = 28

// rolloff is the linear light above which the phone bends highlights.
const rolloff = 0.82

// Render paints photo p upright, with all that lens and sensor do to it. The
// size is p.Width x p.Height pixels.
func (r *Renderer) Render(p *PhotoPlan) (*image.RGBA, error) {
	cam := newCamera(p.View, p.Width, p.Height)
	sun := p.Light.sunlight()
	rng := rand.New(rand.NewPCG(p.Seed, 0x7061696e74))
	x0, y0, x1, y1 := cam.footprint()
	// A little coarser than a pixel: the lens is softer than the sensor anyway.
	cell := 1.12 * cam.centre.Z / cam.f
	const margin = 12
	g := grid{x0: x0 - margin, y0: y0 - margin, cell: cell}
	g.w, g.h = int((x1-x0+2*margin)/cell)+2, int((y1-y0+2*margin)/cell)+2
	r.c.reset(g, r.noise)
	r.c.ground(p.Surface, p.Age, p.Light.Moist, sun, &cam, rng)
	r.plants(p, &cam, sun)

	decals := p.marks()
	if !p.NoCard {
		d := p.card()
		print, err := cardPrint(p.CardText, p.Plot, p.Quadrat)
		if err != nil {
			return nil, err
		}
		d.print = print
		r.cardShadow(d, sun)
		decals = append(decals, d)
	}
	img := image.NewRGBA(image.Rect(0, 0, p.Width, p.Height))
	l := newLighting(p, sun)
	// A finer sensor is softer in its own pixels, if less than in proportion.
	sigma := p.Light.BlurPX * math.Sqrt(float64(max(p.Width, p.Height))/1600)
	kernel := gaussian(sigma)
	halo := len(kernel) / 2
	const rows = 48
	shot := &sensor{shot: p.Light.ShotNoise, read: p.Light.ReadNoise, table: r.noise.gauss, state: p.Seed | 1}
	for top := 0; top < p.Height; top += rows {
		bottom := min(top+rows, p.Height)
		a, b := max(top-halo, 0), min(bottom+halo, p.Height)
		n := 3 * p.Width
		r.strip = grow(r.strip, (b-a)*n)
		for v := a; v < b; v++ {
			r.row(r.strip[(v-a)*n:(v-a+1)*n], v, &cam, p, &l)
		}
		for i := range decals {
			decals[i].stick(r.strip, a, b, &cam, &l)
		}
		r.blur = grow(r.blur, (bottom-top)*n)
		convolve(r.blur, r.strip, p.Width, b-a, top-a, bottom-top, kernel)
		for v := top; v < bottom; v++ {
			shot.expose(img.Pix[v*img.Stride:v*img.Stride+4*p.Width], r.blur[(v-top)*n:(v-top+1)*n], v, &cam, &p.Light)
		}
	}
	return img, nil
}

func grow(s []float32, n int) []float32 {
	if cap(s) < n {
		return make([]float32, n)
	}
	return s[:n]
}

// plants paints all leaves where the lens sees them against the ground.
func (r *Renderer) plants(p *PhotoPlan, cam *camera, sun sunlight) {
	c := &r.c
	outer := p.Frame.InnerMM/2 + p.Frame.PipeMM
	for _, b := range p.blades() {
		sh := b.moved(sun.fall, 1)
		sh.z0, sh.z1 = 0, 0
		c.shadow(&sh, 0.8*sun.depth, sun.soft+0.08*(b.z0+b.z1)/2)
		s := b.asSeen(cam)
		near := max(max(math.Abs(b.x0), math.Abs(b.x1)), max(math.Abs(b.y0), math.Abs(b.y1)))
		low := min(max(math.Abs(b.x0), math.Abs(b.y0)), max(math.Abs(b.x1), math.Abs(b.y1)))
		over := max(b.z0, b.z1) > p.Frame.PipeMM && near > outer-p.Frame.PipeMM-8 && low < outer+30
		c.paint(&s, over, sun.x, sun.y)
	}
}

// cardShadow darkens the ground beside a card, which never lies quite flat.
func (r *Renderer) cardShadow(d decal, sun sunlight) {
	xx, xy, _, _ := d.axes()
	b := blade{x0: d.x - xx*d.w/2, y0: d.y - xy*d.w/2, x1: d.x + xx*d.w/2, y1: d.y + xy*d.w/2, half: d.h / 2, shape: stalk, z0: 4, z1: 7}
	b = b.moved(sun.fall, 1)
	r.c.shadow(&b, 0.8*sun.depth, 3)
}

// lighting turns reflectance and shade into light at the sensor.
type lighting struct {
	p       *PhotoPlan
	sun     sunlight
	ambient [3]float32
	direct  [3]float32
	pipes   [4]pipe
	tint    [3]float64
	inner   float64 // no pipe or pipe shadow beyond these ground squares
	outer   float64
	reach   float64
	sinElev float64
}

func newLighting(p *PhotoPlan, sun sunlight) lighting {
	l := lighting{p: p, sun: sun, pipes: p.Frame.pipes(p.Flat), tint: frameColours[p.Frame.Make]}
	amb := p.Light.AmbientShare
	for i := range 3 {
		sky, warm := [3]float64{0.90, 0.99, 1.14}[i], [3]float64{1.04, 1, 0.94}[i]
		if p.Light.Kind == Overcast {
			sky, warm = 1, 1
		}
		l.ambient[i] = float32(amb * sky * p.Light.Exposure * p.Light.WhiteBalance[i])
		l.direct[i] = float32((1 - amb) * warm * p.Light.Exposure * p.Light.WhiteBalance[i])
	}
	l.inner, l.outer = p.Frame.InnerMM/2, p.Frame.InnerMM/2+p.Frame.PipeMM
	l.reach = p.Frame.PipeMM * math.Hypot(sun.dx, sun.dy)
	l.sinElev = sun.dir.Z
	return l
}

// row computes the light of picture row v.
func (r *Renderer) row(out []float32, v int, cam *camera, p *PhotoPlan, l *lighting) {
	c := &r.c
	inv := 1 / c.cell
	half := p.Light.Kind == HalfShadow
	dv := float64(v) + 0.5 - cam.v0
	for u := range cam.w {
		du := float64(u) + 0.5 - cam.u0
		g := (1 + cam.k*(du*du+dv*dv)) / cam.f
		a, b := du*g, dv*g
		d := vec{cam.z.X + a*cam.x.X + b*cam.y.X, cam.z.Y + a*cam.x.Y + b*cam.y.Y, cam.z.Z + a*cam.x.Z + b*cam.y.Z}
		s := cam.centre.Z / -d.Z
		gx, gy := cam.centre.X+s*d.X, cam.centre.Y+s*d.Y
		fx, fy := float32((gx-c.x0)*inv-0.5), float32((gy-c.y0)*inv-0.5)
		i, j := int(fx), int(fy)
		fx -= float32(i)
		fy -= float32(j)
		i, j = min(max(i, 0), c.w-2), min(max(j, 0), c.h-2)
		at := j*c.w + i
		far := max(math.Abs(gx), math.Abs(gy))
		shaded := far > l.inner-l.reach-6 && far < l.outer+l.reach+6
		piped := far > l.inner-pipeLean && far < l.outer+pipeLean

		direct := float32(1)
		if half {
			direct = float32(p.Light.lit(gx, gy))
		}
		base := direct
		if shaded {
			base *= l.frameShadow(gx, gy)
		}
		tone, shade := between(c.pix[4*at:4*at+8], c.pix[4*(at+c.w):4*(at+c.w)+8], fx, fy)
		rgb := l.light(tone, base*shade)
		if piped {
			if cov, light := l.pipeAt(cam.centre, d, gx, gy, direct, s/cam.f); cov > 0 {
				for m := range 3 {
					rgb[m] += cov * (light[m] - rgb[m])
				}
			}
		}
		if c.overA[at]|c.overA[at+1]|c.overA[at+c.w]|c.overA[at+c.w+1] != 0 {
			o0, o1 := c.overA[at:at+2], c.overA[at+c.w:at+c.w+2]
			cov := (float32(o0[0])*(1-fx)*(1-fy) + float32(o0[1])*fx*(1-fy) + float32(o1[0])*(1-fx)*fy + float32(o1[1])*fx*fy) / 255
			// Cells the leaf does not touch hold no colour: read the nearest
			// that it does.
			n := at
			for _, k := range [3]int{at + 1, at + c.w, at + c.w + 1} {
				if c.overA[k] > c.overA[n] {
					n = k
				}
			}
			q := c.over[4*n : 4*n+4 : 4*n+4]
			top := l.light([3]float32{toLinear[q[0]], toLinear[q[1]], toLinear[q[2]]}, direct*float32(q[3])/shadeOne)
			for m := range 3 {
				rgb[m] += cov * (top[m] - rgb[m])
			}
		}
		o := out[3*u : 3*u+3 : 3*u+3]
		o[0], o[1], o[2] = rgb[0], rgb[1], rgb[2]
	}
}

// between reads linear reflectance and share of direct light at (fx, fy)
// between two cells of one row and the two below.
func between(r0, r1 []uint8, fx, fy float32) (tone [3]float32, shade float32) {
	r0, r1 = r0[:8:8], r1[:8:8]
	w11 := fx * fy
	w10, w01 := fx-w11, fy-w11
	w00 := 1 - fx - w01
	for m := range 3 {
		tone[m] = w00*toLinear[r0[m]] + w10*toLinear[r0[m+4]] + w01*toLinear[r1[m]] + w11*toLinear[r1[m+4]]
	}
	shade = (w00*float32(r0[3]) + w10*float32(r0[7]) + w01*float32(r1[3]) + w11*float32(r1[7])) / shadeOne
	return tone, shade
}

// light returns what a surface of linear reflectance tone sends to the sensor.
func (l *lighting) light(tone [3]float32, direct float32) [3]float32 {
	return [3]float32{
		tone[0] * (l.ambient[0] + l.direct[0]*direct),
		tone[1] * (l.ambient[1] + l.direct[1]*direct),
		tone[2] * (l.ambient[2] + l.direct[2]*direct),
	}
}

// frameShadow returns the share of direct light the pipes leave at a place.
func (l *lighting) frameShadow(x, y float64) float32 {
	r := l.p.Frame.PipeMM / 2
	cut := 0.0
	for i := range l.pipes {
		pp := l.pipes[i]
		if pp.beyond(x, y, 2*r+l.reach+2) {
			continue
		}
		pp.a.Z = r // a flat frame casts a shadow still
		dist, _ := pp.pass(vec{x, y, 0}, l.sun.dir)
		cut = max(cut, min(max((r-dist)/max(l.sun.soft, 1)+0.5, 0), 1))
	}
	return float32(1 - cut*l.sun.depth)
}

// pipeAt returns how much of the pixel along d the frame fills, and its light.
// foot is the pixel's width on the ground in mm.
// gx, gy is where it meets the ground.
func (l *lighting) pipeAt(lens, d vec, gx, gy float64, direct float32, foot float64) (cov float32, light [3]float32) {
	r := l.p.Frame.PipeMM / 2
	best := -1.0
	var side vec
	for i := range l.pipes {
		if l.pipes[i].beyond(gx, gy, r+pipeLean) {
			continue
		}
		dist, s := l.pipes[i].pass(lens, d)
		if in := r - dist; in > best {
			best, side = in, s
		}
	}
	k := best/foot + 0.5
	if k <= 0 {
		return 0, light
	}
	off := min((r-best)/r, 1)
	// The surface turns away from the axis, which lies along side.
	n := side.scale(-off).sub(d.scale(math.Sqrt(1-off*off) / d.norm()))
	facing := max(n.dot(l.sun.dir), 0) / l.sinElev
	if l.p.Light.Kind == Overcast {
		facing = 0.55 + 0.45*n.Z
	}
	sky := float32(0.5 + 0.5*max(n.Z, -0.4))
	for m := range 3 {
		light[m] = toLinear[uint8(l.tint[m])] * (l.ambient[m]*sky + l.direct[m]*direct*float32(facing))
	}
	return float32(min(k, 1)), light
}

// stick lays a decal over the light of rows a..b-1.
func (d *decal) stick(strip []float32, a, b int, cam *camera, l *lighting) {
	u0, v0, u1, v1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, q := range d.corners() {
		p := cam.project(q)
		u0, u1 = min(u0, p.X), max(u1, p.X)
		v0, v1 = min(v0, p.Y), max(v1, p.Y)
	}
	xx, xy, yx, yy := d.axes()
	pw, ph := d.print.Rect.Dx(), d.print.Rect.Dy()
	kx, ky := float64(pw)/d.w, float64(ph)/d.h
	const sub = 4
	for v := max(int(v0)-1, a); v < min(int(v1)+2, b); v++ {
		for u := max(int(u0)-1, 0); u < min(int(u1)+2, cam.w); u++ {
			var sum float32
			hits := 0
			var gx, gy float64
			for s := range sub * sub {
				ray := cam.ray(float64(u)+(float64(s%sub)+0.5)/sub, float64(v)+(float64(s/sub)+0.5)/sub)
				t := (cam.centre.Z - d.z) / -ray.Z
				gx, gy = cam.centre.X+t*ray.X, cam.centre.Y+t*ray.Y
				x := ((gx-d.x)*xx + (gy-d.y)*xy + d.w/2) * kx
				y := ((gx-d.x)*yx + (gy-d.y)*yy + d.h/2) * ky
				if x < 0 || y < 0 || x >= float64(pw) || y >= float64(ph) {
					continue
				}
				hits++
				sum += toLinear[d.print.Pix[int(y)*d.print.Stride+int(x)]]
			}
			if hits == 0 {
				continue
			}
			cov := float32(hits) / (sub * sub)
			tone := sum / float32(hits)
			direct := float32(l.p.Light.lit(gx, gy))
			o := strip[3*((v-a)*cam.w+u):]
			for m := range 3 {
				o[m] += cov * (tone*(l.ambient[m]+l.direct[m]*direct) - o[m])
			}
		}
	}
}

// gaussian returns a normalised kernel of odd length.
func gaussian(sigma float64) []float32 {
	if sigma < 0.2 {
		return []float32{1}
	}
	n := int(math.Ceil(2.5 * sigma))
	k := make([]float32, 2*n+1)
	var sum float32
	for i := range k {
		x := float64(i-n) / sigma
		k[i] = float32(math.Exp(-x * x / 2))
		sum += k[i]
	}
	for i := range k {
		k[i] /= sum
	}
	return k
}

// convolve blurs rows first..first+n-1 of src (h rows of w pixels) into dst.
// Edges repeat.
func convolve(dst, src []float32, w, h, first, n int, kernel []float32) {
	half := len(kernel) / 2
	if half == 0 {
		copy(dst[:3*w*n], src[3*w*first:])
		return
	}
	line := make([]float32, 3*(w+2*half))
	for y := range n {
		mid := line[3*half : 3*(half+w)]
		clear(mid)
		for k, f := range kernel {
			j := min(max(first+y+k-half, 0), h-1)
			row := src[3*w*j : 3*w*(j+1)]
			for i, v := range row {
				mid[i] += f * v
			}
		}
		for i := range half {
			copy(line[3*i:3*i+3], mid[:3])
			copy(line[3*(half+w+i):3*(half+w+i)+3], mid[3*w-3:])
		}
		out := dst[3*w*y : 3*w*(y+1)]
		clear(out)
		for k, f := range kernel {
			from := line[3*k : 3*k+3*w]
			for i, v := range from {
				out[i] += f * v
			}
		}
	}
}

// sensor adds noise and codes the light.
type sensor struct {
	shot, read float64
	table      []float32
	state      uint64
}

// expose codes one row of light as sRGB with vignette and noise.
func (s *sensor) expose(pix []uint8, light []float32, v int, cam *camera, l *Light) {
	dv := float64(v) + 0.5 - cam.v0
	rr := 1 / (cam.u0*cam.u0 + cam.v0*cam.v0)
	shot, read2 := float32(s.shot), float32(s.read*s.read)
	for u := range cam.w {
		du := float64(u) + 0.5 - cam.u0
		fall := float32(1 - l.Vignette*(du*du+dv*dv)*rr)
		s.state ^= s.state << 13
		s.state ^= s.state >> 7
		s.state ^= s.state << 17
		bits := s.state
		for m := range 3 {
			x := light[3*u+m] * fall
			if x > rolloff {
				// Highlights bend over before they clip.
				x = rolloff + (1.05-rolloff)*(1-1/(1+(x-rolloff)/(1.05-rolloff)))
			}
			if x < 0 {
				x = 0
			}
			x += s.table[uint16(bits>>(16*m))] * float32(math.Sqrt(float64(shot*x+read2)))
			pix[4*u+m] = code(x)
		}
		pix[4*u+3] = 255
	}
}
