package stats_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"quadtally/stats"
)

// invented returns t treatments in b complete blocks with q readings a plot.
func invented(t, b, q int, effect float64, rng *rand.Rand) []stats.Row {
	var rows []stats.Row
	for j := range b {
		block := rng.NormFloat64()
		for i := range t {
			plot := 20 + effect*float64(i) + block + rng.NormFloat64()
			for k := range q {
				r := stats.Row{Treatment: fmt.Sprintf("T%d", i+1), Block: fmt.Sprint(j + 1), Value: plot}
				if q > 1 {
					r.Quadrat = fmt.Sprint(k + 1)
					r.Value += rng.NormFloat64()
				}
				rows = append(rows, r)
			}
		}
	}
	return rows
}

// The whole comparison but for the randomisation test.
func BenchmarkAnalyse(b *testing.B) {
	for _, c := range []struct{ treatments, blocks, quadrats, lost int }{{5, 4, 1, 0}, {20, 10, 1, 0}, {20, 10, 3, 0}, {5, 4, 1, 2}, {20, 10, 1, 3}} {
		b.Run(fmt.Sprintf("%dx%dx%d-%dlost", c.treatments, c.blocks, c.quadrats, c.lost), func(b *testing.B) {
			rows := invented(c.treatments, c.blocks, c.quadrats, 0.2, rand.New(rand.NewPCG(1, 2)))
			for i := range c.lost {
				rows[7*i+2].Missing = true
			}
			o := stats.DefaultOptions()
			o.Control, o.Randomise.Draws = "T1", 0
			for b.Loop() {
				if _, err := stats.Analyse(rows, o); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
