// Package print prints what goes to the field: plot cards that the camera can
// read, marks for the corners of a frame, field sheets, and the map. Every
// page is vector PDF in true size: printed at 100 %, a millimetre is one.
package print

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"quadtally/cmd/quadtally/internal/trial"
)

// Paper is the size of a sheet.
type Paper string

// The two sizes of office paper.
const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

// SizeMM is the upright sheet in millimetres: ISO 216 and ANSI/ASME Y14.1.
func (p Paper) SizeMM() (width, height float64, err error) {
	switch p {
	case A4:
		return 210, 297, nil
	case Letter:
		return 215.9, 279.4, nil
	}
	return 0, 0, fmt.Errorf("paper %q is not known: use %q or %q", p, A4, Letter)
}

// Options says how things are printed.
type Options struct {
	Paper Paper
	// Blind leaves the treatment off, so that whoever counts does not know it.
	Blind bool
	// FourOnPage prints four small cards a page in place of two.
	FourOnPage bool
	// PerQuadrat prints one card for each quadrat instead of one for each plot.
	PerQuadrat bool
	// Printed is the day written into the file, so that the same call gives the
	// same bytes.
	Printed time.Time
}

// DefaultOptions prints one card a plot on A4, without the treatment.
func DefaultOptions() Options { return Options{Paper: A4, Blind: true} }

const family = "sans"

// sheet is a PDF in the making. Text goes through put, which keeps any name
// printable.
type sheet struct {
	*fpdf.Fpdf
	width, height float64
	missing       map[rune]bool
}

// newSheet opens a document; landscape turns the paper.
func newSheet(opt Options, title string, landscape bool) (*sheet, error) {
	w, h, err := opt.Paper.SizeMM()
	if err != nil {
		return nil, err
	}
	if landscape {
		w, h = h, w
	}
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: w, Ht: h}})
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.SetCellMargin(0)
	f.SetCatalogSort(true)
	if opt.Printed.IsZero() {
		opt.Printed = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	f.SetCreationDate(opt.Printed)
	f.SetModificationDate(opt.Printed)
	f.SetProducer("quadtally", true)
	f.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	f.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	s := &sheet{Fpdf: f, width: w, height: h, missing: map[rune]bool{}}
	f.SetTitle(s.printable(title), true)
	return s, f.Error()
}

// printable leaves out what cannot be printed; the caller learns which
// characters from missing.
func (s *sheet) printable(text string) string {
	out, err := Printable(text, func(r rune) { s.missing[r] = true })
	if err != nil {
		s.SetError(err)
	}
	return out
}

// put writes one line with its baseline at y. align is "start", "middle" or
// "end" about x; em is the height of the type in mm.
func (s *sheet) put(x, y, em float64, align string, bold bool, text string) {
	text = s.printable(text)
	s.setFont(em, bold)
	switch align {
	case "middle":
		x -= s.GetStringWidth(text) / 2
	case "end":
		x -= s.GetStringWidth(text)
	}
	s.Text(x, y, text)
}

func (s *sheet) setFont(em float64, bold bool) {
	style := ""
	if bold {
		style = "B"
	}
	s.SetFont(family, style, em/25.4*72)
}

// putFit writes a line no wider than width, in type at most em high; a name
// too long even at a third of that is cut and ends in three dots.
func (s *sheet) putFit(x, y, width, em float64, align string, bold bool, text string) {
	text = s.printable(text)
	s.setFont(em, bold)
	if w := s.GetStringWidth(text); w > width {
		em = max(em*width/w, em/3)
		s.setFont(em, bold)
		for r := []rune(text); s.GetStringWidth(text) > width && len(r) > 1; {
			r = r[:len(r)-1]
			text = strings.TrimSpace(string(r)) + "..."
		}
	}
	s.put(x, y, em, align, bold, text)
}

// paragraph writes text in lines of at most width, and returns the baseline
// after the last.
func (s *sheet) paragraph(x, y, width, em float64, text string) float64 {
	s.setFont(em, false)
	line := ""
	for _, word := range strings.Fields(s.printable(text)) {
		if next := strings.TrimSpace(line + " " + word); line == "" || s.GetStringWidth(next) <= width {
			line = next
			continue
		}
		s.Text(x, y, line)
		y += em * 1.3
		line = word
	}
	s.Text(x, y, line)
	return y + em*1.3
}

// square fills a rectangle with a grey from 0 (black) to 255 (paper).
func (s *sheet) square(x, y, w, h float64, grey int) {
	s.SetFillColor(grey, grey, grey)
	s.Rect(x, y, w, h, "F")
}

// outline draws a thin rectangle.
func (s *sheet) outline(x, y, w, h, line float64, grey int) {
	s.SetDrawColor(grey, grey, grey)
	s.SetLineWidth(line)
	s.Rect(x, y, w, h, "D")
}

// scaleBar draws a bar of a true length that ends at right and is no longer
// than room: whole centimetres or half inches, up to 10 cm or 4 in.
func (s *sheet) scaleBar(right, y, room float64, u trial.Units) {
	step, most := 10.0, 10
	if u == trial.US {
		step, most = trial.MMPerInch/2, 8
	}
	n := min(most, int(room/step)/2*2)
	long := step * float64(n)
	x := right - long
	for i := 0; i < n; i += 2 {
		s.square(x+step*float64(i), y, step, 2.5, 0)
	}
	s.outline(x, y, long, 2.5, 0.2, 0)
	name := fmt.Sprintf("%g mm", long)
	if u == trial.US {
		name = fmt.Sprintf("%g in", long/trial.MMPerInch)
	}
	s.put(x, y+6.3, 3, "start", false, "0")
	s.put(right, y+6.3, 3, "end", false, name)
	s.putFit(x+long/2, y+6.3, long-26, 2.8, "middle", false, "print at 100 %, measure this bar")
}

// paperLength tells a length of the printed paper: marks and codes are made to
// millimetres, which stand beside the inches.
func paperLength(mm float64, u trial.Units) string {
	if u == trial.US {
		return fmt.Sprintf("%.2f in (%.4g mm)", mm/trial.MMPerInch, mm)
	}
	return fmt.Sprintf("%.4g mm", mm)
}

// finish writes the document and says which characters could not be printed.
func (s *sheet) finish(w io.Writer) (notes []string, err error) {
	if err := s.Output(w); err != nil {
		return nil, fmt.Errorf("the page could not be written: %w", err)
	}
	if len(s.missing) > 0 {
		notes = append(notes, "characters in names that the printed font has no letter for stand as question marks: "+Unprintable(slices.Sorted(maps.Keys(s.missing))))
	}
	return notes, nil
}

// MapPDF prints the map, on whichever way of turning the paper stretches it
// less, or gives the larger scale where it is not to be stretched.
func MapPDF(w io.Writer, t *trial.Trial, plots []trial.Plot, m trial.MapOptions, opt Options) (notes []string, err error) {
	pw, ph, err := opt.Paper.SizeMM()
	if err != nil {
		return nil, err
	}
	d, err := trial.MapDrawing(t, plots, pw, ph, m)
	if err != nil {
		return nil, err
	}
	turned, err := trial.MapDrawing(t, plots, ph, pw, m)
	if err != nil {
		return nil, err
	}
	landscape := turned.PaperPerGround > d.PaperPerGround
	if m.Stretch {
		bent := func(d trial.Drawing) float64 { return math.Abs(math.Log(d.PaperAcross / d.PaperPerGround)) }
		landscape = bent(turned) < bent(d)
	}
	if landscape {
		d = turned
	}
	s, err := newSheet(opt, "Map of "+t.Name, landscape)
	if err != nil {
		return nil, err
	}
	s.AddPage()
	for _, k := range d.Marks {
		s.mark(k)
	}
	return s.finish(w)
}

// mark draws one mark of a drawing.
func (s *sheet) mark(m trial.Mark) {
	if m.Text != "" {
		s.SetTextColor(0, 0, 0)
		s.put(m.Points[0].X, m.Points[0].Y, m.SizeMM, m.Align, m.Bold, m.Text)
		return
	}
	pts := make([]fpdf.PointType, len(m.Points))
	for i, p := range m.Points {
		pts[i] = fpdf.PointType{X: p.X, Y: p.Y}
	}
	style := ""
	if m.Fill != "" {
		s.SetFillColor(ink(m.Fill))
		style += "F"
	}
	if m.Stroke != "" {
		s.SetDrawColor(ink(m.Stroke))
		s.SetLineWidth(m.LineMM)
		style += "D"
	}
	if m.Dashed {
		s.SetDashPattern([]float64{1.2, 0.8}, 0)
		defer s.SetDashPattern(nil, 0)
	}
	if m.Closed {
		s.Polygon(pts, style)
		return
	}
	for i := 1; i < len(pts); i++ {
		s.Line(pts[i-1].X, pts[i-1].Y, pts[i].X, pts[i].Y)
	}
}

// ink reads "#rrggbb".
func ink(hex string) (r, g, b int) {
	v, _ := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	return int(v >> 16), int(v >> 8 & 255), int(v & 255)
}
