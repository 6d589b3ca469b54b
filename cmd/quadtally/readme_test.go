package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestReadmeCommands: every command and flag that README and the contributor's
// guide name is there to be typed.
func TestReadmeCommands(t *testing.T) {
	root := newRoot(&app{})
	root.InitDefaultHelpCmd()
	seen := 0
	for _, file := range []string{"README.md", "DEVELOPERS.md"} {
		b, err := os.ReadFile(filepath.Join("..", "..", file))
		if err != nil {
			t.Fatal(err)
		}
		typed := regexp.MustCompile("(?:`|\\$ |\\./)quadtally ([a-z][^`\n]*)").FindAllStringSubmatch(string(b), -1)
		for _, m := range typed {
			words := strings.Fields(m[1])
			i := slices.IndexFunc(root.Commands(), func(c *cobra.Command) bool { return c.Name() == words[0] })
			if i < 0 {
				t.Errorf("%s: there is no command %q in %q", file, words[0], m[0])
				continue
			}
			seen++
			c := root.Commands()[i]
			if len(words) > 1 {
				if sub, _, err := c.Find(words[1:]); err == nil {
					c = sub
				}
			}
			for _, w := range words[1:] {
				name, ok := strings.CutPrefix(strings.TrimRight(w, ",.;:)"), "--")
				name, _, _ = strings.Cut(name, "=")
				if ok && name != "" && c.Flags().Lookup(name) == nil && c.InheritedFlags().Lookup(name) == nil && name != "help" && name != "version" {
					t.Errorf("%s: %s has no flag --%s, in %q", file, c.CommandPath(), name, m[0])
				}
			}
		}
	}
	if seen < 20 {
		t.Errorf("only %d commands were found", seen)
	}
}
