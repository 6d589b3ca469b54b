package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
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
	dryRun, json                     bool
	decimal, dates, unlisted         string
	weight, lengthUnit, length, date string
	visit                            int
	observer                         string
}

var sheetKinds = []sheetKind{
	{
		name: "counts", short: "Store hand counts and other assessments from a CSV or XLSX",
		long: `Stores hand counts by quadrat and class, cover estimates and any other
assessment. Three shapes are understood:

  a column for each class    plot,quadrat,date,broadleaf,grass,cover_%
  a row for each class       plot,quadrat,visit,species,group,life,count
  a row for each value       plot,quadrat,visit,variable,value,unit

A blank cell, ".", "-" or NA is missing; 0 is a count of zero. Rows with a fault
are named and left out; the others are stored. A corrected sheet can be stored
again: only what changed is added, and the older values stay in the history.`,
		example: "  quadtally counts june-14.csv --observer Ada\n  quadtally counts june-14.xlsx --dry-run",
		read:    sheets.Counts,
		flags: func(c *cobra.Command, f *sheetFlags) {
			c.Flags().StringVar(&f.unlisted, "unlisted", "", "`zero`: a class without a row, in a quadrat that was looked at, is 0")
			c.Flags().IntVar(&f.visit, "visit", 0, "the visit of every row, where the sheet has no column for it")
			c.Flags().StringVar(&f.observer, "observer", "", "who counted, where the sheet has no column for it")
		},
	},
	{
		name: "yields", short: "Store harvest weights from a CSV or XLSX",
		long: `Stores what was weighed: plot, date, marketable and cull weight with their unit
in the header (marketable_kg, cull_lb), bed length cut (bed_length_m,
bed_length_ft), pieces, stand, trim. Several picks of a plot are rows of their
own and are added up before any analysis.`,
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
with its unit, growth stage, passes. Treatments that never share a date of
seeding, termination or planting are named as confounded in the comparison.

Rollers, mowers and sprayers: work to the machine's manual and the product's
label, with the licences your place asks for.`,
		example: "  quadtally field operations.csv",
		read:    sheets.Field,
	},
}

func sheetCommands(a *app) []*cobra.Command {
	var out []*cobra.Command
	for _, k := range sheetKinds {
		var f sheetFlags
		c := &cobra.Command{
			Use: k.name + " FILE", Short: k.short, Long: k.long + "\n\n" + exitHelp, Example: k.example,
			Args: takes(1, 1, "one file"),
			RunE: func(cmd *cobra.Command, args []string) error { return a.storeSheet(k, args[0], f) },
		}
		c.Flags().BoolVar(&f.dryRun, "dry-run", false, "say what would change and store nothing")
		c.Flags().BoolVar(&f.json, "json", false, "the outcome as JSON")
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
			return 0, usagef("--%s %q: say %s", flag, given, strings.Join(slices.Sorted(maps.Keys(among)), " or "))
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
	if d, err = choose("unlisted", f.unlisted, map[string]int{"": 0, "zero": 1}); err != nil {
		return o, err
	}
	o.UnlistedZero = d == 1
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

// storeOutcome is what came of a sheet.
type storeOutcome struct {
	File    string         `json:"file"`
	Rows    int            `json:"rows"`
	Values  int            `json:"values"`
	Added   int            `json:"added"`
	Same    int            `json:"unchanged"`
	Changed []change       `json:"changed"`
	Clashes []change       `json:"changed_by_two_people"`
	Stored  bool           `json:"stored"`
	Notes   []string       `json:"notes"`
	Faults  []tables.Fault `json:"faults"`
}

type change struct {
	What string `json:"what"`
	Was  string `json:"was"`
	Now  string `json:"now"`
}

func (a *app) storeSheet(k sheetKind, path string, f sheetFlags) error {
	opt, err := f.options()
	if err != nil {
		return err
	}
	data, err := readFile(path, tables.MaxBytes)
	if err != nil {
		return err
	}
	sheet, err := tables.Read(path, data)
	if err != nil {
		return err
	}
	return a.withTrial(func(store *record.Store, snap *record.Snapshot) error {
		if opt.Visit < 0 || opt.Visit > len(snap.Trial.Visits) {
			return usagef("--visit %d: the plan has %d visits", opt.Visit, len(snap.Trial.Visits))
		}
		im, err := k.read(&snap.Trial, snap.Plots, sheet, opt)
		if err != nil {
			return err
		}
		out := storeOutcome{File: path, Rows: im.Rows, Values: len(im.Observations) + len(im.Operations), Notes: im.Notes, Faults: im.Faults, Stored: !f.dryRun}
		was := currentValues(snap)
		for _, o := range im.Observations {
			if old, ok := was[valueKey(o)]; ok && (old.Missing != o.Missing || old.Value != o.Value) {
				out.Changed = append(out.Changed, change{describe(o), amount(old), amount(o)})
			}
		}
		if !f.dryRun && out.Values > 0 {
			_, err = store.Write(a.ctx, k.name, path, func(tx *record.Tx) error {
				for _, o := range im.Observations {
					added, clash, err := tx.AddObservation(o, snap.Entry)
					if err != nil {
						return err
					}
					if clash != nil {
						out.Clashes = append(out.Clashes, change{describe(o), amount(clash.Was) + " by " + clash.Was.Author, amount(o)})
					}
					out.tally(added)
				}
				for _, op := range im.Operations {
					added, err := tx.AddOperation(op)
					if err != nil {
						return err
					}
					out.tally(added)
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		return a.tellOutcome(out, f.json)
	})
}

func (o *storeOutcome) tally(added bool) {
	if added {
		o.Added++
	} else {
		o.Same++
	}
}

func (a *app) tellOutcome(o storeOutcome, asJSON bool) error {
	for _, n := range o.Notes {
		a.note("note: %s", n)
	}
	for _, f := range o.Faults {
		if f.Line > 0 {
			a.note("%s:%d: %s", o.File, f.Line, f.Text)
		} else {
			a.note("%s: %s", o.File, f.Text)
		}
	}
	if asJSON {
		if err := a.writeJSON(o); err != nil {
			return err
		}
	} else {
		verb := "stored"
		if !o.Stored {
			verb = "understood; nothing was stored (dry run)"
		}
		fmt.Fprintf(a.out, "%s: %s, %s %s", o.File, plural(o.Rows, "row"), plural(o.Values, "value"), verb)
		if o.Stored && o.Same > 0 {
			fmt.Fprintf(a.out, " (%d new, %d as before)", o.Added, o.Same)
		}
		fmt.Fprintln(a.out)
		for _, c := range o.Changed {
			fmt.Fprintf(a.out, "  changed: %s, was %s, now %s\n", c.What, c.Was, c.Now)
		}
		for _, c := range o.Clashes {
			fmt.Fprintf(a.out, "  changed by somebody else meanwhile: %s, was %s, now %s; both are in the history\n", c.What, c.Was, c.Now)
		}
	}
	if len(o.Faults) > 0 {
		if o.Values == 0 {
			return fmt.Errorf("%s: nothing could be read; see the lines above", o.File)
		}
		return partly{len(o.Faults)}
	}
	return nil
}

// valueKey is which value an observation tells, for finding the earlier one.
func valueKey(o record.Observation) string {
	date := ""
	if o.Visit == 0 {
		date = o.Date.String()
	}
	return strings.Join([]string{o.Plot, fmt.Sprint(o.Quadrat), fmt.Sprint(o.Visit), date, o.Variable, o.Class}, "\x00")
}

func currentValues(snap *record.Snapshot) map[string]record.Observation {
	m := make(map[string]record.Observation, len(snap.Observations))
	for _, o := range snap.Observations {
		m[valueKey(o)] = o
	}
	return m
}

func describe(o record.Observation) string {
	s := "plot " + o.Plot
	if o.Quadrat > 0 {
		s += fmt.Sprintf(" quadrat %d", o.Quadrat)
	}
	if o.Visit > 0 {
		s += fmt.Sprintf(" visit %d", o.Visit)
	} else if !o.Date.IsZero() {
		s += " on " + o.Date.String()
	}
	s += " " + o.Variable
	if o.Class != "" {
		s += " (" + o.Class + ")"
	}
	return s
}

func amount(o record.Observation) string {
	if o.Missing {
		return "missing"
	}
	return fmt.Sprintf("%g %s", o.Value, o.Unit)
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
