package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/calibrate"
	"quadtally/stats"
)

// refused reports a question that was put wrongly and says so with a word.
func refused(err error, word string) bool {
	return errors.As(err, new(UsageError)) && strings.Contains(err.Error(), word)
}

func TestParseMargin(t *testing.T) {
	for _, c := range []struct {
		equivalent, noWorse, by, worse string
		want                           *Margin
		says                           string
	}{
		{"", "", "", "", nil, ""},
		{"HOED", "", "5%", "", &Margin{Reference: "HOED", By: 0.05, Relative: true}, ""},
		{"", "HOED", "2", "above", &Margin{Reference: "HOED", By: 2, OneSided: true, Worse: stats.AboveControl}, ""},
		{"", "HOED", " 2.5 % ", "below", &Margin{Reference: "HOED", By: 0.025, Relative: true, OneSided: true, Worse: stats.BelowControl}, ""},
		{"HOED", "RYE", "2", "", nil, "one of"},
		{"", "", "2", "", nil, "one of"},
		{"", "", "", "above", nil, "one of"},
		{"HOED", "", "", "", nil, "before you look"},
		{"HOED", "", "2", "more", nil, "above or below"},
		{"HOED", "", "0", "", nil, "5%"}, {"HOED", "", "-1%", "", nil, "5%"}, {"HOED", "", "NaN", "", nil, "5%"}, {"HOED", "", "1e99", "", nil, "5%"}, {"HOED", "", "two", "", nil, "5%"},
	} {
		got, err := ParseMargin(c.equivalent, c.noWorse, c.by, c.worse)
		switch {
		case c.says != "":
			if !refused(err, c.says) {
				t.Errorf("%+v: %v", c, err)
			}
		case err != nil || (got == nil) != (c.want == nil) || got != nil && *got != *c.want:
			t.Errorf("%+v: %+v, %v", c, got, err)
		}
	}
}

func TestParseDifference(t *testing.T) {
	for text, want := range map[string]*Difference{"": nil, "8": {Value: 8}, "20%": {Value: 0.2, OfMean: true}, " 0.5 ": {Value: 0.5}} {
		if got, err := ParseDifference(text); err != nil || (got == nil) != (want == nil) || got != nil && *got != *want {
			t.Errorf("%q: %+v %v", text, got, err)
		}
	}
	for _, text := range []string{"0", "-8", "NaN", "Inf", "8 kg", "%"} {
		if got, err := ParseDifference(text); !refused(err, "--difference") {
			t.Errorf("%q: %+v %v", text, got, err)
		}
	}
}

func TestParseCovariateAndLayout(t *testing.T) {
	for _, c := range []struct {
		text    string
		ofTable bool
		want    string
	}{
		{"", false, "<nil>"}, {"cover@1", false, "&{cover 1}"}, {"cover", false, "&{cover 0}"}, {"cover@1", true, "&{cover@1 0}"},
		{"cover@0", false, "refused"}, {"cover@one", false, "refused"}, {"cover@", false, "refused"},
	} {
		got, err := ParseCovariate(c.text, c.ofTable)
		text := fmt.Sprint(got)
		if refused(err, "RESPONSE@VISIT") {
			text = "refused"
		} else if err != nil {
			text = err.Error()
		}
		if text != c.want {
			t.Errorf("%q, table %v: %s, want %s", c.text, c.ofTable, text, c.want)
		}
	}
	two := []string{"water", "variety"}
	for _, c := range []struct {
		text    string
		factors []string
		ofTable bool
		want    stats.StrataKind
		ok      bool
	}{
		{"", nil, false, "", true}, {"split-plot", two, true, "split_plot", true}, {"strip-plot", nil, false, "strip_plot", true},
		{"split-plot", nil, true, "", false}, {"split-plot", two[:1], false, "", false}, {"blocks", nil, false, "", false},
	} {
		if got, err := ParseLayout(c.text, c.factors, c.ofTable); got != c.want || (err == nil) != c.ok || err != nil && !refused(err, "--") {
			t.Errorf("%q %v, table %v: %q %v", c.text, c.factors, c.ofTable, got, err)
		}
	}
}

func TestParseSame(t *testing.T) {
	got, err := ParseSame([]string{"CEREAL RYE = RYE", "a=b"})
	if want := []stats.TreatmentName{{Name: "CEREAL RYE", As: "RYE"}, {Name: "a", As: "b"}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%v %v", got, err)
	}
	for _, text := range []string{"RYE", "=RYE", "RYE=", ""} {
		if _, err := ParseSame([]string{text}); !refused(err, "NAME = NAME") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestPowerQuestionsThatMeanNothing(t *testing.T) {
	n, q := PowerNumbers{Alpha: 0.05}, PowerQuestion{Wanted: 0.8, MostQuadrats: 10}
	if err := errors.Join(n.Validate(), q.Validate(0.05)); err != nil {
		t.Fatal(err)
	}
	for word, change := range map[string]func(*PowerNumbers){
		"--alpha":  func(n *PowerNumbers) { n.Alpha = 0.5 },
		"--blocks": func(n *PowerNumbers) { n.Blocks = -1 },
		"--cv":     func(n *PowerNumbers) { n.CVFrac = -0.1 },
		"--sd":     func(n *PowerNumbers) { n.SD = math.Inf(1) },
		"--mean":   func(n *PowerNumbers) { n.Mean = math.NaN() },
	} {
		bad := n
		if change(&bad); !refused(bad.Validate(), word) {
			t.Errorf("%s: %v", word, bad.Validate())
		}
	}
	for range 10 { // of several faults the same one is named each time
		if err := (PowerNumbers{Alpha: 0.05, CVFrac: -1, SD: -1, Mean: -1}).Validate(); !refused(err, "--cv") {
			t.Error(err)
		}
	}
	for word, change := range map[string]func(*PowerQuestion){
		"--power":            func(q *PowerQuestion) { q.Wanted = 0.05 },
		"--minutes-plot":     func(q *PowerQuestion) { q.MinutesPerPlot = 3 },
		"--most-quadrats":    func(q *PowerQuestion) { q.MostQuadrats = 0 },
		"--minutes-quadrat":  func(q *PowerQuestion) { q.MinutesPerQuadrat = -1 },
		"--quadrat-variance": func(q *PowerQuestion) { q.Variances = &QuadratVariances{Quadrat: -1} },
	} {
		bad := q
		if change(&bad); !refused(bad.Validate(0.05), word) {
			t.Errorf("%s: %v", word, bad.Validate(0.05))
		}
	}
}

// TestAgreeQuestion: margin, range and standard error of cover are points of
// cover, those of counts plants; what is no number is refused whole.
func TestAgreeQuestion(t *testing.T) {
	for _, c := range []struct {
		q              AgreeQuestion
		kind           calibrate.Kind
		margin, target float64
		over           [2]float64
	}{
		{AgreeQuestion{Of: "cover", Margin: "5", Over: "0,40", TargetSE: 2}, calibrate.Cover, 0.05, 0.02, [2]float64{0, 0.4}},
		{AgreeQuestion{Of: "weed-cover", Margin: "5", Over: " 0 , 40 ", TargetSE: 2}, calibrate.Cover, 0.05, 0.02, [2]float64{0, 0.4}},
		{AgreeQuestion{Of: "count", Margin: "5", Over: "0,40", TargetSE: 2}, calibrate.Count, 5, 2, [2]float64{0, 40}},
		{AgreeQuestion{Of: "weed-pieces", Margin: " 5", Over: "0,40", TargetSE: 2}, calibrate.Count, 5, 2, [2]float64{0, 40}},
	} {
		o, err := c.q.Options(calibrate.DefaultOptions())
		if err != nil || o.Kind != c.kind || o.Margin == nil || *o.Margin != c.margin || o.TargetSE != c.target || o.Enough.Range == nil || *o.Enough.Range != c.over {
			t.Errorf("%+v: %+v %v", c.q, o, err)
		}
	}
	for _, q := range []AgreeQuestion{{Of: "cover", Margin: "5 points"}, {Of: "cover", Margin: "5,5"}, {Of: "cover", Over: "0"}, {Of: "cover", Over: "0,40,50"}, {Of: "yield"}, {Of: "cover", Margin: "-1"}} {
		if _, err := q.Options(calibrate.DefaultOptions()); !errors.As(err, new(UsageError)) {
			t.Errorf("%+v: %v", q, err)
		}
	}
}

func TestNameByFolder(t *testing.T) {
	names := func(list []TrialValues) (out []string) {
		for _, v := range list {
			out = append(out, v.Name)
		}
		return out
	}
	list := []TrialValues{{Name: "leeks"}, {Name: "leeks"}, {Name: "beans"}}
	NameByFolder(list, []string{"2025", "2026", "b"})
	if got := names(list); !slices.Equal(got, []string{"leeks (2025)", "leeks (2026)", "beans"}) {
		t.Error(got)
	}
	list = []TrialValues{{Name: "leeks"}, {Name: "leeks"}}
	if NameByFolder(list, []string{"one-table"}); names(list)[0] != "leeks" { // two trials of one table have no folder each
		t.Error(names(list))
	}
}
