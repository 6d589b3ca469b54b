package analysis

import (
	"fmt"
	"math"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/stats"
)

// Power is what a trial of a given size can show. Lengths of differences are
// in residual standard deviations (SD) and, where a mean is known, in the unit
// of the response and as percent of Base.
type Power struct {
	From                 string     `json:"from"` // where the numbers come from
	Unit                 string     `json:"unit,omitempty"`
	Kind                 stats.Kind `json:"kind,omitempty"` // of the response; "" for plain numbers
	Treatments           int        `json:"treatments"`
	Blocks               int        `json:"blocks"` // or plots a treatment
	CompletelyRandomised bool       `json:"completely_randomised"`
	Alpha                float64    `json:"alpha"`
	WantedPower          float64    `json:"wanted_power"`
	// SD is the residual standard deviation on Scale; Base is the mean that
	// differences go down from, the control's where there is one.
	SD         float64     `json:"sd"`
	Scale      stats.Scale `json:"scale"`
	Base       *float64    `json:"base,omitempty"`
	BaseOf     string      `json:"base_of,omitempty"`
	CVPercent  *float64    `json:"cv_percent,omitempty"`
	ResidualDF int         `json:"residual_df"`
	Enough     bool        `json:"residual_df_enough"` // stats.FewResidualDF reached

	// DetectablePair is the smallest difference a t test of one planned pair
	// shows with the wanted power; DetectableTukey that of a pair among all
	// pairs, DetectableDunnett that of a treatment among all held against the
	// control, and DetectableF that of the two most different treatments by the
	// overall F test.
	DetectablePair    Distance `json:"detectable_pair"`
	DetectableTukey   Distance `json:"detectable_tukey"`
	DetectableDunnett Distance `json:"detectable_dunnett"`
	DetectableF       Distance `json:"detectable_f"`
	Upward            bool     `json:"upward,omitempty"`

	Asked    *PowerAsked   `json:"asked,omitempty"`
	ByBlocks []PowerBlocks `json:"by_blocks"`
	Quadrats *QuadratsBest `json:"quadrats,omitempty"`
	Warnings []string      `json:"warnings,omitempty"`
}

// Distance is a difference from Base downwards, or upwards where that is asked
// for. BeyondZero says that nothing but a mean below zero, or above a whole,
// would be that far away.
type Distance struct {
	SD         float64  `json:"sd"`
	Absolute   *float64 `json:"absolute,omitempty"`
	Percent    *float64 `json:"percent,omitempty"`
	BeyondZero bool     `json:"beyond_zero,omitempty"`
}

// PowerAsked answers for one difference. FormulaBlocks is the planning formula
// of known variance (stats.BlocksForDifference), nil where no mean is known.
type PowerAsked struct {
	Difference    Distance `json:"difference"`
	PowerF        float64  `json:"power_f"`
	PowerPair     float64  `json:"power_pair"`
	PowerTukey    float64  `json:"power_tukey"`
	PowerDunnett  float64  `json:"power_dunnett"`
	BlocksTukey   int      `json:"blocks_needed_tukey,omitempty"`
	BlocksDunnett int      `json:"blocks_needed_dunnett,omitempty"`
	BlocksNeeded  int      `json:"blocks_needed,omitempty"`
	PowerThen     float64  `json:"power_then,omitempty"`
	FormulaBlocks *float64 `json:"formula_blocks,omitempty"`
}

// PowerBlocks is what a number of blocks would see.
type PowerBlocks struct {
	Blocks            int      `json:"blocks"`
	ResidualDF        int      `json:"residual_df"`
	DetectablePair    Distance `json:"detectable_pair"`
	DetectableTukey   Distance `json:"detectable_tukey"`
	DetectableDunnett Distance `json:"detectable_dunnett"`
}

// QuadratsBest weighs quadrats against the minutes they take.
type QuadratsBest struct {
	PlotVar           float64               `json:"plot_variance"`
	QuadratVar        float64               `json:"quadrat_variance"`
	MinutesPerPlot    float64               `json:"minutes_per_plot"`
	MinutesPerQuadrat float64               `json:"minutes_per_quadrat"`
	Best              int                   `json:"best"`
	Formula           float64               `json:"formula"` // 0 where plots do not vary
	Choices           []stats.QuadratChoice `json:"choices"`
	Note              string                `json:"note,omitempty"`
}

// Difference is a true difference that is asked about: in the unit of the
// response, or as a fraction of the mean it goes down from.
type Difference struct {
	Value  float64
	OfMean bool
}

func (d Difference) String() string {
	if d.OfMean {
		return fmt.Sprintf("%.12g%%", 100*d.Value)
	}
	return fmt.Sprintf("%.12g", d.Value)
}

// PowerQuestion is what is asked of a [PowerBasis].
type PowerQuestion struct {
	Wanted     float64     // power, such as 0.8
	Difference *Difference // nil asks about none
	// Upward takes differences up from the base, as for yield.
	Upward bool
	// MinutesPerQuadrat above 0 asks for the best number of quadrats, up to
	// MostQuadrats.
	MinutesPerQuadrat, MinutesPerPlot float64
	MostQuadrats                      int
	// Variances replace those of the data, nil takes the data's.
	Variances *QuadratVariances
}

// QuadratVariances are the variances between plots and between quadrats of a
// plot, in squared units of the response.
type QuadratVariances struct{ Plot, Quadrat float64 }

// PowerNumbers is a spread that is stated, not taken from data. CVFrac is the
// residual standard deviation as a fraction of the mean; 0 is not stated.
type PowerNumbers struct {
	Treatments, Blocks   int
	CompletelyRandomised bool
	Alpha                float64
	CVFrac, SD, Mean     float64
}

// PowerBasis is the spread that power is worked out from, and the trial it is
// worked out for. Plan may be changed before asking.
type PowerBasis struct {
	Plan stats.Plan

	from      string
	unit      string
	sd        float64
	transform stats.Transform
	base      float64 // mean that differences go down from; 0 not known
	baseIs    baseKind
	baseOf    string   // in words
	cv        *float64 // percent
	nested    *stats.Subsampling
	warnings  []string
	upward    bool
}

// baseKind says whether the base is a mean of the response or stands for 100 %
// of one that is not known.
type baseKind bool

const (
	baseIsMean    baseKind = false
	baseIsHundred baseKind = true
)

// BasisOfNumbers takes a spread that is stated.
func BasisOfNumbers(f PowerNumbers) (PowerBasis, error) {
	g := PowerBasis{Plan: stats.Plan{Treatments: f.Treatments, Blocks: f.Blocks, CompletelyRandomised: f.CompletelyRandomised, Alpha: f.Alpha},
		from: "from the numbers given", transform: stats.Transform{Kind: stats.Measure, Scale: stats.Raw}, base: f.Mean, baseOf: "the mean given"}
	switch {
	case f.Treatments == 0 || f.Blocks == 0:
		return g, misuse("give --treatments and --blocks, or a --response of the trial: `quadtally power --help` shows examples")
	case f.CVFrac > 0 && f.SD > 0 && f.Mean > 0:
		return g, misuse("--cv, --sd and --mean together say one thing twice: leave one out")
	case f.CVFrac == 0 && f.SD == 0:
		return g, misuse("give the spread: --cv in percent of the mean, or --sd in the unit of the response")
	case f.SD > 0:
		g.sd = f.SD
		if f.CVFrac > 0 {
			g.base, g.baseOf = f.SD/f.CVFrac, "the mean that --sd and --cv imply"
		}
	case f.Mean > 0:
		g.sd = f.CVFrac * f.Mean
	default:
		g.sd, g.base, g.baseIs, g.baseOf, g.unit = 100*f.CVFrac, 100, baseIsHundred, "", "%"
	}
	if g.base > 0 {
		cv := 100 * g.sd / g.base
		g.cv = &cv
	}
	if err := g.Plan.Validate(); err != nil {
		return g, UsageError{err}
	}
	return g, nil
}

// PowerNumbersOf fills in treatments, blocks and the control's place from a
// trial's plan where they are not stated.
func PowerNumbersOf(snap *record.Snapshot, f PowerNumbers) PowerNumbers {
	t := &snap.Trial
	if f.Treatments == 0 {
		f.Treatments = len(t.Treatments)
	}
	if f.Blocks == 0 {
		f.Blocks = t.Blocks
		f.CompletelyRandomised = f.CompletelyRandomised || t.Design == trial.CompletelyRandomised
	}
	return f
}

// BasisOf takes the spread of a finished comparison; from says in words whose.
func BasisOf(c Comparison, from string) (PowerBasis, error) {
	a := c.Main()
	if c.Season != nil {
		from += ", mean over the season"
	} else if c.Visit > 0 {
		from += fmt.Sprintf(" at visit %d", c.Visit)
	}
	if a.ResidualSD == nil || *a.ResidualSD <= 0 {
		return PowerBasis{}, fmt.Errorf("power needs the spread between plots, and the comparison has none: %s", strings.Join(a.Verdict, "; "))
	}
	d := a.Design
	g := PowerBasis{from: "spread from " + from, unit: a.Unit, sd: *a.ResidualSD, transform: a.Transform, cv: a.CVPercent, nested: a.Subsampling,
		Plan: stats.Plan{Treatments: len(d.Treatments), Blocks: len(d.Blocks) - len(d.Empty), Alpha: a.Alpha}}
	if d.Kind == stats.CompletelyRandomised {
		g.Plan.CompletelyRandomised = true
		g.Plan.Blocks = len(a.Plots) / max(1, len(d.Treatments))
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
		g.warnings = append(g.warnings, fmt.Sprintf("the layout is not one of complete blocks; its spread is taken, and what follows holds for %d treatments in %d complete blocks", g.Plan.Treatments, g.Plan.Blocks))
	case len(a.Missing) > 0:
		g.warnings = append(g.warnings, fmt.Sprintf("%s missing: what follows holds for a trial without gaps", wording.Plural(len(a.Missing), "plot")))
	}
	return g, nil
}

// below expresses a distance of so many residual standard deviations, on the
// scale of the analysis, in the unit of the response and in percent, downwards
// from the base.
func (g PowerBasis) below(sds float64) Distance {
	d := Distance{SD: sds}
	if g.upward {
		return g.above(d)
	}
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
	if g.baseIs == baseIsMean {
		d.Absolute = &absolute
	}
	return d
}

// above is below, upwards.
func (g PowerBasis) above(d Distance) Distance {
	if g.base <= 0 {
		if g.transform.Scale == stats.Raw {
			v := d.SD * g.sd
			d.Absolute = &v
		}
		return d
	}
	to := g.transform.Forward(g.base) + d.SD*g.sd
	whole := map[stats.Kind]float64{stats.Percent: 100, stats.Proportion: 1}[g.transform.Kind]
	if whole > 0 && (to > g.transform.Forward(whole) || g.transform.Scale == stats.Raw && to > whole) {
		d.BeyondZero = true
		return d
	}
	absolute := g.transform.Back(to) - g.base
	percent := 100 * absolute / g.base
	d.Percent = &percent
	if g.baseIs == baseIsMean {
		d.Absolute = &absolute
	}
	return d
}

// asked turns a difference that is asked about into a distance.
func (g PowerBasis) asked(q Difference) (Distance, error) {
	var d Distance
	switch {
	case q.OfMean && g.base <= 0:
		return d, misuse("--difference %s: percent of what? Give --mean, or --cv in place of --sd", q)
	case !q.OfMean && g.baseIs == baseIsHundred:
		return d, misuse("--difference %s: with --cv alone no unit is known; write it in percent of the mean, or give --mean", q)
	}
	absolute := q.Value
	if q.OfMean {
		absolute = q.Value * g.base
	}
	if g.base <= 0 {
		return Distance{SD: absolute / g.sd, Absolute: &absolute}, nil
	}
	to := g.base - absolute
	if g.upward {
		to = g.base + absolute
		if whole := (map[stats.Kind]float64{stats.Percent: 100, stats.Proportion: 1})[g.transform.Kind]; whole > 0 && to > whole {
			return d, misuse("--difference %s goes above the whole (%g): nothing can lie that far above %s", q, whole, g.baseOf)
		}
	}
	if to < 0 && (g.transform.Kind != stats.Measure || g.transform.Scale != stats.Raw) {
		return d, misuse("--difference %s is more than all there is (%.4g): nothing can lie that far below %s", q, g.base, g.baseOf)
	}
	percent := 100 * absolute / g.base
	d = Distance{SD: math.Abs(g.transform.Forward(g.base)-g.transform.Forward(to)) / g.sd, Percent: &percent}
	if g.baseIs == baseIsMean {
		d.Absolute = &absolute
	}
	return d, nil
}

// Power answers what a trial of this basis can show.
func (g PowerBasis) Power(q PowerQuestion) (Power, error) {
	plan := g.Plan
	g.upward = q.Upward
	if err := plan.Validate(); err != nil {
		return Power{}, err
	}
	_, df := plan.DF()
	p := Power{From: g.from, Unit: g.unit, Treatments: plan.Treatments, Blocks: plan.Blocks, CompletelyRandomised: plan.CompletelyRandomised,
		Alpha: plan.Alpha, WantedPower: q.Wanted, Kind: g.transform.Kind, SD: g.sd, Scale: g.transform.Scale, CVPercent: g.cv, ResidualDF: int(df), Enough: df >= stats.FewResidualDF,
		Upward: q.Upward, Warnings: append(g.warnings, plan.Warnings()...)}
	if g.base > 0 && g.baseIs == baseIsMean {
		p.Base, p.BaseOf = &g.base, g.baseOf
	}
	pair, err := plan.DetectablePair(q.Wanted)
	if err != nil {
		return p, err
	}
	overall, err := plan.DetectableDelta(q.Wanted)
	if err != nil {
		return p, err
	}
	p.DetectablePair, p.DetectableF = g.below(pair), g.below(overall)
	if p.DetectableTukey, p.DetectableDunnett, err = g.amongOthers(plan, q.Wanted); err != nil {
		return p, err
	}
	first := max(2, plan.Blocks-2)
	for b := first; b < first+8; b++ {
		other := plan
		other.Blocks = b
		d, err := other.DetectablePair(q.Wanted)
		if err != nil {
			return p, err
		}
		_, df := other.DF()
		x := PowerBlocks{Blocks: b, ResidualDF: int(df), DetectablePair: g.below(d)}
		if x.DetectableTukey, x.DetectableDunnett, err = g.amongOthers(other, q.Wanted); err != nil {
			return p, err
		}
		p.ByBlocks = append(p.ByBlocks, x)
	}
	if q.Difference != nil {
		if p.Asked, err = g.answer(q, &p); err != nil {
			return p, err
		}
	}
	if q.MinutesPerQuadrat > 0 {
		p.Quadrats, err = g.quadrats(q)
	}
	return p, err
}

// byTukey and byDunnett are how compare judges pairs and treatments against the
// control, both sides.
var byTukey, byDunnett = stats.PairTest{Method: stats.PairTukey}, stats.PairTest{Method: stats.PairDunnett}

// amongOthers gives the smallest differences that Tukey's and Dunnett's tests
// show.
func (g PowerBasis) amongOthers(plan stats.Plan, wanted float64) (tukey, dunnett Distance, err error) {
	t, err := plan.DetectablePairBy(wanted, byTukey)
	if err != nil {
		return tukey, dunnett, err
	}
	d, err := plan.DetectablePairBy(wanted, byDunnett)
	return g.below(t), g.below(d), err
}

func (g PowerBasis) answer(q PowerQuestion, p *Power) (*PowerAsked, error) {
	d, err := g.asked(*q.Difference)
	if err != nil {
		return nil, err
	}
	a := &PowerAsked{Difference: d}
	if a.PowerF, err = g.Plan.FPower(d.SD); err != nil {
		return nil, err
	}
	if a.PowerPair, err = g.Plan.PairPower(d.SD); err != nil {
		return nil, err
	}
	if a.PowerTukey, err = g.Plan.PairPowerBy(d.SD, byTukey); err != nil {
		return nil, err
	}
	if a.PowerDunnett, err = g.Plan.PairPowerBy(d.SD, byDunnett); err != nil {
		return nil, err
	}
	// A number of blocks beyond reason is told once, by the F test below.
	if b, _, err := g.Plan.BlocksForPair(d.SD, q.Wanted, byTukey); err == nil {
		a.BlocksTukey = b
	}
	if b, _, err := g.Plan.BlocksForPair(d.SD, q.Wanted, byDunnett); err == nil {
		a.BlocksDunnett = b
	}
	if a.BlocksNeeded, a.PowerThen, err = g.Plan.BlocksNeeded(d.SD, q.Wanted); err != nil {
		p.Warnings = append(p.Warnings, err.Error())
		a.BlocksNeeded, a.PowerThen = 0, 0
	}
	if g.cv != nil && d.Percent != nil {
		// In the unit of the SD, so that the base need not be the mean of all.
		if exact, _, err := stats.BlocksForDifference(1, d.SD, g.Plan.Alpha, q.Wanted); err == nil {
			a.FormulaBlocks = &exact
		}
	}
	return a, nil
}

func (g PowerBasis) quadrats(q PowerQuestion) (*QuadratsBest, error) {
	v := q.Variances
	if v == nil {
		if g.nested == nil {
			return nil, misuse("the best number of quadrats needs the variance between quadrats: a response with 2 or more quadrats a plot at one visit, or --plot-variance and --quadrat-variance")
		}
		v = &QuadratVariances{g.nested.VariancePlot, g.nested.VarianceQuadrat}
	}
	plan := stats.QuadratPlan{PlotVar: v.Plot, QuadratVar: v.Quadrat, MinutesPerPlot: q.MinutesPerPlot, MinutesPerQuadrat: q.MinutesPerQuadrat, Most: q.MostQuadrats}
	best, formula, choices, note, err := plan.BestQuadrats()
	if err != nil {
		return nil, err
	}
	return &QuadratsBest{PlotVar: v.Plot, QuadratVar: v.Quadrat, MinutesPerPlot: q.MinutesPerPlot, MinutesPerQuadrat: q.MinutesPerQuadrat,
		Best: best, Formula: formula, Choices: choices, Note: note}, nil
}
