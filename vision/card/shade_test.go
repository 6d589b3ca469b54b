package card

import (
	"image"
	"math/rand/v2"
	"testing"
)

// TestRowOfShade: the bits of a row, taken eight places at a time, are those of
// each place, at any width and brightness and for both sizes of tile.
func TestRowOfShade(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 64))
	dark := 0
	for _, tile := range []int{narrowTile, wideTile} {
		for w := 1; w <= 150; w += 1 + w/40 {
			const h = 20
			g := grey{w: w + 5, h: h, pix: make([]byte, (w+5)*h)}
			for i := range g.pix {
				g.pix[i] = byte(rng.IntN(256))
			}
			s := g.darkIn(image.Rect(2, 0, 2+w, h), tile)
			line := make([]uint64, w/64+1)
			for y := range h {
				s.row(y, line)
				for x := range 64 * len(line) {
					bit := line[x/64]>>(x%64)&1 == 1
					if bit != s.at(x, y) {
						t.Fatalf("tile %d, width %d, place %d, %d: bit %v, place %v", tile, w, x, y, bit, s.at(x, y))
					}
					if bit {
						dark++
					}
				}
			}
		}
	}
	if dark == 0 {
		t.Error("nothing was dark")
	}
}
