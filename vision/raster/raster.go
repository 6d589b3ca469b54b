// Package raster holds the decoded photo that every part of vision reads:
// luma and chroma planes as the JPEG standard defines them, as stored by the
// camera, together with what is needed to speak of positions in the upright
// full-size photo a person sees.
package raster

// Raster is one decoded photo. Planes are row-major, tightly packed, full
// range 0..255 (ITU-T T.871, the JFIF form of BT.601). Cb and Cr are centred
// on 128 and may be smaller than Y; they are never larger.
//
// Pixels lie as stored: turning 12 million of them costs more than turning
// four corners, so Orientation (EXIF 1..8) is applied to coordinates instead.
type Raster struct {
	Width, Height             int    // of Y, pixels
	Y                         []byte // Width*Height
	ChromaWidth, ChromaHeight int    // of Cb and Cr, pixels
	Cb, Cr                    []byte // ChromaWidth*ChromaHeight each

	FullWidth, FullHeight int // stored size of the photo before any scaled decode
	Denom                 int // scale of the decode: Y is about Full/Denom; 1, 2, 4 or 8
	Orientation           int // EXIF orientation 1..8; 1 where the photo has none
}

// Point is a position in pixels; pixel centres lie at half-integers, so the
// top-left corner of the picture is (0, 0) and a picture of width w ends at w.
type Point struct{ X, Y float64 }

// UprightSize is the size of the full photo as a person sees it.
func (r *Raster) UprightSize() (width, height int) {
	if r.Orientation >= 5 {
		return r.FullHeight, r.FullWidth
	}
	return r.FullWidth, r.FullHeight
}

// ToUpright maps a position in the Y plane to the upright full-size photo.
func (r *Raster) ToUpright(p Point) Point {
	w, h := float64(r.FullWidth), float64(r.FullHeight)
	x := p.X * w / float64(r.Width)
	y := p.Y * h / float64(r.Height)
	switch r.Orientation {
	case 2:
		return Point{w - x, y}
	case 3:
		return Point{w - x, h - y}
	case 4:
		return Point{x, h - y}
	case 5:
		return Point{y, x}
	case 6:
		return Point{h - y, x}
	case 7:
		return Point{h - y, w - x}
	case 8:
		return Point{y, w - x}
	}
	return Point{x, y}
}

// FromUpright is the inverse of ToUpright.
func (r *Raster) FromUpright(p Point) Point {
	w, h := float64(r.FullWidth), float64(r.FullHeight)
	x, y := p.X, p.Y
	switch r.Orientation {
	case 2:
		x = w - x
	case 3:
		x, y = w-x, h-y
	case 4:
		y = h - y
	case 5:
		x, y = y, x
	case 6:
		x, y = y, h-x
	case 7:
		x, y = w-y, h-x
	case 8:
		x, y = w-y, x
	}
	return Point{x * float64(r.Width) / w, y * float64(r.Height) / h}
}

// Sized gives buf n elements, whatever they hold, and asks for new memory only
// where the old is too small. It is how planes are reused from photo to photo.
func Sized[T any](buf *[]T, n int) []T {
	if cap(*buf) < n {
		*buf = make([]T, n)
	}
	*buf = (*buf)[:n]
	return *buf
}
