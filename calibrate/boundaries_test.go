package calibrate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// TestDefaults: the numbers an answer rests on when nothing else is asked for.
func TestDefaults(t *testing.T) {
	want := Options{Kind: Cover, By: []string{"visit", "treatment", "observer"}, Enough: Enough{Plots: 8, Visits: 3},
		Confidence: 0.95, Seed: 1, Resamples: 2000, DemingRatio: 1}
	if got := DefaultOptions(); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v", got)
	}
}

// TestOptionsAreChecked: each option at both sides of its bounds.
func TestOptionsAreChecked(t *testing.T) {
	margin := func(v float64) func(o *Options) { return func(o *Options) { o.Margin = &v } }
	for want, changes := range map[string][]func(o *Options){
		"": {
			func(o *Options) { o.Confidence = 0.51 }, func(o *Options) { o.Confidence = 0.999 },
			func(o *Options) { o.Resamples = 200 }, func(o *Options) { o.Resamples = 100000 },
			func(o *Options) { o.Unit = UnitFraction }, func(o *Options) { o.Unit = UnitPercent },
			func(o *Options) { o.Kind, o.Logs = Count, true }, margin(0.999),
			func(o *Options) { margin(1)(o); o.Kind = Count },
			func(o *Options) { o.Enough.Plots = 0 }, // asked of a verdict only
			func(o *Options) { o.HandMinutes, o.PhotoMinutes, o.TargetSE = 6, 0.1, 0.01 },
			func(o *Options) { o.By = nil },
		},
		"kind":       {func(o *Options) { o.Kind = "" }, func(o *Options) { o.Kind = "weight" }},
		"unit":       {func(o *Options) { o.Unit = "per mille" }},
		"logarithms": {func(o *Options) { o.Logs = true }},
		"confidence": {func(o *Options) { o.Confidence = 0.5 }, func(o *Options) { o.Confidence = 1 }, func(o *Options) { o.Confidence = math.NaN() }},
		"resamples":  {func(o *Options) { o.Resamples = 199 }, func(o *Options) { o.Resamples = 100001 }},
		"deming":     {func(o *Options) { o.DemingRatio = 0 }, func(o *Options) { o.DemingRatio = math.Inf(1) }},
		"margin":     {margin(0), margin(-1), margin(math.NaN()), margin(1)},
		"plots":      {func(o *Options) { margin(0.05)(o); o.Enough.Plots = 1 }},
		"minutes":    {func(o *Options) { o.HandMinutes = -1 }, func(o *Options) { o.PhotoMinutes = math.Inf(1) }},
		"target":     {func(o *Options) { o.TargetSE = -0.01 }},
		"group":      {func(o *Options) { o.By = []string{"visit", "block"} }},
	} {
		for i, change := range changes {
			o := DefaultOptions()
			change(&o)
			err := o.Validate()
			if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
				t.Errorf("%q, change %d: %v", want, i, err)
			}
		}
	}
}

// TestEnoughIsChecked: what a yes must rest on, at both sides of its bounds.
func TestEnoughIsChecked(t *testing.T) {
	for _, c := range []struct {
		e    Enough
		want string
	}{
		{Enough{Plots: 2, Visits: 1}, ""}, {Enough{Plots: 1, Visits: 1}, "1 plots"}, {Enough{Plots: 2, Visits: 0}, "0 visits"},
		{Enough{Plots: 2, Visits: 1, Range: &[2]float64{0, 1}}, ""}, {Enough{Plots: 2, Visits: 1, Range: &[2]float64{1, 1}}, "range 1 to 1"},
		{Enough{Plots: 2, Visits: 1, Range: &[2]float64{math.NaN(), 1}}, "range"}, {Enough{Plots: 2, Visits: 1, Range: &[2]float64{0, math.Inf(1)}}, "range"},
	} {
		err := c.e.Validate()
		if (c.want == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.e, err)
		}
	}
	pairs := alternating([]float64{.1, .2, .3, .4}, []float64{.1, .2, .3, .4})
	if _, err := NewVerdict(pairs, 0.05, 0.95, nil, Enough{}); err == nil || !strings.Contains(err.Error(), "0 plots") {
		t.Errorf("a verdict on nothing: %v", err)
	}
}

// TestRangeIsCoveredToItsEnds: pairs at the very ends of a stated range count, and
// pairs beyond them do not.
func TestRangeIsCoveredToItsEnds(t *testing.T) {
	for _, c := range []struct {
		hands   []float64
		covered int
	}{
		{[]float64{0.25, 0.25, 0.5, 0.5, 1, 1}, 3}, {[]float64{0.24, 0.25, 0.5, 0.5, 1, 1}, 2}, {[]float64{0.25, 0.25, 0.5, 0.5, 1, 1.01}, 2},
		{[]float64{0.25, 0.25, 0.49, 0.51, 1, 1}, 2}, {[]float64{0.25, 0.25, 0.25, 0.25, 0.25}, 1},
	} {
		e := Enough{Plots: 1, Visits: 9, Range: &[2]float64{0.25, 1}}
		var pairs []Pair
		for _, h := range c.hands {
			pairs = append(pairs, Pair{Hand: h, Image: h})
		}
		var want []Reason
		if c.covered < 3 {
			want = []Reason{{Code: RangeNotCovered, Have: c.covered, Need: 3}}
		}
		if got := e.lacking(pairs); !reflect.DeepEqual(got, want) {
			t.Errorf("%v: %+v, want %+v", c.hands, got, want)
		}
	}
}

// TestReasonsInWords: each reason says its names and numbers.
func TestReasonsInWords(t *testing.T) {
	ab := []string{"rye", "oats"}
	for want, r := range map[string]Reason{
		"1 plot has pairs, and 8 are needed":                                                     {Code: FewPlots, Have: 1, Need: 8},
		"2 plots have pairs, and 8 are needed":                                                   {Code: FewPlots, Have: 2, Need: 8},
		"1 visit has pairs, and 3 are needed, or a stated range of values":                       {Code: FewVisits, Have: 1, Need: 3},
		"pairs lie in 2 of the 3 thirds of the stated range, 2 pairs or more in each are needed": {Code: RangeNotCovered, Have: 2, Need: 3},
		"no pair lies in rye, oats":                                                              {Code: TreatmentWithout, Names: ab},
		"no treatment has pairs in 2 plots, so biases of treatments cannot be compared":          {Code: FewPlotsWithin},
		"the interval of the mean difference reaches over the margin":                            {Code: AverageOpen},
		"the mean difference is at or beyond the margin":                                         {Code: AverageBeyond},
		"the bias differs between treatments":                                                    {Code: BiasDiffers},
		"the bias may differ by more than the margin between rye, oats":                          {Code: PairsOpen, Names: ab},
		"the bias differs by more than the margin between a, b, c, d, e and 1 more":              {Code: PairsBeyond, Names: []string{"a", "b", "c", "d", "e", "f"}},
		"image and hand differ by more than the margin in a, b, c, d, e":                         {Code: TreatmentBeyond, Names: []string{"a", "b", "c", "d", "e"}},
	} {
		if got := r.Words(); got != want {
			t.Errorf("%s: %q, want %q", r.Code, got, want)
		}
	}
}

// TestComparingNeedsTwoTreatments: the second question is asked where the pairs or
// the trial name two treatments, and not else.
func TestComparingNeedsTwoTreatments(t *testing.T) {
	pairs := mapPairs(verdictPairs(rand.New(rand.NewPCG(3, 2)), map[string]float64{"rye": 0}, 10, 3, 0.001), func(p Pair) Pair { return p })
	for _, c := range []struct {
		treatments []string
		asked      bool
	}{{nil, false}, {[]string{"rye"}, false}, {[]string{"rye", "oats"}, true}} {
		e := DefaultEnough()
		e.Treatments = c.treatments
		v, err := NewVerdict(pairs, 0.05, 0.95, nil, e)
		if err != nil {
			t.Fatal(err)
		}
		if (v.Comparing != nil) != c.asked || v.Answer != map[bool]Answer{false: Yes, true: NotEnough}[c.asked] {
			t.Errorf("%v: %s, %+v", c.treatments, v.Answer, v.Comparing)
		}
		if !c.asked && v.Sentence != v.Overall.Sentence {
			t.Errorf("%q", v.Sentence)
		}
	}
	e := DefaultEnough()
	e.Range = &[2]float64{0.05, 0.5}
	v, err := NewVerdict(pairs, 0.05, 0.95, nil, e)
	if err != nil || v.Answer != Yes || !strings.Contains(strings.Join(v.Warnings, ""), "from 0.05 to 0.5 only") {
		t.Errorf("%v %+v", err, v)
	}
}

// TestRowsAreSetAside: values at both sides of what a quadrat can hold.
func TestRowsAreSetAside(t *testing.T) {
	for _, c := range []struct {
		kind        Kind
		unit        Unit
		hand, image float64
		fault       Fault
		words       string
	}{
		{Count, UnitAuto, 1e9, 3, "", ""}, {Count, UnitAuto, 1e9 + 1, 3, OutOfRange, "cannot be a count"}, {Count, UnitAuto, 3, 2e9, OutOfRange, "image value"},
		{Count, UnitAuto, -1, 3, OutOfRange, "negative"}, {Count, UnitAuto, 0, 0, "", ""},
		{Cover, UnitFraction, 1, 1 + 1e-10, "", ""}, {Cover, UnitFraction, 1, 1.01, OutOfRange, "more than the whole frame (1)"},
		{Cover, UnitPercent, 100, 99, "", ""}, {Cover, UnitPercent, 101, 99, OutOfRange, "more than the whole frame (100)"},
		{Cover, UnitFraction, math.Inf(1), 0.5, OutOfRange, "hand value is infinite"}, {Cover, UnitFraction, 0.5, -0.1, OutOfRange, "image value -0.1 is negative"},
		{Cover, UnitFraction, math.NaN(), 0.5, NoHand, "not counted by hand"}, {Cover, UnitFraction, 0.5, math.NaN(), NoImage, "no image value; left out"},
		{Cover, UnitFraction, math.NaN(), math.NaN(), NoImage, "neither"},
	} {
		o := DefaultOptions()
		o.Kind, o.Unit = c.kind, c.unit
		full, photo, in, err := Clean([]Pair{{Plot: " 101 ", Quadrat: "1", Hand: c.hand, Image: c.image, Source: "counts.csv:2"}}, o)
		if err != nil {
			t.Fatal(err)
		}
		if c.fault == "" {
			if len(full) != 1 || len(in.Problems) != 0 || full[0].Plot != "101" || in.Used != 1 {
				t.Errorf("%+v: %+v %+v", c, full, in)
			}
			continue
		}
		if len(full) != 0 || len(in.Problems) != 1 || in.Problems[0].Fault != c.fault || !strings.Contains(in.Problems[0].Sentence, c.words) ||
			!strings.HasPrefix(in.Problems[0].Sentence, "counts.csv:2 (plot 101 quadrat 1)") || (len(photo) == 1) != (c.fault == NoHand) || in.Photo != len(photo) {
			t.Errorf("%+v: %+v %+v", c, photo, in)
		}
	}
	// What is below any pixel's share is nothing.
	for v, want := range map[float64]float64{1e-9: 1e-9, 0.9e-9: 0, 0: 0} {
		if got := tinyToZero(v); got != want {
			t.Errorf("%g: %g", v, got)
		}
	}
}

// TestUnitOfCover: fractions, percent, and columns that are not in one unit.
func TestUnitOfCover(t *testing.T) {
	for _, c := range []struct {
		unit        Unit
		hand, image []float64
		scale       float64 // 0: refused
		note        string
	}{
		{UnitAuto, []float64{1, .5}, []float64{.9, .4}, 1, "as a fraction"}, {UnitAuto, []float64{1.01, 5}, []float64{1.02, 4}, 100, "as percent"},
		{UnitAuto, []float64{50, 20}, []float64{.5, .2}, 0, ""}, {UnitAuto, []float64{.5}, []float64{50}, 0, ""},
		{UnitAuto, []float64{0, 0}, []float64{50, 20}, 100, "as percent"}, {UnitAuto, []float64{50, 20}, []float64{0, 0}, 100, "as percent"},
		{UnitAuto, []float64{math.NaN(), .3}, []float64{.2, math.Inf(1)}, 1, "as a fraction"},
		{UnitFraction, []float64{.5}, []float64{.4}, 1, ""}, {UnitPercent, []float64{.5}, []float64{.4}, 100, ""},
		{UnitPercent, []float64{30}, []float64{1}, 100, ""}, {UnitPercent, []float64{31}, []float64{1}, 0, ""}, {UnitPercent, []float64{1}, []float64{31}, 0, ""},
		{UnitPercent, []float64{299}, []float64{1}, 0, ""}, {UnitPercent, []float64{300}, []float64{1}, 100, ""},
	} {
		var pairs []Pair
		for i := range c.hand {
			pairs = append(pairs, Pair{Hand: c.hand[i], Image: c.image[i]})
		}
		scale, note, err := coverScale(pairs, c.unit)
		if scale != c.scale || (err != nil) != (c.scale == 0) || c.note == "" && note != "" || !strings.Contains(note, c.note) {
			t.Errorf("%+v: %g %q %v", c, scale, note, err)
		}
	}
	// A factor of 60 or of 170 is not near 100 yet.
	for r, odd := range map[float64]bool{60: false, 61: true, 169: true, 170: false} {
		for _, p := range []Pair{{Plot: "1", Quadrat: "1", Hand: r / 256, Image: 1. / 256}, {Plot: "1", Quadrat: "1", Hand: 1. / 256, Image: r / 256}} {
			if got := oddities([]Pair{p}, Cover); (len(got) == 1) != odd {
				t.Errorf("%g times: %q", r, got)
			}
		}
	}
}

// TestAgreementRefusals: three pairs are enough and two are not, and every number of
// a small set exists or does not as its formula has it.
func TestAgreementOfFew(t *testing.T) {
	three := []Pair{{Plot: "1", Hand: 1, Image: 2}, {Plot: "2", Hand: 2, Image: 2.5}, {Plot: "3", Hand: 3, Image: 5}}
	a, err := Agree(three, counts())
	if err != nil {
		t.Fatal(err)
	}
	if a.Pearson.CI != nil || a.Pearson.Test == nil || a.Spearman.CI != nil {
		t.Errorf("three pairs: %+v", a.Pearson)
	}
	if !strings.Contains(strings.Join(a.Warnings, ";"), "3 plots: need 4") {
		t.Errorf("%q", a.Warnings)
	}
	four := append(slices.Clone(three), Pair{Plot: "4", Hand: 4, Image: 4.5})
	if a, err = Agree(four, counts()); err != nil || a.Pearson.CI == nil || !strings.Contains(strings.Join(a.Warnings, ";"), "only 4 plots") {
		t.Errorf("four pairs: %v %+v", err, a)
	}
	var eight []Pair
	for i := range 8 {
		eight = append(eight, Pair{Plot: fmt.Sprint(i), Hand: float64(i), Image: float64(i) + []float64{.5, -.3, .2, 0}[i%4]})
	}
	if a, err = Agree(eight, counts()); err != nil || strings.Contains(strings.Join(a.Warnings, ";"), "rough below") {
		t.Errorf("eight plots: %v %q", err, a.Warnings)
	}
	one := mapPairs(eight, func(p Pair) Pair { p.Plot = "1"; return p })
	if a, err = Agree(one, counts()); err != nil || a.Bias.ClusterCI != nil || a.SDDiff.ClusterCI != nil || a.SDBetween != nil {
		t.Errorf("one plot: %v %+v", err, a.Bias)
	}
	same := mapPairs(eight, func(p Pair) Pair { p.Hand, p.Image = 3, 3; return p })
	if a, err = Agree(same, counts()); err != nil || a.CCC != nil || a.Pearson != nil || a.Sloping != nil || a.ICC != nil {
		t.Errorf("all the same: %v %+v", err, a)
	}
	flatHand := mapPairs(eight, func(p Pair) Pair { p.Hand = 3; return p })
	if a, err = Agree(flatHand, counts()); err != nil || a.CCC == nil || a.CCC.CI != nil || a.Pearson != nil || !strings.Contains(strings.Join(a.Warnings, ";"), "every hand value is the same") {
		t.Errorf("one hand value: %v %+v", err, a)
	}
	flatImage := mapPairs(eight, func(p Pair) Pair { p.Image = 3; return p })
	if a, err = Agree(flatImage, counts()); err != nil || !strings.Contains(strings.Join(a.Warnings, ";"), "every image value is the same") {
		t.Errorf("one image value: %v %q", err, a.Warnings)
	}
}

// TestWeightsAreRepetitions: every statistic with pairs weighted is that of the
// pairs written out so often, and without weights that of the named functions.
func TestWeightsAreRepetitions(t *testing.T) {
	hand, image := []float64{3, 7, 4, 9, 12, 5, 7}, []float64{4, 6, 4, 12, 11, 8, 7.5}
	w := []float64{2, 0, 1, 3, 1, 2, 1}
	var h, m []float64
	for i := range w {
		for range int(w[i]) {
			h, m = append(h, hand[i]), append(m, image[i])
		}
	}
	ones := func(n int) []float64 { return slices.Repeat([]float64{1}, n) }
	a, b := newSample(hand, image).all(w), newSample(h, m).all(ones(len(h)))
	for k := range a {
		near(t, fmt.Sprint("statistic ", k), a[k], b[k], 1e-12)
	}
	v := newSample(hand, image).all(ones(len(hand)))
	got, err := Agree(paired(hand, image), counts())
	if err != nil {
		t.Fatal(err)
	}
	rows := make([][]float64, len(hand))
	for i := range rows {
		rows[i] = []float64{hand[i], image[i]}
	}
	icc, err := NewICC(rows, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "icc", v[statICC], icc.Value, 1e-12)
	near(t, "bias slope", v[statBiasSlope], got.Sloping.BiasSlope.Value, 1e-12)
	near(t, "spread slope", v[statSpreadSlope], got.Sloping.SpreadSlope.Value, 1e-12)
	same := newSample([]float64{3, 3, 3}, []float64{3, 3, 3}).all(ones(3))
	for _, k := range []int{statCCC, statPearson, statSpearman, statBiasSlope, statSpreadSlope} {
		if !math.IsNaN(same[k]) {
			t.Errorf("statistic %d of values all alike: %v", k, same[k])
		}
	}
}

// TestBootstrapIsTheEnumeration: five plots of two have 3125 resamples, all of
// which R 4.2.2 was given. Half of an interval is t(0.975, 4) sqrt(5/4) times the
// standard deviation over them, on the scale of the statistic: logarithms for
// errors, Fisher's z for coefficients; the five of one plot alone have a
// correlation of 1 and no z. More than 5 % of them have perfectly ordered
// ranks, which have no z, so that Spearman's coefficient has no interval.
func TestBootstrapIsTheEnumeration(t *testing.T) {
	hand, image := []float64{10, 14, 22, 19, 31, 35, 38, 47, 52, 50}, []float64{12, 13, 25, 18, 36, 37, 36, 52, 60, 55}
	var pairs []Pair
	for i := range hand {
		pairs = append(pairs, Pair{Plot: fmt.Sprint(i / 2), Hand: hand[i], Image: image[i]})
	}
	o := counts()
	o.Resamples = 20000
	a, err := Agree(pairs, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name     string
		got      Estimate
		to       func(float64) float64
		at, half float64
	}{
		{"rmse", a.RMSE, math.Log, 1.39250562, 0.7009649}, {"mae", a.MAE, math.Log, 1.22377543, 0.7264363},
		{"concordance", a.CCC.Estimate, math.Atanh, 2.03851756, 0.9034053}, {"pearson", a.Pearson.Estimate, math.Atanh, 2.61516387, 1.0863761},
	} {
		near(t, c.name, c.to(c.got.Value), c.at, 1e-8)
		near(t, c.name+", half below", (c.at-c.to(c.got.ClusterCI.Low))/c.half, 1, 0.02)
		near(t, c.name+", half above", (c.to(c.got.ClusterCI.High)-c.at)/c.half, 1, 0.02)
	}
	if a.Spearman.ClusterCI != nil {
		t.Errorf("ranks: %+v", a.Spearman.ClusterCI)
	}
}

// TestTheilSenWithTies: slopes and their interval where values are tied on either
// side, by R 4.2.2 from Sen's formula: 61 slopes, places 17 and 44 of them at 95 %.
func TestTheilSenWithTies(t *testing.T) {
	x, y := []float64{1, 1, 2, 3, 3, 3, 4, 5, 6, 8, 9, 9}, []float64{2, 3, 3, 5, 5, 6, 8, 8, 9, 12, 11, 15}
	for level, want := range map[float64][2]float64{0.95: {1, 5. / 3}, 0.9: {1.125, 1.5}} {
		r, err := FitTheilSen(x, y, level)
		if err != nil {
			t.Fatal(err)
		}
		if r.Slopes != 61 {
			t.Errorf("%d slopes", r.Slopes)
		}
		near(t, "slope", r.Slope.Value, 1.4, 1e-12)
		near(t, "intercept", r.Intercept.Value, 2.1, 1e-12)
		near(t, "median residual", *r.InterceptResidual, 0.8, 1e-12)
		nearCI(t, fmt.Sprint("slope at ", level), r.Slope.CI, want, 1e-12)
	}
}

// TestTailsOfT: both tails, R 4.2.2: pt(1.5, 7, lower = FALSE).
func TestTailsOfT(t *testing.T) {
	near(t, "above", tUpper(1.5, 7), 0.088649243494985, 1e-13)
	near(t, "below", tUpper(-1.5, 7), 0.911350756505015, 1e-13)
	near(t, "both", tTwoSided(-1.5, 7), 2*0.088649243494985, 1e-13)
	near(t, "quantile", tHalf(0.95, 3), 3.182446305283708, 1e-12)
}

// TestWhatIsConstant: to a person 0.1 + 0.2 is 0.3, and what cannot be squared is
// nothing.
func TestWhatIsConstant(t *testing.T) {
	for _, c := range []struct {
		v    []float64
		want bool
	}{
		{[]float64{0.3, 0.1 + 0.2}, true}, {[]float64{1, 1 + 1e-13}, true}, {[]float64{1, 1 + 1e-11}, false}, {[]float64{-1, -1 - 1e-13}, true},
		{[]float64{0, 1e-160}, true}, {[]float64{0, 1e-140}, false}, {[]float64{-1e-160, 0}, true}, {[]float64{5}, true},
	} {
		if got := constant(c.v); got != c.want {
			t.Errorf("%v: %v", c.v, got)
		}
	}
	if variance([]float64{3}) != 0 || variance([]float64{3, 5}) != 2 {
		t.Error("variance")
	}
	if _, se, df := clusterMean([]float64{1, 2, 4}, []int{0, 0, 0}, 1); se != 0 || df != 0 {
		t.Errorf("one cluster: se %v, df %v", se, df)
	}
	if _, _, ok := components([]float64{1, 2, 4}, []int{0, 0, 0}, 1); ok {
		t.Error("parts of one cluster")
	}
	if _, _, ok := components([]float64{1, 2, 4}, []int{0, 1, 2}, 3); ok {
		t.Error("parts of clusters of one")
	}
}

// TestPlotsNeeded: how many plots would do, searched one by one in R 4.2.2 (qt).
func TestPlotsNeeded(t *testing.T) {
	for _, c := range []struct {
		margin, bias, se float64
		plots            int
		alpha            float64
		want             int
	}{
		{.05, .02, .0156, 4, .05, 9}, {.05, -.02, .0156, 4, .1, 7}, {1, 0, .9, 2, .05, 12}, {.05, .03, .05, 8, .05, 311}, {.05, .0499, .02, 8, .05, 0},
	} {
		e := &TOST{Margin: c.margin, Alpha: c.alpha, Bias: c.bias, Plots: c.plots, Pairs: 3*c.plots + 1}
		e.need(c.se)
		if c.want == 0 {
			if e.PlotsNeeded != nil || !strings.Contains(e.Sentence, "even 10000 plots") {
				t.Errorf("%+v: %+v", c, e)
			}
			continue
		}
		pairs := int(math.Ceil(float64(c.want) * (3 + 1/float64(c.plots))))
		if e.PlotsNeeded == nil || *e.PlotsNeeded != c.want || *e.PairsNeeded != pairs || !strings.Contains(e.Sentence, fmt.Sprintf("about %d plots with %d pairs", c.want, pairs)) {
			t.Errorf("%+v: %+v", c, e)
		}
	}
	if _, err := NewTOST(paired([]float64{1, 2}, []float64{1, 2}), 0.5, 0.95); err == nil || !strings.Contains(err.Error(), "2 pairs") {
		t.Errorf("two pairs: %v", err)
	}
	one := alternating([]float64{1, 2, 4}, []float64{1, 3, 4})
	for i := range one {
		one[i].Plot = "1"
	}
	if e, err := NewTOST(one, 0.5, 0.95); err != nil || e.Answer != NotEnough || e.SE != nil || !strings.Contains(e.Sentence, "one plot") {
		t.Errorf("one plot: %v %+v", err, e)
	}
	gap := paired([]float64{1, math.NaN(), 4}, []float64{1, 3, 4})
	if _, err := NewTOST(gap, 0.5, 0.95); err == nil || !strings.Contains(err.Error(), "missing") {
		t.Errorf("%v", err)
	}
}

// TestDoubleSamplingOfFew: variances need two degrees of freedom, a treatment two
// plots with hand counts, and the choice of quadrats three plots to be judged.
func TestDoubleSamplingOfFew(t *testing.T) {
	build := func(hands ...int) (full, photo []Pair) {
		for plot, n := range hands {
			for q := range 4 {
				h := 0.2 + 0.1*float64(plot) + 0.03*float64(q*q)
				p := Pair{Plot: fmt.Sprint(plot), Quadrat: fmt.Sprint(q), Treatment: []string{"A", "A", "A", "B", "C"}[plot], Hand: h, Image: h + 0.01*float64((plot+2*q)%3)}
				if q < n {
					full = append(full, p)
				} else {
					p.Hand = Missing()
					photo = append(photo, p)
				}
			}
		}
		return full, photo
	}
	full, photo := build(2, 1, 1)
	d, err := NewDoubleSampling(full, photo, DefaultOptions())
	if err != nil || d.WithinVar != nil || d.WithinCorr != nil || !strings.Contains(strings.Join(d.Warnings, ";"), "variances within plots are unknown") || d.Plots[0].HandOnly.SE != nil {
		t.Errorf("one degree of freedom: %v %+v", err, d)
	}
	full, photo = build(2, 2, 1)
	if d, err = NewDoubleSampling(full, photo, DefaultOptions()); err != nil || d.WithinVar == nil || d.WithinCorr == nil || d.Plots[0].HandOnly.SE == nil {
		t.Errorf("two degrees of freedom: %v %+v", err, d)
	}
	full, photo = build(2, 2, 2, 2, 0)
	if d, err = NewDoubleSampling(full, photo, DefaultOptions()); err != nil || len(d.Treatments) != 3 {
		t.Fatal(err)
	}
	a, b, c := d.Treatments[0], d.Treatments[1], d.Treatments[2]
	if a.Regression.SE == nil || a.Note != "" || b.Regression == nil || b.Regression.SE != nil || !strings.Contains(b.Note, "one plot only") ||
		c.Regression != nil || c.HandOnly != nil || !strings.Contains(c.Note, "no hand count in this treatment") || c.ImageOnly == nil {
		t.Errorf("%+v\n%+v\n%+v", a, b, c)
	}
	if d.Plots[4].Note == "" || d.Plots[4].Regression != nil || d.Plots[0].Note != "" {
		t.Errorf("%+v", d.Plots[4])
	}
	// The first quadrats are the barest in every plot.
	full, photo = build(2, 2)
	if _, p := handPicked(cells(full, photo)); p != 1 {
		t.Errorf("two plots have no test, p %v", p)
	}
	full, photo = build(2, 2, 2)
	gap, p := handPicked(cells(full, photo))
	if !(gap < 0 && p < 0.05) {
		t.Errorf("gap %v, p %v", gap, p)
	}
	d, err = NewDoubleSampling(full, photo, DefaultOptions())
	if err != nil || !strings.Contains(strings.Join(d.Warnings, ";"), "show less than") {
		t.Errorf("%v %q", err, d.Warnings)
	}
	// No gap at all in any plot, and the same gap in all.
	for gap, want := range map[float64]float64{0: 1, 0.25: 0} {
		var cs []*cell
		for i := range 4 {
			cs = append(cs, &cell{plot: fmt.Sprint(i), photos: 2, hands: 1, imageAll: 0.5, image: 0.5 + gap/2})
		}
		if g, p := handPicked(cs); g != gap || p != want {
			t.Errorf("gap %v: %v, p %v", gap, g, p)
		}
	}
	// Photos of a plot that are alike but for rounding.
	for _, level := range []float64{0.1, 0.3, 0.7} {
		for step := range 2 {
			var cs []*cell
			for i := range 4 {
				v := level * float64(1+i*step)
				cs = append(cs, &cell{plot: fmt.Sprint(i), photos: 3, hands: 1, imageAll: (v + v + v) / 3, image: v})
			}
			if g, p := handPicked(cs); g != 0 || p != 1 {
				t.Errorf("level %v step %d: gap %v, p %v", level, step, g, p)
			}
		}
	}
	// All counted; photos that say nothing, and photos that say the opposite.
	full, _ = build(4, 4, 4)
	if d, err = NewDoubleSampling(full, nil, DefaultOptions()); err != nil || !strings.Contains(strings.Join(d.Warnings, ";"), "gains nothing") || strings.Contains(strings.Join(d.Warnings, ";"), "do not rise") {
		t.Errorf("%v %q", err, d.Warnings)
	}
	for _, image := range []func(p Pair) float64{func(Pair) float64 { return 0.3 }, func(p Pair) float64 { return 1 - p.Hand }} {
		d, err := NewDoubleSampling(mapPairs(full, func(p Pair) Pair { p.Image = image(p); return p }), nil, DefaultOptions())
		if err != nil || !strings.Contains(strings.Join(d.Warnings, ";"), "do not rise") {
			t.Errorf("%v %+v", err, d)
		}
	}
	// Photos in which nothing is seen have no ratio.
	d, err = NewDoubleSampling(mapPairs(full, func(p Pair) Pair { p.Image = 0; return p }), nil, DefaultOptions())
	if err != nil || d.Plots[0].Ratio != nil || !strings.Contains(d.Plots[0].Note, "no ratio") || d.Treatments[0].Ratio != nil {
		t.Errorf("%v %+v", err, d)
	}
	if _, err := NewDoubleSampling(full[:2], nil, DefaultOptions()); err == nil || !strings.Contains(err.Error(), "2 hand-counted quadrats") {
		t.Errorf("%v", err)
	}
	bad := slices.Clone(full)
	bad[2].Hand = math.NaN()
	if _, err := NewDoubleSampling(bad, nil, DefaultOptions()); err == nil || !strings.Contains(err.Error(), "plot 0 quadrat 2") {
		t.Errorf("%v", err)
	}
}

// TestPlanRefusals: each number of a plan at its bounds, and photos that say nothing.
func TestPlanRefusals(t *testing.T) {
	for _, c := range []struct {
		costs                         Costs
		variance, correlation, target float64
		want                          string
	}{
		{Costs{0, 1}, 1, .5, 0, "minutes"}, {Costs{1, 0}, 1, .5, 0, "minutes"}, {Costs{1, math.Inf(1)}, 1, .5, 0, "minutes"}, {Costs{1, 1}, 0, .5, 0, "variance"},
		{Costs{1, 1}, 1, 1, 0, "correlation"}, {Costs{1, 1}, 1, -1, 0, "correlation"}, {Costs{1, 1}, 1, math.NaN(), 0, "correlation"},
		{Costs{1, 1}, 1, .5, -1, "target"}, {Costs{1, 1}, 1, .5, math.NaN(), "target"},
		{Costs{1, 1}, 1, .999, 1, ""}, {Costs{1, 1}, 1, -.5, 0, ""},
	} {
		_, err := NewPlan(c.costs, c.variance, c.correlation, c.target)
		if (c.want == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	p, err := NewPlan(Costs{9, 1}, 4, 0, 0.5)
	if err != nil || p.Fraction != 1 || p.Worth || p.BreakEven != nil || p.Photos != 16 || p.Hands != 16 || p.SameHours != 0.9 || strings.Contains(p.Sentence, "times as long") {
		t.Errorf("%v %+v", err, p)
	}
	for target, want := range map[float64]bool{0: false, 0.5: true} {
		p, err := NewPlan(Costs{9, 1}, 4, 0.8, target)
		if err != nil || strings.Contains(p.Sentence, "For the target") != want || !strings.Contains(p.Sentence, "about 25 in 100") || !strings.Contains(p.Sentence, "1.33 times smaller") {
			t.Errorf("%v %+v", err, p)
		}
	}
	if p, err = NewPlan(Costs{3, 1}, 4, 0.8, 0); err != nil || !strings.Contains(p.Sentence, "more than 4.0 times as long") {
		t.Errorf("%v %+v", err, p)
	}
}

// TestBiasTestNotes: why a bias cannot be tested, each reason by a set that has it.
func TestBiasTestNotes(t *testing.T) {
	row := func(plot, trt, visit string, diff float64) Pair {
		return Pair{Plot: plot, Treatment: trt, Visit: visit, Hand: 1, Image: 1 + diff}
	}
	for name, c := range map[string]struct {
		pairs []Pair
		by    string
		want  string
	}{
		"no plot has two":       {[]Pair{row("1", "A", "", .1), row("2", "B", "", .2)}, ByTreatment, "2 plots leave no degrees of freedom, need at least 3"},
		"none off":              {[]Pair{row("1", "A", "", 0), row("2", "A", "", 0), row("3", "B", "", 0), row("4", "B", "", 0)}, ByTreatment, "do not vary within"},
		"alike within":          {[]Pair{row("1", "A", "", .25), row("2", "A", "", .25), row("3", "B", "", .5), row("4", "B", "", .5)}, ByTreatment, "do not vary within"},
		"visits in other plots": {[]Pair{row("1", "A", "1", .1), row("1", "A", "1", .2), row("2", "A", "2", .2), row("2", "A", "2", .1), row("3", "A", "2", .3)}, ByVisit, ""},
		"testable":              {[]Pair{row("1", "A", "", .1), row("2", "A", "", .2), row("3", "B", "", .4), row("4", "B", "", .3)}, ByTreatment, ""},
	} {
		b, note := biasTest(c.pairs, c.by, 0.95, false)
		if (b == nil) != (c.want != "") || !strings.Contains(note, c.want) || c.want == "" && note != "" {
			t.Errorf("%s: %+v %q", name, b, note)
		}
	}
	o := DefaultOptions()
	pairs := []Pair{row("1", "A", "", .1), row("2", "A", "", .2), row("3", "A", "", .3), row("4", "B", "", .4), row("5", "B", "", .5), {Plot: "6", Hand: 1, Image: 1.5}}
	g, err := NewGroupTable(pairs, ByTreatment, o)
	if err != nil || len(g.Groups) != 3 {
		t.Fatal(err, g)
	}
	for i, want := range []struct {
		name string
		n    int
		bias float64
		full bool
	}{{"A", 3, .2, true}, {"B", 2, .45, false}, {"not given", 1, .5, false}} {
		r := g.Groups[i]
		near(t, "bias of "+want.name, r.Bias, want.bias, 1e-12)
		if r.Name != want.name || r.N != want.n || (r.Agreement != nil) != want.full || (r.Note == "") != want.full {
			t.Errorf("%+v", r)
		}
	}
	if g, err = NewGroupTable(pairs[:3], ByTreatment, o); err != nil || g.Test != nil || !strings.Contains(g.Note, "one treatment only") {
		t.Errorf("%v %+v", err, g)
	}
	o.Confidence = 2
	if _, err := NewGroupTable(pairs, ByTreatment, o); err == nil || !strings.Contains(err.Error(), "confidence") {
		t.Errorf("%v", err)
	}
}

// TestStudySays: what is asked for is there, what is not is not.
func TestStudySays(t *testing.T) {
	pairs := trialPairs(rand.New(rand.NewPCG(18, 1)), 2, 2)
	o := DefaultOptions()
	o.Resamples = 200
	by := func(r Report) (out []string) {
		for _, g := range r.Groups {
			out = append(out, g.By)
		}
		return out
	}
	for _, minutes := range [][2]float64{{0, 0}, {5, 0}, {0, 1}, {5, 1}} {
		o.HandMinutes, o.PhotoMinutes = minutes[0], minutes[1]
		r, err := Study(pairs, o)
		if err != nil {
			t.Fatal(err)
		}
		if asked := minutes[0] > 0 && minutes[1] > 0; (r.Plan != nil) != asked || strings.Contains(strings.Join(r.Warnings, ";"), "plan") {
			t.Errorf("%v: plan %+v, %q", minutes, r.Plan, r.Warnings)
		}
		if r.Double == nil || !slices.Equal(by(r), []string{"visit", "treatment", "observer"}) {
			t.Errorf("%v", by(r))
		}
	}
	single := alternating([]float64{.1, .2, .3, .4}, []float64{.12, .19, .33, .41})
	for i := range single {
		single[i].Plot, single[i].Treatment = fmt.Sprint(i), ""
	}
	r, err := Study(single, o)
	if err != nil || r.Plan != nil || !strings.Contains(strings.Join(r.Warnings, ";"), "no plan for double sampling") || !slices.Equal(by(r), []string{"visit"}) {
		t.Errorf("%v %+v %v", err, r.Warnings, by(r))
	}
	o.By = []string{ByObserver}
	margin := 0.05
	o.Margin = &margin
	if r, err = Study(pairs, o); err != nil || !slices.Equal(by(r), []string{"observer"}) || r.Verdict == nil || len(r.Figure.Points) != len(pairs) {
		t.Errorf("%v %v", err, by(r))
	}
	p := r.Figure.Points[0]
	near(t, "mean", p.Mean, (pairs[0].Hand+pairs[0].Image)/2, 1e-12)
	near(t, "difference", p.Difference, pairs[0].Image-pairs[0].Hand, 1e-12)
	near(t, "calibrated", *p.Calibrated, r.Calibration.Chosen.At(pairs[0].Image), 1e-12)
	if r.Figure.Low > p.Hand || r.Figure.High < p.Image || r.Figure.Low < 0 || r.Figure.High > 1 {
		t.Errorf("%+v", r.Figure)
	}
	few := append(slices.Clone(pairs[:2]), Pair{Plot: "z", Hand: .2, Image: Missing()}, Pair{Plot: "y", Hand: Missing(), Image: .3})
	if _, err := Study(few, o); err == nil || !strings.Contains(err.Error(), "2 of 4 rows") {
		t.Errorf("%v", err)
	}
	if _, err := Study([]Pair{{Hand: 50, Image: .5}, {Hand: 40, Image: .4}, {Hand: 30, Image: .2}}, o); err == nil || !strings.Contains(err.Error(), "percent against proportion") {
		t.Errorf("%v", err)
	}
}

// TestBiasOfTreatmentsIsLoud: a bias that differs is said first, with what a common
// line does to it, whether it shows before that line or only after it.
func TestBiasOfTreatmentsIsLoud(t *testing.T) {
	o := DefaultOptions()
	o.Resamples = 200
	for name, c := range map[string]struct {
		camera func(hand float64, trt int) float64
		want   []string // nil: not loud
	}{
		"alike":             {func(h float64, trt int) float64 { return h }, nil},
		"one reads high":    {func(h float64, trt int) float64 { return h + 0.1*float64(trt) }, []string{"THE BIAS DIFFERS", "does not cure it"}},
		"slope of a half":   {func(h float64, trt int) float64 { return h / 2 }, []string{"THE BIAS DIFFERS", "no difference was shown"}},
		"only after a line": {func(h float64, trt int) float64 { return h/2 + 0.15*float64(trt) }, []string{"THE BIAS DIFFERS BETWEEN TREATMENTS:", "does not cure it"}},
	} {
		rng := rand.New(rand.NewPCG(19, 1))
		var pairs []Pair
		for p := range 16 {
			trt := p % 2
			h := 0.2 + 0.3*float64(trt) + 0.002*float64(p)*(1-2*float64(trt%2)) + 0.02*rng.NormFloat64()
			pairs = append(pairs, Pair{Plot: fmt.Sprint(p), Quadrat: "1", Treatment: fmt.Sprint(trt), Hand: h, Image: c.camera(h, trt) + 0.004*rng.NormFloat64()})
		}
		r, err := Study(pairs, o)
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Join(r.Loud, ";")
		if (said == "") != (c.want == nil) {
			t.Errorf("%s: %q", name, said)
		}
		for _, w := range c.want {
			if !strings.Contains(said, w) {
				t.Errorf("%s: %q does not say %q", name, said, w)
			}
		}
	}
	if s := loud(&BiasTest{Shown: true, Test: Test{5, 1, 3, 0.0123}}); !strings.Contains(s, "F = 5.00 on 1 and 3 df, p = .012") || !strings.Contains(s, "cannot be tested with so few plots") {
		t.Errorf("%q", s)
	}
	for p, want := range map[float64]string{0.0009: "p < .001", 0.001: "p = .001", 0.05: "p = .050", 0.999: "p = .999", 0.9991: "p > .999", 0.4: "p = .400"} {
		if got := pWords(p); got != want {
			t.Errorf("%g: %q", p, got)
		}
	}
}

// TestLineIsWarnedOf: each thing that speaks against a line, by a set that has it
// and one that has not.
func TestLineIsWarnedOf(t *testing.T) {
	var rng *rand.Rand
	build := func(camera func(h float64) float64) (out []Pair) {
		rng = rand.New(rand.NewPCG(20, 1))
		for p := range 12 {
			for q := range 2 {
				h := 0.1 + 0.06*float64(p) + 0.02*rng.NormFloat64()
				out = append(out, Pair{Plot: fmt.Sprint(p), Quadrat: fmt.Sprint(q), Hand: h, Image: camera(h)})
			}
		}
		return out
	}
	noise := func() float64 { return 0.01 * rng.NormFloat64() }
	for name, c := range map[string]struct {
		camera func(h float64) float64
		want   string
	}{
		"sound":        {func(h float64) float64 { return 0.2 + h/2 + noise() }, ""},
		"already true": {func(h float64) float64 { return h + noise() }, "no better than the raw image value"},
		"falling":      {func(h float64) float64 { return 0.9 - h + noise() }, "the chosen line falls"},
		"says nothing": {func(float64) float64 { return 0.4 + 10*noise() }, "is not shown to"},
	} {
		k, err := Calibrate(build(c.camera), DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Join(k.Warnings, ";")
		if c.want == "" && said != "" || !strings.Contains(said, c.want) {
			t.Errorf("%s: %q", name, said)
		}
		if len(k.Inverse) != 3 || k.Inverse[0].Unbounded != strings.Contains(said, "no reading can be calibrated") {
			t.Errorf("%s: %+v %q", name, k.Inverse, said)
		}
	}
	pairs := build(func(h float64) float64 { return 0.2 + h/2 + noise() })
	k, err := Calibrate(pairs, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	_, image := columns(pairs)
	slices.Sort(image)
	for i, p := range []float64{0.1, 0.5, 0.9} {
		near(t, "reading", k.Inverse[i].Y, quantileSorted(image, p), 1e-12)
	}
	near(t, "first point of the band", k.Band[0].Image, image[0], 1e-12)
	near(t, "last point of the band", k.Band[len(k.Band)-1].Image, image[len(image)-1], 1e-12)
	near(t, "middle of the band", k.Band[20].Image, (image[0]+image[len(image)-1])/2, 1e-12)
	near(t, "error of raw values", rootMeanSquare([]float64{1, 2}, []float64{4, 6}), math.Sqrt(12.5), 1e-12)
	if k, err = Calibrate(pairs[:2], DefaultOptions()); err != nil || k.Chosen != nil || k.Why == "" || len(k.Warnings) != 4 {
		t.Errorf("%v %+v", err, k)
	}
	// Pieces where nothing grows pull the line of counts, which listens most to
	// clean quadrats, off the others.
	for onLogs, c := range map[bool][2][]float64{
		false: {{0, 0, 29, 33, 37, 40, 45, 49, 51, 57}, {5, 9, 11, 16, 22, 25, 32, 37, 40, 48}},
		true:  {{0, 0, 19, 25, 29, 36, 38, 47, 50, 57}, {4, 14, 13, 18, 22, 28, 30, 38, 41, 47}},
	} {
		o := counts()
		o.Logs = onLogs
		k, err := Calibrate(paired(c[0], c[1]), o)
		if err != nil {
			t.Fatal(err)
		}
		want := map[bool]string{false: "pieces where there are no plants", true: "which bend it most"}[onLogs]
		if said := strings.Join(k.Warnings, ";"); !strings.Contains(said, "a plain line predicts left-out plots clearly better") || !strings.Contains(said, want) {
			t.Errorf("on logs %v: %q", onLogs, said)
		}
	}
}

// TestMeansAreRefused: a plot without photos and values that are none, by name.
func TestMeansAreRefused(t *testing.T) {
	l, err := FitLine(linePairs(rand.New(rand.NewPCG(44, 2)), 10, 3, 0.1), MethodOLS, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	for want, p := range map[string]PlotImages{
		"plot 101 has no image value to calibrate":       {"101", nil},
		"plot 102 has a missing or infinite image value": {"102", []float64{0.3, math.NaN()}},
	} {
		if _, err := l.ApplyMeans([]PlotImages{p}); err == nil || err.Error() != want {
			t.Errorf("%v", err)
		}
	}
	other := *l
	other.Cov = nil
	if _, err := ApplyMeansBy([]*Line{l, &other}, []PlotImages{{"1", []float64{.3}}, {"2", []float64{.3}}}); !errors.Is(err, errNoLineCov) {
		t.Errorf("%v", err)
	}
	m, err := l.ApplyMeans([]PlotImages{{"1", []float64{.3}}, {"2", []float64{l.High + 0.01}}, {"3", []float64{l.Low - 0.01}}})
	if err != nil || !slices.Equal(m.Extrapolated, []string{"2", "3"}) || len(m.Warnings) != 1 || strings.Count(m.Warnings[0], " to ") != 1 {
		t.Errorf("%v %+v", err, m)
	}
	if _, err := m.Variance([]float64{1, -1}); err == nil || !strings.Contains(err.Error(), "2 coefficients for 3 plots") {
		t.Errorf("%v", err)
	}
}

// TestCheckPointsAreRefused: points, shares and areas at both sides of what can be
// one.
func TestCheckPointsAreRefused(t *testing.T) {
	all := Mapped{Name: "visit 1", Green: 1, Mean: []float64{.5, .5}}
	good := twoClassPoints([]float64{.9, .8, .2, .1, .7, .3, .6, .4, .9, .1, .8, .2}, []int{1, 1, 0, 0, 1, 0, 1, 0, 1, 0, 0, 1})
	point := func(change func(p *CheckPoint)) []CheckPoint {
		out := slices.Clone(good)
		change(&out[2])
		return out
	}
	for _, c := range []struct {
		all    Mapped
		points []CheckPoint
		level  float64
		want   string
	}{
		{all, good, .9, ""}, {all, good[:10], .9, ""}, {all, good[:9], .9, "9 check points"}, {all, good, .51, ""}, {all, good, .5, "confidence"}, {all, good, 1, "confidence"},
		{all, point(func(p *CheckPoint) { p.Mapped = -1 }), .9, "check point 3 is not of the 2 classes"}, {all, point(func(p *CheckPoint) { p.Mapped = 2 }), .9, "check point 3 is not"},
		{all, point(func(p *CheckPoint) { p.Answer = -1 }), .9, "check point 3 is not"}, {all, point(func(p *CheckPoint) { p.Answer = 2 }), .9, "check point 3 is not"},
		{all, point(func(p *CheckPoint) { p.Prob = []float64{1} }), .9, "check point 3 is not"},
		{all, point(func(p *CheckPoint) { p.Prob = []float64{.5, .5009} }), .9, ""}, {all, point(func(p *CheckPoint) { p.Prob = []float64{.5, .5011} }), .9, "check point 3 has probabilities"},
		{all, point(func(p *CheckPoint) { p.Prob = []float64{1.0000005, -0.0000005} }), .9, ""}, {all, point(func(p *CheckPoint) { p.Prob = []float64{1.00001, -.00001} }), .9, "check point 3 has probabilities"},
		{Mapped{Name: "visit 1", Green: -1, Mean: all.Mean}, good, .9, "green of visit 1"}, {Mapped{Name: "visit 1", Green: math.Inf(1), Mean: all.Mean}, good, .9, "green of visit 1"},
		{Mapped{Name: "visit 1", Green: 0, Mean: all.Mean}, good, .9, ""}, {Mapped{Name: "visit 1", Green: 1, Mean: []float64{.5, .4}}, good, .9, "green of visit 1"},
	} {
		_, err := NewClassShares(c.all, c.points, c.level)
		if (c.want == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("want %q: %v", c.want, err)
		}
	}
	inPlots := func(n int) []CheckPoint {
		out := slices.Clone(good)
		for i := range out {
			out[i].Unit = fmt.Sprint(i % n)
		}
		return out
	}
	for n, ok := range map[int]bool{2: false, 3: true} {
		if _, err := NewClassShares(all, inPlots(n), .9); (err == nil) != ok {
			t.Errorf("%d plots: %v", n, err)
		}
		if _, err := NewShareLine(1, 2, inPlots(n), .9); (err == nil) != ok {
			t.Errorf("a line in %d plots: %v", n, err)
		}
	}
	near(t, "half an error in nine", halfError(9), 0.05*0.95, 1e-15)
	for _, class := range []int{-1, 2} {
		if _, err := NewShareLine(class, 2, good, .9); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("class %d", class)) {
			t.Errorf("%v", err)
		}
	}
	// Groups are held against each other from five points each.
	for n, tested := range map[int]bool{4: false, 5: true} {
		points := slices.Clone(good)
		for i := range points {
			points[i].Group = map[bool]string{true: "rye", false: "oats"}[i < n]
		}
		l, err := NewShareLine(1, 2, points, .9)
		if err != nil || (l.Test != nil) != tested || (l.Note == "") != tested {
			t.Errorf("%d points: %v %+v", n, err, l)
		}
	}
	l, err := NewShareLine(1, 2, good, .9)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []Mapped{{Green: 1, Mean: []float64{.5}}, {Green: -1, Mean: all.Mean}, {Green: math.Inf(1), Mean: all.Mean}, {Green: 1, Mean: []float64{.5, math.NaN()}}} {
		m.Name = "plot 7"
		if _, _, err := l.PlotAreas([]Mapped{m}); err == nil || !strings.Contains(err.Error(), "green of plot 7") {
			t.Errorf("%+v: %v", m, err)
		}
	}
	areas, _, err := l.PlotAreas([]Mapped{{Green: 0, Mean: all.Mean}, {Green: .4, Mean: []float64{0, 1}}})
	if err != nil || areas[0] != 0 || !(areas[1] > 0.2 && areas[1] <= 0.4) {
		t.Errorf("%v %v", err, areas)
	}
}

// TestSlopeOfOneIsReadBack: a slope of one is as good as any, a flat one is not.
func TestSlopeOfOneIsReadBack(t *testing.T) {
	l, err := FitOLS([]float64{1, 2, 3, 4}, []float64{3, 4, 5, 6}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	inv, err := l.Inverse(7, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "x", inv.X, 5, 1e-12)
	for want, f := range map[string]func() error{
		"0 readings": func() error { _, err := l.Inverse(7, 0); return err }, "the reading is missing": func() error { _, err := l.Inverse(math.NaN(), 1); return err },
	} {
		if err := f(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	// The mean of more readings is known better: bounds draw in.
	if l, err = FitOLS([]float64{1, 2, 3, 4, 5}, []float64{3.1, 3.9, 5.2, 5.8, 7}, 0.95); err != nil {
		t.Fatal(err)
	}
	one, err1 := l.Inverse(5, 1)
	four, err4 := l.Inverse(5, 4)
	if err1 != nil || err4 != nil {
		t.Fatal(err1, err4)
	}
	q := tHalf(0.95, 3) * l.Sigma
	for m, inv := range map[float64]Inverse{1: one, 4: four} {
		for _, x := range []float64{*inv.Low, *inv.High} {
			near(t, "bound", math.Abs(5-l.At(x)), q*math.Sqrt(1/m+1.0/5+(x-3)*(x-3)/10), 1e-9)
		}
	}
}

// TestOrderOfNoNumber: a rank correlation has no place for what is not a number.
func TestOrderOfNoNumber(t *testing.T) {
	for _, c := range [][2][]float64{{{1, math.NaN(), 3}, {1, 2, 3}}, {{1, 2, 3}, {1, 2, math.NaN()}}, {{1, 2}, {1, 2, 3}}, {{1}, {1}}} {
		if tau, err := KendallTauB(c[0], c[1]); err == nil {
			t.Errorf("%v: %g", c, tau)
		}
	}
}

// TestRangesOfShares: Jeffreys' interval at the size that has the variance, 0.001 of
// 19 points and 10 degrees of freedom, which a share of nothing or of all takes from
// half a point in twenty; by R 4.2.2 (qbeta, qt, qnorm).
func TestRangesOfShares(t *testing.T) {
	for share, want := range map[float64][2]float64{
		0: {0, 0.0901569912939}, 0.01: {0.000604198472972, 0.111190654384893}, 0.5: {0.442941655032, 0.557058344968}, 0.99: {0.888809345615, 0.999395801527}, 1: {0.909843008706, 1},
	} {
		low, high := shareRange(share, 0.001, 19, 10, 0.9)
		near(t, fmt.Sprint("low of ", share), low, want[0], 1e-9)
		near(t, fmt.Sprint("high of ", share), high, want[1], 1e-9)
	}
}
