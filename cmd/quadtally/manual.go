package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// manualCommand writes what a package holds beside the program, from the same
// commands and flags that the program has. It is hidden: packing calls it.
func manualCommand(a *app) *cobra.Command {
	var date string
	c := &cobra.Command{
		Use:    "manual FOLDER",
		Short:  "Write the man pages and the shell completions",
		Hidden: true,
		Args:   takes(1, 1, "the folder to write to"),
		RunE: func(cmd *cobra.Command, args []string) error {
			at, err := time.Parse(time.DateOnly, date)
			if err != nil {
				return usagef("--date wants YYYY-MM-DD, not %q", date)
			}
			return writeManual(newRoot(a), args[0], at)
		},
	}
	c.Flags().StringVar(&date, "date", "2000-01-01", "the date the pages bear")
	return c
}

// The places of a page and of each shell's completions, below a folder that
// stands for /usr.
const (
	manFolder      = "share/man/man1"
	bashCompletion = "share/bash-completion/completions/quadtally"
	zshCompletion  = "share/zsh/vendor-completions/_quadtally"
	fishCompletion = "share/fish/vendor_completions.d/quadtally.fish"
)

// writeManual writes a man page for each command and completions for three
// shells into a folder. The same program writes the same bytes each time.
func writeManual(root *cobra.Command, folder string, date time.Time) error {
	for _, path := range []string{manFolder + "/x", bashCompletion, zshCompletion, fishCompletion} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(folder, path)), 0o755); err != nil {
			return err
		}
	}
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	for path, write := range map[string]func(string) error{
		bashCompletion: func(p string) error { return root.GenBashCompletionFileV2(p, true) },
		zshCompletion:  root.GenZshCompletionFile,
		fishCompletion: func(p string) error { return root.GenFishCompletionFile(p, true) },
	} {
		if err := write(filepath.Join(folder, path)); err != nil {
			return fmt.Errorf("%s could not be written: %w", path, err)
		}
	}
	root.DisableAutoGenTag = true
	each(root, func(c *cobra.Command) { c.Long = asMarkdown(c.Long) })
	version, _ := built()
	header := &doc.GenManHeader{Section: "1", Date: &date, Source: "quadtally " + version, Manual: "quadtally"}
	if err := doc.GenManTree(root, header, filepath.Join(folder, manFolder)); err != nil {
		return fmt.Errorf("the man pages could not be written: %w", err)
	}
	return nil
}

func each(c *cobra.Command, do func(*cobra.Command)) {
	do(c)
	for _, sub := range c.Commands() {
		each(sub, do)
	}
}

// asMarkdown is a help text for a reader of Markdown, as the writer of man
// pages is: signs that mean something there are taken at their face, and
// indented lines, which are tables and lists here, keep their shape.
func asMarkdown(text string) string {
	var b strings.Builder
	table := false
	for line := range strings.Lines(text) {
		indented := strings.HasPrefix(line, "  ")
		if indented != table {
			b.WriteString("\n")
			table = indented
		}
		if indented {
			b.WriteString("    " + line)
		} else {
			b.WriteString(markdownSigns.Replace(line))
		}
	}
	return b.String()
}

var markdownSigns = strings.NewReplacer(`\`, `\\`, "*", `\*`, "_", `\_`, "<", `\<`, "[", `\[`, "#", `\#`)
