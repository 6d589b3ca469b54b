package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

// Snapshot is the whole trial as it stood at one moment: everything in it was
// read inside one transaction. It does not change afterwards.
type Snapshot struct {
	Entry        int64 // newest entry it includes
	Trial        trial.Trial
	Plots        []trial.Plot // in walking order
	Photos       []Photo      // by time taken, then path
	Observations []Observation
	Operations   []Operation
	Decisions    []Decision        // in force, oldest first
	Thresholds   map[int]Threshold // by visit; 0 holds photos of no visit

	plotAt  map[string]int
	photoAt map[string]int
}

// Plot finds a plot by its exact id.
func (s *Snapshot) Plot(id string) (trial.Plot, bool) {
	i, ok := s.plotAt[id]
	if !ok {
		return trial.Plot{}, false
	}
	return s.Plots[i], true
}

// Photo finds a photo by its content hash or an unambiguous prefix of it of
// at least six characters.
func (s *Snapshot) Photo(hash string) (*Photo, bool) {
	if i, ok := s.photoAt[hash]; ok {
		return &s.Photos[i], true
	}
	if len(hash) < 6 {
		return nil, false
	}
	var found *Photo
	for i := range s.Photos {
		if strings.HasPrefix(s.Photos[i].Hash, hash) {
			if found != nil {
				return nil, false
			}
			found = &s.Photos[i]
		}
	}
	return found, found != nil
}

// Decision returns the newest decision in force of a kind about a subject.
func (s *Snapshot) Decision(subject, kind string) (Decision, bool) {
	for i := len(s.Decisions) - 1; i >= 0; i-- {
		if d := s.Decisions[i]; d.Subject == subject && d.Kind == kind {
			return d, true
		}
	}
	return Decision{}, false
}

// Snapshot reads the trial at one moment.
func (s *Store) Snapshot(ctx context.Context) (*Snapshot, error) {
	tx, err := s.reads.BeginTx(ctx, nil)
	if err != nil {
		return nil, plain(err)
	}
	defer tx.Rollback()
	snap := &Snapshot{Thresholds: map[int]Threshold{}, plotAt: map[string]int{}, photoAt: map[string]int{}}
	r := reader{ctx, tx, snap}
	for _, read := range []func() error{r.trial, r.decisions, r.photos, r.observations, r.operations} {
		if err := read(); err != nil {
			return nil, plain(err)
		}
	}
	return snap, nil
}

type reader struct {
	ctx  context.Context
	tx   *sql.Tx
	snap *Snapshot
}

func (r reader) each(query string, scan func(*sql.Rows) error, args ...any) error {
	rows, err := r.tx.QueryContext(r.ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

func (r reader) trial() error {
	var id int64
	var doc string
	err := r.tx.QueryRowContext(r.ctx, "select id, doc from trial order by id desc limit 1").Scan(&id, &doc)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("%w: the record was begun but never finished; delete %s and run `quadtally new` again", ErrNoTrial, FileName)
	}
	if err != nil {
		return err
	}
	if err := json.Unmarshal([]byte(doc), &r.snap.Trial); err != nil {
		return fmt.Errorf("the plan in the record cannot be read: %w", err)
	}
	err = r.each("select doc from plot where trial = ? order by id", func(rows *sql.Rows) error {
		var doc string
		var p trial.Plot
		if err := rows.Scan(&doc); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(doc), &p); err != nil {
			return err
		}
		r.snap.Plots = append(r.snap.Plots, p)
		return nil
	}, id)
	if err != nil {
		return err
	}
	slices.SortStableFunc(r.snap.Plots, func(a, b trial.Plot) int { return a.Order - b.Order })
	for i, p := range r.snap.Plots {
		r.snap.plotAt[p.ID] = i
	}
	return r.tx.QueryRowContext(r.ctx, "select coalesce(max(id), 0) from entry").Scan(&r.snap.Entry)
}

func (r reader) decisions() error {
	undone := map[int64]bool{}
	var all []Decision
	err := r.each(`select d.id, d.entry, d.subject, d.kind, d.value, coalesce(d.undoes, 0), e.at, e.author
		from decision d join entry e on e.id = d.entry order by d.id`, func(rows *sql.Rows) error {
		var d Decision
		var value, at string
		if err := rows.Scan(&d.ID, &d.Entry, &d.Subject, &d.Kind, &value, &d.Undoes, &at, &d.Author); err != nil {
			return err
		}
		d.Value = json.RawMessage(value)
		d.At, _ = time.Parse(time.RFC3339, at)
		if d.Undoes != 0 {
			undone[d.Undoes] = true
			return nil
		}
		all = append(all, d)
		return nil
	})
	if err != nil {
		return err
	}
	for _, d := range all {
		if undone[d.ID] {
			continue
		}
		r.snap.Decisions = append(r.snap.Decisions, d)
		if d.Kind == KindThreshold {
			n, err := strconv.Atoi(strings.TrimPrefix(d.Subject, "visit:"))
			if err != nil {
				continue
			}
			var t Threshold
			if err := json.Unmarshal(d.Value, &t); err != nil {
				return err
			}
			r.snap.Thresholds[n] = t
		}
	}
	return nil
}

func (r reader) photos() error {
	err := r.each("select entry, doc from photo", func(rows *sql.Rows) error {
		var p Photo
		var doc string
		if err := rows.Scan(&p.Entry, &doc); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(doc), &p.PhotoFacts); err != nil {
			return err
		}
		p.Place.State = PlaceOpen
		r.snap.Photos = append(r.snap.Photos, p)
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortFunc(r.snap.Photos, func(a, b Photo) int {
		if c := strings.Compare(a.Taken, b.Taken); c != 0 {
			return c
		}
		if c := strings.Compare(a.Path, b.Path); c != 0 {
			return c
		}
		return strings.Compare(a.Hash, b.Hash)
	})
	byMeasurement := map[int64]*Photo{}
	for i := range r.snap.Photos {
		r.snap.photoAt[r.snap.Photos[i].Hash] = i
	}
	err = r.each("select id, entry, hash, fingerprint, guide, fault, doc from measurement order by id", func(rows *sql.Rows) error {
		var id, entry int64
		var hash, fingerprint, guide, fault, doc string
		if err := rows.Scan(&id, &entry, &hash, &fingerprint, &guide, &fault, &doc); err != nil {
			return err
		}
		i, ok := r.snap.photoAt[hash]
		if !ok {
			return nil
		}
		p := &r.snap.Photos[i]
		delete(byMeasurement, p.MeasurementID)
		p.MeasurementID, p.Fingerprint, p.Guide, p.Fault, p.Doc = id, fingerprint, guide, fault, json.RawMessage(doc)
		p.Entry = max(p.Entry, entry)
		byMeasurement[id] = p
		return nil
	})
	if err != nil {
		return err
	}
	err = r.each("select entry, measurement, doc from result order by id", func(rows *sql.Rows) error {
		var entry, id int64
		var doc string
		if err := rows.Scan(&entry, &id, &doc); err != nil {
			return err
		}
		p, ok := byMeasurement[id]
		if !ok {
			return nil
		}
		p.Result = new(Result)
		p.Entry = max(p.Entry, entry)
		return json.Unmarshal([]byte(doc), p.Result)
	})
	if err != nil {
		return err
	}
	for _, d := range r.snap.Decisions {
		i, ok := r.snap.photoAt[strings.TrimPrefix(d.Subject, "photo:")]
		if !ok {
			continue
		}
		p := &r.snap.Photos[i]
		p.Entry = max(p.Entry, d.Entry)
		switch d.Kind {
		case KindPlace:
			p.Place = Place{}
			if err := json.Unmarshal(d.Value, &p.Place); err != nil {
				return err
			}
		case KindReject:
			var v struct{ Reason string }
			if err := json.Unmarshal(d.Value, &v); err != nil {
				return err
			}
			p.Rejected = v.Reason
		case KindAccept:
			p.Accepted = true
		}
	}
	return nil
}

const observationColumns = "select o.id, o.doc from observation o"

func scanObservation(rows interface{ Scan(...any) error }) (Observation, error) {
	var o Observation
	var id int64
	var doc string
	if err := rows.Scan(&id, &doc); err != nil {
		return o, err
	}
	err := json.Unmarshal([]byte(doc), &o)
	o.ID = id
	return o, err
}

func (r reader) observations() error {
	at := map[obsKey]int{}
	err := r.each(observationColumns+" order by o.id", func(rows *sql.Rows) error {
		o, err := scanObservation(rows)
		if err != nil {
			return err
		}
		if i, ok := at[o.key()]; ok {
			r.snap.Observations[i] = o
			return nil
		}
		at[o.key()] = len(r.snap.Observations)
		r.snap.Observations = append(r.snap.Observations, o)
		return nil
	})
	r.snap.Observations = slices.DeleteFunc(r.snap.Observations, func(o Observation) bool { return o.Withdrawn })
	return err
}

func currentObservation(ctx context.Context, tx *sql.Tx, k obsKey) (Observation, bool, error) {
	query := observationColumns + " where plot=? and quadrat=? and visit=? and variable=? and class=?"
	args := []any{k.plot, k.quadrat, k.visit, k.variable, k.class}
	if k.visit == 0 {
		query += " and date=?"
		args = append(args, k.date)
	}
	o, err := scanObservation(tx.QueryRowContext(ctx, query+" order by o.id desc limit 1", args...))
	if errors.Is(err, sql.ErrNoRows) {
		return o, false, nil
	}
	return o, err == nil, err
}

func (r reader) operations() error {
	return r.each("select id, doc from operation order by id", func(rows *sql.Rows) error {
		var id int64
		var doc string
		var o Operation
		if err := rows.Scan(&id, &doc); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(doc), &o); err != nil {
			return err
		}
		o.ID = id
		r.snap.Operations = append(r.snap.Operations, o)
		return nil
	})
}

// History returns every telling of one value, oldest first.
func (s *Store) History(ctx context.Context, o Observation) ([]Observation, error) {
	k := o.key()
	var out []Observation
	rows, err := s.reads.QueryContext(ctx, observationColumns+
		" where plot=? and quadrat=? and visit=? and variable=? and class=? and (visit<>0 or date=?) order by o.id",
		k.plot, k.quadrat, k.visit, k.variable, k.class, k.date)
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	for rows.Next() {
		o, err := scanObservation(rows)
		if err != nil {
			return nil, plain(err)
		}
		out = append(out, o)
	}
	return out, plain(rows.Err())
}

// Measurement reads one measuring with its curve and plane.
func (s *Store) Measurement(ctx context.Context, id int64) (Measurement, error) {
	var m Measurement
	var doc string
	err := s.reads.QueryRowContext(ctx, "select id, hash, fingerprint, guide, fault, doc, curve, plane from measurement where id = ?", id).
		Scan(&m.ID, &m.Hash, &m.Fingerprint, &m.Guide, &m.Fault, &doc, &m.Curve, &m.Plane)
	m.Doc = json.RawMessage(doc)
	return m, plain(err)
}

// Curves reads the cover curves of many measurings in one go, by number.
func (s *Store) Curves(ctx context.Context, ids []int64) (map[int64][]byte, error) {
	want := make(map[int64]bool, len(ids))
	for _, id := range ids {
		want[id] = true
	}
	out := make(map[int64][]byte, len(ids))
	rows, err := s.reads.QueryContext(ctx, "select id, curve from measurement where curve is not null")
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var curve []byte
		if err := rows.Scan(&id, &curve); err != nil {
			return nil, plain(err)
		}
		if want[id] {
			out[id] = curve
		}
	}
	return out, plain(rows.Err())
}

// Sightings returns what was seen where, by path.
func (s *Store) Sightings(ctx context.Context) (map[string]Sighting, error) {
	rows, err := s.reads.QueryContext(ctx, "select path, size, mtime, hash from sighting")
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	out := map[string]Sighting{}
	for rows.Next() {
		var v Sighting
		if err := rows.Scan(&v.Path, &v.Size, &v.MTime, &v.Hash); err != nil {
			return nil, plain(err)
		}
		out[v.Path] = v
	}
	return out, plain(rows.Err())
}

// Entry is who wrote what when.
type Entry struct {
	ID      int64     `json:"id"`
	At      time.Time `json:"at"`
	Author  string    `json:"author"`
	Command string    `json:"command"`
	Note    string    `json:"note,omitempty"`
}

// Entries lists the record's entries, oldest first.
func (s *Store) Entries(ctx context.Context) ([]Entry, error) {
	rows, err := s.reads.QueryContext(ctx, "select id, at, author, command, note from entry order by id")
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var at string
		if err := rows.Scan(&e.ID, &at, &e.Author, &e.Command, &e.Note); err != nil {
			return nil, plain(err)
		}
		e.At, _ = time.Parse(time.RFC3339, at)
		out = append(out, e)
	}
	return out, plain(rows.Err())
}
