package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"quadtally/stats"
)

func secondLooks(t *testing.T, a stats.Analysis) stats.SecondLooks {
	t.Helper()
	s, err := a.SecondLooks()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The table d1, on its residuals, against R 4.2.2: bartlett.test, the F of
// oneway on distances from medians, and the formula of fligner.test with the
// distances rounded to nine decimals, so that ties are ties, of resid(aov(y ~
// block + treatment)) by treatment; the largest rstudent with its Bonferroni p; and the
// profile of MASS::boxcox(y ~ block + treatment) (7.3-58.2), lambda by optimize,
// limits by uniroot where it is 10 log(1 + qt(.975, 12)^2/12) lower.
func TestSecondLooksOfD1(t *testing.T) {
	s := secondLooks(t, analyse(t, d1Rows(), rawPercent()))
	want := []struct {
		name         string
		statistic, p float64
	}{
		{"Bartlett", 3.950639621402, 0.412727265570},
		{"Brown-Forsythe", 1.368485143692, 0.291439563527},
		{"Fligner-Killeen", 5.414052452992, 0.247388271},
	}
	for i, w := range want {
		l := s.Spread[i]
		if l.Name != w.name || l.Reading != "the residuals of the treatments are not shown to differ in spread" {
			t.Errorf("%+v", l)
		}
		near(t, w.name, l.Statistic, w.statistic, 1e-6)
		near(t, w.name+" p", l.P, w.p, 1e-7)
	}
	closeTo(t, "furthest", s.Furthest.Studentised, 3.027023934778, 1e-6)
	closeTo(t, "furthest p", s.Furthest.P, 0.230207019276, 1e-6)
	near(t, "power", s.Power.Power, 0.547326411453, 1e-5)
	near(t, "lower", s.Power.Lower, -0.0186585922039, 1e-5)
	near(t, "upper", s.Power.Upper, 1.1326012840917, 1e-5)
	if s.Power.Reading != "among the usual scales these fit: the values as measured, the square root, the logarithm" {
		t.Errorf("%q", s.Power.Reading)
	}
}

// The looks are at residuals: what blocks and treatments add changes none of
// those on the raw scale, nor do the unit, the order of plots or names.
func TestSecondLooksLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	rows := invented(4, 5, 1, 2, rng)
	first := secondLooks(t, analyse(t, rows, plain()))
	moved := invented(4, 5, 1, 2, rand.New(rand.NewPCG(5, 5)))
	for i := range moved {
		moved[i].Value = 3 * (moved[i].Value + 7*float64(i%4) - 2*float64(i/4))
	}
	rng.Shuffle(len(moved), func(i, j int) { moved[i], moved[j] = moved[j], moved[i] })
	second := secondLooks(t, analyse(t, moved, plain()))
	for i, l := range first.Spread {
		near(t, l.Name, second.Spread[i].P, *l.P, 1e-9)
	}
	closeTo(t, "furthest", second.Furthest.Studentised, first.Furthest.Studentised, 1e-9)
	closeTo(t, "furthest p", second.Furthest.P, first.Furthest.P, 1e-9)
	// A power is one of the values: in another unit it is the same.
	for i := range moved {
		moved[i].Value = 2.5 * rows[i].Value
		moved[i].Treatment, moved[i].Block = rows[i].Treatment, rows[i].Block
	}
	third := secondLooks(t, analyse(t, moved, plain()))
	near(t, "power", third.Power.Power, *first.Power.Power, 1e-6)
}

// What was made as a power of additive values is found again: the interval
// holds it in about 95 of 100 trials.
func TestPowerIsFoundAgain(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 5))
	for _, power := range []float64{1, 0.5, 0} {
		const trials = 200
		held := 0
		for range trials {
			rows := invented(5, 6, 1, 1.5, rng)
			for i, r := range rows {
				rows[i].Value = math.Exp(r.Value / 8)
				if power > 0 {
					rows[i].Value = math.Pow(r.Value, 1/power)
				}
			}
			p := secondLooks(t, analyse(t, rows, plain())).Power
			if (p.Lower == nil || *p.Lower <= power) && (p.Upper == nil || *p.Upper >= power) {
				held++
			}
		}
		// Four standard errors either way.
		if share := float64(held) / trials; share < 0.95-0.062 || share == 1 {
			t.Errorf("power %g lies in %v of the intervals", power, share)
		}
	}
}

// The tests of spread keep near their level on residuals, where the p value is
// approximate.
func TestSpreadOfResidualsReport(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 5))
	const trials = 400
	for _, layout := range [][2]int{{5, 4}, {3, 6}} {
		below := [3]int{}
		for range trials {
			s := secondLooks(t, analyse(t, invented(layout[0], layout[1], 1, 1, rng), plain()))
			for i, l := range s.Spread {
				if *l.P <= 0.05 {
					below[i]++
				}
			}
		}
		t.Logf("%d treatments in %d blocks: below 5 %% in %v of %d", layout[0], layout[1], below, trials)
		for i, n := range below {
			if share := float64(n) / trials; share > 0.1 {
				t.Errorf("%d treatments in %d blocks: test %d below 5 %% in %v", layout[0], layout[1], i, share)
			}
		}
	}
}

func TestSecondLooksSayWhatTheyCannot(t *testing.T) {
	if _, err := (stats.Analysis{}).SecondLooks(); err == nil {
		t.Error("nothing analysed, yet looked at")
	}
	// Two treatments in blocks: residuals are each other's mirror.
	two := secondLooks(t, analyse(t, d1Rows()[:8], rawPercent()))
	for _, l := range two.Spread {
		if l.P != nil || !strings.Contains(l.Reading, "mirror") {
			t.Errorf("two treatments: %+v", l)
		}
	}
	rows := d1Rows()
	rows[3].Value = 0
	p := secondLooks(t, analyse(t, rows, rawPercent())).Power
	if p.Power != nil || p.Lower != nil || !strings.Contains(p.Reading, "one is 0") {
		t.Errorf("a value of 0: %+v", p)
	}
	if _, err := analyse(t, d1Rows()[:1], rawPercent()).SecondLooks(); err == nil || !strings.Contains(err.Error(), "without a test") {
		t.Errorf("one plot: %v", err)
	}
}

// Two treatments have Wilcoxon's exact tests beside Friedman's and Kruskal and
// Wallis's; more have not. R 4.2.2: wilcox.test(c(62, 48, 71, 55), c(24, 31, 38,
// 19), exact = TRUE), W 16, p 0.02857143; paired V 10, p 0.125.
func TestExactRanksOfTwoTreatments(t *testing.T) {
	rows := d1Rows()[:8]
	a := analyse(t, rows, rawPercent())
	if a.RankSum != nil || a.SignedRank == nil {
		t.Fatalf("in blocks: %+v, %+v", a.RankSum, a.SignedRank)
	}
	near(t, "V", a.SignedRank.Statistic, 10, 0)
	near(t, "p", a.SignedRank.P, 0.125, 1e-12)
	if a.SignedRank.Reading != "treatments are not shown to rank differently" {
		t.Error(a.SignedRank.Reading)
	}
	for i := range rows {
		rows[i].Block, rows[i].Plot = "", fmt.Sprint(i)
	}
	a = analyse(t, rows, rawPercent())
	if a.SignedRank != nil || a.RankSum == nil {
		t.Fatalf("without blocks: %+v, %+v", a.RankSum, a.SignedRank)
	}
	near(t, "W", a.RankSum.Statistic, 16, 0)
	near(t, "p", a.RankSum.P, 2./70, 1e-12)
	if a.RankSum.Reading != "treatments rank differently" {
		t.Error(a.RankSum.Reading)
	}
	for _, blocked := range []bool{true, false} {
		rows := d1Rows()[:12]
		if !blocked {
			for i := range rows {
				rows[i].Block, rows[i].Plot = "", fmt.Sprint(i)
			}
		}
		if a := analyse(t, rows, rawPercent()); a.SignedRank != nil || a.RankSum != nil {
			t.Errorf("three treatments: %+v, %+v", a.SignedRank, a.RankSum)
		}
	}
}
