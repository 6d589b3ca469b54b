package main

import (
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/stats"
)

type combineFlags struct {
	opt        analysis.CombineOptions
	table      tableFlags
	visit      int
	class      string
	same       []string
	json, full bool
	script     string
}

func combineCommand(a *app) *cobra.Command {
	var f combineFlags
	c := &cobra.Command{
		Use:  "combine RESPONSE TRIAL...",
		Args: takes(2, -1, "a response and the trials"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !slices.ContainsFunc(args[1:], isFolder) {
				if err := unused(cmd, allRows, "visit", "class"); err != nil {
					return err
				}
			}
			return a.combine(args[0], args[1:], &f)
		},
	}
	fl := c.Flags()
	fl.IntVar(&f.visit, "visit", 0, "of each trial only this visit (default: the mean over its visits)")
	fl.StringVar(&f.class, "class", "", "of counts: a class, species, group or life form")
	fl.StringVar(&f.opt.Control, "control", "", "the treatment others are held against (default: the control of all trials)")
	fl.StringVar((*string)(&f.opt.Scale), "scale", "", "scale of the analysis, as in compare")
	fl.StringArrayVar(&f.same, "same", nil, "names of one treatment, `\"NAME = NAME\"`; repeat for more")
	fl.StringArrayVar(&f.opt.Own, "own", nil, "a `treatment` of its own, though other names are like it; repeat for more")
	fl.BoolVar(&f.opt.Cross, "places-and-years", false, "tell places and years apart (a table with both columns)")
	fl.Float64Var(&f.opt.Alpha, "alpha", 0.05, "significance level")
	fl.BoolVar(&f.json, "json", false, "everything as JSON, with the forest of every difference")
	fl.BoolVar(&f.full, "full", false, "every difference trial by trial, and the variances")
	fl.StringVar(&f.script, "script", "", "also write the analysis as an R script to this `file`")
	f.table.define(fl, "of a table")
	return c
}

func (a *app) combine(response string, trials []string, f *combineFlags) (err error) {
	if err := analysis.CheckAlpha(f.opt.Alpha); err != nil {
		return err
	}
	if f.opt.Names, err = analysis.ParseSame(f.same); err != nil {
		return err
	}
	var list []analysis.TrialValues
	var folders []string
	for _, path := range trials {
		values, err := a.trialValues(response, path, f)
		if err != nil {
			return err
		}
		list, folders = append(list, values...), append(folders, filepath.Base(path))
	}
	analysis.NameByFolder(list, folders)
	f.opt.Context = a.ctx
	c, err := analysis.CombineTrials(list, f.opt)
	if err != nil {
		return err
	}
	if err := a.writeScript(f.script, func() (string, error) { return c.Script(response + " over trials") }); err != nil {
		return err
	}
	return a.show(f.json, c, func(w io.Writer) error { return report.WriteCombined(w, c, a.text(f.full)) })
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// trialValues reads a trial's folder, an export, or a table.
func (a *app) trialValues(response, path string, f *combineFlags) ([]analysis.TrialValues, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		s, err := a.readSheet(path)
		if err != nil {
			return nil, err
		}
		list, unused, err := analysis.ValuesOfTable(s, response, stats.Kind(f.table.kind), f.table.TableColumns)
		if len(unused) > 0 {
			a.note("note: %s: columns that were not used: %s", s.Name, strings.Join(unused, ", "))
		}
		return list, err
	}
	if values, err := a.readIfThere(filepath.Join(path, "values.csv")); values != nil || err != nil {
		if err != nil {
			return nil, err
		}
		questions, err := a.readIfThere(filepath.Join(path, "questions.csv"))
		if err != nil {
			return nil, err
		}
		t, err := analysis.ValuesOfExport(values, questions, filepath.Base(path), response, f.class, f.visit)
		return []analysis.TrialValues{t}, err
	}
	store, err := record.Open(path, record.Options{Author: a.author(), Clock: a.clock, ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return nil, err
	}
	t, err := analysis.ValuesOfTrial(snap, response, f.class, f.visit)
	return []analysis.TrialValues{t}, err
}

// readIfThere reads a table, or gives nil where there is no such file.
func (a *app) readIfThere(path string) (*tables.Sheet, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, nil
	}
	return a.readSheet(path)
}
