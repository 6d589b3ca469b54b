package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/vision/raster"
)

func be32(vs ...uint32) (out []byte) {
	for _, v := range vs {
		out = binary.BigEndian.AppendUint32(out, v)
	}
	return out
}

// para is a curve by formula: its kind and parameters in the order g a b c d e f
// (ISO 15076-1:2010, 10.18).
func para(kind uint16, vs ...float64) []byte {
	out := append([]byte("para\x00\x00\x00\x00"), byte(kind>>8), byte(kind), 0, 0)
	for _, v := range vs {
		out = append(out, be32(uint32(int32(math.Round(65536*v))))...)
	}
	return out
}

func curv(vs ...uint16) []byte {
	out := append([]byte("curv\x00\x00\x00\x00"), be32(uint32(len(vs)))...)
	for _, v := range vs {
		out = binary.BigEndian.AppendUint16(out, v)
	}
	return out
}

// TestCurvesByHand: every kind of tone curve at places worked out by hand.
func TestCurvesByHand(t *testing.T) {
	type point struct{ at, want float64 }
	for name, c := range map[string]struct {
		curve  []byte
		points []point
	}{
		"none":            {curv(), []point{{0, 0}, {.3, .3}, {1, 1}}},
		"power of 2":      {curv(512), []point{{0, 0}, {.5, .25}, {1, 1}}},
		"power of 1.5":    {curv(384), []point{{.25, .125}}},
		"table of two":    {curv(0, 65535), []point{{0, 0}, {.25, .25}, {1, 1}}},
		"table of three":  {curv(0, 13107, 65535), []point{{.25, .1}, {.5, .2}, {.75, .6}, {1, 1}}},
		"formula 0":       {para(0, 2), []point{{.5, .25}, {1, 1}}},
		"formula 1":       {para(1, 2, 2, -1), []point{{.25, 0}, {.5, 0}, {.75, .25}, {1, 1}}},
		"formula 2":       {para(2, 2, 2, -1, .25), []point{{.25, .25}, {.5, .25}, {.75, .5}, {1, 1.25}}},
		"formula 3":       {para(3, 2, .5, .5, .25, .5), []point{{.25, .0625}, {.5, .5625}, {1, 1}}},
		"formula 4":       {para(4, 2, .5, .5, .25, .5, .125, .0625), []point{{.25, .125}, {.5, .6875}, {1, 1.125}}},
		"formula 3, root": {para(3, .5, 1, -.5, 0, .25), []point{{.3, 0}, {.75, .5}}}, // below the power's own zero
	} {
		f, err := parseCurve(c.curve)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, p := range c.points {
			if got := f(p.at); math.Abs(got-p.want) > 1e-4 {
				t.Errorf("%s: %g becomes %g, want %g", name, p.at, got, p.want)
			}
		}
	}
	for name, b := range map[string][]byte{
		"nothing": nil, "11 bytes": curv()[:11], "a table cut short": curv(1, 2, 3)[:17], "a power cut short": curv(512)[:13], "formula 5": para(5, 1, 1, 1, 1, 1, 1, 1),
		"formula 0 cut short": para(0, 2)[:15], "formula 1 cut short": para(1, 2, 2), "formula 2 cut short": para(2, 2, 2, 2), "formula 3 cut short": para(3, 2, 2, 2, 2), "formula 4 cut short": para(4, 2, 2, 2, 2, 2, 2),
		"another kind": append([]byte("tabl"), curv()[4:]...),
	} {
		if _, err := parseCurve(b); !errors.Is(err, errProfile) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestProfileNames(t *testing.T) {
	mluc := func(n, from uint32, text string) []byte {
		out := append([]byte("mluc\x00\x00\x00\x00"), be32(1, 12, 0x656e5553, n, from)...)
		return append(out, text...)
	}
	desc := func(n uint32, text string) []byte {
		return append(append([]byte("desc\x00\x00\x00\x00"), be32(n)...), text...)
	}
	for _, c := range []struct {
		name string
		b    []byte
		want string
	}{
		{"none", nil, ""}, {"plain", desc(5, "wide\x00rest"), "wide"}, {"to the end", desc(4, "wide"), "wide"}, {"longer than it is", desc(5, "wide"), ""}, {"empty", desc(0, "wide"), ""}, {"one", desc(1, "w"), "w"},
		{"cut short", desc(4, "wide")[:11], ""}, {"in UTF-16", mluc(6, 28, "\x00P\x00\u0033\x00!"), "P3!"}, {"further on", mluc(2, 30, "\x00x\x00y"), "y"}, {"beyond", mluc(4, 28, "\x00x"), ""}, {"far beyond", mluc(2, 1<<31, "\x00x"), ""},
		{"of another kind", append([]byte("text"), desc(4, "wide")[4:]...), ""}, {"short, in UTF-16", mluc(2, 26, "")[:27], ""},
	} {
		if got := profileName(c.b); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// TestProfilesRefused: profiles of another colour model and damaged ones are no
// matrix and curves; each byte that is read matters.
func TestProfilesRefused(t *testing.T) {
	good := iccOf("Display P3", sRGBCurve())
	p, err := parseProfile(good)
	if err != nil || p.name != "Display P3" {
		t.Fatalf("%+v, %v", p, err)
	}
	spoilt := func(at int, text string) []byte {
		b := slices.Clone(good)
		copy(b[at:], text)
		return b
	}
	tagAt := func(name string) int { return bytes.Index(good[132:], []byte(name)) + 132 }
	for name, b := range map[string][]byte{
		"nothing": nil, "head alone": good[:131], "no signature": spoilt(36, "acsx"), "printing inks": spoilt(16, "CMYK"), "Lab": spoilt(20, "Lab "),
		"too many tags": spoilt(128, "\x00\x00\x00\xc9"), "more tags than there are": spoilt(128, "\x00\x00\x00\xc8"), "a tag beyond the end": spoilt(tagAt("rXYZ")+4, "\x7f\xff\xff\xff"), "a tag too long": spoilt(tagAt("rXYZ")+8, "\xff\xff\xff\xff"),
		"no red": spoilt(tagAt("rXYZ"), "xXYZ"), "no green curve": spoilt(tagAt("gTRC"), "xTRC"), "blue cut short": spoilt(tagAt("bXYZ")+8, "\x00\x00\x00\x13"),
		"red of another kind": spoilt(bytes.Index(good, []byte("XYZ \x00\x00\x00\x00\x00")), "xyz "),
	} {
		if _, err := parseProfile(b); !errors.Is(err, errProfile) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A photo with such a profile is flagged and its colours are left alone.
	s := newScene(64, 64, soilRGB).fill(10, 10, 20, 20, leafRGB)
	plainly, err := Measure(s.jpeg(t, 95), plain())
	if err != nil {
		t.Fatal(err)
	}
	m, err := Measure(inJPEG(s.jpeg(t, 95), spoilt(16, "CMYK")), plain())
	if err != nil || m.Profile != "" || len(m.Flags) == 0 || m.Flags[0].Code != FlagProfile || m.Flags[0].Severity != MustLook || m.Curve != plainly.Curve {
		t.Errorf("a profile that cannot be read: %q, %+v, %v", m.Profile, m.Flags, err)
	}
	if m, err := Measure(inJPEG(s.jpeg(t, 95), iccOf("sRGB", sRGBCurve())), plain()); err != nil || m.Profile != "sRGB" || m.Curve != plainly.Curve {
		t.Errorf("sRGB: %q, %v", m.Profile, err)
	}
}

// TestNearlySRGB: a matrix or curve off by what no pixel shows is sRGB.
func TestNearlySRGB(t *testing.T) {
	srgb := func() *profile {
		p := &profile{toXYZ: sRGBToXYZ}
		for k := range p.linear {
			for i := range p.linear[k] {
				p.linear[k][i] = fromSRGB(float64(i) / 255)
			}
		}
		return p
	}
	if !srgb().isSRGB() {
		t.Error("sRGB is not")
	}
	for j := range 3 {
		for k := range 3 {
			for _, d := range []float64{-.0041, -.0039, .0039, .0041} {
				p := srgb()
				p.toXYZ[j][k] += d
				if p.isSRGB() != (math.Abs(d) < .004) {
					t.Errorf("matrix %d, %d off by %g: %v", j, k, d, p.isSRGB())
				}
			}
		}
		for _, i := range []int{32, 64, 128, 192, 224} {
			for _, d := range []float64{-.0101, -.0099, .0099, .0101} {
				p := srgb()
				p.linear[j][i] += d
				if p.isSRGB() != (math.Abs(d) < .01) {
					t.Errorf("curve %d at %d off by %g: %v", j, i, d, p.isSRGB())
				}
			}
		}
	}
	// Through sRGB and back a colour is what it was; the matrices are inverse to
	// each other; beyond the ends it stays at them.
	p := srgb()
	for _, c := range [][3]float64{{0, 0, 0}, {255, 255, 255}, {12, 200, 90}, {3, 250, 128.5}, {-20, 300, 60}} {
		got := p.toSRGB(c)
		for k, v := range c {
			if math.Abs(got[k]-min(max(v, 0), 255)) > .1 {
				t.Errorf("%v becomes %v", c, got)
				break
			}
		}
	}
	for j := range 3 {
		for k := range 3 {
			var v float64
			for i := range 3 {
				v += sRGBToXYZ[j][i] * xyzToSRGB[i][k]
			}
			want := 0.0
			if j == k {
				want = 1
			}
			if math.Abs(v-want) > 1e-5 {
				t.Errorf("the matrices' product has %g at %d, %d", v, j, k)
			}
		}
	}
	for _, v := range []float64{0, .001, .0031308, .0032, .2, 1} {
		if got := fromSRGB(storedSRGB(v)); math.Abs(got-v) > 1e-6 {
			t.Errorf("linear %g comes back as %g", v, got)
		}
	}
}

// TestConvert holds the table by which planes are converted to the conversion
// itself, pixel by pixel, chroma at full and half size.
func TestConvert(t *testing.T) {
	icc := iccOf("Display P3", sRGBCurve())
	p, err := parseProfile(icc)
	if err != nil {
		t.Fatal(err)
	}
	table := tableOf(p, icc)
	for _, size := range [][4]int{{24, 16, 24, 16}, {24, 16, 12, 8}, {24, 15, 12, 15}} {
		w, h, cw, ch := size[0], size[1], size[2], size[3]
		r := &raster.Raster{Width: w, Height: h, ChromaWidth: cw, ChromaHeight: ch, Y: make([]byte, w*h), Cb: make([]byte, cw*ch), Cr: make([]byte, cw*ch)}
		// One colour to each chroma sample, in the middle of the table's steps.
		for i := range r.Cb {
			r.Cb[i], r.Cr[i] = byte(4*(20+i%24)+1), byte(4*(22+i*7%20)+2)
		}
		lumaOf := func(i int) byte { return byte(8*(10+i%12) + 3) }
		for y := range h {
			for x := range w {
				r.Y[y*w+x] = lumaOf(y*ch/h*cw + x*cw/w)
			}
		}
		was := *r
		was.Y, was.Cb, was.Cr = slices.Clone(r.Y), slices.Clone(r.Cb), slices.Clone(r.Cr)
		table.convert(r)
		for y := range h {
			for x := range w {
				i := y*ch/h*cw + x*cw/w
				yy, cb, cr := float64(was.Y[y*w+x]), float64(was.Cb[i])-128, float64(was.Cr[i])-128
				c := p.toSRGB([3]float64{yy + 1.402*cr, yy - .344136*cb - .714136*cr, yy + 1.772*cb})
				want := [3]float64{.299*c[0] + .587*c[1] + .114*c[2], -.168736*c[0] - .331264*c[1] + .5*c[2] + 128, .5*c[0] - .418688*c[1] - .081312*c[2] + 128}
				for k, got := range [3]byte{r.Y[y*w+x], r.Cb[i], r.Cr[i]} {
					if math.Abs(float64(got)-min(max(want[k], 0), 255)) > 2 {
						t.Fatalf("%v at (%d, %d): plane %d is %d, want %.1f", size, x, y, k, got, want[k])
					}
				}
			}
		}
	}
}

// TestProfilesFound: where the files keep a profile; one that is cut short or
// forged is none.
func TestProfilesFound(t *testing.T) {
	icc := []byte("a profile of some length")
	jpeg := inJPEG(newScene(20, 20, soilRGB).jpeg(t, 90), icc)
	if got := profileOf(jpeg, FormatJPEG); !bytes.Equal(got, icc) {
		t.Errorf("jpeg: %q", got)
	}
	filled := append([]byte{0xFF, 0xD8, 0xFF, 0xFF, 0xFF}, jpeg[3:]...) // fill bytes before a marker
	if got := profileOf(filled, FormatJPEG); !bytes.Equal(got, icc) {
		t.Errorf("jpeg with fill bytes: %q", got)
	}
	// Segments out of order are joined by their numbers.
	body := func(n byte, s string) []byte {
		b := append([]byte("ICC_PROFILE\x00"), n, 2)
		b = append(b, s...)
		return append(binary.BigEndian.AppendUint16([]byte{0xFF, 0xE2}, uint16(len(b)+2)), b...)
	}
	if got := profileOf(slices.Concat([]byte{0xFF, 0xD8}, body(2, "end"), body(1, "begin"), []byte{0xFF, 0xDA, 0, 2}, body(3, "no")), FormatJPEG); string(got) != "beginend" {
		t.Errorf("jpeg out of order: %q", got)
	}
	bare := []byte{0xFF, 0xE2, 0, 2} // a segment with nothing in it
	if got := profileOf(slices.Concat([]byte{0xFF, 0xD8}, bare, body(1, "mine")), FormatJPEG); string(got) != "mine" {
		t.Errorf("jpeg with a bare segment before: %q", got)
	}
	if got := profileOf(slices.Concat([]byte{0xFF, 0xD8}, body(1, "m")), FormatJPEG); string(got) != "m" {
		t.Errorf("jpeg that ends with the profile: %q", got)
	}
	other := body(1, "mine")
	other[1] = 0xE1
	empty := body(1, "")
	for name, b := range map[string][]byte{
		"no marker": {0xFF, 0xD8, 1, 2, 3, 4}, "another segment": slices.Concat([]byte{0xFF, 0xD8}, other), "segment of 1 byte": {0xFF, 0xD8, 0xFF, 0xE2, 0, 1, 0, 0}, "cut short": slices.Concat([]byte{0xFF, 0xD8}, body(1, "mine")[:17]), "nothing in it": slices.Concat([]byte{0xFF, 0xD8}, empty),
		"end": {0xFF, 0xD8}, "nothing": nil,
	} {
		if got := profileOf(b, FormatJPEG); len(got) > 0 {
			t.Errorf("jpeg, %s: %q", name, got)
		}
	}
	png := inPNG(newScene(20, 20, soilRGB).png(t), icc)
	if got := profileOf(png, FormatPNG); !bytes.Equal(got, icc) {
		t.Errorf("png: %q", got)
	}
	chunk := func(kind, s string) []byte {
		return slices.Concat(be32(uint32(len(s))), []byte(kind), []byte(s), be32(0))
	}
	sign := []byte("\x89PNG\r\n\x1a\n")
	for name, b := range map[string][]byte{
		"no chunk": sign, "no name": slices.Concat(sign, chunk("iCCP", "name")), "no data": slices.Concat(sign, chunk("iCCP", "n\x00")), "no zlib": slices.Concat(sign, chunk("iCCP", "n\x00\x00xxxxxx")), "too long": slices.Concat(sign, be32(99), []byte("iCCPn\x00\x00x"), be32(0)),
		"zlib cut short": slices.Concat(sign, chunk("iCCP", "n\x00\x00"+string(png[49:57]))),
	} {
		if got := profileOf(b, FormatPNG); len(got) > 0 {
			t.Errorf("png, %s: %q", name, got)
		}
	}
	part := func(kind, s string) []byte {
		out := append([]byte(kind), binary.LittleEndian.AppendUint32(nil, uint32(len(s)))...)
		out = append(out, s...)
		if len(s)%2 == 1 {
			out = append(out, 0)
		}
		return out
	}
	riff := []byte("RIFF....WEBP")
	if got := profileOf(slices.Concat(riff, part("VP8X", "odd"), part("ICCP", "mine!"), part("VP8 ", "x")), FormatWebP); string(got) != "mine!" {
		t.Errorf("webp: %q", got)
	}
	if got := profileOf(slices.Concat(riff, part("ICCP", "")), FormatWebP); len(got) > 0 {
		t.Errorf("webp, empty: %q", got)
	}
	for name, b := range map[string][]byte{"none": slices.Concat(riff, part("VP8 ", "x")), "cut short": slices.Concat(riff, part("ICCP", "mine!!")[:12]), "huge": slices.Concat(riff, []byte("ICCP\xff\xff\xff\xffmine"))} {
		if got := profileOf(b, FormatWebP); got != nil {
			t.Errorf("webp, %s: %q", name, got)
		}
	}
	box := func(kind string, in ...[]byte) []byte {
		b := bytes.Join(in, nil)
		return slices.Concat(be32(uint32(len(b)+8)), []byte(kind), b)
	}
	heic := func(kind string) []byte {
		return slices.Concat(box("ftyp", []byte("heic")), box("meta", be32(0), box("hdlr", []byte("pict")), box("iprp", box("ipco", box("ispe", be32(9)), box("colr", []byte("nclx12")), box("colr", []byte(kind), icc)))))
	}
	for _, kind := range []string{"prof", "rICC"} {
		if got := profileOf(heic(kind), FormatHEIC); !bytes.Equal(got, icc) {
			t.Errorf("heic, %s: %q", kind, got)
		}
	}
	for name, b := range map[string][]byte{"none": heic("none"), "cut short": heic("prof")[:60], "no boxes": []byte("heic"), "box of 7": slices.Concat(be32(7), []byte("meta"), heic("prof")), "empty colour box": box("meta", be32(0), box("iprp", box("ipco", box("colr"))))} {
		if got := profileOf(b, FormatHEIC); got != nil {
			t.Errorf("heic, %s: %q", name, got)
		}
	}
	if profileOf(jpeg, "tiff") != nil {
		t.Error("a format that is not read has a profile")
	}
}

// TestTags: one number from a directory of a TIFF block, in either byte order,
// as short or long; anything that does not fit is none.
func TestTags(t *testing.T) {
	for _, order := range []binary.AppendByteOrder{binary.BigEndian, binary.LittleEndian} {
		sign := "MM\x00*"
		if order.(fmt.Stringer).String() == "LittleEndian" {
			sign = "II*\x00"
		}
		entry := func(tag, kind uint16, v uint32) []byte {
			b := order.AppendUint32(order.AppendUint16(order.AppendUint16(nil, tag), kind), 1)
			if kind == 3 {
				return order.AppendUint16(order.AppendUint16(b, uint16(v)), 0)
			}
			return order.AppendUint32(b, v)
		}
		dir := func(n uint16, entries ...[]byte) []byte {
			return append(order.AppendUint16(nil, n), bytes.Join(entries, nil)...)
		}
		tiff := func(at uint32, rest ...[]byte) []byte {
			return append(order.AppendUint32([]byte(sign), at), bytes.Join(rest, nil)...)
		}
		first := dir(2, entry(0x0100, 3, 7), entry(0x0112, 3, 6))
		good := tiff(8, first)
		for _, c := range []struct {
			name string
			b    []byte
			at   uint32
			want uint32
			ok   bool
		}{
			{"short", good, 0, 6, true}, {"long", tiff(8, dir(1, entry(0x0112, 4, 70000))), 0, 70000, true}, {"further on", tiff(10, []byte("xx"), first), 0, 6, true},
			{"another directory", tiff(8, first, dir(1, entry(0x0112, 3, 3))), 8 + uint32(len(first)), 3, true},
			{"of another type", tiff(8, dir(1, entry(0x0112, 5, 6))), 0, 0, false}, {"not there", tiff(8, dir(1, entry(0x0100, 3, 7))), 0, 0, false},
			{"head alone", good[:8], 0, 0, false}, {"shorter", good[:7], 0, 0, false}, {"in the head", tiff(7, first), 0, 0, false}, {"beyond", tiff(1000, first), 0, 0, false},
			{"at the end", good[:9], 0, 0, false}, {"entries cut short", good[:len(good)-1], 0, 0, false}, {"fewer than it says", tiff(8, dir(2, entry(0x0100, 3, 7))), 0, 0, false}, {"first of more than there are", tiff(8, dir(9, entry(0x0112, 3, 6))), 0, 6, true},
			{"no TIFF", append([]byte("MM*\x00"), good[4:]...), 0, 0, false}, {"far beyond", good, 1 << 31, 0, false},
		} {
			if got, ok := tiffTag(c.b, c.at, 0x0112); got != c.want || ok != c.ok {
				t.Errorf("%v, %s: %d, %v; want %d, %v", order, c.name, got, ok, c.want, c.ok)
			}
		}
	}
	o6 := tiffWithOrientation(6)
	jpeg := oriented(newScene(20, 20, soilRGB).jpeg(t, 90), 6)
	app := func(marker byte, body string) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0xFF, marker}, uint16(len(body)+2)), body...)
	}
	start, exif := []byte{0xFF, 0xD8}, app(0xE1, "Exif\x00\x00"+string(o6))
	riff := []byte("RIFF....WEBP")
	part := func(kind, s string) []byte {
		out := append(append([]byte(kind), binary.LittleEndian.AppendUint32(nil, uint32(len(s)))...), s...)
		return append(out, make([]byte, len(s)%2)...)
	}
	chunk := func(kind, s string) []byte {
		return slices.Concat(be32(uint32(len(s))), []byte(kind), []byte(s), be32(0))
	}
	sign := []byte("\x89PNG\r\n\x1a\n")
	for _, c := range []struct {
		name string
		b    []byte
		f    Format
		want int
	}{
		{"jpeg", jpeg, FormatJPEG, 6}, {"after other segments", slices.Concat(start, app(0xE0, "JFIF"), app(0xE1, "http://ns.adobe.com"), exif), FormatJPEG, 6}, {"fill bytes", slices.Concat(start, []byte{0xFF, 0xFF}, exif), FormatJPEG, 6},
		{"behind the picture", slices.Concat(start, []byte{0xFF, 0xDA, 0, 2}, exif), FormatJPEG, 0}, {"segment of 1 byte", slices.Concat(start, []byte{0xFF, 0xE0, 0, 1}, exif), FormatJPEG, 0}, {"after a bare segment", slices.Concat(start, []byte{0xFF, 0xE0, 0, 2}, exif), FormatJPEG, 6}, {"cut short", slices.Concat(start, exif)[:20], FormatJPEG, 0}, {"no marker", slices.Concat(start, []byte{0, 0xE0}, exif), FormatJPEG, 0}, {"none", start, FormatJPEG, 0},
		{"in another segment", slices.Concat(start, app(0xE2, "Exif\x00\x00"+string(o6))), FormatJPEG, 0},
		{"webp", slices.Concat(riff, part("VP8 ", "odd"), part("EXIF", string(o6))), FormatWebP, 6}, {"webp with the name before", slices.Concat(riff, part("EXIF", "Exif\x00\x00"+string(o6))), FormatWebP, 6}, {"webp cut short", slices.Concat(riff, part("EXIF", string(o6))[:20]), FormatWebP, 0}, {"webp without", slices.Concat(riff, part("VP8 ", "x")), FormatWebP, 0},
		{"png", slices.Concat(sign, chunk("IHDR", "x"), chunk("eXIf", string(o6))), FormatPNG, 6}, {"png cut short", slices.Concat(sign, chunk("eXIf", string(o6)))[:30], FormatPNG, 0}, {"png without", slices.Concat(sign, chunk("IDAT", string(o6))), FormatPNG, 0},
		{"heic", jpeg, FormatHEIC, 0},
	} {
		if got := orientation(c.b, c.f); got != c.want {
			t.Errorf("%s: orientation %d, want %d", c.name, got, c.want)
		}
	}
}

// TestSizesRefused: sizes at the limits, and the scale a photo is decoded at.
func TestSizesRefused(t *testing.T) {
	for _, c := range []struct {
		w, h, bytes int
		limit       float64
		says        string
	}{
		{16, 16, 1, 1e6, ""}, {15, 16, 1, 1e6, "only 15 x 16"}, {16, 15, 1, 1e6, "only 16 x 15"}, {1000, 1000, 1000, 1e6, ""}, {1001, 1000, 1000, 1e6, "more than the 1 million"},
		{1100, 20, 20, 1e6, ""}, {1101, 20, 20, 1e6, "holds only 20 bytes"},
	} {
		err := checkSize(c.w, c.h, c.bytes, c.limit)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%d x %d in %d bytes: %v, want %q", c.w, c.h, c.bytes, err, c.says)
		}
	}
	for _, c := range []struct{ long, need, want int }{{4000, 0, 1}, {4000, 4000, 1}, {4000, 2001, 1}, {4000, 2000, 2}, {4000, 1000, 4}, {4000, 1001, 2}, {4000, 500, 8}, {4000, 100, 8}, {4000, 501, 4}, {4000, -5, 1}} {
		if got := denomFor(c.long, c.need); got != c.want {
			t.Errorf("%d pixels of which %d are needed are decoded at 1/%d, want 1/%d", c.long, c.need, got, c.want)
		}
	}
	for name, c := range map[string]struct {
		b    string
		want Format
	}{
		"jpeg": {"\xff\xd8\xff", FormatJPEG}, "jpeg cut short": {"\xff\xd8", ""}, "png": {"\x89PNG\r\n\x1a\n", FormatPNG}, "webp": {"RIFF1234WEBP", FormatWebP}, "wave": {"RIFF1234WAVE", ""}, "webp cut short": {"RIFF1234WEB", ""},
		"heic": {"\x00\x00\x00\x18ftypheic", FormatHEIC}, "heic of many pictures": {"\x00\x00\x00\x18ftypmsf1", FormatHEIC}, "film": {"\x00\x00\x00\x18ftypmp42", ""}, "heic cut short": {"\x00\x00\x00\x18ftyphei", ""}, "text": {"this is not a photo", ""}, "empty": {"", ""},
	} {
		if got, err := Sniff([]byte(c.b)); got != c.want || (err == nil) != (c.want != "") {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	if !colourless(&raster.Raster{Cb: []byte{128, 128}, Cr: []byte{128, 128}}) || colourless(&raster.Raster{Cb: []byte{128, 127}, Cr: []byte{128, 128}}) || colourless(&raster.Raster{Cb: []byte{128, 128}, Cr: []byte{129, 128}}) {
		t.Error("what is colourless")
	}
	if l := Libraries(); len(l) != 3 || !strings.HasPrefix(l[0].Version, "4.") || l[1].Version == "" || l[2].Version == "" {
		t.Errorf("libraries %+v", l)
	}
}
