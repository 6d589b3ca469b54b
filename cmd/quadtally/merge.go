package main

import (
	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

func mergeCommand(a *app) *cobra.Command {
	var photos, sheet string
	var asJSON bool
	c := &cobra.Command{
		Use:  "merge FILE...",
		Args: takes(1, -1, "at least one part file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(writing, func(store *record.Store, snap *record.Snapshot) error {
				rows, unread, err := a.readPhotoSheet(sheet)
				if err != nil {
					return err
				}
				out, err := season.New(store, a.measuring()).Merge(a.ctx, snap, args, photos, rows)
				if err != nil {
					return err
				}
				return a.showOutcome(out, unread, asJSON)
			})
		},
	}
	fl := c.Flags()
	fl.StringVar(&photos, "photos", "", "the `folder` of photos on this machine")
	fl.StringVar(&sheet, "sheet", "", "a CSV or XLSX `file` saying which photo is which: columns photo, plot, quadrat, visit")
	fl.BoolVar(&asJSON, "json", false, "the outcome as JSON")
	return c
}
