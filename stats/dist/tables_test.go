package dist_test

import (
	"math"
	"testing"

	"quadtally/stats/dist"
)

// The upper points of the studentized range as printed, to their two decimals,
// by df and then k = 2 to 6, in most handbooks. All agree with integration by a
// second program (R 4.2.2 is off at p 0.99 and 2 df, the table is not).
var printedRange = []struct {
	p, df float64
	q     [5]float64
}{
	{0.95, 2, [5]float64{6.08, 8.33, 9.80, 10.88, 11.73}},
	{0.95, 5, [5]float64{3.64, 4.60, 5.22, 5.67, 6.03}},
	{0.95, 10, [5]float64{3.15, 3.88, 4.33, 4.65, 4.91}},
	{0.95, 12, [5]float64{3.08, 3.77, 4.20, 4.51, 4.75}},
	{0.95, 20, [5]float64{2.95, 3.58, 3.96, 4.23, 4.45}},
	{0.95, 60, [5]float64{2.83, 3.40, 3.74, 3.98, 4.16}},
	{0.95, math.Inf(1), [5]float64{2.77, 3.31, 3.63, 3.86, 4.03}},
	{0.99, 2, [5]float64{14.04, 19.02, 22.29, 24.72, 26.63}},
	{0.99, 10, [5]float64{4.48, 5.27, 5.77, 6.14, 6.43}},
	{0.99, 20, [5]float64{4.02, 4.64, 5.02, 5.29, 5.51}},
	{0.99, math.Inf(1), [5]float64{3.64, 4.12, 4.40, 4.60, 4.76}},
}

func TestPrintedStudentizedRange(t *testing.T) {
	for _, row := range printedRange {
		for i, want := range row.q {
			got, err := dist.StudentizedRangeQuantile(row.p, i+2, row.df)
			if err != nil || math.Abs(got-want) > 0.0051 {
				t.Errorf("q(%v; %d, %v) = %v, printed %v (%v)", row.p, i+2, row.df, got, want, err)
			}
		}
	}
}

// The 5 % points for comparisons with a control as printed, k = 1 to 5
// treatments, in most handbooks. All agree with mvtnorm in R 4.2.2.
var printedDunnett = []struct {
	sided dist.Sided
	df    float64
	t     [5]float64
}{
	{dist.OneSided, 10, [5]float64{1.81, 2.15, 2.34, 2.47, 2.56}},
	{dist.OneSided, 20, [5]float64{1.72, 2.03, 2.19, 2.30, 2.39}},
	{dist.OneSided, math.Inf(1), [5]float64{1.64, 1.92, 2.06, 2.16, 2.23}},
	{dist.TwoSided, 10, [5]float64{2.23, 2.57, 2.76, 2.89, 2.99}},
	{dist.TwoSided, 20, [5]float64{2.09, 2.38, 2.54, 2.65, 2.73}},
	{dist.TwoSided, math.Inf(1), [5]float64{1.96, 2.21, 2.35, 2.44, 2.51}},
}

func TestPrintedDunnett(t *testing.T) {
	for _, row := range printedDunnett {
		for i, want := range row.t {
			got, err := dist.DunnettQuantile(0.95, equicorrelation(i+1, 0.5), row.df, row.sided)
			if err != nil || math.Abs(got-want) > 0.0051 {
				t.Errorf("sided %d, %d treatments, df %v: %v, printed %v (%v)", row.sided, i+1, row.df, got, want, err)
			}
		}
	}
}

// Values of higher precision, computed by Gauss-Legendre quadrature and series
// in R 4.2.2 (the scripts are in testdata/reference).
func TestComputedElsewhere(t *testing.T) {
	ok := must(t)
	for _, v := range []struct {
		name      string
		got, want float64
	}{
		{"t quantile .975, 12", ok(dist.TQuantile(0.975, 12)), 2.1788128296672284},
		{"F quantile .95, 2, 4", ok(dist.FQuantile(0.95, 2, 4)), 6.944271909999156},
		{"q .95, 2, 2", ok(dist.StudentizedRangeQuantile(0.95, 2, 2)), 6.084869844593264},
		{"q .99, 2, 2", ok(dist.StudentizedRangeQuantile(0.99, 2, 2)), 14.035847859164532},
		{"Dunnett two-sided .99, 9, 2", ok(dist.DunnettQuantile(0.99, equicorrelation(9, 0.5), 2, dist.TwoSided)), 17.493945316303943},
		{"non-central t", ok(dist.NoncentralTCDF(3, 2, 0.5)), 0.90490215096330229},
		{"non-central t", ok(dist.NoncentralTCDF(1, 8, 0.5)), 0.67553817867966481},
		{"normal tail at 20", ok(dist.NormalSF(20)), 2.753624118606234e-89},
	} {
		near(t, v.name, v.got, v.want, 2e-8)
	}
	// qtukey of R 4.2.2 returns 40.66 here; the tables and this have 35.43.
	if q := ok(dist.StudentizedRangeQuantile(0.99, 15, 2)); math.Abs(q-35.43) > 0.01 {
		t.Errorf("q(.99; 15, 2) = %v", q)
	}
}
