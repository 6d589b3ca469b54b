package main

import (
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision/label"
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
	if err := writeWhole(plan, func(w io.Writer) error { return trial.WritePlan(w, demoTrial(f.seed)) }); err != nil {
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
	season, err := demoSeason(a, &snap.Trial, snap.Plots, f)
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
	for _, t := range demoSheets(season) {
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
	if err := a.demoWeeds(season); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "\nThe report is in %s.\nEverything above is invented; %s says what is really in the photos.\n", in("report"), in("truth.json"))
	fmt.Fprintf(a.out, "Look around:  ./quadtally review --trial %s\n", dir)
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

// demoTrial is the plan of the invented trial.
func demoTrial(seed uint64) *trial.Trial {
	day := func(s string) trial.Date { d, _ := trial.ParseDate(s); return d }
	margin := 5.0
	t := trial.Defaults()
	t.Name, t.Tag = "Leeks after rolled winter cereals", "ALDR"
	t.Site, t.Crop = "Alder Bend trial ground (invented)", "leek"
	t.Question = "Which cover crop ahead of transplanted leeks holds the weeds, and what does it do to the yield?"
	t.Design, t.Blocks = trial.CompleteBlocks, 4
	for _, x := range demo.Treatments() {
		t.Treatments = append(t.Treatments, trial.Treatment{Code: x.Code, Name: x.Name, Control: x.Control})
	}
	t.Ground.Beds, t.Ground.LengthMM, t.Ground.BorderMM = 1, 9000, 1000
	t.Ground.BedSpacingMM, t.Ground.BedTopMM = 1800, 1200
	t.Ground.Gradient = "wetter towards the far end of the beds"
	t.Quadrat.WidthMM, t.Quadrat.LengthMM, t.Quadrat.PerPlot, t.Quadrat.Permanent = 500, 500, 3, true
	t.Quadrat.PipeMM = 25
	t.SeasonStart, t.SeasonEnd = day("2024-09-01"), day("2025-10-31")
	t.Visits = []trial.Date{day("2025-06-14"), day("2025-06-28"), day("2025-07-12"), day("2025-07-26")}
	t.VisitToleranceDays = 3
	t.Seed = seed
	t.AgreementMargin = &margin
	return &t
}

// demoSeason invents what grows on a layout.
func demoSeason(a *app, t *trial.Trial, plots []trial.Plot, f demoFlags) (*demo.SeasonPlan, error) {
	var list []demo.Plot
	for _, p := range plots {
		list = append(list, demo.Plot{ID: p.ID, Block: p.Block, Treatment: p.Treatment})
	}
	var fault error
	cfg := demo.DefaultConfig(list, func(plot string, quadrat int) string {
		text, err := label.Encode(label.Label{Trial: t.Tag, Plot: trial.CardPlot(plot), Quadrat: quadrat})
		if err != nil && fault == nil {
			fault = err
		}
		return text
	})
	cfg.Seed = f.seed
	cfg.Size = image.Pt(f.width, f.width*3/4)
	if f.marks {
		cfg.Marks = demoMarks()
	}
	season, err := demo.Season(a.ctx, cfg)
	if fault != nil {
		return nil, fault
	}
	return season, err
}

// demoMarks puts the first frame class's marks on the rendered frames.
func demoMarks() *demo.Marks {
	class := label.Classes()[0]
	m := &demo.Marks{Border: 1, SizeMM: label.MarkSizeMM, OffsetMM: label.MarkMarginMM + label.MarkSizeMM/2, HeightMM: 25,
		Bits: func(id int) [6][6]bool { return label.Mark{ID: id}.Bits() }}
	for i := range m.IDs {
		m.IDs[i] = 4*class.ID + i
	}
	return m
}

// demoSheets are the sheets the invented people filled in.
func demoSheets(s *demo.SeasonPlan) []tables.Table {
	counts := tables.Table{Name: "counts", Header: []string{"plot", "quadrat", "date", "broadleaf", "grass", "cover_%", "observer"}}
	eye := map[[3]any]float64{}
	for _, e := range s.EyeCovers {
		eye[[3]any{e.Visit, e.Plot, e.Quadrat}] = e.CoverPct
	}
	for _, c := range s.Counts {
		var cover any
		if v, ok := eye[[3]any{c.Visit, c.Plot, c.Quadrat}]; ok {
			cover = v
		}
		counts.Add(c.Plot, c.Quadrat, c.Date.Format("2006-01-02"), c.Broadleaf, c.Grass, cover, c.Observer)
	}
	yields := tables.Table{Name: "yields", Header: []string{"plot", "date", "marketable_kg", "cull_kg", "bed_length_m", "pieces", "stand", "trim"}}
	harvest := s.Photos[0].Taken.AddDate(0, 0, 110).Format("2006-01-02")
	for _, y := range s.Yields {
		yields.Add(y.Plot, harvest, y.MarketableKG, y.CullKG, y.BedLengthM, y.Pieces, y.Stand, "trimmed to 30 cm")
	}
	field := tables.Table{Name: "field", Header: []string{"date", "operation", "treatment", "input", "rate", "rate_unit"}}
	for _, o := range s.Operations {
		var rate any
		if o.Rate > 0 {
			rate = o.Rate
		}
		field.Add(o.Date.Format("2006-01-02"), o.Kind, o.Treatment, o.Detail, rate, o.RateUnit)
	}
	return []tables.Table{counts, yields, field}
}
