package stats_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"

	"quadtally/stats"
)

// The observed arrangement is always one of those looked at, so that a drawn p
// value is never 0: 1/21 is the least after 20 draws.
func TestDrawnPIsNeverZero(t *testing.T) {
	var y []float64
	var trt, blk []string
	for b := range 6 {
		for k := range 4 {
			y, trt, blk = append(y, float64(1000*k)+float64((7*b+3*k)%5)), append(trt, fmt.Sprint(k)), append(blk, fmt.Sprint(b))
		}
	}
	for _, draws := range []int{1, 20, 500} {
		p, err := stats.PermuteContext(context.Background(), y, trt, blk, stats.PermuteOptions{Draws: draws, Seed: 3})
		if err != nil {
			t.Fatal(err)
		}
		if p.Complete || p.AtLeast != 1 || p.Of != draws+1 || p.P != 1/float64(draws+1) {
			t.Errorf("%d draws: p %v, %d of %d", draws, p.P, p.AtLeast, p.Of)
		}
	}
}

// Intervals of all ten pairs of the invented table d1 (SED 3.615937 on 12 df)
// against quantiles of R 4.2.2: qt(1 - .05/20, 12) = 3.428444 for Bonferroni
// and Holm, qt(.5 + .95^.1/2, 12) = 3.416003 for Sidak, qt(.975, 12) = 2.178813
// for the LSD and the false discovery rate, sqrt(4 qf(.95, 4, 12)) = 3.610632 for
// Scheffe.
func TestWidthsOfIntervals(t *testing.T) {
	for method, quantile := range map[stats.Method]float64{
		stats.Bonferroni: 3.428444242, stats.Holm: 3.428444242, stats.Sidak: 3.416003354,
		stats.LSD: 2.178812830, stats.BH: 2.178812830, stats.Scheffe: 3.610632480,
	} {
		o := rawPercent()
		o.Method = method
		pairs := analyse(t, d1Rows(), o).Pairs
		if len(pairs) != 10 {
			t.Fatalf("%s: %d pairs, want 10", method, len(pairs))
		}
		for _, p := range pairs {
			want := quantile * *p.SED
			if math.Abs(*p.Upper-*p.Difference-want) > 1e-7*want || math.Abs(*p.Difference-*p.Lower-want) > 1e-7*want {
				t.Errorf("%s, %s - %s: %v to %v about %v, want %v either way", method, p.A, p.B, *p.Lower, *p.Upper, *p.Difference, want)
			}
		}
	}
}

// The LSD warns where the overall test shows nothing, and only there.
func TestLSDWarning(t *testing.T) {
	o := rawPercent()
	o.Method = stats.LSD
	if a := analyse(t, d1Rows(), o); hasText(a.Warnings, "LSD is honest only") {
		t.Errorf("warned after a significant F: %q", a.Warnings)
	}
	flat := d1Rows()
	for i := range flat {
		flat[i].Value = 30 + float64((i*7)%11)
	}
	a := analyse(t, flat, o)
	if *anovaRow(t, a.ANOVA, "treatment").P <= 0.05 {
		t.Fatal("the table was to show nothing")
	}
	if !hasText(a.Warnings, "LSD is honest only") {
		t.Errorf("no warning after an F that shows nothing: %q", a.Warnings)
	}
	o.Method = stats.Tukey
	if a := analyse(t, flat, o); hasText(a.Warnings, "LSD") {
		t.Errorf("Tukey's method warns of the LSD: %q", a.Warnings)
	}
}

// What stands for 0 and 100 on the logit scale: half the least distance from an
// end, from either end, or 1/(4n) of points counted; nothing where neither
// occurs.
func TestNudgeOfTheLogit(t *testing.T) {
	for _, c := range []struct {
		values []float64
		points int
		nudge  float64
	}{
		{[]float64{0, 3, 10, 50}, 0, 0.015},
		{[]float64{0, 3, 99, 50}, 0, 0.005},
		{[]float64{100, 3, 10, 50}, 0, 0.015},
		{[]float64{0, 3, 10, 50}, 50, 0.005},
		{[]float64{2, 3, 10, 50}, 50, 0},
	} {
		tr, note, err := stats.NewTransform(stats.Percent, stats.Logit, c.values, c.points)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(tr.Nudge-c.nudge) > 1e-15 || (note != "") != (c.nudge > 0) {
			t.Errorf("%v, %d points: nudge %v, want %v; %q", c.values, c.points, tr.Nudge, c.nudge, note)
		}
	}
}

// A measure with values below zero may have a mean there, so a detectable mean
// below zero is one; without such values, and for a share or a count, it is not.
func TestDetectableBelowZero(t *testing.T) {
	rows := d1Rows()
	below := slices.Clone(rows)
	for i := range rows {
		rows[i].Value = float64((i * 13) % 23) // little signal, much spread
		below[i].Value = rows[i].Value - 5
	}
	if d := analyse(t, below, plain()).Detectable; d.BeyondZero || d.To >= 0 {
		t.Errorf("a measure below zero: %+v, want a mean below zero as it is", d)
	}
	for _, kind := range []stats.Kind{stats.Measure, stats.Percent, stats.Count} {
		o := plain()
		o.Kind, o.Scale = kind, stats.Raw
		d := analyse(t, rows, o).Detectable
		if d == nil {
			t.Fatal("nothing on what could have been seen")
		}
		if !d.BeyondZero || d.To != 0 {
			t.Errorf("%s: %+v, want nothing below zero", kind, d)
		}
	}
}

// Tukey's one degree of freedom speaks of blocks and treatments only; with a
// covariate it is left out.
func TestNonAdditivityWithoutCovariate(t *testing.T) {
	rows := d1Rows()
	for i := range rows {
		rows[i].Covariate, rows[i].HasCovariate = float64((i*5)%7), true
	}
	for _, use := range []bool{false, true} {
		o := rawPercent()
		o.UseCovariate = use
		a := analyse(t, rows, o)
		has := slices.ContainsFunc(a.Checks, func(l stats.TestLine) bool { return l.Name == "Tukey non-additivity" })
		if has == use {
			t.Errorf("covariate %v: non-additivity tested %v", use, has)
		}
	}
}
