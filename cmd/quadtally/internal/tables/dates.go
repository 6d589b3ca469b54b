package tables

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"quadtally/cmd/quadtally/internal/trial"
)

// DateOrder is how a sheet with slashes writes its dates.
type DateOrder int

// The orders of day and month.
const (
	OrderUndecided DateOrder = iota
	DayFirst
	MonthFirst
)

var (
	isoDate   = regexp.MustCompile(`^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?$`)
	slashDate = regexp.MustCompile(`^(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})(?: .*)?$`)
	wordDate  = regexp.MustCompile(`(?i)^(\d{1,2})[-/. ]+([a-z]{3,9})[-/., ]+(\d{4})$`)
	wordFirst = regexp.MustCompile(`(?i)^([a-z]{3,9})\.? (\d{1,2}),? (\d{4})$`)
	shortYear = regexp.MustCompile(`^\d{1,2}[-/.]\d{1,2}[-/.]\d{2}$`)
)

// DateValue is one date of a column.
type DateValue struct {
	Line    int
	Date    trial.Date
	Missing bool
}

// Dates reads a column as dates. Day or month first is decided once for the
// whole column: from a cell that can only be read one way, then from want,
// then from fits (does every date fall on a day that was planned?). Where two
// rows contradict each other or nothing decides, the column is refused.
func (s *Sheet) Dates(col int, want DateOrder, fits func(trial.Date) bool) (values []DateValue, faults []Fault) {
	order, why := s.dateOrder(col, want, fits)
	if why != "" {
		return nil, []Fault{{0, why}}
	}
	for _, row := range s.Rows {
		c := row.Cells[col]
		switch {
		case IsMissing(c):
			values = append(values, DateValue{Line: row.Line, Missing: true})
			continue
		case !c.Date.IsZero():
			values = append(values, DateValue{Line: row.Line, Date: c.Date})
			continue
		}
		d, err := parseDate(c.Text, order)
		if err != nil {
			faults = append(faults, Fault{row.Line, fmt.Sprintf("column %q: %v", s.Header[col], err)})
			continue
		}
		values = append(values, DateValue{Line: row.Line, Date: d})
	}
	return values, faults
}

func (s *Sheet) dateOrder(col int, want DateOrder, fits func(trial.Date) bool) (DateOrder, string) {
	var dayRow, monthRow, openRow *Row
	for i := range s.Rows {
		row := &s.Rows[i]
		if !row.Cells[col].Date.IsZero() {
			continue
		}
		m := slashDate.FindStringSubmatch(row.Cells[col].Text)
		if m == nil {
			continue
		}
		a, _ := strconv.Atoi(m[1])
		b, _ := strconv.Atoi(m[2])
		switch {
		case a > 12 && b <= 12 && dayRow == nil:
			dayRow = row
		case b > 12 && a <= 12 && monthRow == nil:
			monthRow = row
		case a <= 12 && b <= 12 && a != b && openRow == nil:
			openRow = row
		}
	}
	text := func(r *Row) string { return r.Cells[col].Text }
	switch {
	case dayRow != nil && monthRow != nil:
		return 0, fmt.Sprintf("column %q has %q in row %d and %q in row %d: one has the day first, the other the month; correct them or write YYYY-MM-DD",
			s.Header[col], text(dayRow), dayRow.Line, text(monthRow), monthRow.Line)
	case dayRow != nil:
		return DayFirst, ""
	case monthRow != nil:
		return MonthFirst, ""
	case openRow == nil:
		return DayFirst, "" // nothing depends on it
	case want != OrderUndecided:
		return want, ""
	}
	if fits != nil {
		day, month := s.allFit(col, DayFirst, fits), s.allFit(col, MonthFirst, fits)
		if day != month {
			if day {
				return DayFirst, ""
			}
			return MonthFirst, ""
		}
	}
	return 0, fmt.Sprintf("column %q has %q in row %d: day or month first? Say --dates day-first or --dates month-first, or write YYYY-MM-DD",
		s.Header[col], text(openRow), openRow.Line)
}

func (s *Sheet) allFit(col int, order DateOrder, fits func(trial.Date) bool) bool {
	for _, row := range s.Rows {
		if c := row.Cells[col]; !IsMissing(c) && c.Date.IsZero() {
			d, err := parseDate(c.Text, order)
			if err != nil || !fits(d) {
				return false
			}
		}
	}
	return true
}

func parseDate(text string, order DateOrder) (trial.Date, error) {
	num := func(s string) int { n, _ := strconv.Atoi(s); return n }
	if m := isoDate.FindStringSubmatch(text); m != nil {
		return civil(text, num(m[1]), num(m[2]), num(m[3]))
	}
	if m := slashDate.FindStringSubmatch(text); m != nil {
		if order == MonthFirst {
			return civil(text, num(m[3]), num(m[1]), num(m[2]))
		}
		return civil(text, num(m[3]), num(m[2]), num(m[1]))
	}
	if m := wordDate.FindStringSubmatch(text); m != nil {
		return civil(text, num(m[3]), month(m[2]), num(m[1]))
	}
	if m := wordFirst.FindStringSubmatch(text); m != nil {
		return civil(text, num(m[3]), month(m[1]), num(m[2]))
	}
	if shortYear.MatchString(text) {
		return trial.Date{}, fmt.Errorf("%q has a year of two digits: write YYYY-MM-DD", text)
	}
	return trial.Date{}, fmt.Errorf("%q is not a date: write YYYY-MM-DD", text)
}

func month(word string) int {
	for m := time.January; m <= time.December; m++ {
		if full := strings.ToLower(m.String()); strings.HasPrefix(full, strings.ToLower(word)) {
			return int(m)
		}
	}
	return 0
}

// civil refuses days the calendar does not have.
func civil(text string, y, m, d int) (trial.Date, error) {
	t := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	if m < 1 || m > 12 || t.Day() != d || t.Month() != time.Month(m) || y < 1900 || y > 2200 {
		return trial.Date{}, fmt.Errorf("%q is not a day of the calendar: write YYYY-MM-DD", text)
	}
	return trial.DateOf(t), nil
}
