package report

import (
	"fmt"
	"image/color"
	"io"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// Size of a slide, 16 to 9.
const slideWideMM, slideTallMM = 320, 180

// WriteSlide writes the answer as one picture: the verdict above the figure.
func WriteSlide(w io.Writer, in Input, dpi int) error {
	if dpi < 1 {
		return fmt.Errorf("a slide of %d dots per inch cannot be drawn", dpi)
	}
	b := newBuilder(in)
	c := vgimg.NewWith(vgimg.UseWH(mm(slideWideMM), mm(slideTallMM)), vgimg.UseDPI(dpi), vgimg.UseBackgroundColor(color.White))
	page := draw.New(c)
	page = draw.Crop(page, mm(14), -mm(14), mm(10), -mm(10))
	t := wordsFor{&b.in.Trial}
	claims := b.claims()
	verdict := "Nothing of this trial can be compared yet."
	if len(claims) > 0 {
		lead, rest := b.verdict(t, claims)
		verdict = strings.Join(append(lead, rest...), " ")
	}
	title := typeStyle(22, inkText, left, draw.YTop)
	title.Font = typeface(22, true)
	page.FillText(title, vg.Point{X: page.Min.X, Y: page.Max.Y}, clipped(orNotRecorded(in.Trial.Name), 60))
	y := page.Max.Y - 34
	words := typeStyle(15, inkText, left, draw.YTop)
	for _, l := range fitted(words.Width, verdict, page.Max.X-page.Min.X, 7) {
		page.FillText(words, vg.Point{X: page.Min.X, Y: y}, l)
		y -= 20
	}
	// What is open or doubtful stands above the last line.
	doubts := typeStyle(12, inkText, left, draw.YBottom)
	floor := page.Min.Y + 16
	if list := b.doubts(t, claims); len(list) > 0 {
		lines := fittedDoubts(doubts.Width, list, page.Max.X-page.Min.X, 4)
		for i, l := range lines {
			page.FillText(doubts, vg.Point{X: page.Min.X, Y: floor + vg.Length(len(lines)-1-i)*15}, l)
		}
		floor += vg.Length(len(lines)) * 15
	}
	if len(claims) > 0 {
		f := b.panels()
		// The figure keeps its proportions and grows to the room that is left.
		room := draw.Crop(page, 0, 0, floor-page.Min.Y+2, -(page.Max.Y - y + 8))
		scale := min(float64(room.Max.X-room.Min.X)/float64(mm(f.WidthMM)), float64(room.Max.Y-room.Min.Y)/float64(mm(f.HeightMM)))
		page.Push()
		page.Translate(vg.Point{X: room.Min.X, Y: room.Max.Y - vg.Length(scale)*mm(f.HeightMM)})
		page.Scale(scale, scale)
		f.draw(draw.Canvas{Canvas: page.Canvas, Rectangle: vg.Rectangle{Max: vg.Point{X: mm(f.WidthMM), Y: mm(f.HeightMM)}}})
		page.Pop()
	}
	small := typeStyle(10, inkFaint, left, draw.YBottom)
	page.FillText(small, page.Min, "Means with 95 % intervals, small marks are plots; within a panel, treatments that share a letter are not shown to differ. One trial, one season, one field.")
	_, err := vgimg.PngCanvas{Canvas: c}.WriteTo(w)
	return err
}

// fittedDoubts breaks as many doubts as have room into at most lines lines, and
// says how many are left for the report.
func fittedDoubts(width func(string) vg.Length, list []string, room vg.Length, lines int) []string {
	for n := len(list); n > 0; n-- {
		text := strings.Join(list[:n], " ")
		if left := len(list) - n; left > 0 {
			text += fmt.Sprintf(" %s more on page 1 of the report.", counted(left, "doubt"))
		}
		if whole := fitted(width, text, room, len(text)+1); len(whole) <= lines {
			return whole
		}
	}
	return fitted(width, fmt.Sprintf("%s: see page 1 of the report.", counted(len(list), "doubt")), room, lines)
}
