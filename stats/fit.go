package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/stats/dist"
)

// A Factor is a column of labels, one an observation.
type Factor struct {
	Name   string
	Labels []string
}

// A Term is one line of a linear model: a factor, an interaction of factors,
// or a numeric covariate. Make one with FactorTerm, InteractionTerm or
// CovariateTerm.
type Term struct {
	Name    string
	factors []Factor
	numeric []float64
}

// FactorTerm is the main effect of a factor. Its levels are labels: a factor
// with labels 1 to 5 has 4 degrees of freedom.
func FactorTerm(name string, labels []string) Term {
	return Term{Name: name, factors: []Factor{{name, labels}}}
}

// InteractionTerm is the interaction of factor terms; the main effects must
// stand before it in the model.
func InteractionTerm(terms ...Term) Term {
	var t Term
	names := make([]string, len(terms))
	for i, s := range terms {
		names[i] = s.Name
		t.factors = append(t.factors, s.factors...)
	}
	t.Name = strings.Join(names, ":")
	return t
}

// CovariateTerm is a straight line on a numeric column.
func CovariateTerm(name string, x []float64) Term {
	return Term{Name: name, numeric: x}
}

// contains reports whether every factor of s is among those of t, so that t
// is an interaction with s in it.
func (t Term) contains(s Term) bool {
	if t.numeric != nil || s.numeric != nil || len(t.factors) <= len(s.factors) {
		return false
	}
	for _, f := range s.factors {
		if !slices.ContainsFunc(t.factors, func(g Factor) bool { return g.Name == f.Name }) {
			return false
		}
	}
	return true
}

// ANOVARow is one line of an analysis of variance. What is undefined (no
// residual degrees of freedom, no error variance, no degrees of freedom of its
// own) is nil, never infinite.
type ANOVARow struct {
	Term string   `json:"term"`
	DF   int      `json:"df"`
	SS   float64  `json:"ss"`
	MS   *float64 `json:"ms,omitempty"`
	F    *float64 `json:"f,omitempty"`
	P    *float64 `json:"p,omitempty"`
	// PartialEta2 is SS/(SS+SSE). PartialOmega2 is df(F-1)/(df(F-1)+N),
	// which may be below zero. Olejnik & Algina 2003, Psych. Methods 8, 434.
	PartialEta2   *float64 `json:"partial_eta2,omitempty"`
	PartialOmega2 *float64 `json:"partial_omega2,omitempty"`
}

// residuals is the name of the last row of every analysis of variance.
const residuals = "residual"

// Fit is a linear model fitted by least squares through Householder
// reflections. The response is shifted by one of its own values and centred,
// and the columns are centred, before anything is squared, so a large constant
// costs no digits. A column that depends on those before it is left out: a
// term wholly confounded with earlier ones has 0 degrees of freedom.
//
// Factors are coded to sum to zero, which makes type III sums of squares and
// means over equally weighted levels direct.
type Fit struct {
	N          int
	DFResidual int
	SSResidual float64
	SSTotal    float64 // about the mean
	Mean       float64 // plain mean of the response

	terms   []Term
	coding  []coding
	shift   float64     // added back to every mean
	centre  float64     // mean of the shifted response
	y       []float64   // shifted and centred response
	yMax    float64     // largest response as given, in size
	x       [][]float64 // centred columns
	xMean   []float64
	kept    []int       // columns in the basis, in order
	r       [][]float64 // r[j]: transformed column j down to its diagonal
	house   [][]float64 // reflector k works on rows k..n-1
	z       []float64   // transformed response
	depends map[int][]float64
	beta    []float64 // by basis position
}

// coding says which columns belong to a term and the levels of its factors.
type coding struct {
	first, count int
	levels       [][]string
}

// dependentTol is the share of a column's length below which what is left of
// it, after the columns before it, counts as rounding.
const dependentTol = 1e-9

// FitLinear fits the response y, one value an observation, to an intercept and
// the terms in the order given. It refuses empty data, columns of the wrong
// length and numbers that are not finite.
func FitLinear(y []float64, terms ...Term) (*Fit, error) {
	n := len(y)
	if n == 0 {
		return nil, errors.New("no observations: need at least one value to fit")
	}
	for i, v := range y {
		if !finite(v) {
			return nil, fmt.Errorf("observation %d is not a finite number", i+1)
		}
	}
	for _, t := range terms {
		for _, f := range t.factors {
			if len(f.Labels) != n {
				return nil, fmt.Errorf("factor %s has %d labels for %d observations", f.Name, len(f.Labels), n)
			}
		}
		if t.numeric != nil && len(t.numeric) != n || t.numeric == nil && len(t.factors) == 0 {
			return nil, fmt.Errorf("covariate %s has %d values for %d observations", t.Name, len(t.numeric), n)
		}
		for i, v := range t.numeric {
			if !finite(v) {
				return nil, fmt.Errorf("covariate %s: value %d is not a finite number", t.Name, i+1)
			}
		}
	}
	f := &Fit{N: n, terms: terms, depends: map[int][]float64{}}
	f.centreResponse(y)
	f.buildColumns()
	f.factorise()
	return f, nil
}

func (f *Fit) centreResponse(y []float64) {
	f.shift = y[0]
	f.y = make([]float64, f.N)
	for i, v := range y {
		f.y[i] = v - f.shift
		f.yMax = max(f.yMax, math.Abs(v))
	}
	f.centre = mean(f.y)
	for i := range f.y {
		f.y[i] -= f.centre
		f.SSTotal += f.y[i] * f.y[i]
	}
	f.Mean = f.shift + f.centre
	if f.isRounding(f.SSTotal) {
		f.SSTotal = 0
	}
}

// isRounding reports whether a sum of squares is no more than the rounding of
// the responses themselves could leave.
func (f *Fit) isRounding(ss float64) bool {
	e := 16 * 0x1p-52 * f.yMax
	return ss <= float64(f.N)*e*e
}

func (f *Fit) buildColumns() {
	for _, t := range f.terms {
		c := coding{first: len(f.x)}
		if t.numeric != nil {
			f.x = append(f.x, slices.Clone(t.numeric))
		} else {
			cols := [][]float64{nil}
			for _, fac := range t.factors {
				lev := levels(fac.Labels)
				c.levels = append(c.levels, lev)
				own := sumToZero(fac.Labels, lev)
				next := make([][]float64, 0, len(cols)*len(own))
				for _, a := range cols {
					for _, b := range own {
						if a == nil {
							next = append(next, b)
							continue
						}
						p := make([]float64, f.N)
						for i := range p {
							p[i] = a[i] * b[i]
						}
						next = append(next, p)
					}
				}
				cols = next
			}
			f.x = append(f.x, cols...)
		}
		c.count = len(f.x) - c.first
		f.coding = append(f.coding, c)
	}
	f.xMean = make([]float64, len(f.x))
	for j, col := range f.x {
		m := mean(col)
		f.xMean[j] = m
		for i := range col {
			col[i] -= m
		}
	}
}

// sumToZero codes a factor of k levels in k-1 columns: level i has 1 in column
// i, and the last level has -1 in all.
func sumToZero(labels, lev []string) [][]float64 {
	cols := make([][]float64, len(lev)-1)
	for j := range cols {
		cols[j] = make([]float64, len(labels))
	}
	index := make(map[string]int, len(lev))
	for i, l := range lev {
		index[l] = i
	}
	for i, l := range labels {
		k := index[l]
		if k < len(cols) {
			cols[k][i] = 1
			continue
		}
		for j := range cols {
			cols[j][i] = -1
		}
	}
	return cols
}

func (f *Fit) factorise() {
	work := make([][]float64, len(f.x))
	for j, col := range f.x {
		work[j] = slices.Clone(col)
	}
	f.z = slices.Clone(f.y)
	f.r = make([][]float64, len(f.x))
	for j, col := range work {
		k := len(f.kept)
		// Centring a column leaves the rounding of its mean behind.
		rounding := dependentTol*norm(f.x[j]) + 0x1p-48*math.Sqrt(float64(f.N))*math.Abs(f.xMean[j])
		left := 0.0
		// The intercept takes one dimension, so only N-1 columns can stand.
		if k < f.N-1 {
			left = norm(col[k:])
		}
		if left <= rounding {
			f.depends[j] = f.solveUpper(col[:k])
			continue
		}
		v := slices.Clone(col[k:])
		if v[0] < 0 {
			left = -left
		}
		v[0] += left
		scale := norm(v)
		for i := range v {
			v[i] /= scale
		}
		f.house = append(f.house, v)
		for _, later := range work[j+1:] {
			reflect(v, later[k:])
		}
		reflect(v, f.z[k:])
		col[k] = -left
		f.r[j] = col[:k+1]
		f.kept = append(f.kept, j)
	}
	rank := len(f.kept)
	f.beta = f.solveUpper(f.z[:rank])
	f.DFResidual = f.N - 1 - rank
	for _, v := range f.z[rank:] {
		f.SSResidual += v * v
	}
	if f.DFResidual == 0 || f.isRounding(f.SSResidual) {
		f.SSResidual = 0
	}
}

// reflect applies the reflection in the unit vector v.
func reflect(v, x []float64) {
	var d float64
	for i, a := range v {
		d += a * x[i]
	}
	d *= 2
	for i, a := range v {
		x[i] -= d * a
	}
}

func norm(x []float64) float64 {
	var big, sum float64
	for _, v := range x {
		big = max(big, math.Abs(v))
	}
	if big == 0 {
		return 0
	}
	for _, v := range x {
		sum += (v / big) * (v / big)
	}
	return big * math.Sqrt(sum)
}

// solveUpper solves R b = z for the first len(z) columns of the basis.
func (f *Fit) solveUpper(z []float64) []float64 {
	b := slices.Clone(z)
	for k := len(b) - 1; k >= 0; k-- {
		col := f.r[f.kept[k]]
		b[k] /= col[k]
		for i := range k {
			b[i] -= b[k] * col[i]
		}
	}
	return b
}

// solveLower solves R' u = l over the whole basis.
func (f *Fit) solveLower(l []float64) []float64 {
	u := make([]float64, len(f.kept))
	for k, j := range f.kept {
		col := f.r[j]
		s := l[j]
		for i := range k {
			s -= col[i] * u[i]
		}
		u[k] = s / col[k]
	}
	return u
}

// MSE is the residual mean square, and false where there are no residual
// degrees of freedom.
func (f *Fit) MSE() (float64, bool) {
	if f.DFResidual == 0 {
		return 0, false
	}
	return f.SSResidual / float64(f.DFResidual), true
}

// termDF and termSS read a term's own part from the transformed response.
func (f *Fit) termDFSS(t int) (df int, ss float64) {
	c := f.coding[t]
	for k, j := range f.kept {
		if j >= c.first && j < c.first+c.count {
			df++
			ss += f.z[k] * f.z[k]
		}
	}
	if f.isRounding(ss) {
		ss = 0
	}
	return df, ss
}

// Sequential returns the analysis of variance with each term adjusted for
// those before it (type I), and the residual as the last row.
func (f *Fit) Sequential() []ANOVARow {
	rows := make([]ANOVARow, 0, len(f.terms)+1)
	for t, term := range f.terms {
		df, ss := f.termDFSS(t)
		rows = append(rows, f.row(term.Name, df, ss))
	}
	return append(rows, f.residualRow())
}

// TypeII returns the analysis of variance with each term adjusted for all
// that do not contain it.
func (f *Fit) TypeII() []ANOVARow {
	rows := make([]ANOVARow, 0, len(f.terms)+1)
	for i, term := range f.terms {
		var model []Term
		for j, other := range f.terms {
			if i != j && !other.contains(term) {
				model = append(model, other)
			}
		}
		g := f.refit(append(model, term))
		df, ss := g.termDFSS(len(model))
		rows = append(rows, f.row(term.Name, df, ss))
	}
	return append(rows, f.residualRow())
}

// TypeIII returns the analysis of variance with each term adjusted for all
// others, with factors coded to sum to zero. Without interactions it is the
// same as type II.
func (f *Fit) TypeIII() []ANOVARow {
	rows := make([]ANOVARow, 0, len(f.terms)+1)
	for i, term := range f.terms {
		model := slices.Delete(slices.Clone(f.terms), i, i+1)
		g := f.refit(append(model, term))
		df, ss := g.termDFSS(len(model))
		rows = append(rows, f.row(term.Name, df, ss))
	}
	return append(rows, f.residualRow())
}

// Intercept returns the line of the intercept in the type III analysis: the
// test that the mean over all cells at equal weight is zero.
func (f *Fit) Intercept() ANOVARow {
	l := make([]float64, len(f.x))
	for i, term := range f.terms {
		if term.numeric != nil {
			l[f.coding[i].first] = f.xMean[f.coding[i].first]
		}
	}
	c := f.combine(1, l)
	if !c.estimable {
		return ANOVARow{Term: "intercept"}
	}
	return f.row("intercept", 1, sq(f.shift+c.estimate)/c.variance())
}

// refit fits the same response to other terms.
func (f *Fit) refit(terms []Term) *Fit {
	g := &Fit{N: f.N, terms: terms, depends: map[int][]float64{},
		Mean: f.Mean, SSTotal: f.SSTotal, shift: f.shift, centre: f.centre, y: f.y, yMax: f.yMax}
	g.buildColumns()
	g.factorise()
	return g
}

func (f *Fit) row(name string, df int, ss float64) ANOVARow {
	return testedRow(name, df, ss, f.DFResidual, f.SSResidual, f.N)
}

// testedRow tests a term against an error line.
func testedRow(name string, df int, ss float64, dfe int, sse float64, n int) ANOVARow {
	r := ANOVARow{Term: name, DF: df, SS: ss}
	if df == 0 {
		return r
	}
	ms := ss / float64(df)
	r.MS = &ms
	if dfe == 0 || sse <= 0 {
		return r
	}
	fv := ms / (sse / float64(dfe))
	p := must(dist.FSF(fv, float64(df), float64(dfe)))
	eta := ss / (ss + sse)
	gain := float64(df) * (fv - 1)
	omega := gain / (gain + float64(n))
	r.F, r.P, r.PartialEta2, r.PartialOmega2 = &fv, &p, &eta, &omega
	return r
}

func (f *Fit) residualRow() ANOVARow {
	r := ANOVARow{Term: residuals, DF: f.DFResidual, SS: f.SSResidual}
	if ms, ok := f.MSE(); ok {
		r.MS = &ms
	}
	return r
}

// RSquared is the share of the sum of squares about the mean that the model
// takes up, and false where the response does not vary.
func (f *Fit) RSquared() (float64, bool) {
	if f.SSTotal == 0 {
		return 0, false
	}
	return 1 - f.SSResidual/f.SSTotal, true
}

// Residuals returns observed less fitted, in the order of the observations.
func (f *Fit) Residuals() []float64 {
	e := make([]float64, f.N)
	if f.SSResidual == 0 {
		return e
	}
	rank := len(f.kept)
	copy(e[rank:], f.z[rank:])
	for k := rank - 1; k >= 0; k-- {
		reflect(f.house[k], e[k:])
	}
	return e
}

// Fitted returns the fitted values, in the order of the observations.
func (f *Fit) Fitted() []float64 {
	e := f.Residuals()
	for i := range e {
		e[i] = f.Mean + (f.y[i] - e[i])
	}
	return e
}

// residualSS is the sum of squares the model leaves of another response.
func (f *Fit) residualSS(v []float64) float64 {
	e := slices.Clone(v)
	m := mean(e)
	for i := range e {
		e[i] -= m
	}
	for k, h := range f.house {
		reflect(h, e[k:])
	}
	var ss float64
	for _, x := range e[len(f.kept):] {
		ss += x * x
	}
	return ss
}

// VarianceComponent estimates the variance between the levels of a factor term
// taken as random, by analysis of variance: (MS of the term adjusted for all
// others, less the residual MS)/c, with c = tr(Z'MZ)/df, Z its indicators and M
// what the other terms leave (Searle, Casella & McCulloch 1992, Variance
// Components, ch. 5). It may be negative, which speaks for a small component.
// It refuses where the term or the residual has no degrees of freedom.
func (f *Fit) VarianceComponent(term string) (float64, error) {
	t := slices.IndexFunc(f.terms, func(t Term) bool { return t.Name == term && len(t.factors) == 1 })
	if t < 0 {
		return 0, fmt.Errorf("the model has no factor %q", term)
	}
	others := slices.Delete(slices.Clone(f.terms), t, t+1)
	df, ss := f.refit(append(slices.Clone(others), f.terms[t])).termDFSS(len(others))
	mse, ok := f.MSE()
	if df == 0 || !ok {
		return 0, fmt.Errorf("no degrees of freedom to estimate the variance between levels of %s", term)
	}
	without := f.refit(others)
	labels := f.terms[t].factors[0].Labels
	trace, indicator := 0.0, make([]float64, f.N)
	for _, l := range f.coding[t].levels[0] {
		for i, own := range labels {
			indicator[i] = 0
			if own == l {
				indicator[i] = 1
			}
		}
		trace += without.residualSS(indicator)
	}
	return (ss/float64(df) - mse) * float64(df) / trace, nil
}

// Leverages returns the diagonal of the projection onto the model, in [1/N, 1].
func (f *Fit) Leverages() []float64 {
	h := make([]float64, f.N)
	row := make([]float64, len(f.x))
	for i := range h {
		for j, col := range f.x {
			row[j] = col[i]
		}
		h[i] = 1 / float64(f.N)
		for _, u := range f.solveLower(row) {
			h[i] += u * u
		}
		h[i] = min(h[i], 1)
	}
	return h
}

// combination is a linear combination of the model's parameters ready for use.
type combination struct {
	estimate  float64
	u         []float64 // R^-T of the centred combination
	intercept float64
	n         int
	estimable bool
}

// variance is the variance of the estimate over that of one observation.
func (c combination) variance() float64 { return c.covariance(c) }

func (c combination) covariance(d combination) float64 {
	s := c.intercept * d.intercept / float64(c.n)
	for i, v := range c.u {
		s += v * d.u[i]
	}
	return s
}

// combine evaluates intercept times the intercept plus l over the columns. The
// estimate is without the response's shift where intercept is 0.
func (f *Fit) combine(intercept float64, l []float64) combination {
	c := combination{n: f.N, intercept: intercept, estimable: true}
	d := make([]float64, len(l))
	size := 0.0
	for j := range l {
		d[j] = l[j] - intercept*f.xMean[j]
		size = max(size, math.Abs(d[j]))
	}
	for j, a := range f.depends {
		want := 0.0
		for i, v := range a {
			want += v * d[f.kept[i]]
		}
		if math.Abs(d[j]-want) > 1e-7*max(size, 1) {
			c.estimable = false
		}
	}
	c.u = f.solveLower(d)
	for k, j := range f.kept {
		c.estimate += d[j] * f.beta[k]
	}
	c.estimate += intercept * f.centre
	return c
}

// levelVectors returns, for the factor term named, its levels and for each the
// combination vector of its mean: other factors at equal weights, covariates
// at their mean over the observations.
func (f *Fit) levelVectors(name string) (lev []string, vectors [][]float64, err error) {
	t := slices.IndexFunc(f.terms, func(t Term) bool { return t.Name == name && len(t.factors) == 1 })
	if t < 0 {
		return nil, nil, fmt.Errorf("the model has no factor %q", name)
	}
	c := f.coding[t]
	lev = c.levels[0]
	base := make([]float64, len(f.x))
	for i, term := range f.terms {
		if term.numeric != nil {
			base[f.coding[i].first] = f.xMean[f.coding[i].first]
		}
	}
	for i := range lev {
		v := slices.Clone(base)
		if i < c.count {
			v[c.first+i] = 1
		} else {
			for j := range c.count {
				v[c.first+j] = -1
			}
		}
		vectors = append(vectors, v)
	}
	return lev, vectors, nil
}

func ptr(x float64) *float64 { return &x }
