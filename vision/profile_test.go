package vision

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
	"math"
	"slices"
	"testing"
)

// Chromaticities of the primaries and of D65: IEC 61966-2-1 (sRGB), SMPTE EG
// 432-1 with D65 (Display P3), Adobe RGB (1998) Color Image Encoding.
var primaries = map[string][3][2]float64{
	"sRGB":       {{.64, .33}, {.30, .60}, {.15, .06}},
	"Display P3": {{.680, .320}, {.265, .690}, {.150, .060}},
	"Adobe RGB":  {{.64, .33}, {.21, .71}, {.15, .06}},
}

type matrix [3][3]float64

func (a matrix) mul(b matrix) (out matrix) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				out[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return out
}

func (a matrix) inverse() (out matrix) {
	det := a[0][0]*(a[1][1]*a[2][2]-a[1][2]*a[2][1]) - a[0][1]*(a[1][0]*a[2][2]-a[1][2]*a[2][0]) + a[0][2]*(a[1][0]*a[2][1]-a[1][1]*a[2][0])
	for i := range 3 {
		for j := range 3 {
			r, s, u, v := (j+1)%3, (j+2)%3, (i+1)%3, (i+2)%3
			out[i][j] = (a[r][u]*a[s][v] - a[r][v]*a[s][u]) / det
		}
	}
	return out
}

func (a matrix) apply(v [3]float64) (out [3]float64) {
	for i := range 3 {
		for k := range 3 {
			out[i] += a[i][k] * v[k]
		}
	}
	return out
}

// underD65 is the matrix from linear light to XYZ for given primaries
// (SMPTE RP 177).
func underD65(name string) matrix {
	var p matrix
	for k, c := range primaries[name] {
		p[0][k], p[1][k], p[2][k] = c[0]/c[1], 1, (1-c[0]-c[1])/c[1]
	}
	white := [3]float64{.3127 / .3290, 1, (1 - .3127 - .3290) / .3290}
	s := p.inverse().apply(white)
	for i := range 3 {
		for k := range 3 {
			p[i][k] *= s[k]
		}
	}
	return p
}

// toD50 is Bradford's adaptation from D65 to D50 (ISO 15076-1, annex E).
func toD50() matrix {
	b := matrix{{.8951, .2664, -.1614}, {-.7502, 1.7135, .0367}, {.0389, -.0685, 1.0296}}
	from := b.apply([3]float64{.3127 / .3290, 1, (1 - .3127 - .3290) / .3290})
	to := b.apply([3]float64{.9642, 1, .8249})
	var d matrix
	for i := range 3 {
		d[i][i] = to[i] / from[i]
	}
	return b.inverse().mul(d).mul(b)
}

// iccOf makes a profile of a matrix and one curve.
func iccOf(name string, curve []byte) []byte {
	m := toD50().mul(underD65(name))
	type tag struct {
		name string
		body []byte
	}
	desc := append([]byte("desc\x00\x00\x00\x00"), binary.BigEndian.AppendUint32(nil, uint32(len(name)+1))...)
	tags := []tag{{"desc", append(append(desc, name...), 0)}}
	for k, c := range []string{"r", "g", "b"} {
		xyz := []byte("XYZ \x00\x00\x00\x00")
		for j := range 3 {
			xyz = binary.BigEndian.AppendUint32(xyz, uint32(int32(math.Round(65536*m[j][k]))))
		}
		tags = append(tags, tag{c + "XYZ", xyz}, tag{c + "TRC", curve})
	}
	head := make([]byte, 128)
	copy(head[12:], "mntrRGB XYZ ")
	copy(head[36:], "acsp")
	head = binary.BigEndian.AppendUint32(head, uint32(len(tags)))
	at := len(head) + 12*len(tags)
	var body []byte
	for _, t := range tags {
		head = append(head, t.name...)
		head = binary.BigEndian.AppendUint32(head, uint32(at+len(body)))
		head = binary.BigEndian.AppendUint32(head, uint32(len(t.body)))
		body = append(body, t.body...)
		for len(body)%4 != 0 {
			body = append(body, 0)
		}
	}
	return append(head, body...)
}

// sRGBCurve is the formula of sRGB as a profile states it; powerCurve a plain
// power.
func sRGBCurve() []byte {
	out := []byte("para\x00\x00\x00\x00\x00\x03\x00\x00")
	for _, v := range []float64{2.4, 1 / 1.055, .055 / 1.055, 1 / 12.92, .04045} {
		out = binary.BigEndian.AppendUint32(out, uint32(int32(math.Round(65536*v))))
	}
	return out
}

func powerCurve(power float64) []byte {
	return binary.BigEndian.AppendUint16([]byte("curv\x00\x00\x00\x00\x00\x00\x00\x01"), uint16(math.Round(256*power)))
}

// inJPEG, inPNG and inWebP put a profile into a photo.
func inJPEG(photo, icc []byte) []byte {
	out := slices.Clone(photo[:2])
	half := len(icc) / 2
	for i, part := range [][]byte{icc[:half], icc[half:]} { // in two segments, as long ones are
		body := append([]byte("ICC_PROFILE\x00"), byte(i+1), 2)
		body = append(body, part...)
		out = binary.BigEndian.AppendUint16(append(out, 0xFF, 0xE2), uint16(len(body)+2))
		out = append(out, body...)
	}
	return append(out, photo[2:]...)
}

func inPNG(photo, icc []byte) []byte {
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	_, _ = w.Write(icc)
	_ = w.Close()
	body := append([]byte("iCCPname\x00\x00"), z.Bytes()...)
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(body)-4))
	chunk = binary.BigEndian.AppendUint32(append(chunk, body...), crc32.ChecksumIEEE(body))
	const head = 8 + 25 // signature and IHDR
	return slices.Concat(photo[:head], chunk, photo[head:])
}

// TestWideGamut: a scene stored in a wide colour space has the cover and the
// colours that it has in sRGB, whatever the file, at one threshold.
func TestWideGamut(t *testing.T) {
	leaf, soil := [3]float64{82, 119, 55}, [3]float64{116, 96, 73}
	draw := func(soil, leaf [3]float64) *scene {
		whole := func(c [3]float64) (out [3]int) {
			for k, v := range c {
				out[k] = int(math.Round(v))
			}
			return out
		}
		s := newScene(2000, 1600, whole(soil))
		for i := range 20 {
			s.fill(i%5*400+80, i/5*400+80, 200, 160, whole(leaf))
		}
		return s
	}
	const cover = 20 * 200 * 160 / (2000 * 1600.0)
	for _, c := range []struct {
		name  string
		curve []byte
		power func(float64) float64
	}{
		{"Display P3", sRGBCurve(), fromSRGB},
		{"Adobe RGB", powerCurve(2.19921875), func(v float64) float64 { return math.Pow(v, 2.19921875) }},
	} {
		icc := iccOf(c.name, c.curve)
		p, err := parseProfile(icc)
		if err != nil || p.name != c.name || p.isSRGB() {
			t.Fatalf("%s: read as %v, %v", c.name, p, err)
		}
		across := underD65("sRGB").inverse().mul(underD65(c.name))
		converted := func(v [3]float64) (out [3]float64) { // by the primaries, without the profile
			for k := range v {
				v[k] = c.power(v[k] / 255)
			}
			for k, l := range across.apply(v) {
				out[k] = 255 * storedSRGB(l)
			}
			return out
		}
		for _, v := range [][3]float64{leaf, soil, {200, 200, 200}, {30, 60, 20}} {
			for k, got := range p.toSRGB(v) {
				near(t, c.name+": stored value", got, converted(v)[k], 0.7)
			}
		}
		wide, plain8 := draw(soil, leaf), draw(converted(soil), converted(leaf))
		m, r := alone(t, plain8.png(t), plain())
		near(t, c.name+": cover in sRGB", r.CoverFrac, cover, 0.005)
		for file, photo := range map[string][]byte{"jpeg": inJPEG(wide.jpeg(t, 95), icc), "png": inPNG(wide.png(t), icc)} {
			w, err := Measure(photo, plain())
			if err != nil {
				t.Fatal(err)
			}
			near(t, c.name+": cover in "+file, w.Curve.CoverFrac(r.Threshold.Value), cover, 0.005)
			near(t, c.name+": chroma of the ground in "+file, w.Quality.GroundCr, m.Quality.GroundCr, 1)
			if w.Profile != c.name {
				t.Errorf("%s in %s: profile %q", c.name, file, w.Profile)
			}
		}
	}
	s := draw(soil, leaf)
	without, _ := alone(t, s.jpeg(t, 95), plain())
	with, _ := alone(t, inJPEG(s.jpeg(t, 95), iccOf("sRGB", sRGBCurve())), plain())
	if with.Profile != "sRGB" || with.Curve != without.Curve || !slices.Equal(with.Flags, without.Flags) {
		t.Errorf("an sRGB profile changed the photo: %q, %v", with.Profile, with.Flags)
	}
	for what, icc := range map[string][]byte{"cut": iccOf("sRGB", sRGBCurve())[:300], "no curve": iccOf("sRGB", []byte("mft2\x00\x00\x00\x00\x00\x00\x00\x00"))} {
		m, _ := alone(t, inJPEG(s.jpeg(t, 95), icc), plain())
		if !slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagProfile && f.Severity == MustLook }) {
			t.Errorf("%s profile: flags %+v", what, m.Flags)
		}
	}
}

// FuzzProfile: no profile, however forged, does harm.
func FuzzProfile(f *testing.F) {
	f.Add(iccOf("Display P3", sRGBCurve()))
	f.Add(iccOf("Adobe RGB", powerCurve(2.2)))
	f.Fuzz(func(t *testing.T, icc []byte) {
		if p, err := parseProfile(icc); err == nil {
			p.toSRGB([3]float64{10, 200, 30})
			p.isSRGB()
		}
		heicProfile(icc)
		pngProfile(icc)
		jpegProfile(icc)
	})
}
