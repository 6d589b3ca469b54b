package trial

import (
	"slices"
	"testing"
)

func TestNamesCompare(t *testing.T) {
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{"broad-leaf", "Broadleaf", true}, {"BROAD LEAF", "broad_leaf", true}, {"caf\u00e9", "cafe\u0301", true}, {"\uff32\uff39\uff25", "rye", true},
		{"STRAW", "STRAWW", false}, {"1-2", "12", false}, {"1-2", "1 2", true}, {"1.2", "1-2", true}, {"P-1", "p1", true}, {"007", "7", false}, {"bare\u00a0", "BARE", true},
		{"gr\u0430ss", "grass", false},
	} {
		if got := NameKey(c.a) == NameKey(c.b); got != c.same {
			t.Errorf("%q and %q: one name %v, want %v", c.a, c.b, got, c.same)
		}
	}
	if Skeleton("gr\u0430ss") != Skeleton("grass") || Skeleton("\u0412ARE") != Skeleton("bare") || Skeleton("moss") == Skeleton("mass") {
		t.Error("letters of another alphabet that look alike")
	}
	if got := Scripts("gr\u0430ss"); !slices.Equal(got, []string{"Cyrillic", "Latin"}) {
		t.Errorf("scripts %v", got)
	}
}

func TestFindClass(t *testing.T) {
	list := (&Trial{}).PlantClasses()
	if c, _, ok := FindClass(list, "Broad leaf"); !ok || c.Name != "broadleaf" {
		t.Errorf("%+v %v", c, ok)
	}
	if _, like, ok := FindClass(list, "gr\u0430ss"); ok || like.Name != "grass" {
		t.Errorf("%+v %v", like, ok)
	}
	if _, like, ok := FindClass(list, "chickweed"); ok || like.Name != "" {
		t.Error("a class that is not there")
	}
}
