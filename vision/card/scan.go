package card

import (
	"image"
	"slices"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"

	"quadtally/vision/internal/mats"
	"quadtally/vision/raster"
)

// grey is one plane of brightness.
type grey struct {
	w, h int
	pix  []byte

	// colour is the raster it was cut from, from (x0, y0) on at that many luma
	// pixels a pixel; nil where colour is not asked for.
	colour *raster.Raster
	x0, y0 int
	scale  float64
}

// whitePatches finds patches of paper: bright and without colour. The look is
// coarse, one sample for about four luma pixels at quarter scale; boxes are in
// luma pixels, largest first.
func whitePatches(r *raster.Raster, most int) []image.Rectangle {
	patches, _ := paperOf(r, most)
	return patches
}

// paperOf also gives what is as white and has no card's shape, as the bars of a
// white frame have not, and a card that touches them.
func paperOf(r *raster.Raster, most int) (patches []image.Rectangle, rest coarse) {
	step := max(1, (max(r.ChromaWidth, r.ChromaHeight)+249)/250)
	w, h := r.ChromaWidth/step, r.ChromaHeight/step
	if w < 4 || h < 4 {
		return nil, rest
	}
	rest = coarse{w: w, h: h, sx: float64(r.Width) / float64(w), sy: float64(r.Height) / float64(h), in: make([]bool, w*h)}
	light := make([]byte, w*h) // of the colourless samples, 0 at the others
	var hist [256]int
	columns := make([]int, w)
	for x := range columns {
		columns[x] = (2*(x*step+step/2) + 1) * r.Width / (2 * r.ChromaWidth)
	}
	for y := range h {
		cy := y*step + step/2
		luma := r.Y[(2*cy+1)*r.Height/(2*r.ChromaHeight)*r.Width:][:r.Width]
		cbs, crs := r.Cb[cy*r.ChromaWidth:][:r.ChromaWidth], r.Cr[cy*r.ChromaWidth:][:r.ChromaWidth]
		row := light[y*w:][:w]
		cx := step / 2
		for x, lx := range columns {
			v := luma[lx]
			hist[v]++
			cb, cr := int(cbs[cx])-128, int(crs[cx])-128
			if cb*cb+cr*cr < 20*20 {
				row[x] = v
			}
			cx += step
		}
	}
	bright, n := 255, 0
	for bright > 0 && n < w*h/200 {
		n += hist[bright]
		bright--
	}
	var out []image.Rectangle
	paper := make([]bool, w*h)
	for _, share := range []float64{.8, .55} { // a card in the sun; a card in shade
		least := max(byte(share*float64(bright)), 1)
		for i, v := range light {
			paper[i] = v >= least
		}
		out = append(out, boxes(w, h, paper, &rest)...)
	}
	slices.SortStableFunc(out, func(a, b image.Rectangle) int { return b.Dx()*b.Dy() - a.Dx()*a.Dy() })
	var kept []image.Rectangle
	sx, sy := float64(r.Width)/float64(w), float64(r.Height)/float64(h)
	for _, b := range out {
		if b.Dx()*b.Dy() > w*h/3 {
			continue
		}
		if len(kept) == most {
			break
		}
		box := image.Rect(int(float64(b.Min.X)*sx), int(float64(b.Min.Y)*sy), int(float64(b.Max.X)*sx+1), int(float64(b.Max.Y)*sy+1))
		if !slices.ContainsFunc(kept, func(k image.Rectangle) bool { return similar(k, box) }) {
			kept = append(kept, box)
		}
	}
	return kept, rest
}

// coarse is a part of a picture by cells of sx times sy luma pixels.
type coarse struct {
	w, h   int
	sx, sy float64
	in     []bool
	any    bool
}

// near tells whether a square of the picture, from (x, y) on, has any of it
// within a reach, luma pixels.
func (c *coarse) near(x, y, side, reach int) bool {
	x0, y0 := max(0, int(float64(x-reach)/c.sx)), max(0, int(float64(y-reach)/c.sy))
	x1, y1 := min(c.w-1, int(float64(x+side+reach)/c.sx)), min(c.h-1, int(float64(y+side+reach)/c.sy))
	for v := y0; v <= y1; v++ {
		if slices.Contains(c.in[v*c.w+x0:v*c.w+x1+1], true) {
			return true
		}
	}
	return false
}

func similar(a, b image.Rectangle) bool {
	i := a.Intersect(b)
	return 10*i.Dx()*i.Dy() > 8*max(a.Dx()*a.Dy(), b.Dx()*b.Dy())
}

// boxes are the bounding boxes of the 8-connected pieces that could be a
// card: not too small, not too long, not too thin. It clears left, and adds to
// rest the larger ones that could not.
func boxes(w, h int, left []bool, rest *coarse) []image.Rectangle {
	var out []image.Rectangle
	var stack, piece []image.Point
	for start, in := range left {
		if !in {
			continue
		}
		left[start] = false
		stack = append(stack[:0], image.Pt(start%w, start/w))
		piece = piece[:0]
		box, count := image.Rectangle{Min: image.Pt(w, h)}, 0
		for len(stack) > 0 {
			p := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			piece = append(piece, p)
			count++
			box.Min.X, box.Min.Y = min(box.Min.X, p.X), min(box.Min.Y, p.Y)
			box.Max.X, box.Max.Y = max(box.Max.X, p.X+1), max(box.Max.Y, p.Y+1)
			for y := max(0, p.Y-1); y <= min(h-1, p.Y+1); y++ {
				for x := max(0, p.X-1); x <= min(w-1, p.X+1); x++ {
					if left[y*w+x] {
						left[y*w+x] = false
						stack = append(stack, image.Pt(x, y))
					}
				}
			}
		}
		dx, dy := box.Dx(), box.Dy()
		if min(dx, dy) >= 5 && max(dx, dy) <= 4*min(dx, dy) && 5*count >= dx*dy {
			out = append(out, box)
		} else if max(dx, dy) >= 20 && count >= 60 {
			rest.any = true
			for _, p := range piece {
				rest.in[p.Y*w+p.X] = true
			}
		}
	}
	return out
}

// plentyPx is the side from which a patch is as well read at half the scale, in
// a quarter of the time: the code of a card that fills it has modules of
// about seven pixels.
const plentyPx = 350

// scanPatch reads a patch as it is, then enlarged and sharpened; a large one at
// half the scale first unless its place has to be exact.
func scanPatch(whole grey, b image.Rectangle, exact bool) []code {
	b = padded(whole, b)
	crop := whole.crop(b)
	if !exact && min(crop.w, crop.h) >= plentyPx {
		if half, err := crop.halved(); err == nil {
			if codes := scan(half, float64(b.Min.X), float64(b.Min.Y), .5); len(codes) > 0 {
				return codes
			}
		}
	}
	if codes := scan(crop, float64(b.Min.X), float64(b.Min.Y), 1); len(codes) > 0 {
		return codes
	}
	if max(crop.w, crop.h) > 600 {
		return nil
	}
	big, err := crop.doubled()
	if err != nil {
		return nil // an empty crop; there is nothing to read
	}
	return scan(big, float64(b.Min.X), float64(b.Min.Y), 2)
}

// padded adds some of its surroundings to a patch: a tight crop loses a quarter
// of the cards, for the quiet zone is needed.
func padded(whole grey, b image.Rectangle) image.Rectangle {
	px, py := b.Dx()*3/10+6, b.Dy()*3/10+6
	return image.Rect(b.Min.X-px, b.Min.Y-py, b.Max.X+px, b.Max.Y+py).Intersect(image.Rect(0, 0, whole.w, whole.h))
}

func (g grey) crop(b image.Rectangle) grey {
	out := grey{w: b.Dx(), h: b.Dy(), pix: make([]byte, 0, b.Dx()*b.Dy())}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		out.pix = append(out.pix, g.pix[y*g.w+b.Min.X:y*g.w+b.Max.X]...)
	}
	return out
}

// halved averages blocks of 2 x 2 pixels.
func (g grey) halved() (grey, error) {
	out := grey{w: g.w / 2, h: g.h / 2, pix: make([]byte, (g.w/2)*(g.h/2))}
	err := mats.Shrink(mats.Plane[uint8]{W: g.w, H: g.h, Pix: g.pix}, mats.Plane[uint8]{W: out.w, H: out.h, Pix: out.pix})
	return out, err
}

// doubled enlarges twofold and sharpens.
func (g grey) doubled() (grey, error) {
	out := grey{w: 2 * g.w, h: 2 * g.h, pix: make([]byte, 4*g.w*g.h)}
	big := mats.Plane[uint8]{W: out.w, H: out.h, Pix: out.pix}
	if err := mats.Enlarge(mats.Plane[uint8]{W: g.w, H: g.h, Pix: g.pix}, big); err != nil {
		return out, err
	}
	return out, mats.Sharpen(big)
}

// scan reads the code in g, if it can; g begins at (x0, y0) of the luma plane
// and is enlarged by scale. The reader is other people's code fed with
// strangers' photos: whatever it does, the photo is then simply not read.
func scan(g grey, x0, y0, scale float64) (codes []code) {
	defer func() {
		if recover() != nil {
			codes = nil
		}
	}()
	if g.w < modules || g.h < modules {
		return nil
	}
	src, err := gozxing.NewPlanarYUVLuminanceSource(g.pix, g.w, g.h, 0, 0, g.w, g.h, false)
	if err != nil {
		return nil
	}
	bmp, err := gozxing.NewBinaryBitmap(gozxing.NewHybridBinarizer(src))
	if err != nil {
		return nil
	}
	res, err := qrcode.NewQRCodeReader().Decode(bmp, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true})
	if err != nil {
		return nil
	}
	p := res.GetResultPoints() // lower-left, upper-left, upper-right
	if len(p) < 3 {
		return nil
	}
	at := func(i int) raster.Point {
		return raster.Point{X: x0 + p[i].GetX()/scale, Y: y0 + p[i].GetY()/scale}
	}
	return []code{{res.GetText(), [3]raster.Point{at(1), at(2), at(0)}}}
}

// whiteOf is the mean of the middle half of the colours of the separator around
// each finder pattern: module row 7 and column 7 are white in every code.
func whiteOf(r *raster.Raster, at func(u, v float64) raster.Point) (white [3]float64) {
	var ys, cbs, crs []byte
	for i := 0; i < 8; i++ {
		for _, uv := range [][2]float64{{float64(i) + .5, 7.5}, {7.5, float64(i) + .5}, {20.5 - float64(i), 7.5}, {7.5, 20.5 - float64(i)}} {
			p := at(uv[0], uv[1])
			x, y := int(p.X), int(p.Y)
			if x < 0 || y < 0 || x >= r.Width || y >= r.Height {
				continue
			}
			cx, cy := x*r.ChromaWidth/r.Width, y*r.ChromaHeight/r.Height
			ys = append(ys, r.Y[y*r.Width+x])
			cbs = append(cbs, r.Cb[cy*r.ChromaWidth+cx])
			crs = append(crs, r.Cr[cy*r.ChromaWidth+cx])
		}
	}
	for i, v := range [][]byte{ys, cbs, crs} {
		if len(v) == 0 {
			return [3]float64{}
		}
		slices.Sort(v)
		middle := v[len(v)/4 : len(v)-len(v)/4]
		for _, x := range middle {
			white[i] += float64(x) / float64(len(middle))
		}
	}
	return white
}
