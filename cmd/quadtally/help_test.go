package main

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
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
		"\n\nDrawing:\n", "--colour", "\n\nFlags of every command:\n", "--everywhere", "\n\nExample:\n  tool sow --rate 3\n"} {
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

// longHelp lists the commands whose help is still longer than mostHelpLines, ""
// for the root. No command may join them.
var longHelp = []string{"", "compare", "new", "power"}

// mostHelpLines is what two looks at a small terminal hold.
const mostHelpLines = 45

// TestHelpIsShort keeps every command's help to what can be read.
func TestHelpIsShort(t *testing.T) {
	names := []string{""}
	for _, c := range newRoot(&app{}).Commands() {
		if !c.Hidden && c.Name() != "help" {
			names = append(names, c.Name())
		}
	}
	for _, name := range names {
		n := strings.Count(helpOf(t, strings.Fields(name)...), "\n")
		switch known := slices.Contains(longHelp, name); {
		case n > mostHelpLines && !known:
			t.Errorf("the help of %q has %d lines, more than %d", name, n, mostHelpLines)
		case n > mostHelpLines:
			t.Logf("the help of %q has %d lines, more than %d", name, n, mostHelpLines)
		case known:
			t.Logf("the help of %q has %d lines and may leave the list of long ones", name, n)
		}
	}
}
