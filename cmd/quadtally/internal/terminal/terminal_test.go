package terminal

import (
	"io"
	"strings"
	"testing"
)

// TestSizeByEnvironment: COLUMNS and LINES count where they are whole numbers
// above 0, and what is no terminal has neither a size of its own nor bold.
func TestSizeByEnvironment(t *testing.T) {
	for _, c := range []struct {
		columns, lines string
		want           Size
	}{
		{"", "", Size{}},
		{"100", "", Size{Width: 100}},
		{"120", "50", Size{Width: 120, Rows: 50}},
		{"0", "-3", Size{}},
		{"wide", "50 ", Size{}},
	} {
		t.Setenv("COLUMNS", c.columns)
		t.Setenv("LINES", c.lines)
		if got := Of(io.Discard); got != c.want {
			t.Errorf("COLUMNS=%q LINES=%q: %+v, want %+v", c.columns, c.lines, got, c.want)
		}
	}
}

// TestProgressIsForTerminals: nothing is written where nobody watches.
func TestProgressIsForTerminals(t *testing.T) {
	for _, quiet := range []bool{false, true} {
		var b strings.Builder
		bar := Progress(&b, quiet, 3, "measuring")
		for range 3 {
			bar.Add(1)
		}
		bar.Finish()
		if b.Len() > 0 {
			t.Errorf("quiet %v: wrote %q", quiet, b.String())
		}
	}
}

// TestLines: line ends and tabs stay, what could steer a terminal is shown.
func TestLines(t *testing.T) {
	for in, want := range map[string]string{
		"a\tb\nc": "a\tb\nc", "\x1b[31mred": `\x1b[31mred`, "one\r\ntwo": `one\x0d` + "\ntwo",
	} {
		if got := Lines(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
