package stats

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// PermuteOptions sets how [PermuteContext] works.
type PermuteOptions struct {
	// Ranks replaces the values by their ranks within blocks, which makes the
	// test Friedman's (one block: Kruskal and Wallis's) with an exact p value.
	Ranks bool
	// MaxArrangements is the number of arrangements up to which all are
	// looked at.
	MaxArrangements int
	// Draws is the number of random arrangements looked at otherwise.
	Draws int
	// Seed starts the random numbers: the same seed, the same p value.
	Seed uint64
}

// DefaultPermuteOptions looks at all arrangements up to two million (five
// treatments in four blocks are 1 728 000) and draws 100 000 beyond.
func DefaultPermuteOptions() PermuteOptions {
	return PermuteOptions{MaxArrangements: 2_000_000, Draws: 100_000, Seed: 1}
}

// Validate reports options that cannot work.
func (o PermuteOptions) Validate() error {
	if o.MaxArrangements < 0 || o.Draws < 1 {
		return fmt.Errorf("%d arrangements at most and %d draws: the first must not be negative and the second at least 1", o.MaxArrangements, o.Draws)
	}
	return nil
}

// A Permutation is the outcome of a randomisation test.
type Permutation struct {
	// Test holds the p value; its statistic is the treatment sum of squares
	// (adjusted for blocks) as a share of the sum of squares within blocks,
	// which orders arrangements as F does and stays finite.
	Test
	// F is the analysis of variance statistic with DF1 and DF2 of the test;
	// 0 with FDefined false where nothing is left over as error.
	F        float64
	FDefined bool
	// AtLeast of Of arrangements had a statistic at least as large as the
	// observed one, which is among them.
	AtLeast, Of int
	// Complete reports whether Of is all arrangements (relative to one block,
	// where the blocks are alike) or a random draw plus the observed one.
	Complete bool
	// StdErr is the Monte Carlo standard error of P; 0 when complete.
	StdErr float64
}

// PermuteContext is the randomisation test of treatments: it re-allots the treatments
// within each block in every way the design allowed (or in many random ways)
// and counts how often they differ at least as much as they did (Fisher 1935,
// The Design of Experiments; Edgington and Onghena 2007, Randomization Tests).
// y, treatment and block have one entry a plot; block nil means no blocks, all
// plots being one. Blocks may be incomplete and treatments may repeat in a
// block: the sum of squares is that of treatments adjusted for blocks.
//
// The observed arrangement is counted, and values that agree to 1e-10 count
// as ties, so that rounding cannot break one. A random draw gives
// p = (count + 1)/(draws + 1) (Phipson and Smyth 2010, SAGMB 9, 39). The end of
// ctx stops it.
func PermuteContext(ctx context.Context, y []float64, treatment, block []string, opt PermuteOptions) (Permutation, error) {
	if err := opt.Validate(); err != nil {
		return Permutation{}, err
	}
	s, err := newShuffle(y, treatment, block, opt.Ranks)
	if err != nil {
		return Permutation{}, err
	}
	res := Permutation{Test: Test{Name: "Randomisation test"}}
	df2 := len(y) - len(s.blocks) - s.rank
	switch {
	case s.rank == 0:
		res.Note = "no block holds two treatments: nothing can be exchanged"
		return res, nil
	case s.within <= 0:
		res.Note = "all values within a block are the same: every arrangement is alike"
		return res, nil
	case df2 < 1:
		res.Note = "no residual degrees of freedom: every arrangement fits perfectly"
		return res, nil
	}
	observed := s.statistic()
	res.Defined = true
	res.Statistic = math.Min(1, observed/s.within)
	res.DF1, res.DF2 = float64(s.rank), float64(df2)
	if rest := s.within - observed; rest > 1e-12*s.within {
		res.F, res.FDefined = observed/res.DF1/(rest/res.DF2), true
	}
	s.atLeast = observed - 1e-10*observed - 1e-13*s.within
	if s.arrangements() <= float64(opt.MaxArrangements) {
		res.Complete = true
		res.AtLeast, res.Of = s.enumerate(ctx)
		if err := ctx.Err(); err != nil {
			return Permutation{}, err
		}
		res.P = float64(res.AtLeast) / float64(res.Of)
		res.Note = fmt.Sprintf("exact: %d of all %d arrangements at least as extreme, the observed one counted", res.AtLeast, res.Of)
		return res, nil
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0x9e3779b97f4a7c15))
	res.AtLeast, res.Of = s.draw(ctx, rng, opt.Draws)+1, opt.Draws+1
	if err := ctx.Err(); err != nil {
		return Permutation{}, err
	}
	res.P = float64(res.AtLeast) / float64(res.Of)
	res.StdErr = math.Sqrt(res.P * (1 - res.P) / float64(opt.Draws))
	res.Note = fmt.Sprintf("%d random arrangements, seed %d, standard error of p %.2g", opt.Draws, opt.Seed, res.StdErr)
	return res, nil
}

// shuffle holds a design during re-allotment.
type shuffle struct {
	// blocks hold, for each block, the plot values less the block mean and the
	// treatment index of each. Both are its own.
	blocks []shuffleBlock
	// fixed is the number of leading blocks that need not move: one where all
	// blocks are complete and alike, since exchanging treatments in all blocks
	// together changes nothing.
	fixed int
	// within is the sum of squares within blocks.
	within float64
	// totals is the sum of values of each treatment.
	totals []float64
	// weight is 1/replication where treatments are orthogonal to blocks;
	// otherwise inverse is the generalised inverse of the information matrix.
	weight  []float64
	inverse [][]float64
	rank    int
	// atLeast is the statistic from which an arrangement counts.
	atLeast float64
}

type shuffleBlock struct {
	value []float64
	label []int
}

func newShuffle(y []float64, treatment, block []string, ranks bool) (*shuffle, error) {
	n := len(y)
	if len(treatment) != n || (block != nil && len(block) != n) {
		return nil, fmt.Errorf("%d values, %d treatments and %d blocks: need one of each a plot", n, len(treatment), len(block))
	}
	if err := allFinite(y); err != nil {
		return nil, err
	}
	labels, of := indexLabels(treatment)
	if len(labels) < 2 {
		return nil, fmt.Errorf("%d treatment: need 2 to compare", len(labels))
	}
	var names []string
	in := make([]int, n)
	if block != nil {
		names, in = indexLabels(block)
	} else {
		names = []string{""}
	}
	s := &shuffle{blocks: make([]shuffleBlock, len(names)), totals: make([]float64, len(labels))}
	for i, b := range in {
		s.blocks[b].value = append(s.blocks[b].value, y[i])
		s.blocks[b].label = append(s.blocks[b].label, of[i])
	}
	scale := 0.0
	for i := range s.blocks {
		b := &s.blocks[i]
		if ranks {
			b.value, _ = midRanks(b.value)
		}
		mean := 0.0
		for _, v := range b.value {
			mean += v / float64(len(b.value))
			scale = math.Max(scale, math.Abs(v))
		}
		for j := range b.value {
			b.value[j] -= mean
			s.within += b.value[j] * b.value[j]
		}
	}
	if s.within <= float64(n)*1e-28*scale*scale {
		s.within = 0 // only rounding is left
	}
	return s, s.setDesign(len(labels))
}

// setDesign finds the information matrix of the treatments,
// diag(r) - N diag(1/k) N', which re-allotment within blocks leaves alone.
func (s *shuffle) setDesign(t int) error {
	incidence := make([][]float64, len(s.blocks))
	r := make([]float64, t)
	n := 0.0
	for b, blk := range s.blocks {
		incidence[b] = make([]float64, t)
		for _, j := range blk.label {
			incidence[b][j]++
			r[j]++
			n++
		}
	}
	orthogonal, alike := true, true
	info := mat.NewSymDense(t, nil)
	for b, row := range incidence {
		k := float64(len(s.blocks[b].value))
		for i := range t {
			if math.Abs(row[i]-r[i]*k/n) > 1e-9 {
				orthogonal = false
			}
			if row[i] != 1 {
				alike = false
			}
			for j := range i + 1 {
				info.SetSym(i, j, info.At(i, j)-row[i]*row[j]/k)
			}
		}
	}
	if orthogonal {
		s.rank = t - 1
		s.weight = make([]float64, t)
		for j := range r {
			s.weight[j] = 1 / r[j]
		}
		if alike {
			s.fixed = 1
		}
		return nil
	}
	for i := range t {
		info.SetSym(i, i, info.At(i, i)+r[i])
	}
	var eig mat.EigenSym
	if !eig.Factorize(info, true) {
		return fmt.Errorf("the information matrix of the treatments could not be inverted")
	}
	values := eig.Values(nil)
	var v mat.Dense
	eig.VectorsTo(&v)
	s.inverse = make([][]float64, t)
	for i := range s.inverse {
		s.inverse[i] = make([]float64, t)
	}
	for e, value := range values {
		if value < 1e-9*slices.Max(values) {
			continue // not estimable: the mean of a connected part
		}
		s.rank++
		for i := range t {
			for j := range t {
				s.inverse[i][j] += v.At(i, e) * v.At(j, e) / value
			}
		}
	}
	return nil
}

// statistic returns the treatment sum of squares adjusted for blocks of the
// arrangement at hand.
func (s *shuffle) statistic() float64 {
	clear(s.totals)
	for _, b := range s.blocks {
		for i, v := range b.value {
			s.totals[b.label[i]] += v
		}
	}
	return s.sumOfSquares(s.totals)
}

func (s *shuffle) sumOfSquares(totals []float64) float64 {
	ss := 0.0
	if s.weight != nil {
		for j, q := range totals {
			ss += q * q * s.weight[j]
		}
		return ss
	}
	for i, row := range s.inverse {
		part := 0.0
		for j, q := range totals {
			part += row[j] * q
		}
		ss += totals[i] * part
	}
	return ss
}

// arrangements returns the number of different allotments of treatments to
// plots, blocks that need not move left out.
func (s *shuffle) arrangements() float64 {
	logN := 0.0
	for _, b := range s.blocks[s.fixed:] {
		lg, _ := math.Lgamma(float64(len(b.label) + 1))
		logN += lg
		seen := make([]float64, len(s.totals))
		for _, j := range b.label {
			seen[j]++
			logN -= math.Log(seen[j])
		}
	}
	return math.Round(math.Exp(logN))
}

// lookUp is the number of arrangements between two looks at the context.
const lookUp = 1 << 14

// enumerate goes through all arrangements and returns how many count.
func (s *shuffle) enumerate(ctx context.Context) (atLeast, of int) {
	t := len(s.totals)
	partial := make([][]float64, len(s.blocks)+1) // totals before each block
	for i := range partial {
		partial[i] = make([]float64, t)
	}
	var visit func(b int)
	visit = func(b int) {
		if b == len(s.blocks) {
			of++
			if s.sumOfSquares(partial[b]) >= s.atLeast {
				atLeast++
			}
			return
		}
		blk := s.blocks[b]
		label := slices.Clone(blk.label)
		if b >= s.fixed {
			slices.Sort(label)
		}
		for {
			if of%lookUp == lookUp-1 && ctx.Err() != nil {
				return
			}
			copy(partial[b+1], partial[b])
			for i, v := range blk.value {
				partial[b+1][label[i]] += v
			}
			visit(b + 1)
			if b < s.fixed || !nextPermutation(label) {
				return
			}
		}
	}
	visit(0)
	return atLeast, of
}

// nextPermutation turns a into the next one in dictionary order, repeats
// counting as the same; false after the last.
func nextPermutation(a []int) bool {
	i := len(a) - 2
	for i >= 0 && a[i] >= a[i+1] {
		i--
	}
	if i < 0 {
		return false
	}
	j := len(a) - 1
	for a[j] <= a[i] {
		j--
	}
	a[i], a[j] = a[j], a[i]
	slices.Reverse(a[i+1:])
	return true
}

// draw makes random arrangements and returns how many count. It allocates
// nothing.
func (s *shuffle) draw(ctx context.Context, rng *rand.Rand, draws int) (atLeast int) {
	for n := range draws {
		if n%lookUp == lookUp-1 && ctx.Err() != nil {
			break
		}
		for _, b := range s.blocks[s.fixed:] {
			// Values move, labels stay: each allotment is equally likely.
			for i := len(b.value) - 1; i > 0; i-- {
				j := int(rng.Uint32N(uint32(i + 1)))
				b.value[i], b.value[j] = b.value[j], b.value[i]
			}
		}
		if s.statistic() >= s.atLeast {
			atLeast++
		}
	}
	return atLeast
}

// indexLabels returns the different labels in order of appearance and the
// index of each entry among them.
func indexLabels(labels []string) (names []string, of []int) {
	at := map[string]int{}
	of = make([]int, len(labels))
	for i, l := range labels {
		j, ok := at[l]
		if !ok {
			j = len(names)
			at[l] = j
			names = append(names, l)
		}
		of[i] = j
	}
	return names, of
}
