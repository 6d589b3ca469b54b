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

// The scale of counts moves with the unit of a density: told by another area,
// with One that area, every test is the same and every mean the same ground.
func TestOneOfADensity(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 9))
	for _, scale := range []stats.Scale{stats.SqrtHalf, stats.LogPlus1, stats.Log10Plus1} {
		var per, small []stats.Row
		const k = 0.09290304 // m² in a ft²
		for b := range 4 {
			for i, treatment := range []string{"BARE", "RYE", "STRAW"} {
				v := float64(10+20*i) + 12*rng.Float64()
				r := stats.Row{Plot: fmt.Sprint(b, i), Block: fmt.Sprint(b), Treatment: treatment, Value: v}
				per = append(per, r)
				r.Value *= k
				small = append(small, r)
			}
		}
		o := stats.DefaultOptions()
		o.Kind, o.Scale, o.Ground, o.Control, o.Randomise.Draws = stats.Count, scale, 0.25, "BARE", 0
		a, err := stats.Analyse(per, o)
		if err != nil {
			t.Fatal(err)
		}
		o.One, o.Ground = k, 0.25/k
		b, err := stats.Analyse(small, o)
		if err != nil {
			t.Fatal(err)
		}
		same := func(what string, got, want *float64) {
			if (got == nil) != (want == nil) || got != nil && math.Abs(*got-*want) > 1e-9*math.Abs(*want)+1e-12 {
				t.Errorf("%s: %s differs", scale, what)
			}
		}
		for i := range a.ANOVA {
			same("F", b.ANOVA[i].F, a.ANOVA[i].F)
			same("p", b.ANOVA[i].P, a.ANOVA[i].P)
		}
		for i, x := range a.Treatments {
			m, l, u := x.Shown()
			gm, gl, gu := b.Treatments[i].Shown()
			for _, c := range [][2]*float64{{gm, m}, {gl, l}, {gu, u}} {
				want := k * *c[1]
				same("mean or limit of "+x.Treatment, c[0], &want)
			}
		}
		for i := range a.VsControl {
			same("p against the control", b.VsControl[i].P, a.VsControl[i].P)
		}
	}
}
