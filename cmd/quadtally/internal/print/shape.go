package print

import "codeberg.org/go-pdf/fpdf"

// shape fills the cells of a grid that are in, as one path: neighbours share
// no edge that a renderer could leave a hairline along. The upper-left corner
// of the grid is at x, y, its cells are cell wide and high.
func (s *sheet) shape(x, y, cell float64, columns, rows int, in func(column, row int) bool, grey int) {
	s.SetFillColor(grey, grey, grey)
	for _, ring := range outlines(columns, rows, in) {
		at := func(p [2]int) fpdf.PointType {
			return fpdf.PointType{X: x + float64(p[0])*cell, Y: y + float64(p[1])*cell}
		}
		s.MoveTo(at(ring[0]).X, at(ring[0]).Y)
		for _, p := range ring[1:] {
			s.LineTo(at(p).X, at(p).Y)
		}
		s.ClosePath()
	}
	s.DrawPath("f*")
}

// outlines are the rings round the cells that are in, each from corner to
// corner, in grid points. A point lies within where an odd number of rings
// goes round it.
func outlines(columns, rows int, in func(column, row int) bool) (rings [][][2]int) {
	has := func(c, r int) bool { return c >= 0 && c < columns && r >= 0 && r < rows && in(c, r) }
	// Edges go with a cell that is in on their right; each starts at a grid
	// point and takes one step right, down, left or up.
	steps := [4][2]int{{1, 0}, {0, 1}, {-1, 0}, {0, -1}}
	edge := map[[3]int]bool{}
	for r := range rows {
		for c := range columns {
			if !has(c, r) {
				continue
			}
			for _, e := range []struct {
				free    bool
				x, y, d int
			}{{!has(c, r-1), c, r, 0}, {!has(c+1, r), c + 1, r, 1}, {!has(c, r+1), c + 1, r + 1, 2}, {!has(c-1, r), c, r + 1, 3}} {
				if e.free {
					edge[[3]int{e.x, e.y, e.d}] = true
				}
			}
		}
	}
	for r := range rows + 1 {
		for c := range columns {
			start := [3]int{c, r, 0}
			if !edge[start] {
				continue
			}
			var ring [][2]int
			for at := start; ; {
				x, y := at[0]+steps[at[2]][0], at[1]+steps[at[2]][1]
				next := at
				for _, turn := range []int{1, 0, 3} { // right first keeps cells apart that touch at a corner
					if next = [3]int{x, y, (at[2] + turn) % 4}; edge[next] {
						break
					}
				}
				if next[2] != at[2] {
					ring = append(ring, [2]int{x, y})
				}
				delete(edge, next)
				if at = next; at == start {
					break
				}
			}
			rings = append(rings, ring)
		}
	}
	return rings
}
