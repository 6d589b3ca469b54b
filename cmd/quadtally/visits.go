package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

func visitsCommand(a *app) *cobra.Command {
	var add, move []string
	var asJSON, agreed bool
	c := &cobra.Command{
		Use: "visits",
		RunE: func(cmd *cobra.Command, args []string) error {
			changes := len(add)+len(move) > 0
			return a.withTrial(useFor(changes), func(store *record.Store, snap *record.Snapshot) error {
				t := snap.Trial
				if changes {
					if err := t.ChangeVisits(add, move); err != nil {
						return typed(err)
					}
					note := strings.TrimSpace(strings.Join(add, " ") + " " + strings.Join(move, " "))
					if err := season.New(store, a.measuring()).ChangeVisits(a.ctx, snap, t, note, agreed); err != nil {
						return err
					}
				}
				return a.show(asJSON, t.Visits, func(w io.Writer) error {
					for i, d := range t.Visits {
						fmt.Fprintf(w, "visit %d  %s\n", i+1, d)
					}
					return nil
				})
			})
		},
	}
	c.Flags().StringSliceVar(&add, "add", nil, "add a visit on this `date`")
	c.Flags().StringSliceVar(&move, "move", nil, "`NUMBER=DATE`: the visit was made on another day")
	c.Flags().BoolVar(&agreed, "agreed", false, "move also a visit that holds photos or counts")
	c.Flags().BoolVar(&asJSON, "json", false, "the dates as JSON")
	return c
}
