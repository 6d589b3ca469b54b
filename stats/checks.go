package stats

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"quadtally/stats/dist"
)

// ShapiroWilk tests whether xs look like a normal sample, by Royston's
// approximation to W and its p value (1995, algorithm AS R94, Applied
// Statistics 44, 547-551). It takes 3 to 5000 values with some spread.
//
// On residuals of a fitted model the p value is approximate, since residuals
// are tied together by the fit.
func ShapiroWilk(xs []float64) (Test, error) {
	const name = "Shapiro-Wilk"
	if err := allFinite(xs); err != nil {
		return Test{}, err
	}
	n := len(xs)
	switch {
	case n < 3:
		return undefinedTest(name, fmt.Sprintf("%d values: need 3", n)), nil
	case n > 5000:
		return undefinedTest(name, fmt.Sprintf("%d values: the approximation holds up to 5000", n)), nil
	}
	x := slices.Sorted(slices.Values(xs))
	spread := x[n-1] - x[0]
	if spread <= 1e-13*math.Max(math.Abs(x[0]), math.Abs(x[n-1])) {
		return undefinedTest(name, "all values are the same: no spread to look at"), nil
	}
	a := royston(n)
	// W is the squared correlation of the ordered values with their expected
	// places; 1 - W is formed as a product so that it keeps its digits.
	mean := floats.Sum(x) / float64(n)
	var ssa, ssx, sax float64
	for i, v := range x {
		d := (v - mean) / spread // so that squares of small values do not vanish
		ssa += a[i] * a[i]
		ssx += d * d
		sax += a[i] * d
	}
	root := math.Sqrt(ssa * ssx)
	lack := (root - sax) * (root + sax) / (ssa * ssx)
	return Test{Name: name, Statistic: 1 - lack, P: shapiroP(lack, n), Defined: true}, nil
}

// royston returns the weights of the ordered sample of size n, polynomials in
// 1/sqrt(n) correcting the outermost (AS R94).
func royston(n int) []float64 {
	a := make([]float64, n)
	half := n / 2
	set := func(i int, v float64) { a[i], a[n-1-i] = -v, v }
	if n == 3 {
		set(0, math.Sqrt2/2)
		return a
	}
	m := make([]float64, half) // expected normal order statistics, negative
	squares := 0.0
	for i := range m {
		m[i] = must(dist.NormalQuantile((float64(i) + 1 - 0.375) / (float64(n) + 0.25)))
		squares += 2 * m[i] * m[i]
	}
	root, r := math.Sqrt(squares), 1/math.Sqrt(float64(n))
	first := polynomial(r, 0, .221157, -.147981, -2.07119, 4.434685, -2.706056) - m[0]/root
	set(0, first)
	next, scale2 := 1, (squares-2*m[0]*m[0])/(1-2*first*first)
	if n > 5 {
		second := polynomial(r, 0, .042981, -.293762, -1.752461, 5.682633, -3.582633) - m[1]/root
		set(1, second)
		next, scale2 = 2, (squares-2*m[0]*m[0]-2*m[1]*m[1])/(1-2*first*first-2*second*second)
	}
	for i := next; i < half; i++ {
		set(i, -m[i]/math.Sqrt(scale2))
	}
	return a
}

// shapiroP returns the p value of a W whose distance from one is lack.
func shapiroP(lack float64, n int) float64 {
	if n == 3 { // known exactly
		p := 6 / math.Pi * (math.Asin(math.Sqrt(1-lack)) - math.Pi/3)
		return math.Max(0, math.Min(1, p))
	}
	y, size := math.Log(math.Max(lack, 0)), float64(n)
	var mean, sd float64
	if n <= 11 {
		gamma := polynomial(size, -2.273, .459)
		if y >= gamma {
			return 0
		}
		y = -math.Log(gamma - y)
		mean = polynomial(size, .544, -.39978, .025054, -6.714e-4)
		sd = math.Exp(polynomial(size, 1.3822, -.77857, .062767, -.0020322))
	} else {
		l := math.Log(size)
		mean = polynomial(l, -1.5861, -.31082, -.083751, .0038915)
		sd = math.Exp(polynomial(l, -.4803, -.082676, .0030302))
	}
	return must(dist.NormalSF((y - mean) / sd)) // a lack of 0 has y -Inf and p 1
}

// polynomial returns c0 + c1 x + c2 x^2 + ...
func polynomial(x float64, c ...float64) float64 {
	sum := 0.0
	for _, v := range slices.Backward(c) {
		sum = sum*x + v
	}
	return sum
}

// Bartlett tests whether groups have the same variance (Bartlett 1937, Proc.
// R. Soc. A 160, 268-282). It is sensitive to non-normal data; see
// [BrownForsythe]. Every group needs 2 values and some spread.
func Bartlett(groups [][]float64) (Test, error) {
	const name = "Bartlett"
	if _, _, err := poolGroups(groups); err != nil {
		return Test{}, err
	}
	k := float64(len(groups))
	var df, pooled, logs, reciprocals float64
	for i, g := range groups {
		if len(g) < 2 {
			return undefinedTest(name, fmt.Sprintf("group %d has %d value: need 2 in every group", i+1, len(g))), nil
		}
		d := float64(len(g) - 1)
		ss := sumSquaresAbout(g, floats.Sum(g)/float64(len(g)))
		if noSpread(ss, g) {
			return undefinedTest(name, fmt.Sprintf("group %d has no spread, so its variance cannot be compared", i+1)), nil
		}
		df += d
		pooled += ss
		logs += d * math.Log(ss/d)
		reciprocals += 1 / d
	}
	stat := (df*math.Log(pooled/df) - logs) / (1 + (reciprocals-1/df)/(3*(k-1)))
	stat = math.Max(0, stat)
	return chiSquareTest(name, stat, k-1), nil
}

// noSpread reports whether a sum of squares about the mean is rounding alone.
func noSpread(ss float64, xs []float64) bool {
	m := floats.Norm(xs, math.Inf(1))
	return ss <= float64(len(xs))*1e-28*m*m
}

// BrownForsythe tests whether groups have the same spread by an analysis of
// variance of the distances from the group medians (Brown and Forsythe 1974,
// JASA 69, 364-367). It holds up with data that are not normal.
func BrownForsythe(groups [][]float64) (Test, error) {
	const name = "Brown-Forsythe"
	all, _, err := poolGroups(groups)
	if err != nil {
		return Test{}, err
	}
	n, k := float64(len(all)), float64(len(groups))
	if n <= k {
		return undefinedTest(name, "one value in each group: need 2 in some"), nil
	}
	distances := make([][]float64, len(groups))
	total := 0.0
	for i, g := range groups {
		c := median(g)
		distances[i] = make([]float64, len(g))
		for j, x := range g {
			distances[i][j] = math.Abs(x - c)
			total += distances[i][j]
		}
	}
	grand := total / n
	var between, within float64
	for _, d := range distances {
		mean := floats.Sum(d) / float64(len(d))
		between += float64(len(d)) * (mean - grand) * (mean - grand)
		within += sumSquaresAbout(d, mean)
	}
	if noSpread(within, all) {
		return undefinedTest(name, "the distances from the centre do not vary within groups: F has no finite value"), nil
	}
	return fTest(name, between/(k-1)/(within/(n-k)), k-1, n-k), nil
}

// Fligner is the Fligner-Killeen test of equal spread on normal scores of the
// ranked distances from the group medians (Conover, Johnson and Johnson 1981,
// Technometrics 23, 351-361), the one least disturbed by odd distributions.
func Fligner(groups [][]float64) (Test, error) {
	const name = "Fligner-Killeen"
	all, of, err := poolGroups(groups)
	if err != nil {
		return Test{}, err
	}
	medians := make([]float64, len(groups))
	for i, g := range groups {
		medians[i] = median(g)
	}
	distance := make([]float64, len(all))
	for i, x := range all {
		distance[i] = math.Abs(x - medians[of[i]])
	}
	ranks, _ := midRanks(distance)
	n := float64(len(all))
	scores := make([]float64, len(all))
	sums := make([]float64, len(groups))
	for i, r := range ranks {
		scores[i] = must(dist.NormalQuantile((1 + r/(n+1)) / 2))
		sums[of[i]] += scores[i]
	}
	mean := floats.Sum(scores) / n
	ss := sumSquaresAbout(scores, mean)
	if noSpread(ss, scores) {
		return undefinedTest(name, "all distances from the medians are tied"), nil
	}
	between := 0.0
	for i, g := range groups {
		ni := float64(len(g))
		between += ni * (sums[i]/ni - mean) * (sums[i]/ni - mean)
	}
	stat := between / (ss / (n - 1))
	return chiSquareTest(name, stat, float64(len(groups)-1)), nil
}
