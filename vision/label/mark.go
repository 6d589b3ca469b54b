package label

import "fmt"

// A Mark is one printed square of the AprilTag 36h11 family: a black square
// of 8 x 8 cells whose outermost ring is black and whose inner 6 x 6 cells
// carry the code. Family: Olson 2011, ICRA, doi:10.1109/ICRA.2011.5979561;
// Wang & Olson 2016, IROS, doi:10.1109/IROS.2016.7759617. Any two codes, in
// any rotation, differ in at least 11 cells.
//
// ID is 4*class + corner.
type Mark struct{ ID int }

// Corner names a corner of a frame by its number in Mark.Corner: clockwise
// as seen from above, so that 0 to 1 runs along the width.
const (
	UpperLeft = iota
	UpperRight
	LowerRight
	LowerLeft
)

const (
	// MarkSizeMM is the side of the printed black square.
	MarkSizeMM = 60.0
	// MarkMarginMM is the white margin on every side of the black square,
	// one cell wide; the cut plate measures MarkSizeMM + 2*MarkMarginMM.
	MarkMarginMM = 7.5
	// MarkPlateMM is the side of the cut plate.
	MarkPlateMM = MarkSizeMM + 2*MarkMarginMM
	// MarkCells is the number of cells along the black square.
	MarkCells = 8
)

// NewMark is the mark for one corner (0..3) of a class of frame.
func NewMark(c Class, corner int) (Mark, error) {
	if _, ok := ClassByID(c.ID); !ok {
		return Mark{}, fmt.Errorf("frame class %d: no such class", c.ID)
	}
	if corner < 0 || corner > 3 {
		return Mark{}, fmt.Errorf("corner %d: use 0 to 3", corner)
	}
	return Mark{ID: 4*c.ID + corner}, nil
}

// Corner is 0 to 3: UpperLeft, UpperRight, LowerRight, LowerLeft.
func (m Mark) Corner() int { return m.ID & 3 }

// Class is the class of frame the mark belongs to; false if there is none.
func (m Mark) Class() (Class, bool) { return ClassByID(m.ID >> 2) }

// Bits is the code as printed, row by row from the top; true is white.
func (m Mark) Bits() (bits [6][6]bool) {
	if m.ID < 0 || m.ID >= len(codes) {
		return bits
	}
	for i := range 36 {
		bits[i/6][i%6] = codes[m.ID]>>(35-i)&1 == 1
	}
	return bits
}

// Cells is the whole black square of 8 x 8 cells as printed; true is white.
// The plate adds one more cell of white on every side.
func (m Mark) Cells() (cells [MarkCells][MarkCells]bool) {
	for r, row := range m.Bits() {
		copy(cells[r+1][1:], row[:])
	}
	return cells
}

// Code is the code as 36 bits, row by row, the first cell highest.
func (m Mark) Code() uint64 {
	if m.ID < 0 || m.ID >= len(codes) {
		return 0
	}
	return codes[m.ID]
}

// MarkCount is the number of marks in use: identifiers run from 0.
func MarkCount() int { return 4 * len(sizes) * framesPerSize }

// PlacementMM gives the corners of a mark's black square in the plane of the
// frame: millimetres from the upper-left inner corner, x along the width, y
// along the height, clockwise from the square's own upper-left.
//
// The plate lies on the pipe outside the quadrat: its corner touches the
// inner corner of the frame and its two edges run on along the inner edges,
// so that no ground of the quadrat is hidden. The black square therefore
// starts MarkMarginMM away from both inner edges. The pipe may be narrower
// than the plate; the plate then stands over on the outside. Turning the
// plate in its place by quarter turns changes nothing.
func (m Mark) PlacementMM() (corners [4][2]float64, ok bool) {
	c, ok := m.Class()
	if !ok {
		return corners, false
	}
	const near, far = MarkMarginMM, MarkMarginMM + MarkSizeMM
	x0, x1 := -far, -near
	if k := m.Corner(); k == UpperRight || k == LowerRight {
		x0, x1 = c.WidthMM+near, c.WidthMM+far
	}
	y0, y1 := -far, -near
	if k := m.Corner(); k == LowerLeft || k == LowerRight {
		y0, y1 = c.HeightMM+near, c.HeightMM+far
	}
	return [4][2]float64{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}, true
}

// A Class is one physical frame: an inner size, and a number that tells
// apart frames of the same size.
type Class struct {
	ID                int
	WidthMM, HeightMM float64 // inner size; the width runs from corner 0 to corner 1
	Number            int     // 1..8 among the frames of this size
}

// String is the class as printed beside its marks.
func (c Class) String() string {
	return fmt.Sprintf("%g x %g mm frame %d", c.WidthMM, c.HeightMM, c.Number)
}

const framesPerSize = 8

// sizes are the inner sizes a set of marks can say, in millimetres. New sizes
// go to the end: a mark once printed keeps its meaning.
var sizes = [...][2]float64{
	{500, 500},     // 0.25 m2
	{250, 1000},    // 0.25 m2, long side across the rows
	{1000, 1000},   // 1 m2
	{200, 500},     // 0.1 m2
	{457.2, 457.2}, // 18 x 18 in
	{304.8, 304.8}, // 12 x 12 in, 1 ft2
	{250, 250},     // 0.0625 m2
	{500, 1000},    // 0.5 m2
	{316.2, 316.2}, // 0.1 m2
	{707.1, 707.1}, // 0.5 m2
	{609.6, 609.6}, // 24 x 24 in
	{914.4, 914.4}, // 36 x 36 in, 1 yd2
	{333.3, 750},   // 0.25 m2
	{400, 625},     // 0.25 m2
}

// ClassByID is the class with the given number; false if there is none.
func ClassByID(id int) (Class, bool) {
	if id < 0 || id >= len(sizes)*framesPerSize {
		return Class{}, false
	}
	s := sizes[id/framesPerSize]
	return Class{ID: id, WidthMM: s[0], HeightMM: s[1], Number: id%framesPerSize + 1}, true
}

// Classes lists every class of frame there are marks for.
func Classes() []Class {
	all := make([]Class, 0, len(sizes)*framesPerSize)
	for id := range len(sizes) * framesPerSize {
		c, _ := ClassByID(id)
		all = append(all, c)
	}
	return all
}
