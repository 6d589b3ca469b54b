package wording

import "testing"

func TestPlural(t *testing.T) {
	for want, c := range map[string]struct {
		n    int
		noun string
	}{"1 key": {1, "key"}, "2 keys": {2, "key"}, "3 days": {3, "day"}, "2 entries": {2, "entry"}, "0 plots": {0, "plot"}, "4 classes": {4, "class"}, "2 batches": {2, "batch"}, "2 queries": {2, "query"}} {
		if got := Plural(c.n, c.noun); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestNumber(t *testing.T) {
	for want, c := range map[string]struct {
		v      float64
		digits int
	}{"1000": {1000, 3}, "0.001": {0.001, 3}, "1230": {1234, 3}, "0.00123": {0.0012345, 3}, "5": {5.0000001, 6}, "-2.5": {-2.5, 6}, "0": {0, 3}} {
		if got := Number(c.v, c.digits); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
