package vision

import "math"

// rangeRow holds how far hand masks lay from the measured cover in photos whose
// cover was below the row's limit (and not below an earlier row's), in units
// of rangeScale: lo below it, hi above it.
type rangeRow struct{ below, lo, hi float64 }

// rangeTable was measured on 203 open field photos with hand-made masks
// (peanut fields near Da Nang, 140; winter wheat at Eschikon, 63; one threshold
// a visit, each photo's drawn to its own, default options) by split-conformal quantiles (Vovk et al. 2005,
// Algorithmic Learning in a Random World; Lei et al. 2018, JASA 113,
// 1094-1111): in each row 5 % of the photos lie beyond either side.
// TestFieldsReport measures it again, and how often it holds in each set and
// class of cover. The range of one half of the photos held for 87 % of the other
// half's, blocks of neighbours and plots kept together; at more than 35 % cover
// it rests on few photos and is the widest error seen.
var rangeTable = []rangeRow{
	{0.05, 0.307, 1.513},
	{0.35, 0.335, 0.711},
	{2, 0.561, 0.219},
}

const (
	// rangeStep is how far to either side of the threshold the slope of the
	// cover curve is taken, as a share of the range thresholds are kept in: 0.03
	// of the default index. Where leaves stand out cover hardly changes over
	// that step; where they fade into the ground it does.
	rangeStep = 0.2143
	// rangeFloor is the share of the spread of a proportion that is added, as
	// errors do not vanish where the curve is level.
	rangeFloor = 0.06
)

// rangeScale is the unit of rangeTable for a photo at a threshold.
func rangeScale(c *Curve, threshold float64) float64 {
	s, err := c.Index.scale()
	if err != nil {
		return 1
	}
	step := rangeStep * (s.high - s.low)
	cover := c.CoverFrac(threshold)
	// Below the lowest threshold a visit can have the curve holds the noise of
	// bare ground.
	return c.CoverFrac(max(threshold-step, s.low)) - c.CoverFrac(threshold+step) + rangeFloor*math.Sqrt((cover+0.01)*(1.01-cover))
}

// coverRange is the range in which the cover by a careful hand mask lay for
// nine of ten photos with such a curve, within [0, 1].
func coverRange(c *Curve, threshold float64) (lo, hi float64) {
	cover, unit := c.CoverFrac(threshold), rangeScale(c, threshold)
	for _, row := range rangeTable {
		if cover < row.below {
			return max(cover-row.lo*unit, 0), min(cover+row.hi*unit, 1)
		}
	}
	return 0, 1
}
