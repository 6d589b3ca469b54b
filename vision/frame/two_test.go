package frame

import (
	"errors"
	"slices"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/raster"
)

// TestTwoFrames: of two frames in one photo neither is taken without a word;
// one alone is not doubted. Where all the strongest lines belong to one of the
// frames the other goes unseen: 2 of these 8 do.
func TestTwoFrames(t *testing.T) {
	var ws Workspace
	below := func(a, b *raster.Raster) *raster.Raster {
		c := *a
		c.Height, c.ChromaHeight, c.FullHeight = a.Height+b.Height, a.ChromaHeight+b.ChromaHeight, a.FullHeight+b.FullHeight
		c.Y = append(append([]byte{}, a.Y...), b.Y...)
		c.Cb = append(append([]byte{}, a.Cb...), b.Cb...)
		c.Cr = append(append([]byte{}, a.Cr...), b.Cr...)
		return &c
	}
	opt := DefaultOptions()
	opt.PipeDiameterMM = 27
	two, one, n := 0, 0, 0
	for seed := range uint64(8) {
		var pictures []*raster.Raster
		for k := range uint64(2) {
			s := drawScene(int(seed)%3, drawn.Grounds[seed%3], 50+2*seed+k, 500, 500)
			s.TiltDeg, s.Leaves, s.ShadowEdge = 3, 4, false
			p, _ := s.Render(1000, 750)
			f, err := ws.Find(p, opt)
			if err != nil {
				t.Fatalf("scene %d: %v", seed, err)
			}
			if f.Another {
				one++
			}
			pictures = append(pictures, p)
		}
		f, err := ws.Find(below(pictures[0], pictures[1]), opt)
		n++
		if errors.Is(err, ErrNotFound) || err == nil && f.Another { // a refusal is as good
			two++
		}
	}
	t.Logf("second frame seen in %d of %d photos, and in %d of %d with one frame", two, n, one, 2*n)
	if one > 0 || two < n-2 {
		t.Errorf("second frame seen in %d of %d photos with two, and in %d with one", two, n, one)
	}
}

// TestNestedFrames: of two frames one inside the other neither is taken without a
// word, though the stated size or the pipe decides between them.
func TestNestedFrames(t *testing.T) {
	const w, h = 1000, 750
	var ws Workspace
	said, seen, n := 0, 0, 0
	for seed := range uint64(6) {
		small := drawScene(int(seed)%3, drawn.Grounds[seed%3], 150+seed, 500, 500)
		small.TiltDeg, small.Leaves, small.ShadowEdge = 3, 2, false
		big := small
		big.Frame = frameColours[(seed+1)%3].rgb
		big.WidthMM, big.HeightMM = 1000, 1000
		big.CameraMM, big.OffX, big.OffY = 1700, 0, 0
		small.CameraMM, small.OffX, small.OffY = big.CameraMM, -40, 30
		outer, _ := big.Render(w, h)
		inner, truth := small.Render(w, h)
		toFrame, err := QuadToQuad(Quad(truth.Inner), rect(500, 500))
		if err != nil {
			t.Fatal(err)
		}
		both := *outer
		both.Y, both.Cb, both.Cr = slices.Clone(outer.Y), slices.Clone(outer.Cb), slices.Clone(outer.Cr)
		out := 1.15 * small.PipeMM
		for y := range h {
			for x := range w {
				p := toFrame.Apply(pt(float64(x)+.5, float64(y)+.5))
				if p.X > -out && p.Y > -out && p.X < 500+out && p.Y < 500+out {
					both.Y[y*w+x] = inner.Y[y*w+x]
					k := y*both.ChromaHeight/h*both.ChromaWidth + x*both.ChromaWidth/w
					both.Cb[k], both.Cr[k] = inner.Cb[k], inner.Cr[k]
				}
			}
		}
		for _, mm := range []float64{500, 1000} {
			opt := DefaultOptions()
			opt.WidthMM, opt.HeightMM, opt.PipeDiameterMM = mm, mm, small.PipeMM
			f, err := ws.Find(&both, opt)
			n++
			if err == nil && f.Another {
				seen++
			}
			if errors.Is(err, ErrNotFound) || err == nil && f.Another { // a refusal is as good
				said++
			} else {
				t.Logf("scene %d, %g mm: nothing said of the other frame", seed, mm)
			}
		}
	}
	t.Logf("the other frame is told of in %d of %d photos", said, n)
	if said < n-1 || 2*seen < n {
		t.Errorf("the other frame is told of in %d of %d photos, %d of them by more than a refusal", said, n, seen)
	}
}
