package report

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
	"quadtally/stats"
)

// center and the others are text alignments by name.
const (
	left   = draw.XLeft
	center = draw.XCenter
	right  = draw.XRight
	middle = draw.YCenter
)

const wideMM, tallMM = 165, 78

func figure(id, title, alt, caption string, width, height float64, d func(draw.Canvas)) Figure {
	return Figure{ID: "fig-" + id, Title: title, Alt: alt, Caption: caption, WidthMM: width, HeightMM: height, draw: d}
}

func axisLabel(label, unit string) string {
	if unit == "" {
		return sentenceCase(label)
	}
	return sentenceCase(label) + ", " + unit
}

func sentenceCase(s string) string { return strings.TrimSuffix(sentence("%s", s), ".") }

// shown is the mean and interval of a treatment in the unit of the response.
func shown(t stats.TreatmentResult) (mean, low, high float64, hasMean, hasInterval bool) {
	m, lower, upper := t.Shown()
	if m == nil {
		return 0, 0, 0, false, false
	}
	if lower == nil || upper == nil {
		return *m, 0, 0, true, false
	}
	return *m, *lower, *upper, true, true
}

// seasonFigure draws the course of each treatment: its mean with interval at
// each visit and, small, every plot.
func seasonFigure(in Input, r Response) (Figure, bool) {
	var visits []analysis.Answer
	for _, c := range r.ByVisit {
		if c.Analysis != nil {
			visits = append(visits, c)
		}
	}
	if len(visits) < 2 {
		return Figure{}, false
	}
	names := codes(in.Trial)
	values := []float64{}
	for _, v := range visits {
		for _, t := range v.Analysis.Treatments {
			if m, lo, hi, ok, span := shown(t); ok {
				values = append(values, m)
				if span {
					values = append(values, lo, hi)
				}
			}
		}
		for _, p := range v.Analysis.Plots {
			values = append(values, p.Value)
		}
	}
	first, last := visits[0].Day, visits[len(visits)-1].Day
	draws := func(c draw.Canvas) {
		p := newChart("", axisLabel(r.Label, r.Unit))
		p.Y.Min, p.Y.Max = rangeOf(values, true)
		room := (last - first) * 0.06
		p.X.Min, p.X.Max = first-room, last+room+(last-first)*0.16
		var ticks []plot.Tick
		for _, v := range visits {
			ticks = append(ticks, plot.Tick{Value: v.Day, Label: shortDay(v.Date, in.Trial.Units)})
		}
		p.X.Tick.Marker = plot.ConstantTicks(ticks)
		p.Add(horizontalGrid(), drawn(func(c draw.Canvas, p *plot.Plot) {
			dodge := vg.Length(5)
			var ends []vg.Length
			var ended []string
			for i, name := range names {
				m := looks(names).of(name)
				shift := dodge * (vg.Length(i) - vg.Length(len(names)-1)/2)
				var pts []vg.Point
				for _, v := range visits {
					for _, pl := range v.Analysis.Plots {
						if pl.Treatment == name {
							at := at(c, p, v.Day, pl.Value)
							at.X += shift
							pale := m.glyph(1.4)
							pale.Color = lighter(m.ink)
							c.DrawGlyph(pale, at)
						}
					}
					for _, t := range v.Analysis.Treatments {
						if t.Treatment != name {
							continue
						}
						mean, lo, hi, ok, span := shown(t)
						if !ok {
							continue
						}
						pt := at(c, p, v.Day, mean)
						pt.X += shift
						if span {
							a, b := at(c, p, v.Day, lo), at(c, p, v.Day, hi)
							a.X, b.X = pt.X, pt.X
							interval(c, m, a, b)
						}
						pts = append(pts, pt)
					}
				}
				if len(pts) == 0 {
					continue
				}
				c.StrokeLines(m.line(1.2), pts)
				for _, pt := range pts {
					c.DrawGlyph(m.glyph(2.8), pt)
				}
				ends, ended = append(ends, pts[len(pts)-1].Y), append(ended, name)
			}
			x := at(c, p, last, 0).X + dodge*vg.Length(len(names))/2 + 7
			for i, y := range spread(ends, 10) {
				m := looks(names).of(ended[i])
				c.DrawGlyph(m.glyph(2.5), vg.Point{X: x, Y: y})
				c.FillText(typeStyle(8.5, m.ink, left, middle), vg.Point{X: x + 6, Y: y}, clipped(ended[i], 12))
			}
		}))
		p.Draw(c)
	}
	a := visits[len(visits)-1].Analysis
	title := sentenceCase(r.Label) + " over the season"
	return figure(r.key()+"-season", title,
		fmt.Sprintf("Line chart of %s in %s at %d visits, one line a treatment. %s", r.Label, r.Unit, len(visits), rankingWords(a)),
		fmt.Sprintf("%s. Large marks: means by treatment, adjusted for blocks, with %.3g %% intervals (n = %s); small marks: plots. Treatments stand side by side at each visit so that they do not cover each other.",
			title, 100*a.Confidence, plotsWords(a)), wideMM, tallMM, draws), true
}

func lighter(c color.RGBA) color.RGBA {
	mix := func(v uint8) uint8 { return uint8((int(v) + 2*0xdd) / 3) }
	return color.RGBA{mix(c.R), mix(c.G), mix(c.B), 0xff}
}

func clipped(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}

func codes(t trial.Trial) []string {
	out := make([]string, len(t.Treatments))
	for i, tr := range t.Treatments {
		out[i] = tr.Code
	}
	return out
}

// plotsWords says how many plots stand behind each treatment.
func plotsWords(a *stats.Analysis) string {
	low, high := 0, 0
	for i, t := range a.Treatments {
		if i == 0 || t.Plots < low {
			low = t.Plots
		}
		high = max(high, t.Plots)
	}
	if low == high {
		return counted(low, "plot") + " a treatment"
	}
	return fmt.Sprintf("%d to %d plots a treatment", low, high)
}

func counted(n int, noun string) string { return wording.Plural(n, noun) }

// rankingWords says the means from the highest, for those who cannot see a
// figure.
func rankingWords(a *stats.Analysis) string {
	list := slices.Clone(a.Treatments)
	slices.SortStableFunc(list, func(x, y stats.TreatmentResult) int {
		mx, _, _, _, _ := shown(x)
		my, _, _, _, _ := shown(y)
		return cmp.Compare(my, mx)
	})
	digits := (&compareText{a: *a}).backDigits()
	var parts []string
	for _, t := range list {
		if m, _, _, ok, _ := shown(t); ok {
			parts = append(parts, t.Treatment+" "+number(&m, digits))
		}
	}
	if len(parts) == 0 {
		return "No mean could be worked out."
	}
	return "From the highest: " + strings.Join(parts, ", ") + "."
}

// meansFigure draws treatment means with intervals, letters and plots, as
// points or, for yields, as bars.
func meansFigure(in Input, key, label, unit string, a *stats.Analysis, bars bool) (Figure, bool) {
	var list []stats.TreatmentResult
	values := []float64{}
	for _, t := range a.Treatments {
		m, lo, hi, ok, span := shown(t)
		if !ok {
			continue
		}
		list = append(list, t)
		values = append(values, m)
		if span {
			values = append(values, lo, hi)
		}
	}
	for _, p := range a.Plots {
		values = append(values, p.Value)
	}
	if len(list) == 0 {
		return Figure{}, false
	}
	names := codes(in.Trial)
	height := 30 + 11*float64(len(list))
	draws := func(c draw.Canvas) {
		p := newChart(axisLabel(label, unit), "")
		p.X.Min, p.X.Max = rangeOf(values, true)
		p.X.Max += 0.12 * (p.X.Max - p.X.Min) // for the letters
		p.Y.Min, p.Y.Max = -0.6, float64(len(list))-0.4
		var ticks []plot.Tick
		for i, t := range list {
			ticks = append(ticks, plot.Tick{Value: float64(len(list) - 1 - i), Label: fmt.Sprintf("%s (n = %d)", clipped(t.Treatment, 16), t.Plots)})
		}
		p.Y.Tick.Marker = plot.ConstantTicks(ticks)
		p.Y.Tick.Length = 0
		p.Add(verticalGrid(), drawn(func(c draw.Canvas, p *plot.Plot) {
			for i, t := range list {
				y := float64(len(list) - 1 - i)
				m := looks(names).of(t.Treatment)
				mean, lo, hi, _, span := shown(t)
				if bars {
					base := max(p.X.Min, 0)
					low, high := at(c, p, base, y-0.32), at(c, p, mean, y+0.32)
					corners := []vg.Point{low, {X: high.X, Y: low.Y}, high, {X: low.X, Y: high.Y}}
					c.FillPolygon(inkFill, corners)
					c.StrokeLines(draw.LineStyle{Color: inkFaint, Width: 0.6}, append(corners, low))
				}
				for k, pl := range plotsOf(a, t.Treatment) {
					pt := at(c, p, pl.Value, y-0.2)
					pt.Y -= vg.Length(k%2) * 3
					small := m.glyph(1.8)
					if !bars {
						small.Color = lighter(m.ink)
					}
					c.DrawGlyph(small, pt)
				}
				pt := at(c, p, mean, y+0.08)
				if span {
					interval(c, m, at(c, p, lo, y+0.08), at(c, p, hi, y+0.08))
				}
				c.DrawGlyph(m.glyph(3.2), pt)
				if t.Letters != "" {
					end := vg.Point{X: c.Max.X - 2, Y: pt.Y}
					c.FillText(typeStyle(9.5, inkText, right, middle), end, t.Letters)
				}
			}
		}))
		p.Draw(c)
	}
	letters := ""
	if slices.ContainsFunc(list, func(t stats.TreatmentResult) bool { return t.Letters != "" }) {
		letters = fmt.Sprintf(" Treatments that share a letter (right) are not shown to differ (%s, %.3g %%).", a.Method.Words(), 100*a.Alpha)
		if a.LettersHideControl() {
			letters += " Held against the control alone, some that share its letter do differ."
		}
	}
	title := sentenceCase(label) + " by treatment"
	return figure(key, title, fmt.Sprintf("Chart of %s in %s by treatment. %s%s", label, unit, rankingWords(a), letters),
		fmt.Sprintf("%s. Large marks: means adjusted for blocks with %.3g %% intervals; small marks: plots.%s", title, 100*a.Confidence, letters), wideMM, height, draws), true
}

func plotsOf(a *stats.Analysis, treatment string) []stats.PlotResult {
	var out []stats.PlotResult
	for _, p := range a.Plots {
		if p.Treatment == treatment {
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(x, y stats.PlotResult) int { return cmp.Compare(x.Value, y.Value) })
	return out
}

// scatterPoint is a place in a scatter, in the mark of its treatment.
type scatterPoint struct {
	x, y      float64
	treatment string
}

// keyWidth is what the treatments' names take on the right of a scatter.
const keyWidth = 26

// drawWithKey draws p and, on its right, the marks of the treatments used.
func drawWithKey(c draw.Canvas, p *plot.Plot, names []string, points []scatterPoint) {
	p.Draw(draw.Crop(c, 0, -mm(keyWidth), 0, 0))
	x, y := c.Max.X-mm(keyWidth)+10, c.Max.Y-10
	for _, n := range names {
		if !slices.ContainsFunc(points, func(q scatterPoint) bool { return q.treatment == n }) {
			continue
		}
		m := looks(names).of(n)
		c.DrawGlyph(m.glyph(2.6), vg.Point{X: x, Y: y})
		c.FillText(typeStyle(8.5, m.ink, left, middle), vg.Point{X: x + 6, Y: y}, clipped(n, 11))
		y -= 11
	}
}

func glyphs(names []string, points []scatterPoint) drawn {
	return func(c draw.Canvas, p *plot.Plot) {
		for _, q := range points {
			c.DrawGlyph(looks(names).of(q.treatment).glyph(2.3), at(c, p, q.x, q.y))
		}
	}
}

func coordinates(points []scatterPoint) (xs, ys []float64) {
	for _, q := range points {
		xs, ys = append(xs, q.x), append(ys, q.y)
	}
	return xs, ys
}

// labelled writes a line's name at its right end, on white so that it stays
// readable over points.
func labelled(c draw.Canvas, p *plot.Plot, y float64, label string) {
	pt := at(c, p, p.X.Max, y)
	pt.X -= 2
	pt.Y += 6
	style := typeStyle(8.3, inkText, right, middle)
	w := style.Width(label)
	c.FillPolygon(color.White, []vg.Point{{X: pt.X - w - 1, Y: pt.Y - 4}, {X: pt.X + 1, Y: pt.Y - 4}, {X: pt.X + 1, Y: pt.Y + 4.5}, {X: pt.X - w - 1, Y: pt.Y + 4.5}})
	c.FillText(style, pt, label)
}

// agreementUnit turns the values of an agreement study into what is written.
func agreementUnit(k calibrate.Kind) (scale float64, unit string) {
	if k == calibrate.Cover {
		return 100, "% of the ground"
	}
	return 1, "in the frame"
}

// mostPanels stand in a row of the figure of image against hand.
const mostPanels = 5

// equalityFigure draws image against hand with the line of equality, a panel a
// treatment on common axes, so that no treatment covers another.
func equalityFigure(in Input, r *calibrate.Report) Figure {
	scale, unit := agreementUnit(r.Kind)
	names := codes(in.Trial)
	points := map[string][]scatterPoint{}
	for _, q := range r.Figure.Points {
		points[q.Treatment] = append(points[q.Treatment], scatterPoint{q.Hand * scale, q.Image * scale, q.Treatment})
	}
	if len(points[""]) > 0 {
		names = append(names, "") // pairs from outside the layout
	}
	var panels []string
	for _, n := range names {
		if len(points[n]) > 0 {
			panels = append(panels, n)
		}
	}
	low, high := rangeOf([]float64{r.Figure.Low * scale, r.Figure.High * scale}, true)
	what, hand := "green cover by camera", "cover by hand"
	if r.Kind == calibrate.Count {
		what, hand = "green pieces by camera", "plants counted by hand"
	}
	if r.ImageName != "" {
		what, hand = r.ImageName+" by camera", r.HandName
	}
	across := max(1, min(mostPanels, len(panels)))
	down := (len(panels) + across - 1) / across
	title := fmt.Sprintf("Image against hand, %s", r.Kind)
	return figure("equality-"+string(r.Kind), title,
		fmt.Sprintf("Scatters of %s against %s in %d quadrats, one panel a treatment, with the line on which both would be the same. Mean of the camera %s, of the hand %s.", what, hand, r.Agreement.N, fixed(r.Agreement.ImageMean*scale, 1), fixed(r.Agreement.HandMean*scale, 1)),
		fmt.Sprintf("%s by treatment, %s (n = %d quadrats in %d plots). Across: %s; upwards: %s. On the dashed line both give the same value.", title, unit, r.Agreement.N, r.Agreement.Plots, hand, what),
		wideMM, 3+35*float64(max(1, down)), func(c draw.Canvas) {
			wide, tall := (c.Max.X-c.Min.X)/vg.Length(across), (c.Max.Y-c.Min.Y)/vg.Length(max(1, down))
			for i, n := range panels {
				x, y := c.Min.X+wide*vg.Length(i%across), c.Max.Y-tall*vg.Length(i/across+1)
				area := draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{Min: vg.Point{X: x, Y: y}, Max: vg.Point{X: x + wide - 4, Y: y + tall}}}
				style := typeStyle(8.5, looks(codes(in.Trial)).of(n).ink, left, draw.YTop)
				area.FillText(style, vg.Point{X: area.Min.X + 20, Y: area.Max.Y}, fitted(style.Width, cmp.Or(n, "other"), wide-24, 1)[0])
				p := newChart("", "")
				p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = low, high, low, high
				p.X.Tick.Marker, p.Y.Tick.Marker = fewestTicks{}, fewestTicks{}
				p.Add(drawn(func(c draw.Canvas, p *plot.Plot) {
					strokeLine(c, p, draw.LineStyle{Color: inkText, Width: 0.8, Dashes: []vg.Length{4, 3}}, low, low, high, high)
				}), glyphs(codes(in.Trial), points[n]))
				p.Draw(draw.Crop(area, 0, 0, 0, -11))
			}
		})
}

// differenceFigure draws difference against mean with bias and limits of
// agreement (Bland & Altman 1986, Lancet 327, 307).
func differenceFigure(in Input, r *calibrate.Report) Figure {
	scale, unit := agreementUnit(r.Kind)
	if r.Kind == calibrate.Cover {
		unit = "points"
	}
	names := codes(in.Trial)
	var points []scatterPoint
	for _, q := range r.Figure.Points {
		points = append(points, scatterPoint{q.Mean * scale, q.Difference * scale, q.Treatment})
	}
	a := r.Agreement
	xs, ys := coordinates(points)
	xl, xh := rangeOf(xs, true)
	ys = append(ys, a.LowerLimit.Value*scale, a.UpperLimit.Value*scale, 0)
	// Limits that follow the size of the value, where flat ones mislead.
	var sloping []calibrate.LimitPoint
	slopingWords := ""
	if a.Sloping != nil && a.Sloping.Advised {
		sloping = a.Sloping.Points
		slopingWords = " The dotted lines are limits that follow the size of the value; they are the ones to read here."
		for _, q := range sloping {
			ys = append(ys, q.Lower*scale, q.Upper*scale)
		}
	}
	yl, yh := rangeOf(ys, false)
	title := fmt.Sprintf("Difference against mean, %s", r.Kind)
	lines := []struct {
		v    float64
		name string
		dash []vg.Length
	}{{a.UpperLimit.Value, "upper limit", []vg.Length{4, 3}}, {a.Bias.Value, "mean difference", nil}, {a.LowerLimit.Value, "lower limit", []vg.Length{4, 3}}}
	return figure("difference-"+string(r.Kind), title,
		fmt.Sprintf("Scatter of image minus hand against their mean in %d quadrats. Mean difference %s, limits of agreement %s to %s %s.", a.N,
			fixed(a.Bias.Value*scale, 1), fixed(a.LowerLimit.Value*scale, 1), fixed(a.UpperLimit.Value*scale, 1), unit),
		fmt.Sprintf("%s (n = %d quadrats in %d plots). About 95 in 100 differences lie between the dashed limits. Above 0 the camera reads higher than the hand.%s", title, a.N, a.Plots, slopingWords),
		wideMM, 62, func(c draw.Canvas) {
			p := newChart(axisLabel("mean of hand and image", map[bool]string{true: "% of the ground", false: unit}[r.Kind == calibrate.Cover]), axisLabel("image minus hand", unit))
			p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = xl, xh, yl, yh
			p.Add(drawn(func(c draw.Canvas, p *plot.Plot) {
				strokeLine(c, p, draw.LineStyle{Color: inkGrid, Width: 0.8}, xl, 0, xh, 0)
				for _, l := range lines {
					strokeLine(c, p, draw.LineStyle{Color: inkText, Width: 0.8, Dashes: l.dash}, xl, l.v*scale, xh, l.v*scale)
				}
				var low, mid, high []float64
				for _, q := range sloping {
					low, mid, high = append(low, q.Mean*scale, q.Lower*scale), append(mid, q.Mean*scale, q.Bias*scale), append(high, q.Mean*scale, q.Upper*scale)
				}
				for _, line := range [][]float64{low, mid, high} {
					strokeLine(c, p, draw.LineStyle{Color: inkFaint, Width: 1.1, Dashes: []vg.Length{1.5, 2}}, line...)
				}
			}), glyphs(names, points), drawn(func(c draw.Canvas, p *plot.Plot) {
				for _, l := range lines {
					labelled(c, p, l.v*scale, l.name+" "+fixed(l.v*scale, 1))
				}
			}))
			drawWithKey(c, p, names, points)
		})
}

// residualFigure draws residuals against fitted values.
func residualFigure(in Input, key string, a *stats.Analysis) (Figure, bool) {
	if a.MSE == nil || *a.MSE == 0 {
		return Figure{}, false
	}
	names := codes(in.Trial)
	var points []scatterPoint
	for _, q := range a.Plots {
		points = append(points, scatterPoint{q.Fitted, q.Residual, q.Treatment})
	}
	xs, ys := coordinates(points)
	xl, xh := rangeOf(xs, false)
	yl, yh := rangeOf(append(ys, 0), false)
	return figure(key+"-residuals", "Residuals against fitted values",
		fmt.Sprintf("Scatter of the residuals of %d plots against their fitted values, on the scale of the analysis; residual standard deviation %s.", len(points), figure3(*a.ResidualSD)),
		fmt.Sprintf("Residuals against fitted values (n = %d plots, scale of the analysis).", len(points)),
		wideMM, 52, func(c draw.Canvas) {
			p := newChart("Fitted by block and treatment", "Residual")
			p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = xl, xh, yl, yh
			p.Add(drawn(func(c draw.Canvas, p *plot.Plot) {
				strokeLine(c, p, draw.LineStyle{Color: inkFaint, Width: 0.8}, xl, 0, xh, 0)
			}), glyphs(names, points))
			drawWithKey(c, p, names, points)
		}), true
}

// normalFigure draws the residuals in order against what normal residuals of
// that number would be, at the plotting positions (i - 3/8)/(n + 1/4) (Blom
// 1958, Statistical Estimates and Transformed Beta-Variables).
func normalFigure(in Input, key string, a *stats.Analysis) (Figure, bool) {
	if a.MSE == nil || *a.MSE == 0 {
		return Figure{}, false
	}
	names := codes(in.Trial)
	sorted := slices.Clone(a.Plots)
	slices.SortStableFunc(sorted, func(x, y stats.PlotResult) int { return cmp.Compare(x.Residual, y.Residual) })
	var points []scatterPoint
	for i, q := range sorted {
		z := distuv.UnitNormal.Quantile((float64(i) + 0.625) / (float64(len(sorted)) + 0.25))
		points = append(points, scatterPoint{z, q.Residual / *a.ResidualSD, q.Treatment})
	}
	xs, ys := coordinates(points)
	low, high := rangeOf(slices.Concat(xs, ys), false)
	return figure(key+"-normal", "Normal quantile plot of the residuals",
		fmt.Sprintf("The %d residuals in order against normal quantiles, with the line they would follow.", len(points)),
		fmt.Sprintf("Normal quantile plot (n = %d plots).", len(points)),
		110, 56, func(c draw.Canvas) {
			p := newChart("Normal quantile", "Residual / residual SD")
			p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = low, high, low, high
			p.Add(drawn(func(c draw.Canvas, p *plot.Plot) {
				strokeLine(c, p, draw.LineStyle{Color: inkText, Width: 0.8, Dashes: []vg.Length{4, 3}}, low, low, high, high)
			}), glyphs(names, points))
			drawWithKey(c, p, names, points)
		}), true
}

// weedsYieldFigure draws yield against weeds, one point a plot.
func weedsYieldFigure(in Input, weeds, yield Response, points []scatterPoint) Figure {
	names := codes(in.Trial)
	xs, ys := coordinates(points)
	xl, xh := rangeOf(xs, true)
	yl, yh := rangeOf(ys, false)
	title := fmt.Sprintf("%s against %s", sentenceCase(yield.Label), weeds.Label)
	return figure("weeds-yield-"+weeds.key(), title,
		fmt.Sprintf("Scatter of %s in %s against %s in %s, %d plots.", yield.Label, yield.Unit, weeds.Label, weeds.Unit, len(points)),
		fmt.Sprintf("%s by plot (n = %d plots; %s as the mean over the season where there were several visits).", title, len(points), weeds.Label),
		wideMM, 62, func(c draw.Canvas) {
			p := newChart(axisLabel(weeds.Label, weeds.Unit), axisLabel(yield.Label, yield.Unit))
			p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = xl, xh, yl, yh
			p.Add(horizontalGrid(), glyphs(names, points))
			drawWithKey(c, p, names, points)
		})
}

// narrowestPlotMM is the width on paper below which a plot's text cannot be
// read on a map drawn to scale.
const narrowestPlotMM = 11

// mapFigure draws the trial's map to scale, as printed for the field, or, where
// plots would come out too narrow to be read, stretched to the page.
func mapFigure(in Input) (Figure, error) {
	const w, h = 165, 190
	d, err := trial.MapDrawing(&in.Trial, in.Plots, w, h, trial.MapOptions{})
	if err != nil {
		return Figure{}, err
	}
	alt := fmt.Sprintf("Map of %d plots in %s; the appendix lists the treatment of each.", len(in.Plots), counted(len(trial.BlockNames(in.Plots)), "block"))
	f, ok := newField(in)
	if !ok || d.PaperPerGround*in.Trial.Ground.PlotWidthMM() >= narrowestPlotMM {
		return figure("map", "Map of the trial", alt, "Map of the trial, to scale, with the walk from plot to plot.", w, h, func(c draw.Canvas) { play(c, d) }), nil
	}
	control := in.Trial.Control()
	return figure("map", "Map of the trial", alt,
		fmt.Sprintf("Map of the trial, seen from the zero flag at the lower left; %s along the beds from bottom to top, %d beds from left to right, not to scale.%s",
			trial.Length(f.to-f.from, in.Trial.Units), f.bed1-f.bed0, map[bool]string{true: " The control is shaded."}[control != ""]),
		wideMM, f.height, func(c draw.Canvas) {
			f.draw(c, func(p trial.Plot) (float64, []string) {
				share := 0.0
				if p.Treatment == control {
					share = 0.35
				}
				return share, []string{p.Treatment, "plot " + p.ID, "block " + p.Block}
			})
		}), nil
}

// play draws the marks of a drawing, millimetres from the upper left.
func play(c draw.Canvas, d trial.Drawing) {
	place := func(p trial.Point) vg.Point { return vg.Point{X: c.Min.X + mm(p.X), Y: c.Max.Y - mm(p.Y)} }
	for _, m := range d.Marks {
		if m.Text != "" {
			style := typeStyle(mm(m.SizeMM), ink(m.Fill), map[string]draw.XAlignment{"middle": center, "end": right}[m.Align], draw.YBottom)
			style.Font = typeface(style.Font.Size, m.Bold)
			// A drawing's text stands on its baseline, a style's on its descent.
			pt := place(m.Points[0])
			pt.Y -= style.FontExtents().Descent
			c.FillText(style, pt, m.Text)
			continue
		}
		pts := make([]vg.Point, len(m.Points))
		for i, p := range m.Points {
			pts[i] = place(p)
		}
		if m.Closed && m.Fill != "" {
			c.FillPolygon(ink(m.Fill), pts)
		}
		if m.Stroke != "" {
			if m.Closed {
				pts = append(pts, pts[0])
			}
			style := draw.LineStyle{Color: ink(m.Stroke), Width: mm(m.LineMM)}
			if m.Dashed {
				style.Dashes = []vg.Length{mm(1.2), mm(0.8)}
			}
			c.StrokeLines(style, pts)
		}
	}
}

// ink reads "#rrggbb"; anything else is black.
func ink(s string) color.RGBA {
	out := color.RGBA{A: 0xff}
	fmt.Sscanf(s, "#%02x%02x%02x", &out.R, &out.G, &out.B)
	return out
}

// fieldFigure draws the field with every plot shaded by its value, which is
// also written in it.
func fieldFigure(in Input, key, label, unit string, a *stats.Analysis) (Figure, bool) {
	values := map[string]float64{}
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range a.Plots {
		values[p.Name] = p.Value
		low, high = min(low, p.Value), max(high, p.Value)
	}
	f, ok := newField(in)
	if !ok || len(values) == 0 {
		return Figure{}, false
	}
	digits := (&compareText{a: *a}).backDigits()
	title := sentenceCase(label) + " on the field"
	return figure(key+"-field", title,
		fmt.Sprintf("The field with every plot shaded by its %s, from %s to %s %s; each plot's value is written in it and stands in the table of plots.", label, number(&low, digits), number(&high, digits), unit),
		fmt.Sprintf("%s (%s; the darker, the more; n = %d plots, seen from the zero flag at the lower left, not to scale).", title, unit, len(values)),
		wideMM, f.height, func(c draw.Canvas) {
			f.draw(c, func(p trial.Plot) (share float64, lines []string) {
				v, ok := values[p.ID]
				if !ok {
					return 0, []string{"missing", p.ID, p.Treatment}
				}
				if high > low {
					share = (v - low) / (high - low)
				}
				return share, []string{number(&v, digits), p.ID, p.Treatment}
			})
		}), true
}

// field is the ground as a grid of beds and lengths, stretched to the page.
type field struct {
	plots      []trial.Plot
	bed0, bed1 int
	from, to   float64
	height     float64 // mm
}

// newField finds the ground of all plots that have a place.
func newField(in Input) (field, bool) {
	var f field
	for _, p := range in.Plots {
		if !p.Placed() {
			continue
		}
		if len(f.plots) == 0 {
			f.bed0, f.from = p.Bed, p.FromMM
		}
		f.plots = append(f.plots, p)
		f.bed0, f.bed1 = min(f.bed0, p.Bed), max(f.bed1, p.Bed+p.Beds)
		f.from, f.to = min(f.from, p.FromMM), max(f.to, p.FromMM+p.LengthMM)
	}
	f.height = min(120, max(50, 14*float64(len(trial.BlockNames(in.Plots)))+16))
	return f, len(f.plots) > 0 && f.to > f.from
}

// draw fills every plot with a shade and writes lines into it, as large as they
// fit.
func (f field) draw(c draw.Canvas, cell func(trial.Plot) (share float64, lines []string)) {
	across := (c.Max.X - c.Min.X) / vg.Length(f.bed1-f.bed0)
	along := (c.Max.Y - c.Min.Y) / vg.Length(f.to-f.from)
	for _, p := range f.plots {
		a := vg.Point{X: c.Min.X + across*vg.Length(p.Bed-f.bed0) + 1, Y: c.Min.Y + along*vg.Length(p.FromMM-f.from) + 1}
		b := vg.Point{X: a.X + across*vg.Length(p.Beds) - 2, Y: a.Y + along*vg.Length(p.LengthMM) - 2}
		box := []vg.Point{a, {X: b.X, Y: a.Y}, b, {X: a.X, Y: b.Y}}
		share, lines := cell(p)
		c.FillPolygon(shade(share), box)
		c.StrokeLines(draw.LineStyle{Color: inkFaint, Width: 0.6}, append(box, a))
		mid := vg.Point{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2}
		step := min(11, (b.Y-a.Y)/(vg.Length(len(lines))+0.3))
		for i, l := range lines {
			style := typeStyle(max(4, step*0.82), writing(share), center, middle)
			if w, room := style.Width(l), b.X-a.X-3; w > room {
				style = typeStyle(max(4, step*0.82*room/w), writing(share), center, middle)
			}
			c.FillText(style, vg.Point{X: mid.X, Y: mid.Y + step*(vg.Length(len(lines)-1)/2-vg.Length(i))}, fitted(style.Width, l, b.X-a.X-2, 1)[0])
		}
	}
}

// writing is the ink that can be read on a shade.
func writing(share float64) color.RGBA {
	if share > 0.69 {
		return color.RGBA{0xff, 0xff, 0xff, 0xff}
	}
	return color.RGBA{A: 0xff}
}

// shade runs from nearly white to dark blue, even in lightness so that it
// prints in grey.
func shade(share float64) color.RGBA {
	mix := func(a, b float64) uint8 { return uint8(math.Round(a + (b-a)*share)) }
	return color.RGBA{mix(0xf2, 0x12), mix(0xf5, 0x3f), mix(0xf8, 0x66), 0xff}
}
