package jpegturbo

import (
	"errors"
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// TestHeader: size, colour model and kind of a file from its beginning, and what
// is none.
func TestHeader(t *testing.T) {
	rgb := waves(67, 35)
	for name, file := range map[string][]byte{"baseline": encoded(t, rgb, 67, 35, 90, true), "chroma at full size": encoded(t, rgb, 67, 35, 90, false), "progressive": progressive(t, rgb, 67, 35)} {
		h, err := ReadHeader(file)
		if err != nil || h.Width != 67 || h.Height != 35 || h.Model != YCbCr || h.Progressive != (name == "progressive") {
			t.Errorf("%s: %+v, %v", name, h, err)
		}
		p, err := Decode(file, 1)
		half := name != "chroma at full size"
		if err != nil || p.Width != 67 || p.Height != 35 || half && (p.ChromaWidth != 34 || p.ChromaHeight != 18) || !half && (p.ChromaWidth != 67 || p.ChromaHeight != 35) {
			t.Errorf("%s: planes %d x %d, chroma %d x %d, %v", name, p.Width, p.Height, p.ChromaWidth, p.ChromaHeight, err)
		}
	}
	m, err := gocv.NewMatFromBytes(20, 30, gocv.MatTypeCV8U, make([]byte, 600))
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	buf, err := gocv.IMEncode(gocv.JPEGFileExt, m)
	if err != nil {
		t.Fatal(err)
	}
	defer buf.Close()
	grey := buf.GetBytes()
	if h, err := ReadHeader(grey); err != nil || h.Model != Grey {
		t.Errorf("grey: %+v, %v", h, err)
	}
	if _, err := Decode(grey, 1); err == nil {
		t.Error("a grey file has chroma")
	}
	if _, _, _, err := DecodeRGB(grey); err == nil {
		t.Error("a grey file has colours")
	}
	for name, b := range map[string][]byte{"nothing": nil, "no picture": []byte("this is no picture at all"), "two bytes": {0xFF, 0xD8}} {
		if _, err := ReadHeader(b); err == nil {
			t.Errorf("%s has a header", name)
		}
		if _, err := Decode(b, 1); err == nil {
			t.Errorf("%s is decoded", name)
		}
		if _, _, _, err := DecodeRGB(b); err == nil {
			t.Errorf("%s is decoded to colours", name)
		}
	}
	var cut *CutError
	if _, err := ReadHeader(nil); !errors.As(err, &cut) || cut.ReadFrac != 0 || !errors.Is(err, ErrCutShort) {
		t.Errorf("an empty file: %v", err)
	}
	file := encoded(t, rgb, 67, 35, 90, true)
	for denom, good := range map[int]bool{-1: false, 0: false, 1: true, 2: true, 3: false, 4: true, 5: false, 8: true, 16: false} {
		if _, err := Decode(file, denom); (err == nil) != good {
			t.Errorf("at 1/%d: %v", denom, err)
		}
	}
	if (&CutError{ReadFrac: -1}).Error() != "file is cut short" || (&CutError{ReadFrac: .254}).Error() != "file is cut short: picture ends at 25 % of its height" {
		t.Error("what is said of files cut short")
	}
	for _, c := range []struct {
		w, h, n int
	}{{0, 10, 0}, {10, 0, 0}, {65501, 1, 3 * 65501}, {1, 65501, 3 * 65501}, {4, 4, 47}, {4, 4, 49}} {
		if _, err := Encode(make([]byte, c.n), c.w, c.h, 90, true); err == nil {
			t.Errorf("%d bytes are encoded as %d x %d", c.n, c.w, c.h)
		}
	}
	if Version() == "" {
		t.Error("no version")
	}
}

// TestFromRGB holds the conversion of every colour in steps of 15 to ITU-T T.871.
func TestFromRGB(t *testing.T) {
	var rgb []byte
	for r := 0; r < 256; r += 15 {
		for g := 0; g < 256; g += 15 {
			for b := 0; b < 256; b += 15 {
				rgb = append(rgb, byte(r), byte(g), byte(b))
			}
		}
	}
	p := FromRGB(rgb, len(rgb)/3, 1)
	for i := range p.Y {
		r, g, b := float64(rgb[3*i]), float64(rgb[3*i+1]), float64(rgb[3*i+2])
		for k, c := range [3]struct {
			got  byte
			want float64
		}{{p.Y[i], .299*r + .587*g + .114*b}, {p.Cb[i], -.168736*r - .331264*g + .5*b + 128}, {p.Cr[i], .5*r - .418688*g - .081312*b + 128}} {
			if math.Abs(float64(c.got)-min(c.want, 255)) > .51 {
				t.Fatalf("(%g, %g, %g): plane %d is %d, want %.2f", r, g, b, k, c.got, c.want)
			}
		}
	}
}
