package vision

import "math"

// rangeRow holds how far hand masks lay from the measured cover in photos whose
// cover was below the row's limit (and not below an earlier row's), in units
// of coverScale: lo below it, hi above it.
type rangeRow struct{ below, lo, hi float64 }

// rangeTable was measured on 203 open field photos with hand-made masks
// (peanut fields near Da Nang, 140; winter wheat at Eschikon, 63; one threshold
// a visit, default options) by split-conformal quantiles (Vovk et al. 2005,
// Algorithmic Learning in a Random World; Lei et al. 2018, JASA 113,
// 1094-1111): in each row 5 % of the photos lie beyond either side.
// TestFieldsReport measures it again. The range of one half of the photos held
// for 87 % of the other half's, blocks of neighbours and plots kept together;
// at more than 35 % cover it rests on few photos and is the widest error seen.
// Flagged photos get the same range: it held for 30 of 32 of them, mostly of
// strong shadow; few were clipped and none blurred, so nothing is known of
// those.
var rangeTable = []rangeRow{
	{0.05, 0.043, 0.240},
	{0.35, 0.048, 0.153},
	{2, 0.272, 0.020},
}

// coverScale is the unit of rangeTable: errors are largest at middle cover and
// do not vanish at none or all.
func coverScale(cover float64) float64 {
	return math.Sqrt((cover + 0.01) * (1.01 - cover))
}

// coverRange is the range in which the cover by a careful hand mask lay for
// nine of ten photos with this measured cover, within [0, 1].
func coverRange(cover float64) (lo, hi float64) {
	for _, row := range rangeTable {
		if cover < row.below {
			s := coverScale(cover)
			return max(cover-row.lo*s, 0), min(cover+row.hi*s, 1)
		}
	}
	return 0, 1
}
