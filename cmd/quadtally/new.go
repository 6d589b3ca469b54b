package main

import (
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// layoutCommands are the commands before the field work.
func layoutCommands(a *app) []*cobra.Command {
	return []*cobra.Command{newCommand(a), mapCommand(a), cardsCommand(a)}
}

// planFlag is a plan key as a flag.
func planFlag(key string) string {
	if key == "trial" {
		return "name" // --trial is the folder
	}
	return strings.ReplaceAll(key, " ", "-")
}

type newFlags struct {
	plan, layout, writePlan string
	cv                      float64
	dry, full               bool
	set                     map[string]*[]string
}

func newCommand(a *app) *cobra.Command {
	f := newFlags{set: map[string]*[]string{}}
	c := &cobra.Command{
		Use:   "new",
		Short: "Lay out a trial, or enter one that is already in the ground",
		Long: `Reads the plan from a file, from flags, or from both (flags win), draws the layout
and saves it in the trial's folder. The saved layout is the truth: it is never
drawn again. A layout that is already in the ground is entered with --layout, a
table with the columns plot, block, treatment and, for the map, bed, from, length.

It says at once what the design can show: residual degrees of freedom, and the
smallest difference between treatments that it can be expected to find.

` + exitHelp,
		Example: `  quadtally new --plan plan.txt --trial leeks2026 --dry-run
  quadtally new --plan plan.txt --layout layout.csv
  quadtally new --name "Alder Bend leeks" --treatment "BARE; control" --treatment RYE --treatment STRAW \
    --blocks 7 --bed-spacing 1.5m --plot-length 10m --end-border 1m`,
		RunE: func(cmd *cobra.Command, args []string) error { return a.newTrial(cmd, f) },
	}
	fl := c.Flags()
	fl.StringVar(&f.plan, "plan", "", "plan file: one `key: value` a line")
	fl.StringVar(&f.layout, "layout", "", "CSV or XLSX of a layout that is already in the ground")
	fl.StringVar(&f.writePlan, "write-plan", "", "write the plan as understood to this file")
	fl.Float64Var(&f.cv, "cv", 30, "coefficient of variation of plots within a block, in %; 0 leaves it out")
	fl.BoolVar(&f.full, "full", false, "the flags of every plot too")
	fl.BoolVar(&f.dry, "dry-run", false, "show everything, save nothing")
	a.forceFlag(c)
	for _, key := range trial.PlanKeys() {
		f.set[key] = fl.StringArray(planFlag(key), nil, trial.KeyHelp(key))
		flagGroup(c, trial.KeyGroup(key), planFlag(key))
	}
	return c
}

func (a *app) newTrial(cmd *cobra.Command, f newFlags) error {
	if f.cv < 0 || f.cv > 1000 || f.cv != f.cv {
		return usagef("--cv %g: give a coefficient of variation in %%, such as 30", f.cv)
	}
	if !f.dry { // before anything is shown
		if err := record.CanCreate(a.trialDir); err != nil {
			return err
		}
	}
	t, err := readPlan(cmd, f)
	if err != nil {
		return err
	}
	if err := classNames(nil, t.Classes); err != nil {
		return err
	}
	if t.Seed == 0 { // an existing layout needs it too: its quadrats' places are drawn
		if t.Seed, err = drawSeed(); err != nil {
			return err
		}
	}
	var plots []trial.Plot
	if f.layout != "" {
		if t, plots, err = a.existingLayout(t, f.layout); err != nil {
			return err
		}
	} else {
		if plots, err = trial.LayOut(&t); err != nil {
			return fmt.Errorf("the plan cannot be laid out:\n%w", err)
		}
		t.Generator = trial.GeneratorName
	}

	if err := a.printLayout(&t, plots, f); err != nil {
		return err
	}
	if f.writePlan != "" {
		var b strings.Builder
		if err := trial.WritePlan(&b, &t); err != nil {
			return err
		}
		if err := a.writeTo(f.writePlan, writeBytes([]byte(b.String()))); err != nil {
			return err
		}
	}
	if f.dry {
		a.note("nothing was saved (--dry-run); to keep this very layout give --seed %d", t.Seed)
		return nil
	}
	store, err := record.Create(a.trialDir, t, plots, record.Options{Author: a.author(), Clock: a.clock})
	if err != nil {
		return err
	}
	a.note("saved in %s", filepath.Join(a.trialDir, record.FileName))
	return store.Close()
}

// printLayout shows what was laid out and what it can show, on one screen or
// with the tables of flags.
func (a *app) printLayout(t *trial.Trial, plots []trial.Plot, f newFlags) error {
	width, rows := a.screen()
	o := analysis.WhatItCanShow(t, plots, f.cv/100)
	opt := report.TextOptions{Short: !f.full, Term: a.term}
	l := report.Layout{Sentences: o.Sentences, Warnings: append(o.Warnings, analysis.ConfoundedDates(t)...),
		Seed: fmt.Sprintf("Layout: %s, seed %d.", t.Generator, t.Seed)}
	if !f.full {
		l.Seed = fmt.Sprintf("Drawn with seed %d.", t.Seed)
		if f.layout != "" {
			l.Seed = "Layout as entered."
		}
	}
	if f.full {
		var err error
		if l.Map, err = trial.TextMap(t, plots, trial.MapOptions{}, width); err != nil {
			return err
		}
		return report.WriteLayout(a.out, l, opt)
	}
	l.Map, _ = trial.ScreenMap(t, plots, trial.MapOptions{}, width, rows-l.Lines(opt))
	return report.WriteLayout(a.out, l, opt)
}

// readPlan takes the plan file, then what flags say.
func readPlan(cmd *cobra.Command, f newFlags) (trial.Trial, error) {
	t := trial.Defaults()
	if f.plan != "" {
		file, err := os.Open(f.plan)
		if err != nil {
			return t, fmt.Errorf("the plan cannot be read: %w", err)
		}
		defer file.Close()
		var faults trial.Faults
		if t, faults = trial.ReadPlan(file, filepath.Base(f.plan)); len(faults) > 0 {
			return t, faults
		}
	}
	for _, key := range trial.PlanKeys() {
		if !cmd.Flags().Changed(planFlag(key)) {
			continue
		}
		if err := t.SetAll(key, *f.set[key]); err != nil {
			return t, usagef("--%s: %v", planFlag(key), err)
		}
	}
	if t.Tag == "" {
		t.Tag = trial.TagFor(t.Name)
	}
	return t, nil
}

// existingLayout reads a table of plots into the plan.
func (a *app) existingLayout(t trial.Trial, path string) (trial.Trial, []trial.Plot, error) {
	s, err := a.readSheet(path)
	if err != nil {
		return t, nil, err
	}
	var faults trial.Faults
	for _, f := range s.Faults {
		faults = append(faults, trial.Fault{Text: s.FaultText(f)})
	}
	for _, need := range []string{"plot", "treatment"} {
		if s.Column(layoutColumns[need]...) < 0 {
			faults = append(faults, trial.Fault{Text: s.MissingColumn(need).Error()})
		}
	}
	if len(faults) > 0 {
		return t, nil, faults
	}
	cell := func(row tables.Row, name string) string {
		c := s.Column(layoutColumns[name]...)
		if c < 0 {
			return ""
		}
		if d := row.Cells[c].Date; !d.IsZero() {
			return d.String() // a number the spreadsheet took for a date: shown as it stands
		}
		return row.Cells[c].Text
	}
	// A number is in the unit its header names; without one it is in the plan's.
	length := func(row tables.Row, name string) string {
		text := cell(row, name)
		for _, unit := range []string{"m", "ft"} {
			if _, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err == nil && s.Column(name+" "+unit) >= 0 && s.Column(name) < 0 {
				return text + " " + unit
			}
		}
		return text
	}
	var rows []trial.TableRow
	for _, r := range s.Rows {
		rows = append(rows, trial.TableRow{Where: s.Where(r.Line), Plot: cell(r, "plot"), Block: cell(r, "block"), Column: cell(r, "column"),
			Treatment: cell(r, "treatment"), Bed: cell(r, "bed"), Beds: cell(r, "beds"), From: length(r, "from"), Length: length(r, "length"), Order: cell(r, "order")})
	}
	laid, plots, notes, faults := trial.FromTable(&t, rows)
	for _, n := range notes {
		a.note("note: %s", n)
	}
	faults = append(faults, trial.ValidateRecord(&laid)...)
	return laid, plots, faults.Err()
}

// layoutColumns are the names a layout's columns may have.
var layoutColumns = map[string][]string{
	"plot":      {"plot", "plot id", "plot no", "plot number"},
	"block":     {"block", "rep", "replicate", "row"},
	"column":    {"column", "col"},
	"treatment": {"treatment", "trt", "treat"},
	"bed":       {"bed", "first bed"},
	"beds":      {"beds", "number of beds"},
	"from":      {"from", "from m", "from ft", "start"},
	"length":    {"length", "length m", "length ft"},
	"order":     {"order", "walk"},
}

// drawSeed takes a seed from the operating system. It is kept short enough to
// be copied by hand, and is never 0, which stands for "none given".
func drawSeed() (uint64, error) {
	var b [8]byte
	if _, err := rand.Read(b[:]); err != nil {
		return 0, fmt.Errorf("no random seed could be drawn: give one with --seed (%w)", err)
	}
	return 1 + binary.LittleEndian.Uint64(b[:])%999_999_999, nil
}

// classNames refuses new classes of plants that a sheet would take for a column
// of something else.
func classNames(old, now []trial.Class) error {
	for _, c := range now {
		if !slices.Contains(old, c) && sheets.NameTaken(c.Name) {
			return fmt.Errorf("class: %q is the name of a column of sheets: give the class another name", c.Name)
		}
	}
	return nil
}
