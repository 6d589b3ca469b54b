// Package partfile keeps what one part of a photo folder gave, measured apart
// from the trial's record: one JSON object a line, first a header, then one
// line a photo, then an end line where the part is finished. Lines are only
// appended, so a run that was killed leaves at most one half-written line,
// which is recognised and written anew. Each line carries a checksum: a file
// that was damaged on its way is refused, not believed.
package partfile

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
)

// version of the format; a reader refuses others.
const version = 1

// maxLine is longer than any line that is written: a measured photo takes well
// under 4 MB.
const maxLine = 64 << 20

// Header says what a part file belongs to. Two files whose headers are equal
// hold the same part.
type Header struct {
	Version     int             `json:"quadtally_part"`
	Trial       string          `json:"trial"`    // the tag printed in the cards
	Begun       string          `json:"begun"`    // when the record was begun: tells two trials of one tag apart
	Fingerprint string          `json:"settings"` // of the measuring settings
	Settings    json.RawMessage `json:"given"`    // the settings as decided about the trial
	Folder      string          `json:"folder"`   // relative to the trial's folder where it lies inside it
	intake.Part
}

// Photo is one photo of the part.
type Photo struct {
	Path   string            `json:"path"` // relative to the folder, with slashes
	Copies []string          `json:"copies,omitempty"`
	Facts  record.PhotoFacts `json:"facts"` // Path and Copies are left empty in it
	Guide  string            `json:"guide,omitempty"`
	Fault  string            `json:"fault,omitempty"` // why it could not be measured, in a sentence
	// FaultCode is the same for programs.
	FaultCode record.FaultCode `json:"fault_code,omitempty"`
	Doc       json.RawMessage  `json:"measurement,omitempty"`
	Curve     []byte           `json:"curve,omitempty"`
	Plane     []byte           `json:"plane,omitempty"`
	Looks     []byte           `json:"looks,omitempty"`
}

// End is the last line of a finished part.
type End struct {
	Photos   int            `json:"photos"`
	Unusable []intake.Fault `json:"unusable"` // files that could not be taken in at all
}

// line is what a line of the file holds; exactly one field is set.
type line struct {
	Header *Header `json:"header,omitempty"`
	Photo  *Photo  `json:"photo,omitempty"`
	End    *End    `json:"end,omitempty"`
}

// sealed is a line as written.
type sealed struct {
	Sum  uint32          `json:"crc32"`
	Line json.RawMessage `json:"line"`
}

func seal(l line) ([]byte, error) {
	inner, err := json.Marshal(l)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(sealed{crc32.ChecksumIEEE(inner), inner})
	return append(b, '\n'), err
}

func unseal(b []byte) (l line, err error) {
	var s sealed
	if err := json.Unmarshal(b, &s); err != nil {
		return l, errors.New("is not a line of a part file")
	}
	if crc32.ChecksumIEEE(s.Line) != s.Sum {
		return l, errors.New("was damaged")
	}
	if err := json.Unmarshal(s.Line, &l); err != nil {
		return l, errors.New("is not a line of a part file")
	}
	n := 0
	for _, set := range []bool{l.Header != nil, l.Photo != nil, l.End != nil} {
		if set {
			n++
		}
	}
	if n != 1 {
		return l, errors.New("is not a line of a part file")
	}
	return l, nil
}

// Contents is what a part file holds, apart from the photos themselves.
type Contents struct {
	Header Header
	End    *End  // the last line, nil where it is another
	Photos int   // photo lines
	good   int64 // bytes up to the last whole line
}

// Finished reports a part that was measured to its end. A file that two runs
// wrote into at once does not add up and counts as unfinished; running the
// part once more mends it.
func (c Contents) Finished() bool { return c.End != nil && c.End.Photos == c.Photos }

// errNoHeader is a file that was begun and got no further.
var errNoHeader = errors.New("holds nothing yet: measure the part again")

// Read goes through a part file and calls each for every photo in it, in the
// order of the file. A half-written last line is left out.
func Read(r io.Reader, each func(Photo) error) (Contents, error) {
	var c Contents
	sc := bufio.NewScanner(r)
	sc.Buffer(make([]byte, 0, 1<<16), maxLine)
	sc.Split(wholeLines)
	for n := 1; sc.Scan(); n++ {
		l, err := unseal(sc.Bytes())
		switch {
		case err != nil:
			return c, fmt.Errorf("line %d %w: copy the file again, or delete it and measure the part again", n, err)
		case (n == 1) != (l.Header != nil):
			return c, fmt.Errorf("line %d is out of place: delete the file and measure the part again", n)
		case l.Header != nil:
			if c.Header = *l.Header; c.Header.Version != version {
				return c, fmt.Errorf("it is of version %d of the part files, this quadtally reads version %d: use the same quadtally everywhere", c.Header.Version, version)
			}
			if err := c.Header.Validate(); err != nil {
				return c, err
			}
		case l.Photo != nil:
			c.End = nil
			c.Photos++
			if l.Photo.Fault != "" && l.Photo.FaultCode == "" { // written before there were codes
				l.Photo.FaultCode = record.FaultPhoto
			}
			if err := each(*l.Photo); err != nil {
				return c, err
			}
		default:
			c.End = l.End
		}
		c.good += int64(len(sc.Bytes())) + 1
	}
	if errors.Is(sc.Err(), bufio.ErrTooLong) {
		return c, errors.New("it is no part file: a line in it has no end")
	}
	if sc.Err() == nil && c.Header.Version == 0 {
		return c, errNoHeader
	}
	return c, sc.Err()
}

// wholeLines splits at newlines and passes over what follows the last one.
func wholeLines(data []byte, atEOF bool) (advance int, token []byte, err error) {
	if i := bytes.IndexByte(data, '\n'); i >= 0 {
		return i + 1, data[:i], nil
	}
	if atEOF {
		return len(data), nil, nil
	}
	return 0, nil, nil
}

// ReadFile is Read on a file.
func ReadFile(path string, each func(Photo) error) (Contents, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Contents{}, fmt.Errorf("%s: there is no such file: check the spelling", path)
	}
	if err != nil {
		return Contents{}, fmt.Errorf("%s cannot be read: check the permissions (%w)", path, err)
	}
	defer f.Close()
	c, err := Read(f, each)
	if err != nil {
		return c, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// Writer appends to a part file.
type Writer struct{ f *os.File }

// Open begins a part file, or goes on with one that was begun: each is called
// for the photos it holds already, and a half-written last line is cut off. A
// file of another part, trial or settings is refused.
func Open(path string, h Header, each func(Photo) error) (*Writer, Contents, error) {
	h.Version = version
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		return nil, Contents{}, fmt.Errorf("%s cannot be written: check that its folder is there and may be written to (%w)", path, err)
	}
	w := &Writer{f}
	c, err := Read(f, each)
	switch {
	case errors.Is(err, errNoHeader):
		if c.good, err = 0, nil; !onlyOurs(f) {
			err = fmt.Errorf("%s exists and is no part file: name another one with --out", path)
		}
	case err != nil:
		err = fmt.Errorf("%s: %w", path, err)
	case !same(c.Header, h):
		err = fmt.Errorf("%s holds part %s of another run (trial %s, folder %s, settings %s): name another file with --out, or delete it", path, c.Header.Part, c.Header.Trial, c.Header.Folder, c.Header.Fingerprint)
	}
	if err == nil {
		err = f.Truncate(c.good)
	}
	if err == nil && c.good == 0 {
		c.Header = h
		err = w.put(line{Header: &h})
	}
	if err != nil {
		f.Close()
		return nil, c, err
	}
	return w, c, nil
}

// onlyOurs reports that a file without a whole line holds nothing, or the
// beginning of a header.
func onlyOurs(f *os.File) bool {
	const begins = `{"crc32":`
	b := make([]byte, len(begins))
	n, err := f.ReadAt(b, 0)
	return (err == nil || errors.Is(err, io.EOF)) && string(b[:n]) == begins[:n]
}

func same(a, b Header) bool {
	return a.Trial == b.Trial && a.Begun == b.Begun && a.Fingerprint == b.Fingerprint && a.Folder == b.Folder && a.Part == b.Part
}

func (w *Writer) put(l line) error {
	b, err := seal(l)
	if err != nil {
		return err
	}
	if _, err := w.f.Write(b); err != nil {
		return fmt.Errorf("%s cannot be written on: what is in it stays; free some space and run the command again (%w)", w.f.Name(), err)
	}
	return nil
}

// Add appends a photo.
func (w *Writer) Add(p Photo) error { return w.put(line{Photo: &p}) }

// End appends the end line.
func (w *Writer) End(e End) error { return w.put(line{End: &e}) }

// Sync makes sure that what was written survives a power cut.
func (w *Writer) Sync() error { return w.f.Sync() }

// Close closes the file; what was not ended can be gone on with.
func (w *Writer) Close() error { return errors.Join(w.f.Sync(), w.f.Close()) }
