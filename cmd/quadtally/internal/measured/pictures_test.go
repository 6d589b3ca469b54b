package measured

import (
	"bytes"
	"errors"
	"image"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/season"
	"quadtally/vision"
)

// TestPicturesHaveNamesOfTheirOwn: photos of one name in two folders give two
// files, also where a third is called as the second would be; photos that were not measured or have no picture none, and a fault
// names its photo.
func TestPicturesHaveNamesOfTheirOwn(t *testing.T) {
	res := &vision.Result{}
	out := &season.Loose{Photos: []season.LoosePhoto{{Path: "a/x.jpg", Result: res}, {Path: "b/x.jpg", Result: res}, {Path: "c/y.jpg"}, {Path: "c/z.jpg", Result: res}, {Path: "d/x-2.jpg", Result: res}, {Path: "e/x-2.jpg", Result: res}}}
	var names []string
	put := func(name string, _ image.Image) error { names = append(names, name); return nil }
	n, err := Pictures(out, func(i int) (image.Image, error) {
		if i == 3 {
			return nil, nil
		}
		return image.NewGray(image.Rect(0, 0, 1, 1)), nil
	}, put)
	if err != nil || n != 4 || strings.Join(names, " ") != "x x-2 x-2-2 x-2-3" {
		t.Errorf("%d pictures %v: %v", n, names, err)
	}
	if _, err := Pictures(out, func(int) (image.Image, error) { return nil, errors.New("is too dark") }, put); err == nil || err.Error() != "a/x.jpg: is too dark" {
		t.Error(err)
	}
}

// TestFaultsAndJSON: photos with a fault are named, and each value is a line.
func TestFaultsAndJSON(t *testing.T) {
	why := "no frame"
	if got := Faults([]Line{{File: "a.jpg"}, {File: "b.jpg", Error: &why}}); len(got) != 1 || got[0] != "b.jpg: no frame" {
		t.Errorf("%q", got)
	}
	var b bytes.Buffer
	if err := WriteJSON(&b, "a<b", "c"); err != nil || b.String() != "\"a<b\"\n\"c\"\n" {
		t.Errorf("%q %v", b.String(), err)
	}
}
