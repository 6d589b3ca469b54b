// Package sheets turns sheets into what the record stores: hand counts,
// cover estimates and other assessments, yields, field operations. It reports
// every fault of a sheet at once and leaves the good rows standing; whether
// they are then stored is the caller's decision.
package sheets

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// Options say what a sheet itself may leave open.
type Options struct {
	Decimal tables.Decimal
	Dates   tables.DateOrder
	// Unlisted is said now of every class that is asked about; UnlistedOf of one
	// class, by trial.NameKey. UnlistedBefore was said earlier, with keys as
	// [record.Snapshot.Unlisted] has them.
	Unlisted       record.Unlisted
	UnlistedOf     map[string]record.Unlisted
	UnlistedBefore map[string]record.Unlisted
	Stored         []record.Observation // what other sheets gave
	Columns        map[string]Meaning   // what a person said of columns, by trial.NameKey of their names
	Classes        []trial.Class        // known from the record, besides those of the plan
	WeightUnit     string               // "kg" or "lb", where the header does not say
	LengthUnit     string               // "m" or "ft", where the header does not say
	LengthMM       float64              // bed length cut, where the sheet has no column for it
	Date           trial.Date           // of the whole sheet, where it has no column for it
	Visit          int                  // of the whole sheet
	Observer       string               // of the whole sheet
}

// Import is a sheet as understood.
type Import struct {
	Observations []record.Observation
	Operations   []record.Operation
	Questions    []Question // that do not keep the sheet from being stored
	Doubts       []Doubt    // that a person has to agree to before it is stored
	Sums         []Sum      // cells that held a sum
	// Unlisted is what was said now of classes that the sheet leaves open: to be
	// remembered.
	Unlisted map[string]record.Unlisted
	Notes    []string
	Faults   []tables.Fault
	Rows     int // rows read, good or bad
}

// Sum is a cell in which somebody wrote a tally as a sum: "5+5+3".
type Sum = tables.Sum

// Partial reports that some rows could not be read.
func (im *Import) Partial() bool { return len(im.Faults) > 0 }

// reader holds what every kind of sheet needs.
type reader struct {
	kind  Kind
	t     *trial.Trial
	plots []trial.Plot
	s     *tables.Sheet
	opt   Options
	out   Import
	bad   map[int]bool // lines with a fault: nothing of them is used

	plotLabels, treatLabels, blockLabels tables.Labels
}

func newReader(kind Kind, t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) *reader {
	r := &reader{kind: kind, t: t, plots: plots, s: s, opt: opt, bad: map[int]bool{}}
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
	if n := len(s.Rows); n > 0 && s.Rows[n-1].Line == s.Unended {
		var cells []string
		for _, c := range s.Rows[n-1].Cells {
			cells = append(cells, c.Text)
		}
		r.out.Notes = append(r.out.Notes, fmt.Sprintf("the file does not end with a line end, so that its last row may be cut off: row %d is %s", s.Unended, strings.Join(cells, ", ")))
	}
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

// doubt adds a doubt, once.
func (r *reader) doubt(format string, args ...any) {
	if d := Doubt(fmt.Sprintf(format, args...)); !slices.Contains(r.out.Doubts, d) {
		r.out.Doubts = append(r.out.Doubts, d)
	}
}

// done sorts the faults by row and adds the spellings that were unified.
func (r *reader) done() Import {
	r.out.Notes = append(r.out.Notes, r.plotLabels.Notes()...)
	r.out.Notes = append(r.out.Notes, r.treatLabels.Notes()...)
	r.out.Notes = append(r.out.Notes, r.blockLabels.Notes()...)
	slices.SortStableFunc(r.out.Faults, func(a, b tables.Fault) int { return a.Line - b.Line })
	r.out.Observations = r.sound()
	return r.out
}

// sound are the values of rows without a fault.
func (r *reader) sound() []record.Observation {
	out := r.out.Observations[:0:0]
	for _, o := range r.out.Observations {
		if !r.bad[o.Line] {
			out = append(out, o)
		}
	}
	return out
}

// column finds the column of the sheet that a row of [Columns] is about, by the
// row's name; -1 where the sheet has none.
func (r *reader) column(name string) int {
	for i, h := range r.s.Header {
		if h == "" {
			continue
		}
		if c, _, ok := findColumn(r.kind, h); ok && c.Name == name && r.opt.Columns[r.keyOf(h)].As == "" {
			return i
		}
	}
	return -1
}

// find finds the row of [Columns] that a header of a harvest sheet or of a sheet
// of operations is about, as it stands or as a person said.
func (r *reader) find(header string) (col *Column, unit string, ok bool) {
	switch m := r.opt.Columns[r.keyOf(header)]; m.As {
	case AsIgnore:
		return nil, "", false
	case AsColumn:
		_, own := splitUnit(header)
		for _, name := range []string{m.Column + " " + cmp.Or(m.Unit, own), m.Column} {
			if col, unit, ok = findColumn(r.kind, name); ok {
				return col, unit, true
			}
		}
	}
	return findColumn(r.kind, header)
}

// keyOf is the name under which a person answers for a column.
func (r *reader) keyOf(header string) string {
	if k := trial.NameKey(header); r.opt.Columns[k].As != "" {
		return k
	}
	name, _ := splitUnit(header)
	return trial.NameKey(name)
}

// missingColumn explains a sheet whose columns are not understood.
func (r *reader) missingColumn(what string) error {
	other := ""
	if len(r.s.Others) > 0 {
		other = fmt.Sprintf("; --worksheet reads another sheet of the workbook (%s)", listed(r.s.Others))
	}
	return fmt.Errorf("%s has no column for %s (it has: %s): `quadtally sheet` writes an empty sheet with the right columns%s",
		r.s.Name, what, strings.Join(r.s.Header, ", "), other)
}

// place is what tells one row's plot, quadrat, visit and date.
type place struct {
	plot    string
	quadrat int
	visit   int
	date    trial.Date
}

// places reads plot, quadrat, visit and date of every row, by line.
func (r *reader) places(needQuadrat bool) (map[int]place, error) {
	pc := r.column("plot")
	if pc < 0 {
		return nil, r.missingColumn("the plot")
	}
	out := map[int]place{}
	for _, row := range r.s.Rows {
		cell := row.Cells[pc]
		switch {
		case cell.Text == "":
			r.fault(row.Line, "the plot is blank")
			continue
		case tables.IsMissing(cell) && !slices.Contains(r.plotLabels.Known, cell.Text):
			r.fault(row.Line, "the plot is given as %q: write the plot, or clear the row", cell.Text)
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
	if c := r.column("quadrat"); c >= 0 {
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
	if c := r.column("date"); c >= 0 {
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
	if c := r.column("visit"); c >= 0 {
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
	out := map[int]int{}
	values, faults := r.s.NumbersExpanded(col, r.opt.Decimal)
	r.faults(faults)
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
	tc, bc := r.column("treatment"), r.column("block")
	byID := map[string]trial.Plot{}
	for _, p := range r.plots {
		byID[p.ID] = p
	}
	for _, row := range r.s.Rows {
		p, ok := at[row.Line]
		if !ok {
			continue
		}
		if tc >= 0 && row.Cells[tc].Text != "" {
			switch got, err := r.treatLabels.Match(row.Cells[tc]); {
			case err != nil:
				r.fault(row.Line, "%v", err)
			case got != byID[p.plot].Treatment:
				r.fault(row.Line, "plot %s has treatment %s in the layout, not %s", p.plot, byID[p.plot].Treatment, got)
			}
		}
		if bc >= 0 && row.Cells[bc].Text != "" {
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
var leads = []string{"plot", "block", "treatment", "quadrat", "visit", "date", "pick", "trim", "observer"}

// unfilled reports a row of a prepared sheet that nobody has written on yet.
// It tells nothing: neither a value nor that one is missing.
func (r *reader) unfilled(row tables.Row) bool {
	for c, cell := range row.Cells {
		if cell.Text == "" {
			continue
		}
		if col, _, ok := findColumn(r.kind, r.s.Header[c]); !ok || !slices.Contains(leads, col.Name) {
			return false
		}
	}
	return true
}

// waiting says which rows are still unfilled.
func (r *reader) waiting(lines []int) {
	if len(lines) == 0 {
		return
	}
	g := tables.FaultGroup{Lines: lines}
	is := "are"
	if len(lines) == 1 {
		is = "is"
	}
	r.out.Notes = append(r.out.Notes, g.Rows()+" "+is+" not filled in yet and passed over")
}

// visitOfRow ties a row to a planned visit, by its date where it has one.
func (r *reader) visitOfRow(line int, p place) (place, bool) {
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
		} else if by == 0 && r.farFrom(p.visit, p.date) {
			r.doubt("%s is given as the day of visit %d, which is planned for %s: is the day right (--agreed)? If not, correct it", p.date, p.visit, r.t.Visits[p.visit-1])
		}
	}
	return p, true
}

// farFrom reports a day that is likely a slip for a visit: outside the season,
// nearer to another visit, or more than a month away.
func (r *reader) farFrom(visit int, day trial.Date) bool {
	const most = 31 // days
	away := func(v trial.Date) int {
		n := v.DaysTo(day)
		return max(n, -n)
	}
	own := away(r.t.Visits[visit-1])
	return own > most || !r.t.InSeason(day) || slices.ContainsFunc(r.t.Visits, func(v trial.Date) bool { return away(v) < own })
}

// yearsAway reports a day more than a year before the first or after the last
// visit, as a slip in the year makes it.
func (r *reader) yearsAway(day trial.Date) bool {
	const most = 366
	n := len(r.t.Visits)
	return n > 0 && !day.IsZero() && (day.DaysTo(r.t.Visits[0]) > most || r.t.Visits[n-1].DaysTo(day) > most)
}

// text reads a column of words, by its name in [Columns]; "" where the sheet
// has none or the cell says there is none.
func (r *reader) text(row tables.Row, name string) string {
	c := r.column(name)
	if c < 0 || tables.IsMissing(row.Cells[c]) {
		return ""
	}
	return row.Cells[c].Text
}

// numbers reads a column as numbers, by line.
func (r *reader) numbers(col int) map[int]tables.Value {
	values, faults := r.s.Numbers(col, r.opt.Decimal)
	r.faults(faults)
	out := make(map[int]tables.Value, len(values))
	if text, line, n := r.s.Regrouped(col, r.opt.Decimal); line > 0 {
		r.doubt("column %q has %q in row %d, read as %v because of the decimal marks in other columns: is that right (--agreed)? If not, say --decimal comma or --decimal point, or correct the rows", r.s.Header[col], text, line, n)
	}
	for _, v := range values {
		if v.Sum != "" {
			r.out.Sums = append(r.out.Sums, Sum{Line: v.Line, Header: r.s.Header[col], Text: v.Sum, Number: v.Number})
		}
		out[v.Line] = v
	}
	return out
}

// scaled reads a column and multiplies it.
func (r *reader) scaled(col int, factor float64) map[int]tables.Value {
	out := r.numbers(col)
	for line, v := range out {
		v.Number *= factor
		out[line] = v
	}
	return out
}

func (r *reader) observation(row tables.Row, p place) record.Observation {
	return record.Observation{Plot: p.plot, Quadrat: p.quadrat, Visit: p.visit, Date: p.date,
		Observer: cmp.Or(r.text(row, "observer"), r.opt.Observer), Source: r.s.Where(row.Line), Line: row.Line}
}

func (r *reader) add(o record.Observation, v tables.Value) {
	o.Value, o.Missing = v.Number, v.Missing
	if v.Missing {
		o.Value = 0
	}
	r.out.Observations = append(r.out.Observations, o)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func ofQuadrat(o record.Observation) string {
	if o.Quadrat == 0 {
		return ""
	}
	return fmt.Sprintf(" quadrat %d", o.Quadrat)
}

// Unused says which options a sheet leaves without use, since its own columns
// or its kind decide, so that nobody takes them for followed.
func Unused(kind Kind, s *tables.Sheet, opt Options, im Import) (out []string) {
	has := func(name string) (header string, ok bool) {
		for _, h := range s.Header {
			if c, _, found := findColumn(kind, h); h != "" && found && c.Name == name {
				return h, true
			}
		}
		return "", false
	}
	if h, ok := has("date"); ok && !opt.Date.IsZero() {
		out = append(out, fmt.Sprintf("--date counts only in rows that leave column %q blank", h))
		if kind == KindField {
			out[len(out)-1] = fmt.Sprintf("--date was not used: column %q has the dates", h)
		}
	}
	if h, ok := has("visit"); ok && opt.Visit > 0 {
		out = append(out, fmt.Sprintf("--visit counts only in rows that leave column %q blank", h))
	}
	if h, ok := has("observer"); ok && opt.Observer != "" {
		out = append(out, fmt.Sprintf("--observer counts only in rows that leave column %q blank", h))
	}
	if h, ok := has("bed length"); ok && opt.LengthMM > 0 {
		out = append(out, fmt.Sprintf("--length was not used: column %q has the bed lengths", h))
	}
	open := map[Quantity]bool{} // a column of it leaves its unit to the option
	for _, h := range s.Header {
		if c, unit, ok := findColumn(kind, h); h != "" && ok && unit == "" {
			open[c.Quantity] = true
		}
	}
	if opt.WeightUnit != "" && !open[Weight] {
		out = append(out, "--weight was not used: the headers say the unit")
	}
	if opt.LengthUnit != "" && !open[Length] {
		out = append(out, "--length-unit was not used: the headers say the unit, or there is no column of lengths")
	}
	if (opt.Unlisted != "" || len(opt.UnlistedOf) > 0) && len(im.Unlisted) == 0 {
		out = append(out, "--unlisted was not used: the sheet leaves no such class open")
	}
	return out
}

// NotInSheet lists the names among answers that are neither a column nor a
// class of a sheet.
func NotInSheet(s *tables.Sheet, im Import, names []string) (out []string) {
	known := map[string]bool{}
	for _, h := range s.Header {
		name, _ := splitUnit(h)
		known[trial.NameKey(h)], known[trial.NameKey(name)] = true, true
	}
	for _, o := range im.Observations {
		known[trial.NameKey(o.Class)], known[trial.NameKey(o.Variable)] = true, true
	}
	for _, n := range names {
		if !known[n] {
			out = append(out, n)
		}
	}
	return out
}

// Read reads a sheet of counts, yields or field work.
func Read(kind Kind, t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	switch kind {
	case KindYields:
		return Yields(t, plots, s, opt)
	case KindField:
		return Field(t, plots, s, opt)
	}
	return Counts(t, plots, s, opt)
}
