package frame

import (
	"errors"
	"fmt"
	"math"

	"quadtally/vision/raster"
)

// Sampling is how Straighten reads the photo.
type Sampling int

const (
	// Nearest takes the nearest pixel.
	Nearest Sampling = iota + 1
	// Bilinear blends the four pixels around the point: for grids about as
	// fine as the photo.
	Bilinear
	// Area averages a block of bilinear samples in every grid cell: for grids
	// coarser than the photo, so that no pixel is skipped.
	Area
)

// Straight is a piece of ground seen from straight above on a regular grid.
// All three planes have the same size, full range as in raster.Raster.
type Straight struct {
	Width, Height      int
	MMPerPxX, MMPerPxY float64 // equal but for rounding to whole cells
	Y, Cb, Cr          []byte
}

// maxStraight bounds the grid, cells: a metre at a quarter of a millimetre.
const maxStraight = 1 << 24

// Straighten samples widthMM x heightMM of ground, toPixel mapping its
// millimetres to luma pixels, at about mmPerPx. The grid covers the ground
// exactly: the cell size is rounded, not the area. Points beyond the rim of
// the photo take the rim's colour.
func Straighten(r *raster.Raster, toPixel Homography, widthMM, heightMM, mmPerPx float64, how Sampling) (Straight, error) {
	if !usable(r) {
		return Straight{}, errors.New("the photo has no colour planes to look at")
	}
	if !(widthMM > 0) || !(heightMM > 0) || !(mmPerPx > 0) || math.IsInf(widthMM+heightMM+mmPerPx, 0) {
		return Straight{}, fmt.Errorf("%g x %g mm at %g mm a pixel: every one must be above 0", widthMM, heightMM, mmPerPx)
	}
	w, h := max(1, math.Round(widthMM/mmPerPx)), max(1, math.Round(heightMM/mmPerPx))
	if w*h > maxStraight {
		return Straight{}, fmt.Errorf("%g x %g mm at %g mm a pixel is more than %d pixels: use a coarser grid", widthMM, heightMM, mmPerPx, maxStraight)
	}
	for _, corner := range rect(widthMM, heightMM) {
		if d := toPixel[6]*corner.X + toPixel[7]*corner.Y + toPixel[8]; !(d > 0) {
			return Straight{}, errors.New("the ground reaches beyond the horizon of the photo")
		}
	}
	s := Straight{Width: int(w), Height: int(h), MMPerPxX: widthMM / w, MMPerPxY: heightMM / h}
	out := [3]*[]byte{&s.Y, &s.Cb, &s.Cr}
	scale := toPixel.scaleAt(raster.Point{X: widthMM / 2, Y: heightMM / 2})
	for c, p := range planesOf(r) {
		*out[c] = make([]byte, s.Width*s.Height)
		sx, sy := float64(p.w)/float64(r.Width), float64(p.h)/float64(r.Height)
		// The map from grid cells to positions in this plane.
		g := Homography{sx, 0, 0, 0, sy, 0, 0, 0, 1}.Mul(toPixel).Mul(Homography{s.MMPerPxX, 0, 0, 0, s.MMPerPxY, 0, 0, 0, 1})
		side := 1 // bilinear samples along a cell
		if how == Area {
			side = min(8, max(1, int(math.Ceil(mmPerPx*scale*sx/1.5))))
		}
		s.fill(*out[c], p, g, how, side)
	}
	return s, nil
}

// fill walks the grid row by row. Along a row the map is a ratio of two
// straight lines; it is worked out at every 16th sample and run straight
// between them, which for tilts below 45 degrees is off by less than a tenth
// of a pixel.
func (s Straight) fill(out []byte, p plane, g Homography, how Sampling, side int) {
	const hop = 16
	n := s.Width * side
	sums := make([]int32, s.Width)
	step := 1 / float64(side)
	for y := range s.Height {
		clear(sums)
		for sub := range side {
			v := float64(y) + (float64(sub)+.5)*step
			for from := 0; from < n; from += hop {
				to := min(n, from+hop)
				a := g.Apply(raster.Point{X: (float64(from) + .5) * step, Y: v})
				b := g.Apply(raster.Point{X: (float64(to) + .5) * step, Y: v})
				k := 1 / float64(to-from)
				// 16.16 fixed point, pixel centres at whole numbers.
				px, py := fixed(a.X-.5), fixed(a.Y-.5)
				dx, dy := fixed((b.X-a.X)*k), fixed((b.Y-a.Y)*k)
				for i := from; i < to; i++ {
					var value int32
					if how == Nearest {
						value = p.nearest(px, py)
					} else {
						value = p.blend(px, py)
					}
					sums[i/side] += value
					px += dx
					py += dy
				}
			}
		}
		count := int32(side * side)
		row := out[y*s.Width : (y+1)*s.Width]
		for x, v := range sums {
			row[x] = byte((v + count/2) / count)
		}
	}
}

func fixed(v float64) int64 { return int64(math.Round(v * 65536)) }

func (p plane) nearest(x, y int64) int32 {
	i, j := int((x+32768)>>16), int((y+32768)>>16)
	return int32(p.pix[min(p.h-1, max(0, j))*p.w+min(p.w-1, max(0, i))])
}

func (p plane) blend(x, y int64) int32 {
	i, j := int(x>>16), int(y>>16)
	fx, fy := int32(x>>8&255), int32(y>>8&255)
	if i < 0 || j < 0 || i+1 >= p.w || j+1 >= p.h {
		return p.nearest(x, y)
	}
	q := p.pix[j*p.w+i:]
	top := int32(q[0])*(256-fx) + int32(q[1])*fx
	q = q[p.w:]
	bottom := int32(q[0])*(256-fx) + int32(q[1])*fx
	return (top*(256-fy) + bottom*fy + 32768) >> 16
}

// Straighten is the quadrat itself on a grid of about mmPerPx.
func (f Frame) Straighten(r *raster.Raster, mmPerPx float64, how Sampling) (Straight, error) {
	return Straighten(r, f.ToPixel, f.WidthMM, f.HeightMM, mmPerPx, how)
}
