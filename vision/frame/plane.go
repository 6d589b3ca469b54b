package frame

import (
	"math"

	"quadtally/vision/raster"
)

// plane is one channel of a picture.
type plane struct {
	w, h int
	pix  []byte
}

// sample is the bilinear value at a position in pixels; beyond the rim the
// rim's value holds.
func (p plane) sample(x, y float64) float64 {
	x, y = x-.5, y-.5
	if !(x > 0) {
		x = 0
	} else if x > float64(p.w-1) {
		x = float64(p.w - 1)
	}
	if !(y > 0) {
		y = 0
	} else if y > float64(p.h-1) {
		y = float64(p.h - 1)
	}
	x0, y0 := int(x), int(y)
	fx, fy := x-float64(x0), y-float64(y0)
	i := y0*p.w + x0
	right, down := 0, 0
	if x0+1 < p.w {
		right = 1
	}
	if y0+1 < p.h {
		down = p.w
	}
	top := float64(p.pix[i])*(1-fx) + float64(p.pix[i+right])*fx
	bottom := float64(p.pix[i+down])*(1-fx) + float64(p.pix[i+down+right])*fx
	return top*(1-fy) + bottom*fy
}

// reduced shrinks a plane to w x h by averaging whole blocks; it never
// enlarges.
func (p plane) reduced(w, h int) plane {
	if w >= p.w || h >= p.h {
		return p
	}
	if p.w == 2*w && p.h == 2*h {
		return p.halved()
	}
	if p.w == 4*w && p.h == 4*h {
		return p.halved().halved()
	}
	out := plane{w, h, make([]byte, w*h)}
	x0 := make([]int, w+1)
	for x := range x0 {
		x0[x] = x * p.w / w
	}
	sums := make([]uint32, w)
	for y := range h {
		top, bottom := y*p.h/h, (y+1)*p.h/h
		clear(sums)
		for row := top; row < bottom; row++ {
			line := p.pix[row*p.w : (row+1)*p.w]
			for x := range sums {
				var s uint32
				for _, v := range line[x0[x]:x0[x+1]] {
					s += uint32(v)
				}
				sums[x] += s
			}
		}
		for x, s := range sums {
			n := uint32((bottom - top) * (x0[x+1] - x0[x]))
			out.pix[y*w+x] = byte((s + n/2) / n)
		}
	}
	return out
}

// halved is reduced for the usual case, each pixel the mean of four.
func (p plane) halved() plane {
	w, h := p.w/2, p.h/2
	out := plane{w, h, make([]byte, w*h)}
	for y := range h {
		a, b := p.pix[2*y*p.w:][:2*w], p.pix[(2*y+1)*p.w:][:2*w]
		row := out.pix[y*w:][:w]
		for x := range row {
			i := 2 * x
			row[x] = byte((uint32(a[i]) + uint32(a[i+1]) + uint32(b[i]) + uint32(b[i+1]) + 2) >> 2)
		}
	}
	return out
}

// planesOf gives luma and both chroma planes of a raster.
func planesOf(r *raster.Raster) [3]plane {
	return [3]plane{
		{r.Width, r.Height, r.Y},
		{r.ChromaWidth, r.ChromaHeight, r.Cb},
		{r.ChromaWidth, r.ChromaHeight, r.Cr},
	}
}

// usable reports whether a raster holds what its sizes promise.
func usable(r *raster.Raster) bool {
	return r != nil && r.Width > 0 && r.Height > 0 && r.ChromaWidth > 0 && r.ChromaHeight > 0 &&
		r.FullWidth > 0 && r.FullHeight > 0 && r.ChromaWidth <= r.Width && r.ChromaHeight <= r.Height &&
		len(r.Y) >= r.Width*r.Height &&
		len(r.Cb) >= r.ChromaWidth*r.ChromaHeight && len(r.Cr) >= r.ChromaWidth*r.ChromaHeight
}

// ratioScale turns a ratio of chroma to luma into grey levels about 128: the
// strongest paint just fills the range. ratioFloor keeps the noise of black
// pixels down.
const (
	ratioScale = 200
	ratioFloor = 8
)

// ratios are the two chroma planes over luma, all of one size. Light falls out
// of a ratio, paint stays: a pipe's shaded flank has the colour of its lit one
// and a shadow's rim on the ground does not show, while in luma both are
// stronger edges than the one between shaded pipe and shaded ground.
func ratios(luma, cb, cr plane) (u, v plane) {
	var over [256]int32 // 16.16
	for i := range over {
		over[i] = int32(math.Round(ratioScale * 65536 / float64(i+ratioFloor)))
	}
	divide := func(c plane) plane {
		out := plane{c.w, c.h, make([]byte, len(c.pix))}
		for i, b := range c.pix {
			x := (int32(b)-128)*over[luma.pix[i]]>>16 + 128
			out.pix[i] = byte(min(255, max(0, x)))
		}
		return out
	}
	return divide(cb), divide(cr)
}

// picture is a raster's luma and colour ratios at one common scale, for
// searching.
type picture struct {
	w, h   int
	perPx  [2]float64 // luma pixels per search pixel, across and down
	planes [3]plane
}

// searchLongSide bounds the longer side of the search picture, pixels: a
// frame side of a metre still spans some 300, and the search costs little.
const searchLongSide = 512

func searchPicture(r *raster.Raster) picture {
	k := math.Ceil(float64(max(r.ChromaWidth, r.ChromaHeight)) / searchLongSide)
	w := max(1, int(float64(r.ChromaWidth)/k))
	h := max(1, int(float64(r.ChromaHeight)/k))
	s := picture{w: w, h: h, perPx: [2]float64{float64(r.Width) / float64(w), float64(r.Height) / float64(h)}}
	for i, p := range planesOf(r) {
		s.planes[i] = p.reduced(w, h)
	}
	s.planes[1], s.planes[2] = ratios(s.planes[0], s.planes[1], s.planes[2])
	return s
}

// finePlanes are luma and colour ratios at full scale, for refining.
func finePlanes(r *raster.Raster) [3]plane {
	p := planesOf(r)
	luma := p[0].reduced(p[1].w, p[1].h)
	p[1], p[2] = ratios(luma, p[1], p[2])
	return p
}
