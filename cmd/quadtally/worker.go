package main

import (
	"os"
	"os/signal"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/season"
)

// workerCommand is the process that measures photos for another; people never
// call it.
func workerCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:    season.WorkerCommand,
		Short:  "Measure photos named on standard input (used by quadtally itself)",
		Hidden: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			// Ctrl-C reaches the whole process group; a worker finishes its
			// photo and ends when its input does.
			signal.Ignore(os.Interrupt)
			return season.ServeJobs(a.in, os.Stdout)
		},
	}
}
