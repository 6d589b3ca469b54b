package calibrate

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// alternating are pairs of hand and image in plots of two quadrats, treatments in
// turn.
func alternating(hand, image []float64) []Pair {
	var out []Pair
	for i := range hand {
		out = append(out, Pair{Plot: fmt.Sprint(101 + i/2), Quadrat: fmt.Sprint(1 + i%2), Visit: "1", Treatment: []string{"RYE", "BARE"}[i/2%2], Hand: hand[i], Image: image[i]})
	}
	return out
}

// TestEveryEntryChecksItsOptions: a confidence that is none is refused by whatever
// takes options, and pairs are refused that cannot be used.
func TestEveryEntryChecksItsOptions(t *testing.T) {
	hand, image := []float64{.1, .2, .3, .4, .25, .35}, []float64{.12, .19, .33, .41, .22, .36}
	pairs := alternating(hand, image)
	for name, f := range map[string]func(o Options, p []Pair) error{
		"agree":    func(o Options, p []Pair) error { _, err := Agree(p, o); return err },
		"double":   func(o Options, p []Pair) error { _, err := NewDoubleSampling(p, nil, o); return err },
		"line":     func(o Options, p []Pair) error { _, err := FitLine(p, MethodOLS, o); return err },
		"line set": func(o Options, p []Pair) error { _, err := Calibrate(p, o); return err },
		"study":    func(o Options, p []Pair) error { _, err := Study(p, o); return err },
	} {
		if err := f(DefaultOptions(), pairs); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		bad := DefaultOptions()
		bad.Confidence = 1.2
		if err := f(bad, pairs); err == nil {
			t.Errorf("%s took a confidence of 1.2", name)
		}
		if err := f(DefaultOptions(), pairs[:2]); name != "line set" && name != "study" && err == nil {
			t.Errorf("%s took two pairs", name)
		}
		gap := append([]Pair(nil), pairs...)
		gap[3].Image = math.NaN()
		if err := f(DefaultOptions(), gap); name != "line set" && name != "study" && err == nil {
			t.Errorf("%s took a missing value", name)
		}
	}
}

// TestIntraclassRefuses: what has no two subjects, no two raters, a gap, or
// subjects that are all alike.
func TestIntraclassRefuses(t *testing.T) {
	for want, ratings := range map[string][][]float64{
		"at least 2 subjects": {{1, 2}}, "at least 2 subjects and 2 raters": {{1}, {2}}, "subject 2 has 3 ratings, need 2": {{1, 2}, {1, 2, 3}, {4, 5}},
		"missing or infinite": {{1, 2}, {math.NaN(), 3}, {4, 5}}, "subjects do not differ": {{1, 1}, {1, 1}, {1, 1}},
	} {
		if icc, err := NewICC(ratings, 0.95); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %+v %v", ratings, icc, err)
		}
	}
}

// TestOddPairs: each thing that is odd is said with its number, and pairs that
// are none are passed over in silence.
func TestOddPairs(t *testing.T) {
	pair := func(change func(*Pair)) Pair {
		p := Pair{Plot: "101", Quadrat: "1", Treatment: "RYE", Hand: .2, Image: .2}
		if change != nil {
			change(&p)
		}
		return p
	}
	for name, c := range map[string]struct {
		pairs []Pair
		kind  Kind
		want  string
	}{
		"none":                      {nil, Cover, ""},
		"sound":                     {[]Pair{pair(nil), pair(nil)}, Cover, ""},
		"no plot":                   {[]Pair{pair(func(p *Pair) { p.Plot = "" }), pair(nil)}, Cover, "1 of 2 pairs name no plot"},
		"no quadrat":                {[]Pair{pair(func(p *Pair) { p.Quadrat = "" }), pair(nil)}, Cover, "1 of 2 pairs name no quadrat"},
		"two treatments":            {[]Pair{pair(nil), pair(func(p *Pair) { p.Treatment = "BARE" })}, Cover, "plot 101 is given under more than one treatment"},
		"no plot, two treatments":   {[]Pair{pair(func(p *Pair) { p.Plot = "" }), pair(func(p *Pair) { p.Plot, p.Treatment = "", "BARE" })}, Cover, "2 of 2 pairs name no plot"},
		"a hundred times":           {[]Pair{pair(func(p *Pair) { p.Hand = .002 })}, Cover, "differ by a factor near 100"},
		"a hundredth":               {[]Pair{pair(func(p *Pair) { p.Image = .002 })}, Cover, "differ by a factor near 100"},
		"61 times":                  {[]Pair{pair(func(p *Pair) { p.Image = .2 / 61 })}, Cover, "differ by a factor near 100"},
		"59 times":                  {[]Pair{pair(func(p *Pair) { p.Image = .2 / 59 })}, Cover, ""},
		"171 times":                 {[]Pair{pair(func(p *Pair) { p.Image = .2 / 171 })}, Cover, ""},
		"171st":                     {[]Pair{pair(func(p *Pair) { p.Hand = .2 / 171 })}, Cover, ""},
		"nothing by hand":           {[]Pair{pair(func(p *Pair) { p.Hand = 0 })}, Cover, ""},
		"nothing in the image":      {[]Pair{pair(func(p *Pair) { p.Image = 0 })}, Cover, ""},
		"counts of a hundred":       {[]Pair{pair(func(p *Pair) { p.Hand, p.Image = 100, 1 })}, Count, ""},
		"counts that are not whole": {[]Pair{pair(func(p *Pair) { p.Hand, p.Image = 2.5, 1 }), pair(func(p *Pair) { p.Hand, p.Image = 2, 1 })}, Count, "1 hand counts are not whole"},
		"cover that is not whole":   {[]Pair{pair(func(p *Pair) { p.Hand = .25 })}, Cover, ""},
	} {
		got := strings.Join(oddities(c.pairs, c.kind), "; ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) || strings.Contains(got, "; ") {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
	if got := list([]string{"a", "b", "c"}, 3); got != "a, b, c" {
		t.Errorf("%q", got)
	}
	if got := list([]string{"a", "b", "c", "d", "e"}, 3); got != "a, b, c and 2 more" {
		t.Errorf("%q", got)
	}
}

// TestPlotsAreNumbered: pairs of one plot have one number, pairs without a plot
// one each.
func TestPlotsAreNumbered(t *testing.T) {
	var pairs []Pair
	for _, plot := range []string{"a", "", "b", "a", "", "b"} {
		pairs = append(pairs, Pair{Plot: plot})
	}
	plot, n := plotsOf(pairs)
	if fmt.Sprint(plot, n) != "[0 1 2 0 3 2] 4" {
		t.Errorf("%v of %d", plot, n)
	}
}

// TestFitsRefuse: lines through values that are too few, of unlike number, not
// numbers or all the same are refused by every fit.
func TestFitsRefuse(t *testing.T) {
	x, y := []float64{1, 2, 3, 4, 5}, []float64{1.1, 2.3, 2.9, 4.2, 4.8}
	for name, fit := range map[string]func(x, y []float64) error{
		"Deming":         func(x, y []float64) error { _, err := FitDeming(x, y, 1, 0.95); return err },
		"OLS":            func(x, y []float64) error { _, err := FitOLS(x, y, 0.95); return err },
		"Theil-Sen":      func(x, y []float64) error { _, err := FitTheilSen(x, y, 0.95); return err },
		"Passing-Bablok": func(x, y []float64) error { _, err := FitPassingBablok(x, y, 0.95); return err },
		"counts":         func(x, y []float64) error { _, err := FitCounts(x, y); return err },
	} {
		if err := fit(x, y); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for why, c := range map[string][2][]float64{
			"one value":     {x[:1], y[:1]},
			"unlike number": {x, y[:4]},
			"x no number":   {[]float64{1, 2, math.NaN(), 4, 5}, y},
			"y no number":   {x, []float64{1, math.Inf(1), 3, 4, 5}},
		} {
			if err := fit(c[0], c[1]); err == nil {
				t.Errorf("%s took %s", name, why)
			}
		}
	}
	for _, ratio := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := FitDeming(x, y, ratio, 0.95); err == nil {
			t.Errorf("Deming with a ratio of %v", ratio)
		}
	}
	// Falling values have no Passing-Bablok line; those of one x no slope.
	if _, err := FitPassingBablok(x, []float64{5, 4, 3, 2, 1}, 0.95); err == nil {
		t.Error("a falling Passing-Bablok line")
	}
	pairs := alternating([]float64{.1, .2, .3, .4, .25, .35}, []float64{.12, .19, .33, .41, .22, .36})
	for _, level := range []float64{0.5, 1, math.NaN()} {
		if _, err := NewTOST(pairs, 0.05, level); err == nil {
			t.Errorf("equivalence at a confidence of %v", level)
		}
	}
	if _, err := NewTOST(pairs, 0.05, 0.51); err != nil {
		t.Error(err)
	}
	if _, err := NewGroupTable(pairs, "colour", DefaultOptions()); err == nil || !strings.Contains(err.Error(), `cannot group by "colour"`) {
		t.Errorf("%v", err)
	}
}
