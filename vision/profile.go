package vision

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"unicode/utf16"

	"quadtally/vision/raster"
)

// Phones store photos in colour spaces wider than sRGB (Display P3, Adobe RGB)
// and say so in an ICC profile (ISO 15076-1). Read as sRGB their colours are
// paler than they were: a leaf loses a quarter of its greenness. Profiles made
// of a matrix and curves are converted; others are named.

// profile is the colour space of a photo: curves to linear light and the
// matrix from there to XYZ under D50.
type profile struct {
	name   string
	linear [3][256]float64
	toXYZ  [3][3]float64 // rows X, Y, Z; columns red, green, blue
}

var errProfile = errors.New("colour profile is not one of a matrix and curves")

// profileOf finds the ICC profile stored in a photo; nil where it has none.
func profileOf(photo []byte, f Format) []byte {
	switch f {
	case FormatJPEG:
		return jpegProfile(photo)
	case FormatPNG:
		return pngProfile(photo)
	case FormatWebP:
		for at := 12; at+8 <= len(photo); {
			size := int64(binary.LittleEndian.Uint32(photo[at+4:]))
			if size > int64(len(photo)-at-8) {
				return nil
			}
			if string(photo[at:at+4]) == "ICCP" {
				return photo[at+8 : at+8+int(size)]
			}
			at += 8 + int(size+size&1)
		}
	case FormatHEIC:
		return heicProfile(photo)
	}
	return nil
}

// jpegProfile joins the APP2 segments of a profile (ICC.1, annex B.4).
func jpegProfile(photo []byte) []byte {
	const (
		startOfScan = 0xDA
		app2        = 0xE2
	)
	var parts [256][]byte
	for at := 2; at+4 <= len(photo) && photo[at] == 0xFF; {
		marker := photo[at+1]
		if marker == 0xFF {
			at++
			continue
		}
		size := int(binary.BigEndian.Uint16(photo[at+2:]))
		end := at + 2 + size
		if marker == startOfScan || size < 2 || end > len(photo) {
			break
		}
		if body, ok := bytes.CutPrefix(photo[at+4:end], []byte("ICC_PROFILE\x00")); ok && marker == app2 && len(body) > 2 {
			parts[body[0]] = body[2:]
		}
		at = end
	}
	return bytes.Join(parts[:], nil)
}

// mostProfile bounds the size of a profile, against forged ones.
const mostProfile = 4 << 20

func pngProfile(photo []byte) []byte {
	for at := 8; at+12 <= len(photo); {
		size := int64(binary.BigEndian.Uint32(photo[at:]))
		if size > int64(len(photo)-at-12) {
			return nil
		}
		body := photo[at+8 : at+8+int(size)]
		if string(photo[at+4:at+8]) == "iCCP" {
			name := bytes.IndexByte(body, 0)
			if name < 0 || name+2 > len(body) {
				return nil
			}
			r, err := zlib.NewReader(bytes.NewReader(body[name+2:]))
			if err != nil {
				return nil
			}
			out, err := io.ReadAll(io.LimitReader(r, mostProfile))
			if err != nil {
				return nil
			}
			return out
		}
		at += 12 + int(size)
	}
	return nil
}

// heicProfile walks the boxes meta, iprp, ipco to the colour box of an HEIC
// file (ISO/IEC 14496-12).
func heicProfile(photo []byte) []byte {
	var find func(b []byte, path []string) []byte
	find = func(b []byte, path []string) []byte {
		for at := 0; at+8 <= len(b); {
			size := int64(binary.BigEndian.Uint32(b[at:]))
			if size < 8 || size > int64(len(b)-at) {
				return nil
			}
			body := b[at+8 : at+int(size)]
			if string(b[at+4:at+8]) == path[0] {
				switch {
				case len(path) == 1:
					if kind := string(body[:min(4, len(body))]); kind == "prof" || kind == "rICC" {
						return body[4:]
					}
				case path[0] == "meta" && len(body) >= 4: // a full box: version and flags first
					return find(body[4:], path[1:])
				default:
					return find(body, path[1:])
				}
			}
			at += int(size)
		}
		return nil
	}
	return find(photo, []string{"meta", "iprp", "ipco", "colr"})
}

// parseProfile reads a profile of a matrix and curves.
func parseProfile(icc []byte) (*profile, error) {
	if len(icc) < 132 || string(icc[36:40]) != "acsp" || string(icc[16:20]) != "RGB " || string(icc[20:24]) != "XYZ " {
		return nil, errProfile
	}
	tags := map[string][]byte{}
	count := int64(binary.BigEndian.Uint32(icc[128:]))
	if count > 200 || 132+12*count > int64(len(icc)) {
		return nil, errProfile
	}
	for i := range int(count) {
		entry := icc[132+12*i:]
		from, size := int64(binary.BigEndian.Uint32(entry[4:])), int64(binary.BigEndian.Uint32(entry[8:]))
		if from+size > int64(len(icc)) {
			return nil, errProfile
		}
		tags[string(entry[:4])] = icc[from : from+size]
	}
	p := &profile{name: profileName(tags["desc"])}
	for k, c := range []string{"r", "g", "b"} {
		xyz := tags[c+"XYZ"]
		if len(xyz) < 20 || string(xyz[:4]) != "XYZ " {
			return nil, errProfile
		}
		for j := range 3 {
			p.toXYZ[j][k] = fixed(xyz[8+4*j:])
		}
		curve, err := parseCurve(tags[c+"TRC"])
		if err != nil {
			return nil, err
		}
		for i := range 256 {
			p.linear[k][i] = curve(float64(i) / 255)
		}
	}
	return p, nil
}

// fixed is a number of 16 and 16 bits, signed.
func fixed(b []byte) float64 { return float64(int32(binary.BigEndian.Uint32(b))) / 65536 }

// parseCurve reads a tone curve, by table, power or formula (ISO 15076-1, 10.6
// and 10.18).
func parseCurve(b []byte) (func(float64) float64, error) {
	if len(b) < 12 {
		return nil, errProfile
	}
	switch string(b[:4]) {
	case "curv":
		n := int64(binary.BigEndian.Uint32(b[8:]))
		switch {
		case n == 0:
			return func(v float64) float64 { return v }, nil
		case 12+2*n > int64(len(b)):
			return nil, errProfile
		case n == 1:
			power := float64(binary.BigEndian.Uint16(b[12:])) / 256
			return func(v float64) float64 { return math.Pow(v, power) }, nil
		}
		at := func(i int) float64 { return float64(binary.BigEndian.Uint16(b[12+2*i:])) / 65535 }
		return func(v float64) float64 {
			x := v * float64(n-1)
			i := min(int(x), int(n)-2)
			return at(i) + (at(i+1)-at(i))*(x-float64(i))
		}, nil
	case "para":
		kind := binary.BigEndian.Uint16(b[8:])
		if kind > 4 {
			return nil, errProfile
		}
		counts := [5]int{1, 3, 4, 5, 7}
		if 12+4*counts[kind] > len(b) {
			return nil, errProfile
		}
		var p [7]float64 // g a b c d e f
		for i := range counts[kind] {
			p[i] = fixed(b[12+4*i:])
		}
		g, a, bb, c, d, e, f := p[0], p[1], p[2], p[3], p[4], p[5], p[6]
		power := func(v float64) float64 { return math.Pow(max(a*v+bb, 0), g) }
		switch kind {
		case 0:
			return func(v float64) float64 { return math.Pow(v, g) }, nil
		case 1, 2: // kind 2 adds c throughout; kind 1 has none
			return func(v float64) float64 {
				if a*v+bb >= 0 {
					return power(v) + c
				}
				return c
			}, nil
		default:
			return func(v float64) float64 {
				if v >= d {
					return power(v) + e
				}
				return c*v + f
			}, nil
		}
	}
	return nil, errProfile
}

// profileName is the description of a profile in either form.
func profileName(b []byte) string {
	switch {
	case len(b) >= 12 && string(b[:4]) == "desc":
		n := int64(binary.BigEndian.Uint32(b[8:]))
		if n < 1 || 12+n > int64(len(b)) {
			return ""
		}
		return string(bytes.TrimRight(b[12:12+n], "\x00"))
	case len(b) >= 28 && string(b[:4]) == "mluc":
		n, from := int64(binary.BigEndian.Uint32(b[20:])), int64(binary.BigEndian.Uint32(b[24:]))
		if from+n > int64(len(b)) {
			return ""
		}
		var u []uint16
		for at := from; at+2 <= from+n; at += 2 {
			u = append(u, binary.BigEndian.Uint16(b[at:]))
		}
		return string(utf16.Decode(u))
	}
	return ""
}

// sRGBToXYZ is sRGB under D50, as profiles state it (IEC 61966-2-1, adapted by
// Bradford's matrix).
var sRGBToXYZ = [3][3]float64{
	{0.4360747, 0.3850649, 0.1430804}, {0.2225045, 0.7168786, 0.0606169}, {0.0139322, 0.0971045, 0.7141733},
}

// xyzToSRGB is its inverse.
var xyzToSRGB = [3][3]float64{
	{3.1338561, -1.6168667, -0.4906146}, {-0.9787684, 1.9161415, 0.0334540}, {0.0719453, -0.2289914, 1.4052427},
}

// isSRGB tells whether the profile is sRGB as far as pixels show.
func (p *profile) isSRGB() bool {
	for j := range 3 {
		for k := range 3 {
			if math.Abs(p.toXYZ[j][k]-sRGBToXYZ[j][k]) > 0.004 {
				return false
			}
		}
	}
	for k := range 3 {
		for _, i := range []int{32, 64, 128, 192, 224} {
			if math.Abs(p.linear[k][i]-fromSRGB(float64(i)/255)) > 0.01 {
				return false
			}
		}
	}
	return true
}

// toSRGB is a colour of the profile, stored values of 8 bits, as stored sRGB
// values; outside its gamut they lie below 0 or above 255.
func (p *profile) toSRGB(c [3]float64) (out [3]float64) {
	var lin, xyz [3]float64
	for k, v := range c {
		v = min(max(v, 0), 255)
		i := min(int(v), 254)
		lin[k] = p.linear[k][i] + (p.linear[k][i+1]-p.linear[k][i])*(v-float64(i))
	}
	for j := range 3 {
		for k := range 3 {
			xyz[j] += p.toXYZ[j][k] * lin[k]
		}
	}
	for j := range 3 {
		v := 0.0
		for k := range 3 {
			v += xyzToSRGB[j][k] * xyz[k]
		}
		out[j] = 255 * math.Copysign(storedSRGB(math.Abs(v)), v)
	}
	return out
}

// storedSRGB is the stored value, 0 to 1, of linear light (IEC 61966-2-1).
func storedSRGB(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// toSRGBTable holds what a profile adds to Y, Cb and Cr, for every eighth Y and
// every fourth Cb and Cr; between them it hardly changes.
type toSRGBTable struct {
	icc string // the profile it is of
	add [32 * 64 * 64][3]int8
}

func tableOf(p *profile, icc []byte) *toSRGBTable {
	t := &toSRGBTable{icc: string(icc)}
	for i := range t.add {
		y, cb, cr := float64(i>>12)*8+3.5, float64(i>>6&63)*4+1.5-128, float64(i&63)*4+1.5-128
		// ITU-T T.871, there and back.
		c := p.toSRGB([3]float64{y + 1.402*cr, y - 0.344136*cb - 0.714136*cr, y + 1.772*cb})
		to := [3]float64{.299*c[0] + .587*c[1] + .114*c[2] - y,
			-.168736*c[0] - .331264*c[1] + .5*c[2] - cb, .5*c[0] - .418688*c[1] - .081312*c[2] - cr}
		for k, v := range to {
			t.add[i][k] = int8(math.Round(min(max(v, -127), 127)))
		}
	}
	return t
}

// convert brings the planes of a raster to sRGB.
func (t *toSRGBTable) convert(r *raster.Raster) {
	lightOf := make([]int8, r.ChromaWidth)
	byte8 := func(v int) byte { return byte(min(max(v, 0), 255)) }
	next := 0
	for cy := range r.ChromaHeight {
		top, end := cy*r.Height/r.ChromaHeight, (cy+1)*r.Height/r.ChromaHeight
		at := cy * r.ChromaWidth
		luma := r.Y[min(top, r.Height-1)*r.Width:][:r.Width]
		for cx := range r.ChromaWidth {
			y := luma[cx*r.Width/r.ChromaWidth]
			b, c := r.Cb[at+cx], r.Cr[at+cx]
			add := &t.add[int(y>>3)<<12|int(b>>2)<<6|int(c>>2)]
			lightOf[cx] = add[0]
			r.Cb[at+cx], r.Cr[at+cx] = byte8(int(b)+int(add[1])), byte8(int(c)+int(add[2]))
		}
		for ; next < end; next++ {
			row := r.Y[next*r.Width:][:r.Width]
			for x, v := range row {
				row[x] = byte8(int(v) + int(lightOf[x*r.ChromaWidth/r.Width]))
			}
		}
	}
}

// toSRGB brings a decoded photo to sRGB where its profile says that it is not,
// and tells the profile's name; an error tells that it could not.
func (ws *Workspace) toSRGB(r *raster.Raster, photo []byte, f Format) (name string, err error) {
	icc := profileOf(photo, f)
	if len(icc) == 0 {
		return "", nil
	}
	if ws.sRGB != nil && ws.sRGB.icc == string(icc) {
		ws.sRGB.convert(r)
		return ws.sRGBName, nil
	}
	p, err := parseProfile(icc)
	if err != nil {
		return "", err
	}
	if p.isSRGB() {
		return p.name, nil
	}
	ws.sRGB, ws.sRGBName = tableOf(p, icc), p.name
	ws.sRGB.convert(r)
	return p.name, nil
}
