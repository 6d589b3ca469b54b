package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"quadtally/stats"
)

// heavy reports whether the long simulations were asked for.
func heavy() bool { return os.Getenv("QUADTALLY_HEAVY") == "1" }

// drawnSeason is a season of 5 treatments in 4 blocks at unequal steps: plots
// and blocks have their own level, a plot's residuals correlate by phi a day,
// and each block has its own course. Treatments part by effect a visit.
func drawnSeason(rng *rand.Rand, phi, blockByVisit, effect float64) []stats.Row {
	days := []float64{0, 14, 33, 42}
	var rows []stats.Row
	for b := range 4 {
		level := 3 * rng.NormFloat64()
		course := make([]float64, len(days))
		for v := range days {
			course[v] = blockByVisit * rng.NormFloat64()
		}
		for k := range 5 {
			plot, left := 2*rng.NormFloat64(), 0.0
			for v, d := range days {
				keep := 0.0
				if v > 0 {
					keep = math.Pow(phi, d-days[v-1])
				}
				left = keep*left + math.Sqrt(1-keep*keep)*2*rng.NormFloat64()
				if v == 0 {
					left = 2 * rng.NormFloat64()
				}
				rows = append(rows, stats.Row{Block: fmt.Sprint(b), Treatment: fmt.Sprint(k), Plot: fmt.Sprint(b, "/", k), Day: d,
					Value: 30 + level + course[v] + plot + left + effect*float64(k*v)/4})
			}
		}
	}
	return rows
}

// How often treatment by visit is shown at 5 %, with blocks by visit in the
// error and out of it, where there is nothing and where there is something.
func TestSeasonSizeReport(t *testing.T) {
	runs := 600
	if heavy() {
		runs = 2000
	}
	rng := rand.New(rand.NewPCG(2, 6))
	raw := stats.Transform{Kind: stats.Measure, Scale: stats.Raw}
	fmt.Printf("\nTreatment by visit at 5 %%, 5 treatments x 4 blocks x 4 visits, %d seasons each (Greenhouse-Geisser / Huynh-Feldt, %%)\n", runs)
	fmt.Printf("%-44s %-18s %s\n", "", "blocks by visit in", "blocks by visit out")
	for _, c := range []struct {
		name                      string
		phi, blockByVisit, effect float64
	}{
		{"nothing, no serial correlation", 0, 0, 0},
		{"nothing, 0.97 a day", 0.97, 0, 0},
		{"nothing, 0.9 a day, blocks by visit", 0.9, 3, 0},
		{"effect, 0.9 a day, blocks by visit", 0.9, 3, 3.2},
	} {
		var shown [2][2]int
		for range runs {
			plots, days, err := stats.SeasonPlots(drawnSeason(rng, c.phi, c.blockByVisit, c.effect))
			if err != nil {
				t.Fatal(err)
			}
			for i, out := range []bool{false, true} {
				s, err := stats.SplitInTime(plots, days, raw, stats.SplitOptions{BlockByVisit: out, EpsilonWithinBlocks: true})
				if err != nil {
					t.Fatal(err)
				}
				for _, w := range s.Within {
					if w.Term != "treatment:visit" {
						continue
					}
					if *w.PGG <= 0.05 {
						shown[i][0]++
					}
					if *w.PHF <= 0.05 {
						shown[i][1]++
					}
				}
			}
		}
		share := func(n int) float64 { return 100 * float64(n) / float64(runs) }
		fmt.Printf("%-44s %4.1f / %-11.1f %4.1f / %.1f\n", c.name, share(shown[0][0]), share(shown[0][1]), share(shown[1][0]), share(shown[1][1]))
		// Corrected, the test is a little careful: 3 to 5 % in 2000 seasons each.
		chance := math.Sqrt(0.04 * 0.96 / float64(runs))
		if size := share(shown[1][0]); c.effect == 0 && (size < 3-300*chance || size > 5.5+300*chance || size == 0) {
			t.Errorf("%s: %.1f %% of true nulls rejected", c.name, size)
		}
		if size := share(shown[0][0]); c.blockByVisit > 0 && c.effect == 0 && size > 2 {
			t.Errorf("%s: with blocks by visit in the error %.1f %% are rejected, and the error is no larger", c.name, size)
		}
		if c.effect > 0 && share(shown[1][0]) < share(shown[0][0])+50 {
			t.Errorf("%s: %.1f %% shown with blocks by visit out of the error, %.1f %% with them in", c.name, share(shown[1][0]), share(shown[0][0]))
		}
	}
}

// The test before letters of single visits is the line of the table, with its
// p value corrected, and goes away with it.
func TestDateByDateIsTheCorrectedTest(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, effect := range []float64{0, 12} {
		rows := drawnSeason(rng, 0.9, 1, effect)
		s, err := stats.AnalyseSeason(rows, stats.DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		d := s.DateByDate
		if d == nil {
			t.Fatal("no test before single visits")
		}
		for _, w := range s.InTime.Within {
			if w.Term == "treatment:visit" && (d.P != *w.PGG || d.F != *w.F || d.DF1 != *s.InTime.EpsilonGG*float64(w.DF)) {
				t.Errorf("%+v differs from %+v", d, w)
			}
		}
		if d.Visits != 4 || d.Supports != (effect > 0) {
			t.Errorf("effect %v: %+v", effect, d)
		}
		s, err = stats.AnalyseSeason(rows[1:], stats.DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if s.DateByDate != nil {
			t.Errorf("a plot lacks a visit, but %+v", s.DateByDate)
		}
	}
}
