package report

import (
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/stats"
)

// What does not fit gives way from the least important on; a caution that does
// is counted, and bold is for a terminal that can show it.
func TestScreenGivesWay(t *testing.T) {
	fill := func(cautions int, term Terminal) string {
		s := newScreen(term, "tables")
		s.say(keepAlways, "", "Weeds: 3 treatments.")
		s.gap()
		s.strong("  ", "RYE lower than BARE.")
		for range 14 {
			s.add(keepAlways, "a row of the table")
		}
		s.line(keepMethod, "how it was computed")
		s.line(keepRemark, "a remark")
		s.line(keepContext, "some context")
		for range cautions {
			s.caution("plot 103 lies far from what its treatment and block suggest, and this sentence goes on well beyond the width")
		}
		var b strings.Builder
		if err := s.write(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	for _, c := range []struct {
		cautions  int
		term      Terminal
		has, lack []string
	}{
		{0, Terminal{}, []string{"how it was computed", "a remark", "Tables: --full."}, []string{"\x1b", "!"}},
		{2, Terminal{}, []string{"some context", "! plot 103 lies far from what its treatment and block suggest, and this sentence\n  goes on"}, []string{"how it was", "…", "more"}},
		{5, Terminal{}, []string{"this sentence\n  goes on", "! plot 103 lies far from what its treatment and block suggest, and this …\n"}, []string{"a remark", "some context", "cautions"}},
		{9, Terminal{}, []string{"! plot 103", "! 3 cautions more, with tables: --full."}, []string{"some context"}},
		{9, Terminal{Rows: 50}, []string{"how it was computed", "some context"}, []string{"cautions"}},
		{1, Terminal{Bold: true}, []string{"  \x1b[1mRYE lower than BARE.\x1b[0m", "\x1b[1m! plot"}, nil},
	} {
		got := fill(c.cautions, c.term)
		for _, x := range c.has {
			if !strings.Contains(got, x) {
				t.Errorf("%d cautions, %+v: lacks %q in\n%s", c.cautions, c.term, x, got)
			}
		}
		for _, x := range c.lack {
			if strings.Contains(got, x) {
				t.Errorf("%d cautions, %+v: has %q in\n%s", c.cautions, c.term, x, got)
			}
		}
		if n := strings.Count(got, "\n"); c.term.Rows == 0 && n > 23 {
			t.Errorf("%d cautions: %d lines", c.cautions, n)
		}
	}
}

// On a crowded screen it still stands that green is no measure of weeds alone and
// that values are calibrated; a second opinion that is shown has its warnings.
func TestWhatIsMeasuredStaysOnTheScreen(t *testing.T) {
	o := stats.DefaultOptions()
	o.Response, o.Unit, o.Kind, o.Control = "green cover", "%", stats.Percent, "BARE"
	a, err := stats.Analyse(inventedCover(), o)
	if err != nil {
		t.Fatal(err)
	}
	c := analysis.Comparison{Analysis: &a, CoverModel: &analysis.ShareOrCountModel{Warnings: []string{"the second opinion did not settle"}},
		Calibrated: &analysis.Calibrated{}}
	opt := TextOptions{Short: true, MadeOf: "everything green: weeds, crop and regrowth together"}
	write := func() string {
		var b strings.Builder
		if err := WriteAnswer(&b, c, opt); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	const green, calibrated = "everything green: weeds, crop and regrowth together; no measure of weeds alone", "CALIBRATED VALUES, not raw ones"
	if got := write(); !strings.Contains(strings.Join(strings.Fields(got), " "), "could not be tested. The second opinion did not settle.") {
		t.Errorf("the warning of the second opinion is not said:\n%s", got)
	}
	a.Warnings = nil
	for i := range 30 {
		a.Warnings = append(a.Warnings, fmt.Sprintf("caution %d", i))
	}
	got := write()
	for _, want := range []string{green, calibrated, "cautions more"} {
		if !strings.Contains(strings.Join(strings.Fields(got), " "), want) {
			t.Errorf("%q gave way:\n%s", want, got)
		}
	}
	if n := strings.Count(got, "\n"); n > screenRows {
		t.Errorf("%d lines:\n%s", n, got)
	}
}
