package report

import (
	"cmp"
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
	b := newBuilder(in)
	doc := b.document("")
	doc.add(b.answer(), b.layoutPage(), b.seasonPage(), b.yieldPage(), b.cameraPage(), b.weedsAgainstYield(b.lead.Weeds), b.nextPage(), b.methods())
	for i, x := range doc.Sections {
		doc.Sections[i].NewPage = x.ID != "next" && x.ID != "methods"
	}
	return b.short(doc).numbered()
}

// BuildOnePage makes the first page alone.
func BuildOnePage(in Input) Document {
	b := newBuilder(in)
	doc := b.document("")
	doc.add(b.answer())
	return b.short(doc).numbered()
}

// short puts the facts of the trial into one line, to leave the first page to
// the answer.
func (b *builder) short(doc Document) Document {
	t := &b.in.Trial
	parts := []string{t.Site, t.Crop, span2(t.SeasonStart, t.SeasonEnd, b.units)}
	if !b.in.Made.IsZero() {
		parts = append(parts, "report made "+b.day(b.in.Made))
	}
	parts = slices.DeleteFunc(parts, func(s string) bool { return strings.TrimSpace(s) == "" })
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
		Facts: []Fact{{"Site", t.Site}, {"Crop", t.Crop},
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
	for i, r := range b.in.Responses {
		c := analysis.ClaimOf(r.Response, r.Overall)
		if i == b.lead.Primary {
			out = append([]analysis.Claim{c}, out...)
		} else {
			out = append(out, c)
		}
	}
	return out
}

// leading are the responses that the first page tells of, each once: the
// primary one, the count, the cover and the yield.
func (b *builder) leading() []Response {
	var out []Response
	for _, i := range append([]int{b.lead.Primary}, b.lead.Main()...) {
		if r, ok := b.at(i); ok && !slices.ContainsFunc(out, func(x Response) bool { return x.key() == r.key() }) {
			out = append(out, r)
		}
	}
	return out
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
	s := Section{ID: "answer", Title: "The answer", Fit: true}
	t := wordsFor{&b.in.Trial}
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
	s.add(b.panels(), b.answerTable())
	title, items := "How sure is this?", b.certainty(t, claims)
	if next := b.nextWords(); len(next) > 0 {
		title, items = "How sure is this, and what next?", append(items, next...)
	}
	s.Parts = append(s.Parts, Section{ID: "sure", Title: title, Blocks: []Block{List{Items: items, Small: true}}})
	return s
}

// nextWords says in a line or two what to do next; the page of the next season
// has the rest.
func (b *builder) nextWords() []string {
	var out []string
	for _, set := range b.in.DateGroups {
		out = append(out, sentence("next season: one common day of %s for all treatments, or one treatment on more than one of the days", set.Operation))
	}
	if r, ok := b.at(b.lead.Primary); ok && plannable(r) {
		a := r.Overall.Main()
		for _, share := range differencesFor(r) {
			n, _, err := planOf(a).BlocksNeeded(deltaSD(a, a.Detectable.From, share), wantedPower)
			if err == nil && n <= mostBlocks {
				if now := len(a.Design.Blocks); n <= now { // no smaller trial is advised
					out = append(out, sentence("next season: the same %d blocks are enough to see %s %s in the test of all treatments together, four times in five", now, percentWords(share), lessOf(r.Response)))
					break
				}
				unit := counted(n, "block")
				if len(a.Design.Blocks) == 0 {
					unit = fmt.Sprintf("%d plots a treatment", n)
				}
				out = append(out, sentence("next season: plan %s to see %s %s in the test of all treatments together, four times in five", unit, percentWords(share), lessOf(r.Response)))
				break
			}
		}
	}
	return out
}

// verdict is what the page says first: of the primary response, then regrowth
// and yield in a sentence each, and the dates.
func (b *builder) verdict(t wordsFor, claims []analysis.Claim) (lead, rest []string) {
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
	if r, ok := b.at(b.lead.Primary); ok {
		rest = append(rest, askedWords(r)...)
	}
	if r, ok := b.at(b.lead.Yield); ok && b.lead.Yield != b.lead.Primary {
		rest = append(rest, askedWords(r)...)
	}
	return lead, append(rest, b.dates()...)
}

// askedWords answers what the plan asked beyond the comparison of treatments:
// its contrasts, and whether a response follows the rates.
func askedWords(r Response) []string {
	var out []string
	x := r.Overall
	if x.Planned != nil {
		for _, c := range x.Planned.Contrasts {
			switch {
			case !c.Estimable || c.PAdjusted == nil || c.Average == nil:
				out = append(out, sentence("the contrast %q cannot be told in this layout for %s", c.Name, topic(r.Response)))
			case *c.PAdjusted > x.Main().Alpha:
				out = append(out, sentence("asked beforehand, %s: no difference in %s is shown (%s)", c.Name, topic(r.Response), pWords(*c.PAdjusted)))
			case *c.Average < 0:
				out = append(out, sentence("asked beforehand, %s: %s (%s)", c.Name, lessOf(r.Response), pWords(*c.PAdjusted)))
			default:
				out = append(out, sentence("asked beforehand, %s: %s (%s)", c.Name, moreOf(r.Response), pWords(*c.PAdjusted)))
			}
		}
	}
	if t := x.Trend; t != nil {
		switch {
		case t.Suggested == 0:
			out = append(out, sentence("no trend of %s over the rates is shown", topic(r.Response)))
		case t.Suggested == 1 && t.ThroughEveryMean():
			out = append(out, sentence("a trend of %s over the two rates is shown", topic(r.Response)))
		case t.Suggested == 1:
			out = append(out, sentence("over the rates, %s follow a straight line", topic(r.Response)))
			if _, countable := thing(r.Response); !countable {
				out[len(out)-1] = sentence("over the rates, %s follows a straight line", topic(r.Response))
			}
		default:
			out = append(out, sentence("a curved trend of %s over the rates is shown", topic(r.Response)))
		}
	}
	return out
}

// panels is the figure of the first page.
func (b *builder) panels() Figure {
	var names []rowName
	for _, tr := range b.in.Trial.Treatments {
		names = append(names, rowName{tr.Code, wordsFor{&b.in.Trial}.name(tr.Code)})
	}
	var list, empty []panel
	for _, r := range b.shown() {
		p := panel{title: panelTitle(r.Response), unit: r.Unit, a: r.Overall.Main()}
		if p.a == nil {
			p.missing = sentence("%s", r.Overall.Refusal)
			empty = append(empty, p)
			continue
		}
		list = append(list, p)
	}
	if len(list) == 0 {
		list = empty // else "How sure is this?" says why
	}
	return panelsFigure("answer", names, looks(codes(b.in.Trial)), list)
}

// leads reports a response of which the first page tells.
func (b *builder) leads(r analysis.Response) bool {
	return slices.ContainsFunc(b.leading(), func(x Response) bool { return x.Key == r.Key && x.Class == r.Class })
}

// shown are the responses of the first page's figure: three at most.
func (b *builder) shown() []Response {
	list := b.leading()
	if len(list) > 3 { // the primary response is none of the usual three
		list = append(list[:2:2], list[len(list)-1])
	}
	order := func(r Response) int {
		switch r.Role {
		case analysis.Weeds:
			return 0
		case analysis.Crop:
			return 2
		}
		return 1
	}
	slices.SortStableFunc(list, func(x, y Response) int { return order(x) - order(y) })
	return list
}

func panelTitle(r analysis.Response) string {
	switch r.Key {
	case analysis.HandCount:
		return "Weeds, counted"
	case analysis.WeedCover:
		return "Weed cover, camera"
	case analysis.GreenCover:
		return "Green cover, crop included"
	case analysis.HandWeedCover:
		return "Weed cover, by eye"
	case analysis.HandCover:
		return "Cover by eye, crop included"
	}
	return sentenceCase(r.Label)
}

// answerTable has a row a treatment and the columns a grower asks for.
func (b *builder) answerTable() Table {
	t := Table{ID: "answer-table", Caption: "Means by treatment", Columns: words("Treatment")}
	type column struct {
		a      *stats.Analysis
		factor float64
	}
	var cols []column
	had := map[string]bool{}
	add := func(r Response, head string) {
		a := r.Overall.Main()
		if a == nil || had[r.key()] {
			return
		}
		had[r.key()] = true
		factor, unit := 1.0, r.Unit
		if r.Key == analysis.Yield {
			factor, unit = b.perBed()
		}
		t.Columns = append(t.Columns, Column{head + ", " + unit, true})
		cols = append(cols, column{a, factor})
	}
	var yields []Response
	for _, r := range b.leading() {
		switch r.Key {
		case analysis.HandCount:
			add(r, "Weeds")
			if p, ok := b.response(analysis.HandCount, "perennial"); ok {
				add(p, "Perennial weeds")
			}
		case analysis.GreenCover:
			add(r, "Green cover with crop")
		case analysis.Yield:
			yields = append(yields, r)
		default:
			add(r, sentenceCase(r.Label))
		}
	}
	for _, key := range []analysis.Key{analysis.Regrowth, analysis.RegrowthCover} {
		if r, ok := b.response(key, ""); ok {
			add(r, map[analysis.Key]string{analysis.Regrowth: "Regrowth", analysis.RegrowthCover: "Regrowth cover"}[key])
		}
	}
	for _, r := range yields {
		add(r, sentenceCase(r.Label))
	}
	for _, tr := range b.in.Trial.Treatments {
		row := cells(wordsFor{&b.in.Trial}.name(tr.Code))
		for _, c := range cols {
			row.Cells = append(row.Cells, Cell{Text: meanWithLetters(c.a, tr.Code, c.factor)})
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = "Within a column, treatments that share a letter are not shown to differ; that does not mean that they are the same."
	for _, c := range cols {
		if c.a.LettersHideControl() {
			t.Note += " Held against " + wordsFor{&b.in.Trial}.name(c.a.Control) + " alone, some that share its letter do differ."
			break
		}
	}
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

// certainty lists what a reader should hold against the answer.
func (b *builder) certainty(t wordsFor, claims []analysis.Claim) []string {
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
	for _, c := range claims[1:] {
		if c.Refusal != "" && (c.Key == analysis.WeedCover || b.leads(c.Response)) {
			say(sentence("%s is not told: %s", topic(c.Response), c.Refusal))
		}
	}
	for _, q := range b.openShort() {
		say(q)
	}
	for _, l := range b.lacks(t) {
		say(l)
	}
	for _, r := range b.leading() {
		say(checkedWords(r))
		for _, n := range r.Overall.Notes {
			say(sentence("%s", n))
		}
	}
	for _, v := range b.in.Visits {
		if len(v.Split) > 0 {
			say(sentence("visit %d was not made on one day within a block (%s), so that weather or light of a day may count as a difference between plots", v.Number, strings.Join(v.Split, "; ")))
		}
	}
	for _, a := range b.in.Agreements {
		for _, s := range cameraVerdicts(t, a) {
			say(s)
		}
		if biasByTreatment(a) {
			say(sentence("the camera's error in %s is not the same in all treatments: its raw values may show a difference between treatments that is not there, or hide one", cameraOf[a.Of]))
		}
	}
	say(b.in.Photos.doubtWords())
	if p := b.in.Photos; p.left() > 0 {
		say(fmt.Sprintf("%d of %d photos are not used: %d set aside, %d that cannot be read, %d that wait for an answer.", p.left(), p.All, len(p.Rejected), len(p.Unread), len(p.Open)))
	}
	others := 0
	for _, c := range claims[1:] {
		if c.Refusal == "" {
			others++
		}
	}
	if main.Refusal == "" && others > 0 {
		how := "by the order of this report, since the plan names none"
		if b.in.Trial.Primary != "" {
			how = "as the plan says"
		}
		what := "others were"
		if others == 1 {
			what = "other was"
		}
		say(fmt.Sprintf("The primary response is %s, %s; %d %s compared as well, and among many looks one now and then shows a difference by chance.", topic(main.Response), how, others, what))
	}
	say("One trial in one season on one field says what happened there. Other soils, weeds and weather may give another order.")
	return out
}

// cameraOf is what a camera is held against the hand in.
var cameraOf = map[calibrate.Kind]string{calibrate.Cover: "cover", calibrate.Count: "numbers"}

// biasByTreatment reports that the camera errs by another amount in one
// treatment than in another.
func biasByTreatment(a analysis.Agreement) bool {
	return a.Report != nil && slices.ContainsFunc(a.Report.Groups, func(g calibrate.GroupTable) bool {
		return g.By == calibrate.ByTreatment && g.Test != nil && (g.Test.Shown || g.Test.AfterLineShown)
	})
}

// cameraVerdicts are two answers to two questions: on average, and for
// comparing treatments. The first never hides the second.
func cameraVerdicts(t wordsFor, a analysis.Agreement) []string {
	if a.Report == nil || a.Report.Verdict == nil {
		return nil
	}
	v := a.Report.Verdict
	what := cameraOf[a.Of]
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
	s.Fit = true
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

// seasonPage is the course of the weeds, all treatments on common axes.
func (b *builder) seasonPage() Section {
	s := Section{ID: "season", Title: "Green and weeds over the season", Fit: true}
	t := wordsFor{&b.in.Trial}
	for _, r := range b.leading() {
		if !r.Role.LessIsBetter() {
			continue
		}
		p := Section{ID: "season-" + r.key(), Title: sentenceCase(topic(r.Response))}
		claim := analysis.ClaimOf(r.Response, r.Overall)
		for _, v := range t.verdict(claim) {
			p.say("%s", v)
		}
		b.askAbout(&p, r)
		for _, l := range t.lacks(claim) {
			p.note("%s", l)
		}
		if r.Corrected != "" {
			p.note("%s", r.Corrected)
		}
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
	s := Section{ID: "yield", Title: "Yield", Fit: true}
	r, ok := b.at(b.lead.Yield)
	a := r.Overall.Main()
	if !ok || a == nil {
		s.say("%s", orNotRecorded(r.Overall.Refusal))
		b.askAbout(&s, r)
		return s
	}
	t := wordsFor{&b.in.Trial}
	c := analysis.ClaimOf(r.Response, r.Overall)
	s.add(Text{Tone: Lead, Text: strings.Join(t.verdict(c), " ")})
	b.askAbout(&s, r)
	if x := t.second(c); x != "" {
		s.note("%s", x)
	}
	for _, l := range t.lacks(c) {
		s.note("%s", l)
	}
	for _, n := range r.Overall.Notes {
		s.note("%s", n)
	}
	if f, ok := meansFigure(b.in, r.key()+"-means", r.Label, r.Unit, a, true); ok {
		s.add(f)
	}
	s.Blocks = append(s.Blocks, b.yieldTables()...)
	return s
}

// askAbout says what sheets leave open about a response.
func (b *builder) askAbout(s *Section, r Response) {
	var list []string
	for _, q := range r.Overall.Questions {
		list = append(list, sentence("%s", q.Text))
	}
	if len(list) > 0 {
		s.warn("%s", strings.Join(list, " "))
	}
}

// mostAsked questions of the sheets are told one by one where there is little
// room.
const mostAsked = 5

// doubts are what a reader of the verdict alone must know as well: open
// questions, what the comparisons lack, photos that are not used, and what the
// camera gets wrong.
func (b *builder) doubts(t wordsFor, claims []analysis.Claim) []string {
	out := append(b.openShort(), b.lacks(t)...)
	if len(claims) > 0 && claims[0].TooSmall {
		out = append(out, t.could(claims[0]))
	}
	for _, a := range b.in.Agreements {
		if biasByTreatment(a) {
			out = append(out, sentence("the camera's error in %s is not the same in all treatments", cameraOf[a.Of]))
		}
	}
	if p := b.in.Photos; p.left() > 0 {
		out = append(out, fmt.Sprintf("%d of %d photos are not used.", p.left(), p.All))
	}
	if x := b.in.Photos.doubtWords(); x != "" {
		out = append(out, x)
	}
	return out
}

// left is how many photos are not used, spare ones aside.
func (p Photos) left() int { return len(p.Rejected) + len(p.Unread) + len(p.Open) }

// doubtWords says how many photos are used with a doubt; "" for none.
func (p Photos) doubtWords() string {
	if p.Doubtful == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d photos in use have a doubt that nobody has looked at (`quadtally review`).", p.Doubtful, p.InUse)
}

// openShort says what sheets leave open, in the short form, and where it is
// asked in full.
func (b *builder) openShort() []string {
	var parts []string
	visits := map[string][]string{} // of classes that were counted here and there
	for _, q := range b.in.Open {
		if q.Kind == analysis.AskClass {
			visits[q.Class] = append(visits[q.Class], fmt.Sprint(q.Visit))
		}
	}
	for _, q := range b.in.Open {
		at := visits[q.Class]
		switch {
		case q.Kind != analysis.AskClass || len(at) == 1:
			parts = append(parts, q.Short)
		case at[0] == fmt.Sprint(q.Visit):
			parts = append(parts, fmt.Sprintf("%s was counted in few quadrats of %s or in none", q.Class, numbered("visit", at)))
		}
	}
	if more := len(parts) - mostAsked; more > 0 {
		parts = append(parts[:mostAsked], fmt.Sprintf("%d more", more))
	}
	if len(parts) == 0 {
		return nil
	}
	return []string{sentence("open questions of the sheets, which `quadtally status` asks in full: %s", strings.Join(parts, "; "))}
}

// lacks says what the comparisons of the first page lack, what is common to
// several once.
func (b *builder) lacks(t wordsFor) []string {
	var order []string
	of := map[string][]string{}
	for _, r := range b.leading() {
		for _, l := range t.lacks(analysis.ClaimOf(r.Response, r.Overall)) {
			if of[l] == nil {
				order = append(order, l)
			}
			of[l] = append(of[l], topic(r.Response))
		}
	}
	for i, l := range order {
		order[i] = sentence("in %s, %s", listOf(of[l]), l)
	}
	return order
}

// lacks says what a comparison lacks, without naming it.
func (t wordsFor) lacks(c analysis.Claim) []string {
	var out []string
	if n := len(c.BlocksLost); n > 0 {
		out = append(out, fmt.Sprintf("%s %s no data: %s compared", numbered("block", c.BlocksLost), has(n), counted(c.Blocks, "block")+map[bool]string{true: " is", false: " are"}[c.Blocks == 1]))
	}
	if len(c.TreatmentsLost) > 0 {
		out = append(out, fmt.Sprintf("%s %s no value in any plot and %s not compared", t.names(c.TreatmentsLost), has(len(c.TreatmentsLost)), map[bool]string{true: "is", false: "are"}[len(c.TreatmentsLost) == 1]))
	}
	if n := len(c.PlotsMissing); n > 0 {
		out = append(out, fmt.Sprintf("%s %s no value", numbered("plot", c.PlotsMissing), has(n)))
	}
	for _, x := range c.Bridged {
		out = append(out, fmt.Sprintf("%s %s no value at visit %d: a straight line from the visit before to the one after stands there", numbered("plot", x.Plots), has(len(x.Plots)), x.Visit))
	}
	return out
}

func has(n int) string {
	if n == 1 {
		return "has"
	}
	return "have"
}

// numbered names one or several of a kind: "plots 101 and 204".
func numbered(noun string, names []string) string {
	if len(names) > 1 {
		noun += "s"
	}
	return noun + " " + listOf(names)
}

// checkedWords says how a cover by class was corrected; "" for others.
func checkedWords(r Response) string {
	points, wrong, visits := 0, 0, 0
	var differ []string
	for _, c := range r.Overall.Checked {
		if c.ByHand {
			continue
		}
		visits++
		points, wrong = points+c.Points, wrong+c.Errors
		if c.Shown {
			differ = append(differ, fmt.Sprint(c.Visit))
		}
	}
	if points == 0 {
		return sentence("%s", r.Corrected)
	}
	out := fmt.Sprintf("%s is corrected by %d check points of %s, %d of which the photos had sorted wrongly; its intervals and tests hold the uncertainty of that", r.Label, points, counted(visits, "visit"), wrong)
	if len(differ) > 0 {
		out += fmt.Sprintf("; at %s the photos err by another amount in one treatment than in another, and each treatment was corrected by itself", numbered("visit", differ))
	}
	return sentence("%s", out)
}

// cameraPage is the camera held against the hand.
func (b *builder) cameraPage() Section {
	s := Section{ID: "camera", Title: "Camera against hand", Fit: true}
	t := wordsFor{&b.in.Trial}
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
		for _, l := range a.Report.Loud {
			p.warn("%s", l)
		}
		text := agreementText(a.Report)
		p.say("%s", text.biasSentence())
		p.say("%s", text.limitsSentence())
		p.add(equalityFigure(b.in, a.Report))
		s.Parts = append(s.Parts, p)
	}
	return s
}

// mostBlocks fit on a farm; a plan for more is no plan (common practice).
const mostBlocks = 8

// nextPage says what to change, as far as this trial can tell.
func (b *builder) nextPage() Section {
	s := Section{ID: "next", Title: "Next season"}
	for _, d := range b.dates() {
		s.say("%s Give these treatments one common day next time, or let one treatment have more than one of these days.", d)
	}
	t := wordsFor{&b.in.Trial}
	for _, i := range []int{b.lead.Weeds, b.lead.Yield} {
		r, ok := b.at(i)
		if !ok {
			continue
		}
		if c := analysis.ClaimOf(r.Response, r.Overall); c.Detectable != nil {
			s.say("With %s, one comparison of two treatments by itself sees a change in %s of about %s of %s four times in five.", b.replication(r, c), topic(c.Response), percentWords(*c.Detectable), cmp.Or(t.name(c.Control), "the mean"))
		}
	}
	full := b.nextSeason()
	s.Blocks = append(s.Blocks, full.Blocks...)
	for _, i := range []int{b.lead.Weeds, b.lead.Yield} {
		if r, ok := b.at(i); ok && plannable(r) {
			if table := blocksTable(r, r.Overall.Main(), wantedPower, mostBlocks); len(table.Rows) > 0 {
				s.add(table)
			} else {
				s.note("In %s not even %d blocks would show %.0f %% less.", topic(r.Response), mostBlocks, 100*slices.Max(differencesFor(r)))
			}
		}
	}
	return s
}

// replication says in how many blocks, or on how many plots a treatment, a
// comparison rests.
func (b *builder) replication(r Response, c analysis.Claim) string {
	if c.Blocks > 0 {
		return counted(c.Blocks, "block")
	}
	return plotsWords(r.Overall.Main())
}

// split parts what is recorded from the names of what is not.
func (f Facts) split() (known Facts, missing []string) {
	for _, x := range f {
		if x.Value == "" {
			missing = append(missing, strings.ToLower(x.Name[:1])+x.Name[1:])
		} else {
			known = append(known, x)
		}
	}
	return known, missing
}
