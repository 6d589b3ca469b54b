package terminal

import (
	"strings"
	"testing"
)

// TestScreen: no byte that steers a terminal comes through, in whatever pieces
// it is written, and all other text comes through whole.
func TestScreen(t *testing.T) {
	for in, want := range map[string]string{
		"plot 101\t7\r\n":      "plot 101\t7\r\n",
		"café — 20 m²\n":       "café — 20 m²\n",
		"\x1b[1mbold\x1b[0m\n": "\x1b[1mbold\x1b[0m\n",
		"a\x1b[31mred\x07\n":   `a\x1b[31mred\x07` + "\n",
		"over\rwritten\n":      `over\x0dwritten` + "\n",
		"caf\xe9.jpg\n":        `caf\xe9.jpg` + "\n",
		"turn\u202egpj.exe\n":  `turn\u202egpj.exe` + "\n",
		"half \xc3":            `half \xc3`,
		"end\x1b":              `end\x1b`,
		"end\r":                `end\x0d`,
	} {
		for size := 1; size <= len(in); size++ {
			var b strings.Builder
			s := NewScreen(&b)
			for at := 0; at < len(in); at += size {
				part := in[at:min(at+size, len(in))]
				if n, err := s.Write([]byte(part)); n != len(part) || err != nil {
					t.Fatal(n, err)
				}
			}
			if err := s.Flush(); err != nil || b.String() != want {
				t.Errorf("%q in pieces of %d: %q, want %q (%v)", in, size, b.String(), want, err)
			}
		}
	}
}
