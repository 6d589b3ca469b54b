// Package export writes the record for other programs: tables, a workbook and
// one JSON document. The values it writes are those that package analysis
// compares, to the last digit.
package export

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
)

// Write writes the record into a folder that must not exist yet, whole or not
// at all, and returns how many files it wrote.
func Write(dir string, snap *record.Snapshot, entries []record.Entry) (files int, err error) {
	if _, err := os.Stat(dir); err == nil {
		return 0, fmt.Errorf("%s exists already: name a folder that does not", dir)
	}
	list, err := Tables(snap)
	if err != nil {
		return 0, err
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return 0, fmt.Errorf("%s cannot be made: %w", dir, err)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), ".export-*")
	if err != nil {
		return 0, fmt.Errorf("%s cannot be written: check that its folder may be written to (%w)", dir, err)
	}
	defer os.RemoveAll(tmp)
	doc := map[string]any{
		"trial": snap.Trial, "plots": snap.Plots, "photos": photoDocs(snap), "observations": snap.Observations,
		"operations": snap.Operations, "decisions": snap.Decisions, "thresholds": snap.Thresholds, "entries": entries,
	}
	if len(snap.Beside) > 0 {
		doc["beside"] = snap.Beside
	}
	contents := map[string]func(io.Writer) error{
		"trial.xlsx": func(w io.Writer) error { return tables.WriteXLSX(w, list) },
		"trial.json": func(w io.Writer) error {
			enc := json.NewEncoder(w)
			enc.SetIndent("", " ")
			return enc.Encode(doc)
		},
	}
	for _, r := range analysis.Responses(snap) {
		if name, text := script(snap, r); text != "" {
			contents[name] = func(w io.Writer) error { _, err := io.WriteString(w, text); return err }
		}
	}
	for _, t := range list {
		contents[t.Name+".csv"] = func(w io.Writer) error { return tables.WriteCSV(w, t) }
	}
	for name, write := range contents {
		if err := writeFile(filepath.Join(tmp, name), write); err != nil {
			return 0, err
		}
	}
	if err := os.Chmod(tmp, 0o755); err != nil {
		return 0, err
	}
	if err := os.Rename(tmp, dir); err != nil {
		return 0, fmt.Errorf("%s was not written: %w", dir, err)
	}
	return len(contents), nil
}

// script is the comparison of a response as a script for R, named after it; ""
// where there is nothing to compare.
func script(snap *record.Snapshot, r analysis.Response) (name, text string) {
	o := analysis.DefaultOptions()
	o.Class, o.Model = r.Class, analysis.NoModel
	c, err := analysis.Compare(snap, string(r.Key), o)
	if err != nil || c.Main().MSE == nil {
		return "", ""
	}
	title := strings.TrimSpace(r.Label + " " + r.Class)
	if text, err = c.Script(title); err != nil {
		return "", ""
	}
	word := strings.Map(func(x rune) rune {
		if x >= 'a' && x <= 'z' || x >= '0' && x <= '9' {
			return x
		}
		return '-'
	}, strings.ToLower(strings.TrimSpace(string(r.Key)+" "+r.Class)))
	return word + ".R", text
}

// writeFile writes a file of the folder that is not in its place yet.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err == nil {
		err = write(f)
		if err == nil {
			err = f.Sync()
		}
		if e := f.Close(); err == nil {
			err = e
		}
	}
	if err != nil {
		return fmt.Errorf("%s was not written: check the disk's room (%w)", filepath.Base(path), err)
	}
	return nil
}

// Photo is a photo as trial.json holds it.
type Photo struct {
	record.PhotoFacts
	Place       record.Place    `json:"place"`
	Rejected    string          `json:"rejected,omitempty"`
	Fingerprint string          `json:"settings,omitempty"`
	Fault       string          `json:"fault,omitempty"`
	Measurement json.RawMessage `json:"measurement,omitempty"`
	Result      *record.Result  `json:"result,omitempty"`
	InUse       bool            `json:"in_use"`
}

func photoDocs(snap *record.Snapshot) []Photo {
	var out []Photo
	for i := range snap.Photos {
		p := &snap.Photos[i]
		out = append(out, Photo{p.PhotoFacts, p.Place, p.Rejected, p.Fingerprint, p.Fault, p.Doc, p.Result, p.InUse()})
	}
	return out
}

// Tables are the whole record as tables: plots, photos, observations, operations
// and decisions as they are stored, and values: every value that a comparison
// takes, in the unit in which it is compared.
func Tables(snap *record.Snapshot) ([]tables.Table, error) {
	plots := tables.Table{Name: "plots", Header: []string{"plot", "block", "column", "treatment", "treatment_name", "bed", "beds", "from_mm", "length_mm", "order"}}
	for _, p := range snap.Plots {
		plots.Add(p.ID, p.Block, p.Column, p.Treatment, snap.Trial.TreatmentName(p.Treatment), p.Bed, p.Beds, p.FromMM, p.LengthMM, p.Order)
	}
	photos := tables.Table{Name: "photos", Header: []string{"photo", "hash", "taken", "plot", "quadrat", "visit", "basis", "state", "reason", "in_use",
		"rejected", "fault", "cover", "cover_low", "cover_high", "pieces", "threshold", "settings", "kind", "notes"}}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		row := []any{p.Path, p.Hash, p.Taken, p.Place.Plot, blankZero(p.Place.Quadrat), blankZero(p.Place.Visit), p.Place.Basis, p.Place.State, p.Place.Reason,
			p.InUse(), p.Rejected, p.Fault, nil, nil, nil, nil, nil, p.Fingerprint, "", strings.Join(p.Notes, "; ")}
		if r := p.Result; r != nil {
			row[12], row[13], row[14], row[15], row[16], row[18] = r.CoverFrac, r.LoFrac, r.HiFrac, r.Pieces, r.Threshold, r.Kind
		}
		photos.Add(row...)
	}
	obs := observationTable("observations", snap.Observations)
	ops := tables.Table{Name: "operations", Header: []string{"date", "operation", "treatment", "plot", "input", "rate", "rate_unit", "stage", "passes", "implement", "implement_kg", "soil_moisture", "note", "source", "entered_at", "entered_by"}}
	for _, o := range snap.Operations {
		var rate, weight any
		if o.Rate != nil {
			rate = *o.Rate
		}
		if o.ImplementKG != nil {
			weight = *o.ImplementKG
		}
		ops.Add(o.Date.String(), o.What, o.Treatment, o.Plot, o.Input, rate, o.RateUnit, o.Stage, blankZero(o.Passes), o.Implement, weight, o.SoilMoisture, o.Note, o.Source, o.At.Format("2006-01-02T15:04:05Z"), o.Author)
	}
	decisions := tables.Table{Name: "decisions", Header: []string{"decision", "about", "kind", "value", "at", "by"}}
	for _, d := range snap.Decisions {
		decisions.Add(int(d.ID), d.Subject, d.Kind, string(d.Value), d.At.Format("2006-01-02T15:04:05Z"), d.Author)
	}
	values, err := valueTable(snap)
	list := []tables.Table{plots, photos, obs, ops, decisions, questionTable(snap), values}
	if len(snap.Beside) > 0 { // a table of its own, so that no count is added up twice
		list = append(list, observationTable("beside", snap.Beside))
	}
	if len(snap.Named)+len(snap.Checks) > 0 {
		list = append(list, plantTables(snap)...)
	}
	return list, err
}

// observationTable holds stored values, one a row.
func observationTable(name string, list []record.Observation) tables.Table {
	obs := tables.Table{Name: name, Header: []string{"plot", "quadrat", "visit", "date", "pick", "variable", "class", "group", "life", "value", "missing", "unit",
		"observer", "bed_length_mm", "trim", "source", "entered_at", "entered_by"}}
	for _, o := range list {
		var v any = o.Value
		if o.Missing {
			v = nil
		}
		obs.Add(o.Plot, blankZero(o.Quadrat), blankZero(o.Visit), o.Date.String(), o.Pick, o.Variable, o.Class, o.Group, o.Life, v, o.Missing, o.Unit,
			o.Observer, zeroBlank(o.LengthMM), o.Trim, o.Source, o.At.Format("2006-01-02T15:04:05Z"), o.Author)
	}
	return obs
}

// plantTables hold how the green of each photo is told apart, and the check
// points with what photo and person say, from which covers by class can be
// worked out again. Fractions are of the ground, shares of the green; the solid
// share of it is leaf and no rim of one.
func plantTables(snap *record.Snapshot) []tables.Table {
	plants := tables.Table{Name: "plants", Header: []string{"photo", "plot", "quadrat", "visit", "class", "role", "named", "learned", "sorted_cover_frac", "lo_frac", "hi_frac", "mean_probability", "pieces", "sure",
		"solid_share", "solid_mean_probability"}}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.Sorting == nil {
			continue
		}
		for _, c := range p.Sorting.Classes {
			var solid, solidMean any // blank where rims of leaves were not looked at
			if p.Sorting.Solid != nil {
				solid, solidMean = *p.Sorting.Solid, c.SolidMean
			}
			plants.Add(p.Path, p.Place.Plot, blankZero(p.Place.Quadrat), blankZero(p.Place.Visit), c.Name, c.Role, c.Named, c.Learned, c.CoverFrac, c.LoFrac, c.HiFrac, c.Mean, c.Pieces, c.Sure, solid, solidMean)
		}
	}
	checks := tables.Table{Name: "check_points", Header: []string{"photo", "x", "y", "plot", "quadrat", "visit", "class", "role", "sorted_class", "of_class", "probability"}}
	for _, c := range snap.Checks {
		p, ok := snap.Photo(c.Hash)
		if !ok {
			continue
		}
		var class, role any
		if c.Class != nil {
			class, role = c.Class.Name, c.Class.Role
		}
		row := func(sorted, of, prob any) {
			checks.Add(p.Path, c.X, c.Y, p.Place.Plot, blankZero(p.Place.Quadrat), blankZero(p.Place.Visit), class, role, sorted, of, prob)
		}
		said := false
		if p.Sorting != nil {
			for _, s := range p.Sorting.Checks {
				if s.X != c.X || s.Y != c.Y {
					continue
				}
				for k, v := range s.Prob {
					row(p.Sorting.Classes[s.Mapped].Name, p.Sorting.Classes[k].Name, v)
					said = true
				}
			}
		}
		if !said {
			row(nil, nil, nil)
		}
	}
	return []tables.Table{plants, checks}
}

// valueTable holds the values that analysis compares, one a row: quadrats of
// plots at visits, and plots without a value with a blank.
func valueTable(snap *record.Snapshot) (tables.Table, error) {
	t := tables.Table{Name: "values", Header: []string{"plot", "block", "column", "treatment", "visit", "day", "date", "quadrat", "response", "class", "value", "unit", "source", "low", "high",
		"kind", "role", "label", "control", "plot_se"}}
	for _, r := range analysis.Responses(snap) {
		values, err := r.Values(snap)
		if err != nil {
			return t, err
		}
		own, err := r.PlotErrors(snap)
		if err != nil {
			return t, err
		}
		for _, x := range values {
			var shown, low, high, day, date, control, se any
			if x.Of.Treatment == snap.Trial.Control() {
				control = "yes"
			}
			if v, ok := own[analysis.Place{Plot: x.Plot, Visit: x.Visit}]; ok {
				se = v
			}
			if !x.Missing {
				shown = x.Shown
			}
			if x.Range != nil {
				end := x.Reading
				end.Value = x.Range[0]
				low = r.Shown(end)
				end.Value = x.Range[1]
				high = r.Shown(end)
			}
			if x.Visit > 0 {
				day = x.Day
			}
			if !x.Date.IsZero() {
				date = x.Date.String()
			}
			t.Add(x.Plot, x.Of.Block, x.Of.Column, x.Of.Treatment, blankZero(x.Visit), day, date, blankZero(x.Quadrat), string(r.Key), r.Class, shown, r.Unit, x.Source, low, high,
				string(r.Kind), string(r.Role), r.Label, control, se)
		}
	}
	return t, nil
}

// questionTable holds, response by response, what sheets leave open, and what a
// reader of its values must know.
func questionTable(snap *record.Snapshot) tables.Table {
	t := tables.Table{Name: "questions", Header: []string{"response", "class", "kind", "text"}}
	written := map[analysis.Key]bool{}
	for _, r := range analysis.Responses(snap) {
		written[r.Key] = true
		for _, q := range r.Questions(snap) {
			t.Add(string(r.Key), r.Class, string(q.Kind), q.Text)
		}
		_, notes, err := r.Readings(snap)
		if err != nil {
			continue // such a response has no values either
		}
		checked, err := r.Checked(snap)
		if err != nil {
			continue
		}
		for _, c := range checked {
			notes = append(notes, c.Words())
		}
		for _, n := range notes {
			t.Add(string(r.Key), r.Class, analysis.KindNote, n)
		}
	}
	for _, q := range analysis.SheetQuestions(snap) {
		if !written[q.Of] { // of a response that has no value at all
			t.Add(string(q.Of), "", string(q.Kind), q.Text)
		}
	}
	return t
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
