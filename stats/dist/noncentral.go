package dist

import (
	"fmt"
	"math"
)

// MaxNoncentrality bounds the non-centrality parameters accepted here; far
// below it every power is one.
const MaxNoncentrality = 1e6

// MaxNoncentralityT bounds the size of the non-centrality of t.
const MaxNoncentralityT = 1000

// NoncentralFSF returns P(F > f) for the non-central F with d1 and d2 degrees
// of freedom and non-centrality ncp >= 0 (the sum of squared standardised
// effects): the power of an F test whose critical value is f.
//
// F is a Poisson(ncp/2) mixture of central beta tails (Johnson, Kotz and
// Balakrishnan 1995, Continuous Univariate Distributions 2, ch. 30), summed
// outwards from the largest Poisson weight.
func NoncentralFSF(f, d1, d2, ncp float64) (float64, error) {
	if err := checkNoncentralF(f, d1, d2, ncp); err != nil {
		return 0, err
	}
	// The terms grow with j, so the peak lies at or above the Poisson mode.
	return poissonMixture(ncp/2, func(j float64) float64 { return fSF(f*d1/(d1+2*j), d1+2*j, d2) }), nil
}

// poissonMixture returns the mean of g(J) over J ~ Poisson(mean).
func poissonMixture(mean float64, g func(j float64) float64) float64 {
	if mean == 0 {
		return g(0)
	}
	p := sumOutward(math.Floor(mean), 1, fine.negligible, func(j float64) float64 {
		if j < 0 {
			return 0
		}
		w := poissonPMF(j, mean)
		if w == 0 {
			return 0
		}
		return w * g(j)
	})
	return math.Min(p, 1)
}

// poissonPMF returns the Poisson probability of j, through the deviance so
// that large means lose no digits (Loader 2000, Fast and accurate computation
// of binomial probabilities).
func poissonPMF(j, mean float64) float64 {
	if j == 0 {
		return math.Exp(-mean)
	}
	d := (j - mean) / mean
	dev := mean * (1 + d) * math.Log1p(d) // j log(j/mean)
	return math.Exp(-stirlingRemainder(j)-(dev-(j-mean))) / math.Sqrt(2*math.Pi*j)
}

// NoncentralTSF returns P(T > t) for the non-central t, (Z + ncp)/s, with df
// degrees of freedom (+Inf allowed). |ncp| is at most
// [MaxNoncentralityT].
//
// It is the mean of Phi(ncp - t s) over the scale s.
func NoncentralTSF(t, df, ncp float64) (float64, error) {
	if err := checkNoncentralT(t, df, ncp); err != nil {
		return 0, err
	}
	switch {
	case math.IsInf(t, 1):
		return 0, nil
	case math.IsInf(t, -1):
		return 1, nil
	}
	// On log s the normal integral makes its step over a width of about
	// 1/(|t| s), with |t| s near |ncp| where it does.
	width := 1 / (1 + math.Abs(ncp))
	return math.Min(1, fine.overScale(df, noncentralTPeak(t, df, ncp), width, func(s float64) float64 {
		return normalSF(t*s - ncp)
	})), nil
}

// NoncentralTCDF returns P(T <= t), computed directly; see [NoncentralTSF].
func NoncentralTCDF(t, df, ncp float64) (float64, error) {
	return NoncentralTSF(-t, df, -ncp)
}

// noncentralTPeak returns the s at which the density of s times the normal
// tail beyond t s - ncp is largest, when that is a tail; s = 1 otherwise.
func noncentralTPeak(t, df, ncp float64) float64 {
	if math.IsInf(df, 1) || t <= math.Max(ncp, 0) {
		return 1
	}
	// The positive root of (df + t^2) s^2 - t ncp s - df = 0, divided by t^2.
	r, c := df/t/t, ncp/t
	s := (c + math.Sqrt(c*c+4*r*(r+1))) / (2 * (r + 1))
	if !(s > 0) || math.IsInf(s, 1) || t*s <= ncp { // t next to zero: s hardly matters
		return 1
	}
	return s
}

func checkNoncentralF(f, d1, d2, ncp float64) error {
	if err := checkF(f, d1, d2); err != nil {
		return err
	}
	if !(ncp >= 0 && ncp <= MaxNoncentrality) {
		return fmt.Errorf("non-centrality %v is outside 0 to %v", ncp, float64(MaxNoncentrality))
	}
	return nil
}

func checkNoncentralT(t, df, ncp float64) error {
	if math.IsNaN(t) {
		return errNaN("t")
	}
	if !(math.Abs(ncp) <= MaxNoncentralityT) {
		return fmt.Errorf("non-centrality %v is outside -%d to %d", ncp, MaxNoncentralityT, MaxNoncentralityT)
	}
	return checkDF("df", df)
}
