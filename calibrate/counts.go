package calibrate

import (
	"errors"
	"math"
	"slices"
)

// CountLine is the model for counts: the expected hand count is a straight line
// in the image count, with variance proportional to the expectation
// (quasi-Poisson, identity link).
//
// Why this one. What the camera misses or splits adds up plant by plant, so the
// hand count of two quadrats together follows the same line: an identity link
// keeps plot means and totals on the line, while a log link would bend it and
// make the calibrated mean differ from the mean of calibrated quadrats. Zeros
// need no added constant. Weights 1/expectation let clean quadrats speak. The
// dispersion (Pearson chi-square over n-2) takes up clumping.
//
// The likelihood equations imply that the line runs through the two means, so
// one slope is left to find; the log-likelihood is concave in it. The slope is
// kept where every expected count in the data is at least 0 (Marschner 2010, J.
// Comput. Graph. Stat. 19: 666-683, on the identity link); at that bound with an
// image count of 0 in the data the line is the ratio estimator.
type CountLine struct {
	N          int     `json:"n"`
	Intercept  float64 `json:"intercept"`
	Slope      float64 `json:"slope"`
	Dispersion float64 `json:"dispersion"` // Pearson chi-square / (n-2); 1 for Poisson scatter
	// AtBound says that the slope was held so that no expected count is negative.
	AtBound bool `json:"at_bound,omitempty"`
}

// countLine finds intercept and slope of hand y on image x.
func countLine(x, y []float64) (a, b float64, bound bool, err error) {
	if constant(x) {
		return a, b, bound, errConstantX
	}
	mx, my := mean(x), mean(y)
	if my == 0 {
		return a, b, bound, errors.New("every hand count is 0: nothing to calibrate against")
	}
	if slices.Min(x) < 0 || slices.Min(y) < 0 {
		return a, b, bound, errors.New("a count is negative")
	}
	// Expected counts are >= 0 over the data for slopes from low to high.
	low, high := -my/(slices.Max(x)-mx), my/(mx-slices.Min(x))
	// The slope of the log-likelihood falls throughout; -Inf and +Inf at the
	// bounds if a positive count sits where its expectation vanishes.
	score := func(b float64) float64 {
		var s float64
		for i := range x {
			u := x[i] - mx
			mu := my + b*u
			if y[i] == 0 {
				s -= u
				continue
			}
			s += u * (y[i]/mu - 1)
		}
		return s
	}
	inside := func(b float64) float64 { return low + (high-low)*b }
	const edge = 1e-12
	switch {
	case score(inside(1-edge)) >= 0:
		return my - high*mx, high, true, nil
	case score(inside(edge)) <= 0:
		return my - low*mx, low, true, nil
	}
	lo, hi := inside(edge), inside(1-edge)
	for range 200 {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			break
		}
		if score(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	b = lo + (hi-lo)/2
	return my - b*mx, b, false, nil
}

// FitCounts fits the count model of hand y on image x. It refuses fewer than 3
// pairs, negative counts, a constant x and hand counts that are all 0.
func FitCounts(x, y []float64) (*CountLine, error) {
	if err := checkXY(x, y); err != nil {
		return nil, err
	}
	a, b, bound, err := countLine(x, y)
	if err != nil {
		return nil, err
	}
	c := &CountLine{N: len(x), Intercept: a, Slope: b, AtBound: bound}
	c.Dispersion = dispersion(x, y, a, b)
	return c, nil
}

// dispersion is Pearson's chi-square over n-2. A zero count with expectation 0
// adds nothing.
func dispersion(x, y []float64, a, b float64) float64 {
	// Expectations closer to 0 than this are the bound itself.
	least := 1e-9 * mean(y)
	var chi float64
	for i := range x {
		if mu := a + b*x[i]; mu > least {
			chi += (y[i] - mu) * (y[i] - mu) / mu
		}
	}
	return chi / math.Max(1, float64(len(x)-2))
}
