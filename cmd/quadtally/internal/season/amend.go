package season

import (
	"context"
	"fmt"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// Amended is what a changed plan did: how many of its keys were stored, need a
// person's yes, or are refused, and what followed.
type Amended struct {
	Stored, Asked, Refused int
	Followed               Followed
}

// Amend stores those changes of a plan that trial.Amend lets through, with the
// plan that it merged; dry only counts them. Photos are measured again where
// what they are measured with changed.
func (s *Season) Amend(ctx context.Context, snap *record.Snapshot, merged trial.Trial, changes []trial.Amendment, dry bool) (out Amended, err error) {
	remeasure := false
	for _, c := range changes {
		switch c.Effect {
		case trial.Asks:
			out.Asked++
		case trial.Refuses:
			out.Refused++
		default:
			out.Stored++
			remeasure = remeasure || c.Effect == trial.Remeasures
		}
	}
	if out.Stored == 0 || dry {
		return out, nil
	}
	if _, err := s.store.WriteAs(ctx, record.EntryHand, "amend", "", func(tx *record.Tx) error { return tx.SaveTrial(merged, snap.Plots) }); err != nil {
		return out, err
	}
	out.Followed, err = s.FollowUp(ctx, remeasure, nil)
	return out, err
}

// ChangeVisits stores a plan with other visits and places photos anew. Visits
// that hold photos or counts are moved only where agreed says so.
func (s *Season) ChangeVisits(ctx context.Context, snap *record.Snapshot, changed trial.Trial, note string, agreed bool) error {
	_, changes := trial.Amend(&snap.Trial, &changed, snap.Used(), agreed)
	for _, x := range changes {
		if x.Effect == trial.Asks || x.Effect == trial.Refuses {
			return fmt.Errorf("%s: say --agreed if that is meant; nothing was changed", x)
		}
	}
	if _, err := s.store.Write(ctx, "visits", note, func(tx *record.Tx) error { return tx.SaveTrial(changed, snap.Plots) }); err != nil {
		return err
	}
	return s.Update(ctx)
}
