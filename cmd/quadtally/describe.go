package main

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

func describeCommand(a *app) *cobra.Command {
	given := map[string]*string{}
	c := &cobra.Command{
		Use: "describe",
		RunE: func(cmd *cobra.Command, args []string) error {
			said := slices.DeleteFunc(trial.DescriptionKeys(), func(key string) bool { return !cmd.Flags().Changed(planFlag(key)) })
			return a.withTrial(useFor(len(said) > 0), func(store *record.Store, snap *record.Snapshot) error {
				t := snap.Trial
				for _, key := range said {
					if err := t.Set(key, *given[key]); err != nil {
						return usagef("--%s: %v", planFlag(key), err)
					}
				}
				if len(said) > 0 {
					if _, err := store.Write(a.ctx, "describe", "", func(tx *record.Tx) error { return tx.SaveTrial(t, snap.Plots) }); err != nil {
						return err
					}
				}
				for i, text := range t.Descriptions() {
					fmt.Fprintf(a.out, "%-14s %s\n", trial.DescriptionKeys()[i], cmp.Or(text, "not recorded"))
				}
				return nil
			})
		},
	}
	for _, key := range trial.DescriptionKeys() {
		given[key] = c.Flags().String(planFlag(key), "", trial.KeyHelp(key))
	}
	return c
}
