package glm

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"quadtally/stats/terms"
)

// thetaCeiling is where the negative binomial cannot be told from Poisson.
const thetaCeiling = 1e8

// solveNegBin fits mean and theta together: theta is where the slope of the
// likelihood, the means fitted anew for each theta, crosses zero, bracketed on
// the log scale and closed in on by the Illinois rule. infinite reports that
// the likelihood rises all the way to theta = infinity, which is the Poisson
// model; the solution is then that.
func (r rows) solveNegBin(d *terms.Design) (s solution, theta float64, infinite bool, err error) {
	poisson := r
	poisson.family = Poisson
	if s, err = poisson.solve(d, nil); err != nil {
		return s, 0, false, err
	}
	alone := s
	// Slope of the log-likelihood by 1/theta at the Poisson fit, and the
	// moment estimate it gives.
	slope, spread := 0.0, 0.0
	for i, m := range r.means(s.eta) {
		slope += (r.y[i]-m)*(r.y[i]-m) - r.y[i]
		spread += m * m
	}
	if slope <= 0 || spread == 0 {
		return alone, 0, true, nil
	}
	// score is the slope by log(theta), positive below the maximum.
	score := func(logTheta float64) float64 {
		if err != nil {
			return 0
		}
		r.theta = math.Exp(logTheta)
		if s, err = r.solve(d, s.eta); err != nil {
			return 0
		}
		u, _ := r.thetaScore(r.means(s.eta), r.theta)
		return u * r.theta
	}
	lo := math.Log(spread / slope)
	fLo := score(lo)
	hi, fHi := lo, fLo
	for fHi > 0 {
		lo, fLo = hi, fHi
		hi += 1.5
		if hi > math.Log(thetaCeiling) {
			return alone, 0, true, err
		}
		fHi = score(hi)
	}
	for fLo < 0 {
		hi, fHi = lo, fLo
		lo -= 1.5
		fLo = score(lo)
	}
	side := 0 // the end that moved last; an end that stays twice is halved
	for range 200 {
		if err != nil || fLo == 0 || fHi == 0 || hi-lo < 1e-12*(1+math.Abs(lo)) {
			break
		}
		x := (lo*fHi - hi*fLo) / (fHi - fLo)
		if !(x > lo && x < hi) {
			x = (lo + hi) / 2
		}
		switch f := score(x); {
		case f == 0:
			lo, hi, fLo, fHi = x, x, 0, 0
		case f > 0:
			lo, fLo = x, f
			if side == 1 {
				fHi /= 2
			}
			side = 1
		default:
			hi, fHi = x, f
			if side == -1 {
				fLo /= 2
			}
			side = -1
		}
	}
	return s, r.theta, false, err
}

func (r rows) means(eta []float64) []float64 {
	mu := make([]float64, len(eta))
	for i, e := range eta {
		mu[i], _ = r.mean(e)
	}
	return mu
}

// thetaScore gives the first derivative of the log-likelihood by theta and
// the negative second one (Lawless 1987, Can. J. Stat. 15, 209-225). The
// digamma differences are sums over the counts, free of cancellation, where
// the counts are small enough for it to matter.
func (r rows) thetaScore(mu []float64, theta float64) (score, info float64) {
	for i, y := range r.y {
		if y <= 1000 {
			for k := 0.0; k < y; k++ {
				score += 1 / (theta + k)
				info += 1 / ((theta + k) * (theta + k))
			}
		} else {
			score += digamma(theta+y) - digamma(theta)
			info += trigamma(theta) - trigamma(theta+y)
		}
		m := mu[i] + theta
		score += -math.Log1p(mu[i]/theta) + (mu[i]-y)/m
		info += -1/theta + 2/m - (y+theta)/(m*m)
	}
	return score, info
}

// logLikelihood of the full distribution; quasi families have none and give
// that of the distribution they start from, shares without points none (ok
// false).
func (r rows) logLikelihood(eta []float64) (ll float64, ok bool) {
	lg := func(x float64) float64 { v, _ := math.Lgamma(x); return v }
	for i, y := range r.y {
		mu, _ := r.mean(eta[i])
		switch {
		case r.family == NegativeBinomial:
			ll += lg(y+r.theta) - lg(r.theta) - lg(y+1) - r.theta*math.Log1p(mu/r.theta) + xlogy(y, mu/(mu+r.theta))
		case r.family.counts():
			ll += xlogy(y, mu) - mu - lg(y+1)
		default:
			w := r.weight[i]
			hits := w * y
			if w == 1 && y != 0 && y != 1 {
				return 0, false
			}
			ll += lg(w+1) - lg(hits+1) - lg(w-hits+1) + xlogy(hits, mu) + xlogy(w-hits, logistic(-eta[i]))
		}
	}
	return ll, true
}

// trigamma is the derivative of digamma, by recurrence to where its
// asymptotic series holds (Abramowitz and Stegun 1964, 6.4.12).
func trigamma(x float64) float64 {
	s := 0.0
	for x < 20 {
		s += 1 / (x * x)
		x++
	}
	u := 1 / (x * x)
	return s + 1/x + u/2 + u/x*(1.0/6-u*(1.0/30-u*(1.0/42-u*(1.0/30-u*5.0/66))))
}

func digamma(x float64) float64 { return mathext.Digamma(x) }
