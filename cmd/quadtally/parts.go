package main

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/partfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// partOutcome is what a run of `photos --part` did and found.
type partOutcome struct {
	Part     string         `json:"part"`
	File     string         `json:"file"`
	Photos   int            `json:"photos"`
	Measured int            `json:"measured"`
	Faults   []intake.Fault `json:"faults"`
	Settings string         `json:"settings"`
	Finished bool           `json:"finished"`
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
	folder, err := filepath.Abs(folders[0])
	if err != nil {
		return err
	}
	if info, err := os.Stat(folder); err != nil || !info.IsDir() {
		return fmt.Errorf("%s is no folder: check the spelling, or plug the phone or card in again", folders[0])
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
	header, opt, err := a.partHeader(store, snap, folder, part, f)
	if err != nil {
		return err
	}
	bar := a.progress(-1, "looking through the folder")
	scan, err := intake.WalkPart(a.ctx, []string{folder}, part, nil, func(int) { bar.Add(1) })
	bar.Finish()
	if err != nil {
		return err
	}
	out := partOutcome{Part: part.String(), File: f.out, Settings: header.Fingerprint, Faults: scan.Faults}
	if out.File == "" {
		out.File = fmt.Sprintf("part-%d-of-%d.jsonl", part.K, part.N)
	}
	if out.Faults == nil {
		out.Faults = []intake.Fault{}
	}
	if err := a.measurePart(snap, scan, folder, header, opt, f, &out); err != nil {
		return err
	}
	return a.tellPart(out, f.json)
}

func (a *app) partHeader(store *record.Store, snap *record.Snapshot, folder string, part intake.Part, f photosFlags) (h partfile.Header, opt vision.Options, err error) {
	s, err := decidedSettings(snap)
	if err == nil {
		s, err = s.with(f)
	}
	if err != nil {
		return h, opt, err
	}
	if opt, err = s.options(snap); err != nil {
		return h, opt, err
	}
	begun, err := a.begun(store)
	if err != nil {
		return h, opt, err
	}
	given, err := json.Marshal(s)
	if err != nil {
		return h, opt, err
	}
	root, err := filepath.Abs(store.Dir())
	if err != nil {
		return h, opt, err
	}
	return partfile.Header{Trial: snap.Trial.Tag, Begun: begun, Fingerprint: opt.Fingerprint(), Settings: given,
		Folder: insideOr(root, folder), Part: part}, opt, nil
}

// begun is when the record was begun. With the trial's tag it tells this trial
// from every other; copies of the record share it.
func (a *app) begun(store *record.Store) (string, error) {
	entries, err := store.Entries(a.ctx)
	if err != nil || len(entries) == 0 {
		return "", err
	}
	return entries[0].At.UTC().Format(time.RFC3339), nil
}

// insideOr is a path relative to root where it lies inside, else the path.
func insideOr(root, path string) string {
	if rel, err := filepath.Rel(root, path); err == nil && filepath.IsLocal(rel) {
		return rel
	}
	return path
}

// measurePart measures the photos of a part that its file does not hold yet.
func (a *app) measurePart(snap *record.Snapshot, scan intake.Scan, folder string, h partfile.Header, opt vision.Options, f photosFlags, out *partOutcome) error {
	have := map[string]string{} // hash: guide it was measured with
	file, was, err := partfile.Open(out.File, h, func(p partfile.Photo) error {
		if mayPass(p.Fault) {
			return nil
		}
		have[p.Facts.Hash] = p.Guide
		if p.Fault != "" {
			out.Faults = append(out.Faults, intake.Fault{Path: filepath.Join(folder, filepath.FromSlash(p.Path)), Text: p.Fault})
		}
		return nil
	})
	if err != nil {
		return err
	}
	defer file.Close()
	out.Photos = len(scan.Files)
	inside := func(path string) string {
		rel, _ := filepath.Rel(folder, path) // both come from one walk
		return filepath.ToSlash(rel)
	}
	var jobs []photoJob
	var wanted []partfile.Photo
	for _, s := range scan.Files {
		steer, o, err := guideOf(snap, s.Hash, opt)
		if err != nil {
			return err
		}
		if g, done := have[s.Hash]; done && g == steer {
			continue
		}
		p := partfile.Photo{Path: inside(s.Path), Facts: record.PhotoFacts{Hash: s.Hash, Bytes: s.Size}, Guide: steer}
		for _, c := range scan.Copies[s.Hash] {
			p.Copies = append(p.Copies, inside(c))
		}
		jobs = append(jobs, photoJob{Path: s.Path, Hash: s.Hash, Options: o})
		wanted = append(wanted, p)
	}
	gone := 0
	bar := a.progress(len(jobs), "measuring")
	last := time.Now()
	err = a.measureAll(a.ctx, jobs, f.workers, f.limit, func(i int, r photoReply) error {
		bar.Add(1)
		p := wanted[i]
		if r.Fault != "" {
			out.Faults = append(out.Faults, intake.Fault{Path: jobs[i].Path, Text: r.Fault})
		}
		if r.Gone {
			gone++
			return nil
		}
		p.Facts = photoFacts(intake.File{Hash: p.Facts.Hash, Size: p.Facts.Bytes}, r.Facts, folder, nil)
		m := record.Measurement{}
		if err := fillMeasurement(&m, r); err != nil {
			return err
		}
		p.Fault, p.Doc, p.Curve, p.Plane = m.Fault, m.Doc, m.Curve, m.Plane
		out.Measured++
		if err := file.Add(p); err != nil {
			return err
		}
		if time.Since(last) > storeAfter {
			last = time.Now()
			return file.Sync()
		}
		return nil
	})
	bar.Finish()
	if err != nil {
		return err
	}
	if out.Finished = gone == 0; !out.Finished {
		return nil // photos that could not be reached wait for the next run
	}
	if out.Measured == 0 && was.Finished() {
		return nil
	}
	return file.End(partfile.End{Photos: was.Photos + out.Measured, Unusable: scan.Faults})
}

func (a *app) tellPart(o partOutcome, asJSON bool) error {
	a.tellFaults(o.Faults)
	if asJSON {
		if err := a.writeJSON(o); err != nil {
			return err
		}
	} else {
		fmt.Fprintf(a.out, "part %s: %s, %d measured now, in %s\n", o.Part, plural(o.Photos, "photo"), o.Measured, o.File)
		if !o.Finished {
			fmt.Fprintln(a.out, "not finished: run it again once every photo can be reached")
		}
	}
	if len(o.Faults) > 0 {
		return partly{len(o.Faults)}
	}
	return nil
}

type mergeFlags struct {
	photos, sheet string
	json          bool
}

func mergeCommand(a *app) *cobra.Command {
	var f mergeFlags
	c := &cobra.Command{
		Use:   "merge FILE...",
		Short: "Fold parts measured on other machines into the trial",
		Long: `Folds the files that ` + "`quadtally photos --part`" + ` wrote into the trial, in any order
and as often as you like: what is in the record already is not added again. Then
it works out which quadrat each photo shows and settles one threshold for each
visit from all its photos, exactly as one run of ` + "`quadtally photos`" + ` would.

Files of another trial, or measured with other settings, are refused before
anything is stored. Parts that are missing or were not measured to their end are
named; the others are folded in all the same.

The photos are taken to lie where the parts were measured; --photos says where
they lie on this machine.

` + exitHelp,
		Example: `  quadtally merge part-*.jsonl
  quadtally merge results/*.jsonl --photos ~/leeks/photos`,
		Args: takes(1, -1, "at least one part file"),
		RunE: func(cmd *cobra.Command, args []string) error { return a.merge(args, f) },
	}
	fl := c.Flags()
	fl.StringVar(&f.photos, "photos", "", "the `folder` of photos on this machine")
	fl.StringVar(&f.sheet, "sheet", "", "a CSV or XLSX `file` saying which photo is which: columns photo, plot, quadrat, visit")
	fl.BoolVar(&f.json, "json", false, "the outcome as JSON")
	return c
}

// givenPart is one file handed to `merge`.
type givenPart struct {
	path string
	partfile.Contents
}

func (a *app) merge(files []string, f mergeFlags) error {
	store, err := a.openToWrite()
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	out := photosOutcome{Placed: map[string]int{}, Faults: []intake.Fault{}}
	photos, parts, err := a.readParts(store, files, f, &out)
	if err != nil {
		return err
	}
	if err := a.checkParts(store, snap, parts); err != nil {
		return err
	}
	var sheet map[string]intake.Spot
	if f.sheet != "" {
		if sheet, err = a.readPhotoSheet(f.sheet); err != nil {
			return err
		}
	}
	opt, err := a.takeSettings(store, &snap, parts)
	if err != nil {
		return err
	}
	out.Settings = opt.Fingerprint()
	if err := a.foldIn(store, snap, photos, parts, &out); err != nil {
		return err
	}
	if err := a.identify(store, sheet); err != nil {
		return err
	}
	if snap, err = a.settleVisits(store, opt); err != nil {
		return err
	}
	paths := make(map[string]string, len(photos))
	for hash, p := range photos {
		paths[hash] = p.Path
		for _, c := range p.Copies {
			out.Copies = append(out.Copies, copyOf{c, p.Path})
		}
	}
	slices.SortFunc(out.Copies, func(x, y copyOf) int { return strings.Compare(x.File, y.File) })
	out.Photos = len(photos)
	a.missingParts(parts, &out)
	summarise(snap, paths, &out)
	return a.tellPhotos(out, f.json)
}

// readParts goes once through all files. It returns the facts of every photo
// in them by content: of several paths with the same content the first one
// counts, as in a walk over the whole folder.
func (a *app) readParts(store *record.Store, files []string, f mergeFlags, out *photosOutcome) (map[string]*record.PhotoFacts, []givenPart, error) {
	root, err := filepath.Abs(store.Dir())
	if err != nil {
		return nil, nil, err
	}
	here := ""
	if f.photos != "" {
		if here, err = filepath.Abs(f.photos); err != nil {
			return nil, nil, err
		}
	}
	type whole struct {
		facts record.PhotoFacts
		at    string // the path the facts were read for
		all   []string
	}
	found := map[string]*whole{}
	var parts []givenPart
	unusable := map[intake.Fault]bool{}
	for _, path := range files {
		if a.ctx.Err() != nil {
			return nil, nil, a.ctx.Err()
		}
		var list []partfile.Photo
		c, err := partfile.ReadFile(path, func(p partfile.Photo) error {
			p.Doc, p.Curve, p.Plane = nil, nil, nil
			list = append(list, p)
			return nil
		})
		if err != nil {
			return nil, nil, err
		}
		folder := here
		if folder == "" {
			if folder = c.Header.Folder; !filepath.IsAbs(folder) {
				folder = filepath.Join(root, folder)
			}
		}
		for _, p := range list {
			at := filepath.Join(folder, filepath.FromSlash(p.Path))
			w := found[p.Facts.Hash]
			if w == nil {
				w = &whole{}
				found[p.Facts.Hash] = w
			}
			if w.at == "" || at < w.at {
				w.facts, w.at = p.Facts, at
			}
			w.all = append(w.all, at)
			for _, other := range p.Copies {
				w.all = append(w.all, filepath.Join(folder, filepath.FromSlash(other)))
			}
		}
		if c.End != nil {
			for _, x := range c.End.Unusable {
				if !unusable[x] {
					unusable[x] = true
					out.Faults = append(out.Faults, x)
				}
			}
		}
		parts = append(parts, givenPart{path, c})
	}
	photos := make(map[string]*record.PhotoFacts, len(found))
	for hash, w := range found {
		slices.Sort(w.all)
		w.facts.Path, w.facts.Copies = insideOr(root, w.at), slices.Compact(w.all)[1:]
		if len(w.facts.Copies) == 0 {
			w.facts.Copies = nil
		}
		photos[hash] = &w.facts
	}
	return photos, parts, nil
}

// checkParts refuses what does not belong together, before anything is stored.
func (a *app) checkParts(store *record.Store, snap *record.Snapshot, parts []givenPart) error {
	begun, err := a.begun(store)
	if err != nil {
		return err
	}
	first := parts[0]
	of := map[string]givenPart{}
	for _, p := range parts {
		h := p.Header
		if h.Trial != snap.Trial.Tag || h.Begun != begun {
			return fmt.Errorf("%s belongs to another trial (%s, begun %s; this one is %s, begun %s): nothing was stored", p.path, h.Trial, h.Begun, snap.Trial.Tag, begun)
		}
		if h.Fingerprint != first.Header.Fingerprint {
			return fmt.Errorf("%s and %s were measured with different settings (%s and %s): nothing was stored; measure all parts with the same quadtally and the same settings", first.path, p.path, first.Header.Fingerprint, h.Fingerprint)
		}
		if other, ok := of[h.Folder]; ok && other.Header.N != h.N {
			return fmt.Errorf("%s is part %s and %s is part %s of the same folder: nothing was stored; take parts of one division", other.path, other.Header.Part, p.path, h.Part)
		}
		of[h.Folder] = p
	}
	return nil
}

// takeSettings gives a trial without any measurement the settings its parts
// were measured with; otherwise they must be the trial's.
func (a *app) takeSettings(store *record.Store, snap **record.Snapshot, parts []givenPart) (vision.Options, error) {
	opt, err := visionOptions(*snap)
	if err != nil {
		return opt, err
	}
	h := parts[0].Header
	if opt.Fingerprint() == h.Fingerprint {
		return opt, nil
	}
	s, err := unmarshal[settings](h.Settings)
	if err != nil {
		return opt, fmt.Errorf("%s: its settings cannot be read: %w", parts[0].path, err)
	}
	if opt, err = s.options(*snap); err != nil {
		return opt, err
	}
	if opt.Fingerprint() != h.Fingerprint {
		return opt, fmt.Errorf("%s was measured by another version of quadtally or under another plan (settings %s, here %s): nothing was stored; use the same quadtally and the same record everywhere", parts[0].path, h.Fingerprint, opt.Fingerprint())
	}
	for i := range (*snap).Photos {
		if (*snap).Photos[i].MeasurementID != 0 {
			return opt, fmt.Errorf("%s was measured with other settings (%s) than the photos in the trial: nothing was stored; measure the parts anew without --no-frame and --index", parts[0].path, h.Settings)
		}
	}
	_, err = store.Write(a.ctx, "merge", "settings", func(tx *record.Tx) error {
		_, err := tx.Decide("trial", record.KindSettings, s)
		return err
	})
	if err == nil {
		*snap, err = store.Snapshot(a.ctx)
	}
	return opt, err
}

// foldIn stores the facts and measurements that the record does not hold yet.
func (a *app) foldIn(store *record.Store, snap *record.Snapshot, photos map[string]*record.PhotoFacts, parts []givenPart, out *photosOutcome) error {
	var add []*record.PhotoFacts
	for _, hash := range slices.Sorted(maps.Keys(photos)) {
		if _, known := snap.Photo(hash); !known {
			add = append(add, photos[hash])
		}
	}
	if out.New = len(add); out.New > 0 {
		_, err := store.Write(a.ctx, "merge", "photos", func(tx *record.Tx) error {
			for _, p := range add {
				if err := tx.AddPhoto(*p); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	type state struct{ guide, fault string }
	have := map[string]state{}
	fingerprint := parts[0].Header.Fingerprint
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.MeasurementID != 0 && p.Fingerprint == fingerprint {
			have[p.Hash] = state{p.Guide, p.Fault}
		}
	}
	for _, part := range parts {
		var batch []record.Measurement
		flush := func() error {
			if len(batch) == 0 {
				return nil
			}
			_, err := store.Write(context.WithoutCancel(a.ctx), "merge", "part "+part.Header.Part.String(), func(tx *record.Tx) error {
				for _, m := range batch {
					if _, err := tx.AddMeasurement(m); err != nil {
						return err
					}
				}
				return nil
			})
			out.Measured += len(batch)
			batch = batch[:0]
			return err
		}
		_, err := partfile.ReadFile(part.path, func(p partfile.Photo) error {
			if a.ctx.Err() != nil {
				return a.ctx.Err()
			}
			hash := p.Facts.Hash
			guide, _, err := guideOf(snap, hash, vision.Options{})
			if err != nil {
				return err
			}
			if guide != p.Guide {
				out.Faults = append(out.Faults, intake.Fault{Path: photos[hash].Path, Text: "its corners or areas were changed since the part was measured: run the part again"})
				return nil
			}
			was, known := have[hash]
			if known && was.guide == guide && (was.fault == "" || was.fault == p.Fault || mayPass(p.Fault)) {
				return nil
			}
			m := record.Measurement{Hash: hash, Fingerprint: fingerprint, Guide: p.Guide, Fault: p.Fault, Doc: p.Doc, Curve: p.Curve, Plane: p.Plane}
			if p.Fault == "" {
				if _, err := loadMeasurement(m); err != nil {
					return fmt.Errorf("photo %s: %w", p.Path, err)
				}
			}
			have[hash] = state{guide, p.Fault}
			if batch = append(batch, m); len(batch) >= storeEvery {
				return flush()
			}
			return nil
		})
		if err == nil {
			err = flush()
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// missingParts names the parts that were not given or are not finished.
func (a *app) missingParts(parts []givenPart, out *photosOutcome) {
	byFolder := map[string][]givenPart{}
	for _, p := range parts {
		byFolder[p.Header.Folder] = append(byFolder[p.Header.Folder], p)
	}
	for _, folder := range slices.Sorted(maps.Keys(byFolder)) {
		list := byFolder[folder]
		given, finished := map[int]givenPart{}, map[int]bool{}
		for _, p := range list {
			given[p.Header.K] = p
			finished[p.Header.K] = finished[p.Header.K] || p.Finished()
		}
		n := list[0].Header.N
		var absent []string
		for k := 1; k <= n; k++ {
			part := intake.Part{K: k, N: n}.String()
			switch p, ok := given[k]; {
			case !ok:
				absent = append(absent, part)
				out.Missing = append(out.Missing, part)
			case !finished[k]:
				a.note("%s: part %s was not measured to its end (%s in it): run the part again, then merge again", p.path, part, plural(p.Photos, "photo"))
				out.Missing = append(out.Missing, part)
				fallthrough
			default:
				out.Parts = append(out.Parts, part)
			}
		}
		if len(absent) > 0 {
			a.note("%d of %d parts of %s were not given: %s", len(absent), n, folder, strings.Join(absent, ", "))
		}
	}
}
