package reviewdata

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

// command names the entries that the page writes.
const command = "review"

// Do carries out an action: it is stored first, then the photo is measured
// anew where that is needed, and results follow by the same path as in
// `photos`.
func (b *Backend) Do(ctx context.Context, act review.Action) (string, error) {
	b.acting.Lock()
	defer b.acting.Unlock()
	defer b.reread()
	if b.store.ReadOnly() {
		return "", review.ErrReadOnly
	}
	b.reread()
	var clashes []string
	text, hash, write, err := b.plan(ctx, act, &clashes)
	if err != nil {
		return "", err
	}
	if _, err := b.store.WriteAs(ctx, record.EntryHand, command, text, write); err != nil {
		return "", err
	}
	text = strings.Join(append([]string{text}, clashes...), ". ")
	if _, ok := act.(review.Tally); ok {
		return text, nil // nothing follows from a count
	}
	return text, b.season.Update(b.ctx, hash)
}

// plan turns an action into a sentence and what is to be written. Writing adds
// to clashes what somebody else had stored meanwhile.
func (b *Backend) plan(ctx context.Context, act review.Action, clashes *[]string) (text, hash string, write func(*record.Tx) error, err error) {
	if t, ok := act.(review.SetThreshold); ok {
		text, write, err = b.planThreshold(ctx, t)
		return text, "", write, err
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
		var v season.Mark
		text, v, err = b.planMark(ctx, p, act)
		write = decide(record.KindPatch, v)
	case review.Tally:
		text, write, err = planTally(snap, p, act, clashes)
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
		_, err := tx.Decide(subject, record.KindAccept, struct{}{})
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
	v := season.Mark{Class: string(act.Class)}
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

func planTally(snap *record.Snapshot, p *record.Photo, act review.Tally, clashes *[]string) (string, func(*record.Tx) error, error) {
	if p.Place.State != record.PlaceSettled {
		return "", nil, review.Refusal{Text: "where the photo belongs is not settled: a count needs its plot, quadrat and visit"}
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
	var list []record.Observation
	var words []string
	for _, c := range act.Classes {
		o := record.Observation{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit, Date: date, Variable: "count",
			Class: c.Class, Value: float64(c.Plants), Unit: "plants", Observer: act.Observer, Source: source}
		for _, was := range snap.Observations { // a stored class keeps its spelling, group and life form
			if was.Variable == "count" && strings.EqualFold(was.Class, c.Class) {
				o.Class, o.Group, o.Life = was.Class, was.Group, was.Life
				break
			}
		}
		list = append(list, o)
		words = append(words, fmt.Sprintf("%s %d", o.Class, c.Plants))
	}
	return "counted by " + act.Observer + ": " + strings.Join(words, ", "), func(tx *record.Tx) error {
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

// Log lists what people settled about photos and visits, newest first.
func (b *Backend) Log(ctx context.Context) ([]review.Step, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return nil, err
	}
	entries, err := b.store.Entries(ctx)
	if err != nil {
		return nil, err
	}
	live, about := map[int64]bool{}, map[int64]string{}
	for _, x := range snap.Decisions {
		if x.Kind == record.KindSettings {
			continue // all photos would have to be measured anew: `quadtally photos` changes them
		}
		live[x.Entry] = true
		if hash, ok := strings.CutPrefix(x.Subject, "photo:"); ok {
			about[x.Entry] = hash
		}
	}
	shows := map[quadrat]string{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			shows[quadrat{p.Place.Plot, p.Place.Quadrat, p.Place.Visit}] = p.Hash
		}
	}
	for _, o := range snap.Observations {
		live[o.ToldBy()] = true
		if hash := shows[quadrat{o.Plot, o.Quadrat, o.Visit}]; hash != "" && o.Variable == "count" {
			about[o.ToldBy()] = cmp.Or(about[o.ToldBy()], hash)
		}
	}
	var out []review.Step
	for _, e := range slices.Backward(entries) {
		if e.Kind != record.EntryHand {
			continue
		}
		text := e.Note
		if e.Command != command {
			text = "on the command line: quadtally " + e.Command + " " + e.Note
		}
		out = append(out, review.Step{Entry: e.ID, At: e.At, Author: e.Author, Text: text, Hash: about[e.ID], Live: live[e.ID]})
	}
	return out, nil
}

// Undo takes back everything one entry settled. Decisions that the program
// drew from it since go with it; what held before holds again.
func (b *Backend) Undo(ctx context.Context, entry int64) (string, error) {
	b.acting.Lock()
	defer b.acting.Unlock()
	defer b.reread()
	if b.store.ReadOnly() {
		return "", review.ErrReadOnly
	}
	b.reread()
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
	snap, err := b.snapshot(ctx)
	if err != nil {
		return "", err
	}
	entries, err := b.store.Entries(ctx)
	if err != nil {
		return "", err
	}
	decisions := decisionsFrom(snap, entries, entry)
	previous, err := b.previousValues(ctx, snap, entry)
	if err != nil {
		return "", err
	}
	text := "took back: " + steps[i].Text
	_, err = b.store.WriteAs(ctx, record.EntryHand, command, text, func(tx *record.Tx) error {
		for _, id := range decisions {
			if err := tx.Undo(id); err != nil {
				return err
			}
		}
		for _, o := range previous {
			if _, _, err := tx.AddObservation(o, snap.Entry); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	return text, b.season.Update(b.ctx, steps[i].Hash)
}

// decisionsFrom lists the decisions of an entry and those which the program
// derived from them afterwards, up to a person's next decision of the same kind
// about the same subject.
func decisionsFrom(snap *record.Snapshot, entries []record.Entry, entry int64) []int64 {
	derived := map[int64]bool{}
	for _, e := range entries {
		derived[e.ID] = e.Kind == record.EntryDerived
	}
	var out []int64
	undone := map[string]bool{} // by subject and kind
	for _, x := range snap.Decisions {
		about := x.Subject + " " + x.Kind
		switch {
		case x.Entry == entry:
			undone[about] = true
			out = append(out, x.ID)
		case !undone[about]:
		case derived[x.Entry]:
			out = append(out, x.ID)
		default:
			undone[about] = false
		}
	}
	return out
}

// previousValues is what to store so that an entry's observations are taken
// back: the value before each, or that there is none.
func (b *Backend) previousValues(ctx context.Context, snap *record.Snapshot, entry int64) ([]record.Observation, error) {
	var out []record.Observation
	for _, o := range snap.Observations {
		if o.ToldBy() != entry {
			continue
		}
		history, err := b.store.History(ctx, o)
		if err != nil {
			return nil, err
		}
		was := o
		was.Withdrawn, was.Repeats = true, 0
		for _, h := range history {
			if h.Entry == entry {
				break
			}
			was = h
			was.Repeats = h.ToldBy()
		}
		out = append(out, was)
	}
	return out, nil
}
