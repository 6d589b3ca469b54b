package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

// Tx adds rows under one entry. It lives only inside Store.Write.
type Tx struct {
	tx     *sql.Tx
	ctx    context.Context
	entry  int64
	at     time.Time
	author string

	force      *force      // what counts, once it is needed
	operations []Operation // all there are, once one is added
}

// reader reads inside the transaction.
func (w *Tx) reader() (reader, error) {
	if w.force == nil {
		f, err := readForce(w.ctx, w.tx)
		if err != nil {
			return reader{}, err
		}
		w.force = &f
	}
	return reader{ctx: w.ctx, tx: w.tx, snap: &Snapshot{}, force: *w.force}, nil
}

// Entry is the number all rows of this transaction carry.
func (w *Tx) Entry() int64 { return w.entry }

func (w *Tx) add(query string, args ...any) (int64, error) {
	res, err := w.tx.ExecContext(w.ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// SaveTrial adds a version of the plan with all its plots.
func (w *Tx) SaveTrial(t trial.Trial, plots []trial.Plot) error {
	doc, err := toJSON(t)
	if err != nil {
		return err
	}
	id, err := w.add("insert into trial(entry, doc) values (?,?)", w.entry, doc)
	if err != nil {
		return err
	}
	for _, p := range plots {
		doc, err := toJSON(p)
		if err != nil {
			return err
		}
		if _, err := w.add("insert into plot(entry, trial, plot, doc) values (?,?,?,?)", w.entry, id, p.ID, doc); err != nil {
			return fmt.Errorf("plot %s: %w", p.ID, err)
		}
	}
	return nil
}

// AddPhoto adds a photo's facts. A photo already known by its content is left
// as it is.
func (w *Tx) AddPhoto(f PhotoFacts) error {
	doc, err := toJSON(f)
	if err != nil {
		return err
	}
	_, err = w.add("insert or ignore into photo(hash, entry, path, taken, doc) values (?,?,?,?,?)",
		f.Hash, w.entry, f.Path, f.Taken, doc)
	return err
}

// Sighting remembers which bytes a path held, so that a rescan can skip it.
type Sighting struct {
	Path  string
	Size  int64
	MTime int64 // nanoseconds; only ever compared with itself
	Hash  string
}

// Saw stores sightings.
func (w *Tx) Saw(list ...Sighting) error {
	for _, s := range list {
		if _, err := w.add(`insert into sighting(path,size,mtime,hash) values (?,?,?,?)
			on conflict(path) do update set size=excluded.size, mtime=excluded.mtime, hash=excluded.hash`,
			s.Path, s.Size, s.MTime, s.Hash); err != nil {
			return err
		}
	}
	return nil
}

// Measurement is one measuring as the record keeps it.
type Measurement struct {
	ID          int64
	Hash        string
	Fingerprint string
	Guide       string
	Fault       string    // why it could not be measured, in a sentence; "" where it was
	FaultCode   FaultCode // the same for programs
	Doc         json.RawMessage
	Curve       []byte
	Plane       []byte
	Looks       []byte // nil where they were not kept
}

// AddMeasurement adds a measuring and returns its number. Where the newest
// measuring of the photo was made with the same settings and guide and ended
// in the same way, and looks are not new, it adds nothing and returns that one: two people may have
// started on the same folder, and the same part may be handed in twice.
func (w *Tx) AddMeasurement(m Measurement) (int64, error) {
	if m.Fault != "" && m.FaultCode == "" {
		m.FaultCode = FaultPhoto
	}
	if len(m.Doc) == 0 {
		m.Doc = json.RawMessage("{}")
	}
	was := Measurement{Hash: m.Hash}
	looks := false
	err := w.tx.QueryRowContext(w.ctx, "select id, fingerprint, guide, fault_code, looks is not null from measurement where hash = ? order by id desc limit 1", m.Hash).
		Scan(&was.ID, &was.Fingerprint, &was.Guide, &was.FaultCode, &looks)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, err
	}
	if err == nil && was.Fingerprint == m.Fingerprint && was.Guide == m.Guide && was.FaultCode == m.FaultCode && (looks || m.Looks == nil) {
		return was.ID, nil
	}
	return w.add("insert into measurement(entry, hash, fingerprint, guide, fault, fault_code, doc, curve, plane, looks) values (?,?,?,?,?,?,?,?,?,?)",
		w.entry, m.Hash, m.Fingerprint, m.Guide, m.Fault, m.FaultCode, string(m.Doc), m.Curve, m.Plane, blobOrNull(m.Looks))
}

// AddResult adds a photo's numbers at a threshold.
func (w *Tx) AddResult(measurement int64, r Result) error {
	doc, err := toJSON(r)
	if err != nil {
		return err
	}
	_, err = w.add("insert into result(entry, measurement, threshold, doc) values (?,?,?,?)", w.entry, measurement, r.Threshold, doc)
	return err
}

// Decide adds a decision and returns its number.
func (w *Tx) Decide(subject, kind string, value any) (int64, error) {
	doc, err := toJSON(value)
	if err != nil {
		return 0, err
	}
	return w.add("insert into decision(entry, subject, kind, value) values (?,?,?,?)", w.entry, subject, kind, doc)
}

// Undo takes a decision back; what held before it holds again. Undoing twice
// is an error.
func (w *Tx) Undo(id int64) error {
	var subject string
	err := w.tx.QueryRowContext(w.ctx, "select subject from decision where id = ? and undoes is null", id).Scan(&subject)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("there is no decision %d to undo", id)
	}
	if err != nil {
		return err
	}
	r, err := w.reader()
	if err != nil {
		return err
	}
	undone := false
	err = r.each("select entry from decision where undoes = ?", func(rows *sql.Rows) error {
		var by int64
		err := rows.Scan(&by)
		undone = undone || r.counts(by)
		return err
	}, id)
	if err != nil {
		return err
	}
	if undone {
		return fmt.Errorf("decision %d was undone already", id)
	}
	_, err = w.add("insert into decision(entry, subject, kind, value, undoes) values (?,?,?,?,?)", w.entry, subject, kindUndo, "{}", id)
	return err
}

// Clash is a value that somebody else wrote after the writer had looked.
// Both values stay in the history; the later one, Now, is in force.
type Clash struct {
	Was, Now Observation
}

// AddObservation adds a value. seen is the newest entry the writer had before
// them when they typed it (Snapshot.Entry); where another value was stored for
// the same thing after that, the clash is returned and must be told. A value
// equal to the one in force adds nothing.
func (w *Tx) AddObservation(o Observation, seen int64) (added bool, clash *Clash, err error) {
	if !o.absent() && (math.IsNaN(o.Value) || math.IsInf(o.Value, 0)) {
		return false, nil, fmt.Errorf("%s: the value is not a number", o.Source)
	}
	r, err := w.reader()
	if err != nil {
		return false, nil, err
	}
	was, found, err := r.currentObservation(o.Key())
	if err != nil {
		return false, nil, err
	}
	if found && sameValue(was, o) {
		return false, nil, nil
	}
	o.Entry, o.At, o.Author, o.Sheet, o.firstID = w.entry, w.at, w.author, 0, 0
	if o.ID, err = w.insertObservation(o); err != nil {
		return false, nil, err
	}
	if found && was.Entry > seen && was.Entry != w.entry {
		return true, &Clash{Was: was, Now: o}, nil
	}
	return true, nil, nil
}

// insertObservation adds a row: under o.Sheet where that is not 0, and as the
// repetition of row o.told where that is not 0.
func (w *Tx) insertObservation(o Observation) (int64, error) {
	doc, err := toJSON(o)
	if err != nil {
		return 0, err
	}
	var value any
	if !o.absent() {
		value = o.Value
	}
	return w.add("insert into observation(entry, plot, quadrat, visit, date, variable, class, value, unit, doc, sheet, told, pick, beside) values (?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
		w.entry, o.Plot, o.Quadrat, o.Visit, o.Date.String(), o.Variable, o.Class, value, o.Unit, doc, orNull(o.Sheet), orNull(o.firstID), o.Pick, o.besideBy())
}

func orNull(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}

// absent tells that the observation carries no value.
func (o *Observation) absent() bool { return o.Missing || o.Withdrawn }

// sameValue reports that nothing a reader would see differs: the source is
// left out, so that importing a sheet twice adds nothing.
func sameValue(a, b Observation) bool {
	if a.Missing != b.Missing || a.Withdrawn != b.Withdrawn || (!a.absent() && a.Value != b.Value) {
		return false
	}
	return a.Unit == b.Unit && a.Observer == b.Observer &&
		a.LengthMM == b.LengthMM && a.Trim == b.Trim && a.Date == b.Date && a.Pick == b.Pick &&
		a.Group == b.Group && a.Life == b.Life
}

// AddOperation adds something done to the field. The same operation told
// twice (from the same sheet) is stored once.
func (w *Tx) AddOperation(o Operation) (added bool, err error) {
	o.At, o.Author = w.at, w.author
	if w.operations == nil {
		r, err := w.reader()
		if err != nil {
			return false, err
		}
		if err := r.operations(); err != nil {
			return false, err
		}
		w.operations = r.snap.Operations
	}
	if slices.ContainsFunc(w.operations, func(old Operation) bool { return sameOperation(old, o) }) {
		return false, nil
	}
	doc, err := toJSON(o)
	if err != nil {
		return false, err
	}
	if _, err = w.add("insert into operation(entry, doc) values (?,?)", w.entry, doc); err != nil {
		return false, err
	}
	w.operations = append(w.operations, o)
	return true, nil
}

func sameOperation(a, b Operation) bool {
	rate := func(p *float64) float64 {
		if p == nil {
			return math.Inf(-1)
		}
		return *p
	}
	return rate(a.ImplementKG) == rate(b.ImplementKG) && a.Implement == b.Implement && a.SoilMoisture == b.SoilMoisture &&
		a.Date == b.Date && a.What == b.What && a.Treatment == b.Treatment && a.Plot == b.Plot &&
		a.Input == b.Input && rate(a.Rate) == rate(b.Rate) && a.RateUnit == b.RateUnit &&
		a.Stage == b.Stage && a.Passes == b.Passes && a.Note == b.Note
}

func blobOrNull(b []byte) any {
	if b == nil {
		return nil
	}
	return b
}
