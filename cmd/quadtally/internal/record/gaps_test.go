package record

import (
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

// TestClassGaps: which classes are not known in all quadrats of a visit, and
// whether totals can be made without them.
func TestClassGaps(t *testing.T) {
	// One row a quadrat: visit, then class=count; "." is marked missing.
	quadrats := func(rows ...string) (list []Observation) {
		for i, row := range rows {
			f := strings.Fields(row)
			for _, cell := range f[1:] {
				name, count, _ := strings.Cut(cell, "=")
				class, group, _ := strings.Cut(name, "/")
				o := Observation{Plot: fmt.Sprint(101 + i), Quadrat: 1, Visit: int(f[0][0] - '0'), Variable: VarCount, Class: class, Group: group, Missing: count == "."}
				if class == "total" {
					o.Class = ""
				}
				list = append(list, o)
			}
		}
		return list
	}
	grassland := []trial.Class{{Name: "broadleaf"}, {Name: "grass"}}
	for _, c := range []struct {
		name    string
		list    []Observation
		planned []trial.Class
		among   string
		want    string // class@visit known/quadrats, "-" where totals are without it
	}{
		{"all in all", quadrats("1 grass=1 broadleaf=2", "1 grass=0 broadleaf=2"), grassland, "", ""},
		{"one class of two of the plan", quadrats("1 grass=1", "1 grass=0"), grassland, "", "broadleaf@1 0/2-"},
		{"without a plan one class is no gap", quadrats("1 grass=1", "1 grass=0"), nil, "", ""},
		{"another class at the second visit", quadrats("1 grass=1 broadleaf=1", "2 grass=1"), nil, "", "broadleaf@2 0/1-"},
		{"a new class at the second visit", quadrats("1 grass=1", "2 grass=1 sedge=1"), nil, "", "sedge@1 0/1-"},
		{"the group stands for its species", quadrats("1 grass=1", "1 grass=0"), []trial.Class{{Name: "couch", Group: "grass"}}, "", ""},
		{"the species stand for their group", quadrats("1 couch/grass=1 broadleaf=1"), grassland, "", ""},
		{"few of many", quadrats("1 grass=1 sedge=1", "1 grass=1", "1 grass=1"), nil, "", "sedge@1 1/3-"},
		{"most, by rows", quadrats("1 grass=1 sedge=1", "1 grass=1 sedge=1", "1 grass=1"), nil, "", "sedge@1 2/3"},
		{"most, the others marked missing", quadrats("1 grass=1 sedge=1", "1 grass=1 sedge=1", "1 grass=1 sedge=."), nil, "", ""},
		{"marked missing in all", quadrats("1 grass=1 sedge=.", "1 grass=1 sedge=."), nil, "", "sedge@1 0/2-"},
		{"a quadrat without any count expects nothing", quadrats("1 grass=1 sedge=1", "1 grass=. sedge=."), nil, "", ""},
		{"quadrats with totals", quadrats("1 total=4", "1 total=5"), grassland, "", ""},
		{"a class beside totals", quadrats("1 total=4 sedge=1", "1 total=5"), nil, "", ""},
		{"no class is known in all", quadrats("1 grass=1", "1 broadleaf=1"), nil, "", "broadleaf@1 1/2 grass@1 1/2"},
		{"only one class is asked for", quadrats("1 total=4 sedge=1", "1 grass=5", "1 grass=2 sedge=1"), nil, "sedge", "sedge@1 2/3"},
	} {
		var among func(trial.Class) bool
		if c.among != "" {
			among = func(x trial.Class) bool { return x.Name == c.among }
		}
		var got []string
		for _, g := range ClassGapsOf(c.list, c.planned, nil, among) {
			s := fmt.Sprintf("%s@%d %d/%d", g.Class, g.Visit, len(g.In), len(g.In)+len(g.Without))
			if g.LeftOut {
				s += "-"
			}
			got = append(got, s)
			if !strings.Contains(g.Text(), "?") {
				t.Errorf("%s: no question: %s", c.name, g.Text())
			}
			g.Answer = UnlistedUnknown
			if strings.Contains(g.Text(), "?") || !strings.Contains(g.Text(), "as you said") {
				t.Errorf("%s: asked though it was answered: %s", c.name, g.Text())
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %q, want %q", c.name, strings.Join(got, " "), c.want)
		}
	}
}
