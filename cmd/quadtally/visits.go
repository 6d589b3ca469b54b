package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
)

func visitsCommand(a *app) *cobra.Command {
	var add, move []string
	var asJSON, agreed bool
	c := &cobra.Command{
		Use:   "visits",
		Short: "List the planned visits, add one, or move one",
		Long: `Lists the planned visits with their numbers. A photo or count belongs to the visit
whose date is nearest, within the plan's tolerance. A day that was not planned is
added with --add, a visit that was made on another day is moved with --move; both
keep the numbers of the other visits, and photos that waited for it are placed at
once. A visit that holds photos or counts is moved only with --agreed.

` + exitHelp,
		Example: "  quadtally visits\n  quadtally visits --add 2025-07-05\n  quadtally visits --move 2=2025-07-01",
		RunE: func(cmd *cobra.Command, args []string) error {
			with := a.withTrial
			if len(add)+len(move) > 0 {
				with = a.withTrialToWrite
			}
			return with(func(store *record.Store, snap *record.Snapshot) error {
				t := snap.Trial
				if len(add)+len(move) > 0 {
					var err error
					if t, err = changedVisits(t, add, move); err != nil {
						return err
					}
					_, changes := trial.Amend(&snap.Trial, &t, snap.Used(), agreed)
					for _, x := range changes {
						if x.Effect == trial.Asks || x.Effect == trial.Refuses {
							return fmt.Errorf("%s: say --agreed if that is meant; nothing was changed", x)
						}
					}
					note := strings.TrimSpace(strings.Join(add, " ") + " " + strings.Join(move, " "))
					if _, err := store.Write(a.ctx, "visits", note, func(tx *record.Tx) error { return tx.SaveTrial(t, snap.Plots) }); err != nil {
						return err
					}
					if err := season.New(store, a.measuring()).Update(a.ctx); err != nil {
						return err
					}
				}
				if asJSON {
					return a.writeJSON(t.Visits)
				}
				for i, d := range t.Visits {
					fmt.Fprintf(a.out, "visit %d  %s\n", i+1, d)
				}
				return nil
			})
		},
	}
	c.Flags().StringSliceVar(&add, "add", nil, "add a visit on this `date`")
	c.Flags().StringSliceVar(&move, "move", nil, "`NUMBER=DATE`: the visit was made on another day")
	c.Flags().BoolVar(&agreed, "agreed", false, "move also a visit that holds photos or counts")
	c.Flags().BoolVar(&asJSON, "json", false, "the dates as JSON")
	return c
}

// changedVisits returns the plan with visits added or moved. Added visits get
// the next numbers, so that no number ever changes its meaning.
func changedVisits(t trial.Trial, add, move []string) (trial.Trial, error) {
	t.Visits = append([]trial.Date(nil), t.Visits...)
	for _, m := range move {
		left, right, _ := strings.Cut(m, "=")
		var n int
		if _, err := fmt.Sscan(left, &n); err != nil || n < 1 || n > len(t.Visits) {
			return t, usagef("--move %q: write it as NUMBER=DATE, with a visit from 1 to %d", m, len(t.Visits))
		}
		d, err := trial.ParseDate(right)
		if err != nil {
			return t, usagef("--move: %v", err)
		}
		t.Visits[n-1] = d
	}
	for _, s := range add {
		d, err := trial.ParseDate(s)
		if err != nil {
			return t, usagef("--add: %v", err)
		}
		t.Visits = append(t.Visits, d)
	}
	seen := map[trial.Date]int{}
	for i, d := range t.Visits {
		if was, dup := seen[d]; dup {
			return t, usagef("visits %d and %d would both be on %s", was, i+1, d)
		}
		seen[d] = i + 1
		if !t.InSeason(d) {
			return t, usagef("%s lies outside the season %s to %s", d, t.SeasonStart, t.SeasonEnd)
		}
	}
	return t, nil
}
