package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"quadtally/cmd/quadtally/internal/rscript"
	"quadtally/stats"
	"quadtally/stats/glm"
)

// ScriptMark is the first line of every script that is written, by which a file
// of ours is known.
const ScriptMark = "# R script written by quadtally; it may be written again"

// Script is the comparison as a script for R: the plot values, the calls, and
// the names of the results beside their numbers. Second opinions by a negative
// binomial or beta model, and margins, are not in it; a remark says so of the
// former.
func (c Comparison) Script(title string) (string, error) {
	var parts []string
	add := func(text string, err error) error {
		parts = append(parts, text)
		return err
	}
	var err error
	switch {
	case c.Calibrated != nil:
		return "", errors.New("calibrated values carry the uncertainty of their line, which the script cannot: write it without --calibrated")
	case len(c.Checked) > 0:
		return "", errors.New("covers by class carry the uncertainty of their check points, which the script cannot; `quadtally export` writes them with the check points")
	case c.Strata != nil:
		err = add(strataScript(title, c.Strata))
	case c.Season != nil:
		err = add(seasonScript(title, c))
		if err == nil && c.Season.PeriodMean.MSE != nil {
			err = add(c.plotScript(title+": mean over the period", &c.Season.PeriodMean))
		}
	default:
		err = add(c.plotScript(title, c.Analysis))
	}
	if a := c.Main(); err == nil && c.Strata == nil && a != nil {
		parts = append(parts, c.modelScript(title, a))
	}
	if err == nil && c.Factorial != nil {
		err = add(factorialScript(title+": factors", c))
	}
	if err != nil {
		return "", fmt.Errorf("no script for R: %w", err)
	}
	return ScriptMark + "\n" + strings.Join(parts, "\n"), nil
}

func headOf(title, response, unit string) rscript.Head {
	return rscript.Head{Title: title, Response: response, Unit: unit}
}

func scaleOf(t stats.Transform) rscript.Scale {
	s := rscript.Scale{Name: string(t.Scale), Nudge: t.Nudge, One: t.One}
	switch t.Kind {
	case stats.Percent:
		s.Whole = 100
	case stats.Proportion:
		s.Whole = 1
	}
	return s
}

func (c Comparison) plotScript(title string, a *stats.Analysis) (string, error) {
	r := rscript.Comparison{Head: headOf(title, a.Response, a.Unit), Scale: scaleOf(a.Transform),
		Method: string(a.Method), Control: a.Control, Side: string(a.Side), Alpha: a.Alpha}
	covariate := map[string]*float64{}
	for _, p := range a.Design.Plots {
		covariate[p.Name] = p.Covariate
	}
	for _, p := range a.Plots {
		x := rscript.Plot{Name: p.Name, Treatment: p.Treatment, Value: p.Value}
		if len(a.Design.Blocks) > 1 {
			x.Block = p.Block
		}
		if len(a.Design.Columns) > 1 {
			x.Column = p.Column
		}
		if a.Covariate != nil {
			x.Covariate = covariate[p.Name]
		}
		r.Plots = append(r.Plots, x)
	}
	if c.Planned != nil {
		for _, q := range c.Planned.Contrasts {
			x := rscript.Contrast{Name: q.Name, Weights: map[string]float64{}}
			for i, w := range q.Coefficients {
				if w != 0 {
					x.Weights[c.Planned.Levels[i]] = w
				}
			}
			r.Contrasts = append(r.Contrasts, x)
		}
	}
	if c.Trend != nil {
		r.Rates = c.rates
	}
	r.Randomised = a.Randomisation != nil
	return rscript.Compare(r)
}

// modelScript writes the generalised linear model behind the means as measured
// and the second opinion, or a remark on why it is not written; "" where there
// is neither.
func (c Comparison) modelScript(title string, a *stats.Analysis) string {
	opinion := cmp.Or(c.CountModel, c.CoverModel)
	response, exposure := a.Standardised()
	if opinion == nil && response == nil {
		return ""
	}
	r := rscript.Counted{Head: headOf(title+": means as measured and second opinion", a.Response, a.Unit), Control: a.Control, Alpha: 1 - a.Confidence}
	quasi := response != nil
	if opinion != nil {
		quasi = opinion.Family == glm.QuasiPoisson || opinion.Family == glm.QuasiBinomial
		r.Permuted = quasi && opinion.Resampled != nil
	}
	remark := func(why string) string {
		return fmt.Sprintf("# The second opinion is not written: %s.\n", why)
	}
	switch {
	case !quasi:
		return remark("a " + string(opinion.Family) + " model with a parametric bootstrap takes more than base R")
	case response == nil:
		return remark("the model had no answer")
	}
	r.Shares = a.Transform.Kind != stats.Count
	covariate := map[string]*float64{}
	for _, p := range a.Design.Plots {
		covariate[p.Name] = p.Covariate
	}
	for i, p := range a.Plots {
		x := rscript.Count{Block: p.Block, Column: p.Column, Treatment: p.Treatment, Count: response[i]}
		if exposure != nil {
			x.Area = exposure[i]
		}
		if a.Covariate != nil {
			x.Covariate = covariate[p.Name]
		}
		r.Plots = append(r.Plots, x)
	}
	text, err := rscript.Counts(r)
	if err != nil {
		return remark(err.Error())
	}
	return text
}

func seasonScript(title string, c Comparison) (string, error) {
	s := c.Season
	r := rscript.Season{Head: headOf(title, s.PeriodMean.Response, s.PeriodMean.Unit), Scale: scaleOf(s.PeriodMean.Transform),
		BlockByVisit: s.InTime == nil || s.InTime.BlockByVisit, Mixed: c.SeasonModel != nil && c.SeasonModel.Refused == "" && (c.SeasonModel.Fit == nil || c.SeasonModel.Fit.Serial == nil)}
	for _, p := range s.Plots {
		for i, d := range p.Days {
			r.Readings = append(r.Readings, rscript.Reading{Plot: p.Name, Block: p.Block, Treatment: p.Treatment, Day: d, Value: p.Values[i]})
		}
	}
	return rscript.Visits(r)
}

func strataScript(title string, s *StrataAnswer) (string, error) {
	return rscript.Split(rscript.Strata{Head: headOf(title, s.Response, s.Unit), Values: s.input.Values, Blocks: s.input.Blocks,
		Whole: rscript.Column(s.input.Whole), Sub: rscript.Column(s.input.Sub), Strip: s.Kind == stats.StripPlot, Balanced: s.Balanced})
}

func factorialScript(title string, c Comparison) (string, error) {
	in := c.Factorial.input
	if len(in.Columns) > 0 || len(in.Covariate) > 0 {
		return "", errors.New("factors in a layout of rows and columns, or with a covariate, are not written")
	}
	f := rscript.Factorial{Head: headOf(title, c.Main().Response, c.Main().Unit), Values: in.Values, Blocks: in.Blocks, Alpha: in.Alpha}
	for _, x := range in.Factors {
		f.Factors = append(f.Factors, rscript.Column(x))
	}
	return rscript.Factors(f)
}

// Script is the analysis of several trials as a script for R.
func (c CombinedAnswer) Script(title string) (string, error) {
	r := rscript.Trials{Head: headOf(title, c.Response, c.Unit), Blocks: len(c.OneBlock) < len(c.Trials), Interaction: c.Interaction.NumDF > 0}
	as := map[string]string{}
	for _, n := range c.input.Names {
		as[n.Name] = n.As
	}
	for _, p := range c.input.Plots {
		if to, ok := as[p.Treatment]; ok {
			p.Treatment = to
		}
		r.Crossed = r.Crossed || p.Place != ""
		r.Plots = append(r.Plots, rscript.TrialPlot{Trial: p.Trial, Block: p.Block, Treatment: p.Treatment, Place: p.Place, Year: p.Year, Value: p.Value})
	}
	text, err := rscript.Combine(r)
	if err != nil {
		return "", fmt.Errorf("no script for R: %w", err)
	}
	return ScriptMark + "\n" + text, nil
}
