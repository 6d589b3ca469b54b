package analysis

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/stats"
)

// Standing is how a comparison stands among all that could be, or were, made of
// a trial: the more of them, the more is shown by chance alone.
type Standing struct {
	// Primary is the response the plan named before the data were seen, ""
	// where it named none; IsPrimary says that it is this one. Responses have
	// values in the record.
	Primary   string `json:"primary,omitempty"`
	IsPrimary bool   `json:"is_primary,omitempty"`
	Responses int    `json:"responses"`
	// Tried are choices other than the usual that were made for this response,
	// those of this comparison among them. New are those that the record does
	// not hold yet.
	Tried []string `json:"tried,omitempty"`
	New   []string `json:"-"`
}

// Tried is a choice other than the usual as the record keeps it, about
// TriedSubject of the response.
type Tried struct {
	Choice string `json:"choice"`
}

// TriedSubject is what a choice for a response is about. Each choice is one of
// its own, so that none replaces another.
func TriedSubject(key Key, class, choice string) string {
	return fmt.Sprintf("compare:%s/%s/%s", key, nameKey(class), choice)
}

// choices are those of the options that are not the usual ones.
func (o Options) choices(r Response) []string {
	var out []string
	usual, kind := DefaultOptions(), r.Kind
	scale := stats.DefaultScale(kind)
	if o.Calibrated || r.def.ofRole != "" { // as measured
		scale = stats.Raw
	}
	if o.Scale != "" && o.Scale != scale {
		out = append(out, "scale "+string(o.Scale))
	}
	if family, err := familyFor(o.Model, kind); err == nil && o.Model != NoModel {
		if by, _ := familyFor(ModelByKind, kind); by != family {
			out = append(out, "model "+string(o.Model))
		}
	}
	if o.Calibrated {
		out = append(out, "calibrated")
	}
	if x := o.Covariate; x != nil {
		choice := "covariate " + nameKey(x.Response)
		if x.Visit > 0 {
			choice += fmt.Sprintf("@%d", x.Visit)
		}
		out = append(out, choice)
	}
	if o.Method != usual.Method {
		out = append(out, "pairs by "+string(o.Method))
	}
	if o.Side != usual.Side {
		out = append(out, "side "+string(o.Side))
	}
	return out
}

func standingOf(snap *record.Snapshot, r Response, o Options) Standing {
	s := Standing{Primary: snap.Trial.Primary, Responses: len(Responses(snap))}
	if s.Primary != "" {
		def, ok := lookUp(nameKey(s.Primary))
		s.IsPrimary = r.Class == "" && (ok && def.key == r.Key || nameKey(s.Primary) == nameKey(string(r.Key)))
	}
	about := TriedSubject(r.Key, r.Class, "")
	for _, d := range snap.Decisions {
		var t Tried
		if d.Kind == record.KindTried && strings.HasPrefix(d.Subject, about) && json.Unmarshal(d.Value, &t) == nil && !slices.Contains(s.Tried, t.Choice) {
			s.Tried = append(s.Tried, t.Choice)
		}
	}
	for _, c := range o.choices(r) {
		if !slices.Contains(s.Tried, c) {
			s.Tried, s.New = append(s.Tried, c), append(s.New, c)
		}
	}
	return s
}
