package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
)

func backupCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:  "backup FILE",
		Args: takes(1, 1, "one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(reading, func(store *record.Store, snap *record.Snapshot) error {
				if err := store.Backup(a.ctx, args[0]); err != nil {
					return err
				}
				fmt.Fprintf(a.out, "wrote %s: the record up to entry %d\n", args[0], snap.Entry)
				return nil
			})
		},
	}
}

func restoreCommand(a *app) *cobra.Command {
	var agreed bool
	c := &cobra.Command{
		Use:  "restore FILE",
		Args: takes(1, 1, "one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			done, err := record.Restore(a.ctx, a.trialDir, args[0], agreed)
			if err != nil {
				return err
			}
			fmt.Fprintf(a.out, "%s is the record now\n", args[0])
			if done.Kept != "" {
				fmt.Fprintf(a.out, "the record that stood here before is kept as %s\n", done.Kept)
			}
			for _, j := range done.Aside {
				fmt.Fprintf(a.out, "its journal is kept as %s\n", j)
			}
			return nil
		},
	}
	c.Flags().BoolVar(&agreed, "agreed", false, "also where it is the record of another trial")
	return c
}
