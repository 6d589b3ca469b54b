package analysis

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// pairedTrial is an invented trial of 3 treatments in 4 blocks at 2 visits with
// 2 quadrats a plot; hand says what a person judged in quadrat 1.
func pairedTrial(hand func(image float64) float64) *record.Snapshot {
	s := &record.Snapshot{Trial: trial.Trial{Name: "Alder Bend", Design: trial.CompleteBlocks, Blocks: 4,
		Treatments: []trial.Treatment{{Code: "BARE", Control: true}, {Code: "RYE"}, {Code: "STRAW"}},
		Quadrat:    trial.Quadrat{WidthMM: 500, LengthMM: 500, PerPlot: 2}, Visits: []trial.Date{dateOf("2026-06-01"), dateOf("2026-06-15")}}}
	rng := rand.New(rand.NewPCG(3, 9))
	for b := range 4 {
		for i, code := range []string{"BARE", "RYE", "STRAW"} {
			p := trial.Plot{ID: fmt.Sprintf("%d0%d", b+1, i+1), Block: fmt.Sprint(b + 1), Treatment: code}
			s.Plots = append(s.Plots, p)
			for visit := 1; visit <= 2; visit++ {
				taken := fmt.Sprintf("2026-06-%02dT09:00:00", 1+14*(visit-1))
				for q := 1; q <= 2; q++ {
					image := math.Round(1000*(0.1+0.12*float64(i)+0.1*float64(visit)+0.05*rng.Float64())) / 1000
					s.Photos = append(s.Photos, record.Photo{
						PhotoFacts: record.PhotoFacts{Path: fmt.Sprintf("%s-%d-%d.jpg", p.ID, visit, q), Taken: taken},
						Place:      record.Place{State: record.PlaceKnown, Plot: p.ID, Quadrat: q, Visit: visit},
						Result:     &record.Result{CoverFrac: image},
					})
					if q == 1 {
						s.Observations = append(s.Observations, record.Observation{Plot: p.ID, Quadrat: q, Visit: visit, Variable: "cover", Value: hand(image), Unit: "fraction"})
					}
				}
			}
		}
	}
	return s
}

func dateOf(s string) trial.Date {
	d, err := trial.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

func calibratedOptions(visit int) Options {
	o := DefaultOptions()
	o.Visit, o.Control, o.Calibrated, o.Model = visit, "BARE", true, NoModel
	return o
}

func TestCalibratedComparison(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 4))
	snap := pairedTrial(func(image float64) float64 { return 0.03 + 1.3*image + 0.02*rng.NormFloat64() })
	f := calibratedOptions(2)
	c, err := Compare(snap, "cover", f)
	if err != nil {
		t.Fatal(err)
	}
	f.Calibrated, f.Scale = false, stats.Raw
	raw, err := Compare(snap, "cover", f)
	if err != nil {
		t.Fatal(err)
	}
	if raw.Calibrated != nil || raw.Analysis.Own != nil {
		t.Error("values were calibrated unasked")
	}
	if c.Calibrated == nil || c.Calibrated.Pairs != 24 || c.Calibrated.Plots != 12 {
		t.Fatalf("calibrated by %+v", c.Calibrated)
	}
	opt := calibrate.DefaultOptions()
	opt.Unit = calibrate.UnitFraction
	agreement, err := Agree(snap, opt, Against{Of: GreenCover})
	if err != nil {
		t.Fatal(err)
	}
	line := agreement.Calibration.Chosen
	for i, p := range c.Analysis.Plots {
		want := 100 * line.At(raw.Analysis.Plots[i].Value/100)
		close6(t, "plot "+p.Name, &p.Value, want, 1e-9)
	}
	// In a balanced trial a difference of two treatments has MSE/2 from the
	// plots, and from the calibration the slope's variance times the squared
	// difference in the image and the scatter of 4 plots each.
	for _, p := range c.Analysis.Pairs {
		q := pairRow(t, raw.Analysis, p.A, p.B)
		scatter := line.PlotVar + line.QuadratVar/2
		own := line.Cov[1][1]*(*q.Difference/100)*(*q.Difference/100) + scatter/2
		close6(t, p.A+"-"+p.B, p.SED, math.Sqrt(*c.Analysis.MSE/2+1e4*own), 1e-9)
	}
}

// Where the hand always says what the image says, the line is certain and
// calibrated values are the raw ones.
func TestCalibratedByPerfectAgreement(t *testing.T) {
	snap := pairedTrial(func(image float64) float64 { return image })
	for _, visit := range []int{0, 1, 2} {
		f := calibratedOptions(visit)
		c, err := Compare(snap, "cover", f)
		if err != nil {
			t.Fatal(err)
		}
		f.Calibrated, f.Scale = false, stats.Raw
		raw, err := Compare(snap, "cover", f)
		if err != nil {
			t.Fatal(err)
		}
		got, want := c.Analysis, raw.Analysis
		if visit == 0 {
			got, want = &c.Season.PeriodMean, &raw.Season.PeriodMean
		}
		for i, p := range want.Pairs {
			close6(t, fmt.Sprintf("visit %d SED", visit), got.Pairs[i].SED, *p.SED, 1e-6)
			close6(t, fmt.Sprintf("visit %d p", visit), got.Pairs[i].P, *p.P, 1e-6)
		}
	}
}

// Pieces go through the line of counts, and densities are those of the
// quadrat.
func TestCalibratedPieces(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	snap := pairedTrial(func(float64) float64 { return 0 })
	snap.Observations = nil
	for i := range snap.Photos {
		p := &snap.Photos[i]
		p.Result.Pieces = 3 + int(60*p.Result.CoverFrac)
		if p.Place.Quadrat == 1 {
			snap.Observations = append(snap.Observations, record.Observation{Plot: p.Place.Plot, Quadrat: 1, Visit: p.Place.Visit, Variable: "count",
				Value: math.Round(1.4*float64(p.Result.Pieces) + 3*rng.NormFloat64())})
		}
	}
	c, err := Compare(snap, "pieces", calibratedOptions(0))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(c.Calibrated.Method, "quasi-Poisson") || c.Season.PeriodMean.Own == nil {
		t.Errorf("calibrated by %+v", c.Calibrated)
	}
	if c.Calibrated.Slope < 1.1 || c.Calibrated.Slope > 1.7 {
		t.Errorf("slope %g, made as 1.4", c.Calibrated.Slope)
	}
	raw := calibratedOptions(0)
	raw.Calibrated = false
	r, err := Compare(snap, "pieces", raw)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range c.Season.PeriodMean.Plots {
		close6(t, p.Name, &p.Value, c.Calibrated.Intercept+c.Calibrated.Slope*r.Season.PeriodMean.Plots[i].Value, 1e-9)
	}
	for i, p := range c.Season.PeriodMean.Pairs {
		if plain := r.Season.PeriodMean.Pairs[i]; *p.SED <= 0 || *p.P < 0 || *p.P > 1 || plain.SED == nil {
			t.Errorf("%+v", p)
		}
	}
}

func TestCalibratedRefusals(t *testing.T) {
	falling := pairedTrial(func(image float64) float64 { return 0.9 - image })
	for name, c := range map[string]struct {
		snap     *record.Snapshot
		response string
		says     string
	}{
		"no pairs":      {&record.Snapshot{Trial: falling.Trial, Plots: falling.Plots, Photos: falling.Photos}, "cover", "held against the hand"},
		"falling line":  {falling, "cover", "falls"},
		"judged by eye": {falling, "hand-cover", "goes with cover and pieces"},
	} {
		if _, err := Compare(c.snap, c.response, calibratedOptions(1)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Plots beyond the pairs are calibrated and named.
func TestCalibratedExtrapolation(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	snap := pairedTrial(func(image float64) float64 { return 1.1*image + 0.01*rng.NormFloat64() })
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.Place.Plot == "303" && p.Place.Quadrat == 2 {
			p.Result.CoverFrac = 0.95
		}
	}
	c, err := Compare(snap, "cover", calibratedOptions(2))
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(c.Calibrated.Extrapolated, "; "); !strings.Contains(got, "303 at visit 2") {
		t.Errorf("extrapolated: %q", got)
	}
}

func close6(t *testing.T, what string, got *float64, want, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not given, want %g", what, want)
	} else if !(math.Abs(*got-want) <= tol) {
		t.Errorf("%s = %.8g, want %g within %g", what, *got, want, tol)
	}
}

func pairRow(t *testing.T, a *stats.Analysis, x, y string) stats.Pair {
	t.Helper()
	for _, p := range a.Pairs {
		if p.A == x && p.B == y || p.A == y && p.B == x {
			return p
		}
	}
	t.Fatalf("no pair %s %s", x, y)
	return stats.Pair{}
}

// TestCovarianceOverVisits: two plots at two visits, worked out by hand. The
// line itself gives every two means 1 and each mean 4; the lasting variance of
// 0.5 is shared by the visits of a plot and by nothing else, whatever the plot
// variance on one visit is. For counts it
// grows with the root of both values: 0.5 x sqrt(4 x 9) = 3.
func TestCovarianceOverVisits(t *testing.T) {
	order := []Place{{Plot: "101", Visit: 1}, {Plot: "102", Visit: 1}, {Plot: "101", Visit: 2}, {Plot: "102", Visit: 2}}
	means := &calibrate.CalibratedMeans{Values: []float64{4, 16, 9, 25}, Cov: [][]float64{{4, 1, 1, 1}, {1, 4, 1, 1}, {1, 1, 4, 1}, {1, 1, 1, 4}}}
	for _, c := range []struct {
		method calibrate.Method
		want   [][]float64
	}{
		{calibrate.MethodOLS, [][]float64{{4, 1, 1.5, 1}, {1, 4, 1, 1.5}, {1.5, 1, 4, 1}, {1, 1.5, 1, 4}}},
		{calibrate.MethodCounts, [][]float64{{4, 1, 4, 1}, {1, 4, 1, 11}, {4, 1, 4, 1}, {1, 11, 1, 4}}},
	} {
		line := &calibrate.Line{PlotVar: 2, LastingVar: 0.5, Method: c.method}
		got := covarianceOverVisits(order, []*calibrate.Line{line, line, line, line}, means)
		for i := range c.want {
			for j := range c.want[i] {
				close6(t, fmt.Sprintf("%s [%d][%d]", c.method, i, j), &got[i][j], c.want[i][j], 1e-12)
			}
		}
	}
}
