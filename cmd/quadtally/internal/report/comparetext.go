package report

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode"

	"quadtally/stats"
)

// TextOptions choose how a comparison is written as text.
type TextOptions struct {
	// Short leaves out the tables below the first screen.
	Short bool
	// AsLaidOut keeps the treatments in the order of the layout; otherwise
	// they run from the highest mean to the lowest.
	AsLaidOut bool
	// Weeds says that the response is of weeds alone: only then is less than
	// the control called suppression.
	Weeds bool
	// More says that the response is of the crop: it is told how much more than
	// the control there is, not how much less.
	More bool
	// Holds says what the response is made of, where its name does not.
	Holds string
	// Term is what is written on.
	Term Terminal
}

// WriteComparison writes a comparison of treatments as plain text: first one
// screen (verdict, means with letters, what the trial could have seen,
// warnings), then the tables for the statistician.
func WriteComparison(w io.Writer, a stats.Analysis, opt TextOptions) error {
	t := compareText{a: a, opt: opt}
	t.screen()
	if !opt.Short {
		t.anova()
		t.means()
		t.pairs()
		t.control()
		t.contrasts()
		t.subsampling()
		t.checks()
		t.plots()
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

// WriteSeason writes the comparison over all visits: the mean over the period
// as WriteComparison does, then whether the treatments part over time.
func WriteSeason(w io.Writer, s stats.Season, opt TextOptions) error {
	t := compareText{a: s.PeriodMean, opt: opt}
	t.a.Warnings = append(slices.Clone(s.Warnings), t.a.Warnings...)
	t.a.Notes = append(slices.Clone(s.Notes), t.a.Notes...)
	t.said("", fmt.Sprintf("Season of %d visits, day %g to day %g; one value a plot, visits are not replicates.", len(s.Days), s.Days[0], s.Days[len(s.Days)-1]))
	if err := WriteComparison(&t.b, t.a, opt); err != nil {
		return err
	}
	t.dateByDate(s.DateByDate)
	if !opt.Short {
		t.inTime(s)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

// dateByDate says whether single visits may be looked at, before anybody does.
func (t *compareText) dateByDate(d *stats.DateByDate) {
	if d == nil {
		return
	}
	text := "the treatments are not shown to differ otherwise at one visit than at another, so the mean over the period is the answer; of %d visits looked at one by one some may show something by chance"
	if d.Supports {
		text = "differences change from visit to visit, so that the %d visits may be read one by one"
	}
	t.line("")
	t.said("", fmt.Sprintf("Treatment by visit, F(%.1f,%.1f) = %.2f, p %s: "+text+".", d.DF1, d.DF2, d.F, pOf(&d.P), d.Visits))
}

func (t *compareText) inTime(s stats.Season) {
	if s.Area != nil {
		t.heading("Area under the curve")
		t.table(anovaRows(s.Area.ANOVA))
	}
	x := s.InTime
	if x == nil {
		return
	}
	t.heading("Split plot in time")
	t.line("Between plots:")
	t.table(anovaRows(x.Plot))
	t.line("Within plots:")
	rows := [][]string{{"term", "df", "SS", "MS", "F", "p", "p GG", "p HF", "p lowest"}}
	for _, r := range x.Within {
		ms := "-"
		if r.MS != nil {
			ms = figure3(*r.MS)
		}
		row := []string{r.Term, fmt.Sprint(r.DF), figure3(r.SS), ms}
		if r.F != nil {
			row = append(row, number(r.F, 3), pOf(r.P), pOf(r.PGG), pOf(r.PHF), pOf(r.PLow))
		}
		rows = append(rows, row)
	}
	t.table(rows)
	t.said("", fmt.Sprintf("Visits close in time are alike, so read the corrected p values: Greenhouse-Geisser epsilon %s, Huynh-Feldt %s.", number(x.EpsilonGG, 4), number(x.EpsilonHF, 4)))
}

type compareText struct {
	b   bytes.Buffer
	a   stats.Analysis
	opt TextOptions
}

func (t *compareText) line(format string, args ...any) { fmt.Fprintf(&t.b, format+"\n", args...) }

func (t *compareText) width() int { return newScreen(t.opt.Term, "").term.Width }

// said writes a sentence in lines no wider than the terminal, later lines
// indented.
func (t *compareText) said(mark, text string) {
	t.saidWith(mark, strings.Repeat(" ", columns(mark)), text, false)
}

func (t *compareText) saidWith(first, rest, text string, strong bool) {
	for i, l := range wrap(text, t.width()-max(columns(first), columns(rest))) {
		if strong {
			l = t.opt.Term.strong(l)
		}
		if i > 0 {
			first = rest
		}
		t.line("%s", strings.TrimRight(first+l, " "))
	}
}

// caution writes what must not be missed.
func (t *compareText) caution(text string) { t.saidWith("! ", "  ", text, true) }

// table writes rows of cells, the first a header, in columns.
func (t *compareText) table(rows [][]string) {
	for _, l := range tableLines(rows, t.width()-2, false) {
		t.line("%s", strings.TrimRight("  "+l, " "))
	}
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
	if t.opt.AsLaidOut {
		return out
	}
	value := func(r stats.TreatmentResult) float64 {
		if m, _, _ := r.Shown(); m != nil {
			return *m
		}
		return math.Inf(-1)
	}
	slices.SortStableFunc(out, func(x, y stats.TreatmentResult) int { return cmp.Compare(value(y), value(x)) })
	return out
}

// screen writes the answer, before the tables.
func (t *compareText) screen() {
	a := t.a
	t.said("", t.what()+": "+a.Design.Words)
	if t.opt.Holds != "" {
		t.said("", "This is "+t.opt.Holds+". It is no measure of weeds alone.")
	}
	t.line("")
	for _, v := range a.Verdict {
		t.saidWith("  ", "  ", t.begun(v)+".", true)
	}
	t.line("")
	rows, remarks := t.treatmentRows()
	t.table(rows)
	t.line("")
	if slices.ContainsFunc(a.Treatments, func(r stats.TreatmentResult) bool { return r.Letters != "" }) {
		t.said("", t.lettersNote())
	}
	if how := t.scaleNote(); how != "" {
		t.said("", how)
	}
	if r := a.Randomisation; r != nil {
		t.said("", fmt.Sprintf("By the layout alone (randomisation test), %s: %s.", pWords(r.P), r.Note))
	}
	t.covariate()
	if seen := t.couldHaveSeen(); seen != "" {
		t.said("", seen)
	}
	for _, r := range remarks {
		t.said("", r)
	}
	if len(a.Warnings)+len(a.Missing) > 0 {
		t.line("")
		t.line("Mind:")
		for _, m := range a.Missing {
			t.caution(fmt.Sprintf("Missing: plot %s, %s %s", m.Name, m.Treatment, strings.Join(m.Sources, ", ")))
		}
		for _, w := range a.Warnings {
			t.caution(w)
		}
	}
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
		row := []string{r.Treatment, fmt.Sprint(r.Plots), number(value, digits), span(lower, upper, digits), cmp.Or(r.Letters, "-")}
		switch s := r.Suppression; {
		case a.Control == "":
		case r.Treatment == a.Control:
			row = append(row, "control")
		case s == nil || s.Percent == nil:
			row = append(row, "-")
		default:
			percent, lower, upper := s.Percent, s.Lower, s.Upper
			if t.opt.More {
				percent, lower, upper = negative(percent), negative(upper), negative(lower)
			}
			cell := number(percent, 0)
			if lower != nil {
				cell += " (" + span(lower, upper, 0) + ")"
			}
			row = append(row, cell)
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

func (t *compareText) heading(text string) {
	t.line("")
	t.line("%s", text)
	t.line("%s", strings.Repeat("-", len(text)))
}

func (t *compareText) anova() {
	t.heading("Analysis of variance")
	if t.a.Transform.Scale != stats.Raw {
		t.line("On the scale of the analysis.")
	}
	t.table(anovaRows(t.a.ANOVA))
	t.said("", "Sequential; treatment last, adjusted for all above it.")
	if !t.a.Design.Balanced {
		t.line("")
		t.line("Each adjusted for all others (types II and III):")
		t.table(anovaRows(t.a.Adjusted))
	}
	var parts []string
	if t.a.CVPercent != nil && t.a.Transform.Scale == stats.Raw {
		parts = append(parts, "CV "+number(t.a.CVPercent, 1)+" %")
	}
	if t.a.RSquared != nil {
		parts = append(parts, "R squared "+number(t.a.RSquared, 3))
	}
	for _, e := range t.a.Efficiency {
		parts = append(parts, fmt.Sprintf("efficiency against %s %.2f", e.Against, e.Value))
	}
	if v := t.a.BlockVariance; v != nil {
		parts = append(parts, "variance between blocks "+figure3(v.Variance))
	}
	if len(parts) > 0 {
		t.said("", strings.Join(parts, "; ")+".")
	}
	if v := t.a.BlockVariance; v != nil && v.Note != "" {
		t.said("", t.begun(v.Note)+".")
	}
}

func anovaRows(anova []stats.ANOVARow) [][]string {
	rows := [][]string{{"term", "df", "SS", "MS", "F", "p", "partial eta2", "partial omega2"}}
	for _, r := range anova {
		ms := "-"
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

func (t *compareText) means() {
	t.heading("Means")
	d := t.seDigits()
	rows := [][]string{{"treatment", "plots", "plain mean", "SD", "adjusted", "SE", "lower", "upper"}}
	for _, r := range t.ordered() {
		rows = append(rows, []string{r.Treatment, fmt.Sprint(r.Plots), number(r.Mean, d), number(r.SD, d),
			number(r.Adjusted, d), number(r.SE, d), number(r.Lower, d), number(r.Upper, d)})
	}
	t.table(rows)
	if t.a.Transform.Scale != stats.Raw {
		t.said("", "Plain mean and SD as measured; the rest on the scale of the analysis.")
	}
}

func (t *compareText) pairs() {
	if len(t.a.Pairs) == 0 {
		return
	}
	t.heading("Pairs, " + t.a.Method.Words())
	d := t.seDigits()
	rows := [][]string{{"pair", "difference", "SED", "LSD", "t", "p alone", "p adjusted", "lower", "upper"}}
	for _, p := range t.a.Pairs {
		name := p.A + " - " + p.B
		if !p.Estimable {
			rows = append(rows, []string{name, "cannot be compared in this design"})
			continue
		}
		rows = append(rows, []string{name, number(p.Difference, d), number(p.SED, d), number(p.LSD, d), number(p.T, 2),
			pOf(p.PLSD), pOf(p.P), number(p.Lower, d), number(p.Upper, d)})
	}
	t.table(rows)
}

func (t *compareText) control() {
	if len(t.a.VsControl) == 0 {
		return
	}
	sides := map[stats.Side]string{stats.BothSides: "two-sided", stats.BelowControl: "lower only", stats.AboveControl: "higher only"}
	t.heading(fmt.Sprintf("Against the control %s, Dunnett, %s", t.a.Control, sides[t.a.Side]))
	d := t.seDigits()
	rows := [][]string{{"treatment", "difference", "SED", "t", "p adjusted", "lower", "upper"}}
	for _, c := range t.a.VsControl {
		if !c.Estimable {
			rows = append(rows, []string{c.Treatment, "cannot be compared in this design"})
			continue
		}
		rows = append(rows, []string{c.Treatment, number(c.Difference, d), number(c.SED, d), number(c.T, 2), pKnown(c.P, c.PError), number(c.Lower, d), number(c.Upper, d)})
	}
	t.table(rows)
}

func (t *compareText) contrasts() {
	if len(t.a.Contrasts) == 0 {
		return
	}
	t.heading("Contrasts")
	t.said("", "Coefficients in the order "+strings.Join(t.a.ContrastLevels, ", ")+".")
	d := t.seDigits()
	rows := [][]string{{"contrast", "coefficients", "estimate", "SE", "SS", "F", "p", "lower", "upper"}}
	for _, c := range t.a.Contrasts {
		coefficients := make([]string, len(c.Coefficients))
		for i, v := range c.Coefficients {
			coefficients[i] = fmt.Sprintf("%.3g", v)
		}
		name := []string{c.Name, strings.Join(coefficients, " ")}
		if !c.Estimable {
			rows = append(rows, append(name, "cannot be told in this design"))
			continue
		}
		rows = append(rows, append(name, number(c.Estimate, d), number(c.SE, d), figure3(*c.SS), number(c.F, 3), pOf(c.P),
			number(c.Lower, d), number(c.Upper, d)))
	}
	t.table(rows)
}

func (t *compareText) subsampling() {
	s := t.a.Subsampling
	if s == nil {
		return
	}
	t.heading("Quadrats within plots (as measured)")
	t.table(anovaRows(s.ANOVA))
	t.said("", fmt.Sprintf("Variance between plots %s, between quadrats of a plot %s. Treatments are judged by plots, never by quadrats.", figure3(s.VariancePlot), figure3(s.VarianceQuadrat)))
	if s.Note != "" {
		t.said("", t.begun(s.Note)+".")
	}
}

func (t *compareText) checks() {
	a := t.a
	lines := slices.Clone(a.Checks)
	for _, l := range []*stats.TestLine{a.Friedman, a.ImanDavenport, a.KruskalWallis} {
		if l != nil {
			lines = append(lines, *l)
		}
	}
	if len(lines) == 0 {
		return
	}
	t.heading("Checks and tests without a normal distribution")
	for _, l := range lines {
		text := l.Name
		if l.P != nil {
			text += fmt.Sprintf(" %s, p %s", figure3(*l.Statistic), pOf(l.P))
		}
		t.said("  ", text+": "+l.Reading+".")
		for _, w := range l.Warnings {
			t.saidWith("    ! ", "      ", w, true)
		}
	}
}

// covariate says on the first screen what the means were adjusted for.
func (t *compareText) covariate() {
	c := t.a.Covariate
	if c == nil {
		return
	}
	t.said("", t.covariateNote())
	for _, l := range t.covariateTests() {
		t.said("  ", l)
	}
}

// covariateTests are what was asked about the covariate itself.
func (t *compareText) covariateTests() (out []string) {
	c := t.a.Covariate
	if p := c.Parallel; p != nil && p.P != nil {
		out = append(out, fmt.Sprintf("Slopes of treatments alike? F(%d,%d) = %s, p %s.", p.DF, c.DF-p.DF, number(p.F, 2), pOf(p.P)))
	}
	if b := c.Balance; b != nil && b.P != nil {
		out = append(out, fmt.Sprintf("Covariate alike in all treatments? F = %s, p %s.", number(b.F, 2), pOf(b.P)))
	}
	return out
}

func (t *compareText) covariateNote() string {
	c := t.a.Covariate
	text := fmt.Sprintf("Means are adjusted to a covariate of %s (its mean over plots). For one unit more of it the response changes by %s", figure3(c.At), figure3(c.Slope))
	if c.Lower != nil && c.Upper != nil {
		text += fmt.Sprintf(" (%.3g %% interval %s to %s, p %s)", 100*t.a.Confidence, figure3(*c.Lower), figure3(*c.Upper), pOf(c.P))
	}
	if t.a.Transform.Scale != stats.Raw {
		text += " on the scale of the analysis"
	}
	return text + "."
}

func (t *compareText) plots() {
	a := t.a
	t.heading("Plots")
	d := t.seDigits()
	rows := [][]string{{"plot", "treatment", "block", "readings", "value", "fitted", "residual"}}
	for _, p := range a.Plots {
		rows = append(rows, []string{p.Name, p.Treatment, cmp.Or(p.Block, "-"), fmt.Sprint(p.Quadrats), number(&p.Value, d), number(&p.Fitted, d), number(&p.Residual, d)})
	}
	t.table(rows)
	if a.Transform.Scale != stats.Raw {
		t.said("", "Value as measured; fitted and residual on the scale of the analysis.")
	}
	if len(a.Notes) > 0 {
		t.line("")
		t.line("Notes:")
		for _, n := range a.Notes {
			t.said("  - ", n)
		}
	}
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
