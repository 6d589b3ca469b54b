package main

import (
	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/export"
	"quadtally/cmd/quadtally/internal/record"
)

func exportCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:  "export FOLDER",
		Args: takes(1, 1, "one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(reading, func(store *record.Store, snap *record.Snapshot) error {
				entries, err := store.Entries(a.ctx)
				if err != nil {
					return err
				}
				n, err := export.Write(args[0], snap, entries)
				if err == nil {
					a.note("wrote %s in %s", plural(n, "file"), args[0])
				}
				return err
			})
		},
	}
}
