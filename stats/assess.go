package stats

import (
	"math"
	"slices"

	"quadtally/stats/dist"
)

// TestLine is a test as a line of a report: its numbers, left out where it has
// no answer, and what they say in plain words.
type TestLine struct {
	Name      string   `json:"name"`
	Statistic *float64 `json:"statistic,omitempty"`
	DF1       *float64 `json:"df1,omitempty"`
	DF2       *float64 `json:"df2,omitempty"`
	P         *float64 `json:"p,omitempty"`
	Reading   string   `json:"reading"`
	Note      string   `json:"note,omitempty"`
	Warnings  []string `json:"warnings,omitempty"`
}

// lineOf turns a test into a line; low and high read a p value at or below
// alpha and one above it.
func lineOf(t Test, alpha float64, low, high string) *TestLine {
	l := &TestLine{Name: t.Name, Note: t.Note, Warnings: t.Warnings}
	if !t.Defined {
		l.Reading = "no answer: " + t.Note
		return l
	}
	positive := func(v float64) *float64 {
		if v > 0 {
			return &v
		}
		return nil
	}
	l.Statistic, l.P, l.DF1, l.DF2 = ptr(t.Statistic), ptr(t.P), positive(t.DF1), positive(t.DF2)
	l.Reading = high
	if t.P <= alpha {
		l.Reading = low
	}
	return l
}

// Outlier is a plot that lies further from its fitted value than chance among
// all plots allows. It is for looking up, never for dropping unseen.
type Outlier struct {
	Plot        string   `json:"plot"`
	Treatment   string   `json:"treatment"`
	Value       float64  `json:"value"` // as measured
	Studentised float64  `json:"studentised"`
	P           float64  `json:"p_adjusted"` // Bonferroni over all plots
	Sources     []string `json:"sources,omitempty"`
}

// BlockVariance is the variance between blocks by analysis of variance, on the
// scale of the analysis. A negative estimate counts as 0.
type BlockVariance struct {
	Estimate float64 `json:"estimate"`
	Variance float64 `json:"variance"`
	Note     string  `json:"note,omitempty"`
}

// Detectable says what the trial could have seen: the smallest true difference
// between two treatments that a t test of the pair would show with the given
// power, at the least precise pair, on the scale of the analysis. From and To
// are an example in the unit of the response: a mean of To against one of From.
// BeyondZero says that the way from From down to 0, the least a share or a count
// can be and the least a measure without values below 0 is taken to be, is
// shorter than the difference: then no lower mean would have shown.
type Detectable struct {
	Power      float64 `json:"power"`
	Difference float64 `json:"difference"`
	FromWhat   string  `json:"from_what"`
	From       float64 `json:"from"`
	To         float64 `json:"to"`
	BeyondZero bool    `json:"beyond_zero"`
}

// detectablePower is the power at which detectable differences are given
// (common practice).
const detectablePower = 0.8

// Randomisation is the randomisation test within blocks.
type Randomisation struct {
	P        float64 `json:"p"`
	AtLeast  int     `json:"at_least"`
	Of       int     `json:"of"`
	Complete bool    `json:"complete"`
	StdErr   float64 `json:"std_err"`
	Note     string  `json:"note"`
}

// assess adds the checks of the assumptions, the tests without them, and what
// the trial could have seen. All are information; none changes the verdict.
func (a *Analysis) assess(used []Plot, opt Options) error {
	a.blockVariance()
	if err := a.rankTests(used, opt); err != nil {
		return err
	}
	if a.treatment().F == nil {
		return nil
	}
	if err := a.checkAssumptions(opt); err != nil {
		return err
	}
	a.detectable(opt)
	return nil
}

func (a *Analysis) blockVariance() {
	if len(a.Design.Blocks) < 2 || a.Design.Kind == LatinSquare || a.Design.Kind == RowColumn {
		return
	}
	v, err := a.fit.VarianceComponent("block")
	if err != nil || a.fit.SSTotal == 0 {
		return
	}
	a.BlockVariance = &BlockVariance{Estimate: v, Variance: max(0, v)}
	if v < 0 {
		a.BlockVariance.Note = "blocks vary no more than plots do; their variance is taken as 0. The blocks stay in the analysis, as the trial was laid out"
	}
}

// rankTests gives Friedman's test for complete blocks with one plot a
// treatment, Kruskal and Wallis's without blocks, and the randomisation test
// for both and for incomplete blocks. Of two treatments there are the exact
// tests of Wilcoxon as well: signed ranks in blocks, where Friedman's counts no
// more than who was ahead, and rank sums without. With a covariate none is given, since none
// is adjusted for it.
func (a *Analysis) rankTests(used []Plot, opt Options) error {
	if len(a.Design.Treatments) < 2 || a.fit.SSTotal == 0 || opt.UseCovariate {
		return nil // these tests are not of adjusted means
	}
	const apart, open = "treatments rank differently", "treatments are not shown to rank differently"
	switch {
	case a.Design.Kind == CompletelyRandomised:
		groups := map[string][]float64{}
		for _, p := range used {
			groups[p.Treatment] = append(groups[p.Treatment], p.Value)
		}
		var g [][]float64
		for _, t := range a.Design.Treatments {
			g = append(g, groups[t])
		}
		test, _, err := KruskalWallis(g)
		if err != nil {
			return err
		}
		a.KruskalWallis = lineOf(test, opt.Alpha, apart, open)
		if len(g) == 2 {
			ranks, err := RankSum(g[0], g[1])
			if err != nil {
				return err
			}
			a.RankSum = lineOf(ranks.Test, opt.Alpha, apart, open)
		}
	case a.Design.Kind == CompleteBlocks && len(a.Design.Blocks) > 1:
		table, whole := blockTable(a.Design, used)
		if !whole {
			break
		}
		test, err := FriedmanTest(table)
		if err != nil {
			return err
		}
		a.Friedman = lineOf(test.ChiSquare, opt.Alpha, apart, open)
		a.ImanDavenport = lineOf(test.ImanDavenport, opt.Alpha, apart, open)
		if len(a.Design.Treatments) == 2 {
			var x, y []float64
			for _, row := range table {
				x, y = append(x, row[0]), append(y, row[1])
			}
			ranks, err := SignedRank(x, y)
			if err != nil {
				return err
			}
			a.SignedRank = lineOf(ranks.Test, opt.Alpha, apart, open)
		}
	}
	if opt.Randomise.Draws == 0 || a.Design.Kind == LatinSquare || a.Design.Kind == RowColumn {
		return nil
	}
	y, trt := make([]float64, len(used)), make([]string, len(used))
	var blk []string
	for i, p := range used {
		y[i], trt[i] = a.Plots[i].Analysed, p.Treatment
		if len(a.Design.Blocks) > 0 {
			blk = append(blk, p.Block)
		}
	}
	r, err := PermuteContext(opt.context(), y, trt, blk, opt.Randomise)
	if err != nil {
		return err
	}
	if r.Defined {
		a.Randomisation = &Randomisation{r.P, r.AtLeast, r.Of, r.Complete, r.StdErr, r.Note}
	}
	return nil
}

// blockTable lays the values out with a row a block and a column a treatment;
// whole is false where a cell has not exactly one plot.
func blockTable(d Design, used []Plot) (table [][]float64, whole bool) {
	for _, b := range d.Blocks {
		row := make([]float64, 0, len(d.Treatments))
		for _, t := range d.Treatments {
			n := 0
			for _, p := range used {
				if p.Block == b && p.Treatment == t {
					row = append(row, p.Value)
					n++
				}
			}
			if n != 1 {
				return nil, false
			}
		}
		table = append(table, row)
	}
	return table, true
}

func (a *Analysis) checkAssumptions(opt Options) error {
	residual, leverage := make([]float64, len(a.Plots)), make([]float64, len(a.Plots))
	y, blk, trt := make([]float64, len(a.Plots)), make([]string, len(a.Plots)), make([]string, len(a.Plots))
	groups := map[string][]float64{}
	for i, p := range a.Plots {
		residual[i], leverage[i] = p.Residual, p.Leverage
		y[i], blk[i], trt[i] = p.Analysed, p.Block, p.Treatment
		groups[p.Treatment] = append(groups[p.Treatment], p.Analysed)
	}
	add := func(t Test, err error, low, high string) error {
		if err != nil {
			return err
		}
		a.Checks = append(a.Checks, *lineOf(t, opt.Alpha, low, high))
		return nil
	}
	if len(residual) >= 3 {
		t, err := ShapiroWilk(residual)
		if err := add(t, err, "the residuals do not look normal; small departures matter little, but look at the plots furthest out",
			"the residuals are not shown to depart from normal"); err != nil {
			return err
		}
	}
	var g [][]float64
	for _, t := range a.Design.Treatments {
		if len(groups[t]) > 1 {
			g = append(g, groups[t])
		}
	}
	if a.Design.Kind == CompletelyRandomised && len(g) == len(a.Design.Treatments) {
		t := WelchTest(g)
		if err := add(t, nil, "treatments differ, also without taking their spread as alike",
			"treatments are not shown to differ when their spread is not taken as alike"); err != nil {
			return err
		}
	}
	if len(g) > 1 {
		t, err := BrownForsythe(g)
		if err := add(t, err, "treatments differ in spread: another scale or the rank tests are worth a look",
			"treatments are not shown to differ in spread"); err != nil {
			return err
		}
	}
	if a.Design.Kind == CompleteBlocks && len(a.Design.Blocks) > 1 && a.fit.DFResidual > 1 && !opt.UseCovariate {
		t, _, _, err := NonAdditivity(y, blk, trt)
		if err := add(t, err, "treatments and blocks do not simply add: a logarithm or square root scale is worth a look",
			"treatments and blocks are not shown to do other than add"); err != nil {
			return err
		}
	}
	if a.fit.DFResidual < 2 {
		return nil
	}
	out, err := Studentise(residual, leverage, a.fit.DFResidual)
	if err != nil {
		return err
	}
	for i, s := range out {
		if !s.Defined {
			continue
		}
		p := &a.Plots[i]
		p.Studentised = ptr(s.External)
		if s.PBonferroni <= opt.Alpha {
			a.Outliers = append(a.Outliers, Outlier{p.Name, p.Treatment, p.Value, s.External, s.PBonferroni, p.Sources})
			a.warn("plot %s (%s, %s) lies far from what its treatment and block suggest (%s after allowing for %d plots); look it up, it is kept in the analysis",
				p.Name, p.Treatment, significant(p.Value, 4), PWords(s.PBonferroni), len(a.Plots))
		}
	}
	return nil
}

// detectable solves for the difference at the largest SED there is.
func (a *Analysis) detectable(opt Options) {
	worst := 0.0
	for _, p := range a.Pairs {
		if p.SED != nil {
			worst = max(worst, *p.SED)
		}
	}
	if worst > 0 {
		a.detectableFrom(opt, worst, float64(a.fit.DFResidual))
	}
}

// detectableFrom solves for the difference at a SED with df degrees of freedom.
func (a *Analysis) detectableFrom(opt Options, worst, df float64) {
	crit := must(dist.TQuantile(1-opt.Alpha/2, df))
	// Any plan will do: the power of a pair hangs on df and the ratio of
	// difference to SED alone.
	ratio, err := Plan{Treatments: 2, Blocks: 2, Alpha: opt.Alpha}.detectable(detectablePower, func(ratio float64) (float64, error) {
		ncp := math.Min(ratio, dist.MaxNoncentralityT)
		right, err := dist.NoncentralTSF(crit, df, ncp)
		if err != nil {
			return 0, err
		}
		wrong, err := dist.NoncentralTCDF(-crit, df, ncp)
		return right + wrong, err
	})
	if err != nil {
		a.note("what the trial could have seen cannot be given: no difference up to 10 000 standard errors would have shown with power %g", detectablePower)
		return
	}
	d := &Detectable{Power: detectablePower, Difference: ratio * worst, FromWhat: "the highest mean"}
	at := slices.MaxFunc(a.Treatments, func(x, y TreatmentResult) int { return compareMeans(x, y) })
	if opt.Control != "" {
		// From a control that holds nothing there is no way down.
		empty := func(r TreatmentResult) bool {
			return a.Transform.Kind != Measure && *r.Adjusted <= a.Transform.Forward(0)+1e-12
		}
		if i := slices.IndexFunc(a.Treatments, func(r TreatmentResult) bool { return r.Treatment == opt.Control }); i >= 0 && a.Treatments[i].Adjusted != nil && !empty(a.Treatments[i]) {
			at, d.FromWhat = a.Treatments[i], "the control"
		}
	}
	if at.Adjusted == nil {
		return
	}
	lower := *at.Adjusted - d.Difference
	d.From, d.To = *a.back(at.Adjusted), *a.back(&lower)
	// A measure whose values are all from 0 up is taken to have no mean below.
	floor := a.Transform.Kind != Measure || !slices.ContainsFunc(a.Plots, func(p PlotResult) bool { return p.Value < 0 })
	if floor && lower < a.Transform.Forward(0) {
		d.BeyondZero, d.To = true, 0
	}
	a.Detectable = d
}

// WelchTest compares the means of unblocked groups without taking their
// variances as alike (Welch 1951, Biometrika 38, 330). It has no answer where
// a group has one value or no spread.
func WelchTest(groups [][]float64) Test {
	const name = "Welch"
	if len(groups) < 2 {
		return undefinedTest(name, "need at least 2 groups")
	}
	var w, weighted float64
	weights, means := make([]float64, len(groups)), make([]float64, len(groups))
	for i, g := range groups {
		sd, ok := standardDeviation(g)
		if !ok || sd == 0 {
			return undefinedTest(name, "a group has one value or no spread, so its weight is infinite: need spread in every group")
		}
		weights[i], means[i] = float64(len(g))/sq(sd), mean(g)
		w += weights[i]
		weighted += weights[i] * (means[i] - means[0])
	}
	centre := means[0] + weighted/w
	k := float64(len(groups))
	var between, lambda float64
	for i, g := range groups {
		between += weights[i] * sq(means[i]-centre) / (k - 1)
		lambda += sq(1-weights[i]/w) / float64(len(g)-1)
	}
	lambda *= 3 / (k*k - 1)
	f := between / (1 + 2*(k-2)/3*lambda)
	t := Test{Name: name, Statistic: f, DF1: k - 1, DF2: 1 / lambda, Defined: true}
	t.P = must(dist.FSF(f, t.DF1, t.DF2))
	return t
}
