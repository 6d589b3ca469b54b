package stats_test

import (
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
)

// fP returns the F-distribution p value of the analysis of variance inside a
// randomisation test.
func fP(t *testing.T, p stats.Permutation) float64 {
	t.Helper()
	got, err := dist.FSF(p.F, p.DF1, p.DF2)
	if err != nil {
		t.Fatal(err)
	}
	return got
}
