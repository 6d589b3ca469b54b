package calibrate

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// Clumped hand counts (negative binomial with size 2 about mean 12) and an image
// that misses some and splits others.
func countPairs(rng *rand.Rand, n int, detect float64) (image, hand []float64) {
	for range n {
		mu := distuv.Gamma{Alpha: 2, Beta: 2 / 12.0, Src: rng}.Rand()
		h := distuv.Poisson{Lambda: mu, Src: rng}.Rand()
		hand = append(hand, h)
		seen := 0.0
		if h > 0 {
			seen = distuv.Binomial{N: h, P: detect, Src: rng}.Rand()
		}
		image = append(image, seen)
	}
	return image, hand
}

// The slope found along the line through the means must be the maximum of the
// Poisson likelihood over both parameters, found by a second route: iteratively
// reweighted least squares, the textbook algorithm for generalised linear models
// (McCullagh & Nelder 1989, Generalized Linear Models, section 2.5).
func TestCountLineIsMaximumLikelihood(t *testing.T) {
	inner := 0
	for seed := range uint64(20) {
		x, y := countPairs(rand.New(rand.NewPCG(seed, 7)), 30, 0.7)
		for i := range x {
			y[i] += 1 + float64(i%3) // some hand counts where the image shows nothing
		}
		c, err := FitCounts(x, y)
		if err != nil {
			t.Fatal(err)
		}
		if c.AtBound {
			continue
		}
		inner++
		a, b := mean(y), 0.0
		for range 500 {
			var sw, sx, sy, sxx, sxy float64
			for i := range x {
				w := 1 / max(1e-6, a+b*x[i])
				sw, sx, sy = sw+w, sx+w*x[i], sy+w*y[i]
				sxx, sxy = sxx+w*x[i]*x[i], sxy+w*x[i]*y[i]
			}
			nb := (sw*sxy - sx*sy) / (sw*sxx - sx*sx)
			na := (sy - nb*sx) / sw
			a, b = (a+na)/2, (b+nb)/2
		}
		near(t, "intercept", c.Intercept, a, 1e-7)
		near(t, "slope", c.Slope, b, 1e-8)
	}
	if inner < 10 {
		t.Errorf("only %d of 20 sets have their maximum inside", inner)
	}
}

func TestCountLine(t *testing.T) {
	t.Run("exact line", func(t *testing.T) {
		c, err := FitCounts([]float64{0, 1, 4, 9}, []float64{2, 5, 14, 29})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "intercept", c.Intercept, 2, 1e-9)
		near(t, "slope", c.Slope, 3, 1e-9)
		near(t, "dispersion", c.Dispersion, 0, 1e-12)
	})
	t.Run("ratio at the bound", func(t *testing.T) {
		// Clean quadrats are clean in the photo too and the rest bends upward, so a
		// free line would give negative counts at 0.
		x, y := []float64{0, 0, 1, 2, 3, 10}, []float64{0, 0, 1, 2, 4, 25}
		c, err := FitCounts(x, y)
		if err != nil {
			t.Fatal(err)
		}
		if !c.AtBound {
			t.Errorf("got %+v, want the bound", c)
		}
		near(t, "ratio of sums", c.Slope, 32.0/16, 1e-9)
		near(t, "intercept", c.Intercept, 0, 1e-9)
	})
	t.Run("line through the means", func(t *testing.T) {
		x, y := countPairs(rand.New(rand.NewPCG(1, 2)), 40, 0.6)
		c, err := FitCounts(x, y)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mean", c.Intercept+c.Slope*mean(x), mean(y), 1e-9)
	})
	t.Run("refused", func(t *testing.T) {
		for _, c := range [][2][]float64{{{1, 2, 3}, {0, 0, 0}}, {{2, 2, 2}, {1, 2, 3}}, {{1, 2}, {1, 2}}, {{-1, 2, 3}, {1, 2, 3}}} {
			if _, err := FitCounts(c[0], c[1]); err == nil {
				t.Errorf("%v was fitted", c)
			}
		}
	})
}

// Where the camera finds 7 plants in 10 (binomial thinning of clumped counts),
// the count line must on average predict the mean hand count of new quadrats.
func TestCountLineIsUnbiased(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 3))
	const runs = 600
	errs := make([]float64, runs)
	for r := range errs {
		x, y := countPairs(rng, 30, 0.7)
		c, err := FitCounts(x, y)
		if err != nil {
			t.Fatal(err)
		}
		nx, ny := countPairs(rng, 200, 0.7)
		errs[r] = c.Intercept + c.Slope*mean(nx) - mean(ny)
	}
	if z := mean(errs) / math.Sqrt(variance(errs)/runs); math.Abs(z) > 3.5 {
		t.Errorf("mean error %v is %.1f standard errors from 0", mean(errs), z)
	}
}

// Calibrated counts carry scatter in proportion to the count, and the prediction
// interval holds the hand counts of new quadrats.
func TestCalibratedCounts(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 3))
	opt := DefaultOptions()
	opt.Kind = Count
	var hand coverage
	var l *Line
	for range heavy(300, 3000) {
		x, y := countPairs(rng, 40, 0.7)
		var err error
		if l, err = FitLine(paired(y, x), MethodCounts, opt); err != nil {
			t.Fatal(err)
		}
		nx, ny := countPairs(rng, 10, 0.7)
		c, err := l.Apply(nx)
		if err != nil {
			t.Fatal(err)
		}
		for i := range c {
			hand.add(c[i].Prediction, ny[i])
		}
	}
	hand.check(t, "hand count of a new quadrat", 0.91, 0.98)
	m, err := l.ApplyMeans([]PlotImages{{"a", []float64{2, 2}}, {"b", []float64{8, 8}}})
	if err != nil {
		t.Fatal(err)
	}
	for i, x := range []float64{2, 8} {
		near(t, "variance of a mean", m.Cov[i][i], l.Cov[0][0]+2*x*l.Cov[0][1]+x*x*l.Cov[1][1]+(l.PlotVar+l.QuadratVar/2)*l.At(x), 1e-12)
	}
}
