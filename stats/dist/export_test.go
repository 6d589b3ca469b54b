package dist

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Short ways to a single value, for the tests.

func StudentizedRangeSF(q float64, k int, df float64) (float64, error) {
	r, err := NewStudentizedRange(k, df)
	if err != nil {
		return 0, err
	}
	return r.SF(q)
}

func StudentizedRangeCDF(q float64, k int, df float64) (float64, error) {
	r, err := NewStudentizedRange(k, df)
	if err != nil {
		return 0, err
	}
	return r.CDF(q)
}

func DunnettSF(t float64, corr mat.Symmetric, df float64, sided Sided) (float64, error) {
	m, err := NewMaxT(corr, df, sided)
	if err != nil {
		return 0, err
	}
	p, _, err := m.SF(t)
	return p, err
}

// DunnettCorrelation returns the correlations among the differences of
// independent means from a control mean: the control has nControl plots,
// treatment i has nTreatment[i] (Dunnett 1955).
func DunnettCorrelation(nControl float64, nTreatment []float64) *mat.SymDense {
	corr := mat.NewSymDense(len(nTreatment), nil)
	for i, a := range nTreatment {
		for j, b := range nTreatment[:i] {
			corr.SetSym(i, j, math.Sqrt(a/(a+nControl)*b/(b+nControl)))
		}
		corr.SetSym(i, i, 1)
	}
	return corr
}

// Exact reports whether probabilities come from integration alone rather than
// partly from lattice points.
func (m *MaxT) Exact() bool { return m.points == nil }
