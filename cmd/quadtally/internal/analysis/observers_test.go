package analysis

import (
	"math"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
)

func TestObservers(t *testing.T) {
	count := func(quadrat int, class, by string, n float64, beside bool) record.Observation {
		return record.Observation{Plot: "101", Quadrat: quadrat, Visit: 1, Variable: record.VarCount, Class: class, Value: n, Observer: by, Beside: beside}
	}
	snap := &record.Snapshot{
		Observations: []record.Observation{
			count(1, "grass", "Ada", 4, false), count(1, "broadleaf", "Ada", 10, false),
			count(2, "grass", "Ada", 1, false), count(2, "broadleaf", "Ada", 5, false),
			count(3, "grass", "Ada", 8, false), count(4, "grass", "", 2, false),
		},
		Beside: []record.Observation{
			count(1, "Grass", "Ben", 6, true), count(1, "broadleaf", "Ben", 9, true), // 14 and 15
			count(2, "grass", "ben", 1, true),     // broadleaf was not looked for: 1 and 1
			count(3, "grass", "Ben", 3, true),     // 8 and 3
			count(3, "broadleaf", "Ben", 3, true), // Ada did not look for it
			count(4, "grass", "Ben", 2, true), count(9, "grass", "Ben", 2, true),
		}}
	snap.Observations = append(snap.Observations, record.Observation{Plot: "101", Quadrat: 9, Visit: 1, Variable: record.VarCount, Class: "grass", Missing: true})
	got := Observers(snap)
	if len(got) != 2 {
		t.Fatalf("%+v", got)
	}
	p := got[0]
	// Differences 1, 0 and -5: mean -4/3, sum of squares 26 - 3*(16/9).
	if p.InForce != "Ada" || p.Quadrats != 3 || math.Abs(p.MeanInForce-23.0/3) > 1e-12 || math.Abs(p.Difference+4.0/3) > 1e-12 || p.SD == nil ||
		math.Abs(*p.SD-math.Sqrt((26-16.0/3)/2)) > 1e-12 || p.Most != 5 || p.At.Quadrat != 3 {
		t.Errorf("%+v", p)
	}
	if q := got[1]; q.InForce != "somebody unnamed" || q.Quadrats != 1 || q.SD != nil || q.Difference != 0 {
		t.Errorf("%+v", q)
	}
}

// Names and values of two people are the same whatever the spelling, quadrat by
// quadrat.
func TestObserversBySpelling(t *testing.T) {
	count := func(class, by string, n float64, beside bool) record.Observation {
		return record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: record.VarCount, Class: class, Value: n, Observer: by, Beside: beside}
	}
	snap := &record.Snapshot{
		Observations: []record.Observation{count("grass", "Ada", 4, false), count("broadleaf", "ada", 10, false)},
		Beside:       []record.Observation{count("grass", "Ben", 6, true), count("broadleaf", "BEN", 9, true)}}
	got := Observers(snap)
	if len(got) != 1 || got[0].InForce != "Ada" || got[0].Beside != "Ben" || got[0].Quadrats != 1 || got[0].MeanInForce != 14 || got[0].MeanBeside != 15 {
		t.Errorf("%+v", got)
	}
}
