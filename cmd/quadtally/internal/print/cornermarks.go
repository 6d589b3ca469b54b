package print

import (
	"fmt"
	"io"
	"math"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision/label"
)

// CornerMarks prints the four marks of one frame, for the size of the trial's
// quadrat, with lines to cut along and a drawing of where they go. Number tells
// apart frames of the same size, from 1. The marks' size must be true: the
// sheet carries a bar to measure.
func CornerMarks(w io.Writer, t *trial.Trial, number int, opt Options) (notes []string, err error) {
	class, err := frameClass(t, number)
	if err != nil {
		return nil, err
	}
	s, err := newSheet(opt, "Corner marks of "+classWords(class, t.Units), false)
	if err != nil {
		return nil, err
	}
	s.AddPage()
	s.SetTextColor(0, 0, 0)
	const plate = label.MarkPlateMM
	gapX := (s.width - 2*plate) / 3
	s.put(gapX, 14, 5, "start", true, "Corner marks: "+classWords(class, t.Units))
	for corner := range 4 {
		m, err := label.NewMark(class, corner)
		if err != nil {
			return nil, err
		}
		col, row := 0, 0 // as they lie round the frame
		if corner == label.UpperRight || corner == label.LowerRight {
			col = 1
		}
		if corner == label.LowerLeft || corner == label.LowerRight {
			row = 1
		}
		s.plate(gapX+float64(col)*(plate+gapX), 20+float64(row)*(plate+12), m)
	}
	top := 20 + 2*(plate+12) + 2
	s.frameDrawing(gapX+8, top+6, class, t.Units)
	textX := gapX + 78
	y := top + 4
	for _, line := range []string{
		fmt.Sprintf("1. Print at 100 %% on matt white paper. The black squares must measure %s, the bar below what it says; otherwise print again.", paperLength(label.MarkSizeMM, t.Units)),
		fmt.Sprintf("2. Cut along the grey lines: the white rim of %s belongs to the mark.", paperLength(label.MarkMarginMM, t.Units)),
		"3. Glue each mark on a flat, stiff plate; matt varnish or matt laminate, never glossy.",
		"4. Fix it outside the frame as drawn: its corner touches the frame's inner corner and its edges run on along the inner edges, flush with the frame's upper side. Nothing of the ground inside is hidden.",
		"5. Keep to the corners' names. Turning a mark in its place does no harm; swapping two does.",
	} {
		y = s.paragraph(textX, y, s.width-textX-12, 3.2, line) + 1
	}
	s.scaleBar(gapX+110, s.height-18, 110, t.Units)
	return s.finish(w)
}

var cornerNames = [4]string{"upper left", "upper right", "lower right", "lower left"}

// plate draws one mark with its white rim and the line to cut along.
func (s *sheet) plate(x, y float64, m label.Mark) {
	const cell = label.MarkSizeMM / label.MarkCells
	s.outline(x, y, label.MarkPlateMM, label.MarkPlateMM, 0.1, 150)
	x0, y0 := x+label.MarkMarginMM, y+label.MarkMarginMM
	cells := m.Cells()
	s.shape(x0, y0, cell, len(cells[0]), len(cells), func(c, r int) bool { return !cells[r][c] }, 0)
	class, _ := m.Class()
	s.put(x, y+label.MarkPlateMM+4.5, 3.4, "start", false, fmt.Sprintf("%s (mark %d, frame %d)", cornerNames[m.Corner()], m.ID, class.Number))
}

// frameDrawing shows the frame from above with its four plates, to a scale
// that fits 50 mm.
func (s *sheet) frameDrawing(x, y float64, class label.Class, u trial.Units) {
	k := 36 / math.Max(class.WidthMM, class.HeightMM)
	w, h := class.WidthMM*k, class.HeightMM*k
	pipe := math.Max(1.5, 25*k)
	s.square(x-pipe, y-pipe+10, w+2*pipe, h+2*pipe, 200)
	s.square(x, y+10, w, h, 255)
	s.outline(x, y+10, w, h, 0.2, 0)
	side := math.Max(5, label.MarkPlateMM*k)
	for corner, c := range [4][2]float64{{x - side, y + 10 - side}, {x + w, y + 10 - side}, {x + w, y + 10 + h}, {x - side, y + 10 + h}} {
		s.square(c[0], c[1], side, side, 255)
		s.outline(c[0], c[1], side, side, 0.3, 0)
		s.put(c[0]+side/2, c[1]+side/2+1, 2.6, "middle", true, fmt.Sprint([]string{"UL", "UR", "LR", "LL"}[corner]))
	}
	s.put(x+w/2, y+10+h/2, 2.8, "middle", false, "inside:")
	s.put(x+w/2, y+10+h/2+4, 2.8, "middle", false, trial.Length(class.WidthMM, u)+" x "+trial.Length(class.HeightMM, u))
}

// frameClass finds the marks for the trial's frame, whichever side is called
// its width.
func frameClass(t *trial.Trial, number int) (label.Class, error) {
	near := func(a, b float64) bool { return math.Abs(a-b) < 0.5 }
	var sizes []string
	seen := map[string]bool{}
	for _, c := range label.Classes() {
		q := t.Quadrat
		if c.Number == number && (near(c.WidthMM, q.WidthMM) && near(c.HeightMM, q.LengthMM) || near(c.WidthMM, q.LengthMM) && near(c.HeightMM, q.WidthMM)) {
			return c, nil
		}
		if size := trial.Length(c.WidthMM, t.Units) + " x " + trial.Length(c.HeightMM, t.Units); !seen[size] {
			seen[size] = true
			sizes = append(sizes, size)
		}
	}
	return label.Class{}, fmt.Errorf("there are no marks for a frame of %s x %s number %d: marks exist for %s, frames 1 to 8; other frames are found by their edges",
		trial.Length(t.Quadrat.WidthMM, t.Units), trial.Length(t.Quadrat.LengthMM, t.Units), number, strings.Join(sizes, ", "))
}

// classWords names a class of frames in the units of its reader.
func classWords(c label.Class, u trial.Units) string {
	return fmt.Sprintf("frame %d of %s x %s", c.Number, trial.Length(c.WidthMM, u), trial.Length(c.HeightMM, u))
}
