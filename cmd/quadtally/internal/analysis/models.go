package analysis

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"quadtally/stats"
	"quadtally/stats/glm"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// This file asks the question of a finished comparison again with models for
// what the data are. The model is fixed by the kind of response or by the user,
// never by a p value; what a model refuses stands in its result as a sentence.

// ShareOrCountModel is the comparison of treatments by a generalised linear
// model: counts with the area as offset and a log link, or cover as a share (0
// to 1) with a logit link. Refused says, in place of everything else, why the
// model has no answer.
type ShareOrCountModel struct {
	Family     glm.Family `json:"family"`
	Unit       string     `json:"unit"` // of the means: per m², or share
	Control    string     `json:"control,omitempty"`
	Confidence float64    `json:"confidence"`
	// Treatment is the test of treatments after blocks. Resampled is the same
	// question with a p value that keeps its level in few plots: treatments
	// re-allotted within blocks, or for the negative binomial and beta families a
	// parametric bootstrap. It is nil, and NotResampled says why, where treatments
	// were not allotted at random within blocks alone.
	Treatment    *glm.Test      `json:"treatment,omitempty"`
	Resampled    *glm.Resampled `json:"resampled,omitempty"`
	NotResampled string         `json:"not_resampled,omitempty"`
	// Standard are the means of the quasi families as they would be on all plots
	// of the trial, with intervals that allow for weeds in patches.
	Standard     []glm.StandardMean `json:"standard,omitempty"`
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

// RatioWithControl is a treatment over the control: a ratio of means, under beta
// regression of odds. Ratio and limits are nil where one of the two is
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

// Model is a word of --model: the family of the second opinion.
type Model string

// The models. ModelByKind takes the one that suits the kind of response.
const (
	ModelByKind      Model = ""
	QuasiPoisson     Model = "quasi-poisson"
	NegativeBinomial Model = "negative-binomial"
	QuasiBinomial    Model = "quasi-binomial"
	Beta             Model = "beta"
	NoModel          Model = "none"
)

var families = map[Model]glm.Family{
	QuasiPoisson: glm.QuasiPoisson, NegativeBinomial: glm.NegativeBinomial,
	QuasiBinomial: glm.QuasiBinomial, Beta: glm.Beta,
}

// familyFor gives the family for a kind of response, "" for no model.
func familyFor(model Model, kind stats.Kind) (glm.Family, error) {
	family, known := families[model]
	counts := family == glm.QuasiPoisson || family == glm.NegativeBinomial
	share := kind == stats.Percent || kind == stats.Proportion
	switch {
	case model == NoModel:
		return "", nil
	case model == ModelByKind && kind == stats.Count:
		return glm.QuasiPoisson, nil
	case model == ModelByKind && share:
		return glm.QuasiBinomial, nil
	case model == ModelByKind:
		return "", nil
	case !known:
		return "", misuse("--model %q: say quasi-poisson or negative-binomial (counts), quasi-binomial or beta (cover), or none", model)
	case counts && kind != stats.Count:
		return "", misuse("--model %s is for counts, and this response is a %s", model, kind)
	case !counts && !share:
		return "", misuse("--model %s is for cover, and this response is a %s", model, kind)
	}
	return family, nil
}

// addModels adds the second opinions to a finished comparison of rows. per is
// the ground (or bed) that a reading of a density was counted on, in its unit, 1
// where values are plain counts.
func (c *Comparison) addModels(rows []stats.Row, opt stats.Options, o Options, per float64) error {
	family, err := familyFor(o.Model, opt.Kind)
	if err != nil {
		return err
	}
	if o.Serial && c.Season == nil {
		return misuse("--serial is for a season of visits: leave out --visit, or give a table with days")
	}
	if c.Season != nil {
		if o.Model != NoModel && !o.DeferSeasonModel {
			return c.AddSeasonModel(o.context(), o.Serial)
		}
		return nil
	}
	if family != "" {
		m, err := shareOrCountModel(o.context(), c.Analysis, family, opt, per)
		if err != nil {
			return err
		}
		if m.Counts() {
			c.CountModel = m
		} else {
			c.CoverModel = m
		}
	}
	if c.Analysis.Subsampling != nil && o.Model != NoModel {
		c.Components = quadratComponents(rows, c.Analysis)
	}
	return nil
}

// AddSeasonModel adds the mixed model of a season to a comparison that was made
// without it; serial correlates the dates of a plot by their true distance. Its
// error is the end of ctx.
func (c *Comparison) AddSeasonModel(ctx context.Context, serial bool) error {
	m := seasonModel(ctx, c.Season, serial)
	if err := ctx.Err(); err != nil {
		return err
	}
	c.SeasonModel = m
	return nil
}

// tooFew says why no model can be asked at all, or "".
func tooFew(a *stats.Analysis) string {
	if len(a.Design.Treatments) < 2 {
		return "only 1 treatment has values, and 2 are needed"
	}
	return ""
}

// frameOf lays plots out as the columns of a model, blocks before treatment.
func frameOf(treatment, block, column []string) (terms.Frame, []terms.Term) {
	var f terms.Frame
	var fixed []terms.Term
	add := func(name string, labels []string) {
		if len(slices.Compact(slices.Sorted(slices.Values(labels)))) > 1 {
			f.Factors = append(f.Factors, terms.Factor{Name: name, Labels: labels})
			fixed = append(fixed, terms.Term{name})
		}
	}
	add("block", block)
	add("column", column)
	add(stats.TreatmentTerm, treatment)
	return f, fixed
}

// shareOrCountModel fits the model; its error is the end of the context only.
func shareOrCountModel(ctx context.Context, a *stats.Analysis, family glm.Family, opt stats.Options, per float64) (*ShareOrCountModel, error) {
	m := &ShareOrCountModel{Family: family, Unit: "share of the whole", Control: a.Control, Confidence: a.Confidence}
	if m.Counts() {
		m.Unit = cmp.Or(a.Unit, "per reading")
	}
	if m.Refused = tooFew(a); m.Refused != "" {
		return m, nil
	}
	whole := 1.0
	if opt.Kind == stats.Percent {
		whole = 100
	}
	covariate := map[string]*float64{}
	for _, p := range a.Design.Plots {
		covariate[p.Name] = p.Covariate
	}
	model := glm.Model{}
	var treatment, block, column []string
	var before []float64
	for _, p := range a.Plots {
		treatment, block, column = append(treatment, p.Treatment), append(block, p.Block), append(column, p.Column)
		if m.Counts() {
			ground := float64(p.Quadrats) * per
			total := p.Value * ground
			if r := math.Round(total); math.Abs(total-r) < 1e-6 {
				total = r // whole plants, but for the rounding of the density
			}
			model.Response, model.Exposure = append(model.Response, total), append(model.Exposure, ground)
		} else {
			model.Response = append(model.Response, p.Value/whole)
		}
		if x := covariate[p.Name]; opt.UseCovariate && x != nil {
			before = append(before, *x)
		}
	}
	model.Frame, model.Fixed = frameOf(treatment, block, column)
	if opt.UseCovariate && len(before) == len(a.Plots) {
		at := len(model.Fixed) - 1
		model.Frame.Covariates = []terms.Covariate{{Name: "covariate", Values: before}}
		model.Fixed = slices.Insert(model.Fixed, at, terms.Term{"covariate"})
	}
	quasi := family == glm.QuasiPoisson || family == glm.QuasiBinomial
	settings := glm.Options{Family: family, Level: a.Confidence}
	if quasi {
		settings.Spread = glm.SpreadOfPatches
	}
	fit, err := glm.FitModel(model, settings)
	if err != nil {
		m.Refused = err.Error()
		return m, nil
	}
	m.Tests, m.Theta, m.Precision = fit.Tests, fit.Theta, fit.Precision
	m.Dispersion, m.DispersionDF, m.Warnings = fit.Dispersion, fit.DispersionDF, fit.Warnings
	for i := range m.Tests {
		if m.Tests[i].Term == stats.TreatmentTerm {
			m.Treatment = &m.Tests[i]
		}
	}
	means, err := fit.Means(terms.Term{"treatment"})
	if err != nil {
		m.Warnings = append(m.Warnings, err.Error())
		return m, nil
	}
	m.Means, m.Warnings = means.Means, append(m.Warnings, means.Warnings...)
	if m.Pairs, err = fit.Ratios("treatment"); err != nil {
		m.Warnings = append(m.Warnings, err.Error())
		return m, nil
	}
	var standard *glm.Standard
	if quasi {
		if s, err := fit.Standardise("treatment"); err == nil {
			standard, m.Standard = &s, s.Means
		}
	}
	m.VsControl = ratiosWith(a.Control, m.Pairs, standard)
	return m, m.resample(ctx, fit, a.Design.Kind)
}

// resample adds the test that keeps its level. Its error is the end of ctx.
func (m *ShareOrCountModel) resample(ctx context.Context, fit *glm.Fit, layout stats.DesignKind) error {
	blocks := "block"
	switch layout {
	case stats.CompletelyRandomised:
		blocks = ""
	case stats.LatinSquare, stats.RowColumn:
		if fit.Family == glm.QuasiPoisson || fit.Family == glm.QuasiBinomial {
			m.NotResampled = "treatments were allotted to rows and columns at once, so they cannot be re-allotted within blocks"
			return nil
		}
	}
	r, err := fit.Resample(ctx, blocks, glm.ResampleOptions{Seed: 1})
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		m.NotResampled = err.Error()
	default:
		m.Resampled = &r
	}
	return nil
}

// ratiosWith turns the pairs that hold the control into ratios to it: those of
// standardised means where there are any.
func ratiosWith(control string, pairs []glm.Ratio, standard *glm.Standard) []RatioWithControl {
	var out []RatioWithControl
	var ps []float64
	var at []int
	for _, p := range pairs {
		r := RatioWithControl{}
		switch control {
		case p.B[0]:
			r.Treatment = p.A[0]
			if !p.ByDeviance {
				r.Ratio, r.Lower, r.Upper = &p.Ratio, &p.Lower, &p.Upper
			}
		case p.A[0]:
			r.Treatment = p.B[0]
			if !p.ByDeviance && p.Lower > 0 {
				ratio, lower, upper := 1/p.Ratio, 1/p.Upper, 1/p.Lower
				r.Ratio, r.Lower, r.Upper = &ratio, &lower, &upper
			}
		default:
			continue
		}
		if standard != nil && !p.ByDeviance && !p.Undefined {
			if x := standard.Ratio(r.Treatment, control); !x.Undefined {
				r.Ratio, r.Lower, r.Upper, p.P = &x.Ratio, &x.Lower, &x.Upper, x.P
			}
		}
		if p.Undefined {
			r.Ratio, r.Lower, r.Upper = nil, nil, nil
		} else {
			r.P = &p.P
			ps, at = append(ps, p.P), append(at, len(out))
		}
		out = append(out, r)
	}
	if holm, err := stats.Adjust(ps, stats.AdjustHolm); err == nil {
		for i, k := range at {
			out[k].PHolm = &holm[i]
		}
	}
	return out
}

// seasonModel fits treatment by date with random plots and blocks.
func seasonModel(ctx context.Context, s *stats.Season, serial bool) *SeasonModel {
	a := &s.PeriodMean
	m := &SeasonModel{Scale: a.Transform.Scale, Confidence: a.Confidence, Alpha: a.Alpha}
	if m.Refused = tooFew(a); m.Refused != "" {
		return m
	}
	var values, days []float64
	var treatment, block, column, plot, date []string
	dayOf := map[string]float64{} // of the labels of the dates
	for _, p := range s.Plots {
		for i, d := range p.Days {
			values, days = append(values, p.Values[i]), append(days, d)
			treatment, block, column = append(treatment, p.Treatment), append(block, p.Block), append(column, p.Column)
			label := strconv.FormatFloat(d, 'g', -1, 64)
			dayOf[label] = d
			plot, date = append(plot, p.Name), append(date, label)
		}
	}
	kind := a.Transform.Kind
	if a.Transform.Scale == stats.Raw {
		kind = stats.Measure // on its own scale no value is out of range
	}
	transform, note, err := stats.NewTransform(kind, a.Transform.Scale, values, 0)
	if err != nil {
		m.Refused = err.Error()
		return m
	}
	transform.One = a.Transform.One
	model := mixed.Model{Response: make([]float64, len(values))}
	for i, v := range values {
		model.Response[i] = transform.Forward(v)
	}
	frame, groups := frameOf(treatment, block, column)
	frame.Factors = append(frame.Factors, terms.Factor{Name: "plot", Labels: plot}, terms.Factor{Name: "date", Labels: date})
	model.Frame = frame
	model.Fixed, model.Random = mixed.SeasonTerms(groups[:len(groups)-1], "treatment", "plot", "date")
	var random []string
	for _, t := range model.Random {
		random = append(random, t.String())
	}
	m.Words = fmt.Sprintf("Fixed: treatment by date. Random: %s. Kenward-Roger degrees of freedom.", strings.Join(random, ", "))
	if serial {
		model.Serial = &mixed.Serial{Group: terms.Term{"plot"}, Days: days}
		m.Words += " Residuals of a plot correlate the more the closer their true days are (CAR(1))."
	}
	if a.Transform.Scale != stats.Raw {
		m.Words += fmt.Sprintf(" Analysed as the %s; means are carried back.", a.Transform.Words())
	}
	options := mixed.DefaultOptions()
	options.Level = a.Confidence
	fit, err := mixed.FitContext(ctx, model, options)
	if err != nil {
		m.Refused = err.Error()
		return m
	}
	m.Fit = fit
	m.Warnings = slices.Clone(fit.Warnings)
	if note != "" {
		m.Warnings = append(m.Warnings, note)
	}
	means, err := fit.Means(terms.Term{"treatment", "date"})
	if err != nil {
		m.Warnings = append(m.Warnings, err.Error())
		return m
	}
	m.Warnings = append(m.Warnings, means.Warnings...)
	differences, missing, err := fit.Differences(terms.Term{"treatment"}, terms.Term{"date"})
	if err != nil {
		m.Warnings = append(m.Warnings, err.Error())
	}
	m.Warnings = append(m.Warnings, missing...)
	back := func(v float64) float64 {
		v = transform.Back(v)
		if transform.Scale != stats.Raw {
			v = max(0, v)
		}
		return v
	}
	for _, x := range means.Means {
		m.Means = append(m.Means, DateMean{Day: dayOf[x.Labels[1]], Treatment: x.Labels[0], Mean: x.Mean, SE: x.SE, DF: x.DF,
			Back: back(x.Mean), BackLower: back(x.Lower), BackUpper: back(x.Upper)})
	}
	slices.SortStableFunc(m.Means, func(x, y DateMean) int { return cmp.Or(cmp.Compare(x.Day, y.Day), -cmp.Compare(x.Mean, y.Mean)) })
	for _, d := range differences {
		m.Pairs = append(m.Pairs, DateDifference{Day: dayOf[d.Within[0]], A: d.A[0], B: d.B[0], Difference: d.Difference, SED: d.SED, DF: d.DF, T: d.T, P: d.P})
	}
	for _, d := range s.Days {
		judgeDate(m, d)
	}
	return m
}

// judgeDate adjusts the pairs of a date and gives its means their letters.
func judgeDate(m *SeasonModel, day float64) {
	var ps []float64
	var pairs []*DateDifference
	for i := range m.Pairs {
		if p := &m.Pairs[i]; p.Day == day {
			pairs, ps = append(pairs, p), append(ps, p.P)
		}
	}
	holm, err := stats.Adjust(ps, stats.AdjustHolm)
	if err != nil {
		return
	}
	var table []stats.Pair
	for i, p := range pairs {
		p.PHolm = holm[i]
		table = append(table, stats.Pair{A: p.A, B: p.B, P: &p.PHolm, Differ: p.PHolm <= m.Alpha})
	}
	var order []string
	for _, x := range m.Means {
		if x.Day == day {
			order = append(order, x.Treatment)
		}
	}
	letters, err := stats.LettersFor(order, table)
	if err != nil {
		return // a pair is missing, and the warnings say which
	}
	for i := range m.Means {
		if x := &m.Means[i]; x.Day == day {
			x.Letters = letters[x.Treatment]
		}
	}
}

// quadratComponents fits the quadrats of one visit with random plots, on the
// scale they were measured on.
func quadratComponents(rows []stats.Row, a *stats.Analysis) *Components {
	c := &Components{}
	if c.Refused = tooFew(a); c.Refused != "" {
		return c
	}
	clean, _ := stats.CleanLabels(rows)
	model := mixed.Model{}
	var treatment, block, column, plot []string
	for _, r := range clean {
		if r.Missing {
			continue
		}
		model.Response = append(model.Response, r.Value)
		treatment, block, column = append(treatment, r.Treatment), append(block, r.Block), append(column, r.Column)
		plot = append(plot, fmt.Sprintf("%q %q %q %q", r.Block, r.Column, r.Treatment, r.Plot))
	}
	model.Frame, model.Fixed = frameOf(treatment, block, column)
	model.Frame.Factors = append(model.Frame.Factors, terms.Factor{Name: "plot", Labels: plot})
	model.Random = []terms.Term{{"plot"}}
	fit, err := mixed.FitModel(model, mixed.DefaultOptions())
	if err != nil {
		c.Refused = err.Error()
		return c
	}
	for _, v := range fit.Components {
		switch v.Name {
		case "plot":
			c.Plot, c.PlotZero = v.Variance, v.AtZero
		case "residual":
			c.Quadrat = v.Variance
		}
	}
	for _, t := range fit.Adjusted {
		if t.Term == stats.TreatmentTerm {
			c.Treatment = t
		}
	}
	if !c.PlotZero {
		c.Warnings = fit.Warnings
	}
	return c
}
