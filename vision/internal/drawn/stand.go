package drawn

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Stand is a stand of plants on one ground, seen from straight above, whose
// cover is known to the pixel. Its colours are stored sRGB values.
type Stand struct {
	Side    int     // of the picture, pixels
	MMPerPx float64 //
	Ground  string  // one of StandGrounds
	Leaf    string  // one of StandLeaves
	WidthMM float64 // of the leaves at their widest
	Cover   float64 // share of the ground to be covered with leaves, about

	Thing       string     // one of Things, or none
	ThingShare  float64    // share of the picture it takes, about
	ThingColour [3]float64 // of the thing, where not its usual one

	Film       [3]float64 // colour of a film of algae or moss on the ground under the leaves
	FilmShare  float64    // share of the ground it lies on, about; 0 for none
	FilmFrac   float64    // how far it hides the ground, 0..1
	EvenGround [3]float64 // colour of ground of one hue, instead of its usual ones
	Hay        [3]float64 // red, green and blue of cut green hay over its brightness, and
	HayShare   float64    // the share of the picture it lies on, from one side; 0 for none
	OtherLeaf  string     // leaves of some of the plants, one of StandLeaves, and
	OtherShare float64    // the share of the plants that have them
	Frost      float64    // how far rime hides what it lies on, 0..1; it lies on two thirds
	DewPerCM2  float64    // glints of drops
	Dapple     float64    // light left in shadows as of branches over half of the picture; 0 for none
	BurntShare float64    // share of the picture in glare that burns all channels

	Gains     [3]float64 // red, green and blue of all stored values; zero for 1, 1, 1
	Exposure  float64    // of all stored values; 0 for 1
	PartGains [3]float64 // further gains under a net, or by another lamp, on
	PartShare float64    // a share of the picture from one side; 0 for none,
	PartRimMM float64    // over whose rim they fade in
	Shadow    float64    // light left in the shadow over a third of the picture; 0 for none
	BlurPx    float64    // standard deviation; 0 for none
	SmearPx   float64    // length of a straight smear by a moving camera
	SmearDeg  float64    // and its direction, from x to y
	Noise     float64    // standard deviation, grey levels
	Seed      uint64
}

// StandGrounds names the grounds of a stand; the straw of "rolled" lies one
// way, that of "straw" any way.
var StandGrounds = []string{"soil", "wet soil", "sand", "rolled", "straw", "chips", "residue", "moss"}

// StandLeaves names the leaves of a stand.
var StandLeaves = []string{"green", "pale", "frosted", "glaucous", "dark", "sunlit"}

// Things are green and no plant, or lie in the way of one.
var Things = []string{"teal tarp", "green tarp", "green paint", "boot", "hose"}

var groundColours = map[string][3]float64{
	"soil": {120, 95, 70}, "wet soil": {74, 60, 47}, "sand": {192, 173, 140}, "rolled": {112, 92, 68},
	"straw": {112, 92, 68}, "chips": {96, 78, 60}, "residue": {104, 86, 64}, "moss": {104, 88, 66},
}

var leafColours = map[string][3]float64{
	"green": {74, 118, 48}, "pale": {146, 156, 98}, "frosted": {132, 152, 128}, "glaucous": {98, 123, 104},
	"dark": {42, 64, 31}, "sunlit": {150, 184, 92},
}

var thingColours = map[string][3]float64{
	"teal tarp": {22, 128, 124}, "green tarp": {28, 112, 62}, "green paint": {30, 140, 60}, "boot": {58, 78, 50}, "hose": {40, 130, 62},
}

// StandTruth is what is really there, as shares of the picture.
type StandTruth struct {
	Plants float64 // seen, not hidden by a thing
	Thing  float64
	Mask   []bool // pixels at least half plant
}

// super is how many samples a pixel has along each side.
const super = 1

// Render draws the stand as 8-bit RGB.
func (s Stand) Render() (rgb []byte, truth StandTruth) {
	rng := rand.New(rand.NewPCG(s.Seed, 5))
	c := newStandCanvas(s.Side*super, s.MMPerPx/super, rng)
	c.ground(s.Ground)
	c.regrown(s)
	c.film(s)
	c.leaves(s, rng)
	c.weather(s)
	c.thing(s)
	c.shade(s)
	c.partLight(s)

	n := s.Side
	planes := [3][]float32{}
	for k := range planes {
		planes[k] = make([]float32, n*n)
	}
	truth.Mask = make([]bool, n*n)
	gains, light := s.Gains, s.Exposure
	if gains == ([3]float64{}) {
		gains = [3]float64{1, 1, 1}
	}
	if light == 0 {
		light = 1
	}
	var plants, things float64
	for y := range n {
		for x := range n {
			leaf := 0
			for j := range super {
				for i := range super {
					at := (y*super+j)*c.side + x*super + i
					for k := range planes {
						planes[k][y*n+x] += c.pix[at][k] * float32(gains[k]*light) / (super * super)
					}
					switch c.kind[at] {
					case isLeaf:
						leaf++
					case isThing:
						things++
					}
				}
			}
			plants += float64(leaf)
			truth.Mask[y*n+x] = 2*leaf >= super*super
		}
	}
	truth.Plants, truth.Thing = plants/float64(len(c.kind)), things/float64(len(c.kind))
	rgb = make([]byte, 3*n*n)
	for k, p := range planes {
		if s.SmearPx > 0 {
			p = smeared(p, n, s.SmearPx, s.SmearDeg)
		}
		blur(p, n, n, s.BlurPx)
		for i, v := range p {
			rgb[3*i+k] = level(float64(v) + s.Noise*rng.NormFloat64())
		}
	}
	return rgb, truth
}

type standKind uint8

const (
	isGround standKind = iota
	isLeaf
	isThing
)

type standCanvas struct {
	side int
	mm   float64 // of a sample
	pix  [][3]float32
	kind []standKind
	rng  *rand.Rand
}

func newStandCanvas(side int, mm float64, rng *rand.Rand) *standCanvas {
	return &standCanvas{side, mm, make([][3]float32, side*side), make([]standKind, side*side), rng}
}

// cloud is smooth noise of about unit variance with waves of so many
// millimetres.
func (c *standCanvas) cloud(waveMM float64) func(x, y int) float32 {
	cell := max(waveMM/c.mm, 1)
	n := int(float64(c.side)/cell) + 3
	grid := make([]float32, n*n)
	for i := range grid {
		grid[i] = float32(c.rng.NormFloat64())
	}
	return func(x, y int) float32 {
		fx, fy := float64(x)/cell, float64(y)/cell
		i, j := int(fx), int(fy)
		u, v := float32(fx-float64(i)), float32(fy-float64(j))
		a, b := grid[j*n+i:], grid[(j+1)*n+i:]
		return (a[0]*(1-u)+a[1]*u)*(1-v) + (b[0]*(1-u)+b[1]*u)*v
	}
}

func (c *standCanvas) ground(name string) {
	base := groundColours[name]
	fine, mid, coarse, hue := c.cloud(1), c.cloud(4), c.cloud(30), c.cloud(8)
	patch := c.cloud(25)
	for y := range c.side {
		for x := range c.side {
			g := max(.25, 1+.12*fine(x, y)+.12*mid(x, y)+.08*coarse(x, y))
			warm := .03 * hue(x, y)
			col := base
			if name == "moss" { // a thin film of algae and moss, no plants
				if m := min(max(float64(patch(x, y))-.2, 0), 1); m > 0 {
					for k, v := range [3]float64{98, 100, 62} {
						col[k] += m * (v - col[k])
					}
				}
			}
			c.pix[y*c.side+x] = [3]float32{float32(col[0]) * g * (1 + warm), float32(col[1]) * g, float32(col[2]) * g * (1 - warm)}
		}
	}
	area := float64(c.side) * c.mm * float64(c.side) * c.mm / 1e6 // m2
	scatter := func(perM2, long, wide, lean float64, colour [3]float64) {
		for range int(perM2 * area) {
			b := .75 + .5*c.rng.Float64()
			grey := .5 * c.rng.Float64() // weathered
			mean := (colour[0] + colour[1] + colour[2]) / 3
			var col [3]float64
			for k, v := range colour {
				col[k] = b * (v + grey*(mean-v))
			}
			dir := lean * c.rng.NormFloat64()
			if lean < 0 {
				dir = 2 * math.Pi * c.rng.Float64()
			}
			x, y := c.anywhere()
			c.strip(x, y, dir, 0, long*(.4+.8*c.rng.Float64()), wide*(.6+.8*c.rng.Float64()), false, .35, col, isGround)
		}
	}
	const anyWay = -1
	switch name {
	case "soil", "wet soil", "moss":
		for range int(700 * area) { // stones
			x, y := c.anywhere()
			k := .8 + .6*c.rng.Float64()
			c.strip(x, y, 6*c.rng.Float64(), 0, 3+12*c.rng.Float64(), 3+8*c.rng.Float64(), true, .3,
				[3]float64{base[0] * k, base[1] * k * 1.02, base[2] * k * 1.1}, isGround)
		}
	case "rolled":
		scatter(1800, 260, 4, .15, [3]float64{184, 160, 112})
	case "straw":
		scatter(4200, 110, 4, anyWay, [3]float64{198, 174, 124})
	case "chips":
		scatter(9000, 26, 9, anyWay, [3]float64{156, 120, 84})
		scatter(3000, 18, 6, anyWay, [3]float64{110, 82, 60})
	case "residue":
		scatter(2600, 60, 2.5, anyWay, [3]float64{122, 104, 70})
		scatter(1500, 90, 4, anyWay, [3]float64{160, 140, 100})
	}
}

func (c *standCanvas) anywhere() (x, y float64) {
	return c.rng.Float64() * float64(c.side) * c.mm, c.rng.Float64() * float64(c.side) * c.mm
}

// strip paints a bent band from (x, y), millimetres: its widest wide, with
// pointed ends where asked, darker by fall at its edges. The ground beside it
// lies in its shadow.
func (c *standCanvas) strip(x, y, dir, bend, long, wide float64, pointed bool, fall float64, colour [3]float64, kind standKind) (fresh int) {
	steps := int(2*long/c.mm) + 1
	along := long / float64(steps)
	for i := range steps {
		half := wide / 2
		if pointed {
			u := 2*float64(i)/float64(steps) - 1
			half *= math.Sqrt(max(0, 1-u*u))
		}
		s, co := math.Sincos(dir + bend*float64(i)/float64(steps))
		for d := -half; d <= half; d += c.mm / 2 {
			px, py := int((x-d*s)/c.mm), int((y+d*co)/c.mm)
			if px < 0 || py < 0 || px >= c.side || py >= c.side {
				continue
			}
			f := 1 - fall*math.Abs(d)/(half+.1)
			at := py*c.side + px
			if kind == isLeaf && c.kind[at] != isLeaf {
				fresh++
			}
			c.kind[at] = kind
			c.pix[at] = [3]float32{float32(colour[0] * f), float32(colour[1] * f), float32(colour[2] * f)}
		}
		x, y = x+along*co, y+along*s
	}
	return fresh
}

func (c *standCanvas) leaves(s Stand, rng *rand.Rand) {
	base, ok := leafColours[s.Leaf]
	if !ok || s.WidthMM <= 0 {
		return
	}
	want := int(s.Cover * float64(len(c.kind)))
	for have := 0; have < want; {
		x, y := c.anywhere()
		base := base
		if s.OtherShare > 0 && rng.Float64() < s.OtherShare {
			base = leafColours[s.OtherLeaf]
		}
		for range 3 + rng.IntN(3) { // leaves of a plant
			k := math.Exp(.1 * rng.NormFloat64())
			yellow := 5 * rng.NormFloat64()
			col := [3]float64{k * (base[0] + yellow), k * (base[1] + .3*yellow), k * base[2]}
			wide := s.WidthMM * (.7 + .6*rng.Float64())
			have += c.strip(x, y, 2*math.Pi*rng.Float64(), .6*rng.NormFloat64(), wide*(4+8*rng.Float64()), wide, true, .2, col, isLeaf)
		}
	}
}

func (c *standCanvas) thing(s Stand) {
	colour, ok := thingColours[s.Thing]
	if !ok {
		return
	}
	if s.ThingColour != ([3]float64{}) {
		colour = s.ThingColour
	}
	side := float64(c.side) * c.mm
	switch s.Thing {
	case "hose":
		c.strip(0, side*.3, .25, .2, 1.3*side, max(s.ThingShare*side, 8), false, .25, colour, isThing)
	default: // a sheet from one side, its edge straight but slanted
		folds := c.cloud(40)
		for y := range c.side {
			edge := int(float64(c.side) * (s.ThingShare + .06*(float64(y)/float64(c.side)-.5)))
			for x := range min(max(edge, 0), c.side) {
				g := 1 + .05*folds(x, y)
				c.pix[y*c.side+x] = [3]float32{float32(colour[0]) * g, float32(colour[1]) * g, float32(colour[2]) * g}
				c.kind[y*c.side+x] = isThing
			}
		}
	}
}

// shade darkens a third of the picture.
func (c *standCanvas) shade(s Stand) {
	if s.Shadow == 0 {
		return
	}
	for y := range c.side {
		for x := range c.side {
			d := float64(x) + .3*float64(y) - .45*float64(c.side)
			l := float32(s.Shadow + (1-s.Shadow)/(1+math.Exp(d*c.mm/4)))
			for k := range 3 {
				c.pix[y*c.side+x][k] *= l
			}
		}
	}
}

// regrown gives the ground one hue, where asked, and lays green hay over one
// side of it.
func (c *standCanvas) regrown(s Stand) {
	usual, even := groundColours[s.Ground], s.EvenGround != [3]float64{}
	edge := c.edge(s.HayShare, 4)
	for y := range c.side {
		for x := range c.side {
			p := &c.pix[y*c.side+x]
			if even {
				l := (float64(p[0])/usual[0] + float64(p[1])/usual[1] + float64(p[2])/usual[2]) / 3
				for k, v := range s.EvenGround {
					p[k] = float32(v * (1 + l) / 2)
				}
			}
			if s.HayShare > 0 {
				mean, m := (p[0]+p[1]+p[2])/3, edge(x, y)
				for k, v := range s.Hay {
					p[k] += m * (mean*float32(v) - p[k])
				}
			}
		}
	}
}

// partLight lays other light over one side of the picture.
func (c *standCanvas) partLight(s Stand) {
	if s.PartShare <= 0 {
		return
	}
	edge := c.edge(s.PartShare, max(s.PartRimMM, c.mm))
	for y := range c.side {
		for x := range c.side {
			for k, v := range s.PartGains {
				c.pix[y*c.side+x][k] *= 1 + edge(x, y)*float32(v-1)
			}
		}
	}
}

// edge is 1 on a share of the picture from its left and 0 beyond a slanted rim.
func (c *standCanvas) edge(share, rimMM float64) func(x, y int) float32 {
	return func(x, y int) float32 {
		d := float64(x) + .2*(float64(y)-.5*float64(c.side)) - share*float64(c.side)
		return float32(1 / (1 + math.Exp(4*d*c.mm/rimMM)))
	}
}

// smeared is the mean along a straight line of so many pixels.
func smeared(p []float32, n int, px, deg float64) []float32 {
	s, co := math.Sincos(deg * math.Pi / 180)
	out := slices.Clone(p)
	steps := int(math.Ceil(2 * px))
	for y := range n {
		for x := range n {
			var sum float32
			for i := range steps + 1 {
				d := px * (float64(i)/float64(steps) - .5)
				u, v := min(max(int(math.Round(float64(x)+d*co)), 0), n-1), min(max(int(math.Round(float64(y)+d*s)), 0), n-1)
				sum += p[v*n+u]
			}
			out[y*n+x] = sum / float32(steps+1)
		}
	}
	return out
}
