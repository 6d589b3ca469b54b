package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// TestManual: a page for every command that the help lists, naming all its
// flags, completions for three shells, and the same bytes each time.
func TestManual(t *testing.T) {
	write := func() (string, map[string]string) {
		dir := t.TempDir()
		var out, errw bytes.Buffer
		if code := run([]string{"manual", dir, "--date", "2026-06-01"}, strings.NewReader(""), &out, &errw); code != exitDone {
			t.Fatalf("exit %d, %s", code, errw.String())
		}
		files := map[string]string{}
		err := fs.WalkDir(os.DirFS(dir), ".", func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			data, err := os.ReadFile(filepath.Join(dir, path))
			files[path] = string(data)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return dir, files
	}
	_, files := write()
	if _, again := write(); !reflect.DeepEqual(files, again) {
		t.Error("written twice, the manual differs")
	}
	root := newRoot(&app{})
	for _, c := range root.Commands() {
		if c.Hidden || c.Name() == "help" {
			continue
		}
		page := strings.ReplaceAll(files[manFolder+"/quadtally-"+c.Name()+".1"], `\-`, "-")
		for line := range strings.Lines(c.Flags().FlagUsages()) {
			_, flag, _ := strings.Cut(line, "--")
			name, _, _ := strings.Cut(strings.TrimSpace(flag), " ")
			if !strings.Contains(page, "--"+name) {
				t.Errorf("the page of %s does not name --%s", c.Name(), name)
			}
		}
		if !strings.Contains(page, "EXAMPLE") || !strings.Contains(page, "Jun 2026") {
			t.Errorf("the page of %s has no example or not the date it was given:\n%.400s", c.Name(), page)
		}
	}
	if !strings.Contains(files[manFolder+"/quadtally.1"], "green cover") {
		t.Error("the page of the program does not say what it does")
	}
	for _, path := range []string{bashCompletion, zshCompletion, fishCompletion} {
		if !strings.Contains(files[path], "quadtally __complete") && !strings.Contains(files[path], "__complete ") {
			t.Errorf("%s completes nothing", path)
		}
	}
}

// TestTextsAsMarkdown: signs keep their face, tables their shape.
func TestTextsAsMarkdown(t *testing.T) {
	const text = "Scales: arcsine_sqrt, a*b.\n  quadtally new   first\n  quadtally map   then\nAfter it.\n"
	const want = "Scales: arcsine\\_sqrt, a\\*b.\n\n      quadtally new   first\n      quadtally map   then\n\nAfter it.\n"
	if got := asMarkdown(text); got != want {
		t.Errorf("got\n%s", got)
	}
}
