package stats

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"quadtally/stats/dist"
)

// A RankTest is a rank test of one or two samples with its exact
// distribution.
type RankTest struct {
	// Test holds the statistic and the two-sided p value, twice the smaller
	// tail.
	Test
	// N is the number of values used: pairs that differ, or all values.
	N int
	// PGreater and PLess are the one-sided p values for the first sample
	// being the larger and the smaller.
	PGreater, PLess float64
	// PNormal is the two-sided p value from the normal approximation with
	// continuity and tie correction, for comparison with other programs.
	PNormal float64
	// Exact reports whether the p values come from complete enumeration.
	Exact bool
	// HodgesLehmann is the estimate of the shift that belongs to the test:
	// the median of all pairwise means of the differences, zeros included (signed
	// rank), or of all differences between the samples (rank sum).
	HodgesLehmann float64
}

// mostExact is the number of values up to which rank tests are enumerated.
const mostExact = 200

const tooManyToEnumerate = "more than 200 values: p values from the normal approximation"

// SignedRank is Wilcoxon's signed rank test of paired values (Wilcoxon 1945,
// Biometrics Bulletin 1, 80-83). Pairs without a difference are dropped, as he
// did, and said in the note; tied differences share mid-ranks and are still
// enumerated exactly (up to 200 pairs), over all 2^n signs by convolution.
// The statistic is the sum of ranks of the positive differences x - y.
func SignedRank(x, y []float64) (RankTest, error) {
	const name = "Wilcoxon signed rank"
	d, err := differencesOf(x, y)
	if err != nil {
		return RankTest{}, err
	}
	near := tieTolerance(slices.Concat(x, y))
	used := make([]float64, 0, len(d))
	for _, v := range d {
		if math.Abs(v) > near {
			used = append(used, v)
		}
	}
	if len(used) == 0 {
		return RankTest{Test: undefinedTest(name, "no pair differs: there is nothing to rank")}, nil
	}
	size := make([]float64, len(used))
	for i, v := range used {
		size[i] = math.Abs(v)
	}
	ranks, ties := midRanks(size)
	v := 0.0
	for i, r := range ranks {
		if used[i] > 0 {
			v += r
		}
	}
	n := float64(len(used))
	res := RankTest{Test: Test{Name: name, Statistic: v, Defined: true}, N: len(used), HodgesLehmann: medianWalsh(d)}
	mean := n * (n + 1) / 4
	sd := math.Sqrt(n*(n+1)*(2*n+1)/24 - ties/48)
	res.approximate(v-mean, sd)
	if dropped := len(d) - len(used); dropped > 0 {
		res.Note = fmt.Sprintf("pairs without a difference left out: %d", dropped)
	}
	if len(used) <= mostExact {
		res.enumerated(signDistribution(ranks), int(math.Round(2*v)))
	} else {
		res.Warnings = append(res.Warnings, tooManyToEnumerate)
	}
	return res, nil
}

// signDistribution returns the probabilities of twice the sum of ranks with
// random signs; mid-ranks are whole when doubled.
func signDistribution(ranks []float64) []float64 {
	prob := []float64{1}
	for _, r := range ranks {
		step := int(math.Round(2 * r))
		next := make([]float64, len(prob)+step)
		for s, p := range prob {
			next[s] += p / 2
			next[s+step] += p / 2
		}
		prob = next
	}
	return prob
}

// RankSum is the rank sum test of two independent samples (Wilcoxon 1945; Mann
// and Whitney 1947, Ann. Math. Statist. 18, 50-60). The statistic is the number
// of pairs in which x is the larger, ties counting one half. Up to 200 values
// all splits of the (mid-)ranks are enumerated exactly.
func RankSum(x, y []float64) (RankTest, error) {
	const name = "Wilcoxon rank sum"
	all, _, err := poolGroups([][]float64{x, y})
	if err != nil {
		return RankTest{}, err
	}
	ranks, ties := midRanks(all)
	m, n := float64(len(x)), float64(len(y))
	w := floats.Sum(ranks[:len(x)]) - m*(m+1)/2
	total := m + n
	variance := m * n / 12 * (total + 1 - ties/(total*(total-1)))
	if variance < 1e-9 {
		return RankTest{Test: undefinedTest(name, "all values are tied: there is nothing to rank"), N: len(all)}, nil
	}
	shifts := make([]float64, 0, len(x)*len(y))
	for _, a := range x {
		for _, b := range y {
			shifts = append(shifts, a-b)
		}
	}
	res := RankTest{Test: Test{Name: name, Statistic: w, Defined: true}, N: len(all), HodgesLehmann: median(shifts)}
	res.approximate(w-m*n/2, math.Sqrt(variance))
	if len(all) <= mostExact {
		res.enumerated(splitDistribution(ranks, len(x)), int(math.Round(2*floats.Sum(ranks[:len(x)]))))
	} else {
		res.Warnings = append(res.Warnings, tooManyToEnumerate)
	}
	return res, nil
}

// splitDistribution returns the probabilities of twice the rank sum of size
// values drawn from ranks without replacement.
func splitDistribution(ranks []float64, size int) []float64 {
	top := int(math.Round(2 * floats.Sum(ranks)))
	// prob[c][s]: chance that of the values so far c are drawn with sum s.
	prob := make([][]float64, size+1)
	for c := range prob {
		prob[c] = make([]float64, top+1)
	}
	prob[0][0] = 1
	for i, r := range ranks {
		step := int(math.Round(2 * r))
		left := float64(len(ranks) - i)
		for c := min(i, size); c >= 0; c-- {
			draw := float64(size-c) / left
			for s := top; s >= 0; s-- {
				p := prob[c][s]
				if p == 0 {
					continue
				}
				prob[c][s] = p * (1 - draw)
				if draw > 0 {
					prob[c+1][s+step] += p * draw
				}
			}
		}
	}
	return prob[size]
}

// enumerated sets the p values from the exact distribution of a whole-number
// statistic.
func (r *RankTest) enumerated(prob []float64, at int) {
	r.PGreater, r.PLess = 0, 0
	for s, p := range prob {
		if s >= at {
			r.PGreater += p
		}
		if s <= at {
			r.PLess += p
		}
	}
	r.PGreater, r.PLess = math.Min(1, r.PGreater), math.Min(1, r.PLess)
	r.P = math.Min(1, 2*math.Min(r.PGreater, r.PLess))
	r.Exact = true
}

// approximate sets the p values from the normal approximation, half a unit
// being taken off the distance from the mean.
func (r *RankTest) approximate(fromMean, sd float64) {
	upper := func(z float64) float64 { p, _ := dist.NormalSF(z); return p } // z is finite
	r.PNormal = math.Min(1, 2*upper((math.Abs(fromMean)-0.5)/sd))
	r.PGreater = upper((fromMean - 0.5) / sd)
	r.PLess = upper((-fromMean - 0.5) / sd)
	r.P = r.PNormal
}

func differencesOf(x, y []float64) ([]float64, error) {
	if len(x) != len(y) {
		return nil, fmt.Errorf("%d values against %d: pairs need as many of one as of the other", len(x), len(y))
	}
	if len(x) == 0 {
		return nil, fmt.Errorf("no pairs: at least one is needed")
	}
	for i := range x {
		if err := allFinite([]float64{x[i], y[i]}); err != nil {
			return nil, fmt.Errorf("pair %d: %w", i+1, err)
		}
	}
	d := make([]float64, len(x))
	floats.SubTo(d, x, y)
	return d, nil
}

// medianWalsh returns the median of the means of all pairs of values, each
// with itself included.
func medianWalsh(d []float64) float64 {
	means := make([]float64, 0, len(d)*(len(d)+1)/2)
	for i := range d {
		for j := range i + 1 {
			means = append(means, (d[i]+d[j])/2)
		}
	}
	return median(means)
}

// median returns the middle value of xs (not empty), which it leaves alone.
func median(xs []float64) float64 {
	s := slices.Sorted(slices.Values(xs))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// sumSquaresAbout returns the sum of squared deviations from centre.
func sumSquaresAbout(xs []float64, centre float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += (x - centre) * (x - centre)
	}
	return sum
}
