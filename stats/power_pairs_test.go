package stats_test

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"quadtally/stats"
)

var pairTests = []stats.PairTest{
	{Method: stats.PairAlone}, {Method: stats.PairAlone, OneSided: true}, {Method: stats.PairTukey},
	{Method: stats.PairDunnett}, {Method: stats.PairDunnett, OneSided: true},
}

// Five treatments in four blocks, 2.2 standard deviations: pt with a
// non-centrality and qtukey in R 4.2.2, Dunnett's points integrated there.
func TestPairPower(t *testing.T) {
	p := stats.Plan{Treatments: 5, Blocks: 4, Alpha: 0.05}
	for i, want := range []float64{0.814620772747, 0.900449275036, 0.49874637142, 0.625056426688, 0.750793440735} {
		got, err := p.PairPowerBy(2.2, pairTests[i])
		if err != nil {
			t.Fatal(err)
		}
		near(t, string(pairTests[i].Method), &got, want, 2e-6)
	}
	plain, err := p.PairPower(2.2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a pair alone", &plain, 0.814620772747, 1e-10)
}

// Two treatments are one pair whatever the method; the difference found, and
// the blocks found, have the power asked for.
func TestPairPowerLaws(t *testing.T) {
	two := stats.Plan{Treatments: 2, Blocks: 6, Alpha: 0.05}
	want, err := two.PairPower(1.5)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []stats.PairMethod{stats.PairAlone, stats.PairTukey, stats.PairDunnett} {
		got, err := two.PairPowerBy(1.5, stats.PairTest{Method: m})
		if err != nil {
			t.Fatal(err)
		}
		near(t, string(m), &got, want, 1e-7)
	}
	p := stats.Plan{Treatments: 4, Blocks: 5, Alpha: 0.05}
	for _, test := range pairTests {
		delta, err := p.DetectablePairBy(0.8, test)
		if err != nil {
			t.Fatal(err)
		}
		got, err := p.PairPowerBy(delta, test)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "power at the detectable difference", &got, 0.8, 1e-9)
		blocks, reached, err := p.BlocksForPair(delta*0.999, 0.8, test)
		if err != nil || blocks != 6 || reached < 0.8 {
			t.Errorf("%+v: %d blocks for a little less, power %g, %v", test, blocks, reached, err)
		}
		down, err := p.PairPowerBy(-delta, test)
		if err != nil {
			t.Fatal(err)
		}
		if test.OneSided && down > 1e-3 || !test.OneSided && math.Abs(down-0.8) > 1e-9 {
			t.Errorf("%+v: power %g the other way", test, down)
		}
		null, err := p.PairPowerBy(0, test)
		if err != nil || null > 0.05+1e-9 {
			t.Errorf("%+v: %g at no difference, %v", test, null, err)
		}
	}
	for _, bad := range []stats.PairTest{{Method: "x"}, {Method: stats.PairTukey, OneSided: true}} {
		if _, err := p.PairPowerBy(1, bad); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
	if _, err := p.PairPowerBy(math.NaN(), pairTests[0]); err == nil {
		t.Error("a difference that is no number was taken")
	}
	if _, _, err := p.BlocksForPair(-1, 0.8, pairTests[0]); err == nil {
		t.Error("a difference below 0 was taken")
	}
}

// The comparison itself shows the pair as often as was planned.
func TestPairPowerSimulated(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") == "" {
		t.Skip("a simulation: set QUADTALLY_HEAVY=1")
	}
	p := stats.Plan{Treatments: 5, Blocks: 4, Alpha: 0.05}
	rng := rand.New(rand.NewPCG(9, 10))
	const runs, delta = 2000, 2.5
	tukey, dunnett, above := 0, 0, 0
	for range runs {
		var rows []stats.Row
		for b := range 4 {
			shift := rng.NormFloat64()
			for k, name := range []string{"A", "B", "C", "D", "E"} {
				v := 20 + shift + rng.NormFloat64()
				if k == 1 {
					v += delta
				}
				rows = append(rows, stats.Row{Treatment: name, Block: string(rune('1' + b)), Value: v})
			}
		}
		o := plain()
		o.Control = "A"
		a := analyse(t, rows, o)
		if pair(t, a.Pairs, "A", "B").Differ {
			tukey++
		}
		if a.VsControl[0].Differ {
			dunnett++
		}
		o.Side = stats.AboveControl
		if analyse(t, rows, o).VsControl[0].Differ {
			above++
		}
	}
	for i, hits := range []int{tukey, dunnett, above} {
		want, err := p.PairPowerBy(delta, pairTests[2+i])
		if err != nil {
			t.Fatal(err)
		}
		got := float64(hits) / runs
		t.Logf("%+v: planned %.3f, simulated %.3f", pairTests[2+i], want, got)
		if math.Abs(got-want) > 4*math.Sqrt(want*(1-want)/runs) {
			t.Errorf("%+v: simulated %.3f, planned %.3f", pairTests[2+i], got, want)
		}
	}
}
