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
	b := newBuilder(in)
	doc := b.document("Technical file of a replicated field trial")
	doc.Dense = true
	doc.Facts = append(doc.Facts, Fact{"Record entry", fmt.Sprint(in.Entry)})
	doc.add(b.howToRead(), b.layout(), b.done(), b.found(), b.camera(), b.yields(), b.weedsAgainstYield(b.lead.Count, b.lead.Cover, b.lead.Weeds), b.power(),
		b.nextSeason(), b.cautions(), b.methods(), b.settings(), b.appendix())
	return doc.numbered()
}

// howToRead says once what would else stand beside every table.
func (b *builder) howToRead() Section {
	s := Section{ID: "how-to-read", Title: "How to read this file"}
	s.add(List{Small: true, Items: []string{
		"The plot is the unit that was treated: quadrats of a plot are averaged first, and visits are never replicates. Over several visits each plot has one value, its mean over the period from the area under its course by the true dates; the area itself, as measured, has an analysis of variance of its own.",
		"Means are adjusted for blocks. Treatments that share a letter are not shown to differ at the level named; that does not mean that they are the same. Letters and p values by visit hold within a visit only: looking at many visits finds a difference by chance now and then, so the season's comparison is the one to quote.",
		"Where a scale is named under a heading, tests, differences and standard errors are on it; means and interval ends are carried back to the unit of the response.",
		"In analyses of variance each term is adjusted for those above it, treatment for all; where plots are missing a second table adjusts each term for all others (types II and III).",
		"p alone is of one pair on its own.",
		"Less than the control, of weeds also called suppression, is 100 (1 − treatment / control) from means as measured; a negative number means more.",
		"Within plots, p by Greenhouse and Geisser (GG), Huynh and Feldt (HF) and the lower bound correct for visits that are alike because they are close in time; the uncorrected p is too small.",
		"Checks of the residuals look at the assumptions; rank and randomisation tests do without a normal distribution. Points in the diagnostic figures are plots: a funnel would say that plots vary more where there is more, a bend that blocks and treatments do not simply add up; residuals from a normal distribution lie near the dashed line.",
		"Numbers have three significant digits where nothing else is needed; p values have three decimals. A dash is a number that there is none of.",
	}})
	return s
}

type builder struct {
	in    Input
	units trial.Units
	lead  analysis.Leading
}

func newBuilder(in Input) *builder {
	list := make([]analysis.Outcome, len(in.Responses))
	for i, r := range in.Responses {
		list[i] = r.Outcome
	}
	return &builder{in: in, units: in.Trial.Units, lead: analysis.Lead(&in.Trial, list)}
}

// at is the response at a place of the list, as [analysis.Leading] names it.
func (b *builder) at(i int) (Response, bool) {
	if i < 0 || i >= len(b.in.Responses) {
		return Response{}, false
	}
	return b.in.Responses[i], true
}

func (b *builder) day(d trial.Date) string { return day(d, b.units) }

func span2(from, to trial.Date, u trial.Units) string {
	if from.IsZero() && to.IsZero() {
		return ""
	}
	return day(from, u) + " to " + day(to, u)
}

func (b *builder) response(key analysis.Key, class string) (Response, bool) {
	for _, r := range b.in.Responses {
		if r.Key == key && trial.NameKey(r.Class) == trial.NameKey(class) {
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
			return ""
		}
		return trial.Length(mm, b.units)
	}
	control := ""
	if c := t.Control(); c != "" {
		control = b.fullName(c)
	}
	spots := "drawn anew for each visit"
	if t.Quadrat.Permanent {
		spots = "the same marked spots at every visit"
	}
	random := t.Generator
	if t.Generator != "" {
		random += fmt.Sprintf(", seed %d", t.Seed)
	}
	s.add(Facts{
		{"Design", string(t.Design)},
		{"Blocks", fmt.Sprint(len(trial.BlockNames(b.in.Plots)))},
		{"Plots", fmt.Sprint(len(b.in.Plots))},
		{"Control", control},
		{"Plot", fmt.Sprintf("%s of bed, %s", orNotRecorded(long(g.LengthMM)), counted(g.Beds, "bed"))},
		{"Bed spacing, centre to centre", long(g.BedSpacingMM)},
		{"Bed top", long(g.BedTopMM)},
		{"End border, not sampled", long(g.BorderMM)},
		{"Quadrat", fmt.Sprintf("%s x %s inside, %d a plot, %s", orNotRecorded(long(t.Quadrat.WidthMM)), orNotRecorded(long(t.Quadrat.LengthMM)), t.Quadrat.PerPlot, spots)},
		{"What counts as a plant", t.Quadrat.CountRule},
		{"Gradient", g.Gradient},
		{"Randomised by", random},
		{"Net plot, sampled", netPlot(g, long)},
		{"Crop stage at the visits", ""},
		{"Soil", t.Soil}, {"Previous crop", t.PreviousCrop}, {"Cultivar", t.Cultivar}, {"Weather", t.Weather},
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
	return ""
}

// found is one part for every response.
func (b *builder) found() Section {
	s := Section{ID: "found", Title: "What was found"}
	var zero []string
	for _, r := range b.in.Responses {
		if analysis.ClaimOf(r.Response, r.Overall).AllZero {
			zero = append(zero, r.Label)
			continue
		}
		if b.sameAsYield(r) {
			continue
		}
		s.Parts = append(s.Parts, b.finding(r))
	}
	if len(zero) > 0 {
		s.say("0 in every plot at every visit, so that there is nothing to compare: %s.", strings.Join(zero, ", "))
	}
	return s
}

// sameAsYield reports the yield per length of bed beside that per area: one times
// a fixed factor is the other, and the part on yields gives both.
func (b *builder) sameAsYield(r Response) bool {
	yield, ok := b.at(b.lead.Yield)
	return ok && r.Key == analysis.YieldPerBed && yield.Overall.Main() != nil
}

// finding is a response with its answer, its tables and its figures.
func (b *builder) finding(r Response) Section {
	s := Section{ID: "found-" + r.key(), Title: fmt.Sprintf("%s (%s)", sentenceCase(r.Label), r.Unit)}
	c, key := r.Overall, r.key()
	a := c.Main()
	if a == nil {
		s.warn("%s", c.Refusal)
		b.askAbout(&s, r)
		return s
	}
	label := cmp.Or(a.Response, r.Label)
	s.add((&compareText{a: *a}).verdict())
	if a.Transform.Scale != stats.Raw {
		s.note("Analysed as the %s.", a.Transform.Words())
	}
	b.askAbout(&s, r)
	var cautions []string
	claim := analysis.ClaimOf(r.Response, c)
	claim.Bridged = nil // the season's own warnings name them
	for _, l := range (wordsFor{&b.in.Trial}).lacks(claim) {
		cautions = append(cautions, sentence("%s", l))
	}
	if c.Season != nil {
		cautions = append(cautions, sentences(c.Season.Warnings)...)
	}
	cautions = append(cautions, sentences(a.Warnings)...)
	if len(cautions) > 0 {
		s.add(List{Items: cautions, Small: true})
	}
	f := found{key: key, link: r.dataLink(), c: c.Comparison, a: a, less: r.Role.LessIsBetter()}
	s.add(f.treatmentTable())
	rows := f.variance(label)
	if t, ok := b.byVisit(r); ok {
		rows = append(rows, t)
	}
	s.beside(rows...)
	f.asked(&s)
	notes := f.notes()
	if r.Main {
		f.tests(&s)
		more, cautions := f.opinions(&s)
		notes = slices.Concat(notes, more, cautions)
		b.drawn(&s, r, label)
	}
	if r.Corrected != "" {
		notes = append(notes, r.Corrected)
	}
	notes = append(notes, c.Notes...)
	s.add(Text{Tone: Note, Text: strings.Join(sentences(notes), " ")})
	return s
}

// drawn adds the figures of a main response.
func (b *builder) drawn(s *Section, r Response, label string) {
	key, a := r.key(), r.Overall.Main()
	var list []Block
	for _, draw := range []func() (Figure, bool){
		func() (Figure, bool) {
			return meansFigure(b.in, key+"-means", label, r.Unit, a, r.Key == analysis.Yield)
		},
		func() (Figure, bool) { return fieldFigure(b.in, key, label, r.Unit, a) },
		func() (Figure, bool) { return residualFigure(b.in, key, a) },
		func() (Figure, bool) { return normalFigure(b.in, key, a) },
	} {
		if f, ok := draw(); ok {
			list = append(list, half(f))
		}
	}
	s.beside(list...)
}

// halfMM is the width that lets two figures stand side by side.
const halfMM, halfTallMM = 83, 50

// half makes a figure small enough to stand beside another.
func half(f Figure) Figure {
	f.WidthMM, f.HeightMM = halfMM, min(f.HeightMM, halfTallMM)
	return f
}

func modelFacts(a *stats.Analysis) string {
	parts := []string{a.Design.Words}
	if a.ResidualSD != nil {
		parts = append(parts, fmt.Sprintf("residual SD %s on %d degrees of freedom", figures(*a.ResidualSD, 4), a.ResidualDF))
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
