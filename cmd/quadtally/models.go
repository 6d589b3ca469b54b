package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
	"quadtally/stats/glm"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// This file asks the question of a finished comparison again with models for
// what the data are. The model is fixed by the kind of response or by the user,
// never by a p value; what a model refuses stands in its result as a sentence.

// families are the words of --model; "" in a kind's place means by default.
var families = map[string]glm.Family{
	"quasi-poisson": glm.QuasiPoisson, "negative-binomial": glm.NegativeBinomial,
	"quasi-binomial": glm.QuasiBinomial, "beta": glm.Beta,
}

const noModel = "none"

// familyFor gives the family for a kind of response, "" for no model.
func familyFor(model string, kind stats.Kind) (glm.Family, error) {
	family, known := families[model]
	counts := family == glm.QuasiPoisson || family == glm.NegativeBinomial
	share := kind == stats.Percent || kind == stats.Proportion
	switch {
	case model == noModel:
		return "", nil
	case model == "" && kind == stats.Count:
		return glm.QuasiPoisson, nil
	case model == "" && share:
		return glm.QuasiBinomial, nil
	case model == "":
		return "", nil
	case !known:
		return "", usagef("--model %q: say quasi-poisson or negative-binomial (counts), quasi-binomial or beta (cover), or none", model)
	case counts && kind != stats.Count:
		return "", usagef("--model %s is for counts, and this response is a %s", model, kind)
	case !counts && !share:
		return "", usagef("--model %s is for cover, and this response is a %s", model, kind)
	}
	return family, nil
}

// secondOpinions adds the models to a comparison of rows. areaM2 is the ground
// a reading of counts per m² was made on, 1 where values are plain counts.
func secondOpinions(c *comparison, rows []stats.Row, opt stats.Options, f compareFlags, areaM2 float64) error {
	family, err := familyFor(f.model, opt.Kind)
	if err != nil {
		return err
	}
	if f.serial && c.Season == nil {
		return usagef("--serial is for a season of visits: leave out --visit, or give a table with days")
	}
	if c.Season != nil {
		if f.model != noModel {
			c.later = func() *report.SeasonModel { return seasonModel(c.Season, opt, f.serial) }
			if !f.later {
				c.SeasonModel, c.later = c.later(), nil
			}
		}
		return nil
	}
	if family != "" {
		m := shareOrCountModel(c.Analysis, family, opt, areaM2)
		if m.Counts() {
			c.CountModel = m
		} else {
			c.CoverModel = m
		}
	}
	if c.Analysis.Subsampling != nil && f.model != noModel {
		c.Components = quadratComponents(rows, c.Analysis)
	}
	return nil
}

// groundOfReading is the ground in m² a density was read on: the trial's
// quadrat, unless all hand counts were made on another.
func groundOfReading(snap *record.Snapshot, r response) float64 {
	ground := snap.Trial.Quadrat.AreaM2()
	if r.name != "count" {
		return ground
	}
	other := 0.0
	for _, o := range snap.Observations {
		if o.Variable != "count" || o.Quadrat == 0 {
			continue
		}
		if o.AreaM2 <= 0 || (other > 0 && o.AreaM2 != other) {
			return ground
		}
		other = o.AreaM2
	}
	return cmp.Or(other, ground)
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
	add("treatment", treatment)
	return f, fixed
}

func shareOrCountModel(a *stats.Analysis, family glm.Family, opt stats.Options, areaM2 float64) *report.ShareOrCountModel {
	m := &report.ShareOrCountModel{Family: family, Unit: "share of the whole", Control: a.Control, Confidence: a.Confidence}
	if m.Counts() {
		m.Unit = cmp.Or(a.Unit, "per reading")
	}
	if m.Refused = tooFew(a); m.Refused != "" {
		return m
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
			ground := float64(p.Quadrats) * areaM2
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
	fit, err := glm.FitModel(model, glm.Options{Family: family, Level: a.Confidence})
	if err != nil {
		m.Refused = err.Error()
		return m
	}
	m.Tests, m.Theta, m.Precision = fit.Tests, fit.Theta, fit.Precision
	m.Dispersion, m.DispersionDF, m.Warnings = fit.Dispersion, fit.DispersionDF, fit.Warnings
	for i := range m.Tests {
		if m.Tests[i].Term == "treatment" {
			m.Treatment = &m.Tests[i]
		}
	}
	means, err := fit.Means(terms.Term{"treatment"})
	if err != nil {
		m.Warnings = append(m.Warnings, err.Error())
		return m
	}
	m.Means, m.Warnings = means.Means, append(m.Warnings, means.Warnings...)
	if m.Pairs, err = fit.Ratios("treatment"); err != nil {
		m.Warnings = append(m.Warnings, err.Error())
		return m
	}
	m.VsControl = ratiosWith(a.Control, m.Pairs)
	return m
}

// ratiosWith turns the pairs that hold the control into ratios to it.
func ratiosWith(control string, pairs []glm.Ratio) []report.RatioWithControl {
	var out []report.RatioWithControl
	var ps []float64
	var at []int
	for _, p := range pairs {
		r := report.RatioWithControl{}
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
func seasonModel(s *stats.Season, opt stats.Options, serial bool) *report.SeasonModel {
	a := &s.PeriodMean
	m := &report.SeasonModel{Scale: a.Transform.Scale, Confidence: a.Confidence, Alpha: a.Alpha}
	if m.Refused = tooFew(a); m.Refused != "" {
		return m
	}
	var values, days []float64
	var treatment, block, column, plot, date []string
	for _, p := range s.Plots {
		for i, d := range p.Days {
			values, days = append(values, p.Values[i]), append(days, d)
			treatment, block, column = append(treatment, p.Treatment), append(block, p.Block), append(column, p.Column)
			plot, date = append(plot, p.Name), append(date, dayLabel(d))
		}
	}
	kind := opt.Kind
	if a.Transform.Scale == stats.Raw {
		kind = stats.Measure // nothing to carry, so nothing to refuse
	}
	transform, note, err := stats.NewTransform(kind, a.Transform.Scale, values, opt.Points)
	if err != nil {
		m.Refused = err.Error()
		return m
	}
	model := mixed.Model{Response: make([]float64, len(values))}
	for i, v := range values {
		model.Response[i] = transform.Forward(v)
	}
	frame, groups := frameOf(treatment, block, column)
	frame.Factors = append(frame.Factors, terms.Factor{Name: "plot", Labels: plot}, terms.Factor{Name: "date", Labels: date})
	model.Frame = frame
	model.Random = append(slices.Clone(groups[:len(groups)-1]), terms.Term{"plot"})
	model.Fixed = []terms.Term{{"treatment"}, {"date"}, {"treatment", "date"}}
	m.Words = fmt.Sprintf("Fixed: treatment by date. Random: %s. Kenward-Roger degrees of freedom.", joinTerms(model.Random))
	if serial {
		model.Serial = &mixed.Serial{Group: terms.Term{"plot"}, Days: days}
		m.Words += " Residuals of a plot correlate the more the closer their true days are (CAR(1))."
	}
	if a.Transform.Scale != stats.Raw {
		m.Words += fmt.Sprintf(" Analysed as the %s; means are carried back.", a.Transform.Words())
	}
	options := mixed.DefaultOptions()
	options.Level = a.Confidence
	fit, err := mixed.FitModel(model, options)
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
		m.Means = append(m.Means, report.DateMean{Day: dayOf(x.Labels[1]), Treatment: x.Labels[0], Mean: x.Mean, SE: x.SE, DF: x.DF,
			Back: back(x.Mean), BackLower: back(x.Lower), BackUpper: back(x.Upper)})
	}
	slices.SortStableFunc(m.Means, func(x, y report.DateMean) int { return cmp.Or(cmp.Compare(x.Day, y.Day), -cmp.Compare(x.Mean, y.Mean)) })
	for _, d := range differences {
		m.Pairs = append(m.Pairs, report.DateDifference{Day: dayOf(d.Within[0]), A: d.A[0], B: d.B[0], Difference: d.Difference, SED: d.SED, DF: d.DF, T: d.T, P: d.P})
	}
	for _, d := range s.Days {
		judgeDate(m, d)
	}
	return m
}

// judgeDate adjusts the pairs of a date and gives its means their letters.
func judgeDate(m *report.SeasonModel, day float64) {
	var ps []float64
	var pairs []*report.DateDifference
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

func dayLabel(d float64) string { return strconv.FormatFloat(d, 'g', -1, 64) }

// dayOf reads back what dayLabel wrote.
func dayOf(label string) float64 {
	d, _ := strconv.ParseFloat(label, 64)
	return d
}

func joinTerms(list []terms.Term) string {
	out := ""
	for i, t := range list {
		if i > 0 {
			out += ", "
		}
		out += t.String()
	}
	return out
}

// quadratComponents fits the quadrats of one visit with random plots, on the
// scale they were measured on.
func quadratComponents(rows []stats.Row, a *stats.Analysis) *report.Components {
	c := &report.Components{}
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
		if t.Term == "treatment" {
			c.Treatment = t
		}
	}
	if !c.PlotZero {
		c.Warnings = fit.Warnings
	}
	return c
}
