package main

import (
	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
)

func lossCommand(a *app) *cobra.Command {
	o := analysis.LossOptions{}
	var from, decimal, script string
	var asJSON bool
	c := &cobra.Command{
		Use:   "loss WEEDS [YIELD]",
		Short: "Hold weeds against yield, plot by plot",
		Long: `Relates the weeds of each plot (count, weed-cover, ...) to its yield, blocks
taken out: a straight line, and the rectangular hyperbola of yield loss (Cousens
1985) where the plots can tell it. Where the range of weeds is too small it says
so and gives no curve.

What goes with more weeds need not come from them. Only with --weeds-set, where
the trial itself set the number of weeds in each plot, is it read as their doing.

` + exitHelp,
		Example: `  quadtally loss count --visit 2
  quadtally loss weed-cover yield --visit 3 --json
  quadtally loss weeds yield --from plots.csv --weeds-set`,
		Args: takes(1, 2, "a response of weeds, and perhaps the yield"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Weeds, o.Yield = args[0], "yield"
			if len(args) > 1 {
				o.Yield = args[1]
			}
			if !(o.Alpha > 0 && o.Alpha < 0.5) {
				return usagef("--alpha %v is not between 0 and 0.5", o.Alpha)
			}
			if from == "" {
				return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
					l, err := analysis.YieldLoss(snap, o)
					return a.printLoss(l, err, script, asJSON)
				})
			}
			d, err := decimalOf(decimal)
			if err != nil {
				return err
			}
			s, err := a.readSheet(from)
			if err != nil {
				return err
			}
			l, err := analysis.YieldLossOfTable(s, o, d)
			return a.printLoss(l, err, script, asJSON)
		},
	}
	fl := c.Flags()
	fl.IntVar(&o.Visit, "visit", 0, "the weeds of this visit")
	fl.StringVar(&o.Class, "class", "", "of counts: a class, species, group or life form")
	fl.BoolVar(&o.WeedsSet, "weeds-set", false, "the trial set the weeds of each plot")
	fl.Float64Var(&o.Alpha, "alpha", 0.05, "1 less the confidence of intervals")
	fl.StringVar(&from, "from", "", "take both from a table in a CSV or XLSX `file`, a row a plot")
	fl.StringVar(&decimal, "decimal", "", "with --from: `point` or comma")
	fl.StringVar(&script, "script", "", "also write it as an R script to this `file`")
	fl.BoolVar(&asJSON, "json", false, "everything as JSON")
	return c
}

func (a *app) printLoss(l analysis.Loss, err error, script string, asJSON bool) error {
	if err != nil {
		return err
	}
	if script != "" {
		text, err := l.Script()
		if err == nil {
			err = a.writeScript(script, text)
		}
		if err != nil {
			return err
		}
	}
	if asJSON {
		return a.writeJSON(l)
	}
	return report.WriteLoss(a.out, l, report.TextOptions{Term: a.term})
}
