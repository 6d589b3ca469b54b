package stats

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"quadtally/stats/dist"
)

// midRanks returns the ranks of xs from 1, ties sharing the mean of their
// ranks, and the sum of n^3 - n over groups of n ties. Values equal to ten
// decimals (relative to the largest) count as ties, so that a difference made
// by rounding does not break one.
func midRanks(xs []float64) (ranks []float64, ties float64) {
	order := make([]int, len(xs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(xs[a], xs[b]) })
	near := tieTolerance(xs)
	ranks = make([]float64, len(xs))
	for i := 0; i < len(order); {
		j := i + 1
		for j < len(order) && xs[order[j]]-xs[order[j-1]] <= near {
			j++
		}
		for _, at := range order[i:j] {
			ranks[at] = float64(i+j+1) / 2
		}
		n := float64(j - i)
		ties += n*n*n - n
		i = j
	}
	return ranks, ties
}

// tieTolerance is the difference up to which values count as equal.
func tieTolerance(xs []float64) float64 {
	largest := 0.0
	for _, x := range xs {
		largest = math.Max(largest, math.Abs(x))
	}
	return 1e-10 * math.Max(largest, math.SmallestNonzeroFloat64)
}

// Friedman is the outcome of Friedman's rank test of treatments in complete
// blocks, with the quantities usually printed beside it.
type Friedman struct {
	// ChiSquare is the tie-corrected statistic with its chi-square p value.
	ChiSquare Test
	// ImanDavenport is the same statistic referred to F, which keeps its
	// level better in few blocks (Iman and Davenport 1980, Commun. Stat. A9,
	// 571-595).
	ImanDavenport Test
	// RankSums holds the sum of within-block ranks of each treatment.
	RankSums []float64
	// KendallW is the coefficient of concordance between blocks, 0 to 1.
	KendallW float64
	// LSDRankSums05 is the difference of two rank sums beyond which they
	// differ at the 5 % level (Conover 1999, Practical Nonparametric
	// Statistics, 3rd ed., p. 371); 0 if undefined.
	LSDRankSums05 float64
}

// FriedmanTest ranks the treatments within each block (a row of table, one
// value a treatment, no blank) and tests whether they rank alike, ties
// corrected (Conover 1999, section 5.8). It needs 2 treatments and 2 blocks;
// a table with blanks needs [PermuteContext] or a model instead.
func FriedmanTest(table [][]float64) (Friedman, error) {
	b, t, err := completeTable(table)
	if err != nil {
		return Friedman{}, err
	}
	sums := make([]float64, t)
	var squares float64
	for _, row := range table {
		ranks, _ := midRanks(row)
		for j, r := range ranks {
			sums[j] += r
			squares += r * r
		}
	}
	bf, tf := float64(b), float64(t)
	res := Friedman{RankSums: sums}
	mid := bf * (tf + 1) / 2
	between := 0.0
	for _, s := range sums {
		between += (s - mid) * (s - mid)
	}
	// a1 is the spread of all ranks about the mean rank of a block.
	a1 := squares - bf*tf*(tf+1)*(tf+1)/4
	if a1 < 1e-9 {
		why := "every block has all its values tied: there is nothing to rank"
		res.ChiSquare, res.ImanDavenport = undefinedTest("Friedman", why), undefinedTest("Iman-Davenport", why)
		return res, nil
	}
	chi := (tf - 1) * between / a1
	res.KendallW = chi / (bf * (tf - 1))
	res.ChiSquare = chiSquareTest("Friedman", chi, tf-1)
	if b*t < 30 {
		res.ChiSquare.Warnings = append(res.ChiSquare.Warnings, "few plots: the chi-square p value is rough; the randomisation test on ranks is exact")
	}
	df2 := (bf - 1) * (tf - 1)
	rest := bf*(tf-1) - chi
	if rest <= 1e-9*bf*(tf-1) {
		res.ImanDavenport = undefinedTest("Iman-Davenport", "all blocks rank the treatments alike, so F has no finite value: use the randomisation test on ranks")
		return res, nil
	}
	f := (bf - 1) * chi / rest
	res.ImanDavenport = fTest("Iman-Davenport", f, tf-1, df2)
	q := must(dist.TQuantile(0.975, df2))
	res.LSDRankSums05 = q * math.Sqrt(2*(bf*squares-floats.Dot(sums, sums))/df2)
	return res, nil
}

// KruskalWallis is the rank test of unblocked groups, ties corrected (Kruskal
// and Wallis 1952, JASA 47, 583-621), with the mean rank of each group. Empty
// groups are an error.
func KruskalWallis(groups [][]float64) (Test, []float64, error) {
	const name = "Kruskal-Wallis"
	all, _, err := poolGroups(groups)
	if err != nil {
		return Test{}, nil, err
	}
	ranks, ties := midRanks(all)
	means := make([]float64, len(groups))
	n := float64(len(all))
	h, at := 0.0, 0
	for i, g := range groups {
		ni := float64(len(g))
		means[i] = floats.Sum(ranks[at:at+len(g)]) / ni
		h += ni * (means[i] - (n+1)/2) * (means[i] - (n+1)/2)
		at += len(g)
	}
	correction := 1 - ties/(n*n*n-n)
	if correction < 1e-12 {
		return undefinedTest(name, "all values are tied: there is nothing to rank"), means, nil
	}
	h *= 12 / (n * (n + 1)) / correction
	return chiSquareTest(name, h, float64(len(groups)-1)), means, nil
}

// completeTable checks a table of blocks (rows) by treatments (columns): at
// least 2 by 2, no blank, all finite.
func completeTable(table [][]float64) (blocks, treatments int, err error) {
	blocks = len(table)
	if blocks < 2 {
		return 0, 0, fmt.Errorf("%d block: need 2 for a rank test within blocks", blocks)
	}
	treatments = len(table[0])
	if treatments < 2 {
		return 0, 0, fmt.Errorf("%d treatment: need 2 to compare", treatments)
	}
	for i, row := range table {
		if len(row) != treatments {
			return 0, 0, fmt.Errorf("block %d has %d values where block 1 has %d: blocks must be complete", i+1, len(row), treatments)
		}
		if err := allFinite(row); err != nil {
			return 0, 0, fmt.Errorf("block %d: %w", i+1, err)
		}
	}
	return blocks, treatments, nil
}

// poolGroups joins groups into one slice with the group of each value.
func poolGroups(groups [][]float64) (all []float64, of []int, err error) {
	if len(groups) < 2 {
		return nil, nil, fmt.Errorf("%d group: need 2 to compare", len(groups))
	}
	for i, g := range groups {
		if len(g) == 0 {
			return nil, nil, fmt.Errorf("group %d has no values", i+1)
		}
		if err := allFinite(g); err != nil {
			return nil, nil, fmt.Errorf("group %d: %w", i+1, err)
		}
		all = append(all, g...)
		for range g {
			of = append(of, i)
		}
	}
	return all, of, nil
}

// allFinite refuses blanks, and values whose squares are beyond all numbers.
func allFinite(xs []float64) error {
	for i, x := range xs {
		if !usable(x) {
			return fmt.Errorf("value %d is %v: blanks must be left out before a test, and no measurement is beyond 1e100", i+1, x)
		}
	}
	return nil
}

// fTest is an F test with its p value, chiSquareTest one by chi-square.
func fTest(name string, f, df1, df2 float64) Test {
	return Test{Name: name, Statistic: f, DF1: df1, DF2: df2, P: must(dist.FSF(f, df1, df2)), Defined: true}
}

func chiSquareTest(name string, x, df float64) Test {
	return Test{Name: name, Statistic: x, DF1: df, P: must(dist.ChiSquareSF(x, df)), Defined: true}
}
