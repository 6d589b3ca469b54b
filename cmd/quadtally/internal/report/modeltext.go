package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats/glm"
)

// WriteCalibrated writes what calibration was used, before the comparison.
func WriteCalibrated(w io.Writer, c analysis.Calibrated, opt TextOptions) error {
	t := compareText{opt: opt}
	for _, l := range c.Loud {
		t.caution(l)
	}
	line := "CALIBRATED VALUES, not raw ones: " + lineWords(c)
	if c.LineUsed != nil && c.SlopeSE != nil {
		line += fmt.Sprintf("; standard error of the slope %.2g", *c.SlopeSE)
	}
	t.said("", line+". The line's own uncertainty is in every standard error below but those of the analysis of variance.")
	over := "image within those of the visit"
	if c.LineUsed != nil {
		over = "image " + figure3(c.Low) + " to " + figure3(c.High)
	}
	if len(c.Extrapolated) > 0 {
		t.caution(fmt.Sprintf("Extrapolated beyond the pairs (%s): %s. Hand-count there too.", over, strings.Join(c.Extrapolated, ", ")))
	} else {
		t.said("", fmt.Sprintf("Nothing was extrapolated: all plots lie within the pairs (%s).", over))
	}
	for _, x := range c.Warnings {
		t.caution(x)
	}
	t.line("")
	_, err := w.Write(t.b.Bytes())
	return err
}

// lineWords is the line that image values were carried through.
func lineWords(c analysis.Calibrated) string {
	fitted := fmt.Sprintf("%s, fitted on %d pairs of hand and photo in %d plots", c.Method, c.Pairs, c.Plots)
	if c.LineUsed != nil {
		return lineFormula(*c.LineUsed, c.Unit) + ", " + fitted
	}
	var parts []string
	for _, v := range c.ByVisit {
		parts = append(parts, fmt.Sprintf("visit %d %s", v.Visit, lineFormula(v.LineUsed, c.Unit)))
	}
	return "a line for each visit, " + strings.Join(parts, "; ") + "; " + fitted
}

func lineFormula(l analysis.LineUsed, unit string) string {
	if l.Smear > 0 {
		return fmt.Sprintf("hand + %.4g = %.4g x (image + %.4g)^%.4g (%s)", l.Shift, l.Smear*math.Exp(l.Intercept), l.Shift, l.Slope, unit)
	}
	return fmt.Sprintf("hand = %.4g %+.4g x image (%s)", l.Intercept, l.Slope, unit)
}

// WriteModel writes a count or cover model as a second opinion. Short leaves
// one sentence.
func WriteModel(w io.Writer, m analysis.ShareOrCountModel, opt TextOptions) error {
	t := compareText{opt: opt}
	kind := "cover"
	if m.Counts() {
		kind = "counts"
	}
	t.second("The same question asked with a model for "+kind, string(m.Family)+" model", m.Refused, modelSentence(m), opt)
	if m.Refused == "" && !opt.Short {
		t.shareOrCount(m)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

// second writes the head of a second opinion: one line under Short, otherwise a
// heading and the sentence.
func (t *compareText) second(heading, name, refused, sentence string, opt TextOptions) {
	if refused != "" {
		sentence = "No second opinion from the " + name + ": " + refused + "."
	}
	if opt.Short {
		t.line("")
	} else {
		t.heading(heading)
	}
	t.said("", sentence)
}

func modelSentence(m analysis.ShareOrCountModel) string {
	if m.Treatment == nil {
		return "Second opinion, " + string(m.Family) + " model: the treatments could not be tested."
	}
	test := fmt.Sprintf("chi-square(%d) = %.2f", m.Treatment.DF, m.Treatment.Deviance)
	if m.Treatment.DenDF > 0 {
		test = fmt.Sprintf("F(%d,%d) = %.2f", m.Treatment.DF, m.Treatment.DenDF, m.Treatment.F)
	}
	p, how := m.Treatment.P, ""
	switch r := m.Resampled; {
	case r != nil:
		p, how = r.P, fmt.Sprintf(" by %s, %d draws", r.Method, r.Draws)
	case m.NotResampled != "":
		how = "; not drawn again: " + m.NotResampled
	}
	shown := "differences among treatments are shown"
	if p > 1-m.Confidence {
		shown = "treatments are not shown to differ"
	}
	return fmt.Sprintf("Second opinion, %s model: %s (%s, %s%s).", m.Family, shown, test, pWords(p), how)
}

func (t *compareText) shareOrCount(m analysis.ShareOrCountModel) {
	scale, ratio := 100.0, "ratio to "
	if m.Family == glm.Beta {
		ratio = "odds ratio to "
	}
	if m.Counts() {
		scale = 1
		how := "Log link, blocks in the model, the area looked at as offset."
		if m.Family == glm.QuasiPoisson {
			how += fmt.Sprintf(" Plots vary %.3g times as much as chance alone (%d df).", m.Dispersion, m.DispersionDF)
		}
		t.said("", how)
	} else {
		t.said("", "Logit link on the plot means as shares of the ground, blocks in the model. Means in percent.")
	}
	switch {
	case m.Theta != nil && !m.Theta.Infinite:
		t.line("Theta %.3g (SE %.2g).", m.Theta.Value, m.Theta.SE)
	case m.Precision != nil:
		t.line("Precision %.3g (SE %.2g).", m.Precision.Value, m.Precision.SE)
	}
	header := []string{"treatment", "mean", fmt.Sprintf("%.3g %% interval", 100*m.Confidence)}
	if m.Control != "" {
		header = append(header, ratio+m.Control, "interval", "p, Holm")
	}
	rows := [][]string{header}
	against := map[string]analysis.RatioWithControl{}
	for _, r := range m.VsControl {
		against[r.Treatment] = r
	}
	standard := map[string]glm.StandardMean{}
	for _, x := range m.Standard {
		standard[x.Level] = x
	}
	for _, x := range m.Means {
		name := strings.Join(x.Labels, ":")
		if s, ok := standard[name]; ok && !x.Extreme {
			x.Mean, x.Lower, x.Upper = s.Mean, s.Lower, s.Upper
		}
		quarter := scale * (x.Upper - x.Lower) / 4
		d := decimals(&quarter)
		mean, lower, upper := scale*x.Mean, scale*x.Lower, scale*x.Upper
		row := []string{name, number(&mean, d), span(&lower, &upper, d)}
		if x.Extreme {
			row[1], row[2] = "none in any plot", "-"
			if x.Mean > 0 {
				row[1] = "full in every plot"
			}
			if x.HasBound {
				row[2] = "up to " + number(&upper, d)
			}
		}
		switch r, ok := against[name]; {
		case name == m.Control:
			row = append(row, "control")
		case !ok:
		case r.P == nil:
			row = append(row, "-", "-", "-")
		default:
			row = append(row, number(r.Ratio, 3), span(r.Lower, r.Upper, 3), pOf(r.PHolm))
		}
		rows = append(rows, row)
	}
	t.table(rows)
	for _, x := range m.Warnings {
		t.caution(x)
	}
}

// WriteSeasonModel writes the mixed model of a season.
func WriteSeasonModel(w io.Writer, m analysis.SeasonModel, opt TextOptions) error {
	t := compareText{opt: opt}
	t.second("Treatments date by date, mixed model (REML)", "mixed model of the season", m.Refused, seasonModelSentence(m), opt)
	if m.Refused == "" && !opt.Short {
		t.seasonModel(m)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

func seasonModelSentence(m analysis.SeasonModel) string {
	if m.Fit == nil {
		return ""
	}
	var parts []string
	for _, x := range m.Fit.Adjusted {
		parts = append(parts, fmt.Sprintf("%s F(%d,%.1f) = %.2f, %s", x.Term, x.NumDF, x.DenDF, x.F, pWords(x.P)))
	}
	return "Mixed model of the season: " + strings.Join(parts, "; ") + "."
}

func (t *compareText) seasonModel(m analysis.SeasonModel) {
	t.said("", m.Words)
	var parts []string
	for _, c := range m.Fit.Components {
		parts = append(parts, c.Name+" "+figure3(c.Variance))
	}
	t.said("", "Variances: "+strings.Join(parts, ", ")+".")
	if s := m.Fit.Serial; s != nil {
		t.said("", fmt.Sprintf("Residuals of a plot %.3g days apart correlate by %.2f.", s.GapDays, s.CorrelationAtGap))
	}
	rows := [][]string{{"day", "treatment", "mean", fmt.Sprintf("%.3g %% interval", 100*m.Confidence), "letters"}}
	for _, x := range m.Means {
		quarter := (x.BackUpper - x.BackLower) / 4
		d := decimals(&quarter)
		rows = append(rows, []string{fmt.Sprintf("%g", x.Day), x.Treatment, number(&x.Back, d), span(&x.BackLower, &x.BackUpper, d), cmp.Or(x.Letters, "-")})
	}
	t.table(rows)
	t.said("", fmt.Sprintf("Within a day, treatments that share a letter are not shown to differ (Holm, %.3g %%). Letters of different days have nothing to do with each other.", 100*m.Alpha))
	for _, x := range m.Warnings {
		t.caution(x)
	}
}

// WriteComponents writes the variances between plots and quadrats by REML.
func WriteComponents(w io.Writer, c analysis.Components, opt TextOptions) error {
	t := compareText{opt: opt}
	t.second("Plots and quadrats by REML", "mixed model of plots and quadrats", c.Refused,
		fmt.Sprintf("Variance between plots %s, between quadrats of a plot %s (as measured); treatments, judged by plots: F(%d,%.1f) = %.2f, %s.",
			figure3(c.Plot), figure3(c.Quadrat), c.Treatment.NumDF, c.Treatment.DenDF, c.Treatment.F, pWords(c.Treatment.P)), opt)
	if c.PlotZero {
		t.said("", "A plot variance of 0 is no fault: plots of one treatment vary no more than their quadrats do, which happens by chance in small trials. The comparison above rests on plot means either way.")
	}
	for _, x := range c.Warnings {
		t.caution(x)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}
