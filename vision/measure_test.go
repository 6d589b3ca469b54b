package vision

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"quadtally/vision/raster"
)

// TestOrientation: a photo stored on its side is measured as a person sees it.
func TestOrientation(t *testing.T) {
	stored := newScene(400, 200, soilRGB).fill(0, 0, 200, 100, leafRGB).jpeg(t, 95)
	seen := map[uint16]string{0: "top-left", 1: "top-left", 3: "bottom-right", 6: "top-right", 8: "bottom-left", 9: "top-left"}
	for o, corner := range seen {
		photo := oriented(stored, o)
		m, whole := alone(t, photo, plain())
		near(t, fmt.Sprintf("orientation %d: whole cover", o), whole.CoverFrac, 0.25, 0.005)
		w, h := 400.0, 200.0
		if o == 6 || o == 8 {
			w, h = 200, 400
		}
		if float64(m.Width) != w || float64(m.Height) != h {
			t.Errorf("orientation %d: size %d x %d, want %g x %g", o, m.Width, m.Height, w, h)
		}
		for _, q := range []struct {
			name string
			x, y float64
		}{{"top-left", 0, 0}, {"top-right", w / 2, 0}, {"bottom-left", 0, h / 2}, {"bottom-right", w / 2, h / 2}} {
			opt := plain()
			opt.FrameMM = [2]float64{w, h} // any size: the quarter of the photo is the ground
			opt.Corners = &[4]raster.Point{{X: q.x, Y: q.y}, {X: q.x + w/2, Y: q.y}, {X: q.x + w/2, Y: q.y + h/2}, {X: q.x, Y: q.y + h/2}}
			_, r := alone(t, photo, opt)
			want := 0.0
			if q.name == corner {
				want = 1
			}
			near(t, fmt.Sprintf("orientation %d: %s quarter", o, q.name), r.CoverFrac, want, 0.02)
		}
		if noted := len(m.Notes) > 0; noted != (o == 9) {
			t.Errorf("orientation %d: notes %q", o, m.Notes)
		}
	}
	// Right and left half of the photo turned by tag 6.
	for x, want := range map[float64]float64{0: 0, 100: 0.5} {
		opt := plain()
		opt.FrameMM = [2]float64{100, 400}
		opt.Corners = &[4]raster.Point{{X: x, Y: 0}, {X: x + 100, Y: 0}, {X: x + 100, Y: 400}, {X: x, Y: 400}}
		_, r := alone(t, oriented(stored, 6), opt)
		near(t, fmt.Sprintf("half from %g", x), r.CoverFrac, want, 0.01)
	}
}

// TestOtherOrientations: PNG and WebP tags are read like those of JPEG.
func TestOtherOrientations(t *testing.T) {
	exif := tiffWithOrientation(6)
	pngHead := "\x89PNG\r\n\x1a\n"
	chunk := string([]byte{0, 0, 0, byte(len(exif))}) + "eXIf" + string(exif) + "\x00\x00\x00\x00"
	if o := orientation([]byte(pngHead+chunk), FormatPNG); o != 6 {
		t.Errorf("png: orientation %d, want 6", o)
	}
	riff := "RIFF\x00\x00\x00\x00WEBP" + "EXIF" + string([]byte{byte(len(exif)), 0, 0, 0}) + string(exif)
	if o := orientation([]byte(riff), FormatWebP); o != 6 {
		t.Errorf("webp: orientation %d, want 6", o)
	}
}

// TestUnreadable: every kind of bad file is one plain sentence, never a number.
func TestUnreadable(t *testing.T) {
	s := newScene(400, 400, soilRGB).fill(0, 0, 400, 200, leafRGB)
	jpeg, png := s.jpeg(t, 95), s.png(t)
	cut := func(b []byte, share float64) []byte { return b[:int(share*float64(len(b)))] }
	forged := append([]byte{}, png...)
	copy(forged[16:], "\x00\x00\xff\xff\x00\x00\xff\xff") // width and height of the header
	for name, c := range map[string]struct {
		photo []byte
		says  string
	}{
		"half a jpeg":                {cut(jpeg, 0.5), "cut short"},
		"90 % of a jpeg":             {cut(jpeg, 0.9), "cut short"},
		"99.9 % of a jpeg":           {cut(jpeg, 0.999), "cut short"},
		"jpeg without end":           {jpeg[:len(jpeg)-2], "cut short"},
		"jpeg with a damaged middle": {damaged(jpeg), "damaged"},
		"half a png":                 {cut(png, 0.5), "cut short"},
		"png without end":            {png[:len(png)-12], "cut short"},
		"forged size":                {forged, "png"},
		"empty":                      {nil, "empty"},
		"three bytes":                {[]byte("abc"), "3 bytes"},
		"text":                       {[]byte("this is a text file, no photo"), "not a photo"},
		"heic with nothing in it":    {[]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic and no more than this"), "most compatible"},
		"grey":                       {newScene(100, 100, [3]int{90, 90, 90}).jpeg(t, 90), "no colour"},
	} {
		_, err := Measure(c.photo, plain())
		switch {
		case err == nil:
			t.Errorf("%s: measured without error", name)
		case !strings.Contains(err.Error(), c.says):
			t.Errorf("%s: error %q does not say %q", name, err, c.says)
		case strings.Contains(err.Error(), "\n"):
			t.Errorf("%s: error of several lines: %q", name, err)
		}
	}
}

func damaged(jpeg []byte) []byte {
	out := append([]byte{}, jpeg...)
	for i := len(out) / 2; i < len(out)/2+40; i++ {
		out[i] = 0xFF
		if i%2 == 1 {
			out[i] = 0xC4
		}
	}
	return out
}

// TestBareAndFull: an automatic threshold must not split noise.
func TestBareAndFull(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	soil := func() *scene { return newScene(500, 500, soilRGB) }
	for _, c := range []struct {
		name      string
		s         *scene
		want, tol float64
	}{
		{"bare soil with noise", soil().noise(rng, 4, 0, 0, 500, 500), 0.0015, 0.0015},
		{"one small plant", soil().fill(100, 100, 22, 22, leafRGB).noise(rng, 4, 0, 0, 500, 500), 0.00194, 0.002},
		{"one flat colour", soil(), 0, 0},
		{"all leaf", newScene(500, 500, leafRGB).noise(rng, 4, 0, 0, 500, 500), 1, 0.005},
		{"half and half", soil().fill(0, 0, 250, 500, leafRGB), 0.5, 0.005},
	} {
		_, r := alone(t, c.s.png(t), plain())
		near(t, c.name, r.CoverFrac, c.want, c.tol)
	}
}

// TestPiecesRule: corner neighbours join, a gap of one pixel parts, specks drop.
func TestPiecesRule(t *testing.T) {
	s := newScene(300, 300, soilRGB)
	for _, at := range [][2]int{{20, 20}, {60, 60}, {150, 20}, {191, 20}} {
		s.fill(at[0], at[1], 40, 40, leafRGB)
	}
	s.fill(250, 250, 2, 2, leafRGB)
	photo := s.png(t)
	_, r := alone(t, photo, plain())
	if len(r.Pieces) != 3 {
		t.Errorf("%d pieces, want 3", len(r.Pieces))
	}
	near(t, "cover", r.CoverFrac, 0.07116, 0.0002)
}

// TestShadow: half the ground in deep shadow is still read, and said.
func TestShadow(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	dark := func(c [3]int) [3]int {
		for i := range c {
			c[i] = int(float64(c[i])*0.15 + 0.5)
		}
		return c
	}
	build := func() *scene {
		s := newScene(400, 400, soilRGB).fill(200, 0, 200, 400, dark(soilRGB))
		return s.fill(50, 100, 80, 100, leafRGB).fill(260, 100, 80, 100, dark(leafRGB))
	}
	noisy := newScene(400, 400, soilRGB).fill(200, 0, 200, 400, dark(soilRGB)).noise(rng, 4, 200, 0, 200, 400)
	noisy.fill(50, 100, 80, 100, leafRGB).fill(260, 100, 80, 100, dark(leafRGB))
	for _, c := range []struct {
		name string
		s    *scene
		tol  float64
	}{{"clean", build(), 0.005}, {"noisy", noisy, 0.015}} {
		m, r := alone(t, c.s.png(t), plain())
		near(t, c.name+" shadow", r.CoverFrac, 0.10, c.tol)
		found := false
		for _, f := range m.Flags {
			if f.Code == FlagShadow {
				found = true
				near(t, c.name+" dark share", f.Value, 0.5, 0.05)
			}
		}
		if !found {
			t.Errorf("%s shadow: not flagged", c.name)
		}
	}
}

// TestLaws: cover is a matter of the ground, not of how the photo lies.
func TestLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	draw := func(scale float64) *scene {
		s := discs(5, 25, 480, 360, scale)
		return s.noise(rng, 5, 0, 0, s.w, s.h)
	}
	s := draw(1)
	_, base := alone(t, s.png(t), plain())
	for name, other := range map[string]*scene{
		"quarter turn": s.turned(), "half turn": s.turned().turned(), "mirror": s.mirrored(), "double size": draw(2),
	} {
		_, r := alone(t, other.png(t), plain())
		near(t, name, r.CoverFrac, base.CoverFrac, 0.004)
	}
	// A wider margin around the same frame.
	framed := plain()
	framed.FrameMM = [2]float64{500, 500}
	frameAt := func(x, y, side float64) Options {
		o := framed
		o.Corners = &[4]raster.Point{{X: x, Y: y}, {X: x + side, Y: y}, {X: x + side, Y: y + side}, {X: x, Y: y + side}}
		return o
	}
	_, tight := alone(t, s.png(t), frameAt(60, 20, 320))
	wide := newScene(960, 720, soilRGB)
	for y := range s.h {
		copy(wide.rgb[3*((y+180)*wide.w+240):], s.rgb[3*y*s.w:3*(y+1)*s.w])
	}
	_, loose := alone(t, wide.png(t), frameAt(300, 200, 320))
	near(t, "wider margin", loose.CoverFrac, tight.CoverFrac, 0.006)

	// More plants never lower cover at one threshold.
	last := -1.0
	grow := newScene(480, 360, soilRGB)
	th, err := HandThreshold(IndexSoftExG, scales[IndexSoftExG].prior)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		grow.fill(rng.IntN(420), rng.IntN(300), 10+rng.IntN(40), 10+rng.IntN(40), leafRGB)
		m, err := Measure(grow.png(t), plain())
		if err != nil {
			t.Fatal(err)
		}
		if c := m.Curve.CoverFrac(th.Value); c < last {
			t.Errorf("plant %d lowered cover from %.4f to %.4f", i, last, c)
		} else {
			last = c
		}
	}
}

// TestPerspective: cover is the share of the ground, not of the picture.
func TestPerspective(t *testing.T) {
	// The near half of a tilted frame is leaf: more than half the picture of
	// the frame, half of the ground.
	s := newScene(600, 600, soilRGB)
	q := [4]raster.Point{{X: 200, Y: 100}, {X: 400, Y: 100}, {X: 550, Y: 500}, {X: 50, Y: 500}}
	opt := plain()
	opt.FrameMM = [2]float64{500, 500}
	opt.Corners = &q
	m, err := Measure(s.png(t), opt)
	if err != nil {
		t.Fatal(err)
	}
	middle := m.Plane.At(float64(m.Plane.Width)/2, float64(m.Plane.Height)/2)
	s.fill(0, int(middle.Y+0.5), 600, 600-int(middle.Y+0.5), leafRGB)
	_, r := alone(t, s.png(t), opt)
	near(t, "ground share", r.CoverFrac, 0.5, 0.006)
	if middle.Y > 290 {
		t.Errorf("middle of the ground is seen at row %.0f, below the middle of the picture of the frame", middle.Y)
	}
}

// TestSeparation: crop and weed are told apart only by what is stated.
func TestSeparation(t *testing.T) {
	s := newScene(400, 400, soilRGB)
	s.fill(180, 20, 40, 60, leafRGB).fill(185, 200, 30, 60, leafRGB) // on the row
	s.fill(50, 50, 20, 20, leafRGB).fill(320, 300, 20, 20, leafRGB).fill(30, 330, 20, 20, leafRGB)
	opt := plain()
	count := func(opt Options) (crop, weed, green int, r Result) {
		_, r = alone(t, s.png(t), opt)
		for _, p := range r.Pieces {
			switch p.Kind {
			case Crop:
				crop++
			case Weed:
				weed++
			case Green:
				green++
			}
		}
		return crop, weed, green, r
	}
	if c, w, g, r := count(opt); c != 0 || w != 0 || g != 5 || r.Quantity != "green cover" {
		t.Errorf("nothing stated: %d crop, %d weed, %d green, %q", c, w, g, r.Quantity)
	}
	marked := opt
	marked.Pieces.Crop = [][]raster.Point{{{X: 170, Y: 10}, {X: 230, Y: 10}, {X: 230, Y: 90}, {X: 170, Y: 90}}}
	c, w, _, r := count(marked)
	if c != 1 || w != 4 {
		t.Errorf("marked plant: %d crop and %d weed, want 1 and 4", c, w)
	}
	near(t, "crop cover", r.CropFrac, 2400.0/160000, 0.0005)
	near(t, "weed cover", r.WeedFrac, 3000.0/160000, 0.0005)
	without := opt
	without.Exclude = [][]raster.Point{{{X: 160, Y: 0}, {X: 240, Y: 0}, {X: 240, Y: 400}, {X: 160, Y: 400}}}
	if _, _, g, r := count(without); g != 3 {
		t.Errorf("excluded band: %d pieces, want 3", g)
	} else {
		near(t, "cover beside the band", r.CoverFrac, 1200.0/(320*400), 0.001)
	}
}

// TestStored: a measurement survives JSON, and its plane answers as its curve.
func TestStored(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	s := newScene(300, 200, soilRGB).fill(20, 20, 50, 60, leafRGB).noise(rng, 6, 0, 0, 300, 200)
	m, err := Measure(s.jpeg(t, 80), plain())
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var back Measurement
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(m, back) {
		t.Error("measurement changed on its way through JSON")
	}
	sc := scales[m.Index]
	for v := sc.low; v <= sc.high; v += sc.step {
		p, err := m.Plane.CoverFrac(v)
		if err != nil {
			t.Fatal(err)
		}
		if c := m.Curve.CoverFrac(v); c != p {
			t.Fatalf("at %.4f the curve says %.6f, the plane %.6f", v, c, p)
		}
	}
}

// TestNoFrame: a frame that is asked for and not there is said, never guessed.
func TestNoFrame(t *testing.T) {
	s := discs(3, 40, 800, 600, 1)
	s.noise(rand.New(rand.NewPCG(1, 1)), 6, 0, 0, s.w, s.h)
	opt := DefaultOptions()
	opt.FrameMM = [2]float64{500, 500}
	if _, err := Measure(s.jpeg(t, 90), opt); err == nil || !strings.Contains(err.Error(), "no frame found") {
		t.Errorf("error %v, want one that says no frame was found", err)
	}
}
