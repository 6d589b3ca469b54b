package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/season"
)

// TestMain lets the test binary play the worker process, as the program
// itself does, and the other processes that tests start.
func TestMain(m *testing.M) {
	switch {
	case os.Getenv(season.WorkerEnv) == "1" && os.Getenv(misbehaveEnv) == "1":
		os.Exit(misbehave())
	case os.Getenv(season.WorkerEnv) == "1", os.Getenv(programEnv) == "1":
		os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	case os.Getenv(typistEnv) == "1":
		os.Exit(typist(os.Args[1:]))
	}
	cache, err := os.MkdirTemp("", "quadtally-cache-*")
	if err != nil {
		panic(err)
	}
	// The toolchain that tests run keeps its own cache, else it builds everything.
	if own, err := os.UserCacheDir(); err == nil && os.Getenv("GOCACHE") == "" {
		os.Setenv("GOCACHE", filepath.Join(own, "go-build"))
	}
	os.Setenv("XDG_CACHE_HOME", cache)
	code := m.Run()
	os.RemoveAll(cache)
	writeFigures(os.Stdout)
	os.Exit(code)
}

// ran is what a command line left behind.
type ran struct {
	code     int
	out, err string
}

// say runs a command line inside the test.
func say(t *testing.T, args ...string) ran {
	t.Helper()
	code, out, talk := quadtally(t, args...)
	return ran{code, out, talk}
}

// must runs a command line that has to end well.
func must(t *testing.T, args ...string) ran {
	t.Helper()
	r := say(t, args...)
	if r.code != exitDone {
		t.Fatalf("quadtally %s: exit %d\n%s%s", strings.Join(args, " "), r.code, r.out, r.err)
	}
	return r
}

// expect checks an exit code and that every text is in what was said.
func (r ran) expect(t *testing.T, code int, texts ...string) {
	t.Helper()
	if r.code != code {
		t.Errorf("exit %d, want %d\n%s%s", r.code, code, r.out, r.err)
	}
	said := strings.Join(strings.Fields(r.out+r.err), " ") // however its lines end
	for _, want := range texts {
		if !strings.Contains(r.out+r.err, want) && !strings.Contains(said, want) {
			t.Errorf("nothing says %q in:\n%s%s", want, r.out, r.err)
		}
	}
}

func TestUsageFaults(t *testing.T) {
	say(t, "frobnicate").expect(t, exitUsage, `no command "frobnicate"`)
	say(t, "frobnicate", "--undo").expect(t, exitUsage, `no command "frobnicate"`)
	say(t, "measure").expect(t, exitUsage, "at least one photo")
	say(t, "measure", "x.jpg").expect(t, exitUsage, "--frame 500mm")
	say(t, "measure", "--frame", "much", "x.jpg").expect(t, exitUsage, "--frame")
	say(t, "measure", "--frame", "500mm", "--mm-per-px", "0.2", "x.jpg").expect(t, exitUsage, "--mm-per-px does nothing")
	say(t, "measure", "--no-frame", "--pipe", "25mm", "x.jpg").expect(t, exitUsage, "--pipe does nothing")
	say(t, "agree", "--margin", "5,5").expect(t, exitUsage, "--margin")
	say(t, "compare", "yield", "--from", "x.csv", "--decimal", "dot").expect(t, exitUsage, "--decimal: \"dot\": say comma or point")
	say(t, "status", "--bogus").expect(t, exitUsage, "--help")
	say(t, "compare", "cover", "--visit", "1", "--season").expect(t, exitUsage, "exclude each other")
	say(t, "status", "--trial", t.TempDir()).expect(t, exitFailed, "no trial here", "quadtally new")
}

// TestEveryCommandHasAnExample keeps the help complete: a line, a paragraph,
// an example and the exit codes.
func TestEveryCommandHasAnExample(t *testing.T) {
	a := &app{}
	for _, c := range newRoot(a).Commands() {
		if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
			continue
		}
		if c.Short == "" || c.Long == "" || c.Example == "" || !strings.Contains(c.Long, "Exit codes") {
			t.Errorf("the help of %s lacks a line, a text, an example or the exit codes", c.Name())
		}
	}
}
