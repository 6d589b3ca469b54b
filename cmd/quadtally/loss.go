package main

import (
	"io"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/tables"
)

func lossCommand(a *app) *cobra.Command {
	o := analysis.LossOptions{Yield: "yield"}
	var from, script string
	var decimal tables.Decimal
	var asJSON bool
	c := &cobra.Command{
		Use:  "loss WEEDS [YIELD]",
		Args: takes(1, 2, "a response of weeds, and perhaps the yield"),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			if o.Weeds = args[0]; len(args) > 1 {
				o.Yield = args[1]
			}
			if err := analysis.CheckAlpha(o.Alpha); err != nil {
				return err
			}
			var l analysis.Loss
			if from == "" {
				if err := unused(cmd, "the trial's own values, only with --from", "decimal"); err != nil {
					return err
				}
				err = a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) (err error) {
					l, err = analysis.YieldLoss(snap, o)
					return err
				})
			} else {
				if err := unused(cmd, allRows, "visit", "class"); err != nil {
					return err
				}
				s, e := a.readSheet(from)
				if e != nil {
					return e
				}
				l, err = analysis.YieldLossOfTable(s, o, decimal)
			}
			if err != nil {
				return err
			}
			if err := a.writeScript(script, l.Script); err != nil {
				return err
			}
			return a.show(asJSON, l, func(w io.Writer) error { return report.WriteLoss(w, l, report.TextOptions{Term: a.term}) })
		},
	}
	fl := c.Flags()
	fl.IntVar(&o.Visit, "visit", 0, "the weeds of this visit")
	fl.StringVar(&o.Class, "class", "", "of counts: a class, species, group or life form")
	fl.BoolVar(&o.WeedsSet, "weeds-set", false, "the trial set the weeds of each plot")
	fl.Float64Var(&o.Alpha, "alpha", 0.05, "1 less the confidence of intervals")
	fl.StringVar(&from, "from", "", "take both from a table in a CSV or XLSX `file`, a row a plot")
	decimalFlag(fl, &decimal, "with --from: `point` or comma")
	fl.StringVar(&script, "script", "", "also write it as an R script to this `file`")
	fl.BoolVar(&asJSON, "json", false, "everything as JSON")
	return c
}
