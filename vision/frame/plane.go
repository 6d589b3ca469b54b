package frame

import (
	"math"

	"quadtally/vision/internal/mats"
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

// walk takes bilinear samples in steps of d from start on, as sample does,
// into out.
func (p plane) walk(start, d raster.Point, out []float64) {
	n := float64(len(out) - 1)
	x0, y0 := start.X-.5, start.Y-.5
	x1, y1 := x0+n*d.X, y0+n*d.Y
	if !(min(x0, x1) >= 0 && min(y0, y1) >= 0 && max(x0, x1) < float64(p.w-2) && max(y0, y1) < float64(p.h-2)) {
		for i := range out {
			out[i] = p.sample(start.X+float64(i)*d.X, start.Y+float64(i)*d.Y)
		}
		return
	}
	// 16.16 fixed point; the end is at least a pixel from the rim.
	x, y, dx, dy := fixed(x0), fixed(y0), fixed(d.X), fixed(d.Y)
	for i := range out {
		q := p.pix[int(y>>16)*p.w+int(x>>16):]
		below := q[p.w : p.w+2]
		fx, fy := x>>8&255, y>>8&255
		top := int64(q[0])<<8 + (int64(q[1])-int64(q[0]))*fx
		bottom := int64(below[0])<<8 + (int64(below[1])-int64(below[0]))*fx
		out[i] = float64(top<<8+(bottom-top)*fy) * (1. / 65536)
		x += dx
		y += dy
	}
}

func fixed(v float64) int64 { return int64(math.Round(v * 65536)) }

// shrunk averages blocks of fx x fy pixels into buf; what is left over at the
// right and lower rim is dropped.
func (p plane) shrunk(fx, fy int, buf *[]byte) plane {
	if fx == 1 && fy == 1 {
		return p
	}
	out := plane{w: p.w / fx, h: p.h / fy}
	out.pix = raster.Sized(buf, out.w*out.h)
	if out.w == 0 || out.h == 0 {
		return out
	}
	err := mats.ShrinkBlocks(mats.Plane[uint8]{W: p.w, H: p.h, Pix: p.pix}, mats.Plane[uint8]{W: out.w, H: out.h, Pix: out.pix}, fx, fy)
	if err != nil {
		return plane{} // of a plane that holds less than its size says; usable has seen to that
	}
	return out
}

// cut copies a piece of p into buf.
func (p plane) cut(x0, y0, x1, y1 int, buf *[]byte) plane {
	out := plane{w: x1 - x0, h: y1 - y0}
	out.pix = raster.Sized(buf, out.w*out.h)
	for y := range out.h {
		copy(out.pix[y*out.w:][:out.w], p.pix[(y0+y)*p.w+x0:])
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

// Chroma over luma, in grey levels about 128, tells a painted pipe from ground. Illumination
// cancels in the ratio, reflectance remains: a pipe's shaded flank has the colour of
// its lit one and a shadow's rim on the ground does not show, while in luma
// both are stronger edges than the one between shaded pipe and shaded ground.
// With ratioScale the most saturated paint just fills the range; ratioFloor keeps
// the noise of black pixels down.
const (
	ratioScale = 200
	ratioFloor = 8
)

// ratioTable holds the ratio for each luma and chroma.
type ratioTable [256][256]byte

func newRatioTable() *ratioTable {
	t := new(ratioTable)
	for y := range t {
		over := ratioScale * 65536 / (y + ratioFloor)
		for c := range t[y] {
			t[y][c] = byte(min(255, max(0, (c-128)*over>>16+128)))
		}
	}
	return t
}

// picture is a raster's luma and colour ratios at one common scale, for
// searching, and what is needed to look closer.
type picture struct {
	w, h   int
	perPx  [2]float64 // luma pixels per search pixel, across and down
	planes [channels]plane
	fine   mix // without weights
}

// The channels of a search picture: luma, both colour ratios, and half their
// difference. Earth and straw lie on the orange side of grey, so that white,
// blue, bare metal and orange all differ from them along that last axis, and
// less noisily than in either ratio.
const (
	inLuma = iota
	inBlue
	inRed
	inWarmth
	channels
)

// searchLongSide bounds the longer side of the search picture, pixels: a
// frame side of a metre still spans some 300, and the search costs little.
const searchLongSide = 640

// searchPicture touches each pixel of the raster once, twice in luma where
// chroma is coarser; where the search for marks has brought luma to that size
// already it starts from that.
func (ws *Workspace) searchPicture(r *raster.Raster) picture {
	in := planesOf(r)
	k := 1
	for max(in[1].w, in[1].h) > k*searchLongSide {
		k *= 2
	}
	// Luma pixels per chroma pixel; sizes that are odd are rounded up in a file.
	sx, sy := roundRatio(in[0].w, in[1].w), roundRatio(in[0].h, in[1].h)
	s := picture{perPx: [2]float64{float64(k * sx), float64(k * sy)}}
	s.fine = mix{luma: in[0], atChroma: in, sx: 1 / float64(sx), sy: 1 / float64(sy)}
	if made := markScale(r); ws.half.pix != nil && sx == made && sy == made {
		s.fine.atChroma[0] = ws.half
	} else {
		s.fine.atChroma[0] = in[0].shrunk(sx, sy, &ws.light)
	}
	for c, p := range s.fine.atChroma {
		s.planes[c] = p.shrunk(k, k, &ws.small[c])
	}
	s.w, s.h = min(s.planes[0].w, s.planes[1].w), min(s.planes[0].h, s.planes[1].h)
	if ws.ratios == nil {
		ws.ratios = newRatioTable()
	}
	for c := range s.fine.atChroma {
		// The raster's own planes are not to be written on; a row never moves
		// down, so that one buffer serves both.
		from := s.planes[c]
		out := plane{s.w, s.h, raster.Sized(&ws.small[c], max(s.w*s.h, len(ws.small[c])))[:s.w*s.h]}
		for y := range s.h {
			row, levels := out.pix[y*s.w:][:s.w], from.pix[y*from.w:][:s.w]
			if c == 0 {
				copy(row, levels)
				continue
			}
			light := s.planes[0].pix[y*s.w:][:s.w]
			for x, v := range levels {
				row[x] = ws.ratios[light[x]][v]
			}
		}
		s.planes[c] = out
	}
	warmth := plane{s.w, s.h, raster.Sized(&ws.small[inWarmth], s.w*s.h)}
	blue, red := s.planes[inBlue].pix, s.planes[inRed].pix
	for i := range warmth.pix {
		warmth.pix[i] = byte((255 + int(blue[i]) - int(red[i])) >> 1)
	}
	s.planes[inWarmth] = warmth
	return s
}

func roundRatio(a, b int) int { return max(1, int(math.Round(float64(a)/float64(b)))) }
