package print

import (
	"fmt"
	"io"

	"quadtally/cmd/quadtally/internal/trial"
)

// protocol is what to keep to while photographing; the sheet has room for
// little, so it holds what spoils a photo most often.
var protocol = []string{
	"Photo: straight down from the same height each time, whole frame and card in the picture, frame's edges along the picture's.",
	"Even shade or overcast, no shadow across the frame, no flash, not wet. Filters, HDR, night and portrait modes off.",
	"One photo a quadrat; after a retake say so in the note. Copy the originals by cable.",
	"Finish a whole block before the next, one person a block, on one day. Walk on the paths.",
	"Care: no work near running machinery; drink and shade in the heat; mind knives, stakes and wire.",
}

// FieldSheet prints the paper for one visit (from 1), block after block in
// walking order, one row a quadrat. Every count has a box for "looked, none
// there" (0) and another for "not looked at", so that an empty cell stays
// empty. Classes are what is counted, such as broadleaf, grass, sedge.
func FieldSheet(w io.Writer, t *trial.Trial, plots []trial.Plot, visit int, classes []string, opt Options) (notes []string, err error) {
	switch {
	case len(plots) == 0 || t.Quadrat.PerPlot < 1:
		return nil, fmt.Errorf("a field sheet needs plots and the number of quadrats in each")
	case visit < 1:
		return nil, fmt.Errorf("visit %d: visits are counted from 1", visit)
	case len(classes) == 0:
		return nil, fmt.Errorf("a field sheet needs at least one class to count, such as broadleaf, grass, sedge")
	}
	width, _, err := opt.Paper.SizeMM()
	if err != nil {
		return nil, err
	}
	f := fieldSheet{t: t, visit: visit, classes: classes, blind: opt.Blind}
	landscape := f.noteWidth(width) < 20
	if landscape {
		if _, height, _ := opt.Paper.SizeMM(); f.noteWidth(height) < 20 {
			return nil, fmt.Errorf("%d classes do not fit on a sheet: print at most %d at a time", len(classes), int((height-2*edgeMM-20-f.fixed())/classMM))
		}
	}
	if f.sheet, err = newSheet(opt, fmt.Sprintf("Field sheet of %s, visit %d", t.Name, visit), landscape); err != nil {
		return nil, err
	}
	f.pages(plots)
	return f.finish(w)
}

const (
	edgeMM  = 11.0
	rowMM   = 8.0
	classMM = 30.0
)

type fieldSheet struct {
	*sheet
	t       *trial.Trial
	visit   int
	classes []string
	blind   bool
	y       float64
	page    int
}

// fixed is the width of the columns that are always there.
func (f *fieldSheet) fixed() float64 {
	w := 11.0 + 17 + 9 + 12
	if !f.blind {
		w += 24
	}
	return w
}

func (f *fieldSheet) noteWidth(paper float64) float64 {
	return paper - 2*edgeMM - f.fixed() - classMM*float64(len(f.classes))
}

func (f *fieldSheet) pages(plots []trial.Plot) {
	block, first := "", true
	for _, p := range trial.InWalkingOrder(plots) {
		need := rowMM * float64(f.t.Quadrat.PerPlot)
		if p.Block != block {
			need += rowMM
		}
		// A plot stays on one page unless a page cannot hold it.
		if first || f.y+need > f.height-edgeMM && f.y > f.top() {
			f.newPage()
			block = "" // name the block again on the new page
		}
		if first || p.Block != block {
			first, block = false, p.Block
			if block != "" {
				f.band("block " + block + "          date ______________   who ______________   begun ________   light: sun / cloud / shade")
			}
		}
		for q := 1; q <= f.t.Quadrat.PerPlot; q++ {
			if f.y+rowMM > f.height-edgeMM {
				f.newPage()
			}
			f.row(p, q)
		}
	}
}

// top is where rows begin on every page after the first.
func (f *fieldSheet) top() float64 { return edgeMM + 14 + 10 }

func (f *fieldSheet) newPage() {
	f.AddPage()
	f.page++
	f.SetTextColor(0, 0, 0)
	title := fmt.Sprintf("%s: visit %d", f.t.Name, f.visit)
	if f.visit <= len(f.t.Visits) {
		title += ", planned for " + f.t.Visits[f.visit-1].String()
	}
	f.putFit(edgeMM, edgeMM+4, f.width-2*edgeMM-25, 5.2, "start", true, title)
	f.put(f.width-edgeMM, edgeMM+4, 3.2, "end", false, fmt.Sprintf("page %d", f.page))
	f.putFit(edgeMM, edgeMM+9, f.width-2*edgeMM, 3.1, "start", false, fmt.Sprintf("Counted: %s. Frame %s x %s inside.",
		orNot(f.t.Quadrat.CountRule), trial.Length(f.t.Quadrat.WidthMM, f.t.Units), trial.Length(f.t.Quadrat.LengthMM, f.t.Units)))
	y := edgeMM + 13.2
	if f.page == 1 {
		for _, l := range protocol {
			y = f.paragraph(edgeMM, y, f.width-2*edgeMM, 2.9, l)
		}
	}
	f.put(edgeMM, y+0.6, 2.9, "start", true, "Write the count; tick 0 where you looked and found none; tick the dash where you did not look. Leave nothing to be guessed.")
	f.y = y + 3
	f.header()
}

func orNot(s string) string {
	if s == "" {
		return "rule not recorded"
	}
	return s
}

// cells walks along a row: f is called with each column's left edge and width.
func (f *fieldSheet) cells(cell func(i int, name string, x, w float64)) {
	x := edgeMM
	put := func(i int, name string, w float64) {
		cell(i, name, x, w)
		x += w
	}
	put(-1, "walk", 11)
	put(-1, "plot", 17)
	if !f.blind {
		put(-1, "treatment", 24)
	}
	put(-1, "quad", 9)
	put(-1, "photo", 12)
	for i, c := range f.classes {
		put(i, c, classMM)
	}
	put(-1, "note", f.noteWidth(f.width))
}

func (f *fieldSheet) header() {
	f.square(edgeMM, f.y, f.width-2*edgeMM, 7, 225)
	f.cells(func(i int, name string, x, w float64) {
		f.outline(x, f.y, w, 7, 0.2, 0)
		if i >= 0 {
			f.putFit(x+1, f.y+4.6, w-13, 3.2, "start", true, name)
			f.put(x+w-9.2, f.y+4.6, 3, "middle", false, "0")
			f.put(x+w-3.2, f.y+4.6, 3, "middle", false, "–")
			return
		}
		f.putFit(x+1, f.y+4.6, w-2, 3, "start", true, name)
	})
	f.y += 7
}

func (f *fieldSheet) band(text string) {
	f.square(edgeMM, f.y, f.width-2*edgeMM, rowMM, 240)
	f.outline(edgeMM, f.y, f.width-2*edgeMM, rowMM, 0.2, 0)
	f.putFit(edgeMM+2, f.y+5.4, f.width-2*edgeMM-4, 3.6, "start", true, text)
	f.y += rowMM
}

func (f *fieldSheet) row(p trial.Plot, quadrat int) {
	const box = 4.4
	f.cells(func(i int, name string, x, w float64) {
		f.outline(x, f.y, w, rowMM, 0.2, 0)
		tick := func(cx float64) { f.outline(cx-box/2, f.y+(rowMM-box)/2, box, box, 0.25, 0) }
		base := f.y + 5.4
		switch {
		case i >= 0:
			f.SetDrawColor(150, 150, 150)
			f.Line(x+w-12.5, f.y, x+w-12.5, f.y+rowMM)
			tick(x + w - 9.2)
			tick(x + w - 3.2)
		case name == "walk":
			f.putFit(x+w/2, base, w-2, 3.4, "middle", false, fmt.Sprint(p.Order))
		case name == "plot":
			f.putFit(x+1, base, w-2, 4.4, "start", true, p.ID)
		case name == "treatment":
			f.putFit(x+1, base, w-2, 3.4, "start", false, p.Treatment)
		case name == "quad":
			f.putFit(x+w/2, base, w-2, 3.8, "middle", false, fmt.Sprint(quadrat))
		case name == "photo":
			tick(x + w/2)
		}
	})
	f.y += rowMM
}
