package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// points makes check points of two classes from probabilities of the second.
func twoClassPoints(f []float64, y []int) []CheckPoint {
	var out []CheckPoint
	for i, v := range f {
		m := 0
		if v > 0.5 {
			m = 1
		}
		out = append(out, CheckPoint{Prob: []float64{1 - v, v}, Mapped: m, Answer: y[i]})
	}
	return out
}

// TestClassSharesByHand: the regression estimator and its variance worked out
// by hand for two classes (Cochran 1977, chapter 7); and where all points look
// alike the difference estimator, mean f over all plus the mean of y - f, the
// number of prediction-powered inference (Angelopoulos and others 2023, Science
// 382, 669-674: Y 3 5 7, f 2 5 6 and unlabelled 4 5 6 7 give 6.16667 there, here
// as shares of ten).
func TestClassSharesByHand(t *testing.T) {
	f := []float64{.9, .9, .1, .1, .9, .1, .9, .1, .1, .1, .9, .1, .7, .2, .4, .3}
	y := []int{0, 0, 1, 0, 1, 0, 1, 0, 0, 0, 1, 0, 1, 0, 0, 1}
	got, err := NewClassShares(Mapped{Green: 1, Mean: []float64{.7, .3}}, twoClassPoints(f, y), 0.9)
	if err != nil {
		t.Fatal(err)
	}
	var mf, my, sff, sfy, rss, tss float64
	n := float64(len(f))
	for i := range f {
		mf, my = mf+f[i]/n, my+float64(y[i])/n
	}
	for i := range f {
		sff += (f[i] - mf) * (f[i] - mf)
		sfy += (f[i] - mf) * (float64(y[i]) - my)
	}
	b := sfy / sff
	x := 0.0
	for i := range f {
		e := float64(y[i]) - my - b*(f[i]-mf)
		rss += e * e
		tss += (float64(y[i]) - my) * (float64(y[i]) - my)
		if (f[i] > .5) != (y[i] == 1) {
			x++
		}
	}
	v := rss / (n - 2) * (1/n + (.3-mf)*(.3-mf)/sff) * (x + .5) / x
	c := got.Classes[1]
	if math.Abs(c.Share-(my+b*(.3-mf))) > 1e-12 || math.Abs(c.SE-math.Sqrt(v)) > 1e-12 || c.Errors != int(x) {
		t.Errorf("share %g SE %g errors %d, want %g %g %g", c.Share, c.SE, c.Errors, my+b*(.3-mf), math.Sqrt(v), x)
	}
	if s := got.Classes[0].Share + got.Classes[1].Share; math.Abs(s-1) > 1e-12 {
		t.Errorf("shares sum to %g", s)
	}
	if math.Abs(got.Explained-(1-rss/tss)) > 1e-12 {
		t.Errorf("explained %g, want %g", got.Explained, 1-rss/tss)
	}

	// Thirty points of shares .2, .5, .6 answered at rates .3, .5, .7; the green
	// has a mean of .55, so 0.61667 follows with slope one. In so few plots as
	// nine no slope is looked for.
	f, y = nil, nil
	for k, p := range []float64{.2, .5, .6} {
		for i := range 10 {
			f = append(f, p)
			y = append(y, map[bool]int{true: 1}[i < []int{3, 5, 7}[k]])
		}
	}
	points := twoClassPoints(f, y)
	for i := range points {
		points[i].Unit = fmt.Sprint(i % 9)
	}
	got, err = NewClassShares(Mapped{Green: 1, Mean: []float64{.45, .55}}, points, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	if want := .55 + .2/3; math.Abs(got.Classes[1].Share-want) > 1e-9 {
		t.Errorf("difference estimator %g, want %g", got.Classes[1].Share, want)
	}
}

// TestClassSharesOfThree: with three classes shares still sum to one, also
// where one of them is never expected.
func TestClassSharesOfThree(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 4))
	var points []CheckPoint
	for range 80 {
		a := rng.Float64()
		points = append(points, CheckPoint{Prob: []float64{a, 1 - a, 0}, Answer: rng.IntN(3), Mapped: 1})
	}
	got, err := NewClassShares(Mapped{Green: 1, Mean: []float64{.4, .6, 0}}, points, .9)
	if err != nil {
		t.Fatal(err)
	}
	if s := got.Classes[0].Share + got.Classes[1].Share + got.Classes[2].Share; math.Abs(s-1) > 1e-9 || got.Classes[2].Share < .2 {
		t.Errorf("shares %+v sum to %g", got.Classes, s)
	}
}

// TestClassSharesNeverSure: a class without an error seen, or never seen at
// all, keeps a width.
func TestClassSharesNeverSure(t *testing.T) {
	for _, share := range []float64{0, 0.3, 1} {
		f, y := make([]float64, 100), make([]int, 100)
		for i := range f {
			if float64(i) < 100*share {
				f[i], y[i] = 1, 1
			}
		}
		got, err := NewClassShares(Mapped{Green: 1, Mean: []float64{1 - share, share}}, twoClassPoints(f, y), 0.9)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range got.Classes {
			if !(c.High-c.Low > 0.005) || c.Low < 0 || c.High > 1 || c.Share < c.Low || c.Share > c.High {
				t.Errorf("share %g: %+v", share, c)
			}
		}
	}
}

// TestClassSharesHold: over random draws of points from green of known truth
// 90 % ranges hold it in about nine of ten, also where classes are rare, where
// the photo knows nothing, and where points of a plot err together.
func TestClassSharesHold(t *testing.T) {
	for _, c := range []struct {
		name     string
		truth    float64
		accuracy float64
		plots    int // 0: each point for itself
		low, top float64
	}{
		{"usual", 0.25, 0.9, 0, .87, .93},
		{"rare", 0.05, 0.95, 0, .86, .93},
		{"knows nothing", 0.3, 0.5, 0, .87, .93},
		{"plots err together", 0.3, 0.85, 20, .87, .93},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, 1))
			const runs = 1500
			hold, width := 0, 0.0
			for range runs {
				// A fresh body of green each time, its plots erring by amounts of their own.
				accuracy := make([]float64, max(c.plots, 1))
				for p := range accuracy {
					accuracy[p] = c.accuracy
					if c.plots > 0 {
						accuracy[p] = min(max(c.accuracy+0.12*rng.NormFloat64(), .3), 1)
					}
				}
				truth := c.truth
				var mean float64
				for _, a := range accuracy {
					seen := truth*a + (1-truth)*(1-a)
					mean += (seen*.9 + (1-seen)*.1) / float64(len(accuracy))
				}
				var points []CheckPoint
				for range 100 {
					p := rng.IntN(len(accuracy))
					y := 0
					if rng.Float64() < truth {
						y = 1
					}
					m := y
					if rng.Float64() >= accuracy[p] {
						m = 1 - y
					}
					f := 0.1 + 0.8*float64(m)
					q := CheckPoint{Prob: []float64{1 - f, f}, Mapped: m, Answer: y}
					if c.plots > 0 {
						q.Unit = fmt.Sprint(p)
					}
					points = append(points, q)
				}
				got, err := NewClassShares(Mapped{Green: 1, Mean: []float64{1 - mean, mean}}, points, 0.9)
				if err != nil {
					t.Fatal(err)
				}
				s := got.Classes[1]
				if s.Low <= truth && truth <= s.High {
					hold++
				}
				width += (s.High - s.Low) / 2 / runs
			}
			share := float64(hold) / runs
			t.Logf("held %.1f %%, half-width %.3f", 100*share, width)
			if share < c.low || share > c.top {
				t.Errorf("90 %% ranges held %.1f %%, want %.0f to %.0f", 100*share, 100*c.low, 100*c.top)
			}
		})
	}
}

func TestClassSharesRefuses(t *testing.T) {
	good := twoClassPoints(make([]float64, 12), make([]int, 12))
	all := Mapped{Green: 1, Mean: []float64{.5, .5}}
	for name, f := range map[string]func() error{
		"few points": func() error { _, err := NewClassShares(all, good[:5], .9); return err },
		"one class":  func() error { _, err := NewClassShares(Mapped{Mean: []float64{1}}, good, .9); return err },
		"level":      func() error { _, err := NewClassShares(all, good, 90); return err },
		"mean":       func() error { _, err := NewClassShares(Mapped{Mean: []float64{.5, .4}}, good, .9); return err },
		"not a number": func() error {
			_, err := NewClassShares(Mapped{Mean: []float64{math.NaN(), .5}}, good, .9)
			return err
		},
		"answer": func() error {
			bad := append([]CheckPoint{{Prob: []float64{.5, .5}, Answer: 2}}, good...)
			_, err := NewClassShares(all, bad, .9)
			return err
		},
		"two plots": func() error {
			bad := append([]CheckPoint(nil), good...)
			for i := range bad {
				bad[i].Unit = fmt.Sprint(i % 2)
			}
			_, err := NewClassShares(all, bad, .9)
			return err
		},
		"class of a line": func() error { _, err := NewShareLine(2, 2, good, .9); return err },
	} {
		if f() == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// drawnLine draws check points of treatments A and B whose photos see too much
// of the class by the amounts given.
func drawnLine(rng *rand.Rand, n int, truth, biasA, biasB float64) []CheckPoint {
	var out []CheckPoint
	for i := range n {
		g, bias := "A", biasA
		if i%2 == 1 {
			g, bias = "B", biasB
		}
		f := min(max(truth+bias+0.25*rng.NormFloat64(), 0.02), 0.98)
		y := 0
		if rng.Float64() < min(max(f-bias, 0), 1) {
			y = 1
		}
		m := 0
		if f > 0.5 {
			m = 1
		}
		out = append(out, CheckPoint{Prob: []float64{1 - f, f}, Mapped: m, Answer: y, Group: g, Unit: fmt.Sprintf("%s%d", g, i/2%10)})
	}
	return out
}

// TestShareLineBias: a bias that differs between treatments is found where it
// is large, rarely claimed where there is none, and the correction of plots is
// right on average either way.
func TestShareLineBias(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	plots := []Mapped{{Name: "1", Group: "A", Green: .4, Mean: []float64{.6, .4}}, {Name: "2", Group: "B", Green: .2, Mean: []float64{.5, .5}}}
	for _, c := range []struct {
		biasB    float64
		low, top float64 // share of draws in which it is shown
	}{{0.05, 0, .14}, {0.4, .8, 1}} {
		const runs = 400
		shown := 0
		var a, b float64
		for range runs {
			l, err := NewShareLine(1, 2, drawnLine(rng, 200, 0.4, 0.05, c.biasB), 0.9)
			if err != nil {
				t.Fatal(err)
			}
			if l.Test == nil {
				t.Fatal("no test between treatments")
			}
			if l.Shown {
				shown++
			}
			v, cov, err := l.PlotAreas(plots)
			if err != nil {
				t.Fatal(err)
			}
			a, b = a+v[0]/runs, b+v[1]/runs
			for i := range cov {
				if !(cov[i][i] > 0) || math.Abs(cov[0][1]-cov[1][0]) > 1e-15 || cov[0][1]*cov[0][1] > cov[0][0]*cov[1][1]*(1+1e-9) {
					t.Fatalf("covariance of plots %v", cov)
				}
			}
		}
		share := float64(shown) / runs
		t.Logf("bias of B %.2f: shown in %.1f %%; areas %.3f, %.3f", c.biasB, 100*share, a, b)
		if share < c.low || share > c.top {
			t.Errorf("bias of B %.2f: shown in %.1f %%, want %.0f to %.0f", c.biasB, 100*share, 100*c.low, 100*c.top)
		}
		if math.Abs(a-.4*.35) > .01 || c.biasB > .1 && math.Abs(b-.2*(.5-c.biasB)) > .012 {
			t.Errorf("bias of B %.2f: areas %.3f and %.3f, want %.3f and %.3f", c.biasB, a, b, .4*.35, .2*(.5-c.biasB))
		}
	}
}

// TestShareLineVariance: the variance stated for a plot is what areas vary by
// over draws of check points.
func TestShareLineVariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	plot := []Mapped{{Name: "1", Group: "A", Green: 1, Mean: []float64{.6, .4}}}
	const runs = 800
	var sum, square, stated float64
	for range runs {
		l, err := NewShareLine(1, 2, drawnLine(rng, 160, 0.4, 0.05, 0.05), 0.999)
		if err != nil {
			t.Fatal(err)
		}
		v, cov, err := l.PlotAreas(plot)
		if err != nil {
			t.Fatal(err)
		}
		sum, square, stated = sum+v[0], square+v[0]*v[0], stated+cov[0][0]/runs
	}
	seen := square/runs - sum/runs*sum/runs
	if r := stated / seen; r < 0.85 || r > 1.2 {
		t.Errorf("stated variance %.2g is %.2f of the one seen, %.2g", stated, r, seen)
	}
}
