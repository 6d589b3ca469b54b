package trial

import (
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"slices"
)

// Allotment says which treatment (an index into Trial.Treatments) stands in
// each place. Rows are blocks, or the replicates of a layout without blocks;
// in a Latin square the second index is the column.
type Allotment [][]int

// Randomise draws the allotment of t's design with the generator named by
// GeneratorName. It needs a plan that Validate accepts.
//
//   - completely randomised: one shuffle over all plots, every treatment
//     t.Blocks times;
//   - randomised complete blocks: a fresh shuffle in each block;
//   - Latin square: a random square (see randomSquare), then rows, columns and
//     treatments shuffled;
//   - incomplete blocks: the plan of IncompleteDesign, then treatments, blocks
//     and the places within each block shuffled.
func Randomise(t *Trial) (Allotment, error) {
	if faults := Validate(t); len(faults) > 0 {
		return nil, faults
	}
	src := NewSource(t.Seed, "layout")
	n, b := len(t.Treatments), t.Blocks
	switch t.Design {
	case CompletelyRandomised:
		order := src.Perm(n * b)
		a := make(Allotment, b)
		for i := range a {
			for _, v := range order[i*n : (i+1)*n] {
				a[i] = append(a[i], v%n)
			}
		}
		return a, nil
	case CompleteBlocks:
		a := make(Allotment, b)
		for i := range a {
			a[i] = src.Perm(n)
		}
		return a, nil
	case LatinSquare:
		return shuffledSquare(randomSquare(n, src), src), nil
	case IncompleteBlocks:
		d, err := IncompleteDesign(n, b, t.BlockSize)
		if err != nil {
			return nil, err
		}
		return shuffledBlocks(t, d.Blocks, src), nil
	}
	return nil, fmt.Errorf("design %q cannot be drawn", t.Design)
}

// shuffledBlocks hides the systematic order of an incomplete block plan. Where
// replication is uneven, the control takes the place of a treatment that has
// one plot more, because every comparison leans on it.
func shuffledBlocks(t *Trial, plan [][]int, src *Source) Allotment {
	n := len(t.Treatments)
	name := src.Perm(n)
	if c := slices.IndexFunc(t.Treatments, func(tr Treatment) bool { return tr.Control }); c >= 0 {
		count := make([]int, n)
		for _, block := range plan {
			for _, v := range block {
				count[v]++
			}
		}
		at, most := slices.Index(name, c), slices.Max(count)
		if count[at] < most {
			j := slices.Index(count, most)
			name[at], name[j] = name[j], name[at]
		}
	}
	a := make(Allotment, len(plan))
	for i, block := range src.Perm(len(plan)) {
		for _, place := range src.Perm(len(plan[block])) {
			a[i] = append(a[i], name[plan[block][place]])
		}
	}
	return a
}

// shuffledSquare permutes the rows, the columns and the symbols of a square.
func shuffledSquare(sq [][]int, src *Source) Allotment {
	n := len(sq)
	rows, cols, names := src.Perm(n), src.Perm(n), src.Perm(n)
	a := make(Allotment, n)
	for i := range a {
		a[i] = make([]int, n)
		for j := range a[i] {
			a[i][j] = names[sq[rows[i]][cols[j]]]
		}
	}
	return a
}

// randomSquare walks through the Latin squares of size n by the moves of
// Jacobson & Matthews 1996 (J. Combin. Designs 4, 405-437), whose limit is the
// uniform distribution over all squares. It starts at the cyclic square and
// takes the n-cubed-th proper square met after it: counting moves instead, and
// stopping at the next proper square, would favour some squares.
func randomSquare(n int, src *Source) [][]int {
	// cube[r][c][s] is 1 where symbol s stands in row r, column c. On the way
	// one entry may be -1: an improper square.
	cube := make([][][]int, n)
	for r := range cube {
		cube[r] = make([][]int, n)
		for c := range cube[r] {
			cube[r][c] = make([]int, n)
			cube[r][c][(r+c)%n] = 1
		}
	}
	// pick chooses at random among the places of a line that hold a 1.
	pick := func(at func(i int) int) int {
		var ones []int
		for i := range n {
			if at(i) == 1 {
				ones = append(ones, i)
			}
		}
		return ones[src.Below(len(ones))]
	}
	proper := true
	var r, c, s int
	for met := 0; n > 1 && met < n*n*n; {
		if proper {
			for r, c, s = src.Below(n), src.Below(n), src.Below(n); cube[r][c][s] != 0; {
				r, c, s = src.Below(n), src.Below(n), src.Below(n)
			}
		}
		r2 := pick(func(i int) int { return cube[i][c][s] })
		c2 := pick(func(i int) int { return cube[r][i][s] })
		s2 := pick(func(i int) int { return cube[r][c][i] })
		for _, p := range [][3]int{{r, c, s}, {r, c2, s2}, {r2, c, s2}, {r2, c2, s}} {
			cube[p[0]][p[1]][p[2]]++
		}
		for _, p := range [][3]int{{r2, c, s}, {r, c2, s}, {r, c, s2}, {r2, c2, s2}} {
			cube[p[0]][p[1]][p[2]]--
		}
		r, c, s = r2, c2, s2
		if proper = cube[r][c][s] >= 0; proper {
			met++
		}
	}
	sq := make([][]int, n)
	for r := range sq {
		sq[r] = make([]int, n)
		for c := range sq[r] {
			sq[r][c] = slices.Index(cube[r][c], 1)
		}
	}
	return sq
}

// DrawSeed takes a seed from the operating system. It is kept short enough to
// be copied by hand, and is never 0, which stands for "none given".
func DrawSeed() (uint64, error) {
	var b [8]byte
	if _, err := rand.Read(b[:]); err != nil {
		return 0, fmt.Errorf("no random seed could be drawn: give one with --seed (%w)", err)
	}
	return 1 + binary.LittleEndian.Uint64(b[:])%999_999_999, nil
}
