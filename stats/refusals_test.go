package stats_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/stats"
)

// refuses checks that each call is refused with the words that say why.
func refuses(t *testing.T, calls map[string]func() error) {
	t.Helper()
	for want, f := range calls {
		if err := f(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want a refusal with %q", err, want)
		}
	}
}

// bounds checks the values a setting takes, those next to a bound on either
// side.
func bounds(t *testing.T, what string, f func(v float64) error, good, bad []float64) {
	t.Helper()
	for _, v := range good {
		if err := f(v); err != nil {
			t.Errorf("%s %g: %v", what, v, err)
		}
	}
	for _, v := range append(bad, math.NaN()) {
		if f(v) == nil {
			t.Errorf("%s %g accepted", what, v)
		}
	}
}

func TestOptionsBounds(t *testing.T) {
	inf := math.Inf(1)
	with := func(set func(o *stats.Options, v float64)) func(float64) error {
		return func(v float64) error {
			o := plain()
			set(&o, v)
			return o.Validate()
		}
	}
	bounds(t, "alpha", with(func(o *stats.Options, v float64) { o.Alpha = v }), []float64{1e-9, 0.499}, []float64{0, 0.5, -0.1})
	bounds(t, "ground", with(func(o *stats.Options, v float64) { o.Ground = v }), []float64{0, 3}, []float64{-1e-9, inf})
	bounds(t, "one", with(func(o *stats.Options, v float64) { o.One = v }), []float64{0, 3}, []float64{-1e-9, inf})
	for points, ok := range map[int]bool{0: true, 1: true, -1: false} {
		o := plain()
		o.Points = points
		if (o.Validate() == nil) != ok {
			t.Errorf("%d points: %v", points, o.Validate())
		}
	}
	for _, side := range []stats.Side{stats.BothSides, stats.BelowControl, stats.AboveControl} {
		o := plain()
		o.Side = side
		if err := o.Validate(); err != nil {
			t.Error(err)
		}
	}
	refuses(t, map[string]func() error{
		`scale "logit" does not suit a count`: func() error {
			o := plain()
			o.Kind, o.Scale = stats.Count, stats.Logit
			return o.Validate()
		},
		`kind of response "weight"`: func() error { o := plain(); o.Kind = "weight"; return o.Validate() },
		`side "left"`:               func() error { o := plain(); o.Side = "left"; return o.Validate() },
		`no method "duncan"`:        func() error { o := plain(); o.Method = "duncan"; return o.Validate() },
		"randomisation test: ":      func() error { o := plain(); o.Randomise.Draws = -1; return o.Validate() },
	})
}

// fitted are a fit of the table d1 and its means of treatments.
func fitted(t *testing.T) (*stats.Fit, stats.Means) {
	t.Helper()
	y, treatment, block := plots(coverD1.treatments, coverD1.table)
	f, err := stats.FitLinear(y, stats.FactorTerm("block", block), stats.FactorTerm("treatment", treatment))
	if err != nil {
		t.Fatal(err)
	}
	m, err := f.MeansOf("treatment")
	if err != nil {
		t.Fatal(err)
	}
	return f, m
}

func TestMeansRefuse(t *testing.T) {
	f, m := fitted(t)
	pairs := func(v float64) error { _, err := m.Pairs(stats.LSD, v); return err }
	bounds(t, "level of pairs", pairs, []float64{1e-6, 0.999}, []float64{0, 1, -0.1})
	control := func(v float64) error {
		_, err := m.VsControlContext(t.Context(), "BARE", stats.BothSides, v)
		return err
	}
	bounds(t, "level of the control", control, []float64{1e-6, 0.999}, []float64{0, 1, -0.1})
	step := func(v float64) error {
		_, err := m.VsControlStepDownContext(t.Context(), "BARE", stats.BothSides, v)
		return err
	}
	bounds(t, "level of the steps", step, []float64{1e-6, 0.999}, []float64{0, 1})
	ask := []stats.Question{{Name: "cover", Weights: map[string]float64{"BARE": 1, "RYE": -1}}}
	bounds(t, "confidence of contrasts", func(v float64) error {
		_, err := m.Planned(ask, stats.ContrastsAlone, v)
		return err
	}, []float64{1e-6, 0.999}, []float64{0, 1, 95})
	rates := map[string]float64{"BARE": 0, "RYE": 1, "RYEVETCH": 2, "STRAW": 3, "TARP": 4}
	bounds(t, "level of a trend", func(v float64) error {
		_, err := f.Trend("treatment", rates, 2, v)
		return err
	}, []float64{1e-6, 0.999}, []float64{0, 1, 5})
	tenth := 0.1
	refuses(t, map[string]func() error{
		"the rates 0.3 and 0.30000000000000004 are the same": func() error {
			_, err := f.Trend("treatment", map[string]float64{"BARE": 0, "RYE": 0.1, "STRAW": 0.3, "TARP": 3 * tenth}, 3, 0.05)
			return err
		},
		"the rates 0 and 1e-300 are the same": func() error {
			_, err := f.Trend("treatment", map[string]float64{"BARE": 0, "RYE": 1e-300, "STRAW": 1, "TARP": 2}, 3, 0.05)
			return err
		},
		`no method "duncan"`: func() error { _, err := m.Pairs("duncan", 0.05); return err },
		`side "left"`: func() error {
			_, err := m.VsControlContext(t.Context(), "BARE", "left", 0.05)
			return err
		},
		`no treatment "OATS"`: func() error {
			_, err := m.VsControlContext(t.Context(), "OATS", stats.BothSides, 0.05)
			return err
		},
		"2 coefficients for 5 treatments": func() error { _, err := m.Contrast("c", []float64{1, -1}, 0.95); return err },
		"not a number":                    func() error { _, err := m.Contrast("c", []float64{1, -1, math.NaN(), 0, 0}, 0.95); return err },
		"sum to zero, not 1.0":            func() error { _, err := m.Contrast("c", []float64{1, -1 + 1e-8, 0, 0, 0}, 0.95); return err },
		"not all be zero":                 func() error { _, err := m.Contrast("c", make([]float64, 5), 0.95); return err },
		`no adjustment "tukey"`:           func() error { _, err := m.Planned(ask, "tukey", 0.95); return err },
		`no factor "rate"`:                func() error { _, err := f.Trend("rate", rates, 2, 0.05); return err },
		`no factor "mulch"`:               func() error { _, err := f.MeansOf("mulch"); return err },
		`factor "mulch"`:                  func() error { _, err := f.VarianceComponent("mulch"); return err },
		"nothing was analysed":            func() error { _, err := stats.Analysis{}.Trend(rates, 2); return err },
		"nothing was compared":            func() error { _, err := stats.Analysis{}.Within("BARE", stats.Margin{Below: 1, Above: 1}); return err },
		"name one":                        func() error { _, err := stats.Analysis{}.VsControlStepDownContext(t.Context()); return err },
	})
	if _, err := m.Contrast("c", []float64{1, -1 + 1e-10, 0, 0, 0}, 0.95); err != nil {
		t.Errorf("weights as near to zero as thirds are: %v", err)
	}
	for how, want := range map[stats.ContrastAdjustment]string{stats.ContrastsHolm: "Holm", stats.ContrastsScheffe: "Scheffe", stats.ContrastsAlone: "each on its own"} {
		if how.Words() != want {
			t.Errorf("%s reads %q", how, how.Words())
		}
	}
}

func TestFitRefuses(t *testing.T) {
	three := []string{"a", "b", "b"}
	fit := func(y []float64, terms ...stats.Term) func() error {
		return func() error { _, err := stats.FitLinear(y, terms...); return err }
	}
	refuses(t, map[string]func() error{
		"no observations":                      fit(nil),
		"observation 2 is not a finite":        fit([]float64{1, math.NaN(), 2}, stats.FactorTerm("f", three)),
		"factor f has 3 labels for 2":          fit([]float64{1, 2}, stats.FactorTerm("f", three)),
		"covariate x has 2 values for 3":       fit([]float64{1, 2, 3}, stats.CovariateTerm("x", []float64{1, 2})),
		"covariate x: value 2 is not a finite": fit([]float64{1, 2, 3}, stats.CovariateTerm("x", []float64{1, math.Inf(1), 2})),
		"covariate nothing has 0 values for 3": fit([]float64{1, 2, 3}, stats.Term{Name: "nothing"}),
	})
}

func TestTransformRefuses(t *testing.T) {
	of := func(kind stats.Kind, scale stats.Scale, values ...float64) func() error {
		return func() error { _, _, err := stats.NewTransform(kind, scale, values, 0); return err }
	}
	refuses(t, map[string]func() error{
		`kind of response "weight"`:            of("weight", stats.Raw, 1),
		`scale "arcsine_sqrt" does not suit`:   of(stats.Count, stats.ArcsineSqrt, 1),
		"-0.5 is below zero":                   of(stats.Count, stats.SqrtHalf, 2, -0.5),
		"100.5 is above 100: a percent cannot": of(stats.Percent, stats.ArcsineSqrt, 2, 100.5),
		"1.5 is above 1: a proportion cannot":  of(stats.Proportion, stats.Raw, 1.5),
		"every value is at 0 or 100":           of(stats.Percent, stats.Logit, 0, 100, 0),
	})
	for name, f := range map[string]func() error{
		"0 and 100 %":        of(stats.Percent, stats.ArcsineSqrt, 0, 100),
		"0 and 1":            of(stats.Proportion, stats.Raw, 0, 1),
		"a measure below 0":  of(stats.Measure, stats.Raw, -3, 2),
		"one share between":  of(stats.Percent, stats.Logit, 0, 100, 50),
		"a count of nothing": of(stats.Count, stats.LogPlus1, 0),
	} {
		if err := f(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestFactorialRefuses(t *testing.T) {
	base := func() stats.FactorialInput {
		return stats.FactorialInput{Values: []float64{1, 2, 4, 3, 2, 5, 7, 4}, Blocks: strings.Fields("1 1 1 1 2 2 2 2"), Alpha: 0.05,
			Factors: []stats.Factor{{Name: "mulch", Labels: strings.Fields("a a b b a a b b")}, {Name: "rate", Labels: strings.Fields("x y x y x y x y")}}}
	}
	with := func(change func(in *stats.FactorialInput)) func() error {
		return func() error {
			in := base()
			change(&in)
			_, err := stats.AnalyseFactorial(in)
			return err
		}
	}
	if err := with(func(*stats.FactorialInput) {})(); err != nil {
		t.Fatal(err)
	}
	named := func(name string) func() error {
		return with(func(in *stats.FactorialInput) { in.Factors[1].Name = name })
	}
	for _, name := range []string{"", "a:b", "block", "column", "covariate"} {
		if err := named(name)(); err == nil || !strings.Contains(err.Error(), "cannot be called") {
			t.Errorf("a factor called %q: %v", name, err)
		}
	}
	many := func(k int) func() error {
		return with(func(in *stats.FactorialInput) {
			in.Values, in.Blocks, in.Factors = nil, nil, nil
			for i := range 64 {
				in.Values = append(in.Values, float64(i*i%7))
			}
			for f := range k {
				labels := make([]string, 64)
				for i := range labels {
					labels[i] = string(rune('0' + i>>f&1))
				}
				in.Factors = append(in.Factors, stats.Factor{Name: string(rune('p' + f)), Labels: labels})
			}
		})
	}
	if err := many(4)(); err != nil {
		t.Error(err)
	}
	refuses(t, map[string]func() error{
		"no plots":                 with(func(in *stats.FactorialInput) { in.Values = nil }),
		"plot 2: the value is not": with(func(in *stats.FactorialInput) { in.Values[1] = 1e101 }),
		"1 factor:":                with(func(in *stats.FactorialInput) { in.Factors = in.Factors[:1] }),
		"5 factors: at most 4":     many(5),
		"blocks have 7 entries":    with(func(in *stats.FactorialInput) { in.Blocks = in.Blocks[1:] }),
		"columns have 7 entries":   with(func(in *stats.FactorialInput) { in.Columns = in.Blocks[1:] }),
		"covariate have 1 entries": with(func(in *stats.FactorialInput) { in.Covariate = []float64{1} }),
		"two factors are called":   named("mulch"),
		"rate has 7 entries":       with(func(in *stats.FactorialInput) { in.Factors[1].Labels = in.Factors[1].Labels[1:] }),
		"plot 3 has no level":      with(func(in *stats.FactorialInput) { in.Factors[1].Labels[2] = "" }),
		"one level only (x)":       with(func(in *stats.FactorialInput) { in.Factors[1].Labels = slices.Repeat([]string{"x"}, 8) }),
	})
	bounds(t, "level", func(v float64) error { return with(func(in *stats.FactorialInput) { in.Alpha = v })() }, []float64{1e-6, 0.499}, []float64{0, 0.5})
}

func TestStrataRefuse(t *testing.T) {
	base := func() stats.StrataInput {
		return stats.StrataInput{Kind: stats.SplitPlot, Values: []float64{1, 2, 4, 3, 2, 5, 7, 4}, Blocks: strings.Fields("1 1 1 1 2 2 2 2"), Alpha: 0.05,
			Whole: stats.Factor{Name: "mulch", Labels: strings.Fields("a a b b a a b b")}, Sub: stats.Factor{Name: "rate", Labels: strings.Fields("x y x y x y x y")}}
	}
	with := func(change func(in *stats.StrataInput)) func() error {
		return func() error {
			in := base()
			change(&in)
			_, err := stats.AnalyseStrataContext(t.Context(), in)
			return err
		}
	}
	out, err := stats.AnalyseStrataContext(t.Context(), base())
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"", "a:b", "block"} {
		for _, f := range []func() error{with(func(in *stats.StrataInput) { in.Whole.Name = name }), with(func(in *stats.StrataInput) { in.Sub.Name = name })} {
			if err := f(); err == nil || !strings.Contains(err.Error(), "cannot be called") {
				t.Errorf("a factor called %q: %v", name, err)
			}
		}
	}
	refuses(t, map[string]func() error{
		`layout "rows"`:              with(func(in *stats.StrataInput) { in.Kind = "rows" }),
		"no plots":                   with(func(in *stats.StrataInput) { in.Values = nil }),
		"blocks have 7 entries":      with(func(in *stats.StrataInput) { in.Blocks = in.Blocks[1:] }),
		"1 block: a layout":          with(func(in *stats.StrataInput) { in.Blocks = slices.Repeat([]string{"1"}, 8) }),
		"both factors are called":    with(func(in *stats.StrataInput) { in.Sub.Name = "mulch" }),
		"plot 2: the value is not":   with(func(in *stats.StrataInput) { in.Values[1] = math.Inf(1) }),
		"rate has 7 entries":         with(func(in *stats.StrataInput) { in.Sub.Labels = in.Sub.Labels[1:] }),
		"mulch: plot 3 has no level": with(func(in *stats.StrataInput) { in.Whole.Labels[2] = "" }),
		"rate has one level only":    with(func(in *stats.StrataInput) { in.Sub.Labels = slices.Repeat([]string{"x"}, 8) }),
		`no factor "mower"`: func() error {
			_, err := out.Trend("mower", map[string]float64{"x": 1, "y": 2}, 1)
			return err
		},
	})
	bounds(t, "level", func(v float64) error { return with(func(in *stats.StrataInput) { in.Alpha = v })() }, []float64{1e-6, 0.499}, []float64{0, 0.5})
}

func TestLossRefuses(t *testing.T) {
	with := func(change func(in *stats.LossInput)) func() error {
		return func() error {
			in := stats.LossInput{Yields: []float64{9, 8, 7, 6, 5, 4.5, 4, 3.8}, Weeds: []float64{0, 5, 10, 20, 40, 60, 90, 120}, Confidence: 0.95}
			change(&in)
			_, err := stats.AnalyseYieldLoss(in)
			return err
		}
	}
	kind := map[string]stats.LossRefusal{"only 2 different": stats.LossFewLevels}
	for want, f := range map[string]func() error{
		"weeds of 7 plots":       with(func(in *stats.LossInput) { in.Weeds = in.Weeds[1:] }),
		"blocks of 1 plot":       with(func(in *stats.LossInput) { in.Blocks = []string{"1"} }),
		"plot 1: weeds or yield": with(func(in *stats.LossInput) { in.Yields[0] = math.NaN() }),
		"plot 2: weeds or yield": with(func(in *stats.LossInput) { in.Weeds[1] = math.Inf(1) }),
		"plot 3: weeds or yield": with(func(in *stats.LossInput) { in.Weeds[2] = 5e-324 }), // its thousandth is 0
		"plot 1: -1 weeds":       with(func(in *stats.LossInput) { in.Weeds[0] = -1 }),
		"only 2 different":       with(func(in *stats.LossInput) { in.Weeds = []float64{0, 5, 0, 5, 0, 5, 0, 5} }),
	} {
		err := f()
		var loss *stats.LossError
		if !errors.As(err, &loss) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want a refusal with %q", err, want)
		} else if k, ok := kind[want]; ok && loss.Refusal != k || !ok && loss.Refusal != stats.LossInputFault {
			t.Errorf("%q: refusal %v", want, loss.Refusal)
		}
	}
	bounds(t, "confidence", func(v float64) error { return with(func(in *stats.LossInput) { in.Confidence = v })() }, []float64{0.5, 0.999}, []float64{0.499, 1})
	if err := with(func(in *stats.LossInput) { in.Weeds = []float64{0, 5, 9, 5, 0, 9, 0, 9} })(); err != nil {
		t.Errorf("three different numbers of weeds: %v", err)
	}
}

func TestPlansRefuse(t *testing.T) {
	good := stats.Plan{Treatments: 4, Blocks: 4, Alpha: 0.05}
	inf := math.Inf(1)
	bounds(t, "difference", func(v float64) error { _, err := good.FPower(v); return err }, []float64{0, 1}, []float64{-1e-9, inf})
	bounds(t, "difference of a pair", func(v float64) error { _, err := good.PairPower(v); return err }, []float64{0, 1}, []float64{-1e-9, inf})
	bounds(t, "difference of a pair either way", func(v float64) error {
		_, err := good.PairPowerBy(v, stats.PairTest{Method: stats.PairAlone})
		return err
	}, []float64{-1, 0, 1}, []float64{inf})
	bounds(t, "power", func(v float64) error { _, err := good.DetectableDelta(v); return err }, []float64{0.0501, 0.999}, []float64{0.05, 1})
	bounds(t, "power of blocks", func(v float64) error { _, _, err := good.BlocksNeeded(1, v); return err }, []float64{0.01, 0.999}, []float64{0, 1})
	bounds(t, "difference of blocks", func(v float64) error { _, _, err := good.BlocksNeeded(v, 0.8); return err }, []float64{0.5, 50}, []float64{0, -1, inf})
	formula := func(cv, diff, alpha, power float64) error {
		_, _, err := stats.BlocksForDifference(cv, diff, alpha, power)
		return err
	}
	bounds(t, "CV", func(v float64) error { return formula(v, 0.1, 0.05, 0.8) }, []float64{0.001, 1}, []float64{0, -1, inf})
	bounds(t, "difference of the mean", func(v float64) error { return formula(0.1, v, 0.05, 0.8) }, []float64{0.001, 1}, []float64{0, -1, inf})
	bounds(t, "level", func(v float64) error { return formula(0.1, 0.1, v, 0.8) }, []float64{0.01, 0.9}, []float64{0, 2})
	bounds(t, "power of the formula", func(v float64) error { return formula(0.1, 0.1, 0.05, v) }, []float64{0.03, 0.99}, []float64{0, 0.025, 1})
	if formula(1, 1e-5, 0.05, 0.8) == nil {
		t.Error("10^11 blocks accepted")
	}
	for _, p := range []stats.Plan{{Treatments: 1, Blocks: 4, Alpha: 0.05}, {Treatments: 4, Blocks: 1, Alpha: 0.05}, {Treatments: 4, Blocks: 4}} {
		test := stats.PairTest{Method: stats.PairAlone}
		for name, f := range map[string]func() error{
			"F":               func() error { _, err := p.FPower(1); return err },
			"pair":            func() error { _, err := p.PairPower(1); return err },
			"pair by":         func() error { _, err := p.PairPowerBy(1, test); return err },
			"detectable":      func() error { _, err := p.DetectableDelta(0.8); return err },
			"detectable pair": func() error { _, err := p.DetectablePairBy(0.8, test); return err },
		} {
			if f() == nil {
				t.Errorf("%s with %+v accepted", name, p)
			}
		}
	}
	if _, err := good.PairPowerBy(1, stats.PairTest{Method: "duncan"}); err == nil {
		t.Error("an unknown method for a pair accepted")
	}
	quadrats := stats.QuadratPlan{PlotVar: 4, QuadratVar: 64, MinutesPerPlot: 6, MinutesPerQuadrat: 4, Most: 12}
	with := func(set func(q *stats.QuadratPlan, v float64)) func(v float64) error {
		return func(v float64) error {
			q := quadrats
			set(&q, v)
			_, _, _, _, err := q.BestQuadrats()
			return err
		}
	}
	bounds(t, "plot variance", with(func(q *stats.QuadratPlan, v float64) { q.PlotVar = v }), []float64{0, 1}, []float64{-1, inf})
	bounds(t, "quadrat variance", with(func(q *stats.QuadratPlan, v float64) { q.QuadratVar = v }), []float64{0, 1}, []float64{-1, inf})
	bounds(t, "minutes a plot", with(func(q *stats.QuadratPlan, v float64) { q.MinutesPerPlot = v }), []float64{0, 1}, []float64{-1, inf})
	bounds(t, "minutes a quadrat", with(func(q *stats.QuadratPlan, v float64) { q.MinutesPerQuadrat = v }), []float64{0.1, 1}, []float64{0, -1, inf})
	for most, ok := range map[int]bool{0: false, 1: true} {
		q := quadrats
		q.Most = most
		if _, _, _, _, err := q.BestQuadrats(); (err == nil) != ok {
			t.Errorf("room for %d quadrats: %v", most, err)
		}
	}
	quadrats.PlotVar, quadrats.QuadratVar = 0, 0
	if _, _, _, _, err := quadrats.BestQuadrats(); err == nil {
		t.Error("no variance at all accepted")
	}
}

func TestMarginBounds(t *testing.T) {
	_, m := fitted(t)
	inf := math.Inf(1)
	within := func(margin stats.Margin, alpha float64) error { _, err := m.Within("BARE", margin, alpha); return err }
	bounds(t, "below", func(v float64) error { return within(stats.Margin{Below: v, Above: 1}, 0.05) }, []float64{1e-9, 5}, []float64{0, -1, inf})
	bounds(t, "above", func(v float64) error { return within(stats.Margin{Below: 1, Above: v}, 0.05) }, []float64{1e-9, 5}, []float64{0, -1, inf})
	bounds(t, "share below", func(v float64) error { return within(stats.Margin{Below: v, Above: 1, Relative: true}, 0.05) }, []float64{0.999}, []float64{1})
	bounds(t, "level", func(v float64) error { return within(stats.Margin{Below: 1, Above: 1}, v) }, []float64{1e-6, 0.499}, []float64{0, 0.5})
}

func TestOwnErrorRefuses(t *testing.T) {
	base := func() stats.OwnError {
		return stats.OwnError{Plots: []string{"1/a", "2/a"}, Cov: [][]float64{{1, 0}, {0, 0}}, DF: 5}
	}
	with := func(change func(e *stats.OwnError)) func() error {
		return func() error { e := base(); change(&e); return e.Validate() }
	}
	if err := base().Validate(); err != nil {
		t.Error(err)
	}
	refuses(t, map[string]func() error{
		"1 days for 2":         with(func(e *stats.OwnError) { e.Days = []float64{1} }),
		"covariance of 1":      with(func(e *stats.OwnError) { e.Cov = e.Cov[:1] }),
		"row 2 of the":         with(func(e *stats.OwnError) { e.Cov[1] = e.Cov[1][:1] }),
		"plot 1/a is not":      with(func(e *stats.OwnError) { e.Cov[0][1] = math.NaN() }),
		"variance of plot 2/a": with(func(e *stats.OwnError) { e.Cov[1][1] = -1e-12 }),
	})
	bounds(t, "df", func(v float64) error { return with(func(e *stats.OwnError) { e.DF = v })() }, []float64{1e-3, math.Inf(1)}, []float64{0, -1})
}

func TestSeasonRefuses(t *testing.T) {
	season := func(change func(rows []stats.Row) []stats.Row) func() error {
		return func() error {
			var rows []stats.Row
			for _, day := range []float64{0, 14} {
				for i, treatment := range []string{"A", "B", "C"} {
					for b, block := range []string{"1", "2"} {
						rows = append(rows, stats.Row{Plot: treatment + block, Treatment: treatment, Block: block, Day: day, Value: float64(i*b) + day*float64(i)})
					}
				}
			}
			_, err := stats.AnalyseSeason(change(rows), plain())
			return err
		}
	}
	if err := season(func(rows []stats.Row) []stats.Row { return rows })(); err != nil {
		t.Fatal(err)
	}
	refuses(t, map[string]func() error{
		"no rows":                 season(func([]stats.Row) []stats.Row { return nil }),
		"1 visit: need 2":         season(func(rows []stats.Row) []stats.Row { return rows[:6] }),
		"the day is not a number": season(func(rows []stats.Row) []stats.Row { rows[0].Day = math.NaN(); return rows }),
		"plot A1 has treatment D on day 14 and A before": season(func(rows []stats.Row) []stats.Row { rows[6].Treatment = "D"; return rows }),
		"plot A1 has covariate 2 on day 14 and 1 before": season(func(rows []stats.Row) []stats.Row {
			for i := range rows {
				rows[i].HasCovariate, rows[i].Covariate = true, 1
			}
			rows[6].Covariate = 2
			return rows
		}),
		"without a plot name": season(func(rows []stats.Row) []stats.Row {
			for i := range rows {
				rows[i].Plot = ""
			}
			return append(rows, rows[0])
		}),
		"is not between 0 and 0.5": func() error {
			o := plain()
			o.Alpha = 1
			_, err := stats.AnalyseSeason(d1Rows(), o)
			return err
		},
		"2 days for 1 values": func() error { _, _, err := stats.Area([]float64{0, 1}, []float64{3}); return err },
	})
}
