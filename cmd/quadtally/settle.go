package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
)

func settleCommand(a *app) *cobra.Command {
	var plot, reject string
	var quadrat, visit int
	var yes, undo bool
	c := &cobra.Command{
		Use:   "settle PHOTO...",
		Short: "Say where a photo belongs, or set it aside",
		Long: `Settles what quadtally could not find out by itself. A photo is named by its file
name, its path or the start of its content hash. What you say stands before any
card, sheet or name, is kept with who said it and when, and can be taken back
with --undo. The photo itself is never touched.

` + exitHelp,
		Example: `  quadtally settle IMG_0412.jpg --plot 203 --quadrat 2 --visit 1
  quadtally settle IMG_0413.jpg --yes                    accept what was proposed
  quadtally settle IMG_0420.jpg --reject "boot in the frame"
  quadtally settle IMG_0420.jpg --undo`,
		Args: takes(1, -1, "at least one photo"),
		RunE: func(cmd *cobra.Command, args []string) error {
			said := 0
			for _, on := range []bool{yes, undo, reject != "", plot != "" || quadrat > 0 || visit > 0} {
				if on {
					said++
				}
			}
			if said != 1 {
				return usagef("say one thing: where the photo belongs (--plot, --quadrat, --visit), --yes, --reject or --undo")
			}
			return a.withTrial(func(store *record.Store, snap *record.Snapshot) error {
				photos, err := findPhotos(snap, args)
				if err != nil {
					return err
				}
				_, err = store.Write(a.ctx, "settle", strings.Join(args, " "), func(tx *record.Tx) error {
					for _, p := range photos {
						if err := a.settleOne(tx, snap, p, record.Place{Plot: plot, Quadrat: quadrat, Visit: visit}, yes, undo, reject); err != nil {
							return fmt.Errorf("%s: %w", filepath.Base(p.Path), err)
						}
					}
					return nil
				})
				if err != nil {
					return err
				}
				return a.placeAgain(store) // a visit's threshold rests on all its photos
			})
		},
	}
	f := c.Flags()
	f.StringVar(&plot, "plot", "", "the plot it shows")
	f.IntVar(&quadrat, "quadrat", 0, "the quadrat it shows, from 1")
	f.IntVar(&visit, "visit", 0, "the visit it was taken at, from 1")
	f.BoolVar(&yes, "yes", false, "accept what was proposed")
	f.StringVar(&reject, "reject", "", "set the photo aside, with the `reason`")
	f.BoolVar(&undo, "undo", false, "take back the newest thing said about the photo")
	return c
}

func (a *app) settleOne(tx *record.Tx, snap *record.Snapshot, p *record.Photo, to record.Place, yes, undo bool, reject string) error {
	subject := record.PhotoSubject(p.Hash)
	name := filepath.Base(p.Path)
	switch {
	case undo:
		for i := len(snap.Decisions) - 1; i >= 0; i-- {
			if d := snap.Decisions[i]; d.Subject == subject && saidByHand(d) {
				fmt.Fprintf(a.out, "%s: took back %s (by %s)\n", name, d.Kind, d.Author)
				return tx.Undo(d.ID)
			}
		}
		return fmt.Errorf("nothing was said about it yet")
	case reject != "":
		fmt.Fprintf(a.out, "%s: set aside (%s)\n", name, reject)
		_, err := tx.Decide(subject, record.KindReject, map[string]string{"reason": reject})
		return err
	case yes:
		if p.Place.State != record.PlaceProposed {
			return fmt.Errorf("nothing is proposed for it: say --plot, --quadrat and --visit")
		}
		to = p.Place
	default:
		if to.Plot == "" {
			to.Plot = p.Place.Plot
		}
		if to.Quadrat == 0 {
			to.Quadrat = p.Place.Quadrat
		}
		if to.Visit == 0 {
			to.Visit = p.Place.Visit
		}
	}
	if err := checkPlace(snap, to); err != nil {
		return err
	}
	to.Basis, to.State, to.Reason = intake.ByHand, record.PlaceSettled, ""
	fmt.Fprintf(a.out, "%s: plot %s quadrat %d visit %d\n", name, to.Plot, to.Quadrat, to.Visit)
	_, err := tx.Decide(subject, record.KindPlace, to)
	return err
}

// saidByHand tells a person's word from what was worked out from cards and
// names.
func saidByHand(d record.Decision) bool {
	if d.Kind != record.KindPlace {
		return true
	}
	p, err := unmarshal[record.Place](d.Value)
	return err == nil && p.Basis == intake.ByHand
}

// checkPlace refuses a place the plan does not have.
func checkPlace(snap *record.Snapshot, p record.Place) error {
	if _, ok := snap.Plot(p.Plot); !ok {
		return fmt.Errorf("plot %q is not in the layout", p.Plot)
	}
	if per := snap.Trial.Quadrat.PerPlot; p.Quadrat < 1 || (per > 0 && p.Quadrat > per) {
		return fmt.Errorf("quadrat %d is not one of the %d of a plot: say --quadrat", p.Quadrat, per)
	}
	if p.Visit < 1 || p.Visit > len(snap.Trial.Visits) {
		return fmt.Errorf("visit %d is not one of the %d planned: say --visit", p.Visit, len(snap.Trial.Visits))
	}
	return nil
}

// findPhotos finds photos by file name, path or the start of their hash. All
// names that fit none or several are reported at once.
func findPhotos(snap *record.Snapshot, names []string) ([]*record.Photo, error) {
	var out []*record.Photo
	var faults []string
	for _, name := range names {
		var found []*record.Photo
		for i := range snap.Photos {
			p := &snap.Photos[i]
			if p.Path == name || filepath.Base(p.Path) == name {
				found = append(found, p)
			}
		}
		if len(found) == 0 {
			if p, ok := snap.Photo(strings.ToLower(name)); ok {
				found = append(found, p)
			}
		}
		switch len(found) {
		case 1:
			out = append(out, found[0])
		case 0:
			faults = append(faults, fmt.Sprintf("%s: no photo of that name is in the record; `quadtally photos` takes a folder in", name))
		default:
			var paths []string
			for _, p := range found {
				paths = append(paths, p.Path)
			}
			faults = append(faults, fmt.Sprintf("%s: %d photos have that name; give the path: %s", name, len(found), strings.Join(paths, ", ")))
		}
	}
	if len(faults) > 0 {
		return nil, fmt.Errorf("%s", strings.Join(faults, "\nquadtally: "))
	}
	return out, nil
}
