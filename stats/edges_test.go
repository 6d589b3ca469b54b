package stats_test

import (
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"quadtally/stats"
)

// Questions without an answer are told as such: no error, no number, a reason,
// and JSON that can be written.
func TestUndefinedTests(t *testing.T) {
	first := func(test stats.Test, _ []float64, err error) (stats.Test, error) { return test, err }
	flat := [][]float64{{4, 4}, {4, 4}}
	ones := []float64{1, 1, 1, 1}
	ab, xy := []string{"a", "a", "b", "b"}, []string{"x", "y", "x", "y"}
	for name, f := range map[string]func() (stats.Test, error){
		"Shapiro-Wilk of equal values": func() (stats.Test, error) { return stats.ShapiroWilk(ones) },
		"Shapiro-Wilk of two":          func() (stats.Test, error) { return stats.ShapiroWilk([]float64{1, 2}) },
		"Bartlett, no spread":          func() (stats.Test, error) { return stats.Bartlett(flat) },
		"Bartlett, single plots":       func() (stats.Test, error) { return stats.Bartlett([][]float64{{1}, {2, 3}}) },
		"Brown-Forsythe, no spread":    func() (stats.Test, error) { return stats.BrownForsythe(flat) },
		"Fligner, no spread":           func() (stats.Test, error) { return stats.Fligner(flat) },
		"Kruskal, tied":                func() (stats.Test, error) { return first(stats.KruskalWallis(flat)) },
		"non-additivity, one residual df": func() (stats.Test, error) {
			r, _, _, err := stats.NonAdditivity([]float64{1, 2, 3, 5}, ab, xy)
			return r, err
		},
		"non-additivity, equal values": func() (stats.Test, error) {
			r, _, _, err := stats.NonAdditivity(make([]float64, 9), []string{"a", "a", "a", "b", "b", "b", "c", "c", "c"}, []string{"x", "y", "z", "x", "y", "z", "x", "y", "z"})
			return r, err
		},
		"non-additivity, perfectly additive": func() (stats.Test, error) {
			r, _, _, err := stats.NonAdditivity([]float64{1, 2, 4, 2, 3, 5, 5, 6, 8}, []string{"a", "a", "a", "b", "b", "b", "c", "c", "c"}, []string{"x", "y", "z", "x", "y", "z", "x", "y", "z"})
			return r, err
		},
		"Friedman, tied":    func() (stats.Test, error) { r, err := stats.FriedmanTest(flat); return r.ChiSquare, err },
		"signed rank, same": func() (stats.Test, error) { r, err := stats.SignedRank(ones, ones); return r.Test, err },
		"rank sum, tied":    func() (stats.Test, error) { r, err := stats.RankSum(ones, ones); return r.Test, err },
	} {
		got, err := f()
		if err != nil || got.Defined || got.Note == "" || got.P != 0 {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
		if _, err := json.Marshal(got); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Arguments that make no sense are errors.
func TestRefusals(t *testing.T) {
	bad := []float64{1, math.NaN(), 3}
	for name, f := range map[string]func() error{
		"NaN in Shapiro-Wilk": func() error { _, err := stats.ShapiroWilk(bad); return err },
		"NaN in Bartlett":     func() error { _, err := stats.Bartlett([][]float64{bad, {1, 2}}); return err },
		"one group":           func() error { _, err := stats.BrownForsythe([][]float64{{1, 2}}); return err },
		"empty group":         func() error { _, err := stats.Fligner([][]float64{{1, 2}, {}}); return err },
		"one block":           func() error { _, err := stats.FriedmanTest([][]float64{{1, 2}}); return err },
		"one treatment":       func() error { _, err := stats.FriedmanTest([][]float64{{1}, {2}}); return err },
		"no pairs":            func() error { _, err := stats.SignedRank(nil, nil); return err },
		"ragged blocks":       func() error { _, err := stats.FriedmanTest([][]float64{{1, 2}, {1}}); return err },
		"odd pairs":           func() error { _, err := stats.SignedRank([]float64{1}, []float64{1, 2}); return err },
		"p above one":         func() error { _, err := stats.Adjust([]float64{0.1, 1.2}, stats.AdjustHolm); return err },
		"p NaN":               func() error { _, err := stats.Adjust(bad, stats.AdjustHolm); return err },
		"adjustment":          func() error { _, err := stats.Adjust([]float64{0.1}, 99); return err },
		"leverages":           func() error { _, err := stats.Studentise([]float64{1, 2}, []float64{1}, 3); return err },
		"labels": func() error {
			_, _, _, err := stats.NonAdditivity([]float64{1, 2}, []string{"a", "b"}, []string{"x"})
			return err
		},
		"design": func() error { _, err := stats.BoxCoxPower([]float64{1, 2}, [][]float64{{1}}, halfChiSquare); return err },
		"draws": func() error {
			_, err := stats.PermuteContext(context.Background(), nil, nil, nil, stats.PermuteOptions{})
			return err
		},
	} {
		if err := f(); err == nil {
			t.Errorf("%s accepted", name)
		}
	}
}

func TestBoxCoxNeedsPositiveValues(t *testing.T) {
	design, err := stats.AdditiveDesign([]string{"a", "a", "b", "b"})
	if err != nil {
		t.Fatal(err)
	}
	bc, err := stats.BoxCoxPower([]float64{0, 1, 2, 3}, design, halfChiSquare)
	if err != nil || bc.Defined || bc.Note == "" {
		t.Errorf("zero accepted: %+v, %v", bc, err)
	}
	bc, err = stats.BoxCoxPower([]float64{2, 2, 3, 3}, design, halfChiSquare)
	if err != nil || bc.Defined || bc.Note == "" {
		t.Errorf("perfect fit accepted: %+v, %v", bc, err)
	}
}

func TestStudentiseSaysWhatItCannot(t *testing.T) {
	// Leverage one, and too few df.
	r, err := stats.Studentise([]float64{0, 1, -1, 0.5, -0.5}, []float64{1, 0.25, 0.25, 0.25, 0.25}, 3)
	if err != nil || r[0].Defined || r[0].Note == "" || !r[1].Defined {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = stats.Studentise([]float64{1, -1}, []float64{0.5, 0.5}, 1)
	if err != nil || r[0].Defined || r[0].Note == "" {
		t.Errorf("%+v, %v", r, err)
	}
}

// Adjusted p values keep the order, are never below the raw ones, and rank as
// the theory says: Hochberg <= Holm <= Bonferroni, BH <= Hochberg, Sidak <=
// Bonferroni, BH <= BY. The argument stays as it was.
func TestAdjustLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	hows := []stats.Adjustment{stats.AdjustBonferroni, stats.AdjustSidak, stats.AdjustHolm, stats.AdjustHolmSidak, stats.AdjustHochberg, stats.AdjustBenjaminiHochberg, stats.AdjustBenjaminiYekutieli}
	for range 200 {
		ps := make([]float64, rng.IntN(12))
		for i := range ps {
			ps[i] = math.Pow(rng.Float64(), 4)
		}
		before := slices.Clone(ps)
		adj := map[stats.Adjustment][]float64{}
		for _, how := range hows {
			got, err := stats.Adjust(ps, how)
			if err != nil || len(got) != len(ps) {
				t.Fatal(how, got, err)
			}
			adj[how] = got
			for i := range ps {
				if got[i] < ps[i]*(1-1e-12) || got[i] > 1 {
					t.Errorf("%v: %v became %v", how, ps[i], got[i])
				}
				for j := range ps {
					if ps[i] < ps[j] && got[i] > got[j] {
						t.Errorf("%v turns %v and %v round", how, ps[i], ps[j])
					}
				}
			}
		}
		if !slices.Equal(ps, before) {
			t.Fatal("argument changed")
		}
		for _, pair := range [][2]stats.Adjustment{
			{stats.AdjustHochberg, stats.AdjustHolm}, {stats.AdjustHolm, stats.AdjustBonferroni},
			{stats.AdjustBenjaminiHochberg, stats.AdjustHochberg}, {stats.AdjustSidak, stats.AdjustBonferroni},
			{stats.AdjustHolmSidak, stats.AdjustHolm}, {stats.AdjustBenjaminiHochberg, stats.AdjustBenjaminiYekutieli},
		} {
			for i := range ps {
				if adj[pair[0]][i] > adj[pair[1]][i]*(1+1e-12) {
					t.Errorf("%v %v above %v %v", pair[0], adj[pair[0]][i], pair[1], adj[pair[1]][i])
				}
			}
		}
	}
}

// Laws of the checks: shifting all values changes nothing; scaling neither;
// nor does the order of groups.
func TestChecksAreInvariant(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 3))
	y := make([]float64, 20)
	var treatment, block []string
	for i := range y {
		y[i] = 5 + rng.ExpFloat64()
		treatment = append(treatment, string(rune('A'+i%5)))
		block = append(block, string(rune('a'+i/5)))
	}
	moved := make([]float64, len(y))
	for i, v := range y {
		moved[i] = 1000 + 3*v
	}
	all := func(y []float64) []stats.Test {
		_, groups := grouped(treatment, y)
		slices.Reverse(groups[1:])
		var out []stats.Test
		add := func(r stats.Test, err error) { out = append(out, test(t, r, err)) }
		add(stats.ShapiroWilk(y))
		add(stats.Bartlett(groups))
		add(stats.BrownForsythe(groups))
		add(stats.Fligner(groups))
		na, _, _, err := stats.NonAdditivity(y, block, treatment)
		add(na, err)
		_, table := tabled(block, treatment, y)
		fr, err := stats.FriedmanTest(table)
		add(fr.ChiSquare, err)
		kw, _, err := stats.KruskalWallis(groups)
		add(kw, err)
		return out
	}
	a, b := all(y), all(moved)
	for i := range a {
		closeTo(t, a[i].Name, b[i].P, a[i].P, 1e-8)
	}
}

// Shapiro-Wilk keeps its level on normal samples.
func TestShapiroLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 4))
	for _, n := range []int{5, 11, 12, 20, 60} {
		const trials = 3000
		below := 0
		for range trials {
			x := make([]float64, n)
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			r, err := stats.ShapiroWilk(x)
			if test(t, r, err).P <= 0.05 {
				below++
			}
		}
		// Four standard errors, and the approximation's own half a percent.
		closeTo(t, "share of p <= 0.05", float64(below)/trials, 0.05, 4*math.Sqrt(0.05*0.95/trials)+0.005)
	}
}

// Exact distributions of rank statistics agree with going through all signs
// and splits one by one.
func TestRankTestsByBruteForce(t *testing.T) {
	x, y := []float64{3, 1, 4, 1, 5, 9, 2}, []float64{2, 7, 1, 8, 2, 8, 2}
	r, err := stats.SignedRank(x, y)
	test(t, r.Test, err)
	// Differences 1, -6, 3, -7, 3, 1, 0: ranks 1.5, 5, 3.5, 6, 3.5, 1.5.
	ranks := []float64{1.5, 5, 3.5, 6, 3.5, 1.5}
	up, down := 0, 0
	for signs := range 64 {
		v := 0.0
		for i, rank := range ranks {
			if signs>>i&1 == 1 {
				v += rank
			}
		}
		if v >= 10 {
			up++
		}
		if v <= 10 {
			down++
		}
	}
	closeTo(t, "V", r.Statistic, 10, 0)
	closeTo(t, "greater", r.PGreater, float64(up)/64, 1e-15)
	closeTo(t, "less", r.PLess, float64(down)/64, 1e-15)

	a, b := []float64{1, 2, 2, 6}, []float64{2, 3, 5}
	s, err := stats.RankSum(a, b)
	test(t, s.Test, err)
	all := []float64{1, 3, 3, 7, 3, 5, 6} // mid-ranks of a then b
	up, of := 0, 0
	for set := range 128 {
		n, sum := 0, 0.0
		for i, rank := range all {
			if set>>i&1 == 1 {
				n++
				sum += rank
			}
		}
		if n == 4 {
			of++
			if sum >= 14 {
				up++
			}
		}
	}
	closeTo(t, "W", s.Statistic, 4, 0)
	closeTo(t, "greater", s.PGreater, float64(up)/float64(of), 1e-14)
}

// FuzzChecks looks for values that make a check panic or give NaN.
func FuzzChecks(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 4.0, 1e-300, 1e300)
	f.Add(0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
	f.Add(0.1, 0.3, 0.2, 0.1, 0.30000000000000004, 0.2)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g float64) {
		y := []float64{a, b, c, d, e, g}
		groups := [][]float64{{a, b}, {c, d}, {e, g}}
		row, column := []string{"1", "1", "2", "2", "3", "3"}, []string{"x", "y", "x", "y", "x", "y"}
		check := func(name string, r stats.Test, err error) {
			if err != nil {
				return
			}
			if _, err := json.Marshal(r); err != nil || !(r.P >= 0 && r.P <= 1) {
				t.Errorf("%s of %v: %+v, %v", name, y, r, err)
			}
		}
		r, err := stats.ShapiroWilk(y)
		check("Shapiro-Wilk", r, err)
		r, err = stats.Bartlett(groups)
		check("Bartlett", r, err)
		r, err = stats.BrownForsythe(groups)
		check("Brown-Forsythe", r, err)
		r, err = stats.Fligner(groups)
		check("Fligner", r, err)
		r, _, _, err = stats.NonAdditivity(y, row, column)
		check("non-additivity", r, err)
		fr, err := stats.FriedmanTest(groups)
		check("Friedman", fr.ChiSquare, err)
		check("Iman-Davenport", fr.ImanDavenport, err)
		r, _, err = stats.KruskalWallis(groups)
		check("Kruskal-Wallis", r, err)
		s, err := stats.SignedRank(y[:3], y[3:])
		check("signed rank", s.Test, err)
		s, err = stats.RankSum(y[:2], y[2:])
		check("rank sum", s.Test, err)
		p, err := stats.PermuteContext(context.Background(), y, column, row, stats.DefaultPermuteOptions())
		check("permute", p.Test, err)
	})
}
