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
	"quadtally/stats"
)

var (
	aWeed = record.PlantClass{Name: "weed", Role: "weed"}
	aLeek = record.PlantClass{Name: "leek", Role: "crop"}
)

// classifiedTrial is a trial of two treatments in blocks in which every photo is told
// apart: green cover 0.4 with a share of weeds that the photos see as raw and
// the person as real. Check points lie in all plots alike.
func classifiedTrial(blocks int, raw, real map[string]float64) *record.Snapshot {
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
	checked, err := r.Checked(snap)
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, c := range checked {
		said = append(said, c.Words())
	}
	return rs, append(said, notes...)
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
		snap := classifiedTrial(4, c.raw, c.real)
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
	snap := classifiedTrial(6, raw, real)
	for i := range snap.Photos { // plots differ a little, so that there is an error
		snap.Photos[i].Result.CoverFrac += 0.004 * float64(i%5)
	}
	whole, err := Compare(snap, "weed-cover", DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if len(whole.Checked) != 1 || whole.Checked[0].Points != 120 || whole.Role != Weeds || whole.MadeOf != "" || whole.CoverModel != nil {
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
	if err != nil || !strings.Contains(green.MadeOf, "weeds, crop and regrowth together") {
		t.Errorf("green cover holds %q: %v", green.MadeOf, err)
	}
}

// TestAgreeOnWeeds holds weed cover against weeds judged by eye, once weeds are
// told apart.
func TestAgreeOnWeeds(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	share := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.2}
	snap := classifiedTrial(4, share, share)
	for _, p := range snap.Plots {
		snap.Observations = append(snap.Observations,
			record.Observation{Plot: p.ID, Quadrat: 1, Visit: 1, Variable: record.VarWeedCover, Value: 0.4 * share[p.Treatment], Unit: "fraction"},
			record.Observation{Plot: p.ID, Quadrat: 1, Visit: 1, Variable: record.VarCover, Value: 0.4, Unit: "fraction"})
	}
	if got := photoSide(snap, calibrate.Cover); got != WeedCover {
		t.Fatalf("cover by eye is held against %s", got)
	}
	pairs, err := pairsOf(snap, WeedCover, "")
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

// TestChecksBeyondOneComparison: what check points leave open is in the lines of
// trials combined, is said where weeds are held against yield, and the report
// gets a sentence on it.
func TestChecksBeyondOneComparison(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	a, b := codes[0].Code, codes[1].Code
	share := func(x, y float64) map[string]float64 { return map[string]float64{a: x, b: y} }
	trialOf := func(name string, raw, real map[string]float64, step float64) *record.Snapshot {
		snap := classifiedTrial(4, raw, real)
		snap.Trial.Name = name
		for i := range snap.Photos {
			snap.Photos[i].Result.CoverFrac += step * float64(i*i%5)
		}
		return snap
	}
	east, west := trialOf("east", share(0.5, 0.4), share(0.6, 0.3), 0.004), trialOf("west", share(0.5, 0.5), share(0.5, 0.3), 0.006)
	var list, bare []TrialValues
	for _, snap := range []*record.Snapshot{east, west} {
		v, err := ValuesOfTrial(snap, "weed-cover", "", 0)
		if err != nil {
			t.Fatal(err)
		}
		if v.Own == nil || len(v.Own.Cov) != len(v.Plots) || len(v.Checked) != 1 || !v.ByClass {
			t.Fatalf("%s carries %+v", v.Name, v.Own)
		}
		list = append(list, v)
		v.Own = nil
		bare = append(bare, v)
	}
	with, err := CombineTrials(list, CombineOptions{Alpha: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	without, err := CombineTrials(bare, CombineOptions{Alpha: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	if with.Transform.Scale != stats.Raw || len(with.Checked) != 2 {
		t.Errorf("scale %s, notes %q", with.Transform.Scale, with.Notes)
	}
	for i, l := range with.Forests[0].Lines {
		w := without.Forests[0].Lines[i]
		if l.Trial == "" {
			if *l.SED != *w.SED {
				t.Errorf("over all trials the standard error went from %.4f to %.4f", *w.SED, *l.SED)
			}
			continue
		}
		// The standard error that the trial's own comparison has.
		c, err := Compare(map[string]*record.Snapshot{"east": east, "west": west}[l.Trial], "weed-cover", DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if want := *c.Analysis.Pairs[0].SED; !(*l.SED > *w.SED) || math.Abs(*l.SED-want) > 1e-6*want {
			t.Errorf("%s: standard error %.5f, its own comparison has %.5f, without check points %.5f", l.Trial, *l.SED, want, *w.SED)
		}
	}
	var usage UsageError
	if _, err := CombineTrials(list, CombineOptions{Alpha: 0.05, Scale: stats.Logit}); !errors.As(err, &usage) {
		t.Errorf("on the scale of logarithms: %v", err)
	}

	for i, p := range east.Plots {
		east.Observations = append(east.Observations, picked(p.ID, "2025-09-01", record.ClassMarketable, 30-float64(i), 9000))
	}
	loss, err := YieldLoss(east, LossOptions{Weeds: "weed-cover", Yield: "yield", Alpha: 0.05})
	if loss.WeedsSE == nil || !(*loss.WeedsSE > 0) || len(loss.Checked) != 1 || !strings.Contains(strings.Join(loss.Notes, "; "), "too sure") {
		t.Errorf("loss of yield says nothing of check points: %v %q", err, loss.Notes)
	}

	for _, o := range Outcomes(east) {
		isCover := o.Key == WeedCover || o.Key == CropCover || o.Key == RegrowthCover
		if got := strings.Contains(o.Corrected, "corrected by check points"); got != isCover || isCover && len(o.Overall.Checked) != 1 {
			t.Errorf("%s: %q", o.Key, o.Corrected)
		}
	}
}

// TestOwnErrorOverVisits keeps the weights of visits in a mean over the period.
func TestOwnErrorOverVisits(t *testing.T) {
	e := stats.OwnError{DF: 9, Plots: []string{"1", "1", "1", "2", "2"}, Days: []float64{0, 10, 40, 0, 40}}
	for i := range 5 {
		e.Cov = append(e.Cov, make([]float64, 5))
		e.Cov[i][i] = 1
	}
	got, err := ofPlots(e, []string{"2", "1"})
	if err != nil {
		t.Fatal(err)
	}
	// By hand: 1/8, 4/8 and 3/8 of the visits of plot 1, a half each of plot 2.
	if want := (1.0 + 16 + 9) / 64; math.Abs(got.Cov[0][0]-0.5) > 1e-12 || math.Abs(got.Cov[1][1]-want) > 1e-12 || got.Cov[0][1] != 0 {
		t.Errorf("%v", got.Cov)
	}
	if _, err := ofPlots(e, []string{"3"}); err == nil {
		t.Error("a plot of which nothing is known")
	}
}

// TestRimsLeftOut: the solid part of the green is what covers are of, and only
// where all photos of the visit tell it.
func TestRimsLeftOut(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	share := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.5}
	snap := classifiedTrial(4, share, share)
	solid := 0.75
	for i := range snap.Photos {
		s := snap.Photos[i].Sorting
		s.Solid = &solid
		for k := range s.Classes {
			s.Classes[k].SolidMean = s.Classes[k].Mean
		}
	}
	sum := func() (out float64) {
		for _, name := range []string{"weed-cover", "crop-cover"} {
			rs, _ := coverOf(t, snap, name)
			for _, x := range rs {
				out += x.Value / float64(len(rs))
			}
		}
		return out
	}
	_, notes := coverOf(t, snap, "weed-cover")
	if got := sum(); math.Abs(got-0.3) > 1e-9 || !strings.Contains(notes[0], "25 % of the green, are left out") {
		t.Errorf("covers by class make %.4f of the ground, want 0.3: %s", got, notes[0])
	}
	snap.Photos[2].Sorting.Solid = nil
	_, notes = coverOf(t, snap, "weed-cover")
	if got := sum(); math.Abs(got-0.4) > 1e-9 || strings.Contains(notes[0], "left out") || !strings.Contains(notes[0], "in 1 photo they were not told from leaf") {
		t.Errorf("one photo does not tell rims: covers make %.4f, want 0.4: %s", got, notes[0])
	}
}

// TestPlantsLackWhatChecksFind: a role that check points find and nobody named,
// photos that are not in use, and points in them are each said for what they are.
func TestPlantsLackWhatChecksFind(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	share := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.5}
	regrowth := record.PlantClass{Name: "regrowth", Role: "regrowth"}
	answer := func(snap *record.Snapshot, n int) {
		for i := range n {
			snap.Checks[i*7%len(snap.Checks)].Class = &regrowth
		}
	}
	for name, c := range map[string]struct {
		change func(*record.Snapshot)
		want   []record.PlantsLacking
	}{
		"as it should be":            {func(*record.Snapshot) {}, nil},
		"a slip now and then":        {func(s *record.Snapshot) { answer(s, 4) }, nil},
		"regrowth that is not named": {func(s *record.Snapshot) { answer(s, 5) }, []record.PlantsLacking{record.LackRegrowth}},
		"no crop is named": {func(s *record.Snapshot) {
			s.Named[1].Class = record.PlantClass{Name: "grass", Role: "weed"}
		}, []record.PlantsLacking{record.LackCrop}},
		"crop is named too rarely": {func(s *record.Snapshot) {
			for i := range s.Photos {
				s.Photos[i].Sorting.Classes[1].Named = 1
			}
		}, []record.PlantsLacking{record.LackCrop}},
		"all photos are measured anew": {func(s *record.Snapshot) {
			for i := range s.Photos {
				s.Photos[i].Result = nil
			}
		}, []record.PlantsLacking{record.LackPhotos}},
		"most photos are set aside": {func(s *record.Snapshot) {
			for i := range s.Photos[2:] {
				s.Photos[2+i].Rejected = "blurred"
			}
		}, []record.PlantsLacking{record.LackChecksInUse}},
	} {
		snap := classifiedTrial(4, share, share)
		c.change(snap)
		if got := snap.PlantsLack(1); !slices.Equal(got, c.want) {
			t.Errorf("%s: lacking %v, want %v", name, got, c.want)
		}
		_, err := Compare(snap, "weed-cover", DefaultOptions())
		var lacking *PlantsLackingError
		if c.want != nil && (!errors.As(err, &lacking) || !strings.Contains(err.Error(), c.want[0].Words())) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// An answer that says weed and not which leaves the class open: the cover of
// all weeds stands, that of one class does not.
func TestPlainAnswersLeaveTheClassOpen(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	share := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.5}
	broadleaf := record.PlantClass{Name: "broadleaf", Role: "weed"}
	for _, plain := range []int{0, 4, 5, 40} { // of 80 answers
		snap := classifiedTrial(4, share, share)
		snap.Named[0].Class = broadleaf
		for i := range snap.Photos {
			snap.Photos[i].Result.CoverFrac += 0.004 * float64(i%5)
			snap.Photos[i].Sorting.Classes[0].PlantClass = broadleaf
		}
		left := plain
		for i, c := range snap.Checks {
			if *c.Class == aWeed {
				if left--; left < 0 {
					snap.Checks[i].Class = &broadleaf
				}
			}
		}
		if _, err := Compare(snap, "weed-cover", DefaultOptions()); err != nil {
			t.Errorf("%d plain answers: %v", plain, err)
		}
		opt := DefaultOptions()
		opt.Class = "broadleaf"
		_, err := Compare(snap, "weed-cover", opt)
		var lacking *PlantsLackingError
		if refused := errors.As(err, &lacking) && slices.Equal(lacking.Lacks[1], []record.PlantsLacking{record.LackClasses}); refused != (plain > 4) || !refused && err != nil {
			t.Errorf("%d plain answers: %v", plain, err)
		}
	}
}

// Weed cover is among the outcomes once plants were named: with its comparison,
// or with why there is none; never left out without a word.
func TestWeedCoverIsGivenOrRefused(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	share := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.2}
	out := func(snap *record.Snapshot) (o Outcome, n int) {
		for _, x := range Outcomes(snap) {
			if x.Key == WeedCover {
				o, n = x, n+1
			}
		}
		return o, n
	}
	snap := classifiedTrial(4, share, share)
	if o, n := out(snap); n != 1 || o.Overall.Main() == nil || o.Corrected == "" {
		t.Errorf("%d outcomes, refused %q", n, o.Overall.Refusal)
	}
	for i := range snap.Photos {
		snap.Photos[i].Sorting = nil // out of date
	}
	if o, n := out(snap); n != 1 || o.Overall.Main() != nil || o.Overall.Refusal == "" {
		t.Errorf("without sorting: %d outcomes, refused %q", n, o.Overall.Refusal)
	}
	snap.Named = nil
	if _, n := out(snap); n != 0 {
		t.Errorf("nothing named: %d outcomes", n)
	}
}
