package drawn

import "math"

// film lays algae or moss on the ground in patches of some centimetres that fade
// out at their rims.
func (c *standCanvas) film(s Stand) {
	if s.FilmShare <= 0 {
		return
	}
	patch, fine := c.cloud(28), c.cloud(2)
	level := quantile(1 - s.FilmShare)
	for y := range c.side {
		for x := range c.side {
			m := min(max((.8*float64(patch(x, y))+.15*float64(fine(x, y))-.8*level)/.25+.5, 0), 1) * s.FilmFrac
			if m == 0 {
				continue
			}
			p := &c.pix[y*c.side+x]
			grain := 1 + .07*fine(x, y)
			for k, v := range s.Film {
				p[k] += float32(m) * (float32(v)*grain - p[k])
			}
		}
	}
}

// quantile is that of the noise of cloud, whose spread interpolation narrows.
func quantile(p float64) float64 { return .66 * math.Sqrt2 * math.Erfinv(2*p-1) }

// weather lays rime and drops on leaves and ground.
func (c *standCanvas) weather(s Stand) {
	if s.Frost > 0 {
		patch, fine := c.cloud(12), c.cloud(.6)
		for y := range c.side {
			for x := range c.side {
				m := s.Frost * min(max(float64(patch(x, y))*.9+.6+.35*float64(fine(x, y)), 0), 1)
				p := &c.pix[y*c.side+x]
				for k, v := range [3]float32{206, 214, 220} {
					p[k] += float32(m) * (v - p[k])
				}
			}
		}
	}
	if s.DewPerCM2 > 0 {
		side := float64(c.side) * c.mm
		for range int(s.DewPerCM2 * side * side / 100) {
			x, y := c.rng.IntN(c.side-2), c.rng.IntN(c.side-2)
			for j := range 1 + c.rng.IntN(2) {
				for i := range 1 + c.rng.IntN(2) {
					c.pix[(y+j)*c.side+x+i] = [3]float32{275, 278, 280}
				}
			}
		}
	}
	if s.BurntShare > 0 {
		patch := c.cloud(60)
		level := quantile(1 - s.BurntShare)
		for y := range c.side {
			for x := range c.side {
				g := 1 + 2.4*min(max((float64(patch(x, y))-level)/.3+.5, 0), 1)
				p := &c.pix[y*c.side+x]
				for k := range p {
					p[k] *= float32(g)
				}
			}
		}
	}
	if s.Dapple > 0 {
		branch := c.cloud(18)
		for y := range c.side {
			for x := range c.side {
				l := float32(s.Dapple + (1-s.Dapple)/(1+math.Exp(-float64(branch(x, y))/.08)))
				p := &c.pix[y*c.side+x]
				for k := range p {
					p[k] *= l
				}
			}
		}
	}
}
