package glm

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"quadtally/stats/terms"
)

// TestSimulatedCounts draws complete-block trials of overdispersed counts in
// which no treatment does anything, and counts how often each family rejects
// at 5 %. The quasi-Poisson F must be near that; Poisson, which ignores the
// overdispersion, must be seen to fail, or the test has no teeth; and the
// negative binomial must reject about as often as its warning says.
func TestSimulatedCounts(t *testing.T) {
	runs := 200
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		runs = 2000
	}
	rng := rand.New(rand.NewPCG(8, 15))
	rejected := map[Family]int{}
	covered, intervals := 0, 0
	for range runs {
		var m Model
		var trt, block []string
		for b := range 4 {
			level := 20 * math.Exp(0.3*rng.NormFloat64())
			for k := range 5 {
				mean := distuv.Gamma{Alpha: 5, Beta: 5 / level, Src: rng}.Rand()
				m.Response = append(m.Response, distuv.Poisson{Lambda: mean, Src: rng}.Rand())
				trt, block = append(trt, fmt.Sprint("T", k)), append(block, fmt.Sprint("B", b))
			}
		}
		m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
		m.Fixed = []terms.Term{{"block"}, {"treatment"}}
		for _, family := range []Family{Poisson, QuasiPoisson, NegativeBinomial} {
			f := mustFit(t, m, family)
			if f.Tests[1].P < 0.05 {
				rejected[family]++
			}
			if family != QuasiPoisson {
				continue
			}
			ratios, err := f.Ratios("treatment")
			if err != nil {
				t.Fatal(err)
			}
			if !ratios[0].ByDeviance && !ratios[0].Undefined {
				intervals++
				if ratios[0].Lower <= 1 && 1 <= ratios[0].Upper {
					covered++
				}
			}
		}
	}
	share := func(f Family) float64 { return float64(rejected[f]) / float64(runs) }
	t.Logf("rejected at 5 %%: Poisson %.3f, quasi-Poisson %.3f, negative binomial %.3f", share(Poisson), share(QuasiPoisson), share(NegativeBinomial))
	if s := share(QuasiPoisson); s < 0.02 || s > 0.09 {
		t.Errorf("quasi-Poisson F rejects %.3f of true nulls at 5 %%", s)
	}
	if share(Poisson) < 0.3 {
		t.Errorf("Poisson rejects %.3f only: the counts are not overdispersed", share(Poisson))
	}
	if s := share(NegativeBinomial); s < 0.11 || s > 0.27 {
		t.Errorf("negative binomial rejects %.3f of true nulls at 5 %%: its warning says about 18", s)
	}
	if c := float64(covered) / float64(intervals); c < 0.91 || c > 0.98 {
		t.Errorf("95 %% intervals of a ratio hold the truth %.3f of the time", c)
	}
}

// TestSimulatedCover does the same for shares with beta variation.
func TestSimulatedCover(t *testing.T) {
	runs := 200
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		runs = 2000
	}
	rng := rand.New(rand.NewPCG(4, 42))
	rejected := map[Family]int{}
	for range runs {
		var m Model
		var trt, block []string
		for b := range 4 {
			for k := range 5 {
				m.Response = append(m.Response, distuv.Beta{Alpha: 6, Beta: 14, Src: rng}.Rand())
				trt, block = append(trt, fmt.Sprint("T", k)), append(block, fmt.Sprint("B", b))
			}
		}
		m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
		m.Fixed = []terms.Term{{"block"}, {"treatment"}}
		for _, family := range []Family{Beta, QuasiBinomial} {
			if mustFit(t, m, family).Tests[1].P < 0.05 {
				rejected[family]++
			}
		}
	}
	beta, quasi := float64(rejected[Beta])/float64(runs), float64(rejected[QuasiBinomial])/float64(runs)
	t.Logf("rejected at 5 %%: beta %.3f, quasi-binomial %.3f", beta, quasi)
	if quasi < 0.01 || quasi > 0.09 {
		t.Errorf("quasi-binomial F rejects %.3f of true nulls at 5 %%", quasi)
	}
	if beta < 0.11 || beta > 0.27 {
		t.Errorf("beta rejects %.3f of true nulls at 5 %%: its warning says about 18", beta)
	}
}
