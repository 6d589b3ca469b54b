package calibrate

import (
	"errors"
	"fmt"
	"math"
)

// Deming is an errors-in-both-variables line of y on x with a known ratio of
// error variances (Deming 1943). Interval and standard error come from the
// delete-one jackknife with t(n-2), pairs taken as independent.
type Deming struct {
	N         int      `json:"n"`
	Ratio     float64  `json:"ratio"` // var(error of y)/var(error of x)
	Intercept Estimate `json:"intercept"`
	Slope     Estimate `json:"slope"`
	// Pseudo are the means of the jackknife pseudo-values of intercept and slope,
	// the bias-corrected estimates.
	Pseudo *[2]float64 `json:"jackknife_mean_pseudovalue,omitempty"`
}

// demingLine is intercept and slope. Of the two forms of the slope the one
// without cancellation is used.
func demingLine(x, y []float64, ratio float64) (a, b float64, err error) {
	mx, my, sxx, syy, sxy := centred(x, y)
	if constant(x) || constant(y) || math.Abs(sxy) <= 1e-14*math.Sqrt(sxx)*math.Sqrt(syy) {
		return a, b, errors.New("hand and image do not vary together: an errors-in-both line has no direction")
	}
	u := syy - ratio*sxx
	root := math.Hypot(u, 2*math.Sqrt(ratio)*sxy)
	if u > 0 {
		b = (u + root) / (2 * sxy)
	} else {
		b = 2 * ratio * sxy / (root - u)
	}
	return my - b*mx, b, nil
}

// FitDeming fits the line for ratio = var(error of y)/var(error of x). It
// refuses fewer than 3 pairs, a constant column and a ratio that is not above 0.
func FitDeming(x, y []float64, ratio, level float64) (*Deming, error) {
	if err := checkXY(x, y); err != nil {
		return nil, err
	}
	if !positive(ratio) {
		return nil, fmt.Errorf("ratio of error variances %v must be a number above 0", ratio)
	}
	a, b, err := demingLine(x, y, ratio)
	if err != nil {
		return nil, err
	}
	d := &Deming{N: len(x), Ratio: ratio, Intercept: Estimate{Value: a}, Slope: Estimate{Value: b}}
	n := float64(len(x))
	pa, pb := make([]float64, 0, len(x)), make([]float64, 0, len(x))
	for i := range x {
		ai, bi, err := demingLine(without(x, i), without(y, i), ratio)
		if err != nil {
			return d, nil // the line stands, its jackknife does not
		}
		pa, pb = append(pa, n*a-(n-1)*ai), append(pb, n*b-(n-1)*bi)
	}
	const how = "delete-one jackknife, t interval, independent pairs"
	seA, seB := math.Sqrt(variance(pa)/n), math.Sqrt(variance(pb)/n)
	t := tHalf(level, n-2)
	d.Intercept.SE, d.Intercept.CI = ptr(seA), around(a, t*seA, level, how)
	d.Slope.SE, d.Slope.CI = ptr(seB), around(b, t*seB, level, how)
	d.Pseudo = &[2]float64{mean(pa), mean(pb)}
	return d, nil
}

// without is a copy of v with position i left out.
func without(v []float64, i int) []float64 {
	return append(append(make([]float64, 0, len(v)-1), v[:i]...), v[i+1:]...)
}
