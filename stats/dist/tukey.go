package dist

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// MaxGroups is the largest number of means the studentized range is given for.
const MaxGroups = 1000

// StudentizedRange is the distribution of the range of k independent standard
// normal values divided by an independent s = sqrt(chi-square(df)/df), made
// for asking many questions of one k and df. Its methods may be used from
// several goroutines.
type StudentizedRange struct {
	k    int
	df   float64
	tail *tailTable
}

// NewStudentizedRange returns the distribution for k means, 2 to [MaxGroups],
// and the df of the error variance, +Inf if it is known.
func NewStudentizedRange(k int, df float64) (*StudentizedRange, error) {
	switch {
	case k < 2:
		return nil, fmt.Errorf("%d means have no range: at least 2 are needed", k)
	case k > MaxGroups:
		return nil, fmt.Errorf("%d means are more than the %d the studentized range is given for", k, MaxGroups)
	}
	if err := checkDF("df", df); err != nil {
		return nil, err
	}
	return &StudentizedRange{k, df, newTailTable(func(w float64) float64 { return rangeSF(w, k) }, closePieces)}, nil
}

// SF returns P(Q > q). It is the Tukey p value of a pairwise difference among
// the k means, with q = sqrt(2) |t|. q <= 0 gives 1.
//
// With x the largest of the k values and w = q s, the range exceeds w with
// probability k times the integral of phi(x) {Phi(x)^(k-1) -
// [Phi(x)-Phi(x-w)]^(k-1)}: nothing is subtracted from one, and the relative
// accuracy holds down to the smallest tails.
func (r *StudentizedRange) SF(q float64) (float64, error) {
	if math.IsNaN(q) {
		return 0, errNaN("q")
	}
	return r.sf(q), nil
}

func (r *StudentizedRange) sf(q float64) float64 {
	switch {
	case q <= 0:
		return 1
	case math.IsInf(q, 1):
		return 0
	}
	// The tail behaves as exp(-q^2 s^2/4), which moves the peak in s down.
	peak := 1.0
	if !math.IsInf(r.df, 1) {
		peak = 1 / math.Hypot(1, q/math.Sqrt(2*r.df))
	}
	return math.Min(1, fine.overScale(r.df, peak, spreadOfExtremes(r.k), func(s float64) float64 { return r.tail.at(q * s) }))
}

// CDF returns P(Q <= q), computed directly in the lower tail as well; q <= 0
// gives 0.
func (r *StudentizedRange) CDF(q float64) (float64, error) {
	switch {
	case math.IsNaN(q):
		return 0, errNaN("q")
	case q <= 0:
		return 0, nil
	case math.IsInf(q, 1):
		return 1, nil
	}
	return math.Min(1, fine.overScale(r.df, 1, spreadOfExtremes(r.k), func(s float64) float64 { return rangeCDF(q*s, r.k) })), nil
}

// Quantile returns the q with P(Q <= q) = p, 0 < p < 1: p = 0.95 gives the 5 %
// critical value of Tukey's test.
func (r *StudentizedRange) Quantile(p float64) (float64, error) {
	if err := checkProb(p); err != nil {
		return 0, err
	}
	if p < 0.5 {
		// Rising in q is falling in 1/q.
		x, err := upperPoint(func(x float64) float64 {
			c, _ := r.CDF(1 / x)
			return c
		}, p, 1)
		if err != nil {
			return 0, err
		}
		return 1 / x, nil
	}
	// Bonferroni over the k(k-1)/2 differences is close enough to start from.
	start, err := TQuantile(1-(1-p)/float64(r.k*(r.k-1)), r.df)
	if err != nil {
		return 0, err
	}
	return upperPoint(r.sf, 1-p, math.Sqrt2*start)
}

// StudentizedRangeQuantile returns the q with P(Q <= q) = p; see
// [StudentizedRange.Quantile].
func StudentizedRangeQuantile(p float64, k int, df float64) (float64, error) {
	r, err := NewStudentizedRange(k, df)
	if err != nil {
		return 0, err
	}
	return r.Quantile(p)
}

// spreadOfExtremes is a low estimate of the standard deviation, on the log
// scale, of the range (or largest absolute value) of k standard normal values:
// the width of the step that rangeSF makes.
func spreadOfExtremes(k int) float64 { return 1 / (1.3 + 1.6*math.Log(float64(max(k, 2)))) }

// rangeStep is the trapezoid step in x of the two integrals over the largest
// value, whose spread shrinks slowly with their number.
func rangeStep(k int) float64 { return math.Min(0.25, 1.2*spreadOfExtremes(k)) }

// rangeSF returns P(range of k standard normal values > w).
func rangeSF(w float64, k int) float64 {
	n := float64(k - 1)
	p := float64(k) * sumOutward(largestNear(w, k), rangeStep(k), fine.negligible, func(x float64) float64 {
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
	p := float64(k) * sumOutward(largestNear(w, k), rangeStep(k), fine.negligible, func(x float64) float64 {
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
