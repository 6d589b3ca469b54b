package demo

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"image"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/bep/imagemeta"
	"github.com/makiuchi-d/gozxing"
	zxqr "github.com/makiuchi-d/gozxing/qrcode"
)

// season is the demonstration's season, planned once for all tests.
var season = sync.OnceValue(func() *SeasonPlan {
	s, err := Season(context.Background(), testConfig())
	if err != nil {
		panic(err)
	}
	return s
})

// TestCameraStraightDown holds the projection against the pinhole's similar
// triangles: a level camera shows a ground length L as f L / H pixels.
func TestCameraStraightDown(t *testing.T) {
	cam := newCamera(View{HeightMM: 1200, FocalPerLong: 1}, 1600, 1200)
	got := cam.project(vec{250, -250, 0})
	want := Pt{800 + 1600*250/1200.0, 600 - 1600*250/1200.0}
	if math.Hypot(got.X-want.X, got.Y-want.Y) > 1e-9 {
		t.Errorf("corner at %v, want %v", got, want)
	}
	// A point 100 mm up stands H/(H-100) farther out.
	got = cam.project(vec{120, 0, 100})
	if want := 800 + 1600*120/1100.0; math.Abs(got.X-want) > 1e-9 {
		t.Errorf("raised point at %v, want %v", got.X, want)
	}
	// A frame turned clockwise by 90 degrees in the picture shows its x axis
	// pointing down.
	cam = newCamera(View{HeightMM: 1200, FocalPerLong: 1, RollDeg: 90}, 1600, 1200)
	got = cam.project(vec{300, 0, 0})
	if math.Abs(got.X-800) > 1e-9 || math.Abs(got.Y-1000) > 1e-9 {
		t.Errorf("turned x axis at %v, want 800, 1000", got)
	}
}

// TestCameraTilt holds a tilted view against plane trigonometry: a ground
// point whose ray leaves the axis by angle b in the tilt's plane appears at
// f tan(b) from the centre.
func TestCameraTilt(t *testing.T) {
	for _, tilt := range []float64{0, 5, 15, 25} {
		a := tilt * math.Pi / 180
		v := View{HeightMM: 1250, TiltDeg: tilt, TiltToDeg: 0, FocalPerLong: 1}
		cam := newCamera(v, 1600, 1200)
		foot := -1250 * math.Tan(a) // the axis meets the ground at 0
		for _, x := range []float64{-250, 0, 140, 250} {
			b := math.Atan2(x-foot, 1250) - a
			want := 800 + 1600*math.Tan(b)
			if got := cam.project(vec{x, 0, 0}); math.Abs(got.X-want) > 1e-6 || math.Abs(got.Y-600) > 1e-6 {
				t.Errorf("tilt %g, x %g: %v, want %g", tilt, x, got, want)
			}
		}
	}
}

func TestCameraRoundTrip(t *testing.T) {
	for i := range season().Photos {
		p := &season().Photos[i]
		cam := newCamera(p.View, p.Width, p.Height)
		for _, c := range p.Truth.Corners {
			if c.X < 0 || c.Y < 0 || c.X > float64(p.Width) || c.Y > float64(p.Height) {
				t.Errorf("%s: corner %v lies outside the picture", p.File, c)
			}
		}
		for k, c := range p.Truth.Corners {
			x, y := cam.ground(c.X, c.Y)
			if d := math.Hypot(x-250*corners[k][0], y-250*corners[k][1]); d > 1e-3 {
				t.Errorf("%s: corner %d comes back %g mm off", p.File, k, d)
			}
		}
		for _, c := range p.Truth.Card {
			if c.X < 0 || c.Y < 0 || c.X > float64(p.Width) || c.Y > float64(p.Height) {
				t.Errorf("%s: the card reaches out of the picture at %v (roll %.0f)", p.File, c, p.View.RollDeg)
				break
			}
		}
	}
}

// TestSeenEdges holds the visible edge of the pipe against a search over rays:
// the first ray from the middle that touches the pipe.
func TestSeenEdges(t *testing.T) {
	f := Frame{InnerMM: 500, PipeMM: 25, Make: "white pvc"}
	for _, lens := range []vec{{0, 0, 1200}, {60, -90, 1130}, {-300, 40, 1400}} {
		x0, y0, x1, y1 := f.seenEdges(lens, false)
		pipes := f.pipes(false)
		search := func(dir vec) float64 {
			lo, hi := 0.0, 262.0
			for range 60 {
				m := (lo + hi) / 2
				hit := false
				for i := range pipes {
					if dist, _ := pipes[i].pass(lens, dir.scale(m).sub(lens)); dist < 12.5 {
						hit = true
					}
				}
				if hit {
					hi = m
				} else {
					lo = m
				}
			}
			return lo
		}
		for _, c := range []struct {
			dir  vec
			want float64
		}{{vec{1, 0, 0}, x1}, {vec{-1, 0, 0}, -x0}, {vec{0, 1, 0}, y1}, {vec{0, -1, 0}, -y0}} {
			if got := search(c.dir); math.Abs(got-c.want) > 1e-6 {
				t.Errorf("lens %v towards %v: edge at %g by search, %g by formula", lens, c.dir, got, c.want)
			}
		}
	}
}

// TestCoverOfKnownShapes measures a drawn strip and an ellipse.
func TestCoverOfKnownShapes(t *testing.T) {
	strip := blade{x0: -100, y0: -80, x1: 140, y1: 100, half: 20, shape: stalk, class: Grass} // 300 x 40 mm
	if got := cover([]blade{strip}, -250, -250, 250, 250)[Grass]; math.Abs(got-300*40/250000.0) > 2e-4 {
		t.Errorf("strip covers %g, want %g", got, 300*40/250000.0)
	}
	ellipse := newProfile(func(u float64) float64 { return math.Sqrt(1 - (2*u-1)*(2*u-1)) })
	e := blade{x0: -100, y0: 20, x1: 100, y1: 20, half: 60, shape: ellipse, class: Crop, bend: 0.1}
	// Shearing sideways leaves area alone; the profile is read in 64 chords.
	if got, want := cover([]blade{e}, -250, -250, 250, 250)[Crop], math.Pi*100*60/250000; math.Abs(got-want) > 5e-4 {
		t.Errorf("bent ellipse covers %g, want %g", got, want)
	}
	// What lies outside the frame does not count, half of it does by half.
	strip = blade{x0: 150, y0: 0, x1: 350, y1: 0, half: 25, shape: stalk, class: Grass}
	if got := cover([]blade{strip}, -250, -250, 250, 250)[Grass]; math.Abs(got-100*50/250000.0) > 1e-9 {
		t.Errorf("strip across the edge covers %g, want %g", got, 100*50/250000.0)
	}
}

// TestTruthAgainstPixels counts pixels of noiseless masks: each pixel's ray is
// followed to the ground and the leaves there are asked one by one. Pixels are
// weighed by the ground they show.
func TestTruthAgainstPixels(t *testing.T) {
	s := season()
	for _, i := range []int{5, 70, 100, 150, 190, 215, 239} {
		p := s.Photos[i]
		long := max(p.Width, p.Height)
		p.Width, p.Height = p.Width*900/long, p.Height*900/long
		cam := newCamera(p.View, p.Width, p.Height)
		blades := p.blades()
		for k := range blades {
			blades[k] = blades[k].asSeen(&cam)
		}
		x0, y0, x1, y1 := p.Frame.seenEdges(cam.centre, false)
		var all, plant float64
		for v := range p.Height {
			for u := range p.Width {
				x, y := cam.ground(float64(u)+0.5, float64(v)+0.5)
				if x < x0 || x > x1 || y < y0 || y > y1 {
					continue
				}
				ax, ay := cam.ground(float64(u)+1, float64(v)+0.5)
				bx, by := cam.ground(float64(u)+0.5, float64(v)+1)
				area := math.Abs((ax-x)*(by-y) - (ay-y)*(bx-x))
				all += area
				if anyHolds(blades, x, y) {
					plant += area
				}
			}
		}
		if got, want := plant/all, p.Truth.SeenCoverFrac; math.Abs(got-want) > 0.002 {
			t.Errorf("%s: %.3f %% by pixels, %.3f %% in the truth", p.File, 100*got, 100*want)
		}
	}
}

// anyHolds asks each leaf whether it holds a ground place, by its definition.
func anyHolds(blades []blade, x, y float64) bool {
	for i := range blades {
		b := &blades[i]
		dx, dy := b.x1-b.x0, b.y1-b.y0
		l2 := dx*dx + dy*dy
		u := ((x-b.x0)*dx + (y-b.y0)*dy) / l2
		if u < 0 || u > 1 {
			continue
		}
		l := math.Sqrt(l2)
		v := ((y-b.y0)*dx - (x-b.x0)*dy) / l
		if math.Abs(v-4*b.bend*l*u*(1-u)) < b.half*float64(b.shape.at(float32(u))) {
			return true
		}
	}
	return false
}

// TestFlatSceneHasOneTruth: with leaves and pipe on the ground plane what the
// lens sees is the ground's cover.
func TestFlatSceneHasOneTruth(t *testing.T) {
	c := testConfig()
	c.Flat, c.Plots = true, c.Plots[:3]
	s, err := Season(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range s.Photos {
		if math.Abs(p.Truth.CoverFrac-p.Truth.SeenCoverFrac) > 1e-9 || p.Truth.Corners != p.Truth.SeenCorners {
			t.Errorf("%s: cover %g, seen %g", p.File, p.Truth.CoverFrac, p.Truth.SeenCoverFrac)
		}
	}
}

// TestColours looks at the excess green 3g-1 of rendered pixels whose truth is
// known: living green leaves well above soil and straw, which stay near zero.
func TestColours(t *testing.T) {
	s := season()
	r := NewRenderer(s.Seed)
	var leaf, ground []float64
	for _, i := range []int{125, 150, 185, 190, 200, 230} {
		p := s.Photos[i]
		if p.Light.BlurPX > 2 {
			continue
		}
		p.Light.WhiteBalance = [3]float64{1, 1, 1} // the drift between visits is meant to move it
		img, err := r.Render(&p)
		if err != nil {
			t.Fatal(err)
		}
		cam := newCamera(p.View, p.Width, p.Height)
		var green []blade
		all := p.blades()
		for k := range all {
			all[k] = all[k].asSeen(&cam)
			if c := all[k].class; c == Broadleaf || c == Grass || c == Crop {
				green = append(green, all[k])
			}
		}
		for v := 0; v < p.Height; v += 9 {
			for u := 0; u < p.Width; u += 9 {
				x, y := cam.ground(float64(u)+0.5, float64(v)+0.5)
				if math.Abs(x) > 235 || math.Abs(y) > 235 {
					continue
				}
				q := img.Pix[v*img.Stride+4*u:]
				sum := float64(q[0]) + float64(q[1]) + float64(q[2])
				exg := 3*float64(q[1])/sum - 1
				switch {
				case anyHolds(green, x, y):
					leaf = append(leaf, exg)
				case !anyHolds(all, x, y):
					ground = append(ground, exg)
				}
			}
		}
	}
	share := func(v []float64, lo, hi float64) float64 {
		n := 0
		for _, x := range v {
			if x >= lo && x <= hi {
				n++
			}
		}
		return float64(n) / float64(len(v))
	}
	l, g := share(leaf, 0.15, 0.60), share(ground, -0.05, 0.08)
	t.Logf("%d leaf pixels, %.1f %% within 0.15..0.60; %d ground pixels, %.1f %% within -0.05..0.08", len(leaf), 100*l, len(ground), 100*g)
	if l < 0.75 || g < 0.90 {
		t.Errorf("leaf share %.3f, ground share %.3f", l, g)
	}
}

func TestSameSeedSameBytes(t *testing.T) {
	c := testConfig()
	c.Plots, c.Visits, c.Size, c.BigPhotos = c.Plots[:2], c.Visits[2:3], image.Pt(800, 600), 0
	a, b := t.TempDir(), t.TempDir()
	var names []string
	for i, dir := range []string{a, b} {
		c.Workers = i + 1
		s, err := Season(context.Background(), c)
		if err != nil {
			t.Fatal(err)
		}
		calls := 0
		if err := s.Write(context.Background(), dir, func(done, total int) { calls++ }); err != nil {
			t.Fatal(err)
		}
		if calls != len(s.Photos) {
			t.Errorf("%d progress calls for %d photos", calls, len(s.Photos))
		}
		names = nil
		for _, p := range s.Photos {
			names = append(names, p.File)
		}
	}
	seen := map[[32]byte]bool{}
	for _, n := range names {
		x, err := os.ReadFile(filepath.Join(a, n))
		if err != nil {
			t.Fatal(err)
		}
		y, err := os.ReadFile(filepath.Join(b, n))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(x, y) {
			t.Errorf("%s differs between two runs", n)
		}
		seen[sha256.Sum256(x)] = true
	}
	if len(seen) != len(names) {
		t.Errorf("%d different photos of %d", len(seen), len(names))
	}
}

func TestWriteStopsWhenInterrupted(t *testing.T) {
	s := season()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := s.Write(ctx, t.TempDir(), nil); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want context.Canceled", err)
	}
}

// TestFileIsWhatThePhoneStores reads photos back with an outside EXIF reader
// and holds the stored pixels against the upright ones.
func TestFileIsWhatThePhoneStores(t *testing.T) {
	s := season()
	r := NewRenderer(s.Seed)
	done := map[int]bool{}
	for i := range s.Photos {
		p := s.Photos[i]
		if done[p.Orientation] || p.NoEXIF || p.Width+p.Height > 2800 {
			continue
		}
		done[p.Orientation] = true
		p.Width, p.Height, p.Quality = p.Width/2, p.Height/2, 95
		data, err := r.JPEG(&p)
		if err != nil {
			t.Fatal(err)
		}
		tags := map[string]any{}
		_, err = imagemeta.Decode(imagemeta.Options{
			R: bytes.NewReader(data), ImageFormat: imagemeta.JPEG, Sources: imagemeta.EXIF,
			HandleTag: func(ti imagemeta.TagInfo) error { tags[ti.Tag] = ti.Value; return nil },
		})
		if err != nil {
			t.Fatalf("%s: %v", p.File, err)
		}
		want := map[string]any{
			"Make": "Alder", "Model": "Field Phone", "Orientation": uint16(p.Orientation),
			"DateTimeOriginal": p.Taken.Format("2006:01:02 15:04:05"),
		}
		if p.WithOffset {
			want["OffsetTimeOriginal"] = "-04:00"
		}
		for k, v := range want {
			if tags[k] != v {
				t.Errorf("%s: tag %s is %v (%T), want %v", p.File, k, tags[k], tags[k], v)
			}
		}
		if _, has := tags["OffsetTimeOriginal"]; has != p.WithOffset {
			t.Errorf("%s: offset present %v, want %v", p.File, has, p.WithOffset)
		}
		img, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		w, h := img.Bounds().Dx(), img.Bounds().Dy()
		if w < h {
			t.Errorf("%s: stored %d x %d; sensors lie level", p.File, w, h)
		}
		up, err := r.Render(&p)
		if err != nil {
			t.Fatal(err)
		}
		var diff float64
		n := 0
		for y := 3; y < h; y += 7 {
			for x := 3; x < w; x += 7 {
				u, v := x, y // where EXIF says that the stored pixel is shown
				switch p.Orientation {
				case 6: // first row is the right side, first column the top
					u, v = h-1-y, x
				case 8: // first row is the left side, first column the bottom
					u, v = y, w-1-x
				}
				_, g, _, _ := img.At(x, y).RGBA()
				diff += math.Abs(float64(g>>8) - float64(up.Pix[v*up.Stride+4*u+1]))
				n++
			}
		}
		if diff/float64(n) > 6 {
			t.Errorf("%s: orientation %d: stored and upright differ by %.1f codes", p.File, p.Orientation, diff/float64(n))
		}
	}
	for _, o := range []int{1, 6, 8} {
		if !done[o] {
			t.Errorf("no photo of orientation %d", o)
		}
	}
}

// TestCardReads decodes the code of rendered cards with an outside reader.
func TestCardReads(t *testing.T) {
	s := season()
	r := NewRenderer(s.Seed)
	read, tried := 0, 0
	for i := 3; i < len(s.Photos); i += 41 {
		p := s.Photos[i]
		if p.NoCard || p.Light.BlurPX > 2 {
			continue
		}
		img, err := r.Render(&p)
		if err != nil {
			t.Fatal(err)
		}
		tried++
		box := image.Rectangle{Min: image.Pt(1<<20, 1<<20)}
		for _, c := range p.Truth.Card {
			box.Min.X, box.Min.Y = min(box.Min.X, int(c.X)-20), min(box.Min.Y, int(c.Y)-20)
			box.Max.X, box.Max.Y = max(box.Max.X, int(c.X)+20), max(box.Max.Y, int(c.Y)+20)
		}
		bmp, err := gozxing.NewBinaryBitmapFromImage(img.SubImage(box))
		if err != nil {
			t.Fatal(err)
		}
		res, err := zxqr.NewQRCodeReader().Decode(bmp, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true})
		if err != nil {
			t.Logf("%s: %v", p.File, err)
			continue
		}
		read++
		if res.GetText() != p.CardText {
			t.Errorf("%s: card reads %q, want %q", p.File, res.GetText(), p.CardText)
		}
	}
	if read*10 < tried*8 {
		t.Errorf("%d of %d cards read", read, tried)
	}
}

// TestMarks looks up each mark cell in a rendered photo.
func TestMarks(t *testing.T) {
	c := testConfig()
	c.Plots, c.Visits, c.Troubles, c.BigPhotos = c.Plots[:2], c.Visits[:1], false, 0
	bits := func(id int) (m [6][6]bool) {
		for i := range 36 {
			m[i/6][i%6] = (id*2654435761>>(i%29))&1 == 1
		}
		return m
	}
	c.Marks = &Marks{Bits: bits, Border: 1, IDs: [4]int{3, 5, 8, 11}, SizeMM: 60, OffsetMM: 42, HeightMM: 26}
	s, err := Season(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	r := NewRenderer(s.Seed)
	for i := range s.Photos {
		p := &s.Photos[i]
		img, err := r.Render(p)
		if err != nil {
			t.Fatal(err)
		}
		cam := newCamera(p.View, p.Width, p.Height)
		for k := range 4 {
			for _, q := range p.Truth.Marks[k] {
				if q.X < 0 || q.Y < 0 || q.X > float64(p.Width) || q.Y > float64(p.Height) {
					t.Fatalf("%s: mark %d reaches out of the picture", p.File, k)
				}
			}
			m := bits(c.Marks.IDs[k])
			for y := range 6 {
				for x := range 6 {
					at := cam.project(vec{
						corners[k][0]*(250+42) + (float64(x)-2.5)*60/8, corners[k][1]*(250+42) + (float64(y)-2.5)*60/8, 26,
					})
					white := img.Pix[int(at.Y)*img.Stride+4*int(at.X)+1] > 105
					if white != m[y][x] {
						t.Errorf("%s: mark %d cell %d,%d is white %v, want %v", p.File, k, x, y, white, m[y][x])
					}
				}
			}
		}
	}
}

// TestSeasonIsPlausible checks the invented numbers against what such a trial
// shows: most weeds on bare ground, growth from visit to visit, clumped counts,
// counters who miss some plants, yields that fall with weeds.
func TestSeasonIsPlausible(t *testing.T) {
	s := season()
	if len(s.Photos) != 240 || len(s.Counts) != 240 || len(s.EyeCovers) != 80 || len(s.Yields) != 20 {
		t.Fatalf("%d photos, %d counts, %d eye covers, %d yields", len(s.Photos), len(s.Counts), len(s.EyeCovers), len(s.Yields))
	}
	files := map[string]bool{}
	last := time.Time{}
	cover := map[string][4]float64{}
	for _, p := range s.Photos {
		if files[p.File] {
			t.Errorf("two photos are called %s", p.File)
		}
		files[p.File] = true
		if !p.Taken.After(last) {
			t.Errorf("%s was not taken after the photo before it", p.File)
		}
		last = p.Taken
		if p.Taken.Hour() < 8 || p.Taken.Hour() > 13 {
			t.Errorf("%s was taken at %v", p.File, p.Taken)
		}
		a := cover[p.Treatment]
		a[p.Visit-1] += p.Truth.WeedFrac / 12
		cover[p.Treatment] = a
		var sum float64
		for _, v := range p.Truth.ByClass {
			sum += v
		}
		if math.Abs(sum-p.Truth.CoverFrac) > 1e-12 || p.Truth.CoverFrac < 0 || p.Truth.CoverFrac > 1 {
			t.Errorf("%s: classes add to %g, cover %g", p.File, sum, p.Truth.CoverFrac)
		}
	}
	t.Logf("mean weed cover by visit: %.3v", cover)
	for code, a := range cover {
		for v := 1; v < 4; v++ {
			if a[v] <= a[v-1] {
				t.Errorf("%s: weed cover falls from visit %d to %d: %v", code, v, v+1, a)
			}
		}
		if code != "BARE" && a[3] >= cover["BARE"][3] {
			t.Errorf("%s has as many weeds as bare ground", code)
		}
	}
	var truth, hand, n, sum, sum2 float64
	for _, h := range s.Counts {
		truth += float64(h.TrueBroadleaf + h.TrueGrass)
		hand += float64(h.Broadleaf + h.Grass)
		if h.Visit == 4 {
			x := float64(h.TrueBroadleaf)
			n, sum, sum2 = n+1, sum+x, sum2+x*x
		}
	}
	if r := hand / truth; r < 0.88 || r > 0.99 {
		t.Errorf("hand counts are %.3f of the truth", r)
	}
	mean := sum / n
	if v := sum2/n - mean*mean; v < 1.5*mean {
		t.Errorf("counts are not clumped: mean %.1f, variance %.1f", mean, v)
	}
	var weedy, clean float64
	for i, y := range s.Yields {
		if y.Stand > y.Planted || y.Pieces > y.Stand || y.MarketableKG <= 0 {
			t.Errorf("plot %s: %+v", y.Plot, y)
		}
		kg := y.MarketableKG / y.BedLengthM
		if kg < 0.4 || kg > 2.5 {
			t.Errorf("plot %s yields %.2f kg a metre of bed", y.Plot, kg)
		}
		switch s.Plots[i].Treatment {
		case "BARE":
			weedy += kg
		case "RYEVETCH":
			clean += kg
		}
	}
	if weedy >= clean {
		t.Errorf("bare ground yields %.2f, rye with vetch %.2f", weedy, clean)
	}
}

func TestTroublesAreInTheFolder(t *testing.T) {
	c := testConfig()
	c.Plots, c.Visits, c.Size, c.BigPhotos = c.Plots[:4], c.Visits[:1], image.Pt(640, 480), 0
	s, err := Season(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := s.Write(context.Background(), dir, nil); err != nil {
		t.Fatal(err)
	}
	if len(s.Troubles) != 6 {
		t.Fatalf("%d troubles", len(s.Troubles))
	}
	for _, tr := range s.Troubles {
		data, err := os.ReadFile(filepath.Join(dir, tr.File))
		if err != nil {
			t.Error(err)
			continue
		}
		_, err = jpeg.Decode(bytes.NewReader(data))
		broken := tr.Kind == "truncated" || tr.Kind == "companion"
		if (err != nil) != broken {
			t.Errorf("%s: %s decodes with %v", tr.Kind, tr.File, err)
		}
		if tr.Kind == "duplicate" {
			of, _ := os.ReadFile(filepath.Join(dir, tr.Of))
			if !bytes.Equal(of, data) {
				t.Errorf("%s is not a copy of %s", tr.File, tr.Of)
			}
		}
		if has := bytes.Contains(data, []byte("Exif\x00")); has == (tr.Kind == "no exif" || tr.Kind == "companion") {
			t.Errorf("%s: %s has EXIF %v", tr.Kind, tr.File, has)
		}
	}
}

func TestTruthAsJSON(t *testing.T) {
	var b bytes.Buffer
	if err := season().WriteTruth(&b); err != nil {
		t.Fatal(err)
	}
	var back struct {
		Photos []struct {
			File  string
			Truth struct {
				CoverFrac float64            `json:"cover_frac"`
				ByClass   map[string]float64 `json:"by_class"`
			}
		}
	}
	if err := json.Unmarshal(b.Bytes(), &back); err != nil {
		t.Fatal(err)
	}
	for i, p := range season().Photos {
		if got := back.Photos[i]; got.File != p.File || got.Truth.CoverFrac != p.Truth.CoverFrac || got.Truth.ByClass["crop"] != p.Truth.ByClass[Crop] {
			t.Errorf("photo %d comes back as %+v", i, got)
		}
	}
}

func TestConfigRefusals(t *testing.T) {
	for name, spoil := range map[string]func(c *Config){
		"no plots":     func(c *Config) { c.Plots = nil },
		"no visits":    func(c *Config) { c.Visits = nil },
		"no quadrats":  func(c *Config) { c.Quadrats = 0 },
		"no card":      func(c *Config) { c.CardText = nil },
		"tiny":         func(c *Config) { c.Size = image.Pt(10, 10) },
		"treatment":    func(c *Config) { c.Plots = []Plot{{"1", "1", "TARP"}} },
		"frame make":   func(c *Config) { c.Frame.Make = "gold" },
		"frame size":   func(c *Config) { c.Frame.InnerMM = 2000 },
		"marks no bit": func(c *Config) { c.Marks = &Marks{SizeMM: 60} },
	} {
		c := testConfig()
		spoil(&c)
		if _, err := Season(context.Background(), c); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
