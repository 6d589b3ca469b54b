package analysis

import (
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

func TestLead(t *testing.T) {
	can := func(key Key, role Role) Outcome {
		return Outcome{Response: Response{Key: key, Role: role}, Overall: Answer{Comparison: Comparison{Analysis: &stats.Analysis{}}}}
	}
	cannot := func(key Key, role Role) Outcome {
		return Outcome{Response: Response{Key: key, Role: role}, Overall: Answer{Refusal: "there is none"}}
	}
	classOf := can(HandCount, Weeds)
	classOf.Class = "grass"
	for name, c := range map[string]struct {
		plan                                string
		list                                []Outcome
		primary, weeds, count, cover, yield Key // "" for none
	}{
		"all":                        {"", []Outcome{can(GreenCover, Green), classOf, can(HandCount, Weeds), can(Yield, Crop), can(WeedCover, Weeds)}, HandCount, HandCount, HandCount, WeedCover, Yield},
		"weed cover refused":         {"", []Outcome{can(GreenCover, Green), can(HandCount, Weeds), cannot(WeedCover, Weeds), can(Yield, Crop)}, HandCount, HandCount, HandCount, GreenCover, Yield},
		"camera only":                {"", []Outcome{can(GreenCover, Green), cannot(HandCount, Weeds), cannot(Yield, Crop)}, GreenCover, GreenCover, HandCount, GreenCover, Yield},
		"camera only, plants named":  {"", []Outcome{can(GreenCover, Green), cannot(HandCount, Weeds), can(WeedCover, Weeds)}, WeedCover, WeedCover, HandCount, WeedCover, ""},
		"by eye":                     {"", []Outcome{cannot(GreenCover, Green), cannot(HandCount, Weeds), can(HandCover, Green), can(HandWeedCover, Weeds)}, HandWeedCover, HandWeedCover, HandCount, HandWeedCover, ""},
		"yield only":                 {"", []Outcome{cannot(GreenCover, Green), cannot(HandCount, Weeds), can(Yield, Crop)}, Yield, "", HandCount, GreenCover, Yield},
		"nothing":                    {"", []Outcome{cannot(GreenCover, Green), cannot(HandCount, Weeds)}, GreenCover, "", HandCount, GreenCover, ""},
		"the plan names yield":       {"yield", []Outcome{can(GreenCover, Green), can(HandCount, Weeds), can(Yield, Crop)}, Yield, HandCount, HandCount, GreenCover, Yield},
		"the plan names green cover": {"cover", []Outcome{can(GreenCover, Green), can(HandCount, Weeds), can(Yield, Crop)}, GreenCover, GreenCover, HandCount, GreenCover, Yield},
		"the plan's is refused":      {"weed-cover", []Outcome{can(GreenCover, Green), can(HandCount, Weeds), cannot(WeedCover, Weeds)}, WeedCover, HandCount, HandCount, GreenCover, ""},
		"none at all":                {},
	} {
		got := Lead(&trial.Trial{Primary: c.plan}, c.list)
		for what, x := range map[string]struct {
			i    int
			want Key
		}{"primary": {got.Primary, c.primary}, "weeds": {got.Weeds, c.weeds}, "count": {got.Count, c.count}, "cover": {got.Cover, c.cover}, "yield": {got.Yield, c.yield}} {
			var key Key
			if x.i >= 0 {
				key = c.list[x.i].Key
				if c.list[x.i].Class != "" {
					key += " of a class"
				}
			}
			if key != x.want {
				t.Errorf("%s: %s is %q, want %q", name, what, key, x.want)
			}
		}
	}
}

// The weight of a harvest is called what was weighed.
func TestYieldIsCalledWhatWasWeighed(t *testing.T) {
	for classes, want := range map[[2]string]string{
		{"marketable", "cull"}: "marketable yield", {"total", "cull"}: "marketable yield", {"total", "marketable"}: "marketable yield", {"total", "total"}: "ungraded total yield",
	} {
		snap := &record.Snapshot{Trial: trial.Trial{Ground: trial.Ground{BedSpacingMM: 1800}}}
		for i, class := range classes {
			snap.Observations = append(snap.Observations, record.Observation{Plot: string(rune('a' + i)), Variable: record.VarYield, Class: class, Value: 3, LengthMM: 5000})
		}
		for key, more := range map[Key]string{Yield: "", YieldPerBed: " per length of bed"} {
			r, err := Find(snap, string(key), "")
			if err != nil || r.Label != want+more {
				t.Errorf("%v, %s: %q, want %q (%v)", classes, key, r.Label, want+more, err)
			}
		}
	}
	if r, err := Find(&record.Snapshot{}, "yield", ""); err != nil || r.Label != "marketable yield" {
		t.Errorf("nothing weighed: %q, %v", r.Label, err)
	}
}
