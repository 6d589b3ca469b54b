package analysis

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

// Blocks that reach 12 residual df, by (t-1)(b-1).
func TestBlocksForTwelveDF(t *testing.T) {
	for n, want := range map[int]int{2: 13, 3: 7, 4: 5, 5: 4, 6: 4, 7: 3} {
		x := example(trial.CompleteBlocks, n, 4)
		plots, err := trial.LayOut(&x)
		if err != nil {
			t.Fatal(err)
		}
		o := WhatItCanShow(&x, plots, 0.2)
		if o.BlocksForDF != want || o.ResidualDF != (n-1)*3 {
			t.Errorf("%d treatments: %d blocks for 12 df (want %d), %d df now", n, o.BlocksForDF, want, o.ResidualDF)
		}
		warned := strings.Contains(strings.Join(o.Warnings, "\n"), strconv.Itoa(want)+" blocks would reach 12")
		if warned != (o.ResidualDF < 12) {
			t.Errorf("%d treatments: %q", n, o.Warnings)
		}
	}
}

// r >= 2 (CV/d)^2 (1.95996+0.84162)^2 at CV 17.5 %: d = 25 gives 7.69 and four
// blocks see about 35 % (worked by hand).
func TestSmallestDifference(t *testing.T) {
	x := example(trial.CompleteBlocks, 4, 4)
	plots, err := trial.LayOut(&x)
	if err != nil {
		t.Fatal(err)
	}
	o := WhatItCanShow(&x, plots, 0.175)
	near(t, "replicates", o.Replicates, 4, 1e-9)
	near(t, "normal approximation", 100*o.NormalFrac, 17.5*math.Sqrt(2.0/4)*(1.959964+0.841621), 1e-4)
	// t quantiles with 9 df: 2.262157 and 0.883404 (printed tables).
	near(t, "with t", 100*o.DetectableFrac, 17.5*math.Sqrt(0.5)*(2.262157+0.883404), 1e-4)
	if b := blocksForDifference(&x, 0.175, 0.25); b != 9 {
		// 7.69 by the normal formula; with t and 3(b-1) df, 8 blocks would need 8.46 and 9 need 8.36.
		t.Errorf("blocks for 25 %%: %d", b)
	}
	if b := blocksForDifference(&x, 0, 0.25); b != 0 {
		t.Errorf("no CV: %d", b)
	}
	if o = WhatItCanShow(&x, plots, 0); o.DetectableFrac != 0 || len(o.Sentences) != 1 {
		t.Errorf("without a CV: %+v", o)
	}
}

// A balanced plan compares as well as lambda t / k complete replicates
// (efficiency factor lambda t/(r k), times r; Cochran & Cox 1957): 3 x 5 / 3 = 5 for the
// detergent plan of Scheffe 1959, The Analysis of Variance, p. 189, with 16 residual df.
func TestInformationOfIncompleteBlocks(t *testing.T) {
	x := example(trial.IncompleteBlocks, 5, 10)
	x.BlockSize = 3
	plots, err := trial.LayOut(&x)
	if err != nil {
		t.Fatal(err)
	}
	o := WhatItCanShow(&x, plots, 0.2)
	if o.ResidualDF != 16 || !o.Linked {
		t.Errorf("%+v", o)
	}
	near(t, "replicates", o.Replicates, 5, 1e-9)
	if all := strings.Join(o.Sentences, "\n"); !strings.Contains(all, "share 3 blocks: the plan is balanced") {
		t.Errorf("no word of balance in\n%s", all)
	}

	var apart []trial.Plot // two groups that share no block
	for i, tr := range []string{"BARE", "RYE", "BARE", "RYE", "STRAW", "TARP", "STRAW", "TARP"} {
		apart = append(apart, trial.Plot{ID: strconv.Itoa(i), Block: strconv.Itoa(i / 2), Treatment: tr})
	}
	y := trial.Trial{Design: trial.IncompleteBlocks, BlockSize: 2, Blocks: 4, Treatments: []trial.Treatment{{Code: "BARE"}, {Code: "RYE"}, {Code: "STRAW"}, {Code: "TARP"}}}
	if o := WhatItCanShow(&y, apart, 0.2); o.Linked || o.DetectableFrac != 0 {
		t.Errorf("unlinked treatments passed: %+v", o)
	}
}

func TestDFOfOtherDesigns(t *testing.T) {
	for _, c := range []struct {
		t    trial.Trial
		want int
	}{{example(trial.CompletelyRandomised, 5, 4), 15}, {example(trial.LatinSquare, 5, 5), 12}, {example(trial.LatinSquare, 4, 4), 6}} {
		plots, err := trial.LayOut(&c.t)
		if err != nil {
			t.Fatal(err)
		}
		o := WhatItCanShow(&c.t, plots, 0.2)
		if o.ResidualDF != c.want {
			t.Errorf("%s: %d df, want %d", c.t.Design, o.ResidualDF, c.want)
		}
		if residualDF(&c.t, c.t.Blocks) != c.want {
			t.Errorf("%s: planned %d df, want %d", c.t.Design, residualDF(&c.t, c.t.Blocks), c.want)
		}
	}
}

// Residual df and average efficiency of published and edge layouts, as
// computed in R.
func TestDFAgainstReference(t *testing.T) {
	files, err := filepath.Glob("../../../../testdata/reference/k*.json")
	if err != nil {
		t.Fatal(err)
	}
	checked, efficiencies := 0, 0
	for _, name := range files {
		raw, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var kind struct{ Kind string }
		if err := json.Unmarshal(raw, &kind); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if kind.Kind != "k03" && kind.Kind != "k13" {
			continue
		}
		var ref struct {
			Design   struct{ R []int }
			Data     map[string][]any
			Expected struct {
				DF         *int     `json:"df_error"`
				Pairs      any      `json:"pairs"`
				Efficiency *float64 `json:"average_efficiency"`
			}
		}
		if err := json.Unmarshal(raw, &ref); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if ref.Expected.DF == nil || ref.Data["block"] == nil || ref.Expected.Pairs == nil && ref.Expected.Efficiency == nil {
			continue // a Latin square, or no analysis of all treatments
		}
		checked++
		x := trial.Trial{Design: trial.CompleteBlocks}
		var plots []trial.Plot
		for i, code := range ref.Data["treatment"] {
			if y := ref.Data["y"]; i < len(y) && y[i] == nil {
				continue
			}
			p := trial.Plot{ID: strconv.Itoa(i), Block: asText(ref.Data["block"][i]), Treatment: asText(code)}
			plots = append(plots, p)
			if !hasCode(x, p.Treatment) {
				x.Treatments = append(x.Treatments, trial.Treatment{Code: p.Treatment})
			}
		}
		o := WhatItCanShow(&x, plots, 0)
		if o.ResidualDF != *ref.Expected.DF || len(plots) == 0 {
			t.Errorf("%s: %d residual df, R has %d", name, o.ResidualDF, *ref.Expected.DF)
		}
		if e, r := ref.Expected.Efficiency, ref.Design.R; e != nil && slices.Min(r) == slices.Max(r) {
			near(t, name+" replicates", o.Replicates, float64(r[0])**e, 1e-8)
			efficiencies++
		}
	}
	if checked < 9 || efficiencies < 2 {
		t.Errorf("%d cases and %d efficiencies were checked: the reference cases are missing or no longer match", checked, efficiencies)
	}
}

func hasCode(t trial.Trial, code string) bool {
	return slices.ContainsFunc(t.Treatments, func(tr trial.Treatment) bool { return tr.Code == code })
}

func asText(v any) string {
	b, _ := json.Marshal(v)
	return strings.Trim(string(b), `"`)
}

// Of a plan, the days of seeding and termination are looked at, each on its own.
func TestConfoundedDatesOfAPlan(t *testing.T) {
	d := func(s string) trial.Date { v, _ := trial.ParseDate(s); return v }
	x := trial.Trial{Treatments: []trial.Treatment{{Code: "A", Seeded: d("2025-09-01")}, {Code: "B", Seeded: d("2025-10-01")}, {Code: "C"}}}
	if got := ConfoundedDates(&x); len(got) != 1 || !strings.Contains(got[0], "seeding was done to A on 2025-09-01, and to B on 2025-10-01") {
		t.Errorf("%q", got)
	}
	x.Treatments[0].Seeded = d("2025-10-01")
	if got := ConfoundedDates(&x); got != nil {
		t.Errorf("one day: %q", got)
	}
}

// example is an invented trial of the first treatments of Alder Bend.
func example(design trial.Design, treatments, blocks int) trial.Trial {
	t := trial.Defaults()
	t.Name, t.Tag, t.Site, t.Crop = "Alder Bend leeks", "AB26", "Alder Bend trial ground", "leek"
	t.Design, t.Blocks, t.Seed = design, blocks, 20260301
	names := []string{"BARE", "RYE", "RYEVETCH", "STRAW", "TARP"}
	for i := range treatments {
		code := fmt.Sprintf("T%02d", i+1)
		if i < len(names) {
			code = names[i]
		}
		t.Treatments = append(t.Treatments, trial.Treatment{Code: code, Control: i == 0})
	}
	t.Ground = trial.Ground{Beds: 2, LengthMM: 10000, BorderMM: 1000, BedSpacingMM: 1500, BedTopMM: 900, AlleyMM: 500, GradientRuns: trial.AlongBeds}
	return t
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.10g, want %.10g within %g", what, got, want, tol)
	}
}
