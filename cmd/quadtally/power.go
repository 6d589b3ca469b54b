package main

import (
	"cmp"
	"io"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
)

type powerFlags struct {
	compare              compareFlags // where the numbers come from a comparison
	numbers              analysis.PowerNumbers
	question             analysis.PowerQuestion
	response, difference string
	variances            analysis.QuadratVariances
	cvPercent            float64
	json, full           bool
}

func powerCommand(a *app) *cobra.Command {
	var f powerFlags
	f.compare.Model = analysis.NoModel
	c := &cobra.Command{
		Use: "power",
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			given := cmd.Flags().Changed
			if (given("treatments") || given("cv") || given("sd")) && (f.response != "" || f.compare.table.from != "") {
				return usagef("give numbers (--treatments, --blocks, --cv or --sd) or a response (--response, --from), not both")
			}
			if f.compare.table.from == "" {
				err = unused(cmd, "the trial's own spread or numbers, only with --from", "value", "kind", "decimal")
				if err == nil && f.response == "" {
					err = unused(cmd, "a spread given in numbers, only with --response", "visit", "class", "scale", "control")
				}
			} else {
				err = unused(cmd, allRows, "visit", "class")
			}
			for _, name := range []string{"most-quadrats", "plot-variance", "quadrat-variance"} {
				err = cmp.Or(err, alone(cmd, name, "minutes-quadrat"))
			}
			if f.response != "" || f.compare.table.from != "" {
				err = cmp.Or(err, unused(cmd, "a spread taken from data", "completely-randomised", "mean"))
			}
			if err != nil {
				return err
			}
			f.numbers.CVFrac, f.numbers.Alpha = f.cvPercent/100, f.compare.Alpha
			if given("plot-variance") || given("quadrat-variance") {
				f.question.Variances = &f.variances
			}
			if f.question.Difference, err = analysis.ParseDifference(f.difference); err != nil {
				return err
			}
			if err := cmp.Or(f.numbers.Validate(), f.question.Validate(f.numbers.Alpha)); err != nil {
				return err
			}
			return a.power(&f)
		},
	}
	fl := c.Flags()
	f.compare.comparing(fl, stats.Tukey)
	fl.StringVar(&f.response, "response", "", "take the spread from this `response` of the trial, or with --from from this column")
	fl.IntVar(&f.numbers.Treatments, "treatments", 0, "number of treatments")
	fl.IntVar(&f.numbers.Blocks, "blocks", 0, "number of blocks (also beside a response: what if there were so many?)")
	fl.BoolVar(&f.numbers.CompletelyRandomised, "completely-randomised", false, "no blocks: --blocks is the number of plots a treatment")
	fl.Float64Var(&f.cvPercent, "cv", 0, "residual standard deviation in `percent` of the mean")
	fl.Float64Var(&f.numbers.SD, "sd", 0, "residual standard deviation in the unit of the response")
	fl.Float64Var(&f.numbers.Mean, "mean", 0, "mean that differences go down from, with --sd or --cv")
	fl.StringVar(&f.difference, "difference", "", "a true difference to ask about: `8` in the unit of the response, or 20% of the mean")
	fl.BoolVar(&f.question.Upward, "upward", false, "differences go up, as for yield (default: up for a yield of the trial, else down)")
	fl.Float64Var(&f.question.Wanted, "power", 0.8, "wanted power")
	fl.Float64Var(&f.question.MinutesPerQuadrat, "minutes-quadrat", 0, "minutes a quadrat takes")
	fl.Float64Var(&f.question.MinutesPerPlot, "minutes-plot", 0, "minutes a plot takes however many quadrats it has")
	fl.Float64Var(&f.variances.Plot, "plot-variance", 0, "variance between plots, where no quadrats are in the data")
	fl.Float64Var(&f.variances.Quadrat, "quadrat-variance", 0, "variance between quadrats of a plot")
	fl.IntVar(&f.question.MostQuadrats, "most-quadrats", 10, "most quadrats a plot has room for")
	fl.BoolVar(&f.json, "json", false, "everything as JSON")
	fl.BoolVar(&f.full, "full", false, "a table by number of blocks too")
	flagGroup(c, "Spread from numbers", "treatments", "blocks", "completely-randomised", "cv", "sd", "mean")
	flagGroup(c, "Spread from data", "response", "visit", "class", "scale", "control", "from", "value", "kind", "decimal")
	flagGroup(c, "How many quadrats", "minutes-quadrat", "minutes-plot", "plot-variance", "quadrat-variance", "most-quadrats")
	return c
}

func (a *app) power(f *powerFlags) error {
	basis, partly := a.powerBasis(f)
	if partly != nil && !isPartly(partly) {
		return partly
	}
	if f.numbers.Blocks > 0 {
		basis.Plan.Blocks = f.numbers.Blocks
	}
	f.question.Upward = f.question.Upward || f.response != "" && analysis.MoreIsBetter(f.response)
	p, err := basis.Power(f.question)
	if err != nil {
		return err
	}
	return cmp.Or(a.show(f.json, p, func(w io.Writer) error { return report.WritePower(w, p, a.text(f.full)) }), partly)
}

// powerBasis takes the spread from a table, from the trial's own comparison or
// from numbers.
func (a *app) powerBasis(f *powerFlags) (analysis.PowerBasis, error) {
	from := f.compare.table.from
	if from != "" || f.response != "" {
		c, partly := a.compared(f.response, &f.compare)
		if partly != nil && !isPartly(partly) {
			return analysis.PowerBasis{}, partly
		}
		basis, err := analysis.BasisOf(c, cmp.Or(from, "the trial's own "+f.response))
		return basis, cmp.Or(err, partly)
	}
	n := f.numbers
	if (n.Treatments == 0 || n.Blocks == 0) && a.inTrial() {
		err := a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) error {
			n = analysis.PowerNumbersOf(snap, n)
			return nil
		})
		if err != nil {
			return analysis.PowerBasis{}, err
		}
		a.note("note: %d treatments and %d blocks, as the trial's plan has them unless you say otherwise", n.Treatments, n.Blocks)
	}
	return analysis.BasisOfNumbers(n)
}
