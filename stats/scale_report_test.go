package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"quadtally/stats"
)

// drawnCover is the percent cover of 5 treatments in 4 blocks, plots with an SD of
// plotSD on the logit scale and three quadrats each, beta with a precision.
func drawnCover(rng *rand.Rand, means []float64, plotSD, precision float64) []stats.Row {
	var rows []stats.Row
	for b := range 4 {
		level := 0.3 * rng.NormFloat64()
		for k, mean := range means {
			p := 1 / (1 + math.Exp(-(math.Log(mean/(1-mean)) + level + plotSD*rng.NormFloat64())))
			share := 0.0
			for range 3 {
				share += distuv.Beta{Alpha: p * precision, Beta: (1 - p) * precision, Src: rng}.Rand() / 3
			}
			rows = append(rows, stats.Row{Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k), Value: math.Round(1000*share) / 10})
		}
	}
	return rows
}

// How often Tukey's and Dunnett's tests err among treatments that are alike, on
// cover as measured and on the two other scales: the ground for the scale that
// cover is tested on.
func TestCoverScaleReport(t *testing.T) {
	runs := 40
	if heavy() {
		runs = 1000
	}
	rng := rand.New(rand.NewPCG(20, 3))
	var errors [2]int
	trials := 0
	scales := []stats.Scale{stats.Raw, stats.ArcsineSqrt, stats.Logit}
	fmt.Printf("\nCover, 5 treatments x 4 blocks x 3 quadrats, %d trials each: errors among treatments alike at 5 %%, Tukey / Dunnett, %%\n", runs)
	fmt.Printf("%-30s %-10s %14s %14s %14s\n", "shares", "clumping", "as measured", "arcsine", "logit")
	for _, means := range [][]float64{{.2, .2, .2, .2, .2}, {.3, .3, .3, .03, .03}, {.4, .4, .03, .03, .03}, {.95, .95, .6, .6, .6}} {
		for _, clumped := range [][2]float64{{0.3, 20}, {0.5, 6}, {0.8, 3}} {
			line := fmt.Sprintf("%-30s %-10s", fmt.Sprint(means), fmt.Sprint(clumped))
			var tukey, dunnett [3]int
			for range runs {
				rows := drawnCover(rng, means, clumped[0], clumped[1])
				for i, scale := range scales {
					o := plain()
					o.Kind, o.Scale, o.Control, o.UnitKnown = stats.Percent, scale, "T0", true
					a, err := stats.Analyse(rows, o)
					if err != nil {
						continue // every plot empty
					}
					of := func(name string) float64 { return means[name[1]-'0'] }
					wrong := false
					for _, p := range a.Pairs {
						wrong = wrong || p.Differ && of(p.A) == of(p.B)
					}
					if wrong {
						tukey[i]++
					}
					wrong = false
					for _, c := range a.VsControl {
						wrong = wrong || c.Differ && of(c.Treatment) == means[0]
					}
					if wrong {
						dunnett[i]++
					}
				}
			}
			share := func(n int) float64 { return 100 * float64(n) / float64(runs) }
			for i := range scales {
				line += fmt.Sprintf(" %14s", fmt.Sprintf("%.1f / %.1f", share(tukey[i]), share(dunnett[i])))
			}
			fmt.Println(line)
			for i, n := range []int{tukey[1], dunnett[1]} {
				errors[i] += n
				if limit := 6.5 + 300*math.Sqrt(0.05*0.95/float64(runs)); heavy() && share(n) > limit {
					t.Errorf("%v %v, on the arcsine: %s errs in %.1f %%", means, clumped, []string{"Tukey", "Dunnett"}[i], share(n))
				}
			}
			trials += runs
		}
	}
	// Over the grid chance is small in the short run too. Where some treatments
	// differ there are fewer true nulls, so that less than 5 % is right.
	for i, n := range errors {
		size, chance := 100*float64(n)/float64(trials), math.Sqrt(0.04*0.96/float64(trials))
		if size > 6+300*chance || size < 2-100*chance || n == 0 {
			t.Errorf("%s on the arcsine errs in %.1f %% of %d trials", []string{"Tukey", "Dunnett"}[i], size, trials)
		}
	}
}
