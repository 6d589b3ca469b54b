package calibrate

import (
	"errors"
	"math"
	"slices"
)

// Robust is a line through the middle of all slopes between two pairs, which a
// few gross errors cannot tilt.
type Robust struct {
	N         int      `json:"n"`
	Slopes    int      `json:"n_slopes"` // slopes the median is taken of
	Intercept Estimate `json:"intercept"`
	Slope     Estimate `json:"slope"`
	// InterceptResidual is the median of y - slope x, nil for Passing-Bablok,
	// whose Intercept is that very number.
	InterceptResidual *float64 `json:"intercept_median_residual,omitempty"`
	// Offset is Passing & Bablok's K, the number of slopes below -1.
	Offset int `json:"offset,omitempty"`
}

// theilSenSlopes are the sorted slopes between pairs of different x.
func theilSenSlopes(x, y []float64) []float64 {
	s := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if x[i] != x[j] {
				s = append(s, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
	}
	slices.Sort(s)
	return s
}

func theilSenLine(x, y []float64) (a, b float64, err error) {
	s := theilSenSlopes(x, y)
	if len(s) == 0 {
		return 0, 0, errConstantX
	}
	b = medianSorted(s)
	return median(y) - b*median(x), b, nil
}

// FitTheilSen fits y on x by the median slope; the intercept puts the line
// through the two medians. The interval of the slope is Sen's (1968), from the
// normal approximation to Kendall's statistic corrected for ties.
func FitTheilSen(x, y []float64, level float64) (*Robust, error) {
	if err := checkXY(x, y); err != nil {
		return nil, err
	}
	s := theilSenSlopes(x, y)
	if len(s) == 0 {
		return nil, errConstantX
	}
	n, nt := float64(len(x)), float64(len(s))
	b := medianSorted(s)
	r := &Robust{N: len(x), Slopes: len(s)}
	r.InterceptResidual = ptr(medianResidual(x, y, b))
	r.Intercept = Estimate{Value: median(y) - b*median(x)}
	r.Slope = Estimate{Value: b}
	if v := (n*(n-1)*(2*n+5) - tieTerm(x) - tieTerm(y)) / 18; v > 0 {
		c := zHalf(level) * math.Sqrt(v)
		// Indices rounded half to even and kept inside the list.
		hi := int(min(math.RoundToEven((nt+c)/2), nt-1))
		lo := int(max(math.RoundToEven((nt-c)/2)-1, 0))
		r.Slope.CI = interval(s[lo], s[hi], level, "Sen 1968, independent pairs")
	}
	return r, nil
}

// tieTerm is the sum of t(t-1)(2t+5) over groups of equal values.
func tieTerm(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	var sum float64
	for i := 0; i < len(v); {
		j := i
		for j < len(v) && v[j] == v[i] {
			j++
		}
		t := float64(j - i)
		sum += t * (t - 1) * (2*t + 5)
		i = j
	}
	return sum
}

// passingBablokSlopes are the sorted slopes and how many are below -1. Slopes of
// -1 and identical points are left out; vertical pairs are infinite by the sign
// of the rise.
func passingBablokSlopes(x, y []float64) (s []float64, below int) {
	s = make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			dx, dy := x[j]-x[i], y[j]-y[i]
			switch {
			case dx == 0 && dy == 0:
				continue
			case dx == 0:
				s = append(s, math.Inf(int(math.Copysign(1, dy))))
			case dy != -dx:
				s = append(s, dy/dx)
			}
		}
	}
	slices.Sort(s)
	for below < len(s) && s[below] < -1 {
		below++
	}
	return s, below
}

var errPassingBablok = errors.New("too few rising slopes between pairs: a Passing-Bablok line does not exist")

func passingBablokLine(x, y []float64) (a, b float64, err error) {
	s, k := passingBablokSlopes(x, y)
	if len(s) == 0 || len(s)/2+k >= len(s) {
		return 0, 0, errPassingBablok
	}
	if n := len(s); n%2 == 1 {
		b = s[n/2+k]
	} else {
		b = s[n/2-1+k] + (s[n/2+k]-s[n/2-1+k])/2
	}
	if !isFinite(b) {
		return 0, 0, errPassingBablok
	}
	return medianResidual(x, y, b), b, nil
}

func medianResidual(x, y []float64, b float64) float64 {
	e := make([]float64, len(x))
	for i := range x {
		e[i] = y[i] - b*x[i]
	}
	return median(e)
}

// FitPassingBablok fits y on x with both in error (Passing & Bablok 1983): the
// median slope shifted by the number of slopes below -1, so that swapping the
// axes inverts the slope. It presumes that both methods rise together.
func FitPassingBablok(x, y []float64, level float64) (*Robust, error) {
	if err := checkXY(x, y); err != nil {
		return nil, err
	}
	a, b, err := passingBablokLine(x, y)
	if err != nil {
		return nil, err
	}
	s, k := passingBablokSlopes(x, y)
	r := &Robust{N: len(x), Slopes: len(s), Offset: k, Intercept: Estimate{Value: a}, Slope: Estimate{Value: b}}
	n, count := float64(len(x)), len(s)
	c := zHalf(level) * math.Sqrt(n*(n-1)*(2*n+5)/18)
	m1 := int(math.Floor((float64(count)-c)/2 + 0.5))
	lo, hi := m1-1+k, count-m1+k
	if lo >= 0 && hi < count && isFinite(s[lo]) && isFinite(s[hi]) {
		const how = "Passing & Bablok 1983, independent pairs"
		r.Slope.CI = interval(s[lo], s[hi], level, how)
		r.Intercept.CI = interval(medianResidual(x, y, s[hi]), medianResidual(x, y, s[lo]), level, how)
	}
	return r, nil
}
