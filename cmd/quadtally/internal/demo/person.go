package demo

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// Spot is a place in a photo, in pixels of the upright picture, and what the
// invented person says stands there: a class in one word, as people write it.
type Spot struct {
	File  string
	X, Y  float64
	Class string
}

// ErringShare is the share of plants and check points that the invented person
// takes for something else.
const ErringShare = 0.05

// words are what the person can say. Red leaves belong to broadleaf weeds.
var words = map[Class]string{Bare: "not a plant", Broadleaf: "broadleaf", Red: "broadleaf", Grass: "grass", Crop: "crop", Regrowth: "regrowth"}

var answers = []string{"broadleaf", "grass", "crop", "regrowth"}

// mistaken turns an answer into another one now and then.
func mistaken(word string, rng *rand.Rand) string {
	if rng.Float64() >= ErringShare {
		return word
	}
	for {
		if other := answers[rng.IntN(len(answers))]; other != word {
			return other
		}
	}
}

// seen is the plant on top at every place of the ground that the lens shows,
// the frame and a little around it.
type seen struct {
	cam   camera
	g     grid
	cells []Class
}

func (p *PhotoPlan) seen() *seen {
	s := &seen{cam: newCamera(p.View, p.Width, p.Height)}
	half := p.Frame.InnerMM/2 + 40
	n := int(2 * half / truthCellMM)
	s.g = grid{x0: -half, y0: -half, cell: truthCellMM, w: n, h: n}
	s.cells = make([]Class, n*n)
	for _, b := range p.blades() {
		b = b.asSeen(&s.cam)
		b.stamp(s.g, s.cells)
	}
	return s
}

// at is the class on top at a pixel. At the rim of a leaf the nearest plant
// within two millimetres is meant.
func (s *seen) at(x, y float64) Class {
	gx, gy := s.cam.ground(x, y)
	i, j := int((gx-s.g.x0)/s.g.cell), int((gy-s.g.y0)/s.g.cell)
	const rim = 4 // cells
	best, class := math.Inf(1), Bare
	for v := max(j-rim, 0); v <= min(j+rim, s.g.h-1); v++ {
		for u := max(i-rim, 0); u <= min(i+rim, s.g.w-1); u++ {
			if d := math.Hypot(float64(u-i), float64(v-j)); d <= rim && d < best && s.cells[v*s.g.w+u] != Bare {
				best, class = d, s.cells[v*s.g.w+u]
			}
		}
	}
	return class
}

// NamePlants is what the person names at a visit: n plants, one in a photo,
// photos in any order, always of the class that was named least among those in
// the photo. Red plants are passed over, since no outline shows them, and so are
// photos that the person cannot use.
func (s *SeasonPlan) NamePlants(visit, n int, usable func(file string) bool) []Spot {
	rng := stream(s.Seed, "names", visit)
	var photos []*PhotoPlan
	for i := range s.Photos {
		if p := &s.Photos[i]; p.Visit == visit && usable(p.File) {
			photos = append(photos, p)
		}
	}
	rng.Shuffle(len(photos), func(i, j int) { photos[i], photos[j] = photos[j], photos[i] })
	named := map[string]int{}
	var out []Spot
	for _, p := range photos {
		if len(out) == n {
			break
		}
		look := p.seen()
		half := p.Frame.InnerMM/2 - 15
		var plants []Plant
		for _, q := range p.Plants {
			if q.Class != Red && q.DiameterMM > 10 && math.Abs(q.XMM) < half && math.Abs(q.YMM) < half {
				plants = append(plants, q)
			}
		}
		rng.Shuffle(len(plants), func(i, j int) { plants[i], plants[j] = plants[j], plants[i] })
		slices.SortStableFunc(plants, func(a, b Plant) int { return cmp.Compare(named[words[a.Class]], named[words[b.Class]]) })
		for _, q := range plants {
			if at, ok := pointAt(look, q, rng); ok {
				named[words[q.Class]]++
				out = append(out, Spot{p.File, at.X, at.Y, mistaken(words[q.Class], rng)})
				break
			}
		}
	}
	return out
}

// pointAt finds a leaf of a plant that lies on top.
func pointAt(look *seen, q Plant, rng *rand.Rand) (Pt, bool) {
	for range 40 {
		r, a := 0.7*q.DiameterMM/2*rng.Float64(), 2*math.Pi*rng.Float64()
		x, y := q.XMM+r*math.Cos(a), q.YMM+r*math.Sin(a)
		i, j := int((x-look.g.x0)/look.g.cell), int((y-look.g.y0)/look.g.cell)
		if i >= 0 && j >= 0 && i < look.g.w && j < look.g.h && look.cells[j*look.g.w+i] == q.Class {
			return look.cam.project(vec{x, y, 0}), true
		}
	}
	return Pt{}, false
}

// AnswerChecks fills in what the person says at check points, seeing the photo
// alone. Points in files that are not of the season stay without an answer.
func (s *SeasonPlan) AnswerChecks(points []Spot) []Spot {
	rng := stream(s.Seed, "answers", len(points))
	out := slices.Clone(points)
	looks := map[string]*seen{}
	for i, q := range out {
		if looks[q.File] == nil {
			clear(looks) // points come photo by photo
			k := slices.IndexFunc(s.Photos, func(p PhotoPlan) bool { return p.File == q.File })
			if k < 0 {
				continue
			}
			looks[q.File] = s.Photos[k].seen()
		}
		out[i].Class = mistaken(words[looks[q.File].at(q.X, q.Y)], rng)
	}
	return out
}
