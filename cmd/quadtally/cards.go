package main

import (
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
)

type cardsFlags struct {
	opt           print.Options
	columns       print.FieldColumns
	out           string
	frame, visit  int
	withTreatment bool
}

// cardsUnused are the flags that do nothing for one kind of print.
var cardsUnused = map[string][]string{
	"plots": {"frame", "visit", "classes", "regrowth"},
	"marks": {"visit", "classes", "regrowth", "per-quadrat", "four", "with-treatment"},
	"sheet": {"frame", "per-quadrat", "four"},
}

func cardsCommand(a *app) *cobra.Command {
	f := cardsFlags{opt: print.DefaultOptions()}
	c := &cobra.Command{
		Use:  "cards [plots|marks|sheet]",
		Args: takes(0, 1, "at most one of plots, marks, sheet"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if _, _, err := f.opt.Paper.SizeMM(); err != nil {
				return usagef("--paper: %v", err)
			}
			what := "plots"
			if len(args) == 1 {
				what = args[0]
			}
			if cardsUnused[what] == nil {
				return usagef("%q cannot be printed: say plots, marks or sheet", what)
			}
			if err := unused(cmd, "cards "+what, cardsUnused[what]...); err != nil {
				return err
			}
			f.opt.Printed, f.opt.Blind = a.clock(), !f.withTreatment
			return a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) error { return a.cards(snap, what, &f) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.out, "out", "", "file to write (default: in the trial's folder); - for standard output")
	a.forceFlag(fl)
	fl.StringVar((*string)(&f.opt.Paper), "paper", string(print.A4), "A4 or Letter")
	fl.BoolVar(&f.withTreatment, "with-treatment", false, "print the treatments too, which whoever counts should not know")
	fl.BoolVar(&f.opt.FourOnPage, "four", false, "four small cards a page in place of two")
	fl.BoolVar(&f.opt.PerQuadrat, "per-quadrat", false, "one card for each quadrat")
	fl.IntVar(&f.frame, "frame", 1, "which of several frames of the same size, 1 to 8")
	fl.IntVar(&f.visit, "visit", 1, "the visit of the field sheet")
	fl.BoolVar(&f.columns.Regrowth, "regrowth", false, "a column for regrown plants of the cover crop (by itself once some are recorded)")
	fl.StringSliceVar(&f.columns.Classes, "classes", nil, "what is counted (default: the plan's classes)")
	return c
}

func (a *app) cards(snap *record.Snapshot, what string, f *cardsFlags) error {
	t, plots := &snap.Trial, snap.Plots
	var name string
	var write func(io.Writer) ([]string, error)
	switch what {
	case "marks":
		name = fmt.Sprintf("marks-frame-%d.pdf", f.frame)
		write = func(w io.Writer) ([]string, error) { return print.CornerMarks(w, t, f.frame, f.opt) }
	case "sheet":
		if len(t.Visits) > 0 {
			if err := visitOf(snap, f.visit); err != nil {
				return err
			}
		}
		columns := f.columns
		if len(columns.Classes) == 0 {
			columns.Classes = t.CountedClasses()
		}
		columns.Cover, columns.Regrowth = true, columns.Regrowth || snap.Recorded(record.VarRegrowth)
		columns.RegrowthCover = snap.Recorded(record.VarRegrowthCover)
		name = fmt.Sprintf("sheet-visit-%d.pdf", f.visit)
		write = func(w io.Writer) ([]string, error) { return print.FieldSheet(w, t, plots, f.visit, columns, f.opt) }
	default:
		name = "cards.pdf"
		write = func(w io.Writer) ([]string, error) { return print.PlotCards(w, t, plots, f.opt) }
	}
	if f.out == "" {
		f.out = filepath.Join(a.trialDir, name)
	}
	err := a.writeTo(f.out, func(w io.Writer) error { return a.printed(write(w)) })
	if err == nil && what != "marks" {
		a.noteBlind(f.opt.Blind)
	}
	return err
}
