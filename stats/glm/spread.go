package glm

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Spread says how standard errors of the quasi families take the variance of a
// row to follow its mean.
type Spread string

const (
	// SpreadOfFamily is the family's own relation with one dispersion for all:
	// the variance is proportional to mu for counts, to mu(1-mu) for shares.
	// Where treatments differ widely and weeds stand in patches, its intervals
	// for the weediest treatments are too narrow and for the cleanest too wide.
	SpreadOfFamily Spread = ""
	// SpreadOfPatches lets the relative spread fall less with the mean, as where
	// weeds stand in patches. For counts the variance is mu + mu^2/k, with k
	// from the Pearson statistic (the method of moments: Breslow 1984, Appl.
	// Stat. 33, 38-44); counts that vary less than chance alone keep the
	// family's. Averaged or rescaled counts, of which the part of chance is not
	// known, take s (0.15 u + 0.85 u^2/ubar) with u = mu. For shares it is s (u/2 + u^2/(2 ubar)) with u = mu(1-mu) and
	// ubar its mean over the rows, half way between that of points looked at and
	// that of plots with a spread of their own on the logit scale; s is from the
	// Pearson statistic, the weights a choice of ours fixed beforehand. Estimates
	// stay those of the family; their covariance is the sandwich of this
	// variance. How often the intervals hold: see the report of the tests.
	SpreadOfPatches Spread = "patches"
)

// SpreadFit is the relation found under [SpreadOfPatches]: the variance of a
// row is Scale [(1-Weight) u + Weight u^2/ubar], u being mu or mu(1-mu) and ubar
// the mean of u over the rows. For counts Scale (1-Weight) is 1 unless Weight is
// 0.
type SpreadFit struct {
	Scale  float64 `json:"scale"`
	Weight float64 `json:"weight"`
}

const (
	// halfway is the Weight for shares.
	halfway = 0.5
	// mostlyPatches is the Weight for counts that are no whole numbers.
	mostlyPatches = 0.85
)

// patchyCovariance replaces the covariance of the estimates. It reports false,
// and leaves everything, where no residual is left to judge the spread by.
func (f *Fit) patchyCovariance(pt part) bool {
	n, p := pt.design.Rows, pt.design.Rank()
	// pull is the weight of a row's residual in the estimating equations.
	u, square, pull := make([]float64, n), make([]float64, n), make([]float64, n)
	ubar, used := 0.0, 0.0
	for i, e := range pt.eta {
		mu, slope := pt.r.mean(e)
		v := pt.r.variance(mu, slope)
		if !(v > 0) {
			continue
		}
		pull[i] = pt.r.weight[i] * slope / v
		h := 0.0
		for a := range p {
			for b := range p {
				h += pt.design.Q(a)[i] * pt.design.Q(b)[i] * pt.cov.At(a, b)
			}
		}
		h *= pull[i] * slope
		if h > 1-1e-8 {
			continue // fitted exactly, says nothing about spread
		}
		u[i] = v / pt.r.weight[i]
		square[i] = (pt.r.y[i] - mu) * (pt.r.y[i] - mu) / (1 - h)
		ubar += u[i]
		used++
	}
	if used <= float64(p) {
		return false
	}
	ubar /= used
	variance := func(i int, s SpreadFit) float64 { return s.Scale * ((1-s.Weight)*u[i] + s.Weight*u[i]*u[i]/ubar) }
	pearson := func(s SpreadFit) float64 { // mean square; 1 where s is right
		x := 0.0
		for i := range n {
			if u[i] > 0 {
				x += square[i] / variance(i, s)
			}
		}
		return x / used
	}
	s := SpreadFit{Scale: 1, Weight: halfway}
	switch {
	case f.Family.counts() && !slices.ContainsFunc(f.model.Response, func(y float64) bool { return y != math.Trunc(y) }):
		s = solvePoissonPart(pearson)
	case f.Family.counts():
		s.Weight = mostlyPatches
		fallthrough
	default:
		s.Scale = pearson(s)
	}
	if !(s.Scale > 0) {
		return false
	}
	middle := mat.NewSymDense(p, nil)
	for i := range n {
		v := variance(i, s) * pull[i] * pull[i]
		for a := range p {
			for b := range a + 1 {
				middle.SetSym(a, b, middle.At(a, b)+v*pt.design.Q(a)[i]*pt.design.Q(b)[i])
			}
		}
	}
	var left, both mat.Dense
	left.Mul(pt.cov, middle)
	both.Mul(&left, pt.cov)
	for a := range p {
		for b := range a + 1 {
			f.cov.SetSym(a, b, (both.At(a, b)+both.At(b, a))/2)
		}
	}
	f.Spread = &s
	return true
}

// solvePoissonPart finds the spread whose part proportional to the mean is that
// of chance alone: u + u^2/k is Scale = 1 + ubar/k with Weight = 1 - 1/Scale.
func solvePoissonPart(pearson func(SpreadFit) float64) SpreadFit {
	at := func(scale float64) SpreadFit { return SpreadFit{Scale: scale, Weight: 1 - 1/scale} }
	if chance := pearson(at(1)); chance <= 1 {
		return SpreadFit{Scale: chance}
	}
	lo, hi := 1.0, 2.0
	for pearson(at(hi)) > 1 && hi < 1e12 {
		lo, hi = hi, 2*hi
	}
	for range 60 {
		if mid := (lo + hi) / 2; pearson(at(mid)) > 1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return at((lo + hi) / 2)
}
