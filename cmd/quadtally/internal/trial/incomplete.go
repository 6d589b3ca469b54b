package trial

import (
	"fmt"
	"slices"
)

// BlockPlan is an incomplete block plan before it is randomised.
type BlockPlan struct {
	Blocks    [][]int // treatments 0..t-1 in each block
	Balanced  bool    // every pair of treatments shares the same number of blocks
	MinShared int     // fewest blocks any pair shares
	MaxShared int     // most blocks any pair shares
	Method    string  // how the plan was found
}

// differenceSets are initial blocks whose shifts modulo the number of
// treatments make a balanced plan (the method: Bose 1939, Annals of Eugenics 9,
// 353-399): every difference but 0 occurs equally often in a family, which the
// balance check in IncompleteDesign and the tests prove.
var differenceSets = []struct {
	treatments int
	initial    [][]int
}{
	{7, [][]int{{0, 1, 3}}},
	{7, [][]int{{0, 1, 2, 4}}},
	{9, [][]int{{0, 1, 2, 4}, {0, 3, 4, 7}}},
	{11, [][]int{{0, 2, 3, 4, 8}}},
	{13, [][]int{{0, 1, 3, 9}}},
	{13, [][]int{{0, 1, 4}, {0, 2, 7}}},
	{15, [][]int{{0, 1, 2, 4, 5, 8, 10}}},
	{19, [][]int{{0, 1, 8}, {0, 2, 5}, {0, 4, 13}}},
	{21, [][]int{{0, 1, 4, 14, 16}}},
}

// IncompleteDesign finds blocks plots-of-size plan for treatments that
// outnumber a block. Replication differs by at most one between treatments and
// no treatment is twice in a block. Three ways are tried in this order:
//
//  1. every combination once (or a whole number of times);
//  2. cyclic shifts of a known difference set;
//  3. a search that swaps treatments between blocks as long as this lowers the
//     sum of squared numbers of shared blocks over all pairs, from 40 fixed
//     random starts (fewer for very large plans), stopping at balance (the
//     criterion of Eccleston & Hedayat 1974, Annals of Statistics 2, 1238-1254).
//
// The plan depends only on its three arguments. It is refused where treatments
// cannot all be compared because the blocks fall into unlinked groups.
func IncompleteDesign(treatments, blocks, size int) (BlockPlan, error) {
	switch {
	case size < 2:
		return BlockPlan{}, fmt.Errorf("incomplete blocks of %d plots: need at least 2", size)
	case size >= treatments:
		return BlockPlan{}, fmt.Errorf("blocks of %d plots hold all %d treatments: use randomised complete blocks", size, treatments)
	case blocks*(size-1) < treatments-1:
		return BlockPlan{}, fmt.Errorf("%d blocks of %d plots cannot link %d treatments: need %d blocks",
			blocks, size, treatments, (treatments-1+size-2)/(size-1))
	}
	if p := combinations(treatments, size, blocks); p != nil {
		return judged(p, treatments, "every combination of treatments"), nil
	}
	if p := shifted(treatments, size, blocks); p != nil {
		if d := judged(p, treatments, "cyclic shifts of a difference set"); d.Balanced {
			return d, nil
		}
	}
	best := BlockPlan{}
	var bestScore int
	for start := range max(2, min(40, 2_000_000/(blocks*blocks*size*size))) {
		p := improved(startingPlan(treatments, blocks, size, NewSource(uint64(start), "incomplete blocks")), treatments)
		d := judged(p, treatments, "search by swapping treatments between blocks")
		if !linked(p, treatments) {
			continue
		}
		if sc := score(shared(p, treatments)); best.Blocks == nil || sc < bestScore {
			best, bestScore = d, sc
		}
		if d.Balanced {
			break
		}
	}
	if best.Blocks == nil {
		return BlockPlan{}, fmt.Errorf("no plan of %d blocks of %d plots was found that links all %d treatments: add a block or a plot to each block",
			blocks, size, treatments)
	}
	return best, nil
}

// combinations lists every size-subset as often as fills blocks exactly, or
// nil where that does not come out even.
func combinations(t, k, blocks int) [][]int {
	count := 1
	for i := range k {
		if count = count * (t - i) / (i + 1); count > blocks {
			return nil
		}
	}
	if blocks%count != 0 {
		return nil
	}
	var all [][]int
	var grow func(from int, have []int)
	grow = func(from int, have []int) {
		if len(have) == k {
			all = append(all, slices.Clone(have))
			return
		}
		for i := from; i < t; i++ {
			grow(i+1, append(have, i))
		}
	}
	for range blocks / count {
		grow(0, nil)
	}
	return all
}

// shifted develops a known difference set, repeated where blocks allow.
func shifted(t, k, blocks int) [][]int {
	for _, d := range differenceSets {
		once := len(d.initial) * t
		if d.treatments != t || len(d.initial[0]) != k || blocks%once != 0 {
			continue
		}
		var p [][]int
		for range blocks / once {
			for _, first := range d.initial {
				for shift := range t {
					b := make([]int, k)
					for i, v := range first {
						b[i] = (v + shift) % t
					}
					p = append(p, b)
				}
			}
		}
		return p
	}
	return nil
}

// startingPlan fills blocks one after another, each with the treatments used
// least so far, ties in random order.
func startingPlan(t, blocks, k int, src *Source) [][]int {
	used := make([]int, t)
	p := make([][]int, blocks)
	for i := range p {
		order := src.Perm(t)
		slices.SortStableFunc(order, func(a, b int) int { return used[a] - used[b] })
		p[i] = slices.Clone(order[:k])
		for _, v := range p[i] {
			used[v]++
		}
	}
	return p
}

// improved swaps single treatments between blocks, taking the best swap there
// is until none lowers the score. Swaps keep replication and block sizes.
func improved(p [][]int, t int) [][]int {
	m := shared(p, t)
	in := make([][]bool, len(p))
	for i, b := range p {
		in[i] = make([]bool, t)
		for _, v := range b {
			in[i][v] = true
		}
	}
	for {
		best, bi, bx, bj, by := 0, -1, 0, 0, 0
		for i := range p {
			for x, u := range p[i] {
				for j := i + 1; j < len(p); j++ {
					if in[j][u] {
						continue
					}
					for y, v := range p[j] {
						if in[i][v] {
							continue
						}
						if d := gain(p, m, in, i, u, j, v); d < best {
							best, bi, bx, bj, by = d, i, x, j, y
						}
					}
				}
			}
		}
		if bi < 0 {
			return p
		}
		u, v := p[bi][bx], p[bj][by]
		p[bi][bx], p[bj][by] = v, u
		in[bi][u], in[bi][v], in[bj][v], in[bj][u] = false, true, false, true
		m = shared(p, t)
	}
}

// gain is the change of the score when u of block i and v of block j change
// places. Only pairs with a treatment that stands in one of the two blocks but
// not in both change.
func gain(p, m [][]int, in [][]bool, i, u, j, v int) int {
	d := 0
	for _, w := range p[i] {
		if w != u && !in[j][w] {
			d += 2 * (m[v][w] - m[u][w] + 1)
		}
	}
	for _, w := range p[j] {
		if w != v && !in[i][w] {
			d += 2 * (m[u][w] - m[v][w] + 1)
		}
	}
	return d
}

// shared counts, for every pair of treatments, the blocks that hold both.
func shared(p [][]int, t int) [][]int {
	m := make([][]int, t)
	for i := range m {
		m[i] = make([]int, t)
	}
	for _, b := range p {
		for i, u := range b {
			for _, v := range b[i+1:] {
				m[u][v]++
				m[v][u]++
			}
		}
	}
	return m
}

func score(m [][]int) int {
	s := 0
	for i := range m {
		for _, v := range m[i][i+1:] {
			s += v * v
		}
	}
	return s
}

func judged(p [][]int, t int, method string) BlockPlan {
	m := shared(p, t)
	lo, hi := m[0][1], m[0][1]
	for i := range m {
		for _, v := range m[i][i+1:] {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	return BlockPlan{Blocks: p, Balanced: lo == hi, MinShared: lo, MaxShared: hi, Method: method}
}

// linked reports whether every treatment can be reached from the first through
// shared blocks, without which some differences cannot be estimated.
func linked(p [][]int, t int) bool {
	m := shared(p, t)
	seen, queue := make([]bool, t), []int{0}
	seen[0] = true
	n := 1
	for len(queue) > 0 {
		u := queue[0]
		queue = queue[1:]
		for v, c := range m[u] {
			if c > 0 && !seen[v] {
				seen[v] = true
				n++
				queue = append(queue, v)
			}
		}
	}
	return n == t
}
