package report

import (
	"io"
	"strings"
)

// Layout is a trial as it was laid out: its map in characters, what it can
// show, and how it was drawn.
type Layout struct {
	Map                 string
	Sentences, Warnings []string
	Seed                string
}

// WriteLayout writes a layout: with opt.Short on one screen.
func WriteLayout(w io.Writer, l Layout, opt TextOptions) error {
	s := l.screen(opt)
	if opt.Short {
		return s.write(w)
	}
	var b strings.Builder
	b.WriteString(l.Map + "\n")
	for _, p := range s.parts[1:] {
		b.WriteString(strings.Join(p.lines, "\n") + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Lines is how many lines of a screen the layout takes beside its map.
func (l Layout) Lines(opt TextOptions) int {
	n := 1
	for _, p := range l.screen(opt).parts[1:] {
		if p.keep > keepMethod {
			n += len(p.lines)
		}
	}
	return n
}

func (l Layout) screen(opt TextOptions) *screen {
	s := newScreen(opt.Term, "how that was reckoned, and the flags of every plot")
	s.add(keepAlways, strings.Split(strings.TrimRight(l.Map, "\n"), "\n")...)
	for i, x := range l.Sentences {
		switch i {
		case 0, 1: // what it has, and what it can show
			s.strong("", x)
		case 2:
			s.say(keepMethod, "", x)
		default:
			s.say(keepContext, "", x)
		}
	}
	for _, x := range l.Warnings {
		if opt.Short {
			s.caution(x)
			continue
		}
		for _, line := range wrap("warning: "+x, s.term.Width) {
			s.add(keepAlways, s.term.strong(line))
		}
	}
	s.say(keepAlways, "", l.Seed)
	return s
}
