package mixed

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/terms"
)

// The observed information about all variances and the rate, on which
// Satterthwaite's degrees of freedom rest, is minus the second differences of
// the log-likelihood, the residual variance being one of the parameters.
func TestObservedInformation(t *testing.T) {
	for _, method := range []Method{REML, ML} {
		pr := problemOf(t, method)
		top, ok := pr.maximise()
		if !ok || top.params.independent || slices.Min(top.params.gamma) == 0 {
			t.Fatalf("%s: the maximum is to lie inside: %+v", method, top.params)
		}
		// In units of the residual variance.
		at := []float64{top.params.gamma[0], top.params.gamma[1], top.params.logRate, 1}
		state := func(x []float64) *state {
			st, ok := pr.evaluate(params{gamma: []float64{x[0] / x[3], x[1] / x[3]}, logRate: x[2]}, true)
			if !ok {
				t.Fatal("no likelihood")
			}
			return st
		}
		st := state(at)
		unit := st.sigma2
		logLik := func(x []float64) float64 {
			// The profile takes the best residual variance; this is its height
			// at another one.
			p := state(x)
			ratio := x[3] * unit / p.sigma2
			return p.logLik - pr.df()/2*(math.Log(ratio)+1/ratio-1)
		}
		in, ok := newInference(pr, st, Satterthwaite)
		if !ok {
			t.Fatal("no information")
		}
		var info mat.Dense
		if err := info.Inverse(in.observedCov); err != nil {
			t.Fatal(err)
		}
		const h = 1e-3
		for i := range at {
			for j := range i + 1 {
				corner := func(a, b float64) float64 {
					x := slices.Clone(at)
					x[i] += a * h
					x[j] += b * h
					return logLik(x)
				}
				want := -(corner(1, 1) - corner(1, -1) - corner(-1, 1) + corner(-1, -1)) / (4 * h * h)
				near(t, fmt.Sprintf("%s information %d,%d", method, i, j), info.At(i, j), want, 1e-4, 1)
			}
		}
	}
}

func TestBounds(t *testing.T) {
	for _, c := range []struct {
		o    Options
		want string // "" where it is taken
	}{
		{Options{REML, KenwardRoger, 0.5}, ""},
		{Options{REML, Satterthwaite, 0.9999}, ""},
		{Options{ML, Satterthwaite, 0.95}, ""},
		{Options{REML, KenwardRoger, 0.4999}, "interval level"},
		{Options{REML, KenwardRoger, 0.99991}, "interval level"},
		{Options{REML, KenwardRoger, math.NaN()}, "interval level"},
		{Options{ML, KenwardRoger, 0.95}, "rests on a REML fit"},
		{Options{"EM", KenwardRoger, 0.95}, `method "EM"`},
		{Options{REML, "residual", 0.95}, `degrees of freedom by "residual"`},
	} {
		_, err := FitModel(damaged(1), c.o)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%+v: got %v, want %q", c.o, err, c.want)
		}
	}
	for size, ok := range map[float64]bool{1e100: true, 1.1e100: false, 1e-100: true, 0.9e-100: false} {
		m := damaged(1)
		m.Serial, m.Random = nil, nil
		for i := range m.Response {
			m.Response[i] = 0
		}
		m.Response[3], m.Response[8], m.Response[10] = size, -size, size/2
		if err := m.validate(); (err == nil) != ok {
			t.Errorf("responses of %g: %v", size, err)
		}
	}
}

func TestSerialRefusals(t *testing.T) {
	for _, c := range []struct {
		want   string
		change func(m *Model)
	}{
		{"the days have", func(m *Model) { m.Serial.Days = m.Serial.Days[1:] }},
		{"row 2: the day is not a finite", func(m *Model) { m.Serial.Days[1] = math.NaN() }},
		{"row 3: the day is not a finite", func(m *Model) { m.Serial.Days[2] = math.Inf(-1) }},
		{"serial ", func(m *Model) { m.Serial.Group = terms.Term{"bed"} }},
		{"random ", func(m *Model) { m.Random = []terms.Term{{"bed"}} }},
	} {
		m := damaged(1)
		s := *m.Serial
		s.Days = slices.Clone(s.Days)
		m.Serial = &s
		c.change(&m)
		if _, err := FitModel(m, DefaultOptions()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want a refusal with %q", err, c.want)
		}
	}
}

func TestContrastRefuses(t *testing.T) {
	for _, df := range []DFMethod{KenwardRoger, Satterthwaite} {
		f := mustFit(t, damaged(1), df)
		p := len(f.Coefficients)
		unit := func(j int, by float64) []float64 {
			row := make([]float64, p)
			row[j] = by
			return row
		}
		for want, rows := range map[string][][]float64{
			"no rows":                        nil,
			fmt.Sprintf("row 2 has %d", p-1): {unit(1, 1), make([]float64, p-1)},
			"not independent":                {unit(1, 1), unit(1, 2)},
			"are not independent":            {make([]float64, p)},
		} {
			if _, err := f.Contrast("c", rows); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: got %v, want %q", df, err, want)
			}
		}
		// A test does not hang on how its rows span it.
		a, err := f.Contrast("c", [][]float64{unit(1, 1), unit(2, 1)})
		if err != nil {
			t.Fatal(err)
		}
		sum := unit(1, 3)
		sum[2] = -2
		b, err := f.Contrast("c", [][]float64{sum, unit(2, -5)})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "F", b.F, a.F, 1e-8, 0)
		near(t, "df", b.DenDF, a.DenDF, 1e-6, 0)
		// One row is the squared t of its coefficient, with the same df.
		one, err := f.Contrast("c", [][]float64{unit(2, 7)})
		if err != nil {
			t.Fatal(err)
		}
		c := f.Coefficients[2]
		near(t, "t squared", one.F, c.Estimate*c.Estimate/(c.SE*c.SE), 1e-8, 0)
		near(t, "p", one.P, c.P, 1e-7, 0)
	}
}

// A fit whose context has ended says so and gives nothing.
func TestStoppedFit(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	f, err := FitContext(ctx, damaged(1), DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	stop()
	if _, err := f.Means(terms.Term{"treatment"}); err != context.Canceled {
		t.Errorf("means: %v", err)
	}
	if _, _, err := f.Differences(terms.Term{"treatment"}, nil); err != context.Canceled {
		t.Errorf("differences: %v", err)
	}
	if _, err := FitContext(ctx, damaged(1), DefaultOptions()); err != context.Canceled {
		t.Errorf("fit: %v", err)
	}
	f = mustFit(t, damaged(1), KenwardRoger)
	if _, _, err := f.Differences(terms.Term{"treatment"}, terms.Term{"treatment"}); err == nil || !strings.Contains(err.Error(), "cannot be both") {
		t.Errorf("differences within themselves: %v", err)
	}
	if _, _, err := f.Differences(terms.Term{"mulch"}, nil); err == nil {
		t.Error("differences of an unknown factor")
	}
}
