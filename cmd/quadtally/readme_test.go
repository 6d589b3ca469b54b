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

// demoPrinted is what `quadtally demo alder-bend` printed; a heavy test runs it
// and holds it to that (-update writes it anew).
const demoPrinted = "../../testdata/readme/demo.txt"

// TestReadmeSamples: what the README shows below a command of the invented season
// is what that command printed, line by line and in order. A line of three dots
// stands for lines left out, and the folder's name is left out.
func TestReadmeSamples(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	demo, err := os.ReadFile(demoPrinted)
	if err != nil {
		t.Fatal(err)
	}
	printed := map[string][]string{}
	inFolder := strings.NewReplacer("alder-bend/", "", " --trial alder-bend", "").Replace(string(demo))
	for block := range strings.SplitSeq("\n"+regexp.MustCompile(` +\n`).ReplaceAllString(inFolder, "\n"), "\n$ ") {
		command, text, _ := strings.Cut(block, "\n")
		printed[command] = strings.Split(text, "\n")
	}
	samples, lines := 0, 0
	var left []string // of what the command printed
	inside := false
	for i, line := range strings.Split(string(readme), "\n") {
		text, isSample := strings.CutPrefix(line, "    ")
		command, isCommand := strings.CutPrefix(text, "$ ")
		switch {
		case line == "":
		case !isSample:
			inside = false
		case isCommand:
			left, inside = printed[command]
			if inside {
				samples++
			}
		case !inside || strings.TrimSpace(text) == "...":
		default:
			at := slices.Index(left, strings.TrimRight(text, " "))
			if at < 0 {
				t.Errorf("README.md:%d: %q is not what the command printed, or not in this order", i+1, text)
				inside = false
				continue
			}
			left = left[at+1:]
			lines++
		}
	}
	if samples < 6 || lines < 30 {
		t.Errorf("only %d lines of %d samples were held against what was printed", lines, samples)
	}
}

// TestReadmeDemo runs the invented season as the README tells a new user to.
func TestReadmeDemo(t *testing.T) {
	if os.Getenv("QUADTALLY_HEAVY") == "" && !*update {
		t.Skip("takes some minutes: set QUADTALLY_HEAVY=1")
	}
	golden, err := filepath.Abs(demoPrinted)
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	code, out, talk := quietly("demo", "alder-bend")
	if code != exitDone {
		t.Fatalf("exit code %d\n%s", code, talk)
	}
	if *update {
		if err := os.WriteFile(golden, []byte(out), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	got, wanted := strings.Split(out, "\n"), strings.Split(string(want), "\n")
	for i := range min(len(got), len(wanted)) {
		if got[i] != wanted[i] {
			t.Fatalf("line %d: %q, was %q", i+1, got[i], wanted[i])
		}
	}
	if len(got) != len(wanted) {
		t.Errorf("%d lines, were %d", len(got), len(wanted))
	}
}
