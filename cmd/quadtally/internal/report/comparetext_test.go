package report

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// The flag -update is shared by the tests of this package, whichever has it first.
func init() {
	if flag.Lookup("update") == nil {
		flag.Bool("update", false, "rewrite golden files")
	}
}

// goldenComparison holds got against a file of testdata, or rewrites it under -update.
func goldenComparison(t *testing.T, name string, got []byte) {
	t.Helper()
	for _, bad := range []string{"NaN", "Inf", "equal", "%!"} {
		if bytes.Contains(got, []byte(bad)) {
			t.Errorf("the text says %q", bad)
		}
	}
	file := filepath.Join("testdata", name+".txt")
	if flag.Lookup("update").Value.String() == "true" {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("text differs from %s:\n%s", file, got)
	}
}

// inventedCover is weed cover in percent of 5 treatments in 4 blocks.
func inventedCover() []stats.Row {
	var rows []stats.Row
	for i, t := range []string{"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"} {
		for b, v := range [][]float64{{62, 48, 71, 55}, {24, 31, 38, 19}, {15, 9, 27, 18}, {33, 22, 41, 36}, {8, 5, 12, 11}}[i] {
			rows = append(rows, stats.Row{Plot: fmt.Sprintf("%d%02d", b+1, i+1), Treatment: t, Block: fmt.Sprint(b + 1), Value: v,
				Source: fmt.Sprintf("cover.csv:%d", len(rows)+2)})
		}
	}
	return rows
}

func TestWriteComparison(t *testing.T) {
	options := func(change func(*stats.Options)) stats.Options {
		o := stats.DefaultOptions()
		o.Response, o.Unit, o.Kind, o.Control = "weed cover", "%", stats.Percent, "BARE"
		change(&o)
		return o
	}
	for name, c := range map[string]struct {
		rows func() []stats.Row
		opt  stats.Options
		text TextOptions
	}{
		"whole":   {inventedCover, options(func(o *stats.Options) {}), TextOptions{}},
		"arcsine": {inventedCover, options(func(o *stats.Options) { o.Scale, o.Control = stats.ArcsineSqrt, "" }), TextOptions{}},
		"damaged": {func() []stats.Row {
			rows := inventedCover()
			rows[10].Missing, rows[10].Value = true, 0
			return rows[:16] // no TARP
		}, options(func(o *stats.Options) {}), TextOptions{}},
		"no-answer": {func() []stats.Row {
			rows := inventedCover()
			for i := range rows {
				rows[i].Value = 0
			}
			return rows
		}, options(func(o *stats.Options) {}), TextOptions{Short: true}},
	} {
		t.Run(name, func(t *testing.T) {
			a, err := stats.Analyse(c.rows(), c.opt)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := WriteAnswer(&b, analysis.Comparison{Analysis: &a}, c.text); err != nil {
				t.Fatal(err)
			}
			goldenComparison(t, "comparison-"+name, b.Bytes())
		})
	}
}

// An invented season: cover in percent of 3 treatments in 4 blocks.
func TestWriteSeason(t *testing.T) {
	var rows []stats.Row
	for i, name := range []string{"BARE", "RYE", "STRAW"} {
		for b, course := range [][][]float64{
			{{3, 14, 38, 66}, {2, 10, 30, 52}, {5, 20, 47, 75}, {3, 12, 35, 60}},
			{{1, 5, 16, 30}, {2, 8, 22, 35}, {2, 9, 25, 43}, {1, 4, 12, 24}},
			{{2, 7, 19, 36}, {1, 5, 13, 27}, {3, 11, 26, 45}, {2, 9, 22, 38}},
		}[i] {
			for k, v := range course {
				rows = append(rows, stats.Row{Plot: fmt.Sprintf("%d%02d", b+1, i+1), Treatment: name, Block: fmt.Sprint(b + 1), Day: float64(14 * k), Value: v})
			}
		}
	}
	o := stats.DefaultOptions()
	o.Response, o.Unit, o.Kind, o.Control = "weed cover", "%", stats.Percent, "BARE"
	for name, lose := range map[string]bool{"whole": false, "visit-lost": true} {
		t.Run(name, func(t *testing.T) {
			rows := slices.Clone(rows)
			if lose {
				rows[2].Missing, rows[2].Value = true, 0
			}
			s, err := stats.AnalyseSeason(rows, o)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := WriteAnswer(&b, analysis.Comparison{Season: &s}, TextOptions{Short: lose}); err != nil {
				t.Fatal(err)
			}
			goldenComparison(t, "season-"+name, b.Bytes())
		})
	}
}

// A p value is written with the digits that are known of it.
func TestDigitsThatAreKnown(t *testing.T) {
	for _, x := range []struct {
		p, err float64
		want   string
	}{{0.2468, 0, ".247"}, {0.2468, 1e-5, ".247"}, {0.2468, 4e-4, "≈ .25"}, {0.0004, 4e-4, "< .001"}, {0.004, 2e-4, ".004"}, {0.9993, 1e-3, "> .99"}, {0.0432, 1e-3, "≈ .04"}} {
		if got := pKnown(&x.p, x.err); got != x.want {
			t.Errorf("p %v known to %v: %q, want %q", x.p, x.err, got, x.want)
		}
	}
	if got := pKnown(nil, 1); got != pCell(nil) {
		t.Errorf("no p value: %q", got)
	}
}

// What is more than the control is told as more: the sign and the ends of the
// interval turn round together.
func TestMoreThanControl(t *testing.T) {
	o := stats.DefaultOptions()
	o.Response, o.Unit, o.Kind, o.Control = "yield", "kg/ha", stats.Measure, "TARP"
	a, err := stats.Analyse(inventedCover(), o)
	if err != nil {
		t.Fatal(err)
	}
	less, more := compareText{a: a}, compareText{a: a, opt: TextOptions{More: true}}
	rows, _ := less.treatmentRows()
	turned, _ := more.treatmentRows()
	s := a.Treatments[0].Suppression // of BARE
	percent, low, high := -*s.Percent, -*s.Upper, -*s.Lower
	if !(low < percent && percent < high && percent > 0) {
		t.Fatalf("%+v", s)
	}
	want := number(&percent, 0) + " (" + span(&low, &high, 0) + ")"
	if got := turned[1][5]; turned[0][5] != "% more than control" || got != want || rows[0][5] != "% less than control" || rows[1][5] == want {
		t.Errorf("got %q, want %q; %q", got, want, rows[1])
	}
}
