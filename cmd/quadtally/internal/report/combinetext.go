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

// WriteCombined writes several trials combined: what is shown, how far
// treatments differ from trial to trial, means and differences, and under each
// difference its trials.
func WriteCombined(w io.Writer, c analysis.CombinedAnswer, opt TextOptions) error {
	var s Section
	head := c.Response
	if c.Unit != "" {
		head += " (" + c.Unit + ")"
	}
	s.add(Text{Tone: Plain, Text: fmt.Sprintf("%s: %d treatments in %d trials (%s), %d plots.", sentenceCase(head), len(c.Treatments), len(c.Trials), some(c.Trials, 6), c.Plots)})
	// With a control its comparisons lead, as in a single trial.
	shown := s.combinedControl(c)
	verdict := "Over trials, treatments are not shown to differ"
	switch significant := c.Test.P <= c.Alpha; {
	case len(c.VsControl) == 0 && significant:
		verdict = "Over trials, differences among the treatments are shown"
	case len(c.VsControl) == 0:
	case significant && shown:
		verdict = "Over all treatments together differences are shown too"
	case significant:
		verdict = "Over all treatments together differences are shown, but of none from the control"
	case shown:
		verdict = "The overall test, which asks whether any treatments differ and not which, does not show it by itself, and takes nothing from the comparisons with the control"
	default:
		verdict = "Nor does the test over all treatments together show a difference, which does not mean they are the same"
	}
	s.add(Text{Tone: Lead, Text: fmt.Sprintf("%s (F(%d,%.1f) = %.2f, %s).", verdict, c.Test.NumDF, c.Test.DenDF, c.Test.F, pWords(c.Test.P))})
	switch x := c.Interaction; {
	case x.P == nil:
		s.say("Whether treatments differ from trial to trial cannot be told: %s", x.Note)
	case *x.P <= c.Alpha:
		s.say("Treatments differ from trial to trial by more than plots within trials do (F(%d,%d) = %s, %s): one trial says little of another.", x.NumDF, x.DenDF, number(x.F, 2), pWords(*x.P))
	default:
		s.say("Treatments are not shown to differ from trial to trial by more than plots within trials do (F(%d,%d) = %s, %s).", x.NumDF, x.DenDF, number(x.F, 2), pWords(*x.P))
	}
	if c.InteractionShare != nil && c.DifferenceSD != nil {
		s.say("Treatment by trial is %.0f %% of the variance of a plot within a trial; a true difference of two treatments varies from trial to trial with a standard deviation of %s.", 100**c.InteractionShare, figure3(*c.DifferenceSD))
	}
	scaled := c.Transform.Scale != stats.Raw
	d := 2
	if len(c.Means) > 0 {
		d = decimals(&c.Means[0].SE) + 1
	}
	level := fmt.Sprintf("%.3g %% interval", 100*(1-c.Alpha))
	means := Table{ID: "means", Caption: "Means over trials", Columns: headed("Treatment", "Trials", "Plots", "Mean", "SE", level, "Letters"),
		Note: fmt.Sprintf("Treatments that share a letter are not shown to differ over trials (Holm, %.3g %%).", 100*c.Alpha)}
	means.Columns[6].Numeric = false
	if lettersHideControl(c) {
		means.Note += " With the control it is the comparisons above that count: the letters allow for all pairs."
	}
	means.Note += " Trials, not plots, are what counts."
	if scaled {
		means.Columns = append(means.Columns, Column{"Carried back", true})
		means.Note += fmt.Sprintf(" Analysed as the %s.", c.Transform.Words())
	}
	for i, m := range c.Means {
		letters := undefined
		if i < len(c.Letters) {
			letters = c.Letters[i]
		}
		row := []string{m.Treatment, fmt.Sprint(m.Trials), fmt.Sprint(m.Plots), number(&m.Mean, d), number(&m.SE, d), span(&m.Lower, &m.Upper, d), letters}
		if scaled {
			row = append(row, figure3(c.Back[i]))
		}
		means.Rows = append(means.Rows, cells(row...))
	}
	s.add(means)
	list, title := c.VsControl, "Against the control "+c.Control
	if c.Control == "" {
		list, title = c.Pairs, "Differences"
	}
	pairs := Table{ID: "pairs", Caption: title, Columns: headed("Pair", "Difference", level, "p Holm", "In one more trial")}
	if !opt.Short {
		pairs.Columns = append(pairs.Columns, headed("", "SED", "df", "p alone")[1:]...)
	}
	for _, p := range list {
		row := []string{p.A + " - " + p.B, number(&p.Difference, d), span(&p.Lower, &p.Upper, d), pOf(&p.PHolm), span(p.NewTrialLower, p.NewTrialUpper, d)}
		if !opt.Short {
			row = append(row, number(&p.SED, d), fmt.Sprintf("%.1f", p.DF), pOf(&p.P))
		}
		pairs.Rows = append(pairs.Rows, cells(row...))
	}
	s.add(pairs)
	for _, x := range c.Warnings {
		s.warn("%s", x)
	}
	if !opt.Short {
		for i, f := range c.Forests {
			lines := Table{ID: fmt.Sprintf("trials-%d", i+1), Caption: f.Treatment + " less " + f.Against + ", trial by trial", Columns: headed("Trial", "Plots", "Difference", level)}
			for _, l := range f.Lines {
				lines.Rows = append(lines.Rows, cells(cmp.Or(l.Trial, "all trials"), fmt.Sprint(l.Plots), number(&l.Difference, d), span(l.Lower, l.Upper, d)))
			}
			s.add(lines)
		}
		var parts []string
		for _, v := range c.Variance {
			parts = append(parts, fmt.Sprintf("%s %s (%.0f %%)", v.Name, figure3(v.Variance), 100*v.Share))
		}
		s.say("Variances by REML: %s.", strings.Join(parts, "; "))
	}
	if len(c.Notes) > 0 {
		s.add(List{Items: sentences(c.Notes)})
	}
	return writeSections(w, opt.Term, s)
}

// lettersHideControl reports whether a treatment that is shown to differ from the
// control shares a letter with it: letters answer for all pairs at once and show
// less.
func lettersHideControl(c analysis.CombinedAnswer) bool {
	letters := map[string]string{}
	for i, m := range c.Means {
		if i < len(c.Letters) {
			letters[m.Treatment] = c.Letters[i]
		}
	}
	return slices.ContainsFunc(c.VsControl, func(p stats.CombinedPair) bool {
		return p.PHolm <= c.Alpha && strings.ContainsAny(letters[p.A], letters[p.B])
	})
}

// combinedControl says which treatments differ from the control over trials, and
// reports whether any does.
func (s *Section) combinedControl(c analysis.CombinedAnswer) bool {
	var lower, higher, open []string
	for _, p := range c.VsControl {
		switch {
		case p.PHolm > c.Alpha:
			open = append(open, p.A)
		case p.Difference < 0:
			lower = append(lower, p.A)
		default:
			higher = append(higher, p.A)
		}
	}
	for _, x := range []struct {
		names []string
		how   string
	}{{lower, "lower than"}, {higher, "higher than"}, {open, "not shown to differ from"}} {
		if len(x.names) > 0 {
			s.add(Text{Tone: Lead, Text: fmt.Sprintf("Over trials, %s %s the control %s (Holm).", listOf(x.names), x.how, c.Control)})
		}
	}
	return len(lower)+len(higher) > 0
}
