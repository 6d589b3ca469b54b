package vision

import "math"

// dropUnconnected takes faint green for ground that does not lead within reach cells
// to certain green, in the plane and in its curve. The rim of a leaf is faint and
// lies along the leaf; a stone, a crumb of moss or noise is faint all over, and
// a film of algae goes on where the leaf that stands in it ends. move is by how
// many codes certain green lies higher than usual (see toGround). To let a high threshold say where something is
// and a low one how far it reaches is the hysteresis of Canny (1986, IEEE PAMI
// 8(6), 679-698); here the low one is the lowest threshold a visit can have, so
// that one look serves them all. near is scratch, one for each cell.
//
// It returns the share of the cells that were taken for ground though they are
// as green as notFaint.
func (p *Plane) dropUnconnected(c *Curve, move, reach int, near []bool) (takenFrac float64) {
	s, err := p.Index.scale()
	if err != nil || s.certain == 0 {
		return 0
	}
	first, last, _ := p.Index.grid()
	certain := uint8(min(max(s.nearest(s.certain)+move, first), last) - first + 1)
	p.markNear(certain, reach, near)
	var counts [256]uint64
	for i, n := range c.Counts {
		counts[i] = uint64(n)
	}
	ground, ok := groundPeak(counts[:], s, s.noise)
	if !ok {
		ground = first - 1
	}
	ground = min(ground, first-1)
	taken, from := 0, uint8(max(s.nearest(notFaint)-first+1, 1))
	for i, l := range p.Levels {
		if l == 0 || l >= certain || near[i] {
			continue
		}
		if l >= from {
			taken++
		}
		c.Counts[first+int(l)-1]--
		c.Counts[ground]++
		p.Levels[i] = 0
	}
	return float64(taken) / float64(len(p.Levels))
}

// notFaint is an index value that bare ground seldom reaches.
const notFaint = 0.10

// markNear marks the faint cells that are green all the way to certain green at
// most reach cells off.
func (p *Plane) markNear(certain uint8, reach int, near []bool) {
	clear(near)
	w, h, levels := p.Width, p.Height, p.Levels
	isCertain := func(row []uint8) bool {
		for _, l := range row {
			if l >= certain && l != Outside {
				return true
			}
		}
		return false
	}
	var front, next []int32
	for y := range h {
		for x, l := range levels[y*w:][:w] {
			if l == 0 || l >= certain {
				continue
			}
			from, n := max(x-1, 0), min(x+2, w)-max(x-1, 0)
			for v := max(y-1, 0); v <= min(y+1, h-1); v++ {
				if isCertain(levels[v*w+from:][:n]) {
					front = append(front, int32(y*w+x))
					break
				}
			}
		}
	}
	for _, at := range front {
		near[at] = true
	}
	for range reach - 1 { // one cell on, to all eight sides
		next = next[:0]
		for _, at := range front {
			x, y := int(at)%w, int(at)/w
			for v := max(y-1, 0); v <= min(y+1, h-1); v++ {
				for k := v*w + max(x-1, 0); k <= v*w+min(x+1, w-1); k++ {
					if l := levels[k]; l > 0 && l < certain && !near[k] {
						near[k] = true
						next = append(next, int32(k))
					}
				}
			}
		}
		front, next = next, front
	}
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
