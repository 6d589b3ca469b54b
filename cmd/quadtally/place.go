package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

func settleCommand(a *app) *cobra.Command {
	var plot, reject string
	var quadrat, visit int
	var yes, undo bool
	c := &cobra.Command{
		Use:   "settle PHOTO...",
		Short: "Say where a photo belongs, or set it aside",
		Long: `Says what quadtally could not find out by itself. A photo is named by its file
name, its path or the start of its content hash. What you say stands before any
card, sheet or name, is kept with who said it and when, and can be taken back
with --undo. The photo itself is never touched.

` + exitHelp,
		Example: `  quadtally settle IMG_0412.jpg --plot 203 --quadrat 2 --visit 1
  quadtally settle IMG_0413.jpg --yes                    accept what was proposed
  quadtally settle IMG_0420.jpg --reject "boot in the frame"
  quadtally settle IMG_0420.jpg --undo`,
		Args: takes(1, -1, "at least one photo"),
		RunE: func(cmd *cobra.Command, args []string) error {
			said := 0
			for _, on := range []bool{yes, undo, reject != "", plot != "" || quadrat > 0 || visit > 0} {
				if on {
					said++
				}
			}
			if said != 1 {
				return usagef("say one thing: where the photo belongs (--plot, --quadrat, --visit), --yes, --reject or --undo")
			}
			word := season.Word{Accept: yes, TakeBack: undo, SetAside: reject}
			if plot != "" || quadrat > 0 || visit > 0 {
				word.Place = &record.Place{Plot: plot, Quadrat: quadrat, Visit: visit}
			}
			return a.withTrialToWrite(func(store *record.Store, snap *record.Snapshot) error {
				photos, err := season.FindPhotos(snap, args)
				if err != nil {
					return err
				}
				decided, err := season.New(store, a.measuring()).Decide(a.ctx, snap, photos, word, strings.Join(args, " "))
				for _, d := range decided {
					a.printDecided(d)
				}
				return err
			})
		},
	}
	f := c.Flags()
	f.StringVar(&plot, "plot", "", "the plot it shows")
	f.IntVar(&quadrat, "quadrat", 0, "the quadrat it shows, from 1")
	f.IntVar(&visit, "visit", 0, "the visit it was taken at, from 1")
	f.BoolVar(&yes, "yes", false, "accept what was proposed")
	f.StringVar(&reject, "reject", "", "set the photo aside, with the `reason`")
	f.BoolVar(&undo, "undo", false, "take back the newest thing said about the photo")
	return c
}

func (a *app) printDecided(d season.Decided) {
	name := filepath.Base(d.Photo.Path)
	switch {
	case d.TookBack != nil:
		fmt.Fprintf(a.out, "%s: took back %s (by %s)\n", name, d.TookBack.Kind, d.TookBack.Author)
	case d.Place != nil:
		fmt.Fprintf(a.out, "%s: plot %s quadrat %d visit %d\n", name, d.Place.Plot, d.Place.Quadrat, d.Place.Visit)
	default:
		fmt.Fprintf(a.out, "%s: set aside (%s)\n", name, d.SetAside)
	}
}
