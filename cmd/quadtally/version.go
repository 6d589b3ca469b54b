package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// release is what a release is called; the linker sets it where one is packed.
// Without it the version is what the toolchain found in the source tree.
var release string

// sayVersion gives the root its --version: what a fault report has to state.
func sayVersion(root *cobra.Command) {
	version, commit := built()
	root.Version = version
	var b strings.Builder
	row := func(name, text string) { fmt.Fprintf(&b, "%-14s %s\n", name, text) }
	row("quadtally", version)
	row("commit", commit)
	for _, l := range append(vision.Libraries(), vision.Library{Name: "SQLite", Version: record.SQLiteVersion()}) {
		row(l.Name, l.Version)
	}
	row("Go", strings.TrimPrefix(runtime.Version(), "go")+" "+runtime.GOOS+"/"+runtime.GOARCH)
	root.SetVersionTemplate(b.String())
}

// built is the module's version and the commit, as far as the build knew them.
func built() (version, commit string) {
	version, commit = "not stated", "not stated"
	if info, ok := debug.ReadBuildInfo(); ok {
		if v := info.Main.Version; v != "" {
			version = v
		}
		var changed bool
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				commit = s.Value
			case "vcs.modified":
				changed = s.Value == "true"
			}
		}
		if changed {
			commit += " with changes"
		}
	}
	if release != "" {
		version = release
	}
	return version, commit
}
