package stats

import (
	"fmt"
	"math"
	"slices"

	"quadtally/stats/dist"
)

// Mean is a treatment's mean on the scale of the analysis. Adjusted is the
// least-squares mean: what the treatment would average over all blocks at
// equal weight and at the mean covariate. It is nil where the design does not
// determine it, and the rest is nil too where there is no error variance.
type Mean struct {
	Treatment string   `json:"treatment"`
	Plots     int      `json:"plots"`
	Raw       float64  `json:"raw"`
	Adjusted  *float64 `json:"adjusted,omitempty"`
	SE        *float64 `json:"se,omitempty"`
	Lower     *float64 `json:"lower,omitempty"`
	Upper     *float64 `json:"upper,omitempty"`
}

// Means are the adjusted means of one factor of a fit, ready to be compared.
type Means struct {
	Levels []string
	Plots  []int
	Raw    []float64

	term    string
	fit     *Fit
	vectors [][]float64
	combos  []combination
}

// MeansOf returns the adjusted means of the factor term named.
func (f *Fit) MeansOf(term string) (Means, error) {
	lev, vectors, err := f.levelVectors(term)
	if err != nil {
		return Means{}, err
	}
	m := Means{Levels: lev, term: term, vectors: vectors, fit: f, Plots: make([]int, len(lev)), Raw: make([]float64, len(lev))}
	for _, v := range vectors {
		m.combos = append(m.combos, f.combine(1, v))
	}
	t := slices.IndexFunc(f.terms, func(t Term) bool { return t.Name == term && len(t.factors) == 1 })
	values := map[string][]float64{}
	for i, l := range f.terms[t].factors[0].Labels {
		values[l] = append(values[l], f.y[i])
	}
	for i, l := range lev {
		m.Plots[i] = len(values[l])
		m.Raw[i] = f.Mean + mean(values[l])
	}
	return m, nil
}

// Table returns the means with standard errors and, for confidence in (0, 1),
// intervals each at that confidence on its own.
func (m Means) Table(confidence float64) []Mean {
	mse, ok := m.fit.MSE()
	ok = ok && mse > 0
	out := make([]Mean, len(m.Levels))
	var t float64
	if ok {
		t = must(dist.TQuantile(0.5+confidence/2, float64(m.fit.DFResidual)))
	}
	for i, l := range m.Levels {
		out[i] = Mean{Treatment: l, Plots: m.Plots[i], Raw: m.Raw[i]}
		c := m.combos[i]
		if !c.estimable {
			continue
		}
		est := m.fit.shift + c.estimate
		out[i].Adjusted = &est
		if ok {
			se := math.Sqrt(mse * c.variance())
			out[i].SE, out[i].Lower, out[i].Upper = &se, ptr(est-t*se), ptr(est+t*se)
		}
	}
	return out
}

// difference combines level i less level j directly, which may be estimable
// where neither mean is.
func (m Means) difference(i, j int) combination {
	w := make([]float64, len(m.Levels))
	w[i], w[j] = 1, -1
	return m.weighted(w)
}

// weighted combines the levels with weights that sum to zero.
func (m Means) weighted(w []float64) combination {
	l := make([]float64, len(m.fit.x))
	for i, v := range m.vectors {
		if w[i] == 0 {
			continue
		}
		for j := range l {
			l[j] += w[i] * v[j]
		}
	}
	return m.fit.combine(0, l)
}

func (m Means) index(level string) (int, error) {
	i := slices.Index(m.Levels, level)
	if i < 0 {
		return 0, fmt.Errorf("no treatment %q among %s", level, listed(m.Levels))
	}
	return i, nil
}

// must returns v. The distributions refuse only arguments out of range, which
// the callers here have ruled out; a refusal is a fault of this package.
func must[T any](v T, err error) T {
	if err != nil {
		panic("stats: " + err.Error())
	}
	return v
}
