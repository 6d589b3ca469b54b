// Package wording holds the few rules of English that sentences with numbers in
// them need.
package wording

import (
	"fmt"
	"strconv"
	"strings"
)

// Plural is a number with its noun, in the plural but for one.
func Plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	switch {
	case strings.HasSuffix(noun, "y") && !strings.ContainsAny(noun[max(0, len(noun)-2):], "aeou"):
		noun = strings.TrimSuffix(noun, "y") + "ie"
	case strings.HasSuffix(noun, "ch") || strings.HasSuffix(noun, "s"):
		noun += "e"
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// Number is a number to so many significant digits, without a power of ten and
// without noughts of our own.
func Number(v float64, digits int) string {
	if rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64); err == nil {
		v = rounded
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
