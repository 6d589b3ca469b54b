package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Build makes the report. The same input gives the same document.
func Build(in Input) Document {
	b := builder{in: in, units: in.Trial.Units}
	t := in.Trial
	doc := Document{
		Title:    orNotRecorded(t.Name),
		Letter:   b.units == trial.US,
		Subtitle: "Report of a replicated field trial",
		Facts: []Fact{
			{"Site", orNotRecorded(t.Site)}, {"Crop", orNotRecorded(t.Crop)},
			{"Season", span2(t.SeasonStart, t.SeasonEnd, b.units)},
			{"Report made", day(in.Made, b.units)}, {"Record entry", fmt.Sprint(in.Entry)},
		},
	}
	for _, part := range []func() Section{b.summary, b.question, b.layout, b.done, b.found, b.camera, b.season, b.yields,
		b.weedsAgainstYield, b.power, b.nextSeason, b.cautions, b.methods, b.settings, b.appendix} {
		if s := part(); s.ID != "" {
			doc.Sections = append(doc.Sections, s)
		}
	}
	return doc
}

type builder struct {
	in    Input
	units trial.Units
}

func (b *builder) day(d trial.Date) string { return day(d, b.units) }

func span2(from, to trial.Date, u trial.Units) string {
	if from.IsZero() && to.IsZero() {
		return notRecorded
	}
	return day(from, u) + " to " + day(to, u)
}

func (b *builder) response(key analysis.Key, class string) (Response, bool) {
	for _, r := range b.in.Responses {
		if r.Key == key && r.Class == class {
			return r, true
		}
	}
	return Response{}, false
}

// fullName writes a treatment's code with its name.
func (b *builder) fullName(code string) string {
	if n := b.in.Trial.TreatmentName(code); n != code {
		return code + " (" + n + ")"
	}
	return code
}

// mainKeys are the responses that the summary and the plan of the next season
// look at.
var mainKeys = []analysis.Key{analysis.GreenCover, analysis.HandCount, analysis.Yield}

// summary is one page for those who grow.
func (b *builder) summary() Section {
	s := Section{ID: "summary", Title: "In plain words"}
	t := b.in.Trial
	if t.Question != "" {
		s.add(Text{Tone: Lead, Text: t.Question})
	}
	s.say("%s were compared in %s (%s). Weeds were looked at in %s of each plot at %s.",
		listOf(b.treatmentNames()), counted(len(b.in.Plots), "plot"), t.Design, counted(t.Quadrat.PerPlot, "small frame"), counted(len(t.Visits), "planned visit"))
	var found []string
	for _, key := range mainKeys {
		if r, ok := b.response(key, ""); ok {
			found = append(found, b.inPlainWords(r)...)
		}
	}
	s.add(List{found})
	var mind []string
	for _, a := range b.in.Agreements {
		if a.Report != nil {
			mind = append(mind, cameraInPlainWords(a))
		}
	}
	if n := len(b.in.Photos.Rejected) + len(b.in.Photos.Unread) + len(b.in.Photos.Open); n > 0 {
		mind = append(mind, fmt.Sprintf("%d of %d photos could not be used or wait for an answer; they are listed under cautions.", n, b.in.Photos.All))
	}
	mind = append(mind, "One trial in one season on one field says what happened there. Other soils, weeds and weather may give another order.",
		"\"Not shown to differ\" does not mean that two treatments are the same: the trial may have been too small to see the difference.")
	s.add(List{mind})
	return s
}

func (b *builder) treatmentNames() []string {
	var out []string
	for _, t := range b.in.Trial.Treatments {
		out = append(out, b.fullName(t.Code))
	}
	return out
}

// listOf joins with commas and a last "and".
func listOf(items []string) string {
	switch n := len(items); n {
	case 0:
		return "nothing"
	case 1:
		return items[0]
	default:
		return strings.Join(items[:n-1], ", ") + " and " + items[n-1]
	}
}

// inPlainWords says what a response showed in a few sentences.
func (b *builder) inPlainWords(r Response) []string {
	a := r.Overall.Main()
	if a == nil {
		return []string{sentence("%s: %s", r.Label, r.Overall.Refusal)}
	}
	over := ""
	if r.Overall.Season != nil {
		over = ", mean over the season"
	}
	out := []string{fmt.Sprintf("%s (%s%s). %s", sentenceCase(r.Label), r.Unit, over, rankingWords(a))}
	if holds := r.Holds(); holds != "" {
		out[0] = fmt.Sprintf("%s (%s%s), %s: no measure of weeds alone. %s", sentenceCase(r.Label), r.Unit, over, holds, rankingWords(a))
	}
	for _, v := range a.PlainVerdict {
		out[0] += " " + sentence("%s", v)
	}
	if r.Role.LessIsBetter() && a.Control != "" {
		var parts []string
		for _, t := range a.Treatments {
			if s := t.Suppression; s != nil && s.Percent != nil {
				part := fmt.Sprintf("%s %s %%", t.Treatment, number(s.Percent, 0))
				if s.Lower != nil && s.Upper != nil {
					part += fmt.Sprintf(" (%.3g %% interval %s)", 100*a.Confidence, span(s.Lower, s.Upper, 0))
				}
				parts = append(parts, part)
			}
		}
		if len(parts) > 0 {
			if r.Role == analysis.Weeds {
				out = append(out, fmt.Sprintf("Weeds held back, %s less than on %s, in %%: %s. A negative number means more weeds.", r.Label, a.Control, strings.Join(parts, ", ")))
			} else {
				out = append(out, fmt.Sprintf("Less %s than on %s, in %%: %s. A negative number means more.", r.Label, a.Control, strings.Join(parts, ", ")))
			}
		}
	}
	return out
}

func (b *builder) question() Section {
	s := Section{ID: "question", Title: "The question"}
	s.add(Text{Tone: Lead, Text: orNotRecorded(b.in.Trial.Question)})
	s.say("The responses were compared by the plan: the plot is the unit that was treated, so quadrats and visits of a plot are never counted as replicates.")
	return s
}

// layout describes the trial on the ground.
func (b *builder) layout() Section {
	s := Section{ID: "trial", Title: "The trial and its map"}
	t, g := b.in.Trial, b.in.Trial.Ground
	long := func(mm float64) string {
		if mm <= 0 {
			return notRecorded
		}
		return trial.Length(mm, b.units)
	}
	control := notRecorded
	if c := t.Control(); c != "" {
		control = b.fullName(c)
	}
	spots := "drawn anew for each visit"
	if t.Quadrat.Permanent {
		spots = "the same marked spots at every visit"
	}
	random := orNotRecorded(t.Generator)
	if t.Generator != "" {
		random += fmt.Sprintf(", seed %d", t.Seed)
	}
	s.add(Facts{
		{"Design", string(t.Design)},
		{"Blocks", fmt.Sprint(len(trial.BlockNames(b.in.Plots)))},
		{"Plots", fmt.Sprint(len(b.in.Plots))},
		{"Control", control},
		{"Plot", fmt.Sprintf("%s of bed, %s", long(g.LengthMM), counted(g.Beds, "bed"))},
		{"Bed spacing, centre to centre", long(g.BedSpacingMM)},
		{"Bed top", long(g.BedTopMM)},
		{"End border, not sampled", long(g.BorderMM)},
		{"Quadrat", fmt.Sprintf("%s x %s inside, %d a plot, %s", long(t.Quadrat.WidthMM), long(t.Quadrat.LengthMM), t.Quadrat.PerPlot, spots)},
		{"What counts as a plant", orNotRecorded(t.Quadrat.CountRule)},
		{"Gradient", orNotRecorded(g.Gradient)},
		{"Randomised by", random},
		{"Net plot, sampled", netPlot(g, long)},
		{"Crop stage at the visits", notRecorded},
		{"Soil", orNotRecorded(t.Soil)}, {"Previous crop", orNotRecorded(t.PreviousCrop)}, {"Cultivar", orNotRecorded(t.Cultivar)}, {"Weather", orNotRecorded(t.Weather)},
	})
	treatments := Table{ID: "treatments", Caption: "Treatments", Columns: words("Code", "Treatment", "Role", "Rate", "Plots")}
	treatments.Columns[4].Numeric = true
	for _, tr := range t.Treatments {
		role, rate := "treatment", notRecorded
		if tr.Control {
			role = "control"
		}
		if tr.Rate != nil {
			rate = strings.TrimSpace(fmt.Sprintf("%g %s", *tr.Rate, tr.RateUnit))
		}
		n := 0
		for _, p := range b.in.Plots {
			if p.Treatment == tr.Code {
				n++
			}
		}
		treatments.Rows = append(treatments.Rows, cells(tr.Code, orNotRecorded(tr.Name), role, rate, fmt.Sprint(n)))
	}
	s.add(treatments)
	if f, err := mapFigure(b.in); err == nil {
		s.add(f)
	} else {
		s.note("No map: %v", err)
	}
	return s
}

// netPlot is the length that is sampled.
func netPlot(g trial.Ground, long func(float64) string) string {
	if net := g.LengthMM - 2*g.BorderMM; g.LengthMM > 0 && net > 0 {
		return long(net) + " of bed"
	}
	return notRecorded
}

// found is one part for every response.
func (b *builder) found() Section {
	s := Section{ID: "found", Title: "What was found"}
	s.say("Each comparison begins with its answer in words. Means are adjusted for blocks; intervals and letters are for the plots of this trial.")
	for _, r := range b.in.Responses {
		s.Parts = append(s.Parts, b.finding(r))
	}
	return s
}

func (b *builder) finding(r Response) Section {
	p := Section{ID: "found-" + r.key(), Title: fmt.Sprintf("%s (%s)", sentenceCase(r.Label), r.Unit)}
	b.comparison(&p, r, r.Overall, r.Main)
	if last := r.last(); last != nil && r.Overall.Season != nil {
		visit := Section{ID: fmt.Sprintf("found-%s-visit-%d", r.key(), last.Visit), Title: fmt.Sprintf("%s at the last visit, %s", sentenceCase(r.Label), b.day(last.Date))}
		b.comparison(&visit, r, *last, r.Main)
		p.Parts = append(p.Parts, visit)
	}
	return p
}

func (b *builder) comparison(s *Section, r Response, c analysis.Answer, full bool) {
	a := c.Main()
	if a == nil {
		s.warn("%s", c.Refusal)
		return
	}
	key, label := r.key(), cmp.Or(a.Response, r.Label)
	if c.Visit > 0 {
		key += fmt.Sprintf("-visit-%d", c.Visit)
	}
	for i, v := range sentences(a.Verdict) {
		tone := Plain
		if i == 0 {
			tone = Lead
		}
		s.add(Text{Tone: tone, Text: v})
	}
	if c.Season != nil {
		s.say("One value a plot: its mean over the period of %s, from the area under its course by the true dates.", counted(len(c.Season.Days), "visit"))
		for _, w := range c.Season.Warnings {
			s.warn("%s", w)
		}
	}
	for _, w := range a.Warnings {
		s.warn("%s", w)
	}
	s.add(b.treatmentTable(key, r, a))
	if a.Transform.Scale != stats.Raw {
		s.note("Analysed as the %s; means and intervals are carried back to the unit of the response.", a.Transform.Words())
	}
	for _, remark := range suppressionRemarks(a) {
		s.note("%s", remark)
	}
	for _, n := range slices.Concat(c.Notes, a.Notes) {
		s.note("%s", n)
	}
	if f, ok := meansFigure(b.in, key+"-means", label, r.Unit, a, r.Key == analysis.Yield); ok && full {
		s.add(f)
	}
	s.add(anovaTable("anova-"+key, fmt.Sprintf("Analysis of variance of %s, treatment adjusted for all above it", label), a.ANOVA))
	if !a.Design.Balanced {
		s.add(anovaTable("anova-adjusted-"+key, "Analysis of variance, each term adjusted for all others (types II and III)", a.Adjusted))
	}
	s.note("%s", modelFacts(a))
	if a.BlockVariance != nil && a.BlockVariance.Note != "" {
		s.note("%s", a.BlockVariance.Note)
	}
	if !full {
		return
	}
	if f, ok := fieldFigure(b.in, key, label, r.Unit, a); ok {
		s.add(f)
	}
	if c.Season != nil {
		b.inTime(s, key, c.Season)
	}
	s.add(pairTable(key, a))
	if len(a.VsControl) > 0 {
		s.add(controlTable(key, a))
	}
	if a.Subsampling != nil {
		s.add(anovaTable("quadrats-"+key, "Quadrats within plots, as measured", a.Subsampling.ANOVA))
		s.note("Variance between plots %.4g, between quadrats of a plot %.4g. Treatments are judged by plots, never by quadrats.", a.Subsampling.VariancePlot, a.Subsampling.VarianceQuadrat)
	}
	if t, ok := checkTable(key, a); ok {
		s.add(t)
	}
	for _, l := range a.Checks {
		for _, w := range l.Warnings {
			s.note("%s: %s", l.Name, w)
		}
	}
	for _, o := range a.Outliers {
		s.warn("plot %s (%s, %s) lies far from the others: studentised residual %.2f, p %s after allowing for all plots. It was kept; look at its photos and sheets", o.Plot, o.Treatment, number(&o.Value, (&compareText{a: *a}).backDigits()), o.Studentised, pOf(&o.P))
	}
	if f, ok := residualFigure(b.in, key, a); ok {
		s.add(f)
	}
	if f, ok := normalFigure(b.in, key, a); ok {
		s.add(f)
	}
}

func modelFacts(a *stats.Analysis) string {
	parts := []string{a.Design.Words}
	if a.ResidualSD != nil {
		parts = append(parts, fmt.Sprintf("residual SD %.4g on %d degrees of freedom", *a.ResidualSD, a.ResidualDF))
	}
	if a.CVPercent != nil && a.Transform.Scale == stats.Raw {
		parts = append(parts, "CV "+number(a.CVPercent, 1)+" %")
	}
	if a.RSquared != nil {
		parts = append(parts, "R squared "+number(a.RSquared, 3))
	}
	for _, e := range a.Efficiency {
		parts = append(parts, fmt.Sprintf("efficiency against %s %.2f", e.Against, e.Value))
	}
	return strings.Join(parts, "; ")
}

func suppressionRemarks(a *stats.Analysis) []string {
	var out []string
	by := map[string][]string{}
	for _, t := range a.Treatments {
		if t.Suppression != nil && t.Suppression.Note != "" {
			n := t.Suppression.Note
			if by[n] == nil {
				out = append(out, n)
			}
			by[n] = append(by[n], t.Treatment)
		}
	}
	for i, n := range out {
		out[i] = fmt.Sprintf("Less than the control, %s: %s", strings.Join(by[n], ", "), n)
	}
	return out
}
