package analysis

import (
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// TestDatesInTheTradesWords: two groups that never share a day of seeding, and
// two that were killed by other means on other days, are found whatever the
// sheet calls the work; the plan's own meaning of a word goes first.
func TestDatesInTheTradesWords(t *testing.T) {
	snap := &record.Snapshot{Trial: trial.Trial{Treatments: []trial.Treatment{{Code: "TILL"}, {Code: "CP"}, {Code: "MIX"}}}}
	codes := []string{"TILL", "CP", "MIX"}
	for _, w := range [][3]string{{"2025-06-03", "drilling", "TILL"}, {"2025-06-03", "Sown", "CP"}, {"2025-06-17", "seeding", "MIX"},
		{"2025-07-01", "disking", "TILL"}, {"2025-07-08", "roller-crimping", "CP"}, {"2025-07-08", "mowing", "MIX"}, {"2025-07-20", "transplanting", ""}} {
		day, err := trial.ParseDate(w[0])
		if err != nil {
			t.Fatal(err)
		}
		snap.Operations = append(snap.Operations, record.Operation{Date: day, What: w[1], Treatment: w[2]})
	}
	got := stats.ConfoundedDates(codes, datesDone(snap))
	if len(got) != 2 || !strings.Contains(got[0], "seeding was done to CP, TILL on 2025-06-03, and to MIX on 2025-06-17") && !strings.Contains(got[0], "seeding was done to TILL, CP on 2025-06-03, and to MIX on 2025-06-17") ||
		!strings.Contains(got[1], "termination was done to TILL on 2025-07-01, and to CP, MIX on 2025-07-08") {
		t.Errorf("%q", got)
	}
	snap.Trial.Words = []trial.StageWord{{Word: "Mowing", Stage: trial.OtherWork}, {Word: "roller crimping", Stage: trial.OtherWork}}
	if got := stats.ConfoundedDates(codes, datesDone(snap)); len(got) != 1 {
		t.Errorf("corrected by the plan: %q", got)
	}
}
