package mixed

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"quadtally/stats/terms"
)

// TestSimulatedSeasons draws seasons of known truth. Under no treatment effect
// the p of the treatment test must be uniform, and 95 % intervals of the
// difference of two treatments must hold the truth about that often. The
// limits are four binomial standard errors, so a right program fails about
// once in ten thousand seeds; the seed is fixed. Treatments differ by 1 a step
// (see simulated.rows), so the truth of T1 - T2 is -1.
func TestSimulatedSeasons(t *testing.T) {
	runs := 150
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		runs = 2000
	}
	rng := rand.New(rand.NewPCG(20, 26))
	s := simulated{treatments: 4, blocks: 4, days: []float64{0, 14, 28, 42}, block: 2, plot: 1.5, sd: 2, phiPerDay: 0.95}
	covered, rejected, below := 0, 0, 0
	for range runs {
		m := s.rows(rng)
		m.Random = []terms.Term{{"plot"}}
		m.Fixed = m.Fixed[:3]
		f := mustFit(t, m, KenwardRoger)
		d, _, err := f.Differences(terms.Term{"treatment"}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if d[0].Lower <= -1 && -1 <= d[0].Upper {
			covered++
		}
		// Taking the treatment steps out of the response makes the null true.
		for i, l := range m.Frame.Factors[0].Labels {
			m.Response[i] -= float64(l[1] - '1')
		}
		p := mustFit(t, m, KenwardRoger).Adjusted[1].P
		if p < 0.05 {
			rejected++
		}
		if p < 0.5 {
			below++
		}
	}
	check := func(what string, count int, share float64) {
		got := float64(count) / float64(runs)
		if math.Abs(got-share) > 4*math.Sqrt(share*(1-share)/float64(runs)) {
			t.Errorf("%s: %.3f of %d runs, want about %v", what, got, runs, share)
		}
	}
	check("interval holds the truth", covered, 0.95)
	check("p below 0.05", rejected, 0.05)
	check("p below 0.5", below, 0.5)
}
