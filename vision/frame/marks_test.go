package frame

import (
	"errors"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// stick puts the marks of a class on the frame of a scene; turns says by how
// many quarter turns each is turned in its place.
func stick(t testing.TB, s *drawn.Scene, c label.Class, corners []int, turns [4]int) {
	t.Helper()
	for _, k := range corners {
		m, err := label.NewMark(c, k)
		if err != nil {
			t.Fatal(err)
		}
		place, _ := m.PlacementMM()
		cells := make([][]bool, label.MarkCells)
		for y, row := range m.Cells() {
			cells[y] = slices.Clone(row[:])
		}
		for range turns[k] {
			cells = turnCells(cells)
		}
		s.Prints = append(s.Prints, drawn.Print{
			X: place[0][0], Y: place[0][1], Z: s.PipeMM, CellMM: label.MarkSizeMM / label.MarkCells,
			MarginMM: label.MarkMarginMM, Cells: cells,
		})
	}
}

func turnCells(c [][]bool) [][]bool {
	n := len(c)
	out := make([][]bool, n)
	for y := range out {
		out[y] = make([]bool, n)
		for x := range out[y] {
			out[y][x] = c[n-1-x][y]
		}
	}
	return out
}

func markScene(t testing.TB, seed uint64, class int, corners []int) (drawn.Scene, label.Class) {
	c, ok := label.ClassByID(class)
	if !ok {
		t.Fatalf("class %d", class)
	}
	rng := rand.New(rand.NewPCG(seed, 9))
	s := drawScene(int(seed%5), drawn.Grounds[seed/5%5], seed, c.WidthMM, c.HeightMM)
	s.Leaves = rng.IntN(3) // a leaf over a mark hides it; TestScenes has the leaves
	s.CameraMM *= 1.25     // room for the marks
	s.TiltDeg = min(s.TiltDeg, 15)
	stick(t, &s, c, corners, [4]int{rng.IntN(4), rng.IntN(4), rng.IntN(4), rng.IntN(4)})
	return s, c
}

// TestMarkScenes: corner error of frames found by marks on drawn photos
// (invented), quarter scale of 12 megapixels.
func TestMarkScenes(t *testing.T) {
	scenes := 12
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		scenes = 100
	}
	var all, three, four, edges []float64 // by how many marks were read; by edges where too few
	few := 0
	for seed := range uint64(scenes) {
		corners := []int{0, 1, 2, 3}
		if seed%3 == 2 {
			corners = slices.Delete(corners, int(seed%4), int(seed%4)+1)
		}
		s, class := markScene(t, seed, int(seed%2*8+seed%8), corners)
		r, truth := s.Render(1000, 750)
		opt := Options{MinSupport: .4, PipeDiameterMM: s.PipeMM}
		f, err := Find(r, opt)
		if err != nil {
			few++
			t.Logf("scene %d (%s, tilt %.0f): %v", seed, s.Ground, s.TiltDeg, err)
			continue
		}
		if f.Class != class {
			t.Errorf("scene %d: class %v, want %v", seed, f.Class, class)
		}
		e := cornerErrors(f.Ground, truth.Ground)
		if f.Method == ByEdges {
			edges = append(edges, e...)
			continue
		}
		all = append(all, e...)
		if len(f.Marks) == 3 {
			three = append(three, e...)
		} else {
			four = append(four, e...)
		}
		if first := f.Ground[0]; dist(first, truth.Ground[f.FirstCorner]) > 5 {
			t.Errorf("scene %d: first corner is not the frame's corner %d", seed, f.FirstCorner)
		}
	}
	t.Logf("%d scenes, %d not found; corner error median %.4f %%, p95 %.4f %%; p95 with four marks %.4f %%, with three %.4f %% of the side",
		scenes, few, 100*quantile(all, .5), 100*quantile(all, .95), 100*quantile(four, .95), 100*quantile(three, .95))
	t.Logf("found by edges, their size told by one mark or two: %d", len(edges)/4)
	if p := quantile(edges, 1); p > .005 {
		t.Errorf("by edges: a corner is off by %.4f %% of the side, at most 0.5 %% wanted", 100*p)
	}
	if 10*few > scenes {
		t.Errorf("%d of %d frames with marks were not found", few, scenes)
	}
	if p := quantile(four, .95); !(p <= .001) {
		t.Errorf("four marks: p95 of the corner error is %.4f %% of the side, at most 0.1 %% wanted", 100*p)
	}
	// The corner without a mark follows from the others, less
	// surely so on a long frame that fills little of the photo.
	if p := quantile(three, .95); !(p <= .002) {
		t.Errorf("three marks: p95 of the corner error is %.4f %% of the side, at most 0.2 %% wanted", 100*p)
	}
}

// TestOneMark: where leaves hide all marks but one, it still says which frame
// it is, and the edges where.
func TestOneMark(t *testing.T) {
	for corner := range 4 {
		s, class := markScene(t, 0, 3, []int{corner})
		s.Leaves = 0
		r, truth := s.Render(1000, 750)
		f, err := Find(r, Options{MinSupport: .4, PipeDiameterMM: s.PipeMM})
		if err != nil {
			t.Errorf("corner %d: %v", corner, err)
			continue
		}
		if f.Method != ByEdges || f.Class != class || len(f.Warnings) == 0 {
			t.Errorf("corner %d: %v of %v, warnings %q", corner, f.Method, f.Class, f.Warnings)
		}
		if e := slices.Max(cornerErrors(f.Inner, truth.Inner)); e > .005 {
			t.Errorf("corner %d: off by %.2f %%", corner, 100*e)
		}
	}
}

func TestContradictingMarks(t *testing.T) {
	c0, _ := label.ClassByID(0)
	c1, _ := label.ClassByID(1)
	for _, tc := range []struct {
		name string
		make func(s *drawn.Scene)
		want string
	}{
		{"two frames", func(s *drawn.Scene) {
			stick(t, s, c0, []int{0, 1, 2}, [4]int{})
			stick(t, s, c1, []int{3}, [4]int{})
		}, "two frames"},
		{"swapped", func(s *drawn.Scene) {
			stick(t, s, c0, []int{0, 1, 2, 3}, [4]int{})
			s.Prints[0].Cells, s.Prints[1].Cells = s.Prints[1].Cells, s.Prints[0].Cells
		}, "order"},
		{"twice", func(s *drawn.Scene) {
			stick(t, s, c0, []int{0, 1, 2, 3}, [4]int{})
			s.Prints[3].Cells = s.Prints[0].Cells
		}, "twice"},
		{"displaced", func(s *drawn.Scene) {
			stick(t, s, c0, []int{0, 1, 2, 3}, [4]int{})
			s.Prints[3].X += 60
		}, "from where"},
	} {
		s := drawScene(0, "soil", 3, 500, 500)
		s.Leaves, s.TiltDeg, s.CameraMM = 0, 4, 1200
		tc.make(&s)
		r, _ := s.Render(1000, 750)
		_, err := Find(r, DefaultOptions())
		if !errors.Is(err, ErrNotFound) || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: got %v, want a refusal about %q", tc.name, err, tc.want)
		}
	}
}

// TestMarksInEveryOrientation: the same photo stored in the eight ways EXIF
// knows gives the same frame in the upright photo.
func TestMarksInEveryOrientation(t *testing.T) {
	s, _ := markScene(t, 0, 0, []int{0, 1, 2, 3})
	r, _ := s.Render(1000, 750)
	want, err := Find(r, Options{MinSupport: .4})
	if err != nil {
		t.Fatal(err)
	}
	for o := 2; o <= 8; o++ {
		stored := restore(r, o)
		got, err := Find(stored, Options{MinSupport: .4})
		if err != nil {
			t.Errorf("orientation %d: %v", o, err)
			continue
		}
		for i := range 4 {
			if d := dist(stored.ToUpright(got.Ground[i]), r.ToUpright(want.Ground[i])); d > 1 {
				t.Errorf("orientation %d: corner %d is %.1f px of the full photo away", o, i, d)
			}
		}
		if got.FirstCorner != want.FirstCorner {
			t.Errorf("orientation %d: first corner %d, want %d", o, got.FirstCorner, want.FirstCorner)
		}
	}
}

// restore stores an upright raster in another orientation.
func restore(r *raster.Raster, o int) *raster.Raster {
	out := *r
	out.Orientation = o
	if o >= 5 {
		out.Width, out.Height, out.ChromaWidth, out.ChromaHeight = r.Height, r.Width, r.ChromaHeight, r.ChromaWidth
		out.FullWidth, out.FullHeight = r.FullHeight, r.FullWidth
	}
	move := func(pix []byte, w, h, fw, fh int) []byte {
		res := make([]byte, len(pix))
		k := out
		k.Width, k.Height = fw, fh
		for y := range fh {
			for x := range fw {
				p := k.ToUpright(raster.Point{X: float64(x) + .5, Y: float64(y) + .5})
				ux := int(p.X * float64(w) / float64(r.FullWidth))
				uy := int(p.Y * float64(h) / float64(r.FullHeight))
				res[y*fw+x] = pix[uy*w+ux]
			}
		}
		return res
	}
	out.Y = move(r.Y, r.Width, r.Height, out.Width, out.Height)
	out.Cb = move(r.Cb, r.ChromaWidth, r.ChromaHeight, out.ChromaWidth, out.ChromaHeight)
	out.Cr = move(r.Cr, r.ChromaWidth, r.ChromaHeight, out.ChromaWidth, out.ChromaHeight)
	return &out
}
