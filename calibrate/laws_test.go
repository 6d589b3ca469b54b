package calibrate

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// trialPairs invents a small trial: 4 treatments in 5 blocks, quadrats in plots
// on visits, a camera with slope, offset, plot effects and noise.
func trialPairs(rng *rand.Rand, quadrats, visits int) []Pair {
	var out []Pair
	for b := range 5 {
		for ti, trt := range []string{"bare", "rye", "vetch", "oats"} {
			plot := string(rune('A'+b)) + string(rune('1'+ti))
			camera := 0.01 * rng.NormFloat64()
			for v := range visits {
				for q := range quadrats {
					hand := min(0.97, max(0, 0.15+0.12*float64(ti)+0.03*float64(b)+0.06*rng.NormFloat64()))
					image := min(1, max(0, 0.02+0.95*hand+camera+0.03*rng.NormFloat64()))
					out = append(out, Pair{Plot: plot, Quadrat: string(rune('1' + q)), Visit: string(rune('1' + v)), Treatment: trt,
						Observer: []string{"first", "second"}[(b+v)%2], Hand: hand, Image: image})
				}
			}
		}
	}
	return out
}

func mapPairs(pairs []Pair, f func(Pair) Pair) []Pair {
	out := slices.Clone(pairs)
	for i := range out {
		out[i] = f(out[i])
	}
	return out
}

func mustAgree(t *testing.T, pairs []Pair) Agreement {
	t.Helper()
	a, err := Agree(pairs, counts())
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestSwappingAxes(t *testing.T) {
	pairs := trialPairs(rand.New(rand.NewPCG(3, 1)), 2, 2)
	a := mustAgree(t, pairs)
	b := mustAgree(t, mapPairs(pairs, func(p Pair) Pair { p.Hand, p.Image = p.Image, p.Hand; return p }))
	near(t, "bias", b.Bias.Value, -a.Bias.Value, 1e-12)
	near(t, "limit", b.LowerLimit.Value, -a.UpperLimit.Value, 1e-12)
	near(t, "limit, cluster interval", b.LowerLimit.ClusterCI.Low, -a.UpperLimit.ClusterCI.High, 1e-12)
	near(t, "ccc", b.CCC.Value, a.CCC.Value, 1e-12)
	near(t, "ccc low", b.CCC.ClusterCI.Low, a.CCC.ClusterCI.Low, 1e-12)
	near(t, "r", b.Pearson.Value, a.Pearson.Value, 1e-12)
	near(t, "rho", b.Spearman.Value, a.Spearman.Value, 1e-12)
	near(t, "icc", b.ICC.Value, a.ICC.Value, 1e-12)
	near(t, "rmse", b.RMSE.Value, a.RMSE.Value, 1e-12)

	x, y := columns(pairs)
	d, _ := FitDeming(x, y, 0.4, 0.95)
	e, _ := FitDeming(y, x, 1/0.4, 0.95)
	near(t, "deming", e.Slope.Value, 1/d.Slope.Value, 1e-10)
	p, _ := FitPassingBablok(x, y, 0.95)
	q, _ := FitPassingBablok(y, x, 0.95)
	near(t, "passing-bablok", q.Slope.Value, 1/p.Slope.Value, 2e-3) // exact for an odd number of slopes
}

func TestUnitsAndTranslation(t *testing.T) {
	pairs := trialPairs(rand.New(rand.NewPCG(4, 1)), 2, 2)
	a := mustAgree(t, pairs)
	scaled := mustAgree(t, mapPairs(pairs, func(p Pair) Pair { p.Hand *= 100; p.Image *= 100; return p }))
	moved := mustAgree(t, mapPairs(pairs, func(p Pair) Pair { p.Hand += 7; p.Image += 7; return p }))
	for _, c := range []struct {
		name           string
		a, scaled, mov float64
	}{
		{"bias", a.Bias.Value, scaled.Bias.Value / 100, moved.Bias.Value},
		{"upper limit", a.UpperLimit.ClusterCI.High, scaled.UpperLimit.ClusterCI.High / 100, moved.UpperLimit.ClusterCI.High},
		{"rmse", a.RMSE.ClusterCI.Low, scaled.RMSE.ClusterCI.Low / 100, moved.RMSE.ClusterCI.Low},
		{"ccc", a.CCC.Value, scaled.CCC.Value, moved.CCC.Value},
		{"icc", a.ICC.Value, scaled.ICC.Value, moved.ICC.Value},
		{"rho", a.Spearman.Value, scaled.Spearman.Value, moved.Spearman.Value},
	} {
		near(t, c.name+" in other units", c.scaled, c.a, 1e-10)
		near(t, c.name+" moved", c.mov, c.a, 1e-10)
	}
	for _, m := range []Method{MethodOLS, MethodDeming, MethodTheilSen, MethodPassingBablok} {
		l, err := FitLine(pairs, m, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		k, err := FitLine(mapPairs(pairs, func(p Pair) Pair { p.Hand = 100*p.Hand + 3; p.Image = 100*p.Image + 3; return p }), m, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		near(t, string(m)+" slope", k.Slope.Value, l.Slope.Value, 1e-9)
		near(t, string(m)+" slope se", *k.Slope.SE, *l.Slope.SE, 1e-9)
		near(t, string(m)+" value", k.At(43), 100*l.At(0.4)+3, 1e-8)
	}
}

func TestPerfectAgreement(t *testing.T) {
	pairs := mapPairs(trialPairs(rand.New(rand.NewPCG(5, 1)), 2, 2), func(p Pair) Pair { p.Image = p.Hand; return p })
	opt := DefaultOptions()
	opt.Resamples = 200
	margin := 0.05
	opt.Margin = &margin
	opt.Enough.Visits = 2 // all the set has
	r, err := Study(pairs, opt)
	if err != nil {
		t.Fatal(err)
	}
	a := r.Agreement
	near(t, "ccc", a.CCC.Value, 1, 1e-12)
	near(t, "icc", a.ICC.Value, 1, 1e-12)
	if a.LowerLimit.Value != 0 || a.UpperLimit.Value != 0 || a.RMSE.Value != 0 {
		t.Errorf("limits %v to %v, rmse %v; want 0", a.LowerLimit.Value, a.UpperLimit.Value, a.RMSE.Value)
	}
	for _, l := range r.Calibration.Lines {
		near(t, string(l.Method)+" slope", l.Slope.Value, 1, 1e-9)
		near(t, string(l.Method)+" intercept", l.Intercept.Value, 0, 1e-9)
	}
	if r.Verdict.Answer != Yes {
		t.Errorf("verdict %v, want yes", r.Verdict.Answer)
	}
	if !strings.Contains(strings.Join(a.Warnings, " "), "not a copy") {
		t.Errorf("no warning about a copied column: %v", a.Warnings)
	}
}

// A camera that reads double has r = 1, which must not pass for agreement.
func TestCorrelationProvesNothing(t *testing.T) {
	pairs := mapPairs(trialPairs(rand.New(rand.NewPCG(6, 1)), 2, 2), func(p Pair) Pair { p.Hand /= 2; p.Image = 2 * p.Hand; return p })
	a := mustAgree(t, pairs)
	near(t, "r", a.Pearson.Value, 1, 1e-12)
	if a.CCC.Value > 0.8 {
		t.Errorf("concordance %v of a camera that reads double", a.CCC.Value)
	}
	if !a.Sloping.Advised {
		t.Error("sloping limits should be advised when the bias grows with the value")
	}
}

// With every pair a plot of its own, intervals that respect plots are those of
// independent pairs, and leaving out a plot is leaving out a pair.
func TestPlotsOfOnePair(t *testing.T) {
	a := mustAgree(t, paired(tenHand, tenImage))
	near(t, "bias low", a.Bias.ClusterCI.Low, a.Bias.CI.Low, 1e-12)
	l, err := FitLine(paired(tenHand, tenImage), MethodOLS, counts())
	if err != nil {
		t.Fatal(err)
	}
	o, _ := FitOLS(tenImage, tenHand, 0.95)
	near(t, "leave one out", *l.LeaveOnePlot, o.LeaveOne, 1e-9)
}

// Repeating each pair within its plot adds no information: intervals that
// respect plots must stay, while the formula intervals shrink.
func TestRepeatedQuadratsAreNotReplicates(t *testing.T) {
	pairs := trialPairs(rand.New(rand.NewPCG(7, 1)), 1, 1)
	var four []Pair
	for range 4 {
		four = append(four, pairs...)
	}
	a, b := mustAgree(t, pairs), mustAgree(t, four)
	near(t, "cluster interval", b.Bias.ClusterCI.High-b.Bias.ClusterCI.Low, a.Bias.ClusterCI.High-a.Bias.ClusterCI.Low, 1e-12)
	near(t, "bootstrap of concordance", b.CCC.ClusterCI.Low, a.CCC.ClusterCI.Low, 1e-9)
	if b.Bias.CI.High-b.Bias.CI.Low > 0.55*(a.Bias.CI.High-a.Bias.CI.Low) {
		t.Error("the formula interval should have shrunk to about half")
	}
	la, _ := FitLine(pairs, MethodOLS, DefaultOptions())
	lb, _ := FitLine(four, MethodOLS, DefaultOptions())
	near(t, "slope se", *lb.Slope.SE, *la.Slope.SE, 1e-12)
}

// foldedMean is the mean of |d| for normal d.
func foldedMean(mu, sd float64) float64 {
	return sd*math.Sqrt(2/math.Pi)*math.Exp(-mu*mu/(2*sd*sd)) + mu*math.Erf(mu/(sd*math.Sqrt2))
}

// Intervals with plots as units must hold the true limit of agreement, the true
// concordance and the true errors about as often as they say, with 12 plots of 4 quadrats whose
// camera error is mostly shared; the formula interval, blind to plots, must not.
func TestClusterCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	const plots, shared, own, bias, sdHand = 12, 0.03, 0.015, 0.01, 0.1
	sd := math.Hypot(shared, own)
	limit := bias + LimitsMultiplier*sd
	// Both scales have the covariance sdHand^2; the image adds the error.
	ccc := 2 * sdHand * sdHand / (2*sdHand*sdHand + sd*sd + bias*bias)
	var byPlots, byFormula, concordance, rmse, mae coverage
	for range heavy(300, 3000) {
		var pairs []Pair
		for p := range plots {
			error := bias + shared*rng.NormFloat64()
			for range 4 {
				h := 0.5 + sdHand*rng.NormFloat64()
				pairs = append(pairs, Pair{Plot: string(rune('a' + p)), Hand: h, Image: h + error + own*rng.NormFloat64()})
			}
		}
		a := mustAgree(t, pairs)
		byPlots.add(a.UpperLimit.ClusterCI, limit)
		byFormula.add(a.UpperLimit.CI, limit)
		concordance.add(a.CCC.ClusterCI, ccc)
		rmse.add(a.RMSE.ClusterCI, math.Hypot(sd, bias))
		mae.add(a.MAE.ClusterCI, foldedMean(bias, sd))
	}
	byPlots.check(t, "limit", 0.94, 0.98)
	concordance.check(t, "concordance", 0.92, 0.98)
	rmse.check(t, "rmse", 0.90, 0.98) // a little short, as the package says
	mae.check(t, "mae", 0.92, 0.98)
	t.Logf("limit, pairs as independent: %.1f %%", 100*byFormula.hit/byFormula.n)
	if byFormula.hit/byFormula.n > 0.85 {
		t.Error("the set does not show what ignoring plots does")
	}
}

// Reports are reproducible, leave the caller's pairs alone and hold no NaN or
// infinity (which JSON could not write).
func TestStudyIsPure(t *testing.T) {
	pairs := trialPairs(rand.New(rand.NewPCG(8, 1)), 2, 2)
	for i := range pairs {
		if i%3 == 0 {
			pairs[i].Hand = Missing()
		}
	}
	before, _ := json.Marshal(figure(pairs[1:3], nil))
	opt := DefaultOptions()
	opt.Resamples, opt.HandMinutes, opt.PhotoMinutes, opt.TargetSE = 200, 6, 0.7, 0.02
	r, err := Study(pairs, opt)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := Study(pairs, opt)
	one, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	two, _ := json.Marshal(again)
	if string(one) != string(two) {
		t.Error("the same pairs and seed gave two different reports")
	}
	if after, _ := json.Marshal(figure(pairs[1:3], nil)); string(after) != string(before) {
		t.Error("the caller's pairs were changed")
	}
	opt.Seed++
	other, _ := Study(pairs, opt)
	if other.Agreement.CCC.ClusterCI.Low == r.Agreement.CCC.ClusterCI.Low {
		t.Error("another seed gave the same bootstrap")
	}
	if r.Plan == nil || r.Double == nil || len(r.Groups) != 3 || len(r.Calibration.Band) != bandPoints {
		t.Error("a part of the report is missing")
	}
}

// Fieller's bounds are where a new reading would just be rejected, and beyond
// the significance of the slope there are none.
func TestFieller(t *testing.T) {
	l, err := FitOLS(pefrWright, pefrMini, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	q := tHalf(0.95, 15) * l.Sigma
	for _, y := range []float64{200, 445, 700} {
		inv, err := l.Inverse(y, 1)
		if err != nil || inv.Unbounded {
			t.Fatal(err, inv)
		}
		for _, x := range []float64{*inv.Low, *inv.High} {
			near(t, "bound", math.Abs(y-l.At(x)), q*math.Sqrt(1+1.0/17+(x-l.mx)*(x-l.mx)/l.sxx), 1e-8)
		}
	}
	// Eight invented points whose slope is not significant (t = -2.41, 6 df).
	x := []float64{10.8, 12.7, 19.1, 18.9, 13.9, 11.8, 10.2, 18.7}
	y := []float64{20.4, 21.2, 17.6, 19.7, 21.6, 21.6, 22, 20.8}
	l, _ = FitOLS(x, y, 0.95)
	inv, err := l.Inverse(20, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "g", inv.G, 1.0334985739933107, 1e-9) // R 4.2.2
	if !inv.Unbounded || inv.Low != nil || inv.High != nil || inv.Warning == "" {
		t.Errorf("got %+v, want an unbounded set", inv)
	}
	if inv.Shape == TwoRays {
		q := tHalf(0.95, 6) * l.Sigma
		for _, x := range []float64{*inv.RayBelow, *inv.RayAbove} {
			near(t, "ray", math.Abs(20-l.At(x)), q*math.Sqrt(1+1.0/8+(x-l.mx)*(x-l.mx)/l.sxx), 1e-8)
		}
	}
	l, _ = FitOLS([]float64{1, 2, 3}, []float64{4, 4, 4}, 0.95)
	if _, err := l.Inverse(4, 1); err == nil {
		t.Error("a flat line was read backwards")
	}
}

// Selection must agree with sorting, ties, infinities and single values included.
func TestMiddle(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 1))
	for n := 1; n < 60; n++ {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(rng.IntN(1 + n/2))
		}
		if n > 9 {
			v[0] = math.Inf(1)
		}
		sorted := slices.Clone(v)
		slices.Sort(sorted)
		near(t, "median", middle(slices.Clone(v), 0), medianSorted(sorted), 0)
		for k := range n {
			if got := kth(slices.Clone(v), k); got != sorted[k] {
				t.Fatalf("place %d of %v: got %v", k, v, got)
			}
		}
	}
}
