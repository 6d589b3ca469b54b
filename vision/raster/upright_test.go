package raster

import "testing"

// TestUprightByHand: where a place of a stored picture of 100 x 50 samples, of a
// photo of 400 x 250 pixels, is seen, and how large the photo is, as EXIF (CIPA
// DC-008, tag 0x0112) defines the orientations.
func TestUprightByHand(t *testing.T) {
	p := Point{10, 20} // 40 pixels from the left, 100 from the top
	for o, want := range map[int]struct {
		at   Point
		w, h int
	}{
		0: {Point{40, 100}, 400, 250}, 1: {Point{40, 100}, 400, 250}, 2: {Point{360, 100}, 400, 250}, 3: {Point{360, 150}, 400, 250}, 4: {Point{40, 150}, 400, 250},
		5: {Point{100, 40}, 250, 400}, 6: {Point{150, 40}, 250, 400}, 7: {Point{150, 360}, 250, 400}, 8: {Point{100, 360}, 250, 400},
	} {
		r := Raster{Width: 100, Height: 50, FullWidth: 400, FullHeight: 250, Denom: 4, Orientation: o}
		if got := r.ToUpright(p); got != want.at {
			t.Errorf("orientation %d: seen at %v, want %v", o, got, want.at)
		}
		if got := r.FromUpright(want.at); got != p {
			t.Errorf("orientation %d: %v is stored at %v, want %v", o, want.at, got, p)
		}
		if w, h := r.UprightSize(); w != want.w || h != want.h {
			t.Errorf("orientation %d: %d x %d, want %d x %d", o, w, h, want.w, want.h)
		}
	}
}

// TestSized: memory is kept where it is large enough.
func TestSized(t *testing.T) {
	var buf []int
	a := Sized(&buf, 5)
	a[4] = 7
	if b := Sized(&buf, 3); len(b) != 3 || &b[0] != &a[0] || len(buf) != 3 {
		t.Errorf("a smaller one of %d is not in the same memory", len(b))
	}
	if b := Sized(&buf, 5); len(b) != 5 || b[4] != 7 {
		t.Errorf("as much again gives %v", b)
	}
	if b := Sized(&buf, 6); len(b) != 6 || &b[0] == &a[0] {
		t.Errorf("more than there is gives %d", len(b))
	}
}
