package record

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
)

// Pick is one picking of the whole trial: rows with one pick label, or, where
// the sheets number no picks, neighbouring days on which no plot was picked
// twice.
type Pick struct {
	Label string     // as the sheets number it; "" where dates tell it
	From  trial.Date // first day
	To    trial.Date // last day
}

// Harvest is what one plot gave at one pick. Weights are kilograms and nil
// where they are not known.
type Harvest struct {
	Plot       string
	Pick       int // index into Harvests.Picks
	Date       trial.Date
	Marketable *float64
	Cull       *float64
	Total      *float64
	Pieces     *float64
	LengthMM   float64 // bed length cut; 0 not stated
	Trim       string
	Source     string
	Ungraded   bool // Marketable is the total: nothing in the trial was graded
}

// MissingPick is a pick that other plots have and one has not, or of which a
// weight that counts is missing.
type MissingPick struct {
	Plot   string
	Pick   int
	Stated bool // the sheet itself says that it is missing
	Total  bool // it was weighed as a whole and not graded, unlike others
}

// Disagreement is a total that cannot be marketable plus cull.
type Disagreement struct {
	Plot string
	Pick int
	Weights
	Source string
}

// Weights are a total and its parts, kg; a part is nil where it is not known.
type Weights struct {
	Total            float64
	Marketable, Cull *float64
}

// Disagree reports a total that is less than its parts, or more than both of
// them together.
func (w Weights) Disagree() bool {
	parts, known := 0.0, 0
	for _, part := range []*float64{w.Marketable, w.Cull} {
		if part != nil {
			parts, known = parts+*part, known+1
		}
	}
	d := w.Total - parts
	return d < -weightTolerance || (known == 2 && d > weightTolerance)
}

// Text says what the weights are, in the units that people read.
func (w Weights) Text(u trial.Units) string {
	short := func(v float64) string { return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64) }
	weight := func(kg float64) string {
		if u == trial.US {
			return short(kg/trial.KGPerLB) + " lb"
		}
		return short(kg) + " kg"
	}
	var parts []string
	if w.Marketable != nil {
		parts = append(parts, "marketable "+weight(*w.Marketable))
	}
	if w.Cull != nil {
		parts = append(parts, "cull "+weight(*w.Cull))
	}
	return fmt.Sprintf("a total of %s, but %s", weight(w.Total), strings.Join(parts, " and "))
}

// Harvests is the harvest of a trial, pick by pick.
type Harvests struct {
	Picks     []Pick
	List      []Harvest // by plot in the order of plots, then pick
	Missing   []MissingPick
	Disagree  []Disagreement
	Ungraded  bool // only totals were weighed: they stand for marketable
	HasWeight bool // anything was weighed at all
}

// weightTolerance is what a total may differ from its parts, kg: each weight
// may be rounded to a hundredth of its unit.
const weightTolerance = 0.02

// PickName is how a reader knows a pick: by the sheets' own number, else by its
// place in the season and its first day.
func (h *Harvests) PickName(n int) string {
	if p := h.Picks[n]; p.Label != "" {
		return p.Label
	}
	return fmt.Sprintf("%d (%s)", n+1, h.Picks[n].From)
}

// Season reports whether a plot's season total can be added up: it has every
// pick that any plot has, with the weight that counts.
func (h *Harvests) Season(plot string) bool {
	return h.HasWeight && !slices.ContainsFunc(h.Missing, func(m MissingPick) bool { return m.Plot == plot })
}

// OnlyTotals reports a harvest that was weighed and nowhere graded.
func OnlyTotals(list []Observation) bool {
	weighed := false
	for _, o := range list {
		if o.Visit != 0 || o.Withdrawn || o.Variable != VarYield {
			continue
		}
		if o.Class == ClassMarketable || o.Class == ClassCull {
			return false
		}
		weighed = weighed || o.Class == ClassTotal
	}
	return weighed
}

// Question asks about plots that lack a pick that others have; "" where none
// does, or where the sheets say that it was not weighed. short is the fact alone.
func (h *Harvests) Question() (text, short string) {
	var open, whole []string
	for _, m := range h.Missing {
		at := fmt.Sprintf("plot %s at pick %s", m.Plot, h.PickName(m.Pick))
		switch {
		case m.Stated || !h.HasWeight:
		case m.Total:
			whole = append(whole, at)
		default:
			open = append(open, at)
		}
	}
	var ask, facts []string
	add := func(what string, list []string, question string) {
		if len(list) == 0 {
			return
		}
		fact := what + list[0]
		if more := len(list) - 1; more > 0 {
			fact += fmt.Sprintf(" and %d more", more)
		}
		if len(list) > 6 {
			list = append(list[:5:5], fmt.Sprintf("%d more", len(list)-5))
		}
		ask, facts = append(ask, what+strings.Join(list, ", ")+question), append(facts, fact)
	}
	add("no weight for ", open, ": was there nothing to cut (add the row with 0) or was it not weighed (add the row with NA)?")
	add("only a total for ", whole, ", though other weights are graded: what was its marketable weight (or NA)?")
	if len(ask) == 0 {
		return "", ""
	}
	return strings.Join(ask, " And ") + " Until the sheet with it is stored again, the season's yield of such a plot is missing", strings.Join(facts, "; ")
}

// HarvestsOf sorts the values of a harvest by plot and pick. One rule holds for
// weights: marketable is what was weighed as marketable, or the total less the
// cull; where nothing in the trial was graded, the total stands for it.
func HarvestsOf(list []Observation, plots []trial.Plot) Harvests {
	var rows []Observation
	for _, o := range list {
		if o.Visit != 0 || o.Withdrawn || (o.Variable != VarYield && o.Variable != VarPieces) {
			continue
		}
		rows = append(rows, o)
	}
	h := Harvests{Ungraded: OnlyTotals(rows)}
	pickOf := h.sortIntoPicks(rows)
	type key struct {
		plot string
		pick int
	}
	at := map[key]*Harvest{}
	stated := map[key]bool{}
	for i, o := range rows {
		k := key{o.Plot, pickOf[i]}
		v := at[k]
		if v == nil {
			v = &Harvest{Plot: o.Plot, Pick: k.pick, Date: o.Date, Source: o.Source, LengthMM: o.LengthMM, Trim: o.Trim}
			at[k] = v
		}
		if o.Variable == VarYield {
			h.HasWeight = true
		}
		if o.Missing {
			stated[k] = stated[k] || o.Variable == VarYield
			continue
		}
		value := o.Value
		switch {
		case o.Variable == VarPieces:
			v.Pieces = &value
		case o.Class == ClassCull:
			v.Cull = &value
		case o.Class == ClassTotal:
			v.Total = &value
		default:
			v.Marketable = &value
		}
	}
	for _, p := range plots {
		for pick := range h.Picks {
			k := key{p.ID, pick}
			v := at[k]
			if v == nil {
				h.Missing = append(h.Missing, MissingPick{Plot: p.ID, Pick: pick})
				continue
			}
			h.complete(v)
			if v.Marketable == nil {
				h.Missing = append(h.Missing, MissingPick{Plot: p.ID, Pick: pick, Stated: stated[k], Total: v.Total != nil})
			}
			h.List = append(h.List, *v)
		}
	}
	return h
}

// complete works out the weight that follows from the other two.
func (h *Harvests) complete(v *Harvest) {
	if v.Total != nil {
		if w := (Weights{*v.Total, v.Marketable, v.Cull}); w.Disagree() {
			h.Disagree = append(h.Disagree, Disagreement{v.Plot, v.Pick, w, v.Source})
		}
	}
	switch {
	case v.Marketable != nil && v.Cull != nil && v.Total != nil:
	case v.Marketable != nil && v.Cull != nil:
		sum := *v.Marketable + *v.Cull
		v.Total = &sum
	case v.Marketable != nil && v.Total != nil && *v.Total >= *v.Marketable:
		rest := *v.Total - *v.Marketable
		v.Cull = &rest
	case v.Total != nil && v.Cull != nil && *v.Total >= *v.Cull:
		rest := *v.Total - *v.Cull
		v.Marketable = &rest
	case v.Total != nil && h.Ungraded:
		v.Marketable, v.Ungraded = v.Total, true
	}
}

// sortIntoPicks fills h.Picks and returns each row's pick.
func (h *Harvests) sortIntoPicks(rows []Observation) []int {
	order := make([]int, len(rows))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return rows[b].Date.DaysTo(rows[a].Date) })
	at := make([]int, len(rows))
	labelled := map[string]int{}
	var inDay map[string]trial.Date // of the pick that is being gathered: plot and its day
	open := -1
	for _, i := range order {
		o := rows[i]
		if o.Pick != "" {
			k := trial.NameKey(o.Pick)
			n, ok := labelled[k]
			if !ok {
				n = len(h.Picks)
				labelled[k] = n
				h.Picks = append(h.Picks, Pick{Label: o.Pick, From: o.Date, To: o.Date})
			}
			if p := &h.Picks[n]; !o.Date.IsZero() {
				if p.From.IsZero() {
					p.From = o.Date
				}
				p.To = o.Date
			}
			at[i] = n
			continue
		}
		if day, again := inDay[o.Plot]; open < 0 || (again && day != o.Date) {
			open = len(h.Picks)
			inDay = map[string]trial.Date{}
			h.Picks = append(h.Picks, Pick{From: o.Date})
		}
		inDay[o.Plot] = o.Date
		h.Picks[open].To = o.Date
		at[i] = open
	}
	// Labels in the order a person would give them: numbers by value.
	ranks := make([]int, len(h.Picks))
	for i := range ranks {
		ranks[i] = i
	}
	slices.SortStableFunc(ranks, func(a, b int) int { return comparePicks(h.Picks[a], h.Picks[b]) })
	sorted, to := make([]Pick, len(ranks)), make([]int, len(ranks))
	for n, old := range ranks {
		sorted[n], to[old] = h.Picks[old], n
	}
	h.Picks = sorted
	for i := range at {
		at[i] = to[at[i]]
	}
	return at
}

func comparePicks(a, b Pick) int {
	if !a.From.IsZero() && !b.From.IsZero() && a.From != b.From {
		return b.From.DaysTo(a.From)
	}
	if len(a.Label) != len(b.Label) { // "2" before "10"
		return len(a.Label) - len(b.Label)
	}
	return strings.Compare(a.Label, b.Label)
}
