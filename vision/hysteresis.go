package vision

import "math"

// dropUnconnected takes faint green for ground that does not lead within reach cells
// to certain green, in the plane and in its curve. The rim of a leaf is faint and
// lies along the leaf; a stone, a crumb of moss or noise is faint all over, and
// a film of algae goes on where the leaf that stands in it ends. move is by how
// many codes the photo's own leaves have moved its index (see leafMove), which
// certain green follows half-way. To let a high threshold say where something is
// and a low one how far it reaches is the hysteresis of Canny (1986, IEEE PAMI
// 8(6), 679-698); here the low one is the lowest threshold a visit can have, so
// that one look serves them all. near is scratch, one for each cell.
func (p *Plane) dropUnconnected(c *Curve, move, reach int, near []bool) {
	s, err := p.Index.scale()
	if err != nil || s.certain == 0 {
		return
	}
	first, last, _ := p.Index.grid()
	certain := uint8(min(max(s.nearest(s.certain)+move/2, first), last) - first + 1)
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
	for i, l := range p.Levels {
		if l == 0 || l >= certain || near[i] {
			continue
		}
		c.Counts[first+int(l)-1]--
		c.Counts[ground]++
		p.Levels[i] = 0
	}
}

// markNear marks the faint cells that are green all the way to certain green at
// most reach cells off.
func (p *Plane) markNear(certain uint8, reach int, near []bool) {
	clear(near)
	// One cell on, to all eight sides; where is asked of each.
	around := func(at int, where func(k int) bool) bool {
		x, y := at%p.Width, at/p.Width
		for v := max(y-1, 0); v <= min(y+1, p.Height-1); v++ {
			for k := v*p.Width + max(x-1, 0); k <= v*p.Width+min(x+1, p.Width-1); k++ {
				if where(k) {
					return true
				}
			}
		}
		return false
	}
	var front, next []int32
	for i, l := range p.Levels {
		if l > 0 && l < certain && around(i, func(k int) bool { return p.Levels[k] >= certain && p.Levels[k] != Outside }) {
			front = append(front, int32(i))
		}
	}
	for _, at := range front {
		near[at] = true
	}
	for range reach - 1 {
		next = next[:0]
		for _, at := range front {
			around(int(at), func(k int) bool {
				if l := p.Levels[k]; l > 0 && l < certain && !near[k] {
					near[k] = true
					next = append(next, int32(k))
				}
				return false
			})
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
