package trial

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/wording"
)

// Drawing is a picture as a list of marks, in millimetres of paper from the
// upper left. The same drawing is written as SVG here and as PDF by the cards.
type Drawing struct {
	WidthMM, HeightMM float64
	PaperPerGround    float64 // millimetres of paper for a millimetre of ground, along the beds
	PaperAcross       float64 // and across them; another only with MapOptions.Stretch
	Marks             []Mark
}

// Point is a place on the paper, millimetres from the upper left.
type Point struct{ X, Y float64 }

// Mark is one polygon, line or text. Meaning never rests on colour: every
// mark is told apart by form or text too, so that it survives a grey printer
// and every kind of colour vision.
type Mark struct {
	Points []Point // one point for a text
	Closed bool
	Fill   string  // "#rrggbb", "" for none
	Stroke string  // "#rrggbb", "" for none
	LineMM float64 // stroke width
	Dashed bool
	Text   string
	SizeMM float64 // height of a text's em
	Bold   bool
	Align  string // "start", "middle", "end"
}

// Inks of the map, after Okabe & Ito's colour-blind safe set (2008; from
// memory); they also differ in grey.
const (
	inkBlack  = "#000000"
	inkGrey   = "#666666"
	inkBand   = "#eeeeee"
	inkNet    = "#999999"
	inkFrame  = "#0072b2"
	inkWalk   = "#d55e00"
	inkStripe = "#bbbbbb"
)

func (d *Drawing) rect(x, y, w, h float64, fill, stroke string, lineMM float64) {
	d.Marks = append(d.Marks, Mark{Points: []Point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, Closed: true, Fill: fill, Stroke: stroke, LineMM: lineMM})
}

func (d *Drawing) line(stroke string, lineMM float64, dashed bool, pts ...Point) {
	d.Marks = append(d.Marks, Mark{Points: pts, Stroke: stroke, LineMM: lineMM, Dashed: dashed})
}

func (d *Drawing) text(x, y, size float64, align string, bold bool, s string) {
	d.Marks = append(d.Marks, Mark{Points: []Point{{x, y}}, Text: s, SizeMM: size, Align: align, Bold: bold, Fill: inkBlack})
}

// MapDrawing draws the layout on paper of the given size, true to scale or,
// with MapOptions.Stretch, filling it: blocks as bands, plots with number and
// treatment, flags at the corners, their distances along the beds at the side,
// the net plot dotted, the quadrats of a visit, the walk, and arrows for north
// and the gradient. The zero flag is at the lower left. It is refused where no
// plot has a place.
func MapDrawing(t *Trial, plots []Plot, widthMM, heightMM float64, opt MapOptions) (Drawing, error) {
	e, placed := extentOf(plots)
	if len(placed) == 0 || !(t.Ground.BedSpacingMM > 0) {
		return Drawing{}, fmt.Errorf("no plot has its bed and length recorded, so there is nothing to draw to scale: enter bed, from and length in the layout's table")
	}
	if !(widthMM >= 100 && heightMM >= 100) {
		return Drawing{}, fmt.Errorf("the map needs paper of at least 100 x 100 mm")
	}
	const margin, head, foot, left, right = 12.0, 26.0, 28.0, 34.0, 6.0
	m := mapper{t: t, opt: opt, e: e, d: Drawing{WidthMM: widthMM, HeightMM: heightMM}}
	groundW := float64(e.bed1-e.bed0) * t.Ground.BedSpacingMM
	groundH := e.toMM - e.fromMM
	m.across, m.scale = (widthMM-2*margin-left-right)/groundW, (heightMM-2*margin-head-foot)/groundH
	if !opt.Stretch {
		m.across = min(m.across, m.scale)
		m.scale = m.across
	}
	m.left = margin + left + (widthMM-2*margin-left-right-groundW*m.across)/2
	m.bottom = margin + head + groundH*m.scale

	m.d.rect(0, 0, widthMM, heightMM, "#ffffff", "", 0)
	m.heading(margin)
	m.blocks(placed)
	for _, p := range byPlace(placed) {
		if err := m.plot(p); err != nil {
			return Drawing{}, err
		}
	}
	m.distances(placed)
	m.walk(placed)
	m.arrows(widthMM-margin, margin)
	m.legend(margin, min(m.bottom+10, heightMM-margin-foot+10), len(plots)-len(placed))
	m.d.PaperPerGround, m.d.PaperAcross = m.scale, m.across
	return m.d, nil
}

type mapper struct {
	t            *Trial
	opt          MapOptions
	e            extent
	d            Drawing
	scale        float64 // mm of paper per mm of ground, along the beds
	across       float64 // and across them
	left, bottom float64 // the zero corner on paper
}

// at turns ground (across from the first bed's left edge, along) into paper.
func (m *mapper) at(acrossMM, alongMM float64) Point {
	return Point{m.left + acrossMM*m.across, m.bottom - (alongMM-m.e.fromMM)*m.scale}
}

func (m *mapper) leftEdge(p Plot) float64 {
	return float64(p.Bed-m.e.bed0) * m.t.Ground.BedSpacingMM
}

func (m *mapper) heading(margin float64) {
	name, size := clipped(CleanLabel(m.t.Name), m.d.WidthMM-2*margin-42, 3.4, 6)
	m.d.text(margin, margin+5, size, "start", true, name)
	sub := string(m.t.Design)
	if m.opt.Visit > 0 {
		sub += fmt.Sprintf(", quadrats of visit %d", m.opt.Visit)
		if m.t.Quadrat.Permanent {
			sub = string(m.t.Design) + ", permanent quadrats"
		}
	}
	m.d.text(margin, margin+10.5, 3.6, "start", false, sub)
	for i, l := range mapFacts(m.t) {
		m.d.text(margin, margin+15+4*float64(i), 3, "start", false, l)
	}
}

func (m *mapper) blocks(placed []Plot) {
	names, bands := blockBands(placed)
	for i, e := range bands {
		a := m.at(float64(e.bed0-m.e.bed0)*m.t.Ground.BedSpacingMM, e.toMM)
		b := m.at(float64(e.bed1-m.e.bed0)*m.t.Ground.BedSpacingMM, e.fromMM)
		if i%2 == 0 {
			m.d.rect(a.X-1, a.Y-1, b.X-a.X+2, b.Y-a.Y+2, inkBand, "", 0)
		}
		if m.t.Ground.GradientRuns == AcrossBeds {
			m.d.text((a.X+b.X)/2, b.Y+4, 3, "middle", true, "block "+names[i])
		} else {
			m.d.text(m.left-20, (a.Y+b.Y)/2+1, fitted("block "+names[i], 24, 3), "end", true, "block "+names[i])
		}
	}
}

func (m *mapper) plot(p Plot) error {
	g := m.t.Ground
	left := m.leftEdge(p)
	width := float64(p.Beds) * g.BedSpacingMM
	far, near := m.at(left, p.FromMM+p.LengthMM), m.at(left+width, p.FromMM)
	w, h := near.X-far.X, near.Y-far.Y

	line := 0.25
	if p.Treatment == m.t.Control() && !m.opt.Blind && p.Treatment != "" {
		line = 0.8 // the control is told by its heavy outline
	}
	m.d.rect(far.X, far.Y, w, h, "#ffffff", inkBlack, line)
	for _, s := range g.Avoid {
		if a, b := m.at(left+s.FromMM, p.FromMM+p.LengthMM), m.at(left+min(s.ToMM, width), p.FromMM); s.FromMM < width {
			m.d.rect(a.X, a.Y, b.X-a.X, b.Y-a.Y, inkStripe, "", 0)
		}
	}
	if g.BorderMM > 0 && p.LengthMM > 2*g.BorderMM {
		for _, along := range []float64{p.FromMM + g.BorderMM, p.FromMM + p.LengthMM - g.BorderMM} {
			m.d.line(inkNet, 0.15, true, m.at(left, along), m.at(left+width, along))
		}
	}
	var spots []Spot
	if m.opt.Visit > 0 {
		var err error
		if spots, err = QuadratSpots(m.t, p, m.opt.Visit); err != nil {
			return err
		}
		for _, s := range spots {
			a := m.at(left+s.AcrossMM, p.FromMM+s.AlongMM+m.t.Quadrat.LengthMM)
			qw, qh := m.t.Quadrat.WidthMM*m.across, m.t.Quadrat.LengthMM*m.scale
			m.d.rect(a.X, a.Y, qw, qh, "", inkFrame, 0.3)
			switch number := strconv.Itoa(s.Quadrat); {
			case min(qw, qh) >= 2.4: // the number stands within, or on the side that has room
				m.d.text(a.X+qw/2, a.Y+qh/2+0.8, 2.2, "middle", false, number)
			case a.X+qw+2.2 <= near.X:
				m.d.text(a.X+qw+0.5, a.Y+qh/2+0.8, 2.2, "start", false, number)
			default:
				m.d.text(a.X-0.5, a.Y+qh/2+0.8, 2.2, "end", false, number)
			}
		}
	}
	for _, c := range []Point{{far.X, far.Y}, {near.X, far.Y}, {far.X, near.Y}, {near.X, near.Y}} {
		m.d.Marks = append(m.d.Marks, Mark{Points: []Point{c, {c.X, c.Y - 2.4}, {c.X + 1.6, c.Y - 1.7}, {c.X, c.Y - 1}}, Closed: true, Fill: inkBlack, Stroke: inkBlack, LineMM: 0.2})
	}
	m.label(p, spots, (far.X+near.X)/2, w)
	return nil
}

// distances writes at the left side how far along the beds flags stand, once
// for each distance; close ones are set apart and joined to their place.
func (m *mapper) distances(placed []Plot) {
	var at []float64
	for _, p := range placed {
		for _, mm := range []float64{p.FromMM, p.FromMM + p.LengthMM} {
			if !slices.ContainsFunc(at, func(x float64) bool { return Distance(x, m.t.Units) == Distance(mm, m.t.Units) }) {
				at = append(at, mm)
			}
		}
	}
	slices.Sort(at)
	const apart, em = 2.9, 2.4
	low := math.Inf(1) // of the last one written
	for _, mm := range at {
		y := m.at(0, mm).Y
		text := min(y, low-apart)
		if text < y-6*apart { // too many for the room: those that do not fit are in the tables
			continue
		}
		m.d.line(inkGrey, 0.15, false, Point{m.left - 2.6, y}, Point{m.left - 4, y}, Point{m.left - 5.4, text})
		m.d.text(m.left-5.9, text+0.8, em, "end", false, Distance(mm, m.t.Units))
		low = text
	}
}

// label writes number and treatment into the widest stretch of the plot that
// no quadrat and no walk takes.
func (m *mapper) label(p Plot, spots []Spot, x, w float64) {
	edge := 1.5 / m.scale
	free, from := span{}, m.lane(p)+1.5/m.scale
	for _, s := range append(spots, Spot{AlongMM: p.LengthMM - edge}) {
		if s.AlongMM-from > free.to-free.from {
			free = span{from, s.AlongMM}
		}
		from = max(from, s.AlongMM+m.t.Quadrat.LengthMM)
	}
	room := (free.to - free.from) * m.scale
	y := m.at(0, p.FromMM+(free.from+free.to)/2).Y
	id := fitted(p.ID, w-2, min(5, room*0.5))
	if m.opt.Blind {
		m.d.text(x, y+id*0.35, id, "middle", true, p.ID)
		return
	}
	m.d.text(x, y-id*0.05, id, "middle", true, p.ID)
	code, em := clipped(p.Treatment, w-1, min(1.8, room*0.4), min(4, room*0.4))
	m.d.text(x, y+em*0.9, em, "middle", false, code)
}

// fitted is the largest text height up to most at which s fits a width; an
// average letter is about 0.62 of its height wide.
func fitted(s string, widthMM, most float64) float64 {
	return max(0.8, min(most, widthMM/(0.62*float64(max(1, len([]rune(s)))))))
}

// clipped is a text and the height at which it fits a width, from least to
// most; what does not fit even at the least height is cut and ends in dots.
func clipped(s string, widthMM, least, most float64) (string, float64) {
	em := fitted(s, widthMM, most)
	if em >= least {
		return s, em
	}
	r := []rune(s)
	n := max(1, min(len(r), int(widthMM/(0.62*least))-1))
	return string(r[:n]) + "…", least
}

// lane is how far behind its first flags the walk crosses a plot on the map: in
// the border, where no quadrat lies.
func (m *mapper) lane(p Plot) float64 {
	if b := m.t.Ground.BorderMM; b > 0 && p.LengthMM > 2*b {
		return b / 2
	}
	return p.LengthMM * 0.04
}

// walk joins the plots in walking order. From one row of plots to another it
// goes round the outside, so that it crosses no label.
func (m *mapper) walk(placed []Plot) {
	walk := InWalkingOrder(placed)
	middle := func(p Plot) Point {
		return m.at(m.leftEdge(p)+float64(p.Beds)*m.t.Ground.BedSpacingMM/2, p.FromMM+m.lane(p))
	}
	rightmost := m.at(float64(m.e.bed1-m.e.bed0)*m.t.Ground.BedSpacingMM, 0).X
	pts := []Point{middle(walk[0])}
	for i, p := range walk[1:] {
		from, to := pts[len(pts)-1], middle(p)
		if walk[i].FromMM != p.FromMM {
			side := m.left - 1.6
			if from.X+to.X > m.left+rightmost {
				side = rightmost + 3
			}
			pts = append(pts, Point{side, from.Y}, Point{side, to.Y})
		}
		pts = append(pts, to)
	}
	m.d.line(inkWalk, 0.4, true, pts...)
	start := pts[0]
	m.d.rect(start.X-0.9, start.Y-0.9, 1.8, 1.8, inkWalk, "", 0)
	if n := len(pts); n > 1 {
		m.arrowHead(pts[n-2], pts[n-1], inkWalk)
	}
}

func (m *mapper) arrowHead(from, to Point, ink string) {
	a := math.Atan2(to.Y-from.Y, to.X-from.X)
	const size, open = 2.8, 0.4
	m.d.Marks = append(m.d.Marks, Mark{Points: []Point{to,
		{to.X - size*math.Cos(a-open), to.Y - size*math.Sin(a-open)},
		{to.X - size*math.Cos(a+open), to.Y - size*math.Sin(a+open)}}, Closed: true, Fill: ink})
}

// arrows draws north, and the gradient's direction, at the upper right.
func (m *mapper) arrows(right, top float64) {
	x := right - 8
	if m.t.Ground.BearingDeg != nil {
		// Up the paper is along the beds: north lies that bearing to the left.
		a := -*m.t.Ground.BearingDeg * math.Pi / 180
		c := Point{x, top + 8}
		to := Point{c.X + 6*math.Sin(a), c.Y - 6*math.Cos(a)}
		from := Point{c.X - 6*math.Sin(a), c.Y + 6*math.Cos(a)}
		m.d.line(inkBlack, 0.5, false, from, to)
		m.arrowHead(from, to, inkBlack)
		m.d.text(to.X+2*math.Sin(a), to.Y-2*math.Cos(a)+1, 3.6, "middle", true, "N")
		x -= 20
	}
	if m.t.Ground.Gradient != "" {
		from, to := Point{x, top + 14}, Point{x, top + 3}
		if m.t.Ground.GradientRuns == AcrossBeds {
			from, to = Point{x - 6, top + 8}, Point{x + 6, top + 8}
		}
		m.d.line(inkGrey, 0.5, true, from, to)
		m.arrowHead(from, to, inkGrey)
		m.arrowHead(to, from, inkGrey)
		m.d.text(x, top+18, 2.6, "middle", false, "gradient")
	}
}

func (m *mapper) legend(x, y float64, unplaced int) {
	step := niceLength(40/m.across, m.t.Units)
	w := step * m.across
	m.d.line(inkBlack, 0.5, false, Point{x, y - 1.5}, Point{x, y}, Point{x + w, y}, Point{x + w, y - 1.5})
	scale := fmt.Sprintf("%s; scale 1 : %.0f when printed at 100 %%", Length(step, m.t.Units), 1/m.scale)
	if m.across != m.scale {
		scale = fmt.Sprintf("%s across; scale 1 : %.0f across and 1 : %.0f along the beds when printed at 100 %%", Length(step, m.t.Units), 1/m.across, 1/m.scale)
	}
	m.d.text(x+w+2, y, 3, "start", false, scale)
	lines := []string{
		"Flags stand at the corners; distances at the side run along the beds from the zero flag at the lower left.",
		"Dashed lines inside a plot: the net plot. Grey strip: not sampled. Dashed path from the square to the arrow: the walk.",
	}
	if c := m.t.Control(); c != "" && !m.opt.Blind {
		lines = append(lines, "Heavy outline: the control "+c+".")
	}
	if unplaced > 0 {
		lines = append(lines, fmt.Sprintf("%s not drawn: bed or length is not recorded.", wording.Plural(unplaced, "plot")))
	}
	for i, l := range lines {
		m.d.text(x, y+5+4*float64(i), 2.8, "start", false, l)
	}
}

// WriteSVG writes the drawing as a page of its own, in millimetres.
func (d Drawing) WriteSVG(w io.Writer) error {
	var b strings.Builder
	n := func(v float64) string { return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64) }
	fmt.Fprintf(&b, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%smm\" height=\"%smm\" viewBox=\"0 0 %s %s\" font-family=\"'Liberation Sans', Arial, Helvetica, sans-serif\">\n",
		n(d.WidthMM), n(d.HeightMM), n(d.WidthMM), n(d.HeightMM))
	for _, m := range d.Marks {
		if m.Text != "" {
			weight := ""
			if m.Bold {
				weight = ` font-weight="bold"`
			}
			fmt.Fprintf(&b, "<text x=\"%s\" y=\"%s\" font-size=\"%s\" text-anchor=\"%s\"%s>", n(m.Points[0].X), n(m.Points[0].Y), n(m.SizeMM), m.Align, weight)
			if err := xml.EscapeText(&b, []byte(m.Text)); err != nil {
				return err
			}
			b.WriteString("</text>\n")
			continue
		}
		pts := make([]string, len(m.Points))
		for i, p := range m.Points {
			pts[i] = n(p.X) + "," + n(p.Y)
		}
		element := "polyline"
		if m.Closed {
			element = "polygon"
		}
		fmt.Fprintf(&b, "<%s points=\"%s\" fill=\"%s\"", element, strings.Join(pts, " "), orNone(m.Fill))
		if m.Stroke != "" {
			fmt.Fprintf(&b, " stroke=\"%s\" stroke-width=\"%s\"", m.Stroke, n(m.LineMM))
		}
		if m.Dashed {
			b.WriteString(" stroke-dasharray=\"1.2 0.8\"")
		}
		b.WriteString("/>\n")
	}
	b.WriteString("</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func orNone(ink string) string {
	if ink == "" {
		return "none"
	}
	return ink
}
