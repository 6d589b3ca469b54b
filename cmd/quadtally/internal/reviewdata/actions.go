package reviewdata

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

// command names the entries that the page writes.
const command = "review"

// begin waits until nobody else changes the record and reads it anew; end lets
// the next one in. It refuses where nothing can be stored.
func (b *Backend) begin() (end func(), err error) {
	if b.store.ReadOnly() {
		return nil, review.ErrReadOnly
	}
	b.acting.Lock()
	b.reread()
	return func() {
		b.reread()
		b.acting.Unlock()
	}, nil
}

// Do carries out an action: it is stored first, then the photo is measured
// anew where that is needed, and results follow by the same path as in
// `photos`.
func (b *Backend) Do(ctx context.Context, act review.Action) (review.Done, error) {
	end, err := b.begin()
	if err != nil {
		return review.Done{}, err
	}
	defer end()
	var clashes []string
	text, hash, write, err := b.plan(ctx, act, &clashes)
	if err != nil {
		return review.Done{}, err
	}
	before, err := b.store.Snapshot(ctx)
	if err != nil {
		return review.Done{}, err
	}
	done := review.Done{}
	if done.Entry, err = b.store.WriteAs(ctx, record.EntryHand, command, text, write); err != nil {
		return review.Done{}, err
	}
	done.Text = strings.Join(append([]string{text}, clashes...), ". ")
	switch act.(type) { // nothing follows from these
	case review.Tally, review.ShowTreatments:
		return done, nil
	}
	if err := b.season.Update(b.ctx, hash); err != nil {
		return done, err
	}
	after, err := b.store.Snapshot(ctx)
	if err != nil {
		return done, err
	}
	done.Text += consequences(before, after, hash)
	return done, nil
}

// consequences says what followed: for the photo itself, and for whole visits
// a threshold that moved, and how far that moved the photos.
func consequences(before, after *record.Snapshot, hash string) string {
	text := ""
	was, ok := before.Photo(hash)
	if is, still := after.Photo(hash); ok && still && was.Result != nil && is.Result != nil && was.Result.CoverFrac != is.Result.CoverFrac {
		text = fmt.Sprintf("; %s %.1f to %.1f %%", is.Result.Kind, 100*was.Result.CoverFrac, 100*is.Result.CoverFrac)
	}
	if is, still := after.Photo(hash); ok && still && was.InUse() != is.InUse() {
		visit, word := is.Place.Visit, "in use"
		if !is.InUse() {
			visit, word = was.Place.Visit, "no longer in use"
		}
		text += fmt.Sprintf("; it is %s: visit %d now has %s", word, visit, photos(inUseAt(after, visit)))
		if th, held := after.Thresholds[visit]; held && before.Thresholds[visit].Value == th.Value {
			text += fmt.Sprintf(", its threshold stays %.4f", th.Value)
		}
	}
	for _, visit := range slices.Sorted(maps.Keys(after.Thresholds)) {
		was, ok := before.Thresholds[visit]
		is := after.Thresholds[visit]
		if !ok || was.Value == is.Value && was.ByHand == is.ByHand {
			continue
		}
		moved, most := 0, 0.0
		for i := range after.Photos {
			p := &after.Photos[i]
			q, ok := before.Photo(p.Hash)
			if !ok || p.Place.Visit != visit || p.Result == nil || q.Result == nil || p.Result.CoverFrac == q.Result.CoverFrac {
				continue
			}
			moved++
			most = max(most, math.Abs(p.Result.CoverFrac-q.Result.CoverFrac))
		}
		text += fmt.Sprintf(". Visit %d: threshold %.4f to %.4f, %s moved by at most %.1f points", visit, was.Value, is.Value, photos(moved), 100*most)
	}
	return text
}

func inUseAt(snap *record.Snapshot, visit int) int {
	n := 0
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() && p.Place.Visit == visit {
			n++
		}
	}
	return n
}

// plan turns an action into a sentence and what is to be written. Writing adds
// to clashes what somebody else had stored meanwhile.
func (b *Backend) plan(ctx context.Context, act review.Action, clashes *[]string) (text, hash string, write func(*record.Tx) error, err error) {
	if t, ok := act.(review.SetThreshold); ok {
		text, write, err = b.planThreshold(ctx, t)
		return text, "", write, err
	}
	if t, ok := act.(review.ShowTreatments); ok {
		text = "treatments hidden again on the page of " + b.author
		if t.Show {
			text = "treatments shown on the page of " + b.author
		}
		return text, "", func(tx *record.Tx) error {
			_, err := tx.Decide(record.PageSubject(b.author), record.KindBlind, record.Blind{Off: t.Show})
			return err
		}, nil
	}
	hash = hashOf(act)
	snap, p, err := b.find(ctx, hash)
	if err != nil {
		return "", "", nil, err
	}
	subject := record.PhotoSubject(hash)
	decide := func(kind string, value any) func(*record.Tx) error {
		return func(tx *record.Tx) error { _, err := tx.Decide(subject, kind, value); return err }
	}
	switch act := act.(type) {
	case review.Place:
		to, err := season.PlaceByHand(snap, act.Plot, act.Quadrat, act.Visit)
		if err != nil {
			return "", "", nil, refusal(err)
		}
		text, write = fmt.Sprintf("shows plot %s, quadrat %d, visit %d", to.Plot, to.Quadrat, to.Visit), decide(record.KindPlace, to)
	case review.Accept:
		text, write, err = planAccept(snap, p)
	case review.Reject:
		text, write = "set aside: "+act.Reason, decide(record.KindReject, map[string]string{"reason": act.Reason})
	case review.Frame:
		var g season.Guide
		text, g, err = b.planFrame(ctx, snap, p, act)
		write = decide(record.KindGuide, g)
	case review.LeaveOut:
		var g season.Guide
		g, err = b.planLeaveOut(ctx, snap, p, act)
		text, write = "left out of the ground: "+regions(len(act.Areas)), decide(record.KindGuide, g)
	case review.Mark:
		if act.At != nil && act.Class != review.NotPlant {
			text, write, err = b.planName(ctx, snap, p, act)
			break
		}
		var v season.Mark
		text, v, err = b.planMark(ctx, p, act)
		write = decide(record.KindPatch, v)
	case review.Tally:
		if before := countedBefore(snap, p, act); before != nil && act.Over == review.OverAsk {
			return "", "", nil, before
		}
		text, write, err = planTally(snap, p, act, b.treatmentsShown(snap), clashes)
	default:
		err = fmt.Errorf("the page asked for something unknown (%T)", act)
	}
	return filepath.Base(p.Path) + ": " + text, hash, write, err
}

func hashOf(act review.Action) string {
	switch act := act.(type) {
	case review.Place:
		return act.Hash
	case review.Accept:
		return act.Hash
	case review.Reject:
		return act.Hash
	case review.Frame:
		return act.Hash
	case review.LeaveOut:
		return act.Hash
	case review.Mark:
		return act.Hash
	case review.Tally:
		return act.Hash
	}
	return ""
}

func photos(n int) string {
	if n == 1 {
		return "1 photo"
	}
	return fmt.Sprintf("%d photos", n)
}

func regions(n int) string {
	if n == 1 {
		return "1 region"
	}
	return fmt.Sprintf("%d regions", n)
}

func (b *Backend) planThreshold(ctx context.Context, act review.SetThreshold) (string, func(*record.Tx) error, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return "", nil, err
	}
	if act.Visit < 0 || act.Visit > len(snap.Trial.Visits) {
		return "", nil, review.ErrUnknown
	}
	old, err := season.Outdated(snap)
	if err != nil {
		return "", nil, err
	}
	if n := old[act.Visit]; n > 0 {
		return "", nil, review.Refusal{Text: fmt.Sprintf("%s of visit %d were measured by another quadtally or with other settings and would not follow: run `quadtally photos` over their folders first", photos(n), act.Visit)}
	}
	text := fmt.Sprintf("visit %d: threshold to follow from the photos again", act.Visit)
	if act.Value != nil {
		opt, err := season.VisionOptions(snap)
		if err != nil {
			return "", nil, err
		}
		v, err := vision.HandThreshold(opt.Index, *act.Value)
		if err != nil {
			return "", nil, refusal(err)
		}
		text = fmt.Sprintf("visit %d: threshold set to %.4g", act.Visit, v.Value)
	}
	th := season.HandThreshold{Visit: act.Visit, Value: act.Value}.Threshold()
	return text, func(tx *record.Tx) error {
		_, err := tx.Decide(record.VisitSubject(act.Visit), record.KindThreshold, th)
		return err
	}, nil
}

func planAccept(snap *record.Snapshot, p *record.Photo) (string, func(*record.Tx) error, error) {
	place := p.Place
	switch p.State() {
	case record.PhotoSetAside:
		return "", nil, review.Refusal{Text: "the photo is set aside: take that back first"}
	case record.PhotoUnread, record.PhotoUnmeasured:
		return "", nil, errNotMeasured
	}
	text := "accepted"
	var to record.Place
	switch place.State {
	case record.PlaceOpen:
		return "", nil, review.Refusal{Text: "where the photo belongs is not known: say plot, quadrat and visit first"}
	case record.PlaceProposed:
		var err error
		if to, err = season.PlaceByHand(snap, place.Plot, place.Quadrat, place.Visit); err != nil {
			return "", nil, refusal(err)
		}
		text = fmt.Sprintf("accepted as plot %s, quadrat %d, visit %d", place.Plot, place.Quadrat, place.Visit)
	}
	return text, func(tx *record.Tx) error {
		subject := record.PhotoSubject(p.Hash)
		if place.State == record.PlaceProposed {
			if _, err := tx.Decide(subject, record.KindPlace, to); err != nil {
				return err
			}
		}
		seen := []string{}
		for _, f := range season.Doubts(p) {
			seen = append(seen, string(f.Code))
		}
		_, err := tx.Decide(subject, record.KindAccept, record.Accept{Doubts: seen})
		return err
	}, nil
}

func (b *Backend) planFrame(ctx context.Context, snap *record.Snapshot, p *record.Photo, act review.Frame) (string, season.Guide, error) {
	g, err := season.GuideOf(snap, p.Hash)
	if err != nil {
		return "", g, err
	}
	if act.Corners == nil {
		g.Corners = nil
		return "frame to be found again", g, nil
	}
	opt, err := season.VisionOptions(snap)
	if err != nil {
		return "", g, err
	}
	if opt.FrameMM[0] == 0 {
		return "", g, review.Refusal{Text: "this trial is measured without a frame: there are no corners to set"}
	}
	pic, err := b.draw(ctx, p, review.Upright)
	if err != nil {
		return "", g, err
	}
	var c [4][2]float64
	for i, q := range act.Corners {
		c[i] = [2]float64{q[0] * float64(pic.Width), q[1] * float64(pic.Height)}
	}
	if !turnsRight(c) {
		return "", g, review.Refusal{Text: "the corners do not make a frame: set them clockwise, starting at the upper left, without crossing sides"}
	}
	g.Corners = &c
	return "corners of the frame set", g, nil
}

// turnsRight reports that four corners run clockwise and bulge outward.
func turnsRight(c [4][2]float64) bool {
	for i := range c {
		a, b, n := c[i], c[(i+1)%4], c[(i+2)%4]
		if (b[0]-a[0])*(n[1]-b[1])-(b[1]-a[1])*(n[0]-b[0]) <= 0 {
			return false
		}
	}
	return true
}

func (b *Backend) planLeaveOut(ctx context.Context, snap *record.Snapshot, p *record.Photo, act review.LeaveOut) (season.Guide, error) {
	g, err := season.GuideOf(snap, p.Hash)
	if err != nil {
		return g, err
	}
	m, err := b.measuredPlane(ctx, p)
	if err != nil {
		return g, err
	}
	g.Exclude = slices.Clone(g.Exclude)
	for _, area := range act.Areas {
		var ring [][2]float64
		for _, q := range area {
			at := straightToPhoto(m.Plane, q)
			ring = append(ring, [2]float64{at.X, at.Y})
		}
		g.Exclude = append(g.Exclude, ring)
	}
	return g, nil
}

func (b *Backend) planMark(ctx context.Context, p *record.Photo, act review.Mark) (string, season.Mark, error) {
	v := season.Mark{Class: markOf(act.Class)}
	m, err := b.measuredPlane(ctx, p)
	if err != nil {
		return "", v, err
	}
	if act.At == nil {
		return "all green not marked otherwise is weed", v, nil
	}
	if p.Result == nil {
		return "", v, errNotMeasured
	}
	x, y := int(act.At[0]*float64(m.Plane.Width)), int(act.At[1]*float64(m.Plane.Height))
	ring, err := m.Plane.Patch(p.Result.Threshold, x, y)
	if err != nil {
		return "", v, refusal(err)
	}
	at := m.Plane.At(float64(x)+0.5, float64(y)+0.5)
	v.At = &[2]float64{at.X, at.Y}
	for _, q := range ring {
		v.Area = append(v.Area, [2]float64{q.X, q.Y})
	}
	return "a patch marked as " + v.Class, v, nil
}

func planTally(snap *record.Snapshot, p *record.Photo, act review.Tally, treatments bool, clashes *[]string) (string, func(*record.Tx) error, error) {
	if p.Place.State != record.PlaceKnown {
		return "", nil, review.Refusal{Text: "where the photo belongs is not known for sure: a count needs its plot, quadrat and visit"}
	}
	var date trial.Date
	if len(p.Taken) >= 10 {
		date, _ = trial.ParseDate(p.Taken[:10])
	}
	if date.IsZero() && p.Place.Visit > 0 {
		date = snap.Trial.Visits[p.Place.Visit-1]
	}
	source := "counted on the photo " + filepath.Base(p.Path)
	if act.Shown {
		source += ", its image value having been shown"
	}
	if treatments {
		source += ", the treatments having been shown"
	}
	list, words, err := countsOf(snap, act.Classes, record.Observation{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit,
		Date: date, Observer: act.Observer, Beside: act.Over == review.OverBeside, Source: source})
	if err != nil {
		return "", nil, err
	}
	if act.Over == review.OverBeside {
		words += besideWords
	}
	return "counted by " + act.Observer + ": " + words, func(tx *record.Tx) error {
		for _, o := range list {
			_, clash, err := tx.AddObservation(o, act.Seen)
			if err != nil {
				return err
			}
			if clash != nil {
				*clashes = append(*clashes, fmt.Sprintf("%s had been stored as %g by %s after you opened the page: yours stands now, theirs is in the history",
					o.Class, clash.Was.Value, clash.Was.Author))
			}
		}
		return nil
	}, nil
}

// countedBefore tells of counts in force that a count would replace; nil where
// it replaces none.
func countedBefore(snap *record.Snapshot, p *record.Photo, act review.Tally) *review.CountedBefore {
	force, beside := snap.CountsAt(p.Place.Spot())
	if !replaces(force, act.Observer, act.Classes) {
		return nil
	}
	return &review.CountedBefore{Entry: snap.Entry, Counts: countsIn(force), Beside: countsIn(beside)}
}

// replaces reports that a new count would put another number, or the same one
// of another person, in the place of one in force.
func replaces(force []record.Observation, observer string, classes []review.ClassCount) bool {
	for _, o := range force {
		for _, c := range classes {
			if trial.NameKey(o.Class) == trial.NameKey(c.Class) && (o.Value != float64(c.Plants) || o.Observer != observer) {
				return true
			}
		}
	}
	return false
}

// besideWords close the sentence about a count that does not replace another.
const besideWords = "; it stands beside the count in force, which stays"

func countsIn(list []record.Observation) []review.Count {
	var out []review.Count
	for _, o := range list {
		out = append(out, review.Count{Class: cmp.Or(o.Class, "total"), Plants: o.Value, Observer: o.Observer, Date: o.Date.String()})
	}
	return out
}

// countsOf makes the observations of a hand count, and words for it. at says
// where and by whom; a class that the record or the plan knows keeps its
// spelling, group and life form, and one that only looks like it is refused.
func countsOf(snap *record.Snapshot, classes []review.ClassCount, at record.Observation) ([]record.Observation, string, error) {
	var list []record.Observation
	var words []string
	known := snap.Trial.PlantClasses()
	for _, o := range snap.Observations {
		if o.Variable == record.VarCount && o.Class != "" {
			known = append(slices.Clip(known), trial.Class{Name: o.Class, Group: o.Group, Life: o.Life})
		}
	}
	for _, c := range classes {
		o := at
		o.Variable, o.Class, o.Value, o.Unit = record.VarCount, c.Class, float64(c.Plants), "plants"
		is, like, ok := trial.FindClass(known, c.Class)
		switch {
		case ok:
			o.Class, o.Group, o.Life = is.Name, is.Group, is.Life
			if trial.NameKey(is.Group) == trial.NameKey(is.Name) {
				o.Group = "" // its name says it
			}
		case like.Name != "":
			return nil, "", review.Refusal{Text: fmt.Sprintf("%q looks like the class %s but is written otherwise: choose that one, or give it a name of its own", c.Class, like.Name)}
		}
		list = append(list, o)
		words = append(words, fmt.Sprintf("%s %d", o.Class, c.Plants))
	}
	return list, strings.Join(words, ", "), nil
}

// Log lists what people decided about photos and visits, newest first.
func (b *Backend) Log(ctx context.Context) ([]review.Step, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return nil, err
	}
	entries, err := b.store.Log(ctx)
	if err != nil {
		return nil, err
	}
	counts := countsOn(snap)
	var out []review.Step
	for _, e := range entries {
		if e.Kind != record.EntryHand {
			continue
		}
		step := review.Step{Entry: e.ID, At: e.At, Author: e.Author, Text: e.Note, Hash: counts[e.ID], Live: canBeTakenBack(e)}
		if e.Command != command {
			step.Text = "on the command line: quadtally " + e.Command + " " + e.Note
		}
		for _, subject := range e.Subjects {
			if hash, ok := strings.CutPrefix(subject, "photo:"); ok {
				step.Hash = hash
			}
			if n, ok := strings.CutPrefix(subject, "visit:"); ok {
				step.Visit, _ = strconv.Atoi(n)
			}
		}
		out = append(out, step)
	}
	return out, nil
}

// canBeTakenBack reports an entry that the page may take back. Settings of the
// whole trial are changed by `quadtally photos`, since all photos have to be
// measured anew; and a thing taken back is said anew, not brought back.
func canBeTakenBack(e record.LogEntry) bool {
	return e.Refusal == nil && !e.Replaced && e.Undoes == 0 && !slices.Contains(e.Subjects, "trial")
}

// countsOn says by entry on which photo the counts of the entry were made.
func countsOn(snap *record.Snapshot) map[int64]string {
	shows := map[record.QuadratAt]string{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			shows[p.Place.Spot()] = p.Hash
		}
	}
	out := map[int64]string{}
	for _, list := range [][]record.Observation{snap.Observations, snap.Beside} {
		for i := range list {
			o := &list[i]
			if hash := shows[o.Spot()]; hash != "" && o.Variable == record.VarCount {
				out[o.GivenBy()] = cmp.Or(out[o.GivenBy()], hash)
			}
		}
	}
	return out
}

// Undo takes back everything one entry decided. Decisions that the program
// derived from it since go with it; what held before holds again.
func (b *Backend) Undo(ctx context.Context, entry int64) (string, error) {
	end, err := b.begin()
	if err != nil {
		return "", err
	}
	defer end()
	steps, err := b.Log(ctx)
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(steps, func(s review.Step) bool { return s.Entry == entry })
	if i < 0 {
		return "", review.ErrUnknown
	}
	if !steps[i].Live {
		return "", review.Refusal{Text: "this was taken back already, or something newer stands in its place"}
	}
	before, err := b.store.Snapshot(ctx)
	if err != nil {
		return "", err
	}
	text := "took back: " + steps[i].Text
	_, err = b.store.WriteAs(ctx, record.EntryHand, command, text, func(tx *record.Tx) error {
		_, err := tx.UndoEntry(entry)
		return err
	})
	if err != nil {
		return "", err
	}
	if err := b.season.Update(b.ctx, steps[i].Hash); err != nil {
		return text, err
	}
	after, err := b.store.Snapshot(ctx)
	if err != nil {
		return text, err
	}
	return text + consequences(before, after, steps[i].Hash), nil
}
