package analysis

import (
	"math"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/stats"
)

// Claim is what one comparison says, as values: every sentence about it, on
// every screen and page, is made from a claim, so that no two can contradict.
//
// With a control named beforehand its comparisons lead, each judged over all
// of them together (Dunnett), and the overall test comes second. Without one
// the overall test leads and the pairs follow.
type Claim struct {
	Response
	Control string // code; "" none was named
	// Less and More are shown to lie below and above the control, Open are not
	// shown to differ from it, each from the largest change to the smallest;
	// Untested cannot be compared with it in this design.
	Less, More, Open []Effect
	Untested         []string
	// OverallP is of the F test of all treatments; nil where there is none.
	OverallP     *float64
	OverallShown bool
	// Top and Bottom have the highest and the lowest mean. TopAlone reports
	// that the highest is shown to differ from every other.
	Top, Bottom string
	TopAlone    bool
	// PairsShown of Pairs differ.
	PairsShown, Pairs int
	// Detectable is the smallest decrease, as a fraction of the control, that
	// the trial would have shown four times in five; nil where none would have
	// been, or where it was not worked out.
	Detectable *float64
	TooSmall   bool // not even a mean of 0 would have been shown
	// Refusal says why there is no comparison; everything else is then empty.
	Refusal string
	AllZero bool // every plot has 0: there is nothing to compare

	// What the comparison lacks: blocks and treatments without any value, and
	// single plots in others.
	BlocksLost, TreatmentsLost, PlotsMissing []string
	Blocks                                   int // with a value; 0 in a layout without blocks
	// Bridged are inner visits of plots across which a straight line stands.
	Bridged []Bridge
}

// Bridge is a visit at which plots have no value of their own in a season.
type Bridge struct {
	Visit int
	Plots []string
}

// Effect is a treatment held against the control.
type Effect struct {
	Treatment string
	// Change is the change of the mean as a fraction of the control's: -0.55 is
	// 55 % less; nil where the control has none. Low and High are its interval,
	// nil where it has no bound.
	Change, Low, High *float64
	P                 *float64
}

// ClaimOf reads an answer.
func ClaimOf(r Response, x Answer) Claim {
	c := Claim{Response: r, Refusal: x.Refusal}
	a := x.Main()
	if a == nil {
		return c
	}
	c.Control = a.Control
	c.lacks(x, a)
	c.AllZero = len(a.Plots) > 0 && !slices.ContainsFunc(a.Plots, func(p stats.PlotResult) bool { return p.Value != 0 })
	for _, row := range a.ANOVA {
		if row.Term == stats.TreatmentTerm && row.P != nil {
			c.OverallP, c.OverallShown = row.P, *row.P < a.Alpha
		}
	}
	c.rank(a)
	for _, p := range a.Pairs {
		if c.Pairs++; p.Differ {
			c.PairsShown++
		}
	}
	change := map[string]Effect{}
	for _, t := range a.Treatments {
		e := Effect{Treatment: t.Treatment}
		if s := t.Suppression; s != nil && s.Percent != nil {
			e.Change = minusPercent(s.Percent)
			e.Low, e.High = minusPercent(s.Upper), minusPercent(s.Lower)
		}
		change[t.Treatment] = e
	}
	for _, v := range a.VsControl {
		e := change[v.Treatment]
		e.Treatment, e.P = v.Treatment, v.P
		switch {
		case v.P == nil || v.Difference == nil:
			c.Untested = append(c.Untested, v.Treatment)
		case !v.Differ:
			c.Open = append(c.Open, e)
		case *v.Difference < 0:
			c.Less = append(c.Less, e)
		default:
			c.More = append(c.More, e)
		}
	}
	bySize := func(list []Effect) {
		slices.SortStableFunc(list, func(x, y Effect) int {
			if x.Change == nil || y.Change == nil {
				return 0
			}
			switch d := math.Abs(*y.Change) - math.Abs(*x.Change); {
			case d > 0:
				return 1
			case d < 0:
				return -1
			}
			return 0
		})
	}
	bySize(c.Less)
	bySize(c.More)
	bySize(c.Open)
	if d := a.Detectable; d != nil && d.From != 0 {
		c.TooSmall = d.BeyondZero
		if v := (d.From - d.To) / d.From; !d.BeyondZero && v > 0 {
			c.Detectable = &v
		}
	}
	return c
}

// lacks finds what is missing in the comparison.
func (c *Claim) lacks(x Answer, a *stats.Analysis) {
	c.BlocksLost, c.TreatmentsLost = a.Design.Empty, slices.Clone(a.Design.Lost)
	c.Blocks = len(a.Design.Blocks) - len(a.Design.Empty)
	for _, m := range a.Missing {
		if !slices.Contains(c.BlocksLost, m.Block) && !slices.Contains(c.TreatmentsLost, m.Treatment) {
			c.PlotsMissing = append(c.PlotsMissing, m.Name)
		}
	}
	if x.Season == nil {
		return
	}
	for _, day := range x.Season.Days {
		b := Bridge{Visit: x.VisitOf[day]}
		for _, p := range x.Season.Plots {
			if slices.Contains(p.Bridged, day) {
				b.Plots = append(b.Plots, p.Name)
			}
		}
		if len(b.Plots) > 0 {
			c.Bridged = append(c.Bridged, b)
		}
	}
}

func minusPercent(v *float64) *float64 {
	if v == nil {
		return nil
	}
	f := -*v / 100
	return &f
}

// rank finds the highest and lowest mean.
func (c *Claim) rank(a *stats.Analysis) {
	mean := func(t stats.TreatmentResult) *float64 {
		if t.Back != nil {
			return t.Back
		}
		return t.Mean
	}
	var top, bottom *float64
	for _, t := range a.Treatments {
		m := mean(t)
		if m == nil {
			continue
		}
		if top == nil || *m > *top {
			top, c.Top = m, t.Treatment
		}
		if bottom == nil || *m < *bottom {
			bottom, c.Bottom = m, t.Treatment
		}
	}
	n := 0
	for _, p := range a.Pairs {
		if p.A != c.Top && p.B != c.Top {
			continue
		}
		if n++; !p.Differ {
			return
		}
	}
	c.TopAlone = n > 0
}

// DateGroups finds, for each operation, the groups of treatments that share no
// day of it, as planned and as done: between such groups a difference cannot
// be told from what the days did.
func DateGroups(snap *record.Snapshot) []stats.DateSet {
	var codes []string
	for _, t := range snap.Trial.Treatments {
		codes = append(codes, t.Code)
	}
	var out []stats.DateSet
	done := map[string]bool{}
	for _, set := range slices.Concat(datesDone(snap), datesPlanned(&snap.Trial)) {
		if len(set.Groups(codes)) > 1 && !done[set.Operation] {
			done[set.Operation] = true
			out = append(out, set)
		}
	}
	return out
}
