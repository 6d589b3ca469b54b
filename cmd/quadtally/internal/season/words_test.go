package season

import (
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

// TestOneThingIsSaid: fields that are set are counted, whatever is in them.
func TestOneThingIsSaid(t *testing.T) {
	for _, c := range []struct {
		w Word
		n int
	}{
		{Word{}, 0}, {Word{Accept: true}, 1}, {Word{TakeBack: true}, 1}, {Word{SetAside: "boot"}, 1}, {Word{Place: &record.Place{}}, 1},
		{Word{Accept: true, SetAside: "boot"}, 2}, {Word{Place: &record.Place{}, Accept: true, SetAside: "boot", TakeBack: true}, 4},
	} {
		if n := c.w.Count(); n != c.n {
			t.Errorf("%+v: %d, want %d", c.w, n, c.n)
		}
	}
}

// TestFilesThatAreWrong: changed and gone files are counted; no check found none.
func TestFilesThatAreWrong(t *testing.T) {
	for _, c := range []struct {
		f *FileCheck
		n int
	}{{nil, 0}, {&FileCheck{Sound: 3}, 0}, {&FileCheck{Changed: make([]Question, 2), Gone: []string{"a"}}, 3}} {
		if n := c.f.Wrong(); n != c.n {
			t.Errorf("%+v: %d, want %d", c.f, n, c.n)
		}
	}
}
