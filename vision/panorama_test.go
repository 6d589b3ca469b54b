package vision

import (
	"encoding/binary"
	"slices"
	"testing"
)

// TestPanorama: a photo that is stitched asks for an eye, by its shape, its XMP
// or its EXIF block; an ordinary one does not.
func TestPanorama(t *testing.T) {
	photo := discs(5, 40, 400, 300, 1).jpeg(t, 90)
	segment := func(body string) []byte {
		out := append([]byte{}, photo[:2]...)
		out = append(out, 0xFF, 0xE1)
		out = binary.BigEndian.AppendUint16(out, uint16(len(body)+2))
		return append(append(out, body...), photo[2:]...)
	}
	// A first directory with the place of the EXIF one, and that with CustomRendered.
	rendered := func(v byte) string {
		return "Exif\x00\x00MM\x00*\x00\x00\x00\x08" +
			"\x00\x01\x87\x69\x00\x04\x00\x00\x00\x01\x00\x00\x00\x1a\x00\x00\x00\x00" +
			"\x00\x01\xa4\x01\x00\x03\x00\x00\x00\x01\x00" + string([]byte{v}) + "\x00\x00\x00\x00\x00\x00"
	}
	for _, c := range []struct {
		name  string
		photo []byte
		want  bool
	}{
		{"ordinary", photo, false},
		{"19.5 to 9", discs(5, 40, 650, 300, 1).jpeg(t, 90), false},
		{"long", discs(5, 40, 720, 300, 1).jpeg(t, 90), true},
		{"tall", discs(5, 40, 300, 720, 1).jpeg(t, 90), true},
		{"XMP", segment("http://ns.adobe.com/xap/1.0/\x00<x GPano:ProjectionType='cylindrical'/>"), true},
		{"EXIF", segment(rendered(6)), true},
		{"EXIF of high dynamic range", segment(rendered(3)), false},
		{"EXIF cut short", segment(rendered(6)[:40]), false},
	} {
		m, err := Measure(c.photo, plain())
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		got := slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagPanorama && f.Severity == MustLook })
		if got != c.want {
			t.Errorf("%s: panorama %v, want %v", c.name, got, c.want)
		}
	}
}

// TestPaleGround: much counted as green of which little looks so asks for an
// eye.
func TestPaleGround(t *testing.T) {
	s := scales[IndexSoftExG]
	for looks, want := range map[float64]bool{0.10: true, 0.15: false} {
		m := Measurement{Index: IndexSoftExG, Curve: Curve{Index: IndexSoftExG}, Quality: Quality{GreenFrac: looks},
			Plane: &Plane{Index: IndexSoftExG, Width: 1, Height: 1, Levels: []uint8{0}}}
		m.Curve.Counts[s.nearest(0)], m.Curve.Counts[s.nearest(.4)] = 7000, 3000
		th, err := HandThreshold(IndexSoftExG, .12)
		if err != nil {
			t.Fatal(err)
		}
		r, err := AtThreshold(m, th, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if NeedsEye(r.Flags) != want {
			t.Errorf("%g of the ground looks green of 0.3 counted: flags %+v", looks, r.Flags)
		}
	}
}
