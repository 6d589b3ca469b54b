package main

import (
	"cmp"
	"io"

	"github.com/spf13/cobra"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/report"
	"quadtally/cmd/quadtally/internal/status"
	"quadtally/cmd/quadtally/internal/tables"
)

type agreeFlags struct {
	question    analysis.AgreeQuestion
	opt         calibrate.Options
	class, from string
	decimal     tables.Decimal
	json, full  bool
}

func agreeCommand(a *app) *cobra.Command {
	f := agreeFlags{opt: calibrate.DefaultOptions()}
	c := &cobra.Command{
		Use: "agree",
		RunE: func(cmd *cobra.Command, args []string) error {
			against, _ := analysis.PhotosAgainst(f.question.Of)
			if f.from == "" {
				if err := unused(cmd, "the trial's own pairs, only with --from", "unit", "decimal"); err != nil {
					return err
				}
				f.opt.Unit = calibrate.UnitFraction
			} else if f.class != "" || against != "" {
				return usagef("--class and --of weed-cover or weed-pieces are of the trial's own pairs; they do not go with --from")
			}
			opt, err := f.question.Options(f.opt)
			if err != nil {
				return err
			}
			if f.from != "" {
				return a.agreeTable(&f, opt)
			}
			return a.withTrial(reading, func(_ *record.Store, snap *record.Snapshot) error {
				r, err := analysis.Agree(snap, opt, analysis.Against{Of: against, Class: f.class})
				if err != nil {
					return err
				}
				var observers []analysis.ObserverPair
				if opt.Kind == calibrate.Count {
					observers = analysis.Observers(snap)
				}
				return a.printAgreement(r, &f, observers)
			})
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.question.Of, "of", "cover", "cover or count; count also tells two observers of one quadrat apart; weed-cover or weed-pieces for weeds alone")
	fl.StringVar(&f.class, "class", "", "of counts: only this class, species, group or life form")
	fl.StringVar(&f.question.Margin, "margin", "", "largest mean difference that would still let hand counting stop (`points` of cover, or plants per quadrat)")
	fl.StringVar(&f.question.Over, "over", "", "the hand values a yes is wanted for, `LOW,HIGH`, such as 0,40: in place of 3 visits")
	fl.StringSliceVar(&f.opt.By, "by", f.opt.By, "tables by visit, treatment, observer")
	fl.Float64Var(&f.opt.HandMinutes, "hand-minutes", 0, "minutes for one hand count, for the plan of double sampling")
	fl.Float64Var(&f.opt.PhotoMinutes, "photo-minutes", 0, "minutes for one photo")
	fl.Float64Var(&f.question.TargetSE, "target-se", 0, "wanted standard error of a plot mean, in the unit of the response")
	fl.Uint64Var(&f.opt.Seed, "seed", f.opt.Seed, "seed of the resampling")
	fl.BoolVar(&f.json, "json", false, "everything as JSON")
	fl.BoolVar(&f.full, "full", false, "every table below the answer")
	fl.StringVar(&f.from, "from", "", "pairs from a CSV or XLSX `file` instead of the trial")
	fl.StringVar((*string)(&f.opt.Unit), "unit", "", "with --from, of cover: percent or fraction (default: by the values)")
	decimalFlag(fl, &f.decimal, "with --from: `point` or comma")
	return c
}

func (a *app) agreeTable(f *agreeFlags, opt calibrate.Options) error {
	s, err := a.readSheet(f.from)
	if err != nil {
		return err
	}
	pairs, faults, err := analysis.PairsFromTable(s, f.decimal)
	if err != nil {
		return err
	}
	partly := a.noteFaults(s, faults)
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		return err
	}
	if partly != nil {
		partly = partlyDone(len(faults) + len(r.Intake.Problems))
	}
	return cmp.Or(a.printAgreement(r, f, nil), partly)
}

func (a *app) printAgreement(r calibrate.Report, f *agreeFlags, observers []analysis.ObserverPair) error {
	out := struct {
		calibrate.Report
		Observers []analysis.ObserverPair `json:"observers,omitempty"`
	}{r, observers}
	return a.show(f.json, out, func(w io.Writer) error {
		err := report.WriteAgreement(w, r, a.text(f.full))
		status.WriteObservers(w, observers)
		return err
	})
}
