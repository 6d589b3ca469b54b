package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

func undoCommand(a *app) *cobra.Command {
	var asJSON, all bool
	c := &cobra.Command{
		Use:   "undo [ENTRY]",
		Short: "List what was entered, newest first, and take any of it back",
		Long: `Without a number it lists the entries of the record, newest first, whoever made them
and wherever: sheets that were stored, what was decided on the review page or with
a command, changes of the plan. With a number it takes that entry back: what held
before it holds again, and photos are placed and given their numbers anew. Nothing
is deleted, and an undo is an entry like any other: undoing it brings back what it
took.

What the program worked out itself is listed with --all.

` + exitHelp,
		Example: "  quadtally undo\n  quadtally undo 12",
		Args:    takes(0, 1, "at most one entry's number"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return a.withTrial(func(store *record.Store, _ *record.Snapshot) error { return a.listEntries(store, all, asJSON) })
			}
			id, err := strconv.ParseInt(args[0], 10, 64)
			if err != nil || id < 1 {
				return usagef("%q is no entry's number: `quadtally undo` lists them", args[0])
			}
			return a.withTrialToWrite(func(store *record.Store, _ *record.Snapshot) error { return a.undoEntry(store, id) })
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
	if asJSON {
		return a.writeJSON(list)
	}
	const show = 40
	fmt.Fprintln(a.out, "entry  when              by              what")
	for i, e := range list {
		if i == show && !all {
			fmt.Fprintf(a.out, "and %d older (--all lists them)\n", len(list)-i)
			break
		}
		state := ""
		switch {
		case e.UndoneBy != 0:
			state = fmt.Sprintf("  [taken back by entry %d]", e.UndoneBy)
		case e.Replaced:
			state = "  [replaced by something newer]"
		}
		fmt.Fprintf(a.out, "%5d  %s  %-14s  %s%s\n", e.ID, e.At.Local().Format("2006-01-02 15:04"), e.Author, entryText(&e), state)
	}
	return nil
}

// entryText is an entry in a few words: the command, and what it stored.
func entryText(e *record.LogEntry) string {
	parts := []string{e.Command}
	note := e.Note
	if e.Undoes != 0 {
		note = "" // it names the entry once more
	}
	for _, s := range []string{e.Said(), note} {
		if s != "" && !slices.Contains(parts, s) {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, ": ")
}

func (a *app) undoEntry(store *record.Store, id int64) error {
	var took record.LogEntry
	entry, err := store.WriteAs(a.ctx, record.EntryHand, "undo", fmt.Sprintf("entry %d", id), func(tx *record.Tx) (err error) {
		took, err = tx.UndoEntry(id)
		return err
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(a.out, "took back entry %d (%s); `quadtally undo %d` brings it back\n", id, entryText(&took), entry)
	var hashes []string
	whole := took.Plan || took.Undoes != 0 // an undo may bring back anything
	for _, subject := range took.Subjects {
		if hash, ok := strings.CutPrefix(subject, record.PhotoSubject("")); ok {
			hashes = append(hashes, hash)
		}
		whole = whole || subject == season.TrialSubject
	}
	return a.followUp(store, whole, hashes)
}

// followUp lets the numbers of photos follow what was said.
func (a *app) followUp(store *record.Store, remeasure bool, hashes []string) error {
	f, err := season.New(store, a.measuring()).FollowUp(a.ctx, remeasure, hashes)
	if err != nil {
		return err
	}
	if f.Measured > 0 {
		a.note("%s measured again", plural(f.Measured, "photo"))
	}
	for _, x := range f.Unreachable {
		a.note("%s: %s", x.Path, x.Text)
	}
	if f.Lost > 0 {
		a.note("%s no longer in use, since the frame in it does not fit what the plan says now: if the plan is right, see `quadtally status`; if not, `quadtally undo` takes it back", plural(f.Lost, "photo"))
	}
	return partlyDone(len(f.Unreachable) + f.Lost)
}
