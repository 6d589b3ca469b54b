package stats_test

import (
	"fmt"
	"math"
	"testing"

	"quadtally/stats"
)

// d1 is invented: weed cover in percent, 5 treatments in 4 blocks.
var d1 = []struct {
	treatment string
	cover     [4]float64
}{
	{"BARE", [4]float64{62, 48, 71, 55}},
	{"RYE", [4]float64{24, 31, 38, 19}},
	{"RYEVETCH", [4]float64{15, 9, 27, 18}},
	{"STRAW", [4]float64{33, 22, 41, 36}},
	{"TARP", [4]float64{8, 5, 12, 11}},
}

func d1Rows() []stats.Row {
	var rows []stats.Row
	for _, t := range d1 {
		for b, v := range t.cover {
			rows = append(rows, stats.Row{Treatment: t.treatment, Block: fmt.Sprint(b + 1), Value: v,
				Source: fmt.Sprintf("cover.csv:%d", len(rows)+2)})
		}
	}
	return rows
}

// d2 is invented: cover of 3 treatments in 4 blocks at days 0, 14, 28, 42.
var (
	d2Days = [4]float64{0, 14, 28, 42}
	d2     = []struct {
		treatment string
		cover     [4][4]float64
	}{
		{"BARE", [4][4]float64{{3, 14, 38, 66}, {2, 10, 30, 52}, {5, 20, 47, 75}, {3, 12, 35, 60}}},
		{"RYE", [4][4]float64{{1, 5, 16, 30}, {2, 8, 22, 35}, {2, 9, 25, 43}, {1, 4, 12, 24}}},
		{"STRAW", [4][4]float64{{2, 7, 19, 36}, {1, 5, 13, 27}, {3, 11, 26, 45}, {2, 9, 22, 38}}},
	}
)

func d2Rows() []stats.Row {
	var rows []stats.Row
	for _, t := range d2 {
		for b, days := range t.cover {
			for i, v := range days {
				rows = append(rows, stats.Row{Treatment: t.treatment, Block: fmt.Sprint(b + 1), Day: d2Days[i], Value: v,
					Plot: fmt.Sprintf("%s%d", t.treatment, b+1)})
			}
		}
	}
	return rows
}

// plain are the default options without the randomisation test, which takes
// longer than all the rest.
func plain() stats.Options {
	o := stats.DefaultOptions()
	o.Randomise.Draws = 0
	return o
}

func rawPercent() stats.Options {
	o := plain()
	o.Kind, o.Scale = stats.Percent, stats.Raw
	return o
}

func analyse(t *testing.T, rows []stats.Row, o stats.Options) stats.Analysis {
	t.Helper()
	a, err := stats.Analyse(rows, o)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func anovaRow(t *testing.T, rows []stats.ANOVARow, term string) stats.ANOVARow {
	t.Helper()
	for _, r := range rows {
		if r.Term == term {
			return r
		}
	}
	t.Fatalf("no term %q in %v", term, rows)
	return stats.ANOVARow{}
}

func treatment(t *testing.T, a stats.Analysis, name string) stats.TreatmentResult {
	t.Helper()
	for _, r := range a.Treatments {
		if r.Treatment == name {
			return r
		}
	}
	t.Fatalf("no treatment %q", name)
	return stats.TreatmentResult{}
}

// near fails unless got is want to the digits in which want is given.
func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is undefined, want %g", what, want)
		return
	}
	if !(math.Abs(*got-want) <= within) {
		t.Errorf("%s = %.10g, want %g within %g", what, *got, want, within)
	}
}

func pair(t *testing.T, pairs []stats.Pair, x, y string) stats.Pair {
	t.Helper()
	for _, p := range pairs {
		if p.A == x && p.B == y || p.A == y && p.B == x {
			return p
		}
	}
	t.Fatalf("no pair %s-%s", x, y)
	return stats.Pair{}
}
