package reviewdata

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/trial"
)

// evidence gathers the pictures that help to answer where a photo belongs: the
// card enlarged, the photo itself as a whole, its neighbours in the walk by the camera's clock,
// and the same spot at the visit before. A photo that is placed needs none.
func evidence(snap *record.Snapshot, p *record.Photo) []review.Evidence {
	if p.State() != record.PhotoAwaitsPlace {
		return nil
	}
	out := []review.Evidence{{Hash: p.Hash, View: review.Card, Text: "its card, or what may be one"}, {Hash: p.Hash, View: review.Upright, Text: "this photo, whole"}}
	var walk []*record.Photo
	for i := range snap.Photos {
		q := &snap.Photos[i]
		if q.Taken != "" && q.Camera == p.Camera && q.State() != record.PhotoUnread && q.State() != record.PhotoUnmeasured {
			walk = append(walk, q)
		}
	}
	slices.SortStableFunc(walk, func(a, b *record.Photo) int { return cmp.Compare(a.Taken, b.Taken) })
	if at := slices.IndexFunc(walk, func(q *record.Photo) bool { return q.Hash == p.Hash }); at >= 0 {
		beside := func(i int, where string) {
			if i >= 0 && i < len(walk) && dayOf(walk[i]) == dayOf(p) {
				out = append(out, review.Evidence{Hash: walk[i].Hash, View: review.Small, Text: where + " in the walk: " + spotOf(walk[i])})
			}
		}
		beside(at-1, "before")
		beside(at+1, "after")
	}
	visit := cmp.Or(p.Place.Visit, likelyVisit(snap, p))
	var last *record.Photo // of the same spot at the newest visit before this one
	for i := range snap.Photos {
		q := &snap.Photos[i]
		if p.Place.Plot != "" && q.InUse() && q.Place.Plot == p.Place.Plot && q.Place.Quadrat == p.Place.Quadrat && q.Place.Visit < visit &&
			(last == nil || q.Place.Visit > last.Place.Visit) {
			last = q
		}
	}
	if last != nil {
		out = append(out, review.Evidence{Hash: last.Hash, View: review.Small, Text: fmt.Sprintf("%s at visit %d", spotOf(last), last.Place.Visit)})
	}
	return out
}

func spotOf(p *record.Photo) string {
	if p.Place.Plot == "" {
		return filepath.Base(p.Path)
	}
	return fmt.Sprintf("%s / %d", p.Place.Plot, p.Place.Quadrat)
}

func dayOf(p *record.Photo) string { return p.Taken[:min(10, len(p.Taken))] }

// likelyVisit is the visit whose planned day is nearest to the day a photo was
// taken, or that its name tells, where it is within three days; 0 none. It is
// only offered, never taken.
func likelyVisit(snap *record.Snapshot, p *record.Photo) int {
	day, err := trial.ParseDate(cmp.Or(dayOf(p), p.NameDate))
	if err != nil {
		return 0
	}
	best, far := 0, 4
	for i, v := range snap.Trial.Visits {
		d := v.DaysTo(day)
		if d < 0 {
			d = -d
		}
		if d < far {
			best, far = i+1, d
		}
	}
	return best
}

// wholeCopy names the photo in use of which an unreadable one is a damaged
// copy: the same camera at the same second.
func wholeCopy(snap *record.Snapshot, p *record.Photo) string {
	if p.State() != record.PhotoUnread || p.Taken == "" {
		return ""
	}
	for i := range snap.Photos {
		q := &snap.Photos[i]
		if q.InUse() && q.Taken == p.Taken && q.Camera == p.Camera {
			return filepath.Base(q.Path)
		}
	}
	return ""
}

// sizeOfStraight is the size in pixels of the straight view of ground of the
// given proportions.
func sizeOfStraight(width, height, long int) (w, h int) {
	if width >= height {
		return long, max(1, (height*long+width/2)/width)
	}
	return max(1, (width*long+height/2)/height), long
}
