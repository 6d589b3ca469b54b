package dist_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// The ends of every scale: an infinite statistic, a statistic at or below the
// least there is, an error variance that is known, and arguments that are no
// numbers.
func TestEnds(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	corr := equicorrelation(3, 0.5)
	refused := math.NaN()
	two := func(x float64) func(float64, float64) (float64, error) {
		return func(df, _ float64) (float64, error) { return dist.DunnettSF(x, corr, df, dist.TwoSided) }
	}
	one := func(x float64) func(float64, float64) (float64, error) {
		return func(df, _ float64) (float64, error) { return dist.DunnettSF(x, corr, df, dist.OneSided) }
	}
	const df = 7
	for _, c := range []struct {
		name string
		f    func(df, d1 float64) (float64, error)
		want float64
	}{
		{"t at infinity", func(df, _ float64) (float64, error) { return dist.TSF(inf, df) }, 0},
		{"t at minus infinity", func(df, _ float64) (float64, error) { return dist.TSF(-inf, df) }, 1},
		{"t at 0", func(df, _ float64) (float64, error) { return dist.TSF(0, df) }, 0.5},
		{"two-sided t at minus infinity", func(df, _ float64) (float64, error) { return dist.TTwoSided(-inf, df) }, 0},
		{"two-sided t at 0", func(df, _ float64) (float64, error) { return dist.TTwoSided(0, df) }, 1},
		{"two-sided t of NaN", func(df, _ float64) (float64, error) { return dist.TTwoSided(nan, df) }, refused},
		{"t of infinite df", func(_, _ float64) (float64, error) { return dist.TTwoSided(1.959963984540054, inf) }, 0.05},
		{"middle of t", func(df, _ float64) (float64, error) { return dist.TQuantile(0.5, df) }, 0},
		{"t quantile of infinite df", func(_, _ float64) (float64, error) { return dist.TQuantile(0.975, inf) }, 1.959963984540054},
		{"t quantile without df", func(_, _ float64) (float64, error) { return dist.TQuantile(0.975, 0) }, refused},
		{"F at infinity", func(df, d1 float64) (float64, error) { return dist.FSF(inf, d1, df) }, 0},
		{"F at 0", func(df, d1 float64) (float64, error) { return dist.FSF(0, d1, df) }, 1},
		{"F below 0", func(df, d1 float64) (float64, error) { return dist.FSF(-1, d1, df) }, 1},
		{"F without df", func(_, d1 float64) (float64, error) { return dist.FSF(1, d1, 0) }, refused},
		{"F quantile without df", func(_, d1 float64) (float64, error) { return dist.FQuantile(0.95, d1, 0) }, refused},
		{"F quantile without numerator", func(df, _ float64) (float64, error) { return dist.FQuantile(0.95, 0, df) }, refused},
		{"chi-square at infinity", func(df, _ float64) (float64, error) { return dist.ChiSquareSF(inf, df) }, 0},
		{"chi-square at 0", func(df, _ float64) (float64, error) { return dist.ChiSquareSF(0, df) }, 1},
		{"chi-square below 0", func(df, _ float64) (float64, error) { return dist.ChiSquareSF(-2, df) }, 1},
		{"chi-square of NaN", func(df, _ float64) (float64, error) { return dist.ChiSquareSF(nan, df) }, refused},
		{"chi-square of infinite df", func(_, _ float64) (float64, error) { return dist.ChiSquareSF(3, inf) }, refused},
		{"chi-square of too many df", func(_, _ float64) (float64, error) { return dist.ChiSquareSF(3, 1.1e9) }, refused},
		{"normal quantile of 0", func(_, _ float64) (float64, error) { return dist.NormalQuantile(0) }, refused},
		{"normal quantile of 1", func(_, _ float64) (float64, error) { return dist.NormalQuantile(1) }, refused},
		{"range at infinity", func(df, _ float64) (float64, error) { return dist.StudentizedRangeSF(inf, 3, df) }, 0},
		{"range at 0", func(df, _ float64) (float64, error) { return dist.StudentizedRangeSF(0, 3, df) }, 1},
		{"range below 0", func(df, _ float64) (float64, error) { return dist.StudentizedRangeSF(-1, 3, df) }, 1},
		{"lower range at infinity", func(df, _ float64) (float64, error) { return dist.StudentizedRangeCDF(inf, 3, df) }, 1},
		{"lower range at 0", func(df, _ float64) (float64, error) { return dist.StudentizedRangeCDF(0, 3, df) }, 0},
		{"lower range of NaN", func(df, _ float64) (float64, error) { return dist.StudentizedRangeCDF(nan, 3, df) }, refused},
		{"range without df", func(_, _ float64) (float64, error) { return dist.StudentizedRangeSF(1, 3, 0) }, refused},
		{"range of most means", func(df, _ float64) (float64, error) { return dist.StudentizedRangeSF(0, dist.MaxGroups, df) }, 1},
		{"Dunnett at infinity", two(inf), 0},
		{"Dunnett at 0", two(0), 1},
		{"Dunnett at minus infinity", two(-inf), 1},
		{"Dunnett below, at infinity", one(inf), 0},
		{"Dunnett below, at minus infinity", one(-inf), 1},
		{"Dunnett quantile of 0", func(df, _ float64) (float64, error) { return dist.DunnettQuantile(0, corr, df, dist.TwoSided) }, refused},
		{"Dunnett quantile of 1", func(df, _ float64) (float64, error) { return dist.DunnettQuantile(1, corr, df, dist.TwoSided) }, refused},
		{"Dunnett of an odd matrix", func(df, _ float64) (float64, error) {
			return dist.DunnettQuantile(0.95, mat.NewSymDense(1, []float64{2}), df, dist.TwoSided)
		}, refused},
		{"non-central F at infinity", func(df, d1 float64) (float64, error) { return dist.NoncentralFSF(inf, d1, df, 3) }, 0},
		{"non-central F at 0", func(df, d1 float64) (float64, error) { return dist.NoncentralFSF(0, d1, df, 3) }, 1},
		{"non-central F, bound", func(df, d1 float64) (float64, error) {
			return dist.NoncentralFSF(1, d1, df, dist.MaxNoncentrality*1.001)
		}, refused},
		{"non-central t at infinity", func(df, _ float64) (float64, error) { return dist.NoncentralTSF(inf, df, 3) }, 0},
		{"non-central t at minus infinity", func(df, _ float64) (float64, error) { return dist.NoncentralTSF(-inf, df, 3) }, 1},
		{"non-central t of NaN", func(df, _ float64) (float64, error) { return dist.NoncentralTSF(nan, df, 3) }, refused},
		{"non-central t, bound", func(df, _ float64) (float64, error) { return dist.NoncentralTSF(1, df, -1001) }, refused},
		{"non-central t without df", func(_, _ float64) (float64, error) { return dist.NoncentralTSF(1, 0, 1) }, refused},
		{"non-central t of infinite df", func(_, _ float64) (float64, error) { return dist.NoncentralTSF(3, inf, 1.040036015459946) }, 0.025},
		{"non-central t at its own middle", func(_, _ float64) (float64, error) { return dist.NoncentralTSF(1000, inf, 1000) }, 0.5},
	} {
		got, err := c.f(df, 4)
		switch {
		case math.IsNaN(c.want):
			if err == nil || math.IsNaN(got) {
				t.Errorf("%s: %v, %v", c.name, got, err)
			}
		case err != nil || math.Abs(got-c.want) > 1e-11:
			t.Errorf("%s: %v, %v, want %v", c.name, got, err, c.want)
		}
	}
	for _, k := range []int{dist.MaxComparisons, dist.MaxComparisons + 1} {
		if _, err := dist.NewMaxT(equicorrelation(k, 0.5), 20, dist.TwoSided); (err == nil) != (k <= dist.MaxComparisons) {
			t.Errorf("%d comparisons: %v", k, err)
		}
	}
}

// Quantiles in both tails, and far out, from R 4.2.2: qt, qf, qtukey, qnorm.
func TestQuantilesOfBothTails(t *testing.T) {
	for _, c := range []struct {
		name string
		got  func() (float64, error)
		want float64
	}{
		{"qt(.025, 7)", func() (float64, error) { return dist.TQuantile(0.025, 7) }, -2.3646242515928},
		{"qt(1e-8, 3)", func() (float64, error) { return dist.TQuantile(1e-8, 3) }, -479.52506957974},
		{"qt(.51, 2)", func() (float64, error) { return dist.TQuantile(0.51, 2) }, 0.028289929799334},
		{"qf(.025, 4, 11)", func() (float64, error) { return dist.FQuantile(0.025, 4, 11) }, 0.11371990313921},
		{"qf(.025, 4, Inf)", func() (float64, error) { return dist.FQuantile(0.025, 4, math.Inf(1)) }, 0.12110463927198},
		{"qf(.5, 4, 11)", func() (float64, error) { return dist.FQuantile(0.5, 4, 11) }, 0.89315695557771},
		{"qf(.975, 4, 11)", func() (float64, error) { return dist.FQuantile(0.975, 4, 11) }, 4.2750715963366},
		{"qf(1 - 1e-9, 1, 2)", func() (float64, error) { return dist.FQuantile(1-1e-9, 1, 2) }, 999999998.5},
		{"qtukey(.05, 4, 9)", func() (float64, error) { return dist.StudentizedRangeQuantile(0.05, 4, 9) }, 0.74725700920661},
		{"qtukey(.5, 4, 9)", func() (float64, error) { return dist.StudentizedRangeQuantile(0.5, 4, 9) }, 2.0569857144553},
		{"qnorm(1e-9)", func() (float64, error) { return dist.NormalQuantile(1e-9) }, -5.9978070150077},
	} {
		got, err := c.got()
		rel := 1e-7
		if c.name[:3] == "qtu" {
			rel = 1e-3 // qtukey solves to 1e-4
		}
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name, got, c.want, rel)
	}
}

// Many df: F with a numerator or denominator beyond 5000 df joins those below
// smoothly, and is one minus the F of the reciprocal.
func TestManyDF(t *testing.T) {
	ok := must(t)
	for _, few := range []float64{1, 4, 30} {
		for _, f := range []float64{0.3, 0.9, 1, 1.1, 2, 5} {
			for _, many := range []float64{4999, 5001, 1e5, 1e7} {
				near(t, "sum", ok(dist.FSF(f, few, many))+ok(dist.FSF(1/f, many, few)), 1, 1e-11)
			}
			near(t, "numerator", ok(dist.FSF(f, 5000.001, few)), ok(dist.FSF(f, 4999.999, few)), 1e-6)
			near(t, "denominator", ok(dist.FSF(f, few, 5000.001)), ok(dist.FSF(f, few, 4999.999)), 1e-5)
			near(t, "chi-square", ok(dist.FSF(f, few, 1e9)), ok(dist.ChiSquareSF(f*few, few)), 1e-5)
		}
	}
}
