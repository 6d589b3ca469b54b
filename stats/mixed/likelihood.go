package mixed

import (
	"math"

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
	n, p   int
	q      []float64 // n x p, row-major
	y      []float64 // residual of the response, scaled to length one
	ols    []float64 // coordinates of the response on the orthonormal columns
	scale  float64   // length of the residual before scaling
}

func newProblem(m Model, design *terms.Design, s *structure, method Method) *problem {
	n, p := len(m.Response), design.Rank()
	pr := &problem{design: design, s: s, method: method, n: n, p: p, q: make([]float64, n*p), y: make([]float64, n), ols: make([]float64, p)}
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
// at the value. It reports false where the covariance matrix is singular.
func (pr *problem) evaluate(p params, derivatives bool) (*state, bool) {
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
	blas64.Trsm(blas.Right, blas.NoTrans, 1, chol, general(pr.n, pr.p, a))
	st.whitened = a
	st.coord = make([]float64, pr.p)
	blas64.Gemv(blas.Trans, 1, general(pr.n, pr.p, a), vec(e), 0, vec(st.coord))
	blas64.Gemv(blas.NoTrans, -1, general(pr.n, pr.p, a), vec(st.coord), 1, vec(e))
	st.resid = e
	rss := dot(e, e)
	if !(rss > 0) {
		return nil, false
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

// slopes are gradient, observed information and expected information of the
// profiled log-likelihood by (gamma..., logRate).
type slopes struct {
	grad     []float64
	observed [][]float64
	expected [][]float64
}

// differentiate gives the exact first and second derivatives. With P the
// usual projection of REML (or V^-1 for the traces of ML), sigma^2 profiled
// out and V_i the derivative of V by parameter i:
//
//	grad_i     = -tr(P V_i)/2 + y'P V_i P y/(2 sigma^2)
//	hessian_ij = tr(P V_i P V_j)/2 - y'P V_i P V_j P y/sigma^2
//	             + (y'P V_i P y)(y'P V_j P y)/(2 sigma^4 df)
//	             - tr(P V_ij)/2 + y'P V_ij P y/(2 sigma^2)
//
// (Searle, Casella and McCulloch 1992, Variance Components, section 6.6).
func (pr *problem) differentiate(st *state) slopes {
	k := len(pr.s.groups)
	if st.serial(pr) {
		k++
	}
	n, p, df := pr.n, pr.p, pr.df()
	out := slopes{grad: make([]float64, k), observed: square(k), expected: square(k)}
	trPV := make([]float64, k)
	quad := make([]float64, k)
	de := make([][]float64, k)     // D_i e
	deProj := make([][]float64, k) // A~' D_i e
	fx := make([][]float64, k)     // D_i A~
	px := make([][]float64, k)     // A~' D_i A~
	for i := range k {
		de[i] = pr.applyBlocks(st, derivOf(i), st.resid, 1)
		quad[i] = dot(st.resid, de[i])
		deProj[i] = make([]float64, p)
		blas64.Gemv(blas.Trans, 1, general(n, p, st.whitened), vec(de[i]), 0, vec(deProj[i]))
		trPV[i] = pr.traceBlocks(st, derivOf(i), nil)
		if pr.method == REML {
			fx[i] = pr.applyBlocks(st, derivOf(i), st.whitened, p)
			px[i] = crossProduct(st.whitened, fx[i], n, p)
			for j := range p {
				trPV[i] -= px[i][j*p+j]
			}
		}
		out.grad[i] = -trPV[i]/2 + quad[i]/(2*st.sigma2)
	}
	for i := range k {
		for j := range i + 1 {
			tr := pr.traceBlocks(st, derivOf(i), derivOf(j))
			if pr.method == REML {
				tr += dot(px[i], px[j]) - 2*dot(fx[i], fx[j])
			}
			inner := dot(de[i], de[j]) - dot(deProj[i], deProj[j])
			h := tr/2 - inner/st.sigma2 + quad[i]*quad[j]/(2*st.sigma2*st.sigma2*df)
			if i == k-1 && j == k-1 && st.serial(pr) {
				trSecond, quadSecond := pr.secondByRate(st)
				h += -trSecond/2 + quadSecond/(2*st.sigma2)
			}
			x := tr/2 - trPV[i]*trPV[j]/(2*df)
			out.observed[i][j], out.observed[j][i] = -h, -h
			out.expected[i][j], out.expected[j][i] = x, x
		}
	}
	return out
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
