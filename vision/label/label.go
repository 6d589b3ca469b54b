// Package label defines what is printed for the camera to read: the text in
// the code of a plot card, and the square marks stuck at the corners of a
// quadrat frame. The printer of cards and the reader of photos share it, so
// that neither can drift from the other.
package label

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Label says which quadrat of which plot of which trial a photo shows.
type Label struct {
	Trial   string // trial tag: exactly 4 characters of 0-9 A-Z
	Plot    string // plot tag: 1 to 6 characters of 0-9 A-Z
	Quadrat int    // 1..99; 0 is the card of the whole plot
}

const (
	trialLen   = 4
	plotMaxLen = 6
	quadratMax = 99

	// MaxLen is the longest text Encode returns. It stays within the 20
	// alphanumeric characters of a version-1 code (21 x 21 modules) at error
	// correction level M (ISO/IEC 18004, table 7): large modules are what
	// makes a card readable from a metre away.
	MaxLen = trialLen + 1 + plotMaxLen + 1 + 2 + 1 + 2
)

// ErrNotLabel is returned by Decode for any text that is not a plot card of
// ours: a web address, a seed packet, a misread card.
var ErrNotLabel = errors.New("not a plot card")

// Encode gives the text of a plot card, TTTT:PLOT:Q:CC, where CC are two
// check characters (ISO/IEC 7064, MOD 1271-36). It uses only characters of
// the alphanumeric mode of a QR code and is at most MaxLen long.
func Encode(l Label) (string, error) {
	if len(l.Trial) != trialLen || !alphanumeric(l.Trial) {
		return "", fmt.Errorf("trial tag %q: use exactly %d characters of 0-9 and A-Z", l.Trial, trialLen)
	}
	if len(l.Plot) < 1 || len(l.Plot) > plotMaxLen || !alphanumeric(l.Plot) {
		return "", fmt.Errorf("plot tag %q: use 1 to %d characters of 0-9 and A-Z", l.Plot, plotMaxLen)
	}
	if l.Quadrat < 0 || l.Quadrat > quadratMax {
		return "", fmt.Errorf("quadrat %d: use 1 to %d, or 0 for the whole plot", l.Quadrat, quadratMax)
	}
	return fmt.Sprintf("%s:%s:%d:%s", l.Trial, l.Plot, l.Quadrat, checkChars(l)), nil
}

// Decode is the inverse of Encode. Only a text that Encode could have given
// is accepted, character for character; everything else is ErrNotLabel.
func Decode(s string) (Label, error) {
	parts := strings.Split(s, ":")
	if len(s) > MaxLen || len(parts) != 4 {
		return Label{}, ErrNotLabel
	}
	q, err := strconv.Atoi(parts[2])
	if err != nil {
		return Label{}, ErrNotLabel
	}
	l := Label{Trial: parts[0], Plot: parts[1], Quadrat: q}
	if again, err := Encode(l); err != nil || again != s {
		return Label{}, ErrNotLabel
	}
	return l, nil
}

// String is the label as a person reads it on the card.
func (l Label) String() string {
	if l.Quadrat == 0 {
		return fmt.Sprintf("%s plot %s", l.Trial, l.Plot)
	}
	return fmt.Sprintf("%s plot %s quadrat %d", l.Trial, l.Plot, l.Quadrat)
}

// checkChars covers the length of the plot tag as well as its characters.
// Without it plot 20 quadrat 32 and plot 203 quadrat 2 would run together
// and share their check characters.
func checkChars(l Label) string {
	return mod1271(fmt.Sprintf("%s%d%s%02d", l.Trial, len(l.Plot), l.Plot, l.Quadrat))
}

const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

func alphanumeric(s string) bool {
	for i := range len(s) {
		if strings.IndexByte(alphabet, s[i]) < 0 {
			return false
		}
	}
	return true
}

// mod1271 gives the two check characters of the pure system MOD 1271-36 of
// ISO/IEC 7064:2003 for a string over 0-9 A-Z. The system catches every
// single wrong character, every swap of neighbours and nearly all else.
func mod1271(s string) string {
	const modulus, radix = 1271, 36
	p := 0
	for i := range len(s) {
		p = (p + strings.IndexByte(alphabet, s[i])) * radix % modulus
	}
	p = p * radix % modulus
	check := (modulus + 1 - p) % modulus
	return string([]byte{alphabet[check/radix], alphabet[check%radix]})
}
