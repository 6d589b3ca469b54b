package vision

import (
	"fmt"
	"image"
	"image/color"

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
	for y := range h {
		for x := range w {
			p := r.FromUpright(plane.At((float64(x)+0.5)*scale, (float64(y)+0.5)*scale))
			if p.X < 0 || p.Y < 0 || p.X >= float64(r.Width) || p.Y >= float64(r.Height) {
				continue // outside the photo: stays transparent
			}
			luma := bilinear(r.Y, r.Width, r.Height, p)
			at := raster.Point{X: p.X * cx, Y: p.Y * cy}
			cr, cg, cb := color.YCbCrToRGB(luma, bilinear(r.Cb, r.ChromaWidth, r.ChromaHeight, at), bilinear(r.Cr, r.ChromaWidth, r.ChromaHeight, at))
			i := img.PixOffset(x, y)
			img.Pix[i], img.Pix[i+1], img.Pix[i+2], img.Pix[i+3] = cr, cg, cb, 255
		}
	}
	return img
}

// bilinear samples a plane at a position whose pixel centres lie at
// half-integers; the edge repeats outside.
func bilinear(pix []byte, w, h int, p raster.Point) uint8 {
	x, y := min(max(p.X-0.5, 0), float64(w-1)), min(max(p.Y-0.5, 0), float64(h-1))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, w-1), min(y0+1, h-1)
	fx, fy := x-float64(x0), y-float64(y0)
	top := float64(pix[y0*w+x0])*(1-fx) + float64(pix[y0*w+x1])*fx
	bottom := float64(pix[y1*w+x0])*(1-fx) + float64(pix[y1*w+x1])*fx
	return uint8(top*(1-fy) + bottom*fy + 0.5)
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
