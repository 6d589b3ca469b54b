package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// AnswerOptions completes how text is written by what the response is.
func AnswerOptions(c analysis.Comparison, opt TextOptions) TextOptions {
	opt.Weeds, opt.More, opt.MadeOf = c.Role == analysis.Weeds, c.Role == analysis.Crop, c.MadeOf
	return opt
}

// WriteAnswer writes a comparison: with opt.Short the answer alone, on one
// screen, else everything: what was done to the values before, the answers to
// what was asked, the comparison with its tables, and the second opinions.
func WriteAnswer(w io.Writer, c analysis.Comparison, opt TextOptions) error {
	if c.Strata != nil {
		return writeSections(w, opt.Term, strataSection(*c.Strata, opt))
	}
	if opt.Short {
		return answerScreen(c, opt).write(w)
	}
	return writeSections(w, opt.Term, answerSections(c, opt)...)
}

// answerScreen is the answer of a comparison.
func answerScreen(c analysis.Comparison, opt TextOptions) *screen {
	a := *c.Main()
	t := compareText{a: a, opt: opt}
	s := newScreen(opt.Term, "tables, checks and plots")
	cautions := slices.Clone(a.Warnings)
	head := t.what() + ": " + a.Design.Words
	if c.Season != nil {
		s.more = "tables, checks, the mixed model of the season and plots"
		cautions = append(slices.Clone(c.Season.Warnings), cautions...)
		days := c.Season.Days
		head += fmt.Sprintf("; %d visits over %g days", len(days), days[len(days)-1]-days[0])
	}
	s.say(keepAlways, "", head)
	if opt.MadeOf != "" {
		s.line(keepAlways, "This is "+opt.MadeOf+"; no measure of weeds alone.")
	}
	before(s, c)
	s.gap()
	t.answered(s, c)
	for _, v := range a.Verdict {
		s.strong("  ", t.begun(v)+".")
	}
	s.gap()
	rows, remarks := t.treatmentRows()
	s.rows(keepAlways, withoutPlots(rows, s.term.Width))
	s.gap()
	if slices.ContainsFunc(a.Treatments, func(r stats.TreatmentResult) bool { return r.Letters != "" }) {
		s.say(keepContext, "", t.lettersNote())
	}
	if d := c.Season; d != nil && d.DateByDate != nil {
		text := "The treatments are not shown to differ otherwise at one visit than at another"
		if d.DateByDate.Supports {
			text = "Differences change from visit to visit: ask again with --visit"
		}
		s.say(keepRemark, "", fmt.Sprintf("%s (%s).", text, pWords(d.DateByDate.P)))
	}
	if seen := t.couldHaveSeen(); seen != "" {
		s.say(keepContext, "", seen)
	}
	if how := t.scaleNote(); how != "" {
		s.say(keepMethod, "", how)
	}
	if r := a.Randomisation; r != nil {
		s.line(keepMethod, fmt.Sprintf("By the layout alone (randomisation test), %s.", pWords(r.P)))
	}
	if x := a.Covariate; x != nil {
		s.say(keepRemark, "", t.covariateNote())
		for _, l := range t.covariateTests() {
			s.line(keepRemark, "  "+l)
		}
	}
	for _, r := range remarks {
		s.line(keepRemark, r)
	}
	for _, m := range []*analysis.ShareOrCountModel{c.CountModel, c.CoverModel} {
		if m == nil {
			continue
		}
		if m.Refused != "" {
			s.line(keepMethod, "No second opinion from the "+string(m.Family)+" model: "+m.Refused+".")
		} else {
			// Its warnings stay and go with it: alone they would be read as of the answer.
			s.say(keepRemark, "", strings.Join(append([]string{modelSentence(*m)}, sentences(m.Warnings)...), " "))
		}
	}
	if len(a.Missing) > 0 {
		var names []string
		for _, m := range a.Missing {
			names = append(names, "plot "+m.Name+" ("+m.Treatment+")")
		}
		s.caution("Missing: " + strings.Join(names, ", "))
	}
	for _, q := range c.Questions {
		s.caution("to answer: " + q.Text)
	}
	for _, x := range cautions {
		s.caution(x)
	}
	said := map[string]bool{}
	for _, x := range c.Checked {
		said[x.Words()] = true
	}
	for _, n := range c.Notes {
		if !said[n] {
			s.line(keepContext, "note: "+n)
		}
	}
	return s
}

// withoutPlots leaves out the column of plots where the table is too wide and
// all treatments have as many.
func withoutPlots(rows [][]string, width int) [][]string {
	for _, r := range rows[1:] {
		if r[1] != rows[1][1] {
			return rows
		}
	}
	widest := 0
	for _, l := range tableLines(rows, 1000, false) {
		widest = max(widest, columns(l))
	}
	if widest <= width {
		return rows
	}
	out := make([][]string, len(rows))
	for i, r := range rows {
		out[i] = slices.Concat(r[:1], r[2:])
	}
	return out
}

// before adds what was done to the values before they were compared, and how
// the comparison stands beside others of its trial.
func before(s *screen, c analysis.Comparison) {
	if len(c.Checked) > 0 {
		s.line(keepRemark, "Told apart by named plants, corrected by check points; their uncertainty is in every interval.")
		for _, x := range c.Checked {
			if x.Shown {
				s.caution(x.Words())
			}
		}
	}
	if x := c.Calibrated; x != nil {
		s.add(keepAlways, "CALIBRATED VALUES, not raw ones.")
		s.line(keepContext, "Carried through "+lineWords(*x)+".")
		for _, l := range x.Loud {
			s.caution(l)
		}
		if len(x.Extrapolated) > 0 {
			s.caution("extrapolated beyond the pairs of hand and photo: " + strings.Join(x.Extrapolated, ", "))
		}
		for _, l := range x.Warnings {
			s.caution(l)
		}
	}
	if x := c.Standing; x != nil {
		if x.Primary != "" {
			s.line(keepRemark, standingWords(*x))
		}
		if len(x.Tried) > 0 {
			s.caution(triedWords(x.Tried))
		}
	}
}

// answered adds the answers to what was asked beyond the pairs.
func (t *compareText) answered(s *screen, c analysis.Comparison) {
	asked := false
	if p := c.Planned; p != nil {
		s.line(keepContext, "Contrasts asked for"+t.onScale()+":")
		s.rows(keepAlways, t.plannedRows(*p))
		asked = true
	}
	if m := c.Margin; m != nil {
		s.line(keepAlways, t.marginQuestion(*m))
		var order []string
		names := map[string][]string{}
		list := t.marginAnswers(*m)
		for _, l := range list {
			if len(list) <= 4 { // a line each
				s.strong("  ", l.treatment+": "+l.answer+".")
				continue
			}
			if names[l.answer] == nil {
				order = append(order, l.answer)
			}
			names[l.answer] = append(names[l.answer], l.treatment)
		}
		for _, x := range order {
			s.strong("  ", x+": "+strings.Join(names[x], ", ")+".")
		}
		asked = true
	}
	if c.StepDown != nil {
		s.line(keepContext, fmt.Sprintf("Against the control %s, Dunnett's test in its step-down form:", t.a.Control))
		s.rows(keepContext, t.stepDownRows(c.StepDown))
		asked = true
	}
	if c.SecondLooks != nil {
		s.line(keepAlways, secondLooksTitle+":")
		s.rows(keepAlways, t.secondLookRows(*c.SecondLooks))
		found, rest := t.secondLookWords(*c.SecondLooks)
		for _, w := range found {
			s.say(keepAlways, "  ", w)
		}
		for _, w := range rest {
			s.say(keepContext, "  ", w)
		}
		asked = true
	}
	if x := c.Trend; x != nil {
		s.say(keepAlways, "", t.trendWords(*x))
		for _, w := range x.Warnings {
			s.caution(w)
		}
		asked = true
	}
	if f := c.Factorial; f != nil {
		s.rows(keepAlways, anovaRows(f.ANOVA))
		if len(f.Read) > 0 {
			s.line(keepAlways, "Read the means of: "+strings.Join(f.Read, "; ")+".")
		}
		for _, w := range f.Warnings {
			s.caution(w)
		}
		asked = true
	}
	if asked {
		s.gap()
	}
}

// what names the response with its unit.
func (t *compareText) what() string {
	what := cmp.Or(t.a.Response, "response")
	if t.a.Unit != "" {
		what += " (" + t.a.Unit + ")"
	}
	return t.begun(what)
}
