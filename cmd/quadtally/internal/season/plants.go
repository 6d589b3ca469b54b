package season

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
	"quadtally/vision/classes"
	"quadtally/vision/raster"
)

// This file tells the plants of a trial apart: from the looks stored with each
// photo and the plants that people named, without reading a photo.

const (
	// scalePhotos is the most photos of a visit that its scale is taken from,
	// evenly spread: more change it by less than a feature's byte.
	scalePhotos = 64
	sortedLevel = 0.9 // of the ranges of single photos
)

// ParsePlantClass reads a class as a person writes it in this trial: a class of
// the plan is a kind of weed and needs no role.
func ParsePlantClass(t *trial.Trial, text string) (record.PlantClass, error) {
	if c, looksLike, ok := trial.FindClass(t.PlantClasses(), text); ok {
		return record.PlantClass{Name: c.Name, Role: string(classes.Weed)}, nil
	} else if looksLike.Name != "" {
		return record.PlantClass{}, fmt.Errorf("class %q is written like %q of the plan but in other letters: write it as there", text, looksLike.Name)
	}
	c, err := classes.ParseClass(text)
	return record.PlantClass{Name: c.Name, Role: string(c.Role)}, err
}

func classOf(c record.PlantClass) classes.Class {
	return classes.Class{Name: c.Name, Role: classes.Role(c.Role)}
}

// plantModel is what was learned for the photos of one visit.
type plantModel struct {
	classes  []classes.Class
	model    *classes.Model
	scale    *classes.Scale
	borrowed bool
	missed   []record.NamedPlant // on no green
}

// sortable are the photos of a visit whose green can be told apart.
func sortable(snap *record.Snapshot, visit int) []*record.Photo {
	var out []*record.Photo
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.Result != nil && p.Fault == "" && p.HasLooks && p.Place.Visit == visit {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b *record.Photo) int { return cmp.Compare(a.MeasurementID, b.MeasurementID) })
	return out
}

// loadLooks reads one photo's measurement with plane and looks, and its green at
// the threshold in force.
func (s *Season) loadLooks(ctx context.Context, p *record.Photo) (m vision.Measurement, g *classes.Green, err error) {
	stored, err := s.store.Measurement(ctx, p.MeasurementID)
	if err == nil {
		m, err = LoadMeasurement(stored)
	}
	if err == nil {
		g, err = m.Green(p.Result.Threshold)
	}
	if err != nil {
		err = fmt.Errorf("%s: %w", fileName(p.Path), err)
	}
	return m, g, err
}

// visitScale makes the photos of a visit comparable. Photos set aside have no
// part in it.
func (s *Season) visitScale(ctx context.Context, snap *record.Snapshot, visit int) (*classes.Scale, error) {
	list := slices.DeleteFunc(sortable(snap, visit), func(p *record.Photo) bool { return p.Rejected != "" })
	n := min(len(list), scalePhotos)
	looks, green := make([]*classes.Looks, n), make([]*classes.Green, n)
	err := inParallel(ctx, n, func(i int) error {
		m, g, err := s.loadLooks(ctx, list[(2*i+1)*len(list)/(2*n)])
		looks[i], green[i] = m.Looks, g
		return err
	})
	if err != nil {
		return nil, err
	}
	return classes.NewScale(looks, green), nil
}

// learnPlants learns the classes for the photos of a visit, from the plants
// named in it or, while these are few, from those of all visits.
// [classes.ErrFewNames] says that nothing can be told apart yet.
func (s *Season) learnPlants(ctx context.Context, snap *record.Snapshot, visit int) (*plantModel, error) {
	named, borrowed := snap.Names(visit)
	out := &plantModel{borrowed: borrowed}
	for _, n := range named {
		if c := classOf(n.Class); !slices.Contains(out.classes, c) {
			out.classes = append(out.classes, c)
		}
	}
	if len(out.classes) < 2 {
		return nil, classes.ErrFewNames
	}
	if err := sortClasses(out.classes); err != nil {
		return nil, err
	}
	scales := map[int]*classes.Scale{}
	scaleOf := func(visit int) (*classes.Scale, error) {
		if scales[visit] == nil {
			var err error
			if scales[visit], err = s.visitScale(ctx, snap, visit); err != nil {
				return nil, err
			}
		}
		return scales[visit], nil
	}
	var err error
	if out.scale, err = scaleOf(visit); err != nil {
		return nil, err
	}
	var photos []classes.Photo
	var names []classes.Name
	var of []record.NamedPlant
	at := map[string]int{}
	planes := map[string]*vision.Plane{}
	for _, n := range named {
		p, ok := snap.Photo(n.Hash)
		if !ok || p.Result == nil || p.Fault != "" || !p.HasLooks {
			continue
		}
		k, seen := at[n.Hash]
		if !seen {
			m, g, err := s.loadLooks(ctx, p)
			if err != nil {
				return nil, err
			}
			scale, err := scaleOf(p.Place.Visit)
			if err != nil {
				return nil, err
			}
			k = len(photos)
			at[n.Hash], planes[n.Hash] = k, m.Plane
			photos = append(photos, classes.Photo{Looks: m.Looks, Green: g, Scale: scale})
		}
		x, y, err := planes[n.Hash].Cell(raster.Point{X: n.X, Y: n.Y})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", fileName(p.Path), err)
		}
		names = append(names, classes.Name{Photo: k, X: x, Y: y, Class: slices.Index(out.classes, classOf(n.Class))})
		of = append(of, n)
	}
	if out.model, err = classes.Train(len(out.classes), photos, names, classes.DefaultTrainOptions()); err != nil {
		return nil, err
	}
	for _, i := range out.model.Missed {
		out.missed = append(out.missed, of[i])
	}
	return out, nil
}

// sortPlants tells the green of all photos apart whose sorting is out of date,
// visit by visit, and returns the newest snapshot.
func (s *Season) sortPlants(ctx context.Context, snap *record.Snapshot) (*record.Snapshot, error) {
	if len(snap.Named) == 0 {
		return snap, nil
	}
	changed := false
	for visit, rests := range snap.SortingRests() {
		photos := sortable(snap, visit)
		if !slices.ContainsFunc(photos, func(p *record.Photo) bool { return p.Sorting == nil }) {
			continue
		}
		model, err := s.learnPlants(ctx, snap, visit)
		if errors.Is(err, classes.ErrFewNames) {
			continue
		}
		if err != nil {
			return nil, err
		}
		sorted := make([]record.Sorting, len(photos))
		bar := s.opt.begin(len(photos), "telling plants apart")
		err = inParallel(ctx, len(photos), func(i int) (err error) {
			defer bar.Add(1)
			sorted[i], err = s.sortPhoto(ctx, snap, photos[i], model)
			return err
		})
		bar.Finish()
		if err != nil {
			return nil, err
		}
		_, err = s.store.WriteAs(ctx, record.EntryDerived, "photos", "plants told apart", func(tx *record.Tx) error {
			for i, p := range photos {
				if err := tx.SaveSorting(p.MeasurementID, rests, sorted[i]); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
		changed = true
	}
	if !changed {
		return snap, nil
	}
	return s.store.Snapshot(ctx)
}

// sortPhoto sorts the green of one photo.
func (s *Season) sortPhoto(ctx context.Context, snap *record.Snapshot, p *record.Photo, model *plantModel) (record.Sorting, error) {
	m, g, err := s.loadLooks(ctx, p)
	if err != nil {
		return record.Sorting{}, err
	}
	out := record.Sorting{Borrowed: model.borrowed}
	photo := classes.Photo{Looks: m.Looks, Green: g, Scale: model.scale}
	sorted := model.model.Classify(photo)
	pieces, err := m.PiecesByClass(p.Result.Threshold, vision.DefaultPieceOptions(), g, sorted)
	if err != nil {
		return out, fmt.Errorf("%s: %w", fileName(p.Path), err)
	}
	cover, err := m.Plane.CoverFrac(p.Result.Threshold)
	if err != nil {
		return out, err
	}
	mapped, mean, sure := sorted.Shares(g)
	solid, solidMean, ok := sorted.SolidShares(photo)
	if ok {
		out.Solid = &solid
	} else {
		solidMean = make([]float64, len(mean))
	}
	z := distuv.UnitNormal.Quantile(0.5 + sortedLevel/2)
	for c, class := range model.classes {
		lo, hi := sorted.CoverRange(photo, c, z)
		out.Classes = append(out.Classes, record.SortedClass{
			PlantClass: record.PlantClass{Name: class.Name, Role: string(class.Role)}, CoverFrac: cover * mapped[c],
			LoFrac: cover * min(lo, mapped[c]), HiFrac: cover * max(hi, mapped[c]), Mean: mean[c], SolidMean: solidMean[c], Pieces: pieces[c], Sure: sure[c],
			Named: model.model.Names[c], Learned: model.model.Learned(c)})
	}
	for _, n := range model.missed {
		if n.Hash == p.Hash {
			out.Missed = append(out.Missed, [2]float64{n.X, n.Y})
		}
	}
	for _, check := range snap.Checks {
		if check.Hash != p.Hash {
			continue
		}
		x, y, err := m.Plane.Cell(raster.Point{X: check.X, Y: check.Y})
		if err != nil {
			return out, err
		}
		said := record.SortedCheck{X: check.X, Y: check.Y}
		if b := g.At(m.Looks, int(math.Floor(x)), int(math.Floor(y))); b >= 0 && g.Cells[b] > 0 {
			said.Mapped = int(sorted.Class[b])
			for _, v := range sorted.Prob[b*sorted.Classes:][:sorted.Classes] {
				said.Prob = append(said.Prob, float64(v))
			}
		}
		out.Checks = append(out.Checks, said)
	}
	return out, nil
}

// PlantAsk is a plant that would teach most if it were named.
type PlantAsk struct {
	Photo        *record.Photo
	X, Y         float64 // pixels of the upright photo
	Best, Second record.PlantClass
	Margin       float64 // between their probabilities
}

// NextToName lists the plants of a visit that the sorting is least sure of, one
// in a photo at most.
func (s *Season) NextToName(ctx context.Context, snap *record.Snapshot, visit, n int) ([]PlantAsk, error) {
	model, err := s.learnPlants(ctx, snap, visit)
	if err != nil {
		return nil, err
	}
	photos := slices.DeleteFunc(sortable(snap, visit), func(p *record.Photo) bool { return !p.InUse() })
	type found struct {
		ask   classes.Ask
		at    raster.Point
		photo *record.Photo
	}
	asks := make([][]found, len(photos))
	err = inParallel(ctx, len(photos), func(i int) error {
		p := photos[i]
		m, g, err := s.loadLooks(ctx, p)
		if err != nil {
			return err
		}
		var avoid []classes.Place
		skip := func(x, y float64) {
			if cx, cy, err := m.Plane.Cell(raster.Point{X: x, Y: y}); err == nil {
				avoid = append(avoid, classes.Place{X: cx, Y: cy})
			}
		}
		for _, q := range snap.Named {
			if q.Hash == p.Hash {
				skip(q.X, q.Y)
			}
		}
		for _, q := range snap.Checks {
			if q.Hash == p.Hash {
				skip(q.X, q.Y)
			}
		}
		photo := []classes.Photo{{Looks: m.Looks, Green: g, Scale: model.scale}}
		for _, a := range classes.NextToName(photo, []*classes.Sorted{model.model.Classify(photo[0])}, avoid, 1) {
			asks[i] = append(asks[i], found{a, m.Plane.At(a.X, a.Y), p})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	all := slices.Concat(asks...)
	slices.SortStableFunc(all, func(a, b found) int { return cmp.Compare(a.ask.Margin, b.ask.Margin) })
	var out []PlantAsk
	for _, f := range all[:min(n, len(all))] {
		named := func(c int) record.PlantClass {
			return record.PlantClass{Name: model.classes[c].Name, Role: string(model.classes[c].Role)}
		}
		out = append(out, PlantAsk{f.photo, f.at.X, f.at.Y, named(f.ask.Best), named(f.ask.Second), f.ask.Margin})
	}
	return out, nil
}

// CheckSpot is a check point in a photo.
type CheckSpot struct {
	Photo *record.Photo
	X, Y  float64 // pixels of the upright photo
}

// DrawChecks draws check points at random from the green of a visit's photos in
// use, and stores them without a class. Nothing is learned for it: points stay
// valid whatever is named later.
func (s *Season) DrawChecks(ctx context.Context, snap *record.Snapshot, visit, n int, seed uint64) ([]CheckSpot, error) {
	var photos []*record.Photo
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() && p.Place.Visit == visit {
			photos = append(photos, p)
		}
	}
	if len(photos) == 0 {
		return nil, fmt.Errorf("no photo of visit %d is in use: there is nothing to check", visit)
	}
	slices.SortFunc(photos, func(a, b *record.Photo) int { return strings.Compare(a.Hash, b.Hash) })
	plane := func(i int) (*vision.Plane, uint8, error) {
		stored, err := s.store.Measurement(ctx, photos[i].MeasurementID)
		if err != nil {
			return nil, 0, err
		}
		stored.Looks = nil
		m, err := LoadMeasurement(stored)
		if err == nil && m.Plane == nil {
			err = errNoPlane
		}
		if err != nil {
			return nil, 0, fmt.Errorf("%s: %w", fileName(photos[i].Path), err)
		}
		least, err := m.Plane.LeastGreen(photos[i].Result.Threshold)
		return m.Plane, least, err
	}
	green := make([]classes.Photo, len(photos))
	err := inParallel(ctx, len(photos), func(i int) error {
		p, least, err := plane(i)
		if err != nil {
			return err
		}
		count := int32(0)
		for _, l := range p.Levels {
			if l >= least && l != classes.Outside {
				count++
			}
		}
		green[i] = classes.Photo{Looks: &classes.Looks{Width: p.Width}, Green: &classes.Green{Cells: []int32{count}}}
		return nil
	})
	if err != nil {
		return nil, err
	}
	places, err := classes.DrawChecks(func(i int) ([]uint8, uint8, error) {
		p, least, err := plane(i)
		if err != nil {
			return nil, 0, err
		}
		return p.Levels, least, nil
	}, green, n, seed)
	if err != nil {
		return nil, err
	}
	var out []CheckSpot
	planes := map[int]*vision.Plane{}
	for _, q := range places {
		if planes[q.Photo] == nil {
			clear(planes)
			if planes[q.Photo], _, err = plane(q.Photo); err != nil {
				return nil, err
			}
		}
		at := planes[q.Photo].At(q.X, q.Y)
		out = append(out, CheckSpot{photos[q.Photo], tenth(at.X), tenth(at.Y)})
	}
	_, err = s.store.WriteAs(ctx, record.EntryHand, "plants", fmt.Sprintf("%d check points drawn for visit %d", n, visit), func(tx *record.Tx) error {
		for _, c := range out {
			if _, err := tx.Decide(record.PhotoSubject(c.Photo.Hash), record.KindCheck, record.Check{X: c.X, Y: c.Y}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, s.Update(ctx) // what the sorting says at the points is part of it
}

var errNoPlane = errors.New("its greenness was not kept: measure it again")

// tenth rounds to a tenth of a pixel, as places are written in tables.
func tenth(v float64) float64 { return math.Round(10*v) / 10 }

// StoredSpots says what a file of named plants or answers changed.
type StoredSpots struct {
	New, Changed, Same int // spots of the file; Changed have another class than before
	Withdrawn          int // of the file's former version, not in it any more
	// Doubts are questions to the person: plants of two classes named in one
	// piece of green.
	Doubts []string
}

// StoreSpots is NamePlants or AnswerChecks.
type StoreSpots = func(ctx context.Context, snap *record.Snapshot, spots []PlantSpot, sheet, note string) (StoredSpots, error)

// NamePlants stores the named plants of a file and sorts their visits anew. They
// take the place of what a file of that name gave before. Refused whole are
// places outside their photo, photos that are not in the record, and two
// classes named at one spot, be it in the file or by an earlier word.
func (s *Season) NamePlants(ctx context.Context, snap *record.Snapshot, spots []PlantSpot, sheet, note string) (StoredSpots, error) {
	var out StoredSpots
	photos, sizes, err := s.photosOf(snap, spots)
	if err != nil {
		return out, err
	}
	if err := disagreeing(spots, photos, sizes, snap.Named, sheet); err != nil {
		return out, err
	}
	if out.Doubts, err = s.twoInOnePiece(ctx, spots, photos); err != nil {
		return out, err
	}
	at := func(hash string, x, y float64) func(record.NamedPlant) bool {
		return func(n record.NamedPlant) bool { return n.Hash == hash && n.X == x && n.Y == y }
	}
	type saying struct {
		subject string
		plant   record.Plant
	}
	var say []saying
	kept := map[int64]bool{}
	for i, q := range spots {
		v := record.Plant{X: q.X, Y: q.Y, Class: record.PlantClass{Name: q.Class.Name, Role: string(q.Class.Role)}, Sheet: sheet}
		subject := record.PhotoSubject(photos[i].Hash)
		if slices.Contains(say, saying{subject, v}) { // the same row twice
			out.Same++
			continue
		}
		if k := slices.IndexFunc(snap.Named, at(photos[i].Hash, q.X, q.Y)); k >= 0 {
			old := snap.Named[k]
			kept[old.Decision] = true
			if old.Class == v.Class && old.Sheet == sheet {
				out.Same++
				continue
			}
			if old.Class != v.Class {
				out.Changed++
			} else {
				out.Same++
			}
		} else {
			out.New++
		}
		say = append(say, saying{subject, v})
	}
	var gone []int64
	for _, n := range snap.Named {
		if n.Sheet == sheet && sheet != "" && !kept[n.Decision] {
			gone = append(gone, n.Decision)
		}
	}
	out.Withdrawn = len(gone)
	if len(say)+len(gone) == 0 {
		return out, nil
	}
	_, err = s.store.WriteAs(ctx, record.EntryHand, "plants", note, func(tx *record.Tx) error {
		for _, id := range gone {
			if err := tx.Undo(id); err != nil {
				return err
			}
		}
		for _, x := range say {
			if _, err := tx.Decide(x.subject, record.KindPlant, x.plant); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	return out, s.Update(ctx)
}

// oneSpot is how far apart two names are of one spot, in pixels: four, or a
// five-hundredth of the photo's long side where that is more.
func oneSpot(size [2]int) float64 { return max(4, float64(max(size[0], size[1]))/500) }

func twoClasses(r, q PlantSpot) error {
	return fmt.Errorf("%s and %s name one spot %s and %s: one of them is wrong; correct it", r.Where, q.Where, r.Class.Name, q.Class.Name)
}

// disagreeing refuses two classes at one spot: in two rows of a file, or in a
// row and an earlier word of another source. At the very place of an earlier
// word a row corrects it.
func disagreeing(spots []PlantSpot, photos []*record.Photo, sizes map[string][2]int, named []record.NamedPlant, sheet string) error {
	for i, q := range spots {
		near := oneSpot(sizes[photos[i].Hash])
		for k, r := range spots[:i] {
			if photos[k].Hash == photos[i].Hash && r.Class != q.Class && math.Hypot(r.X-q.X, r.Y-q.Y) <= near {
				return twoClasses(r, q)
			}
		}
		for _, n := range named {
			if n.Hash != photos[i].Hash || n.Sheet == sheet && sheet != "" || n.X == q.X && n.Y == q.Y {
				continue
			}
			if d := math.Hypot(n.X-q.X, n.Y-q.Y); classOf(n.Class) != q.Class && d <= near {
				from := "on the review page"
				if n.Sheet != "" {
					from = "in " + n.Sheet
				}
				return fmt.Errorf("%s names %s what was named %s %s at %.1f, %.1f: take that name back first (`quadtally undo`), or give its place to correct it", q.Where, q.Class.Name, n.Class.Name, from, n.X, n.Y)
			}
		}
	}
	return nil
}

// lobeAt is the lobe of green that a place in the upright photo names, as
// classes.Train understands it; -1 none.
func lobeAt(m *vision.Measurement, g *classes.Green, x, y float64) (int32, error) {
	cx, cy, err := m.Plane.Cell(raster.Point{X: x, Y: y})
	if err != nil {
		return -1, err
	}
	b := m.Looks.Nearest(g, cx, cy, classes.DefaultTrainOptions().Reach)
	if b < 0 {
		return -1, nil
	}
	return m.Looks.Lobe[b], nil
}

// twoInOnePiece asks about rows of different classes in one lobe of green: two
// plants that touch, or one of the rows is wrong.
func (s *Season) twoInOnePiece(ctx context.Context, spots []PlantSpot, photos []*record.Photo) ([]string, error) {
	var out []string
	rows := map[string][]int{}
	for i, p := range photos {
		rows[p.Hash] = append(rows[p.Hash], i)
	}
	for i, p := range photos {
		list := rows[p.Hash]
		if list[0] != i || len(list) < 2 || p.Result == nil || !p.HasLooks {
			continue
		}
		m, g, err := s.loadLooks(ctx, p)
		if err != nil {
			return nil, err
		}
		first := map[int32]int{}
		for _, k := range list {
			lobe, err := lobeAt(&m, g, spots[k].X, spots[k].Y)
			if err != nil {
				return nil, err
			}
			if lobe < 0 {
				continue
			}
			j, seen := first[lobe]
			if !seen {
				first[lobe] = k
			} else if spots[j].Class != spots[k].Class {
				out = append(out, fmt.Sprintf("%s and %s name %s and %s in one piece of green of %s: two plants that touch? If it is one plant, correct one of the rows and store the file again",
					spots[j].Where, spots[k].Where, spots[j].Class.Name, spots[k].Class.Name, fileName(p.Path)))
			}
		}
	}
	return out, nil
}

// AnswerChecks stores what people said at check points that were drawn before.
// A file takes the place of what a file of that name answered before, sheet
// being "" where there is no file; two answers to one point are refused.
func (s *Season) AnswerChecks(ctx context.Context, snap *record.Snapshot, spots []PlantSpot, sheet, note string) (StoredSpots, error) {
	var out StoredSpots
	photos, _, err := s.photosOf(snap, spots)
	if err != nil {
		return out, err
	}
	answers := map[int]record.Check{} // by check point
	row := map[int]PlantSpot{}
	var order []int
	for i, q := range spots {
		at := slices.IndexFunc(snap.Checks, func(c record.CheckPoint) bool {
			return c.Hash == photos[i].Hash && math.Abs(c.X-q.X) < 0.051 && math.Abs(c.Y-q.Y) < 0.051
		})
		if at < 0 {
			return out, fmt.Errorf("%s: no check point was drawn at %g, %g of %s: answer those that `quadtally plants --ask` wrote, and leave their places as they are", q.Where, q.X, q.Y, q.Photo)
		}
		if r, twice := row[at]; twice {
			if r.Class != q.Class {
				return out, fmt.Errorf("%s and %s answer one check point with %s and %s: one of them is wrong; correct it", r.Where, q.Where, r.Class.Name, q.Class.Name)
			}
			out.Same++
			continue
		}
		row[at] = q
		old := snap.Checks[at]
		class := record.PlantClass{Name: q.Class.Name, Role: string(q.Class.Role)}
		switch {
		case old.Class == nil:
			out.New++
		case *old.Class != class:
			out.Changed++
		default:
			out.Same++
			if old.Sheet == sheet {
				continue
			}
		}
		answers[at] = record.Check{X: old.X, Y: old.Y, Class: &class, Sheet: sheet}
		order = append(order, at)
	}
	var gone []int64
	for k, c := range snap.Checks {
		if _, given := row[k]; !given && c.Class != nil && c.Sheet == sheet && sheet != "" {
			gone = append(gone, c.Decision)
		}
	}
	out.Withdrawn = len(gone)
	if len(order)+len(gone) == 0 {
		return out, nil
	}
	_, err = s.store.WriteAs(ctx, record.EntryHand, "plants", note, func(tx *record.Tx) error {
		for _, id := range gone {
			if err := tx.Undo(id); err != nil {
				return err
			}
		}
		for _, k := range order {
			if _, err := tx.Decide(record.PhotoSubject(snap.Checks[k].Hash), record.KindCheck, answers[k]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	return out, s.Update(ctx)
}

// photosOf finds the measured photos of spots, and the size of each by its hash.
func (s *Season) photosOf(snap *record.Snapshot, spots []PlantSpot) (out []*record.Photo, size map[string][2]int, err error) {
	size = map[string][2]int{}
	for _, q := range spots {
		found, err := FindPhotos(snap, []string{q.Photo})
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", q.Where, err)
		}
		p := found[0]
		if p.MeasurementID == 0 || p.Fault != "" {
			return nil, nil, fmt.Errorf("%s: %s is not measured: nothing in it can be named", q.Where, fileName(p.Path))
		}
		wh, ok := size[p.Hash]
		if !ok {
			m, err := decode[vision.Measurement](p.Doc)
			if err != nil {
				return nil, nil, err
			}
			wh = [2]int{m.Width, m.Height}
			size[p.Hash] = wh
		}
		if !(q.X >= 0 && q.Y >= 0 && q.X <= float64(wh[0]) && q.Y <= float64(wh[1])) {
			return nil, nil, fmt.Errorf("%s: %g, %g lies outside %s, which is %d x %d pixels upright", q.Where, q.X, q.Y, fileName(p.Path), wh[0], wh[1])
		}
		out = append(out, p)
	}
	return out, size, nil
}

// PlantVisit is how far the plants of a visit can be told apart.
type PlantVisit struct {
	Visit    int            `json:"visit"`
	Photos   int            `json:"photos"`        // in use
	Sorted   int            `json:"photos_sorted"` // whose green is told apart
	NoLooks  int            `json:"photos_without_looks,omitempty"`
	Named    map[string]int `json:"named"` // in it, by class
	Borrowed bool           `json:"learned_from_other_visits,omitempty"`
	// Sure is the mean probability of the class that green was sorted into.
	Sure   float64                `json:"sure"`
	Drawn  int                    `json:"check_points"`
	Done   int                    `json:"check_points_answered"`
	Lacks  []record.PlantsLacking `json:"lacks,omitempty"`
	Missed []string               `json:"named_on_no_green,omitempty"`
}

// PlantVisits tells of every visit that has photos in use, named plants or check
// points how far its plants can be told apart.
func PlantVisits(snap *record.Snapshot) []PlantVisit {
	at := map[int]*PlantVisit{}
	weight := map[int]float64{}
	of := func(visit int) *PlantVisit {
		if at[visit] == nil {
			at[visit] = &PlantVisit{Visit: visit, Named: map[string]int{}, Lacks: snap.PlantsLack(visit)}
		}
		return at[visit]
	}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if !p.InUse() {
			continue
		}
		v := of(p.Place.Visit)
		v.Photos++
		if !p.HasLooks {
			v.NoLooks++
		}
		if p.Sorting == nil {
			continue
		}
		v.Sorted++
		v.Borrowed = p.Sorting.Borrowed
		for _, at := range p.Sorting.Missed {
			v.Missed = append(v.Missed, fmt.Sprintf("%s at %.0f, %.0f", fileName(p.Path), at[0], at[1]))
		}
		for _, c := range p.Sorting.Classes {
			v.Sure += c.CoverFrac * c.Sure
			weight[v.Visit] += c.CoverFrac
		}
	}
	for _, n := range snap.Named {
		if p, ok := snap.Photo(n.Hash); ok && p.Place.Visit > 0 {
			of(p.Place.Visit).Named[n.Class.Name]++
		}
	}
	for _, c := range snap.Checks {
		if p, ok := snap.Photo(c.Hash); ok && p.Place.Visit > 0 {
			of(p.Place.Visit).Drawn++
			if c.Class != nil {
				of(p.Place.Visit).Done++
			}
		}
	}
	var out []PlantVisit
	for _, v := range slices.Sorted(maps.Keys(at)) {
		if weight[v] > 0 {
			at[v].Sure /= weight[v]
		}
		out = append(out, *at[v])
	}
	return out
}

// NamedAt lists the decisions that named the plant at a place before: the names
// in the same lobe of green, or in the same patch where looks are not kept.
func NamedAt(snap *record.Snapshot, p *record.Photo, m *vision.Measurement, x, y float64) ([]int64, error) {
	var g *classes.Green
	here := int32(-1)
	if m.Looks != nil {
		var err error
		if g, err = m.Green(p.Result.Threshold); err != nil {
			return nil, err
		}
		if here, err = lobeAt(m, g, x, y); err != nil {
			return nil, err
		}
	}
	var ring [][2]float64
	cx, cy, err := m.Plane.Cell(raster.Point{X: x, Y: y})
	if err != nil {
		return nil, err
	}
	if points, err := m.Plane.Patch(p.Result.Threshold, int(cx), int(cy)); err == nil {
		for _, q := range points {
			ring = append(ring, [2]float64{q.X, q.Y})
		}
	}
	var out []int64
	for _, n := range snap.Named {
		if n.Hash != p.Hash {
			continue
		}
		same := contains(ring, [2]float64{n.X, n.Y})
		if g != nil {
			there, err := lobeAt(m, g, n.X, n.Y)
			if err != nil {
				return nil, err
			}
			same = here >= 0 && here == there
		}
		if same {
			out = append(out, n.Decision)
		}
	}
	return out, nil
}
