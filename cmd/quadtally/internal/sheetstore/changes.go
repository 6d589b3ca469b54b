package sheetstore

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

func newLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, o := range d.New {
		out = append(out, tables.Fault{Line: o.Line, Text: describe(o) + ", " + amount(o, u)})
	}
	for _, o := range d.NewOperations {
		out = append(out, tables.Fault{Line: o.Line, Text: operation(o, u)})
	}
	return out
}

func changedLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, c := range d.Changed {
		out = append(out, tables.Fault{Line: c.Now.Line, Text: wasAndNow(c.Was, c.Now, u)})
	}
	for _, c := range d.ChangedOperations {
		out = append(out, tables.Fault{Line: c.Now.Line, Text: operationChange(c, u)})
	}
	return out
}

func movedLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, c := range d.Moved {
		var parts []string
		part := func(name, was, now string) {
			if was != now {
				parts = append(parts, fmt.Sprintf("%s was %s, now %s", name, was, now))
			}
		}
		part("plot", c.Was.Plot, c.Now.Plot)
		part("quadrat", fmt.Sprint(c.Was.Quadrat), fmt.Sprint(c.Now.Quadrat))
		part("visit", fmt.Sprint(c.Was.Visit), fmt.Sprint(c.Now.Visit))
		part("date", c.Was.Date.String(), c.Now.Date.String())
		part("pick", orNone(c.Was.Pick), orNone(c.Now.Pick))
		if amount(c.Was, u) != amount(c.Now, u) {
			part(c.Now.Variable, amount(c.Was, u), amount(c.Now, u))
		}
		out = append(out, tables.Fault{Line: c.Now.Line, Text: strings.Join(parts, ", ")})
	}
	return out
}

func orNone(s string) string {
	if s == "" {
		return "not stated"
	}
	return s
}

func withdrawnLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, o := range d.Withdrawn {
		out = append(out, tables.Fault{Text: describe(o) + ", " + amount(o, u)})
	}
	for _, o := range d.WithdrawnOperations {
		out = append(out, tables.Fault{Text: operation(o, u)})
	}
	return out
}

// standingLines are values that are no longer in the sheet and stand elsewhere.
func standingLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, c := range d.Stands {
		out = append(out, tables.Fault{Text: fmt.Sprintf("%s, %s, as it stands in %s: take it out there too if it is wrong", describe(c.Now), amount(c.Now, u), from(c.Now))})
	}
	return out
}

// wasAndNow says what becomes of a value: the value itself, or what else was
// said with it.
func wasAndNow(was, now record.Observation, u trial.Units) string {
	s := describe(now)
	if a, b := amount(was, u), amount(now, u); a != b {
		return s + ", was " + a + ", now " + b
	}
	var parts []string
	for _, p := range [][3]string{{"date", was.Date.String(), now.Date.String()}, {"plot", was.Plot, now.Plot},
		{"quadrat", fmt.Sprint(was.Quadrat), fmt.Sprint(now.Quadrat)}, {"pick", orNone(was.Pick), orNone(now.Pick)},
		{"observer", orNone(was.Observer), orNone(now.Observer)}, {"trim", orNone(was.Trim), orNone(now.Trim)},
		{"group", orNone(was.Group), orNone(now.Group)}, {"life form", orNone(was.Life), orNone(now.Life)},
		{"bed length", trial.Length(was.LengthMM, u), trial.Length(now.LengthMM, u)}} {
		if p[1] != p[2] {
			parts = append(parts, fmt.Sprintf("%s was %s, now %s", p[0], p[1], p[2]))
		}
	}
	return s + ", " + strings.Join(parts, ", ")
}

func describe(o record.Observation) string {
	s := "plot " + o.Plot
	if o.Quadrat > 0 {
		s += fmt.Sprintf(" quadrat %d", o.Quadrat)
	}
	switch {
	case o.Visit > 0:
		s += fmt.Sprintf(" visit %d", o.Visit)
	case o.Pick != "":
		s += " pick " + o.Pick
	case !o.Date.IsZero() && o.Variable != record.VarStand:
		s += " on " + o.Date.String()
	}
	s += " " + o.Variable
	if o.Class != "" {
		s += " (" + o.Class + ")"
	}
	return s
}

// amount is a value in the unit that people of the trial read; an assessment of
// their own is in the unit they gave it.
func amount(o record.Observation, u trial.Units) string {
	if o.Missing {
		return "missing"
	}
	v, unit := o.Value, o.Unit
	known := slices.ContainsFunc(sheets.Columns, func(c sheets.Column) bool { return c.Target == o.Variable })
	switch us := u == trial.US; {
	case !known:
	case unit == "fraction":
		v, unit = 100*v, "%"
	case unit == "mm" && us:
		v, unit = v/trial.MMPerInch, "in"
	case unit == "mm":
		v, unit = v/10, "cm"
	case unit == "kg":
		v, unit = weightIn(v, u)
	case unit == "kg/m2" && us:
		v, unit = v/trial.KGPerLB*trial.M2PerAcre, "lb/acre"
	case unit == "kg/m2":
		v, unit = v*trial.M2PerHa, "kg/ha"
	}
	return fmt.Sprintf("%.7g %s", v, unit)
}

func weightIn(kg float64, u trial.Units) (v float64, unit string) {
	if u == trial.US {
		return kg / trial.KGPerLB, "lb"
	}
	return kg, "kg"
}

// operation says what was done where.
func operation(o record.Operation, u trial.Units) string {
	parts := operationParts(o, u)
	out := []string{o.Date.String() + " " + o.What}
	for _, name := range slices.Sorted(maps.Keys(parts)) {
		if v := parts[name]; v != "" && name != "date" && name != "work" {
			out = append(out, name+" "+v)
		}
	}
	return strings.Join(out, ", ")
}

func operationParts(o record.Operation, u trial.Units) map[string]string {
	p := map[string]string{"date": o.Date.String(), "work": o.What, "treatment": o.Treatment, "plot": o.Plot, "input": o.Input,
		"rate unit": o.RateUnit, "stage": o.Stage, "implement": o.Implement, "soil moisture": o.SoilMoisture, "note": o.Note}
	if o.Rate != nil {
		p["rate"] = fmt.Sprintf("%g", *o.Rate)
	}
	if o.Passes > 0 {
		p["passes"] = fmt.Sprint(o.Passes)
	}
	if o.ImplementKG != nil {
		v, unit := weightIn(*o.ImplementKG, u)
		p["implement weight"] = fmt.Sprintf("%.6g %s", v, unit)
	}
	return p
}

func operationChange(c record.OperationChange, u trial.Units) string {
	was, now := operationParts(c.Was, u), operationParts(c.Now, u)
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(now)) {
		if was[name] != now[name] {
			parts = append(parts, fmt.Sprintf("%s was %s, now %s", name, orNone(was[name]), orNone(now[name])))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(was)) {
		if _, ok := now[name]; !ok {
			parts = append(parts, fmt.Sprintf("%s was %s, now not stated", name, was[name]))
		}
	}
	return c.Now.Date.String() + " " + c.Now.What + ", " + strings.Join(parts, ", ")
}
