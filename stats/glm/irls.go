package glm

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/terms"
)

// rows is a model made ready for iteration: y as mean per unit of weight.
type rows struct {
	family Family
	y      []float64 // count, or share
	weight []float64 // prior weight: points looked at; 1 otherwise
	offset []float64 // log area; 0 otherwise
	theta  float64   // negative binomial only
}

func newRows(m Model, family Family, keep []bool) rows {
	r := rows{family: family}
	for i, y := range m.Response {
		if keep != nil && !keep[i] {
			continue
		}
		w, o := 1.0, 0.0
		if m.Trials != nil {
			w = m.Trials[i]
			y /= w
		}
		if m.Exposure != nil {
			o = math.Log(m.Exposure[i])
		}
		r.y, r.weight, r.offset = append(r.y, y), append(r.weight, w), append(r.offset, o)
	}
	return r
}

// mean inverts the link; slope is its derivative.
func (r rows) mean(eta float64) (mu, slope float64) {
	if r.family.counts() {
		mu = math.Exp(eta)
		return mu, mu
	}
	mu = logistic(eta)
	return mu, mu * logistic(-eta)
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// link is the linear predictor of a mean.
func (r rows) link(mu float64) float64 {
	if r.family.counts() {
		return math.Log(mu)
	}
	return math.Log(mu) - math.Log1p(-mu)
}

func (r rows) variance(mu, slope float64) float64 {
	switch {
	case r.family == NegativeBinomial:
		return mu + mu*mu/r.theta
	case r.family.counts():
		return mu
	}
	return slope // mu(1-mu), without cancelling near 1
}

// rowDeviance is twice the log-likelihood lost by row i at eta.
func (r rows) rowDeviance(i int, eta float64) float64 {
	y, w := r.y[i], r.weight[i]
	mu, _ := r.mean(eta)
	switch {
	case r.family == NegativeBinomial:
		return 2 * w * (xlogy(y, y/mu) - (y+r.theta)*math.Log1p((y-mu)/(mu+r.theta)))
	case r.family.counts():
		return 2 * w * (xlogy(y, y/mu) - (y - mu))
	}
	return 2 * w * (xlogy(y, y/mu) + xlogy(1-y, (1-y)/logistic(-eta)))
}

// xlogy is x log(z), 0 where x is 0.
func xlogy(x, z float64) float64 {
	if x == 0 {
		return 0
	}
	return x * math.Log(z)
}

// solution is a fit of the rows on a design.
type solution struct {
	coord    []float64 // on the orthonormal columns
	eta      []float64 // with offset
	deviance float64
	cov      *mat.SymDense // of coord, before any dispersion
}

// maxRounds bounds the iterations; Newton's method needs under ten, a mean
// that sinks to zero about thirty.
const maxRounds = 200

// solve runs iteratively reweighted least squares (McCullagh and Nelder 1989,
// Generalized Linear Models, section 2.5), each round by Householder QR on
// the orthonormal columns of the design, halving steps that do not lower the
// deviance. It starts from the linear predictor given, or from the data.
func (r rows) solve(d *terms.Design, from []float64) (solution, error) {
	n, p := d.Rows, d.Rank()
	s := solution{eta: make([]float64, n)}
	for i, y := range r.y {
		start := y + 0.1
		if !r.family.counts() {
			start = (r.weight[i]*y + 0.5) / (r.weight[i] + 1)
		}
		s.eta[i] = r.link(start)
	}
	if from != nil {
		copy(s.eta, from)
	}
	s.deviance = r.totalDeviance(s.eta)
	a, z := mat.NewDense(n, p, nil), mat.NewVecDense(n, nil)
	var qr mat.QR
	settled := 0
	for round := 0; round < maxRounds; round++ {
		for i := range n {
			mu, slope := r.mean(s.eta[i])
			root := math.Sqrt(r.weight[i]*slope/r.variance(mu, slope)) * math.Sqrt(slope)
			if !(root > 0) {
				root, slope = 0, 1
			}
			for j := range p {
				a.Set(i, j, root*d.Q(j)[i])
			}
			z.SetVec(i, root*(s.eta[i]-r.offset[i]+(r.y[i]-mu)/slope))
		}
		qr.Factorize(a)
		var b mat.VecDense
		if err := qr.SolveVecTo(&b, false, z); err != nil && !usable(err) {
			return s, fmt.Errorf("the fit broke down: the terms cannot be told apart where the means are not 0")
		}
		next, ok := r.step(d, s, b.RawVector().Data)
		if !ok {
			break // no lower deviance can be represented
		}
		gain := s.deviance - next.deviance
		s = next
		if gain <= 1e-13*(s.deviance+0.1) {
			if settled++; settled == 2 {
				break
			}
		}
	}
	var err error
	s.cov, err = r.covariance(d, s.eta)
	return s, err
}

// usable tells whether a solver's complaint is about conditioning only: rows
// whose mean sinks to zero cause it, and are dealt with after.
func usable(err error) bool {
	cond, ok := err.(mat.Condition)
	return ok && !math.IsInf(float64(cond), 0)
}

func (r rows) totalDeviance(eta []float64) float64 {
	s := 0.0
	for i := range eta {
		s += r.rowDeviance(i, eta[i])
	}
	return s
}

// step goes to new coordinates, or part of the way if the deviance would rise.
func (r rows) step(d *terms.Design, s solution, to []float64) (solution, bool) {
	target := make([]float64, len(s.eta))
	copy(target, r.offset)
	for j, b := range to {
		for i, q := range d.Q(j) {
			target[i] += b * q
		}
	}
	for share := 1.0; share > 1e-4; share /= 2 {
		next := solution{coord: make([]float64, len(to)), eta: make([]float64, len(target))}
		for j, b := range to {
			if s.coord == nil || share == 1 {
				next.coord[j] = b
			} else {
				next.coord[j] = s.coord[j] + share*(b-s.coord[j])
			}
		}
		for i, e := range target {
			next.eta[i] = e
			if s.coord != nil && share < 1 {
				next.eta[i] = s.eta[i] + share*(e-s.eta[i])
			}
		}
		next.deviance = r.totalDeviance(next.eta)
		// The first round starts from the data and not from coordinates; its
		// deviance may rise.
		if s.coord == nil && next.deviance < math.Inf(1) {
			return next, true
		}
		if next.deviance <= s.deviance+1e-12*(s.deviance+0.1) {
			return next, true
		}
	}
	return s, false
}

// covariance inverts the weighted cross-products through their QR factor.
func (r rows) covariance(d *terms.Design, eta []float64) (*mat.SymDense, error) {
	n, p := d.Rows, d.Rank()
	a := mat.NewDense(n, p, nil)
	for i := range n {
		mu, slope := r.mean(eta[i])
		root := math.Sqrt(r.weight[i]*slope/r.variance(mu, slope)) * math.Sqrt(slope)
		if !(root > 0) {
			root = 0
		}
		for j := range p {
			a.Set(i, j, root*d.Q(j)[i])
		}
	}
	var qr mat.QR
	qr.Factorize(a)
	var full mat.Dense
	qr.RTo(&full)
	inv := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			inv.SetTri(i, j, full.At(i, j))
		}
	}
	var out mat.SymDense
	if err := inv.InverseTri(inv); err != nil && !usable(err) {
		return nil, fmt.Errorf("the fit broke down: the terms cannot be told apart where the means are not 0")
	}
	out.SymOuterK(1, inv)
	return &out, nil
}

// extreme marks rows whose fitted mean has run to 0 (or, for a share, to 1)
// with the response there too.
func (r rows) extreme(eta []float64) (marked []bool, any bool) {
	marked = make([]bool, len(eta))
	typical := 0.0
	for _, y := range r.y {
		typical += y / float64(len(r.y))
	}
	for i, e := range eta {
		mu, _ := r.mean(e)
		low := r.y[i] == 0 && mu < 1e-8*min(typical, 1)
		high := !r.family.counts() && r.y[i] == 1 && logistic(-e) < 1e-8
		marked[i] = low || high
		any = any || marked[i]
	}
	return marked, any
}
