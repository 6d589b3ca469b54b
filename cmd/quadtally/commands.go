package main

import "github.com/spf13/cobra"

// commands lists every command, in the order a season uses them.
func commands(a *app) []*cobra.Command {
	list := append([]*cobra.Command{demoCommand(a)}, layoutCommands(a)...)
	list = append(list, sheetCommand(a), photosCommand(a), measureCommand(a))
	list = append(list, sheetCommands(a)...)
	return append(list, statusCommand(a), settleCommand(a), reviewCommand(a), agreeCommand(a), compareCommand(a), exportCommand(a), workerCommand(a))
}
