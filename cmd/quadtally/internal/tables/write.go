package tables

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"
)

// Table is a table to be written: a name, a header, and cells that are
// string, int, float64, bool or nil (blank).
type Table struct {
	Name   string
	Header []string
	Rows   [][]any
}

// Add appends a row.
func (t *Table) Add(cells ...any) { t.Rows = append(t.Rows, cells) }

// Guard makes a text safe to open in a spreadsheet: one that would be taken
// for a formula gets an apostrophe in front, the mark spreadsheets themselves
// use for "this is text". Unguard, which Read applies, takes it off again.
func Guard(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r'", rune(s[0])) && !missing[s] {
		return "'" + s
	}
	return s
}

// Unguard is the inverse of Guard.
func Unguard(s string) string {
	if len(s) > 1 && s[0] == '\'' && strings.ContainsRune("=+-@\t\r'", rune(s[1])) {
		return s[1:]
	}
	return s
}

// cellText is a cell as CSV holds it: numbers with all their digits and a
// decimal point, texts guarded.
func cellText(c any) string {
	switch v := c.(type) {
	case nil:
		return ""
	case string:
		return Guard(v)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return fmt.Sprint(c)
}

// WriteCSV writes UTF-8 CSV with commas and decimal points.
func WriteCSV(w io.Writer, t Table) error {
	cw := csv.NewWriter(w)
	if err := cw.Write(t.Header); err != nil {
		return err
	}
	rec := make([]string, len(t.Header))
	for _, row := range t.Rows {
		for i := range rec {
			rec[i] = ""
			if i < len(row) {
				rec[i] = cellText(row[i])
			}
		}
		if err := cw.Write(rec); err != nil {
			return err
		}
	}
	cw.Flush()
	return cw.Error()
}

// WriteXLSX writes a workbook with one sheet a table. Texts are stored as
// text, so that no spreadsheet turns them into formulas or dates.
func WriteXLSX(w io.Writer, list []Table) error {
	f := excelize.NewFile()
	defer f.Close()
	bold, err := f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return err
	}
	text, err := f.NewStyle(&excelize.Style{NumFmt: 49}) // "@", text
	if err != nil {
		return err
	}
	for i, t := range list {
		if i == 0 {
			if err := f.SetSheetName("Sheet1", t.Name); err != nil {
				return err
			}
		} else if _, err := f.NewSheet(t.Name); err != nil {
			return err
		}
		sw, err := f.NewStreamWriter(t.Name)
		if err != nil {
			return err
		}
		if err := sw.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
			return err
		}
		head := make([]any, len(t.Header))
		for k, h := range t.Header {
			head[k] = excelize.Cell{StyleID: bold, Value: h}
		}
		if err := sw.SetRow("A1", head); err != nil {
			return err
		}
		for r, row := range t.Rows {
			cells := make([]any, len(row))
			for k, c := range row {
				if s, ok := c.(string); ok {
					c = excelize.Cell{StyleID: text, Value: s}
				}
				cells[k] = c
			}
			axis, err := excelize.CoordinatesToCellName(1, r+2)
			if err != nil {
				return err
			}
			if err := sw.SetRow(axis, cells); err != nil {
				return err
			}
		}
		if err := sw.Flush(); err != nil {
			return err
		}
	}
	return f.Write(w)
}

// OfRows makes a table of rows whose first is the header.
func OfRows(rows [][]string) Table {
	t := Table{Header: rows[0]}
	for _, r := range rows[1:] {
		cells := make([]any, len(r))
		for i, c := range r {
			cells[i] = c
		}
		t.Add(cells...)
	}
	return t
}
