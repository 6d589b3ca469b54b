package stats_test

import (
	"encoding/json"
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

// A share among percents is one whose hundredfold is within a factor of 4 of
// the others of its treatment, and no other.
func TestDoubtfulWithinAFactorOfFour(t *testing.T) {
	for _, c := range []struct {
		value, others float64
		doubtful      bool
	}{
		{0.2, 5, false}, {0.2, 6, true}, {0.2, 20, true}, {0.2, 79, true}, {0.2, 80, false},
		{0, 20, false}, {1, 100, false}, {0.9, 90, true}, {0.5, 101, false},
	} {
		rows := []stats.Row{{Treatment: "A", Block: "1", Value: c.value}}
		for b := range 3 {
			rows = append(rows, stats.Row{Treatment: "A", Block: fmt.Sprint(b + 2), Value: c.others})
			rows = append(rows, stats.Row{Treatment: "B", Block: fmt.Sprint(b + 2), Value: 30})
		}
		if got := len(stats.DoubtfulPercents(rows)) == 1; got != c.doubtful {
			t.Errorf("%g among %g: doubtful %v", c.value, c.others, got)
		}
		rows[0].Missing = true
		if len(stats.DoubtfulPercents(rows)) != 0 {
			t.Errorf("%g, missing, is doubtful", c.value)
		}
		rows[0].Missing, rows[0].Treatment = false, "C"
		if len(stats.DoubtfulPercents(rows)) != 0 {
			t.Errorf("%g is doubtful without others of its treatment", c.value)
		}
	}
}

// What is wrong with the rows of plots is said of the rows it is wrong with.
func TestPlotFaults(t *testing.T) {
	for want, change := range map[string]func(rows []stats.Row) []stats.Row{
		"no column given while other": func(rows []stats.Row) []stats.Row { rows[0].Column = "1"; return rows },
		"no block given while other":  func(rows []stats.Row) []stats.Row { rows[3].Block = ""; return rows },
		"no treatment given":          func(rows []stats.Row) []stats.Row { rows[3].Treatment = ""; return rows },
		"the value is not a number":   func(rows []stats.Row) []stats.Row { rows[3].Value = 1.01e100; return rows },
		"the covariate is not a": func(rows []stats.Row) []stats.Row {
			rows[3].HasCovariate, rows[3].Covariate = true, math.Inf(1)
			return rows
		},
		"columns are given without": func(rows []stats.Row) []stats.Row {
			for i := range rows {
				rows[i].Block, rows[i].Column = "", "1"
			}
			return rows
		},
		"plot p has treatments BARE and RYE": func(rows []stats.Row) []stats.Row {
			return append(rows, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Quadrat: "1", Value: 1}, stats.Row{Plot: "p", Block: "1", Treatment: "RYE", Quadrat: "2", Value: 2})
		},
		"plot p stands in columns 1 and 2": func(rows []stats.Row) []stats.Row {
			for i := range rows {
				rows[i].Column = "1"
			}
			return append(rows, stats.Row{Plot: "p", Block: "1", Column: "1", Treatment: "BARE", Quadrat: "1", Value: 1}, stats.Row{Plot: "p", Block: "1", Column: "2", Treatment: "BARE", Quadrat: "2", Value: 2})
		},
		"plot p has covariate 3 and 4": func(rows []stats.Row) []stats.Row {
			for i := range rows {
				rows[i].HasCovariate, rows[i].Covariate = true, float64(i)
			}
			return append(rows, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Quadrat: "1", Value: 1, HasCovariate: true, Covariate: 3}, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Quadrat: "2", Value: 2, HasCovariate: true, Covariate: 4})
		},
		"plot p has quadrat 1 twice": func(rows []stats.Row) []stats.Row {
			return append(rows, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Quadrat: "1", Value: 1}, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Quadrat: "1", Value: 2})
		},
		"plot p is given twice": func(rows []stats.Row) []stats.Row {
			return append(rows, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Value: 1}, stats.Row{Plot: "p", Block: "1", Treatment: "BARE", Value: 2})
		},
	} {
		if _, err := stats.Analyse(change(d1Rows()), rawPercentOf(stats.Measure)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	// The largest number that is one, and nothing at all where rows are missing.
	rows := d1Rows()
	rows[3].Value = 1e100
	analyse(t, rows, rawPercentOf(stats.Measure))
	for i := range rows {
		rows[i].Missing = true
	}
	wantError(t, rows, plain(), "every reading is marked missing")
	rows = d1Rows()
	o := plain()
	o.UseCovariate = true
	wantError(t, rows, o, "no covariate for the plot")
}

func rawPercentOf(kind stats.Kind) stats.Options {
	o := plain()
	o.Kind, o.Scale = kind, stats.Raw
	return o
}

// A split plot in time needs two plots and two visits, and takes visits apart by
// block only where there are blocks.
func TestLeastSplitInTime(t *testing.T) {
	course := func(name, treatment, block string, values ...float64) stats.PlotSeason {
		return stats.PlotSeason{Name: name, Treatment: treatment, Block: block, Days: []float64{0, 7}[:len(values)], Values: values}
	}
	tr, _, err := stats.NewTransform(stats.Measure, stats.Raw, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	two := []stats.PlotSeason{course("a", "A", "", 1, 4), course("b", "B", "", 2, 3)}
	opt := stats.SplitOptions{BlockByVisit: true}
	s, err := stats.SplitInTime(two, []float64{0, 7}, tr, opt)
	if err != nil || s.BlockByVisit {
		t.Errorf("two plots, two visits: %+v, %v", s, err)
	}
	blocks := append(two, course("c", "A", "", 3, 3), course("d", "B", "", 5, 9))
	for i := range blocks {
		blocks[i].Block = fmt.Sprint(i / 2)
	}
	for _, by := range []bool{true, false} {
		if s, err := stats.SplitInTime(blocks, []float64{0, 7}, tr, stats.SplitOptions{BlockByVisit: by}); err != nil || s.BlockByVisit != by {
			t.Errorf("blocks by visit %v: %+v, %v", by, s, err)
		}
	}
	for want, f := range map[string]func() error{
		"1 plot at 2 visits": func() error { _, err := stats.SplitInTime(two[:1], []float64{0, 7}, tr, opt); return err },
		"2 plots at 1 visit": func() error {
			_, err := stats.SplitInTime([]stats.PlotSeason{course("a", "A", "", 1), course("b", "B", "", 2)}, []float64{0}, tr, opt)
			return err
		},
		"plot b lacks visits": func() error {
			_, err := stats.SplitInTime([]stats.PlotSeason{two[0], course("b", "B", "", 2)}, []float64{0, 7}, tr, opt)
			return err
		},
	} {
		if err := f(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// Effective replicates are the plots a treatment has in complete blocks and
// without blocks; four treatments in all six blocks of two are worth r E = 3 x 2/3
// = 2 (Cochran & Cox 1957, Experimental Designs, section 11.1: E = t(k-1)/(k(t-1))).
func TestEffectiveReplicates(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	var pairs, apart []stats.Row
	for i := range 4 {
		for j := range i {
			for _, k := range []int{i, j} {
				pairs = append(pairs, stats.Row{Treatment: fmt.Sprint("T", k), Block: fmt.Sprint(i, j), Value: rng.NormFloat64()})
			}
		}
	}
	for i := range 4 {
		apart = append(apart, stats.Row{Treatment: fmt.Sprint("T", i), Block: fmt.Sprint(i / 2), Value: float64(i)})
	}
	free := invented(3, 6, 1, 0, rng)
	for i := range free {
		free[i].Block, free[i].Plot = "", fmt.Sprint(i)
	}
	for name, c := range map[string]struct {
		rows []stats.Row
		want float64
	}{"complete blocks": {d1Rows(), 4}, "without blocks": {free, 6}, "blocks of two": {pairs, 2}, "two halves that never meet": {apart, 0}} {
		d, err := stats.Recognise(c.rows)
		if err != nil {
			t.Fatal(err)
		}
		closeTo(t, name, d.EffectiveReplicates(), c.want, 1e-9)
	}
}

func TestAdjustmentsAreNamed(t *testing.T) {
	seen := map[string]bool{}
	for how := stats.AdjustBonferroni; how <= stats.AdjustBenjaminiYekutieli; how++ {
		name := how.String()
		if name == "" || seen[name] || strings.Contains(name, "(") {
			t.Errorf("adjustment %d is called %q", int(how), name)
		}
		seen[name] = true
	}
	for _, how := range []stats.Adjustment{-1, stats.AdjustBenjaminiYekutieli + 1} {
		if name := how.String(); seen[name] {
			t.Errorf("adjustment %d is called %q", int(how), name)
		}
	}
}

// TestExtremeUnits: in the largest and the smallest unit everything that an
// analysis says is a number, and shares of the control are those of the usual one.
func TestExtremeUnits(t *testing.T) {
	o := stats.DefaultOptions()
	o.Kind, o.Control = stats.Measure, "BARE"
	usual := analyse(t, d1Rows(), o)
	for _, unit := range []float64{1e60, 1e98, 1e-60, 1e-90} {
		rows := d1Rows()
		for i := range rows {
			rows[i].Value *= unit
		}
		a := analyse(t, rows, o)
		if _, err := json.Marshal(a); err != nil {
			t.Errorf("in units of %g: %v", unit, err)
		}
		shares := 0
		for i, x := range a.Treatments {
			s, u := x.Suppression, usual.Treatments[i].Suppression
			if (s == nil) != (u == nil) {
				t.Errorf("in units of %g: shares of %s", unit, x.Treatment)
			}
			if s == nil || u == nil {
				continue
			}
			for _, c := range [][2]*float64{{s.Percent, u.Percent}, {s.Lower, u.Lower}, {s.Upper, u.Upper}} {
				if (c[0] == nil) != (c[1] == nil) || c[0] != nil && math.Abs(*c[0]-*c[1]) > 1e-6*(1+math.Abs(*c[1])) {
					t.Errorf("in units of %g: share of %s %v, usually %v", unit, x.Treatment, orNaN(c[0]), orNaN(c[1]))
				}
				shares++
			}
		}
		if shares < 6 {
			t.Errorf("only %d numbers were held against each other", shares)
		}
	}
}
