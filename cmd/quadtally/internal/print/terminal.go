package print

import (
	"image/color"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// TerminalCode draws a QR code of a text with half blocks, dark on light with
// the quiet zone of four modules that readers need, on dark terminals too.
func TerminalCode(text string) (string, error) {
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return "", err
	}
	const quiet = 4
	n := code.Bounds().Dx()
	dark := func(x, y int) bool {
		x, y = x-quiet, y-quiet
		return x >= 0 && y >= 0 && x < n && y < n && code.At(x, y) == color.Black
	}
	var b strings.Builder
	for y := 0; y < n+2*quiet; y += 2 {
		b.WriteString("\x1b[30;47m")
		for x := range n + 2*quiet {
			switch up, down := dark(x, y), dark(x, y+1); {
			case up && down:
				b.WriteRune('█')
			case up:
				b.WriteRune('▀')
			case down:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String(), nil
}
