package main

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/stats"
)

type powerFlags struct {
	compare                        compareFlags // where the numbers come from a comparison
	response, difference           string
	treatments, blocks, most       int
	cv, sd, mean, power            float64
	crd, json                      bool
	minutesQuadrat, minutesPlot    float64
	plotVariance, quadratVariance  float64
	treatmentsGiven, varianceGiven bool
}

func powerCommand(a *app) *cobra.Command {
	f := powerFlags{compare: compareFlags{model: noModel, side: string(stats.BothSides), method: string(stats.Tukey)}}
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

Differences are counted downwards from the control, or from the mean of all.
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
	fl.Float64Var(&f.power, "power", 0.8, "wanted power")
	fl.Float64Var(&f.compare.alpha, "alpha", 0.05, "significance level")
	fl.Float64Var(&f.minutesQuadrat, "minutes-quadrat", 0, "minutes a quadrat takes")
	fl.Float64Var(&f.minutesPlot, "minutes-plot", 0, "minutes a plot takes however many quadrats it has")
	fl.Float64Var(&f.plotVariance, "plot-variance", 0, "variance between plots, where no quadrats are in the data")
	fl.Float64Var(&f.quadratVariance, "quadrat-variance", 0, "variance between quadrats of a plot")
	fl.IntVar(&f.most, "most-quadrats", 10, "most quadrats a plot has room for")
	fl.BoolVar(&f.json, "json", false, "everything as JSON")
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
	var g ground
	var err, faulty error // faulty: rows of a table that could not be read
	switch {
	case f.compare.from != "":
		var c comparison
		if c, faulty = a.tableComparison(f.response, f.compare); faulty != nil && !isPartly(faulty) {
			return faulty
		}
		g, err = groundOf(c, f.compare.from)
	case f.response != "":
		err = a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
			c, err := compareResponse(snap, f.response, f.compare)
			if err != nil {
				return err
			}
			g, err = groundOf(c, "the trial's own "+f.response)
			return err
		})
	default:
		g, err = groundOfNumbers(f)
	}
	if err != nil {
		return err
	}
	if f.blocks > 0 {
		g.plan.Blocks = f.blocks
	}
	p, err := g.power(f)
	if err != nil {
		return err
	}
	if f.json {
		err = a.writeJSON(p)
	} else {
		err = report.WritePower(a.out, p)
	}
	return cmp.Or(err, faulty)
}

// ground is what power is reckoned from.
type ground struct {
	plan      stats.Plan
	from      string
	unit      string
	sd        float64
	transform stats.Transform
	base      float64 // 0: not known
	baseOf    string
	cv        *float64 // percent
	nested    *stats.Subsampling
	warnings  []string
}

func groundOfNumbers(f powerFlags) (ground, error) {
	g := ground{plan: stats.Plan{Treatments: f.treatments, Blocks: f.blocks, CompletelyRandomised: f.crd, Alpha: f.compare.alpha},
		from: "from the numbers given", transform: stats.Transform{Kind: stats.Measure, Scale: stats.Raw}, base: f.mean, baseOf: "the mean given"}
	switch {
	case f.treatments == 0 || f.blocks == 0:
		return g, usagef("give --treatments and --blocks, or a --response of the trial: `quadtally power --help` shows examples")
	case f.cv > 0 && f.sd > 0 && f.mean > 0:
		return g, usagef("--cv, --sd and --mean together say one thing twice: leave one out")
	case f.cv == 0 && f.sd == 0:
		return g, usagef("give the spread: --cv in percent of the mean, or --sd in the unit of the response")
	case f.sd > 0:
		g.sd = f.sd
		if f.cv > 0 {
			g.base, g.baseOf = 100*f.sd/f.cv, "the mean that --sd and --cv imply"
		}
	case f.mean > 0:
		g.sd = f.cv / 100 * f.mean
	default:
		// All in percent of a mean that is not known.
		g.sd, g.base, g.baseOf, g.unit = f.cv, 100, "", "%"
	}
	if g.base > 0 {
		cv := 100 * g.sd / g.base
		g.cv = &cv
	}
	if err := g.plan.Validate(); err != nil {
		return g, usageError{err}
	}
	return g, nil
}

// groundOf takes the spread of a finished comparison.
func groundOf(c comparison, from string) (ground, error) {
	a := c.Analysis
	if c.Season != nil {
		a = &c.Season.PeriodMean
		from += ", mean over the season"
	} else if c.Visit > 0 {
		from += fmt.Sprintf(" at visit %d", c.Visit)
	}
	if a.ResidualSD == nil || *a.ResidualSD <= 0 {
		return ground{}, fmt.Errorf("power needs the spread between plots, and the comparison has none: %s", strings.Join(a.Verdict, "; "))
	}
	d := a.Design
	g := ground{from: "spread from " + from, unit: a.Unit, sd: *a.ResidualSD, transform: a.Transform, cv: a.CVPercent, nested: a.Subsampling,
		plan: stats.Plan{Treatments: len(d.Treatments), Blocks: len(d.Blocks), Alpha: a.Alpha}}
	if d.Kind == stats.CompletelyRandomised {
		g.plan.CompletelyRandomised = true
		g.plan.Blocks = len(a.Plots) / max(1, len(d.Treatments))
	}
	if a.Transform.Scale != stats.Raw {
		g.cv = nil
	}
	g.base, g.baseOf = a.Transform.Back(*a.GrandMean), "the mean of all"
	for _, t := range a.Treatments {
		if t.Treatment == a.Control && t.Back != nil {
			g.base, g.baseOf = *t.Back, "the control "+a.Control
		}
	}
	switch {
	case d.Kind != stats.CompletelyRandomised && d.Kind != stats.CompleteBlocks:
		g.warnings = append(g.warnings, fmt.Sprintf("the layout is not one of complete blocks; its spread is taken, and what follows holds for %d treatments in %d complete blocks", g.plan.Treatments, g.plan.Blocks))
	case len(a.Missing) > 0:
		g.warnings = append(g.warnings, fmt.Sprintf("%s missing: what follows holds for a trial without gaps", plural(len(a.Missing), "plot")))
	}
	return g, nil
}

// below says how far a distance on the scale of the analysis reaches down from
// the base.
func (g ground) below(sds float64) report.Distance {
	d := report.Distance{SD: sds}
	if g.base <= 0 {
		if g.transform.Scale == stats.Raw {
			v := sds * g.sd
			d.Absolute = &v
		}
		return d
	}
	to := g.transform.Forward(g.base) - sds*g.sd
	if g.transform.Kind != stats.Measure && to < g.transform.Forward(0) {
		d.BeyondZero = true
		return d
	}
	absolute := g.base - g.transform.Back(to)
	percent := 100 * absolute / g.base
	d.Percent = &percent
	if g.baseOf != "" {
		d.Absolute = &absolute
	}
	return d
}

// asked turns the words of --difference into a distance.
func (g ground) asked(words string) (report.Distance, error) {
	number, isPercent := strings.CutSuffix(strings.TrimSpace(words), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v > 0) || math.IsInf(v, 0) {
		return report.Distance{}, usagef("--difference %q: write 8 for 8 in the unit of the response, or 20%% for 20 %% of the mean", words)
	}
	var d report.Distance
	switch {
	case isPercent && g.base <= 0:
		return d, usagef("--difference %s: percent of what? Give --mean, or --cv in place of --sd", words)
	case !isPercent && g.baseOf == "" && g.base > 0:
		return d, usagef("--difference %s: with --cv alone no unit is known; write it in percent of the mean, or give --mean", words)
	}
	absolute := v
	if isPercent {
		absolute = v / 100 * g.base
	}
	if g.base <= 0 {
		return report.Distance{SD: absolute / g.sd, Absolute: &absolute}, nil
	}
	to := g.base - absolute
	if to < 0 && (g.transform.Kind != stats.Measure || g.transform.Scale != stats.Raw) {
		return d, usagef("--difference %s is more than all there is (%.4g): nothing can lie that far below %s", words, g.base, g.baseOf)
	}
	percent := 100 * absolute / g.base
	d = report.Distance{SD: (g.transform.Forward(g.base) - g.transform.Forward(to)) / g.sd, Percent: &percent}
	if g.baseOf != "" {
		d.Absolute = &absolute
	}
	return d, nil
}

func (g ground) power(f powerFlags) (report.Power, error) {
	plan := g.plan
	if err := plan.Validate(); err != nil {
		return report.Power{}, err
	}
	_, df := plan.DF()
	p := report.Power{From: g.from, Unit: g.unit, Treatments: plan.Treatments, Blocks: plan.Blocks, CompletelyRandomised: plan.CompletelyRandomised,
		Alpha: plan.Alpha, WantedPower: f.power, SD: g.sd, Scale: g.transform.Scale, CVPercent: g.cv, ResidualDF: int(df), Enough: df >= stats.FewResidualDF,
		Warnings: append(g.warnings, plan.Warnings()...)}
	if g.base > 0 && g.baseOf != "" {
		p.Base, p.BaseOf = &g.base, g.baseOf
	}
	pair, err := plan.DetectablePair(f.power)
	if err != nil {
		return p, err
	}
	overall, err := plan.DetectableDelta(f.power)
	if err != nil {
		return p, err
	}
	p.DetectablePair, p.DetectableF = g.below(pair), g.below(overall)
	first := max(2, plan.Blocks-2)
	for b := first; b < first+8; b++ {
		q := plan
		q.Blocks = b
		d, err := q.DetectablePair(f.power)
		if err != nil {
			return p, err
		}
		_, df := q.DF()
		p.ByBlocks = append(p.ByBlocks, report.PowerBlocks{Blocks: b, ResidualDF: int(df), DetectablePair: g.below(d)})
	}
	if f.difference != "" {
		if p.Asked, err = g.answer(f, &p); err != nil {
			return p, err
		}
	}
	if f.minutesQuadrat > 0 {
		p.Quadrats, err = g.quadrats(f)
	}
	return p, err
}

func (g ground) answer(f powerFlags, p *report.Power) (*report.PowerAsked, error) {
	d, err := g.asked(f.difference)
	if err != nil {
		return nil, err
	}
	a := &report.PowerAsked{Difference: d}
	if a.PowerF, err = g.plan.FPower(d.SD); err != nil {
		return nil, err
	}
	if a.PowerPair, err = g.plan.PairPower(d.SD); err != nil {
		return nil, err
	}
	if a.BlocksNeeded, a.PowerThen, err = g.plan.BlocksNeeded(d.SD, f.power); err != nil {
		p.Warnings = append(p.Warnings, err.Error())
		a.BlocksNeeded, a.PowerThen = 0, 0
	}
	if g.cv != nil && d.Percent != nil {
		// In the unit of the SD, so that the base need not be the mean of all.
		if exact, _, err := stats.BlocksForDifference(1, d.SD, g.plan.Alpha, f.power); err == nil {
			a.FormulaBlocks = &exact
		}
	}
	return a, nil
}

func (g ground) quadrats(f powerFlags) (*report.QuadratsBest, error) {
	plot, quadrat := f.plotVariance, f.quadratVariance
	if !f.varianceGiven {
		if g.nested == nil {
			return nil, usagef("the best number of quadrats needs the variance between quadrats: a response with 2 or more quadrats a plot at one visit, or --plot-variance and --quadrat-variance")
		}
		plot, quadrat = g.nested.VariancePlot, g.nested.VarianceQuadrat
	}
	q := stats.QuadratPlan{PlotVar: plot, QuadratVar: quadrat, MinutesPerPlot: f.minutesPlot, MinutesPerQuadrat: f.minutesQuadrat, Most: f.most}
	best, formula, choices, note, err := q.BestQuadrats()
	if err != nil {
		return nil, err
	}
	return &report.QuadratsBest{PlotVar: plot, QuadratVar: quadrat, MinutesPerPlot: f.minutesPlot, MinutesPerQuadrat: f.minutesQuadrat,
		Best: best, Formula: formula, Choices: choices, Note: note}, nil
}
