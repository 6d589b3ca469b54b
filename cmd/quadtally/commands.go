package main

import (
	"fmt"

	"github.com/spf13/cobra"
)

// commands adds every command to the root, in groups and in the order a season
// uses them.
func commands(a *app, root *cobra.Command) {
	cobra.EnableCommandSorting = false
	for i, g := range []struct {
		title string
		list  []*cobra.Command
	}{
		{"Before the field work", []*cobra.Command{newCommand(a), mapCommand(a), cardsCommand(a), sheetCommand(a), powerCommand(a), demoCommand(a)}},
		{"After every visit", append([]*cobra.Command{photosCommand(a), measureCommand(a), mergeCommand(a)}, append(sheetCommands(a), plantsCommand(a))...)},
		{"What is in, and what is put right", []*cobra.Command{statusCommand(a), reviewCommand(a), placeCommand(a), visitsCommand(a), amendCommand(a),
			describeCommand(a), undoCommand(a), backupCommand(a), restoreCommand(a)}},
		{"What the season says", []*cobra.Command{agreeCommand(a), compareCommand(a), combineCommand(a), lossCommand(a)}},
		{"What is handed in", []*cobra.Command{reportCommand(a), exportCommand(a)}},
	} {
		id := fmt.Sprint(i)
		root.AddGroup(&cobra.Group{ID: id, Title: g.title})
		for _, c := range g.list {
			c.GroupID = id
			helped(c)
			root.AddCommand(c)
		}
	}
	helped(root)
	root.AddCommand(workerCommand(a), manualCommand(a))
	for _, c := range root.Commands() {
		if c.Args == nil {
			c.Args = noArgs
		}
	}
}
