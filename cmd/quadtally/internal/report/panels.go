package report

import (
	"fmt"
	"image/color"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"quadtally/stats"
)

// panel is one response beside others on the same rows of treatments.
type panel struct {
	title string // what is shown, in a few words
	unit  string
	a     *stats.Analysis
	// missing says why there is nothing to show; a is nil then.
	missing string
}

// Widths of the figure of panels.
const (
	namesMM  = 34
	panelsMM = 144 // of all panels together
	rowMM    = 10.5
)

// panelsFigure draws responses side by side, one row a treatment in the same
// order everywhere, so that the eye reads along a treatment: every plot, the
// mean with its interval, and the letters at the mark.
func panelsFigure(id string, names []rowName, inks looks, panels []panel) Figure {
	height := 20 + rowMM*float64(len(names))
	panelMM := panelsMM / float64(max(1, len(panels)))
	var alts, caps []string
	for _, p := range panels {
		if p.a == nil {
			alts = append(alts, fmt.Sprintf("%s: %s.", p.title, p.missing))
			continue
		}
		alts = append(alts, fmt.Sprintf("%s, %s: %s", p.title, p.unit, rankingWords(p.a)))
		caps = append(caps, plotsWords(p.a))
	}
	caption := "Large marks are means adjusted for blocks with their 95 % intervals, small marks the plots. Within a panel, treatments that share a letter are not shown to differ."
	if len(caps) > 0 && allSame(caps) {
		caption = fmt.Sprintf("n = %s. ", caps[0]) + caption
	}
	return figure(id, "The treatments side by side", strings.Join(alts, " "), caption, namesMM+panelMM*float64(len(panels)), height, func(c draw.Canvas) {
		n := len(names)
		top, bottom := mm(7), mm(10)
		rows := draw.Crop(c, 0, 0, bottom, -top)
		y := func(i int) vg.Length {
			return rows.Max.Y - (rows.Max.Y-rows.Min.Y)*(vg.Length(i)+0.5)/vg.Length(max(n, 1))
		}
		for i, name := range names {
			if i%2 == 0 {
				lo, hi := y(i)-mm(rowMM/2), y(i)+mm(rowMM/2)
				c.FillPolygon(color.RGBA{0xf3, 0xf3, 0xf0, 0xff}, []vg.Point{{X: c.Min.X, Y: lo}, {X: c.Max.X, Y: lo}, {X: c.Max.X, Y: hi}, {X: c.Min.X, Y: hi}})
			}
			m := inks.of(name.code)
			c.DrawGlyph(m.glyph(2.8), vg.Point{X: c.Min.X + 5, Y: y(i)})
			style := typeStyle(8.5, inkText, left, middle)
			lines := fitted(style.Width, name.text, mm(namesMM)-14, 2)
			for k, l := range lines {
				shift := (vg.Length(len(lines)-1)/2 - vg.Length(k)) * 9.5
				c.FillText(style, vg.Point{X: c.Min.X + 11, Y: y(i) + shift}, l)
			}
		}
		for k, p := range panels {
			area := draw.Crop(c, mm(namesMM+panelMM*float64(k)), -mm(panelMM*float64(len(panels)-k-1)), 0, 0)
			drawPanel(area, p, names, inks, y)
		}
	})
}

// rowName is a treatment's code and what is printed for it.
type rowName struct{ code, text string }

func allSame(list []string) bool {
	for _, s := range list {
		if s != list[0] {
			return false
		}
	}
	return true
}

// fitted breaks a name into at most lines lines of a width, the last cut short
// where it does not fit.
func fitted(width func(string) vg.Length, s string, room vg.Length, lines int) []string {
	var out []string
	line := ""
	for w := range strings.FieldsSeq(s) {
		switch {
		case line == "":
			line = w
		case width(line+" "+w) <= room:
			line += " " + w
		default:
			out = append(out, line)
			line = w
		}
	}
	out = append(out, line)
	if len(out) > lines {
		out = append(out[:lines-1], strings.Join(out[lines-1:], " "))
	}
	for i, l := range out {
		for r := []rune(l); width(l) > room && len(r) > 2; l = string(r) + "…" {
			r = r[:len(r)-1]
		}
		out[i] = l
	}
	return out
}

func drawPanel(c draw.Canvas, p panel, names []rowName, inks looks, y func(int) vg.Length) {
	title := typeStyle(8.5, inkText, left, draw.YTop)
	title.Font = typeface(8.5, true)
	area := draw.Crop(c, mm(3), -mm(5), mm(10), -mm(7))
	c.FillText(title, vg.Point{X: area.Min.X, Y: c.Max.Y}, clipped(p.title, 30))
	if p.a == nil {
		style := typeStyle(8.3, inkFaint, left, middle)
		for i, l := range fitted(style.Width, p.missing, area.Max.X-area.Min.X, 6) {
			c.FillText(style, vg.Point{X: area.Min.X, Y: (area.Min.Y+area.Max.Y)/2 + 12 - vg.Length(i)*10}, l)
		}
		return
	}
	values := []float64{0}
	for _, t := range p.a.Treatments {
		if m, lo, hi, ok, span := shown(t); ok {
			values = append(values, m)
			if span {
				values = append(values, lo, hi)
			}
		}
	}
	for _, q := range p.a.Plots {
		values = append(values, q.Value)
	}
	low, high := rangeOf(values, true)
	high += 0.1 * (high - low) // for letters
	x := func(v float64) vg.Length {
		return area.Min.X + (area.Max.X-area.Min.X)*vg.Length((v-low)/(high-low))
	}
	for _, t := range (fewTicks{}).Ticks(low, high) {
		c.StrokeLine2(draw.LineStyle{Color: inkGrid, Width: 0.5}, x(t.Value), area.Min.Y, x(t.Value), area.Max.Y)
		c.FillText(typeStyle(8.3, inkText, center, draw.YTop), vg.Point{X: x(t.Value), Y: area.Min.Y - 3}, t.Label)
	}
	c.StrokeLine2(draw.LineStyle{Color: inkFaint, Width: 0.6}, area.Min.X, area.Min.Y, area.Max.X, area.Min.Y)
	c.FillText(typeStyle(8.3, inkText, center, draw.YBottom), vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: c.Min.Y + 2}, p.unit)
	for i, name := range names {
		for k, q := range plotsOf(p.a, name.code) {
			small := inks.of(name.code).glyph(1.7)
			small.Color = lighter(inks.of(name.code).ink)
			c.DrawGlyph(small, vg.Point{X: x(q.Value), Y: y(i) - mm(2.6) - vg.Length(k%2)*2.4})
		}
		for _, t := range p.a.Treatments {
			if t.Treatment != name.code {
				continue
			}
			mean, lo, hi, ok, span := shown(t)
			if !ok {
				continue
			}
			m, at, end := inks.of(name.code), y(i)+mm(1.2), x(mean)
			if span {
				interval(c, m, vg.Point{X: x(lo), Y: at}, vg.Point{X: x(hi), Y: at})
				end = x(hi)
			}
			c.DrawGlyph(m.glyph(3), vg.Point{X: x(mean), Y: at})
			if t.Letters != "" {
				c.FillText(typeStyle(8.5, inkText, left, middle), vg.Point{X: max(end, x(mean)+4) + 3, Y: at}, t.Letters)
			}
		}
	}
}
