package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// This file turns analyses into tables of a Document. What is common to all of
// them is said once, in "How to read this file".

// found is a comparison, as the technical file and a terminal show it.
type found struct {
	key   string // of its anchors
	link  string // where the values of its plots stand; "" for nowhere
	c     analysis.Comparison
	a     *stats.Analysis
	less  bool // how much less than the control a treatment has is shown
	more  bool // it is told as more, where more is better
	lists bool // long lists are wanted, for which a page has figures
}

func (f found) texts() *compareText { return &compareText{a: *f.a} }

// treatmentTable is the table every reader looks at. The number of plots of a
// treatment links to their values in the appendix.
func (f found) treatmentTable() Table {
	a, texts := f.a, f.texts()
	digits := texts.backDigits()
	t := Table{ID: "means-" + f.key, Caption: fmt.Sprintf("%s by treatment%s (letters: %s, %.3g %%)", sentenceCase(cmp.Or(a.Response, "response")), inUnit(a.Unit), a.Method.Words(), 100*a.Alpha),
		Columns: headed("Treatment", "Plots", "Adjusted mean", "SE", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "Letters")}
	t.Columns[5].Numeric = false
	if f.lists && a.Transform.Scale != stats.Raw {
		t.Note = "SE on the scale of the analysis."
	}
	less := a.Control != "" && f.less
	if less {
		how := "Less"
		if f.more {
			how = "More"
		}
		t.Columns = append(t.Columns, Column{Head: fmt.Sprintf("%s than %s,"+noBreak+"%%", how, a.Control), Numeric: true})
	}
	t.Columns = append(t.Columns, Column{"Plain mean", true}, Column{"SD", true})
	for _, x := range texts.ordered() {
		se := undefined
		if x.SE != nil {
			se = number(x.SE, decimals(x.SE))
		}
		mean, lower, upper := x.Shown()
		row := []string{x.Treatment, fmt.Sprint(x.Plots), number(mean, digits), se, span(lower, upper, digits), cmp.Or(x.Letters, undefined)}
		if less {
			row = append(row, suppressionText(a, x, f.more))
		}
		r := cells(append(row, number(x.Mean, digits), number(x.SD, digits))...)
		r.Cells[1].Link = f.link
		t.Rows = append(t.Rows, r)
	}
	return t
}

func inUnit(unit string) string {
	if unit == "" {
		return ""
	}
	return ", " + unit
}

// variance holds the analyses of variance of plots.
func (f found) variance(label string) []Block {
	list := []Block{anovaTable("anova-"+f.key, "Analysis of variance of "+label, f.a.ANOVA)}
	if !f.a.Design.Balanced {
		list = append(list, anovaTable("anova-adjusted-"+f.key, "Each term adjusted for all others", f.a.Adjusted))
	}
	return list
}

// tests adds pairs, control, the course within plots and the checks.
func (f found) tests(s *Section) {
	var list []Block
	if len(f.a.Pairs) > 0 {
		list = append(list, pairTable(f.key, f.a))
	}
	if len(f.a.VsControl) > 0 {
		list = append(list, controlTable(f.key, f.a))
	}
	if f.a.Transform.Scale != stats.Raw {
		list = append(list, f.scaleTable())
	}
	s.beside(list...)
	list = nil
	if x := f.c.Season; x != nil {
		if x.Area != nil {
			list = append(list, anovaTable("area-"+f.key, "Area under the course of each plot", x.Area.ANOVA))
		}
		if x.InTime != nil {
			list = append(list, anovaTable("between-"+f.key, "Between plots, of the split plot in time", x.InTime.Plot), withinTable(f.key, x.InTime))
		}
	}
	if sub := f.a.Subsampling; sub != nil {
		list = append(list, anovaTable("quadrats-"+f.key, "Quadrats within plots, as measured", sub.ANOVA))
	}
	if t, ok := checkTable(f.key, f.a); ok {
		list = append(list, t)
	}
	s.beside(list...)
}

// scaleTable holds the adjusted means on the scale of the analysis.
func (f found) scaleTable() Table {
	d := f.texts().seDigits()
	t := Table{ID: "scale-" + f.key, Caption: "Adjusted means on the scale of the analysis", Columns: headed("Treatment", "Mean", "SE", fmt.Sprintf("%.3g %% interval", 100*f.a.Confidence))}
	for _, x := range f.texts().ordered() {
		t.Rows = append(t.Rows, cells(x.Treatment, number(x.Adjusted, d), number(x.SE, d), span(x.Lower, x.Upper, d)))
	}
	return t
}

// plotTable lists the values of plots with what was fitted to them.
func (f found) plotTable() Table {
	d := f.texts().seDigits()
	t := Table{ID: "plots-" + f.key, Caption: "Plots", Columns: words("Plot", "Treatment", "Block", "Readings", "Value", "Fitted", "Residual")}
	for i := 3; i < 7; i++ {
		t.Columns[i].Numeric = true
	}
	for _, p := range f.a.Plots {
		t.Rows = append(t.Rows, cells(p.Name, p.Treatment, cmp.Or(p.Block, undefined), fmt.Sprint(p.Quadrats), number(&p.Value, d), number(&p.Fitted, d), number(&p.Residual, d)))
	}
	if f.a.Transform.Scale != stats.Raw {
		t.Note = "Value as measured; fitted and residual on the scale of the analysis."
	}
	return t
}

// notes are what else is known of a comparison.
func (f found) notes() []string {
	a, t := f.a, f.texts()
	notes := []string{modelFacts(a)}
	if sub := a.Subsampling; sub != nil {
		notes = append(notes, fmt.Sprintf("variance between plots %s, between quadrats of a plot %s, as measured; treatments are judged by plots, never by quadrats", figures(sub.VariancePlot, 4), figures(sub.VarianceQuadrat, 4)), sub.Note)
	}
	if v := a.BlockVariance; v != nil {
		notes = append(notes, "variance between blocks "+figure3(v.Variance), v.Note)
	}
	if a.Covariate != nil {
		notes = append(append(notes, t.covariateNote()), t.covariateTests()...)
	}
	if r := a.Randomisation; r != nil {
		notes = append(notes, "by the layout alone (randomisation test), "+pWords(r.P)+": "+r.Note)
	}
	notes = slices.Concat(notes, suppressionRemarks(a), a.Notes)
	for _, o := range a.Outliers {
		notes = append(notes, fmt.Sprintf("studentised residual of plot %s (%s): %s", o.Plot, o.Treatment, withDecimals(o.Studentised, 2)))
	}
	for _, l := range checkLines(a) {
		for _, w := range l.Warnings {
			notes = append(notes, l.Name+": "+w)
		}
	}
	return slices.DeleteFunc(notes, func(n string) bool { return n == "" })
}

// suppressionText is how much less than the control there is, or how much more.
func suppressionText(a *stats.Analysis, x stats.TreatmentResult, more bool) string {
	s := x.Suppression
	switch {
	case x.Treatment == a.Control:
		return "control"
	case s == nil || s.Percent == nil:
		return undefined
	}
	percent, lower, upper := s.Percent, s.Lower, s.Upper
	if more {
		percent, lower, upper = negative(percent), negative(upper), negative(lower)
	}
	if lower == nil && upper == nil {
		return number(percent, 0)
	}
	return fmt.Sprintf("%s (%s)", number(percent, 0), span(lower, upper, 0))
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
		Columns: headed("Pair", "Difference", "SED", "LSD", "t", "p alone", "p adj.", fmt.Sprintf("%.3g %% interval", 100*a.Confidence), "Shown")}
	t.Columns[8].Numeric = false
	for _, p := range a.Pairs {
		if !p.Estimable {
			t.Rows = append(t.Rows, cells(p.A+" - "+p.B, undefined, undefined, undefined, undefined, undefined, undefined, undefined, "cannot be compared"))
			continue
		}
		shown := "no"
		if p.Differ {
			shown = "yes"
		}
		t.Rows = append(t.Rows, cells(p.A+" - "+p.B, number(p.Difference, d), number(p.SED, d), number(p.LSD, d), number(p.T, 2), pOf(p.PLSD), pOf(p.P), span(p.Lower, p.Upper, d), shown))
	}
	return t
}

func controlTable(key string, a *stats.Analysis) Table {
	d := (&compareText{a: *a}).seDigits()
	t := Table{ID: "control-" + key, Caption: fmt.Sprintf("Difference from the control %s (Dunnett, %s)", a.Control, sideWords[a.Side]),
		Columns: headed("Treatment", "Difference", "SED", "t", "p", fmt.Sprintf("%.3g %% interval", 100*a.Confidence))}
	for _, c := range a.VsControl {
		t.Rows = append(t.Rows, cells(c.Treatment, number(c.Difference, d), number(c.SED, d), number(c.T, 2), pKnown(c.P, c.PError), span(c.Lower, c.Upper, d)))
	}
	return t
}

var sideWords = map[stats.Side]string{stats.BothSides: "two-sided", stats.BelowControl: "lower only", stats.AboveControl: "higher only"}

func checkLines(a *stats.Analysis) []stats.TestLine {
	lines := slices.Clone(a.Checks)
	for _, l := range []*stats.TestLine{a.Friedman, a.ImanDavenport, a.SignedRank, a.KruskalWallis, a.RankSum} {
		if l != nil {
			lines = append(lines, *l)
		}
	}
	return lines
}

// checkTable lists the checks of the assumptions and the tests without them.
func checkTable(key string, a *stats.Analysis) (Table, bool) {
	t := Table{ID: "checks-" + key, Caption: "Checks of the residuals, and tests that need no normal distribution", Columns: headed("Test", "Statistic", "p")}
	for _, l := range checkLines(a) {
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
	t := Table{ID: "within-" + key, Caption: "Within plots: do the treatments part over time?", Columns: headed("Term", "df", "SS", "MS", "F", "p", "p GG", "p HF", "p lower")}
	for _, w := range i.Within {
		t.Rows = append(t.Rows, cells(w.Term, fmt.Sprint(w.DF), figure3(w.SS), fOf(w.MS), fOf(w.F), pOf(w.P), pOf(w.PGG), pOf(w.PHF), pOf(w.PLow)))
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

// opinions adds the second opinions, by models for what the data are; it returns
// what is to be noted beside them, and what may make them wrong.
func (f found) opinions(s *Section) (notes, cautions []string) {
	var list []Block
	for _, m := range []*analysis.ShareOrCountModel{f.c.CountModel, f.c.CoverModel} {
		switch {
		case m == nil:
		case m.Refused != "":
			notes = append(notes, fmt.Sprintf("no second opinion from the %s model: %s", m.Family, m.Refused))
		default:
			list = append(list, modelTable(f.key, *m))
			notes, cautions = append(notes, modelSentence(*m)), append(cautions, m.Warnings...)
		}
	}
	if m := f.c.SeasonModel; m != nil && m.Fit != nil {
		list = append(list, seasonModelTables(f.key, *m, f.lists)...)
		notes, cautions = append(notes, seasonModelFacts(*m)...), append(cautions, m.Warnings...)
	} else if m != nil {
		notes = append(notes, "no second opinion from the mixed model of the season: "+m.Refused)
	}
	if x := f.c.Components; x != nil {
		notes, cautions = append(notes, componentsFacts(*x)...), append(cautions, x.Warnings...)
	}
	s.beside(list...)
	return notes, cautions
}

const secondLooksTitle = "Second looks at the residuals, which change no answer"

// asked adds the answers to what was asked beyond the pairs: contrasts, a margin,
// the step-down form of Dunnett's test, a trend over rates, factors.
func (f found) asked(s *Section) {
	t, key := f.texts(), f.key
	var list []Block
	if p := f.c.Planned; p != nil {
		x := titled(gridOf("planned-"+key, "Contrasts asked for"+t.onScale(), t.plannedRows(*p)))
		x.Note = fmt.Sprintf("The average of the treatments added less that of those taken away; the last p and the interval allow for their number: %s.", p.Adjustment.Words())
		if p.Orthogonal && len(p.Contrasts) > 1 {
			x.Note += " No two of them look at the same difference."
		}
		list = append(list, x)
	}
	if m := f.c.Margin; m != nil {
		s.add(Text{Tone: Plain, Text: t.marginQuestion(*m) + "."})
		var answers []string
		for _, l := range t.marginAnswers(*m) {
			answers = append(answers, l.treatment+": "+l.answer+". "+l.words)
		}
		s.add(List{Items: answers})
		s.note("Each at %.3g %% by one-sided t tests. Not shown does not mean shown to be worse.", 100*m.Alpha)
	}
	if f.c.StepDown != nil {
		list = append(list, titled(gridOf("step-down-"+key, fmt.Sprintf("Against the control %s by Dunnett's test in its step-down form, which has no intervals", f.a.Control), t.stepDownRows(f.c.StepDown))))
	}
	if f.c.SecondLooks != nil {
		found, rest := t.secondLookWords(*f.c.SecondLooks)
		x := titled(gridOf("second-looks-"+key, secondLooksTitle, t.secondLookRows(*f.c.SecondLooks)))
		x.Note = strings.Join(append(slices.Concat(found, rest), "P values of spread are approximate on residuals, and of several looks one may be below the level by chance."), " ")
		list = append(list, x)
	}
	if x := f.c.Trend; x != nil {
		list = append(list, t.trendTable("trend-"+key, *x))
	}
	if x := f.c.Factorial; x != nil {
		table := anovaTable("factors-"+key, "Factors", x.ANOVA)
		var notes []string
		if len(x.Read) > 0 {
			notes = append(notes, "Read the means of: "+strings.Join(x.Read, "; ")+".")
		}
		if len(x.Outside) > 0 {
			notes = append(notes, "Without a level of every factor, and no part of this: "+strings.Join(x.Outside, ", ")+".")
		}
		table.Note = strings.Join(append(notes, sentences(x.Warnings)...), " ")
		list = append(append(list, table), effectTables(key, x.Effects)...)
		for i, trend := range x.Trends {
			list = append(list, t.trendTable(fmt.Sprintf("trend-%s-%d", key, i+1), trend))
		}
	}
	s.beside(list...)
}

// titled begins the heads of the first two columns large, as pages do.
func titled(t Table) Table {
	for i := range 2 {
		t.Columns[i].Head = sentenceCase(t.Columns[i].Head)
	}
	return t
}

// effectTables are the means of factors and of their combinations.
func effectTables(key string, effects []stats.EffectMeans) (list []Block) {
	for i, e := range effects {
		d := 3
		for _, m := range e.Means {
			if m.SE != nil {
				d = decimals(m.SE) + 1
				break
			}
		}
		t := Table{ID: fmt.Sprintf("effect-%s-%d", key, i+1), Caption: "Means of " + strings.Join(e.Factors, " by "), Columns: headed("Level", "Plots", "Mean", "SE", "Interval", "Letters")}
		t.Columns[5].Numeric = false
		for k, m := range e.Means {
			letters := undefined
			if k < len(e.Letters) {
				letters = e.Letters[k]
			}
			t.Rows = append(t.Rows, cells(strings.Join(m.Levels, ", "), fmt.Sprint(m.Plots), number(m.Mean, d), number(m.SE, d), span(m.Lower, m.Upper, d), letters))
		}
		list = append(list, t)
	}
	return list
}

// trendTable is a trend with the equation that describes it.
func (t *compareText) trendTable(id string, x stats.Trend) Table {
	over := "the levels of " + x.Factor
	if x.Factor == "treatment" {
		over = "rates"
	}
	out := anovaTable(id, "Trend over "+over, x.Rows)
	notes := []string{t.trendWords(x)}
	if len(x.Apart) > 0 {
		notes = append(notes, "Without a rate, and no part of the trend: "+strings.Join(x.Apart, ", ")+".")
	}
	out.Note = strings.Join(append(notes, sentences(x.Warnings)...), " ")
	return out
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
