package analysis

import (
	"fmt"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// TableColumns says which columns of a table hold what; "" goes by the usual
// names.
type TableColumns struct {
	Value     string // "" for the column named like the response, or value
	Covariate string
	Decimal   tables.Decimal
}

// RowsFromTable reads a table for a comparison. Rows with a fault are left
// out and named; a column that cannot be settled is an error.
func RowsFromTable(s *tables.Sheet, response string, f TableColumns) ([]stats.Row, []tables.Fault, error) {
	decimal := f.Decimal
	tc := s.Column("treatment", "trt", "treat")
	if tc < 0 {
		return nil, nil, s.MissingColumn("the treatment (treatment or trt)")
	}
	vc := s.Column(f.Value, response)
	if vc < 0 || (f.Value == "" && response == "") {
		if vc = s.Column("value", "y"); vc < 0 {
			return nil, nil, s.MissingColumn(fmt.Sprintf("the value (%s); name it with --value", response))
		}
	}
	bc, cc := s.Column("block", "rep", "replicate", "row"), s.Column("column")
	pc, qc := s.Column("plot", "plot id", "plot no"), s.Column("quadrat")
	values, faults := s.NumbersByLine(vc, decimal)
	faults = append(append([]tables.Fault(nil), s.Faults...), faults...)
	var covariate map[int]tables.Value
	if f.Covariate != "" {
		c := s.Column(f.Covariate)
		if c < 0 {
			return nil, nil, s.MissingColumn("the covariate " + f.Covariate)
		}
		var more []tables.Fault
		covariate, more = s.NumbersByLine(c, decimal)
		faults = append(faults, more...)
	}
	days, more, err := daysOf(s, decimal)
	if err != nil {
		return nil, nil, err
	}
	faults = append(faults, more...)
	if len(values) == 0 && len(faults) > 0 {
		return nil, nil, s.FaultError(faults[len(faults)-1])
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
		return nil, nil, s.FaultError(faults[0])
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

// PairsFromTable reads a table of hand and image values.
func PairsFromTable(s *tables.Sheet, decimal tables.Decimal) ([]calibrate.Pair, []tables.Fault, error) {
	hc := s.Column("hand", "hand count", "hand cover", "counted", "reference")
	ic := s.Column("image", "photo", "camera", "image count", "image cover")
	if hc < 0 || ic < 0 {
		return nil, nil, s.MissingColumn("the hand and the image value (hand, image)")
	}
	hand, faults := s.NumbersByLine(hc, decimal)
	image, more := s.NumbersByLine(ic, decimal)
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
		return nil, nil, s.FaultError(faults[0])
	}
	return out, faults, nil
}
