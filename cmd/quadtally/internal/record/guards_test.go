package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

// filled is a closed record with something in every table.
func filled(t *testing.T) string {
	t.Helper()
	s := newStore(t)
	addPhoto(t, s, "aaaa1111", Measurement{Fingerprint: "f", Doc: json.RawMessage(`{"a":1}`), Curve: []byte{1}, Plane: []byte{2}, Looks: []byte{3}}, &Result{Threshold: .1, CoverFrac: .2})
	write(t, s, func(tx *Tx) error {
		if _, err := tx.Decide(PhotoSubject("aaaa1111"), KindPlace, Place{Plot: "101", Quadrat: 1, Visit: 1, Basis: "card", State: PlaceKnown}); err != nil {
			return err
		}
		_, err := tx.Decide(PhotoSubject("aaaa1111"), KindPlant, Plant{X: 1, Y: 2, Class: PlantClass{"weed", "weed"}})
		return err
	})
	v := SheetVersion{Kind: "counts", Name: "counts.csv", Observations: []Observation{{Plot: "101", Quadrat: 1, Visit: 1, Variable: VarCount, Class: "grass", Value: 4, Unit: "plants", Source: "counts.csv:2", Line: 2}},
		Operations: []Operation{{Date: trial.Date{}, What: "mowing", Treatment: "RYE", Source: "counts.csv:3"}}}
	store(t, s, v)
	undo(t, s, write(t, s, func(tx *Tx) error {
		_, err := tx.Decide(PhotoSubject("aaaa1111"), KindReject, map[string]string{"reason": "blurred"})
		return err
	}))
	dir := s.Dir()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// spoilt is a copy of a record in which one statement was run.
func spoilt(t *testing.T, dir, statement string) (*Store, error) {
	t.Helper()
	at := t.TempDir()
	b, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(at, FileName), b, 0o644); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite3", fileURI(filepath.Join(at, FileName), "mode=rw&_foreign_keys=0"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Exec(statement)
	db.Close()
	if err != nil {
		return nil, err
	}
	return Open(at, Options{})
}

// TestDamageIsNotPassedOver: a snapshot of a record that lacks a table, or holds
// something in a column that cannot be read, is refused: it would lack values
// without a word.
func TestDamageIsNotPassedOver(t *testing.T) {
	dir := filled(t)
	db, err := sql.Open("sqlite3", fileURI(filepath.Join(dir, FileName), "mode=ro"))
	if err != nil {
		t.Fatal(err)
	}
	tables := column(t, db, "select name from sqlite_schema where type = 'table' and name not like 'sqlite_%' order by name")
	// A plot's entry is its trial's; a decision of no entry was made by nobody; a
	// measurement's document is read when it is asked for.
	unread := []string{"plot.entry", "decision.entry", "measurement.doc"}
	var statements []string
	for _, name := range tables {
		if name == "sighting" || name == "sorting" { // read apart, or worked out anew
			continue
		}
		statements = append(statements, fmt.Sprintf("alter table %s rename to lost", name))
		for _, c := range column(t, db, fmt.Sprintf("select name from pragma_table_info('%s') where name in ('entry', 'doc')", name)) {
			if slices.Contains(unread, name+"."+c) {
				continue
			}
			bad := "'no number'"
			if c == "doc" {
				bad = "'{'"
			}
			if column(t, db, "select cast(count(*) as text) from "+name)[0] != "0" {
				statements = append(statements, fmt.Sprintf("drop trigger if exists %[1]s_stays; update %[1]s set %[2]s = %[3]s", name, c, bad))
			}
		}
	}
	db.Close()
	tried := 0
	for _, statement := range statements {
		s, err := spoilt(t, dir, statement)
		if s == nil && err != nil { // refused by the schema, or as it was opened
			continue
		}
		tried++
		if _, err := s.Snapshot(t.Context()); err == nil {
			t.Errorf("after %q a snapshot is given", statement)
		}
		s.Close()
	}
	if tried < 10 {
		t.Errorf("only %d of %d kinds of damage were tried", tried, len(statements))
	}
}

// TestSnapshotEndsWithItsContext: no half of a record is given.
func TestSnapshotEndsWithItsContext(t *testing.T) {
	s, err := Open(filled(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if snap, err := s.Snapshot(ctx); err == nil {
		t.Errorf("%+v", snap)
	}
	if list, err := s.Log(ctx); err == nil {
		t.Errorf("%+v", list)
	}
}

// TestNewerByOne: a record of the next version is refused as newer however it is
// opened, and nothing is put beside it.
func TestNewerByOne(t *testing.T) {
	dir := filled(t)
	s, err := spoilt(t, dir, fmt.Sprint("pragma user_version = ", len(migrations)+1))
	if s != nil || !errors.Is(err, ErrNewer) {
		t.Errorf("opened to write: %v", err)
	}
	db, err := sql.Open("sqlite3", fileURI(filepath.Join(dir, FileName), "mode=rw"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(fmt.Sprint("pragma user_version = ", len(migrations)+1)); err != nil {
		t.Fatal(err)
	}
	db.Close()
	before := files(t, dir)
	for _, readOnly := range []bool{true, false} {
		if _, err := Open(dir, Options{ReadOnly: readOnly}); !errors.Is(err, ErrNewer) {
			t.Errorf("read only %v: %v", readOnly, err)
		}
	}
	if after := files(t, dir); after != before {
		t.Errorf("something was put beside it:\n%s", after)
	}
	if _, err := Restore(t.Context(), t.TempDir(), filepath.Join(dir, FileName), false); !errors.Is(err, ErrNewer) {
		t.Errorf("brought back: %v", err)
	}
}

// TestWhatPlantsLack: each thing that is lacking, at its limit and one short of
// it.
func TestWhatPlantsLack(t *testing.T) {
	trialWith := func(kinds, checks, plots int, looks, sorted bool) *Snapshot {
		s := &Snapshot{}
		for k := range plots {
			p := Photo{PhotoFacts: PhotoFacts{Hash: fmt.Sprint("photohash", k)}, Result: &Result{}, HasLooks: looks, Place: Place{Plot: fmt.Sprint(k), Quadrat: 1, Visit: 1, State: PlaceKnown}}
			if sorted {
				p.Sorting = &Sorting{}
			}
			s.Photos = append(s.Photos, p)
		}
		// Of another visit: it says nothing of this one.
		s.Photos = append(s.Photos, Photo{PhotoFacts: PhotoFacts{Hash: "otherhash"}, Result: &Result{}, Place: Place{Plot: "x", Quadrat: 1, Visit: 2, State: PlaceKnown}})
		for k := range 40 {
			s.Named = append(s.Named, NamedPlant{Hash: "photohash0", Plant: Plant{X: float64(k), Class: PlantClass{Name: fmt.Sprint("class", k%kinds)}}})
		}
		for k := range checks {
			s.Checks = append(s.Checks, CheckPoint{Hash: fmt.Sprint("photohash", k%plots), Check: Check{X: float64(k), Class: &PlantClass{Name: "weed"}}})
		}
		s.Checks = append(s.Checks, CheckPoint{Hash: "photohash0"}, CheckPoint{Hash: "otherhash", Check: Check{Class: &PlantClass{Name: "weed"}}})
		return s
	}
	for _, c := range []struct {
		what string
		s    *Snapshot
		want []PlantsLacking
	}{
		{"nothing", trialWith(2, LeastChecks, LeastCheckPlots, true, true), nil},
		{"a second class", trialWith(1, LeastChecks, LeastCheckPlots, true, true), []PlantsLacking{LackNames}},
		{"a check point", trialWith(2, LeastChecks-1, LeastCheckPlots, true, true), []PlantsLacking{LackChecks}},
		{"a plot", trialWith(2, LeastChecks, LeastCheckPlots-1, true, true), []PlantsLacking{LackPlots}},
		{"looks", trialWith(2, LeastChecks, LeastCheckPlots, false, true), []PlantsLacking{LackLooks}},
		{"sorting", trialWith(2, LeastChecks, LeastCheckPlots, true, false), []PlantsLacking{LackSorting}},
		{"looks and points", trialWith(2, 0, LeastCheckPlots, false, false), []PlantsLacking{LackLooks, LackChecks}},
	} {
		if got := c.s.PlantsLack(1); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.what, got, c.want)
		}
	}
}
