package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
)

// Residual df below 12 are warned of and no others, and what is said to reach
// them does, with nothing to spare.
func TestFewDFBoundary(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 12))
	rows := func(treatments, n int, blocked bool) []stats.Row {
		rows := invented(treatments, n, 1, 0, rng)
		if !blocked {
			for i := range rows {
				rows[i].Block = ""
				rows[i].Plot = fmt.Sprint(i)
			}
		}
		return rows
	}
	df := func(treatments, n int, blocked bool) int {
		if blocked {
			return (treatments - 1) * (n - 1)
		}
		return treatments * (n - 1)
	}
	for _, blocked := range []bool{true, false} {
		word := map[bool]string{true: "complete blocks", false: "plots a treatment"}[blocked]
		for treatments := 2; treatments <= 7; treatments++ {
			for n := 2; n <= 14; n++ {
				have := df(treatments, n, blocked)
				a := analyse(t, rows(treatments, n, blocked), plain())
				if a.ResidualDF != have {
					t.Fatalf("%d treatments, %d: df %d, want %d", treatments, n, a.ResidualDF, have)
				}
				warned := hasText(a.Warnings, "is below 12")
				if warned != (have < 12) {
					t.Errorf("df %d: warned %v", have, warned)
				}
				if !warned {
					continue
				}
				need := n
				for df(treatments, need, blocked) < 12 {
					need++
				}
				if want := fmt.Sprintf("; %d %s would reach it", need, word); !hasText(a.Warnings, want) {
					t.Errorf("df %d: %q, want %q", have, a.Warnings, want)
				}
			}
		}
	}
	for _, c := range []struct {
		rows []stats.Row
		want string
	}{
		{rows(3, 1, true), "1 block: need at least 2 blocks"},
		{rows(3, 1, false), "need at least 2 plots of a treatment"},
	} {
		if a := analyse(t, c.rows, plain()); !hasText(a.Warnings, c.want) {
			t.Errorf("%q, want %q", a.Warnings, c.want)
		}
	}
}

// Every allotment of a block is drawn equally often. In two plots a block an
// exchange that always moves something would never leave one block as it was.
func TestDrawsAreUniform(t *testing.T) {
	for _, c := range []struct {
		y        []float64
		trt, blk string
		p        float64
		what     string
	}{
		// The largest difference of 2^3 allotments, counted with its mirror.
		{[]float64{9, 1, 8, 2, 9, 3}, "A B A B A B", "1 1 2 2 3 3", 2. / 8, "three pairs"},
		// Two blocks of three ranked alike: 6 of 36, the order within both alike.
		{[]float64{1, 5, 12, 1, 5, 12}, "A B C A B C", "1 1 1 2 2 2", 6. / 36, "two threes"},
	} {
		const draws = 8000
		p, err := stats.PermuteContext(t.Context(), c.y, strings.Fields(c.trt), strings.Fields(c.blk), stats.PermuteOptions{Draws: draws, Seed: 11})
		if err != nil || p.Complete {
			t.Fatal(p, err)
		}
		if se := math.Sqrt(c.p * (1 - c.p) / draws); math.Abs(p.P-c.p) > 4*se {
			t.Errorf("%s: p %v, all allotments give %v", c.what, p.P, c.p)
		}
		if math.Abs(p.StdErr-math.Sqrt(p.P*(1-p.P)/draws)) > 1e-4 {
			t.Errorf("%s: standard error %v of p %v", c.what, p.StdErr, p.P)
		}
		all, err := stats.PermuteContext(t.Context(), c.y, strings.Fields(c.trt), strings.Fields(c.blk), stats.DefaultPermuteOptions())
		if err != nil || !all.Complete || math.Abs(all.P-c.p) > 1e-12 {
			t.Errorf("%s: all allotments give %+v, %v, want p %v", c.what, all, err, c.p)
		}
	}
}

// A reading that is marked missing is asked nothing, whatever stands in its
// cell.
func TestMissingReadingsAreNotJudged(t *testing.T) {
	for _, kind := range []stats.Kind{stats.Count, stats.Percent, stats.Proportion} {
		for _, v := range []float64{-7, 1e9, math.NaN(), math.Inf(1)} {
			rows := d1Rows()
			for i := range rows {
				if kind == stats.Proportion {
					rows[i].Value /= 100
				}
			}
			o := plain()
			o.Kind = kind
			rows[7].Missing = true
			want := asJSON(t, analyse(t, rows, o))
			rows[7].Value = v
			if got := asJSON(t, analyse(t, rows, o)); got != want {
				t.Errorf("%s: a missing reading of %g changes the answer", kind, v)
			}
			rows[7].Missing = false
			if _, err := stats.Analyse(rows, o); err == nil && !(kind == stats.Count && v == 1e9) {
				t.Errorf("%s: a reading of %g accepted", kind, v)
			}
		}
	}
}

// The own error of the values of a season is that of their weighted sums: the
// areas, compared by themselves with the covariance of those sums, give the
// same as the season does.
func TestSeasonOwnErrorIsThatOfTheAreas(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 3))
	days := []float64{0, 10, 30}
	weights := []float64{5, 15, 10} // of the trapezoids
	var rows []stats.Row
	e := stats.OwnError{DF: 9}
	type at struct{ plot, day int }
	var places []at
	for i := range 12 {
		for d, day := range days {
			name := fmt.Sprintf("p%d", i)
			rows = append(rows, stats.Row{Plot: name, Treatment: string(rune('A' + i%3)), Block: fmt.Sprint(i / 3), Day: day, Value: 20 + float64(i%3)*2 + rng.NormFloat64()})
			e.Plots, e.Days = append(e.Plots, name), append(e.Days, day)
			places = append(places, at{i, d})
		}
	}
	// A covariance that differs from day to day and from plot to plot.
	root := make([][]float64, len(places))
	for k, p := range places {
		root[k] = []float64{0.05 * float64(p.plot%4), 0.1 * float64(p.day+1), 0.07 * float64(p.plot)}
	}
	e.Cov = make([][]float64, len(places))
	for k := range places {
		e.Cov[k] = make([]float64, len(places))
		for l := range places {
			for m := range root[k] {
				e.Cov[k][l] += root[k][m] * root[l][m]
			}
		}
		e.Cov[k][k] += 0.01 * float64(1+places[k].day*places[k].plot)
	}
	s, err := stats.AnalyseSeasonUncertain(rows, plain(), e)
	if err != nil {
		t.Fatal(err)
	}
	areas := stats.OwnError{DF: 9}
	var areaRows []stats.Row
	for i := range 12 {
		r := rows[3*i]
		r.Day, r.Value = 0, 0
		for d := range days {
			r.Value += weights[d] * rows[3*i+d].Value
		}
		areaRows = append(areaRows, r)
		areas.Plots = append(areas.Plots, r.Plot)
		line := make([]float64, 12)
		for k, p := range places {
			for l, q := range places {
				if p.plot == i {
					line[q.plot] += weights[p.day] * weights[q.day] * e.Cov[k][l]
				}
			}
		}
		areas.Cov = append(areas.Cov, line)
	}
	want, err := stats.AnalyseUncertain(areaRows, plain(), areas)
	if err != nil {
		t.Fatal(err)
	}
	if s.Area == nil || s.Area.Own == nil || s.Area.Own.F == nil {
		t.Fatal("no comparison of the areas")
	}
	near(t, "F", s.Area.Own.F, *want.Own.F, 1e-9**want.Own.F)
	near(t, "df", s.Area.Own.DF2, *want.Own.DF2, 1e-7**want.Own.DF2)
	for i, p := range want.Pairs {
		near(t, "SED", s.Area.Pairs[i].SED, *p.SED, 1e-9**p.SED)
		near(t, "p", s.Area.Pairs[i].P, *p.P, 1e-9)
		// The mean over the period is the area over its length.
		near(t, "SED of the mean", s.PeriodMean.Pairs[i].SED, *p.SED/30, 1e-9**p.SED)
	}
	near(t, "F of the mean", s.PeriodMean.Own.F, *want.Own.F, 1e-9**want.Own.F)
	e.Days[4] = 11
	if _, err := stats.AnalyseSeasonUncertain(rows, plain(), e); err == nil || !strings.Contains(err.Error(), "none is given for plot p1 on day 10") {
		t.Errorf("a day without an own error: %v", err)
	}
}

// A treatment without a single weed says nothing of the spread: margins of the
// others stand on the df that are left, not on those of all plots.
func TestMarginBesideABareTreatment(t *testing.T) {
	counts := map[string][]float64{"A": {20, 31, 26, 40}, "B": {22, 25, 30, 37}, "C": {9, 15, 8, 17}, "D": {0, 0, 0, 0}}
	var rows []stats.Row
	for treatment, values := range counts {
		for b, v := range values {
			rows = append(rows, stats.Row{Treatment: treatment, Block: fmt.Sprint(b), Value: v})
		}
	}
	o := plain()
	o.Kind, o.Control, o.UnitKnown = stats.Count, "A", true
	o.Scale = stats.DefaultScale(o.Kind)
	a := analyse(t, rows, o)
	res, err := a.Within("A", stats.Margin{Below: 0.3, Above: 0.3, Relative: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range res {
		if n.Treatment == "D" {
			continue
		}
		// 12 plots, of 3 treatments in 4 blocks; qt(.95, 6) = 1.943180281 (R 4.2.2).
		if n.DF != 6 {
			t.Errorf("%s: df %d, want 6", n.Treatment, n.DF)
		}
		se := (math.Log(*n.Ratio) - math.Log1p(-0.3)) / *n.TLower
		near(t, n.Treatment, n.Upper, *n.Ratio*math.Exp(1.943180281*se), 1e-8**n.Upper)
		p, err := dist.TSF(*n.TLower, 6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, n.Treatment, n.PLower, p, 1e-12)
	}
}
