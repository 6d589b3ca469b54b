package analysis

import (
	"strings"
	"testing"
)

// TestNumbersOfAPlan: a spread is one of several pairs of numbers; what says one
// thing twice or leaves it open is refused, and what follows from the others is
// worked out.
func TestNumbersOfAPlan(t *testing.T) {
	for _, c := range []struct {
		name         string
		cv, sd, mean float64
		spread, base float64
		of           string
		percent      float64 // coefficient of variation, 0 for none
		want         string
	}{
		{"cv alone", 0.3, 0, 0, 30, 100, "", 30, ""},
		{"cv and mean", 0.3, 0, 40, 12, 40, "the mean given", 30, ""},
		{"sd alone", 0, 6, 0, 6, 0, "the mean given", 0, ""},
		{"sd and mean", 0, 6, 40, 6, 40, "the mean given", 15, ""},
		{"sd and cv", 0.3, 6, 0, 6, 20, "the mean that --sd and --cv imply", 30, ""},
		{"all three", 0.3, 6, 20, 0, 0, "", 0, "say one thing twice"},
		{"mean alone", 0, 0, 40, 0, 0, "", 0, "give the spread"},
		{"nothing", 0, 0, 0, 0, 0, "", 0, "give the spread"},
	} {
		g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: 5, Alpha: 0.05, CVFrac: c.cv, SD: c.sd, Mean: c.mean})
		if c.want != "" {
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		if err != nil || g.base != c.base || g.baseOf != c.of || (g.cv == nil) != (c.percent == 0) {
			t.Errorf("%s: %v %+v", c.name, err, g)
			continue
		}
		close6(t, c.name+": spread", &g.sd, c.spread, 1e-12)
		if g.cv != nil {
			close6(t, c.name+": cv", g.cv, c.percent, 1e-12)
		}
	}
	for want, n := range map[string]PowerNumbers{
		"give --treatments and --blocks":  {Blocks: 5, Alpha: 0.05, SD: 1},
		"give --treatments and --blocks,": {Treatments: 5, Alpha: 0.05, SD: 1},
	} {
		if _, err := BasisOfNumbers(n); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	// One treatment, one block, and a level that is none.
	for _, n := range []PowerNumbers{{Treatments: 1, Blocks: 5, Alpha: 0.05, SD: 1}, {Treatments: 4, Blocks: 1, Alpha: 0.05, SD: 1}, {Treatments: 4, Blocks: 5, Alpha: 1, SD: 1}} {
		if _, err := BasisOfNumbers(n); err == nil {
			t.Errorf("%+v", n)
		}
	}
}

// TestFormulaBlocks: the handbook's 2 (z.975 + z.80)^2 (CV/d)^2 stands beside the
// blocks that are needed, 6.97678 for a CV of 20 % and a difference of 30 % (R 4.2.2:
// 2 * (qnorm(.975) + qnorm(.8))^2 * (20/30)^2), whether the mean
// is given or not.
func TestFormulaBlocks(t *testing.T) {
	for _, c := range []struct {
		mean float64
		d    Difference
		want float64
	}{{40, Difference{Value: 0.3, OfMean: true}, 6.97678}, {40, Difference{Value: 12}, 6.97678}, {0, Difference{Value: 0.3, OfMean: true}, 6.97678}} {
		g, err := BasisOfNumbers(PowerNumbers{Treatments: 4, Blocks: 5, Alpha: 0.05, CVFrac: 0.2, Mean: c.mean})
		if err != nil {
			t.Fatal(err)
		}
		p, err := g.Power(PowerQuestion{Wanted: 0.8, Difference: &c.d})
		if err != nil || p.Asked == nil {
			t.Fatal(err)
		}
		close6(t, "blocks by the formula", p.Asked.FormulaBlocks, c.want, 1e-5)
		if p.Asked.BlocksNeeded < 7 || p.Asked.PowerThen < 0.8 || len(p.ByBlocks) != 8 || p.ByBlocks[0].Blocks != 3 {
			t.Errorf("%+v", p.Asked)
		}
	}
}
