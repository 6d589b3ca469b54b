package trial

import (
	"strings"
	"unicode"
)

// Label brings a written label to the form in which labels are compared: no
// spaces at either end, runs of blanks of any kind (no-break spaces too) as
// one space, byte-order marks and zero-width characters gone, lower case.
// "Bare", "BARE " and "bare" are one treatment; "STRAWW" stays another.
func Label(s string) string { return strings.ToLower(CleanLabel(s)) }

// CleanLabel does what Label does but keeps the case.
func CleanLabel(s string) string {
	s = strings.Map(func(r rune) rune {
		switch r {
		case '\ufeff', '\u200b', '\u200c', '\u200d', '\u2060':
			return -1
		}
		if unicode.IsSpace(r) {
			return ' '
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}
