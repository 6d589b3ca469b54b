package main

import (
	"cmp"
	"errors"
	"io"
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
}

func compareCommand(a *app) *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:   "compare RESPONSE",
		Short: "Compare the treatments, block by block",
		Long: `Compares the treatments on one response: green-cover (or cover: everything
green), weed-cover, pieces, count, hand-cover, yield, cull, stand, or any other
assessment by its name. Quadrats are averaged to their plot first: the plot is
the replicate, the quadrat is not.

The analysis follows the layout (blocks, Latin square, incomplete blocks) and
what is missing from it. Means are adjusted for blocks; pairs are compared by
Tukey's method unless you say otherwise; treatments that share a letter are not
shown to differ, which does not mean that they are the same. The scale of the
analysis is fixed by the kind of response (counts: square root of x + 0.5; cover
and yields: as they are) and never chosen by its outcome.

Without --visit, a response with several visits is compared over the season (the
mean over the period and the area under the curve of each plot, by the true
dates).

Under the comparison stands a second opinion: the same question asked with a
model for what the data are (counts: quasi-Poisson with the area as offset;
cover: quasi-binomial on plot means; a season: a mixed model of treatment by
date). It is fixed by the kind of response, or by --model, never by its outcome.

With --calibrated, image values are first carried through the line of the
trial's own pairs of hand and photo, and the line's uncertainty is carried
through the comparison; without it the values are as the photos gave them.

With --from, any table will do: columns treatment, block (or none, for a
completely randomised trial), plot, quadrat, day or date where there are visits,
and the value.

` + exitHelp,
		Example: `  quadtally compare cover
  quadtally compare count --class grass --visit 3
  quadtally compare yield --json
  quadtally compare cover --visit 3 --calibrated
  quadtally compare count --model negative-binomial --visit 2
  quadtally compare cover --from any-table.csv --control BARE`,
		Args: takes(1, 1, "one response, such as cover or yield"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.visit > 0 && f.season {
				return usagef("--visit and --season exclude each other")
			}
			if f.from != "" {
				if f.calibrated {
					return usagef("--calibrated needs the trial's own pairs of hand and photo; it does not go with --from")
				}
				return a.compareTable(args[0], f)
			}
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				opt, err := f.options()
				if err != nil {
					return err
				}
				opt.DeferSeasonModel, opt.Context = !f.json, a.ctx
				c, err := analysis.Compare(snap, args[0], opt)
				if err != nil {
					return err
				}
				return a.printComparison(c, f)
			})
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
		Model: analysis.Model(f.model), Serial: f.serial}
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

func (a *app) printComparison(c analysis.Comparison, f compareFlags) error {
	if f.json {
		return a.writeJSON(c)
	}
	for _, n := range c.Notes {
		a.note("note: %s", n)
	}
	opt := report.TextOptions{Short: !f.full, Weeds: c.Role == analysis.Weeds, Holds: c.Holds}
	if err := writeComparison(a.out, c, opt); err != nil {
		return err
	}
	if c.Season != nil && c.SeasonModel == nil && analysis.Model(f.model) != analysis.NoModel {
		a.flush() // the model of a large season takes seconds: what is known is shown first
		c.AddSeasonModel(f.serial)
		return report.WriteSeasonModel(a.out, *c.SeasonModel, opt)
	}
	return nil
}

// writeComparison writes a comparison with what was done to its values before
// and the second opinions after it.
func writeComparison(w io.Writer, c analysis.Comparison, opt report.TextOptions) error {
	var err error
	if len(c.Checked) > 0 {
		err = report.WriteChecked(w, c.Checked)
	}
	if c.Calibrated != nil {
		err = report.WriteCalibrated(w, *c.Calibrated)
	}
	if c.Season != nil {
		err = errors.Join(err, report.WriteSeason(w, *c.Season, opt))
	} else {
		err = errors.Join(err, report.WriteComparison(w, *c.Analysis, opt))
	}
	for _, m := range []*analysis.ShareOrCountModel{c.CountModel, c.CoverModel} {
		if m != nil {
			err = errors.Join(err, report.WriteModel(w, *m, opt))
		}
	}
	if c.SeasonModel != nil {
		err = errors.Join(err, report.WriteSeasonModel(w, *c.SeasonModel, opt))
	}
	if c.Components != nil && !opt.Short {
		err = errors.Join(err, report.WriteComponents(w, *c.Components))
	}
	return err
}

// compareTable compares a table from anywhere and prints it.
func (a *app) compareTable(name string, f compareFlags) error {
	c, err := a.tableComparison(name, f)
	if err != nil && !isPartly(err) {
		return err
	}
	return cmp.Or(a.printComparison(c, f), err)
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
	rows, faults, err := analysis.RowsFromTable(s, name, analysis.TableColumns{Value: f.value, Covariate: f.covariate, Decimal: decimal})
	if err != nil {
		return analysis.Comparison{}, err
	}
	for _, x := range faults {
		a.note("%s", s.FaultText(x))
	}
	c, err := analysis.CompareRows(rows, name, cmp.Or(stats.Kind(f.kind), analysis.KindByName(name)), opt)
	if err == nil && len(faults) > 0 {
		err = partly{len(faults)}
	}
	return c, err
}
