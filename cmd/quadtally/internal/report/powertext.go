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
		return fmt.Sprintf("%s %% of %s", figure3(*d.Percent), of)
	}
	unit := p.Unit
	if p.Kind == stats.Percent {
		unit = "points" // percent of percent would be misread
	}
	s := strings.TrimSpace(figure3(*d.Absolute) + " " + unit)
	if d.Percent != nil {
		s += fmt.Sprintf(" (%s %% of %s)", figure3(*d.Percent), of)
	}
	return s
}

// WritePower writes what a trial can show: with opt.Short on one screen, else
// with a table by number of blocks.
func WritePower(w io.Writer, p analysis.Power, opt TextOptions) error {
	s := newScreen(opt.Term, "a table by number of blocks")
	units, layout := "blocks", "complete blocks"
	if p.CompletelyRandomised {
		units, layout = "plots a treatment", "plots a treatment, completely at random"
	}
	s.say(keepAlways, "", fmt.Sprintf("%d treatments in %d %s; %s.", p.Treatments, p.Blocks, layout, p.From))
	sd := "Residual standard deviation " + figure3(p.SD)
	if p.Scale != stats.Raw && p.Scale != "" {
		sd += fmt.Sprintf(" on the %s scale", p.Scale)
	}
	if p.CVPercent != nil {
		sd += fmt.Sprintf(", CV %s %%", figure3(*p.CVPercent))
	}
	if p.Base != nil && p.BaseOf != "" {
		sd += fmt.Sprintf("; differences go %s from %s, %s %s", map[bool]string{true: "up", false: "down"}[p.Upward], p.BaseOf, figure3(*p.Base), p.Unit)
	}
	s.say(keepContext, "", strings.TrimSpace(sd)+".")
	enough := "reached"
	if !p.Enough {
		enough = "not reached"
	}
	s.say(keepContext, "", fmt.Sprintf("Residual degrees of freedom: %d; the %d that a trial should have (common practice) are %s.", p.ResidualDF, stats.FewResidualDF, enough))
	s.gap()
	if a := p.Asked; a != nil {
		s.strong("", fmt.Sprintf("A true difference of %s would be shown:", distanceText(p, a.Difference)))
		needed := func(n int) string {
			if n == 0 {
				return undefined
			}
			return fmt.Sprint(n)
		}
		of := func(share float64) string { return fmt.Sprintf("%.0f", 100*share) }
		s.rows(keepAlways, [][]string{
			{"by", "times in 100", fmt.Sprintf("%s for %.0f in 100", units, 100*p.WantedPower)},
			{"overall F test", of(a.PowerF), needed(a.BlocksNeeded)},
			{"one planned pair", of(a.PowerPair), undefined},
			{"against the control among all (Dunnett)", of(a.PowerDunnett), needed(a.BlocksDunnett)},
			{"a pair among all pairs (Tukey)", of(a.PowerTukey), needed(a.BlocksTukey)},
		})
		if a.FormulaBlocks != nil {
			s.say(keepMethod, "", fmt.Sprintf("The usual planning formula for one pair, which takes the variance for known, gives %.2f %s.", *a.FormulaBlocks, units))
		}
		s.gap()
	}
	s.strong("", fmt.Sprintf("Smallest difference shown in %.0f of 100 such trials:", 100*p.WantedPower))
	for _, x := range []struct {
		by string
		is analysis.Distance
	}{{"one planned pair", p.DetectablePair}, {"against the control among all (Dunnett)", p.DetectableDunnett}, {"a pair among all pairs (Tukey)", p.DetectableTukey},
		{"by the overall F test, the two most different", p.DetectableF}} {
		s.say(keepAlways, "  ", x.by+": "+distanceText(p, x.is))
	}
	for _, x := range p.Warnings {
		if opt.Short {
			s.caution(x)
		}
	}
	if q := p.Quadrats; q != nil {
		s.gap()
		s.strong("", fmt.Sprintf("Best number of quadrats a plot: %d.", q.Best))
		s.say(keepContext, "", fmt.Sprintf("Variance between plots %s, between quadrats %s; %s minutes a plot and %s a quadrat.",
			figure3(q.PlotVar), figure3(q.QuadratVar), figure3(q.MinutesPerPlot), figure3(q.MinutesPerQuadrat)))
		if q.Note != "" {
			s.say(keepContext, "", sentence("%s", q.Note))
		}
	}
	if opt.Short {
		return s.write(w)
	}
	of := func(d analysis.Distance) string {
		switch {
		case d.BeyondZero:
			return "none"
		case d.Absolute != nil:
			return figure3(*d.Absolute)
		case d.Percent != nil:
			return figure3(*d.Percent) + " %"
		}
		return fmt.Sprintf("%.2f SD", d.SD)
	}
	var more Section
	table := Table{ID: "by-blocks", Caption: "Smallest difference shown, by number of " + units, Columns: headed(sentenceCase(units), "Residual df", "One pair", "Dunnett", "Tukey")}
	table.Columns[0].Numeric = true
	for _, b := range p.ByBlocks {
		table.Rows = append(table.Rows, cells(fmt.Sprint(b.Blocks), fmt.Sprint(b.ResidualDF), of(b.DetectablePair), of(b.DetectableDunnett), of(b.DetectableTukey)))
	}
	more.add(table)
	if q := p.Quadrats; q != nil {
		table := Table{ID: "quadrats", Caption: "Quadrats a plot", Columns: headed("Quadrats", "SE of a plot mean", "Minutes a plot", "Time for equal precision")}
		table.Columns[0].Numeric = true
		for _, c := range q.Choices {
			table.Rows = append(table.Rows, cells(fmt.Sprint(c.Quadrats), figure3(math.Sqrt(c.VarPlotMean)), figure3(c.MinutesPerPlot), fmt.Sprintf("%.2f", c.Cost)))
		}
		more.add(table)
	}
	for _, x := range p.Warnings {
		more.warn("%s", x)
	}
	return s.writeWith(w, more)
}
