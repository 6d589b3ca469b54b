package classes

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// Ask is a plant to be named next: a place in a photo, in cells of its plane.
type Ask struct {
	Photo int
	X, Y  float64
	// Best and Second are the two likeliest classes, Margin what lies between
	// their probabilities: the less, the more a name teaches.
	Best, Second int
	Margin       float64
}

// Place is a cell of a photo's plane.
type Place struct {
	Photo int
	X, Y  float64
}

// leastAsk is the size in cells from which a lobe is worth asking about; a
// person cannot name smaller ones from a photo.
const leastAsk = 60

// NextToName lists the lobes of green whose two likeliest classes are nearest
// each other, one in a photo at most, the least sure first (margin sampling:
// Scheffer and others 2001, LNCS 2189, 309-318). Lobes that hold a place to be
// avoided, a check point or a plant that is named already, are not asked about.
// Larger lobes come before smaller ones of the same doubt: the margin is
// weighed by the square root of the area, held at 16 times the least.
func NextToName(photos []Photo, sorted []*Sorted, avoid []Place, n int) []Ask {
	avoided := make([]map[int32]bool, len(photos))
	for _, a := range avoid {
		if a.Photo < 0 || a.Photo >= len(photos) {
			continue
		}
		l := photos[a.Photo].Looks
		if b := photos[a.Photo].Green.At(l, int(math.Floor(a.X)), int(math.Floor(a.Y))); b >= 0 {
			if avoided[a.Photo] == nil {
				avoided[a.Photo] = map[int32]bool{}
			}
			avoided[a.Photo][l.Lobe[b]] = true
		}
	}
	type asking struct {
		Ask
		worth float64
	}
	var all []asking
	for i, p := range photos {
		s := sorted[i]
		k := s.Classes
		cells, prob := make([]float64, len(p.Looks.LobePiece)), make([]float64, len(p.Looks.LobePiece)*k)
		middle, deepest := make([]int, len(cells)), make([]int32, len(cells))
		for b, n := range p.Green.Cells {
			lobe := p.Looks.Lobe[b]
			cells[lobe] += float64(n)
			for c, v := range s.Prob[b*k:][:k] {
				prob[int(lobe)*k+c] += float64(n) * float64(v)
			}
			if n > deepest[lobe] { // the fullest block is where to point
				middle[lobe], deepest[lobe] = b, n
			}
		}
		best := asking{worth: -1}
		for lobe, n := range cells {
			if n < leastAsk || avoided[i][int32(lobe)] {
				continue
			}
			first, second := -1, -1
			at := prob[lobe*k:][:k]
			for c, v := range at {
				switch {
				case first < 0 || v > at[first]:
					first, second = c, first
				case second < 0 || v > at[second]:
					second = c
				}
			}
			if second < 0 {
				continue
			}
			margin := (at[first] - at[second]) / n
			worth := (1 - margin) * math.Sqrt(min(n/leastAsk, 16))
			if worth > best.worth {
				x, y := p.Looks.Middle(middle[lobe])
				best = asking{Ask{i, x, y, first, second, margin}, worth}
			}
		}
		if best.worth >= 0 {
			all = append(all, best)
		}
	}
	slices.SortStableFunc(all, func(a, b asking) int { return cmp.Compare(b.worth, a.worth) })
	out := make([]Ask, 0, n)
	for _, a := range all[:min(n, len(all))] {
		out = append(out, a.Ask)
	}
	return out
}

// DrawChecks draws n different green cells at random, every green cell of the
// photos being as likely as any other, and gives their places in order of photo
// and place, so that the order tells nothing. The draw follows from the seed.
// It knows nothing of classes: points stay valid when these are learned anew.
func DrawChecks(levels func(photo int) (levels []uint8, least uint8, err error), photos []Photo, n int, seed uint64) ([]Place, error) {
	var total int64
	from := make([]int64, len(photos))
	for i, p := range photos {
		from[i] = total
		total += int64(p.Green.Total())
	}
	if n < 1 || int64(n) > total {
		return nil, fmt.Errorf("%d check points asked for in %d green cells: ask for fewer, or give photos that show plants", n, total)
	}
	rng := rand.New(rand.NewPCG(seed, 0x636865636b73))
	drawn := map[int64]bool{}
	for len(drawn) < n {
		drawn[rng.Int64N(total)] = true
	}
	want := make([]int64, 0, n)
	for k := range drawn {
		want = append(want, k)
	}
	slices.Sort(want)
	var out []Place
	for i, p := range photos {
		end := from[i] + int64(p.Green.Total())
		if len(want) == 0 || want[0] >= end {
			continue
		}
		cells, least, err := levels(i)
		if err != nil {
			return nil, err
		}
		at := from[i]
		for c, l := range cells {
			if l < least || l == Outside {
				continue
			}
			for len(want) > 0 && want[0] == at {
				out = append(out, Place{i, float64(c%p.Looks.Width) + 0.5, float64(c/p.Looks.Width) + 0.5})
				want = want[1:]
			}
			at++
		}
		if at != end {
			return nil, errors.New("green of a photo does not match its looks: measure the photo again")
		}
	}
	return out, nil
}

// CoverRange is a range for the share of a photo's green that is of one class,
// from the probabilities alone: lobes are taken to be right or wrong as a
// whole, and alike within a photo by a correlation of a tenth, at which 90 %
// ranges held the weeds of 89 in 100 photos of peanut and 98 of potato fields.
// It knows nothing of a bias, which only check points show. z is the normal
// quantile of the range, 1.645 for 90 %.
func (s *Sorted) CoverRange(p Photo, class int, z float64) (lo, hi float64) {
	const alike = 0.1
	total := float64(p.Green.Total())
	if total == 0 {
		return 0, 0
	}
	lobes := make([]float64, len(p.Looks.LobePiece))
	cells := make([]float64, len(lobes))
	var mean float64
	for b, n := range p.Green.Cells {
		v := float64(n) * float64(s.Prob[b*s.Classes+class])
		lobes[p.Looks.Lobe[b]] += v
		cells[p.Looks.Lobe[b]] += float64(n)
		mean += v / total
	}
	var sum, square float64
	for i, n := range cells {
		if n > 0 {
			f := min(max(lobes[i]/n, 0), 1)
			sd := n / total * math.Sqrt(f*(1-f))
			sum += sd
			square += sd * sd
		}
	}
	half := z * math.Sqrt(alike*sum*sum+(1-alike)*square)
	return max(mean-half, 0), min(mean+half, 1)
}
