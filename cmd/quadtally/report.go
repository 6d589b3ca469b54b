package main

import (
	"cmp"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/reportdata"
	"quadtally/cmd/quadtally/internal/trial"
)

func reportCommand(a *app) *cobra.Command {
	var out string
	var opt report.FileOptions
	c := &cobra.Command{
		Use: "report",
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, x := range opt.Formats {
				if x != "html" && x != "pdf" {
					return usagef("--format %q is not known: use html, pdf or both with a comma between", x)
				}
			}
			return a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) error {
				return a.writeReport(reportdata.Input(snap, trial.DateOf(a.clock())), cmp.Or(out, filepath.Join(a.trialDir, "report")), opt)
			})
		},
	}
	fl := c.Flags()
	fl.StringVar(&out, "out", "", "the `folder` to write to (default: report in the trial's folder)")
	fl.StringSliceVar(&opt.Formats, "format", []string{"html", "pdf"}, "html, pdf or both")
	a.forceFlag(fl)
	fl.BoolVar(&opt.Figures, "figures", false, "also write each figure as SVG and PNG")
	fl.BoolVar(&opt.OnePage, "one-page", false, "only the answer: one-page.html, one-page.pdf and one-page.png")
	return c
}

func (a *app) writeReport(in report.Input, dir string, opt report.FileOptions) error {
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return fmt.Errorf("%s is a file: name a folder", dir)
	}
	documents, figures := report.Files(in, opt)
	for _, name := range slices.Sorted(maps.Keys(documents)) {
		if err := a.writeTo(filepath.Join(dir, name), documents[name]); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(figures)) {
		if err := a.files().Replace(filepath.Join(dir, "figures", name), figures[name]); err != nil {
			return err
		}
	}
	if opt.Figures {
		a.note("wrote %s as SVG and PNG into %s", plural(len(figures)/2, "figure"), filepath.Join(dir, "figures"))
	}
	return nil
}
