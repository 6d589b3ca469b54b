package jpegturbo

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// waves is a smooth picture of which a reduced scale loses little.
func waves(w, h int) []byte {
	rgb := make([]byte, 0, 3*w*h)
	for y := range h {
		for x := range w {
			fx, fy := float64(x)/23, float64(y)/17
			rgb = append(rgb, byte(128+60*math.Sin(fx)), byte(120+60*math.Sin(fy+1)), byte(110+50*math.Cos(fx+fy)))
		}
	}
	return rgb
}

// encoded is a picture as this package writes it.
func encoded(t *testing.T, rgb []byte, w, h, quality int, halveChroma bool) []byte {
	t.Helper()
	file, err := Encode(rgb, w, h, quality, halveChroma)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// progressive is a picture as OpenCV writes it, in scans.
func progressive(t *testing.T, rgb []byte, w, h int) []byte {
	t.Helper()
	m, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC3, rgb)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	bgr := gocv.NewMat()
	defer bgr.Close()
	gocv.CvtColor(m, &bgr, gocv.ColorBGRToRGB)
	buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, bgr, []int{gocv.IMWriteJpegQuality, 95, gocv.IMWriteJpegProgressive, 1})
	if err != nil {
		t.Fatal(err)
	}
	defer buf.Close()
	return append([]byte(nil), buf.GetBytes()...)
}

// meanOff is the mean distance of a plane at 1/denom from the means of blocks
// of the plane at full size; blocks over the rim are left out.
func meanOff(full []byte, fw, fh int, got []byte, w, h, denom int) float64 {
	var off float64
	n := 0
	for y := range fh / denom {
		for x := range fw / denom {
			sum := 0
			for i := range denom * denom {
				sum += int(full[(y*denom+i/denom)*fw+x*denom+i%denom])
			}
			off += math.Abs(float64(sum)/float64(denom*denom) - float64(got[y*w+x]))
			n++
		}
	}
	return off / float64(n)
}

// TestScales: at every scale all planes are those of the full size averaged over
// blocks, and chroma keeps its proportion to luma; for sizes that end within a
// block, for halved and full chroma, and for files
// in scans.
func TestScales(t *testing.T) {
	for _, size := range [][2]int{{640, 480}, {203, 157}, {64, 16}, {17, 33}} {
		w, h := size[0], size[1]
		rgb := waves(w, h)
		for _, c := range []struct {
			name string
			file []byte
			per  int // luma pixels per chroma pixel
		}{{"halved", encoded(t, rgb, w, h, 95, true), 2}, {"full", encoded(t, rgb, w, h, 95, false), 1}, {"in scans", progressive(t, rgb, w, h), 2}} {
			full, err := Decode(c.file, 1)
			if err != nil {
				t.Fatal(err)
			}
			for _, denom := range []int{1, 2, 4, 8} {
				name := fmt.Sprintf("%s, %d x %d at 1/%d", c.name, w, h, denom)
				p, err := Decode(c.file, denom)
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				up := func(v, by int) int { return (v + by - 1) / by }
				if p.Width != up(w, denom) || p.Height != up(h, denom) || p.ChromaWidth != up(w, c.per*denom) || p.ChromaHeight != up(h, c.per*denom) {
					t.Fatalf("%s: luma %d x %d, chroma %d x %d", name, p.Width, p.Height, p.ChromaWidth, p.ChromaHeight)
				}
				for k, off := range []float64{
					meanOff(full.Y, full.Width, full.Height, p.Y, p.Width, p.Height, denom),
					meanOff(full.Cb, full.ChromaWidth, full.ChromaHeight, p.Cb, p.ChromaWidth, p.ChromaHeight, denom),
					meanOff(full.Cr, full.ChromaWidth, full.ChromaHeight, p.Cr, p.ChromaWidth, p.ChromaHeight, denom),
				} {
					if off > 1 { // grey level
						t.Errorf("%s: plane %d is %.2f grey levels off on average", name, k, off)
					}
				}
			}
		}
	}
}

// TestPlanesAndRGB: the planes are what the library makes of its own RGB.
func TestPlanesAndRGB(t *testing.T) {
	const w, h = 120, 90
	file := encoded(t, waves(w, h), w, h, 95, false)
	p, err := Decode(file, 1)
	if err != nil {
		t.Fatal(err)
	}
	rgb, gw, gh, err := DecodeRGB(file)
	if err != nil || gw != w || gh != h {
		t.Fatalf("%d x %d, %v", gw, gh, err)
	}
	want := FromRGB(rgb, w, h)
	for i := range p.Y {
		for k, d := range []int{int(p.Y[i]) - int(want.Y[i]), int(p.Cb[i]) - int(want.Cb[i]), int(p.Cr[i]) - int(want.Cr[i])} {
			if d < -2 || d > 2 { // rounded to RGB and back
				t.Fatalf("pixel %d, plane %d: %d off", i, k, d)
			}
		}
	}
}

// TestCut: a file that ends early is an error at every scale and says how far
// it could be read; other damage is an error of another kind.
func TestCut(t *testing.T) {
	const w, h = 640, 480
	file := encoded(t, waves(w, h), w, h, 90, true)
	for _, denom := range []int{1, 2, 4, 8} {
		var cut *CutError
		if _, err := Decode(file[:len(file)/2], denom); !errors.As(err, &cut) || cut.ReadFrac < .3 || cut.ReadFrac > .7 {
			t.Errorf("1/%d: half a file gave %v", denom, err)
		}
	}
	for _, denom := range []int{0, 3, 16} {
		if _, err := Decode(file, denom); err == nil {
			t.Errorf("a scale of 1/%d was taken", denom)
		}
	}
	if _, err := Decode([]byte("no picture at all"), 1); !errors.Is(err, ErrCorrupt) {
		t.Errorf("text gave %v", err)
	}
}
