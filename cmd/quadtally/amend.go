package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/status"
	"quadtally/cmd/quadtally/internal/trial"
)

type amendFlags struct{ dry, agreed, json bool }

func amendCommand(a *app) *cobra.Command {
	var set []string
	var f amendFlags
	c := &cobra.Command{
		Use:  "amend [PLAN]",
		Args: takes(0, 1, "at most one plan file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 && len(set) == 0 {
				return usagef("amend needs a plan file, or keys with --set \"key: value\"")
			}
			path := ""
			if len(args) > 0 {
				path = args[0]
			}
			return a.withTrial(useFor(!f.dry), func(store *record.Store, snap *record.Snapshot) error {
				wanted, err := readPlan(snap.Trial, path)
				if err != nil {
					return err
				}
				if err := wanted.SetLines(set); err != nil {
					return usagef("--set %v", err)
				}
				return a.amend(store, snap, &wanted, f)
			})
		},
	}
	c.Flags().StringArrayVar(&set, "set", nil, "`\"key: value\"` of the plan; again for more")
	c.Flags().BoolVar(&f.dry, "dry-run", false, "show the difference and store nothing")
	c.Flags().BoolVar(&f.agreed, "agreed", false, "move visits that hold data")
	c.Flags().BoolVar(&f.json, "json", false, "the difference as JSON")
	return c
}

// amend shows what a plan changes and stores what may be changed.
func (a *app) amend(store *record.Store, snap *record.Snapshot, wanted *trial.Trial, f amendFlags) error {
	merged, list := trial.Amend(&snap.Trial, wanted, snap.Used(), f.agreed)
	if err := trial.ValidateRecord(&merged).Err(); err != nil {
		return err
	}
	if err := sheets.CheckClassNames(snap.Trial.Classes, merged.Classes); err != nil {
		return err
	}
	err := a.show(f.json, list, func(w io.Writer) error {
		for _, x := range list {
			fmt.Fprintln(w, x)
		}
		return nil
	})
	if err != nil {
		return err
	}
	done, err := season.New(store, a.measuring()).Amend(a.ctx, snap, merged, list, f.dry)
	switch {
	case err != nil:
		return err
	case len(list) == 0:
		a.note("the plan says what is stored already")
		return nil
	case f.dry:
		a.note("nothing was stored (--dry-run)")
		return nil
	case done.Stored > 0:
		a.note("%s of the plan changed", plural(done.Stored, "key"))
		if err := a.noteFollowed(done.Followed); err != nil {
			return err
		}
	}
	if done.Asked > 0 {
		return fmt.Errorf("%s with data would move: say --agreed if that is meant; nothing was changed there", plural(done.Asked, "visit"))
	}
	if done.Refused > 0 {
		return fmt.Errorf("%s of the plan cannot be changed any more, see above; a trial with another layout is a new one (`quadtally new` in another folder)", plural(done.Refused, "key"))
	}
	return nil
}

// noteFollowed says what changed with what was said.
func (a *app) noteFollowed(f season.Followed) error {
	a.notes("", status.FollowedNotes(f)...)
	return partlyDone(len(f.Unreachable) + f.Lost)
}
