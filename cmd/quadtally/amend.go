package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

func amendCommand(a *app) *cobra.Command {
	var set []string
	var dry, agreed, asJSON bool
	c := &cobra.Command{
		Use:   "amend [PLAN]",
		Short: "Correct the plan of a trial that has begun",
		Long: `Holds a plan file, or single keys given with --set, against the trial's plan, shows
what would change, and applies what leaves the data whole: frame and pipe, borders,
labels, dates, visits, classes, bed spacing, notes. Keys that the file does not name
stay as they are. After a corrected frame size the photos are measured again.

What would unmake the layout in the ground is refused with the reason, and so is a
visit taken out that holds data. A visit with data is moved with --agreed.

` + exitHelp,
		Example: `  quadtally amend plan.txt --dry-run
  quadtally amend --set "frame pipe: 33 mm" --set "quadrat: 400x500mm"`,
		Args: takes(0, 1, "at most one plan file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 && len(set) == 0 {
				return usagef("amend needs a plan file, or keys with --set \"key: value\"")
			}
			with := a.withTrialToWrite
			if dry {
				with = a.withTrial
			}
			return with(func(store *record.Store, snap *record.Snapshot) error {
				wanted, err := amendedPlan(&snap.Trial, args, set)
				if err != nil {
					return err
				}
				return a.amend(store, snap, wanted, amendFlags{dry: dry, agreed: agreed, json: asJSON})
			})
		},
	}
	c.Flags().StringArrayVar(&set, "set", nil, "`\"key: value\"` of the plan; again for more")
	c.Flags().BoolVar(&dry, "dry-run", false, "show the difference and store nothing")
	c.Flags().BoolVar(&agreed, "agreed", false, "move visits that hold data")
	c.Flags().BoolVar(&asJSON, "json", false, "the difference as JSON")
	return c
}

type amendFlags struct{ dry, agreed, json bool }

// amendedPlan is the plan with what the file and the flags say.
func amendedPlan(old *trial.Trial, files, set []string) (trial.Trial, error) {
	wanted := *old
	if len(files) > 0 {
		file, err := os.Open(files[0])
		if err != nil {
			return wanted, fmt.Errorf("%s cannot be read: check the spelling and the permissions", files[0])
		}
		defer file.Close()
		var faults trial.Faults
		if wanted, faults = trial.ReadAmendedPlan(old, file, filepath.Base(files[0])); len(faults) > 0 {
			return wanted, faults
		}
	}
	values := map[string][]string{}
	var keys []string
	for _, s := range set {
		key, value, err := planLine(s)
		if err != nil {
			return wanted, err
		}
		if values[key] == nil {
			keys = append(keys, key)
		}
		values[key] = append(values[key], value)
	}
	for _, key := range keys {
		if err := wanted.SetAll(key, values[key]); err != nil {
			return wanted, usagef("--set %s: %v", key, err)
		}
	}
	return wanted, nil
}

// amend shows what a plan changes and stores what may be changed.
func (a *app) amend(store *record.Store, snap *record.Snapshot, wanted trial.Trial, f amendFlags) error {
	merged, list := trial.Amend(&snap.Trial, &wanted, snap.Used(), f.agreed)
	faults := trial.ValidateRecord(&merged)
	if len(faults) > 0 {
		return faults
	}
	if err := classNames(snap.Trial.Classes, merged.Classes); err != nil {
		return err
	}
	if f.json {
		if err := a.writeJSON(list); err != nil {
			return err
		}
	} else {
		for _, x := range list {
			fmt.Fprintln(a.out, x)
		}
	}
	count := func(effects ...trial.Effect) (n int) {
		for _, x := range list {
			if slices.Contains(effects, x.Effect) {
				n++
			}
		}
		return n
	}
	change := count(trial.Applies, trial.Recomputes, trial.Remeasures)
	switch {
	case len(list) == 0:
		a.note("the plan says what is stored already")
		return nil
	case f.dry:
		a.note("nothing was stored (--dry-run)")
		return nil
	case change > 0:
		if _, err := store.WriteAs(a.ctx, record.EntryHand, "amend", "", func(tx *record.Tx) error { return tx.SaveTrial(merged, snap.Plots) }); err != nil {
			return err
		}
		a.note("%s of the plan changed", plural(change, "key"))
		if err := a.followUp(store, count(trial.Remeasures) > 0, nil); err != nil {
			return err
		}
	}
	if n := count(trial.Asks); n > 0 {
		return fmt.Errorf("%s with data would move: say --agreed if that is meant; nothing was changed there", plural(n, "visit"))
	}
	if n := count(trial.Refuses); n > 0 {
		return fmt.Errorf("%s of the plan cannot be changed any more, see above; a trial with another layout is a new one (`quadtally new` in another folder)", plural(n, "key"))
	}
	return nil
}

// planLine takes a line of a plan apart.
func planLine(s string) (key, value string, err error) {
	key, value, ok := strings.Cut(s, ":")
	if key, value = trial.Label(key), strings.TrimSpace(value); !ok || key == "" || value == "" {
		return "", "", usagef("--set %q: write it as a line of the plan, \"key: value\"", s)
	}
	return key, value, nil
}
