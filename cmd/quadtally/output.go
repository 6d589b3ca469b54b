package main

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

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
)

// writeWhole writes a file whole or not at all: to a fresh file beside it
// first, then renamed over.
func writeWhole(path string, write func(io.Writer) error) error {
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

// writeTo writes to a file, or to standard output where path is "" or "-".
func (a *app) writeTo(path string, write func(io.Writer) error) error {
	if path == "" || path == "-" {
		if s, ok := a.out.(*screen); ok { // a table or a plan is what it is
			if err := s.Flush(); err != nil {
				return err
			}
			return write(s.w)
		}
		return write(a.out)
	}
	if err := a.replaceWith(path, write); err != nil {
		return err
	}
	a.note("wrote %s", path)
	return nil
}

// replaceWith is replace for what is written in pieces.
func (a *app) replaceWith(path string, write func(io.Writer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return err
	}
	return a.replace(path, b.Bytes())
}

// replace writes a file. One that stands there already is replaced only where
// this program wrote it and nobody changed it since, or with --force; the record
// never is.
func (a *app) replace(path string, content []byte) error {
	if name := filepath.Base(path); strings.HasPrefix(name, record.FileName) || a.isRecord(path) {
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
	case a.wroteItself(path, was):
	case !a.force:
		return fmt.Errorf("%s exists already and was changed, or was not written by quadtally: nothing was written; choose another name, or replace it with --force", path)
	default:
		a.note("replacing %s (%s)", path, plural(len(was), "byte"))
	}
	if err := writeWhole(path, writeBytes(content)); err != nil {
		return err
	}
	a.rememberWritten(path, content)
	return nil
}

// isRecord reports that a path leads to the trial's record under another name.
func (a *app) isRecord(path string) bool {
	at, err := os.Stat(path)
	if err != nil {
		return false
	}
	rec, err := os.Stat(filepath.Join(a.trialDir, record.FileName))
	return err == nil && os.SameFile(at, rec)
}

// forceFlag gives a command that writes files the flag to replace others'.
func (a *app) forceFlag(c *cobra.Command) {
	c.Flags().BoolVar(&a.force, "force", false, "replace a file that quadtally did not write, or that was changed")
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
func (a *app) underTrial(path string) (rel string, ok bool) {
	if _, err := os.Stat(filepath.Join(a.trialDir, record.FileName)); err != nil {
		return "", false
	}
	real := func(p string) (string, error) {
		p, err := filepath.Abs(p)
		if err != nil {
			return "", err
		}
		return filepath.EvalSymlinks(p)
	}
	dir, err := real(a.trialDir)
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
func (a *app) written() map[string]string {
	out := map[string]string{}
	content, err := os.ReadFile(filepath.Join(a.trialDir, writtenList))
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

func (a *app) wroteItself(path string, content []byte) bool {
	sum := digest(content)
	if rel, ok := a.underTrial(path); ok && a.written()[rel] == sum {
		return true
	}
	at := cachedAt(path)
	was, err := os.ReadFile(at)
	return at != "" && err == nil && string(was) == sum
}

// rememberWritten keeps what was written. Where it cannot, the file is taken for
// the user's later: the safe side.
func (a *app) rememberWritten(path string, content []byte) {
	if rel, ok := a.underTrial(path); ok {
		list := a.written()
		list[rel] = digest(content)
		var b strings.Builder
		for _, name := range slices.Sorted(maps.Keys(list)) {
			fmt.Fprintf(&b, "%s  %s\n", list[name], name)
		}
		_ = writeWhole(filepath.Join(a.trialDir, writtenList), writeBytes([]byte(b.String())))
		return
	}
	at := cachedAt(path)
	if at == "" || os.MkdirAll(filepath.Dir(at), 0o755) != nil {
		return
	}
	_ = os.WriteFile(at, []byte(digest(content)), 0o644)
}

func writeBytes(b []byte) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.Copy(w, bytes.NewReader(b)); return err }
}

// unused refuses flags that were given and would change nothing: whoever gave
// them meant something by it.
func unused(cmd *cobra.Command, what string, flags []string) error {
	for _, name := range flags {
		if cmd.Flags().Changed(name) {
			return usagef("--%s does nothing for %s: leave it out", name, what)
		}
	}
	return nil
}
