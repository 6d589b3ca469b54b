package analysis

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

var (
	aGrass     = record.PlantClass{Name: "grass", Role: "weed"}
	aBroadleaf = record.PlantClass{Name: "broadleaf", Role: "weed"}
)

// piecesTrial is a trial of two treatments in blocks, two photos a plot and
// visit, told apart as grass, broadleaf and leek; grass says how many pieces of
// grass a photo holds. Nothing is counted by hand.
func piecesTrial(blocks, visits int, grass func(block, treatment, visit, quadrat int) int) *record.Snapshot {
	snap := twoPlots(trial.Metric)
	snap.Plots, snap.Photos, snap.Observations = nil, nil, nil
	snap.Trial.Blocks, snap.Trial.Quadrat.PerPlot, snap.Trial.Visits = blocks, 2, nil
	for _, c := range []record.PlantClass{aGrass, aBroadleaf, aLeek} {
		snap.Named = append(snap.Named, record.NamedPlant{Plant: record.Plant{Class: c}})
	}
	for v := 1; v <= visits; v++ {
		snap.Trial.Visits = append(snap.Trial.Visits, dateOf(fmt.Sprintf("2026-06-%02d", v)))
	}
	for b := range blocks {
		for k := range 2 {
			plot := fmt.Sprint(100*(b+1) + k + 1)
			snap.Plots = append(snap.Plots, trial.Plot{ID: plot, Block: fmt.Sprint(b + 1), Treatment: snap.Trial.Treatments[k].Code})
			for v := 1; v <= visits; v++ {
				for q := 1; q <= 2; q++ {
					p := photoIn(plot, q, v, record.Result{CoverFrac: 0.4})
					p.Taken = fmt.Sprintf("2026-06-%02dT09:30:00", v)
					p.Hash, p.HasLooks = fmt.Sprintf("hash-of-%s-%d-%d", plot, q, v), true
					p.Sorting = &record.Sorting{Classes: []record.SortedClass{
						{PlantClass: aGrass, Mean: 0.3, CoverFrac: 0.12, Pieces: grass(b, k, v, q), Sure: 0.9, Named: 9, Learned: true},
						{PlantClass: aBroadleaf, Mean: 0.3, CoverFrac: 0.12, Pieces: 40, Sure: 0.9, Named: 9, Learned: true},
						{PlantClass: aLeek, Mean: 0.4, CoverFrac: 0.16, Pieces: 2, Sure: 0.9, Named: 9, Learned: true}}}
					for i := range 6 {
						is := []record.PlantClass{aGrass, aBroadleaf, aLeek}[i%3]
						at := float64(i)
						p.Sorting.Checks = append(p.Sorting.Checks, record.SortedCheck{X: at, Prob: []float64{0.3, 0.3, 0.4}, Mapped: i % 3})
						snap.Checks = append(snap.Checks, record.CheckPoint{Check: record.Check{X: at, Class: &is}, Hash: p.Hash})
					}
					snap.Photos = append(snap.Photos, p)
				}
			}
		}
	}
	return snap
}

// countGrass counts grass by hand in the first quadrat of every plot.
func countGrass(snap *record.Snapshot, class, group string, hand func(pieces float64, p record.Photo) float64) *record.Snapshot {
	for _, p := range snap.Photos {
		if p.Place.Quadrat == 1 {
			snap.Observations = append(snap.Observations, record.Observation{Plot: p.Place.Plot, Quadrat: 1, Visit: p.Place.Visit, Variable: record.VarCount,
				Class: class, Group: group, Unit: "plants", Value: hand(float64(p.Sorting.Classes[0].Pieces), p)})
		}
	}
	return snap
}

func grassOptions(visit int) Options {
	o := DefaultOptions()
	o.Visit, o.Class, o.Calibrated, o.Model = visit, "grass", true, NoModel
	return o
}

// ladder is a number of pieces that differs between plots and treatments.
func ladder(b, k, v, q int) int { return 2 + 3*b + 7*k + q + v }

// Pieces of a class stand against hand counts of the class, of its group or life
// form, in the same quadrat at the same visit, and of nothing else.
func TestAgreeByClass(t *testing.T) {
	for _, c := range []struct{ class, group, life string }{{"Grass", "", ""}, {"meadow-grass", "grass", ""}, {"meadow-grass", "", "grass"}} {
		snap := countGrass(piecesTrial(4, 2, ladder), c.class, c.group, func(n float64, _ record.Photo) float64 { return n + 1 })
		for i := range snap.Observations {
			snap.Observations[i].Life = c.life
		}
		countGrass(snap, "broadleaf", "", func(float64, record.Photo) float64 { return 99 })
		pairs, err := pairsOf(snap, WeedPieces, "grass")
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, p := range pairs {
			if math.IsNaN(p.Hand) != (p.Quadrat == "2") || p.Quadrat == "1" && p.Hand != p.Image+1 {
				t.Errorf("%+v", p)
			}
			if p.Quadrat == "1" {
				n++
			}
		}
		if n != 16 {
			t.Errorf("%d pairs", n)
		}
		opt := calibrate.DefaultOptions()
		opt.Kind = calibrate.Count
		r, err := Agree(snap, opt, Against{Class: "grass"})
		if err != nil || r.Agreement.N != 16 || math.Abs(r.Agreement.Bias.Value+1) > 1e-12 || r.ImageName != "weed pieces of grass" || r.HandName != "hand count of grass" || r.Calibration.Chosen.Method != calibrate.MethodLogs {
			t.Errorf("%+v: %v, %+v", c, err, r.Agreement)
		}
	}
}

// One visit: the comparison is of the values that the line of that visit gives,
// and carries its covariance.
func TestPiecesOfAClassCalibrated(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	snap := countGrass(piecesTrial(6, 2, ladder), "grass", "", func(n float64, p record.Photo) float64 {
		return math.Round(float64(p.Place.Visit) * 1.3 * math.Pow(n, 1.1) * math.Exp(0.1*rng.NormFloat64()))
	})
	countGrass(snap, "broadleaf", "", func(float64, record.Photo) float64 { return 99 })
	pairs, err := pairsOf(snap, WeedPieces, "grass")
	if err != nil {
		t.Fatal(err)
	}
	opt := calibrate.DefaultOptions()
	opt.Kind = calibrate.Count
	full, _, _, err := calibrate.Clean(pairs, opt)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := calibrate.FitVisits(full, calibrate.MethodLogs, opt)
	if err != nil {
		t.Fatal(err)
	}
	ground := snap.Trial.Quadrat.AreaM2()
	check := func(a *stats.Analysis, visits ...int) {
		t.Helper()
		for _, p := range a.Plots {
			var want, n float64
			for _, ph := range snap.Photos {
				if ph.Place.Plot == p.Name && slices.Contains(visits, ph.Place.Visit) {
					want += lines[fmt.Sprint(ph.Place.Visit)].At(float64(ph.Sorting.Classes[0].Pieces)) / ground
					n++
				}
			}
			close6(t, "plot "+p.Name, &p.Value, want/n, 1e-9)
		}
	}
	one, err := Compare(snap, "weed-pieces", grassOptions(2))
	if err != nil {
		t.Fatal(err)
	}
	check(one.Analysis, 2)
	if x := one.Calibrated; x.Pairs != 12 || x.LineUsed == nil || x.ByVisit != nil || x.Shift != 0.5 || !(x.Smear > 0.9) || x.Unit != "per quadrat" || math.Abs(x.Slope-lines["2"].Slope.Value) > 1e-12 {
		t.Errorf("calibrated by %+v", x)
	}
	if one.Analysis.Own == nil || !strings.Contains(strings.Join(one.Notes, "; "), "put through the line of hand counts") {
		t.Errorf("own error %v, notes %q", one.Analysis.Own, one.Notes)
	}
	raw := grassOptions(2)
	raw.Calibrated, raw.Scale = false, stats.Raw
	r, err := Compare(snap, "weed-pieces", raw)
	if err != nil || r.Analysis.Own != nil || r.Calibrated != nil {
		t.Fatalf("raw pieces: %v", err)
	}
	// By hand: a difference of two treatments in blocks has the variance of its
	// plots and, on top, that of the calibrated means.
	var images []calibrate.PlotImages
	var contrast []float64
	for _, p := range snap.Plots {
		in := calibrate.PlotImages{Plot: p.ID}
		for _, ph := range snap.Photos {
			if ph.Place.Plot == p.ID && ph.Place.Visit == 2 {
				in.Images = append(in.Images, float64(ph.Sorting.Classes[0].Pieces))
			}
		}
		images = append(images, in)
		contrast = append(contrast, map[bool]float64{true: 1, false: -1}[p.Treatment == snap.Trial.Treatments[0].Code]/6)
	}
	alone, err := calibrate.FitLine(slices.DeleteFunc(full, func(p calibrate.Pair) bool { return p.Visit != "2" }), calibrate.MethodLogs, opt)
	if err != nil {
		t.Fatal(err)
	}
	means, err := alone.ApplyMeans(images)
	if err != nil {
		t.Fatal(err)
	}
	own, err := means.Variance(contrast)
	if err != nil {
		t.Fatal(err)
	}
	close6(t, "standard error of the difference", one.Analysis.Pairs[0].SED, math.Sqrt(*one.Analysis.MSE*2/6+own/(ground*ground)), 1e-9)

	season, err := Compare(snap, "weed-pieces", grassOptions(0))
	if err != nil {
		t.Fatal(err)
	}
	x := season.Calibrated
	if x.LineUsed != nil || len(x.ByVisit) != 2 || x.ByVisit[1].Visit != 2 || x.ByVisit[1].Plots != 12 || x.Pairs != 24 {
		t.Fatalf("calibrated by %+v", x)
	}
	if season.Season.PeriodMean.Own == nil {
		t.Error("a season without the uncertainty of its lines")
	}
	check(&season.Season.PeriodMean, 1, 2) // equal weights: two visits
}

// Where each visit has its line the cautions are of these lines: photos that go
// apart from the hand at one visit are pointed out though over all visits, which
// differ far more, they do not, and visits that differ are no photos that err.
func TestCautionsOfVisitLines(t *testing.T) {
	few := func(_, k, v, q int) int { return map[int]int{1: 6, 2: 200}[v] + 2*k + q }
	for name, c := range map[string]struct {
		pieces  func(b, k, v, q int) int
		hand    func(n float64, p record.Photo) float64
		warned  bool
		overall bool // by all pairs in one line
	}{
		"one visit": {func(b, k, v, q int) int { return few(b, k, v, q) + b*map[int]int{1: 2, 2: 40}[v] }, func(n float64, p record.Photo) float64 {
			if p.Place.Visit == 1 && p.Place.Plot[0]%2 == 0 {
				return n * 2
			}
			return n
		}, true, false},
		"visits differ": {ladder, func(n float64, p record.Photo) float64 { return n * float64(9*p.Place.Visit-8) }, false, true},
	} {
		snap := countGrass(piecesTrial(6, 2, c.pieces), "grass", "", c.hand)
		season, err := Compare(snap, "weed-pieces", grassOptions(0))
		if err != nil {
			t.Fatal(err)
		}
		opt := calibrate.DefaultOptions()
		opt.Kind = calibrate.Count
		all, err := Agree(snap, opt, Against{Of: WeedPieces, Class: "grass"})
		if err != nil {
			t.Fatal(err)
		}
		apart := func(list []string, start string) bool {
			return slices.ContainsFunc(list, func(w string) bool { return strings.HasPrefix(w, start+"hand and photo go apart") })
		}
		if got := apart(all.Calibration.Warnings, ""); got != c.overall {
			t.Errorf("%s: over all visits %q", name, all.Calibration.Warnings)
		}
		got := season.Calibrated.Warnings
		if apart(got, "visit 1: ") != c.warned || apart(got, "visit 2: ") || apart(got, "") {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// A visit of fewer than 8 plots with pairs has no line of its own, and then one
// line serves all visits.
func TestFewPairsShareALine(t *testing.T) {
	for plots, own := range map[int]bool{7: false, 8: true} {
		rng := rand.New(rand.NewPCG(6, 2))
		snap := countGrass(piecesTrial(5, 2, ladder), "grass", "", func(n float64, p record.Photo) float64 {
			return math.Round(2 * n * math.Exp(0.1*rng.NormFloat64()))
		})
		at2 := 0
		snap.Observations = slices.DeleteFunc(snap.Observations, func(o record.Observation) bool {
			if o.Visit == 2 {
				at2++
			}
			return o.Visit == 2 && at2 > plots
		})
		for _, visit := range []int{0, 2} {
			c, err := Compare(snap, "weed-pieces", grassOptions(visit))
			if err != nil {
				t.Fatal(err)
			}
			pairs := 10 + plots
			if visit == 2 && own {
				pairs = plots
			}
			if byVisit := c.Calibrated.ByVisit != nil; byVisit != (own && visit == 0) || c.Calibrated.Pairs != pairs {
				t.Errorf("%d plots, visit %d: %+v", plots, visit, c.Calibrated)
			}
		}
	}
}

// Weeds asked for by name are never answered with all green.
func TestAgreeOnWeedsOrNot(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Photos = []record.Photo{photoIn("101", 1, 1, record.Result{CoverFrac: 0.3, Pieces: 7})}
	snap.Observations = []record.Observation{counted1("101", 1, "grass", 9)}
	opt := calibrate.DefaultOptions()
	opt.Kind = calibrate.Count
	for _, a := range []Against{{Of: WeedPieces}, {Class: "grass"}} {
		if _, err := Agree(snap, opt, a); err == nil || !strings.Contains(err.Error(), "name plants") {
			t.Errorf("%+v: %v", a, err)
		}
	}
	opt.Kind = calibrate.Cover
	if _, err := Agree(snap, opt, Against{Of: WeedCover}); err == nil || !strings.Contains(err.Error(), "name plants") {
		t.Errorf("weed cover: %v", err)
	}
	var usage UsageError
	if _, err := Agree(snap, opt, Against{Class: "grass"}); !errors.As(err, &usage) {
		t.Errorf("cover of a class: %v", err)
	}
}

func TestPiecesByClassRefused(t *testing.T) {
	doubled := func(n float64, _ record.Photo) float64 { return 2 * n }
	rng := rand.New(rand.NewPCG(6, 3))
	few := countGrass(piecesTrial(5, 1, ladder), "grass", "", doubled)
	few.Observations = few.Observations[:2]
	twoOnly := countGrass(piecesTrial(5, 1, ladder), "grass", "", doubled)
	twoOnly.Observations = slices.DeleteFunc(twoOnly.Observations, func(o record.Observation) bool { return o.Plot != "101" && o.Plot != "102" })
	more := twoOnly.Observations[0]
	more.Quadrat = 2
	twoOnly.Observations = append(twoOnly.Observations, more)
	unlearned := countGrass(piecesTrial(5, 1, ladder), "grass", "", doubled)
	unlearned.Photos[0].Sorting.Classes[0].Learned = false
	visit2 := countGrass(piecesTrial(5, 2, ladder), "grass", "", func(n float64, p record.Photo) float64 {
		if p.Place.Visit == 2 {
			return 40 - n
		}
		return n
	})
	for name, c := range map[string]struct {
		snap  *record.Snapshot
		class string
		says  []string
		usage bool
	}{
		"nothing counted":      {piecesTrial(5, 1, ladder), "grass", []string{"hand counts of grass", "need at least 3 pairs"}, false},
		"two pairs":            {few, "grass", []string{"2 of 20 rows", "hand counts of grass"}, false},
		"pairs in two plots":   {twoOnly, "grass", []string{"2 plots", "at least 3"}, false},
		"only totals counted":  {countGrass(piecesTrial(5, 1, ladder), "", "", doubled), "grass", []string{"hand counts of grass"}, false},
		"another class":        {countGrass(piecesTrial(5, 1, ladder), "broadleaf", "", doubled), "grass", []string{`nothing was counted as "grass"`, "broadleaf"}, true},
		"a class never named":  {countGrass(piecesTrial(5, 1, ladder), "sedge", "", doubled), "sedge", []string{`no plant is named "sedge"`, "grass, broadleaf"}, true},
		"named too rarely":     {unlearned, "grass", []string{"too few plants are named", "visit 1"}, false},
		"the line falls":       {countGrass(piecesTrial(5, 1, ladder), "grass", "", func(n float64, _ record.Photo) float64 { return 40 - n }), "grass", []string{"falls"}, false},
		"no rise is shown":     {countGrass(piecesTrial(5, 1, ladder), "grass", "", func(n float64, _ record.Photo) float64 { return math.Round(8 + 0.02*n + 3*rng.NormFloat64()) }), "grass", []string{"not shown", "interval", "10 plots"}, false},
		"one visit falls":      {visit2, "grass", []string{"at visit 2 falls"}, false},
		"the photos hold none": {countGrass(piecesTrial(5, 1, func(_, _, _, _ int) int { return 0 }), "grass", "", doubled), "grass", []string{"nothing can be calibrated"}, false},
	} {
		o := grassOptions(0)
		o.Class = c.class
		_, err := Compare(c.snap, "weed-pieces", o)
		var usage UsageError
		if err == nil || errors.As(err, &usage) != c.usage {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, want := range c.says {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %q does not say %q", name, err, want)
			}
		}
	}
	for _, name := range []string{"weed-cover", "crop-cover"} {
		o := grassOptions(0)
		if name == "crop-cover" {
			o.Class = ""
		}
		var usage UsageError
		if _, err := Compare(countGrass(piecesTrial(5, 1, ladder), "grass", "", doubled), name, o); !errors.As(err, &usage) {
			t.Errorf("%s calibrated: %v", name, err)
		}
	}
}

// What the photos get wrong in one treatment alone is said first.
func TestPiecesBiasByTreatment(t *testing.T) {
	for apart, factor := range map[bool]float64{false: 1, true: 3} {
		snap := countGrass(piecesTrial(6, 2, func(b, k, v, q int) int { return 5 + 4*b + 2*k + q + v }), "grass", "", func(n float64, p record.Photo) float64 {
			if strings.HasSuffix(p.Place.Plot, "2") {
				n *= factor
			}
			// Blocks differ from the line by turns, alike in both treatments.
			return math.Round(2 * n * (1 + 0.1*float64(1-2*(int(p.Place.Plot[0])%2))))
		})
		for _, visit := range []int{1, 0} {
			c, err := Compare(snap, "weed-pieces", grassOptions(visit))
			if err != nil {
				t.Fatal(err)
			}
			loud := strings.Join(c.Calibrated.Loud, "; ")
			if got := strings.Contains(loud, "A common calibration line does not cure it"); got != apart {
				t.Errorf("factor %g, visit %d: %q", factor, visit, loud)
			}
			if apart && visit == 0 && !strings.Contains(loud, "visit 2: THE BIAS") {
				t.Errorf("the season names no visit: %q", loud)
			}
		}
	}
}
