package reviewdata

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/trial"
)

func TestCountedClasses(t *testing.T) {
	named := trial.Trial{Classes: []trial.Class{{Name: "barnyardgrass", Group: "grass", Life: "annual"}, {Name: "broadleaf"}}}
	for _, c := range []struct {
		trial  trial.Trial
		stored []string
		want   []string
	}{
		{trial.Trial{}, nil, []string{"broadleaf", "grass", "sedge"}},
		{trial.Trial{}, []string{"broadleaf", "grass"}, []string{"broadleaf", "grass"}},
		{named, nil, []string{"barnyardgrass", "broadleaf"}},
		{named, []string{"Broad-leaf", "sedge"}, []string{"barnyardgrass", "broadleaf", "sedge"}},
	} {
		if got := countedClasses(&c.trial, c.stored); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v: %v, want %v", c.stored, got, c.want)
		}
	}
}

func TestCountsOf(t *testing.T) {
	snap := &record.Snapshot{Trial: trial.Trial{Classes: []trial.Class{{Name: "barnyardgrass", Group: "grass", Life: "annual"}, {Name: "grass", Group: "grass"}}},
		Observations: []record.Observation{{Variable: record.VarCount, Class: "Nutsedge", Group: "sedge", Life: "perennial"}, {Variable: record.VarCover, Class: "moss"}}}
	got, words, err := countsOf(snap, []review.ClassCount{{Class: "Barnyard grass", Plants: 3}, {Class: "nutsedge", Plants: 0}, {Class: "GRASS", Plants: 1}, {Class: "dock", Plants: 2}},
		record.Observation{Plot: "101", Observer: "Ada"})
	want := []record.Observation{
		{Plot: "101", Observer: "Ada", Variable: record.VarCount, Class: "barnyardgrass", Group: "grass", Life: "annual", Value: 3, Unit: "plants"},
		{Plot: "101", Observer: "Ada", Variable: record.VarCount, Class: "Nutsedge", Group: "sedge", Life: "perennial", Unit: "plants"},
		{Plot: "101", Observer: "Ada", Variable: record.VarCount, Class: "grass", Value: 1, Unit: "plants"},
		{Plot: "101", Observer: "Ada", Variable: record.VarCount, Class: "dock", Value: 2, Unit: "plants"},
	}
	if err != nil || !reflect.DeepEqual(got, want) || words != "barnyardgrass 3, Nutsedge 0, grass 1, dock 2" {
		t.Errorf("%+v %q %v", got, words, err)
	}
	// A Cyrillic a and e look like Latin ones.
	_, _, err = countsOf(snap, []review.ClassCount{{Class: "gr\u0430ss", Plants: 1}}, record.Observation{})
	if !errors.As(err, new(review.Refusal)) || !strings.Contains(err.Error(), "looks like the class grass") {
		t.Errorf("a look-alike: %v", err)
	}
}
