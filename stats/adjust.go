package stats

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// An Adjustment is a way to adjust a family of p values for their number.
type Adjustment int

// The adjustments offered by [Adjust].
const (
	// AdjustBonferroni multiplies by the number of tests; family-wise error.
	AdjustBonferroni Adjustment = iota
	// AdjustSidak is 1-(1-p)^m, exact for independent tests (Sidak 1967, JASA 62,
	// 626-633); family-wise error.
	AdjustSidak
	// AdjustHolm steps down from the smallest p and is never worse than Bonferroni
	// (Holm 1979, Scand. J. Statist. 6, 65-70); family-wise error.
	AdjustHolm
	// AdjustHolmSidak is Holm's procedure with Sidak's formula.
	AdjustHolmSidak
	// AdjustHochberg steps up from the largest p (Hochberg 1988, Biometrika 75,
	// 800-802); family-wise error for independent or positively dependent
	// tests.
	AdjustHochberg
	// AdjustBenjaminiHochberg controls the false discovery rate under independence
	// or positive dependence (1995, JRSS B 57, 289-300).
	AdjustBenjaminiHochberg
	// AdjustBenjaminiYekutieli controls the false discovery rate under any
	// dependence (2001, Ann. Statist. 29, 1165-1188).
	AdjustBenjaminiYekutieli
)

// String returns the name used in print.
func (a Adjustment) String() string {
	names := [...]string{"Bonferroni", "Sidak", "Holm", "Holm-Sidak", "Hochberg", "Benjamini-Hochberg", "Benjamini-Yekutieli"}
	if a < 0 || int(a) >= len(names) {
		return fmt.Sprintf("adjustment %d", int(a))
	}
	return names[a]
}

// Adjust returns the adjusted p values of a family, in the order of ps, each
// in [0, 1]; ps is not changed. An empty family gives an empty result; a p
// outside [0, 1] is an error.
func Adjust(ps []float64, how Adjustment) ([]float64, error) {
	for i, p := range ps {
		if !(p >= 0 && p <= 1) {
			return nil, fmt.Errorf("p value %d of %d is %v, not between 0 and 1", i+1, len(ps), p)
		}
	}
	// multiple is what p becomes when it is judged as one of r.
	m := float64(len(ps))
	bonferroni := func(p, r float64) float64 { return r * p }
	sidak := func(p, r float64) float64 { return -math.Expm1(r * math.Log1p(-p)) }
	ofAll := func(float64) float64 { return m }                            // one step
	remaining := func(rank float64) float64 { return m - rank + 1 }        // steps down or up
	expected := func(rank float64) float64 { return m / rank }             // false discoveries
	harmonic := func(rank float64) float64 { return m / rank * sumRec(m) } // any dependence
	switch how {
	case AdjustBonferroni:
		return adjustStepwise(ps, bonferroni, ofAll, false), nil
	case AdjustSidak:
		return adjustStepwise(ps, sidak, ofAll, false), nil
	case AdjustHolm:
		return adjustStepwise(ps, bonferroni, remaining, false), nil
	case AdjustHolmSidak:
		return adjustStepwise(ps, sidak, remaining, false), nil
	case AdjustHochberg:
		return adjustStepwise(ps, bonferroni, remaining, true), nil
	case AdjustBenjaminiHochberg:
		return adjustStepwise(ps, bonferroni, expected, true), nil
	case AdjustBenjaminiYekutieli:
		return adjustStepwise(ps, bonferroni, harmonic, true), nil
	}
	return nil, fmt.Errorf("%v is not known", how)
}

// adjustStepwise judges the p value of each rank as one of factor(rank) by the
// given formula and makes the results monotone: running up to the largest so
// far from the smallest p, or (stepUp) down to the smallest so far from the
// largest p.
func adjustStepwise(ps []float64, formula func(p, of float64) float64, factor func(rank float64) float64, stepUp bool) []float64 {
	order := make([]int, len(ps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(ps[a], ps[b]) })
	out := make([]float64, len(ps))
	if stepUp {
		least := 1.0
		for r := len(order) - 1; r >= 0; r-- {
			i := order[r]
			least = math.Min(least, formula(ps[i], factor(float64(r+1))))
			out[i] = least
		}
		return out
	}
	most := 0.0
	for r, i := range order {
		most = math.Max(most, math.Min(1, formula(ps[i], factor(float64(r+1)))))
		out[i] = most
	}
	return out
}

// sumRec returns 1 + 1/2 + ... + 1/m.
func sumRec(m float64) float64 {
	sum := 0.0
	for j := m; j >= 1; j-- {
		sum += 1 / j
	}
	return sum
}
