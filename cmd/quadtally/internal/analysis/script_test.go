package analysis

import (
	"regexp"
	"strings"
	"testing"

	"quadtally/stats"
	"quadtally/stats/glm"
)

// vectors are the data that a script holds, by name; of a name that comes twice,
// the last.
func vectors(script string) map[string]string {
	out := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^(\w+) <- c\(([^()]*)\)$`).FindAllStringSubmatch(script, -1) {
		out[m[1]] = strings.Join(strings.Fields(m[2]), " ")
	}
	return out
}

// A script holds the values as they were measured, with block, column and
// covariate where the layout has them and no more, and asks what was asked.
func TestScriptsHoldTheData(t *testing.T) {
	rows := rowsOfBlocks("A B C", fourBlocks...)
	changed := func(change func(i int, r *stats.Row)) []stats.Row {
		list := append([]stats.Row(nil), rows...)
		for i := range list {
			change(i, &list[i])
		}
		return list
	}
	free := changed(func(_ int, r *stats.Row) { r.Block = "" })
	square := rowsOfBlocks("A B C", []float64{40, 31, 12}, []float64{33, 15, 44}, []float64{11, 38, 30})
	for i := range square {
		square[i].Column = string(rune('1' + i%3))
		square[i].Treatment = string("ABC"[(i%3+i/3)%3])
	}
	before := changed(func(i int, r *stats.Row) { r.Covariate, r.HasCovariate = float64(i*i%5), true })
	season := append(changed(func(_ int, r *stats.Row) { r.Day = 0 }), changed(func(i int, r *stats.Row) { r.Day, r.Value = 14, r.Value+float64(i%4) })...)
	for name, c := range map[string]struct {
		rows     []stats.Row
		response string
		kind     stats.Kind
		change   func(o *Options)
		vectors  map[string]string // "" for one that is not there
		has, not []string
	}{
		"blocks": {rows, "yield", stats.Measure, nil, map[string]string{"value": "40, 31, 12, 44, 33, 15, 38, 30, 11, 46, 34, 18", "block": `"1", "1", "1", "2", "2", "2", "3", "3", "3", "4", "4", "4"`, "column": "", "covariate": ""},
			[]string{"# the title\n", "lm(y ~ block + treatment)", "adjusted by: tukey", "Randomisation test", "alpha <- 0.05"}, []string{"control <-", "asin", "second opinion"}},
		"no blocks":   {free, "yield", stats.Measure, nil, map[string]string{"block": "", "column": ""}, []string{"lm(y ~ treatment)"}, nil},
		"a square":    {square, "yield", stats.Measure, nil, map[string]string{"column": `"1", "2", "3", "1", "2", "3", "1", "2", "3"`}, []string{"column + treatment)"}, nil},
		"a covariate": {before, "yield", stats.Measure, func(o *Options) { o.Covariate = &Covariate{Response: "before"} }, map[string]string{"covariate": "0, 1, 4, 4, 1, 0, 1, 4, 4, 1, 0, 1"}, nil, nil},
		"a control":   {rows, "yield", stats.Measure, func(o *Options) { o.Control, o.Side, o.Method, o.Alpha = "B", stats.BelowControl, stats.Holm, 0.1 }, nil, []string{`control <- "B"`, "adjusted by: holm", "alpha <- 0.1"}, nil},
		"percent":     {rows, "cover", stats.Percent, nil, nil, []string{"asin(sqrt(v / 100))", "# the title: means as measured and second opinion"}, nil},
		"proportions": {changed(func(_ int, r *stats.Row) { r.Value /= 100 }), "cover", stats.Proportion, func(o *Options) { o.Scale = stats.Logit }, nil, nil, []string{"/ 100"}},
		"counts":      {rows, "weeds", stats.Count, nil, map[string]string{"value": ""}, []string{"second opinion"}, nil},
		"no opinion":  {rows, "weeds", stats.Count, func(o *Options) { o.Model = NegativeBinomial }, nil, []string{"a negative binomial model with a parametric bootstrap"}, nil},
		"beta":        {rows, "cover", stats.Percent, func(o *Options) { o.Model = Beta }, nil, []string{"# The second opinion is not written: a " + string(glm.Beta) + " model"}, nil},
		"contrasts":   {rows, "yield", stats.Measure, func(o *Options) { o.Contrasts = []string{"A - B"} }, nil, []string{"A - B"}, nil},
		"a trend":     {rows, "yield", stats.Measure, func(o *Options) { o.Rates = map[string]float64{"A": 0, "B": 25, "C": 75} }, nil, []string{"25"}, nil},
		"a season":    {season, "yield", stats.Measure, nil, nil, []string{"# the title\n", "# the title: mean over the period"}, nil},
	} {
		o := DefaultOptions()
		if c.change != nil {
			c.change(&o)
		}
		got, err := CompareRows(c.rows, c.response, c.kind, o)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		script, err := got.Script("the title")
		if err != nil || !strings.HasPrefix(script, ScriptMark+"\n") {
			t.Errorf("%s: %v\n%.80s", name, err, script)
			continue
		}
		first, _, _ := strings.Cut(script, ": means as measured")
		v := vectors(first)
		for key, want := range c.vectors {
			if key == "value" && want == "" {
				continue
			}
			if v[key] != want {
				t.Errorf("%s: %s is %q, want %q", name, key, v[key], want)
			}
		}
		for _, want := range c.has {
			if !strings.Contains(script, want) {
				t.Errorf("%s: no %q", name, want)
			}
		}
		for _, un := range c.not {
			if strings.Contains(script, un) {
				t.Errorf("%s: %q is in it", name, un)
			}
		}
	}
}

// What a script cannot carry is refused in a sentence.
func TestScriptsThatAreRefused(t *testing.T) {
	for want, c := range map[string]Comparison{
		"without --calibrated": {Calibrated: &Calibrated{}},
		"check points, which":  {Checked: []Checked{{Visit: 1}}},
	} {
		if s, err := c.Script("x"); err == nil || s != "" || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %q %v", want, s, err)
		}
	}
	rows := rowsOfBlocks("N0a N0b N1a N1b", []float64{10, 12, 15, 16}, []float64{11, 14, 15, 18}, []float64{9, 13, 17, 17})
	factors := factorsOf("N0a 0 a", "N0b 0 b", "N1a 1 a", "N1b 1 b")
	o := DefaultOptions()
	o.Model, o.Factors = NoModel, factors
	c, err := CompareRows(rows, "yield", stats.Measure, o)
	if err != nil {
		t.Fatal(err)
	}
	if s, err := c.Script("the title"); err != nil || !strings.Contains(s, "# the title: factors") {
		t.Errorf("%v\n%.200s", err, s)
	}
	for _, change := range []func(in *stats.FactorialInput){func(in *stats.FactorialInput) { in.Columns = []string{"1"} }, func(in *stats.FactorialInput) { in.Covariate = []float64{1} }} {
		f := *c.Factorial
		change(&f.input)
		x := c
		x.Factorial = &f
		if _, err := x.Script("the title"); err == nil || !strings.Contains(err.Error(), "no script for R: factors in a layout of rows and columns") {
			t.Errorf("%v", err)
		}
	}
	o.Layout = stats.SplitPlot
	if c, err = CompareRows(rows, "yield", stats.Measure, o); err != nil {
		t.Fatal(err)
	}
	if s, err := c.Script("the title"); err != nil || strings.Count(s, "# the title") != 1 {
		t.Errorf("%v\n%.200s", err, s)
	}
	strip := *c.Strata
	strip.Kind = stats.StripPlot
	was, _ := c.Script("the title")
	c.Strata = &strip
	if s, err := c.Script("the title"); err != nil || s == was {
		t.Errorf("a strip plot as a split plot: %v", err)
	}
}

// The script of several trials names treatments as they were brought together,
// and places and years where they are told apart.
func TestScriptOfTrials(t *testing.T) {
	list := trialsOf(stats.Measure, threeTrials...)
	for i := range list[2].Plots {
		if p := &list[2].Plots[i]; p.Treatment == "B" {
			p.Treatment = "Bee"
		}
	}
	got, err := CombineTrials(list, CombineOptions{Alpha: 0.05, Names: []stats.TreatmentName{{Name: "Bee", As: "B"}}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := got.Script("three trials")
	if err != nil || !strings.HasPrefix(s, ScriptMark+"\n") || strings.Contains(s, "Bee") || strings.Contains(s, "place") || !strings.Contains(s, "block") {
		t.Errorf("%v\n%.400s", err, s)
	}
	got.Interaction.NumDF = 0
	if without, err := got.Script("three trials"); err != nil || without == s {
		t.Errorf("without an interaction it is the same: %v", err)
	}
	s, _ = got.Script("three trials")
	got.OneBlock = got.Trials[1:]
	if some, err := got.Script("three trials"); err != nil || some != s {
		t.Errorf("with blocks in one trial it is another: %v", err)
	}
	got.OneBlock = got.Trials
	if without, err := got.Script("three trials"); err != nil || without == s {
		t.Errorf("without blocks it is the same: %v", err)
	}
}
