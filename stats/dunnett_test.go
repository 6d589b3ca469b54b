package stats_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"syscall"
	"testing"
	"time"

	"quadtally/stats"
	"quadtally/stats/dist"
)

// Two tables whose correlations no common factor explains: six treatments in
// six blocks with four plots missing, on a large constant, and nine irregular
// blocks of two. Both once kept the integration busy for minutes. p values of
// R 4.2.2, mvtnorm 1.1-3, pmvt with GenzBretz(maxpts = 2e7, abseps = 1e-7) for
// the first and (2e6, 1e-6) for the second.
var patchyTables = []struct {
	name      string
	rows      []stats.Row
	df        int
	p         map[string]float64
	tolerance float64
}{
	{
		name: "plots missing",
		rows: tableRows(100_000_000, []string{"CTRL", "A1", "B2", "C3", "D4", "E5"}, map[string][]float64{
			"R1": {27, 24, 27, 30, 27, 21}, "R2": {24, 21, 18, noPlot, 24, 18}, "R3": {21, 18, 21, 21, 18, 12},
			"R4": {24, 18, 21, noPlot, 18, 18}, "R5": {27, 18, 21, 27, 21, noPlot}, "R6": {21, noPlot, 18, 24, 15, 15},
		}),
		df: 21,
		p: map[string]float64{"A1": 0.0022485076, "B2": 0.051924812, "C3": 0.6431403, "D4": 0.019449965,
			"E5": 2.5652052e-05},
		tolerance: 1e-6,
	},
	{
		name: "blocks of two",
		rows: tableRows(0, []string{"CTRL", "A1", "B2", "C3", "D4"}, map[string][]float64{
			"K1": {noPlot, 39.61, 25.48, noPlot, noPlot}, "K2": {27.07, noPlot, noPlot, 33.83, noPlot},
			"K3": {36.62, noPlot, noPlot, noPlot, 16.26}, "K4": {noPlot, noPlot, 20.35, 29.89, noPlot},
			"K5": {35.36, 34.43, noPlot, noPlot, noPlot}, "K6": {noPlot, noPlot, 33.89, 43.2, noPlot},
			"K7": {41.4, noPlot, noPlot, 38.05, noPlot}, "K8": {29.13, noPlot, 16.92, noPlot, noPlot},
			"K9": {noPlot, 29.92, noPlot, noPlot, 20.58},
		}),
		df:        5,
		p:         map[string]float64{"A1": 0.96757044, "B2": 0.038958979, "C3": 0.99976508, "D4": 0.033399347},
		tolerance: 1e-5,
	},
}

// noPlot marks a plot that is not there.
var noPlot = math.NaN()

// tableRows makes rows of one table: a line of values a block, one a treatment, on
// top of base.
func tableRows(base float64, treatments []string, blocks map[string][]float64) []stats.Row {
	var rows []stats.Row
	for b, line := range blocks {
		for i, v := range line {
			if !math.IsNaN(v) {
				rows = append(rows, stats.Row{Block: b, Treatment: treatments[i], Value: base + v})
			}
		}
	}
	return rows
}

func TestControlComparisonWithPatchyPlots(t *testing.T) {
	for _, c := range patchyTables {
		opt := stats.DefaultOptions()
		opt.Control = "CTRL"
		start := spent(t)
		a, err := stats.Analyse(c.rows, opt)
		if err != nil {
			t.Fatal(err)
		}
		// Far above the second of processor time that it takes.
		if took := spent(t) - start; took > 20*time.Second {
			t.Errorf("%s: took %v", c.name, took)
		}
		if a.ResidualDF != c.df || len(a.VsControl) != len(c.p) {
			t.Fatalf("%s: %d df, %d comparisons", c.name, a.ResidualDF, len(a.VsControl))
		}
		for _, v := range a.VsControl {
			if v.P == nil || math.Abs(*v.P-c.p[v.Treatment]) > c.tolerance+v.PError || v.PError > 1e-5 {
				t.Errorf("%s, %s: p %v with error %v, want %v", c.name, v.Treatment, orNaN(v.P), v.PError, c.p[v.Treatment])
			}
		}
	}
}

// spent is the processor time that the tests have taken so far, which a busy
// machine does not lengthen.
func spent(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func orNaN(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

// An ended context ends the analysis and its randomisation test.
func TestAnalysisStopsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	opt := stats.DefaultOptions()
	if _, err := stats.Analyse(patchyTables[0].rows, opt.WithContext(ctx)); !errors.Is(err, context.Canceled) {
		t.Errorf("without a control: %v", err)
	}
	opt.Control, opt.Randomise.Draws = "CTRL", 0
	if _, err := stats.Analyse(patchyTables[1].rows, opt.WithContext(ctx)); !errors.Is(err, context.Canceled) {
		t.Errorf("with a control: %v", err)
	}
}

// Steps beyond doubt are not integrated: their p values are bounds that stay
// above those of one comparison alone, below the limit, and in order with all
// other steps. That of the largest statistic is the p value of the single step.
func TestStepsBeyondDoubt(t *testing.T) {
	rng := rand.New(rand.NewPCG(14, 1))
	beyond := 0
	for range 12 {
		var rows []stats.Row
		for b := range 4 {
			for k := range 6 {
				if b > 0 && rng.Float64() < 0.12 {
					continue
				}
				rows = append(rows, stats.Row{Block: fmt.Sprint(b), Treatment: fmt.Sprint("T", k), Value: float64(6*k*(k%2)) + float64(k) + float64(b) + rng.NormFloat64()})
			}
		}
		o := plain()
		o.Control, o.Side = "T0", []stats.Side{stats.BothSides, stats.AboveControl}[rng.IntN(2)]
		a := analyse(t, rows, o)
		steps, err := a.VsControlStepDownContext(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		single := map[string]float64{}
		for _, c := range a.VsControl {
			single[c.Treatment] = *c.P
		}
		against := func(c stats.ControlComparison) float64 {
			if o.Side == stats.BothSides {
				return math.Abs(*c.T)
			}
			return *c.T
		}
		slices.SortFunc(steps, func(x, y stats.ControlComparison) int { return cmp.Compare(against(y), against(x)) })
		if c := steps[0]; math.Abs(*c.P-single[c.Treatment]) > 2*c.PError+1e-12 {
			t.Errorf("%s, the first step: %v, %v at once", c.Treatment, *c.P, single[c.Treatment])
		}
		for i, c := range steps {
			alone, err := dist.TSF(against(c), float64(a.ResidualDF))
			if err != nil {
				t.Fatal(err)
			}
			if o.Side == stats.BothSides {
				alone *= 2
			}
			if *c.P < alone-2*c.PError-1e-12*alone || i > 0 && *c.P < *steps[i-1].P {
				t.Errorf("%s, step %d: %v, %v alone", c.Treatment, i+1, *c.P, alone)
			}
			if *c.P > single[c.Treatment] {
				t.Errorf("%s: %v step by step, %v at once", c.Treatment, *c.P, single[c.Treatment])
			}
			if *c.P <= 1e-6 {
				beyond++
				if c.PError > 5e-6 || *c.P == 0 {
					t.Errorf("%s: p %v known to %v", c.Treatment, *c.P, c.PError)
				}
			}
		}
	}
	if beyond < 5 {
		t.Errorf("%d steps beyond doubt", beyond)
	}
}
