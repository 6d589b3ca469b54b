package calibrate

import (
	"errors"
	"fmt"
	"slices"
)

// Kind says what was assessed.
type Kind string

// What a pair can hold.
const (
	Cover Kind = "cover" // plant share of the quadrat, a fraction inside the package
	Count Kind = "count" // pieces per quadrat
)

// Unit says how cover values are written in the pairs given. It is ignored for
// counts.
type Unit string

// How cover is written on input.
const (
	UnitAuto     Unit = ""         // decided from the largest values, and said in the report
	UnitFraction Unit = "fraction" // 0 to 1
	UnitPercent  Unit = "percent"  // 0 to 100
)

// Names a report may be grouped by.
const (
	ByVisit     = "visit"
	ByTreatment = "treatment"
	ByObserver  = "observer"
)

// Options steer Study. The zero value is not valid; begin with DefaultOptions.
type Options struct {
	Kind Kind `json:"kind"`
	Unit Unit `json:"unit"` // of the pairs given, for cover

	// Logs has the line fitted on logarithms, for counts only.
	Logs bool `json:"logs,omitempty"`
	// HandName and ImageName say what is held against what, for titles; ""
	// leaves it at the kind.
	HandName  string `json:"hand_name,omitempty"`
	ImageName string `json:"image_name,omitempty"`

	// Margin is the largest mean difference (image minus hand) that would still
	// let hand counting stop, stated before the data are seen: a cover fraction
	// (0.05 is 5 points) or pieces per quadrat. Nil: no verdict is given.
	Margin *float64 `json:"margin,omitempty"`

	// Enough is the least a yes must rest on.
	Enough Enough `json:"enough"`

	By         []string `json:"by"`         // any of ByVisit, ByTreatment, ByObserver
	Confidence float64  `json:"confidence"` // of every interval, in (0.5, 1)
	Seed       uint64   `json:"seed"`       // of the cluster bootstrap
	Resamples  int      `json:"resamples"`  // of the cluster bootstrap, 200 to 100000

	// DemingRatio is var(error of hand)/var(error of image) for the
	// errors-in-both-variables line of hand on image.
	DemingRatio float64 `json:"deming_ratio"`

	// Costs give minutes per hand count and per photo, for the gain and the plan
	// of double sampling. Zero: no plan is made.
	HandMinutes  float64 `json:"hand_minutes,omitempty"`
	PhotoMinutes float64 `json:"photo_minutes,omitempty"`
	// TargetSE of a plot mean, in the unit of the package; 0: no target.
	TargetSE float64 `json:"target_se,omitempty"`
}

// DefaultOptions gives cover, 95 % intervals, 2000 resamples, a Deming ratio of
// 1 and tables by visit, treatment and observer. No margin: only the user can
// state one.
func DefaultOptions() Options {
	return Options{
		Kind: Cover, By: []string{ByVisit, ByTreatment, ByObserver},
		Enough: DefaultEnough(), Confidence: 0.95, Seed: 1, Resamples: 2000, DemingRatio: 1,
	}
}

// Validate returns the first fault in the options, with the way out.
func (o Options) Validate() error {
	switch {
	case o.Kind != Cover && o.Kind != Count:
		return fmt.Errorf("kind %q is not known: use cover or count", o.Kind)
	case o.Unit != UnitAuto && o.Unit != UnitFraction && o.Unit != UnitPercent:
		return fmt.Errorf("unit %q is not known: use fraction or percent", o.Unit)
	case o.Logs && o.Kind != Count:
		return errors.New("a line on logarithms is for counts: cover has a straight one")
	case !(o.Confidence > 0.5 && o.Confidence < 1):
		return fmt.Errorf("confidence %v is outside 0.5 to 1: use 0.95 for 95 %%", o.Confidence)
	case o.Resamples < 200 || o.Resamples > 100000:
		return fmt.Errorf("resamples %d is outside 200 to 100000: use 2000", o.Resamples)
	case !positive(o.DemingRatio):
		return fmt.Errorf("deming ratio %v must be a number above 0: use 1 when hand and image err alike", o.DemingRatio)
	case o.Margin != nil && !positive(*o.Margin):
		return fmt.Errorf("margin %v must be a number above 0", *o.Margin)
	case o.Margin != nil && o.Kind == Cover && *o.Margin >= 1:
		return fmt.Errorf("margin %v is the whole range of cover: write 0.05 for 5 points", *o.Margin)
	}
	if o.Margin != nil {
		if err := o.Enough.Validate(); err != nil {
			return err
		}
	}
	for _, c := range [...]struct {
		name  string
		value float64
	}{{"hand minutes", o.HandMinutes}, {"photo minutes", o.PhotoMinutes}, {"target standard error", o.TargetSE}} {
		if c.value != 0 && !positive(c.value) {
			return fmt.Errorf("%s %v must be a number above 0", c.name, c.value)
		}
	}
	for _, by := range o.By {
		if !slices.Contains([]string{ByVisit, ByTreatment, ByObserver}, by) {
			return fmt.Errorf("cannot group by %q: use visit, treatment or observer", by)
		}
	}
	return nil
}
