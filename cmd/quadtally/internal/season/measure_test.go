package season

import (
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

// TestMoreThanOneBatch: a folder that is saved in several batches has every
// photo measured and counted once.
func TestMoreThanOneBatch(t *testing.T) {
	store, snap := newTrial(t)
	n := saveEvery + 6
	folder := somePhotos(t, store, snap, min(n, len(snap.Plots)))
	for i := len(snap.Plots); i < n; i++ {
		writePhoto(t, folder+"/more/"+string(rune('a'+i))+".jpg", uint64(i+1), "2026:05:25 10:00:00")
	}
	out, err := New(store, quiet).Photos(t.Context(), snap, []string{folder}, whole(), nil)
	if err != nil || out.Measured != n || out.New != n {
		t.Errorf("%d photos: %+v, %v", n, out, err)
	}
	seen := map[int64]bool{}
	for _, p := range newest(t, store).Photos {
		if p.MeasurementID == 0 || seen[p.MeasurementID] {
			t.Errorf("%s has the measurement %d", p.Path, p.MeasurementID)
		}
		seen[p.MeasurementID] = true
	}
}

// TestUpdate: a photo on which somebody drew is measured again, and no other;
// without a new drawing nothing is.
func TestUpdate(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 2)
	s := New(store, quiet)
	ctx := t.Context()
	if _, err := s.Photos(ctx, snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	before := newest(t, store)
	hashes := []string{before.Photos[0].Hash, before.Photos[1].Hash, "unknown"}
	if err := s.Update(ctx, hashes...); err != nil || newest(t, store).Entry != before.Entry {
		t.Errorf("with nothing drawn, something was stored (%v)", err)
	}
	_, err := store.WriteAs(ctx, record.EntryHand, "review", "", func(tx *record.Tx) error {
		_, err := tx.Decide(record.PhotoSubject(hashes[0]), record.KindGuide, Guide{Exclude: [][][2]float64{square(0, 0, 40)}})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Update(ctx, hashes...); err != nil {
		t.Fatal(err)
	}
	after := newest(t, store)
	a, b := after.Photos[0], after.Photos[1]
	if a.MeasurementID == before.Photos[0].MeasurementID || a.Guide == "" || !a.InUse() || b.MeasurementID != before.Photos[1].MeasurementID {
		t.Errorf("%+v\n%+v", a, b)
	}
	if err := s.Update(ctx, hashes...); err != nil || newest(t, store).Entry != after.Entry {
		t.Errorf("updated again, something was stored (%v)", err)
	}
}
