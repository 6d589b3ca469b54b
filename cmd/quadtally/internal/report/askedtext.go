package report

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// WriteAsked writes the answers to what was asked beyond the pairs: contrasts,
// margins, a trend over rates, factors. They come before the comparison of all
// treatments, for they were asked beforehand. Short leaves out the tables.
func WriteAsked(w io.Writer, c analysis.Comparison, opt TextOptions) error {
	a := c.Main()
	if a == nil || c.Planned == nil && c.Margin == nil && c.Trend == nil && c.Factorial == nil && c.StepDown == nil {
		return nil
	}
	t := compareText{a: *a, opt: opt}
	if c.Planned != nil {
		t.planned(*c.Planned)
	}
	if c.Margin != nil {
		t.margin(*c.Margin)
	}
	if c.StepDown != nil {
		t.said("", fmt.Sprintf("Against the control %s by Dunnett's test in its step-down form, which has no intervals", a.Control))
		t.table(t.stepDownRows(c.StepDown))
		t.line("")
	}
	if c.Trend != nil {
		t.trend(*c.Trend)
	}
	if c.Factorial != nil {
		t.factorial(*c.Factorial)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

// onScale names the unit of numbers on the scale of the analysis, after a
// comma; nothing where there is no unit.
func (t *compareText) onScale() string {
	switch {
	case t.a.Transform.Scale != stats.Raw:
		return ", on the scale of the analysis (the " + t.a.Transform.Words() + ")"
	case t.a.Unit != "":
		return ", " + t.a.Unit
	}
	return ""
}

// WriteStanding says how the comparison stands beside others of its trial:
// nothing where it is the one response of the plan, asked in the usual way.
func WriteStanding(w io.Writer, c analysis.Comparison, opt TextOptions) error {
	s := c.Standing
	if s == nil {
		return nil
	}
	t := compareText{opt: opt}
	switch {
	case s.Primary != "" && s.IsPrimary:
		t.said("", "The primary response of the plan.")
	case s.Primary != "":
		t.said("", fmt.Sprintf("Primary response: %s; this one is secondary, one of %d that have values.", s.Primary, s.Responses))
	}
	if len(s.Tried) > 0 {
		t.caution(triedWords(s.Tried))
	}
	if t.b.Len() > 0 {
		t.line("")
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

// triedWords says which other choices were tried.
func triedWords(tried []string) string {
	what := "1 choice other than the usual was"
	if n := len(tried); n > 1 {
		what = fmt.Sprintf("%d choices other than the usual were", n)
	}
	return fmt.Sprintf("%s tried: %s. The usual one was fixed beforehand; of several that are tried, the one that shows most shows too much.", what, strings.Join(tried, ", "))
}

func (t *compareText) stepDownRows(list []stats.ControlComparison) [][]string {
	rows := [][]string{{"treatment", "difference", "p, step-down"}}
	for _, x := range list {
		rows = append(rows, []string{x.Treatment, number(x.Difference, t.seDigits()), pOf(x.P)})
	}
	return rows
}

func (t *compareText) planned(p stats.PlannedContrasts) {
	t.line("Contrasts asked for")
	t.said("  ", fmt.Sprintf("Average of the treatments added less that of those taken away%s. The last p and the interval allow for their number: %s.", t.onScale(), p.Adjustment.Words()))
	t.table(t.plannedRows(p))
	if p.Orthogonal && len(p.Contrasts) > 1 {
		t.said("  ", "No two of them look at the same difference.")
	}
	t.line("")
}

func (t *compareText) plannedRows(p stats.PlannedContrasts) [][]string {
	d := t.seDigits()
	rows := [][]string{{"contrast", "difference", fmt.Sprintf("%.3g %% interval", 100*t.a.Confidence), "t", "p alone", "p"}}
	for _, c := range p.Contrasts {
		if !c.Estimable {
			rows = append(rows, []string{c.Name, "cannot be told in this design"})
			continue
		}
		rows = append(rows, []string{c.Name, number(c.Average, d), span(c.AverageLower, c.AverageUpper, d), number(c.T, 2), pOf(c.P), pOf(c.PAdjusted)})
	}
	return rows
}

func (t *compareText) margin(m analysis.MarginAnswer) {
	t.said("", t.marginQuestion(m))
	for _, l := range t.marginAnswers(m) {
		t.said("  ", l.treatment+": "+l.answer+". "+l.words)
	}
	t.said("  ", fmt.Sprintf("Each at %.3g %% by one-sided t tests. Not shown does not mean shown to be worse.", 100*m.Alpha))
	t.line("")
}

func (t *compareText) marginQuestion(m analysis.MarginAnswer) string {
	by := asGiven(m.Margin)
	switch {
	case m.Relative:
		by = asGiven(100*m.Margin) + " %"
	case t.a.Unit != "":
		by += " " + t.a.Unit
	}
	question := "within " + by + " of " + m.Reference
	if m.Relative {
		question = "within " + by + " of the mean of " + m.Reference
	}
	if m.OneSided && m.Relative {
		question = "worse than " + m.Reference + " by at most " + by + " of its mean"
	} else if m.OneSided {
		question = "at most " + by + " worse than " + m.Reference
	}
	return fmt.Sprintf("As good as %s? Asked: %s", m.Reference, question)
}

// asGiven is a number that a person gave, without noughts of our own.
func asGiven(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	if err != nil {
		rounded = v
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// marginAnswer is the answer for one treatment, with how near it came.
type marginAnswer struct{ treatment, answer, words string }

func (t *compareText) marginAnswers(m analysis.MarginAnswer) (out []marginAnswer) {
	for _, r := range m.Results {
		answer := "NOT SHOWN"
		if m.OneSided && (m.Worse == stats.BelowControl && r.NotBelow || m.Worse == stats.AboveControl && r.NotAbove) || !m.OneSided && r.Equivalent {
			answer = "YES"
		}
		worse := m.Worse
		if !m.OneSided {
			worse = stats.BothSides
		}
		switch {
		case r.PLower == nil:
			answer = "CANNOT BE TOLD"
		case answer != "YES" && r.Beyond(worse):
			answer = "NO"
		}
		words := r.Words(m.Reference, worse)
		if r.Lower != nil && r.Upper != nil {
			level := fmt.Sprintf("%.3g %% interval", 100*(1-2*m.Alpha))
			if r.Ratio != nil {
				percent := func(v float64) string { return figure3(100 * v) }
				words += fmt.Sprintf(": %s %% of its mean (%s %s to %s)", percent(*r.Ratio), level, percent(*r.Lower), percent(*r.Upper))
			} else if r.Difference != nil {
				words += fmt.Sprintf(": a difference of %s (%s %s to %s)", figure3(*r.Difference), level, figure3(*r.Lower), figure3(*r.Upper))
			}
		}
		out = append(out, marginAnswer{r.Treatment, answer, sentence("%s", words)})
	}
	return out
}

func (t *compareText) trend(x stats.Trend) {
	t.line("Trend over %s", map[bool]string{true: "rates", false: x.Factor}[x.Factor == "treatment"])
	t.table(anovaRows(x.Rows))
	t.said("  ", t.trendWords(x))
	if len(x.Apart) > 0 {
		t.said("  ", "Without a rate, and no part of the trend: "+strings.Join(x.Apart, ", ")+".")
	}
	for _, w := range x.Warnings {
		t.caution(w)
	}
	t.line("")
}

// trendWords describes the trend that is suggested.
func (t *compareText) trendWords(x stats.Trend) string {
	if x.Suggested == 0 {
		return "No trend over the rates is shown."
	}
	for _, e := range x.Equations {
		if e.Degree != x.Suggested {
			continue
		}
		text := figures(e.Coefficients[0], 4)
		for i, v := range e.Coefficients[1:] {
			term := "rate"
			if i > 0 {
				term = fmt.Sprintf("rate^%d", i+1)
			}
			sign := " + "
			if v < 0 {
				sign = " " + minusSign + " "
			}
			text += sign + figures(math.Abs(v), 4) + " " + term
		}
		text = fmt.Sprintf("A description%s, between rates %g and %g and nowhere else: %s.", t.onScale(), e.From, e.To, text)
		if x.ThroughEveryMean() {
			text += " " + throughEveryMean(x)
		}
		return text
	}
	return ""
}

// throughEveryMean warns of a curve that is drawn through all the means.
func throughEveryMean(x stats.Trend) string {
	return fmt.Sprintf("It goes through the mean of each of the %d rates, so nothing tests its shape between them: read the means.", len(x.Rates))
}

func (t *compareText) factorial(f analysis.FactorialAnswer) {
	t.line("Factors")
	t.table(anovaRows(f.ANOVA))
	if len(f.Read) > 0 {
		t.said("  ", "Read the means of: "+strings.Join(f.Read, "; ")+".")
	}
	if len(f.Outside) > 0 {
		t.said("  ", "Without a level of every factor, and no part of this: "+strings.Join(f.Outside, ", ")+".")
	}
	for _, w := range f.Warnings {
		t.caution(w)
	}
	t.effects(f.Effects, f.Read)
	for _, x := range f.Trends {
		t.trend(x)
	}
	t.line("")
}

// effects writes the means of those effects that are to be read, or of all.
func (t *compareText) effects(list []stats.EffectMeans, read []string) {
	for _, e := range list {
		name := strings.Join(e.Factors, ":")
		wanted := len(read) == 0
		for _, r := range read {
			wanted = wanted || r == name
		}
		if !wanted && t.opt.Short {
			continue
		}
		d := 3
		for _, m := range e.Means {
			if m.SE != nil {
				d = decimals(m.SE) + 1
				break
			}
		}
		rows := [][]string{{name, "plots", "mean", "SE", "interval", "letters"}}
		for i, m := range e.Means {
			letters := "-"
			if i < len(e.Letters) {
				letters = e.Letters[i]
			}
			rows = append(rows, []string{strings.Join(m.Levels, ", "), fmt.Sprint(m.Plots), number(m.Mean, d), number(m.SE, d), span(m.Lower, m.Upper, d), letters})
		}
		t.table(rows)
	}
}

// WriteStrata writes a split plot or strip plot.
func WriteStrata(w io.Writer, s analysis.StrataAnswer, opt TextOptions) error {
	t := compareText{opt: opt}
	t.a.Transform, t.a.Unit = s.Transform, s.Unit
	kind := strings.ReplaceAll(string(s.Kind), "_", " ")
	how := "from the error strata"
	if !s.Balanced {
		how = "by a mixed model (REML, Kenward-Roger), as combinations are missing or repeated"
	}
	head := s.Response
	if s.Unit != "" {
		head += " (" + s.Unit + ")"
	}
	t.said("", fmt.Sprintf("%s: %s, each term tested against the plots it was randomised to, %s", sentenceCase(head), kind, how))
	t.line("")
	rows := [][]string{{"term", "df", "error df", "F", "p"}}
	for _, x := range s.Tests {
		rows = append(rows, []string{x.Term, fmt.Sprint(x.NumDF), figure3(x.DenDF), number(x.F, 3), pOf(x.P)})
	}
	t.table(rows)
	for _, x := range s.Tests {
		said := "not shown to matter"
		if x.P != nil && *x.P <= s.Alpha {
			said = "shown to matter"
		}
		t.said("  ", fmt.Sprintf("%s: %s.", x.Term, said))
	}
	t.line("")
	if s.Transform.Scale != stats.Raw {
		t.said("", fmt.Sprintf("Means and errors are on the scale of the analysis, the %s.", s.Transform.Words()))
	}
	t.effects(s.Effects, nil)
	t.line("")
	rows = [][]string{{"difference of", "SED", "df", "LSD"}}
	for _, x := range s.SEDs {
		sed := figure3(x.SED)
		if x.Max > x.Min {
			sed += " (" + figure3(x.Min) + " to " + figure3(x.Max) + ")"
		}
		rows = append(rows, []string{string(x.Kind), sed, fmt.Sprintf("%.1f", x.DF), figure3(x.LSD)})
	}
	t.table(rows)
	if !opt.Short {
		for _, x := range s.Strata {
			t.heading("Stratum: " + x.Name)
			t.table(anovaRows(x.Rows))
		}
		for _, x := range s.Components {
			t.line("Variance %s %s", x.Name, figure3(x.Variance))
		}
	}
	for _, x := range s.Trends {
		t.line("")
		t.trend(x)
	}
	for _, x := range s.Warnings {
		t.caution(x)
	}
	for _, x := range s.Notes {
		t.said("- ", x+".")
	}
	_, err := w.Write(t.b.Bytes())
	return err
}
