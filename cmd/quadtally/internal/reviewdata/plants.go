package reviewdata

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/vision"
	"quadtally/vision/classes"
	"quadtally/vision/raster"
)

// pageRoles are the roles of the page.
var pageRoles = map[classes.Role]review.Class{classes.Weed: review.Weed, classes.Crop: review.Crop,
	classes.Regrowth: review.Regrowth, classes.NotPlant: review.NotPlant}

// pageMarks are the classes of marked patches, as the page names them.
var pageMarks = map[string]review.Class{season.MarkWeed: review.Weed, season.MarkCrop: review.Crop,
	season.MarkRegrowth: review.Regrowth, season.MarkNoPlant: review.NotPlant}

// markOf is a class as a mark stores it.
func markOf(c review.Class) string {
	for mark, class := range pageMarks {
		if class == c {
			return mark
		}
	}
	return ""
}

// onPage is a class of the record as the page names it.
func onPage(c record.PlantClass) review.Class {
	role := pageRoles[classes.Role(c.Role)]
	if c.Name == "" || c.Name == c.Role {
		return role
	}
	return review.KindOf(role, c.Name)
}

// plantClasses are the classes a plant of the trial can be named as: the roles,
// the kinds of weed of the plan, and whatever was named so before.
func plantClasses(snap *record.Snapshot) []review.PlantClass {
	var kinds []review.Class
	add := func(c record.PlantClass) {
		if k := onPage(c); k != pageRoles[classes.Role(c.Role)] && !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	for _, c := range snap.Trial.PlantClasses() {
		add(record.PlantClass{Name: c.Name, Role: string(classes.Weed)})
	}
	for _, n := range snap.Named {
		add(n.Class)
	}
	for _, c := range snap.Checks {
		if c.Class != nil {
			add(*c.Class)
		}
	}
	return review.PlantClasses(kinds)
}

// classOfPage is a class as the record stores it.
func classOfPage(snap *record.Snapshot, c review.Class) (record.PlantClass, error) {
	role, kind := c.Split()
	for stored, onPage := range pageRoles {
		if onPage != role {
			continue
		}
		if kind == "" {
			return record.PlantClass{Name: string(stored), Role: string(stored)}, nil
		}
		if slices.ContainsFunc(plantClasses(snap), func(p review.PlantClass) bool { return p.Class == c }) {
			return record.PlantClass{Name: kind, Role: string(stored)}, nil
		}
	}
	return record.PlantClass{}, review.Refusal{Text: fmt.Sprintf("a plant cannot be named %q", c)}
}

// sorter is what was learned of a visit, and all that rests on.
type sorter struct {
	rests string
	by    *season.PlantSorter
}

// Sorted tells the green of a photo apart by the plants named so far.
func (b *Backend) Sorted(ctx context.Context, hash string) (review.Sorted, error) {
	snap, p, err := b.find(ctx, hash)
	if err != nil || len(snap.Named) == 0 || p.Result == nil {
		return review.Sorted{}, err
	}
	visit, rests := p.Place.Visit, snap.SortingRests()[p.Place.Visit]
	b.mu.Lock()
	s := b.sorters[visit]
	b.mu.Unlock()
	if s.by == nil || s.rests != rests {
		by, err := b.season.PlantSorter(ctx, snap, visit)
		if errors.Is(err, classes.ErrFewNames) {
			return review.Sorted{}, nil
		}
		if err != nil {
			return review.Sorted{}, err
		}
		s = sorter{rests, by}
		b.mu.Lock()
		b.sorters[visit] = s
		b.mu.Unlock()
	}
	cells, of, err := b.season.SortedCells(ctx, p, s.by)
	out := review.Sorted{Cells: cells}
	for _, c := range of {
		out.Classes = append(out.Classes, onPage(c))
	}
	return out, err
}

// planName names the plant at a spot. A plant that was named already gets the
// new name in place of the old one.
func (b *Backend) planName(ctx context.Context, snap *record.Snapshot, p *record.Photo, act review.Mark) (string, func(*record.Tx) error, error) {
	m, err := b.measuredPlane(ctx, p)
	if err != nil {
		return "", nil, err
	}
	if p.Result == nil {
		return "", nil, errNotMeasured
	}
	class, err := classOfPage(snap, act.Class)
	if err != nil {
		return "", nil, err
	}
	x, y := int(act.At[0]*float64(m.Plane.Width)), int(act.At[1]*float64(m.Plane.Height))
	if _, err := m.Plane.Patch(p.Result.Threshold, x, y); err != nil {
		return "", nil, refusal(err)
	}
	at := m.Plane.At(float64(x)+0.5, float64(y)+0.5)
	old, err := season.NamedAt(snap, p, &m, at.X, at.Y)
	if err != nil {
		return "", nil, err
	}
	return "a plant named " + wordsOf(class), func(tx *record.Tx) error {
		for _, id := range old {
			if err := tx.Undo(id); err != nil {
				return err
			}
		}
		_, err := tx.Decide(record.PhotoSubject(p.Hash), record.KindPlant, record.Plant{X: at.X, Y: at.Y, Class: class})
		return err
	}, nil
}

// wordsOf are a class as people read it.
func wordsOf(c record.PlantClass) string {
	for _, p := range review.PlantClasses([]review.Class{onPage(c)}) {
		if p.Class == onPage(c) {
			return p.Name
		}
	}
	return c.Name
}

// namedRing is what is drawn of a named plant, in pixels of the upright photo:
// the outline of its green or, where other plants may touch it, a ring around
// the place that was pointed at.
type namedRing struct {
	class review.Class
	ring  [][2]float64
}

// ringCells is the radius of that ring in cells of the plane.
const ringCells = 12

func namedRings(snap *record.Snapshot, hash string, m *vision.Measurement) ([]namedRing, error) {
	p, ok := snap.Photo(hash)
	if !ok || p.Result == nil {
		return nil, nil
	}
	var green *classes.Green
	lobes := map[int32]int{} // of each piece
	if m.Looks != nil {
		var err error
		if green, err = m.Green(p.Result.Threshold); err != nil {
			return nil, err
		}
		for _, piece := range m.Looks.LobePiece {
			lobes[piece]++
		}
	}
	var out []namedRing
	for _, n := range snap.Named {
		if n.Hash != hash || n.Patch {
			continue
		}
		x, y, err := m.Plane.Cell(raster.Point{X: n.X, Y: n.Y})
		if err != nil {
			return nil, err
		}
		points, err := m.Plane.Patch(p.Result.Threshold, int(x), int(y))
		alone := err == nil
		if alone && green != nil {
			b := green.At(m.Looks, int(x), int(y))
			alone = b >= 0 && lobes[m.Looks.LobePiece[m.Looks.Lobe[b]]] == 1
		}
		if !alone {
			points = points[:0]
			for k := range 24 {
				a := 2 * math.Pi * float64(k) / 24
				points = append(points, m.Plane.At(x+ringCells*math.Cos(a), y+ringCells*math.Sin(a)))
			}
		}
		r := namedRing{class: onPage(n.Class)}
		for _, q := range points {
			r.ring = append(r.ring, [2]float64{q.X, q.Y})
		}
		out = append(out, r)
	}
	return out, nil
}

// sortedWords says how the green of a photo is told apart.
func sortedWords(p *record.Photo) []string {
	if p.Sorting == nil {
		return nil
	}
	var parts []string
	for _, c := range p.Sorting.Classes {
		parts = append(parts, fmt.Sprintf("%s %.1f %%", c.Name, 100*c.CoverFrac))
	}
	return []string{"Sorted by the plants named: " + strings.Join(parts, ", ") + " of the ground. Check points correct this for all photos of a visit together."}
}

// NextPlant is the plant of a visit that a name would teach most.
func (b *Backend) NextPlant(ctx context.Context, visit int, after string) (review.PlantSpot, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return review.PlantSpot{}, err
	}
	asks, err := b.season.NextToName(ctx, snap, visit, len(snap.Photos))
	if errors.Is(err, classes.ErrFewNames) {
		return review.PlantSpot{}, review.Refusal{Text: "name a plant of two classes at least first: then the page can ask about those it is least sure of"}
	}
	if err != nil {
		return review.PlantSpot{}, err
	}
	if len(asks) == 0 {
		return review.PlantSpot{}, review.Refusal{Text: "no plant of this visit is left to ask about: photos measured before plants were named are measured again by `quadtally photos`"}
	}
	ask := b.nextAsk(visit, after, asks)
	return b.spot(ctx, ask.Photo, ask.X, ask.Y)
}

// nextAsk takes the first plant that lies in a photo not asked about in this
// run. Once every photo was, a second round begins, not with the last photo.
func (b *Backend) nextAsk(visit int, after string, asks []season.PlantAsk) season.PlantAsk {
	b.mu.Lock()
	defer b.mu.Unlock()
	asked := b.asked[visit]
	i := slices.IndexFunc(asks, func(a season.PlantAsk) bool { return !asked[a.Photo.Hash] && a.Photo.Hash != after })
	if i < 0 {
		asked = nil
		i = max(0, slices.IndexFunc(asks, func(a season.PlantAsk) bool { return a.Photo.Hash != after }))
	}
	if asked == nil {
		asked = map[string]bool{}
		b.asked[visit] = asked
	}
	asked[asks[i].Photo.Hash] = true
	return asks[i]
}

// spot turns a place in a photo into one of the straight view.
func (b *Backend) spot(ctx context.Context, p *record.Photo, x, y float64) (review.PlantSpot, error) {
	m, err := b.measuredPlane(ctx, p)
	if err != nil {
		return review.PlantSpot{}, err
	}
	cx, cy, err := m.Plane.Cell(raster.Point{X: x, Y: y})
	if err != nil {
		return review.PlantSpot{}, err
	}
	return review.PlantSpot{Hash: p.Hash, Name: filepath.Base(p.Path), X: x, Y: y,
		At: review.XY{cx / float64(m.Plane.Width), cy / float64(m.Plane.Height)}}, nil
}

// NextCheck is a check point of a visit that nobody has answered. The photos
// are gone through in no order that tells a treatment. Nothing of what the
// sorting says of it is given.
func (b *Backend) NextCheck(ctx context.Context, visit int) (review.PlantSpot, int, int, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return review.PlantSpot{}, 0, 0, err
	}
	var open []record.CheckPoint
	all := 0
	for _, c := range snap.Checks {
		p, ok := snap.Photo(c.Hash)
		if !ok || p.Place.Visit != visit || !p.InUse() {
			continue
		}
		all++
		if c.Class == nil {
			open = append(open, c)
		}
	}
	if len(open) == 0 {
		return review.PlantSpot{}, all, all, nil
	}
	p, _ := snap.Photo(open[0].Hash)
	spot, err := b.spot(ctx, p, open[0].X, open[0].Y)
	return spot, all - len(open), all, err
}

// DrawChecks draws check points in a visit.
func (b *Backend) DrawChecks(ctx context.Context, visit, n int) error {
	end, err := b.begin()
	if err != nil {
		return err
	}
	defer end()
	snap, err := b.snapshot(ctx)
	if err != nil {
		return err
	}
	_, err = b.season.DrawChecks(ctx, snap, visit, n, uint64(snap.Entry))
	return refusal(err)
}

// AnswerCheck stores what a person says at a check point.
func (b *Backend) AnswerCheck(ctx context.Context, hash string, x, y float64, class review.Class) error {
	end, err := b.begin()
	if err != nil {
		return err
	}
	defer end()
	snap, _, err := b.find(ctx, hash)
	if err != nil {
		return err
	}
	c, err := classOfPage(snap, class)
	if err != nil {
		return err
	}
	_, err = b.season.AnswerChecks(ctx, snap, []season.PlantSpot{{Where: "the page", Photo: hash, X: x, Y: y,
		Class: classes.Class{Name: c.Name, Role: classes.Role(c.Role)}}}, "", "a check point answered")
	return refusal(err)
}
