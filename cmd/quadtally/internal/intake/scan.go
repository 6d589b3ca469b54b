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
	"syscall"
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
	Skipped map[SkipReason]int  // folders that were not looked into
	Faults  []Fault
	Seen    int // files of any kind
}

// SkipReason says why a folder was not looked into.
type SkipReason string

// The reasons.
const (
	SkipTrash     SkipReason = "trash"
	SkipThumbnail SkipReason = "thumbnails"
	SkipHidden    SkipReason = "hidden"
	SkipTwice     SkipReason = "a link to a folder that is read anyway"
)

// skipFolder decides by a folder's name whether it is looked into: what lies
// there was thrown away, made small, or put aside by a program.
func skipFolder(name string) SkipReason {
	low := strings.ToLower(name)
	switch {
	case strings.HasPrefix(low, ".trash"), low == "trash", low == "$recycle.bin", low == "recycler", low == ".recently deleted":
		return SkipTrash
	case low == ".thumbnails", low == "thumbnails", low == "@eadir", low == ".thumbs", low == "thumbs":
		return SkipThumbnail
	case strings.HasPrefix(low, "."), low == "__macosx", low == "system volume information", low == "lost+found":
		return SkipHidden
	}
	return ""
}

// device is how files that are neither files nor folders are counted: pipes,
// sockets, devices. They are never opened, which may never end.
const device = "pipe, socket or device"

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
	s := Scan{Copies: map[string][]string{}, Ignored: map[string]int{}, Skipped: map[SkipReason]int{}}
	have := map[string]bool{}
	w := walker{ctx: ctx, scan: &s, part: part, read: map[string]bool{}, listed: map[string]bool{}}
	for _, root := range roots {
		if _, err := os.Stat(root); err != nil {
			s.Faults = append(s.Faults, Fault{root, "there is no such file or folder: check the spelling, or plug the phone or card in again"})
			continue
		}
		if err := w.root(root); err != nil {
			return s, err
		}
	}
	paths := w.paths
	sort.Strings(paths)
	for _, path := range paths {
		if ctx.Err() != nil {
			return s, ctx.Err()
		}
		s.Seen++
		f, fault := look(ctx, path, known)
		if ctx.Err() != nil {
			return s, ctx.Err()
		}
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

// walker lists the files under folders. Linked folders are followed, each
// folder once, those that are linked to after those that lie there.
type walker struct {
	ctx    context.Context
	scan   *Scan
	part   Part
	base   string          // the root that parts are counted from
	read   map[string]bool // folders, by their real path
	listed map[string]bool // files
	paths  []string
	links  []string // folders that are linked to, still to be read
}

func (w *walker) root(root string) error {
	w.base, w.links = root, nil
	info, err := os.Stat(root)
	if err != nil || !info.IsDir() {
		w.file(root)
		return w.ctx.Err()
	}
	if err := w.folder(root); err != nil {
		return err
	}
	for len(w.links) > 0 {
		next := w.links[0]
		w.links = w.links[1:]
		if err := w.folder(next); err != nil {
			return err
		}
	}
	return nil
}

func (w *walker) file(path string) {
	if w.listed[path] {
		return
	}
	w.listed[path] = true
	if rel, err := filepath.Rel(w.base, path); err != nil || w.part.Contains(rel) {
		w.paths = append(w.paths, path)
	}
}

func (w *walker) unreadable(path string, err error) {
	w.scan.Faults = append(w.scan.Faults, Fault{path, "cannot be opened (" + cause(err) + "): check the permissions"})
}

// folder lists one folder and those in it. The error is that of the context.
func (w *walker) folder(path string) error {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		w.unreadable(path, err)
		return w.ctx.Err()
	}
	if real, err = filepath.Abs(real); err != nil {
		real = path
	}
	if w.read[real] {
		w.scan.Skipped[SkipTwice]++
		return w.ctx.Err()
	}
	w.read[real] = true
	entries, err := os.ReadDir(path)
	if err != nil {
		w.unreadable(path, err)
	}
	for _, e := range entries {
		if w.ctx.Err() != nil {
			return w.ctx.Err()
		}
		at := filepath.Join(path, e.Name())
		kind := e.Type()
		linked := kind&fs.ModeSymlink != 0
		if linked {
			info, err := os.Stat(at)
			if err != nil {
				w.scan.Ignored["broken link"]++
				continue
			}
			kind = info.Mode().Type()
		}
		switch {
		case kind.IsDir():
			if why := skipFolder(e.Name()); why != "" {
				w.scan.Skipped[why]++
			} else if linked {
				w.links = append(w.links, at)
			} else if err := w.folder(at); err != nil {
				return err
			}
		case kind != 0:
			w.scan.Ignored[device]++
			w.scan.Seen++
		default:
			w.file(at)
		}
	}
	return nil
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
func look(ctx context.Context, path string, known map[string]Known) (*File, string) {
	base := filepath.Base(path)
	ext := strings.ToLower(filepath.Ext(base))
	if strings.HasPrefix(base, ".") || notPhotos[ext] {
		return nil, ""
	}
	promised := suffixFormat[ext]
	// Without O_NONBLOCK, a pipe that took the file's place would never open.
	h, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
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
	if _, err := io.Copy(sum, untilDone{ctx, h}); err != nil {
		return nil, "cannot be read to its end (" + cause(err) + "): copy it again"
	}
	f.Hash, f.Fresh = hex.EncodeToString(sum.Sum(nil)), true
	return f, ""
}

// untilDone reads until its context ends.
type untilDone struct {
	ctx context.Context
	r   io.Reader
}

func (u untilDone) Read(b []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(b)
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
