package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

// reviewed names the entries that the page writes.
const reviewed = "review"

// Do carries out an action: it is stored first, then the photo is measured
// anew where that is needed, and results follow by the same path as in
// `photos`.
func (d *desk) Do(ctx context.Context, act review.Action) (string, error) {
	d.acting.Lock()
	defer d.acting.Unlock()
	defer d.forget()
	if d.store.ReadOnly() {
		return "", review.ErrReadOnly
	}
	d.forget()
	var clashes []string
	text, hash, write, err := d.plan(ctx, act, &clashes)
	if err != nil {
		return "", err
	}
	if _, err := d.store.Write(ctx, reviewed, text, write); err != nil {
		return "", err
	}
	text = strings.Join(append([]string{text}, clashes...), ". ")
	if _, ok := act.(review.Tally); ok {
		return text, nil // nothing follows from a count
	}
	return text, d.follow(hash)
}

// plan turns an action into a sentence and what is to be written. Writing adds
// to clashes what somebody else had stored meanwhile.
func (d *desk) plan(ctx context.Context, act review.Action, clashes *[]string) (text, hash string, write func(*record.Tx) error, err error) {
	if t, ok := act.(review.SetThreshold); ok {
		text, write, err = d.planThreshold(ctx, t)
		return text, "", write, err
	}
	hash = hashOf(act)
	snap, p, err := d.find(ctx, hash)
	if err != nil {
		return "", "", nil, err
	}
	subject := record.PhotoSubject(hash)
	decide := func(kind string, value any) func(*record.Tx) error {
		return func(tx *record.Tx) error { _, err := tx.Decide(subject, kind, value); return err }
	}
	switch act := act.(type) {
	case review.Place:
		to := record.Place{Plot: act.Plot, Quadrat: act.Quadrat, Visit: act.Visit, Basis: "hand", State: record.PlaceSettled}
		if err = checkPlace(snap, to); err != nil {
			return "", "", nil, refusal(err)
		}
		text, write = fmt.Sprintf("shows plot %s, quadrat %d, visit %d", to.Plot, to.Quadrat, to.Visit), decide(record.KindPlace, to)
	case review.Accept:
		text, write, err = planAccept(snap, p)
	case review.Reject:
		text, write = "set aside: "+act.Reason, decide(record.KindReject, map[string]string{"reason": act.Reason})
	case review.Frame:
		var g guide
		text, g, err = d.planFrame(ctx, snap, p, act)
		write = decide(record.KindGuide, g)
	case review.LeaveOut:
		var g guide
		g, err = d.planLeaveOut(ctx, snap, p, act)
		text, write = "left out of the ground: "+plural(len(act.Areas), "region"), decide(record.KindGuide, g)
	case review.Mark:
		var v patch
		text, v, err = d.planMark(ctx, p, act)
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

func (d *desk) planThreshold(ctx context.Context, act review.SetThreshold) (string, func(*record.Tx) error, error) {
	snap, err := d.snapshot(ctx)
	if err != nil {
		return "", nil, err
	}
	if act.Visit < 0 || act.Visit > len(snap.Trial.Visits) {
		return "", nil, review.ErrUnknown
	}
	text, th := fmt.Sprintf("visit %d: threshold given back to be settled from the photos", act.Visit), toBeSettled
	if act.Value != nil {
		opt, err := visionOptions(snap)
		if err != nil {
			return "", nil, err
		}
		v, err := vision.HandThreshold(opt.Index, *act.Value)
		if err != nil {
			return "", nil, refusal(err)
		}
		text, th = fmt.Sprintf("visit %d: threshold set to %.4g", act.Visit, v.Value), setByHand(v.Value)
	}
	return text, func(tx *record.Tx) error {
		_, err := tx.Decide(record.VisitSubject(act.Visit), record.KindThreshold, th)
		return err
	}, nil
}

func planAccept(snap *record.Snapshot, p *record.Photo) (string, func(*record.Tx) error, error) {
	place := p.Place
	switch {
	case p.Rejected != "":
		return "", nil, review.Refusal{Text: "the photo is set aside: take that back first"}
	case p.Result == nil || p.Fault != "":
		return "", nil, errNotMeasured
	case place.State == record.PlaceOpen:
		return "", nil, review.Refusal{Text: "where the photo belongs is not known: say plot, quadrat and visit first"}
	case place.State == record.PlaceProposed:
		if err := checkPlace(snap, place); err != nil {
			return "", nil, refusal(err)
		}
	}
	text := "accepted"
	if place.State == record.PlaceProposed {
		text = fmt.Sprintf("accepted as plot %s, quadrat %d, visit %d", place.Plot, place.Quadrat, place.Visit)
	}
	return text, func(tx *record.Tx) error {
		subject := record.PhotoSubject(p.Hash)
		if place.State == record.PlaceProposed {
			to := record.Place{Plot: place.Plot, Quadrat: place.Quadrat, Visit: place.Visit, Basis: "hand", State: record.PlaceSettled}
			if _, err := tx.Decide(subject, record.KindPlace, to); err != nil {
				return err
			}
		}
		_, err := tx.Decide(subject, record.KindAccept, struct{}{})
		return err
	}, nil
}

func (d *desk) planFrame(ctx context.Context, snap *record.Snapshot, p *record.Photo, act review.Frame) (string, guide, error) {
	g, err := drawnGuide(snap, p.Hash)
	if err != nil {
		return "", g, err
	}
	if act.Corners == nil {
		g.Corners = nil
		return "frame to be found again", g, nil
	}
	opt, err := visionOptions(snap)
	if err != nil {
		return "", g, err
	}
	if opt.FrameMM[0] == 0 {
		return "", g, review.Refusal{Text: "this trial is measured without a frame: there are no corners to set"}
	}
	pic, err := d.draw(ctx, p, review.Upright)
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

func (d *desk) planLeaveOut(ctx context.Context, snap *record.Snapshot, p *record.Photo, act review.LeaveOut) (guide, error) {
	g, err := drawnGuide(snap, p.Hash)
	if err != nil {
		return g, err
	}
	m, err := d.measuredPlane(ctx, p)
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

func (d *desk) planMark(ctx context.Context, p *record.Photo, act review.Mark) (string, patch, error) {
	v := patch{Class: string(act.Class)}
	m, err := d.measuredPlane(ctx, p)
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
		for _, was := range snap.Observations { // a known class keeps its name and its kin
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

// follow brings measurements, places and results up to date with what was
// just stored.
func (d *desk) follow(hashes ...string) error {
	a := d.app
	snap, err := d.store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	opt, err := visionOptions(snap)
	if err != nil {
		return err
	}
	paths := map[string]string{}
	for _, hash := range hashes {
		p, ok := snap.Photo(hash)
		if hash == "" || !ok {
			continue
		}
		steer, _, err := guideOf(snap, hash, opt)
		if err != nil {
			return err
		}
		if steer == p.Guide {
			continue
		}
		path, _, err := d.bytesOf(a.ctx, p)
		if err != nil {
			return fmt.Errorf("what you said is stored, but the photo could not be measured anew: %w", err)
		}
		paths[hash] = path
	}
	if len(paths) > 0 {
		if err := a.measureNew(d.store, snap, paths, opt, photosFlags{workers: 1, limit: time.Minute}, &photosOutcome{}); err != nil {
			return err
		}
	}
	if err := a.identify(d.store, nil); err != nil {
		return err
	}
	_, err = a.settleVisits(d.store, opt)
	return err
}

// byMachine reports an entry in which the program itself wrote down what
// followed from people's words and from the photos.
func byMachine(e record.Entry) bool {
	return e.Command == "photos" && slices.Contains([]string{"measured", "identified", "settled"}, e.Note)
}

// Log lists what people settled about photos and visits, newest first.
func (d *desk) Log(ctx context.Context) ([]review.Step, error) {
	snap, err := d.snapshot(ctx)
	if err != nil {
		return nil, err
	}
	entries, err := d.store.Entries(ctx)
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
	shows := map[spot]string{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			shows[spot{p.Place.Plot, p.Place.Quadrat, p.Place.Visit}] = p.Hash
		}
	}
	for _, o := range snap.Observations {
		live[o.ToldBy()] = true
		if hash := shows[spot{o.Plot, o.Quadrat, o.Visit}]; hash != "" && o.Variable == "count" {
			about[o.ToldBy()] = cmp.Or(about[o.ToldBy()], hash)
		}
	}
	var out []review.Step
	for _, e := range slices.Backward(entries) {
		text := e.Note
		switch {
		case e.Command == reviewed:
		case e.Command == "settle", e.Command == "photos" && e.Note == "settings":
			text = "on the command line: quadtally " + e.Command + " " + e.Note
		default:
			continue
		}
		out = append(out, review.Step{Entry: e.ID, At: e.At, Author: e.Author, Text: text, Hash: about[e.ID], Live: live[e.ID]})
	}
	return out, nil
}

// Undo takes back everything one entry settled. Decisions that the program
// drew from it since go with it; what held before holds again.
func (d *desk) Undo(ctx context.Context, entry int64) (string, error) {
	d.acting.Lock()
	defer d.acting.Unlock()
	defer d.forget()
	if d.store.ReadOnly() {
		return "", review.ErrReadOnly
	}
	d.forget()
	steps, err := d.Log(ctx)
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
	snap, err := d.snapshot(ctx)
	if err != nil {
		return "", err
	}
	entries, err := d.store.Entries(ctx)
	if err != nil {
		return "", err
	}
	decisions := drawnFrom(snap, entries, entry)
	again, err := d.tellingsBefore(ctx, snap, entry)
	if err != nil {
		return "", err
	}
	text := "took back: " + steps[i].Text
	_, err = d.store.Write(ctx, reviewed, text, func(tx *record.Tx) error {
		for _, id := range decisions {
			if err := tx.Undo(id); err != nil {
				return err
			}
		}
		for _, o := range again {
			if _, _, err := tx.AddObservation(o, snap.Entry); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	return text, d.follow(steps[i].Hash)
}

// drawnFrom lists the decisions of an entry and those which the program drew
// from them afterwards, up to the next word of a person on the same matter.
func drawnFrom(snap *record.Snapshot, entries []record.Entry, entry int64) []int64 {
	machine := map[int64]bool{}
	for _, e := range entries {
		machine[e.ID] = byMachine(e)
	}
	var out []int64
	following := map[string]bool{} // subject and kind
	for _, x := range snap.Decisions {
		matter := x.Subject + " " + x.Kind
		switch {
		case x.Entry == entry:
			following[matter] = true
			out = append(out, x.ID)
		case !following[matter]:
		case machine[x.Entry]:
			out = append(out, x.ID)
		default:
			following[matter] = false
		}
	}
	return out
}

// tellingsBefore is what has to be told again so that an entry's observations
// are taken back: the telling before each, or that there is none.
func (d *desk) tellingsBefore(ctx context.Context, snap *record.Snapshot, entry int64) ([]record.Observation, error) {
	var out []record.Observation
	for _, o := range snap.Observations {
		if o.ToldBy() != entry {
			continue
		}
		history, err := d.store.History(ctx, o)
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
