package analysis

import (
	"cmp"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// Reading is one value of a response with where it came from.
type Reading struct {
	Plot    string
	Quadrat int // 0: the whole plot
	Visit   int // 0: not tied to a visit
	Date    trial.Date
	Value   float64 // as taken: a fraction, a number of things, kg per m of bed, ...
	Per     float64 // ground in m² or bed in m that Value was counted on; 0 where it stands alone
	Source  string  // photo, or file and row
	// Range is a 90 % range of Value, nil where none is known.
	Range *[2]float64
}

// Place says which quadrat of which plot at which visit a reading is of;
// quadrat and visit are 0 where it is of none.
type Place struct {
	Plot    string
	Quadrat int
	Visit   int
}

// Place is where the reading was taken.
func (x Reading) Place() Place { return Place{x.Plot, x.Quadrat, x.Visit} }

// taking collects the readings of a response. Notes say what a reader of the
// comparison must know of them.
type taking func(snap *record.Snapshot, r Response) (rs []Reading, notes []string, err error)

// Readings collects a response's values as they were taken. Quadrats stay
// quadrats; picks of a plot are added up.
func (r Response) Readings(snap *record.Snapshot) (rs []Reading, notes []string, err error) {
	return r.def.take(snap, r)
}

// Shown is the value of a reading in the unit of the response.
func (r Response) Shown(x Reading) float64 {
	v := x.Value
	if x.Per > 0 {
		v /= x.Per
	}
	return v * r.Factor
}

// photoValue is what a photo's numbers say of a response; ok is false where
// they say nothing of it. Per is the ground to divide by, 0 for none.
type photoValue func(r *record.Result, groundM2 float64) (value, per float64, ok bool)

func allGreenCover(r *record.Result, _ float64) (float64, float64, bool) {
	if g := r.AllGreen; g != nil {
		return g.CoverFrac, 0, true
	}
	return r.CoverFrac, 0, true
}

func allGreenPieces(r *record.Result, groundM2 float64) (float64, float64, bool) {
	if g := r.AllGreen; g != nil {
		return float64(g.Pieces), groundM2, true
	}
	return float64(r.Pieces), groundM2, true
}

// fromPhotos takes one reading of every photo in use.
func fromPhotos(value photoValue) taking {
	return func(snap *record.Snapshot, r Response) (rs []Reading, notes []string, err error) {
		ground := snap.Trial.Quadrat.AreaM2()
		for i := range snap.Photos {
			p := &snap.Photos[i]
			if !p.InUse() {
				continue
			}
			if v, per, ok := value(p.Result, ground); ok {
				rs = append(rs, Reading{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit, Date: dayTaken(p), Value: v, Per: per, Source: filepath.Base(p.Path)})
			}
		}
		if r.Role == Green {
			notes = separationNotes(snap)
		}
		return rs, notes, nil
	}
}

// separationNotes says, beside a response that holds everything green, at which
// visits weeds are told apart from crop and regrowth.
func separationNotes(snap *record.Snapshot) []string {
	separated, all := weedsSeparated(snap)
	switch separated {
	case 0:
		return nil
	case all:
		return []string{fmt.Sprintf("everything green is compared; %s holds the weeds alone", WeedCover)}
	}
	return []string{fmt.Sprintf("everything green is compared; %s holds the weeds alone, at %d of %d visits so far", WeedCover, separated, all)}
}

// weedsSeparated counts the visits with photos in use, and those whose weed
// cover can be told.
func weedsSeparated(snap *record.Snapshot) (separated, all int) {
	byHand, used := map[int]int{}, map[int]int{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			used[p.Place.Visit]++
			if p.Result.WeedsOnly() {
				byHand[p.Place.Visit]++
			}
		}
	}
	for v, n := range used {
		if byHand[v] == n || len(snap.PlantsLack(v)) == 0 {
			separated++
		}
	}
	return separated, len(used)
}

// assessed takes stored values as they are.
func assessed(snap *record.Snapshot, r Response) (rs []Reading, _ []string, _ error) {
	for _, o := range snap.Observations {
		if !o.Missing && nameKey(o.Variable) == nameKey(r.def.variable) {
			rs = append(rs, readingOf(o, o.Value, 0))
		}
	}
	return rs, nil, nil
}

// inUnits takes stored values by the unit each was stored in: per gives the
// ground (m²) or length it was taken on, 0 where it stands alone. A value in
// any other unit is refused, since it would be compared with what it is not.
func inUnits(per func(o record.Observation, groundM2 float64) (per float64, ok bool)) taking {
	return func(snap *record.Snapshot, r Response) (rs []Reading, notes []string, _ error) {
		ground := snap.Trial.Quadrat.AreaM2()
		var without []string
		for _, o := range snap.Observations {
			if o.Missing || nameKey(o.Variable) != nameKey(r.def.variable) {
				continue
			}
			over, ok := per(o, ground)
			switch {
			case !ok:
				return nil, nil, fmt.Errorf("%s: %s is stored in %q, which the program does not compare it in: store it again in a unit that `quadtally counts --help` names", o.Source, r.Label, o.Unit)
			case over < 0:
				without = addOnce(without, o.Plot)
				continue
			}
			rs = append(rs, readingOf(o, o.Value, over))
		}
		if len(without) > 0 {
			notes = append(notes, fmt.Sprintf("%s left out where the ground it was taken on is not known: %s", r.Label, plotList(without)))
		}
		return rs, notes, nil
	}
}

// noGround marks a value that needs ground to stand on and has none.
const noGround = -1

var (
	sharesOfGround = inUnits(func(o record.Observation, _ float64) (float64, bool) { return 0, o.Unit == "fraction" })
	lengths        = inUnits(func(o record.Observation, _ float64) (float64, bool) { return 0, o.Unit == "mm" })
	// Weights are stored as taken from the frame (kg) or already per area.
	weightsOfGround = inUnits(func(o record.Observation, groundM2 float64) (float64, bool) {
		if o.Unit == "kg/m2" {
			return 0, true
		}
		return onQuadrat(o, groundM2), o.Unit == "kg"
	})
	numbersInQuadrats = inUnits(func(o record.Observation, groundM2 float64) (float64, bool) {
		return onQuadrat(o, groundM2), o.Unit == "plants"
	})
)

// cutInFrames is weightsOfGround for plants that stand in drill rows: a frame
// whose width is no multiple of the rows catches one row too few or too many.
func cutInFrames(snap *record.Snapshot, r Response) ([]Reading, []string, error) {
	rs, notes, err := weightsOfGround(snap, r)
	t := &snap.Trial
	fewest, most, fits := trial.FrameOverDrill(t.Quadrat.WidthMM, t.Ground.DrillRowMM)
	framed := slices.ContainsFunc(snap.Observations, func(o record.Observation) bool {
		return nameKey(o.Variable) == nameKey(r.def.variable) && o.Unit == "kg"
	})
	if err == nil && framed && !fits {
		notes = append(notes, fmt.Sprintf("the frame is %s wide and the drill rows %s apart, which does not divide evenly: what is cut in a frame may be %.2f to %.2f times what stands on the ground, the same for all plots only where the frame always lies alike over the rows",
			trial.Length(t.Quadrat.WidthMM, t.Units), trial.Length(t.Ground.DrillRowMM, t.Units), fewest, most))
	}
	return rs, notes, err
}

func onQuadrat(o record.Observation, groundM2 float64) float64 {
	if o.Quadrat == 0 || groundM2 <= 0 {
		return noGround
	}
	return groundM2
}

// perBedLength takes numbers of plants along a length of bed. A number without
// a length is no density and is left out.
func perBedLength(snap *record.Snapshot, r Response) (rs []Reading, notes []string, _ error) {
	var without []string
	for _, o := range snap.Observations {
		if o.Missing || o.Variable != r.def.variable {
			continue
		}
		if o.LengthMM <= 0 {
			without = addOnce(without, o.Plot)
			continue
		}
		rs = append(rs, readingOf(o, o.Value, o.LengthMM/1000))
	}
	if len(without) > 0 {
		notes = append(notes, fmt.Sprintf("%s left out where the length of bed it was counted on is not stated: %s", r.Label, plotList(without)))
	}
	return rs, notes, nil
}

func readingOf(o record.Observation, value, per float64) Reading {
	return Reading{Plot: o.Plot, Quadrat: o.Quadrat, Visit: o.Visit, Date: o.Date, Value: value, Per: per, Source: o.Source}
}

// countsOfQuadrats gives the plants counted in each quadrat. Without a class, a
// quadrat's total is the total entered, or the sum of the classes counted at that
// visit; a quadrat that lacks one of them, or has one marked missing, has none:
// a blank is not a zero. What a class is where nothing is said of it, and whether
// totals are without it until then, is decided by [record.ClassGapsOf]:
// [Response.Questions] asks, and notes say what was answered.
func countsOfQuadrats(snap *record.Snapshot, r Response) (rs []Reading, notes []string, _ error) {
	type classAt struct {
		class string
		visit int
	}
	leftOut := map[classAt]bool{}
	for _, g := range r.classGaps(snap) {
		if g.Answer == record.UnlistedUnknown {
			notes = append(notes, g.Text())
		}
		leftOut[classAt{nameKey(g.Class), g.Visit}] = g.LeftOut
	}
	type tally struct {
		sum     float64
		classes map[string]bool
		total   *float64
		open    bool // something of it is missing
		first   record.Observation
	}
	at := map[Place]*tally{}
	used := map[int]map[string]bool{} // classes, by visit
	var order []Place
	for _, o := range snap.Observations {
		if o.Variable != r.def.variable || o.Quadrat == 0 || !ofClass(o, r.Class) {
			continue
		}
		if leftOut[classAt{nameKey(o.Class), o.Visit}] {
			continue
		}
		k := Place{o.Plot, o.Quadrat, o.Visit}
		q := at[k]
		if q == nil {
			q = &tally{classes: map[string]bool{}, first: o}
			at[k] = q
			order = append(order, k)
		}
		switch {
		case o.Missing:
			q.open = true
		case o.Class == "":
			v := o.Value
			q.total = &v
		default:
			q.sum += o.Value
		}
		if o.Class != "" {
			class := nameKey(o.Class)
			q.classes[class] = true
			if used[o.Visit] == nil {
				used[o.Visit] = map[string]bool{}
			}
			used[o.Visit][class] = true
		}
	}
	ground := snap.Trial.Quadrat.AreaM2()
	if ground <= 0 {
		return nil, notes, nil
	}
	var unknown []Place
	for _, k := range order {
		q := at[k]
		v := q.sum
		switch {
		case q.total != nil:
			v = *q.total
		case q.open || len(q.classes) < len(used[k.Visit]):
			unknown = append(unknown, k)
			continue
		}
		rs = append(rs, Reading{Plot: k.Plot, Quadrat: k.Quadrat, Visit: k.Visit, Date: q.first.Date, Value: v, Per: ground, Source: q.first.Source})
	}
	if r.Class == "" {
		for _, u := range record.UncountedOf(snap.Observations, snap.Plots, snap.Trial.Quadrat.PerPlot) {
			notes = append(notes, u.Text())
		}
		if class, alone := onlyClass(snap.Observations); alone && len(snap.Trial.Classes) == 0 {
			notes = append(notes, fmt.Sprintf("%s is of %s alone, the only class that was counted", r.Label, class))
		}
	}
	if several := slices.ContainsFunc(slices.Collect(maps.Values(used)), func(c map[string]bool) bool { return len(c) > 1 }); len(unknown) > 0 && (r.Class == "" || several) {
		notes = append(notes, fmt.Sprintf("%s has no total in %s, where the total, or a class that was counted elsewhere at the visit, is blank or missing: the plot's mean is of its other quadrats", r.Label, placeList(unknown)))
	}
	return rs, notes, nil
}

// onlyClass is the one class of plants that was ever counted; alone is false
// where there are several, or totals.
func onlyClass(list []record.Observation) (class string, alone bool) {
	for _, o := range list {
		switch {
		case o.Variable != record.VarCount || o.Missing:
		case o.Class == "", class != "" && nameKey(o.Class) != nameKey(class):
			return "", false
		default:
			class = o.Class
		}
	}
	return class, class != ""
}

// placeList names quadrats, the first of many.
func placeList(list []Place) string {
	const most = 4
	var names []string
	for _, k := range list[:min(most, len(list))] {
		names = append(names, fmt.Sprintf("%s/%d at visit %d", k.Plot, k.Quadrat, k.Visit))
	}
	if more := len(list) - most; more > 0 {
		names = append(names, fmt.Sprintf("%d more", more))
	}
	return fmt.Sprintf("%d of the quadrats (%s)", len(list), strings.Join(names, ", "))
}

// ofClass reports that a count belongs to a class, species, group or life form;
// every count belongs to "".
func ofClass(o record.Observation, class string) bool {
	k := nameKey(class)
	return class == "" || nameKey(o.Class) == k || nameKey(o.Group) == k || nameKey(o.Life) == k
}

// harvested adds up a plot's picks in kg per metre of bed, since picks may be
// of different lengths. What was picked when, and which weight counts, is
// decided by [record.HarvestsOf]. A plot that lacks a pick, or the weight or
// the length of bed of one, has no season's yield; notes say which.
func harvested(snap *record.Snapshot, r Response) (rs []Reading, notes []string, _ error) {
	h := record.HarvestsOf(snap.Observations, snap.Plots)
	if n := r.def.pick; n > 0 {
		return pickedOnce(h, n-1, r)
	}
	weight := func(x record.Harvest) *float64 { return x.Marketable }
	if r.def.class == record.ClassCull {
		weight = func(x record.Harvest) *float64 { return x.Cull }
	}
	var lacking []string
	for _, p := range snap.Plots {
		sum := Reading{Plot: p.ID}
		picks, whole := 0, true
		for _, x := range h.List {
			if x.Plot != p.ID {
				continue
			}
			picks++
			w := weight(x)
			if w == nil {
				whole = false
				break
			}
			perMetre, err := trial.YieldPerBedMetre(*w, x.LengthMM)
			if err != nil {
				whole = false
				break
			}
			if sum.Source == "" {
				sum.Source = x.Source
			}
			sum.Value += perMetre
			sum.Date = x.Date
		}
		switch {
		case picks == 0:
		case whole && picks == len(h.Picks):
			rs = append(rs, sum)
		default:
			lacking = append(lacking, p.ID)
		}
	}
	if len(lacking) > 0 {
		notes = append(notes, fmt.Sprintf("%s is left out in %s, which lacks a pick that others have, or the weight or the length of bed of one", r.Label, plotList(lacking)))
	}
	if h.Ungraded && len(rs) > 0 && r.def.class == record.ClassMarketable {
		notes = append(notes, "nothing was graded: the yield is the total weight, culls included")
	}
	return rs, notes, nil
}

// piecesHarvested adds up the pieces of every pick at which any plot's were
// counted, per metre of the bed that was cut. A plot that lacks one of those
// picks, or a length, has no number.
func piecesHarvested(snap *record.Snapshot, r Response) (rs []Reading, notes []string, _ error) {
	h := record.HarvestsOf(snap.Observations, snap.Plots)
	counted := map[int]bool{} // picks
	for _, x := range h.List {
		if x.Pieces != nil {
			counted[x.Pick] = true
		}
	}
	var lacking []string
	for _, p := range snap.Plots {
		sum := Reading{Plot: p.ID}
		picks := 0
		for _, x := range h.List {
			if x.Plot != p.ID || x.Pieces == nil || x.LengthMM <= 0 {
				continue
			}
			picks++
			if sum.Source == "" {
				sum.Source = x.Source
			}
			sum.Value += *x.Pieces * 1000 / x.LengthMM
			sum.Date = x.Date
		}
		switch {
		case len(counted) == 0:
		case picks == len(counted):
			rs = append(rs, sum)
		default:
			lacking = append(lacking, p.ID)
		}
	}
	if len(lacking) > 0 {
		notes = append(notes, fmt.Sprintf("%s is left out in %s, which lacks a pick that others have, or the number or the length of bed of one", r.Label, plotList(lacking)))
	}
	return rs, notes, nil
}

// pickedOnce takes the marketable weight of one pick, in kg per metre of bed.
func pickedOnce(h record.Harvests, pick int, r Response) (rs []Reading, notes []string, _ error) {
	var lacking []string
	for _, x := range h.List {
		if x.Pick != pick {
			continue
		}
		if x.Marketable != nil {
			if perMetre, err := trial.YieldPerBedMetre(*x.Marketable, x.LengthMM); err == nil {
				rs = append(rs, Reading{Plot: x.Plot, Date: x.Date, Value: perMetre, Source: x.Source})
				continue
			}
		}
		lacking = append(lacking, x.Plot)
	}
	if len(lacking) > 0 {
		notes = append(notes, fmt.Sprintf("%s is left out in %s, where the weight or the length of bed is not known", r.Label, plotList(lacking)))
	}
	return rs, notes, nil
}

func plotList(plots []string) string {
	if len(plots) == 1 {
		return "plot " + plots[0]
	}
	return "plots " + strings.Join(plots, ", ")
}

func addOnce(list []string, s string) []string {
	if s == "" || slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}

// comparePlaces orders by visit, plot and quadrat.
func comparePlaces(a, b Place) int {
	return cmp.Or(a.Visit-b.Visit, strings.Compare(a.Plot, b.Plot), a.Quadrat-b.Quadrat)
}
