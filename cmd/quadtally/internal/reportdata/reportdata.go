// Package reportdata gathers from the record what the report is built of, by the
// functions that compare, agree and status call.
package reportdata

import (
	"path/filepath"
	"slices"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
)

// Input gathers the report's input from one snapshot, by the same
// functions as compare, agree and status.
func Input(snap *record.Snapshot, made trial.Date) report.Input {
	in := report.Input{Trial: snap.Trial, Plots: snap.Plots, Made: made, Entry: snap.Entry, Photos: photos(snap)}
	for _, o := range snap.Operations {
		in.Operations = append(in.Operations, report.Operation{Date: o.Date, What: o.What, Treatment: o.Treatment, Plot: o.Plot, Input: o.Input,
			Rate: o.Rate, RateUnit: o.RateUnit, Stage: o.Stage, Passes: o.Passes, Note: o.Note, Source: o.Source})
	}
	for _, o := range snap.Observations {
		in.Observers = addOnce(in.Observers, o.Observer)
		in.Trims = addOnce(in.Trims, o.Trim)
	}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			in.Settings = addOnce(in.Settings, p.Fingerprint)
		}
	}
	slices.Sort(in.Settings)
	if opt, err := season.VisionOptions(snap); err == nil {
		in.Index = opt.Index.Method()
	}
	for _, o := range analysis.Outcomes(snap) {
		in.Responses = append(in.Responses, report.Response{Outcome: o})
	}
	in.Visits = visits(snap)
	in.Harvest = analysis.Harvests(snap)
	in.Open = analysis.SheetQuestions(snap)
	in.Agreements = analysis.Agreements(snap)
	in.DateGroups = analysis.DateGroups(snap)
	return in
}

func addOnce(list []string, s string) []string {
	if s == "" || slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}

// visits is the state of each visit with its threshold.
func visits(snap *record.Snapshot) []report.Visit {
	var out []report.Visit
	for _, p := range analysis.Progress(snap) {
		v := report.Visit{Number: p.Visit, Planned: snap.Trial.Visits[p.Visit-1], Made: p.Made,
			Quadrats: p.Wanted, Photos: p.Photos, Counts: p.Counts, Others: p.Others, NoPhoto: p.NoPhoto, NoCount: p.NoCount, Split: p.Split}
		if t, ok := snap.Thresholds[p.Visit]; ok {
			v.Threshold, v.Basis, v.ByHand = &t.Value, t.Basis, t.ByHand
		}
		out = append(out, v)
	}
	return out
}

func photos(snap *record.Snapshot) report.Photos {
	out := report.Photos{All: len(snap.Photos)}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		aside := func(list *[]report.Aside, reason string) {
			*list = append(*list, report.Aside{Photo: filepath.Base(p.Path), Reason: reason})
		}
		switch p.State() {
		case record.PhotoInUse:
			out.InUse++
			if look, _ := season.Unanswered(p); look {
				out.Doubtful++
			}
		case record.PhotoSetAside:
			aside(&out.Rejected, p.Why())
		case record.PhotoUnread:
			aside(&out.Unread, p.Why())
		case record.PhotoSpare:
			out.Spare++
		case record.PhotoUnmeasured:
			aside(&out.Open, "not measured yet")
		case record.PhotoAwaitsPlace:
			aside(&out.Open, p.Why())
		}
	}
	return out
}
