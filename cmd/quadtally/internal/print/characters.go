package print

import (
	"fmt"
	"strings"
	"sync"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/sfnt"

	"quadtally/cmd/quadtally/internal/trial"
)

// glyphs is the embedded font of everything that is printed: which characters
// it has.
var glyphs = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(liberationsansregular.TTF) })

// Printable replaces what the font has no glyph for by a question mark, so
// that no name can break a page. missing, which may be nil, is told of each.
func Printable(text string, missing func(rune)) (string, error) {
	font, err := glyphs()
	if err != nil {
		return "", err
	}
	var buf sfnt.Buffer
	return strings.Map(func(r rune) rune {
		if i, err := font.GlyphIndex(&buf, r); r < 0x10000 && err == nil && i != 0 && r >= ' ' {
			return r
		}
		if missing != nil {
			missing(r)
		}
		return '?'
	}, trial.CleanLabel(text)), nil
}

// Unprintable names characters that the font lacks, the first of many; those
// that cannot be seen by their numbers.
func Unprintable(list []rune) string {
	const most = 12
	var out []string
	for _, r := range list[:min(most, len(list))] {
		if unicode.IsPrint(r) && !unicode.Is(unicode.M, r) {
			out = append(out, string(r))
		} else {
			out = append(out, fmt.Sprintf("%U", r))
		}
	}
	if more := len(list) - most; more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(out, " ")
}
