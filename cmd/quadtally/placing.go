package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/vision"
	"quadtally/vision/label"
)

// identify works out where every photo belongs and stores what changed.
func (a *app) identify(store *record.Store, sheet map[string]intake.Spot) error {
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	seen := make([]intake.Seen, 0, len(snap.Photos))
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.Rejected != "" {
			continue // it shows no quadrat that counts
		}
		s := intake.Seen{Hash: p.Hash, Path: p.Path, Taken: p.Taken, Unmeasured: p.Fault != ""}
		s.NameDate.UnmarshalText([]byte(p.NameDate))
		if p.Place.Basis == intake.ByHand {
			s.Hand = &intake.Spot{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit}
		}
		if spot, ok := sheet[strings.ToLower(filepath.Base(p.Path))]; ok {
			s.Sheet = &spot
		} else if p.Place.Basis == intake.BySheet && p.Place.State == record.PlaceSettled {
			s.Sheet = &intake.Spot{Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit} // a sheet given earlier still stands
		}
		if len(p.Doc) > 0 {
			m, err := unmarshal[vision.Measurement](p.Doc)
			if err != nil {
				return err
			}
			s.Sharpness = m.Quality.Acuity
			if l, err := label.Decode(m.Card); err == nil {
				s.Cards = append(s.Cards, intake.Card{Trial: l.Trial, Plot: l.Plot, Quadrat: l.Quadrat})
			}
		}
		seen = append(seen, s)
	}
	verdicts := intake.Identify(&snap.Trial, snap.Plots, seen)
	type change struct {
		hash  string
		place record.Place
	}
	var changes []change
	for i, v := range verdicts {
		p, _ := snap.Photo(seen[i].Hash)
		to := record.Place{Plot: v.Plot, Quadrat: v.Quadrat, Visit: v.Visit, Basis: v.Basis, State: record.PlaceSettled, Reason: v.Reason, Spare: v.Spare}
		switch {
		case v.Proposed:
			to.State = record.PlaceProposed
		case !v.Settled():
			to.State = record.PlaceOpen
		}
		if to != p.Place {
			changes = append(changes, change{p.Hash, to})
		}
	}
	if len(changes) == 0 {
		return nil
	}
	_, err = store.Write(a.ctx, "photos", "identified", func(tx *record.Tx) error {
		for _, c := range changes {
			if _, err := tx.Decide(record.PhotoSubject(c.hash), record.KindPlace, c.place); err != nil {
				return err
			}
		}
		return nil
	})
	return err
}

// readPhotoSheet reads which photo is which.
func (a *app) readPhotoSheet(path string) (map[string]intake.Spot, error) {
	s, err := a.readSheet(path)
	if err != nil {
		return nil, err
	}
	pc, plc := s.Column("photo", "file", "image", "file name"), s.Column("plot")
	if pc < 0 || plc < 0 {
		return nil, s.MissingColumn("the photo's file name and the plot")
	}
	out := map[string]intake.Spot{}
	number := map[string]map[int]tables.Value{}
	for _, name := range []string{"quadrat", "visit"} {
		if c := s.Column(name); c >= 0 {
			values, faults := s.NumbersByLine(c, tables.Undecided)
			for _, x := range faults {
				a.note("%s", s.FaultText(x))
			}
			number[name] = values
		}
	}
	for _, row := range s.Rows {
		key := strings.ToLower(filepath.Base(row.Cells[pc].Text))
		if key == "." || row.Cells[plc].Text == "" {
			continue
		}
		spot := intake.Spot{Plot: row.Cells[plc].Text, Quadrat: int(number["quadrat"][row.Line].Number), Visit: int(number["visit"][row.Line].Number)}
		if was, dup := out[key]; dup && was != spot {
			return nil, fmt.Errorf("%s tells photo %s twice and differently: keep one row", s.Where(row.Line), row.Cells[pc].Text)
		}
		out[key] = spot
	}
	return out, nil
}
