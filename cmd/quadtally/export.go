package main

import (
	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/export"
	"quadtally/cmd/quadtally/internal/record"
)

func exportCommand(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "export FOLDER",
		Short: "Write every table as CSV, one workbook and JSON",
		Long: `Writes the whole record into FOLDER: plots, photos with their measurements,
observations, operations and decisions as CSV; values.csv, one long tidy table
(plot, block, treatment, visit, day, date, quadrat, response, class, value, unit,
source, low and high of a 90 % range where one is known, the response's kind, role
and label, the control, and plot_se, the standard error that a plot's mean carries
from its check points); questions.csv, what sheets leave open and what to know of a
response; plants.csv and
check_points.csv where plants are named; trial.xlsx with a sheet for each;
trial.json; and for each response that can be compared an R script with the data
and the calls behind its numbers, but not for covers by class, which carry the
uncertainty of their check points. The folder is written whole or not at all; it
must not exist yet.

values.csv holds the very numbers that ` + "`compare`" + ` compares, in its unit (cover in
% of the ground). Everywhere else values are as stored (cover a fraction). A
blank value is missing, never zero. Text that a spreadsheet would take for a formula has an apostrophe
in front.

` + exitHelp,
		Example: "  quadtally export for-the-statistician",
		Args:    takes(1, 1, "one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withTrial(func(store *record.Store, snap *record.Snapshot) error {
				entries, err := store.Entries(a.ctx)
				if err != nil {
					return err
				}
				n, err := export.Write(args[0], snap, entries)
				if err == nil {
					a.note("wrote %s in %s", plural(n, "file"), args[0])
				}
				return err
			})
		},
	}
}
