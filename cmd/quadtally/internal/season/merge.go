package season

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/partfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// PartOfFolder is a part file and what it holds.
type PartOfFolder struct {
	File, Part string
	Photos     int
}

// AbsentParts are the parts of a folder that were not given.
type AbsentParts struct {
	Folder string
	Of     int // parts of the folder
	Parts  []string
}

// givenPart is one file handed to Merge.
type givenPart struct {
	path string
	partfile.Contents
}

// Merge folds part files into the record, in any order and as often as one
// likes, and works out what follows. photosAt is the folder of photos on this
// machine, "" where it is that of the parts; sheet is as for Photos.
func (s *Season) Merge(ctx context.Context, snap *record.Snapshot, files []string, photosAt string, sheet []intake.SheetRow) (*Outcome, error) {
	out := newOutcome("")
	photos, parts, err := s.readParts(ctx, files, photosAt, out)
	if err != nil {
		return nil, err
	}
	begun, err := s.begun(ctx)
	if err != nil {
		return nil, err
	}
	if err := checkParts(snap.Trial.Tag, begun, parts); err != nil {
		return nil, err
	}
	opt, err := s.adoptSettings(ctx, &snap, parts)
	if err != nil {
		return nil, err
	}
	out.Settings = opt.Fingerprint()
	if err := s.addParts(ctx, snap, photos, parts, out); err != nil {
		return nil, err
	}
	if snap, err = s.workOut(ctx, sheet, opt, out); err != nil {
		return nil, err
	}
	paths := make(map[string]string, len(photos))
	for hash, p := range photos {
		paths[hash] = p.Path
		for _, c := range p.Copies {
			out.Copies = append(out.Copies, Copy{c, p.Path})
		}
	}
	slices.SortFunc(out.Copies, func(x, y Copy) int { return strings.Compare(x.File, y.File) })
	out.Photos = len(photos)
	out.nameParts(parts)
	out.summarise(snap, paths)
	return out, nil
}

// readParts goes once through all files. It returns the facts of every photo
// in them by content: of several paths with the same content the first one
// counts, as in a walk over the whole folder.
func (s *Season) readParts(ctx context.Context, files []string, photosAt string, out *Outcome) (map[string]*record.PhotoFacts, []givenPart, error) {
	root, err := filepath.Abs(s.store.Dir())
	if err != nil {
		return nil, nil, err
	}
	here := ""
	if photosAt != "" {
		if here, err = filepath.Abs(photosAt); err != nil {
			return nil, nil, err
		}
	}
	type gathered struct {
		facts record.PhotoFacts
		at    string // the path the facts were read for
		all   []string
	}
	found := map[string]*gathered{}
	var parts []givenPart
	unusable := map[intake.Fault]bool{}
	for _, path := range files {
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
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
			g := found[p.Facts.Hash]
			if g == nil {
				g = &gathered{}
				found[p.Facts.Hash] = g
			}
			if g.at == "" || at < g.at {
				g.facts, g.at = p.Facts, at
			}
			g.all = append(g.all, at)
			for _, other := range p.Copies {
				g.all = append(g.all, filepath.Join(folder, filepath.FromSlash(other)))
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
	for hash, g := range found {
		slices.Sort(g.all)
		g.facts.Path, g.facts.Copies = relativeInside(root, g.at), slices.Compact(g.all)[1:]
		if len(g.facts.Copies) == 0 {
			g.facts.Copies = nil
		}
		photos[hash] = &g.facts
	}
	return photos, parts, nil
}

// checkParts refuses what does not belong together, or not to the trial of
// this tag that was begun then, before anything is stored.
func checkParts(tag, begun string, parts []givenPart) error {
	first := parts[0]
	of := map[string]givenPart{}
	for _, p := range parts {
		h := p.Header
		if h.Trial != tag || h.Begun != begun {
			return fmt.Errorf("%s belongs to another trial (%s, begun %s; this one is %s, begun %s): nothing was stored", p.path, h.Trial, h.Begun, tag, begun)
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

// adoptSettings gives a trial without any measurement the settings its parts
// were measured with; otherwise they must be the trial's.
func (s *Season) adoptSettings(ctx context.Context, snap **record.Snapshot, parts []givenPart) (vision.Options, error) {
	opt, err := VisionOptions(*snap)
	if err != nil {
		return opt, err
	}
	h := parts[0].Header
	if opt.Fingerprint() == h.Fingerprint {
		return opt, nil
	}
	set, err := decode[Settings](h.Settings)
	if err != nil {
		return opt, fmt.Errorf("%s: its settings cannot be read: %w", parts[0].path, err)
	}
	if opt, err = set.VisionOptions(&(*snap).Trial); err != nil {
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
	_, err = s.store.WriteAs(ctx, record.EntryHand, "merge", "settings", func(tx *record.Tx) error {
		_, err := tx.Decide(TrialSubject, record.KindSettings, set)
		return err
	})
	if err == nil {
		*snap, err = s.store.Snapshot(ctx)
	}
	return opt, err
}

// measuredEnd is how the measuring of a photo ended.
type measuredEnd struct {
	guide string
	fault record.FaultCode
	looks bool // what the green looks like was kept
}

// replacedBy reports that a measurement from a part is to be stored beside
// what is known of the photo: what was drawn on it differs, or it ended
// otherwise than before, or looks are new. A good measurement is never followed by a fault, nor
// any by a fault that may pass.
func (was measuredEnd) replacedBy(now measuredEnd) bool {
	if was.guide != now.guide || was.fault == "" && now.looks && !was.looks {
		return true
	}
	return was.fault != "" && was.fault != now.fault && !now.fault.Transient()
}

// addParts stores the facts and measurements that the record does not hold yet.
func (s *Season) addParts(ctx context.Context, snap *record.Snapshot, photos map[string]*record.PhotoFacts, parts []givenPart, out *Outcome) error {
	var add []*record.PhotoFacts
	for _, hash := range slices.Sorted(maps.Keys(photos)) {
		if _, known := snap.Photo(hash); !known {
			add = append(add, photos[hash])
		}
	}
	if out.New = len(add); out.New > 0 {
		_, err := s.store.Write(ctx, "merge", "photos", func(tx *record.Tx) error {
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
	have := map[string]measuredEnd{}
	fingerprint := parts[0].Header.Fingerprint
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.MeasurementID != 0 && p.Fingerprint == fingerprint {
			have[p.Hash] = measuredEnd{p.Guide, p.FaultCode, p.HasLooks}
		}
	}
	for _, part := range parts {
		var batch []record.Measurement
		save := func() error {
			if len(batch) == 0 {
				return nil
			}
			err := s.addMeasurements(context.WithoutCancel(ctx), "merge", "part "+part.Header.Part.String(), batch)
			out.Measured += len(batch)
			batch = batch[:0]
			return err
		}
		_, err := partfile.ReadFile(part.path, func(p partfile.Photo) error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			hash := p.Facts.Hash
			guide, _, err := guided(snap, hash, vision.Options{})
			if err != nil {
				return err
			}
			if guide != p.Guide {
				out.Faults = append(out.Faults, intake.Fault{Path: photos[hash].Path, Text: "its corners or areas were changed since the part was measured: run the part again"})
				return nil
			}
			m := record.Measurement{Hash: hash, Fingerprint: fingerprint, Guide: p.Guide, Fault: p.Fault, FaultCode: p.FaultCode, Doc: p.Doc, Curve: p.Curve, Plane: p.Plane, Looks: p.Looks}
			end := measuredEnd{guide, m.FaultCode, m.Looks != nil}
			if was, known := have[hash]; known && !was.replacedBy(end) {
				return nil
			}
			if p.Fault == "" {
				if _, err := LoadMeasurement(m); err != nil {
					return fmt.Errorf("photo %s: %w", p.Path, err)
				}
			}
			have[hash] = end
			if batch = append(batch, m); len(batch) >= saveEvery {
				return save()
			}
			return nil
		})
		if err == nil {
			err = save()
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// nameParts says which parts of each folder were given, which are missing and
// which were not measured to their end.
func (out *Outcome) nameParts(parts []givenPart) {
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
		absent := AbsentParts{Folder: folder, Of: list[0].Header.N}
		for k := 1; k <= absent.Of; k++ {
			part := intake.Part{K: k, N: absent.Of}.String()
			p, ok := given[k]
			if !ok {
				absent.Parts = append(absent.Parts, part)
				out.Missing = append(out.Missing, part)
				continue
			}
			if !finished[k] {
				out.Unfinished = append(out.Unfinished, PartOfFolder{p.path, part, p.Photos})
				out.Missing = append(out.Missing, part)
			}
			out.Parts = append(out.Parts, part)
		}
		if len(absent.Parts) > 0 {
			out.Absent = append(out.Absent, absent)
		}
	}
}
