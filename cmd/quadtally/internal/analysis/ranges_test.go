package analysis

import (
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// The range of a photo's weed cover is that of the correction and of the sorting
// together: their squares add up, and it ends at nothing and at all that is green.
func TestRangesAddUp(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	raw := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.3}
	halves := func(width float64) (out []float64) {
		snap := classifiedTrial(6, raw, raw)
		for i := range snap.Photos {
			c := &snap.Photos[i].Sorting.Classes[0]
			c.LoFrac, c.HiFrac = c.CoverFrac-width, c.CoverFrac+width
		}
		rs, _ := coverOf(t, snap, "weed-cover")
		for _, x := range rs {
			if x.Range[0] < 0 || x.Range[1] > 0.4 || x.Range[0] > x.Value || x.Range[1] < x.Value {
				t.Errorf("%+v", x.Range)
			}
			out = append(out, x.Value-x.Range[0])
		}
		return out
	}
	narrow, wide := halves(0.005), halves(0.02)
	for i := range narrow {
		near(t, "difference of squares", wide[i]*wide[i]-narrow[i]*narrow[i], 0.02*0.02-0.005*0.005, 1e-9)
	}
	for i, half := range halves(0.9) {
		if half <= 0 || half > 0.4 {
			t.Errorf("photo %d: %g", i, half)
		}
	}
}

// Photos in use are those of the visit that count.
func TestPhotosInUseOfAVisit(t *testing.T) {
	snap := twoPlots(trial.Metric)
	out := photoIn("101", 2, 1, record.Result{})
	out.Rejected = "a boot"
	snap.Photos = []record.Photo{photoIn("101", 1, 1, record.Result{}), out, photoIn("102", 1, 1, record.Result{}), photoIn("101", 1, 2, record.Result{})}
	for visit, want := range map[int]int{0: 0, 1: 2, 2: 1, 3: 0} {
		if got := photosInUse(snap, visit); got != want {
			t.Errorf("visit %d: %d", visit, got)
		}
	}
}

// Days that may be read in two ways are refused and not passed over: without them
// a season would be one visit.
func TestDaysThatCannotBeRead(t *testing.T) {
	for _, text := range []string{"trt,date,y\nA,03/04/2025,1\nA,05/06/2025,2\n", "trt,date,y\nA,03/04/2025,1\n"} {
		if got, err := ReadTable(sheetOf(t, "t.csv", text), "", TableColumns{}); err == nil || !strings.Contains(err.Error(), "t.csv") {
			t.Errorf("%q: %+v %v", text, got, err)
		}
	}
	got, err := ReadTable(sheetOf(t, "t.csv", "trt,date,y\nA,2025-06-01,1\nA,soon,2\nA,2025-06-08,3\n"), "", TableColumns{})
	if err != nil || len(got.Rows) != 2 || len(got.Faults) != 1 || got.Rows[1].Day != 7 {
		t.Errorf("%+v %v", got, err)
	}
}
