package record

import (
	"context"
	"reflect"
	"testing"
)

// TestPlantsInTheRecord follows a named plant, a check point and a sorting
// through storing, correcting and taking back.
func TestPlantsInTheRecord(t *testing.T) {
	s := newStore(t)
	ctx := context.Background()
	write := func(f func(tx *Tx) error) int64 {
		t.Helper()
		id, err := s.WriteAs(ctx, EntryHand, "plants", "", f)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	look := func() *Snapshot {
		t.Helper()
		snap, err := s.Snapshot(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return snap
	}
	var m int64
	write(func(tx *Tx) error {
		if err := tx.AddPhoto(PhotoFacts{Hash: "h", Path: "a.jpg"}); err != nil {
			return err
		}
		var err error
		if m, err = tx.AddMeasurement(Measurement{Hash: "h", Fingerprint: "f", Curve: []byte{1}}); err != nil {
			return err
		}
		return tx.AddResult(m, Result{Threshold: 0.1, CoverFrac: 0.5})
	})
	if p := look().Photos[0]; p.HasLooks || p.Sorting != nil {
		t.Fatalf("looks of a photo measured without: %+v", p)
	}
	// The same measuring with looks is new, without them it is not.
	write(func(tx *Tx) error {
		again, err := tx.AddMeasurement(Measurement{Hash: "h", Fingerprint: "f", Curve: []byte{1}})
		if again != m {
			t.Errorf("measured alike, stored twice")
		}
		with, err2 := tx.AddMeasurement(Measurement{Hash: "h", Fingerprint: "f", Curve: []byte{1}, Looks: []byte{7}})
		if err2 != nil || with == m {
			t.Errorf("looks were not stored: %v", err2)
		}
		m = with
		if err := tx.AddResult(m, Result{Threshold: 0.1, CoverFrac: 0.5}); err != nil {
			return err
		}
		return err
	})
	weed, crop := PlantClass{"weed", "weed"}, PlantClass{"leek", "crop"}
	decide := func(kind string, v any) func(tx *Tx) error {
		return func(tx *Tx) error { _, err := tx.Decide(PhotoSubject("h"), kind, v); return err }
	}
	write(decide(KindPlant, Plant{X: 10, Y: 20, Class: weed}))
	write(decide(KindPatch, map[string]any{"class": "cover-crop regrowth", "at": []float64{3, 4}}))
	write(decide(KindPatch, map[string]any{"class": "weed"})) // all green: no plant
	corrected := write(decide(KindPlant, Plant{X: 10, Y: 20, Class: crop}))
	write(decide(KindCheck, Check{X: 1, Y: 2}))
	answered := write(decide(KindCheck, Check{X: 1, Y: 2, Class: &weed}))
	write(decide(KindCheck, Check{X: 1, Y: 2}))
	snap := look()
	if len(snap.Named) != 2 || snap.Named[1].Class != crop || snap.Named[0].Class.Role != "regrowth" || snap.Named[0].X != 3 ||
		len(snap.Checks) != 1 || snap.Checks[0].Class == nil || *snap.Checks[0].Class != weed || !snap.Photos[0].HasLooks {
		t.Fatalf("named %+v, check points %+v", snap.Named, snap.Checks)
	}
	want := Sorting{Classes: []SortedClass{{PlantClass: weed, CoverFrac: 0.25}}, Checks: []SortedCheck{{X: 1, Y: 2, Prob: []float64{1}}}}
	write(func(tx *Tx) error { return tx.SaveSorting(m, snap.SortingRests()[0], Sorting{}) })
	write(func(tx *Tx) error { return tx.SaveSorting(m, snap.SortingRests()[0], want) })
	if got := look().Photos[0].Sorting; got == nil || !reflect.DeepEqual(*got, want) {
		t.Fatalf("sorting %+v, want %+v", got, want)
	}
	// A taken back answer is no part of what was sorted; a name is.
	write(func(tx *Tx) error { _, err := tx.UndoEntry(answered); return err })
	snap = look()
	if snap.Checks[0].Class != nil || snap.Photos[0].Sorting == nil {
		t.Errorf("after the answer was taken back: %+v, sorting %v", snap.Checks, snap.Photos[0].Sorting)
	}
	write(func(tx *Tx) error { _, err := tx.UndoEntry(corrected); return err })
	snap = look()
	if len(snap.Named) != 2 || snap.Named[0].Class != weed || snap.Photos[0].Sorting != nil {
		t.Errorf("after the correction was taken back: %+v, sorting %v", snap.Named, snap.Photos[0].Sorting)
	}
}

// TestNamesOfVisits keeps when a visit is learned from its own names alone.
func TestNamesOfVisits(t *testing.T) {
	weed, crop := PlantClass{"weed", "weed"}, PlantClass{"crop", "crop"}
	s := &Snapshot{photoAt: map[string]int{"a": 0, "b": 1}, Photos: []Photo{
		{PhotoFacts: PhotoFacts{Hash: "a"}, Place: Place{Visit: 1}}, {PhotoFacts: PhotoFacts{Hash: "b"}, Place: Place{Visit: 2}}}}
	add := func(hash string, class PlantClass, n int) {
		for range n {
			s.Named = append(s.Named, NamedPlant{Plant{X: float64(len(s.Named)), Class: class}, hash, 0, 0, "", false})
		}
	}
	add("a", weed, OwnNames-2)
	add("a", crop, 1)
	if names, borrowed := s.Names(1); len(names) != OwnNames-1 || borrowed {
		t.Errorf("one visit alone: %d names, borrowed %v", len(names), borrowed)
	}
	if names, borrowed := s.Names(2); len(names) != OwnNames-1 || !borrowed {
		t.Errorf("a visit without names: %d, borrowed %v", len(names), borrowed)
	}
	add("b", weed, 1)
	add("a", weed, 1)
	if _, borrowed := s.Names(1); !borrowed {
		t.Error("one crop plant alone cannot carry a visit")
	}
	add("a", crop, 1)
	if names, borrowed := s.Names(1); borrowed || len(names) != OwnNames+1 {
		t.Errorf("enough of its own: %d names, borrowed %v", len(names), borrowed)
	}
}
