package stats_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"quadtally/stats"
)

// Cover and counts come with means as measured whose limits lie where a mean
// can, and suppression that is always bounded where something was found.
func TestStandardMeansOfSharesAndCounts(t *testing.T) {
	for _, kind := range []stats.Kind{stats.Percent, stats.Proportion, stats.Count} {
		rows := d1Rows()
		for i := range rows {
			if rows[i].Treatment == "TARP" {
				rows[i].Value = float64(i % 3) // nearly nothing, a zero among it
			}
			if kind == stats.Proportion {
				rows[i].Value /= 100
			}
		}
		o := plain()
		o.Kind, o.Control = kind, "BARE"
		a := analyse(t, rows, o)
		if a.Transform.Scale != stats.DefaultScale(kind) || a.StandardBy == "" {
			t.Fatalf("%s: scale %s, standardised by %q", kind, a.Transform.Scale, a.StandardBy)
		}
		top := map[stats.Kind]float64{stats.Percent: 100, stats.Proportion: 1, stats.Count: math.Inf(1)}[kind]
		for _, r := range a.Treatments {
			if r.Standard == nil || r.StandardLower == nil || math.Abs(*r.Standard-*r.Mean) > 1e-9 {
				t.Fatalf("%s %s: %+v", kind, r.Treatment, r)
			}
			if !(*r.StandardLower > 0 && *r.StandardLower < *r.Standard && *r.Standard < *r.StandardUpper && *r.StandardUpper < top) {
				t.Errorf("%s %s: %v (%v to %v)", kind, r.Treatment, *r.Standard, *r.StandardLower, *r.StandardUpper)
			}
			if low, high := *r.Standard-*r.StandardLower, *r.StandardUpper-*r.Standard; *r.Standard < top/2 && !(high > low) {
				t.Errorf("%s %s: limits %v below and %v above", kind, r.Treatment, low, high)
			}
			if r.Treatment == "BARE" {
				continue
			}
			s := r.Suppression
			if s == nil || s.Lower == nil || !(*s.Lower < *s.Percent && *s.Percent < *s.Upper && *s.Upper < 100) {
				t.Errorf("%s %s: suppression %+v", kind, r.Treatment, s)
			}
		}
	}
}

// Measures, and other scales than the kind's own when asked for, keep the
// linear model's intervals and Fieller's; means of shares are cut where shares
// end.
func TestOtherScalesKeepTheirIntervals(t *testing.T) {
	o := rawPercent()
	o.Control = "BARE"
	rows := d1Rows()
	for i := range rows {
		if rows[i].Treatment == "TARP" {
			rows[i].Value = float64(i % 2)
		}
	}
	a := analyse(t, rows, o)
	tarp := treatment(t, a, "TARP")
	if a.StandardBy != "" || tarp.Standard != nil || tarp.Suppression.Method != "Fieller" {
		t.Errorf("raw percent asked for: %+v", tarp)
	}
	if *tarp.Lower >= 0 || *tarp.BackLower != 0 {
		t.Errorf("limit %v, in the unit %v: want it cut at 0", *tarp.Lower, *tarp.BackLower)
	}
	o.Kind, o.Scale = stats.Measure, ""
	if a := analyse(t, rows, o); a.StandardBy != "" || a.Treatments[0].Standard != nil {
		t.Error("a measure was standardised as a share")
	}
}

// A treatment without a single plant has 100 % suppression down to where its
// bound lies over the control's lower limit; without one in the control there is
// nothing to compare with.
func TestStandardMeansWithNothingFound(t *testing.T) {
	var rows []stats.Row
	for name, plots := range map[string][]float64{"BARE": {41, 28, 55, 37}, "RYE": {12, 7, 19, 9}, "STRAW": {17, 11, 23, 14}, "TARP": {0, 0, 0, 0}} {
		for b, v := range plots {
			rows = append(rows, stats.Row{Treatment: name, Block: fmt.Sprint(b + 1), Value: v})
		}
	}
	o := plain()
	o.Kind, o.Control = stats.Count, "BARE"
	tarp := treatment(t, analyse(t, rows, o), "TARP")
	if s := tarp.Suppression; *s.Percent != 100 || s.Upper == nil || *s.Upper != 100 || !(*s.Lower > 90) {
		t.Errorf("%+v", s)
	}
	if *tarp.Standard != 0 || *tarp.StandardLower != 0 || !(*tarp.StandardUpper > 0) {
		t.Errorf("%+v", tarp)
	}
	o.Control = "TARP"
	if s := treatment(t, analyse(t, rows, o), "BARE").Suppression; s.Percent != nil || s.Lower != nil {
		t.Errorf("over nothing: %+v", s)
	}
	// The same trial as densities of frames of a quarter square metre: four
	// times the mean and its limits, the same suppression.
	dense := slices.Clone(rows)
	for i := range dense {
		dense[i].Value *= 4
	}
	o.Control = "BARE"
	counts := treatment(t, analyse(t, rows, o), "RYE")
	o.Ground = 0.25
	perM2 := treatment(t, analyse(t, dense, o), "RYE")
	near(t, "density upper", perM2.StandardUpper, 4**counts.StandardUpper, 1e-9)
	near(t, "suppression lower", perM2.Suppression.Lower, *counts.Suppression.Lower, 1e-9)
}

// Values with an error of their own are in the unit of the response, and so are
// analysed as they are; their intervals are the linear model's.
func TestOwnErrorIsOnTheRawScale(t *testing.T) {
	o := plain()
	o.Kind, o.Control = stats.Percent, "BARE"
	rows := d1Rows()
	e := stats.OwnError{DF: 10}
	for i := range rows {
		rows[i].Plot = fmt.Sprint("p", i)
		e.Plots = append(e.Plots, rows[i].Plot)
		line := make([]float64, len(rows))
		line[i] = 4
		e.Cov = append(e.Cov, line)
	}
	a, err := stats.AnalyseUncertain(rows, o, e)
	if err != nil {
		t.Fatal(err)
	}
	if a.Transform.Scale != stats.Raw || a.StandardBy != "" {
		t.Errorf("scale %s, standardised by %q", a.Transform.Scale, a.StandardBy)
	}
	o.Scale = stats.ArcsineSqrt
	if _, err := stats.AnalyseUncertain(rows, o, e); err == nil {
		t.Error("own error was carried on the angular scale")
	}
}
