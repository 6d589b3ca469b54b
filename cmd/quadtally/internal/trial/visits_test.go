package trial

import (
	"slices"
	"strings"
	"testing"
)

// TestChangeVisits: visits keep their numbers, and a change that is refused
// changes nothing.
func TestChangeVisits(t *testing.T) {
	d := func(s string) Date {
		v, err := ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct {
		add, move []string
		want      string
		says      string
	}{
		{nil, nil, "2025-06-14 2025-06-28", ""},
		{[]string{"2025-07-05"}, nil, "2025-06-14 2025-06-28 2025-07-05", ""},
		{[]string{"2025-06-01"}, nil, "2025-06-14 2025-06-28 2025-06-01", ""}, // a new number, whatever the date
		{nil, []string{"2=2025-07-01"}, "2025-06-14 2025-07-01", ""},
		{[]string{"2025-06-28"}, []string{"2=2025-07-01"}, "2025-06-14 2025-07-01 2025-06-28", ""},
		{[]string{"2025-06-28"}, nil, "", "visits 2 and 3 would both be on 2025-06-28"},
		{[]string{"2025-13-01"}, nil, "", "--add"},
		{[]string{"2026-06-01"}, nil, "", "outside the season"},
		{nil, []string{"3=2025-07-01"}, "", "from 1 to 2"},
		{nil, []string{"0=2025-07-01"}, "", "from 1 to 2"},
		{nil, []string{"2x=2025-07-01"}, "", "NUMBER=DATE"},
		{nil, []string{"2025-07-01"}, "", "NUMBER=DATE"},
		{nil, []string{"2=July"}, "", "--move"},
	} {
		tr := Trial{Visits: []Date{d("2025-06-14"), d("2025-06-28")}, SeasonStart: d("2025-04-01"), SeasonEnd: d("2025-10-31")}
		before := slices.Clone(tr.Visits)
		err := tr.ChangeVisits(c.add, c.move)
		if c.says != "" {
			if err == nil || !strings.Contains(err.Error(), c.says) || !slices.Equal(tr.Visits, before) {
				t.Errorf("add %v, move %v: %v, visits %v", c.add, c.move, err, tr.Visits)
			}
			continue
		}
		var got []string
		for _, v := range tr.Visits {
			got = append(got, v.String())
		}
		if err != nil || strings.Join(got, " ") != c.want {
			t.Errorf("add %v, move %v: %v %v", c.add, c.move, got, err)
		}
	}
}

// TestSetLines: lines of one key go together, in place of what it had.
func TestSetLines(t *testing.T) {
	for _, c := range []struct {
		lines      []string
		site, soil string
		says       string
	}{
		{nil, "old", "old", ""},
		{[]string{"site: Alder Bend", " Soil : silt: loam "}, "Alder Bend", "silt: loam", ""},
		{[]string{"site"}, "", "", "write it as a line of the plan"},
		{[]string{"site:"}, "", "", "write it as a line of the plan"},
		{[]string{"blocks: many"}, "", "", "blocks: "},
		{[]string{"no such key: 1"}, "", "", "no such key"},
	} {
		tr := Trial{Site: "old", Soil: "old"}
		err := tr.SetLines(c.lines)
		if c.says != "" {
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q: %v", c.lines, err)
			}
		} else if err != nil || tr.Site != c.site || tr.Soil != c.soil {
			t.Errorf("%q: %q, %q, %v", c.lines, tr.Site, tr.Soil, err)
		}
	}
	tr := Trial{Treatments: []Treatment{{Code: "OLD"}}}
	if err := tr.SetLines([]string{"treatment: BARE; control", "treatment: RYE"}); err != nil || len(tr.Treatments) != 2 || tr.Treatments[1].Code != "RYE" {
		t.Errorf("%v: %v", tr.Treatments, err)
	}
}

// TestDescriptions: each key that only describes gives back what it was set to.
func TestDescriptions(t *testing.T) {
	var tr Trial
	keys := DescriptionKeys()
	for _, key := range keys {
		if err := tr.Set(key, "about "+key); err != nil {
			t.Fatal(err)
		}
	}
	got := tr.Descriptions()
	if len(got) != len(keys) {
		t.Fatalf("%d values for %d keys", len(got), len(keys))
	}
	for i, key := range keys {
		if got[i] != "about "+key {
			t.Errorf("%s: %q", key, got[i])
		}
	}
}

// TestDrawSeed: never 0, short enough to copy, and not the same twice.
func TestDrawSeed(t *testing.T) {
	seen := map[uint64]bool{}
	for range 200 {
		s, err := DrawSeed()
		if err != nil || s == 0 || s > 999_999_999 {
			t.Fatal(s, err)
		}
		seen[s] = true
	}
	if len(seen) < 199 {
		t.Errorf("%d different seeds of 200", len(seen))
	}
}
