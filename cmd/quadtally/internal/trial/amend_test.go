package trial

import (
	"fmt"
	"strings"
	"testing"
)

const amendable = "trial: Alder Bend\nplot length: 10 m\nbed spacing: 1.5 m\nblocks: 4\ntreatment: RYE = rye; seeded 2025-06-03\ntreatment: BARE; control\nvisits: 2026-06-01, 2026-06-15, 2026-06-29\nquadrats per plot: 4\n"

// TestAmend: what may change changes, what would unmake the layout stays and
// says why.
func TestAmend(t *testing.T) {
	used := Used{PhotosAt: map[int]int{1: 60}, ValuesAt: map[int]int{2: 5}, Quadrats: 3}
	for _, c := range []struct {
		from, to string
		want     string // key effect, ...
		holds    string // a line of the merged plan
	}{
		{"", "frame pipe: 33 mm\n", "frame pipe remeasures", "frame pipe: 33 mm"},
		{"", "quadrat: 400 x 500 mm\n", "quadrat remeasures", "quadrat: 400 mm x 500 mm"},
		{"bed spacing: 1.5 m", "bed spacing: 1.6 m", "bed spacing recomputes", "bed spacing: 1.6 m"},
		{"", "end border: 1 m\n", "end border applies", "end border: 1 m"},
		{"", "class: nettle; broadleaf\n", "class applies", "class: nettle; broadleaf"},
		{"RYE = rye; seeded 2025-06-03", "RYE = winter rye; seeded 2025-06-04", "treatment applies", "treatment: RYE = winter rye; seeded 2025-06-04"},
		{"treatment: RYE", "treatment: RYES", "treatment refuses", "treatment: RYE = rye; seeded 2025-06-03"},
		{"", "treatment: OATS\n", "treatment refuses", ""},
		{"blocks: 4", "blocks: 5", "blocks refuses", "blocks: 4"},
		{"plot length: 10 m", "plot length: 12 m", "plot length refuses", "plot length: 10 m"},
		{"", "seed: 5\n", "seed refuses", "seed: 0"},
		{"", "tag: ABCD\n", "tag refuses", "tag: ALDE"},
		{"quadrats per plot: 4", "quadrats per plot: 3", "quadrats per plot applies", "quadrats per plot: 3"},
		{"quadrats per plot: 4", "quadrats per plot: 2", "quadrats per plot refuses", "quadrats per plot: 4"},
		{"2026-06-29", "2026-06-30", "visits applies", "visits: 2026-06-01, 2026-06-15, 2026-06-30"},
		{"2026-06-29", "2026-06-29, 2026-07-13", "visits applies", "visits: 2026-06-01, 2026-06-15, 2026-06-29, 2026-07-13"},
		{"2026-06-15", "2026-06-16", "visits asks", "visits: 2026-06-01, 2026-06-15, 2026-06-29"},
		{", 2026-06-29", "", "visits applies", "visits: 2026-06-01, 2026-06-15"},
		{", 2026-06-15, 2026-06-29", "", "visits refuses, visits refuses", "visits: 2026-06-01, 2026-06-15, 2026-06-29"},
		{"", "", "", ""},
		{"", "units: us\n", "units applies", "units: us"},
	} {
		text := amendable + c.to
		if c.from != "" {
			text = strings.Replace(amendable, c.from, c.to, 1)
		}
		old, wanted := planOf(t, amendable), planOf(t, text)
		merged, list := Amend(&old, &wanted, used, false)
		var got []string
		for _, a := range list {
			got = append(got, fmt.Sprintf("%s %s", a.Key, a.Effect))
			if (a.Effect == Refuses || a.Effect == Asks) != (a.Reason != "") || !strings.Contains(a.String(), "was ") {
				t.Errorf("%s", a)
			}
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("%q to %q: %v, want %s", c.from, c.to, got, c.want)
		}
		var b strings.Builder
		WritePlan(&b, &merged)
		if !strings.Contains(b.String(), c.holds+"\n") && c.holds != "" {
			t.Errorf("%q to %q: no line %q in\n%s", c.from, c.to, c.holds, b.String())
		}
	}
	old, wanted := planOf(t, amendable), planOf(t, strings.Replace(amendable, "2026-06-15", "2026-06-16", 1))
	if merged, list := Amend(&old, &wanted, used, true); merged.Visits[1].Day != 16 || list[0].Effect != Applies {
		t.Errorf("agreed: %v %v", merged.Visits, list)
	}
	wanted.Generator = "another"
	if merged, _ := Amend(&old, &wanted, used, true); merged.Generator != old.Generator {
		t.Error("the layout's generator changed")
	}
}

// TestEveryLayoutKeyIsKept: a key that is refused has its old value afterwards.
func TestEveryLayoutKeyIsKept(t *testing.T) {
	known := strings.Join(PlanKeys(), ",") + ","
	for key := range layoutKeys {
		if !strings.Contains(known, key+",") {
			t.Errorf("there is no key %q", key)
		}
	}
	old := planOf(t, "trial: A\ntag: AAAA\ndesign: incomplete blocks\nblocks: 6\nblock size: 2\ntreatment: A\ntreatment: B\ntreatment: C\ntreatment: D\nbeds: 8\nbeds per plot: 2\nbed spacing: 1.5 m\nsections: 3 x 9 m\nalley: 1 m\ncontrol length: 8 m\nseed: 3\n")
	wanted := planOf(t, "trial: A\ntag: BBBB\nblocks: 3\ntreatment: A\ntreatment: B\ntreatment: C\ntreatment: D\nbeds: 6\nbeds per plot: 1\nbed spacing: 1.5 m\nsections: 3 x 8 m\nspare: bed 1 section 1\nseed: 4\n")
	merged, list := Amend(&old, &wanted, Used{}, false)
	var a, b strings.Builder
	WritePlan(&a, &old)
	WritePlan(&b, &merged)
	if a.String() != b.String() || len(list) != len(layoutKeys) {
		t.Errorf("%d of %d keys refused\n%s\n%s", len(list), len(layoutKeys), a.String(), b.String())
	}
}

// TestReadPlan: keys that the file does not name stay.
func TestReadPlan(t *testing.T) {
	old := planOf(t, amendable+"class: nettle; broadleaf\nsoil: silt loam\n")
	for _, c := range []struct{ text, changed string }{
		{"", ""},
		{"frame pipe: 33 mm\n", "frame pipe"},
		{"class: dock; broadleaf\nclass: couch; grass\n", "class"},
		{"treatment: RYE = winter rye\ntreatment: BARE; control\n", "treatment"},
	} {
		wanted, faults := ReadPlan(old, strings.NewReader(c.text), "plan.txt")
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		_, list := Amend(&old, &wanted, Used{}, false)
		var keys []string
		for _, a := range list {
			keys = append(keys, a.Key)
		}
		if strings.Join(keys, ", ") != c.changed {
			t.Errorf("%q changes %v, want %s", c.text, list, c.changed)
		}
	}
	if len(old.Classes) != 1 || old.Classes[0].Name != "nettle" {
		t.Errorf("the old plan changed: %+v", old.Classes)
	}
}
