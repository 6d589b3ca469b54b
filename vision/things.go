package vision

import "math"

// Green that is no plant: tarpaulin, paint, hose, plastic. Chlorophyll absorbs
// blue as well as red, and the green of leaves is what it leaves over, so a leaf has about as much blue
// as red or less, grey-blue ones a little more. Green pigments of plastic and
// paint take away red and leave much of the blue: their blue stands well above
// their red while red is far below green. What has such a colour is measured
// as what it is, no plant. What has nearly such a colour, and wide green
// without any grain, is left as it is and flagged.

// Limits of hue, as B/R at least and R/G at most. In 200 open field photos the
// bluest pieces of leaf larger than a two-hundredth of the ground have B/R 1.6
// and R/G 0.37, not both in one.
const (
	plasticBlue, plasticRed = 1.85, 0.50 // teal to blue-green
	paintBlue, paintRed     = 1.35, 0.33 // deep green
	nearBlue, nearRed       = 1.45, 0.60 // may be either
	// No hue is trusted where green is darker than this.
	thingDarkest = 60.0
	// A thing is at least so many swatches that touch: fewer are glints and
	// noise. What may be one is flagged from so many on; of the open photos the
	// largest such piece has 152.
	leastThing, leastNear = 40, 200
	// Green is flat where brightness, noise apart, changes over eight pixels by
	// less than this share of it, and wide where it takes this share of the
	// ground. Of 200 open field photos none has such a piece; from 0.06 on some
	// do.
	flatChange = 0.035
	flatWide   = 0.03
)

// kinds of a swatch.
const (
	noThing uint8 = iota
	nearThing
	isThing
)

func (s *swatch) kind() uint8 {
	if !s.seen || s.clipped || s.g < max(1.1*s.r, thingDarkest) {
		return noThing
	}
	red, blue := s.r/s.g, s.b/math.Max(s.r, 1)
	switch {
	case blue >= plasticBlue && red <= plasticRed, blue >= paintBlue && red <= paintRed:
		return isThing
	case blue >= nearBlue && red <= nearRed:
		return nearThing
	}
	return noThing
}

// things marks the swatches that are green and no plant, and their rims, in
// which they mix with what lies beside; nearly is the share of the ground that
// may be so, flat the share that is green without grain, in one piece.
func (all swatches) things() (marked []bool, share, nearly, flat float64) {
	const n = swatchesAcross
	kinds := make([]uint8, len(all))
	smooth := make([]bool, len(all))
	for i := range all {
		kinds[i] = all[i].kind()
		smooth[i] = kinds[i] == noThing && all[i].green() && all.flatAround(i)
	}
	total := float64(len(all))
	marked = make([]bool, len(all))
	for _, piece := range touching(n, func(i int) bool { return kinds[i] == isThing }) {
		if len(piece) < leastThing {
			continue
		}
		share += float64(len(piece)) / total
		for _, at := range piece {
			x, y := at%n, at/n
			for v := max(y-1, 0); v <= min(y+1, n-1); v++ {
				for u := max(x-1, 0); u <= min(x+1, n-1); u++ {
					marked[v*n+u] = true
				}
			}
		}
	}
	for _, piece := range touching(n, func(i int) bool { return kinds[i] == nearThing && !marked[i] }) {
		if len(piece) >= leastNear {
			nearly += float64(len(piece)) / total
		}
	}
	for _, piece := range touching(n, func(i int) bool { return smooth[i] }) {
		if v := float64(len(piece)) / total; v >= flatWide {
			flat += v
		}
	}
	if share == 0 {
		marked = nil
	}
	return marked, share, nearly, flat
}

// green by a plain look, as leaves and things are.
func (s *swatch) green() bool { return s.seen && !s.clipped && s.g > 1.1*max(s.r, s.b) }

// flatAround tells whether a swatch and those around it are green and their
// brightness together changes next to nothing.
func (all swatches) flatAround(at int) bool {
	const n = swatchesAcross
	x, y := at%n, at/n
	var rise, luma, k float64
	for v := max(y-1, 0); v <= min(y+1, n-1); v++ {
		for u := max(x-1, 0); u <= min(x+1, n-1); u++ {
			s := &all[v*n+u]
			if !s.green() {
				continue
			}
			rise += s.rise
			luma += s.luma
			k++
		}
	}
	limit := flatChange * luma / k
	return k >= 6 && rise/k < limit*limit
}

// touching lists the 4-connected pieces of a square of n x n places.
func touching(n int, in func(i int) bool) (pieces [][]int) {
	left := make([]bool, n*n)
	for i := range left {
		left[i] = in(i)
	}
	for start := range left {
		if !left[start] {
			continue
		}
		left[start] = false
		piece := []int{start}
		for k := 0; k < len(piece); k++ {
			x, y := piece[k]%n, piece[k]/n
			for _, to := range [4][2]int{{x - 1, y}, {x + 1, y}, {x, y - 1}, {x, y + 1}} {
				if to[0] < 0 || to[1] < 0 || to[0] >= n || to[1] >= n {
					continue
				}
				if at := to[1]*n + to[0]; left[at] {
					left[at] = false
					piece = append(piece, at)
				}
			}
		}
		pieces = append(pieces, piece)
	}
	return pieces
}
