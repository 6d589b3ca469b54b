package report

import (
	"math"
	"strconv"
	"strings"
)

// This file is the one rule by which numbers become text, on every screen and
// page: three significant digits and whole numbers whole, no powers of ten, a
// true minus sign, no-break spaces between thousands and before units, and
// p values to three decimals without a leading zero.

const (
	minusSign = "−" // U+2212
	timesSign = "×"
	noBreak   = "\u00a0"
)

// undefined stands where there is no number.
const undefined = "–"

// figures writes v with at least n significant digits, and never fewer than
// its whole part has: 0.0432, 18.7, 24 915.
func figures(v float64, n int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return undefined
	}
	if v == 0 {
		return "0"
	}
	digits := n - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	// 9.996 has one digit more once it is rounded to three.
	if r := math.Pow(10, float64(digits)); math.Abs(math.Round(v*r)/r) >= math.Pow(10, float64(n-digits)) {
		digits--
	}
	return withDecimals(v, min(max(digits, 0), 15))
}

// figure3 writes a number by itself.
func figure3(v float64) string { return figures(v, 3) }

// withDecimals writes v with a fixed number of decimals, as columns need.
func withDecimals(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return undefined
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	whole, part, _ := strings.Cut(s, ".")
	// Four digits stay together; from five on, thousands stand apart (ISO 80000-1).
	if len(whole) > 4 {
		var b strings.Builder
		for i, d := range whole {
			if i > 0 && (len(whole)-i)%3 == 0 {
				b.WriteString(noBreak)
			}
			b.WriteRune(d)
		}
		whole = b.String()
	}
	if part != "" {
		whole += "." + part
	}
	if v < 0 && strings.Trim(s, "0.") != "" { // no minus before a zero
		whole = minusSign + whole
	}
	return whole
}

// decimalsFor are the decimals that give two figures to a standard error, so
// that a column of means shows what it can and no more.
func decimalsFor(se float64) int {
	if !(se > 0) || math.IsInf(se, 0) {
		return 2
	}
	return min(6, max(0, 1-int(math.Floor(math.Log10(se)+1e-12))))
}

// optional writes a number that may be undefined.
func optional(v *float64, decimals int) string {
	if v == nil {
		return undefined
	}
	return withDecimals(*v, decimals)
}

// between writes an interval; an end that is nil is open.
func between(low, high *float64, decimals int) string {
	switch {
	case low == nil && high == nil:
		return undefined
	case low == nil:
		return "up to " + withDecimals(*high, decimals)
	case high == nil:
		return "from " + withDecimals(*low, decimals)
	}
	return withDecimals(*low, decimals) + " to " + withDecimals(*high, decimals)
}

// pCell writes a p value for a table, pWords for a sentence.
func pCell(p *float64) string {
	switch {
	case p == nil || math.IsNaN(*p):
		return undefined
	case *p < 0.001:
		return "< .001"
	case *p > 0.999:
		return "> .999"
	}
	s := strconv.FormatFloat(*p, 'f', 3, 64)
	return strings.TrimPrefix(s, "0")
}

func pWords(p float64) string {
	s := pCell(&p)
	if s[0] == '<' || s[0] == '>' {
		return "p" + noBreak + strings.ReplaceAll(s, " ", noBreak)
	}
	return "p" + noBreak + "=" + noBreak + s
}

// percent writes a fraction as whole percent, with one figure more below one
// percent, so that little is not told as nothing.
func percentWords(fraction float64) string {
	v := 100 * fraction
	d := 0
	if a := math.Abs(v); a > 0 && a < 1 {
		d = min(1-int(math.Floor(math.Log10(a))), 3)
	}
	return withDecimals(v, d) + noBreak + "%"
}
