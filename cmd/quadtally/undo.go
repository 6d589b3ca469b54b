package main

import (
	"fmt"
	"io"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/status"
)

func undoCommand(a *app) *cobra.Command {
	var asJSON, all bool
	c := &cobra.Command{
		Use:  "undo [ENTRY]",
		Args: takes(0, 1, "at most one entry's number"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return a.withTrial(reading, func(store *record.Store, _ *record.Snapshot) error { return a.listEntries(store, all, asJSON) })
			}
			id, err := strconv.ParseInt(args[0], 10, 64)
			if err != nil || id < 1 {
				return usagef("%q is no entry's number: `quadtally undo` lists them", args[0])
			}
			return a.withTrial(writing, func(store *record.Store, _ *record.Snapshot) error {
				entry, took, followed, err := season.New(store, a.measuring()).Undo(a.ctx, id)
				if entry > 0 {
					fmt.Fprintf(a.out, "took back entry %d (%s); `quadtally undo %d` brings it back\n", id, status.EntryText(&took), entry)
				}
				if err != nil {
					return err
				}
				return a.noteFollowed(followed)
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "the list as JSON")
	c.Flags().BoolVar(&all, "all", false, "also what the program worked out, and all of a long list")
	return c
}

func (a *app) listEntries(store *record.Store, all, asJSON bool) error {
	list, err := store.Log(a.ctx)
	if err != nil {
		return err
	}
	if !all {
		list = slices.DeleteFunc(list, func(e record.LogEntry) bool { return e.Kind == record.EntryDerived })
	}
	return a.show(asJSON, list, func(w io.Writer) error { status.WriteEntries(w, list, all); return nil })
}
