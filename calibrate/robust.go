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

// theilSenSlopes are the slopes between pairs of different x, in no order.
func theilSenSlopes(x, y []float64) []float64 {
	s := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if x[i] != x[j] {
				s = append(s, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
	}
	return s
}

func theilSenLine(x, y []float64) (a, b float64, err error) {
	s := theilSenSlopes(x, y)
	if len(s) == 0 {
		return a, b, errConstantX
	}
	b = middle(s, 0)
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
	slices.Sort(s)
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

// middle is the median of v shifted up by k places, by selection: a full sort of
// all slopes, once a plot left out, would dominate a study. It reorders v.
func middle(v []float64, k int) float64 {
	upper := kth(v, len(v)/2+k)
	if len(v)%2 == 1 {
		return upper
	}
	// The places below the one selected hold nothing larger.
	lower := slices.Max(v[:len(v)/2+k])
	if math.IsInf(lower, 0) || math.IsInf(upper, 0) {
		return math.Inf(1)
	}
	return lower + (upper-lower)/2
}

// kth puts the k-th smallest of v (from 0) in its place, nothing larger before
// it and nothing smaller behind, and returns it (Hoare 1961, Algorithm 65).
func kth(v []float64, k int) float64 {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot := v[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// passingBablokSlopes are the slopes, in no order, and how many are below -1. Slopes of
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
	for _, v := range s {
		if v < -1 {
			below++
		}
	}
	return s, below
}

var errPassingBablok = errors.New("too few rising slopes between pairs: a Passing-Bablok line does not exist")

func passingBablokLine(x, y []float64) (a, b float64, err error) {
	s, k := passingBablokSlopes(x, y)
	if len(s) == 0 || len(s)/2+k >= len(s) {
		return a, b, errPassingBablok
	}
	if b = middle(s, k); !isFinite(b) {
		return a, b, errPassingBablok
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
	slices.Sort(s)
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
