package glm

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/stats/internal/tails"
	"quadtally/stats/terms"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Max(math.Abs(want), 1e-3)) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

func records(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	out, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return out[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func sprays(t *testing.T) Model {
	var m Model
	fac := terms.Factor{Name: "spray"}
	for _, r := range records(t, "insectsprays.csv") {
		fac.Labels = append(fac.Labels, r[0])
		m.Response = append(m.Response, number(t, r[1]))
	}
	m.Frame.Factors = []terms.Factor{fac}
	m.Fixed = []terms.Term{{"spray"}}
	return m
}

// TestInsectSprays: with one factor the Poisson fit is known in closed form,
// the group means, with SE of the log mean 1/sqrt(total) and the deviance and
// Pearson sums by hand (Beall 1942).
func TestInsectSprays(t *testing.T) {
	m := sprays(t)
	total, count := map[string]float64{}, map[string]float64{}
	grand := 0.0
	for i, y := range m.Response {
		l := m.Frame.Factors[0].Labels[i]
		total[l] += y
		count[l]++
		grand += y / float64(len(m.Response))
	}
	deviance, pearson, null := 0.0, 0.0, 0.0
	for i, y := range m.Response {
		l := m.Frame.Factors[0].Labels[i]
		mu := total[l] / count[l]
		deviance += 2 * (xlogy(y, y/mu) - y + mu)
		null += 2 * (xlogy(y, y/grand) - y + grand)
		pearson += (y - mu) * (y - mu) / mu
	}
	f := mustFit(t, m, QuasiPoisson)
	near(t, "deviance", f.Deviance, deviance, 1e-12)
	near(t, "null deviance", f.NullDeviance, null, 1e-12)
	near(t, "dispersion", f.Dispersion, pearson/66, 1e-12)
	near(t, "F", f.Tests[0].F, (null-deviance)/5/(pearson/66), 1e-11)
	// The deviances 98.329 on 66 and 409.04 on 71 df are widely printed.
	near(t, "printed deviance", f.Deviance, 98.329, 1e-5)
	near(t, "printed null deviance", f.NullDeviance, 409.04, 1e-5)
	for _, x := range mustMeans(t, f, "spray") {
		l := x.Labels[0]
		near(t, "mean "+l, x.Mean, total[l]/count[l], 1e-12)
		near(t, "SE "+l, x.LinkSE, math.Sqrt(f.Dispersion/total[l]), 1e-10)
	}
}

func gasoline(t *testing.T) Model {
	var m Model
	fac := terms.Factor{Name: "batch", Levels: strings.Split("JABCDEFGHI", "")}
	cov := terms.Covariate{Name: "temperature"}
	for _, r := range records(t, "gasoline.csv") {
		fac.Labels = append(fac.Labels, r[0])
		cov.Values = append(cov.Values, number(t, r[1]))
		m.Response = append(m.Response, number(t, r[2]))
	}
	m.Frame = terms.Frame{Factors: []terms.Factor{fac}, Covariates: []terms.Covariate{cov}}
	m.Fixed = []terms.Term{{"batch"}, {"temperature"}}
	return m
}

// TestGasoline holds beta regression against the published fit of Prater's
// gasoline yields (Ferrari and Cribari-Neto 2004, table 1, as the page GasolineYield of the R package betareg has it): phi
// 440.278 (SE 110.026), intercept -6.15957 (0.18232), batch A 1.72773
// (0.10123), temperature 0.01097 (0.00041).
func TestGasoline(t *testing.T) {
	f := mustFit(t, gasoline(t), Beta)
	round := func(what string, got, want float64, digits int) {
		if math.Abs(got-want) > 0.5000001*math.Pow(10, -float64(digits)) {
			t.Errorf("%s: got %v, published %v", what, got, want)
		}
	}
	round("phi", f.Precision.Value, 440.278, 3)
	round("SE of phi", f.Precision.SE, 110.026, 3)
	round("intercept", f.Coefficients[0].Estimate, -6.15957, 5)
	round("SE of intercept", f.Coefficients[0].SE, 0.18232, 5)
	round("batch A", f.Coefficients[1].Estimate, 1.72773, 5)
	round("SE of batch A", f.Coefficients[1].SE, 0.10123, 5)
	round("temperature", f.Coefficients[10].Estimate, 0.01097, 5)
	round("SE of temperature", f.Coefficients[10].SE, 0.00041, 5)
}

// TestBetaInformation holds score and observed information against central
// differences.
func TestBetaInformation(t *testing.T) {
	m := gasoline(t)
	d, err := terms.Build(m.Frame, m.Fixed)
	if err != nil {
		t.Fatal(err)
	}
	b, err := solveBeta(d, m.Response, true)
	if err != nil {
		t.Fatal(err)
	}
	p := d.Rank()
	at := func(x []float64) betaFit {
		return betaFit{coord: x[:p], phi: x[p], eta: predictor(d, x[:p])}
	}
	x := append(slices.Clone(b.coord), b.phi/1.2) // off the maximum
	score, info := betaInformation(d, m.Response, at(x), true)
	for j := range x {
		h := 1e-6 * math.Max(math.Abs(x[j]), 1)
		up, down := slices.Clone(x), slices.Clone(x)
		up[j] += h
		down[j] -= h
		u, v := at(up), at(down)
		slope := (betaLogLik(m.Response, u.eta, u.phi) - betaLogLik(m.Response, v.eta, v.phi)) / (2 * h)
		if math.Abs(score[j]-slope) > 1e-6*math.Max(math.Abs(slope), 1) {
			t.Errorf("score %d: got %v, differences give %v", j, score[j], slope)
		}
		su, _ := betaInformation(d, m.Response, u, false)
		sv, _ := betaInformation(d, m.Response, v, false)
		for k := range x {
			near(t, fmt.Sprint("information ", j, k), info.At(j, k), -(su[k]-sv[k])/(2*h), 1e-4)
		}
	}
}

func TestTrigamma(t *testing.T) {
	// Abramowitz and Stegun 6.4.2 and 6.4.4: pi^2/6 at 1, pi^2/2 at 1/2.
	near(t, "trigamma(1)", trigamma(1), math.Pi*math.Pi/6, 1e-14)
	near(t, "trigamma(1/2)", trigamma(0.5), math.Pi*math.Pi/2, 1e-14)
	for _, x := range []float64{0.01, 3.7, 250, 1e5} {
		near(t, "recurrence", trigamma(x)-trigamma(x+1), 1/(x*x), 1e-9)
	}
}

// tarp is a complete-block trial in which one treatment has no weeds at all.
func tarp() Model {
	var m Model
	var trt, block []string
	for _, row := range []struct {
		name   string
		counts []float64
	}{{"BARE", []float64{41, 28, 55, 37}}, {"RYE", []float64{12, 7, 19, 9}}, {"STRAW", []float64{17, 11, 23, 14}}, {"TARP", []float64{0, 0, 0, 0}}} {
		for b, y := range row.counts {
			m.Response = append(m.Response, y)
			trt, block = append(trt, row.name), append(block, fmt.Sprint(b+1))
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
	m.Fixed = []terms.Term{{"block"}, {"treatment"}}
	return m
}

// TestNoWeedsAtAll: no estimate of -25 with a standard error of 12 580; the
// mean is 0, the deviance decides.
func TestNoWeedsAtAll(t *testing.T) {
	m := tarp()
	without := m
	without.Frame, without.Fixed = restrict(m.Frame, m.Fixed, column(m.Frame.Factors[0].Labels, func(l string) bool { return l != "TARP" }))
	without.Response = m.Response[:12]
	for _, family := range []Family{Poisson, QuasiPoisson, NegativeBinomial} {
		t.Run(string(family), func(t *testing.T) {
			f, g := mustFit(t, m, family), mustFit(t, without, family)
			near(t, "deviance", f.Deviance, g.Deviance, 1e-9)
			near(t, "dispersion", f.Dispersion, g.Dispersion, 1e-9)
			for i, b := range g.Coefficients {
				near(t, b.Name, f.Coefficients[i].Estimate, b.Estimate, 1e-9)
				near(t, b.Name+" SE", f.Coefficients[i].SE, b.SE, 1e-9)
			}
			if len(f.Coefficients) != len(g.Coefficients) {
				t.Errorf("%d coefficients, want %d", len(f.Coefficients), len(g.Coefficients))
			}
			if p := f.Tests[1].P; p > 1e-4 || f.Tests[1].DF != 3 {
				t.Errorf("treatment test %+v", f.Tests[1])
			}
			if !strings.Contains(f.Warnings[0], "every row of treatment TARP is 0") {
				t.Errorf("warnings %q", f.Warnings)
			}
			means := mustMeans(t, f, "treatment")
			if x := means[3]; !x.Extreme || x.Mean != 0 || x.FittedMean != 0 || x.LinkSE != 0 {
				t.Errorf("mean %+v", x)
			}
			ratios, err := f.Ratios("treatment")
			if err != nil {
				t.Fatal(err)
			}
			finiteJSON(t, ratios)
			for _, r := range ratios {
				zero := r.B[0] == "TARP"
				if r.ByDeviance != zero || r.Undefined || (zero && !(r.P < 0.05)) {
					t.Errorf("ratio %+v", r)
				}
			}
		})
	}
	// Poisson, closed form: merging TARP with RYE halves the rate of both, so
	// the deviance rises by 2 x 47 log 2.
	f := mustFit(t, m, Poisson)
	p, err := f.mergedP("treatment", "RYE", "TARP")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "merged p", p, tails.ChiSquare(2*47*math.Ln2, 1), 1e-8)
	x := mustMeans(t, f, "treatment")[3]
	near(t, "bound", x.Upper, 1.959963984540054*1.959963984540054/8, 1e-12)
}

// TestFullCover: the mirror image for shares: a treatment that always covers
// everything.
func TestFullCover(t *testing.T) {
	m := tarp()
	for i := range m.Response {
		m.Response[i] = 1 - m.Response[i]/100
	}
	f := mustFit(t, m, QuasiBinomial)
	x := mustMeans(t, f, "treatment")[3]
	if !x.Extreme || x.Mean != 1 || f.ExtremeRows != 4 || !strings.Contains(f.Warnings[0], "is full") {
		t.Errorf("mean %+v, warnings %q", x, f.Warnings)
	}
	m.Fixed = []terms.Term{{"block"}}
	if f := mustFit(t, m, QuasiBinomial); f.ExtremeRows != 0 {
		t.Errorf("%d extreme rows without treatments", f.ExtremeRows)
	}
}

// TestTwoTreatmentsOneEmpty: only one treatment is left after the empty one
// is set aside.
func TestTwoTreatmentsOneEmpty(t *testing.T) {
	m := Model{Response: []float64{5, 9, 4, 7, 0, 0, 0, 0}, Fixed: []terms.Term{{"treatment"}}}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: strings.Fields("a a a a b b b b")}}
	f := mustFit(t, m, QuasiPoisson)
	means := mustMeans(t, f, "treatment")
	near(t, "mean of a", means[0].Mean, 6.25, 1e-12)
	if !means[1].Extreme {
		t.Errorf("mean of b %+v", means[1])
	}
	ratios, err := f.Ratios("treatment")
	if err != nil || len(ratios) != 1 || !ratios[0].ByDeviance {
		t.Fatal(ratios, err)
	}
	near(t, "p of the pair is p of the term", ratios[0].P, f.Tests[0].P, 1e-9)
}

func TestLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	m := tarp()
	m.Response = []float64{41, 28, 55, 37, 12, 7, 19, 9, 17, 11, 23, 14, 1, 0, 2, 0}
	area := make([]float64, len(m.Response))
	for i := range area {
		area[i] = 0.25 * float64(1+i%3)
	}
	m.Exposure = area
	for _, family := range []Family{Poisson, QuasiPoisson, NegativeBinomial} {
		f := mustFit(t, m, family)
		means := mustMeans(t, f, "treatment")

		t.Run("twice the area, half the rate", func(t *testing.T) {
			o := m
			o.Exposure = column(area, func(x float64) float64 { return 2 * x })
			g := mustFit(t, o, family)
			for i, x := range mustMeans(t, g, "treatment") {
				near(t, "mean", x.Mean, means[i].Mean/2, 1e-9)
				near(t, "upper", x.Upper, means[i].Upper/2, 1e-8)
			}
			near(t, "p", g.Tests[1].P, f.Tests[1].P, 1e-8)
		})
		t.Run("row and label order", func(t *testing.T) {
			o := Model{Fixed: m.Fixed}
			order := rng.Perm(len(m.Response))
			for _, fac := range m.Frame.Factors {
				levels := inOrder(fac.Labels)
				slices.Reverse(levels)
				g := terms.Factor{Name: fac.Name, Levels: levels}
				for _, i := range order {
					g.Labels = append(g.Labels, fac.Labels[i])
				}
				o.Frame.Factors = append(o.Frame.Factors, g)
			}
			for _, i := range order {
				o.Response = append(o.Response, m.Response[i])
				o.Exposure = append(o.Exposure, area[i])
			}
			g := mustFit(t, o, family)
			reversed := mustMeans(t, g, "treatment")
			slices.Reverse(reversed)
			for i, x := range reversed {
				near(t, "mean", x.Mean, means[i].Mean, 1e-9)
				near(t, "SE", x.LinkSE, means[i].LinkSE, 1e-8)
			}
			for i, x := range g.Tests {
				near(t, "p", x.P, f.Tests[i].P, 1e-7)
			}
		})
		t.Run("fitted means keep the totals", func(t *testing.T) {
			if family == NegativeBinomial {
				t.Skip("a law of the Poisson score only")
			}
			s := 0.0
			for _, x := range f.fitted[:4] {
				s += x
			}
			near(t, "total of BARE", s, 41+28+55+37, 1e-10)
		})
	}
}

// TestGroupedBinomial: splitting plots into points changes no estimate.
func TestGroupedBinomial(t *testing.T) {
	grouped := Model{Response: []float64{3, 6, 8, 4}, Trials: []float64{10, 10, 10, 10}, Fixed: []terms.Term{{"treatment"}}}
	grouped.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: strings.Fields("a b b a")}}
	var single Model
	var labels []string
	for i, hits := range grouped.Response {
		for k := range 10 {
			y := 0.0
			if float64(k) < hits {
				y = 1
			}
			single.Response = append(single.Response, y)
			single.Trials = append(single.Trials, 1)
			labels = append(labels, grouped.Frame.Factors[0].Labels[i])
		}
	}
	single.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: labels}}
	single.Fixed = grouped.Fixed
	f, g := mustFit(t, grouped, Binomial), mustFit(t, single, Binomial)
	near(t, "estimate", f.Coefficients[1].Estimate, math.Log(14.0/6*13/7), 1e-12)
	for i := range f.Coefficients {
		near(t, "estimate", g.Coefficients[i].Estimate, f.Coefficients[i].Estimate, 1e-12)
		near(t, "SE", g.Coefficients[i].SE, f.Coefficients[i].SE, 1e-12)
	}
	near(t, "test", g.Tests[0].Deviance, f.Tests[0].Deviance, 1e-11)
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		name   string
		family Family
		change func(*Model)
		want   string
	}{
		{"all zero", Poisson, func(m *Model) { m.Response = make([]float64, 8) }, "0 in all 8 rows"},
		{"all full", QuasiBinomial, func(m *Model) { m.Response = slices.Repeat([]float64{1}, 8) }, "full in all"},
		{"negative", Poisson, func(m *Model) { m.Response[1] = -1 }, "row 2"},
		{"beyond counting", Poisson, func(m *Model) { m.Response[1] = 1e15 }, "row 2"},
		{"NaN", Poisson, func(m *Model) { m.Response[7] = math.NaN() }, "row 8"},
		{"half a weed", NegativeBinomial, func(m *Model) { m.Response[0] = 1.5 }, "whole count"},
		{"percent", QuasiBinomial, func(m *Model) {}, "divide percent by 100"},
		{"beta at 0", Beta, func(m *Model) { m.Response = []float64{0, .1, .2, .3, .2, .5, .6, .4} }, "row 1"},
		{"no points", Binomial, func(m *Model) {}, "number of points"},
		{"too many hits", Binomial, func(m *Model) { m.Trials = slices.Repeat([]float64{4}, 8) }, "hits out of"},
		{"no area", Poisson, func(m *Model) { m.Exposure = make([]float64, 8) }, "positive"},
		{"points of a count", Poisson, func(m *Model) { m.Trials = slices.Repeat([]float64{4}, 8) }, "binomial"},
		{"more terms than rows", Poisson, func(m *Model) { m.Frame.Factors[0].Labels = strings.Fields("a b c d e f g h") }, "residual degrees of freedom"},
		{"no variation", QuasiPoisson, func(m *Model) { m.Response = []float64{2, 2, 2, 2, 5, 5, 5, 5} }, "exactly"},
		{"separated", QuasiBinomial, func(m *Model) { m.Response = []float64{0, 0, 0, 0, 1, 1, 1, 1} }, "separate"},
		{"one treatment", Poisson, func(m *Model) { m.Frame.Factors[0].Labels = slices.Repeat([]string{"a"}, 8) }, "one level"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := Model{Response: []float64{3, 4, 6, 5, 9, 2, 8, 7}, Fixed: []terms.Term{{"treatment"}}}
			m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: strings.Fields("a a a a b b b b")}}
			c.change(&m)
			opt := Options{Level: 0.95}
			opt.Family = c.family
			_, err := FitModel(m, opt)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want a refusal with %q", err, c.want)
			}
		})
	}
	for _, o := range []Options{{}, {Family: Poisson, Level: 95}, {Family: Poisson, Level: 0.95, Theta: 2}, {Family: NegativeBinomial, Level: 0.95, Theta: math.NaN()}, {Family: Poisson, Level: 0.95, ObservedInformation: true}} {
		if o.Validate() == nil {
			t.Errorf("options %+v pass", o)
		}
	}
}

// FuzzFitModel: any small table is fitted or refused, without panic, NaN or
// infinity.
func FuzzFitModel(f *testing.F) {
	f.Add([]byte{41, 28, 55, 37, 12, 7, 19, 9, 0, 0, 0, 0}, uint8(4), uint8(0))
	f.Add([]byte{1, 0, 0, 0, 0, 0, 0, 0, 255, 0, 0, 0}, uint8(3), uint8(2))
	f.Add([]byte{0, 0, 0, 0, 255, 255, 255, 255, 9, 255, 9, 0}, uint8(4), uint8(4))
	f.Add([]byte{10, 20, 30, 40, 50, 60, 70, 80, 90}, uint8(3), uint8(5))
	families := []Family{Poisson, QuasiPoisson, NegativeBinomial, Binomial, QuasiBinomial, Beta}
	f.Fuzz(func(t *testing.T, values []byte, blocks, kind uint8) {
		if len(values) > 48 {
			values = values[:48]
		}
		opt := Options{Family: families[int(kind)%len(families)], Level: 0.95}
		b := int(blocks)%6 + 1
		var m Model
		var trt, block []string
		for i, v := range values {
			y := float64(v)
			switch opt.Family {
			case Binomial:
				m.Trials = append(m.Trials, 255)
			case QuasiBinomial, Beta:
				y /= 255
			}
			m.Response = append(m.Response, y)
			trt, block = append(trt, fmt.Sprint(i/b)), append(block, fmt.Sprint(i%b))
		}
		m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
		m.Fixed = []terms.Term{{"treatment"}}
		if b > 1 {
			m.Fixed = []terms.Term{{"block"}, {"treatment"}}
		}
		fit, err := FitModel(m, opt)
		if err != nil {
			return
		}
		finiteJSON(t, fit)
		for _, c := range fit.Coefficients {
			if c.SE > 1e4 {
				t.Errorf("runaway coefficient %+v", c)
			}
		}
		if means, err := fit.Means(terms.Term{"treatment"}); err == nil {
			finiteJSON(t, means)
		}
		if len(values) > 6*b {
			return // every pair with an empty treatment is a fit of its own
		}
		if ratios, err := fit.Ratios("treatment"); err == nil {
			finiteJSON(t, ratios)
		}
	})
}
