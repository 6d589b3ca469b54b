package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
)

func backupCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "backup FILE",
		Short: "Write a complete copy of the record",
		Long: `Writes a complete, checked copy of the trial's record to a file, also while others
work on the trial. A file that exists is never replaced. The photos are not in it:
copy their folder as well.

` + exitHelp,
		Example: "  quadtally backup /media/stick/leeks-2026-07-14.db",
		Args:    takes(1, 1, "one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(func(store *record.Store, snap *record.Snapshot) error {
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
		Use:   "restore FILE",
		Short: "Bring back a record that was backed up",
		Long: `Puts a file that ` + "`quadtally backup`" + ` wrote into the trial's folder as its record. The
record that stands there is kept under another name, with the journal that may lie
beside it; neither is ever rolled into the other. Nobody may be working on the
trial meanwhile. A record of another trial is asked about first.

` + exitHelp,
		Example: "  quadtally restore /media/stick/leeks-2026-07-14.db --trial leeks2026",
		Args:    takes(1, 1, "one file"),
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
