package season

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// applyThresholds gives each visit its threshold and each photo its numbers at
// it, and stores what changed. No photo is read for this: the stored curves
// and planes are enough. It returns the newest snapshot.
func (s *Season) applyThresholds(ctx context.Context, snap *record.Snapshot, opt vision.Options) (*record.Snapshot, error) {
	visits := measuredByVisit(snap, opt.Fingerprint())
	var ids []int64
	for _, photos := range visits {
		for _, p := range photos {
			ids = append(ids, p.MeasurementID)
		}
	}
	curves, err := s.store.Curves(ctx, ids)
	if err != nil {
		return nil, err
	}
	changed := map[int]record.Threshold{}
	var outdated []outdatedResult
	for visit, photos := range visits {
		th, stored, err := visitThreshold(snap, visit, photos, curves, opt)
		if err != nil {
			return nil, err
		}
		if was, ok := snap.Thresholds[visit]; !ok || was != stored {
			changed[visit] = stored
		}
		list, err := outdatedResults(snap, photos, curves, th, opt)
		if err != nil {
			return nil, err
		}
		outdated = append(outdated, list...)
	}
	if len(outdated)+len(changed) == 0 {
		return snap, nil
	}
	slices.SortFunc(outdated, func(x, y outdatedResult) int { return cmp.Compare(x.photo.MeasurementID, y.photo.MeasurementID) })
	results := make([]record.Result, len(outdated))
	bar := s.opt.begin(len(outdated), "counting pieces")
	err = inParallel(ctx, len(outdated), func(i int) (err error) {
		defer bar.Add(1)
		results[i], err = s.resultAt(ctx, outdated[i], opt)
		return err
	})
	bar.Finish()
	if err != nil {
		return nil, err
	}
	_, err = s.store.WriteAs(ctx, record.EntryDerived, "photos", "thresholds applied", func(tx *record.Tx) error {
		for _, visit := range slices.Sorted(maps.Keys(changed)) {
			if _, err := tx.Decide(record.VisitSubject(visit), record.KindThreshold, changed[visit]); err != nil {
				return err
			}
		}
		for i, o := range outdated {
			if err := tx.AddResult(o.photo.MeasurementID, results[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return s.store.Snapshot(ctx)
}

// measuredByVisit groups the photos measured under the present settings.
// Visit 0 holds those whose visit is not known.
func measuredByVisit(snap *record.Snapshot, fingerprint string) map[int][]*record.Photo {
	out := map[int][]*record.Photo{}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.MeasurementID != 0 && p.Fault == "" && p.Fingerprint == fingerprint {
			out[p.Place.Visit] = append(out[p.Place.Visit], p)
		}
	}
	return out
}

// visitThreshold is the threshold of one visit, for the measuring and as it is
// stored: the one set by hand, or the one its photos give together. Photos set
// aside have no part in it. curves holds the stored curves by measurement.
func visitThreshold(snap *record.Snapshot, visit int, photos []*record.Photo, curves map[int64][]byte, opt vision.Options) (vision.Threshold, record.Threshold, error) {
	if was, ok := snap.Thresholds[visit]; ok && was.ByHand {
		th, err := vision.HandThreshold(opt.Index, was.Value)
		return th, was, err
	}
	var pooled []vision.Curve
	for _, p := range photos {
		if p.Rejected != "" {
			continue
		}
		c, err := curveOf(p, curves)
		if err != nil {
			return vision.Threshold{}, record.Threshold{}, err
		}
		pooled = append(pooled, c)
	}
	if len(pooled) == 0 {
		// No photo of the visit is used: an empty curve gives the default of the index.
		pooled = append(pooled, vision.Curve{Index: opt.Index})
	}
	th, err := vision.VisitThreshold(pooled, opt)
	return th, record.Threshold{Value: th.Value, Basis: th.Basis, Fingerprint: opt.Fingerprint()}, err
}

// curveOf reads the curve of a photo among the stored ones.
func curveOf(p *record.Photo, curves map[int64][]byte) (c vision.Curve, _ error) {
	if err := c.UnmarshalBinary(curves[p.MeasurementID]); err != nil {
		return c, fmt.Errorf("%s: its stored curve cannot be read: %w", fileName(p.Path), err)
	}
	return c, nil
}

// outdatedResult is a photo whose stored numbers do not belong to its
// threshold and marks.
type outdatedResult struct {
	photo     *record.Photo
	threshold vision.Threshold // of its visit
	marks     Marks
}

func outdatedResults(snap *record.Snapshot, photos []*record.Photo, curves map[int64][]byte, th vision.Threshold, opt vision.Options) ([]outdatedResult, error) {
	var out []outdatedResult
	for _, p := range photos {
		marks, err := MarksOf(snap, p.Hash)
		if err != nil {
			return nil, err
		}
		c, err := curveOf(p, curves)
		if err != nil && p.Rejected != "" {
			continue // to set it aside is the way out
		}
		if err != nil {
			return nil, err
		}
		own, err := th.For(c, opt)
		if err != nil {
			return nil, err
		}
		if p.Result == nil || p.Result.Threshold != own.Value || p.Result.Marks != marks.decisions {
			out = append(out, outdatedResult{p, th, marks})
		}
	}
	return out, nil
}

// resultAt works out the numbers of one stored measurement at a threshold.
func (s *Season) resultAt(ctx context.Context, o outdatedResult, opt vision.Options) (record.Result, error) {
	stored, err := s.store.Measurement(ctx, o.photo.MeasurementID)
	if err != nil {
		return record.Result{}, err
	}
	m, err := LoadMeasurement(stored)
	if err != nil {
		return record.Result{}, fmt.Errorf("%s: %w", fileName(o.photo.Path), err)
	}
	res, err := vision.AtThreshold(m, o.threshold, o.marks.apply(opt))
	if err != nil {
		return record.Result{}, fmt.Errorf("%s: %w", fileName(o.photo.Path), err)
	}
	out := record.Result{Threshold: res.Threshold.Value, CoverFrac: res.CoverFrac, LoFrac: res.CoverLo, HiFrac: res.CoverHi,
		Pieces: len(res.Pieces), Kind: res.Quantity, Notes: res.Warnings, Marks: o.marks.decisions}
	if o.marks.weedsOnly {
		weedsOnly(&out, res)
	}
	if len(res.Flags) > 0 {
		if out.Flags, err = json.Marshal(res.Flags); err != nil {
			return record.Result{}, err
		}
	}
	return out, nil
}

// inParallel does n things on all cores and returns the first fault, or that
// ctx ended.
func inParallel(ctx context.Context, n int, do func(i int) error) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(runtime.NumCPU(), n) {
		wg.Go(func() {
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				if err := do(i); err != nil {
					stop(err)
				}
			}
		})
	}
	wg.Wait()
	return context.Cause(ctx)
}
