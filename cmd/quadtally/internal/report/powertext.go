package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// distance tells a difference as a person would.
func distanceText(p analysis.Power, d analysis.Distance) string {
	of := cmp.Or(p.BaseOf, "the mean")
	switch {
	case d.BeyondZero:
		if p.Upward {
			return "none: not even the whole would show"
		}
		return "none: not even a mean of 0 would show"
	case d.Absolute == nil && d.Percent == nil:
		return fmt.Sprintf("%.2f residual standard deviations", d.SD)
	case d.Absolute == nil:
		return fmt.Sprintf("%.3g %% of %s", *d.Percent, of)
	}
	unit := p.Unit
	if p.Kind == stats.Percent {
		unit = "points" // percent of percent would be misread
	}
	s := strings.TrimSpace(fmt.Sprintf("%.3g %s", *d.Absolute, unit))
	if d.Percent != nil {
		s += fmt.Sprintf(" (%.3g %% of %s)", *d.Percent, of)
	}
	return s
}

// WritePower writes what a trial can show, on one screen.
func WritePower(w io.Writer, p analysis.Power) error {
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
		sd += fmt.Sprintf("; differences go %s from %s, %.4g %s", map[bool]string{true: "up", false: "down"}[p.Upward], p.BaseOf, *p.Base, p.Unit)
	}
	t.said("", strings.TrimSpace(sd)+".")
	enough := "reached"
	if !p.Enough {
		enough = "not reached"
	}
	t.said("", fmt.Sprintf("Residual degrees of freedom: %d; the %d that a trial should have (common practice) are %s.", p.ResidualDF, stats.FewResidualDF, enough))
	t.line("")
	t.said("  ", fmt.Sprintf("Smallest difference shown in %.0f of 100 such trials, one planned pair: %s.", 100*p.WantedPower, distanceText(p, p.DetectablePair)))
	t.said("  ", fmt.Sprintf("As a treatment against the control among all (Dunnett): %s.", distanceText(p, p.DetectableDunnett)))
	t.said("  ", fmt.Sprintf("As a pair among all pairs (Tukey): %s.", distanceText(p, p.DetectableTukey)))
	t.said("  ", fmt.Sprintf("By the overall F test, between the two most different treatments: %s.", distanceText(p, p.DetectableF)))
	if a := p.Asked; a != nil {
		t.line("")
		t.said("  ", fmt.Sprintf("A true difference of %s would be shown in %.0f of 100 such trials by the overall F test, in %.0f as a planned pair, in %.0f against the control among all (Dunnett), in %.0f among all pairs (Tukey).", distanceText(p, a.Difference), 100*a.PowerF, 100*a.PowerPair, 100*a.PowerDunnett, 100*a.PowerTukey))
		if a.BlocksNeeded > 0 {
			t.said("  ", fmt.Sprintf("To show it in %.0f of 100 by the F test takes %d %s (then %.0f of 100).", 100*p.WantedPower, a.BlocksNeeded, units, 100*a.PowerThen))
		}
		if a.BlocksDunnett > 0 && a.BlocksTukey > 0 {
			t.said("  ", fmt.Sprintf("Against the control (Dunnett) it takes %d, among all pairs (Tukey) %d.", a.BlocksDunnett, a.BlocksTukey))
		}
		if a.FormulaBlocks != nil {
			t.said("  ", fmt.Sprintf("The usual planning formula for one pair, which takes the variance for known, gives %.2f.", *a.FormulaBlocks))
		}
	}
	t.line("")
	of := func(d analysis.Distance) string {
		switch {
		case d.BeyondZero:
			return "none"
		case d.Absolute != nil:
			return fmt.Sprintf("%.3g", *d.Absolute)
		case d.Percent != nil:
			return fmt.Sprintf("%.3g %%", *d.Percent)
		}
		return fmt.Sprintf("%.2f SD", d.SD)
	}
	rows := [][]string{{units, "residual df", "smallest difference, one pair", "Dunnett", "Tukey"}}
	for _, b := range p.ByBlocks {
		rows = append(rows, []string{fmt.Sprint(b.Blocks), fmt.Sprint(b.ResidualDF), distanceText(p, b.DetectablePair), of(b.DetectableDunnett), of(b.DetectableTukey)})
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
