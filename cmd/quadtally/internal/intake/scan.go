// Package intake takes a phone's photo folder as it is: it walks it, tells
// photos from everything else by their bytes, reads the facts a camera wrote,
// finds copies by content, and works out which quadrat each photo shows. It
// never changes, moves or deletes a file.
package intake

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// Format is a picture format, told by content.
type Format string

// The formats that can be measured.
const (
	JPEG Format = "jpeg"
	PNG  Format = "png"
	WebP Format = "webp"
	HEIC Format = "heic"
)

// headBytes is how much of a file Sniff needs.
const headBytes = 64

// heicBrands are the ISO base media brands of still pictures coded in HEVC
// (ISO/IEC 23008-12, annex B).
var heicBrands = []string{"heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1"}

// Sniff tells a picture's format from its first bytes; "" where it is none
// of ours.
func Sniff(head []byte) Format {
	switch {
	case bytes.HasPrefix(head, []byte{0xff, 0xd8, 0xff}):
		return JPEG
	case bytes.HasPrefix(head, []byte("\x89PNG\r\n\x1a\n")):
		return PNG
	case len(head) >= 12 && string(head[:4]) == "RIFF" && string(head[8:12]) == "WEBP":
		return WebP
	case len(head) >= 12 && string(head[4:8]) == "ftyp":
		for _, b := range heicBrands {
			if string(head[8:12]) == b {
				return HEIC
			}
		}
	}
	return ""
}

// suffixFormat is what a file name promises.
var suffixFormat = map[string]Format{
	".jpg": JPEG, ".jpeg": JPEG, ".jpe": JPEG, ".png": PNG, ".webp": WebP, ".heic": HEIC, ".heif": HEIC,
}

// notPhotos are suffixes of files that belong beside photos and are never
// looked into.
var notPhotos = map[string]bool{
	".txt": true, ".csv": true, ".xlsx": true, ".xls": true, ".ods": true, ".pdf": true, ".json": true,
	".xml": true, ".xmp": true, ".aae": true, ".thm": true, ".ini": true, ".db": true, ".db-journal": true,
	".mov": true, ".mp4": true, ".m4v": true, ".avi": true, ".3gp": true, ".mkv": true, ".mp3": true, ".m4a": true,
	".html": true, ".md": true, ".zip": true, ".svg": true, ".part": true, ".crdownload": true, ".tmp": true,
}

// File is one photo file as found, with what its bytes say.
type File struct {
	Path  string // as walked
	Size  int64
	MTime int64 // nanoseconds; only to notice a changed file, never a date
	Hash  string
	Fresh bool // hashed now, not known from an earlier scan
}

// Fault is a file that could not be taken in, with the way out.
type Fault struct {
	Path string `json:"file"`
	Text string `json:"text"`
}

// Scan is what a walk over folders found.
type Scan struct {
	Files   []File              // one a content, in path order
	Copies  map[string][]string // hash: further paths with the same bytes
	Ignored map[string]int      // files that are no photos, by suffix or name
	Faults  []Fault
	Seen    int // files of any kind
}

// IgnoredCount is the number of files that are no photos.
func (s *Scan) IgnoredCount() int {
	n := 0
	for _, v := range s.Ignored {
		n += v
	}
	return n
}

// Known is what an earlier scan saw at a path.
type Known struct {
	Size, MTime int64
	Hash        string
}

// Walk scans files and folders, deep. known lets it skip the hashing of files
// whose size and time have not changed. It returns early, with what it has,
// only when ctx ends.
func Walk(ctx context.Context, roots []string, known map[string]Known, progress func(files int)) (Scan, error) {
	return WalkPart(ctx, roots, Part{}, known, progress)
}

// WalkPart is Walk over one part of each root: the files of the other parts
// are not opened and not counted.
func WalkPart(ctx context.Context, roots []string, part Part, known map[string]Known, progress func(files int)) (Scan, error) {
	s := Scan{Copies: map[string][]string{}, Ignored: map[string]int{}}
	have := map[string]bool{}
	var paths []string
	visited := map[string]bool{}
	for _, root := range roots {
		if _, err := os.Stat(root); err != nil {
			s.Faults = append(s.Faults, Fault{root, "there is no such file or folder: check the spelling, or plug the phone or card in again"})
			continue
		}
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				s.Faults = append(s.Faults, Fault{path, "cannot be opened (" + cause(err) + "): check the permissions"})
				return nil
			}
			if d.IsDir() || visited[path] {
				return nil
			}
			visited[path] = true
			if rel, err := filepath.Rel(root, path); err != nil || !part.Holds(rel) {
				return err
			}
			paths = append(paths, path)
			return nil
		})
		if err != nil {
			return s, err
		}
	}
	sort.Strings(paths)
	for _, path := range paths {
		if ctx.Err() != nil {
			return s, ctx.Err()
		}
		s.Seen++
		f, fault := look(path, known)
		switch {
		case fault != "":
			s.Faults = append(s.Faults, Fault{path, fault})
		case f == nil:
			s.Ignored[kindOf(path)]++
		default:
			if have[f.Hash] {
				s.Copies[f.Hash] = append(s.Copies[f.Hash], path)
			} else {
				have[f.Hash] = true
				s.Files = append(s.Files, *f)
			}
		}
		if progress != nil {
			progress(s.Seen)
		}
	}
	return s, nil
}

// kindOf names a file that is no photo, for the one line that counts them.
func kindOf(path string) string {
	base := filepath.Base(path)
	if strings.HasPrefix(base, "._") {
		return "._ companion"
	}
	if ext := strings.ToLower(filepath.Ext(base)); ext != "" && ext != base {
		return ext
	}
	return base
}

// look decides about one file: a photo, a fault in words, or neither.
func look(path string, known map[string]Known) (*File, string) {
	base := filepath.Base(path)
	ext := strings.ToLower(filepath.Ext(base))
	if strings.HasPrefix(base, ".") || notPhotos[ext] {
		return nil, ""
	}
	promised := suffixFormat[ext]
	h, err := os.Open(path)
	if err != nil {
		return nil, "cannot be opened (" + cause(err) + "): check the permissions"
	}
	defer h.Close()
	info, err := h.Stat()
	if err != nil {
		return nil, "cannot be read (" + cause(err) + "): copy it again"
	}
	if !info.Mode().IsRegular() {
		return nil, ""
	}
	if info.Size() == 0 {
		if promised == "" {
			return nil, ""
		}
		return nil, "is empty (0 bytes): copy it again from the phone"
	}
	f := &File{Path: path, Size: info.Size(), MTime: info.ModTime().UnixNano()}
	if k, ok := known[path]; ok && k.Size == f.Size && k.MTime == f.MTime {
		f.Hash = k.Hash
		return f, ""
	}
	head := make([]byte, headBytes)
	n, err := io.ReadFull(h, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, "cannot be read (" + cause(err) + "): copy it again"
	}
	if Sniff(head[:n]) == "" {
		if promised == "" {
			return nil, ""
		}
		return nil, "is named like a photo but does not hold one: copy the original again from the phone"
	}
	sum := sha256.New()
	sum.Write(head[:n])
	if _, err := io.Copy(sum, h); err != nil {
		return nil, "cannot be read to its end (" + cause(err) + "): copy it again"
	}
	f.Hash, f.Fresh = hex.EncodeToString(sum.Sum(nil)), true
	return f, ""
}

// cause is the innermost reason of a file error, without the path.
func cause(err error) string {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}

// SuffixNote says that a file's name and content disagree; "" where they do
// not.
func SuffixNote(path string, f Format) string {
	p, ok := suffixFormat[strings.ToLower(filepath.Ext(path))]
	if ok && p != f {
		return fmt.Sprintf("the name says %s but the content is %s; read as %s", p, f, f)
	}
	return ""
}
