package main

import (
	"cmp"
	"embed"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// helpTexts hold, for each command, what it does in a line, what there is to know
// of it, and examples.
//
//go:embed help/*.txt
var helpTexts embed.FS

const exitHelp = `Exit codes: 0 done; 1 failed; 2 the command was typed wrongly; 3 done, but some
photos or rows could not be read; 130 interrupted (run it again to go on).`

// helped gives a command the text of its help. What it has to say itself comes
// after that, and the exit codes last.
func helped(c *cobra.Command) {
	text, err := helpTexts.ReadFile("help/" + c.Name() + ".txt")
	if err != nil {
		panic(err) // a slip of the program
	}
	short, rest, _ := strings.Cut(string(text), "\n\n")
	long, examples, _ := strings.Cut(rest, "\n\nExamples:\n")
	if c.Long != "" {
		long += "\n\n" + c.Long
	}
	c.Short, c.Long, c.Example = short, strings.TrimSpace(long)+"\n\n"+exitHelp, strings.TrimRight(examples, "\n")
}

// groupAnnotation marks a flag with the heading its help stands under.
const groupAnnotation = "quadtally_flag_group"

// flagGroup puts flags of a command under a heading of its help. Headings
// appear in the order of these calls; flags in no group come first, under
// "Flags". A name that is no flag of the command is a slip of the program.
func flagGroup(c *cobra.Command, heading string, names ...string) {
	for _, name := range names {
		f := c.Flags().Lookup(name)
		if f == nil {
			panic(fmt.Sprintf("%s has no flag --%s to put under %q", c.Name(), name, heading))
		}
		if f.Annotations == nil {
			f.Annotations = map[string][]string{}
		}
		f.Annotations[groupAnnotation] = []string{heading}
	}
	if c.Annotations == nil {
		c.Annotations = map[string]string{}
	}
	if !slices.Contains(headingsOf(c), heading) {
		c.Annotations[groupAnnotation] = strings.Join(append(headingsOf(c), heading), "\n")
	}
}

// headingsOf lists the headings of a command's flags, in order.
func headingsOf(c *cobra.Command) []string {
	if list := c.Annotations[groupAnnotation]; list != "" {
		return strings.Split(list, "\n")
	}
	return nil
}

// mostHelpLines is what two looks at a small terminal hold. A help that would be
// longer lists the flags of its last groups by name only; `quadtally help
// COMMAND`, and the man pages, tell of all of them.
const mostHelpLines = 45

// flagsOf are the flags of a command's group, "" for those in none.
func flagsOf(c *cobra.Command, heading string) *pflag.FlagSet {
	group := pflag.NewFlagSet("", pflag.ContinueOnError)
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		if in := f.Annotations[groupAnnotation]; heading == "" && in == nil || len(in) == 1 && in[0] == heading {
			group.AddFlag(f)
		}
	})
	return group
}

// groupedFlags writes the flags of a command's help, group by group, the last
// of them by name only.
func groupedFlags(c *cobra.Command, byName int) string {
	var b strings.Builder
	all := append([]string{""}, headingsOf(c)...)
	for i, heading := range all {
		group := flagsOf(c, heading)
		if !group.HasAvailableFlags() {
			continue
		}
		if heading == "" {
			heading = "Flags"
		}
		if i < len(all)-byName {
			fmt.Fprintf(&b, "\n\n%s:\n%s", heading, strings.TrimSuffix(group.FlagUsages(), "\n"))
			continue
		}
		b.WriteString("\n\n" + namesOnly(heading, group))
	}
	return b.String()
}

// namesOnly is a group as a paragraph of 80 columns.
func namesOnly(heading string, group *pflag.FlagSet) string {
	text, width := heading+":", len(heading)+1
	group.VisitAll(func(f *pflag.Flag) {
		if f.Hidden {
			return
		}
		name := " --" + f.Name
		if width+len(name) > 80 {
			text, width = text+"\n ", 1
		}
		text, width = text+name, width+len(name)
	})
	return text
}

// helpText is what a command says of itself, with so many of its groups of
// flags by name only.
func helpText(c *cobra.Command, byName int) string {
	var b strings.Builder
	b.WriteString(strings.TrimSpace(cmp.Or(c.Long, c.Short)))
	if c.HasAvailableSubCommands() {
		fmt.Fprintf(&b, "\n\nUsage: %s COMMAND [flags]; \"%[1]s COMMAND --help\" tells of one command.\n", c.CommandPath())
		for _, g := range c.Groups() {
			b.WriteString("\n" + g.Title + ":")
			for _, sub := range c.Commands() {
				if sub.GroupID == g.ID && sub.IsAvailableCommand() {
					fmt.Fprintf(&b, "\n  %-*s %s", sub.NamePadding(), sub.Name(), sub.Short)
				}
			}
		}
	} else {
		b.WriteString("\n\nUsage:\n  " + c.UseLine())
	}
	b.WriteString(groupedFlags(c, byName))
	if c.HasAvailableInheritedFlags() {
		b.WriteString("\n\n" + namesOnly("Flags of every command", c.InheritedFlags()))
	}
	if byName > 0 && !c.HasAvailableSubCommands() {
		fmt.Fprintf(&b, "\n\"%s help %s\" tells what each of these flags does.", c.Root().Name(), c.Name())
	}
	if c.HasExample() {
		heading := "Example"
		if strings.Contains(strings.TrimSpace(c.Example), "\n") {
			heading = "Examples"
		}
		b.WriteString("\n\n" + heading + ":\n" + c.Example)
	}
	return b.String() + "\n"
}

// shapeHelp gives the root, and by that every command, its help: short after
// --help, whole from the command help.
func shapeHelp(root *cobra.Command) {
	root.SetHelpFunc(func(c *cobra.Command, _ []string) {
		text, byName := helpText(c, 0), 0
		for strings.Count(text, "\n") > mostHelpLines && byName <= len(headingsOf(c)) {
			byName++
			text = helpText(c, byName)
		}
		fmt.Fprint(c.OutOrStdout(), text)
	})
	root.SetHelpCommand(&cobra.Command{
		Use:    "help [COMMAND]",
		Short:  "Tell everything of a command",
		Hidden: true,
		Args:   takes(0, 1, "at most one command"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, _, err := root.Find(args)
			if err != nil || c == root && len(args) > 0 {
				return usagef("there is no command %q: `%s --help` lists them", args[0], root.Name())
			}
			_, err = fmt.Fprint(cmd.OutOrStdout(), helpText(c, 0))
			return err
		},
	})
}
