package label

import (
	"math"
	"testing"
)

// TestMarksRefused: corners and frames that do not exist have no mark, and
// marks that do not exist no frame, place or code.
func TestMarksRefused(t *testing.T) {
	c, _ := ClassByID(3)
	for corner, good := range map[int]bool{-1: false, 0: true, 3: true, 4: false} {
		m, err := NewMark(c, corner)
		if (err == nil) != good || good && m.ID != 12+corner {
			t.Errorf("corner %d: mark %d, %v", corner, m.ID, err)
		}
	}
	last := MarkCount() - 1
	for _, id := range []int{-1, len(sizes) * framesPerSize} {
		if _, err := NewMark(Class{ID: id}, 0); err == nil {
			t.Errorf("frame %d has a mark", id)
		}
		if _, ok := ClassByID(id); ok {
			t.Errorf("frame %d is one", id)
		}
	}
	for id, good := range map[int]bool{-1: false, 0: true, last: true, last + 1: false} {
		m := Mark{id}
		_, ok := m.PlacementMM()
		if _, is := m.Class(); is != good || ok != good || (m.Code() != 0) != good || (m.Bits() != [6][6]bool{}) != good {
			t.Errorf("mark %d: frame %v, place %v, code %#x", id, is, ok, m.Code())
		}
	}
}

// TestPlatesByHand: the square lies a margin of 7.5 mm outside both inner edges
// and is 60 mm wide.
func TestPlatesByHand(t *testing.T) {
	c, ok := ClassByID(4*framesPerSize - 1) // the last 200 x 500 mm frame
	if !ok || c.WidthMM != 200 || c.HeightMM != 500 || c.Number != 8 || c.String() != "200 x 500 mm frame 8" {
		t.Fatalf("%+v, %v", c, c.String())
	}
	for corner, want := range [4][2]float64{{-67.5, -67.5}, {207.5, -67.5}, {207.5, 507.5}, {-67.5, 507.5}} {
		m, err := NewMark(c, corner)
		if err != nil || m.Corner() != corner {
			t.Fatalf("corner %d of %+v: %v", m.Corner(), m, err)
		}
		got, ok := m.PlacementMM()
		x, y := want[0], want[1]
		if ok && got != [4][2]float64{{x, y}, {x + 60, y}, {x + 60, y + 60}, {x, y + 60}} {
			t.Errorf("corner %d lies at %v, want %v and 60 mm on", corner, got, want)
		}
	}
	if MarkPlateMM != 75 || len(Classes()) != MarkCount()/4 {
		t.Errorf("plate of %g mm, %d frames for %d marks", MarkPlateMM, len(Classes()), MarkCount())
	}
}

// TestSizesOfFrames: metric frames have the area their row says, and those in
// inches and yards the size (25.4 mm an inch by definition).
func TestSizesOfFrames(t *testing.T) {
	area := []float64{.25, .25, 1, .1, .2090, .0929, .0625, .5, .1, .5, .3716, .8361, .25, .25} // square metres
	if len(area) != len(sizes) {
		t.Fatalf("%d sizes", len(sizes))
	}
	for i, s := range sizes {
		if got := s[0] * s[1] / 1e6; math.Abs(got/area[i]-1) > 3e-4 {
			t.Errorf("size %d, %g x %g mm, is of %g m2, want %g", i, s[0], s[1], got, area[i])
		}
	}
	for i, inches := range map[int]float64{4: 18, 5: 12, 10: 24, 11: 36} {
		if s := sizes[i]; s[0] != s[1] || math.Abs(s[0]-25.4*inches) > 1e-9 {
			t.Errorf("size %d is %v, want %g inches", i, s, inches)
		}
	}
}

func TestReadAloud(t *testing.T) {
	for want, l := range map[string]Label{"ALDR plot 101": {"ALDR", "101", 0}, "ALDR plot 101 quadrat 1": {"ALDR", "101", 1}} {
		if l.String() != want {
			t.Errorf("%+v is %q, want %q", l, l.String(), want)
		}
	}
	// The longest text fills what a card may hold and is read back.
	s, err := Encode(Label{"ZZZZ", "ABCDEF", 99})
	if err != nil || len(s) != MaxLen {
		t.Errorf("%q, %v", s, err)
	}
	if l, err := Decode(s); err != nil || l.Quadrat != 99 {
		t.Errorf("%q is read as %v, %v", s, l, err)
	}
}
