package report

import (
	"fmt"
	"math"

	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// power says what this trial could and could not have seen.
func (b *builder) power() Section {
	s := Section{ID: "power", Title: "What this trial could and could not have detected"}
	s.say("A difference that is not shown may still be there. For each response this is the smallest true difference the trial would have shown four times in five.")
	t := Table{ID: "detectable", Caption: "Smallest difference shown with power 80 %, from the spread of this trial's own plots",
		Columns: headed("Response", "Residual df", "Compared with", "A mean of", "or less", "Difference, %")}
	for _, r := range b.in.Responses {
		a := r.Overall.Main()
		if a == nil || a.Detectable == nil || b.sameAsYield(r) {
			continue
		}
		d := a.Detectable
		digits := (&compareText{a: *a}).backDigits()
		change := undefined
		if d.From > 0 {
			v := 100 * (d.From - d.To) / d.From
			change = number(&v, 0)
		}
		t.Rows = append(t.Rows, cells(fmt.Sprintf("%s (%s)", sentenceCase(r.Label), r.Unit), fmt.Sprint(a.ResidualDF), d.FromWhat, number(&d.From, digits), number(&d.To, digits), change))
		for _, w := range (stats.Plan{Treatments: len(a.Design.Treatments), Blocks: max(2, len(a.Design.Blocks)-len(a.Design.Empty)), Alpha: a.Alpha, CompletelyRandomised: len(a.Design.Blocks) == 0}).Warnings() {
			if a.ResidualDF < stats.FewResidualDF {
				s.note("%s: %s", r.Label, w)
			}
		}
	}
	if len(t.Rows) == 0 {
		s.say("No comparison leaves an error to judge by, so nothing can be said.")
		return s
	}
	t.Note = "One pair, two-sided t test at the level of the report. Comparing all pairs with one error rate needs a larger difference still."
	s.add(t)
	return s
}

// nextSeason says how many blocks and quadrats would have been enough.
func (b *builder) nextSeason() Section {
	s := Section{ID: "next", Title: "Next season: how many blocks and quadrats"}
	for _, i := range b.lead.Main() {
		r, ok := b.at(i)
		if !ok || !plannable(r) {
			continue
		}
		a := r.Overall.Main()
		p := Section{ID: "next-" + r.key(), Title: sentenceCase(r.Label)}
		tables := []Block{blocksTable(r, a, wantedPower, 0)}
		at := a
		if last := r.last(); last != nil {
			at = last.Analysis
		}
		if t, ok := quadratTable(b.in.Trial, r, at, wantedPower); ok {
			tables = append(tables, t)
		}
		p.beside(tables...)
		s.Parts = append(s.Parts, p)
	}
	if len(s.Parts) == 0 {
		s.say("The trial leaves no variance to plan by.")
		return s
	}
	s.say("From the spread of this trial's own plots: the fewest blocks with which the overall F test, of all treatments together, would show, four times in five, that one treatment lies this far below another. Variances from one trial are themselves uncertain; with few residual degrees of freedom plan on the safe side.")
	s.add(Text{Tone: Safety, Text: "More blocks mean more passes of the roller and more hours in the field: plan for heat, tractor traffic and rest as well as for degrees of freedom."})
	return s
}

// wantedPower is that of every plan.
const wantedPower = 0.8

// plannable reports responses whose spread another season can be planned by.
func plannable(r Response) bool {
	a := r.Overall.Main()
	return a != nil && a.ResidualSD != nil && *a.ResidualSD > 0 && a.Detectable != nil && a.Detectable.From > 0
}

func planOf(a *stats.Analysis) stats.Plan {
	return stats.Plan{Treatments: len(a.Design.Treatments), Blocks: 2, Alpha: a.Alpha, CompletelyRandomised: len(a.Design.Blocks) == 0}
}

// deltaSD is how many residual standard deviations lie between from and a
// value share below it, on the scale of the analysis.
func deltaSD(a *stats.Analysis, from, share float64) float64 {
	return math.Abs(a.Transform.Forward(from)-a.Transform.Forward(from*(1-share))) / *a.ResidualSD
}

// differencesFor are the differences a grower may ask about, as shares.
func differencesFor(r Response) []float64 {
	if r.Role.LessIsBetter() {
		return []float64{0.25, 0.5, 0.75}
	}
	return []float64{0.1, 0.2, 0.3}
}

// blocksTable says how many blocks show a difference; differences that take more
// than most are left out, none where most is 0.
func blocksTable(r Response, a *stats.Analysis, power float64, most int) Table {
	unit := "blocks"
	if len(a.Design.Blocks) == 0 {
		unit = "plots a treatment"
	}
	from := a.Detectable.From
	digits := (&compareText{a: *a}).backDigits()
	t := Table{ID: "blocks-" + r.key(), Caption: fmt.Sprintf("Number of %s that would be enough, %s", unit, r.Label),
		Columns: headed("To see", "From", "to", "SDs apart", sentenceCase(unit), "Power then")}
	for _, share := range differencesFor(r) {
		to := from * (1 - share)
		delta := deltaSD(a, from, share)
		row := cells(fmt.Sprintf("%.0f %% less", 100*share), number(&from, digits), number(&to, digits), fmt.Sprintf("%.2f", delta))
		n, got, err := planOf(a).BlocksNeeded(delta, power)
		if most > 0 && (err != nil || n > most) {
			continue
		}
		if err == nil {
			row.Cells = append(row.Cells, Cell{Text: fmt.Sprint(n)}, Cell{Text: fmt.Sprintf("%.0f %%", 100*got)})
		} else {
			row.Cells = append(row.Cells, Cell{Text: sentence("%s", err)}, Cell{Text: undefined})
		}
		t.Rows = append(t.Rows, row)
	}
	layout := ""
	if k := a.Design.Kind; k != stats.CompleteBlocks && len(a.Design.Blocks) > 0 {
		layout = " Reckoned for complete blocks with the same residual variance."
	}
	back := ""
	if a.StandardBy != "" {
		back = ", carried back from the scale of the test"
	}
	t.Note = fmt.Sprintf("From %s of this trial%s. Residual SD %s on %d degrees of freedom, scale of the analysis.%s", a.Detectable.FromWhat, back, figures(*a.ResidualSD, 4), a.ResidualDF, layout)
	return t
}

// quadratTable trades quadrats against blocks: a plot mean of n quadrats has
// the variance VariancePlot + VarianceQuadrat/n (Cochran 1977, Sampling
// Techniques, 3rd ed., section 10.6), and the residual variance of the
// analysis follows in proportion.
func quadratTable(t trial.Trial, r Response, a *stats.Analysis, power float64) (Table, bool) {
	sub := a.Subsampling
	if sub == nil || a.MSE == nil || *a.MSE <= 0 || a.Detectable == nil || !(a.Detectable.From > 0) || !(sub.N0 > 0) {
		return Table{}, false
	}
	now := sub.VariancePlot + sub.VarianceQuadrat/sub.N0
	if !(now > 0) {
		return Table{}, false
	}
	share := differencesFor(r)[1]
	out := Table{ID: "quadrats-next-" + r.key(), Caption: fmt.Sprintf("Quadrats a plot against blocks, to see %.0f %% less %s at one visit", 100*share, r.Label),
		Columns: headed("Quadrats", "Variance", "% of now", "Blocks", "Photos")}
	most := max(6, t.Quadrat.PerPlot+2)
	for n := 1; n <= most; n++ {
		v := sub.VariancePlot + sub.VarianceQuadrat/float64(n)
		ratio := v / now
		row := cells(fmt.Sprint(n), figure3(v), fmt.Sprintf("%.0f", 100*ratio))
		if ratio <= 0 {
			continue
		}
		delta := deltaSD(a, a.Detectable.From, share) / math.Sqrt(ratio)
		if blocks, _, err := planOf(a).BlocksNeeded(delta, power); err == nil {
			row.Cells = append(row.Cells, Cell{Text: fmt.Sprint(blocks)}, Cell{Text: fmt.Sprint(blocks * len(a.Design.Treatments) * n)})
		} else {
			row.Cells = append(row.Cells, Cell{Text: undefined}, Cell{Text: undefined})
		}
		out.Rows = append(out.Rows, row)
	}
	out.Note = fmt.Sprintf("Variance between plots %s, between quadrats of a plot %s, as measured at that visit; variance is that of a plot mean, photos are those of a visit. More quadrats cannot make up for too few blocks once the plots themselves differ.", figures(sub.VariancePlot, 4), figures(sub.VarianceQuadrat, 4))
	return out, true
}
