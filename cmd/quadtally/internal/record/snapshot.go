package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
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
	Beside       []Observation // counts of further observers, which enter no comparison
	Operations   []Operation
	Sheets       []Sheet           // the newest version of each, in the order they were stored
	Decisions    []Decision        // in force, oldest first
	Thresholds   map[int]Threshold // by visit; 0 holds photos of no visit
	Named        []NamedPlant      // in force, in the order they were named
	Checks       []CheckPoint      // in force, in the order they were drawn

	plotAt  map[string]int
	photoAt map[string]int
	about   map[string][]Decision // in force, by subject, oldest first
}

// Plot finds a plot by its exact id.
func (s *Snapshot) Plot(id string) (trial.Plot, bool) {
	i, ok := s.plotAt[id]
	if s.plotAt == nil { // made by hand, not read from a record
		i = slices.IndexFunc(s.Plots, func(p trial.Plot) bool { return p.ID == id })
		ok = i >= 0
	}
	if !ok {
		return trial.Plot{}, false
	}
	return s.Plots[i], true
}

// Used is what the record holds, as far as a plan must not contradict it.
func (s *Snapshot) Used() trial.Used {
	u := trial.Used{PhotosAt: map[int]int{}, ValuesAt: map[int]int{}}
	for i := range s.Photos {
		p := &s.Photos[i]
		u.Quadrats = max(u.Quadrats, p.Place.Quadrat)
		if p.Place.Visit > 0 {
			u.PhotosAt[p.Place.Visit]++
		}
	}
	for _, o := range s.Observations {
		u.Quadrats = max(u.Quadrats, o.Quadrat)
		if o.Visit > 0 {
			u.ValuesAt[o.Visit]++
		}
	}
	return u
}

// Photo finds a photo by its content hash or an unambiguous prefix of it of
// at least six characters.
func (s *Snapshot) Photo(hash string) (*Photo, bool) {
	if i, ok := s.photoAt[hash]; ok {
		return &s.Photos[i], true
	}
	if len(hash) < 6 || len(hash) >= 2*sha256.Size { // too short, or whole and unknown
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

// About returns the decisions in force about a subject, oldest first.
func (s *Snapshot) About(subject string) []Decision { return s.about[subject] }

// Decision returns the newest decision in force of a kind about a subject.
func (s *Snapshot) Decision(subject, kind string) (Decision, bool) {
	for _, d := range slices.Backward(s.about[subject]) {
		if d.Kind == kind {
			return d, true
		}
	}
	return Decision{}, false
}

// Snapshot reads the trial at one moment.
func (s *Store) Snapshot(ctx context.Context) (*Snapshot, error) {
	tx, err := s.reads.BeginTx(ctx, nil)
	if err != nil {
		return nil, userError(err)
	}
	defer tx.Rollback()
	snap := &Snapshot{Thresholds: map[int]Threshold{}, plotAt: map[string]int{}, photoAt: map[string]int{}, about: map[string][]Decision{}}
	r := reader{ctx: ctx, tx: tx, snap: snap}
	if r.force, err = readForce(ctx, tx); err != nil {
		return nil, userError(err)
	}
	for _, sh := range r.force.sheets {
		if sh.Current {
			snap.Sheets = append(snap.Sheets, sh)
		}
	}
	for _, read := range []func() error{r.trial, r.decisions, r.photos, r.plants, r.observations, r.operations} {
		if err := read(); err != nil {
			return nil, userError(err)
		}
	}
	return snap, nil
}

type reader struct {
	ctx  context.Context
	tx   *sql.Tx
	snap *Snapshot
	force
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

// roomFor is an empty list with room for all rows of a table.
func roomFor[T any](r reader, table string) []T {
	n := 0
	if err := r.tx.QueryRowContext(r.ctx, "select count(*) from "+table).Scan(&n); err != nil {
		return nil // the query that follows meets the same fault and tells it
	}
	return make([]T, 0, n)
}

func (r reader) trial() error {
	var id int64
	var doc string
	err := r.each("select id, entry, doc from trial order by id", func(rows *sql.Rows) error {
		var version, entry int64
		var text string
		if err := rows.Scan(&version, &entry, &text); err != nil {
			return err
		}
		if r.counts(entry) {
			id, doc = version, text
		}
		return nil
	})
	if err == nil && id == 0 {
		return fmt.Errorf("%w: the record holds no plan; delete %s and run `quadtally new` again", ErrNoTrial, FileName)
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
	all := roomFor[Decision](r, "decision")
	var at string
	var when time.Time // of at: a step of work writes many rows at once
	err := r.each(`select d.id, d.entry, d.subject, d.kind, d.value, coalesce(d.undoes, 0), e.at, e.author
		from decision d join entry e on e.id = d.entry order by d.id`, func(rows *sql.Rows) error {
		var d Decision
		var written string
		if err := rows.Scan(&d.ID, &d.Entry, &d.Subject, &d.Kind, (*[]byte)(&d.Value), &d.Undoes, &written, &d.Author); err != nil {
			return err
		}
		if written != at {
			at = written
			when, _ = time.Parse(time.RFC3339, at)
		}
		d.At = when
		if !r.counts(d.Entry) {
			return nil
		}
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
	r.snap.Decisions = slices.DeleteFunc(all, func(d Decision) bool { return undone[d.ID] })
	for _, d := range r.snap.Decisions {
		r.snap.about[d.Subject] = append(r.snap.about[d.Subject], d)
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

// photos reads the newest of everything about each photo. What was replaced
// is history and is not fetched.
func (r reader) photos() error {
	r.snap.Photos = roomFor[Photo](r, "photo")
	var facts []json.RawMessage
	err := r.each("select hash, entry, doc from photo order by taken, path, hash", func(rows *sql.Rows) error {
		p := Photo{Place: Place{State: PlaceOpen}}
		var doc json.RawMessage
		if err := rows.Scan(&p.Hash, &p.Entry, (*[]byte)(&doc)); err != nil {
			return err
		}
		r.snap.photoAt[p.Hash] = len(r.snap.Photos)
		r.snap.Photos = append(r.snap.Photos, p)
		facts = append(facts, doc)
		return nil
	})
	if err != nil {
		return err
	}
	byMeasurement := make(map[int64]*Photo, len(facts))
	err = r.each(`select id, entry, hash, fingerprint, guide, fault, fault_code, doc, looks is not null from measurement
		where id in (select max(id) from measurement group by hash)`, func(rows *sql.Rows) error {
		var id, entry int64
		var hash, fingerprint, guide, fault string
		var code FaultCode
		var doc json.RawMessage
		var looks bool
		if err := rows.Scan(&id, &entry, &hash, &fingerprint, &guide, &fault, &code, (*[]byte)(&doc), &looks); err != nil {
			return err
		}
		i, ok := r.snap.photoAt[hash]
		if !ok {
			return nil
		}
		p := &r.snap.Photos[i]
		p.MeasurementID, p.Fingerprint, p.Guide, p.Fault, p.FaultCode, p.Doc, p.HasLooks = id, fingerprint, guide, fault, code, doc, looks
		p.Entry = max(p.Entry, entry)
		byMeasurement[id] = p
		return nil
	})
	if err != nil {
		return err
	}
	results := make([]json.RawMessage, len(facts))
	err = r.each(`select entry, measurement, doc from result
		where id in (select max(id) from result group by measurement)`, func(rows *sql.Rows) error {
		var entry, id int64
		var doc json.RawMessage
		if err := rows.Scan(&entry, &id, (*[]byte)(&doc)); err != nil {
			return err
		}
		if p, ok := byMeasurement[id]; ok {
			results[r.snap.photoAt[p.Hash]] = doc
			p.Entry = max(p.Entry, entry)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return inParallel(len(facts), func(i int) error {
		p := &r.snap.Photos[i]
		if err := json.Unmarshal(facts[i], &p.PhotoFacts); err != nil {
			return err
		}
		if results[i] != nil {
			p.Result = new(Result)
			if err := json.Unmarshal(results[i], p.Result); err != nil {
				return err
			}
		}
		return r.decided(p)
	})
}

// decided puts what was decided about a photo into it.
func (r reader) decided(p *Photo) error {
	var place json.RawMessage
	for _, d := range r.snap.About(PhotoSubject(p.Hash)) {
		p.Entry = max(p.Entry, d.Entry)
		switch d.Kind {
		case KindPlace:
			place = d.Value
		case KindReject:
			var v struct{ Reason string }
			if err := json.Unmarshal(d.Value, &v); err != nil {
				return err
			}
			p.Rejected = v.Reason
		case KindAccept:
			var v Accept
			if err := json.Unmarshal(d.Value, &v); err != nil {
				return err
			}
			p.Accepted, p.AcceptedFor = true, v.Doubts
		case KindPath:
			var v PhotoPath
			if err := json.Unmarshal(d.Value, &v); err != nil {
				return err
			}
			p.Path = v.Path
		}
	}
	if place == nil {
		return nil
	}
	p.Place = Place{}
	return json.Unmarshal(place, &p.Place)
}

// inParallel does n things on all cores: on a large trial, reading its
// documents takes longer than fetching them.
func inParallel(n int, do func(i int) error) error {
	workers := min(runtime.GOMAXPROCS(0), n/256+1)
	faults := make([]error, workers)
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for i := w * n / workers; i < (w+1)*n/workers && faults[w] == nil; i++ {
				faults[w] = do(i)
			}
		})
	}
	wg.Wait()
	return errors.Join(faults...)
}

// observationColumns begins every query for observations.
const observationColumns = "select o.id, o.entry, coalesce(o.sheet, 0), coalesce(o.told, o.id), o.doc from observation o"

// storedObservation is a row before its document is read.
type storedObservation struct {
	id, entry, sheet, firstID int64
	doc                       json.RawMessage
}

func (s *storedObservation) scan(rows *sql.Rows) error {
	return rows.Scan(&s.id, &s.entry, &s.sheet, &s.firstID, (*[]byte)(&s.doc))
}

func (s *storedObservation) read() (Observation, error) {
	var o Observation
	err := json.Unmarshal(s.doc, &o)
	o.ID, o.Sheet, o.firstID = s.id, s.sheet, s.firstID
	return o, err
}

// heldObservations reads the rows that count, in the order they were told.
func (r reader) heldObservations(where string, args ...any) ([]Observation, error) {
	var rows []storedObservation
	if where == "" {
		rows = roomFor[storedObservation](r, "observation")
	}
	err := r.each(observationColumns+where+" order by o.id", func(found *sql.Rows) error {
		var s storedObservation
		if err := s.scan(found); err != nil {
			return err
		}
		if r.inForce(s.entry, s.sheet) {
			rows = append(rows, s)
		}
		return nil
	}, args...)
	if err != nil {
		return nil, err
	}
	out := make([]Observation, len(rows))
	err = inParallel(len(rows), func(i int) (err error) {
		out[i], err = rows[i].read()
		return err
	})
	inOrder(out)
	return out, err
}

func (r reader) observations() error {
	all, err := r.heldObservations("")
	for _, o := range inForce(all) {
		if o.Beside {
			r.snap.Beside = append(r.snap.Beside, o)
		} else {
			r.snap.Observations = append(r.snap.Observations, o)
		}
	}
	return err
}

// currentObservation is the value in force for a key.
func (r reader) currentObservation(k Key) (Observation, bool, error) {
	list, err := r.heldObservations(" where o.plot=? and o.quadrat=? and o.visit=? and o.variable=?", k.Plot, k.Quadrat, k.Visit, k.Variable)
	list = slices.DeleteFunc(list, func(o Observation) bool { return o.Key() != k })
	if err != nil || len(list) == 0 {
		return Observation{}, false, err
	}
	return list[len(list)-1], true, nil
}

// operations reads what was done to the field. The same work told by two
// sheets is there once.
func (r reader) operations() error {
	return r.each("select id, entry, coalesce(sheet, 0), doc from operation order by id", func(rows *sql.Rows) error {
		var id, entry, sheet int64
		var doc string
		var o Operation
		if err := rows.Scan(&id, &entry, &sheet, &doc); err != nil {
			return err
		}
		if !r.inForce(entry, sheet) {
			return nil
		}
		if err := json.Unmarshal([]byte(doc), &o); err != nil {
			return err
		}
		o.ID, o.Sheet = id, sheet
		if !slices.ContainsFunc(r.snap.Operations, func(old Operation) bool { return sameOperation(old, o) }) {
			r.snap.Operations = append(r.snap.Operations, o)
		}
		return nil
	})
}

// History returns every telling of one value that was not taken back, oldest
// first: also those that a newer version of their sheet replaced. A row that a
// newer version of its sheet repeats unchanged is there once.
func (s *Store) History(ctx context.Context, o Observation) ([]Observation, error) {
	tx, err := s.reads.BeginTx(ctx, nil)
	if err != nil {
		return nil, userError(err)
	}
	defer tx.Rollback()
	r := reader{ctx: ctx, tx: tx}
	if r.force, err = readForce(ctx, tx); err != nil {
		return nil, userError(err)
	}
	k := o.Key()
	var out []Observation
	err = r.each(observationColumns+" where o.plot=? and o.quadrat=? and o.visit=? and o.variable=? order by o.id", func(rows *sql.Rows) error {
		var s storedObservation
		if err := s.scan(rows); err != nil {
			return err
		}
		o, err := s.read()
		if err == nil && o.Key() == k && o.firstID == o.ID && r.counts(s.entry) {
			out = append(out, o)
		}
		return err
	}, k.Plot, k.Quadrat, k.Visit, k.Variable)
	return out, userError(err)
}

// Measurement reads one measuring with its curve and plane.
func (s *Store) Measurement(ctx context.Context, id int64) (Measurement, error) {
	var m Measurement
	var doc string
	err := s.reads.QueryRowContext(ctx, "select id, hash, fingerprint, guide, fault, fault_code, doc, curve, plane, looks from measurement where id = ?", id).
		Scan(&m.ID, &m.Hash, &m.Fingerprint, &m.Guide, &m.Fault, &m.FaultCode, &doc, &m.Curve, &m.Plane, &m.Looks)
	m.Doc = json.RawMessage(doc)
	return m, userError(err)
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
		return nil, userError(err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var curve []byte
		if err := rows.Scan(&id, &curve); err != nil {
			return nil, userError(err)
		}
		if want[id] {
			out[id] = curve
		}
	}
	return out, userError(rows.Err())
}

// Sightings returns what was seen where, by path.
func (s *Store) Sightings(ctx context.Context) (map[string]Sighting, error) {
	rows, err := s.reads.QueryContext(ctx, "select path, size, mtime, hash from sighting")
	if err != nil {
		return nil, userError(err)
	}
	defer rows.Close()
	out := map[string]Sighting{}
	for rows.Next() {
		var v Sighting
		if err := rows.Scan(&v.Path, &v.Size, &v.MTime, &v.Hash); err != nil {
			return nil, userError(err)
		}
		out[v.Path] = v
	}
	return out, userError(rows.Err())
}

// Entry is who wrote what when.
type Entry struct {
	ID      int64     `json:"id"`
	At      time.Time `json:"at"`
	Author  string    `json:"author"`
	Command string    `json:"command"`
	Note    string    `json:"note,omitempty"`
	Kind    EntryKind `json:"kind,omitempty"`
}

// Entries lists the record's entries, oldest first.
func (s *Store) Entries(ctx context.Context) ([]Entry, error) {
	rows, err := s.reads.QueryContext(ctx, "select id, at, author, command, note, kind from entry order by id")
	if err != nil {
		return nil, userError(err)
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var at string
		if err := rows.Scan(&e.ID, &at, &e.Author, &e.Command, &e.Note, &e.Kind); err != nil {
			return nil, userError(err)
		}
		e.At, _ = time.Parse(time.RFC3339, at)
		out = append(out, e)
	}
	return out, userError(rows.Err())
}

// Recorded reports that the record holds a value of a variable.
func (s *Snapshot) Recorded(variable string) bool {
	return slices.ContainsFunc(s.Observations, func(o Observation) bool { return o.Variable == variable && !o.Missing })
}
