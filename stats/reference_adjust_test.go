package stats_test

import (
	"testing"

	"quadtally/stats"
	"quadtally/stats/internal/refcases"
)

// Drives the p-adjustment case of the reference folder ../shared.
func TestReferenceAdjust(t *testing.T) {
	cases, ok := refcases.Load(t, "k04-padjust")
	if !ok {
		t.Skip(refcases.Absent)
	}
	for _, c := range cases {
		t.Run(c.ID, func(t *testing.T) {
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
			c.Report(t)
		})
	}
}
