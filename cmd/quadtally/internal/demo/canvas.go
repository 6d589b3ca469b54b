package demo

import (
	"math"
	"math/rand/v2"
)

// grid is a raster of the ground: cell (i, j) has its centre at
// (x0 + (i+0.5) cell, y0 + (j+0.5) cell) millimetres.
type grid struct {
	x0, y0, cell float64
	w, h         int
}

// blade is the one shape all vegetation is made of: a strip from a base to a
// tip, with a width profile, a sideways bend and a height at either end.
// Leaves, stems, stalks of straw and petioles are all blades.
type blade struct {
	x0, y0, z0 float64 // base, mm
	x1, y1, z1 float64 // tip, mm
	half       float64 // half of the greatest width, mm
	bend       float64 // sideways sag at the middle, as a share of the length
	shape      *profile
	class      Class
	look       look
}

// look is how a blade is coloured.
type look struct {
	rgb    [3]float64 // 0..255 in sRGB
	tip    float64    // lightness change from base to tip
	rib    float64    // strength of the midrib, 0..1
	roll   float64    // how far the halves are turned against each other
	mottle float64
	gloss  float64 // sky reflected, 0..1
}

// profile is the half-width along a blade, base to tip, greatest value 1.
type profile [65]float32

func newProfile(f func(u float64) float64) *profile {
	var p profile
	top := 0.0
	for i := range p {
		v := max(f(float64(i)/64), 0)
		p[i] = float32(v)
		top = max(top, v)
	}
	for i := range p {
		p[i] /= float32(top)
	}
	return &p
}

func (p *profile) at(u float32) float32 {
	t := u * 64
	i := int(t)
	if i < 0 {
		return p[0]
	}
	if i > 63 {
		return p[64]
	}
	f := t - float32(i)
	return p[i] + f*(p[i+1]-p[i])
}

// moved returns the blade with both ends carried through f, its width scaled.
func (b blade) moved(f func(x, y, z float64) (float64, float64), widen float64) blade {
	b.x0, b.y0 = f(b.x0, b.y0, b.z0)
	b.x1, b.y1 = f(b.x1, b.y1, b.z1)
	b.half *= widen
	return b
}

// span is one row's share of a blade: cells xa..xb-1 of row y, with the place
// along (0..1) and across (mm, from the straight axis) at xa and their steps.
type span struct {
	y, xa, xb int
	u, du     float32
	v, dv     float32
}

// scan calls f for every row of g that the blade, widened by margin mm, may
// touch.
func (b *blade) scan(g grid, margin float64, f func(s span)) {
	dx, dy := b.x1-b.x0, b.y1-b.y0
	length := math.Hypot(dx, dy)
	if length < 1e-6 {
		return
	}
	tx, ty := dx/length, dy/length
	sag := b.bend * length
	lo, hi := -b.half-margin+min(sag, 0), b.half+margin+max(sag, 0)
	// Rows of the turned rectangle.
	ymin, ymax := math.Inf(1), math.Inf(-1)
	for _, e := range [2]float64{-margin, length + margin} {
		for _, a := range [2]float64{lo, hi} {
			y := b.y0 + e*ty + a*tx
			ymin, ymax = min(ymin, y), max(ymax, y)
		}
	}
	ja := max(int(math.Floor((ymin-g.y0)/g.cell-0.5)), 0)
	jb := min(int(math.Ceil((ymax-g.y0)/g.cell-0.5)), g.h-1)
	for j := ja; j <= jb; j++ {
		ry := g.y0 + (float64(j)+0.5)*g.cell - b.y0
		xa, xb := math.Inf(-1), math.Inf(1)
		// Along: -margin <= X tx + ry ty <= length+margin; across likewise
		// with the normal (-ty, tx).
		xa, xb = clip(xa, xb, tx, ry*ty, -margin, length+margin)
		xa, xb = clip(xa, xb, -ty, ry*tx, lo, hi)
		if xa > xb {
			continue
		}
		ia := max(int(math.Floor((xa+b.x0-g.x0)/g.cell-0.5)), 0)
		ib := min(int(math.Ceil((xb+b.x0-g.x0)/g.cell-0.5))+1, g.w)
		if ia >= ib {
			continue
		}
		rx := g.x0 + (float64(ia)+0.5)*g.cell - b.x0
		f(span{
			y: j, xa: ia, xb: ib,
			u: float32((rx*tx + ry*ty) / length), du: float32(g.cell * tx / length),
			v: float32(-rx*ty + ry*tx), dv: float32(-g.cell * ty),
		})
	}
}

// clip narrows [xa, xb] to where lo <= k x + c <= hi.
func clip(xa, xb, k, c, lo, hi float64) (float64, float64) {
	if math.Abs(k) < 1e-12 {
		if c < lo || c > hi {
			return 1, 0
		}
		return xa, xb
	}
	a, b := (lo-c)/k, (hi-c)/k
	if a > b {
		a, b = b, a
	}
	return max(xa, a), min(xb, b)
}

// inset returns how far, in mm, the place (u, v) lies inside the blade
// (negative outside), and the signed place across from the bent axis.
func (b *blade) inset(u, v, sag4 float32) (in, across float32) {
	across = v - sag4*u*(1-u)
	a := across
	if a < 0 {
		a = -a
	}
	return float32(b.half)*b.shape.at(u) - a, across
}

func (b *blade) sag4() float32 {
	return float32(4 * b.bend * math.Hypot(b.x1-b.x0, b.y1-b.y0))
}

// stamp marks every cell whose centre lies inside the blade.
func (b *blade) stamp(g grid, cells []Class) {
	sag4 := b.sag4()
	b.scan(g, 0, func(s span) {
		row := cells[s.y*g.w:]
		for x := s.xa; x < s.xb; x++ {
			if s.u >= 0 && s.u <= 1 {
				if in, _ := b.inset(s.u, s.v, sag4); in > 0 {
					row[x] = b.class
				}
			}
			s.u += s.du
			s.v += s.dv
		}
	})
}

// canvas is the ground as painted: per cell red, green and blue reflectance in
// sRGB code and the share of direct light it receives (shadeOne is full light
// on level ground). Leaves that stand over the frame are painted on a second
// layer with its own opacity, because the frame lies between the two.
type canvas struct {
	grid
	pix   []uint8
	over  []uint8
	overA []uint8
	noise *noise
}

const shadeOne = 150

// reset makes c a blank canvas over g, reusing memory.
func (c *canvas) reset(g grid, n *noise) {
	c.grid, c.noise = g, n
	size := g.w * g.h
	if cap(c.pix) < 4*size {
		c.pix, c.over, c.overA = make([]uint8, 4*size), make([]uint8, 4*size), make([]uint8, size)
	}
	c.pix, c.over, c.overA = c.pix[:4*size], c.over[:4*size], c.overA[:size]
	clear(c.overA)
}

// shadow darkens what lies below the blade's shadow: b is already moved to
// where the shadow falls; soft is the width of its edge in mm.
func (c *canvas) shadow(b *blade, strength, soft float64) {
	sag4 := b.sag4()
	soft = max(soft, c.cell)
	inv, k := float32(1/soft), float32(strength)
	b.scan(c.grid, soft/2, func(s span) {
		p := c.pix[4*(s.y*c.w+s.xa):]
		for x := s.xa; x < s.xb; x++ {
			if s.u >= 0 && s.u <= 1 {
				in, _ := b.inset(s.u, s.v, sag4)
				if cov := in*inv + 0.5; cov > 0 {
					i := 4*(x-s.xa) + 3
					p[i] = uint8(float32(p[i]) * (1 - k*min(cov, 1)))
				}
			}
			s.u += s.du
			s.v += s.dv
		}
	})
}

// paint lays the blade on the canvas, on the upper layer when over is set.
// sunX and sunY are the horizontal direction towards the sun, scaled by how
// directional the light is.
func (c *canvas) paint(b *blade, over bool, sunX, sunY float64) {
	sag4 := b.sag4()
	inv := float32(1 / c.cell)
	length := math.Hypot(b.x1-b.x0, b.y1-b.y0)
	if length < 1e-6 {
		return
	}
	// Across direction against the sun: one half of a folded leaf faces it.
	turn := float32(b.look.roll * (-(b.y1-b.y0)*sunX + (b.x1-b.x0)*sunY) / length)
	var rgb [3]float32
	for i, v := range b.look.rgb {
		rgb[i] = float32(v)
	}
	rib, mottle, tip, gloss := float32(b.look.rib), float32(b.look.mottle), float32(b.look.tip), float32(b.look.gloss)
	ribHalf := float32(max(0.09*b.half, 0.35))
	off := int(b.x0*7+b.y0*13) & noiseMask
	pix := c.pix
	if over {
		pix = c.over
	}
	b.scan(c.grid, c.cell, func(s span) {
		base := s.y*c.w + s.xa
		nrow := c.noise.fine[((s.y+off)&noiseMask)*noiseSize:]
		for x := s.xa; x < s.xb; x++ {
			u, v := s.u, s.v
			s.u += s.du
			s.v += s.dv
			if u < 0 || u > 1 {
				continue
			}
			in, across := b.inset(u, v, sag4)
			cov := in*inv + 0.5
			if cov <= 0 {
				continue
			}
			cov = min(cov, 1)
			a := across
			if a < 0 {
				a = -a
			}
			q := across / max(in+a, 0.2)
			light := 1 + turn*q - 0.16*q*q
			tone := 1 + tip*(u-0.5) + mottle*nrow[(x+off)&noiseMask]
			r, g, bl := rgb[0]*tone, rgb[1]*tone, rgb[2]*tone
			if rib > 0 && a < ribHalf*(1.2-u) {
				k := rib * (1 - a/(ribHalf*(1.2-u)))
				r += k * (165 - r)
				g += k * (180 - g)
				bl += k * (125 - bl)
			}
			if gloss > 0 {
				// The sky mirrored by the upper side, strongest where the
				// blade turns over.
				k := gloss * (1 - q*q) * u * (1 - u) * 4
				r += k * (190 - r)
				g += k * (200 - g)
				bl += k * (200 - bl)
			}
			i := base + x - s.xa
			if over {
				// Plain source-over with separate opacity.
				a0 := float32(c.overA[i]) / 255
				a1 := cov + a0*(1-cov)
				c.overA[i] = uint8(a1*255 + 0.5)
				cov /= a1
			}
			p := pix[4*i : 4*i+4 : 4*i+4]
			p[0] = mix8(p[0], r, cov)
			p[1] = mix8(p[1], g, cov)
			p[2] = mix8(p[2], bl, cov)
			p[3] = mix8(p[3], light*shadeOne, cov)
		}
	})
}

func mix8(old uint8, v, k float32) uint8 {
	x := float32(old) + k*(v-float32(old)) + 0.5
	if x < 0 {
		return 0
	}
	if x > 255 {
		return 255
	}
	return uint8(x)
}

const (
	noiseSize = 512
	noiseMask = noiseSize - 1
)

// noise holds two tiles of smooth random texture that repeat without a seam,
// each with mean about 0 and values about -1..1: fine has grain down to a
// cell, soft only waves of 16 cells and more. gauss is a table of normal
// deviates for the sensor.
type noise struct {
	fine, soft []float32
	gauss      []float32
}

func newNoise(seed uint64) *noise {
	rng := rand.New(rand.NewPCG(seed, 0x6e6f697365))
	n := &noise{fine: tile(rng, 6, 8, 0.62), soft: tile(rng, 4, 5, 0.5), gauss: make([]float32, 1<<16)}
	for i := range n.gauss {
		n.gauss[i] = float32(rng.NormFloat64())
	}
	return n
}

// tile sums value noise of lattice 2^first .. 2^last points a side.
func tile(rng *rand.Rand, first, last int, gain float64) []float32 {
	out := make([]float32, noiseSize*noiseSize)
	amp := float32(1)
	for oct := first - 3; oct <= last; oct++ {
		n := 1 << oct
		lattice := make([]float32, n*n)
		for i := range lattice {
			lattice[i] = float32(2*rng.Float64() - 1)
		}
		step := noiseSize / n
		for y := range noiseSize {
			j, fy := y/step, smooth(float32(y%step)/float32(step))
			r0, r1 := lattice[j*n:], lattice[((j+1)%n)*n:]
			for x := range noiseSize {
				i, fx := x/step, smooth(float32(x%step)/float32(step))
				k := (i + 1) % n
				a := r0[i] + fx*(r0[k]-r0[i])
				b := r1[i] + fx*(r1[k]-r1[i])
				out[y*noiseSize+x] += amp * (a + fy*(b-a))
			}
		}
		amp *= float32(gain)
	}
	var peak float32
	for _, v := range out {
		peak = max(peak, v, -v)
	}
	for i := range out {
		out[i] /= peak * 0.7
	}
	return out
}

func smooth(t float32) float32 { return t * t * (3 - 2*t) }

// bilinear reads a tile at a real position in tile cells.
func bilinear(t []float32, x, y float32) float32 {
	xf, yf := float32(math.Floor(float64(x))), float32(math.Floor(float64(y)))
	i, j := int(xf)&noiseMask, int(yf)&noiseMask
	k, l := (i+1)&noiseMask, (j+1)&noiseMask
	fx, fy := x-xf, y-yf
	a := t[j*noiseSize+i] + fx*(t[j*noiseSize+k]-t[j*noiseSize+i])
	b := t[l*noiseSize+i] + fx*(t[l*noiseSize+k]-t[l*noiseSize+i])
	return a + fy*(b-a)
}
