package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

var answerWords = map[calibrate.Answer]string{calibrate.Yes: "Yes", calibrate.No: "No", calibrate.NotEnough: "Not yet, there are too few pairs"}

// camera is image against hand.
func (b *builder) camera() Section {
	s := Section{ID: "camera", Title: "Camera against hand"}
	s.say("Photos and people looked at the same quadrats. A correlation alone proves nothing: a camera that reads double follows the hand perfectly. What counts is how far the two are apart.")
	for _, a := range b.in.Agreements {
		p := Section{ID: "camera-" + string(a.Of), Title: sentenceCase(string(a.Of))}
		if a.Report == nil {
			p.warn("%s", a.Refusal)
		} else {
			b.agreement(&p, a)
		}
		s.Parts = append(s.Parts, p)
	}
	return s
}

func (b *builder) agreement(p *Section, a analysis.Agreement) {
	r, t := a.Report, agreementText(a.Report)
	for _, l := range r.Loud {
		p.warn("%s", l)
	}
	p.add(Text{Tone: Lead, Text: t.biasSentence()})
	if v := r.Verdict; v != nil {
		p.say("May hand counting stop? %s. With the margin of %s %s stated beforehand: %s", answerWords[v.Answer], t.val(v.Margin), t.unit, sentence("%s", v.Sentence))
	} else {
		p.say("May hand counting stop? Not answered: no margin was stated before the season.")
	}
	p.say("For a single quadrat, 95 in 100 differences (image minus hand) lie between %s and %s %s.", t.val(r.Agreement.LowerLimit.Value), t.val(r.Agreement.UpperLimit.Value), t.unit)
	difference := differenceFigure(b.in, r)
	difference.HeightMM = halfTallMM
	t.tables(p, string(a.Of), equalityFigure(b.in, r), difference)
}

// tables adds what stands behind the answers. Where nothing is drawn, as on a
// terminal, the plots of double sampling are told one by one as well.
func (t *agreeText) tables(p *Section, of string, drawn ...Block) {
	r, ag := t.r, t.r.Agreement
	level := fmt.Sprintf("%.0f %% interval", 100*r.Confidence)
	table := Table{ID: "agreement-" + of, Caption: fmt.Sprintf("Agreement (image minus hand) in %s, %d pairs in %d plots", t.unit, ag.N, ag.Plots), Columns: headed("Measure", "Value", level+", plots as units", level+", pairs independent")}
	for _, e := range []struct {
		name string
		e    calibrate.Estimate
	}{{"Mean difference (bias)", ag.Bias}, {"SD of differences", ag.SDDiff}, {"Lower limit of agreement", ag.LowerLimit},
		{"Upper limit of agreement", ag.UpperLimit}, {"Root mean squared difference", ag.RMSE}, {"Mean absolute difference", ag.MAE}} {
		table.Rows = append(table.Rows, cells(e.name, t.val(e.e.Value), t.span(e.e.ClusterCI), t.span(e.e.CI)))
	}
	coefficients := func(name string, e *calibrate.Estimate) {
		table.Rows = append(table.Rows, cells(name, fixed(e.Value, 3), coefficient(e.ClusterCI), coefficient(e.CI)))
	}
	if ag.CCC != nil {
		coefficients("Concordance (Lin, divisor n)", &ag.CCC.Estimate)
		table.Rows = append(table.Rows, cells("Concordance, divisor n − 1", fixed(ag.CCC.NMinus1, 3), undefined, undefined))
	}
	if ag.ICC != nil {
		coefficients("Intraclass correlation (2,1)", &ag.ICC.Estimate)
	}
	if ag.Pearson != nil {
		coefficients("Pearson r (follows, not agrees)", &ag.Pearson.Estimate)
	}
	if ag.Spearman != nil {
		coefficients("Spearman rank r", &ag.Spearman.Estimate)
	}
	var hand, image []float64
	for _, x := range r.Figure.Points {
		hand, image = append(hand, x.Hand), append(image, x.Image)
	}
	if tau, err := calibrate.KendallTauB(hand, image); err == nil {
		table.Rows = append(table.Rows, cells("Kendall tau-b", fixed(tau, 3), undefined, undefined))
	}
	if ag.SDBetween != nil && ag.SDWithin != nil {
		table.Note = fmt.Sprintf("SD of differences between plots %s, within plots %s.", t.ptr(ag.SDBetween), t.ptr(ag.SDWithin))
	}
	tables := []Block{table}
	if s := ag.Sloping; s != nil && s.Advised {
		st := Table{ID: "sloping-" + of, Caption: "Limits that follow the size of the value, " + t.unit, Columns: headed("Mean of hand and image", "Bias", "Lower limit", "Upper limit")}
		for _, q := range s.Points {
			st.Rows = append(st.Rows, cells(t.val(q.Mean), t.val(q.Bias), t.val(q.Lower), t.val(q.Upper)))
		}
		tables = append(tables, st)
	}
	for _, g := range r.Groups {
		tables = append(tables, t.groupTable(of, level, g))
	}
	if r.Verdict != nil {
		tables = append(tables, t.marginTable(of, r.Verdict))
	}
	p.beside(tables...)
	p.add(drawn...)
	t.line(p, of, level)
	if d := r.Double; d != nil {
		p.add(t.doubleTable("double-"+of, "Treatment", d.Treatments))
		if len(drawn) == 0 {
			p.add(t.doubleTable("double-plots-"+of, "Plot", d.Plots))
		}
	}
	if plan := r.Plan; r.Double != nil && plan != nil {
		target := ""
		if plan.TargetSE > 0 {
			target = fmt.Sprintf(" Target standard error: %s %s.", fixed(plan.TargetSE*t.scale, t.digits+1), t.unit)
		}
		p.say("Plan: %s%s", sentence("%s", plan.Sentence), target)
	}
	in := r.Intake
	p.say("Rows: %d given, %d pairs used, %d photographed only.", in.Given, in.Used, in.Photo)
	var left []string
	for _, q := range in.Problems {
		if q.Fault != calibrate.NoHand {
			left = append(left, sentence("%s", q.Sentence))
		}
	}
	if len(left) > 0 {
		p.note("Pairs left out of the agreement (%d):", len(left))
		p.add(List{Items: left, Small: true})
	}
	notes := slices.Concat(in.Warnings, ag.Warnings, r.Warnings, r.Calibration.Warnings)
	if r.Calibration.Chosen != nil {
		notes = append(notes, r.Calibration.Chosen.Warnings...)
	}
	if r.Double != nil {
		notes = append(notes, r.Double.Warnings...)
	}
	if r.Verdict != nil {
		notes = append(notes, r.Verdict.Warnings...)
	}
	notes = append(notes, fmt.Sprintf("intervals with plots as units: t for the bias, variance components for the limits, bootstrap of whole plots (%d resamples, seed %d) for the rest of the agreement, delete-one-plot jackknife for lines and double sampling", r.Resamples, r.Seed))
	p.add(List{Items: sentences(notes), Small: true})
}

// groupTable is the bias within each of the groups that pairs fall into.
func (t *agreeText) groupTable(of, level string, g calibrate.GroupTable) Table {
	out := Table{ID: "agreement-" + of + "-by-" + slug(g.By), Caption: fmt.Sprintf("Bias by %s, %s", g.By, t.unit),
		Columns: headed(sentenceCase(g.By), "Pairs", "Plots", "Bias", level, "Limits of agreement", "RMSE", "Concordance")}
	for _, row := range g.Groups {
		a := row.Agreement
		if a == nil {
			out.Rows = append(out.Rows, cells(row.Name, fmt.Sprint(row.N), undefined, t.val(row.Bias), undefined, undefined, undefined, undefined))
			continue
		}
		ccc := undefined
		if a.CCC != nil {
			ccc = fixed(a.CCC.Value, 3)
		}
		out.Rows = append(out.Rows, cells(row.Name, fmt.Sprint(row.N), fmt.Sprint(a.Plots), t.val(a.Bias.Value), t.span(a.Bias.Best()),
			t.val(a.LowerLimit.Value)+" to "+t.val(a.UpperLimit.Value), t.val(a.RMSE.Value), ccc))
	}
	if b := g.Test; b != nil {
		verdict := "not shown to differ"
		if b.Shown {
			verdict = "shown to differ"
		}
		out.Note = fmt.Sprintf("Bias %s between %ss: F = %.2f on %.0f and %.0f df, %s (%s).", verdict, g.By, b.Statistic, b.DF1, b.DF2, pWords(b.P), b.Design)
		if c := b.AfterLine; c != nil {
			out.Note += fmt.Sprintf(" After one common line for all: F = %.2f on %.0f and %.0f df, %s.", c.Statistic, c.DF1, c.DF2, pWords(c.P))
		}
	} else if g.Note != "" {
		out.Note = sentence("%s", g.Note)
	}
	return out
}

// marginTable holds the two one-sided tests behind the verdict.
func (t *agreeText) marginTable(of string, v *calibrate.Verdict) Table {
	level := "Interval"
	if v.Overall.CI != nil {
		level = fmt.Sprintf("%.0f %% interval", 100*v.Overall.CI.Level)
	}
	out := Table{ID: "margin-" + of, Caption: fmt.Sprintf("Two one-sided tests, margin %s %s", t.val(v.Margin), t.unit),
		Columns: headed("Treatment", "Plots", "Bias", level, "p below", "p above", "Answer", "Plots needed")}
	out.Columns[6].Numeric = false
	add := func(name string, e *calibrate.TOST) {
		need := undefined
		if e.PlotsNeeded != nil {
			need = fmt.Sprint(*e.PlotsNeeded)
		}
		out.Rows = append(out.Rows, cells(name, fmt.Sprint(e.Plots), t.val(e.Bias), t.span(e.CI), pCell(e.PLower), pCell(e.PUpper), strings.ReplaceAll(string(e.Answer), "_", " "), need))
	}
	add("all", v.Overall)
	for _, n := range v.Treatments {
		if n.Test == nil {
			out.Rows = append(out.Rows, cells(n.Name, undefined, undefined, undefined, undefined, undefined, "too few pairs", undefined))
			continue
		}
		add(n.Name, n.Test)
	}
	return out
}

// line adds the calibration line beside those that were not chosen.
func (t *agreeText) line(p *Section, of, level string) {
	c := t.r.Calibration
	if c.Chosen == nil {
		p.say("No calibration line: %s", sentence("%s", c.Why))
		return
	}
	p.say("Calibration line (%s): hand = %s + %s "+timesSign+" image, in %s; it holds for image values from %s to %s and is extrapolated beyond. The raw image value misses the hand by %s. %s", c.Chosen.Method.Words(),
		t.val(c.Chosen.Intercept.Value), fixed(c.Chosen.Slope.Value, 3), t.unit, t.val(c.Chosen.Low), t.val(c.Chosen.High), t.val(t.r.Agreement.RMSE.Value), sentence("%s", c.Why))
	lines := Table{ID: "lines-" + of, Caption: "Lines of hand on image, in " + t.unit + "; * chosen", Columns: headed("Line", "Intercept", "Slope", level+" of slope", "Error, plot left out")}
	for _, l := range c.Lines {
		name := l.Method.Words()
		if l == c.Chosen || l.Method == c.Chosen.Method {
			name += " *"
		}
		lines.Rows = append(lines.Rows, cells(name, t.val(l.Intercept.Value), fixed(l.Slope.Value, 3), coefficient(l.Slope.Best()), t.ptr(l.LeaveOnePlot)))
	}
	if c.Counts != nil {
		lines.Note = fmt.Sprintf("Dispersion of counts about the line %.2f (1 is Poisson scatter).", c.Counts.Dispersion)
	}
	list := []Block{lines}
	if len(c.Inverse) > 0 {
		back := Table{ID: "inverse-" + of, Caption: "Hand value for one image value, read backwards (Fieller), in " + t.unit, Columns: headed("Image", "Hand", "Interval")}
		back.Columns[0].Numeric = true
		for _, v := range c.Inverse {
			span := "no bounds: the slope is not shown to differ from 0"
			if v.Low != nil && v.High != nil {
				span = t.val(*v.Low) + " to " + t.val(*v.High)
			}
			back.Rows = append(back.Rows, cells(t.val(v.Y), t.val(v.X), span))
		}
		list = append(list, back)
	}
	p.beside(list...)
}

// doubleTable gives means from photos corrected by the hand counts (double
// sampling), beside the hand counts alone.
func (t *agreeText) doubleTable(id, kind string, rows []calibrate.DomainRow) Table {
	d := t.r.Double
	out := Table{ID: id, Caption: fmt.Sprintf("Double sampling by %s: %d quadrats photographed, %d of them counted by hand, %s", strings.ToLower(kind), d.Photos, d.Hands, t.unit),
		Columns: headed(kind, "Visit", "Photos", "By hand", "Image only", "Hand only", "SE of hand only", "Image corrected by hand", "SE of corrected", "By ratio", "Gain")}
	out.Columns[1].Numeric = false
	pair := func(e *calibrate.Estimate) (string, string) {
		if e == nil {
			return undefined, undefined
		}
		return t.val(e.Value), t.ptr(e.SE)
	}
	remarks := map[string][]string{}
	var order []string
	for _, r := range rows {
		name, visit := cmp.Or(r.Name, "all"), cmp.Or(r.Visit, "all")
		image, _ := pair(r.ImageOnly)
		hand, handSE := pair(r.HandOnly)
		both, bothSE := pair(r.Regression)
		ratio, _ := pair(r.Ratio)
		out.Rows = append(out.Rows, cells(name, visit, fmt.Sprint(r.Photos), fmt.Sprint(r.Hands), image, hand, handSE, both, bothSE, ratio, optional(r.Gain, 2)))
		if r.Note != "" {
			if remarks[r.Note] == nil {
				order = append(order, r.Note)
			}
			if !slices.Contains(remarks[r.Note], name) { // once, not for every visit
				remarks[r.Note] = append(remarks[r.Note], name)
			}
		}
	}
	notes := []string{"Gain: the variance by hand only, in times that of the corrected image."}
	if d.Gain != nil && kind == "Treatment" {
		notes = append(notes, fmt.Sprintf("Over all treatments it is %s.", fixed(*d.Gain, 2)))
	}
	for _, n := range order {
		notes = append(notes, sentence("%s: %s", some(remarks[n], 6), n))
	}
	out.Note = strings.Join(notes, " ")
	return out
}

func meanAndLetters(a *stats.Analysis, treatment string) string {
	if a == nil {
		return undefined
	}
	for _, t := range a.Treatments {
		if t.Treatment == treatment {
			if m, _, _, ok, _ := shown(t); ok {
				return strings.TrimSpace(number(&m, (&compareText{a: *a}).backDigits()) + " " + t.Letters)
			}
		}
	}
	return undefined
}

// yields gives the harvest per bed length and per area.
func (b *builder) yields() Section {
	s := Section{ID: "yields", Title: "Yields per bed length and per area"}
	r, ok := b.at(b.lead.Yield)
	if a := r.Overall.Main(); !ok || a == nil {
		s.say("%s", orNotRecorded(r.Overall.Refusal))
		return s
	}
	s.Blocks = b.yieldTables()
	if len(b.in.Harvest) > 0 {
		s.add(b.harvestTable())
	}
	return s
}

// yieldTables are the yield per area and bed length, and the cull.
func (b *builder) yieldTables() []Block {
	var s Section
	r, _ := b.at(b.lead.Yield)
	a := r.Overall.Main()
	spacing := b.in.Trial.Ground.BedSpacingMM
	t := Table{ID: "yield-units", Caption: sentenceCase(r.Label) + ", adjusted means", Columns: headed("Treatment", "Plots")}
	perBed, unit := b.perBed()
	if spacing > 0 {
		t.Columns = append(t.Columns, Column{sentenceCase("per area, " + r.Unit), true})
	}
	t.Columns = append(t.Columns, Column{sentenceCase("per bed length, " + unit), true})
	for _, x := range a.Treatments {
		m, _, _, ok, _ := shown(x)
		if !ok {
			continue
		}
		row := cells(x.Treatment, fmt.Sprint(x.Plots))
		row.Cells[1].Link = r.dataLink()
		if spacing > 0 {
			row.Cells = append(row.Cells, Cell{Text: number(&m, (&compareText{a: *a}).backDigits())})
		}
		row.Cells = append(row.Cells, Cell{Text: figure3(m * perBed)})
		t.Rows = append(t.Rows, row)
	}
	if spacing > 0 {
		t.Note = fmt.Sprintf("Basis of the area: the length of bed cut times the bed spacing centre to centre (%s), path included; by the width of the bed top alone yields would look larger than they are. The two columns differ by a fixed factor, so every test holds for both.", trial.Length(spacing, b.units))
	} else {
		t.Note = "The bed spacing is not recorded, so no yield per area is given."
	}
	note := t.Note
	t.Note = ""
	list := []Block{t}
	if cull, ok := b.response(analysis.Cull, ""); ok {
		if ca := cull.Overall.Main(); ca != nil {
			ct := Table{ID: "cull-share", Caption: fmt.Sprintf("Culled weight beside %s, %s", r.Label, r.Unit), Columns: headed("Treatment", "Marketable", "Culled", "Culled, % of both")}

			for _, tr := range b.in.Trial.Treatments {
				m, okM := adjustedMean(a, tr.Code)
				c, okC := adjustedMean(ca, tr.Code)
				if !okM || !okC || m+c <= 0 {
					continue
				}
				share := 100 * c / (m + c)
				ct.Rows = append(ct.Rows, cells(tr.Code, number(&m, (&compareText{a: *a}).backDigits()), number(&c, (&compareText{a: *ca}).backDigits()), number(&share, 1)))
			}
			list = append(list, ct)
		}
	}
	s.beside(list...)
	s.note("%s", note)
	s.say("Trim rule: %s", orNotRecorded(strings.Join(b.in.Trims, "; ")))
	return s.Blocks
}

// harvestTable is the harvest as weighed, plot by plot.
func (b *builder) harvestTable() Table {
	weight, perKG := "kg", 1.0
	if b.units == trial.US {
		weight, perKG = "lb", 1/trial.KGPerLB
	}
	t := Table{ID: "harvest", Caption: "Harvest as weighed and counted, by plot", Columns: headed("Plot", "Treatment", "Bed cut", "Picks",
		b.weighed()+", "+weight, "Culled, "+weight, "Pieces", "Mean piece, "+weight, "Plants standing", "Source")}
	t.Columns[1].Numeric, t.Columns[9].Numeric = false, false
	value := func(v *float64, scale float64, digits int) string {
		if v == nil {
			return notRecorded
		}
		return fixed(*v*scale, digits)
	}
	treatment := map[string]string{}
	for _, p := range b.in.Plots {
		treatment[p.ID] = p.Treatment
	}
	for _, h := range b.in.Harvest {
		length, piece := notRecorded, undefined
		if h.LengthMM > 0 {
			length = trial.Length(h.LengthMM, b.units)
		}
		if h.MarketableKG != nil && h.Pieces != nil && *h.Pieces > 0 {
			piece = fixed(*h.MarketableKG*perKG / *h.Pieces, 3)
		}
		t.Rows = append(t.Rows, cells(h.Plot, treatment[h.Plot], length, fmt.Sprint(h.Picks), value(h.MarketableKG, perKG, 2), value(h.CulledKG, perKG, 2),
			value(h.Pieces, 1, 0), piece, value(h.Stand, 1, 0), strings.Join(h.Sources, ", ")))
	}
	t.Note = "Mulch can thin the stand: where stands differ, read the weight a piece beside the weight a bed length."
	return t
}

// weighed names the weight of a harvest by what the trial's yield is called.
func (b *builder) weighed() string {
	for _, h := range b.in.Harvest {
		if h.Ungraded {
			return "Total, ungraded"
		}
	}
	return "Marketable"
}

func adjustedMean(a *stats.Analysis, treatment string) (float64, bool) {
	for _, t := range a.Treatments {
		if t.Treatment == treatment {
			m, _, _, ok, _ := shown(t)
			return m, ok
		}
	}
	return 0, false
}

// perBed turns the yield's unit of area into one of bed length.
func (b *builder) perBed() (factor float64, unit string) {
	spacing := b.in.Trial.Ground.BedSpacingMM
	switch {
	case spacing <= 0:
		return 1, "kg per m of bed"
	case b.units == trial.US:
		return spacing / trial.MMPerFoot * trial.M2PerFt2 / trial.M2PerAcre, "lb per bed-foot"
	}
	return spacing / 1000 / trial.M2PerHa, "kg per m of bed"
}

// weedsAgainstYield holds the two against each other, plot by plot.
// With holds places of the list of responses.
func (b *builder) weedsAgainstYield(with ...int) Section {
	s := Section{ID: "weeds-yield", Title: "Weeds against yield, plot by plot"}
	yield, ok := b.at(b.lead.Yield)
	ya := yield.Overall.Main()
	if !ok || ya == nil {
		s.say("No yields: nothing can be held against the weeds.")
		return s
	}
	held, ofWeedsToo := false, false
	drawn := []Block{}
	had := map[string]bool{}
	for _, i := range with {
		weeds, ok := b.at(i)
		wa := weeds.Overall.Main()
		if !ok || wa == nil || had[weeds.key()] || !weeds.Role.LessIsBetter() {
			continue
		}
		had[weeds.key()] = true
		var points []scatterPoint
		var ofWeeds, ofYield []float64
		for _, w := range wa.Plots {
			for _, y := range ya.Plots {
				if y.Name == w.Name {
					points = append(points, scatterPoint{w.Value, y.Value, w.Treatment})
					ofWeeds, ofYield = append(ofWeeds, w.Residual), append(ofYield, y.Residual)
				}
			}
		}
		if len(points) < 3 {
			continue
		}
		held = true
		if weeds.Role == analysis.Green {
			s.say("%s holds %s.", sentenceCase(weeds.Label), weeds.MadeOf())
		} else {
			ofWeedsToo = true
		}
		drawn = append(drawn, weedsYieldFigure(b.in, weeds, yield, points))
		xs, ys := coordinates(points)
		if r, ok := correlation(xs, ys); ok {
			s.say("%s and %s over all %d plots: r = %s. That mixes what the treatments did to the weeds with everything else they did to the crop.", sentenceCase(weeds.Label), yield.Label, len(points), withDecimals(r, 2))
		}
		if r, ok := correlation(ofWeeds, ofYield); ok {
			s.say("Within treatments and blocks (residuals of both): r = %s.", withDecimals(r, 2))
		}
	}
	if !held {
		s.say("No plot has both: nothing can be held against each other.")
		return s
	}
	if len(drawn) > 1 {
		for i, x := range drawn {
			drawn[i] = half(x.(Figure))
		}
	}
	s.beside(drawn...)
	what := "the weeds"
	if !ofWeedsToo {
		what, s.Title = "the green", "Green cover against yield, plot by plot"
	}
	s.warn("This shows that two things went together in these plots, or did not. It does not show that %s made the yield: mulch also changes water, warmth and nitrogen.", what)
	return s
}

// correlation is Pearson's, where both sides vary.
func correlation(x, y []float64) (float64, bool) {
	if len(x) < 3 || slices.Min(x) == slices.Max(x) || slices.Min(y) == slices.Max(y) {
		return 0, false
	}
	return stat.Correlation(x, y, nil), true
}
