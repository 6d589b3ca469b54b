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
			s.clipped = max(s.r, s.g, s.b) > clipsFrom || y < darkest
			s.r, s.b = s.r*white.red, s.b*white.blue
			s.luma, s.rise, s.seen = y, rise/n, true
		}
	}
	return out
}

// leaveOut takes the swatches of excluded areas for not seen.
func (all swatches) leaveOut(p *Plane, exclude [][]raster.Point) {
	if len(exclude) == 0 {
		return
	}
	perX, perY := float64(p.Width)/swatchesAcross, float64(p.Height)/swatchesAcross
	for i := range all {
		if p.excluded(exclude, (float64(i%swatchesAcross)+0.5)*perX, (float64(i/swatchesAcross)+0.5)*perY) {
			all[i] = swatch{}
		}
	}
}

// darkest is the brightness below which noise and rounding leave no hue.
const darkest = 24

// hued tells whether the hue of a swatch is known.
func (s *swatch) hued() bool { return s.seen && !s.clipped && min(s.r, s.g, s.b) > 1 }

// hues are G squared over R and B, which is in the order of greenness, and R over
// B of the swatches whose hue is known.
func (all swatches) hues() (green, warm []float64) {
	green, warm = make([]float64, 0, len(all)), make([]float64, 0, len(all))
	for i := range all {
		if s := &all[i]; s.hued() {
			green, warm = append(green, s.g*s.g/(s.r*s.b)), append(warm, s.r/s.b)
		}
	}
	return green, warm
}

// greennesses are the greennesses that a fiftieth, a quarter and a half of the
// ground stay below; ok is false where too little of it has a hue. Greenness is
// how far green lies above the mean of red and blue, ln(G/sqrt(RB)). Light from
// blue to yellow, of sky, sun and lamps, hardly changes it. Bare ground, straw
// and stones have next to none, leaves some.
type greennesses struct {
	fiftieth, quarter, half float64
	ok                      bool
}

func (all swatches) greennesses() (g greennesses) {
	v, _ := all.hues()
	if 4*len(v) < len(all) {
		return g
	}
	at := func(k int) float64 { return math.Log(math.Sqrt(smallest(v, k))) }
	return greennesses{at(len(v) / 50), at(len(v) / 4), at(len(v) / 2), true}
}

// groundHue is the greenness of the ground: that of the lowest hump of the
// distribution of greenness over the swatches, leaves making humps above it. It
// is 0 where less than three quarters has a hue, and where there is no hump.
func (all swatches) groundHue() float64 {
	const (
		least, step, bins = -0.8, 0.01, 200
		reach             = 8    // bins that a hump stands out from on each side
		spread            = 2.0  // smoothing, bins
		enough            = 0.25 // of the highest hump
	)
	var count, smooth [bins]float64
	green, _ := all.hues()
	for _, g := range green {
		count[int(min(max((math.Log(g)/2-least)/step, 0), bins-1))]++
	}
	if 4*len(green) < 3*len(all) { // black ground has no hue, and leaves on it have
		return 0
	}
	most := 0.0
	for i := range smooth {
		for j := max(i-reach, 0); j <= min(i+reach, bins-1); j++ {
			d := float64(i-j) / spread
			smooth[i] += count[j] * math.Exp(-d*d/2)
		}
		most = max(most, smooth[i])
	}
	for i := reach; i < bins-reach; i++ {
		if v := smooth[i]; v >= enough*most && v >= slices.Max(smooth[i-reach:i+reach+1]) {
			// The middle of the hump, finer than the bins.
			a, b, c := smooth[i-1], v, smooth[i+1]
			off := 0.0
			if d := a - 2*b + c; d < 0 {
				off = (a - c) / 2 / d
			}
			return least + step*(float64(i)+0.5+off)
		}
	}
	return 0
}

// spreads are how far greenness and ln(R/B) spread between the twentieth part of
// the ground and the last but so many; zero where too little of it has a hue.
func (all swatches) spreads() (green, warm float64) {
	g, w := all.hues()
	if 4*len(g) < len(all) {
		return 0, 0
	}
	lo, hi := len(g)/20, len(g)-1-len(g)/20
	over := func(v []float64) float64 { return math.Log(smallest(v, hi) / smallest(v, lo)) }
	return over(g) / 2, over(w)
}

// smallest is the number that k others are not above; it changes the order of
// v (quickselect: Hoare 1961, CACM 4(7), 321).
func smallest(v []float64, k int) float64 {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot, i, j := v[(lo+hi)/2], lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

const (
	// Of 203 open field photos a fiftieth of the ground is less green than
	// greenest in all but one, which is a closed canopy, and half of it greener
	// than magentaMost in all.
	greenest    = 0.08
	magentaMost = -0.04
	// Bare ground is of one hue: under a green cast its greenness differs by
	// less than oneHue between a fiftieth and a quarter of the photo, and from
	// there to a half as little, or by a leap of at least toLeaves where half of
	// the photo is leaves. Leaves of a closed canopy differ more evenly.
	oneHue, toLeaves = 0.07, 0.15
	// Where more than half of the photo is leaves the ground that shows is less
	// green than leastGround only under a magenta cast: of 24 such open field
	// photos none has less than -0.03.
	mostlyLeaves, leastGround = 0.15, -0.05
	// A few stones of another hue hide a cast from the fiftieth. Where a quarter
	// of the ground is greener than oneGreen and from there to the half the
	// greenness differs by less than oneGreenSpread, most of it is of one hue;
	// leaves differ more, and straw, which has little blue, has still more red:
	// green is the largest channel on mostlyGreen of the ground under a cast. Of the 203 photos none is so, and of the same under
	// casts of a fifth and more all that are off.
	oneGreen, oneGreenSpread, mostlyGreen = 0.09, 0.045, 0.6
	// strongest is the strongest cast that is taken out.
	strongest = 0.6
)

// castGains are the gains that take a green or magenta cast out of ground that
// has one; false where there is none, or nothing to tell it by.
func (g greennesses) castGains() (gains, bool) {
	cast := 0.0
	switch {
	case !g.ok:
	case g.fiftieth > greenest && g.quarter-g.fiftieth < oneHue && (g.half-g.quarter < oneHue || g.half-g.quarter > toLeaves):
		cast = g.fiftieth
	case g.half < magentaMost:
		cast = g.half
	case g.half > mostlyLeaves && g.fiftieth < leastGround:
		cast = g.fiftieth
	}
	if cast == 0 || math.Abs(cast) > strongest {
		return noGains, false
	}
	return gains{math.Exp(cast), math.Exp(cast)}, true
}

const (
	// Of 203 open field photos the hump of the ground lies between paleGround and
	// greenGround in 156 and between leastHue and mostHue in all but
	// three, of a closed canopy, whose lowest hump is that of leaves and lies
	// above leavesHue.
	paleGround, greenGround = -0.01, 0.08
	leastHue, mostHue       = -0.08, 0.13
	leavesHue               = 0.19
	// Where the lowest hump is that of leaves, what little lies below it is of
	// deep gaps, and the leaves above it are greener by far: of the 203 photos
	// those three alone have a fiftieth more than deepGaps below the hump and a
	// half more than greenerLeaves above it.
	deepGaps, greenerLeaves = 0.15, 0.06
	// Where some ground shows in the gaps of an even canopy, a fiftieth is more
	// than so much below the hump: of 36 drawn canopies all whose hump is no greener
	// than leavesHue.
	canopyGaps = 0.085
)

// leavesHump tells that the lowest hump of greenness, at hue, is that of leaves.
func (g greennesses) leavesHump(hue float64) bool {
	return hue-g.fiftieth > deepGaps && g.half-hue > greenerLeaves
}

// lightGains are the gains that bring ground of a hue to the nearest that ground
// has in white light, so that a cast moves what is measured by no more than
// ground itself differs. Ground that may be leaves is left to castGains;
// odd tells that it found a cast of a hue that no ground has.
func (g greennesses) lightGains(hue float64) (k gains, odd bool) {
	leaves := g.half > mostlyLeaves && g.fiftieth < leastGround
	// In an even canopy the lowest hump is that of its leaves, and what shows below
	// it is the ground in its gaps.
	gaps := hue > mostHue && g.fiftieth <= greenest && hue-g.fiftieth > canopyGaps
	if hue == 0 || hue > leavesHue || -hue > strongest || leaves || gaps || g.leavesHump(hue) {
		return g.castGains()
	}
	over := math.Exp(hue - min(max(hue, paleGround), greenGround))
	return gains{over, over}, false
}

// contrastTiles is how many tiles along each side of the ground contrast is
// taken in, so that a shadow over half of it adds little.
const contrastTiles = 8

// contrast is how unlike the swatches of a tile are in brightness: the mean over
// tiles of standard deviation over mean. 0.2 in soft light and 0.6 in full sun on
// the open field photos.
func (all swatches) contrast() float64 {
	const n, per = swatchesAcross, swatchesAcross / contrastTiles
	var sum, tiles float64
	for t := range contrastTiles * contrastTiles {
		x0, y0 := t%contrastTiles*per, t/contrastTiles*per
		var k, light, square float64
		for y := y0; y < y0+per; y++ {
			for _, s := range all[y*n+x0:][:per] {
				if s.seen {
					k, light, square = k+1, light+s.luma, square+s.luma*s.luma
				}
			}
		}
		if k < per*per/2 || light == 0 {
			continue
		}
		mean := light / k
		sum += math.Sqrt(max(square/k-mean*mean, 0)) / mean
		tiles++
	}
	if tiles == 0 {
		return 0
	}
	return sum / tiles
}

// balanced are the swatches with further gains.
func (all swatches) balanced(k gains) swatches {
	out := slices.Clone(all)
	for i := range out {
		out[i].r *= k.red
		out[i].b *= k.blue
	}
	return out
}
