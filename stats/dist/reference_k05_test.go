package dist_test

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
	"quadtally/stats/internal/refcases"
)

// The power cases of this kind are run by package stats.
func TestReferenceDistributions(t *testing.T) {
	for shape, run := range k05 {
		refcases.Run(t, run, shape)
	}
}

var k05 = map[refcases.Shape]func(*testing.T, *refcases.Case){
	refcases.RangeCDF: func(t *testing.T, c *refcases.Case) {
		k, df := c.Ints(t, "k"), c.DF(t, "df")
		c.Check(t, "p", values(t, c.Floats(t, "q"), func(i int, q float64) (float64, error) {
			return dist.StudentizedRangeCDF(q, k[i], df[i])
		}))
		c.Check(t, "p", values(t, c.Floats(t, "q"), func(i int, q float64) (float64, error) {
			p, err := dist.StudentizedRangeSF(q, k[i], df[i])
			return 1 - p, err
		}))
	},
	refcases.RangeQuantile: func(t *testing.T, c *refcases.Case) {
		k, df := c.Ints(t, "k"), c.DF(t, "df")
		c.Check(t, "q", values(t, c.Floats(t, "p"), func(i int, p float64) (float64, error) {
			return dist.StudentizedRangeQuantile(p, k[i], df[i])
		}))
	},
	refcases.BasicDistributions: func(t *testing.T, c *refcases.Case) {
		df, d1, d2 := c.Floats(t, "t.df"), c.Floats(t, "f.df1"), c.Floats(t, "f.df2")
		each := func(path string, xs []float64, f func(i int, x float64) (float64, error)) {
			t.Helper()
			c.Check(t, path, values(t, xs, f))
		}
		each("t_upper_tail", c.Floats(t, "t.t"), func(i int, x float64) (float64, error) { return dist.TSF(x, df[i]) })
		each("t_quantile_975", df, func(_ int, df float64) (float64, error) { return dist.TQuantile(0.975, df) })
		each("t_quantile_995", df, func(_ int, df float64) (float64, error) { return dist.TQuantile(0.995, df) })
		each("t_tail_far", df, func(_ int, df float64) (float64, error) { return dist.TSF(40, df) })
		each("f_upper_tail", c.Floats(t, "f.f"), func(i int, x float64) (float64, error) { return dist.FSF(x, d1[i], d2[i]) })
		each("f_quantile_95", d1, func(i int, d1 float64) (float64, error) { return dist.FQuantile(0.95, d1, d2[i]) })
		each("f_tail_far", d1, func(i int, d1 float64) (float64, error) { return dist.FSF(500, d1, d2[i]) })
		each("chisq_upper_tail", c.Floats(t, "chisq.x"), func(i int, x float64) (float64, error) { return dist.ChiSquareSF(x, df[i]) })
		c.PassOver("chisq_quantile_95", "not offered")
		each("normal_upper_tail", c.Floats(t, "normal.z"), func(_ int, z float64) (float64, error) { return dist.NormalSF(z) })
		each("normal_quantile.z", c.WantFloats(t, "normal_quantile.p"), func(_ int, p float64) (float64, error) { return dist.NormalQuantile(p) })
		c.PassOver("normal_quantile.p", "the argument of the entry beside it")
		for _, path := range []string{"beta_cdf", "gamma_cdf_shape_a_at_b", "lgamma_a", "digamma_a", "trigamma_a"} {
			c.PassOver(path, "a special function taken from gonum, not offered here")
		}
	},
	refcases.DunnettEqual: func(t *testing.T, c *refcases.Case) {
		k, df := c.Ints(t, "k"), c.DF(t, "df")
		for path, sided := range map[string]dist.Sided{"two_sided": dist.TwoSided, "one_sided": dist.OneSided} {
			c.Check(t, path, values(t, c.Floats(t, "alpha"), func(i int, alpha float64) (float64, error) {
				return dist.DunnettQuantile(1-alpha, equicorrelation(k[i], 0.5), df[i], sided)
			}))
		}
	},
	refcases.DunnettUnequal: dunnettUnequal,
	refcases.NoncentralF: func(t *testing.T, c *refcases.Case) {
		d1, d2, ncp := c.Floats(t, "df1"), c.Floats(t, "df2"), c.Floats(t, "ncp")
		c.Check(t, "p", values(t, c.Floats(t, "q"), func(i int, q float64) (float64, error) {
			p, err := dist.NoncentralFSF(q, d1[i], d2[i], ncp[i])
			return 1 - p, err
		}))
	},
	refcases.NoncentralT: func(t *testing.T, c *refcases.Case) {
		df, ncp := c.Floats(t, "df"), c.Floats(t, "ncp")
		c.Check(t, "p", values(t, c.Floats(t, "q"), func(i int, q float64) (float64, error) {
			return dist.NoncentralTCDF(q, df[i], ncp[i])
		}))
		c.Check(t, "p", values(t, c.Floats(t, "q"), func(i int, q float64) (float64, error) {
			p, err := dist.NoncentralTSF(q, df[i], ncp[i])
			return 1 - p, err
		}))
	},
}

func dunnettUnequal(t *testing.T, c *refcases.Case) {
	n, df := c.Floats(t, "n_treatment"), c.Number(t, "df")
	corr := dist.DunnettCorrelation(c.Number(t, "n_control"), n)
	c.Check(t, "correlation", rows(corr))
	lambda := make([]float64, len(n))
	for i := range lambda { // from the matrix: three correlations give a loading
		j, k := (i+1)%len(n), (i+2)%len(n)
		lambda[i] = math.Sqrt(corr.At(i, j) * corr.At(i, k) / corr.At(j, k))
	}
	c.Check(t, "lambda", lambda)
	for path, q := range map[string]struct {
		p     float64
		sided dist.Sided
	}{
		"two_sided_05": {0.95, dist.TwoSided},
		"one_sided_05": {0.95, dist.OneSided},
		"two_sided_01": {0.99, dist.TwoSided},
	} {
		got, err := dist.DunnettQuantile(q.p, corr, df, q.sided)
		if err != nil {
			t.Fatal(err)
		}
		c.Check(t, path, got)
	}
	c.Check(t, "p_two_sided_at.p", values(t, c.WantFloats(t, "p_two_sided_at.t"), func(_ int, x float64) (float64, error) {
		return dist.DunnettSF(x, corr, df, dist.TwoSided)
	}))
	c.PassOver("p_two_sided_at.t", "the argument of the entry beside it")
}

// The Dunnett cases of kind k04 carry statistic, correlation and df, so the
// distribution can be held against them without a fitted model; the one with
// missing plots has no product form.
func TestReferenceK04Dunnett(t *testing.T) {
	refcases.Run(t, func(t *testing.T, c *refcases.Case) {
		ts, df := c.WantFloats(t, "t"), c.Want(t, "df_error")
		k := len(ts)
		corr := mat.NewSymDense(k, nil)
		for i := range k {
			for j, r := range c.WantFloats(t, fmt.Sprintf("correlation.%d", i)) {
				corr.SetSym(i, j, r)
			}
		}
		two, err := dist.NewMaxT(corr, df, dist.TwoSided)
		if err != nil {
			t.Fatal(err)
		}
		one, err := dist.NewMaxT(corr, df, dist.OneSided)
		if err != nil {
			t.Fatal(err)
		}
		_, absErr, err := two.SF(2)
		if err != nil || !two.Exact() {
			t.Fatalf("not integrated exactly (%v)", err)
		}
		// Product form is exact to rounding; missing plots are not of it.
		if product := c.WantFloats(t, "lambda")[0] > 0; product != (absErr == 0) {
			t.Errorf("product form %v, error estimate %v", product, absErr)
		}
		sf := func(m *dist.MaxT, sign float64) []float64 {
			return values(t, ts, func(_ int, x float64) (float64, error) {
				p, absErr, err := m.SF(sign * x)
				if absErr > 1e-6 {
					t.Errorf("error estimate %v at %v", absErr, x)
				}
				return p, err
			})
		}
		abs := make([]float64, k)
		for i := range ts {
			abs[i] = math.Abs(ts[i])
		}
		c.Check(t, "p_two_sided", values(t, abs, func(_ int, x float64) (float64, error) { p, _, err := two.SF(x); return p, err }), "p")
		c.Check(t, "p_greater", sf(one, 1), "p")
		c.Check(t, "p_less", sf(one, -1), "p")
		c.Check(t, "p_unadjusted", values(t, ts, func(_ int, x float64) (float64, error) { return dist.TTwoSided(x, df) }))
		for path, m := range map[string]*dist.MaxT{"crit_two_sided_05": two, "crit_one_sided_05": one} {
			q, err := m.Quantile(0.95)
			if err != nil {
				t.Fatal(err)
			}
			c.Check(t, path, q, "crit")
		}
		c.PassOver("df_error", "an argument here")
		c.PassOver("t", "an argument here")
		c.PassOver("correlation", "an argument here")
		for _, path := range []string{"mse", "treatment", "diff_minus_control", "se", "lambda", "lower95_two_sided", "upper95_two_sided", "p_step_down_free_two_sided_multcomp"} {
			c.PassOver(path, "needs the fitted model: package stats")
		}
	}, refcases.Dunnett)
}

func rows(m mat.Symmetric) [][]float64 {
	out := make([][]float64, m.SymmetricDim())
	for i := range out {
		out[i] = make([]float64, len(out))
		for j := range out {
			out[i][j] = m.At(i, j)
		}
	}
	return out
}

func equicorrelation(k int, rho float64) *mat.SymDense {
	m := mat.NewSymDense(k, nil)
	for i := range k {
		m.SetSym(i, i, 1)
		for j := range i {
			m.SetSym(i, j, rho)
		}
	}
	return m
}

// values maps f over xs, failing the test on an error.
func values(t *testing.T, xs []float64, f func(i int, x float64) (float64, error)) []float64 {
	t.Helper()
	out := make([]float64, len(xs))
	for i, x := range xs {
		v, err := f(i, x)
		if err != nil {
			t.Fatalf("at row %d (%v): %v", i, x, err)
		}
		out[i] = v
	}
	return out
}
