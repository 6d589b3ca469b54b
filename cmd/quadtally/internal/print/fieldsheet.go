package print

import (
	"fmt"
	"io"
	"strings"

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

// FieldColumns is what is written down of each quadrat: counts by class, such
// as broadleaf, grass, sedge; cover judged by eye; and the regrowth of the
// cover crop, as plants or as cover.
type FieldColumns struct {
	Classes                        []string
	Cover, Regrowth, RegrowthCover bool
}

// FieldSheet prints the paper for one visit (from 1), block after block in
// walking order, one row a quadrat. Every count has a box for "looked, none
// there" (0) and another for "not looked at", so that an empty cell stays
// empty. A block is never broken over two pages where a page can hold it.
func FieldSheet(w io.Writer, t *trial.Trial, plots []trial.Plot, visit int, columns FieldColumns, opt Options) (notes []string, err error) {
	switch {
	case len(plots) == 0 || t.Quadrat.PerPlot < 1:
		return nil, fmt.Errorf("a field sheet needs plots and the number of quadrats in each")
	case visit < 1:
		return nil, fmt.Errorf("visit %d: visits are counted from 1", visit)
	case len(columns.Classes) == 0:
		return nil, fmt.Errorf("a field sheet needs at least one class to count, such as broadleaf, grass, sedge")
	}
	width, height, err := opt.Paper.SizeMM()
	if err != nil {
		return nil, err
	}
	f := fieldSheet{t: t, visit: visit, columns: columns, blind: opt.Blind}
	landscape := f.noteWidth(width) < leastNoteMM
	if landscape && f.noteWidth(height) < leastNoteMM {
		return nil, fmt.Errorf("%d classes do not fit on a sheet: print at most %d at a time", len(columns.Classes),
			int((f.noteWidth(height)-leastNoteMM)/classMM)+len(columns.Classes))
	}
	for range 2 { // the first time only counts the pages
		f.of, f.page, f.y = f.page, 0, 0
		if f.sheet, err = newSheet(opt, fmt.Sprintf("Field sheet of %s, visit %d", t.Name, visit), landscape); err != nil {
			return nil, err
		}
		f.pages(plots)
	}
	return f.finish(w)
}

// protocolMM is what a line of the protocol takes.
const protocolMM = 2.9 * 1.3

const (
	edgeMM      = 11.0
	boxMM       = 7.0 // to be ticked with cold hands
	rowMM       = boxMM + 0.6
	classMM     = 13 + 2*boxMM + 3.0
	shareMM     = 14 + boxMM + 2.0
	leastNoteMM = 20.0
)

type fieldSheet struct {
	*sheet
	t        *trial.Trial
	visit    int
	columns  FieldColumns
	blind    bool
	y, top   float64 // where the next row begins, and the first of this page did
	page, of int
	late     bool // the protocol stands behind the rows
}

// fieldColumn is one column: what is printed in it, or what is written.
type fieldColumn struct {
	name  string
	width float64
	count bool // a number, with boxes for none and for not looked at
	share bool // a part of the ground, with a box for not looked at
}

// all are the columns but the last, which takes the room that is left.
func (f *fieldSheet) all() []fieldColumn {
	list := []fieldColumn{{name: "walk", width: 10}, {name: "plot", width: 17}}
	if !f.blind {
		list = append(list, fieldColumn{name: "treatment", width: 24})
	}
	list = append(list, fieldColumn{name: "quad", width: 9}, fieldColumn{name: "photo", width: 10})
	for _, c := range f.columns.Classes {
		list = append(list, fieldColumn{name: c, width: classMM, count: true})
	}
	if f.columns.Regrowth {
		list = append(list, fieldColumn{name: "regrowth", width: classMM, count: true})
	}
	if f.columns.RegrowthCover {
		list = append(list, fieldColumn{name: "regrowth %", width: shareMM, share: true})
	}
	if f.columns.Cover {
		list = append(list, fieldColumn{name: "cover %", width: shareMM, share: true})
	}
	return list
}

func (f *fieldSheet) noteWidth(paper float64) float64 {
	w := paper - 2*edgeMM
	for _, c := range f.all() {
		w -= c.width
	}
	return w
}

func (f *fieldSheet) pages(plots []trial.Plot) {
	perPlot := rowMM * float64(f.t.Quadrat.PerPlot)
	bottom := f.height - edgeMM
	walk := trial.InWalkingOrder(plots)
	for len(walk) > 0 {
		n := 1 // plots of this block that follow each other
		for block := walk[0].Block; block != "" && n < len(walk) && walk[n].Block == block; n++ {
		}
		need := perPlot * float64(n)
		band := 0.0
		if walk[0].Block != "" {
			band = rowMM
		}
		if f.page == 0 {
			// What to keep to while photographing gives way where it alone would
			// break the first block in two.
			rows := edgeMM + 23.2 + band + need
			f.late = rows <= bottom && rows+protocolMM*float64(len(protocol)) > bottom
			f.newPage()
		} else if f.y+band+need > bottom && f.y > f.top {
			f.newPage()
		}
		f.band(walk[0].Block, "")
		for i, p := range walk[:n] {
			if i > 0 && f.y+perPlot > bottom && perPlot < bottom-f.top { // a block longer than a page breaks between plots
				f.newPage()
				f.band(p.Block, ", continued")
			}
			for q := 1; q <= f.t.Quadrat.PerPlot; q++ {
				if f.y+rowMM > bottom {
					f.newPage()
				}
				f.row(p, q)
			}
		}
		walk = walk[n:]
	}
	if f.late {
		if f.y+protocolMM*float64(len(protocol)+1) > bottom {
			f.AddPage()
			f.page++
			f.y = edgeMM
		}
		y := f.y + protocolMM + 2
		for _, l := range protocol {
			y = f.paragraph(edgeMM, y, f.width-2*edgeMM, 2.9, l)
		}
	}
}

func (f *fieldSheet) newPage() {
	f.AddPage()
	f.page++
	f.SetTextColor(0, 0, 0)
	title := fmt.Sprintf("%s: visit %d", f.t.Name, f.visit)
	if f.visit <= len(f.t.Visits) {
		title += ", planned for " + f.t.Visits[f.visit-1].String()
	}
	f.putFit(edgeMM, edgeMM+4, f.width-2*edgeMM-25, 5.2, "start", true, title)
	f.put(f.width-edgeMM, edgeMM+4, 4, "end", true, fmt.Sprintf("%d of %d", f.page, max(f.of, f.page)))
	f.putFit(edgeMM, edgeMM+9, f.width-2*edgeMM, 3.1, "start", false, fmt.Sprintf("Counted: %s. Frame %s x %s inside.",
		orNot(f.t.Quadrat.CountRule), trial.Length(f.t.Quadrat.WidthMM, f.t.Units), trial.Length(f.t.Quadrat.LengthMM, f.t.Units)))
	y := edgeMM + 13.2
	if f.page == 1 && !f.late {
		for _, l := range protocol {
			y = f.paragraph(edgeMM, y, f.width-2*edgeMM, 2.9, l)
		}
	}
	f.put(edgeMM, y+0.6, 2.9, "start", true, "Write the number; tick 0 where you looked and found none; tick the dash where you did not look. Leave nothing to be guessed.")
	f.y = y + 3
	f.header()
	f.top = f.y
}

func orNot(s string) string {
	if s == "" {
		return "rule not recorded"
	}
	return s
}

// roomier widens what is written in where the paper leaves more for notes than
// they need.
func (f *fieldSheet) roomier() []fieldColumn {
	const enough = 50.0
	list, counts := f.all(), 0.0
	for _, c := range list {
		if c.count {
			counts++
		}
	}
	more := max(0, min(14, (f.noteWidth(f.width)-enough)/counts))
	rest := f.noteWidth(f.width)
	for i := range list {
		if list[i].count {
			list[i].width += more
			rest -= more
		}
	}
	return append(list, fieldColumn{name: "note", width: rest})
}

// cells walks along a row: cell is called with each column and its left edge.
func (f *fieldSheet) cells(cell func(c fieldColumn, x float64)) {
	x := edgeMM
	for _, c := range f.roomier() {
		cell(c, x)
		x += c.width
	}
}

// Middles of the two boxes, from the right edge of a column.
const (
	dashAtMM = 1 + boxMM/2
	noneAtMM = 2 + 1.5*boxMM
)

func (f *fieldSheet) header() {
	f.square(edgeMM, f.y, f.width-2*edgeMM, 7, 225)
	f.cells(func(c fieldColumn, x float64) {
		f.outline(x, f.y, c.width, 7, 0.2, 0)
		room := c.width - 2
		switch {
		case c.count:
			room -= 2 * (boxMM + 1)
			f.put(x+c.width-noneAtMM, f.y+4.6, 3, "middle", false, "0")
			f.put(x+c.width-dashAtMM, f.y+4.6, 3, "middle", false, "–")
		case c.share:
			room -= boxMM + 1
			f.put(x+c.width-dashAtMM, f.y+4.6, 3, "middle", false, "–")
		}
		f.twoLines(x+1, f.y, room, 3, c.name)
	})
	f.y += 7
}

// twoLines writes a head, over two lines where it is too long for one.
func (f *fieldSheet) twoLines(x, y, width, em float64, text string) {
	f.setFont(em, true)
	first, rest, several := strings.Cut(text, " ")
	if f.GetStringWidth(f.printable(text)) <= width || !several {
		f.putFit(x, y+4.6, width, em, "start", true, text)
		return
	}
	f.putFit(x, y+3, width, em*0.85, "start", true, first)
	f.putFit(x, y+5.9, width, em*0.85, "start", true, rest)
}

// band heads a block; one without a name has none.
func (f *fieldSheet) band(block, more string) {
	if block == "" {
		return
	}
	f.square(edgeMM, f.y, f.width-2*edgeMM, rowMM, 240)
	f.outline(edgeMM, f.y, f.width-2*edgeMM, rowMM, 0.2, 0)
	f.putFit(edgeMM+2, f.y+5.2, 38, 3.6, "start", true, "block "+block+more)
	x := edgeMM + 42
	for _, blank := range []struct {
		name string
		room float64
	}{{"date", 24}, {"who", 26}, {"begun", 14}} {
		f.put(x, f.y+5.2, 3.2, "start", false, blank.name)
		x += f.GetStringWidth(blank.name) + 1
		f.SetDrawColor(0, 0, 0)
		f.Line(x, f.y+5.8, x+blank.room, f.y+5.8)
		x += blank.room + 3
	}
	f.put(x, f.y+5.2, 3.2, "start", false, "light: sun / cloud / shade")
	f.y += rowMM
}

func (f *fieldSheet) row(p trial.Plot, quadrat int) {
	f.cells(func(c fieldColumn, x float64) {
		f.outline(x, f.y, c.width, rowMM, 0.2, 0)
		tick := func(fromRight float64) {
			f.outline(x+c.width-fromRight-boxMM/2, f.y+(rowMM-boxMM)/2, boxMM, boxMM, 0.25, 0)
		}
		base, w := f.y+5.6, c.width
		switch {
		case c.count:
			tick(noneAtMM)
			tick(dashAtMM)
		case c.share:
			tick(dashAtMM)
		case c.name == "walk":
			f.putFit(x+w/2, base, w-2, 3.4, "middle", false, fmt.Sprint(p.Order))
		case c.name == "plot":
			f.putFit(x+1, base, w-2, 4.4, "start", true, p.ID)
		case c.name == "treatment":
			f.putFit(x+1, base, w-2, 3.4, "start", false, p.Treatment)
		case c.name == "quad":
			f.putFit(x+w/2, base, w-2, 3.8, "middle", false, fmt.Sprint(quadrat))
		case c.name == "photo":
			tick(w / 2)
		}
	})
	f.y += rowMM
}
