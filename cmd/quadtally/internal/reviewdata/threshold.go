package reviewdata

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/vision"
)

// Thresholds tells what every threshold would do to a visit, from stored
// curves.
func (b *Backend) Thresholds(ctx context.Context, visit int) (review.Thresholds, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return review.Thresholds{}, err
	}
	th, ok := snap.Thresholds[visit]
	if !ok {
		return review.Thresholds{}, review.ErrUnknown
	}
	t := review.Thresholds{Visit: visit, ByHand: th.ByHand, Basis: th.Basis}
	var used []*record.Photo
	var ids []int64
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if !p.InUse() || p.Place.Visit != visit || len(used) > 0 && p.Fingerprint != used[0].Fingerprint {
			continue
		}
		used = append(used, p)
		ids = append(ids, p.MeasurementID)
	}
	if len(used) == 0 {
		return t, review.Refusal{Text: fmt.Sprintf("visit %d has no photo in use: there is nothing to choose a threshold by", visit)}
	}
	blobs, err := b.store.Curves(ctx, ids)
	if err != nil {
		return t, err
	}
	byPlot := map[string][][]float64{}
	for _, p := range used {
		var c vision.Curve
		if err := c.UnmarshalBinary(blobs[p.MeasurementID]); err != nil {
			return t, fmt.Errorf("%s: %w", filepath.Base(p.Path), err)
		}
		if t.Values == nil {
			if t.Values, err = c.Index.Thresholds(); err != nil {
				return t, err
			}
			t.Now = nearest(t.Values, th.Value)
		}
		// The last place holds what is in force: see vision.Threshold.For.
		covers := coverAt(append(slices.Clip(t.Values), p.Result.Threshold), c)
		last := len(t.Values)
		byPlot[p.Place.Plot] = append(byPlot[p.Place.Plot], covers)
		t.Photos = append(t.Photos, review.PhotoCover{Hash: p.Hash, Spot: fmt.Sprintf("%s / %d", p.Place.Plot, p.Place.Quadrat), Covers: covers[:last], NowFrac: covers[last]})
	}
	// Quadrats are parts of a plot: first the plot's mean, then over plots.
	var plots [][]float64
	for _, pl := range snap.Plots {
		if list := byPlot[pl.ID]; len(list) > 0 {
			plots = append(plots, meanOf(list))
		}
	}
	if mean := meanOf(plots); len(mean) > 0 {
		t.Mean, t.MeanNowFrac = mean[:len(t.Values)], mean[len(t.Values)]
	}
	return t, nil
}

// nearest is the index of the value next to v.
func nearest(values []float64, v float64) int {
	at := 0
	for i, x := range values {
		if math.Abs(x-v) < math.Abs(values[at]-v) {
			at = i
		}
	}
	return at
}

func coverAt(thresholds []float64, c vision.Curve) []float64 {
	out := make([]float64, len(thresholds))
	for i, v := range thresholds {
		out[i] = c.CoverFrac(v)
	}
	return out
}

// meanOf is the mean of rows, place by place; of no rows it is empty.
func meanOf(rows [][]float64) []float64 {
	if len(rows) == 0 {
		return []float64{}
	}
	out := make([]float64, len(rows[0]))
	for _, r := range rows {
		for i, v := range r {
			out[i] += v / float64(len(rows))
		}
	}
	return out
}
