package main

import (
	"math"
	"slices"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
)

// TestEveryResponseFromSheetToPlot takes each response that sheets can hold from
// the bytes of a sheet, in units that people use, to the value of plot 101 at
// its visit, worked out by hand. Quadrats are 0.25 m², beds 1.5 m apart.
func TestEveryResponseFromSheetToPlot(t *testing.T) {
	const (
		quadrats = "plot,quadrat,date,broadleaf,grass,cover_%,weed_cover_%,crop_cover_%,regrowth,regrowth_cover_%,residue_cover_%,residue_g,biomass_g,crop_height_in\n" +
			"101,1,2025-06-14,5,2,30,12,20,3,4,80,120,,10\n" +
			"101,2,2025-06-14,0,1,50,20,10,0,0,60,80,100,\n" + // no height and, in the first, no biomass: blank is not zero
			"102,1,2025-06-14,9,9,90,90,9,9,9,9,9,9,9\n"
		picks = "plot,date,bed_length_ft,marketable_lb,cull_g,pieces,stand\n" +
			"101,2025-09-20,10,20,900,12,30\n"
		long = "plot,visit,date,variable,value,unit\n101,1,2025-06-14,residue stems,14,per m\n"
	)
	dir := bedTrial(t)
	must(t, "counts", file(t, dir, "quadrats.csv", quadrats), "--trial", dir)
	must(t, "yields", file(t, dir, "picks.csv", picks), "--trial", dir)
	must(t, "counts", file(t, dir, "stems.csv", long), "--trial", dir)

	bedM, kg := 10*0.3048, 20*0.45359237 // foot and pound of 1959, NIST SP 811
	want := map[string]float64{
		"count":               8.0 / 2 / 0.25,
		"hand-cover":          40,
		"hand-weed-cover":     16,
		"hand-crop-cover":     15,
		"regrowth":            3.0 / 2 / 0.25,
		"hand-regrowth-cover": 2,
		"residue-cover":       70,
		"residue":             0.100 / 0.25 * 10, // t/ha
		"biomass":             0.100 / 0.25 * 10, // of the one frame that was cut
		"crop-height":         25.4,
		"yield":               kg / bedM / 1.5 * 10000,
		"yield-per-bed":       kg / bedM,
		"cull":                0.9 / bedM / 1.5 * 10000,
		"harvested pieces":    12 / bedM,
		"stand":               30 / bedM,
		"residue-stems":       14,
	}
	snap := snapshotOf(t, dir)
	var tried []string
	for _, r := range analysis.Responses(snap) {
		name := string(r.Key)
		tried = append(tried, name)
		v := plotValues(t, dir, name, "")
		got, ok := v["101@1"]
		if !ok {
			got, ok = v["101"]
		}
		if w, known := want[name]; !known || !ok || math.Abs(got-w) > 1e-9*w {
			t.Errorf("%s of plot 101: %v, want %v", name, v, w)
		}
	}
	for name := range want {
		if !slices.Contains(tried, name) {
			t.Errorf("%s was in the sheets and is no response", name)
		}
	}
}
