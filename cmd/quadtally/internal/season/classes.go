package season

import (
	"errors"
	"fmt"
	"image"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
	"quadtally/vision/classes"
	"quadtally/vision/raster"
)

// PlantSpot is a place in a photo and what a person says stands there: a plant
// that is named, or a check point that is answered.
type PlantSpot struct {
	Where string  // file and row, for messages
	Photo string  // path or file name
	X, Y  float64 // pixels of the upright photo
	Class classes.Class
}

// ClassifyOptions are the settings of LooseClasses.
type ClassifyOptions struct {
	Train classes.TrainOptions
	// Level is that of every range.
	Level float64
}

// LooseClasses are the plants of loose photos told apart.
type LooseClasses struct {
	Classes []classes.Class
	// Named is the number of plants named of each class, Learned whether that
	// was enough.
	Named   []int
	Learned []bool
	// Notes say what could not be used, and what is missing.
	Notes []string

	loose  *Loose
	opt    ClassifyOptions
	index  []int // of the photos below, in Loose.Photos
	number map[int]int
	photos []classes.Photo
	sorted []*classes.Sorted // nil where nothing was named
}

// ClassCover is one class in one photo.
type ClassCover struct {
	Class classes.Class
	Code  uint8 // in pictures
	// CoverFrac is the share of the ground under green sorted into the class;
	// Low and High follow from the probabilities alone.
	CoverFrac, Low, High float64
	Pieces               int
	Sure                 float64 // mean probability of the green sorted into it
}

// GreenOnly takes the green of loose photos without telling it apart: enough
// to draw check points from. The photos were measured with their looks kept.
func (l *Loose) GreenOnly() (*LooseClasses, error) {
	t := &LooseClasses{loose: l, number: map[int]int{}}
	visits := map[string][]int{}
	for i, p := range l.Photos {
		if p.Result == nil {
			continue
		}
		m, err := l.planes.complete(i, *p.Measurement)
		if err != nil {
			return nil, err
		}
		g, err := m.Green(p.Result.Threshold.Value)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.Path, err)
		}
		k := len(t.photos)
		t.number[i] = k
		t.index = append(t.index, i)
		t.photos = append(t.photos, classes.Photo{Looks: m.Looks, Green: g})
		v := l.visit(i)
		visits[v] = append(visits[v], k)
	}
	for _, members := range visits {
		var looks []*classes.Looks
		var green []*classes.Green
		for _, k := range members {
			looks, green = append(looks, t.photos[k].Looks), append(green, t.photos[k].Green)
		}
		s := classes.NewScale(looks, green)
		for _, k := range members {
			t.photos[k].Scale = s
		}
	}
	return t, nil
}

// visit is the camera date of a photo.
func (l *Loose) visit(i int) string { return intake.DayOf(l.Photos[i].Facts.Taken).String() }

// Classify learns classes from named plants and sorts the green of all
// photos. Names in photos that are not among them are left out, and said.
func (l *Loose) Classify(named []PlantSpot, opt ClassifyOptions) (*LooseClasses, error) {
	t, err := l.GreenOnly()
	if err != nil {
		return nil, err
	}
	t.opt = opt
	for _, s := range named {
		if !slices.Contains(t.Classes, s.Class) {
			t.Classes = append(t.Classes, s.Class)
		}
	}
	if err := sortClasses(t.Classes); err != nil {
		return nil, err
	}
	var names []classes.Name
	var rows []PlantSpot
	absent := 0
	visited := map[string]bool{}
	in := map[int][]PlantSpot{}
	for _, s := range named {
		i, err := l.find(s.Photo)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Where, err)
		}
		k, ok := t.number[i]
		if i < 0 || !ok {
			absent++
			continue
		}
		x, y, err := t.cell(k, s)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Where, err)
		}
		m := l.Photos[i].Measurement
		for _, r := range in[k] {
			if r.Class != s.Class && math.Hypot(r.X-s.X, r.Y-s.Y) <= oneSpot([2]int{m.Width, m.Height}) {
				return nil, twoClasses(r, s)
			}
		}
		in[k] = append(in[k], s)
		names = append(names, classes.Name{Photo: k, X: x, Y: y, Class: slices.Index(t.Classes, s.Class)})
		rows = append(rows, s)
		visited[l.visit(i)] = true
	}
	if absent > 0 {
		t.note("%d of %d named plants lie in photos that are not among those measured, and teach nothing", absent, len(named))
	}
	model, err := classes.Train(len(t.Classes), t.photos, names, opt.Train)
	if errors.Is(err, classes.ErrFewNames) && absent > 0 {
		return nil, fmt.Errorf("%d of %d named plants lie in photos that are not among those measured: give these photos too, or name plants in those given (%w)", absent, len(named), err)
	}
	if err != nil {
		return nil, err
	}
	t.Named = model.Names
	for _, i := range model.Missed {
		t.note("%s: no green at %.0f, %.0f of %s: point at the plant itself", rows[i].Where, rows[i].X, rows[i].Y, filepath.Base(rows[i].Photo))
	}
	for c, k := range t.Classes {
		t.Learned = append(t.Learned, model.Learned(c))
		if !model.Learned(c) {
			t.note("%s was named %d times, too few beside the others: name %d at least to have it told apart", k.Name, t.Named[c], opt.Train.LeastNames)
		}
	}
	for _, i := range t.index {
		if v := l.visit(i); !visited[v] {
			visited[v] = true
			t.note("no plant is named in the photos of %s: they are sorted by those of other days", day(v))
		}
	}
	for _, p := range t.photos {
		t.sorted = append(t.sorted, model.Classify(p))
	}
	return t, nil
}

// mostClasses fit into the grey values of pictures.
const mostClasses = 250

// sortClasses puts classes in order: by role, that of the role as a whole first,
// then by name.
func sortClasses(list []classes.Class) error {
	roles := classes.Roles()
	slices.SortFunc(list, func(a, b classes.Class) int {
		if d := slices.Index(roles, a.Role) - slices.Index(roles, b.Role); d != 0 {
			return d
		}
		if own := string(a.Role); (a.Name == own) != (b.Name == own) {
			if a.Name == own {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Name, b.Name)
	})
	if len(list) > mostClasses {
		return fmt.Errorf("%d classes are named: %d at most can be told apart", len(list), mostClasses)
	}
	return nil
}

func day(v string) string {
	if v == "" {
		return "no date"
	}
	return v
}

func (t *LooseClasses) note(format string, args ...any) {
	t.Notes = append(t.Notes, fmt.Sprintf(format, args...))
}

// find is the index of a photo by its path, or by its name where only one has
// it; -1 for none.
func (l *Loose) find(name string) (int, error) {
	at := -1
	for i, p := range l.Photos {
		if p.Path == name {
			return i, nil
		}
	}
	for i, p := range l.Photos {
		if filepath.Base(p.Path) == filepath.Base(name) {
			if at >= 0 {
				return -1, fmt.Errorf("two photos are called %s: write the path of the one that is meant", filepath.Base(name))
			}
			at = i
		}
	}
	return at, nil
}

// cell is a spot's place on the plane of photo k.
func (t *LooseClasses) cell(k int, s PlantSpot) (x, y float64, err error) {
	i := t.index[k]
	m, err := t.loose.planes.complete(i, *t.loose.Photos[i].Measurement)
	if err != nil {
		return 0, 0, err
	}
	if !(s.X >= 0 && s.Y >= 0 && s.X <= float64(m.Width) && s.Y <= float64(m.Height)) {
		return 0, 0, fmt.Errorf("%g, %g lies outside %s, which is %d x %d pixels upright", s.X, s.Y, filepath.Base(s.Photo), m.Width, m.Height)
	}
	return m.Plane.Cell(raster.Point{X: s.X, Y: s.Y})
}

// Code is the grey value of a class in pictures.
func Code(class int) uint8 { return uint8(class + 1) }

// Photo gives the classes of photo i of Loose.Photos; nil where it was not
// measured.
func (t *LooseClasses) Photo(i int) ([]ClassCover, error) {
	k, ok := t.number[i]
	if !ok {
		return nil, nil
	}
	p := t.loose.Photos[i]
	m, err := t.loose.planes.complete(i, *p.Measurement)
	if err != nil {
		return nil, err
	}
	s, g := t.sorted[k], t.photos[k].Green
	pieces, err := m.PiecesByClass(p.Result.Threshold.Value, vision.DefaultPieceOptions(), g, s)
	if err != nil {
		return nil, err
	}
	mapped, _, sure := s.Shares(g)
	cover := p.Result.CoverFrac
	z := distuv.UnitNormal.Quantile(0.5 + t.opt.Level/2)
	var out []ClassCover
	for c, class := range t.Classes {
		lo, hi := s.CoverRange(t.photos[k], c, z)
		out = append(out, ClassCover{Class: class, Code: Code(c), CoverFrac: cover * mapped[c],
			Low: cover * min(lo, mapped[c]), High: cover * max(hi, mapped[c]), Pieces: pieces[c], Sure: sure[c]})
	}
	return out, nil
}

// Picture draws the classes of photo i in its upright size, nil where it was
// not measured.
func (t *LooseClasses) Picture(i int) (*image.Gray, error) {
	k, ok := t.number[i]
	if !ok {
		return nil, nil
	}
	p := t.loose.Photos[i]
	m, err := t.loose.planes.complete(i, *p.Measurement)
	if err != nil {
		return nil, err
	}
	code := make([]uint8, len(t.Classes))
	for c := range code {
		code[c] = Code(c)
	}
	return vision.ClassPicture(m, p.Result.Threshold.Value, t.photos[k].Green, t.sorted[k], code)
}

// Checks draws check points from the green of all photos.
func (t *LooseClasses) Checks(n int, seed uint64) ([]PlantSpot, error) {
	plane := func(k int) (*vision.Plane, error) {
		i := t.index[k]
		m, err := t.loose.planes.complete(i, *t.loose.Photos[i].Measurement)
		return m.Plane, err
	}
	levels := func(k int) ([]uint8, uint8, error) {
		p, err := plane(k)
		if err != nil {
			return nil, 0, err
		}
		least, err := p.LeastGreen(t.loose.Photos[t.index[k]].Result.Threshold.Value)
		return p.Levels, least, err
	}
	places, err := classes.DrawChecks(levels, t.photos, n, seed)
	if err != nil {
		return nil, err
	}
	var out []PlantSpot
	for _, q := range places {
		p, err := plane(q.Photo)
		if err != nil {
			return nil, err
		}
		at := p.At(q.X, q.Y)
		out = append(out, PlantSpot{Photo: t.loose.Photos[t.index[q.Photo]].Path, X: at.X, Y: at.Y})
	}
	return out, nil
}

// TotalCover is the cover of a class or a role over the ground of all photos.
type TotalCover struct {
	Name                 string
	Role                 classes.Role
	CoverFrac, Low, High float64
	calibrate.ClassShare // of the green
}

// Total estimates the cover of each role, and of each class under a role, over
// all photos from answered check points that were drawn from these photos.
// Photos count by the cells of their planes, as check points are drawn.
func (t *LooseClasses) Total(answers []PlantSpot) ([]TotalCover, *calibrate.ClassShares, []string, error) {
	all := slices.Clone(t.Classes)
	for _, s := range answers {
		if !slices.Contains(all, s.Class) {
			all = append(all, s.Class)
		}
	}
	var ground, green float64
	greenOf := make([]float64, len(t.photos))
	meanOf := make([]float64, len(all))
	for k, p := range t.photos {
		g := float64(p.Green.Total())
		ground += float64(p.Green.All)
		green += g
		greenOf[k] = g
		_, mean, _ := t.sorted[k].Shares(p.Green)
		for c, v := range mean {
			meanOf[c] += g * v
		}
	}
	if green == 0 {
		return nil, nil, nil, errors.New("the photos hold no green: there is nothing to check")
	}
	var points []calibrate.CheckPoint
	inPhoto := make([]int, len(t.photos))
	off := 0
	for _, s := range answers {
		i, err := t.loose.find(s.Photo)
		if err != nil {
			return nil, nil, nil, fmt.Errorf("%s: %w", s.Where, err)
		}
		k, ok := t.number[i]
		if i < 0 || !ok {
			return nil, nil, nil, fmt.Errorf("%s: %s is not among the photos measured: give all photos that the check points were drawn from", s.Where, s.Photo)
		}
		x, y, err := t.cell(k, s)
		if err != nil {
			return nil, nil, nil, fmt.Errorf("%s: %w", s.Where, err)
		}
		b := t.photos[k].Green.At(t.photos[k].Looks, int(math.Floor(x)), int(math.Floor(y)))
		if b < 0 || t.photos[k].Green.Cells[b] == 0 {
			off++
			continue
		}
		inPhoto[k]++
		p := calibrate.CheckPoint{Prob: make([]float64, len(all)), Mapped: int(t.sorted[k].Class[b]), Answer: slices.Index(all, s.Class)}
		for c := range t.Classes {
			p.Prob[c] = float64(t.sorted[k].Prob[b*len(t.Classes)+c])
		}
		points = append(points, p)
	}
	var notes []string
	if off > 0 {
		notes = append(notes, fmt.Sprintf("%d check points lie where no green is seen now and are left out", off))
	}
	if err := spreadLike(inPhoto, greenOf, len(points)); err != nil {
		return nil, nil, nil, err
	}
	for c := range meanOf {
		meanOf[c] /= green
	}
	whole := func(groups [][]int) (*calibrate.ClassShares, error) {
		m := calibrate.Mapped{Name: "all photos", Green: green / ground, Mean: make([]float64, len(groups))}
		to := make([]int, len(all))
		for j, g := range groups {
			for _, c := range g {
				m.Mean[j] += meanOf[c]
				to[c] = j
			}
		}
		merged := make([]calibrate.CheckPoint, len(points))
		for i, p := range points {
			q := calibrate.CheckPoint{Prob: make([]float64, len(groups)), Mapped: to[p.Mapped], Answer: to[p.Answer]}
			for c, v := range p.Prob {
				q.Prob[to[c]] += v
			}
			merged[i] = q
		}
		return calibrate.NewClassShares(m, merged, t.opt.Level)
	}
	byRole := map[classes.Role][]int{}
	for c, k := range all {
		byRole[k.Role] = append(byRole[k.Role], c)
	}
	var groups [][]int
	var out []TotalCover
	add := func(name string, role classes.Role, s calibrate.ClassShare) {
		f := green / ground
		out = append(out, TotalCover{Name: name, Role: role, CoverFrac: f * s.Share, Low: f * s.Low, High: f * s.High, ClassShare: s})
	}
	roles := slices.DeleteFunc(classes.Roles(), func(r classes.Role) bool { return len(byRole[r]) == 0 })
	for _, r := range roles {
		groups = append(groups, byRole[r])
	}
	var shares *calibrate.ClassShares
	var err error
	if len(groups) > 1 {
		if shares, err = whole(groups); err != nil {
			return nil, nil, nil, err
		}
		for j, r := range roles {
			add(string(r), r, shares.Classes[j])
		}
	}
	if len(all) > len(groups) {
		single := make([][]int, len(all))
		for c := range all {
			single[c] = []int{c}
		}
		each, err := whole(single)
		if err != nil {
			return nil, nil, nil, err
		}
		if shares == nil {
			shares = each
		}
		plain := map[classes.Role]int{}
		for _, p := range points {
			if k := all[p.Answer]; k.Name == string(k.Role) {
				plain[k.Role]++
			}
		}
		open := map[classes.Role]bool{}
		for c, k := range all {
			if k.Name == string(k.Role) {
				continue
			}
			if open[k.Role] = record.ManyUnnamed(plain[k.Role], len(points)); !open[k.Role] {
				add(k.Name, k.Role, each.Classes[c])
			}
		}
		for _, r := range roles {
			if open[r] {
				notes = append(notes, fmt.Sprintf("classes of %s have no cover here: %d of %d check points are answered %s alone, which leaves open the class", r, plain[r], len(points), r))
			}
		}
	}
	return out, shares, notes, nil
}

// spreadLike refuses answers that do not lie over the photos as random points
// would: they were drawn from others. The photos are put into ten groups of
// about equal green, and the points in them compared by chi-square.
func spreadLike(points []int, green []float64, n int) error {
	var total float64
	for _, g := range green {
		total += g
	}
	if n < 20 || total == 0 {
		return nil
	}
	want, got := map[int]float64{}, map[int]float64{}
	var before float64
	for k, g := range green {
		j := int(10 * (before + g/2) / total)
		before += g
		want[j] += g / total * float64(n)
		got[j] += float64(points[k])
	}
	var chi float64
	for _, j := range slices.Sorted(maps.Keys(want)) {
		if want[j] > 0 {
			chi += (got[j] - want[j]) * (got[j] - want[j]) / want[j]
		}
	}
	if len(want) < 2 {
		return nil
	}
	if p := (distuv.ChiSquared{K: float64(len(want) - 1)}).Survival(chi); p < 1e-3 {
		return fmt.Errorf("the %d check points do not lie over these photos as random ones would: give exactly the photos they were drawn from", n)
	}
	return nil
}
