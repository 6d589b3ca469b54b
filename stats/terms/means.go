package terms

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// MeanRow is one adjusted mean as a linear function of the coefficients.
type MeanRow struct {
	// Labels holds the level of each factor of the term, in its order.
	Labels []string
	// Row holds the weights on the coefficients of the design.
	Row []float64
	// Estimable is false when the data cannot give this mean (a cell never
	// planted, a confounded term); Row must then not be used.
	Estimable bool
}

// MeanRows gives the adjusted (least-squares) means of a term: each
// combination of its levels, averaged with equal weight over the levels of
// all other factors in the model and with covariates at their mean (Searle,
// Speed and Milliken 1980, The American Statistician 34, 216-221). The term
// must hold factors of the model only. The first factor varies fastest.
func (d *Design) MeanRows(t Term) ([]MeanRow, error) {
	cells := [][]int{nil}
	for _, name := range t {
		v := d.vars[name]
		if v == nil || !v.isFactor() {
			return nil, fmt.Errorf("means of %s: %q is not a factor of the table", t, name)
		}
		if !slices.ContainsFunc(d.Terms, func(u Term) bool { return slices.Contains(u, name) }) {
			return nil, fmt.Errorf("means of %s: %q is in no term of the model; add it to the fixed terms", t, name)
		}
		var next [][]int
		for l := range v.levels {
			for _, c := range cells {
				next = append(next, append(slices.Clone(c), l))
			}
		}
		cells = next
	}
	rows := make([]MeanRow, len(cells))
	for i, cell := range cells {
		fixed := map[string]int{}
		for k, name := range t {
			fixed[name] = cell[k]
			rows[i].Labels = append(rows[i].Labels, d.vars[name].levels[cell[k]])
		}
		rows[i].Row, rows[i].Estimable = d.average(fixed)
	}
	return rows, nil
}

// average gives the weights of the mean at the fixed levels, and whether
// they are estimable.
func (d *Design) average(fixed map[string]int) ([]float64, bool) {
	full := make([]float64, len(d.columns))
	for j, c := range d.columns {
		w := 1.0
		for _, pt := range c.parts {
			level, held := fixed[pt.v.name]
			switch {
			case pt.level < 0:
				w *= pt.v.mean
			case !held:
				w /= float64(len(pt.v.levels))
			case level != pt.level:
				w = 0
			}
		}
		full[j] = w
	}
	p := d.Rank()
	for k, a := range d.alias {
		s, size := full[p+k], math.Abs(full[p+k])
		for j, x := range a {
			s -= x * full[j]
			size += math.Abs(x * full[j])
		}
		if math.Abs(s) > 1e-8*(1+size) {
			return full[:p], false
		}
	}
	return full[:p], true
}

// AdjustedRows gives the hypothesis of the adjusted test of term k: the term
// after every other term, main effects averaged with equal weight over the
// factors they interact with (type III). It returns as many independent rows
// as the term has degrees of freedom. An error says that empty cells leave
// the hypothesis without meaning.
func (d *Design) AdjustedRows(k int) ([][]float64, error) {
	t := d.Terms[k]
	higher := false
	for j, u := range d.Terms {
		higher = higher || (j != k && t.within(u))
	}
	var rows [][]float64
	if !higher {
		for j, a := range d.Assign {
			if a == k {
				row := make([]float64, d.Rank())
				row[j] = 1
				rows = append(rows, row)
			}
		}
		return rows, nil
	}
	for _, name := range t {
		if !d.vars[name].isFactor() {
			return nil, fmt.Errorf("term %s: the slope of a covariate that interacts depends on the level of the other factor; test the interaction first", t)
		}
	}
	means, err := d.MeanRows(t)
	if err != nil {
		return nil, err
	}
	for _, m := range means {
		if !m.Estimable {
			return nil, fmt.Errorf("term %s: no adjusted test, since %s has no data in some cells; the sequential test still stands", t, strings.Join(m.Labels, ":"))
		}
	}
	// Differences from the first level in every factor of the term.
	for i, m := range means {
		corner, rest := make([]int, len(t)), i
		for a, name := range t {
			n := len(d.vars[name].levels)
			corner[a], rest = rest%n, rest/n
		}
		if slices.Contains(corner, 0) {
			continue
		}
		row := slices.Clone(m.Row)
		for mask := 1; mask < 1<<len(t); mask++ {
			sign, index, stride := 1.0, 0, 1
			for a, name := range t {
				if mask>>a&1 == 1 {
					sign = -sign
				} else {
					index += corner[a] * stride
				}
				stride *= len(d.vars[name].levels)
			}
			for j, x := range means[index].Row {
				row[j] += sign * x
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// Levels gives the levels of a factor in their order, nil if the table has
// no such factor.
func (d *Design) Levels(name string) []string {
	if v := d.vars[name]; v != nil {
		return slices.Clone(v.levels)
	}
	return nil
}
