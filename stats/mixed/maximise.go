package mixed

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// negligible is the variance ratio below which a component counts as zero.
const negligible = 1e-9

// maximise finds the params of largest likelihood. The surface of a plot
// variance next to a serial correlation can have two hills and flat plains
// (time in days makes them wide), so it climbs from several starts spread
// over the time scale of the data and keeps the best summit. Where the serial
// correlation fades to nothing it is dropped and the model without it stands.
func (pr *problem) maximise() (*state, bool) {
	var best *state
	for _, start := range pr.starts() {
		if st, ok := pr.evaluate(start, true); ok {
			st = pr.climb(st, false, 1e-5)
			if best == nil || st.logLik > best.logLik {
				best = st
			}
		}
	}
	if best == nil {
		return nil, false
	}
	return pr.polish(pr.climb(best, true, 1e-12)), true
}

// polish takes the last Newton step, whose gain is too small to be seen in
// the likelihood but which doubles the correct digits of the params.
func (pr *problem) polish(st *state) *state {
	step, _ := newtonStep(st.params, pr.differentiate(st, true))
	next, ok := pr.evaluate(pr.move(st.params, step, 1), true)
	if !ok || next.logLik < st.logLik-1e-9*(1+math.Abs(st.logLik)) {
		return st
	}
	return next
}

// starts lists starting params: the best two points of a coarse grid, and
// for a serial part one without it.
func (pr *problem) starts() []params {
	k := len(pr.s.groups)
	level := func(g float64) params {
		p := params{gamma: make([]float64, k)}
		for i := range p.gamma {
			p.gamma[i] = g
		}
		return p
	}
	var grid []params
	gammas := []float64{0.1, 1, 10}
	if k == 0 {
		gammas = gammas[:1]
	}
	if !pr.s.serial {
		for _, g := range gammas {
			grid = append(grid, level(g))
		}
		return pr.bestOf(grid, 1)
	}
	if k > 0 {
		gammas = []float64{0, 1}
	}
	for _, g := range gammas {
		for _, corr := range []float64{0.15, 0.5, 0.85} {
			p := level(g)
			p.logRate = math.Log(-math.Log(corr) / pr.s.medianGap)
			grid = append(grid, p)
		}
	}
	picked := pr.bestOf(grid, 2)
	alone := level(1)
	alone.independent = true
	return append(picked, alone)
}

// bestOf keeps the n grid points of largest likelihood.
func (pr *problem) bestOf(grid []params, n int) []params {
	type scored struct {
		p  params
		ll float64
	}
	var list []scored
	for _, p := range grid {
		if st, ok := pr.evaluate(p, false); ok {
			i := len(list)
			list = append(list, scored{p, st.logLik})
			for i > 0 && list[i].ll > list[i-1].ll {
				list[i], list[i-1] = list[i-1], list[i]
				i--
			}
		}
	}
	var out []params
	for _, s := range list[:min(n, len(list))] {
		out = append(out, s.p)
	}
	return out
}

// climb goes uphill by Newton's method, bounded at zero variances, halving
// steps that do not gain. With exact set it uses the exact second derivatives
// (falling back on expected ones where the surface is not concave), else their
// average information. It stops when the gain a full step promises, relative
// to the log-likelihood, is below enough, or below rounding.
func (pr *problem) climb(st *state, exact bool, enough float64) *state {
	for range 200 {
		if st.serial(pr) && pr.faded(st.params) {
			p := st.params.clone()
			p.independent = true
			p.logRate = 0
			if alone, ok := pr.evaluate(p, true); ok {
				st = alone
			}
		}
		sl := pr.differentiate(st, exact)
		step, gain := newtonStep(st.params, sl)
		if gain < enough*(1+math.Abs(st.logLik)) {
			return st
		}
		next := pr.lineSearch(st, step)
		if next == nil {
			// No representable gain is left along an ascent direction.
			return st
		}
		st = next
	}
	return st
}

// faded tells whether neighbouring days no longer correlate.
func (pr *problem) faded(p params) bool {
	return math.Exp(p.logRate)*pr.s.shortest > 14
}

// move goes a share of the step, within bounds.
func (pr *problem) move(from params, step []float64, share float64) params {
	p := from.clone()
	for i, g := range from.gamma {
		p.gamma[i] = min(max(g+share*step[i], 0), 10*g+1)
		if p.gamma[i] < negligible {
			p.gamma[i] = 0
		}
	}
	if len(step) > len(p.gamma) {
		p.logRate += min(max(share*step[len(step)-1], -1.5), 1.5)
		p.logRate = max(p.logRate, pr.slowestRate())
	}
	return p
}

func (pr *problem) lineSearch(st *state, step []float64) *state {
	for share := 1.0; share > 1e-6; share /= 2 {
		next, ok := pr.evaluate(pr.move(st.params, step, share), true)
		if ok && next.logLik > st.logLik {
			return next
		}
	}
	return nil
}

// slowestRate bounds logRate where the whole season correlates by 0.999: the
// correlation is then one more plot effect.
func (pr *problem) slowestRate() float64 { return math.Log(1e-3 / pr.s.longest) }

// newtonStep gives the step of the free parameters and the gain in
// log-likelihood that its quadratic model promises. A variance at zero whose
// gradient points below zero is held there.
func newtonStep(p params, sl slopes) (step []float64, gain float64) {
	k := len(sl.grad)
	step = make([]float64, k)
	var free []int
	for i := range k {
		if i < len(p.gamma) && p.gamma[i] == 0 && sl.grad[i] <= 0 {
			continue
		}
		free = append(free, i)
	}
	if len(free) == 0 {
		return step, 0
	}
	g := mat.NewVecDense(len(free), nil)
	for a, i := range free {
		g.SetVec(a, sl.grad[i])
	}
	var x mat.VecDense
	for _, info := range sl.info {
		var chol mat.Cholesky
		if chol.Factorize(submatrix(info, free)) && chol.SolveVecTo(&x, g) == nil {
			gain = mat.Dot(&x, g) / 2
			for a, i := range free {
				step[i] = x.AtVec(a)
			}
			return step, gain
		}
	}
	for a, i := range free {
		step[i] = g.AtVec(a)
	}
	return step, mat.Dot(g, g) / 2
}

func submatrix(m [][]float64, free []int) *mat.SymDense {
	s := mat.NewSymDense(len(free), nil)
	for a, i := range free {
		for b, j := range free[:a+1] {
			s.SetSym(a, b, m[i][j])
		}
	}
	return s
}

// ridged adds a thousandth of the largest diagonal to the diagonal.
func ridged(m [][]float64) [][]float64 {
	out := square(len(m))
	top := 0.0
	for i := range m {
		top = max(top, m[i][i])
	}
	for i := range m {
		copy(out[i], m[i])
		out[i][i] += 1e-3*top + 1e-12
	}
	return out
}
