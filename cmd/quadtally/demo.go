package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

type demoFlags struct {
	seed   uint64
	width  int
	marks  bool
	render bool // only render: photos, sheets and truth, no further commands
}

func demoCommand(a *app) *cobra.Command {
	f := demoFlags{seed: 20250614, width: 1600}
	c := &cobra.Command{
		Use:   "demo [FOLDER]",
		Short: "Render an invented season and run the whole job on it",
		Long: `Renders a whole invented season (leeks after rolled winter cereals at the
invented Alder Bend trial ground: 5 treatments, 4 blocks, 4 visits, 3 quadrats a
plot) as 240 photo files with plot cards, and sheets of hand counts and yields.
Then it runs the commands you would run, on that folder, and prints what they
say. Everything in it is invented; truth.json holds what is really there.

FOLDER is alder-bend where you name none; it must not exist yet.

` + exitHelp,
		Example: "  quadtally demo\n  quadtally demo try-out --width 4000 --marks",
		Args:    takes(0, 1, "at most one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir := "alder-bend"
			if len(args) == 1 {
				dir = args[0]
			}
			return a.demo(dir, f)
		},
	}
	fl := c.Flags()
	fl.Uint64Var(&f.seed, "seed", f.seed, "seed of the invented season")
	fl.IntVar(&f.width, "width", f.width, "width of the photos in pixels (4000 is phone size and takes long)")
	fl.BoolVar(&f.marks, "marks", false, "frames with printed corner marks")
	fl.BoolVar(&f.render, "render-only", false, "only render the folder")
	return c
}

func (a *app) demo(dir string, f demoFlags) error {
	if _, err := os.Stat(dir); err == nil {
		return fmt.Errorf("%s exists already: name another folder, or delete it first", dir)
	}
	if f.width < 640 || f.width > 8000 {
		return usagef("--width %d: choose 640 to 8000", f.width)
	}
	photos := filepath.Join(dir, "photos")
	if err := os.MkdirAll(photos, 0o755); err != nil {
		return err
	}
	plan := filepath.Join(dir, "plan.txt")
	if err := writeWhole(plan, func(w io.Writer) error { return trial.WritePlan(w, demoseason.Trial(f.seed)) }); err != nil {
		return err
	}
	a.trialDir = dir
	if err := a.step("new", "--plan", plan); err != nil {
		return err
	}
	store, err := a.open()
	if err != nil {
		return err
	}
	snap, err := store.Snapshot(a.ctx)
	store.Close()
	if err != nil {
		return err
	}
	season, err := demoseason.Season(a.ctx, &snap.Trial, snap.Plots, demoseason.Options{Seed: f.seed, WidthPx: f.width, Marks: f.marks})
	if err != nil {
		return err
	}
	bar := a.progress(len(season.Photos), "rendering")
	err = season.Write(a.ctx, photos, func(done, total int) { bar.Set(done) })
	bar.Finish()
	if err != nil {
		return err
	}
	if err := writeWhole(filepath.Join(dir, "truth.json"), season.WriteTruth); err != nil {
		return err
	}
	for _, t := range demoseason.Sheets(season) {
		if err := writeWhole(filepath.Join(dir, t.Name+".csv"), func(w io.Writer) error { return tables.WriteCSV(w, t) }); err != nil {
			return err
		}
	}
	if f.render {
		fmt.Fprintf(a.out, "rendered %s in %s; truth.json says what is in them\n", plural(len(season.Photos), "photo"), photos)
		return nil
	}
	return a.demoRun(dir, photos, season)
}

// demoRun runs the season's commands on the rendered folder.
func (a *app) demoRun(dir, photos string, season *demo.SeasonPlan) error {
	in := func(name string) string { return filepath.Join(dir, name) }
	run := func(steps ...[]string) error {
		for _, s := range steps {
			// The folder holds a damaged photo on purpose: done, but not all read.
			if err := a.step(s...); err != nil && !isPartly(err) {
				return fmt.Errorf("%s: %w", s[0], err)
			}
		}
		return nil
	}
	if err := run([]string{"photos", photos, "--plants"}); err != nil {
		return err
	}
	if err := a.demoPlants(dir, season); err != nil {
		return err
	}
	err := run([][]string{
		{"counts", in("counts.csv")},
		{"field", in("field.csv")},
		{"yields", in("yields.csv")},
		{"status"},
		{"agree", "--of", "cover", "--margin", "5"},
		{"agree", "--of", "count"},
		{"compare", "cover"},
		{"compare", "weed-cover"},
		{"compare", "count"},
		{"compare", "yield"},
		{"report", "--out", in("report")},
	}...)
	if err != nil {
		return err
	}
	err = a.withTrial(func(_ *record.Store, snap *record.Snapshot) error { return demoseason.WriteWeeds(a.out, snap, season) })
	if err != nil {
		return err
	}
	fmt.Fprintf(a.out, "\nThe report is in %s.\nEverything above is invented; %s says what is really in the photos.\n", in("report"), in("truth.json"))
	fmt.Fprintf(a.out, "Look around:  ./quadtally review --trial %s\n", dir)
	return nil
}

// demoPlants has the invented person name plants and answer check points. What
// they know is what truth.json says, and one answer in twenty is wrong.
func (a *app) demoPlants(dir string, s *demo.SeasonPlan) error {
	inUse := map[string]bool{}
	err := a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
		for i := range snap.Photos {
			if p := &snap.Photos[i]; p.InUse() {
				inUse[filepath.Base(p.Path)] = true
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	visits := s.Photos[len(s.Photos)-1].Visit
	var named []demo.Spot
	for v := 1; v <= visits; v++ {
		named = append(named, s.NamePlants(v, demoseason.Named, func(file string) bool { return inUse[file] })...)
	}
	file := filepath.Join(dir, "named.csv")
	if err := writeWhole(file, demoseason.WriteSpots(named)); err != nil {
		return err
	}
	if err := a.step("plants", file, "--next", "0"); err != nil {
		return err
	}
	for v := 1; v <= visits; v++ {
		// The draw is kept apart from what the demo shows.
		var drawn bytes.Buffer
		inner := *a
		inner.out = &drawn
		if err := inner.step("plants", "--ask", strconv.Itoa(demoseason.Checks), "--visit", strconv.Itoa(v)); err != nil {
			return err
		}
		inner.flush()
		points, err := demoseason.ReadDrawn(drawn.Bytes())
		if err != nil {
			return err
		}
		file := filepath.Join(dir, fmt.Sprintf("checks-%d.csv", v))
		if err := writeWhole(file, demoseason.WriteSpots(s.AnswerChecks(points))); err != nil {
			return err
		}
		if err := a.step("plants", "--answers", file, "--next", "0"); err != nil {
			return err
		}
	}
	return nil
}

// step shows a command as a person would type it, and runs it.
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
	return root.ExecuteContext(a.ctx)
}
