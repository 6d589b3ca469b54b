package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
)

// This file turns claims into sentences for a tired person. A sentence is made
// from a claim alone and never from another sentence.

// wordsFor writes findings about a trial: it knows what treatments are called.
type wordsFor struct{ trial *trial.Trial }

// name is what people call a treatment: its code where it has no name, and both
// where another treatment is called the same.
func (t wordsFor) name(code string) string {
	n := t.trial.TreatmentName(code)
	if n == "" {
		return code
	}
	for _, x := range t.trial.Treatments {
		if x.Code != code && trial.NameKey(x.Name) == trial.NameKey(n) {
			return n + " (" + code + ")"
		}
	}
	return n
}

func (t wordsFor) names(codes []string) string {
	list := make([]string, len(codes))
	for i, c := range codes {
		list[i] = t.name(c)
	}
	return listOf(list)
}

// changeWords says how a treatment changed a response: "about 55 % fewer
// weeds", "about 32 % more marketable yield".
func changeWords(r analysis.Response, change float64) string {
	size := percentWords(math.Abs(change))
	if change < 0 {
		return fmt.Sprintf("about %s %s", size, lessOf(r))
	}
	return fmt.Sprintf("about %s %s", size, moreOf(r))
}

// thing is what a response counts or weighs, as it stands behind "less".
func thing(r analysis.Response) (noun string, countable bool) {
	switch r.Key {
	case analysis.HandCount:
		if r.Class != "" {
			return r.Class + " weeds", true
		}
		return "weeds", true
	case analysis.GreenCover:
		return "green cover (weeds, crop and regrowth together)", false
	case analysis.WeedPieces:
		return "separate weeds", true
	}
	return r.Label, false
}

func lessOf(r analysis.Response) string {
	n, countable := thing(r)
	if countable {
		return "fewer " + n
	}
	return "less " + n
}

func moreOf(r analysis.Response) string {
	n, _ := thing(r)
	return "more " + n
}

func topic(r analysis.Response) string {
	n, _ := thing(r)
	return n
}

// alike is how far apart changes may lie that are told as one figure: close enough
// for "about".
const alike = 0.08

// verdict says a claim in a few sentences: what is shown first, then what is
// not.
func (t wordsFor) verdict(c analysis.Claim) []string {
	switch {
	case c.Refusal != "":
		return []string{sentence("%s: %s", topic(c.Response), c.Refusal)}
	case c.AllZero:
		return []string{sentence("there were no %s in any plot", topic(c.Response))}
	case c.Control != "":
		return t.againstControl(c)
	case c.OverallP == nil:
		return []string{sentence("whether the treatments differ in %s cannot be told from these plots", topic(c.Response))}
	case !c.OverallShown:
		return []string{sentence("the treatments are not shown to differ in %s", topic(c.Response))}
	}
	out := sentence("the treatments differ in %s: it was highest with %s and lowest with %s", topic(c.Response), t.name(c.Top), t.name(c.Bottom))
	if _, countable := thing(c.Response); countable {
		out = sentence("the treatments differ in %s: most were found with %s and fewest with %s", topic(c.Response), t.name(c.Top), t.name(c.Bottom))
	}
	if c.Pairs > 0 && c.PairsShown == 0 {
		out += " Which of them differ is not shown."
	}
	return []string{out}
}

func (t wordsFor) againstControl(c analysis.Claim) []string {
	control := t.name(c.Control)
	var out []string
	tell := func(list []analysis.Effect) {
		for _, g := range groupsAlike(list) {
			var codes []string
			for _, e := range g {
				codes = append(codes, e.Treatment)
			}
			change := meanChange(g)
			if change == nil {
				direction := lessOf(c.Response)
				if slices.ContainsFunc(c.More, func(e analysis.Effect) bool { return e.Treatment == g[0].Treatment }) {
					direction = moreOf(c.Response)
				}
				out = append(out, sentence("%s had %s than %s", t.names(codes), direction, control))
				continue
			}
			out = append(out, sentence("%s had %s than %s", t.names(codes), changeWords(c.Response, *change), control))
		}
	}
	tell(c.Less)
	tell(c.More)
	var open []string
	for _, e := range c.Open {
		open = append(open, e.Treatment)
	}
	if len(open) > 0 {
		if len(out) == 0 && len(c.Untested) == 0 {
			out = append(out, sentence("no treatment clearly differed from %s in %s", control, topic(c.Response)))
		} else {
			out = append(out, sentence("%s did not clearly differ from %s in %s", t.names(open), control, topic(c.Response)))
		}
	}
	if len(c.Untested) > 0 {
		out = append(out, sentence("%s cannot be compared with %s in this layout", t.names(c.Untested), control))
	}
	if len(out) == 0 {
		out = append(out, sentence("how the treatments differ from %s in %s cannot be told from these plots", control, topic(c.Response)))
	}
	return out
}

// second says what the overall test adds to what was said of the control, in
// words that cannot contradict it; "" where it adds nothing.
func (t wordsFor) second(c analysis.Claim) string {
	if c.Control == "" || c.OverallP == nil || c.Refusal != "" || c.AllZero {
		return ""
	}
	shown := len(c.Less)+len(c.More) > 0
	switch {
	case shown && !c.OverallShown:
		return sentence("in %s the comparisons with %s were planned and stand on their own; the test of all treatments at once alone would not show a difference (%s)", topic(c.Response), t.name(c.Control), pWords(*c.OverallP))
	case !shown && c.OverallShown:
		return sentence("in %s the treatments do differ among themselves (%s), from %s with the highest to %s with the lowest; none of them is shown to differ from %s", topic(c.Response), pWords(*c.OverallP), t.name(c.Top), t.name(c.Bottom), t.name(c.Control))
	}
	return ""
}

// groupsAlike puts neighbours of like change together; the list is sorted by
// size.
func groupsAlike(list []analysis.Effect) [][]analysis.Effect {
	var out [][]analysis.Effect
	for _, e := range list {
		if n := len(out); n > 0 {
			first := out[n-1][0]
			if e.Change == nil && first.Change == nil || e.Change != nil && first.Change != nil && math.Abs(*e.Change-*first.Change) <= alike {
				out[n-1] = append(out[n-1], e)
				continue
			}
		}
		out = append(out, []analysis.Effect{e})
	}
	return out
}

func meanChange(g []analysis.Effect) *float64 {
	sum := 0.0
	for _, e := range g {
		if e.Change == nil {
			return nil
		}
		sum += *e.Change
	}
	sum /= float64(len(g))
	return &sum
}

// could says what the trial could not have seen.
func (t wordsFor) could(c analysis.Claim) string {
	switch {
	case c.Refusal != "" || c.AllZero:
		return ""
	case c.TooSmall:
		return sentence("in %s the trial was too small to see even the largest decrease", topic(c.Response))
	case c.Detectable == nil:
		return ""
	}
	against := "the mean"
	if c.Control != "" {
		against = t.name(c.Control)
	}
	return sentence("a true change in %s of less than about %s of %s would more often than one time in five have gone unseen", topic(c.Response), percentWords(*c.Detectable), against)
}

// dates says which treatments never shared a day of an operation.
func (b *builder) dates() []string {
	t := wordsFor{&b.in.Trial}
	var codes []string
	for _, x := range b.in.Trial.Treatments {
		codes = append(codes, x.Code)
	}
	var out []string
	for _, set := range b.in.DateGroups {
		var parts []string
		for _, g := range set.Groups(codes) {
			days := make([]string, len(g.Days))
			for i, d := range g.Days {
				days[i] = d
				if p, err := trial.ParseDate(d); err == nil {
					days[i] = b.day(p)
				}
			}
			parts = append(parts, fmt.Sprintf("on %s for %s", listOf(days), t.names(g.Treatments)))
		}
		out = append(out, sentence("%s was %s, so part of a difference between these groups may come from the date", set.Operation, strings.Join(parts, " and ")))
	}
	return out
}
