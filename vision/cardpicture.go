package vision

import (
	"errors"
	"image"
	"image/color"
	stddraw "image/draw"
	"math"
	"slices"

	"quadtally/vision/card"
	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// ErrNoCardSeen means that nothing like a plot card lies in a photo.
var ErrNoCardSeen = errors.New("nothing like a plot card is seen in the photo")

const (
	cardsShown  = 3
	cardGap     = 8   // pixels between regions
	cardContext = .2  // of a region's side is shown around it
	nearMark    = .12 // of the frame's side: paper so near a corner is a printed mark
	nearBar     = .07 // of the frame's side: a patch so near it is its own white bar
)

// CardPicture draws the regions of a photo in which its plot card lies or,
// where none can be read, may lie, each enlarged to the given height in pixels
// and side by side. fix is the frame of the photo, nil where none is known.
func CardPicture(photo []byte, fix *FrameFix, height int) (*image.RGBA, error) {
	r, _, _, err := Decode(photo, 0)
	if err != nil {
		return nil, err
	}
	var skip func(image.Rectangle) bool
	if fix != nil {
		var at frame.Quad // in luma pixels
		for i, p := range fix.Corners {
			at[i] = r.FromUpright(p)
		}
		side := math.Hypot(at[1].X-at[0].X, at[1].Y-at[0].Y)
		ground := boundsOf(at)
		skip = func(b image.Rectangle) bool {
			x, y := float64(b.Min.X+b.Max.X)/2, float64(b.Min.Y+b.Max.Y)/2
			for i, p := range at {
				if fix.Kind == frame.ByMarks.String() && math.Hypot(p.X-x, p.Y-y) < nearMark*side || toSegment(x, y, p, at[(i+1)%4]) < nearBar*side {
					return true
				}
			}
			return ground.In(b) // the frame itself
		}
	}
	cb, cr := r.Cb, r.Cr
	if fix != nil {
		hideFrame(r, fix)
	}
	regions, err := card.Where(r, card.DefaultOptions(), cardsShown, skip)
	if err != nil {
		return nil, err
	}
	r.Cb, r.Cr = cb, cr
	if len(regions) == 0 {
		return nil, ErrNoCardSeen
	}
	var parts []*image.RGBA
	width := -cardGap
	for _, q := range regions {
		a := r.ToUpright(raster.Point{X: float64(q.Box.Min.X), Y: float64(q.Box.Min.Y)})
		b := r.ToUpright(raster.Point{X: float64(q.Box.Max.X), Y: float64(q.Box.Max.Y)})
		w, h := math.Abs(b.X-a.X), math.Abs(b.Y-a.Y)
		pad := cardContext * math.Max(w, h)
		x0, y0 := math.Min(a.X, b.X)-pad, math.Min(a.Y, b.Y)-pad
		w, h = w+2*pad, h+2*pad
		long := float64(height)
		if w > h {
			long *= w / h
		}
		// A plane with a cell a pixel of the picture, moved onto the region.
		scale := math.Max(w, h) / long
		p := &Plane{Width: max(1, int(w/scale)), Height: max(1, int(h/scale)), ToPhoto: [9]float64{scale, 0, x0, 0, scale, y0, 0, 0, 1}}
		part := draw(r, p, max(p.Width, p.Height))
		parts = append(parts, part)
		width += part.Bounds().Dx() + cardGap
	}
	out := image.NewRGBA(image.Rect(0, 0, width, height))
	stddraw.Draw(out, out.Bounds(), image.NewUniform(color.White), image.Point{}, stddraw.Src)
	x := 0
	for _, part := range parts {
		stddraw.Draw(out, part.Bounds().Add(image.Pt(x, 0)), part, image.Point{}, stddraw.Over)
		x += part.Bounds().Dx() + cardGap
	}
	return out, nil
}

// toSegment is the distance of a place from the line between two others.
func toSegment(x, y float64, a, b raster.Point) float64 {
	dx, dy := b.X-a.X, b.Y-a.Y
	t := 0.0
	if n := dx*dx + dy*dy; n > 0 {
		t = min(max(((x-a.X)*dx+(y-a.Y)*dy)/n, 0), 1)
	}
	return math.Hypot(a.X+t*dx-x, a.Y+t*dy-y)
}

// hideFrame gives the bars of the frame a colour that paper never has, so that
// a card which touches them is a patch of its own. The planes it changes are
// copies.
func hideFrame(r *raster.Raster, fix *FrameFix) {
	r.Cb, r.Cr = slices.Clone(r.Cb), slices.Clone(r.Cr)
	var at frame.Quad
	for i, p := range fix.Corners {
		at[i] = r.FromUpright(p)
	}
	band := nearBar * math.Hypot(at[1].X-at[0].X, at[1].Y-at[0].Y)
	around := boundsOf(at).Inset(-int(band) - 1)
	sx, sy := float64(r.Width)/float64(r.ChromaWidth), float64(r.Height)/float64(r.ChromaHeight)
	for y := range r.ChromaHeight {
		ly := (float64(y) + .5) * sy
		if int(ly) < around.Min.Y || int(ly) > around.Max.Y {
			continue
		}
		for x := range r.ChromaWidth {
			lx := (float64(x) + .5) * sx
			for i, a := range at {
				if toSegment(lx, ly, a, at[(i+1)%4]) < band {
					r.Cb[y*r.ChromaWidth+x], r.Cr[y*r.ChromaWidth+x] = 255, 255
					break
				}
			}
		}
	}
}
