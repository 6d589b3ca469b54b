package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/status"
)

type agreeFlags struct {
	of, class                 string
	from, decimal, unit       string
	margin, over              string
	by                        []string
	handMinutes, photoMinutes float64
	targetSE                  float64
	seed                      uint64
	json, full                bool
}

func agreeCommand(a *app) *cobra.Command {
	var f agreeFlags
	def := calibrate.DefaultOptions()
	c := &cobra.Command{
		Use:   "agree",
		Short: "Hold the camera against the hand",
		Long: `Holds what the photos say against what people counted or judged in the same
quadrats at the same visit: bias, limits of agreement, concordance, the
calibration line, and whether the bias differs between treatments, which would
fake a treatment effect. Quadrats of one plot belong together in all intervals.

With --margin, stated before you look, it answers whether hand counting may
stop: yes, no, or not yet, on average and for comparing treatments. A yes takes
8 plots over 3 visits (or pairs all over the values of --over) and a pair in
every treatment. For cover the margin is in points of cover (5 means within 5
points), for counts in plants per quadrat.

Weeds are held against weeds once the photos tell them apart: weed cover against
weed cover judged by eye, weed pieces against hand counts, of one --class too.

With --from, any table of pairs will do: columns hand and image, and perhaps
plot, quadrat, visit, treatment, observer.

` + exitHelp,
		Example: `  quadtally agree --of cover --margin 5
  quadtally agree --of count --by treatment --json
  quadtally agree --of weed-pieces --class grass
  quadtally agree --from pairs.csv --hand-minutes 6 --photo-minutes 1`,
		RunE: func(cmd *cobra.Command, args []string) error {
			opt, err := f.options()
			if err != nil {
				return err
			}
			if f.from != "" {
				if f.class != "" || f.against() != "" {
					return usagef("--class and --of weed-cover or weed-pieces are of the trial's own pairs; they do not go with --from")
				}
				return a.agreeTable(f, opt)
			}
			if err := unused(cmd, "the trial's own pairs, only with --from", []string{"unit", "decimal"}); err != nil {
				return err
			}
			return a.withTrial(func(_ *record.Store, snap *record.Snapshot) error {
				r, err := analysis.Agree(snap, opt, analysis.Against{Of: f.against(), Class: f.class})
				if err != nil {
					return err
				}
				if opt.Kind != calibrate.Count {
					return a.printAgreement(r, f, nil)
				}
				return a.printAgreement(r, f, analysis.Observers(snap))
			})
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.of, "of", "cover", "cover or count; count also tells two observers of one quadrat apart; weed-cover or weed-pieces for weeds alone")
	fl.StringVar(&f.class, "class", "", "of counts: only this class, species, group or life form")
	fl.StringVar(&f.margin, "margin", "", "largest mean difference that would still let hand counting stop (`points` of cover, or plants per quadrat)")
	fl.StringVar(&f.over, "over", "", "the hand values a yes is wanted for, `LOW,HIGH`, such as 0,40: in place of 3 visits")
	fl.StringSliceVar(&f.by, "by", def.By, "tables by visit, treatment, observer")
	fl.Float64Var(&f.handMinutes, "hand-minutes", 0, "minutes for one hand count, for the plan of double sampling")
	fl.Float64Var(&f.photoMinutes, "photo-minutes", 0, "minutes for one photo")
	fl.Float64Var(&f.targetSE, "target-se", 0, "wanted standard error of a plot mean, in the unit of the response")
	fl.Uint64Var(&f.seed, "seed", def.Seed, "seed of the resampling")
	fl.BoolVar(&f.json, "json", false, "everything as JSON")
	fl.BoolVar(&f.full, "full", false, "every table below the answer")
	fl.StringVar(&f.from, "from", "", "pairs from a CSV or XLSX `file` instead of the trial")
	fl.StringVar(&f.unit, "unit", "", "with --from, of cover: percent or fraction (default: by the values)")
	fl.StringVar(&f.decimal, "decimal", "", "with --from: `point` or comma")
	return c
}

// against is the response of photos that is asked for by name, "" for none.
func (f *agreeFlags) against() analysis.Key {
	if k := analysis.Named(f.of); k == analysis.WeedCover || k == analysis.WeedPieces {
		return k
	}
	return ""
}

func (f *agreeFlags) options() (calibrate.Options, error) {
	opt := calibrate.DefaultOptions()
	opt.Kind, opt.By, opt.Seed = calibrate.Kind(f.of), f.by, f.seed
	switch f.against() {
	case analysis.WeedCover:
		opt.Kind = calibrate.Cover
	case analysis.WeedPieces:
		opt.Kind = calibrate.Count
	}
	opt.HandMinutes, opt.PhotoMinutes, opt.TargetSE = f.handMinutes, f.photoMinutes, f.targetSE
	if opt.Kind == calibrate.Cover {
		opt.TargetSE /= 100
	}
	if f.margin != "" {
		var m float64
		if _, err := fmt.Sscan(f.margin, &m); err != nil {
			return opt, usagef("--margin %q is not a number", f.margin)
		}
		if opt.Kind == calibrate.Cover {
			m /= 100
		}
		opt.Margin = &m
	}
	if f.over != "" {
		var low, high float64
		if _, err := fmt.Sscanf(f.over, "%g,%g", &low, &high); err != nil {
			return opt, usagef("--over %q: write two values as LOW,HIGH, such as 0,40", f.over)
		}
		if opt.Kind == calibrate.Cover {
			low, high = low/100, high/100
		}
		opt.Enough.Range = &[2]float64{low, high}
	}
	if f.from != "" {
		opt.Unit = calibrate.Unit(f.unit)
	} else {
		opt.Unit = calibrate.UnitFraction
	}
	if err := opt.Validate(); err != nil {
		return opt, usageError{err}
	}
	return opt, nil
}

func (a *app) agreeTable(f agreeFlags, opt calibrate.Options) error {
	decimal, err := decimalOf(f.decimal)
	if err != nil {
		return err
	}
	s, err := a.readSheet(f.from)
	if err != nil {
		return err
	}
	pairs, faults, err := analysis.PairsFromTable(s, decimal)
	if err != nil {
		return err
	}
	for _, x := range faults {
		a.note("%s", s.FaultText(x))
	}
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		return err
	}
	if err := a.printAgreement(r, f, nil); err != nil {
		return err
	}
	if n := len(faults) + len(r.Intake.Problems); n > 0 && len(faults) > 0 {
		return partly{n}
	}
	return nil
}

func (a *app) printAgreement(r calibrate.Report, f agreeFlags, observers []analysis.ObserverPair) error {
	if f.json {
		return a.writeJSON(struct {
			calibrate.Report
			Observers []analysis.ObserverPair `json:"observers,omitempty"`
		}{r, observers})
	}
	if err := report.WriteAgreement(a.out, r, report.TextOptions{Short: !f.full, Term: a.term}); err != nil {
		return err
	}
	for i, p := range observers {
		if i == 0 {
			fmt.Fprintln(a.out)
		}
		fmt.Fprintf(a.out, "Two observers: %s\n", status.ObserversText(p))
	}
	return nil
}
