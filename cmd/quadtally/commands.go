package main

import "github.com/spf13/cobra"

// commands lists every command, in the order a season uses them.
func commands(a *app) []*cobra.Command {
	list := append([]*cobra.Command{demoCommand(a)}, layoutCommands(a)...)
	list = append(list, powerCommand(a), sheetCommand(a), photosCommand(a), mergeCommand(a), measureCommand(a))
	list = append(list, sheetCommands(a)...)
	list = append(list, plantsCommand(a), statusCommand(a), settleCommand(a), visitsCommand(a), amendCommand(a), describeCommand(a),
		undoCommand(a), backupCommand(a), restoreCommand(a), reviewCommand(a))
	return append(list, agreeCommand(a), compareCommand(a), combineCommand(a), lossCommand(a), reportCommand(a), exportCommand(a), workerCommand(a), manualCommand(a))
}
