package analysis

import (
	"context"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/stats"
)

// This file reads what a person typed as a question: numbers that may be in
// percent, names in a list, one of two layouts. Errors are of UsageError.

// CheckAlpha refuses a significance level that is none.
func CheckAlpha(alpha float64) error {
	if !(alpha > 0 && alpha < 0.5) {
		return misuse("--alpha %v is not between 0 and 0.5", alpha)
	}
	return nil
}

// percentOr reads a number above 0; one in percent is given as a fraction.
func percentOr(text string) (v float64, percent, ok bool) {
	number, percent := strings.CutSuffix(strings.TrimSpace(text), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v > 0) || v > 1e15 {
		return 0, percent, false
	}
	if percent {
		v /= 100
	}
	return v, percent, true
}

// ParseMargin reads the question of a margin around a treatment, nil for none:
// of others being within it both ways of equivalentTo, or at most so much worse
// than noWorseThan. by is "5%" of that treatment's mean, or 2 in the unit of the
// response; worse is above, below, or "" for what the response says.
func ParseMargin(equivalentTo, noWorseThan, by, worse string) (*Margin, error) {
	m := Margin{Reference: equivalentTo + noWorseThan, OneSided: noWorseThan != ""}
	switch {
	case m.Reference == "" && by == "" && worse == "":
		return nil, nil
	case (equivalentTo == "") == (noWorseThan == ""):
		return nil, misuse("a margin is asked about with one of --equivalent-to TREATMENT and --no-worse-than TREATMENT")
	case by == "":
		return nil, misuse("--margin is missing: state it before you look, such as --margin 5%% or --margin 2")
	}
	side, ok := map[string]stats.Side{"": "", "above": stats.AboveControl, "below": stats.BelowControl}[worse]
	if !ok {
		return nil, misuse("--worse %q: say above or below", worse)
	}
	m.Worse = side
	if m.By, m.Relative, ok = percentOr(by); !ok {
		return nil, misuse("--margin %q: write 5%% for 5 %% of the treatment's mean, or 2 for 2 in the unit of the response", by)
	}
	return &m, nil
}

// ParseDifference reads a difference that is asked about: "20%" of the mean, or
// 8 in the unit of the response; nil for "".
func ParseDifference(text string) (*Difference, error) {
	if text == "" {
		return nil, nil
	}
	v, ofMean, ok := percentOr(text)
	if !ok {
		return nil, misuse("--difference %q: write 8 for 8 in the unit of the response, or 20%% for 20 %% of the mean", text)
	}
	return &Difference{Value: v, OfMean: ofMean}, nil
}

// ParseCovariate reads RESPONSE@VISIT; nil for "". In a table it is a column,
// whatever is in its name.
func ParseCovariate(text string, ofTable bool) (*Covariate, error) {
	name, at, ok := strings.Cut(text, "@")
	switch {
	case text == "":
		return nil, nil
	case !ok || ofTable:
		return &Covariate{Response: text}, nil
	}
	visit, err := strconv.Atoi(at)
	if err != nil || visit < 1 {
		return nil, misuse("--covariate %q: write it as RESPONSE@VISIT, such as cover@1", text)
	}
	return &Covariate{Response: name, Visit: visit}, nil
}

// ParseLayout reads split-plot or strip-plot, "" for neither. A table needs its
// two factors named; a trial's plan may hold them.
func ParseLayout(text string, factors []string, ofTable bool) (stats.StrataKind, error) {
	switch text {
	case "":
		return "", nil
	case "split-plot", "strip-plot":
		if len(factors) != 2 && (ofTable || factors != nil) {
			return "", misuse("--layout %s goes with --factors WHOLE,SUB", text)
		}
		return stats.StrataKind(strings.ReplaceAll(text, "-", "_")), nil
	}
	return "", misuse("--layout %q: say split-plot or strip-plot", text)
}

// ParseSame reads names of one treatment, each "NAME = NAME".
func ParseSame(list []string) (names []stats.TreatmentName, err error) {
	for _, s := range list {
		name, as, ok := strings.Cut(s, "=")
		if name, as = strings.TrimSpace(name), strings.TrimSpace(as); !ok || name == "" || as == "" {
			return nil, misuse("--same %q: write \"NAME = NAME\"", s)
		}
		names = append(names, stats.TreatmentName{Name: name, As: as})
	}
	return names, nil
}

// Validate refuses numbers that mean nothing.
func (n PowerNumbers) Validate() error {
	if err := CheckAlpha(n.Alpha); err != nil {
		return err
	}
	if n.Blocks < 0 || n.Blocks > 10000 {
		return misuse("--blocks %d: need 2 to 10000", n.Blocks)
	}
	return atLeastNought(map[string]float64{"cv": 100 * n.CVFrac, "sd": n.SD, "mean": n.Mean})
}

// Validate refuses questions that have no answer; alpha is the significance
// level they are asked at.
func (q PowerQuestion) Validate(alpha float64) error {
	switch {
	case !(q.Wanted > alpha && q.Wanted < 1):
		return misuse("--power %v: need a number between the significance level and 1", q.Wanted)
	case q.MinutesPerPlot > 0 && q.MinutesPerQuadrat == 0:
		return misuse("--minutes-plot needs --minutes-quadrat beside it")
	case q.MostQuadrats < 1 || q.MostQuadrats > 1000:
		return misuse("--most-quadrats %d: need 1 to 1000", q.MostQuadrats)
	}
	given := map[string]float64{"minutes-quadrat": q.MinutesPerQuadrat, "minutes-plot": q.MinutesPerPlot}
	if v := q.Variances; v != nil {
		given["plot-variance"], given["quadrat-variance"] = v.Plot, v.Quadrat
	}
	return atLeastNought(given)
}

func atLeastNought(given map[string]float64) error {
	for _, name := range slices.Sorted(maps.Keys(given)) {
		if v := given[name]; !(v >= 0) || math.IsInf(v, 0) {
			return misuse("--%s %v: need a number from 0", name, v)
		}
	}
	return nil
}

// PhotosAgainst is the response of photos that is asked for by name, "" where
// cover or count are asked for alone; kind is what calibrate takes it for.
func PhotosAgainst(name string) (key Key, kind calibrate.Kind) {
	switch k := Named(name); k {
	case WeedCover:
		return k, calibrate.Cover
	case WeedPieces:
		return k, calibrate.Count
	}
	return "", calibrate.Kind(name)
}

// AgreeQuestion is what is asked of photos against hands, in the units that
// people read: cover in points.
type AgreeQuestion struct {
	Of       string // cover, count, weed-cover or weed-pieces
	Margin   string // a number, "" for none
	Over     string // "LOW,HIGH", "" for none
	TargetSE float64
}

// Options turns the question into those of calibrate, over the defaults opt. Of
// pairs from a table the unit is opt's.
func (q AgreeQuestion) Options(opt calibrate.Options) (calibrate.Options, error) {
	if _, opt.Kind = PhotosAgainst(q.Of); opt.Kind != calibrate.Cover && opt.Kind != calibrate.Count {
		return opt, misuse("--of %q: say cover, count, weed-cover or weed-pieces", q.Of)
	}
	per := 1.0
	if opt.Kind == calibrate.Cover {
		per = 100
	}
	opt.TargetSE = q.TargetSE / per
	if q.Margin != "" {
		m, err := strconv.ParseFloat(strings.TrimSpace(q.Margin), 64)
		if err != nil {
			return opt, misuse("--margin %q is not a number", q.Margin)
		}
		m /= per
		opt.Margin = &m
	}
	if q.Over != "" {
		low, high, ok := strings.Cut(q.Over, ",")
		from, err1 := strconv.ParseFloat(strings.TrimSpace(low), 64)
		to, err2 := strconv.ParseFloat(strings.TrimSpace(high), 64)
		if !ok || err1 != nil || err2 != nil {
			return opt, misuse("--over %q: write two values as LOW,HIGH, such as 0,40", q.Over)
		}
		opt.Enough.Range = &[2]float64{from / per, to / per}
	}
	if err := opt.Validate(); err != nil {
		return opt, UsageError{err}
	}
	return opt, nil
}

// CompareTable compares a table from anywhere. Rows that cannot be read are
// given as faults; the comparison is made of the others. A covariate is the
// column opt.Covariate names.
func CompareTable(s *tables.Sheet, response string, kind stats.Kind, columns TableColumns, opt Options) (Comparison, []tables.Fault, error) {
	if opt.Calibrated {
		return Comparison{}, nil, misuse("--calibrated needs the trial's own pairs of hand and photo; it does not go with --from")
	}
	if opt.Covariate != nil {
		columns.Covariate = opt.Covariate.Response
	}
	t, err := ReadTable(s, response, columns)
	if err != nil {
		return Comparison{}, nil, err
	}
	if kind == "" {
		kind = KindByName(response)
	}
	opt.Rates, opt.Factors = t.Rates, t.Factors
	c, err := CompareRows(t.Rows, response, kind, opt)
	if err != nil {
		return c, t.Faults, err
	}
	c.Notes = append(c.Notes, t.Notes...)
	if len(t.Unused) > 0 {
		c.Notes = append(c.Notes, "columns that were not used: "+strings.Join(t.Unused, ", "))
	}
	if columns.Covariate != "" {
		c.Notes = append(c.Notes, "that "+columns.Covariate+" was measured before the treatments is taken on your word")
	}
	return c, t.Faults, nil
}

// KeepTried stores the choices of a comparison that the record does not hold
// yet, so that they are counted.
func (c *Comparison) KeepTried(ctx context.Context, store *record.Store) error {
	_, err := store.WriteAs(ctx, record.EntryDerived, "compare", strings.Join(c.Standing.New, ", "), func(w *record.Tx) error {
		for _, choice := range c.Standing.New {
			if _, err := w.Decide(TriedSubject(c.Response, c.Class, choice), record.KindTried, Tried{Choice: choice}); err != nil {
				return err
			}
		}
		return nil
	})
	return err
}

// Title names a comparison in a script: the name that was asked for, class and
// visit.
func (c *Comparison) Title(name string) string {
	title := strings.TrimSpace(name + " " + c.Class)
	if c.Visit > 0 {
		title += ", visit " + strconv.Itoa(c.Visit)
	}
	return title
}

// NameByFolder gives trials of one name, such as those of one plan over the
// years, the names of their folders too.
func NameByFolder(list []TrialValues, folders []string) {
	if len(list) != len(folders) {
		return
	}
	count := map[string]int{}
	for _, t := range list {
		count[t.Name]++
	}
	for i, t := range list {
		if count[t.Name] > 1 {
			list[i].Name += " (" + folders[i] + ")"
		}
	}
}
