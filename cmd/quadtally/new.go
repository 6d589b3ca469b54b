package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/trial"
)

// planFlag is a plan key as a flag.
func planFlag(key string) string {
	if key == "trial" {
		return "name" // --trial is the folder
	}
	return strings.ReplaceAll(key, " ", "-")
}

type newFlags struct {
	plan, layout, writePlan string
	cvPercent               float64
	dry, full               bool
	set                     map[string]*[]string
}

func newCommand(a *app) *cobra.Command {
	f := newFlags{set: map[string]*[]string{}}
	c := &cobra.Command{
		Use: "new",
		RunE: func(cmd *cobra.Command, args []string) error {
			if !(f.cvPercent >= 0 && f.cvPercent <= 1000) {
				return usagef("--cv %g: give a coefficient of variation in %%, such as 30", f.cvPercent)
			}
			if !f.dry { // before anything is shown
				if err := record.CanCreate(a.trialDir); err != nil {
					return err
				}
			}
			t, err := readPlan(trial.Defaults(), f.plan)
			if err != nil {
				return err
			}
			for _, key := range trial.PlanKeys() {
				if !cmd.Flags().Changed(planFlag(key)) {
					continue
				}
				if err := t.SetAll(key, *f.set[key]); err != nil {
					return usagef("--%s: %v", planFlag(key), err)
				}
			}
			return a.newTrial(t, &f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.plan, "plan", "", "plan file: one `key: value` a line")
	fl.StringVar(&f.layout, "layout", "", "CSV or XLSX of a layout that is already in the ground")
	fl.StringVar(&f.writePlan, "write-plan", "", "write the plan as understood to this file")
	fl.Float64Var(&f.cvPercent, "cv", 30, "coefficient of variation of plots within a block, in %; 0 leaves it out")
	fl.BoolVar(&f.full, "full", false, "the flags of every plot too")
	fl.BoolVar(&f.dry, "dry-run", false, "show everything, save nothing")
	a.forceFlag(fl)
	for _, key := range trial.PlanKeys() {
		f.set[key] = fl.StringArray(planFlag(key), nil, trial.KeyHelp(key))
		flagGroup(c, trial.KeyGroup(key), planFlag(key))
	}
	return c
}

// readPlan reads a plan file, unless path is "", over a plan.
func readPlan(t trial.Trial, path string) (trial.Trial, error) {
	if path == "" {
		return t, nil
	}
	file, err := os.Open(path)
	if err != nil {
		return t, fmt.Errorf("%s cannot be read: check the spelling and the permissions (%w)", path, err)
	}
	defer file.Close()
	t, faults := trial.ReadPlan(t, file, filepath.Base(path))
	return t, faults.Err()
}

func (a *app) newTrial(t trial.Trial, f *newFlags) error {
	err := sheets.CheckClassNames(nil, t.Classes)
	if err != nil {
		return err
	}
	if t.Tag == "" {
		t.Tag = trial.TagFor(t.Name)
	}
	if t.Seed == 0 { // an existing layout needs it too: its quadrats' places are drawn
		if t.Seed, err = trial.DrawSeed(); err != nil {
			return err
		}
	}
	var plots []trial.Plot
	if f.layout != "" {
		t, plots, err = a.existingLayout(t, f.layout)
	} else if plots, err = trial.LayOut(&t); err != nil {
		err = fmt.Errorf("the plan cannot be laid out:\n%w", err)
	} else {
		t.Generator = trial.GeneratorName
	}
	if err != nil {
		return err
	}
	if err := report.WriteNewTrial(a.out, &t, plots, f.cvPercent/100, a.text(f.full)); err != nil {
		return err
	}
	if f.writePlan != "" {
		if err := a.writeTo(f.writePlan, func(w io.Writer) error { return trial.WritePlan(w, &t) }); err != nil {
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

// existingLayout reads a table of plots into the plan.
func (a *app) existingLayout(t trial.Trial, path string) (trial.Trial, []trial.Plot, error) {
	s, err := a.readSheet(path)
	if err != nil {
		return t, nil, err
	}
	rows, faults := sheets.LayoutRows(s)
	if len(faults) > 0 {
		return t, nil, faults
	}
	laid, plots, notes, faults := trial.FromTable(&t, rows)
	a.notes("note: ", notes...)
	return laid, plots, append(faults, trial.ValidateRecord(&laid)...).Err()
}
