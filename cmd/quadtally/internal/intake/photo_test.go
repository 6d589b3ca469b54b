package intake

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"testing"
)

// tag is one EXIF field for the headers built here (CIPA DC-008, TIFF 6.0).
type tag struct {
	id    uint16
	ascii string      // type 2
	rats  [][2]uint32 // type 5
}

// exifHeader builds an APP1 segment: IFD0, the EXIF directory and, where gps
// is given, the GPS directory.
func exifHeader(exif, gps []tag) []byte {
	le := binary.LittleEndian
	var body []byte // grows after the directories
	dirSize := func(n int) int { return 2 + 12*n + 4 }
	n0 := 1
	if gps != nil {
		n0 = 2
	}
	exifAt := 8 + dirSize(n0)
	gpsAt := exifAt + dirSize(len(exif))
	dataAt := gpsAt
	if gps != nil {
		dataAt += dirSize(len(gps))
	}
	entry := func(t tag) []byte {
		b := make([]byte, 12)
		le.PutUint16(b, t.id)
		var data []byte
		if t.rats != nil {
			le.PutUint16(b[2:], 5)
			le.PutUint32(b[4:], uint32(len(t.rats)))
			for _, r := range t.rats {
				data = le.AppendUint32(le.AppendUint32(data, r[0]), r[1])
			}
		} else {
			data = append([]byte(t.ascii), 0)
			le.PutUint16(b[2:], 2)
			le.PutUint32(b[4:], uint32(len(data)))
		}
		if len(data) <= 4 {
			copy(b[8:], data)
			return b
		}
		le.PutUint32(b[8:], uint32(dataAt+len(body)))
		body = append(body, data...)
		return b
	}
	pointer := func(id uint16, at int) []byte {
		b := make([]byte, 12)
		le.PutUint16(b, id)
		le.PutUint16(b[2:], 4)
		le.PutUint32(b[4:], 1)
		le.PutUint32(b[8:], uint32(at))
		return b
	}
	dir := func(entries ...[]byte) []byte {
		b := le.AppendUint16(nil, uint16(len(entries)))
		for _, e := range entries {
			b = append(b, e...)
		}
		return append(b, 0, 0, 0, 0)
	}
	tiff := []byte{'I', 'I', 42, 0, 8, 0, 0, 0}
	first := [][]byte{pointer(0x8769, exifAt)}
	if gps != nil {
		first = append(first, pointer(0x8825, gpsAt))
	}
	tiff = append(tiff, dir(first...)...)
	var es [][]byte
	for _, t := range exif {
		es = append(es, entry(t))
	}
	tiff = append(tiff, dir(es...)...)
	if gps != nil {
		es = nil
		for _, t := range gps {
			es = append(es, entry(t))
		}
		tiff = append(tiff, dir(es...)...)
	}
	tiff = append(tiff, body...)
	seg := append([]byte("Exif\x00\x00"), tiff...)
	out := []byte{0xff, 0xe1}
	out = binary.BigEndian.AppendUint16(out, uint16(len(seg)+2))
	return append(out, seg...)
}

// jpegWith is a small JPEG; shade tells its content apart from others.
func jpegWith(shade uint8, exif, gps []tag) []byte {
	img := image.NewRGBA(image.Rect(0, 0, 16, 16))
	for i := range 256 {
		img.Set(i%16, i/16, color.RGBA{shade, uint8(i), 60, 255})
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, nil); err != nil {
		panic(err)
	}
	b := buf.Bytes()
	if exif == nil && gps == nil {
		return b
	}
	return append(append(append([]byte{}, b[:2]...), exifHeader(exif, gps)...), b[2:]...)
}

func pngBytes(shade uint8) []byte {
	img := image.NewRGBA(image.Rect(0, 0, 4, 4))
	img.Set(0, 0, color.RGBA{shade, 1, 2, 255})
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		panic(err)
	}
	return buf.Bytes()
}

func taken(s string) []tag { return []tag{{id: 0x9003, ascii: s}} }

func put(t *testing.T, dir, name string, b []byte) string {
	t.Helper()
	return writeFile(t, dir, name, b)
}

func writeFile(t testing.TB, dir, name string, b []byte) string {
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}
