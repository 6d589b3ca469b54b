package vision

import "math"

// Cover is seen a second way: each swatch is held against its own brightness
// instead of that of its surroundings, so that leaves in the shadows
// of branches, which the index sees as faintly green, stand as far from the
// ground as lit ones. It is coarse and blind where ground and leaves are not of
// two clear kinds, so it measures nothing; where it is clear and far from the
// measured cover, one of the two is wrong.

const (
	// The scale of excess green over a swatch's own brightness.
	ownLo, ownStep = -0.4, 0.005
	ownBins        = 240
	// The two kinds are clear where the split between them explains this share
	// of the variance (Otsu 1979) and they lie this many of their standard
	// deviations apart, and where the upper one is green and the lower is not.
	clearShare, clearApart = 0.68, 1.5
	leastOwn, mostOwn      = 0.06, 0.12
	// of the ground at least must have a known hue
	leastHued = 0.3
)

// ownGreenness is excess green over the swatch's own brightness.
func (s *swatch) ownGreenness() float64 {
	luma := math.Max(0.299*s.r+0.587*s.g+0.114*s.b, 10)
	return (softRed*(s.g-s.r) + softBlue*(s.g-s.b)) / (softRed + softBlue) / luma
}

// standsOut is the share of the ground that stands out as green, of what has a
// known hue; false where ground and leaves are not of two clear kinds. Swatches
// that are marked as no plant have no say; nil for none.
func (all swatches) standsOut(marked []bool) (share float64, clear bool) {
	h := make([]uint64, ownBins)
	hued, total := 0, 0
	for i := range all {
		s := &all[i]
		if marked != nil && marked[i] {
			continue
		}
		total++
		if !s.seen || s.clipped {
			continue
		}
		h[int(min(max((s.ownGreenness()-ownLo)/ownStep, 0), ownBins-1))]++
		hued++
	}
	if float64(hued) < leastHued*float64(total) {
		return 0, false
	}
	at, ok := split(h)
	if !ok {
		return 0, false
	}
	// Share, mean and standard deviation of what lies in some bins.
	kind := func(from, end int) (share, mean, sd float64) {
		var n, sum, square float64
		for i, v := range h[from:end] {
			x := ownLo + ownStep*(float64(from+i)+0.5)
			n += float64(v)
			sum += x * float64(v)
			square += x * x * float64(v)
		}
		mean = sum / n // split leaves no side empty
		return n / float64(hued), mean, math.Sqrt(max(square/n-mean*mean, 0))
	}
	_, _, spread := kind(0, ownBins)
	bare, low, lowSD := kind(0, at)
	green, high, highSD := kind(at, ownBins)
	apart := high - low
	clear = bare*green*apart*apart > clearShare*spread*spread && apart > clearApart*(lowSD+highSD) && high > leastOwn && low < mostOwn
	return green, clear
}
