package season

import (
	"context"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
	"quadtally/vision/label"
)

// matchSheet finds the photos that the rows of a sheet mean, by path.
func matchSheet(snap *record.Snapshot, rows []intake.SheetRow) (map[string]intake.Spot, []intake.SheetClash) {
	paths := make([]string, len(snap.Photos))
	for i := range snap.Photos {
		paths[i] = snap.Photos[i].Path
	}
	return intake.MatchSheet(rows, paths)
}

// place works out which quadrat every photo shows and stores what changed;
// listed is what a sheet says, by path. It returns the newest snapshot.
func (s *Season) place(ctx context.Context, snap *record.Snapshot, listed map[string]intake.Spot) (*record.Snapshot, error) {
	seen, err := whatIsSeen(snap, listed)
	if err != nil {
		return nil, err
	}
	changes := placeChanges(snap, seen)
	if len(changes) == 0 {
		return snap, nil
	}
	_, err = s.store.WriteAs(ctx, record.EntryDerived, "photos", "placed", func(tx *record.Tx) error {
		for _, c := range changes {
			if _, err := tx.Decide(record.PhotoSubject(c.hash), record.KindPlace, c.place); err != nil {
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

// whatIsSeen gathers what says where each photo belongs. Photos set aside are
// left out: they show no quadrat that counts.
func whatIsSeen(snap *record.Snapshot, listed map[string]intake.Spot) ([]intake.Seen, error) {
	out := make([]intake.Seen, 0, len(snap.Photos))
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.Rejected != "" {
			continue
		}
		v := intake.Seen{Hash: p.Hash, Path: p.Path, Taken: p.Taken, Camera: p.Camera, Serial: p.Serial, Unmeasured: p.Fault != ""}
		v.NameDate.UnmarshalText([]byte(p.NameDate))
		known := intake.Spot{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit}
		if p.Place.Basis == intake.ByHand {
			v.Hand = &known
		}
		if spot, ok := listed[p.Path]; ok {
			v.Sheet = &spot
		} else if p.Place.Basis == intake.BySheet && p.Place.State == record.PlaceKnown {
			v.Sheet = &known // a sheet given earlier still stands
		}
		if len(p.Doc) > 0 {
			m, err := decode[vision.Measurement](p.Doc)
			if err != nil {
				return nil, err
			}
			v.Sharpness = m.Quality.Acuity
			if l, err := label.Decode(m.Card); err == nil {
				v.Cards = append(v.Cards, intake.Card{Trial: l.Trial, Plot: l.Plot, Quadrat: l.Quadrat})
			}
		}
		out = append(out, v)
	}
	return out, nil
}

type placeChange struct {
	hash  string
	place record.Place
}

// placeChanges are the places that differ from those in the record.
func placeChanges(snap *record.Snapshot, seen []intake.Seen) []placeChange {
	var out []placeChange
	for i, v := range intake.Identify(&snap.Trial, snap.Plots, seen) {
		p, _ := snap.Photo(seen[i].Hash)
		if to := placeOf(v); to != p.Place {
			out = append(out, placeChange{p.Hash, to})
		}
	}
	return out
}

// placeOf is a verdict as the record keeps it.
func placeOf(v intake.Verdict) record.Place {
	to := record.Place{Plot: v.Plot, Quadrat: v.Quadrat, Visit: v.Visit, Basis: v.Basis, State: record.PlaceKnown, Reason: v.Reason, Spare: v.Spare}
	switch {
	case v.Proposed:
		to.State = record.PlaceProposed
	case !v.Known():
		to.State = record.PlaceOpen
	}
	return to
}
