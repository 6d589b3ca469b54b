package analysis

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
	"quadtally/stats/dist"
)

// TrialValues are the plot values of one trial of several.
type TrialValues struct {
	Name, Place, Year string
	Response          string // in a sentence
	Unit              string
	One               float64 // what counts as one thing in the scales of counts: stats.Options.One
	Kind              stats.Kind
	Control           string
	Plots             []stats.CombinePlot // without the trial's name, as measured
	Notes             []string
	// ByClass says that the values are covers by class, which are compared on
	// the raw scale. Own is what their check points leave open, of Plots in
	// their order, nil where that is not known; Checked says how they were
	// corrected.
	ByClass bool
	Own     *stats.OwnError
	Checked []Checked
}

// valuesOfRows averages quadrats to plots, and visits to the mean over the
// period; a plot that was not seen over the whole period has none. names are
// those of the plots in their order.
func valuesOfRows(rows []stats.Row) (values []stats.CombinePlot, names, notes []string, err error) {
	rows, notes = stats.CleanLabels(rows)
	days := map[float64]bool{}
	for _, r := range rows {
		days[r.Day] = true
	}
	if len(days) > 1 {
		plots, _, err := stats.SeasonPlots(rows)
		if err != nil {
			return nil, nil, nil, err
		}
		for _, p := range plots {
			if p.PeriodMean == nil || !p.WholePeriod {
				notes = append(notes, fmt.Sprintf("plot %s was not seen over the whole period and is left out", p.Name))
				continue
			}
			values = append(values, stats.CombinePlot{Block: p.Block, Treatment: p.Treatment, Value: *p.PeriodMean})
			names = append(names, p.Name)
		}
		return values, names, append(notes, fmt.Sprintf("the mean over %d visits", len(days))), nil
	}
	plots, err := stats.PlotMeans(rows)
	if err != nil {
		return nil, nil, nil, err
	}
	for _, p := range plots {
		if !p.Missing {
			values = append(values, stats.CombinePlot{Block: p.Block, Treatment: p.Treatment, Value: p.Value})
			names = append(names, p.Name)
		}
	}
	return values, names, notes, nil
}

// ofPlots is the own error of plots in their order: of their values at the one
// visit there is, or of their means over the period.
func ofPlots(e stats.OwnError, names []string) (stats.OwnError, error) {
	days := map[string][]float64{}
	for i, p := range e.Plots {
		if e.Days != nil {
			days[p] = append(days[p], e.Days[i])
		}
	}
	weights := make([][]float64, len(names))
	for k, name := range names {
		weights[k] = make([]float64, len(e.Plots))
		at := slices.Sorted(slices.Values(days[name]))
		var sum float64
		for i, p := range e.Plots {
			switch {
			case p != name:
				continue
			case len(at) < 2:
				weights[k][i] = 1
			default: // the share of the visit in the mean over the period
				j := slices.Index(at, e.Days[i])
				weights[k][i] = (at[min(j+1, len(at)-1)] - at[max(j-1, 0)]) / 2 / (at[len(at)-1] - at[0])
			}
			sum += weights[k][i]
		}
		if math.Abs(sum-1) > 1e-9 {
			return e, fmt.Errorf("what the check points leave open is not known for plot %s", name)
		}
	}
	out := stats.OwnError{Plots: names, DF: e.DF, Cov: make([][]float64, len(names))}
	for i := range names {
		out.Cov[i] = make([]float64, len(names))
		for j := range names {
			out.Cov[i][j] = bilinear(weights[i], e.Cov, weights[j])
		}
	}
	return out, nil
}

func bilinear(a []float64, m [][]float64, b []float64) float64 {
	var s float64
	for i, x := range a {
		if x != 0 {
			for j, y := range b {
				s += x * m[i][j] * y
			}
		}
	}
	return s
}

// ValuesOfTrial takes the plot values of a response from a record: at one
// visit, or the mean over all visits there are.
func ValuesOfTrial(snap *record.Snapshot, name, class string, visit int) (TrialValues, error) {
	r, err := Find(snap, name, class)
	if err != nil {
		return TrialValues{}, err
	}
	if _, err := settingsOf(snap, r); err != nil {
		return TrialValues{}, err
	}
	rs, notes, err := r.Readings(snap)
	if err != nil {
		return TrialValues{}, err
	}
	days, several := VisitDays(rs)
	values := r.valuesOf(snap, rs, visit, days)
	if len(values) == 0 {
		return TrialValues{}, fmt.Errorf("trial %s has no %s%s", snap.Trial.Name, r.Label, whereLooked(visit))
	}
	out := TrialValues{Name: snap.Trial.Name, Response: r.Label, Unit: r.Unit, One: r.one(), Kind: r.Kind, Control: snap.Trial.Control(), ByClass: r.def.ofRole != ""}
	var names, more []string
	if out.Plots, names, more, err = valuesOfRows(rowsOf(snap, values)); err != nil {
		return out, err
	}
	out.Notes = slices.Concat(several, notes, more, textsOf(r.Questions(snap)))
	own, checked, err := ownOf(snap, r, visit, visit == 0, days)
	if err != nil || own == nil {
		return out, err
	}
	e, err := ofPlots(*own, names)
	out.Own, out.Checked = &e, checked
	return out, err
}

// ValuesOfExport takes them from the table of values of an exported trial, and
// what is open about them from its table of questions, nil where it has none.
func ValuesOfExport(s, questions *tables.Sheet, name, response, class string, visit int) (TrialValues, error) {
	def, ok := lookUp(nameKey(response))
	if !ok {
		def = definition{key: Key(response), label: response, kind: KindByName(response)}
	}
	col := map[string]int{}
	for _, c := range []string{"plot", "block", "treatment", "visit", "day", "quadrat", "response", "class", "value", "unit"} {
		if col[c] = s.Column(c); col[c] < 0 {
			return TrialValues{}, s.MissingColumn(c)
		}
	}
	values, faults := s.NumbersByLine(col["value"], tables.Point)
	days, more := s.NumbersByLine(col["day"], tables.Point)
	if faults = append(faults, more...); len(faults) > 0 {
		return TrialValues{}, s.FaultError(faults[0])
	}
	out := TrialValues{Name: name, Response: def.label, Kind: def.kind, ByClass: def.ofRole != ""}
	// Older exports state neither kind, label nor control.
	stated := func(row tables.Row, column string) string {
		if c := s.Column(column); c >= 0 {
			return row.Cells[c].Text
		}
		return ""
	}
	var rows []stats.Row
	for _, row := range s.Rows {
		cell := func(c string) string { return row.Cells[col[c]].Text }
		if nameKey(cell("response")) != nameKey(string(def.key)) || nameKey(cell("class")) != nameKey(class) || visit > 0 && cell("visit") != fmt.Sprint(visit) {
			continue
		}
		v := values[row.Line]
		out.Unit = cmp.Or(out.Unit, cell("unit"))
		out.Kind = cmp.Or(stats.Kind(stated(row, "kind")), out.Kind)
		out.Response = cmp.Or(stated(row, "label"), out.Response)
		if stated(row, "control") != "" {
			out.Control = cell("treatment")
		}
		rows = append(rows, stats.Row{Plot: cell("plot"), Block: cell("block"), Treatment: cell("treatment"), Quadrat: cell("quadrat"), Day: days[row.Line].Number,
			Value: v.Number, Missing: v.Missing, Source: s.Where(row.Line)})
	}
	if len(rows) == 0 {
		return out, fmt.Errorf("%s has no %s%s", s.Name, response, whereLooked(visit))
	}
	if def.unitIn != nil && def.kind == stats.Count {
		if unit, factor := def.unitIn(&trial.Trial{Units: trial.US}); unit == out.Unit {
			out.One = factor
		}
	}
	plots, _, notes, err := valuesOfRows(rows)
	out.Plots, out.Notes = plots, append(notes, openInExport(questions, def.key, class)...)
	if out.ByClass {
		out.Notes = append(out.Notes, "what check points leave open of these covers is in no line here: this trial's own line is of its values as they stand and too sure")
	}
	return out, err
}

// openInExport are the questions and notes that an export has of a response.
func openInExport(s *tables.Sheet, key Key, class string) []string {
	if s == nil {
		return nil
	}
	response, of, text := s.Column("response"), s.Column("class"), s.Column("text")
	if response < 0 || of < 0 || text < 0 {
		return nil
	}
	var out []string
	for _, row := range s.Rows {
		if nameKey(row.Cells[response].Text) == nameKey(string(key)) && nameKey(row.Cells[of].Text) == nameKey(class) {
			out = append(out, row.Cells[text].Text)
		}
	}
	return out
}

// ValuesOfTable takes the trials of a table: told apart by its columns, or one
// trial named like the table where it has none of them. A kind of "" goes by the
// response's name.
func ValuesOfTable(s *tables.Sheet, response string, kind stats.Kind, f TableColumns) (trials []TrialValues, unused []string, err error) {
	if kind == "" {
		kind = KindByName(response)
	}
	f.Trials = s.Column(placeColumns...) >= 0 || s.Column(yearColumns...) >= 0
	t, err := ReadTable(s, response, f)
	if err != nil {
		return nil, nil, err
	}
	if len(t.Faults) > 0 {
		return nil, nil, s.FaultError(t.Faults[0])
	}
	rows := map[string][]stats.Row{}
	for i, r := range t.Rows {
		x := TrialValues{Name: s.Name, Response: response, Kind: kind}
		if f.Trials {
			x.Name, x.Place, x.Year = t.Trials[i], t.Places[i], t.Years[i]
		}
		if x.Name == "" {
			return nil, nil, fmt.Errorf("%s: this row names no trial", r.Source)
		}
		if rows[x.Name] == nil {
			trials = append(trials, x)
		}
		rows[x.Name] = append(rows[x.Name], r)
	}
	for i := range trials {
		if trials[i].Plots, _, trials[i].Notes, err = valuesOfRows(rows[trials[i].Name]); err != nil {
			return nil, nil, fmt.Errorf("trial %s: %w", trials[i].Name, err)
		}
	}
	if len(trials) > 0 {
		trials[0].Notes = append(trials[0].Notes, t.Notes...)
	}
	return trials, t.Unused, nil
}

// CombineOptions choose how trials are combined.
type CombineOptions struct {
	Control string // "" for the one that all trials name
	Scale   stats.Scale
	Alpha   float64
	Names   []stats.TreatmentName
	Own     []string
	// Cross tells places and years apart; every trial then has both.
	Cross bool
	// Context ends long work; nil for none.
	Context context.Context
}

// crossed says where places come again in several years, which trials by
// themselves do not allow for.
func crossed(list []TrialValues) string {
	years, places := map[string]map[string]bool{}, map[string]map[string]bool{}
	for _, t := range list {
		if t.Place == "" || t.Year == "" {
			return ""
		}
		if years[t.Place] == nil {
			years[t.Place] = map[string]bool{}
		}
		if places[t.Year] == nil {
			places[t.Year] = map[string]bool{}
		}
		years[t.Place][t.Year], places[t.Year][t.Place] = true, true
	}
	again := func(m map[string]map[string]bool) bool {
		for _, x := range m {
			if len(x) > 1 {
				return true
			}
		}
		return false
	}
	if !again(years) || !again(places) {
		return ""
	}
	return "places come again in several years, and each place and year counts here as a trial of its own; --places-and-years allows for places and years that favour a treatment, which is the surer answer"
}

// CombinedAnswer is the analysis of several trials. Means and differences are
// on the scale of Transform; Back are the means in the unit of the response.
type CombinedAnswer struct {
	stats.Combined
	Response  string          `json:"response"`
	Unit      string          `json:"unit,omitempty"`
	Transform stats.Transform `json:"transform"`
	Alpha     float64         `json:"alpha"`
	Back      []float64       `json:"back"` // in the order of Means
	Forests   []Forest        `json:"forests"`
	Notes     []string        `json:"notes,omitempty"`
	// Checked says, by trial, how covers by class were corrected.
	Checked map[string][]Checked `json:"checked,omitempty"`

	input stats.CombineInput
}

// Forest is a difference of two treatments trial by trial and, as its last line,
// over all trials.
type Forest struct {
	Treatment string             `json:"treatment"`
	Against   string             `json:"against"`
	Lines     []stats.ForestLine `json:"lines"`
}

// sameTrial finds two trials that are one: a copy, also one in which a value was
// corrected or left out, or an export beside its trial. alike is how many plots of
// the smaller one, of how many, have the same block, treatment and value in the
// other. Plots that are all alike say nothing of that, and of trials with few
// different values only a whole copy does.
func sameTrial(list []TrialValues) (a, b string, alike, of int, same bool) {
	const share, fewest, different = 0.9, 6, 4
	type plot struct {
		block, treatment string
		value            float64
	}
	plotsOf := func(t TrialValues) map[plot]int {
		out := map[plot]int{}
		for _, p := range t.Plots {
			out[plot{p.Block, p.Treatment, p.Value}]++
		}
		return out
	}
	for i, t := range list {
		here := plotsOf(t)
		for _, other := range list[:i] {
			there, values := plotsOf(other), map[float64]bool{}
			alike, of = 0, min(len(t.Plots), len(other.Plots))
			for p, n := range here {
				if both := min(n, there[p]); both > 0 {
					alike += both
					values[p.value] = true
				}
			}
			whole := alike == len(t.Plots) && alike == len(other.Plots)
			if whole && len(values) > 1 || alike >= fewest && len(values) >= different && float64(alike) >= share*float64(of) {
				return other.Name, t.Name, alike, of, true
			}
		}
	}
	return "", "", 0, 0, false
}

// widen adds what check points leave open to the difference of two treatments
// in one trial; degrees of freedom after Satterthwaite (1946, Biometrics
// Bulletin 2, 110).
func widen(l *stats.ForestLine, t TrialValues, treatment, against string, alpha float64) error {
	if l.SED == nil {
		return nil
	}
	count := map[string]float64{}
	for _, p := range t.Plots {
		count[p.Treatment]++
	}
	w := make([]float64, len(t.Plots))
	for i, p := range t.Plots {
		switch p.Treatment {
		case treatment:
			w[i] = 1 / count[treatment]
		case against:
			w[i] = -1 / count[against]
		}
	}
	plots, own := *l.SED**l.SED, bilinear(w, t.Own.Cov, w)
	if !(own > 0) {
		return nil
	}
	v := plots + own
	df := v * v / (plots*plots/l.DF + own*own/t.Own.DF)
	sed := math.Sqrt(v)
	q, err := dist.TQuantile(1-alpha/2, df)
	if err != nil {
		return err
	}
	low, high := l.Difference-sed*q, l.Difference+sed*q
	l.SED, l.DF, l.Lower, l.Upper = &sed, df, &low, &high
	return nil
}

// hasTreatment reports whether a plot has a treatment of that name, in any case.
func hasTreatment(plots []stats.CombinePlot, name string) bool {
	return slices.ContainsFunc(plots, func(p stats.CombinePlot) bool {
		return strings.EqualFold(strings.TrimSpace(p.Treatment), strings.TrimSpace(name))
	})
}

// CombineTrials analyses several trials together.
func CombineTrials(list []TrialValues, o CombineOptions) (CombinedAnswer, error) {
	if len(list) == 0 {
		return CombinedAnswer{}, errors.New("no trials to combine")
	}
	if a, b, alike, of, same := sameTrial(list); same {
		return CombinedAnswer{}, misuse("%s and %s have the same values in %d of %d plots: that is one trial, which counts once; leave one of them out", a, b, alike, of)
	}
	first := list[0]
	out := CombinedAnswer{Response: first.Response, Unit: first.Unit, Alpha: o.Alpha}
	in := stats.CombineInput{Control: o.Control, Names: o.Names, Own: o.Own, Alpha: o.Alpha}
	control, agreed := first.Control, true
	names := map[string]bool{}
	owns := map[string]TrialValues{}
	byClass := false
	out.Checked = map[string][]Checked{}
	var values []float64
	for _, t := range list {
		switch {
		case t.Unit != first.Unit:
			return out, fmt.Errorf("trial %s has %s in %s and trial %s in %s: bring them to one unit", first.Name, first.Response, first.Unit, t.Name, t.Unit)
		case t.Kind != first.Kind:
			return out, fmt.Errorf("the response is a %s in trial %s and a %s in trial %s", first.Kind, first.Name, t.Kind, t.Name)
		case names[t.Name]:
			return out, misuse("two trials are called %s: a trial is named by its plan or file, and each needs a name of its own", t.Name)
		}
		names[t.Name] = true
		byClass = byClass || t.ByClass
		if t.Own != nil {
			owns[t.Name] = t
			out.Checked[t.Name] = t.Checked
		}
		agreed = agreed && t.Control == control
		for _, n := range t.Notes {
			out.Notes = append(out.Notes, t.Name+": "+n)
		}
		if t.Response != first.Response {
			out.Notes = append(out.Notes, fmt.Sprintf("%s: what is combined is %s there, and %s in %s", t.Name, t.Response, first.Response, first.Name))
		}
		for _, p := range t.Plots {
			p.Trial = t.Name
			if o.Cross {
				p.Place, p.Year = t.Place, t.Year
			}
			in.Plots = append(in.Plots, p)
			values = append(values, p.Value)
		}
	}
	for _, n := range o.Names {
		if !hasTreatment(in.Plots, n.Name) {
			return out, misuse("--same: no trial has a treatment %q", n.Name)
		}
	}
	for _, n := range o.Own {
		if !hasTreatment(in.Plots, n) {
			return out, misuse("--own: no trial has a treatment %q", n)
		}
	}
	if note := crossed(list); note != "" && !o.Cross {
		out.Notes = append(out.Notes, note)
	}
	if in.Control == "" && agreed {
		in.Control = control
	}
	usual := stats.DefaultScale(first.Kind)
	if byClass {
		usual = stats.Raw
		if o.Scale != "" && o.Scale != stats.Raw {
			return out, errNotRaw(first.Response)
		}
	}
	if len(owns) > 0 {
		out.Notes = append(out.Notes, "what check points leave open is in the line of each trial; over all trials it is in how much treatments differ from trial to trial, since each has check points of its own")
	}
	transform, note, err := stats.NewTransform(first.Kind, cmp.Or(o.Scale, usual), values, 0)
	if err != nil {
		return out, UsageError{err}
	}
	if note != "" {
		out.Notes = append(out.Notes, note)
	}
	transform.One = first.One
	out.Transform = transform
	for i := range in.Plots {
		in.Plots[i].Value = transform.Forward(in.Plots[i].Value)
	}
	ctx := o.Context
	if ctx == nil {
		ctx = context.Background()
	}
	c, err := stats.CombineContext(ctx, in)
	var question *stats.TreatmentQuestion
	switch {
	case errors.As(err, &question):
		return out, misuse("%w: --same %q, or --own %q", err, question.Unmatched[0].Name+" = "+cmp.Or(strings.Join(question.Unmatched[0].Candidates[:min(1, len(question.Unmatched[0].Candidates))], ""), "NAME"), question.Unmatched[0].Name)
	case err != nil:
		return out, err
	}
	out.Combined, out.input = c, in
	for _, m := range c.Means {
		back := transform.Back(m.Mean)
		if transform.Kind != stats.Measure && back < 1e-9 {
			back = 0 // what rounding leaves of a mean of nothing
		}
		out.Back = append(out.Back, back)
	}
	against := func(treatment, other string) error {
		lines, err := c.Forest(treatment, other)
		for i := range lines {
			if t, ok := owns[lines[i].Trial]; ok && err == nil {
				err = widen(&lines[i], t, treatment, other, o.Alpha)
			}
		}
		if err == nil {
			out.Forests = append(out.Forests, Forest{treatment, other, lines})
		}
		return err
	}
	if c.Control != "" {
		for _, p := range c.VsControl {
			if err := against(p.A, p.B); err != nil {
				return out, err
			}
		}
		return out, nil
	}
	for _, p := range c.Pairs {
		if err := against(p.A, p.B); err != nil {
			return out, err
		}
	}
	return out, nil
}
