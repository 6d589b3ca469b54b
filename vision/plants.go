package vision

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"quadtally/vision/raster"
)

// PieceOptions says what counts as a piece of green and how crop is told from
// weed.
type PieceOptions struct {
	// MinAreaMM2 is the least area of a piece; smaller ones are specks. It
	// counts where the photo has a scale, MinCells where it has none.
	MinAreaMM2 float64 `json:"min_area_mm2"`
	MinCells   int     `json:"min_cells"`
	// FourNeighbours joins cells by their sides only; the default joins them
	// by corners too.
	FourNeighbours bool `json:"four_neighbours"`
	// Split cuts a piece at its waists: where the outline narrows to less
	// than SplitWaist of the widest of the smaller lobe.
	Split      bool    `json:"split"`
	SplitWaist float64 `json:"split_waist"`

	// Rows and Crop mark the crop, in pixels of the upright full-size photo.
	// A piece of which most lies in a row band or crop area is crop, the
	// others are weed.
	Rows []Row            `json:"rows,omitempty"`
	Crop [][]raster.Point `json:"crop,omitempty"`
	// MaxWeedMM2 is a stated size rule: a piece above it is crop. 0 is off.
	MaxWeedMM2 float64 `json:"max_weed_mm2"`
}

// Row is a crop row: a band along a line.
type Row struct {
	From        raster.Point `json:"from"`
	To          raster.Point `json:"to"`
	HalfWidthPx float64      `json:"half_width_px"`
}

// DefaultPieceOptions drops specks below 12 mm2, a 4 mm cotyledon, and tells
// no crop from weed.
func DefaultPieceOptions() PieceOptions {
	return PieceOptions{MinAreaMM2: 12, MinCells: 25, SplitWaist: 0.6}
}

// Validate tells what is wrong with the options.
func (o PieceOptions) Validate() error {
	switch {
	case !(o.MinAreaMM2 >= 0):
		return fmt.Errorf("smallest piece of %g mm2: give 0 or more", o.MinAreaMM2)
	case o.MinCells < 0:
		return fmt.Errorf("smallest piece of %d cells: give 0 or more", o.MinCells)
	case !(o.SplitWaist >= 0 && o.SplitWaist <= 1):
		return fmt.Errorf("split at a waist of %g: give 0 to 1", o.SplitWaist)
	case !(o.MaxWeedMM2 >= 0):
		return fmt.Errorf("largest weed of %g mm2: give 0 or more, 0 meaning no size rule", o.MaxWeedMM2)
	}
	for i, r := range o.Rows {
		if !(r.HalfWidthPx > 0) || r.From == r.To {
			return fmt.Errorf("crop row %d needs two different ends and a width", i+1)
		}
	}
	for i, c := range o.Crop {
		if len(c) < 3 {
			return fmt.Errorf("crop area %d has %d corners: give at least 3", i+1, len(c))
		}
	}
	return nil
}

// separates tells whether anything marks crop apart from weed.
func (o PieceOptions) separates() bool {
	return len(o.Rows) > 0 || len(o.Crop) > 0 || o.MaxWeedMM2 > 0
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
	mask, err := p.Mask(threshold)
	if err != nil {
		return nil, err
	}
	labels, n := connected(mask, p.Width, p.Height, opt.FourNeighbours)
	if opt.Split {
		n = splitLobes(labels, n, p.Width, p.Height, opt.SplitWaist)
	}
	all := make([]Piece, n)
	sx, sy := make([]float64, n), make([]float64, n)
	marked := len(opt.Rows) > 0 || len(opt.Crop) > 0
	for y := range p.Height {
		for x := range p.Width {
			l := labels[y*p.Width+x]
			if l == 0 {
				continue
			}
			all[l-1].Cells++
			sx[l-1] += float64(x) + 0.5
			sy[l-1] += float64(y) + 0.5
			if marked && opt.isCrop(p.At(float64(x)+0.5, float64(y)+0.5)) {
				all[l-1].cropped++
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
	case !o.separates():
		return Green
	case 2*q.cropped > q.Cells, o.MaxWeedMM2 > 0 && q.AreaMM2 > o.MaxWeedMM2:
		return Crop
	}
	return Weed
}

func (o PieceOptions) isCrop(at raster.Point) bool {
	for _, r := range o.Rows {
		dx, dy := r.To.X-r.From.X, r.To.Y-r.From.Y
		if math.Abs(dx*(at.Y-r.From.Y)-dy*(at.X-r.From.X)) <= r.HalfWidthPx*math.Hypot(dx, dy) {
			return true
		}
	}
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

// connected numbers the connected pieces of a mask 1..n in reading order of their
// first cell; 0 is no piece. One sweep joins each cell to the neighbours
// already seen, a second one renumbers (Rosenfeld and Pfaltz 1966, J. ACM
// 13(4) 471-494).
func connected(mask []bool, w, h int, four bool) (labels []int32, n int) {
	labels = make([]int32, w*h)
	sets := forest{0}
	for y := range h {
		for x := range w {
			i := y*w + x
			if !mask[i] {
				continue
			}
			var l int32
			see := func(k int32) {
				switch {
				case k == 0 || k == l:
				case l == 0:
					l = k
				default:
					l = sets.join(l, k)
				}
			}
			if x > 0 {
				see(labels[i-1])
			}
			if y > 0 {
				see(labels[i-w])
				if !four && x > 0 {
					see(labels[i-w-1])
				}
				if !four && x+1 < w {
					see(labels[i-w+1])
				}
			}
			if l == 0 {
				l = int32(len(sets))
				sets = append(sets, l)
			}
			labels[i] = l
		}
	}
	number := make([]int32, len(sets))
	for i := int32(1); int(i) < len(sets); i++ {
		if r := sets.root(i); r == i {
			n++
			number[i] = int32(n)
		} else {
			number[i] = number[r] // a root is smaller than its members
		}
	}
	for i, l := range labels {
		labels[i] = number[l]
	}
	return labels, n
}

// splitLobes cuts pieces at their waists and renumbers the labels. Cells are
// flooded from the deepest inward, depth being the distance to the edge; where
// two lobes meet, they stay apart if the meeting place is shallower than waist
// times the depth of the shallower lobe, and become one otherwise.
func splitLobes(labels []int32, n, w, h int, waist float64) int {
	depth := chamfer(labels, w, h)
	order := make([]int32, 0, len(labels)/4)
	for i, l := range labels {
		if l != 0 {
			order = append(order, int32(i))
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(depth[b], depth[a]) })
	lobe := make([]int32, len(labels)) // 0: not flooded yet
	sets := forest{0}
	peak := []int32{0}
	for _, i := range order {
		x, y := int(i)%w, int(i)/w
		var own int32
		for dy := -1; dy <= 1; dy++ {
			for dx := -1; dx <= 1; dx++ {
				if x+dx < 0 || x+dx >= w || y+dy < 0 || y+dy >= h {
					continue
				}
				j := int(i) + dy*w + dx
				if lobe[j] == 0 || labels[j] != labels[i] {
					continue
				}
				l := sets.root(lobe[j])
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

// chamfer is the distance of each labelled cell to the edge of its piece in
// thirds of a cell, by the 3-4 chamfer (Borgefors 1986, Comput. Vis. Graph.
// Image Process. 34, 344-371).
func chamfer(labels []int32, w, h int) []int32 {
	d := make([]int32, len(labels))
	at := func(x, y int, l int32) int32 {
		if x < 0 || x >= w || y < 0 || y >= h || labels[y*w+x] != l {
			return 0
		}
		return d[y*w+x]
	}
	for y := range h {
		for x := range w {
			if l := labels[y*w+x]; l != 0 {
				d[y*w+x] = min(at(x-1, y, l)+3, at(x, y-1, l)+3, at(x-1, y-1, l)+4, at(x+1, y-1, l)+4)
			}
		}
	}
	for y := h - 1; y >= 0; y-- {
		for x := w - 1; x >= 0; x-- {
			if l := labels[y*w+x]; l != 0 {
				i := y*w + x
				d[i] = min(d[i], at(x+1, y, l)+3, at(x, y+1, l)+3, at(x+1, y+1, l)+4, at(x-1, y+1, l)+4)
			}
		}
	}
	return d
}
