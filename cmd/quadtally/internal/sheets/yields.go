package sheets

import (
	"fmt"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

var weightKG = map[string]float64{"kg": 1, "g": 1e-3, "lb": trial.KGPerLB, "oz": trial.KGPerOz}
var lengthMM = map[string]float64{"m": 1000, "mm": 1, "cm": 10, "ft": trial.MMPerFoot, "in": trial.MMPerInch}

// Harvested is the variable of the number of heads, roots or fruits that were
// weighed; "pieces" is what the camera sees of weeds.
const Harvested = "harvested pieces"

// yieldColumns are the weights of a harvest, by the names people use.
var yieldColumns = map[string][]string{
	"marketable": {"marketable", "marketable weight", "market", "sold", "yield"},
	"cull":       {"cull", "culls", "unmarketable", "cull weight"},
	"total":      {"total", "total weight", "total yield"},
}

// Yields reads a sheet of harvested weights: plot, date of the pick,
// marketable and cull weight, pieces, bed length cut, trim, stand. Several
// picks of a plot are rows of their own.
func Yields(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	r := newReader(t, plots, s, opt)
	at, err := r.places(false)
	if err != nil {
		return Import{}, err
	}
	weights := map[string]map[int]tables.Value{}
	for class, names := range yieldColumns {
		col, unit := r.unitColumn(names)
		if col < 0 {
			continue
		}
		factor, ok := weightKG[orElse(unit, opt.WeightUnit)]
		if !ok {
			return Import{}, fmt.Errorf("%s: column %q does not say its unit: write it into the header (%s_kg or %s_lb) or say --weight kg or --weight lb", s.Name, s.Header[col], class, class)
		}
		weights[class] = r.scaled(col, factor)
	}
	if weights["marketable"] == nil && weights["total"] == nil {
		return Import{}, r.missingColumn("the weight (marketable_kg, cull_kg)")
	}
	lengths := map[int]tables.Value{}
	if col, unit := r.unitColumn([]string{"bed length", "length", "length cut", "bed length cut", "harvested length"}); col >= 0 {
		factor, ok := lengthMM[orElse(unit, opt.LengthUnit)]
		if !ok {
			return Import{}, fmt.Errorf("%s: column %q does not say its unit: write it into the header (bed_length_m or bed_length_ft) or say --length-unit m or ft", s.Name, s.Header[col])
		}
		lengths = r.scaled(col, factor)
	} else if opt.LengthMM <= 0 {
		return Import{}, fmt.Errorf("%s has no column for the bed length that was cut, and without it a weight is no yield: add bed_length_m or bed_length_ft, or say --length 3m", s.Name)
	}
	counts := map[string]map[int]tables.Value{}
	for variable, names := range map[string][]string{Harvested: {"pieces", "heads", "number", "n pieces"}, "stand": {"stand", "plants", "stand count"}} {
		if col, _ := r.unitColumn(names); col >= 0 {
			counts[variable] = r.scaled(col, 1)
		}
	}
	blank := 0
	for _, row := range s.Rows {
		p, ok := at[row.Line]
		if !ok {
			continue
		}
		if r.unfilled(row) {
			blank++
			continue
		}
		if p.date.IsZero() {
			r.fault(row.Line, "has no date of harvest")
			continue
		}
		base := r.observation(row, p)
		base.Visit, base.Trim = 0, r.text(row, "trim", "trim standard", "stem length")
		base.LengthMM = opt.LengthMM
		if v, has := lengths[row.Line]; has {
			if v.Missing || v.Number <= 0 {
				r.fault(row.Line, "the bed length cut is blank or zero")
				continue
			}
			base.LengthMM = v.Number
		}
		r.checkYieldSum(row.Line, weights)
		for _, class := range []string{"marketable", "cull", "total"} {
			v, has := weights[class][row.Line]
			if !has || (class == "total" && weights["marketable"] != nil) {
				continue
			}
			if !v.Missing && v.Number < 0 {
				r.fault(row.Line, "the %s weight is negative", class)
				continue
			}
			o := base
			o.Variable, o.Class, o.Unit = "yield", class, "kg"
			r.add(o, v)
		}
		for _, variable := range []string{Harvested, "stand"} {
			if v, has := counts[variable][row.Line]; has && r.isCount(row.Line, variable, v) {
				o := base
				o.Variable, o.Unit = variable, "plants"
				if variable == Harvested {
					o.Unit = "pieces"
				}
				r.add(o, v)
			}
		}
	}
	r.waiting(blank)
	r.checkDuplicates()
	return r.done(), nil
}

// unitColumn finds a column by name, with or without a unit in its header.
func (r *reader) unitColumn(names []string) (col int, unit string) {
	for i, h := range r.s.Header {
		name, unit := splitUnit(h)
		for _, n := range names {
			if tables.Key(name) == tables.Key(n) {
				return i, unit
			}
		}
	}
	return -1, ""
}

func (r *reader) scaled(col int, factor float64) map[int]tables.Value {
	values, faults := r.s.Numbers(col, r.opt.Decimal)
	r.faults(faults)
	out := map[int]tables.Value{}
	for _, v := range values {
		v.Number *= factor
		out[v.Line] = v
	}
	return out
}

// checkYieldSum holds an entered total against its parts, to the gram.
func (r *reader) checkYieldSum(line int, weights map[string]map[int]tables.Value) {
	m, okM := weights["marketable"][line]
	c, okC := weights["cull"][line]
	t, okT := weights["total"][line]
	if !okM || !okC || !okT || m.Missing || c.Missing || t.Missing {
		return
	}
	if d := t.Number - m.Number - c.Number; d > 0.001 || d < -0.001 {
		r.fault(line, "the total weight %.3f kg is not marketable plus cull %.3f kg", t.Number, m.Number+c.Number)
	}
}

// Field reads what was done to the field: date, operation, treatment or plot,
// input with rate and unit, growth stage, passes.
func Field(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	r := newReader(t, plots, s, opt)
	oc := s.Column("operation", "what", "work", "activity")
	dc := s.Column("date", "day")
	if oc < 0 {
		return Import{}, r.missingColumn("the operation (seeding, termination, planting, ...)")
	}
	if dc < 0 {
		return Import{}, r.missingColumn("the date")
	}
	dates, faults := s.Dates(dc, opt.Dates, nil)
	r.faults(faults)
	when := map[int]trial.Date{}
	for _, v := range dates {
		if v.Missing {
			r.fault(v.Line, "has no date")
			continue
		}
		when[v.Line] = v.Date
	}
	rates := map[int]tables.Value{}
	if c := s.Column("rate"); c >= 0 {
		rates = r.scaled(c, 1)
	}
	passes := map[int]int{}
	if c := s.Column("passes"); c >= 0 {
		passes = r.whole(c)
	}
	for _, row := range s.Rows {
		d, ok := when[row.Line]
		if !ok {
			continue
		}
		op := record.Operation{Date: d, What: strings.ToLower(row.Cells[oc].Text), Input: r.text(row, "input", "product", "component", "seed"),
			RateUnit: r.text(row, "rate unit", "unit"), Stage: r.text(row, "stage", "growth stage"), Passes: passes[row.Line],
			Note: r.text(row, "note", "notes", "remark"), Source: s.Where(row.Line)}
		if op.What == "" {
			r.fault(row.Line, "does not say what was done")
			continue
		}
		if c := s.Column("treatment", "trt"); c >= 0 && !tables.IsMissing(row.Cells[c]) && !strings.EqualFold(row.Cells[c].Text, "all") {
			if op.Treatment, _ = r.treatLabels.Match(row.Cells[c]); op.Treatment == "" {
				r.fault(row.Line, "treatment %q is not in the layout", row.Cells[c].Text)
				continue
			}
		}
		if c := s.Column("plot"); c >= 0 && !tables.IsMissing(row.Cells[c]) && !strings.EqualFold(row.Cells[c].Text, "all") {
			var err error
			if op.Plot, err = r.plotLabels.Match(row.Cells[c]); err != nil {
				r.fault(row.Line, "%v", err)
				continue
			}
		}
		if v, has := rates[row.Line]; has && !v.Missing {
			rate := v.Number
			op.Rate = &rate
			if op.RateUnit == "" {
				r.fault(row.Line, "the rate %v has no unit (kg/ha, lb/acre, ...)", rate)
				continue
			}
		}
		r.out.Operations = append(r.out.Operations, op)
	}
	return r.done(), nil
}

func ofQuadrat(o record.Observation) string {
	if o.Quadrat == 0 {
		return ""
	}
	return fmt.Sprintf(" quadrat %d", o.Quadrat)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
