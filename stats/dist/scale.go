package dist

import "math"

// A trapezoid says how finely an integral is summed.
type trapezoid struct {
	step       float64 // step, in widths of the narrowest feature
	negligible float64 // share of the sum below which a term ends it
}

var (
	// fine reaches the rounding error of the integrand.
	fine = trapezoid{step: 0.45, negligible: 1e-17}
	// coarse is good to about 1e-9, for integrals in several dimensions.
	coarse = trapezoid{step: 0.85, negligible: 1e-11}
)

// maxTerms bounds one side of a sum; it is never reached by a density inside
// the limits checked at the door.
const maxTerms = 200000

// sumOutward adds f(x0 + i h) over all integers i, walking right and then left
// from x0 until terms fall below the negligible share, and returns h times the
// sum: the trapezoid rule for an integrand with one peak near x0 that dies off
// on both sides.
func sumOutward(x0, h, negligible float64, f func(float64) float64) float64 {
	sum := f(x0)
	for _, dir := range [2]float64{h, -h} {
		last := 0.0
		for i := 1; i < maxTerms; i++ {
			term := f(x0 + float64(i)*dir)
			sum += term
			if term <= last && term <= negligible*sum {
				break
			}
			last = term
		}
	}
	return h * sum
}

// overScale returns the mean of g(s) over s = sqrt(chi-square(df)/df), g not
// negative. peak is a guess of the s that counts most; width is the width, on
// log s, of the narrowest feature of g.
//
// On u = log s the density is 2 a^a/Gamma(a) exp(a(2u - e^2u)), a = df/2. It
// is evaluated about its top, u = 0, so that large df lose no digits.
func (tr trapezoid) overScale(df, peak, width float64, g func(s float64) float64) float64 {
	if math.IsInf(df, 1) {
		return g(1)
	}
	a := df / 2
	height := 2 * math.Sqrt(a/(2*math.Pi)) * math.Exp(-stirlingRemainder(a))
	// For df large the density in u is normal with variance 1/(2 df); for
	// small df what limits the step is the strip |Im u| < pi/4 in which the
	// integrand stays tame.
	h := tr.step * math.Min(0.22, math.Min(width, 1/math.Sqrt(2*df)))
	return height * sumOutward(math.Log(peak), h, tr.negligible, func(u float64) float64 {
		w := math.Exp(-a * (math.Expm1(2*u) - 2*u))
		if w == 0 {
			return 0
		}
		return w * g(math.Exp(u))
	})
}

// stirlingRemainder returns log Gamma(a) - [(a - 1/2) log a - a + log(2 pi)/2],
// the remainder of Stirling's formula (Abramowitz and Stegun 6.1.41).
func stirlingRemainder(a float64) float64 {
	if a < 15 {
		lg, _ := math.Lgamma(a)
		return lg - ((a-0.5)*math.Log(a) - a + 0.5*math.Log(2*math.Pi))
	}
	r := 1 / (a * a)
	return (1./12 - r*(1./360-r*(1./1260-r*(1./1680-r/1188)))) / a
}
