package drawn

import (
	"math"
	"math/rand/v2"
	"sync"
)

// tile is a square of ground that repeats, one texel a millimetre.
type tile struct{ pix [][3]float32 }

const tileSide = 1024

func (t *tile) at(x, y float64) [3]float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	i, j := int(fx)&(tileSide-1), int(fy)&(tileSide-1)
	i1, j1 := (i+1)&(tileSide-1), (j+1)&(tileSide-1)
	u, v := float32(x-fx), float32(y-fy)
	a, b, c, d := &t.pix[j*tileSide+i], &t.pix[j*tileSide+i1], &t.pix[j1*tileSide+i], &t.pix[j1*tileSide+i1]
	var out [3]float64
	for k := range 3 {
		out[k] = float64((a[k]*(1-u)+b[k]*u)*(1-v) + (c[k]*(1-u)+d[k]*u)*v)
	}
	return out
}

var (
	tilesMu sync.Mutex
	tiles   = map[string]*tile{}
)

// Grounds names the grounds there are.
var Grounds = []string{"soil", "pale", "straw", "weedy", "rows"}

func groundTile(name string) *tile {
	tilesMu.Lock()
	defer tilesMu.Unlock()
	if t, ok := tiles[name]; ok {
		return t
	}
	rng := rand.New(rand.NewPCG(77, uint64(len(name))))
	t := &tile{make([][3]float32, tileSide*tileSide)}
	base := [3]float64{105, 82, 62}
	switch name {
	case "pale":
		base = [3]float64{186, 168, 142}
	case "straw":
		base = [3]float64{120, 98, 70}
	}
	noise := make([]float32, tileSide*tileSide)
	for _, o := range []struct {
		cell int
		amp  float32
	}{{128, .10}, {32, .10}, {8, .12}, {3, .10}, {1, .06}} {
		n := tileSide / o.cell
		grid := make([]float32, n*n)
		for i := range grid {
			grid[i] = float32(rng.NormFloat64()) * o.amp
		}
		for y := range tileSide {
			for x := range tileSide {
				gx, gy := float32(x)/float32(o.cell), float32(y)/float32(o.cell)
				i, j := int(gx), int(gy)
				u, v := gx-float32(i), gy-float32(j)
				i, j = i%n, j%n
				i1, j1 := (i+1)%n, (j+1)%n
				noise[y*tileSide+x] += (grid[j*n+i]*(1-u)+grid[j*n+i1]*u)*(1-v) + (grid[j1*n+i]*(1-u)+grid[j1*n+i1]*u)*v
			}
		}
	}
	for i := range t.pix {
		g := max(.2, 1+noise[i])
		t.pix[i] = [3]float32{float32(base[0]) * g, float32(base[1]) * g, float32(base[2]) * g}
	}
	stroke := func(x, y, dir, length, width float64, c [3]float64, round bool) {
		s, co := math.Sincos(dir)
		n := int(length * 2)
		for i := range n {
			along := float64(i) / 2
			half := width / 2
			if round {
				u := 2*along/length - 1
				half *= math.Sqrt(max(0, 1-u*u))
			}
			for d := -half; d <= half; d += .5 {
				f := 1 - .35*math.Abs(d)/(width/2+.1)
				px := int(math.Floor(x+along*co-d*s)) & (tileSide - 1)
				py := int(math.Floor(y+along*s+d*co)) & (tileSide - 1)
				t.pix[py*tileSide+px] = [3]float32{float32(c[0] * f), float32(c[1] * f), float32(c[2] * f)}
			}
		}
	}
	green := func() [3]float64 {
		b := .7 + .6*rng.Float64()
		return [3]float64{(55 + 30*rng.Float64()) * b, 115 * b, (38 + 15*rng.Float64()) * b}
	}
	any := func() float64 { return rng.Float64() * tileSide }
	switch name {
	case "straw":
		lie := .6 // rolled one way, more or less
		for range 5200 {
			b := .75 + .5*rng.Float64()
			stroke(any(), any(), lie+.45*rng.NormFloat64(), 80+260*rng.Float64(), 2+3*rng.Float64(),
				[3]float64{196 * b, 170 * b, 118 * b}, false)
		}
		for range 120 {
			stroke(any(), any(), rng.Float64()*6.3, 20+40*rng.Float64(), 8+10*rng.Float64(), green(), true)
		}
	case "weedy":
		for range 2600 {
			stroke(any(), any(), rng.Float64()*6.3, 20+60*rng.Float64(), 6+14*rng.Float64(), green(), true)
		}
	case "rows":
		for row := range 8 { // drilled cereal, 128 mm apart: long parallel blades
			for range 260 {
				stroke(any(), float64(row)*128+12*rng.NormFloat64(), .25*rng.NormFloat64(), 60+140*rng.Float64(), 4+4*rng.Float64(), green(), true)
			}
		}
	default:
		for range 160 { // stones
			b := .9 + .7*rng.Float64()
			stroke(any(), any(), rng.Float64()*6.3, 5+25*rng.Float64(), 4+14*rng.Float64(),
				[3]float64{base[0] * b, base[1] * b, base[2] * b * 1.05}, true)
		}
		for range 60 {
			stroke(any(), any(), rng.Float64()*6.3, 10+30*rng.Float64(), 5+8*rng.Float64(), green(), true)
		}
	}
	tiles[name] = t
	return t
}
