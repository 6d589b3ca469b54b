package report

import (
	"fmt"
	"strings"
	"unicode"

	"gonum.org/v1/plot/vg/draw"

	"quadtally/cmd/quadtally/internal/trial"
)

// Document is content without any look. It is built once and written as HTML,
// as PDF and on a terminal, so that these cannot differ.
type Document struct {
	Title    string
	Subtitle string
	Facts    []Fact
	Sections []Section
	Letter   bool       // printed on US letter instead of A4
	Dense    bool       // printed in small type, for reading at a desk
	Made     trial.Date // day it was made
}

// Section is a heading with what stands below it. ID is unique in the document.
type Section struct {
	ID      string
	Title   string
	Blocks  []Block
	Parts   []Section
	NewPage bool // begins a page where it is printed
	Fit     bool // printed on one page, in smaller type where it must be
}

// Block is a Text, List, Facts, Table, Figure or Beside.
type Block interface{ kind() string }

// Tone says how a text is to be taken.
type Tone string

// The tones.
const (
	Plain   Tone = "plain"
	Lead    Tone = "lead"    // the answer, before everything else
	Note    Tone = "note"    // small print
	Caution Tone = "caution" // must not be overlooked
	Safety  Tone = "safety"  // someone could get hurt
)

// Text is a paragraph.
type Text struct {
	Tone Tone
	Text string
}

// List is a list of short sentences; Small sets it in the type of tables.
type List struct {
	Items []string
	Small bool
}

// Beside are tables and figures that stand side by side where there is room.
type Beside []Block

// Fact is a name with a value, such as "Crop" and "leek"; a Value of "" is not
// recorded.
type Fact struct{ Name, Value string }

// Text is the value as it is printed.
func (f Fact) Text() string { return orNotRecorded(f.Value) }

// Facts is a list of them.
type Facts []Fact

// Table is a table whose first column names its rows.
type Table struct {
	ID      string
	Caption string
	Columns []Column
	Rows    []Row
	Note    string
	Dense   bool // printed in the smallest type, for many rows of raw values
}

// Column is a column of a table; numbers are set to the right.
type Column struct {
	Head    string
	Numeric bool
}

// Row is a row of a table. Its ID is "" where nothing links to it.
type Row struct {
	ID    string
	Cells []Cell
}

// Cell is a cell of a table. Link leads to the ID of the place where its
// number came from.
type Cell struct {
	Text string
	Link string
}

// Figure is a picture that is drawn anew for every output. Alt says in words
// what it shows.
type Figure struct {
	ID                string
	Title             string
	Caption           string
	Alt               string
	WidthMM, HeightMM float64

	draw func(draw.Canvas)
}

func (Text) kind() string   { return "text" }
func (List) kind() string   { return "list" }
func (Facts) kind() string  { return "facts" }
func (Table) kind() string  { return "table" }
func (Figure) kind() string { return "figure" }
func (Beside) kind() string { return "beside" }

// each walks the blocks of sections in the order of reading, those that stand
// side by side one by one, and puts what visit returns in the place of each.
func each(list []Section, visit func(Block) Block) {
	for i := range list {
		for k, b := range list[i].Blocks {
			if row, ok := b.(Beside); ok {
				for n := range row {
					row[n] = visit(row[n])
				}
				continue
			}
			list[i].Blocks[k] = visit(b)
		}
		each(list[i].Parts, visit)
	}
}

// Figures returns every figure in the order of the document.
func (d Document) Figures() []Figure {
	var out []Figure
	each(d.Sections, func(b Block) Block {
		if f, ok := b.(Figure); ok {
			out = append(out, f)
		}
		return b
	})
	return out
}

// numbered gives every table and figure its number, in the order of reading,
// and drops links to places that this document does not hold.
func (d Document) numbered() Document {
	places := map[string]bool{}
	var look func([]Section)
	look = func(list []Section) {
		for _, s := range list {
			places[s.ID] = true
			look(s.Parts)
		}
	}
	look(d.Sections)
	each(d.Sections, func(b Block) Block {
		switch b := b.(type) {
		case Table:
			places[b.ID] = true
			for _, r := range b.Rows {
				places[r.ID] = true
			}
		case Figure:
			places[b.ID] = true
		}
		return b
	})
	tables, figures := 0, 0
	each(d.Sections, func(b Block) Block {
		switch b := b.(type) {
		case Table:
			tables++
			b.Caption = fmt.Sprintf("Table %d. %s", tables, b.Caption)
			for _, r := range b.Rows {
				for k := range r.Cells {
					if !places[r.Cells[k].Link] {
						r.Cells[k].Link = ""
					}
				}
			}
			return b
		case Figure:
			figures++
			b.Caption = fmt.Sprintf("Figure %d. %s", figures, b.Caption)
			return b
		}
		return b
	})
	return d
}

// beside adds tables and figures that stand side by side; one alone stands as
// it is.
func (s *Section) beside(list ...Block) {
	switch len(list) {
	case 0:
	case 1:
		s.add(list[0])
	default:
		s.add(Beside(list))
	}
}

func (s *Section) add(b ...Block) { s.Blocks = append(s.Blocks, b...) }

func (s *Section) say(format string, args ...any) {
	s.add(Text{Tone: Plain, Text: sentence(format, args...)})
}
func (s *Section) note(format string, args ...any) {
	s.add(Text{Tone: Note, Text: sentence(format, args...)})
}
func (s *Section) warn(format string, args ...any) {
	s.add(Text{Tone: Caution, Text: sentence(format, args...)})
}

// sentence makes a text of the libraries, which begins small and has no full
// stop, into a sentence.
func sentence(format string, args ...any) string {
	s := format
	if len(args) > 0 {
		s = fmt.Sprintf(format, args...)
	}
	s = strings.TrimSpace(s)
	if s == "" {
		return s
	}
	r := []rune(s)
	// The names of files and plots stay as they are.
	if word, _, _ := strings.Cut(s, " "); !strings.ContainsAny(word, "0123456789._/") {
		r[0] = unicode.ToUpper(r[0])
	}
	if !strings.ContainsRune(".!?:", r[len(r)-1]) {
		r = append(r, '.')
	}
	return string(r)
}

func sentences(list []string) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = sentence("%s", s)
	}
	return out
}

// headed makes columns of which all but the first hold numbers.
func headed(heads ...string) []Column {
	out := make([]Column, len(heads))
	for i, h := range heads {
		out[i] = Column{Head: h, Numeric: i > 0}
	}
	return out
}

// words makes columns that hold text.
func words(heads ...string) []Column {
	out := make([]Column, len(heads))
	for i, h := range heads {
		out[i] = Column{Head: h}
	}
	return out
}

func cells(texts ...string) Row {
	r := Row{Cells: make([]Cell, len(texts))}
	for i, t := range texts {
		r.Cells[i].Text = t
	}
	return r
}

// gridOf turns rows of text, the first of them the heads, into a table.
func gridOf(id, caption string, grid [][]string) Table {
	t := Table{ID: id, Caption: caption, Columns: headed(grid[0]...)}
	for _, g := range grid[1:] {
		r := cells(g...)
		for len(r.Cells) < len(t.Columns) {
			r.Cells = append(r.Cells, Cell{})
		}
		t.Rows = append(t.Rows, r)
	}
	return t
}

// notRecorded stands where the trial's record has nothing.
const notRecorded = "not recorded"

func orNotRecorded(s string) string {
	if strings.TrimSpace(s) == "" {
		return notRecorded
	}
	return s
}

// slug makes an anchor or file name: letters, digits and hyphens. What it
// cannot write it spells by code point, so that two names never meet.
func slug(s string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(strings.TrimSpace(s)) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case r == ' ', r == '-':
			b.WriteByte('-')
		default:
			fmt.Fprintf(&b, "_%x_", r)
		}
	}
	return b.String()
}

// day writes a date the way the user's units suggest.
func day(d trial.Date, u trial.Units) string {
	switch {
	case d.IsZero():
		return notRecorded
	case u == trial.US:
		return fmt.Sprintf("%s %d, %d", d.Month.String()[:3], d.Day, d.Year)
	}
	return fmt.Sprintf("%d %s %d", d.Day, d.Month.String()[:3], d.Year)
}

// shortDay leaves out the year, for the axis of a figure.
func shortDay(d trial.Date, u trial.Units) string {
	if d.IsZero() {
		return ""
	}
	if u == trial.US {
		return fmt.Sprintf("%s %d", d.Month.String()[:3], d.Day)
	}
	return fmt.Sprintf("%d %s", d.Day, d.Month.String()[:3])
}
