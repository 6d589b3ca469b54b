package stats

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// beyondDoubt is how small the sum of single p values must be to stand for the
// p value of a step: it is never below it, and larger by itself at most.
const beyondDoubt = 1e-6

// VsControlStepDownContext compares every other level with the control by the
// step-down form of Dunnett's test (Westfall & Young 1993): the largest
// statistic is judged among all comparisons, the next among those that are
// left, and so on; no p value is smaller than one before it. It keeps the same
// error rate as the single-step test and shows at least as much, but has no
// intervals that go with it: Lower and Upper are nil. Rows are in the order of
// the levels.
//
// Each step that is not beyond doubt has its own integration, so that many
// treatments with many plots missing may take seconds; the end of ctx stops it.
func (m Means) VsControlStepDownContext(ctx context.Context, control string, side Side, alpha float64) ([]ControlComparison, error) {
	out, at, combos, err := m.againstControl(control, side, alpha)
	if err != nil || len(at) == 0 {
		return out, err
	}
	statistic := func(i int) float64 { return side.statistic(*out[at[i]].T) }
	order := make([]int, len(at))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(statistic(b), statistic(a)) })
	all := correlation(combos)
	reached, reachedErr := 0.0, 0.0
	for step, i := range order {
		left := order[step:]
		if bound := float64(len(left)) * side.tail(statistic(i), float64(m.fit.DFResidual)); bound <= beyondDoubt {
			reached, reachedErr = max(reached, bound), max(reachedErr, bound)
			out[at[i]].P, out[at[i]].PError, out[at[i]].Differ = ptr(reached), reachedErr, reached <= alpha
			continue
		}
		corr := mat.NewSymDense(len(left), nil)
		for a, x := range left {
			for b, y := range left[:a+1] {
				corr.SetSym(a, b, all.At(x, y))
			}
		}
		maxT, err := dist.NewMaxTContext(ctx, corr, float64(m.fit.DFResidual), side.tails())
		if err != nil {
			return nil, fmt.Errorf("comparison with control %s: %w", control, err)
		}
		p, absErr, err := maxT.SF(statistic(i))
		if err != nil {
			return nil, fmt.Errorf("comparison with control %s: %w", control, err)
		}
		if p >= reached {
			reached, reachedErr = p, absErr
		}
		out[at[i]].P, out[at[i]].PError, out[at[i]].Differ = ptr(reached), reachedErr, reached <= alpha
	}
	return out, nil
}

// VsControlStepDownContext is the step-down comparison with the control of the
// analysis, on its scale.
func (a Analysis) VsControlStepDownContext(ctx context.Context) ([]ControlComparison, error) {
	if a.fit == nil || a.Control == "" || a.Side == "" {
		return nil, fmt.Errorf("no control was compared with: name one")
	}
	out, err := a.means.VsControlStepDownContext(ctx, a.Control, a.Side, a.Alpha)
	if err != nil || len(out) != len(a.VsControl) {
		return out, err
	}
	// The single step bounds every step from above, and may do so closer than
	// the sum that stands for a step beyond doubt.
	for i, c := range a.VsControl {
		if x := &out[i]; x.Treatment == c.Treatment && x.P != nil && c.P != nil && *c.P < *x.P {
			x.P, x.PError = ptr(*c.P), max(x.PError, c.PError)
		}
	}
	return out, nil
}
