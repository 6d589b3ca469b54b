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
	"regexp"
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
	Text    string
	Number  *float64 // as shown: 45 where the cell shows 45 %
	Date    trial.Date
	Percent bool // the file shows the number as a percentage
	// Merged: the cell lies under another one, whose content it repeats. That
	// is good for a label; a value belongs to one place.
	Merged bool
}

// Row is one line under the header.
type Row struct {
	Line  int // as a spreadsheet or editor counts, from 1
	Cells []Cell
}

// Sheet is a table as read: one header, rows of equal width.
type Sheet struct {
	Name      string   // file's base name, and the sheet's where there are several
	Delimiter rune     // of a CSV; 0 for XLSX
	Others    []string // worksheets of the same workbook
	Header    []string
	Rows      []Row
	Notes     []string // what was tidied on the way
	Faults    []Fault  // rows that could not be read; the others stand
	// Unended is the last row of a text file that ends without a line end, and
	// so may be cut off in the middle of it; 0 where it ends with one.
	Unended int
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

// Options says which part of a file is meant.
type Options struct {
	Worksheet string // of a workbook; "" takes the first visible one with rows
}

// Read reads a CSV, XLSX or ODS by content. An error means nothing could be
// read.
func Read(path string, data []byte) (*Sheet, error) { return ReadPart(path, data, Options{}) }

// ReadPart does what Read does for one part of a file.
func ReadPart(path string, data []byte, opt Options) (*Sheet, error) {
	name := filepath.Base(path)
	switch {
	case len(data) == 0:
		return nil, fmt.Errorf("%s is empty", name)
	case len(data) > MaxBytes:
		return nil, fmt.Errorf("%s is larger than %d MB: save only the sheet with the data as CSV", name, MaxBytes>>20)
	case isODS(data):
		return readODS(name, data, opt)
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		return readXLSX(name, data, opt)
	case bytes.HasPrefix(data, []byte("\xd0\xcf\x11\xe0")):
		return nil, fmt.Errorf("%s is an old .xls file: save it as .xlsx or CSV", name)
	case bytes.HasPrefix(data, []byte("%PDF")):
		return nil, fmt.Errorf("%s is a PDF: save the sheet as CSV or XLSX", name)
	case isMarkup(data):
		return nil, fmt.Errorf("%s is a web page or XML whatever its name says: open it in a spreadsheet and save it as .xlsx or CSV", name)
	case opt.Worksheet != "":
		return nil, fmt.Errorf("%s is no workbook, so it has no worksheet %q: leave --worksheet out", name, opt.Worksheet)
	}
	return readCSV(name, data)
}

// isMarkup reports HTML or XML, which some programs export under the name .xls.
func isMarkup(data []byte) bool {
	start := strings.ToLower(strings.TrimLeft(string(data[:min(len(data), 300)]), "\ufeff \t\r\n"))
	for _, tag := range []string{"<html", "<!doctype", "<table", "<?xml", "<head", "<body", "<!--", "mime-version:"} {
		if strings.HasPrefix(start, tag) {
			return true
		}
	}
	return false
}

func readCSV(name string, data []byte) (*Sheet, error) {
	s := &Sheet{Name: name}
	text, err := decode(data, s)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	whole := text
	first := 1
	if m := separatorLine.FindStringSubmatch(text); m != nil { // a hint that spreadsheets write for each other
		s.Delimiter = []rune(strings.ReplaceAll(m[1], `\t`, "\t"))[0]
		text, first = text[len(m[0]):], 2
	} else {
		s.Delimiter = delimiter(text)
	}
	var rows []Row
	for at := first; text != ""; {
		lines, next, err := s.parse(text, at, &rows)
		if err != nil {
			return nil, err
		}
		text, at = next, at+lines
	}
	if n := len(rows); n > 1 && whole != "" && !strings.HasSuffix(whole, "\n") {
		s.Unended = rows[n-1].Line
	}
	return s, s.assemble(rows)
}

var separatorLine = regexp.MustCompile(`^(?i:sep)=(\\t|.)\n`)

// parse reads records from text, whose first line is number first, until its
// end or an opening quotation mark that nothing closes. It returns how many
// lines it read and the text after them: a row with such a mark is a fault of
// its own and does not take the rows under it along.
func (s *Sheet) parse(text string, first int, rows *[]Row) (lines int, rest string, err error) {
	r := csv.NewReader(strings.NewReader(text))
	r.Comma = s.Delimiter
	r.FieldsPerRecord = -1
	width := 2
	for _, row := range *rows {
		width = max(width, len(row.Cells))
	}
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			return 0, "", nil
		}
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			s.fault(first+pe.StartLine-1, "the quotation marks do not pair up: check this row")
			if pe.Line == pe.StartLine {
				continue
			}
			return pe.StartLine, afterLines(text, pe.StartLine), nil
		}
		if err != nil {
			return 0, "", fmt.Errorf("%s cannot be read as a table: save it as CSV UTF-8 or XLSX", s.Name)
		}
		line, _ := r.FieldPos(0)
		if swallowed(rec, s.Delimiter, width) {
			s.fault(first+line-1, "the quotation marks do not pair up: check this row")
			return line, afterLines(text, line), nil
		}
		if len(rec) > MaxColumns {
			return 0, "", fmt.Errorf("%s has more than %d columns: save only the columns with data", s.Name, MaxColumns)
		}
		if blank(rec) {
			continue
		}
		if len(*rows) > MaxRows {
			return 0, "", fmt.Errorf("%s has more than %d rows", s.Name, MaxRows)
		}
		width = max(width, len(rec))
		row := Row{Line: first + line - 1}
		for _, c := range rec {
			row.Cells = append(row.Cells, Cell{Text: Unguard(Tidy(c))})
		}
		*rows = append(*rows, row)
	}
}

// swallowed reports a quoted cell that holds whole rows: an odd quotation mark
// in one row met another one further down. width is the number of cells of a
// whole row.
func swallowed(rec []string, delimiter rune, width int) bool {
	for _, c := range rec {
		_, below, more := strings.Cut(c, "\n")
		if !more {
			continue
		}
		for line := range strings.SplitSeq(below, "\n") {
			if n := strings.Count(line, string(delimiter)); n > 0 && n+1 >= width {
				return true
			}
		}
	}
	return false
}

func afterLines(text string, n int) string {
	for range n {
		_, after, more := strings.Cut(text, "\n")
		if !more {
			return ""
		}
		text = after
	}
	return text
}

// assemble finds the header among the rows and makes all others as wide.
func (s *Sheet) assemble(rows []Row) error {
	h := headerRow(rows)
	if h < 0 {
		return fmt.Errorf("%s has no header row", s.Name)
	}
	if h > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("above the header (row %d) %s passed over", rows[h].Line, rowsWere(h)))
	}
	for _, c := range rows[h].Cells {
		s.Header = append(s.Header, c.Text)
	}
	for len(s.Header) > 0 && s.Header[len(s.Header)-1] == "" {
		s.Header = s.Header[:len(s.Header)-1]
	}
	for _, row := range rows[h+1:] {
		for len(row.Cells) > len(s.Header) && row.Cells[len(row.Cells)-1].Text == "" {
			row.Cells = row.Cells[:len(row.Cells)-1]
		}
		switch {
		case len(row.Cells) > len(s.Header) && s.Delimiter == 0:
			s.fault(row.Line, "has a value to the right of the last header: name its column or clear it")
			continue
		case len(row.Cells) != len(s.Header) && s.Delimiter != 0:
			s.fault(row.Line, "has %d cells where the header has %d: a cell is missing, or there is a stray %q", len(row.Cells), len(s.Header), string(s.Delimiter))
			continue
		}
		for len(row.Cells) < len(s.Header) {
			row.Cells = append(row.Cells, Cell{})
		}
		s.Rows = append(s.Rows, row)
	}
	return s.finish()
}

func rowsWere(n int) string {
	if n == 1 {
		return "1 row was"
	}
	return fmt.Sprintf("%d rows were", n)
}

// telling are headers by which the header row is known under rows of titles.
var telling = map[string]bool{"plot": true, "plotid": true, "plotno": true, "operation": true, "photo": true, "treatment": true, "trt": true}

// titleRows is how far down a header is looked for.
const titleRows = 20

// headerRow finds the header: the first row that names a plot, an operation, a
// photo or a treatment; else the first row with two names; else the first.
func headerRow(rows []Row) int {
	if len(rows) == 0 {
		return -1
	}
	top := rows[:min(len(rows), titleRows)]
	named := func(row Row) (names int, tells bool) {
		for _, c := range row.Cells {
			if c.Text == "" {
				continue
			}
			if LooksLikeNumber(c) || !c.Date.IsZero() {
				return 0, false
			}
			names++
			tells = tells || telling[Key(c.Text)]
		}
		return names, tells
	}
	for i, row := range top {
		if n, tells := named(row); tells && (n > 1 || i == 0) {
			return i
		}
	}
	for i, row := range top {
		if n, _ := named(row); n > 1 {
			return i
		}
	}
	return 0
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
// outside quotation marks. Titles above the header do not count where a row
// further down tells that it is the header.
func delimiter(text string) rune {
	marks := []rune{',', ';', '\t'}
	line := ""
	for range titleRows {
		var next string
		next, text, _ = strings.Cut(text, "\n")
		for _, m := range marks {
			for cell := range strings.SplitSeq(next, string(m)) {
				if telling[Key(strings.Trim(Tidy(cell), `"'`))] {
					return m
				}
			}
		}
		if line == "" {
			line = strings.TrimSpace(next)
		}
	}
	best, most := ',', 0
	for _, m := range marks {
		n, quoted := 0, false
		for _, r := range line {
			if r == '"' {
				quoted = !quoted
			}
			if r == m && !quoted {
				n++
			}
		}
		if n > most {
			best, most = m, n
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

// Key is how headers and labels are matched: [trial.NameKey].
func Key(s string) string { return trial.NameKey(s) }

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
var missing = map[string]bool{"": true, ".": true, "-": true, "–": true, "—": true, "--": true, "na": true, "n/a": true, "#n/a": true, "nan": true, "null": true, "missing": true}

// IsMissing reports a cell that says there is no value. Zero is a value.
func IsMissing(c Cell) bool {
	return c.Number == nil && c.Date.IsZero() && missing[strings.ToLower(c.Text)]
}
