package season

import (
	"cmp"
	"context"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

// Settings say how the photos of a trial are measured. They are kept as a
// decision about the trial.
type Settings struct {
	Index   vision.Index `json:"index,omitempty"`
	NoFrame bool         `json:"no_frame,omitempty"`
	// CardWhite takes the plot card's paper as the white reference.
	CardWhite bool `json:"card_white,omitempty"`
	// Plants keeps what the green looks like from the first measuring on, so
	// that naming plants measures no photo again.
	Plants bool `json:"plants,omitempty"`
}

// Change is what a person says about how photos are measured from now on.
type Change struct {
	Index                      vision.Index // "" leaves it as it is
	NoFrame, CardWhite, Plants *bool        // nil leaves it as it is
	Thresholds                 []HandThreshold
}

// HandThreshold is the threshold of a visit as a person sets it.
type HandThreshold struct {
	Visit int      // from 1
	Value *float64 // nil: it follows from the photos again
}

// TrialSubject is what decisions about the whole trial are about.
const TrialSubject = "trial"

// DecidedSettings are the settings decided about the trial.
func DecidedSettings(snap *record.Snapshot) (Settings, error) {
	d, ok := snap.Decision(TrialSubject, record.KindSettings)
	if !ok {
		return Settings{}, nil
	}
	return decode[Settings](d.Value)
}

// VisionOptions are the options every photo of the trial is measured with.
func VisionOptions(snap *record.Snapshot) (vision.Options, error) {
	s, err := DecidedSettings(snap)
	if err != nil {
		return vision.Options{}, err
	}
	return s.VisionOptions(&snap.Trial)
}

// With are the settings after a change.
func (s Settings) With(c Change) Settings {
	s.Index = cmp.Or(c.Index, s.Index)
	if c.NoFrame != nil {
		s.NoFrame = *c.NoFrame
	}
	if c.CardWhite != nil {
		s.CardWhite = *c.CardWhite
	}
	if c.Plants != nil {
		s.Plants = *c.Plants
	}
	return s
}

// IndexInUse is the greenness index of the settings.
func (s Settings) IndexInUse() vision.Index { return cmp.Or(s.Index, vision.DefaultOptions().Index) }

// VisionOptions are the settings as options of the measuring, for the quadrat
// of a trial.
func (s Settings) VisionOptions(t *trial.Trial) (vision.Options, error) {
	opt := vision.DefaultOptions()
	opt.FrameMM = [2]float64{t.Quadrat.WidthMM, t.Quadrat.LengthMM}
	opt.PipeDiameterMM = t.Quadrat.PipeMM
	opt.Index = s.IndexInUse()
	opt.CardWhite, opt.Looks = s.CardWhite, s.Plants
	if s.NoFrame {
		// The plot card is then the only ruler in the photo.
		opt.FrameMM, opt.CardCodeMM = [2]float64{}, print.CodeMM
	}
	return opt, opt.Validate()
}

// changeSettings stores what a change changes and gives the options that hold
// from then on; snap becomes the newest snapshot.
func (s *Season) changeSettings(ctx context.Context, snap **record.Snapshot, change Change) (vision.Options, error) {
	was, err := DecidedSettings(*snap)
	if err != nil {
		return vision.Options{}, err
	}
	now := was.With(change)
	opt, err := now.VisionOptions(&(*snap).Trial)
	if err != nil || (now == was && len(change.Thresholds) == 0) {
		return opt, err
	}
	_, err = s.store.WriteAs(ctx, record.EntryHand, "photos", "settings", func(tx *record.Tx) error {
		if now != was {
			if _, err := tx.Decide(TrialSubject, record.KindSettings, now); err != nil {
				return err
			}
		}
		for _, h := range change.Thresholds {
			if _, err := tx.Decide(record.VisitSubject(h.Visit), record.KindThreshold, h.Threshold()); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		*snap, err = s.store.Snapshot(ctx)
	}
	return opt, err
}

// Threshold is what is stored about the visit until its photos are looked at.
func (h HandThreshold) Threshold() record.Threshold {
	if h.Value == nil {
		return record.Threshold{Basis: "to follow from the photos"}
	}
	return record.Threshold{Value: *h.Value, Basis: "set by hand", ByHand: true}
}
