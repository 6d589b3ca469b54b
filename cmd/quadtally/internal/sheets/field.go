package sheets

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// Field reads what was done to the field: date, operation, treatment or plot,
// input with rate and unit, growth stage, passes, implement and its weight,
// soil moisture. A blank treatment and plot, or "all", is the whole trial.
func Field(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	r := newReader(KindField, t, plots, s, opt)
	oc, dc := r.column("operation"), r.column("date")
	if oc < 0 {
		return Import{}, r.missingColumn("the operation (seeding, termination, planting, ...)")
	}
	if dc < 0 && opt.Date.IsZero() {
		return Import{}, r.missingColumn("the date")
	}
	when, err := r.workDays(dc)
	if err != nil {
		return Import{}, err
	}
	rates := map[int]tables.Value{}
	rateUnits := map[int]string{} // that stand in the cell of the rate itself
	if c := r.column("rate"); c >= 0 {
		rateUnits = r.splitRates(c)
		rates = r.numbers(c)
	}
	passes := map[int]int{}
	if c := r.column("passes"); c >= 0 {
		passes = r.whole(c)
		for _, row := range s.Rows {
			if n, ok := passes[row.Line]; ok && n < 1 {
				r.fault(row.Line, "column %q holds %d: a pass is one or more, and work that was not done has no row", s.Header[c], n)
				delete(when, row.Line)
			}
		}
	}
	weights := map[int]tables.Value{}
	if c := r.column("implement weight"); c >= 0 {
		_, unit, _ := findColumn(r.kind, s.Header[c])
		factor, ok := units[Weight][cmp.Or(unit, opt.WeightUnit)]
		if !ok {
			return Import{}, fmt.Errorf("%s: column %q does not say its unit: write implement_weight_kg or implement_weight_lb", s.Name, s.Header[c])
		}
		weights = r.scaled(c, factor)
	}
	for _, row := range s.Rows {
		d, ok := when[row.Line]
		if !ok {
			continue
		}
		op := record.Operation{Date: d, What: strings.ToLower(row.Cells[oc].Text), Input: r.text(row, "input"),
			RateUnit: r.text(row, "rate unit"), Stage: r.text(row, "stage"), Passes: passes[row.Line], Implement: r.text(row, "implement"),
			SoilMoisture: r.text(row, "soil moisture"), Note: r.text(row, "note"), Source: s.Where(row.Line), Line: row.Line}
		if tables.IsMissing(row.Cells[oc]) {
			r.fault(row.Line, "does not say what was done")
			continue
		}
		if op.Treatment, ok = r.ground(row, "treatment", &r.treatLabels); !ok {
			continue
		}
		if op.Plot, ok = r.ground(row, "plot", &r.plotLabels); !ok {
			continue
		}
		if i := slices.IndexFunc(r.plots, func(p trial.Plot) bool { return p.ID == op.Plot }); i >= 0 && op.Treatment != "" && r.plots[i].Treatment != op.Treatment {
			r.fault(row.Line, "plot %s has treatment %s in the layout, not %s: name one of them", op.Plot, r.plots[i].Treatment, op.Treatment)
			continue
		}
		if v, has := weights[row.Line]; has && !v.Missing {
			kg := v.Number
			op.ImplementKG = &kg
			if kg < 0 {
				r.fault(row.Line, "the weight of the implement is negative")
				continue
			}
		}
		if v, has := rates[row.Line]; has && !v.Missing {
			rate := v.Number
			op.Rate = &rate
			if rate < 0 {
				r.fault(row.Line, "the rate %v is negative", rate)
				continue
			}
			if own := rateUnits[row.Line]; own != "" {
				if op.RateUnit != "" && !SameRateUnit(own, op.RateUnit) {
					r.fault(row.Line, "the rate is given in %s and in %s: keep the right one", own, op.RateUnit)
					continue
				}
				op.RateUnit = own
			}
			if op.RateUnit == "" {
				r.fault(row.Line, "the rate %v has no unit (kg/ha, lb/acre, ...)", rate)
				continue
			}
		}
		r.out.Operations = append(r.out.Operations, op)
	}
	good := r.out.Operations[:0]
	for _, op := range r.out.Operations {
		if !r.bad[op.Line] {
			good = append(good, op)
		}
	}
	r.out.Operations = good
	r.doubtWork()
	return r.done(), nil
}

// doubtWork asks about rows that say the same, and about days years from the
// trial's. Seed may be sown the autumn before.
func (r *reader) doubtWork() {
	first := map[string]int{}
	for _, op := range r.out.Operations {
		same := op
		same.Line, same.Source, same.Rate, same.ImplementKG = 0, "", nil, nil
		key := fmt.Sprintf("%+v", same)
		for _, n := range []*float64{op.Rate, op.ImplementKG} {
			if n != nil {
				key += fmt.Sprint(" ", *n)
			}
		}
		if was, twice := first[key]; twice {
			r.doubt("row %d says the same as row %d: was it done twice (--agreed)? If not, take one out", op.Line, was)
		} else {
			first[key] = op.Line
		}
		if r.yearsAway(op.Date) {
			r.doubt("%s on %s (row %d) is more than a year from every visit: is the date right (--agreed)? If not, correct it", op.What, op.Date, op.Line)
		}
	}
}

// rateWithUnit is a rate whose unit stands in the same cell: "120 kg/ha".
var rateWithUnit = regexp.MustCompile(`^([0-9][0-9.,' ]*?) ?([a-zA-Z].*)$`)

// splitRates takes the units out of the cells of a column of rates and returns
// them by line. The sheet's own cells are not changed.
func (r *reader) splitRates(col int) map[int]string {
	out := map[int]string{}
	sheet := *r.s
	sheet.Rows = slices.Clone(sheet.Rows)
	for i, row := range sheet.Rows {
		c := row.Cells[col]
		m := rateWithUnit.FindStringSubmatch(c.Text)
		if c.Number != nil || !c.Date.IsZero() || m == nil {
			continue
		}
		if _, known := rateKey(m[2]); !known {
			continue
		}
		c.Text = m[1]
		row.Cells = slices.Clone(row.Cells)
		row.Cells[col] = c
		sheet.Rows[i], out[row.Line] = row, m[2]
	}
	r.s = &sheet
	return out
}

func (r *reader) workDays(dc int) (map[int]trial.Date, error) {
	when := map[int]trial.Date{}
	if dc < 0 {
		for _, row := range r.s.Rows {
			when[row.Line] = r.opt.Date
		}
		return when, nil
	}
	dates, faults := r.s.Dates(dc, r.opt.Dates, nil)
	r.faults(faults)
	for _, v := range dates {
		if v.Missing {
			r.fault(v.Line, "has no date")
			continue
		}
		when[v.Line] = v.Date
	}
	return when, nil
}

// ground reads which treatment or plot was worked; "" is all of them. A dash or
// NA says neither and is a fault.
func (r *reader) ground(row tables.Row, what string, labels *tables.Labels) (string, bool) {
	c := r.column(what)
	if c < 0 || row.Cells[c].Text == "" || strings.EqualFold(row.Cells[c].Text, "all") {
		return "", true
	}
	found, err := labels.Match(row.Cells[c])
	switch {
	case err == nil:
		return found, true
	case tables.IsMissing(row.Cells[c]):
		r.fault(row.Line, "the %s is given as %q: name it, or write all where the whole trial was worked", what, row.Cells[c].Text)
	default:
		r.fault(row.Line, "%v", err)
	}
	return "", false
}
