package main

import (
	"cmp"
	"fmt"
	"maps"
	"path/filepath"
	"runtime"
	"slices"
	"sync"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// settleVisits gives each visit its threshold and each photo its numbers, and
// stores what changed. It returns the newest snapshot.
func (a *app) settleVisits(store *record.Store, opt vision.Options) (*record.Snapshot, error) {
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return nil, err
	}
	fingerprint := opt.Fingerprint()
	groups := map[int][]*record.Photo{}
	var ids []int64
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.MeasurementID == 0 || p.Fault != "" || p.Fingerprint != fingerprint {
			continue
		}
		groups[p.Place.Visit] = append(groups[p.Place.Visit], p)
		ids = append(ids, p.MeasurementID)
	}
	blobs, err := store.Curves(a.ctx, ids)
	if err != nil {
		return nil, err
	}
	newThresholds := map[int]record.Threshold{}
	type due struct {
		photo *record.Photo
		th    vision.Threshold
		marks patches
	}
	var list []due
	for visit, photos := range groups {
		th, stored, err := visitThreshold(snap, visit, photos, blobs, opt)
		if err != nil {
			return nil, err
		}
		if was, ok := snap.Thresholds[visit]; !ok || was != stored {
			newThresholds[visit] = stored
		}
		for _, p := range photos {
			marks, err := marksOf(snap, p.Hash)
			if err != nil {
				return nil, err
			}
			if p.Result == nil || p.Result.Threshold != th.Value || p.Result.Marks != marks.key {
				list = append(list, due{p, th, marks})
			}
		}
	}
	if len(list)+len(newThresholds) == 0 {
		return snap, nil
	}
	slices.SortFunc(list, func(x, y due) int { return cmp.Compare(x.photo.MeasurementID, y.photo.MeasurementID) })
	results := make([]record.Result, len(list))
	bar := a.progress(len(list), "counting pieces")
	var wg sync.WaitGroup
	var mu sync.Mutex
	next, failed := 0, error(nil)
	for range min(runtime.NumCPU(), max(1, len(list))) {
		wg.Go(func() {
			for {
				mu.Lock()
				i := next
				next++
				stop := failed != nil || a.ctx.Err() != nil
				mu.Unlock()
				if stop || i >= len(list) {
					return
				}
				r, err := a.resultOf(store, list[i].photo, list[i].th, list[i].marks, opt)
				mu.Lock()
				if err != nil && failed == nil {
					failed = err
				}
				mu.Unlock()
				results[i] = r
				bar.Add(1)
			}
		})
	}
	wg.Wait()
	bar.Finish()
	if failed = cmp.Or(failed, a.ctx.Err()); failed != nil {
		return nil, failed
	}
	_, err = store.Write(a.ctx, "photos", "settled", func(tx *record.Tx) error {
		for _, visit := range slices.Sorted(maps.Keys(newThresholds)) {
			if _, err := tx.Decide(record.VisitSubject(visit), record.KindThreshold, newThresholds[visit]); err != nil {
				return err
			}
		}
		for i, d := range list {
			if err := tx.AddResult(d.photo.MeasurementID, results[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return store.Snapshot(a.ctx)
}

// visitThreshold is the threshold of one visit: the one set by hand, or the
// one its photos give together.
func visitThreshold(snap *record.Snapshot, visit int, photos []*record.Photo, blobs map[int64][]byte, opt vision.Options) (vision.Threshold, record.Threshold, error) {
	if was, ok := snap.Thresholds[visit]; ok && was.ByHand {
		th, err := vision.HandThreshold(opt.Index, was.Value)
		return th, was, err
	}
	var curves []vision.Curve
	for _, p := range photos {
		if p.Rejected != "" {
			continue
		}
		var c vision.Curve
		if err := c.UnmarshalBinary(blobs[p.MeasurementID]); err != nil {
			return vision.Threshold{}, record.Threshold{}, fmt.Errorf("%s: its stored curve cannot be read: %w", filepath.Base(p.Path), err)
		}
		curves = append(curves, c)
	}
	if len(curves) == 0 {
		// Every photo was set aside: any threshold will do, the typical one says least.
		curves = append(curves, vision.Curve{Index: opt.Index})
	}
	th, err := vision.VisitThreshold(curves, opt)
	return th, record.Threshold{Value: th.Value, Basis: th.Basis, Fingerprint: opt.Fingerprint()}, err
}

// resultOf settles one stored measurement at a threshold.
func (a *app) resultOf(store *record.Store, p *record.Photo, th vision.Threshold, marks patches, opt vision.Options) (record.Result, error) {
	stored, err := store.Measurement(a.ctx, p.MeasurementID)
	if err != nil {
		return record.Result{}, err
	}
	m, err := loadMeasurement(stored)
	if err != nil {
		return record.Result{}, fmt.Errorf("%s: %w", filepath.Base(p.Path), err)
	}
	res, err := vision.Settle(m, th, marks.apply(opt))
	if err != nil {
		return record.Result{}, fmt.Errorf("%s: %w", filepath.Base(p.Path), err)
	}
	out := record.Result{Threshold: th.Value, CoverFrac: res.CoverFrac, LoFrac: res.CoverLo, HiFrac: res.CoverHi,
		Pieces: len(res.Pieces), Kind: res.Quantity, Notes: res.Warnings, Marks: marks.key}
	if marks.tell {
		weedsOnly(&out, res)
	}
	return out, nil
}

// loadMeasurement puts a stored measurement together again.
func loadMeasurement(s record.Measurement) (vision.Measurement, error) {
	m, err := unmarshal[vision.Measurement](s.Doc)
	if err != nil {
		return m, fmt.Errorf("its stored measurement cannot be read: %w", err)
	}
	if err := m.Curve.UnmarshalBinary(s.Curve); err != nil {
		return m, fmt.Errorf("its stored curve cannot be read: %w", err)
	}
	if len(s.Plane) > 0 {
		m.Plane = new(vision.Plane)
		if err := m.Plane.UnmarshalBinary(s.Plane); err != nil {
			return m, fmt.Errorf("its stored plane cannot be read: %w", err)
		}
	}
	return m, nil
}
