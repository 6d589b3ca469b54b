package main

import (
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/status"
)

func placeCommand(a *app) *cobra.Command {
	var said season.Word
	var at record.Place
	c := &cobra.Command{
		Use:  "place PHOTO...",
		Args: takes(1, -1, "at least one photo"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if at != (record.Place{}) {
				said.Place = &at
			}
			if said.Count() != 1 {
				return usagef("say one thing: where the photo belongs (--plot, --quadrat, --visit), --yes, --reject or --undo")
			}
			return a.withTrial(writing, func(store *record.Store, snap *record.Snapshot) error {
				photos, err := season.FindPhotos(snap, args)
				if err != nil {
					return err
				}
				decided, err := season.New(store, a.measuring()).Decide(a.ctx, snap, photos, said, strings.Join(args, " "))
				status.WriteDecided(a.out, decided)
				return err
			})
		},
	}
	f := c.Flags()
	f.StringVar(&at.Plot, "plot", "", "the plot it shows")
	f.IntVar(&at.Quadrat, "quadrat", 0, "the quadrat it shows, from 1")
	f.IntVar(&at.Visit, "visit", 0, "the visit it was taken at, from 1")
	f.BoolVar(&said.Accept, "yes", false, "accept what was proposed")
	f.StringVar(&said.SetAside, "reject", "", "set the photo aside, with the `reason`")
	f.BoolVar(&said.TakeBack, "undo", false, "take back the newest thing said about the photo")
	return c
}
