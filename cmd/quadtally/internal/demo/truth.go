package demo

import (
	"cmp"
	"math"
	"slices"
)

// Truth is what a photo shows, measured on the ground and never on pixels.
//
// Cover is the share of the ground inside the frame's inner edges which plants
// hide when looked at straight from above: leaves that lean in from outside
// count, plants are hidden by nothing but other plants. It is sampled on a
// half-millimetre raster of the leaf outlines. A plant counts where it is
// rooted, so cover and counts need not agree.
//
// What the lens can show differs a little from that: leaves and the pipe stand
// above the ground, and near things look larger. The Seen values take that into
// account, so that a test can tell the limits of geometry from errors of
// measurement.
type Truth struct {
	CoverFrac float64 `json:"cover_frac"` // all plants
	GreenFrac float64 `json:"green_frac"` // all plants but red ones
	WeedFrac  float64 `json:"weed_frac"`  // broadleaf, red and grass weeds
	// ByClass is cover by the plant that lies on top; its sum is CoverFrac.
	ByClass map[Class]float64 `json:"by_class"`
	// SeenCoverFrac and SeenGreenFrac are shares of the ground-plane area
	// between the inner edges as the lens sees them.
	SeenCoverFrac float64 `json:"seen_cover_frac"`
	SeenGreenFrac float64 `json:"seen_green_frac"`
	// Rooted is the number of plants by class rooted inside the frame.
	Rooted map[Class]int `json:"rooted"`
	// Corners are the frame's inner corners dropped to the ground, in pixels
	// of the upright photo, in the frame's own order: top left, top right,
	// bottom right, bottom left. SeenCorners are those of the visible inner
	// edge of the pipe. Pixel (i, j) has its centre at (i+0.5, j+0.5).
	Corners     [4]Pt `json:"corners"`
	SeenCorners [4]Pt `json:"seen_corners"`
	// Card holds the plot card's corners, from its top left clockwise as its
	// text reads; nil without a card.
	Card []Pt `json:"card,omitempty"`
	// Marks holds, by frame corner, the corners of the black squares.
	Marks [][4]Pt `json:"marks,omitempty"`
	// MMPerPX is the ground's scale at the picture's centre.
	MMPerPX float64 `json:"mm_per_px"`
}

const truthCellMM = 0.5

// truth measures photo p. blades are its plants' leaves, lowest first.
func (p *PhotoPlan) truth(blades []blade) Truth {
	cam := newCamera(p.View, p.Width, p.Height)
	half := p.Frame.InnerMM / 2
	t := Truth{ByClass: map[Class]float64{}, Rooted: map[Class]int{}}
	share := cover(blades, -half, -half, half, half)
	for c := Broadleaf; c < classes; c++ {
		t.ByClass[c] = share[c]
		t.CoverFrac += share[c]
	}
	t.GreenFrac = t.CoverFrac - share[Red]
	t.WeedFrac = share[Broadleaf] + share[Red] + share[Grass]

	x0, y0, x1, y1 := p.Frame.seenEdges(cam.centre, p.Flat)
	seen := make([]blade, len(blades))
	for i, b := range blades {
		seen[i] = b.asSeen(&cam)
	}
	share = cover(seen, x0, y0, x1, y1)
	for c := Broadleaf; c < classes; c++ {
		t.SeenCoverFrac += share[c]
	}
	t.SeenGreenFrac = t.SeenCoverFrac - share[Red]

	for _, pl := range p.Plants {
		if pl.Inside {
			t.Rooted[pl.Class]++
		}
	}
	for i, s := range corners {
		t.Corners[i] = cam.project(vec{s[0] * half, s[1] * half, 0})
	}
	t.SeenCorners = [4]Pt{
		cam.project(vec{x0, y0, 0}), cam.project(vec{x1, y0, 0}),
		cam.project(vec{x1, y1, 0}), cam.project(vec{x0, y1, 0}),
	}
	if !p.NoCard {
		card := p.card()
		for _, c := range card.corners() {
			t.Card = append(t.Card, cam.project(c))
		}
	}
	for _, d := range p.marks() {
		d.w, d.h = p.Marks.SizeMM, p.Marks.SizeMM
		var q [4]Pt
		for k, c := range d.corners() {
			q[k] = cam.project(c)
		}
		t.Marks = append(t.Marks, q)
	}
	ax, ay := cam.ground(cam.u0, cam.v0)
	bx, by := cam.ground(cam.u0+1, cam.v0)
	t.MMPerPX = math.Hypot(bx-ax, by-ay)
	return t
}

// corners are the frame's corners in its own order, in half sides.
var corners = [4][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}}

// cover returns each class's share of a ground rectangle.
func cover(blades []blade, x0, y0, x1, y1 float64) (share [classes]float64) {
	w, h := int(math.Round((x1-x0)/truthCellMM)), int(math.Round((y1-y0)/truthCellMM))
	// The cell is fitted so that whole cells fill the rectangle along x; the
	// last row may end a fraction of a cell off the edge.
	g := grid{x0: x0, y0: y0, cell: (x1 - x0) / float64(w), w: w, h: h}
	cells := make([]Class, w*h)
	for i := range blades {
		blades[i].stamp(g, cells)
	}
	var n [classes]int
	for _, c := range cells {
		n[c]++
	}
	for c := range share {
		share[c] = float64(n[c]) / float64(len(cells))
	}
	return share
}

// asSeen returns the blade where the lens sees it against the ground plane.
func (b blade) asSeen(cam *camera) blade {
	h := cam.centre.Z
	return b.moved(cam.seen, h/(h-(b.z0+b.z1)/2))
}

// blades returns the leaves of all plants, lowest first.
func (p *PhotoPlan) blades() []blade {
	var grown []blade
	for _, pl := range p.Plants {
		grown = append(grown, pl.foliage(p.Flat)...)
	}
	order := make([]int, len(grown))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		return cmp.Compare(grown[i].z0+grown[i].z1, grown[j].z0+grown[j].z1)
	})
	out := make([]blade, len(grown))
	for k, i := range order {
		out[k] = grown[i]
	}
	return out
}
