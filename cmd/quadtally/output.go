package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
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
		return write(a.out)
	}
	if err := writeWhole(path, write); err != nil {
		return err
	}
	a.note("wrote %s", path)
	return nil
}

func writeBytes(b []byte) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.Copy(w, bytes.NewReader(b)); return err }
}
