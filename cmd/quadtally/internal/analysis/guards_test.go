package analysis

import (
	"encoding/json"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// TestNumbersOfAPlan: a spread is one of several pairs of numbers; what says one
// thing twice or leaves it open is refused, and what follows from the others is
// worked out.
func TestNumbersOfAPlan(t *testing.T) {
	for _, c := range []struct {
		name         string
		cv, sd, mean float64
		spread, base float64
		of           string
		percent      float64 // coefficient of variation, 0 for none
		want         string
	}{
		{"cv alone", 0.3, 0, 0, 30, 100, "", 30, ""},
		{"cv and mean", 0.3, 0, 40, 12, 40, "the mean given", 30, ""},
		{"sd alone", 0, 6, 0, 6, 0, "the mean given", 0, ""},
		{"sd and mean", 0, 6, 40, 6, 40, "the mean given", 15, ""},
		{"sd and cv", 0.3, 6, 0, 6, 20, "the mean that --sd and --cv imply", 30, ""},
		{"all three", 0.3, 6, 20, 0, 0, "", 0, "say one thing twice"},
		{"mean alone", 0, 0, 40, 0, 0, "", 0, "give the spread"},
		{"nothing", 0, 0, 0, 0, 0, "", 0, "give the spread"},
	} {
		g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: 5, Alpha: 0.05, CVFrac: c.cv, SD: c.sd, Mean: c.mean})
		if c.want != "" {
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		if err != nil || g.base != c.base || g.baseOf != c.of || (g.cv == nil) != (c.percent == 0) {
			t.Errorf("%s: %v %+v", c.name, err, g)
			continue
		}
		close6(t, c.name+": spread", &g.sd, c.spread, 1e-12)
		if g.cv != nil {
			close6(t, c.name+": cv", g.cv, c.percent, 1e-12)
		}
	}
	for want, n := range map[string]PowerNumbers{
		"give --treatments and --blocks":  {Blocks: 5, Alpha: 0.05, SD: 1},
		"give --treatments and --blocks,": {Treatments: 5, Alpha: 0.05, SD: 1},
	} {
		if _, err := BasisOfNumbers(n); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	// One treatment, one block, and a level that is none.
	for _, n := range []PowerNumbers{{Treatments: 1, Blocks: 5, Alpha: 0.05, SD: 1}, {Treatments: 4, Blocks: 1, Alpha: 0.05, SD: 1}, {Treatments: 4, Blocks: 5, Alpha: 1, SD: 1}} {
		if _, err := BasisOfNumbers(n); err == nil {
			t.Errorf("%+v", n)
		}
	}
}

// TestFormulaBlocks: the handbook's 2 (z.975 + z.80)^2 (CV/d)^2 stands beside the
// blocks that are needed, 6.97678 for a CV of 20 % and a difference of 30 % (R 4.2.2:
// 2 * (qnorm(.975) + qnorm(.8))^2 * (20/30)^2), whether the mean
// is given or not.
func TestFormulaBlocks(t *testing.T) {
	for _, c := range []struct {
		mean float64
		d    Difference
		want float64
	}{{40, Difference{Value: 0.3, OfMean: true}, 6.97678}, {40, Difference{Value: 12}, 6.97678}, {0, Difference{Value: 0.3, OfMean: true}, 6.97678}} {
		g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: 5, Alpha: 0.05, CVFrac: 0.2, Mean: c.mean})
		if err != nil {
			t.Fatal(err)
		}
		p, err := g.Power(PowerQuestion{Wanted: 0.8, Difference: &c.d})
		if err != nil || p.Asked == nil {
			t.Fatal(err)
		}
		close6(t, "blocks by the formula", p.Asked.FormulaBlocks, c.want, 1e-5)
		if p.Asked.BlocksNeeded < 7 || p.Asked.PowerThen < 0.8 || len(p.ByBlocks) != 8 || p.ByBlocks[0].Blocks != 3 {
			t.Errorf("%+v", p.Asked)
		}
	}
}

// TestRegistryIsWhole: shares of the ground are shown in percent, counts and
// amounts say how they are shown, and no two responses have one name.
func TestRegistryIsWhole(t *testing.T) {
	seen := map[string]Key{}
	for _, d := range registry {
		if d.kind == stats.Percent && d.unit != "" && (d.factor != 100 || !strings.HasPrefix(d.unit, "%")) {
			t.Errorf("%s is shown %g times in %q", d.key, d.factor, d.unit)
		}
		if d.label == "" || d.take == nil || d.factor != 0 && d.unit == "" {
			t.Errorf("%+v", d)
		}
		for _, name := range append([]string{string(d.key)}, d.aliases...) {
			if other, taken := seen[nameKey(name)]; taken {
				t.Errorf("%s and %s are both called %q", other, d.key, name)
			}
			seen[nameKey(name)] = d.key
		}
	}
}

// TestTwoTreatmentsAreEnough: a model needs two treatments and no more.
func TestTwoTreatmentsAreEnough(t *testing.T) {
	for n, refused := range map[int]bool{0: true, 1: true, 2: false, 3: false} {
		if got := tooFew(&stats.Analysis{Design: stats.Design{Treatments: make([]string, n)}}); (got != "") != refused {
			t.Errorf("%d treatments: %q", n, got)
		}
	}
}

// TestCountsByClass: counts are asked about class by class where there are two
// classes, groups or life forms, and in all where there is one.
func TestCountsByClass(t *testing.T) {
	for want, classes := range map[string][]string{"": nil, "grass": {"grass", "Grass"}, "grass broadleaf": {"grass", "broadleaf", "grass"}} {
		snap := &record.Snapshot{}
		for i, c := range classes {
			snap.Observations = append(snap.Observations, record.Observation{Plot: "101", Quadrat: i + 1, Visit: 1, Variable: record.VarCount, Class: c, Value: 3})
		}
		snap.Observations = append(snap.Observations, record.Observation{Plot: "101", Visit: 1, Variable: record.VarResidueCover, Class: "straw", Value: 0.3})
		var got []string
		list := everything(snap)
		for _, a := range list {
			if a.class != "" {
				got = append(got, a.class)
			}
		}
		expected := strings.Fields(want)
		if len(expected) == 1 {
			expected = nil
		}
		if !slices.Equal(got, expected) {
			t.Errorf("%v: asked about %v, want %v", classes, got, expected)
		}
		for _, name := range []Key{GreenCover, HandCount, Yield} {
			if n := len(slices.DeleteFunc(slices.Clone(list), func(a asked) bool { return a != asked{string(name), ""} })); n != 1 {
				t.Errorf("%v: %s is asked %d times", classes, name, n)
			}
		}
	}
}

// TestBaseOfAPlan: a mean is the base of percentages however small it is.
func TestBaseOfAPlan(t *testing.T) {
	for mean, want := range map[float64]bool{0: false, 0.5: true, 40: true} {
		g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: 5, Alpha: 0.05, SD: 0.1, Mean: mean})
		if err != nil {
			t.Fatal(err)
		}
		p, err := g.Power(PowerQuestion{Wanted: 0.8})
		if err != nil || (p.Base != nil) != want || want && *p.Base != mean || p.Asked != nil || p.Quadrats != nil {
			t.Errorf("mean %g: %v %+v", mean, err, p)
		}
		if (p.DetectablePair.Percent != nil) != want {
			t.Errorf("mean %g: %+v", mean, p.DetectablePair)
		}
	}
}

// TestFirstBlocksOfAPlan: the table begins two blocks below the plan and never
// below two.
func TestFirstBlocksOfAPlan(t *testing.T) {
	for blocks, first := range map[int]int{2: 2, 3: 2, 4: 2, 5: 3, 8: 6} {
		g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: blocks, Alpha: 0.05, SD: 1})
		if err != nil {
			t.Fatal(err)
		}
		p, err := g.Power(PowerQuestion{Wanted: 0.8})
		if err != nil || len(p.ByBlocks) != 8 || p.ByBlocks[0].Blocks != first || p.ByBlocks[7].Blocks != first+7 || p.ByBlocks[0].ResidualDF != 3*(first-1) {
			t.Errorf("%d blocks: %v %+v", blocks, err, p.ByBlocks)
		}
	}
}

// TestClassOfFewNames: a class that one plant was named as and no photo could learn
// is refused; where nothing was named as it, or it was learned, other photos say
// what they hold.
func TestClassOfFewNames(t *testing.T) {
	couch := record.PlantClass{Name: "couch", Role: "weed"}
	for _, c := range []struct {
		named          int
		learned, inUse bool
		want           string
	}{{0, false, true, ""}, {1, false, true, "too few plants are named \"couch\" at visit 1"}, {1, true, true, ""}, {3, false, true, "too few"}, {3, false, false, ""}} {
		snap := twoPlots(trial.Metric)
		snap.Named = []record.NamedPlant{{Plant: record.Plant{Class: couch}}}
		p := photoIn("101", 1, 1, record.Result{CoverFrac: 0.4})
		p.Sorting = &record.Sorting{Classes: []record.SortedClass{{PlantClass: aLeek, Named: 5}, {PlantClass: couch, Named: c.named, Learned: c.learned}}}
		if !c.inUse {
			p.Rejected = "blurred"
		}
		snap.Photos = []record.Photo{p}
		err := classNamed(snap, "weed", "couch")
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c, err)
		}
		if err := classNamed(snap, "weed", "thistle"); err == nil || !strings.Contains(err.Error(), "there is couch") {
			t.Errorf("%v", err)
		}
		if err := classNamed(snap, "weed", ""); err != nil {
			t.Errorf("%v", err)
		}
	}
}

// TestVisitWithoutGreen: photos in which nothing is green have covers of nothing,
// no share of rims, and can be written.
func TestVisitWithoutGreen(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	half := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.5}
	for green, rims := range map[float64]float64{0: 0, 0.4: 0.25} {
		snap := classifiedTrial(4, half, half)
		solid := 0.75
		for i := range snap.Photos {
			p := &snap.Photos[i]
			p.Result.CoverFrac, p.Sorting.Solid = green, &solid
			for k := range p.Sorting.Classes {
				p.Sorting.Classes[k].SolidMean = p.Sorting.Classes[k].Mean
			}
		}
		r, err := Find(snap, "weed-cover", "")
		if err != nil {
			t.Fatal(err)
		}
		rs, _, err := r.Readings(snap)
		if err != nil || len(rs) != 8 {
			t.Fatal(err)
		}
		for _, x := range rs {
			if !(math.Abs(x.Value-0.75*green/2) <= 0.1*green) || !(x.Range[0] >= 0 && x.Range[1] <= 0.75*green+1e-12) {
				t.Errorf("green %g: %+v", green, x)
			}
		}
		checked, err := r.Checked(snap)
		if err != nil || len(checked) != 1 || math.Abs(checked[0].Rims-rims) > 1e-12 {
			t.Errorf("green %g: %v %+v", green, err, checked)
		}
		if _, err := json.Marshal(checked); err != nil {
			t.Errorf("green %g: %v", green, err)
		}
	}
}

// TestRatesOrLevels: rates that were given stay where two of them differ; where
// they are all alike, or none was given, the numbers of the one factor are the
// rates, and words are none.
func TestRatesOrLevels(t *testing.T) {
	levels := factorsOf("A 0 x", "B 50 x", "C 100 x")[:1]
	words := factorsOf("A none x", "B half x", "C full x")[:1]
	rates := func(a, b, c float64) map[string]float64 { return map[string]float64{"A": a, "B": b, "C": c} }
	for name, c := range map[string]struct {
		rates   map[string]float64
		factors []trial.Factor
		want    map[string]float64
	}{
		"two differ":        {rates(0, 10, 10), levels, rates(0, 10, 10)},
		"all alike":         {rates(5, 5, 5), levels, rates(0, 50, 100)},
		"none":              {nil, levels, rates(0, 50, 100)},
		"words":             {nil, words, nil},
		"rates and words":   {rates(0, 1, 2), words, rates(0, 1, 2)},
		"alike, and words":  {rates(5, 5, 5), words, nil},
		"rates, no factors": {rates(0, 1, 2), nil, rates(0, 1, 2)},
		"neither":           {nil, nil, nil},
	} {
		o := DefaultOptions()
		o.Model, o.Rates, o.Factors = NoModel, c.rates, c.factors
		got, err := CompareRows(rowsOfBlocks("A B C", []float64{10, 12, 15}, []float64{11, 14, 15}, []float64{9, 13, 17}), "yield", stats.Measure, o)
		if err != nil {
			t.Fatal(err)
		}
		if (got.Trend != nil) != (c.want != nil) || !maps.Equal(got.rates, c.want) {
			t.Errorf("%s: %v, trend %+v", name, got.rates, got.Trend)
		}
	}
	for text, ok := range map[string]bool{"0": true, "-2.5": true, "1e3": true, "Inf": false, "NaN": false, "": false, "10 kg": false} {
		if got := numericLevels(trial.Factor{Levels: []trial.FactorLevel{{Treatment: "A", Level: text}}}); (got != nil) != ok {
			t.Errorf("%q: %v", text, got)
		}
	}
}

// TestRankOfTreatments: the highest and lowest mean, back in the unit of the
// response where there is one; the highest stands alone where every pair with it
// differs, be it one.
func TestRankOfTreatments(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	two := func(differ bool) *stats.Analysis {
		return &stats.Analysis{Treatments: []stats.TreatmentResult{{Treatment: "A", Mean: v(1)}, {Treatment: "B", Mean: v(2)}}, Pairs: []stats.Pair{{A: "A", B: "B", Differ: differ}}}
	}
	for name, c := range map[string]struct {
		a           *stats.Analysis
		top, bottom string
		alone       bool
	}{
		"two that differ":   {two(true), "B", "A", true},
		"two that do not":   {two(false), "B", "A", false},
		"no pair":           {&stats.Analysis{Treatments: []stats.TreatmentResult{{Treatment: "A", Mean: v(1)}}}, "A", "A", false},
		"back comes first":  {&stats.Analysis{Treatments: []stats.TreatmentResult{{Treatment: "A", Mean: v(1), Back: v(9)}, {Treatment: "B", Mean: v(2), Back: v(3)}, {Treatment: "C"}}}, "A", "B", false},
		"the first of ties": {&stats.Analysis{Treatments: []stats.TreatmentResult{{Treatment: "A", Mean: v(2)}, {Treatment: "B", Mean: v(2)}}}, "A", "A", false},
		"none":              {&stats.Analysis{Treatments: []stats.TreatmentResult{{Treatment: "A"}}}, "", "", false},
	} {
		var got Claim
		got.rank(c.a)
		if got.Top != c.top || got.Bottom != c.bottom || got.TopAlone != c.alone {
			t.Errorf("%s: top %q, bottom %q, alone %v", name, got.Top, got.Bottom, got.TopAlone)
		}
	}
}

// TestPlotOfUnequalPhotos: what check points leave open of a plot goes by its green
// and the share of it, however that is spread over photos: two photos of unequal
// green and share are as one of their mean.
func TestPlotOfUnequalPhotos(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	shares := map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.2}
	set := func(p *record.Photo, green, share float64) {
		s := *p.Sorting
		s.Classes = slices.Clone(s.Classes)
		for k, m := range []float64{share, 1 - share} {
			s.Classes[k].Mean, s.Classes[k].CoverFrac = m, green*m
		}
		r := *p.Result
		r.CoverFrac = green
		p.Sorting, p.Result = &s, &r
	}
	own := func(change func(snap *record.Snapshot)) *stats.OwnError {
		snap := classifiedTrial(4, shares, shares)
		change(snap)
		r, err := Find(snap, "weed-cover", "")
		if err != nil {
			t.Fatal(err)
		}
		o, _, err := ownOf(snap, r, 0, false, nil)
		if err != nil || len(o.Plots) != 8 {
			t.Fatal(err, o)
		}
		return o
	}
	two := own(func(snap *record.Snapshot) {
		more := snap.Photos[0]
		set(&snap.Photos[0], 0.2, 0.3)
		set(&more, 0.6, 0.7)
		more.Hash, more.Place.Quadrat = "hash-of-another", 2
		s := *more.Sorting
		s.Checks = nil
		more.Sorting = &s
		snap.Photos = append(snap.Photos, more)
	})
	one := own(func(snap *record.Snapshot) { set(&snap.Photos[0], 0.4, (0.2*0.3+0.6*0.7)/0.8) })
	plain := own(func(*record.Snapshot) {})
	for i := range one.Cov {
		for j := range one.Cov {
			close6(t, "covariance", &two.Cov[i][j], one.Cov[i][j], 1e-9)
		}
	}
	if math.Abs(one.Cov[0][0]-plain.Cov[0][0]) < 1e-6 {
		t.Errorf("the green of a plot changes nothing: %g", one.Cov[0][0])
	}
}
