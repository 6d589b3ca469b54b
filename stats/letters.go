package stats

import (
	"fmt"
	"slices"
)

// letterNames are handed out in order; more groups than this have no display
// that could still be read.
const letterNames = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"

// manyGroups bounds the work of insert-and-absorb, whose number of groups can
// double with every difference in contrived cases.
const manyGroups = 4096

// Letters returns a compact letter display for n treatments in display order:
// treatments i and j share a letter if and only if differ(i, j) is false.
// Groups are formed by insert-and-absorb and then thinned so that none is
// redundant (Piepho 2004, J. Comput. Graph. Stat. 13, 456). Letters run in the
// order in which the treatments first need them, so that "a" belongs to
// treatment 0. differ must be symmetric.
func Letters(n int, differ func(i, j int) bool) ([]string, error) {
	groups := insertAbsorb(n, differ)
	if groups == nil {
		groups = growGroups(n, differ)
	}
	groups = sweep(n, groups)
	if len(groups) > len(letterNames) {
		return nil, fmt.Errorf("the pairs need %d letters, more than the %d there are; read the table of pairs", len(groups), len(letterNames))
	}
	slices.SortFunc(groups, func(a, b []bool) int {
		for i := range a {
			if a[i] != b[i] {
				if a[i] {
					return -1
				}
				return 1
			}
		}
		return 0
	})
	out := make([]string, n)
	for g, members := range groups {
		for i, in := range members {
			if in {
				out[i] += letterNames[g : g+1]
			}
		}
	}
	return out, nil
}

// insertAbsorb starts from one group of all and splits every group that holds
// two treatments that differ, dropping groups that lie within another. It
// returns nil when the groups become too many.
func insertAbsorb(n int, differ func(i, j int) bool) [][]bool {
	all := make([]bool, n)
	for i := range all {
		all[i] = true
	}
	groups := [][]bool{all}
	for i := range n {
		for j := i + 1; j < n; j++ {
			if !differ(i, j) {
				continue
			}
			var keep, split [][]bool
			for _, g := range groups {
				if !g[i] || !g[j] {
					keep = append(keep, g)
					continue
				}
				without := slices.Clone(g)
				without[i] = false
				split = append(split, without)
				g[j] = false
				split = append(split, g)
			}
			for s, g := range split {
				absorbed := slices.ContainsFunc(keep, func(h []bool) bool { return within(g, h) })
				for r, h := range split {
					// Of two that are the same, the later is dropped.
					absorbed = absorbed || r != s && within(g, h) && (r < s || !within(h, g))
				}
				if !absorbed {
					keep = append(keep, g)
				}
			}
			if len(keep) > manyGroups {
				return nil
			}
			groups = keep
		}
	}
	return groups
}

func within(a, b []bool) bool {
	for i := range a {
		if a[i] && !b[i] {
			return false
		}
	}
	return true
}

// growGroups covers each pair that does not differ by a group grown from it.
func growGroups(n int, differ func(i, j int) bool) [][]bool {
	var groups [][]bool
	for i := range n {
		for j := i; j < n; j++ {
			if i != j && differ(i, j) || slices.ContainsFunc(groups, func(g []bool) bool { return g[i] && g[j] }) {
				continue
			}
			g := make([]bool, n)
			g[i], g[j] = true, true
			for k := range n {
				fits := true
				for m := range n {
					fits = fits && (!g[m] || m == k || !differ(k, m))
				}
				g[k] = g[k] || fits
			}
			groups = append(groups, g)
		}
	}
	return groups
}

// sweep drops groups all of whose pairs, and members, stand in other groups.
// Groups whose pairs are most often covered elsewhere go first.
func sweep(n int, groups [][]bool) [][]bool {
	cover := make([]int, n*n)
	count := func(g []bool, by int) {
		for i := range n {
			for j := i; g[i] && j < n; j++ {
				if g[j] {
					cover[i*n+j] += by
				}
			}
		}
	}
	for _, g := range groups {
		count(g, 1)
	}
	spare := func(g []bool) (least, sum int) {
		least = int(^uint(0) >> 1)
		for i := range n {
			for j := i; g[i] && j < n; j++ {
				if g[j] {
					least = min(least, cover[i*n+j])
					sum += cover[i*n+j]
				}
			}
		}
		return least, sum
	}
	for {
		best, bestSum := -1, 0
		for k, g := range groups {
			if least, sum := spare(g); least > 1 && sum > bestSum {
				best, bestSum = k, sum
			}
		}
		if best < 0 {
			return groups
		}
		count(groups[best], -1)
		groups = slices.Delete(groups, best, best+1)
	}
}
