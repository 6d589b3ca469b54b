package demo

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"

	"github.com/boombuler/barcode/qr"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// decal is a flat printed thing in the scene: a plot card or a frame mark.
type decal struct {
	x, y, z float64 // centre, mm
	turn    float64 // radians from ground x to the decal's own x, towards y
	w, h    float64 // mm
	print   *image.Gray
}

// axes returns the decal's own x and y direction on the ground.
func (d *decal) axes() (xx, xy, yx, yy float64) {
	c, s := math.Cos(d.turn), math.Sin(d.turn)
	return c, s, -s, c
}

// corners returns top left, top right, bottom right, bottom left.
func (d *decal) corners() (q [4]vec) {
	xx, xy, yx, yy := d.axes()
	for i, s := range corners {
		a, b := s[0]*d.w/2, s[1]*d.h/2
		q[i] = vec{d.x + a*xx + b*yx, d.y + a*xy + b*yy, d.z}
	}
	return q
}

// Size of the plot card and of its code, mm.
const (
	cardWide  = 140.0
	cardHigh  = 100.0
	codeWide  = 60.0
	printCell = 0.25
)

// cardPrint draws a plot card: the code with its quiet zone, the plot and
// quadrat in large letters, a white and a grey patch.
func cardPrint(payload, plot string, quadrat int) (*image.Gray, error) {
	px := func(mm float64) int { return int(math.Round(mm / printCell)) }
	img := image.NewGray(image.Rect(0, 0, px(cardWide), px(cardHigh)))
	draw.Draw(img, img.Bounds(), image.NewUniform(color.Gray{238}), image.Point{}, draw.Src)
	bc, err := qr.Encode(payload, qr.M, qr.Auto)
	if err != nil {
		return nil, fmt.Errorf("card of plot %s: %w", plot, err)
	}
	n := bc.Bounds().Dx()
	module := codeWide / float64(n)
	for y := range px(codeWide) {
		for x := range px(codeWide) {
			i, j := int(float64(x)*printCell/module), int(float64(y)*printCell/module)
			if r, _, _, _ := bc.At(bc.Bounds().Min.X+min(i, n-1), bc.Bounds().Min.Y+min(j, n-1)).RGBA(); r < 0x8000 {
				img.SetGray(px(12)+x, px(14)+y, color.Gray{28})
			}
		}
	}
	write := func(text string, mm, x, y float64) error {
		f, err := opentype.Parse(gobold.TTF)
		if err != nil {
			return err
		}
		// Narrow long names so that they stay on the card.
		face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: mm / printCell, DPI: 72})
		if err != nil {
			return err
		}
		defer face.Close()
		d := font.Drawer{Dst: img, Src: image.NewUniform(color.Gray{28}), Face: face,
			Dot: fixed.P(px(x), px(y))}
		d.DrawString(text)
		return nil
	}
	size := min(26, 80/max(float64(len(plot)), 1))
	if err := write(plot, size, 82, 36); err != nil {
		return nil, err
	}
	if err := write(fmt.Sprintf("Q%d", quadrat), 17, 82, 58); err != nil {
		return nil, err
	}
	if err := write(payload, 5.5, 12, 88); err != nil {
		return nil, err
	}
	patch := func(x float64, v uint8) {
		r := image.Rect(px(x), px(68), px(x+22), px(90))
		draw.Draw(img, r, image.NewUniform(color.Gray{60}), image.Point{}, draw.Src)
		draw.Draw(img, r.Inset(2), image.NewUniform(color.Gray{v}), image.Point{}, draw.Src)
	}
	patch(82, 246)
	patch(108, 118) // 18 % reflectance
	return img, nil
}

// Marks are square printed codes fixed over the four corners of the frame.
type Marks struct {
	// Bits gives the cells of mark id, row by row from the top, true for
	// white.
	Bits func(id int) [6][6]bool `json:"-"`
	// Border is the number of black cells around Bits that belong to the
	// black square: 0 where Bits holds its border itself.
	Border int `json:"border"`
	// IDs are the marks at the frame's corners: top left, top right, bottom
	// right, bottom left, all upright in the frame's own direction.
	IDs [4]int `json:"ids"`
	// SizeMM is the side of the black square, OffsetMM how far its centre
	// lies outside the inner corner, along x and along y alike.
	SizeMM   float64 `json:"size_mm"`
	OffsetMM float64 `json:"offset_mm"`
	// HeightMM is the height of the marks' plane over the ground.
	HeightMM float64 `json:"height_mm"`
}

// marks returns the frame's marks with their white margin of one cell.
func (p *PhotoPlan) marks() []decal {
	if p.Marks == nil {
		return nil
	}
	m := p.Marks
	cells := 6 + 2*m.Border
	wide := m.SizeMM * float64(cells+2) / float64(cells)
	var out []decal
	for i, s := range corners {
		at := p.Frame.InnerMM/2 + m.OffsetMM
		const k = 16 // raster cells a mark cell
		img := image.NewGray(image.Rect(0, 0, k*(cells+2), k*(cells+2)))
		bits := m.Bits(m.IDs[i])
		for y := range img.Rect.Dy() {
			for x := range img.Rect.Dx() {
				v := uint8(28)
				cx, cy := x/k-1, y/k-1
				bx, by := cx-m.Border, cy-m.Border
				switch {
				case cx < 0 || cy < 0 || cx >= cells || cy >= cells:
					v = 236
				case bx >= 0 && by >= 0 && bx < 6 && by < 6 && bits[by][bx]:
					v = 236
				}
				img.Pix[y*img.Stride+x] = v
			}
		}
		z := m.HeightMM
		if p.Flat {
			z = 0
		}
		out = append(out, decal{x: s[0] * at, y: s[1] * at, z: z, w: wide, h: wide, print: img})
	}
	return out
}

// card returns the plot card's place without its print.
func (p *PhotoPlan) card() decal {
	return decal{x: p.CardX, y: p.CardY, z: 1, turn: p.CardTurnDeg * math.Pi / 180, w: cardWide, h: cardHigh}
}
