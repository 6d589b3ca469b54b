package dist_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)+1e-300) {
		t.Errorf("%s: got %.17g, want %.17g (relative error %.2g)", what, got, want, math.Abs(got-want)/math.Abs(want))
	}
}

func must(t *testing.T) func(x float64, err error) float64 {
	return func(x float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
}

var someDF = []float64{1, 2, 3, 5, 12, 40, 171, 1e4, 1e7, math.Inf(1)}

// For two means Tukey's test is the t test, far into the tail too.
func TestTukeyOfTwoIsT(t *testing.T) {
	ok := must(t)
	for _, df := range someDF {
		for _, x := range []float64{0.01, 0.5, 1, 2, 3, 5, 8, 15, 30} {
			want := ok(dist.TTwoSided(x, df))
			if want < 1e-290 {
				continue
			}
			near(t, fmt.Sprintf("t %v df %v", x, df), ok(dist.StudentizedRangeSF(math.Sqrt2*x, 2, df)), want, 3e-11)
		}
	}
}

// One comparison with the control is the t test, and with correlation zero the
// comparisons of a known variance are independent.
func TestDunnettOfOneIsT(t *testing.T) {
	ok := must(t)
	one := equicorrelation(1, 0)
	for _, df := range someDF {
		for _, x := range []float64{0.3, 1, 2, 4, 9} {
			near(t, "two-sided", ok(dist.DunnettSF(x, one, df, dist.TwoSided)), ok(dist.TTwoSided(x, df)), 3e-11)
			near(t, "one-sided", ok(dist.DunnettSF(x, one, df, dist.OneSided)), ok(dist.TSF(x, df)), 3e-11)
		}
		near(t, "lower", ok(dist.DunnettSF(-1, one, df, dist.OneSided)), ok(dist.TSF(-1, df)), 3e-11)
	}
	z := ok(dist.NormalSF(2))
	near(t, "independent", ok(dist.DunnettSF(2, equicorrelation(7, 0), math.Inf(1), dist.OneSided)), -math.Expm1(7*math.Log1p(-z)), 1e-12)
}

// F with one numerator df is t squared; chi-square is F with df infinite.
func TestFTChiSquareAgree(t *testing.T) {
	ok := must(t)
	for _, df := range someDF {
		near(t, "t^2", ok(dist.FSF(6.25, 1, df)), ok(dist.TTwoSided(2.5, df)), 1e-12)
		if !math.IsInf(df, 1) { // the lower tail of F is the upper of 1/F
			near(t, "sum", ok(dist.FSF(1.3, 4, df))+ok(dist.FSF(1/1.3, df, 4)), 1, 1e-13)
		}
	}
	near(t, "chi-square", ok(dist.FSF(3, 4, math.Inf(1))), ok(dist.ChiSquareSF(12, 4)), 1e-13)
	// F(8, 180) = 21, where one minus the distribution function gives 1.1e-16
	// (integrated in high precision elsewhere: 2.6e-22).
	if p := ok(dist.FSF(21, 8, 180)); math.Abs(p/2.6e-22-1) > 0.05 {
		t.Errorf("far tail of F: %v", p)
	}
}

// Without non-centrality the non-central distributions are the central ones;
// the squared non-central t is a non-central F.
func TestNoncentralAgree(t *testing.T) {
	ok := must(t)
	for _, df := range []float64{1, 3, 12, 171} {
		for _, x := range []float64{0.2, 1, 3, 10} {
			near(t, "F", ok(dist.NoncentralFSF(x, 4, df, 0)), ok(dist.FSF(x, 4, df)), 1e-12)
			near(t, "t", ok(dist.NoncentralTSF(x, df, 0)), ok(dist.TSF(x, df)), 1e-11)
			for _, ncp := range []float64{0.5, 2, 6, 30} {
				both := ok(dist.NoncentralTSF(x, df, ncp)) + ok(dist.NoncentralTCDF(-x, df, ncp))
				near(t, fmt.Sprintf("t^2 at %v df %v ncp %v", x, df, ncp), both, ok(dist.NoncentralFSF(x*x, 1, df, ncp*ncp)), 1e-10)
			}
		}
	}
}

// Quantiles undo distribution functions.
func TestQuantileInvertsCDF(t *testing.T) {
	ok := must(t)
	corr := dist.DunnettCorrelation(6, []float64{3, 4, 5, 3})
	for _, p := range []float64{1e-6, 0.01, 0.3, 0.5, 0.9, 0.95, 0.999, 1 - 1e-9} {
		for _, df := range []float64{1.5, 2, 7, 40, math.Inf(1)} {
			name := fmt.Sprintf("p %v df %v", p, df)
			tail := 1 - p
			near(t, "t "+name, ok(dist.TSF(ok(dist.TQuantile(p, df)), df)), tail, 1e-12)
			near(t, "F "+name, ok(dist.FSF(ok(dist.FQuantile(p, 4, df)), 4, df)), tail, 1e-10)
			near(t, "range "+name, ok(dist.StudentizedRangeSF(ok(dist.StudentizedRangeQuantile(p, 6, df)), 6, df)), tail, 1e-10)
			near(t, "Dunnett "+name, ok(dist.DunnettSF(ok(dist.DunnettQuantile(p, corr, df, dist.TwoSided)), corr, df, dist.TwoSided)), tail, 1e-10)
			near(t, "one-sided "+name, ok(dist.DunnettSF(ok(dist.DunnettQuantile(p, corr, df, dist.OneSided)), corr, df, dist.OneSided)), tail, 1e-10)
		}
		near(t, "normal", ok(dist.NormalSF(ok(dist.NormalQuantile(p)))), 1-p, 1e-12)
	}
}

// Tails fall in the statistic and rise with the number of means.
func TestTailsAreMonotone(t *testing.T) {
	ok := must(t)
	for _, df := range []float64{1, 2, 9, 60, math.Inf(1)} {
		before := 1.0
		for q := 0.25; q < 60; q *= 1.3 {
			p := ok(dist.StudentizedRangeSF(q, 5, df))
			if p > before {
				t.Errorf("P(Q > %v), df %v: %v after %v", q, df, p, before)
			}
			if more := ok(dist.StudentizedRangeSF(q, 6, df)); more < p {
				t.Errorf("q %v df %v: %v for 6 means, %v for 5", q, df, more, p)
			}
			before = p
		}
	}
}

// Tukey's range is the largest of all pairs, so the tail of a Dunnett
// comparison lies between one pair and Tukey, and Bonferroni bounds both.
func TestDunnettBelowTukey(t *testing.T) {
	ok := must(t)
	for _, df := range []float64{2, 10, 171} {
		for _, x := range []float64{1, 2.5, 6, 20} {
			one := ok(dist.TTwoSided(x, df))
			dunnett := ok(dist.DunnettSF(x, equicorrelation(4, 0.5), df, dist.TwoSided))
			tukey := ok(dist.StudentizedRangeSF(math.Sqrt2*x, 5, df))
			if !(one < dunnett && dunnett < tukey && dunnett < 4*one && tukey < 10*one) {
				t.Errorf("t %v df %v: %v, %v, %v", x, df, one, dunnett, tukey)
			}
		}
	}
}

// missingPlots returns the correlations of the differences from treatment 0 in
// an additive model of t treatments and b blocks without the given plots
// (treatment, block).
func missingPlots(t, b int, missing ...[2]int) *mat.SymDense {
	gone := map[[2]int]bool{}
	for _, m := range missing {
		gone[m] = true
	}
	// Information about treatments 1 to t-1: diag(r) - N diag(1/k) N'.
	info := mat.NewSymDense(t-1, nil)
	for j := range b {
		k := 0.0
		for i := range t {
			if !gone[[2]int{i, j}] {
				k++
			}
		}
		for i := 1; i < t; i++ {
			if gone[[2]int{i, j}] {
				continue
			}
			info.SetSym(i-1, i-1, info.At(i-1, i-1)+1)
			for h := 1; h <= i; h++ {
				if !gone[[2]int{h, j}] {
					info.SetSym(i-1, h-1, info.At(i-1, h-1)-1/k)
				}
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(info) {
		panic("test design is not connected")
	}
	var cov mat.SymDense
	if err := chol.InverseTo(&cov); err != nil {
		panic(err)
	}
	corr := mat.NewSymDense(t-1, nil)
	for i := range t - 1 {
		for j := range i + 1 {
			corr.SetSym(i, j, cov.At(i, j)/math.Sqrt(cov.At(i, i)*cov.At(j, j)))
		}
		corr.SetSym(i, i, 1)
	}
	return corr
}

// simulate estimates P(max > x) by drawing multivariate t vectors.
func simulate(corr *mat.SymDense, df int, x float64, sided dist.Sided, draws int, rng *rand.Rand) float64 {
	var chol mat.Cholesky
	chol.Factorize(corr)
	var l mat.TriDense
	chol.LTo(&l)
	k := corr.SymmetricDim()
	z := make([]float64, k)
	hits := 0
	for range draws {
		for i := range z {
			z[i] = rng.NormFloat64()
		}
		s2 := 0.0
		for range df {
			e := rng.NormFloat64()
			s2 += e * e
		}
		limit := x * math.Sqrt(s2/float64(df))
		for i := range k {
			v := 0.0
			for j := range i + 1 {
				v += l.At(i, j) * z[j]
			}
			if v > limit || (sided == dist.TwoSided && v < -limit) {
				hits++
				break
			}
		}
	}
	return float64(hits) / float64(draws)
}

// Plain simulation of the definition agrees within its error, for every way
// the probability is found: product form, several factors, lattice points.
func TestDunnettAgainstSimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	// Correlations of no low-factor form: a band along the diagonal.
	odd := mat.NewSymDense(7, nil)
	for i := range 7 {
		for j := range i + 1 {
			switch i - j {
			case 0:
				odd.SetSym(i, j, 1)
			case 1:
				odd.SetSym(i, j, 0.4)
			case 2:
				odd.SetSym(i, j, 0.1)
			}
		}
	}
	const draws = 40000
	for name, corr := range map[string]*mat.SymDense{
		"product":      equicorrelation(5, 0.5),
		"one missing":  missingPlots(5, 4, [2]int{1, 0}),
		"two missing":  missingPlots(6, 4, [2]int{1, 0}, [2]int{3, 2}),
		"control gone": missingPlots(5, 4, [2]int{0, 1}, [2]int{2, 3}),
		"no structure": odd,
	} {
		for _, sided := range []dist.Sided{dist.TwoSided, dist.OneSided} {
			m, err := dist.NewMaxT(corr, 8, sided)
			if err != nil {
				t.Fatal(err)
			}
			if want := name != "no structure"; m.Exact() != want {
				t.Errorf("%s: integrated exactly %v, want %v", name, m.Exact(), want)
			}
			p, absErr, err := m.SF(2.2)
			if err != nil {
				t.Fatal(err)
			}
			got := simulate(corr, 8, 2.2, sided, draws, rng)
			if se := math.Sqrt(p * (1 - p) / draws); math.Abs(got-p) > 4.5*se+absErr || absErr > 5e-4 {
				t.Errorf("%s: %v (error estimate %v), simulated %v with standard error %v", name, p, absErr, got, se)
			}
		}
	}
}

// What cannot be answered is an error, never NaN.
func TestBadArguments(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := equicorrelation(3, 0.5)
	for name, f := range map[string]func() (float64, error){
		"t NaN":              func() (float64, error) { return dist.TSF(nan, 3) },
		"t df 0":             func() (float64, error) { return dist.TSF(1, 0) },
		"t df negative":      func() (float64, error) { return dist.TTwoSided(1, -2) },
		"t df NaN":           func() (float64, error) { return dist.TTwoSided(1, nan) },
		"t p 0":              func() (float64, error) { return dist.TQuantile(0, 3) },
		"t p 1":              func() (float64, error) { return dist.TQuantile(1, 3) },
		"F df1 infinite":     func() (float64, error) { return dist.FSF(1, inf, 3) },
		"F NaN":              func() (float64, error) { return dist.FSF(nan, 2, 3) },
		"F p NaN":            func() (float64, error) { return dist.FQuantile(nan, 2, 3) },
		"chi-square df":      func() (float64, error) { return dist.ChiSquareSF(1, 0) },
		"normal NaN":         func() (float64, error) { return dist.NormalSF(nan) },
		"range of one":       func() (float64, error) { return dist.StudentizedRangeSF(1, 1, 3) },
		"range of too many":  func() (float64, error) { return dist.StudentizedRangeCDF(1, dist.MaxGroups+1, 3) },
		"range NaN":          func() (float64, error) { return dist.StudentizedRangeSF(nan, 3, 3) },
		"range p":            func() (float64, error) { return dist.StudentizedRangeQuantile(1.2, 3, 3) },
		"Dunnett empty":      func() (float64, error) { return dist.DunnettSF(1, nil, 3, dist.TwoSided) },
		"Dunnett df":         func() (float64, error) { return dist.DunnettSF(1, good, 0, dist.TwoSided) },
		"Dunnett sides":      func() (float64, error) { return dist.DunnettSF(1, good, 3, 7) },
		"Dunnett NaN":        func() (float64, error) { return dist.DunnettSF(nan, good, 3, dist.OneSided) },
		"Dunnett same":       func() (float64, error) { return dist.DunnettSF(1, equicorrelation(3, 1), 3, dist.OneSided) },
		"Dunnett impossible": func() (float64, error) { return dist.DunnettSF(1, equicorrelation(4, -0.9), 3, dist.OneSided) },
		"Dunnett diagonal":   func() (float64, error) { return dist.DunnettSF(1, mat.NewSymDense(2, nil), 3, dist.OneSided) },
		"ncp negative":       func() (float64, error) { return dist.NoncentralFSF(1, 2, 3, -1) },
		"ncp NaN":            func() (float64, error) { return dist.NoncentralTSF(1, 2, nan) },
		"ncp huge":           func() (float64, error) { return dist.NoncentralFSF(1, 2, 3, 1e12) },
	} {
		if x, err := f(); err == nil || math.IsNaN(x) {
			t.Errorf("%s: %v, %v", name, x, err)
		}
	}
}

// FuzzTails looks for arguments that give NaN, a value outside [0, 1], or a
// panic.
func FuzzTails(f *testing.F) {
	f.Add(3.5, 12.0, 4.0, 2.0)
	f.Add(1e-300, 1e-3, 1e6, 0.0)
	f.Add(1e300, 1e8, 999.0, 900.0)
	f.Add(-5.0, 0.5, 2.0, -3.0)
	f.Fuzz(func(t *testing.T, x, df, k, ncp float64) {
		if df < 1e-2 && df > 0 {
			t.Skip("slow")
		}
		check := func(name string, p float64, err error) {
			if err == nil && !(p >= 0 && p <= 1) {
				t.Errorf("%s(%v, df %v, k %v, ncp %v) = %v", name, x, df, k, ncp, p)
			}
		}
		p, err := dist.TSF(x, df)
		check("t", p, err)
		p, err = dist.FSF(x, k, df)
		check("F", p, err)
		if k > 0 && k < 200 {
			p, err = dist.StudentizedRangeSF(x, int(k), df)
			check("range", p, err)
			p, err = dist.StudentizedRangeCDF(x, int(k), df)
			check("range CDF", p, err)
		}
		if math.Abs(ncp) < 1e4 {
			p, err = dist.NoncentralTSF(x, df, ncp)
			check("non-central t", p, err)
			p, err = dist.NoncentralFSF(x, k, df, ncp)
			check("non-central F", p, err)
		}
	})
}
