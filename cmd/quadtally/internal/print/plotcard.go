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
)

// Greys of the patches, as sRGB levels asked of the printer. They are nominal:
// what an office printer makes of them is not known until it is measured.
var patchGreys = []int{255, 190, 119, 0}

// PlotCards prints one card a plot, or one a quadrat, in walking order, two on
// a page with lines to cut along.
func PlotCards(w io.Writer, t *trial.Trial, plots []trial.Plot, opt Options) (notes []string, err error) {
	if len(plots) == 0 {
		return nil, fmt.Errorf("there are no plots to print cards for")
	}
	tags, err := trial.CardTags(plots)
	if err != nil {
		return nil, err
	}
	s, err := newSheet(opt, "Plot cards of "+t.Name, false)
	if err != nil {
		return nil, err
	}
	n := 0
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
			if n%2 == 0 {
				s.AddPage()
			}
			gap := (s.height - 2*CardHeightMM) / 3
			y := gap + float64(n%2)*(CardHeightMM+gap)
			if err := s.card((s.width-CardWidthMM)/2, y, t, p, q, code, opt.Blind); err != nil {
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

func (s *sheet) card(x, y float64, t *trial.Trial, p trial.Plot, quadrat int, code string, blind bool) error {
	s.SetTextColor(0, 0, 0)
	s.outline(x, y, CardWidthMM, CardHeightMM, 0.1, 150)
	if err := s.code(x+quietMM-4, y+quietMM-4, code); err != nil {
		return err
	}
	s.put(x+quietMM-4+CodeMM/2, y+quietMM-4+CodeMM+6, 3.4, "middle", false, code)

	left, width := x+quietMM+CodeMM+quietMM-4, CardWidthMM-CodeMM-2*quietMM
	s.putFit(left, y+11, width, 5.5, "start", false, t.Name)
	s.put(left, y+18.5, 4, "start", false, "plot")
	s.putFit(left, y+46, width, 34, "start", true, p.ID)
	line := y + 58
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

	px, py := x+8, y+CardHeightMM-PatchMM-12
	for i, g := range patchGreys {
		at := px + float64(i)*(PatchMM+1)
		s.square(at, py, PatchMM, PatchMM, g)
		s.outline(at, py, PatchMM, PatchMM, 0.15, 0)
	}
	s.put(px, py+PatchMM+4, 2.5, "start", false, "white, two greys, black: the greys are nominal, no office printer holds them")
	s.put(px, py+PatchMM+7.5, 2.5, "start", false, fmt.Sprintf("code %g mm wide, module %g mm; lay the card flat beside the frame, unshaded, no glare", CodeMM, ModuleMM))
	s.scaleBar(x+CardWidthMM-100-4, py+PatchMM-8.8)
	return s.Error()
}

// code draws a text as a QR code, its modules as vectors: neighbours in a row
// are one rectangle, so that no hairline shows between them.
func (s *sheet) code(x, y float64, text string) error {
	b, err := qr.Encode(text, qr.M, qr.AlphaNumeric)
	if err != nil {
		return fmt.Errorf("the code %q cannot be drawn: %w", text, err)
	}
	n := b.Bounds().Dx()
	if n != 21 {
		return fmt.Errorf("the code %q takes %d modules instead of 21: shorten the plot's number", text, n)
	}
	dark := func(i, j int) bool { return i < n && color.GrayModel.Convert(b.At(i, j)).(color.Gray).Y < 128 }
	for j := range n {
		for i := 0; i < n; i++ {
			from := i
			for dark(i, j) {
				i++
			}
			if i > from {
				s.square(x+float64(from)*ModuleMM, y+float64(j)*ModuleMM, float64(i-from)*ModuleMM, ModuleMM, 0)
			}
		}
	}
	return nil
}
