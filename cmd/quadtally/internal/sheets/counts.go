package sheets

import (
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// notClasses are columns of a wide count sheet that are not counts.
var notClasses = map[string]bool{
	"plot": true, "plotid": true, "plotno": true, "plotnumber": true, "quadrat": true, "quadratno": true, "quadratnumber": true,
	"frameno": true, "visit": true, "visitno": true, "visitnumber": true, "date": true, "day": true, "datecounted": true,
	"observer": true, "counter": true, "who": true, "note": true, "notes": true, "remark": true, "remarks": true,
	"treatment": true, "trt": true, "treat": true, "block": true, "rep": true, "replicate": true,
	"class": true, "species": true, "group": true, "life": true, "count": true, "plants": true, "value": true,
	"variable": true, "unit": true, "level": true, "photo": true, "time": true, "order": true,
}

// total are the names of a column that holds the sum of all classes.
var total = map[string]bool{"total": true, "all": true, "weeds": true, "allweeds": true, "count": true, "plants": true, "weedcount": true}

// Counts reads a sheet of hand assessments in quadrats. Three shapes are
// understood: one row a quadrat with a column for each class (and perhaps
// one for cover); one row a quadrat and class, with columns class and count;
// and one row a value, with columns variable and value.
func Counts(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	r := newReader(t, plots, s, opt)
	vc, valc := s.Column("variable", "assessment"), s.Column("value")
	classc := s.Column("class", "species")
	countc := s.Column("count", "plants", "number")
	needQuadrat := vc < 0
	at, err := r.places(needQuadrat)
	if err != nil {
		return Import{}, err
	}
	switch {
	case vc >= 0 && valc >= 0:
		r.longValues(at, vc, valc)
	case classc >= 0 && countc >= 0:
		r.longCounts(at, classc, countc)
	default:
		if err := r.wideCounts(at); err != nil {
			return Import{}, err
		}
	}
	r.checkDuplicates()
	return r.done(), nil
}

func (r *reader) observation(row tables.Row, p place) record.Observation {
	return record.Observation{Plot: p.plot, Quadrat: p.quadrat, Visit: p.visit, Date: p.date,
		Observer: orElse(r.text(row, "observer", "counter", "who"), r.opt.Observer), Source: r.s.Where(row.Line)}
}

func orElse(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func (r *reader) add(o record.Observation, v tables.Value) {
	o.Value, o.Missing = v.Number, v.Missing
	if v.Missing {
		o.Value = 0
	}
	r.out.Observations = append(r.out.Observations, o)
}

func (r *reader) wideCounts(at map[int]place) error {
	columns, blank := 0, 0
	places := map[int]place{}
	for _, row := range r.s.Rows {
		if r.unfilled(row) {
			blank++
			continue
		}
		if p, ok := at[row.Line]; ok {
			if p, ok = r.settleVisit(row.Line, p); ok {
				places[row.Line] = p
			}
		}
	}
	for c, h := range r.s.Header {
		name, unit := splitUnit(h)
		key := tables.Key(name)
		isCover := strings.Contains(key, "cover")
		if h == "" || (notClasses[key] && key != "count" && key != "plants") {
			continue
		}
		columns++
		values, faults := r.s.Numbers(c, r.opt.Decimal)
		r.faults(faults)
		if isCover {
			values = r.coverFractions(c, unit, values)
		}
		byLine := map[int]tables.Value{}
		for _, v := range values {
			byLine[v.Line] = v
		}
		for _, row := range r.s.Rows {
			p, ok := places[row.Line]
			v, has := byLine[row.Line]
			if !ok || !has {
				continue
			}
			o := r.observation(row, p)
			if isCover {
				o.Variable, o.Unit = "cover", "fraction"
			} else {
				o.Variable, o.Unit, o.Class = "count", "plants", name
				if total[key] {
					o.Class = ""
				}
				if !r.isCount(row.Line, h, v) {
					continue
				}
			}
			r.add(o, v)
		}
	}
	if columns == 0 {
		return r.missingColumn("the counts (one column a class, such as broadleaf and grass, or columns class and count)")
	}
	r.waiting(blank)
	r.checkTotals()
	return nil
}

// isCount refuses what cannot be a number of plants.
func (r *reader) isCount(line int, header string, v tables.Value) bool {
	switch {
	case v.Missing:
	case v.Number < 0:
		r.fault(line, "column %q holds %v: a count cannot be negative", header, v.Number)
		return false
	case v.Number != float64(int(v.Number)):
		r.fault(line, "column %q holds %v: a count is a whole number of plants", header, v.Number)
		return false
	}
	return true
}

// coverFractions turns a column of cover into fractions. Percent is not
// proportion: the header decides, then the values; a column that holds both is
// refused.
func (r *reader) coverFractions(col int, unit string, values []tables.Value) []tables.Value {
	header := r.s.Header[col]
	var high, low *tables.Value
	for i := range values {
		v := &values[i]
		if v.Missing {
			continue
		}
		if v.Number > 1 && high == nil {
			high = v
		}
		if v.Number > 0 && v.Number < 1 && low == nil {
			low = v
		}
	}
	percent := unit == "%"
	if unit == "" {
		switch {
		case high != nil && low != nil:
			r.fault(0, "column %q holds %v in row %d and %v in row %d: percent or proportion? Put %% or fraction into the header", header, low.Number, low.Line, high.Number, high.Line)
			return nil
		case high == nil && low == nil:
			percent = true // only 0, 1 or nothing: 1 is read as one percent and said
		default:
			percent = high != nil
		}
		word := "proportions"
		if percent {
			word = "percent"
		}
		r.out.Notes = append(r.out.Notes, "column \""+header+"\" was read as "+word)
	}
	var out []tables.Value
	for _, v := range values {
		if !v.Missing {
			if percent {
				v.Number /= 100
			}
			if v.Number < 0 || v.Number > 1 {
				r.fault(v.Line, "column %q: cover must lie between 0 and 100 %%", header)
				continue
			}
		}
		out = append(out, v)
	}
	return out
}

func (r *reader) longCounts(at map[int]place, classc, countc int) {
	byLine := r.scaled(countc, 1)
	for _, row := range r.s.Rows {
		p, ok := at[row.Line]
		v, has := byLine[row.Line]
		if !ok || !has {
			continue
		}
		p, ok = r.settleVisit(row.Line, p)
		if !ok || !r.isCount(row.Line, r.s.Header[countc], v) {
			continue
		}
		o := r.observation(row, p)
		o.Variable, o.Unit, o.Class = "count", "plants", row.Cells[classc].Text
		if total[tables.Key(o.Class)] {
			o.Class = ""
		}
		o.Group, o.Life = r.text(row, "group"), r.text(row, "life")
		r.add(o, v)
	}
	r.unlisted()
	r.checkTotals()
}

// quadratVisit is one looking at one quadrat.
type quadratVisit struct {
	plot    string
	quadrat int
	visit   int
}

// unlisted finds classes that a long sheet names for some quadrats of a visit
// and not for others. Blank is not zero: unless the user says so, those
// quadrats have no total, and that is said once.
func (r *reader) unlisted() {
	classes := map[int][]string{}
	groups := map[string]record.Observation{}
	seen := map[quadratVisit]map[string]bool{}
	var order []record.Observation
	for _, o := range r.out.Observations {
		k := quadratVisit{o.Plot, o.Quadrat, o.Visit}
		if seen[k] == nil {
			seen[k] = map[string]bool{}
			order = append(order, o)
		}
		seen[k][o.Class] = true
		groups[o.Class] = o
		if o.Class != "" && !slices.Contains(classes[o.Visit], o.Class) {
			classes[o.Visit] = append(classes[o.Visit], o.Class)
		}
	}
	gaps := 0
	for _, o := range order {
		k := quadratVisit{o.Plot, o.Quadrat, o.Visit}
		for _, c := range classes[o.Visit] {
			if seen[k][c] || seen[k][""] {
				continue
			}
			gaps++
			if r.opt.UnlistedZero {
				z := o
				z.Class, z.Value, z.Missing = c, 0, false
				z.Group, z.Life = groups[c].Group, groups[c].Life
				r.out.Observations = append(r.out.Observations, z)
			}
		}
	}
	switch {
	case gaps > 0 && r.opt.UnlistedZero:
		r.out.Notes = append(r.out.Notes, plural(gaps, "class of a quadrat was", "classes of quadrats were")+" not listed and stored as 0, as you asked")
	case gaps > 0:
		r.out.Notes = append(r.out.Notes, plural(gaps, "class of a quadrat is", "classes of quadrats are")+
			" not listed; without a row they are unknown, not 0, and those quadrats get no total: add rows with 0, or say --unlisted zero")
	}
}

// longValues reads any assessment: plot, variable, value, unit, and quadrat
// where it is one of a quadrat.
func (r *reader) longValues(at map[int]place, vc, valc int) {
	byLine := r.scaled(valc, 1)
	lengths := map[int]tables.Value{}
	if c := r.s.Column("bed_length_mm"); c >= 0 {
		lengths = r.scaled(c, 1)
	}
	for _, row := range r.s.Rows {
		p, ok := at[row.Line]
		v, has := byLine[row.Line]
		if !ok || !has {
			continue
		}
		o := r.observation(row, p)
		o.Variable = strings.ToLower(row.Cells[vc].Text)
		o.LengthMM, o.Trim = lengths[row.Line].Number, r.text(row, "trim")
		o.Class, o.Unit = r.text(row, "class", "species"), r.text(row, "unit")
		o.Group, o.Life = r.text(row, "group"), r.text(row, "life")
		if o.Variable == "" {
			r.fault(row.Line, "the name of the variable is blank")
			continue
		}
		if p.quadrat > 0 || p.visit > 0 || (o.LengthMM == 0 && !p.date.IsZero() && r.t.VisitOf(p.date) > 0) {
			if p, ok = r.settleVisit(row.Line, p); !ok {
				continue
			}
			o.Visit, o.Date = p.visit, p.date
		}
		switch o.Variable {
		case "count":
			if o.Unit = orElse(o.Unit, "plants"); !r.isCount(row.Line, "value", v) {
				continue
			}
		case "cover":
			switch unit := strings.ToLower(o.Unit); unit {
			case "%", "percent", "pct":
				v.Number /= 100
			case "fraction", "proportion":
			default:
				r.fault(row.Line, "cover needs a unit: %% or fraction")
				continue
			}
			if !v.Missing && (v.Number < 0 || v.Number > 1) {
				r.fault(row.Line, "cover must lie between 0 and 100 %%")
				continue
			}
			o.Unit = "fraction"
		default:
			if o.Unit == "" {
				r.fault(row.Line, "%s needs a unit", o.Variable)
				continue
			}
		}
		r.add(o, v)
	}
}

// checkTotals compares an entered total with the sum of its classes.
func (r *reader) checkTotals() {
	type sums struct {
		total, parts float64
		hasTotal     bool
		classes      int
		open         bool
		line         int
	}
	at := map[quadratVisit]*sums{}
	for _, o := range r.out.Observations {
		if o.Variable != "count" {
			continue
		}
		k := quadratVisit{o.Plot, o.Quadrat, o.Visit}
		s := at[k]
		if s == nil {
			s = &sums{}
			at[k] = s
		}
		switch {
		case o.Missing:
			s.open = true
		case o.Class == "":
			s.total, s.hasTotal, s.line = o.Value, true, lineOf(o.Source)
		default:
			s.parts += o.Value
			s.classes++
		}
	}
	for k, s := range at {
		if s.hasTotal && s.classes > 0 && !s.open && s.total != s.parts {
			r.fault(s.line, "plot %s quadrat %d: the total says %v but the classes add up to %v", k.plot, k.quadrat, s.total, s.parts)
		}
	}
}

// checkDuplicates refuses two rows for one value in the same sheet.
func (r *reader) checkDuplicates() {
	type key struct {
		plot            string
		quadrat, visit  int
		date            trial.Date
		variable, class string
	}
	first := map[key]int{}
	for _, o := range r.out.Observations {
		k := key{o.Plot, o.Quadrat, o.Visit, o.Date, o.Variable, o.Class}
		if o.Visit > 0 {
			k.date = trial.Date{}
		}
		line := lineOf(o.Source)
		if was, dup := first[k]; dup && was != line {
			r.fault(line, "tells plot %s%s a second time (first in row %d): keep one", o.Plot, ofQuadrat(o), was)
			continue
		}
		first[k] = line
	}
}
