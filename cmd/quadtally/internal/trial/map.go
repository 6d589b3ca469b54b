package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/rivo/uniseg"

	"quadtally/cmd/quadtally/internal/wording"
)

// MapOptions says what a map shows.
type MapOptions struct {
	Visit int  // quadrat places of this visit, from 1; 0 leaves them out
	Blind bool // leave the treatments off, for whoever counts
	// Stretch fills the paper: lengths across the beds and along them have a
	// scale each, and both are told.
	Stretch bool
}

// extent is the ground all placed plots take.
type extent struct {
	fromMM, toMM float64 // along the beds
	bed0, bed1   int     // first bed, and one past the last
}

func extentOf(plots []Plot) (e extent, placed []Plot) {
	for _, p := range plots {
		if !p.Placed() {
			continue
		}
		if len(placed) == 0 {
			e = extent{p.FromMM, p.FromMM + p.LengthMM, p.Bed, p.Bed + p.Beds}
		}
		e.fromMM, e.toMM = min(e.fromMM, p.FromMM), max(e.toMM, p.FromMM+p.LengthMM)
		e.bed0, e.bed1 = min(e.bed0, p.Bed), max(e.bed1, p.Bed+p.Beds)
		placed = append(placed, p)
	}
	return e, placed
}

// TextMap draws the layout with characters, near end at the foot as seen from
// the zero flag, followed by the flags' distances and the quadrats' places in
// walking order. Lengths along the beds and across them each keep one scale,
// stated under the map. No line is wider than width columns, 0 for any.
func TextMap(t *Trial, plots []Plot, opt MapOptions, width int) (string, error) {
	var b strings.Builder
	mapHead(&b, t, width)
	e, placed := extentOf(plots)
	if len(placed) > 0 {
		b.WriteString("\n" + boxes(t, placed, e, opt, room{width: width}))
	}
	b.WriteString("\n" + alignColumns(flagTable(t, plots, opt), width))
	if opt.Visit > 0 {
		rows, err := QuadratRows(t, plots, opt.Visit)
		if err != nil {
			return "", err
		}
		what := fmt.Sprintf("Quadrats at visit %d", opt.Visit)
		if t.Quadrat.Permanent {
			what = "Quadrats (the same at every visit)"
		}
		b.WriteString("\n" + folded(fmt.Sprintf("%s: near left corner of the frame's inner edge, %s across x %s along.", what,
			Length(t.Quadrat.WidthMM, t.Units), Length(t.Quadrat.LengthMM, t.Units)), width))
		b.WriteString(alignColumns(rows, width))
	}
	return b.String(), nil
}

// ScreenMap draws the layout alone, in at most so many columns and lines. ok is
// false where plots are too many or too unequal for that, and the text says so.
func ScreenMap(t *Trial, plots []Plot, opt MapOptions, width, lines int) (text string, ok bool) {
	var b strings.Builder
	for _, l := range append([]string{fmt.Sprintf("%s (%s)", CleanLabel(t.Name), t.Design)}, mapFacts(t)...) {
		if first, rest, _ := strings.Cut(folded(l, width-2), "\n"); rest != "" {
			l = first + " …"
		}
		b.WriteString(l + "\n")
	}
	e, placed := extentOf(plots)
	if len(placed) == 0 {
		b.WriteString("No plot has its bed and length recorded, so there is nothing to draw.\n")
		return b.String(), false
	}
	drawn := boxes(t, placed, e, opt, room{width, lines - strings.Count(b.String(), "\n")})
	return b.String() + drawn, strings.Contains(drawn, "+-")
}

func mapHead(b *strings.Builder, t *Trial, width int) {
	b.WriteString(folded(fmt.Sprintf("%s (%s)", CleanLabel(t.Name), t.Design), width))
	for _, l := range mapFacts(t) {
		b.WriteString(folded(l, width))
	}
}

// folded breaks a sentence into lines of at most width columns, 0 for any.
func folded(text string, width int) string {
	if width <= 0 {
		width = math.MaxInt
	}
	return strings.Join(wording.Wrap(text, width), "\n") + "\n"
}

// mapFacts are the lines about direction that stand by every map.
func mapFacts(t *Trial) []string {
	var out []string
	if d := t.Ground.BearingDeg; d != nil {
		out = append(out, fmt.Sprintf("Looking along the beds from the zero flag you face %s (%g degrees).", compass[int(math.Round(*d/45))%8], *d))
	}
	if t.Ground.Gradient != "" {
		s := "Gradient: " + CleanLabel(t.Ground.Gradient)
		if t.Ground.GradientRuns != "" {
			s += ", " + string(t.Ground.GradientRuns) + "; blocks are laid across it"
		}
		out = append(out, s+".")
	}
	return out
}

// room is what a drawing of characters may take; 0 is as much as it likes.
type room struct{ width, lines int }

// side is what stands left of the boxes.
const side = 10

// folded is a text that stands below the boxes, behind a mark.
func (r room) folded(text string) string {
	if r.width > 0 {
		return folded(text, r.width-side-2)
	}
	return folded(text, 0)
}

// boxes draws the plots as boxes of characters.
func boxes(t *Trial, placed []Plot, e extent, opt MapOptions, r room) string {
	narrow, short, label, id, name := math.MaxInt, math.Inf(1), 6, 0, 0
	for _, p := range placed {
		narrow, short = min(narrow, p.Beds), min(short, p.LengthMM)
		id = max(id, uniseg.StringWidth(p.ID))
		if !opt.Blind {
			name = max(name, uniseg.StringWidth(p.Treatment))
			label = max(label, min(12, name))
		}
	}
	label = max(label, id)
	if r.lines > 0 && !opt.Blind { // number and treatment may have to share a line
		label = max(label, id+1+min(12, name))
	}
	// One bed takes so many characters that the narrowest plot holds its label;
	// one line is so long that the shortest plot has three lines inside.
	beds := e.bed1 - e.bed0
	perBed := (label + 2 + narrow) / narrow
	if r.width > 0 {
		perBed = min(perBed, (r.width-side-1)/beds)
	}
	mmPerLine := niceLength(short/4, t.Units)
	if r.lines > 0 {
		foot := 1 + strings.Count(r.folded(scaleText(t, e, 1000, max(1, perBed))), "\n")
		mmPerLine = max(mmPerLine, (e.toMM-e.fromMM)/float64(max(1, r.lines-foot-1)))
		if most := short / 2; mmPerLine > most {
			return folded("The plots do not fit on one screen: --full draws them all.", r.width)
		}
		mmPerLine = short / math.Floor(short/mmPerLine*(1+1e-9)) // boxes of one height
	}
	if perBed*narrow < id+1 {
		return folded(fmt.Sprintf("%d beds do not fit beside each other in %d columns; the PDF and SVG map show them.", beds, r.width), r.width)
	}
	const most = 2000 // characters or lines
	if (e.toMM-e.fromMM)/mmPerLine > most || beds*perBed > most {
		return folded("The plots lie too far apart to be drawn with characters; the PDF and SVG map show them to scale.", r.width)
	}
	width := beds*perBed + 1
	height := int(math.Round((e.toMM-e.fromMM)/mmPerLine)) + 1
	grid := make([][]string, height) // a cell holds a character and what combines with it
	for i := range grid {
		grid[i] = slices.Repeat([]string{" "}, width)
	}
	line := func(mm float64) int { return height - 1 - int(math.Round((mm-e.fromMM)/mmPerLine)) }
	cut := false
	for _, p := range placed {
		x0, x1 := (p.Bed-e.bed0)*perBed, (p.Bed-e.bed0+p.Beds)*perBed
		y1, y0 := line(p.FromMM), line(p.FromMM+p.LengthMM)
		for x := x0 + 1; x < x1; x++ {
			grid[y0][x], grid[y1][x] = "-", "-"
		}
		for y := y0 + 1; y < y1; y++ {
			grid[y][x0], grid[y][x1] = "|", "|"
		}
		for _, c := range [][2]int{{y0, x0}, {y0, x1}, {y1, x0}, {y1, x1}} {
			grid[c[0]][c[1]] = "+"
		}
		inside := insideOf(p, opt, y1-y0-1)
		top := (y0 + y1 + 1 - len(inside)) / 2
		for i, s := range inside {
			if y := max(y0+1, top) + i; y < y1 {
				cut = put(grid[y][x0+1:x1], s) || cut
			}
		}
	}
	var b strings.Builder
	for i, row := range grid {
		left := strings.Repeat(" ", side)
		if i == 0 || i == height-1 {
			mm := e.toMM
			if i > 0 {
				mm = e.fromMM
			}
			left = fmt.Sprintf("%*s ", side-1, Distance(mm, t.Units))
		}
		b.WriteString(strings.TrimRight(left+strings.Join(row, ""), " ") + "\n")
	}
	indent := strings.Repeat(" ", side)
	for i, l := range strings.Split(strings.TrimSuffix(r.folded(scaleText(t, e, mmPerLine, perBed)), "\n"), "\n") {
		b.WriteString(indent + map[bool]string{true: "^ ", false: "  "}[i == 0] + l + "\n")
	}
	if cut {
		b.WriteString(folded("Names that end in ~ are whole in the table of flags (--full).", r.width))
	}
	return b.String()
}

// scaleText says where the map begins and what a line and a character stand for.
func scaleText(t *Trial, e extent, mmPerLine float64, perBed int) string {
	text := fmt.Sprintf("zero flag, left of bed %d; a line is %s along", e.bed0, Length(mmPerLine, t.Units))
	if t.Ground.BedSpacingMM > 0 {
		text += fmt.Sprintf(", a character %s across", Length(t.Ground.BedSpacingMM/float64(perBed), t.Units))
	}
	return text + "."
}

// insideOf are the lines written in a box of so many lines.
func insideOf(p Plot, opt MapOptions, lines int) []string {
	walk := "walk " + strconv.Itoa(p.Order)
	all := []string{p.ID, p.Treatment, walk}
	if opt.Blind {
		all = []string{p.ID, walk}
	}
	if len(all) <= lines {
		return all
	}
	all = all[:len(all)-1] // the walk stands in the table of flags too
	if len(all) > lines {
		return []string{strings.Join(all, " ")}
	}
	return all
}

// put writes a text into cells, as far as they go; a name that is cut ends in ~.
func put(cells []string, text string) (cut bool) {
	at := 0
	for g := uniseg.NewGraphemes(text); g.Next(); {
		w := g.Width()
		if at+w > len(cells) {
			if at > 0 {
				cells[at-1] = "~"
			}
			return true
		}
		if w == 0 {
			continue
		}
		cells[at] = g.Str()
		for k := 1; k < w; k++ {
			cells[at+k] = ""
		}
		at += w
	}
	return false
}

// niceLength is niceStep in whole units of the map's reader: metres or feet.
func niceLength(mm float64, u Units) float64 {
	if u == US {
		return niceStep(mm/MMPerFoot) * MMPerFoot
	}
	return niceStep(mm)
}

// niceStep rounds a length down to 1, 2 or 5 times a power of ten.
func niceStep(mm float64) float64 {
	if !(mm > 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(mm)))
	for _, f := range []float64{5, 2} {
		if f*p <= mm {
			return f * p
		}
	}
	return p
}

// flagTable lists where the flags of every plot stand, in walking order.
func flagTable(t *Trial, plots []Plot, opt MapOptions) [][]string {
	head := []string{"walk", "plot", "block", "treatment", "beds", "first flags at", "last flags at", "net from", "net to"}
	rows := [][]string{head}
	for _, p := range InWalkingOrder(plots) {
		row := []string{strconv.Itoa(p.Order), p.ID, p.Block, p.Treatment, "not recorded", "", "", "", ""}
		if p.Placed() {
			row[4] = bedsOf(p)
			for i, mm := range []float64{0, p.LengthMM, t.Ground.BorderMM, p.LengthMM - t.Ground.BorderMM} {
				row[5+i] = Distance(p.FromMM+mm, t.Units)
			}
		}
		rows = append(rows, row)
	}
	if opt.Blind {
		for i := range rows {
			rows[i] = slices.Delete(rows[i], 3, 4)
		}
	}
	return rows
}

// bedsOf writes "3-4", or "3" for one bed.
func bedsOf(p Plot) string {
	if p.Beds == 1 {
		return strconv.Itoa(p.Bed)
	}
	return fmt.Sprintf("%d-%d", p.Bed, p.Bed+p.Beds-1)
}

// LayoutRows is the layout as a table with its header: flags at from and to
// along the beds, in metres (from_m) or feet (from_ft).
func LayoutRows(plots []Plot, u Units) [][]string {
	unit, mmEach := "_m", 1000.0
	if u == US {
		unit, mmEach = "_ft", MMPerFoot
	}
	rows := [][]string{{"plot", "block", "column", "treatment", "bed", "beds", "from" + unit, "to" + unit, "length" + unit, "order"}}
	m := func(mm float64) string {
		for digits := 1; ; digits++ { // as few as read back as the same length
			s := decimals(tidy(mm)/mmEach, digits)
			if v, err := strconv.ParseFloat(s, 64); err != nil || tidy(v*mmEach) == tidy(mm) || digits == 15 {
				return s
			}
		}
	}
	for _, p := range plots {
		row := []string{p.ID, p.Block, p.Column, p.Treatment, "", "", "", "", "", strconv.Itoa(p.Order)}
		if p.Placed() {
			copy(row[4:], []string{strconv.Itoa(p.Bed), strconv.Itoa(p.Beds), m(p.FromMM), m(p.FromMM + p.LengthMM), m(p.LengthMM)})
		}
		rows = append(rows, row)
	}
	return rows
}

// QuadratRows lists where the quadrats of a visit lie, in walking order, with
// a header. Distances are given from the plot's own flags, as they are taped
// out in the field. Plots whose place is not recorded are left out.
func QuadratRows(t *Trial, plots []Plot, visit int) ([][]string, error) {
	rows := [][]string{{"walk", "plot", "quadrat", "bed", "from the first flags", "from the left edge"}}
	for _, p := range InWalkingOrder(plots) {
		if !p.Placed() {
			continue
		}
		spots, err := QuadratSpots(t, p, visit)
		if err != nil {
			return nil, err
		}
		for _, s := range spots {
			rows = append(rows, []string{strconv.Itoa(p.Order), p.ID, strconv.Itoa(s.Quadrat), strconv.Itoa(p.Bed + s.Bed - 1),
				Distance(s.AlongMM, t.Units), Distance(s.AcrossMM, t.Units)})
		}
	}
	return rows, nil
}

// alignColumns writes rows, the first a head, with two blanks between columns.
// Columns that do not fit beside the others follow below, each part beginning
// with the first two.
func alignColumns(rows [][]string, width int) string {
	var widths []int
	for _, r := range rows {
		for i, c := range r {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], uniseg.StringWidth(c))
		}
	}
	var b strings.Builder
	for from := 0; from < len(widths); {
		columns, used := []int{}, 0
		if from > 0 {
			columns, used = []int{0, 1}, widths[0]+widths[1]+2
			b.WriteByte('\n')
		}
		for ; from < len(widths) && (width <= 0 || len(columns) < 3 || used+2+widths[from] <= width); from++ {
			columns = append(columns, from)
			used += 2 + widths[from]
		}
		for _, r := range rows {
			var line strings.Builder
			for _, c := range columns {
				if c < len(r) {
					line.WriteString(r[c] + strings.Repeat(" ", widths[c]-uniseg.StringWidth(r[c])+2))
				}
			}
			b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
		}
	}
	return b.String()
}

// blockBands are the outlines of the blocks on the ground, in their order.
func blockBands(placed []Plot) (names []string, bands []extent) {
	for _, name := range BlockNames(placed) {
		var mine []Plot
		for _, p := range placed {
			if p.Block == name {
				mine = append(mine, p)
			}
		}
		e, _ := extentOf(mine)
		names, bands = append(names, name), append(bands, e)
	}
	return names, bands
}

// byPlace sorts plots from the near left corner, row after row.
func byPlace(plots []Plot) []Plot {
	s := slices.Clone(plots)
	slices.SortStableFunc(s, func(a, b Plot) int {
		return cmp.Or(cmp.Compare(a.FromMM, b.FromMM), cmp.Compare(a.Bed, b.Bed))
	})
	return s
}
