package frame

import (
	"sync"
	"syscall"
	"testing"
	"time"

	"gocv.io/x/gocv"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/jpegturbo"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// phonePhoto draws a scene as a 12-megapixel JPEG of a phone's size and gives
// the file and what a decode at half scale makes of it: all three planes at
// 2000 x 1500.
func phonePhoto(b *testing.B, s drawn.Scene) ([]byte, *raster.Raster) {
	b.Helper()
	const w, h = 2000, 1500
	s.Blur, s.Noise = 1.2, 3
	r, _ := s.Render(w, h)
	rgb := make([]byte, 3*4*w*h)
	for y := range 2 * h {
		for x := range 2 * w {
			l := float64(r.Y[y/2*w+x/2])
			c := y/4*r.ChromaWidth + x/4
			cb, cr := float64(r.Cb[c])-128, float64(r.Cr[c])-128
			p := rgb[3*(y*2*w+x):][:3]
			for i, v := range [3]float64{l + 1.402*cr, l - .344136*cb - .714136*cr, l + 1.772*cb} {
				p[i] = byte(min(255, max(0, v+.5)))
			}
		}
	}
	photo, err := jpegturbo.Encode(rgb, 2*w, 2*h, 92, true)
	if err != nil {
		b.Fatal(err)
	}
	p, err := jpegturbo.DecodeInto(photo, 2, func(n int) []byte { return make([]byte, n) })
	if err != nil {
		b.Fatal(err)
	}
	return photo, &raster.Raster{
		Width: p.Width, Height: p.Height, Y: p.Y,
		ChromaWidth: p.ChromaWidth, ChromaHeight: p.ChromaHeight, Cb: p.Cb, Cr: p.Cr,
		FullWidth: 2 * w, FullHeight: 2 * h, Denom: 2, Orientation: 1,
	}
}

type benchPhotos struct {
	edges, marks, bare *raster.Raster
	photo              []byte
}

var benchOnce sync.Once
var benchScenes benchPhotos

// photosToTime draws the photos once for all benchmarks.
func photosToTime(b *testing.B) benchPhotos {
	benchOnce.Do(func() {
		s := drawScene(0, "soil", 0, 500, 500)
		benchScenes.photo, benchScenes.edges = phonePhoto(b, s)
		c, _ := label.ClassByID(0)
		s.CameraMM *= 1.25
		stick(b, &s, c, []int{0, 1, 2, 3}, [4]int{})
		_, benchScenes.marks = phonePhoto(b, s)
		s.NoFrame, s.Prints = true, nil
		_, benchScenes.bare = phonePhoto(b, s)
	})
	return benchScenes
}

// spent is the processor time of this process so far. On a machine that has
// other work to do it says more than a clock.
func spent(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkFind measures the finding of the frame in a drawn 12-megapixel
// photo decoded at half scale, as a share of merely opening the same photo
// with OpenCV: processor time of both, in this run and in turns.
func BenchmarkFind(b *testing.B) {
	p := photosToTime(b)
	if _, err := Find(p.edges, DefaultOptions()); err != nil {
		b.Fatal(err)
	}
	run := func(name string, fn func()) {
		b.Run(name, func(b *testing.B) {
			var ours, opening time.Duration
			n, opened := 0, 0
			for b.Loop() {
				start := spent(b)
				fn()
				ours += spent(b) - start
				if n++; n%4 != 1 {
					continue
				}
				opened++
				start = spent(b)
				mat, err := gocv.IMDecode(p.photo, gocv.IMReadColor)
				if err != nil {
					b.Fatal(err)
				}
				mat.Close()
				opening += spent(b) - start
			}
			mine, open := ours.Seconds()/float64(n), opening.Seconds()/float64(opened)
			b.ReportMetric(mine/open, "of-IMDecode")
			b.ReportMetric(1000*mine, "ms/photo")
		})
	}
	var ws Workspace
	find := func(r *raster.Raster, noMarks bool) func() {
		opt := DefaultOptions()
		opt.NoMarks = noMarks
		return func() { ws.Find(r, opt) }
	}
	run("edges", find(p.edges, false))
	run("edges, marks not looked for", find(p.edges, true))
	run("marks", find(p.marks, false))
	run("no frame there", find(p.bare, false))
}
