package tables

import (
	"errors"
	"fmt"
	"strings"
)

// FaultText names a fault with its file and row.
func (s *Sheet) FaultText(f Fault) string {
	if f.Line > 0 {
		return fmt.Sprintf("%s: %s", s.Where(f.Line), f.Text)
	}
	return fmt.Sprintf("%s: %s", s.Name, f.Text)
}

// FaultError is a fault that stops the reading.
func (s *Sheet) FaultError(f Fault) error { return errors.New(s.FaultText(f)) }

// MissingColumn says that a column is not there, and which are.
func (s *Sheet) MissingColumn(what string) error {
	return fmt.Errorf("%s has no column for %s; it has: %s", s.Name, what, strings.Join(s.Header, ", "))
}

// NumbersByLine is Numbers by row.
func (s *Sheet) NumbersByLine(col int, decimal Decimal) (map[int]Value, []Fault) {
	values, faults := s.Numbers(col, decimal)
	out := make(map[int]Value, len(values))
	for _, v := range values {
		out[v.Line] = v
	}
	return out, faults
}
