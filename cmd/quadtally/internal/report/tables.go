package report

import (
	"cmp"
	"fmt"

	"quadtally/stats"
)

// This file turns analyses into tables of a Document.

// treatmentTable is the table every reader looks at. The number of plots of a
// treatment links to their values in the appendix.
func (b *builder) treatmentTable(key string, r Response, a *stats.Analysis) Table {
	texts := compareText{a: *a}
	digits := texts.backDigits()
	t := Table{ID: "means-" + key, Caption: fmt.Sprintf("%s by treatment, %s", sentenceCase(a.Response), a.Unit),
		Columns: headed("Treatment", "Plots", "Plain mean", "SD", "Adjusted mean", "SE", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "Letters")}
	t.Columns[7].Numeric = false
	suppression := a.Control != "" && r.Role.LessIsBetter()
	if suppression {
		t.Columns = append(t.Columns, Column{Head: fmt.Sprintf("Less than %s, %%", a.Control), Numeric: true})
	}
	for _, x := range texts.ordered() {
		se := "-"
		if x.SE != nil {
			se = number(x.SE, decimals(x.SE))
		}
		mean, lower, upper := x.Shown()
		row := cells(x.Treatment, fmt.Sprint(x.Plots), number(x.Mean, digits), number(x.SD, digits), number(mean, digits), se,
			span(lower, upper, digits), cmp.Or(x.Letters, "-"))
		row.Cells[1].Link = r.dataLink()
		if suppression {
			row.Cells = append(row.Cells, Cell{Text: suppressionText(a, x)})
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = fmt.Sprintf("Treatments that share a letter are not shown to differ (%s, %.3g %%); that does not mean they are the same.", a.Method.Words(), 100*a.Alpha)
	if a.Transform.Scale != stats.Raw {
		t.Note += " SE is on the scale of the analysis."
	}
	return t
}

func suppressionText(a *stats.Analysis, x stats.TreatmentResult) string {
	switch s := x.Suppression; {
	case x.Treatment == a.Control:
		return "control"
	case s == nil || s.Percent == nil:
		return "-"
	case s.Lower != nil || s.Upper != nil:
		return fmt.Sprintf("%s (%s)", number(s.Percent, 0), span(s.Lower, s.Upper, 0))
	default:
		return number(s.Percent, 0)
	}
}

func anovaTable(id, caption string, rows []stats.ANOVARow) Table {
	grid := anovaRows(rows)
	copy(grid[0], []string{"Term", "df", "SS", "MS", "F", "p", "Partial η²", "Partial ω²"})
	return gridOf(id, caption, grid)
}

func pairTable(key string, a *stats.Analysis) Table {
	d := (&compareText{a: *a}).seDigits()
	t := Table{ID: "pairs-" + key, Caption: fmt.Sprintf("Pairs of treatments (%s), scale of the analysis", a.Method.Words()),
		Columns: headed("Pair", "Difference", "SED", "t", "p alone", "p adjusted", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "Shown")}
	t.Columns[7].Numeric = false
	for _, p := range a.Pairs {
		if !p.Estimable {
			t.Rows = append(t.Rows, cells(p.A+" - "+p.B, "-", "-", "-", "-", "-", "-", "cannot be compared in this design"))
			continue
		}
		shown := "not shown to differ"
		if p.Differ {
			shown = "differ"
		}
		t.Rows = append(t.Rows, cells(p.A+" - "+p.B, number(p.Difference, d), number(p.SED, d), number(p.T, 2), pOf(p.PLSD), pOf(p.P), span(p.Lower, p.Upper, d), shown))
	}
	return t
}

func controlTable(key string, a *stats.Analysis) Table {
	d := (&compareText{a: *a}).seDigits()
	t := Table{ID: "control-" + key, Caption: fmt.Sprintf("Against the control %s (Dunnett, %s), scale of the analysis", a.Control, sideWords[a.Side]),
		Columns: headed("Treatment", "Difference", "SED", "t", "p adjusted", fmt.Sprintf("%.3g %% interval", 100*a.Confidence))}
	for _, c := range a.VsControl {
		t.Rows = append(t.Rows, cells(c.Treatment, number(c.Difference, d), number(c.SED, d), number(c.T, 2), pKnown(c.P, c.PError), span(c.Lower, c.Upper, d)))
	}
	return t
}

var sideWords = map[stats.Side]string{stats.BothSides: "two-sided", stats.BelowControl: "lower only", stats.AboveControl: "higher only"}

// checkTable lists the checks of the assumptions and the tests without them.
func checkTable(key string, a *stats.Analysis) (Table, bool) {
	t := Table{ID: "checks-" + key, Caption: "Checks of the residuals, and tests that need no normal distribution",
		Columns: []Column{{"Test", false}, {"Statistic", true}, {"p", true}, {"Reading", false}}}
	lines := append([]stats.TestLine{}, a.Checks...)
	for _, l := range []*stats.TestLine{a.Friedman, a.ImanDavenport, a.KruskalWallis} {
		if l != nil {
			lines = append(lines, *l)
		}
	}
	for _, l := range lines {
		statistic := "-"
		if l.Statistic != nil {
			statistic = figure3(*l.Statistic)
		}
		t.Rows = append(t.Rows, cells(l.Name, statistic, pOf(l.P), sentence("%s", l.Reading)))
	}
	if r := a.Randomisation; r != nil {
		t.Rows = append(t.Rows, cells("Randomisation", fmt.Sprintf("%d of %d", r.AtLeast, r.Of), pOf(&r.P), sentence("%s", r.Note)))
	}
	return t, len(t.Rows) > 0
}

// inTime adds the split plot in time.
func (b *builder) inTime(s *Section, key string, season *stats.Season) {
	if season.Area != nil {
		s.add(anovaTable("area-"+key, "Analysis of variance of the area under the course, unit times days", season.Area.ANOVA))
	}
	i := season.InTime
	if i == nil {
		return
	}
	s.add(anovaTable("between-"+key, "Between plots, over all visits", i.Plot))
	t := Table{ID: "within-" + key, Caption: "Within plots: do the treatments part over time?",
		Columns: headed("Term", "df", "SS", "F", "p", "p Greenhouse-Geisser", "p Huynh-Feldt", "p lower bound")}
	for _, w := range i.Within {
		t.Rows = append(t.Rows, cells(w.Term, fmt.Sprint(w.DF), figure3(w.SS), number(w.F, 3), pOf(w.P), pOf(w.PGG), pOf(w.PHF), pOf(w.PLow)))
	}
	t.Note = "Visits close in time are alike, so the uncorrected p is too small: read the corrected ones."
	if i.EpsilonGG != nil {
		t.Note += fmt.Sprintf(" Epsilon: Greenhouse-Geisser %s, Huynh-Feldt %s.", number(i.EpsilonGG, 4), number(i.EpsilonHF, 4))
	}
	s.add(t)
}
