package vision

import (
	"math/rand/v2"
	"testing"
)

func TestClippingOf(t *testing.T) {
	for _, c := range []struct {
		name     string
		y, cb, c int32 // 8-bit units, chroma from neutral
		want     clipping
	}{
		{"mid grey", 128, 0, 0, sureFully},
		{"leaf in shade", 80, -20, -15, sureFully},
		{"white", 255, 0, 0, allClipped},
		{"leaf in sun", 225, -60, -18, grnClipped},            // 200, 259, 119
		{"straw in sun", 235, -25, 15, redClipped},            // 256, 233, 191
		{"blue paper", 200, 35, -20, bluClipped},              // 172, 202, 262
		{"half clipped", 250, 0, 0, allClipped | sureFully/2}, // all at 250
	} {
		if got := clippingOf(c.y*unit, c.cb*unit, c.c*unit); got != c.want {
			t.Errorf("%s: %08b, want %08b", c.name, got, c.want)
		}
	}
}

// clippedCover is the cover of leaves under light times what the drawing has,
// stored values held at 255, at the threshold of a typical photo.
func clippedCover(t *testing.T, light float64, ground [3]int, draw func(s *scene)) float64 {
	t.Helper()
	s := newScene(600, 600, ground)
	draw(s)
	s.noise(rand.New(rand.NewPCG(5, 8)), 6, 0, 0, 600, 600)
	for i, v := range s.rgb {
		s.rgb[i] = clampByte(light * float64(v))
	}
	m, err := Measure(s.png(t), plain())
	if err != nil {
		t.Fatal(err)
	}
	return m.Curve.CoverFrac(scales[IndexSoftExG].prior)
}

// TestClipped: cover stays as light clips leaves, and white is neither leaf nor
// bare only because it is white: glare on a leaf is leaf, a white stone on
// soil is ground, and white film around seedlings does not take their colour.
func TestClipped(t *testing.T) {
	leaf, shade := [3]int{130, 165, 85}, [3]int{90, 115, 60}
	leaves := func(s *scene) {
		for i := range 9 {
			x, y := 40+i%3*200, 40+i/3*200
			s.fill(x, y, 120, 120, leaf)
			for vein := range 6 {
				s.fill(x, y+20*vein+8, 120, 5, shade)
			}
		}
	}
	patches := func(inLeaf, side int) func(s *scene) {
		return func(s *scene) {
			leaves(s)
			for i := range 9 {
				s.fill(40+inLeaf+i%3*200, 40+inLeaf+i/3*200, side, side, [3]int{255, 255, 255})
			}
		}
	}
	strip := func(s *scene) {
		s.fill(0, 30, 600, 140, [3]int{255, 255, 255})
		leaves(s)
	}
	soil, straw := [3]int{110, 95, 80}, [3]int{175, 155, 120}
	want := clippedCover(t, 1, soil, leaves)
	const drawn = 9 * 120 * 120 / 360000.0
	near(t, "cover as drawn", want, drawn, 0.015)
	near(t, "cover as drawn, red and green clipped", clippedCover(t, 2.1, soil, leaves), drawn, 0.03)
	near(t, "cover of straw in sun", clippedCover(t, 1.5, straw, func(*scene) {}), 0, 0.001)
	for _, c := range []struct {
		name   string
		light  float64
		ground [3]int
		draw   func(*scene)
		within float64
	}{
		{"green clipped", 1.7, soil, leaves, 0.005},
		{"glare on leaves", 1, soil, patches(40, 30), 0.005},
		{"white stones between leaves", 1, soil, patches(122, 36), 0.01},
		{"a strip of white film", 1, soil, strip, 0.02},
		{"seedlings on white film", 1.5, [3]int{180, 180, 180}, leaves, 0.02},
	} {
		t.Run(c.name, func(t *testing.T) {
			near(t, "cover", clippedCover(t, c.light, c.ground, c.draw), want, c.within)
		})
	}
}
