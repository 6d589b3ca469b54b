package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// sheetKind is one kind of sheet a person hands in.
type sheetKind struct {
	name, short, long, example string
	read                       func(*trial.Trial, []trial.Plot, *tables.Sheet, sheets.Options) (sheets.Import, error)
	flags                      func(*cobra.Command, *sheetFlags)
}

type sheetFlags struct {
	dryRun, json, agreed             bool
	as, columns, worksheet           string
	decimal, dates, unlisted         string
	weight, lengthUnit, length, date string
	visit                            int
	observer                         string
}

var sheetKinds = []sheetKind{
	{
		name: "counts", short: "Store hand counts and other assessments from a CSV or XLSX",
		long: `Stores hand counts, cover estimates and any other assessment, in three shapes:

  a column for each class    plot,quadrat,date,broadleaf,grass,cover_%
  a row for each class       plot,quadrat,visit,species,group,life,count
  a row for each value       plot,quadrat,visit,variable,value,unit

A blank cell, ".", "-" or NA is missing; 0 is zero. Rows with a fault are left out.

--columns says what an unknown column is: weed, assessment UNIT, regrowth, ignore.`,
		example: `  quadtally counts june-14.csv --observer Ada
  quadtally counts june-14.csv --columns "height=crop height in; fleabane=weed broadleaf annual; minutes=ignore"`,
		read: sheets.Counts,
		flags: func(c *cobra.Command, f *sheetFlags) {
			c.Flags().StringVar(&f.unlisted, "unlisted", "", "`zero` or unknown: what a class is where weeds were counted and nothing is said of it; CLASS=zero for one; remembered")
			c.Flags().IntVar(&f.visit, "visit", 0, "the visit of every row, where the sheet has no column for it")
			c.Flags().StringVar(&f.observer, "observer", "", "who counted, where the sheet has no column for it")
		},
	},
	{
		name: "yields", short: "Store harvest weights from a CSV or XLSX",
		long: `Stores what was weighed: plot, date, marketable and cull weight with their unit
in the header (marketable_kg, cull_lb), bed length cut (bed_length_m,
bed_length_ft), pieces, stand, trim. Several picks of a plot are rows of their
own, told apart by a column pick or by date, and are added up. A plot that lacks a
pick has no season's yield until its row is added, with 0 (nothing to cut) or NA.`,
		example: "  quadtally yields harvest.csv\n  quadtally yields harvest.xlsx --weight lb --length 30ft",
		read:    sheets.Yields,
		flags: func(c *cobra.Command, f *sheetFlags) {
			c.Flags().StringVar(&f.weight, "weight", "", "`kg` or lb, where the header does not say")
			c.Flags().StringVar(&f.lengthUnit, "length-unit", "", "`m` or ft, where the header does not say")
			c.Flags().StringVar(&f.length, "length", "", "bed `length` cut from every plot, such as 3m or 30ft, where the sheet has no column for it")
		},
	},
	{
		name: "field", short: "Store field operations from a CSV or XLSX",
		long: `Stores what was done to the field: date, operation (seeding, termination,
planting, ...), treatment or plot (blank or "all": the whole trial), input, rate
with its unit, growth stage, passes, implement and its weight, soil moisture. What
each word for work is taken for is printed. Treatments that never share a date of
seeding, termination or planting are named as confounded in the comparison.

Rollers, mowers and sprayers: work to the machine's manual and the product's
label, with the licences your place asks for.`,
		example: "  quadtally field operations.csv",
		read:    sheets.Field,
	},
}

const correctionHelp = `Stored again under its name, a corrected sheet takes the place of what it said
before: values change, move, or are withdrawn. That is shown, with --dry-run
without storing it; "quadtally undo" takes it back. What another sheet says
otherwise, or has already under another day or plot, is asked about first (exit
code 1, nothing stored).`

func sheetCommands(a *app) []*cobra.Command {
	var out []*cobra.Command
	for _, k := range sheetKinds {
		var f sheetFlags
		c := &cobra.Command{
			Use: k.name + " FILE", Short: k.short, Long: k.long + "\n\n" + correctionHelp + "\n\n" + exitHelp, Example: k.example,
			Args: takes(1, 1, "one file"),
			RunE: func(cmd *cobra.Command, args []string) error { return a.storeSheet(k, args[0], f) },
		}
		c.Flags().BoolVar(&f.dryRun, "dry-run", false, "say what would change and store nothing")
		c.Flags().BoolVar(&f.json, "json", false, "the outcome as JSON")
		c.Flags().StringVar(&f.as, "as", "", "the sheet's `name` in the record (default: the file's)")
		c.Flags().BoolVar(&f.agreed, "agreed", false, "yes to what was asked about other sheets")
		c.Flags().StringVar(&f.columns, "columns", "", "what columns hold, `NAME=MEANING;...`; remembered")
		c.Flags().StringVar(&f.worksheet, "worksheet", "", "`name` of the sheet of a workbook (default: the first visible one)")
		c.Flags().StringVar(&f.decimal, "decimal", "", "`point` or comma, where the sheet leaves it open")
		c.Flags().StringVar(&f.dates, "dates", "", "`day-first` or month-first, where the sheet leaves it open")
		c.Flags().StringVar(&f.date, "date", "", "the date of every row (`YYYY-MM-DD`), where the sheet has no column for it")
		if k.flags != nil {
			k.flags(c, &f)
		}
		out = append(out, c)
	}
	return out
}

func (f *sheetFlags) options() (o sheets.Options, err error) {
	choose := func(flag, given string, among map[string]int) (int, error) {
		v, ok := among[given]
		if !ok {
			return 0, usagef("--%s %q: say %s", flag, given, strings.Join(slices.DeleteFunc(slices.Sorted(maps.Keys(among)), func(w string) bool { return w == "" }), " or "))
		}
		return v, nil
	}
	d, err := choose("decimal", f.decimal, map[string]int{"": 0, "point": int(tables.Point), "comma": int(tables.Comma)})
	if err != nil {
		return o, err
	}
	o.Decimal = tables.Decimal(d)
	if d, err = choose("dates", f.dates, map[string]int{"": 0, "day-first": int(tables.DayFirst), "month-first": int(tables.MonthFirst)}); err != nil {
		return o, err
	}
	o.Dates = tables.DateOrder(d)
	if o.Unlisted, o.UnlistedOf, err = sheets.ParseUnlisted(f.unlisted); err != nil {
		return o, usagef("--unlisted %v", err)
	}
	if o.Columns, err = sheets.ParseColumns(f.columns); err != nil {
		return o, usagef("--columns: %v", err)
	}
	if f.date != "" {
		if o.Date, err = trial.ParseDate(f.date); err != nil {
			return o, usagef("--date: %v", err)
		}
	}
	if f.length != "" {
		if o.LengthMM, err = trial.ParseLength(f.length); err != nil {
			return o, usagef("--length: %v", err)
		}
	}
	o.WeightUnit, o.LengthUnit, o.Visit, o.Observer = f.weight, f.lengthUnit, f.visit, f.observer
	return o, nil
}

// readFile reads a whole file of at most limit bytes.
func readFile(path string, limit int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%s: there is no such file: check the spelling", path)
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s is a folder: name one file", path)
	}
	if info.Size() > limit {
		return nil, fmt.Errorf("%s is larger than %d MB", path, limit>>20)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: check the permissions (%w)", path, err)
	}
	return b, nil
}

// writeJSON writes one value as indented JSON and a newline.
func (a *app) writeJSON(v any) error {
	enc := json.NewEncoder(a.out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}
