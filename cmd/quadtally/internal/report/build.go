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

// BuildTechnical makes the file for the statistician: every comparison with
// its tables, checks and second opinions, and every value with where it came
// from.
func BuildTechnical(in Input) Document {
	b := builder{in: in, units: in.Trial.Units}
	doc := b.document("Technical file of a replicated field trial")
	doc.Facts = append(doc.Facts, Fact{"Record entry", fmt.Sprint(in.Entry)})
	doc.add(b.howToRead(), b.layout(), b.done(), b.found(), b.camera(), b.season(), b.yields(), b.weedsAgainstYield(analysis.GreenCover, analysis.WeedCover, analysis.HandCount), b.power(),
		b.nextSeason(), b.cautions(), b.methods(), b.settings(), b.appendix())
	return doc.numbered()
}

// howToRead says once what would else stand beside every table.
func (b *builder) howToRead() Section {
	s := Section{ID: "how-to-read", Title: "How to read this file"}
	s.add(List{Items: []string{
		"The plot is the unit that was treated: quadrats of a plot are averaged first, and visits are never replicates.",
		"Means are adjusted for blocks. Treatments that share a letter are not shown to differ at the level named; that does not mean that they are the same.",
		"Where a scale is named, tests and standard errors are on it; means and interval ends are carried back to the unit of the response.",
		"Less than the control, of weeds also called suppression, is 100 (1 − treatment / control) from means as measured; a negative number means more.",
		"Checks of the residuals look at the assumptions; rank and randomisation tests do without a normal distribution. Points in the two diagnostic figures are plots.",
		"Numbers have three significant digits where nothing else is needed; p values have three decimals.",
	}})
	return s
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
	if analysis.ClaimOf(r.Response, r.Overall).AllZero {
		p.say("Every plot has 0 at every visit: there is nothing to compare.")
		return p
	}
	b.comparison(&p, r, r.Overall, r.Main)
	if last := r.last(); last != nil && r.Overall.Season != nil {
		visit := Section{ID: fmt.Sprintf("found-%s-visit-%d", r.key(), last.Visit), Title: fmt.Sprintf("%s at the last visit, %s", sentenceCase(r.Label), b.day(last.Date))}
		b.comparison(&visit, r, *last, false)
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
