package stats

import (
	"slices"
	"strings"
	"testing"
)

// TestPlotNames: every plot has a name of its own, labels stay what a person
// wrote, and only rows without a label are said to have none.
func TestPlotNames(t *testing.T) {
	row := func(plot, block, treatment string) Row {
		return Row{Plot: plot, Block: block, Treatment: treatment, Value: 1}
	}
	cases := map[string]struct {
		rows []Row
		want []string
		told []string // what the warning names, nothing where there is none
	}{
		"labels": {[]Row{row("a", "1", "RYE"), row("b", "1", "OATS")}, []string{"b", "a"}, nil},
		"a label that looks like a number of ours": {
			[]Row{row("a #1", "1", "RYE"), row("a #2", "1", "RYE"), row("c", "1", "OATS"), row("d", "2", "RYE"), row("e", "2", "OATS")},
			[]string{"c", "a #1", "a #2", "e", "d"}, nil},
		"no labels": {
			[]Row{row("", "1", "RYE"), row("", "1", "OATS"), row("", "2", "RYE"), row("", "2", "OATS")},
			[]string{"1/OATS", "1/RYE", "2/OATS", "2/RYE"}, nil},
		"a label used in two blocks": {
			[]Row{row("a", "1", "RYE"), row("b", "1", "OATS"), row("a", "2", "RYE"), row("b", "2", "OATS")},
			[]string{"1/b", "1/a", "2/b", "2/a"}, nil},
		"a label that is another plot's made-up name": {
			[]Row{row("1/RYE", "2", "RYE"), row("", "1", "RYE"), row("x", "1", "OATS"), row("y", "2", "OATS")},
			[]string{"x", "1/RYE #2", "y", "1/RYE"}, nil},
		"rows that may be quadrats": {
			[]Row{row("", "1", "RYE"), row("", "1", "RYE"), row("x", "1", "OATS"), row("", "2", "RYE"), row("y", "2", "OATS")},
			nil, []string{"RYE in block 1"}},
		"no blocks": {
			[]Row{row("", "", "RYE"), row("RYE #1", "", "OATS"), row("c", "", "OATS")},
			[]string{"RYE #1", "c", "RYE #2"}, nil},
	}
	for name, c := range cases {
		d, err := Recognise(c.rows)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var got []string
		for _, p := range d.Plots {
			got = append(got, p.Name)
		}
		if sorted := slices.Sorted(slices.Values(got)); len(slices.Compact(sorted)) != len(d.Plots) || c.want != nil && !slices.Equal(got, c.want) {
			t.Errorf("%s: plots %q, want %q", name, got, c.want)
		}
		warned := strings.Join(d.Warnings, "\n")
		if strings.Contains(warned, "without a plot name") != (c.told != nil) {
			t.Errorf("%s: warnings %q", name, warned)
		}
		for _, w := range c.told {
			if !strings.Contains(warned, w) {
				t.Errorf("%s: warnings %q do not name %s", name, warned, w)
			}
		}
	}
}
