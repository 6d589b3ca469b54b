package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats/glm"
)

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

// modelHow says how a model was fitted.
func modelHow(m analysis.ShareOrCountModel) string {
	how := "Logit link on the plot means as shares of the ground, blocks in the model; means in percent."
	if m.Counts() {
		how = "Log link, blocks in the model, the area looked at as offset."
		if m.Family == glm.QuasiPoisson {
			how += fmt.Sprintf(" Plots vary %.3g times as much as chance alone (%d df).", m.Dispersion, m.DispersionDF)
		}
	}
	switch {
	case m.Theta != nil && !m.Theta.Infinite:
		how += fmt.Sprintf(" Theta %.3g (SE %.2g).", m.Theta.Value, m.Theta.SE)
	case m.Precision != nil:
		how += fmt.Sprintf(" Precision %.3g (SE %.2g).", m.Precision.Value, m.Precision.SE)
	}
	return how
}

// modelTable is a model for counts or cover: means, and each treatment against
// the control.
func modelTable(key string, m analysis.ShareOrCountModel) Table {
	kind, scale, ratio := "cover", 100.0, "Ratio to "
	if m.Family == glm.Beta {
		ratio = "Odds ratio to "
	}
	if m.Counts() {
		kind, scale = "counts", 1
	}
	t := Table{ID: "model-" + key, Caption: fmt.Sprintf("Second opinion: a model for %s, %s", kind, m.Family), Columns: headed("Treatment", "Mean", fmt.Sprintf("%.3g %% interval", 100*m.Confidence)), Note: modelHow(m)}
	if m.Control != "" {
		t.Columns = append(t.Columns, headed("", ratio+m.Control, "Interval", "p, Holm")[1:]...)
	}
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
			row[1], row[2] = "none in any plot", undefined
			if x.Mean > 0 {
				row[1] = "full in every plot"
			}
			if x.HasBound {
				row[2] = "up to " + number(&upper, d)
			}
		}
		switch r, ok := against[name]; {
		case name == m.Control && m.Control != "":
			row = append(row, "control", "", "")
		case !ok:
		case r.P == nil:
			row = append(row, undefined, undefined, undefined)
		default:
			row = append(row, number(r.Ratio, 3), span(r.Lower, r.Upper, 3), pOf(r.PHolm))
		}
		t.Rows = append(t.Rows, cells(row...))
	}
	return t
}

// seasonModelTables are the tests of the mixed model of a season and, where lists
// are wanted, its means date by date.
func seasonModelTables(key string, m analysis.SeasonModel, lists bool) []Block {
	t := Table{ID: "season-model-" + key, Caption: "Second opinion: mixed model of the season", Columns: headed("Term", "df", "error df", "F", "p")}
	for _, x := range m.Fit.Adjusted {
		t.Rows = append(t.Rows, cells(x.Term, fmt.Sprint(x.NumDF), withDecimals(x.DenDF, 1), figure3(x.F), pOf(&x.P)))
	}
	if !lists {
		return []Block{t}
	}
	dates := Table{ID: "dates-" + key, Caption: "Treatments date by date, by the mixed model", Columns: headed("Treatment", "Day", "Mean", fmt.Sprintf("%.3g %% interval", 100*m.Confidence), "Letters"),
		Note: fmt.Sprintf("Within a day, treatments that share a letter are not shown to differ (Holm, %.3g %%). Letters of different days have nothing to do with each other.", 100*m.Alpha)}
	dates.Columns[4].Numeric = false
	for _, x := range m.Means {
		quarter := (x.BackUpper - x.BackLower) / 4
		d := decimals(&quarter)
		dates.Rows = append(dates.Rows, cells(x.Treatment, fmt.Sprintf("%g", x.Day), number(&x.Back, d), span(&x.BackLower, &x.BackUpper, d), cmp.Or(x.Letters, undefined)))
	}
	return []Block{t, dates}
}

// seasonModelFacts are how the mixed model of a season was fitted.
func seasonModelFacts(m analysis.SeasonModel) []string {
	var parts []string
	for _, v := range m.Fit.Components {
		parts = append(parts, v.Name+" "+figures(v.Variance, 4))
	}
	out := []string{"mixed model by REML with Kenward and Roger's degrees of freedom; variances: " + strings.Join(parts, ", "), m.Words}
	if s := m.Fit.Serial; s != nil {
		out = append(out, fmt.Sprintf("residuals of a plot %.3g days apart correlate by %.2f", s.GapDays, s.CorrelationAtGap))
	}
	return out
}

// componentsFacts are the variances between plots and quadrats by REML.
func componentsFacts(c analysis.Components) []string {
	if c.Refused != "" {
		return []string{"no second opinion from the mixed model of plots and quadrats: " + c.Refused}
	}
	out := []string{fmt.Sprintf("Plots and quadrats by REML: variance between plots %s, between quadrats of a plot %s (as measured); treatments, judged by plots: F(%d,%.1f) = %.2f, %s.",
		figure3(c.Plot), figure3(c.Quadrat), c.Treatment.NumDF, c.Treatment.DenDF, c.Treatment.F, pWords(c.Treatment.P))}
	if c.PlotZero {
		out = append(out, "A plot variance of 0 is no fault: plots of one treatment vary no more than their quadrats do, which happens by chance in small trials. The comparison above rests on plot means either way.")
	}
	return out
}
