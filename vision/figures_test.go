package vision

import (
	"crypto/sha256"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/vision/classes"
	"quadtally/vision/internal/drawn"
	"quadtally/vision/raster"
)

var update = flag.Bool("update", false, "write testdata/figures.txt anew")

// figuresFile holds what the algorithm named in its first line measured on small
// drawn stands.
const figuresFile = "testdata/figures.txt"

// figureSide is the side of those stands in pixels, figureMM of their ground.
const figureSide, figureMM = 320, 128.0

func figureOptions() Options {
	o := plain()
	o.FrameMM = [2]float64{figureMM, figureMM}
	c := [4]raster.Point(box(figureSide, figureSide))
	o.Corners, o.NeedLongSide = &c, 0
	o.Smooth *= 2.6 // as of a frame of 500 mm
	return o
}

// figures collects numbers and words by name, in order.
type figures struct {
	names  []string
	values map[string]string
}

func (f *figures) put(v any, name ...string) {
	n := strings.Join(name, ": ")
	if x, ok := v.(float64); ok {
		v = strconv.FormatFloat(x, 'g', 6, 64)
	}
	f.names = append(f.names, n)
	f.values[n] = fmt.Sprint(v)
}

func (f *figures) photo(t *testing.T, name string, photo []byte, opt Options) Measurement {
	t.Helper()
	m, r := alone(t, photo, opt)
	// All numbers that flags rest on, whatever they are.
	b, err := json.Marshal(m.Quality)
	if err != nil {
		t.Fatal(err)
	}
	var quality map[string]any
	if err := json.Unmarshal(b, &quality); err != nil {
		t.Fatal(err)
	}
	for k, v := range quality {
		if v != 0.0 && v != false {
			f.put(v, name, k)
		}
	}
	for k, v := range map[string]float64{
		"cover": r.CoverFrac, "from": r.CoverLo, "to": r.CoverHi, "found": r.Threshold.Found, "threshold": r.Threshold.Value,
		"cells": float64(m.Curve.Cells()), "mm a cell": m.Plane.MMPerCell, "mm a pixel": m.MMPerPx, "pieces": float64(len(r.Pieces)), "crop": r.CropFrac, "weed": r.WeedFrac,
	} {
		if v != 0 {
			f.put(v, name, k)
		}
	}
	s, err := m.Index.scale()
	if err != nil {
		t.Fatal(err)
	}
	for c := 40; c < 240; c += 20 {
		if v := m.Curve.CoverFrac(s.value(c)); v > 0 && v < 1 {
			f.put(v, name, fmt.Sprint("cover from code ", c))
		}
	}
	if len(r.Pieces) > 0 {
		p := r.Pieces[0]
		f.put(p.AreaMM2, name, "largest mm2")
		f.put(p.Centre.X, name, "largest x")
		f.put(p.Centre.Y, name, "largest y")
	}
	for _, x := range append(m.Flags, r.Flags...) {
		f.put(string(x.Severity), name, string(x.Code), strconv.FormatFloat(x.Limit, 'g', 4, 64))
	}
	return m
}

// figuresNow measures the drawn stands.
func figuresNow(t *testing.T) figures {
	f := figures{values: map[string]string{}}
	render := func(s drawn.Stand, quality int) []byte {
		s.Side, s.MMPerPx = figureSide, figureMM/figureSide
		rgb, _ := s.Render()
		return (&scene{figureSide, figureSide, rgb}).jpeg(t, quality)
	}
	f.put(DefaultOptions().Fingerprint(), "fingerprint of the usual settings")
	visits := map[string][]Curve{}
	pool := func(visit string, m Measurement) { visits[visit] = append(visits[visit], m.Curve) }
	var middle []byte
	for i, ground := range drawn.StandGrounds {
		leaf := drawn.StandLeaves[i%len(drawn.StandLeaves)]
		photo := render(standOf(ground, leaf, 1.5+float64(i), .02+.06*float64(i), uint64(i)), 90)
		pool("sound", f.photo(t, ground, photo, figureOptions()))
		if ground == "straw" {
			middle = photo
		}
	}
	for i, m := range mishaps {
		rng := rand.New(rand.NewPCG(14, uint64(i)))
		s, quality := anyStand(rng), 85
		m.spoil(rng, &s, &quality)
		pool("spoilt", f.photo(t, m.name, render(s, quality), figureOptions()))
	}
	for _, sp := range spoils {
		s := standOf("rolled", "green", 4, .2, 3)
		sp.change(&s)
		pool(sp.name, f.photo(t, sp.name, render(s, sp.quality), figureOptions()))
	}
	for _, x := range Indices() {
		opt := figureOptions()
		opt.Index = x
		pool(string(x), f.photo(t, "by "+string(x), middle, opt))
	}
	for _, c := range []struct {
		name   string
		change func(*Options)
	}{
		{"whole", func(o *Options) { o.FrameMM, o.Corners = [2]float64{}, nil }},
		{"whole of a scale", func(o *Options) { o.FrameMM, o.Corners, o.MMPerPx = [2]float64{}, nil, .7 }},
		{"few cells", func(o *Options) { o.WorkCells = 100 }},
		{"slanted and cut", func(o *Options) {
			o.Corners = &[4]raster.Point{{X: 30.5, Y: 20.25}, {X: 290, Y: 41}, {X: 340, Y: 300}, {X: -12, Y: 260}}
			o.FrameMM = [2]float64{500, 400}
		}},
		{"part left out", func(o *Options) {
			o.Exclude = [][]raster.Point{{{X: 50, Y: 50}, {X: 200, Y: 60}, {X: 120, Y: 210}}}
		}},
		{"crop area", func(o *Options) {
			o.Pieces.Crop = [][]raster.Point{{{X: 0, Y: 70}, {X: 320, Y: 110}, {X: 320, Y: 170}, {X: 0, Y: 130}}}
		}},
		{"small pieces", func(o *Options) { o.Pieces.MinAreaMM2 = 4 }},
	} {
		opt := figureOptions()
		c.change(&opt)
		f.photo(t, c.name, middle, opt)
	}
	for _, visit := range []string{"sound", "spoilt"} {
		th, err := VisitThreshold(visits[visit], figureOptions())
		if err != nil {
			t.Fatal(err)
		}
		f.put(th.Value, "visit", visit, "threshold")
		f.put(th.Found, "visit", visit, "found")
		f.put(th.Weight, "visit", visit, "weight")
	}
	// Where a frame is found moves what is measured inside it.
	finder, err := os.ReadFile("frame/testdata/figures.txt")
	if err != nil {
		t.Fatal(err)
	}
	f.put(fmt.Sprintf("%x", sha256.Sum256(finder)), "figures of the frame finder")
	looks := withLooks(t, middle, figureOptions()).Looks
	f.put(float64(len(looks.Blocks)), "looks", "blocks")
	f.put(float64(len(looks.LobePiece)), "looks", "lobes")
	f.put(float64(looks.Pieces()), "looks", "pieces")
	spread := func(of func(i int) float64, n int, name ...string) {
		var sum, sq float64
		for i := range n {
			sum, sq = sum+of(i)/float64(n), sq+of(i)*of(i)/float64(n)
		}
		f.put(sum, append(name, "mean")...)
		f.put(sq, append(name, "mean square")...)
	}
	for _, x := range classes.LocalFeatures {
		spread(func(i int) float64 { return localOf(looks, x, i) }, len(looks.Blocks), "looks", x)
	}
	for _, x := range classes.ShapeFeatures {
		spread(func(i int) float64 { return shapeOf(looks, x, true, i) }, len(looks.LobePiece), "looks", "lobe", x)
		spread(func(i int) float64 { return shapeOf(looks, x, false, i) }, looks.Pieces(), "looks", "piece", x)
	}
	return f
}

// TestFiguresOfTheAlgorithm holds numbers to the name of the algorithm: records
// tell by its name that numbers were taken one way, so that whatever changes a
// number has to change the name.
func TestFiguresOfTheAlgorithm(t *testing.T) {
	now := figuresNow(t)
	if *update {
		var b strings.Builder
		fmt.Fprintln(&b, algorithm)
		for _, n := range sortedNames(now.values) {
			fmt.Fprintf(&b, "%s\t%s\n", n, now.values[n])
		}
		if err := os.WriteFile(figuresFile, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	b, err := os.ReadFile(figuresFile)
	if err != nil {
		t.Fatal(err)
	}
	name, rows, _ := strings.Cut(string(b), "\n")
	if name != algorithm {
		t.Fatalf("%s is of the algorithm %s, now it is %s: go test ./vision -run Figures -update, and look at the difference", figuresFile, name, algorithm)
	}
	held, off := 0, 0
	for row := range strings.Lines(rows) {
		n, want, _ := strings.Cut(strings.TrimSuffix(row, "\n"), "\t")
		held++
		if got := now.values[n]; !alike(got, want) {
			if off++; off <= 12 {
				t.Errorf("%s: %q, was %q", n, got, want)
			}
		}
	}
	if off > 0 || held != len(now.values) {
		t.Errorf("%d of %d figures differ, %d are taken now: give the algorithm in options.go another name, say what changed them, and go test ./vision -run Figures -update", off, held, len(now.values))
	}
}

// alike tells whether two figures agree but for what another processor's
// rounding makes of them.
func alike(a, b string) bool {
	x, err := strconv.ParseFloat(a, 64)
	y, err2 := strconv.ParseFloat(b, 64)
	if err != nil || err2 != nil {
		return a == b
	}
	return math.Abs(x-y) <= 3e-5+5e-4*math.Abs(y)
}

func sortedNames(m map[string]string) []string {
	var out []string
	for n := range m {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}
