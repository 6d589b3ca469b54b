package analysis

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

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
	Rate      string   // the rate of each treatment; makes the treatments where no column does
	Factors   []string // their combinations make the treatments where no column does
	// Trials reads a table of several trials, as [Table.Trials].
	Trials  bool
	Decimal tables.Decimal
}

// Table is a table ready for a comparison. Rows with a fault are left out and
// named.
type Table struct {
	Rows    []stats.Row
	Faults  []tables.Fault
	Rates   map[string]float64
	Factors []trial.Factor
	// Trials, under TableColumns.Trials, is the trial of each row, made of Place
	// and Year where the table has both.
	Trials, Places, Years []string
	Unused                []string // columns that no one read
	Notes                 []string // what a reader of the answer has to know
}

// Columns that tell trials apart.
var placeColumns, yearColumns = []string{"trial", "farm", "site"}, []string{"year", "season"}

// TrialsInTableError is a table of several trials where one is compared.
type TrialsInTableError struct {
	Table, Column string
	Values        []string
	Response      string
}

func (e TrialsInTableError) Error() string {
	return fmt.Sprintf("%s holds several trials (column %s: %s), and one comparison would pool their blocks: run `quadtally combine %s %s`, or keep the rows of one trial",
		e.Table, e.Column, strings.Join(e.Values, ", "), e.Response, e.Table)
}

// ReadTable reads a table. A column that is missing, or whose numbers could be read
// in two ways, is an error, and so are several trials in one table unless they are
// asked for.
func ReadTable(s *tables.Sheet, response string, f TableColumns) (Table, error) {
	used := map[int]bool{}
	column := func(names ...string) int {
		c := s.Column(names...)
		if c >= 0 {
			used[c] = true
		}
		return c
	}
	out := Table{}
	decimal := f.Decimal
	var factors []int
	for _, name := range f.Factors {
		c := column(name)
		if c < 0 {
			return out, s.MissingColumn("the factor " + name)
		}
		factors = append(factors, c)
	}
	rc := -1
	if f.Rate != "" {
		if rc = column(f.Rate); rc < 0 {
			return out, s.MissingColumn("the rate " + f.Rate)
		}
	}
	tc := column("treatment", "trt", "treat")
	if slices.Contains(factors, tc) || tc == rc {
		tc = -1 // a factor of the treatments, not the treatments
	}
	if tc < 0 && factors == nil && rc < 0 {
		return out, s.MissingColumn("the treatment (treatment or trt)")
	}
	if f.Value != "" && s.Column(f.Value) < 0 {
		return out, s.MissingColumn("the value " + f.Value)
	}
	vc := column(f.Value, response)
	if vc < 0 || (f.Value == "" && response == "") {
		if vc = column("value", "y"); vc < 0 {
			return out, s.MissingColumn(fmt.Sprintf("the value (%s); name it with --value", response))
		}
	}
	bc, cc := column("block", "rep", "replicate", "row"), column("column")
	pc, qc := column("plot", "plot id", "plot no"), column("quadrat")
	values, faults := s.NumbersByLine(vc, decimal)
	out.Faults = append(append([]tables.Fault(nil), s.Faults...), faults...)
	var covariate, rates map[int]tables.Value
	if f.Covariate != "" {
		c := column(f.Covariate)
		if c < 0 {
			return out, s.MissingColumn("the covariate " + f.Covariate)
		}
		covariate, faults = s.NumbersByLine(c, decimal)
		out.Faults = append(out.Faults, faults...)
	}
	if rc >= 0 {
		rates, faults = s.NumbersByLine(rc, decimal)
		out.Faults = append(out.Faults, faults...)
		out.Rates = map[string]float64{}
	}
	var days map[int]float64
	var err error
	dayC, dateC := s.Column("day", "days"), s.Column("date")
	if !used[dayC] && !used[dateC] { // else they are factors or the value
		if days, faults, err = daysOf(s, decimal); err != nil {
			return out, err
		}
		out.Faults = append(out.Faults, faults...)
		used[dayC], used[dateC] = true, true
	}
	if len(values) == 0 && len(out.Faults) > 0 {
		return out, s.FaultError(out.Faults[len(out.Faults)-1])
	}
	if below := belowNothing(s, values); below != "" {
		if _, amount := lookUp(nameKey(response)); amount {
			return out, fmt.Errorf("%s is below 0 at %s, which it cannot be: correct the value, or leave the cell empty where nothing was measured; a difference between two measurements needs a name of its own", response, below)
		}
		out.Notes = append(out.Notes, "values below 0, at "+below+", are taken as they stand: look there if "+cmp.Or(response, "the value")+" can never be less than nothing")
	}
	cell := func(row tables.Row, c int) string {
		if c < 0 || c >= len(row.Cells) {
			return ""
		}
		return row.Cells[c].Text
	}
	placeC, yearC, err := trialColumns(s, f.Trials, response, cell)
	if err != nil {
		return out, err
	}
	if f.Trials {
		used[placeC], used[yearC] = true, true
	}
	levels := make([]map[string]string, len(factors))
	for i := range levels {
		levels[i] = map[string]string{}
	}
	for _, row := range s.Rows {
		v, ok := values[row.Line]
		if !ok {
			continue
		}
		r := stats.Row{Treatment: cell(row, tc), Block: cell(row, bc), Column: cell(row, cc), Plot: cell(row, pc), Quadrat: cell(row, qc),
			Value: v.Number, Missing: v.Missing, Source: s.Where(row.Line)}
		if tc < 0 {
			var parts []string
			for _, c := range factors {
				if text := cell(row, c); text != "" {
					parts = append(parts, text)
				}
			}
			if factors == nil {
				parts = []string{cell(row, rc)}
			}
			r.Treatment = strings.Join(parts, " ")
		}
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
		if x, ok := rates[row.Line]; ok && !x.Missing {
			if was, ok := out.Rates[r.Treatment]; ok && was != x.Number {
				return out, fmt.Errorf("%s: treatment %s has the rate %g here and %g above: a treatment has one rate", r.Source, r.Treatment, x.Number, was)
			}
			out.Rates[r.Treatment] = x.Number
		}
		for i, c := range factors {
			text := cell(row, c)
			if was, ok := levels[i][r.Treatment]; ok && was != text {
				return out, fmt.Errorf("%s: treatment %s has %s %q here and %q above: a treatment has one level of a factor", r.Source, r.Treatment, f.Factors[i], text, was)
			}
			levels[i][r.Treatment] = text
		}
		if f.Trials {
			place, year := cell(row, placeC), cell(row, yearC)
			out.Places, out.Years = append(out.Places, place), append(out.Years, year)
			out.Trials = append(out.Trials, strings.TrimSpace(place+" "+year))
		}
		out.Rows = append(out.Rows, r)
	}
	for i, name := range f.Factors {
		x := trial.Factor{Name: name}
		for _, t := range slices.Sorted(maps.Keys(levels[i])) {
			if levels[i][t] != "" {
				x.Levels = append(x.Levels, trial.FactorLevel{Treatment: t, Level: levels[i][t]})
			}
		}
		out.Factors = append(out.Factors, x)
	}
	for i, name := range s.Header {
		if !used[i] {
			out.Unused = append(out.Unused, name)
		}
	}
	return out, nil
}

// belowNothing names the rows whose value is below 0. What the registry knows is
// weighed, counted, measured or a share, and none of it can be; a name that it does
// not know may stand for a difference.
func belowNothing(s *tables.Sheet, values map[int]tables.Value) string {
	var where []string
	for _, line := range slices.Sorted(maps.Keys(values)) {
		if v := values[line]; !v.Missing && v.Number < 0 {
			where = append(where, fmt.Sprintf("%s (%g)", s.Where(line), v.Number))
		}
	}
	return strings.Join(where, ", ")
}

// trialColumns finds the columns that tell trials apart. Unless they are wanted,
// one with two values or more is refused.
func trialColumns(s *tables.Sheet, wanted bool, response string, cell func(tables.Row, int) string) (place, year int, err error) {
	place, year = s.Column(placeColumns...), s.Column(yearColumns...)
	if wanted {
		if place < 0 && year < 0 {
			return place, year, s.MissingColumn("the trial (" + strings.Join(placeColumns, ", ") + " or " + strings.Join(yearColumns, ", ") + ")")
		}
		return place, year, nil
	}
	for _, name := range append(slices.Clone(placeColumns), yearColumns...) {
		c := s.Column(name)
		if c < 0 {
			continue
		}
		var seen []string
		for _, row := range s.Rows {
			if v := cell(row, c); v != "" && !slices.Contains(seen, v) {
				seen = append(seen, v)
			}
		}
		if len(seen) > 1 {
			return place, year, TrialsInTableError{s.Name, s.Header[c], seen, response}
		}
	}
	return place, year, nil
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
