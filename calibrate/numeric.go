package calibrate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is a two-sided interval and how it was made.
type Interval struct {
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Level  float64 `json:"level"`
	Method string  `json:"method"`
}

// Estimate is a number with its uncertainty. SE and CI come from the published
// formula for independent pairs; ClusterCI respects quadrats within plots.
// Either is nil when it does not exist.
type Estimate struct {
	Value     float64   `json:"value"`
	SE        *float64  `json:"se,omitempty"`
	CI        *Interval `json:"ci,omitempty"`
	ClusterCI *Interval `json:"cluster_ci,omitempty"`
}

// Best returns the interval to quote: the one that respects plots, or the
// formula interval where the first does not exist, or nil.
func (e Estimate) Best() *Interval {
	if e.ClusterCI != nil {
		return e.ClusterCI
	}
	return e.CI
}

// Test is a test statistic with its degrees of freedom and p-value. DF2 is 0
// for a t statistic with DF1 degrees of freedom (two-sided p).
type Test struct {
	Statistic float64 `json:"statistic"`
	DF1       float64 `json:"df1"`
	DF2       float64 `json:"df2,omitempty"`
	P         float64 `json:"p"`
}

// tTest is a two-sided t test, fTest an upper F test; nil when the statistic is
// not finite.
func tTest(t, df float64) *Test {
	if !isFinite(t) {
		return nil
	}
	return &Test{Statistic: t, DF1: df, P: tTwoSided(t, df)}
}

func fTest(f, df1, df2 float64) *Test {
	if !isFinite(f) {
		return nil
	}
	return &Test{f, df1, df2, fUpper(f, df1, df2)}
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func positive(v float64) bool { return v > 0 && isFinite(v) }

// ptr returns v as a pointer, or nil when v is not a finite number.
func ptr(v float64) *float64 {
	if !isFinite(v) {
		return nil
	}
	return &v
}

// interval returns low to high (ordered), or nil when either is not finite.
func interval(low, high, level float64, method string) *Interval {
	if !isFinite(low) || !isFinite(high) {
		return nil
	}
	return &Interval{min(low, high), max(low, high), level, method}
}

// around returns value +- half.
func around(value, half, level float64, method string) *Interval {
	return interval(value-half, value+half, level, method)
}

// tTwoSided is P(|T| > |t|), computed as a tail and not as 1-CDF.
func tTwoSided(t, df float64) float64 {
	return mathext.RegIncBeta(df/2, 0.5, df/(df+t*t))
}

// tUpper is P(T > t).
func tUpper(t, df float64) float64 {
	if t < 0 {
		return 1 - tUpper(-t, df)
	}
	return tTwoSided(t, df) / 2
}

// fUpper is P(F > f).
func fUpper(f, df1, df2 float64) float64 {
	return mathext.RegIncBeta(df2/2, df1/2, df2/(df2+df1*f))
}

// tQuantile is the point with P(T <= point) = p.
func tQuantile(p, df float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
}

// fQuantile is the point with P(F <= point) = p.
func fQuantile(p, df1, df2 float64) float64 {
	return distuv.F{D1: df1, D2: df2}.Quantile(p)
}

func normalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// tHalf is the two-sided t multiplier for a level such as 0.95.
func tHalf(level, df float64) float64 { return tQuantile(0.5+level/2, df) }

// zHalf is the two-sided normal multiplier.
func zHalf(level float64) float64 { return normalQuantile(0.5 + level/2) }

func mean(v []float64) float64 {
	var s float64
	for _, x := range v {
		s += x
	}
	m := s / float64(len(v))
	// A second pass takes out the rounding of the first, which matters for small
	// scatter on a large offset.
	s = 0
	for _, x := range v {
		s += x - m
	}
	return m + s/float64(len(v))
}

// centred returns the means of x and y and their centred sums of squares and
// products, in two passes.
func centred(x, y []float64) (mx, my, sxx, syy, sxy float64) {
	mx, my = mean(x), mean(y)
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		sxx += dx * dx
		syy += dy * dy
		sxy += dx * dy
	}
	return mx, my, sxx, syy, sxy
}

// variance is the sample variance, divisor n-1; 0 for a single value.
func variance(v []float64) float64 {
	if len(v) < 2 {
		return 0
	}
	_, _, s, _, _ := centred(v, v)
	return s / float64(len(v)-1)
}

// constant reports whether the values differ by no more than rounding. A column
// such as 0.1+0.2 beside 0.3 is constant to a person and must be to us. So is one
// whose squares would vanish.
func constant(v []float64) bool {
	lo, hi := slices.Min(v), slices.Max(v)
	return hi-lo <= max(1e-150, 1e-12*math.Abs(hi))
}

func medianSorted(v []float64) float64 {
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return v[n/2-1] + (v[n/2]-v[n/2-1])/2
}

func median(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	return medianSorted(v)
}

// quantileSorted interpolates linearly between order statistics (Hyndman & Fan
// 1996, Am. Stat. 50: 361-365, type 7).
func quantileSorted(v []float64, p float64) float64 {
	h := p * float64(len(v)-1)
	i := int(h)
	if i >= len(v)-1 {
		return v[len(v)-1]
	}
	return v[i] + (h-float64(i))*(v[i+1]-v[i])
}
