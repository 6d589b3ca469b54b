// Package sheets turns sheets into what the record stores: hand counts,
// cover estimates and other assessments, yields, field operations. It reports
// every fault of a sheet at once and leaves the good rows standing; whether
// they are then stored is the caller's decision.
package sheets

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// Options settles what a sheet itself may leave open.
type Options struct {
	Decimal      tables.Decimal
	Dates        tables.DateOrder
	UnlistedZero bool       // a class not listed for a quadrat that was looked at is 0
	WeightUnit   string     // "kg" or "lb", where the header does not say
	LengthUnit   string     // "m" or "ft", where the header does not say
	LengthMM     float64    // bed length cut, where the sheet has no column for it
	Date         trial.Date // of the whole sheet, where it has no column for it
	Visit        int        // of the whole sheet
	Observer     string     // of the whole sheet
}

// Import is a sheet as understood.
type Import struct {
	Observations []record.Observation
	Operations   []record.Operation
	Notes        []string
	Faults       []tables.Fault
	Rows         int // rows read, good or bad
}

// reader holds what every kind of sheet needs.
type reader struct {
	t     *trial.Trial
	plots []trial.Plot
	s     *tables.Sheet
	opt   Options
	out   Import
	bad   map[int]bool // lines with a fault: nothing of them is used

	plotLabels, treatLabels, blockLabels tables.Labels
}

func newReader(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) *reader {
	r := &reader{t: t, plots: plots, s: s, opt: opt, bad: map[int]bool{}}
	r.plotLabels.What, r.treatLabels.What, r.blockLabels.What = "plot", "treatment", "block"
	for _, p := range plots {
		r.plotLabels.Known = append(r.plotLabels.Known, p.ID)
		if !slices.Contains(r.blockLabels.Known, p.Block) {
			r.blockLabels.Known = append(r.blockLabels.Known, p.Block)
		}
	}
	for _, tr := range t.Treatments {
		r.treatLabels.Known = append(r.treatLabels.Known, tr.Code)
	}
	r.out.Rows = len(s.Rows) + len(s.Faults)
	r.out.Notes = append(r.out.Notes, s.Notes...)
	r.out.Faults = append(r.out.Faults, s.Faults...)
	return r
}

func (r *reader) fault(line int, format string, args ...any) {
	r.bad[line] = true
	r.out.Faults = append(r.out.Faults, tables.Fault{Line: line, Text: fmt.Sprintf(format, args...)})
}

func (r *reader) faults(list []tables.Fault) {
	for _, f := range list {
		r.bad[f.Line] = true
	}
	r.out.Faults = append(r.out.Faults, list...)
}

// done sorts the faults by row and adds the spellings that were unified.
func (r *reader) done() Import {
	r.out.Notes = append(r.out.Notes, r.plotLabels.Notes()...)
	r.out.Notes = append(r.out.Notes, r.treatLabels.Notes()...)
	r.out.Notes = append(r.out.Notes, r.blockLabels.Notes()...)
	slices.SortStableFunc(r.out.Faults, func(a, b tables.Fault) int { return a.Line - b.Line })
	good := r.out.Observations[:0:0]
	for _, o := range r.out.Observations {
		if !r.bad[lineOf(o.Source)] {
			good = append(good, o)
		}
	}
	r.out.Observations = good
	return r.out
}

func lineOf(source string) int {
	n, _ := strconv.Atoi(source[strings.LastIndexByte(source, ':')+1:])
	return n
}

// missingColumn explains a sheet whose columns are not understood.
func (r *reader) missingColumn(what string) error {
	return fmt.Errorf("%s has no column for %s (it has: %s): `quadtally sheet` writes an empty sheet with the right columns",
		r.s.Name, what, strings.Join(r.s.Header, ", "))
}

// place is what tells one row's plot, quadrat, visit and date.
type place struct {
	plot    string
	quadrat int
	visit   int
	date    trial.Date
}

// wholeQuadrat is a column of quadrat numbers, or nil where there is none.
func (r *reader) places(needQuadrat bool) (map[int]place, error) {
	pc := r.s.Column("plot", "plot id", "plot no", "plot number")
	if pc < 0 {
		return nil, r.missingColumn("the plot")
	}
	out := map[int]place{}
	for _, row := range r.s.Rows {
		cell := row.Cells[pc]
		if tables.IsMissing(cell) {
			r.fault(row.Line, "the plot is blank")
			continue
		}
		plot, err := r.plotLabels.Match(cell)
		if err != nil {
			r.fault(row.Line, "%v", err)
			continue
		}
		out[row.Line] = place{plot: plot, visit: r.opt.Visit, date: r.opt.Date}
	}
	r.checkAgainstLayout(out)
	if c := r.s.Column("quadrat", "quadrat no", "quadrat number", "frame no"); c >= 0 {
		for line, n := range r.whole(c) {
			p, ok := out[line]
			if !ok {
				continue
			}
			if per := r.t.Quadrat.PerPlot; n < 1 || (per > 0 && n > per) {
				r.fault(line, "quadrat %d is not one of the %d of a plot", n, per)
				continue
			}
			p.quadrat = n
			out[line] = p
		}
	} else if needQuadrat && r.t.Quadrat.PerPlot != 1 {
		return nil, r.missingColumn("the quadrat (1, 2, ...)")
	} else if needQuadrat {
		for line, p := range out {
			p.quadrat = 1
			out[line] = p
		}
	}
	if c := r.s.Column("date", "day", "date counted", "harvest date", "pick date"); c >= 0 {
		values, faults := r.s.Dates(c, r.opt.Dates, func(d trial.Date) bool { return r.t.VisitOf(d) > 0 })
		r.faults(faults)
		for _, v := range values {
			if p, ok := out[v.Line]; ok && !v.Missing {
				p.date = v.Date
				out[v.Line] = p
			}
		}
		if len(values) == 0 && len(faults) > 0 {
			return out, nil
		}
	}
	if c := r.s.Column("visit", "visit no", "visit number"); c >= 0 {
		for line, n := range r.whole(c) {
			p, ok := out[line]
			if !ok {
				continue
			}
			if n < 1 || n > len(r.t.Visits) {
				r.fault(line, "visit %d is not one of the %d planned", n, len(r.t.Visits))
				continue
			}
			p.visit = n
			out[line] = p
		}
	}
	return out, nil
}

// whole reads a column of whole numbers; blanks are left out.
func (r *reader) whole(col int) map[int]int {
	values, faults := r.s.Numbers(col, r.opt.Decimal)
	r.faults(faults)
	out := map[int]int{}
	for _, v := range values {
		switch {
		case v.Missing:
		case v.Number != float64(int(v.Number)):
			r.fault(v.Line, "column %q holds %v where a whole number belongs", r.s.Header[col], v.Number)
		default:
			out[v.Line] = int(v.Number)
		}
	}
	return out
}

// checkAgainstLayout holds treatment and block columns, where a sheet has
// them, against the saved layout.
func (r *reader) checkAgainstLayout(at map[int]place) {
	tc := r.s.Column("treatment", "trt", "treat")
	bc := r.s.Column("block", "rep", "replicate")
	byID := map[string]trial.Plot{}
	for _, p := range r.plots {
		byID[p.ID] = p
	}
	for _, row := range r.s.Rows {
		p, ok := at[row.Line]
		if !ok {
			continue
		}
		if tc >= 0 && !tables.IsMissing(row.Cells[tc]) {
			switch got, err := r.treatLabels.Match(row.Cells[tc]); {
			case err != nil:
				r.fault(row.Line, "%v", err)
			case got != byID[p.plot].Treatment:
				r.fault(row.Line, "plot %s has treatment %s in the layout, not %s", p.plot, byID[p.plot].Treatment, got)
			}
		}
		if bc >= 0 && !tables.IsMissing(row.Cells[bc]) {
			switch got, err := r.blockLabels.Match(row.Cells[bc]); {
			case err != nil:
				r.fault(row.Line, "%v", err)
			case got != byID[p.plot].Block:
				r.fault(row.Line, "plot %s is in block %s in the layout, not %s", p.plot, byID[p.plot].Block, got)
			}
		}
	}
}

// leads are columns of an empty sheet that are filled in before anybody went
// to the field.
var leads = map[string]bool{"plot": true, "block": true, "treatment": true, "quadrat": true, "visit": true, "date": true, "trim": true, "observer": true}

// unfilled reports a row of a prepared sheet that nobody has written on yet.
// It tells nothing: neither a value nor that one is missing.
func (r *reader) unfilled(row tables.Row) bool {
	for c, cell := range row.Cells {
		if cell.Text != "" && !leads[tables.Key(r.s.Header[c])] {
			return false
		}
	}
	return true
}

// waiting says how many rows are still unfilled.
func (r *reader) waiting(rows int) {
	if rows > 0 {
		r.out.Notes = append(r.out.Notes, plural(rows, "row is", "rows are")+" not filled in yet and passed over")
	}
}

// settleVisit ties a row to a planned visit, by its date where it has one.
func (r *reader) settleVisit(line int, p place) (place, bool) {
	switch {
	case p.date.IsZero() && p.visit == 0:
		r.fault(line, "has neither a visit nor a date")
		return p, false
	case p.date.IsZero():
		p.date = r.t.Visits[p.visit-1]
	case p.visit == 0:
		if p.visit = r.t.VisitOf(p.date); p.visit == 0 {
			r.fault(line, "%s is not within %d days of one planned visit: add a visit column, or correct the date", p.date, r.t.VisitToleranceDays)
			return p, false
		}
	default:
		if by := r.t.VisitOf(p.date); by != 0 && by != p.visit {
			r.fault(line, "says visit %d but %s falls into visit %d", p.visit, p.date, by)
			return p, false
		}
	}
	return p, true
}

// text reads a free-text column; "" where the sheet has none.
func (r *reader) text(row tables.Row, names ...string) string {
	c := r.s.Column(names...)
	if c < 0 || tables.IsMissing(row.Cells[c]) {
		return ""
	}
	return row.Cells[c].Text
}

var unitInHeader = regexp.MustCompile(`(?i)[ _(\[]+(kg|g|lb|lbs|oz|m|mm|cm|ft|in|%|pct|percent|fraction|proportion)[)\]]?$`)

// splitUnit takes a unit off the end of a header: "marketable_kg".
func splitUnit(header string) (name, unit string) {
	if strings.HasSuffix(header, "%") {
		return strings.TrimRight(header, " _(%["), "%"
	}
	m := unitInHeader.FindStringSubmatchIndex(header)
	if m == nil {
		return header, ""
	}
	unit = strings.ToLower(header[m[2]:m[3]])
	switch unit {
	case "pct", "percent":
		unit = "%"
	case "lbs":
		unit = "lb"
	case "proportion":
		unit = "fraction"
	}
	return header[:m[0]], unit
}
