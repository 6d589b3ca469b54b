package report

import (
	"fmt"
	"io"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// WriteLoss writes weeds against yield: what goes with what, the straight line,
// the hyperbola or why there is none. It speaks of a loss through weeds only
// where the trial set them.
func WriteLoss(w io.Writer, l analysis.Loss, opt TextOptions) error {
	var s Section
	unit := func(u string) string {
		if u == "" {
			return ""
		}
		return " (" + u + ")"
	}
	s.add(Text{Tone: Plain, Text: fmt.Sprintf("%s%s against %s%s: %d plots, weeds from %s to %s.", sentenceCase(l.Yield), unit(l.YieldUnit), l.Weeds, unit(l.WeedsUnit), l.Plots, figure3(l.FewestWeeds), figure3(l.MostWeeds))})
	level := fmt.Sprintf("%.3g %% interval", 100*l.Confidence)
	of := func(x stats.Interval) string {
		s := figure3(x.Estimate)
		if x.Lower != nil || x.Upper != nil {
			s += fmt.Sprintf(" (%s %s)", level, limits(x))
		}
		return s
	}
	shown := "is not shown to go with a lower yield"
	if p := l.Linear.P; p != nil && *p <= 1-l.Confidence {
		shown = "goes with a lower yield"
		if l.Linear.PerWeed.Estimate < 0 {
			shown = "goes with a higher yield"
		}
	}
	test := fmt.Sprintf("straight line, %d df", l.LinearDF)
	if l.Linear.P != nil {
		test += ", " + pWords(*l.Linear.P)
	}
	s.add(Text{Tone: Lead, Text: fmt.Sprintf("More of the weeds %s (%s).", shown, test)})
	way, perWeed, percent := "lower", l.Linear.PerWeed, l.Linear.PercentPerWeed
	if perWeed.Estimate < 0 {
		way, perWeed, percent = "higher", opposite(perWeed), opposite(percent)
	}
	s.say("Straight line, blocks out of it: for one unit more of weeds a yield %s by %s; at no weeds %s.", way, of(perWeed), of(l.Linear.WeedFree))
	s.say("That is %s %% of the yield at no weeds for each unit.", of(percent))
	if h := l.Hyperbola; h != nil {
		s.say("Hyperbola (Cousens 1985): %s %% for each unit as weeds become few, at most %s %% as they become many; yield at no weeds %s.", of(h.I), of(h.A), figure3(h.WeedFree))
		if l.BendP != nil {
			s.say("It fits better than the straight line? %s.", pWords(*l.BendP))
		}
		losses := Table{ID: "loss", Caption: "By the hyperbola", Columns: headed("Weeds", "Yield lower by %")}
		losses.Columns[0].Numeric = true
		for i := 1; i <= 4; i++ {
			d := l.FewestWeeds + float64(i)*(l.MostWeeds-l.FewestWeeds)/4
			losses.Rows = append(losses.Rows, cells(figure3(d), withDecimals(h.Loss(d), 1)))
		}
		s.add(losses)
	} else if l.Reason != "" {
		s.say("No hyperbola: %s", l.Reason)
	}
	for _, x := range l.Warnings {
		s.warn("%s", x)
	}
	notes := sentences(l.Notes)
	if len(l.LeftOut) > 0 {
		notes = append([]string{"Left out for lack of weeds or yield: " + some(l.LeftOut, 8) + "."}, notes...)
	}
	if len(notes) > 0 {
		s.add(List{Items: notes})
	}
	return writeSections(w, opt.Term, s)
}

// opposite is an interval of what is gained, from one of what is lost.
func opposite(x stats.Interval) stats.Interval {
	return stats.Interval{Estimate: -x.Estimate, Lower: negative(x.Upper), Upper: negative(x.Lower)}
}

func limits(x stats.Interval) string {
	text := func(v *float64) string { return figure3(*v) }
	switch {
	case x.Lower == nil:
		return "up to " + text(x.Upper)
	case x.Upper == nil:
		return "from " + text(x.Lower)
	}
	return text(x.Lower) + " to " + text(x.Upper)
}
