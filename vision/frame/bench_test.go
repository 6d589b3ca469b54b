package frame

import (
	"testing"
	"time"

	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// BenchmarkFind measures each part on one drawn photo at the quarter scale of
// 12 megapixels, and reports it as a share of one plain pass that reads every
// pixel of the full 12 megapixels, so that machines can be compared.
func BenchmarkFind(b *testing.B) {
	s := drawScene(0, "soil", 0, 500, 500)
	edges, _ := s.Render(1000, 750)
	c, _ := label.ClassByID(0)
	s.CameraMM *= 1.25
	stick(b, &s, c, []int{0, 1, 2, 3}, [4]int{})
	marks, _ := s.Render(1000, 750)
	s.NoFrame, s.Prints = true, nil
	bare, _ := s.Render(1000, 750)
	f, err := Find(edges, DefaultOptions())
	if err != nil {
		b.Fatal(err)
	}
	pass := onePass()
	run := func(name string, fn func()) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				fn()
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/pass, "passes/op")
		})
	}
	find := func(r *raster.Raster, noMarks bool) func() {
		opt := DefaultOptions()
		opt.NoMarks = noMarks
		return func() { Find(r, opt) }
	}
	run("edges", find(edges, true))
	run("marks", find(marks, false))
	run("no marks there", func() { detectMarks(edges) })
	run("no frame there", find(bare, false))
	run("straighten area 1.2 mm", func() { f.Straighten(edges, 1.2, Area) })
	run("straighten bilinear 1.2 mm", func() { f.Straighten(edges, 1.2, Bilinear) })
}

var sink byte

// onePass is the time of the yardstick, seconds.
func onePass() float64 {
	buf := make([]byte, 12_000_000*3/2)
	start := time.Now()
	const n = 5
	for range n {
		for _, v := range buf {
			sink += v
		}
	}
	return time.Since(start).Seconds() / n
}
