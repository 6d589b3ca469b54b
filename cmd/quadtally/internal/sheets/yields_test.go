package sheets

import (
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// TestWeightsOfSeveralSheets: a harvest typed in twice and a sheet in another unit
// are asked about whether they stand in one sheet or in two, and neither more of a
// pick nor a corrected sheet is.
func TestWeightsOfSeveralSheets(t *testing.T) {
	tr, plots := plan()
	for i := range 4 {
		plots = append(plots, trial.Plot{ID: fmt.Sprint(201 + i), Block: "2", Treatment: "RYE"})
	}
	before := func(date, pick string, times float64, n int) (out []record.Observation) {
		for i, p := range plots[:n] {
			out = append(out, record.Observation{Plot: p.ID, Date: mustDay(t, date), Pick: pick, Variable: record.VarYield, Class: record.ClassMarketable, Unit: "kg",
				Value: times * (4 + 0.25*float64(i)), LengthMM: 3000})
		}
		return out
	}
	now := func(date string, times float64, n int) string {
		text := "plot,date,marketable_kg,bed_length_m\n"
		for i, p := range plots[:n] {
			text += fmt.Sprintf("%s,%s,%g,3\n", p.ID, date, times*(4+0.25*float64(i)))
		}
		return text
	}
	for name, c := range map[string]struct {
		text   string
		stored []record.Observation
		want   string // "": no doubt of these kinds
	}{
		"typed in twice":               {now("2025-09-20", 1, 6), before("2025-09-01", "", 1, 6), "6 of 6 weights of pick 2025-09-20 are those of pick 2025-09-01, entered before"},
		"three plots twice":            {now("2025-09-20", 1, 3), before("2025-09-01", "", 1, 6), "3 of 3 weights of pick 2025-09-20"},
		"two plots twice":              {now("2025-09-20", 1, 2), before("2025-09-01", "", 1, 6), ""},
		"the same sheet anew":          {now("2025-09-20", 1, 6), before("2025-09-20", "", 1, 6), ""},
		"other weights":                {now("2025-09-20", 1.1, 6), before("2025-09-01", "", 1, 6), ""},
		"grams":                        {now("2025-09-20", 1000, 6), before("2025-09-01", "", 1, 6), "mostly 1000 times those entered before"},
		"tonnes":                       {now("2025-09-20", 0.001, 6), before("2025-09-01", "", 1, 6), "mostly 0.001 times those entered before"},
		"fifty times":                  {now("2025-09-20", 50, 6), before("2025-09-01", "", 1, 6), ""},
		"a fiftieth":                   {now("2025-09-20", 1, 6), before("2025-09-01", "", 50, 6), ""},
		"51 times":                     {now("2025-09-20", 51, 6), before("2025-09-01", "", 1, 6), "mostly 51 times"},
		"grams, few before":            {now("2025-09-20", 1000, 6), before("2025-09-01", "", 1, 4), ""},
		"grams, five before":           {now("2025-09-20", 1000, 5), before("2025-09-01", "", 1, 5), "mostly 1000 times"},
		"grams that replace kilograms": {now("2025-09-20", 1000, 6), before("2025-09-20", "", 1, 6), ""},
		"few grams beside many":        {now("2025-09-20", 1000, 2), before("2025-09-01", "", 1, 6), "the marketable weight of plot " + plots[1].ID + " (row 3) is"},
		"few like the many":            {now("2025-09-20", 2, 2), before("2025-09-01", "", 1, 6), ""},
		"few grams beside few":         {now("2025-09-20", 1000, 2), before("2025-09-01", "", 1, 4), ""},
	} {
		im, err := Yields(tr, plots, sheet(t, c.text), Options{Stored: c.stored})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		said := fmt.Sprint(im.Doubts)
		doubted := strings.Contains(said, "weighed twice") || strings.Contains(said, "entered before") || strings.Contains(said, "that of most")
		if doubted != (c.want != "") || !strings.Contains(said, c.want) {
			t.Errorf("%s: %s", name, said)
		}
	}
}
