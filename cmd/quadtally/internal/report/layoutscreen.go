package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/trial"
)

// Layout is a trial as it was laid out: its map in characters, what it can
// show, and how it was drawn.
type Layout struct {
	Map                 string
	Sentences, Warnings []string
	Seed                string
}

// WriteNewTrial writes a trial as it was laid out, or entered: its map, and what
// it can show where plots of a block vary by cvFrac of their mean.
func WriteNewTrial(w io.Writer, t *trial.Trial, plots []trial.Plot, cvFrac float64, opt TextOptions) error {
	o := analysis.WhatItCanShow(t, plots, cvFrac)
	l := Layout{Sentences: o.Sentences, Warnings: append(o.Warnings, analysis.ConfoundedDates(t)...)}
	if !opt.Short {
		l.Seed = fmt.Sprintf("Layout: %s, seed %d.", t.Generator, t.Seed)
		var err error
		if l.Map, err = trial.TextMap(t, plots, trial.MapOptions{}, opt.Term.width()); err != nil {
			return err
		}
		return WriteLayout(w, l, opt)
	}
	l.Seed = fmt.Sprintf("Drawn with seed %d.", t.Seed)
	if t.Generator == trial.EnteredFromTable {
		l.Seed = "Layout as entered."
	}
	l.Map, _ = trial.ScreenMap(t, plots, trial.MapOptions{}, opt.Term.width(), opt.Term.besidePrompt()-l.Lines(opt))
	return WriteLayout(w, l, opt)
}

// WriteMap writes the map of a trial: with opt.Short on one screen, else with
// the flags and quadrats of every plot.
func WriteMap(w io.Writer, t *trial.Trial, plots []trial.Plot, m trial.MapOptions, opt TextOptions) error {
	foot := ""
	if m.Blind {
		foot = "Treatments are left off for counting: --with-treatment.\n"
	}
	var text string
	var err error
	if opt.Short {
		foot += "Flags, net plots and quadrats of every plot: --full.\n"
		text, _ = trial.ScreenMap(t, plots, m, opt.Term.width(), opt.Term.besidePrompt()-strings.Count(foot, "\n"))
	} else if text, err = trial.TextMap(t, plots, m, opt.Term.width()); err != nil {
		return err
	}
	_, err = io.WriteString(w, text+foot)
	return err
}

func (t Terminal) width() int { return cmp.Or(max(t.Width, 0), 80) }

// besidePrompt is the lines of a screen less the one that is typed on.
func (t Terminal) besidePrompt() int { return max(23, t.Rows-1) }

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
