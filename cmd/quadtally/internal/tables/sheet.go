// Package tables reads the sheets people keep (CSV as any spreadsheet writes
// it, XLSX) without guessing, and writes tables that are safe to open. A
// blank cell is missing, never zero; what cannot be decided from the file is
// asked, never assumed; every value keeps the row it came from.
package tables

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"quadtally/cmd/quadtally/internal/trial"
)

// Limits on what is read at all: far above any field sheet, far below what
// would fill a laptop's memory.
const (
	MaxBytes   = 64 << 20
	MaxColumns = 2000
	MaxRows    = 500_000
)

// Cell is one cell. Text is what a person sees; Number and Date are set only
// where the file itself (XLSX) says the cell is one.
type Cell struct {
	Text   string
	Number *float64
	Date   trial.Date
}

// Row is one line under the header.
type Row struct {
	Line  int // as a spreadsheet or editor counts, from 1
	Cells []Cell
}

// Sheet is a table as read: one header, rows of equal width.
type Sheet struct {
	Name      string // file's base name, and the sheet's where there are several
	Delimiter rune   // of a CSV; 0 for XLSX
	Header    []string
	Rows      []Row
	Notes     []string // what was tidied on the way
	Faults    []Fault  // rows that could not be read; the others stand
}

// Fault is something wrong at one place of a file, with the way out.
type Fault struct {
	Line int    `json:"line,omitempty"` // 0: the file as a whole
	Text string `json:"text"`
}

// Where names a row for messages and for the record: "counts.csv:14".
func (s *Sheet) Where(line int) string { return fmt.Sprintf("%s:%d", s.Name, line) }

func (s *Sheet) fault(line int, format string, args ...any) {
	s.Faults = append(s.Faults, Fault{line, fmt.Sprintf(format, args...)})
}

// Read reads a CSV or XLSX by content. An error means nothing could be read.
func Read(path string, data []byte) (*Sheet, error) {
	name := filepath.Base(path)
	switch {
	case len(data) == 0:
		return nil, fmt.Errorf("%s is empty", name)
	case len(data) > MaxBytes:
		return nil, fmt.Errorf("%s is larger than %d MB: save only the sheet with the data as CSV", name, MaxBytes>>20)
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		return readXLSX(name, data)
	case bytes.HasPrefix(data, []byte("\xd0\xcf\x11\xe0")):
		return nil, fmt.Errorf("%s is an old .xls file: save it as .xlsx or CSV", name)
	case bytes.HasPrefix(data, []byte("%PDF")):
		return nil, fmt.Errorf("%s is a PDF: save the sheet as CSV or XLSX", name)
	}
	return readCSV(name, data)
}

func readCSV(name string, data []byte) (*Sheet, error) {
	s := &Sheet{Name: name}
	text, err := decode(data, s)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	s.Delimiter = delimiter(text)
	r := csv.NewReader(strings.NewReader(text))
	r.Comma = s.Delimiter
	r.FieldsPerRecord = -1
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			s.fault(pe.StartLine, "the quotation marks do not pair up: check this row")
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		line, _ := r.FieldPos(0)
		if len(rec) > MaxColumns {
			return nil, fmt.Errorf("%s has more than %d columns: save only the columns with data", name, MaxColumns)
		}
		if blank(rec) {
			continue
		}
		if s.Header == nil {
			for _, h := range rec {
				s.Header = append(s.Header, Tidy(h))
			}
			continue
		}
		for len(rec) > len(s.Header) && strings.TrimSpace(rec[len(rec)-1]) == "" {
			rec = rec[:len(rec)-1]
		}
		if len(rec) != len(s.Header) {
			s.fault(line, "has %d cells where the header has %d: a cell is missing, or there is a stray %q", len(rec), len(s.Header), string(s.Delimiter))
			continue
		}
		if len(s.Rows) == MaxRows {
			return nil, fmt.Errorf("%s has more than %d rows", name, MaxRows)
		}
		row := Row{Line: line}
		for _, c := range rec {
			row.Cells = append(row.Cells, Cell{Text: Unguard(Tidy(c))})
		}
		s.Rows = append(s.Rows, row)
	}
	return s, s.finish()
}

// finish checks what both kinds of file share.
func (s *Sheet) finish() error {
	if s.Header == nil {
		return fmt.Errorf("%s has no header row", s.Name)
	}
	seen := map[string]int{}
	for i, h := range s.Header {
		if h == "" {
			continue
		}
		k := Key(h)
		if j, dup := seen[k]; dup {
			return fmt.Errorf("%s has two columns called %q (columns %d and %d): rename one", s.Name, h, j+1, i+1)
		}
		seen[k] = i
	}
	return nil
}

// decode turns bytes into UTF-8 text without a byte-order mark.
func decode(data []byte, s *Sheet) (string, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xef, 0xbb, 0xbf}):
		data = data[3:]
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}), bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		out, err := unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Bytes(data)
		if err != nil {
			return "", errors.New("cannot be read as text: save it as CSV UTF-8")
		}
		data = out
	}
	if bytes.IndexByte(data, 0) >= 0 {
		return "", errors.New("is not a text table: save it as CSV UTF-8 or XLSX")
	}
	if !utf8.Valid(data) {
		out, err := charmap.Windows1252.NewDecoder().Bytes(data)
		if err != nil {
			return "", errors.New("cannot be read as text: save it as CSV UTF-8")
		}
		s.Notes = append(s.Notes, "the file is not UTF-8 and was read as Windows-1252: check accented letters")
		data = out
	}
	return strings.ReplaceAll(strings.ReplaceAll(string(data), "\r\n", "\n"), "\r", "\n"), nil
}

// delimiter chooses the mark that splits the header row into most cells,
// outside quotation marks.
func delimiter(text string) rune {
	counts := map[rune]int{}
	quoted := false
	for _, r := range strings.TrimLeft(text, "\n") {
		if r == '"' {
			quoted = !quoted
		}
		if quoted {
			continue
		}
		if r == '\n' {
			break
		}
		counts[r]++
	}
	best := ','
	for _, r := range []rune{';', '\t'} {
		if counts[r] > counts[best] {
			best = r
		}
	}
	return best
}

func blank(rec []string) bool {
	for _, c := range rec {
		if Tidy(c) != "" {
			return false
		}
	}
	return true
}

// Tidy removes what nobody sees: surrounding white space, no-break and
// zero-width spaces, and doubled spaces.
func Tidy(s string) string { return trial.CleanLabel(s) }

// Key is how headers and labels are matched: case, spaces, hyphens and
// underscores do not matter.
func Key(s string) string {
	return strings.Map(func(r rune) rune {
		switch r {
		case ' ', '-', '_', '.':
			return -1
		}
		return r
	}, strings.ToLower(Tidy(s)))
}

// Column finds a column by any of its accepted names; -1 where there is none.
func (s *Sheet) Column(names ...string) int {
	for _, n := range names {
		for i, h := range s.Header {
			if Key(h) == Key(n) {
				return i
			}
		}
	}
	return -1
}

// missing are the ways a person writes "not there".
var missing = map[string]bool{"": true, ".": true, "-": true, "–": true, "—": true, "na": true, "n/a": true, "#n/a": true, "nan": true, "null": true, "missing": true}

// IsMissing reports a cell that says there is no value. Zero is a value.
func IsMissing(c Cell) bool {
	return c.Number == nil && c.Date.IsZero() && missing[strings.ToLower(c.Text)]
}
