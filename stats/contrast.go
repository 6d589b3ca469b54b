package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"quadtally/stats/dist"
)

// Contrast is a comparison with one degree of freedom: the sum of
// coefficients times adjusted means. SS, F, T and P are nil where the trial
// has no error variance, and all are nil where it is not estimable.
type Contrast struct {
	Name         string    `json:"name"`
	Coefficients []float64 `json:"coefficients"`
	Estimable    bool      `json:"estimable"`
	Estimate     *float64  `json:"estimate,omitempty"`
	SE           *float64  `json:"se,omitempty"`
	Lower        *float64  `json:"lower,omitempty"`
	Upper        *float64  `json:"upper,omitempty"`
	SS           *float64  `json:"ss,omitempty"`
	F            *float64  `json:"f,omitempty"`
	T            *float64  `json:"t,omitempty"`
	P            *float64  `json:"p,omitempty"`
}

// Contrast tests coefficients, one a level in the order of m.Levels and
// summing to zero. P is for the contrast on its own.
func (m Means) Contrast(name string, coefficients []float64, confidence float64) (Contrast, error) {
	c := Contrast{Name: name, Coefficients: slices.Clone(coefficients)}
	if len(coefficients) != len(m.Levels) {
		return c, fmt.Errorf("contrast %s has %d coefficients for %s", name, len(coefficients), count(len(m.Levels), "treatment"))
	}
	var sum, size float64
	for _, v := range coefficients {
		if !finite(v) {
			return c, fmt.Errorf("contrast %s has a coefficient that is not a number", name)
		}
		sum += v
		size = max(size, math.Abs(v))
	}
	if size == 0 || math.Abs(sum) > 1e-9*size {
		return c, fmt.Errorf("contrast %s: coefficients must not all be zero and must sum to zero, not %g", name, sum)
	}
	w := m.weighted(coefficients)
	c.Estimable = w.estimable
	if !w.estimable {
		return c, nil
	}
	c.Estimate = ptr(w.estimate)
	c.SS = ptr(w.estimate * w.estimate / w.variance())
	mse, ok := m.fit.MSE()
	if !ok || mse <= 0 {
		return c, nil
	}
	df := float64(m.fit.DFResidual)
	se := math.Sqrt(mse * w.variance())
	t := w.estimate / se
	reach := se * must(dist.TQuantile(0.5+confidence/2, df))
	c.SE, c.T, c.F = &se, &t, ptr(t*t)
	c.P = ptr(must(dist.TTwoSided(t, df)))
	c.Lower, c.Upper = ptr(w.estimate-reach), ptr(w.estimate+reach)
	return c, nil
}

// A Question is a contrast asked for by treatment: weights sum to zero, and
// treatments without one do not take part.
type Question struct {
	Name    string             `json:"name"`
	Weights map[string]float64 `json:"weights"`
}

// trendNames are the degrees looked at for ordered rates; higher ones have no
// reading in the field.
var trendNames = []string{"linear trend", "quadratic trend", "cubic trend"}

// trendQuestions turns the rates of treatments into orthogonal trends.
func trendQuestions(rates map[string]float64) ([]Question, error) {
	names := sortedKeys(rates)
	scores := make([]float64, len(names))
	for i, n := range names {
		scores[i] = rates[n]
	}
	set, err := PolynomialContrasts(scores, len(trendNames))
	if err != nil {
		return nil, err
	}
	var out []Question
	for d, coefficients := range set {
		q := Question{Name: trendNames[d], Weights: map[string]float64{}}
		for i, n := range names {
			q.Weights[n] = coefficients[i]
		}
		out = append(out, q)
	}
	return out, nil
}

// ask answers questions by treatment.
func (m Means) ask(questions []Question, confidence float64) ([]Contrast, error) {
	var out []Contrast
	for _, q := range questions {
		coefficients := make([]float64, len(m.Levels))
		for _, t := range sortedKeys(q.Weights) {
			i, err := m.index(t)
			if err != nil {
				return nil, fmt.Errorf("contrast %s: %w", q.Name, err)
			}
			coefficients[i] = q.Weights[t]
		}
		c, err := m.Contrast(q.Name, coefficients, confidence)
		if err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, nil
}

// PolynomialContrasts returns orthogonal contrasts of degree 1 to most for
// levels at the given scores (rates, any spacing), each of length one and
// rising at the highest score. They are orthogonal in the levels at equal
// replication; with unequal replication or missing plots the contrasts of the
// means still hold but their sums of squares do not add up. Degrees stop at
// one less than the number of distinct scores.
func PolynomialContrasts(scores []float64, most int) ([][]float64, error) {
	k := len(scores)
	if k < 2 {
		return nil, errors.New("a trend needs at least 2 rates")
	}
	seen := map[float64]bool{}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range scores {
		if !finite(s) {
			return nil, errors.New("a rate is not a number")
		}
		if seen[s] {
			return nil, fmt.Errorf("rate %g is given for two treatments: a trend needs one treatment a rate", s)
		}
		seen[s] = true
		lo, hi = min(lo, s), max(hi, s)
	}
	// Scores in [-1, 1] keep the powers well apart; orthogonalising each
	// against all before it twice leaves nothing of them.
	x := make([]float64, k)
	top := 0
	for i, s := range scores {
		x[i] = 2*(s-lo)/(hi-lo) - 1
		if s == hi {
			top = i
		}
	}
	basis := [][]float64{make([]float64, k)}
	for i := range k {
		basis[0][i] = 1 / math.Sqrt(float64(k))
	}
	for degree := 1; degree <= min(most, k-1); degree++ {
		v := make([]float64, k)
		for i := range v {
			v[i] = basis[degree-1][i] * x[i]
		}
		for range 2 {
			for _, b := range basis {
				var d float64
				for i := range v {
					d += b[i] * v[i]
				}
				for i := range v {
					v[i] -= d * b[i]
				}
			}
		}
		n := norm(v)
		if v[top] < 0 {
			n = -n
		}
		for i := range v {
			v[i] /= n
		}
		basis = append(basis, v)
	}
	return basis[1:], nil
}
