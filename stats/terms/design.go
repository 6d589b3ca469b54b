package terms

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
)

// rankTol decides when a column is a combination of those before it: what
// stays after removing them is below this share of the column's own spread.
// The value is that of lm.fit in R, whose test is alike but pivots.
const rankTol = 1e-7

// Design is the matrix of a linear predictor together with its orthogonal
// factor. All slices belong to the Design and must not be changed.
type Design struct {
	// Rows is the number of rows n.
	Rows int
	// Names holds the p coefficients that can be estimated, in the order of
	// the terms: "(intercept)", "blockB2", "treatmentT2:date14". They are
	// differences from the first level of each factor (treatment contrasts).
	Names []string
	// Terms holds the terms in order; Terms[0] is the intercept.
	Terms []Term
	// Assign gives for each coefficient the index of its term.
	Assign []int
	// Aliased names the columns that are combinations of earlier ones and so
	// have no coefficient.
	Aliased []string

	vars    map[string]*variable
	columns []column    // kept columns, then the aliased ones
	q       [][]float64 // p orthonormal columns of length n
	r       [][]float64 // r[j] holds the j+1 entries of column j of R
	alias   [][]float64 // coefficients of each aliased column on the kept ones
}

// column is a product of indicators and covariates.
type column struct {
	term  int
	parts []part
	name  string
}

// part is one factor level, or a covariate (level -1).
type part struct {
	v     *variable
	level int
}

func (c column) fill(dst []float64) {
	for i := range dst {
		x := 1.0
		for _, pt := range c.parts {
			switch {
			case pt.level < 0:
				x *= pt.v.values[i]
			case pt.v.codes[i] != pt.level:
				x = 0
			}
		}
		dst[i] = x
	}
}

// Build makes the matrix of the intercept and the terms in the order given.
// A factor in a term is coded by differences from its first level where the
// term without it is in the model too, and by one column a level otherwise,
// so that the term always spans what its name says (the rule of Chambers and
// Hastie 1992, Statistical Models in S, section 2.3.2).
//
// The columns are orthogonalised one after the other by Gram-Schmidt with
// reorthogonalisation (Giraud, Langou and Rozloznik 2005: twice is enough),
// which is as stable as Householder and finds confounded columns in order.
func Build(f Frame, model []Term) (*Design, error) {
	n, err := f.Rows()
	if err != nil {
		return nil, err
	}
	vars, err := f.compile()
	if err != nil {
		return nil, err
	}
	d := &Design{Rows: n, Terms: []Term{{}}, vars: vars}
	for _, t := range model {
		if err := checkTerm(t, vars, d.Terms); err != nil {
			return nil, err
		}
		d.Terms = append(d.Terms, slices.Clone(t))
	}
	// The model may name an interaction before its margins; which coding a
	// factor gets depends on the set of terms, not on their order.
	var dropped []column
	for k := range d.Terms {
		for _, c := range d.termColumns(k) {
			if !d.absorb(c) {
				dropped = append(dropped, c)
			}
		}
	}
	for _, c := range dropped {
		d.Aliased = append(d.Aliased, c.name)
	}
	d.columns = append(d.columns, dropped...)
	return d, nil
}

func checkTerm(t Term, vars map[string]*variable, earlier []Term) error {
	if len(t) == 0 {
		return fmt.Errorf("an empty term: the intercept is always in the model")
	}
	for i, name := range t {
		if vars[name] == nil {
			return fmt.Errorf("term %s: no column is named %q", t, name)
		}
		if slices.Contains(t[:i], name) {
			return fmt.Errorf("term %s names %q twice", t, name)
		}
	}
	for _, u := range earlier {
		if t.equal(u) {
			return fmt.Errorf("term %s is in the model twice", t)
		}
	}
	for _, name := range t {
		if v := vars[name]; v.isFactor() && len(v.levels) < 2 {
			return fmt.Errorf("factor %q has one level only (%q): nothing to compare; leave it out", name, v.levels[0])
		}
	}
	return nil
}

// termColumns lists the columns of term k, the first factor varying fastest.
func (d *Design) termColumns(k int) []column {
	t := d.Terms[k]
	cols := []column{{term: k}}
	for i, name := range t {
		v := d.vars[name]
		var levels []int
		if v.isFactor() {
			margin := slices.Delete(slices.Clone(t), i, i+1)
			first := 0
			if slices.ContainsFunc(d.Terms, margin.equal) {
				first = 1
			}
			for l := first; l < len(v.levels); l++ {
				levels = append(levels, l)
			}
		} else {
			levels = []int{-1}
		}
		var next []column
		for _, l := range levels {
			for _, c := range cols {
				label := name
				if l >= 0 {
					label += v.levels[l]
				}
				if c.name != "" {
					label = c.name + ":" + label
				}
				next = append(next, column{term: k, parts: append(slices.Clone(c.parts), part{v, l}), name: label})
			}
		}
		cols = next
	}
	if len(t) == 0 {
		cols[0].name = Term{}.String()
	}
	return cols
}

// absorb orthogonalises the column against those kept so far and keeps it if
// something is left. It reports whether it was kept.
func (d *Design) absorb(c column) bool {
	v := make([]float64, d.Rows)
	c.fill(v)
	spread := blas64.Nrm2(vec(v))
	if len(d.q) > 0 {
		mean := 0.0
		for i, x := range v {
			mean += (x - mean) / float64(i+1)
		}
		centred := make([]float64, d.Rows)
		for i, x := range v {
			centred[i] = x - mean
		}
		spread = blas64.Nrm2(vec(centred))
	}
	r := make([]float64, len(d.q)+1)
	for range 2 {
		for j, q := range d.q {
			s := blas64.Dot(vec(q), vec(v))
			r[j] += s
			blas64.Axpy(-s, vec(q), vec(v))
		}
	}
	left := blas64.Nrm2(vec(v))
	if left <= rankTol*spread || left == 0 {
		d.alias = append(d.alias, d.backSolve(r[:len(d.q)]))
		return false
	}
	r[len(d.q)] = left
	blas64.Scal(1/left, vec(v))
	d.q = append(d.q, v)
	d.r = append(d.r, r)
	d.columns = append(d.columns, c)
	d.Names = append(d.Names, c.name)
	d.Assign = append(d.Assign, c.term)
	return true
}

func vec(x []float64) blas64.Vector { return blas64.Vector{N: len(x), Data: x, Inc: 1} }

// Rank is the number p of coefficients.
func (d *Design) Rank() int { return len(d.q) }

// Q gives column j of the orthonormal factor of the matrix, X = QR.
func (d *Design) Q(j int) []float64 { return d.q[j] }

// Column gives column j of the matrix itself.
func (d *Design) Column(j int) []float64 {
	x := make([]float64, d.Rows)
	d.columns[j].fill(x)
	return x
}

// Coefficients turns coordinates on the orthonormal columns into the
// coefficients of the model, that is, solves R beta = b.
func (d *Design) Coefficients(b []float64) []float64 { return d.backSolve(b) }

func (d *Design) backSolve(b []float64) []float64 {
	x := slices.Clone(b)
	for j := len(x) - 1; j >= 0; j-- {
		x[j] /= d.r[j][j]
		for i := range j {
			x[i] -= d.r[j][i] * x[j]
		}
	}
	return x
}

// Pull carries a linear function of the coefficients over to the orthonormal
// coordinates: with row l over the coefficients, l'beta = Pull(l)'b.
func (d *Design) Pull(l []float64) []float64 {
	x := slices.Clone(l)
	for j := range x {
		for i := range j {
			x[j] -= d.r[j][i] * x[i]
		}
		x[j] /= d.r[j][j]
	}
	return x
}

// SequentialRow gives the linear function of the coefficients that
// orthonormal coordinate j stands for (row j of R, scaled to a leading one): the hypothesis of the
// sequential test is that those of a term's coordinates are zero.
func (d *Design) SequentialRow(j int) []float64 {
	row := make([]float64, d.Rank())
	for k := j; k < d.Rank(); k++ {
		row[k] = d.r[k][j] / d.r[j][j]
	}
	return row
}

// LogDetR gives the logarithm of the absolute determinant of R, half the
// log-determinant of X'X.
func (d *Design) LogDetR() float64 {
	s := 0.0
	for j := range d.r {
		s += math.Log(d.r[j][j])
	}
	return s
}
