package analysis

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/stats"
)

// Roles of classes of plants in the record.
const (
	roleWeed     = "weed"
	roleCrop     = "crop"
	roleRegrowth = "regrowth"
)

// testLevel is that of the test whether photos and person differ by another
// amount between treatments. A start for each treatment costs where there is no
// difference (over 12 drawn trials one start alone gave the verdict of the truth
// in 96.7 of 100 comparisons, and one for each where it shows in 95.8), but a
// difference that is passed over leaves the comparison too sure.
const testLevel = 0.9

// PlantsLackingError says that plants are not told apart well enough for a
// response, at any visit it was asked for.
type PlantsLackingError struct {
	Response string
	Lacks    map[int][]record.PlantsLacking // by visit
}

func (e *PlantsLackingError) Error() string {
	if len(e.Lacks) == 0 {
		return fmt.Sprintf("%s cannot be told yet: no photo of any visit is in use; `quadtally status` says why", e.Response)
	}
	var parts []string
	for _, v := range slices.Sorted(maps.Keys(e.Lacks)) {
		parts = append(parts, lackingAt(v, e.Lacks[v]))
	}
	return fmt.Sprintf("%s cannot be told yet: %s", e.Response, strings.Join(parts, "; "))
}

func lackingAt(visit int, lacks []record.PlantsLacking) string {
	var words []string
	for _, l := range lacks {
		words = append(words, l.Words())
	}
	return fmt.Sprintf("visit %d: %s", visit, strings.Join(words, ", "))
}

// Checked says how the covers of one visit were corrected by its check points.
type Checked struct {
	Visit  int `json:"visit"`
	Points int `json:"check_points"`
	Plots  int `json:"plots"`
	// Errors is the number of points where person and photo disagree.
	Errors int     `json:"errors"`
	Slope  float64 `json:"slope"`
	Start  float64 `json:"start"` // share of the green
	// Starts holds that of each treatment where photos and person differ by
	// another amount in one than in another.
	Starts map[string]float64 `json:"starts,omitempty"`
	// Test asks whether they do; nil where it cannot be asked.
	Test  *calibrate.Test `json:"test,omitempty"`
	Shown bool            `json:"differs_by_treatment"`
	Note  string          `json:"note,omitempty"`
	Off   int             `json:"off_green,omitempty"` // points that lie on no green now
	// Rims is the share of the green that was left out as rims of leaves, which
	// are more ground than leaf.
	Rims float64 `json:"rims_share_of_green,omitempty"`
	// RimsUnmarked is the number of photos that do not tell rims from leaf; where
	// there are some, the rims of all photos of the visit are counted in.
	RimsUnmarked int  `json:"photos_without_rims,omitempty"`
	ByHand       bool `json:"all_by_hand,omitempty"`
}

// Words says in a sentence how the covers of a visit were come by.
func (c Checked) Words() string {
	if c.ByHand {
		return fmt.Sprintf("visit %d: crop and regrowth were marked by hand in every photo", c.Visit)
	}
	text := fmt.Sprintf("visit %d: by %d check points in %d plots, %d of them sorted wrongly", c.Visit, c.Points, c.Plots, c.Errors)
	switch {
	case c.Shown:
		text += fmt.Sprintf("; the photos err by another amount in one treatment than in another (%s): corrected treatment by treatment", stats.PWords(c.Test.P))
	case c.Test != nil:
		text += fmt.Sprintf("; that the photos err by another amount in one treatment than in another is not shown (%s)", stats.PWords(c.Test.P))
	case c.Note != "":
		text += "; " + c.Note
	}
	if c.Off > 0 {
		text += fmt.Sprintf("; left out: %s where no green is seen now", wording.Plural(c.Off, "point"))
	}
	if c.Rims > 0 {
		text += fmt.Sprintf("; rims of leaves that are more ground than leaf, %.0f %% of the green, are left out", 100*c.Rims)
	}
	if c.RimsUnmarked > 0 {
		text += fmt.Sprintf("; rims of leaves are counted in, which widens small plants, most on dark ground: in %s they were not told from leaf, `quadtally photos` measures anew", wording.Plural(c.RimsUnmarked, "photo"))
	}
	return text
}

// corrected says in a sentence how the covers of some visits were come by; ""
// for no visit.
func corrected(list []Checked) string {
	var parts []string
	byPoints := false
	for _, c := range list {
		parts = append(parts, c.Words())
		byPoints = byPoints || !c.ByHand
	}
	text := strings.Join(parts, "; ")
	if byPoints {
		return "told apart by named plants and corrected by check points that a person answered, " + text + "; the uncertainty of the correction is in every interval and test"
	}
	return text
}

// classCovers are the covers of a role or class, corrected by check points.
type classCovers struct {
	readings []Reading
	checked  []Checked
	lacks    map[int][]record.PlantsLacking
	// Of plot means at visits, as taken: fractions of the ground.
	order []Place
	cov   [][]float64
	df    float64
}

// belongs reports classes that are of the role and, where one is asked for, of
// the class.
func belongs(c record.PlantClass, role, class string) bool {
	return c.Role == role && (class == "" || nameKey(c.Name) == nameKey(class))
}

// classCoversOf gives the cover of a role, or of one class of it, in every photo in
// use of the visits that allow it.
func classCoversOf(snap *record.Snapshot, role, class string) (*classCovers, error) {
	visits := map[int][]*record.Photo{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			visits[p.Place.Visit] = append(visits[p.Place.Visit], p)
		}
	}
	// A visit that is being told apart is spoken of while none of its photos
	// counts.
	mention := func(hash string) {
		p, ok := snap.Photo(hash)
		if !ok || p.Place.Visit == 0 {
			return
		}
		if _, seen := visits[p.Place.Visit]; !seen {
			visits[p.Place.Visit] = nil
		}
	}
	for _, n := range snap.Named {
		mention(n.Hash)
	}
	for _, c := range snap.Checks {
		mention(c.Hash)
	}
	t := &classCovers{lacks: map[int][]record.PlantsLacking{}, df: math.Inf(1)}
	for _, v := range slices.Sorted(maps.Keys(visits)) {
		lacks := snap.PlantsLack(v)
		if len(lacks) == 0 && class != "" && nameKey(class) != nameKey(role) && snap.UnnamedChecks(v, role) {
			lacks = []record.PlantsLacking{record.LackClasses}
		}
		switch {
		case len(visits[v]) == 0:
			t.lacks[v] = lacks
		case len(lacks) == 0:
			if err := t.addVisit(snap, v, visits[v], role, class); err != nil {
				return nil, fmt.Errorf("visit %d: %w", v, err)
			}
		case role == roleWeed && class == "" && !slices.ContainsFunc(visits[v], func(p *record.Photo) bool { return !p.Result.WeedsOnly() }):
			t.addByHand(v, visits[v])
		default:
			t.lacks[v] = lacks
		}
	}
	return t, nil
}

// grow makes room for the plots of one more visit in the covariance.
func (t *classCovers) grow(plots []Place, cov [][]float64) {
	n := len(t.order)
	t.order = append(t.order, plots...)
	for i := range t.cov {
		t.cov[i] = append(t.cov[i], make([]float64, len(plots))...)
	}
	for i := range plots {
		row := make([]float64, n+len(plots))
		if cov != nil {
			copy(row[n:], cov[i])
		}
		t.cov = append(t.cov, row)
	}
}

// addByHand takes the covers of a visit in which a person marked all crop and
// regrowth.
func (t *classCovers) addByHand(visit int, photos []*record.Photo) {
	plots := map[Place]bool{}
	for _, p := range photos {
		t.readings = append(t.readings, Reading{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: visit, Date: dayTaken(p), Value: p.Result.CoverFrac,
			Range: &[2]float64{p.Result.LoFrac, p.Result.HiFrac}, Source: filepath.Base(p.Path)})
		plots[Place{Plot: p.Place.Plot, Visit: visit}] = true
	}
	t.grow(slices.SortedFunc(maps.Keys(plots), comparePlaces), nil)
	t.checked = append(t.checked, Checked{Visit: visit, ByHand: true})
}

func (t *classCovers) addVisit(snap *record.Snapshot, visit int, photos []*record.Photo, role, class string) error {
	in := func(c record.PlantClass) bool { return belongs(c, role, class) }
	treatment := func(p *record.Photo) string {
		plot, _ := snap.Plot(p.Place.Plot)
		return plot.Treatment
	}
	said := Checked{Visit: visit}
	var points []calibrate.CheckPoint
	plots := map[string]bool{}
	byHash := map[string]*record.Photo{}
	for _, p := range photos {
		byHash[p.Hash] = p
	}
	for _, c := range snap.Checks {
		p := byHash[c.Hash]
		if p == nil || c.Class == nil {
			continue
		}
		i := slices.IndexFunc(p.Sorting.Checks, func(s record.SortedCheck) bool { return s.X == c.X && s.Y == c.Y })
		if i < 0 || p.Sorting.Checks[i].Prob == nil {
			said.Off++
			continue
		}
		s := p.Sorting.Checks[i]
		var prob float64
		for k, v := range s.Prob {
			if in(p.Sorting.Classes[k].PlantClass) {
				prob += v
			}
		}
		prob = min(prob, 1)
		q := calibrate.CheckPoint{Prob: []float64{prob, 1 - prob}, Mapped: 1, Answer: 1, Unit: p.Place.Plot, Group: treatment(p)}
		if in(p.Sorting.Classes[s.Mapped].PlantClass) {
			q.Mapped = 0
		}
		if in(*c.Class) {
			q.Answer = 0
		}
		if q.Mapped != q.Answer {
			said.Errors++
		}
		points = append(points, q)
		plots[q.Unit] = true
	}
	line, err := calibrate.NewShareLine(0, 2, points, testLevel)
	if err != nil {
		return err
	}
	said.Points, said.Plots, said.Slope, said.Start, said.Starts = len(points), len(plots), line.Slope, line.Start, line.Starts
	said.Test, said.Shown, said.Note = line.Test, line.Shown, line.Note
	if said.Test == nil && said.Note == "" {
		said.Note = "whether the photos err by the same amount in every treatment cannot be tested: the check points of one leave no spread"
	}
	t.checked = append(t.checked, said)
	t.df = min(t.df, line.DF)

	type sums struct {
		n, green, share float64
		group           string
	}
	// Rims widen small plants, and on dark ground more than on pale straw; they
	// are left out where all photos of the visit tell them.
	checked := &t.checked[len(t.checked)-1]
	for _, p := range photos {
		if p.Sorting.Solid == nil {
			checked.RimsUnmarked++
		}
	}
	solid := checked.RimsUnmarked == 0
	var allGreen, leaf float64
	at := map[Place]*sums{}
	quadrats := make([]calibrate.Mapped, len(photos))
	spread := make([]float64, len(photos)) // variance of a photo's own sorting
	for i, p := range photos {
		green, _, _ := allGreenCover(p.Result, 0)
		allGreen += green
		if solid {
			green *= *p.Sorting.Solid
		}
		leaf += green
		var mean, own float64
		for _, c := range p.Sorting.Classes {
			if in(c.PlantClass) {
				if solid {
					mean += c.SolidMean
				} else {
					mean += c.Mean
				}
				half := (c.HiFrac - c.LoFrac) / (2 * zOfRange)
				own += half * half
			}
		}
		mean = min(mean, 1)
		spread[i] = own
		quadrats[i] = calibrate.Mapped{Name: filepath.Base(p.Path), Group: treatment(p), Green: green, Mean: []float64{mean, 1 - mean}}
		k := Place{Plot: p.Place.Plot, Visit: visit}
		if at[k] == nil {
			at[k] = &sums{group: treatment(p)}
		}
		at[k].n++
		at[k].green += green
		at[k].share += green * mean
	}
	if allGreen > 0 {
		checked.Rims = max(1-leaf/allGreen, 0)
	}
	areas, cov, err := line.PlotAreas(quadrats)
	if err != nil {
		return err
	}
	for i, p := range photos {
		half := zOfRange * math.Sqrt(cov[i][i]+spread[i])
		green := quadrats[i].Green
		t.readings = append(t.readings, Reading{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: visit, Date: dayTaken(p), Value: areas[i],
			Range: &[2]float64{max(areas[i]-half, 0), min(areas[i]+half, green)}, Source: filepath.Base(p.Path)})
	}
	order := slices.SortedFunc(maps.Keys(at), comparePlaces)
	means := make([]calibrate.Mapped, len(order))
	for i, k := range order {
		s := at[k]
		share := 0.0
		if s.green > 0 {
			share = s.share / s.green
		}
		means[i] = calibrate.Mapped{Name: k.Plot, Group: s.group, Green: s.green / s.n, Mean: []float64{share, 1 - share}}
	}
	_, plotCov, err := line.PlotAreas(means)
	if err != nil {
		return err
	}
	t.grow(order, plotCov)
	return nil
}

// zOfRange is the normal quantile of a 90 % range.
const zOfRange = 1.6448536269514722

// ownOf is what a comparison of a response over visits (0 for all) carries of
// its check points: nil for a response that none correct.
func ownOf(snap *record.Snapshot, r Response, visit int, season bool, days map[int]float64) (*stats.OwnError, []Checked, error) {
	if r.def.ofRole == "" {
		return nil, nil, nil
	}
	t, err := classCoversOf(snap, r.def.ofRole, r.Class)
	if err != nil {
		return nil, nil, err
	}
	var checked []Checked
	for _, x := range t.checked {
		if visit == 0 || x.Visit == visit {
			checked = append(checked, x)
		}
	}
	own := t.own(r, visit, season, days)
	return &own, checked, nil
}

// errNotRaw refuses another scale for what carries an uncertainty of its own.
func errNotRaw(label string) error {
	return misuse("%s carries the uncertainty of its check points, which is in percent of the ground: compare it on the raw scale", label)
}

// own is the uncertainty of plot means of some visits in the unit of the
// response.
func (t *classCovers) own(r Response, visit int, season bool, days map[int]float64) stats.OwnError {
	own := stats.OwnError{DF: t.df}
	var keep []int
	for i, k := range t.order {
		if visit == 0 || k.Visit == visit {
			keep = append(keep, i)
			own.Plots = append(own.Plots, k.Plot)
			if season {
				own.Days = append(own.Days, days[k.Visit])
			}
		}
	}
	for _, i := range keep {
		row := make([]float64, len(keep))
		for b, j := range keep {
			row[b] = t.cov[i][j] * r.Factor * r.Factor
			if i == j { // by rounding it can fall below
				row[b] = max(row[b], 0)
			}
		}
		own.Cov = append(own.Cov, row)
	}
	return own
}

// classCover takes the covers of a role from photos. How they were corrected is
// no note: [Checked] says it.
func classCover(role string) taking {
	return func(snap *record.Snapshot, r Response) (rs []Reading, notes []string, err error) {
		if err := classNamed(snap, role, r.Class); err != nil {
			return nil, nil, err
		}
		t, err := classCoversOf(snap, role, r.Class)
		if err != nil {
			return nil, nil, err
		}
		if len(t.readings) == 0 && (len(snap.Named) > 0 || someByHand(snap)) {
			return nil, nil, &PlantsLackingError{r.Label, t.lacks}
		}
		if slices.ContainsFunc(t.checked, func(c Checked) bool { return c.ByHand }) && slices.ContainsFunc(t.checked, func(c Checked) bool { return c.Rims > 0 }) {
			notes = append(notes, "visits in which all crop and regrowth were marked by hand hold the rims of leaves, the others do not: between such visits "+r.Label+" cannot be held against each other")
		}
		if slices.ContainsFunc(t.checked, func(c Checked) bool { return c.RimsUnmarked > 0 }) && slices.ContainsFunc(t.checked, func(c Checked) bool { return c.Rims > 0 }) {
			notes = append(notes, "rims of leaves are counted in at some visits and not at others: between such visits "+r.Label+" cannot be held against each other until `quadtally photos` has measured anew")
		}
		if len(t.readings) > 0 {
			for _, v := range slices.Sorted(maps.Keys(t.lacks)) {
				notes = append(notes, "left out of "+r.Label+": "+lackingAt(v, t.lacks[v]))
			}
		}
		return t.readings, notes, nil
	}
}

// notClassified says why there is no cover by class in a trial without names.
func (r Response) notClassified(snap *record.Snapshot) error {
	hand := map[Key]Key{WeedCover: HandWeedCover, CropCover: HandCropCover, RegrowthCover: HandRegrowthCover}[r.Key]
	text := fmt.Sprintf("there is no %s in the record yet: the photos show what is green; name plants, so that weeds, crop and regrowth are told apart (`quadtally plants --help`)", r.Label)
	if by, err := Find(snap, string(hand), ""); err == nil && by.inRecord(snap) {
		text += fmt.Sprintf("; what was judged by eye is called %s", hand)
	}
	return errors.New(text)
}

// someByHand reports photos in which crop or regrowth was marked by hand.
func someByHand(snap *record.Snapshot) bool {
	return slices.ContainsFunc(snap.Photos, func(p record.Photo) bool { return p.InUse() && p.Result.WeedsOnly() })
}

// classNamed refuses a class of a role that no plant is named as, or too few to
// find it: a photo sorted without it holds none, which is not a nought.
func classNamed(snap *record.Snapshot, role, class string) error {
	if class == "" || len(snap.Named) == 0 {
		return nil
	}
	var known []string
	is := false
	for _, n := range snap.Named {
		is = is || belongs(n.Class, role, class)
		if n.Class.Role == role {
			known = addOnce(known, n.Class.Name)
		}
	}
	if !is {
		return misuse("no plant is named %q in the photos: there is %s", class, strings.Join(known, ", "))
	}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.InUse() && p.Sorting != nil && slices.ContainsFunc(p.Sorting.Classes, func(c record.SortedClass) bool {
			return belongs(c.PlantClass, role, class) && c.Named > 0 && !c.Learned
		}) {
			return fmt.Errorf("too few plants are named %q at visit %d for the photos to find others: name more (`quadtally plants`)", class, p.Place.Visit)
		}
	}
	return nil
}

// classPieces counts the connected pieces that were sorted into a role, where
// plants are told apart well enough for cover. Check points correct covers and
// not pieces, which is said.
func classPieces(role string) taking {
	return func(snap *record.Snapshot, r Response) (rs []Reading, notes []string, err error) {
		if err := classNamed(snap, role, r.Class); err != nil {
			return nil, nil, err
		}
		ground := snap.Trial.Quadrat.AreaM2()
		lacks := map[int][]record.PlantsLacking{}
		ofVisit := map[int]bool{}
		for i := range snap.Photos {
			p := &snap.Photos[i]
			if !p.InUse() {
				continue
			}
			v := p.Place.Visit
			if !ofVisit[v] {
				ofVisit[v] = true
				if list := snap.PlantsLack(v); len(list) > 0 {
					lacks[v] = list
				}
			}
			reading := Reading{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: v, Date: dayTaken(p), Per: ground, Source: filepath.Base(p.Path)}
			switch {
			case len(lacks[v]) == 0:
				var low, high float64
				for _, c := range p.Sorting.Classes {
					n := float64(c.Pieces)
					if belongs(c.PlantClass, role, r.Class) {
						reading.Value += n
						low += n * (1 - c.Sure)
					} else {
						high += n * (1 - c.Sure)
					}
				}
				reading.Range = &[2]float64{max(reading.Value-low, 0), reading.Value + high}
			case role == roleWeed && r.Class == "" && p.Result.WeedsOnly():
				reading.Value = float64(p.Result.Pieces)
			default:
				continue
			}
			rs = append(rs, reading)
		}
		if len(rs) == 0 && len(snap.Named) > 0 {
			return nil, nil, &PlantsLackingError{r.Label, lacks}
		}
		sorted := slices.ContainsFunc(rs, func(x Reading) bool { return x.Range != nil })
		switch {
		case sorted && r.calibrated:
			notes = append(notes, fmt.Sprintf("%s are as the photos were sorted and then put through the line of hand counts: what the photos get wrong alike in all treatments is corrected, what they get wrong in one more than in another is not", r.Label))
		case sorted:
			notes = append(notes, fmt.Sprintf("%s are as the photos were sorted: check points correct covers and not pieces, so that plants sorted wrongly stay in and may hide a difference or make one; hold them against hand counts first (`quadtally agree`)", r.Label))
		}
		for _, v := range slices.Sorted(maps.Keys(lacks)) {
			whole := 0
			for _, x := range rs {
				if x.Visit == v {
					whole++
				}
			}
			if n := photosInUse(snap, v); whole > 0 && whole < n {
				return nil, nil, fmt.Errorf("crop was marked by hand in %d of %d photos of visit %d: %s is compared once it is in all, or once plants are named", whole, n, v, r.Label)
			}
		}
		return rs, notes, nil
	}
}

func photosInUse(snap *record.Snapshot, visit int) int {
	n := 0
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() && p.Place.Visit == visit {
			n++
		}
	}
	return n
}
