package demo

import (
	"math"
	"math/rand/v2"
)

// Surface is what lies on the ground of a plot.
type Surface uint8

// The surfaces of the demonstration trial.
const (
	TilledSoil Surface = iota
	RolledRye
	RolledRyeVetch
	RolledBarley
	SpreadStraw
)

var surfaceNames = [...]string{"tilled soil", "rolled rye", "rolled rye and vetch", "rolled barley", "spread straw"}

// String returns the surface in words.
func (s Surface) String() string { return surfaceNames[s] }

// MarshalText makes a surface its words in JSON.
func (s Surface) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// stalks is one kind of straw on the ground.
type stalks struct {
	perM2       float64
	short, long float64 // length, mm
	half        float64 // half of the width, mm
	lean        float64 // standard deviation from the rolling direction, radians
	rgb         [3]float64
}

// anyWay is the lean of stalks that no roller laid down.
const anyWay = -1

// residue is what covers each surface, the lowest layer first.
var residue = [...][]stalks{
	TilledSoil: {{14, 20, 90, 1.2, anyWay, [3]float64{176, 156, 116}}},
	RolledRye: {
		{700, 180, 520, 2.0, 0.16, [3]float64{176, 153, 108}},
		{500, 60, 220, 2.8, 0.4, [3]float64{158, 138, 98}},
	},
	RolledRyeVetch: {
		{560, 180, 520, 2.0, 0.18, [3]float64{172, 150, 106}},
		{900, 25, 110, 1.4, anyWay, [3]float64{118, 101, 68}}, // vetch, dark and short
		{320, 60, 200, 2.6, 0.5, [3]float64{150, 132, 92}},
	},
	RolledBarley: {
		{640, 140, 400, 1.9, 0.2, [3]float64{196, 174, 122}},
		{420, 50, 180, 2.6, 0.5, [3]float64{184, 163, 116}},
	},
	SpreadStraw: {
		{1500, 40, 240, 2.1, anyWay, [3]float64{200, 178, 128}},
		{900, 15, 70, 1.5, anyWay, [3]float64{186, 165, 120}},
	},
}

// ground paints the surface of a plot: earth first, then clods and stones or
// the stalks that cover it. age runs from 0 at the first visit to 1 at the
// last: straw weathers from yellow to grey. moist darkens the earth. What lies
// out of the picture is left out.
func (c *canvas) ground(s Surface, age, moist float64, sun sunlight, cam *camera, rng *rand.Rand) {
	tilled := s == TilledSoil
	rough := 0.9
	if !tilled {
		rough = 0.45
	}
	c.earth(moist, rough, sun, rng)
	area := float64(c.w) * float64(c.h) * c.cell * c.cell / 1e6 // m2
	x1, y1 := c.x0+float64(c.w)*c.cell, c.y0+float64(c.h)*c.cell
	place := func() (float64, float64) {
		return c.x0 + rng.Float64()*(x1-c.x0), c.y0 + rng.Float64()*(y1-c.y0)
	}
	wet := 1 - 0.35*moist
	clods, stones := 1500.0, 45.0
	if !tilled {
		clods, stones = 180, 25
	}
	for range int(clods * area) {
		x, y := place()
		if !cam.near(x, y, 30) {
			continue
		}
		// Many crumbs, few clods: a power law of radius from 2 to 24 mm.
		r := min(2.2*math.Pow(1-rng.Float64(), -1/1.9), 24)
		k := wet * math.Exp(0.10*rng.NormFloat64())
		c.lump(x, y, r, 0.4*r, 0.75, [3]float64{127 * k, 101 * k, 76 * k}, sun, rng)
	}
	for range int(stones * area) {
		x, y := place()
		if !cam.near(x, y, 30) {
			continue
		}
		r := min(4*math.Pow(1-rng.Float64(), -1/2.2), 24)
		k := 0.8 + 0.45*rng.Float64()
		warm := 8 * rng.NormFloat64()
		c.lump(x, y, r, 0.4*r, 0.35, [3]float64{146*k + warm, 138 * k, 126*k - warm}, sun, rng)
	}
	rolled := 1.5*math.Pi + 0.08*rng.NormFloat64() // the roller went along y
	for _, l := range residue[s] {
		for range int(l.perM2 * area) {
			x, y := place()
			if !cam.near(x, y, l.long/2+20) {
				continue
			}
			length := l.short + (l.long-l.short)*math.Pow(rng.Float64(), 1.6)
			a := rolled + l.lean*rng.NormFloat64()
			if l.lean == anyWay {
				a = 2 * math.Pi * rng.Float64()
			}
			k := math.Exp(0.13*rng.NormFloat64()) * (1 - 0.12*age) * (1 - 0.2*moist)
			grey := min(0.65*age*rng.Float64()*1.4, 0.8)
			mean := (l.rgb[0] + l.rgb[1] + l.rgb[2]) / 3
			var rgb [3]float64
			for i, v := range l.rgb {
				rgb[i] = k * (v + grey*(mean-v))
			}
			// A few are still straw-green when young.
			if rng.Float64() < 0.07*(1-age) && !tilled {
				rgb[0] *= 0.93
				rgb[2] *= 0.92
			}
			z := 1 + 9*rng.Float64()
			b := blade{
				x0: x - length/2*math.Cos(a), y0: y - length/2*math.Sin(a), z0: z,
				x1: x + length/2*math.Cos(a), y1: y + length/2*math.Sin(a), z1: z + 4*rng.Float64(),
				half: l.half * (0.7 + 0.6*rng.Float64()), bend: 0.02 * rng.NormFloat64(), shape: stalk,
				look: look{rgb: rgb, tip: 0.1 * rng.NormFloat64(), roll: 0.45, mottle: 0.09},
			}
			sh := b.moved(sun.fall, 1)
			c.shadow(&sh, 0.75*sun.depth, sun.soft)
			c.paint(&b, false, sun.x, sun.y)
		}
	}
}

// earth paints bare ground: colour and relief from random texture.
func (c *canvas) earth(moist, rough float64, sun sunlight, rng *rand.Rand) {
	ox, oy := float32(rng.IntN(noiseSize)), float32(rng.IntN(noiseSize))
	k := (1 - 0.35*moist) * math.Exp(0.05*rng.NormFloat64())
	base := [3]float32{float32(120 * k), float32(95 * k), float32(70 * k)}
	// Relief: two scales of texture, lit by their slope towards the sun. A
	// tile cell is 0.7 mm of ground for the fine scale, 2.3 mm for the coarse.
	const fineMM, coarseMM = 0.7, 2.3
	cell := float32(c.cell)
	sx, sy := float32(sun.x), float32(sun.y)
	gain := float32(rough) * (0.35 + 0.65*float32(sun.depth))
	for j := range c.h {
		y := float32(c.y0) + (float32(j)+0.5)*cell
		row := c.pix[4*j*c.w:]
		for i := range c.w {
			x := float32(c.x0) + (float32(i)+0.5)*cell
			fx, fy := x/fineMM+ox, y/fineMM+oy
			at := func(dx, dy float32) float32 {
				return c.noise.fine[(int(fy+dy+4*noiseSize*64)&noiseMask)*noiseSize+int(fx+dx+4*noiseSize*64)&noiseMask]
			}
			fine := at(0, 0)
			slope := fine - at(3*sx, 3*sy)
			gx, gy := x/coarseMM+oy, y/coarseMM+ox
			coarse := bilinear(c.noise.fine, gx, gy)
			slope += 1.3 * (coarse - bilinear(c.noise.fine, gx+2*sx, gy+2*sy))
			tone := 1 + 0.15*fine + 0.10*coarse
			light := (1 + gain*slope + 0.25*gain*coarse) * shadeOne
			p := row[4*i : 4*i+4 : 4*i+4]
			p[0] = mix8(0, base[0]*tone, 1)
			p[1] = mix8(0, base[1]*tone, 1)
			p[2] = mix8(0, base[2]*(tone-0.03*coarse), 1)
			p[3] = mix8(0, max(light, 25), 1)
		}
	}
}

// lump paints a clod or stone: an uneven dome of radius r and height h with
// its cast shadow.
func (c *canvas) lump(x0, y0, r, h, uneven float64, rgb [3]float64, sun sunlight, rng *rand.Rand) {
	shx, shy := sun.fall(x0, y0, 0.7*h)
	off := rng.IntN(noiseSize)
	c.disc(shx, shy, r, uneven, off, func(p []uint8, _, _, _, cov float32) {
		p[3] = uint8(float32(p[3]) * (1 - float32(0.8*sun.depth)*cov))
	})
	sx, sy := float32(sun.x), float32(sun.y)
	soft := float32(0.4 + 0.6*sun.depth)
	cr, cg, cb := float32(rgb[0]), float32(rgb[1]), float32(rgb[2])
	c.disc(x0, y0, r, uneven, off, func(p []uint8, dx, dy, n, cov float32) {
		// A flat top that breaks off at the sides, roughened by the texture.
		d2 := dx*dx + dy*dy
		tone := 1 + 0.10*n
		light := 1 + soft*(d2*(dx*sx+dy*sy)+0.35*n) - 0.12*d2
		p[0] = mix8(p[0], cr*tone, cov)
		p[1] = mix8(p[1], cg*tone, cov)
		p[2] = mix8(p[2], cb*tone, cov)
		p[3] = mix8(p[3], max(light, 0.1)*shadeOne, cov)
	})
}

// disc calls f for the cells of an uneven disc with the place from the centre
// in radii, the texture there and the cell's coverage.
func (c *canvas) disc(x0, y0, r, uneven float64, off int, f func(p []uint8, dx, dy, n, cov float32)) {
	reach := r * (1 + uneven)
	i0, i1 := max(int((x0-reach-c.x0)/c.cell), 0), min(int((x0+reach-c.x0)/c.cell)+1, c.w)
	j0, j1 := max(int((y0-reach-c.y0)/c.cell), 0), min(int((y0+reach-c.y0)/c.cell)+1, c.h)
	inv, edge := float32(1/r), float32(r/c.cell)
	// Texture waves in proportion to the lump: about two across.
	wave := float32(26)
	for j := j0; j < j1; j++ {
		dy := float32(c.y0+(float64(j)+0.5)*c.cell-y0) * inv
		for i := i0; i < i1; i++ {
			dx := float32(c.x0+(float64(i)+0.5)*c.cell-x0) * inv
			d2 := dx*dx + dy*dy
			if d2 > 2.2 {
				continue
			}
			u, v := int(dx*wave)+off, int(dy*wave)+off
			n := c.noise.fine[(v&noiseMask)*noiseSize+(u&noiseMask)]
			d := float32(math.Sqrt(float64(d2))) * (1 + float32(uneven)*n)
			cov := (1-d)*edge + 0.5
			if cov <= 0 {
				continue
			}
			k := 4 * (j*c.w + i)
			f(c.pix[k:k+4:k+4], dx, dy, n, min(cov, 1))
		}
	}
}
