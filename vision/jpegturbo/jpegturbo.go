// Package jpegturbo reads JPEG files through libjpeg-turbo, strictly and at a
// reduced scale where asked. It exists beside gocv's decoder because that one
// answers a half-copied photo with grey pixels and no error, allocates before
// the size can be checked, and always converts to BGR at full chroma cost.
//
// Planes come out as the file stores them (Y, Cb, Cr; ITU-T T.871), with no
// colour conversion, and at a reduced scale all at that one: a phone's 4:2:0
// photo gives chroma at half the pitch of luma at every scale.
package jpegturbo

/*
#cgo pkg-config: libjpeg
#include <stdlib.h>
#include <stdio.h>
#include <jpeglib.h>
#include "shim.h"

#define QT_TEXT_OF(x) #x
#define QT_TEXT(x) QT_TEXT_OF(x)
static const char *qt_jpeg_version(void) { return QT_TEXT(LIBJPEG_TURBO_VERSION); }
*/
import "C"

import (
	"errors"
	"fmt"
	"unsafe"
)

// ColorModel is how a file codes colour.
type ColorModel int

// Colour models a JPEG file may have.
const (
	Unknown ColorModel = iota
	Grey
	YCbCr
	RGB
	CMYK // also YCCK
)

// Header is what the file says of itself; no pixel is decoded for it.
type Header struct {
	Width, Height int // stored size, before orientation
	Model         ColorModel
	Progressive   bool
}

// Planes are the decoded samples, row-major and tightly packed.
type Planes struct {
	Width, Height             int
	Y                         []byte
	ChromaWidth, ChromaHeight int
	Cb, Cr                    []byte
}

// ErrCorrupt is wrapped by errors about damaged data; ErrCutShort, which wraps
// it, by those about a file that ends too early.
var (
	ErrCorrupt  = errors.New("jpeg data is damaged")
	ErrCutShort = fmt.Errorf("%w: the file ends too early", ErrCorrupt)
)

// CutError tells how far a file could be read. It wraps ErrCutShort.
type CutError struct {
	// ReadFrac is the share of picture rows decoded before the end, in
	// [0, 1]; negative where it cannot be told.
	ReadFrac float64
}

func (e *CutError) Error() string {
	if e.ReadFrac < 0 {
		return "file is cut short"
	}
	return fmt.Sprintf("file is cut short: picture ends at %.0f %% of its height", 100*e.ReadFrac)
}

// Unwrap makes errors.Is(err, ErrCutShort) true.
func (e *CutError) Unwrap() error { return ErrCutShort }

// Version is the version of libjpeg-turbo this package was built with, such as
// 2.1.5.
func Version() string { return C.GoString(C.qt_jpeg_version()) }

// ReadHeader reads the size and colour model only.
func ReadHeader(data []byte) (Header, error) {
	info, err := header(data, 1)
	if err != nil {
		return Header{}, err
	}
	h := Header{Width: int(info.full_width), Height: int(info.full_height), Progressive: info.progressive != 0}
	switch info.color_space {
	case C.JCS_GRAYSCALE:
		h.Model = Grey
	case C.JCS_YCbCr:
		h.Model = YCbCr
	case C.JCS_RGB:
		h.Model = RGB
	case C.JCS_CMYK, C.JCS_YCCK:
		h.Model = CMYK
	}
	return h, nil
}

// DecodeInto reads the whole file at scale 1/denom (1, 2, 4 or 8) into memory of
// the caller's: alloc is asked once for n bytes, which need not be clear and
// which the planes then lie in. Any damage is an error, including a missing end
// marker: samples the decoder had to invent are never returned. Only YCbCr and
// RGB files are read.
func DecodeInto(data []byte, denom int, alloc func(n int) []byte) (Planes, error) {
	switch denom {
	case 1, 2, 4, 8:
	default:
		return Planes{}, fmt.Errorf("decode scale 1/%d: only 1/1, 1/2, 1/4 and 1/8 exist", denom)
	}
	info, err := header(data, denom)
	if err != nil {
		return Planes{}, err
	}
	if s := info.color_space; s != C.JCS_YCbCr && s != C.JCS_RGB {
		return Planes{}, errors.New("jpeg colour model is neither YCbCr nor RGB")
	}
	w, h := int(info.width), int(info.height)
	if info.planar == 0 {
		rgb, err := decodeRGB(data, denom, &info)
		if err != nil {
			return Planes{}, err
		}
		return FromRGB(rgb, w, h), nil
	}
	p := Planes{Width: w, Height: h, ChromaWidth: int(info.chroma_width), ChromaHeight: int(info.chroma_height)}
	n := p.ChromaWidth * p.ChromaHeight
	buf := alloc(w*h + 2*n)
	p.Y, p.Cb, p.Cr = buf[:w*h:w*h], buf[w*h:w*h+n:w*h+n], buf[w*h+n:]
	code := C.qt_jpeg_planes(bytesPtr(data), C.size_t(len(data)), C.int(denom), &info,
		bytesPtr(p.Y), bytesPtr(p.Cb), bytesPtr(p.Cr))
	if err := explain(code, &info); err != nil {
		return Planes{}, err
	}
	return p, nil
}

// DecodeRGB reads the whole file at full size as interleaved 8-bit RGB, the
// way a program that shows photos does. It is the yardstick of speed, and
// what the planes are checked against.
func DecodeRGB(data []byte) (rgb []byte, width, height int, err error) {
	info, err := header(data, 1)
	if err != nil {
		return nil, 0, 0, err
	}
	if s := info.color_space; s != C.JCS_YCbCr && s != C.JCS_RGB {
		return nil, 0, 0, errors.New("jpeg colour model is neither YCbCr nor RGB")
	}
	rgb, err = decodeRGB(data, 1, &info)
	return rgb, int(info.width), int(info.height), err
}

func decodeRGB(data []byte, denom int, info *C.qt_jpeg_info) ([]byte, error) {
	rgb := make([]byte, 3*int(info.width)*int(info.height))
	code := C.qt_jpeg_rgb(bytesPtr(data), C.size_t(len(data)), C.int(denom), info, bytesPtr(rgb))
	return rgb, explain(code, info)
}

// FromRGB converts interleaved 8-bit RGB to planes of one size by the
// full-range equations of ITU-T T.871.
func FromRGB(rgb []byte, width, height int) Planes {
	n := width * height
	p := Planes{Width: width, Height: height, ChromaWidth: width, ChromaHeight: height}
	buf := make([]byte, 3*n)
	p.Y, p.Cb, p.Cr = buf[:n:n], buf[n:2*n:2*n], buf[2*n:]
	for i := range n {
		r, g, b := int32(rgb[3*i]), int32(rgb[3*i+1]), int32(rgb[3*i+2])
		// Coefficients times 2^16, rounded; the chroma rows sum to zero.
		p.Y[i] = uint8((19595*r + 38470*g + 7471*b + 1<<15) >> 16)
		p.Cb[i] = uint8((-11058*r - 21710*g + 32768*b + 128<<16 + 1<<15 - 1) >> 16)
		p.Cr[i] = uint8((32768*r - 27440*g - 5328*b + 128<<16 + 1<<15 - 1) >> 16)
	}
	return p
}

// Encode writes interleaved 8-bit RGB as a baseline JPEG. halveChroma stores
// colour at half resolution (4:2:0), as phones do.
func Encode(rgb []byte, width, height, quality int, halveChroma bool) ([]byte, error) {
	if width < 1 || height < 1 || width > 65500 || height > 65500 || len(rgb) != 3*width*height {
		return nil, fmt.Errorf("cannot encode %d bytes as a %dx%d picture", len(rgb), width, height)
	}
	half := C.int(0)
	if halveChroma {
		half = 1
	}
	var out *C.uchar
	var size C.ulong
	code := C.qt_jpeg_encode(bytesPtr(rgb), C.int(width), C.int(height), C.int(quality), half, &out, &size)
	defer C.free(unsafe.Pointer(out))
	if code != C.QT_JPEG_OK {
		return nil, errors.New("jpeg encoder failed")
	}
	return C.GoBytes(unsafe.Pointer(out), C.int(size)), nil
}

func header(data []byte, denom int) (C.qt_jpeg_info, error) {
	var info C.qt_jpeg_info
	if len(data) == 0 {
		return info, &CutError{ReadFrac: 0}
	}
	code := C.qt_jpeg_header(bytesPtr(data), C.size_t(len(data)), C.int(denom), &info)
	return info, explain(code, &info)
}

func explain(code C.int, info *C.qt_jpeg_info) error {
	switch code {
	case C.QT_JPEG_OK:
		return nil
	case C.QT_JPEG_CUT_SHORT:
		frac := -1.0
		if info.height > 0 && info.progressive == 0 {
			frac = float64(info.rows_read) / float64(info.height)
		}
		return &CutError{ReadFrac: frac}
	case C.QT_JPEG_MEMORY:
		return errors.New("not enough memory for this photo")
	}
	return fmt.Errorf("%w (%s)", ErrCorrupt, C.GoString(&info.message[0]))
}

func bytesPtr(b []byte) *C.uchar { return (*C.uchar)(unsafe.Pointer(unsafe.SliceData(b))) }
