package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

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

// groupedFlags writes the flags of a command's help, group by group.
func groupedFlags(c *cobra.Command) string {
	var b strings.Builder
	for _, heading := range append([]string{""}, headingsOf(c)...) {
		group := pflag.NewFlagSet("", pflag.ContinueOnError)
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if in := f.Annotations[groupAnnotation]; heading == "" && in == nil || len(in) == 1 && in[0] == heading {
				group.AddFlag(f)
			}
		})
		if heading == "" {
			heading = "Flags"
		}
		if group.HasAvailableFlags() {
			fmt.Fprintf(&b, "\n%s:\n%s", heading, group.FlagUsages())
		}
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// usageTemplate is cobra's own, with the flags in groups, the example last and
// without what this program does not use (aliases, command groups, help topics).
const usageTemplate = `Usage:{{if .Runnable}}
  {{.UseLine}}{{end}}{{if .HasAvailableSubCommands}}
  {{.CommandPath}} [command]

Commands:{{range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}} {{.Short}}{{end}}{{end}}{{end}}{{if .HasAvailableLocalFlags}}
{{groupedFlags .}}{{end}}{{if .HasAvailableInheritedFlags}}

Flags of every command:
{{.InheritedFlags.FlagUsages | trimTrailingWhitespaces}}{{end}}{{if .HasExample}}

{{if examples .}}Examples{{else}}Example{{end}}:
{{.Example}}{{end}}{{if .HasAvailableSubCommands}}

"{{.CommandPath}} COMMAND --help" tells more of a command.{{end}}
`

// shapeHelp gives the root, and by that every command, its help.
func shapeHelp(root *cobra.Command) {
	cobra.AddTemplateFunc("groupedFlags", groupedFlags)
	cobra.AddTemplateFunc("examples", func(c *cobra.Command) bool { return strings.Count(strings.TrimSpace(c.Example), "\n") > 0 })
	root.SetUsageTemplate(usageTemplate)
}
