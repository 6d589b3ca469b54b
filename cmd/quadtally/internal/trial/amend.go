package trial

import (
	"fmt"
	"slices"
	"strings"
)

// Effect is what becomes of a difference between a plan and its amendment.
type Effect string

// The effects.
const (
	Applies    Effect = "applies"    // the new value holds from now on, and for what is there
	Recomputes Effect = "recomputes" // values per area or per plot are worked out anew
	Remeasures Effect = "remeasures" // photos are measured again
	Asks       Effect = "asks"       // data are there that a person has to agree to move
	Refuses    Effect = "refuses"    // the old value stays
)

// Amendment is one difference between two plans.
type Amendment struct {
	Key    string   `json:"key"` // of the plan file
	Was    []string `json:"was"` // values as they stand in a plan file; none where the key is not there
	Now    []string `json:"now"`
	Effect Effect   `json:"effect"`
	Reason string   `json:"reason,omitempty"` // of a refusal or a question
	Visit  int      `json:"visit,omitempty"`  // the question is about
}

// Used is what the record holds, as far as a plan must not contradict it.
type Used struct {
	PhotosAt map[int]int // photos by visit
	ValuesAt map[int]int // counts and assessments by visit
	Quadrats int         // highest quadrat with a photo or a value
}

func (u Used) at(visit int) int { return u.PhotosAt[visit] + u.ValuesAt[visit] }

// layoutKeys are what the layout in the ground was drawn from. It is never
// drawn a second time.
var layoutKeys = map[string]string{
	"tag":            "the cards in the field carry it",
	"design":         "the plots are laid out by it",
	"blocks":         "the plots are laid out by it",
	"block size":     "the plots are laid out by it",
	"beds per plot":  "the plots are laid out by it",
	"beds":           "the plots are laid out by it",
	"sections":       "the plots are laid out by it",
	"spare":          "the plots are laid out by it",
	"alley":          "the plots are laid out by it",
	"plot length":    "the plots are laid out by it",
	"control length": "the plots are laid out by it",
	"seed":           "the layout and the quadrats' places were drawn with it",
}

// Amend compares a plan with what it is to become, given what the record
// holds, and returns every difference with its effect, and the plan with all
// differences but the refused ones. Moves of visits that hold data are applied
// where agreed says so; otherwise they are asked about and left out.
func Amend(old, wanted *Trial, used Used, agreed bool) (Trial, []Amendment) {
	merged := *wanted
	merged.Generator = old.Generator
	var out []Amendment
	same := *wanted // lengths are compared in one system of units
	same.Units = old.Units
	for i := range planFields {
		f := &planFields[i]
		a := Amendment{Key: f.key, Was: f.values(old), Now: f.values(&same), Effect: Applies}
		if f.key == "units" {
			a.Now = f.values(wanted)
		}
		if slices.Equal(a.Was, a.Now) {
			continue
		}
		switch reason, fixed := layoutKeys[f.key]; {
		case fixed:
			a.Effect, a.Reason = Refuses, reason
		case f.key == "treatment":
			amendTreatments(old, wanted, &a)
		case f.key == "visits":
			out = append(out, amendVisits(old, &merged, used, agreed)...)
			continue
		case f.key == "quadrats per plot" && wanted.Quadrat.PerPlot < used.Quadrats:
			a.Effect, a.Reason = Refuses, fmt.Sprintf("quadrat %d has photos or values", used.Quadrats)
		case f.key == "quadrat" || f.key == "frame pipe":
			a.Effect = Remeasures
		case f.key == "bed spacing" || f.key == "row spacing" || f.key == "rows per bed" || f.key == "bed top":
			a.Effect = Recomputes
		}
		if a.Effect == Refuses {
			f.keep(old, &merged)
		}
		out = append(out, a)
	}
	return merged, out
}

// amendTreatments lets names, rates and dates change. Which treatments there
// are was fixed by the layout.
func amendTreatments(old, wanted *Trial, a *Amendment) {
	code := func(tr Treatment) string { return tr.Code }
	before, after := eachLine(old.Treatments, code), eachLine(wanted.Treatments, code)
	if slices.Equal(before, after) {
		return
	}
	slices.Sort(before)
	slices.Sort(after)
	if slices.Equal(before, after) { // another order is one of tables alone
		return
	}
	var gone, added []string
	for _, c := range before {
		if !slices.Contains(after, c) {
			gone = append(gone, c)
		}
	}
	for _, c := range after {
		if !slices.Contains(before, c) {
			added = append(added, c)
		}
	}
	a.Effect = Refuses
	a.Reason = "the plots in the ground have their treatments"
	if len(gone) > 0 {
		a.Reason += "; taken out: " + strings.Join(gone, ", ")
	}
	if len(added) > 0 {
		a.Reason += "; new: " + strings.Join(added, ", ")
	}
}

// amendVisits lets visits be added at the end, and moved or taken out where
// nothing was stored for them. A visit keeps its number: data are tied to it.
func amendVisits(old, merged *Trial, used Used, agreed bool) []Amendment {
	wanted := merged.Visits
	date := func(list []Date, i int) []string {
		if i < len(list) {
			return []string{list[i].String()}
		}
		return nil
	}
	var out []Amendment
	refused := false
	for i := range max(len(old.Visits), len(wanted)) {
		a := Amendment{Key: "visits", Visit: i + 1, Was: date(old.Visits, i), Now: date(wanted, i), Effect: Applies}
		if slices.Equal(a.Was, a.Now) {
			continue
		}
		n := used.at(i + 1)
		switch {
		case n == 0:
		case len(a.Now) == 0:
			a.Effect = Refuses
			a.Reason = fmt.Sprintf("visit %d holds %d photos and %d values: a visit with data cannot be taken out", i+1, used.PhotosAt[i+1], used.ValuesAt[i+1])
		case !agreed:
			a.Effect = Asks
			a.Reason = fmt.Sprintf("visit %d holds %d photos and %d values; photos taken more than %d days from its new date would belong to no visit", i+1, used.PhotosAt[i+1], used.ValuesAt[i+1], merged.VisitToleranceDays)
		}
		refused = refused || a.Effect == Refuses || a.Effect == Asks
		out = append(out, a)
	}
	if refused { // dates hang together: all or none
		merged.Visits = slices.Clone(old.Visits)
		for i := range out {
			if out[i].Effect == Applies {
				out[i].Effect, out[i].Reason = Refuses, "another visit of this plan cannot be changed like this"
			}
		}
	}
	return out
}

// keep gives a key of t the value it has in old.
func (f *field) keep(old, t *Trial) {
	switch f.key {
	case "tag":
		t.Tag = old.Tag
	case "design":
		t.Design = old.Design
	case "blocks":
		t.Blocks = old.Blocks
	case "block size":
		t.BlockSize = old.BlockSize
	case "beds per plot":
		t.Ground.Beds = old.Ground.Beds
	case "beds":
		t.Ground.FieldBeds = old.Ground.FieldBeds
	case "sections":
		t.Ground.Sections = old.Ground.Sections
	case "spare":
		t.Ground.Spare = old.Ground.Spare
	case "alley":
		t.Ground.AlleyMM = old.Ground.AlleyMM
	case "plot length":
		t.Ground.LengthMM = old.Ground.LengthMM
	case "control length":
		t.Ground.ControlLengthMM = old.Ground.ControlLengthMM
	case "seed":
		t.Seed = old.Seed
	case "treatment":
		t.Treatments = old.Treatments
	case "quadrats per plot":
		t.Quadrat.PerPlot = old.Quadrat.PerPlot
	}
}

// String writes a difference in a line: "frame pipe: was 21 mm, now 33 mm;
// photos are measured again".
func (a Amendment) String() string {
	say := func(v []string) string {
		if len(v) == 0 {
			return "not there"
		}
		return strings.Join(v, " | ")
	}
	key := a.Key
	if a.Visit > 0 {
		key = fmt.Sprintf("visit %d", a.Visit)
	}
	s := fmt.Sprintf("%s: was %s, now %s", key, say(a.Was), say(a.Now))
	switch a.Effect {
	case Recomputes:
		s += "; values are worked out anew"
	case Remeasures:
		s += "; photos are measured again"
	case Asks:
		s += "; asked: " + a.Reason
	case Refuses:
		s += "; refused: " + a.Reason
	}
	return s
}
