package report

import (
	"image"
	"image/color"
	"math"

	"codeberg.org/go-pdf/fpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// pdfCanvas lets gonum/plot draw onto a page, as lines and type. The figure's
// lower left lies at left, bottom (mm from the page's upper left).
type pdfCanvas struct {
	sheet        *pdfSheet
	left, bottom float64
	state        pdfState
	stack        []pdfState
}

// pdfState is what Push keeps: the place on the page (x' = ax + cy + e, y' = bx
// + dy + f, in points) and the pen.
type pdfState struct {
	a, b, c, d, e, f float64
	width            vg.Length
	dashes           []vg.Length
	offset           vg.Length
	ink              color.Color
}

func newPDFCanvas(s *pdfSheet, left, bottom float64) *pdfCanvas {
	return &pdfCanvas{sheet: s, left: left, bottom: bottom, state: pdfState{a: 1, d: 1, width: 1, ink: color.Black}}
}

const mmPerPoint = 25.4 / 72

// page carries a point of the figure to the page, mm.
func (c *pdfCanvas) page(p vg.Point) (x, y float64) {
	s := c.state
	px, py := s.a*float64(p.X)+s.c*float64(p.Y)+s.e, s.b*float64(p.X)+s.d*float64(p.Y)+s.f
	return c.left + px*mmPerPoint, c.bottom - py*mmPerPoint
}

// size is by how much lengths are scaled.
func (c *pdfCanvas) size() float64 {
	return math.Sqrt(math.Abs(c.state.a*c.state.d - c.state.b*c.state.c))
}

func (c *pdfCanvas) SetLineWidth(w vg.Length) { c.state.width = w }
func (c *pdfCanvas) SetLineDash(d []vg.Length, offset vg.Length) {
	c.state.dashes, c.state.offset = d, offset
}
func (c *pdfCanvas) SetColor(k color.Color) {
	if k == nil {
		k = color.Black
	}
	c.state.ink = k
}

func (c *pdfCanvas) multiply(a, b, cc, d, e, f float64) {
	s := &c.state
	s.a, s.b, s.c, s.d, s.e, s.f = s.a*a+s.c*b, s.b*a+s.d*b, s.a*cc+s.c*d, s.b*cc+s.d*d, s.a*e+s.c*f+s.e, s.b*e+s.d*f+s.f
}

func (c *pdfCanvas) Rotate(r float64) {
	sin, cos := math.Sincos(r)
	c.multiply(cos, sin, -sin, cos, 0, 0)
}
func (c *pdfCanvas) Translate(p vg.Point) { c.multiply(1, 0, 0, 1, float64(p.X), float64(p.Y)) }
func (c *pdfCanvas) Scale(x, y float64)   { c.multiply(x, 0, 0, y, 0, 0) }
func (c *pdfCanvas) Push()                { c.stack = append(c.stack, c.state) }
func (c *pdfCanvas) Pop()                 { c.state, c.stack = c.stack[len(c.stack)-1], c.stack[:len(c.stack)-1] }
func (c *pdfCanvas) rgb() (r, g, b int) {
	k := color.NRGBAModel.Convert(c.state.ink).(color.NRGBA)
	return int(k.R), int(k.G), int(k.B)
}

// lines flattens a path into lines; figures have no curves but the circles of
// their marks.
func (c *pdfCanvas) lines(path vg.Path) (out [][]fpdf.PointType, closed []bool) {
	add := func(p vg.Point) {
		x, y := c.page(p)
		out[len(out)-1] = append(out[len(out)-1], fpdf.PointType{X: x, Y: y})
	}
	start := func() { out, closed = append(out, nil), append(closed, false) }
	for _, comp := range path {
		if comp.Type == vg.MoveComp || len(out) == 0 {
			start()
		}
		switch comp.Type {
		case vg.MoveComp, vg.LineComp:
			add(comp.Pos)
		case vg.ArcComp:
			const steps = 32
			for i := 0; i <= steps; i++ {
				sin, cos := math.Sincos(comp.Start + comp.Angle*float64(i)/steps)
				add(vg.Point{X: comp.Pos.X + comp.Radius*vg.Length(cos), Y: comp.Pos.Y + comp.Radius*vg.Length(sin)})
			}
		case vg.CurveComp:
			add(comp.Pos)
		case vg.CloseComp:
			closed[len(closed)-1] = true
		}
	}
	return out, closed
}

// Stroke draws along a path.
func (c *pdfCanvas) Stroke(path vg.Path) {
	if c.state.width <= 0 {
		return
	}
	f := c.sheet.Fpdf
	f.SetDrawColor(c.rgb())
	f.SetLineWidth(float64(c.state.width) * c.size() * mmPerPoint)
	dashes := make([]float64, len(c.state.dashes))
	for i, d := range c.state.dashes {
		dashes[i] = float64(d) * c.size() * mmPerPoint
	}
	f.SetDashPattern(dashes, float64(c.state.offset)*c.size()*mmPerPoint)
	c.draw(path, "D")
	f.SetDashPattern(nil, 0)
}

// Fill fills a path.
func (c *pdfCanvas) Fill(path vg.Path) {
	c.sheet.SetFillColor(c.rgb())
	c.draw(path, "F")
}

func (c *pdfCanvas) draw(path vg.Path, style string) {
	parts, closed := c.lines(path)
	for i, pts := range parts {
		if len(pts) < 2 {
			continue
		}
		c.sheet.MoveTo(pts[0].X, pts[0].Y)
		for _, p := range pts[1:] {
			c.sheet.LineTo(p.X, p.Y)
		}
		if closed[i] {
			c.sheet.ClosePath()
		}
		c.sheet.DrawPath(style)
	}
}

// FillString writes text with its baseline at a point.
func (c *pdfCanvas) FillString(face font.Face, p vg.Point, text string) {
	x, y := c.page(p)
	s := c.sheet
	s.setFont(float64(face.Font.Size)*c.size()*mmPerPoint, face.Font.Weight == xfont.WeightBold)
	s.SetTextColor(c.rgb())
	turn := math.Atan2(c.state.b, c.state.a) * 180 / math.Pi
	if turn != 0 {
		s.TransformBegin()
		s.TransformRotate(turn, x, y)
	}
	s.Text(x, y, s.printable(text))
	if turn != 0 {
		s.TransformEnd()
	}
}

// DrawImage is not needed: no figure holds a picture.
func (c *pdfCanvas) DrawImage(vg.Rectangle, image.Image) {}
