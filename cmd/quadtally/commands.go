package main

import "github.com/spf13/cobra"

// commands lists every command, in the order a season uses them.
func commands(a *app) []*cobra.Command {
	out := append(layoutCommands(a), sheetCommands(a)...)
	return append(out, measureCommand(a), photosCommand(a), compareCommand(a), agreeCommand(a), workerCommand(a), sheetCommand(a), statusCommand(a), settleCommand(a), exportCommand(a))
}
