package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// rowsOfBlocks are rows of a table: one value for each treatment in each block.
func rowsOfBlocks(treatments string, blocks ...[]float64) []stats.Row {
	var out []stats.Row
	for b, list := range blocks {
		for i, code := range strings.Fields(treatments) {
			out = append(out, stats.Row{Treatment: code, Block: fmt.Sprint(b + 1), Plot: fmt.Sprintf("%d%02d", b+1, i+1), Value: list[i], Missing: math.IsNaN(list[i]), Source: fmt.Sprintf("t.csv:%d", b*len(list)+i+2)})
		}
	}
	return out
}

var fourBlocks = [][]float64{{40, 31, 12}, {44, 33, 15}, {38, 30, 11}, {46, 34, 18}}

// A margin is asked about the side that is worse for the response, which is told
// by its role or by the user; a reference that is not there, a side that no one
// knows and a share on another scale are refused.
func TestMargins(t *testing.T) {
	for name, x := range map[string]struct {
		response string
		kind     stats.Kind
		m        Margin
		worse    stats.Side
		refuse   string
	}{
		"weeds":                {"count", stats.Measure, Margin{Reference: "A", By: 5, OneSided: true}, stats.AboveControl, ""},
		"everything green":     {"cover", stats.Measure, Margin{Reference: "A", By: 5, OneSided: true}, stats.AboveControl, ""},
		"crop":                 {"yield", stats.Measure, Margin{Reference: "A", By: 5, OneSided: true}, stats.BelowControl, ""},
		"told":                 {"yield", stats.Measure, Margin{Reference: "A", By: 5, OneSided: true, Worse: stats.AboveControl}, stats.AboveControl, ""},
		"both sides":           {"bulbs", stats.Measure, Margin{Reference: "A", By: 5}, stats.BothSides, ""},
		"one side of what":     {"bulbs", stats.Measure, Margin{Reference: "A", By: 5, OneSided: true}, "", "--worse above or --worse below"},
		"no reference":         {"yield", stats.Measure, Margin{Reference: "Z", By: 5}, "", "there are A, B, C"},
		"another scale":        {"cover", stats.Percent, Margin{Reference: "A", By: 5}, "", "--scale raw"},
		"a margin of nothing":  {"yield", stats.Measure, Margin{Reference: "A"}, "", "margin"},
		"a share of the other": {"yield", stats.Measure, Margin{Reference: "A", By: 0.2, Relative: true}, stats.BelowControl, ""},
	} {
		o := DefaultOptions()
		o.Model, o.Margin = NoModel, &x.m
		c, err := CompareRows(rowsOfBlocks("A B C", fourBlocks...), x.response, x.kind, o)
		if x.refuse != "" {
			var usage UsageError
			if !errors.As(err, &usage) || !strings.Contains(err.Error(), x.refuse) {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		g := c.Margin
		if g.Worse != x.worse || g.Reference != "A" || g.Margin != x.m.By || g.Relative != x.m.Relative || g.OneSided != x.m.OneSided || g.Alpha != 0.05 || len(g.Results) != 2 {
			t.Errorf("%s: %+v", name, g)
			continue
		}
		if d := g.Results[0]; d.Treatment != "B" || d.NotBelow || !x.m.Relative && math.Abs(*d.Difference-(-10)) > 1e-9 { // means 32 and 42
			t.Errorf("%s: %+v", name, d)
		}
	}
}

// Contrasts of the user are answered with Holm's way unless another is named, and
// one that cannot be read is a fault of the user.
func TestContrastsOfTheUser(t *testing.T) {
	compare := func(o Options) (Comparison, error) {
		o.Model = NoModel
		return CompareRows(rowsOfBlocks("A B C", fourBlocks...), "yield", stats.Measure, o)
	}
	o := DefaultOptions()
	o.Contrasts = []string{"A - B", "A - C"}
	holm, err := compare(o)
	if err != nil || len(holm.Planned.Contrasts) != 2 {
		t.Fatalf("%+v %v", holm.Planned, err)
	}
	near(t, "A less B", *holm.Planned.Contrasts[0].Average, 10, 1e-9)
	o.Together = stats.ContrastsHolm
	if same, err := compare(o); err != nil || fmt.Sprint(same.Planned.Adjustment) != fmt.Sprint(holm.Planned.Adjustment) {
		t.Errorf("%+v %v", same.Planned, err)
	}
	for _, bad := range []string{"A - Z", "", "A"} {
		o.Contrasts = []string{bad}
		var usage UsageError
		if _, err := compare(o); !errors.As(err, &usage) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	o.Contrasts, o.Together = []string{"A - B"}, "guess"
	var usage UsageError
	if _, err := compare(o); !errors.As(err, &usage) {
		t.Errorf("another way: %v", err)
	}
}

// The step-down test needs a control; rates need two different ones and no
// second factor.
func TestStepDownAndTrends(t *testing.T) {
	o := DefaultOptions()
	o.Model, o.StepDown = NoModel, true
	rows := rowsOfBlocks("A B C", fourBlocks...)
	if _, err := CompareRows(rows, "yield", stats.Measure, o); err == nil || !strings.Contains(err.Error(), "--control") {
		t.Errorf("%v", err)
	}
	o.Control = "A"
	if c, err := CompareRows(rows, "yield", stats.Measure, o); err != nil || len(c.StepDown) != 2 || c.StepDown[0].Treatment != "B" || !c.StepDown[0].Differ {
		t.Errorf("%+v %v", c.StepDown, err)
	}
	levels := func(name string, of ...string) trial.Factor {
		f := trial.Factor{Name: name}
		for i, l := range of {
			f.Levels = append(f.Levels, trial.FactorLevel{Treatment: string(rune('A' + i)), Level: l})
		}
		return f
	}
	for name, x := range map[string]struct {
		a     Asked
		trend bool
	}{
		"no rates":                {Asked{}, false},
		"three rates":             {Asked{Rates: map[string]float64{"A": 0, "B": 50, "C": 100}}, true},
		"two rates":               {Asked{Rates: map[string]float64{"A": 0, "B": 50, "C": 50}}, true},
		"one rate":                {Asked{Rates: map[string]float64{"A": 50, "B": 50, "C": 50}}, false},
		"rates of others":         {Asked{Rates: map[string]float64{"A": 0, "X": 50, "Y": 100}}, false},
		"one factor of numbers":   {Asked{Factors: []trial.Factor{levels("cover", "0", "1.5", "3")}}, true},
		"one factor of words":     {Asked{Factors: []trial.Factor{levels("cover", "0", "1.5", "much")}}, false},
		"one factor, endless":     {Asked{Factors: []trial.Factor{levels("cover", "0", "1", "Inf")}}, false},
		"rates before the factor": {Asked{Rates: map[string]float64{"A": 0, "B": 1, "C": 2}, Factors: []trial.Factor{levels("cover", "a", "b", "c")}}, true},
		"two factors":             {Asked{Rates: map[string]float64{"A": 0, "B": 1, "C": 2}, Factors: []trial.Factor{levels("x", "1", "2", "2"), levels("y", "1", "1", "2")}}, false},
	} {
		o := DefaultOptions()
		o.Model, o.Asked = NoModel, x.a
		c, err := CompareRows(rows, "yield", stats.Measure, o)
		if err != nil || (c.Trend != nil) != x.trend {
			t.Errorf("%s: %+v %v", name, c.Trend, err)
		}
	}
	o = DefaultOptions()
	o.Model, o.Asked = NoModel, Asked{Rates: map[string]float64{"A": 0, "B": 50, "C": 100}}
	c, err := CompareRows(rows, "yield", stats.Measure, o)
	if err != nil || len(c.rates) != 3 || c.rates["C"] != 100 {
		t.Errorf("%v %v", c.rates, err)
	}
}

// Factors are taken apart over the treatments that have a level of each; the
// others are named. Three levels that are numbers give a trend, two do not.
func TestFactorsTakenApart(t *testing.T) {
	rows := rowsOfBlocks("N0a N0b N1a N1b N2a N2b X", []float64{10, 12, 15, 16, 22, 23, 90}, []float64{11, 14, 15, 18, 20, 25, 80}, []float64{9, 13, 17, 17, 21, 22, 85})
	var n, m trial.Factor
	n.Name, m.Name = "nitrogen", "mulch"
	for i, code := range []string{"N0a", "N0b", "N1a", "N1b", "N2a", "N2b"} {
		n.Levels = append(n.Levels, trial.FactorLevel{Treatment: code, Level: fmt.Sprint(50 * (i / 2))})
		m.Levels = append(m.Levels, trial.FactorLevel{Treatment: code, Level: fmt.Sprint(i % 2)})
	}
	o := DefaultOptions()
	o.Model, o.Asked = NoModel, Asked{Factors: []trial.Factor{n, m}}
	c, err := CompareRows(rows, "yield", stats.Measure, o)
	if err != nil || c.Factorial == nil {
		t.Fatalf("%v %q", err, c.Notes)
	}
	f := c.Factorial
	if fmt.Sprint(f.Outside) != "[X]" || len(f.input.Values) != 18 || len(f.input.Blocks) != 18 || f.input.Columns != nil || f.input.Covariate != nil || f.input.Alpha != 0.05 {
		t.Errorf("%+v", f.input)
	}
	if len(f.Trends) != 1 || len(f.Trends[0].Rates) != 3 {
		t.Errorf("trends %+v", f.Trends)
	}
	// Rates that a spreadsheet tells apart by rounding give no trend, which is said.
	near := n
	near.Levels = slices.Clone(n.Levels)
	for i, l := range []string{"0", "0", "0.3", "0.3", "0.30000000000000004", "0.30000000000000004"} {
		near.Levels[i].Level = l
	}
	o.Asked = Asked{Factors: []trial.Factor{near, m}}
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil || c.Factorial == nil || len(c.Factorial.Trends) != 0 || !strings.Contains(strings.Join(c.Notes, "\n"), "no trend over nitrogen: ") {
		t.Errorf("rates alike but for rounding: %+v %q %v", c.Factorial, c.Notes, err)
	}
	m.Levels[0].Level = "none"
	n.Levels[1].Level = "none"
	o.Asked = Asked{Factors: []trial.Factor{n, m}}
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil || c.Factorial == nil || len(c.Factorial.Trends) != 0 {
		t.Errorf("levels in words: %+v %v", c.Factorial, err)
	}
	// One level of a factor cannot be taken apart, which is said.
	for i := range m.Levels {
		m.Levels[i].Level = "all"
	}
	o.Asked = Asked{Factors: []trial.Factor{n, m}}
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil || c.Factorial != nil || !strings.Contains(strings.Join(c.Notes, "\n"), "factors were not taken apart") {
		t.Errorf("one level: %+v %q %v", c.Factorial, c.Notes, err)
	}
	// A covariate goes with the plots that have it.
	for i := range rows {
		rows[i].Covariate, rows[i].HasCovariate = float64(i*i%5), true
	}
	o = DefaultOptions()
	o.Model, o.Covariate = NoModel, &Covariate{Response: "before"}
	m.Levels[0].Level, m.Levels[2].Level, m.Levels[4].Level = "no", "no", "no"
	n.Levels[1].Level = "0"
	o.Asked = Asked{Factors: []trial.Factor{n, m}}
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil || c.Factorial == nil || len(c.Factorial.input.Covariate) != 18 || c.Factorial.input.Covariate[1] != 1 {
		t.Errorf("covariate: %+v %q %v", c.Factorial, c.Notes, err)
	}
}

// A split plot of a table: what is missing is named, levels that are numbers give
// a trend from three on, and what does not fit is refused.
func TestStrataOfATable(t *testing.T) {
	rows := rowsOfBlocks("a0 a1 a2 b0 b1 b2", []float64{10, 14, 15, 20, 23, 28}, []float64{11, 13, 17, 19, 25, 29}, []float64{12, 15, 16, 22, 24, 31})
	var whole, sub trial.Factor
	whole.Name, sub.Name = "mulch", "nitrogen"
	for i, code := range strings.Fields("a0 a1 a2 b0 b1 b2") {
		whole.Levels = append(whole.Levels, trial.FactorLevel{Treatment: code, Level: code[:1]})
		sub.Levels = append(sub.Levels, trial.FactorLevel{Treatment: code, Level: fmt.Sprint(i % 3)})
	}
	o := DefaultOptions()
	o.Layout, o.Factors = stats.SplitPlot, []trial.Factor{whole, sub}
	c, err := CompareRows(rows, "yield", stats.Measure, o)
	if err != nil {
		t.Fatal(err)
	}
	if s := c.Strata; len(s.Trends) != 1 || len(s.Notes) != 0 || s.Response != "yield" || s.Alpha != 0.05 || s.Transform.Scale != stats.Raw || len(s.input.Values) != 18 || c.Main() != nil {
		t.Errorf("%+v", s)
	}
	near := sub
	near.Levels = slices.Clone(sub.Levels)
	for i := range near.Levels {
		near.Levels[i].Level = []string{"0", "0.3", "0.30000000000000004"}[i%3]
	}
	o.Factors = []trial.Factor{whole, near}
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil || len(c.Strata.Trends) != 0 || len(c.Strata.Notes) != 1 || !strings.Contains(c.Strata.Notes[0], "no trend over nitrogen: ") {
		t.Errorf("rates alike but for rounding: %+v %v", c.Strata, err)
	}
	o.Factors = []trial.Factor{sub, whole}
	if c, err = CompareRows(rows, "cover", stats.Percent, o); err != nil || c.Strata.Unit != "%" || c.Strata.Transform.Scale != stats.DefaultScale(stats.Percent) || c.Strata.Tests[0].Term != "nitrogen" {
		t.Errorf("%+v %v", c.Strata, err)
	}
	o.Scale = stats.Raw
	if c, err = CompareRows(rows, "cover", stats.Percent, o); err != nil || c.Strata.Transform.Scale != stats.Raw || c.Strata.input.Values[0] != 10 {
		t.Errorf("%+v %v", c.Strata, err)
	}
	gap := append([]stats.Row(nil), rows...)
	gap[7].Missing = true
	if c, err = CompareRows(gap, "yield", stats.Measure, o); err != nil || len(c.Strata.Notes) != 2 || !strings.Contains(c.Strata.Notes[0], "t.csv:9") || !strings.Contains(c.Strata.Notes[1], "no trend over nitrogen: ") || len(c.Strata.input.Values) != 17 {
		t.Errorf("a gap: %+v %v", c.Strata, err)
	}
	for i := range gap {
		gap[i].Missing = true
	}
	if _, err = CompareRows(gap, "yield", stats.Measure, o); err == nil {
		t.Error("no plot has a value")
	}
	for want, change := range map[string]func(*Options){
		"--factors WHOLE,SUB":  func(o *Options) { o.Factors = o.Factors[:1] },
		"without covariate":    func(o *Options) { o.Covariate = &Covariate{} },
		"one visit, without c": func(o *Options) { o.Contrasts = []string{"a0 - b0"} },
		"or margin":            func(o *Options) { o.Margin = &Margin{Reference: "a0", By: 1} },
		"step-down test":       func(o *Options) { o.StepDown = true },
		"second looks":         func(o *Options) { o.SecondLooks = true },
		"model of your choice": func(o *Options) { o.Model = Beta },
		"at one visit":         func(o *Options) { o.Serial = true },
	} {
		x := o
		change(&x)
		var usage UsageError
		if _, err := CompareRows(rows, "yield", stats.Measure, x); !errors.As(err, &usage) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
	rows[0].Day = 7
	if _, err := CompareRows(rows, "yield", stats.Measure, o); err == nil || !strings.Contains(err.Error(), "one visit") {
		t.Errorf("two days: %v", err)
	}
}

// What a comparison of a trial is refused for: a visit beyond the plan, one
// without values, questions that stand in the plan, and values that are not
// there.
func TestComparisonsThatAreRefused(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	snap.Trial.Visits = append(snap.Trial.Visits, dateOf("2026-06-29"))
	for want, x := range map[string]struct {
		name   string
		change func(*Options)
	}{
		"the plan has 3 visits":             {"cover", func(o *Options) { o.Visit = 4 }},
		"there is no green cover at visit ": {"cover", func(o *Options) { o.Visit = 3 }},
		"there is no marketable yield in":   {"yield", func(*Options) {}},
		"stand in its plan":                 {"cover", func(o *Options) { o.Rates = map[string]float64{"RYE": 1} }},
		"factors of a trial stand in":       {"cover", func(o *Options) { o.Factors = []trial.Factor{{}} }},
		"there is no response":              {"bulbs", func(*Options) {}},
		"name plants, so that weeds":        {"weed-cover", func(*Options) {}},
	} {
		o := DefaultOptions()
		o.Model, o.Visit = NoModel, 1
		x.change(&o)
		if _, err := Compare(snap, x.name, o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
	o := DefaultOptions()
	o.Visit, o.Model = 2, NoModel
	if c, err := Compare(snap, "cover", o); err != nil || c.Visit != 2 || c.Analysis == nil || c.Season != nil || c.Role != Green || c.MadeOf == "" {
		t.Errorf("%+v %v", c, err)
	}
	o.Alpha = 2
	var usage UsageError
	if _, err := Compare(snap, "cover", o); !errors.As(err, &usage) {
		t.Errorf("a level of 2: %v", err)
	}
	if _, err := CompareRows(rowsOfBlocks("A B C", fourBlocks...), "yield", stats.Measure, o); !errors.As(err, &usage) {
		t.Errorf("a level of 2: %v", err)
	}
}

// The ground that counts stand on is that of all readings, or 1.
func TestCountedOn(t *testing.T) {
	for _, c := range []struct {
		per  []float64
		want float64
	}{{[]float64{0.2, 0.2}, 0.2}, {[]float64{0.2, 0.25}, 1}, {[]float64{0.25, 0.2}, 1}, {[]float64{0}, 1}, {[]float64{2}, 2}} {
		var rs []Reading
		for _, p := range c.per {
			rs = append(rs, Reading{Per: p})
		}
		if got := countedOn(rs); got != c.want {
			t.Errorf("%v: %g, want %g", c.per, got, c.want)
		}
	}
}

// Tried choices of a response are those the record holds and those of the
// options, each once; those of another response or class are not.
func TestTriedChoices(t *testing.T) {
	snap := pairedTrial(func(v float64) float64 { return v })
	tried := func(key Key, class, choice string) record.Decision {
		return record.Decision{Kind: record.KindTried, Subject: TriedSubject(key, class, choice), Value: []byte(`{"choice":"` + choice + `"}`)}
	}
	other := tried(GreenCover, "", "scale log1p")
	other.Kind = record.KindAccept
	snap.Decisions = []record.Decision{tried(GreenCover, "", "scale raw"), tried(GreenCover, "", "scale raw"), tried(WeedCover, "", "side above"), tried(GreenCover, "grass", "side above"), other}
	r, err := Find(snap, "cover", "")
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct {
		change     func(*Options)
		tried, new string
	}{
		"the usual":       {func(*Options) {}, "[scale raw]", "[]"},
		"usual by name":   {func(o *Options) { o.Scale, o.Model = stats.DefaultScale(stats.Percent), QuasiBinomial }, "[scale raw]", "[]"},
		"again":           {func(o *Options) { o.Scale = stats.Raw }, "[scale raw]", "[]"},
		"another method":  {func(o *Options) { o.Method = stats.LSD }, "[scale raw pairs by lsd]", "[pairs by lsd]"},
		"another model":   {func(o *Options) { o.Model = Beta }, "[scale raw model beta]", "[model beta]"},
		"no model":        {func(o *Options) { o.Model = NoModel }, "[scale raw]", "[]"},
		"calibrated":      {func(o *Options) { o.Calibrated, o.Scale = true, stats.Raw }, "[scale raw calibrated]", "[calibrated]"},
		"a covariate":     {func(o *Options) { o.Covariate = &Covariate{Response: "Count", Visit: 1} }, "[scale raw covariate count@1]", "[covariate count@1]"},
		"all its visits":  {func(o *Options) { o.Covariate = &Covariate{Response: "count"} }, "[scale raw covariate count]", "[covariate count]"},
		"a model refused": {func(o *Options) { o.Model = NegativeBinomial }, "[scale raw]", "[]"},
	} {
		o := DefaultOptions()
		x.change(&o)
		if s := standingOf(snap, r, o); fmt.Sprint(s.Tried) != x.tried || fmt.Sprint(s.New) != x.new {
			t.Errorf("%s: %v, new %v", name, s.Tried, s.New)
		}
	}
}

// Covers by class are compared on the raw scale and no other, so that it is no
// choice; a choice for a class is one however the class is spelt.
func TestTriedOfClasses(t *testing.T) {
	snap := &record.Snapshot{Decisions: []record.Decision{{Kind: record.KindTried, Subject: TriedSubject(WeedCover, "Couch grass", "side above"), Value: []byte(`{"choice":"side above"}`)}}}
	o := DefaultOptions()
	o.Scale = stats.Raw
	for class, want := range map[string]string{"couch-grass": "[side above]", "couch": "[]", "": "[]"} {
		r, err := Find(snap, string(WeedCover), class)
		if err != nil {
			t.Fatal(err)
		}
		if s := standingOf(snap, r, o); fmt.Sprint(s.Tried) != want || len(s.New) > 0 {
			t.Errorf("%q: %v, new %v; want %s", class, s.Tried, s.New, want)
		}
	}
}

// factorsOf makes two factors of lines such as "N0a 0 a".
func factorsOf(lines ...string) []trial.Factor {
	out := []trial.Factor{{Name: "nitrogen"}, {Name: "mulch"}}
	for _, line := range lines {
		f := strings.Fields(line)
		for i := range out {
			out[i].Levels = append(out[i].Levels, trial.FactorLevel{Treatment: f[0], Level: f[1+i]})
		}
	}
	return out
}
