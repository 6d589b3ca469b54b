package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"quadtally/stats"
	"quadtally/stats/glm"
	"quadtally/stats/mixed"
)

// ShareOrCountModel is the comparison of treatments by a generalised linear
// model: counts with the area as offset and a log link, or cover as a share (0
// to 1) with a logit link. Refused says, in place of everything else, why the
// model has no answer.
type ShareOrCountModel struct {
	Family     glm.Family `json:"family"`
	Unit       string     `json:"unit"` // of the means: per m², or share
	Control    string     `json:"control,omitempty"`
	Confidence float64    `json:"confidence"`
	// Treatment is the test of treatments after blocks.
	Treatment    *glm.Test          `json:"treatment,omitempty"`
	Tests        []glm.Test         `json:"tests,omitempty"`
	Dispersion   float64            `json:"dispersion"`
	DispersionDF int                `json:"dispersion_df"`
	Theta        *glm.Theta         `json:"theta,omitempty"`
	Precision    *glm.Precision     `json:"precision,omitempty"`
	Means        []glm.Mean         `json:"means,omitempty"`
	Pairs        []glm.Ratio        `json:"pairs,omitempty"`
	VsControl    []RatioWithControl `json:"vs_control,omitempty"`
	Warnings     []string           `json:"warnings,omitempty"`
	Refused      string             `json:"refused,omitempty"`
}

// Counts says that the model is one for counts.
func (m ShareOrCountModel) Counts() bool {
	return m.Family == glm.QuasiPoisson || m.Family == glm.NegativeBinomial
}

// RatioWithControl is a treatment over the control: a ratio of means for
// counts, of odds for shares. Ratio and limits are nil where one of the two is
// all zero or full, or the ratio cannot be given; P is nil in the last case.
// PHolm allows for the number of treatments.
type RatioWithControl struct {
	Treatment string   `json:"treatment"`
	Ratio     *float64 `json:"ratio,omitempty"`
	Lower     *float64 `json:"lower,omitempty"`
	Upper     *float64 `json:"upper,omitempty"`
	P         *float64 `json:"p,omitempty"`
	PHolm     *float64 `json:"p_holm,omitempty"`
}

// SeasonModel is the mixed model of a season: plots (and blocks) random,
// treatment by date fixed. Means and differences are on the scale of the
// analysis; Back, BackLower and BackUpper are in the unit of the response.
type SeasonModel struct {
	Words      string           `json:"words"`
	Scale      stats.Scale      `json:"scale"`
	Confidence float64          `json:"confidence"`
	Alpha      float64          `json:"alpha"`
	Fit        *mixed.Fit       `json:"fit,omitempty"`
	Means      []DateMean       `json:"means,omitempty"`
	Pairs      []DateDifference `json:"pairs,omitempty"`
	Warnings   []string         `json:"warnings,omitempty"`
	Refused    string           `json:"refused,omitempty"`
}

// DateMean is the adjusted mean of a treatment on a date. Letters hold within
// the date only.
type DateMean struct {
	Day       float64 `json:"day"`
	Treatment string  `json:"treatment"`
	Mean      float64 `json:"mean"`
	SE        float64 `json:"se"`
	DF        float64 `json:"df"`
	Back      float64 `json:"back"`
	BackLower float64 `json:"back_lower"`
	BackUpper float64 `json:"back_upper"`
	Letters   string  `json:"letters,omitempty"`
}

// DateDifference is one treatment less another on a date. PHolm allows for the
// number of pairs within the date.
type DateDifference struct {
	Day        float64 `json:"day"`
	A          string  `json:"a"`
	B          string  `json:"b"`
	Difference float64 `json:"difference"`
	SED        float64 `json:"sed"`
	DF         float64 `json:"df"`
	T          float64 `json:"t"`
	P          float64 `json:"p"`
	PHolm      float64 `json:"p_holm"`
}

// Components are the variances between plots and between quadrats by REML,
// beside the analysis-of-variance ones of the comparison.
type Components struct {
	Plot      float64    `json:"plot"`
	Quadrat   float64    `json:"quadrat"`
	PlotZero  bool       `json:"plot_at_zero"`
	Treatment mixed.Test `json:"treatment"`
	Warnings  []string   `json:"warnings,omitempty"`
	Refused   string     `json:"refused,omitempty"`
}

// Calibrated says what image values were carried through before they were
// compared. Intercept and slope are hand on image in the unit of the response.
type Calibrated struct {
	Method    string   `json:"method"`
	Pairs     int      `json:"pairs"`
	Plots     int      `json:"plots"`
	Intercept float64  `json:"intercept"`
	Slope     float64  `json:"slope"`
	SlopeSE   *float64 `json:"slope_se,omitempty"`
	Low       float64  `json:"valid_low"`
	High      float64  `json:"valid_high"`
	Unit      string   `json:"unit"`
	Why       string   `json:"why"`
	// Extrapolated lists plots with an image mean outside the range of the
	// pairs.
	Extrapolated []string `json:"extrapolated,omitempty"`
	// Loud must be read first: a bias that differs between treatments.
	Loud     []string `json:"loud,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

// WriteCalibrated writes what calibration was used, before the comparison.
func WriteCalibrated(w io.Writer, c Calibrated) error {
	var t compareText
	for _, l := range c.Loud {
		t.said("! ", l)
	}
	line := fmt.Sprintf("CALIBRATED VALUES, not raw ones: hand = %.4g %+.4g x image (%s), %s, fitted on %d pairs of hand and photo in %d plots", c.Intercept, c.Slope, c.Unit, c.Method, c.Pairs, c.Plots)
	if c.SlopeSE != nil {
		line += fmt.Sprintf("; standard error of the slope %.2g", *c.SlopeSE)
	}
	t.said("", line+". The line's own uncertainty is in every standard error below but those of the analysis of variance.")
	if len(c.Extrapolated) > 0 {
		t.said("! ", fmt.Sprintf("Extrapolated beyond the pairs (image %.3g to %.3g): %s. Hand-count there too.", c.Low, c.High, strings.Join(c.Extrapolated, ", ")))
	} else {
		t.said("", fmt.Sprintf("Nothing was extrapolated: all plots lie within the pairs (image %.3g to %.3g).", c.Low, c.High))
	}
	for _, x := range c.Warnings {
		t.said("! ", x)
	}
	t.line("")
	_, err := w.Write(t.b.Bytes())
	return err
}

// WriteModel writes a count or cover model as a second opinion. Short leaves
// one sentence.
func WriteModel(w io.Writer, m ShareOrCountModel, opt TextOptions) error {
	var t compareText
	kind := "cover"
	if m.Counts() {
		kind = "counts"
	}
	t.second("The same question asked with a model for "+kind, string(m.Family)+" model", m.Refused, m.sentence(), opt)
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

func (m ShareOrCountModel) sentence() string {
	if m.Treatment == nil {
		return "Second opinion, " + string(m.Family) + " model: the treatments could not be tested."
	}
	test := fmt.Sprintf("chi-square(%d) = %.2f", m.Treatment.DF, m.Treatment.Deviance)
	if m.Treatment.DenDF > 0 {
		test = fmt.Sprintf("F(%d,%d) = %.2f", m.Treatment.DF, m.Treatment.DenDF, m.Treatment.F)
	}
	shown := "differences among treatments are shown"
	if m.Treatment.P > 1-m.Confidence {
		shown = "treatments are not shown to differ"
	}
	return fmt.Sprintf("Second opinion, %s model: %s (%s, p = %s).", m.Family, shown, test, pOf(&m.Treatment.P))
}

func (t *compareText) shareOrCount(m ShareOrCountModel) {
	scale, ratio := 100.0, "odds ratio to "
	if m.Counts() {
		scale, ratio = 1, "ratio to "
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
	against := map[string]RatioWithControl{}
	for _, r := range m.VsControl {
		against[r.Treatment] = r
	}
	for _, x := range m.Means {
		name := strings.Join(x.Labels, ":")
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
		t.said("  ! ", x)
	}
}

// WriteSeasonModel writes the mixed model of a season.
func WriteSeasonModel(w io.Writer, m SeasonModel, opt TextOptions) error {
	var t compareText
	t.second("Treatments date by date, mixed model (REML)", "mixed model of the season", m.Refused, m.sentence(), opt)
	if m.Refused == "" && !opt.Short {
		t.seasonModel(m)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}

func (m SeasonModel) sentence() string {
	if m.Fit == nil {
		return ""
	}
	var parts []string
	for _, x := range m.Fit.Adjusted {
		parts = append(parts, fmt.Sprintf("%s F(%d,%.1f) = %.2f, p = %s", x.Term, x.NumDF, x.DenDF, x.F, pOf(&x.P)))
	}
	return "Mixed model of the season: " + strings.Join(parts, "; ") + "."
}

func (t *compareText) seasonModel(m SeasonModel) {
	t.said("", m.Words)
	var parts []string
	for _, c := range m.Fit.Components {
		parts = append(parts, fmt.Sprintf("%s %.4g", c.Name, c.Variance))
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
		t.said("  ! ", x)
	}
}

// WriteComponents writes the variances between plots and quadrats by REML.
func WriteComponents(w io.Writer, c Components) error {
	var t compareText
	t.second("Plots and quadrats by REML", "mixed model of plots and quadrats", c.Refused,
		fmt.Sprintf("Variance between plots %.4g, between quadrats of a plot %.4g (as measured); treatments, judged by plots: F(%d,%.1f) = %.2f, p = %s.",
			c.Plot, c.Quadrat, c.Treatment.NumDF, c.Treatment.DenDF, c.Treatment.F, pOf(&c.Treatment.P)), TextOptions{})
	if c.PlotZero {
		t.said("", "A plot variance of 0 is no fault: plots of one treatment vary no more than their quadrats do, which happens by chance in small trials. The comparison above rests on plot means either way.")
	}
	for _, x := range c.Warnings {
		t.said("  ! ", x)
	}
	_, err := w.Write(t.b.Bytes())
	return err
}
