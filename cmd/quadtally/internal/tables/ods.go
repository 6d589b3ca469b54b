package tables

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
)

// The names below are those of the Open Document Format, OASIS ODF 1.3 part 3,
// sections 9 (tables) and 19 (attributes).

const odsType = "application/vnd.oasis.opendocument.spreadsheet"

func isODS(data []byte) bool {
	if !bytes.HasPrefix(data, []byte("PK\x03\x04")) {
		return false
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return false
	}
	kind, err := member(z, "mimetype", 200)
	return err == nil && strings.HasPrefix(strings.TrimSpace(string(kind)), odsType)
}

func member(z *zip.Reader, name string, limit int64) ([]byte, error) {
	f, err := z.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(b)) > limit {
		err = errors.New("too large")
	}
	return b, err
}

// maxODSCells is how many cells a workbook may hold: a few bytes can say that
// a row is repeated a million times.
const maxODSCells = 5_000_000

// odsTable is one worksheet as its XML says it.
type odsTable struct {
	name   string
	hidden bool
	rows   []odsRow
}

type odsRow struct {
	line   int
	hidden bool
	cells  []Cell
	faults []string
}

func readODS(name string, data []byte, opt Options) (*Sheet, error) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, fmt.Errorf("%s is damaged: open it in a spreadsheet and save it again as .xlsx or CSV", name)
	}
	content, err := member(z, "content.xml", unzipLimit/4)
	if err != nil {
		return nil, fmt.Errorf("%s is damaged or locked with a password: open it in a spreadsheet and save it as .xlsx or CSV", name)
	}
	p := odsReader{d: xml.NewDecoder(bytes.NewReader(content)), hiddenStyles: map[string]bool{}}
	tables, err := p.tables()
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read as a spreadsheet: open it and save it as .xlsx or CSV", name)
	}
	var visible, hidden []string
	for _, t := range tables {
		if t.hidden {
			hidden = append(hidden, t.name)
		} else {
			visible = append(visible, t.name)
		}
	}
	return chooseSheet(name, opt, visible, hidden, func(s *Sheet, sheet string) ([]Row, error) {
		t := tables[slices.IndexFunc(tables, func(t odsTable) bool { return t.name == sheet })]
		var rows []Row
		var shut []int
		for _, r := range t.rows {
			for _, f := range r.faults {
				s.fault(r.line, "%s", f)
			}
			if !slices.ContainsFunc(r.cells, func(c Cell) bool { return c.Text != "" }) {
				continue
			}
			if r.hidden {
				shut = append(shut, r.line)
			}
			rows = append(rows, Row{Line: r.line, Cells: r.cells})
		}
		if len(shut) > 0 {
			s.Notes = append(s.Notes, hiddenNote(shut, "row"))
		}
		return rows, nil
	})
}

// odsReader walks content.xml.
type odsReader struct {
	d            *xml.Decoder
	hiddenStyles map[string]bool // styles of worksheets that are not shown
	cells        int
}

func attr(e xml.StartElement, local string) string {
	for _, a := range e.Attr {
		if a.Name.Local == local {
			return a.Value
		}
	}
	return ""
}

// repeated is how often an element stands for itself, at most limit times.
func repeated(e xml.StartElement, local string, limit int) int {
	n, err := strconv.Atoi(attr(e, local))
	if err != nil || n < 1 {
		return 1
	}
	return min(n, limit)
}

func (p *odsReader) tables() ([]odsTable, error) {
	var out []odsTable
	style := ""
	for {
		t, err := p.d.Token()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		e, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		switch e.Name.Local {
		case "style":
			style = attr(e, "name")
		case "table-properties":
			if attr(e, "display") == "false" {
				p.hiddenStyles[style] = true
			}
		case "table":
			table := odsTable{name: attr(e, "name"), hidden: p.hiddenStyles[attr(e, "style-name")]}
			if table.rows, err = p.rows(); err != nil {
				return nil, err
			}
			out = append(out, table)
		}
	}
}

func (p *odsReader) rows() ([]odsRow, error) {
	var out []odsRow
	var above []Cell // of the row before, for merged cells
	line := 0
	for {
		t, err := p.d.Token()
		if err != nil {
			return nil, err
		}
		switch e := t.(type) {
		case xml.EndElement:
			if e.Name.Local == "table" {
				return out, nil
			}
		case xml.StartElement:
			if e.Name.Local != "table-row" {
				continue
			}
			row := odsRow{hidden: slices.Contains([]string{"collapse", "filter"}, attr(e, "visibility"))}
			if row.cells, row.faults, err = p.row(above); err != nil {
				return nil, err
			}
			above = row.cells
			filled := slices.ContainsFunc(row.cells, func(c Cell) bool { return c.Text != "" })
			n := repeated(e, "number-rows-repeated", 1<<30)
			if !filled {
				line += n // blank rows to the end of the sheet
				continue
			}
			for range n {
				p.cells += len(row.cells)
				if line++; len(out) > MaxRows || p.cells > maxODSCells {
					return nil, errors.New("too many rows")
				}
				row.line = line
				out = append(out, row)
			}
		}
	}
}

func (p *odsReader) row(above []Cell) (cells []Cell, faults []string, err error) {
	for {
		t, err := p.d.Token()
		if err != nil {
			return nil, nil, err
		}
		switch e := t.(type) {
		case xml.EndElement:
			if e.Name.Local == "table-row" {
				for len(cells) > 0 && cells[len(cells)-1].Text == "" {
					cells = cells[:len(cells)-1]
				}
				return cells, faults, nil
			}
		case xml.StartElement:
			covered := e.Name.Local == "covered-table-cell"
			if e.Name.Local != "table-cell" && !covered {
				if err := p.d.Skip(); err != nil {
					return nil, nil, err
				}
				continue
			}
			cell, fault, err := p.cell(e)
			if err != nil {
				return nil, nil, err
			}
			if fault != "" {
				faults = append(faults, fault)
			}
			for range repeated(e, "number-columns-repeated", MaxColumns+1-min(len(cells), MaxColumns)) {
				c := cell
				if covered { // what lies under a merged cell repeats it
					switch n := len(cells); {
					case n < len(above) && above[n].Text != "":
						c = above[n]
					case n > 0:
						c = cells[n-1]
					}
					c.Merged = true
				}
				cells = append(cells, c)
			}
			if len(cells) > MaxColumns && cell.Text != "" {
				return nil, nil, errors.New("too many columns")
			}
		}
	}
}

// cell reads one cell: its value by its type, else the text that is shown.
func (p *odsReader) cell(e xml.StartElement) (Cell, string, error) {
	var text []string
	var b strings.Builder
	depth := 0
	for {
		t, err := p.d.Token()
		if err != nil {
			return Cell{}, "", err
		}
		switch x := t.(type) {
		case xml.StartElement:
			switch {
			case x.Name.Local == "annotation": // a comment on the cell
				if err := p.d.Skip(); err != nil {
					return Cell{}, "", err
				}
			case x.Name.Local == "p":
				depth++
				b.Reset()
			case x.Name.Local == "s" || x.Name.Local == "tab" || x.Name.Local == "line-break":
				b.WriteString(" ")
			}
		case xml.CharData:
			if depth > 0 {
				b.Write(x)
			}
		case xml.EndElement:
			switch x.Name.Local {
			case "p":
				depth--
				text = append(text, b.String())
			case "table-cell", "covered-table-cell":
				c, fault := odsCell(e, Tidy(strings.Join(text, " ")))
				return c, fault, nil
			}
		}
	}
}

func odsCell(e xml.StartElement, shown string) (Cell, string) {
	number := func() (float64, bool) {
		n, err := parse(attr(e, "value"), Point)
		return n, err == nil
	}
	kind := attr(e, "value-type")
	if attr(e, "formula") != "" {
		switch {
		case kind == "":
			return Cell{}, "holds a formula without a stored value: save the workbook in the spreadsheet once, or type the value"
		case strings.HasPrefix(shown, "#") || strings.HasPrefix(shown, "Err:"):
			return Cell{}, fmt.Sprintf("shows the error %s: correct the formula or type the value", shown)
		}
	}
	switch kind {
	case "float", "currency":
		if n, ok := number(); ok {
			return Cell{Text: strconv.FormatFloat(n, 'g', -1, 64), Number: &n}, ""
		}
	case "percentage":
		if n, ok := number(); ok {
			return percentCell(n), ""
		}
	case "date":
		day, _, _ := strings.Cut(attr(e, "date-value"), "T")
		if d, err := trial.ParseDate(day); err == nil {
			return Cell{Text: d.String(), Date: d}, ""
		}
	case "boolean":
		return Cell{Text: strings.ToUpper(attr(e, "boolean-value"))}, ""
	}
	return Cell{Text: shown}, ""
}
