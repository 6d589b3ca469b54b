package main

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/terminal"
)

func demoCommand(a *app) *cobra.Command {
	s := demoseason.Stage{Dir: "alder-bend", Options: demoseason.DefaultOptions()}
	c := &cobra.Command{
		Use:  "demo [FOLDER]",
		Args: takes(0, 1, "at most one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				s.Dir = args[0]
			}
			if err := s.Check(); err != nil {
				return err
			}
			a.trialDir, s.Out = s.Dir, a.out
			s.Command = a.step
			s.Answer = func(args ...string) ([]byte, error) { // kept apart from what the demo shows
				var answer bytes.Buffer
				inner := *a
				inner.out = &answer
				err := inner.step(args...)
				return answer.Bytes(), err
			}
			var bar season.Bar
			s.Rendered = func(done, total int) {
				if bar == nil {
					bar = terminal.Progress(a.err, a.quiet, total, "rendering")
				}
				if bar.Add(1); done == total {
					bar.Finish()
				}
			}
			return s.Run(a.ctx)
		},
	}
	fl := c.Flags()
	fl.Uint64Var(&s.Seed, "seed", s.Seed, "seed of the invented season")
	fl.IntVar(&s.WidthPx, "width", s.WidthPx, "width of the photos in pixels (4000 is phone size and takes long)")
	fl.BoolVar(&s.Marks, "marks", false, "frames with printed corner marks")
	fl.BoolVar(&s.RenderOnly, "render-only", false, "only render the folder")
	return c
}

// step shows a command as a person would type it, and runs it. The folder holds
// a damaged photo on purpose: done, but not all read, is done.
func (a *app) step(args ...string) error {
	shown := []string{"quadtally"}
	for _, s := range append(args, "--trial", a.trialDir) {
		if strings.ContainsAny(s, " '\"") {
			s = "'" + s + "'"
		}
		shown = append(shown, s)
	}
	fmt.Fprintf(a.out, "\n$ %s\n", strings.Join(shown, " "))
	a.flush()
	inner := *a // the root's flags begin anew
	root := newRoot(&inner)
	root.SetArgs(append(slices.Clone(args), "--trial", a.trialDir, "--author", "demo"))
	root.SetOut(a.out)
	root.SetErr(a.err)
	if err := root.ExecuteContext(a.ctx); !isPartly(err) {
		return err
	}
	return nil
}
