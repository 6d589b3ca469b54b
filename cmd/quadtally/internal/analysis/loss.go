package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/rscript"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Loss is weeds against yield over the plots of a trial.
type Loss struct {
	stats.YieldLoss
	Weeds      string   `json:"weeds"` // the two responses in a sentence
	WeedsUnit  string   `json:"weeds_unit,omitempty"`
	Yield      string   `json:"yield"`
	YieldUnit  string   `json:"yield_unit,omitempty"`
	Visit      int      `json:"visit,omitempty"`
	Confidence float64  `json:"confidence"`
	LeftOut    []string `json:"left_out,omitempty"` // plots that lack one of the two
	Notes      []string `json:"notes,omitempty"`
	// Checked says how weed cover was corrected by check points, and WeedsSE is
	// the standard error that they leave in the mean of the plots, in the unit of
	// the weeds. The curve takes the weeds as they stand.
	Checked []Checked `json:"checked,omitempty"`
	WeedsSE *float64  `json:"weeds_se,omitempty"`

	input stats.LossInput
}

// LossOptions choose what is held against what. WeedsSet says that the trial
// itself set the number of weeds, plot by plot.
type LossOptions struct {
	Weeds, Class, Yield string
	Visit               int
	WeedsSet            bool
	Alpha               float64
}

// YieldLoss holds the weeds of every plot against its yield. Weeds that were
// looked at more than once need a visit, unless there is one only.
func YieldLoss(snap *record.Snapshot, o LossOptions) (Loss, error) {
	w, err := Find(snap, o.Weeds, o.Class)
	if err != nil {
		return Loss{}, err
	}
	y, err := Find(snap, o.Yield, "")
	if err != nil {
		return Loss{}, err
	}
	if !w.Role.LessIsBetter() && w.Role != Unknown {
		return Loss{}, misuse("%s is not of weeds", w.Label)
	}
	if y.Role != Crop && y.Role != Unknown {
		return Loss{}, misuse("%s is not of the crop", y.Label)
	}
	out := Loss{Weeds: w.Label, WeedsUnit: w.Unit, Yield: y.Label, YieldUnit: y.Unit, Visit: o.Visit, Confidence: 1 - o.Alpha}
	if w.Role == Green {
		out.Notes = append(out.Notes, w.Label+" holds "+w.MadeOf())
	}
	if _, err := settingsOf(snap, w); err != nil {
		return out, err
	}
	rs, notes, err := w.Readings(snap)
	if err != nil {
		return out, err
	}
	out.Notes = slices.Concat(out.Notes, notes, textsOf(w.Questions(snap)), textsOf(y.Questions(snap)))
	weeds := map[string][]float64{}
	visits := map[int]bool{}
	for _, x := range rs {
		if o.Visit == 0 || x.Visit == o.Visit {
			weeds[x.Plot] = append(weeds[x.Plot], w.Shown(x))
			visits[x.Visit] = true
		}
	}
	switch {
	case len(weeds) == 0:
		return out, fmt.Errorf("there is no %s%s: `quadtally status` shows what is in", w.Label, cmp.Or(whereLooked(o.Visit), " in the record"))
	case len(visits) > 1:
		return out, misuse("%s was looked at on %d visits: say with --visit which of them the yield is held against", w.Label, len(visits))
	}
	days, _ := VisitDays(rs)
	own, checked, err := ownOf(snap, w, o.Visit, false, days)
	if err != nil {
		return out, err
	}
	if own != nil {
		even := make([]float64, len(own.Plots))
		for i := range even {
			even[i] = 1 / float64(len(even))
		}
		se := math.Sqrt(max(bilinear(even, own.Cov, even), 0))
		out.Checked, out.WeedsSE = checked, &se
		out.Notes = append(out.Notes, fmt.Sprintf("%s is known up to its check points, a standard error of %.2g %s in the mean of all plots: the curve takes it as it stands, so that its intervals are of the yield alone and too sure", w.Label, se, w.Unit))
	}
	values, err := y.Values(snap)
	if err != nil {
		return out, err
	}
	in := stats.LossInput{WeedsSet: o.WeedsSet, Confidence: out.Confidence}
	yields := map[string][]float64{}
	for _, v := range values {
		if !v.Missing {
			yields[v.Plot] = append(yields[v.Plot], v.Shown)
		}
	}
	for _, p := range snap.Plots {
		if len(weeds[p.ID]) == 0 || len(yields[p.ID]) == 0 {
			out.LeftOut = append(out.LeftOut, p.ID)
			continue
		}
		in.Weeds, in.Yields = append(in.Weeds, mean(weeds[p.ID])), append(in.Yields, mean(yields[p.ID]))
		if snap.Trial.Design != trial.CompletelyRandomised {
			in.Blocks = append(in.Blocks, p.Block)
		}
	}
	return out.fit(in)
}

// YieldLossOfTable takes two columns of a table, one row a plot.
func YieldLossOfTable(s *tables.Sheet, o LossOptions, decimal tables.Decimal) (Loss, error) {
	out := Loss{Weeds: o.Weeds, Yield: o.Yield, Confidence: 1 - o.Alpha}
	wc, yc, bc := s.Column(o.Weeds), s.Column(o.Yield, "y"), s.Column("block", "rep", "replicate")
	switch {
	case wc < 0:
		return out, s.MissingColumn("the weeds (" + o.Weeds + ")")
	case yc < 0:
		return out, s.MissingColumn("the yield (" + o.Yield + ")")
	}
	weedsRole := roleByName(o.Weeds)
	switch yieldRole := roleByName(o.Yield); {
	case !weedsRole.LessIsBetter() && weedsRole != Unknown:
		return out, misuse("%s is not of weeds", o.Weeds)
	case yieldRole != Crop && yieldRole != Unknown:
		return out, misuse("%s is not of the crop", o.Yield)
	case weedsRole == Green:
		out.Notes = append(out.Notes, o.Weeds+" holds "+Response{Role: Green}.MadeOf())
	}
	for _, c := range append(append([]string{}, placeColumns...), yearColumns...) {
		if at := s.Column(c); at >= 0 {
			seen := map[string]bool{}
			for _, row := range s.Rows {
				seen[row.Cells[at].Text] = true
			}
			if len(seen) > 1 {
				return out, fmt.Errorf("%s holds several trials (column %s): keep the rows of one", s.Name, s.Header[at])
			}
		}
	}
	weeds, faults := s.NumbersByLine(wc, decimal)
	yields, more := s.NumbersByLine(yc, decimal)
	if faults = append(append(append([]tables.Fault(nil), s.Faults...), faults...), more...); len(faults) > 0 {
		return out, s.FaultError(faults[0])
	}
	in := stats.LossInput{WeedsSet: o.WeedsSet, Confidence: out.Confidence}
	for _, row := range s.Rows {
		w, y := weeds[row.Line], yields[row.Line]
		if w.Missing || y.Missing {
			out.LeftOut = append(out.LeftOut, s.Where(row.Line))
			continue
		}
		in.Weeds, in.Yields = append(in.Weeds, w.Number), append(in.Yields, y.Number)
		if bc >= 0 {
			in.Blocks = append(in.Blocks, row.Cells[bc].Text)
		}
	}
	return out.fit(in)
}

func mean(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

func (l Loss) fit(in stats.LossInput) (Loss, error) {
	y, err := stats.AnalyseYieldLoss(in)
	var refused *stats.LossError
	switch {
	case errors.As(err, &refused) && refused.Refusal == stats.LossInputFault:
		return l, err
	case err != nil:
		return l, fmt.Errorf("the loss of yield cannot be told: %w", err)
	}
	l.YieldLoss, l.input = y, in
	return l, nil
}

// Script is the loss as a script for R.
func (l Loss) Script() (string, error) {
	r := rscript.Loss{Head: headOf(l.Yield+" against "+l.Weeds, l.Yield, l.YieldUnit), Weeds: l.input.Weeds, Yields: l.input.Yields, Blocks: l.input.Blocks, Confidence: l.Confidence}
	if h := l.Hyperbola; h != nil {
		r.Start = &[3]float64{h.WeedFree, h.I.Estimate, h.A.Estimate}
	}
	text, err := rscript.YieldLoss(r)
	if err != nil {
		return "", fmt.Errorf("no script for R: %w", err)
	}
	return ScriptMark + "\n" + strings.TrimLeft(text, "\n"), nil
}

// whereLooked says at which visit something was looked for; "" for all visits.
func whereLooked(visit int) string {
	if visit == 0 {
		return ""
	}
	return fmt.Sprintf(" at visit %d", visit)
}
