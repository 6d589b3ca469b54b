package tables

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"quadtally/cmd/quadtally/internal/trial"
)

// unzipLimit is what an XLSX may unpack to; a sheet of field data is far
// smaller, a zip bomb far larger.
const unzipLimit = 256 << 20

// readXLSX reads the worksheet that is asked for, or the first visible one that
// has rows. Merged cells are expanded and noted; cells the file marks as dates
// keep their date; a formula counts with the value the spreadsheet last stored
// for it, where that is what the formula gives.
func readXLSX(name string, data []byte, opt Options) (s *Sheet, err error) {
	defer func() {
		if r := recover(); r != nil {
			s, err = nil, fmt.Errorf("%s is damaged: open it in a spreadsheet and save it again as .xlsx or CSV", name)
		}
	}()
	if err := checkRowNumbers(name, data); err != nil {
		return nil, err
	}
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{
		RawCellValue: true, UnzipSizeLimit: unzipLimit, UnzipXMLSizeLimit: unzipLimit / 4})
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened as a spreadsheet: open it in the program that made it and save it as .xlsx or CSV", name)
	}
	defer f.Close()
	var visible, hidden []string
	for _, sheet := range f.GetSheetList() {
		if shown, err := f.GetSheetVisible(sheet); err == nil && !shown {
			hidden = append(hidden, sheet)
		} else {
			visible = append(visible, sheet)
		}
	}
	return chooseSheet(name, opt, visible, hidden, func(s *Sheet, sheet string) ([]Row, error) { return s.fill(f, sheet) })
}

// chooseSheet reads the worksheet that is asked for, or the first visible one
// with rows, and says what it left.
func chooseSheet(name string, opt Options, visible, hidden []string, fill func(*Sheet, string) ([]Row, error)) (*Sheet, error) {
	candidates := visible
	if opt.Worksheet != "" {
		i := slices.IndexFunc(slices.Concat(visible, hidden), func(s string) bool { return Key(s) == Key(opt.Worksheet) })
		if i < 0 {
			return nil, fmt.Errorf("%s has no worksheet %q: it has %s", name, opt.Worksheet, quoted(slices.Concat(visible, hidden)))
		}
		candidates = slices.Concat(visible, hidden)[i : i+1]
	}
	for _, sheet := range candidates {
		s := &Sheet{Name: name}
		if len(visible) > 1 || opt.Worksheet != "" {
			s.Name = name + "[" + sheet + "]"
		}
		for _, other := range slices.Concat(visible, hidden) {
			if other != sheet {
				s.Others = append(s.Others, other)
			}
		}
		rows, err := fill(s, sheet)
		if err != nil {
			return nil, err
		}
		if len(rows) == 0 {
			continue
		}
		if opt.Worksheet == "" && len(visible) > 1 {
			s.Notes = append(s.Notes, fmt.Sprintf("the workbook has %d worksheets; %q was read, another one with --worksheet", len(visible), sheet))
		}
		if opt.Worksheet == "" && len(hidden) > 0 {
			s.Notes = append(s.Notes, fmt.Sprintf("hidden worksheets were not read: %s", quoted(hidden)))
		}
		return s, s.assemble(rows)
	}
	if len(hidden) > 0 && opt.Worksheet == "" {
		return nil, fmt.Errorf("%s has rows on hidden worksheets alone (%s): show the one that is meant, or name it with --worksheet", name, quoted(hidden))
	}
	return nil, fmt.Errorf("%s has no rows", name)
}

func quoted(words []string) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = strconv.Quote(w)
	}
	return strings.Join(out, ", ")
}

// maxLooseRows is how many rows may come without a number of their own (ECMA-376
// part 1, 18.3.1.73, lets them). Putting them in order takes the library the
// square of their number.
const maxLooseRows = 5000

// checkRowNumbers refuses a workbook with more loose rows than that, which no
// spreadsheet program writes. Everything else that may be wrong with the file
// is left to the reader.
func checkRowNumbers(name string, data []byte) error {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil
	}
	for _, member := range z.File {
		if !strings.HasPrefix(strings.ToLower(member.Name), "xl/worksheets/") {
			continue
		}
		h, err := member.Open()
		if err != nil {
			continue
		}
		n := countLooseRows(io.LimitReader(h, unzipLimit/4))
		h.Close()
		if n > maxLooseRows {
			return fmt.Errorf("%s has more than %d rows without a row number: open it in a spreadsheet and save it again as .xlsx or CSV", name, maxLooseRows)
		}
	}
	return nil
}

// maxMerged is how many cells may be merged into others, all together.
const maxMerged = 100_000

func countLooseRows(r io.Reader) (n int) {
	d := xml.NewDecoder(r)
	last := "0"
	for n <= maxLooseRows {
		t, err := d.RawToken()
		if err != nil {
			return n
		}
		row, ok := t.(xml.StartElement)
		if !ok || row.Name.Local != "row" {
			continue
		}
		number := ""
		for _, a := range row.Attr {
			if a.Name.Local == "r" {
				number = a.Value
			}
		}
		if number == "" || number == "0" || number == last {
			n++
		} else {
			last = number
		}
	}
	return n
}

// place is a cell by column and row, from 1.
type place struct{ col, row int }

// merges lists for every cell that lies under another the cell whose content it
// shows.
func (s *Sheet) merges(f *excelize.File, sheet string) (map[place]place, error) {
	merged, err := f.GetMergeCells(sheet)
	if err != nil {
		return nil, s.unreadable()
	}
	from := map[place]place{}
	all := 0
	for _, m := range merged {
		c1, r1, e1 := excelize.CellNameToCoordinates(m.GetStartAxis())
		c2, r2, e2 := excelize.CellNameToCoordinates(m.GetEndAxis())
		if e1 != nil || e2 != nil || c2 < c1 || r2 < r1 {
			return nil, fmt.Errorf("%s has an unreadable merged range %s: unmerge it", s.Name, m.GetStartAxis()+":"+m.GetEndAxis())
		}
		if all += (c2 - c1 + 1) * (r2 - r1 + 1); all > maxMerged {
			return nil, fmt.Errorf("%s has more than %d merged cells: unmerge those without data", s.Name, maxMerged)
		}
		for c := c1; c <= c2; c++ {
			for r := r1; r <= r2; r++ {
				from[place{c, r}] = place{c1, r1}
			}
		}
		s.Notes = append(s.Notes, fmt.Sprintf("merged cells %s:%s were expanded", m.GetStartAxis(), m.GetEndAxis()))
	}
	return from, nil
}

func (s *Sheet) unreadable() error {
	return fmt.Errorf("%s cannot be read: open it in a spreadsheet and save it again as .xlsx or CSV", s.Name)
}

// fill reads the rows of a worksheet that are not blank.
func (s *Sheet) fill(f *excelize.File, sheet string) ([]Row, error) {
	from, err := s.merges(f, sheet)
	if err != nil {
		return nil, err
	}
	rows, err := f.Rows(sheet)
	if err != nil {
		return nil, s.unreadable()
	}
	defer rows.Close()
	w := worksheet{f: f, sheet: sheet, styles: map[int]format{}}
	if props, err := f.GetWorkbookProps(); err == nil && props.Date1904 != nil {
		w.date1904 = *props.Date1904
	}
	var out []Row
	var hidden []int
	width := 0
	for line := 1; rows.Next(); line++ {
		texts, err := rows.Columns()
		if err != nil {
			s.fault(line, "cannot be read: type the row again")
			continue
		}
		if len(texts) > MaxColumns {
			return nil, fmt.Errorf("%s has more than %d columns: save only the columns with data", s.Name, MaxColumns)
		}
		row, any := s.row(&w, line, texts, max(len(texts), width), from)
		if !any {
			continue
		}
		if len(out) > MaxRows {
			return nil, fmt.Errorf("%s has more than %d rows", s.Name, MaxRows)
		}
		if rows.GetRowOpts().Hidden {
			hidden = append(hidden, line)
		}
		width = max(width, len(row.Cells))
		out = append(out, row)
	}
	if len(hidden) > 0 {
		s.Notes = append(s.Notes, hiddenNote(hidden, "row"))
	}
	s.noteHiddenColumns(f, sheet, width)
	if rows.Error() != nil {
		return nil, s.unreadable()
	}
	return out, nil
}

func hiddenNote(lines []int, what string) string {
	g := FaultGroup{Lines: lines}
	if len(lines) == 1 {
		return fmt.Sprintf("1 hidden %s is included (%s)", what, g.Rows())
	}
	return fmt.Sprintf("%d hidden %ss are included (%s)", len(lines), what, g.Rows())
}

func (s *Sheet) noteHiddenColumns(f *excelize.File, sheet string, width int) {
	var hidden []string
	for c := 1; c <= width; c++ {
		name, err := excelize.ColumnNumberToName(c)
		if err != nil {
			return
		}
		if shown, err := f.GetColVisible(sheet, name); err == nil && !shown {
			hidden = append(hidden, name)
		}
	}
	if len(hidden) > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("hidden columns are included: %s", strings.Join(hidden, ", ")))
	}
}

// row reads the cells of one row; any tells whether one holds something.
func (s *Sheet) row(w *worksheet, line int, texts []string, width int, from map[place]place) (row Row, any bool) {
	row.Line = line
	for c := 1; c <= width; c++ {
		at := place{c, line}
		origin, merged := from[at]
		if !merged {
			origin = at
		}
		axis, err := excelize.CoordinatesToCellName(origin.col, origin.row)
		if err != nil {
			return row, any
		}
		if !merged && (c > len(texts) || (texts[c-1] == "" && w.formula(axis) == "")) {
			row.Cells = append(row.Cells, Cell{})
			continue
		}
		cell, err := s.cell(w, axis)
		if err != nil {
			s.fault(line, "cell %s %v", axis, err)
		}
		cell.Merged = merged && origin != at
		any = any || cell.Text != ""
		row.Cells = append(row.Cells, cell)
	}
	return row, any
}

// worksheet is one worksheet with what its cells' formats mean.
type worksheet struct {
	f        *excelize.File
	sheet    string
	date1904 bool // days are counted from 1904-01-01 (ECMA-376 part 1, 18.2.28)
	styles   map[int]format
	worked   int // formulas that were worked out again
}

// format is what a number format makes of a number.
type format struct{ date, percent bool }

func (w *worksheet) formula(axis string) string {
	formula, err := w.f.GetCellFormula(w.sheet, axis)
	if err != nil {
		return ""
	}
	return formula
}

// cell reads one cell with its type.
func (s *Sheet) cell(w *worksheet, axis string) (Cell, error) {
	raw, err := w.f.GetCellValue(w.sheet, axis)
	if err != nil {
		return Cell{}, errors.New("cannot be read: type it again")
	}
	kind, err := w.f.GetCellType(w.sheet, axis)
	if err != nil {
		return Cell{}, errors.New("cannot be read: type it again")
	}
	text := Tidy(raw)
	formula := w.formula(axis)
	if kind == excelize.CellTypeError {
		return Cell{}, fmt.Errorf("shows the error %s: correct the formula or type the value", text)
	}
	if formula != "" {
		if err := w.checkFormula(axis, formula, text); err != nil {
			return Cell{}, err
		}
	}
	switch kind {
	case excelize.CellTypeSharedString, excelize.CellTypeInlineString:
		return Cell{Text: text}, nil
	case excelize.CellTypeBool: // a person sees TRUE, which is no number
		return Cell{Text: map[bool]string{true: "TRUE", false: "FALSE"}[text == "1" || strings.EqualFold(text, "true")]}, nil
	}
	n, err := parse(text, Point)
	if err != nil {
		return Cell{Text: text}, nil
	}
	style, err := w.f.GetCellStyle(w.sheet, axis)
	shows := format{}
	if err == nil {
		shows = w.formatOf(style)
	}
	switch {
	case shows.date && n > 0 && n < 110_000:
		if t, err := excelize.ExcelDateToTime(n, w.date1904); err == nil {
			d := trial.DateOf(t.Round(time.Second))
			return Cell{Text: d.String(), Date: d}, nil
		}
	case shows.percent:
		return percentCell(n), nil
	}
	return Cell{Text: text, Number: &n}, nil
}

// percentCell is a cell that holds 0.45 and shows 45 %.
func percentCell(fraction float64) Cell {
	shown, err := strconv.ParseFloat(strconv.FormatFloat(fraction*100, 'g', 12, 64), 64)
	if err != nil {
		shown = fraction * 100
	}
	return Cell{Text: strconv.FormatFloat(shown, 'g', -1, 64) + " %", Number: &shown, Percent: true}
}

// maxWorked is how many formulas of a worksheet are worked out again.
const maxWorked = 5000

var (
	cellReference = regexp.MustCompile(`(\$?[A-Z]{1,3}\$?[0-9]{1,7})(?::(\$?[A-Z]{1,3}\$?[0-9]{1,7}))?`)
	changing      = regexp.MustCompile(`(?i)\b(NOW|TODAY|RAND|RANDBETWEEN|OFFSET|INDIRECT|CELL|INFO)\(`)
	foreignSheet  = regexp.MustCompile(`[!\[\]"']`)
)

// checkFormula refuses a stored result that a person would not see: none, one
// over empty cells alone, or another than the formula gives (programs that
// write formulas without working them out store 0).
func (w *worksheet) checkFormula(axis, formula, stored string) error {
	if stored == "" {
		return errors.New("holds a formula without a stored value: save the workbook in the spreadsheet once, or type the value")
	}
	if changing.MatchString(formula) || foreignSheet.MatchString(formula) {
		return nil
	}
	if refs := cellReference.FindAllStringSubmatch(formula, -1); len(refs) > 0 && w.allEmpty(refs) {
		return fmt.Errorf("is a formula over empty cells (%s): is it %s, or was nothing entered? Type the value, or leave the cell blank", formula, stored)
	}
	if w.worked++; w.worked > maxWorked {
		return nil
	}
	gives, err := w.f.CalcCellValue(w.sheet, axis, excelize.Options{RawCellValue: true})
	if err != nil {
		return nil // a function that is not known here: the spreadsheet's result stands
	}
	a, errA := strconv.ParseFloat(gives, 64)
	b, errB := strconv.ParseFloat(stored, 64)
	if errA == nil && errB == nil && math.Abs(a-b) > 1e-6*max(1, math.Abs(a)) {
		return fmt.Errorf("holds %s, but its formula %s gives %s: save the workbook in the spreadsheet once, or type the value", stored, formula, gives)
	}
	return nil
}

// allEmpty reports that none of the cells a formula refers to holds anything.
func (w *worksheet) allEmpty(refs [][]string) bool {
	looked := 0
	for _, r := range refs {
		from, to := strings.ReplaceAll(r[1], "$", ""), strings.ReplaceAll(r[2], "$", "")
		if to == "" {
			to = from
		}
		c1, r1, e1 := excelize.CellNameToCoordinates(from)
		c2, r2, e2 := excelize.CellNameToCoordinates(to)
		if e1 != nil || e2 != nil {
			return false
		}
		for c := min(c1, c2); c <= max(c1, c2); c++ {
			for row := min(r1, r2); row <= max(r1, r2); row++ {
				if looked++; looked > 1000 {
					return false
				}
				axis, err := excelize.CoordinatesToCellName(c, row)
				if err != nil {
					return false
				}
				if v, err := w.f.GetCellValue(w.sheet, axis); err != nil || v != "" {
					return false
				}
			}
		}
	}
	return true
}

// formatOf says what a number format shows (ECMA-376 part 1, 18.8.30: days in
// the built-in formats 14 to 17 and 22, percentages in 9 and 10; or a format of
// the user's own).
func (w *worksheet) formatOf(style int) format {
	if v, ok := w.styles[style]; ok {
		return v
	}
	var is format
	if st, err := w.f.GetStyle(style); err == nil {
		switch {
		case st.NumFmt >= 14 && st.NumFmt <= 17, st.NumFmt == 22, st.NumFmt >= 27 && st.NumFmt <= 36, st.NumFmt >= 50 && st.NumFmt <= 58:
			is.date = true
		case st.NumFmt == 9, st.NumFmt == 10:
			is.percent = true
		case st.CustomNumFmt != nil:
			low := strings.ToLower(quotedText.ReplaceAllString(*st.CustomNumFmt, ""))
			is.percent = strings.Contains(low, "%")
			is.date = !is.percent && strings.Contains(low, "d") && strings.ContainsAny(low, "my") && !strings.Contains(low, "red")
		}
	}
	w.styles[style] = is
	return is
}

// quotedText is what a number format shows as it stands.
var quotedText = regexp.MustCompile(`"[^"]*"|\\.`)
