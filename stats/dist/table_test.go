package dist

import (
	"math"
	"testing"
)

// The remembered tail is the tail, for few and many means, wherever it is
// asked for.
func TestTailTableIsTheTail(t *testing.T) {
	for _, k := range []int{2, 3, 10, 50, MaxGroups} {
		table := newTailTable(func(w float64) float64 { return rangeSF(w, k) }, closePieces)
		wide := newTailTable(func(w float64) float64 { return rangeSF(w, k) }, widePieces)
		for w := 0.03; w < 50; w += 0.37 {
			got, want := table.at(w), rangeSF(w, k)
			if math.Abs(got-want) > 2e-12*want {
				t.Errorf("k %d, w %v: got %v, want %v (relative %.2g)", k, w, got, want, math.Abs(got/want-1))
			}
			// Only as many comparisons as [MaxT] takes are asked of these.
			if got = wide.at(w); k <= MaxComparisons && math.Abs(got-want) > 3e-6*want {
				t.Errorf("wide pieces, k %d, w %v: got %v, want %v (relative %.2g)", k, w, got, want, math.Abs(got/want-1))
			}
		}
	}
}

// Halving every step of the integrals changes nothing: they have converged.
func TestStepsAreFineEnough(t *testing.T) {
	half := trapezoid{step: fine.step / 2, negligible: fine.negligible}
	for _, df := range []float64{0.5, 1, 2, 7, 171, 1e5} {
		for _, k := range []int{2, 5, 30} {
			for _, q := range []float64{0.5, 3, 8, 40} {
				r, err := NewStudentizedRange(k, df)
				if err != nil {
					t.Fatal(err)
				}
				want := half.overScale(df, 1/math.Hypot(1, q/math.Sqrt(2*df)), spreadOfExtremes(k), func(s float64) float64 { return rangeSF(q*s, k) })
				if got := r.sf(q); want > 1e-280 && math.Abs(got-want) > 2e-11*want {
					t.Errorf("k %d df %v q %v: got %v, with half the step %v (relative %.2g)", k, df, q, got, want, math.Abs(got/want-1))
				}
			}
		}
	}
}
