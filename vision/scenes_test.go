package vision

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"testing"

	"quadtally/vision/jpegturbo"
)

// Colours of the drawn scenes.
var (
	soilRGB = [3]int{120, 95, 70}
	leafRGB = [3]int{70, 120, 45}
)

// scene is a drawn photo of known area.
type scene struct {
	w, h int
	rgb  []byte
}

func newScene(w, h int, c [3]int) *scene {
	s := &scene{w, h, make([]byte, 3*w*h)}
	s.fill(0, 0, w, h, c)
	return s
}

func (s *scene) fill(x0, y0, w, h int, c [3]int) *scene {
	for y := y0; y < y0+h; y++ {
		for x := x0; x < x0+w; x++ {
			for k := range 3 {
				s.rgb[3*(y*s.w+x)+k] = byte(min(max(c[k], 0), 255))
			}
		}
	}
	return s
}

// noise adds independent whole numbers in -n..n to every channel of a box.
func (s *scene) noise(rng *rand.Rand, n, x0, y0, w, h int) *scene {
	for y := y0; y < y0+h; y++ {
		for x := x0; x < x0+w; x++ {
			for k := range 3 {
				i := 3*(y*s.w+x) + k
				s.rgb[i] = byte(min(max(int(s.rgb[i])+rng.IntN(2*n+1)-n, 0), 255))
			}
		}
	}
	return s
}

// turned is the scene turned a quarter to the right.
func (s *scene) turned() *scene {
	t := newScene(s.h, s.w, soilRGB)
	for y := range s.h {
		for x := range s.w {
			copy(t.rgb[3*(x*t.w+s.h-1-y):][:3], s.rgb[3*(y*s.w+x):][:3])
		}
	}
	return t
}

func (s *scene) mirrored() *scene {
	t := newScene(s.w, s.h, soilRGB)
	for y := range s.h {
		for x := range s.w {
			copy(t.rgb[3*(y*s.w+s.w-1-x):][:3], s.rgb[3*(y*s.w+x):][:3])
		}
	}
	return t
}

// discs draws n round leaves, the same ones for a seed at any scale: a scene of
// scale 2 shows the same ground in twice the pixels. Edge pixels are mixed.
func discs(seed uint64, n int, w, h, scale float64) *scene {
	rng := rand.New(rand.NewPCG(seed, 0))
	s := newScene(int(w*scale), int(h*scale), soilRGB)
	for range n {
		cx, cy, r := rng.Float64()*w*scale, rng.Float64()*h*scale, (6+20*rng.Float64())*scale
		for y := max(int(cy-r)-1, 0); y < min(int(cy+r)+2, s.h); y++ {
			for x := max(int(cx-r)-1, 0); x < min(int(cx+r)+2, s.w); x++ {
				leaf := min(max(r-math.Hypot(float64(x)+.5-cx, float64(y)+.5-cy)+.5, 0), 1)
				for k := range 3 {
					at := &s.rgb[3*(y*s.w+x)+k]
					*at = byte(float64(*at)*(1-leaf) + float64(leafRGB[k])*leaf + .5)
				}
			}
		}
	}
	return s
}

func (s *scene) png(t testing.TB) []byte {
	t.Helper()
	img := image.NewNRGBA(image.Rect(0, 0, s.w, s.h))
	for i := range s.w * s.h {
		img.SetNRGBA(i%s.w, i/s.w, color.NRGBA{s.rgb[3*i], s.rgb[3*i+1], s.rgb[3*i+2], 255})
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func (s *scene) jpeg(t testing.TB, quality int) []byte {
	t.Helper()
	b, err := jpegturbo.Encode(s.rgb, s.w, s.h, quality, true)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// tiffWithOrientation is the smallest EXIF block that holds an orientation.
func tiffWithOrientation(o uint16) []byte {
	b := []byte("MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01")
	b = binary.BigEndian.AppendUint16(b, o)
	return append(b, 0, 0, 0, 0, 0, 0)
}

// oriented puts an EXIF orientation into a JPEG file.
func oriented(jpeg []byte, o uint16) []byte {
	body := append([]byte("Exif\x00\x00"), tiffWithOrientation(o)...)
	out := append([]byte{}, jpeg[:2]...)
	out = append(out, 0xFF, 0xE1)
	out = binary.BigEndian.AppendUint16(out, uint16(len(body)+2))
	return append(append(out, body...), jpeg[2:]...)
}

// plain measures the whole photo without looking for a card.
func plain() Options {
	o := DefaultOptions()
	o.ReadCard = false
	return o
}

// alone measures a photo and evaluates it by itself.
func alone(t testing.TB, photo []byte, opt Options) (Measurement, Result) {
	t.Helper()
	m, err := Measure(photo, opt)
	if err != nil {
		t.Fatal(err)
	}
	th, err := VisitThreshold([]Curve{m.Curve}, opt)
	if err != nil {
		t.Fatal(err)
	}
	r, err := AtThreshold(m, th, opt)
	if err != nil {
		t.Fatal(err)
	}
	return m, r
}

func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(got >= want-tol && got <= want+tol) {
		t.Errorf("%s: got %.5g, want %.5g within %.3g", what, got, want, tol)
	}
}
