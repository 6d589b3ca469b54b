package season

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// saveEvery and saveAfter are how many measured photos, or how much time, pass
// between two saves: a killed run loses no more than this, and it is simply
// measured again.
const (
	saveEvery = 24
	saveAfter = 2 * time.Second
)

// measurePhotos measures photos in worker processes, for the record, for a part
// file and outside any trial alike. keep takes each reply, in any order; save,
// which may be nil, makes what was kept last. Photos whose file could not be
// read are returned and are not kept.
func (o Options) measurePhotos(ctx context.Context, jobs []Job, keep func(i int, r Reply) error, save func() error) (unreachable []intake.Fault, err error) {
	if len(jobs) == 0 {
		return nil, nil
	}
	bar := o.begin(len(jobs), "measuring")
	defer bar.Finish()
	kept, last := 0, time.Now()
	saveKept := func() error {
		if kept == 0 || save == nil {
			return nil
		}
		kept, last = 0, time.Now()
		return save()
	}
	err = o.runJobs(ctx, jobs, func(i int, r Reply) error {
		bar.Add(1)
		if r.Unreachable {
			unreachable = append(unreachable, intake.Fault{Path: jobs[i].Path, Text: r.Fault})
			return nil
		}
		if err := keep(i, r); err != nil {
			return err
		}
		if kept++; kept >= saveEvery || time.Since(last) > saveAfter {
			return saveKept()
		}
		return nil
	})
	return unreachable, errors.Join(err, saveKept())
}

// measureNew measures every photo at hand that has no measurement under the
// given options and what was drawn on it; paths says by hash where the photos
// lie. It returns how many were measured, and those that could not be reached.
func (s *Season) measureNew(ctx context.Context, snap *record.Snapshot, paths map[string]string, opt vision.Options) (measured int, unreachable []intake.Fault, err error) {
	var jobs []Job
	var guides []string
	fingerprint := opt.Fingerprint()
	for i := range snap.Photos {
		p := &snap.Photos[i]
		path, here := paths[p.Hash]
		if !here {
			continue
		}
		guide, with, err := guided(snap, p.Hash, opt)
		if err != nil {
			return 0, nil, err
		}
		with.Looks = with.Looks || len(snap.Named) > 0
		if needsMeasuring(p, fingerprint, guide) || with.Looks && lacksLooks(p) {
			jobs = append(jobs, Job{Path: path, Hash: p.Hash, Options: with})
			guides = append(guides, guide)
		}
	}
	var batch []record.Measurement
	keep := func(i int, r Reply) error {
		m, err := r.toMeasurement(jobs[i].Hash, fingerprint, guides[i])
		batch = append(batch, m)
		return err
	}
	save := func() error {
		// The write is not cut short by Ctrl-C: what is finished is kept.
		err := s.addMeasurements(context.WithoutCancel(ctx), "photos", "measured", batch)
		if err == nil {
			measured += len(batch)
			batch = batch[:0]
		}
		return err
	}
	unreachable, err = s.opt.measurePhotos(ctx, jobs, keep, save)
	return measured, unreachable, err
}

// needsMeasuring reports that a photo has no measurement under the settings
// and what was drawn on it, or one that failed for a reason that may pass.
func needsMeasuring(p *record.Photo, fingerprint, guide string) bool {
	return p.MeasurementID == 0 || p.Fingerprint != fingerprint || p.Guide != guide || p.FaultCode.Transient()
}

// lacksLooks reports a photo that was measured before any plant of the trial
// was named: what its green looks like was not kept, since that takes as long
// again as measuring and several times the room. So does one whose looks do not
// tell the rims of leaves apart.
func lacksLooks(p *record.Photo) bool {
	return p.MeasurementID != 0 && p.Fault == "" && (!p.HasLooks || p.Sorting != nil && p.Sorting.Solid == nil)
}

func (s *Season) addMeasurements(ctx context.Context, command, note string, list []record.Measurement) error {
	_, err := s.store.WriteAs(ctx, record.EntryDerived, command, note, func(tx *record.Tx) error {
		for _, m := range list {
			if _, err := tx.AddMeasurement(m); err != nil {
				return err
			}
		}
		return nil
	})
	return err
}

// drawnOn finds the files of those photos on which a person drew since they
// were measured, and of those whose looks are wanted now that plants are named.
func (s *Season) drawnOn(ctx context.Context, snap *record.Snapshot, hashes []string, opt vision.Options) (map[string]string, error) {
	paths := map[string]string{}
	for _, hash := range hashes {
		p, ok := snap.Photo(hash)
		if !ok {
			continue
		}
		guide, _, err := guided(snap, hash, opt)
		if err != nil {
			return nil, err
		}
		if guide == p.Guide {
			continue
		}
		path, _, err := s.Original(ctx, p)
		if err != nil {
			return nil, fmt.Errorf("what you said is stored, but the photo could not be measured anew: %w", err)
		}
		paths[hash] = path
	}
	// The page names single photos and must not wait for a whole visit.
	named := map[int]bool{}
	for _, n := range snap.Named {
		if p, ok := snap.Photo(n.Hash); ok {
			named[p.Place.Visit] = true
		}
	}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if !named[p.Place.Visit] || !lacksLooks(p) || !p.InUse() || paths[p.Hash] != "" || len(hashes) > 0 && !slices.Contains(hashes, p.Hash) {
			continue
		}
		// One that cannot be reached stays as it is and is named by what needs it.
		if path, _, err := s.Original(ctx, p); err == nil {
			paths[p.Hash] = path
		}
	}
	return paths, nil
}

// MeasureAgain measures every photo whose measurement was not made with the
// settings and the frame that hold now, and works out what follows. It returns
// how many were measured, and those whose files could not be reached: they keep
// their old numbers, which no comparison mixes with the others.
func (s *Season) MeasureAgain(ctx context.Context) (measured int, unreachable []intake.Fault, err error) {
	snap, err := s.store.Snapshot(ctx)
	if err != nil {
		return 0, nil, err
	}
	opt, err := VisionOptions(snap)
	if err != nil {
		return 0, nil, err
	}
	paths := map[string]string{}
	fingerprint := opt.Fingerprint()
	for i := range snap.Photos {
		p := &snap.Photos[i]
		guide, _, err := guided(snap, p.Hash, opt)
		if err != nil {
			return 0, nil, err
		}
		if p.MeasurementID == 0 || (p.Fingerprint == fingerprint && p.Guide == guide) {
			continue
		}
		path, _, err := s.Original(ctx, p)
		if err != nil {
			if ctx.Err() != nil {
				return 0, nil, ctx.Err()
			}
			unreachable = append(unreachable, intake.Fault{Path: p.Path, Text: err.Error()})
			continue
		}
		paths[p.Hash] = path
	}
	measured, more, err := s.measureNew(ctx, snap, paths, opt)
	if err != nil {
		return measured, nil, err
	}
	_, err = s.workOut(ctx, nil, opt, newOutcome(""))
	return measured, append(unreachable, more...), err
}

// Followed is what became of the photos after something was said of them.
type Followed struct {
	Measured    int // again
	Unreachable []intake.Fault
	Lost        int // in use before and no longer
}

// FollowUp lets the numbers of photos follow what was said: of those named, or
// of all, measured again, where what they are measured with may have changed.
func (s *Season) FollowUp(ctx context.Context, remeasure bool, hashes []string) (f Followed, err error) {
	if !remeasure {
		return f, s.Update(ctx, hashes...)
	}
	before, err := s.inUse(ctx)
	if err != nil {
		return f, err
	}
	if f.Measured, f.Unreachable, err = s.MeasureAgain(ctx); err != nil {
		return f, err
	}
	after, err := s.inUse(ctx)
	f.Lost = max(before-after, 0)
	return f, err
}

// inUse counts the photos whose values are compared.
func (s *Season) inUse(ctx context.Context) (n int, err error) {
	snap, err := s.store.Snapshot(ctx)
	if err != nil {
		return 0, err
	}
	for i := range snap.Photos {
		if snap.Photos[i].InUse() {
			n++
		}
	}
	return n, nil
}
