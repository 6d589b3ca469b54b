package report

import (
	"fmt"
	"io"
	"strings"

	"quadtally/cmd/quadtally/internal/wording"
)

// screenRows is how many lines an answer may take: a terminal of 24 lines less
// the one that is typed on next.
const screenRows = 23

// screen is an answer on one screen of a terminal: parts in reading order, of
// which the least important give way where not all of them fit.
type screen struct {
	term  Terminal
	parts []screenPart
	more  string // what is left for the full text, such as "tables and checks"
}

type screenPart struct {
	lines   []string
	keep    keep
	caution bool
	short   []string // one line in place of lines where room is short; nil for none
}

// keep is how long a part stays.
type keep int

const (
	keepMethod  keep = iota // how it was computed
	keepGap                 // empty lines
	keepRemark              // what helps to read it
	keepContext             // what else is known
	keepCaution             // what may make it wrong; one that gives way is counted
	keepAlways              // the answer itself
)

func newScreen(term Terminal, more string) *screen {
	if term.Width <= 0 {
		term.Width = 80
	}
	term.Width = max(term.Width, least)
	return &screen{term: term, more: more}
}

func (s *screen) add(k keep, lines ...string) {
	s.parts = append(s.parts, screenPart{lines: lines, keep: k})
}

func (s *screen) gap() { s.add(keepGap, "") }

// say adds a sentence in as many lines as it takes, the later ones indented.
func (s *screen) say(k keep, indent, text string) {
	var out []string
	for _, l := range wrap(text, s.term.Width-columns(indent)) {
		out = append(out, indent+l)
	}
	s.add(k, out...)
}

// strong adds a sentence that must not be missed.
func (s *screen) strong(indent, text string) {
	var out []string
	for _, l := range wrap(text, s.term.Width-columns(indent)) {
		out = append(out, indent+s.term.strong(l))
	}
	s.add(keepAlways, out...)
}

// caution adds a fault, which is cut to one line where what it would displace is
// a caution too or the answer.
func (s *screen) caution(text string) {
	p := screenPart{keep: keepCaution, caution: true, short: []string{s.term.strong("! " + oneLine(text, s.term.Width-2))}}
	for i, l := range wrap(text, s.term.Width-2) {
		mark := "  "
		if i == 0 {
			mark = "! "
		}
		p.lines = append(p.lines, s.term.strong(mark+l))
	}
	s.parts = append(s.parts, p)
}

// line adds a sentence, which is cut to one line where room is short.
func (s *screen) line(k keep, text string) {
	s.parts = append(s.parts, screenPart{lines: wrap(text, s.term.Width), keep: k, short: []string{oneLine(text, s.term.Width)}})
}

// rows adds a table; its first row is the head.
func (s *screen) rows(k keep, rows [][]string) {
	s.add(k, tableLines(rows, s.term.Width, true)...)
}

// oneLine cuts a sentence at the width, between words, and marks the cut.
func oneLine(text string, width int) string {
	text = strings.Join(strings.Fields(text), " ")
	if columns(text) <= width {
		return text
	}
	if !strings.Contains(text, " ") {
		head, _ := wording.Cut(text, max(1, width-1))
		return head + "…"
	}
	return strings.TrimRight(wrap(text, max(1, width-2))[0], " ,;:(") + " …"
}

// write writes the parts that fit. What cautions gave way is said in the last
// line, with how the rest is had.
func (s *screen) write(w io.Writer) error {
	limit := screenRows
	if s.term.Rows > 0 {
		limit = max(limit, s.term.Rows-1)
	}
	last := 1
	total := func() int {
		n := last
		for _, p := range s.parts {
			n += len(p.lines)
		}
		return n
	}
	hidden, left := 0, false
	for k := keepMethod; k <= keepAlways; k++ {
		for i := len(s.parts) - 1; i >= 0 && total() > limit; i-- {
			if p := &s.parts[i]; p.keep == k && len(p.short) > 0 && len(p.short) < len(p.lines) {
				p.lines, left = p.short, true
			}
		}
		for i := len(s.parts) - 1; i >= 0 && total() > limit; i-- {
			if s.parts[i].keep != k || k == keepAlways {
				continue
			}
			if s.parts[i].caution {
				hidden++
			}
			left = left || k != keepGap
			s.parts = append(s.parts[:i], s.parts[i+1:]...)
		}
	}
	var b strings.Builder
	blank := true // no empty line at the top, and never two
	for _, p := range s.parts {
		for _, l := range p.lines {
			l = strings.TrimRight(l, " ")
			if l == "" && blank {
				continue
			}
			blank = l == ""
			b.WriteString(l + "\n")
		}
	}
	more := s.more
	if left {
		more = "what does not fit here, " + more
	}
	if more != "" {
		foot := sentenceCase(more) + ": --full."
		for _, shorter := range []string{sentenceCase(s.more) + ": --full.", "More: --full."} {
			if columns(foot) > s.term.Width {
				foot = shorter
			}
		}
		if hidden > 0 {
			foot = fmt.Sprintf("! %s more, with %s: --full.", counted(hidden, "caution"), s.more)
			if columns(foot) > s.term.Width {
				foot = fmt.Sprintf("! %s more: --full.", counted(hidden, "caution"))
			}
		}
		if hidden > 0 {
			foot = s.term.strong(foot)
		}
		b.WriteString(foot + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// writeWith writes all parts, then the sections.
func (s *screen) writeWith(w io.Writer, list ...Section) error {
	t := newTextWriter(w, s.term)
	for _, p := range s.parts {
		for _, l := range p.lines {
			t.line(l)
		}
	}
	for _, x := range list {
		t.section(x, 2)
	}
	return t.w.Flush()
}

// strong makes text bold where the terminal can show it.
func (t Terminal) strong(s string) string {
	if t.Bold && s != "" {
		return "\x1b[1m" + s + "\x1b[0m"
	}
	return s
}

// tableLines sets rows in columns no wider together than asked. Columns of
// numbers have their decimal marks below each other. Where all does not fit,
// names in the first column may be cut; where that does not do, the rest
// follows below with the first column again.
func tableLines(rows [][]string, width int, cut bool) []string {
	if len(rows) == 0 {
		return nil
	}
	b := Table{}
	for c, head := range rows[0] {
		numeric := c > 0
		for _, r := range rows[1:] {
			if c < len(r) && !strings.ContainsAny(r[c], "0123456789") && strings.Trim(r[c], "-–") != "" && len(r) > 2 {
				numeric = false
			}
		}
		b.Columns = append(b.Columns, Column{Head: head, Numeric: numeric})
	}
	for _, r := range rows[1:] {
		b.Rows = append(b.Rows, cells(r...))
	}
	var out strings.Builder
	t := newTextWriter(&out, Terminal{Width: width})
	t.cut = cut
	t.table(b)
	t.w.Flush()
	return strings.Split(strings.TrimRight(out.String(), "\n"), "\n")
}
