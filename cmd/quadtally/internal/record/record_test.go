package record

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

var ctx = context.Background()

func fixedClock() time.Time { return time.Date(2025, 6, 14, 9, 0, 0, 0, time.UTC) }

func twoPlots() (trial.Trial, []trial.Plot) {
	return trial.Trial{Name: "Alder Bend leeks", Tag: "K7QD", Blocks: 1},
		[]trial.Plot{{ID: "102", Block: "1", Treatment: "RYE", Order: 2}, {ID: "101", Block: "1", Treatment: "BARE", Order: 1}}
}

func newStore(t *testing.T) *Store {
	t.Helper()
	tr, plots := twoPlots()
	s, err := Create(t.TempDir(), tr, plots, Options{Author: "Ada", Clock: fixedClock})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func write(t *testing.T, s *Store, f func(*Tx) error) int64 {
	t.Helper()
	id, err := s.Write(ctx, "test", "", f)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func snapshot(t *testing.T, s *Store) *Snapshot {
	t.Helper()
	snap, err := s.Snapshot(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return snap
}

func TestPlanComesBackInWalkingOrder(t *testing.T) {
	snap := snapshot(t, newStore(t))
	if snap.Trial.Name != "Alder Bend leeks" || len(snap.Plots) != 2 || snap.Plots[0].ID != "101" {
		t.Fatalf("got %+v", snap)
	}
	if _, ok := snap.Plot("0101"); ok {
		t.Error("a plot id must match exactly")
	}
}

func TestCreateTwiceIsRefused(t *testing.T) {
	s := newStore(t)
	tr, plots := twoPlots()
	if _, err := Create(s.Dir(), tr, plots, Options{}); err == nil || !strings.Contains(err.Error(), "already holds a trial") {
		t.Fatalf("got %v", err)
	}
}

func TestOpenFaults(t *testing.T) {
	dir := t.TempDir()
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrNoTrial) {
		t.Errorf("empty folder: %v", err)
	}
	os.WriteFile(filepath.Join(dir, FileName), nil, 0o644)
	if _, err := Open(dir, Options{}); err == nil || !strings.Contains(err.Error(), "empty") {
		t.Errorf("empty file: %v", err)
	}
	os.WriteFile(filepath.Join(dir, FileName), []byte(strings.Repeat("not a database ", 100)), 0o644)
	if _, err := Open(dir, Options{}); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("junk: %v", err)
	}
}

func TestNewestWinsAndHistoryStays(t *testing.T) {
	s := newStore(t)
	o := Observation{Plot: "101", Quadrat: 1, Visit: 1, Date: trial.Date{Year: 2025, Month: 6, Day: 14}, Variable: "count", Class: "grass", Value: 7, Unit: "plants", Source: "counts.csv:2"}
	write(t, s, func(tx *Tx) error { _, _, err := tx.AddObservation(o, 0); return err })
	seen := snapshot(t, s).Entry

	again := write(t, s, func(tx *Tx) error {
		added, clash, err := tx.AddObservation(o, seen)
		if added || clash != nil {
			t.Errorf("the same value again: added %v, clash %v", added, clash)
		}
		return err
	})
	o.Value = 9
	write(t, s, func(tx *Tx) error {
		added, clash, err := tx.AddObservation(o, again)
		if !added || clash != nil {
			t.Errorf("a correction: added %v, clash %v", added, clash)
		}
		return err
	})
	o.Value = 11
	write(t, s, func(tx *Tx) error { // a second person who looked before the correction
		added, clash, err := tx.AddObservation(o, seen)
		if !added || clash == nil || clash.Was.Value != 9 || clash.Now.Value != 11 {
			t.Errorf("both changed one value: added %v, clash %+v", added, clash)
		}
		return err
	})
	snap := snapshot(t, s)
	if len(snap.Observations) != 1 || snap.Observations[0].Value != 11 {
		t.Fatalf("in force: %+v", snap.Observations)
	}
	h, err := s.History(ctx, o)
	if err != nil || len(h) != 3 {
		t.Fatalf("history %v %v", h, err)
	}
}

func TestMissingIsNotZero(t *testing.T) {
	s := newStore(t)
	base := Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: "count", Unit: "plants"}
	missing, zero := base, base
	missing.Missing, zero.Quadrat = true, 2
	write(t, s, func(tx *Tx) error {
		_, _, e1 := tx.AddObservation(missing, 0)
		_, _, e2 := tx.AddObservation(zero, 0)
		return errors.Join(e1, e2)
	})
	snap := snapshot(t, s)
	if !snap.Observations[0].Missing || snap.Observations[1].Missing {
		t.Fatalf("%+v", snap.Observations)
	}
	var nulls int
	if err := s.db.QueryRow("select count(*) from observation where value is null").Scan(&nulls); err != nil || nulls != 1 {
		t.Fatalf("nulls %d %v", nulls, err)
	}
}

func TestRowsCannotBeChangedOrRemoved(t *testing.T) {
	s := newStore(t)
	for _, q := range []string{"update trial set doc='{}'", "delete from plot", "update entry set author='x'", "delete from entry"} {
		if _, err := s.db.Exec(q); err == nil || !strings.Contains(err.Error(), "only grows") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

func TestSafeSettingsOnEveryConnection(t *testing.T) {
	s := newStore(t)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			conn, err := s.db.Conn(ctx)
			if err != nil {
				t.Error(err)
				return
			}
			defer conn.Close()
			var on int
			if err := conn.QueryRowContext(ctx, "pragma foreign_keys").Scan(&on); err != nil || on != 1 {
				t.Errorf("foreign keys %d %v", on, err)
			}
			// The write-ahead log needs shared memory, which network shares do
			// not give (sqlite.org/wal.html); every step is on the disk before
			// it is called done.
			var journal string
			if err := conn.QueryRowContext(ctx, "pragma journal_mode").Scan(&journal); err != nil || journal != "delete" {
				t.Errorf("journal mode %s %v", journal, err)
			}
			var sync int
			if err := conn.QueryRowContext(ctx, "pragma synchronous").Scan(&sync); err != nil || sync != 2 {
				t.Errorf("synchronous %d %v", sync, err)
			}
		})
	}
	wg.Wait()
}

func addPhoto(t *testing.T, s *Store, hash string, m Measurement, r *Result) int64 {
	var id int64
	write(t, s, func(tx *Tx) error {
		if err := tx.AddPhoto(PhotoFacts{Hash: hash, Path: hash + ".jpg", Taken: "2025-06-14T09:00:00"}); err != nil {
			return err
		}
		m.Hash = hash
		var err error
		if id, err = tx.AddMeasurement(m); err != nil || r == nil {
			return err
		}
		return tx.AddResult(id, *r)
	})
	return id
}

func TestPhotoMeasurementResultAndUndo(t *testing.T) {
	s := newStore(t)
	addPhoto(t, s, "aaaa1111", Measurement{Fingerprint: "f", Doc: json.RawMessage(`{"a":1}`), Curve: []byte{1}, Plane: []byte{2}}, &Result{Threshold: .1, CoverFrac: .2})
	id := addPhoto(t, s, "aaaa1111", Measurement{Fingerprint: "f", Guide: `{"corners":1}`, Curve: []byte{3}}, &Result{Threshold: .1, CoverFrac: .3})
	var first, second int64
	write(t, s, func(tx *Tx) (err error) {
		first, err = tx.Decide(PhotoSubject("aaaa1111"), KindPlace, Place{Plot: "101", Quadrat: 1, Visit: 1, Basis: "card", State: PlaceKnown})
		return
	})
	write(t, s, func(tx *Tx) (err error) {
		second, err = tx.Decide(PhotoSubject("aaaa1111"), KindReject, map[string]string{"reason": "blurred"})
		return
	})
	p, ok := snapshot(t, s).Photo("aaaa11")
	if !ok || p.MeasurementID != id || p.Result.CoverFrac != .3 || p.Rejected != "blurred" || p.InUse() || p.Place.Plot != "101" {
		t.Fatalf("%+v", p)
	}
	write(t, s, func(tx *Tx) error { return tx.Undo(second) })
	if p, _ := snapshot(t, s).Photo("aaaa1111"); p.Rejected != "" || !p.InUse() {
		t.Errorf("after undo: %+v", p)
	}
	if _, err := s.Write(ctx, "test", "", func(tx *Tx) error { return tx.Undo(second) }); err == nil {
		t.Error("undone twice")
	}
	write(t, s, func(tx *Tx) error { return tx.Undo(first) })
	if p, _ := snapshot(t, s).Photo("aaaa1111"); p.Place.State != PlaceOpen {
		t.Errorf("place after undo: %+v", p.Place)
	}
	m, err := s.Measurement(ctx, id)
	if err != nil || m.Curve[0] != 3 {
		t.Errorf("%+v %v", m, err)
	}
}

func TestFailedWriteLeavesNothing(t *testing.T) {
	s := newStore(t)
	before := snapshot(t, s).Entry
	_, err := s.Write(ctx, "test", "", func(tx *Tx) error {
		tx.AddPhoto(PhotoFacts{Hash: "x", Path: "x.jpg"})
		return errors.New("stop")
	})
	if err == nil {
		t.Fatal("no error")
	}
	if snap := snapshot(t, s); len(snap.Photos) != 0 || snap.Entry != before {
		t.Errorf("%+v", snap)
	}
}

// TestTwoWriters: two processes' worth of connections write at once; nothing
// is lost and nobody sees half an entry.
func TestTwoWriters(t *testing.T) {
	s := newStore(t)
	other, err := Open(s.Dir(), Options{Author: "Ben", Clock: fixedClock})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	var wg sync.WaitGroup
	const each = 40
	for who, st := range []*Store{s, other} {
		wg.Go(func() {
			for i := range each {
				_, err := st.Write(ctx, "test", "", func(tx *Tx) error {
					for q := range 2 {
						o := Observation{Plot: "101", Quadrat: 1 + q, Visit: 1 + who*each + i, Variable: "count", Unit: "plants", Value: float64(i)}
						if _, _, err := tx.AddObservation(o, 1<<40); err != nil {
							return err
						}
					}
					return nil
				})
				if err != nil {
					t.Error(err)
				}
				snap, err := st.Snapshot(ctx)
				if err != nil {
					t.Error(err)
				} else if len(snap.Observations)%2 != 0 {
					t.Error("half an entry was visible")
				}
			}
		})
	}
	wg.Wait()
	if n := len(snapshot(t, s).Observations); n != 4*each {
		t.Errorf("%d observations, want %d", n, 4*each)
	}
}

func TestReadOnlyFolder(t *testing.T) {
	if os.Geteuid() == 0 {
		s := newStore(t)
		s.readOnly = true
		if _, err := s.Write(ctx, "test", "", func(*Tx) error { return nil }); err == nil || !strings.Contains(err.Error(), "cannot be written") {
			t.Errorf("got %v", err)
		}
	}
	s := newStore(t)
	ro, err := Open(s.Dir(), Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer ro.Close()
	if snap := snapshot(t, ro); len(snap.Plots) != 2 {
		t.Errorf("%+v", snap)
	}
	if _, err := ro.Write(ctx, "test", "", func(*Tx) error { return nil }); err == nil {
		t.Error("wrote to a record opened for reading")
	}
}

func TestNewerRecordIsRefused(t *testing.T) {
	s := newStore(t)
	if _, err := s.db.Exec("pragma user_version = 999"); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(s.Dir(), Options{}); !errors.Is(err, ErrNewer) {
		t.Errorf("got %v", err)
	}
}

func TestSightingsAreACache(t *testing.T) {
	s := newStore(t)
	want := Sighting{Path: "a.jpg", Size: 3, MTime: 5, Hash: "h2"}
	write(t, s, func(tx *Tx) error {
		return tx.Saw(Sighting{Path: "a.jpg", Size: 1, MTime: 2, Hash: "h1"}, want)
	})
	got, err := s.Sightings(ctx)
	if err != nil || !reflect.DeepEqual(got, map[string]Sighting{"a.jpg": want}) {
		t.Errorf("%v %v", got, err)
	}
}

func TestOperationToldTwiceIsKeptOnce(t *testing.T) {
	s := newStore(t)
	rate := 112.085
	op := Operation{What: "seeding", Treatment: "RYE", Input: "rye", Rate: &rate, RateUnit: "kg/ha", Source: "field.csv:2"}
	for range 2 {
		write(t, s, func(tx *Tx) error { _, err := tx.AddOperation(op); return err })
	}
	if snap := snapshot(t, s); len(snap.Operations) != 1 {
		t.Errorf("%+v", snap.Operations)
	}
}

// TestRenamedPhoto: a photo is its bytes; its newest path counts.
func TestRenamedPhoto(t *testing.T) {
	s := newStore(t)
	addPhoto(t, s, "aaaa1111", Measurement{Fingerprint: "f"}, nil)
	if _, err := s.WriteAs(ctx, EntryDerived, "photos", "", func(tx *Tx) error {
		_, err := tx.Decide(PhotoSubject("aaaa1111"), KindPath, PhotoPath{"plot105-3.jpg"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if p, _ := snapshot(t, s).Photo("aaaa1111"); p.Path != "plot105-3.jpg" {
		t.Errorf("path %s", p.Path)
	}
}
