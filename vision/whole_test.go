package vision

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/boombuler/barcode/qr"

	"quadtally/vision/frame"
	"quadtally/vision/internal/drawn"
	"quadtally/vision/jpegturbo"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// asJPEG stores a drawn raster as a phone would.
func asJPEG(t testing.TB, r *raster.Raster) []byte {
	t.Helper()
	rgb := make([]byte, 0, 3*r.Width*r.Height)
	for y := range r.Height {
		for x := range r.Width {
			c := min(y*r.ChromaHeight/r.Height, r.ChromaHeight-1)*r.ChromaWidth + x*r.ChromaWidth/r.Width
			l, cb, cr := float64(r.Y[y*r.Width+x]), float64(r.Cb[c])-128, float64(r.Cr[c])-128
			rgb = append(rgb, clampByte(l+1.402*cr+.5), clampByte(l-.344136*cb-.714136*cr+.5), clampByte(l+1.772*cb+.5))
		}
	}
	b, err := jpegturbo.Encode(rgb, r.Width, r.Height, 92, true)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// paint adds flat prints to a scene: the marks of a frame on the corners
// named, and a plot card inside the frame.
func paint(t testing.TB, s *drawn.Scene, c label.Class, corners []int, card label.Label) {
	t.Helper()
	for _, k := range corners {
		m, err := label.NewMark(c, k)
		if err != nil {
			t.Fatal(err)
		}
		place, _ := m.PlacementMM()
		var cells [][]bool
		for _, row := range m.Cells() {
			cells = append(cells, slices.Clone(row[:]))
		}
		s.Prints = append(s.Prints, drawn.Print{X: place[0][0], Y: place[0][1], Z: s.PipeMM,
			CellMM: label.MarkSizeMM / label.MarkCells, MarginMM: label.MarkMarginMM, Cells: cells})
	}
	if card == (label.Label{}) {
		return
	}
	text, err := label.Encode(card)
	if err != nil {
		t.Fatal(err)
	}
	code, err := qr.Encode(text, qr.M, qr.AlphaNumeric)
	if err != nil {
		t.Fatal(err)
	}
	n := code.Bounds().Dx()
	cells := make([][]bool, n)
	for y := range cells {
		for x := range n {
			r, _, _, _ := code.At(x, y).RGBA()
			cells[y] = append(cells[y], r > 0x8000)
		}
	}
	m := 80 / float64(n)
	s.Prints = append(s.Prints, drawn.Print{X: s.WidthMM/2 - 40, Y: s.HeightMM/2 - 40, Z: 1, TurnDeg: 8, CellMM: m, MarginMM: 4 * m, Cells: cells})
}

func quadratScene(seed uint64, w, h float64, ground string) drawn.Scene {
	return drawn.Scene{
		WidthMM: w, HeightMM: h, PipeMM: 25, Frame: [3]float64{232, 232, 228}, Ground: ground,
		Leaves: int(seed % 9), PipeShadow: seed%2 == 0, ShadowEdge: seed%3 == 0,
		CameraMM: 1.5 * max(w, h), TiltDeg: float64(seed % 8), TiltToward: float64(seed * 70 % 360), TurnDeg: float64(seed*13%30) - 15,
		FocalPerLongSide: .75, Blur: .6, Noise: 2, Seed: seed,
	}
}

// corners gives the largest corner error as a share of the mean side,
// whichever corner each starts at.
func cornerError(got, want [4]raster.Point) float64 {
	q := frame.Quad(want)
	least := math.Inf(1)
	for k := range 4 {
		worst := 0.0
		for i := range 4 {
			worst = max(worst, math.Hypot(got[(i+k)%4].X-want[i].X, got[(i+k)%4].Y-want[i].Y))
		}
		least = min(least, worst)
	}
	return least / ((q.Side(0) + q.Side(1)) / 2)
}

func framedOptions(w, h float64) Options {
	o := DefaultOptions()
	o.FrameMM, o.PipeDiameterMM = [2]float64{w, h}, 25
	return o
}

// TestScenesReport prints frame, card and marks as measured through Measure on
// drawn scenes (invented), and holds the levels reached.
func TestScenesReport(t *testing.T) {
	each := 1
	if os.Getenv("QUADTALLY_HEAVY") == "1" {
		each = 8
	}
	t.Logf("%-16s %7s %8s %6s %12s %8s %6s", "what", "scenes", "refused", "wrong", "worst side %", "by edges", "cards")
	for _, c := range []struct {
		name    string
		class   int
		corners []int
	}{{"edges 500x500", 0, nil}, {"edges 250x1000", 8, nil}, {"marks 500x500", 0, []int{0, 1, 2, 3}}, {"marks 250x1000", 8, []int{0, 1, 3}}} {
		class, ok := label.ClassByID(c.class)
		if !ok {
			t.Fatalf("no frame %d", c.class)
		}
		refused, wrong, cards, byEdges, scenes := 0, 0, 0, 0, 0
		worst := 0.0
		for gi, ground := range drawn.Grounds {
			if each == 1 && gi%2 == 1 {
				continue
			}
			for i := range each {
				scenes++
				s := quadratScene(uint64(7*gi+31*i+1), class.WidthMM, class.HeightMM, ground)
				if len(c.corners) == 3 {
					s.Leaves = 0 // of three marks none may be hidden
				}
				plot := label.Label{Trial: "ALDR", Plot: fmt.Sprint(101 + gi), Quadrat: 1}
				paint(t, &s, class, c.corners, plot)
				r, truth := s.Render(1200, 900)
				opt := framedOptions(class.WidthMM, class.HeightMM)
				opt.FocalPx = truth.Focal
				if c.corners != nil {
					opt.FrameMM, opt.FrameByMarks = [2]float64{}, true
				}
				m, err := Measure(asJPEG(t, r), opt)
				var none *NoFrameError
				switch {
				case errors.As(err, &none):
					refused++
					t.Logf("%s %s: %s", c.name, ground, none.Reason)
					m.Card = none.Card
				case err != nil:
					t.Fatal(err)
				default:
					e := cornerError(m.Frame.Corners, truth.Ground)
					worst = max(worst, e)
					if e > .02 {
						wrong++
					}
					if m.Frame.Kind == "edges" {
						byEdges++
					}
					// In the few scenes of the short form no mark is hidden.
					if c.corners != nil && (m.Frame.Name != class.String() || each == 1 && m.Frame.Kind != "marks") {
						t.Errorf("%s %s: read as %q by %s", c.name, ground, m.Frame.Name, m.Frame.Kind)
					}
					if got, want := m.Frame.InnerMM, [2]float64{class.WidthMM, class.HeightMM}; c.corners != nil && got != want && got != [2]float64{want[1], want[0]} {
						t.Errorf("%s %s: inner size %v, want %v", c.name, ground, got, want)
					}
				}
				if want, _ := label.Encode(plot); m.Card == want {
					cards++
				} else if m.Card != "" {
					t.Errorf("%s %s: card read as %q, not %q", c.name, ground, m.Card, want)
				}
			}
		}
		t.Logf("%-16s %7d %8d %6d %12.3f %8d %6d", c.name, scenes, refused, wrong, 100*worst, byEdges, cards)
		if c.corners != nil && 4*byEdges > scenes { // a mark in shade or under a leaf leaves the edges
			t.Errorf("%s: %d of %d frames were found without their marks", c.name, byEdges, scenes)
		}
		if wrong > 0 {
			t.Errorf("%s: %d of %d frames are wrong", c.name, wrong, scenes)
		}
		if 5*refused > scenes {
			t.Errorf("%s: %d of %d frames were not found", c.name, refused, scenes)
		}
	}
}

// TestNoFrameStillCard: without a frame the card is read all the same.
func TestNoFrameStillCard(t *testing.T) {
	s := quadratScene(2, 500, 500, "soil")
	s.NoFrame = true
	plot := label.Label{Trial: "ALDR", Plot: "203", Quadrat: 2}
	paint(t, &s, label.Class{}, nil, plot)
	r, _ := s.Render(1600, 1200)
	_, err := Measure(asJPEG(t, r), framedOptions(500, 500))
	var none *NoFrameError
	if !errors.As(err, &none) || !errors.Is(err, frame.ErrNotFound) {
		t.Fatalf("error %v, want one that says no frame was found", err)
	}
	if want, _ := label.Encode(plot); none.Card != want || none.Width != 1600 || none.Height != 1200 {
		t.Errorf("card %q of a photo of %d x %d, want %q of 1600 x 1200", none.Card, none.Width, none.Height, want)
	}
	if !strings.HasSuffix(err.Error(), "; mark its four inner corners by hand") {
		t.Errorf("error %q does not name the way out", err)
	}
}

// TestFrameInEveryOrientation: corners come back as a person sees the photo,
// however it is stored.
func TestFrameInEveryOrientation(t *testing.T) {
	s := quadratScene(3, 500, 500, "soil")
	r, truth := s.Render(1200, 900)
	photo := asJPEG(t, r)
	opt := framedOptions(500, 500)
	opt.FocalPx, opt.ReadCard = truth.Focal, false
	for o := uint16(1); o <= 8; o++ {
		m, err := Measure(oriented(photo, o), opt)
		if err != nil {
			t.Fatalf("orientation %d: %v", o, err)
		}
		stored := raster.Raster{Width: r.Width, Height: r.Height, FullWidth: r.Width, FullHeight: r.Height, Denom: 1, Orientation: int(o)}
		var want [4]raster.Point
		for i, p := range truth.Ground {
			want[i] = stored.ToUpright(p)
		}
		if q := frame.Quad(want); q.Area() < 0 { // a mirror turns the other way
			want = [4]raster.Point{q[0], q[3], q[2], q[1]}
		}
		if e := cornerError(m.Frame.Corners, want); e > .005 {
			t.Errorf("orientation %d: corners are off by %.2f %% of the side", o, 100*e)
		}
		if c := m.Frame.Corners; c[0].X+c[0].Y > min(c[1].X+c[1].Y, c[2].X+c[2].Y, c[3].X+c[3].Y) {
			t.Errorf("orientation %d: first corner %v is not the upper left one", o, c[0])
		}
	}
}

// TestCutAnywhere: no beginning of a photo is ever measured, in any format.
func TestCutAnywhere(t *testing.T) {
	s := newScene(160, 120, soilRGB).fill(0, 0, 80, 60, leafRGB)
	heic, err := os.ReadFile("../testdata/scenes/quarter-leaf.heic")
	if err != nil {
		t.Fatal(err)
	}
	for name, photo := range map[string][]byte{"jpeg": s.jpeg(t, 90), "png": s.png(t), "heic": heic} {
		if _, err := Measure(photo, plain()); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i := range 40 {
			n := (2*i + 1) * len(photo) / 80
			if m, err := Measure(photo[:n], plain()); err == nil {
				t.Errorf("%s: %d of %d bytes were measured, cover curve of %d cells", name, n, len(photo), m.Curve.Cells())
			}
		}
		if _, err := Measure(photo[:len(photo)-1], plain()); err == nil {
			t.Errorf("%s: measured without its last byte", name)
		}
	}
}

// TestAtThresholdStored: a measurement that went through JSON gives the same result.
func TestAtThresholdStored(t *testing.T) {
	m, want := alone(t, discs(9, 30, 400, 300, 1).jpeg(t, 90), plain())
	text, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var back Measurement
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	got, err := AtThreshold(back, want.Threshold, plain())
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("evaluated to %+v, want %+v", got, want)
	}
}

// TestFlags: each flag is raised by a scene drawn for it, and by no plain one.
func TestFlags(t *testing.T) {
	bare := func() *scene {
		s := newScene(400, 400, soilRGB)
		for y := range 400 { // grain, so that the picture is sharp
			for x := range 400 {
				if (x*7+y*13)%5 < 2 {
					s.fill(x, y, 1, 1, [3]int{112, 88, 64})
				}
				if x%40 < 4 { // of another hue: ground is never of one alone
					s.fill(x, y, 1, 1, [3]int{118, 96, 78})
				}
			}
		}
		return s
	}
	has := func(m Measurement, code FlagCode) bool {
		return slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == code && f.Text != "" && f.Value != f.Limit })
	}
	m, _ := alone(t, bare().png(t), plain())
	if len(m.Flags) > 0 {
		t.Errorf("a plain photo is flagged: %+v", m.Flags)
	}
	blue := newScene(400, 400, [3]int{90, 95, 125})
	glints := bare()
	for y := 20; y < 380; y += 16 {
		for x := 20; x < 380; x += 16 {
			glints.fill(x, y, 3, 3, [3]int{255, 255, 255})
		}
	}
	smooth := newScene(400, 400, soilRGB)
	for x := range 400 {
		d := int(20 * math.Sin(float64(x)/20))
		smooth.fill(x, 0, 1, 400, [3]int{120 + d, 95 + d, 70 + d})
	}
	for code, s := range map[FlagCode]*scene{
		FlagClipped:   bare().fill(0, 0, 80, 400, [3]int{255, 255, 255}),
		FlagCrushed:   bare().fill(0, 0, 80, 400, [3]int{3, 3, 3}),
		FlagShadow:    bare().fill(0, 0, 160, 400, [3]int{30, 24, 18}),
		FlagRedPlants: bare().fill(100, 100, 120, 120, [3]int{130, 40, 80}),
		FlagCast:      blue,
		FlagGlints:    glints,
		FlagBlur:      smooth,
	} {
		if m, _ := alone(t, s.png(t), plain()); !has(m, code) {
			t.Errorf("%s is not flagged: %+v of %+v", code, m.Flags, m.Quality)
		}
	}
	opt := plain()
	opt.FrameMM = [2]float64{1500, 1500}
	opt.Corners = &[4]raster.Point{{X: -40, Y: 20}, {X: 360, Y: 20}, {X: 360, Y: 380}, {X: -40, Y: 380}}
	m, _ = alone(t, bare().png(t), opt)
	for _, code := range []FlagCode{FlagCutFrame, FlagCoarse} {
		if !has(m, code) {
			t.Errorf("%s is not flagged: %+v", code, m.Flags)
		}
	}
}

// TestCardIsTheRuler: in a photo measured without its frame the card gives the
// scale, to what tilt allows away from it.
func TestCardIsTheRuler(t *testing.T) {
	photo, opt := framedPhotoOf(t, 1, true, 1600, 1200)
	framed, err := Measure(photo, opt)
	if err != nil {
		t.Fatal(err)
	}
	opt.FrameMM, opt.FrameByMarks, opt.CardCodeMM = [2]float64{}, false, 80
	whole, err := Measure(photo, opt)
	if err != nil {
		t.Fatal(err)
	}
	if r := whole.MMPerPx / framed.MMPerPx; !(r > .97 && r < 1.03) {
		t.Errorf("%.4f mm a pixel by the card, %.4f by the frame", whole.MMPerPx, framed.MMPerPx)
	}
	if whole.Plane.MMPerCell <= 0 {
		t.Error("the plane has no scale")
	}
}
