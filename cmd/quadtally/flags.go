package main

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
)

// parsed is a flag whose value is read by a function as it is met.
type parsed func(string) error

func (p parsed) Set(text string) error { return p(text) }
func (p parsed) String() string        { return "" }
func (p parsed) Type() string          { return "string" }

// parse makes a flag that read turns into a value.
func parse[T any](fl *pflag.FlagSet, to *T, name, usage string, read func(string) (T, error)) {
	fl.Var(parsed(func(text string) (err error) {
		if text != "" {
			*to, err = read(text)
		}
		return err
	}), name, usage)
}

// positive refuses zero and less for a flag of a number.
func positive[T int | time.Duration](fl *pflag.FlagSet, name string, v *T) {
	f := fl.Lookup(name)
	f.Value = above{f.Value, func() bool { return *v > 0 }}
}

type above struct {
	pflag.Value
	ok func() bool
}

func (v above) Set(text string) error {
	err := v.Value.Set(text)
	if err == nil && !v.ok() {
		return errNotPositive
	}
	return err
}

var errNotPositive = errors.New("not above zero")

// oneOf makes a flag that takes one of a few words.
func oneOf[T any](fl *pflag.FlagSet, to *T, name, usage string, words map[string]T) {
	parse(fl, to, name, usage, func(text string) (T, error) {
		v, ok := words[text]
		if !ok {
			return v, fmt.Errorf("%q: say %s", text, strings.Join(slices.Sorted(maps.Keys(words)), " or "))
		}
		return v, nil
	})
}

func decimalFlag(fl *pflag.FlagSet, to *tables.Decimal, usage string) {
	oneOf(fl, to, "decimal", usage, map[string]tables.Decimal{"point": tables.Point, "comma": tables.Comma})
}

func noCommand(name string) error {
	return usagef("there is no command %q: `quadtally --help` lists them", name)
}

// flagError says which flag was given what cannot be read.
func flagError(cmd *cobra.Command, err error) error {
	var bad *pflag.InvalidValueError
	if errors.As(err, &bad) {
		if _, ours := bad.GetFlag().Value.(parsed); ours {
			return usagef("--%s: %v", bad.GetFlag().Name, bad.Unwrap())
		}
		if errors.Is(err, errNotPositive) {
			return usagef("--%s: %s is %w", bad.GetFlag().Name, bad.GetValue(), errNotPositive)
		}
		what := map[string]string{"int": "a whole number", "uint64": "a whole number from 0", "float64": "a number", "duration": "a length of time, such as 90s or 2m", "bool": "true or false"}[bad.GetFlag().Value.Type()]
		if what != "" {
			return usagef("--%s: %q is not %s", bad.GetFlag().Name, bad.GetValue(), what)
		}
	}
	if !cmd.HasParent() && cmd.Flags().NArg() > 0 { // not a command: its flags say nothing
		return noCommand(cmd.Flags().Arg(0))
	}
	return usagef("%v; `%s --help` shows the flags", err, cmd.CommandPath())
}

// tableFlags are those of a command that takes its values from any table too.
type tableFlags struct {
	analysis.TableColumns
	from, kind string
}

// define makes the flags that say what the columns of the table hold; when says
// of what they are.
func (t *tableFlags) define(fl *pflag.FlagSet, when string) {
	fl.StringVar(&t.Value, "value", "", when+": the column that holds the value (default: named like the response)")
	fl.StringVar(&t.kind, "kind", "", when+": measure, percent, proportion or count (default: by the response's name)")
	decimalFlag(fl, &t.Decimal, when+": `point` or comma")
}

// measuringFlags are the flags of every command that measures photos.
func measuringFlags(fl *pflag.FlagSet, opt *season.Options) {
	fl.IntVar(&opt.Workers, "workers", opt.Workers, "photos measured at once")
	fl.DurationVar(&opt.Limit, "limit", opt.Limit, "longest time for one photo")
	positive(fl, "workers", &opt.Workers)
	positive(fl, "limit", &opt.Limit)
}

// forceFlag gives a command that writes files the flag to replace others'.
func (a *app) forceFlag(fl *pflag.FlagSet) {
	fl.BoolVar(&a.force, "force", false, "replace a file that quadtally did not write, or that was changed")
}

// unused refuses flags that were given and would change nothing: whoever gave
// them meant something by it.
func unused(cmd *cobra.Command, what string, flags ...string) error {
	for _, name := range flags {
		if cmd.Flags().Changed(name) {
			return usagef("--%s does nothing for %s: leave it out", name, what)
		}
	}
	return nil
}

// allRows is what flags that choose among a trial's readings do nothing for.
const allRows = "a table, of which all rows are taken"

// alone refuses a flag that was given without any of those it adds to.
func alone(cmd *cobra.Command, flag string, addsTo ...string) error {
	if !cmd.Flags().Changed(flag) || slices.ContainsFunc(addsTo, cmd.Flags().Changed) {
		return nil
	}
	return usagef("--%s does nothing without --%s: leave it out, or give both", flag, strings.Join(addsTo, " or --"))
}

func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usagef("%s takes no %q: `%s --help` shows what it takes", cmd.CommandPath(), args[0], cmd.CommandPath())
	}
	return nil
}

// takes checks the number of arguments; what names them in the message. A
// negative most means any number.
func takes(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < least || (most >= 0 && len(args) > most) {
			return usagef("%s needs %s: `%s --help` shows an example", cmd.CommandPath(), what, cmd.CommandPath())
		}
		return nil
	}
}
