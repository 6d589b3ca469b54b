// Package mats does the few whole-plane operations that vision leaves to a
// library: shrinking, enlarging, smoothing, opening and sharpening. It is the
// only package that knows OpenCV and its binding; matrices are laid over
// memory that Go holds for the time of one operation and nothing is copied.
package mats

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"unsafe"

	"gocv.io/x/gocv"
)

// Version is the version of OpenCV this package was built with, such as 4.6.0.
func Version() string { return gocv.OpenCVVersion() }

// Sample is a kind of sample a plane may hold.
type Sample interface{ uint8 | int16 | float32 }

// Plane is one channel of a picture, row-major.
type Plane[T Sample] struct {
	W, H int
	Pix  []T // W*H
}

// Shrink makes each sample of a plane the mean of the part of a larger plane
// that it covers; samples cut by an edge count in part.
func Shrink[T Sample](from, to Plane[T]) error {
	return over(from, to, func(src gocv.Mat, dst *gocv.Mat) {
		gocv.Resize(src, dst, image.Pt(to.W, to.H), 0, 0, gocv.InterpolationArea)
	})
}

// ShrinkBlocks makes each sample of a plane the mean of a block of across x
// down samples of a larger plane, beginning at the upper left; what is left
// over at the right and lower edge is dropped.
func ShrinkBlocks[T Sample](from, to Plane[T], across, down int) error {
	if across < 1 || down < 1 || to.W*across > from.W || to.H*down > from.H {
		return fmt.Errorf("a plane of %d x %d does not hold %d x %d blocks of %d x %d", from.W, from.H, to.W, to.H, across, down)
	}
	return over(from, to, func(src gocv.Mat, dst *gocv.Mat) {
		blocks := src.Region(image.Rect(0, 0, to.W*across, to.H*down))
		defer blocks.Close()
		gocv.Resize(blocks, dst, image.Pt(to.W, to.H), 0, 0, gocv.InterpolationArea)
	})
}

// Enlarge fills a plane from a smaller one, linear between the middles of its
// samples and level beyond the outermost.
func Enlarge[T Sample](from, to Plane[T]) error {
	return over(from, to, func(src gocv.Mat, dst *gocv.Mat) {
		gocv.Resize(src, dst, image.Pt(to.W, to.H), 0, 0, gocv.InterpolationLinear)
	})
}

// Smooth smooths a plane with a Gaussian whose standard deviation is sigma
// samples, cut at three sigma; edges repeat the outermost sample, and a sigma
// of zero copies. Both planes have one size.
func Smooth[T Sample](from, to Plane[T], sigma float64) error {
	if !(sigma >= 0 && sigma <= widestSigma) || from.W != to.W || from.H != to.H {
		return fmt.Errorf("smoothing by %g samples from a plane of %d x %d to one of %d x %d", sigma, from.W, from.H, to.W, to.H)
	}
	side := 2*int(math.Ceil(3*sigma)) + 1
	return over(from, to, func(src gocv.Mat, dst *gocv.Mat) {
		gocv.GaussianBlur(src, dst, image.Pt(side, side), sigma, sigma, gocv.BorderReplicate)
	})
}

// widestSigma bounds smoothing far above any use, so that a slip is an error
// and not an endless wait.
const widestSigma = 1e4

// Highest makes each sample the greatest within reach samples, to all eight
// sides. Both planes have one size.
func Highest[T Sample](from, to Plane[T], reach int) error {
	if reach < 0 || from.W != to.W || from.H != to.H {
		return fmt.Errorf("the highest within %d samples from a plane of %d x %d to one of %d x %d", reach, from.W, from.H, to.W, to.H)
	}
	return over(from, to, func(src gocv.Mat, dst *gocv.Mat) {
		square := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(2*reach+1, 2*reach+1))
		defer square.Close()
		gocv.Dilate(src, dst, square)
	})
}

// Open is the morphological opening with a square of the given side: what does
// not hold such a square vanishes, the rest stays. Both planes have one size.
func Open(from, to Plane[uint8], side int) error {
	if side < 1 || from.W != to.W || from.H != to.H {
		return fmt.Errorf("opening by squares of %d from a plane of %d x %d to one of %d x %d", side, from.W, from.H, to.W, to.H)
	}
	return over(from, to, func(src gocv.Mat, dst *gocv.Mat) {
		square := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(side, side))
		defer square.Close()
		held := gocv.NewMat()
		defer held.Close()
		gocv.Erode(src, &held, square)
		// A square of an even side has no middle: what it shrinks by about one of
		// its samples is grown about the opposite one, or all would be shifted.
		back := side - 1 - side/2
		gocv.DilateWithParams(held, dst, square, image.Pt(back, back), 1, gocv.BorderConstant, color.RGBA{})
	})
}

// Sharpen sharpens a plane in place: 2.5 times the plane less 1.5 times its
// 5 x 5 mean.
func Sharpen(p Plane[uint8]) error {
	return over(p, p, func(src gocv.Mat, dst *gocv.Mat) {
		mean := gocv.NewMat()
		defer mean.Close()
		gocv.Blur(src, &mean, image.Pt(5, 5))
		gocv.AddWeighted(src, 2.5, mean, -1.5, 0, dst)
	})
}

// over does one operation from a plane to another. The operation must leave
// the size and the type of dst as they are, or its answer goes elsewhere.
func over[T Sample](from, to Plane[T], do func(src gocv.Mat, dst *gocv.Mat)) error {
	src, err := matrix(from)
	if err != nil {
		return err
	}
	defer src.Close()
	dst, err := matrix(to)
	if err != nil {
		return err
	}
	defer dst.Close()
	do(src, &dst)
	return nil
}

func matrix[T Sample](p Plane[T]) (gocv.Mat, error) {
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
