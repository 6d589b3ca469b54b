package print

import (
	"fmt"
	"image/color"
	"io"

	"github.com/boombuler/barcode/qr"

	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision/label"
)

// Sizes of a plot card, true when printed at 100 %. A card fits an A5 pouch
// for laminating.
const (
	CardWidthMM  = 188.0
	CardHeightMM = 126.0
	// ModuleMM is the side of one module of the code. A version-1 code has 21
	// of them (ISO/IEC 18004), so it is 63 mm wide, and its quiet zone of four
	// modules is 12 mm.
	ModuleMM = 3.0
	// CodeMM is the width of the printed code without its quiet zone.
	CodeMM  = 21 * ModuleMM
	quietMM = 4 * ModuleMM
	// PatchMM is the side of the white and grey patches.
	PatchMM = 17.0
	// FourScale is the size of a card, against these, where four share a page:
	// its code is 44.1 mm wide. It is read from nearer by.
	FourScale = 0.7
)

// Greys of the patches, as sRGB levels asked of the printer. They are nominal:
// what an office printer makes of them is not known until it is measured.
var patchGreys = []int{255, 190, 119, 0}

// PlotCards prints one card a plot, or one a quadrat, in walking order, two on
// a page, or four smaller ones, with lines to cut along.
func PlotCards(w io.Writer, t *trial.Trial, plots []trial.Plot, opt Options) (notes []string, err error) {
	if len(plots) == 0 {
		return nil, fmt.Errorf("there are no plots to print cards for")
	}
	tags, err := trial.CardTags(plots)
	if err != nil {
		return nil, err
	}
	s, err := newSheet(opt, "Plot cards of "+t.Name, opt.FourOnPage)
	if err != nil {
		return nil, err
	}
	n, across, scale := 0, 1, 1.0
	if opt.FourOnPage {
		across, scale = 2, FourScale
	}
	for _, p := range trial.InWalkingOrder(plots) {
		first, last := 0, 0
		if opt.PerQuadrat {
			first, last = 1, t.Quadrat.PerPlot
		}
		for q := first; q <= last; q++ {
			code, err := label.Encode(label.Label{Trial: t.Tag, Plot: tags[p.ID], Quadrat: q})
			if err != nil {
				return nil, fmt.Errorf("plot %s: %w", p.ID, err)
			}
			if n%(2*across) == 0 {
				s.AddPage()
			}
			w, h := CardWidthMM*scale, CardHeightMM*scale
			gapX, gapY := (s.width-float64(across)*w)/float64(across+1), (s.height-2*h)/3
			x, y := gapX+float64(n%across)*(w+gapX), gapY+float64(n/across%2)*(h+gapY)
			if err := s.card(x, y, scale, t, p, q, code, opt.Blind); err != nil {
				return nil, err
			}
			n++
		}
	}
	if n == 0 {
		return nil, fmt.Errorf("cards for each quadrat need the number of quadrats per plot")
	}
	return s.finish(w)
}

// card draws one card at a scale about its upper-left corner; only the bar to
// measure keeps its true length.
func (s *sheet) card(x, y, scale float64, t *trial.Trial, p trial.Plot, quadrat int, code string, blind bool) error {
	s.SetTextColor(0, 0, 0)
	s.TransformBegin()
	s.TransformScale(100*scale, 100*scale, x, y)
	s.outline(x, y, CardWidthMM, CardHeightMM, 0.1, 150)
	if err := s.code(x+quietMM, y+quietMM, code); err != nil {
		return err
	}
	s.put(x+quietMM+CodeMM/2, y+2*quietMM+CodeMM+3, 3.4, "middle", false, code)

	left, width := x+2*quietMM+CodeMM, CardWidthMM-CodeMM-2*quietMM-4
	s.putFit(left, y+13, width, 5.5, "start", false, t.Name)
	s.put(left, y+20.5, 4, "start", false, "plot")
	s.putFit(left, y+47, width, 34, "start", true, p.ID)
	line := y + 59
	if quadrat > 0 {
		s.putFit(left, line, width, 11, "start", true, fmt.Sprintf("quadrat %d", quadrat))
		line += 12
	}
	if p.Block != "" {
		s.putFit(left, line, width, 8, "start", false, "block "+p.Block)
		line += 9.5
	}
	if !blind {
		s.putFit(left, line, width, 8, "start", true, p.Treatment)
		if name := t.TreatmentName(p.Treatment); name != p.Treatment {
			s.putFit(left, line+6.5, width, 5, "start", false, name)
		}
	}

	px, py := x+8, y+CardHeightMM-PatchMM-11
	for i, g := range patchGreys {
		at := px + float64(i)*(PatchMM+1)
		s.square(at, py, PatchMM, PatchMM, g)
		s.outline(at, py, PatchMM, PatchMM, 0.15, 0)
	}
	s.put(px, py+PatchMM+4, 2.5, "start", false, "white, two greys, black: the greys are nominal, no office printer holds them")
	s.put(px, py+PatchMM+7.5, 2.5, "start", false, fmt.Sprintf("code %s wide; lay the card flat beside the frame, unshaded, no glare", paperLength(CodeMM*scale, t.Units)))
	s.TransformEnd()
	// The bar stands to the right of the patches, as long as it says.
	room := (CardWidthMM - 8 - 4*(PatchMM+1) - 6) * scale
	s.scaleBar(x+CardWidthMM*scale-4*scale, y+(CardHeightMM-PatchMM-1)*scale, room, t.Units)
	return s.Error()
}

// code draws a text as a QR code, its dark modules as one shape.
func (s *sheet) code(x, y float64, text string) error {
	b, err := qr.Encode(text, qr.M, qr.AlphaNumeric)
	if err != nil {
		return fmt.Errorf("the code %q cannot be drawn: %w", text, err)
	}
	n := b.Bounds().Dx()
	if n != 21 {
		return fmt.Errorf("the code %q takes %d modules instead of 21: shorten the plot's number", text, n)
	}
	s.shape(x, y, ModuleMM, n, n, func(i, j int) bool { return color.GrayModel.Convert(b.At(i, j)).(color.Gray).Y < 128 }, 0)
	return nil
}
