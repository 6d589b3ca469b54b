package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
)

type compareFlags struct {
	visit                               int
	season                              bool
	control, scale, method, class, kind string
	covariate, from, value, side        string
	json, full, calibrated, serial      bool
	model                               string
	alpha                               float64
	decimal                             string
	contrasts, factors                  []string
	together, rate, layout              string
	equivalent, noWorse, margin, worse  string
	covariateAfter, stepDown            bool
	script                              string
}

func compareCommand(a *app) *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:   "compare RESPONSE",
		Short: "Compare the treatments, block by block",
		Long: `Compares the treatments on one response: green-cover (or cover: everything
green), weed-cover, pieces, count, hand-cover, yield, or any other assessment by
its name. Quadrats are averaged to their plot first: the plot is the replicate.
The analysis follows the layout and what is missing from it. Treatments that
share a letter are not shown to differ, which does not mean they are the same.
Scale and second opinion are fixed by the kind of response, never by outcome.
Several visits without --visit are compared over the season, by the true dates.

Contrasts, rates and factors of the plan are answered too. With --from, any
table will do: treatment, block (none if completely randomised), plot, quadrat,
day or date where there are visits, and the value.

` + exitHelp,
		Example: `  quadtally compare count --class grass --visit 3
  quadtally compare yield --contrast "mulches: RYE + VETCH - 2 BARE" --json
  quadtally compare yield --no-worse-than HOED --margin 5%
  quadtally compare yield --from any.csv --factors water,variety --layout split-plot`,
		Args: takes(1, 1, "one response, such as cover or yield"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.visit > 0 && f.season {
				return usagef("--visit and --season exclude each other")
			}
			if f.from == "" {
				if err := unused(cmd, "a response of the trial, only with --from", []string{"value", "kind", "decimal"}); err != nil {
					return err
				}
			}
			if f.from != "" {
				if f.calibrated {
					return usagef("--calibrated needs the trial's own pairs of hand and photo; it does not go with --from")
				}
				return a.compareTable(args[0], f)
			}
			opt, err := f.options()
			if err != nil {
				return err
			}
			var c analysis.Comparison
			err = a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				opt.DeferSeasonModel, opt.Context = !f.json, a.ctx
				if c, err = analysis.Compare(snap, args[0], opt); err != nil {
					return err
				}
				return a.printComparison(c, args[0], f)
			})
			if err == nil {
				a.keepTried(c)
			}
			return err
		},
	}
	fl := c.Flags()
	fl.IntVar(&f.visit, "visit", 0, "only this visit")
	fl.BoolVar(&f.season, "season", false, "over all visits")
	fl.StringVar(&f.control, "control", "", "the treatment others are held against (default: the trial's control)")
	fl.StringVar(&f.scale, "scale", "", "scale of the analysis: raw, arcsine_sqrt, logit, sqrt, log1p, log10")
	fl.StringVar(&f.method, "method", string(stats.Tukey), "how pairs are compared: "+methodNames())
	fl.StringVar(&f.side, "side", string(stats.BothSides), "comparison with the control: "+strings.Join([]string{string(stats.BothSides), string(stats.BelowControl), string(stats.AboveControl)}, ", "))
	fl.StringVar(&f.class, "class", "", "of counts: a class, species, group or life form")
	fl.StringVar(&f.covariate, "covariate", "", "adjust for `RESPONSE@VISIT` of each plot, measured before the treatments (with --from: a column)")
	fl.Float64Var(&f.alpha, "alpha", 0.05, "significance level")
	fl.BoolVar(&f.calibrated, "calibrated", false, "of cover and pieces: carry the image values through the calibration line first")
	fl.StringVar(&f.model, "model", "", "second opinion: quasi-poisson or negative-binomial (counts), quasi-binomial or beta (cover), none (default: by the kind of response)")
	fl.BoolVar(&f.serial, "serial", false, "of a season: let the mixed model correlate the dates of a plot by their true distance (CAR(1))")
	fl.BoolVar(&f.json, "json", false, "the whole analysis as JSON")
	fl.BoolVar(&f.full, "full", false, "the full tables, checks and plots below the answer")
	fl.StringVar(&f.from, "from", "", "compare a table in a CSV or XLSX `file` instead of the trial")
	fl.StringVar(&f.value, "value", "", "with --from: the column that holds the value (default: named like RESPONSE)")
	fl.StringVar(&f.kind, "kind", "", "with --from: measure, percent, proportion or count (default: by the response's name)")
	fl.StringVar(&f.decimal, "decimal", "", "with --from: `point` or comma")
	fl.StringArrayVar(&f.contrasts, "contrast", nil, "a planned comparison, such as `\"mulches: RYE + VETCH - 2 BARE\"`; repeat for more")
	fl.StringVar(&f.together, "contrasts-by", string(stats.ContrastsHolm), "contrasts kept honest by none, holm or scheffe")
	fl.StringVar(&f.equivalent, "equivalent-to", "", "are others within --margin of this `treatment`, both ways?")
	fl.StringVar(&f.noWorse, "no-worse-than", "", "are others at most --margin worse than this `treatment`?")
	fl.StringVar(&f.margin, "margin", "", "stated before looking: `5%` of the treatment's mean, or 2 in the unit of the response")
	fl.StringVar(&f.worse, "worse", "", "which way is worse: above or below (default: by the response)")
	fl.BoolVar(&f.covariateAfter, "covariate-after", false, "take a covariate measured after the treatments began")
	fl.BoolVar(&f.stepDown, "step-down", false, "Dunnett's test in its step-down form too: shows at least as much, without intervals")
	fl.StringVar(&f.script, "script", "", "also write the comparison as an R script to this `file`")
	fl.StringSliceVar(&f.factors, "factors", nil, "with --from: columns whose combinations are the treatments, `A,B`; with --layout: factors of the plan")
	fl.StringVar(&f.layout, "layout", "", "split-plot or strip-plot, with --factors WHOLE,SUB")
	fl.StringVar(&f.rate, "rate", "", "with --from: the column with the rate of each treatment, for a trend")
	flagGroup(c, "Questions", "contrast", "contrasts-by", "equivalent-to", "no-worse-than", "margin", "worse", "step-down", "covariate", "covariate-after")
	flagGroup(c, "How it is analysed", "scale", "method", "side", "alpha", "model", "serial", "calibrated")
	flagGroup(c, "Any table", "from", "value", "kind", "decimal", "factors", "layout", "rate")
	return c
}

func methodNames() string {
	var names []string
	for _, m := range stats.Methods() {
		names = append(names, string(m))
	}
	return strings.Join(names, ", ")
}

// options turns the flags into the options of a comparison.
func (f *compareFlags) options() (analysis.Options, error) {
	opt := analysis.Options{Visit: f.visit, Season: f.season, Class: f.class, Control: f.control, Scale: stats.Scale(f.scale),
		Method: stats.Method(f.method), Side: stats.Side(f.side), Alpha: f.alpha, Calibrated: f.calibrated,
		Model: analysis.Model(f.model), Serial: f.serial, CovariateAfter: f.covariateAfter}
	opt.StepDown = f.stepDown
	opt.Contrasts, opt.Together = f.contrasts, stats.ContrastAdjustment(f.together)
	var err error
	if opt.Margin, err = f.marginAsked(); err != nil {
		return opt, err
	}
	if opt.Layout, err = f.layoutAsked(); err != nil {
		return opt, err
	}
	if f.from == "" && opt.Layout != "" {
		opt.LayoutFactors = f.factors
	} else if f.from == "" && (f.rate != "" || f.factors != nil) {
		return opt, usagef("--rate and --factors go with --from; rates and factors of a trial stand in its plan")
	}
	if f.covariate == "" {
		return opt, nil
	}
	opt.Covariate = &analysis.Covariate{Response: f.covariate}
	if name, at, ok := strings.Cut(f.covariate, "@"); ok && f.from == "" {
		visit, err := strconv.Atoi(at)
		if err != nil || visit < 1 {
			return opt, usagef("--covariate %q: write it as RESPONSE@VISIT, such as cover@1", f.covariate)
		}
		opt.Covariate = &analysis.Covariate{Response: name, Visit: visit}
	}
	return opt, nil
}

// marginAsked is the question of a margin, nil for none.
func (f *compareFlags) marginAsked() (*analysis.Margin, error) {
	m := analysis.Margin{Reference: f.equivalent, OneSided: f.noWorse != ""}
	switch {
	case f.equivalent == "" && f.noWorse == "" && f.margin == "" && f.worse == "":
		return nil, nil
	case (f.equivalent == "") == (f.noWorse == ""):
		return nil, usagef("a margin is asked about with one of --equivalent-to TREATMENT and --no-worse-than TREATMENT")
	case f.margin == "":
		return nil, usagef("--margin is missing: state it before you look, such as --margin 5%% or --margin 2")
	case m.OneSided:
		m.Reference = f.noWorse
	}
	switch f.worse {
	case "":
	case "above":
		m.Worse = stats.AboveControl
	case "below":
		m.Worse = stats.BelowControl
	default:
		return nil, usagef("--worse %q: say above or below", f.worse)
	}
	number, relative := strings.CutSuffix(strings.TrimSpace(f.margin), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v > 0) || v > 1e15 {
		return nil, usagef("--margin %q: write 5%% for 5 %% of the treatment's mean, or 2 for 2 in the unit of the response", f.margin)
	}
	if m.By, m.Relative = v, relative; relative {
		m.By /= 100
	}
	return &m, nil
}

func (f *compareFlags) layoutAsked() (stats.StrataKind, error) {
	switch f.layout {
	case "":
		return "", nil
	case "split-plot", "strip-plot":
		if len(f.factors) != 2 && (f.from != "" || f.factors != nil) {
			return "", usagef("--layout %s goes with --factors WHOLE,SUB", f.layout)
		}
		return stats.StrataKind(strings.ReplaceAll(f.layout, "-", "_")), nil
	}
	return "", usagef("--layout %q: say split-plot or strip-plot", f.layout)
}

func (a *app) printComparison(c analysis.Comparison, name string, f compareFlags) error {
	if f.script != "" {
		if c.Season != nil && c.SeasonModel == nil && analysis.Model(f.model) != analysis.NoModel {
			if err := c.AddSeasonModel(a.ctx, f.serial); err != nil {
				return err
			}
		}
		text, err := c.Script(scriptTitle(name, c))
		if err != nil {
			return err
		}
		if err := a.writeScript(f.script, text); err != nil {
			return err
		}
	}
	if f.json {
		return a.writeJSON(c)
	}
	if f.full || c.Strata != nil { // else they are lines of the one screen
		for _, n := range c.Notes {
			a.note("note: %s", n)
		}
		for _, q := range c.Questions {
			a.note("question: %s", q.Text)
		}
	}
	if f.full && c.Season != nil && c.SeasonModel == nil && analysis.Model(f.model) != analysis.NoModel {
		if err := c.AddSeasonModel(a.ctx, f.serial); err != nil {
			return err
		}
	}
	return report.WriteAnswer(a.out, c, report.TextOptions{Short: !f.full, Weeds: c.Role == analysis.Weeds, More: c.Role == analysis.Crop, Holds: c.Holds, Term: a.term})
}

// keepTried stores choices other than the usual, so that they can be counted.
// Where the record cannot be written to, it says so and goes on.
func (a *app) keepTried(c analysis.Comparison) {
	if c.Standing == nil || len(c.Standing.New) == 0 {
		return
	}
	store, err := a.openToWrite()
	if err == nil {
		defer store.Close()
		_, err = store.WriteAs(a.ctx, record.EntryDerived, "compare", strings.Join(c.Standing.New, ", "), func(w *record.Tx) error {
			for _, choice := range c.Standing.New {
				if _, err := w.Decide(analysis.TriedSubject(c.Response, c.Class, choice), record.KindTried, analysis.Tried{Choice: choice}); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err != nil {
		a.note("note: that %s was tried is not counted: %v", strings.Join(c.Standing.New, ", "), err)
	}
}

func scriptTitle(name string, c analysis.Comparison) string {
	title := strings.TrimSpace(name + " " + c.Class)
	if c.Visit > 0 {
		title += ", visit " + strconv.Itoa(c.Visit)
	}
	return title
}

// writeScript writes a script for R. A file that it did not write itself stays
// as it is.
func (a *app) writeScript(path, text string) error {
	switch old, err := os.ReadFile(path); {
	case err == nil && !strings.HasPrefix(string(old), analysis.ScriptMark):
		return fmt.Errorf("%s is there already and was not written by quadtally: name another file", path)
	case err != nil && !errors.Is(err, os.ErrNotExist):
		return err
	}
	return a.writeTo(path, writeBytes([]byte(text)))
}

// compareTable compares a table from anywhere and prints it.
func (a *app) compareTable(name string, f compareFlags) error {
	c, err := a.tableComparison(name, f)
	if err != nil && !isPartly(err) {
		return err
	}
	return cmp.Or(a.printComparison(c, name, f), err)
}

// tableComparison compares a table from anywhere. Rows that could not be read
// are named and counted in an error of type partly; the comparison stands.
func (a *app) tableComparison(name string, f compareFlags) (analysis.Comparison, error) {
	opt, err := f.options()
	if err != nil {
		return analysis.Comparison{}, err
	}
	opt.DeferSeasonModel, opt.Context = !f.json, a.ctx
	decimal, err := decimalOf(f.decimal)
	if err != nil {
		return analysis.Comparison{}, err
	}
	s, err := a.readSheet(f.from)
	if err != nil {
		return analysis.Comparison{}, err
	}
	t, err := analysis.ReadTable(s, name, analysis.TableColumns{Value: f.value, Covariate: f.covariate, Rate: f.rate, Factors: f.factors, Decimal: decimal})
	if err != nil {
		return analysis.Comparison{}, err
	}
	for _, x := range t.Faults {
		a.note("%s", s.FaultText(x))
	}
	opt.Rates, opt.Factors = t.Rates, t.Factors
	c, err := analysis.CompareRows(t.Rows, name, cmp.Or(stats.Kind(f.kind), analysis.KindByName(name)), opt)
	if err != nil {
		return c, err
	}
	c.Notes = append(c.Notes, t.Notes...)
	if len(t.Unused) > 0 {
		c.Notes = append(c.Notes, "columns that were not used: "+strings.Join(t.Unused, ", "))
	}
	if f.covariate != "" {
		c.Notes = append(c.Notes, "that "+f.covariate+" was measured before the treatments is taken on your word")
	}
	if len(t.Faults) > 0 {
		err = partly{len(t.Faults)}
	}
	return c, err
}
