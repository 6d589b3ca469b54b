package main

import "github.com/spf13/cobra"

// commands lists every command, in the order a season uses them.
func commands(a *app) []*cobra.Command {
	list := append([]*cobra.Command{demoCommand(a)}, layoutCommands(a)...)
	list = append(list, powerCommand(a), sheetCommand(a), photosCommand(a), mergeCommand(a), measureCommand(a))
	list = append(list, sheetCommands(a)...)
	list = append(list, statusCommand(a), settleCommand(a), visitsCommand(a), describeCommand(a), reviewCommand(a))
	return append(list, agreeCommand(a), compareCommand(a), combineCommand(a), lossCommand(a), reportCommand(a), exportCommand(a), workerCommand(a), manualCommand(a))
}
