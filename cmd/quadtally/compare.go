package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
)

type compareFlags struct {
	analysis.Options
	table                              tableFlags
	covariate, layout                  string
	factors                            []string
	equivalent, noWorse, margin, worse string
	json, full                         bool
	script                             string
}

func compareCommand(a *app) *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:  "compare RESPONSE",
		Args: takes(1, 1, "one response, such as cover or yield"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.Visit > 0 && f.Season {
				return usagef("--visit and --season exclude each other")
			}
			err := cmp.Or(alone(cmd, "contrasts-by", "contrast"), alone(cmd, "covariate-after", "covariate"))
			if f.table.from == "" {
				err = cmp.Or(err, unused(cmd, "a response of the trial, only with --from", "value", "kind", "decimal"))
			} else {
				err = cmp.Or(err, alone(cmd, "side", "control"), unused(cmd, allRows, "visit", "class"))
			}
			if err != nil {
				return err
			}
			f.DeferSeasonModel = !f.json
			c, partly := a.compared(args[0], &f)
			if partly != nil && !isPartly(partly) {
				return partly
			}
			err = a.printComparison(c, args[0], &f)
			if err == nil {
				a.keepTried(&c)
			}
			return cmp.Or(err, partly)
		},
	}
	fl := c.Flags()
	f.comparing(fl, stats.DefaultOptions().Method)
	fl.BoolVar(&f.Season, "season", false, "over all visits")
	fl.StringVar((*string)(&f.Side), "side", string(stats.BothSides), "comparison with the control: "+list(stats.BothSides, stats.BelowControl, stats.AboveControl))
	fl.StringVar((*string)(&f.Method), "method", string(stats.Tukey), "how pairs are compared: "+list(stats.Methods()...))
	fl.StringVar(&f.covariate, "covariate", "", "adjust for `RESPONSE@VISIT` of each plot, measured before the treatments (with --from: a column)")
	fl.BoolVar(&f.Calibrated, "calibrated", false, "of cover and pieces: carry the image values through the calibration line first")
	fl.StringVar((*string)(&f.Model), "model", "", "second opinion: quasi-poisson or negative-binomial (counts), quasi-binomial or beta (cover), none (default: by the kind of response)")
	fl.BoolVar(&f.Serial, "serial", false, "of a season: let the mixed model correlate the dates of a plot by their true distance (CAR(1))")
	fl.BoolVar(&f.json, "json", false, "the whole analysis as JSON")
	fl.BoolVar(&f.full, "full", false, "the full tables, checks and plots below the answer")
	fl.StringArrayVar(&f.Contrasts, "contrast", nil, "a planned comparison, such as `\"mulches: RYE + VETCH - 2 BARE\"`; repeat for more")
	fl.StringVar((*string)(&f.Together), "contrasts-by", string(stats.ContrastsHolm), "contrasts kept honest by none, holm or scheffe")
	fl.StringVar(&f.equivalent, "equivalent-to", "", "are others within --margin of this `treatment`, both ways?")
	fl.StringVar(&f.noWorse, "no-worse-than", "", "are others at most --margin worse than this `treatment`?")
	fl.StringVar(&f.margin, "margin", "", "stated before looking: `5%` of the treatment's mean, or 2 in the unit of the response")
	fl.StringVar(&f.worse, "worse", "", "which way is worse: above or below (default: by the response)")
	fl.BoolVar(&f.CovariateAfter, "covariate-after", false, "take a covariate measured after the treatments began")
	fl.BoolVar(&f.StepDown, "step-down", false, "Dunnett's test in its step-down form too: shows at least as much, without intervals")
	fl.BoolVar(&f.SecondLooks, "checks", false, "second looks at the residuals: three tests of equal spread, the plot furthest out, the power the values suggest; no answer is changed")
	fl.StringVar(&f.script, "script", "", "also write the comparison as an R script to this `file`")
	fl.StringSliceVar(&f.factors, "factors", nil, "with --from: columns whose combinations are the treatments, `A,B`; with --layout: factors of the plan")
	fl.StringVar(&f.layout, "layout", "", "split-plot or strip-plot, with --factors WHOLE,SUB")
	fl.StringVar(&f.table.Rate, "rate", "", "with --from: the column with the rate of each treatment, for a trend")
	flagGroup(c, "Questions", "checks", "contrast", "contrasts-by", "equivalent-to", "no-worse-than", "margin", "worse", "step-down", "covariate", "covariate-after")
	flagGroup(c, "How it is analysed", "scale", "method", "side", "alpha", "model", "serial", "calibrated")
	flagGroup(c, "Any table", "from", "value", "kind", "decimal", "factors", "layout", "rate")
	return c
}

// comparing makes the flags that power shares with compare.
func (f *compareFlags) comparing(fl *pflag.FlagSet, method stats.Method) {
	f.Method, f.Side = method, stats.BothSides
	fl.IntVar(&f.Visit, "visit", 0, "only this visit")
	fl.StringVar(&f.Control, "control", "", "the treatment others are held against (default: the trial's control)")
	fl.StringVar((*string)(&f.Scale), "scale", "", "scale of the analysis: raw, arcsine_sqrt, logit, sqrt, log1p, log10")
	fl.StringVar(&f.Class, "class", "", "of counts: a class, species, group or life form")
	fl.Float64Var(&f.Alpha, "alpha", 0.05, "significance level")
	fl.StringVar(&f.table.from, "from", "", "take a table in a CSV or XLSX `file` instead of the trial")
	f.table.define(fl, "with --from")
}

// list names what a flag may say.
func list[S ~string](names ...S) string {
	var out []string
	for _, n := range names {
		out = append(out, string(n))
	}
	return strings.Join(out, ", ")
}

// compared makes the comparison that is asked for, of the trial or of a table.
// Rows of a table that cannot be read are named and end as partly done.
func (a *app) compared(name string, f *compareFlags) (c analysis.Comparison, err error) {
	opt, ofTable := f.Options, f.table.from != ""
	opt.Context = a.ctx
	if opt.Margin, err = analysis.ParseMargin(f.equivalent, f.noWorse, f.margin, f.worse); err != nil {
		return c, err
	}
	if opt.Layout, err = analysis.ParseLayout(f.layout, f.factors, ofTable); err != nil {
		return c, err
	}
	if opt.Covariate, err = analysis.ParseCovariate(f.covariate, ofTable); err != nil {
		return c, err
	}
	if !ofTable {
		if opt.LayoutFactors = f.factors; opt.Layout == "" && f.factors != nil || f.table.Rate != "" {
			return c, usagef("--rate and --factors go with --from; rates and factors of a trial stand in its plan")
		}
		err = a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) (err error) {
			c, err = analysis.Compare(snap, name, opt)
			return err
		})
		return c, err
	}
	s, err := a.readSheet(f.table.from)
	if err != nil {
		return c, err
	}
	f.table.Factors = f.factors
	c, faults, err := analysis.CompareTable(s, name, stats.Kind(f.table.kind), f.table.TableColumns, opt)
	partly := a.noteFaults(s, faults)
	return c, cmp.Or(err, partly)
}

func (a *app) printComparison(c analysis.Comparison, name string, f *compareFlags) error {
	if (f.full || f.script != "") && c.Season != nil && c.SeasonModel == nil && f.Model != analysis.NoModel {
		if err := c.AddSeasonModel(a.ctx, f.Serial); err != nil {
			return err
		}
	}
	err := a.writeScript(f.script, func() (string, error) { return c.Script(c.Title(name)) })
	if err != nil {
		return err
	}
	if !f.json && (f.full || c.Strata != nil) { // else they are lines of the one screen
		a.notes("note: ", c.Notes...)
		for _, q := range c.Questions {
			a.note("question: %s", q.Text)
		}
	}
	return a.show(f.json, c, func(w io.Writer) error { return report.WriteAnswer(w, c, report.AnswerOptions(c, a.text(f.full))) })
}

// keepTried stores choices other than the usual, so that they can be counted.
// Where the record cannot be written to, it says so and goes on.
func (a *app) keepTried(c *analysis.Comparison) {
	if c.Standing == nil || len(c.Standing.New) == 0 {
		return
	}
	err := a.withTrial(writing, func(store *record.Store, _ *record.Snapshot) error { return c.KeepTried(a.ctx, store) })
	if err != nil {
		a.note("note: that %s was tried is not counted: %v", strings.Join(c.Standing.New, ", "), err)
	}
}

// writeScript writes a script for R, unless path is "". A file that it did not
// write itself stays as it is.
func (a *app) writeScript(path string, make func() (string, error)) error {
	if path == "" {
		return nil
	}
	text, err := make()
	if err != nil {
		return err
	}
	switch old, err := os.ReadFile(path); {
	case err == nil && !strings.HasPrefix(string(old), analysis.ScriptMark):
		return fmt.Errorf("%s is there already and was not written by quadtally: name another file", path)
	case err != nil && !os.IsNotExist(err):
		return err
	}
	return a.writeTo(path, func(w io.Writer) error { _, err := io.WriteString(w, text); return err })
}
