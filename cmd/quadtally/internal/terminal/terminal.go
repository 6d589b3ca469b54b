package main

import (
	"io"
	"os"
	"strconv"

	"golang.org/x/term"

	"quadtally/cmd/quadtally/internal/report"
)

// screen is the width of the terminal and the lines beside the one typed on.
func (a *app) screen() (width, rows int) {
	width, rows = 80, 23
	if a.term.Width > 0 {
		width = a.term.Width
	}
	return width, max(rows, a.term.Rows-1)
}

// terminalOf is what an answer is written on: COLUMNS and LINES where they are
// set, else the size of the terminal, else 80 by 24. Bold is for terminals
// alone, so that a file or a pipe holds plain text.
func terminalOf(out io.Writer) report.Terminal {
	var t report.Terminal
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		if columns, lines, err := term.GetSize(int(f.Fd())); err == nil {
			t.Width, t.Rows = columns, lines
		}
		t.Bold = os.Getenv("TERM") != "dumb"
	}
	for name, at := range map[string]*int{"COLUMNS": &t.Width, "LINES": &t.Rows} {
		if n, err := strconv.Atoi(os.Getenv(name)); err == nil && n > 0 {
			*at = n
		}
	}
	return t
}
