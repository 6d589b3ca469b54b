package main

import (
	"cmp"
	"io"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/sheetstore"
	"quadtally/cmd/quadtally/internal/status"
)

func statusCommand(a *app) *cobra.Command {
	var asJSON, all, files bool
	c := &cobra.Command{
		Use: "status",
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(reading, func(store *record.Store, snap *record.Snapshot) (err error) {
				st := status.Of(snap)
				if columns, _, err := sheetstore.RememberedColumns(snap, nil); err == nil {
					st.Ignored = sheets.Ignored(columns)
				}
				if files {
					if st.Files, err = season.New(store, a.measuring()).CheckFiles(a.ctx, snap); err != nil {
						return err
					}
				}
				err = a.show(asJSON, st, func(w io.Writer) error { status.Write(w, st, all, a.term.Width); return nil })
				return cmp.Or(err, partlyDone(st.Files.Wrong()))
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "the status as JSON")
	c.Flags().BoolVar(&files, "files", false, "read every photo file again and check it against what was measured")
	c.Flags().BoolVar(&all, "all", false, "name every quadrat and photo, not only the first few")
	return c
}
