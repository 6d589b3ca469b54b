package report

import (
	"fmt"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/stats"
)

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

// standingWords says how a comparison stands beside others of its trial.
func standingWords(s analysis.Standing) string {
	if s.IsPrimary {
		return "The primary response of the plan."
	}
	return fmt.Sprintf("Primary response: %s; this one is secondary, one of %d that have values.", s.Primary, s.Responses)
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

// secondLookRows lists further looks at the residuals, a number each.
func (t *compareText) secondLookRows(l stats.SecondLooks) [][]string {
	rows := [][]string{{"look", "statistic", "p"}}
	for _, x := range l.Spread {
		rows = append(rows, []string{"equal spread, " + x.Name, number(x.Statistic, 3), pOf(x.P)})
	}
	if f := l.Furthest; f != nil {
		rows = append(rows, []string{"plot furthest out, " + f.Plot, number(&f.Studentised, 3), pOf(&f.P)})
	}
	return append(rows, []string{"power of the values", number(l.Power.Power, 2), ""})
}

// secondLookWords says what each look tells: first what was found, which no
// room may cost, then the rest.
func (t *compareText) secondLookWords(l stats.SecondLooks) (found, rest []string) {
	var order []string
	by, shown := map[string][]string{}, map[string]bool{}
	for _, x := range l.Spread {
		if by[x.Reading] == nil {
			order = append(order, x.Reading)
		}
		by[x.Reading] = append(by[x.Reading], x.Name)
		shown[x.Reading] = shown[x.Reading] || x.P != nil && *x.P <= t.a.Alpha
	}
	say := func(shown bool, text string) {
		if shown {
			found = append(found, text)
		} else {
			rest = append(rest, text)
		}
	}
	for _, reading := range order {
		say(shown[reading], fmt.Sprintf("%s: %s.", listOf(by[reading]), reading))
	}
	if f := l.Furthest; f != nil {
		outside := f.P <= t.a.Alpha
		says := "not shown to lie outside, all plots allowed for"
		if outside {
			says = "outside what chance among all plots allows; look it up"
		}
		say(outside, fmt.Sprintf("Plot %s (%s) lies furthest from what its treatment and place suggest: %s.", f.Plot, f.Treatment, says))
	}
	power := "Powers: " + l.Power.Reading
	if l.Power.Power != nil {
		power += fmt.Sprintf(" (95 %% interval %s)", span(l.Power.Lower, l.Power.Upper, 2))
	}
	return found, append(rest, power+".")
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

func (t *compareText) marginQuestion(m analysis.MarginAnswer) string {
	by := wording.Number(m.Margin, 6)
	switch {
	case m.Relative:
		by = wording.Number(100*m.Margin, 6) + " %"
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

// trendWords describes the trend that is suggested.
func (t *compareText) trendWords(x stats.Trend) string {
	if x.Suggested == 0 {
		return "No trend over the rates is shown."
	}
	for _, e := range x.Equations {
		if e.Degree != x.Suggested {
			continue
		}
		text := fmt.Sprintf("A description%s, between rates %s and %s and nowhere else: %s.", t.onScale(), figure3(e.From), figure3(e.To), equation(e.Coefficients))
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

// strataSection is a split plot or strip plot; opt.Short leaves out the strata.
func strataSection(s analysis.StrataAnswer, opt TextOptions) Section {
	t := compareText{opt: opt}
	t.a.Transform, t.a.Unit = s.Transform, s.Unit
	var out Section
	kind := strings.ReplaceAll(string(s.Kind), "_", " ")
	how := "from the error strata"
	if !s.Balanced {
		how = "by a mixed model (REML, Kenward-Roger), as combinations are missing or repeated"
	}
	head := s.Response
	if s.Unit != "" {
		head += " (" + s.Unit + ")"
	}
	out.add(Text{Tone: Plain, Text: fmt.Sprintf("%s: %s, each term tested against the plots it was randomised to, %s.", sentenceCase(head), kind, how)})
	var shown, open []string
	tests := Table{ID: "terms", Caption: "Tests of factors", Columns: headed("Term", "df", "error df", "F", "p")}
	for _, x := range s.Tests {
		tests.Rows = append(tests.Rows, cells(x.Term, fmt.Sprint(x.NumDF), figure3(x.DenDF), number(x.F, 3), pOf(x.P)))
		if x.P != nil && *x.P <= s.Alpha {
			shown = append(shown, x.Term)
		} else {
			open = append(open, x.Term)
		}
	}
	for _, x := range []struct {
		terms []string
		how   string
	}{{shown, "shown to matter"}, {open, "not shown to matter"}} {
		if len(x.terms) > 0 {
			out.add(Text{Tone: Lead, Text: strings.Join(x.terms, "; ") + ": " + x.how + "."})
		}
	}
	out.add(tests)
	if s.Transform.Scale != stats.Raw {
		out.say("Means and errors are on the scale of the analysis, the %s.", s.Transform.Words())
	}
	out.add(effectTables("strata", s.Effects)...)
	seds := Table{ID: "seds", Caption: "Standard errors of differences", Columns: headed("Difference of", "SED", "df", "LSD")}
	for _, x := range s.SEDs {
		sed := figure3(x.SED)
		if x.Max > x.Min {
			sed += " (" + figure3(x.Min) + " to " + figure3(x.Max) + ")"
		}
		seds.Rows = append(seds.Rows, cells(string(x.Kind), sed, fmt.Sprintf("%.1f", x.DF), figure3(x.LSD)))
	}
	out.add(seds)
	if !opt.Short {
		for i, x := range s.Strata {
			out.add(anovaTable(fmt.Sprintf("stratum-%d", i+1), "Stratum: "+x.Name, x.Rows))
		}
		for _, x := range s.Components {
			out.say("Variance %s %s", x.Name, figure3(x.Variance))
		}
	}
	for i, x := range s.Trends {
		out.add(t.trendTable(fmt.Sprintf("trend-%d", i+1), x))
	}
	for _, x := range s.Warnings {
		out.warn("%s", x)
	}
	if len(s.Notes) > 0 {
		out.add(List{Items: sentences(s.Notes)})
	}
	return out
}
