package season

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/outfile"
	"quadtally/cmd/quadtally/internal/record"
)

// NoPhotosError means that there is no photo in what was looked through.
type NoPhotosError struct {
	Paths []string
	Seen  int // files of any kind
}

func (e *NoPhotosError) Error() string {
	files := "files"
	if e.Seen == 1 {
		files = "file"
	}
	return fmt.Sprintf("there are no photos in %s (%d %s looked at): check the folder", strings.Join(e.Paths, ", "), e.Seen, files)
}

// takeIn scans folders and stores the facts of photos not seen before. It
// returns by hash where each photo lies now, and whether anything was stored.
func (s *Season) takeIn(ctx context.Context, snap *record.Snapshot, folders []string, out *Outcome) (paths map[string]string, stored bool, err error) {
	seen, err := s.store.Sightings(ctx)
	if err != nil {
		return nil, false, err
	}
	scan, err := s.scan(ctx, folders, seen)
	if err != nil {
		return nil, false, err
	}
	out.Files, out.Ignored, out.Skipped = scan.Seen, scan.IgnoredCount(), scan.Skipped
	out.Faults = append(out.Faults, scan.Faults...)
	paths = map[string]string{}
	var sightings []record.Sighting
	for _, f := range scan.Files {
		paths[f.Hash] = f.Path
		for _, c := range scan.Copies[f.Hash] {
			out.Copies = append(out.Copies, Copy{c, f.Path})
		}
		if f.Fresh {
			sightings = append(sightings, record.Sighting{Path: intake.PathText(f.Path), Size: f.Size, MTime: f.MTime, Hash: f.Hash})
		}
	}
	root, err := filepath.Abs(s.store.Dir())
	if err != nil {
		return nil, false, err
	}
	var add []record.PhotoFacts
	for _, f := range scan.Files {
		if _, known := snap.Photo(f.Hash); known {
			continue
		}
		photo, err := readPhoto(f.Path)
		if err != nil {
			out.Faults = append(out.Faults, intake.Fault{Path: f.Path, Text: err.Error()})
			delete(paths, f.Hash)
			continue
		}
		facts := photoFacts(f, intake.ReadFacts(f.Path, photo), root, scan.Copies[f.Hash])
		if was, ok := snap.Photo(seen[intake.PathText(f.Path)].Hash); ok && replacesMeasured(was, facts) {
			out.Faults = append(out.Faults, intake.Fault{Path: f.Path, Text: otherBytes})
			delete(paths, f.Hash)
			sightings = slices.DeleteFunc(sightings, func(v record.Sighting) bool { return v.Path == intake.PathText(f.Path) }) // to be noticed again by the next run
			continue
		}
		add = append(add, facts)
		if ctx.Err() != nil {
			return nil, false, ctx.Err()
		}
	}
	out.Photos, out.New = len(paths), len(add)
	renamed, err := s.followRenamed(ctx, snap, &scan, root, out)
	if err != nil || len(add)+len(sightings) == 0 {
		return paths, renamed, err
	}
	_, err = s.store.Write(ctx, "photos", intake.PathText(strings.Join(folders, " ")), func(tx *record.Tx) error {
		for _, p := range add {
			if err := tx.AddPhoto(p); err != nil {
				return err
			}
		}
		return tx.Saw(sightings...)
	})
	return paths, true, err
}

// followRenamed stores the new paths of photos that were renamed or moved and
// wait for their place or were placed by their name: the new name may say it.
// A photo whose new name tells no plot stays where its former name put it; the
// file is found by its bytes.
func (s *Season) followRenamed(ctx context.Context, snap *record.Snapshot, scan *intake.Scan, root string, out *Outcome) (stored bool, err error) {
	was := map[string]string{}
	byName := map[string]bool{}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		byName[p.Hash] = p.Place.State == record.PlaceKnown && p.Place.Basis == intake.ByName
		if p.Place.State != record.PlaceKnown || byName[p.Hash] {
			if was[p.Hash], err = filepath.Abs(s.pathOf(p)); err != nil {
				return false, err
			}
		}
	}
	moved := intake.Moved(was, scan, func(path, hash string) bool {
		_, unchanged, _ := readUnchanged(path, hash)
		return !unchanged
	})
	var names []string
	for hash, to := range moved {
		names = append(names, to, was[hash])
	}
	named := intake.InName(snap.Plots, names)
	for _, hash := range slices.Sorted(maps.Keys(moved)) {
		if !byName[hash] || named[moved[hash]] == named[was[hash]] {
			continue
		}
		r := Renamed{File: moved[hash], Was: was[hash], Stays: named[moved[hash]].Plot == ""}
		if out.Renamed = append(out.Renamed, r); r.Stays {
			delete(moved, hash)
		}
	}
	if len(moved) == 0 {
		return false, nil
	}
	_, err = s.store.WriteAs(ctx, record.EntryDerived, "photos", "renamed or moved", func(tx *record.Tx) error {
		for _, hash := range slices.Sorted(maps.Keys(moved)) {
			to := record.PhotoPath{Path: intake.PathText(relativeInside(root, moved[hash]))}
			if _, err := tx.Decide(record.PhotoSubject(hash), record.KindPath, to); err != nil {
				return err
			}
		}
		return nil
	})
	return err == nil, err
}

// scan looks through folders; files seen before and not changed since are not
// read again.
func (s *Season) scan(ctx context.Context, folders []string, seen map[string]record.Sighting) (intake.Scan, error) {
	known := make(map[string]intake.Known, len(seen))
	for path, v := range seen {
		known[intake.PathOfText(path)] = intake.Known{Size: v.Size, MTime: v.MTime, Hash: v.Hash}
	}
	abs := make([]string, len(folders))
	for i, f := range folders {
		var err error
		if abs[i], err = filepath.Abs(f); err != nil {
			return intake.Scan{}, err
		}
	}
	bar := s.opt.begin(-1, "looking through the folders")
	defer bar.Finish()
	scan, err := intake.Walk(ctx, abs, known, func(int) { bar.Add(1) })
	// Pictures of the report are no photos of the field.
	written := outfile.Written(s.store.Dir())
	scan.Files = slices.DeleteFunc(scan.Files, func(f intake.File) bool {
		if written(f.Hash) {
			scan.Ignored["a picture that quadtally wrote"]++
		}
		return written(f.Hash)
	})
	if err == nil && len(scan.Files)+len(scan.Faults) == 0 {
		err = &NoPhotosError{folders, scan.Seen}
	}
	return scan, err
}

// photoFacts is what intake found, as the record keeps it. A path inside the
// trial folder is kept relative to it, so that the folder can be moved.
func photoFacts(f intake.File, facts intake.Facts, root string, copies []string) record.PhotoFacts {
	copies = slices.Clone(copies)
	for i, c := range copies {
		copies[i] = intake.PathText(c)
	}
	p := record.PhotoFacts{Hash: f.Hash, Bytes: f.Size, Format: string(facts.Format), Taken: facts.Taken,
		NameDate: facts.NameDate.String(), Camera: facts.Camera, Serial: facts.Serial, Lat: facts.Lat, Lon: facts.Lon, Notes: facts.Notes, Copies: copies}
	if facts.Taken != "" {
		p.TakenBasis = "exif"
	}
	p.Path = intake.PathText(relativeInside(root, f.Path))
	return p
}

// relativeInside is a path relative to root where it lies inside, else the
// path as it is.
func relativeInside(root, path string) string {
	if rel, err := filepath.Rel(root, path); err == nil && filepath.IsLocal(rel) {
		return rel
	}
	return path
}
