package dist

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// NormalSF returns P(Z > z) for a standard normal Z.
func NormalSF(z float64) (float64, error) {
	if math.IsNaN(z) {
		return 0, errNaN("z")
	}
	return normalSF(z), nil
}

// NormalQuantile returns the z with P(Z <= z) = p, 0 < p < 1.
func NormalQuantile(p float64) (float64, error) {
	if err := checkProb(p); err != nil {
		return 0, err
	}
	return mathext.NormalQuantile(p), nil
}

func normalSF(z float64) float64  { return 0.5 * math.Erfc(z/math.Sqrt2) }
func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// invSqrt2Pi is the height of the standard normal density at zero.
const invSqrt2Pi = 0.398942280401432677939946059934381868

func normalPDF(z float64) float64 { return invSqrt2Pi * math.Exp(-0.5*z*z) }

// TSF returns P(T > t) for Student t with df degrees of freedom.
func TSF(t, df float64) (float64, error) {
	if err := checkDF("df", df); err != nil {
		return 0, err
	}
	if math.IsNaN(t) {
		return 0, errNaN("t")
	}
	tail := 0.5 * tTwoSided(t, df)
	if t < 0 {
		return 1 - tail, nil // at least one half: nothing to lose
	}
	return tail, nil
}

// TTwoSided returns P(|T| > |t|), the two-sided p value of a t statistic.
func TTwoSided(t, df float64) (float64, error) {
	if err := checkDF("df", df); err != nil {
		return 0, err
	}
	if math.IsNaN(t) {
		return 0, errNaN("t")
	}
	return tTwoSided(t, df), nil
}

func tTwoSided(t, df float64) float64 {
	t = math.Abs(t)
	switch {
	case math.IsInf(df, 1):
		return 2 * normalSF(t)
	case math.IsInf(t, 1):
		return 0
	}
	return fSF(t*t, 1, df)
}

// TQuantile returns the t with P(T <= t) = p, 0 < p < 1.
func TQuantile(p, df float64) (float64, error) {
	if err := checkProb(p); err != nil {
		return 0, err
	}
	if err := checkDF("df", df); err != nil {
		return 0, err
	}
	if math.IsInf(df, 1) {
		return mathext.NormalQuantile(p), nil
	}
	if p == 0.5 {
		return 0, nil
	}
	tail := math.Min(p, 1-p)
	t, err := upperPoint(func(t float64) float64 { return 0.5 * tTwoSided(t, df) }, tail, -mathext.NormalQuantile(tail))
	if err != nil {
		return 0, err
	}
	return math.Copysign(t, p-0.5), nil
}

// FSF returns P(F > f), the p value of an F statistic with d1 numerator and
// d2 denominator degrees of freedom (d2 may be +Inf). f <= 0 gives 1.
//
// With x = d2/(d2 + d1 f) the tail is the regularised incomplete beta
// I_x(d2/2, d1/2): Abramowitz and Stegun 26.6.2.
func FSF(f, d1, d2 float64) (float64, error) {
	if err := checkF(f, d1, d2); err != nil {
		return 0, err
	}
	return fSF(f, d1, d2), nil
}

// manyDF is the df from which the incomplete beta function loses digits to its
// large arguments and F is integrated over the scale of that mean square
// instead.
const manyDF = 5000

func fSF(f, d1, d2 float64) float64 {
	switch {
	case f <= 0:
		return 1
	case math.IsInf(f, 1):
		return 0
	case math.IsInf(d2, 1):
		return mathext.GammaIncRegComp(d1/2, d1*f/2)
	}
	switch {
	case d2 > manyDF:
		// Given s, d1 f s^2 is chi-square with d1 df; f > 1 moves the peak down.
		peak := math.Sqrt((d1 + d2) / (d1*math.Max(f, 1) + d2))
		return math.Min(1, fine.overScale(d2, peak, 1/math.Sqrt(2*d1), func(s float64) float64 {
			return mathext.GammaIncRegComp(d1/2, d1*f*s*s/2)
		}))
	case d1 > manyDF:
		// 1/F, whose mean square with few df is chi-square given s.
		return math.Min(1, fine.overScale(d1, 1, 1/math.Sqrt(2*d2), func(s float64) float64 {
			return mathext.GammaIncReg(d2/2, d2/f*s*s/2)
		}))
	}
	return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f))
}

// FQuantile returns the f with P(F <= f) = p, 0 < p < 1.
func FQuantile(p, d1, d2 float64) (float64, error) {
	if err := checkProb(p); err != nil {
		return 0, err
	}
	if err := checkF(1, d1, d2); err != nil {
		return 0, err
	}
	if p >= 0.5 {
		return upperPoint(func(f float64) float64 { return fSF(f, d1, d2) }, 1-p, 1)
	}
	// P(F <= f) is the upper tail of 1/F, which is F with the df exchanged.
	if math.IsInf(d2, 1) {
		return 2 / d1 * mathext.GammaIncRegInv(d1/2, p), nil
	}
	g, err := upperPoint(func(g float64) float64 { return fSF(g, d2, d1) }, p, 1)
	if err != nil {
		return 0, err
	}
	return 1 / g, nil
}

// ChiSquareSF returns P(X > x) for chi-square with df degrees of freedom;
// x <= 0 gives 1.
func ChiSquareSF(x, df float64) (float64, error) {
	if err := checkFiniteDF("df", df); err != nil {
		return 0, err
	}
	switch {
	case math.IsNaN(x):
		return 0, errNaN("x")
	case x <= 0:
		return 1, nil
	case math.IsInf(x, 1):
		return 0, nil
	}
	return mathext.GammaIncRegComp(df/2, x/2), nil
}

func checkF(f, d1, d2 float64) error {
	if math.IsNaN(f) {
		return errNaN("f")
	}
	if err := checkFiniteDF("numerator df", d1); err != nil {
		return err
	}
	return checkDF("denominator df", d2)
}

func checkProb(p float64) error {
	if !(p > 0 && p < 1) {
		return fmt.Errorf("probability %v is not between 0 and 1", p)
	}
	return nil
}

func checkDF(name string, df float64) error {
	if !(df > 0) {
		return fmt.Errorf("%s %v is not positive: no residual degrees of freedom, no probability", name, df)
	}
	return nil
}

func checkFiniteDF(name string, df float64) error {
	if df > 1e9 {
		return fmt.Errorf("%s %v is beyond any trial", name, df)
	}
	return checkDF(name, df)
}

func errNaN(name string) error { return fmt.Errorf("%s is not a number", name) }
