package stats_test

import (
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
	"quadtally/stats/internal/refcases"
)

// Package dist runs the other cases of this kind.
func TestReferencePower(t *testing.T) {
	refcases.Run(t, powerGrid, refcases.PowerGrid)
	refcases.Run(t, blocksNeeded, refcases.BlocksNeeded)
}

func powerGrid(t *testing.T, c *refcases.Case) {
	tr, b, delta := c.Ints(t, "t"), c.Ints(t, "b"), c.Floats(t, "delta_sd")
	n := len(tr)
	var df1, df2, lambda, crit, power, pair, crd = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range tr {
		plan := stats.Plan{Treatments: tr[i], Blocks: b[i], Alpha: 0.05}
		df1[i], df2[i] = plan.DF()
		lambda[i] = float64(b[i]) * delta[i] * delta[i] / 2
		var err [4]error
		crit[i], err[0] = dist.FQuantile(0.95, df1[i], df2[i])
		power[i], err[1] = plan.FPower(delta[i])
		pair[i], err[2] = plan.PairPower(delta[i])
		plan.CompletelyRandomised = true
		crd[i], err[3] = plan.FPower(delta[i])
		for _, e := range err {
			if e != nil {
				t.Fatal(e)
			}
		}
	}
	c.Check(t, "df1", df1)
	c.Check(t, "df2", df2)
	c.Check(t, "lambda", lambda)
	c.CheckWithin(t, "f_crit", crit, 1e-8, 1e-12)
	c.Check(t, "power", power)
	c.Check(t, "power_pairwise_two_sided", pair)
	c.Check(t, "power_crd", crd)
}

func blocksNeeded(t *testing.T, c *refcases.Case) {
	tr, b := c.Ints(t, "t"), c.Ints(t, "b")
	delta, want, alpha := c.Floats(t, "delta_sd"), c.Floats(t, "power"), c.Floats(t, "alpha")
	need, reached, detect := make([]int, len(tr)), make([]float64, len(tr)), make([]float64, len(tr))
	for i := range tr {
		plan := stats.Plan{Treatments: tr[i], Blocks: b[i], Alpha: alpha[i]}
		var err error
		if need[i], reached[i], err = plan.BlocksNeeded(delta[i], want[i]); err != nil {
			t.Fatal(err)
		}
		if detect[i], err = plan.DetectableDelta(want[i]); err != nil {
			t.Fatal(err)
		}
	}
	c.Check(t, "blocks_needed", need)
	c.Check(t, "power_reached", reached)
	c.Check(t, "detectable_delta_sd_at_b", detect)
}
