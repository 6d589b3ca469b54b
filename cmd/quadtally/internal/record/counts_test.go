package record

import (
	"testing"
)

// TestCountsBeside: the counts of two observers of one quadrat stand beside
// each other; neither replaces the other, each observer's newest holds, and
// taking one back leaves the other.
func TestCountsBeside(t *testing.T) {
	s := newStore(t)
	ctx := t.Context()
	add := func(observer, class string, n float64, beside bool) int64 {
		t.Helper()
		id, err := s.WriteAs(ctx, EntryHand, "review", "", func(tx *Tx) error {
			_, _, err := tx.AddObservation(Observation{Plot: "101", Quadrat: 1, Visit: 1, Date: day("2025-06-14"), Variable: VarCount, Class: class, Value: n, Unit: "plants", Observer: observer, Beside: beside}, 0)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	at := QuadratAt{"101", 1, 1}
	is := func(force, beside []float64) {
		t.Helper()
		snap, err := s.Snapshot(ctx)
		if err != nil {
			t.Fatal(err)
		}
		a, b := snap.CountsAt(at)
		ok := len(a) == len(force) && len(b) == len(beside) && snap.Counted()[at] == (len(force) > 0)
		for i := range a {
			ok = ok && a[i].Value == force[i]
		}
		for i := range b {
			ok = ok && b[i].Value == beside[i]
		}
		if !ok {
			t.Errorf("in force %+v, beside %+v; want %v and %v", a, b, force, beside)
		}
	}
	is(nil, nil)
	add("Ada", "grass", 4, false)
	second := add("Ben", "grass", 6, true)
	is([]float64{4}, []float64{6})
	add("Cleo", "grass", 0, true)
	is([]float64{4}, []float64{6, 0})
	newer := add(" ben", "Grass", 7, true) // the same person, corrected
	is([]float64{4}, []float64{7, 0})
	add("Ada", "grass", 5, false)
	is([]float64{5}, []float64{7, 0})
	takeBack := func(id int64) {
		t.Helper()
		if _, err := s.WriteAs(ctx, EntryHand, "undo", "", func(tx *Tx) error { _, err := tx.UndoEntry(id); return err }); err != nil {
			t.Fatal(err)
		}
	}
	log, err := s.Log(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range log {
		if e.Replaced != (e.ID == second || e.ID == second-1) {
			t.Errorf("entry %d replaced: %v", e.ID, e.Replaced)
		}
	}
	takeBack(newer)
	is([]float64{5}, []float64{6, 0})
	takeBack(second)
	is([]float64{5}, []float64{0})
}
