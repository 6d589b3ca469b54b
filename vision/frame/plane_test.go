package frame

import (
	"math"
	"math/rand/v2"
	"testing"

	"quadtally/vision/raster"
)

func noise(seed uint64, w, h int) plane {
	rng := rand.New(rand.NewPCG(seed, 3))
	p := plane{w, h, make([]byte, w*h)}
	for i := range p.pix {
		p.pix[i] = byte(rng.IntN(256))
	}
	return p
}

// TestShrunk: a shrunk pixel is the rounded mean of its block, a half either
// way, whatever the block and however the rows are laid out.
func TestShrunk(t *testing.T) {
	var buf []byte
	for _, f := range [][2]int{{2, 2}, {4, 4}, {2, 1}, {1, 2}, {3, 3}, {8, 8}} {
		for _, size := range [][2]int{{64, 16}, {67, 19}, {37, 23}, {9, 9}} {
			p := noise(uint64(f[0]), size[0], size[1])
			got := p.shrunk(f[0], f[1], &buf)
			if got.w != p.w/f[0] || got.h != p.h/f[1] {
				t.Fatalf("%v of %v is %d x %d", f, size, got.w, got.h)
			}
			for y := range got.h {
				for x := range got.w {
					sum, n := 0, f[0]*f[1]
					for i := range n {
						sum += int(p.pix[(y*f[1]+i/f[0])*p.w+x*f[0]+i%f[0]])
					}
					if v := int(got.pix[y*got.w+x]); 2*(v*n-sum) > n || 2*(sum-v*n) > n {
						t.Fatalf("%v of %v at (%d, %d): %d, want %d/%d", f, size, x, y, v, sum, n)
					}
				}
			}
		}
	}
	if p := noise(1, 5, 4); &p.shrunk(1, 1, &buf).pix[0] != &p.pix[0] {
		t.Error("a picture that stays as large was copied")
	}
}

// TestWalk: samples along a line are those taken one by one, inside the
// picture and beyond its rim.
func TestWalk(t *testing.T) {
	p := noise(7, 40, 30)
	rng := rand.New(rand.NewPCG(8, 8))
	out := make([]float64, 25)
	for range 500 {
		start := raster.Point{X: 60*rng.Float64() - 10, Y: 50*rng.Float64() - 10}
		sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
		d := raster.Point{X: cos * rng.Float64(), Y: sin * rng.Float64()}
		p.walk(start, d, out)
		for i, got := range out {
			// A 256th of a pixel is a grey level at the steepest.
			if want := p.sample(start.X+float64(i)*d.X, start.Y+float64(i)*d.Y); math.Abs(got-want) > 2.1 {
				t.Fatalf("sample %d from %v by %v is %.2f, want %.2f", i, start, d, got, want)
			}
		}
	}
}

func TestBelow(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 20000 {
		v, level := rng.Uint64(), uint64(rng.IntN(256))
		var want uint8
		for i := range 8 {
			if v>>(8*i)&255 < level {
				want |= 1 << i
			}
		}
		if got := below(v, level); got != want {
			t.Fatalf("%016x below %d: %08b, want %08b", v, level, got, want)
		}
	}
}

// TestGradientDirections: a ramp's gradient points up the ramp, as does its
// vote, and keeps pointing there where it is too strong for its type.
func TestGradientDirections(t *testing.T) {
	aim := newDirections()
	for degrees := range 360 {
		sin, cos := math.Sincos(float64(degrees) * math.Pi / 180)
		for _, length := range []float64{20, 60, 127} {
			at := directionOf(int8(math.Round(length*cos)), int8(math.Round(length*sin)))
			got := float64(aim.theta[at]) * 360 / thetaBins
			if off := math.Abs(math.Remainder(got-float64(degrees), 360)); off > 3 {
				t.Fatalf("%d degrees came back as %g", degrees, got)
			}
		}
	}
	p := plane{32, 32, make([]byte, 32*32)}
	for i := range p.pix {
		p.pix[i] = byte(min(250, max(0, 125+30*(2*(i%32)+i/32-48))))
	}
	var buf []int8
	g := gradientsOf(p, &buf)
	at := 2 * (16*32 + 16)
	if ratio := float64(g.g[at]) / float64(g.g[at+1]); math.Abs(ratio-2) > .1 {
		t.Errorf("the gradient of an edge of slope 2 is (%d, %d)", g.g[at], g.g[at+1])
	}
}
