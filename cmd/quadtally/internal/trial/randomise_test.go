package trial

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// example is an invented plan at an invented place.
func example(design Design, treatments, blocks int) Trial {
	t := Defaults()
	t.Name, t.Tag, t.Site, t.Crop = "Alder Bend leeks", "AB26", "Alder Bend trial ground", "leek"
	t.Design, t.Blocks, t.Seed = design, blocks, 20260301
	names := []string{"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"}
	for i := range treatments {
		code := fmt.Sprintf("T%02d", i+1)
		if i < len(names) {
			code = names[i]
		}
		t.Treatments = append(t.Treatments, Treatment{Code: code, Control: i == 0})
	}
	t.Ground = Ground{Beds: 2, LengthMM: 10000, BorderMM: 1000, BedSpacingMM: 1500, BedTopMM: 900, AlleyMM: 500, GradientRuns: AlongBeds}
	return t
}

// layoutText writes one block a line, for golden comparison.
func layoutText(plots []Plot) string {
	var b strings.Builder
	last := ""
	for _, p := range plots {
		row := p.ID[:len(p.ID)-2]
		if row != last && last != "" {
			b.WriteString(" / ")
		} else if last != "" {
			b.WriteString(" ")
		}
		last = row
		b.WriteString(p.Treatment)
	}
	return b.String()
}

// The first outputs of SplitMix64 for seed 1234567 are those of Rosetta Code
// ("Splitmix64"); seed 0 gives e220a8397b1dcdaf first (Vigna, splitmix64.c).
func TestSourceVectors(t *testing.T) {
	s := NewSource(1234567, "")
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		if got := s.Uint64(); got != want {
			t.Errorf("output %d is %d, want %d", i, got, want)
		}
	}
	if got := NewSource(0, "").Uint64(); got != 0xe220a8397b1dcdaf {
		t.Errorf("seed 0 gives %x first", got)
	}
}

// These layouts may never change: they were drawn by version 1 and a trial in
// the ground may have come from the same seed.
func TestLayoutsAreForever(t *testing.T) {
	for _, c := range []struct {
		t    Trial
		want string
	}{
		{example(CompleteBlocks, 5, 4), "RYEVETCH RYE TARP STRAW BARE / RYEVETCH TARP BARE STRAW RYE / TARP BARE RYE STRAW RYEVETCH / BARE RYEVETCH TARP RYE STRAW"},
		{example(CompletelyRandomised, 3, 4), "RYEVETCH BARE RYE / RYEVETCH RYE RYEVETCH / RYE RYEVETCH BARE / BARE BARE RYE"},
		{example(LatinSquare, 4, 4), "RYEVETCH RYE BARE STRAW / BARE STRAW RYE RYEVETCH / RYE RYEVETCH STRAW BARE / STRAW BARE RYEVETCH RYE"},
		{func() Trial { x := example(IncompleteBlocks, 7, 7); x.BlockSize = 3; return x }(), "RYEVETCH STRAW BARE / BARE RYE T07 / T06 BARE TARP / T07 T06 RYEVETCH / RYEVETCH TARP RYE / TARP STRAW T07 / T06 STRAW RYE"},
		{func() Trial { x := example(IncompleteBlocks, 6, 5); x.BlockSize = 3; return x }(), "STRAW RYE BARE / T06 TARP BARE / T06 STRAW TARP / RYE TARP RYEVETCH / T06 BARE RYEVETCH"},
	} {
		plots, err := LayOut(&c.t)
		if err != nil {
			t.Fatal(err)
		}
		if got := layoutText(plots); got != c.want {
			t.Errorf("%s:\n got  %s\n want %s", c.t.Design, got, c.want)
		}
	}
}

// chiTail is the upper tail of the chi-square statistic of counts that should
// be equal.
func chiTail(counts []int) float64 {
	n := 0
	for _, c := range counts {
		n += c
	}
	want := float64(n) / float64(len(counts))
	x := 0.0
	for _, c := range counts {
		x += (float64(c) - want) * (float64(c) - want) / want
	}
	return distuv.ChiSquared{K: float64(len(counts) - 1)}.Survival(x)
}

func TestShufflesAreUniform(t *testing.T) {
	orders := map[string]int{}
	src := NewSource(99, "uniformity")
	for range 24 * 1000 {
		orders[fmt.Sprint(src.Perm(4))]++
	}
	if len(orders) != 24 {
		t.Fatalf("%d of 24 orders were drawn", len(orders))
	}
	var counts []int
	for _, c := range orders {
		counts = append(counts, c)
	}
	if p := chiTail(counts); p < 0.001 {
		t.Errorf("orders of four are uneven: p = %g, %v", p, counts)
	}
	below := make([]int, 7)
	for range 70000 {
		below[src.Below(7)]++
	}
	if p := chiTail(below); p < 0.001 {
		t.Errorf("numbers below 7 are uneven: p = %g, %v", p, below)
	}
}

// Over seeds every treatment must stand in every place of a block equally
// often, and blocks must be drawn independently of each other.
func TestBlocksAreDrawnAfresh(t *testing.T) {
	x := example(CompleteBlocks, 4, 3)
	place := make([]int, 16)
	pair := make([]int, 16)
	for seed := range uint64(8000) {
		x.Seed = seed
		a, err := Randomise(&x)
		if err != nil {
			t.Fatal(err)
		}
		for j, tr := range a[1] {
			place[tr*4+j]++
		}
		pair[a[0][0]*4+a[2][0]]++
	}
	// Places within a block are tied (each row and column sums to 8000), so
	// the statistic is compared on the full table's more generous df.
	if p := chiTail(place); p < 0.001 {
		t.Errorf("places are uneven: p = %g, %v", p, place)
	}
	if p := chiTail(pair); p < 0.001 {
		t.Errorf("blocks hang together: p = %g, %v", p, pair)
	}
}

func TestLatinSquares(t *testing.T) {
	for n := 2; n <= MaxLatin; n++ {
		x := example(LatinSquare, n, n)
		plots, err := LayOut(&x)
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]bool{}
		for _, p := range plots {
			for _, key := range []string{"row " + p.Block + p.Treatment, "column " + p.Column + p.Treatment} {
				if seen[key] {
					t.Fatalf("size %d: %s twice", n, key)
				}
				seen[key] = true
			}
		}
	}
}

// There are 576 Latin squares of size 4 (Fisher & Yates, Statistical Tables):
// each must come up equally often.
func TestLatinSquaresAreUniform(t *testing.T) {
	count := map[string]int{}
	src := NewSource(7, "squares")
	for range 576 * 20 {
		count[fmt.Sprint(shuffledSquare(randomSquare(4, src), src))]++
	}
	if len(count) != 576 {
		t.Fatalf("%d of 576 squares were drawn", len(count))
	}
	var counts []int
	for _, c := range count {
		counts = append(counts, c)
	}
	if p := chiTail(counts); p < 0.001 {
		t.Errorf("squares are uneven: p = %g", p)
	}
}

// The parameters are those of known balanced plans (Cochran & Cox, Experimental
// Designs, 2nd ed. 1957, table 11.3).
func TestBalancedIncompleteBlocks(t *testing.T) {
	for _, c := range []struct{ t, k, b, shared int }{
		{4, 2, 6, 1}, {4, 3, 4, 2}, {5, 2, 10, 1}, {5, 3, 10, 3}, {5, 4, 5, 3},
		{6, 2, 15, 1}, {6, 3, 10, 2}, {6, 4, 15, 6}, {6, 5, 6, 4},
		{7, 3, 7, 1}, {7, 4, 7, 2}, {7, 6, 7, 5}, {8, 2, 28, 1}, {9, 3, 12, 1}, {9, 4, 18, 3},
		{11, 5, 11, 2}, {13, 3, 26, 1}, {13, 4, 13, 1}, {15, 7, 15, 3}, {19, 3, 57, 1}, {21, 5, 21, 1},
	} {
		d, err := IncompleteDesign(c.t, c.b, c.k)
		if err != nil {
			t.Fatalf("t=%d k=%d b=%d: %v", c.t, c.k, c.b, err)
		}
		if !d.Balanced || d.MinShared != c.shared || !linked(d.Blocks, c.t) {
			t.Errorf("t=%d k=%d b=%d by %s: balanced %v, pairs share %d to %d, want %d",
				c.t, c.k, c.b, d.Method, d.Balanced, d.MinShared, d.MaxShared, c.shared)
		}
		checkBlocks(t, d, c.t, c.b, c.k)
	}
}

func TestNearlyBalancedBlocks(t *testing.T) {
	for _, c := range []struct{ t, k, b int }{{6, 3, 5}, {8, 4, 6}, {8, 3, 8}, {10, 4, 6}, {5, 2, 4}, {12, 4, 9}} {
		d, err := IncompleteDesign(c.t, c.b, c.k)
		if err != nil {
			t.Fatal(err)
		}
		checkBlocks(t, d, c.t, c.b, c.k)
		if !linked(d.Blocks, c.t) {
			t.Errorf("t=%d k=%d b=%d is not linked", c.t, c.k, c.b)
		}
		if c.t*c.k < 60 && d.MaxShared-d.MinShared > 2 {
			t.Errorf("t=%d k=%d b=%d: pairs share %d to %d blocks", c.t, c.k, c.b, d.MinShared, d.MaxShared)
		}
	}
	for _, c := range []struct{ t, k, b int }{{6, 1, 9}, {6, 6, 3}, {9, 3, 3}} {
		if _, err := IncompleteDesign(c.t, c.b, c.k); err == nil {
			t.Errorf("t=%d k=%d b=%d was not refused", c.t, c.k, c.b)
		}
	}
}

func checkBlocks(t *testing.T, d BlockPlan, n, b, k int) {
	t.Helper()
	used := make([]int, n)
	if len(d.Blocks) != b {
		t.Fatalf("%d blocks, want %d", len(d.Blocks), b)
	}
	for _, block := range d.Blocks {
		s := slices.Clone(block)
		slices.Sort(s)
		if len(s) != k || len(slices.Compact(s)) != k {
			t.Fatalf("block %v is not %d different treatments", block, k)
		}
		for _, v := range s {
			used[v]++
		}
	}
	if slices.Max(used)-slices.Min(used) > 1 {
		t.Errorf("t=%d k=%d b=%d: replication %v", n, k, b, used)
	}
}

// Where plots do not divide evenly the control has one of the fuller places.
func TestControlGetsTheSparePlot(t *testing.T) {
	for seed := range uint64(30) {
		x := example(IncompleteBlocks, 7, 5)
		x.BlockSize, x.Seed = 3, seed // 15 plots: one treatment thrice, six twice
		plots, err := LayOut(&x)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, p := range plots {
			if p.Treatment == "BARE" {
				n++
			}
		}
		if n != 3 {
			t.Fatalf("seed %d: the control has %d plots, want 3", seed, n)
		}
	}
}

func TestPlacesOnTheGround(t *testing.T) {
	along := example(CompleteBlocks, 5, 4)
	plots, err := LayOut(&along)
	if err != nil {
		t.Fatal(err)
	}
	p := plots[5+1] // block 2, second place
	if p.ID != "202" || p.Block != "2" || p.Bed != 3 || p.Beds != 2 || p.FromMM != 10500 || p.LengthMM != 10000 {
		t.Errorf("gradient along: %+v", p)
	}
	across := along
	across.Ground.GradientRuns = AcrossBeds
	across.Ground.ControlLengthMM = 5000
	plots, err = LayOut(&across)
	if err != nil {
		t.Fatal(err)
	}
	p = plots[5+1]
	if p.ID != "202" || p.Bed != 3 || p.FromMM != 10500 {
		t.Errorf("gradient across: %+v", p)
	}
	for _, p := range plots {
		if (p.Treatment == "BARE") != (p.LengthMM == 5000) {
			t.Errorf("only the control is shorter: %+v", p)
		}
	}
}

func TestWalkIsASerpentine(t *testing.T) {
	for _, dir := range []Direction{AlongBeds, AcrossBeds} {
		x := example(CompleteBlocks, 3, 3)
		x.Ground.GradientRuns = dir
		plots, err := LayOut(&x)
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, p := range InWalkingOrder(plots) {
			ids = append(ids, p.ID)
		}
		if got := strings.Join(ids, " "); got != "101 102 103 203 202 201 301 302 303" {
			t.Errorf("%s: %s", dir, got)
		}
	}
}

func FuzzRandomise(f *testing.F) {
	f.Add(uint64(1), 5, 4, 0, byte(0))
	f.Add(uint64(1), 4, 4, 0, byte(2))
	f.Add(uint64(3), 7, 7, 3, byte(3))
	designs := []Design{CompletelyRandomised, CompleteBlocks, LatinSquare, IncompleteBlocks}
	f.Fuzz(func(t *testing.T, seed uint64, treatments, blocks, size int, d byte) {
		x := example(designs[int(d)%4], ((treatments%14)+14)%14, blocks%16)
		x.BlockSize, x.Seed = size, seed
		plots, err := LayOut(&x)
		if err != nil {
			return
		}
		count := map[string]int{}
		for _, p := range plots {
			count[p.Treatment]++
		}
		lo, hi := len(plots), 0
		for _, tr := range x.Treatments {
			lo, hi = min(lo, count[tr.Code]), max(hi, count[tr.Code])
		}
		if hi-lo > 1 {
			t.Errorf("replication from %d to %d", lo, hi)
		}
	})
}
