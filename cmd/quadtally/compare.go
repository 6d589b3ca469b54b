package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/stats"
)

type compareFlags struct {
	visit                               int
	season                              bool
	control, scale, method, class, kind string
	covariate, from, value, side        string
	json, short, calibrated, serial     bool
	model                               string
	later                               bool // the season's model may wait until the rest is told
	alpha                               float64
	decimal                             string
}

func compareCommand(a *app) *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:   "compare RESPONSE",
		Short: "Compare the treatments, block by block",
		Long: `Compares the treatments on one response: cover, pieces, count, hand-cover, yield,
cull, stand, or any assessment stored under a name of its own. Quadrats are
averaged to their plot first: the plot is the replicate, the quadrat is not.

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
				return a.compareTrial(snap, args[0], f)
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
	fl.BoolVar(&f.short, "short", false, "only the first screen, without the full tables")
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

// apply puts the flags over the options of a response.
func (f *compareFlags) apply(opt *stats.Options) error {
	opt.Method, opt.Side, opt.Alpha = stats.Method(f.method), stats.Side(f.side), f.alpha
	if f.scale != "" {
		opt.Scale = stats.Scale(f.scale)
	}
	if f.control != "" {
		opt.Control = f.control
	}
	if err := opt.Validate(); err != nil {
		return usageError{err}
	}
	return nil
}

// comparison is the outcome of one comparison; exactly one of the two is set.
type comparison struct {
	Visit    int             `json:"visit,omitempty"` // 0: the season, or a response without visits
	Analysis *stats.Analysis `json:"analysis,omitempty"`
	Season   *stats.Season   `json:"season,omitempty"`
	Entry    int64           `json:"record_entry,omitempty"` // newest entry of the record it rests on
	Settings []string        `json:"settings,omitempty"`     // fingerprints of the measuring settings
	Notes    []string        `json:"notes,omitempty"`

	// Calibrated is set where image values were carried through a line.
	Calibrated *report.Calibrated `json:"calibrated,omitempty"`

	// Second opinions, by models for what the data are.
	CountModel  *report.ShareOrCountModel  `json:"count_model,omitempty"`
	CoverModel  *report.ShareOrCountModel  `json:"cover_model,omitempty"`
	SeasonModel *report.SeasonModel        `json:"season_model,omitempty"`
	later       func() *report.SeasonModel // fits the model as soon as the rest is told
	Components  *report.Components         `json:"variance_components,omitempty"`
}

func (a *app) compareTrial(snap *record.Snapshot, name string, f compareFlags) error {
	f.later = !f.json
	c, err := compareResponse(snap, name, f)
	if err != nil {
		return err
	}
	return a.tellComparison(c, f)
}

// compareResponse is the one way from the record to a comparison; the command,
// the report and the review page all use it.
func compareResponse(snap *record.Snapshot, name string, f compareFlags) (comparison, error) {
	r, err := responseOf(snap, name, f.class)
	if err != nil {
		return comparison{}, err
	}
	if f.visit > len(snap.Trial.Visits) {
		return comparison{}, usagef("--visit %d: the plan has %d visits", f.visit, len(snap.Trial.Visits))
	}
	opt := comparisonOptions(snap, r)
	if err := f.apply(&opt); err != nil {
		return comparison{}, err
	}
	rs := r.readings(snap)
	if len(rs) == 0 {
		return comparison{}, fmt.Errorf("there is no %s in the record yet: `quadtally status` shows what is in", r.label)
	}
	c := comparison{Visit: f.visit, Entry: snap.Entry}
	if c.Settings, err = settingsOf(snap, r); err != nil {
		return comparison{}, err
	}
	visits := map[int]bool{}
	for _, x := range rs {
		visits[x.visit] = true
	}
	days, spread := visitDays(rs)
	c.Notes = append(append(c.Notes, spread...), mixedKinds(snap, r)...)
	if f.visit > 0 && !visits[f.visit] {
		return comparison{}, fmt.Errorf("there is no %s at visit %d: `quadtally status` shows what is in", r.label, f.visit)
	}
	season := f.season || (f.visit == 0 && len(visits) > 1)
	var own *stats.OwnError
	if f.calibrated {
		if f.visit > 0 {
			rs = slices.DeleteFunc(slices.Clone(rs), func(x reading) bool { return x.visit != f.visit })
		}
		cal, err := calibrateReadings(snap, r, rs)
		if err != nil {
			return comparison{}, err
		}
		rs, c.Calibrated = cal.readings, &cal.said
		e := cal.ownErrorOf(season, days)
		own = &e
		// A line can take a value below zero, so that calibrated cover and
		// counts are measures, on their own scale.
		opt.Kind, opt.Response = stats.Measure, r.label+", calibrated"
	}
	rows := statsRows(snap, rs, f.visit, days)
	if f.covariate != "" {
		if err := addCovariate(snap, rows, f.covariate); err != nil {
			return comparison{}, err
		}
		opt.UseCovariate = true
	}
	if c, err = analyseRows(rows, opt, c, season, own); err != nil {
		return comparison{}, err
	}
	if err := secondOpinions(&c, rows, opt, f, groundOfReading(snap, r)); err != nil {
		return comparison{}, err
	}
	return c, nil
}

// analyseRows compares; own is the values' own uncertainty, nil for none.
func analyseRows(rows []stats.Row, opt stats.Options, c comparison, season bool, own *stats.OwnError) (comparison, error) {
	var an stats.Analysis
	var s stats.Season
	var err error
	switch {
	case season && own != nil:
		s, err = stats.AnalyseSeasonUncertain(rows, opt, *own)
	case season:
		s, err = stats.AnalyseSeason(rows, opt)
	case own != nil:
		an, err = stats.AnalyseUncertain(rows, opt, *own)
	default:
		an, err = stats.Analyse(rows, opt)
	}
	if err != nil {
		return comparison{}, err
	}
	if season {
		c.Season = &s
	} else {
		c.Analysis = &an
	}
	return c, nil
}

// settingsOf lists the settings fingerprints behind the photos' numbers. Two
// different ones in one comparison are refused: nobody should tune a setting
// on some photos until p is small.
func settingsOf(snap *record.Snapshot, r response) ([]string, error) {
	if r.name != "cover" && r.name != "pieces" {
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

// addCovariate gives each row the plot mean of another response at a visit.
func addCovariate(snap *record.Snapshot, rows []stats.Row, spec string) error {
	name, at, ok := strings.Cut(spec, "@")
	visit := 0
	if ok {
		if _, err := fmt.Sscan(at, &visit); err != nil || visit < 1 {
			return usagef("--covariate %q: write it as RESPONSE@VISIT, such as cover@1", spec)
		}
	}
	r, err := responseOf(snap, name, "")
	if err != nil {
		return err
	}
	sum, n := map[string]float64{}, map[string]float64{}
	for _, x := range r.readings(snap) {
		if visit == 0 || x.visit == visit {
			sum[x.plot] += x.value
			n[x.plot]++
		}
	}
	for i := range rows {
		if k := n[rows[i].Plot]; k > 0 {
			rows[i].Covariate, rows[i].HasCovariate = sum[rows[i].Plot]/k, true
		}
	}
	return nil
}

func (a *app) tellComparison(c comparison, f compareFlags) error {
	if f.json {
		return a.writeJSON(c)
	}
	for _, n := range c.Notes {
		a.note("note: %s", n)
	}
	return c.write(a.out, report.TextOptions{Short: f.short})
}

// write writes a comparison with what was done to its values before and the
// second opinions after it.
func (c comparison) write(w io.Writer, opt report.TextOptions) error {
	var err error
	if c.Calibrated != nil {
		err = report.WriteCalibrated(w, *c.Calibrated)
	}
	if c.Season != nil {
		err = errors.Join(err, report.WriteSeason(w, *c.Season, opt))
	} else {
		err = errors.Join(err, report.WriteComparison(w, *c.Analysis, opt))
	}
	for _, m := range []*report.ShareOrCountModel{c.CountModel, c.CoverModel} {
		if m != nil {
			err = errors.Join(err, report.WriteModel(w, *m, opt))
		}
	}
	if c.later != nil {
		// The model of a large season takes seconds: what is known is shown first.
		if b, ok := w.(interface{ Flush() error }); ok {
			err = errors.Join(err, b.Flush())
		}
		c.SeasonModel = c.later()
	}
	if c.SeasonModel != nil {
		err = errors.Join(err, report.WriteSeasonModel(w, *c.SeasonModel, opt))
	}
	if c.Components != nil && !opt.Short {
		err = errors.Join(err, report.WriteComponents(w, *c.Components))
	}
	return err
}

// compareTable compares a table from anywhere and tells it.
func (a *app) compareTable(name string, f compareFlags) error {
	c, err := a.tableComparison(name, f)
	if err != nil && !isPartly(err) {
		return err
	}
	return cmp.Or(a.tellComparison(c, f), err)
}

// tableComparison compares a table from anywhere. Rows that could not be read
// are named and counted in an error of type partly; the comparison stands.
func (a *app) tableComparison(name string, f compareFlags) (comparison, error) {
	s, err := a.readSheet(f.from)
	if err != nil {
		return comparison{}, err
	}
	rows, faults, err := rowsFromSheet(s, name, f)
	if err != nil {
		return comparison{}, err
	}
	for _, x := range faults {
		a.note("%s", sheetFault(s, x))
	}
	opt := stats.DefaultOptions()
	opt.Response = name
	opt.Kind = kindByName(name)
	if f.kind != "" {
		opt.Kind = stats.Kind(f.kind)
	}
	if opt.Kind == stats.Percent {
		opt.Unit = "%"
	}
	opt.UseCovariate = f.covariate != ""
	if err := f.apply(&opt); err != nil {
		return comparison{}, err
	}
	days := map[float64]bool{}
	for _, r := range rows {
		days[r.Day] = true
	}
	c, err := analyseRows(rows, opt, comparison{}, f.season || len(days) > 1, nil)
	if err != nil {
		return comparison{}, err
	}
	if err := secondOpinions(&c, rows, opt, f, 1); err != nil {
		return comparison{}, err
	}
	if len(faults) > 0 {
		return c, partly{len(faults)}
	}
	return c, nil
}

func kindByName(name string) stats.Kind {
	switch key := tables.Key(name); {
	case strings.Contains(key, "cover"), strings.Contains(key, "pct"), strings.Contains(key, "%"):
		return stats.Percent
	case strings.Contains(key, "count"), strings.Contains(key, "weeds"), strings.Contains(key, "plants"):
		return stats.Count
	}
	return stats.Measure
}
