package trial

import (
	"fmt"
	"strings"
	"testing"
)

func tableOf(lines ...string) []TableRow {
	var rows []TableRow
	for i, l := range lines {
		c := append(strings.Split(l, "|"), make([]string, 6)...)
		rows = append(rows, TableRow{Where: fmt.Sprintf("layout.csv:%d", i+2), Plot: c[0], Block: c[1], Treatment: c[2], Bed: c[3], From: c[4], Length: c[5]})
	}
	return rows
}

func TestLabelsOfATableAreUnified(t *testing.T) {
	plan := Defaults()
	plan.Treatments = []Treatment{{Code: "BARE", Control: true}, {Code: "STRAW"}}
	x, plots, notes, faults := FromTable(&plan, tableOf(
		"101|1|Bare|1|0|10", "102|1|STRAW\u00a0|2|0|9.5", "201|2|BARE |1|10 m|8,25", "202| 2|straw|2|9.5|33ft"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if len(x.Treatments) != 2 || x.Generator != EnteredFromTable || x.Blocks != 2 {
		t.Errorf("%+v", x)
	}
	if plots[0].Treatment != "BARE" || plots[3].Treatment != "STRAW" || plots[3].Block != "2" {
		t.Errorf("%+v", plots)
	}
	if plots[2].LengthMM != 8250 || plots[3].LengthMM != 10058.4 || plots[1].FromMM != 0 || plots[3].FromMM != 9500 {
		t.Errorf("uneven sections: %+v", plots)
	}
	if len(notes) != 5 || !strings.Contains(notes[0], `treatment "Bare" was taken as "BARE"`) {
		t.Errorf("notes: %q", notes)
	}
	if plots[2].Order != 4 || plots[3].Order != 3 {
		t.Errorf("the walk does not turn: %+v", plots)
	}
	if plan.Treatments[0].Code != "BARE" || len(plan.Treatments) != 2 || plan.Generator != "" {
		t.Error("the caller's plan was changed")
	}
}

func TestTreatmentsComeFromTheTable(t *testing.T) {
	plan := Defaults()
	x, _, notes, faults := FromTable(&plan, tableOf("1-2|1|1", "NORTHWEST1|1|2", "007|2|1", "202|2|2"))
	if len(faults) > 0 || len(x.Treatments) != 2 || x.Treatments[0].Code != "1" {
		t.Errorf("%+v %v", x.Treatments, faults)
	}
	all := strings.Join(notes, "\n")
	for _, want := range []string{`"1-2"`, `"007"`, "card's code"} {
		if !strings.Contains(all, want) {
			t.Errorf("no note about %s in:\n%s", want, all)
		}
	}
}

func TestAllFaultsOfATable(t *testing.T) {
	plan := Defaults()
	plan.Treatments = []Treatment{{Code: "BARE"}, {Code: "RYE"}, {Code: "TARP"}}
	_, _, _, faults := FromTable(&plan, tableOf(
		"101|1|BARE|1|0|10", "101|1|RYE|2|0|10", "103||RYE|3|0|10", "|2|RYE|4|0|10",
		"105|2|STRAWW|5|0|10", "106|2||6|0|10", "107|2|BARE|1|5|10", "108|2|RYE|x|5 furlongs|0"))
	want := []string{
		"layout.csv:3: plot 101 is in the table twice",
		"layout.csv:4: plot 103 has no block",
		"layout.csv:5: the plot has no number",
		`layout.csv:6: treatment "STRAWW" is not in the plan`,
		"layout.csv:7: plot 106 has no treatment",
		`layout.csv:9: plot 108: bed "x"`,
		"layout.csv:9: plot 108 has no length",
		`layout.csv:9: plot 108: from: "furlongs"`,
		"layout: treatment TARP of the plan has no plot",
		"layout.csv:8: plots 101 and 107 lie on the same ground",
	}
	got := faults.Error()
	if len(faults) != len(want) {
		t.Errorf("%d faults, want %d", len(faults), len(want))
	}
	for _, w := range want {
		if !strings.Contains(got, w) {
			t.Errorf("missing %q in:\n%s", w, got)
		}
	}
	if _, _, _, faults := FromTable(&plan, nil); len(faults) != 1 {
		t.Errorf("an empty table: %v", faults)
	}
}

func TestCardTags(t *testing.T) {
	if tags, err := CardTags([]Plot{{ID: "101"}, {ID: "nw-2"}}); err != nil || tags["nw-2"] != "NW2" {
		t.Errorf("%v %v", tags, err)
	}
	_, err := CardTags([]Plot{{ID: "1-2"}, {ID: "12"}, {ID: "north-west"}, {ID: "Ä"}})
	if err == nil || strings.Count(err.Error(), "\n") != 2 {
		t.Errorf("%v", err)
	}
}
