package report

import (
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/vg/draw"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/trial"
)

// The page, mm.
const (
	pdfFooter  = 12.0
	pdfLeading = 1.38
	pdfFamily  = "body"
)

// pdfType are the sizes of type and of what is left white, mm.
type pdfType struct {
	body, lead, note, table, raw float64
	margin                       float64 // of the page
	pad                          float64 // beside the text of a cell
	gap                          float64 // between blocks that stand side by side
	columns                      int     // of names and values
	label                        float64 // width of their names
}

var (
	pdfPlain = pdfType{body: 3.5, lead: 3.9, note: 3.0, table: 2.75, raw: 2.4, margin: 18, pad: 1.2, gap: 6, columns: 1, label: 58}
	pdfDense = pdfType{body: 3.1, lead: 3.3, note: 2.7, table: 2.5, raw: 2.25, margin: 15, pad: 0.9, gap: 4, columns: 2, label: 40}
)

// WritePDF writes the document on A4 pages, or US letter, with the fonts embedded. It is the
// same content as WriteHTML, and the same bytes for the same document.
func WritePDF(w io.Writer, d Document) error {
	s := newPDFSheet(d)
	if d.Dense {
		// The contents name pages that are known once everything has been set.
		first := newPDFSheet(d)
		first.document(d, map[string]int{})
		s.document(d, first.pages)
	} else {
		s.document(d, nil)
	}
	if err := s.Error(); err != nil {
		return fmt.Errorf("the PDF could not be made: %w", err)
	}
	return s.Output(w)
}

// document sets everything; a contents list where pages is not nil.
func (s *pdfSheet) document(d Document, pages map[string]int) {
	usual := s.em
	for i, x := range d.Sections {
		if x.Fit {
			s.em = fitting(d, x, i == 0)
		}
		if i == 0 {
			s.title(d)
			if pages != nil {
				s.contents(d, pages)
			}
		}
		if x.NewPage && i > 0 && s.y > s.em.margin {
			s.newPage()
		}
		s.section(x, 0)
		s.em = usual
	}
	if len(d.Sections) == 0 {
		s.title(d)
	}
}

// contents lists sections and their parts with the page of each, in two columns.
func (s *pdfSheet) contents(d Document, pages map[string]int) {
	type entry struct {
		Section
		level int
	}
	var list []entry
	for _, x := range d.Sections {
		list = append(list, entry{x, 0})
		for _, p := range x.Parts {
			list = append(list, entry{p, 1})
		}
	}
	em := s.em.note
	step := em * pdfLeading
	rows := (len(list) + 1) / 2
	s.y += em
	s.write(s.em.margin, s.body(), s.em.lead, true, "Contents")
	s.room(float64(rows) * step)
	width := (s.body() - s.em.gap) / 2
	top := s.y
	for i, x := range list {
		left := s.em.margin + float64(i/rows)*(width+s.em.gap)
		y := top + float64(i%rows)*step
		s.setFont(em, x.level == 0)
		s.SetTextColor(0x22, 0x22, 0x22)
		indent := 4 * float64(x.level)
		s.Text(left+indent, y+em, s.fit(x.Title, width-indent-10))
		page := undefined
		if n := pages[x.ID]; n > 0 {
			page = fmt.Sprint(n)
		}
		s.Text(left+width-s.GetStringWidth(page), y+em, page)
		s.Link(left, y, width, step, s.link(x.ID))
	}
	s.y = top + float64(rows)*step + 1
}

// scaled is the type in another size; the page stays.
func (t pdfType) scaled(by float64) pdfType {
	for _, v := range []*float64{&t.body, &t.lead, &t.note, &t.table, &t.raw} {
		*v *= by
	}
	return t
}

// fitting is the largest type in which a section takes one page, below the
// document's title where it comes first; the usual one where none is small
// enough that can still be read.
func fitting(d Document, x Section, first bool) pdfType {
	var usual pdfType
	for _, by := range []float64{1, 0.95, 0.9, 0.85, 0.8} {
		s := newPDFSheet(d)
		if by == 1 {
			usual = s.em
		}
		if s.em = s.em.scaled(by); first {
			s.title(d)
		}
		if s.section(x, 0); s.PageNo() == 1 {
			return s.em
		}
	}
	return usual
}

// pdfSheet is the PDF while it is written; y is where the next block begins.
type pdfSheet struct {
	*fpdf.Fpdf
	width, height float64
	y             float64
	links         map[string]int
	pages         map[string]int // of sections
	em            pdfType
}

func newPDFSheet(d Document) *pdfSheet {
	width, height := 210.0, 297.0
	if d.Letter {
		width, height = 8.5*trial.MMPerInch, 11*trial.MMPerInch
	}
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: width, Ht: height}})
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.SetCellMargin(0)
	f.SetCatalogSort(true)
	// The file carries the day of the report and no time of day, so that the
	// same report gives the same bytes.
	made := time.Date(d.Made.Year, d.Made.Month, d.Made.Day, 0, 0, 0, 0, time.UTC)
	f.SetCreationDate(made)
	f.SetModificationDate(made)
	f.SetProducer("quadtally", true)
	f.SetLang("en")
	f.AddUTF8FontFromBytes(pdfFamily, "", liberationsansregular.TTF)
	f.AddUTF8FontFromBytes(pdfFamily, "B", liberationsansbold.TTF)
	s := &pdfSheet{Fpdf: f, width: width, height: height, links: map[string]int{}, pages: map[string]int{}, em: pdfPlain}
	if d.Dense {
		s.em = pdfDense
	}
	f.SetTitle(s.printable(d.Title), true)
	f.SetFooterFunc(func() {
		s.setFont(2.8, false)
		s.SetTextColor(0x55, 0x55, 0x55)
		y := s.height - pdfFooter + 3
		s.Text(s.em.margin, y, s.fit(d.Title, s.width-2*s.em.margin-20))
		number := fmt.Sprint(s.PageNo())
		s.Text(s.width-s.em.margin-s.GetStringWidth(number), y, number)
	})
	s.newPage()
	return s
}

// printable leaves out what cannot be printed. No-break spaces stay.
func (s *pdfSheet) printable(text string) string {
	parts := strings.Split(text, noBreak)
	for i, p := range parts {
		out, err := print.Printable(p, nil)
		if err != nil {
			s.SetError(err)
		}
		parts[i] = out
	}
	return strings.Join(parts, noBreak)
}

func (s *pdfSheet) setFont(em float64, bold bool) {
	style := ""
	if bold {
		style = "B"
	}
	s.SetFont(pdfFamily, style, em/mmPerPoint)
}

// fit shortens a text to a width, in the font that is set.
func (s *pdfSheet) fit(text string, width float64) string {
	text = s.printable(text)
	if s.GetStringWidth(text) <= width {
		return text
	}
	r := []rune(text)
	for len(r) > 1 && s.GetStringWidth(string(r)+"…") > width {
		r = r[:len(r)-1]
	}
	return strings.TrimSpace(string(r)) + "…"
}

func (s *pdfSheet) newPage() {
	s.AddPage()
	s.y = s.em.margin
}

// room begins a new page where less than height is left.
func (s *pdfSheet) room(height float64) {
	if s.y+height > s.height-pdfFooter-4 && s.y > s.em.margin {
		s.newPage()
	}
}

// breaksLine reports where a line may break: not at a no-break space.
func breaksLine(r rune) bool { return r == ' ' || r == '\n' || r == '\t' }

// lines breaks text at spaces to a width, and words that are too long anywhere.
func (s *pdfSheet) lines(text string, width float64) []string {
	var out []string
	line := ""
	for _, word := range strings.FieldsFunc(s.printable(text), breaksLine) {
		if next := strings.TrimSpace(line + " " + word); s.GetStringWidth(next) <= width {
			line = next
			continue
		}
		if line != "" {
			out = append(out, line)
		}
		r := []rune(word)
		for s.GetStringWidth(string(r)) > width && len(r) > 1 {
			n := len(r)
			for n > 1 && s.GetStringWidth(string(r[:n])) > width {
				n--
			}
			out, r = append(out, string(r[:n])), r[n:]
		}
		line = string(r)
	}
	return append(out, line)
}

// link is the number of an anchor, made when it is first met.
func (s *pdfSheet) link(id string) int {
	if _, ok := s.links[id]; !ok {
		s.links[id] = s.AddLink()
	}
	return s.links[id]
}

func (s *pdfSheet) anchor(id string) {
	if id != "" {
		s.SetLink(s.link(id), s.y, -1)
	}
}

// write puts text in lines from x on and moves down; pages break between lines.
func (s *pdfSheet) write(x, width, em float64, bold bool, text string) {
	s.setFont(em, bold)
	for _, l := range s.lines(text, width) {
		s.room(em * pdfLeading)
		s.setFont(em, bold)
		s.SetTextColor(0x22, 0x22, 0x22)
		s.Text(x, s.y+em, l)
		s.y += em * pdfLeading
	}
}

func (s *pdfSheet) body() float64 { return s.width - 2*s.em.margin }

func (s *pdfSheet) title(d Document) {
	s.write(s.em.margin, s.body(), 7, true, d.Title)
	s.write(s.em.margin, s.body(), 4, false, d.Subtitle)
	s.y += 2
	s.facts(d.Facts)
}

func (s *pdfSheet) section(x Section, level int) {
	em := []float64{5.2, 4.3, 3.8}[min(level, 2)] * s.em.body / pdfPlain.body
	s.y += em * 0.9
	s.room(em*pdfLeading*1.2 + s.beginning(x))
	s.anchor(x.ID)
	s.pages[x.ID] = s.PageNo()
	s.Bookmark(s.printable(x.Title), level, s.y)
	s.write(s.em.margin, s.body(), em, true, x.Title)
	s.y += em * 0.2
	for _, b := range x.Blocks {
		s.block(b)
	}
	for _, p := range x.Parts {
		s.section(p, level+1)
	}
}

func (s *pdfSheet) block(b Block) {
	switch b := b.(type) {
	case Text:
		s.text(b)
	case List:
		em := s.em.body
		if b.Small {
			em = s.em.table
		}
		for _, item := range b.Items {
			s.room(em * pdfLeading)
			s.setFont(em, false)
			s.SetTextColor(0x22, 0x22, 0x22)
			s.Text(s.em.margin+1, s.y+em, "•")
			s.write(s.em.margin+5, s.body()-5, em, false, item)
			s.y += em / 5
		}
		s.y += 1
	case Facts:
		s.facts(b)
	case Table:
		t := s.set(b, s.body())
		t.words = s.body()
		s.table(t, s.em.margin)
	case Figure:
		s.figure(b, s.em.margin, s.body())
	case Beside:
		s.beside(b)
	}
}

// beside puts blocks into rows, as many into each as there is room for.
func (s *pdfSheet) beside(list []Block) {
	type item struct {
		width, height float64
		draw          func(x float64)
	}
	var row []item
	used := 0.0
	finish := func() {
		tallest := 0.0
		for _, it := range row {
			tallest = max(tallest, it.height)
		}
		s.room(tallest)
		top, low, x, page := s.y, s.y, s.em.margin, s.PageNo()
		for _, it := range row {
			if s.PageNo() == page {
				s.y = top
			}
			it.draw(x)
			low = max(low, s.y)
			x += it.width + s.em.gap
		}
		if s.PageNo() == page {
			s.y = low
		}
		row, used = nil, 0
	}
	for _, b := range list {
		var it item
		switch b := b.(type) {
		case Table:
			t := s.set(b, s.body())
			it = item{t.width, t.height, func(x float64) { s.table(t, x) }}
		case Figure:
			width := min(b.WidthMM, s.body())
			h, caption, _ := s.figureSize(b, width)
			it = item{width, h + caption + 5.5, func(x float64) { s.figure(b, x, width) }}
		default:
			it = item{s.body(), 0, func(float64) { s.block(b) }}
		}
		if len(row) > 0 && used+s.em.gap+it.width > s.body()+0.01 {
			finish()
		}
		if len(row) > 0 {
			used += s.em.gap
		}
		row, used = append(row, it), used+it.width
	}
	finish()
}

// beginning is how much of a section must stand on the page of its heading.
func (s *pdfSheet) beginning(x Section) float64 {
	if len(x.Blocks) == 0 {
		return 40
	}
	if f, ok := x.Blocks[0].(Figure); ok {
		h, caption, _ := s.figureSize(f, s.body())
		return h + caption + 4
	}
	return 25
}

// figureSize is how large a figure and its caption come out in a width.
func (s *pdfSheet) figureSize(f Figure, width float64) (height, caption, scale float64) {
	s.setFont(s.em.note, false)
	caption = float64(len(s.lines(f.Caption, width))) * s.em.note * pdfLeading
	scale = min(1, width/f.WidthMM, (s.height-s.em.margin-pdfFooter-20-caption)/f.HeightMM)
	return f.HeightMM * scale, caption, scale
}

// text writes a paragraph; cautions and safety have a bar and a word, so that
// nothing rests on colour.
func (s *pdfSheet) text(t Text) {
	x, width, em, bold := s.em.margin, s.body(), s.em.body, false
	word := ""
	switch t.Tone {
	case Lead:
		em, bold = s.em.lead, true
	case Note:
		em = s.em.note
	case Caution, Safety:
		word = map[Tone]string{Caution: "Caution", Safety: "Safety"}[t.Tone]
		x, width = x+4, width-4
		s.setFont(em, false)
		s.room(float64(1+len(s.lines(t.Text, width)))*em*pdfLeading + 2)
	}
	top := s.y
	if word != "" {
		s.write(x, width, em, true, word)
	}
	s.write(x, width, em, bold, t.Text)
	if word != "" && s.y > top {
		s.SetFillColor(0x55, 0x55, 0x55)
		s.Rect(s.em.margin, top+0.4, 1.2, s.y-top, "F")
	}
	s.y += 1.6 * s.em.body / pdfPlain.body
}

// facts writes names and values; in a dense document in two columns.
func (s *pdfSheet) facts(list []Fact) {
	columns, label := s.em.columns, s.em.label
	width := (s.body() - s.em.gap*float64(columns-1)) / float64(columns)
	em := s.em.body
	for len(list) > 0 {
		row := list[:min(columns, len(list))]
		list = list[len(row):]
		height := 0.0
		s.setFont(em, false)
		for _, f := range row {
			height = max(height, float64(max(len(s.lines(f.Name, label-2)), len(s.lines(f.Text(), width-label))))*em*pdfLeading)
		}
		s.room(height)
		top := s.y
		for i, f := range row {
			x := s.em.margin + float64(i)*(width+s.em.gap)
			s.y = top
			s.setFont(em, false)
			s.SetTextColor(0x55, 0x55, 0x55)
			for k, l := range s.lines(f.Name, label-2) {
				s.Text(x, s.y+em+float64(k)*em*pdfLeading, l)
			}
			s.write(x+label, width-label, em, false, f.Text())
		}
		s.y = top + height + 0.5
	}
	s.y += 2
}

// figure draws a figure as lines and type, and makes it smaller where the page
// is.
func (s *pdfSheet) figure(f Figure, x, width float64) {
	h, caption, scale := s.figureSize(f, width)
	s.room(h + caption + 4)
	s.anchor(f.ID)
	s.y += 1
	c := newPDFCanvas(s, x, s.y+h)
	c.Scale(scale, scale)
	f.draw(draw.NewCanvas(c, mm(f.WidthMM), mm(f.HeightMM)))
	s.y += h + 1.5
	s.write(x, width, s.em.note, false, f.Caption)
	s.y += 3
}

// pdfTable is a table with its columns set.
type pdfTable struct {
	Table
	em, width, height float64
	words             float64 // width of caption and note
	columns           []float64
}

// captionEm and noteEm are the sizes of a table's words.
func (t pdfTable) captionEm() float64 { return t.em + 0.45 }
func (t pdfTable) noteEm() float64    { return t.em + 0.15 }

// set finds the widths of a table's columns, and how tall it is.
func (s *pdfSheet) set(table Table, most float64) pdfTable {
	t := pdfTable{Table: table, em: s.em.table}
	if table.Dense {
		t.em = s.em.raw
	}
	t.columns = s.columnWidths(t, most)
	for _, w := range t.columns {
		t.width += w
	}
	t.width = min(most, max(t.width, 52))
	t.words = t.width
	s.setFont(t.captionEm(), true)
	t.height = float64(len(s.lines(t.Caption, t.words)))*t.captionEm()*pdfLeading + s.rowHeight(t, t.head(), true)
	for _, r := range t.Rows {
		t.height += s.rowHeight(t, r.Cells, false)
	}
	if t.Note != "" {
		s.setFont(t.noteEm(), false)
		t.height += float64(len(s.lines(t.Note, t.words))) * t.noteEm() * pdfLeading
	}
	t.height += 4
	return t
}

func (t pdfTable) head() []Cell {
	head := make([]Cell, len(t.Columns))
	for i, c := range t.Columns {
		head[i].Text = c.Head
	}
	return head
}

func (s *pdfSheet) rowHeight(t pdfTable, cells []Cell, bold bool) float64 {
	most := 1
	for i, c := range cells {
		s.setFont(t.em, bold || i == 0)
		most = max(most, len(s.lines(c.Text, t.columns[i]-2*s.em.pad)))
	}
	return float64(most)*t.em*pdfLeading + t.spare()
}

// spare is the room between the lines of a table.
func (t pdfTable) spare() float64 {
	if t.Dense {
		return 0.3
	}
	return t.em * 0.36
}

// table writes a table from x on, breaks lines where they do not fit, and
// repeats its head on every page.
func (s *pdfSheet) table(t pdfTable, left float64) {
	em := t.em
	line := func(cells []Cell, bold bool) {
		x, h := left, s.rowHeight(t, cells, bold)
		for i, c := range cells {
			s.setFont(em, bold || i == 0)
			s.SetTextColor(0x22, 0x22, 0x22)
			if c.Link != "" {
				s.SetTextColor(0x0b, 0x4f, 0x8a)
			}
			for k, l := range s.lines(c.Text, t.columns[i]-2*s.em.pad) {
				at := x + s.em.pad
				if i < len(t.Columns) && t.Columns[i].Numeric {
					at = x + t.columns[i] - s.em.pad - s.GetStringWidth(l)
				}
				s.Text(at, s.y+em+t.spare()/4+float64(k)*em*pdfLeading, l)
			}
			if c.Link != "" {
				s.Link(x, s.y, t.columns[i], h, s.link(c.Link))
			}
			x += t.columns[i]
		}
		s.y += h
		weight := 0.1
		if bold {
			weight = 0.35
		}
		s.SetDrawColor(0x77, 0x77, 0x77)
		s.SetLineWidth(weight)
		s.Line(left, s.y, x, s.y)
	}
	// A small table stays whole; a large one begins with a few rows at least.
	const whole = 75
	begin := 0.0
	for i, r := range t.Rows {
		h := s.rowHeight(t, r.Cells, false)
		if i >= 3 && begin+h > whole {
			begin = min(begin, 20)
			break
		}
		begin += h
	}
	s.setFont(t.captionEm(), true)
	s.room(float64(len(s.lines(t.Caption, t.words)))*t.captionEm()*pdfLeading + s.rowHeight(t, t.head(), true) + begin)
	s.anchor(t.ID)
	s.write(left, t.words, t.captionEm(), true, t.Caption)
	line(t.head(), true)
	for _, r := range t.Rows {
		if s.y+s.rowHeight(t, r.Cells, false) > s.height-pdfFooter-4 {
			s.newPage()
			line(t.head(), true)
		}
		s.anchor(r.ID)
		line(r.Cells, false)
	}
	s.y += 1
	if t.Note != "" {
		s.write(left, t.words, t.noteEm(), false, t.Note)
	}
	s.y += 3
}

// columnWidths gives every column what its longest line wants; where that is
// more than most the widest give way.
func (s *pdfSheet) columnWidths(t pdfTable, most float64) []float64 {
	want := make([]float64, len(t.Columns))
	least := make([]float64, len(t.Columns))
	measure := func(i int, text string, bold bool) {
		s.setFont(t.em, bold)
		text = s.printable(text)
		want[i] = max(want[i], s.GetStringWidth(text)+2*s.em.pad+0.2)
		for _, word := range strings.FieldsFunc(text, breaksLine) {
			least[i] = max(least[i], min(40, s.GetStringWidth(word)+2*s.em.pad+0.2))
		}
	}
	for i, c := range t.Columns {
		for _, word := range strings.FieldsFunc(c.Head, breaksLine) {
			measure(i, word, true)
		}
		s.setFont(t.em, true)
		want[i] = max(want[i], min(22, s.GetStringWidth(s.printable(c.Head))+2*s.em.pad+0.2))
	}
	for _, r := range t.Rows {
		for i, c := range r.Cells {
			measure(i, c.Text, i == 0)
		}
	}
	total := 0.0
	for _, w := range want {
		total += w
	}
	// Take from the widest, a little at a time, what does not fit.
	for total > most {
		widest := -1
		for i := range want {
			if want[i] > least[i] && (widest < 0 || want[i] > want[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			for i := range want {
				want[i] *= most / total
			}
			break
		}
		cut := min(1, want[widest]-least[widest], total-most)
		want[widest] -= cut
		total -= cut
	}
	return want
}
