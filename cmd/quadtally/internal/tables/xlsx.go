package tables

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"quadtally/cmd/quadtally/internal/trial"
)

// unzipLimit is what an XLSX may unpack to; a sheet of field data is far
// smaller, a zip bomb far larger.
const unzipLimit = 256 << 20

// readXLSX reads the first sheet that has rows. Merged cells are expanded and
// noted; cells the file marks as dates keep their date; a formula counts with
// the value the spreadsheet last stored for it.
func readXLSX(name string, data []byte) (s *Sheet, err error) {
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
		return nil, fmt.Errorf("%s cannot be opened as a spreadsheet (%v): save it again as .xlsx or CSV", name, err)
	}
	defer f.Close()
	sheets := f.GetSheetList()
	for _, sheet := range sheets {
		s = &Sheet{Name: name}
		if len(sheets) > 1 {
			s.Name = name + "[" + sheet + "]"
		}
		if err := s.fill(f, sheet); err != nil {
			return nil, err
		}
		if s.Header != nil {
			if len(sheets) > 1 {
				s.Notes = append(s.Notes, fmt.Sprintf("the workbook has %d sheets; %q was read", len(sheets), sheet))
			}
			return s, s.finish()
		}
	}
	return nil, fmt.Errorf("%s has no rows", name)
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

func (s *Sheet) fill(f *excelize.File, sheet string) error {
	merged, err := f.GetMergeCells(sheet)
	if err != nil {
		return fmt.Errorf("%s cannot be read (%v): save it again as .xlsx or CSV", s.Name, err)
	}
	type at struct{ col, row int }
	from := map[at]string{} // covered cell: the cell that holds its value
	all := 0
	for _, m := range merged {
		c1, r1, e1 := excelize.CellNameToCoordinates(m.GetStartAxis())
		c2, r2, e2 := excelize.CellNameToCoordinates(m.GetEndAxis())
		if e1 != nil || e2 != nil || c2 < c1 || r2 < r1 {
			return fmt.Errorf("%s has an unreadable merged range %s: unmerge it", s.Name, m.GetStartAxis()+":"+m.GetEndAxis())
		}
		if all += (c2 - c1 + 1) * (r2 - r1 + 1); all > maxMerged {
			return fmt.Errorf("%s has more than %d merged cells: unmerge those without data", s.Name, maxMerged)
		}
		for c := c1; c <= c2; c++ {
			for r := r1; r <= r2; r++ {
				from[at{c, r}] = m.GetStartAxis()
			}
		}
		s.Notes = append(s.Notes, fmt.Sprintf("merged cells %s:%s were expanded", m.GetStartAxis(), m.GetEndAxis()))
	}
	rows, err := f.Rows(sheet)
	if err != nil {
		return fmt.Errorf("%s cannot be read (%v): save it again as .xlsx or CSV", s.Name, err)
	}
	defer rows.Close()
	dateStyle := map[int]bool{}
	for line := 1; rows.Next(); line++ {
		texts, err := rows.Columns()
		if err != nil {
			s.fault(line, "cannot be read (%v)", err)
			continue
		}
		if len(texts) > MaxColumns {
			return fmt.Errorf("%s has more than %d columns: save only the columns with data", s.Name, MaxColumns)
		}
		width := max(len(texts), len(s.Header))
		row := Row{Line: line}
		any := false
		for c := 1; c <= width; c++ {
			axis, err := excelize.CoordinatesToCellName(c, line)
			if err != nil {
				return err
			}
			if m, ok := from[at{c, line}]; ok {
				axis = m
			} else if c > len(texts) || (texts[c-1] == "" && !hasFormula(f, sheet, axis)) {
				row.Cells = append(row.Cells, Cell{})
				continue
			}
			cell, err := s.cell(f, sheet, axis, dateStyle)
			if err != nil {
				s.fault(line, "cell %s %v", axis, err)
			}
			any = any || cell.Text != ""
			row.Cells = append(row.Cells, cell)
		}
		switch {
		case !any:
		case s.Header == nil:
			for _, c := range row.Cells {
				s.Header = append(s.Header, c.Text)
			}
			for len(s.Header) > 0 && s.Header[len(s.Header)-1] == "" {
				s.Header = s.Header[:len(s.Header)-1]
			}
		case len(s.Rows) == MaxRows:
			return fmt.Errorf("%s has more than %d rows", s.Name, MaxRows)
		default:
			for _, c := range row.Cells[len(s.Header):] {
				if c.Text != "" {
					s.fault(line, "has a value to the right of the last header: name its column or clear it")
					break
				}
			}
			row.Cells = row.Cells[:len(s.Header)]
			s.Rows = append(s.Rows, row)
		}
	}
	return rows.Error()
}

// cell reads one cell with its type.
func (s *Sheet) cell(f *excelize.File, sheet, axis string, dateStyle map[int]bool) (Cell, error) {
	raw, err := f.GetCellValue(sheet, axis)
	if err != nil {
		return Cell{}, fmt.Errorf("cannot be read (%w)", err)
	}
	kind, err := f.GetCellType(sheet, axis)
	if err != nil {
		return Cell{}, fmt.Errorf("cannot be read (%w)", err)
	}
	text := Tidy(raw)
	if kind == excelize.CellTypeError {
		return Cell{}, fmt.Errorf("shows the error %s: correct the formula or type the value", text)
	}
	if text == "" && hasFormula(f, sheet, axis) {
		return Cell{}, fmt.Errorf("holds a formula without a stored value: save the workbook in the spreadsheet once, or type the value")
	}
	if kind == excelize.CellTypeSharedString || kind == excelize.CellTypeInlineString || kind == excelize.CellTypeBool {
		return Cell{Text: text}, nil
	}
	n, err := parse(text, Point)
	if err != nil {
		return Cell{Text: text}, nil
	}
	style, err := f.GetCellStyle(sheet, axis)
	if err == nil && isDateStyle(f, style, dateStyle) && n > 0 && n < 110_000 {
		t, err := excelize.ExcelDateToTime(n, false)
		if err == nil {
			d := trial.DateOf(t.Round(time.Second))
			return Cell{Text: d.String(), Date: d}, nil
		}
	}
	return Cell{Text: text, Number: &n}, nil
}

func hasFormula(f *excelize.File, sheet, axis string) bool {
	formula, err := f.GetCellFormula(sheet, axis)
	return err == nil && formula != ""
}

// isDateStyle reports a number format that shows days (ECMA-376 part 1,
// 18.8.30: built-in ids 14 to 17 and 22; or a format of the user's own).
func isDateStyle(f *excelize.File, style int, known map[int]bool) bool {
	if v, ok := known[style]; ok {
		return v
	}
	is := false
	if st, err := f.GetStyle(style); err == nil {
		switch {
		case st.NumFmt >= 14 && st.NumFmt <= 17, st.NumFmt == 22, st.NumFmt >= 27 && st.NumFmt <= 36, st.NumFmt >= 50 && st.NumFmt <= 58:
			is = true
		case st.CustomNumFmt != nil:
			low := strings.ToLower(*st.CustomNumFmt)
			is = strings.Contains(low, "d") && strings.ContainsAny(low, "my") && !strings.Contains(low, "red")
		}
	}
	known[style] = is
	return is
}
