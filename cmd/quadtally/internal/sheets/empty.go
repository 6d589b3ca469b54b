package sheets

import (
	"math"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// EmptyNames are the sheets that Empty writes.
var EmptyNames = []string{string(KindCounts), string(KindYields), string(KindField), string(KindPhotos), "amounts"}

// EmptyOptions say what an empty sheet is for.
type EmptyOptions struct {
	Visit         int      // of counts: only this visit; 0 is all
	Classes       []string // of counts: what is counted; nil is what the plan names
	WithTreatment bool
}

// Empty is a sheet to be filled in: the columns that reading it knows, and a row
// for every quadrat or plot in the order of the layout. The sheet of amounts is
// not empty: it holds what the stored rates come to on each plot.
func Empty(name string, snap *record.Snapshot, o EmptyOptions) tables.Table {
	t := tables.Table{Name: name, Header: []string{"plot", "block"}}
	if o.WithTreatment {
		t.Header = append(t.Header, "treatment")
	}
	add := func(p trial.Plot, cells ...any) {
		lead := []any{p.ID, p.Block}
		if o.WithTreatment {
			lead = append(lead, p.Treatment)
		}
		t.Add(append(lead, cells...)...)
	}
	weight, length := "kg", "m"
	if snap.Trial.Units == trial.US {
		weight, length = "lb", "ft"
	}
	switch name {
	case "amounts":
		return amounts(snap)
	case string(KindYields):
		t.Header = append(t.Header, "date", "marketable_"+weight, "cull_"+weight, "bed_length_"+length, "pieces", "stand", "trim", "notes")
		for _, p := range snap.Plots {
			add(p)
		}
	case string(KindField):
		t.Header = []string{"date", "operation", "treatment", "plot", "input", "rate", "rate_unit", "stage", "passes", "implement", "implement_weight_" + weight, "soil_moisture", "note"}
	case string(KindPhotos):
		t.Header = []string{"photo", "plot", "quadrat", "visit"}
	default:
		if o.Classes == nil {
			o.Classes = snap.Trial.CountedClasses()
		}
		t.Header = append(append(append(t.Header, "quadrat", "visit", "date"), o.Classes...), "cover_%", "observer", "notes")
		for i, d := range snap.Trial.Visits {
			if o.Visit != 0 && o.Visit != i+1 {
				continue
			}
			for _, p := range snap.Plots {
				for q := 1; q <= max(1, snap.Trial.Quadrat.PerPlot); q++ {
					add(p, q, i+1, d.String())
				}
			}
		}
	}
	return t
}

// amounts turns the rates of the field operations into amounts for each plot,
// over its gross area.
func amounts(snap *record.Snapshot) tables.Table {
	t := tables.Table{Name: "amounts", Header: []string{"plot", "treatment", "date", "operation", "input", "rate", "rate_unit", "area_m2", "amount", "amount_unit"}}
	us, unitM2 := snap.Trial.Units == trial.US, 1.0
	if us {
		t.Header[7], unitM2 = "area_ft2", trial.M2PerFt2
	}
	for _, p := range snap.Plots {
		for _, o := range snap.Operations {
			if o.Rate == nil || (o.Plot != "" && o.Plot != p.ID) || (o.Treatment != "" && o.Treatment != p.Treatment) {
				continue
			}
			area := trial.GrossAreaM2(p, snap.Trial.Ground)
			amount, unit, ok := Amount(*o.Rate, o.RateUnit, area, us)
			row := []any{p.ID, p.Treatment, o.Date.String(), o.What, o.Input, *o.Rate, o.RateUnit, math.Round(1000*area/unitM2) / 1000, nil, "rate unit not understood"}
			if ok {
				row[8], row[9] = amount, unit
			}
			t.Add(row...)
		}
	}
	return t
}
