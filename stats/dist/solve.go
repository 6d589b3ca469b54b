package dist

import (
	"fmt"
	"math"
)

// upperPoint returns the x > 0 with sf(x) = alpha, where sf falls from at
// least alpha near zero towards zero. It works on the logarithms of x and of
// the tail, on which tails are nearly straight, from the rough guess start, to
// rounding.
func upperPoint(sf func(float64) float64, alpha, start float64) (float64, error) {
	return upperPointWithin(sharpest, sf, alpha, start)
}

// sharpest is a tolerance a little above rounding.
const sharpest = 4e-15

// upperPointWithin is upperPoint to a relative tolerance.
func upperPointWithin(tol float64, sf func(float64) float64, alpha, start float64) (float64, error) {
	if !(start > 1e-8) {
		start = 1e-8
	}
	la := math.Log(alpha)
	g := func(lx float64) float64 { return math.Log(sf(math.Exp(lx))) - la }
	lx, err := solveFalling(tol, g, math.Log(start))
	if err != nil {
		return 0, fmt.Errorf("no point has upper tail %v: %w", alpha, err)
	}
	return math.Exp(lx), nil
}

// solveFalling returns the zero of a decreasing function, bracketed by growing
// steps from start and closed by Chandrupatla's method (Advances in
// Engineering Software 28, 1997, 145-149): inverse quadratic interpolation
// where the three last points allow it, bisection otherwise. A value of -Inf
// (an underflowed tail) serves as any negative value does. tol is absolute
// below one, relative above.
func solveFalling(tol float64, g func(float64) float64, start float64) (float64, error) {
	const maxSteps = 200
	a, fa := start, g(start)
	if fa == 0 {
		return a, nil
	}
	step := 0.25
	if fa < 0 {
		step = -step
	}
	b, fb := a, fa
	for n := 0; fa < 0 == (fb < 0); n++ {
		if n == maxSteps || math.IsNaN(fb) {
			return 0, fmt.Errorf("no change of sign found from %v on", start)
		}
		a, fa = b, fb
		b = a + step
		fb = g(b)
		if fb == 0 {
			return b, nil
		}
		step *= 1.6
	}
	c, fc := a, fa
	t := 0.5
	for range maxSteps {
		x := a + t*(b-a)
		fx := g(x)
		if fx < 0 == (fa < 0) {
			c, fc = a, fa
		} else {
			b, c, fb, fc = a, b, fa, fb
		}
		a, fa = x, fx // a is the newest point, b lies across the zero
		least := tol * math.Max(1, math.Abs(a)) / math.Abs(b-a)
		if fa == 0 || least > 0.5 {
			return a, nil
		}
		xi, phi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		t = 0.5
		if phi*phi < xi && (1-phi)*(1-phi) < 1-xi {
			t = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		}
		t = math.Max(least, math.Min(1-least, t))
	}
	return a, nil
}
