package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
	"quadtally/stats/glm"
)

// A visit stands on its commonest day, the earlier of two equally common ones;
// days count from the first visit that has readings.
func TestVisitDays(t *testing.T) {
	on := func(visit int, days ...string) []Reading {
		var out []Reading
		for _, d := range days {
			out = append(out, Reading{Plot: "101", Visit: visit, Date: dateOf(d)})
		}
		return out
	}
	for name, c := range map[string]struct {
		rs    []Reading
		want  map[int]float64
		notes int
	}{
		"one day each":     {slices.Concat(on(2, "2025-06-14"), on(3, "2025-06-28")), map[int]float64{2: 0, 3: 14}, 0},
		"commonest":        {slices.Concat(on(1, "2025-06-14", "2025-06-15", "2025-06-15"), on(2, "2025-06-28")), map[int]float64{1: 0, 2: 13}, 1},
		"equally common":   {slices.Concat(on(1, "2025-06-15", "2025-06-14"), on(2, "2025-06-28")), map[int]float64{1: 0, 2: 14}, 1},
		"no visit, no day": {append(on(0, "2025-06-01"), Reading{Visit: 1}), map[int]float64{}, 0},
	} {
		days, notes := VisitDays(c.rs)
		if fmt.Sprint(days) != fmt.Sprint(c.want) || len(notes) != c.notes {
			t.Errorf("%s: %v %q, want %v", name, days, notes, c.want)
		}
	}
}

// Rows hold the block of a block design and the column of a Latin square, and
// neither where the trial is completely randomised.
func TestRowsOfDesigns(t *testing.T) {
	for design, want := range map[trial.Design]string{trial.CompleteBlocks: "1/", trial.LatinSquare: "1/2", trial.CompletelyRandomised: "/", trial.IncompleteBlocks: "1/"} {
		snap := &record.Snapshot{Trial: trial.Trial{Design: design}, Plots: []trial.Plot{{ID: "101", Block: "1", Column: "2", Treatment: "RYE"}, {ID: "102", Block: "1", Column: "2", Treatment: "BARE"}}}
		r := Response{Factor: 100}
		rows := rowsOf(snap, r.valuesOf(snap, []Reading{{Plot: "101", Quadrat: 2, Visit: 1, Value: 0.5}, {Plot: "101", Quadrat: 1, Visit: 2, Value: 0.25}}, 1, map[int]float64{1: 3}))
		if len(rows) != 2 || rows[0].Block+"/"+rows[0].Column != want || rows[0].Value != 50 || rows[0].Quadrat != "2" || rows[0].Day != 3 || !rows[1].Missing || rows[1].Treatment != "BARE" {
			t.Errorf("%s: %+v", design, rows)
		}
	}
}

// Operations on the plots of one treatment, on single plots and on all count;
// dates of a plot count for its treatment.
func TestDatesDone(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Operations = []record.Operation{
		{What: "termination", Treatment: "RYE", Date: dateOf("2025-05-10")},
		{What: "termination", Plot: "999", Date: dateOf("2025-05-11")}, // not of this trial
		{What: "planting", Date: dateOf("2025-06-01")},
		{What: "hoeing", Treatment: "RYE", Date: dateOf("2025-06-02")}, // no work whose date matters
		{What: "seeding", Treatment: "RYE"},                            // no date
	}
	got := map[string]string{}
	for _, s := range datesDone(snap) {
		got[s.Operation] = fmt.Sprint(s.ByTreatment)
	}
	want := map[string]string{"seeding": "map[]", "termination": "map[RYE:[2025-05-10]]", "planting": "map[BARE:[2025-06-01] RYE:[2025-06-01]]"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// Photo and hand of one quadrat at one visit are a pair, whoever is missing;
// cover is a fraction, numbers are those in the frame.
func TestPairs(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Photos = []record.Photo{photoIn("101", 1, 1, record.Result{CoverFrac: 0.3, Pieces: 7}), photoIn("102", 1, 1, record.Result{CoverFrac: 0.2, Pieces: 4})}
	byEye := record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: record.VarCover, Value: 0.25, Unit: "fraction", Observer: "Ada"}
	other := byEye
	other.Quadrat, other.Value, other.Observer = 2, 0.1, "Ben"
	snap.Observations = []record.Observation{other, byEye, counted1("101", 1, "", 9)}
	text := func(kind calibrate.Kind) string {
		pairs, err := pairsOf(snap, photoSide(snap, kind), "")
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, p := range pairs {
			out = append(out, fmt.Sprintf("%s/%s@%s image %g hand %g %s", p.Plot, p.Quadrat, p.Visit, p.Image, p.Hand, p.Observer))
		}
		return strings.Join(out, "; ")
	}
	if got, want := text(calibrate.Cover), "101/1@1 image 0.3 hand 0.25 Ada; 101/2@1 image NaN hand 0.1 Ben; 102/1@1 image 0.2 hand NaN "; got != want {
		t.Errorf("cover\n%s, want\n%s", got, want)
	}
	if got, want := text(calibrate.Count), "101/1@1 image 7 hand 9 ; 102/1@1 image 4 hand NaN "; got != want {
		t.Errorf("counts\n%s, want\n%s", got, want)
	}
	for i := range snap.Photos {
		snap.Photos[i].Result.AllGreen = &record.AllGreen{CoverFrac: 0.9, Pieces: 99}
	}
	if got := text(calibrate.Count); !strings.HasPrefix(got, "101/1@1 image 7 hand 9") {
		t.Errorf("weeds alone: %s", got)
	}
	snap.Photos[0].Fingerprint = "other"
	if _, err := Agree(snap, calibrate.DefaultOptions(), Against{}); err == nil || !strings.Contains(err.Error(), "2 different settings") {
		t.Errorf("photos of two settings beside the hand: %v", err)
	}
}

// A covariate is the plot mean of another response at its visit; photos of two
// settings are refused there too.
func TestAddCovariate(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Photos = []record.Photo{photoIn("101", 1, 1, record.Result{CoverFrac: 0.3}), photoIn("101", 2, 1, record.Result{CoverFrac: 0.1}), photoIn("101", 1, 2, record.Result{CoverFrac: 0.9})}
	rows := []stats.Row{{Plot: "101"}, {Plot: "102"}}
	if _, err := addCovariate(snap, rows, Covariate{"cover", 1}, false); err != nil || math.Abs(rows[0].Covariate-20) > 1e-12 || !rows[0].HasCovariate || rows[1].HasCovariate {
		t.Errorf("%+v %v", rows, err)
	}
	snap.Photos[2].Fingerprint = "other"
	if _, err := addCovariate(snap, rows, Covariate{"cover", 1}, false); err == nil {
		t.Error("a covariate from two settings was taken")
	}
}

// The family follows the kind of response or the user, and a family of the
// wrong kind is refused.
func TestFamilyFor(t *testing.T) {
	for _, c := range []struct {
		model  Model
		kind   stats.Kind
		want   glm.Family
		refuse bool
	}{
		{ModelByKind, stats.Count, glm.QuasiPoisson, false}, {ModelByKind, stats.Percent, glm.QuasiBinomial, false}, {ModelByKind, stats.Measure, "", false},
		{NoModel, stats.Count, "", false}, {NegativeBinomial, stats.Count, glm.NegativeBinomial, false}, {Beta, stats.Proportion, glm.Beta, false},
		{NegativeBinomial, stats.Percent, "", true}, {Beta, stats.Count, "", true}, {QuasiPoisson, stats.Measure, "", true}, {"poisson", stats.Count, "", true},
	} {
		got, err := familyFor(c.model, c.kind)
		if got != c.want || (err != nil) != c.refuse {
			t.Errorf("%q of a %s: %q %v", c.model, c.kind, got, err)
		}
	}
}

// Numbers that were stated make a basis: the CV of a mean, the mean that SD and
// CV imply, or percent of a mean that is not known.
func TestBasisOfNumbers(t *testing.T) {
	base := PowerNumbers{Treatments: 5, Blocks: 4, Alpha: 0.05}
	with := func(cv, sd, mean float64) PowerNumbers { n := base; n.CVFrac, n.SD, n.Mean = cv, sd, mean; return n }
	for name, c := range map[string]struct {
		n        PowerNumbers
		sd, base float64
		is       baseKind
	}{
		"CV alone":    {with(0.2, 0, 0), 20, 100, baseIsHundred},
		"CV and mean": {with(0.2, 0, 50), 10, 50, baseIsMean},
		"SD and CV":   {with(0.2, 10, 0), 10, 50, baseIsMean},
		"SD alone":    {with(0, 10, 0), 10, 0, baseIsMean},
	} {
		g, err := BasisOfNumbers(c.n)
		if err != nil || math.Abs(g.sd-c.sd) > 1e-12 || math.Abs(g.base-c.base) > 1e-12 || g.baseIs != c.is {
			t.Errorf("%s: %+v %v", name, g, err)
		}
	}
	for name, n := range map[string]PowerNumbers{"no spread": with(0, 0, 10), "said twice": with(0.2, 10, 50), "no blocks": {Treatments: 5, CVFrac: 0.2, Alpha: 0.05}} {
		if _, err := BasisOfNumbers(n); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	g, _ := BasisOfNumbers(with(0.2, 0, 50))
	for q, want := range map[Difference]float64{{Value: 0.3, OfMean: true}: 1.5, {Value: 15}: 1.5} { // 15 of an SD of 10
		if d, err := g.asked(q); err != nil || math.Abs(d.SD-want) > 1e-12 || math.Abs(*d.Percent-30) > 1e-12 {
			t.Errorf("%s: %+v %v", q, d, err)
		}
	}
	unknown, _ := BasisOfNumbers(with(0.2, 0, 0))
	if _, err := unknown.asked(Difference{Value: 15}); err == nil {
		t.Error("15 of what?")
	}
}

// A visit's progress names the quadrats that are missing, and blocks that were
// visited on two days.
func TestProgress(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Photos = []record.Photo{photoIn("101", 1, 1, record.Result{}), photoIn("102", 2, 1, record.Result{})}
	snap.Photos[1].Rejected = "a boot"
	snap.Observations = []record.Observation{counted1("101", 1, "", 0), missing(counted1("102", 1, "", 0))}
	p := Progress(snap)
	if len(p) != 2 || !p[1].NotBegun || p[0].NotBegun {
		t.Fatalf("%+v", p)
	}
	if v := p[0]; v.Wanted != 4 || v.Photos != 1 || v.Counts != 1 || strings.Join(v.NoPhoto, " ") != "101/2 102/1 102/2" || strings.Join(v.NoCount, " ") != "101/2 102/1 102/2" || len(v.Made) != 1 {
		t.Errorf("%+v", v)
	}
}

// A harvest adds up its picks; a part marked missing leaves no sum, a stand is
// counted anew.
func TestHarvests(t *testing.T) {
	snap := twoPlots(trial.Metric)
	stand := record.Observation{Plot: "101", Variable: record.VarStand, Value: 30, LengthMM: 4000}
	again := stand
	again.Value = 28
	snap.Observations = []record.Observation{picked("101", "2025-09-20", "marketable", 9, 3000), picked("101", "2025-10-04", "marketable", 3, 3000), picked("101", "2025-09-20", "cull", 1, 3000),
		missing(picked("101", "2025-10-04", "cull", 0, 3000)), stand, again, picked("102", "2025-09-20", "total", 8, 3000), picked("102", "2025-09-20", "cull", 2, 3000)}
	for i := range snap.Observations {
		snap.Observations[i].Source = "yields.csv:2"
	}
	h := Harvests(snap)
	if len(h) != 2 || *h[0].MarketableKG != 12 || h[0].CulledKG != nil || *h[0].Stand != 28 || h[0].Picks != 2 || h[0].LengthMM != 4000 || *h[1].MarketableKG != 6 || *h[1].CulledKG != 2 || h[1].Stand != nil {
		t.Errorf("%+v", h)
	}
}

// A loose table keeps the rows it can read and names the others.
func TestRowsFromTable(t *testing.T) {
	s, err := tables.Read("any.csv", []byte("trt,rep,cover,before,day\nBARE,1,40,3,0\nRYE,1,12,4,0\nBARE,2,x,3,14\nRYE,2,,5,14\n"))
	if err != nil {
		t.Fatal(err)
	}
	read, err := ReadTable(s, "cover", TableColumns{Covariate: "before"})
	rows, faults := read.Rows, read.Faults
	if err != nil || len(rows) != 3 || len(faults) != 1 || faults[0].Line != 4 {
		t.Fatalf("%+v %v %v", rows, faults, err)
	}
	if r := rows[0]; r.Treatment != "BARE" || r.Block != "1" || r.Value != 40 || r.Covariate != 3 || !r.HasCovariate || r.Source != "any.csv:2" {
		t.Errorf("%+v", r)
	}
	if r := rows[2]; !r.Missing || r.Day != 14 {
		t.Errorf("a blank cell: %+v", r)
	}
	if _, err := ReadTable(s, "yield", TableColumns{}); err == nil || !strings.Contains(err.Error(), "it has: trt, rep, cover") {
		t.Errorf("a column that is not there: %v", err)
	}
	if k := []stats.Kind{KindByName("Cover %"), KindByName("weeds"), KindByName("yield")}; !slices.Equal(k, []stats.Kind{stats.Percent, stats.Count, stats.Measure}) {
		t.Errorf("kinds %v", k)
	}
}

// The report's outcomes hold a refusal where nothing was recorded, one
// comparison a visit, and fit no model.
func TestOutcomes(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	snap.Photos = slices.DeleteFunc(snap.Photos, func(p record.Photo) bool { return p.Place.Visit == 2 })
	out := Outcomes(snap)
	var got []string
	for _, o := range out {
		got = append(got, fmt.Sprintf("%s %v %d", o.Key, o.Overall.Refusal == "", len(o.ByVisit)))
	}
	if want := []string{"green-cover true 1", "count false 0", "yield false 0", "hand-cover false 2"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Without a margin of its own a study of cover takes the one of the plan, in
// points there and a fraction here; a study of counts takes none.
func TestAgreeTakesThePlansMargin(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	plan := 5.0
	snap.Trial.AgreementMargin = &plan
	opt := calibrate.DefaultOptions()
	opt.Resamples = 200
	r, err := Agree(snap, opt, Against{})
	if err != nil || r.Verdict == nil || math.Abs(r.Verdict.Margin-0.05) > 1e-15 {
		t.Fatalf("%+v %v", r.Verdict, err)
	}
	own := 0.02
	opt.Margin = &own
	if r, err = Agree(snap, opt, Against{}); err != nil || r.Verdict.Margin != 0.02 {
		t.Errorf("its own margin: %+v %v", r.Verdict, err)
	}
	opt.Margin, opt.Kind = nil, calibrate.Count
	if _, err := Agree(snap, opt, Against{}); err == nil || !strings.Contains(err.Error(), "hand counts of the same quadrats") {
		t.Errorf("no counts: %v", err)
	}
}

// Power from a comparison goes down from the control and knows the quadrats;
// the shortest way to the same numbers is stats itself.
func TestPowerOfAComparison(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	o := DefaultOptions()
	o.Visit, o.Model, o.Scale = 2, NoModel, stats.Raw
	c, err := Compare(snap, "cover", o)
	if err != nil {
		t.Fatal(err)
	}
	g, err := BasisOf(c, "the trial's own cover")
	if err != nil {
		t.Fatal(err)
	}
	p, err := g.Power(PowerQuestion{Wanted: 0.8, Difference: &Difference{Value: 10}, MinutesPerQuadrat: 4, MostQuadrats: 6})
	if err != nil {
		t.Fatal(err)
	}
	plan := stats.Plan{Treatments: 3, Blocks: 4, Alpha: 0.05}
	pair, _ := plan.DetectablePair(0.8)
	asked, _ := plan.PairPower(10 / *c.Analysis.ResidualSD)
	near(t, "smallest difference, SDs", p.DetectablePair.SD, pair, 1e-12)
	near(t, "smallest difference, points", *p.DetectablePair.Absolute, pair**c.Analysis.ResidualSD, 1e-9)
	near(t, "power for 10 points", p.Asked.PowerPair, asked, 1e-12)
	if p.BaseOf != "the control BARE" || p.From != "spread from the trial's own cover at visit 2" || p.Quadrats == nil || p.Quadrats.QuadratVar != c.Analysis.Subsampling.VarianceQuadrat {
		t.Errorf("%+v", p)
	}
	if _, err := BasisOf(Comparison{Analysis: &stats.Analysis{Verdict: []string{"every plot has 0"}}}, "x"); err == nil || !strings.Contains(err.Error(), "every plot has 0") {
		t.Errorf("no spread: %v", err)
	}
}

// A block visited on two days is named; two blocks on a day each are not.
func TestBlocksOnSeveralDays(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	blocksOf := func() map[int][]string { return blocksOnSeveralDays(snap) }
	if got := blocksOf(); len(got) != 0 {
		t.Errorf("%v", got)
	}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.Place.Plot == "203" && p.Place.Visit == 2 {
			p.Taken = "2026-06-16T09:00:00"
		}
	}
	if got := blocksOf(); len(got) != 1 || strings.Join(got[2], ";") != "block 2 on 2026-06-15 and 2026-06-16" {
		t.Errorf("%v", got)
	}
}

// A table of pairs keeps what is missing on one side as missing.
func TestPairsFromTable(t *testing.T) {
	s, err := tables.Read("pairs.csv", []byte("plot,hand,image,trt\n101,40,38,RYE\n102,,12,RYE\n103,x,3,BARE\n"))
	if err != nil {
		t.Fatal(err)
	}
	pairs, faults, err := PairsFromTable(s, tables.Undecided)
	if err != nil || len(pairs) != 2 || len(faults) != 1 || pairs[0].Hand != 40 || pairs[0].Treatment != "RYE" || !math.IsNaN(pairs[1].Hand) || pairs[1].Image != 12 {
		t.Errorf("%+v %v %v", pairs, faults, err)
	}
}

// Every kind of response gets the model that suits it, a season its own, unless
// none is wanted or it is put off; and a model that does not suit is an error.
func TestModelsOfAComparison(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	for i := range snap.Photos {
		snap.Photos[i].Result.Pieces = 3 + int(60*snap.Photos[i].Result.CoverFrac)
	}
	compare := func(name string, change func(*Options)) Comparison {
		t.Helper()
		o := DefaultOptions()
		change(&o)
		c, err := Compare(snap, name, o)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	visit := func(o *Options) { o.Visit = 1 }
	if c := compare("cover", visit); c.CoverModel == nil || c.CoverModel.Refused != "" || c.CountModel != nil || c.Components == nil {
		t.Errorf("cover of a visit: %+v", c)
	}
	c := compare("pieces", visit)
	if c.CountModel == nil || c.CountModel.Refused != "" || c.CoverModel != nil {
		t.Fatalf("pieces of a visit: %+v", c)
	}
	// The offset is the ground: a mean per m² is about that of the plots.
	for i, m := range c.CountModel.Means {
		if plain := *c.Analysis.Treatments[i].Mean; math.Abs(m.Mean-plain) > 0.2*plain {
			t.Errorf("%v by the model, %v as measured", m, plain)
		}
	}
	if c := compare("cover", func(o *Options) {}); c.Season == nil || c.SeasonModel == nil || len(c.SeasonModel.Means) != 6 || c.CoverModel != nil {
		t.Errorf("a season: %+v", c.SeasonModel)
	}
	late := compare("cover", func(o *Options) { o.DeferSeasonModel = true })
	if late.SeasonModel != nil {
		t.Error("the season's model was not put off")
	}
	if err := late.AddSeasonModel(t.Context(), false); err != nil || late.SeasonModel == nil || late.SeasonModel.Means[0].Day != 0 || late.SeasonModel.Means[5].Day != 14 {
		t.Errorf("put off: %+v", late.SeasonModel)
	}
	if c := compare("cover", func(o *Options) { o.Visit, o.Model = 1, NoModel }); c.CoverModel != nil || c.Components != nil {
		t.Error("no model was wanted")
	}
	o := DefaultOptions()
	o.Visit, o.Model = 1, NegativeBinomial
	if _, err := Compare(snap, "cover", o); err == nil {
		t.Error("cover by a model for counts")
	}
	o.Model, o.Serial = ModelByKind, true
	if _, err := Compare(snap, "cover", o); err == nil {
		t.Error("a serial correlation of one visit")
	}
}

// A quadrat keeps its number, a whole plot has none.
func TestRowsNameQuadrats(t *testing.T) {
	rows := rowsOf(&record.Snapshot{}, []Value{{Reading: Reading{Quadrat: 1}}, {Reading: Reading{Quadrat: 0}}})
	if rows[0].Quadrat != "1" || rows[1].Quadrat != "" {
		t.Errorf("%q %q", rows[0].Quadrat, rows[1].Quadrat)
	}
}

// A visit at which only cover was judged by eye has begun; a value that is missing
// begins none.
func TestProgressOfOtherReadings(t *testing.T) {
	snap := twoPlots(trial.Metric)
	for _, at := range []struct {
		plot           string
		quadrat, visit int
		missing        bool
	}{{"101", 1, 1, false}, {"101", 2, 1, false}, {"102", 1, 2, true}} {
		snap.Observations = append(snap.Observations, record.Observation{Plot: at.plot, Quadrat: at.quadrat, Visit: at.visit, Variable: record.VarCover, Value: 0.4, Missing: at.missing})
	}
	p := Progress(snap)
	if p[0].NotBegun || p[0].Others != 1 || !p[1].NotBegun || p[1].Others != 0 {
		t.Errorf("%+v", p)
	}
}
