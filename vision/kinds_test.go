package vision

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"slices"
	"testing"

	"quadtally/vision/classes"
	"quadtally/vision/frame"
)

// TestPNGKinds: one picture, stored in every form a PNG has, is one picture.
func TestPNGKinds(t *testing.T) {
	leaf, soil := color.NRGBA{70, 120, 45, 255}, color.NRGBA{120, 95, 70, 255}
	at := func(x, y int) color.NRGBA {
		if (x/5+y/7)%2 == 0 {
			return leaf
		}
		return soil
	}
	box := image.Rect(0, 0, 40, 30)
	kinds := map[string]interface {
		image.Image
		Set(x, y int, c color.Color)
	}{"opaque": image.NewRGBA(box), "with alpha": image.NewNRGBA(box), "16 bits": image.NewRGBA64(box), "16 bits with alpha": image.NewNRGBA64(box), "palette": image.NewPaletted(box, color.Palette{leaf, soil})}
	var first []byte
	for name, img := range kinds {
		for y := range 30 {
			for x := range 40 {
				img.Set(x, y, at(x, y))
			}
		}
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		r, f, _, err := Decode(b.Bytes(), 0)
		if err != nil || f != FormatPNG || r.Width != 40 || r.Height != 30 || r.ChromaWidth != 40 || r.Denom != 1 {
			t.Fatalf("%s: %+v, %v", name, f, err)
		}
		all := slices.Concat(r.Y, r.Cb, r.Cr)
		if first == nil {
			first = all
		}
		if !slices.Equal(all, first) {
			t.Errorf("%s gives other planes", name)
		}
		// Transparency is left aside, and parts of a picture are taken as such.
		if n, ok := img.(*image.NRGBA); ok {
			n.Pix[3] = 9
			if rgb := interleave(n); !slices.Equal(rgb[:3], []byte{70, 120, 45}) || len(rgb) != 3600 {
				t.Errorf("a clear pixel is %v", rgb[:3])
			}
			part := n.SubImage(image.Rect(0, 0, 6, 2))
			if rgb := interleave(part); len(rgb) != 36 || !slices.Equal(rgb[15:18], []byte{120, 95, 70}) {
				t.Errorf("a part of it is %v", rgb)
			}
		}
	}
	for name, img := range map[string]image.Image{"grey": image.NewGray(box), "16-bit grey": image.NewGray16(box)} {
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		if _, _, _, err := Decode(b.Bytes(), 0); err != errGrey {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestPiecesByClassByHand: a piece is of the class that most of it was sorted
// into, and specks are none.
func TestPiecesByClassByHand(t *testing.T) {
	p := drawnPlane(
		"####..##....",
		"####..##....",
		"............",
		"..........#.",
		"##..........",
		"##..........",
	)
	at := []int32{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}
	n := len(at)
	shape := make([]float32, n*len(classes.ShapeFeatures))
	l, err := classes.NewLooks(3, 12, 6, at[:8], []int32{0, 1, 2, 3, 4, 5, 6, 7}, []int32{0, 1, 2, 3, 4, 5, 6, 7}, make([]float32, 8*len(classes.LocalFeatures)), shape[:8*6], shape[:8*6])
	if err != nil {
		t.Fatal(err)
	}
	m := Measurement{Plane: p, Looks: l, Width: 24, Height: 12}
	g, err := m.Green(.12)
	if err != nil {
		t.Fatal(err)
	}
	// Blocks of three by three cells, four in a row. Of the first piece six cells
	// are of class 1 and two of class 0.
	s := &classes.Sorted{Classes: 3, Class: []uint8{1, 0, 2, 0, 0, 0, 0, 2}}
	for _, c := range []struct {
		mm   float64
		o    PieceOptions
		want []int
	}{
		{0, PieceOptions{MinCells: 1}, []int{1, 1, 2}}, {0, PieceOptions{MinCells: 2}, []int{1, 1, 1}}, {0, PieceOptions{MinCells: 5}, []int{0, 1, 0}}, {0, PieceOptions{MinAreaMM2: 99}, []int{1, 1, 2}},
		{2, PieceOptions{MinAreaMM2: 4, MinCells: 99}, []int{1, 1, 2}}, {2, PieceOptions{MinAreaMM2: 4.1}, []int{1, 1, 1}}, {2, PieceOptions{MinAreaMM2: 32.1}, []int{0, 0, 0}},
	} {
		p.MMPerCell = c.mm
		got, err := m.PiecesByClass(.12, c.o, g, s)
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("cells of %g mm, %+v: %v, %v; want %v", c.mm, c.o, got, err, c.want)
		}
	}
	// The picture of classes: each cell is two pixels, green of class c has code[c].
	p.ToPhoto = frame.Homography{2, 0, 0, 0, 2, 0, 0, 0, 1}
	p.Levels[0] = Outside
	img, err := ClassPicture(m, .12, g, s, []uint8{50, 100, 150})
	if err != nil {
		t.Fatal(err)
	}
	for y := range 12 {
		for x := range 24 {
			want := uint8(0)
			if v := p.Levels[y/2*12+x/2]; v > 0 && v != Outside {
				want = 50 * (1 + s.Class[y/2/3*4+x/2/3])
			}
			if got := img.GrayAt(x, y).Y; got != want {
				t.Fatalf("pixel (%d, %d) is %d, want %d", x, y, got, want)
			}
		}
	}
	p.ToPhoto = frame.Homography{2, 0, -2, 0, 2, 2, 0, 0, 1} // a cell to the left, and one down
	if img, err = ClassPicture(m, .12, g, s, []uint8{50, 100, 150}); err != nil || img.GrayAt(0, 1).Y != 0 || img.GrayAt(1, 2).Y != 100 || img.GrayAt(23, 6).Y != 0 || img.GrayAt(11, 3).Y != 150 {
		t.Errorf("moved: %d %d %d %d, %v", img.GrayAt(0, 1).Y, img.GrayAt(1, 2).Y, img.GrayAt(23, 6).Y, img.GrayAt(11, 3).Y, err)
	}
}

// TestStatedPrior: a stated typical threshold takes the place of the index's own.
func TestStatedPrior(t *testing.T) {
	c := Curve{Index: IndexSoftExG}
	c.Counts[100] = 1000 // one flat colour tells nothing
	o := plain()
	v := .155
	o.Prior = &v
	th, err := VisitThreshold([]Curve{c}, o)
	if err != nil || math.Abs(th.Value-.155) > 1e-9 || th.Prior != .155 || th.Weight != 0 || th.Photos != 1 {
		t.Errorf("%+v, %v", th, err)
	}
	v = .3
	if th, err := VisitThreshold([]Curve{c}, o); err != nil || th.Value != .2 || !th.Guarded {
		t.Errorf("beyond the guard: %+v, %v", th, err)
	}
	o.Prior = nil
	if th, err := VisitThreshold([]Curve{c}, o); err != nil || th.Value != .12 || th.Guarded {
		t.Errorf("%+v, %v", th, err)
	}
}
