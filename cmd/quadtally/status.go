package main

import (
	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/status"
)

func statusCommand(a *app) *cobra.Command {
	var asJSON, all, files bool
	c := &cobra.Command{
		Use:   "status",
		Short: "What is in, what is missing, what needs a decision",
		Long: `For every visit: how many quadrats have a photo in use and a hand count, and which
have not. Then the photos that wait for a person, each with the reason, and how
to settle it.

--files also checks the record itself and reads the file of every photo again:
one that does not hold any more what was measured from it is named.

` + exitHelp,
		Example: "  quadtally status\n  quadtally status --all --json\n  quadtally status --files",
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(func(store *record.Store, snap *record.Snapshot) (err error) {
				st := status.Of(snap)
				if columns, _, err := rememberedColumns(snap, nil); err == nil {
					st.Ignored = sheets.Ignored(columns)
				}
				if files {
					if st.Files, err = season.New(store, a.measuring()).CheckFiles(a.ctx, snap); err != nil {
						return err
					}
				}
				if asJSON {
					err = a.writeJSON(st)
				} else {
					status.Write(a.out, st, all, a.term.Width)
				}
				if f := st.Files; err == nil && f != nil && len(f.Changed)+len(f.Gone) > 0 {
					return partly{len(f.Changed) + len(f.Gone)}
				}
				return err
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "the status as JSON")
	c.Flags().BoolVar(&files, "files", false, "read every photo file again and check it against what was measured")
	c.Flags().BoolVar(&all, "all", false, "name every quadrat and photo, not only the first few")
	return c
}
