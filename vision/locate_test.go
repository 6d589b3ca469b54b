package vision

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/vision/frame"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// flatFrame prints the marks of a frame straight on the pixels, 1.2 pixels a
// millimetre, the frame's upper left corner at (100, 100); scale is the size of
// the print about the frame's corners.
func (s *scene) flatFrame(t testing.TB, class int, corners []int, scale float64, white [3]int) *scene {
	t.Helper()
	const px, at = 1.2, 100
	c, ok := label.ClassByID(class)
	if !ok {
		t.Fatalf("class %d", class)
	}
	for _, k := range corners {
		m, err := label.NewMark(c, k)
		if err != nil {
			t.Fatal(err)
		}
		var fx, fy float64 // the frame's corner, millimetres
		if k == label.UpperRight || k == label.LowerRight {
			fx = c.WidthMM
		}
		if k == label.LowerLeft || k == label.LowerRight {
			fy = c.HeightMM
		}
		place, _ := m.PlacementMM()
		box := func(x0, y0, x1, y1 float64, colour [3]int) { // millimetres about the corner, before scaling
			to := func(v, corner float64) int { return int(math.Round(at + px*(corner+scale*(v-corner)))) }
			s.fill(to(x0, fx), to(y0, fy), to(x1, fx)-to(x0, fx), to(y1, fy)-to(y0, fy), colour)
		}
		x0, y0 := place[0][0], place[0][1]
		box(x0-7.5, y0-7.5, x0+67.5, y0+67.5, white)
		for j, row := range m.Cells() {
			for i, w := range row {
				if !w {
					box(x0+7.5*float64(i), y0+7.5*float64(j), x0+7.5*float64(i+1), y0+7.5*float64(j+1), [3]int{25, 25, 25})
				}
			}
		}
	}
	return s
}

// TestFlatFrame: what a photo of a frame with marks and card tells, printed
// straight on the pixels so that every place is known.
func TestFlatFrame(t *testing.T) {
	white := [3]int{225, 225, 225}
	all := []int{0, 1, 2, 3}
	a, b := label.Label{Trial: "ALDR", Plot: "101", Quadrat: 1}, label.Label{Trial: "ALDR", Plot: "102", Quadrat: 1}
	textA, _ := label.Encode(a)
	textB, _ := label.Encode(b)
	base := func() *scene { return newScene(800, 800, soilRGB).fill(300, 550, 60, 50, leafRGB) }
	options := func() Options {
		o := DefaultOptions()
		o.FrameByMarks, o.NeedLongSide = true, 0
		return o
	}
	measure := func(s *scene, o Options) Measurement {
		t.Helper()
		m, err := Measure(s.png(t), o)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	has := func(m Measurement, code FlagCode) *Flag {
		if i := slices.IndexFunc(m.Flags, func(f Flag) bool { return f.Code == code }); i >= 0 {
			return &m.Flags[i]
		}
		return nil
	}

	m := measure(base().flatFrame(t, 0, all, 1, white).printCard(t, a, 200, 200, 6, white), options())
	want := [4]raster.Point{{X: 100, Y: 100}, {X: 700, Y: 100}, {X: 700, Y: 700}, {X: 100, Y: 700}}
	for i, p := range m.Frame.Corners {
		if math.Hypot(p.X-want[i].X, p.Y-want[i].Y) > .4 {
			t.Errorf("corner %d at %v, want %v", i, p, want[i])
		}
	}
	if f := m.Frame; f.Kind != "marks" || f.InnerMM != [2]float64{500, 500} || f.Name != "500 x 500 mm frame 1" || f.TiltDeg > .5 || f.Confidence < .9 || math.Abs(f.PrintScale-1) > .01 {
		t.Errorf("frame %+v", f)
	}
	near(t, "millimetres a pixel", m.MMPerPx, 1/1.2, 1e-3)
	if m.Card != textA || !slices.Equal(m.Cards, []string{textA}) || m.UnreadCards != 0 || has(m, FlagTwoCards) != nil || has(m, FlagPrintSize) != nil || has(m, FlagTwoFrames) != nil || has(m, FlagTilt) != nil {
		t.Errorf("card %q of %q, flags %+v", m.Card, m.Cards, m.Flags)
	}
	near(t, "green of the paper", m.Quality.PaperGreen, 0, .01)
	if m.Quality.PaperUsed || m.Quality.PaperClipped || m.Width != 800 || m.Height != 800 || m.Format != FormatPNG || m.Orientation != 1 {
		t.Errorf("%+v", m)
	}
	near(t, "cover", m.Curve.CoverFrac(.12), 60*50/360000., .001)

	// Seen sideways the corners turn, and the first is again the upper left one.
	side := oriented(base().flatFrame(t, 0, all, 1, white).fill(0, 0, 20, 800, white).jpeg(t, 95), 6)
	if m, err := Measure(side, options()); err != nil || math.Hypot(m.Frame.Corners[0].X-100, m.Frame.Corners[0].Y-100) > .8 || m.Orientation != 6 {
		t.Errorf("sideways: %+v, %v", m.Frame, err)
	}

	// Marks printed at another size.
	for _, c := range []struct {
		scale float64
		told  bool
	}{{.94, true}, {1.06, true}, {.99, false}} {
		m := measure(base().flatFrame(t, 0, all, c.scale, white), options())
		near(t, "size of the print", m.Frame.PrintScale, c.scale, .012)
		f := has(m, FlagPrintSize)
		if (f != nil) != c.told || f != nil && (f.Severity != Glance || math.Abs(f.Value-math.Abs(c.scale-1)) > .012) {
			t.Errorf("printed at %g: %+v", c.scale, f)
		}
		for i, p := range m.Frame.Corners {
			if math.Hypot(p.X-want[i].X, p.Y-want[i].Y) > 2.5 {
				t.Errorf("printed at %g: corner %d at %v, want %v", c.scale, i, p, want[i])
			}
		}
	}

	// Three marks do, and the settings do not overrule what marks say.
	o := options()
	o.FrameMM = [2]float64{400, 400}
	m = measure(base().flatFrame(t, 0, []int{0, 1, 3}, 1, white), o)
	if m.Frame.InnerMM != [2]float64{500, 500} || len(m.Notes) != 3 || m.Frame.Confidence > .95 { // no card, one mark missing, another size
		t.Errorf("three marks: %+v, notes %q", m.Frame, m.Notes)
	}
	if p := m.Frame.Corners[2]; math.Hypot(p.X-700, p.Y-700) > 1.5 {
		t.Errorf("the corner without a mark is at %v", p)
	}

	// No frame: the card is read all the same.
	var none *NoFrameError
	_, err := Measure(base().printCard(t, a, 200, 200, 6, white).png(t), options())
	if !errors.As(err, &none) || !errors.Is(err, frame.ErrNotFound) || none.Card != textA || len(none.Cards) != 1 || none.Width != 800 || none.Height != 800 || !strings.Contains(none.Reason, "no corner mark") {
		t.Errorf("no marks: %v, %+v", err, none)
	}
	o = options()
	o.ReadCard, none = false, nil
	if _, err := Measure(base().printCard(t, a, 200, 200, 6, white).png(t), o); !errors.As(err, &none) || none.Card != "" {
		t.Errorf("cards are not read: %v", err)
	}

	// Two cards are a question; one that cannot be read is, too.
	m = measure(base().flatFrame(t, 0, all, 1, white).printCard(t, a, 170, 200, 6, white).printCard(t, b, 470, 200, 6, white), options())
	if f := has(m, FlagTwoCards); f == nil || f.Severity != MustLook || f.Value != 2 || f.Limit != 1 || m.Card != "" || len(m.Cards) != 2 || !slices.Contains(m.Cards, textB) {
		t.Errorf("two cards: %q of %q, %+v", m.Card, m.Cards, f)
	}
	m = measure(base().flatFrame(t, 0, all, 1, white).printCard(t, a, 170, 200, 6, white).printCard(t, b, 470, 200, 6, white).smudge(470, 200, 6), options())
	if f := has(m, FlagTwoCards); f == nil || f.Value != 2 || m.Card != "" || m.UnreadCards != 1 || len(m.Cards) != 1 {
		t.Errorf("one and one unread: %q of %q, %d unread, %+v", m.Card, m.Cards, m.UnreadCards, f)
	}

	// The card as the ruler: 21 modules of 6 pixels are 105 mm.
	o = plain()
	o.ReadCard, o.CardCodeMM, o.NeedLongSide = true, 105, 0
	carded := base().printCard(t, a, 200, 200, 6, white)
	m = measure(carded, o)
	near(t, "scale by the card", m.MMPerPx, 105/126., .005)
	near(t, "cells by the card", m.Plane.MMPerCell, 105/126., .005)
	o.MMPerPx = .5
	if m := measure(carded, o); m.MMPerPx != .5 {
		t.Errorf("a stated scale of .5 became %g by the card", m.MMPerPx)
	}
	o.MMPerPx, o.CardCodeMM = 0, 0
	if m := measure(carded, o); m.MMPerPx != 0 || m.Plane.MMPerCell != 0 || m.Frame != nil {
		t.Errorf("a card of unknown size gives %g mm a pixel", m.MMPerPx)
	}

	// A green cast that paper shows is taken out without being asked for, another
	// only where it is.
	tint := func(s *scene, r, g, b float64) *scene {
		for i := range s.rgb {
			s.rgb[i] = clampByte(float64(s.rgb[i])*[3]float64{r, g, b}[i%3] + .5)
		}
		return s
	}
	dull := [3]int{190, 190, 190}
	o = options()
	clean := measure(base().flatFrame(t, 0, all, 1, dull), o)
	m = measure(tint(base().flatFrame(t, 0, all, 1, dull), .9, 1.15, .9), o)
	near(t, "green of the paper", m.Quality.PaperGreen, math.Log(1.15/.9), .01)
	near(t, "cover under a green cast", m.Curve.CoverFrac(.12), clean.Curve.CoverFrac(.12), .001)
	if f := has(m, FlagCast); f == nil || f.Severity != Glance || !m.Quality.PaperUsed {
		t.Errorf("green cast on paper: %+v, %+v", m.Flags, m.Quality)
	}
	m = measure(tint(base().flatFrame(t, 0, all, 1, dull), 1, 1.09, 1), o)
	if m.Quality.PaperUsed || math.Abs(m.Quality.PaperGreen-math.Log(1.09)) > .01 {
		t.Errorf("hardly green paper: %+v", m.Quality)
	}
	o.CardWhite = true
	m = measure(tint(base().flatFrame(t, 0, all, 1, dull).printCard(t, a, 200, 200, 6, dull), 1, 1.05, 1), o)
	if !m.Quality.PaperUsed {
		t.Errorf("the card's white was asked for: %+v", m.Quality)
	}
	if m = measure(tint(base().flatFrame(t, 0, all, 1, dull), 1, 1.05, 1), o); m.Quality.PaperUsed {
		t.Errorf("the card's white without a card: %+v", m.Quality)
	}
	// Paper in the dark is no white, and the photo says so.
	o = options()
	o.CardWhite = true
	m = measure(tint(base().flatFrame(t, 0, all, 1, dull).printCard(t, a, 200, 200, 6, dull), .3, .3, .3), o)
	if m.Quality.PaperUsed || !slices.ContainsFunc(m.Notes, func(n string) bool { return strings.Contains(n, "in the dark") }) {
		t.Errorf("paper in the dark: %q", m.Notes)
	}
}

// TestGeometryFlags: tilt, cut ground and coarse cells just past their limits
// and just short of them.
func TestGeometryFlags(t *testing.T) {
	for _, c := range []struct {
		name        string
		tilt, cut   float64
		mm          float64
		code        FlagCode
		severity    Severity
		value, from float64
	}{
		{name: "sound", tilt: 15, cut: .005, mm: 4 / 3.}, {name: "tilted", tilt: 15.1, code: FlagTilt, severity: Glance, value: 15.1, from: 15},
		{name: "cut", cut: .0051, code: FlagCutFrame, severity: MustLook, value: .0051, from: .005}, {name: "coarse", mm: 1.34, code: FlagCoarse, severity: Glance, value: 1.34, from: 4 / 3.},
		{name: "as coarse as may be", mm: 3.33, code: FlagCoarse, severity: Glance, value: 3.33, from: 4 / 3.}, {name: "too coarse", mm: 3.34, code: FlagCoarse, severity: MustLook, value: 3.34, from: 4 / 3.},
	} {
		m := Measurement{Frame: &FrameFix{TiltDeg: c.tilt}, Plane: &Plane{MMPerCell: c.mm}}
		m.flagGeometry(c.cut)
		if c.code == "" && len(m.Flags) > 0 || c.code != "" && (len(m.Flags) != 1 || m.Flags[0].Code != c.code || m.Flags[0].Severity != c.severity || m.Flags[0].Value != c.value || m.Flags[0].Limit != c.from) {
			t.Errorf("%s: %+v", c.name, m.Flags)
		}
	}
	m := Measurement{Plane: &Plane{}}
	if m.flagGeometry(0); len(m.Flags) > 0 {
		t.Errorf("without frame: %+v", m.Flags)
	}
	// Samples are doubled where smoothing leaves .9 of theirs: the root of s^2 - 1/4, halved.
	for _, c := range []struct {
		sigma float64
		n     int
		left  float64
	}{{0, 3, 0}, {1.8, 3, 1.8}, {1.86, 3, 1.86}, {math.Sqrt(3.2401 + .25), 6, .90001}, {2, 6, math.Sqrt(3.75) / 2}} {
		n, s := coarser(3, c.sigma)
		if n != c.n || math.Abs(s-c.left) > 1e-4 {
			t.Errorf("smoothing by %g: samples of %d, %g left; want %d, %g", c.sigma, n, s, c.n, c.left)
		}
	}
}

// TestFlagsOfTheAnswer: what only a threshold shows, just past its limits and
// short of them: a cover of a tenth, of cells far above any threshold.
func TestFlagsOfTheAnswer(t *testing.T) {
	s := scales[IndexSoftExG]
	m := Measurement{Index: IndexSoftExG, Curve: Curve{Index: IndexSoftExG}, Plane: &Plane{Index: IndexSoftExG, Width: 1, Height: 1, Levels: []uint8{0}}}
	leaves := func(n uint32) { // of two greens
		m.Curve.Counts[s.nearest(0)], m.Curve.Counts[s.nearest(.2)], m.Curve.Counts[s.nearest(.3)] = 10000-n, n/2, n/2
	}
	leaves(2000)
	for _, c := range []struct {
		name         string
		faint, green float64
		x            Index
		flagged      bool
	}{
		{"sound", 0, .1, IndexSoftExG, false}, {"a little faint", .05, .1, IndexSoftExG, false}, {"faint", .2, .1, IndexSoftExG, true}, {"faint by another index", .2, .1, IndexExG, false},
		{"looks green", 0, .092, IndexSoftExG, false}, {"does not look green", 0, .088, IndexSoftExG, true}, {"another index", 0, .01, IndexExG, false},
	} {
		m.Index, m.Quality = c.x, Quality{FaintFrac: c.faint, GreenFrac: c.green}
		r, err := AtThreshold(m, Threshold{Value: .12, Index: IndexSoftExG}, plain())
		if err != nil {
			t.Fatal(err)
		}
		if got := slices.ContainsFunc(r.Flags, func(f Flag) bool { return f.Code == FlagFaint }); got != c.flagged {
			t.Errorf("%s: %+v", c.name, r.Flags)
		}
	}
	m.Index = IndexSoftExG
	leaves(900) // so little cannot be too much by 10 points
	m.Quality = Quality{}
	if r, err := AtThreshold(m, Threshold{Value: .12, Index: IndexSoftExG}, plain()); err != nil || len(r.Flags) > 0 {
		t.Errorf("9 %% that does not look green: %+v, %v", r.Flags, err)
	}
}

// TestWeighedDoubts: what is weighed together asks for an eye from its limit on,
// says what adds most to it, and asks nothing of little cover or of another index.
func TestWeighedDoubts(t *testing.T) {
	s := scales[IndexSoftExG]
	m := Measurement{Index: IndexSoftExG, Curve: Curve{Index: IndexSoftExG}}
	m.Curve.Counts[s.nearest(0)], m.Curve.Counts[s.nearest(.2)], m.Curve.Counts[s.nearest(.3)] = 8000, 1000, 1000
	spread := m.Curve.spreadAbove(.12)
	if math.Abs(spread-.05) > 1e-9 || (&Curve{Index: IndexSoftExG}).spreadAbove(.12) != 0 {
		t.Fatalf("spread of green at .2 and .3: %g, want .05", spread)
	}
	const cover = .2
	sound := Quality{Beside: true, BesideFrac: cover, GreenFrac: cover}
	much := func(over float64) Quality { // of tooMuch over its limit, by unlike ground
		q := sound
		q.GroundUneven = (limitMuch + over - q.tooMuch(cover, spread)) / muchUneven
		return q
	}
	less := func(over float64, term *float64, weight float64, q *Quality) Quality {
		*term += (limitLess + over - q.tooLittle(cover, spread)) / weight
		return *q
	}
	unseen, other := much(.01), IndexExG
	unseen.Beside = false
	lessBeside := much(.01)
	lessBeside.BesideFrac = .15
	faint, below, looks := sound, sound, sound
	for _, c := range []struct {
		name  string
		q     Quality
		x     Index
		cover float64
		want  FlagCode
		says  string
	}{
		{"sound", sound, IndexSoftExG, cover, "", ""},
		{"as uneven as may be", much(-.01), IndexSoftExG, cover, "", ""},
		{"uneven", much(.01), IndexSoftExG, cover, FlagTwoWays, "in one part of the photo"},
		{"uneven, less beside", lessBeside, IndexSoftExG, cover, FlagTwoWays, "only 15 % stands out"},
		{"no green and next to nothing faint", Quality{FaintFrac: .02}, IndexSoftExG, 0, "", ""},
		{"uneven, little cover", much(9), IndexSoftExG, tenPoints, "", ""},
		{"uneven, no hue", unseen, IndexSoftExG, cover, "", ""},
		{"uneven, another index", much(.01), other, cover, "", ""},
		{"as faint as may be", less(-.01, &faint.FaintFrac, lessFaint, &faint), IndexSoftExG, cover, "", ""},
		{"faint", less(.01, &faint.FaintFrac, lessFaint, &faint), IndexSoftExG, cover, FlagFaint, "is faintly green"},
		{"far below", less(.01, &below.BelowFrac, lessBelow, &below), IndexSoftExG, cover, FlagFaint, "far less green"},
		{"looks green", less(.01, &looks.GreenFrac, lessLooks, &looks), IndexSoftExG, cover, FlagFaint, "looks so"},
	} {
		m.Index, m.Quality = c.x, c.q
		got := m.weighed(.12, c.cover)
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || got[0].Code != c.want || got[0].Severity != MustLook || !strings.Contains(got[0].Text, c.says)) {
			t.Errorf("%s: %+v, want %q saying %q", c.name, got, c.want, c.says)
		}
	}
}
