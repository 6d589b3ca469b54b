package season

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
)

// This file compares photo files with what was taken in. A photo is its bytes:
// a file with others is not the photo any more, whatever it is called.

// maxPhotoBytes is the largest photo file that is read at all.
const maxPhotoBytes = 256 << 20

// otherBytes is the fault of a file that does not hold what was taken in.
const otherBytes = "holds other bytes than when it was taken in: it was damaged or edited since; copy the original again from the phone, or give this one a name of its own where it is the right one"

func fileName(path string) string { return filepath.Base(path) }

// readPhoto reads a photo file, however it is coded.
func readPhoto(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%s: there is no such file: check the spelling", path)
	}
	if info.Size() > maxPhotoBytes {
		return nil, fmt.Errorf("%s is larger than %d MB", path, maxPhotoBytes>>20)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: check the permissions (%w)", path, err)
	}
	return b, nil
}

// readUnchanged reads a photo file and reports whether its bytes are those
// that were taken in under a hash.
func readUnchanged(path, hash string) (photo []byte, unchanged bool, err error) {
	if photo, err = readPhoto(path); err != nil {
		return nil, false, err
	}
	sum := sha256.Sum256(photo)
	return photo, hex.EncodeToString(sum[:]) == hash, nil
}

// Original finds the file of a photo, by its path or by where its bytes were
// seen last, and reads it.
func (s *Season) Original(ctx context.Context, p *record.Photo) (path string, photo []byte, err error) {
	path = s.pathOf(p)
	if b, unchanged, _ := readUnchanged(path, p.Hash); unchanged {
		return path, b, nil
	}
	seen, err := s.seenAt(ctx)
	if err != nil {
		return "", nil, err
	}
	for _, other := range seen[p.Hash] {
		if b, unchanged, _ := readUnchanged(other, p.Hash); unchanged {
			return other, b, nil
		}
	}
	return "", nil, fmt.Errorf("%s is not where it was, or its content changed: bring it back, or run `quadtally photos` on the folder it is in now", p.Path)
}

func (s *Season) pathOf(p *record.Photo) string {
	path := intake.PathOfText(p.Path)
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(s.store.Dir(), path)
}

// seenAt lists by hash the paths at which its bytes were seen, in order.
func (s *Season) seenAt(ctx context.Context) (map[string][]string, error) {
	seen, err := s.store.Sightings(ctx)
	if err != nil {
		return nil, err
	}
	out := map[string][]string{}
	for path, v := range seen {
		out[v.Hash] = append(out[v.Hash], intake.PathOfText(path))
	}
	for _, list := range out {
		slices.Sort(list)
	}
	return out, nil
}

// replacesMeasured reports that a file with new content claims to be the photo
// that was measured from it: by the camera's time, or where it has none now,
// by its path alone. Another photo under a used name has another time; and one
// that could not be read or was set aside may well be copied again.
func replacesMeasured(was *record.Photo, now record.PhotoFacts) bool {
	return was.Fault == "" && was.Rejected == "" && (now.Taken == was.Taken || now.Taken == "")
}

// DifferentVersions names photos that have one file name and one camera time
// but not the same bytes: one of them is a damaged or edited copy, and no
// format tells which. Photos set aside and photos that could not be read are
// left out.
func DifferentVersions(snap *record.Snapshot) []Copy {
	type shot struct{ name, taken string }
	first := map[shot]*record.Photo{}
	out := []Copy{}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if p.Taken == "" || p.Rejected != "" || p.Fault != "" {
			continue
		}
		k := shot{strings.ToLower(fileName(p.Path)), p.Taken}
		if was, ok := first[k]; ok {
			out = append(out, Copy{p.Path, was.Path})
			continue
		}
		first[k] = p
	}
	return out
}

// FileCheck is what came of reading every photo file again.
type FileCheck struct {
	Sound   int        `json:"sound"`
	Changed []Question `json:"changed"` // there, and not what was taken in
	Gone    []string   `json:"gone"`    // not where they were
}

// CheckFiles checks the record itself and reads the file of every photo again.
func (s *Season) CheckFiles(ctx context.Context, snap *record.Snapshot) (*FileCheck, error) {
	if err := s.store.Check(); err != nil {
		return nil, err
	}
	seen, err := s.seenAt(ctx)
	if err != nil {
		return nil, err
	}
	out := &FileCheck{Changed: []Question{}, Gone: []string{}}
	bar := s.opt.begin(len(snap.Photos), "reading the photos again")
	defer bar.Finish()
	for i := range snap.Photos {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		bar.Add(1)
		p := &snap.Photos[i]
		sound, changed := false, ""
		for _, path := range append([]string{s.pathOf(p)}, seen[p.Hash]...) {
			_, unchanged, err := readUnchanged(path, p.Hash)
			if sound = unchanged; sound {
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
			out.Changed = append(out.Changed, Question{changed, p.Hash, otherBytes})
		default:
			out.Gone = append(out.Gone, p.Path)
		}
	}
	return out, nil
}

// Wrong counts the files that hold other bytes or are gone; a nil check found
// none.
func (f *FileCheck) Wrong() int {
	if f == nil {
		return 0
	}
	return len(f.Changed) + len(f.Gone)
}
