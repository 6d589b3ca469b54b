package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"quadtally/stats"
)

// ownFor gives every plot of rows without quadrats an own error by cov.
func ownFor(plots []string, df float64, cov func(i, j int) float64) stats.OwnError {
	e := stats.OwnError{Plots: plots, DF: df}
	for i := range plots {
		row := make([]float64, len(plots))
		for j := range plots {
			row[j] = cov(i, j)
		}
		e.Cov = append(e.Cov, row)
	}
	return e
}

func namesOf(a stats.Analysis) []string {
	var out []string
	for _, p := range a.Plots {
		out = append(out, p.Name)
	}
	return out
}

// Without own error everything is as in the plain comparison, plot missing,
// control and every method included.
func TestNoOwnErrorChangesNothing(t *testing.T) {
	rows := d1Rows()
	rows[7].Missing = true
	for _, method := range stats.Methods() {
		for _, side := range []stats.Side{stats.BothSides, stats.BelowControl} {
			o := rawPercent()
			o.Control, o.Method, o.Side = "BARE", method, side
			o.Contrasts = []stats.Question{{Name: "straw or tarp", Weights: map[string]float64{"STRAW": 1, "TARP": -1}}}
			plain := analyse(t, rows, o)
			got, err := stats.AnalyseUncertain(rows, o, ownFor(namesOf(plain), 7, func(i, j int) float64 { return 0 }))
			if err != nil {
				t.Fatal(err)
			}
			same := func(what string, got, want *float64) {
				t.Helper()
				if (got == nil) != (want == nil) {
					t.Fatalf("%s %s: %v, want %v", method, what, got, want)
				}
				if got != nil {
					near(t, string(method)+" "+what, got, *want, 1e-12*(1+math.Abs(*want)))
				}
			}
			for i, p := range plain.Pairs {
				q := got.Pairs[i]
				for k, v := range [][2]*float64{{q.SED, p.SED}, {q.LSD, p.LSD}, {q.T, p.T}, {q.P, p.P}, {q.PLSD, p.PLSD}, {q.Lower, p.Lower}, {q.Upper, p.Upper}} {
					same(fmt.Sprintf("pair %s-%s %d", p.A, p.B, k), v[0], v[1])
				}
			}
			for i, p := range plain.VsControl {
				q := got.VsControl[i]
				same(p.Treatment+" against the control", q.P, p.P)
				same(p.Treatment+" lower", q.Lower, p.Lower)
				same(p.Treatment+" upper", q.Upper, p.Upper)
			}
			for i, p := range plain.Treatments {
				q := got.Treatments[i]
				same(p.Treatment+" SE", q.SE, p.SE)
				same(p.Treatment+" lower", q.BackLower, p.BackLower)
				if q.Letters != p.Letters {
					t.Errorf("%s: letters of %s %q, want %q", method, p.Treatment, q.Letters, p.Letters)
				}
				if p.Suppression != nil {
					same(p.Treatment+" suppression", q.Suppression.Lower, p.Suppression.Lower)
					same(p.Treatment+" suppression", q.Suppression.Upper, p.Suppression.Upper)
				}
			}
			same("contrast p", got.Contrasts[0].P, plain.Contrasts[0].P)
			same("detectable", &got.Detectable.Difference, &plain.Detectable.Difference)
			trt := anovaRow(t, plain.ANOVA, "treatment")
			same("F", got.Own.F, trt.F)
			same("p", got.Own.P, trt.P)
			near(t, "df", got.Own.DF2, 11, 1e-9)
		}
	}
}

// Two treatments in four blocks, by hand. The differences A-B are -4, 2, -8,
// -3: mean -3.25, variance 50.75/3, SED squared 50.75/12 on 3 df. Own error of
// variance 4 a plot adds (4+4)/4 = 2 on 5 df; a common part of 1, in every
// plot alike, falls out of the difference but stays in the means.
func TestOwnErrorByHand(t *testing.T) {
	var rows []stats.Row
	var plots []string
	for _, v := range []struct {
		trt    string
		values []float64
	}{{"A", []float64{20, 35, 28, 41}}, {"B", []float64{24, 33, 36, 44}}} {
		for b, x := range v.values {
			name := fmt.Sprintf("%s%d", v.trt, b+1)
			rows = append(rows, stats.Row{Plot: name, Treatment: v.trt, Block: fmt.Sprint(b + 1), Value: x})
			plots = append(plots, name)
		}
	}
	e := ownFor(plots, 5, func(i, j int) float64 {
		if i == j {
			return 5
		}
		return 1
	})
	a, err := stats.AnalyseUncertain(rows, rawPercent(), e)
	if err != nil {
		t.Fatal(err)
	}
	v1, v2 := 50.75/12, 2.0
	df := (v1 + v2) * (v1 + v2) / (v1*v1/3 + v2*v2/5)
	p := a.Pairs[0]
	near(t, "SED", p.SED, math.Sqrt(v1+v2), 1e-12)
	near(t, "t", p.T, -3.25/math.Sqrt(v1+v2), 1e-12)
	near(t, "df", a.Own.DF2, df, 1e-9)
	near(t, "F", a.Own.F, 3.25*3.25/(v1+v2), 1e-9)
	near(t, "p of the pair is that of F", p.P, *a.Own.P, 1e-12)
	near(t, "share", &a.Own.LargestShare, v2/(v1+v2), 1e-12)
	// MSE is half the variance of a difference; a mean of 4 plots adds a
	// quarter of it and of the 4, and the whole of the common 1.
	near(t, "SE", treatment(t, a, "A").SE, math.Sqrt(50.75/6/4+4.0/4+1), 1e-12)
	if a.Own.F != nil && *a.Own.P < 0.212 {
		t.Errorf("p %g is below the 0.212 of the values without own error", *a.Own.P)
	}
}

// A season is a weighted sum: with own errors of one size at two visits 10
// days apart, independent, the period mean (v1+v2)/2 has half the variance.
func TestOwnErrorOfSeason(t *testing.T) {
	var rows []stats.Row
	e := stats.OwnError{Days: []float64{}, DF: math.Inf(1)}
	for i, x := range []float64{20, 35, 28, 41, 24, 33, 36, 44} {
		for _, d := range []float64{0, 10} {
			name := fmt.Sprint("p", i)
			rows = append(rows, stats.Row{Plot: name, Treatment: string(rune('A' + i/4)), Block: fmt.Sprint(i % 4), Day: d, Value: x + d})
			e.Plots, e.Days = append(e.Plots, name), append(e.Days, d)
		}
	}
	e.Cov = ownFor(e.Plots, 1, func(i, j int) float64 {
		if i == j {
			return 4
		}
		return 0
	}).Cov
	s, err := stats.AnalyseSeasonUncertain(rows, rawPercent(), e)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "SED of the period mean", s.PeriodMean.Pairs[0].SED, math.Sqrt(50.75/12+1), 1e-12)
	near(t, "SED of the area", s.Area.Pairs[0].SED, 10*math.Sqrt(50.75/12+1), 1e-11)
	e.Days = nil
	if _, err := stats.AnalyseSeasonUncertain(rows, rawPercent(), e); err == nil {
		t.Error("a season took an own error without days")
	}
}

func TestOwnErrorRefusals(t *testing.T) {
	rows := d1Rows()
	plain := analyse(t, rows, rawPercent())
	zero := func(i, j int) float64 { return 0 }
	for name, e := range map[string]stats.OwnError{
		"twice":       ownFor(append(namesOf(plain), namesOf(plain)[0]), 5, zero),
		"no df":       ownFor(namesOf(plain), 0, zero),
		"plot lacks":  ownFor(namesOf(plain)[1:], 5, zero),
		"NaN":         ownFor(namesOf(plain), 5, func(i, j int) float64 { return math.NaN() }),
		"below zero":  ownFor(namesOf(plain), 5, func(i, j int) float64 { return -1 }),
		"wrong sizes": {Plots: namesOf(plain), DF: 5},
	} {
		if _, err := stats.AnalyseUncertain(rows, rawPercent(), e); err == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
	o := rawPercent()
	o.Scale = stats.ArcsineSqrt
	if _, err := stats.AnalyseUncertain(rows, o, ownFor(namesOf(plain), 5, zero)); err == nil {
		t.Error("a covariance in the unit of the response was taken on another scale")
	}
}

// Image values are carried through a line fitted on few pairs, and the interval
// of a difference of two treatments is held against the true difference. An
// uncertain slope that is not carried makes intervals too short.
func TestCoverageOfCalibratedDifferences(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") != "1" {
		t.Skip("set QUADTALLY_HEAVY=1 for the simulation of calibrated comparisons")
	}
	const runs, pairs, slope, scatter = 2000, 8, 0.8, 6.0
	rng := rand.New(rand.NewPCG(11, 5))
	truth := slope * 40 // treatments differ by 40 in the image
	missedPlain, missedCarried := 0, 0
	o := rawPercent()
	o.Kind, o.Randomise.Draws = stats.Measure, 0
	for range runs {
		// The line, by least squares with its textbook covariance.
		var xs, ys []float64
		var mx, my float64
		for range pairs {
			x := 10 + 50*rng.Float64()
			xs, ys = append(xs, x), append(ys, 5+slope*x+scatter*rng.NormFloat64())
			mx, my = mx+x/pairs, my+ys[len(ys)-1]/pairs
		}
		var sxx, sxy, sse float64
		for i, x := range xs {
			sxx += (x - mx) * (x - mx)
			sxy += (x - mx) * (ys[i] - my)
		}
		b := sxy / sxx
		for i, x := range xs {
			r := ys[i] - my - b*(x-mx)
			sse += r * r
		}
		s2 := sse / (pairs - 2)
		var rows []stats.Row
		var plots []string
		var image []float64
		for i := range 8 {
			x := 15 + 40*float64(i/4) + 2*rng.NormFloat64()
			name := fmt.Sprint("p", i)
			plots, image = append(plots, name), append(image, x)
			rows = append(rows, stats.Row{Plot: name, Treatment: string(rune('A' + i/4)), Block: fmt.Sprint(i % 4), Value: my + b*(x-mx)})
		}
		e := ownFor(plots, pairs-2, func(i, j int) float64 { return s2 * (1.0/pairs + (image[i]-mx)*(image[j]-mx)/sxx) })
		carried, err := stats.AnalyseUncertain(rows, o, e)
		if err != nil {
			t.Fatal(err)
		}
		plain := analyse(t, rows, o)
		miss := func(p stats.Pair) int {
			if *p.Lower > -truth || *p.Upper < -truth {
				return 1
			}
			return 0
		}
		missedPlain += miss(plain.Pairs[0])
		missedCarried += miss(carried.Pairs[0])
	}
	plain, carried := float64(missedPlain)/runs, float64(missedCarried)/runs
	t.Logf("true difference rejected at 5 %%: %.3f without the line's uncertainty, %.3f with it", plain, carried)
	// Three standard errors of a share of 5 % in 2000 runs are 1.5 points.
	if carried > 0.065 {
		t.Errorf("with the line's uncertainty the true difference is rejected in %.3f", carried)
	}
	if plain < 0.10 {
		t.Errorf("without it %.3f: the simulation does not show what it is for", plain)
	}
}
