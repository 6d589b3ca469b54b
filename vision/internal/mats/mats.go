// Package mats lays OpenCV's matrices over planes that Go holds, for the time
// of one operation and without a copy.
package mats

import (
	"fmt"
	"unsafe"

	"gocv.io/x/gocv"
)

// Plane is one channel of a picture, row-major.
type Plane[T uint8 | int16 | float32] struct {
	W, H int
	Pix  []T // W*H
}

// Over does one operation from a plane to another. The operation must leave
// the size and the type of dst as they are, or its answer goes elsewhere.
func Over[T uint8 | int16 | float32](from, to Plane[T], do func(src gocv.Mat, dst *gocv.Mat)) error {
	src, err := over(from)
	if err != nil {
		return err
	}
	defer src.Close()
	dst, err := over(to)
	if err != nil {
		return err
	}
	defer dst.Close()
	do(src, &dst)
	return nil
}

func over[T uint8 | int16 | float32](p Plane[T]) (gocv.Mat, error) {
	if p.W < 1 || p.H < 1 || len(p.Pix) < p.W*p.H {
		return gocv.Mat{}, fmt.Errorf("plane of %d x %d holds %d samples", p.W, p.H, len(p.Pix))
	}
	size := int(unsafe.Sizeof(p.Pix[0]))
	kind := gocv.MatTypeCV8U
	switch size {
	case 2:
		kind = gocv.MatTypeCV16S
	case 4:
		kind = gocv.MatTypeCV32F
	}
	return gocv.NewMatFromBytes(p.H, p.W, kind, unsafe.Slice((*byte)(unsafe.Pointer(&p.Pix[0])), size*p.W*p.H))
}
