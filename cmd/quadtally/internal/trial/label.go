package trial

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// Label brings a written label to the form in which labels are compared: no
// spaces at either end, runs of blanks of any kind (no-break spaces too) as
// one space, byte-order marks and zero-width characters gone, lower case.
// "Bare", "BARE " and "bare" are one treatment; "STRAWW" stays another.
func Label(s string) string { return strings.ToLower(CleanLabel(s)) }

// CleanLabel does what Label does but keeps the case. Accented letters that
// were typed as a letter and an accent become one letter (Unicode form NFC).
func CleanLabel(s string) string {
	s = strings.Map(func(r rune) rune {
		switch r {
		case '\ufeff', '\u200b', '\u200c', '\u200d', '\u2060', '\u00ad':
			return -1
		}
		if unicode.IsSpace(r) {
			return ' '
		}
		return r
	}, norm.NFC.String(s))
	return strings.Join(strings.Fields(s), " ")
}

// NameKey is how the names of columns, classes, plots and treatments are
// compared: after Unicode compatibility normalisation (NFKC), without regard to
// case, spaces, hyphens, underscores and full stops. "broad-leaf", "Broadleaf"
// and "BROAD LEAF" are one name. Between two digits such a mark counts: plot
// 1-2 is not plot 12.
func NameKey(s string) string {
	text := []rune(strings.ToLower(norm.NFKC.String(CleanLabel(s))))
	out := make([]rune, 0, len(text))
	mark := false
	for _, r := range text {
		if r == '_' || r == '.' || unicode.IsSpace(r) || unicode.Is(unicode.Pd, r) {
			mark = true
			continue
		}
		if mark && len(out) > 0 && unicode.IsDigit(r) && unicode.IsDigit(out[len(out)-1]) {
			out = append(out, '-')
		}
		mark = false
		out = append(out, r)
	}
	return string(out)
}

// scripts are those whose capitals and small letters can pass for each other
// in print.
var scripts = map[string]*unicode.RangeTable{"Latin": unicode.Latin, "Greek": unicode.Greek, "Cyrillic": unicode.Cyrillic}

// Scripts names the alphabets a label is written in, of those whose letters
// look alike: "Latin", "Greek", "Cyrillic", sorted.
func Scripts(s string) []string {
	var out []string
	for _, name := range []string{"Cyrillic", "Greek", "Latin"} {
		if strings.ContainsFunc(norm.NFKC.String(s), func(r rune) bool { return unicode.Is(scripts[name], r) }) {
			out = append(out, name)
		}
	}
	return out
}

// lookAlike are Greek and Cyrillic letters that print as a Latin one, lower
// case, from the tables of confusable characters of Unicode Technical
// Standard 39 as far as whole alphabets of field labels are concerned.
var lookAlike = map[rune]rune{
	'а': 'a', 'в': 'b', 'с': 'c', 'е': 'e', 'н': 'h', 'і': 'i', 'ј': 'j', 'к': 'k', 'м': 'm', 'о': 'o', 'р': 'p', 'ѕ': 's', 'т': 't', 'у': 'y', 'х': 'x',
	'α': 'a', 'β': 'b', 'ε': 'e', 'ζ': 'z', 'η': 'h', 'ι': 'i', 'κ': 'k', 'μ': 'm', 'ν': 'n', 'ο': 'o', 'ρ': 'p', 'τ': 't', 'υ': 'y', 'χ': 'x',
}

// Skeleton is NameKey with every letter that prints like a Latin one replaced
// by that: two labels with different keys and one skeleton look the same to a
// reader and may be one thing or two.
func Skeleton(s string) string {
	return strings.Map(func(r rune) rune {
		if l, ok := lookAlike[r]; ok {
			return l
		}
		return r
	}, NameKey(s))
}
