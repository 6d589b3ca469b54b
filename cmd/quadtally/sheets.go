package main

import (
	"cmp"
	"io"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/sheetstore"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

const correctionHelp = `Stored again under its name, a corrected sheet takes the place of what it said
before: values change, move, or are withdrawn. That is shown, with --dry-run
without storing it; "quadtally undo" takes it back. What another sheet says
otherwise, or has already under another day or plot, is asked about first (exit
code 1, nothing stored).`

// sheetFlags are the flags of one kind of sheet each.
var sheetFlags = map[sheets.Kind]func(*pflag.FlagSet, *sheets.Options){
	sheets.KindCounts: func(fl *pflag.FlagSet, o *sheets.Options) {
		fl.Var(parsed(func(text string) (err error) {
			o.Unlisted, o.UnlistedOf, err = sheets.ParseUnlisted(text)
			return err
		}), "unlisted", "`zero` or unknown: what a class is where weeds were counted and nothing is said of it; CLASS=zero for one; remembered")
		fl.IntVar(&o.Visit, "visit", 0, "the visit of every row, where the sheet has no column for it")
		fl.StringVar(&o.Observer, "observer", "", "who counted, where the sheet has no column for it")
	},
	sheets.KindYields: func(fl *pflag.FlagSet, o *sheets.Options) {
		fl.StringVar(&o.WeightUnit, "weight", "", "`kg` or lb, where the header does not say")
		fl.StringVar(&o.LengthUnit, "length-unit", "", "`m` or ft, where the header does not say")
		parse(fl, &o.LengthMM, "length", "bed `length` cut from every plot, such as 3m or 30ft, where the sheet has no column for it", trial.ParseLength)
	},
	sheets.KindField: func(*pflag.FlagSet, *sheets.Options) {},
}

func sheetCommands(a *app) []*cobra.Command {
	var out []*cobra.Command
	for _, kind := range []sheets.Kind{sheets.KindCounts, sheets.KindYields, sheets.KindField} {
		r := sheetstore.Request{Kind: kind}
		var asJSON bool
		c := &cobra.Command{
			Use: string(kind) + " FILE", Long: correctionHelp, Args: takes(1, 1, "one file"),
			RunE: func(cmd *cobra.Command, args []string) (err error) {
				r.Path = args[0]
				if r.Data, err = readFile(r.Path); err != nil {
					return err
				}
				return a.withTrial(useFor(!r.DryRun), func(store *record.Store, snap *record.Snapshot) error {
					if err := visitOf(snap, r.Options.Visit); err != nil {
						return err
					}
					out, err := sheetstore.Store(a.ctx, store, snap, r)
					if out == nil {
						return err
					}
					a.notes("", out.Before()...)
					shown := a.show(asJSON, out, func(w io.Writer) error { out.WriteText(w); return nil })
					a.notes("question: ", out.After()...)
					return cmp.Or(err, shown, out.Refused(), partlyDone(out.Unread))
				})
			},
		}
		fl := c.Flags()
		fl.BoolVar(&r.DryRun, "dry-run", false, "say what would change and store nothing")
		fl.BoolVar(&asJSON, "json", false, "the outcome as JSON")
		fl.StringVar(&r.As, "as", "", "the sheet's `name` in the record (default: the file's)")
		fl.BoolVar(&r.Agreed, "agreed", false, "yes to what was asked about other sheets")
		parse(fl, &r.Options.Columns, "columns", "what columns hold, `NAME=MEANING;...`; remembered", sheets.ParseColumns)
		fl.StringVar(&r.Worksheet, "worksheet", "", "`name` of the sheet of a workbook (default: the first visible one)")
		decimalFlag(fl, &r.Options.Decimal, "`point` or comma, where the sheet leaves it open")
		oneOf(fl, &r.Options.Dates, "dates", "`day-first` or month-first, where the sheet leaves it open",
			map[string]tables.DateOrder{"day-first": tables.DayFirst, "month-first": tables.MonthFirst})
		parse(fl, &r.Options.Date, "date", "the date of every row (`YYYY-MM-DD`), where the sheet has no column for it", trial.ParseDate)
		sheetFlags[kind](fl, &r.Options)
		out = append(out, c)
	}
	return out
}
