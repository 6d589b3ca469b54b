package analysis

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Options choose how a comparison is made. Start from [DefaultOptions].
type Options struct {
	Visit   int  // only this visit; 0 for all
	Season  bool // over all visits, even where there is one
	Class   string
	Control string // "" for the trial's own
	Scale   stats.Scale
	Method  stats.Method
	Side    stats.Side
	Alpha   float64
	// Covariate adjusts for another response of each plot. One that was measured
	// after the treatments began is refused unless CovariateAfter.
	Covariate      *Covariate
	CovariateAfter bool
	Asked
	// Layout is for plots of two sizes; "" for none. LayoutFactors names two
	// factors of a trial's plan, the one of the whole plots first; none takes
	// those of the plan in its order. A table gives its own as Asked.Factors.
	Layout        stats.StrataKind
	LayoutFactors []string
	// Calibrated carries values from photos through the line of the trial's
	// own pairs of hand and photo first.
	Calibrated bool
	Model      Model
	Serial     bool // the season's model correlates the dates of a plot
	// DeferSeasonModel leaves out the model of a season, which takes seconds
	// on a large one; [Comparison.AddSeasonModel] adds it.
	DeferSeasonModel bool
	// Context stops the longer calculations when it ends; nil never does.
	Context context.Context
}

// Covariate is what a comparison is adjusted for: a response of the trial at a
// visit, 0 for all its readings.
type Covariate struct {
	Response string
	Visit    int
}

// DefaultOptions compare all pairs by Tukey's method, two-sided, at 5 %.
func DefaultOptions() Options {
	d := stats.DefaultOptions()
	return Options{Method: d.Method, Side: d.Side, Alpha: d.Alpha}
}

func (o Options) context() context.Context {
	if o.Context == nil {
		return context.Background()
	}
	return o.Context
}

// over puts the choices over the options of a response.
func (o Options) over(opt *stats.Options) error {
	opt.Method, opt.Side, opt.Alpha = o.Method, o.Side, o.Alpha
	if o.Scale != "" {
		opt.Scale = o.Scale
	}
	if o.Control != "" {
		opt.Control = o.Control
	}
	if o.Context != nil {
		*opt = opt.WithContext(o.Context)
	}
	if err := opt.Validate(); err != nil {
		return UsageError{err}
	}
	return nil
}

// Comparison is the outcome of one comparison; exactly one of Analysis, Season
// and Strata is set.
type Comparison struct {
	Response Key             `json:"response,omitempty"` // of the trial; "" for a table from anywhere
	Class    string          `json:"class,omitempty"`
	Visit    int             `json:"visit,omitempty"` // 0: the season, or a response without visits
	Analysis *stats.Analysis `json:"analysis,omitempty"`
	Season   *stats.Season   `json:"season,omitempty"`
	Strata   *StrataAnswer   `json:"strata,omitempty"`
	Entry    int64           `json:"record_entry,omitempty"` // newest entry of the record it rests on
	Settings []string        `json:"settings,omitempty"`     // fingerprints of the measuring settings
	Notes    []string        `json:"notes,omitempty"`
	// Questions are what the sheets behind the values leave open.
	Questions []SheetQuestion `json:"questions,omitempty"`

	// Role tells which way is good, MadeOf what is in the values beside weeds.
	Role   Role   `json:"role,omitempty"`
	MadeOf string `json:"holds,omitempty"`
	// Checked says, visit by visit, how covers by class were corrected.
	Checked []Checked `json:"checked,omitempty"`

	// Calibrated is set where image values were carried through a line.
	Calibrated *Calibrated `json:"calibrated,omitempty"`

	// Answers to questions beyond the pairs.
	Planned   *stats.PlannedContrasts   `json:"planned_contrasts,omitempty"`
	Trend     *stats.Trend              `json:"trend,omitempty"`
	Factorial *FactorialAnswer          `json:"factorial,omitempty"`
	Margin    *MarginAnswer             `json:"margin,omitempty"`
	StepDown  []stats.ControlComparison `json:"step_down,omitempty"`
	// SecondLooks are further checks of the residuals, on request.
	SecondLooks *stats.SecondLooks `json:"second_looks,omitempty"`

	// Second opinions, by models for what the data are.
	CountModel  *ShareOrCountModel `json:"count_model,omitempty"`
	CoverModel  *ShareOrCountModel `json:"cover_model,omitempty"`
	SeasonModel *SeasonModel       `json:"season_model,omitempty"`
	Components  *Components        `json:"variance_components,omitempty"`

	// Standing is set for a trial.
	Standing *Standing `json:"standing,omitempty"`

	rates map[string]float64 // of Trend
}

// Main is the analysis whose treatments, letters and verdict are shown; nil for
// a split plot or strip plot.
func (c Comparison) Main() *stats.Analysis {
	if c.Season != nil {
		return &c.Season.PeriodMean
	}
	return c.Analysis
}

// Compare is the one way from the record to a comparison of treatments.
func Compare(snap *record.Snapshot, name string, o Options) (Comparison, error) {
	r, err := Find(snap, name, o.Class)
	if err != nil {
		return Comparison{}, err
	}
	if o.Visit < 0 || o.Visit > len(snap.Trial.Visits) {
		return Comparison{}, misuse("--visit %d: the plan has %d visits", o.Visit, len(snap.Trial.Visits))
	}
	opt := statsOptions(snap, r)
	if err := o.over(&opt); err != nil {
		return Comparison{}, err
	}
	r.calibrated = o.Calibrated
	rs, notes, err := r.Readings(snap)
	if err != nil {
		return Comparison{}, err
	}
	if len(rs) == 0 && r.def.ofRole != "" {
		return Comparison{}, r.notClassified(snap)
	}
	if len(rs) == 0 {
		return Comparison{}, fmt.Errorf("there is no %s in the record yet: `quadtally status` shows what is in", r.Label)
	}
	c := Comparison{Response: r.Key, Class: r.Class, Visit: o.Visit, Entry: snap.Entry, Role: r.Role, MadeOf: r.MadeOf()}
	if c.Settings, err = settingsOf(snap, r); err != nil {
		return Comparison{}, err
	}
	visits := map[int]bool{}
	for _, x := range rs {
		visits[x.Visit] = true
	}
	days, several := VisitDays(rs)
	c.Notes = slices.Concat(several, notes)
	c.Questions = r.Questions(snap)
	if o.Visit > 0 && !visits[o.Visit] {
		return Comparison{}, fmt.Errorf("there is no %s at visit %d: `quadtally status` shows what is in", r.Label, o.Visit)
	}
	season := o.Season || (o.Visit == 0 && len(visits) > 1)
	var own *stats.OwnError
	if o.Calibrated {
		if o.Visit > 0 {
			rs = slices.DeleteFunc(slices.Clone(rs), func(x Reading) bool { return x.Visit != o.Visit })
		}
		cal, err := calibrateReadings(snap, r, rs)
		if err != nil {
			return Comparison{}, err
		}
		rs, c.Calibrated = cal.readings, &cal.summary
		e := cal.ownErrorOf(season, days)
		own = &e
		if r.def.ofRole != "" {
			c.Notes = append(c.Notes, "the line of the pairs takes "+r.Label+" as its check points left it: what these leave open is not carried on top of the line's own uncertainty")
		}
		// A line can take a value below zero, so that calibrated cover and
		// counts are measures, on their own scale.
		opt.Kind, opt.Response = stats.Measure, r.Label+", calibrated"
	}
	if r.def.ofRole != "" && own == nil {
		if opt.Scale != stats.Raw && opt.Scale != "" {
			return Comparison{}, errNotRaw(r.Label)
		}
		opt.Scale = stats.Raw
		if own, c.Checked, err = ownOf(snap, r, o.Visit, season, days); err != nil {
			return Comparison{}, err
		}
		// A model for shares would know nothing of that uncertainty.
		o.Model = NoModel
	}
	if opt.Kind == stats.Count {
		opt.Ground = countedOn(rs) / r.Factor
	}
	rows := rowsOf(snap, r.valuesOf(snap, rs, o.Visit, days))
	if o.Covariate != nil {
		note, err := addCovariate(snap, rows, *o.Covariate, o.CovariateAfter)
		if err != nil {
			return Comparison{}, err
		}
		if note != "" {
			c.Notes = append(c.Notes, note)
		}
		opt.UseCovariate = true
	}
	if o.Rates != nil || o.Factors != nil {
		return Comparison{}, misuse("the rates and factors of a trial stand in its plan")
	}
	if o.Layout != "" {
		return c, c.analyseLayout(snap, rows, opt, o, season || own != nil)
	}
	if err := c.analyse(rows, opt, season, own); err != nil {
		return Comparison{}, err
	}
	if err := c.askOf(snap, o, r.Role); err != nil {
		return Comparison{}, err
	}
	standing := standingOf(snap, r, o)
	c.Standing = &standing
	return c, c.addModels(rows, opt, o, countedOn(rs)/r.Factor)
}

// analyseLayout compares the plots of a trial as a split plot or strip plot of
// two factors of its plan.
func (c *Comparison) analyseLayout(snap *record.Snapshot, rows []stats.Row, opt stats.Options, o Options, more bool) error {
	if more || o.beyondLayout() {
		return misuse("a split plot or strip plot is compared at one visit (--visit), without covariate, contrasts, margin, step-down test, second looks, model of your choice or values that carry an uncertainty of their own")
	}
	plan := snap.Trial.Factors
	var factors []trial.Factor
	for _, name := range o.LayoutFactors {
		i := slices.IndexFunc(plan, func(f trial.Factor) bool { return strings.EqualFold(f.Name, name) })
		if i < 0 {
			return misuse("the plan has no factor %q: a line such as `factor: nitrogen = N0 0, N50 50` gives every treatment its level", name)
		}
		factors = append(factors, plan[i])
	}
	if o.LayoutFactors == nil {
		factors = plan
	}
	if len(factors) != 2 {
		return misuse("a split plot or strip plot has two factors, and the plan has %d: name two of its factors as --factors WHOLE,SUB", len(plan))
	}
	for _, f := range factors {
		for _, r := range rows {
			if !slices.ContainsFunc(f.Levels, func(l trial.FactorLevel) bool { return l.Treatment == r.Treatment }) {
				return misuse("treatment %s has no level of %s in the plan: in a split plot or strip plot every treatment is a level of one factor with a level of the other", r.Treatment, f.Name)
			}
		}
	}
	var err error
	if c.Strata, err = compareStrata(o.context(), rows, opt, o.Layout, factors); err != nil {
		return err
	}
	how := "that %s was randomised to the larger plots and %s inside them is taken on your word"
	if o.Layout == stats.StripPlot {
		how = "that %s and %s were each randomised to strips across the block is taken on your word"
	}
	c.Notes = append(c.Notes, fmt.Sprintf(how, factors[0].Name, factors[1].Name))
	return nil
}

// beyondLayout reports that something is asked for which a split plot or strip
// plot does not answer.
func (o Options) beyondLayout() bool {
	return o.Covariate != nil || len(o.Contrasts) > 0 || o.Margin != nil || o.StepDown || o.SecondLooks || o.Serial || o.Model != ModelByKind && o.Model != NoModel
}

// countedOn is the ground or bed that every reading was counted on, 1 where the
// readings stand alone or differ in it.
func countedOn(rs []Reading) float64 {
	for _, x := range rs {
		if x.Per <= 0 || x.Per != rs[0].Per {
			return 1
		}
	}
	return rs[0].Per
}

// CompareRows compares the rows of a table from anywhere. Rows on more than one
// day are a season.
func CompareRows(rows []stats.Row, response string, kind stats.Kind, o Options) (Comparison, error) {
	opt := stats.DefaultOptions()
	opt.Response, opt.Kind = response, kind
	if kind == stats.Percent {
		opt.Unit = "%"
	}
	opt.UseCovariate = o.Covariate != nil
	if err := o.over(&opt); err != nil {
		return Comparison{}, err
	}
	days := map[float64]bool{}
	for _, r := range rows {
		days[r.Day] = true
	}
	var c Comparison
	if o.Layout != "" {
		if len(days) > 1 || o.beyondLayout() {
			return c, misuse("a split plot or strip plot is compared at one visit, without covariate, contrasts, step-down test, second looks, model of your choice or margin")
		}
		var err error
		c.Strata, err = compareStrata(o.context(), rows, opt, o.Layout, o.Factors)
		return c, err
	}
	if err := c.analyse(rows, opt, o.Season || len(days) > 1, nil); err != nil {
		return Comparison{}, err
	}
	if err := c.askOf(nil, o, roleByName(response)); err != nil {
		return Comparison{}, err
	}
	return c, c.addModels(rows, opt, o, 1)
}

// analyse compares; own is the values' own uncertainty, nil for none.
func (c *Comparison) analyse(rows []stats.Row, opt stats.Options, season bool, own *stats.OwnError) error {
	var a stats.Analysis
	var s stats.Season
	var err error
	switch {
	case season && own != nil:
		s, err = stats.AnalyseSeasonUncertain(rows, opt, *own)
	case season:
		s, err = stats.AnalyseSeason(rows, opt)
	case own != nil:
		a, err = stats.AnalyseUncertain(rows, opt, *own)
	default:
		a, err = stats.Analyse(rows, opt)
	}
	if err != nil {
		return err
	}
	if season {
		c.Season = &s
	} else {
		c.Analysis = &a
	}
	return nil
}

// settingsOf lists the settings fingerprints behind the photos' numbers. Two
// different ones in one comparison are refused: nobody should tune a setting
// on some photos until p is small.
func settingsOf(snap *record.Snapshot, r Response) ([]string, error) {
	if !r.FromPhotos() {
		return nil, nil
	}
	var out []string
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() && !slices.Contains(out, p.Fingerprint) {
			out = append(out, p.Fingerprint)
		}
	}
	slices.Sort(out)
	if len(out) > 1 {
		return nil, fmt.Errorf("the photos were measured with %d different settings (%s), which must not meet in one comparison: run `quadtally photos` again over all folders", len(out), strings.Join(out, ", "))
	}
	return out, nil
}

// addCovariate gives each row the plot mean of another response. It refuses one
// that was measured when the treatments had begun, unless it is forced: what
// the treatments did to it would be taken out of their effect. The note says
// what could not be checked, or what was forced.
func addCovariate(snap *record.Snapshot, rows []stats.Row, by Covariate, after bool) (note string, err error) {
	r, err := Find(snap, by.Response, "")
	if err != nil {
		return "", err
	}
	if _, err := settingsOf(snap, r); err != nil {
		return "", err
	}
	rs, _, err := r.Readings(snap)
	if err != nil {
		return "", err
	}
	sum, n := map[string]float64{}, map[string]float64{}
	var last trial.Date
	for _, x := range rs {
		if by.Visit == 0 || x.Visit == by.Visit {
			sum[x.Plot] += r.Shown(x)
			n[x.Plot]++
			if !x.Date.IsZero() && (last.IsZero() || last.DaysTo(x.Date) > 0) {
				last = x.Date
			}
		}
	}
	for i := range rows {
		if k := n[rows[i].Plot]; k > 0 {
			rows[i].Covariate, rows[i].HasCovariate = sum[rows[i].Plot]/k, true
		}
	}
	began, what := treatmentsBegan(snap)
	switch {
	case began.IsZero() || last.IsZero():
		return fmt.Sprintf("whether %s was measured before the treatments could not be checked: the record has no date of %s", r.Label,
			map[bool]string{true: "an operation on single treatments", false: "it"}[began.IsZero()]), nil
	case began.DaysTo(last) < 0:
		return "", nil
	case !after:
		return "", misuse("the covariate %s was measured on %s, and %s was on %s: adjusting for it takes out what the treatments did to it. Take a visit before, or --covariate-after if the treatments cannot have moved it", r.Label, last, what, began)
	}
	return fmt.Sprintf("the covariate %s was measured on %s, after %s on %s: what the treatments did to it is taken out of their effect", r.Label, last, what, began), nil
}

// treatmentsBegan is the first day on which something was done, or was to be
// done, to some treatments and not to all.
func treatmentsBegan(snap *record.Snapshot) (first trial.Date, what string) {
	earlier := func(d trial.Date, name string) {
		if !d.IsZero() && (first.IsZero() || d.DaysTo(first) > 0) {
			first, what = d, name
		}
	}
	for _, o := range snap.Operations {
		if o.Treatment != "" || o.Plot != "" {
			earlier(o.Date, o.What)
		}
	}
	if !first.IsZero() {
		return first, what
	}
	for _, set := range datesPlanned(&snap.Trial) {
		for _, days := range set.ByTreatment {
			for _, d := range days {
				if day, err := trial.ParseDate(d); err == nil {
					earlier(day, set.Operation)
				}
			}
		}
	}
	return first, what
}
