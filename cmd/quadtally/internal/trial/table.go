package trial

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/wording"
)

// TableRow is one plot of a layout that is already in the ground, as written.
// Plot, block and treatment are needed (block not for a completely randomised
// trial); the place on the beds may be left blank, and then no map to scale and
// no quadrat places can be given for that plot.
type TableRow struct {
	Where     string // "layout.csv:7"
	Plot      string
	Block     string
	Column    string // Latin square only
	Treatment string
	Bed       string // first bed, counted from 1
	Beds      string // beds across; blank means as in the plan
	From      string // with its unit, from the zero flag; a bare number is in m (or ft for US units)
	Length    string // as From; blank means as in the plan
	Order     string // place in the walk; blank everywhere means a serpentine
}

// damagedID matches plot numbers that spreadsheets turn into dates or numbers
// (1-2 becomes 2-Jan, 1/2 too, 2E3 becomes 2000, 007 becomes 7).
var damagedID = regexp.MustCompile(`^(\d{1,2}[-/.]\d{1,2}|\d+[eE]\d+|0\d+)$`)

// FromTable reads an existing layout. Labels that differ only in case, stray
// blanks or no-break spaces are taken as one and noted; anything else stays
// apart. Treatments must be in the plan, unless the plan has none: then the
// table's become the plan's, and are returned in the trial. Uneven sections
// are fine; sections that overlap are not. All faults are reported at once, and
// a layout with faults must not be used.
func FromTable(plan *Trial, rows []TableRow) (t Trial, plots []Plot, notes []string, faults Faults) {
	t = *plan
	t.Generator, t.Seed = EnteredFromTable, plan.Seed
	t.Treatments = slices.Clone(plan.Treatments)
	if len(rows) == 0 {
		faults.add("layout", "the table has no rows: give one row a plot with plot, block and treatment")
		return t, nil, nil, faults
	}
	r := tableReader{trial: &t, spelling: map[string]map[string]string{}, open: len(plan.Treatments) == 0}
	for _, tr := range t.Treatments {
		r.learn("treatment", tr.Code)
	}
	for _, row := range rows {
		plots = append(plots, r.plot(row))
	}
	r.checkWhole(rows, plots)
	if !r.ordered {
		SetWalkingOrder(plots)
	}
	return t, plots, r.notes, r.faults
}

type tableReader struct {
	trial    *Trial
	spelling map[string]map[string]string // what -> Label -> spelling first met
	open     bool                         // treatments are learned from the table
	ordered  bool
	notes    []string
	faults   Faults
}

// learn returns the spelling kept for a label and whether it was known.
func (r *tableReader) learn(what, text string) (kept string, known bool) {
	m := r.spelling[what]
	if m == nil {
		m = map[string]string{}
		r.spelling[what] = m
	}
	key := Label(text)
	if kept, known = m[key]; known {
		return kept, true
	}
	m[key] = CleanLabel(text)
	return m[key], false
}

// unify keeps one spelling of a label and notes every other, including the
// stray blanks that nobody sees.
func (r *tableReader) unify(where, what, text string) (kept string, known bool) {
	kept, known = r.learn(what, text)
	if kept != text {
		r.notes = append(r.notes, fmt.Sprintf("%s: %s %q was taken as %q", where, what, text, kept))
	}
	return kept, known
}

func (r *tableReader) plot(row TableRow) Plot {
	t, p := r.trial, Plot{Beds: r.trial.Ground.Beds, LengthMM: r.trial.Ground.LengthMM}
	if CleanLabel(row.Plot) == "" {
		r.faults.add(row.Where, "the plot has no number")
	} else {
		var known bool
		if p.ID, known = r.unify(row.Where, "plot", row.Plot); known {
			r.faults.add(row.Where, "plot %s is in the table twice", p.ID)
		}
		if damagedID.MatchString(p.ID) {
			r.notes = append(r.notes, fmt.Sprintf("%s: spreadsheets change plot numbers such as %q into a date or another number; a letter in front (P%s) would be safe", row.Where, p.ID, p.ID))
		}
		if tag := CardPlot(p.ID); len(tag) > 6 || tag == "" {
			r.notes = append(r.notes, fmt.Sprintf("%s: plot number %q cannot be printed in a card's code, which takes 1 to 6 letters and digits", row.Where, p.ID))
		}
	}
	switch {
	case CleanLabel(row.Block) != "":
		p.Block, _ = r.unify(row.Where, "block", row.Block)
	case t.Design != CompletelyRandomised:
		r.faults.add(row.Where, "plot %s has no block: blank cells are not filled from above", p.ID)
	}
	if CleanLabel(row.Column) != "" {
		p.Column, _ = r.unify(row.Where, "column", row.Column)
	} else if t.Design == LatinSquare {
		r.faults.add(row.Where, "plot %s has no column, which a Latin square needs", p.ID)
	}
	if CleanLabel(row.Treatment) == "" {
		r.faults.add(row.Where, "plot %s has no treatment", p.ID)
	} else {
		code, known := r.unify(row.Where, "treatment", row.Treatment)
		p.Treatment = code
		if !known && r.open {
			t.Treatments = append(t.Treatments, Treatment{Code: code})
		} else if !known {
			r.faults.add(row.Where, "treatment %q is not in the plan", code)
		}
	}
	r.ground(row, &p)
	return p
}

func (r *tableReader) ground(row TableRow, p *Plot) {
	number := func(what, text string, least, most int) int {
		v, err := strconv.Atoi(CleanLabel(text))
		if err != nil || v < least || v > most {
			r.faults.add(row.Where, "plot %s: %s %q is not a whole number from %d to %d", p.ID, what, text, least, most)
			return 0
		}
		return v
	}
	length := func(what, text string) float64 {
		text = CleanLabel(text)
		if _, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err == nil {
			if r.trial.Units == US {
				text += " ft"
			} else {
				text += " m"
			}
		}
		v, err := ParseLength(text)
		if err != nil {
			r.faults.add(row.Where, "plot %s: %s: %v", p.ID, what, err)
		}
		return v
	}
	if CleanLabel(row.Beds) != "" {
		p.Beds = number("beds", row.Beds, 1, 100)
	}
	if CleanLabel(row.Bed) != "" {
		p.Bed = number("bed", row.Bed, 1, 10000)
	}
	if CleanLabel(row.Length) != "" {
		if p.LengthMM = length("length", row.Length); p.LengthMM == 0 {
			r.faults.add(row.Where, "plot %s has no length", p.ID)
		}
	}
	if CleanLabel(row.From) != "" {
		p.FromMM = length("from", row.From)
	}
	if CleanLabel(row.Order) != "" {
		p.Order = number("order", row.Order, 1, 100000)
		r.ordered = true
	}
}

// checkWhole finds what no single row shows.
func (r *tableReader) checkWhole(rows []TableRow, plots []Plot) {
	t := r.trial
	if len(t.Treatments) < 2 {
		r.faults.add("layout", "the table holds %s: need at least 2 to compare", wording.Plural(len(t.Treatments), "treatment"))
	}
	for _, tr := range t.Treatments {
		if !slices.ContainsFunc(plots, func(p Plot) bool { return p.Treatment == tr.Code }) {
			r.faults.add("layout", "treatment %s of the plan has no plot in the table", tr.Code)
		}
	}
	orders := map[int]string{}
	for i, p := range plots {
		if r.ordered {
			if other, ok := orders[p.Order]; ok {
				r.faults.add(rows[i].Where, "plots %s and %s have the same place %d in the walk (or none)", other, p.ID, p.Order)
			}
			orders[p.Order] = p.ID
		}
		if !p.Placed() {
			continue
		}
		for _, q := range plots[:i] {
			if q.Placed() && overlap(p, q) {
				r.faults.add(rows[i].Where, "plots %s and %s lie on the same ground", q.ID, p.ID)
			}
		}
	}
	t.Blocks = len(BlockNames(plots))
	if t.Design == CompletelyRandomised && len(t.Treatments) > 0 {
		t.Blocks = len(plots) / len(t.Treatments)
	}
	if t.Design == CompleteBlocks {
		r.noteUneven(plots)
	}
}

// noteUneven says where blocks are not complete: the analysis can deal with
// it, but it is more often a slip of the pen.
func (r *tableReader) noteUneven(plots []Plot) {
	for _, b := range BlockNames(plots) {
		for _, tr := range r.trial.Treatments {
			if !slices.ContainsFunc(plots, func(p Plot) bool { return p.Treatment == tr.Code }) {
				continue // a fault already
			}
			n := 0
			for _, p := range plots {
				if p.Block == b && p.Treatment == tr.Code {
					n++
				}
			}
			switch {
			case n == 0:
				r.notes = append(r.notes, fmt.Sprintf("block %s has no plot of %s", b, tr.Code))
			case n > 1:
				r.notes = append(r.notes, fmt.Sprintf("block %s has %d plots of %s", b, n, tr.Code))
			}
		}
	}
}

// Placed reports whether the plot's place on the beds is known.
func (p Plot) Placed() bool { return p.Bed >= 1 && p.Beds >= 1 && p.LengthMM > 0 }

func overlap(p, q Plot) bool {
	const eps = 1e-6
	return p.Bed < q.Bed+q.Beds && q.Bed < p.Bed+p.Beds &&
		p.FromMM < q.FromMM+q.LengthMM-eps && q.FromMM < p.FromMM+p.LengthMM-eps
}

// CardTags gives the tag of each plot's number, for printing cards and for
// finding the plot of a card that was read. It is refused where a tag does not
// fit the code or two plots would share one.
func CardTags(plots []Plot) (tags map[string]string, err error) {
	var faults Faults
	tags = map[string]string{}
	owner := map[string]string{}
	for _, p := range plots {
		tag := CardPlot(p.ID)
		switch {
		case tag == "" || len(tag) > 6:
			faults.add("plot "+p.ID, "its number cannot be printed in a card's code: use 1 to 6 letters and digits")
		case owner[tag] != "":
			faults.add("plot "+p.ID, "its card would carry the same code %s as plot %s", tag, owner[tag])
		}
		owner[tag], tags[p.ID] = p.ID, tag
	}
	return tags, faults.Err()
}
