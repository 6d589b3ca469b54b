package vision

import (
	"cmp"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"gocv.io/x/gocv"

	"quadtally/vision/jpegturbo"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// bigPhoto is a 12-megapixel JPEG drawn at run time: soil texture, leaves and
// sensor noise, about the size of a phone's file.
var bigPhoto = sync.OnceValue(func() []byte {
	const w, h = 4000, 3000
	rng := rand.New(rand.NewPCG(12, 12))
	s := discs(12, 900, w, h, 1)
	clod := 0
	for y := range h {
		for x := range w {
			if x%7 == 0 {
				clod = rng.IntN(31) - 15
			}
			for k := range 3 {
				i := 3*(y*w+x) + k
				s.rgb[i] = byte(min(max(int(s.rgb[i])+clod+rng.IntN(9)-4, 0), 255))
			}
		}
	}
	b, err := jpegturbo.Encode(s.rgb, w, h, 88, true)
	if err != nil {
		panic(err) // drawn by this test, so never
	}
	return b
})

// framedPhoto is a 12-megapixel JPEG of a drawn quadrat with its plot card, found by its edges or by
// the marks on its corners, and the options it is measured with.
func framedPhoto(tb testing.TB, seed uint64, marks bool) ([]byte, Options) {
	tb.Helper()
	return framedPhotoOf(tb, seed, marks, 4000, 3000)
}

// framedPhotoOf is framedPhoto of another size.
func framedPhotoOf(tb testing.TB, seed uint64, marks bool, w, h int) ([]byte, Options) {
	tb.Helper()
	class, _ := label.ClassByID(0)
	s := quadratScene(seed, class.WidthMM, class.HeightMM, "weedy")
	var corners []int
	if marks {
		corners = []int{0, 1, 2, 3}
	}
	paint(tb, &s, class, corners, label.Label{Trial: "ALDR", Plot: "203", Quadrat: 2})
	r, truth := s.Render(w, h)
	o := framedOptions(class.WidthMM, class.HeightMM)
	o.FocalPx = truth.Focal
	if marks {
		o.FrameMM, o.FrameByMarks = [2]float64{}, true
	}
	return asJPEG(tb, r), o
}

// BenchmarkMeasure states what a whole measurement of a 12-megapixel photo
// (decode, card, frame, straightening, greenness, threshold, pieces) takes of
// the processor, as a share of what merely opening it at full size does, both
// in this run and in turns: with OpenCV, and with libjpeg-turbo alone. Beside it
// stand the shares of our own decode and of one at an eighth of the size, which
// is next to nothing but reading the compressed data. The program runs a worker
// a core, so that processor time tells how many photos it gets through, and
// other work on the machine changes it least. Shares are medians over the turns.
func BenchmarkMeasure(b *testing.B) {
	byHand := framedOptions(500, 500)
	byHand.ReadCard = false
	byHand.Corners = &[4]raster.Point{{X: 1000, Y: 500}, {X: 3000, Y: 520}, {X: 2980, Y: 2520}, {X: 1010, Y: 2500}}
	for _, c := range []struct {
		name string
		make func() ([]byte, Options)
	}{
		{"whole", func() ([]byte, Options) { return bigPhoto(), plain() }},
		{"by-hand", func() ([]byte, Options) { return bigPhoto(), byHand }},
		{"edges", func() ([]byte, Options) { return framedPhoto(b, 1, false) }},
		{"marks", func() ([]byte, Options) { return framedPhoto(b, 1, true) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			photo, opt := c.make()
			var ws Workspace
			turn := func(do func() error) time.Duration {
				start := spent(b)
				if err := do(); err != nil {
					b.Fatal(err)
				}
				return spent(b) - start
			}
			var ofOpenCV, ofTurbo, decodeOf, eighthOf []float64
			b.ReportAllocs()
			for b.Loop() {
				ours := turn(func() error {
					m, err := ws.Measure(photo, opt)
					if err != nil {
						return err
					}
					th, err := VisitThreshold([]Curve{m.Curve}, opt)
					if err != nil {
						return err
					}
					_, err = AtThreshold(m, th, opt)
					return err
				})
				openCV := turn(func() error {
					mat, err := gocv.IMDecode(photo, gocv.IMReadColor)
					mat.Close()
					return err
				})
				turbo := turn(func() error { _, _, _, err := jpegturbo.DecodeRGB(photo); return err })
				decode := turn(func() error { _, err := ws.decodeJPEG(photo, opt.NeedLongSide); return err })
				eighth := turn(func() error {
					_, err := jpegturbo.DecodeInto(photo, 8, func(n int) []byte { return make([]byte, n) })
					return err
				})
				ofOpenCV = append(ofOpenCV, ours.Seconds()/openCV.Seconds())
				ofTurbo = append(ofTurbo, ours.Seconds()/turbo.Seconds())
				decodeOf = append(decodeOf, decode.Seconds()/turbo.Seconds())
				eighthOf = append(eighthOf, eighth.Seconds()/turbo.Seconds())
			}
			b.ReportMetric(middle(ofOpenCV), "of-IMDecode")
			b.ReportMetric(middle(ofTurbo), "of-turbo-decode")
			b.ReportMetric(middle(decodeOf), "own-decode")
			b.ReportMetric(middle(eighthOf), "eighth-decode")
		})
	}
}

// spent is the processor time this process has taken so far.
func spent(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// middle is the median.
func middle[T cmp.Ordered](v []T) T {
	slices.Sort(v)
	return v[len(v)/2]
}

// BenchmarkTwoWorkers states how much faster two workers, each with its own
// workspace, get through photos than one does. The program's workers are
// processes, which share even less.
func BenchmarkTwoWorkers(b *testing.B) {
	photo, opt := framedPhoto(b, 1, false)
	const each = 4
	var spaces [2]Workspace
	work := func(ws *Workspace) {
		for range each {
			if _, err := ws.Measure(photo, opt); err != nil {
				b.Error(err)
			}
		}
	}
	var one, two time.Duration
	for b.Loop() {
		start := time.Now()
		work(&spaces[0])
		one += time.Since(start)
		start = time.Now()
		var both sync.WaitGroup
		for i := range spaces {
			both.Go(func() { work(&spaces[i]) })
		}
		both.Wait()
		two += time.Since(start)
	}
	b.ReportMetric(2*float64(one)/float64(two), "of-one-worker")
}

// BenchmarkSeason re-thresholds a season of 1000 photos from stored curves.
func BenchmarkSeason(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 9))
	curves := make([]Curve, 1000)
	for i := range curves {
		curves[i] = randomCurve(rng, rng.Float64())
	}
	for b.Loop() {
		for visit := range 10 {
			part := curves[100*visit : 100*(visit+1)]
			th, err := VisitThreshold(part, DefaultOptions())
			if err != nil {
				b.Fatal(err)
			}
			for i := range part {
				coverRange(&part[i], th.Value)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms-a-season")
}

// BenchmarkPlane is the work of a review page: mask and pieces at a new
// threshold from a stored plane.
func BenchmarkPlane(b *testing.B) {
	m, err := Measure(bigPhoto(), plain())
	if err != nil {
		b.Fatal(err)
	}
	stored, err := m.Plane.MarshalBinary()
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := m.Plane.Pieces(0.12, DefaultPieceOptions()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(stored))/1024, "KB-stored")
}

// BenchmarkLooks states the extra time of keeping looks as a share of measuring
// the photo without, in turns, and their stored size.
func BenchmarkLooks(b *testing.B) {
	for _, c := range []struct {
		name string
		make func() ([]byte, Options)
	}{
		{"whole", func() ([]byte, Options) { return bigPhoto(), plain() }},
		{"edges", func() ([]byte, Options) { return framedPhoto(b, 1, false) }},
		{"open", func() ([]byte, Options) { return openPhoto(b), plain() }},
	} {
		b.Run(c.name, func(b *testing.B) {
			photo, bare := c.make()
			opt := bare
			opt.Looks = true
			var ws Workspace
			var without, with []float64
			size := 0
			for b.Loop() {
				start := spent(b)
				if _, err := ws.Measure(photo, bare); err != nil {
					b.Fatal(err)
				}
				between := spent(b)
				m, err := ws.Measure(photo, opt)
				if err != nil {
					b.Fatal(err)
				}
				without, with = append(without, (between-start).Seconds()), append(with, (spent(b)-between).Seconds())
				stored, err := m.Looks.MarshalBinary()
				if err != nil {
					b.Fatal(err)
				}
				size = len(stored)
			}
			b.ReportMetric(middle(with)/middle(without)-1, "of-measuring")
			b.ReportMetric(float64(size), "B/photo")
		})
	}
}

// openPhoto is a photo of an open set with much green in it.
func openPhoto(tb testing.TB) []byte {
	tb.Helper()
	b, err := os.ReadFile(filepath.Join(sharedDir(tb), "fields", "peanut", "images", "0001.jpg"))
	if err != nil {
		tb.Skipf("open photo is not here: %v", err)
	}
	return b
}
