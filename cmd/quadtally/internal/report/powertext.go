package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"strings"

	"quadtally/stats"
)

// Power is what a trial of a given size can show. Lengths of differences are
// in residual standard deviations (SD) and, where a mean is known, in the unit
// of the response and as percent of Base.
type Power struct {
	From                 string  `json:"from"` // where the numbers come from
	Unit                 string  `json:"unit,omitempty"`
	Treatments           int     `json:"treatments"`
	Blocks               int     `json:"blocks"` // or plots a treatment
	CompletelyRandomised bool    `json:"completely_randomised"`
	Alpha                float64 `json:"alpha"`
	WantedPower          float64 `json:"wanted_power"`
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
	// shows with the wanted power; DetectableF the smallest between the two
	// most different treatments that the overall F test shows.
	DetectablePair Distance `json:"detectable_pair"`
	DetectableF    Distance `json:"detectable_f"`

	Asked    *PowerAsked   `json:"asked,omitempty"`
	ByBlocks []PowerBlocks `json:"by_blocks"`
	Quadrats *QuadratsBest `json:"quadrats,omitempty"`
	Warnings []string      `json:"warnings,omitempty"`
}

// Distance is a difference from Base downwards. BeyondZero says that nothing
// but a mean below zero would be that far down.
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
	BlocksNeeded  int      `json:"blocks_needed,omitempty"`
	PowerThen     float64  `json:"power_then,omitempty"`
	FormulaBlocks *float64 `json:"formula_blocks,omitempty"`
}

// PowerBlocks is what a number of blocks would see.
type PowerBlocks struct {
	Blocks         int      `json:"blocks"`
	ResidualDF     int      `json:"residual_df"`
	DetectablePair Distance `json:"detectable_pair"`
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

// distance tells a difference as a person would.
func (p Power) distance(d Distance) string {
	of := cmp.Or(p.BaseOf, "the mean")
	switch {
	case d.BeyondZero:
		return "none: not even a mean of 0 would show"
	case d.Absolute == nil && d.Percent == nil:
		return fmt.Sprintf("%.2f residual standard deviations", d.SD)
	case d.Absolute == nil:
		return fmt.Sprintf("%.3g %% of %s", *d.Percent, of)
	}
	unit := p.Unit
	if strings.HasPrefix(unit, "%") {
		unit = "points" // percent of percent would be misread
	}
	s := strings.TrimSpace(fmt.Sprintf("%.3g %s", *d.Absolute, unit))
	if d.Percent != nil {
		s += fmt.Sprintf(" (%.3g %% of %s)", *d.Percent, of)
	}
	return s
}

// WritePower writes what a trial can show, on one screen.
func WritePower(w io.Writer, p Power) error {
	var t compareText
	units, layout := "blocks", "complete blocks"
	if p.CompletelyRandomised {
		units, layout = "plots a treatment", "plots a treatment, completely at random"
	}
	t.said("", fmt.Sprintf("%d treatments in %d %s; %s.", p.Treatments, p.Blocks, layout, p.From))
	sd := fmt.Sprintf("Residual standard deviation %.4g", p.SD)
	if p.Scale != stats.Raw && p.Scale != "" {
		sd += fmt.Sprintf(" on the %s scale", p.Scale)
	}
	if p.CVPercent != nil {
		sd += fmt.Sprintf(", CV %.3g %%", *p.CVPercent)
	}
	if p.Base != nil && p.BaseOf != "" {
		sd += fmt.Sprintf("; differences go down from %s, %.4g %s", p.BaseOf, *p.Base, p.Unit)
	}
	t.said("", strings.TrimSpace(sd)+".")
	enough := "reached"
	if !p.Enough {
		enough = "not reached"
	}
	t.said("", fmt.Sprintf("Residual degrees of freedom: %d; the %d that a trial should have (common practice) are %s.", p.ResidualDF, stats.FewResidualDF, enough))
	t.line("")
	t.said("  ", fmt.Sprintf("Smallest difference shown in %.0f of 100 such trials, one planned pair: %s.", 100*p.WantedPower, p.distance(p.DetectablePair)))
	t.said("  ", fmt.Sprintf("By the overall F test, between the two most different treatments: %s.", p.distance(p.DetectableF)))
	if a := p.Asked; a != nil {
		t.line("")
		t.said("  ", fmt.Sprintf("A true difference of %s would be shown in %.0f of 100 such trials by the overall F test, in %.0f as a planned pair.", p.distance(a.Difference), 100*a.PowerF, 100*a.PowerPair))
		if a.BlocksNeeded > 0 {
			t.said("  ", fmt.Sprintf("To show it in %.0f of 100 by the F test takes %d %s (then %.0f of 100).", 100*p.WantedPower, a.BlocksNeeded, units, 100*a.PowerThen))
		}
		if a.FormulaBlocks != nil {
			t.said("  ", fmt.Sprintf("The usual planning formula for one pair, which takes the variance for known, gives %.2f.", *a.FormulaBlocks))
		}
	}
	t.line("")
	rows := [][]string{{units, "residual df", "smallest difference, one pair"}}
	for _, b := range p.ByBlocks {
		rows = append(rows, []string{fmt.Sprint(b.Blocks), fmt.Sprint(b.ResidualDF), p.distance(b.DetectablePair)})
	}
	t.table(rows)
	if q := p.Quadrats; q != nil {
		t.line("")
		t.said("", fmt.Sprintf("Best number of quadrats a plot: %d. Variance between plots %.4g, between quadrats %.4g; %.3g minutes a plot and %.3g a quadrat.",
			q.Best, q.PlotVar, q.QuadratVar, q.MinutesPerPlot, q.MinutesPerQuadrat))
		if q.Note != "" {
			t.said("", strings.ToUpper(q.Note[:1])+q.Note[1:]+".")
		}
		rows := [][]string{{"quadrats", "SE of a plot mean", "minutes a plot", "time for equal precision"}}
		for _, c := range q.Choices {
			v := c.VarPlotMean
			rows = append(rows, []string{fmt.Sprint(c.Quadrats), fmt.Sprintf("%.3g", math.Sqrt(v)), fmt.Sprintf("%.3g", c.MinutesPerPlot), fmt.Sprintf("%.2f", c.Cost)})
		}
		t.table(rows)
	}
	if len(p.Warnings) > 0 {
		t.line("")
		t.line("Mind:")
		for _, x := range p.Warnings {
			t.said("  ! ", x)
		}
	}
	_, err := w.Write(t.b.Bytes())
	return err
}
