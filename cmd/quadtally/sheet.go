package main

import (
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

var sheetNames = []string{"counts", "yields", "field", "photos", "amounts"}

func sheetCommand(a *app) *cobra.Command {
	var out, classes string
	var visit int
	var withTreatment bool
	c := &cobra.Command{
		Use:   "sheet KIND",
		Short: "Write an empty sheet to fill in",
		Long: `Writes a sheet with the right columns and a row for every quadrat or plot, in
walking order, ready to be typed into and stored with the command of the same
name. KIND is counts, yields, field or photos. The sheet of amounts is not empty: it says
how much of every input stored with a rate (each component of a seed mix) each
plot needs, to weigh out before the work.

Treatments are left off, so that whoever counts does not know them; fill in the
hand counts before you look at what the camera found. Leave a cell blank where
you did not look; write 0 where you looked and there was none.

` + exitHelp,
		Example: "  quadtally sheet counts --visit 2 --out visit-2.xlsx\n  quadtally sheet yields > harvest.csv",
		Args:    takes(1, 1, "one kind: "+strings.Join(sheetNames, ", ")),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !slices.Contains(sheetNames, args[0]) {
				return usagef("there is no sheet %q: choose %s", args[0], strings.Join(sheetNames, ", "))
			}
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				if visit < 0 || visit > len(snap.Trial.Visits) {
					return usagef("--visit %d: the plan has %d visits", visit, len(snap.Trial.Visits))
				}
				counted := countedClasses(&snap.Trial)
				if classes != "" {
					counted = strings.Split(classes, ",")
				}
				t := emptySheet(args[0], snap, visit, counted, withTreatment)
				return a.writeTo(out, func(w io.Writer) error {
					if strings.HasSuffix(strings.ToLower(out), ".xlsx") {
						return tables.WriteXLSX(w, []tables.Table{t})
					}
					return tables.WriteCSV(w, t)
				})
			})
		},
	}
	c.Flags().StringVar(&out, "out", "", "`file` to write, CSV or XLSX by its name; standard output otherwise")
	c.Flags().StringVar(&classes, "classes", "", "columns of a count sheet (default: the plan's classes)")
	c.Flags().IntVar(&visit, "visit", 0, "only this visit")
	a.forceFlag(c)
	c.Flags().BoolVar(&withTreatment, "with-treatment", false, "show the treatments on the sheet")
	return c
}

// countedClasses are the classes of plants that the plan has counted.
func countedClasses(t *trial.Trial) []string {
	var out []string
	for _, c := range t.PlantClasses() {
		out = append(out, c.Name)
	}
	return out
}

func emptySheet(kind string, snap *record.Snapshot, visit int, classes []string, withTreatment bool) tables.Table {
	t := tables.Table{Name: kind}
	lead := []string{"plot", "block"}
	plotCells := func(p trial.Plot) []any {
		cells := []any{p.ID, p.Block}
		if withTreatment {
			cells = append(cells, p.Treatment)
		}
		return cells
	}
	if withTreatment {
		lead = append(lead, "treatment")
	}
	unit := map[trial.Units][2]string{trial.US: {"lb", "ft"}}[snap.Trial.Units]
	if unit[0] == "" {
		unit = [2]string{"kg", "m"}
	}
	switch kind {
	case "amounts":
		return amountsSheet(snap)
	case "yields":
		t.Header = append(lead, "date", "marketable_"+unit[0], "cull_"+unit[0], "bed_length_"+unit[1], "pieces", "stand", "trim", "notes")
		for _, p := range snap.Plots {
			t.Add(plotCells(p)...)
		}
	case "field":
		t.Header = []string{"date", "operation", "treatment", "plot", "input", "rate", "rate_unit", "stage", "passes", "implement", "implement_weight_" + unit[0], "soil_moisture", "note"}
	case "photos":
		t.Header = []string{"photo", "plot", "quadrat", "visit"}
	default:
		t.Header = append(append(lead, "quadrat", "visit", "date"), classes...)
		t.Header = append(t.Header, "cover_%", "observer", "notes")
		for i, d := range snap.Trial.Visits {
			if visit != 0 && visit != i+1 {
				continue
			}
			for _, p := range snap.Plots {
				for q := 1; q <= max(1, snap.Trial.Quadrat.PerPlot); q++ {
					t.Add(append(plotCells(p), q, i+1, d.String())...)
				}
			}
		}
	}
	return t
}

// amountsSheet turns the rates of the field operations into amounts for each
// plot, over its gross area.
func amountsSheet(snap *record.Snapshot) tables.Table {
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
			amount, unit, ok := sheets.Amount(*o.Rate, o.RateUnit, area, us)
			row := []any{p.ID, p.Treatment, o.Date.String(), o.What, o.Input, *o.Rate, o.RateUnit, math.Round(1000*area/unitM2) / 1000, nil, "rate unit not understood"}
			if ok {
				row[8], row[9] = amount, unit
			}
			t.Add(row...)
		}
	}
	return t
}
