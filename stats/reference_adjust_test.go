package stats_test

import (
	"testing"

	"quadtally/stats"
	"quadtally/stats/internal/refcases"
)

func TestReferenceAdjust(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		for path, how := range map[string]stats.Adjustment{
			"bonferroni": stats.AdjustBonferroni,
			"sidak":      stats.AdjustSidak,
			"holm":       stats.AdjustHolm,
			"holm_sidak": stats.AdjustHolmSidak,
			"hochberg":   stats.AdjustHochberg,
			"bh":         stats.AdjustBenjaminiHochberg,
			"by":         stats.AdjustBenjaminiYekutieli,
		} {
			got, err := stats.Adjust(c.Floats(t, "p"), how)
			if err != nil {
				t.Fatal(err)
			}
			c.Check(t, path, got)
		}
	}, refcases.AdjustedP)
}
