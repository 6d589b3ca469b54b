package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// verdictPairs have plots of each of the named treatments, each over the
// visits, the camera off by the treatment's bias, a plot error and a photo error.
func verdictPairs(rng *rand.Rand, biases map[string]float64, plots, visits int, plotSD float64) (out []Pair) {
	names := make([]string, 0, len(biases))
	for n := range biases {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		for p := range plots {
			shared := plotSD * rng.NormFloat64()
			for v := range visits {
				h := 0.05 + 0.5*rng.Float64()
				out = append(out, Pair{Plot: n + fmt.Sprint(p), Quadrat: "1", Visit: fmt.Sprint(v), Treatment: n, Hand: h,
					Image: h + biases[n] + shared + 0.005*rng.NormFloat64()})
			}
		}
	}
	return out
}

func verdictOf(t *testing.T, pairs []Pair, enough Enough) *Verdict {
	t.Helper()
	table, err := NewGroupTable(pairs, ByTreatment, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	v, err := NewVerdict(pairs, 0.05, 0.95, table.Test, enough)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func codes(q *Question) (out []ReasonCode) {
	if q == nil {
		return nil
	}
	for _, r := range q.Reasons {
		out = append(out, r.Code)
	}
	return out
}

// A yes is earned by plots, visits or a range, and every treatment of the trial;
// what is missing is said, in codes and numbers.
func TestYesIsEarned(t *testing.T) {
	same := map[string]float64{"bare": 0, "rye": 0, "straw": 0}
	wide := [2]float64{0.05, 0.5}
	high := [2]float64{0.05, 0.95}
	for name, c := range map[string]struct {
		plots, visits int
		enough        Enough
		missing       []ReasonCode
	}{
		"enough":              {4, 3, DefaultEnough(), nil},
		"7 plots":             {2, 3, DefaultEnough(), []ReasonCode{FewPlots}},
		"8 plots":             {3, 3, Enough{Plots: 9, Visits: 3}, nil},
		"one short":           {3, 3, Enough{Plots: 10, Visits: 3}, []ReasonCode{FewPlots}},
		"2 visits":            {4, 2, DefaultEnough(), []ReasonCode{FewVisits}},
		"2 visits, range":     {4, 2, Enough{Plots: 8, Visits: 3, Range: &wide}, nil},
		"range not met":       {4, 3, Enough{Plots: 8, Visits: 3, Range: &high}, []ReasonCode{RangeNotCovered}},
		"treatment unseen":    {4, 3, Enough{Plots: 8, Visits: 3, Treatments: []string{"bare", "rye", "straw", "tarp"}}, []ReasonCode{TreatmentWithout}},
		"all treatments seen": {4, 3, Enough{Plots: 8, Visits: 3, Treatments: []string{"bare", "rye", "straw"}}, nil},
	} {
		v := verdictOf(t, verdictPairs(rand.New(rand.NewPCG(9, 2)), same, c.plots, c.visits, 0.002), c.enough)
		want := Yes
		if c.missing != nil {
			want = NotEnough
		}
		if v.Answer != want || v.Average.Answer != want || v.Comparing.Answer != want ||
			!slices.Equal(codes(&v.Average), c.missing) || !slices.Equal(codes(v.Comparing), c.missing) {
			t.Errorf("%s: %s, average %+v, comparing %+v", name, v.Answer, v.Average, v.Comparing)
		}
		if c.missing != nil && !strings.Contains(v.Sentence, v.Average.Reasons[0].Words()) {
			t.Errorf("%s: %q does not say %q", name, v.Sentence, v.Average.Reasons[0].Words())
		}
	}
}

// A bias that is shown to differ between treatments is never under a yes, though
// every treatment is within the margin; one that is not shown leaves the yes
// where the differences are bounded, and not yet where they are not.
func TestNoYesAboveADifferingBias(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 5))
	v := verdictOf(t, verdictPairs(rng, map[string]float64{"bare": 0, "rye": 0.02, "straw": 0}, 8, 3, 0.001), DefaultEnough())
	if v.Average.Answer != Yes || v.Comparing.Answer != No || v.Answer != No || !slices.Contains(codes(v.Comparing), BiasDiffers) {
		t.Errorf("bias shown to differ: %s, %+v, %+v", v.Answer, v.Average, v.Comparing)
	}
	if !strings.Contains(v.Sentence, "fake a treatment effect") {
		t.Errorf("sentence %q", v.Sentence)
	}
	pairs := verdictPairs(rng, map[string]float64{"bare": 0, "rye": 0}, 8, 3, 0.01)
	for shown, want := range map[bool]Answer{false: Yes, true: No} {
		got, err := NewVerdict(pairs, 0.05, 0.95, &BiasTest{Shown: shown}, DefaultEnough())
		if err != nil {
			t.Fatal(err)
		}
		if got.Answer != want {
			t.Errorf("shown %v: %s, %+v", shown, got.Answer, got.Comparing)
		}
	}
	// The average is settled, but plots scatter too much to bound the pairs.
	v = verdictOf(t, verdictPairs(rng, map[string]float64{"bare": 0, "rye": 0, "straw": 0, "tarp": 0}, 4, 3, 0.05), DefaultEnough())
	if v.Average.Answer != Yes || v.Comparing.Answer != NotEnough || v.Answer != NotEnough || !slices.Equal(codes(v.Comparing), []ReasonCode{PairsOpen}) {
		t.Errorf("open: %s, %+v, %+v", v.Answer, v.Average, v.Comparing)
	}
	v = verdictOf(t, verdictPairs(rng, map[string]float64{"bare": -0.06, "rye": 0.06}, 8, 3, 0.005), DefaultEnough())
	if v.Answer != No || !slices.Contains(codes(v.Comparing), PairsBeyond) || !slices.Contains(codes(v.Comparing), TreatmentBeyond) {
		t.Errorf("beyond: %s, %+v", v.Answer, v.Comparing)
	}
}

// Plot biases 1 and 3, and 2 and 6: means 2 and 4, variance (2 + 8)/2 = 5 on 2
// df, standard error sqrt(5 (1/2 + 1/2)) = 2.2360680, and t(0.95, 2) = 2.9199856
// (R 4.2.2) half of the 90 % interval.
func TestBiasDifferenceByHand(t *testing.T) {
	var pairs []Pair
	for i, d := range []float64{1, 3, 2, 6} {
		for q := range 2 {
			pairs = append(pairs, Pair{Plot: fmt.Sprint(i), Quadrat: fmt.Sprint(q), Treatment: "AABB"[i : i+1], Hand: 10, Image: 10 + d + float64(2*q-1)})
		}
	}
	v, err := NewVerdict(pairs, 30, 0.95, nil, DefaultEnough())
	if err != nil {
		t.Fatal(err)
	}
	d := v.BiasDifferences[0]
	near(t, "difference", d.Difference, -2, 1e-12)
	near(t, "se", d.SE, math.Sqrt(5), 1e-12)
	near(t, "low", d.Low, -2-2.9199856*math.Sqrt(5), 1e-6)
	near(t, "high", d.High, -2+2.9199856*math.Sqrt(5), 1e-6)
	if d.DF != 2 || d.A != "A" || d.B != "B" {
		t.Errorf("%+v", d)
	}
}

// Small sets that once were told yes: three pairs, and five plots whose camera
// reads two points high.
func TestSmallSetsAreNotYet(t *testing.T) {
	three := []Pair{{Plot: "0", Visit: "1", Treatment: "A", Hand: 0.104, Image: 0.091}, {Plot: "1", Visit: "1", Treatment: "B", Hand: 0.157, Image: 0.174},
		{Plot: "2", Visit: "1", Treatment: "C", Hand: 0.04, Image: 0.055}}
	var five []Pair
	for i, v := range [][2]float64{{41, 44.9}, {45.9, 51.9}, {49.2, 54.1}, {41.3, 42}, {30.2, 32.8}, {27.6, 29.3}, {12.7, 15.7}, {6.3, 9.3}, {30.2, 31.5}, {29.9, 31.9}} {
		five = append(five, Pair{Plot: fmt.Sprint(i / 2), Quadrat: fmt.Sprint(i % 2), Visit: "1", Treatment: string(rune('A' + i/2)), Hand: v[0] / 100, Image: v[1] / 100})
	}
	for name, pairs := range map[string][]Pair{"three pairs": three, "five plots": five} {
		v, err := NewVerdict(pairs, 0.05, 0.95, nil, DefaultEnough())
		if err != nil {
			t.Fatal(err)
		}
		if v.Overall.Answer != Yes {
			t.Errorf("%s: the tests alone were to say yes, %+v", name, v.Overall)
		}
		if v.Answer != NotEnough || !slices.Equal(codes(&v.Average), []ReasonCode{FewPlots, FewVisits}) || v.Average.Reasons[0].Need != 8 ||
			!slices.Contains(codes(v.Comparing), FewPlotsWithin) {
			t.Errorf("%s: %s, %+v, %+v", name, v.Answer, v.Average, v.Comparing)
		}
	}
}

// With the biases of two treatments exactly the margin apart, and none on
// average, a yes for comparing them is wrong; it comes in no more than 5 % of
// sets.
func TestComparingKeepsItsLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 15))
	runs := heavy(400, 4000)
	wrong, right := 0.0, 0.0
	for range runs {
		for _, half := range []float64{0.025, 0} {
			pairs := verdictPairs(rng, map[string]float64{"bare": half, "rye": -half}, 6, 3, 0.015)
			v, err := NewVerdict(pairs, 0.05, 0.95, nil, DefaultEnough())
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case v.Comparing.Answer != Yes:
			case half > 0:
				wrong++
			default:
				right++
			}
		}
	}
	n := float64(runs)
	t.Logf("yes for comparing: %.3f at the margin, %.3f without a difference", wrong/n, right/n)
	if wrong/n > 0.05+3.5*math.Sqrt(0.05*0.95/n) || right/n < 0.8 {
		t.Errorf("yes in %.3f at the margin and %.3f without a difference", wrong/n, right/n)
	}
}

// Two observers of one quadrat are two readings and no duplicate; one observer
// twice is.
func TestObserversAreNoDuplicates(t *testing.T) {
	p := Pair{Plot: "1", Quadrat: "1", Visit: "1", Observer: "first", Hand: 0.2, Image: 0.21}
	q := p
	q.Observer, q.Hand = "second", 0.3
	full, _, in, err := Clean([]Pair{p, q}, DefaultOptions())
	if err != nil || len(full) != 2 || len(in.Problems) != 0 {
		t.Errorf("two observers: %d pairs, %+v, %v", len(full), in.Problems, err)
	}
	q.Observer = "first"
	full, _, in, err = Clean([]Pair{p, q}, DefaultOptions())
	if err != nil || len(full) != 0 || len(in.Problems) != 2 {
		t.Errorf("one observer twice: %d pairs, %+v, %v", len(full), in.Problems, err)
	}
}
