package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// helpOf is what --help prints.
func helpOf(t *testing.T, words ...string) string {
	t.Helper()
	var out, errw bytes.Buffer
	if code := run(append(words, "--help"), strings.NewReader(""), &out, &errw); code != exitDone || errw.Len() > 0 {
		t.Fatalf("%v --help: exit %d, %s", words, code, errw.String())
	}
	return out.String()
}

// TestFlagsStandInTheirGroups: headings in the order they were made, each flag
// once, those without a group first.
func TestFlagsStandInTheirGroups(t *testing.T) {
	root := &cobra.Command{Use: "tool"}
	shapeHelp(root)
	root.PersistentFlags().Bool("everywhere", false, "of all")
	c := &cobra.Command{Use: "sow", Run: func(*cobra.Command, []string) {}, Example: "  tool sow --rate 3"}
	for _, name := range []string{"alone", "rate", "depth", "colour"} {
		c.Flags().String(name, "", "what "+name+" is")
	}
	c.Flags().String("secret", "", "not shown")
	c.Flags().MarkHidden("secret")
	flagGroup(c, "The seed", "rate")
	flagGroup(c, "Drawing", "colour")
	flagGroup(c, "The seed", "depth", "secret")
	root.AddCommand(c)
	var out bytes.Buffer
	root.SetOut(&out)
	root.SetArgs([]string{"sow", "--help"})
	if err := root.Execute(); err != nil {
		t.Fatal(err)
	}
	last := -1
	for _, want := range []string{"Usage:\n  tool sow", "\nFlags:\n", "--alone", "\n\nThe seed:\n", "--depth", "--rate",
		"\n\nDrawing:\n", "--colour", "\n\nFlags of every command:", "--everywhere", "\n\nExample:\n  tool sow --rate 3\n"} {
		at := strings.Index(out.String(), want)
		if at <= last || strings.Count(out.String(), want+" string") > 1 {
			t.Fatalf("%q is missing, out of order or twice in\n%s", want, out.String())
		}
		last = at
	}
	if strings.Contains(out.String(), "secret") {
		t.Errorf("a hidden flag is shown in\n%s", out.String())
	}
	defer func() {
		if recover() == nil {
			t.Error("a flag that does not exist was put into a group")
		}
	}()
	flagGroup(c, "Drawing", "no-such-flag")
}

// TestHelpIsShort keeps every command's help to what can be read, with a worked
// example, and every flag in it; the whole text of a flag is in `help COMMAND`.
func TestHelpIsShort(t *testing.T) {
	root := newRoot(&app{})
	for _, c := range append(root.Commands(), root) {
		if c.Hidden {
			continue
		}
		name := strings.Fields(strings.TrimPrefix(c.CommandPath(), root.Name()))
		text := helpOf(t, name...)
		if n := strings.Count(text, "\n"); n > mostHelpLines {
			t.Errorf("the help of %q has %d lines, more than %d", name, n, mostHelpLines)
		}
		if c != root && !strings.Contains(text, "\n  quadtally "+c.Name()) {
			t.Errorf("the help of %q has no example", name)
		}
		whole := must(t, append([]string{"help"}, name...)...)
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if !f.Hidden && !strings.Contains(text, "--"+f.Name) {
				t.Errorf("the help of %q lacks --%s", name, f.Name)
			}
			if _, usage := pflag.UnquoteUsage(f); !f.Hidden && !strings.Contains(whole.out, usage) {
				t.Errorf("help %q does not tell what --%s does", name, f.Name)
			}
		})
	}
	say(t, "help", "sow").expect(t, exitUsage, "no command")
}

// TestNamedCommandsExist: a command that a message, a help text or the documents
// send people to is one of the program, and each help text is of one.
func TestNamedCommandsExist(t *testing.T) {
	root := newRoot(&app{})
	known := map[string]bool{root.Name(): true, "help": true, "completion": true}
	for _, c := range root.Commands() {
		known[c.Name()] = true
	}
	named, found := regexp.MustCompile("`(?:\\./)?quadtally ([a-z]+)|(?m:^  quadtally ([a-z]+))"), 0
	look := func(path string) {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range named.FindAllStringSubmatch(string(text), -1) {
			if found++; !known[m[1]+m[2]] {
				t.Errorf("%s speaks of the command %q, which does not exist", path, m[1]+m[2])
			}
		}
	}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if name := filepath.Base(path); err == nil && (strings.HasSuffix(name, ".go") && !strings.HasSuffix(name, "_test.go") || strings.HasPrefix(path, "help/")) {
			look(path)
			if of := strings.TrimSuffix(name, ".txt"); of != name && !known[of] {
				t.Errorf("%s is the help of no command", path)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	look("../../README.md")
	look("../../DEVELOPERS.md")
	if found < 50 {
		t.Errorf("only %d commands are named", found)
	}
}
