package vision

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"

	"quadtally/vision/raster"
)

// PieceOptions says what counts as a piece of green and how crop is told from
// weed.
type PieceOptions struct {
	// MinAreaMM2 is the least area of a piece; smaller ones are specks. It
	// counts where the photo has a scale, MinCells where it has none: cells are
	// larger where a photo is smoothed more (see coarser), so that MinCells is a
	// rough measure.
	MinAreaMM2 float64 `json:"min_area_mm2"`
	MinCells   int     `json:"min_cells"`

	// Crop are areas of crop, in pixels of the upright full-size photo. A piece
	// of which most lies in them is crop, the others are weed; where there are
	// none, nothing is told apart.
	Crop [][]raster.Point `json:"crop,omitempty"`
}

// DefaultPieceOptions drops specks below 12 mm2, a 4 mm cotyledon, and tells
// no crop from weed.
func DefaultPieceOptions() PieceOptions {
	return PieceOptions{MinAreaMM2: 12, MinCells: 25}
}

// Validate tells what is wrong with the options.
func (o PieceOptions) Validate() error {
	switch {
	case !(o.MinAreaMM2 >= 0):
		return fmt.Errorf("smallest piece of %g mm2: give 0 or more", o.MinAreaMM2)
	case o.MinCells < 0:
		return fmt.Errorf("smallest piece of %d cells: give 0 or more", o.MinCells)
	}
	for i, c := range o.Crop {
		if len(c) < 3 {
			return fmt.Errorf("crop area %d has %d corners: give at least 3", i+1, len(c))
		}
	}
	return nil
}

// Kind is what a piece is taken for.
type Kind string

// Kinds of a piece. Green is both: nothing was stated to tell them apart.
const (
	Green Kind = "green"
	Crop  Kind = "crop"
	Weed  Kind = "weed"
)

// Piece is one connected patch of green cells. Touching plants are one piece.
type Piece struct {
	Cells   int          `json:"cells"`
	AreaMM2 float64      `json:"area_mm2"` // 0 where the photo has no scale
	Centre  raster.Point `json:"centre"`   // of mass, pixels of the upright full-size photo
	Kind    Kind         `json:"kind"`
	cropped int          // cells inside a crop mark
}

// Pieces finds the connected pieces of green at a threshold, the largest
// first. Pieces below the least area are left out; cover counts them still.
func (p *Plane) Pieces(threshold float64, opt PieceOptions) ([]Piece, error) {
	least, err := p.level(threshold)
	if err != nil {
		return nil, err
	}
	runs := greenRuns(p.Levels, p.Width, least)
	n := connect(runs)
	all := make([]Piece, n)
	sx, sy := make([]float64, n), make([]float64, n)
	for _, r := range runs {
		k, cells := r.piece-1, float64(r.end-r.from)
		all[k].Cells += int(r.end - r.from)
		sx[k] += cells * float64(r.from+r.end) / 2
		sy[k] += cells * (float64(r.y) + 0.5)
		for x := r.from; len(opt.Crop) > 0 && x < r.end; x++ {
			if opt.isCrop(p.At(float64(x)+0.5, float64(r.y)+0.5)) {
				all[k].cropped++
			}
		}
	}
	cell := p.MMPerCell * p.MMPerCell
	kept := all[:0]
	for i, q := range all {
		q.AreaMM2 = float64(q.Cells) * cell
		if p.MMPerCell > 0 && q.AreaMM2 < opt.MinAreaMM2 || p.MMPerCell == 0 && q.Cells < opt.MinCells {
			continue
		}
		q.Centre = p.At(sx[i]/float64(q.Cells), sy[i]/float64(q.Cells))
		q.Kind = opt.kind(q)
		kept = append(kept, q)
	}
	slices.SortStableFunc(kept, func(a, b Piece) int { return cmp.Compare(b.Cells, a.Cells) })
	return kept, nil
}

func (o PieceOptions) kind(q Piece) Kind {
	switch {
	case len(o.Crop) == 0:
		return Green
	case 2*q.cropped > q.Cells:
		return Crop
	}
	return Weed
}

func (o PieceOptions) isCrop(at raster.Point) bool {
	return slices.ContainsFunc(o.Crop, func(c []raster.Point) bool { return inside(c, at) })
}

// inside tells whether a point lies in a polygon, by the crossing rule.
func inside(polygon []raster.Point, at raster.Point) bool {
	in := false
	for i, a := range polygon {
		b := polygon[(i+1)%len(polygon)]
		if (a.Y > at.Y) != (b.Y > at.Y) && at.X < (b.X-a.X)*(at.Y-a.Y)/(b.Y-a.Y)+a.X {
			in = !in
		}
	}
	return in
}

// forest is a disjoint-set forest with path halving (Tarjan and van Leeuwen
// 1984, J. ACM 31(2) 245-281).
type forest []int32

func (f forest) root(i int32) int32 {
	for f[i] != i {
		f[i] = f[f[i]]
		i = f[i]
	}
	return i
}

// join makes the smaller root the common one.
func (f forest) join(a, b int32) int32 {
	a, b = f.root(a), f.root(b)
	if a > b {
		a, b = b, a
	}
	f[b] = a
	return a
}

// run is a stretch of green cells in one row, [from, end), and the piece it
// belongs to, counted from 1.
type run struct{ y, from, end, piece int32 }

// greenRuns finds the runs of cells at or above a level, in reading order.
func greenRuns(levels []uint8, w int, least uint8) []run {
	var runs []run
	for y := int32(0); len(levels) >= w; y++ {
		row := levels[:w]
		levels = levels[w:]
		for x := 0; x < w; x++ {
			for x+8 <= w && least > 0 && binary.LittleEndian.Uint64(row[x:]) == 0 {
				x += 8 // bare ground
			}
			if x == w || row[x]-least >= Outside-least { // below it, or not ground; one comparison for both
				continue
			}
			from := x
			for x < w && row[x]-least < Outside-least {
				x++
			}
			runs = append(runs, run{y: y, from: int32(from), end: int32(x)})
		}
	}
	return runs
}

// connect numbers the connected pieces of runs 1..n in reading order of their
// first cell; cells that touch by a corner are connected. Runs of neighbouring
// rows that touch are joined in one sweep, a second one numbers (the two passes of
// Rosenfeld and Pfaltz 1966, J. ACM 13(4) 471-494, on runs instead of cells).
func connect(runs []run) (n int) {
	sets := make(forest, len(runs))
	above, end := 0, 0 // runs of the row above that can still touch
	for i := range runs {
		sets[i] = int32(i)
		r := runs[i]
		if i == 0 || runs[i-1].y != r.y {
			above, end = end, i
			if i > 0 && runs[i-1].y != r.y-1 {
				above = end
			}
		}
		for above < end && runs[above].end < r.from {
			above++
		}
		for k := above; k < end && runs[k].from <= r.end; k++ {
			sets.join(int32(k), int32(i))
		}
	}
	for i := range runs {
		root := sets.root(int32(i)) // never later than its members
		if root == int32(i) {
			n++
			runs[i].piece = int32(n)
		} else {
			runs[i].piece = runs[root].piece
		}
	}
	return n
}

// floodLobes cuts pieces at their waists and renumbers the labels. Cells are
// flooded from the deepest inward, depth being the distance to the edge; where
// two lobes meet, they stay apart if the meeting place is shallower than waist
// times the depth of the shallower lobe, and become one otherwise.
func floodLobes(labels, depth []int32, w, h int, waist float64) int {
	order := deepestFirst(labels, depth)
	lobe := make([]int32, len(labels)) // 0: not flooded yet
	sets := forest{0}
	peak := []int32{0}
	around := [8]int32{int32(-w - 1), int32(-w), int32(-w + 1), -1, 1, int32(w - 1), int32(w), int32(w + 1)}
	var near [8]int32
	for _, i := range order {
		x, y := int(i)%w, int(i)/w
		n := 0
		if x > 0 && y > 0 && x < w-1 && y < h-1 {
			for _, d := range around {
				if l := lobe[i+d]; l != 0 && labels[i+d] == labels[i] {
					near[n] = l
					n++
				}
			}
		} else {
			for _, d := range [8][2]int{{-1, -1}, {0, -1}, {1, -1}, {-1, 0}, {1, 0}, {-1, 1}, {0, 1}, {1, 1}} {
				if x+d[0] < 0 || x+d[0] >= w || y+d[1] < 0 || y+d[1] >= h {
					continue
				}
				if j := int(i) + d[1]*w + d[0]; lobe[j] != 0 && labels[j] == labels[i] {
					near[n] = lobe[j]
					n++
				}
			}
		}
		var own, last int32
		for _, l := range near[:n] {
			if l == last {
				continue // as the one before
			}
			last = l
			l = sets.root(l)
			switch {
			case own == 0:
				own = l
			case own == l:
			default:
				top := max(peak[own], peak[l])
				low := min(peak[own], peak[l])
				if float64(depth[i]) >= waist*float64(low) {
					own = sets.join(own, l)
					peak[own] = top
				} else if peak[l] > peak[own] {
					own = l
				}
			}
		}
		if own == 0 {
			own = int32(len(sets))
			sets = append(sets, own)
			peak = append(peak, depth[i])
		}
		lobe[i] = own
	}
	number := make([]int32, len(sets))
	count := int32(0)
	for i := range labels {
		if labels[i] == 0 {
			continue
		}
		r := sets.root(lobe[i])
		if number[r] == 0 {
			count++
			number[r] = count
		}
		labels[i] = number[r]
	}
	return int(count)
}

// deepestFirst lists the labelled cells by falling depth, equals in reading
// order: a counting sort.
func deepestFirst(labels, depth []int32) []int32 {
	var deepest int32
	cells := 0
	for i, l := range labels {
		if l != 0 {
			cells++
			deepest = max(deepest, depth[i])
		}
	}
	from := make([]int32, deepest+2) // where cells of each depth begin, the deepest first
	for i, l := range labels {
		if l != 0 {
			from[deepest-depth[i]+1]++
		}
	}
	for d := range deepest + 1 {
		from[d+1] += from[d]
	}
	order := make([]int32, cells)
	for i, l := range labels {
		if l != 0 {
			at := &from[deepest-depth[i]]
			order[*at] = int32(i)
			*at++
		}
	}
	return order
}
