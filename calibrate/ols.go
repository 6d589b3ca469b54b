package calibrate

import (
	"errors"
	"fmt"
	"math"
)

// OLS is an ordinary least-squares line of y on x with its classical
// statistics, which take the pairs as independent.
type OLS struct {
	N          int      `json:"n"`
	Intercept  Estimate `json:"intercept"`
	Slope      Estimate `json:"slope"`
	Sigma      float64  `json:"sigma"` // residual standard deviation, divisor n-2
	R2         *float64 `json:"r2,omitempty"`
	F          *Test    `json:"f,omitempty"`                  // of slope 0
	SlopeOne   *Test    `json:"t_slope_eq_1,omitempty"`       // of slope 1
	Equality   *Test    `json:"f_line_of_equality,omitempty"` // of intercept 0 and slope 1 together
	RMSE       float64  `json:"rmse"`                         // of residuals, divisor n
	LeaveOne   float64  `json:"leave_one_out_rmse"`           // each pair predicted from the others
	mx, my     float64
	sxx        float64
	level      float64
	leaveOneOK bool
}

var errConstantX = errors.New("all values on the horizontal axis are the same: no line can be fitted")

// checkXY refuses what no line can be fitted to: fewer than 3 pairs, unequal
// lengths, missing or infinite values.
func checkXY(x, y []float64) error {
	if len(x) != len(y) {
		return fmt.Errorf("%d values against %d: need as many of both", len(x), len(y))
	}
	if len(x) < 3 {
		return fmt.Errorf("%d pairs: need at least 3 for a line", len(x))
	}
	for i := range x {
		if !isFinite(x[i]) || !isFinite(y[i]) {
			return fmt.Errorf("pair %d has a missing or infinite value", i+1)
		}
	}
	return nil
}

// FitOLS fits y = intercept + slope x by least squares on centred values. It
// refuses fewer than 3 pairs and a constant x.
func FitOLS(x, y []float64, level float64) (*OLS, error) {
	if err := checkXY(x, y); err != nil {
		return nil, err
	}
	mx, my, sxx, syy, sxy := centred(x, y)
	n := float64(len(x))
	if constant(x) {
		return nil, errConstantX
	}
	l := &OLS{N: len(x), mx: mx, my: my, sxx: sxx, level: level}
	b := sxy / sxx
	var rss, equality, loo float64
	l.leaveOneOK = true
	for i := range x {
		e := y[i] - my - b*(x[i]-mx)
		rss += e * e
		equality += (y[i] - x[i]) * (y[i] - x[i])
		leverage := 1/n + (x[i]-mx)*(x[i]-mx)/sxx
		if 1-leverage < 1e-12 {
			l.leaveOneOK = false // without this pair the others have one x
			continue
		}
		loo += (e / (1 - leverage)) * (e / (1 - leverage))
	}
	s2 := rss / (n - 2)
	l.Sigma, l.RMSE = math.Sqrt(s2), math.Sqrt(rss/n)
	if l.leaveOneOK {
		l.LeaveOne = math.Sqrt(loo / n)
	}
	seB, seA := math.Sqrt(s2/sxx), math.Sqrt(s2*(1/n+mx*mx/sxx))
	t := tHalf(level, n-2)
	const how = "t interval, independent pairs"
	l.Slope = Estimate{b, ptr(seB), around(b, t*seB, level, how), nil}
	l.Intercept = Estimate{my - b*mx, ptr(seA), around(my-b*mx, t*seA, level, how), nil}
	if !flat(syy, n, my) {
		l.R2 = ptr(1 - rss/syy)
	}
	if s2 > 0 {
		l.F = fTest(b*b*sxx/s2, 1, n-2)
		l.SlopeOne = tTest((b-1)/seB, n-2)
		l.Equality = fTest(max(0, (equality-rss)/2/s2), 2, n-2)
	}
	return l, nil
}

// slopeP is the p-value of slope 0, nil when the line fits exactly.
func slopeP(l *OLS) *float64 {
	if l.F == nil {
		return nil
	}
	return ptr(l.F.P)
}

// At is the height of the line at x.
func (l *OLS) At(x float64) float64 { return l.my + l.Slope.Value*(x-l.mx) }

// Shape says what the set of x values that fit an observed y looks like.
type Shape string

// Shapes of a Fieller set.
const (
	Bounded   Shape = "interval"   // Low to High
	TwoRays   Shape = "two_rays"   // below RayBelow or above RayAbove
	WholeLine Shape = "whole_line" // every x
)

// Inverse is the x that belongs to an observed y (Fieller 1954). With G >= 1 the
// slope is not shown to differ from 0 and the set is unbounded: Low and High are
// nil, and Shape says what remains.
type Inverse struct {
	Y         float64  `json:"y"`
	X         float64  `json:"x"`
	G         float64  `json:"g"`
	Unbounded bool     `json:"unbounded"`
	Shape     Shape    `json:"shape"`
	Low       *float64 `json:"low,omitempty"`
	High      *float64 `json:"high,omitempty"`
	RayBelow  *float64 `json:"ray_below,omitempty"`
	RayAbove  *float64 `json:"ray_above,omitempty"`
	Level     float64  `json:"level"`
	Warning   string   `json:"warning,omitempty"`
}

// Inverse finds x from the mean of m new readings of y (m >= 1). The set is all
// x with (y - line)^2 <= t^2 s^2 (1/m + 1/n + (x-mean)^2/Sxx). It refuses a
// slope of exactly 0.
func (l *OLS) Inverse(y float64, m int) (Inverse, error) {
	b := l.Slope.Value
	switch {
	case b == 0:
		return Inverse{}, errors.New("the line is exactly flat: no value can be read back from it")
	case m < 1:
		return Inverse{}, fmt.Errorf("%d readings: need at least 1", m)
	case !isFinite(y):
		return Inverse{}, errors.New("the reading is missing or infinite")
	}
	n := float64(l.N)
	k := tHalf(l.level, n-2) * l.Sigma
	k *= k
	g := k / (b * b * l.sxx)
	d := (y - l.my) / b // x - mean by the line
	inv := Inverse{Y: y, X: l.mx + d, G: g, Level: l.level, Shape: Bounded}
	if !isFinite(inv.X) || !isFinite(g) {
		return Inverse{}, errors.New("the line is so flat that no value can be read back from it")
	}
	// (1-g) u^2 - 2 d u + d^2 - c <= 0 for u = x - mean, scaled by b^2.
	c := k / (b * b) * (1/float64(m) + 1/n)
	disc := d*d*g + (1-g)*c // quarter of the discriminant
	switch {
	case g < 1:
		h := math.Sqrt(disc)
		inv.Low, inv.High = ptr(l.mx+(d-h)/(1-g)), ptr(l.mx+(d+h)/(1-g))
		return inv, nil
	case g > 1 && disc > 0:
		h := math.Sqrt(disc)
		inv.Shape = TwoRays
		inv.RayBelow, inv.RayAbove = ptr(l.mx+(d+h)/(1-g)), ptr(l.mx+(d-h)/(1-g))
	default:
		inv.Shape = WholeLine
	}
	inv.Unbounded = true
	inv.Warning = "the slope is not shown to differ from 0, so the reading sets no bounds: count more quadrats over a wider range"
	return inv, nil
}
