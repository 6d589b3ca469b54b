package analysis

import (
	"math"

	"quadtally/cmd/quadtally/internal/record"
)

// Checked says, visit by visit, how the covers of a class were corrected; nil for
// other responses.
func (r Response) Checked(snap *record.Snapshot) ([]Checked, error) {
	if r.def.ofRole == "" {
		return nil, nil
	}
	t, err := classCoversOf(snap, r.def.ofRole, r.Class)
	if err != nil {
		return nil, err
	}
	return t.checked, nil
}

// PlotErrors are the standard errors that the plot means of a response carry by
// themselves at each visit, in the unit of the response: those of covers by
// class, which check points correct. Nil for responses that carry none. Errors
// of two plots at a visit are correlated, since the same points correct both.
func (r Response) PlotErrors(snap *record.Snapshot) (map[Place]float64, error) {
	if r.def.ofRole == "" {
		return nil, nil
	}
	t, err := classCoversOf(snap, r.def.ofRole, r.Class)
	if err != nil {
		return nil, err
	}
	out := map[Place]float64{}
	for i, k := range t.order {
		out[Place{Plot: k.Plot, Visit: k.Visit}] = math.Sqrt(max(0, t.cov[i][i])) * r.Factor
	}
	return out, nil
}
