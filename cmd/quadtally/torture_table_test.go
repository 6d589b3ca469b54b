package main

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
)

// figures is what the torture tests found, one line a finding; TestMain prints
// them together at the end.
var figures struct {
	sync.Mutex
	lines [][3]string
}

// figure notes what was tried, how often, and what came of it.
func figure(t testing.TB, what, howMany, format string, args ...any) {
	t.Helper()
	result := fmt.Sprintf(format, args...)
	if t.Failed() {
		result = "FAILED; " + result
	}
	t.Logf("%s, %s: %s", what, howMany, result)
	figures.Lock()
	figures.lines = append(figures.lines, [3]string{what, howMany, result})
	figures.Unlock()
}

// writeFigures writes the table of figures, results broken over lines.
func writeFigures(w io.Writer) {
	if len(figures.lines) == 0 {
		return
	}
	head := [3]string{"what", "how many", "result"}
	width := [2]int{}
	for _, l := range append(figures.lines, head) {
		for k := range width {
			width[k] = max(width[k], len([]rune(l[k])))
		}
	}
	const room = 76 // for the result
	put := func(l [3]string) {
		line := ""
		for _, word := range append(strings.Fields(l[2]), "") {
			if word != "" && len([]rune(line))+1+len([]rune(word)) <= room || line == "" {
				line = strings.TrimPrefix(line+" "+word, " ")
				continue
			}
			fmt.Fprintf(w, "%-*s  %-*s  %s\n", width[0], l[0], width[1], l[1], line)
			l[0], l[1], line = "", "", word
		}
	}
	fmt.Fprintln(w)
	put(head)
	for _, l := range figures.lines {
		put(l)
	}
}
