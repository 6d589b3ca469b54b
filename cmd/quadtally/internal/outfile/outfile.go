// Package outfile writes the files that people ask for, each whole or not at
// all, and replaces none that a person wrote or changed.
package outfile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/wording"
)

// Writer writes files for the people of one trial.
type Writer struct {
	TrialDir string                           // the trial's folder; it need not hold a record
	Force    bool                             // replace files that others wrote, too
	Note     func(format string, args ...any) // says what is replaced
}

// Whole writes a file whole or not at all: to a fresh file beside it
// first, then renamed over.
func Whole(path string, write func(io.Writer) error) error {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("the folder %s cannot be made: %w", dir, err)
	}
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+"-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: check that the folder may be written to (%w)", path, err)
	}
	defer os.Remove(f.Name()) // gone already where all went well
	err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("%s was not written, an older one was left as it is: check the disk's room (%w)", path, err)
	}
	return nil
}

// Replace writes a file. One that stands there already is replaced only where
// this program wrote it and nobody changed it since, or with Force; the record
// never is.
func (to Writer) Replace(path string, write func(io.Writer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return err
	}
	content := b.Bytes()
	if name := filepath.Base(path); strings.HasPrefix(name, record.FileName) || to.isRecord(path) {
		return fmt.Errorf("%s is the trial's record and is never written over: choose another name", path)
	}
	was, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		if info, e := os.Stat(path); e == nil && !info.Mode().IsRegular() {
			return fmt.Errorf("%s is no file: choose another name", path)
		}
		return fmt.Errorf("%s stands there and cannot be read: choose another name (%w)", path, err)
	case bytes.Equal(was, content):
	case to.wroteItself(path, was):
	case !to.Force:
		return fmt.Errorf("%s exists already and was changed, or was not written by quadtally: nothing was written; choose another name, or replace it with --force", path)
	default:
		to.Note("replacing %s (%s)", path, wording.Plural(len(was), "byte"))
	}
	if err := Whole(path, bytesOf(content)); err != nil {
		return err
	}
	to.rememberWritten(path, content)
	return nil
}

// isRecord reports that a path leads to the trial's record under another name.
func (to Writer) isRecord(path string) bool {
	at, err := os.Stat(path)
	if err != nil {
		return false
	}
	rec, err := os.Stat(filepath.Join(to.TrialDir, record.FileName))
	return err == nil && os.SameFile(at, rec)
}

// What the program wrote is remembered, so that it can be told from what people
// wrote or changed: of a file in the trial's folder in a list beside the record,
// which goes where the folder goes, of any other in the user's cache folder. What
// neither knows is taken for the user's.

// writtenList is the list in the trial's folder, one line a file as sha256sum
// writes and checks it.
const writtenList = "written.sha256"

// underTrial is the path of a file from the trial's folder, with slashes; ok is
// false where it lies outside, or where there is no trial.
func (to Writer) underTrial(path string) (rel string, ok bool) {
	if _, err := os.Stat(filepath.Join(to.TrialDir, record.FileName)); err != nil {
		return "", false
	}
	real := func(p string) (string, error) {
		p, err := filepath.Abs(p)
		if err != nil {
			return "", err
		}
		return filepath.EvalSymlinks(p)
	}
	dir, err := real(to.TrialDir)
	if err != nil {
		return "", false
	}
	at, err := real(filepath.Dir(path))
	if err != nil {
		return "", false
	}
	rel, err = filepath.Rel(dir, filepath.Join(at, filepath.Base(path)))
	if err != nil || !filepath.IsLocal(rel) || strings.Contains(rel, "\n") {
		return "", false
	}
	return filepath.ToSlash(rel), true
}

// written reads the list of the trial's folder: digests by path.
func (to Writer) written() map[string]string {
	out := map[string]string{}
	content, err := os.ReadFile(filepath.Join(to.TrialDir, writtenList))
	if err != nil {
		return out
	}
	for line := range strings.Lines(string(content)) {
		if sum, rel, ok := strings.Cut(strings.TrimRight(line, "\r\n"), "  "); ok {
			out[rel] = sum
		}
	}
	return out
}

// Written reports of digests, SHA-256 in hexadecimal, whether a file that the
// program wrote into a trial's folder has them.
func Written(trialDir string) func(digest string) bool {
	digests := map[string]bool{}
	for _, sum := range (Writer{TrialDir: trialDir}).written() {
		digests[sum] = true
	}
	return func(digest string) bool { return digests[digest] }
}

// cachedAt is where the user's cache keeps the digest of a path.
func cachedAt(path string) string {
	dir, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "quadtally", "written", digest([]byte(abs)))
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func (to Writer) wroteItself(path string, content []byte) bool {
	sum := digest(content)
	if rel, ok := to.underTrial(path); ok && to.written()[rel] == sum {
		return true
	}
	at := cachedAt(path)
	was, err := os.ReadFile(at)
	return at != "" && err == nil && string(was) == sum
}

// rememberWritten keeps what was written. Where it cannot, the file is taken for
// the user's later: the safe side.
func (to Writer) rememberWritten(path string, content []byte) {
	if rel, ok := to.underTrial(path); ok {
		list := to.written()
		list[rel] = digest(content)
		var b strings.Builder
		for _, name := range slices.Sorted(maps.Keys(list)) {
			fmt.Fprintf(&b, "%s  %s\n", list[name], name)
		}
		_ = Whole(filepath.Join(to.TrialDir, writtenList), bytesOf([]byte(b.String())))
		return
	}
	at := cachedAt(path)
	if at == "" || os.MkdirAll(filepath.Dir(at), 0o755) != nil {
		return
	}
	_ = os.WriteFile(at, []byte(digest(content)), 0o644)
}

func bytesOf(b []byte) func(io.Writer) error {
	return func(w io.Writer) error { _, err := w.Write(b); return err }
}
