package vision

// keepPlain takes faint green that leads to no plain green for ground, in the
// plane and in its curve. The rim of a leaf is faint and hangs together with
// the leaf; a stone, a crumb of moss or noise is faint all over. To let a high
// threshold say where something is and a low one how far it reaches is the
// hysteresis of Canny (1986, IEEE PAMI 8(6), 679-698); here the low one is the
// lowest threshold a visit can have, so that one look serves them all.
func (p *Plane) keepPlain(c *Curve) {
	s, err := p.Index.scale()
	if err != nil || s.plain == 0 {
		return
	}
	first, _, _ := p.Index.grid()
	plain := uint8(s.nearest(s.plain) - first + 1)
	runs := greenRuns(p.Levels, p.Width, 1)
	kept := make([]bool, connect(runs, false)+1)
	for _, r := range runs {
		for _, l := range p.row(r) {
			if l >= plain {
				kept[r.piece] = true
				break
			}
		}
	}
	var counts [256]uint64
	for i, n := range c.Counts {
		counts[i] = uint64(n)
	}
	ground, ok := groundPeak(counts[:], s)
	if !ok {
		ground = first - 1
	}
	for _, r := range runs {
		if kept[r.piece] {
			continue
		}
		row := p.row(r)
		for i, l := range row {
			c.Counts[first+int(l)-1]--
			row[i] = 0
		}
		c.Counts[min(ground, first-1)] += uint32(len(row))
	}
}

// row is the levels of a run's cells.
func (p *Plane) row(r run) []uint8 {
	at := int(r.y) * p.Width
	return p.Levels[at+int(r.from) : at+int(r.end)]
}
