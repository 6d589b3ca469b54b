package analysis

import (
	"maps"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// operationsWithDates are the operations whose date may be confounded with the
// treatment.
var operationsWithDates = []trial.Stage{trial.Seeding, trial.Termination, trial.Planting}

// datesPlanned gathers the days of seeding and termination that the plan states.
func datesPlanned(t *trial.Trial) []stats.DateSet {
	seeding, termination := stats.DateSet{Operation: "seeding"}, stats.DateSet{Operation: "termination"}
	for _, tr := range t.Treatments {
		for _, day := range tr.SeedingDays() {
			seeding.Add(tr.Code, day.String())
		}
		if !tr.Terminated.IsZero() {
			termination.Add(tr.Code, tr.Terminated.String())
		}
	}
	return []stats.DateSet{seeding, termination}
}

// datesDone gathers the days on which operations were done, as the field log
// tells them in the trade's words: on the plots of one treatment, on single
// plots, or on all. For a treatment of which the log tells no day of an
// operation, the plan's day stands.
func datesDone(snap *record.Snapshot) []stats.DateSet {
	planned := datesPlanned(&snap.Trial)
	var out []stats.DateSet
	for _, what := range operationsWithDates {
		set := stats.DateSet{Operation: string(what)}
		for _, o := range snap.Operations {
			if stage, _ := snap.Trial.StageOf(o.What); stage != what || o.Date.IsZero() {
				continue
			}
			on := o.Treatment
			if o.Plot != "" {
				p, ok := snap.Plot(o.Plot)
				if !ok {
					continue
				}
				on = p.Treatment
			}
			for _, t := range snap.Trial.Treatments {
				if on == "" || on == t.Code {
					set.Add(t.Code, o.Date.String())
				}
			}
		}
		logged := maps.Clone(set.ByTreatment)
		for _, p := range planned {
			for code, days := range p.ByTreatment {
				if p.Operation != set.Operation || len(logged[code]) > 0 {
					continue
				}
				for _, day := range days {
					set.Add(code, day)
				}
			}
		}
		out = append(out, set)
	}
	return out
}

// DatesApart says of which operations groups of treatments share no day, by
// the field log and the plan; see [stats.ConfoundedDates].
func DatesApart(snap *record.Snapshot) []string {
	var codes []string
	for _, t := range snap.Trial.Treatments {
		codes = append(codes, t.Code)
	}
	return stats.ConfoundedDates(codes, DateGroups(snap))
}

// ConfoundedDates says of a planned trial which treatments never share a day
// of an operation; see [stats.ConfoundedDates].
func ConfoundedDates(t *trial.Trial) []string {
	var codes []string
	for _, tr := range t.Treatments {
		codes = append(codes, tr.Code)
	}
	return stats.ConfoundedDates(codes, datesPlanned(t))
}
