package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/status"
	"quadtally/vision/classes"
)

type plantsFlags struct {
	ask, visit, next int
	seed             uint64
	answers          string
	json             bool
	measuring        season.Options
}

func plantsCommand(a *app) *cobra.Command {
	f := plantsFlags{measuring: a.measuring()}
	c := &cobra.Command{
		Use:  "plants [FILE.csv]",
		Args: takes(0, 1, "at most one file of named plants"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := checkAsk(cmd, f.ask); err != nil {
				return err
			}
			if len(args)+min(f.ask, 1)+min(len(f.answers), 1) > 1 {
				return usagef("a file of named plants, --ask and --answers exclude each other: one thing at a time")
			}
			return a.withTrial(useFor(f.ask > 0 || f.answers != "" || len(args) == 1), func(store *record.Store, snap *record.Snapshot) error {
				switch s := season.New(store, f.measuring); {
				case f.ask > 0:
					return a.askChecks(s, snap, f)
				case f.answers != "":
					return a.storeSpots(s, store, snap, f.answers, f, s.AnswerChecks, "answered check point")
				case len(args) == 1:
					return a.storeSpots(s, store, snap, args[0], f, s.NamePlants, "named plant")
				default:
					return a.showPlants(s, snap, f)
				}
			})
		},
	}
	fl := c.Flags()
	fl.IntVar(&f.visit, "visit", 0, "only this `visit`")
	fl.IntVar(&f.next, "next", 5, "how `many` plants to ask about")
	fl.IntVar(&f.ask, "ask", 0, "draw this `number` of check points in a visit and write them as CSV to answer")
	fl.Uint64Var(&f.seed, "seed", 1, "with --ask: of the random draw")
	fl.StringVar(&f.answers, "answers", "", "store answered check points, a CSV `file`")
	fl.BoolVar(&f.json, "json", false, "the state as JSON")
	measuringFlags(fl, &f.measuring)
	return c
}

// checkAsk refuses a draw of no check points, and a seed without a draw.
func checkAsk(cmd *cobra.Command, ask int) error {
	switch {
	case cmd.Flags().Changed("ask") && ask < 1:
		return usagef("--ask %d: say how many check points to draw, such as --ask 100", ask)
	case cmd.Flags().Changed("seed") && ask == 0:
		return usagef("--seed is of the draw of check points: give it with --ask")
	}
	return nil
}

// storeSpots stores named plants, or answers to check points.
func (a *app) storeSpots(s *season.Season, store *record.Store, snap *record.Snapshot, path string, f plantsFlags, put season.StoreSpots, what string) error {
	spots, blank, err := a.readSpots(path, func(text string) (classes.Class, error) {
		c, err := season.ParsePlantClass(&snap.Trial, text)
		return classes.Class{Name: c.Name, Role: classes.Role(c.Role)}, err
	})
	if err != nil {
		return err
	}
	file := filepath.Base(path)
	if blank > 0 {
		a.note("note: %s: %s without a class left out", file, plural(blank, "row"))
	}
	if len(spots) == 0 {
		return fmt.Errorf("%s: no row has a class: fill it in", file)
	}
	stored, err := put(a.ctx, snap, spots, file, file)
	if err != nil {
		return err
	}
	a.notes("note: ", stored.Doubts...)
	a.note("%s", status.StoredText(file, what, len(spots), stored))
	if snap, err = store.Snapshot(a.ctx); err != nil {
		return err
	}
	return a.showPlants(s, snap, f)
}

// askChecks draws check points and writes them to be answered.
func (a *app) askChecks(s *season.Season, snap *record.Snapshot, f plantsFlags) error {
	visits := season.PlantVisits(snap)
	if f.visit == 0 {
		inUse := slices.DeleteFunc(slices.Clone(visits), func(v season.PlantVisit) bool { return v.Photos == 0 })
		if len(inUse) != 1 {
			return usagef("photos of %d visits are in use: say with --visit in which of them to draw", len(inUse))
		}
		f.visit = inUse[0].Visit
	}
	if i := slices.IndexFunc(visits, func(v season.PlantVisit) bool { return v.Visit == f.visit }); i >= 0 && visits[i].Drawn > 0 {
		a.note("note: visit %d has %s already: these come in addition", f.visit, plural(visits[i].Drawn, "check point"))
	}
	points, err := s.DrawChecks(a.ctx, snap, f.visit, f.ask, f.seed)
	if err != nil {
		return err
	}
	return status.WriteChecks(a.out, snap, points)
}

// showPlants says how far plants are told apart.
func (a *app) showPlants(s *season.Season, snap *record.Snapshot, f plantsFlags) error {
	p, err := status.PlantsOf(a.ctx, s, snap, f.visit, f.next)
	if err != nil {
		return err
	}
	return a.show(f.json, p, func(w io.Writer) error { return p.WriteText(w) })
}
