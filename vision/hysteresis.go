package vision

import (
	"math"
	"math/bits"

	"quadtally/vision/raster"
)

// dropUnconnected takes faint green for ground that does not lead within reach cells
// to certain green, in the plane and in its curve. The rim of a leaf is faint and
// lies along the leaf; a stone, a crumb of moss or noise is faint all over, and
// a film of algae goes on where the leaf that stands in it ends. move is by how
// many codes certain green lies higher than usual (see toGround). To let a high
// threshold say where something is and a low one how far it reaches is the
// hysteresis of Canny (1986, IEEE PAMI 8(6), 679-698); here the low one is the
// lowest threshold a visit can have, so that one look serves them all. sets is
// memory to work in.
//
// It returns the share of the cells that were taken for ground though they are
// as green as notFaint.
func (p *Plane) dropUnconnected(c *Curve, move, reach int, sets *[3][]uint64) (takenFrac float64) {
	s, err := p.Index.scale()
	if err != nil || s.certain == 0 {
		return 0
	}
	first, last, _ := p.Index.grid()
	certain := min(max(s.nearest(s.certain)+move, first), last) - first + 1
	alone, perRow := p.faintAlone(certain, reach, sets)
	var counts [256]uint64
	for i, n := range c.Counts {
		counts[i] = uint64(n)
	}
	ground, ok := groundPeak(counts[:], s, s.noise)
	if !ok {
		ground = first - 1
	}
	ground = min(ground, first-1)
	var dropped [256]uint32 // by level
	for i, word := range alone {
		row := p.Levels[i/perRow*p.Width:][:p.Width]
		for ; word != 0; word &= word - 1 {
			l := &row[i%perRow*64+bits.TrailingZeros64(word)]
			dropped[*l]++
			*l = 0
		}
	}
	taken, from := uint32(0), max(s.nearest(notFaint)-first+1, 1)
	for l, n := range dropped {
		if n == 0 {
			continue
		}
		c.Counts[first+l-1] -= n
		c.Counts[ground] += n
		if l >= from {
			taken += n
		}
	}
	return float64(taken) / float64(len(p.Levels))
}

// notFaint is an index value that bare ground seldom reaches.
const notFaint = 0.10

// cellSet is a set of the cells of a plane, a bit each, row by row. A row takes
// whole words and has at least one bit to spare, so that a step to the side
// never leads into another row.
type cellSet []uint64

// around fills out with the cells of s and their neighbours in the same row.
func (s cellSet) around(out cellSet) {
	before, here := uint64(0), s[0]
	for i := range s {
		after := uint64(0)
		if i+1 < len(s) {
			after = s[i+1]
		}
		out[i] = here | here<<1 | before>>63 | here>>1 | after<<63
		before, here = here, after
	}
}

// faintAlone is the set of faint cells, green below the level certain, that
// are not green all the way to certain green at most reach cells off, to all
// eight sides; perRow is its words in a row. The set lasts as long as sets does.
func (p *Plane) faintAlone(certain, reach int, sets *[3][]uint64) (alone cellSet, perRow int) {
	perRow = p.Width/64 + 1
	n := perRow * p.Height
	// What has been reached, and it with its neighbours in the row, have an empty
	// row above and below.
	faint, reached := raster.Sized(&sets[0], n), raster.Sized(&sets[1], n)
	wide := raster.Sized(&sets[2], n+2*perRow)
	clear(wide[:perRow])
	clear(wide[n+perRow:])
	for y := range p.Height {
		row := p.Levels[y*p.Width:][:p.Width]
		for k := range perRow {
			part := row[min(64*k, len(row)):min(64*k+64, len(row))]
			green, sure := atLeast(part, 1, certain)
			faint[y*perRow+k], reached[y*perRow+k] = green&^sure, sure
		}
	}
	for range reach {
		cellSet(reached).around(wide[perRow:][:n])
		above, here, below := wide[:n], wide[perRow:][:n], wide[2*perRow:][:n]
		changed := uint64(0)
		for i, f := range faint {
			next := (above[i] | here[i] | below[i]) & f
			changed |= next ^ reached[i]
			reached[i] = next
		}
		if changed == 0 {
			break
		}
	}
	for i := range faint {
		faint[i] &^= reached[i]
	}
	return faint, perRow
}

// atLeast compares up to 64 levels with two limits from 1 to 128, eight at a
// time; bit i of an answer stands for part[i]. Ground that is not measured is
// at neither.
func atLeast(part []uint8, low, high int) (atLow, atHigh uint64) {
	const ones, top = 0x0101010101010101, 0x8080808080808080
	toLow, toHigh := uint64(128-low)*ones, uint64(128-high)*ones
	// A level is under 128, so that adding to it what its limit lacks of that
	// sets its top bit where it is at the limit.
	for at := 0; at < len(part); at += 8 {
		eight := raster.Eight(part[at:], 0)
		levels, outside := eight&^top, eight&top
		atLow |= raster.TopBits((levels+toLow)&^outside) << at
		atHigh |= raster.TopBits((levels+toHigh)&^outside) << at
	}
	return atLow, atHigh
}

const (
	// reachMM is how far faint green may reach from certain green, in
	// millimetres of the ground; reachShare the same where the photo has no
	// scale, as a share of the ground's side. On the open wheat photos half as
	// much costs 0.5 points of error, and twice as much brings nothing but
	// false cover on bare ground.
	reachMM    = 3.0
	reachShare = 0.034
)

// reach is how many cells faint green may reach from certain green.
func (p *Plane) reach() int {
	if p.MMPerCell > 0 {
		return max(int(math.Round(reachMM/p.MMPerCell)), 2)
	}
	return max(int(math.Round(reachShare*math.Sqrt(float64(p.Width*p.Height)))), 2)
}
