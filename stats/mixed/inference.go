package mixed

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"
)

// dfCap stands for "no doubt about the variances": larger degrees of freedom
// are reported as this, so that no infinity is ever handed out.
const dfCap = 1e6

// inference holds what tests of the fixed effects need. All of it is in the
// whitened coordinates c, in which the estimates have the identity as their
// covariance matrix, and in units of the residual variance.
//
// Parameters are the variances of the groupings, then (with a serial part)
// log(1/tau), last the residual variance.
type inference struct {
	pr    *problem
	st    *state
	k, p  int
	sigma float64 // residual standard deviation, in units of the response
	// slope[i] = A~' D_i A~ is minus the derivative of the inverse covariance
	// of c, and so the derivative of its covariance at c = identity.
	slope [][]float64
	// expectedCov and observedCov are inverse information matrices.
	expectedCov *mat.SymDense
	observedCov *mat.SymDense // over the parameters in interior only
	interior    []int
	adjusted    []float64 // Kenward-Roger covariance of c, p x p; nil otherwise
	df          DFMethod
}

// newInference prepares the tests at the maximum. It reports false when the
// information about the variances is singular, that is, when the rows cannot
// tell two components apart.
func newInference(pr *problem, st *state, df DFMethod) (*inference, bool) {
	in := &inference{pr: pr, st: st, p: pr.p, df: df, sigma: math.Sqrt(st.sigma2) * pr.scale}
	groups := len(pr.s.groups)
	rate := -1
	in.k = groups + 1
	if st.serial(pr) {
		rate = groups
		in.k++
	}
	pick := func(i int) func(*factored) []float64 {
		if i == in.k-1 {
			return func(f *factored) []float64 { return f.corr }
		}
		return derivOf(i)
	}
	fx := make([][]float64, in.k)
	de := make([][]float64, in.k)
	deProj := make([][]float64, in.k)
	in.slope = make([][]float64, in.k)
	for i := range in.k {
		fx[i], in.slope[i] = pr.applyDeriv(st, i, pick(i), st.whitened, pr.p, true)
		de[i], _ = pr.applyDeriv(st, i, pick(i), st.resid, 1, false)
		deProj[i] = make([]float64, pr.p)
		blas64.Gemv(blas.Trans, 1, general(pr.n, pr.p, st.whitened), vec(de[i]), 0, vec(deProj[i]))
	}
	reml := pr.method == REML
	trace := func(i int) float64 {
		t := pr.traceBlocks(st, pick(i), nil)
		if reml {
			for j := range pr.p {
				t -= in.slope[i][j*pr.p+j]
			}
		}
		return t
	}
	expected, observed := mat.NewSymDense(in.k, nil), mat.NewSymDense(in.k, nil)
	for i := range in.k {
		for j := range i + 1 {
			tr := pr.traceBlocks(st, pick(i), pick(j))
			if reml {
				tr += dot(in.slope[i], in.slope[j]) - 2*dot(fx[i], fx[j])
			}
			inner := (dot(de[i], de[j]) - dot(deProj[i], deProj[j])) / st.sigma2
			o := inner - tr/2
			switch {
			case i == rate && j == rate:
				t, q := pr.secondByRate(st)
				o += t/2 - q/(2*st.sigma2)
			case i == in.k-1 && j == rate:
				o += trace(rate)/2 - dot(st.resid, de[rate])/(2*st.sigma2)
			}
			expected.SetSym(i, j, tr/2)
			observed.SetSym(i, j, o)
		}
	}
	for i := range in.k {
		if i >= groups || st.params.gamma[i] > 0 {
			in.interior = append(in.interior, i)
		}
	}
	var ok bool
	if in.expectedCov, ok = inverse(expected); !ok {
		return nil, false
	}
	sub := mat.NewSymDense(len(in.interior), nil)
	for a, i := range in.interior {
		for b, j := range in.interior[:a+1] {
			sub.SetSym(a, b, observed.At(i, j))
		}
	}
	if in.observedCov, ok = inverse(sub); !ok {
		for a, i := range in.interior {
			for b, j := range in.interior[:a+1] {
				sub.SetSym(a, b, expected.At(i, j))
			}
		}
		if in.observedCov, ok = inverse(sub); !ok {
			return nil, false
		}
	}
	return in, df != KenwardRoger || in.adjust(fx)
}

// inverse inverts a positive definite matrix after scaling it to a unit
// diagonal, and reports false if it is singular to working accuracy.
func inverse(m *mat.SymDense) (*mat.SymDense, bool) {
	n := m.SymmetricDim()
	d := make([]float64, n)
	for i := range n {
		if !(m.At(i, i) > 0) {
			return nil, false
		}
		d[i] = math.Sqrt(m.At(i, i))
	}
	scaled := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			scaled.SetSym(i, j, m.At(i, j)/d[i]/d[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled) || chol.Cond() > 1e12 {
		return nil, false
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return nil, false
	}
	for i := range n {
		for j := range i + 1 {
			inv.SetSym(i, j, inv.At(i, j)/d[i]/d[j])
		}
	}
	return &inv, true
}

// adjust computes the Kenward-Roger covariance of c,
//
//	I + 2 sum_ij W_ij (Q_ij - P_i P_j),
//
// with W the inverse expected information (Kenward and Roger 1997, eq. 3-5).
// Their further term for parameters that enter V non-linearly, as the serial
// rate does, is left out (the first-order form of Harville and Jeske 1992,
// J. Am. Stat. Assoc. 87, 724-731): it depends on how the rate is written down
// and, where the correlation is weak, can shrink standard errors to nothing.
// Without it the adjustment only ever widens them.
//
// It reports false where the information is singular to working accuracy.
func (in *inference) adjust(fx [][]float64) bool {
	n, p := in.pr.n, in.p
	// With W = L L', the double sum is one over the columns of L of squares of
	// weighted sums.
	var chol mat.Cholesky
	var l mat.TriDense
	if !chol.Factorize(in.expectedCov) {
		return false
	}
	chol.LTo(&l)
	in.adjusted = make([]float64, p*p)
	for m := range in.k {
		f, s := make([]float64, n*p), make([]float64, p*p)
		for i := m; i < in.k; i++ {
			axpy(l.At(i, m), fx[i], f)
			axpy(l.At(i, m), in.slope[i], s)
		}
		axpy(2, symmetricGram(f, n, p), in.adjusted)
		axpy(-2, symmetricGram(s, p, p), in.adjusted)
	}
	for i := range p {
		in.adjusted[i*p+i]++
	}
	return true
}

// pulled is a linear function of the coefficients carried over to c, so that
// the inner product of two functions is their model-based covariance, with the
// products that its variance and its degrees of freedom need.
type pulled struct {
	x     []float64
	cov   []float64   // covariance of c under the chosen method, times x
	slope [][]float64 // slope[i] times x
}

// pull carries linear functions of the coefficients over to c. Many are best
// carried together: products of matrices are quicker than those of vectors.
func (in *inference) pull(rows [][]float64) []pulled {
	xs := make([][]float64, len(rows))
	for i, l := range rows {
		xs[i] = in.pr.design.Pull(l)
		in.whiten(xs[i])
	}
	return in.complete(xs)
}

// complete adds the products to functions carried over to c.
func (in *inference) complete(xs [][]float64) []pulled {
	flat := slices.Concat(xs...)
	row := func(m []float64, i int) []float64 { return m[i*in.p : (i+1)*in.p] }
	cov := flat
	if in.adjusted != nil {
		cov = timesSymmetric(flat, in.adjusted, len(xs), in.p)
	}
	slope := make([][]float64, in.k)
	for k := range slope {
		slope[k] = timesSymmetric(flat, in.slope[k], len(xs), in.p)
	}
	out := make([]pulled, len(xs))
	for i := range out {
		out[i] = pulled{row(flat, i), row(cov, i), make([][]float64, in.k)}
		for k := range slope {
			out[i].slope[k] = row(slope[k], i)
		}
	}
	return out
}

// minus is the difference of two functions. Products are taken apart before
// they are multiplied out, so that what two functions share cancels early.
func (a pulled) minus(b pulled) pulled {
	take := func(x, y []float64) []float64 {
		d := slices.Clone(x)
		axpy(-1, y, d)
		return d
	}
	d := pulled{take(a.x, b.x), take(a.cov, b.cov), make([][]float64, len(a.slope))}
	for k := range d.slope {
		d.slope[k] = take(a.slope[k], b.slope[k])
	}
	return d
}

// covariance of two functions under the chosen method.
func (a pulled) covariance(b pulled) float64 { return dot(a.x, b.cov) }

// whiten carries a function of the orthonormal coordinates over to c.
func (in *inference) whiten(x []float64) {
	blas64.Trsv(blas.Trans, in.st.chol, vec(x))
	scale(in.sigma, x)
}

// coefficients are the generalised least-squares estimates.
func (in *inference) coefficients() []float64 {
	b := slices.Clone(in.st.coord)
	blas64.Trsv(blas.NoTrans, in.st.chol, vec(b))
	for j := range b {
		b[j] = in.pr.ols[j] + in.pr.scale*b[j]
	}
	return in.pr.design.Coefficients(b)
}

// singleDF gives the degrees of freedom of one function.
func (in *inference) singleDF(a pulled) float64 {
	norm := dot(a.x, a.x)
	if norm == 0 {
		return dfCap
	}
	g := make([]float64, in.k)
	for i := range g {
		g[i] = dot(a.x, a.slope[i]) / norm
	}
	return capDF(2 / in.gradientVariance(g))
}

// gradientVariance is the variance of a relative variance whose gradient by
// the parameters is g. Satterthwaite leaves out components estimated as zero
// (their gradient by the standard deviation vanishes there) and uses the
// observed information; Kenward-Roger uses the expected information of all.
func (in *inference) gradientVariance(g []float64) float64 {
	s := 0.0
	if in.df == KenwardRoger {
		for i := range g {
			for j := range g {
				s += in.expectedCov.At(i, j) * g[i] * g[j]
			}
		}
		return s
	}
	for a, i := range in.interior {
		for b, j := range in.interior {
			s += in.observedCov.At(a, b) * g[i] * g[j]
		}
	}
	return s
}

func capDF(df float64) float64 {
	if !(df > 0 && df < dfCap) {
		return dfCap
	}
	return df
}

// fTest is a test that rows of linear functions are all zero.
type fTest struct {
	num    int
	den, f float64
}

// test gives the F test of independent rows l over the coefficients beta. It
// reports false if the rows are not independent.
//
// The rows are first made orthonormal in the metric of ordinary least
// squares, so that the test depends on the hypothesis and not on how rows,
// base levels or units express it.
func (in *inference) test(rows [][]float64, beta []float64) (fTest, bool) {
	basis := make([][]float64, len(rows))
	values := make([]float64, len(rows))
	for i, l := range rows {
		basis[i], values[i] = in.pr.design.Pull(l), dot(l, beta)
	}
	if !orthonormalise(basis, values) {
		return fTest{}, false
	}
	for _, x := range basis {
		in.whiten(x)
	}
	if in.df == Satterthwaite {
		return in.satterthwaiteF(basis, values)
	}
	return in.kenwardRogerF(basis, values)
}

// orthonormalise makes the rows orthonormal and carries the values along. It
// reports false if they are not independent.
func orthonormalise(rows [][]float64, values []float64) bool {
	for i, x := range rows {
		size := blas64.Nrm2(vec(x))
		for range 2 {
			for j := range i {
				s := dot(rows[j], x)
				axpy(-s, rows[j], x)
				values[i] -= s * values[j]
			}
		}
		left := blas64.Nrm2(vec(x))
		if !(left > 1e-10*size) {
			return false
		}
		scale(1/left, x)
		values[i] /= left
	}
	return true
}

// satterthwaiteF splits the hypothesis into uncorrelated single contrasts
// and matches the expectation of the sum of their squared t with that of an F
// (Fai and Cornelius 1996).
func (in *inference) satterthwaiteF(functions [][]float64, values []float64) (fTest, bool) {
	q := len(functions)
	cov := mat.NewSymDense(q, nil)
	for i := range q {
		for j := range i + 1 {
			cov.SetSym(i, j, dot(functions[i], functions[j]))
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(cov, true) {
		return fTest{}, false
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	roots := eigen.Values(nil)
	if !(roots[0] > 1e-12*roots[q-1]) {
		return fTest{}, false
	}
	out := fTest{num: q}
	contrasts := make([][]float64, q)
	for m := range q {
		contrasts[m] = make([]float64, in.p)
		v := 0.0
		for i := range q {
			axpy(vectors.At(i, m), functions[i], contrasts[m])
			v += vectors.At(i, m) * values[i]
		}
		out.f += v * v / roots[m] / float64(q)
	}
	nu := make([]float64, q)
	for m, c := range in.complete(contrasts) {
		nu[m] = in.singleDF(c)
	}
	out.den = poolDF(nu)
	return out, true
}

// poolDF gives the denominator df of a sum of squared t with df nu each.
func poolDF(nu []float64) float64 {
	lo, hi := slices.Min(nu), slices.Max(nu)
	if hi-lo < 1e-8*hi {
		return nu[0]
	}
	if lo <= 2 {
		return 2
	}
	e := 0.0
	for _, v := range nu {
		e += v / (v - 2)
	}
	return capDF(2 * e / (e - float64(len(nu))))
}

// kenwardRogerF is the scaled F of Kenward and Roger 1997, with the symbols of
// the paper. It does not depend on how the rows span the hypothesis.
func (in *inference) kenwardRogerF(u [][]float64, values []float64) (fTest, bool) {
	q := len(u)
	if !orthonormalise(u, values) {
		return fTest{}, false
	}
	flat := make([]float64, 0, q*in.p)
	for _, x := range u {
		flat = append(flat, x...)
	}
	b := make([][]float64, in.k)
	for i := range b {
		b[i] = sandwich(flat, in.slope[i], q, in.p)
	}
	var a1, a2 float64
	for i := range b {
		for j := range b {
			w := in.expectedCov.At(i, j)
			a1 += w * traceOf(b[i], q) * traceOf(b[j], q)
			a2 += w * dot(b[i], b[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(mat.NewSymDense(q, sandwich(flat, in.adjusted, q, in.p))) {
		return fTest{}, false
	}
	var x mat.VecDense
	v := mat.NewVecDense(q, values)
	if chol.SolveVecTo(&x, v) != nil {
		return fTest{}, false
	}
	wald := mat.Dot(&x, v) / float64(q)
	den, lambda := kenwardRogerScale(a1, a2, float64(q))
	return fTest{num: q, den: den, f: lambda * wald}, true
}

// kenwardRogerScale gives denominator df m and scale lambda of the F.
func kenwardRogerScale(a1, a2, q float64) (m, lambda float64) {
	if !(a2 > 0) {
		return dfCap, 1
	}
	b := (a1 + 6*a2) / (2 * q)
	g := ((q+1)*a1 - (q+4)*a2) / ((q + 2) * a2)
	d := 3*q + 2*(1-g)
	c1, c2, c3 := g/d, (q-g)/d, (q+2-g)/d
	e := 1 - a2/q
	v0, v1, v2 := 1+c1*b, 1-c2*b, 1-c3*b
	// Exact F cases make these cancel; rounding must not decide the sign.
	if math.Abs(v0) < 1e-10 {
		v0 = 0
	}
	ratio := 1.0
	if math.Abs(v1) > 1e-10 || math.Abs(e) > 1e-10 {
		ratio = e / v1
	}
	rho := ratio * ratio * v0 / v2 / q
	m = capDF(4 + (q+2)/(q*rho-1))
	lambda = 1
	if m > 2+1e-6 {
		lambda = m * e / (m - 2)
	}
	return m, lambda
}

func traceOf(m []float64, q int) float64 {
	s := 0.0
	for i := range q {
		s += m[i*q+i]
	}
	return s
}
