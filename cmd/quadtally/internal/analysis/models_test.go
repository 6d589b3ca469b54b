package analysis

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/glm"
)

// Pairs that hold the control become ratios to it, whichever stands first; what
// has no ratio keeps its p alone, and what cannot be told has neither. P values
// are adjusted together by Holm's way.
func TestRatiosWithTheControl(t *testing.T) {
	ratio := func(a, b string, r, low, high, p float64) glm.Ratio {
		return glm.Ratio{A: []string{a}, B: []string{b}, Ratio: r, Lower: low, Upper: high, P: p}
	}
	zero := ratio("ZERO", "BARE", 0, 0, 0, 0.02)
	zero.ByDeviance = true
	turned := ratio("BARE", "FULL", 0, 0, 0, 0.03)
	turned.ByDeviance = true
	undefined := ratio("GONE", "BARE", 1, 0.5, 2, 1)
	undefined.Undefined = true
	got := ratiosWith("BARE", []glm.Ratio{ratio("RYE", "BARE", 0.5, 0.25, 0.8, 0.01), ratio("BARE", "STRAW", 4, 2, 5, 0.001), ratio("RYE", "STRAW", 3, 2, 4, 0.0001), zero, turned, undefined, ratio("BARE", "OPEN", 2, 0, 5, 0.5)}, nil)
	var text []string
	for _, r := range got {
		s := r.Treatment
		for _, v := range []*float64{r.Ratio, r.Lower, r.Upper, r.P, r.PHolm} {
			if v == nil {
				s += " ?"
			} else {
				s += fmt.Sprintf(" %.4g", *v)
			}
		}
		text = append(text, s)
	}
	want := []string{"RYE 0.5 0.25 0.8 0.01 0.04", "STRAW 0.25 0.2 0.5 0.001 0.005", "ZERO ? ? ? 0.02 0.06", "FULL ? ? ? 0.03 0.06", "GONE ? ? ? ? ?", "OPEN ? ? ? 0.5 0.5"}
	if strings.Join(text, "\n") != strings.Join(want, "\n") {
		t.Errorf("%s\nwant\n%s", strings.Join(text, "\n"), strings.Join(want, "\n"))
	}
	if got := ratiosWith("", []glm.Ratio{ratio("RYE", "BARE", 0.5, 0.25, 0.8, 0.01)}, nil); got != nil {
		t.Errorf("without a control: %+v", got)
	}
}

// Letters and adjusted p values hold within a date: at the level a pair does not
// share a letter, and other dates change nothing.
func TestDatesAreJudgedAlone(t *testing.T) {
	m := &SeasonModel{Alpha: 0.05}
	for _, d := range []float64{0, 14} {
		for _, code := range []string{"A", "B", "C"} {
			m.Means = append(m.Means, DateMean{Day: d, Treatment: code})
		}
	}
	m.Pairs = []DateDifference{{Day: 0, A: "A", B: "B", P: 0.05}, {Day: 0, A: "A", B: "C", P: 0.01}, {Day: 0, A: "B", B: "C", P: 0.4},
		{Day: 14, A: "A", B: "B", P: 0.001}, {Day: 14, A: "A", B: "C", P: 0.025}, {Day: 14, A: "B", B: "C", P: 0.05}}
	letters := func(day float64) (out string) {
		for _, x := range m.Means {
			if x.Day == day {
				out += x.Treatment + x.Letters + " "
			}
		}
		return out
	}
	judgeDate(m, 0)
	if got := letters(0); got != "Aa Bab Cb " || letters(14) != "A B C " {
		t.Errorf("%s / %s", got, letters(14))
	}
	near(t, "Holm", m.Pairs[0].PHolm, 0.10, 1e-12)
	near(t, "Holm", m.Pairs[1].PHolm, 0.03, 1e-12)
	near(t, "not yet judged", m.Pairs[3].PHolm, 0, 0)
	judgeDate(m, 14)
	if got := letters(14); got != "Aa Bb Cc " { // 0.003, 0.05 and 0.05: at the level they differ
		t.Errorf("%s", got)
	}
	// A pair that is missing leaves the date without letters.
	m.Pairs, m.Means[0].Letters, m.Means[1].Letters, m.Means[2].Letters = m.Pairs[1:], "", "", ""
	judgeDate(m, 0)
	if got := letters(0); got != "A B C " {
		t.Errorf("%s", got)
	}
}

// The second opinion is about the numbers counted, with the ground they stood on:
// whichever ground densities are told by, the ratios are the same; its answer is
// resampled where the layout allows it.
func TestSecondOpinions(t *testing.T) {
	rows := rowsOfBlocks("A B C", fourBlocks...)
	compare := func(rows []stats.Row, kind stats.Kind, change func(*Options)) Comparison {
		t.Helper()
		o := DefaultOptions()
		o.Control = "A"
		if change != nil {
			change(&o)
		}
		c, err := CompareRows(rows, "x", kind, o)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	counts := compare(rows, stats.Count, nil).CountModel
	if counts.Refused != "" || counts.Unit != "per reading" || counts.Control != "A" || len(counts.VsControl) != 2 || len(counts.Standard) != 3 || counts.Resampled == nil || counts.NotResampled != "" || counts.Treatment == nil || counts.Treatment.Term != stats.TreatmentTerm {
		t.Fatalf("%+v", counts)
	}
	// Of a complete balanced layout the ratio of standardised means is that of the
	// sums: 128 and 56 of 168.
	near(t, "B over A", *counts.VsControl[0].Ratio, 128.0/168, 1e-6)
	near(t, "C over A", *counts.VsControl[1].Ratio, 56.0/168, 1e-6)
	cover := compare(rows, stats.Percent, nil).CoverModel
	if cover.Unit != "share of the whole" || cover.Counts() || !counts.Counts() {
		t.Errorf("%+v", cover)
	}
	near(t, "a share", cover.Standard[0].Mean, 0.42, 1e-6)
	shares := append([]stats.Row(nil), rows...)
	for i := range shares {
		shares[i].Value /= 100
	}
	near(t, "of 1", compare(shares, stats.Proportion, nil).CoverModel.Standard[0].Mean, 0.42, 1e-6)
	beta := compare(rows, stats.Percent, func(o *Options) { o.Model = Beta }).CoverModel
	if beta.Standard != nil || beta.Precision == nil || len(beta.VsControl) != 2 || beta.Resampled == nil {
		t.Errorf("%+v", beta)
	}
	// A covariate is in the model before the treatments.
	before := append([]stats.Row(nil), rows...)
	for i := range before {
		before[i].Covariate, before[i].HasCovariate = float64(i*i%5), true
	}
	with := compare(before, stats.Count, func(o *Options) { o.Covariate = &Covariate{Response: "before"} }).CountModel
	if len(with.Tests) != len(counts.Tests)+1 || with.Tests[len(with.Tests)-1].Term != stats.TreatmentTerm || with.Tests[len(with.Tests)-2].Term != "covariate" {
		t.Errorf("%+v", with.Tests)
	}
	if m := compare(before, stats.Count, nil).CountModel; len(m.Tests) != len(counts.Tests) {
		t.Errorf("an unused covariate: %+v", m.Tests)
	}
	// Rows and columns at once cannot be re-allotted within blocks.
	square := rowsOfBlocks("A B C", []float64{40, 31, 12}, []float64{33, 15, 44}, []float64{11, 38, 30})
	for i := range square {
		square[i].Column = fmt.Sprint(i % 3)
		square[i].Treatment = string("ABC"[(i%3+i/3)%3])
	}
	if m := compare(square, stats.Count, nil).CountModel; m.Resampled != nil || !strings.Contains(m.NotResampled, "rows and columns at once") {
		t.Errorf("a square: %+v", m)
	}
	free := append([]stats.Row(nil), rows...)
	for i := range free {
		free[i].Block = ""
	}
	if m := compare(free, stats.Count, nil).CountModel; m.Resampled == nil {
		t.Errorf("without blocks: %+v", m)
	}
	ended, stop := context.WithCancel(t.Context())
	stop()
	o := DefaultOptions()
	o.Context = ended
	if _, err := CompareRows(rows, "x", stats.Count, o); !errors.Is(err, context.Canceled) {
		t.Errorf("nobody waits: %v", err)
	}
	for n, want := range map[int]bool{1: true, 2: false, 3: false} {
		if got := tooFew(&stats.Analysis{Design: stats.Design{Treatments: make([]string, n)}}) != ""; got != want {
			t.Errorf("%d treatments: %v", n, got)
		}
	}
}

// A season's model gives each treatment a mean on each date, from the first on
// and from the highest down, with pairs of each date.
func TestSeasonModel(t *testing.T) {
	rows := rowsOfBlocks("A B C", fourBlocks...)
	later := rowsOfBlocks("A B C", fourBlocks...)
	for i := range later {
		later[i].Day, later[i].Value = 14, later[i].Value*0.5+float64(i%4)
	}
	season := append(rows, later...)
	o := DefaultOptions()
	c, err := CompareRows(season, "yield", stats.Measure, o)
	if err != nil {
		t.Fatal(err)
	}
	m := c.SeasonModel
	if m.Refused != "" || len(m.Means) != 6 || len(m.Pairs) != 6 || m.Fit == nil || !strings.HasPrefix(m.Words, "Fixed: treatment by date. Random: ") || strings.Contains(m.Words, "CAR(1)") || strings.Contains(m.Words, "carried back") || m.Alpha != 0.05 {
		t.Fatalf("%+v", m)
	}
	// Balanced: the means are the plain ones, A 42, B 32 and C 14 on the first day.
	for i, want := range []struct {
		day  float64
		code string
		mean float64
	}{{0, "A", 42}, {0, "B", 32}, {0, "C", 14}, {14, "A", 22.5}, {14, "B", 17.5}, {14, "C", 8.5}} {
		x := m.Means[i]
		if x.Day != want.day || x.Treatment != want.code {
			t.Errorf("%d: %+v", i, x)
		}
		near(t, x.Treatment, x.Mean, want.mean, 1e-6)
		near(t, x.Treatment+" back", x.Back, want.mean, 1e-6)
		if x.Letters == "" || !(x.BackLower < x.Back && x.Back < x.BackUpper) {
			t.Errorf("%+v", x)
		}
	}
	for _, p := range m.Pairs {
		if p.PHolm < p.P || p.SED <= 0 || p.DF <= 0 {
			t.Errorf("%+v", p)
		}
	}
	o.Serial = true
	if c, err = CompareRows(season, "yield", stats.Measure, o); err != nil || !strings.Contains(c.SeasonModel.Words, "CAR(1)") {
		t.Errorf("%v %+v", err, c.SeasonModel)
	}
	o.Serial = false
	if c, err = CompareRows(season, "cover", stats.Percent, o); err != nil || !strings.Contains(c.SeasonModel.Words, "means are carried back") || c.SeasonModel.Scale == stats.Raw {
		t.Errorf("%v %+v", err, c.SeasonModel)
	}
	for _, x := range c.SeasonModel.Means {
		if x.Back < 0 || x.Back > 100 || x.Back == x.Mean {
			t.Errorf("%+v", x)
		}
	}
	o.Model = NoModel
	if c, err = CompareRows(season, "yield", stats.Measure, o); err != nil || c.SeasonModel != nil {
		t.Errorf("%v %+v", err, c.SeasonModel)
	}
	ended, stop := context.WithCancel(t.Context())
	stop()
	if err := c.AddSeasonModel(ended, false); !errors.Is(err, context.Canceled) || c.SeasonModel != nil {
		t.Errorf("nobody waits: %v %+v", err, c.SeasonModel)
	}
}

// The variance between quadrats is that within plots; where plots differ less
// than quadrats explain, it is that of both.
func TestVarianceOfQuadrats(t *testing.T) {
	var rows []stats.Row
	for _, r := range rowsOfBlocks("A B C", fourBlocks...) {
		for q := range 2 {
			x := r
			x.Quadrat, x.Value = fmt.Sprint(q+1), r.Value+float64(4*q-2)
			rows = append(rows, x)
		}
	}
	gap := rows[0]
	gap.Quadrat, gap.Missing, gap.Value = "3", true, 999
	o := DefaultOptions()
	c, err := CompareRows(append(rows, gap), "yield", stats.Measure, o)
	if err != nil || c.Components == nil || c.Components.Refused != "" {
		t.Fatalf("%+v %v", c.Components, err)
	}
	// Within plots the sum of squares is 12 x 8 with 12 df, between them 2 x 6 with
	// 6: less than quadrats alone explain, so that both are one variance.
	near(t, "between quadrats", c.Components.Quadrat, (96.0+12)/18, 1e-6)
	if c.Components.Treatment.Term != stats.TreatmentTerm || !c.Components.PlotZero || c.Components.Plot != 0 || c.Components.Warnings != nil {
		t.Errorf("%+v", c.Components)
	}
	o.Model = NoModel
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil || c.Components != nil {
		t.Errorf("%+v %v", c.Components, err)
	}
}
