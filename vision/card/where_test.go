package card

import (
	"image"
	"testing"

	"quadtally/vision/raster"
)

// TestWhere: a card that can be read is shown, and one too much out of focus
// for that is still among what is shown, in most scenes.
func TestWhere(t *testing.T) {
	unread := 0
	for seed := range uint64(3) {
		s, _ := cardScene(t, seed, 90)
		r, _ := s.Render(1000, 750)
		got, err := Find(r, DefaultOptions())
		if err != nil || len(got.Cards) != 1 {
			t.Fatalf("scene %d: %d cards, %v", seed, len(got.Cards), err)
		}
		at := got.Cards[0].Code.Centre()
		holds := func(q Region) bool { return image.Pt(int(at.X), int(at.Y)).In(q.Box) }
		shown, err := Where(r, DefaultOptions(), 3, nil)
		if err != nil || len(shown) == 0 || !shown[0].Read || !holds(shown[0]) {
			t.Errorf("scene %d: %+v %v, the code is at %v", seed, shown, err, at)
		}
		side := got.Cards[0].ModulePx * modules
		if b := shown[0].Box; float64(b.Dx()) < 1.5*side || float64(b.Dx()) > 4*side {
			t.Errorf("scene %d: %v shows a code of %.0f pixels", seed, b, side)
		}

		s.Blur = got.Cards[0].ModulePx
		r, _ = s.Render(1000, 750)
		if got, _ := Find(r, DefaultOptions()); len(got.Cards) > 0 {
			t.Fatalf("scene %d: read though out of focus", seed)
		}
		shown, err = Where(r, DefaultOptions(), 3, nil)
		seen := false
		for _, q := range shown {
			seen = seen || holds(q)
			if q.Read {
				t.Errorf("scene %d: %v counts as read", seed, q)
			}
		}
		if err != nil || len(shown) > 3 {
			t.Errorf("scene %d out of focus: %v %v", seed, shown, err)
		}
		if seen {
			unread++
		}
		if shown, _ := Where(r, DefaultOptions(), 3, func(image.Rectangle) bool { return true }); len(shown) > 0 {
			t.Errorf("scene %d: skipped regions are shown: %v", seed, shown)
		}
	}
	if unread < 2 { // the level reached
		t.Errorf("%d of 3 cards out of focus are shown", unread)
	}
	if _, err := Where(&raster.Raster{}, DefaultOptions(), 3, nil); err == nil {
		t.Error("no picture has regions")
	}
}
