package main

import (
	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/season"
)

type mergeFlags struct {
	photos, sheet string
	json          bool
}

func mergeCommand(a *app) *cobra.Command {
	var f mergeFlags
	c := &cobra.Command{
		Use:   "merge FILE...",
		Short: "Fold parts measured on other machines into the trial",
		Long: `Folds the files that ` + "`quadtally photos --part`" + ` wrote into the trial, in any order
and as often as you like: what is in the record already is not added again. Then
it works out which quadrat each photo shows and one threshold for each visit
from all its photos, exactly as one run of ` + "`quadtally photos`" + ` would.

Files of another trial, or measured with other settings, are refused before
anything is stored. Parts that are missing or were not measured to their end are
named; the others are folded in all the same.

The photos are taken to lie where the parts were measured; --photos says where
they lie on this machine.

` + exitHelp,
		Example: `  quadtally merge part-*.jsonl
  quadtally merge results/*.jsonl --photos ~/leeks/photos`,
		Args: takes(1, -1, "at least one part file"),
		RunE: func(cmd *cobra.Command, args []string) error { return a.merge(args, f) },
	}
	fl := c.Flags()
	fl.StringVar(&f.photos, "photos", "", "the `folder` of photos on this machine")
	fl.StringVar(&f.sheet, "sheet", "", "a CSV or XLSX `file` saying which photo is which: columns photo, plot, quadrat, visit")
	fl.BoolVar(&f.json, "json", false, "the outcome as JSON")
	return c
}

func (a *app) merge(files []string, f mergeFlags) error {
	store, err := a.openToWrite()
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	sheet, err := a.readPhotoSheet(f.sheet)
	if err != nil {
		return err
	}
	out, err := season.New(store, a.measuring()).Merge(a.ctx, snap, files, f.photos, sheet)
	if err != nil {
		return err
	}
	return a.printOutcome(out, f.json)
}
