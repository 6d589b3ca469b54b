package vision

import (
	"fmt"
	"math"
)

// Green light under a net or leaves, the light of another lamp, green hay and
// moss lie on a part of the ground and make it greener there, all of it. Held
// against the whole photo's ground that part is green; held against the ground
// beside it only leaves are. So each swatch is held against the least green tenth
// of its own tile, brightness taken out. What stands out so is coarser than
// cover, and less of it shows in a closed canopy, so it measures nothing; see tooMuch.

const (
	besideTiles = 8    // tiles along each side of the ground
	besideLeast = 50   // swatches of known hue in a tile that is judged, of 144
	besideBare  = 0.1  // share of a tile that is taken for its ground
	besideApart = 0.15 // excess green over brightness (see ownGreenness), above the tile's ground
)

// beside is the share of the ground that stands out as green from the ground of
// its own tile, and the standard deviation of the greenness of that ground over
// the tiles; ok is false where too few tiles have a hue. Swatches that are marked
// as no plant have no say; nil for none.
func (all swatches) beside(marked []bool) (share, uneven float64, ok bool) {
	const n, per = swatchesAcross, swatchesAcross / besideTiles
	own := make([]float64, 0, per*per)
	var tiles, sum, square, judged, green float64
	for t := range besideTiles * besideTiles {
		own = own[:0]
		x0, y0 := t%besideTiles*per, t/besideTiles*per
		for y := y0; y < y0+per; y++ {
			for i := y*n + x0; i < y*n+x0+per; i++ {
				s := &all[i]
				if !s.hued() || marked != nil && marked[i] {
					continue
				}
				own = append(own, s.ownGreenness())
			}
		}
		if len(own) < besideLeast {
			continue
		}
		bare := smallest(own, int(besideBare*float64(len(own)-1)))
		for _, v := range own {
			if v > bare+besideApart {
				green++
			}
		}
		tiles, judged = tiles+1, judged+float64(len(own))
		sum, square = sum+bare, square+bare*bare
	}
	if 4*tiles < besideTiles*besideTiles {
		return 0, 0, false
	}
	mean := sum / tiles
	return green / judged, math.Sqrt(max(square/tiles-mean*mean, 0)), true
}

// Two doubts weigh several numbers together that say little one by one. Each is
// the log odds, by logistic regression, that cover is off by more than 10 points
// one way: fitted on 203 open field photos, 798 of them again with casts, shade,
// other light on a part, veils, blur and coarse JPEG laid over them, 239 photos
// of a drawn season and 1267 drawn stands, sound and spoilt in some seventy ways
// and by two at once; photos that other doubts ask about had a quarter of the
// weight. TestSilentMissReport tells what all doubts together leave unseen.
const (
	muchBeside, muchUneven, muchSpread, muchZero, limitMuch = -21.988, 30.904, 43.818, -8.220, -0.5
	lessSpread, lessFaint, lessBelow, lessLooks, lessZero   = -88.5, 58.1, 26.4, 4.04, -1.782
	limitLess                                               = -1.5
	// So much more was counted than stands out, at least, where that is said.
	leastApart = 0.03
	// Where less than so much of the ground is in question, no leaves that matter
	// were missed.
	leastLess = 0.03
)

// tooMuch is high where green was counted that is no leaf: light or ground is
// green over a part of the photo, so that more was counted than stands out from
// the ground beside it, the ground is unlike from part to part, and the green
// runs from faint to plain. spread is that of the green that was counted.
func (q Quality) tooMuch(cover, spread float64) float64 {
	return muchZero + muchBeside*(q.BesideFrac-cover) + muchUneven*q.GroundUneven + muchSpread*spread
}

// tooLittle is high where leaves were taken for bare ground: what was counted is
// hardly greener than the threshold, ground is faintly green or far less green than
// what was taken for bare, and more looks green than was counted.
func (q Quality) tooLittle(cover, spread float64) float64 {
	return lessZero + lessSpread*spread + lessFaint*q.FaintFrac + lessBelow*q.BelowFrac + lessLooks*(q.GreenFrac-cover)
}

// weighed are the doubts of tooMuch and tooLittle at a threshold.
func (m *Measurement) weighed(threshold, cover float64) (out []Flag) {
	if m.Index != IndexSoftExG {
		return nil
	}
	q, spread := m.Quality, m.Curve.spreadAbove(threshold)
	if z := q.tooMuch(cover, spread); q.Beside && cover > tenPoints && z > limitMuch {
		text := "the ground is greener in one part of the photo than in another"
		if cover-q.BesideFrac > leastApart {
			text = fmt.Sprintf("%.0f %% was counted as green and only %.0f %% stands out from the ground beside it", 100*cover, 100*q.BesideFrac)
		}
		out = append(out, Flag{FlagTwoWays, MustLook, z, limitMuch, text + ": look for green hay, moss or algae, and for light under a net or leaves"})
	}
	if z := q.tooLittle(cover, spread); z > limitLess && q.FaintFrac+q.BelowFrac+q.GreenFrac-cover > leastLess {
		// What adds most is said.
		text := fmt.Sprintf("what was counted as green, %.0f %%, is hardly green: look for leaves that were missed, in frost, haze or faded colours", 100*cover)
		switch faint, below, looks := lessFaint*q.FaintFrac, lessBelow*q.BelowFrac, lessLooks*(q.GreenFrac-cover); {
		case faint >= max(below, looks, leastSaid):
			text = fmt.Sprintf("%.0f %% of the ground is faintly green and was taken for bare: look for pale, frosted, thin or shaded leaves", 100*q.FaintFrac)
		case below >= max(looks, leastSaid):
			text = fmt.Sprintf("%.0f %% of the ground is far less green than what was taken for bare: pale leaves may have been taken for bare, or an object lies there", 100*q.BelowFrac)
		case looks >= leastSaid:
			text = fmt.Sprintf("%.0f %% was counted as green and %.0f %% looks so: look for leaves that were missed, in frost, haze or faded colours", 100*cover, 100*q.GreenFrac)
		}
		out = append(out, Flag{FlagFaint, MustLook, z, limitLess, text})
	}
	return out
}

// leastSaid is the least share in tooLittle that is worth a sentence of its own.
const leastSaid = 0.5

// spreadAbove is the standard deviation of the index values of the cells at or
// above a threshold, 0 where there are none.
func (c *Curve) spreadAbove(threshold float64) float64 {
	s, err := c.Index.scale()
	if err != nil {
		return 0
	}
	var n, sum, square float64
	for i, k := range c.Counts[s.nearest(threshold):] {
		v, x := float64(k), float64(i)
		n, sum, square = n+v, sum+v*x, square+v*x*x
	}
	if n == 0 {
		return 0
	}
	return s.step * math.Sqrt(max(square/n-sum/n*sum/n, 0))
}
