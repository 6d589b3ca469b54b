package calibrate

import (
	"math"
	"testing"
)

// near fails unless got is within tol of want.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.12g, want %.12g (tolerance %g)", what, got, want, tol)
	}
}

// paired makes pairs without plots from two columns.
func paired(hand, image []float64) []Pair {
	out := make([]Pair, len(hand))
	for i := range hand {
		out[i] = Pair{Hand: hand[i], Image: image[i]}
	}
	return out
}

// counts are options for values without an upper bound.
func counts() Options {
	o := DefaultOptions()
	o.Kind, o.Resamples = Count, 300
	return o
}

// Peak flow by two meters, Bland & Altman 1986, Lancet i: 307-310, table of 17
// subjects, first readings (data as in the R package BlandAltmanLeh).
var (
	pefrWright = []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	pefrMini   = []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
)

func TestBlandAltman1986(t *testing.T) {
	// Wright minus mini, so the mini meter takes the place of the hand.
	a, err := Agree(paired(pefrMini, pefrWright), counts())
	if err != nil {
		t.Fatal(err)
	}
	// Printed: mean difference -2.1, SD 38.8, limits -79.7 and 75.5 (mean -+ 2
	// SD), r = 0.94, 95 % interval of the mean -22.0 to 17.8.
	near(t, "bias", a.Bias.Value, -2.1, 0.05)
	near(t, "sd", a.SDDiff.Value, 38.8, 0.05)
	near(t, "lower, 2 SD", a.Bias.Value-2*a.SDDiff.Value, -79.7, 0.1)
	near(t, "upper, 2 SD", a.Bias.Value+2*a.SDDiff.Value, 75.5, 0.1)
	near(t, "r", a.Pearson.Value, 0.94, 0.005)
	near(t, "bias low", a.Bias.CI.Low, -22.0, 0.06)
	near(t, "bias high", a.Bias.CI.High, 17.8, 0.06)
	// Lin's concordance, reference value of R code with divisor n.
	near(t, "ccc", a.CCC.Value, 0.9427424314274845, 1e-12)
}

// Ten invented cover pairs in percent. Results from R 4.2.2 (mean, sd, cor, lm,
// t.test).
var (
	tenHand  = []float64{5, 8, 12, 20, 25, 33, 40, 52, 60, 75}
	tenImage = []float64{7, 9, 15, 22, 30, 35, 47, 55, 68, 81}
)

func TestTenPairs(t *testing.T) {
	opt := DefaultOptions()
	opt.Unit, opt.Resamples = UnitPercent, 300
	r, err := Study(paired(tenHand, tenImage), opt)
	if err != nil {
		t.Fatal(err)
	}
	a := r.Agreement
	near(t, "bias", 100*a.Bias.Value, 3.9, 1e-9)
	near(t, "sd", 100*a.SDDiff.Value, 2.424413, 5e-7)
	near(t, "lower", 100*a.LowerLimit.Value, -0.8518, 5e-5)
	near(t, "upper", 100*a.UpperLimit.Value, 8.6518, 5e-5)
	near(t, "rmse", 100*a.RMSE.Value, 4.527693, 5e-7)
	near(t, "r", a.Pearson.Value, 0.997715, 5e-7)
	near(t, "ccc", a.CCC.Value, 0.981201, 5e-7)
	near(t, "ccc n-1", a.CCC.NMinus1, 0.982572, 5e-7)
	near(t, "slope image on hand", r.Calibration.ImageOnHand.Slope.Value, 1.073004, 5e-7)
	near(t, "intercept", 100*r.Calibration.ImageOnHand.Intercept.Value, 1.490854, 5e-7)
	tb := a.Bias.Value / *a.Bias.SE
	near(t, "t", tb, 5.0870, 5e-5)
	near(t, "p", tTwoSided(tb, 9), 0.000657, 5e-7)
	// The lesson of the set: r is 0.998, yet the camera reads high.
	if ci := a.Bias.Best(); ci == nil || ci.Low <= 0 {
		t.Errorf("bias interval %v should lie above 0", ci)
	}
}

// Six subjects, four judges, printed ICC to two decimals: Shrout & Fleiss 1979,
// Psychol. Bull. 86: 420-428 (data as in ICC of the R package psych).
func TestShroutFleiss1979(t *testing.T) {
	c, err := NewICC([][]float64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []struct {
		name      string
		got, want float64
	}{{"1,1", c.OneOne, 0.17}, {"2,1", c.Value, 0.29}, {"3,1", c.ThreeOne, 0.71}, {"1,4", c.OneK, 0.44}, {"2,4", c.TwoK, 0.62}, {"3,4", c.ThreeK, 0.91}} {
		near(t, "ICC("+v.name+")", v.got, v.want, 0.005)
	}
	near(t, "low", c.CI.Low, 0.018786513374711954, 1e-9) // R 4.2.2
	near(t, "high", c.CI.High, 0.7610843696489527, 1e-9)
}

// NIST Statistical Reference Datasets, linear regression, Norris: certified
// values to 15 digits.
func TestNISTNorris(t *testing.T) {
	x := []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777, 558.2, 0.4, 0.6, 775.5, 666.9, 338, 447.5, 11.6,
		556, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999, 779, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	y := []float64{0.1, 338.8, 118.1, 888, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
		557.7, 228.3, 998, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	l, err := FitOLS(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", l.Intercept.Value, -0.262323073774029, 1e-12)
	near(t, "slope", l.Slope.Value, 1.00211681802045, 1e-14)
	near(t, "se intercept", *l.Intercept.SE, 0.232818234301152, 1e-13)
	near(t, "se slope", *l.Slope.SE, 0.429796848199937e-3, 1e-16)
	near(t, "sigma", l.Sigma, 0.884796396144373, 1e-12)
	near(t, "r2", *l.R2, 0.999993745883712, 1e-14)
}

// The F test of bias between plots is the one-way F of plot means: PlantGrowth
// of R (Annette Dobson 1983, An Introduction to Statistical Modelling), F =
// 4.846, p = 0.01591.
func TestBiasBetweenPlots(t *testing.T) {
	weight := [][]float64{
		{4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14},
		{4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69},
		{6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26},
	}
	var pairs []Pair
	for g, row := range weight {
		for i, w := range row {
			// Two quadrats a plot with the plot's mean in the middle: more quadrats
			// must not make more replicates.
			plot, trt := string(rune('a'+g))+string(rune('0'+i)), string(rune('A'+g))
			pairs = append(pairs, Pair{Plot: plot, Quadrat: "1", Treatment: trt, Hand: 10, Image: 10 + w - 2},
				Pair{Plot: plot, Quadrat: "2", Treatment: trt, Hand: 10, Image: 10 + w + 2})
		}
	}
	b, note := biasTest(pairs, ByTreatment, 0.95, false)
	if b == nil {
		t.Fatal(note)
	}
	if b.Design != "between plots" || b.DF1 != 2 || b.DF2 != 27 || !b.Shown {
		t.Errorf("got %+v", b)
	}
	near(t, "F", b.Statistic, 4.846, 5e-4)
	near(t, "p", b.P, 0.01591, 5e-6)
}

// Within plots the F test is that of a block table, checked on a 5 x 4 table
// and on the same with one cell missing (R 4.2.2, aov, blocks first).
func TestBiasWithinPlots(t *testing.T) {
	table := [][]float64{{62, 48, 71, 55}, {24, 31, 38, 19}, {15, 9, 27, 18}, {33, 22, 41, 36}, {8, 5, 12, 11}}
	build := func(skip int) (out []Pair) {
		for i, row := range table {
			for j, v := range row {
				if 10*i+j != skip {
					out = append(out, Pair{Plot: string(rune('p' + j)), Observer: string(rune('A' + i)), Image: v})
				}
			}
		}
		return out
	}
	for _, c := range []struct {
		skip      int
		f, df2, p float64
	}{{-1, 55.63098, 12, 1.2011e-7}, {22, 50.12171, 11, math.NaN()}} {
		b, note := biasTest(build(c.skip), ByObserver, 0.95, false)
		if b == nil {
			t.Fatal(note)
		}
		if b.Design != "within plots" || b.DF1 != 4 || b.DF2 != c.df2 {
			t.Errorf("got %+v", b)
		}
		near(t, "F", b.Statistic, c.f, 5e-6)
		if !math.IsNaN(c.p) {
			near(t, "p", b.P, c.p, 5e-12)
		}
	}
}
