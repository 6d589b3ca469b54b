// Package phototest makes small photo files with camera headers, for tests.
package phototest

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
)

// Tag is one EXIF field (CIPA DC-008, TIFF 6.0).
type Tag struct {
	ID    uint16
	ASCII string      // type 2
	Rats  [][2]uint32 // type 5
}

// Header builds an APP1 segment: IFD0, the EXIF directory and, where gps
// is given, the GPS directory.
func Header(exif, gps []Tag) []byte {
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
	entry := func(t Tag) []byte {
		b := make([]byte, 12)
		le.PutUint16(b, t.ID)
		var data []byte
		if t.Rats != nil {
			le.PutUint16(b[2:], 5)
			le.PutUint32(b[4:], uint32(len(t.Rats)))
			for _, r := range t.Rats {
				data = le.AppendUint32(le.AppendUint32(data, r[0]), r[1])
			}
		} else {
			data = append([]byte(t.ASCII), 0)
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

// Taken is the header field of a camera date, "2026:06:14 09:30:00".
func Taken(at string) []Tag { return []Tag{{ID: 0x9003, ASCII: at}} }

// JPEG codes a picture with a camera header; none where both lists are nil.
func JPEG(img image.Image, exif, gps []Tag) []byte {
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, &jpeg.Options{Quality: 90}); err != nil {
		panic(err) // only of pictures larger than a JPEG can be
	}
	b := buf.Bytes()
	if exif == nil && gps == nil {
		return b
	}
	return append(append(append([]byte{}, b[:2]...), Header(exif, gps)...), b[2:]...)
}

// Ground draws bare soil with green leaves on it, differently for each seed.
func Ground(seed uint64, width, height int) *image.RGBA {
	rng := rand.New(rand.NewPCG(seed, 1))
	img := image.NewRGBA(image.Rect(0, 0, width, height))
	for i := range width * height {
		v := uint8(rng.IntN(24))
		img.Set(i%width, i/width, color.RGBA{118 + v, 96 + v, 74 + v, 255})
	}
	for range 2 + rng.IntN(10) {
		x, y, r := rng.IntN(width), rng.IntN(height), 2+rng.IntN(max(1, height/8))
		green := color.RGBA{uint8(60 + rng.IntN(20)), uint8(130 + rng.IntN(40)), uint8(45 + rng.IntN(20)), 255}
		for dy := -r; dy <= r; dy++ {
			for dx := -r; dx <= r; dx++ {
				if dx*dx+dy*dy <= r*r {
					img.Set(x+dx, y+dy, green)
				}
			}
		}
	}
	return img
}
