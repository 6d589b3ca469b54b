package vision

import "math"

// Moss, algae, sheets and boots lie on the ground as one green body; leaves
// have edges, shadows beside them and ribs. Of wide green, squares of three by
// three swatches all green, brightness is looked at: how much it rises over
// eight pixels, noise apart, as a share of itself. In a stand of leaves it rises
// much somewhere; in a mat it nowhere does.

const (
	matGreen   = 1.03 // green over red at least: films are paler than leaves
	matBlue    = 0.95 // green over blue at least
	matTiles   = 8    // tiles along each side of the ground
	matInTile  = 36   // swatches of wide green in a tile that is judged, of 144
	matRise    = 0.14 // rise below which a tile's green is a mat
	risesMuch  = 0.9  // share of wide green that rises less than what is looked at
	matAround  = 8    // green swatches of nine at least
	perMatTile = swatchesAcross / matTiles
)

// greenFrac is the share of the ground whose green is the largest channel.
func (all swatches) greenFrac() float64 {
	n := 0
	for _, s := range all {
		if s.seen && s.g > max(s.r, s.b) {
			n++
		}
	}
	return float64(n) / float64(len(all))
}

// mats tells the share of the ground that lies in tiles whose green is a mat,
// and the rise of all wide green; the latter is 0 where there is less of it than
// leastWide.
func (all swatches) mats() (frac, rise float64) {
	const n = swatchesAcross
	var isGreen [n * n]bool
	for i := range all {
		s := &all[i]
		isGreen[i] = s.seen && !s.clipped && s.g > matGreen*s.r && s.g > matBlue*s.b
	}
	var tiles [matTiles * matTiles][]float64
	var wide []float64
	for i := range all {
		if !isGreen[i] {
			continue
		}
		x, y := i%n, i/n
		var sum, luma, k float64
		for v := max(y-1, 0); v <= min(y+1, n-1); v++ {
			for u := max(x-1, 0); u <= min(x+1, n-1); u++ {
				if isGreen[v*n+u] {
					s := &all[v*n+u]
					sum, luma, k = sum+s.rise, luma+s.luma, k+1
				}
			}
		}
		if k < matAround {
			continue
		}
		r := math.Sqrt(max(sum/k, 0)) / (luma / k)
		at := y/perMatTile*matTiles + x/perMatTile
		tiles[at] = append(tiles[at], r)
		wide = append(wide, r)
	}
	much := func(v []float64) float64 { return smallest(v, int(risesMuch*float64(len(v)-1))) }
	for _, t := range tiles {
		if len(t) >= matInTile && much(t) < matRise {
			frac += float64(len(t)) / float64(len(all))
		}
	}
	if float64(len(wide)) >= leastWide*float64(len(all)) {
		rise = max(much(wide), 1e-3)
	}
	return frac, rise
}
