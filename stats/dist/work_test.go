package dist

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
)

// controlCorrelations returns the correlations of the differences from
// treatment 0 in an additive model of plots (treatment, block); nil where the
// plots leave a difference open.
func controlCorrelations(treatments int, plots [][2]int) *mat.SymDense {
	blocks := map[int][]int{}
	for _, p := range plots {
		blocks[p[1]] = append(blocks[p[1]], p[0])
	}
	k := treatments - 1
	info := mat.NewSymDense(k, nil) // diag(r) - N diag(1/k) N'
	for _, in := range blocks {
		for _, i := range in {
			for _, j := range in {
				switch {
				case i == 0 || j == 0 || j > i:
				case i == j:
					info.SetSym(i-1, i-1, info.At(i-1, i-1)+1-1/float64(len(in)))
				default:
					info.SetSym(i-1, j-1, info.At(i-1, j-1)-1/float64(len(in)))
				}
			}
		}
	}
	var chol mat.Cholesky
	var cov mat.SymDense
	if !chol.Factorize(info) || chol.Cond() > 1e9 || chol.InverseTo(&cov) != nil {
		return nil
	}
	corr := mat.NewSymDense(k, nil)
	for i := range k {
		for j := range i {
			corr.SetSym(i, j, cov.At(i, j)/math.Sqrt(cov.At(i, i)*cov.At(j, j)))
		}
		corr.SetSym(i, i, 1)
	}
	return corr
}

// patchyTrial draws 3 to 12 treatments in 3 to 6 blocks with up to three
// plots in ten missing, or two treatments a block: the correlations and the
// residual df.
func patchyTrial(rng *rand.Rand) (name string, corr *mat.SymDense, df float64, irregular bool) {
	for {
		t, b := 3+rng.IntN(10), 3+rng.IntN(4)
		var plots [][2]int
		used := b
		if irregular = rng.IntN(4) == 0; irregular {
			used = t + rng.IntN(t) // incomplete blocks of two
			for j := range used {
				p := rng.Perm(t)
				plots = append(plots, [2]int{p[0], j}, [2]int{p[1], j})
			}
		} else {
			share := 0.3 * rng.Float64()
			for i := range t {
				for j := range b {
					if rng.Float64() >= share {
						plots = append(plots, [2]int{i, j})
					}
				}
			}
		}
		df = float64(len(plots) - t - used + 1)
		if corr = controlCorrelations(t, plots); corr != nil && df >= 1 {
			return fmt.Sprintf("%d treatments, %d blocks, %d plots", t, used, len(plots)), corr, df, irregular
		}
	}
}

// ask puts the questions of one comparison with a control: a p value for each
// treatment and a critical value.
func ask(m *MaxT) (worst float64, err error) {
	for i := range m.k {
		_, absErr, err := m.SF(0.4 + 0.45*float64(i))
		if err != nil {
			return 0, err
		}
		worst = math.Max(worst, absErr)
	}
	_, err = m.Quantile(0.95)
	return worst, err
}

// Whatever plots are missing, the work is bounded and the error is stated:
// within 1e-5 where blocks have lost plots, coarser in irregular blocks of two.
func TestWorkIsBounded(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 5))
	for range 8 {
		name, corr, df, irregular := patchyTrial(rng)
		m, err := NewMaxT(corr, df, TwoSided)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		work, most := m.places()*len(m.groups), mostWork
		if m.points != nil {
			most = mostSampledWork
			work = shifts * m.places() * m.k * len(m.points[0])
		}
		if work > most {
			t.Errorf("%s: work %d above %d", name, work, most)
		}
		// Asked where the error is largest, and near the 5 % point.
		for at, limit := range map[float64]float64{1.5: 5e-5, m.typical(): 1e-5} {
			if irregular {
				limit = 2e-3
			}
			if _, absErr, err := m.SF(at); err != nil || absErr > limit {
				t.Errorf("%s: error %v at %v, %v", name, absErr, at, err)
			}
		}
	}
}

// A hundred comparisons with correlations that no factor explains are the most
// that can be asked.
func TestWorkIsBoundedForMany(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	k := MaxComparisons
	f := make(factors, k)
	for i := range f {
		f[i] = make([]float64, 8)
		for j := range f[i] {
			f[i][j] = 0.6 * (rng.Float64() - 0.3)
		}
		if s := dot(f[i], f[i]); s > 0.9 {
			scale(f[i], math.Sqrt(0.9/s))
		}
	}
	m, err := NewMaxT(symmetric(f), 40, TwoSided)
	if err != nil {
		t.Fatal(err)
	}
	p, absErr, err := m.SF(3.3)
	if err != nil || absErr > 1e-2 {
		t.Errorf("%v, error %v, %v", p, absErr, err)
	}
}

// Ending the context ends the work, before it starts and in the middle.
func TestContextStopsTheWork(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var corr *mat.SymDense
	for sampled := false; !sampled; {
		_, corr, _, _ = patchyTrial(rng)
		m, err := NewMaxT(corr, 9, TwoSided)
		if err != nil {
			t.Fatal(err)
		}
		sampled = m.points != nil
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := NewMaxTContext(ctx, corr, 9, TwoSided); !errors.Is(err, context.Canceled) {
		t.Errorf("made under an ended context: %v", err)
	}
	for name, c := range map[string]*mat.SymDense{"sampled": corr, "integrated": symmetric(factors{{0.7, 0.2}, {0.6, -0.3}, {0.75, 0.1}, {0.5, 0.5}})} {
		ctx, cancel = context.WithCancel(t.Context())
		m, err := NewMaxTContext(ctx, c, 9, OneSided)
		if err != nil {
			t.Fatal(err)
		}
		cancel()
		if _, _, err := m.SF(2.2); !errors.Is(err, context.Canceled) {
			t.Errorf("%s, p value: %v", name, err)
		}
		if _, err := m.Quantile(0.95); !errors.Is(err, context.Canceled) {
			t.Errorf("%s, critical value: %v", name, err)
		}
	}
}

// BenchmarkDunnettPatchy is the comparison with a control over random missing
// patterns up to 12 treatments in 6 blocks; it gives the longest question too.
func BenchmarkDunnettPatchy(b *testing.B) {
	rng := rand.New(rand.NewPCG(7, 7))
	longest, worst := time.Duration(0), 0.0
	for b.Loop() {
		b.StopTimer()
		name, corr, df, _ := patchyTrial(rng)
		b.StartTimer()
		start := time.Now()
		m, err := NewMaxT(corr, df, TwoSided)
		if err != nil {
			b.Fatal(name, err)
		}
		absErr, err := ask(m)
		if err != nil {
			b.Fatal(name, err)
		}
		longest, worst = max(longest, time.Since(start)), max(worst, absErr)
	}
	b.ReportMetric(longest.Seconds(), "longest-s")
	b.ReportMetric(worst, "worst-error")
}
