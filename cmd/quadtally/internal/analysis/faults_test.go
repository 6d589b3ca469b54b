package analysis

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// A stored value that the program does not compare, and photos of two settings,
// keep every answer from being given, whichever way it is asked for.
func TestFaultsReachEveryAnswer(t *testing.T) {
	fresh := func() *record.Snapshot {
		snap := pairedTrial(func(v float64) float64 { return v })
		snap.Trial.Ground.BedSpacingMM = 1500
		for i, p := range snap.Plots {
			snap.Observations = append(snap.Observations, record.Observation{Plot: p.ID, Date: dateOf("2026-09-01"), Variable: record.VarYield, Class: record.ClassMarketable, Value: 9 + float64(i%5), LengthMM: 3000, Unit: "kg"})
		}
		return snap
	}
	compare := func(name string, change func(*Options)) func(*record.Snapshot) error {
		return func(s *record.Snapshot) error {
			o := DefaultOptions()
			o.Visit, o.Model = 1, NoModel
			if change != nil {
				change(&o)
			}
			_, err := Compare(s, name, o)
			return err
		}
	}
	unit := func(s *record.Snapshot) { s.Observations[0].Unit, s.Observations[0].Source = "%", "a.csv:3" }
	settings := func(s *record.Snapshot) { s.Photos[5].Fingerprint = "other" }
	for name, c := range map[string]struct {
		spoil func(*record.Snapshot)
		says  string
		ask   func(*record.Snapshot) error
	}{
		"compare": {unit, "a.csv:3", func(s *record.Snapshot) error { return compare("hand-cover", nil)(s) }},
		"values":  {unit, "a.csv:3", func(s *record.Snapshot) error { r, _ := Find(s, "hand-cover", ""); _, err := r.Values(s); return err }},
		"combine": {unit, "a.csv:3", func(s *record.Snapshot) error { _, err := ValuesOfTrial(s, "hand-cover", "", 1); return err }},
		"loss": {unit, "a.csv:3", func(s *record.Snapshot) error {
			_, err := YieldLoss(s, LossOptions{Weeds: "hand-cover", Yield: "yield", Visit: 1, Alpha: 0.05})
			return err
		}},
		"covariate":  {unit, "a.csv:3", compare("cover", func(o *Options) { o.Covariate, o.CovariateAfter = &Covariate{"hand-cover", 1}, true })},
		"agree":      {unit, "a.csv:3", func(s *record.Snapshot) error { _, err := Agree(s, calibrate.DefaultOptions(), Against{}); return err }},
		"calibrated": {unit, "a.csv:3", compare("cover", func(o *Options) { o.Calibrated = true })},
		"settings":   {settings, "different settings", compare("cover", nil)},
		"settings, loss": {settings, "different settings", func(s *record.Snapshot) error {
			_, err := YieldLoss(s, LossOptions{Weeds: "cover", Yield: "yield", Visit: 1, Alpha: 0.05})
			return err
		}},
		"settings, cov.":    {settings, "different settings", compare("hand-cover", func(o *Options) { o.Covariate, o.CovariateAfter = &Covariate{"cover", 1}, true })},
		"settings, combine": {settings, "different settings", func(s *record.Snapshot) error { _, err := ValuesOfTrial(s, "cover", "", 1); return err }},
		"no such covariate": {func(*record.Snapshot) {}, "no response \"bulbs\"", compare("cover", func(o *Options) { o.Covariate = &Covariate{"bulbs", 1} })},
	} {
		if err := c.ask(fresh()); err != nil && name != "no such covariate" {
			t.Errorf("%s: unspoilt %v", name, err)
		}
		s := fresh()
		c.spoil(s)
		if err := c.ask(s); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	ended, stop := context.WithCancel(t.Context())
	stop()
	if err := compare("cover", func(o *Options) { o.Model, o.Context = ModelByKind, ended })(fresh()); !errors.Is(err, context.Canceled) {
		t.Errorf("nobody waits: %v", err)
	}
	if err := compare("cover", func(o *Options) { o.Layout = stats.SplitPlot })(fresh()); err == nil || !strings.Contains(err.Error(), "the plan has 0") {
		t.Errorf("a split plot of no factors: %v", err)
	}
}

// Weed cover carries its check points: it is compared raw and no other way, and
// its season says visit by visit how it was come by.
func TestWeedCoverIsComparedRaw(t *testing.T) {
	codes := twoPlots(trial.Metric).Trial.Treatments
	snap := classifiedTrial(6, map[string]float64{codes[0].Code: 0.5, codes[1].Code: 0.3}, map[string]float64{codes[0].Code: 0.4, codes[1].Code: 0.3})
	o := DefaultOptions()
	for _, scale := range []stats.Scale{"", stats.Raw} {
		o.Scale = scale
		c, err := Compare(snap, "weed-cover", o)
		if err != nil || c.Analysis == nil || c.Analysis.Own == nil || len(c.Checked) != 1 || c.Analysis.Transform.Scale != stats.Raw || c.CoverModel != nil {
			t.Errorf("%q: %+v %v", scale, c.Checked, err)
		}
	}
	o.Scale = stats.Logit
	var usage UsageError
	if _, err := Compare(snap, "weed-cover", o); !errors.As(err, &usage) || !strings.Contains(err.Error(), "on the raw scale") {
		t.Errorf("%v", err)
	}
	values, err := ValuesOfTrial(snap, "weed-cover", "", 1)
	if err != nil || !values.ByClass || values.Own == nil || len(values.Own.Cov) != len(values.Plots) || len(values.Checked) != 1 {
		t.Errorf("%+v %v", values, err)
	}
	r, _ := Find(snap, "weed-cover", "")
	ses, err := r.PlotErrors(snap)
	if err != nil || len(ses) != 12 {
		t.Fatalf("%v %v", ses, err)
	}
	for i, p := range values.Own.Plots {
		near(t, "standard error of "+p, ses[Place{Plot: p, Visit: 1}], math.Sqrt(values.Own.Cov[i][i]), 1e-9)
	}
	green, _ := Find(snap, "cover", "")
	if ses, err := green.PlotErrors(snap); ses != nil || err != nil {
		t.Errorf("everything green: %v %v", ses, err)
	}
}

// Places and years go with each plot where they are told apart; a mean of nothing
// comes back as nothing.
func TestCombinedPlacesAndScales(t *testing.T) {
	var list []TrialValues
	for i, x := range [][2]string{{"east", "2024"}, {"east", "2025"}, {"west", "2024"}, {"west", "2025"}} {
		v := trialsOf(stats.Measure, threeTrials[i%3])[0]
		v.Name, v.Place, v.Year = x[0]+x[1], x[0], x[1]
		v.Plots = append([]stats.CombinePlot(nil), v.Plots...)
		for k := range v.Plots {
			v.Plots[k].Value += float64(i*k%4) + float64(i)
		}
		list = append(list, v)
	}
	got, err := CombineTrials(list, CombineOptions{Alpha: 0.05, Cross: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range got.input.Plots {
		if p.Place+p.Year != p.Trial {
			t.Errorf("%+v", p)
		}
	}
	if strings.Contains(strings.Join(got.Notes, "; "), "--places-and-years") {
		t.Errorf("%q", got.Notes)
	}
	if s, err := got.Script("four trials"); err != nil || !strings.Contains(s, "place") {
		t.Errorf("%v", err)
	}
	none := trialsOf(stats.Count, []float64{8, 6, 0, 9, 5, 0, 7, 6, 0}, []float64{18, 12, 0, 16, 13, 0, 19, 11, 0}, []float64{11, 6, 0, 13, 7, 0, 12, 9, 0})
	for _, scale := range []stats.Scale{"", stats.LogPlus1} {
		got, err := CombineTrials(none, CombineOptions{Alpha: 0.05, Scale: scale})
		if err != nil {
			t.Fatal(err)
		}
		for i, m := range got.Means {
			if (got.Back[i] == 0) != (m.Treatment == "C") || got.Back[i] < 0 {
				t.Errorf("%q: %s comes back as %g", scale, m.Treatment, got.Back[i])
			}
		}
	}
	if _, err := CombineTrials(none, CombineOptions{Alpha: 0.05, Scale: stats.Logit}); err == nil {
		t.Error("counts on the logit scale")
	}
	if _, err := CombineTrials(none[:1], CombineOptions{Alpha: 0.05}); err == nil {
		t.Error("one trial alone")
	}
}

// Work on a plot is work on its treatment; a plot with a stand alone has no
// weights, and one with nothing is not listed.
func TestWorkAndHarvestOfPlots(t *testing.T) {
	snap := twoPlots(trial.Metric)
	snap.Operations = []record.Operation{{What: "termination", Plot: "102", Date: dateOf("2025-05-12")}}
	for _, set := range datesDone(snap) {
		if set.Operation == "termination" && fmt.Sprint(set.ByTreatment) != "map[RYE:[2025-05-12]]" {
			t.Errorf("%v", set.ByTreatment)
		}
	}
	snap.Observations = []record.Observation{{Plot: "101", Variable: record.VarStand, Value: 24, LengthMM: 4000, Source: "s.csv:2"}}
	h := Harvests(snap)
	if len(h) != 1 || h[0].Plot != "101" || h[0].MarketableKG != nil || h[0].Pieces != nil || *h[0].Stand != 24 || h[0].Picks != 0 || h[0].LengthMM != 4000 || fmt.Sprint(h[0].Sources) != "[s.csv:2]" {
		t.Errorf("%+v", h)
	}
}

// A curve that levels off starts the script where it was found.
func TestScriptOfABentLoss(t *testing.T) {
	text := "weeds,yield\n"
	for i := range 24 {
		w := float64(i * i)
		text += fmt.Sprintf("%g,%g\n", w, 10*(1-0.05*w/(1+0.05*w/0.8))+0.05*float64(i%3-1))
	}
	got, err := YieldLossOfTable(sheetOf(t, "t.csv", text), LossOptions{Weeds: "weeds", Yield: "yield", WeedsSet: true, Alpha: 0.05}, tables.Undecided)
	if err != nil || got.Hyperbola == nil || !got.Causal {
		t.Fatalf("%+v %v", got, err)
	}
	near(t, "weed-free yield", got.Hyperbola.WeedFree, 10, 0.2)
	s, err := got.Script()
	if err != nil || !strings.Contains(s, strings.TrimRight(fmt.Sprintf("%.6f", got.Hyperbola.WeedFree), "0")[:5]) {
		t.Errorf("%v\n%.600s", err, s)
	}
}
