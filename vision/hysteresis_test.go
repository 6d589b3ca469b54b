package vision

import (
	"math/rand/v2"
	"testing"
)

// planeOf lays codes out as a measured plane with its curve.
func planeOf(x Index, codes []uint8, w, h int) (*Plane, *Curve) {
	first, last, _ := x.grid()
	p, c := &Plane{Index: x, Width: w, Height: h, Levels: make([]uint8, w*h)}, &Curve{Index: x}
	for i, v := range codes {
		c.Counts[v]++
		p.Levels[i] = uint8(min(max(int(v)-first+1, 0), last-first+1))
	}
	return p, c
}

// TestKeepPlain: faint green counts where it hangs together with plain green,
// by a corner too, and nowhere else; in the curve as in the plane.
func TestKeepPlain(t *testing.T) {
	s, _ := IndexSoftExG.scale()
	ground, faint, plain := uint8(s.nearest(0)), uint8(s.nearest(.1)), uint8(s.nearest(s.certain))
	const w, h = 40, 30
	codes := make([]uint8, w*h)
	for i := range codes {
		codes[i] = ground
	}
	set := func(x, y int, v uint8) { codes[y*w+x] = v }
	set(5, 5, plain) // a leaf: plain, and faint to its right and at a corner
	set(6, 5, faint)
	set(7, 6, faint)
	set(20, 20, faint) // a stone: faint all over
	set(21, 20, plain-1)
	p, c := planeOf(IndexSoftExG, codes, w, h)
	p.dropUnconnected(c, 0, w, new([3][]uint64))
	if got := c.CoverFrac(.08) * w * h; got != 3 {
		t.Errorf("%g cells count as green, want the leaf's 3", got)
	}
	if c.Cells() != w*h {
		t.Errorf("the curve holds %d cells of %d", c.Cells(), w*h)
	}
	if c.Counts[ground] != w*h-3 {
		t.Errorf("%d cells lie on the ground's peak, want %d", c.Counts[ground], w*h-3)
	}

	published, before := planeOf(IndexExG, codes, w, h)
	after := *before
	published.dropUnconnected(&after, 0, w, new([3][]uint64))
	if after != *before {
		t.Error("a published index was changed")
	}
}

// TestKeepPlainLaws, on random ground: curve and plane agree at every
// threshold, nothing that was no green becomes green, and another pass changes
// nothing.
func TestKeepPlainLaws(t *testing.T) {
	s, _ := IndexSoftExG.scale()
	rng := rand.New(rand.NewPCG(3, 4))
	for round := range 50 {
		w, h := 5+rng.IntN(60), 5+rng.IntN(60)
		codes := make([]uint8, w*h)
		for i := range codes {
			codes[i] = uint8(s.nearest(.12 * rng.NormFloat64() * rng.Float64()))
		}
		p, c := planeOf(IndexSoftExG, codes, w, h)
		was := append([]uint8(nil), p.Levels...)
		p.dropUnconnected(c, 0, w, new([3][]uint64))
		for th := s.low; th <= s.high; th += s.step {
			got, err := p.CoverFrac(th)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "cover of plane and curve", got, c.CoverFrac(th), 1e-12)
		}
		for i, l := range p.Levels {
			if l != was[i] && l != 0 {
				t.Fatalf("round %d: cell %d went from level %d to %d", round, i, was[i], l)
			}
		}
		once, again := append([]uint8(nil), p.Levels...), *c
		p.dropUnconnected(&again, 0, w, new([3][]uint64))
		if again != *c || string(once) != string(p.Levels) {
			t.Fatalf("round %d: a second pass changed something", round)
		}
	}
}
