package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
	"quadtally/stats/glm"
)

// This file turns analyses into tables of a Document. What is common to all of
// them is said once, in "How to read this file".

// treatmentTable is the table every reader looks at. The number of plots of a
// treatment links to their values in the appendix.
func (b *builder) treatmentTable(key string, r Response, a *stats.Analysis) Table {
	texts := compareText{a: *a}
	digits := texts.backDigits()
	t := Table{ID: "means-" + key, Caption: fmt.Sprintf("%s by treatment, %s (letters: %s, %.3g %%)", sentenceCase(a.Response), a.Unit, a.Method.Words(), 100*a.Alpha),
		Columns: headed("Treatment", "Plots", "Plain mean", "SD", "Adjusted mean", "SE", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "Letters")}
	t.Columns[7].Numeric = false
	suppression := a.Control != "" && r.Role.LessIsBetter()
	if suppression {
		t.Columns = append(t.Columns, Column{Head: fmt.Sprintf("Less than %s,"+noBreak+"%%", a.Control), Numeric: true})
	}
	for _, x := range texts.ordered() {
		se := undefined
		if x.SE != nil {
			se = number(x.SE, decimals(x.SE))
		}
		mean, lower, upper := x.Shown()
		row := cells(x.Treatment, fmt.Sprint(x.Plots), number(x.Mean, digits), number(x.SD, digits), number(mean, digits), se,
			span(lower, upper, digits), cmp.Or(x.Letters, undefined))
		row.Cells[1].Link = r.dataLink()
		if suppression {
			row.Cells = append(row.Cells, Cell{Text: suppressionText(a, x)})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func suppressionText(a *stats.Analysis, x stats.TreatmentResult) string {
	switch s := x.Suppression; {
	case x.Treatment == a.Control:
		return "control"
	case s == nil || s.Percent == nil:
		return undefined
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

// fOf writes a statistic by itself; a dash where there is none.
func fOf(v *float64) string {
	if v == nil {
		return undefined
	}
	return figure3(*v)
}

func pairTable(key string, a *stats.Analysis) Table {
	d := (&compareText{a: *a}).seDigits()
	t := Table{ID: "pairs-" + key, Caption: fmt.Sprintf("Pairs of treatments (%s)", a.Method.Words()),
		Columns: headed("Pair", "Difference", "SED", "t", "p alone", "p adj.", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "Shown")}
	t.Columns[7].Numeric = false
	for _, p := range a.Pairs {
		if !p.Estimable {
			t.Rows = append(t.Rows, cells(p.A+" - "+p.B, undefined, undefined, undefined, undefined, undefined, undefined, "cannot be compared"))
			continue
		}
		shown := "no"
		if p.Differ {
			shown = "yes"
		}
		t.Rows = append(t.Rows, cells(p.A+" - "+p.B, number(p.Difference, d), number(p.SED, d), number(p.T, 2), pOf(p.PLSD), pOf(p.P), span(p.Lower, p.Upper, d), shown))
	}
	return t
}

func controlTable(key string, a *stats.Analysis) Table {
	d := (&compareText{a: *a}).seDigits()
	t := Table{ID: "control-" + key, Caption: fmt.Sprintf("Difference from the control %s (Dunnett, %s)", a.Control, sideWords[a.Side]),
		Columns: headed("Treatment", "Difference", "p", fmt.Sprintf("%.3g %% interval", 100*a.Confidence))}
	for _, c := range a.VsControl {
		t.Rows = append(t.Rows, cells(c.Treatment, number(c.Difference, d), pKnown(c.P, c.PError), span(c.Lower, c.Upper, d)))
	}
	return t
}

var sideWords = map[stats.Side]string{stats.BothSides: "two-sided", stats.BelowControl: "lower only", stats.AboveControl: "higher only"}

// checkTable lists the checks of the assumptions and the tests without them.
func checkTable(key string, a *stats.Analysis) (Table, bool) {
	t := Table{ID: "checks-" + key, Caption: "Checks of the residuals, and tests that need no normal distribution", Columns: headed("Test", "Statistic", "p")}
	lines := append([]stats.TestLine{}, a.Checks...)
	for _, l := range []*stats.TestLine{a.Friedman, a.ImanDavenport, a.KruskalWallis} {
		if l != nil {
			lines = append(lines, *l)
		}
	}
	for _, l := range lines {
		statistic := undefined
		if l.Statistic != nil {
			statistic = figure3(*l.Statistic)
		}
		t.Rows = append(t.Rows, cells(l.Name, statistic, pOf(l.P)))
	}
	if r := a.Randomisation; r != nil {
		t.Rows = append(t.Rows, cells("Randomisation within blocks", fmt.Sprintf("%d of %d", r.AtLeast, r.Of), pOf(&r.P)))
	}
	return t, len(t.Rows) > 0
}

// withinTable asks whether treatments part over time: the strata of a split
// plot in time below the plots.
func withinTable(key string, i *stats.SplitPlotInTime) Table {
	t := Table{ID: "within-" + key, Caption: "Within plots: do the treatments part over time?", Columns: headed("Term", "df", "SS", "F", "p", "p GG", "p HF", "p lower")}
	for _, w := range i.Within {
		t.Rows = append(t.Rows, cells(w.Term, fmt.Sprint(w.DF), figure3(w.SS), fOf(w.F), pOf(w.P), pOf(w.PGG), pOf(w.PHF), pOf(w.PLow)))
	}
	if i.EpsilonGG != nil {
		t.Note = fmt.Sprintf("Epsilon: GG %s, HF %s.", number(i.EpsilonGG, 4), number(i.EpsilonHF, 4))
	}
	return t
}

// byVisit holds a response's means at every visit, with the test of treatments.
func (b *builder) byVisit(r Response) (Table, bool) {
	if len(r.ByVisit) < 2 {
		return Table{}, false
	}
	t := Table{ID: "by-visit-" + r.key(), Caption: fmt.Sprintf("%s by visit", sentenceCase(r.Label)), Columns: headed("Treatment")}
	var refused []string
	for _, v := range r.ByVisit {
		t.Columns = append(t.Columns, Column{fmt.Sprintf("%d, %s", v.Visit, shortDay(v.Date, b.units)), true})
		if v.Main() == nil {
			refused = append(refused, sentence("visit %d: %s", v.Visit, v.Refusal))
		}
	}
	for _, tr := range b.in.Trial.Treatments {
		row := cells(tr.Code)
		for _, v := range r.ByVisit {
			row.Cells = append(row.Cells, Cell{Text: meanAndLetters(v.Main(), tr.Code), Link: r.dataLink()})
		}
		t.Rows = append(t.Rows, row)
	}
	test := cells("p of treatments")
	for _, v := range r.ByVisit {
		test.Cells = append(test.Cells, Cell{Text: pOf(analysis.ClaimOf(r.Response, v).OverallP)})
	}
	t.Rows = append(t.Rows, test)
	t.Note = strings.Join(refused, " ")
	return t, true
}

// opinionTables are the second opinions, by models for what the data are, and
// what is to be noted beside them.
func opinionTables(key string, c analysis.Comparison) (list []Block, notes []string) {
	if m := c.SeasonModel; m != nil && m.Fit != nil {
		t := Table{ID: "season-model-" + key, Caption: "Second opinion: mixed model of the season", Columns: headed("Term", "df", "error df", "F", "p")}
		for _, x := range m.Fit.Adjusted {
			t.Rows = append(t.Rows, cells(x.Term, fmt.Sprint(x.NumDF), withDecimals(x.DenDF, 1), figure3(x.F), pOf(&x.P)))
		}
		var parts []string
		for _, v := range m.Fit.Components {
			parts = append(parts, v.Name+" "+figures(v.Variance, 4))
		}
		list = append(list, t)
		notes = append(append(notes, "mixed model by REML with Kenward and Roger's degrees of freedom; variances: "+strings.Join(parts, ", ")), m.Warnings...)
	} else if m != nil {
		notes = append(notes, "no second opinion by a mixed model of the season: "+m.Refused)
	}
	for _, m := range []*analysis.ShareOrCountModel{c.CountModel, c.CoverModel} {
		switch {
		case m == nil:
		case m.Refused != "":
			notes = append(notes, fmt.Sprintf("no second opinion by a %s model: %s", m.Family, m.Refused))
		default:
			list = append(list, modelTable(key, *m))
			notes = append(append(notes, modelSentence(*m)), m.Warnings...)
		}
	}
	return list, notes
}

// modelTable is a model for counts or cover, each treatment against the control.
func modelTable(key string, m analysis.ShareOrCountModel) Table {
	t := Table{ID: "model-" + key, Caption: fmt.Sprintf("Second opinion: %s model", m.Family), Columns: headed("Treatment", "Ratio to "+cmp.Or(m.Control, "control"), "Interval", "p, Holm")}
	if m.Family == glm.Beta {
		t.Columns[1].Head = "Odds ratio to " + cmp.Or(m.Control, "control")
	}
	for _, r := range m.VsControl {
		t.Rows = append(t.Rows, cells(r.Treatment, number(r.Ratio, 3), span(r.Lower, r.Upper, 3), pOf(r.PHolm)))
	}
	return t
}

// askedBeforehand adds what the plan asked beyond the pairs: contrasts, a trend
// over rates, factors.
func (b *builder) askedBeforehand(s *Section, key string, c analysis.Comparison) {
	a := c.Main()
	if c.Planned == nil && c.Trend == nil && c.Factorial == nil {
		return
	}
	texts := &compareText{a: *a}
	d := texts.seDigits()
	var list []Block
	if p := c.Planned; p != nil {
		t := Table{ID: "planned-" + key, Caption: "Contrasts that the plan asks for" + texts.onScale(),
			Columns: headed("Contrast", "Difference", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "t", "p alone", "p"),
			Note:    fmt.Sprintf("The average of the treatments added less that of those taken away; the last p and the interval allow for their number: %s.", p.Adjustment.Words())}
		for _, x := range p.Contrasts {
			if !x.Estimable {
				t.Rows = append(t.Rows, cells(x.Name, undefined, "cannot be told in this design", undefined, undefined, undefined))
				continue
			}
			t.Rows = append(t.Rows, cells(x.Name, number(x.Average, d), span(x.AverageLower, x.AverageUpper, d), number(x.T, 2), pOf(x.P), pOf(x.PAdjusted)))
		}
		list = append(list, t)
	}
	if x := c.Trend; x != nil {
		list = append(list, trendTable("trend-"+key, "Trend over rates", *x))
	}
	if f := c.Factorial; f != nil {
		t := anovaTable("factors-"+key, "Factors", f.ANOVA)
		var notes []string
		if len(f.Read) > 0 {
			notes = append(notes, "Read the means of: "+strings.Join(f.Read, "; ")+".")
		}
		if len(f.Outside) > 0 {
			notes = append(notes, "Without a level of every factor, and no part of this: "+strings.Join(f.Outside, ", ")+".")
		}
		t.Note = strings.Join(append(notes, sentences(f.Warnings)...), " ")
		list = append(list, t)
		for i, e := range f.Effects {
			et := Table{ID: fmt.Sprintf("effect-%s-%d", key, i+1), Caption: "Means of " + strings.Join(e.Factors, " by "), Columns: headed("Level", "Plots", "Mean", "SE", "Interval", "Letters")}
			et.Columns[5].Numeric = false
			for k, m := range e.Means {
				letters := undefined
				if k < len(e.Letters) {
					letters = e.Letters[k]
				}
				et.Rows = append(et.Rows, cells(strings.Join(m.Levels, ", "), fmt.Sprint(m.Plots), number(m.Mean, d), number(m.SE, d), span(m.Lower, m.Upper, d), letters))
			}
			list = append(list, et)
		}
		for i, x := range f.Trends {
			list = append(list, trendTable(fmt.Sprintf("trend-%s-%d", key, i+1), "Trend over the levels of "+x.Factor, x))
		}
	}
	s.beside(list...)
}

// trendTable is a trend with the equation that describes it.
func trendTable(id, caption string, x stats.Trend) Table {
	t := anovaTable(id, caption, x.Rows)
	var notes []string
	for _, e := range x.Equations {
		if e.Degree == x.Suggested {
			notes = append(notes, fmt.Sprintf("A description between rates %s and %s and nowhere else: %s.", figure3(e.From), figure3(e.To), equation(e.Coefficients)))
		}
	}
	if x.ThroughEveryMean() {
		notes = append(notes, throughEveryMean(x))
	}
	if x.Suggested == 0 {
		notes = append(notes, "No trend over the rates is shown.")
	}
	if len(x.Apart) > 0 {
		notes = append(notes, "Without a rate, and no part of the trend: "+strings.Join(x.Apart, ", ")+".")
	}
	t.Note = strings.Join(append(notes, sentences(x.Warnings)...), " ")
	return t
}

// equation writes a polynomial of the rate.
func equation(coefficients []float64) string {
	var b strings.Builder
	for i, v := range coefficients {
		switch {
		case i == 0:
			b.WriteString(figures(v, 4))
			continue
		case v < 0:
			b.WriteString(" " + minusSign + " ")
		default:
			b.WriteString(" + ")
		}
		b.WriteString(figures(math.Abs(v), 4) + noBreak + timesSign + noBreak + "rate")
		if i > 1 {
			fmt.Fprintf(&b, "^%d", i)
		}
	}
	return b.String()
}
