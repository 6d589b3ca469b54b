package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
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
		Use:   "plants [FILE.csv]",
		Short: "Name plants, so that weeds, crop and regrowth are told apart",
		Long: `Stores plants that a person has named: rows of photo, x, y and class, in pixels
of the upright photo. The class is weed, crop, regrowth or not a plant, a class
of weeds of the plan, or a role and a name such as "weed: sedge". About 30 plants
a visit, from many photos, do well. Photos measured before the first plant was
named are measured once more; after that each name sorts its visit anew in
seconds, without opening a photo. A file stored again under its name takes the
place of what it gave before.

What the photos are sorted into is biased. Covers by class are told from check
points: --ask 100 draws them at random in the green of a visit and writes them
with the class blank; a person fills it in by looking at the photos alone, and
--answers stores that. Check points are never learned from.

Without a file it says, visit by visit, how many plants are named, how sure the
sorting is, what is lacking, and which plants would teach most.

` + exitHelp,
		Example: `  quadtally plants
  quadtally plants named.csv
  quadtally plants --ask 100 --visit 2 > check.csv
  quadtally plants --answers check.csv`,
		Args: takes(0, 1, "at most one file of named plants"),
		RunE: func(cmd *cobra.Command, args []string) error {
			fl := cmd.Flags()
			switch {
			case fl.Changed("ask") && f.ask < 1:
				return usagef("--ask %d: say how many check points to draw, such as --ask 100", f.ask)
			case fl.Changed("seed") && f.ask == 0:
				return usagef("--seed is of the draw of check points: give it with --ask")
			case len(args)+min(f.ask, 1)+min(len(f.answers), 1) > 1:
				return usagef("a file of named plants, --ask and --answers exclude each other: one thing at a time")
			}
			with := a.withTrial
			if f.ask > 0 || f.answers != "" || len(args) == 1 {
				with = a.withTrialToWrite
			}
			return with(func(store *record.Store, snap *record.Snapshot) error {
				switch s := season.New(store, f.measuring); {
				case f.ask > 0:
					return a.askChecks(s, snap, f)
				case f.answers != "":
					return a.storeSpots(s, store, snap, f.answers, f, true)
				case len(args) == 1:
					return a.storeSpots(s, store, snap, args[0], f, false)
				default:
					return a.tellPlants(s, snap, f)
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

// storeSpots stores named plants, or answers to check points.
func (a *app) storeSpots(s *season.Season, store *record.Store, snap *record.Snapshot, path string, f plantsFlags, answers bool) error {
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
	put, what := s.NamePlants, "named plant"
	if answers {
		put, what = s.AnswerChecks, "answered check point"
	}
	stored, err := put(a.ctx, snap, spots, file, file)
	if err != nil {
		return err
	}
	for _, d := range stored.Doubts {
		a.note("note: %s", d)
	}
	text := fmt.Sprintf("%s: %s, %d of them new", file, plural(len(spots), what), stored.New)
	if stored.Changed > 0 {
		text += fmt.Sprintf(", %d of another class than before", stored.Changed)
	}
	if stored.Withdrawn > 0 {
		text += fmt.Sprintf("; %d that its former version gave withdrawn", stored.Withdrawn)
	}
	a.note("%s", text)
	if snap, err = store.Snapshot(a.ctx); err != nil {
		return err
	}
	return a.tellPlants(s, snap, f)
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
	w := csv.NewWriter(a.out)
	w.Write([]string{"photo", "x", "y", "class"})
	for _, p := range points {
		w.Write([]string{nameInRecord(snap, p.Photo), strconv.FormatFloat(p.X, 'f', 1, 64), strconv.FormatFloat(p.Y, 'f', 1, 64), ""})
	}
	w.Flush()
	return w.Error()
}

// nameInRecord is the file name of a photo, or its path where two share it.
func nameInRecord(snap *record.Snapshot, p *record.Photo) string {
	name := filepath.Base(p.Path)
	for i := range snap.Photos {
		if q := &snap.Photos[i]; q.Hash != p.Hash && filepath.Base(q.Path) == name {
			return p.Path
		}
	}
	return name
}

// plantAsk is a plant to be named next, as --json gives it.
type plantAsk struct {
	Photo  string  `json:"photo"`
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	Visit  int     `json:"visit"`
	Best   string  `json:"best"`
	Second string  `json:"second"`
	Margin float64 `json:"margin"`
}

// tellPlants says how far plants are told apart.
func (a *app) tellPlants(s *season.Season, snap *record.Snapshot, f plantsFlags) error {
	visits := season.PlantVisits(snap)
	var asks []plantAsk
	for _, v := range visits {
		if f.visit != 0 && v.Visit != f.visit || v.Sorted == 0 || f.next < 1 {
			continue
		}
		next, err := s.NextToName(a.ctx, snap, v.Visit, f.next)
		if err != nil && !errors.Is(err, classes.ErrFewNames) {
			return err
		}
		for _, n := range next {
			asks = append(asks, plantAsk{nameInRecord(snap, n.Photo), n.X, n.Y, v.Visit, n.Best.Name, n.Second.Name, n.Margin})
		}
	}
	if f.visit != 0 {
		visits = slices.DeleteFunc(visits, func(v season.PlantVisit) bool { return v.Visit != f.visit })
	}
	if f.json {
		return a.writeJSON(map[string]any{"visits": visits, "next": asks})
	}
	if len(visits) == 0 {
		fmt.Fprintln(a.out, "no photo is in use yet: `quadtally photos` takes a folder in")
	}
	for _, v := range visits {
		var named []string
		total := 0
		for _, c := range slices.Sorted(maps.Keys(v.Named)) {
			named = append(named, fmt.Sprintf("%s %d", c, v.Named[c]))
			total += v.Named[c]
		}
		fmt.Fprintf(a.out, "visit %d: %s named", v.Visit, plural(total, "plant"))
		if total > 0 {
			fmt.Fprintf(a.out, " (%s)", strings.Join(named, ", "))
		}
		if v.Sorted > 0 {
			fmt.Fprintf(a.out, "; %d of %s told apart, sure to %.0f %%", v.Sorted, plural(v.Photos, "photo"), 100*v.Sure)
		}
		if v.Borrowed {
			fmt.Fprint(a.out, ", by the plants of other visits too")
		}
		fmt.Fprintf(a.out, "; %d of %s answered\n", v.Done, plural(v.Drawn, "check point"))
		for _, l := range v.Lacks {
			fmt.Fprintf(a.out, "  lacking: %s\n", l.Words())
		}
		for _, m := range v.Missed {
			fmt.Fprintf(a.out, "  no green at a named plant: %s\n", m)
		}
	}
	if len(asks) > 0 {
		fmt.Fprintln(a.out, "to name next:")
	}
	for _, n := range asks {
		fmt.Fprintf(a.out, "  visit %d  %s  at %.0f, %.0f: %s or %s\n", n.Visit, n.Photo, n.X, n.Y, n.Best, n.Second)
	}
	return nil
}
