package vision

import "math"

// coverRange is a provisional band until rangeTable holds measured constants.
func coverRange(cover float64) (lo, hi float64) {
	d := 0.03 + 0.1*math.Sqrt(cover*(1-cover))
	return max(cover-d, 0), min(cover+d, 1)
}
