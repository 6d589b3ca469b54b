package analysis

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// VisitProgress is how far one visit has come: what is in and what is missing.
type VisitProgress struct {
	Visit    int      `json:"visit"`
	Date     string   `json:"date"`                      // planned
	Wanted   int      `json:"quadrats"`                  // plots times quadrats a plot
	Photos   int      `json:"with_photo"`                // quadrats with a photo in use
	Counts   int      `json:"with_count"`                // quadrats with a hand count
	Others   int      `json:"plots_with_other_readings"` // such as cover judged by eye
	NoPhoto  []string `json:"without_photo"`             // "101/2"
	NoCount  []string `json:"without_count"`
	NotBegun bool     `json:"not_begun"`
	// Split names blocks visited on more than one day: weather or light of a
	// day would count as a difference between plots.
	Split []string `json:"blocks_on_several_days"`

	Made []trial.Date `json:"-"` // days of its readings, first to last
}

// Progress says of every planned visit what is in and what is missing.
func Progress(snap *record.Snapshot) []VisitProgress {
	photo, count := map[Place]bool{}, map[Place]bool{}
	for at := range snap.Counted() {
		count[Place(at)] = true
	}
	made := map[int][]trial.Date{}
	day := func(visit int, d trial.Date) {
		if visit > 0 && !d.IsZero() && !slices.Contains(made[visit], d) {
			made[visit] = append(made[visit], d)
		}
	}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			photo[Place{p.Place.Plot, p.Place.Quadrat, p.Place.Visit}] = true
			day(p.Place.Visit, dayTaken(p))
		}
	}
	others := map[int]map[string]bool{} // plots by visit
	for i := range snap.Observations {
		o := &snap.Observations[i]
		day(o.Visit, o.Date)
		if o.Visit > 0 && o.Plot != "" && o.Variable != record.VarCount && !o.Missing && !o.Withdrawn {
			if others[o.Visit] == nil {
				others[o.Visit] = map[string]bool{}
			}
			others[o.Visit][o.Plot] = true
		}
	}
	split := blocksOnSeveralDays(snap)
	var out []VisitProgress
	for i, d := range snap.Trial.Visits {
		v := VisitProgress{Visit: i + 1, Date: d.String(), Split: split[i+1], Made: made[i+1], Others: len(others[i+1])}
		slices.SortFunc(v.Made, func(a, b trial.Date) int { return cmp.Compare(a.String(), b.String()) })
		for _, p := range snap.Plots {
			for q := 1; q <= max(1, snap.Trial.Quadrat.PerPlot); q++ {
				v.Wanted++
				at := Place{p.ID, q, v.Visit}
				label := fmt.Sprintf("%s/%d", p.ID, q)
				if photo[at] {
					v.Photos++
				} else {
					v.NoPhoto = append(v.NoPhoto, label)
				}
				if count[at] {
					v.Counts++
				} else {
					v.NoCount = append(v.NoCount, label)
				}
			}
		}
		v.NotBegun = v.Photos == 0 && v.Counts == 0 && v.Others == 0
		out = append(out, v)
	}
	return out
}

// PlotsWithYield is the number of plots of which the season's yield is known:
// they have every pick that any plot has.
func PlotsWithYield(snap *record.Snapshot) int {
	h := record.HarvestsOf(snap.Observations, snap.Plots)
	n := 0
	for _, p := range snap.Plots {
		if h.Season(p.ID) {
			n++
		}
	}
	return n
}

// QuestionKind tells what a question of the sheets is about.
type QuestionKind string

// The kinds.
const (
	AskPick    QuestionKind = "pick"    // a plot lacks the weight of a pick that others have
	AskWeights QuestionKind = "weights" // a total is not the sum of its parts
	AskClass   QuestionKind = "class"   // a class was counted in few quadrats of a visit
)

// KindNote marks, in an export, what is said of a response and no question.
const KindNote = "note"

// SheetQuestion is something that stored sheets leave open.
type SheetQuestion struct {
	Kind  QuestionKind `json:"kind"`
	Of    Key          `json:"of"` // the response it is about
	Text  string       `json:"text"`
	Short string       `json:"short"` // the fact alone, for where there is little room
	// Class and Visit are those of an AskClass.
	Class string `json:"class,omitempty"`
	Visit int    `json:"visit,omitempty"`
}

// Questions are those questions of the stored sheets that touch a response.
func (r Response) Questions(snap *record.Snapshot) []SheetQuestion {
	var out []SheetQuestion
	switch r.def.variable {
	case record.VarYield:
		out = harvestQuestions(snap)
	case record.VarCount:
		out = classQuestions(r.classGaps(snap))
	}
	return out
}

// SheetQuestions are what stored sheets leave open: picks that a plot lacks,
// classes that only some quadrats have, weights that do not add up.
func SheetQuestions(snap *record.Snapshot) []SheetQuestion {
	return append(harvestQuestions(snap), classQuestions(snap.ClassGaps())...)
}

func textsOf(list []SheetQuestion) []string {
	var out []string
	for _, q := range list {
		out = append(out, q.Text)
	}
	return out
}

func harvestQuestions(snap *record.Snapshot) []SheetQuestion {
	var out []SheetQuestion
	h := record.HarvestsOf(snap.Observations, snap.Plots)
	if text, short := h.Question(); text != "" {
		out = append(out, SheetQuestion{Kind: AskPick, Of: Yield, Text: text, Short: short})
	}
	for _, d := range h.Disagree {
		out = append(out, SheetQuestion{Kind: AskWeights, Of: Yield, Text: fmt.Sprintf("%s: plot %s at pick %s has %s: which is right?", d.Source, d.Plot, h.PickName(d.Pick), d.Text(snap.Trial.Units)),
			Short: fmt.Sprintf("the weights of plot %s at pick %s do not add up", d.Plot, h.PickName(d.Pick))})
	}
	return out
}

// classGaps are the classes that not all quadrats tell of, among those that a
// count holds.
func (r Response) classGaps(snap *record.Snapshot) []record.ClassGap {
	if r.Class == "" {
		return snap.ClassGaps()
	}
	return record.ClassGapsOf(snap.Observations, snap.Trial.Classes, snap.Unlisted(), func(c trial.Class) bool {
		return ofClass(record.Observation{Class: c.Name, Group: c.Group, Life: c.Life}, r.Class)
	})
}

func classQuestions(gaps []record.ClassGap) []SheetQuestion {
	var out []SheetQuestion
	for _, g := range gaps {
		if g.Answer != record.UnlistedUnknown {
			out = append(out, SheetQuestion{Kind: AskClass, Of: HandCount, Text: g.Text(), Short: g.Short(), Class: g.Class, Visit: g.Visit})
		}
	}
	return out
}

func dayTaken(p *record.Photo) trial.Date {
	d, _ := trial.ParseDate(p.Taken[:min(10, len(p.Taken))])
	return d
}

// blocksOnSeveralDays finds blocks whose plots were photographed or counted on
// more than one day of a visit: within a block, all plots belong on one day.
func blocksOnSeveralDays(snap *record.Snapshot) map[int][]string {
	type blockVisit struct {
		block string
		visit int
	}
	days := map[blockVisit]map[string]bool{}
	saw := func(plot string, visit int, d trial.Date) {
		p, ok := snap.Plot(plot)
		if !ok || visit == 0 || d.IsZero() || p.Block == "" {
			return
		}
		k := blockVisit{p.Block, visit}
		if days[k] == nil {
			days[k] = map[string]bool{}
		}
		days[k][d.String()] = true
	}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			saw(p.Place.Plot, p.Place.Visit, dayTaken(p))
		}
	}
	for _, o := range snap.Observations {
		if o.Variable == record.VarCount {
			saw(o.Plot, o.Visit, o.Date)
		}
	}
	out := map[int][]string{}
	for k, set := range days {
		if len(set) > 1 {
			out[k.visit] = append(out[k.visit], fmt.Sprintf("block %s on %s", k.block, strings.Join(slices.Sorted(maps.Keys(set)), " and ")))
		}
	}
	for _, list := range out {
		slices.Sort(list)
	}
	return out
}
