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

// drawnYield is a yield of treatments in blocks; treatments part by effect.
func drawnYield(rng *rand.Rand, treatments, blocks int, effect float64) []stats.Row {
	var rows []stats.Row
	for b := range blocks {
		for k := range treatments {
			rows = append(rows, stats.Row{Block: fmt.Sprint("B", b), Treatment: fmt.Sprint("T", k),
				Value: 50 + float64(b) + effect*float64(k%3) + 2*rng.NormFloat64()})
		}
	}
	return rows
}

// With a control the first sentence is of it and the last of the overall test,
// in words that no other sentence contradicts, over all four ways in which the
// two can come out; without a control the overall test leads.
func TestOneClaimLeads(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	seen := map[[2]bool]int{}
	for run := range 400 {
		rows := drawnYield(rng, 3+rng.IntN(5), 3+rng.IntN(3), []float64{0, 1, 2, 3}[run%4])
		o := plain()
		o.Control = "T0"
		a := analyse(t, rows, o)
		n := len(a.Verdict)
		overall, apart := *anovaRow(t, a.ANOVA, "treatment").P <= a.Alpha, slices.ContainsFunc(a.VsControl, func(c stats.ControlComparison) bool { return c.Differ })
		seen[[2]bool{overall, apart}]++
		for i, v := range a.Verdict {
			if of := strings.Contains(v, "(F("); of != (i == n-1) {
				t.Errorf("%q is sentence %d of %d", v, i+1, n)
			}
			if i < n-1 && !strings.Contains(v, "(Dunnett)") {
				t.Errorf("%q names no test", v)
			}
		}
		want := map[[2]bool]string{
			{true, true}:   "over all treatments together differences are shown too",
			{true, false}:  "but of none from the control",
			{false, true}:  "it takes nothing from the comparisons with the control",
			{false, false}: "nor does the test over all treatments together show a difference",
		}[[2]bool{overall, apart}]
		if !strings.Contains(a.Verdict[n-1], want) {
			t.Errorf("overall %v, a difference from the control %v: %q", overall, apart, a.Verdict[n-1])
		}
		o.Control = ""
		if b := analyse(t, rows, o); !strings.Contains(b.Verdict[0], "(F(") || len(b.VsControl) > 0 {
			t.Errorf("no control: %q", b.Verdict)
		}
	}
	for _, overall := range []bool{false, true} {
		for _, apart := range []bool{false, true} {
			if seen[[2]bool{overall, apart}] < 3 {
				t.Errorf("overall %v and a difference from the control %v came %d times", overall, apart, seen[[2]bool{overall, apart}])
			}
		}
	}
}

// One-sided comparisons say what was asked: a treatment that lies far on the
// other side is not said to be like the control.
func TestOneSidedVerdictsSayTheSide(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 3))
	for side, words := range map[stats.Side][2]string{
		stats.BothSides:    {"not shown to differ from the control T0", "but of none from the control"},
		stats.BelowControl: {"not shown to be lower than the control T0", "but none below the control"},
		stats.AboveControl: {"not shown to be higher than the control T0", "but none above the control"},
	} {
		open, none := 0, 0
		for run := range 60 {
			o := plain()
			o.Control, o.Side = "T0", side
			a := analyse(t, drawnYield(rng, 3+rng.IntN(3), 4, []float64{0, 1, -3, 3}[run%4]), o)
			all := strings.Join(a.Verdict, ". ")
			for _, other := range []string{"not shown to differ from the control", "not shown to be lower than the control", "not shown to be higher than the control"} {
				if strings.Contains(all, other) && !strings.HasPrefix(words[0], other) {
					t.Errorf("%s: %s", side, all)
				}
			}
			if slices.ContainsFunc(a.VsControl, func(c stats.ControlComparison) bool { return c.P != nil && !c.Differ }) {
				open++
				if !strings.Contains(all, words[0]) {
					t.Errorf("%s: no %q in %s", side, words[0], all)
				}
			}
			if strings.Contains(all, "over all treatments together differences are shown (") {
				none++
				if !strings.Contains(all, words[1]) {
					t.Errorf("%s: no %q in %s", side, words[1], all)
				}
			}
		}
		if open < 10 || side != stats.BothSides && none < 3 {
			t.Errorf("%s: %d open, %d with none from the control", side, open, none)
		}
	}
}

// Letters of all pairs may hide what the comparisons with the control show, and
// this is known exactly where it happens.
func TestLettersHideControl(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 2))
	hidden := 0
	for range 200 {
		o := plain()
		o.Control = "T0"
		a := analyse(t, drawnYield(rng, 5, 4, 2.5), o)
		letters := map[string]string{}
		for _, r := range a.Treatments {
			letters[r.Treatment] = r.Letters
		}
		want := false
		for _, c := range a.VsControl {
			for _, l := range letters["T0"] {
				want = want || c.Differ && strings.ContainsRune(letters[c.Treatment], l)
			}
		}
		if a.LettersHideControl() != want {
			t.Errorf("%v, %+v: %v", letters, a.VsControl, !want)
		}
		if want {
			hidden++
		}
	}
	if hidden == 0 || hidden == 200 {
		t.Errorf("letters hid the control %d times of 200", hidden)
	}
}

// A covariate of the blocks alone is left out and said, one of the treatments
// alone is refused, however either is mixed with the other.
func TestCovariateWithoutSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 3))
	for _, c := range []struct {
		name    string
		of      func(block, treatment int) float64
		refused bool
	}{
		{"the same everywhere", func(int, int) float64 { return 7 }, false},
		{"by block", func(b, _ int) float64 { return 10 + 3*float64(b) }, false},
		{"by treatment", func(_, k int) float64 { return 10 + 3*float64(k) }, true},
		{"one treatment apart", func(_, k int) float64 { return map[bool]float64{true: 1, false: 0}[k == 2] }, true},
		{"by block and treatment", func(b, k int) float64 { return float64(b*b) + 0.1*float64(k) }, true},
	} {
		rows := drawnYield(rng, 4, 5, 2)
		o := plain()
		want := analyse(t, rows, o)
		for i := range rows {
			rows[i].HasCovariate, rows[i].Covariate = true, c.of(i/4, i%4)
		}
		o.UseCovariate = true
		a, err := stats.Analyse(rows, o)
		if c.refused {
			if err == nil || !strings.Contains(err.Error(), "cannot be told apart from the treatments") {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if !hasText(a.Warnings, "left out") || a.Covariate != nil || a.ResidualDF != want.ResidualDF || *a.MSE != *want.MSE || strings.Contains(a.Design.Words, "covariate") {
			t.Errorf("%s: %q, residual df %d, %s", c.name, a.Warnings, a.ResidualDF, a.Design.Words)
		}
	}
	// Without blocks no block is spoken of.
	rows := drawnYield(rng, 4, 5, 2)
	for i := range rows {
		rows[i].Block, rows[i].HasCovariate, rows[i].Covariate = "", true, 7
	}
	o := plain()
	o.UseCovariate = true
	if a := analyse(t, rows, o); !hasText(a.Warnings, "left out") || hasText(a.Warnings, "block") {
		t.Errorf("no blocks: %q", a.Warnings)
	}
}

// However far one count stands out, no limit is beyond what a count could be
// worth telling: what cannot be bounded is left out and said.
func TestNoAbsurdLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 4))
	withheld := 0
	for run := range 60 {
		rows := drawnYield(rng, 5, 4, 0)
		for i := range rows {
			rows[i].Value = math.Floor(12 * rng.Float64() * rng.Float64())
		}
		largest := math.Round(math.Pow(10, float64(run%7)))
		rows[rng.IntN(len(rows))].Value = largest
		o := plain()
		o.Kind, o.Control = stats.Count, "T0"
		o.Scale = stats.DefaultScale(stats.Count)
		a := analyse(t, rows, o)
		for _, r := range a.Treatments {
			m, _, upper := r.Shown()
			if upper != nil && *upper > max(1000**m, largest) {
				t.Errorf("outlier 1e%d, %s: mean %v up to %v", run%7, r.Treatment, *m, *upper)
			}
			if m != nil && *m > 0 && upper == nil && a.StandardBy != "" {
				withheld++
				if !hasText(a.Warnings, "no interval of the mean of") {
					t.Errorf("no interval of %s, and no word of it: %q", r.Treatment, a.Warnings)
				}
			}
			if s := r.Suppression; s != nil && s.Lower != nil && (*s.Lower < -1e5 || *s.Upper > 100) {
				t.Errorf("%s: suppression %v to %v", r.Treatment, *s.Lower, *s.Upper)
			} else if s != nil && s.Percent != nil && s.Lower == nil && r.Treatment != "T0" && s.Note == "" {
				t.Errorf("%s: no interval of suppression and no reason", r.Treatment)
			}
		}
	}
	if withheld == 0 {
		t.Error("no interval was withheld")
	}
}

// Where the control holds nothing, what could have been seen is told from the
// highest mean: nothing lies below nothing.
func TestDetectableFromAnEmptyControl(t *testing.T) {
	for _, kind := range []stats.Kind{stats.Count, stats.Percent} {
		rows := d1Rows()
		for i := range rows {
			rows[i].Value = float64((i * 7) % 19)
			if rows[i].Treatment == rows[0].Treatment {
				rows[i].Value = 0
			}
		}
		o := plain()
		o.Kind, o.Scale, o.Control, o.UnitKnown = kind, stats.DefaultScale(kind), rows[0].Treatment, true
		if d := analyse(t, rows, o).Detectable; d == nil || d.FromWhat != "the highest mean" || !(d.From > 0) {
			t.Errorf("%s: %+v", kind, d)
		}
	}
}
