package season

import (
	"slices"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

// TestPlantVisitsWithoutPhotos: a visit whose photos are all to be measured anew
// keeps its names and answers in sight, and lacks photos, not check points.
func TestPlantVisitsWithoutPhotos(t *testing.T) {
	weed, crop := record.PlantClass{Name: "weed", Role: "weed"}, record.PlantClass{Name: "crop", Role: "crop"}
	snap := &record.Snapshot{}
	for _, hash := range []string{"aaaaaaaa", "bbbbbbbb"} {
		snap.Photos = append(snap.Photos, record.Photo{PhotoFacts: record.PhotoFacts{Hash: hash, Path: hash + ".jpg"},
			Place: record.Place{State: record.PlaceKnown, Plot: "101", Quadrat: 1, Visit: 2}})
		snap.Named = append(snap.Named, record.NamedPlant{Plant: record.Plant{Class: weed}, Hash: hash}, record.NamedPlant{Plant: record.Plant{X: 9, Class: crop}, Hash: hash})
		for i := range 50 {
			snap.Checks = append(snap.Checks, record.CheckPoint{Check: record.Check{X: float64(i), Class: &weed}, Hash: hash})
		}
	}
	got := PlantVisits(snap)
	if len(got) != 1 || got[0].Visit != 2 || got[0].Photos != 0 || got[0].Named["weed"] != 2 || got[0].Done != 100 || !slices.Equal(got[0].Lacks, []record.PlantsLacking{record.LackPhotos}) {
		t.Fatalf("%+v", got)
	}
	snap.Photos[0].Result = &record.Result{CoverFrac: 0.1}
	snap.Photos[0].HasLooks = true
	if got = PlantVisits(snap); got[0].Photos != 1 || slices.Contains(got[0].Lacks, record.LackChecks) {
		t.Errorf("one photo is in use: %+v", got)
	}
	if got := snap.PlantsLack(2); !slices.Equal(got, []record.PlantsLacking{record.LackSorting, record.LackPlots}) {
		t.Errorf("lacking %v", got)
	}
}
