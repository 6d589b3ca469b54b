package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

func mapCommand(a *app) *cobra.Command {
	var svg, pdf, layoutCSV, quadratCSV, paper string
	opt := trial.MapOptions{Visit: 1, Stretch: true}
	var withTreatment, full bool
	c := &cobra.Command{
		Use:   "map",
		Short: "Draw the layout to scale, with flags, quadrats and the walk",
		Long: `Prints the map as text, or writes it as SVG, PDF or CSV: blocks, plots, flags at the
corners with their distance along the beds, where the quadrats of a visit lie in
the net plot, and the walking order. A file named - means standard output.
Treatments are left off, for a counter may look at it, unless --with-treatment asks
for them.

` + exitHelp,
		Example: "  quadtally map --visit 2\n  quadtally map --pdf map.pdf --paper Letter --with-treatment\n  quadtally map --csv layout.csv --quadrats spots.csv --visit 3",
		RunE: func(cmd *cobra.Command, args []string) error {
			if _, _, err := print.Paper(paper).SizeMM(); err != nil {
				return usagef("--paper: %v", err)
			}
			opt.Blind = !withTreatment
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				t, plots := &snap.Trial, snap.Plots
				if opt.Visit < 0 || len(t.Visits) > 0 && opt.Visit > len(t.Visits) {
					return usagef("--visit %d: the plan has visits 1 to %d; 0 leaves the quadrats out", opt.Visit, len(t.Visits))
				}
				wanted := false
				write := func(path string, f func(io.Writer) error) error {
					if path == "" {
						return nil
					}
					wanted = true
					return a.writeTo(path, f)
				}
				err := write(svg, func(w io.Writer) error {
					d, err := trial.MapDrawing(t, plots, 210, 297, opt)
					if err != nil {
						return err
					}
					return d.WriteSVG(w)
				})
				if err == nil {
					err = write(pdf, func(w io.Writer) error {
						return a.printed(print.MapPDF(w, t, plots, opt, print.Options{Paper: print.Paper(paper), Printed: a.clock()}))
					})
				}
				if err == nil {
					err = write(layoutCSV, func(w io.Writer) error {
						rows := trial.LayoutRows(plots, t.Units)
						if opt.Blind {
							for i := range rows {
								rows[i] = slices.Delete(rows[i], 3, 4)
							}
						}
						return tables.WriteCSV(w, tableOf(rows))
					})
				}
				if err == nil {
					err = write(quadratCSV, func(w io.Writer) error {
						rows, err := trial.QuadratRows(t, plots, max(1, opt.Visit))
						if err != nil {
							return err
						}
						return tables.WriteCSV(w, tableOf(rows))
					})
				}
				if wanted && err == nil {
					a.noteBlind(opt.Blind)
				}
				if err != nil || wanted {
					return err
				}
				return a.printMap(t, plots, opt, full)
			})
		},
	}
	f := c.Flags()
	f.StringVar(&svg, "svg", "", "write the map as SVG")
	f.StringVar(&pdf, "pdf", "", "write the map as PDF")
	f.StringVar(&layoutCSV, "csv", "", "write the layout as a table")
	f.StringVar(&quadratCSV, "quadrats", "", "write the quadrats' places as a table")
	f.IntVar(&opt.Visit, "visit", 1, "whose quadrats to show; 0 for none")
	a.forceFlag(c)
	f.BoolVar(&withTreatment, "with-treatment", false, "show the treatments, which whoever counts should not know")
	f.BoolVar(&full, "full", false, "on the screen, the flags and quadrats of every plot below the map")
	f.StringVar(&paper, "paper", string(print.A4), "A4 or Letter")
	return c
}

// printMap draws the map on the screen: alone, or with its tables.
func (a *app) printMap(t *trial.Trial, plots []trial.Plot, opt trial.MapOptions, full bool) error {
	width, rows := a.screen()
	foot := ""
	if opt.Blind {
		foot = "Treatments are left off for counting: --with-treatment.\n"
	}
	if full {
		text, err := trial.TextMap(t, plots, opt, width)
		if err == nil {
			_, err = fmt.Fprint(a.out, text+foot)
		}
		return err
	}
	foot += "Flags, net plots and quadrats of every plot: --full.\n"
	text, _ := trial.ScreenMap(t, plots, opt, width, rows-strings.Count(foot, "\n"))
	_, err := fmt.Fprint(a.out, text+foot)
	return err
}

// noteBlind says that the treatments were left off, and how to have them.
func (a *app) noteBlind(blind bool) {
	if blind && !a.quiet {
		a.note("treatments are left off, for whoever counts; --with-treatment shows them")
	}
}

// printed passes on what came of a page, and says what the font could not print.
func (a *app) printed(notes []string, err error) error {
	for _, n := range notes {
		a.note("note: %s", n)
	}
	return err
}

// tableOf makes a table of rows whose first is the header.
func tableOf(rows [][]string) tables.Table {
	t := tables.Table{Header: rows[0]}
	for _, r := range rows[1:] {
		cells := make([]any, len(r))
		for i, c := range r {
			cells[i] = c
		}
		t.Add(cells...)
	}
	return t
}
