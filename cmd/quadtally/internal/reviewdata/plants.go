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

// pageClasses are the classes of the page by role.
var pageClasses = map[string]review.Class{string(classes.Weed): review.Weed, string(classes.Crop): review.Crop,
	string(classes.Regrowth): review.Regrowth, string(classes.NotPlant): review.NotPlant}

// classOfPage is a class as the record stores it.
func classOfPage(c review.Class) (record.PlantClass, error) {
	for role, class := range pageClasses {
		if class == c {
			return record.PlantClass{Name: role, Role: role}, nil
		}
	}
	return record.PlantClass{}, review.Refusal{Text: fmt.Sprintf("a plant cannot be named %q", c)}
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
	class, err := classOfPage(act.Class)
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
	return "a plant named " + string(act.Class), func(tx *record.Tx) error {
		for _, id := range old {
			if err := tx.Undo(id); err != nil {
				return err
			}
		}
		_, err := tx.Decide(record.PhotoSubject(p.Hash), record.KindPlant, record.Plant{X: at.X, Y: at.Y, Class: class})
		return err
	}, nil
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
		r := namedRing{class: pageClasses[n.Class.Role]}
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
	asks, err := b.season.NextToName(ctx, snap, visit, 2)
	if errors.Is(err, classes.ErrFewNames) {
		return review.PlantSpot{}, review.Refusal{Text: "name a plant of two classes at least first: then the page can ask about those it is least sure of"}
	}
	if err != nil {
		return review.PlantSpot{}, err
	}
	// Never the same photo twice running.
	asks = slices.DeleteFunc(asks, func(a season.PlantAsk) bool { return a.Photo.Hash == after && len(asks) > 1 })
	if len(asks) == 0 {
		return review.PlantSpot{}, review.Refusal{Text: "no plant of this visit is left to ask about: photos measured before plants were named are measured again by `quadtally photos`"}
	}
	return b.spot(ctx, asks[0].Photo, asks[0].X, asks[0].Y)
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
	b.acting.Lock()
	defer b.acting.Unlock()
	defer b.reread()
	if b.store.ReadOnly() {
		return review.ErrReadOnly
	}
	b.reread()
	snap, err := b.snapshot(ctx)
	if err != nil {
		return err
	}
	_, err = b.season.DrawChecks(ctx, snap, visit, n, uint64(snap.Entry))
	return refusal(err)
}

// AnswerCheck stores what a person says at a check point.
func (b *Backend) AnswerCheck(ctx context.Context, hash string, x, y float64, class review.Class) error {
	b.acting.Lock()
	defer b.acting.Unlock()
	defer b.reread()
	if b.store.ReadOnly() {
		return review.ErrReadOnly
	}
	b.reread()
	snap, _, err := b.find(ctx, hash)
	if err != nil {
		return err
	}
	c, err := classOfPage(class)
	if err != nil {
		return err
	}
	_, err = b.season.AnswerChecks(ctx, snap, []season.PlantSpot{{Where: "the page", Photo: hash, X: x, Y: y,
		Class: classes.Class{Name: c.Name, Role: classes.Role(c.Role)}}}, "", "a check point answered")
	return refusal(err)
}
