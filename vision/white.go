package vision

import (
	"fmt"
	"math"
	"slices"

	"quadtally/vision/frame"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// gains are what red and blue are multiplied by so that a white reference
// comes out without colour, green being left as it is (von Kries 1902, as
// camera channels are usually balanced).
type gains struct{ red, blue float64 }

var noGains = gains{1, 1}

// Limits of a white reference: paper darker than that lies in deep shadow; a
// channel brighter than that is blown out. A cast beyond the largest gain is no
// white balance of a camera.
const (
	darkPaper, brightPaper = 60.0, 250.0
	leastGain, mostGain    = 0.6, 1.7
)

// paper is the colour of white paper in the photo.
type paper struct{ r, g, b float64 }

// paperOf takes the median of Y, Cb and Cr on white paper.
func paperOf(white [3]float64) paper {
	y, cb, cr := white[0], white[1]-128, white[2]-128
	c := func(v float64) float64 { return min(max(v, 0), 255) }
	return paper{c(y + 1.402*cr), c(y - 0.344136*cb - 0.714136*cr), c(y + 1.772*cb)} // ITU-T T.871
}

func (p paper) luma() float64 { return .299*p.r + .587*p.g + .114*p.b }

// green is how far the paper's green lies from its red and blue,
// ln(G/sqrt(RB)). Where channels are blown out the paper's true colour is not
// known, and what is given is the least of what it can be: 0 where all are.
func (p paper) green() (v float64, clipped bool) {
	if min(p.r, p.g, p.b) < 1 {
		return 0, false
	}
	v = math.Log(p.g / math.Sqrt(p.r*p.b))
	switch {
	case p.g >= brightPaper: // it is that much, or more
		return max(v, 0), true
	case max(p.r, p.b) >= brightPaper:
		return min(v, 0), true
	}
	return v, false
}

// gains make the paper white. A blown out channel has been at least so bright,
// so that the gains are the least that a cast proves; where red or blue is
// blown out and green is not, they are not known at all. A reference that cannot
// be used leaves the photo as it is and says why.
func (p paper) gains() (g gains, note string) {
	switch {
	case p.luma() < darkPaper:
		return noGains, "white paper lies in the dark: it was not taken as white"
	case max(p.r, p.b) >= brightPaper:
		return noGains, "white paper is blown out: it was not taken as white"
	}
	g = gains{p.g / p.r, p.g / p.b}
	if !(min(g.red, g.blue) >= leastGain && max(g.red, g.blue) <= mostGain) {
		return noGains, fmt.Sprintf("white paper is far from white (red x %.2f, blue x %.2f would make it so): it was not taken as white", g.red, g.blue)
	}
	if p.g >= brightPaper {
		note = "green of white paper is blown out: a cast was taken out as far as that proves it, and may be stronger"
	}
	return g, note
}

// paperOfMarks is the median colour of the white margins of a frame's corner
// marks, given by the outlines of their black squares in the Y plane; false
// where there are none.
func paperOfMarks(r *raster.Raster, marks []frame.Quad) (paper, bool) {
	const out = 1 + label.MarkMarginMM/label.MarkSizeMM // of half the square's side: the middle of the margin
	var planes [3][]byte
	for _, q := range marks {
		c := q.Centre()
		for i := range 4 {
			for _, t := range [...]float64{0.2, 0.35, 0.5, 0.65, 0.8} {
				at := raster.Point{X: q[i].X + t*(q[(i+1)%4].X-q[i].X), Y: q[i].Y + t*(q[(i+1)%4].Y-q[i].Y)}
				x, y := int(c.X+out*(at.X-c.X)), int(c.Y+out*(at.Y-c.Y))
				if x < 0 || y < 0 || x >= r.Width || y >= r.Height {
					continue
				}
				k := y*r.ChromaHeight/r.Height*r.ChromaWidth + x*r.ChromaWidth/r.Width
				for j, v := range [3]byte{r.Y[y*r.Width+x], r.Cb[k], r.Cr[k]} {
					planes[j] = append(planes[j], v)
				}
			}
		}
	}
	if len(planes[0]) < 20 {
		return paper{}, false
	}
	var white [3]float64
	for j, v := range planes {
		slices.Sort(v)
		white[j] = float64(v[len(v)/2])
	}
	return paperOf(white), true
}

// weights of Y, Cb and Cr from neutral in the default index's weighted sum of
// G - R and G - B. With a white reference luma no longer cancels.
func (g gains) weights() (onY, onCb, onCr float64) {
	const all = softRed + softBlue
	onY = (softRed*(1-g.red) + softBlue*(1-g.blue)) / all
	onCb = -0.344136 - softBlue*1.772*g.blue/all
	onCr = -0.714136 - softRed*1.402*g.red/all
	return onY, onCb, onCr
}
