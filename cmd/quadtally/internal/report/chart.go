package report

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// This file holds what all figures share: paper, type, and marks that are told
// apart by form and line as well as by colour.

var (
	inkText  = color.RGBA{0x22, 0x22, 0x22, 0xff}
	inkFaint = color.RGBA{0x76, 0x76, 0x76, 0xff}
	inkGrid  = color.RGBA{0xdd, 0xdd, 0xdd, 0xff}
	inkFill  = color.RGBA{0xd9, 0xe3, 0xea, 0xff}
)

// mark is how a treatment looks in every figure of a report.
type mark struct {
	ink   color.RGBA
	shape draw.GlyphDrawer
	dash  []vg.Length
}

// marks is the order in which treatments take their looks. The inks are
// guided by Okabe & Ito's colour-blind safe set (2008), darkened where they
// would be pale on white; each also has a form and a line of its own, for
// printing in grey.
var marks = []mark{
	{color.RGBA{0x00, 0x00, 0x00, 0xff}, draw.BoxGlyph{}, nil},
	{color.RGBA{0xb8, 0x4e, 0x00, 0xff}, draw.CircleGlyph{}, []vg.Length{6, 2}},
	{color.RGBA{0x00, 0x72, 0xb2, 0xff}, draw.PyramidGlyph{}, []vg.Length{2, 2}},
	{color.RGBA{0x00, 0x7a, 0x5a, 0xff}, draw.SquareGlyph{}, []vg.Length{8, 2, 2, 2}},
	{color.RGBA{0xa3, 0x4f, 0x86, 0xff}, draw.RingGlyph{}, []vg.Length{4, 4}},
	{color.RGBA{0x8a, 0x6a, 0x00, 0xff}, draw.TriangleGlyph{}, []vg.Length{1, 2}},
	{color.RGBA{0x2a, 0x6f, 0x97, 0xff}, draw.CrossGlyph{}, []vg.Length{10, 3}},
	{color.RGBA{0x55, 0x55, 0x55, 0xff}, draw.PlusGlyph{}, []vg.Length{6, 2, 1, 2, 1, 2}},
}

// looks gives each treatment its mark by its place in the trial.
type looks []string

func (l looks) of(treatment string) mark {
	i := max(0, slices.Index(l, treatment))
	m := marks[i%len(marks)]
	return m
}

func (m mark) glyph(size vg.Length) draw.GlyphStyle {
	return draw.GlyphStyle{Color: m.ink, Radius: size, Shape: m.shape}
}

func (m mark) line(width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: m.ink, Width: width, Dashes: m.dash}
}

// typeface is the one of every figure.
func typeface(points vg.Length, bold bool) font.Font {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: points}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return f
}

func typeStyle(points vg.Length, ink color.Color, x text.XAlignment, y text.YAlignment) text.Style {
	return text.Style{Color: ink, Font: typeface(points, false), XAlign: x, YAlign: y, Handler: plot.DefaultTextHandler}
}

// newChart is a plot with the report's type, axes and a quiet ground.
func newChart(xLabel, yLabel string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = color.White
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font = typeface(9, false)
		a.Label.TextStyle.Color = inkText
		a.Tick.Label.Font = typeface(8.3, false)
		a.Tick.Label.Color = inkText
		a.LineStyle.Width, a.LineStyle.Color = 0.6, inkFaint
		a.Tick.LineStyle.Width, a.Tick.LineStyle.Color = 0.6, inkFaint
		a.Padding = 4
		a.Tick.Marker = fewTicks{}
	}
	p.X.Label.Text, p.Y.Label.Text = xLabel, yLabel
	return p
}

// fewTicks are plain decimal ticks, every one with its label.
type fewTicks struct{}

func (fewTicks) Ticks(low, high float64) []plot.Tick {
	if !(high > low) {
		return nil
	}
	raw := (high - low) / 5
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5, 10} {
		if step*f >= raw {
			step *= f
			break
		}
	}
	digits := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	var out []plot.Tick
	for k := math.Ceil(low/step - 1e-9); k*step <= high+1e-9*step; k++ {
		v := k * step
		out = append(out, plot.Tick{Value: v, Label: fixed(v, digits)})
	}
	return out
}

// fewestTicks are for small panels: the ends of a round range and its middle.
type fewestTicks struct{}

func (fewestTicks) Ticks(low, high float64) []plot.Tick {
	list := (fewTicks{}).Ticks(low, high)
	var out []plot.Tick
	for i, t := range list {
		if i%2 == 0 {
			out = append(out, t)
		}
	}
	return out
}

// drawn is a plotter made of a function.
type drawn func(c draw.Canvas, p *plot.Plot)

// Plot draws itself.
func (d drawn) Plot(c draw.Canvas, p *plot.Plot) { d(c, p) }

// at carries a place in the data to the paper.
func at(c draw.Canvas, p *plot.Plot, x, y float64) vg.Point {
	tx, ty := p.Transforms(&c)
	return vg.Point{X: tx(x), Y: ty(y)}
}

func strokeLine(c draw.Canvas, p *plot.Plot, style draw.LineStyle, xy ...float64) {
	pts := make([]vg.Point, 0, len(xy)/2)
	for i := 0; i+1 < len(xy); i += 2 {
		pts = append(pts, at(c, p, xy[i], xy[i+1]))
	}
	c.StrokeLines(style, pts)
}

// interval draws a line with short ends from low to high across a place.
func interval(c draw.Canvas, m mark, a, b vg.Point) {
	style := draw.LineStyle{Color: m.ink, Width: 0.9}
	c.StrokeLines(style, []vg.Point{a, b})
	const half = 2.5
	for _, e := range []vg.Point{a, b} {
		if a.X == b.X {
			c.StrokeLines(style, []vg.Point{{X: e.X - half, Y: e.Y}, {X: e.X + half, Y: e.Y}})
		} else {
			c.StrokeLines(style, []vg.Point{{X: e.X, Y: e.Y - half}, {X: e.X, Y: e.Y + half}})
		}
	}
}

// horizontalGrid draws faint lines at the ticks of y.
func horizontalGrid() drawn {
	return func(c draw.Canvas, p *plot.Plot) {
		for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
			if t.Label != "" {
				strokeLine(c, p, draw.LineStyle{Color: inkGrid, Width: 0.5}, p.X.Min, t.Value, p.X.Max, t.Value)
			}
		}
	}
}

func verticalGrid() drawn {
	return func(c draw.Canvas, p *plot.Plot) {
		for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
			if t.Label != "" {
				strokeLine(c, p, draw.LineStyle{Color: inkGrid, Width: 0.5}, t.Value, p.Y.Min, t.Value, p.Y.Max)
			}
		}
	}
}

// spread moves labels apart that would overlap, keeping their order.
func spread(y []vg.Length, gap vg.Length) []vg.Length {
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case y[a] < y[b]:
			return -1
		case y[a] > y[b]:
			return 1
		}
		return 0
	})
	out := slices.Clone(y)
	// Groups of touching labels share the room about their middle.
	type group struct {
		members []int
		middle  vg.Length
	}
	var groups []group
	for _, i := range order {
		g := group{[]int{i}, y[i]}
		for len(groups) > 0 {
			last := groups[len(groups)-1]
			need := gap * vg.Length(len(last.members)+len(g.members)) / 2
			if g.middle-last.middle >= need {
				break
			}
			a, b := vg.Length(len(last.members)), vg.Length(len(g.members))
			g = group{append(slices.Clone(last.members), g.members...), (last.middle*a + g.middle*b) / (a + b)}
			groups = groups[:len(groups)-1]
		}
		groups = append(groups, g)
	}
	for _, g := range groups {
		for k, i := range g.members {
			out[i] = g.middle + gap*(vg.Length(k)-vg.Length(len(g.members)-1)/2)
		}
	}
	return out
}

// rangeOf returns the least and largest of values with a little room.
func rangeOf(values []float64, fromZero bool) (low, high float64) {
	if len(values) == 0 {
		return 0, 1
	}
	low, high = slices.Min(values), slices.Max(values)
	if fromZero && low >= 0 {
		low = 0
	}
	if low == high {
		return low - 1, high + 1
	}
	room := 0.04 * (high - low)
	if !fromZero || low < 0 {
		low -= room
	}
	return low, high + room
}

func mm(v float64) vg.Length { return vg.Length(v) * vg.Millimeter }

// WriteSVG writes the figure as an SVG file of its own.
func (f Figure) WriteSVG(w io.Writer) error {
	c := vgsvg.New(mm(f.WidthMM), mm(f.HeightMM))
	f.draw(draw.New(c))
	_, err := c.WriteTo(w)
	return err
}

// WritePNG writes the figure as PNG with the given dots per inch.
func (f Figure) WritePNG(w io.Writer, dpi int) error {
	if dpi < 1 {
		return fmt.Errorf("a figure of %d dots per inch cannot be drawn", dpi)
	}
	c := vgimg.NewWith(vgimg.UseWH(mm(f.WidthMM), mm(f.HeightMM)), vgimg.UseDPI(dpi), vgimg.UseBackgroundColor(color.White))
	f.draw(draw.New(c))
	_, err := vgimg.PngCanvas{Canvas: c}.WriteTo(w)
	return err
}
