package demoseason

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"

	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/outfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
)

// Stage is where the invented season is played.
type Stage struct {
	Options
	Dir        string // the trial's folder, new
	RenderOnly bool   // photos, sheets and truth alone
	// Command shows a command of the program as a person would type it in Dir,
	// and runs it. Answer keeps what it prints in place of showing it.
	Command  func(args ...string) error
	Answer   func(args ...string) ([]byte, error)
	Rendered func(done, total int) // how many photos are painted; may be nil
	Out      io.Writer
}

// Check refuses a folder that is there already, and photos of a size that no
// phone takes.
func (s *Stage) Check() error {
	if _, err := os.Stat(s.Dir); err == nil {
		return fmt.Errorf("%s exists already: name another folder, or delete it first", s.Dir)
	}
	if s.WidthPx < 640 || s.WidthPx > 8000 {
		return fmt.Errorf("--width %d: choose 640 to 8000", s.WidthPx)
	}
	return nil
}

func (s *Stage) in(name string) string { return filepath.Join(s.Dir, name) }

func (s *Stage) write(name string, write func(io.Writer) error) error {
	return outfile.Whole(s.in(name), write)
}

// snapshot is the trial as it stands.
func (s *Stage) snapshot(ctx context.Context) (*record.Snapshot, error) {
	store, err := record.Open(s.Dir, record.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer store.Close()
	return store.Snapshot(ctx)
}

// Run lays the trial out, renders the season into its folder, and runs the
// commands of a season on it.
func (s *Stage) Run(ctx context.Context) error {
	if err := s.write("plan.txt", func(w io.Writer) error { return trial.WritePlan(w, Trial(s.Seed)) }); err != nil {
		return err
	}
	if err := s.Command("new", "--plan", s.in("plan.txt")); err != nil {
		return err
	}
	season, err := s.render(ctx)
	if err != nil {
		return err
	}
	if s.RenderOnly {
		fmt.Fprintf(s.Out, "rendered %s in %s; truth.json says what is in them\n", wording.Plural(len(season.Photos), "photo"), s.in("photos"))
		return nil
	}
	if err := s.Command("photos", s.in("photos"), "--plants"); err != nil {
		return err
	}
	if err := s.plants(ctx, season); err != nil {
		return err
	}
	for _, args := range [][]string{
		{"counts", s.in("counts.csv")},
		{"field", s.in("field.csv")},
		{"yields", s.in("yields.csv")},
		{"status"},
		{"agree", "--of", "cover", "--margin", "5"},
		{"agree", "--of", "count"},
		{"compare", "cover"},
		{"compare", "weed-cover"},
		{"compare", "count"},
		{"compare", "yield"},
		{"report", "--out", s.in("report")},
	} {
		if err := s.Command(args...); err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
	}
	snap, err := s.snapshot(ctx)
	if err != nil {
		return err
	}
	if err := WriteWeeds(s.Out, snap, season); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.Out, "\nThe report is in %s.\nEverything above is invented; %s says what is really in the photos.\nLook around:  ./quadtally review --trial %s\n",
		s.in("report"), s.in("truth.json"), s.Dir)
	return err
}

// render paints the season of the trial as it was laid out.
func (s *Stage) render(ctx context.Context) (*demo.SeasonPlan, error) {
	snap, err := s.snapshot(ctx)
	if err != nil {
		return nil, err
	}
	season, err := Season(ctx, &snap.Trial, snap.Plots, s.Options)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(s.in("photos"), 0o755); err != nil {
		return nil, err
	}
	if err := season.Write(ctx, s.in("photos"), s.Rendered); err != nil {
		return nil, err
	}
	if err := s.write("truth.json", season.WriteTruth); err != nil {
		return nil, err
	}
	for _, t := range Sheets(season) {
		if err := s.write(t.Name+".csv", func(w io.Writer) error { return tables.WriteCSV(w, t) }); err != nil {
			return nil, err
		}
	}
	return season, nil
}

// plants has the invented person name plants and answer check points. What they
// know is what truth.json says, and one answer in twenty is wrong.
func (s *Stage) plants(ctx context.Context, season *demo.SeasonPlan) error {
	snap, err := s.snapshot(ctx)
	if err != nil {
		return err
	}
	inUse := map[string]bool{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			inUse[filepath.Base(p.Path)] = true
		}
	}
	visits := season.Photos[len(season.Photos)-1].Visit
	var named []demo.Spot
	for v := 1; v <= visits; v++ {
		named = append(named, season.NamePlants(v, Named, func(file string) bool { return inUse[file] })...)
	}
	if err := s.write("named.csv", WriteSpots(named)); err != nil {
		return err
	}
	if err := s.Command("plants", s.in("named.csv"), "--next", "0"); err != nil {
		return err
	}
	for v := 1; v <= visits; v++ {
		drawn, err := s.Answer("plants", "--ask", strconv.Itoa(Checks), "--visit", strconv.Itoa(v))
		if err != nil {
			return err
		}
		points, err := ReadDrawn(drawn)
		if err != nil {
			return err
		}
		file := fmt.Sprintf("checks-%d.csv", v)
		if err := s.write(file, WriteSpots(season.AnswerChecks(points))); err != nil {
			return err
		}
		if err := s.Command("plants", "--answers", s.in(file), "--next", "0"); err != nil {
			return err
		}
	}
	return nil
}
