package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// descriptions are the plan's keys that only describe, and so may be given or
// corrected at any time.
var descriptions = []string{"site", "crop", "cultivar", "soil", "previous crop", "weather", "question"}

func describeCommand(a *app) *cobra.Command {
	given := map[string]*string{}
	c := &cobra.Command{
		Use:   "describe",
		Short: "Give or correct what the report says of the trial",
		Long: `Stores what only describes the trial, such as the soil or the season's weather, for
the report; what is not given prints there as not recorded. Layout, treatments and
quadrats are not changed by this. Without flags it shows what is stored.

` + exitHelp,
		Example: "  quadtally describe --soil \"silt loam\" --weather \"dry June, wet July\"",
		RunE: func(cmd *cobra.Command, args []string) error {
			with := a.withTrial
			if slices.ContainsFunc(descriptions, func(key string) bool { return cmd.Flags().Changed(planFlag(key)) }) {
				with = a.withTrialToWrite
			}
			return with(func(store *record.Store, snap *record.Snapshot) error {
				t, changed := snap.Trial, false
				for _, key := range descriptions {
					if !cmd.Flags().Changed(planFlag(key)) {
						continue
					}
					if err := t.Set(key, *given[key]); err != nil {
						return usagef("--%s: %v", planFlag(key), err)
					}
					changed = true
				}
				if changed {
					if _, err := store.Write(a.ctx, "describe", "", func(tx *record.Tx) error { return tx.SaveTrial(t, snap.Plots) }); err != nil {
						return err
					}
				}
				for _, line := range [][2]string{{"site", t.Site}, {"crop", t.Crop}, {"cultivar", t.Cultivar}, {"soil", t.Soil},
					{"previous crop", t.PreviousCrop}, {"weather", t.Weather}, {"question", t.Question}} {
					if line[1] == "" {
						line[1] = "not recorded"
					}
					fmt.Fprintf(a.out, "%-14s %s\n", line[0], line[1])
				}
				return nil
			})
		},
	}
	for _, key := range descriptions {
		given[key] = c.Flags().String(planFlag(key), "", trial.KeyHelp(key))
	}
	return c
}
