package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

type photosFlags struct {
	sheet, index, decimal string
	threshold             []string
	workers               int
	limit                 time.Duration
	json                  bool
	noFrame, cardWhite    *bool // nil leaves the trial's setting as it is
	part, out             string
}

// photosOutcome is what a run of `photos` did and found.
type photosOutcome struct {
	Files     int                      `json:"files_seen"`
	Ignored   int                      `json:"ignored"`
	Photos    int                      `json:"photos"`
	New       int                      `json:"new"`
	Measured  int                      `json:"measured"`
	Copies    []copyOf                 `json:"copies"`
	Twins     []copyOf                 `json:"same_name_other_bytes"`
	Placed    map[string]int           `json:"placed_by"` // basis: photos
	Spare     int                      `json:"spare"`
	Open      []question               `json:"open"`
	Faults    []intake.Fault           `json:"faults"`
	Settings  string                   `json:"settings"`
	Threshold map[int]record.Threshold `json:"thresholds"` // by visit

	Parts   []string `json:"parts,omitempty"`         // of `merge`: the parts folded in
	Missing []string `json:"missing_parts,omitempty"` // not given, or not finished
}

type copyOf struct {
	File string `json:"file"`
	Of   string `json:"of"`
}

func photosCommand(a *app) *cobra.Command {
	var f photosFlags
	c := &cobra.Command{
		Use:   "photos FOLDER...",
		Short: "Take in and measure the season's photos",
		Long: `Takes a phone's photo folder as it is: searches it through, tells photos from
other files by their content, finds copies, reads the camera's local date, finds
frame and plot card, measures, and works out which quadrat each photo shows, by
the card in it, else a sheet you give, else its name; a photo between two known
ones in the walking order is proposed. The date of the file itself is never used.
Originals are never changed or moved.

Run it again at any time, over the same or more folders: what is known is not
measured again, and an interrupted run goes on where it stopped. A file that does
not hold any more what was measured from it is named and left alone.

One threshold is settled for each visit from all its photos. --threshold 2=0.15
sets that of visit 2 by hand; --threshold 2=auto gives it back.

On several machines at once: --part 3/16 measures the third of sixteen parts of
one folder into a file of its own and only reads the trial's record, or a copy of
it; ` + "`quadtally merge`" + ` folds the files into the trial. Which part a photo belongs
to follows from its path inside the folder alone. A part that was stopped goes on
where it was.

` + exitHelp,
		Example: `  quadtally photos ~/DCIM/june-14
  quadtally photos photos --sheet which-is-which.csv
  quadtally photos photos --json > outcome.json
  quadtally photos photos --part 3/16 --out part-3.jsonl`,
		Args: takes(1, -1, "at least one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for name, v := range map[string]**bool{"no-frame": &f.noFrame, "card-white": &f.cardWhite} {
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
	f.noFrame = fl.Bool("no-frame", false, "the photos of this trial show no frame: measure whole photos, to the scale of the plot card in them; =false takes it back")
	f.cardWhite = fl.Bool("card-white", false, "take the paper of the plot cards as white, in the whole trial from now on; =false takes it back")
	fl.IntVar(&f.workers, "workers", runtime.NumCPU(), "photos measured at once")
	fl.DurationVar(&f.limit, "limit", time.Minute, "longest time for one photo")
	fl.BoolVar(&f.json, "json", false, "the outcome as JSON")
	return c
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
	if err := a.newSettings(store, &snap, f); err != nil {
		return err
	}
	opt, err := visionOptions(snap)
	if err != nil {
		return err
	}
	out := photosOutcome{Placed: map[string]int{}, Settings: opt.Fingerprint()}
	paths, err := a.takeIn(store, snap, folders, &out)
	if err != nil {
		return err
	}
	if snap, err = store.Snapshot(a.ctx); err != nil {
		return err
	}
	if err := a.measureNew(store, snap, paths, opt, f, &out); err != nil {
		return err
	}
	var sheet map[string]intake.Spot
	if f.sheet != "" {
		if sheet, err = a.readPhotoSheet(f.sheet); err != nil {
			return err
		}
	}
	if err := a.identify(store, sheet); err != nil {
		return err
	}
	if snap, err = a.settleVisits(store, opt); err != nil {
		return err
	}
	summarise(snap, paths, &out)
	return a.tellPhotos(out, f.json)
}

// takeIn scans the folders and stores the facts of photos not seen before. It
// returns where each photo's bytes lie now, by content hash.
func (a *app) takeIn(store *record.Store, snap *record.Snapshot, folders []string, out *photosOutcome) (map[string]string, error) {
	seen, err := store.Sightings(a.ctx)
	if err != nil {
		return nil, err
	}
	known := make(map[string]intake.Known, len(seen))
	for path, s := range seen {
		known[path] = intake.Known{Size: s.Size, MTime: s.MTime, Hash: s.Hash}
	}
	abs := make([]string, len(folders))
	for i, f := range folders {
		if abs[i], err = filepath.Abs(f); err != nil {
			return nil, err
		}
	}
	bar := a.progress(-1, "looking through the folders")
	scan, err := intake.Walk(a.ctx, abs, known, func(int) { bar.Add(1) })
	bar.Finish()
	if err != nil {
		return nil, err
	}
	out.Files, out.Ignored, out.Faults = scan.Seen, scan.IgnoredCount(), scan.Faults
	if out.Faults == nil {
		out.Faults = []intake.Fault{}
	}
	paths := map[string]string{}
	var fresh []record.Sighting
	for _, f := range scan.Files {
		paths[f.Hash] = f.Path
		for _, c := range scan.Copies[f.Hash] {
			out.Copies = append(out.Copies, copyOf{c, f.Path})
		}
		if f.Fresh {
			fresh = append(fresh, record.Sighting{Path: f.Path, Size: f.Size, MTime: f.MTime, Hash: f.Hash})
		}
	}
	if len(scan.Files)+len(scan.Faults) == 0 {
		return nil, fmt.Errorf("there are no photos in %s (%s looked at): check the folder", strings.Join(folders, ", "), plural(scan.Seen, "file"))
	}
	root, err := filepath.Abs(store.Dir())
	if err != nil {
		return nil, err
	}
	var add []record.PhotoFacts
	for _, f := range scan.Files {
		if _, ok := snap.Photo(f.Hash); ok {
			continue
		}
		head, err := readFile(f.Path, maxPhotoBytes)
		if err != nil {
			out.Faults = append(out.Faults, intake.Fault{Path: f.Path, Text: err.Error()})
			delete(paths, f.Hash)
			continue
		}
		facts := photoFacts(f, intake.ReadFacts(f.Path, head), root, scan.Copies[f.Hash])
		if was, ok := snap.Photo(seen[f.Path].Hash); ok && sameShot(was, facts) {
			out.Faults = append(out.Faults, intake.Fault{Path: f.Path, Text: otherBytes})
			delete(paths, f.Hash)
			fresh = slices.DeleteFunc(fresh, func(s record.Sighting) bool { return s.Path == f.Path }) // to be noticed again by the next run
			continue
		}
		add = append(add, facts)
		if a.ctx.Err() != nil {
			return nil, a.ctx.Err()
		}
	}
	out.Photos, out.New = len(paths), len(add)
	if len(add)+len(fresh) == 0 {
		return paths, nil
	}
	_, err = store.Write(a.ctx, "photos", strings.Join(folders, " "), func(tx *record.Tx) error {
		for _, p := range add {
			if err := tx.AddPhoto(p); err != nil {
				return err
			}
		}
		return tx.Saw(fresh...)
	})
	return paths, err
}

// photoFacts carries what intake found to the record. A path inside the trial
// folder is kept relative to it, so that the folder can be moved.
func photoFacts(f intake.File, facts intake.Facts, root string, copies []string) record.PhotoFacts {
	p := record.PhotoFacts{Hash: f.Hash, Path: f.Path, Bytes: f.Size, Format: string(facts.Format), Taken: facts.Taken,
		NameDate: facts.NameDate.String(), Camera: facts.Camera, Lat: facts.Lat, Lon: facts.Lon, Notes: facts.Notes, Copies: copies}
	if facts.Taken != "" {
		p.TakenBasis = "exif"
	}
	p.Path = insideOr(root, f.Path)
	return p
}

// storeEvery is how many measured photos, or how much time, pass between two
// writes: a killed run loses no more than this, and it is simply measured
// again.
const (
	storeEvery = 24
	storeAfter = 2 * time.Second
)

// measureNew measures every photo at hand that has no measurement under the
// present settings and guide.
func (a *app) measureNew(store *record.Store, snap *record.Snapshot, paths map[string]string, opt vision.Options, f photosFlags, out *photosOutcome) error {
	var jobs []photoJob
	var wanted []record.Measurement
	fingerprint := opt.Fingerprint()
	for i := range snap.Photos {
		p := &snap.Photos[i]
		path, here := paths[p.Hash]
		if !here {
			continue
		}
		steer, o, err := guideOf(snap, p.Hash, opt)
		if err != nil {
			return err
		}
		if p.MeasurementID != 0 && p.Fingerprint == fingerprint && p.Guide == steer && !mayPass(p.Fault) {
			continue
		}
		jobs = append(jobs, photoJob{Path: path, Hash: p.Hash, Options: o})
		wanted = append(wanted, record.Measurement{Hash: p.Hash, Fingerprint: fingerprint, Guide: steer})
	}
	if len(jobs) == 0 {
		return nil
	}
	bar := a.progress(len(jobs), "measuring")
	var batch []record.Measurement
	last := time.Now()
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		// The write is not cut short by Ctrl-C: what is finished is kept.
		_, err := store.Write(context.WithoutCancel(a.ctx), "photos", "measured", func(tx *record.Tx) error {
			for _, m := range batch {
				if _, err := tx.AddMeasurement(m); err != nil {
					return err
				}
			}
			return nil
		})
		if err == nil {
			out.Measured += len(batch)
			bar.Add(len(batch))
			batch, last = batch[:0], time.Now()
		}
		return err
	}
	err := a.measureAll(a.ctx, jobs, f.workers, f.limit, func(i int, r photoReply) error {
		m := wanted[i]
		if r.Gone { // not a word about the photo: the next run measures it
			out.Faults = append(out.Faults, intake.Fault{Path: jobs[i].Path, Text: r.Fault})
			return nil
		}
		if err := fillMeasurement(&m, r); err != nil {
			return err
		}
		batch = append(batch, m)
		if len(batch) >= storeEvery || time.Since(last) > storeAfter {
			return flush()
		}
		return nil
	})
	bar.Finish()
	return errors.Join(err, flush())
}

// fillMeasurement fills a row of the record from a worker's reply.
func fillMeasurement(m *record.Measurement, r photoReply) (err error) {
	if m.Fault = r.Fault; r.Measurement == nil {
		if r.Card != "" {
			m.Doc, err = measurementDoc(vision.Measurement{Card: r.Card, Index: vision.DefaultOptions().Index})
		}
		return err
	}
	if m.Doc, err = measurementDoc(*r.Measurement); err != nil {
		return err
	}
	if m.Curve, err = r.Measurement.Curve.MarshalBinary(); err != nil {
		return err
	}
	if r.Measurement.Plane != nil {
		m.Plane, err = r.Measurement.Plane.MarshalBinary()
	}
	return err
}

// summarise counts how the photos of this run stand.
func summarise(snap *record.Snapshot, paths map[string]string, out *photosOutcome) {
	out.Threshold = snap.Thresholds
	out.Open = []question{}
	if out.Copies == nil {
		out.Copies = []copyOf{}
	}
	out.Twins = append([]copyOf{}, twins(snap)...)
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if _, here := paths[p.Hash]; !here {
			continue
		}
		name := filepath.Base(p.Path)
		switch {
		case p.Rejected != "":
		case p.Fault != "":
			out.Faults = append(out.Faults, intake.Fault{Path: p.Path, Text: p.Fault})
		case p.Place.Spare != "":
			out.Spare++
		case p.Place.State != record.PlaceSettled:
			out.Open = append(out.Open, question{name, p.Hash, p.Place.Reason})
		default:
			out.Placed[p.Place.Basis]++
		}
	}
}

// tellFaults names every photo with a fault, and each way out once.
func (a *app) tellFaults(faults []intake.Fault) {
	var ways []string
	for _, x := range faults {
		fact, way, ok := strings.Cut(x.Text, "; ")
		a.note("%s: %s", x.Path, fact)
		if ok && !slices.Contains(ways, way) {
			ways = append(ways, way)
		}
	}
	for _, w := range ways {
		a.note("  what to do: %s", w)
	}
}

func (a *app) tellPhotos(o photosOutcome, asJSON bool) error {
	for _, c := range o.Copies {
		a.note("%s has the same content as %s and is used once", c.File, c.Of)
	}
	for _, c := range o.Twins {
		a.note("%s", c.tellTwin())
	}
	a.tellFaults(o.Faults)
	if asJSON {
		if err := a.writeJSON(o); err != nil {
			return err
		}
	} else {
		if len(o.Parts) > 0 {
			fmt.Fprintf(a.out, "%s in %s, %d new, %d measurements folded in\n", plural(o.Photos, "photo"), plural(len(o.Parts), "part"), o.New, o.Measured)
		} else {
			fmt.Fprintf(a.out, "%s in the folders, %d new, %d measured now", plural(o.Photos, "photo"), o.New, o.Measured)
			if o.Ignored > 0 {
				fmt.Fprintf(a.out, "; %s ignored", plural(o.Ignored, "non-photo file"))
			}
			fmt.Fprintln(a.out)
		}
		words := map[string]string{intake.ByCard: "by its plot card", intake.BySheet: "by your sheet", intake.ByName: "by its name", intake.ByHand: "by what you said"}
		for _, basis := range []string{intake.ByCard, intake.BySheet, intake.ByName, intake.ByHand} {
			if n := o.Placed[basis]; n > 0 {
				fmt.Fprintf(a.out, "  %s placed %s\n", plural(n, "photo"), words[basis])
			}
		}
		if o.Spare > 0 {
			fmt.Fprintf(a.out, "  %s kept as spare: a better one of the same quadrat is used\n", plural(o.Spare, "photo"))
		}
		for _, v := range slices.Sorted(maps.Keys(o.Threshold)) {
			if v > 0 {
				fmt.Fprintf(a.out, "  visit %d: threshold %.4g (%s)\n", v, o.Threshold[v].Value, o.Threshold[v].Basis)
			}
		}
		if len(o.Open) > 0 {
			fmt.Fprintf(a.out, "\n%s for you (`quadtally settle PHOTO --plot P --quadrat N --visit V`, --yes or --reject \"why\"):\n", plural(len(o.Open), "question"))
			for i, q := range o.Open {
				if i == 20 {
					fmt.Fprintf(a.out, "  and %d more: `quadtally status --all` names them\n", len(o.Open)-i)
					break
				}
				fmt.Fprintf(a.out, "  %s: %s\n", q.Photo, q.Text)
			}
		}
	}
	if n := len(o.Faults) + len(o.Missing); n > 0 {
		return partly{n}
	}
	return nil
}
