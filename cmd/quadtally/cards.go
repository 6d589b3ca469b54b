package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
)

func cardsCommand(a *app) *cobra.Command {
	var out, paper string
	var frame, visit int
	var classes []string
	var withTreatment, regrowth bool
	opt := print.DefaultOptions()
	c := &cobra.Command{
		Use:   "cards [plots|marks|sheet]",
		Short: "Print plot cards, marks for the frame's corners, or a field sheet",
		Long: `plots   a card for each plot (or quadrat) with a code the camera reads
marks   four marks to stick at the corners of a frame
sheet   the paper for one visit, block after block, where 0 and "not looked at"
        have boxes of their own

Treatments are left off everything that a counter looks at, unless --with-treatment
asks for them. Print at 100 % and measure the bar on the page.

` + exitHelp,
		Example: "  quadtally cards --per-quadrat --four --paper Letter\n  quadtally cards marks --frame 2\n  quadtally cards sheet --visit 3 --classes broadleaf,grass,sedge",
		Args:    takes(0, 1, "at most one of plots, marks, sheet"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if _, _, err := print.Paper(paper).SizeMM(); err != nil {
				return usagef("--paper: %v", err)
			}
			what := "plots"
			if len(args) == 1 {
				what = args[0]
			}
			opt.Paper, opt.Printed, opt.Blind = print.Paper(paper), a.clock(), !withTreatment
			if err := unused(cmd, "cards "+what, cardsFlags[what]); err != nil {
				return err
			}
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				t, plots := &snap.Trial, snap.Plots
				var name string
				var write func(io.Writer) ([]string, error)
				switch what {
				case "plots":
					name = "cards.pdf"
					write = func(w io.Writer) ([]string, error) { return print.PlotCards(w, t, plots, opt) }
				case "marks":
					name = fmt.Sprintf("marks-frame-%d.pdf", frame)
					write = func(w io.Writer) ([]string, error) { return print.CornerMarks(w, t, frame, opt) }
				case "sheet":
					if len(t.Visits) > 0 && visit > len(t.Visits) {
						return usagef("--visit %d: the plan has visits 1 to %d", visit, len(t.Visits))
					}
					if len(classes) == 0 {
						classes = countedClasses(t)
					}
					name = fmt.Sprintf("sheet-visit-%d.pdf", visit)
					columns := print.FieldColumns{Classes: classes, Cover: true, Regrowth: regrowth || recorded(snap, record.VarRegrowth),
						RegrowthCover: recorded(snap, record.VarRegrowthCover)}
					write = func(w io.Writer) ([]string, error) { return print.FieldSheet(w, t, plots, visit, columns, opt) }
				default:
					return usagef("%q cannot be printed: say plots, marks or sheet", what)
				}
				if out == "" {
					out = filepath.Join(a.trialDir, name)
				}
				err := a.writeTo(out, func(w io.Writer) error { return a.printed(write(w)) })
				if err == nil && what != "marks" {
					a.noteBlind(opt.Blind)
				}
				return err
			})
		},
	}
	f := c.Flags()
	f.StringVar(&out, "out", "", "file to write (default: in the trial's folder); - for standard output")
	a.forceFlag(c)
	f.StringVar(&paper, "paper", string(print.A4), "A4 or Letter")
	f.BoolVar(&withTreatment, "with-treatment", false, "print the treatments too, which whoever counts should not know")
	f.BoolVar(&opt.FourOnPage, "four", false, "four small cards a page in place of two")
	f.BoolVar(&opt.PerQuadrat, "per-quadrat", false, "one card for each quadrat")
	f.IntVar(&frame, "frame", 1, "which of several frames of the same size, 1 to 8")
	f.IntVar(&visit, "visit", 1, "the visit of the field sheet")
	f.BoolVar(&regrowth, "regrowth", false, "a column for regrown plants of the cover crop (by itself once some are recorded)")
	f.StringSliceVar(&classes, "classes", nil, "what is counted (default: the plan's classes)")
	return c
}

// cardsFlags are the flags that belong to one kind of print each.
var cardsFlags = map[string][]string{
	"plots": {"frame", "visit", "classes", "regrowth"},
	"marks": {"visit", "classes", "regrowth", "per-quadrat", "four", "with-treatment"},
	"sheet": {"frame", "per-quadrat", "four"},
}

// recorded reports that the record holds an assessment.
func recorded(snap *record.Snapshot, variable string) bool {
	return slices.ContainsFunc(snap.Observations, func(o record.Observation) bool { return o.Variable == variable && !o.Missing })
}
