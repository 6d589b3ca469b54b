package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/status"
	"quadtally/vision"
)

type photosFlags struct {
	sheet, index               string
	threshold                  []string
	json                       bool
	noFrame, cardWhite, plants *bool // nil leaves the trial's setting as it is
	part, out                  string
	measuring                  season.Options
}

func photosCommand(a *app) *cobra.Command {
	f := photosFlags{measuring: a.measuring()}
	c := &cobra.Command{
		Use:   "photos FOLDER...",
		Short: "Take in and measure the season's photos",
		Long: `Takes a phone's photo folder as it is: finds the photos in it by their content,
reads the camera's local date, finds frame and plot card, measures, and works
out which quadrat each photo shows: by the card in it, else a sheet you give,
else its name; one between two known ones in the walking order is proposed. The
date of the file itself is never used. Originals are never changed or moved.

Run it again at any time, over the same or more folders: what is known is not
measured again, and an interrupted run goes on where it stopped. Files changed
since are named and left alone. Each visit has one threshold, found from all its
photos; --threshold 2=0.15 sets that of visit 2 by hand, 2=auto gives it back.

On several machines at once, --part 3/16 measures the third of sixteen parts of
one folder into a file and only reads the record, or a copy of it; then
` + "`quadtally merge`" + ` folds the files into the trial. A photo's part follows from
its path inside the folder alone.

` + exitHelp,
		Example: `  quadtally photos ~/DCIM/june-14
  quadtally photos photos --sheet which-is-which.csv
  quadtally photos photos --part 3/16 --out part-3.jsonl`,
		Args: takes(1, -1, "at least one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for name, v := range map[string]**bool{"no-frame": &f.noFrame, "card-white": &f.cardWhite, "plants": &f.plants} {
				if !cmd.Flags().Changed(name) {
					*v = nil
				}
			}
			if f.part != "" || f.out != "" {
				return a.photosPart(args, f)
			}
			return a.photos(args, f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.part, "part", "", "`K/N`: measure only the K-th of N parts of the folder, into a file")
	fl.StringVar(&f.out, "out", "", "with --part: the `file` to write (default part-K-of-N.jsonl)")
	fl.StringVar(&f.sheet, "sheet", "", "a CSV or XLSX `file` saying which photo is which: columns photo, plot, quadrat, visit")
	fl.StringSliceVar(&f.threshold, "threshold", nil, "`VISIT=VALUE`: set a visit's threshold by hand, or VISIT=auto")
	fl.StringVar(&f.index, "index", "", "greenness index for the whole trial from now on: "+indexNames())
	f.noFrame = fl.Bool("no-frame", false, "no frame in the photos of this trial: measure all of each, to the scale of its plot card; =false takes it back")
	f.cardWhite = fl.Bool("card-white", false, "take the paper of the plot cards as white from now on; =false takes it back")
	f.plants = fl.Bool("plants", false, "plants will be named: keep what the green looks like, so that no photo need be measured again then")
	measuringFlags(fl, &f.measuring)
	fl.BoolVar(&f.json, "json", false, "the outcome as JSON")
	return c
}

// measuringFlags are the flags of every command that measures photos.
func measuringFlags(fl *pflag.FlagSet, opt *season.Options) {
	fl.IntVar(&opt.Workers, "workers", opt.Workers, "photos measured at once")
	fl.DurationVar(&opt.Limit, "limit", opt.Limit, "longest time for one photo")
}

func (a *app) photos(folders []string, f photosFlags) error {
	store, err := a.openToWrite()
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	change, err := f.change(snap)
	if err != nil {
		return err
	}
	sheet, err := a.readPhotoSheet(f.sheet)
	if err != nil {
		return err
	}
	out, err := season.New(store, f.measuring).Photos(a.ctx, snap, folders, change, sheet)
	if err != nil {
		return err
	}
	return a.printOutcome(out, f.json)
}

// change is what the flags say about how the trial's photos are measured.
func (f photosFlags) change(snap *record.Snapshot) (season.Change, error) {
	c := season.Change{Index: vision.Index(f.index), NoFrame: f.noFrame, CardWhite: f.cardWhite, Plants: f.plants}
	if f.index != "" && !slices.Contains(vision.Indices(), c.Index) {
		return c, usagef("there is no index %q: choose %s", f.index, indexNames())
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
func (a *app) photosPart(folders []string, f photosFlags) error {
	if f.part == "" {
		return usagef("--out goes with --part")
	}
	part, err := intake.ParsePart(f.part)
	switch {
	case err != nil:
		return usagef("--part: %v", err)
	case len(folders) != 1:
		return usagef("--part goes with one folder: measure each folder in parts of its own")
	case f.sheet != "":
		return usagef("--sheet goes with `quadtally merge`, which works out which photo is which")
	case len(f.threshold) > 0:
		return usagef("--threshold goes with `quadtally photos` on the whole trial, after the parts are merged")
	}
	store, err := record.Open(a.trialDir, record.Options{Author: a.author(), Clock: a.clock, ReadOnly: true})
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	change, err := f.change(snap)
	if err != nil {
		return err
	}
	out, err := season.New(store, f.measuring).Part(a.ctx, snap, folders[0], part, f.out, change)
	if err != nil {
		return err
	}
	a.noteFaults(out.Faults)
	if f.json {
		err = a.writeJSON(out)
	} else {
		fmt.Fprintf(a.out, "part %s: %s, %d measured now, in %s\n", out.Part, plural(out.Photos, "photo"), out.Measured, out.File)
		if !out.Finished {
			fmt.Fprintln(a.out, "not finished: run it again once every photo can be reached")
		}
	}
	return cmp.Or(err, partlyDone(len(out.Faults)))
}

// partlyDone is the end of a command that had to leave n things aside.
func partlyDone(n int) error {
	if n == 0 {
		return nil
	}
	return partly{n}
}

func (a *app) noteFaults(faults []intake.Fault) {
	for _, x := range faults {
		a.note("%s: %s", intake.Shown(x.Path), x.Text)
	}
}

// printOutcome says what taking in photos, or merging parts, did and found.
func (a *app) printOutcome(o *season.Outcome, asJSON bool) error {
	for _, p := range o.Unfinished {
		a.note("%s: part %s was not measured to its end (%s in it): run the part again, then merge again", p.File, p.Part, plural(p.Photos, "photo"))
	}
	for _, p := range o.Absent {
		a.note("%d of %d parts of %s were not given: %s", len(p.Parts), p.Of, p.Folder, strings.Join(p.Parts, ", "))
	}
	for _, c := range o.Copies {
		a.note("%s has the same content as %s and is used once", c.File, c.Of)
	}
	for _, c := range o.Versions {
		a.note("%s", status.VersionsText(c))
	}
	for _, r := range o.Renamed {
		if r.Stays {
			a.note("%s is called %s now, which names no plot of the layout: it stays where its former name put it; `quadtally settle` moves it", r.Was, r.File)
		} else {
			a.note("%s is called %s now and is placed by its new name", r.Was, r.File)
		}
	}
	for _, c := range o.SheetClashes {
		a.note("%s", intake.Shown(status.ClashText(c)))
	}
	a.noteFaults(o.Faults)
	if asJSON {
		if err := a.writeJSON(o); err != nil {
			return err
		}
	} else {
		status.WriteOutcome(a.out, o)
	}
	return partlyDone(len(o.Faults) + len(o.Missing) + len(o.SheetClashes))
}
