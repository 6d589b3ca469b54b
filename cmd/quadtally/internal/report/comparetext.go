package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// TextOptions choose how a comparison is written as text.
type TextOptions struct {
	// Short leaves out the tables below the first screen.
	Short bool
	// Weeds says that the response is of weeds alone: only then is less than
	// the control called suppression.
	Weeds bool
	// More says that the response is of the crop: it is told how much more than
	// the control there is, not how much less.
	More bool
	// MadeOf says what the response holds, where its name does not.
	MadeOf string
	// Term is what is written on.
	Term Terminal
}

// answerSections is a comparison as a terminal shows it in full: what was done
// to the values before, the answer, what was asked, and then what the technical
// file has of it, with the values of plots in place of figures.
func answerSections(c analysis.Comparison, opt TextOptions) []Section {
	a := c.Main()
	t := compareText{a: *a, opt: opt}
	f := found{key: "answer", c: c, a: a, less: true, more: opt.More, lists: true}
	var s Section
	head := t.what() + ": " + a.Design.Words
	if c.Season != nil {
		days := c.Season.Days
		head += fmt.Sprintf("; season of %d visits, day %g to day %g; one value a plot, visits are not replicates", len(days), days[0], days[len(days)-1])
	}
	s.add(Text{Tone: Plain, Text: head + "."})
	if opt.MadeOf != "" {
		s.say("This is %s. It is no measure of weeds alone.", opt.MadeOf)
	}
	s.before(c)
	s.add(t.verdict())
	f.asked(&s)
	s.add(f.treatmentTable())
	var notes []string
	if slices.ContainsFunc(a.Treatments, func(r stats.TreatmentResult) bool { return r.Letters != "" }) {
		notes = append(notes, t.lettersNote())
	}
	notes = append(notes, t.scaleNote(), t.couldHaveSeen())
	warnings := a.Warnings
	if c.Season != nil {
		warnings = slices.Concat(c.Season.Warnings, warnings)
		if d := c.Season.DateByDate; d != nil {
			text := "the treatments are not shown to differ otherwise at one visit than at another, so the mean over the period is the answer; of %d visits looked at one by one some may show something by chance"
			if d.Supports {
				text = "differences change from visit to visit, so that the %d visits may be read one by one"
			}
			notes = append(notes, fmt.Sprintf("Treatment by visit, F(%.1f,%.1f) = %.2f, %s: "+text+".", d.DF1, d.DF2, d.F, pWords(d.P), d.Visits))
		}
	}
	for _, n := range notes {
		if n != "" {
			s.add(Text{Tone: Plain, Text: n})
		}
	}
	for _, m := range a.Missing {
		s.warn("Missing: plot %s, %s %s", m.Name, m.Treatment, strings.Join(m.Sources, ", "))
	}
	for _, w := range warnings {
		s.warn("%s", w)
	}
	tests := Section{ID: "tests", Title: "Tests"}
	tests.beside(f.variance(cmp.Or(a.Response, "the response"))...)
	f.tests(&tests)
	opinions := Section{ID: "opinions", Title: "Second opinions"}
	more, cautions := f.opinions(&opinions)
	for _, n := range more {
		opinions.say("%s", n)
	}
	for _, w := range cautions {
		opinions.warn("%s", w)
	}
	plots := Section{ID: "plots", Title: "Plots and notes"}
	plots.add(f.plotTable())
	if c.Season != nil {
		more = slices.Concat(c.Season.Notes, f.notes())
	} else {
		more = f.notes()
	}
	plots.add(List{Items: sentences(more)})
	list := []Section{s, tests}
	if len(opinions.Blocks) > 0 {
		list = append(list, opinions)
	}
	return append(list, plots)
}

// before adds what was done to the values before they were compared, and how
// the comparison stands beside others of its trial.
func (s *Section) before(c analysis.Comparison) {
	if len(c.Checked) > 0 {
		s.say("Told apart by named plants, corrected by check points that a person answered; their uncertainty is in every interval and test.")
		var list []string
		for _, x := range c.Checked {
			if x.Shown {
				s.warn("%s", x.Words())
			} else {
				list = append(list, x.Words())
			}
		}
		if len(list) > 0 {
			s.add(List{Items: list})
		}
	}
	if x := c.Calibrated; x != nil {
		for _, l := range x.Loud {
			s.warn("%s", l)
		}
		line := "CALIBRATED VALUES, not raw ones: " + lineWords(*x)
		over := "image within those of the visit"
		if x.LineUsed != nil {
			over = "image " + figure3(x.Low) + " to " + figure3(x.High)
		}
		if x.LineUsed != nil && x.SlopeSE != nil {
			line += fmt.Sprintf("; standard error of the slope %.2g", *x.SlopeSE)
		}
		s.say("%s. The line's own uncertainty is in every standard error below but those of the analysis of variance.", line)
		if len(x.Extrapolated) > 0 {
			s.warn("Extrapolated beyond the pairs (%s): %s. Hand-count there too.", over, strings.Join(x.Extrapolated, ", "))
		} else {
			s.say("Nothing was extrapolated: all plots lie within the pairs (%s).", over)
		}
		for _, l := range x.Warnings {
			s.warn("%s", l)
		}
	}
	if x := c.Standing; x != nil {
		if x.Primary != "" {
			s.add(Text{Tone: Plain, Text: standingWords(*x)})
		}
		if len(x.Tried) > 0 {
			s.warn("%s", triedWords(x.Tried))
		}
	}
}

// verdict is the answer.
func (t *compareText) verdict() Text {
	list := make([]string, len(t.a.Verdict))
	for i, v := range t.a.Verdict {
		list[i] = t.begun(v) + "."
	}
	return Text{Tone: Lead, Text: strings.Join(list, " ")}
}

// compareText holds the words of a comparison.
type compareText struct {
	a   stats.Analysis
	opt TextOptions
}

// decimals gives two figures to a standard error of the size of se.
func decimals(se *float64) int {
	if se == nil {
		return 2
	}
	return decimalsFor(*se)
}

func number(v *float64, digits int) string { return optional(v, digits) }

func pOf(p *float64) string { return pCell(p) }

// pKnown writes a p value that was integrated with an error: with two decimals
// and a sign of about where three would promise more than is known.
func pKnown(p *float64, err float64) string {
	if p == nil || err <= 1e-4 || *p < 0.005 {
		return pCell(p)
	}
	if *p > 0.995 {
		return "> .99"
	}
	return "≈ " + strings.TrimPrefix(fmt.Sprintf("%.2f", *p), "0")
}

func span(lower, upper *float64, digits int) string { return between(lower, upper, digits) }

// backDigits are the decimals for means in the unit of the response.
func (t *compareText) backDigits() int {
	for _, r := range t.a.Treatments {
		if _, lower, upper := r.Shown(); lower != nil && upper != nil {
			quarter := (*upper - *lower) / 4
			return decimals(&quarter)
		}
	}
	return 2
}

func (t *compareText) ordered() []stats.TreatmentResult {
	out := slices.Clone(t.a.Treatments)
	value := func(r stats.TreatmentResult) float64 {
		if m, _, _ := r.Shown(); m != nil {
			return *m
		}
		return math.Inf(-1)
	}
	slices.SortStableFunc(out, func(x, y stats.TreatmentResult) int { return cmp.Compare(value(y), value(x)) })
	return out
}

// begun writes a sentence's first letter large, but leaves the name of a
// treatment as it is.
func (t *compareText) begun(s string) string {
	for _, x := range t.a.Treatments {
		if strings.HasPrefix(s, x.Treatment) {
			return s
		}
	}
	r := []rune(s)
	if len(r) > 0 {
		r[0] = unicode.ToUpper(r[0])
	}
	return string(r)
}

// treatmentRows is the table of treatments, its head first, and remarks that
// belong to it.
func (t *compareText) treatmentRows() (rows [][]string, remarks []string) {
	a, digits := t.a, t.backDigits()
	header := []string{"treatment", "plots", "mean", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "letters"}
	if a.Control != "" {
		header = append(header, t.againstHeader())
	}
	rows = [][]string{header}
	var notes []string
	noted := map[string][]string{}
	for _, r := range t.ordered() {
		value, lower, upper := r.Shown()
		row := []string{r.Treatment, fmt.Sprint(r.Plots), number(value, digits), span(lower, upper, digits), cmp.Or(r.Letters, undefined)}
		if a.Control != "" {
			row = append(row, suppressionText(&a, r, t.opt.More))
		}
		if r.Suppression != nil && r.Suppression.Note != "" {
			note := r.Suppression.Note
			if noted[note] == nil {
				notes = append(notes, note)
			}
			noted[note] = append(noted[note], r.Treatment)
		}
		rows = append(rows, row)
	}
	for _, n := range notes {
		remarks = append(remarks, fmt.Sprintf("%s, %s: %s.", t.againstHeader(), strings.Join(noted[n], ", "), n))
	}
	if apart := t.percentsApart(); len(apart) > 0 {
		remarks = append(remarks, fmt.Sprintf("%% less than control, %s: the interval is of that treatment alone and judges nothing; the comparison with the control allows for their number.", strings.Join(apart, ", ")))
	}
	return rows, remarks
}

// percentsApart names treatments whose interval of the percentage seems to say
// another thing than their comparison with the control.
func (t *compareText) percentsApart() (out []string) {
	for _, c := range t.a.VsControl {
		for _, r := range t.a.Treatments {
			if s := r.Suppression; r.Treatment == c.Treatment && c.P != nil && s != nil && s.Lower != nil && s.Upper != nil && (*s.Lower > 0 || *s.Upper < 0) != c.Differ {
				out = append(out, r.Treatment)
			}
		}
	}
	return out
}

func (t *compareText) lettersNote() string {
	note := fmt.Sprintf("Treatments that share a letter are not shown to differ (%s, %.3g %%).", t.a.Method.Words(), 100*t.a.Alpha)
	if t.a.LettersHideControl() {
		note += " With the control it is the comparisons above that count: the letters allow for all pairs."
	}
	return note
}

// scaleNote says on which scale was tested; "" for values as measured.
func (t *compareText) scaleNote() string {
	switch a := t.a; {
	case a.StandardBy != "":
		return fmt.Sprintf("Tested as the %s; means, intervals and percentages are of the values as measured, by a %s model that lets weedy treatments vary more.", a.Transform.Words(), a.StandardBy)
	case a.Transform.Scale != stats.Raw:
		return fmt.Sprintf("Analysed as the %s; means and intervals are carried back.", a.Transform.Words())
	}
	return ""
}

// couldHaveSeen is what difference the trial could have shown; "" where nothing
// tells.
func (t *compareText) couldHaveSeen() string {
	digits := t.backDigits()
	back := ""
	if t.a.StandardBy != "" { // the mean above is another
		back = " (carried back)"
	}
	switch d := t.a.Detectable; {
	case d == nil:
		return ""
	case d.BeyondZero:
		return fmt.Sprintf("What the trial could have seen: too little. Against %s of %s%s, not even a true mean of 0 would have shown in %.0f of 100 such trials (one pair, t test).",
			d.FromWhat, number(&d.From, digits), back, 100*d.Power)
	default:
		return fmt.Sprintf("What the trial could have seen: against %s of %s%s, a true mean of %s or less would have shown in %.0f of 100 such trials (one pair, t test).",
			d.FromWhat, number(&d.From, digits), back, number(&d.To, digits), 100*d.Power)
	}
}

func anovaRows(anova []stats.ANOVARow) [][]string {
	rows := [][]string{{"term", "df", "SS", "MS", "F", "p", "partial eta2", "partial omega2"}}
	for _, r := range anova {
		ms := undefined
		if r.MS != nil {
			ms = figure3(*r.MS)
		}
		row := []string{r.Term, fmt.Sprint(r.DF), figure3(r.SS), ms}
		if r.F != nil {
			row = append(row, number(r.F, 3), pOf(r.P), number(r.PartialEta2, 3), number(r.PartialOmega2, 3))
		}
		rows = append(rows, row)
	}
	return rows
}

// seDigits are the decimals for numbers on the scale of the analysis.
func (t *compareText) seDigits() int {
	for _, r := range t.a.Treatments {
		if r.SE != nil {
			return decimals(r.SE) + 1
		}
	}
	return 3
}

// covariateTests are what was asked about the covariate itself.
func (t *compareText) covariateTests() (out []string) {
	c := t.a.Covariate
	if p := c.Parallel; p != nil && p.P != nil {
		out = append(out, fmt.Sprintf("Slopes of treatments alike? F(%d,%d) = %s, %s.", p.DF, c.DF-p.DF, number(p.F, 2), pWords(*p.P)))
	}
	if b := c.Balance; b != nil && b.P != nil {
		out = append(out, fmt.Sprintf("Covariate alike in all treatments? F = %s, %s.", number(b.F, 2), pWords(*b.P)))
	}
	return out
}

func (t *compareText) covariateNote() string {
	c := t.a.Covariate
	text := fmt.Sprintf("Means are adjusted to a covariate of %s (its mean over plots). For one unit more of it the response changes by %s", figure3(c.At), figure3(c.Slope))
	if c.Lower != nil && c.Upper != nil {
		text += fmt.Sprintf(" (%.3g %% interval %s to %s", 100*t.a.Confidence, figure3(*c.Lower), figure3(*c.Upper))
		if c.P != nil {
			text += ", " + pWords(*c.P)
		}
		text += ")"
	}
	if t.a.Transform.Scale != stats.Raw {
		text += " on the scale of the analysis"
	}
	return text + "."
}

// againstHeader names the column of the control, 100 (1 - T/C): suppression
// where the response is of weeds, how much more where it is of the crop (100
// (T/C - 1)), else simply how much less than the control it is.
func (t *compareText) againstHeader() string {
	switch {
	case t.opt.Weeds:
		return "suppression %"
	case t.opt.More:
		return "% more than control"
	}
	return "% less than control"
}

func negative(v *float64) *float64 {
	if v == nil {
		return nil
	}
	n := -*v
	return &n
}
