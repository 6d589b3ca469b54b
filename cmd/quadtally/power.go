package main

import (
	"cmp"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
)

type powerFlags struct {
	compare                        compareFlags // where the numbers come from a comparison
	response, difference           string
	treatments, blocks, most       int
	cv, sd, mean, power            float64
	crd, json, full, upward        bool
	minutesQuadrat, minutesPlot    float64
	plotVariance, quadratVariance  float64
	treatmentsGiven, varianceGiven bool
}

func powerCommand(a *app) *cobra.Command {
	f := powerFlags{compare: compareFlags{model: string(analysis.NoModel), side: string(stats.BothSides), method: string(stats.Tukey)}}
	c := &cobra.Command{
		Use:   "power",
		Short: "Say what a trial can show, and how many blocks and quadrats it takes",
		Long: `Says what difference between treatments a trial can show, how likely it is to show
a given one, how many blocks that takes, and whether the trial reaches 12
residual degrees of freedom.

The spread comes from the trial's own comparison (--response), from any table
(--from, as in compare), or from numbers: --treatments, --blocks and either --cv
in percent of the mean or --sd in the unit of the response. After a trial, ask
for the difference that would have mattered, not for the one that was found:
power at the observed difference only says the p value again.

Inside a trial its plan gives treatments and blocks. Differences are counted
downwards from the control, or from the mean of all; --upward turns them.
With --minutes-quadrat and --minutes-plot it weighs more quadrats a plot against
the time they take, from the variances between plots and between quadrats.

` + exitHelp,
		Example: `  quadtally power --treatments 5 --blocks 4 --cv 20 --difference 30%
  quadtally power --response cover --visit 3 --difference 10
  quadtally power --from any-table.csv --response cover --minutes-quadrat 4 --minutes-plot 3`,
		RunE: func(cmd *cobra.Command, args []string) error {
			given := cmd.Flags().Changed
			f.treatmentsGiven = given("treatments") || given("cv") || given("sd")
			f.varianceGiven = given("plot-variance") || given("quadrat-variance")
			if f.treatmentsGiven && (f.response != "" || f.compare.from != "") {
				return usagef("give numbers (--treatments, --blocks, --cv or --sd) or a response (--response, --from), not both")
			}
			return a.powerOf(f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.response, "response", "", "take the spread from this `response` of the trial, or with --from from this column")
	fl.IntVar(&f.compare.visit, "visit", 0, "of the response: only this visit")
	fl.StringVar(&f.compare.class, "class", "", "of counts: a class, species, group or life form")
	fl.StringVar(&f.compare.scale, "scale", "", "scale of the analysis, as in compare")
	fl.StringVar(&f.compare.control, "control", "", "the treatment differences go down from (default: the trial's control)")
	fl.StringVar(&f.compare.from, "from", "", "take the spread from a table in a CSV or XLSX `file`")
	fl.StringVar(&f.compare.value, "value", "", "with --from: the column that holds the value")
	fl.StringVar(&f.compare.kind, "kind", "", "with --from: measure, percent, proportion or count")
	fl.StringVar(&f.compare.decimal, "decimal", "", "with --from: `point` or comma")
	fl.IntVar(&f.treatments, "treatments", 0, "number of treatments")
	fl.IntVar(&f.blocks, "blocks", 0, "number of blocks (also beside a response: what if there were so many?)")
	fl.BoolVar(&f.crd, "completely-randomised", false, "no blocks: --blocks is the number of plots a treatment")
	fl.Float64Var(&f.cv, "cv", 0, "residual standard deviation in `percent` of the mean")
	fl.Float64Var(&f.sd, "sd", 0, "residual standard deviation in the unit of the response")
	fl.Float64Var(&f.mean, "mean", 0, "mean that differences go down from, with --sd or --cv")
	fl.StringVar(&f.difference, "difference", "", "a true difference to ask about: `8` in the unit of the response, or 20% of the mean")
	fl.BoolVar(&f.upward, "upward", false, "differences go up, as for yield (default: up for a yield of the trial, else down)")
	fl.Float64Var(&f.power, "power", 0.8, "wanted power")
	fl.Float64Var(&f.compare.alpha, "alpha", 0.05, "significance level")
	fl.Float64Var(&f.minutesQuadrat, "minutes-quadrat", 0, "minutes a quadrat takes")
	fl.Float64Var(&f.minutesPlot, "minutes-plot", 0, "minutes a plot takes however many quadrats it has")
	fl.Float64Var(&f.plotVariance, "plot-variance", 0, "variance between plots, where no quadrats are in the data")
	fl.Float64Var(&f.quadratVariance, "quadrat-variance", 0, "variance between quadrats of a plot")
	fl.IntVar(&f.most, "most-quadrats", 10, "most quadrats a plot has room for")
	fl.BoolVar(&f.json, "json", false, "everything as JSON")
	fl.BoolVar(&f.full, "full", false, "a table by number of blocks too")
	flagGroup(c, "Spread from numbers", "treatments", "blocks", "completely-randomised", "cv", "sd", "mean")
	flagGroup(c, "Spread from data", "response", "visit", "class", "scale", "control", "from", "value", "kind", "decimal")
	flagGroup(c, "How many quadrats", "minutes-quadrat", "minutes-plot", "plot-variance", "quadrat-variance", "most-quadrats")
	return c
}

func (f *powerFlags) validate() error {
	for name, v := range map[string]float64{"cv": f.cv, "sd": f.sd, "mean": f.mean, "minutes-quadrat": f.minutesQuadrat,
		"minutes-plot": f.minutesPlot, "plot-variance": f.plotVariance, "quadrat-variance": f.quadratVariance} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return usagef("--%s %v: need a number from 0", name, v)
		}
	}
	switch {
	case !(f.compare.alpha > 0 && f.compare.alpha < 0.5):
		return usagef("--alpha %v is not between 0 and 0.5", f.compare.alpha)
	case !(f.power > f.compare.alpha && f.power < 1):
		return usagef("--power %v: need a number between the significance level and 1", f.power)
	case f.blocks < 0 || f.blocks > 10000:
		return usagef("--blocks %d: need 2 to 10000", f.blocks)
	case f.minutesPlot > 0 && f.minutesQuadrat == 0:
		return usagef("--minutes-plot needs --minutes-quadrat beside it")
	case f.most < 1 || f.most > 1000:
		return usagef("--most-quadrats %d: need 1 to 1000", f.most)
	}
	return nil
}

func (a *app) powerOf(f powerFlags) error {
	if err := f.validate(); err != nil {
		return err
	}
	var basis analysis.PowerBasis
	var err, faulty error // faulty: rows of a table that could not be read
	switch {
	case f.compare.from != "":
		var c analysis.Comparison
		if c, faulty = a.tableComparison(f.response, f.compare); faulty != nil && !isPartly(faulty) {
			return faulty
		}
		basis, err = analysis.BasisOf(c, f.compare.from)
	case f.response != "":
		err = a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
			opt, err := f.compare.options()
			if err != nil {
				return err
			}
			c, err := analysis.Compare(snap, f.response, opt)
			if err != nil {
				return err
			}
			basis, err = analysis.BasisOf(c, "the trial's own "+f.response)
			return err
		})
	default:
		n := analysis.PowerNumbers{Treatments: f.treatments, Blocks: f.blocks, CompletelyRandomised: f.crd,
			Alpha: f.compare.alpha, CVFrac: f.cv / 100, SD: f.sd, Mean: f.mean}
		if (n.Treatments == 0 || n.Blocks == 0) && a.inTrial() {
			err = a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				n = analysis.PowerNumbersOf(snap, n)
				return nil
			})
			if err != nil {
				return err
			}
			a.note("note: %d treatments and %d blocks, as the trial's plan has them unless you say otherwise", n.Treatments, n.Blocks)
		}
		basis, err = analysis.BasisOfNumbers(n)
	}
	if err != nil {
		return err
	}
	if f.blocks > 0 {
		basis.Plan.Blocks = f.blocks
	}
	if !f.upward && f.response != "" && analysis.MoreIsBetter(f.response) {
		f.upward = true
	}
	question, err := f.question()
	if err != nil {
		return err
	}
	p, err := basis.Power(question)
	if err != nil {
		return err
	}
	if f.json {
		err = a.writeJSON(p)
	} else {
		err = report.WritePower(a.out, p, report.TextOptions{Short: !f.full, Term: a.term})
	}
	return cmp.Or(err, faulty)
}

func (f *powerFlags) question() (analysis.PowerQuestion, error) {
	q := analysis.PowerQuestion{Wanted: f.power, Upward: f.upward, MinutesPerQuadrat: f.minutesQuadrat, MinutesPerPlot: f.minutesPlot, MostQuadrats: f.most}
	if f.varianceGiven {
		q.Variances = &analysis.QuadratVariances{Plot: f.plotVariance, Quadrat: f.quadratVariance}
	}
	if f.difference == "" {
		return q, nil
	}
	number, ofMean := strings.CutSuffix(strings.TrimSpace(f.difference), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v > 0) || math.IsInf(v, 0) {
		return q, usagef("--difference %q: write 8 for 8 in the unit of the response, or 20%% for 20 %% of the mean", f.difference)
	}
	if ofMean {
		v /= 100
	}
	q.Difference = &analysis.Difference{Value: v, OfMean: ofMean}
	return q, nil
}
