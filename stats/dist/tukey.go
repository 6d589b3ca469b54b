package dist

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// MaxGroups is the largest number of means the studentized range is given for.
const MaxGroups = 1000

// StudentizedRangeSF returns P(Q > q) for the studentized range: the range of
// k independent standard normal values divided by an independent
// s = sqrt(chi-square(df)/df). It is the Tukey p value of the largest of all
// pairwise differences among k means, with q = sqrt(2) |t|. k runs from 2 to
// [MaxGroups]; df may be +Inf; q <= 0 gives 1.
//
// With x the largest of the k values and w = q s, the range exceeds w with
// probability k times the integral of phi(x) {Phi(x)^(k-1) -
// [Phi(x)-Phi(x-w)]^(k-1)}: nothing is subtracted from one, and the relative
// accuracy holds down to the smallest tails.
func StudentizedRangeSF(q float64, k int, df float64) (float64, error) {
	if err := checkRange(q, k, df); err != nil {
		return 0, err
	}
	return studentizedRangeSF(q, k, df), nil
}

func studentizedRangeSF(q float64, k int, df float64) float64 {
	switch {
	case q <= 0:
		return 1
	case math.IsInf(q, 1):
		return 0
	}
	// The tail behaves as exp(-q^2 s^2/4), which moves the peak in s down.
	peak := 1.0
	if !math.IsInf(df, 1) {
		peak = 1 / math.Hypot(1, q/math.Sqrt(2*df))
	}
	p := fine.overScale(df, peak, spreadOfExtremes(k), func(s float64) float64 { return rangeSF(q*s, k) })
	return math.Min(p, 1)
}

// StudentizedRangeCDF returns P(Q <= q), computed directly in the lower tail
// as well. See [StudentizedRangeSF] for the parameters; q <= 0 gives 0.
func StudentizedRangeCDF(q float64, k int, df float64) (float64, error) {
	if err := checkRange(q, k, df); err != nil {
		return 0, err
	}
	switch {
	case q <= 0:
		return 0, nil
	case math.IsInf(q, 1):
		return 1, nil
	}
	p := fine.overScale(df, 1, spreadOfExtremes(k), func(s float64) float64 { return rangeCDF(q*s, k) })
	return math.Min(p, 1), nil
}

// StudentizedRangeQuantile returns the q with P(Q <= q) = p, 0 < p < 1:
// p = 0.95 gives the 5 % critical value of Tukey's test. See
// [StudentizedRangeSF] for k and df.
func StudentizedRangeQuantile(p float64, k int, df float64) (float64, error) {
	if err := checkProb(p); err != nil {
		return 0, err
	}
	if err := checkRange(1, k, df); err != nil {
		return 0, err
	}
	if p < 0.5 {
		// Rising in q is falling in 1/q.
		x, err := upperPoint(func(x float64) float64 {
			c, _ := StudentizedRangeCDF(1/x, k, df)
			return c
		}, p, 1)
		if err != nil {
			return 0, err
		}
		return 1 / x, nil
	}
	// Bonferroni over the k(k-1)/2 differences is close enough to start from.
	start := 3.5
	if z := mathext.NormalQuantile((1 - p) / float64(k*(k-1))); z < 0 {
		start = -z * math.Sqrt2
	}
	return upperPoint(func(q float64) float64 { return studentizedRangeSF(q, k, df) }, 1-p, start)
}

// spreadOfExtremes is a low estimate of the standard deviation, on the log
// scale, of the range (or largest absolute value) of k standard normal values:
// the width of the step that rangeSF makes.
func spreadOfExtremes(k int) float64 { return 1 / (1.3 + 1.6*math.Log(float64(max(k, 2)))) }

// rangeStep is the trapezoid step in x of the two integrals over the largest
// value; the integrands have a spread of at least 0.35 (k = 1000).
const rangeStep = 0.25

// rangeSF returns P(range of k standard normal values > w).
func rangeSF(w float64, k int) float64 {
	n := float64(k - 1)
	p := float64(k) * sumOutward(largestNear(w, k), rangeStep, fine.negligible, func(x float64) float64 {
		phi := normalPDF(x)
		if phi == 0 {
			return 0
		}
		all, below := normalCDF(x), normalCDF(x-w)
		return phi * -math.Expm1(n*math.Log1p(-below/all)) * math.Pow(all, n)
	})
	return math.Min(p, 1)
}

// rangeCDF returns P(range of k standard normal values <= w).
func rangeCDF(w float64, k int) float64 {
	n := float64(k - 1)
	p := float64(k) * sumOutward(largestNear(w, k), rangeStep, fine.negligible, func(x float64) float64 {
		return normalPDF(x) * math.Pow(normalBetween(x-w, x), n)
	})
	return math.Min(p, 1)
}

// largestNear guesses where the largest of k values lies when the range is
// about w: half the range if that is wide, else its usual place.
func largestNear(w float64, k int) float64 {
	return math.Max(w/2, -mathext.NormalQuantile(1/float64(k)))
}

// normalBetween returns P(lo < Z < hi) from the tails on the side where the
// interval lies.
func normalBetween(lo, hi float64) float64 {
	if lo > 0 {
		return normalSF(lo) - normalSF(hi)
	}
	return normalCDF(hi) - normalCDF(lo)
}

func checkRange(q float64, k int, df float64) error {
	switch {
	case math.IsNaN(q):
		return errNaN("q")
	case k < 2:
		return fmt.Errorf("%d means have no range: at least 2 are needed", k)
	case k > MaxGroups:
		return fmt.Errorf("%d means are more than the %d the studentized range is given for", k, MaxGroups)
	}
	return checkDF("df", df)
}
