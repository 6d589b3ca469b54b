package main

import (
	"cmp"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/stats"
)

type combineFlags struct {
	visit                                       int
	class, control, scale, kind, value, decimal string
	same, own                                   []string
	alpha                                       float64
	cross, json, full                           bool
	script                                      string
}

func combineCommand(a *app) *cobra.Command {
	var f combineFlags
	c := &cobra.Command{
		Use:   "combine RESPONSE TRIAL...",
		Short: "Compare treatments over several trials: years, farms or fields",
		Long: `Analyses several trials together. A TRIAL is a trial's folder, a folder that
export wrote, or a table; a table with a column trial, farm, site or year holds
a trial for each. Trials of one block and of several go together.

Treatments are fixed and trials random: what is shown holds for trials like
these, and a difference counts by how it repeats from trial to trial. Treatments
are matched by name; where names differ it asks, and --same or --own answers.
One trial alone is refused: that is what compare is for.

` + exitHelp,
		Example: `  quadtally combine yield alder-bend-2025 alder-bend-2026
  quadtally combine yield farms.csv --control BARE --json
  quadtally combine cover 2025 2026 --same "CEREAL RYE = RYE" --own TARP`,
		Args: takes(2, -1, "a response and the trials"),
		RunE: func(cmd *cobra.Command, args []string) error { return a.combine(args[0], args[1:], f) },
	}
	fl := c.Flags()
	fl.IntVar(&f.visit, "visit", 0, "of each trial only this visit (default: the mean over its visits)")
	fl.StringVar(&f.class, "class", "", "of counts: a class, species, group or life form")
	fl.StringVar(&f.control, "control", "", "the treatment others are held against (default: the control of all trials)")
	fl.StringVar(&f.scale, "scale", "", "scale of the analysis, as in compare")
	fl.StringArrayVar(&f.same, "same", nil, "names of one treatment, `\"NAME = NAME\"`; repeat for more")
	fl.StringArrayVar(&f.own, "own", nil, "a `treatment` of its own, though other names are like it; repeat for more")
	fl.BoolVar(&f.cross, "places-and-years", false, "tell places and years apart (a table with both columns)")
	fl.Float64Var(&f.alpha, "alpha", 0.05, "significance level")
	fl.BoolVar(&f.json, "json", false, "everything as JSON, with the forest of every difference")
	fl.BoolVar(&f.full, "full", false, "every difference trial by trial, and the variances")
	fl.StringVar(&f.script, "script", "", "also write the analysis as an R script to this `file`")
	fl.StringVar(&f.kind, "kind", "", "of a table: measure, percent, proportion or count (default: by the response's name)")
	fl.StringVar(&f.value, "value", "", "of a table: the column that holds the value")
	fl.StringVar(&f.decimal, "decimal", "", "of a table: `point` or comma")
	return c
}

func (a *app) combine(response string, trials []string, f combineFlags) error {
	opt := analysis.CombineOptions{Control: f.control, Scale: stats.Scale(f.scale), Alpha: f.alpha, Own: f.own, Cross: f.cross}
	if !(f.alpha > 0 && f.alpha < 0.5) {
		return usagef("--alpha %v is not between 0 and 0.5", f.alpha)
	}
	for _, s := range f.same {
		name, as, ok := strings.Cut(s, "=")
		if name, as = strings.TrimSpace(name), strings.TrimSpace(as); !ok || name == "" || as == "" {
			return usagef("--same %q: write \"NAME = NAME\"", s)
		}
		opt.Names = append(opt.Names, stats.TreatmentName{Name: name, As: as})
	}
	var list []analysis.TrialValues
	for _, path := range trials {
		values, err := a.trialValues(response, path, f)
		if err != nil {
			return err
		}
		list = append(list, values...)
	}
	// Trials of one plan over the years have one name; their folders tell them
	// apart.
	count := map[string]int{}
	for _, t := range list {
		count[t.Name]++
	}
	if len(list) == len(trials) {
		for i := range list {
			if count[list[i].Name] > 1 {
				list[i].Name += " (" + filepath.Base(trials[i]) + ")"
			}
		}
	}
	opt.Context = a.ctx
	c, err := analysis.CombineTrials(list, opt)
	if err != nil {
		return err
	}
	if f.script != "" {
		text, err := c.Script(response + " over trials")
		if err == nil {
			err = a.writeScript(f.script, text)
		}
		if err != nil {
			return err
		}
	}
	if f.json {
		return a.writeJSON(c)
	}
	return report.WriteCombined(a.out, c, report.TextOptions{Short: !f.full, Term: a.term})
}

// trialValues reads a trial's folder, an export, or a table.
func (a *app) trialValues(response, path string, f combineFlags) ([]analysis.TrialValues, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		decimal, err := decimalOf(f.decimal)
		if err != nil {
			return nil, err
		}
		s, err := a.readSheet(path)
		if err != nil {
			return nil, err
		}
		list, unused, err := analysis.ValuesOfTable(s, response, cmp.Or(stats.Kind(f.kind), analysis.KindByName(response)), analysis.TableColumns{Value: f.value, Decimal: decimal})
		if len(unused) > 0 {
			a.note("note: %s: columns that were not used: %s", s.Name, strings.Join(unused, ", "))
		}
		return list, err
	}
	if values := filepath.Join(path, "values.csv"); exists(values) {
		s, err := a.readSheet(values)
		if err != nil {
			return nil, err
		}
		var questions *tables.Sheet
		if open := filepath.Join(path, "questions.csv"); exists(open) {
			if questions, err = a.readSheet(open); err != nil {
				return nil, err
			}
		}
		t, err := analysis.ValuesOfExport(s, questions, filepath.Base(path), response, f.class, f.visit)
		return []analysis.TrialValues{t}, err
	}
	store, err := record.Open(path, record.Options{Author: a.author(), Clock: a.clock})
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

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
