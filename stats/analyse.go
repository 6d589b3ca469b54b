package stats

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"quadtally/stats/dist"
	"quadtally/stats/glm"
)

// Options choose how a response is compared. Start from DefaultOptions.
type Options struct {
	Response string // what was measured, for messages: "weed cover"
	Unit     string // its unit, for messages: "%"
	Kind     Kind
	// UnitKnown says that every value is surely in the unit of its kind, as
	// when the kind was named by the user or one program measured them all:
	// small percents are then not asked about.
	UnitKnown bool
	Scale     Scale // empty for DefaultScale(Kind)
	// Points is the number of points a cover value was counted from, 0 for
	// measured cover; see NewTransform.
	Points int
	// Ground is the area a reading of a density was made on, in the unit of the
	// density (0.25 for plants per m² in frames of half a metre); 0 for plain
	// counts. It tells how much counts vary by chance alone.
	Ground float64
	// One is what the 0.5 and the 1 of the square root and the logarithms are
	// counted in, 0 for 1. A density keeps its tests whichever unit it is told
	// in: of plants per ft² that are to be tested as the same plants per m²
	// would be, One is 0.0929, for 1 per m² is 0.0929 per ft².
	One float64
	// Control names the untreated check. Empty leaves out the comparison
	// with a control and suppression.
	Control string
	Side    Side
	Method  Method  // for all pairs
	Alpha   float64 // significance level; intervals have confidence 1-Alpha
	// Order lists the treatments of the layout in display order. When given,
	// a treatment not in it is a fault of the input.
	Order []string
	// Dates are the operations to check for confounding with treatment.
	Dates []DateSet
	// UseCovariate adjusts for the covariate of the plots.
	UseCovariate bool
	// Contrasts are single questions set before the trial. Rates gives the
	// rate of treatments that are steps of one thing; their linear, quadratic
	// and cubic trends are added to the contrasts.
	Contrasts []Question
	Rates     map[string]float64
	// Randomise sets the randomisation test; Draws 0 leaves it out.
	Randomise PermuteOptions

	ctx context.Context
}

// WithContext returns the options with a context whose end stops the longer
// calculations: the analysis then returns the context's error.
func (o Options) WithContext(ctx context.Context) Options {
	o.ctx = ctx
	return o
}

// context never is nil.
func (o Options) context() context.Context {
	if o.ctx == nil {
		return context.Background()
	}
	return o.ctx
}

// DefaultOptions compares a measure on its own scale, all pairs by Tukey's
// method, at a significance level of 0.05, with the randomisation test.
func DefaultOptions() Options {
	return Options{Kind: Measure, Side: BothSides, Method: Tukey, Alpha: 0.05, Randomise: DefaultPermuteOptions()}
}

// Validate reports every option out of range.
func (o Options) Validate() error {
	var faults []Fault
	add := func(format string, a ...any) { faults = append(faults, Fault{Text: fmt.Sprintf(format, a...)}) }
	allowed, ok := scalesFor[o.Kind]
	if !ok {
		add("kind of response %q is not one of %s, %s, %s, %s", o.Kind, Measure, Percent, Proportion, Count)
	} else if o.Scale != "" && !slices.Contains(allowed, o.Scale) {
		add("scale %q does not suit a %s; choose one of %v", o.Scale, o.Kind, allowed)
	}
	if o.Side != BothSides && o.Side != BelowControl && o.Side != AboveControl {
		add("side %q is not one of %s, %s, %s", o.Side, BothSides, BelowControl, AboveControl)
	}
	if !slices.Contains(Methods(), o.Method) {
		add("no method %q for pairs; choose one of %v", o.Method, Methods())
	}
	if !(o.Alpha > 0 && o.Alpha < 0.5) {
		add("significance level %g is not between 0 and 0.5", o.Alpha)
	}
	if !(o.Ground >= 0) || math.IsInf(o.Ground, 1) {
		add("ground of %g behind a reading: need 0 (plain counts) or more", o.Ground)
	}
	if !(o.One >= 0) || math.IsInf(o.One, 1) {
		add("%g for one thing: need 0 (for 1) or more", o.One)
	}
	if o.Points < 0 {
		add("%d points behind a cover value: need 0 (measured) or more", o.Points)
	}
	if o.Randomise.Draws != 0 {
		if err := o.Randomise.Validate(); err != nil {
			add("randomisation test: %v", err)
		}
	}
	return joinFaults(faults)
}

// TreatmentResult is one line of the table of treatments. Mean is the plain
// mean of the plots as measured. Adjusted, SE, Lower and Upper are on the scale
// of the analysis; Back, BackLower and BackUpper are the same carried back to
// the unit of the response (limits no share or count can have are cut at the
// end of its range). Letters: treatments that share a letter are not shown to
// differ.
type TreatmentResult struct {
	Treatment string   `json:"treatment"`
	Plots     int      `json:"plots"`
	Mean      *float64 `json:"mean,omitempty"`
	SD        *float64 `json:"sd,omitempty"` // of the plots as measured
	Adjusted  *float64 `json:"adjusted,omitempty"`
	SE        *float64 `json:"se,omitempty"`
	Lower     *float64 `json:"lower,omitempty"`
	Upper     *float64 `json:"upper,omitempty"`
	Back      *float64 `json:"back,omitempty"`
	BackLower *float64 `json:"back_lower,omitempty"`
	BackUpper *float64 `json:"back_upper,omitempty"`
	// Standard, StandardLower and StandardUpper are the mean of shares and
	// counts in the unit of the response, as it would be on all plots of the
	// trial, with an interval that is not symmetric and lies where a mean can;
	// see Analysis.StandardBy. Back is a median-like centre, a little lower.
	Standard      *float64     `json:"standard,omitempty"`
	StandardLower *float64     `json:"standard_lower,omitempty"`
	StandardUpper *float64     `json:"standard_upper,omitempty"`
	Letters       string       `json:"letters,omitempty"`
	Suppression   *Suppression `json:"less_than_control,omitempty"`
}

// PlotResult is a plot as the analysis used it. Value is as measured, Analysed
// on the scale of the analysis; Fitted and Residual are on that scale too.
type PlotResult struct {
	Name      string  `json:"name"`
	Treatment string  `json:"treatment"`
	Block     string  `json:"block,omitempty"`
	Column    string  `json:"column,omitempty"`
	Quadrats  int     `json:"quadrats"`
	Value     float64 `json:"value"`
	Analysed  float64 `json:"analysed"`
	Fitted    float64 `json:"fitted"`
	Residual  float64 `json:"residual"`
	Leverage  float64 `json:"leverage"`
	// Studentised is the residual over its standard error without the plot;
	// nil where that is undefined.
	Studentised *float64 `json:"studentised,omitempty"`
	Sources     []string `json:"sources,omitempty"`
}

// MissingPlot is a plot without any reading.
type MissingPlot struct {
	Name      string   `json:"name"`
	Treatment string   `json:"treatment"`
	Block     string   `json:"block,omitempty"`
	Sources   []string `json:"sources,omitempty"`
}

// Efficiency says how many times as many plots another layout would have
// needed for the same precision. Corrected allows for the difference in
// residual degrees of freedom (Fisher's factor). Kuehl 2000, Design of
// Experiments, 2nd ed., ch. 8.
type Efficiency struct {
	Against   string  `json:"against"`
	Value     float64 `json:"value"`
	Corrected float64 `json:"corrected"`
}

// Analysis is a whole comparison as plain data. Numbers that are undefined are
// left out; no field is ever infinite or not a number.
type Analysis struct {
	Response   string    `json:"response,omitempty"`
	Unit       string    `json:"unit,omitempty"`
	Transform  Transform `json:"transform"`
	Design     Design    `json:"design"`
	Method     Method    `json:"method"`
	Control    string    `json:"control,omitempty"`
	Side       Side      `json:"side,omitempty"`
	Alpha      float64   `json:"alpha"`
	Confidence float64   `json:"confidence"`

	// Verdict answers the question in plain words.
	Verdict []string `json:"verdict"`
	// PlainVerdict is Verdict without the tests that it names in brackets.
	PlainVerdict []string          `json:"verdict_plain"`
	Treatments   []TreatmentResult `json:"treatments"`

	GrandMean  *float64     `json:"grand_mean,omitempty"` // on the scale of the analysis
	MSE        *float64     `json:"mse,omitempty"`
	ResidualSD *float64     `json:"residual_sd,omitempty"`
	ResidualDF int          `json:"residual_df"`
	CVPercent  *float64     `json:"cv_percent,omitempty"`
	RSquared   *float64     `json:"r_squared,omitempty"`
	Efficiency []Efficiency `json:"efficiency,omitempty"`

	// ANOVA is sequential with blocks first and treatment last, so that
	// treatment is adjusted for all else. Adjusted has every term adjusted
	// for all others (types II and III, the same here).
	ANOVA    []ANOVARow `json:"anova"`
	Adjusted []ANOVARow `json:"anova_adjusted"`

	Pairs     []Pair              `json:"pairs,omitempty"`
	VsControl []ControlComparison `json:"vs_control,omitempty"`
	// Contrasts have coefficients in the order of ContrastLevels; each p is
	// for the contrast on its own.
	Contrasts      []Contrast `json:"contrasts,omitempty"`
	ContrastLevels []string   `json:"contrast_levels,omitempty"`

	// Covariate is set where means are adjusted for one.
	Covariate *CovariateCheck `json:"covariate,omitempty"`
	// StandardBy names the model behind the standardised means and the
	// suppression of shares and counts; empty for measures, and where a scale
	// was asked for that is not the usual one of the kind.
	StandardBy string `json:"standard_by,omitempty"`

	// Own is set where the plot values carry an error of their own.
	Own *OwnErrorTest `json:"own_error,omitempty"`

	Subsampling   *Subsampling   `json:"subsampling,omitempty"`
	BlockVariance *BlockVariance `json:"block_variance,omitempty"`
	Detectable    *Detectable    `json:"detectable,omitempty"`

	// Checks look at the assumptions; Outliers are plots far out. The tests
	// below them need no normal distribution.
	Checks        []TestLine     `json:"checks,omitempty"`
	Outliers      []Outlier      `json:"outliers,omitempty"`
	Friedman      *TestLine      `json:"friedman,omitempty"`
	ImanDavenport *TestLine      `json:"iman_davenport,omitempty"`
	KruskalWallis *TestLine      `json:"kruskal_wallis,omitempty"`
	SignedRank    *TestLine      `json:"signed_rank,omitempty"` // two treatments in blocks
	RankSum       *TestLine      `json:"rank_sum,omitempty"`    // two treatments without blocks
	Randomisation *Randomisation `json:"randomisation,omitempty"`

	Plots   []PlotResult  `json:"plots"`
	Missing []MissingPlot `json:"missing,omitempty"`

	Warnings []string `json:"warnings,omitempty"`
	Notes    []string `json:"notes,omitempty"`

	fit   *Fit
	means Means
	// standardised is the model behind StandardBy, standard its means.
	standardised glm.Model
	standard     glm.Standard
}

// treatment returns the row of the analysis of variance for treatment.
func (a *Analysis) treatment() ANOVARow {
	i := slices.IndexFunc(a.ANOVA, func(r ANOVARow) bool { return r.Term == TreatmentTerm })
	if i < 0 {
		return ANOVARow{Term: TreatmentTerm}
	}
	return a.ANOVA[i]
}

func (a *Analysis) warn(format string, args ...any) {
	a.Warnings = append(a.Warnings, fmt.Sprintf(format, args...))
}

func (a *Analysis) note(format string, args ...any) {
	a.Notes = append(a.Notes, fmt.Sprintf(format, args...))
}

// Analyse does the whole comparison of one response at one visit: it cleans
// the labels, averages quadrats to plots, recognises the design, carries the
// plot means to the scale, fits blocks and treatments, and compares the
// treatments in pairs and with the control.
//
// Faults of the rows or options are found together and joined in the error. A
// trial that is in order but cannot answer (one block, one treatment, every
// value the same) is no error: its means are given, what is undefined is left
// out, and Verdict says why.
func Analyse(rows []Row, opt Options) (Analysis, error) {
	if err := opt.Validate(); err != nil {
		return Analysis{}, err
	}
	plots, notes, err := readPlots(rows, &opt)
	if err != nil {
		return Analysis{}, err
	}
	a, err := analysePlots(plots, opt)
	if err != nil {
		return Analysis{}, err
	}
	a.Notes = append(notes, a.Notes...)
	return a, nil
}

// readPlots turns rows into plots, collecting every fault. It replaces
// the treatments named in opt by the spelling the rows came to have.
func readPlots(rows []Row, opt *Options) ([]Plot, []string, error) {
	if len(rows) == 0 {
		return nil, nil, Fault{Text: "no rows: need the readings of at least 2 treatments"}
	}
	clean, notes := CleanLabels(rows)
	var faults []Fault
	days := map[float64]bool{}
	for _, r := range clean {
		days[r.Day] = true
	}
	if len(days) > 1 {
		faults = append(faults, Fault{Text: fmt.Sprintf("rows of %d days: choose one visit, or analyse them as a season; dates are not replicates", len(days))})
	}
	faults = append(faults, checkRange(opt.Kind, opt.UnitKnown, clean)...)
	faults = append(faults, checkNames(clean, opt)...)
	plots, err := PlotMeans(clean)
	if err != nil || len(faults) > 0 {
		return nil, nil, joinErrors(faults, err)
	}
	return plots, notes, nil
}

// checkNames holds the treatments of the rows against the layout and control.
func checkNames(rows []Row, opt *Options) []Fault {
	var faults []Fault
	known := map[string]string{}
	for _, r := range rows {
		known[strings.ToLower(r.Treatment)] = r.Treatment
	}
	spelled := func(name string) string {
		name = cleanLabel(name)
		if s, ok := known[strings.ToLower(name)]; ok {
			return s
		}
		return name
	}
	if opt.Control != "" {
		opt.Control = spelled(opt.Control)
		if _, ok := known[strings.ToLower(opt.Control)]; !ok {
			var names []string
			for _, k := range sortedKeys(known) {
				names = append(names, known[k])
			}
			faults = append(faults, Fault{Text: fmt.Sprintf("control %s is not among the treatments %s", opt.Control, listed(names))})
		}
	}
	if len(opt.Order) > 0 {
		order := make([]string, len(opt.Order))
		for i, t := range opt.Order {
			order[i] = spelled(t)
		}
		opt.Order = order
		strange := map[string][]string{}
		for _, r := range rows {
			if r.Treatment != "" && !slices.Contains(order, r.Treatment) {
				strange[r.Treatment] = append(strange[r.Treatment], r.name())
			}
		}
		for _, t := range sortedKeys(strange) {
			faults = append(faults, Fault{strange[t], fmt.Sprintf("treatment %q is not in the layout (%s)", t, listed(order))})
		}
	}
	for i, q := range opt.Contrasts {
		if i == 0 {
			opt.Contrasts = slices.Clone(opt.Contrasts)
		}
		opt.Contrasts[i].Weights = respelled(q.Weights, spelled)
	}
	opt.Rates = respelled(opt.Rates, spelled)
	for i, set := range opt.Dates {
		if i == 0 {
			opt.Dates = slices.Clone(opt.Dates)
		}
		opt.Dates[i].ByTreatment = respelled(set.ByTreatment, spelled)
	}
	return faults
}

// respelled returns a copy of m with its keys spelled as the rows are.
func respelled[V any](m map[string]V, spelled func(string) string) map[string]V {
	out := make(map[string]V, len(m))
	for k, v := range m {
		out[spelled(k)] = v
	}
	return out
}

// analysePlots compares plots that have been formed and checked.
func analysePlots(plots []Plot, opt Options) (Analysis, error) {
	a := Analysis{
		Response: opt.Response, Unit: opt.Unit, Design: designOf(plots), Method: opt.Method,
		Control: opt.Control, Alpha: opt.Alpha, Confidence: 1 - opt.Alpha,
	}
	warned := len(a.Warnings)
	a.Warnings = append(a.Warnings, a.Design.Warnings...)
	a.Warnings = append(a.Warnings, ConfoundedDates(a.Design.Treatments, opt.Dates)...)
	a.Notes = append(a.Notes, a.Design.Notes...)
	for _, t := range opt.Order {
		if !slices.Contains(a.Design.Treatments, t) && !slices.Contains(a.Design.Lost, t) {
			a.warn("treatment %s of the layout has no row", t)
		}
	}
	used := a.Design.used()
	for _, p := range plots {
		if p.Missing {
			a.Missing = append(a.Missing, MissingPlot{p.Name, p.Treatment, p.Block, p.Sources})
		}
	}
	if len(used) == 0 {
		return a, Fault{Text: "every reading is marked missing: there is nothing to compare"}
	}
	values := make([]float64, len(used))
	for i, p := range used {
		values[i] = p.Value
	}
	t, note, err := NewTransform(opt.Kind, opt.Scale, values, opt.Points)
	if err != nil {
		return a, err
	}
	if note != "" {
		a.Notes = append(a.Notes, note)
	}
	t.One = opt.One
	a.Transform = t
	if top := slices.Max(values); opt.Kind == Percent && !opt.UnitKnown && top > 0 && top <= 1 {
		a.warn("no value is above 1 %%: if these are proportions of 1, say so; the tests are the same, the means are not")
	}
	analysed := make([]float64, len(used))
	for i, v := range values {
		analysed[i] = t.Forward(v)
	}
	terms, err := modelTerms(a.Design, used, opt)
	if err != nil {
		return a, err
	}
	if opt.UseCovariate {
		varies, err := covariateVaries(terms)
		if err != nil {
			return a, err
		}
		if !varies {
			same := "does not vary between the plots of a block"
			if a.Design.Kind == CompletelyRandomised {
				same = "is the same in all plots"
			}
			a.warn("the covariate %s: it adjusts nothing and was left out", same)
			opt.UseCovariate = false
			if terms, err = modelTerms(a.Design, used, opt); err != nil {
				return a, err
			}
		}
	}
	if a.fit, err = FitLinear(analysed, terms...); err != nil {
		return a, err
	}
	if a.means, err = a.fit.MeansOf(TreatmentTerm); err != nil {
		return a, err
	}
	a.fillModel(used, values, analysed)
	if opt.UseCovariate {
		a.Design.ResidualDF = a.fit.DFResidual
		a.Design.Words = fmt.Sprintf("%s, residual df %d after the covariate", a.Design.layout, a.fit.DFResidual)
		switch few, at := a.Design.fewDFWarning(), a.Design.fewAt; {
		case few == "":
		case at > 0:
			a.Warnings[warned+at-1] = few
		default:
			a.warn("%s", few)
		}
	}
	if a.Pairs, err = a.means.Pairs(opt.Method, opt.Alpha); err != nil {
		return a, err
	}
	if err := a.fillContrasts(opt); err != nil {
		return a, err
	}
	a.fillTreatments(values, used, opt)
	if err := a.fillControl(values, terms, opt); err != nil {
		return a, err
	}
	if err := a.checkCovariate(used, terms, opt); err != nil {
		return a, err
	}
	a.standardise(used, opt)
	a.warnOfNoSpread(used)
	if a.Subsampling, err = NestedANOVA(a.Design); err != nil {
		return a, err
	}
	if err := a.assess(used, opt); err != nil {
		return a, err
	}
	a.judge(opt)
	return a, nil
}

// modelTerms returns blocks, then the covariate, then treatment.
func modelTerms(d Design, used []Plot, opt Options) ([]Term, error) {
	terms := d.nuisance(used)
	if opt.UseCovariate {
		x := make([]float64, len(used))
		var without []string
		for i, p := range used {
			if p.Covariate == nil {
				without = append(without, p.Name)
				continue
			}
			x[i] = *p.Covariate
		}
		if len(without) > 0 {
			return nil, Fault{without, "no covariate for the plot; give one for every plot or compare without it"}
		}
		terms = append(terms, CovariateTerm("covariate", x))
	}
	return append(terms, treatmentOf(used)), nil
}

func (a *Analysis) fillModel(used []Plot, values, analysed []float64) {
	f := a.fit
	a.ANOVA, a.Adjusted = f.Sequential(), f.TypeIII()
	a.ResidualDF = f.DFResidual
	a.GrandMean = ptr(f.Mean)
	if mse, ok := f.MSE(); ok {
		a.MSE, a.ResidualSD = ptr(mse), ptr(math.Sqrt(mse))
		if cv := 100 * math.Sqrt(mse) / math.Abs(f.Mean); finite(cv) {
			a.CVPercent = &cv
		}
	}
	if r2, ok := f.RSquared(); ok {
		a.RSquared = ptr(r2)
	}
	a.Efficiency = efficiency(a.Design, a.ANOVA)
	fitted, residual, leverage := f.Fitted(), f.Residuals(), f.Leverages()
	for i, p := range used {
		a.Plots = append(a.Plots, PlotResult{
			Name: p.Name, Treatment: p.Treatment, Block: p.Block, Column: p.Column, Quadrats: p.Quadrats,
			Value: values[i], Analysed: analysed[i], Fitted: fitted[i], Residual: residual[i], Leverage: leverage[i],
			Sources: p.Sources,
		})
	}
}

// efficiency of blocking, from the mean squares of a layout without gaps.
func efficiency(d Design, anova []ANOVARow) []Efficiency {
	if !d.Balanced || len(anova) < 3 || anova[0].MS == nil {
		return nil
	}
	last := anova[len(anova)-1]
	if last.DF == 0 || last.SS == 0 {
		return nil
	}
	mse, dfe := *last.MS, last.DF
	t := len(d.Treatments)
	corrected := func(against string, value float64, dfOther int) Efficiency {
		e, o := float64(dfe), float64(dfOther)
		return Efficiency{against, value, value * (e + 1) * (o + 3) / ((e + 3) * (o + 1))}
	}
	n := float64(len(d.Plots))
	switch {
	case d.Kind == CompleteBlocks && len(anova) == 3 && anova[1].Term == TreatmentTerm:
		b := float64(len(d.Blocks))
		v := ((b-1)**anova[0].MS + (n-b)*mse) / ((n - 1) * mse)
		return []Efficiency{corrected("no blocks", v, len(d.Plots)-t)}
	case d.Kind == LatinSquare && len(anova) == 4 && anova[2].Term == TreatmentTerm:
		k := float64(t)
		msr, msc := *anova[0].MS, *anova[1].MS
		oneWay := (t - 1) * (t - 1)
		return []Efficiency{
			corrected("rows as the only blocks", (msc+(k-1)*mse)/(k*mse), oneWay),
			corrected("columns as the only blocks", (msr+(k-1)*mse)/(k*mse), oneWay),
			corrected("no blocks", (msr+msc+(k-1)*mse)/((k+1)*mse), t*(t-1)),
		}
	}
	return nil
}

func (a *Analysis) fillContrasts(opt Options) error {
	questions := opt.Contrasts
	if len(opt.Rates) > 0 {
		trends, err := trendQuestions(opt.Rates)
		if err != nil {
			return err
		}
		questions = append(slices.Clone(questions), trends...)
	}
	if len(questions) == 0 {
		return nil
	}
	var err error
	a.ContrastLevels = a.means.Levels
	a.Contrasts, err = a.means.ask(questions, a.Confidence)
	return err
}

func (a *Analysis) fillTreatments(values []float64, used []Plot, opt Options) {
	byTreatment := map[string][]float64{}
	for i, p := range used {
		byTreatment[p.Treatment] = append(byTreatment[p.Treatment], values[i])
	}
	for _, m := range a.means.Table(a.Confidence) {
		v := byTreatment[m.Treatment]
		r := TreatmentResult{
			Treatment: m.Treatment, Plots: m.Plots, Mean: ptr(mean(v)),
			Adjusted: m.Adjusted, SE: m.SE, Lower: m.Lower, Upper: m.Upper,
			Back: a.back(m.Adjusted), BackLower: a.back(m.Lower), BackUpper: a.back(m.Upper),
		}
		if sd, ok := standardDeviation(v); ok {
			r.SD = &sd
		}
		a.Treatments = append(a.Treatments, r)
	}
	for _, t := range a.Design.Lost {
		a.Treatments = append(a.Treatments, TreatmentResult{Treatment: t})
	}
	// Letters run from the highest mean, whatever order the table is in.
	ranked := slices.Clone(a.Treatments[:len(a.means.Levels)])
	slices.SortStableFunc(ranked, func(x, y TreatmentResult) int { return compareMeans(y, x) })
	order := make([]string, len(ranked))
	for i, r := range ranked {
		order[i] = r.Treatment
	}
	if letters, err := LettersFor(order, a.Pairs); err == nil && len(order) > 1 {
		for i := range a.Treatments {
			a.Treatments[i].Letters = letters[a.Treatments[i].Treatment]
		}
	} else if err != nil && len(a.Design.Groups) > 1 {
		a.note("%s", err)
	}
	rank := func(t string) int {
		if i := slices.Index(opt.Order, t); i >= 0 {
			return i
		}
		return len(opt.Order)
	}
	slices.SortStableFunc(a.Treatments, func(x, y TreatmentResult) int {
		return cmp.Or(cmp.Compare(rank(x.Treatment), rank(y.Treatment)), compareLabels(x.Treatment, y.Treatment))
	})
}

// compareMeans orders by adjusted mean, treatments without one lowest, and
// equal means by label.
func compareMeans(x, y TreatmentResult) int {
	switch {
	case x.Adjusted == nil && y.Adjusted == nil:
	case x.Adjusted == nil:
		return -1
	case y.Adjusted == nil:
		return 1
	}
	return cmp.Or(cmp.Compare(deref(x.Adjusted), deref(y.Adjusted)), -compareLabels(x.Treatment, y.Treatment))
}

// back carries a value of the analysis back to the unit of the response.
func (a *Analysis) back(z *float64) *float64 {
	if z == nil {
		return nil
	}
	v := a.Transform.Back(*z)
	if a.Transform.Scale != Raw || a.Transform.Kind != Measure {
		v = max(v, 0)
	}
	if whole := a.Transform.whole(); whole > 0 {
		v = min(v, whole)
	}
	return &v
}

func (a *Analysis) fillControl(values []float64, terms []Term, opt Options) error {
	if opt.Control == "" {
		return nil
	}
	if !slices.Contains(a.means.Levels, opt.Control) {
		a.warn("no plot of the control %s has a value: nothing is compared with it", opt.Control)
		return nil
	}
	if len(a.means.Levels) < 2 {
		return nil
	}
	if others := len(a.means.Levels) - 1; others > dist.MaxComparisons {
		a.warn("%d treatments beside the control: Dunnett's test takes at most %d, so it is left out", others, dist.MaxComparisons)
		return nil
	}
	var err error
	a.Side = opt.Side
	if a.VsControl, err = a.means.VsControlContext(opt.context(), opt.Control, opt.Side, opt.Alpha); err != nil {
		return err
	}
	a.warnOfCloseControl()
	if slices.ContainsFunc(values, func(v float64) bool { return v < 0 }) {
		a.note("no percentage below the control is given: the response goes below zero")
		return nil
	}
	means := a.means
	if a.Transform.Scale != Raw {
		fit, err := FitLinear(values, terms...)
		if err != nil {
			return err
		}
		if means, err = fit.MeansOf(TreatmentTerm); err != nil {
			return err
		}
		a.note("percentages below the control are from means as measured, whatever the scale of the analysis")
	}
	suppression, err := means.Suppression(opt.Control, a.Confidence)
	if err != nil {
		return err
	}
	for i := range a.Treatments {
		for j := range suppression {
			if suppression[j].Treatment == a.Treatments[i].Treatment {
				a.Treatments[i].Suppression = &suppression[j]
			}
		}
	}
	return nil
}

// warnOfCloseControl names comparisons with the control whose p value is not
// known well enough to say on which side of the level it lies.
func (a *Analysis) warnOfCloseControl() {
	for _, c := range a.VsControl {
		if c.P != nil && c.PError > 0 && math.Abs(*c.P-a.Alpha) <= c.PError {
			a.warn("%s against the control: p = %.5f is known to %.1g only, too near the level of %g to say whether it differs", c.Treatment, *c.P, c.PError, a.Alpha)
		}
	}
}

func standardDeviation(x []float64) (float64, bool) {
	if len(x) < 2 {
		return 0, false
	}
	m := mean(x)
	var ss float64
	for _, v := range x {
		ss += sq(v - m)
	}
	return math.Sqrt(ss / float64(len(x)-1)), true
}

// warnOfNoSpread warns of treatments whose plots all have one value while
// other treatments vary: they make the common error variance too small.
func (a *Analysis) warnOfNoSpread(used []Plot) {
	values := map[string][]float64{}
	for _, p := range used {
		values[p.Treatment] = append(values[p.Treatment], p.Value)
	}
	var flat []string
	varied := false
	for _, t := range a.Design.Treatments {
		v := values[t]
		switch {
		case len(v) < 2:
		case slices.Min(v) == slices.Max(v):
			flat = append(flat, fmt.Sprintf("%s (all %g)", t, v[0]))
		default:
			varied = true
		}
	}
	if varied && len(flat) > 0 {
		a.warn("no spread among the plots of %s: the assumption of one common variance fails, the error variance is too small for the other treatments and the F and p values are not reliable; read the rank tests beside them", listed(flat))
	}
}

// judge writes the verdict.
func (a *Analysis) judge(opt Options) {
	what := "the treatments"
	if a.Response != "" {
		what = "the treatments in " + a.Response
	}
	trt := a.treatment()
	switch {
	case len(a.Design.Treatments) < 2:
		a.verdict("only 1 treatment has values (%s): need at least 2 to compare", a.Design.Treatments[0])
		return
	case a.fit.SSTotal == 0:
		v := a.Plots[0].Value
		if v == 0 {
			a.verdict("every plot has 0: nothing to compare")
		} else {
			a.verdict("every plot has the same value, %g: nothing to compare", v)
		}
		return
	case trt.DF == 0:
		a.verdict("treatments cannot be told apart from blocks: no two treatments meet in a block")
		return
	case a.fit.DFResidual == 0:
		a.verdict("the means stand as measured, but nothing is left to judge their differences by: no residual degrees of freedom")
		return
	case trt.F == nil:
		a.verdict("the plots follow treatment and block exactly, with no error variance: no test is possible. Real field values never do; check whether they were calculated or copied")
		return
	}
	a.judgeBy(fmt.Sprintf("F(%d,%d) = %.2f, %s", trt.DF, a.fit.DFResidual, *trt.F, PWords(*trt.P)), *trt.P <= a.Alpha, what, opt)
	if a.Method == LSD && *trt.P > a.Alpha {
		a.warn("the LSD is honest only after a significant F; here single pairs may look different by chance")
	}
}

// judgeBy writes the verdict of an overall test and of single comparisons. A
// control named beforehand makes its comparisons the question: they lead, and
// the overall test, which asks something else, comes second in words that do
// not contradict them. Without a control the overall test leads.
func (a *Analysis) judgeBy(test string, shown bool, what string, opt Options) {
	tested, apart := 0, 0
	for _, c := range a.VsControl {
		if c.P != nil {
			tested++
		}
		if c.Differ {
			apart++
		}
	}
	if tested == 0 {
		if shown {
			a.verdictBy(test, "differences among "+what+" are shown", "")
		} else {
			a.verdictBy(test, what+" are not shown to differ", "; that does not mean they are the same")
		}
		if len(a.VsControl) > 0 {
			a.judgeControl(opt)
		} else {
			a.judgePairs()
		}
		return
	}
	a.judgeControl(opt)
	switch {
	case shown && apart > 0:
		a.verdictBy(test, "over all treatments together differences are shown too", "")
	case shown:
		a.verdictBy(test, "over all treatments together differences are shown", map[Side]string{BelowControl: ", but none below the control", AboveControl: ", but none above the control", BothSides: ", but of none from the control"}[opt.Side])
	case apart > 0:
		a.verdictBy(test, "the overall test, which asks whether any treatments differ and not which, does not show it by itself", "; it takes nothing from the comparisons with the control")
	default:
		a.verdictBy(test, "nor does the test over all treatments together show a difference", "; that does not mean they are the same")
	}
}

func (a *Analysis) verdict(format string, args ...any) {
	said := fmt.Sprintf(format, args...)
	a.Verdict, a.PlainVerdict = append(a.Verdict, said), append(a.PlainVerdict, said)
}

// verdictBy names the test that a sentence rests on, in brackets between its
// two parts.
func (a *Analysis) verdictBy(test, before, after string) {
	a.Verdict = append(a.Verdict, fmt.Sprintf("%s (%s)%s", before, test, after))
	a.PlainVerdict = append(a.PlainVerdict, before+after)
}

func (a *Analysis) judgeControl(opt Options) {
	var lower, higher, open, untested []string
	for _, c := range a.VsControl {
		switch {
		case c.P == nil:
			untested = append(untested, c.Treatment)
		case !c.Differ:
			open = append(open, c.Treatment)
		case *c.Difference < 0:
			lower = append(lower, c.Treatment)
		default:
			higher = append(higher, c.Treatment)
		}
	}
	say := func(names []string, how string) {
		if len(names) > 0 {
			a.verdictBy("Dunnett", nameList(names)+" "+fmt.Sprintf(how, opt.Control), "")
		}
	}
	say(lower, "lower than the control %s")
	say(higher, "higher than the control %s")
	switch opt.Side { // one-sided, a treatment that lies far on the other side is no finding either
	case BelowControl:
		say(open, "not shown to be lower than the control %s")
	case AboveControl:
		say(open, "not shown to be higher than the control %s")
	default:
		say(open, "not shown to differ from the control %s")
	}
	if len(untested) > 0 {
		a.verdict("%s cannot be compared with the control %s in this design", nameList(untested), opt.Control)
	}
}

// LettersHideControl reports whether a treatment that is shown to differ from
// the control shares a letter with it: letters answer for all pairs at once and
// show less.
func (a *Analysis) LettersHideControl() bool {
	control := a.result(a.Control)
	return control != nil && slices.ContainsFunc(a.VsControl, func(c ControlComparison) bool {
		r := a.result(c.Treatment)
		return c.Differ && r != nil && strings.ContainsAny(r.Letters, control.Letters)
	})
}

// judgePairs names the pairs that differ where they are few, else their number.
func (a *Analysis) judgePairs() {
	var apart, tested int
	var names []string
	for _, p := range a.Pairs {
		if p.P == nil {
			continue
		}
		tested++
		if p.Differ {
			apart++
			hi, lo := p.A, p.B
			if *p.Difference < 0 {
				hi, lo = lo, hi
			}
			names = append(names, hi+" above "+lo)
		}
	}
	switch {
	case tested == 0 || apart == 0:
	case apart <= 4:
		a.verdictBy(a.Method.Words(), nameList(names), "")
	default:
		a.verdictBy(a.Method.Words(), fmt.Sprintf("%d of %d pairs differ", apart, tested), "; the letters show which")
	}
}

// PWords writes a p value for a sentence, with three decimals and without the
// nought before them.
func PWords(p float64) string {
	switch s := fmt.Sprintf("%.3f", p); {
	case p < 0.001:
		return "p < .001"
	case p > 0.999:
		return "p > .999"
	default:
		return "p = " + strings.TrimPrefix(s, "0")
	}
}

// significant writes a value with a number of significant digits, and no
// exponent.
func significant(v float64, digits int) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
	if err != nil {
		rounded = v
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
