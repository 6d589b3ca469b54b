package glm

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/terms"
)

// betaFit is a beta regression on a design.
type betaFit struct {
	coord  []float64
	phi    float64
	eta    []float64
	logLik float64
	cov    *mat.SymDense // of (coord, phi), by expected or observed information
}

// solveBeta maximises the likelihood of mean and precision together by Fisher
// scoring with step halving (Ferrari and Cribari-Neto 2004, section 2; score
// and information in their notation mu, phi, y* = logit y).
func solveBeta(d *terms.Design, y []float64, observed bool) (betaFit, error) {
	p := d.Rank()
	f := betaFit{coord: make([]float64, p), phi: 1}
	// Start from least squares on the logits; the precision from the spread of
	// the shares about them (their section 2).
	residual := make([]float64, len(y))
	for i, v := range y {
		residual[i] = math.Log(v) - math.Log1p(-v)
	}
	for j := range p {
		for i, q := range d.Q(j) {
			f.coord[j] += q * residual[i]
		}
		for i, q := range d.Q(j) {
			residual[i] -= f.coord[j] * q
		}
	}
	f.eta = predictor(d, f.coord)
	rss := 0.0
	for _, e := range residual {
		rss += e * e
	}
	if rss <= 1e-20*float64(len(y)) {
		return f, fmt.Errorf("the terms reproduce every share exactly: no variation is left to test against")
	}
	phi := 0.0
	for i := range y {
		mu := logistic(f.eta[i])
		phi += math.Max(float64(len(y)-p), 1)/(rss*mu*(1-mu))/float64(len(y)) - 1/float64(len(y))
	}
	f.phi = math.Max(phi, 0.1)
	f.logLik = betaLogLik(y, f.eta, f.phi)
	for range 500 {
		score, info := betaInformation(d, y, f, false)
		step, err := solveSym(info, score)
		if err != nil {
			return f, err
		}
		next, ok := f.advance(d, y, step)
		if !ok {
			break
		}
		size := 0.0
		for j, s := range step[:p] {
			size = math.Max(size, math.Abs(s)/(math.Abs(f.coord[j])+1e-8))
		}
		size = math.Max(size, math.Abs(step[p])/f.phi)
		f = next
		if size < 1e-13 {
			break
		}
	}
	_, info := betaInformation(d, y, f, observed)
	var chol mat.Cholesky
	if !chol.Factorize(info) {
		return f, fmt.Errorf("the information on the beta fit is singular: too few rows for its terms")
	}
	f.cov = mat.NewSymDense(p+1, nil)
	if err := chol.InverseTo(f.cov); err != nil {
		return f, fmt.Errorf("the information on the beta fit is singular: too few rows for its terms")
	}
	return f, nil
}

// advance takes the step or the largest half of it that does not lower the
// likelihood.
func (f betaFit) advance(d *terms.Design, y, step []float64) (betaFit, bool) {
	p := len(f.coord)
	for share := 1.0; share > 1e-8; share /= 2 {
		next := betaFit{coord: make([]float64, p), phi: f.phi + share*step[p]}
		if next.phi <= 0 {
			continue
		}
		for j := range p {
			next.coord[j] = f.coord[j] + share*step[j]
		}
		next.eta = predictor(d, next.coord)
		next.logLik = betaLogLik(y, next.eta, next.phi)
		if next.logLik >= f.logLik-1e-11*(1+math.Abs(f.logLik)) {
			return next, true
		}
	}
	return f, false
}

func predictor(d *terms.Design, coord []float64) []float64 {
	eta := make([]float64, d.Rows)
	for j, b := range coord {
		for i, q := range d.Q(j) {
			eta[i] += b * q
		}
	}
	return eta
}

func betaLogLik(y, eta []float64, phi float64) float64 {
	lg := func(x float64) float64 { v, _ := math.Lgamma(x); return v }
	s := 0.0
	for i, v := range y {
		mu, nu := logistic(eta[i]), logistic(-eta[i])
		s += lg(phi) - lg(mu*phi) - lg(nu*phi) + (mu*phi-1)*math.Log(v) + (nu*phi-1)*math.Log1p(-v)
	}
	return s
}

// betaInformation gives the score of (coord, phi) and the expected or
// observed information.
func betaInformation(d *terms.Design, y []float64, f betaFit, observed bool) ([]float64, *mat.SymDense) {
	p := len(f.coord)
	score := make([]float64, p+1)
	info := mat.NewSymDense(p+1, nil)
	weight := make([]float64, len(y)) // of the coordinates
	cross := make([]float64, len(y))  // of a coordinate and phi
	precision := 0.0
	for i, v := range y {
		mu, nu := logistic(f.eta[i]), logistic(-f.eta[i])
		slope := mu * nu
		logit := math.Log(v) - math.Log1p(-v)
		a, b := mu*f.phi, nu*f.phi
		gap := logit - (digamma(a) - digamma(b))
		ta, tb := trigamma(a), trigamma(b)
		weight[i] = f.phi * f.phi * (ta + tb) * slope * slope
		cross[i] = f.phi * (ta*mu - tb*nu) * slope
		if observed {
			weight[i] -= f.phi * gap * slope * (nu - mu)
			cross[i] -= gap * slope
		}
		precision += ta*mu*mu + tb*nu*nu - trigamma(f.phi)
		for j := range p {
			score[j] += f.phi * gap * slope * d.Q(j)[i]
		}
		score[p] += mu*gap + math.Log1p(-v) - digamma(b) + digamma(f.phi)
	}
	for j := range p {
		for k := range j + 1 {
			s := 0.0
			for i := range y {
				s += weight[i] * d.Q(j)[i] * d.Q(k)[i]
			}
			info.SetSym(j, k, s)
		}
		s := 0.0
		for i := range y {
			s += cross[i] * d.Q(j)[i]
		}
		info.SetSym(j, p, s)
	}
	info.SetSym(p, p, precision)
	return score, info
}

func solveSym(m *mat.SymDense, v []float64) ([]float64, error) {
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(m) || chol.SolveVecTo(&x, mat.NewVecDense(len(v), v)) != nil {
		return nil, fmt.Errorf("the information on the beta fit is singular: too few rows for its terms")
	}
	return x.RawVector().Data, nil
}
