package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

func kg(v float64) *float64 { return &v }

// TestWeightsThatFollow: the third weight follows from two others where it can;
// pieces, and what counts as graded, are told apart.
func TestWeightsThatFollow(t *testing.T) {
	weight := func(p *float64) string {
		if p == nil {
			return "?"
		}
		return fmt.Sprintf("%g", math.Round(1000**p)/1000)
	}
	pieces := weighed("101", "2025-09-01", "", 12)
	pieces.Variable = VarPieces
	back := weighed("101", "2025-09-01", ClassMarketable, 3)
	back.Withdrawn = true
	atVisit := weighed("101", "2025-09-01", ClassMarketable, 3)
	atVisit.Visit = 1
	otherwise := weighed("101", "2025-09-01", "", 3)
	otherwise.Variable = VarStand
	w := func(class string, v float64) Observation { return weighed("101", "2025-09-01", class, v) }
	gone := func(o Observation) Observation { o.Missing = true; return o }
	for name, c := range map[string]struct {
		list []Observation
		want string // marketable cull total pieces, then what is said of it
	}{
		"two parts":                     {[]Observation{w(ClassMarketable, 5), w(ClassCull, 1)}, "5 1 6 ?"},
		"marketable of a total":         {[]Observation{w(ClassMarketable, 5), w(ClassTotal, 6)}, "5 1 6 ?"},
		"marketable is the total":       {[]Observation{w(ClassMarketable, 5), w(ClassTotal, 5)}, "5 0 5 ?"},
		"more marketable than in total": {[]Observation{w(ClassMarketable, 5), w(ClassTotal, 4)}, "5 ? 4 ? disagree"},
		"cull of a total":               {[]Observation{w(ClassCull, 1), w(ClassTotal, 6)}, "5 1 6 ?"},
		"cull is the total":             {[]Observation{w(ClassCull, 6), w(ClassTotal, 6)}, "0 6 6 ?"},
		"more cull than in total":       {[]Observation{w(ClassCull, 7), w(ClassTotal, 6)}, "? 7 6 ? disagree missing total"},
		"all three":                     {[]Observation{w(ClassMarketable, 5), w(ClassCull, 1), w(ClassTotal, 6.01)}, "5 1 6.01 ?"},
		"a total alone":                 {[]Observation{w(ClassTotal, 6)}, "6 ? 6 ? ungraded"},
		"without a class":               {[]Observation{w("", 6)}, "6 ? ? ?"},
		"pieces alone":                  {[]Observation{pieces}, "? ? ? 12 missing unweighed"},
		"pieces and weight":             {[]Observation{pieces, w(ClassMarketable, 5)}, "5 ? ? 12"},
		"pieces marked missing":         {[]Observation{gone(pieces), w(ClassMarketable, 5)}, "5 ? ? ?"},
		"weight marked missing":         {[]Observation{pieces, gone(w(ClassMarketable, 5))}, "? ? ? 12 stated missing"},
		"pieces missing and no weight":  {[]Observation{gone(pieces)}, "? ? ? ? missing unweighed"},
		"a cull marked missing":         {[]Observation{gone(w(ClassCull, 1)), w(ClassTotal, 6)}, "? ? 6 ? stated missing total"},
		"taken back":                    {[]Observation{w(ClassMarketable, 5), back}, "5 ? ? ?"},
		"of a visit":                    {[]Observation{w(ClassMarketable, 5), atVisit}, "5 ? ? ?"},
		"no harvest":                    {[]Observation{w(ClassMarketable, 5), otherwise}, "5 ? ? ?"},
	} {
		h := HarvestsOf(c.list, []trial.Plot{{ID: "101"}})
		if len(h.List) != 1 || len(h.Picks) != 1 {
			t.Errorf("%s: %+v", name, h)
			continue
		}
		x := h.List[0]
		got := strings.Join([]string{weight(x.Marketable), weight(x.Cull), weight(x.Total), weight(x.Pieces)}, " ")
		for _, says := range []struct {
			is   bool
			word string
		}{{len(h.Disagree) > 0, " disagree"}, {len(h.Missing) > 0 && h.Missing[0].Stated, " stated"}, {len(h.Missing) > 0, " missing"}, {len(h.Missing) > 0 && h.Missing[0].Total, " total"}, {x.Ungraded && h.Ungraded, " ungraded"}, {!h.HasWeight, " unweighed"}} {
			if says.is {
				got += says.word
			}
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if h.Season("101") != (h.HasWeight && len(h.Missing) == 0) {
			t.Errorf("%s: season %v", name, h.Season("101"))
		}
	}
}

// TestOnlyTotals: a harvest is ungraded where something was weighed and nothing
// graded; what does not count decides nothing.
func TestOnlyTotals(t *testing.T) {
	total, graded := weighed("101", "2025-09-01", ClassTotal, 3), weighed("101", "2025-09-01", ClassCull, 1)
	back, visit, other := graded, graded, graded
	back.Withdrawn, visit.Visit, other.Variable = true, 1, VarPieces
	for name, c := range map[string]struct {
		list []Observation
		want bool
	}{
		"nothing": {nil, false}, "total": {[]Observation{total}, true}, "cull too": {[]Observation{total, graded}, false},
		"marketable first": {[]Observation{weighed("102", "2025-09-01", ClassMarketable, 1), total}, false},
		"taken back":       {[]Observation{total, back}, true}, "at a visit": {[]Observation{visit, total}, true}, "pieces": {[]Observation{other, total}, true},
		"no class": {[]Observation{weighed("101", "2025-09-01", "", 3)}, false},
	} {
		if got := OnlyTotals(c.list); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// TestOrderOfPicks: by day, then by number; labels keep their first and last
// day, and unlabelled rows make picks of their own.
func TestOrderOfPicks(t *testing.T) {
	labelled := func(plot, label, when string) Observation {
		o := weighed(plot, label, ClassMarketable, 1)
		if when != "" {
			o.Date = day(when)
		}
		return o
	}
	for name, c := range map[string]struct {
		list []Observation
		want string // label, from, to, and the name of each
	}{
		"numbers by value":          {[]Observation{labelled("101", "10", ""), labelled("101", "9", ""), labelled("101", "b", ""), labelled("101", "a", "")}, "9 a b 10"},
		"days before numbers":       {[]Observation{labelled("101", "1", "2025-09-08"), labelled("101", "2", "2025-09-01")}, "2 2025-09-01 2025-09-01, 1 2025-09-08 2025-09-08"},
		"one day, by number":        {[]Observation{labelled("101", "2", "2025-09-01"), labelled("102", "1", "2025-09-01")}, "1 2025-09-01 2025-09-01, 2 2025-09-01 2025-09-01"},
		"a pick over several days":  {[]Observation{labelled("101", "1", "2025-09-03"), labelled("102", "1", "2025-09-01"), labelled("103", "1", "2025-09-02")}, "1 2025-09-01 2025-09-03"},
		"a day told later":          {[]Observation{labelled("101", "1", ""), labelled("102", "1", "2025-09-04")}, "1 2025-09-04 2025-09-04"},
		"spellings of one label":    {[]Observation{labelled("101", "first pick", "2025-09-01"), labelled("102", "First-Pick", "2025-09-02")}, "first pick 2025-09-01 2025-09-02"},
		"days make the picks":       {[]Observation{weighed("101", "2025-09-08", ClassMarketable, 1), weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-02", ClassMarketable, 1)}, " 2025-09-01 2025-09-02,  2025-09-08 2025-09-08"},
		"two weights of one day":    {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("101", "2025-09-01", ClassCull, 1)}, " 2025-09-01 2025-09-01"},
		"labels and days together":  {[]Observation{labelled("101", "1", "2025-09-01"), weighed("101", "2025-09-08", ClassMarketable, 1)}, "1 2025-09-01 2025-09-01,  2025-09-08 2025-09-08"},
		"a plot again, others once": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-02", ClassMarketable, 1), weighed("101", "2025-09-03", ClassMarketable, 1), weighed("102", "2025-09-03", ClassMarketable, 1)}, " 2025-09-01 2025-09-02,  2025-09-03 2025-09-03"},
	} {
		h := HarvestsOf(c.list, nil)
		var got []string
		for _, p := range h.Picks {
			text := p.Label
			if !p.From.IsZero() {
				text += " " + p.From.String() + " " + p.To.String()
			}
			got = append(got, text)
		}
		sep := ", "
		if !strings.Contains(c.want, "2025") {
			sep = " "
		}
		if strings.Join(got, sep) != c.want {
			t.Errorf("%s: %q, want %q", name, strings.Join(got, sep), c.want)
		}
	}
	h := Harvests{Picks: []Pick{{Label: "early"}, {From: day("2025-09-08")}}}
	if h.PickName(0) != "early" || h.PickName(1) != "2 (2025-09-08)" {
		t.Errorf("%q %q", h.PickName(0), h.PickName(1))
	}
}

// TestQuestionsOfAHarvest: plots without a weight are asked about, six by name
// and of more than that five; what was stated or never weighed is not asked.
func TestQuestionsOfAHarvest(t *testing.T) {
	lack := func(n int, m MissingPick) (out []MissingPick) {
		for i := range n {
			m.Plot = fmt.Sprint(101 + i)
			out = append(out, m)
		}
		return out
	}
	for name, c := range map[string]struct {
		missing []MissingPick
		weight  bool
		names   int // plots named in the text
		has     []string
		short   string
	}{
		"nothing":       {nil, true, 0, nil, ""},
		"stated":        {lack(2, MissingPick{Stated: true}), true, 0, nil, ""},
		"never weighed": {lack(2, MissingPick{}), false, 0, nil, ""},
		"one":           {lack(1, MissingPick{}), true, 1, []string{"no weight for plot 101 at pick 1 (2025-09-01): was there", "is missing"}, "no weight for plot 101 at pick 1 (2025-09-01)"},
		"two":           {lack(2, MissingPick{}), true, 2, nil, "no weight for plot 101 at pick 1 (2025-09-01) and 1 more"},
		"six":           {lack(6, MissingPick{}), true, 6, []string{"plot 106"}, "no weight for plot 101 at pick 1 (2025-09-01) and 5 more"},
		"seven":         {lack(7, MissingPick{}), true, 5, []string{"plot 105", ", 2 more: was"}, "no weight for plot 101 at pick 1 (2025-09-01) and 6 more"},
		"a total alone": {lack(1, MissingPick{Total: true}), true, 1, []string{"only a total for plot 101"}, "only a total for plot 101 at pick 1 (2025-09-01)"},
		"both":          {append(lack(1, MissingPick{}), lack(1, MissingPick{Total: true})...), true, 2, []string{"(add the row with NA)? And only a total"}, "no weight for plot 101 at pick 1 (2025-09-01); only a total for plot 101 at pick 1 (2025-09-01)"},
	} {
		h := Harvests{Picks: []Pick{{From: day("2025-09-01")}}, Missing: c.missing, HasWeight: c.weight}
		text, short := h.Question()
		if short != c.short || strings.Count(text, "plot 1") != c.names || (text == "") != (c.short == "") {
			t.Errorf("%s: %q / %q", name, text, short)
		}
		for _, want := range c.has {
			if !strings.Contains(text, want) {
				t.Errorf("%s: %q has no %q", name, text, want)
			}
		}
	}
}

func countOf(plot string, quadrat, visit int, class string) Observation {
	return Observation{Plot: plot, Quadrat: quadrat, Visit: visit, Variable: VarCount, Class: class, Value: 1, Unit: "plants"}
}

// TestAnswersAboutClasses: an answer of a visit comes before one of all visits;
// that a class was looked for everywhere does not answer for a visit that tells
// nothing of it at all.
func TestAnswersAboutClasses(t *testing.T) {
	list := []Observation{countOf("101", 1, 1, "grass"), countOf("101", 1, 1, "sedge"), countOf("102", 1, 1, "grass"), countOf("101", 1, 2, "grass"), countOf("102", 1, 2, "grass")}
	for name, c := range map[string]struct {
		said map[string]Unlisted
		want string // answer at visit 1 and 2
	}{
		"no answer":          {nil, " / "},
		"zero everywhere":    {map[string]Unlisted{"sedge": UnlistedZero}, "zero / "},
		"unknown everywhere": {map[string]Unlisted{"sedge": UnlistedUnknown}, "unknown / unknown"},
		"zero at visit 2":    {map[string]Unlisted{"sedge": UnlistedUnknown, UnlistedAt("Sedge", 2): UnlistedZero}, "unknown / zero"},
		"of another class":   {map[string]Unlisted{"grass": UnlistedUnknown}, " / "},
	} {
		gaps := ClassGapsOf(list, nil, c.said, nil)
		if len(gaps) != 2 {
			t.Fatalf("%s: %+v", name, gaps)
		}
		if got := fmt.Sprintf("%s / %s", gaps[0].Answer, gaps[1].Answer); got != c.want {
			t.Errorf("%s: %s", name, got)
		}
	}
	gaps := ClassGapsOf(list, nil, nil, nil)
	if s := gaps[0].Short(); s != "sedge was counted in 1 of 2 quadrats of visit 1 (101/1)" {
		t.Errorf("%q", s)
	}
	most := ClassGap{Class: "sedge", Visit: 1, In: []QuadratAt{{"101", 1, 1}, {"101", 2, 1}}, Without: []QuadratAt{{"102", 1, 1}}}
	if s := most.Short(); s != "sedge was counted in 2 of 3 quadrats of visit 1 (not in 102/1)" {
		t.Errorf("%q", s)
	}
	if s := gaps[1].Short(); s != "sedge was not counted at visit 2 (visit 1 has it)" {
		t.Errorf("%q", s)
	}
	if !strings.Contains(gaps[0].Text(), "not there in the others") || !strings.Contains(gaps[0].Text(), "those quadrats have no count of it and no total") {
		t.Errorf("%q", gaps[0].Text())
	}
	if strings.Contains(gaps[1].Text(), "in the others") || !strings.Contains(gaps[1].Text(), "totals of that visit are without it") {
		t.Errorf("%q", gaps[1].Text())
	}
	// What is stored answers: newest first, and none where nothing was said.
	s := newStore(t)
	if got := snapshot(t, s).Unlisted(); len(got) != 0 {
		t.Errorf("%v", got)
	}
	write(t, s, func(tx *Tx) error {
		for _, o := range list[:3] {
			if _, _, err := tx.AddObservation(o, 0); err != nil {
				return err
			}
		}
		_, err := tx.Decide(UnlistedSubject, KindUnlisted, map[string]Unlisted{"sedge": UnlistedUnknown})
		return err
	})
	if g := snapshot(t, s).ClassGaps(); len(g) != 1 || g[0].Answer != UnlistedUnknown {
		t.Errorf("%+v", g)
	}
}

// TestWhatIsNoGap: values of no quadrat or visit, of another variable or taken
// back make no gap.
func TestWhatIsNoGap(t *testing.T) {
	base := []Observation{countOf("101", 1, 1, "grass"), countOf("102", 1, 1, "grass")}
	for name, change := range map[string]func(*Observation){
		"no quadrat": func(o *Observation) { o.Quadrat = 0 }, "no visit": func(o *Observation) { o.Visit = 0 },
		"taken back": func(o *Observation) { o.Withdrawn = true }, "no count": func(o *Observation) { o.Variable = VarCover },
	} {
		o := countOf("101", 1, 1, "sedge")
		change(&o)
		if got := ClassGapsOf(append(slices.Clone(base), o), nil, nil, nil); len(got) != 0 {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := ClassGapsOf(append(slices.Clone(base), countOf("101", 1, 1, "sedge")), nil, nil, nil); len(got) != 1 {
		t.Errorf("%+v", got)
	}
	// Half of the quadrats marked missing is asked about, fewer is what it says.
	halves := []Observation{countOf("101", 1, 1, "grass"), countOf("102", 1, 1, "grass"), countOf("101", 1, 1, "sedge"), countOf("102", 1, 1, "sedge")}
	halves[3].Missing = true
	if got := ClassGapsOf(halves, nil, nil, nil); len(got) != 1 || got[0].LeftOut {
		t.Errorf("half: %+v", got)
	}
	halves = append(halves, countOf("103", 1, 1, "grass"), countOf("103", 1, 1, "sedge"))
	if got := ClassGapsOf(halves, nil, nil, nil); len(got) != 0 {
		t.Errorf("two of three: %+v", got)
	}
}

// TestUncountedQuadrats: quadrats of the layout of which a counted visit tells
// nothing; four by name, of more three.
func TestUncountedQuadrats(t *testing.T) {
	plots := []trial.Plot{{ID: "101"}, {ID: "102"}, {ID: "103"}}
	off, whole, other := countOf("102", 2, 1, ""), countOf("103", 0, 1, ""), countOf("103", 1, 1, "")
	off.Withdrawn, other.Variable = true, VarCover
	list := []Observation{countOf("101", 1, 1, ""), countOf("101", 2, 1, "grass"), off, whole, other, countOf("102", 1, 0, "")}
	got := UncountedOf(list, plots, 2)
	if len(got) != 1 || got[0].Visit != 1 || got[0].Of != 6 || len(got[0].Quadrats) != 4 {
		t.Fatalf("%+v", got)
	}
	if text := got[0].Text(); !strings.HasPrefix(text, "4 of 6 quadrats of visit 1 have no count (102/1, 102/2, 103/1, 103/2): ") {
		t.Errorf("%q", text)
	}
	if text := UncountedOf(list[:1], plots, 2)[0].Text(); !strings.Contains(text, "5 of 6 quadrats of visit 1 have no count (101/2, 102/1, 102/2, 2 more)") {
		t.Errorf("%q", text)
	}
	if got := UncountedOf(list[:2], plots[:1], 2); got != nil {
		t.Errorf("all counted: %+v", got)
	}
	if got := UncountedOf(nil, plots, 2); got != nil {
		t.Errorf("no visit: %+v", got)
	}
}

// told is a visit of plots with photos in which plants of two classes are named
// and check points were answered as weeds; change makes it another.
func withNames(change func(s *Snapshot)) *Snapshot {
	s := &Snapshot{}
	for k := range 6 {
		s.Photos = append(s.Photos, Photo{PhotoFacts: PhotoFacts{Hash: fmt.Sprint("photohash", k)}, MeasurementID: int64(k + 1), Result: &Result{Threshold: 0.1}, HasLooks: true,
			Sorting: &Sorting{Classes: []SortedClass{{PlantClass: PlantClass{"weed", "weed"}, Named: 9, Learned: true}, {PlantClass: PlantClass{"leek", "crop"}, Named: 9, Learned: true}}},
			Place:   Place{Plot: fmt.Sprint(k), Quadrat: 1, Visit: 1, State: PlaceKnown}})
	}
	for k := range 20 {
		s.Named = append(s.Named, NamedPlant{Hash: "photohash0", Plant: Plant{X: float64(k), Class: []PlantClass{{"weed", "weed"}, {"leek", "crop"}}[k%2]}})
	}
	for k := range 40 {
		s.Checks = append(s.Checks, CheckPoint{Hash: fmt.Sprint("photohash", k%6), Check: Check{X: float64(k), Class: &PlantClass{"weed", "weed"}}})
	}
	if change != nil {
		change(s)
	}
	return s
}

// TestRolesAtCheckPoints: a role that check points see in more than one of twenty
// needs a named plant, and enough of them; photos that are out of use are told.
func TestRolesAtCheckPoints(t *testing.T) {
	saw := func(role string, n int) func(*Snapshot) {
		return func(s *Snapshot) {
			for k := range n {
				s.Checks[k].Class = &PlantClass{role, role}
			}
		}
	}
	learned := func(class int, photos ...int) func(*Snapshot) {
		return func(s *Snapshot) {
			for _, i := range photos {
				s.Photos[i].Sorting.Classes[class].Learned = false
			}
		}
	}
	out := func(n int) func(*Snapshot) {
		return func(s *Snapshot) {
			for i := range n {
				s.Photos[i].Rejected = "blurred"
			}
		}
	}
	for name, c := range map[string]struct {
		change func(*Snapshot)
		want   []PlantsLacking
	}{
		"nothing":                    {nil, nil},
		"regrowth in one of twenty":  {saw("regrowth", 2), nil},
		"regrowth in more":           {saw("regrowth", 3), []PlantsLacking{LackRegrowth}},
		"crop is named":              {saw("crop", 20), nil},
		"another role needs no name": {saw("ground", 20), nil},
		"weeds too few to be found":  {learned(0, 3), []PlantsLacking{LackWeed}},
		"crop too few, and not seen": {learned(1, 3), nil},
		"another class of weeds serves": {func(s *Snapshot) {
			learned(0, 3)(s)
			c := &s.Photos[3].Sorting.Classes
			*c = append(*c, SortedClass{PlantClass: PlantClass{"sedge", "weed"}, Named: 5, Learned: true})
		}, nil},
		"a class without names serves": {func(s *Snapshot) { learned(0, 3)(s); s.Photos[3].Sorting.Classes[0].Named = 0 }, nil},
		"a second class too few": {func(s *Snapshot) {
			learned(0, 3)(s)
			c := &s.Photos[3].Sorting.Classes
			*c = append(*c, SortedClass{PlantClass: PlantClass{"sedge", "weed"}, Named: 2})
		}, []PlantsLacking{LackWeed}},
		"no photo in use":         {out(6), []PlantsLacking{LackPhotos}},
		"check points out of use": {out(2), []PlantsLacking{LackChecksInUse}},
		"one plot out of use":     {out(1), nil},
		"no weed named": {func(s *Snapshot) {
			for i := range s.Named {
				s.Named[i].Class = []PlantClass{{"leek", "crop"}, {"rye", "regrowth"}}[i%2]
			}
		}, []PlantsLacking{LackWeed}},
	} {
		if got := withNames(c.change).PlantsLack(1); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
	said := map[string]bool{}
	for _, l := range []PlantsLacking{LackNames, LackLooks, LackSorting, LackChecks, LackPlots, LackPhotos, LackChecksInUse, LackWeed, LackCrop, LackRegrowth, LackClasses} {
		w := l.Words()
		if said[w] || w == string(l) || len(w) < 30 {
			t.Errorf("%s: %q", l, w)
		}
		said[w] = true
	}
	if !strings.Contains(LackChecks.Words(), "30 answered") || !strings.Contains(LackPlots.Words(), "5 are needed") || !strings.Contains(LackCrop.Words(), "that crop stands") {
		t.Error("numbers or roles are missing from what is said")
	}
}

// TestWhatASortingRestsOn: everything that the sorting of a visit follows from
// makes another digest, and nothing else does.
func TestWhatASortingRestsOn(t *testing.T) {
	second := func(s *Snapshot) {
		for _, p := range s.Photos[:2] {
			p.Hash, p.Place.Visit = "second"+p.Hash, 2
			s.Photos = append(s.Photos, p)
		}
	}
	of := func(change func(*Snapshot)) map[int]string {
		return withNames(func(s *Snapshot) {
			second(s)
			if change != nil {
				change(s)
			}
		}).SortingRests()
	}
	was := of(nil)
	if len(was) != 2 || len(was[1]) != 24 || was[1] == was[2] {
		t.Fatalf("%v", was)
	}
	for name, c := range map[string]struct {
		change func(*Snapshot)
		visits string // whose digest changes
	}{
		"a threshold":                     {func(s *Snapshot) { s.Photos[5].Result = &Result{Threshold: 0.1001} }, "12"},
		"another measuring":               {func(s *Snapshot) { s.Photos[5].MeasurementID = 99 }, "12"},
		"a photo set aside":               {func(s *Snapshot) { s.Photos[5].Rejected = "blurred" }, "12"},
		"a photo never measured":          {func(s *Snapshot) { s.Photos[5].Result = nil }, "12"},
		"a name":                          {func(s *Snapshot) { s.Named[3].X = 77 }, "12"},
		"a class":                         {func(s *Snapshot) { s.Named[3].Class.Name = "onion" }, "12"},
		"a check point":                   {func(s *Snapshot) { s.Checks[3].X = 77 }, "1"},
		"an answer":                       {func(s *Snapshot) { s.Checks[3].Class = nil }, ""},
		"the order of photos":             {func(s *Snapshot) { slices.Reverse(s.Photos) }, ""},
		"the order of names":              {func(s *Snapshot) { slices.Reverse(s.Named) }, ""},
		"a threshold of the other visit":  {func(s *Snapshot) { s.Photos[7].Result = &Result{Threshold: 0.2} }, "2"},
		"a check point of no known photo": {func(s *Snapshot) { s.Checks = append(s.Checks, CheckPoint{Hash: "nowhere"}) }, ""},
	} {
		var changed string
		now := of(c.change)
		for v := 1; v <= 2; v++ {
			if now[v] != was[v] {
				changed += fmt.Sprint(v)
			}
		}
		if changed != c.visits {
			t.Errorf("%s changes %q, want %q", name, changed, c.visits)
		}
	}
}

// TestMovedRows: a row found in another line is the same where it is alike in all
// but one part of what it is about; what is alike by chance in another class or
// too far away is a new one.
func TestMovedRows(t *testing.T) {
	row := func(line int, plot string, quadrat, visit int, class string, v float64) Observation {
		return Observation{Line: line, Plot: plot, Quadrat: quadrat, Visit: visit, Variable: VarCount, Class: class, Value: v, Unit: "plants"}
	}
	for name, c := range map[string]struct {
		gone, fresh []Observation
		want        string // moved, still gone, still fresh
	}{
		"another line, another plot":   {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(9, "103", 1, 1, "grass", 7)}, "1 0 0"},
		"another line and value":       {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(9, "103", 1, 1, "grass", 8)}, "0 1 1"},
		"same line, plot and value":    {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(2, "103", 1, 1, "grass", 8)}, "1 0 0"},
		"same line, all other":         {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(2, "103", 2, 2, "grass", 8)}, "0 1 1"},
		"same line, all but the value": {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(2, "103", 2, 2, "grass", 7)}, "1 0 0"},
		"same line, another class":     {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(2, "101", 1, 1, "sedge", 7)}, "0 1 1"},
		"no line":                      {[]Observation{row(0, "101", 1, 1, "grass", 7)}, []Observation{row(0, "103", 2, 2, "grass", 7)}, "0 1 1"},
		"no line, one part":            {[]Observation{row(0, "101", 1, 1, "grass", 7)}, []Observation{row(0, "101", 1, 2, "grass", 7)}, "1 0 0"},
		"one for two":                  {[]Observation{row(2, "101", 1, 1, "grass", 7)}, []Observation{row(8, "103", 1, 1, "grass", 7), row(9, "104", 1, 1, "grass", 7)}, "1 0 1"},
		"two for one":                  {[]Observation{row(2, "101", 1, 1, "grass", 7), row(3, "102", 1, 1, "grass", 7)}, []Observation{row(8, "103", 1, 1, "grass", 7)}, "1 1 0"},
		"two for two":                  {[]Observation{row(2, "101", 1, 1, "grass", 7), row(3, "102", 1, 1, "grass", 7)}, []Observation{row(8, "103", 1, 1, "grass", 7), row(9, "104", 1, 1, "grass", 7)}, "2 0 0"},
	} {
		moved, gone, fresh := pair(c.gone, c.fresh)
		if got := fmt.Sprintf("%d %d %d", len(moved), len(gone), len(fresh)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// TestWorkOfTwoVersions: work that differs in one part was corrected, in more it
// is another; the line it stands in counts as a part, and work that another
// sheet tells almost alike is named.
func TestWorkOfTwoVersions(t *testing.T) {
	work := func(change func(*Operation)) Operation {
		rate := 180.0
		o := Operation{Line: 2, Date: day("2025-04-01"), What: "seeding", Treatment: "RYE", Input: "rye", Rate: &rate, RateUnit: "kg/ha"}
		if change != nil {
			change(&o)
		}
		return o
	}
	for name, c := range map[string]struct {
		now    Operation
		former bool
		want   string // unchanged new changed withdrawn alike
	}{
		"as it was":                  {work(nil), true, "1 0 0 0 0"},
		"another day":                {work(func(o *Operation) { o.Date = day("2025-04-02") }), true, "0 0 1 0 0"},
		"another rate":               {work(func(o *Operation) { o.Rate = kg(90) }), true, "0 0 1 0 0"},
		"no rate":                    {work(func(o *Operation) { o.Rate = nil }), true, "0 0 1 0 0"},
		"two parts, same line":       {work(func(o *Operation) { o.Rate, o.Treatment = kg(90), "VETCH" }), true, "0 0 1 0 0"},
		"two parts, another line":    {work(func(o *Operation) { o.Rate, o.Treatment, o.Line = kg(90), "VETCH", 3 }), true, "0 1 0 1 0"},
		"three parts, same line":     {work(func(o *Operation) { o.Rate, o.Treatment, o.What = kg(90), "VETCH", "mowing" }), true, "0 1 0 1 0"},
		"two parts, no line":         {work(func(o *Operation) { o.Rate, o.Treatment, o.Line = kg(90), "VETCH", 0 }), true, "0 1 0 1 0"},
		"one plot and not another":   {work(func(o *Operation) { o.Plot = "101" }), true, "0 0 1 0 0"},
		"another sheet, another day": {work(func(o *Operation) { o.Date = day("2025-04-02") }), false, "0 1 0 0 1"},
		"another sheet, two parts":   {work(func(o *Operation) { o.Date, o.Rate = day("2025-04-02"), nil }), false, "0 1 0 0 0"},
		"another sheet, alike":       {work(nil), false, "0 1 0 0 0"},
	} {
		var d SheetDiff
		var former, others []Operation
		if c.former {
			former = []Operation{work(nil)}
		} else {
			others = []Operation{work(nil)}
		}
		d.operations(former, []Operation{c.now}, others)
		if got := fmt.Sprintf("%d %d %d %d %d", d.OperationsUnchanged, len(d.NewOperations), len(d.ChangedOperations), len(d.WithdrawnOperations), len(d.AlikeOperations)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	// Told twice in one sheet it is unchanged once; another source is another line.
	var d SheetDiff
	moved := work(func(o *Operation) { o.Source = "f.csv:9" })
	d.operations([]Operation{work(nil)}, []Operation{work(nil), moved}, nil)
	if d.OperationsUnchanged != 1 || !d.renumbered || !d.Empty() {
		t.Errorf("%+v", d)
	}
	d = SheetDiff{}
	d.operations([]Operation{work(nil)}, []Operation{work(nil)}, nil)
	if d.renumbered {
		t.Error("nothing was renumbered")
	}
	bare := Operation{Date: day("2025-04-01"), What: "hoeing"}
	d = SheetDiff{}
	d.operations(nil, []Operation{{Date: day("2025-04-02"), What: "hoeing"}}, []Operation{bare})
	if len(d.AlikeOperations) != 0 {
		t.Error("work without an input repeats by itself")
	}
}

// TestWhatMakesTwoValuesDiffer: each thing a reader would see, and none that is
// not.
func TestWhatMakesTwoValuesDiffer(t *testing.T) {
	base := Observation{Plot: "101", Value: 3, Unit: "kg", Observer: "Ada", LengthMM: 3000, Trim: "roots on", Date: day("2025-09-01"), Pick: "1", Group: "grass", Life: "annual"}
	for name, c := range map[string]struct {
		change func(*Observation)
		same   bool
	}{
		"nothing": {func(*Observation) {}, true}, "source": {func(o *Observation) { o.Source = "x" }, true}, "line": {func(o *Observation) { o.Line = 4 }, true},
		"value": {func(o *Observation) { o.Value = 4 }, false}, "missing": {func(o *Observation) { o.Missing = true }, false}, "taken back": {func(o *Observation) { o.Withdrawn = true }, false},
		"unit": {func(o *Observation) { o.Unit = "g" }, false}, "observer": {func(o *Observation) { o.Observer = "Ben" }, false}, "length": {func(o *Observation) { o.LengthMM = 1 }, false},
		"trim": {func(o *Observation) { o.Trim = "" }, false}, "day": {func(o *Observation) { o.Date = day("2025-09-02") }, false}, "pick": {func(o *Observation) { o.Pick = "2" }, false},
		"group": {func(o *Observation) { o.Group = "" }, false}, "life": {func(o *Observation) { o.Life = "" }, false},
	} {
		o := base
		c.change(&o)
		if sameValue(base, o) != c.same || sameValue(o, base) != c.same {
			t.Errorf("%s: same %v", name, !c.same)
		}
	}
	a, b := base, base
	a.Missing, b.Missing, b.Value = true, true, 9
	if !sameValue(a, b) {
		t.Error("the number behind a missing value")
	}
	work := Operation{What: "hoeing"}
	for name, change := range map[string]func(*Operation){
		"implement": func(o *Operation) { o.Implement = "roller" }, "weight": func(o *Operation) { o.ImplementKG = kg(0) }, "soil": func(o *Operation) { o.SoilMoisture = "wet" },
		"stage": func(o *Operation) { o.Stage = "x" }, "passes": func(o *Operation) { o.Passes = 1 }, "note": func(o *Operation) { o.Note = "x" }, "rate": func(o *Operation) { o.Rate = kg(0) },
		"unit": func(o *Operation) { o.RateUnit = "kg" }, "input": func(o *Operation) { o.Input = "x" }, "plot": func(o *Operation) { o.Plot = "1" }, "treatment": func(o *Operation) { o.Treatment = "1" },
		"what": func(o *Operation) { o.What = "x" }, "day": func(o *Operation) { o.Date = day("2025-09-01") },
	} {
		o := work
		change(&o)
		if sameOperation(work, o) {
			t.Errorf("%s makes no difference", name)
		}
	}
	if !sameOperation(work, Operation{What: "hoeing", Source: "x", Line: 3}) {
		t.Error("where it stands makes a difference")
	}
}

// TestWhatAnEntryStored: one and several of each, in one line.
func TestWhatAnEntryStored(t *testing.T) {
	for want, e := range map[string]LogEntry{
		"":                      {},
		"1 value, 2 operations": {Observations: 1, Operations: 2},
		"1 decision, 3 photos":  {Decisions: 1, Photos: 3},
		"2 measurements":        {Measured: 2},
		"counts sheet c.csv, the plan, took back entry 4": {Sheets: []Sheet{{Kind: "counts", Name: "c.csv"}}, Plan: true, Undoes: 4},
	} {
		if got := e.Said(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestKeysOfValues: a count is known by its quadrat and visit, a stand once a
// season, a harvest by its pick, else by its day.
func TestKeysOfValues(t *testing.T) {
	for name, c := range map[string]struct {
		a, b Observation
		same bool
	}{
		"a count at a visit, on another day": {countOf("101", 1, 1, "grass"), func() Observation { o := countOf("101", 1, 1, "grass"); o.Date = day("2025-09-01"); return o }(), true},
		"a count without a visit":            {Observation{Variable: VarCount, Date: day("2025-09-01")}, Observation{Variable: VarCount, Date: day("2025-09-02")}, false},
		"stands of two days":                 {Observation{Variable: VarStand, Date: day("2025-09-01")}, Observation{Variable: VarStand, Date: day("2025-09-02")}, true},
		"picks of one day":                   {weighed("101", "1", "", 1), weighed("101", "2", "", 1), false},
		"one pick on two days":               {func() Observation { o := weighed("101", "2025-09-01", "", 1); o.Pick = "1"; return o }(), func() Observation { o := weighed("101", "2025-09-02", "", 1); o.Pick = "1"; return o }(), true},
		"spellings of a class":               {countOf("101", 1, 1, "Broad leaf"), countOf("101", 1, 1, "broad-leaf"), true},
		"beside and in force":                {countOf("101", 1, 1, ""), func() Observation { o := countOf("101", 1, 1, ""); o.Beside = true; return o }(), false},
		"two who stand beside":               {func() Observation { o := countOf("101", 1, 1, ""); o.Beside, o.Observer = true, "Ada"; return o }(), func() Observation { o := countOf("101", 1, 1, ""); o.Beside, o.Observer = true, "Ben"; return o }(), false},
	} {
		if (c.a.Key() == c.b.Key()) != c.same {
			t.Errorf("%s: %+v and %+v", name, c.a.Key(), c.b.Key())
		}
	}
}
