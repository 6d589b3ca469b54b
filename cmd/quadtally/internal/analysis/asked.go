package analysis

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// This file answers what is asked of a finished comparison beyond its pairs:
// planned contrasts, a trend over rates, factors, and margins.

// Asked are questions set by the plan, the table or the user.
type Asked struct {
	// Contrasts in the user's words; see [stats.ParseContrast].
	Contrasts []string
	// Together keeps contrasts honest; "" is Holm's way.
	Together stats.ContrastAdjustment
	Margin   *Margin
	// StepDown asks for Dunnett's test in its step-down form as well.
	StepDown bool
	// SecondLooks asks for further looks at the residuals.
	SecondLooks bool

	// Of a table; a trial has its own.
	Rates   map[string]float64
	Factors []trial.Factor
}

// Margin asks whether treatments are as good as a reference.
type Margin struct {
	Reference string
	By        float64 // in the unit of the response, or a share where Relative
	Relative  bool
	// OneSided asks only about the worse side, which is Worse; both sides are
	// asked about otherwise.
	OneSided bool
	Worse    stats.Side // "" goes by the response
}

// MarginAnswer is a margin with what was found, treatment by treatment.
type MarginAnswer struct {
	Reference string           `json:"reference"`
	Margin    float64          `json:"margin"`
	Relative  bool             `json:"relative,omitempty"`
	OneSided  bool             `json:"one_sided,omitempty"`
	Worse     stats.Side       `json:"worse"`
	Alpha     float64          `json:"alpha"`
	Results   []stats.NotWorse `json:"results"`
}

// FactorialAnswer is the analysis of treatments made of several factors.
type FactorialAnswer struct {
	stats.Factorial
	// Trends are those over the levels of factors that are numbers.
	Trends []stats.Trend `json:"trends,omitempty"`
	// Outside are treatments without a level of some factor; they take no part.
	Outside []string `json:"outside,omitempty"`

	input stats.FactorialInput
}

// planned are the contrasts of the plan as weights, groups averaged.
func planned(t *trial.Trial) []stats.Question {
	var out []stats.Question
	for _, c := range t.Contrasts {
		q := stats.Question{Name: c.Name, Weights: map[string]float64{}}
		for _, code := range c.Of {
			q.Weights[code] += 1 / float64(len(c.Of))
		}
		for _, code := range c.Against {
			q.Weights[code] -= 1 / float64(len(c.Against))
		}
		out = append(out, q)
	}
	return out
}

// ratesOf are the rates of the plan; a note says why there are none where some
// treatments have one.
func ratesOf(t *trial.Trial) (rates map[string]float64, unit, note string) {
	rates = map[string]float64{}
	for _, tr := range t.Treatments {
		if tr.Rate == nil {
			continue
		}
		if len(rates) > 0 && tr.RateUnit != unit {
			return nil, "", fmt.Sprintf("no trend over rates: the plan has them in %s and in %s", unit, tr.RateUnit)
		}
		rates[tr.Code], unit = *tr.Rate, tr.RateUnit
	}
	return rates, unit, ""
}

// distinct counts the different values of a map.
func distinct(rates map[string]float64) int {
	seen := map[float64]bool{}
	for _, v := range rates {
		seen[v] = true
	}
	return len(seen)
}

// numericLevels are the levels of a factor as rates of its treatments, nil
// where some are words.
func numericLevels(f trial.Factor) map[string]float64 {
	out := map[string]float64{}
	for _, l := range f.Levels {
		v, err := strconv.ParseFloat(l.Level, 64)
		if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
			return nil
		}
		out[l.Treatment] = v
	}
	return out
}

// askOf answers the questions of a plan and of a user on a finished comparison.
func (c *Comparison) askOf(snap *record.Snapshot, o Options, role Role) error {
	asked := o.Asked
	var fromPlan []stats.Question
	if snap != nil {
		fromPlan = planned(&snap.Trial)
		var note string
		if asked.Rates, _, note = ratesOf(&snap.Trial); note != "" {
			c.Notes = append(c.Notes, note)
		}
		asked.Factors = snap.Trial.Factors
	}
	if len(asked.Factors) == 1 && distinct(asked.Rates) < 2 {
		asked.Rates = numericLevels(asked.Factors[0])
	}
	if err := c.contrasts(fromPlan, asked); err != nil {
		return err
	}
	a := c.Main()
	if rates := among(asked.Rates, a.Design.Treatments); distinct(rates) >= 2 && len(asked.Factors) < 2 {
		if t, err := a.Trend(rates, 3); err != nil {
			c.Notes = append(c.Notes, "no trend over rates: "+err.Error())
		} else {
			c.Trend, c.rates = &t, rates
		}
	}
	if len(asked.Factors) >= 2 {
		if err := c.factorial(asked.Factors); err != nil {
			c.Notes = append(c.Notes, "factors were not taken apart: "+err.Error())
		}
	}
	if asked.StepDown {
		if a.Control == "" {
			return misuse("--step-down needs a control: name it with --control")
		}
		var err error
		if c.StepDown, err = a.VsControlStepDownContext(o.context()); err != nil {
			return err
		}
	}
	if asked.SecondLooks {
		if l, err := a.SecondLooks(); err != nil {
			c.Notes = append(c.Notes, err.Error())
		} else {
			c.SecondLooks = &l
		}
	}
	if asked.Margin != nil {
		return c.margin(*asked.Margin, role)
	}
	return nil
}

func among(rates map[string]float64, treatments []string) map[string]float64 {
	out := maps.Clone(rates)
	maps.DeleteFunc(out, func(t string, _ float64) bool { return !slices.Contains(treatments, t) })
	return out
}

// contrasts answers the plan's contrasts and the user's together. One of the
// plan that lost a treatment is left out and said.
func (c *Comparison) contrasts(questions []stats.Question, asked Asked) error {
	a := c.Main()
	questions = slices.DeleteFunc(questions, func(q stats.Question) bool {
		for _, code := range slices.Sorted(maps.Keys(q.Weights)) {
			if !slices.Contains(a.Design.Treatments, code) {
				c.Notes = append(c.Notes, fmt.Sprintf("the contrast %s of the plan has no answer here: no plot of %s has a value", q.Name, code))
				return true
			}
		}
		return false
	})
	for _, text := range asked.Contrasts {
		q, err := stats.ParseContrast(text, a.Design.Treatments)
		if err != nil {
			return UsageError{err}
		}
		questions = append(questions, q)
	}
	if len(questions) == 0 {
		return nil
	}
	how := asked.Together
	if how == "" {
		how = stats.ContrastsHolm
	}
	p, err := a.AnswerContrasts(questions, how)
	if err != nil {
		if len(asked.Contrasts) == 0 {
			c.Notes = append(c.Notes, "the contrasts of the plan have no answer: "+err.Error())
			return nil
		}
		return UsageError{err}
	}
	c.Planned = &p
	return nil
}

// factorial takes the factors of the treatments apart.
func (c *Comparison) factorial(factors []trial.Factor) error {
	a := c.Main()
	levels := make([]map[string]string, len(factors))
	for i, f := range factors {
		levels[i] = map[string]string{}
		for _, l := range f.Levels {
			levels[i][l.Treatment] = l.Level
		}
	}
	out := FactorialAnswer{}
	in := stats.FactorialInput{Alpha: a.Alpha}
	for _, f := range factors {
		in.Factors = append(in.Factors, stats.Factor{Name: f.Name})
	}
	covariate := map[string]*float64{}
	for _, p := range a.Design.Plots {
		covariate[p.Name] = p.Covariate
	}
	for _, p := range a.Plots {
		if slices.ContainsFunc(levels, func(m map[string]string) bool { return m[p.Treatment] == "" }) {
			if !slices.Contains(out.Outside, p.Treatment) {
				out.Outside = append(out.Outside, p.Treatment)
			}
			continue
		}
		in.Values = append(in.Values, p.Analysed)
		if len(a.Design.Blocks) > 1 {
			in.Blocks = append(in.Blocks, p.Block)
		}
		if len(a.Design.Columns) > 1 {
			in.Columns = append(in.Columns, p.Column)
		}
		if x := covariate[p.Name]; a.Covariate != nil && x != nil {
			in.Covariate = append(in.Covariate, *x)
		}
		for i := range factors {
			in.Factors[i].Labels = append(in.Factors[i].Labels, levels[i][p.Treatment])
		}
	}
	f, err := stats.AnalyseFactorial(in)
	if err != nil {
		return err
	}
	out.Factorial, out.input = f, in
	for i, x := range factors {
		byLevel := map[string]float64{}
		if numericLevels(x) == nil {
			continue
		}
		for _, l := range in.Factors[i].Labels {
			byLevel[l], _ = strconv.ParseFloat(l, 64)
		}
		if len(byLevel) < 3 {
			continue // two levels are a straight line already
		}
		if t, err := f.Fit().Trend(x.Name, byLevel, 3, a.Alpha); err != nil {
			c.Notes = append(c.Notes, fmt.Sprintf("no trend over %s: %v", x.Name, err))
		} else {
			out.Trends = append(out.Trends, t)
		}
	}
	c.Factorial = &out
	return nil
}

// margin asks whether treatments are as good as the reference.
func (c *Comparison) margin(m Margin, role Role) error {
	a := c.Main()
	if !slices.Contains(a.Design.Treatments, m.Reference) {
		return misuse("there is no treatment %q to hold others against: there are %s", m.Reference, strings.Join(a.Design.Treatments, ", "))
	}
	worse := m.Worse
	switch {
	case worse != "":
	case role.LessIsBetter():
		worse = stats.AboveControl
	case role == Crop:
		worse = stats.BelowControl
	case !m.OneSided:
		worse = stats.BothSides
	default:
		return misuse("which way is worse, above the reference or below? Say --worse above or --worse below")
	}
	res, err := a.Within(m.Reference, stats.Margin{Below: m.By, Above: m.By, Relative: m.Relative})
	if err != nil {
		if errors.Is(err, stats.ErrScale) {
			return misuse("%w (--scale raw)", err)
		}
		return UsageError{err}
	}
	c.Margin = &MarginAnswer{Reference: m.Reference, Margin: m.By, Relative: m.Relative, OneSided: m.OneSided, Worse: worse, Alpha: a.Alpha, Results: res}
	return nil
}

// StrataAnswer is the analysis of a split plot or strip plot. Means of the
// analysis are on the scale of Transform.
type StrataAnswer struct {
	stats.StrataAnalysis
	Response  string          `json:"response"`
	Unit      string          `json:"unit,omitempty"`
	Alpha     float64         `json:"alpha"`
	Transform stats.Transform `json:"transform"`
	Trends    []stats.Trend   `json:"trends,omitempty"`
	Notes     []string        `json:"notes,omitempty"`

	input stats.StrataInput
}

// compareStrata analyses the rows of a table as a split plot or strip plot, of
// two factors, the one of the whole plots first.
func compareStrata(ctx context.Context, rows []stats.Row, opt stats.Options, kind stats.StrataKind, factors []trial.Factor) (*StrataAnswer, error) {
	if len(factors) != 2 {
		return nil, misuse("a %s has two factors: name their columns as --factors WHOLE,SUB", strings.ReplaceAll(string(kind), "_", " "))
	}
	cleaned, notes := stats.CleanLabels(rows)
	plots, err := stats.PlotMeans(cleaned)
	if err != nil {
		return nil, err
	}
	var levels [2]map[string]string
	for i, f := range factors {
		levels[i] = map[string]string{}
		for _, l := range f.Levels {
			levels[i][l.Treatment] = l.Level
		}
	}
	out := &StrataAnswer{Response: opt.Response, Unit: opt.Unit, Alpha: opt.Alpha, Notes: notes}
	in := stats.StrataInput{Kind: kind, Whole: stats.Factor{Name: factors[0].Name}, Sub: stats.Factor{Name: factors[1].Name}, Alpha: opt.Alpha}
	var values []float64
	for _, p := range plots {
		if p.Missing {
			out.Notes = append(out.Notes, fmt.Sprintf("missing: %s, %s", p.Name, strings.Join(p.Sources, ", ")))
			continue
		}
		values = append(values, p.Value)
		in.Blocks = append(in.Blocks, p.Block)
		in.Whole.Labels = append(in.Whole.Labels, levels[0][p.Treatment])
		in.Sub.Labels = append(in.Sub.Labels, levels[1][p.Treatment])
	}
	if len(values) == 0 {
		return nil, errors.New("no plot has a value")
	}
	scale := opt.Scale
	if scale == "" {
		scale = stats.DefaultScale(opt.Kind)
	}
	t, note, err := stats.NewTransform(opt.Kind, scale, values, 0)
	if err != nil {
		return nil, err
	}
	if note != "" {
		out.Notes = append(out.Notes, note)
	}
	for _, v := range values {
		in.Values = append(in.Values, t.Forward(v))
	}
	a, err := stats.AnalyseStrataContext(ctx, in)
	if err != nil {
		return nil, err
	}
	out.StrataAnalysis, out.Transform, out.input = a, t, in
	for _, f := range factors {
		byLevel := map[string]float64{}
		for _, l := range f.Levels {
			if v, err := strconv.ParseFloat(l.Level, 64); err == nil && numericLevels(f) != nil {
				byLevel[l.Level] = v
			}
		}
		if len(byLevel) >= 3 {
			if t, err := a.Trend(f.Name, byLevel, 3); err != nil {
				out.Notes = append(out.Notes, fmt.Sprintf("no trend over %s: %v", f.Name, err))
			} else {
				out.Trends = append(out.Trends, t)
			}
		}
	}
	return out, nil
}
