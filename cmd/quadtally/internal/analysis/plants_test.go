package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

var (
	aWeed = record.PlantClass{Name: "weed", Role: "weed"}
	aLeek = record.PlantClass{Name: "leek", Role: "crop"}
)

// toldTrial is a trial of two treatments in blocks in which every photo is told
// apart: green cover 0.4 with a share of weeds that the photos see as raw and
// the person as real. Check points lie in all plots alike.
func toldTrial(blocks int, raw, real map[string]float64) *record.Snapshot {
	snap := twoPlots(trial.Metric)
	snap.Plots, snap.Photos, snap.Named = nil, nil, nil
	snap.Trial.Blocks = blocks
	snap.Named = []record.NamedPlant{{Plant: record.Plant{Class: aWeed}}, {Plant: record.Plant{Class: aLeek}}}
	for b := range blocks {
		for k, code := range []string{snap.Trial.Treatments[0].Code, snap.Trial.Treatments[1].Code} {
			plot := fmt.Sprint(100*(b+1) + k + 1)
			snap.Plots = append(snap.Plots, trial.Plot{ID: plot, Block: fmt.Sprint(b + 1), Treatment: code})
			p := photoIn(plot, 1, 1, record.Result{CoverFrac: 0.4})
			p.Hash, p.HasLooks = "hash-of-"+plot, true
			r := raw[code]
			p.Sorting = &record.Sorting{Classes: []record.SortedClass{
				{PlantClass: aWeed, Mean: r, CoverFrac: 0.4 * r, LoFrac: 0.4*r - 0.01, HiFrac: 0.4*r + 0.01, Pieces: 3, Sure: 1},
				{PlantClass: aLeek, Mean: 1 - r, CoverFrac: 0.4 * (1 - r), Pieces: 1, Sure: 1}}}
			// Ten points: a share of raw is sorted as weeds with certainty, and a
			// share of real is weeds.
			off := 0.0 // plots differ: one point more in one, one less in the next
			if real[code] > 0 {
				off = float64(1 - 2*(b%2))
			}
			for i := range 10 {
				sorted, is := 1, aLeek
				prob := []float64{0, 1}
				if float64(i) < 10*r {
					sorted, prob = 0, []float64{1, 0}
				}
				if float64(i) < 10*real[code]+off {
					is = aWeed
				}
				at := float64(i)
				p.Sorting.Checks = append(p.Sorting.Checks, record.SortedCheck{X: at, Prob: prob, Mapped: sorted})
				snap.Checks = append(snap.Checks, record.CheckPoint{Check: record.Check{X: at, Class: &is}, Hash: p.Hash})
			}
			snap.Photos = append(snap.Photos, p)
		}
	}
	return snap
}

func coverOf(t *testing.T, snap *record.Snapshot, name string) (rs []Reading, notes []string) {
	t.Helper()
	r, err := Find(snap, name, "")
	if err != nil {
		t.Fatal(err)
	}
	if rs, notes, err = r.Readings(snap); err != nil {
		t.Fatal(err)
	}
	return rs, notes
}

// TestCoverByClass takes covers by class to the values that the check points
// give.
func TestCoverByClass(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	a, b := codes[0].Code, codes[1].Code
	share := func(x, y float64) map[string]float64 { return map[string]float64{a: x, b: y} }
	for name, c := range map[string]struct {
		raw, real, want map[string]float64 // shares of the green
		byTreatment     bool
		within          float64
	}{
		"the photos are right":          {share(0.5, 0.2), share(0.5, 0.2), share(0.5, 0.2), false, 0.04},
		"too many in one treatment":     {share(0.5, 0.5), share(0.5, 0.1), share(0.5, 0.1), true, 0.02},
		"too many in both, by as much":  {share(0.6, 0.6), share(0.4, 0.4), share(0.4, 0.4), false, 0.01},
		"what the photos did not see":   {share(0.2, 0.2), share(0.2, 0.6), share(0.2, 0.6), true, 0.02},
		"nothing there, nothing sorted": {share(0, 0), share(0, 0), share(0, 0), false, 0.001},
	} {
		snap := toldTrial(4, c.raw, c.real)
		rs, notes := coverOf(t, snap, "weed-cover")
		if len(rs) != 8 || len(notes) != 1 {
			t.Fatalf("%s: %d readings, %q", name, len(rs), notes)
		}
		sum := map[string]float64{}
		for _, x := range rs {
			plot, _ := snap.Plot(x.Plot)
			sum[plot.Treatment] += x.Value / 0.4 / 4
			if x.Range == nil || x.Range[0] > x.Value || x.Range[1] < x.Value || x.Range[1] > 0.4 || !(x.Range[1] > x.Range[0]) {
				t.Errorf("%s: %v with a range of %v", name, x.Value, x.Range)
			}
		}
		for code, want := range c.want {
			if math.Abs(sum[code]-want) > c.within {
				t.Errorf("%s: weeds are %.3f of the green of %s, want %.3f", name, sum[code], code, want)
			}
		}
		if got := strings.Contains(notes[0], "corrected treatment by treatment"); got != c.byTreatment {
			t.Errorf("%s: %s", name, notes[0])
		}
		// The parts of the green sum to it.
		crops, _ := coverOf(t, snap, "crop-cover")
		for i := range rs {
			if got := rs[i].Value + crops[i].Value; math.Abs(got-0.4) > 1e-6 {
				t.Errorf("%s: weeds and crop make %.4f of the ground, all green 0.4", name, got)
			}
		}
	}
}

// TestChecksCarriedThrough keeps that fewer check points make a comparison less
// sure, and that none at all refuses it with what is lacking.
func TestChecksCarriedThrough(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	a, b := codes[0].Code, codes[1].Code
	raw, real := map[string]float64{a: 0.5, b: 0.4}, map[string]float64{a: 0.6, b: 0.3}
	snap := toldTrial(6, raw, real)
	for i := range snap.Photos { // plots differ a little, so that there is an error
		snap.Photos[i].Result.CoverFrac += 0.004 * float64(i%5)
	}
	whole, err := Compare(snap, "weed-cover", DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if len(whole.Checked) != 1 || whole.Checked[0].Points != 120 || whole.Role != Weeds || whole.Holds != "" || whole.CoverModel != nil {
		t.Errorf("%+v", whole.Checked)
	}
	if text, err := whole.Script("weed cover"); err == nil {
		t.Errorf("a script that leaves out the check points: %.80s", text)
	}
	fewer := *snap
	fewer.Checks = nil
	for i, c := range snap.Checks {
		if i%3 == 0 {
			fewer.Checks = append(fewer.Checks, c)
		}
	}
	third, err := Compare(&fewer, "weed-cover", DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if pieces, err := Compare(snap, "weed-pieces", DefaultOptions()); err != nil || !strings.Contains(strings.Join(pieces.Notes, "; "), "check points correct covers and not pieces") {
		t.Errorf("pieces say nothing of how they were sorted: %v %q", err, pieces.Notes)
	}
	if w, n := *whole.Analysis.Pairs[0].SED, *third.Analysis.Pairs[0].SED; !(n > w) {
		t.Errorf("SED %.4f with 120 check points, %.4f with 40", w, n)
	}
	var lacking *PlantsLackingError
	fewer.Checks = fewer.Checks[:record.LeastChecks-1]
	if _, err := Compare(&fewer, "weed-cover", DefaultOptions()); !errors.As(err, &lacking) || !slices.Equal(lacking.Lacks[1], []record.PlantsLacking{record.LackChecks}) {
		t.Errorf("too few check points: %v", err)
	}
	if _, err := Compare(&fewer, "weed-pieces", DefaultOptions()); !errors.As(err, &lacking) {
		t.Errorf("pieces with too few check points: %v", err)
	}
	snap.Photos[3].Sorting = nil
	if _, err := Compare(snap, "weed-cover", DefaultOptions()); !errors.As(err, &lacking) || !slices.Equal(lacking.Lacks[1], []record.PlantsLacking{record.LackSorting}) {
		t.Errorf("a photo that is not sorted: %v", err)
	}
	snap.Photos[3].HasLooks = false
	if _, err := Compare(snap, "weed-cover", DefaultOptions()); !errors.As(err, &lacking) || !slices.Equal(lacking.Lacks[1], []record.PlantsLacking{record.LackLooks}) {
		t.Errorf("a photo without looks: %v", err)
	}
	green, err := Compare(snap, "green-cover", DefaultOptions())
	if err != nil || !strings.Contains(green.Holds, "weeds, crop and regrowth together") {
		t.Errorf("green cover holds %q: %v", green.Holds, err)
	}
}

// TestAgreeOnWeeds holds weed cover against weeds judged by eye, once weeds are
// told apart.
func TestAgreeOnWeeds(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	share := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.2}
	snap := toldTrial(4, share, share)
	for _, p := range snap.Plots {
		snap.Observations = append(snap.Observations,
			record.Observation{Plot: p.ID, Quadrat: 1, Visit: 1, Variable: record.VarWeedCover, Value: 0.4 * share[p.Treatment], Unit: "fraction"},
			record.Observation{Plot: p.ID, Quadrat: 1, Visit: 1, Variable: record.VarCover, Value: 0.4, Unit: "fraction"})
	}
	if got := photoSide(snap, calibrate.Cover); got != WeedCover {
		t.Fatalf("cover by eye is held against %s", got)
	}
	pairs, err := pairsOf(snap, WeedCover)
	if err != nil || len(pairs) != 8 {
		t.Fatalf("%d pairs: %v", len(pairs), err)
	}
	for _, p := range pairs {
		if math.Abs(p.Image-p.Hand) > 0.02 {
			t.Errorf("%+v", p)
		}
	}
	snap.Checks = nil
	if got := photoSide(snap, calibrate.Cover); got != GreenCover {
		t.Errorf("without check points %s is held against the hand", got)
	}
}
