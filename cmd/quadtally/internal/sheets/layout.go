package sheets

import (
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// layoutColumns are the names a layout's columns may have.
var layoutColumns = map[string][]string{
	"plot":      {"plot", "plot id", "plot no", "plot number"},
	"block":     {"block", "rep", "replicate", "row"},
	"column":    {"column", "col"},
	"treatment": {"treatment", "trt", "treat"},
	"bed":       {"bed", "first bed"},
	"beds":      {"beds", "number of beds"},
	"from":      {"from", "from m", "from ft", "start"},
	"length":    {"length", "length m", "length ft"},
	"order":     {"order", "walk"},
}

// LayoutRows takes a table of plots that are in the ground already apart, a row
// a plot, for [trial.FromTable]. The columns plot and treatment are needed.
func LayoutRows(s *tables.Sheet) (rows []trial.TableRow, faults trial.Faults) {
	for _, f := range s.Faults {
		faults = append(faults, trial.Fault{Text: s.FaultText(f)})
	}
	for _, need := range []string{"plot", "treatment"} {
		if s.Column(layoutColumns[need]...) < 0 {
			faults = append(faults, trial.Fault{Text: s.MissingColumn(need).Error()})
		}
	}
	if len(faults) > 0 {
		return nil, faults
	}
	cell := func(row tables.Row, name string) string {
		c := s.Column(layoutColumns[name]...)
		if c < 0 {
			return ""
		}
		if d := row.Cells[c].Date; !d.IsZero() {
			return d.String() // a number the spreadsheet took for a date: shown as it stands
		}
		return row.Cells[c].Text
	}
	// A number is in the unit its header names; without one it is in the plan's.
	length := func(row tables.Row, name string) string {
		text := cell(row, name)
		for _, unit := range []string{"m", "ft"} {
			if _, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err == nil && s.Column(name+" "+unit) >= 0 && s.Column(name) < 0 {
				return text + " " + unit
			}
		}
		return text
	}
	for _, r := range s.Rows {
		rows = append(rows, trial.TableRow{Where: s.Where(r.Line), Plot: cell(r, "plot"), Block: cell(r, "block"), Column: cell(r, "column"),
			Treatment: cell(r, "treatment"), Bed: cell(r, "bed"), Beds: cell(r, "beds"), From: length(r, "from"), Length: length(r, "length"), Order: cell(r, "order")})
	}
	return rows, nil
}
