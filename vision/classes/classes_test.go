package classes

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
)

func TestParseClass(t *testing.T) {
	for text, want := range map[string]Class{
		"weed": {"weed", Weed}, " Crop ": {"crop", Crop}, "Not a  Plant": {"not a plant", NotPlant}, "REGROWTH": {"regrowth", Regrowth},
		"sedge": {"sedge", Weed}, "weed: Chickweed": {"chickweed", Weed}, "regrowth:rye": {"rye", Regrowth}, "weed:": {"weed", Weed},
	} {
		got, err := ParseClass(text)
		if err != nil || got != want {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "leek", "plant: rye", ":", "weeds"} {
		if c, err := ParseClass(text); err == nil {
			t.Errorf("%q was taken for %v", text, c)
		}
	}
}

// field makes the looks of a photo by chance: across x down blocks of 6 cells,
// each a lobe and piece of its own, of kind 0 or 1, which differ in two
// features by apart standard deviations.
func field(rng *rand.Rand, across, down int, apart float64, kinds func(i int) int) (*Looks, []uint8, []int) {
	const side = 6
	n := across * down
	var blocks, lobe, lobePiece []int32
	var local, shape []float32
	var kind []int
	for i := range n {
		k := kinds(i)
		kind = append(kind, k)
		blocks, lobe, lobePiece = append(blocks, int32(i)), append(lobe, int32(i)), append(lobePiece, int32(i))
		for f := range nLocal {
			v := rng.NormFloat64()
			if f < 2 {
				v += apart * float64(k)
			}
			local = append(local, float32(v))
		}
		for range nShape {
			shape = append(shape, float32(rng.NormFloat64()))
		}
	}
	l, err := NewLooks(side, across*side, down*side, blocks, lobe, lobePiece, local, shape, slices.Clone(shape))
	if err != nil {
		panic(err) // made by this test, so never
	}
	levels := make([]uint8, l.Width*l.Height)
	for i := range levels {
		levels[i] = uint8(1 + rng.IntN(4))
	}
	return l, levels, kind
}

func visit(t testing.TB, rng *rand.Rand, photos int, apart float64) ([]Photo, [][]uint8, [][]int) {
	t.Helper()
	var out []Photo
	var looks []*Looks
	var greens []*Green
	var levels [][]uint8
	var kinds [][]int
	for range photos {
		l, lev, kind := field(rng, 12, 9, apart, func(int) int { return rng.IntN(2) })
		g, err := l.Green(lev, 2)
		if err != nil {
			t.Fatal(err)
		}
		out, looks, greens = append(out, Photo{Looks: l, Green: g}), append(looks, l), append(greens, g)
		levels, kinds = append(levels, lev), append(kinds, kind)
	}
	s := NewScale(looks, greens)
	for i := range out {
		out[i].Scale = s
	}
	return out, levels, kinds
}

func namesOf(rng *rand.Rand, photos []Photo, kinds [][]int, n int) []Name {
	var out []Name
	for i := range n {
		p := rng.IntN(len(photos))
		want := i % 2
		for {
			b := rng.IntN(len(photos[p].Looks.Blocks))
			if kinds[p][b] == want {
				x, y := photos[p].Looks.Middle(b)
				out = append(out, Name{p, x, y, want})
				break
			}
		}
	}
	return out
}

// TestLearns: what differs is learned, what does not is not claimed; a change
// of light, which shifts and stretches features, changes nothing; names in
// another order give the same.
func TestLearns(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct{ apart, low, top float64 }{{4, .93, 1}, {0, .4, .6}} {
		photos, _, kinds := visit(t, rng, 8, c.apart)
		names := namesOf(rng, photos, kinds, 40)
		m, err := Train(2, photos, names, DefaultTrainOptions())
		if err != nil {
			t.Fatal(err)
		}
		right, all := 0, 0
		for i, p := range photos {
			s := m.Classify(p)
			for b, k := range kinds[i] {
				all++
				if int(s.Class[b]) == k {
					right++
				}
				if sum := float64(s.Prob[2*b] + s.Prob[2*b+1]); math.Abs(sum-1) > 1e-5 {
					t.Fatalf("probabilities sum to %g", sum)
				}
			}
		}
		share := float64(right) / float64(all)
		if share < c.low || share > c.top {
			t.Errorf("kinds %g apart: %.2f right, want %.2f to %.2f", c.apart, share, c.low, c.top)
		}
		slices.Reverse(names)
		again, err := Train(2, photos, names, DefaultTrainOptions())
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range m.Beta[1] {
			if math.Abs(v-again.Beta[1][k]) > 1e-3 {
				t.Fatalf("names in another order give coefficient %g, not %g", again.Beta[1][k], v)
			}
		}
		// Another light.
		lit := slices.Clone(photos)
		var looks []*Looks
		var green []*Green
		for i := range lit {
			l := *lit[i].Looks
			l.Lo, l.Step = slices.Clone(l.Lo), slices.Clone(l.Step)
			for k := range l.Lo {
				l.Lo[k], l.Step[k] = 1.5*l.Lo[k]+0.7, 1.5*l.Step[k]
			}
			lit[i].Looks = &l
			looks, green = append(looks, &l), append(green, lit[i].Green)
		}
		s := NewScale(looks, green)
		for i := range lit {
			lit[i].Scale = s
			a, b := m.Classify(photos[i]), m.Classify(lit[i])
			for k := range a.Prob {
				if math.Abs(float64(a.Prob[k]-b.Prob[k])) > 1e-3 {
					t.Fatalf("another light gives %g, not %g", b.Prob[k], a.Prob[k])
				}
			}
		}
	}
}

// TestSoftmaxOptimum: at the coefficients found the gradient of the penalised
// likelihood, worked out apart, is nil; and with one feature the answer is that
// of a search over a grid.
func TestSoftmaxOptimum(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	var rows [][]float64
	var label []int
	var weight []float64
	for i := range 60 {
		k := i % 3
		rows = append(rows, []float64{rng.NormFloat64() + float64(k), rng.NormFloat64(), rng.NormFloat64() - float64(k*k)})
		label, weight = append(label, k), append(weight, 0.5+rng.Float64())
	}
	const ridge = 2.0
	beta, start, err := softmax(rows, label, weight, 3, ridge)
	if err != nil {
		t.Fatal(err)
	}
	for c := range 3 {
		grad := make([]float64, 4)
		for k := range 3 {
			grad[k] = ridge * beta[c][k]
		}
		for i, row := range rows {
			var e [3]float64
			var sum float64
			for j := range 3 {
				v := start[j]
				for k, x := range row {
					v += beta[j][k] * x
				}
				e[j] = math.Exp(v)
				sum += e[j]
			}
			d := e[c] / sum
			if label[i] == c {
				d--
			}
			for k, x := range append(slices.Clone(row), 1) {
				grad[k] += weight[i] * d * x
			}
		}
		for k, g := range grad {
			if math.Abs(g) > 0.02 {
				t.Errorf("class %d, coefficient %d: gradient %g is not nil", c, k, g)
			}
		}
	}
}

// TestFewNames: nothing is claimed where one class only is named, a class named
// far less than the others is not learned, and a name on bare ground is said.
func TestFewNames(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	photos, _, kinds := visit(t, rng, 3, 3)
	names := namesOf(rng, photos, kinds, 20)
	one := slices.DeleteFunc(slices.Clone(names), func(n Name) bool { return n.Class == 1 })
	if _, err := Train(2, photos, one, DefaultTrainOptions()); !errors.Is(err, ErrFewNames) {
		t.Errorf("one class alone: %v", err)
	}
	odd := append(slices.Clone(names), Name{0, 3, 3, 2})
	m, err := Train(3, photos, odd, DefaultTrainOptions())
	if err != nil || m.Learned(2) || !m.Learned(0) || m.Names[2] != 1 {
		t.Errorf("one odd name: learned %v, %v", m.Learned(2), err)
	}
	if s := m.Classify(photos[0]); slices.Contains(s.Class, 2) {
		t.Error("a class that was not learned is answered")
	}
	far := append(slices.Clone(names), Name{1, -500, -500, 0})
	if m, err := Train(2, photos, far, DefaultTrainOptions()); err != nil || !reflect.DeepEqual(m.Missed, []int{len(far) - 1}) {
		t.Errorf("a name far off: %v, %v", m.Missed, err)
	}
	if _, err := Train(2, photos, []Name{{9, 1, 1, 0}}, DefaultTrainOptions()); err == nil {
		t.Error("a name in no photo was taken")
	}
}

// TestDrawChecks: points lie on green, none twice, follow from the seed, and
// fall into photos by their green.
func TestDrawChecks(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	photos, levels, _ := visit(t, rng, 4, 1)
	for i := range levels[0] { // the first photo is nearly bare
		if i%50 > 0 {
			levels[0][i] = 0
		}
	}
	var err error
	if photos[0].Green, err = photos[0].Looks.Green(levels[0], 2); err != nil {
		t.Fatal(err)
	}
	at := func(i int) ([]uint8, uint8, error) { return levels[i], 2, nil }
	var count [4]float64
	const n, runs = 60, 200
	var total float64
	for _, p := range photos {
		total += float64(p.Green.Total())
	}
	for seed := range uint64(runs) {
		got, err := DrawChecks(at, photos, n, seed)
		if err != nil || len(got) != n {
			t.Fatalf("%d points, %v", len(got), err)
		}
		if again, _ := DrawChecks(at, photos, n, seed); !reflect.DeepEqual(got, again) {
			t.Fatal("the same seed draws others")
		}
		seen := map[Place]bool{}
		for _, p := range got {
			if seen[p] || levels[p.Photo][int(p.Y)*photos[0].Looks.Width+int(p.X)] < 2 {
				t.Fatalf("point %v is drawn twice or on no green", p)
			}
			seen[p] = true
			count[p.Photo]++
		}
	}
	for i, p := range photos {
		want := float64(p.Green.Total()) / total * n * runs
		if sd := math.Sqrt(want); math.Abs(count[i]-want) > 4*sd {
			t.Errorf("photo %d holds %g points, want %.0f", i+1, count[i], want)
		}
	}
	if _, err := DrawChecks(at, photos, int(total)+1, 1); err == nil {
		t.Error("more points than green cells were drawn")
	}
}

// TestNextToName: one a photo at most, never beside a place to be avoided, the
// least sure first.
func TestNextToName(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 1))
	photos, levels, kinds := visit(t, rng, 6, 2)
	for i := range levels { // green all over, so that each block can be asked about
		for k := range levels[i] {
			levels[i][k] = 3
		}
		photos[i].Green, _ = photos[i].Looks.Green(levels[i], 2)
		// Two blocks a lobe, for size.
		for b := range photos[i].Looks.Lobe {
			photos[i].Looks.Lobe[b] = int32(b / 2 * 2)
		}
	}
	m, err := Train(2, photos, namesOf(rng, photos, kinds, 20), DefaultTrainOptions())
	if err != nil {
		t.Fatal(err)
	}
	var sorted []*Sorted
	for _, p := range photos {
		sorted = append(sorted, m.Classify(p))
	}
	first := NextToName(photos, sorted, nil, 10)
	if len(first) != len(photos) {
		t.Fatalf("%d plants asked for in %d photos", len(first), len(photos))
	}
	var avoid []Place
	used := map[int]bool{}
	for i, a := range first {
		if used[a.Photo] || i > 0 && a.Margin < first[i-1].Margin-1e-6 || a.Best == a.Second {
			t.Errorf("asked for %+v after %+v", a, first[max(i-1, 0)])
		}
		used[a.Photo] = true
		avoid = append(avoid, Place{a.Photo, a.X, a.Y})
	}
	for _, a := range NextToName(photos, sorted, avoid, 10) {
		for _, v := range avoid {
			l := photos[a.Photo].Looks
			if a.Photo == v.Photo && l.Lobe[photos[a.Photo].Green.At(l, int(a.X), int(a.Y))] == l.Lobe[photos[v.Photo].Green.At(l, int(v.X), int(v.Y))] {
				t.Errorf("asked for a place to be avoided: %+v", a)
			}
		}
	}
}

// TestLooksStored: what is stored comes back, and stored looks that are short,
// long or changed are refused or at least consistent.
func TestLooksStored(t *testing.T) {
	l, levels, _ := field(rand.New(rand.NewPCG(3, 3)), 7, 5, 1, func(i int) int { return i % 2 })
	b, err := l.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var back Looks
	if err := back.UnmarshalBinary(b); err != nil || back.Solid != nil {
		t.Errorf("looks without solid cells come back with %v: %v", back.Solid, err)
	}
	g, err := l.Green(levels, 2)
	if err != nil {
		t.Fatal(err)
	}
	p := Photo{Looks: l, Green: g}
	half := &Sorted{Classes: 2, Prob: make([]float32, 2*len(l.Blocks))}
	if _, _, ok := half.SolidShares(p); ok {
		t.Error("solid shares of looks that do not tell")
	}
	// Of every second block nothing is solid, of the others all and more than is
	// green now; class 1 has the former, class 0 the latter.
	l.Solid = make([]uint8, len(l.Blocks))
	var solid float64
	for i := range l.Solid {
		half.Prob[2*i+(i+1)%2] = 1
		if i%2 == 1 {
			l.Solid[i] = 200
			solid += float64(g.Cells[i])
		}
	}
	share, mean, ok := half.SolidShares(p)
	if want := solid / float64(g.Total()); !ok || math.Abs(share-want) > 1e-12 || mean[0] != 1 || mean[1] != 0 {
		t.Errorf("solid %.4f of the green, want %.4f; classes %v", share, want, mean)
	}
	if b, err = l.MarshalBinary(); err != nil {
		t.Fatal(err)
	}
	if err := back.UnmarshalBinary(b); err != nil || !reflect.DeepEqual(*l, back) {
		t.Errorf("stored looks come back otherwise: %v", err)
	}
	text, err := l.MarshalText()
	if err != nil {
		t.Fatal(err)
	}
	if err := back.UnmarshalText(text); err != nil || !reflect.DeepEqual(*l, back) {
		t.Errorf("stored text comes back otherwise: %v", err)
	}
	for n := range len(b) - 1 {
		if back.UnmarshalBinary(b[:n]) == nil {
			t.Fatalf("the first %d of %d bytes were taken", n, len(b))
		}
	}
	if err := back.UnmarshalText([]byte("?")); err == nil || !strings.Contains(err.Error(), "measure the photo again") {
		t.Errorf("no base64: %v", err)
	}
	if _, err := NewLooks(6, 12, 6, []int32{0, 2}, []int32{0, 0}, []int32{0}, make([]float32, 2*nLocal), make([]float32, nShape), make([]float32, nShape)); err == nil {
		t.Error("a block outside the ground was taken")
	}
	odd := make([]float32, nLocal)
	odd[0], odd[1] = float32(math.NaN()), float32(math.Inf(1))
	if _, err := NewLooks(6, 12, 6, []int32{0}, []int32{0}, []int32{0}, odd, make([]float32, nShape), make([]float32, nShape)); err != nil {
		t.Errorf("features that are not numbers: %v", err)
	}
	if _, err := l.Green(make([]uint8, 3), 1); err == nil {
		t.Error("a plane of another size was taken")
	}
}

func FuzzLooks(f *testing.F) {
	l, _, _ := field(rand.New(rand.NewPCG(3, 3)), 3, 2, 1, func(i int) int { return i % 2 })
	b, err := l.MarshalBinary()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:20])
	f.Fuzz(func(t *testing.T, b []byte) {
		var l Looks
		if l.UnmarshalBinary(b) != nil {
			return
		}
		if l.Width*l.Height > 1<<20 {
			return
		}
		g, err := l.Green(make([]uint8, l.Width*l.Height), 0)
		if err != nil {
			t.Fatal(err)
		}
		p := Photo{&l, g, NewScale([]*Looks{&l}, []*Green{g})}
		m := &Model{Classes: 2, Beta: [][]float64{make([]float64, nAll), make([]float64, nAll)}, Start: make([]float64, 2)}
		s := m.Classify(p)
		NextToName([]Photo{p}, []*Sorted{s}, nil, 3)
		if again, err := l.MarshalBinary(); err != nil {
			t.Fatal(err)
		} else if err := new(Looks).UnmarshalBinary(again); err != nil {
			t.Fatal(err)
		}
	})
}

// BenchmarkSeason states the time in which one more name sorts 1 000 photos
// anew, their looks read from their stored form.
func BenchmarkSeason(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	l, levels, _ := field(rng, 60, 40, 1, func(int) int { return rng.IntN(2) })
	stored, err := l.MarshalBinary()
	if err != nil {
		b.Fatal(err)
	}
	g, err := l.Green(levels, 2)
	if err != nil {
		b.Fatal(err)
	}
	m := &Model{Classes: 2, Beta: [][]float64{make([]float64, nAll), make([]float64, nAll)}, Start: make([]float64, 2)}
	s := NewScale([]*Looks{l}, []*Green{g})
	const photos = 100
	spent := func() float64 { // processor time, which other work on the machine does not change
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
	}
	from, n := spent(), 0
	for b.Loop() {
		for range photos {
			var in Looks
			if err := in.UnmarshalBinary(stored); err != nil {
				b.Fatal(err)
			}
			m.Classify(Photo{&in, g, s})
		}
		n += photos
	}
	b.ReportMetric(1000*(spent()-from)/float64(n), "processor-s/1000photos")
	b.ReportMetric(float64(len(stored)), "B/photo")
}
