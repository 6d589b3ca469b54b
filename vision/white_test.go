package vision

import (
	"math"
	"strings"
	"testing"

	"quadtally/vision/jpegturbo"
	"quadtally/vision/label"
)

// TestPaperGains: a grey of any cast within bounds comes out without colour.
func TestPaperGains(t *testing.T) {
	for _, c := range [][3]float64{{180, 200, 190}, {200, 180, 150}, {120, 120, 120}} {
		r, g, b := c[0], c[1], c[2]
		// ITU-T T.871.
		white := [3]float64{.299*r + .587*g + .114*b, 128 - .168736*r - .331264*g + .5*b, 128 + .5*r - .418688*g - .081312*b}
		k, note := paperOf(white).gains()
		if note != "" {
			t.Fatalf("%v: %s", c, note)
		}
		near(t, "red", r*k.red, g, 0.01)
		near(t, "blue", b*k.blue, g, 0.01)
		onY, onCb, onCr := k.weights()
		near(t, "index of the paper", onY*white[0]+onCb*(white[1]-128)+onCr*(white[2]-128), 0, 0.01)
	}
	for what, white := range map[string][3]float64{"dark": {40, 128, 128}, "blown out": {250, 128, 128}, "far from white": {120, 90, 170}} {
		if k, note := paperOf(white).gains(); k != noGains || !strings.Contains(note, what) {
			t.Errorf("%s paper: gains %v, note %q", what, k, note)
		}
	}
}

// TestCardWhite: under a cast, taking the card's paper as white brings cover
// back to what it is in white light, for the published index and the default
// one.
func TestCardWhite(t *testing.T) {
	class, _ := label.ClassByID(0)
	s := quadratScene(4, class.WidthMM, class.HeightMM, "weedy")
	s.ShadowEdge, s.PipeShadow, s.Leaves = false, false, 0
	paint(t, &s, class, []int{0, 1, 2, 3}, label.Label{Trial: "ALDR", Plot: "203", Quadrat: 2})
	r, truth := s.Render(1600, 1200)
	rgb, w, h, err := jpegturbo.DecodeRGB(asJPEG(t, r))
	if err != nil {
		t.Fatal(err)
	}
	for i := range rgb { // room below white, so that no gain blows the card out
		rgb[i] = byte(float64(rgb[i]) * 0.75)
	}
	photo := func(red, blue float64) []byte {
		out := make([]byte, len(rgb))
		for i := 0; i < len(rgb); i += 3 {
			out[i], out[i+1], out[i+2] = clampByte(red*float64(rgb[i])+.5), rgb[i+1], clampByte(blue*float64(rgb[i+2])+.5)
		}
		b, err := jpegturbo.Encode(out, w, h, 95, true)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, x := range []Index{IndexExG, IndexSoftExG} {
		opt := framedOptions(class.WidthMM, class.HeightMM)
		opt.Index, opt.FocalPx = x, truth.Focal
		cover := func(red, blue float64, white bool) float64 {
			opt.CardWhite = white
			m, err := Measure(photo(red, blue), opt)
			if err != nil {
				t.Fatal(err)
			}
			if m.Card == "" || len(m.Notes) > 0 {
				t.Fatalf("card %q, notes %q", m.Card, m.Notes)
			}
			return 100 * m.Curve.CoverFrac(scales[x].prior)
		}
		want := cover(1, 1, true)
		for _, cast := range [][2]float64{{0.88, 1.12}, {1.12, 0.88}, {1.1, 1.1}} {
			with, without := cover(cast[0], cast[1], true), cover(cast[0], cast[1], false)
			t.Logf("%s, red x %.2f, blue x %.2f: cover %.2f with the card's white, %.2f without, %.2f in white light", x, cast[0], cast[1], with, without, want)
			if math.Abs(with-want) > 0.5 {
				t.Errorf("%s: cover %.2f under a cast, %.2f in white light", x, with, want)
			}
			if x == IndexExG && math.Abs(with-want) > math.Abs(without-want) {
				t.Errorf("%s: the card's white made it worse: %.2f, %.2f without, want %.2f", x, with, without, want)
			}
		}
	}
}
