package vision

import (
	"math"
	"slices"

	"quadtally/vision/frame"
	"quadtally/vision/raster"
)

// swatchesAcross is the number of swatches along each side of the ground.
const swatchesAcross = 96

// swatch is the mean colour of a small square of the ground, stored 8-bit
// values, from a few pixels of it: enough to tell what kind of thing lies
// there, too coarse for its outline.
type swatch struct {
	r, g, b float64
	luma    float64
	rise    float64 // of squared differences of brightness from 2 to 8 pixels apart: noise alone has none
	seen    bool    // it lies in the photo
	clipped bool    // a channel has run into its end, so that the hue is not known
}

// swatches are row-major over the straightened ground.
type swatches []swatch

// swatchesOf samples the ground. toField maps the plane of w x h cells on to
// the Y plane of the raster.
func swatchesOf(r *raster.Raster, toField frame.Homography, w, h int, white gains) swatches {
	const side = 3 // pixels sampled along each side of a swatch
	out := make(swatches, swatchesAcross*swatchesAcross)
	perX, perY := float64(w)/(side*swatchesAcross), float64(h)/(side*swatchesAcross)
	sx, sy := float64(r.ChromaWidth)/float64(r.Width), float64(r.ChromaHeight)/float64(r.Height)
	for j := range swatchesAcross {
		for i := range swatchesAcross {
			var y, cb, cr, rise, n float64
			s := &out[j*swatchesAcross+i]
			for k := range side * side {
				p := toField.Apply(raster.Point{X: (float64(side*i+k%side) + 0.5) * perX, Y: (float64(side*j+k/side) + 0.5) * perY})
				px, py := int(p.X), int(p.Y)
				if p.X < 0 || p.Y < 0 || px+8 >= r.Width || py >= r.Height {
					continue
				}
				at := py*r.Width + px
				c := int(p.Y*sy)*r.ChromaWidth + int(p.X*sx)
				light := float64(r.Y[at])
				y += light
				cb += float64(r.Cb[c]) - 128
				cr += float64(r.Cr[c]) - 128
				near, far := float64(r.Y[at+2])-light, float64(r.Y[at+8])-light
				rise += far*far - near*near
				n++
			}
			if n < side*side/2 {
				continue
			}
			y, cb, cr = y/n, cb/n, cr/n
			// ITU-T T.871.
			s.r, s.g, s.b = y+1.402*cr, y-0.344136*cb-0.714136*cr, y+1.772*cb
			s.clipped = max(s.r, s.g, s.b) > burnsFrom || y < darkest
			s.r, s.b = s.r*white.red, s.b*white.blue
			s.luma, s.rise, s.seen = y, rise/n, true
		}
	}
	return out
}

// darkest is the brightness below which noise and rounding leave no hue.
const darkest = 24

// hued are the swatches whose hue is known.
func (all swatches) hued() swatches {
	var out swatches
	for _, s := range all {
		if s.seen && !s.clipped && min(s.r, s.g, s.b) > 1 {
			out = append(out, s)
		}
	}
	return out
}

// redness of a swatch is how far red lies above green, ln(R/G). Bare ground,
// straw and stones have more red than green or as much; leaves have less.
func (s swatch) redness() float64 { return math.Log(s.r / s.g) }

// reddest gives the rednesses that a tenth and a fiftieth of the ground
// exceed; ok is false where too little of it has a hue.
func (all swatches) reddest() (tenth, fiftieth float64, ok bool) {
	hued := all.hued()
	if 4*len(hued) < len(all) {
		return 0, 0, false
	}
	v := make([]float64, len(hued))
	for i, s := range hued {
		v[i] = s.redness()
	}
	slices.Sort(v)
	return v[len(v)*9/10], v[len(v)*49/50], true
}
