package stats

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
)

// trial returns a complete block trial of invented values.
func trial(rng *rand.Rand, t, b int) (y []float64, treatment, block []string) {
	for i := range b {
		for j := range t {
			y = append(y, rng.NormFloat64())
			treatment = append(treatment, string(rune('A'+j)))
			block = append(block, string(rune('a'+i)))
		}
	}
	return y, treatment, block
}

// Under the null every exact p value is uniform over its steps: P(p <= x) is
// at most x and misses it by less than a step.
func TestPermuteUniformUnderNull(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	const trials = 2000
	levels := []float64{0.05, 0.1, 0.25, 0.5, 0.75}
	below := make([]int, len(levels))
	for range trials {
		y, tr, bl := trial(rng, 4, 3)
		p, err := PermuteContext(t.Context(), y, tr, bl, DefaultPermuteOptions())
		if err != nil || !p.Complete || p.Of != 576 {
			t.Fatal(p, err)
		}
		for i, x := range levels {
			if p.P <= x {
				below[i]++
			}
		}
	}
	for i, x := range levels {
		got := float64(below[i]) / trials
		// Four standard errors; values without ties make steps of 4!/576.
		if limit := 4*math.Sqrt(x*(1-x)/trials) + 24./576; math.Abs(got-x) > limit {
			t.Errorf("P(p <= %v) = %v, allowed to miss by %v", x, got, limit)
		}
	}
}

// A random draw agrees with the complete count within its standard error, in a
// complete, an incomplete and an unblocked design.
func TestPermuteDrawAgreesWithEnumeration(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	y, tr, bl := trial(rng, 4, 3)
	designs := map[string]struct {
		y      []float64
		tr, bl []string
	}{
		"complete":   {y, tr, bl},
		"missing":    {y[1:], tr[1:], bl[1:]},
		"unblocked":  {y[:9], []string{"A", "A", "A", "B", "B", "B", "C", "C", "C"}, nil},
		"unbalanced": {y[:9], []string{"A", "A", "A", "A", "B", "B", "B", "C", "C"}, nil},
	}
	for name, d := range designs {
		t.Run(name, func(t *testing.T) {
			all, err := PermuteContext(t.Context(), d.y, d.tr, d.bl, DefaultPermuteOptions())
			if err != nil || !all.Complete || !all.Defined {
				t.Fatal(all, err)
			}
			opt := PermuteOptions{Draws: 20000, Seed: 3}
			some, err := PermuteContext(t.Context(), d.y, d.tr, d.bl, opt)
			if err != nil || some.Complete || some.StdErr <= 0 {
				t.Fatal(some, err)
			}
			if math.Abs(all.P-some.P) > 4*some.StdErr+1./20000 {
				t.Errorf("exact %v, drawn %v with standard error %v", all.P, some.P, some.StdErr)
			}
			again, _ := PermuteContext(t.Context(), d.y, d.tr, d.bl, opt)
			if again.P != some.P {
				t.Error("the same seed gave another p value")
			}
		})
	}
}

// The symmetry that holds one block still does not change p: the complete
// count over all blocks is t! times as large in every part.
func TestPermuteSymmetry(t *testing.T) {
	y, tr, bl := trial(rand.New(rand.NewPCG(2, 2)), 3, 3)
	s, err := newShuffle(y, tr, bl, false)
	if err != nil {
		t.Fatal(err)
	}
	s.atLeast = s.statistic() * (1 - 1e-10)
	part, of := s.enumerate(t.Context())
	s.fixed = 0
	whole, ofAll := s.enumerate(t.Context())
	if whole != 6*part || ofAll != 6*of || of != 36 {
		t.Errorf("%d of %d with a block held still, %d of %d without", part, of, whole, ofAll)
	}
}

// The general quadratic form and the short one for orthogonal designs agree.
func TestPermuteGeneralFormAgrees(t *testing.T) {
	y, tr, bl := trial(rand.New(rand.NewPCG(8, 2)), 4, 3)
	s, err := newShuffle(y, tr, bl, false)
	if err != nil {
		t.Fatal(err)
	}
	short := s.statistic()
	r, inverse := s.rank, make([][]float64, 4) // I/b less its mean
	for i := range inverse {
		inverse[i] = make([]float64, 4)
		for j := range inverse[i] {
			inverse[i][j] = -1. / 12
		}
		inverse[i][i] += 1. / 3
	}
	s.weight, s.inverse = nil, inverse
	if long := s.statistic(); math.Abs(long-short) > 1e-12 || r != 3 {
		t.Errorf("sum of squares %v and %v, rank %d", short, long, r)
	}
}

func TestPermuteHasNoAnswer(t *testing.T) {
	opt := DefaultPermuteOptions()
	for name, d := range map[string]struct {
		y      []float64
		tr, bl []string
	}{
		"constant":            {[]float64{4, 4, 4, 4}, []string{"A", "B", "A", "B"}, []string{"1", "1", "2", "2"}},
		"constant in blocks":  {[]float64{0.1 + 0.2, 0.3, 7, 7}, []string{"A", "B", "A", "B"}, []string{"1", "1", "2", "2"}},
		"no exchange":         {[]float64{1, 2, 3, 4}, []string{"A", "A", "B", "B"}, []string{"1", "1", "2", "2"}},
		"no residual df":      {[]float64{1, 2, 3}, []string{"A", "B", "C"}, nil},
		"one block, one each": {[]float64{1, 2}, []string{"A", "B"}, []string{"1", "1"}},
	} {
		p, err := PermuteContext(t.Context(), d.y, d.tr, d.bl, opt)
		if err != nil || p.Defined || p.Note == "" || p.P != 0 {
			t.Errorf("%s: %+v, %v", name, p, err)
		}
	}
	if _, err := PermuteContext(t.Context(), []float64{1, math.NaN()}, []string{"A", "B"}, nil, opt); err == nil {
		t.Error("NaN accepted")
	}
	if _, err := PermuteContext(t.Context(), []float64{1, 2}, []string{"A", "A"}, nil, opt); err == nil {
		t.Error("one treatment accepted")
	}
	if _, err := PermuteContext(t.Context(), []float64{1, 2}, []string{"A"}, nil, opt); err == nil {
		t.Error("a plot without treatment accepted")
	}
}

// Equal treatment sums: every arrangement is at least as extreme.
func TestPermuteObservedCounts(t *testing.T) {
	y := []float64{1, 2, 2, 1}
	p, err := PermuteContext(t.Context(), y, []string{"A", "B", "A", "B"}, []string{"1", "1", "2", "2"}, DefaultPermuteOptions())
	if err != nil || p.P != 1 || p.AtLeast != p.Of {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestPermuteLeavesItsArgumentsAlone(t *testing.T) {
	y, tr, bl := trial(rand.New(rand.NewPCG(1, 1)), 3, 3)
	before := append([]float64(nil), y...)
	if _, err := PermuteContext(t.Context(), y, tr, bl, PermuteOptions{Draws: 100}); err != nil {
		t.Fatal(err)
	}
	for i := range y {
		if y[i] != before[i] {
			t.Fatal("values were moved")
		}
	}
}

// BenchmarkPermute100k draws 100 000 arrangements of a 5 x 4 trial: the goal is
// 0.1 s on one core without an allocation.
func BenchmarkPermute100k(b *testing.B) {
	y, tr, bl := trial(rand.New(rand.NewPCG(4, 4)), 5, 4)
	s, err := newShuffle(y, tr, bl, false)
	if err != nil {
		b.Fatal(err)
	}
	s.atLeast = s.statistic()
	rng := rand.New(rand.NewPCG(1, 2))
	b.ReportAllocs()
	for b.Loop() {
		s.draw(b.Context(), rng, 100_000)
	}
	b.ReportMetric(0.1*float64(b.N)/b.Elapsed().Seconds(), "x-goal")
}

// BenchmarkPermuteComplete5x4 counts all 1 728 000 arrangements.
func BenchmarkPermuteComplete5x4(b *testing.B) {
	y, tr, bl := trial(rand.New(rand.NewPCG(4, 4)), 5, 4)
	for b.Loop() {
		p, err := PermuteContext(context.Background(), y, tr, bl, DefaultPermuteOptions())
		if err != nil || !p.Complete {
			b.Fatal(p, err)
		}
	}
}

func TestDrawAllocatesNothing(t *testing.T) {
	y, tr, bl := trial(rand.New(rand.NewPCG(4, 4)), 5, 4)
	s, err := newShuffle(y, tr, bl, false)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	if n := testing.AllocsPerRun(10, func() { s.draw(t.Context(), rng, 100) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
