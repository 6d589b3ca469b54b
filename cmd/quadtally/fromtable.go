package main

import (
	"fmt"
	"strings"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// readSheet reads a CSV or XLSX and says what was tidied on the way.
func (a *app) readSheet(path string) (*tables.Sheet, error) {
	data, err := readFile(path, tables.MaxBytes)
	if err != nil {
		return nil, err
	}
	s, err := tables.Read(path, data)
	if err != nil {
		return nil, err
	}
	for _, n := range s.Notes {
		a.note("note: %s: %s", s.Name, n)
	}
	return s, nil
}

func sheetFault(s *tables.Sheet, f tables.Fault) string {
	if f.Line > 0 {
		return fmt.Sprintf("%s:%d: %s", s.Name, f.Line, f.Text)
	}
	return fmt.Sprintf("%s: %s", s.Name, f.Text)
}

func decimalOf(word string) (tables.Decimal, error) {
	switch word {
	case "":
		return tables.Undecided, nil
	case "point":
		return tables.Point, nil
	case "comma":
		return tables.Comma, nil
	}
	return 0, usagef("--decimal %q: say point or comma", word)
}

// rowsFromSheet reads a table for a comparison. Rows with a fault are left
// out and named; a column that cannot be settled is an error.
func rowsFromSheet(s *tables.Sheet, response string, f compareFlags) ([]stats.Row, []tables.Fault, error) {
	decimal, err := decimalOf(f.decimal)
	if err != nil {
		return nil, nil, err
	}
	tc := s.Column("treatment", "trt", "treat")
	if tc < 0 {
		return nil, nil, missingColumn(s, "the treatment (treatment or trt)")
	}
	vc := s.Column(f.value, response)
	if vc < 0 || (f.value == "" && response == "") {
		if vc = s.Column("value", "y"); vc < 0 {
			return nil, nil, missingColumn(s, fmt.Sprintf("the value (%s); name it with --value", response))
		}
	}
	bc, cc := s.Column("block", "rep", "replicate", "row"), s.Column("column")
	pc, qc := s.Column("plot", "plot id", "plot no"), s.Column("quadrat")
	values, faults := numbersByLine(s, vc, decimal)
	faults = append(append([]tables.Fault(nil), s.Faults...), faults...)
	var covariate map[int]tables.Value
	if f.covariate != "" {
		c := s.Column(f.covariate)
		if c < 0 {
			return nil, nil, missingColumn(s, "the covariate "+f.covariate)
		}
		var more []tables.Fault
		covariate, more = numbersByLine(s, c, decimal)
		faults = append(faults, more...)
	}
	days, more, err := daysOf(s, decimal)
	if err != nil {
		return nil, nil, err
	}
	faults = append(faults, more...)
	if len(values) == 0 && len(faults) > 0 {
		return nil, nil, fmt.Errorf("%s", sheetFault(s, faults[len(faults)-1]))
	}
	cell := func(row tables.Row, c int) string {
		if c < 0 {
			return ""
		}
		return row.Cells[c].Text
	}
	var rows []stats.Row
	for _, row := range s.Rows {
		v, ok := values[row.Line]
		if !ok {
			continue
		}
		r := stats.Row{Treatment: cell(row, tc), Block: cell(row, bc), Column: cell(row, cc), Plot: cell(row, pc), Quadrat: cell(row, qc),
			Value: v.Number, Missing: v.Missing, Source: s.Where(row.Line)}
		if days != nil {
			d, ok := days[row.Line]
			if !ok {
				continue
			}
			r.Day = d
		}
		if c, ok := covariate[row.Line]; ok && !c.Missing {
			r.Covariate, r.HasCovariate = c.Number, true
		}
		rows = append(rows, r)
	}
	return rows, faults, nil
}

func missingColumn(s *tables.Sheet, what string) error {
	return fmt.Errorf("%s has no column for %s; it has: %s", s.Name, what, strings.Join(s.Header, ", "))
}

func numbersByLine(s *tables.Sheet, col int, decimal tables.Decimal) (map[int]tables.Value, []tables.Fault) {
	values, faults := s.Numbers(col, decimal)
	out := make(map[int]tables.Value, len(values))
	for _, v := range values {
		out[v.Line] = v
	}
	return out, faults
}

// daysOf reads a column of days or dates; nil where the table has neither.
func daysOf(s *tables.Sheet, decimal tables.Decimal) (map[int]float64, []tables.Fault, error) {
	out := map[int]float64{}
	if c := s.Column("day", "days"); c >= 0 {
		values, faults := s.Numbers(c, decimal)
		for _, v := range values {
			if !v.Missing {
				out[v.Line] = v.Number
			}
		}
		return out, faults, nil
	}
	c := s.Column("date")
	if c < 0 {
		return nil, nil, nil
	}
	values, faults := s.Dates(c, tables.OrderUndecided, nil)
	if values == nil && len(faults) > 0 {
		return nil, nil, fmt.Errorf("%s", sheetFault(s, faults[0]))
	}
	var first trial.Date
	for _, v := range values {
		if !v.Missing && (first.IsZero() || v.Date.DaysTo(first) > 0) {
			first = v.Date
		}
	}
	for _, v := range values {
		if !v.Missing {
			out[v.Line] = float64(first.DaysTo(v.Date))
		}
	}
	return out, faults, nil
}

// pairsFromSheet reads a table of hand and image values.
func pairsFromSheet(s *tables.Sheet, decimalWord string) ([]calibrate.Pair, []tables.Fault, error) {
	decimal, err := decimalOf(decimalWord)
	if err != nil {
		return nil, nil, err
	}
	hc := s.Column("hand", "hand count", "hand cover", "counted", "reference")
	ic := s.Column("image", "photo", "camera", "image count", "image cover")
	if hc < 0 || ic < 0 {
		return nil, nil, missingColumn(s, "the hand and the image value (hand, image)")
	}
	hand, faults := numbersByLine(s, hc, decimal)
	image, more := numbersByLine(s, ic, decimal)
	faults = append(append(append([]tables.Fault(nil), s.Faults...), faults...), more...)
	text := func(row tables.Row, names ...string) string {
		if c := s.Column(names...); c >= 0 {
			return row.Cells[c].Text
		}
		return ""
	}
	var out []calibrate.Pair
	for _, row := range s.Rows {
		h, okH := hand[row.Line]
		im, okI := image[row.Line]
		if !okH || !okI {
			continue
		}
		p := calibrate.Pair{Plot: text(row, "plot"), Quadrat: text(row, "quadrat"), Visit: text(row, "visit", "date"), Treatment: text(row, "treatment", "trt"),
			Observer: text(row, "observer"), Hand: h.Number, Image: im.Number, Source: s.Where(row.Line)}
		if h.Missing {
			p.Hand = calibrate.Missing()
		}
		if im.Missing {
			p.Image = calibrate.Missing()
		}
		out = append(out, p)
	}
	if len(out) == 0 && len(faults) > 0 {
		return nil, nil, fmt.Errorf("%s", sheetFault(s, faults[0]))
	}
	return out, faults, nil
}
