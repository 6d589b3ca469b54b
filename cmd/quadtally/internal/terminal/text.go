package terminal

import (
	"bufio"
	"bytes"
	"io"
	"strings"
	"unicode/utf8"

	"quadtally/cmd/quadtally/internal/intake"
)

// Screen is standard output for text. Names of files and cells of sheets come
// from anywhere: what in them could steer a terminal is shown by its code.
type Screen struct {
	w    *bufio.Writer
	rest []byte // of a character, or a line end, that was not whole yet
}

// NewScreen writes to w.
func NewScreen(w io.Writer) *Screen { return &Screen{w: bufio.NewWriter(w)} }

// bold are the only codes that the program itself writes.
var bold = []string{"\x1b[1m", "\x1b[0m"}

func (s *Screen) Write(p []byte) (int, error) {
	data := append(s.rest, p...)
	s.rest = nil
	for len(data) > 0 {
		if code := startOf(data, bold...); code != "" {
			if _, err := s.w.WriteString(code); err != nil {
				return 0, err
			}
			data = data[len(code):]
			continue
		}
		whole := utf8.FullRune(data) && data[0] != '\x1b' || len(data) > utf8.UTFMax
		if !whole || len(data) == 1 && data[0] == '\r' {
			s.rest = bytes.Clone(data)
			break
		}
		r, n := utf8.DecodeRune(data)
		text := string(data[:n])
		switch {
		case r == '\n', r == '\t':
		case r == '\r' && data[1] == '\n':
		default:
			text = intake.Shown(text)
		}
		if _, err := s.w.WriteString(text); err != nil {
			return 0, err
		}
		data = data[n:]
	}
	return len(p), nil
}

// Flush writes what is held back; half a character is shown by its codes.
func (s *Screen) Flush() error {
	if len(s.rest) > 0 {
		rest := intake.Shown(string(s.rest))
		s.rest = nil
		if _, err := s.w.WriteString(rest); err != nil {
			return err
		}
	}
	return s.w.Flush()
}

func startOf(data []byte, among ...string) string {
	for _, a := range among {
		if bytes.HasPrefix(data, []byte(a)) {
			return a
		}
	}
	return ""
}

// Lines is text of several lines as it may be put on a screen.
func Lines(text string) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		cells := strings.Split(line, "\t")
		for k, c := range cells {
			cells[k] = intake.Shown(c)
		}
		lines[i] = strings.Join(cells, "\t")
	}
	return strings.Join(lines, "\n")
}

// AsItIs lets a table or a picture through unchanged.
func (s *Screen) AsItIs(write func(io.Writer) error) error {
	if err := s.Flush(); err != nil {
		return err
	}
	return write(s.w)
}
