package season

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

func TestMeasuredByVisit(t *testing.T) {
	photo := func(hash string, visit int, id int64, fingerprint, fault string) record.Photo {
		return record.Photo{PhotoFacts: record.PhotoFacts{Hash: hash}, Place: record.Place{Visit: visit}, MeasurementID: id, Fingerprint: fingerprint, Fault: fault}
	}
	snap := &record.Snapshot{Photos: []record.Photo{
		photo("a", 1, 1, "f", ""), photo("b", 2, 2, "f", ""), photo("c", 1, 3, "f", ""), photo("d", 0, 4, "f", ""),
		photo("other settings", 1, 5, "g", ""), photo("could not be read", 1, 6, "f", "cut short"), photo("not measured", 1, 0, "f", ""),
	}}
	got := measuredByVisit(snap, "f")
	if len(got) != 3 || len(got[1]) != 2 || got[1][0].Hash != "a" || got[1][1].Hash != "c" || got[2][0].Hash != "b" || got[0][0].Hash != "d" {
		t.Errorf("%v", got)
	}
}

// heaps is a curve with all its cells at two codes, a share of them high.
func heaps(t *testing.T, low, high int, share float64) []byte {
	t.Helper()
	c := vision.Curve{Index: vision.DefaultOptions().Index}
	for i := -6; i <= 6; i++ { // two bell-shaped heaps
		weight := math.Exp(-float64(i*i) / 8)
		c.Counts[low+i] += uint32(10000 * (1 - share) * weight)
		c.Counts[high+i] += uint32(10000 * share * weight)
	}
	b, err := c.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestVisitThreshold(t *testing.T) {
	opt := vision.DefaultOptions()
	empty, err := vision.VisitThreshold([]vision.Curve{{Index: opt.Index}}, opt)
	if err != nil {
		t.Fatal(err)
	}
	curves := map[int64][]byte{1: heaps(t, 110, 190, 0.4), 2: heaps(t, 110, 190, 0.3), 3: heaps(t, 135, 230, 0.6), 4: []byte("damaged")}
	photo := func(id int64, rejected string) *record.Photo {
		return &record.Photo{PhotoFacts: record.PhotoFacts{Path: "x/IMG.jpg"}, MeasurementID: id, Rejected: rejected}
	}
	threshold := func(snap *record.Snapshot, photos ...*record.Photo) (float64, record.Threshold) {
		t.Helper()
		th, stored, err := visitThreshold(snap, 2, photos, curves, opt)
		if err != nil || math.Abs(th.Value-stored.Value) > 1e-12 {
			t.Fatal(th.Value, stored, err)
		}
		return th.Value, stored
	}
	none := &record.Snapshot{}
	two, stored := threshold(none, photo(1, ""), photo(2, ""))
	if stored.ByHand || stored.Fingerprint != opt.Fingerprint() || stored.Basis == "" {
		t.Errorf("stored as %+v", stored)
	}
	three, _ := threshold(none, photo(1, ""), photo(2, ""), photo(3, ""))
	if two == three {
		t.Error("a third photo changes nothing: this test cannot tell who has a part in the threshold")
	}
	if v, _ := threshold(none, photo(1, ""), photo(2, ""), photo(3, "boot in the frame")); v != two {
		t.Errorf("a photo set aside moved the threshold from %g to %g", two, v)
	}
	if v, _ := threshold(none, photo(1, "x")); v != empty.Value {
		t.Errorf("no photo in use: %g, the default is %g", v, empty.Value)
	}
	hand := record.Threshold{Value: 0.15, Basis: "set by hand", ByHand: true}
	if v, stored := threshold(&record.Snapshot{Thresholds: map[int]record.Threshold{2: hand}}, photo(1, ""), photo(2, "")); math.Abs(v-0.15) > 0.005 || stored != hand {
		t.Errorf("by hand 0.15: %g, %+v", v, stored)
	}
	hand.ByHand = false
	if v, _ := threshold(&record.Snapshot{Thresholds: map[int]record.Threshold{2: hand}}, photo(1, ""), photo(2, "")); v != two {
		t.Errorf("an older threshold was taken for one by hand: %g", v)
	}
	hand.ByHand = true
	if v, _ := threshold(&record.Snapshot{Thresholds: map[int]record.Threshold{1: hand}}, photo(1, ""), photo(2, "")); v != two {
		t.Errorf("the threshold of another visit was taken: %g", v)
	}
	if _, _, err := visitThreshold(none, 2, []*record.Photo{photo(4, "")}, curves, opt); err == nil || !strings.HasPrefix(err.Error(), "IMG.jpg: ") {
		t.Errorf("a damaged curve: %v", err)
	}
}

func TestOutdatedResults(t *testing.T) {
	opt := vision.DefaultOptions()
	th, err := vision.HandThreshold(opt.Index, 0.2)
	if err != nil {
		t.Fatal(err)
	}
	curves := map[int64][]byte{1: heaps(t, 110, 230, 0.5), 2: heaps(t, 110, 170, 0.5)}
	for _, c := range []struct {
		say    string
		result *record.Result
		want   int
	}{
		{"none yet", nil, 1},
		{"at this threshold", &record.Result{Threshold: 0.2}, 0},
		{"at another", &record.Result{Threshold: 0.21}, 1},
		{"with marks that were taken back", &record.Result{Threshold: 0.2, Marks: "17"}, 1},
	} {
		got, err := outdatedResults(&record.Snapshot{}, []*record.Photo{{MeasurementID: 1, Result: c.result}}, curves, th, opt)
		if err != nil || len(got) != c.want {
			t.Errorf("%s: %d outdated, want %d (%v)", c.say, len(got), c.want, err)
		}
	}
	// What follows from the photos together is drawn to what each is by itself.
	visit := vision.Threshold{Value: 0.15, Photos: 2, Index: opt.Index}
	for id := range int64(2) {
		photo := &record.Photo{MeasurementID: id + 1, Result: &record.Result{Threshold: visit.Value}}
		if got, err := outdatedResults(&record.Snapshot{}, []*record.Photo{photo}, curves, visit, opt); err != nil || len(got) != 1 {
			t.Errorf("photo %d at the visit's threshold is not outdated (%v)", id+1, err)
		}
		c, err := curveOf(photo, curves)
		if err != nil {
			t.Fatal(err)
		}
		own, err := visit.For(c, opt)
		if err != nil {
			t.Fatal(err)
		}
		photo.Result.Threshold = own.Value
		if got, err := outdatedResults(&record.Snapshot{}, []*record.Photo{photo}, curves, visit, opt); err != nil || len(got) != 0 {
			t.Errorf("photo %d at its own threshold is outdated (%v)", id+1, err)
		}
	}
	if _, err := outdatedResults(&record.Snapshot{}, []*record.Photo{{MeasurementID: 3, PhotoFacts: record.PhotoFacts{Path: "x/a.jpg"}}}, curves, visit, opt); err == nil {
		t.Error("a photo without a curve passes")
	}
	if got, err := outdatedResults(&record.Snapshot{}, []*record.Photo{{MeasurementID: 3, Rejected: "blurred"}}, curves, visit, opt); err != nil || len(got) != 0 {
		t.Errorf("a photo set aside whose curve is damaged stops the others: %v", err)
	}
}

// TestThresholdFollowsItsPhotos: setting a photo aside, or a threshold by
// hand, changes the numbers of the visit, and taking it back brings them back.
func TestThresholdFollowsItsPhotos(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 3)
	s := New(store, quiet)
	ctx := t.Context()
	if _, err := s.Photos(ctx, snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	covers := func() (out [3]float64) {
		for i, p := range newest(t, store).Photos {
			out[i] = p.Result.CoverFrac
		}
		return out
	}
	before := covers()
	v := 0.19
	if _, err := s.Photos(ctx, newest(t, store), []string{folder}, Change{Thresholds: []HandThreshold{{1, &v}}}, nil); err != nil {
		t.Fatal(err)
	}
	if th := newest(t, store).Thresholds[1]; !th.ByHand || math.Abs(th.Value-v) > 0.005 {
		t.Errorf("by hand: %+v", th)
	}
	if covers() == before {
		t.Error("a threshold by hand changed no number")
	}
	if _, err := s.Photos(ctx, newest(t, store), []string{folder}, Change{Thresholds: []HandThreshold{{1, nil}}}, nil); err != nil {
		t.Fatal(err)
	}
	if covers() != before {
		t.Errorf("given back: %v, before %v", covers(), before)
	}
	all := newest(t, store)
	if _, err := s.Decide(ctx, all, []*record.Photo{&all.Photos[0]}, Word{SetAside: "boot"}, ""); err != nil {
		t.Fatal(err)
	}
	if got := newest(t, store); got.Photos[0].InUse() || got.Thresholds[1] == all.Thresholds[1] {
		t.Errorf("a photo set aside still has a part in %+v", got.Thresholds[1])
	}
	all = newest(t, store)
	if _, err := s.Decide(ctx, all, []*record.Photo{&all.Photos[0]}, Word{TakeBack: true}, ""); err != nil {
		t.Fatal(err)
	}
	if covers() != before {
		t.Errorf("taken back: %v, before %v", covers(), before)
	}
}

func TestInParallel(t *testing.T) {
	for _, n := range []int{0, 1, 2, 100} {
		var done [100]atomic.Int32
		if err := inParallel(t.Context(), n, func(i int) error { done[i].Add(1); return nil }); err != nil {
			t.Fatal(err)
		}
		for i := range done {
			if want := int32(1); done[i].Load() != want && i < n || i >= n && done[i].Load() != 0 {
				t.Errorf("of %d things, %d was done %d times", n, i, done[i].Load())
			}
		}
	}
	wrong := errors.New("wrong")
	var ran atomic.Int32
	if err := inParallel(t.Context(), 100000, func(i int) error { ran.Add(1); return wrong }); err != wrong || ran.Load() > 1000 {
		t.Errorf("%v after %d", err, ran.Load())
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := inParallel(ctx, 10, func(int) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}
