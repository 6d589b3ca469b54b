package record

import (
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

func summary(h Harvests) string {
	var out []string
	for _, v := range h.List {
		s := "?"
		if v.Marketable != nil {
			s = fmt.Sprintf("%g", *v.Marketable)
		}
		out = append(out, fmt.Sprintf("%s/%d %s", v.Plot, v.Pick+1, s))
	}
	for _, m := range h.Missing {
		out = append(out, fmt.Sprintf("no %s/%d", m.Plot, m.Pick+1))
	}
	return strings.Join(out, ", ")
}

func weighed(plot, when, class string, kg float64) Observation {
	o := Observation{Plot: plot, Variable: VarYield, Class: class, Value: kg, Unit: "kg", LengthMM: 3000}
	if d, err := trial.ParseDate(when); err == nil {
		o.Date = d
	} else {
		o.Pick = when
	}
	return o
}

// TestPicks: which plots lack a pick that the others have, and what counts as
// marketable. All by hand.
func TestPicks(t *testing.T) {
	plots := []trial.Plot{{ID: "101"}, {ID: "102"}}
	gone := weighed("102", "2025-09-08", ClassMarketable, 0)
	gone.Missing = true
	for name, c := range map[string]struct {
		list []Observation
		want string
	}{
		"whole": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-01", ClassMarketable, 2)}, "101/1 1, 102/1 2"},
		"a pick row left out": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-01", ClassMarketable, 2),
			weighed("101", "2025-09-08", ClassMarketable, 3)}, "101/1 1, 101/2 3, 102/1 2, no 102/2"},
		"zero is a weight": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-01", ClassMarketable, 0)}, "101/1 1, 102/1 0"},
		"stated missing": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-01", ClassMarketable, 2),
			weighed("101", "2025-09-08", ClassMarketable, 3), gone}, "101/1 1, 101/2 3, 102/1 2, 102/2 ?, no 102/2"},
		"a pick of two days": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 1), weighed("102", "2025-09-02", ClassMarketable, 2),
			weighed("101", "2025-09-08", ClassMarketable, 3), weighed("102", "2025-09-09", ClassMarketable, 4)}, "101/1 1, 101/2 3, 102/1 2, 102/2 4"},
		"numbered picks": {[]Observation{weighed("101", "2", ClassMarketable, 3), weighed("101", "10", ClassMarketable, 5), weighed("102", "2", ClassMarketable, 4)},
			"101/1 3, 101/2 5, 102/1 4, no 102/2"},
		"only totals": {[]Observation{weighed("101", "2025-09-01", ClassTotal, 1), weighed("102", "2025-09-01", ClassTotal, 2)}, "101/1 1, 102/1 2"},
		"total first, graded later": {[]Observation{weighed("101", "2025-09-01", ClassTotal, 6), weighed("101", "2025-09-01", ClassMarketable, 5), weighed("101", "2025-09-01", ClassCull, 1),
			weighed("102", "2025-09-01", ClassTotal, 4), weighed("102", "2025-09-01", ClassCull, 1)}, "101/1 5, 102/1 3"},
		"one plot not graded": {[]Observation{weighed("101", "2025-09-01", ClassMarketable, 5), weighed("102", "2025-09-01", ClassTotal, 4)}, "101/1 5, 102/1 ?, no 102/1"},
	} {
		if got := summary(HarvestsOf(c.list, plots)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	h := HarvestsOf([]Observation{weighed("101", "2025-09-01", ClassTotal, 7), weighed("101", "2025-09-01", ClassMarketable, 5), weighed("101", "2025-09-01", ClassCull, 1)}, plots)
	if len(h.Disagree) != 1 || h.Season("102") || !h.Season("101") {
		t.Errorf("%+v", h)
	}
}

// TestWeightsDisagree: a total holds its parts, with room for rounding, from
// whichever sheets they come.
func TestWeightsDisagree(t *testing.T) {
	kg := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		w    Weights
		want bool
	}{
		{Weights{6, kg(5), kg(1)}, false},
		{Weights{6.02, kg(5), kg(1)}, false},
		{Weights{6.021, kg(5), kg(1)}, true},
		{Weights{5.979, kg(5), kg(1)}, true},
		{Weights{6, kg(5), nil}, false},
		{Weights{4.979, kg(5), nil}, true},
		{Weights{6, nil, kg(7)}, true},
		{Weights{6, nil, nil}, false},
	} {
		if got := c.w.Disagree(); got != c.want {
			t.Errorf("%s: %v, want %v", c.w.Text(trial.Metric), got, c.want)
		}
	}
	h := HarvestsOf([]Observation{weighed("101", "2025-09-01", ClassMarketable, 5), weighed("101", "2025-09-01", ClassTotal, 4)}, []trial.Plot{{ID: "101"}})
	if len(h.Disagree) != 1 {
		t.Errorf("a total below the marketable weight went unseen: %+v", h)
	}
}

// Weights in a sentence have the figures that were typed, and no more.
func TestWeightsInWords(t *testing.T) {
	cull := 16 * trial.KGPerLB
	w := Weights{Total: 15.25 * trial.KGPerLB, Cull: &cull}
	if got := w.Text(trial.US); got != "a total of 15.25 lb, but cull 16 lb" {
		t.Error(got)
	}
	part := 0.125
	if got := (Weights{Total: 2, Marketable: &part}).Text(trial.Metric); got != "a total of 2 kg, but marketable 0.125 kg" {
		t.Error(got)
	}
	if got := (Weights{Total: 2, Marketable: &part, Cull: &part}).Text(trial.Metric); got != "a total of 2 kg, but marketable 0.125 kg and cull 0.125 kg" {
		t.Error(got)
	}
}
