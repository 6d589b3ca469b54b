package report

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"

	"quadtally/calibrate"
)

// WriteAgreement writes image against hand as plain text: one screen for a
// tired person (may hand counting stop, how far the camera is from the hand,
// what to beware of) and, unless opt.Short, the tables for the statistician.
// Cover is written in points of percent.
func WriteAgreement(w io.Writer, r calibrate.Report, opt TextOptions) error {
	t := agreeText{r: r, scale: 1, unit: "pieces", digits: 2, term: opt.Term}
	if r.Kind == calibrate.Cover {
		t.scale, t.unit, t.digits = 100, "points", 1
	}
	s := t.headline(opt)
	if opt.Short {
		return s.write(w)
	}
	for _, part := range s.parts {
		for _, l := range part.lines {
			t.line("%s", l)
		}
	}
	t.agreement()
	t.groups()
	t.verdictTable()
	t.calibration()
	t.double()
	t.setAside()
	t.notes()
	_, err := w.Write(t.b.Bytes())
	return err
}

// agreeText gathers the text; scale and digits turn the package's values into
// the unit written.
type agreeText struct {
	b      bytes.Buffer
	r      calibrate.Report
	scale  float64
	unit   string
	digits int
	term   Terminal
}

func (t *agreeText) line(format string, args ...any) { fmt.Fprintf(&t.b, format+"\n", args...) }

// wrapped writes a sentence in lines no wider than the terminal.
func (t *agreeText) wrapped(first, indent, text string) {
	c := compareText{opt: TextOptions{Term: t.term}}
	if strings.HasPrefix(first, "\n") {
		c.line("")
		first = first[1:]
	}
	c.saidWith(first, indent, text, false)
	t.b.Write(c.b.Bytes())
}

// table writes rows of cells in columns, the first a header.
func (t *agreeText) table(rows [][]string) {
	c := compareText{opt: TextOptions{Term: t.term}}
	c.table(rows)
	t.b.Write(c.b.Bytes())
}

// val writes a value in the unit of the text, and never a minus before a zero.
func (t *agreeText) val(v float64) string { return fixed(v*t.scale, t.digits) }

func (t *agreeText) ptr(v *float64) string {
	if v == nil {
		return "-"
	}
	return t.val(*v)
}

func (t *agreeText) span(ci *calibrate.Interval) string {
	if ci == nil {
		return "-"
	}
	return t.val(ci.Low) + " to " + t.val(ci.High)
}

func fixed(v float64, digits int) string { return withDecimals(v, digits) }

func coefficient(ci *calibrate.Interval) string {
	if ci == nil {
		return "-"
	}
	return fixed(ci.Low, 3) + " to " + fixed(ci.High, 3)
}

// pValue is a p-value for a table; pEqual is one for a sentence behind "p".
func pValue(p float64) string { return pCell(&p) }

func pEqual(p float64) string { return strings.TrimPrefix(pWords(p), "p"+noBreak) }

func (t *agreeText) section(title string) { t.line("\n%s", title) }

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
	s.say(keepContext, "  ", fmt.Sprintf("For a single quadrat, 95 in 100 differences (image minus hand) lie between %s and %s %s.",
		t.val(a.LowerLimit.Value), t.val(a.UpperLimit.Value), t.unit))
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

func (t *agreeText) agreement() {
	a := t.r.Agreement
	level := fmt.Sprintf("%.0f %%", 100*t.r.Confidence)
	t.section("Agreement (image minus hand), in " + t.unit)
	rows := [][]string{{"", "value", level + ", plots as units", level + ", pairs independent"}}
	for _, e := range []struct {
		name string
		e    calibrate.Estimate
	}{{"mean difference (bias)", a.Bias}, {"SD of differences", a.SDDiff}, {"lower limit of agreement", a.LowerLimit},
		{"upper limit of agreement", a.UpperLimit}, {"root mean squared", a.RMSE}, {"mean absolute", a.MAE}} {
		rows = append(rows, []string{e.name, t.val(e.e.Value), t.span(e.e.ClusterCI), t.span(e.e.CI)})
	}
	add := func(name string, e *calibrate.Estimate) {
		rows = append(rows, []string{name, fixed(e.Value, 3), coefficient(e.ClusterCI), coefficient(e.CI)})
	}
	if a.CCC != nil {
		add("concordance (Lin, divisor n)", &a.CCC.Estimate)
		rows = append(rows, []string{"concordance, divisor n-1", fixed(a.CCC.NMinus1, 3), "", ""})
	}
	if a.ICC != nil {
		add("ICC(2,1)", &a.ICC.Estimate)
	}
	if a.Pearson != nil {
		add("Pearson r", &a.Pearson.Estimate)
	}
	if a.Spearman != nil {
		add("Spearman rank r", &a.Spearman.Estimate)
	}
	var hand, image []float64
	for _, p := range t.r.Figure.Points {
		hand, image = append(hand, p.Hand), append(image, p.Image)
	}
	if tau, err := calibrate.KendallTauB(hand, image); err == nil {
		rows = append(rows, []string{"Kendall tau-b", fixed(tau, 3), "", ""})
	}
	t.table(rows)
	t.wrapped("  ", "  ", "A correlation alone proves nothing: a camera that reads double has r = 1.")
	if a.SDBetween != nil && a.SDWithin != nil {
		t.line("  SD of differences between plots %s, within plots %s.", t.ptr(a.SDBetween), t.ptr(a.SDWithin))
	}
	if s := a.Sloping; s != nil && s.Advised {
		t.line("  Limits that follow the size of the value:")
		rows = [][]string{{"mean of hand and image", "bias", "lower limit", "upper limit"}}
		for _, p := range s.Points {
			rows = append(rows, []string{t.val(p.Mean), t.val(p.Bias), t.val(p.Lower), t.val(p.Upper)})
		}
		t.table(rows)
	}
}

func (t *agreeText) groups() {
	for _, g := range t.r.Groups {
		t.section("By " + g.By)
		rows := [][]string{{"", "pairs", "plots", "bias", fmt.Sprintf("%.0f %% of bias", 100*t.r.Confidence), "limits of agreement", "rmse", "concordance"}}
		for _, row := range g.Groups {
			a := row.Agreement
			if a == nil {
				rows = append(rows, []string{row.Name, fmt.Sprint(row.N), "-", t.val(row.Bias), "-", "-", "-", "-"})
				continue
			}
			ccc := "-"
			if a.CCC != nil {
				ccc = fixed(a.CCC.Value, 3)
			}
			rows = append(rows, []string{row.Name, fmt.Sprint(row.N), fmt.Sprint(a.Plots), t.val(a.Bias.Value), t.span(a.Bias.Best()),
				t.val(a.LowerLimit.Value) + " to " + t.val(a.UpperLimit.Value), t.val(a.RMSE.Value), ccc})
		}
		t.table(rows)
		if b := g.Test; b != nil {
			verdict := "not shown to differ"
			if b.Shown {
				verdict = "shown to differ"
			}
			t.wrapped("  ", "  ", fmt.Sprintf("Bias %s between %ss: F = %.2f on %.0f and %.0f df, p %s (%s).", verdict, g.By, b.Statistic, b.DF1, b.DF2, pEqual(b.P), b.Design))
			if c := b.AfterLine; c != nil {
				t.wrapped("  ", "  ", fmt.Sprintf("After one common line for all: F = %.2f on %.0f and %.0f df, p %s.", c.Statistic, c.DF1, c.DF2, pEqual(c.P)))
			}
		} else if g.Note != "" {
			t.wrapped("  ", "  ", g.Note+".")
		}
	}
}

func (t *agreeText) verdictTable() {
	v := t.r.Verdict
	if v == nil {
		return
	}
	t.section(fmt.Sprintf("Two one-sided tests, margin %s %s", t.val(v.Margin), t.unit))
	level := "interval"
	if v.Overall.CI != nil {
		level = fmt.Sprintf("%.0f %% interval", 100*v.Overall.CI.Level)
	}
	rows := [][]string{{"", "plots", "bias", level, "p below", "p above", "answer", "plots needed"}}
	add := func(name string, e *calibrate.TOST) {
		p := func(v *float64) string {
			if v == nil {
				return "-"
			}
			return pValue(*v)
		}
		need := "-"
		if e.PlotsNeeded != nil {
			need = fmt.Sprint(*e.PlotsNeeded)
		}
		rows = append(rows, []string{name, fmt.Sprint(e.Plots), t.val(e.Bias), t.span(e.CI), p(e.PLower), p(e.PUpper), strings.ReplaceAll(string(e.Answer), "_", " "), need})
	}
	add("all", v.Overall)
	for _, n := range v.Treatments {
		if n.Test == nil {
			rows = append(rows, []string{n.Name, "-", "-", "-", "-", "-", "too few pairs", "-"})
			continue
		}
		add(n.Name, n.Test)
	}
	t.table(rows)
}

func (t *agreeText) calibration() {
	c := t.r.Calibration
	t.section("Calibration line: hand = intercept + slope x image")
	t.wrapped("  ", "  ", c.Why)
	if c.Chosen == nil {
		return
	}
	rows := [][]string{{"", "intercept", "slope", fmt.Sprintf("%.0f %% of slope", 100*t.r.Confidence), "error, plot left out"}}
	for _, l := range c.Lines {
		name := l.Method.Words()
		if l == c.Chosen || l.Method == c.Chosen.Method {
			name += " *"
		}
		rows = append(rows, []string{name, t.val(l.Intercept.Value), fixed(l.Slope.Value, 3), coefficient(l.Slope.Best()), t.ptr(l.LeaveOnePlot)})
	}
	t.table(rows)
	t.wrapped("  ", "  ", fmt.Sprintf("* chosen. The raw image value misses the hand by %s. The line holds for image values from %s to %s; beyond them it is extrapolated.",
		t.val(t.r.Agreement.RMSE.Value), t.val(c.Chosen.Low), t.val(c.Chosen.High)))
	if c.Counts != nil {
		t.line("  Dispersion of counts about the line %.2f (1 is Poisson scatter).", c.Counts.Dispersion)
	}
	if len(c.Inverse) > 0 {
		t.line("  Reading backwards (Fieller), hand value for one image value:")
		rows = [][]string{{"image", "hand", "interval"}}
		for _, v := range c.Inverse {
			span := "no bounds: the slope is not shown to differ from 0"
			if v.Low != nil && v.High != nil {
				span = t.val(*v.Low) + " to " + t.val(*v.High)
			}
			rows = append(rows, []string{t.val(v.Y), t.val(v.X), span})
		}
		t.table(rows)
	}
}

func (t *agreeText) double() {
	d := t.r.Double
	if d == nil {
		return
	}
	t.section(fmt.Sprintf("Double sampling: %d quadrats photographed, %d of them counted by hand", d.Photos, d.Hands))
	t.domain("treatment", d.Treatments)
	if d.Gain != nil {
		t.wrapped("  ", "  ", fmt.Sprintf("Over all treatments the variance by hand only is %s times that of the regression estimate.", fixed(*d.Gain, 2)))
	}
	t.domain("plot", d.Plots)
	if p := t.r.Plan; p != nil {
		t.wrapped("  Plan: ", "  ", p.Sentence)
		if p.TargetSE > 0 {
			t.line("  Target standard error: %s %s.", fixed(p.TargetSE*t.scale, t.digits+1), t.unit)
		}
	}
}

func (t *agreeText) domain(kind string, rows []calibrate.DomainRow) {
	table := [][]string{{kind, "visit", "photos", "hands", "image only", "hand only", "se", "regression", "se", "ratio", "gain"}}
	notes := map[string][]string{}
	var order []string
	for _, r := range rows {
		cell := func(e *calibrate.Estimate) (string, string) {
			if e == nil {
				return "-", "-"
			}
			return t.val(e.Value), t.ptr(e.SE)
		}
		image, _ := cell(r.ImageOnly)
		hand, handSE := cell(r.HandOnly)
		reg, regSE := cell(r.Regression)
		ratio, _ := cell(r.Ratio)
		gain := "-"
		if r.Gain != nil {
			gain = fixed(*r.Gain, 2)
		}
		name, visit := r.Name, r.Visit
		if name == "" {
			name = "all"
		}
		if visit == "" {
			visit = "-"
		}
		table = append(table, []string{name, visit, fmt.Sprint(r.Photos), fmt.Sprint(r.Hands), image, hand, handSE, reg, regSE, ratio, gain})
		if r.Note != "" {
			if notes[r.Note] == nil {
				order = append(order, r.Note)
			}
			if !slices.Contains(notes[r.Note], name) { // once, not for every visit
				notes[r.Note] = append(notes[r.Note], name)
			}
		}
	}
	t.table(table)
	for _, n := range order {
		t.wrapped("  ", "  ", fmt.Sprintf("%s: %s.", some(notes[n], 6), n))
	}
}

// some joins the first names and says how many more there are.
func some(names []string, most int) string {
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}

// setAside lists rows by name. Photos without a hand count are the rule in
// double sampling, so they are only counted here; the JSON report names them.
func (t *agreeText) setAside() {
	in := t.r.Intake
	if len(in.Problems) == 0 {
		return
	}
	t.section(fmt.Sprintf("Rows: %d given, %d pairs used, %d photographed only", in.Given, in.Used, in.Photo))
	for _, p := range in.Problems {
		if p.Fault != calibrate.NoHand {
			t.wrapped("  ", "    ", p.Sentence+".")
		}
	}
}

func (t *agreeText) notes() {
	var all []string
	all = append(all, t.r.Intake.Warnings...)
	all = append(all, t.r.Agreement.Warnings...)
	all = append(all, t.r.Warnings...)
	all = append(all, t.r.Calibration.Warnings...)
	if t.r.Calibration.Chosen != nil {
		all = append(all, t.r.Calibration.Chosen.Warnings...)
	}
	if t.r.Double != nil {
		all = append(all, t.r.Double.Warnings...)
	}
	if t.r.Verdict != nil {
		all = append(all, t.r.Verdict.Warnings...)
	}
	if len(all) > 0 {
		t.section("Notes")
	}
	for _, n := range all {
		t.wrapped("  - ", "    ", n+".")
	}
	t.wrapped("\n", "", fmt.Sprintf("Intervals with plots as units: t for the bias, variance components for the limits, bootstrap of whole plots (%d resamples, seed %d) for the rest of the agreement, delete-one-plot jackknife for lines and double sampling.", t.r.Resamples, t.r.Seed))
}
