package report

import (
	"fmt"
	"io"
	"strings"

	"quadtally/calibrate"
)

// WriteAgreement writes image against hand as text: one screen for a tired
// person (may hand counting stop, how far the camera is from the hand, what to
// beware of) and, unless opt.Short, the tables of the technical file. Cover is
// written in points of percent.
func WriteAgreement(w io.Writer, r calibrate.Report, opt TextOptions) error {
	t := agreementText(&r)
	s := t.headline(opt)
	if opt.Short {
		return s.write(w)
	}
	var tables Section
	t.tables(&tables, string(r.Kind))
	return s.writeWith(w, tables)
}

// agreeText holds the wording and units of image against hand; scale and digits
// turn the package's values into the unit written.
type agreeText struct {
	r      calibrate.Report
	scale  float64
	unit   string
	digits int
}

func agreementText(r *calibrate.Report) *agreeText {
	t := &agreeText{r: *r, scale: 1, unit: "pieces", digits: 2}
	if r.Kind == calibrate.Cover {
		t.scale, t.unit, t.digits = 100, "points", 1
	}
	return t
}

// val writes a value in the unit of the text, and never a minus before a zero.
func (t *agreeText) val(v float64) string { return fixed(v*t.scale, t.digits) }

func (t *agreeText) ptr(v *float64) string {
	if v == nil {
		return undefined
	}
	return t.val(*v)
}

func (t *agreeText) span(ci *calibrate.Interval) string {
	if ci == nil {
		return undefined
	}
	return t.val(ci.Low) + " to " + t.val(ci.High)
}

func fixed(v float64, digits int) string { return withDecimals(v, digits) }

func coefficient(ci *calibrate.Interval) string {
	if ci == nil {
		return undefined
	}
	return fixed(ci.Low, 3) + " to " + fixed(ci.High, 3)
}

// headline is the first screen: the two answers, how far the camera is from
// the hand, and what to beware of.
func (t *agreeText) headline(opt TextOptions) *screen {
	s := newScreen(opt.Term, "tables, calibration line and double sampling")
	a := t.r.Agreement
	what := "cover"
	if t.r.Kind == calibrate.Count {
		what = "counts"
	}
	if t.r.ImageName != "" {
		what = t.r.ImageName + " against " + t.r.HandName
	}
	s.line(keepAlways, fmt.Sprintf("Camera against hand: %s, %d pairs in %d plots", what, a.N, a.Plots))
	s.gap()
	if v := t.r.Verdict; v != nil {
		s.strong("", "May you stop counting by hand?  "+verdictWords[v.Answer])
		s.strong("  ", t.question("On average over the trial", v.Average))
		if v.Comparing != nil {
			s.strong("  ", t.question("For comparing treatments", *v.Comparing))
		}
		switch {
		case v.Answer == calibrate.Yes:
			s.say(keepContext, "  ", fmt.Sprintf("With a margin of %s %s: %s.", t.val(v.Margin), t.unit, v.Sentence))
		case v.Overall.Answer == calibrate.NotEnough && v.Overall.PlotsNeeded != nil:
			s.say(keepContext, "  ", fmt.Sprintf("With a margin of %s %s about %d plots with %d pairs in all would do on average, if bias and scatter stay as they are (80 %% chance of a yes).",
				t.val(v.Margin), t.unit, *v.Overall.PlotsNeeded, *v.Overall.PairsNeeded))
		default:
			s.say(keepContext, "  ", fmt.Sprintf("With a margin of %s %s.", t.val(v.Margin), t.unit))
		}
	} else {
		s.strong("", "May you stop counting by hand?  Not answered: no margin was stated")
		s.say(keepContext, "  ", "Say first how large a mean difference you could live with, then ask again with --margin.")
	}
	s.gap()
	s.strong("", "How far is the camera from the hand?")
	s.say(keepAlways, "  ", t.biasSentence())
	s.say(keepContext, "  ", t.limitsSentence())
	if a.CCC != nil {
		s.say(keepRemark, "  ", fmt.Sprintf("Concordance is %s, where 1 is perfect agreement.", fixed(a.CCC.Value, 3)))
	}
	for _, x := range t.r.Loud {
		if opt.Short {
			s.caution(x)
			continue
		}
		s.gap()
		for _, l := range wrap(x, s.term.Width-2) {
			s.add(keepAlways, "! "+s.term.strong(l))
		}
	}
	if n := len(t.r.Intake.Problems) - t.r.Intake.Photo; n > 0 {
		where := "--full names them"
		if !opt.Short {
			where = "each with its reason below"
		}
		s.gap()
		s.say(keepContext, "", fmt.Sprintf("Left out of %d rows given: %d; %s.", t.r.Intake.Given, n, where))
	}
	return s
}

var verdictWords = map[calibrate.Answer]string{calibrate.Yes: "YES", calibrate.No: "NO", calibrate.NotEnough: "NOT YET"}

// question is one of the two answers with its reasons.
func (t *agreeText) question(name string, q calibrate.Question) string {
	text := verdictWords[q.Answer]
	for i, r := range q.Reasons {
		text += map[bool]string{true: ": ", false: "; "}[i == 0] + r.Words()
	}
	return name + ": " + text + "."
}

func (t *agreeText) biasSentence() string {
	b := t.r.Agreement.Bias
	ci := b.Best()
	size := t.val(max(b.Value, -b.Value))
	side := "higher"
	if b.Value < 0 {
		side = "lower"
	}
	switch {
	case b.Value == 0 && (ci == nil || ci.Low == 0 && ci.High == 0):
		return "On average the camera and the hand give the same value."
	case ci == nil:
		return fmt.Sprintf("On average the camera reads %s %s %s; there are too few plots for an interval.", size, t.unit, side)
	case ci.Low <= 0 && ci.High >= 0:
		return fmt.Sprintf("On average the camera reads %s %s %s, which is not shown to differ from 0 (%.0f %% interval %s).", size, t.unit, side, 100*ci.Level, t.span(ci))
	}
	return fmt.Sprintf("On average the camera reads %s %s %s (%.0f %% interval %s).", size, t.unit, side, 100*ci.Level, t.span(ci))
}

func (t *agreeText) limitsSentence() string {
	a := t.r.Agreement
	return fmt.Sprintf("For a single quadrat, 95 in 100 differences (image minus hand) lie between %s and %s %s.", t.val(a.LowerLimit.Value), t.val(a.UpperLimit.Value), t.unit)
}

// some joins the first names and says how many more there are.
func some(names []string, most int) string {
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}
