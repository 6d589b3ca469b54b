package main

import (
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

type mapFlags struct {
	opt                        trial.MapOptions
	svg, pdf, layout, quadrats string // files
	paper                      print.Paper
	withTreatment, full        bool
}

func mapCommand(a *app) *cobra.Command {
	f := mapFlags{opt: trial.MapOptions{Stretch: true}}
	c := &cobra.Command{
		Use: "map",
		RunE: func(cmd *cobra.Command, args []string) error {
			if _, _, err := f.paper.SizeMM(); err != nil {
				return usagef("--paper: %v", err)
			}
			f.opt.Blind = !f.withTreatment
			if f.pdf == "" {
				if err := unused(cmd, "a map without --pdf", "paper"); err != nil {
					return err
				}
			}
			if f.svg+f.pdf+f.layout+f.quadrats != "" {
				if err := unused(cmd, "a map that goes into a file", "full"); err != nil {
					return err
				}
			}
			return a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) error { return a.drawMap(snap, &f) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.svg, "svg", "", "write the map as SVG")
	fl.StringVar(&f.pdf, "pdf", "", "write the map as PDF")
	fl.StringVar(&f.layout, "csv", "", "write the layout as a table")
	fl.StringVar(&f.quadrats, "quadrats", "", "write the quadrats' places as a table")
	fl.IntVar(&f.opt.Visit, "visit", 1, "whose quadrats to show; 0 for none")
	a.forceFlag(fl)
	fl.BoolVar(&f.withTreatment, "with-treatment", false, "show the treatments, which whoever counts should not know")
	fl.BoolVar(&f.full, "full", false, "on the screen, the flags and quadrats of every plot below the map")
	fl.StringVar((*string)(&f.paper), "paper", string(print.A4), "A4 or Letter")
	return c
}

func (a *app) drawMap(snap *record.Snapshot, f *mapFlags) error {
	t, plots := &snap.Trial, snap.Plots
	if f.opt.Visit < 0 || len(t.Visits) > 0 {
		if err := visitOf(snap, f.opt.Visit); err != nil {
			return fmt.Errorf("%w; 0 leaves the quadrats out", err)
		}
	}
	files := 0
	for _, x := range []struct {
		path  string
		write func(io.Writer) error
	}{
		{f.svg, func(w io.Writer) error {
			d, err := trial.MapDrawing(t, plots, 210, 297, f.opt)
			if err != nil {
				return err
			}
			return d.WriteSVG(w)
		}},
		{f.pdf, func(w io.Writer) error {
			return a.printed(print.MapPDF(w, t, plots, f.opt, print.Options{Paper: f.paper, Printed: a.clock()}))
		}},
		{f.layout, func(w io.Writer) error {
			rows := trial.LayoutRows(plots, t.Units)
			if f.opt.Blind {
				for i := range rows {
					rows[i] = slices.Delete(rows[i], 3, 4)
				}
			}
			return tables.WriteCSV(w, tables.OfRows(rows))
		}},
		{f.quadrats, func(w io.Writer) error {
			rows, err := trial.QuadratRows(t, plots, max(1, f.opt.Visit))
			if err != nil {
				return err
			}
			return tables.WriteCSV(w, tables.OfRows(rows))
		}},
	} {
		if x.path == "" {
			continue
		}
		if err := a.writeTo(x.path, x.write); err != nil {
			return err
		}
		files++
	}
	if files == 0 {
		return report.WriteMap(a.out, t, plots, f.opt, a.text(f.full))
	}
	a.noteBlind(f.opt.Blind)
	return nil
}

// noteBlind says that the treatments were left off, and how to have them.
func (a *app) noteBlind(blind bool) {
	if blind && !a.quiet {
		a.note("treatments are left off, for whoever counts; --with-treatment shows them")
	}
}

// printed passes on what came of a page, and says what the font could not print.
func (a *app) printed(notes []string, err error) error {
	a.notes("note: ", notes...)
	return err
}
