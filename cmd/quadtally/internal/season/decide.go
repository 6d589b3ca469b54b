package season

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// Word is one thing a person says about photos; exactly one field is set.
type Word struct {
	Place    *record.Place // plot, quadrat and visit; what is zero stays as it is
	Accept   bool          // the proposed place is right
	SetAside string        // why the photo shall not count
	TakeBack bool          // the newest word about the photo
}

// Count is how many of its fields are set.
func (w Word) Count() (n int) {
	for _, set := range []bool{w.Place != nil, w.Accept, w.SetAside != "", w.TakeBack} {
		if set {
			n++
		}
	}
	return n
}

// Decided is what came of a word about one photo.
type Decided struct {
	Photo    *record.Photo
	Place    *record.Place // where the photo now belongs, if that was decided
	SetAside string
	TookBack *record.Decision
}

// Decide stores what a person says about photos, of all of them or of none,
// and works out what follows: the threshold of a visit rests on all its
// photos. note says in the history what was asked for.
func (s *Season) Decide(ctx context.Context, snap *record.Snapshot, photos []*record.Photo, word Word, note string) ([]Decided, error) {
	var out []Decided
	_, err := s.store.WriteAs(ctx, record.EntryHand, "place", note, func(tx *record.Tx) error {
		for _, p := range photos {
			d, err := decide(tx, snap, p, word)
			if err != nil {
				return fmt.Errorf("%s: %w", fileName(p.Path), err)
			}
			out = append(out, d)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, s.Update(ctx)
}

func decide(tx *record.Tx, snap *record.Snapshot, p *record.Photo, word Word) (Decided, error) {
	subject := record.PhotoSubject(p.Hash)
	out := Decided{Photo: p}
	switch {
	case word.TakeBack:
		d, ok := newestByHand(snap, subject)
		if !ok {
			return out, errors.New("nothing was said about it yet")
		}
		out.TookBack = &d
		return out, tx.Undo(d.ID)
	case word.SetAside != "":
		out.SetAside = word.SetAside
		_, err := tx.Decide(subject, record.KindReject, map[string]string{"reason": word.SetAside})
		return out, err
	}
	to := p.Place
	if word.Accept {
		if to.State != record.PlaceProposed {
			return out, errors.New("nothing is proposed for it: say --plot, --quadrat and --visit")
		}
	} else {
		to = completed(*word.Place, p.Place)
	}
	to, err := PlaceByHand(snap, to.Plot, to.Quadrat, to.Visit)
	if err != nil {
		return out, err
	}
	out.Place = &to
	_, err = tx.Decide(subject, record.KindPlace, to)
	return out, err
}

// completed is a place with what it leaves open taken from another.
func completed(to, from record.Place) record.Place {
	if to.Plot == "" {
		to.Plot = from.Plot
	}
	if to.Quadrat == 0 {
		to.Quadrat = from.Quadrat
	}
	if to.Visit == 0 {
		to.Visit = from.Visit
	}
	return to
}

// newestByHand is the newest decision of a person about a photo. Places that
// were worked out from cards and names are not of a person.
func newestByHand(snap *record.Snapshot, subject string) (record.Decision, bool) {
	about := snap.About(subject)
	for i := len(about) - 1; i >= 0; i-- {
		d := about[i]
		// A check point is drawn at random and a named plant stands for its visit:
		// neither is a word about the photo.
		if d.Kind == record.KindCheck || d.Kind == record.KindPlant {
			continue
		}
		if d.Kind != record.KindPlace {
			return d, true
		}
		if p, err := decode[record.Place](d.Value); err == nil && p.Basis == intake.ByHand {
			return d, true
		}
	}
	return record.Decision{}, false
}

// PlaceByHand is a place on a person's word. One that the plan does not have
// is refused.
func PlaceByHand(snap *record.Snapshot, plot string, quadrat, visit int) (record.Place, error) {
	p := record.Place{Plot: plot, Quadrat: quadrat, Visit: visit, Basis: intake.ByHand, State: record.PlaceKnown}
	if _, ok := snap.Plot(plot); !ok {
		return p, fmt.Errorf("plot %q is not in the layout", plot)
	}
	if per := snap.Trial.Quadrat.PerPlot; quadrat < 1 || (per > 0 && quadrat > per) {
		return p, fmt.Errorf("quadrat %d is not one of the %d of a plot: say --quadrat", quadrat, per)
	}
	if visit < 1 || visit > len(snap.Trial.Visits) {
		return p, fmt.Errorf("visit %d is not one of the %d planned: say --visit", visit, len(snap.Trial.Visits))
	}
	return p, nil
}

// FindPhotos finds photos by file name, path or the start of their hash. All
// names that fit none or several are reported at once, one fault a line.
func FindPhotos(snap *record.Snapshot, names []string) ([]*record.Photo, error) {
	var out []*record.Photo
	var faults []error
	for _, name := range names {
		var found []*record.Photo
		for i := range snap.Photos {
			p := &snap.Photos[i]
			if p.Path == name || fileName(p.Path) == name {
				found = append(found, p)
			}
		}
		if len(found) == 0 {
			if p, ok := snap.Photo(strings.ToLower(name)); ok {
				found = append(found, p)
			}
		}
		switch len(found) {
		case 1:
			out = append(out, found[0])
		case 0:
			faults = append(faults, fmt.Errorf("%s: no photo of that name is in the record; `quadtally photos` takes a folder in", name))
		default:
			var paths []string
			for _, p := range found {
				paths = append(paths, p.Path)
			}
			faults = append(faults, fmt.Errorf("%s: %d photos have that name; give the path: %s", name, len(found), strings.Join(paths, ", ")))
		}
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return out, nil
}

// ParseHandThreshold reads "2=0.15" or "2=auto".
func ParseHandThreshold(text string, index vision.Index, visits int) (HandThreshold, error) {
	var h HandThreshold
	left, right, ok := strings.Cut(text, "=")
	if _, err := fmt.Sscan(left, &h.Visit); err != nil || !ok || h.Visit < 1 || h.Visit > visits {
		return h, fmt.Errorf("write it as VISIT=VALUE, with a visit from 1 to %d", visits)
	}
	if right == "auto" {
		return h, nil
	}
	var v float64
	if _, err := fmt.Sscan(right, &v); err != nil {
		return h, fmt.Errorf("%q is neither a number nor auto", right)
	}
	th, err := vision.HandThreshold(index, v)
	if err != nil {
		return h, err
	}
	h.Value = &th.Value
	return h, nil
}

// Undo takes an entry of the record back and works out what follows. entry is
// the one that says so; took is the one taken back, and followed what changed
// with it.
func (s *Season) Undo(ctx context.Context, id int64) (entry int64, took record.LogEntry, followed Followed, err error) {
	entry, err = s.store.WriteAs(ctx, record.EntryHand, "undo", fmt.Sprintf("entry %d", id), func(tx *record.Tx) (err error) {
		took, err = tx.UndoEntry(id)
		return err
	})
	if err != nil {
		return 0, took, followed, err
	}
	var hashes []string
	whole := took.Plan || took.Undoes != 0 // an undo may bring back anything
	for _, subject := range took.Subjects {
		if hash, ok := strings.CutPrefix(subject, record.PhotoSubject("")); ok {
			hashes = append(hashes, hash)
		}
		whole = whole || subject == TrialSubject
	}
	followed, err = s.FollowUp(ctx, whole, hashes)
	return entry, took, followed, err
}
