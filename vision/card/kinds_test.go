package card

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/label"
)

// Kinds of cards that are hard to read, each drawn with its own parameters from
// a seed (invented, not field data): a printed card of 188 x 126 mm with a code
// of 63 mm, half a millimetre a pixel, as in a photo of 12 megapixels of a
// square metre decoded at half.
var hardCards = []struct {
	name string
	make func(s *drawn.Scene, p *drawn.Print, rng *rand.Rand)
}{
	{"flat", func(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {}},
	{"curled", curled},
	{"hard shadow across", shadowed},
	{"glossy", glossy},
	{"raised up to 35 degrees", raised},
	{"partly covered", coveredCard},
	{"against the white frame", func(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
		s.NoFrame = false
		p.Sheet.Below = true
		p.TurnDeg = 8 * rng.NormFloat64()
		// The lower edge of the paper touches the bar or lies under it.
		h := 21*p.CellMM + p.Sheet.PaperMM[1] + p.Sheet.PaperMM[3]
		p.X = 80 + 160*rng.Float64()
		p.Y = -s.PipeMM - h + p.Sheet.PaperMM[1] + 12*rng.Float64() - 2
		s.OffX, s.OffY = p.X+60-250, p.Y+30-250
	}},
	{"small, four a page", func(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
		p.CellMM *= .7
		for i := range p.Sheet.PaperMM {
			p.Sheet.PaperMM[i] *= .7
		}
		ink := p.Sheet.Ink
		p.Sheet.Ink = func(x, y float64) bool { return ink(x/.7, y/.7) }
	}},
	{"two of these at once", func(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
		all := []func(*drawn.Scene, *drawn.Print, *rand.Rand){curled, shadowed, glossy, raised, coveredCard}
		a := rng.IntN(len(all))
		b := (a + 1 + rng.IntN(len(all)-1)) % len(all)
		all[a](s, p, rng)
		all[b](s, p, rng)
	}},
}

func curled(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
	p.Sheet.CurlPerMM = 1 / (130 + 370*rng.Float64())
	if rng.IntN(2) == 0 {
		p.Sheet.CurlPerMM *= -1
	}
	p.Sheet.CurlDeg = [3]float64{0, 90, 180 * rng.Float64()}[rng.IntN(3)]
}

func shadowed(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
	p.Sheet.Shadow = &drawn.SheetShadow{X: 8 + 47*rng.Float64(), Y: 8 + 47*rng.Float64(), Deg: 360 * rng.Float64(),
		SoftMM: .3 + 2*rng.Float64(), Light: .2 + .25*rng.Float64()}
}

func glossy(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
	p.Sheet.Glare = &drawn.Glare{X: -10 + 83*rng.Float64(), Y: -10 + 83*rng.Float64(), RadiusMM: 10 + 18*rng.Float64(), Level: .3 + .6*rng.Float64()}
}

func raised(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
	p.Sheet.TiltDeg, p.Sheet.TiltAxisDeg = 10+25*rng.Float64(), 360*rng.Float64()
}

// coveredCard lays stalks and leaves on the card: a leaf over its margin or over
// the code's corner without a finder pattern, and a stalk anywhere.
func coveredCard(s *drawn.Scene, p *drawn.Print, rng *rand.Rand) {
	green := [3]float64{70 + 30*rng.Float64(), 120 + 25*rng.Float64(), 45}
	at := [4][2]float64{{-10, 31}, {31, -10}, {31, 73}, {60, 60}}[rng.IntN(4)]
	p.Sheet.Covers = []drawn.Cover{
		{X: at[0] + 6*rng.NormFloat64(), Y: at[1] + 4*rng.NormFloat64(), A: 12 + 14*rng.Float64(), B: 5 + 5*rng.Float64(), Deg: 360 * rng.Float64(), Colour: green},
		{X: 20 + 30*rng.Float64(), Y: 20 + 30*rng.Float64(), A: 30 + 60*rng.Float64(), B: .8 + .8*rng.Float64(), Deg: 360 * rng.Float64(), Colour: [3]float64{196, 170, 118}},
	}
}

// hardCard is a card's surroundings in one photo of a kind.
func hardCard(t testing.TB, kind int, set, seed uint64) (drawn.Scene, label.Label) {
	rng := rand.New(rand.NewPCG(set<<32+seed, uint64(kind)+171))
	l := label.Label{Trial: "ALDR", Plot: fmt.Sprint(100*(1+rng.IntN(4)) + rng.IntN(30)), Quadrat: rng.IntN(6)}
	p := cardPrint(t, l, 220+60*rng.Float64(), 220+60*rng.Float64(), 360*rng.Float64(), 63)
	words := rng.Uint64()
	p.Sheet = &drawn.Sheet{PaperMM: [4]float64{12, 12, 113, 51}, Ink: func(x, y float64) bool {
		switch { // the plot's number, lines of text, the grey patches' black one
		case x > 76 && x < 130 && y > 0 && y < 36:
			return words>>(int(x/7)*5%40+int(y/9))&1 == 1 && math.Mod(x, 7) > 2
		case x > 76 && x < 165 && y > 45 && y < 80:
			return math.Mod(y, 10) < 4 && words>>(int(x/3)*7%60)&1 == 1
		case y > 66 && y < 69 && x > 10 && x < 55:
			return words>>(int(x)*11%60)&1 == 1
		case x > 54 && x < 71 && y > 80 && y < 97:
			return true
		}
		return false
	}}
	s := drawn.Scene{
		WidthMM: 500, HeightMM: 500, PipeMM: 27, Frame: [3]float64{232, 232, 228}, NoFrame: true,
		Ground: drawn.Grounds[rng.IntN(len(drawn.Grounds))], ShadowEdge: false, PipeShadow: true,
		CameraMM: 750 + 60*rng.Float64(), TiltDeg: 22 * rng.Float64(), TiltToward: 360 * rng.Float64(), TurnDeg: 360 * rng.Float64(),
		FocalPerLongSide: 1.5, Blur: .6 + .6*rng.Float64(), Noise: 2, Denom: 2, Seed: set*100000 + uint64(kind)*1000 + seed,
	}
	sin, cos := math.Sincos(p.TurnDeg * math.Pi / 180)
	s.OffX, s.OffY = p.X+82*cos-51*sin-250+15*rng.NormFloat64(), p.Y+82*sin+51*cos-250+15*rng.NormFloat64()
	s.Bars.SunHeight = .7 + 1.5*rng.Float64()
	hardCards[kind].make(&s, &p, rng)
	s.Prints = []drawn.Print{p}
	return s, l
}

// Scenes with which the reader was tuned, and others that were drawn only when
// it was done.
const (
	tuningSet = 1
	keptSet   = 2
)

var render = drawn.Scene.Render

// TestHardCardsReport prints how many cards of each kind are read in drawn
// photos, and how many are misread.
func TestHardCardsReport(t *testing.T) {
	if testing.Short() || !testing.Verbose() {
		t.Skip("a report: run with -v")
	}
	scenes := 20
	if v := os.Getenv("QUADTALLY_SCENES"); v != "" {
		fmt.Sscan(v, &scenes)
	}
	sets := []uint64{keptSet}
	if os.Getenv("QUADTALLY_TUNE") == "1" {
		sets[0] = tuningSet
	}
	t.Log("card                     set     scenes  read %  misread  asked")
	for _, set := range sets {
		name := map[uint64]string{tuningSet: "tuning", keptSet: "kept"}[set]
		var sum [4]int
		for kind := range hardCards {
			n := hardCardTally(t, kind, set, scenes)
			for i, v := range n {
				sum[i] += v
			}
			t.Logf("%-24s %-7s %6d %7.0f %8d %6d", hardCards[kind].name, name, n[0], 100*float64(n[1])/float64(n[0]), n[2], n[3])
		}
		t.Logf("%-24s %-7s %6d %7.1f %8d %6d", "all", name, sum[0], 100*float64(sum[1])/float64(sum[0]), sum[2], sum[3])
	}
}

// hardCardTally gives scenes, cards read, misread, and asked about.
func hardCardTally(t *testing.T, kind int, set uint64, scenes int) (n [4]int) {
	t.Helper()
	for seed := range uint64(scenes) {
		s, want := hardCard(t, kind, set, seed)
		r, _ := render(s, 1000, 750)
		got, err := Find(r, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		n[0]++
		switch c, err := got.One(); {
		case err == nil && c.Label == want:
			n[1]++
		case err == nil:
			n[2]++
			t.Errorf("%s %d: read %v, card says %v", hardCards[kind].name, seed, c.Label, want)
		default:
			if len(got.Cards) > 0 || got.Unread > 0 {
				n[3]++
			}
			if testing.Verbose() {
				t.Logf("%s %d (%s): %v", hardCards[kind].name, seed, s.Ground, err)
			}
		}
	}
	return n
}

// TestTwoHardCards: of two cards in one drawn photo, either hard to read in its
// own way, none is picked.
func TestTwoHardCards(t *testing.T) {
	kinds := []int{0, 1, 2, 3, 4, 5, 8}
	for _, seed := range []uint64{4401, 4402} {
		rng := rand.New(rand.NewPCG(seed, 8))
		ka, kb := kinds[rng.IntN(len(kinds))], kinds[rng.IntN(len(kinds))]
		s, a := hardCard(t, ka, 9, seed)
		other, b := hardCard(t, kb, 10, seed+1000)
		p, q := s.Prints[0], other.Prints[0]
		p.X, p.Y, q.X, q.Y = 130, 250, 420, 250
		p.TurnDeg, q.TurnDeg = 20*rng.NormFloat64(), 20*rng.NormFloat64()+180*float64(rng.IntN(2))
		s.Prints = []drawn.Print{p, q}
		s.OffX, s.OffY, s.TurnDeg = 80, 40, 10*rng.NormFloat64()
		s.TiltDeg, s.CameraMM, s.FocalPerLongSide = .6*s.TiltDeg, 1.3*s.CameraMM, 1.25
		r, _ := render(s, 1600, 1200)
		got, err := Find(r, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if c, err := got.One(); err == nil {
			t.Errorf("scene %d, %s and %s: %v is picked of %v and %v", seed, hardCards[ka].name, hardCards[kb].name, c.Label, a, b)
		}
	}
}
