package mixed

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"

	"quadtally/stats/terms"
)

// problem is a model made ready for many evaluations: the fixed part as
// orthonormal columns and the response as its ordinary least-squares
// residual, both in the sorted order of the components. The restricted
// likelihood depends on the response through that residual only, so a large
// common offset costs no digits.
type problem struct {
	design *terms.Design
	s      *structure
	method Method
	ctx    context.Context // no state is evaluated after its end
	n, p   int
	q      []float64 // n x p, row-major
	y      []float64 // residual of the response, scaled to length one
	ols    []float64 // coordinates of the response on the orthonormal columns
	scale  float64   // length of the residual before scaling
}

func newProblem(m Model, design *terms.Design, s *structure, method Method) *problem {
	n, p := len(m.Response), design.Rank()
	pr := &problem{ctx: context.Background(), design: design, s: s, method: method, n: n, p: p, q: make([]float64, n*p), y: make([]float64, n), ols: make([]float64, p)}
	// The response enters as (mantissa, power of two), so that no square
	// overflows or vanishes whatever its unit.
	size := 0.0
	for _, y := range m.Response {
		size = max(size, math.Abs(y))
	}
	unit := math.Ldexp(1, math.Ilogb(size))
	residual := make([]float64, n)
	for i, y := range m.Response {
		residual[i] = y / unit
	}
	for range 2 {
		for j := range p {
			c := dot(design.Q(j), residual)
			pr.ols[j] += c
			axpy(-c, design.Q(j), residual)
		}
	}
	length := blas64.Nrm2(vec(residual))
	for j := range pr.ols {
		pr.ols[j] *= unit
	}
	pr.scale = length * unit
	for i, row := range s.order {
		if length > 0 {
			pr.y[i] = residual[row] / length
		}
		for j := range p {
			pr.q[i*p+j] = design.Q(j)[row]
		}
	}
	return pr
}

// df is the divisor of the residual variance.
func (pr *problem) df() float64 {
	if pr.method == ML {
		return float64(pr.n)
	}
	return float64(pr.n - pr.p)
}

// state is the likelihood at given params, with what derivatives need.
type state struct {
	params   params
	logLik   float64 // profiled over the residual variance, in scaled units
	sigma2   float64 // residual variance, in scaled units
	factors  []*factored
	whitened []float64 // A~: whitened, orthonormalised fixed columns, n x p
	chol     blas64.Triangular
	coord    []float64 // generalised least-squares coordinates c of y on A~
	resid    []float64 // whitened residual e
}

func (st *state) serial(pr *problem) bool { return pr.s.serial && !st.params.independent }

// evaluate gives the profiled log-likelihood. Without derivatives it stops
// at the value. It reports false where the covariance matrix is singular, and
// after the end of the context.
func (pr *problem) evaluate(p params, derivatives bool) (*state, bool) {
	if pr.ctx.Err() != nil {
		return nil, false
	}
	st := &state{params: p}
	st.factors = make([]*factored, len(pr.s.patterns))
	for k := range pr.s.patterns {
		f, ok := pr.s.patterns[k].factor(p, pr.s.serial && !p.independent, derivatives)
		if !ok {
			return nil, false
		}
		st.factors[k] = f
	}
	a := append([]float64(nil), pr.q...)
	e := append([]float64(nil), pr.y...)
	logDet := 0.0
	for _, c := range pr.s.components {
		f := st.factors[c.pattern]
		f.solveRows(a[c.start*pr.p:(c.start+c.rows)*pr.p], pr.p)
		f.solveRows(e[c.start:c.start+c.rows], 1)
		logDet += f.logDet
	}
	gram := symmetricGram(a, pr.n, pr.p)
	chol, ok := lapack64.Potrf(blas64.Symmetric{N: pr.p, Stride: pr.p, Data: gram, Uplo: blas.Upper})
	if !ok {
		return nil, false
	}
	st.chol = chol
	logDetX := 0.0
	for j := range pr.p {
		logDetX += 2 * math.Log(chol.Data[j*pr.p+j])
	}
	st.coord = make([]float64, pr.p)
	blas64.Gemv(blas.Trans, 1, general(pr.n, pr.p, a), vec(e), 0, vec(st.coord))
	blas64.Trsv(blas.Trans, chol, vec(st.coord))
	fitted := append([]float64(nil), st.coord...)
	blas64.Trsv(blas.NoTrans, chol, vec(fitted))
	blas64.Gemv(blas.NoTrans, -1, general(pr.n, pr.p, a), vec(fitted), 1, vec(e))
	st.resid = e
	rss := dot(e, e)
	if !(rss > 0) {
		return nil, false
	}
	if derivatives {
		blas64.Trsm(blas.Right, blas.NoTrans, 1, chol, general(pr.n, pr.p, a))
		st.whitened = a
	}
	df := pr.df()
	st.sigma2 = rss / df
	st.logLik = -0.5 * (df*(math.Log(2*math.Pi*st.sigma2)+1) + logDet)
	if pr.method == REML {
		st.logLik -= 0.5 * logDetX
	}
	return st, true
}

// logLikelihood puts the scaled value back on the scale of the response and
// of the model's own coefficients.
func (pr *problem) logLikelihood(st *state) float64 {
	ll := st.logLik - pr.df()*math.Log(pr.scale)
	if pr.method == REML {
		ll -= pr.design.LogDetR()
	}
	return ll
}

// applyBlocks gives D B for a whitened block-diagonal D, chosen per pattern,
// and B of n rows and cols columns.
func (pr *problem) applyBlocks(st *state, pick func(*factored) []float64, b []float64, cols int) []float64 {
	out := make([]float64, len(b))
	for _, c := range pr.s.components {
		d := pick(st.factors[c.pattern])
		lo, hi := c.start*cols, (c.start+c.rows)*cols
		blas64.Gemm(blas.NoTrans, blas.NoTrans, 1, general(c.rows, c.rows, d), general(c.rows, cols, b[lo:hi]), 0, general(c.rows, cols, out[lo:hi]))
	}
	return out
}

// applyGroups is applyBlocks for the derivative D = Z Z' by the variance of a
// grouping, through its thin factor Z. It also gives Z'B, a row for each group,
// from which B'D B is a small cross-product.
func (pr *problem) applyGroups(st *state, k int, b []float64, cols int) (out, inner []float64) {
	out = make([]float64, len(b))
	for _, c := range pr.s.components {
		thin := st.factors[c.pattern].thin[k]
		m := len(thin) / c.rows
		inner = slices.Grow(inner, m*cols)
		part := inner[len(inner) : len(inner)+m*cols]
		inner = inner[:len(inner)+m*cols]
		lo, hi := c.start*cols, (c.start+c.rows)*cols
		z, zb := general(c.rows, m, thin), general(m, cols, part)
		blas64.Gemm(blas.Trans, blas.NoTrans, 1, z, general(c.rows, cols, b[lo:hi]), 0, zb)
		blas64.Gemm(blas.NoTrans, blas.NoTrans, 1, z, zb, 0, general(c.rows, cols, out[lo:hi]))
	}
	return out, inner
}

// applyDeriv gives D_i B for any parameter i and the whitened derivative D_i,
// and B'D_i B where gram is set.
func (pr *problem) applyDeriv(st *state, i int, pick func(*factored) []float64, b []float64, cols int, gram bool) (db, bdb []float64) {
	if i < len(pr.s.groups) {
		db, inner := pr.applyGroups(st, i, b, cols)
		if gram {
			bdb = symmetricGram(inner, len(inner)/max(cols, 1), cols)
		}
		return db, bdb
	}
	db = pr.applyBlocks(st, pick, b, cols)
	if gram {
		bdb = crossProduct(b, db, pr.n, cols)
	}
	return db, bdb
}

// traceBlocks gives the trace of D over all components, or of the product
// D E if other is given.
func (pr *problem) traceBlocks(st *state, pick, other func(*factored) []float64) float64 {
	per := make([]float64, len(st.factors))
	for k, f := range st.factors {
		d := pick(f)
		if other == nil {
			for i := range f.n {
				per[k] += d[i*f.n+i]
			}
		} else {
			per[k] = dot(d, other(f))
		}
	}
	s := 0.0
	for _, c := range pr.s.components {
		s += per[c.pattern]
	}
	return s
}

// derivOf picks the whitened derivative of parameter k.
func derivOf(k int) func(*factored) []float64 {
	return func(f *factored) []float64 { return f.deriv[k] }
}

// slopes are the gradient of the profiled log-likelihood by (gamma...,
// logRate) and information matrices, best first, for a step along it.
type slopes struct {
	grad []float64
	info [][][]float64
}

// differentiate gives the gradient and, if exact, the observed and expected
// information; otherwise the average of the two, which needs no traces of
// products and serves to climb from afar (Gilmour, Thompson and Cullis 1995,
// Biometrics 51, 1440-1450). With P the usual projection of REML (V^-1 in the
// traces of ML), sigma^2 profiled out and V_i the derivative of V by
// parameter i:
//
//	grad_i     = -tr(P V_i)/2 + y'P V_i P y/(2 sigma^2)
//	hessian_ij = tr(P V_i P V_j)/2 - y'P V_i P V_j P y/sigma^2
//	             + (y'P V_i P y)(y'P V_j P y)/(2 sigma^4 df)
//	             - tr(P V_ij)/2 + y'P V_ij P y/(2 sigma^2)
//
// (Searle, Casella and McCulloch 1992, Variance Components, section 6.6).
func (pr *problem) differentiate(st *state, exact bool) slopes {
	k := len(pr.s.groups)
	if st.serial(pr) {
		k++
	}
	n, p, df := pr.n, pr.p, pr.df()
	reml := pr.method == REML
	grad, trPV, quad := make([]float64, k), make([]float64, k), make([]float64, k)
	de := make([][]float64, k)     // D_i e
	deProj := make([][]float64, k) // A~' D_i e
	fx := make([][]float64, k)     // D_i A~
	px := make([][]float64, k)     // A~' D_i A~
	for i := range k {
		de[i], _ = pr.applyDeriv(st, i, derivOf(i), st.resid, 1, false)
		quad[i] = dot(st.resid, de[i])
		deProj[i] = make([]float64, p)
		blas64.Gemv(blas.Trans, 1, general(n, p, st.whitened), vec(de[i]), 0, vec(deProj[i]))
		trPV[i] = pr.traceBlocks(st, derivOf(i), nil)
		if reml {
			fx[i], px[i] = pr.applyDeriv(st, i, derivOf(i), st.whitened, p, exact)
			trPV[i] -= dot(st.whitened, fx[i])
		}
		grad[i] = -trPV[i]/2 + quad[i]/(2*st.sigma2)
	}
	average, observed, expected := square(k), square(k), square(k)
	for i := range k {
		for j := range i + 1 {
			inner := (dot(de[i], de[j]) - dot(deProj[i], deProj[j])) / st.sigma2
			profiled := quad[i] * quad[j] / (2 * st.sigma2 * st.sigma2 * df)
			average[i][j] = inner/2 - profiled
			average[j][i] = average[i][j]
			if !exact {
				continue
			}
			tr := pr.traceBlocks(st, derivOf(i), derivOf(j))
			if reml {
				tr += dot(px[i], px[j]) - 2*dot(fx[i], fx[j])
			}
			o := inner - tr/2 - profiled
			if i == k-1 && j == k-1 && st.serial(pr) {
				trSecond, quadSecond := pr.secondByRate(st)
				o += trSecond/2 - quadSecond/(2*st.sigma2)
			}
			observed[i][j], observed[j][i] = o, o
			expected[i][j] = tr/2 - trPV[i]*trPV[j]/(2*df)
			expected[j][i] = expected[i][j]
		}
	}
	if exact {
		return slopes{grad, [][][]float64{observed, expected, ridged(expected)}}
	}
	return slopes{grad, [][][]float64{average, ridged(average)}}
}

// secondByRate gives tr(P V”) and y'P V” P y for the second derivative by
// logRate.
func (pr *problem) secondByRate(st *state) (trace, quad float64) {
	second := func(f *factored) []float64 { return f.second }
	trace = pr.traceBlocks(st, second, nil)
	if pr.method == REML {
		trace -= dot(st.whitened, pr.applyBlocks(st, second, st.whitened, pr.p))
	}
	return trace, dot(st.resid, pr.applyBlocks(st, second, st.resid, 1))
}

func square(k int) [][]float64 {
	m := make([][]float64, k)
	for i := range m {
		m[i] = make([]float64, k)
	}
	return m
}
