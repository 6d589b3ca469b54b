package mats

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func noise(w, h int) Plane[uint8] {
	rng := rand.New(rand.NewPCG(3, uint64(w*1000+h)))
	p := Plane[uint8]{w, h, make([]uint8, w*h)}
	for i := range p.Pix {
		p.Pix[i] = uint8(rng.IntN(256))
	}
	return p
}

func blank[T Sample](w, h int) Plane[T] { return Plane[T]{w, h, make([]T, w*h)} }

func (p Plane[T]) at(x, y int) float64 {
	return float64(p.Pix[min(max(y, 0), p.H-1)*p.W+min(max(x, 0), p.W-1)])
}

// near: every sample is what a definition says, within a tolerance.
func near[T Sample](t *testing.T, name string, p Plane[T], tolerance float64, want func(x, y int) float64) {
	t.Helper()
	for y := range p.H {
		for x := range p.W {
			if w := want(x, y); math.Abs(p.at(x, y)-w) > tolerance {
				t.Fatalf("%s: %v at (%d, %d), want %g", name, p.at(x, y), x, y, w)
			}
		}
	}
}

// TestShrink holds shrinking to the mean by its definition.
func TestShrink(t *testing.T) {
	from := noise(11, 9)
	mean := func(x0, x1, y0, y1 int) float64 {
		s := 0.
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				s += from.at(x, y)
			}
		}
		return s / float64((x1-x0)*(y1-y0))
	}
	blocks := blank[uint8](5, 3)
	if err := ShrinkBlocks(from, blocks, 2, 3); err != nil {
		t.Fatal(err)
	}
	near(t, "blocks", blocks, .51, func(x, y int) float64 { return mean(2*x, 2*x+2, 3*y, 3*y+3) })

	// One row of three samples in two: the middle one counts half in each.
	thirds := Plane[float32]{3, 1, []float32{6, 60, 600}}
	halves := blank[float32](2, 1)
	if err := Shrink(thirds, halves); err != nil {
		t.Fatal(err)
	}
	near(t, "thirds", halves, 1e-4, func(x, y int) float64 { return []float64{(6 + 30) / 1.5, (30 + 600) / 1.5}[x] })
}

// TestEnlarge: linear between the middles, level beyond the outermost.
func TestEnlarge(t *testing.T) {
	from := Plane[int16]{2, 1, []int16{-1000, 1000}}
	to := blank[int16](8, 3)
	if err := Enlarge(from, to); err != nil {
		t.Fatal(err)
	}
	near(t, "enlarged", to, 1, func(x, y int) float64 {
		return []float64{-1000, -1000, -750, -250, 250, 750, 1000, 1000}[x]
	})
}

// TestSmooth holds smoothing to a sum over the Gaussian by its definition.
func TestSmooth(t *testing.T) {
	const w, h, sigma = 23, 17, 1.4
	from := blank[float32](w, h)
	for i, v := range noise(w, h).Pix {
		from.Pix[i] = float32(v)
	}
	reach := int(math.Ceil(3 * sigma))
	var kernel []float64
	total := 0.
	for d := -reach; d <= reach; d++ {
		kernel = append(kernel, math.Exp(-float64(d*d)/(2*sigma*sigma)))
		total += kernel[len(kernel)-1]
	}
	to := blank[float32](w, h)
	if err := Smooth(from, to, sigma); err != nil {
		t.Fatal(err)
	}
	near(t, "smoothed", to, 1e-3, func(x, y int) float64 {
		s := 0.
		for j, kj := range kernel {
			for i, ki := range kernel {
				s += kj * ki * from.at(x+i-reach, y+j-reach)
			}
		}
		return s / (total * total)
	})
}

// TestSmoothByNothing: a sigma of zero copies.
func TestSmoothByNothing(t *testing.T) {
	from, to := noise(5, 4), blank[uint8](5, 4)
	if err := Smooth(from, to, 0); err != nil || !slices.Equal(to.Pix, from.Pix) {
		t.Errorf("%v: %v of %v", err, to.Pix, from.Pix)
	}
}

// TestHighest holds it to its definition; nothing comes in over the edges.
func TestHighest(t *testing.T) {
	from := blank[float32](13, 9)
	for i, v := range noise(13, 9).Pix {
		from.Pix[i] = float32(v) - 300
	}
	for reach := range 4 {
		to := blank[float32](13, 9)
		if err := Highest(from, to, reach); err != nil {
			t.Fatal(err)
		}
		near(t, "highest", to, 0, func(x, y int) float64 {
			top := math.Inf(-1)
			for v := y - reach; v <= y+reach; v++ {
				for u := x - reach; u <= x+reach; u++ {
					top = max(top, from.at(u, v))
				}
			}
			return top
		})
	}
}

// TestOpen: a square of the side stays, a smaller one goes.
func TestOpen(t *testing.T) {
	from := blank[uint8](12, 8)
	square := func(x0, y0, side int) {
		for y := range side {
			for x := range side {
				from.Pix[(y0+y)*from.W+x0+x] = 1
			}
		}
	}
	square(1, 2, 3)
	kept := slices.Clone(from.Pix)
	square(7, 3, 2)
	to := blank[uint8](12, 8)
	if err := Open(from, to, 3); err != nil || !slices.Equal(to.Pix, kept) {
		t.Errorf("%v\n%v\n%v", err, to.Pix, kept)
	}
}

// TestSharpen holds sharpening to its definition away from the edges.
func TestSharpen(t *testing.T) {
	from := noise(15, 11)
	for i := range from.Pix {
		from.Pix[i] = from.Pix[i]/4 + 96 // so that nothing is clipped for long
	}
	p := Plane[uint8]{15, 11, slices.Clone(from.Pix)}
	if err := Sharpen(p); err != nil {
		t.Fatal(err)
	}
	for y := 2; y < p.H-2; y++ {
		for x := 2; x < p.W-2; x++ {
			mean := 0.
			for j := -2; j <= 2; j++ {
				for i := -2; i <= 2; i++ {
					mean += from.at(x+i, y+j) / 25
				}
			}
			want := min(max(2.5*from.at(x, y)-1.5*mean, 0), 255)
			if math.Abs(p.at(x, y)-want) > 1.3 { // the mean is rounded first
				t.Fatalf("%v at (%d, %d), want %g", p.at(x, y), x, y, want)
			}
		}
	}
}

// TestRefused: planes that are too short, and sizes that do not fit, are
// refused before OpenCV sees them.
func TestRefused(t *testing.T) {
	good := blank[uint8](4, 4)
	for _, p := range []Plane[uint8]{{}, {2, 2, make([]uint8, 3)}, {-1, -1, make([]uint8, 3)}} {
		if Shrink(p, good) == nil || Enlarge(p, good) == nil || Sharpen(p) == nil || Smooth(p, p, 1) == nil || Open(p, p, 1) == nil || Highest(p, p, 1) == nil {
			t.Errorf("plane of %d x %d with %d samples was taken", p.W, p.H, len(p.Pix))
		}
		if Shrink(good, p) == nil || Enlarge(good, p) == nil {
			t.Errorf("plane of %d x %d with %d samples was written on", p.W, p.H, len(p.Pix))
		}
	}
	small := blank[uint8](3, 4)
	for name, err := range map[string]error{
		"smoothing to another size":      Smooth(good, small, 1),
		"smoothing by less than nothing": Smooth(good, good, -1),
		"smoothing without an end":       Smooth(good, good, math.Inf(1)),
		"smoothing by an unknown amount": Smooth(good, good, math.NaN()),
		"opening to another size":        Open(good, small, 1),
		"opening by nothing":             Open(good, good, 0),
		"more blocks than there are":     ShrinkBlocks(good, small, 2, 1),
		"empty blocks":                   ShrinkBlocks(good, small, 0, 1),
	} {
		if err == nil {
			t.Errorf("%s was done", name)
		}
	}
	if !strings.HasPrefix(Version(), "4.") {
		t.Errorf("OpenCV %q", Version())
	}
}
