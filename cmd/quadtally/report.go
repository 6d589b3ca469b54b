package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/reportdata"
	"quadtally/cmd/quadtally/internal/trial"
)

type reportFlags struct {
	out     string
	formats []string
	figures bool
	onePage bool
}

func reportCommand(a *app) *cobra.Command {
	var f reportFlags
	c := &cobra.Command{
		Use:   "report",
		Short: "Write the report that you hand in",
		Long: `Writes the report of the trial as it stands. Its first page is the answer: the
question, a verdict in plain words, one figure, one table, and how sure it is.
Then follow the map and what was done when, the season, yields, camera against
hand, weeds against yield, the next season, and methods with their sources.
technical.* is the file for the statistician: every comparison with its tables
and checks, cautions and gaps, settings and all readings. What is not recorded is
said to be not recorded; a comparison that cannot be made says why.

Each .html file needs nothing else and can be sent as it is; the .pdf has the same
content. The numbers are those of ` + "`compare`" + ` and ` + "`agree`" + `. --one-page writes the
first page alone, and as a picture for a slide. With --figures each figure is also
written as SVG and PNG into figures/. Each file is written whole or not at all; an
older report that you did not change is replaced.

` + exitHelp,
		Example: `  quadtally report
  quadtally report --one-page
  quadtally report --out for-the-grant-officer`,
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, x := range f.formats {
				if x != "html" && x != "pdf" {
					return usagef("--format %q is not known: use html, pdf or both with a comma between", x)
				}
			}
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error { return a.writeReport(snap, f) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.out, "out", "", "the `folder` to write to (default: report in the trial's folder)")
	fl.StringSliceVar(&f.formats, "format", []string{"html", "pdf"}, "html, pdf or both")
	a.forceFlag(c)
	fl.BoolVar(&f.figures, "figures", false, "also write each figure as SVG and PNG")
	fl.BoolVar(&f.onePage, "one-page", false, "only the answer: one-page.html, one-page.pdf and one-page.png")
	return c
}

// figureDPI is fine enough for print.
const figureDPI = 200

// slideDPI makes a slide of about 1600 by 900 pixels.
const slideDPI = 127

func (a *app) writeReport(snap *record.Snapshot, f reportFlags) error {
	in := reportdata.Input(snap, trial.DateOf(a.clock()))
	dir := cmp.Or(f.out, filepath.Join(a.trialDir, "report"))
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return fmt.Errorf("%s is a file: name a folder", dir)
	}
	documents := map[string]report.Document{"report": report.Build(in), "technical": report.BuildTechnical(in)}
	if f.onePage {
		documents = map[string]report.Document{"one-page": report.BuildOnePage(in)}
		if err := a.writeTo(filepath.Join(dir, "one-page.png"), func(w io.Writer) error { return report.WriteSlide(w, in, slideDPI) }); err != nil {
			return err
		}
	}
	write := map[string]func(io.Writer, report.Document) error{"html": report.WriteHTML, "pdf": report.WritePDF}
	for _, name := range slices.Sorted(maps.Keys(documents)) {
		for _, x := range slices.Compact(slices.Sorted(slices.Values(f.formats))) {
			if err := a.writeTo(filepath.Join(dir, name+"."+x), func(w io.Writer) error { return write[x](w, documents[name]) }); err != nil {
				return err
			}
		}
	}
	if !f.figures {
		return nil
	}
	figures := report.Figures(in)
	for _, x := range figures {
		path := filepath.Join(dir, "figures", strings.TrimPrefix(x.ID, "fig-"))
		if err := a.replaceWith(path+".svg", x.WriteSVG); err != nil {
			return err
		}
		if err := a.replaceWith(path+".png", func(w io.Writer) error { return x.WritePNG(w, figureDPI) }); err != nil {
			return err
		}
	}
	a.note("wrote %s as SVG and PNG into %s", plural(len(figures), "figure"), filepath.Join(dir, "figures"))
	return nil
}
