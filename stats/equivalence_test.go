package stats_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"quadtally/stats"
)

// The mean of two years of barley at six places, five varieties in places as
// blocks (immer, Immer, Hayes and Powers 1934), against Manchuria within 10
// bushels, and within a tenth of its mean: R 4.2.2, lm, pt with 20 df.
func TestWithinMarginImmer(t *testing.T) {
	cols, y := columns(t, "immer.csv")
	trial, variety := cols["trial"], cols["treatment"]
	sum := map[[2]string]float64{}
	for i := range y {
		place, _, _ := strings.Cut(trial[i], "-")
		sum[[2]string{place, variety[i]}] += y[i] / 2
	}
	var rows []stats.Row
	for k, v := range sum {
		rows = append(rows, stats.Row{Block: k[0], Treatment: k[1], Value: v})
	}
	a := analyse(t, rows, plain())
	if a.ResidualDF != 20 {
		t.Fatalf("%d residual df", a.ResidualDF)
	}
	got, err := a.Within("M", stats.Margin{Below: 10, Above: 10})
	if err != nil {
		t.Fatal(err)
	}
	relative, err := a.Within("M", stats.Margin{Below: 0.1, Above: 0.1, Relative: true})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]struct{ d, t, p, bound, tShare, pShare float64 }{
		"P": {8.15, 2.98619058, 3.64958991e-03, -2.33279916, 3.042019, 0.003218166},
		"S": {-3.25833333, 1.10919568, 1.40252833e-01, -13.74113249, 1.068965, 0.148909},
		"T": {23.80833333, 5.56243122, 9.56946457e-06, 13.32553418, 5.750103, 6.291341e-06},
		"V": {4.79166667, 2.43364935, 1.22247529e-02, -5.69113249, 2.4612, 0.01153127},
	}
	if len(got) != 4 {
		t.Fatalf("%d comparisons", len(got))
	}
	for i, n := range got {
		w := want[n.Treatment]
		near(t, n.Treatment+" difference", n.Difference, w.d, 1e-7)
		near(t, n.Treatment+" t", n.TLower, w.t, 1e-7)
		near(t, n.Treatment+" p", n.PLower, w.p, 1e-9)
		near(t, n.Treatment+" bound", n.Lower, w.bound, 1e-7)
		if n.TooLow != (*n.Upper < -10) || n.TooHigh != (*n.Lower > 10) || n.NotBelow != (w.p <= 0.05) || n.NotBelow != (*n.Lower > -10) || n.NotAbove != (*n.Upper < 10) {
			t.Errorf("%+v", n)
		}
		r := relative[i]
		near(t, n.Treatment+" t of a share", r.TLower, w.tShare, 1e-6)
		near(t, n.Treatment+" p of a share", r.PLower, w.pShare, 1e-7)
		// The test and Fieller's bound say the same.
		if r.TooLow != (*r.Upper < 0.9) || r.TooHigh != (*r.Lower > 1.1) || r.NotBelow != (*r.Lower > 0.9) || r.NotAbove != (*r.Upper < 1.1) {
			t.Errorf("%+v", r)
		}
	}
}

// Two one-sided tests of plasma leucine of pigs (log scale, margin log 1.25):
// data pigs and test(pairs(emmeans(m, "source")), delta = log(1.25), side =
// "equivalence") of the R package emmeans 1.8.4: t 0.937, 3.308 and -1.765 on 23
// df, the last with p 0.0454.
func TestWithinMarginPigs(t *testing.T) {
	pigs := map[string][4][]float64{
		"fish": {{27.8, 23.7}, {31.5, 28.5, 32.8}, {34, 28.3}, {30.6, 32.7, 33.7}},
		"soy":  {{39.3, 34.8, 29.8}, {39.8, 40, 39.1}, {38.5, 39.2, 40}, {42.9}},
		"skim": {{40.6, 31, 34.6}, {42.9, 50.1, 37.4}, {59.5, 41.4}, {59.8}},
	}
	var y []float64
	var source, percent []string
	for s, groups := range pigs {
		for p, g := range groups {
			for _, v := range g {
				y, source, percent = append(y, math.Log(v)), append(source, s), append(percent, fmt.Sprint(p))
			}
		}
	}
	f, err := stats.FitLinear(y, stats.FactorTerm("percent", percent), stats.FactorTerm("source", source))
	if err != nil {
		t.Fatal(err)
	}
	means, err := f.MeansOf("source")
	if err != nil {
		t.Fatal(err)
	}
	margin := math.Log(1.25)
	against := func(reference string) map[string]stats.NotWorse {
		out := map[string]stats.NotWorse{}
		list, err := means.Within(reference, stats.Margin{Below: margin, Above: margin}, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range list {
			out[n.Treatment] = n
		}
		return out
	}
	soy := against("skim")["soy"]
	near(t, "soy - skim", soy.Difference, -0.1295098, 5e-8)
	near(t, "t", soy.TLower, 1.765, 5e-4) // the sign that R prints is that of |d| - delta
	near(t, "p", soy.PLower, 0.0454, 5e-5)
	if !soy.Equivalent {
		t.Errorf("%+v", soy)
	}
	fish := against("soy")["fish"]
	near(t, "fish - soy t", fish.TLower, -0.937, 5e-4)
	near(t, "fish - soy p", fish.PLower, 0.8209, 5e-5)
	if fish.Equivalent || fish.NotBelow || !fish.NotAbove {
		t.Errorf("%+v", fish)
	}
}

// At the edge of the margin a treatment is called good enough in no more than
// 5 % of trials, relative or not.
func TestWithinMarginKeepsItsLevel(t *testing.T) {
	runs := 800
	if heavy() {
		runs = 10000
	}
	rng := rand.New(rand.NewPCG(1, 95))
	wrong := map[bool]int{}
	for range runs {
		var rows []stats.Row
		for b := range 4 {
			block := 3 * rng.NormFloat64()
			for k, mean := range []float64{50, 47.5, 50, 52.5} {
				rows = append(rows, stats.Row{Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k), Value: mean + block + 2*rng.NormFloat64()})
			}
		}
		a := analyse(t, rows, plain())
		for _, relative := range []bool{false, true} {
			m := stats.Margin{Below: 2.5, Above: 2.5, Relative: relative}
			if relative {
				m.Below, m.Above = 0.05, 0.05
			}
			list, err := a.Within("T0", m)
			if err != nil {
				t.Fatal(err)
			}
			if list[0].NotBelow {
				wrong[relative]++
			}
		}
	}
	for _, relative := range []bool{false, true} {
		n := wrong[relative]
		share := float64(n) / float64(runs)
		if math.Abs(share-0.05) > 4*math.Sqrt(0.05*0.95/float64(runs)) {
			t.Errorf("relative %v: wrongly good enough in %.3f of trials", relative, share)
		}
	}
}

func TestWithinMarginRefusals(t *testing.T) {
	a := analyse(t, d1Rows(), rawPercent())
	for _, m := range []stats.Margin{{}, {Below: 5}, {Below: -1, Above: 2}, {Below: math.Inf(1), Above: 2}, {Below: 1, Above: 0.1, Relative: true}} {
		if _, err := a.Within("BARE", m); err == nil {
			t.Errorf("margin %+v was accepted", m)
		}
	}
	ok := stats.Margin{Below: 5, Above: 5}
	if _, err := a.Within("HOE", ok); err == nil {
		t.Error("an unknown reference was accepted")
	}
	o := rawPercent()
	o.Scale = stats.ArcsineSqrt
	if _, err := analyse(t, d1Rows(), o).Within("BARE", ok); err == nil {
		t.Error("a margin in points was accepted on the angular scale")
	}
	list, err := a.Within("BARE", ok)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := json.Marshal(list); err != nil {
		t.Error(err)
	}
	for _, n := range list {
		if n.NotBelow || !n.NotAbove || !n.Beyond(stats.BothSides) || n.Beyond(stats.AboveControl) || !strings.Contains(n.Words("BARE", stats.BothSides), "by more than the margin") || !strings.Contains(n.Words("BARE", stats.BelowControl), "worse than BARE by more than the margin") || !strings.Contains(n.Words("BARE", stats.AboveControl), "as good as") {
			t.Errorf("%+v: %q", n, n.Words("BARE", stats.BothSides))
		}
	}
	// One block leaves no error to judge by: no numbers, and no claim.
	var one []stats.Row
	for _, r := range d1Rows() {
		if r.Block == "1" {
			one = append(one, r)
		}
	}
	list, err = analyse(t, one, rawPercent()).Within("BARE", ok)
	if err != nil {
		t.Fatal(err)
	}
	if n := list[0]; n.PLower != nil || n.NotAbove || n.NotBelow || !strings.Contains(n.Words("BARE", stats.BothSides), "cannot be compared") {
		t.Errorf("%+v", n)
	}
}

// Counts and covers are held to a relative margin by the ratios that the
// suppression is told from: a margin is met where the one-sided bound lies
// within it, and nowhere else. What has no ratio is not compared, and a margin
// in the unit of the response is refused.
func TestMarginOfWeeds(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 1))
	met, open := 0, 0
	for run := range 30 {
		rows := drawnCover(rng, []float64{.3, .28, .2, .05, .3}, 0.3, 20)
		o := plain()
		o.Kind, o.Control, o.UnitKnown = stats.Percent, "T0", true
		if run%2 == 1 {
			for i := range rows {
				rows[i].Value = math.Round(rows[i].Value)
			}
			o.Kind = stats.Count
		}
		o.Scale = stats.DefaultScale(o.Kind)
		a := analyse(t, rows, o)
		for _, by := range []float64{0.1, 0.3, 0.9} {
			res, err := a.Within("T0", stats.Margin{Below: by, Above: by, Relative: true})
			if err != nil || len(res) != 4 {
				t.Fatal(err, res)
			}
			for _, n := range res {
				i := slices.IndexFunc(a.Treatments, func(r stats.TreatmentResult) bool { return r.Treatment == n.Treatment })
				s := a.Treatments[i].Suppression
				if math.Abs(100*(1-*n.Ratio)-*s.Percent) > 1e-9 || 100*(1-*n.Upper) < *s.Lower || 100*(1-*n.Lower) > *s.Upper {
					t.Errorf("ratio %v (%v to %v), suppression %v (%v to %v)", *n.Ratio, *n.Lower, *n.Upper, *s.Percent, *s.Lower, *s.Upper)
				}
				if n.NotAbove != (*n.Upper <= 1+by) || n.NotBelow != (*n.Lower >= 1-by) || n.Equivalent != (n.NotAbove && n.NotBelow) {
					t.Errorf("margin %v: %+v", by, n)
				}
				if n.NotAbove {
					met++
				} else {
					open++
				}
			}
		}
		if _, err := a.Within("T0", stats.Margin{Below: 5, Above: 5}); !errors.Is(err, stats.ErrScale) {
			t.Errorf("a margin in points: %v", err)
		}
		if _, err := a.Within("T9", stats.Margin{Below: .1, Above: .1, Relative: true}); err == nil {
			t.Error("an unknown reference")
		}
		if _, err := a.Within("T0", stats.Margin{Below: 1.2, Above: 1.2, Relative: true}); err == nil {
			t.Error("more than all of it")
		}
	}
	if met < 20 || open < 20 {
		t.Errorf("%d margins met, %d open", met, open)
	}
	rows := drawnCover(rng, []float64{.3, .28, .2, .05, .3}, 0.3, 20)
	for i := range rows {
		if rows[i].Treatment == "T3" {
			rows[i].Value = 0
		}
	}
	o := plain()
	o.Kind, o.Control, o.UnitKnown, o.Scale = stats.Percent, "T0", true, stats.ArcsineSqrt
	a := analyse(t, rows, o)
	res, err := a.Within("T0", stats.Margin{Below: .2, Above: .2, Relative: true})
	if err != nil || res[2].Treatment != "T3" || res[2].PLower != nil || res[2].NotAbove || res[0].PLower == nil {
		t.Errorf("%v, %+v", err, res)
	}
	if _, err := a.Within("T3", stats.Margin{Below: .2, Above: .2, Relative: true}); err == nil || !strings.Contains(err.Error(), "is no margin") {
		t.Errorf("an empty reference: %v", err)
	}
}
