package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"quadtally/stats"
)

// patchyCover is percent cover of three quadrats a plot where weeds stand in
// patches: many readings under 1 among others over 10.
func patchyCover() []stats.Row {
	plots := map[string]map[string][]float64{
		"B1": {"BARE": {4.5, 3.2, 32.9}, "RYE": {1.8, 0.9, 0.3}, "STRAW": {6, 3.9, 1.1}, "VETCH": {1.5, 2.6, 0.8}, "BARLEY": {4.8, 1.8, 1.3}},
		"B2": {"BARE": {12.8, 42.5, 5.1}, "RYE": {2.2, 0.2, 2.7}, "STRAW": {6.2, 14.7, 2.9}, "VETCH": {0.7, 0.9, 2}, "BARLEY": {1.5, 5, 7.9}},
		"B3": {"BARE": {60.6, 7.8, 21.7}, "RYE": {6.3, 1.4, 5.9}, "STRAW": {19.3, 6.6, 3.5}, "VETCH": {6.1, 1.8, 0.5}, "BARLEY": {19.6, 3.8, 22.9}},
		"B4": {"BARE": {2.5, 7.7, 4.3}, "RYE": {15.2, 6.7, 5}, "STRAW": {10.6, 16.1, 2.1}, "VETCH": {0.5, 1, 1}, "BARLEY": {20.1, 17.2, 4.4}},
	}
	var rows []stats.Row
	for block, line := range plots {
		for treatment, quadrats := range line {
			for q, v := range quadrats {
				rows = append(rows, stats.Row{Block: block, Treatment: treatment, Quadrat: fmt.Sprint(q + 1), Value: v})
			}
		}
	}
	return rows
}

// Little cover among much is percent all the same where it is written as the
// rest is.
func TestPatchyPercentsPass(t *testing.T) {
	clean := tableRows(0, []string{"CTRL", "A1", "B2", "C3"}, map[string][]float64{
		"R1": {76.8, 0.5, 11.3, 11}, "R2": {95.2, 9.3, 10.9, 0}, "R3": {67.3, 9.8, 15.6, 0.1},
	})
	for name, rows := range map[string][]stats.Row{"quadrats": patchyCover(), "plots": clean} {
		opt := stats.DefaultOptions()
		opt.Kind = stats.Percent
		if _, err := stats.Analyse(rows, opt); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A table that was written partly as proportions is asked about: one reading,
// one block, one block of computed numbers. Said to be percents, it passes.
func TestMixedPercentsAreAskedAbout(t *testing.T) {
	block := d1Rows()
	computed := d1Rows()
	for i := range block {
		computed[i].Value *= 1 + 1e-9*float64(i+1)
		if block[i].Block == "1" {
			block[i].Value /= 100
			computed[i].Value /= 100
		}
	}
	one := d1Rows()
	one[0].Value = 0.6
	oneComputed := slices.Clone(one)
	for i := range oneComputed {
		oneComputed[i].Value *= 1 + 1e-9*float64(i+1)
	}
	for name, c := range map[string]struct {
		rows  []stats.Row
		asked bool
	}{"block": {block, true}, "computed block": {computed, true}, "one": {one, true}, "one computed number tells nothing": {oneComputed, false}} {
		opt := stats.DefaultOptions()
		opt.Kind = stats.Percent
		_, err := stats.Analyse(c.rows, opt)
		if asked := err != nil && strings.Contains(err.Error(), "percent or proportion"); asked != c.asked {
			t.Errorf("%s: asked %v, want %v: %v", name, asked, c.asked, err)
		}
		opt.UnitKnown = true
		if _, err := stats.Analyse(c.rows, opt); err != nil {
			t.Errorf("%s, unit known: %v", name, err)
		}
	}
}

// Both sides of the two limits of likeness: a tenth of the others, and a factor
// of 4 from them once multiplied by 100.
func TestDoubtfulPercentLimits(t *testing.T) {
	of := func(odd float64, others float64) []int {
		rows := []stats.Row{{Block: "1", Treatment: "A", Value: odd}, {Block: "2", Treatment: "A", Value: others}, {Block: "3", Treatment: "A", Value: others},
			{Block: "1", Treatment: "B", Value: 20}}
		return stats.DoubtfulPercents(rows)
	}
	for _, c := range []struct {
		odd, others float64
		doubtful    bool
	}{
		{0.39, 10, true}, {0.41, 10, false}, // 39 and 41 against 10
		{0.26, 99, true}, {0.24, 99, false}, // 26 and 24 against 99
		{0.31, 8, true}, {0.79, 8, false}, {0.81, 8, false}, // 79 is far from 8, 0.81 more than a tenth
		{0, 10, false}, {1, 50, false}, {0.5, 0.4, false},
	} {
		if got := of(c.odd, c.others); (len(got) == 1) != c.doubtful {
			t.Errorf("%v among %v: doubtful %v, want %v", c.odd, c.others, got, c.doubtful)
		}
	}
}

// Of many tables of clumped quadrats, rounded as an eye or a program rounds,
// none is asked about; of those with one block divided by 100, nearly all.
func TestFewHonestTablesAreAskedAbout(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	for _, round := range []float64{1, 10, 100} { // whole percents, one and two decimals
		refused, caught := 0, 0
		const tables = 200
		for range tables {
			var rows, mixed []stats.Row
			for b := range 4 {
				for i, mean := range []float64{25, 6, 6, 3, 10} {
					plot := math.Log(mean) + 0.5*rng.NormFloat64()
					for q := range 3 {
						v := math.Min(100, math.Exp(plot+0.9*rng.NormFloat64()))
						r := stats.Row{Block: fmt.Sprint(b), Treatment: fmt.Sprint(i), Quadrat: fmt.Sprint(q), Value: math.Round(v*round) / round}
						rows = append(rows, r)
						if b == 0 {
							r.Value /= 100
						}
						mixed = append(mixed, r)
					}
				}
			}
			if len(stats.DoubtfulPercents(rows)) > 0 {
				refused++
			}
			if len(stats.DoubtfulPercents(mixed)) > 0 {
				caught++
			}
		}
		if refused > 0 || caught < tables*99/100 {
			t.Errorf("rounded to 1/%g: %d of %d honest tables asked about, %d mixed ones", round, refused, tables, caught)
		}
	}
}
