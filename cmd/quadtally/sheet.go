package main

import (
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
)

// sheetUnused are the flags that change nothing of a kind of sheet.
var sheetUnused = map[string][]string{
	"yields":  {"visit", "classes"},
	"field":   {"visit", "classes", "with-treatment"},
	"photos":  {"visit", "classes", "with-treatment"},
	"amounts": {"visit", "classes", "with-treatment"},
}

func sheetCommand(a *app) *cobra.Command {
	var out, classes string
	var o sheets.EmptyOptions
	kinds := strings.Join(sheets.EmptyNames, ", ")
	c := &cobra.Command{
		Use:  "sheet KIND",
		Args: takes(1, 1, "one kind: "+kinds),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !slices.Contains(sheets.EmptyNames, args[0]) {
				return usagef("there is no sheet %q: choose %s", args[0], kinds)
			}
			if err := unused(cmd, "a sheet of "+args[0], sheetUnused[args[0]]...); err != nil {
				return err
			}
			if classes != "" {
				o.Classes = strings.Split(classes, ",")
			}
			return a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) error {
				if err := visitOf(snap, o.Visit); err != nil {
					return err
				}
				t := sheets.Empty(args[0], snap, o)
				return a.writeTo(out, func(w io.Writer) error {
					if strings.HasSuffix(strings.ToLower(out), ".xlsx") {
						return tables.WriteXLSX(w, []tables.Table{t})
					}
					return tables.WriteCSV(w, t)
				})
			})
		},
	}
	fl := c.Flags()
	fl.StringVar(&out, "out", "", "`file` to write, CSV or XLSX by its name; standard output otherwise")
	fl.StringVar(&classes, "classes", "", "columns of a count sheet (default: the plan's classes)")
	fl.IntVar(&o.Visit, "visit", 0, "only this visit")
	a.forceFlag(fl)
	fl.BoolVar(&o.WithTreatment, "with-treatment", false, "show the treatments on the sheet")
	return c
}
