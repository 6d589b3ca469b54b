package classes

import (
	"encoding/binary"
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"
)

// hand is a photo of 10 x 8 cells in blocks of 4: three across, two down, of
// which the last column is two cells wide. Blocks 0 and 1 are one lobe, block 2
// another of the same piece, block 5 is a piece of its own; blocks 3 and 4 hold
// no green. Local feature k of the n-th block is n + k, and so on.
func hand(t *testing.T) (*Looks, []uint8) {
	t.Helper()
	blocks, lobe, lobePiece := []int32{0, 1, 2, 5}, []int32{0, 0, 1, 2}, []int32{0, 0, 1}
	local, lobes, pieces := make([]float32, 4*nLocal), make([]float32, 3*nShape), make([]float32, 2*nShape)
	for i := range local {
		local[i] = float32(i/nLocal + i%nLocal)
	}
	for i := range lobes {
		lobes[i] = float32(10 * (i / nShape))
	}
	for i := range pieces {
		pieces[i] = float32(-20 * (i / nShape))
	}
	l, err := NewLooks(4, 10, 8, blocks, lobe, lobePiece, local, lobes, pieces)
	if err != nil {
		t.Fatal(err)
	}
	levels := make([]uint8, 80)
	put := func(x, y, n int) { // n green cells from a place on, along the row and the next
		for i := range n {
			levels[(y+i/2)*10+x+i%2] = 3
		}
	}
	put(0, 0, 2) // block 0
	put(4, 0, 6) // block 1
	put(8, 0, 4) // block 2
	put(8, 4, 8) // block 5
	return l, levels
}

func handPhoto(t *testing.T) Photo {
	t.Helper()
	l, levels := hand(t)
	g, err := l.Green(levels, 3)
	if err != nil {
		t.Fatal(err)
	}
	return Photo{l, g, NewScale([]*Looks{l}, []*Green{g})}
}

func close64(a, b float64) bool { return math.Abs(a-b) < 1e-6 }

func TestGreenByHand(t *testing.T) {
	l, levels := hand(t)
	levels[79] = Outside
	levels[7*10+0] = 2 // too faint
	levels[7*10+1] = 3 // in block 3, which has no looks: block 0 or 5 is as far; block 0 comes first
	g, err := l.Green(levels, 3)
	if err != nil {
		t.Fatal(err)
	}
	if want := []int32{3, 6, 4, 7}; !slices.Equal(g.Cells, want) || g.All != 79 || g.Total() != 20 {
		t.Errorf("green %v of %d, %d in all; want %v of 79, 20", g.Cells, g.All, g.Total(), want)
	}
	for _, c := range []struct{ x, y, want int }{{0, 0, 0}, {3, 3, 0}, {4, 3, 1}, {8, 0, 2}, {9, 7, 3}, {0, 7, 0}, {7, 4, 1}, {-1, 0, -1}, {0, -1, -1}, {10, 0, -1}, {0, 8, -1}, {0, 4, 0}} {
		if got := g.At(l, c.x, c.y); got != c.want {
			t.Errorf("cell (%d, %d) belongs to block %d, want %d", c.x, c.y, got, c.want)
		}
	}
	for i, want := range [][2]float64{{2, 2}, {6, 2}, {9, 2}, {9, 6}} {
		if x, y := l.Middle(i); x != want[0] || y != want[1] {
			t.Errorf("middle of block %d at (%g, %g), want %v", i, x, y, want)
		}
	}
	if l.Across() != 3 || l.Pieces() != 2 {
		t.Errorf("%d blocks across, %d pieces", l.Across(), l.Pieces())
	}
	none := &Looks{Side: 4, Width: 10, Height: 8}
	if g, err := none.Green(levels, 3); err != nil || g.At(none, 0, 0) != -1 || g.Total() != 0 || g.All != 79 {
		t.Errorf("looks without green: %+v, %v", g, err)
	}
	if none.Pieces() != 0 {
		t.Error("pieces where there are none")
	}
}

// TestFeaturesAreKept: a feature comes back within half a step of the byte that
// holds it, its least and its largest exactly; what is no number is the least.
func TestFeaturesAreKept(t *testing.T) {
	local := make([]float32, 3*nLocal)
	local[0], local[nLocal], local[2*nLocal] = -1, 2, .7
	local[1], local[nLocal+1], local[2*nLocal+1] = 5, float32(math.Inf(1)), 9
	local[2], local[nLocal+2], local[2*nLocal+2] = 4, 4, 4
	for i := range 3 {
		local[i*nLocal+3] = float32(math.NaN())
	}
	l, err := NewLooks(1, 3, 1, []int32{0, 1, 2}, []int32{0, 0, 0}, []int32{0}, local, make([]float32, nShape), make([]float32, nShape))
	if err != nil {
		t.Fatal(err)
	}
	value := func(block, k int) float64 {
		return float64(l.Lo[k]) + float64(l.Local[block*nLocal+k])*float64(l.Step[k])
	}
	for _, c := range []struct {
		block, k  int
		want, tol float64
	}{{0, 0, -1, 0}, {1, 0, 2, 1e-6}, {2, 0, .7, 1.5001 / 255}, {0, 1, 5, 0}, {1, 1, 5, 0}, {2, 1, 9, 1e-6}, {0, 2, 4, 0}, {2, 2, 4, 0}, {1, 3, 0, 0}} {
		if got := value(c.block, c.k); math.Abs(got-c.want) > c.tol {
			t.Errorf("feature %d of block %d comes back as %g, was %g", c.k, c.block, got, c.want)
		}
	}
	if l.Local[2*nLocal] != 145 { // (0.7 + 1)/3 x 255 = 144.5
		t.Errorf("0.7 of -1 to 2 is kept as %d, want 145", l.Local[2*nLocal])
	}
}

// TestLooksRefused: looks whose parts do not fit together are refused.
func TestLooksRefused(t *testing.T) {
	for name, spoil := range map[string]func(*Looks){
		"no side":          func(l *Looks) { l.Side = 0 },
		"side of 256":      func(l *Looks) { l.Side = 256 },
		"no width":         func(l *Looks) { l.Width = 0 },
		"no height":        func(l *Looks) { l.Height = 0 },
		"too many cells":   func(l *Looks) { l.Width, l.Height = maxCells, 2 },
		"too wide":         func(l *Looks) { l.Width, l.Height = maxCells+1, 1 },
		"too high":         func(l *Looks) { l.Width, l.Height = 1, maxCells+1 },
		"least values":     func(l *Looks) { l.Lo = l.Lo[1:] },
		"steps":            func(l *Looks) { l.Step = l.Step[1:] },
		"lobes of blocks":  func(l *Looks) { l.Lobe = l.Lobe[1:] },
		"local":            func(l *Looks) { l.Local = l.Local[1:] },
		"lobes":            func(l *Looks) { l.LobeShape = l.LobeShape[1:] },
		"pieces":           func(l *Looks) { l.PieceShape = l.PieceShape[1:] },
		"solid":            func(l *Looks) { l.Solid = make([]uint8, 3) },
		"block below 0":    func(l *Looks) { l.Blocks[0] = -1 },
		"block beyond":     func(l *Looks) { l.Blocks[3] = 6 },
		"blocks not rise":  func(l *Looks) { l.Blocks[1] = 0 },
		"lobe below 0":     func(l *Looks) { l.Lobe[2] = -1 },
		"lobe beyond":      func(l *Looks) { l.Lobe[2] = 3 },
		"piece below 0":    func(l *Looks) { l.LobePiece[1] = -1 },
		"piece beyond":     func(l *Looks) { l.LobePiece[1] = 2 },
		"no number":        func(l *Looks) { l.Lo[3] = float32(math.NaN()) },
		"endless step":     func(l *Looks) { l.Step[3] = float32(math.Inf(1)) },
		"step below 0":     func(l *Looks) { l.Step[3] = -1 },
		"last, not number": func(l *Looks) { l.Lo[nAll-1] = float32(math.Inf(-1)) },
	} {
		l, _ := hand(t)
		spoil(l)
		if err := l.check(); !errors.Is(err, errLooks) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := l.MarshalBinary(); !errors.Is(err, errLooks) {
			t.Errorf("%s: stored, %v", name, err)
		}
		if _, err := l.MarshalText(); !errors.Is(err, errLooks) {
			t.Errorf("%s: stored as text, %v", name, err)
		}
	}
	for name, change := range map[string]func(*Looks){
		"side of 255":   func(l *Looks) { l.Side, l.Blocks, l.Lobe, l.Local = 255, l.Blocks[:1], l.Lobe[:1], l.Local[:nLocal] },
		"last block":    func(l *Looks) { l.Blocks[2] = 4 },
		"step of 0":     func(l *Looks) { l.Step[3] = 0 },
		"solid cells":   func(l *Looks) { l.Solid = []uint8{1, 2, 3, 4} },
		"widest ground": func(l *Looks) { l.Width, l.Height = maxCells, 1 },
	} {
		l, _ := hand(t)
		change(l)
		b, err := l.MarshalBinary()
		if err != nil {
			t.Errorf("%s: refused, %v", name, err)
		}
		var back Looks
		if err := back.UnmarshalBinary(b); err != nil || !reflect.DeepEqual(*l, back) {
			t.Errorf("%s: comes back otherwise, %v", name, err)
		}
	}
}

// TestForgedLooks: a stored file that claims other sizes is refused before
// memory is asked for.
func TestForgedLooks(t *testing.T) {
	l, _ := hand(t)
	good, err := l.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	head := []uint64{4, 10, 8, 4, 3, 2}
	tail := good[1+len(head):] // each of them is one byte
	forged := func(version byte, size []uint64) []byte {
		b := []byte{version}
		for _, v := range size {
			b = binary.AppendUvarint(b, v)
		}
		return append(b, tail...)
	}
	if err := new(Looks).UnmarshalBinary(forged(good[0], head)); err != nil {
		t.Fatalf("as stored: %v", err)
	}
	for name, b := range map[string][]byte{
		"empty": nil, "version 0": forged(0, head), "version 3": forged(3, head), "other version": forged(2, head),
		"no side": forged(1, []uint64{0, 10, 8, 4, 3, 2}), "no width": forged(1, []uint64{4, 0, 8, 4, 3, 2}), "no height": forged(1, []uint64{4, 10, 0, 4, 3, 2}),
		"too wide": forged(1, []uint64{4, maxCells + 1, 1, 4, 3, 2}), "too many cells": forged(1, []uint64{4, maxCells, 2, 4, 3, 2}),
		"more blocks than there are": forged(1, []uint64{4, 10, 8, 7, 3, 2}), "more lobes than cells": forged(1, []uint64{4, 10, 8, 4, 81, 2}),
		"more pieces than lobes": forged(1, []uint64{4, 10, 8, 4, 3, 4}), "fewer blocks": forged(1, []uint64{4, 10, 8, 3, 3, 2}),
		"one lobe more": forged(1, []uint64{4, 10, 8, 4, 4, 2}), "one piece less": forged(1, []uint64{4, 10, 8, 4, 3, 1}), "sizes alone": forged(1, head)[:7],
	} {
		if err := new(Looks).UnmarshalBinary(b); !errors.Is(err, errLooks) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestScaleByHand: means and deviations are weighed by green cells, of lobes and
// pieces by those of their blocks.
func TestScaleByHand(t *testing.T) {
	p := handPhoto(t) // 2, 6, 4 and 8 cells
	s := p.Scale
	// Local feature 0 is 0, 1, 2 and 3; a lobe's 0, 0, 10, 20; a piece's 0, 0, 0, -20.
	mean := (6*1 + 4*2 + 8*3) / 20.
	sd := math.Sqrt((6*1+4*4+8*9)/20. - mean*mean)
	if math.Abs(s.Mean[0]-mean) > .01 || math.Abs(s.SD[0]-sd) > .01 {
		t.Errorf("local: mean %g, deviation %g; want %g, %g", s.Mean[0], s.SD[0], mean, sd)
	}
	mean = (4*10 + 8*20) / 20.
	sd = math.Sqrt((4*100+8*400)/20. - mean*mean)
	if k := nLocal; math.Abs(s.Mean[k]-mean) > .01 || math.Abs(s.SD[k]-sd) > .05 {
		t.Errorf("lobe: mean %g, deviation %g; want %g, %g", s.Mean[k], s.SD[k], mean, sd)
	}
	if k := nLocal + nShape; math.Abs(s.Mean[k]+8) > .01 || math.Abs(s.SD[k]-math.Sqrt(160-64)) > .05 {
		t.Errorf("piece: mean %g, deviation %g; want -8, %g", s.Mean[k], s.SD[k], math.Sqrt(96))
	}
	out := make([]float64, nAll)
	s.features(p.Looks, 3, out)
	for k, want := range map[int]float64{0: (3 - s.Mean[0]) / s.SD[0], nLocal: (20 - 10) / s.SD[nLocal], nLocal + nShape: (-20 + 8) / s.SD[nLocal+nShape]} {
		if math.Abs(out[k]-want) > .02 {
			t.Errorf("feature %d of the last block: %g, want %g", k, out[k], want)
		}
	}
	none := NewScale([]*Looks{p.Looks}, []*Green{{Cells: make([]int32, 4)}})
	for k := range nAll {
		if none.Mean[k] != 0 || none.SD[k] != 1 {
			t.Fatalf("without green feature %d has mean %g, deviation %g", k, none.Mean[k], none.SD[k])
		}
	}
	flat := NewScale([]*Looks{p.Looks}, []*Green{{Cells: []int32{0, 0, 5, 0}}})
	if flat.SD[0] != 1 || math.Abs(flat.Mean[0]-2) > .01 {
		t.Errorf("one block: mean %g, deviation %g; want 2, 1", flat.Mean[0], flat.SD[0])
	}
	wide := &Scale{Mean: make([]float64, nAll), SD: slices.Repeat([]float64{.1}, nAll)}
	if a, b := wide.standard(p.Looks, 0, 255), wide.standard(p.Looks, nLocal+nShape, 0); a != widest || b != -widest {
		t.Errorf("features far off are %g and %g, want %d and -%d", a, b, widest, widest)
	}
}

func TestNearestByHand(t *testing.T) {
	p := handPhoto(t)
	empty := &Green{Cells: []int32{2, 0, 4, 8}}
	for _, c := range []struct {
		g           *Green
		x, y, reach float64
		want        int
	}{
		{p.Green, 1, 1, 0, 0}, {p.Green, 4.5, 1, 0, 1}, {p.Green, 4, 1, 0, 0}, // on a border the first
		{p.Green, 3, 5, 1, 0}, {p.Green, 3, 5.1, 1, -1}, {p.Green, 3, 5.1, 1.2, 0}, // beside it, downward
		{p.Green, 7, 6, 1, 3}, {p.Green, 6.9, 6, 1, -1}, // from the left
		{p.Green, 9, 4.1, 5, 3}, {p.Green, 9, 3.9, 5, 2},
		{empty, 5, 1, 1, 0}, {empty, 6, 1, 1, -1}, {empty, 6.5, 1, 3, 2},
		{p.Green, -2, -1, 3, 0}, {p.Green, -2, -1, 2, -1},
	} {
		if got := p.Looks.Nearest(c.g, c.x, c.y, c.reach); got != c.want {
			t.Errorf("(%g, %g) within %g: block %d, want %d", c.x, c.y, c.reach, got, c.want)
		}
	}
}

// TestSharedLobe: of two names in one lobe each has the blocks nearer to it, the
// first those as near to both; a name without any has its own block.
func TestSharedLobe(t *testing.T) {
	p := handPhoto(t)
	l, g := p.Looks, p.Green
	names := []Name{{0, 2, 2, 0}, {0, 6, 2, 1}, {0, 4, 2, 0}}
	for _, c := range []struct {
		block, i int
		sharing  []int
		want     []int
	}{
		{0, 0, []int{0}, []int{0, 1}}, {0, 0, []int{0, 1}, []int{0}}, {1, 1, []int{0, 1}, []int{1}},
		{0, 2, []int{2}, []int{0, 1}}, {0, 2, []int{0, 1, 2}, []int{0}}, {2, 0, []int{0}, []int{2}},
	} {
		if got := l.bitsOf(g, c.block, c.i, names, c.sharing); !slices.Equal(got, c.want) {
			t.Errorf("name %d at block %d, shared by %v: %v, want %v", c.i, c.block, c.sharing, got, c.want)
		}
	}
	same := []Name{{0, 4, 2, 0}, {0, 4, 2, 1}}
	if a, b := l.bitsOf(g, 0, 0, same, []int{0, 1}), l.bitsOf(g, 1, 1, same, []int{0, 1}); !slices.Equal(a, []int{0, 1}) || !slices.Equal(b, []int{1}) {
		t.Errorf("two names at one place: %v and %v, want both blocks and its own", a, b)
	}
	bare := &Green{Cells: []int32{2, 0, 4, 8}}
	if got := l.bitsOf(bare, 0, 0, names, []int{0}); !slices.Equal(got, []int{0}) {
		t.Errorf("a block without green is learned from: %v", got)
	}
	for _, c := range []struct{ v, want []int }{{[]int{1, 2, 3}, []int{1, 2, 3}}, {[]int{0, 1, 2, 3, 4, 5}, []int{1, 3, 5}}, {[]int{0, 1, 2, 3}, []int{0, 2, 3}}} {
		if got := thin(c.v, 3); !slices.Equal(got, c.want) {
			t.Errorf("thin(%v, 3) = %v, want %v", c.v, got, c.want)
		}
	}
	if got := thin([]int{1, 2}, 0); len(got) != 2 {
		t.Errorf("no limit: %v", got)
	}
	if got := thin([]int{7, 8, 9}, 1); !slices.Equal(got, []int{8}) {
		t.Errorf("one of three: %v", got)
	}
}

// TestTrainRefuses: names of classes and photos that are not there, and classes
// with too few names beside others with many.
func TestTrainRefuses(t *testing.T) {
	p := handPhoto(t)
	at := func(class int) Name { return Name{0, 2, 2, class} }
	for _, n := range []Name{at(-1), at(2), {-1, 2, 2, 0}, {1, 2, 2, 0}} {
		if _, err := Train(2, []Photo{p}, []Name{at(0), n}, DefaultTrainOptions()); err == nil || errors.Is(err, ErrFewNames) {
			t.Errorf("%+v: %v", n, err)
		}
	}
	for _, c := range []struct {
		few, many, least int
		learned          bool
	}{{2, 9, 3, true}, {2, 10, 3, false}, {3, 15, 3, true}, {3, 100, 3, true}, {1, 4, 3, true}, {1, 5, 3, false}, {0, 5, 0, false}} {
		var names []Name
		for range c.few {
			names = append(names, at(0))
		}
		for range c.many {
			names = append(names, Name{0, 9, 6, 1})
		}
		names = append(names, Name{0, 2, 7, 0}) // on no green
		opt := DefaultTrainOptions()
		opt.LeastNames = c.least
		m, err := Train(2, []Photo{p}, names, opt)
		if errors.Is(err, ErrFewNames) == c.learned || c.learned && (err != nil || !m.Learned(0) || !m.Learned(1)) {
			t.Errorf("%d names of one class and %d of another: %v", c.few, c.many, err)
		}
		if m == nil || m.Names[0] != c.few || m.Names[1] != c.many || !slices.Equal(m.Missed, []int{len(names) - 1}) {
			t.Errorf("%d and %d names are counted as %+v", c.few, c.many, m)
		}
	}
}

// TestWeightsOfNames: every plant has the same weight however many blocks it is
// learned from, and classes are balanced as far as is asked: with Balance 1 ten
// names of one class move the intercepts no more than one.
func TestWeightsOfNames(t *testing.T) {
	p := handPhoto(t)
	opt := DefaultTrainOptions()
	opt.Balance, opt.LeastNames, opt.Ridge = 1, 1, 1e9 // the intercepts alone
	names := func(n int) (out []Name) {
		for range n {
			out = append(out, Name{0, 9, 2, 0})
		}
		return append(out, Name{0, 2, 2, 1})
	}
	for _, n := range []int{1, 4, 10} {
		m, err := Train(2, []Photo{p}, names(n), opt)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(m.Start[0]-m.Start[1]) > 1e-3 {
			t.Errorf("%d names against one, balanced: intercepts %v", n, m.Start)
		}
	}
	opt.Balance = 0
	m, err := Train(2, []Photo{p}, names(4), opt)
	if err != nil {
		t.Fatal(err)
	}
	if d := m.Start[0] - m.Start[1]; math.Abs(d-math.Log(4)) > .01 { // the odds of the names
		t.Errorf("4 names against one, not balanced: intercepts %g apart, want %g", d, math.Log(4))
	}
	opt.Balance = .5
	if m, err = Train(2, []Photo{p}, names(4), opt); err != nil {
		t.Fatal(err)
	}
	if d := m.Start[0] - m.Start[1]; math.Abs(d-math.Log(2)) > .01 {
		t.Errorf("half balanced: intercepts %g apart, want %g", d, math.Log(2))
	}
}

// TestClassifyByHand works the answer out anew, block by block.
func TestClassifyByHand(t *testing.T) {
	p := handPhoto(t)
	l := p.Looks
	m := &Model{Classes: 3, Beta: make([][]float64, 3), Start: []float64{.3, 9, -.2}}
	for _, c := range []int{0, 2} { // class 1 was not learned
		m.Beta[c] = make([]float64, nAll)
		m.Beta[c][0], m.Beta[c][nLocal], m.Beta[c][nLocal+nShape] = .4*float64(1-c), .3, .2*float64(c)
	}
	s := m.Classify(p)
	own := make([][2]float64, 4)
	for b := range own {
		x := make([]float64, nAll)
		p.Scale.features(l, b, x)
		var e [2]float64
		for j, c := range []int{0, 2} {
			v := m.Start[c]
			for k := range x {
				v += m.Beta[c][k] * x[k]
			}
			e[j] = math.Exp(v)
		}
		own[b] = [2]float64{e[0] / (e[0] + e[1]), e[1] / (e[0] + e[1])}
	}
	mean := func(of ...int) (out [2]float64) {
		var n float64
		for _, b := range of {
			w := float64(p.Green.Cells[b])
			n += w
			out[0], out[1] = out[0]+w*own[b][0], out[1]+w*own[b][1]
		}
		return [2]float64{out[0] / n, out[1] / n}
	}
	for b, at := range []struct{ lobe, piece [2]float64 }{{mean(0, 1), mean(0, 1, 2)}, {mean(0, 1), mean(0, 1, 2)}, {mean(2), mean(0, 1, 2)}, {mean(3), mean(3)}} {
		u := own[b][0] + at.lobe[0] + at.piece[0]
		v := own[b][1] + at.lobe[1] + at.piece[1]
		want := []float64{u * u / (u*u + v*v), 0, v * v / (u*u + v*v)}
		for c, w := range want {
			if got := float64(s.Prob[3*b+c]); math.Abs(got-w) > 1e-5 {
				t.Errorf("block %d, class %d: %g, want %g", b, c, got, w)
			}
		}
		best := uint8(0)
		if v > u {
			best = 2
		}
		if s.Class[b] != best {
			t.Errorf("block %d is of class %d, want %d", b, s.Class[b], best)
		}
	}
	// Where a lobe has no green left its blocks have what they look like.
	bare := Photo{l, &Green{Cells: []int32{0, 0, 4, 8}}, p.Scale}
	s = m.Classify(bare)
	u, v := own[0][0]*own[0][0], own[0][1]*own[0][1]
	if got := float64(s.Prob[0]); math.Abs(got-u/(u+v)) > 1e-5 {
		t.Errorf("a block without green: %g, want %g", got, u/(u+v))
	}
	nothing := &Model{Classes: 2, Beta: make([][]float64, 2), Start: make([]float64, 2)}
	if s := nothing.Classify(p); slices.Max(s.Prob) != 0 || len(s.Class) != 4 {
		t.Errorf("nothing learned: %+v", s)
	}
}

func TestSharesByHand(t *testing.T) {
	p := handPhoto(t) // 2, 6, 4 and 8 cells
	s := &Sorted{Classes: 3, Prob: []float32{.5, .5, 0, .75, .25, 0, .25, .75, 0, 0, 1, 0}, Class: []uint8{0, 0, 1, 1}}
	mapped, mean, sure := s.Shares(p.Green)
	for i, want := range []struct{ got, want []float64 }{
		{mapped, []float64{.4, .6, 0}},
		{mean, []float64{(2*.5 + 6*.75 + 4*.25) / 20, (2*.5 + 6*.25 + 4*.75 + 8) / 20, 0}},
		{sure, []float64{(2*.5 + 6*.75) / 8, (4*.75 + 8) / 12, 0}},
	} {
		for c := range want.want {
			if !close64(want.got[c], want.want[c]) {
				t.Errorf("answer %d, class %d: %g, want %g", i, c, want.got[c], want.want[c])
			}
		}
	}
	none := &Green{Cells: make([]int32, 4)}
	if a, b, c := s.Shares(none); !slices.Equal(a, make([]float64, 3)) || !slices.Equal(b, a) || !slices.Equal(c, a) {
		t.Errorf("without green: %v, %v, %v", a, b, c)
	}
	// The range: of the lobes 8, 4 and 8 cells the probabilities of class 0 are
	// 5.5/8, 1/4 and 0.
	lo, hi := s.CoverRange(p, 0, 1.5)
	a, b := 8/20.*math.Sqrt(5.5/8*2.5/8), 4/20.*math.Sqrt(.25*.75)
	half := 1.5 * math.Sqrt(.1*(a+b)*(a+b)+.9*(a*a+b*b))
	if mean := 6.5 / 20; !close64(lo, mean-half) || !close64(hi, mean+half) {
		t.Errorf("range %g to %g, want %g and %g", lo, hi, mean-half, mean+half)
	}
	if lo, hi := s.CoverRange(p, 0, 9); lo != 0 || hi != 1 {
		t.Errorf("a wide range is %g to %g", lo, hi)
	}
	if lo, hi := s.CoverRange(Photo{p.Looks, none, p.Scale}, 0, 2); lo != 0 || hi != 0 {
		t.Errorf("range without green: %g to %g", lo, hi)
	}
	p.Looks.Solid = []uint8{0, 3, 0, 200}
	share, of, ok := s.SolidShares(p)
	if !ok || !close64(share, 11/20.) || !close64(of[0], 3*.75/11) || !close64(of[1], (3*.25+8)/11) {
		t.Errorf("solid %g of %v, %v", share, of, ok)
	}
	p.Looks.Solid = make([]uint8, 4)
	if share, of, ok := s.SolidShares(p); !ok || share != 0 || !slices.Equal(of, make([]float64, 3)) {
		t.Errorf("nothing solid: %g of %v, %v", share, of, ok)
	}
}

// asked is a photo of n blocks of 10 x 10 cells side by side, each a lobe, with
// the green cells given.
func asked(t *testing.T, cells ...int32) Photo {
	t.Helper()
	n := int32(len(cells))
	var at []int32
	for i := range n {
		at = append(at, i)
	}
	l, err := NewLooks(10, int(10*n), 10, at, slices.Clone(at), slices.Clone(at), make([]float32, int(n)*nLocal), make([]float32, int(n)*nShape), make([]float32, int(n)*nShape))
	if err != nil {
		t.Fatal(err)
	}
	levels := make([]uint8, 100*n)
	for b, c := range cells {
		for i := range int(c) {
			levels[i/10*int(10*n)+10*b+i%10] = 3
		}
	}
	g, err := l.Green(levels, 3)
	if err != nil {
		t.Fatal(err)
	}
	return Photo{l, g, NewScale([]*Looks{l}, []*Green{g})}
}

func TestAskedByHand(t *testing.T) {
	one := asked(t, 60, 59, 100)
	sure := func(p ...float32) *Sorted { return &Sorted{Classes: 3, Prob: p, Class: make([]uint8, len(p)/3)} }
	s := sure(.5, .1, .4, .34, .33, .33, .1, .8, .1)
	// The second lobe is too small. The first has margin .1 and worth .9, the
	// third .7 and .3 x sqrt(100/60).
	got := NextToName([]Photo{one}, []*Sorted{s}, nil, 5)
	if len(got) != 1 || got[0].Photo != 0 || got[0].X != 5 || got[0].Y != 5 || got[0].Best != 0 || got[0].Second != 2 || math.Abs(got[0].Margin-.1) > 1e-6 {
		t.Errorf("asked for %+v", got)
	}
	got = NextToName([]Photo{one}, []*Sorted{s}, []Place{{-1, 0, 0}, {1, 0, 0}, {0, 9.9, 9.9}, {0, 99, 0}}, 5)
	if len(got) != 1 || got[0].X != 25 || got[0].Best != 1 || math.Abs(got[0].Margin-.7) > 1e-6 {
		t.Errorf("the first avoided, asked for %+v", got)
	}
	if got := NextToName([]Photo{one}, []*Sorted{s}, []Place{{0, 0, 0}, {0, 29, 0}}, 5); len(got) != 0 {
		t.Errorf("all avoided, asked for %+v", got)
	}
	// Of equal margins the larger lobe is asked for: the first is one block, the
	// second two, of which the fuller is pointed at.
	two := asked(t, 80, 60, 90)
	two.Looks.Lobe[2] = 1
	got = NextToName([]Photo{two}, []*Sorted{sure(.5, .3, .2, .5, .3, .2, .5, .3, .2)}, nil, 5)
	if len(got) != 1 || got[0].X != 25 || got[0].Best != 0 || got[0].Second != 1 {
		t.Errorf("asked for %+v, want the fuller block of the larger lobe", got)
	}
	// Photos by worth, and no more than are wanted.
	photos, sorted := []Photo{one, one, one}, []*Sorted{sure(.8, .1, .1, 1, 0, 0, 1, 0, 0), sure(.4, .35, .25, 1, 0, 0, 1, 0, 0), sure(.6, .4, 0, 1, 0, 0, 1, 0, 0)}
	got = NextToName(photos, sorted, nil, 2)
	if len(got) != 2 || got[0].Photo != 1 || got[1].Photo != 2 {
		t.Errorf("asked for %+v, want photos 1 and 2", got)
	}
	// One class leaves nothing to ask.
	if got := NextToName([]Photo{one}, []*Sorted{{Classes: 1, Prob: []float32{1, 1, 1}, Class: make([]uint8, 3)}}, nil, 3); len(got) != 0 {
		t.Errorf("of one class: asked for %+v", got)
	}
	// A lobe 16 times the least has as much say as a larger one.
	big := asked(t, slices.Repeat([]int32{100}, 21)...)
	p := make([]float32, 63)
	for b := range 21 {
		big.Looks.Lobe[b] = int32(b / 10) // 10, 10 and 1 blocks
		p[3*b], p[3*b+1] = .6, .4
		if b < 10 {
			p[3*b], p[3*b+1] = .61, .39
		}
	}
	big.Looks.Lobe[20] = 0
	if got := NextToName([]Photo{big}, []*Sorted{sure(p...)}, nil, 3); len(got) != 1 || got[0].X < 100 {
		t.Errorf("asked for %+v, want a block of the second lobe, as the first is larger but surer", got)
	}
}

func TestChecksRefused(t *testing.T) {
	one := asked(t, 3, 2)
	levels := make([]uint8, 200)
	copy(levels, []uint8{3, 3, 3})
	copy(levels[10:], []uint8{3, 3})
	give := func(int) ([]uint8, uint8, error) { return levels, 3, nil }
	all, err := DrawChecks(give, []Photo{one}, 5, 1)
	if err != nil || len(all) != 5 {
		t.Fatalf("all 5 cells: %v, %v", all, err)
	}
	want := []Place{{0, .5, .5}, {0, 1.5, .5}, {0, 2.5, .5}, {0, 10.5, .5}, {0, 11.5, .5}}
	if !slices.Equal(all, want) {
		t.Errorf("all 5 cells are %v", all)
	}
	for _, n := range []int{-1, 0, 6} {
		if got, err := DrawChecks(give, []Photo{one}, n, 1); err == nil {
			t.Errorf("%d of 5 cells: %v", n, got)
		}
	}
	away := errors.New("not there")
	if _, err := DrawChecks(func(int) ([]uint8, uint8, error) { return nil, 0, away }, []Photo{one}, 1, 1); !errors.Is(err, away) {
		t.Errorf("a photo whose levels are not there: %v", err)
	}
	levels[50] = 3
	if _, err := DrawChecks(give, []Photo{one}, 5, 1); err == nil {
		t.Error("levels with more green than the looks were taken")
	}
	levels[50], levels[0] = Outside, Outside
	if _, err := DrawChecks(give, []Photo{one}, 4, 1); err == nil {
		t.Error("levels with less green than the looks were taken")
	}
	// Photos without a point are not opened.
	levels[0] = 3
	opened := 0
	got, err := DrawChecks(func(i int) ([]uint8, uint8, error) { opened++; return levels, 3, nil }, []Photo{asked(t, 0, 0), one}, 5, 1)
	if err != nil || opened != 1 || len(got) != 5 || got[0].Photo != 1 {
		t.Errorf("%d photos opened for %v, %v", opened, got, err)
	}
}
