package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// linePairs are plots of quadrats in two treatments, 0.1 apart by hand, with a
// camera that errs by plot and by photo.
func linePairs(rng *rand.Rand, plots, quadrats int, gap float64) (out []Pair) {
	for p := range plots {
		trt := p % 2
		level := 0.3 + gap*float64(trt) + 0.05*rng.NormFloat64()
		camera := 0.02 * rng.NormFloat64()
		for q := range quadrats {
			h := level + 0.08*rng.NormFloat64()
			out = append(out, Pair{Plot: fmt.Sprint(p), Quadrat: fmt.Sprint(q), Treatment: fmt.Sprint(trt), Hand: h,
				Image: 0.02 + 0.9*h + camera + 0.015*rng.NormFloat64()})
		}
	}
	return out
}

// difference is that of two treatments, which take turns from plot to plot, by
// calibrated values: the interval that carries the line's uncertainty, that of
// the plots alone, and the estimate.
func difference(t *testing.T, l *Line, photos []Pair, quadrats int) (carried, naive *Interval, diff float64) {
	t.Helper()
	var in []PlotImages
	for i, p := range photos {
		if i%quadrats == 0 {
			in = append(in, PlotImages{Plot: p.Plot})
		}
		in[len(in)-1].Images = append(in[len(in)-1].Images, p.Image)
	}
	m, err := l.ApplyMeans(in)
	if err != nil {
		t.Fatal(err)
	}
	plots := float64(len(in))
	contrast, groups := make([]float64, len(in)), [2][]float64{}
	for i, v := range m.Values {
		contrast[i] = float64(2*(i%2)-1) * 2 / plots
		groups[i%2] = append(groups[i%2], v)
	}
	extra, err := m.Variance(contrast)
	if err != nil {
		t.Fatal(err)
	}
	diff = mean(groups[1]) - mean(groups[0])
	own := (variance(groups[0]) + variance(groups[1])) / 2 * 4 / plots
	df := square(own+extra) / (own*own/(plots-2) + extra*extra/m.DF)
	return around(diff, tHalf(0.95, df)*math.Sqrt(own+extra), 0.95, ""), around(diff, tHalf(0.95, plots-2)*math.Sqrt(own), 0.95, ""), diff
}

// Calibrated means must carry their uncertainty: the interval of a treatment
// difference holds the truth as often as it says only when Variance is added.
// The calibration set is another sample of plots, as in a trial where some plots
// are calibrated and others compared.
func TestCalibratedComparisonCoversTheTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 2))
	const gap, plots, photos = 0.1, 12, 4
	var carried, naive coverage
	opt := DefaultOptions()
	for range heavy(1200, 12000) {
		l, err := FitLine(linePairs(rng, 10, 2, gap), MethodOLS, opt)
		if err != nil {
			t.Fatal(err)
		}
		with, without, _ := difference(t, l, linePairs(rng, plots, photos, gap), photos)
		carried.add(with, gap)
		naive.add(without, gap)
	}
	carried.check(t, "uncertainty carried", 0.945, 0.985)
	t.Logf("left out: %.1f %%", 100*naive.hit/naive.n)
	if naive.hit >= carried.hit {
		t.Error("leaving the uncertainty out should cover less")
	}
}

// The jackknife interval of the slope and the prediction interval hold what they
// promise though quadrats share the camera's error in their plot.
func TestLineIntervals(t *testing.T) {
	rng := rand.New(rand.NewPCG(42, 2))
	opt := DefaultOptions()
	// The slope the fit aims at: cov(hand, image)/var(image), from the parts.
	varHand := 0.05*0.05 + 0.08*0.08
	truth := 0.9 * varHand / (0.81*varHand + 0.02*0.02 + 0.015*0.015)
	var slope, hand coverage
	for range heavy(1000, 10000) {
		pairs := linePairs(rng, 15, 4, 0)
		l, err := FitLine(pairs, MethodOLS, opt)
		if err != nil {
			t.Fatal(err)
		}
		slope.add(l.Slope.ClusterCI, truth)
		next := linePairs(rng, 1, 1, 0)[0]
		c, err := l.Apply([]float64{next.Image})
		if err != nil {
			t.Fatal(err)
		}
		hand.add(c[0].Prediction, next.Hand)
	}
	slope.check(t, "slope", 0.93, 0.975)
	hand.check(t, "hand value of a new quadrat", 0.93, 0.975)
}

func TestChoiceOfLine(t *testing.T) {
	pairs := linePairs(rand.New(rand.NewPCG(43, 2)), 10, 3, 0.1)
	c, err := Calibrate(pairs, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if c.Chosen.Method != MethodOLS || len(c.Lines) != 4 || c.Why == "" {
		t.Errorf("chose %v from %d lines: %s", c.Chosen.Method, len(c.Lines), c.Why)
	}
	if c.Outlier != nil {
		t.Errorf("an outlier was found where there is none: %+v", c.Outlier)
	}
	straight := lineOf(t, c, MethodTheilSen).Slope.Value
	pairs[7].Image = 0.95 // a photo with a green boot in it
	if c, err = Calibrate(pairs, DefaultOptions()); err != nil {
		t.Fatal(err)
	}
	if c.Chosen.Method != MethodOLS || c.Outlier == nil || c.Outlier.Pair != pairs[7].Name() || !strings.Contains(strings.Join(c.Warnings, " "), "Theil-Sen") {
		t.Errorf("chose %v, outlier %+v: %q", c.Chosen.Method, c.Outlier, c.Warnings)
	}
	if robust := lineOf(t, c, MethodTheilSen).Slope.Value; math.Abs(robust-straight) > 0.1 {
		t.Errorf("one gross error moved the robust slope from %v to %v", straight, robust)
	}
	opt := DefaultOptions()
	opt.Kind = Count
	if c, err = Calibrate(pairs, opt); err != nil || c.Chosen.Method != MethodCounts || c.Counts == nil {
		t.Errorf("counts: chose %v, %v", c.Chosen, err)
	}
	falling := mapPairs(pairs, func(p Pair) Pair { p.Image = 0.9 - p.Hand; return p })
	if c, _ = Calibrate(falling, DefaultOptions()); !strings.Contains(strings.Join(c.Warnings, " "), "falls") {
		t.Errorf("no warning about a falling line: %v", c.Warnings)
	}
}

func TestApply(t *testing.T) {
	pairs := linePairs(rand.New(rand.NewPCG(44, 2)), 10, 3, 0.1)
	l, err := FitLine(pairs, MethodOLS, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	c, err := l.Apply([]float64{l.Low, l.High, l.High + 0.05, l.Low - 0.05})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []bool{false, false, true, true} {
		if c[i].Extrapolated != want {
			t.Errorf("image %v: extrapolated %v", c[i].Image, c[i].Extrapolated)
		}
	}
	m, err := l.ApplyMeans([]PlotImages{{"a", []float64{0.2, 0.4}}, {"b", []float64{0.4}}, {"c", []float64{0.9}}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean of quadrats", m.Values[0], (l.At(0.2)+l.At(0.4))/2, 1e-12)
	if len(m.Extrapolated) != 1 || m.Extrapolated[0] != "c" {
		t.Errorf("extrapolated %v", m.Extrapolated)
	}
	// Of a difference, the line's part is var(slope) times the squared difference
	// of the image means.
	v, err := m.Variance([]float64{1, -1, 0})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "variance of a difference", v, 0.01*l.Cov[1][1]+2*l.PlotVar+1.5*l.QuadratVar, 1e-12)
	for _, bad := range []func() error{
		func() error { _, err := l.Apply([]float64{Missing()}); return err },
		func() error { _, err := l.ApplyMeans([]PlotImages{{"a", nil}}); return err },
		func() error { _, err := m.Variance([]float64{1}); return err },
		func() error { _, err := (&Line{}).ApplyMeans(nil); return err },
	} {
		if bad() == nil {
			t.Error("a calibration without sense was made")
		}
	}
}

// Analysis of covariance by hand: two treatments of three plots, parallel lines
// of slope 1 that are 2 apart, hand values off them by -+0.5.
func TestAfterLine(t *testing.T) {
	var cells []plotMean
	for g := range 2 {
		for i, e := range []float64{0.5, -1, 0.5} {
			x := float64(i + g)
			cells = append(cells, plotMean{plot: len(cells), group: g, image: x, hand: x + 2*float64(g) + e})
		}
	}
	got := covarianceTest(cells, 2)
	// Within treatments Sxx = 4, Sxy = 4, Syy = 4 + 3, so 3 is left on 3 df.
	// Together Sxx = 5.5, Sxy = 8.5, Syy = 20.5, so 20.5 - 8.5^2/5.5 is left.
	near(t, "F", got.Statistic, 20.5-8.5*8.5/5.5-3, 1e-9)
	if got.DF1 != 1 || got.DF2 != 3 {
		t.Errorf("df %v and %v", got.DF1, got.DF2)
	}
}

func lineOf(t *testing.T, c Calibration, m Method) *Line {
	t.Helper()
	for _, l := range c.Lines {
		if l.Method == m {
			return l
		}
	}
	t.Fatalf("no %s line", m)
	return nil
}

// A pair is pointed out at p below 0.01 and not above; the line chosen is the
// same on both sides.
func TestOutlierLimit(t *testing.T) {
	pairs := linePairs(rand.New(rand.NewPCG(43, 2)), 10, 3, 0.1)
	start := pairs[7].Image
	sides := map[bool]int{}
	for step := 0.0; step < 0.3; step += 0.005 {
		pairs[7].Image = start + step
		c, err := Calibrate(pairs, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		hand, image := columns(pairs)
		_, p := outlier(image, hand, 0.95)
		if found := c.Outlier != nil; found != (p < 0.01) || c.Chosen.Method != MethodOLS {
			t.Errorf("p %v: outlier %+v, line %v", p, c.Outlier, c.Chosen.Method)
		}
		if p > 0.01 && p < 0.05 || p < 0.01 && p > 0.001 {
			sides[p < 0.01]++ // near the limit on either side
		}
	}
	if sides[true] == 0 || sides[false] == 0 {
		t.Errorf("the steps did not meet both sides of the limit closely: %v", sides)
	}
}
