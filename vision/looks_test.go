package vision

import (
	"image"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"quadtally/vision/classes"
)

// withLooks measures a scene with its looks kept and checks that nothing else
// changes by that.
func withLooks(t testing.TB, photo []byte, opt Options) Measurement {
	t.Helper()
	opt.Looks = false
	bare, err := Measure(photo, opt)
	if err != nil {
		t.Fatal(err)
	}
	opt.Looks = true
	m, err := Measure(photo, opt)
	if err != nil {
		t.Fatal(err)
	}
	if m.Looks == nil {
		t.Fatal("no looks were kept")
	}
	looks := m.Looks
	m.Looks = nil
	if !reflect.DeepEqual(m, bare) {
		t.Error("keeping looks changes the measurement")
	}
	m.Looks = looks
	return m
}

// shapeOf is a shape feature of a piece, or of a lobe, as a number.
func shapeOf(l *classes.Looks, name string, lobe bool, i int) float64 {
	k := slices.Index(classes.ShapeFeatures, name)
	n, at, from := len(classes.ShapeFeatures), len(classes.LocalFeatures), l.LobeShape
	if !lobe {
		at, from = at+n, l.PieceShape
	}
	return float64(l.Lo[at+k]) + float64(from[i*n+k])*float64(l.Step[at+k])
}

func localOf(l *classes.Looks, name string, block int) float64 {
	k := slices.Index(classes.LocalFeatures, name)
	return float64(l.Lo[k]) + float64(l.Local[block*len(classes.LocalFeatures)+k])*float64(l.Step[k])
}

// TestLooksOfDrawnLeaves: area, thickness and elongation of drawn leaves are
// those drawn, and two leaves on a thin stalk are one piece and two lobes.
func TestLooksOfDrawnLeaves(t *testing.T) {
	s := newScene(600, 400, soilRGB)
	s.fill(50, 50, 80, 80, leafRGB)    // a square
	s.fill(300, 60, 200, 16, leafRGB)  // a blade
	s.fill(60, 250, 100, 100, leafRGB) // two squares on a stalk
	s.fill(300, 250, 100, 100, leafRGB)
	s.fill(160, 296, 140, 8, leafRGB)
	m := withLooks(t, s.jpeg(t, 95), plain())
	l := m.Looks
	var big []int // without what the compression of the picture left
	for i := range l.Pieces() {
		if math.Exp(shapeOf(l, "area", false, i)) > 50 {
			big = append(big, i)
		}
	}
	if len(big) != 3 {
		t.Fatalf("%d pieces, want 3", len(big))
	}
	type shape struct{ area, thickness, elongation float64 }
	want := []shape{{6400, 40, 1}, {3200, 8, 156}, {21120, 50, 0}}
	for i, w := range want {
		area, thick := math.Exp(shapeOf(l, "area", false, big[i])), math.Exp(shapeOf(l, "thickness", false, big[i]))
		if math.Abs(area/w.area-1) > 0.06 || math.Abs(thick/w.thickness-1) > 0.2 {
			t.Errorf("piece %d: area %.0f, thickness %.1f, want %.0f and %.0f", i+1, area, thick, w.area, w.thickness)
		}
		if e := math.Exp(shapeOf(l, "elongation", false, big[i])); w.elongation > 0 && math.Abs(math.Log(e/w.elongation)) > 0.25 {
			t.Errorf("piece %d: elongation %.2f, want %.0f", i+1, e, w.elongation)
		}
	}
	// The two squares lie in different lobes.
	at := func(x, y int) int32 {
		return l.Lobe[slices.Index(l.Blocks, int32(y/l.Side*l.Across()+x/l.Side))]
	}
	if a, b := at(110, 300), at(350, 300); a == b || l.LobePiece[a] != l.LobePiece[b] {
		t.Errorf("two leaves on a stalk: lobes %d and %d of pieces %d and %d", a, b, l.LobePiece[a], l.LobePiece[b])
	}
	// Along a blade the outline has one direction, in the middle of a square's
	// side too, at its corner not.
	blade, corner := slices.Index(l.Blocks, int32(66/l.Side*l.Across()+400/l.Side)), slices.Index(l.Blocks, int32(52/l.Side*l.Across()+52/l.Side))
	if b, c := localOf(l, "edge-order-2", blade), localOf(l, "edge-order-2", corner); b < 0.8 || c > 0.4 {
		t.Errorf("order of the outline %.2f along a blade and %.2f at a corner", b, c)
	}
}

// withGreen measures a photo with its looks, and its green at its own threshold.
func withGreen(t testing.TB, photo []byte) (Measurement, *classes.Green) {
	t.Helper()
	m := withLooks(t, photo, plain())
	th, err := VisitThreshold([]Curve{m.Curve}, plain())
	if err != nil {
		t.Fatal(err)
	}
	g, err := m.Green(th.Value)
	if err != nil {
		t.Fatal(err)
	}
	return m, g
}

// TestLooksTurned: a photo turned a quarter looks the same: the pooled features
// of its green, block borders apart, agree.
func TestLooksTurned(t *testing.T) {
	s := discs(5, 60, 480, 360, 1)
	s.noise(rand.New(rand.NewPCG(1, 1)), 6, 0, 0, 480, 360)
	pooled := func(s *scene) *classes.Scale {
		m, g := withGreen(t, s.jpeg(t, 95))
		return classes.NewScale([]*classes.Looks{m.Looks}, []*classes.Green{g})
	}
	a, b := pooled(s), pooled(s.turned())
	for k := range a.Mean {
		if d := math.Abs(a.Mean[k]-b.Mean[k]) / a.SD[k]; d > 0.15 {
			t.Errorf("feature %d: mean %.4f upright and %.4f turned, %.2f of its spread apart", k, a.Mean[k], b.Mean[k], d)
		}
	}
}

// TestLooksAtTheEnds: photos with nothing green, nothing but green, and hardly
// any pixels have looks that hold together.
func TestLooksAtTheEnds(t *testing.T) {
	for name, s := range map[string]*scene{
		"bare":  newScene(200, 150, soilRGB),
		"green": newScene(200, 150, leafRGB),
		"small": newScene(70, 65, soilRGB).fill(3, 3, 20, 20, leafRGB),
		"odd":   newScene(131, 97, soilRGB).fill(120, 90, 11, 7, leafRGB),
	} {
		m := withLooks(t, s.jpeg(t, 95), plain())
		b, err := m.Looks.MarshalBinary()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := new(classes.Looks).UnmarshalBinary(b); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		low, _ := plain().Index.scale()
		for _, v := range []float64{low.low, low.prior, low.high} {
			g, err := m.Green(v)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if mask, _ := m.Plane.Mask(v); len(m.Looks.Blocks) > 0 {
				n := 0
				for _, on := range mask {
					if on {
						n++
					}
				}
				if n != g.Total() {
					t.Errorf("%s: %d green cells, %d of them in blocks", name, n, g.Total())
				}
			}
		}
	}
	if _, err := new(Measurement).Green(0.1); err == nil {
		t.Error("a measurement without looks has green to tell apart")
	}
}

// TestClassPicture: every green pixel has a code and no other has, also in a
// photo whose plane is coarser than itself and turned on its side.
func TestClassPicture(t *testing.T) {
	s := newScene(600, 400, soilRGB).fill(100, 100, 120, 90, leafRGB)
	for _, photo := range [][]byte{s.jpeg(t, 95), oriented(s.jpeg(t, 95), 6)} {
		opt := plain()
		opt.WorkCells = 300
		m := withLooks(t, photo, opt)
		g, err := m.Green(0.12)
		if err != nil {
			t.Fatal(err)
		}
		sorted := &classes.Sorted{Classes: 1, Prob: slices.Repeat([]float32{1}, len(m.Looks.Blocks)), Class: make([]uint8, len(m.Looks.Blocks))}
		img, err := ClassPicture(m, 0.12, g, sorted, []uint8{7})
		if err != nil {
			t.Fatal(err)
		}
		if img.Bounds() != image.Rect(0, 0, m.Width, m.Height) {
			t.Fatalf("picture of %v for a photo of %d x %d", img.Bounds(), m.Width, m.Height)
		}
		n := 0
		for _, v := range img.Pix {
			if v != 0 && v != 7 {
				t.Fatalf("code %d", v)
			}
			if v == 7 {
				n++
			}
		}
		if math.Abs(float64(n)/(120*90)-1) > 0.05 {
			t.Errorf("%d pixels have the code, %d are green", n, 120*90)
		}
		pieces, err := m.PiecesByClass(0.12, DefaultPieceOptions(), g, sorted)
		if err != nil || len(pieces) != 1 || pieces[0] != 1 {
			t.Errorf("pieces by class %v, %v", pieces, err)
		}
	}
}

// TestLooksLeaveSettingsAlone: measurements with and without looks may stand
// in one comparison.
func TestLooksLeaveSettingsAlone(t *testing.T) {
	a, b := DefaultOptions(), DefaultOptions()
	b.Looks = true
	if a.Fingerprint() != b.Fingerprint() {
		t.Error("keeping looks counts as another setting")
	}
}

// TestSolidLeavesRimsOut draws small leaves whose edges are blurred as a lens
// blurs them, in linear light, on dark soil and on pale straw. The solid cells
// have about the area that was drawn on both grounds, while the green, being of
// compressed values, is wider on the dark one.
func TestSolidLeavesRimsOut(t *testing.T) {
	const size, spacing, radius, blur = 600, 40, 5.0, 1.0
	code := func(v float64) byte {
		return byte(math.Round(255 * max(0, math.Min(1, 1.055*math.Pow(max(v, 0.0031308), 1/2.4)-0.055))))
	}
	measure := func(ground [3]int) (green, solid float64) {
		s := newScene(size, size, ground)
		var drawn float64
		for y := range size {
			for x := range size {
				// Share of leaf at a pixel: the blurred edge of the nearest disc.
				cx, cy := math.Round(float64(x)/spacing)*spacing, math.Round(float64(y)/spacing)*spacing
				d := math.Hypot(float64(x)-cx, float64(y)-cy)
				if min(cx, cy) < spacing || max(cx, cy) > size-spacing || d > radius+5*blur {
					continue
				}
				share := 0.5 * math.Erfc((d-radius)/(blur*math.Sqrt2))
				drawn += share
				for c := range 3 {
					v := share*fromSRGB(float64(leafRGB[c])/255) + (1-share)*fromSRGB(float64(ground[c])/255)
					s.rgb[3*(y*size+x)+c] = code(v)
				}
			}
		}
		m, g := withGreen(t, s.jpeg(t, 95))
		cells := 0.0
		for b, n := range m.Looks.Solid {
			if int32(n) > g.Cells[b] {
				t.Fatalf("block %d has %d solid cells of %d green", b, n, g.Cells[b])
			}
			cells += float64(n)
		}
		area := float64(size*size) / float64(len(m.Plane.Levels))
		return float64(g.Total()) * area / drawn, cells * area / drawn
	}
	darkGreen, dark := measure([3]int{75, 60, 46})
	paleGreen, pale := measure([3]int{190, 172, 130})
	t.Logf("of the area drawn: dark ground green %.3f solid %.3f, pale ground green %.3f solid %.3f", darkGreen, dark, paleGreen, pale)
	if math.Abs(dark-1) > 0.25 || math.Abs(pale-1) > 0.25 {
		t.Errorf("solid cells are %.3f of the leaves on dark ground and %.3f on pale", dark, pale)
	}
	if was, is := math.Abs(math.Log(darkGreen/paleGreen)), math.Abs(math.Log(dark/pale)); was < 0.2 || is > was/3 {
		t.Errorf("between the grounds green differs by a factor of %.3f and solid cells by one of %.3f", math.Exp(was), math.Exp(is))
	}
}
