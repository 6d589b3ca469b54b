package report

import (
	"fmt"
	"slices"
	"strings"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Build makes the report that is handed in: the answer on its first page, then
// a page each for what stands behind it. What a statistician checks is in
// [BuildTechnical]. The same input gives the same document.
func Build(in Input) Document {
	b := builder{in: in, units: in.Trial.Units}
	doc := b.document("")
	doc.add(b.answer(), b.layoutPage(), b.seasonPage(), b.yieldPage(), b.cameraPage(), b.weedsAgainstYield(b.weedsKey()), b.nextPage(), b.shortMethods())
	for i, x := range doc.Sections {
		doc.Sections[i].NewPage = x.ID != "next" && x.ID != "methods"
	}
	return b.short(doc).numbered()
}

// BuildOnePage makes the first page alone.
func BuildOnePage(in Input) Document {
	b := builder{in: in, units: in.Trial.Units}
	doc := b.document("")
	doc.add(b.answer())
	return b.short(doc).numbered()
}

// short puts the facts of the trial into one line, to leave the first page to
// the answer.
func (b *builder) short(doc Document) Document {
	var parts []string
	for _, f := range doc.Facts {
		switch {
		case f.Value == notRecorded:
		case f.Name == "Report made":
			parts = append(parts, "report made "+f.Value)
		default:
			parts = append(parts, f.Value)
		}
	}
	doc.Subtitle, doc.Facts = strings.Join(parts, " · "), nil
	return doc
}

// Figures are those of the report and of the technical file, each once.
func Figures(in Input) []Figure {
	var out []Figure
	seen := map[string]bool{}
	for _, f := range append(Build(in).Figures(), BuildTechnical(in).Figures()...) {
		if !seen[f.ID] {
			seen[f.ID] = true
			out = append(out, f)
		}
	}
	return out
}

func (b *builder) document(subtitle string) Document {
	t := b.in.Trial
	return Document{
		Title:    orNotRecorded(t.Name),
		Letter:   b.units == trial.US,
		Subtitle: subtitle,
		Made:     b.in.Made,
		Facts: []Fact{{"Site", orNotRecorded(t.Site)}, {"Crop", orNotRecorded(t.Crop)},
			{"Season", span2(t.SeasonStart, t.SeasonEnd, b.units)}, {"Report made", day(b.in.Made, b.units)}},
	}
}

func (d *Document) add(list ...Section) {
	for _, s := range list {
		if s.ID != "" {
			d.Sections = append(d.Sections, s)
		}
	}
}

// claims are what was found, the primary response first.
func (b *builder) claims() []analysis.Claim {
	var out []analysis.Claim
	for _, r := range b.in.Responses {
		out = append(out, analysis.ClaimOf(r.Response, r.Overall))
	}
	if i := b.primary(out); i > 0 {
		c := out[i]
		out = append([]analysis.Claim{c}, slices.Delete(out, i, i+1)...)
	}
	return out
}

// primary is the index of the response that answers the question: the plan's
// own, else weeds as counted, as photographed, or all green.
func (b *builder) primary(list []analysis.Claim) int {
	named := analysis.Named(b.in.Trial.Primary)
	for i, c := range list {
		if named != "" && c.Key == named && c.Class == "" {
			return i
		}
	}
	for _, key := range []analysis.Key{analysis.HandCount, analysis.WeedCover, analysis.GreenCover} {
		for i, c := range list {
			if c.Key == key && c.Class == "" && c.Refusal == "" {
				return i
			}
		}
	}
	return 0
}

func claimOf(list []analysis.Claim, key analysis.Key, class string) (analysis.Claim, bool) {
	for _, c := range list {
		if c.Key == key && strings.EqualFold(c.Class, class) {
			return c, true
		}
	}
	return analysis.Claim{}, false
}

// answer is the first page: the question, a verdict, one figure, one table,
// and how sure it is.
func (b *builder) answer() Section {
	s := Section{ID: "answer", Title: "The answer"}
	t := teller{&b.in.Trial}
	claims := b.claims()
	if q := b.in.Trial.Question; q != "" {
		s.say("%s", q)
	}
	if len(claims) == 0 {
		s.warn("nothing of this trial can be compared yet")
		return s
	}
	lead, rest := b.verdict(t, claims)
	s.add(Text{Tone: Lead, Text: strings.Join(lead, " ")})
	if len(rest) > 0 {
		s.add(Text{Tone: Plain, Text: strings.Join(rest, " ")})
	}
	s.add(b.panels(claims), b.answerTable(claims))
	s.Parts = append(s.Parts, Section{ID: "sure", Title: "How sure is this?", Blocks: []Block{List{Items: b.sure(t, claims), Small: true}}})
	return s
}

// verdict is what the page says first: of the primary response, then regrowth
// and yield in a sentence each, and the dates.
func (b *builder) verdict(t teller, claims []analysis.Claim) (lead, rest []string) {
	lead = t.verdict(claims[0])
	for _, key := range []analysis.Key{analysis.Regrowth, analysis.RegrowthCover} {
		if c, ok := claimOf(claims, key, ""); ok && c.OverallShown && c.TopAlone {
			rest = append(rest, sentence("the cover crop grew back most with %s", t.name(c.Top)))
			break
		}
	}
	if c, ok := claimOf(claims, analysis.Yield, ""); ok && c.Refusal == "" && c.Key != claims[0].Key {
		// Of yield only what is shown is said here; the figure has the rest.
		shown := c
		shown.Open, shown.Untested = nil, nil
		switch {
		case len(c.Less)+len(c.More) > 0:
			rest = append(rest, t.verdict(shown)...)
		case c.Control == "" && c.OverallShown:
			rest = append(rest, t.verdict(c)...)
		default:
			rest = append(rest, "Yield did not clearly differ.")
		}
	}
	return lead, append(rest, b.dates()...)
}

// panels is the figure of the first page.
func (b *builder) panels(claims []analysis.Claim) Figure {
	var names []rowName
	for _, tr := range b.in.Trial.Treatments {
		names = append(names, rowName{tr.Code, cmpOr(tr.Name, tr.Code)})
	}
	cover := analysis.GreenCover
	if c, ok := claimOf(claims, analysis.WeedCover, ""); ok && c.Refusal == "" {
		cover = analysis.WeedCover
	}
	var list []panel
	for _, x := range []struct {
		key   analysis.Key
		title string
	}{{analysis.HandCount, "Weeds, counted"}, {cover, map[bool]string{true: "Weed cover, camera", false: "Green cover, crop included"}[cover == analysis.WeedCover]}, {analysis.Yield, "Marketable yield"}} {
		p := panel{title: x.title, missing: "nothing recorded"}
		if r, ok := b.response(x.key, ""); ok {
			p.unit = r.Unit
			if p.a = r.Overall.Main(); p.a == nil {
				p.missing = sentence("%s", r.Overall.Refusal)
			}
		}
		list = append(list, p)
	}
	return panelsFigure("answer", names, looks(codes(b.in.Trial)), list)
}

func cmpOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// answerTable has a row a treatment and the columns a grower asks for.
func (b *builder) answerTable(claims []analysis.Claim) Table {
	t := Table{ID: "answer-table", Caption: "Means by treatment", Columns: words("Treatment")}
	type column struct {
		a      *stats.Analysis
		factor float64
	}
	var cols []column
	add := func(key analysis.Key, class, head string) {
		r, ok := b.response(key, class)
		if !ok {
			return
		}
		a := r.Overall.Main()
		if a == nil {
			return
		}
		factor, unit := 1.0, r.Unit
		if key == analysis.Yield {
			factor, unit = b.perBed()
		}
		t.Columns = append(t.Columns, Column{head + ", " + unit, true})
		cols = append(cols, column{a, factor})
	}
	add(analysis.HandCount, "", "Weeds")
	add(analysis.HandCount, "perennial", "Perennial weeds")
	if c, ok := claimOf(claims, analysis.WeedCover, ""); ok && c.Refusal == "" {
		add(analysis.WeedCover, "", "Weed cover")
	} else {
		add(analysis.GreenCover, "", "Green cover with crop")
	}
	add(analysis.Regrowth, "", "Regrowth")
	add(analysis.RegrowthCover, "", "Regrowth cover")
	add(analysis.Yield, "", "Marketable yield")
	for _, tr := range b.in.Trial.Treatments {
		row := cells(cmpOr(tr.Name, tr.Code))
		for _, c := range cols {
			row.Cells = append(row.Cells, Cell{Text: meanWithLetters(c.a, tr.Code, c.factor)})
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = "Within a column, treatments that share a letter are not shown to differ; that does not mean that they are the same."
	return t
}

// meanWithLetters is a mean times a factor, in the figures its interval
// allows, and its letters.
func meanWithLetters(a *stats.Analysis, treatment string, factor float64) string {
	for _, t := range a.Treatments {
		if t.Treatment != treatment {
			continue
		}
		m, lo, hi, ok, span := shown(t)
		if !ok {
			return undefined
		}
		text := figure3(m * factor)
		if span {
			text = withDecimals(m*factor, decimalsFor((hi-lo)*factor/4))
		}
		return strings.TrimSpace(text + " " + t.Letters)
	}
	return undefined
}

// sure lists what a reader should hold against the answer.
func (b *builder) sure(t teller, claims []analysis.Claim) []string {
	var out []string
	say := func(s string) {
		if s != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	main := claims[0]
	say(t.second(main))
	say(t.could(main))
	if c, ok := claimOf(claims, analysis.Yield, ""); ok && main.Key != analysis.Yield {
		say(t.second(c))
		say(t.could(c))
	}
	if main.Key == analysis.GreenCover {
		say("Green cover holds the crop and the regrowth of the cover crop as well as weeds: it is not a measure of weeds alone.")
	}
	if c, ok := claimOf(claims, analysis.WeedCover, ""); ok && c.Refusal != "" && c.Key != main.Key {
		say(sentence("%s is not told: %s", topic(c.Response), c.Refusal))
	}
	for _, q := range b.in.Open {
		if q.Of == main.Key || q.Of == analysis.Yield {
			say(sentence("%s", q.Text))
		}
	}
	for _, key := range []analysis.Key{main.Key, analysis.Yield} {
		if r, ok := b.response(key, ""); ok {
			for _, n := range r.Overall.Notes {
				say(sentence("%s", n))
			}
		}
	}
	for _, a := range b.in.Agreements {
		for _, s := range cameraVerdicts(t, a) {
			say(s)
		}
	}
	for _, c := range claims {
		if len(c.Missing) > 0 && (c.Key == main.Key || c.Key == analysis.Yield) {
			say(sentence("in %s nothing is known of plot %s", topic(c.Response), listOf(c.Missing)))
		}
	}
	if p := b.in.Photos; len(p.Rejected)+len(p.Unread)+len(p.Open) > 0 {
		say(fmt.Sprintf("%d of %d photos are not used: %d set aside, %d that cannot be read, %d that wait for an answer.", len(p.Rejected)+len(p.Unread)+len(p.Open), p.All, len(p.Rejected), len(p.Unread), len(p.Open)))
	}
	if n := len(claims) - 1; n > 0 {
		how := "by the order of this report, since the plan names none"
		if b.in.Trial.Primary != "" {
			how = "as the plan says"
		}
		say(fmt.Sprintf("The primary response is %s, %s; %d others were compared as well, and among many looks one now and then shows a difference by chance.", topic(main.Response), how, n))
	}
	say("One trial in one season on one field says what happened there. Other soils, weeds and weather may give another order.")
	return out
}

// cameraVerdicts are two answers to two questions: on average, and for
// comparing treatments. The first never hides the second.
func cameraVerdicts(t teller, a analysis.Agreement) []string {
	if a.Report == nil || a.Report.Verdict == nil {
		return nil
	}
	v := a.Report.Verdict
	what := map[calibrate.Kind]string{calibrate.Cover: "cover", calibrate.Count: "numbers"}[a.Of]
	reasons := func(q *calibrate.Question) string {
		var words []string
		for _, r := range q.Reasons {
			words = append(words, r.Words())
		}
		if len(words) == 0 {
			return ""
		}
		return " (" + strings.Join(words, "; ") + ")"
	}
	answer := map[calibrate.Answer]string{calibrate.Yes: "yes", calibrate.No: "no", calibrate.NotEnough: "not yet"}
	out := sentence("may the camera stand in for the hand, %s: on average %s%s; for comparing treatments ", what, answer[v.Average.Answer], reasons(&v.Average))
	out = strings.TrimSuffix(out, ".")
	if v.Comparing == nil {
		return []string{out + "not known."}
	}
	return []string{out + " " + answer[v.Comparing.Answer] + reasons(v.Comparing) + "."}
}

// layoutPage is the map and what was done when, with the dates that went
// together.
func (b *builder) layoutPage() Section {
	s := b.layout()
	for i, x := range s.Blocks {
		if f, ok := x.(Facts); ok {
			known, missing := f.split()
			s.Blocks[i] = known
			if len(missing) > 0 {
				s.Blocks = slices.Insert(s.Blocks, i+1, Block(Text{Tone: Note, Text: sentence("%s: %s", notRecorded, strings.Join(missing, ", "))}))
			}
			break
		}
	}
	done := b.done()
	for _, d := range b.dates() {
		s.warn("%s", d)
	}
	s.Parts = append(s.Parts, done)
	return s
}

// shortFigureMM is the height that lets two figures stand on a page.
const shortFigureMM = 68

// weedsKey is the response of weeds that is held against the yield.
func (b *builder) weedsKey() analysis.Key {
	claims := b.claims()
	if len(claims) > 0 && claims[0].Role.LessIsBetter() {
		return claims[0].Key
	}
	return analysis.HandCount
}

// seasonPage is the course of the weeds, all treatments on common axes.
func (b *builder) seasonPage() Section {
	s := Section{ID: "season", Title: "Green and weeds over the season"}
	t := teller{&b.in.Trial}
	for _, key := range []analysis.Key{analysis.HandCount, analysis.WeedCover, analysis.GreenCover} {
		r, ok := b.response(key, "")
		if !ok || r.Overall.Main() == nil || key == analysis.GreenCover && len(s.Parts) > 1 {
			continue
		}
		p := Section{ID: "season-" + r.key(), Title: sentenceCase(topic(r.Response))}
		for _, v := range t.verdict(analysis.ClaimOf(r.Response, r.Overall)) {
			p.say("%s", v)
		}
		b.askAbout(&p, r.Key)
		if f, ok := seasonFigure(b.in, r); ok {
			f.HeightMM = shortFigureMM
			p.add(f)
		}
		s.Parts = append(s.Parts, p)
	}
	if len(s.Parts) == 0 {
		return Section{}
	}
	return s
}

// yieldPage is the harvest with its answer.
func (b *builder) yieldPage() Section {
	r, ok := b.response(analysis.Yield, "")
	a := r.Overall.Main()
	if !ok || a == nil {
		s := Section{ID: "yield", Title: "Yield"}
		s.say("%s", orNotRecorded(r.Overall.Refusal))
		b.askAbout(&s, analysis.Yield)
		return s
	}
	s := Section{ID: "yield", Title: "Yield"}
	t := teller{&b.in.Trial}
	c := analysis.ClaimOf(r.Response, r.Overall)
	s.add(Text{Tone: Lead, Text: strings.Join(t.verdict(c), " ")})
	b.askAbout(&s, analysis.Yield)
	if x := t.second(c); x != "" {
		s.note("%s", x)
	}
	if f, ok := meansFigure(b.in, r.key()+"-means", r.Label, r.Unit, a, true); ok {
		s.add(f)
	}
	s.Blocks = append(s.Blocks, b.yieldTables()...)
	return s
}

// askAbout says what sheets leave open about a response.
func (b *builder) askAbout(s *Section, of analysis.Key) {
	for _, q := range b.in.Open {
		if q.Of == of {
			s.warn("%s", q.Text)
		}
	}
}

// cameraPage is the camera held against the hand.
func (b *builder) cameraPage() Section {
	s := Section{ID: "camera", Title: "Camera against hand"}
	t := teller{&b.in.Trial}
	for _, a := range b.in.Agreements {
		p := Section{ID: "camera-" + string(a.Of), Title: sentenceCase(string(a.Of))}
		if a.Report == nil {
			p.say("%s", a.Refusal)
			s.Parts = append(s.Parts, p)
			continue
		}
		if list := cameraVerdicts(t, a); len(list) > 0 {
			p.add(Text{Tone: Lead, Text: strings.Join(list, " ")})
		}
		p.say("%s", agreementText(a.Report).biasSentence())
		f := differenceFigure(b.in, a.Report)
		f.HeightMM = shortFigureMM
		p.add(f)
		s.Parts = append(s.Parts, p)
	}
	return s
}

// nextPage says what to change, as far as this trial can tell.
func (b *builder) nextPage() Section {
	s := Section{ID: "next", Title: "Next season"}
	for _, d := range b.dates() {
		s.say("%s Give these treatments one common day next time, or let one treatment have both days.", d)
	}
	blocks := len(trial.BlockNames(b.in.Plots))
	t := teller{&b.in.Trial}
	for _, c := range b.claims() {
		if c.Key != analysis.HandCount && c.Key != analysis.Yield || c.Class != "" || c.Detectable == nil {
			continue
		}
		s.say("With %s, a change in %s of about %s of %s is what such a trial sees four times in five.", counted(blocks, "block"), topic(c.Response), percentWords(*c.Detectable), cmpOr(t.name(c.Control), "the mean"))
	}
	full := b.nextSeason()
	s.Blocks = append(s.Blocks, full.Blocks...)
	for _, p := range full.Parts {
		if p.ID == "next-"+slug(string(analysis.HandCount)) || p.ID == "next-"+slug(string(analysis.Yield)) || p.ID == "next-"+slug(string(analysis.HandCount)+" ") || p.ID == "next-"+slug(string(analysis.Yield)+" ") {
			for _, x := range p.Blocks {
				if table, ok := x.(Table); ok && strings.HasPrefix(table.ID, "blocks-") {
					table.Rows = slices.DeleteFunc(table.Rows, func(r Row) bool { return beyondAFarm(r) })
					if len(table.Rows) > 0 {
						s.add(table)
					}
				}
			}
		}
	}
	return s
}

// mostBlocks fit on a farm; a plan for more is no plan (common practice).
const mostBlocks = 8

func beyondAFarm(r Row) bool {
	if len(r.Cells) < 5 {
		return true
	}
	var n int
	_, err := fmt.Sscan(r.Cells[4].Text, &n)
	return err != nil || n > mostBlocks
}

// split parts what is recorded from the names of what is not.
func (f Facts) split() (known Facts, missing []string) {
	for _, x := range f {
		if x.Value == notRecorded {
			missing = append(missing, strings.ToLower(x.Name[:1])+x.Name[1:])
		} else {
			known = append(known, x)
		}
	}
	return known, missing
}

// shortMethods are the methods in small type.
func (b *builder) shortMethods() Section {
	s := b.methods()
	for i, x := range s.Blocks {
		if l, ok := x.(List); ok {
			l.Small = true
			s.Blocks[i] = l
		}
	}
	return s
}
