package vision

import (
	"fmt"
	"image"
	"image/color"
	"math"

	"quadtally/vision/jpegturbo"
	"quadtally/vision/raster"
)

// maxPicture bounds the side of a straightened picture, in pixels.
const maxPicture = 4096

// Straighten draws the measured ground of a photo as a person would see it
// from straight above: the frame's inside, or the whole photo where there is
// no frame. longSide is the length of the longer side in pixels, up to 4096.
// m must be a measurement of the same photo.
func Straighten(photo []byte, m Measurement, longSide int) (*image.RGBA, error) {
	if m.Plane == nil || m.Plane.Width < 1 || m.Plane.Height < 1 {
		return nil, fmt.Errorf("photo has no stored plane to straighten by: measure it again")
	}
	if longSide < 1 || longSide > maxPicture {
		return nil, fmt.Errorf("picture of %d pixels: give 1 to %d", longSide, maxPicture)
	}
	r, _, _, err := Decode(photo, 2*longSide)
	if err != nil {
		return nil, err
	}
	return draw(r, m.Plane, longSide), nil
}

// Upright draws a whole photo as a person sees it, and tells the size of the
// full photo in pixels. It needs no measurement, so that a photo in which no
// frame was found can be shown. longSide is as for Straighten.
func Upright(photo []byte, longSide int) (img *image.RGBA, width, height int, err error) {
	if longSide < 1 || longSide > maxPicture {
		return nil, 0, 0, fmt.Errorf("picture of %d pixels: give 1 to %d", longSide, maxPicture)
	}
	r, _, _, err := Decode(photo, longSide)
	if err != nil {
		return nil, 0, 0, err
	}
	width, height = r.UprightSize()
	whole := &Plane{Width: width, Height: height, ToPhoto: [9]float64{0: 1, 4: 1, 8: 1}}
	return draw(r, whole, longSide), width, height, nil
}

// draw samples the photo at the places of a plane.
func draw(r *raster.Raster, plane *Plane, longSide int) *image.RGBA {
	scale := float64(max(plane.Width, plane.Height)) / float64(longSide)
	w := max(int(float64(plane.Width)/scale+0.5), 1)
	h := max(int(float64(plane.Height)/scale+0.5), 1)
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	cx := float64(r.ChromaWidth) / float64(r.Width)
	cy := float64(r.ChromaHeight) / float64(r.Height)
	// Places are whole numbers of 1/65536 pixel, exact at every stride-th pixel
	// of the picture and on a line between.
	const one = 1 << 16
	at := func(x, y int) (int, int) {
		p := r.FromUpright(plane.At((float64(x)+0.5)*scale, (float64(y)+0.5)*scale))
		return int(math.Floor(p.X * one)), int(math.Floor(p.Y * one))
	}
	chromaX, chromaY := int(cx*one), int(cy*one)
	for y := range h {
		line := img.Pix[y*img.Stride:]
		px, py := at(0, y)
		for from := 0; from < w; from += stride {
			nx, ny := at(from+stride, y)
			dx, dy := (nx-px)/stride, (ny-py)/stride
			for x := from; x < min(from+stride, w); x++ {
				if px >= 0 && py >= 0 && px < r.Width*one && py < r.Height*one { // outside the photo it stays transparent
					bx, by := px*chromaX/one, py*chromaY/one
					pixel := line[4*x:][:4]
					pixel[0], pixel[1], pixel[2] = color.YCbCrToRGB(bilinear(r.Y, r.Width, r.Height, px, py),
						bilinear(r.Cb, r.ChromaWidth, r.ChromaHeight, bx, by), bilinear(r.Cr, r.ChromaWidth, r.ChromaHeight, bx, by))
					pixel[3] = 255
				}
				px, py = px+dx, py+dy
			}
			px, py = nx, ny
		}
	}
	return img
}

// JPEG codes a picture as the pages show it.
func JPEG(img *image.RGBA) ([]byte, error) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	return jpegturbo.Encode(interleave(img), w, h, 85, true)
}

// bilinear samples a plane at a place in 1/65536 pixel, pixel centres lying at
// halves; the edge repeats outside.
func bilinear(pix []byte, w, h, x, y int) uint8 {
	x, y = min(max(x-1<<15, 0), (w-1)<<16), min(max(y-1<<15, 0), (h-1)<<16)
	x0, y0, fx, fy := x>>16, y>>16, x>>8&255, y>>8&255
	i, right, down := y0*w+x0, 0, 0
	if x0+1 < w {
		right = 1
	}
	if y0+1 < h {
		down = w
	}
	top := int(pix[i])*(256-fx) + int(pix[i+right])*fx
	bottom := int(pix[i+down])*(256-fx) + int(pix[i+down+right])*fx
	return uint8((top*(256-fy) + bottom*fy + 1<<15) >> 16)
}

// Outline marks the border of the green at a threshold on a picture made by
// Straighten, in magenta, which is never the colour of a plant or of soil.
func Outline(img *image.RGBA, m Measurement, threshold float64) error {
	mask, err := m.Plane.Mask(threshold)
	if err != nil {
		return err
	}
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	green := func(x, y int) bool {
		cx := min((2*x+1)*m.Plane.Width/(2*w), m.Plane.Width-1)
		cy := min((2*y+1)*m.Plane.Height/(2*h), m.Plane.Height-1)
		return mask[cy*m.Plane.Width+cx]
	}
	line := color.RGBA{255, 0, 220, 255}
	for y := range h {
		for x := range w {
			if !green(x, y) {
				continue
			}
			if x == 0 || y == 0 || x == w-1 || y == h-1 || !green(x-1, y) || !green(x+1, y) || !green(x, y-1) || !green(x, y+1) {
				img.SetRGBA(x, y, line)
			}
		}
	}
	return nil
}
