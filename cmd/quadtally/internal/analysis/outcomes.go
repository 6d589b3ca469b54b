package analysis

import (
	"slices"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// Answer is a comparison or why it cannot be made: Refusal is set where neither
// Season nor Analysis is.
type Answer struct {
	Comparison
	Date    trial.Date
	Day     float64 // from the first visit
	Refusal string
	// VisitOf tells the visit of a season's day.
	VisitOf map[float64]int
}

// Outcome is everything found of one response. Overall is the season where
// there are several visits, else the only comparison there is; ByVisit holds
// each visit on its own.
type Outcome struct {
	Response
	Overall  Answer
	ByVisit  []Answer
	Readings []Reading
	// Corrected says in a sentence how a cover by class was corrected by check
	// points; "" for any other response.
	Corrected string
}

// asked is a response by its name and class.
type asked struct{ name, class string }

// everything lists what can be asked of the trial: green cover, counts (in all
// and by class) and yield always, so that a refusal is told; everything else
// where it was recorded.
func everything(snap *record.Snapshot) []asked {
	list := []asked{{string(GreenCover), ""}, {string(HandCount), ""}}
	var classes []string
	for _, o := range snap.Observations {
		if o.Variable == record.VarCount {
			classes = addName(addName(addName(classes, o.Class), o.Group), o.Life)
		}
	}
	if len(classes) > 1 {
		for _, c := range classes {
			list = append(list, asked{string(HandCount), c})
		}
	}
	list = append(list, asked{string(Yield), ""})
	names := Names(snap)
	if len(snap.Named) > 0 && !slices.Contains(names, string(WeedCover)) {
		list = append(list, asked{string(WeedCover), ""}) // why it cannot be told is told once plants were named
	}
	for _, name := range names {
		switch Key(name) {
		case GreenCover, HandCount, Yield:
			continue
		}
		if r, err := Find(snap, name, ""); err != nil || r.inRecord(snap) {
			list = append(list, asked{name, ""})
		}
	}
	return list
}

// addName adds a name that is not there yet in any spelling.
func addName(list []string, s string) []string {
	if s == "" || slices.ContainsFunc(list, func(x string) bool { return nameKey(x) == nameKey(s) }) {
		return list
	}
	return append(list, s)
}

// Responses are all responses of which at least one reading is in the record.
func Responses(snap *record.Snapshot) []Response {
	var out []Response
	for _, x := range everything(snap) {
		if r, err := Find(snap, x.name, x.class); err == nil && r.inRecord(snap) {
			out = append(out, r)
		}
	}
	return out
}

// Outcomes compares everything the trial holds, but for pieces in the photos
// and numbers harvested, which are told beside cover and yield. Models are
// fitted to the responses that are shown with all their tables.
func Outcomes(snap *record.Snapshot) []Outcome {
	var out []Outcome
	for _, x := range everything(snap) {
		switch Key(x.name) {
		case GreenPieces, WeedPieces, record.VarPieces:
			continue
		}
		out = append(out, outcomeOf(snap, x.name, x.class))
	}
	return out
}

func outcomeOf(snap *record.Snapshot, name, class string) Outcome {
	r, err := Find(snap, name, class)
	if err != nil {
		return Outcome{Response: Response{Key: Key(name), Class: class, Label: name}, Overall: Answer{Refusal: err.Error()}}
	}
	out := Outcome{Response: r}
	rs, _, err := r.Readings(snap)
	if err != nil {
		out.Overall.Refusal = err.Error()
		return out
	}
	out.Readings = rs
	first := map[int]trial.Date{}
	for _, x := range rs {
		if d, ok := first[x.Visit]; !ok || x.Date.DaysTo(d) > 0 {
			first[x.Visit] = x.Date
		}
	}
	days, _ := VisitDays(rs)
	visitOf := map[float64]int{}
	for v, d := range days {
		if was, ok := visitOf[d]; !ok || v < was {
			visitOf[d] = v
		}
	}
	answer := func(visit int, model Model) Answer {
		o := DefaultOptions()
		o.Class, o.Visit, o.Model = class, visit, model
		c, err := Compare(snap, name, o)
		if err != nil {
			return Answer{Comparison: Comparison{Visit: visit, Questions: r.Questions(snap)}, Refusal: err.Error()}
		}
		return Answer{Comparison: c, VisitOf: visitOf}
	}
	if r.Main {
		out.Overall = answer(0, "")
	} else {
		out.Overall = answer(0, NoModel)
	}
	out.Corrected = corrected(out.Overall.Checked)
	for v := 1; v <= len(snap.Trial.Visits); v++ {
		if d, ok := first[v]; ok {
			a := answer(v, NoModel)
			a.Date, a.Day = d, days[v]
			out.ByVisit = append(out.ByVisit, a)
		}
	}
	return out
}

// Agreement is the camera held against the hand, or why it could not be.
type Agreement struct {
	Of      calibrate.Kind
	Report  *calibrate.Report
	Refusal string
}

// Agreements holds the camera against the hand for cover and for counts.
func Agreements(snap *record.Snapshot) []Agreement {
	var out []Agreement
	for _, kind := range []calibrate.Kind{calibrate.Cover, calibrate.Count} {
		opt := calibrate.DefaultOptions()
		opt.Kind = kind
		a := Agreement{Of: kind}
		if r, err := Agree(snap, opt, Against{}); err != nil {
			a.Refusal = err.Error()
		} else {
			a.Report = &r
		}
		out = append(out, a)
	}
	return out
}
