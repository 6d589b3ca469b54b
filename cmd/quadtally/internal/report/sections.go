package report

import (
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

// agreementText lends the wording and units of the text on a screen.
func agreementText(r *calibrate.Report) *agreeText {
	t := &agreeText{r: *r, scale: 1, unit: "pieces", digits: 2}
	if r.Kind == calibrate.Cover {
		t.scale, t.unit, t.digits = 100, "points", 1
	}
	return t
}

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
	ag := r.Agreement
	p.say("For a single quadrat, 95 in 100 differences (image minus hand) lie between %s and %s %s.", t.val(ag.LowerLimit.Value), t.val(ag.UpperLimit.Value), t.unit)
	level := fmt.Sprintf("%.0f %% interval", 100*r.Confidence)
	table := Table{ID: "agreement-" + string(a.Of), Caption: fmt.Sprintf("Agreement (image minus hand) in %s, %d pairs in %d plots", t.unit, ag.N, ag.Plots), Columns: headed("", "Value", level+", plots as units", level+", pairs independent")}
	table.Columns[0].Head = "Measure"
	for _, e := range []struct {
		name string
		e    calibrate.Estimate
	}{{"Mean difference (bias)", ag.Bias}, {"SD of differences", ag.SDDiff}, {"Lower limit of agreement", ag.LowerLimit},
		{"Upper limit of agreement", ag.UpperLimit}, {"Root mean squared difference", ag.RMSE}, {"Mean absolute difference", ag.MAE}} {
		table.Rows = append(table.Rows, cells(e.name, t.val(e.e.Value), t.span(e.e.ClusterCI), t.span(e.e.CI)))
	}
	coefficientRow := func(name string, e *calibrate.Estimate) {
		table.Rows = append(table.Rows, cells(name, fixed(e.Value, 3), coefficient(e.ClusterCI), coefficient(e.CI)))
	}
	if ag.CCC != nil {
		coefficientRow("Concordance (Lin)", &ag.CCC.Estimate)
	}
	if ag.ICC != nil {
		coefficientRow("Intraclass correlation (2,1)", &ag.ICC.Estimate)
	}
	if ag.Pearson != nil {
		coefficientRow("Pearson r (follows, not agrees)", &ag.Pearson.Estimate)
	}
	tables := []Block{table}
	if s := ag.Sloping; s != nil && s.Advised {
		st := Table{ID: "sloping-" + string(a.Of), Caption: "Limits that follow the size of the value, " + t.unit, Columns: headed("Mean of hand and image", "Bias", "Lower limit", "Upper limit")}
		for _, q := range s.Points {
			st.Rows = append(st.Rows, cells(t.val(q.Mean), t.val(q.Bias), t.val(q.Lower), t.val(q.Upper)))
		}
		tables = append(tables, st)
	}
	for _, g := range r.Groups {
		gt := Table{ID: "agreement-" + string(a.Of) + "-by-" + slug(g.By), Caption: fmt.Sprintf("Bias by %s, %s", g.By, t.unit), Columns: headed(sentenceCase(g.By), "Pairs", "Bias", level, "Limits of agreement")}
		for _, row := range g.Groups {
			if ga := row.Agreement; ga != nil {
				gt.Rows = append(gt.Rows, cells(row.Name, fmt.Sprint(row.N), t.val(ga.Bias.Value), t.span(ga.Bias.Best()), t.val(ga.LowerLimit.Value)+" to "+t.val(ga.UpperLimit.Value)))
			} else {
				gt.Rows = append(gt.Rows, cells(row.Name, fmt.Sprint(row.N), t.val(row.Bias), undefined, undefined))
			}
		}
		if g.Test != nil {
			verdict := "not shown to differ"
			if g.Test.Shown {
				verdict = "shown to differ"
			}
			gt.Note = fmt.Sprintf("Bias %s between %ss: F = %.2f on %.0f and %.0f df, p %s.", verdict, g.By, g.Test.Statistic, g.Test.DF1, g.Test.DF2, pEqual(g.Test.P))
		} else if g.Note != "" {
			gt.Note = sentence("%s", g.Note)
		}
		tables = append(tables, gt)
	}
	p.beside(tables...)
	difference := differenceFigure(b.in, r)
	difference.HeightMM = halfTallMM
	p.add(equalityFigure(b.in, r), difference)
	if c := r.Calibration; c.Chosen != nil {
		p.say("Calibration line (%s): hand = %s + %s x image, in %s; it holds for image values from %s to %s. %s", c.Chosen.Method.Words(),
			t.val(c.Chosen.Intercept.Value), fixed(c.Chosen.Slope.Value, 3), t.unit, t.val(c.Chosen.Low), t.val(c.Chosen.High), sentence("%s", c.Why))
	}
	if d := r.Double; d != nil {
		p.add(doubleTable(string(a.Of), d, t))
	}
	var left []string
	for _, q := range r.Intake.Problems {
		if q.Fault != calibrate.NoHand {
			left = append(left, sentence("%s", q.Sentence))
		}
	}
	if len(left) > 0 {
		p.note("Pairs left out of the agreement (%d): %s", len(left), strings.Join(left, " "))
	}
	if notes := sentences(slices.Concat(r.Intake.Warnings, ag.Warnings, r.Warnings)); len(notes) > 0 {
		p.note("%s", strings.Join(notes, " "))
	}
}

// doubleTable gives treatment means from photos corrected by the hand counts
// (double sampling), beside the hand counts alone.
func doubleTable(of string, d *calibrate.DoubleSampling, t *agreeText) Table {
	out := Table{ID: "double-" + of, Caption: fmt.Sprintf("Double sampling: %d quadrats photographed, %d of them counted by hand, %s", d.Photos, d.Hands, t.unit),
		Columns: headed("Treatment", "Visit", "Photos", "By hand", "Image only", "Hand only", "SE of hand only", "Image corrected by hand", "SE of corrected")}
	pair := func(e *calibrate.Estimate) (string, string) {
		if e == nil {
			return undefined, undefined
		}
		return t.val(e.Value), t.ptr(e.SE)
	}
	for _, r := range d.Treatments {
		visit := r.Visit
		if visit == "" {
			visit = "all"
		}
		image, _ := pair(r.ImageOnly)
		hand, handSE := pair(r.HandOnly)
		both, bothSE := pair(r.Regression)
		out.Rows = append(out.Rows, cells(r.Name, visit, fmt.Sprint(r.Photos), fmt.Sprint(r.Hands), image, hand, handSE, both, bothSE))
	}
	if d.Gain != nil {
		out.Note = fmt.Sprintf("Over all treatments the variance by hand only is %.2f times that of the corrected image.", *d.Gain)
	}
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
	held, what := false, "the green"
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
			s.say("%s holds %s.", sentenceCase(weeds.Label), weeds.Holds())
		} else {
			what = "the weeds"
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
	if what == "the green" {
		s.Title = "Green cover against yield, plot by plot"
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
