package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
)

func exportCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "export FOLDER",
		Short: "Write every table as CSV, one workbook and JSON",
		Long: `Writes the whole record into FOLDER: plots, photos with their measurements,
observations, operations and decisions as CSV; values.csv, one long tidy table
(plot, block, treatment, visit, date, quadrat, variable, class, value, unit,
source); trial.xlsx with a sheet for each; and trial.json. The folder is written
whole or not at all; it must not exist yet.

Cover is a fraction of the ground inside the frame. A blank value is missing,
never zero. Text that a spreadsheet would take for a formula has an apostrophe
in front.

` + exitHelp,
		Example: "  quadtally export for-the-statistician",
		Args:    takes(1, 1, "one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(func(store *record.Store, snap *record.Snapshot) error {
				return a.export(store, snap, args[0])
			})
		},
	}
}

func (a *app) export(store *record.Store, snap *record.Snapshot, dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return fmt.Errorf("%s exists already: name a folder that does not", dir)
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return fmt.Errorf("%s cannot be made: %w", dir, err)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), ".export-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: check that its folder may be written to (%w)", dir, err)
	}
	defer os.RemoveAll(tmp)
	list := exportTables(snap)
	for _, t := range list {
		if err := writeWhole(filepath.Join(tmp, t.Name+".csv"), func(w io.Writer) error { return tables.WriteCSV(w, t) }); err != nil {
			return err
		}
	}
	if err := writeWhole(filepath.Join(tmp, "trial.xlsx"), func(w io.Writer) error { return tables.WriteXLSX(w, list) }); err != nil {
		return err
	}
	entries, err := store.Entries(a.ctx)
	if err != nil {
		return err
	}
	doc := map[string]any{
		"trial": snap.Trial, "plots": snap.Plots, "photos": exportPhotos(snap), "observations": snap.Observations,
		"operations": snap.Operations, "decisions": snap.Decisions, "thresholds": snap.Thresholds, "entries": entries,
	}
	if err := writeWhole(filepath.Join(tmp, "trial.json"), func(w io.Writer) error {
		enc := json.NewEncoder(w)
		enc.SetIndent("", " ")
		return enc.Encode(doc)
	}); err != nil {
		return err
	}
	if err := os.Chmod(tmp, 0o755); err != nil {
		return err
	}
	if err := os.Rename(tmp, dir); err != nil {
		return fmt.Errorf("%s was not written: %w", dir, err)
	}
	a.note("wrote %s in %s", plural(len(list)+2, "file"), dir)
	return nil
}

// exportPhoto is a photo as trial.json holds it.
type exportPhoto struct {
	record.PhotoFacts
	Place       record.Place    `json:"place"`
	Rejected    string          `json:"rejected,omitempty"`
	Fingerprint string          `json:"settings,omitempty"`
	Fault       string          `json:"fault,omitempty"`
	Measurement json.RawMessage `json:"measurement,omitempty"`
	Result      *record.Result  `json:"result,omitempty"`
	InUse       bool            `json:"in_use"`
}

func exportPhotos(snap *record.Snapshot) []exportPhoto {
	var out []exportPhoto
	for i := range snap.Photos {
		p := &snap.Photos[i]
		out = append(out, exportPhoto{p.PhotoFacts, p.Place, p.Rejected, p.Fingerprint, p.Fault, p.Doc, p.Result, p.InUse()})
	}
	return out
}

func exportTables(snap *record.Snapshot) []tables.Table {
	plots := tables.Table{Name: "plots", Header: []string{"plot", "block", "column", "treatment", "treatment_name", "bed", "beds", "from_mm", "length_mm", "order"}}
	for _, p := range snap.Plots {
		plots.Add(p.ID, p.Block, p.Column, p.Treatment, snap.Trial.TreatmentName(p.Treatment), p.Bed, p.Beds, p.FromMM, p.LengthMM, p.Order)
	}
	photos := tables.Table{Name: "photos", Header: []string{"photo", "hash", "taken", "plot", "quadrat", "visit", "basis", "state", "reason", "in_use",
		"rejected", "fault", "cover", "cover_low", "cover_high", "pieces", "threshold", "settings", "kind", "notes"}}
	values := tables.Table{Name: "values", Header: []string{"plot", "block", "treatment", "visit", "date", "quadrat", "variable", "class", "value", "unit", "source"}}
	value := func(plot string, visit int, date string, quadrat int, variable, class string, v any, unit, source string) {
		p, _ := snap.Plot(plot)
		values.Add(plot, p.Block, p.Treatment, blankZero(visit), date, blankZero(quadrat), variable, class, v, unit, source)
	}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		row := []any{p.Path, p.Hash, p.Taken, p.Place.Plot, blankZero(p.Place.Quadrat), blankZero(p.Place.Visit), p.Place.Basis, p.Place.State, p.Place.Reason,
			p.InUse(), p.Rejected, p.Fault, nil, nil, nil, nil, nil, p.Fingerprint, "", strings.Join(p.Notes, "; ")}
		if r := p.Result; r != nil {
			row[12], row[13], row[14], row[15], row[16], row[18] = r.CoverFrac, r.LoFrac, r.HiFrac, r.Pieces, r.Threshold, r.Kind
		}
		photos.Add(row...)
		if p.InUse() {
			day := p.Taken[:min(10, len(p.Taken))]
			value(p.Place.Plot, p.Place.Visit, day, p.Place.Quadrat, "image cover", "", p.Result.CoverFrac, "fraction", p.Path)
			value(p.Place.Plot, p.Place.Visit, day, p.Place.Quadrat, "image pieces", "", p.Result.Pieces, "pieces", p.Path)
		}
	}
	obs := tables.Table{Name: "observations", Header: []string{"plot", "quadrat", "visit", "date", "variable", "class", "group", "life", "value", "missing", "unit",
		"observer", "bed_length_mm", "trim", "source", "entered_at", "entered_by"}}
	for _, o := range snap.Observations {
		var v any = o.Value
		if o.Missing {
			v = nil
		}
		obs.Add(o.Plot, blankZero(o.Quadrat), blankZero(o.Visit), o.Date.String(), o.Variable, o.Class, o.Group, o.Life, v, o.Missing, o.Unit,
			o.Observer, zeroBlank(o.LengthMM), o.Trim, o.Source, o.At.Format("2006-01-02T15:04:05Z"), o.Author)
		value(o.Plot, o.Visit, o.Date.String(), o.Quadrat, o.Variable, o.Class, v, o.Unit, o.Source)
	}
	ops := tables.Table{Name: "operations", Header: []string{"date", "operation", "treatment", "plot", "input", "rate", "rate_unit", "stage", "passes", "note", "source", "entered_at", "entered_by"}}
	for _, o := range snap.Operations {
		var rate any
		if o.Rate != nil {
			rate = *o.Rate
		}
		ops.Add(o.Date.String(), o.What, o.Treatment, o.Plot, o.Input, rate, o.RateUnit, o.Stage, blankZero(o.Passes), o.Note, o.Source, o.At.Format("2006-01-02T15:04:05Z"), o.Author)
	}
	decisions := tables.Table{Name: "decisions", Header: []string{"decision", "about", "kind", "value", "at", "by"}}
	for _, d := range snap.Decisions {
		decisions.Add(int(d.ID), d.Subject, d.Kind, string(d.Value), d.At.Format("2006-01-02T15:04:05Z"), d.Author)
	}
	return []tables.Table{plots, photos, obs, ops, decisions, values}
}

// blankZero leaves a number blank where 0 means "does not apply".
func blankZero(n int) any {
	if n == 0 {
		return nil
	}
	return n
}

func zeroBlank(v float64) any {
	if v == 0 {
		return nil
	}
	return v
}
