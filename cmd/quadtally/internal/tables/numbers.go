package tables

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Decimal is the mark before the tenths.
type Decimal int

// What a file's decimal mark can be.
const (
	Undecided Decimal = iota
	Point
	Comma
)

var (
	plainNumber = regexp.MustCompile(`^[+-]?[0-9]+$`)
	pointNumber = regexp.MustCompile(`^[+-]?(?:[0-9]{1,3}(?:[ ,'’][0-9]{3})+|[0-9]+)?\.[0-9]*$`)
	commaNumber = regexp.MustCompile(`^[+-]?(?:[0-9]{1,3}(?:[ .'’][0-9]{3})+|[0-9]+)?,[0-9]*$`)
	pointGroups = regexp.MustCompile(`^[+-]?[0-9]{1,3}(?:,[0-9]{3})+$`) // 1,234 read with a decimal point
	commaGroups = regexp.MustCompile(`^[+-]?[0-9]{1,3}(?:\.[0-9]{3})+$`)
	spaceGroups = regexp.MustCompile(`^[+-]?[0-9]{1,3}(?:[ '’][0-9]{3})+$`)
	scientific  = regexp.MustCompile(`^[+-]?[0-9]+(?:\.[0-9]+)?[eE][+-]?[0-9]{1,3}$`)
)

// shape sorts a cell by what its marks can mean.
type shape int

const (
	notNumber shape = iota
	either          // no mark, or means the same both ways
	onlyPoint
	onlyComma
	ambiguousPoint // 1.234: 1234 with a decimal comma
	ambiguousComma // 1,234: 1234 with a decimal point
)

func shapeOf(s string) shape {
	s = strings.ReplaceAll(s, "−", "-")
	switch {
	case plainNumber.MatchString(s), spaceGroups.MatchString(s):
		return either
	case scientific.MatchString(s):
		if strings.Contains(s, ".") {
			return onlyPoint
		}
		return either
	case pointGroups.MatchString(s):
		if strings.Count(s, ",") > 1 {
			return onlyPoint
		}
		return ambiguousComma
	case commaGroups.MatchString(s):
		if strings.Count(s, ".") > 1 {
			return onlyComma
		}
		return ambiguousPoint
	case pointNumber.MatchString(s) && strings.ContainsAny(s, "0123456789"):
		return onlyPoint
	case commaNumber.MatchString(s) && strings.ContainsAny(s, "0123456789"):
		return onlyComma
	}
	return notNumber
}

// Value is one number of a column.
type Value struct {
	Line    int
	Number  float64 // of a percentage: 45 for 45 %
	Missing bool
	Percent bool   // the cell shows a percentage
	Sum     string // the cell as it stands, where it is a sum of tallies: "5+5+3"
}

// Sum is a cell that held a tally as a sum.
type Sum struct {
	Line   int     `json:"line"`
	Header string  `json:"column"`
	Text   string  `json:"text"`
	Number float64 `json:"value"`
}

// LooksLikeNumber reports a cell that a number can be read from, whatever the
// decimal mark.
func LooksLikeNumber(c Cell) bool {
	if c.Number != nil {
		return true
	}
	text, _ := unpercent(c.Text)
	return c.Date.IsZero() && (shapeOf(text) != notNumber || tally.MatchString(text))
}

// tally is how people write down what they count in batches.
var tally = regexp.MustCompile(`^[0-9]+(?:[.,][0-9]+)?(?: ?\+ ?[0-9]+(?:[.,][0-9]+)?)+$`)

// unpercent takes a percent sign off the end.
func unpercent(text string) (string, bool) {
	t, ok := strings.CutSuffix(text, "%")
	return strings.TrimRight(t, " "), ok
}

// Numbers reads a column as numbers. The decimal mark is decided for the whole
// column from its own cells, then from the other columns of the file, then
// (where told) from want; where two rows contradict each other, or nothing
// decides what 1,234 means, the column is refused with the rows named and
// every value left out. Cells that are no numbers ("<1", "trace", "12?") are
// faults of their rows.
func (s *Sheet) Numbers(col int, want Decimal) (values []Value, faults []Fault) {
	return s.numbers(col, want, false)
}

// NumbersExpanded does what Numbers does for a column of labels, such as visit
// numbers, where a merged cell stands for every row it covers.
func (s *Sheet) NumbersExpanded(col int, want Decimal) (values []Value, faults []Fault) {
	return s.numbers(col, want, true)
}

func (s *Sheet) numbers(col int, want Decimal, expand bool) (values []Value, faults []Fault) {
	mark, why := s.decimal(col, want)
	if why != "" {
		return nil, []Fault{{0, why}}
	}
	for _, row := range s.Rows {
		c := row.Cells[col]
		v := Value{Line: row.Line}
		switch {
		case c.Merged && !expand:
			faults = append(faults, Fault{row.Line, fmt.Sprintf("column %q is part of a merged cell, so one number would count twice: unmerge it and write each value", s.Header[col])})
			continue
		case IsMissing(c):
			v.Missing = true
		case c.Number != nil:
			v.Number, v.Percent = *c.Number, c.Percent
		case !c.Date.IsZero():
			faults = append(faults, Fault{row.Line, fmt.Sprintf("column %q holds the date %s where a number belongs: the spreadsheet changed it, type the number again", s.Header[col], c.Date)})
			continue
		default:
			text, percent := unpercent(c.Text)
			n, err := parse(text, mark)
			v.Percent = percent
			if err != nil && tally.MatchString(c.Text) {
				v.Sum, n, err = c.Text, 0, nil
				for part := range strings.SplitSeq(c.Text, "+") {
					p, e := parse(strings.TrimSpace(part), mark)
					n, err = n+p, errors.Join(err, e)
				}
			}
			if err != nil {
				faults = append(faults, Fault{row.Line, fmt.Sprintf("column %q holds %q, which is not a number: write the number, 0, or leave the cell blank", s.Header[col], c.Text)})
				continue
			}
			v.Number = n
		}
		values = append(values, v)
	}
	return values, faults
}

// decimal decides the mark of a column, or says in a sentence why it cannot.
func (s *Sheet) decimal(col int, want Decimal) (Decimal, string) {
	if want != Undecided {
		return want, ""
	}
	at := map[shape]Row{}
	grouped := false // a cell such as 1,234.5 shows that thousands are grouped
	for _, row := range s.Rows {
		if c := row.Cells[col]; c.Number == nil {
			text, _ := unpercent(c.Text)
			sh := shapeOf(text)
			if _, seen := at[sh]; !seen {
				at[sh] = row
			}
			grouped = grouped || sh == onlyPoint && strings.Contains(text, ",") || sh == onlyComma && strings.Contains(text, ".")
		}
	}
	p, hasPoint := at[onlyPoint]
	c, hasComma := at[onlyComma]
	ap, hasAP := at[ambiguousPoint]
	ac, hasAC := at[ambiguousComma]
	switch {
	case hasPoint && hasComma:
		return 0, fmt.Sprintf("column %q has %q in row %d and %q in row %d: say which mark is the decimal with --decimal point or --decimal comma, or correct the rows",
			s.Header[col], c.Cells[col].Text, c.Line, p.Cells[col].Text, p.Line)
	case hasPoint && hasAC && !grouped: // 8,250 beside 12.4 may be 8.25 by another hand
		return 0, fmt.Sprintf("column %q has %q in row %d and %q in row %d, and the first may be one and a bit or more than a thousand: correct it, or say --decimal point if commas group thousands",
			s.Header[col], ac.Cells[col].Text, ac.Line, p.Cells[col].Text, p.Line)
	case hasComma && hasAP && !grouped:
		return 0, fmt.Sprintf("column %q has %q in row %d and %q in row %d, and the first may be one and a bit or more than a thousand: correct it, or say --decimal comma if points group thousands",
			s.Header[col], ap.Cells[col].Text, ap.Line, c.Cells[col].Text, c.Line)
	case hasComma:
		return Comma, ""
	case hasPoint:
		return Point, ""
	}
	if m := s.markElsewhere(col); m != Undecided {
		return m, ""
	}
	switch {
	case hasAC && hasAP:
		return 0, fmt.Sprintf("column %q has %q in row %d and %q in row %d: say which mark is the decimal with --decimal point or --decimal comma",
			s.Header[col], ac.Cells[col].Text, ac.Line, ap.Cells[col].Text, ap.Line)
	case hasAC:
		return 0, fmt.Sprintf("column %q has %q in row %d, which may be one and a bit or more than a thousand: say --decimal comma or --decimal point",
			s.Header[col], ac.Cells[col].Text, ac.Line)
	case hasAP && s.Delimiter == ';': // a semicolon file is usually from a decimal-comma country
		return 0, fmt.Sprintf("column %q has %q in row %d, which may be one and a bit or more than a thousand: say --decimal comma or --decimal point",
			s.Header[col], ap.Cells[col].Text, ap.Line)
	}
	return Point, ""
}

// Regrouped returns the first cell of a column in which a lone mark was read as
// grouping thousands only because of the marks in other columns: its text, its
// line and the number. The line is 0 where there is none, or where a person
// said the mark.
func (s *Sheet) Regrouped(col int, said Decimal) (text string, line int, number float64) {
	mark, why := s.decimal(col, said)
	if said != Undecided || why != "" {
		return "", 0, 0
	}
	for _, row := range s.Rows {
		c := row.Cells[col]
		if c.Number != nil || IsMissing(c) {
			continue
		}
		t, _ := unpercent(c.Text)
		switch sh := shapeOf(t); {
		case sh == onlyPoint, sh == onlyComma:
			return "", 0, 0 // the column itself says what its marks are
		case line == 0 && (sh == ambiguousComma && mark == Point || sh == ambiguousPoint && mark == Comma):
			if n, err := parse(t, mark); err == nil {
				text, line, number = c.Text, row.Line, n
			}
		}
	}
	return text, line, number
}

// markElsewhere looks at the file's other columns; two that disagree decide
// nothing.
func (s *Sheet) markElsewhere(col int) Decimal {
	found := Undecided
	for i := range s.Header {
		if i == col {
			continue
		}
		numbers, m := 0, Undecided
		mixed := false
		for _, row := range s.Rows {
			c := row.Cells[i]
			if IsMissing(c) || c.Number != nil {
				continue
			}
			switch shapeOf(c.Text) {
			case notNumber:
				mixed = true
			case onlyPoint:
				mixed = mixed || m == Comma
				m, numbers = Point, numbers+1
			case onlyComma:
				mixed = mixed || m == Point
				m, numbers = Comma, numbers+1
			}
		}
		if numbers == 0 || mixed {
			continue
		}
		if found != Undecided && found != m {
			return Undecided
		}
		found = m
	}
	return found
}

func parse(text string, mark Decimal) (float64, error) {
	sh := shapeOf(text)
	bad := fmt.Errorf("%q is not a number", text)
	if sh == notNumber || (mark == Point && sh == onlyComma) || (mark == Comma && sh == onlyPoint) {
		return 0, bad
	}
	t := strings.NewReplacer("−", "-", " ", "", "'", "", "’", "").Replace(text)
	if mark == Comma {
		t = strings.ReplaceAll(strings.ReplaceAll(t, ".", ""), ",", ".")
	} else {
		t = strings.ReplaceAll(t, ",", "")
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, bad
	}
	return v, nil
}
