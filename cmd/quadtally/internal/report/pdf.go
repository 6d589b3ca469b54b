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
	pdfMargin  = 18.0
	pdfFooter  = 12.0
	pdfEm      = 3.5  // body type, mm
	pdfTableEm = 2.75 // tables
	pdfLeading = 1.38
	pdfFamily  = "body"
)

// WritePDF writes the document on A4 pages, or US letter, with the fonts embedded. It is the
// same content as WriteHTML, and the same bytes for the same document.
func WritePDF(w io.Writer, d Document) error {
	s := newPDFSheet(d)
	s.title(d)
	for i, x := range d.Sections {
		if x.NewPage && i > 0 && s.y > pdfMargin {
			s.newPage()
		}
		s.section(x, 0)
	}
	if err := s.Error(); err != nil {
		return fmt.Errorf("the PDF could not be made: %w", err)
	}
	return s.Output(w)
}

// pdfSheet is the PDF while it is written; y is where the next block begins.
type pdfSheet struct {
	*fpdf.Fpdf
	width, height float64
	y             float64
	links         map[string]int
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
	s := &pdfSheet{Fpdf: f, width: width, height: height, links: map[string]int{}}
	f.SetTitle(s.printable(d.Title), true)
	f.SetFooterFunc(func() {
		s.setFont(2.8, false)
		s.SetTextColor(0x55, 0x55, 0x55)
		y := s.height - pdfFooter + 3
		s.Text(pdfMargin, y, s.fit(d.Title, s.width-2*pdfMargin-20))
		number := fmt.Sprint(s.PageNo())
		s.Text(s.width-pdfMargin-s.GetStringWidth(number), y, number)
	})
	s.newPage()
	return s
}

// printable leaves out what cannot be printed.
func (s *pdfSheet) printable(text string) string {
	out, err := print.Printable(text, nil)
	if err != nil {
		s.SetError(err)
	}
	return out
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
	s.y = pdfMargin
}

// room begins a new page where less than height is left.
func (s *pdfSheet) room(height float64) {
	if s.y+height > s.height-pdfFooter-4 && s.y > pdfMargin {
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

func (s *pdfSheet) body() float64 { return s.width - 2*pdfMargin }

func (s *pdfSheet) title(d Document) {
	s.write(pdfMargin, s.body(), 7, true, d.Title)
	s.write(pdfMargin, s.body(), 4, false, d.Subtitle)
	s.y += 2
	s.facts(d.Facts)
}

func (s *pdfSheet) section(x Section, level int) {
	em := []float64{5.2, 4.3, 3.8}[min(level, 2)]
	s.y += em * 0.9
	s.room(em*pdfLeading*1.2 + s.beginning(x))
	s.anchor(x.ID)
	s.Bookmark(s.printable(x.Title), level, s.y)
	s.write(pdfMargin, s.body(), em, true, x.Title)
	s.y += em * 0.2
	for _, b := range x.Blocks {
		switch b := b.(type) {
		case Text:
			s.text(b)
		case List:
			em := pdfEm
			if b.Small {
				em = pdfTableEm
			}
			for _, item := range b.Items {
				s.room(em * pdfLeading)
				s.setFont(em, false)
				s.SetTextColor(0x22, 0x22, 0x22)
				s.Text(pdfMargin+1, s.y+em, "•")
				s.write(pdfMargin+5, s.body()-5, em, false, item)
				s.y += em / 5
			}
			s.y += 1
		case Facts:
			s.facts(b)
		case Table:
			s.table(b)
		case Figure:
			s.figure(b)
		}
	}
	for _, p := range x.Parts {
		s.section(p, level+1)
	}
}

// beginning is how much of a section must stand on the page of its heading.
func (s *pdfSheet) beginning(x Section) float64 {
	if len(x.Blocks) == 0 {
		return 40
	}
	if f, ok := x.Blocks[0].(Figure); ok {
		h, caption, _ := s.figureSize(f)
		return h + caption + 4
	}
	return 25
}

// figureSize is how large a figure and its caption come out on the page.
func (s *pdfSheet) figureSize(f Figure) (height, caption, scale float64) {
	s.setFont(3.0, false)
	caption = float64(len(s.lines(f.Caption, s.body()))) * 3.0 * pdfLeading
	scale = min(1, s.body()/f.WidthMM, (s.height-pdfMargin-pdfFooter-20-caption)/f.HeightMM)
	return f.HeightMM * scale, caption, scale
}

// text writes a paragraph; cautions and safety have a bar and a word, so that
// nothing rests on colour.
func (s *pdfSheet) text(t Text) {
	x, width, em, bold := pdfMargin, s.body(), pdfEm, false
	word := ""
	switch t.Tone {
	case Lead:
		em, bold = 3.9, true
	case Note:
		em = 3.0
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
		s.Rect(pdfMargin, top+0.4, 1.2, s.y-top, "F")
	}
	s.y += 1.6
}

func (s *pdfSheet) facts(list []Fact) {
	const label = 58.0
	for _, f := range list {
		s.setFont(pdfEm, false)
		s.room(float64(len(s.lines(f.Value, s.body()-label))) * pdfEm * pdfLeading)
		s.setFont(pdfEm, false)
		s.SetTextColor(0x55, 0x55, 0x55)
		s.Text(pdfMargin, s.y+pdfEm, s.fit(f.Name, label-2))
		s.write(pdfMargin+label, s.body()-label, pdfEm, false, f.Value)
		s.y += 0.5
	}
	s.y += 2
}

// figure draws a figure as lines and type, and makes it smaller where the page
// is.
func (s *pdfSheet) figure(f Figure) {
	h, caption, scale := s.figureSize(f)
	s.room(h + caption + 4)
	s.anchor(f.ID)
	s.y += 1
	c := newPDFCanvas(s, pdfMargin, s.y+h)
	c.Scale(scale, scale)
	f.draw(draw.NewCanvas(c, mm(f.WidthMM), mm(f.HeightMM)))
	s.y += h + 1.5
	s.write(pdfMargin, s.body(), 3.0, false, f.Caption)
	s.y += 3
}

// table sets columns as wide as they need, breaks lines where they do not fit,
// and repeats its head on every page.
func (s *pdfSheet) table(t Table) {
	em := pdfTableEm
	widths := s.columnWidths(t, em)
	const pad = 1.2
	head := make([]Cell, len(t.Columns))
	for i, c := range t.Columns {
		head[i].Text = c.Head
	}
	height := func(cells []Cell, bold bool) float64 {
		most := 1
		for i, c := range cells {
			s.setFont(em, bold || i == 0)
			most = max(most, len(s.lines(c.Text, widths[i]-2*pad)))
		}
		return float64(most)*em*pdfLeading + 1.2
	}
	line := func(cells []Cell, bold bool) {
		x, h := pdfMargin, height(cells, bold)
		for i, c := range cells {
			s.setFont(em, bold || i == 0)
			s.SetTextColor(0x22, 0x22, 0x22)
			if c.Link != "" {
				s.SetTextColor(0x0b, 0x4f, 0x8a)
			}
			for k, l := range s.lines(c.Text, widths[i]-2*pad) {
				at := x + pad
				if i < len(t.Columns) && t.Columns[i].Numeric {
					at = x + widths[i] - pad - s.GetStringWidth(l)
				}
				s.Text(at, s.y+em+0.3+float64(k)*em*pdfLeading, l)
			}
			if c.Link != "" {
				s.Link(x, s.y, widths[i], h, s.link(c.Link))
			}
			x += widths[i]
		}
		s.y += h
		weight := 0.1
		if bold {
			weight = 0.35
		}
		s.SetDrawColor(0x77, 0x77, 0x77)
		s.SetLineWidth(weight)
		s.Line(pdfMargin, s.y, x, s.y)
	}
	// A small table stays whole; a large one begins with a few rows at least.
	const whole = 75
	begin := 0.0
	for i, r := range t.Rows {
		h := height(r.Cells, false)
		if i >= 3 && begin+h > whole {
			begin = min(begin, 20)
			break
		}
		begin += h
	}
	s.setFont(3.2, true)
	s.room(float64(len(s.lines(t.Caption, s.body())))*3.2*pdfLeading + height(head, true) + begin)
	s.anchor(t.ID)
	s.write(pdfMargin, s.body(), 3.2, true, t.Caption)
	line(head, true)
	for _, r := range t.Rows {
		if s.y+height(r.Cells, false) > s.height-pdfFooter-4 {
			s.newPage()
			line(head, true)
		}
		s.anchor(r.ID)
		line(r.Cells, false)
	}
	s.y += 1
	if t.Note != "" {
		s.write(pdfMargin, s.body(), 2.9, false, t.Note)
	}
	s.y += 3
}

// columnWidths gives every column what its longest line wants; where that is
// too much the widest give way.
func (s *pdfSheet) columnWidths(t Table, em float64) []float64 {
	const pad = 1.2
	want := make([]float64, len(t.Columns))
	least := make([]float64, len(t.Columns))
	measure := func(i int, text string, bold bool) {
		s.setFont(em, bold)
		text = s.printable(text)
		want[i] = max(want[i], s.GetStringWidth(text)+2*pad+0.2)
		for _, word := range strings.Fields(text) {
			least[i] = max(least[i], min(40, s.GetStringWidth(word)+2*pad+0.2))
		}
	}
	for i, c := range t.Columns {
		for _, word := range strings.Fields(c.Head) {
			measure(i, word, true)
		}
		s.setFont(em, true)
		want[i] = max(want[i], min(22, s.GetStringWidth(s.printable(c.Head))+2*pad+0.2))
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
	for total > s.body() {
		widest := -1
		for i := range want {
			if want[i] > least[i] && (widest < 0 || want[i] > want[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			for i := range want {
				want[i] *= s.body() / total
			}
			break
		}
		cut := min(1, want[widest]-least[widest], total-s.body())
		want[widest] -= cut
		total -= cut
	}
	return want
}
