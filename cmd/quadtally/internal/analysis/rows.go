package analysis

import (
	"fmt"
	"maps"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// VisitDays gives each visit the day it was really made, the commonest date of
// its readings, in days from the first visit with readings. The notes name
// visits that were made on several days.
func VisitDays(rs []Reading) (days map[int]float64, notes []string) {
	dates := map[int]map[trial.Date]int{}
	for _, r := range rs {
		if r.Visit == 0 || r.Date.IsZero() {
			continue
		}
		if dates[r.Visit] == nil {
			dates[r.Visit] = map[trial.Date]int{}
		}
		dates[r.Visit][r.Date]++
	}
	chosen := map[int]trial.Date{}
	for v, m := range dates {
		var best trial.Date
		for d, n := range m {
			if best.IsZero() || n > m[best] || (n == m[best] && d.DaysTo(best) > 0) {
				best = d
			}
		}
		chosen[v] = best
		if len(m) > 1 {
			notes = append(notes, fmt.Sprintf("visit %d was made on %d days; %s, the commonest, stands for all", v, len(m), best))
		}
	}
	slices.Sort(notes)
	first := trial.Date{}
	for _, d := range chosen {
		if first.IsZero() || d.DaysTo(first) > 0 {
			first = d
		}
	}
	days = map[int]float64{}
	for v, d := range chosen {
		days[v] = float64(first.DaysTo(d))
	}
	return days, notes
}

// Value is one value of a comparison: a reading in the unit of the response, or
// a plot without one, which is missing and not forgotten.
type Value struct {
	Reading
	Of      trial.Plot
	Day     float64 // of the visit, from the first visit with readings
	Shown   float64
	Missing bool
}

// Values gives every value that a comparison of the response would take, over
// all visits, by visit and in walking order.
func (r Response) Values(snap *record.Snapshot) ([]Value, error) {
	rs, _, err := r.Readings(snap)
	if err != nil {
		return nil, err
	}
	days, _ := VisitDays(rs)
	return r.valuesOf(snap, rs, 0, days), nil
}

// valuesOf holds readings against the layout. Visit 0 takes all visits, or
// everything of a response without visits. Every plot of the layout is there.
func (r Response) valuesOf(snap *record.Snapshot, rs []Reading, visit int, days map[int]float64) []Value {
	byPlot := map[Place][]Reading{} // of quadrat 0
	visits := map[int]bool{}
	for _, x := range rs {
		if visit == 0 || x.Visit == visit {
			k := Place{Plot: x.Plot, Visit: x.Visit}
			byPlot[k] = append(byPlot[k], x)
			visits[x.Visit] = true
		}
	}
	var out []Value
	for _, v := range slices.Sorted(maps.Keys(visits)) {
		for _, p := range snap.Plots {
			list := byPlot[Place{Plot: p.ID, Visit: v}]
			if len(list) == 0 {
				out = append(out, Value{Reading: Reading{Plot: p.ID, Visit: v}, Of: p, Day: days[v], Missing: true})
			}
			for _, x := range list {
				out = append(out, Value{Reading: x, Of: p, Day: days[v], Shown: r.Shown(x)})
			}
		}
	}
	return out
}

// rowsOf makes the rows of a comparison of values: blocks and columns where the
// design has them.
func rowsOf(snap *record.Snapshot, values []Value) []stats.Row {
	rows := make([]stats.Row, len(values))
	for i, x := range values {
		r := stats.Row{Plot: x.Plot, Treatment: x.Of.Treatment, Block: x.Of.Block, Day: x.Day, Value: x.Shown, Missing: x.Missing, Source: x.Source}
		if snap.Trial.Design == trial.LatinSquare {
			r.Column = x.Of.Column
		}
		if snap.Trial.Design == trial.CompletelyRandomised {
			r.Block = ""
		}
		if x.Quadrat > 0 {
			r.Quadrat = fmt.Sprint(x.Quadrat)
		}
		rows[i] = r
	}
	return rows
}

// statsOptions are the options of a comparison of this trial.
func statsOptions(snap *record.Snapshot, r Response) stats.Options {
	opt := stats.DefaultOptions()
	opt.Response, opt.Unit, opt.Kind, opt.One = r.Label, r.Unit, r.Kind, r.one()
	opt.UnitKnown = true // sheets are checked as they come in, photos are measured by one program
	opt.Control = snap.Trial.Control()
	opt.Dates = datesDone(snap)
	for _, t := range snap.Trial.Treatments {
		opt.Order = append(opt.Order, t.Code)
	}
	return opt
}
