package mixed

import (
	"fmt"
	"slices"
	"strings"

	"quadtally/stats/dist"
	"quadtally/stats/internal/tails"
	"quadtally/stats/terms"
)

// Mean is an adjusted mean, in the unit of the response.
type Mean struct {
	// Labels holds the level of each factor of the term, in its order.
	Labels []string `json:"labels"`
	Mean   float64  `json:"mean"`
	SE     float64  `json:"se"`
	DF     float64  `json:"df"`
	// Lower and Upper bound the interval at the level of the options.
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Means are the adjusted means of a term.
type Means struct {
	Term  string `json:"term"`
	Means []Mean `json:"means"`
	// Covariance of the means, for further comparisons.
	Covariance [][]float64 `json:"-"`
	Warnings   []string    `json:"warnings,omitempty"`
}

// Means gives the adjusted (least-squares) means of the combinations of the
// factors of a term, averaged with equal weight over the other fixed factors
// and at the mean of covariates. Combinations the data cannot give are left
// out and named in the warnings.
func (f *Fit) Means(term terms.Term) (Means, error) {
	rows, err := f.design.MeanRows(term)
	if err != nil {
		return Means{}, err
	}
	out := Means{Term: term.String()}
	for _, r := range rows {
		if !r.Estimable {
			out.Warnings = append(out.Warnings, notEstimable(r.Labels))
		}
	}
	rows = slices.DeleteFunc(rows, func(r terms.MeanRow) bool { return !r.Estimable })
	functions := f.pullMeans(rows)
	if err := f.ctx.Err(); err != nil {
		return Means{}, err
	}
	for i, r := range rows {
		e := f.estimate(r.Row, functions[i])
		half, err := f.halfWidth(e)
		if err != nil {
			return Means{}, err
		}
		out.Means = append(out.Means, Mean{Labels: r.Labels, Mean: e.value, SE: e.se, DF: e.df, Lower: e.value - half, Upper: e.value + half})
		line := make([]float64, len(rows))
		for j := range line {
			line[j] = functions[i].covariance(functions[j])
		}
		out.Covariance = append(out.Covariance, line)
	}
	return out, nil
}

func (f *Fit) pullMeans(rows []terms.MeanRow) []pulled {
	list := make([][]float64, len(rows))
	for i, r := range rows {
		list[i] = r.Row
	}
	return f.in.pull(list)
}

func notEstimable(labels []string) string {
	return fmt.Sprintf("the mean of %s cannot be estimated: it has no data, or is confounded with another term", strings.Join(labels, ":"))
}

// Difference is one adjusted mean minus another.
type Difference struct {
	// Within holds the levels at which the two are compared, for example the
	// date; empty when compared over everything.
	Within []string `json:"within,omitempty"`
	A      []string `json:"a"`
	B      []string `json:"b"`
	// Difference is A minus B, in the unit of the response.
	Difference float64 `json:"difference"`
	// SED is the standard error of this difference (each pair has its own).
	SED float64 `json:"sed"`
	DF  float64 `json:"df"`
	T   float64 `json:"t"`
	// P is two-sided and not adjusted for the number of comparisons.
	P float64 `json:"p"`
	// Lower and Upper bound the interval at the level of the options.
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Differences compares the levels of a term pair by pair, separately at each
// combination of the factors of within (dates, say). An empty within compares
// the means over everything. Pairs the data cannot give are left out; the
// second result names them.
func (f *Fit) Differences(of, within terms.Term) ([]Difference, []string, error) {
	for _, name := range of {
		if slices.Contains(within, name) {
			return nil, nil, fmt.Errorf("differences of %s within %s: %q cannot be both", of, within, name)
		}
	}
	rows, err := f.design.MeanRows(append(slices.Clone(of), within...))
	if err != nil {
		return nil, nil, err
	}
	inner := 1
	for _, name := range of {
		inner *= len(f.design.Levels(name))
	}
	var out []Difference
	var missing []string
	for start := 0; start < len(rows); start += inner {
		if err := f.ctx.Err(); err != nil {
			return nil, nil, err
		}
		cell := rows[start : start+inner]
		for _, r := range cell {
			if !r.Estimable {
				missing = append(missing, notEstimable(r.Labels))
			}
		}
		functions := f.pullMeans(cell)
		for i, a := range cell {
			for j, b := range cell[i+1:] {
				if a.Estimable && b.Estimable {
					d, err := f.difference(a.Row, b.Row, functions[i].minus(functions[i+1+j]))
					if err != nil {
						return nil, nil, err
					}
					d.A, d.B, d.Within = a.Labels[:len(of)], b.Labels[:len(of)], a.Labels[len(of):]
					out = append(out, d)
				}
			}
		}
	}
	return out, missing, nil
}

// halfWidth is half the length of the interval about an estimate.
func (f *Fit) halfWidth(e estimate) (float64, error) {
	t, err := dist.TQuantile(0.5+f.level/2, e.df)
	return e.se * t, err
}

func (f *Fit) difference(a, b []float64, apart pulled) (Difference, error) {
	row := make([]float64, len(a))
	for j := range row {
		row[j] = a[j] - b[j]
	}
	e := f.estimate(row, apart)
	half, err := f.halfWidth(e)
	return Difference{Difference: e.value, SED: e.se, DF: e.df, T: e.t, P: e.p, Lower: e.value - half, Upper: e.value + half}, err
}

// Contrast tests that every row of weights over the coefficients gives zero.
// Rows must be independent; each has one weight a coefficient.
func (f *Fit) Contrast(name string, rows [][]float64) (Test, error) {
	if len(rows) == 0 {
		return Test{}, fmt.Errorf("contrast %s: no rows", name)
	}
	for i, r := range rows {
		if len(r) != len(f.beta) {
			return Test{}, fmt.Errorf("contrast %s: row %d has %d weights, the model has %d coefficients", name, i+1, len(r), len(f.beta))
		}
	}
	t, ok := f.in.test(rows, f.beta)
	if !ok {
		return Test{}, fmt.Errorf("contrast %s: its rows are not independent", name)
	}
	return Test{Term: name, NumDF: t.num, DenDF: t.den, F: t.f, P: tails.F(t.f, float64(t.num), t.den)}, nil
}
