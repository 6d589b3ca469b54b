package card

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"quadtally/vision/internal/drawn"
	"quadtally/vision/label"
)

// TestCorrected holds the correction against codes that an independent encoder
// made: with up to eight codewords known to be doubtful they are restored, with
// four known and two not, and beyond that never to another text.
func TestCorrected(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	wrong, restored := 0, 0
	for n := range 60 {
		l := label.Label{Trial: "ALDR", Plot: fmt.Sprint(100 + n), Quadrat: n % 7}
		text, err := label.Encode(l)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			known, unknown int
			must           bool
		}{{0, 0, true}, {8, 0, true}, {4, 2, true}, {6, 1, true}, {9, 0, false}, {8, 1, false}, {0, 9, false}, {20, 0, false}} {
			dark := codeCells(t, text)
			for y := range dark {
				for x := range dark[y] {
					dark[y][x] = !dark[y][x]
				}
			}
			var doubt [modules][modules]float64
			hit := rng.Perm(codewords)[:c.known+c.unknown]
			for i, p := range dataPlaces {
				k := slices.Index(hit, i/8)
				if k < 0 {
					continue
				}
				if i%8 == 0 || rng.IntN(2) == 0 { // the codeword is wrong in any case
					dark[p[1]][p[0]] = !dark[p[1]][p[0]]
				}
				if k < c.known {
					doubt[p[1]][p[0]] = .9
				}
			}
			ok := corrected(dark, &doubt)
			got, _, decoded := decodeCells(dark)
			switch {
			case c.must && !(ok && decoded && got == text):
				t.Errorf("%+v of %s: %v, read %q", c, text, ok, got)
			case ok && decoded && got != text:
				if _, err := label.Decode(got); err == nil {
					wrong++
				}
			case ok && decoded:
				restored++
			}
		}
	}
	if wrong > 0 {
		t.Errorf("%d of 480 codes were restored to another card's text", wrong)
	}
	if restored < 240 {
		t.Errorf("%d of 480 codes restored, at least half can be", restored)
	}
}

// TestNothingRestoredFromNoise: of words that are past all restoring, noise
// alone or three codewords wrong beside eight that are left out, two check
// codewords let through one in 2^16, whether one more or two more are looked
// for or not. With one check codeword fewer it would be one in 2^8.
func TestNothingRestoredFromNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	order := make([]int, codewords)
	for i := range order {
		order[i] = i
	}
	accepted := 0
	for n := range 2000 {
		var word [codewords]byte // all zero is a word of the code
		for i := range word {
			if n%2 == 0 || i < spent+3 {
				word[i] = byte(1 + rng.IntN(255))
			}
		}
		if _, ok := restored(word, order); ok {
			accepted++
		}
	}
	if accepted > 1 {
		t.Errorf("%d of 2000 words past restoring were restored", accepted)
	}
}

// TestHardCards is the short form of the report: the floors are what was
// reached on the scenes it was tuned with, with a little room.
func TestHardCards(t *testing.T) {
	read, all := 0, 0
	for kind := range hardCards {
		n := hardCardTally(t, kind, tuningSet, 2)
		read, all = read+n[1], all+n[0]
	}
	if 10*read < 9*all {
		t.Errorf("%d of %d hard cards were read, nine in ten expected", read, all)
	}
}

// TestSecondCardAtFrame: a card is read, another lies against the white frame
// and so is no patch of its own. Which of them holds is asked.
func TestSecondCardAtFrame(t *testing.T) {
	at := slices.IndexFunc(hardCards, func(k struct {
		name string
		make func(s *drawn.Scene, p *drawn.Print, rng *rand.Rand)
	}) bool {
		return k.name == "against the white frame"
	})
	for seed := range uint64(3) {
		s, _ := hardCard(t, at, 3, seed)
		first := s.Prints[0]
		free := cardPrint(t, label.Label{Trial: "ALDR", Plot: "404", Quadrat: 1}, first.X, first.Y-165, 10, 63)
		s.Prints = append(s.Prints, free)
		s.CameraMM, s.TiltDeg = 900, 5
		s.OffY -= 70
		r, _ := s.Render(1000, 750)
		got, err := Find(r, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := got.One(); !errors.Is(err, ErrAmbiguous) {
			t.Errorf("scene %d: %d cards read, %d unread: %v", seed, len(got.Cards), got.Unread, err)
		}
	}
}
