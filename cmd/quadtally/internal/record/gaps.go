package record

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
)

// Unlisted is what a class of plants is where weeds were counted and nothing is
// said of it.
type Unlisted string

// The answers; "" is none yet.
const (
	UnlistedZero    Unlisted = "zero"    // it was looked for and not there
	UnlistedUnknown Unlisted = "unknown" // it was not looked for
)

// UnlistedSubject is what decisions of the kind "unlisted" are about.
const UnlistedSubject = "unlisted"

// UnlistedAt is the key of an answer about a class at one visit.
func UnlistedAt(class string, visit int) string {
	return trial.NameKey(class) + "@" + itoa(visit)
}

// Unlisted are the answers given so far, by [trial.NameKey] of the class and by
// [UnlistedAt].
func (s *Snapshot) Unlisted() map[string]Unlisted {
	out := map[string]Unlisted{}
	if d, ok := s.Decision(UnlistedSubject, KindUnlisted); ok {
		_ = json.Unmarshal(d.Value, &out) // written by this program alone; without it the question is put again
	}
	return out
}

// ClassGap is a class of plants that was not counted in all quadrats in which
// weeds were counted at a visit: nobody knows yet whether it was looked for in
// the others.
type ClassGap struct {
	Class    string
	Visit    int
	In       []QuadratAt // with a count of it
	Without  []QuadratAt // counted, without a count of it
	Expected string      // why it belongs there though no quadrat tells of it; "" where one does
	// LeftOut: totals of the visit are without it, since another class is known
	// in every quadrat; otherwise the quadrats in Without have no total.
	LeftOut bool
	Answer  Unlisted // what was said of the class
}

// ClassGaps finds the gaps in the counts of the record.
func (s *Snapshot) ClassGaps() []ClassGap {
	return ClassGapsOf(s.Observations, s.Trial.Classes, s.Unlisted(), nil)
}

// ClassGapsOf finds classes that were counted in some quadrats of a visit and
// not in others: the others say nothing of the class, or most are marked
// missing. A class that no quadrat of a visit tells of is a gap where the plan
// names it (planned) or another visit has it, unless its group, or a class of
// its group, was counted. Quadrats with a total of their own need no class, and
// of those without any count nothing is expected. With among, only its classes
// are looked at, in quadrats with a total of their own too. That a class was
// looked for and not there is taken to hold at other visits as well, but not
// where a whole visit tells nothing of it. The list is by visit, then class.
func ClassGapsOf(list []Observation, planned []trial.Class, said map[string]Unlisted, among func(trial.Class) bool) []ClassGap {
	type visitOf struct {
		counted, total map[QuadratAt]bool
		known, stated  map[string]map[QuadratAt]bool // by class; stated: known or marked missing
	}
	visits := map[int]*visitOf{}
	classes := map[string]trial.Class{} // the first spelling of each
	firstAt := map[string]int{}         // the first visit that has it
	for _, o := range list {
		if o.Variable != VarCount || o.Quadrat == 0 || o.Visit == 0 || o.Withdrawn {
			continue
		}
		v := visits[o.Visit]
		if v == nil {
			v = &visitOf{map[QuadratAt]bool{}, map[QuadratAt]bool{}, map[string]map[QuadratAt]bool{}, map[string]map[QuadratAt]bool{}}
			visits[o.Visit] = v
		}
		at := o.Spot()
		if o.Class == "" {
			if !o.Missing && among == nil {
				v.total[at] = true
			}
			continue
		}
		k := trial.NameKey(o.Class)
		if v.stated[k] == nil {
			v.stated[k], v.known[k] = map[QuadratAt]bool{}, map[QuadratAt]bool{}
		}
		v.stated[k][at] = true
		if _, ok := classes[k]; !ok {
			classes[k] = trial.Class{Name: o.Class}
		}
		c := classes[k]
		c.Group, c.Life = cmp.Or(c.Group, o.Group), cmp.Or(c.Life, o.Life)
		classes[k] = c
		if !o.Missing {
			v.known[k][at], v.counted[at] = true, true
			if was, ok := firstAt[k]; !ok || o.Visit < was {
				firstAt[k] = o.Visit
			}
		}
	}
	expected := maps.Clone(firstAt) // 0: the plan names it
	for _, c := range planned {
		k := trial.NameKey(c.Name)
		classes[k], expected[k] = c, 0
	}
	var out []ClassGap
	for _, visit := range slices.Sorted(maps.Keys(visits)) {
		v := visits[visit]
		maps.DeleteFunc(v.counted, func(at QuadratAt, _ bool) bool { return v.total[at] })
		n := len(v.counted)
		if n == 0 {
			continue
		}
		known := func(k string) (in int) {
			for at := range v.known[k] {
				if v.counted[at] {
					in++
				}
			}
			return in
		}
		everywhere := false
		for k := range v.known {
			everywhere = everywhere || known(k) == n && (among == nil || among(classes[k]))
		}
		for _, k := range slices.Sorted(maps.Keys(classes)) {
			if among != nil && !among(classes[k]) {
				continue
			}
			g := ClassGap{Class: classes[k].Name, Visit: visit, Answer: cmp.Or(said[UnlistedAt(k, visit)], said[k])}
			silent := 0
			for _, at := range slices.SortedFunc(maps.Keys(v.counted), QuadratAt.compare) {
				switch {
				case v.known[k][at]:
					g.In = append(g.In, at)
				default:
					if !v.stated[k][at] {
						silent++
					}
					g.Without = append(g.Without, at)
				}
			}
			with := len(g.In)
			switch from, isExpected := expected[k]; {
			case with == n:
				continue
			case len(v.stated[k]) > 0:
				if with > 0 && silent == 0 && 2*with > n {
					continue // a few cells marked missing are what they say
				}
				g.LeftOut = everywhere && 2*with < n
			case !isExpected || kinCounted(classes, k, known):
				continue
			case from == 0:
				g.Expected, g.LeftOut = "the plan names it", true
			default:
				g.Expected, g.LeftOut = fmt.Sprintf("visit %d has it", from), true
			}
			if with == 0 && g.Answer == UnlistedZero {
				g.Answer = said[UnlistedAt(k, visit)]
			}
			out = append(out, g)
		}
	}
	slices.SortStableFunc(out, func(a, b ClassGap) int {
		return cmp.Or(a.Visit-b.Visit, strings.Compare(trial.NameKey(a.Class), trial.NameKey(b.Class)))
	})
	return out
}

// kinCounted reports that the group of a class, or a class of the group that it
// is itself, was counted.
func kinCounted(classes map[string]trial.Class, class string, known func(string) int) bool {
	for k, c := range classes {
		if k != class && (trial.NameKey(c.Group) == class || trial.NameKey(classes[class].Group) == k) && known(k) > 0 {
			return true
		}
	}
	return false
}

// Uncounted are the quadrats of the layout of which a visit tells nothing, though
// others of the visit were counted. Where only what is found is written down,
// they may be the ones without weeds.
type Uncounted struct {
	Visit    int
	Quadrats []QuadratAt
	Of       int // quadrats of the layout
}

// UncountedOf finds them, by visit. perPlot is the number of quadrats in a plot.
func UncountedOf(list []Observation, plots []trial.Plot, perPlot int) []Uncounted {
	stated := map[int]map[QuadratAt]bool{}
	for _, o := range list {
		if o.Variable == VarCount && o.Quadrat > 0 && o.Visit > 0 && !o.Withdrawn {
			if stated[o.Visit] == nil {
				stated[o.Visit] = map[QuadratAt]bool{}
			}
			stated[o.Visit][o.Spot()] = true
		}
	}
	var out []Uncounted
	for _, visit := range slices.Sorted(maps.Keys(stated)) {
		u := Uncounted{Visit: visit, Of: len(plots) * perPlot}
		for _, p := range plots {
			for q := 1; q <= perPlot; q++ {
				if at := (QuadratAt{p.ID, q, visit}); !stated[visit][at] {
					u.Quadrats = append(u.Quadrats, at)
				}
			}
		}
		if len(u.Quadrats) > 0 {
			out = append(out, u)
		}
	}
	return out
}

// Text says which, and what to do where they had no weeds.
func (u Uncounted) Text() string {
	return fmt.Sprintf("%d of %d quadrats of visit %d have no count (%s): where one was looked at and had no weeds, it needs a row with 0; until then a plot's mean is of its other quadrats",
		len(u.Quadrats), u.Of, u.Visit, someOf(u.Quadrats))
}

// someOf names quadrats, the first of many.
func someOf(list []QuadratAt) string {
	where := make([]string, 0, len(list))
	for _, at := range list {
		where = append(where, fmt.Sprintf("%s/%d", at.Plot, at.Quadrat))
	}
	if len(where) > 4 {
		where = append(where[:3], fmt.Sprintf("%d more", len(where)-3))
	}
	return strings.Join(where, ", ")
}

func (q QuadratAt) compare(other QuadratAt) int {
	return cmp.Or(strings.Compare(q.Plot, other.Plot), q.Quadrat-other.Quadrat)
}

// Short says where the class was counted or, of most quadrats, where it was not.
func (g ClassGap) Short() string {
	n := len(g.In) + len(g.Without)
	switch {
	case g.Expected != "":
		return fmt.Sprintf("%s was not counted at visit %d (%s)", g.Class, g.Visit, g.Expected)
	case len(g.In) == 0:
		return fmt.Sprintf("there is no count of %s in any of %d quadrats of visit %d", g.Class, n, g.Visit)
	}
	where := someOf(g.In)
	if len(g.In) > len(g.Without) {
		where = "not in " + someOf(g.Without)
	}
	return fmt.Sprintf("%s was counted in %d of %d quadrats of visit %d (%s)", g.Class, len(g.In), n, g.Visit, where)
}

// Text says what is known of the class, what its totals hold and, until it was
// answered, asks.
func (g ClassGap) Text() string {
	s := g.Short()
	those := " in the others"
	if len(g.In) == 0 {
		those = ""
	}
	effect := "those quadrats have no count of it and no total"
	if g.LeftOut {
		effect = "the totals of that visit are without it"
	}
	if g.Answer == UnlistedUnknown {
		return s + ", and not looked for" + those + ", as you said: " + effect
	}
	return s + ": was it looked for and not there" + those + " (store the sheet again with --unlisted zero), or not looked for (--unlisted unknown)? Until that is said, " + effect
}
