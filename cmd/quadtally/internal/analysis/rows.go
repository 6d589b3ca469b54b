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

// rowsOf makes the rows of a comparison, in the unit of the response. Visit 0
// takes all visits, or everything of a response without visits. Every plot of
// the layout is there: a plot without a reading is missing, not forgotten.
func rowsOf(snap *record.Snapshot, r Response, rs []Reading, visit int, days map[int]float64) []stats.Row {
	byPlot := map[Place][]Reading{} // of quadrat 0
	visits := map[int]bool{}
	for _, x := range rs {
		if visit == 0 || x.Visit == visit {
			k := Place{Plot: x.Plot, Visit: x.Visit}
			byPlot[k] = append(byPlot[k], x)
			visits[x.Visit] = true
		}
	}
	var rows []stats.Row
	for _, v := range slices.Sorted(maps.Keys(visits)) {
		for _, p := range snap.Plots {
			base := stats.Row{Plot: p.ID, Treatment: p.Treatment, Block: p.Block, Day: days[v]}
			if snap.Trial.Design == trial.LatinSquare {
				base.Column = p.Column
			}
			if snap.Trial.Design == trial.CompletelyRandomised {
				base.Block = ""
			}
			list := byPlot[Place{Plot: p.ID, Visit: v}]
			if len(list) == 0 {
				base.Missing, base.Source = true, "plot "+p.ID
				rows = append(rows, base)
				continue
			}
			for _, x := range list {
				row := base
				row.Value, row.Source = r.Shown(x), x.Source
				if x.Quadrat > 0 {
					row.Quadrat = fmt.Sprint(x.Quadrat)
				}
				rows = append(rows, row)
			}
		}
	}
	return rows
}

// statsOptions are the options of a comparison of this trial.
func statsOptions(snap *record.Snapshot, r Response) stats.Options {
	opt := stats.DefaultOptions()
	opt.Response, opt.Unit, opt.Kind = r.Label, r.Unit, r.Kind
	opt.UnitKnown = true // sheets are checked as they come in, photos are measured by one program
	opt.Control = snap.Trial.Control()
	opt.Dates = datesDone(snap)
	for _, t := range snap.Trial.Treatments {
		opt.Order = append(opt.Order, t.Code)
	}
	return opt
}
