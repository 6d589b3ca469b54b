package main

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
)

// This file holds photo files against what was taken in. A photo is its bytes:
// a file that holds others is not the photo any more, whatever it is called.

// holds reads a file and tells whether its bytes are those of a hash.
func holds(path, hash string) (b []byte, same bool, err error) {
	if b, err = readFile(path, maxPhotoBytes); err != nil {
		return nil, false, err
	}
	sum := sha256.Sum256(b)
	return b, hex.EncodeToString(sum[:]) == hash, nil
}

// otherBytes is the fault of a file that does not hold what was taken in.
const otherBytes = "holds other bytes than when it was taken in: it was damaged or edited since; copy the original again from the phone, or give this one a name of its own where it is the right one"

// sameShot reports that a file with new content claims to be the photo that
// was measured from it: by the camera's time, or where it has none now, by its
// path alone. Another photo under a used name has another time; and one that
// could not be read or was set aside may well be copied again.
func sameShot(was *record.Photo, now record.PhotoFacts) bool {
	return was.Fault == "" && was.Rejected == "" && (now.Taken == was.Taken || now.Taken == "")
}

// twins names photos that have one file name and one camera time but not the
// same bytes: one of them is a damaged or edited copy, and no format tells
// which. Photos set aside and photos that could not be read are left out.
func twins(snap *record.Snapshot) []copyOf {
	type shot struct{ name, taken string }
	first := map[shot]*record.Photo{}
	var out []copyOf
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.Taken == "" || p.Rejected != "" || p.Fault != "" {
			continue
		}
		k := shot{strings.ToLower(filepath.Base(p.Path)), p.Taken}
		if was, ok := first[k]; ok {
			out = append(out, copyOf{p.Path, was.Path})
			continue
		}
		first[k] = p
	}
	return out
}

func (c copyOf) tellTwin() string {
	return fmt.Sprintf("%s and %s have the same name and time but not the same bytes: one is damaged or edited; look at both and set one aside (`quadtally settle PHOTO --reject \"why\"`)", c.File, c.Of)
}

// fileCheck is what came of reading every photo file again.
type fileCheck struct {
	Sound   int        `json:"sound"`
	Changed []question `json:"changed"` // there, and not what was taken in
	Gone    []string   `json:"gone"`    // not where they were
}

// checkFiles checks the record itself and reads the file of every photo again.
func (a *app) checkFiles(store *record.Store, snap *record.Snapshot) (*fileCheck, error) {
	if err := store.Check(); err != nil {
		return nil, err
	}
	seen, err := store.Sightings(a.ctx)
	if err != nil {
		return nil, err
	}
	lies := map[string][]string{} // hash: where its bytes were seen
	for path, s := range seen {
		lies[s.Hash] = append(lies[s.Hash], path)
	}
	out := &fileCheck{Changed: []question{}, Gone: []string{}}
	bar := a.progress(len(snap.Photos), "reading the photos again")
	defer bar.Finish()
	for i := range snap.Photos {
		if a.ctx.Err() != nil {
			return nil, a.ctx.Err()
		}
		bar.Add(1)
		p := &snap.Photos[i]
		path := p.Path
		if !filepath.IsAbs(path) {
			path = filepath.Join(store.Dir(), path)
		}
		slices.Sort(lies[p.Hash])
		sound, changed := false, ""
		for _, path := range append([]string{path}, lies[p.Hash]...) {
			_, same, err := holds(path, p.Hash)
			if sound = same; sound {
				break
			}
			if err == nil {
				changed = cmp.Or(changed, path)
			}
		}
		switch {
		case sound:
			out.Sound++
		case changed != "":
			out.Changed = append(out.Changed, question{changed, p.Hash, otherBytes})
		default:
			out.Gone = append(out.Gone, p.Path)
		}
	}
	return out, nil
}
