package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
)

// done lists the operations in order of date, with rates turned into amounts,
// and the visits.
func (b *builder) done() Section {
	s := Section{ID: "done", Title: "What was done when"}
	ops := slices.Clone(b.in.Operations)
	slices.SortStableFunc(ops, func(x, y Operation) int { return cmp.Compare(x.Date.String(), y.Date.String()) })
	if len(ops) == 0 {
		s.say("Operations: %s", notRecorded)
	} else {
		t := Table{ID: "operations", Caption: "Operations", Columns: words("Date", "Operation", "Where", "With what", "Rate", "Amount a plot", "Amount in all", "Source")}
		for _, o := range ops {
			where := "all plots"
			switch {
			case o.Plot != "":
				where = "plot " + o.Plot
			case o.Treatment != "":
				where = o.Treatment
			}
			rate := notRecorded
			if o.Rate != nil {
				rate = strings.TrimSpace(fmt.Sprintf("%g %s", *o.Rate, o.RateUnit))
			}
			with := []string{o.Input, o.Stage, o.Note}
			if o.Passes > 1 {
				with = append(with, fmt.Sprintf("%d passes", o.Passes))
			}
			with = slices.DeleteFunc(with, func(s string) bool { return s == "" })
			plot, all := b.amounts(o)
			t.Rows = append(t.Rows, cells(b.day(o.Date), sentenceCase(o.What), where, orNotRecorded(strings.Join(with, "; ")), rate, plot, all, o.Source))
		}
		t.Note = "Amounts are the rate times the plot's gross ground: its bed length times its beds times the bed spacing centre to centre, path included."
		s.add(t)
	}
	s.add(Text{Tone: Safety, Text: "Rollers, crimpers and tractors: nobody stands in or between plots while a machine works, guards stay on, and a stuck roller is freed only with the engine off. Sprays, where any are used, are for licensed people by the label and the local rules; keep the re-entry time before the next visit. On hot days count early, drink, and work in pairs. Knives and harvest blades are carried closed."})
	s.add(b.visitTable())
	return s
}

// amounts turns a rate per ground into what a plot and all its plots took.
func (b *builder) amounts(o Operation) (plot, all string) {
	if o.Rate == nil {
		return undefined, undefined
	}
	amount, per, ok := strings.Cut(strings.ReplaceAll(o.RateUnit, " ", ""), "/")
	groundM2, known := map[string]float64{"ha": trial.M2PerHa, "acre": trial.M2PerAcre, "ac": trial.M2PerAcre, "m2": 1, "m²": 1, "ft2": trial.M2PerFt2, "ft²": trial.M2PerFt2}[per]
	if !ok || !known {
		return "not worked out: the rate is not per ha, acre, m2 or ft2", undefined
	}
	var least, most, sum float64
	n := 0
	for _, p := range b.in.Plots {
		if (o.Plot != "" && p.ID != o.Plot) || (o.Treatment != "" && p.Treatment != o.Treatment) {
			continue
		}
		m2 := trial.GrossAreaM2(p, b.in.Trial.Ground)
		if !(m2 > 0) {
			return "not worked out: the plot's size is not recorded", undefined
		}
		v := *o.Rate * m2 / groundM2
		if n == 0 || v < least {
			least = v
		}
		most = max(most, v)
		sum += v
		n++
	}
	if n == 0 {
		return undefined, undefined
	}
	if f, ok := finer[amount]; ok && least > 0 && least < 0.1 && (amount != "ton" || b.units == trial.US) {
		amount, least, most, sum = f.unit, least*f.times, most*f.times, sum*f.times
	}
	each := amountText(least)
	if most > least*(1+1e-9) {
		each += " to " + amountText(most)
	}
	return each + " " + amount, fmt.Sprintf("%s %s in %s", amountText(sum), amount, counted(n, "plot"))
}

// finer are the units in which the little that a plot takes is weighed out. A
// ton is one of 2000 lb in a plan in US units, and is left as it is elsewhere.
var finer = map[string]struct {
	unit  string
	times float64
}{"ton": {"lb", 2000}, "t": {"kg", 1000}, "kg": {"g", 1000}, "lb": {"oz", 16}, "gal": {"fl oz", 128}, "qt": {"fl oz", 32}, "pt": {"fl oz", 16}, "l": {"ml", 1000}, "L": {"ml", 1000}}

// amountText keeps three figures and never writes an exponent.
func amountText(v float64) string {
	if v >= 100 {
		return fmt.Sprintf("%.0f", v)
	}
	if v < 0.001 { // where %g would turn to an exponent
		return figure3(v)
	}
	return fmt.Sprintf("%.3g", v)
}

// visitTable says when each visit was made and how far it got.
func (b *builder) visitTable() Table {
	t := Table{ID: "visits", Caption: "Visits", Columns: []Column{{"Visit", false}, {"Planned", false}, {"Made", false}, {"Days from planting", true}, {"Days from termination", true}, {"Quadrats", true}, {"With photo", true}, {"Counted", true}}}
	planting, ending := b.dayOf(trial.Planting), b.dayOf(trial.Termination)
	since := func(from trial.Date, v Visit) string {
		d := v.Planned
		if len(v.Made) > 0 {
			d = v.Made[0]
		}
		if from.IsZero() || d.IsZero() {
			return notRecorded
		}
		return fmt.Sprint(from.DaysTo(d))
	}
	var later []string
	for _, v := range b.in.Visits {
		if v.notMade() {
			later = append(later, fmt.Sprintf("%d (%s)", v.Number, b.day(v.Planned)))
			continue
		}
		made := make([]string, len(v.Made))
		for i, d := range v.Made {
			made[i] = b.day(d)
		}
		t.Rows = append(t.Rows, cells(fmt.Sprint(v.Number), b.day(v.Planned), orNotRecorded(strings.Join(made, ", ")), since(planting, v), since(ending, v),
			fmt.Sprint(v.Quadrats), fmt.Sprint(v.Photos), fmt.Sprint(v.Counts)))
	}
	t.Note = "Days from termination are from the first termination of any treatment."
	if len(later) > 0 {
		t.Note += " Not made, or nothing of it is in the record: " + numbered("visit", later) + "."
	}
	return t
}

// dayOf is the first day that work of a stage was done anywhere.
func (b *builder) dayOf(stage trial.Stage) trial.Date {
	var first trial.Date
	for _, o := range b.in.Operations {
		if s, _ := b.in.Trial.StageOf(o.What); s == stage && (first.IsZero() || o.Date.DaysTo(first) > 0) {
			first = o.Date
		}
	}
	return first
}
