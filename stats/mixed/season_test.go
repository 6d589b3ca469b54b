package mixed_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"quadtally/stats"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// seasonRows draws a season of t treatments in b blocks; every block has its
// own course too.
func seasonRows(rng *rand.Rand, t, b int, days []float64, blockByVisit float64) []stats.Row {
	var rows []stats.Row
	for block := range b {
		course := make([]float64, len(days))
		for v := range days {
			course[v] = blockByVisit * rng.NormFloat64()
		}
		level := 3 * rng.NormFloat64()
		for k := range t {
			plot := 2 * rng.NormFloat64()
			for v, d := range days {
				rows = append(rows, stats.Row{Block: fmt.Sprint("B", block+1), Treatment: fmt.Sprint("T", k+1), Plot: fmt.Sprint(block+1, "/", k+1), Day: d,
					Value: 20 + level + course[v] + plot + 0.4*float64(k*v) + rng.NormFloat64()})
			}
		}
	}
	return rows
}

// With every plot seen at every visit, the mixed model with blocks by visit is
// the split plot in time with blocks by visit out of the error.
func TestSeasonModelIsTheSplitPlot(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	days := []float64{0, 14, 33, 42}
	compared := 0
	for trial := range 5 {
		rows := seasonRows(rng, 4, 4, days, 3)
		plots, visits, err := stats.SeasonPlots(rows)
		if err != nil {
			t.Fatal(err)
		}
		split, err := stats.SplitInTime(plots, visits, stats.Transform{Kind: stats.Measure, Scale: stats.Raw}, stats.SplitOptions{BlockByVisit: true})
		if err != nil {
			t.Fatal(err)
		}
		var m mixed.Model
		f := []terms.Factor{{Name: "block"}, {Name: "treatment"}, {Name: "plot"}, {Name: "date"}}
		for _, r := range rows {
			for i, l := range []string{r.Block, r.Treatment, r.Plot, fmt.Sprint("d", r.Day)} {
				f[i].Labels = append(f[i].Labels, l)
			}
			m.Response = append(m.Response, r.Value)
		}
		m.Frame.Factors = f
		m.Fixed, m.Random = mixed.SeasonTerms([]terms.Term{{"block"}}, "treatment", "plot", "date")
		fit, err := mixed.FitModel(m, mixed.DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range fit.Components {
			if c.AtZero {
				t.Logf("trial %d: %s at zero, not comparable", trial, c.Name)
				fit = nil
				break
			}
		}
		if fit == nil {
			continue
		}
		near := func(what string, got, want float64) {
			t.Helper()
			compared++
			if !(math.Abs(got-want) <= 1e-5*want) {
				t.Errorf("trial %d: %s %v, want %v", trial, what, got, want)
			}
		}
		for _, x := range fit.Adjusted {
			switch x.Term {
			case "treatment":
				near("treatment F", x.F, *split.Plot[1].F)
				near("treatment df", x.DenDF, 9)
			case "treatment:date":
				near("treatment by date F", x.F, *split.Within[2].F)
				near("treatment by date df", x.DenDF, 27)
			}
		}
	}
	if compared < 3*4 {
		t.Errorf("only %d numbers were compared", compared)
	}
}
