package glm

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"quadtally/stats/terms"
)

func heavy() bool { return os.Getenv("QUADTALLY_HEAVY") == "1" }

// patchyCounts draws plants in three quadrats of every plot of treatments in 4
// blocks: block levels of CV 0.4, plots gamma with CV plotCV about them, and
// quadrats negative binomial with k (means a quadrat, by treatment).
func patchyCounts(rng *rand.Rand, means []float64, plotCV, k float64) Model {
	return randomBlocks(means, func(level, mean float64) (float64, float64) {
		shape := 1 / plotCV / plotCV
		plot := distuv.Gamma{Alpha: shape, Beta: shape, Src: rng}.Rand() * level * mean
		total := 0.0
		for range 3 {
			total += distuv.Poisson{Lambda: distuv.Gamma{Alpha: k, Beta: k / math.Max(plot, 1e-12), Src: rng}.Rand(), Src: rng}.Rand()
		}
		return total, 3
	}, func() float64 { return math.Exp(0.4*rng.NormFloat64() - 0.08) })
}

// patchyCover draws the mean share of three quadrats of every plot: plots vary
// by plotSD on the logit scale, quadrats as a beta of the given precision.
func patchyCover(rng *rand.Rand, means []float64, plotSD, precision float64) Model {
	m := randomBlocks(means, func(level, mean float64) (float64, float64) {
		p := logistic(math.Log(mean/(1-mean)) + level + plotSD*rng.NormFloat64())
		share := 0.0
		for range 3 {
			share += distuv.Beta{Alpha: p * precision, Beta: (1 - p) * precision, Src: rng}.Rand() / 3
		}
		return math.Round(share*1000) / 1000, 0
	}, func() float64 { return 0.3 * rng.NormFloat64() })
	m.Exposure = nil
	return m
}

func randomBlocks(means []float64, plot func(level, mean float64) (y, exposure float64), level func() float64) (m Model) {
	var trt, block []string
	for b := range 4 {
		l := level()
		for t, mean := range means {
			y, e := plot(l, mean)
			m.Response, m.Exposure = append(m.Response, y), append(m.Exposure, e)
			trt, block = append(trt, fmt.Sprint("T", t)), append(block, fmt.Sprint("B", b))
		}
	}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: trt}, {Name: "block", Labels: block}}
	m.Fixed = []terms.Term{{"block"}, {"treatment"}}
	return m
}

// ratioSetting is one place of the grid of TestRatioIntervalsReport.
type ratioSetting struct {
	name    string
	means   []float64
	clumped [2]float64 // plotCV and k, or plotSD and precision
}

func ratioGrid() (counts, cover []ratioSetting) {
	for _, c := range []struct {
		name    string
		clumped [2]float64
	}{{"nearly Poisson", [2]float64{0.1, 100}}, {"mild", [2]float64{0.3, 5}}, {"patchy", [2]float64{0.5, 1.5}}, {"very patchy", [2]float64{0.8, 0.8}}} {
		for _, m := range [][]float64{{1, 1, 1, 1, 1}, {3, 3, 3, 3, 3}, {10, 10, 10, 10, 10}, {10, 10, 10, 1, 1}} {
			counts = append(counts, ratioSetting{c.name, m, c.clumped})
		}
	}
	for _, c := range []struct {
		name    string
		clumped [2]float64
	}{{"mild", [2]float64{0.3, 20}}, {"patchy", [2]float64{0.5, 6}}, {"very patchy", [2]float64{0.8, 3}}} {
		for _, m := range [][]float64{{.2, .2, .2, .2, .2}, {.3, .3, .3, .03, .03}, {.4, .4, .03, .03, .03}, {.95, .95, .6, .6, .6}} {
			cover = append(cover, ratioSetting{c.name, m, c.clumped})
		}
	}
	return counts, cover
}

// held counts intervals.
type held struct{ hit, n int }

func (h *held) add(r Ratio, truth float64) {
	h.n++
	if r.Lower <= truth && truth <= r.Upper {
		h.hit++
	}
}

func (h held) share() float64 { return 100 * float64(h.hit) / float64(max(h.n, 1)) }

// How often 95 % intervals of ratios (odds ratios for cover) hold the truth,
// with the spread of the family and with that of patches, over a grid of
// clumping, mean and effect.
func TestRatioIntervalsReport(t *testing.T) {
	runs := 250
	if heavy() {
		runs = 2000
	}
	counts, cover := ratioGrid()
	rng := rand.New(rand.NewPCG(31, 7))
	for _, part := range []struct {
		name   string
		family Family
		grid   []ratioSetting
		draw   func(*rand.Rand, []float64, float64, float64) Model
	}{{"Counts, mean a quadrat: ratios", QuasiPoisson, counts, patchyCounts}, {"Cover, share: odds ratios", QuasiBinomial, cover, patchyCover}} {
		fmt.Printf("\n%s, 5 treatments x 4 blocks x 3 quadrats, %d trials each: 95 %% intervals hold, %% (pairs alike at the first mean / alike at the last / apart; Holm errors against the first at 5 %%)\n", part.name, runs)
		fmt.Printf("%-16s %-24s %-30s %s\n", "", "", "spread of the family", "spread of patches")
		for _, c := range part.grid {
			line := fmt.Sprintf("%-16s %-24s", c.name, fmt.Sprint(c.means))
			for _, spread := range []Spread{SpreadOfFamily, SpreadOfPatches} {
				var first, last, apart held
				wrong, trials := 0, 0
				for range runs {
					m := part.draw(rng, c.means, c.clumped[0], c.clumped[1])
					f, err := FitModel(m, Options{Family: part.family, Level: 0.95, Spread: spread})
					if err != nil {
						continue // every row 0
					}
					ratios, err := f.Ratios("treatment")
					if err != nil {
						t.Fatal(err)
					}
					trials++
					null, least := 0, 1.0
					for _, r := range ratios {
						if r.ByDeviance || r.Undefined {
							continue
						}
						i, j := int(r.A[0][1]-'0'), int(r.B[0][1]-'0')
						switch a, b := c.means[i], c.means[j]; {
						case a != b && part.family == QuasiPoisson:
							apart.add(r, a/b)
						case a != b: // on average over blocks and plots no simple odds ratio
						case a == c.means[0]:
							first.add(r, 1)
						default:
							last.add(r, 1)
						}
						if i == 0 && c.means[j] == c.means[0] {
							null++
							least = math.Min(least, r.P)
						}
					}
					if least*float64(null) <= 0.05 {
						wrong++
					}
				}
				cell := fmt.Sprintf("%.1f", first.share())
				if last.n > 0 {
					cell += fmt.Sprintf(" / %.1f", last.share())
				}
				if apart.n > 0 {
					cell += fmt.Sprintf(" / %.1f", apart.share())
				}
				line += fmt.Sprintf(" %-31s", fmt.Sprintf("%s; %.1f", cell, 100*float64(wrong)/float64(trials)))
				if spread == SpreadOfPatches {
					for _, h := range []held{first, last, apart} {
						// Intervals of a trial share its spread, so trials
						// and not intervals are the sample.
						slack := 400 * math.Sqrt(0.05*0.95/float64(runs))
						if h.n > 0 && (h.share() < 93-slack || h.share() > 98+slack) {
							t.Errorf("%s %v: %.1f %% of intervals hold", c.name, c.means, h.share())
						}
					}
				}
			}
			fmt.Println(line)
		}
	}
}

// How often the tests of treatments reject at 5 % where treatments do nothing.
func TestLevelReport(t *testing.T) {
	runs, draws := 30, 99
	if heavy() {
		runs, draws = 1000, 199
	}
	rng := rand.New(rand.NewPCG(3, 33))
	fmt.Printf("\nTests of treatments at 5 %%, 5 x 4 plots of 3 quadrats, nothing to find, %d trials each, %d draws (%%)\n", runs, draws)
	fmt.Printf("%-34s %12s %12s %12s\n", "", "as fitted", "F, resid. df", "resampled")
	for _, c := range []struct {
		name   string
		family Family
		draw   func() Model
	}{
		{"quasi-Poisson, mean 1", QuasiPoisson, func() Model { return patchyCounts(rng, []float64{1, 1, 1, 1, 1}, 0.5, 1.5) }},
		{"quasi-Poisson, mean 3", QuasiPoisson, func() Model { return patchyCounts(rng, []float64{3, 3, 3, 3, 3}, 0.5, 1.5) }},
		{"quasi-Poisson, mean 10", QuasiPoisson, func() Model { return patchyCounts(rng, []float64{10, 10, 10, 10, 10}, 0.5, 1.5) }},
		{"negative binomial, mean 3", NegativeBinomial, func() Model { return patchyCounts(rng, []float64{3, 3, 3, 3, 3}, 0.5, 1.5) }},
		{"quasi-binomial, cover 20 %", QuasiBinomial, func() Model { return patchyCover(rng, []float64{.2, .2, .2, .2, .2}, 0.5, 6) }},
		{"beta, cover 20 %", Beta, func() Model { return patchyCover(rng, []float64{.2, .2, .2, .2, .2}, 0.5, 6) }},
	} {
		var asFitted, residual, resampled, n int
		for run := range runs {
			f, err := FitModel(c.draw(), Options{Family: c.family, Level: 0.95})
			if err != nil {
				continue
			}
			test := f.Tests[len(f.Tests)-1]
			r, err := f.Resample(t.Context(), "block", ResampleOptions{Draws: draws, Seed: uint64(run)})
			if err != nil {
				t.Fatal(err)
			}
			n++
			for at, p := range map[*int]float64{&asFitted: test.P, &residual: f.PResidual(test), &resampled: r.P} {
				if p <= 0.05 {
					*at++
				}
			}
		}
		share := func(k int) float64 { return 100 * float64(k) / float64(n) }
		fmt.Printf("%-34s %12.1f %12.1f %12.1f\n", c.name, share(asFitted), share(residual), share(resampled))
		if s := share(resampled); math.Abs(s-5) > 400*math.Sqrt(0.05*0.95/float64(n))+1 {
			t.Errorf("%s: resampled p rejects %.1f %% of true nulls", c.name, s)
		}
	}
}

// A resampled p value finds what is there, is the same for the same seed, stops
// with its context and refuses what was not tested.
func TestResample(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	m := patchyCounts(rng, []float64{30, 20, 8, 1, 1}, 0.2, 5)
	for _, family := range []Family{QuasiPoisson, NegativeBinomial} {
		f := mustFit(t, m, family)
		r, err := f.Resample(t.Context(), "block", ResampleOptions{Draws: 99, Seed: 5})
		if err != nil {
			t.Fatal(err)
		}
		if r.AtLeast != 0 || r.P != 0.01 || r.Failed != 0 || r.Draws != 99 {
			t.Errorf("%s: %+v", family, r)
		}
		again, err := f.Resample(t.Context(), "block", ResampleOptions{Draws: 99, Seed: 5})
		if err != nil || again != r {
			t.Errorf("%s: %+v the second time, %v", family, again, err)
		}
		if want := map[Family]ResampleMethod{QuasiPoisson: Permuted, NegativeBinomial: Bootstrapped}[family]; r.Method != want {
			t.Errorf("%s: %s", family, r.Method)
		}
	}
	f := mustFit(t, m, QuasiPoisson)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := f.Resample(ctx, "block", ResampleOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("ended context: %v", err)
	}
	if _, err := f.Resample(t.Context(), "row", ResampleOptions{}); err == nil {
		t.Error("blocks that are no column were accepted")
	}
	m.Fixed = m.Fixed[:0]
	if _, err := mustFit(t, m, QuasiPoisson).Resample(t.Context(), "block", ResampleOptions{}); err == nil {
		t.Error("a model without terms was tested")
	}
}

// The least p of 24 arrangements of 2 treatments in 4 blocks of 2 plots is two
// of sixteen: permutation within blocks, and nothing wider.
func TestPermutationStaysWithinBlocks(t *testing.T) {
	m := Model{Response: []float64{9, 1, 40, 5, 200, 22, 1000, 90}}
	m.Frame.Factors = []terms.Factor{{Name: "treatment", Labels: []string{"a", "b", "a", "b", "a", "b", "a", "b"}}, {Name: "block", Labels: []string{"1", "1", "2", "2", "3", "3", "4", "4"}}}
	m.Fixed = []terms.Term{{"block"}, {"treatment"}}
	r, err := mustFit(t, m, QuasiPoisson).Resample(t.Context(), "block", ResampleOptions{Draws: 1999, Seed: 2})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.P-0.125) > 0.03 {
		t.Errorf("p %v, want about 2/16", r.P)
	}
}

// In a complete balanced trial with all treatments at one mean the two spreads
// say nearly the same; with Poisson-like counts k is large and the weight near 0.
func TestSpreadOfPatches(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	m := patchyCounts(rng, []float64{20, 20, 20, 2, 2}, 0.6, 1)
	plain := mustFit(t, m, QuasiPoisson)
	f, err := FitModel(m, Options{Family: QuasiPoisson, Level: 0.95, Spread: SpreadOfPatches})
	if err != nil {
		t.Fatal(err)
	}
	if f.Spread == nil || !(f.Spread.Weight > 0.5) || math.Abs(f.Spread.Scale*(1-f.Spread.Weight)-1) > 1e-9 {
		t.Fatalf("spread %+v", f.Spread)
	}
	a, _ := plain.Ratios("treatment")
	b, _ := f.Ratios("treatment")
	for i := range a {
		if math.Abs(a[i].LogRatio-b[i].LogRatio) > 1e-12 {
			t.Errorf("the estimate moved from %v to %v", a[i].LogRatio, b[i].LogRatio)
		}
	}
	if !(b[0].SE > a[0].SE) || !(b[9].SE < a[9].SE) {
		t.Errorf("weedy pair %v to %v, clean pair %v to %v: want wider and narrower", a[0].SE, b[0].SE, a[9].SE, b[9].SE)
	}
	if _, err := FitModel(m, Options{Family: Poisson, Level: 0.95, Spread: SpreadOfPatches}); err == nil {
		t.Error("the Poisson family took a fitted spread")
	}
}
