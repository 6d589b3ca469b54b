package dist

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The multipliers are the best of their size: the search that found them,
// repeated.
func TestKorobovMultipliers(t *testing.T) {
	const dim = 20
	for _, rule := range lattices {
		b2 := make([]float64, rule.n) // Bernoulli polynomial, scaled
		for i := range b2 {
			x := float64(i) / float64(rule.n)
			b2[i] = 2 * math.Pi * math.Pi * (x*x - x + 1./6)
		}
		best, at := math.Inf(1), 0
		for g := 2; g <= rule.n/2; g++ {
			total := 0.0
			for i := range rule.n {
				product, h := 1.0, i
				for j := 1; j <= dim; j++ {
					product *= 1 + b2[h]/float64(j*j)
					h = h * g % rule.n
				}
				total += product
			}
			if total < best {
				best, at = total, g
			}
		}
		if at != rule.g {
			t.Errorf("%d points: multiplier %d is better than %d", rule.n, at, rule.g)
		}
	}
}

// Lattice points and exact integration agree where both can be had, within the
// error estimate.
func TestLatticeAgreesWithIntegration(t *testing.T) {
	f := factors{{0.7, 0.2}, {0.6, -0.3}, {0.75, 0.1}, {0.5, 0.5}}
	corr := symmetric(f)
	for _, sided := range []Sided{TwoSided, OneSided} {
		exact, err := NewMaxT(corr, 9, sided)
		if err != nil || !exact.Exact() {
			t.Fatal(exact, err)
		}
		sampled := &MaxT{ctx: t.Context(), k: 4, df: 9, sided: sided}
		if err := sampled.setSampled(corr); err != nil {
			t.Fatal(err)
		}
		for _, x := range []float64{0.5, 2, 3, 6} {
			want, _, _ := exact.SF(x)
			got, absErr, err := sampled.SF(x)
			if err != nil || math.Abs(got-want) > 2*absErr+1e-9 || absErr > 2e-3*want {
				t.Errorf("at %v: lattice %v (error estimate %v), exact %v, %v", x, got, absErr, want, err)
			}
		}
	}
}

// symmetric returns the correlations that factors imply.
func symmetric(f factors) *mat.SymDense {
	corr := mat.NewSymDense(len(f), nil)
	for i := range f {
		for j := range i {
			corr.SetSym(i, j, dot(f[i], f[j]))
		}
		corr.SetSym(i, i, 1)
	}
	return corr
}
