package trial

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
)

// LayOut draws the allotment and sets the plots out on the ground.
//
// Blocks are laid across the gradient. Where it runs along the beds (the
// default) a block is one row of plots side by side, and the next block follows
// farther along the beds. Where it runs across the beds a block is one strip of
// beds with its plots end to end, and the next block lies to the right. A Latin
// square and a layout without blocks are set out the same way.
//
// Where the plan gives the number of beds of the field, the blocks fill its slots
// one after another instead and wrap from one group of beds, or from one row of
// sections, to the next: see Slots.
//
// A plot's number is 100 times its block (or row) plus its place in it, so
// that no spreadsheet takes it for a date. The walking order is a serpentine
// that finishes one block before the next begins. The caller stores
// GeneratorName with the plots.
func LayOut(t *Trial) ([]Plot, error) {
	a, err := Randomise(t)
	if err != nil {
		return nil, err
	}
	g := t.Ground
	if g.FieldBeds > 0 {
		return fillSlots(t, a)
	}
	pitch := g.LengthMM + g.AlleyMM
	var plots []Plot
	for i, row := range a {
		for j, tr := range row {
			p := Plot{
				ID:        strconv.Itoa((i+1)*100 + j + 1),
				Treatment: t.Treatments[tr].Code,
				Beds:      g.Beds,
				LengthMM:  g.LengthMM,
			}
			if t.Treatments[tr].Control && g.ControlLengthMM > 0 {
				p.LengthMM = g.ControlLengthMM
			}
			if t.Design != CompletelyRandomised {
				p.Block = strconv.Itoa(i + 1)
			}
			if t.Design == LatinSquare {
				p.Column = strconv.Itoa(j + 1)
			}
			across, along := j, i
			if g.GradientRuns == AcrossBeds {
				across, along = i, j
			}
			p.Bed = 1 + across*g.Beds
			p.FromMM = float64(along) * pitch
			plots = append(plots, p)
		}
	}
	SetWalkingOrder(plots)
	return plots, nil
}

// SetWalkingOrder numbers the plots in a serpentine: block after block in the
// order the blocks are first listed, and within a block row by row across the
// beds (or along them where the block is a strip), turning round at each row's
// end. Plots without blocks count as one block.
func SetWalkingOrder(plots []Plot) {
	var names []string
	blocks := map[string][]int{}
	for i, p := range plots {
		if _, ok := blocks[p.Block]; !ok {
			names = append(names, p.Block)
		}
		blocks[p.Block] = append(blocks[p.Block], i)
	}
	order, back := 0, false
	for _, name := range names {
		for _, row := range walkingRows(plots, blocks[name]) {
			if back {
				slices.Reverse(row)
			}
			back = !back
			for _, i := range row {
				order++
				plots[i].Order = order
			}
		}
	}
}

// walkingRows splits a block into rows of plots: beds side by side at one
// place, unless the block is one strip of beds, which is one row end to end.
func walkingRows(plots []Plot, block []int) [][]int {
	strip := true
	for _, i := range block {
		strip = strip && plots[i].Bed == plots[block[0]].Bed
	}
	sorted := slices.Clone(block)
	slices.SortStableFunc(sorted, func(a, b int) int {
		return cmp.Or(cmp.Compare(plots[a].FromMM, plots[b].FromMM), cmp.Compare(plots[a].Bed, plots[b].Bed))
	})
	if strip {
		return [][]int{sorted}
	}
	// Uneven sections: a plot joins the row it overlaps by more than half.
	var rows [][]int
	for _, i := range sorted {
		if n := len(rows); n > 0 {
			first := plots[rows[n-1][0]]
			if plots[i].FromMM < first.FromMM+first.LengthMM/2 {
				rows[n-1] = append(rows[n-1], i)
				continue
			}
		}
		rows = append(rows, []int{i})
	}
	for _, row := range rows {
		slices.SortStableFunc(row, func(a, b int) int { return cmp.Compare(plots[a].Bed, plots[b].Bed) })
	}
	return rows
}

// InWalkingOrder returns the plots sorted by their place in the walk.
func InWalkingOrder(plots []Plot) []Plot {
	p := slices.Clone(plots)
	slices.SortStableFunc(p, func(a, b Plot) int { return cmp.Compare(a.Order, b.Order) })
	return p
}

// BlockNames lists the blocks in the order they are first met; a layout
// without blocks has none.
func BlockNames(plots []Plot) []string {
	var names []string
	for _, p := range plots {
		if p.Block != "" && !slices.Contains(names, p.Block) {
			names = append(names, p.Block)
		}
	}
	return names
}

// String names the plot the way it is spoken of: "plot 203, block 2".
func (p Plot) String() string {
	if p.Block == "" {
		return "plot " + p.ID
	}
	return fmt.Sprintf("plot %s, block %s", p.ID, p.Block)
}
