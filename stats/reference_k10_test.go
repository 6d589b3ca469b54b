package stats_test

import (
	"context"
	"slices"
	"testing"

	"quadtally/stats"
	"quadtally/stats/dist"
	"quadtally/stats/internal/refcases"
)

func TestReferenceRanks(t *testing.T) {
	refcases.Run(t, blockRanks, refcases.BlockRanks)
	refcases.Run(t, kruskal, refcases.GroupRanks)
	refcases.Run(t, signedRank, refcases.SignedRank)
	refcases.Run(t, rankSum, refcases.RankSum)
}

// tabled arranges plots as blocks (rows) by treatments, both in order of
// appearance.
func tabled(block, treatment []string, y []float64) (names []string, table [][]float64) {
	blocks, _ := grouped(block, y)
	names, _ = grouped(treatment, y)
	table = make([][]float64, len(blocks))
	for i := range table {
		table[i] = make([]float64, len(names))
	}
	for i, v := range y {
		table[slices.Index(blocks, block[i])][slices.Index(names, treatment[i])] = v
	}
	return names, table
}

func blockRanks(t *testing.T, c *refcases.Case) {
	block, treatment, y := c.Strings(t, "block"), c.Strings(t, "treatment"), c.Floats(t, "y")
	names, table := tabled(block, treatment, y)
	c.Check(t, "levels", names)
	fr, err := stats.FriedmanTest(table)
	test(t, fr.ChiSquare, err)
	test(t, fr.ImanDavenport, err)
	c.Check(t, "rank_sums", fr.RankSums)
	c.Check(t, "chisq", fr.ChiSquare.Statistic)
	c.Check(t, "df", fr.ChiSquare.DF1)
	c.Check(t, "p_chisq", fr.ChiSquare.P)
	c.Check(t, "iman_davenport_f", fr.ImanDavenport.Statistic)
	c.Check(t, "iman_davenport_p", fr.ImanDavenport.P)
	c.Check(t, "kendall_w", fr.KendallW)
	c.Check(t, "conover_lsd_rank_sums_05", fr.LSDRankSums05)
	for _, path := range []string{"quade_f", "quade_p", "aligned_ranks"} {
		c.PassOver(path, "not offered")
	}
	if c.Has("published") {
		c.CheckWithin(t, "published.friedman_chisq", fr.ChiSquare.Statistic, 5e-5, 0)
		c.CheckWithin(t, "published.df", fr.ChiSquare.DF1, 0, 0)
		c.CheckWithin(t, "published.p", fr.ChiSquare.P, 5e-7, 0)
	}

	opt := stats.DefaultPermuteOptions()
	if !c.Has("exact_permutation_F") {
		opt.MaxArrangements, opt.Draws = 0, 50 // only F is wanted
	}
	perm, err := stats.PermuteContext(context.Background(), y, treatment, block, opt)
	test(t, perm.Test, err)
	if !perm.FDefined {
		t.Fatal("F is undefined")
	}
	c.Check(t, "anova_f", perm.F)
	c.Check(t, "anova_p", fP(t, perm))
	if c.Has("exact_permutation_F") {
		c.Check(t, "exact_permutation_F.count_ge", perm.AtLeast)
		c.Check(t, "exact_permutation_F.of", perm.Of)
		c.Check(t, "exact_permutation_F.p", perm.P)
		opt.Ranks = true
		ranks, err := stats.PermuteContext(context.Background(), y, treatment, block, opt)
		test(t, ranks.Test, err)
		c.Check(t, "exact_permutation_friedman.count_ge", ranks.AtLeast)
		c.Check(t, "exact_permutation_friedman.of", ranks.Of)
		c.Check(t, "exact_permutation_friedman.p", ranks.P)
		c.PassOver("exact_note", "words")
	}
}

func kruskal(t *testing.T, c *refcases.Case) {
	names, groups := grouped(c.Strings(t, "g"), c.Floats(t, "y"))
	r, means, err := stats.KruskalWallis(groups)
	r = test(t, r, err)
	c.Check(t, "levels", names)
	sizes := make([]int, len(groups))
	for i, g := range groups {
		sizes[i] = len(g)
	}
	c.Check(t, "n", sizes)
	c.Check(t, "mean_rank", means)
	c.Check(t, "h", r.Statistic)
	c.Check(t, "df", r.DF1)
	c.Check(t, "p", r.P)
}

func signedRank(t *testing.T, c *refcases.Case) {
	x, y := c.Floats(t, "x"), c.Floats(t, "y")
	r, err := stats.SignedRank(x, y)
	test(t, r.Test, err)
	if !r.Exact {
		t.Error("not exact")
	}
	c.Check(t, "v", r.Statistic)
	c.Check(t, "n_used", r.N)
	c.Check(t, "p_exact_two_sided", r.P)
	c.Check(t, "p_exact_greater", r.PGreater)
	c.Check(t, "p_exact_less", r.PLess)
	c.Check(t, "p_normal_continuity", r.PNormal)
	c.Check(t, "hodges_lehmann", r.HodgesLehmann)
	c.PassOver("r_wilcox_p", "another program's choice between the exact and the normal p value, both checked above")
	c.PassOver("paired_t", "not offered: it is the analysis of two treatments in blocks")
	c.PassOver("sign_test_p", "not offered")

	// Random signs of differences are random arrangements of two treatments
	// within pairs.
	var values []float64
	var treatment, block []string
	for i := range x {
		values = append(values, x[i], y[i])
		treatment = append(treatment, "x", "y")
		pair := string(rune('a' + i))
		block = append(block, pair, pair)
	}
	perm, err := stats.PermuteContext(context.Background(), values, treatment, block, stats.DefaultPermuteOptions())
	test(t, perm.Test, err)
	c.Check(t, "exact_randomisation_t_p", perm.P)
}

func rankSum(t *testing.T, c *refcases.Case) {
	r, err := stats.RankSum(c.Floats(t, "x"), c.Floats(t, "y"))
	test(t, r.Test, err)
	c.Check(t, "w", r.Statistic)
	c.Check(t, "p_exact_two_sided", r.P)
	c.Check(t, "p_exact_greater", r.PGreater)
	c.Check(t, "p_normal_continuity_tie_corrected", r.PNormal)
}

// fP returns the F-distribution p value of the analysis of variance inside a
// randomisation test.
func fP(t *testing.T, p stats.Permutation) float64 {
	t.Helper()
	got, err := dist.FSF(p.F, p.DF1, p.DF2)
	if err != nil {
		t.Fatal(err)
	}
	return got
}
