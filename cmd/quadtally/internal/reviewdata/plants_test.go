package reviewdata

import (
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
)

// TestOnePlantAPhoto: whatever is least sure, each photo is asked about once
// before any is asked about again, and never twice running.
func TestOnePlantAPhoto(t *testing.T) {
	b := New(t.Context(), nil, "Ada")
	photos := []*record.Photo{{}, {}, {}, {}}
	for i, p := range photos {
		p.Hash = string(rune('a' + i))
	}
	last := ""
	for round := range 3 {
		seen := map[string]bool{}
		for i := range photos {
			// The least sure plant lies now in this photo, now in that one.
			var asks []season.PlantAsk
			for k := range photos {
				asks = append(asks, season.PlantAsk{Photo: photos[(i*3+k+round)%len(photos)]})
			}
			got := b.nextAsk(2, last, asks).Photo.Hash
			if got == last || seen[got] {
				t.Errorf("round %d: photo %s again, after %s", round, got, last)
			}
			seen[got] = true
			last = got
		}
	}
	// A single photo is better than none.
	one := []season.PlantAsk{{Photo: photos[0]}}
	for range 2 {
		if got := b.nextAsk(3, "a", one).Photo.Hash; got != "a" {
			t.Errorf("%q", got)
		}
	}
}

// TestClassesOfThePage: a class goes to the page and comes back as it was, and
// none that the trial does not know is taken.
func TestClassesOfThePage(t *testing.T) {
	snap := &record.Snapshot{Trial: trial.Trial{Classes: []trial.Class{{Name: "fat hen", Group: "broadleaf"}, {Name: "grass", Group: "grass"}}},
		Named: []record.NamedPlant{{Plant: record.Plant{Class: record.PlantClass{Name: "leek", Role: "crop"}}}, {Plant: record.Plant{Class: record.PlantClass{Name: "weed", Role: "weed"}}}}}
	list := plantClasses(snap)
	if len(list) != 7 {
		t.Fatalf("%+v", list)
	}
	for _, c := range list {
		stored, err := classOfPage(snap, c.Class)
		if err != nil || onPage(stored) != c.Class || wordsOf(stored) != c.Name {
			t.Errorf("%+v: %+v %v", c, stored, err)
		}
	}
	if c, err := classOfPage(snap, "weed:fat hen"); err != nil || c != (record.PlantClass{Name: "fat hen", Role: "weed"}) {
		t.Errorf("%+v %v", c, err)
	}
	for _, bad := range []review.Class{"", "tree", "weed:tree", "crop:fat hen", review.LeftOut} {
		if c, err := classOfPage(snap, bad); err == nil {
			t.Errorf("%q became %+v", bad, c)
		}
	}
}
