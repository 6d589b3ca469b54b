package report

import (
	"bufio"
	"io"
	"strings"

	"quadtally/cmd/quadtally/internal/wording"
)

// Terminal is what a document is written on as text.
type Terminal struct {
	Width int  // columns; 0 is 80
	Rows  int  // lines; 0 is 24
	Bold  bool // the terminal can show bold
}

// least is the narrowest width that is served.
const least = 40

// WriteText writes the document as plain text, no line wider than asked: the
// same content as the page and the PDF, without the figures. A table that is
// too wide is written in parts that each begin with its first column.
func WriteText(w io.Writer, d Document, term Terminal) error {
	t := newTextWriter(w, term)
	if d.Title != "" {
		t.heading(d.Title, 1)
	}
	t.facts(d.Facts)
	for _, s := range d.Sections {
		t.section(s, 2)
	}
	return t.w.Flush()
}

// writeSections writes sections as WriteText does.
func writeSections(w io.Writer, term Terminal, list ...Section) error {
	return WriteText(w, Document{Sections: list}, term)
}

func newTextWriter(w io.Writer, term Terminal) *textWriter {
	if term.Width <= 0 {
		term.Width = 80
	}
	return &textWriter{w: bufio.NewWriter(w), width: max(term.Width, least), bold: term.Bold}
}

type textWriter struct {
	w     *bufio.Writer // keeps its first error for Flush
	width int
	bold  bool
	cut   bool // names in the first column are cut where a table is too wide
	begun bool // something was written: the next block stands apart
	apart bool // an empty line was just written
}

func (t *textWriter) line(s string) {
	t.w.WriteString(strings.TrimRight(s, " "))
	t.w.WriteByte('\n')
	t.begun, t.apart = true, s == ""
}

// gap leaves one empty line between blocks.
func (t *textWriter) gap() {
	if t.begun && !t.apart {
		t.line("")
	}
}

func (t *textWriter) strong(s string) string { return Terminal{Bold: t.bold}.strong(s) }

func (t *textWriter) heading(s string, level int) {
	t.gap()
	lines := wrap(s, t.width)
	for _, l := range lines {
		t.line(t.strong(l))
	}
	if level <= 2 && len(lines) > 0 {
		t.line(strings.Repeat(map[int]string{1: "=", 2: "-"}[level], columns(lines[len(lines)-1])))
	}
}

func (t *textWriter) section(s Section, level int) {
	if s.Title != "" {
		t.heading(s.Title, level)
	}
	for _, b := range s.Blocks {
		t.block(b)
	}
	for _, p := range s.Parts {
		t.section(p, level+1)
	}
}

func (t *textWriter) block(b Block) {
	switch b := b.(type) {
	case Text:
		t.text(b)
	case List:
		t.gap()
		for _, item := range b.Items {
			t.wrapped("- ", "  ", item, false)
		}
	case Facts:
		t.facts(b)
	case Table:
		t.table(b)
	case Beside:
		for _, x := range b {
			t.block(x)
		}
	}
}

func (t *textWriter) text(b Text) {
	t.gap()
	switch b.Tone {
	case Caution, Safety:
		t.wrapped("! ", "  ", b.Text, true)
	case Lead:
		t.wrapped("", "", b.Text, true)
	default:
		t.wrapped("", "", b.Text, false)
	}
}

func (t *textWriter) wrapped(first, rest, text string, strong bool) {
	for i, l := range wrap(text, t.width-columns(first)) {
		if strong {
			l = t.strong(l)
		}
		if i == 0 {
			t.line(first + l)
		} else {
			t.line(rest + l)
		}
	}
}

func (t *textWriter) facts(f Facts) {
	if len(f) == 0 {
		return
	}
	t.gap()
	wide := 0
	for _, x := range f {
		wide = max(wide, columns(x.Name))
	}
	wide = min(wide, t.width/2)
	for _, x := range f {
		names, values := wrap(x.Name, wide), wrap(x.Value, t.width-wide-2)
		for i := range max(len(names), len(values)) {
			var a, b string
			if i < len(names) {
				a = names[i]
			}
			if i < len(values) {
				b = values[i]
			}
			t.line(pad(a, wide) + "  " + b)
		}
	}
}

// table writes rows in columns, numbers with their decimal marks in line.
func (t *textWriter) table(b Table) {
	if len(b.Columns) == 0 {
		return
	}
	t.gap()
	if b.Caption != "" {
		t.wrapped("", "", b.Caption, true)
	}
	grid := make([][]string, len(b.Columns))
	wide := make([]int, len(b.Columns))
	for i, c := range b.Columns {
		col := []string{}
		for _, r := range b.Rows {
			text := ""
			if i < len(r.Cells) {
				text = r.Cells[i].Text
			}
			col = append(col, text)
		}
		if c.Numeric {
			col = aligned(col)
		}
		for _, s := range col {
			wide[i] = max(wide[i], columns(s))
		}
		grid[i] = col
	}
	// Heads may take several lines; texts may be folded where nothing else fits.
	heads := make([][]string, len(b.Columns))
	for i, c := range b.Columns {
		wide[i] = max(wide[i], longestWord(c.Head))
		heads[i] = wrap(c.Head, max(wide[i], min(columns(c.Head), 14)))
		for _, l := range heads[i] {
			wide[i] = max(wide[i], columns(l))
		}
	}
	const space = 2
	if t.cut {
		over := space*(len(wide)-1) - t.width
		for _, w := range wide {
			over += w
		}
		if name := max(8, longestWord(b.Columns[0].Head), wide[0]-over); over > 0 && name < wide[0] {
			cut, apart := make([]string, len(grid[0])), map[string]bool{}
			for i, s := range grid[0] {
				cut[i], _ = wording.Cut(s, name)
				if cut[i] != s {
					head, _ := wording.Cut(s, name-1)
					cut[i] = strings.TrimRight(head, " ") + "…"
				}
				apart[cut[i]] = true
			}
			if len(apart) == len(cut) { // names that would look alike stay whole
				grid[0], wide[0] = cut, name
			}
		}
	}
	for from := 1; ; {
		// As many columns as fit beside the first.
		used, to := wide[0], from
		for to < len(wide) && (to == from || used+space+wide[to] <= t.width) {
			used += space + wide[to]
			to++
		}
		part := append([]int{0}, count(from, to)...)
		fold := make(map[int]int)
		if over := used - t.width; over > 0 { // two columns that do not fit beside each other
			last := part[len(part)-1]
			if wide[last]-over >= 10 && !b.Columns[last].Numeric {
				fold[last] = wide[last] - over
			} else {
				fold[0] = max(6, wide[0]-over)
			}
		}
		t.tablePart(b, part, grid, heads, wide, fold)
		if from = to; from >= len(wide) {
			break
		}
		t.line("")
	}
	if b.Note != "" {
		t.wrapped("", "", b.Note, false)
	}
}

func (t *textWriter) tablePart(b Table, part []int, grid, heads [][]string, wide []int, fold map[int]int) {
	width := func(c int) int {
		if w, ok := fold[c]; ok {
			return w
		}
		return wide[c]
	}
	row := func(cell func(c int) []string, strong bool) {
		tall := 1
		lines := make([][]string, len(part))
		for i, c := range part {
			lines[i] = cell(c)
			tall = max(tall, len(lines[i]))
		}
		for k := range tall {
			var s strings.Builder
			for i, c := range part {
				text := ""
				if k < len(lines[i]) {
					text = lines[i][k]
				}
				if i > 0 {
					s.WriteString("  ")
				}
				if b.Columns[c].Numeric {
					s.WriteString(strings.Repeat(" ", max(0, width(c)-columns(text))) + text)
				} else {
					s.WriteString(pad(text, width(c)))
				}
			}
			l := strings.TrimRight(s.String(), " ")
			if strong {
				l = t.strong(l)
			}
			t.line(l)
		}
	}
	row(func(c int) []string { return wrap(strings.Join(heads[c], " "), width(c)) }, true)
	for r := range b.Rows {
		row(func(c int) []string {
			if b.Columns[c].Numeric {
				return []string{grid[c][r]}
			}
			return wrap(grid[c][r], width(c))
		}, false)
	}
}

func count(from, to int) []int {
	var out []int
	for i := from; i < to; i++ {
		out = append(out, i)
	}
	return out
}

// columns is the width of a text on a terminal.
func columns(s string) int { return wording.Width(s) }

func pad(s string, width int) string { return s + strings.Repeat(" ", max(0, width-columns(s))) }

func longestWord(s string) int {
	n := 0
	for w := range strings.FieldsSeq(s) {
		n = max(n, columns(w))
	}
	return n
}

func wrap(s string, width int) []string { return wording.Wrap(s, width) }

// aligned pads numbers so that their decimal marks stand below each other
// when the column is set to the right.
func aligned(col []string) []string {
	after := func(s string) int { // columns behind the mark of the first number
		i := strings.IndexAny(s, "0123456789")
		if i < 0 {
			return -1
		}
		rest := s[i:]
		k := 0
		for k < len(rest) && (rest[k] >= '0' && rest[k] <= '9' || strings.HasPrefix(rest[k:], noBreak) || k > 0 && rest[k-1] == 0xc2) {
			k++
		}
		return columns(rest[k:])
	}
	most := 0
	for _, s := range col {
		most = max(most, after(s))
	}
	out := make([]string, len(col))
	for i, s := range col {
		out[i] = s
		if n := after(s); n >= 0 {
			out[i] += strings.Repeat(" ", most-n)
		}
	}
	return out
}
