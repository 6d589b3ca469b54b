package analysis

import (
	"errors"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// The plan's contrasts, rates and factors are answered unasked; what has lost
// its treatment is said.
func TestQuestionsOfThePlan(t *testing.T) {
	compare := func(change func(*trial.Trial)) Comparison {
		t.Helper()
		snap := pairedTrial(func(v float64) float64 { return v })
		change(&snap.Trial)
		o := DefaultOptions()
		o.Visit, o.Model = 1, NoModel
		c, err := Compare(snap, "cover", o)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	mulches := trial.Contrast{Name: "mulches", Of: []string{"RYE", "STRAW"}, Against: []string{"BARE"}}
	c := compare(func(tr *trial.Trial) { tr.Contrasts = []trial.Contrast{mulches} })
	if c.Planned == nil || len(c.Planned.Contrasts) != 1 {
		t.Fatalf("%+v", c.Planned)
	}
	means := map[string]float64{}
	for _, x := range c.Analysis.Treatments {
		means[x.Treatment] = *x.Adjusted
	}
	near(t, "mulches less BARE", *c.Planned.Contrasts[0].Average, (means["RYE"]+means["STRAW"])/2-means["BARE"], 1e-12)

	gone := mulches
	gone.Of = []string{"RYE", "CLOVER"}
	if c := compare(func(tr *trial.Trial) { tr.Contrasts = []trial.Contrast{gone} }); c.Planned != nil || !strings.Contains(strings.Join(c.Notes, "\n"), "no plot of CLOVER") {
		t.Errorf("%+v, %q", c.Planned, c.Notes)
	}
	rate := func(tr *trial.Trial, units ...string) {
		for i := range tr.Treatments {
			v := []float64{0, 60, 120}[i]
			tr.Treatments[i].Rate, tr.Treatments[i].RateUnit = &v, units[i%len(units)]
		}
	}
	if c := compare(func(tr *trial.Trial) { rate(tr, "kg/ha") }); c.Trend == nil || len(c.Trend.Rates) != 3 {
		t.Errorf("trend %+v, %q", c.Trend, c.Notes)
	}
	if c := compare(func(tr *trial.Trial) { rate(tr, "kg/ha", "lb/acre") }); c.Trend != nil || !strings.Contains(strings.Join(c.Notes, "\n"), "in kg/ha and in lb/acre") {
		t.Errorf("rates in two units gave %+v, %q", c.Trend, c.Notes)
	}
	levels := func(name string, of ...string) trial.Factor {
		return trial.Factor{Name: name, Levels: []trial.FactorLevel{{Treatment: "BARE", Level: of[0]}, {Treatment: "RYE", Level: of[1]}, {Treatment: "STRAW", Level: of[2]}}}
	}
	if c := compare(func(tr *trial.Trial) { tr.Factors = []trial.Factor{levels("cover", "0", "50", "90")} }); c.Trend == nil {
		t.Errorf("one factor of numbers is no trend: %q", c.Notes)
	}
	c = compare(func(tr *trial.Trial) {
		tr.Factors = []trial.Factor{levels("residue", "none", "grass", "grass"), levels("cut", "no", "no", "yes")}
	})
	if c.Factorial == nil || len(c.Factorial.Absent) != 1 {
		t.Errorf("factors %+v, %q", c.Factorial, c.Notes)
	}
}

// A covariate of a day after something was done to single treatments is
// refused unless forced, and then said; without any date that is said.
func TestCovariateBeforeTreatments(t *testing.T) {
	for name, x := range map[string]struct {
		done   []record.Operation
		plan   string // planned day of termination of RYE
		after  bool
		refuse bool
		note   string
	}{
		"nothing known":        {note: "could not be checked"},
		"on all plots":         {done: []record.Operation{{What: "ploughing", Date: dateOf("2026-05-01")}}, note: "could not be checked"},
		"done before":          {done: []record.Operation{{What: "rolling", Treatment: "RYE", Date: dateOf("2026-05-01")}}, refuse: true},
		"done the same day":    {done: []record.Operation{{What: "rolling", Treatment: "RYE", Date: dateOf("2026-06-01")}}, refuse: true},
		"done on one plot":     {done: []record.Operation{{What: "hoeing", Plot: "101", Date: dateOf("2026-05-31")}}, refuse: true},
		"done after":           {done: []record.Operation{{What: "rolling", Treatment: "RYE", Date: dateOf("2026-06-02")}}},
		"planned before":       {plan: "2026-05-01", refuse: true},
		"planned after":        {plan: "2026-06-10"},
		"done after, not plan": {plan: "2026-05-01", done: []record.Operation{{What: "rolling", Treatment: "RYE", Date: dateOf("2026-06-02")}}},
		"forced":               {done: []record.Operation{{What: "rolling", Treatment: "RYE", Date: dateOf("2026-05-01")}}, after: true, note: "is taken out of their effect"},
	} {
		snap := pairedTrial(func(v float64) float64 { return v })
		snap.Operations = x.done
		if x.plan != "" {
			snap.Trial.Treatments[1].Terminated = dateOf(x.plan)
		}
		o := DefaultOptions()
		o.Visit, o.Model, o.Covariate, o.CovariateAfter = 2, NoModel, &Covariate{"cover", 1}, x.after
		c, err := Compare(snap, "cover", o)
		var usage UsageError
		switch {
		case x.refuse:
			if !errors.As(err, &usage) || !strings.Contains(err.Error(), "--covariate-after") {
				t.Errorf("%s: %v", name, err)
			}
		case err != nil:
			t.Errorf("%s: %v", name, err)
		case c.Analysis.Covariate == nil:
			t.Errorf("%s: nothing says what the covariate did", name)
		case !strings.Contains(strings.Join(c.Notes, "\n"), x.note) || x.note == "" && len(c.Notes) > 0:
			t.Errorf("%s: notes %q, want %q", name, c.Notes, x.note)
		}
	}
}

// The plan's primary response is known by any of its names, another one is
// secondary, and a class of it is not it.
func TestStandingOfResponses(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	for _, x := range []struct {
		primary, response string
		is                bool
	}{{"cover", "green-cover", true}, {"Green cover", "cover", true}, {"hand-cover", "cover", false}, {"", "cover", false}} {
		snap.Trial.Primary = x.primary
		o := DefaultOptions()
		o.Visit, o.Model = 1, NoModel
		c, err := Compare(snap, x.response, o)
		if err != nil {
			t.Fatal(err)
		}
		if s := c.Standing; s.IsPrimary != x.is || s.Primary != x.primary || s.Responses < 2 || len(s.Tried) > 0 {
			t.Errorf("%+v: %+v", x, s)
		}
	}
	o := DefaultOptions()
	o.Visit, o.Model, o.Scale, o.Side = 1, NoModel, stats.Logit, stats.BelowControl
	c, err := Compare(snap, "cover", o)
	if err != nil || strings.Join(c.Standing.New, ", ") != "scale logit, side below" {
		t.Errorf("%v %+v", err, c.Standing)
	}
}

// A trial whose plan names two factors is analysed as a split or strip plot as a
// table with the same values is; what the plan cannot say is refused with what
// it would take.
func TestLayoutInsideATrial(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	for _, p := range snap.Plots[:] {
		if p.Treatment != "STRAW" {
			continue
		}
		q := p
		q.ID, q.Treatment = p.ID+"b", "MIX"
		snap.Plots = append(snap.Plots, q)
		for _, x := range snap.Photos {
			if x.Place.Plot == p.ID {
				x.Place.Plot, x.Path = q.ID, "b"+x.Path
				x.Result = &record.Result{CoverFrac: 0.9*x.Result.CoverFrac + 0.02*float64(x.Place.Quadrat)}
				snap.Photos = append(snap.Photos, x)
			}
		}
	}
	snap.Trial.Treatments = append(snap.Trial.Treatments, trial.Treatment{Code: "MIX"})
	factor := func(name string, of ...string) trial.Factor {
		f := trial.Factor{Name: name}
		for i, code := range []string{"BARE", "RYE", "STRAW", "MIX"}[:len(of)] {
			f.Levels = append(f.Levels, trial.FactorLevel{Treatment: code, Level: of[i]})
		}
		return f
	}
	snap.Trial.Factors = []trial.Factor{factor("mulch", "none", "none", "some", "some"), factor("cut", "no", "yes", "no", "yes")}
	r, err := Find(snap, "cover", "")
	if err != nil {
		t.Fatal(err)
	}
	rs, _, err := r.Readings(snap)
	if err != nil {
		t.Fatal(err)
	}
	days, _ := VisitDays(rs)
	rows := rowsOf(snap, r.valuesOf(snap, rs, 1, days))
	for _, kind := range []stats.StrataKind{stats.SplitPlot, stats.StripPlot} {
		o := DefaultOptions()
		o.Visit, o.Layout = 1, kind
		inTrial, err := Compare(snap, "cover", o)
		if err != nil {
			t.Fatal(err)
		}
		o.Visit, o.Factors = 0, snap.Trial.Factors
		table, err := CompareRows(rows, "cover", stats.Percent, o)
		if err != nil {
			t.Fatal(err)
		}
		if inTrial.Strata == nil || len(inTrial.Strata.Tests) != 3 || inTrial.Strata.Kind != kind {
			t.Fatalf("%+v", inTrial.Strata)
		}
		for i, x := range inTrial.Strata.Tests {
			if y := table.Strata.Tests[i]; x.Term != y.Term || *x.F != *y.F || x.DenDF != y.DenDF {
				t.Errorf("%s: %+v in the trial, %+v from a table", kind, x, y)
			}
		}
		if !strings.Contains(strings.Join(inTrial.Notes, "\n"), "on your word") {
			t.Errorf("%q", inTrial.Notes)
		}
		// The other factor may have the larger plots.
		o = DefaultOptions()
		o.Visit, o.Layout, o.LayoutFactors = 1, kind, []string{"cut", "Mulch"}
		turned, err := Compare(snap, "cover", o)
		if err != nil || turned.Strata.Tests[0].Term != "cut" {
			t.Errorf("%v, %+v", err, turned.Strata)
		}
	}
	for want, change := range map[string]func(*record.Snapshot, *Options){
		"no factor \"water\"":        func(_ *record.Snapshot, o *Options) { o.LayoutFactors = []string{"water", "cut"} },
		"the plan has 1":             func(s *record.Snapshot, _ *Options) { s.Trial.Factors = s.Trial.Factors[:1] },
		"MIX has no level of cut":    func(s *record.Snapshot, _ *Options) { s.Trial.Factors[1] = factor("cut", "no", "yes", "no") },
		"compared at one visit":      func(_ *record.Snapshot, o *Options) { o.Visit = 0 },
		"without covariate":          func(_ *record.Snapshot, o *Options) { o.Contrasts = []string{"RYE - BARE"} },
		"step-down test":             func(_ *record.Snapshot, o *Options) { o.StepDown = true },
		"second looks":               func(_ *record.Snapshot, o *Options) { o.SecondLooks = true },
		"or values that carry an un": func(_ *record.Snapshot, o *Options) { o.Calibrated = true },
	} {
		s := *snap
		s.Trial.Factors = append([]trial.Factor(nil), snap.Trial.Factors...)
		o := DefaultOptions()
		o.Visit, o.Layout = 1, stats.SplitPlot
		change(&s, &o)
		var usage UsageError
		if _, err := Compare(&s, "cover", o); !errors.As(err, &usage) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
