package main

import (
	"cmp"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/status"
	"quadtally/vision"
)

type photosFlags struct {
	change    season.Change
	threshold []string
	sheet     string
	part      intake.Part
	out       string
	json      bool
	measuring season.Options
}

func photosCommand(a *app) *cobra.Command {
	f := photosFlags{measuring: a.measuring()}
	// Settings of the trial that stay as they are where nothing is said of them.
	said := map[string]**bool{"no-frame": &f.change.NoFrame, "card-white": &f.change.CardWhite, "plants": &f.change.Plants}
	c := &cobra.Command{
		Use:  "photos FOLDER...",
		Args: takes(1, -1, "at least one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for name, to := range said {
				if cmd.Flags().Changed(name) {
					on, err := cmd.Flags().GetBool(name)
					if err != nil {
						return err
					}
					*to = &on
				}
			}
			if f.part != (intake.Part{}) {
				return a.photosPart(args, &f)
			}
			if f.out != "" {
				return usagef("--out goes with --part")
			}
			return a.withTrial(writing, func(store *record.Store, snap *record.Snapshot) error { return a.photos(store, snap, args, &f) })
		},
	}
	fl := c.Flags()
	parse(fl, &f.part, "part", "`K/N`: measure only the K-th of N parts of the folder, into a file", intake.ParsePart)
	fl.StringVar(&f.out, "out", "", "with --part: the `file` to write (default part-K-of-N.jsonl)")
	fl.StringVar(&f.sheet, "sheet", "", "a CSV or XLSX `file` saying which photo is which: columns photo, plot, quadrat, visit")
	fl.StringSliceVar(&f.threshold, "threshold", nil, "`VISIT=VALUE`: set a visit's threshold by hand, or VISIT=auto")
	fl.StringVar((*string)(&f.change.Index), "index", "", "greenness index for the whole trial from now on: "+list(vision.Indices()...))
	fl.Bool("no-frame", false, "no frame in the photos of this trial: measure all of each, to the scale of its plot card; =false takes it back")
	fl.Bool("card-white", false, "take the paper of the plot cards as white from now on; =false takes it back")
	fl.Bool("plants", false, "plants will be named: keep what the green looks like, so that no photo need be measured again then")
	measuringFlags(fl, &f.measuring)
	fl.BoolVar(&f.json, "json", false, "the outcome as JSON")
	return c
}

func (a *app) photos(store *record.Store, snap *record.Snapshot, folders []string, f *photosFlags) error {
	change, err := f.changeOf(snap)
	if err != nil {
		return err
	}
	rows, unread, err := a.readPhotoSheet(f.sheet)
	if err != nil {
		return err
	}
	out, err := season.New(store, f.measuring).Photos(a.ctx, snap, folders, change, rows)
	if err != nil {
		return err
	}
	return a.showOutcome(out, unread, f.json)
}

// changeOf is what the flags say about how the trial's photos are measured.
func (f *photosFlags) changeOf(snap *record.Snapshot) (season.Change, error) {
	c := f.change
	if c.Index != "" && !slices.Contains(vision.Indices(), c.Index) {
		return c, usagef("there is no index %q: choose %s", c.Index, list(vision.Indices()...))
	}
	set, err := season.DecidedSettings(snap)
	if err != nil {
		return c, err
	}
	for _, text := range f.threshold {
		h, err := season.ParseHandThreshold(text, set.With(c).IndexInUse(), len(snap.Trial.Visits))
		if err != nil {
			return c, usagef("--threshold %q: %v", text, err)
		}
		c.Thresholds = append(c.Thresholds, h)
	}
	return c, nil
}

// photosPart measures one part of a folder into a file. The record is only
// read, so that many machines can work at once.
func (a *app) photosPart(folders []string, f *photosFlags) error {
	switch {
	case len(folders) != 1:
		return usagef("--part goes with one folder: measure each folder in parts of its own")
	case f.sheet != "":
		return usagef("--sheet goes with `quadtally merge`, which works out which photo is which")
	case len(f.threshold) > 0:
		return usagef("--threshold goes with `quadtally photos` on the whole trial, after the parts are merged")
	}
	return a.withTrial(reading, func(store *record.Store, snap *record.Snapshot) error {
		change, err := f.changeOf(snap)
		if err != nil {
			return err
		}
		out, err := season.New(store, f.measuring).Part(a.ctx, snap, folders[0], f.part, f.out, change)
		if err != nil {
			return err
		}
		a.notes("", status.FaultNotes(out.Faults)...)
		err = a.show(f.json, out, func(w io.Writer) error { status.WritePart(w, out); return nil })
		return cmp.Or(err, partlyDone(len(out.Faults)))
	})
}

// readPhotoSheet reads which photo is which, and names the cells that cannot be
// read; unread counts them. Without a sheet there is nothing to read.
func (a *app) readPhotoSheet(path string) (rows []intake.SheetRow, unread int, err error) {
	if path == "" {
		return nil, 0, nil
	}
	s, err := a.readSheet(path)
	if err != nil {
		return nil, 0, err
	}
	rows, faults, err := sheets.PhotoRows(s)
	for _, x := range faults {
		a.note("%s", s.FaultText(x))
	}
	return rows, len(faults), err
}

// showOutcome says what taking in photos, or merging parts, did and found; unread
// is how much of the sheet beside them could not be read.
func (a *app) showOutcome(o *season.Outcome, unread int, asJSON bool) error {
	a.notes("", status.Notes(o)...)
	err := a.show(asJSON, o, func(w io.Writer) error { status.WriteOutcome(w, o); return nil })
	return cmp.Or(err, partlyDone(status.LeftAside(o)+unread))
}
